"""Files are written as sets: whatever stops a run, and whenever, the whole new set stands or the whole old one."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from jogtune import files
from jogtune.files import InputFault, write_set, write_whole
from jogtune.notebook.machine import _Draft
from places import ROOT

ROUTER, LOG = ROOT / "datasets/machines/inlay_router.toml", ROOT / "datasets/logs/inlay_router_simulated.csv"
RUNS = {
    "suggest": "suggest {router} --ladder {ladder} --out out --overwrite",
    "export": "export {router} --ladder {ladder} --header a/l.h --json a/l.json --csv b/l.csv --legend b/l.svg --card b/c.pdf --overwrite",
    "measure": "measure logs --machine {router} --ladder {ladder} --out out --overwrite",
    "read": "read log_{n}.csv --out out.csv --keep-map out.map.toml --overwrite",
}
LADDERS = ("0.02,0.2,2", "0.01,0.1,1")
SERVER = """
import json, os, sys
for name in json.loads(sys.argv[1]):
    __import__(name)
for line in sys.stdin:
    folder, code = json.loads(line)
    if not (child := os.fork()):
        os.chdir(folder)
        os.dup2(os.open(os.devnull, os.O_RDWR), 0)
        os.dup2(os.open(os.devnull, os.O_RDWR), 1)
        os.dup2(os.open("../said", os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
        try:
            exec(code, {"__name__": "run"})
        except SystemExit as end:
            os._exit(end.code or 0)
        except BaseException:
            sys.excepthook(*sys.exc_info())
            os._exit(1)
        os._exit(0)
    print(child, flush=True)
    print(os.waitpid(child, 0)[1], flush=True)
"""


class Server:
    """Runs code in processes that have their modules loaded already."""

    def __init__(self, *modules: str) -> None:
        command = [sys.executable, "-c", SERVER, json.dumps(modules)]
        self._run = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT), "SOURCE_DATE_EPOCH": "0"})

    def start(self, folder: Path, code: str) -> int:
        assert self._run.stdin
        assert self._run.stdout
        print(json.dumps([str(folder), code]), file=self._run.stdin, flush=True)
        return int(self._run.stdout.readline())

    def wait(self) -> int:
        assert self._run.stdout
        return int(self._run.stdout.readline())

    def end(self, child: int, number: int) -> int:
        """Send a signal; Ctrl-C again and again, as Python may drop one in a finaliser. The status it ends with."""
        done = threading.Event()

        def insist() -> None:
            while not done.wait(1):
                os.kill(child, number)

        with suppress(ProcessLookupError):
            os.kill(child, number)
        again = threading.Thread(target=insist)
        again.start()
        try:
            return self.wait()
        finally:
            done.set()
            again.join()

    def close(self) -> None:
        self._run.communicate()


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    one = Server("jogtune.logs.read", "pyarrow.parquet")
    yield one
    one.close()


def held(folder: Path) -> dict[str, bytes]:
    """What a reader sees in a folder: all that isn't hidden."""
    places = (path for path in folder.rglob("*") if not any(part.startswith(".") for part in path.relative_to(folder).parts))
    return {str(path.relative_to(folder)): path.read_bytes() if path.is_file() else b"" for path in places}


def hidden(folder: Path) -> list[Path]:
    return list(folder.rglob(f"{files._STAGE}*"))


# ------------------------------------------------------------------ refused


def limited(server: Server, folder: Path, code: str) -> str:
    """What a writer says that may write no more than 3000 bytes into a file."""
    limit = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (3000, 3000))\n"
    server.start(folder, f"{limit}from jogtune.files import write_set\nfrom jogtune.logs.read import *\n{code}")
    assert server.wait() != 0
    return (folder.parent / "said").read_text().splitlines()[-1].strip()


@pytest.mark.parametrize("name", ["a.csv", "a.csv.gz", "a.parquet"])
def test_a_full_disk_is_one_line_and_the_old_set_stands(server: Server, tmp_path: Path, name: str) -> None:
    folder = tmp_path / "all"
    folder.mkdir()
    (folder / name).write_text("old")
    said = limited(server, folder, f"write_log(read_log({str(LOG)!r}), {name!r}, beside={{'b.toml': ''}}, overwrite=True)")
    assert said == "- can't write here (File too large): make room, or choose another folder; what was there is kept"
    said = limited(server, folder, "write_set({'c': 'c', 'd': b'd' * 9000})")
    assert said == "- can't write here (File too large): make room, or choose another folder; nothing was written"
    assert held(folder) == {name: b"old"}
    assert not hidden(folder)


def test_a_folder_that_vanishes_is_one_fault(tmp_path: Path) -> None:
    (tmp_path / "new").mkdir()
    with pytest.raises(InputFault, match="there is no folder .*new: make it first"):
        write_set({tmp_path / "new" / "a": "1", tmp_path / "new" / "b": lambda stream: shutil.rmtree(tmp_path / "new")})
    with pytest.raises(InputFault, match="there is no folder .*none: make it first"):
        write_whole(tmp_path / "none" / "a", "1")
    assert list(tmp_path.iterdir()) == []


def test_what_the_content_lacks_is_not_said_of_the_place(tmp_path: Path) -> None:
    def lost(stream: object) -> None:
        raise OSError(5, "Input/output error", "the log")

    with pytest.raises(OSError, match="the log"):
        write_set({tmp_path / "a": "1", tmp_path / "b": lost})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("file/a", "Not a directory"), ("folder", "is a folder: name a file"),
        ("loop/a", "there is no folder|Not a directory|Too many levels"), ("n" * 300, "name too long"), (f"{'n' * 300}/a", "there is no folder|name too long"),
        ("a\0b", "holds a NUL byte"), (" ", "is empty"),
    ],
)  # fmt: skip
def test_a_place_that_cannot_be_is_one_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, words: str) -> None:
    monkeypatch.chdir(tmp_path)
    Path("file").write_text("")
    Path("folder").mkdir()
    Path("loop").symlink_to("loop")
    for make in (False, True):
        with pytest.raises(InputFault, match=words):
            write_set({"first": "1", name: "2"}, overwrite=True, make_folder=make)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "folder", "loop"]


