"""What a page may send: malformed, late, doubled, out of order or from an old page, it breaks no knob and no panel.

- A page is known by the moment it began. One that was loaded anew goes on in time where its predecessor ends; what is turned
  in the old one after that is left out, what was turned before and comes late still counts.
- Everything left out is counted in the log's head, and the first of its kind told on the screen.
"""

from __future__ import annotations

import math
import random
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("anywidget", reason="the widget needs the 'lab' extra")

import ipywidgets as widgets

from jogtune.choose.cover import derive_ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine
from jogtune.notebook import panels
from jogtune.notebook.knob import _OLD_PAGE, _STRANGE, Knob
from jogtune.notebook.panel import _Panel
from jogtune.screen.setup import COLUMNS
from places import MACHINES

DEEP: list[Any] = []
for _ in range(900):
    DEEP = [DEEP]
NASTY: list[Any] = [
    None, True, -1, -0.5, math.nan, math.inf, -math.inf, 1e308, 10**400, "", "3", "x" * 5000, "\ud800", [], DEEP, {},
    {"a": {"b": [1]}}, b"x", [1],
]  # fmt: skip
FIRST, SECOND = 1.7e12, 1.7e12 + 60_000  # when two pages began [ms]


@pytest.fixture(autouse=True)
def _a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What isn't saved is written beside the notebook."""
    monkeypatch.chdir(tmp_path)


def message(knob: Knob, began: float, first: int, rows: int, **cells: float) -> tuple[Any, Any]:
    """Rows of a page as its browser sends them, 0.04 s apart; `cells` in all of them are otherwise."""
    usual = {"detents": 1, "rung": 1, "gain_mm": 0.02, "position_mm": 300.0, "goal_mm": np.nan, "tolerance_mm": np.nan, "ladder": 0,
             "task": -1, "marker": 0}  # fmt: skip
    table = [{"number": n, "time_s": 0.04 * n, **usual, **cells} for n in range(first, first + rows)]
    data = struct.pack(f"<{rows * len(COLUMNS)}d", *(row[name] for row in table for name in COLUMNS))
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
            table = np.frombuffer(buffers[0]).reshape(-1, len(COLUMNS)).copy()
            column = chance.randrange(len(COLUMNS))
            if len(table) > 1 and chance.random() < 0.3:
                table[-1, 0] += 7  # a row is missing between
                return content, [memoryview(table.tobytes())]
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
                table = np.frombuffer(buffers[0]).reshape(-1, len(COLUMNS)).copy()
                table[:, 2] = 9  # whatever it says: what came first counts
                told.insert(at, ("doubled", content, [memoryview(table.tobytes())]))
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


# ------------------------------------------------------------------ panels

FILE = MACHINES / "inlay_router.toml"
ROUTER = read_machine(FILE)
LADDER = derive_ladder(ROUTER)
TEXTS = ["0.02, 0.2", "\x00", "$\\frac", "~nobody/x", "nan, inf", "1e999", "/dev/null", "/dev/zero", "/", "-0.1 mm"]
FILES = [
    [{"name": name, "type": "", "size": 1, "content": memoryview(content), "last_modified": 0}]
    for name in ("a.csv", "", "..", "a/b\x00.csv", "x" * 400 + ".csv", "a.map.toml", "\ud800")
    for content in (b"", b"time_s,detents\n0,1\n1,x\n", b"\x00\xff" * 50)
]
FILES += [[{"name": "a.csv"}], [3], [{**FILES[0][0], "content": "text"}], [{**FILES[0][0], "name": 5}], [{**FILES[0][0], "last_modified": math.nan}]]
MAKERS: dict[str, Any] = {
    "Choose": lambda: panels.Choose(FILE), "Answer": lambda: panels.Answer(FILE), "Compare": lambda: panels.Compare(FILE),
    "WhichRung": lambda: panels.WhichRung(FILE, ladder=LADDER), "Try": lambda: panels.Try(FILE, goals=2, practice=1),
    "Clicks": lambda: panels.Clicks(ROUTER), "Reversal": lambda: panels.Reversal(ROUTER),
    "DialBench": lambda: panels.DialBench(ROUTER),
    "Habits": lambda: panels.Habits(ROUTER, LADDER), "BetweenReports": lambda: panels.BetweenReports(ROUTER),
    "Route": lambda: panels.Route(ROUTER, {"one": LADDER}), "LadderTimes": lambda: panels.LadderTimes(ROUTER, {"one": LADDER}),
    "ThreeControls": lambda: panels.ThreeControls(ROUTER, LADDER, points=4),
}  # fmt: skip


