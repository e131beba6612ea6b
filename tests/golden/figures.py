"""Every figure jogtune prints for a fixed set of questions, so that a change of the house changes none of them.

`python tests/golden/figures.py` writes `figures.json` anew; `test_golden.py` holds the code to it.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import re
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from jogtune.choose.suggest import own_answer
from jogtune.cli.main import main
from jogtune.hand_over.data import suggestion_to_dict
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine
from places import MACHINES, ROOT
from random_machines import habit_ladders, random_machine
from truths.readings import CAUSES, seeded_truth, simulate_readings
from truths.sessions import make_class

KEPT = Path(__file__).with_name("figures.json")
NAMES = ("inlay_router", "slide_stage", "sign_table")
LOG = "datasets/logs/inlay_router_simulated.csv"
OWN = {"inlay_router": "0.02,0.2,2", "slide_stage": "0.00125,0.01,0.1", "sign_table": "0.001,0.01,0.1"}
DRIVES = 60


def printed(*words: str) -> str:
    """What a command prints; anything but success is an error."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        code = main(words)
    assert code == 0, words
    return out.getvalue()


def figures_of(content: Any) -> Any:
    """JSON without its sentences: numbers, truth values, and words of one piece (fractions, categories, names)."""
    if isinstance(content, dict):
        return {key: value for key, old in content.items() if (value := figures_of(old)) is not None}
    if isinstance(content, list):
        return [figures_of(value) for value in content]
    if isinstance(content, str):
        return content if re.fullmatch(r"[\w./+-]{1,24}", content) else None
    return float(f"{content:.12g}") if isinstance(content, float) else content


def numbers_in(text: str) -> list[str]:
    return re.findall(r"-?\d+(?:\.\d+)?(?:e[+-]?\d+)?", text)


def asked(*words: str) -> Any:
    return figures_of(json.loads(printed(*words, "--json")))


def suggested(name: str, *words: str) -> Any:
    return asked("suggest", str(MACHINES / f"{name}.toml"), *words)


def exported(name: str) -> Any:
    """The numbers in each file that is text; comments and headings, which are words, are left out."""
    with tempfile.TemporaryDirectory() as folder:
        files = {kind: Path(folder) / f"{kind}.{end}" for kind, end in
                 {"header": "h", "moves": "nc", "markdown": "md", "json": "json", "csv": "csv", "readings": "csv"}.items()}  # fmt: skip
        options = [word for kind, path in files.items() for word in (f"--{kind}", str(path))]
        printed("export", str(MACHINES / f"{name}.toml"), *options)
        texts = {kind: path.read_text(encoding="utf-8") for kind, path in files.items()}
    rows = re.sub(r"/\*.*?\*/", "", texts["header"], flags=re.DOTALL)
    moves = re.sub(r"\(.*?\)", "", texts["moves"])
    table = [line for line in texts["markdown"].splitlines() if re.match(r"\|\s*\d", line)]
    return {
        "header": numbers_in(rows), "moves": numbers_in(moves), "markdown": [numbers_in(line) for line in table],
        "json": figures_of(json.loads(texts["json"])),
        "csv": [figures_of({key: _number(value) for key, value in row.items()}) for row in csv.DictReader(io.StringIO(texts["csv"]))],
        "readings": [figures_of({key: _number(value) for key, value in row.items()}) for row in csv.DictReader(io.StringIO(texts["readings"]))],
    }  # fmt: skip


def _number(text: str) -> Any:
    try:
        return float(text)
    except ValueError:
        return text


def drive(seed: int) -> Any:
    """Rungs and axes of a random machine with a ladder from habit."""
    machine = random_machine(seed)
    ladder: Ladder = habit_ladders(machine, max(axis.finest_mm for axis in machine.axes))["1-2-5 thinned"]
    content = figures_of(suggestion_to_dict(own_answer(machine, ladder)))
    return {"ladder": ladder.say(), "rungs": content["rungs"], "firmware": content["firmware"]}


def _finest(machine: Machine) -> Fraction:
    return min(axis.finest_mm for axis in machine.axes)


def readings(seeds: Sequence[int]) -> Any:
    found = {}
    for name in NAMES:
        machine = read_machine(MACHINES / f"{name}.toml")
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "readings.csv"
            ladder = Ladder.from_gains([_finest(machine) * n for n in (1, 10, 100)], show_in=machine.show_in)
            for cause in CAUSES:
                for seed in seeds:
                    made = [row for axis in machine.axes
                            for row in simulate_readings(machine, axis, ladder, seeded_truth(cause, axis, seed=seed), seed=seed)]  # fmt: skip
                    with path.open("w", newline="", encoding="utf-8") as stream:
                        writer = csv.DictWriter(stream, made[0])
                        writer.writeheader()
                        writer.writerows(made)
                    found[f"{name} {cause} {seed}"] = asked("readings", str(path), "--machine", str(MACHINES / f"{name}.toml"))
    return found


def a_class() -> Any:
    machine = read_machine(MACHINES / "inlay_router.toml")
    ladders = [Ladder.from_gains([_finest(machine) * n for n in many], show_in="mm") for many in ((1, 5, 25, 250), (1, 10, 100))]
    with tempfile.TemporaryDirectory() as folder:
        roster = make_class(machine, ladders, Path(folder), people=6, tasks=6, seed=2)
        return asked("compare", str(MACHINES / "inlay_router.toml"), "--class", folder, "--roster", str(roster))


def questions() -> Iterator[tuple[str, Callable[[], Any]]]:
    """Each question by its name; the names of the slow ones end in "*"."""
    for name in NAMES:
        path = str(MACHINES / f"{name}.toml")
        yield f"suggest {name}", lambda name=name: suggested(name)
        yield f"suggest {name} three of 1-2-5", lambda name=name: suggested(name, "--rungs", "3", "--series", "1-2-5")
        yield f"suggest {name} own", lambda name=name: suggested(name, "--ladder", OWN[name])
        yield f"suggest {name} free*", lambda name=name: suggested(name, "--free")
        yield f"export {name}", lambda name=name: exported(name)
        yield f"compare {name}", lambda name=name, path=path: asked(
            "compare", path, "--ladder", OWN[name], "--ladder", OWN[name].rpartition(",")[0])
    router = str(MACHINES / "inlay_router.toml")
    yield "measure", lambda: asked("measure", LOG, "--machine", router)
    yield "compare with a log", lambda: asked("compare", router, "--ladder", "0.02,0.1,0.5,5", "--ladder", "0.02,0.2,2", "--log", LOG)
    yield "compare a class*", a_class
    yield "read", lambda: asked("read", LOG)
    yield "read a real recording", lambda: asked("read", "datasets/logs/encoder_trace.ssv")
    yield "readings", lambda: readings([1])
    yield "readings of more seeds*", lambda: readings([2, 3])
    for seed in range(DRIVES):
        yield f"drive {seed}{'' if seed % 5 == 0 else '*'}", lambda seed=seed: drive(seed)


def write() -> None:
    os.chdir(ROOT)
    os.environ["SOURCE_DATE_EPOCH"] = "0"
    kept = {}
    for name, ask in questions():
        print(name, file=sys.stderr)
        kept[name] = ask()
    lines = ",\n".join(f"{json.dumps(name)}: {json.dumps(value, separators=(',', ':'))}" for name, value in kept.items())
    KEPT.write_text("{\n" + lines + "\n}\n", encoding="utf-8")


if __name__ == "__main__":
    write()
