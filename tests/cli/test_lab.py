"""`jogtune lab`: JupyterLab takes the process over, on a copy of the notebooks that nothing of a person's is lost in.

Its arguments are looked at with a faked `execv`; one real start, a save and Ctrl-C are behind the browser's marker."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import tomllib
import urllib.error
import urllib.request
from pathlib import Path
from types import SimpleNamespace

import pytest

from jogtune.cli import commands, new
from jogtune.cli.main import main
from places import ROOT


@pytest.fixture
def handed_over(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[list[str]]:
    """The commands that JupyterLab would have been started with, from a folder of a person's own."""
    calls: list[list[str]] = []

    def take_over(path: str, command: list[str]) -> None:
        assert path == command[0] == sys.executable
        calls.append(command)
        raise SystemExit(7)  # JupyterLab's own

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(os, "execv", take_over)
    monkeypatch.setattr(subprocess, "call", lambda command: pytest.fail("a child was started"))
    return calls


def _lab(*arguments: str) -> None:
    with pytest.raises(SystemExit, match="7"):
        main(["lab", *arguments])


def test_it_hands_over_for_this_computer_only(handed_over: list[list[str]], tmp_path: Path) -> None:
    _lab()
    _lab("--no-browser", "--port", "9001")
    for command, port in zip(handed_over, (8888, 9001), strict=True):
        assert command[1:3] == ["-m", "jupyterlab"]
        assert {"--ip=127.0.0.1", f"--port={port}", f"--ServerApp.root_dir={tmp_path}/jogtune_notebooks"} <= set(command)
        assert "--LabApp.default_url=/lab/tree/notebooks" in command
        assert not [text for text in command if "token" in text or "password" in text]
        assert ("--no-browser" in command) == (port == 9001)
        assert ("--allow-root" in command) == (os.geteuid() == 0)


