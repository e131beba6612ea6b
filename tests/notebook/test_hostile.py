"""What a page may send: malformed, late, doubled, out of order or from an old page, it breaks no knob and no panel.

- A page is known by the moment it began. One that was loaded anew goes on in time where its predecessor ends; what is turned
  in the old one after that is left out, what was turned before and comes late still counts.
- Everything left out is counted in the log's head, and the first of its kind told on the screen.
"""

from __future__ import annotations

import math
import random
import struct
from typing import Any

import numpy as np
import pytest

pytest.importorskip("anywidget", reason="the widget needs the 'lab' extra")

from jogtune.machine.model import Machine
from jogtune.notebook.knob import _COLUMNS, _OLD_PAGE, _STRANGE, Knob

DEEP: list[Any] = []
for _ in range(900):
    DEEP = [DEEP]
NASTY: list[Any] = [
    None, True, -1, -0.5, math.nan, math.inf, -math.inf, 1e308, 10**400, "", "3", "x" * 5000, "\ud800", [], DEEP, {},
    {"a": {"b": [1]}}, b"x", [1],
]  # fmt: skip
FIRST, SECOND = 1.7e12, 1.7e12 + 60_000  # when two pages began [ms]


def message(knob: Knob, began: float, first: int, rows: int, **cells: float) -> tuple[Any, Any]:
    """Rows of a page as its browser sends them, 0.04 s apart; `cells` in all of them are otherwise."""
    usual = {"detents": 1, "rung": 1, "gain_mm": 0.02, "position_mm": 300.0, "goal_mm": np.nan, "tolerance_mm": np.nan, "ladder": 0,
             "task": -1, "marker": 0}  # fmt: skip
    table = [{"number": n, "time_s": 0.04 * n, **usual, **cells} for n in range(first, first + rows)]
    data = struct.pack(f"<{rows * len(_COLUMNS)}d", *(row[name] for row in table for name in _COLUMNS))
    return {"kind": "rows", "id": knob._setup["id"], "began": began}, [memoryview(data)]


def malformed(knob: Knob, chance: random.Random, content: dict[str, Any], buffers: Any) -> tuple[Any, Any]:
    """A sound message with one thing wrong."""
    content, needed = {**content, "kind": chance.choice(["rows", "rows", "save"])}, ["kind", "id", "began"]
    match chance.randrange(5 if content["kind"] == "rows" else 3):
        case 0:
            return chance.choice(NASTY), buffers
        case 1:
            del content[chance.choice(needed)]
        case 2:
            content[chance.choice(needed)] = chance.choice(NASTY)
        case 3:
            wrong = [*NASTY, 5.5, "text", buffers[0][:-1], memoryview(chance.randbytes(88 * chance.randrange(1, 4)))]
            buffers = chance.choice([None, [], {}, *([item] for item in wrong)])
        case _:
            table = np.frombuffer(buffers[0]).reshape(-1, len(_COLUMNS)).copy()
            column = chance.randrange(len(_COLUMNS))
            table[chance.randrange(len(table)), column] = chance.choice([math.inf, -math.inf, 1e300, -1e18] + [math.nan] * (column not in (6, 7)))
            buffers = [memoryview(table.tobytes())]
    return content, buffers


def sitting(knob: Knob, chance: random.Random, count: int) -> list[tuple[str, Any, Any]]:
    """Sound messages of a page and of the one loaded after it, `count` hostile ones among them, in the order they come."""
    sound, numbers = [], {FIRST: 0, SECOND: 0}
    for began in (FIRST, SECOND):
        for _ in range(count // 10):
            rows = chance.randrange(1, 4)
            sound.append(("sound", *message(knob, began, numbers[began], rows, detents=chance.randrange(-3, 4))))
            numbers[began] += rows
    heads = [sound.pop(0), sound.pop(count // 10 - 1)]
    places = sorted(range(len(sound)), key=lambda n: n + chance.uniform(0, 9))  # out of order, but none before its page's first
    told = [heads[0], *(sound[n] for n in places[:3]), heads[1], *(sound[n] for n in places[3:])]
    for _ in range(count):
        at = chance.randrange(5, len(told))
        _, content, buffers = chance.choice([one for one in told[:at] if one[0] == "sound"])
        match chance.randrange(6):
            case 0:
                told.insert(at, ("doubled", content, buffers))
            case 1:
                told.insert(at, ("old page", *message(knob, FIRST, 1500 + chance.randrange(10**6), 2, detents=9)))
            case 2:
                told.insert(at, ("strange", {**content, "id": chance.choice([*NASTY, "0" * 32])}, buffers))
            case 3:
                told.insert(at, ("set", {chance.choice(["_setup", "_esm", "x"]): chance.choice(NASTY)}, None))
            case _:
                told.insert(at, ("strange", *malformed(knob, chance, content, buffers)))
    return told


@pytest.mark.parametrize("seed", range(20))
def test_500_hostile_messages_change_nothing_of_what_sound_ones_say(
    router: Machine, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """20 seeds make 10,000 hostile ones."""
    chance, knob, plain = random.Random(seed), Knob(router), Knob(router)
    said: list[Any] = []
    monkeypatch.setattr(knob, "send", lambda content, buffers=None: said.append(content))
    setup, told = knob.get_state("_setup"), sitting(knob, chance, 500)
    for kind, content, buffers in told:
        knob.set_state(content) if kind == "set" else knob._hear(knob, content, buffers)
        if kind == "sound":
            plain._hear(plain, {**content, "id": plain._setup["id"]}, buffers)
    assert knob.frame().equals(plain.frame())
    assert len(knob.frame()) == sum(len(b[0]) // 88 for kind, _, b in told if kind == "sound")
    assert knob.frame()["time_s"].is_monotonic_increasing
    kinds = [kind for kind, *_ in told]
    assert knob._left_out == {_STRANGE: kinds.count("strange") + kinds.count("set"), _OLD_PAGE: kinds.count("old page")}
    assert [text["text"] for text in said if text["kind"] == "say"].count(f"Mind: {_STRANGE}.") == 1
    assert len([text for text in said if text["kind"] == "say"]) == 2
    assert knob.get_state("_setup") == setup