def test_where_one_cannot_be_replaced_those_before_it_are_put_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def replace(source: Path, target: Path, real: Callable[..., None] = os.replace) -> None:
        if Path(target).name == "locked" and Path(source).read_text() == "new":
            raise PermissionError(1, "Operation not permitted")
        real(source, target)

    for name in ("a", "locked"):
        (tmp_path / name).write_text("old")
    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(InputFault, match="not permitted.*what was there is kept"):
        write_set({tmp_path / name: "new" for name in ("a", "b", "locked", "c")}, overwrite=True)
    assert held(tmp_path) == {"a": b"old", "locked": b"old"}
    assert not hidden(tmp_path)


# ------------------------------------------------------------------ two at once


def test_two_runs_into_one_folder_come_one_after_the_other(tmp_path: Path) -> None:
    """A new folder has one of them whole; over each other the last stands, whole; what a living one has made ready stays."""
    told: list[InputFault] = []

    def run(name: str) -> None:
        start.wait()
        try:
            write_set({tmp_path / "new" / place: name for place in "xyz"}, make_folder=True)
        except InputFault as fault:
            told.append(fault)
        for _ in range(25):
            write_set({tmp_path / place: name for place in "1234"}, overwrite=True)

    start = threading.Barrier(3)
    threads = [threading.Thread(target=run, args=(name,)) for name in "abc"]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert len(set(held(tmp_path / "new").values())) == 1
    assert len({(tmp_path / place).read_text() for place in "1234"}) == 1
    assert ["not overwritten unasked" in str(fault) for fault in told] == [True, True]
    assert not hidden(tmp_path)


def test_a_run_within_a_run_leaves_its_files_alone(tmp_path: Path) -> None:
    write_set({tmp_path / "a": lambda stream: write_whole(tmp_path / "b", "2"), tmp_path / "c": "3"})
    assert held(tmp_path) == {"a": b"", "b": b"2", "c": b"3"}


def test_what_a_dead_run_left_is_swept(tmp_path: Path) -> None:
    (tmp_path / ".jogtune-dead").mkdir()
    (tmp_path / ".jogtune-dead" / "a").write_text("half")
    write_whole(tmp_path / "new" / "b", "2", make_folder=True)
    assert held(tmp_path) == {"new": b"", "new/b": b"2"}
    assert not hidden(tmp_path)


