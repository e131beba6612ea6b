"""The on-screen knob without a browser: its mathematics in node, its goals, its log, its still.

Decisions that these tests hold:

- The maths is in `axis.js` and `session.js`, without page or clock, so that node tests them; `view.js` and `paint.js` show.
- Every row of its log is a report. Goals appear and count at reports only, so the log alone replays to the browser's trace.
  Rows go on for 0.5 s after the axis has stopped.
- The state is kept at the last arrival and each frame is worked out from there: how often the screen is drawn changes
  nothing.
- `tolerance_mm` is the full width; a goal is met within half of it to either side.
- anywidget hands out the model in a new wrapper each time: a sitting is found by its id, never by its model.
- The wheel turns the knob only while the knob has the focus; otherwise the page scrolls.
- A real control sends running totals, so that a message that got lost loses no click.
"""

from __future__ import annotations

import base64
import json
import shutil
import struct
import subprocess
import threading
from dataclasses import replace
from fractions import Fraction
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import jogtune.screen
from jogtune.axis.follow import Habit, follow
from jogtune.axis.link import reports_as_logged
from jogtune.axis.pursuit import _pursue_once
from jogtune.files import InputFault
from jogtune.ladder.ladder import Ladder
from jogtune.logs.read import read_log
from jogtune.logs.record import JogRow
from jogtune.machine.model import Machine

anywidget = pytest.importorskip("anywidget", reason="the widget needs the 'lab' extra")

from jogtune.notebook.knob import Knob  # noqa: E402
from jogtune.screen.goals import _KINDS, _plan_goals  # noqa: E402
from jogtune.screen.setup import COLUMNS, MARKERS  # noqa: E402

SHOW = Path(jogtune.screen.__file__).parent
FINE = Ladder.from_gains([Fraction(1, 50), Fraction(1, 2)])
EVEN = Ladder.from_gains([Fraction(1, 50), Fraction(1, 10), Fraction(1), Fraction(5)])
node = pytest.mark.skipif(shutil.which("node") is None, reason="node is not installed")


@pytest.fixture(autouse=True)
def _a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What isn't saved is written beside the notebook."""
    monkeypatch.chdir(tmp_path)


# ------------------------------------------------------------------ the mathematics, in node