def test_what_a_person_changed_stays_and_what_is_missing_comes(
    handed_over: list[list[str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _lab("--into", "mine")
    books = tmp_path / "mine" / "notebooks"
    said = capsys.readouterr().out
    every = [path for path in books.parent.rglob("*") if path.is_file()]
    assert said == f"{books.parent}: {len(every)} files copied, 0 there already and left as they are\n"
    for path in every:
        assert path.read_bytes() == (ROOT / path.relative_to(books.parent)).read_bytes()
    (books / "05_the_hand.ipynb").write_text("changed", encoding="utf-8")
    (books / "06_the_ladder.ipynb").unlink()
    (books / "class_logs").mkdir()
    (books / "class_logs" / "heron_1.csv").write_text("mine", encoding="utf-8")
    _lab("--into", "mine")
    assert f"1 file copied, {len(every) - 1} there already" in capsys.readouterr().out
    assert (books / "05_the_hand.ipynb").read_text(encoding="utf-8") == "changed"
    assert (books / "06_the_ladder.ipynb").is_file()
    assert (books / "class_logs" / "heron_1.csv").read_text(encoding="utf-8") == "mine"


def test_every_notebook_finds_its_data_beside_the_copy(handed_over: list[list[str]], tmp_path: Path) -> None:
    _lab()
    books = sorted((tmp_path / "jogtune_notebooks" / "notebooks").rglob("*.ipynb"))
    assert len(books) == len(sorted((ROOT / "notebooks").rglob("*.ipynb")))
    for book in books:
        for name in [part.split('"')[0] for part in book.read_text(encoding="utf-8").split('\\"') if part.startswith("../")]:
            assert (book.parent / name.rstrip("\\")).exists(), f"{book.name}: {name}"


def test_a_copy_of_what_is_read_only_can_be_written(
    handed_over: list[list[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = tmp_path / "site"
    for name in ("notebooks", "datasets"):
        shutil.copytree(ROOT / name, source / name)
    for path in (source, *source.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    monkeypatch.setattr(new, "_SHIPPED", source)
    _lab("--into", "mine")
    assert all(path.stat().st_mode & 0o200 for path in (tmp_path / "mine", *(tmp_path / "mine").rglob("*")))
    for path in (source, *source.rglob("*")):
        path.chmod(0o755)


def test_a_folder_of_ones_own_is_opened_where_it_lies(handed_over: list[list[str]], tmp_path: Path) -> None:
    (tmp_path / "own" / ".ipynb_checkpoints").mkdir(parents=True)
    for name in ("a.ipynb", ".ipynb_checkpoints/a.ipynb"):
        (tmp_path / "own" / name).write_text("{}", encoding="utf-8")
    _lab("--folder", "own")
    assert [path.name for path in tmp_path.iterdir()] == ["own"]
    (tmp_path / "datasets").mkdir()
    (tmp_path / "datasets" / "a.csv").write_text("", encoding="utf-8")
    for into in ("own/copy", "datasets/copy"):  # even where it lies inside, the copy is not copied into itself
        for _ in range(2):
            _lab("--folder", "own", "--into", into)
        files = [path.relative_to(tmp_path / into).as_posix() for path in (tmp_path / into).rglob("*.*")]
        assert sorted(files) == ["datasets/a.csv", "own/a.ipynb"]
        shutil.rmtree(tmp_path / into)
    roots = [text.split("=")[1] for command in handed_over for text in command if "root_dir" in text]
    assert roots == [str(tmp_path), *[str(tmp_path / "own/copy")] * 2, *[str(tmp_path / "datasets/copy")] * 2]
    assert "--LabApp.default_url=/lab/tree/own" in handed_over[-1]


def test_a_copy_lies_beside_the_machine_file_unless_it_is_told_where(
    handed_over: list[list[str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / "shop" / "router.toml"
    place.parent.mkdir()
    shutil.copy(ROOT / "datasets" / "machines" / "inlay_router.toml", place)
    _lab("shop/router.toml")
    assert sorted(path.name for path in place.parent.iterdir()) == ["jogtune_notebooks", "router.toml"]
    assert capsys.readouterr().out.endswith(f'In a notebook, name your machine "{place}".\n')
    _lab("shop/router.toml", "--into", "mine")
    roots = [text.split("=")[1] for command in handed_over for text in command if "root_dir" in text]
    assert roots == [str(place.with_name("jogtune_notebooks")), str(tmp_path / "mine")]
    place.write_text(place.read_text(encoding="utf-8").replace('"80 per mm"', '"-80 per mm"', 1), encoding="utf-8")
    assert main(["lab", "shop/router.toml", "--into", "other"]) == 2
    assert "above 0" in capsys.readouterr().err
    assert main(["lab", "none.toml"]) == 2
    assert not (tmp_path / "other").exists()
    assert len(handed_over) == 2


def test_a_place_that_is_a_file_is_one_clear_fault(
    handed_over: list[list[str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "mine").write_text("", encoding="utf-8")
    assert main(["lab", "--into", "mine"]) == 2
    assert "choose another folder" in capsys.readouterr().err
    assert not handed_over


def test_where_nothing_can_be_handed_over_the_exit_code_is_passed_on(
    handed_over: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[object] = []
    monkeypatch.setattr(commands, "os", SimpleNamespace(name="nt"))
    monkeypatch.setattr(signal, "signal", lambda *what: seen.append(what))
    monkeypatch.setattr(subprocess, "call", lambda command: seen.append(command) or 5)
    assert main(["lab", "--into", "mine"]) == 5
    assert seen[-2] == (signal.SIGINT, signal.SIG_IGN)
    assert not handed_over


def test_notebooks_and_data_are_packed_whole() -> None:
    """What git knows is what a wheel holds, so that a copy can be made without a clone."""
    packed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    for name, folder in packed["package-dir"].items():
        found = {p for pattern in packed["package-data"][name] for p in (ROOT / folder).glob(pattern) if p.is_file()}
        names = subprocess.run(["git", "ls-files", folder], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split()
        assert {ROOT / one for one in names} <= found


@pytest.mark.browser
@pytest.mark.skipif(os.name == "nt" or shutil.which("jupyter-lab", path=str(Path(sys.executable).parent)) is None, reason="no JupyterLab")
def test_it_starts_beside_a_taken_port_saves_and_ends_on_ctrl_c(tmp_path: Path) -> None:
    env = {**os.environ, **{f"JUPYTER_{kind}_DIR": str(tmp_path / kind) for kind in ("CONFIG", "DATA", "RUNTIME")}}
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        command = [sys.executable, "-m", "jogtune", "lab", "--no-browser", f"--port={port}", "--into", str(tmp_path / "mine")]
        process = subprocess.Popen(command, env=env, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            note = tmp_path / "RUNTIME" / f"jpserver-{process.pid}.json"  # the process is JupyterLab's now
            end = time.monotonic() + 120
            while not (note.is_file() and note.read_text(encoding="utf-8")) and process.poll() is None and time.monotonic() < end:
                time.sleep(0.1)
            server = json.loads(note.read_text(encoding="utf-8"))
            assert server["hostname"] == "127.0.0.1"
            assert server["token"]
            assert server["port"] != port
            url = f"{server['url']}api/contents/notebooks/05_the_hand.ipynb?token={server['token']}"
            book = None
            while book is None and time.monotonic() < end:  # it is noted down before it listens
                with contextlib.suppress(ConnectionRefusedError, urllib.error.URLError), urllib.request.urlopen(url, timeout=60) as answer:
                    book = json.loads(answer.read())
            assert book is not None
            book["content"]["cells"][0]["source"] = "# saved"
            body = json.dumps({"type": "notebook", "format": "json", "content": book["content"]}).encode()
            with urllib.request.urlopen(urllib.request.Request(url, body, method="PUT"), timeout=60) as answer:
                assert answer.status == 200
            assert "# saved" in (tmp_path / "mine" / "notebooks" / "05_the_hand.ipynb").read_text(encoding="utf-8")
            children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
            assert not children.is_file() or children.read_text().split() == []
            for patience_s in (1, 30) * 4:  # JupyterLab asks for 5 s whether it is meant; twice is a yes
                if process.poll() is None:
                    process.send_signal(signal.SIGINT)
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(timeout=patience_s)
            assert process.returncode == 0  # JupyterLab's own, not 130
        finally:
            process.kill()
            process.communicate()