def test_what_another_run_clears_away_meanwhile_is_no_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def hold(folder: Path, real: Callable[[Path], Any] = files._hold) -> Any:
        if folder.name == ".jogtune-other":
            folder.rmdir()
        return real(folder)

    monkeypatch.setattr(files, "_hold", hold)
    write_whole(tmp_path / "a", lambda stream: (tmp_path / ".jogtune-other").mkdir())
    assert held(tmp_path) == {"a": b""}


def test_who_comes_while_another_renames_waits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def replace(source: Path, target: Path, real: Callable[..., None] = os.replace) -> None:
        if not other.ident:
            other.start()
            other.join(0.2)
            waited.append(other.is_alive())
        real(source, target)

    waited: list[bool] = []
    other = threading.Thread(target=lambda: write_set({tmp_path / name: "2" for name in "abc"}, overwrite=True))
    monkeypatch.setattr(os, "replace", replace)
    write_set({tmp_path / name: "1" for name in "abc"})
    other.join()
    assert waited == [True]
    assert held(tmp_path) == {name: b"2" for name in "abc"}


def test_ctrl_c_between_two_files_waits_for_the_rest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def replace(source: Path, target: Path, real: Callable[..., None] = os.replace) -> None:
        signal.raise_signal(signal.SIGINT)
        real(source, target)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(KeyboardInterrupt, match="the whole new set is written"):
        write_set({tmp_path / name: "new" for name in "abc"})
    assert held(tmp_path) == {name: b"new" for name in "abc"}
    with pytest.raises(KeyboardInterrupt, match="what was there is kept"):
        write_set({tmp_path / "a": "1", tmp_path / "b": lambda stream: signal.raise_signal(signal.SIGINT)}, overwrite=True)
    assert held(tmp_path) == {name: b"new" for name in "abc"}


def test_of_two_panels_the_one_that_saves_second_is_told(tmp_path: Path) -> None:
    place = tmp_path / "mine.toml"
    place.write_text(ROUTER.read_text())
    first, second = _Draft(place), _Draft(place)
    for draft, slack in ((first, "0.01 mm"), (second, "0.02 mm")):
        draft.set({"axis X.slack": slack}, draft.machine)
    first.save(place, first.machine, overwrite=True)
    first.save(place, first.machine, overwrite=True)  # over what it wrote itself
    saved = place.read_text()
    with pytest.raises(InputFault, match="has changed since it was read: save under another name"):
        second.save(place, second.machine, overwrite=True)
    assert place.read_text() == saved
    second.save(tmp_path / "other.toml", second.machine)
    assert str(second.given("axis X.slack")) in (tmp_path / "other.toml").read_text()


# ------------------------------------------------------------------ killed

LOOP = """
import itertools, os
from jogtune.files import write_set
for n in itertools.count({first}):
    write_set({{"a/1": f"{{n}}", "a/2": f"{{n}}", "b/3": f"{{n}}", "b/4": lambda stream: stream.write(b"%d" % n)}}, overwrite=True)
    write_set({{f"new{{n}}/1": f"{{n}}", f"new{{n}}/2": f"{{n}}"}}, make_folder=True)
"""


def kill_the_loop(server: Server, folder: Path, count: int) -> tuple[int, int, list[Any]]:
    """Kill writers at random moments: how often a reader saw a mix, and how often one stayed after the next run had settled it."""
    chance, before, after = random.Random(time.time_ns()), 0, []
    for name in "ab":
        (folder / name).mkdir(parents=True)
    for n in range(count):
        child = server.start(folder, LOOP.format(first=10_000 * n))
        time.sleep(chance.uniform(0.005, 0.1))
        server.end(child, chance.choice([signal.SIGKILL, signal.SIGINT]))
        before += len({text for name in "ab" for place, text in held(folder / name).items() if place != "other"}) > 1
        for name in chance.sample(["a", "b", "."], 3):
            write_whole(folder / name / "other", "", overwrite=True)
        seen = {text for name in "ab" for place, text in held(folder / name).items() if place != "other"}
        new = [sorted(held(one)) for one in folder.glob("new*")]
        if len(seen) > 1 or any(one != ["1", "2"] for one in new) or hidden(folder):
            after.append((n, seen, new, hidden(folder)))
        for one in folder.glob("new*"):
            shutil.rmtree(one)
    return count, before, after