@pytest.fixture(scope="session")
def run_js(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Runs a piece of JS after the knob's mathematics; it gets `input` and returns what it says."""
    folder = tmp_path_factory.mktemp("js")
    maths = "\n".join((SHOW / name).read_text(encoding="utf-8") for name in ("axis.js", "session.js"))

    def run(body: str, data: Any) -> Any:
        file = folder / "check.mjs"
        head = "import { readFileSync } from 'node:fs';\nconst input = JSON.parse(readFileSync(0));\n"
        tail = f"\nconst answer = (() => {{ {body} }})();\nprocess.stdout.write(JSON.stringify(answer));\n"
        file.write_text(head + maths + tail, encoding="utf-8")
        done = subprocess.run(["node", file], input=json.dumps(data), capture_output=True, text=True, timeout=600)
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    return run


def random_states(count: int, seed: int) -> np.ndarray[Any, Any]:
    """x, v, target, top, ramp, dt: moving away, too fast, too near to stop, at rest, under a top speed of 0."""
    random = np.random.default_rng(seed)
    top, ramp = 10 ** random.uniform(-1, 3, count), 10 ** random.uniform(0, 4, count)
    v = top * random.uniform(-1.5, 1.5, count) * (random.random(count) > 0.1)
    x = random.uniform(-100, 100, count)
    near = v * np.abs(v) / (2 * ramp) * random.uniform(-1, 2, count)
    far = random.uniform(-1, 1, count) * 10 ** random.uniform(-6, 3, count)
    target = x + np.where(random.random(count) < 0.5, near, far)
    top[random.random(count) < 0.02] = 0.0
    return np.column_stack([x, v, target, top, ramp, 10 ** random.uniform(-5, 1, count)])


@node
def test_the_axis_in_the_browser_is_the_axis_in_python(run_js: Any) -> None:
    states = random_states(20_000, seed=5)
    found = np.array(run_js("return input.map((state) => pursueOnce(...state));", states.tolist()))
    wanted = np.array([_pursue_once(*state) for state in states.tolist()])
    x, v, target, top, ramp, _ = states.T
    size = np.maximum.reduce([np.abs(x), np.abs(target), np.maximum(top, np.abs(v)) ** 2 / (2 * ramp)])
    assert np.max(np.abs(found[:, 0] - wanted[:, 0]) / size) <= 1e-9
    assert np.max(np.abs(found[:, 1] - wanted[:, 1]) / np.maximum(top, np.abs(v) + 1e-12)) <= 1e-9


def setup_of(machine: Machine, habit: Habit, ladders: list[list[float]], tasks: list[Any] | None = None) -> Any:
    axis, link = machine.axes[0], machine.link
    limits = {"top": axis.top_speed_mm_s, "ramp": axis.ramp_mm_s2, "interval": link.report_interval_s,
              "delay": link.delay_s, "habit": habit.too_fast, "limit": habit.limit_mm, "move": habit.speed}  # fmt: skip
    return {"limits": limits, "start": 300.0, "ladders": ladders, "tasks": tasks or [], "dwell": 0.5}


def random_hand(seed: int, seconds: float) -> list[list[float]]:
    """[time, detents, rung]: bursts of clicks at 3 to 60 a second, pauses, reversals, changes of rung."""
    random = np.random.default_rng(seed)
    rows, now = [], 0.2
    while now < seconds:
        rate, way, rung = random.uniform(3, 60), int(random.choice([-1, 1])), int(random.integers(1, 5))
        for _ in range(random.integers(1, 40)):
            rows.append([now, way, rung])
            now += random.exponential(1 / rate)
        now += random.choice([0.02, 0.3, 1.5])
    return rows


PLAY = """
const session = new Session(input.setup);
const trace = [];
const events = input.hand.map((row) => [...row]);
const end = input.until;
let i = 0;
for (let frame = 0; frame / 60 <= end; frame += 1) {
  const now = frame / 60;
  while (i < events.length && events[i][0] <= now) {
    session.choose(events[i][2], events[i][0]);
    session.click(events[i][0], events[i][1]);
    i += 1;
  }
  session.run(now);
  trace.push([now, session.axis.at(now)[0]]);
}
return { rows: [...session.takeRows()].map((x) => Number.isNaN(x) ? null : x), trace,
         counted: session.counted, lost: session.axis.lost, results: session.results };
"""
HABITS = [Habit(too_fast=t, speed=s) for t in ("owe", "forgive") for s in ("dash", "spread")]  # type: ignore[arg-type]
HABITS += [Habit(too_fast="limit", limit_mm=12.0, speed=s) for s in ("dash", "spread")]  # type: ignore[arg-type]


def as_table(rows: list[float | None]) -> pd.DataFrame:
    return pd.DataFrame(np.array(rows, dtype=float).reshape(-1, len(COLUMNS)), columns=list(COLUMNS))


def course_of(log: pd.DataFrame, machine: Machine, habit: Habit) -> Any:
    """The Python replay of a recorded log, by nothing but its report times, clicks and gains."""
    gains, rung = np.unique(log["gain_mm"], return_inverse=True)
    axis, link = machine.axes[0], machine.link
    reports = reports_as_logged(
        log["time_s"] + link.delay_s, log["detents"], interval_s=link.report_interval_s, rung=rung
    )
    gains_mm = gains[0] if len(gains) == 1 else gains
    return follow(reports, gains_mm, top_speed_mm_s=axis.top_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2, habit=habit)


@node
@pytest.mark.parametrize("habit", HABITS, ids=lambda h: f"{h.too_fast}-{h.speed}")
def test_the_log_replayed_in_python_is_the_trace_on_the_screen(run_js: Any, router: Machine, habit: Habit) -> None:
    ladder = [0.02, 0.1, 1.0, 5.0]
    hand = random_hand(seed=11, seconds=60)
    played = run_js(PLAY, {"setup": setup_of(router, habit, [ladder]), "hand": hand, "until": 75})
    log, trace = as_table(played["rows"]), np.array(played["trace"])
    assert played["counted"] == len(hand)
    assert log["detents"].sum() == sum(row[1] for row in hand)
    course = course_of(log, router, habit)
    assert np.max(np.abs(300 + course.at(trace[:, 0])[0] - trace[:, 1])) <= 1e-6
    assert np.max(np.abs(300 + course.at(log["time_s"])[0] - log["position_mm"])) <= 1e-6
    assert played["lost"] == course.lost_detents
    assert (played["lost"] > 0) == (habit.too_fast != "owe")


@node
@pytest.mark.parametrize("habit", HABITS, ids=lambda h: f"{h.too_fast}-{h.speed}")
def test_a_link_slower_than_its_own_reports_changes_nothing_of_that(
    run_js: Any, router: Machine, habit: Habit
) -> None:
    late = replace(router, link=replace(router.link, delay_s=0.13))
    hand = random_hand(seed=12, seconds=10)
    played = run_js(PLAY, {"setup": setup_of(late, habit, [[0.02, 0.1, 1.0, 5.0]]), "hand": hand, "until": 60})
    log, trace = as_table(played["rows"]), np.array(played["trace"])
    assert log["time_s"].iloc[-1] < 30, "rows are written for ever"
    assert np.max(np.abs(300 + course_of(log, late, habit).at(trace[:, 0])[0] - trace[:, 1])) <= 1e-6


@node
def test_how_often_the_screen_is_drawn_changes_nothing(run_js: Any, router: Machine) -> None:
    setup = setup_of(router, Habit(), [[0.02, 0.1, 1.0, 5.0]])
    hand = random_hand(seed=3, seconds=20)
    usual = run_js(PLAY, {"setup": setup, "hand": hand, "until": 30})
    rare = run_js(PLAY.replace("frame / 60", "frame / 4"), {"setup": setup, "hand": hand, "until": 30})
    assert usual["rows"] == rare["rows"]


@node
def test_a_goal_counts_after_resting_within_its_tolerance_and_not_before(run_js: Any, router: Machine) -> None:
    goal = {"goal": 302.0, "tolerance": 0.1, "ladder": 0, "practice": False}
    setup = setup_of(router, Habit(), [[1.0]], [goal, {**goal, "goal": 300.0}])
    body = PLAY.replace("const trace", "session.begin(0); const trace")
    hand = [[1.0, 1, 1], [1.1, 1, 1], [1.2, 1, 1], [2.5, -1, 1]]
    played = run_js(body, {"setup": setup, "hand": hand, "until": 6})
    log = as_table(played["rows"])
    shown, reached = (log[log["marker"] == code] for code in (1, 2))
    assert list(shown["goal_mm"]) == [302.0, 300.0]
    assert list(reached["goal_mm"]) == [302.0]
    # one click of 1 mm back at 2.5 s: 2·√(1/400) s of travel, a report later at most, 0.5 s of rest
    assert 2.5 + 0.1 + 0.5 <= reached["time_s"].iloc[0] <= 2.5 + 0.1 + 0.5 + 3 * router.link.report_interval_s
    assert played["results"][0]["how"] == "reached"
    # the rest before it counted is in the log, report by report
    still = log[(log["time_s"] > reached["time_s"].iloc[0] - 0.45) & (log["time_s"] < reached["time_s"].iloc[0])]
    assert len(still) >= 10
    assert set(still["position_mm"]) == {302.0}


@node
def test_with_the_limits_off_the_axis_is_where_it_was_told_to_be(run_js: Any, router: Machine) -> None:
    body = PLAY.replace("const trace", "session.limitsOn(false, 0); const trace")
    hand = [[1.0 + i / 200, 1, 1] for i in range(50)]
    played = run_js(body, {"setup": setup_of(router, Habit(), [[5.0]]), "hand": hand, "until": 2})
    trace = np.array(played["trace"])
    clicks = np.searchsorted([row[0] for row in hand], trace[:, 0], side="right")
    assert np.allclose(trace[:, 1], 300 + 5 * clicks)


@node
def test_each_marker_and_column_means_the_same_on_both_sides(run_js: Any) -> None:
    codes = run_js("return [MARKERS, COLUMNS];", None)
    assert codes[1] == len(COLUMNS)
    spoken = {"none": "", "shown": "goal shown", "reached": "goal reached", "skipped": "goal skipped",
              "limitsOff": "limits off", "limitsOn": "limits on", "practiceShown": "practice shown",
              "practiceReached": "practice reached", "practiceSkipped": "practice skipped"}  # fmt: skip
    assert {MARKERS[code] for code in codes[0].values()} == set(MARKERS)
    assert {name: MARKERS[code] for name, code in codes[0].items()} == spoken


# ------------------------------------------------------------------ goals


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("name", ["router", "stage", "sign"])
def test_goals_are_fair_to_both_ladders_and_within_reach(
    request: pytest.FixtureRequest, name: str, seed: int
) -> None:
    machine: Machine = request.getfixturevalue(name)
    axis, ladders = machine.axes[0], (EVEN, FINE)
    goals = _plan_goals(machine, axis, ladders, each=9, practice=3, seed=seed)
    assert goals == _plan_goals(machine, axis, ladders, each=9, practice=3, seed=seed)
    assert [g.practice for g in goals] == [True] * 3 + [False] * 18
    assert all(0 < g.goal_mm < axis.reach_mm for g in goals)
    counted = goals[3:]
    firsts = [pair[0].ladder for pair in zip(counted[::2], counted[1::2], strict=True)]
    assert sorted([firsts.count(0), firsts.count(1)]) == [4, 5]
    for a, b in zip(counted[::2], counted[1::2], strict=True):
        assert {a.ladder, b.ladder} == {0, 1}
        assert (a.kind, a.tolerance_mm) == (b.kind, b.tolerance_mm)
    assert {g.kind for g in counted} == set(_KINDS)
    finest = max(float(min(ladder.gains_mm)) for ladder in ladders)
    assert all(g.tolerance_mm / 2 >= finest - 1e-12 for g in goals), "a goal finer than a click can be missed for ever"


def test_the_distance_of_a_pair_of_goals_is_the_same_on_both_ladders(router: Machine) -> None:
    goals = _plan_goals(router, router.axes[0], (EVEN, FINE), each=8, practice=0, seed=4)
    places = [router.axes[0].reach_mm / 2, *(g.goal_mm for g in goals)]
    moves = np.abs(np.diff(places))
    assert np.allclose(moves[::2], moves[1::2], atol=float(router.readout.step_mm) * 1.01)


# ------------------------------------------------------------------ the log


def told(knob: Knob, rows: list[list[float]]) -> None:
    """What the browser would send: rows of COLUMNS numbers."""
    data = struct.pack(f"<{len(rows) * len(COLUMNS)}d", *(x for row in rows for x in row))
    knob._hear(knob, {"kind": "rows", "id": knob._setup["id"], "began": 1e12}, [memoryview(data)])


def row(number: int, **values: float) -> list[float]:
    usual = {"number": number, "time_s": 0.04 * number, "detents": 1, "rung": 1, "gain_mm": 0.02,
             "position_mm": 300.0 + 0.02 * number, "goal_mm": np.nan, "tolerance_mm": np.nan, "ladder": 0,
             "task": -1, "marker": 0}  # fmt: skip
    return [{**usual, **values}[name] for name in COLUMNS]


def test_a_saved_log_is_read_back_as_it_was(router: Machine, tmp_path: Path) -> None:
    knob = Knob(router, EVEN, FINE, person="p7")
    told(knob, [row(0, task=0, marker=6, goal_mm=1 / 3, tolerance_mm=0.1), row(1, time_s=0.1 + 0.2)])
    told(knob, [row(2, time_s=0.7, detents=-3, ladder=1)])
    log = read_log(knob.save(tmp_path / "log.csv"))
    assert log.position_kind == "commanded"
    assert not log.simulated
    assert "don't carry over" in log.header["hand control"]
    assert log.rows["time_s"].tolist() == [0.0, 0.1 + 0.2, 0.7], "no digit of a time is lost"
    assert log.rows["detents"].tolist() == [1, 1, -3]
    assert log.rows["goal_mm"].iloc[0] == 1 / 3
    assert set(log.rows["person"]) == {"p7"}
    assert log.rows["marker"].iloc[0] == f"practice shown: 1, {knob.goals[0].kind}, ladder A"
    assert knob.log().rows.equals(log.rows)


def test_a_log_is_never_written_over_a_file(router: Machine, tmp_path: Path) -> None:
    knob = Knob(router, EVEN)
    told(knob, [row(0)])
    path = knob.save(tmp_path / "log.csv")
    with pytest.raises(ValueError, match="overwrit"):
        knob.save(path)
    knob.save(path, overwrite=True)


def test_the_save_button_finds_a_free_name(
    router: Machine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    knob = Knob(router, EVEN, person="Ann/../x")
    said: list[Any] = []
    monkeypatch.setattr(knob, "send", lambda content, buffers=None: said.append(content))
    told(knob, [row(0)])
    for _ in range(2):
        knob._hear(knob, {"kind": "save", "id": knob._setup["id"], "began": 1e12}, [])
    assert sorted(p.name for p in tmp_path.iterdir()) == ["knob_Ann____x_1.csv", "knob_Ann____x_2.csv"]
    assert said[-2:] == [{"kind": "saved", "rows": 1}, {"kind": "say", "text": "Saved as knob_Ann____x_2.csv."}]


def test_what_is_not_saved_lies_beside_the_notebook_until_it_is(router: Machine, tmp_path: Path) -> None:
    again = Knob(router, EVEN, person="heron")  # the kernel was restarted: the page sends its rows once more
    for knob in (Knob(router, EVEN, person="heron"), again):
        told(knob, [row(0), row(1, detents=-2)])
        knob._hear(knob, {"kind": "rest", "id": knob._setup["id"], "began": 1e12}, [])
    (beside,) = tmp_path.iterdir()
    assert beside.name == "knob_heron_unsaved_20010909_014640.csv"
    assert read_log(beside).rows["detents"].tolist() == [1, -2]
    again._hear(again, {"kind": "save", "id": again._setup["id"], "began": 1e12}, [])
    assert [path.name for path in tmp_path.iterdir()] == ["knob_heron_1.csv"]
    again._hear(again, {"kind": "rest", "id": again._setup["id"], "began": 1e12}, [])
    assert [path.name for path in tmp_path.iterdir()] == ["knob_heron_1.csv"], "what is saved isn't written once more"


def test_rows_that_did_not_come_are_asked_for_again(router: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    knob = Knob(router, EVEN)
    said: list[Any] = []
    monkeypatch.setattr(knob, "send", lambda content, buffers=None: said.append(content))
    told(knob, [row(0)])
    told(knob, [row(2)])
    assert said == [{"kind": "resend"}]
    with pytest.raises(RuntimeError, match="still on their way"):
        knob.frame()
    told(knob, [row(0), row(1), row(2)])
    assert len(knob.frame()) == 3


# ------------------------------------------------------------------ the rest


def test_who_a_class_handed_the_folder_to_sits_at_the_knob(router: Machine, tmp_path: Path) -> None:
    (tmp_path / "person.csv").write_text("person,number\n'=stork,2\n")
    knob = Knob(router, EVEN, FINE, blind=True)
    assert (knob.sitting.person, knob.sitting.number, knob.sitting.swapped) == ("=stork", 2, True)
    (tmp_path / "person.csv").write_text("person,number\nstork\n")
    with pytest.raises(InputFault, match="must hold a row with the person"):
        Knob(router, EVEN)
    (tmp_path / "person.csv").write_text("# simulated: no\ntime_s,detents\n0,1\n")
    assert Knob(router, EVEN).sitting.person == "", "a log of that name is somebody's own"


def test_every_fault_of_the_arguments_is_named_at_once(router: Machine) -> None:
    with pytest.raises(InputFault) as caught:
        Knob(router, EVEN, habit=Habit(queue=4), goals=-1, dwell_s=0)
    for words in ("habit: the on-screen axis has no queue", "goals = -1: must be 0 to 200", "dwell_s = 0: must be"):
        assert words in str(caught.value)


def test_a_blind_sitting_tells_the_browser_no_distances(router: Machine) -> None:
    setup = Knob(router, EVEN, FINE, blind=True)._setup
    assert {label for rungs in setup["labels"]["rungs"] for label in rungs} == {""}
    assert [len(gains) for gains in setup["ladders"]] == [4, 4], "as many positions on both"
    assert setup["ladders"][1] == [0.02, 0.5, 0.5, 0.5], "the shorter has its coarsest again"


def test_the_still_stands_beside_the_widget(router: Machine) -> None:
    from PIL import Image

    bundle = Knob(router, EVEN)._repr_mimebundle_()
    assert bundle is not None
    data, _ = bundle
    assert "application/vnd.jupyter.widget-view+json" in data
    picture = Image.open(BytesIO(base64.b64decode(data["image/png"])))
    assert picture.width > 600
    assert len(picture.convert("L").getcolors(65536) or []) > 10, "the still is blank"


@pytest.mark.parametrize("name", ["router", "stage", "sign"])
def test_every_axis_of_every_machine_gets_a_knob(request: pytest.FixtureRequest, name: str) -> None:
    machine: Machine = request.getfixturevalue(name)
    for axis in machine.axes:
        setup = Knob(machine, EVEN, axis=axis.name)._setup
        assert setup["unit"]["name"] == machine.shown_unit(axis)
        assert json.loads(json.dumps(setup, allow_nan=False)) == setup


def test_a_real_control_reports_running_totals_and_loses_nothing(
    router: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    knob = Knob(router, EVEN)
    said: list[Any] = []
    read = threading.Event()

    def send(content: Any, buffers: Any = None) -> None:
        said.append(content)
        read.wait(60)  # the first message is on its way until all reports have come

    monkeypatch.setattr(knob, "send", send)

    def rows() -> Any:
        for i in range(200):
            yield JogRow(time_s=i, axis="X", detents=1 if i % 3 else -2, rung=2 if i == 100 else None)
        read.set()

    feed = knob.follow(rows())
    feed.join()
    sent = [report for message in said for report in message["reports"]]
    wanted = np.cumsum([1 if i % 3 else -2 for i in range(200)])
    assert [total for total, _ in sent] == wanted.tolist()
    assert [rung for _, rung in sent][100] == 2
    assert len(said) <= 3, "reports that come while a message is on its way make one more, not a queue of them"
    assert feed.detents == wanted[-1]
    knob.follow([JogRow(time_s=0, axis="X", detents=5)]).join()
    assert said[-1]["reports"] == [(wanted[-1] + 5, None)], "totals go on with the next control"
    assert [message["number"] for message in said] == list(range(1, len(said) + 1))
    assert knob.get_state("_setup")["_setup"]["turn"] == {"number": len(said), "total": wanted[-1] + 5}, "for a page loaded anew"
    assert "real hand control" in knob.notes()["hand control"]


def test_a_control_that_fails_says_so(router: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    knob = Knob(router, EVEN)
    said: list[Any] = []
    monkeypatch.setattr(knob, "send", lambda content, buffers=None: said.append(content))

    def rows() -> Any:
        yield JogRow(time_s=0.0, axis="X", detents=1)
        raise InputFault("ttyX", ["can't be opened"])

    feed = knob.follow(rows())
    feed.join()
    assert "can't be opened" in feed.fault
    assert [message["kind"] for message in said].count("say") == 1
