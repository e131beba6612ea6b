"""Ctrl-C at any moment of any command: over within a second with exit code 130, one line, nothing left and nothing half-written.

The interrupt goes to the whole process group, as a terminal sends it: workers get it too, as early as they are born. Before
Python has come to the command's first line (some hundredths of a second) the process dies of the signal itself, which a shell
calls 130 too.
"""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from places import MACHINES, ROOT

ROUTER, STAGE = str(MACHINES / "inlay_router.toml"), str(MACHINES / "slide_stage.toml")
CLASS = ROOT / "datasets" / "logs" / "class_simulated"
LOG = str(ROOT / "datasets" / "logs" / "inlay_router_simulated.csv")
LADDERS = ["--ladder", "0.02,0.1,0.5,5", "--ladder", "0.02,0.2,2"]
PATIENCE_S = 20.0  # after which a process that didn't stop is killed


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Many small logs, and large ones of each kind."""
    place = tmp_path_factory.mktemp("stop")
    (place / "year").mkdir()
    logs = sorted(CLASS.glob("bench_*.csv"))
    for n in range(int(os.environ.get("JOGTUNE_MANY_LOGS", "300"))):
        shutil.copy(logs[n % len(logs)], place / "year" / f"log{n:04d}.csv")
    rows = "".join(f"{0.04 * n:.2f},X,{n % 3},0.1\n" for n in range(700_000))
    (place / "long.csv").write_text("time_s,axis,detents,gain_mm\n" + rows)
    return place


def commands(inputs: Path, out: Path) -> dict[str, tuple[float, int, list[str]]]:
    """Name -> how long its work may last [s], how many files it writes, its words."""
    year, long = str(inputs / "year"), str(inputs / "long.csv")
    return {
        "new": (0.3, 1, ["new", str(out / "m.toml"), "--from", "inlay_router"]),
        "suggest": (2.0, 9, ["suggest", ROUTER, "--out", str(out / "folder")]),
        "free": (4.0, 0, ["suggest", STAGE, "--free", "--why"]),
        "judge": (1.5, 0, ["suggest", ROUTER, "--ladder", "0.02,0.1,0.5,5", "--log", LOG]),
        "export": (2.5, 3, ["export", ROUTER, "--card", str(out / "card.pdf"), "--header", str(out / "jog.h"), "--legend", str(out / "l.svg")]),
        "read": (3.0, 1, ["read", long, "--out", str(out / "tidy.csv")]),
        "parquet": (3.0, 1, ["read", long, "--out", str(out / "tidy.parquet")]),
        "gzip": (4.0, 1, ["read", long, "--out", str(out / "tidy.csv.gz")]),
        "measure": (3.0, 0, ["measure", long, "--machine", ROUTER]),
        "many": (5.0, 2, ["measure", year, "--machine", ROUTER, "--out", str(out / "tables")]),
        "compare": (5.0, 0, ["compare", ROUTER, *LADDERS, "--log", year]),
        "compared": (4.0, 0, ["compare", ROUTER, *LADDERS, "--log", LOG]),
        "large": (4.0, 0, ["compare", ROUTER, *LADDERS, "--log", long]),
        "class": (4.0, 2, ["compare", ROUTER, "--class", str(CLASS), "--roster", str(CLASS / "roster.csv"), "--out", str(out / "tables")]),
    }  # fmt: skip


def stopped(words: list[str], after_s: float, out: Path, files: int, sent: list[int]) -> str:
    """What is wrong about how the command stops, nothing, or that it had finished."""
    out.mkdir()
    code = "import sys; from jogtune.__main__ import _run; sys.exit(_run())"  # as the installed command does
    with subprocess.Popen([sys.executable, "-c", code, *words], cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)},
                          stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True) as run:  # fmt: skip
        try:
            time.sleep(after_s)
            done, began = run.poll() is not None, time.monotonic()
            for number in sent if not done else ():
                os.killpg(run.pid, number)
                time.sleep(0.02)
            _, err = run.communicate(timeout=PATIENCE_S)
            lasted, text = time.monotonic() - began, err.decode()
        except subprocess.TimeoutExpired:
            return f"alive after {PATIENCE_S} s"
        finally:
            while (left := members(run.pid)) and time.monotonic() < began + 1.0:
                time.sleep(0.02)
            if left:
                os.killpg(run.pid, signal.SIGKILL)
    if done or run.returncode == 0:
        return "finished"
    early = not re.search("stopped|in _run", text) and after_s < 0.3  # it had not come to its first line
    wrong = [f"left {left}"] if left else []
    wrong += [f"took {lasted:.1f} s"] if lasted > 1.5 else []  # a second, on a machine that does nothing else
    wrong += ["traceback"] if re.search("Traceback|Error|ignored", text) and not early else []
    wrong += [f"ended {run.returncode}"] if run.returncode != 128 + sent[0] and not early else []
    wrong += [f"said {text[-300:]!r}"] if text.count("\n") != 1 and not early else []
    wrong += [f"wrote {[str(p) for p in out.rglob('*')]}"] if not_whole(out, files) else []
    return ", ".join(wrong)


def not_whole(out: Path, files: int) -> bool:
    """Whether something half-written is there: a file beside its place, or some but not all of them."""
    made = [place.name for place in out.rglob("*") if place.is_file()]
    return any(name.startswith(".") for name in made) or len(made) not in (0, files)


def members(session: int) -> list[int]:
    """The processes of a session that still live."""
    found = []
    for place in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, _, _, of = place.read_text().rpartition(")")[2].split()[:4]
        except OSError:
            continue
        if int(of) == session and state != "Z":
            found.append(int(place.parent.name))
    return found


def tried(inputs: Path, tmp_path: Path, count: int, seed: int, sent: list[int], share: float = 1.0) -> None:
    chance, fallen, finished = random.Random(seed), [], 0
    names = list(commands(inputs, tmp_path))
    for n in range(count):
        out = tmp_path / f"out{n}"
        lasts, files, words = commands(inputs, out)[name := names[n % len(names)]]
        after = 0.05 + chance.random() ** 1.5 * lasts * share
        wrong = stopped(words, after, out, files, sent)
        finished += wrong == "finished"
        if wrong not in ("", "finished"):
            fallen.append(f"{name} after {after:.2f} s: {wrong}")
        shutil.rmtree(out)
    print(f"\n{count} tried, {len(fallen)} fallen", *fallen, sep="\n  ")
    assert not fallen
    assert finished < count / 2


def test_each_command_once(inputs: Path, tmp_path: Path) -> None:
    tried(inputs, tmp_path, 12, 4, [signal.SIGINT], share=0.3)


def test_a_reader_that_goes_away_ends_it_in_silence(tmp_path: Path) -> None:
    code = "import sys; from jogtune.__main__ import _run; sys.exit(_run())"
    words = [sys.executable, "-c", code, "new", "--keys"]
    with subprocess.Popen(words, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as run:
        assert run.stdout is not None
        run.stdout.close()
        assert run.stderr is not None
        assert (run.stderr.read(), run.wait(20)) == (b"", 0)


@pytest.mark.heavy
@pytest.mark.parametrize("sent", [[signal.SIGINT], [signal.SIGINT] * 2, [signal.SIGTERM]], ids=["once", "twice", "term"])
def test_any_command_at_any_moment(inputs: Path, tmp_path: Path, sent: list[int]) -> None:
    tried(inputs, tmp_path, int(os.environ.get("JOGTUNE_STOPS", "200")), 16, sent)