STEP = """
import os, signal
from jogtune.files import write_set
real, left = os.replace, list(range({steps}))
os.replace = lambda *names: real(*names) if left and left.pop() + 1 else os.kill(os.getpid(), signal.SIGKILL)
write_set({{"a/1": "new", "a/2": "new", "b/3": "new"}}, overwrite=True)
"""


@pytest.mark.parametrize("steps", range(5))  # renames done before the kill: two of journals, of which the second counts, three files
@pytest.mark.parametrize("next_in", "ab")
def test_a_kill_between_two_renames(server: Server, tmp_path: Path, steps: int, next_in: str) -> None:
    folder = tmp_path / "all"
    for name in "ab":
        (folder / name).mkdir(parents=True)
    write_set({folder / name: "old" for name in ("a/1", "a/2", "b/3")})
    server.start(folder, STEP.format(steps=steps))
    assert os.waitstatus_to_exitcode(server.wait()) == -signal.SIGKILL
    write_whole(folder / next_in / "other", "")
    assert {text for place, text in held(folder).items() if len(place) > 1 and "other" not in place} == {b"old" if steps < 2 else b"new"}
    write_whole(folder / ("b" if next_in == "a" else "a") / "other", "")
    assert not hidden(folder)


NEW = """
import os, signal
from jogtune.files import write_set
real, left = os.replace, list(range({steps}))
os.replace = lambda *names: real(*names) if left and left.pop() + 1 else os.kill(os.getpid(), signal.SIGKILL)
write_set({{"a/1": "new", "a/2": "new", "mine/3": "new", "mine/deep/er/4": "new", "thine/5": "new"}}, make_folder=True)
"""
IN_NEW = {"a/1", "a/2", "mine/3", "mine/deep/er/4", "thine/5"}


@pytest.mark.parametrize("steps", [*range(9), 99])  # renames done before the kill: three of journals, of which the third counts
def test_new_folders_beside_files_in_old_ones_are_written_or_none_is(server: Server, tmp_path: Path, steps: int) -> None:
    folder = tmp_path / "all"
    (folder / "a").mkdir(parents=True)
    server.start(folder, NEW.format(steps=steps))
    status = os.waitstatus_to_exitcode(server.wait())
    assert status == (0 if steps > 7 else -signal.SIGKILL)
    write_whole(folder / "other", "", overwrite=True)
    there = {place for place, text in held(folder).items() if text}
    assert there == (set() if steps < 3 else IN_NEW)
    write_whole(folder / "a" / "other", "")
    assert not hidden(folder)
    assert not list((folder / "mine").rglob(".*"))


def test_where_a_new_folder_cannot_be_filled_none_of_the_set_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def replace(source: Path, target: Path, real: Callable[..., None] = os.replace) -> None:
        if Path(target).name == "locked":
            raise PermissionError(1, "Operation not permitted")
        real(source, target)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(InputFault, match="not permitted"):
        write_set({tmp_path / name: "new" for name in ("a", "mine/b", "mine/deep/c", "locked")}, make_folder=True)
    assert list(tmp_path.iterdir()) == []