def inputs(panel: _Panel) -> list[Any]:
    """All that a page may set, in the panel's box."""
    found, boxes = [], [panel.view]
    while boxes:
        children = boxes.pop().children
        boxes += [child for child in children if isinstance(child, widgets.Box)]
        found += [child for child in children if isinstance(child, widgets.ValueWidget) and not isinstance(child, Knob | widgets.HTML)]
    return [one for one in found if not isinstance(one, widgets.Image | widgets.FloatProgress)]


def hostile_state(chance: random.Random, control: Any) -> Any:
    """What a page might send for a control: its value or anything else of it, mostly not what it may be."""
    numbers = [0, 1, 3, 5, 0.5, 10**9, 1e9, -(10**9)]
    values = [*NASTY, *numbers, *(FILES if isinstance(control, widgets.FileUpload) else TEXTS)]
    names = ["value"] * 6 + ["index"] * 6 * hasattr(control, "index") + ["min", "max", "step", "_options_labels", "description", "x"]
    return chance.choice(NASTY) if chance.random() < 0.05 else {
        chance.choice(names): chance.choice(values) for _ in range(chance.choice([1, 1, 2]))
    }


def drawn(panel: _Panel) -> Any:
    """The picture once the panel has come to rest, where it has one."""
    panel.refresh()
    if not isinstance(panel, panels.Choose):  # which would try every ladder
        panel._rest(panel._wanted)
    return None if isinstance(panel, panels.Try | panels.DialBench) else bytes(panel.picture.image.value)  # a bench goes on


@pytest.mark.parametrize("count", [20, pytest.param(840, marks=pytest.mark.heavy)])
@pytest.mark.parametrize("kind", MAKERS)
def test_whatever_a_page_sets_a_panel_stays_usable(kind: str, count: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """840 for each of twelve panels make 10,080."""
    monkeypatch.setattr(_Panel, "rest_s", 600.0)
    panel, chance, fallen = MAKERS[kind](), random.Random(count), []
    start = {control: {name: control.get_state(name)[name] for name in ("value", "index") if name in control.keys} for control in inputs(panel)}
    first = drawn(panel)
    others = [{k: v for k, v in control.get_state().items() if k not in ("value", "index", "label")} for control in start]
    surely = [(control, {name: value}) for control in start for name in start[control] for value in (None, math.nan, "\ud800")]
    random_ones = ((one, hostile_state(chance, one)) for one in chance.choices(list(start), k=count))
    for control, state in [*surely, *random_ones]:
        try:
            control.set_state(state)
            assert control.value is not None
            assert control.value == control.value
            assert not isinstance(control.value, str) or control.value.encode() is not None
            if kind != "Choose" and chance.random() < 0.1:
                panel._rest(panel._wanted)
        except Exception as error:
            fallen.append((control, state, error))
    print(f"{kind}: {count} tried, {len(fallen)} fallen")
    assert not fallen
    assert others == [{k: v for k, v in control.get_state().items() if k not in ("value", "index", "label")} for control in start]
    for control, state in start.items():
        control.set_state(state)
    assert [line.value for line in (panel.fault, *panel.faults.values()) if line.value] == []
    assert drawn(panel) == first
    panel.close()