def test_a_tree_of_new_folders_comes_by_one_rename(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def rename(source: Path, target: Path, real: Callable[..., None] = os.rename) -> None:
        renamed.append(target.name)
        real(source, target)

    renamed: list[str] = []
    monkeypatch.setattr(os, "rename", rename)
    write_set({tmp_path / name: "new" for name in ("class/heron/deep/1", "class/heron/2", "class/owl/3")}, make_folder=True)
    assert {place for place, text in held(tmp_path).items() if text} == {"class/heron/deep/1", "class/heron/2", "class/owl/3"}
    assert renamed == ["class"]
    assert not [path for path in tmp_path.rglob(".*")]


def test_after_a_kill_at_any_moment_the_next_run_finds_a_whole_set(server: Server, tmp_path: Path) -> None:
    assert kill_the_loop(server, tmp_path / "all", 15)[2] == []


@pytest.mark.heavy
def test_after_many_kills(server: Server, tmp_path: Path) -> None:
    tried, before, after = kill_the_loop(server, tmp_path / "all", int(os.environ.get("KILLS", "600")))
    print(f"\n{tried} tried, {len(after)} fallen; {before} were between two renames, which the next run went on with", *after[:5], sep="\n")
    assert after == []


def furnish(folder: Path) -> Path:
    """A folder for `RUNS`, with their inputs alone."""
    for name in ("a", "b", "logs"):
        (folder / name).mkdir(parents=True)
    lines = LOG.read_text().splitlines(keepends=True)
    for n in (0, 1):
        (folder / f"log_{n}.csv").write_text("".join(lines).replace("detents", f"clicks{n}"))
        (folder / "logs" / f"{n}.csv").write_text("".join(lines[:400]))
    return folder


def seen(folder: Path) -> list[tuple[str, int]]:
    return [(entry.name, entry.stat().st_mtime_ns) for place in (folder, folder / "out", folder / "a", folder / "b")
            if place.exists() for entry in os.scandir(place)]  # fmt: skip


def command(name: str, n: int) -> str:
    words = RUNS[name].format(router=ROUTER, ladder=LADDERS[n], n=n).split()
    return f"import runpy, sys; sys.argv = ['jogtune', *{words!r}]; runpy.run_module('jogtune', run_name='__main__')"


@pytest.mark.heavy
def test_a_command_killed_at_any_moment(tmp_path: Path) -> None:
    """Half of the kills at any moment of the run, half soon after it has begun to write; old sets and none."""
    server = Server("jogtune.cli.commands", "jogtune.hand_over.page", "jogtune.hand_over.export", "jogtune.hand_over.card",
                    "jogtune.measure.many", "jogtune.logs.read")  # fmt: skip
    chance, tried, fallen, left = random.Random(time.time_ns()), 0, [], 0
    whole, lasts, empty = {}, {}, held(furnish(tmp_path / "empty"))
    for name, n in ((name, n) for name in RUNS for n in (0, 1)):
        furnish(tmp_path / f"{name}{n}")
        begin = time.monotonic()
        server.start(tmp_path / f"{name}{n}", command(name, n))
        assert server.wait() == 0, (tmp_path / "said").read_text()
        lasts[name], whole[name, n] = time.monotonic() - begin, held(tmp_path / f"{name}{n}")
    while tried < int(os.environ.get("KILLS", "200")):
        name, number, old = chance.choice([*RUNS]), chance.choice([signal.SIGKILL, signal.SIGINT]), chance.choice(["empty", "whole"])
        folder, before = tmp_path / "now", empty if old == "empty" else whole[name, 0]
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(tmp_path / (f"{name}0" if old == "whole" else "empty"), folder)
        start, end = seen(folder), time.monotonic() + (chance.uniform(0, lasts[name]) if chance.random() < 0.5 else 60)
        child, writes = server.start(folder, command(name, 1)), False
        while time.monotonic() < end and os.path.exists(f"/proc/{child}/fd/0"):
            try:
                if not writes and (writes := seen(folder) != start):
                    end = min(end, time.monotonic() + chance.uniform(0, 0.05))
            except FileNotFoundError:
                pass
            time.sleep(0.0005)
        status, said = server.end(child, number), (tmp_path / "said").read_text()
        if status == 0:
            continue
        tried += 1
        found = held(folder)
        if found not in (before, whole[name, 1]):
            fallen.append((name, number.name, old, "mixed or partial", sorted(place for place in found if found[place] != before.get(place))))
        if number == signal.SIGINT and (os.waitstatus_to_exitcode(status) not in (130, -2) or "Traceback" in said or "half-written" not in said):
            fallen.append((name, number.name, os.waitstatus_to_exitcode(status), said[-300:]))
        left += bool(hidden(folder)) or any(path.name.startswith(".") for path in folder.rglob("*"))
    server.close()
    print(f"\n{tried} tried, {len(fallen)} fallen, {left} left temporaries for the next run to sweep", *fallen[:9], sep="\n")
    assert fallen == []
