"""The on-screen knob in a real browser: nothing turned is lost, and the log tells the whole story."""

from __future__ import annotations

import itertools
import json
import os
import pty
import time
import tty
import urllib.request
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import nbformat
import numpy as np
import pytest

from jogtune.axis.follow import Habit, follow
from jogtune.axis.link import reports_as_logged
from jogtune.ladder.ladder import Ladder
from jogtune.logs.log import Log
from jogtune.logs.read import read_log
from jogtune.machine.file import read_machine
from jogtune.measure.compare import compare

from .conftest import fresh_page
from .lab import PATIENCE_S, REPO, LabServer, close_notebook, open_notebook

pytestmark = pytest.mark.browser
MACHINE = REPO / "datasets/machines/inlay_router.toml"
KNOB = """\
from fractions import Fraction as F
from jogtune.axis.follow import Habit
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.notebook.knob import Knob
machine = read_machine("datasets/machines/inlay_router.toml")
even = Ladder.from_gains([F(1, 50), F(1, 10), F(1, 2), F(2), F(5)])
poor = Ladder.from_gains([F(1, 50), F(1, 2)])
knob = Knob(machine, even, poor{options})
knob"""


@pytest.fixture(scope="module")
def shared_page(chromium: Any) -> Iterator[Any]:
    """One page for the tests that need no page of their own: opening Lab takes longest."""
    yield from fresh_page(chromium)


@pytest.fixture
def desk(shared_page: Any) -> Iterator[Any]:
    """The shared page; the notebook that a test opened in it is closed afterwards, and what it left is forgotten."""
    yield shared_page
    close_notebook(shared_page)
    shared_page.evaluate("Object.keys(localStorage).filter((k) => k.startsWith('jogtune-knob')).forEach((k) => localStorage.removeItem(k))")
    faults, shared_page.script_faults = shared_page.script_faults, []
    assert faults == []


def open_knob(page: Any, lab: LabServer, name: str, *later: str, options: str = "") -> None:
    """A notebook that shows a knob in its first cell and holds `later` in the next ones, run once."""
    sources = [KNOB.format(options=options), *later]
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(s) for s in sources])
    book.metadata.kernelspec = {"name": "python3", "display_name": "Python 3", "language": "python"}
    nbformat.write(book, lab.root / f"{name}.ipynb")
    open_notebook(page, lab, f"{name}.ipynb")
    page.evaluate("() => { jogtuneTest.notebook().activeCellIndex = 0; }")
    run_cell(page, 0)
    page.locator(".jk-knob").wait_for()


def run_cell(page: Any, index: int, *, wait: bool = True) -> None:
    """Run one cell; with `wait`, until it is done."""
    page.evaluate("i => jogtuneTest.begin('cell', jogtuneTest.runCell(i))", index)
    if wait:
        page.wait_for_function("jogtuneTest.done.cell !== undefined")


def state(page: Any) -> dict[str, Any]:
    """What the sitting knows right now."""
    return dict(page.evaluate("jogtuneTest.knobState()"))


def await_quiet(page: Any) -> None:
    """Wait until the axis rests and nothing waits to be reported."""
    page.wait_for_function("jogtuneTest.knobState().quiet")


def saved(page: Any, lab: LabServer, name: str) -> Log:
    """The log, saved by the notebook's second cell as NAME.csv and read back."""
    await_quiet(page)
    (lab.root / f"{name}.rows").write_text(str(state(page)["rows"]))
    run_cell(page, 1)
    return read_log(lab.root / f"{name}.csv")


def save_cell(name: str) -> str:
    """Saves once all rows have come: Lab hands messages over on a thread of its own, beside a running cell."""
    return f"""\
import pathlib, time
while sum(map(len, knob._pages.values())) < int(pathlib.Path({name + '.rows'!r}).read_text()): time.sleep(0.01)
knob.save({name + '.csv'!r})"""


# ------------------------------------------------------------------ nothing is lost


BUSY = """\
import pathlib, time
pathlib.Path("busy").touch()
for _ in range(30_000):  # five minutes at the most
    if pathlib.Path({released!r}).exists(): break
    time.sleep(0.01)"""


def await_file(page: Any, file: Path, patience_s: float = PATIENCE_S) -> None:
    """Wait until the kernel has written `file`."""
    end = time.monotonic() + patience_s
    while not file.exists():
        assert time.monotonic() < end, f"{file} was not written"
        page.wait_for_timeout(20)


@pytest.mark.parametrize("busy", [False, True], ids=["kernel idle", "kernel busy"])
def test_500_wheel_events_at_250_a_second_are_all_counted_once_and_in_order(
    desk: Any, lab: LabServer, busy: bool, record_property: Any
) -> None:
    name = f"wheel_{busy}"
    released = lab.root / f"{name}.released"
    open_knob(desk, lab, name, save_cell(name), BUSY.format(released=released.name))
    desk.locator(".jk-knob").click()
    desk.keyboard.press("1")
    if busy:
        run_cell(desk, 2, wait=False)
        await_file(desk, lab.root / "busy")
        desk.locator(".jk-knob").click()
    pattern = np.random.default_rng(8).permutation(np.repeat([1, -1], [350, 150])).tolist()
    seconds = desk.evaluate("pattern => jogtuneTest.wheel(pattern, 4)", pattern)
    assert seconds >= 1.9, "the events came faster than 250 a second"
    if busy:
        assert desk.evaluate("jogtuneTest.done.cell === undefined"), "the kernel was not busy all the while"
        released.touch()
        desk.wait_for_function("jogtuneTest.done.cell !== undefined")
    log = saved(desk, lab, name)
    now = state(desk)
    assert (now["counted"], now["turned"]) == (500, sum(pattern))
    assert log.rows["detents"].sum() == sum(pattern)
    assert log.rows["time_s"].is_monotonic_increasing
    # order: what each report brought is the sum of a run of the pattern, one run after the other
    brought = log.rows["detents"].cumsum().to_numpy()
    course = np.concatenate([[0], np.cumsum(pattern)])
    at = np.searchsorted(now["clickTimes"], log.rows["time_s"], side="right")
    assert np.array_equal(brought, course[at])
    record_property("counted", now["counted"])
    print(f"{now['counted']} of 500 wheel events counted in {seconds:.2f} s, {len(log.rows)} reports")


def test_500_notches_from_outside_the_page_at_250_a_second_are_all_counted(
    chromium: Any, desk: Any, lab: LabServer
) -> None:
    """Through the browser's own input queue, which may hand several notches over as one event."""
    import websocket

    open_knob(desk, lab, "outside", save_cell("outside"))
    desk.locator(".jk-knob").click()
    box = desk.locator(".jk-knob").bounding_box()
    desk.evaluate(
        "window.handedOver = 0; addEventListener('wheel', (e) => { window.handedOver += e.deltaY / 100; }, {capture: true})"
    )
    notch = {"type": "mouseWheel", "x": box["x"] + 50, "y": box["y"] + 50, "deltaX": 0, "deltaY": 100}
    with urllib.request.urlopen(f"http://127.0.0.1:{chromium.debug_port}/json") as answer:
        (target,) = [t for t in json.load(answer) if t["url"].endswith("outside.ipynb")]
    wire = websocket.create_connection(target["webSocketDebuggerUrl"], suppress_origin=True)
    begun = time.perf_counter()
    for number in range(500):
        time.sleep(max(0.0, begun + 0.004 * number - time.perf_counter()))
        wire.send(json.dumps({"id": number, "method": "Input.dispatchMouseEvent", "params": notch}))
    wire.settimeout(PATIENCE_S)
    handled: set[int] = set()
    while len(handled) < 500:  # the browser answers each once the page has had it
        handled.add(json.loads(wire.recv()).get("id", -1))
        handled.discard(-1)
    desk.wait_for_function("window.handedOver >= 500")  # it may answer before the page has had them
    log = saved(desk, lab, "outside")
    wire.close()
    assert state(desk)["counted"] == log.rows["detents"].sum() == 500


def test_real_wheel_events_of_the_browser_are_one_click_a_notch(desk: Any, lab: LabServer) -> None:
    open_knob(desk, lab, "notches", save_cell("notches"))
    desk.locator(".jk-knob").click()
    for way, counted in ((100, 1), (100, 2), (-100, 3), (120, 4), (240, 6)):
        desk.mouse.wheel(0, way)
        desk.wait_for_function("n => jogtuneTest.knobState().counted >= n", arg=counted)
    assert (state(desk)["turned"], state(desk)["counted"]) == (4, 6)


def test_a_trackpads_trickle_is_gathered_and_a_reversal_starts_afresh(desk: Any, lab: LabServer) -> None:
    open_knob(desk, lab, "trackpad", save_cell("trackpad"))
    desk.locator(".jk-knob").click()
    desk.evaluate("jogtuneTest.scroll([10, 10, 10, 9, 1, 30, -39, -1, -40])")
    assert (state(desk)["turned"], state(desk)["counted"]) == (-1, 3)


def test_one_notch_can_be_calibrated(desk: Any, lab: LabServer) -> None:
    open_knob(desk, lab, "calibrate", save_cell("calibrate"))
    desk.get_by_role("button", name="Set one notch").click()
    desk.evaluate("jogtuneTest.scroll([83, 83])")  # one notch that comes in two events
    desk.wait_for_function("document.querySelector('.jk-status').textContent.includes('166 px')")
    desk.evaluate("jogtuneTest.scroll([166, 332, -166, 165.7, 166.3])")
    assert state(desk)["turned"] == 4


# ------------------------------------------------------------------ the log is the whole story


@pytest.mark.parametrize(
    ("too_fast", "speed"), [("owe", "dash"), ("forgive", "spread")], ids=["owe-dash", "forgive-spread"]
)
def test_the_recorded_log_replayed_in_python_is_the_browsers_own_trace(
    desk: Any, lab: LabServer, too_fast: Any, speed: Any
) -> None:
    name = f"replay_{too_fast}"
    options = f', habit=Habit(too_fast="{too_fast}", speed="{speed}")'
    open_knob(desk, lab, name, save_cell(name), options=options)
    desk.locator(".jk-knob").click()
    desk.evaluate("jogtuneTest.keepTrace()")
    random = np.random.default_rng(2)
    for rung in itertools.chain((5, 3, 5, 1, 4), itertools.repeat(3)):
        desk.keyboard.press(str(rung))
        pattern = [int(random.choice([-1, 1]))] * int(random.integers(10, 40))
        desk.evaluate("([pattern, gap]) => jogtuneTest.wheel(pattern, gap)", [pattern, int(random.integers(8, 60))])
        desk.wait_for_timeout(int(random.integers(20, 400)))
        if rung == 4 and desk.evaluate("jogtuneTest.trace().length") > 100:
            break
    log = saved(desk, lab, name)
    trace = np.array(desk.evaluate("jogtuneTest.trace()"))
    machine, start = read_machine(MACHINE), 300.0
    axis, link = machine.axes[0], machine.link
    gains, rung = np.unique(log.rows["gain_mm"], return_inverse=True)
    reports = reports_as_logged(
        log.rows["time_s"] + link.delay_s, log.rows["detents"], interval_s=link.report_interval_s, rung=rung
    )
    course = follow(
        reports, gains, top_speed_mm_s=axis.top_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2,
        habit=Habit(too_fast=too_fast, speed=speed),
    )  # fmt: skip
    apart = np.abs(start + course.at(trace[:, 0])[0] - trace[:, 1])
    assert len(trace) > 100
    assert np.ptp(trace[:, 1]) > 20
    assert apart.max() <= 1e-6
    frames_s = 1 / np.median(np.diff(trace[:, 0]))
    print(f"{len(trace)} frames, {frames_s:.0f} a second, farthest apart {apart.max():.1e} mm, "
          f"{course.lost_detents} clicks let go")  # fmt: skip


def test_two_views_show_one_sitting(desk: Any, lab: LabServer) -> None:
    open_knob(desk, lab, "twice", save_cell("twice"), "knob")
    run_cell(desk, 2)
    desk.locator(".jk-knob").nth(1).click()
    desk.keyboard.press("4")
    for _ in range(3):
        desk.keyboard.press("ArrowRight")
    await_quiet(desk)
    told = [knob.get_attribute("aria-valuetext") for knob in desk.locator(".jk-knob").all()]
    assert told == ["306.00 mm", "306.00 mm"]
    assert saved(desk, lab, "twice").rows["detents"].sum() == 3


# ------------------------------------------------------------------ everyone can use it


def test_it_can_be_used_with_the_keyboard_alone(desk: Any, lab: LabServer) -> None:
    open_knob(desk, lab, "keys", save_cell("keys"), options=", goals=1, practice=0")
    desk.locator(".jogtune-knob input[type=radio]:checked").focus()
    desk.keyboard.press("Tab")
    assert desk.evaluate("document.activeElement.className") == "jk-knob"
    desk.keyboard.press("3")
    for key in ("ArrowRight", "ArrowUp", "ArrowUp", "ArrowLeft", "ArrowDown"):
        desk.keyboard.press(key)
    desk.keyboard.press("PageDown")
    desk.keyboard.press("b")
    now = state(desk)
    assert (now["turned"], now["counted"], now["rung"]) == (1, 5, 2)
    assert desk.evaluate("jogtuneTest.notebook().widgets.length") == 2, "a key leaked into the notebook"
    desk.keyboard.press("Tab")
    desk.keyboard.press("Enter")
    desk.wait_for_function("jogtuneTest.knobState().goal !== null")


def test_it_tells_a_screen_reader_what_it_is_and_where_the_axis_stands(desk: Any, lab: LabServer) -> None:
    open_knob(desk, lab, "reader", save_cell("reader"))
    knob = desk.get_by_role("slider", name="Hand knob of axis X")
    knob.focus()
    desk.keyboard.press("5")
    desk.keyboard.press("ArrowRight")
    await_quiet(desk)
    desk.wait_for_function("document.querySelector('.jk-knob').ariaValueText === '305.00 mm'")
    assert desk.get_by_role("radio").count() == 5
    assert desk.get_by_role("status").count() >= 1
    unnamed = desk.evaluate(
        "[...document.querySelectorAll('.jogtune-knob :is(button, input)')]"
        ".filter((e) => !(e.textContent || e.labels?.[0]?.textContent || '').trim()).length"
    )
    assert unnamed == 0


def drag(page: Any, detents: float) -> None:
    """Drag by mouse around the middle of the knob."""
    places = page.evaluate("n => jogtuneTest.around(n)", detents)
    page.mouse.move(*places[0])
    page.mouse.down()
    for place in places[1:]:
        page.mouse.move(*place)
    page.mouse.up()


def test_a_drag_around_it_turns_it_detent_by_detent(desk: Any, lab: LabServer) -> None:
    open_knob(desk, lab, "drag", save_cell("drag"))
    desk.locator(".jk-knob").scroll_into_view_if_needed()
    drag(desk, 30.4)  # more than a whole turn of 24
    drag(desk, -6.4)
    assert (state(desk)["turned"], state(desk)["counted"]) == (24, 36)
    await_quiet(desk)
    assert desk.evaluate("jogtuneTest.view().rim") == 24, "the mark stands on a detent"


def test_a_finger_turns_it(chromium: Any, lab: LabServer) -> None:
    for page in fresh_page(chromium, has_touch=True):
        open_knob(page, lab, "touch", save_cell("touch"))
        page.locator(".jk-knob").scroll_into_view_if_needed()
        finger = page.context.new_cdp_session(page)
        kinds = itertools.chain(["touchStart"], itertools.repeat("touchMove"))
        for kind, (x, y) in zip(kinds, page.evaluate("jogtuneTest.around(9.4)"), strict=False):
            finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
        finger.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        page.wait_for_function("jogtuneTest.view().grip === null")
        assert state(page)["turned"] in (8, 9), "nine detents, less what the browser takes for its slop"


def test_the_wheel_scrolls_the_page_until_the_knob_has_the_focus(desk: Any, lab: LabServer) -> None:
    open_knob(desk, lab, "scroll", save_cell("scroll"))
    desk.evaluate("document.activeElement.blur()")
    desk.locator(".jk-knob").hover()
    desk.evaluate("addEventListener('wheel', () => { window.wheeled = true; }, {capture: true})")
    desk.mouse.wheel(0, 100)
    desk.wait_for_function("window.wheeled")
    assert state(desk)["counted"] == 0


def test_the_mark_is_on_its_detent_in_the_frame_after_the_click(desk: Any, lab: LabServer) -> None:
    open_knob(desk, lab, "still", save_cell("still"))
    desk.locator(".jk-knob").focus()
    desk.evaluate("() => { const v = jogtuneTest.view(), paint = v.face.paint.bind(v.face);"
                  " window.rims = []; v.face.paint = (turned) => { rims.push(turned); paint(turned); }; }")  # fmt: skip
    desk.keyboard.press("ArrowRight")
    desk.wait_for_function("rims.includes(1)")
    assert set(desk.evaluate("rims")) <= {0, 1}, "nothing is drawn between two detents"


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_it_looks_right(chromium: Any, lab: LabServer, artefacts: Path, theme: str) -> None:
    for page in fresh_page(chromium, color_scheme=theme):
        open_knob(page, lab, f"looks_{theme}", save_cell("looks"))
        if theme == "dark":
            page.evaluate("jupyterapp.commands.execute('apputils:change-theme', {theme: 'JupyterLab Dark'})")
            page.wait_for_function("document.body.dataset.jpThemeLight === 'false'")
        size = "() => { const e = document.querySelector('.jogtune-knob'); return [e.offsetTop, e.offsetHeight]; }"
        before = page.evaluate(size)
        page.get_by_role("button", name="Start the goals").click()
        page.keyboard.press("5")
        for width in (1280, 800):
            page.set_viewport_size({"width": width, "height": 900})
            page.evaluate("jogtuneTest.wheel([1, 1, 1, 1, 1, 1], 60)")
            page.evaluate("document.querySelector('.jogtune-knob').scrollIntoView({block: 'center'})")
            page.screenshot(path=artefacts / f"knob_{theme}_{width}.png")
            assert width < 1280 or page.evaluate(size) == before, "the page jumps when a goal is shown"
            assert page.evaluate("jogtuneTest.overflow()") == 0, "something sticks out of the widget"
            assert page.evaluate("jogtuneTest.worstContrast()") >= 4.5
        assert page.script_faults == []


# ------------------------------------------------------------------ a person at work


@pytest.fixture(scope="module", autouse=True)
def person_at_work(chromium: Any, lab: LabServer, artefacts: Path) -> Iterator[Any]:
    """A scripted person who works in a page of their own while the other tests run.

    Seeded, at human speed, with the proportional error of a hand: looks, picks the coarsest rung whose click
    is no longer than what is left, turns about the clicks that are missing (few are counted without error),
    and looks again. Perceiving, deciding and acting take 0.24 s together (Card, Moran and Newell 1983,
    second-hand); 12 detents a second is the machine's steady rate; the spread is 0.10 of the way.
    """
    for page in fresh_page(chromium):
        options = ", goals=8, practice=1, seed=6, blind=True, person='script'"
        open_knob(page, lab, "person", save_cell("person"), options=options)
        page.get_by_role("button", name="Start the goals").click()
        chance = np.clip(np.random.default_rng(1).normal(size=1000), -3, 3).tolist()
        habits = {"look": 240, "rate": 12, "spread": 0.10, "counted": 5, "chance": chance}
        page.evaluate("habits => jogtuneTest.begin('person', jogtuneTest.person(habits))", habits)
        yield page


@pytest.fixture(scope="module")
def sitting(person_at_work: Any, lab: LabServer, artefacts: Path) -> Log:
    """The log of eight goals on each of two ladders, done by the scripted person, blind."""
    page = person_at_work
    page.wait_for_function("jogtuneTest.done.person !== undefined", timeout=3000 * PATIENCE_S)
    assert page.evaluate("jogtuneTest.done.person.fault") is None
    page.screenshot(path=artefacts / "knob_after_the_goals.png")
    return saved(page, lab, "person")


def times_on(log: Log, ladder: str) -> np.ndarray[Any, Any]:
    """Seconds from the showing of each counted goal of a ladder to its being reached."""
    rows = log.rows[log.rows["marker"].str.endswith(f"ladder {ladder}")]
    shown, reached = (rows.loc[rows["marker"].str.startswith(f"goal {word}"), "time_s"] for word in ("shown", "reached"))
    assert len(shown) == len(reached)
    return np.asarray(reached.to_numpy() - shown.to_numpy())


def test_a_scripted_person_does_eight_goals_on_each_of_two_ladders(sitting: Log) -> None:
    even, poor = times_on(sitting, "A"), times_on(sitting, "B")
    print(f"even ladder {even.mean():.2f} s, poor ladder {poor.mean():.2f} s a goal")
    assert sitting.position_kind == "commanded"
    assert len(even) == len(poor) == 8
    assert even.mean() < 0.8 * poor.mean()


def test_compare_says_which_ladder_the_scripted_person_was_faster_with(sitting: Log) -> None:
    even, poor = (
        Ladder.from_gains(map(Fraction, gains.split())) for gains in ("0.02 0.1 0.5 2 5", "0.02 0.5")
    )
    (found,) = compare(read_machine(MACHINE), [even, poor], [sitting]).differences
    print(f"{found.kind}, {found.tasks} tasks: {found.verdict}; the poor one takes {found.change:+.0%} "
          f"({found.low:+.0%} to {found.high:+.0%})")  # fmt: skip
    assert found.kind == "measured"
    assert found.tasks >= 12, "a few ends may not be known well enough to be measured"
    assert found.faster == 0


# ------------------------------------------------------------------ a real hand control

FOLLOW = """\
from jogtune.logs.map import LogMap, _Clock as Clock, _Counter as Counter
counts = Counter(columns=(("", 2),))
feed = knob.follow_port({port!r}, LogMap(time=Clock(column=1, unit="ms"), knob=counts, delimiter=","))"""
STOP = """\
import json
feed.stop()
told = {"detents": feed.detents, "fault": feed.fault, "left_out": dict(knob._left_out)}
open("fed.json", "w").write(json.dumps(told))"""


@pytest.mark.parametrize(
    ("rate", "within_ms"), [(25, None), (200, None), pytest.param(200, 400, marks=pytest.mark.heavy)]
)
def test_a_control_on_a_serial_port_turns_the_axis_and_no_click_is_lost(
    desk: Any, lab: LabServer, rate: int, within_ms: float | None, record_property: Any
) -> None:
    """How soon the picture follows is asserted on a quiet machine only (marked heavy)."""
    pytest.importorskip("serial", reason="needs the 'serial' extra")
    device, wire = pty.openpty()
    tty.setraw(wire)
    try:
        name = f"serial_{rate}_{within_ms}"
        open_knob(desk, lab, name, save_cell(name), FOLLOW.format(port=os.ttyname(wire)), STOP)
        run_cell(desk, 2)
        desk.evaluate("jogtuneTest.keepTrace()")
        detents = np.random.default_rng(rate).integers(-2, 4, size=3 * rate)
        detents[-1] += np.cumsum(detents).max() + 1 - detents.sum()  # a total that no report before the last one has
        printed = play_control(desk, device, rate, detents.tolist())
        desk.wait_for_function("n => jogtuneTest.knobState().turned === n", arg=int(detents.sum()))
        await_quiet(desk)
        shown = np.array(desk.evaluate("jogtuneTest.shownTotals()"))
        run_cell(desk, 3)
        log = saved(desk, lab, name)
        told = json.loads((lab.root / "fed.json").read_text())
    finally:
        os.close(device)
        os.close(wire)
    assert told["fault"] == ""
    assert told["left_out"] == {}, "a message of the page itself was left out"
    assert told["detents"] == log.rows["detents"].sum() == state(desk)["turned"] == detents.sum()
    assert "real hand control" in log.header["hand control"]
    p50, p95 = np.percentile(latencies_ms(printed, shown), [50, 95])
    record_property("latency_ms", [float(p50), float(p95)])
    print(f"{rate} reports/s: {detents.sum()} of {detents.sum()} net clicks, "
          f"line to picture p50 {p50:.0f} ms, p95 {p95:.0f} ms, {len(shown)} pictures")  # fmt: skip
    assert within_ms is None or p50 < within_ms


def play_control(page: Any, device: int, rate: int, detents: list[int]) -> list[tuple[float, int]]:
    """Print lines as a hand control does: at rest until the page has heard of it, then a running count at each report.

    The port is opened on a thread of its own, and what was printed before that is thrown away."""
    total, printed, number = 0, [], 0
    while "real hand control" not in page.locator(".jk-note").inner_text():
        number += 1
        os.write(device, f"{number * 1000 // rate},0\n".encode())
        page.wait_for_timeout(20)
    begun = time.perf_counter()
    for step, detent in enumerate(detents, start=1):
        time.sleep(max(0.0, begun + step / rate - time.perf_counter()))
        total += detent
        printed.append((1000 * time.time(), total))
        os.write(device, f"{(number + step) * 1000 // rate},{total}\n".encode())
    return printed


def latencies_ms(printed: list[tuple[float, int]], shown: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """From each picture's newest line to the picture, both by the clock of day; `shown` has when, and which total."""
    found, at = [], 0
    for when, total in shown:
        news = [n for n in range(at, len(printed)) if printed[n][1] == total and printed[n][0] <= when]
        if news:
            at = news[0] + 1
            found.append(when - printed[news[0]][0])
    return np.array(found)


# ------------------------------------------------------------------ nothing turned is lost


KEPT = ["time_s", "detents", "gain_mm", "position_mm"]


def turn(page: Any, clicks: int) -> list[list[float]]:
    """Turn so many clicks; the rows there are now, as the page has them."""
    page.locator(".jk-knob").focus()
    for _ in range(clicks):
        page.keyboard.press("ArrowRight")
    await_quiet(page)
    page.wait_for_function("document.querySelector('.jogtune-knob').sitting.quiet")
    return rows_of(page)


def rows_of(page: Any) -> list[list[float]]:
    """Time, detents, gain and position of each row in the page."""
    return page.evaluate(  # type: ignore[no-any-return]
        "() => { const all = document.querySelector('.jogtune-knob').sitting.rows(), rows = [];"
        " for (let i = 0; i < all.length; i += 11) rows.push([all[i + 1], all[i + 2], all[i + 4], all[i + 5]]);"
        " return rows; }"
    )


def in_file(path: Path) -> list[list[float]]:
    return read_log(path).rows[KEPT].astype(float).to_numpy().tolist()


def reopened(page: Any, lab: LabServer, name: str, *, how: str) -> None:
    """Reload the page, restart the kernel, or run the cell anew; then show the knob again."""
    page.evaluate("jupyterapp.commands.execute('docmanager:save')")
    if how == "reload":
        page.reload()
        page.wait_for_function("window.jupyterapp !== undefined")
        open_notebook(page, lab, f"{name}.ipynb")
    elif how == "kernel restart":
        page.evaluate("jogtuneTest.begin('restart', jupyterapp.shell.currentWidget.sessionContext.session.kernel.restart())")
        page.wait_for_function("jogtuneTest.done.restart !== undefined")
    if how != "reload":
        page.evaluate("() => { jogtuneTest.notebook().activeCellIndex = 0; }")
        run_cell(page, 0)
    page.locator(".jk-knob").wait_for()


@pytest.mark.parametrize("how", ["reload", "kernel restart", "cell run anew"])
def test_what_was_turned_is_there_when_one_comes_back(chromium: Any, lab: LabServer, how: str) -> None:
    name = f"back_{how.replace(' ', '_')}"
    for page in fresh_page(chromium):
        open_knob(page, lab, name, save_cell(name), options=f", person={name!r}")
        before = turn(page, 3)
        reopened(page, lab, name, how=how)
        page.get_by_role("button", name="Go on").wait_for()
        assert rows_of(page) == before
        page.get_by_role("button", name="Go on").click()
        after = turn(page, 5)
        assert after[: len(before)] == before
        (lab.root / f"{name}.rows").write_text(str(len(after)))
        run_cell(page, 1)
        assert in_file(lab.root / f"{name}.csv") == after
        assert sum(row[1] for row in after) == 8
        assert not any(key.startswith("left out") for key in read_log(lab.root / f"{name}.csv").header)
        close_notebook(page)
        assert page.script_faults == []


def test_a_changed_ladder_keeps_the_rows_of_the_other_and_beside_the_notebook(chromium: Any, lab: LabServer) -> None:
    for page in fresh_page(chromium):
        open_knob(page, lab, "changed", options=", person='changed'")
        before = turn(page, 4)
        await_file(page, next(iter(unsaved(page, lab, "changed"))))
        assert in_file(unsaved(page, lab, "changed")[0]) == before
        page.evaluate("c => jogtuneTest.notebook().widgets[0].model.sharedModel.setSource(c)",
                      KNOB.format(options=", person='changed'").replace("F(1, 50), F(1, 2)", "F(1, 50), F(1)"))  # fmt: skip
        run_cell(page, 0)
        page.get_by_text("aren't saved yet").wait_for()
        with page.expect_download() as waiting:
            page.get_by_role("button", name="Save them as a file").click()
        waiting.value.save_as(lab.root / "earlier.csv")
        assert in_file(lab.root / "earlier.csv") == before
        assert page.get_by_text("aren't saved yet").count() == 0
        close_notebook(page)


def unsaved(page: Any, lab: LabServer, person: str) -> list[Path]:
    """Files of what isn't saved; there is one once the kernel has heard of the rest."""
    for _ in range(500):
        if found := sorted(lab.root.glob(f"knob_{person}_unsaved_*.csv")):
            return found
        page.wait_for_timeout(20)
    raise AssertionError("nothing was written beside the notebook")


def test_begun_anew_what_was_left_can_still_be_saved(chromium: Any, lab: LabServer) -> None:
    for page in fresh_page(chromium):
        open_knob(page, lab, "anew", save_cell("anew"), options=", person='anew'")
        turn(page, 3)
        reopened(page, lab, "anew", how="cell run anew")
        page.get_by_role("button", name="Begin anew").click()
        page.get_by_role("button", name="Save them as a file").wait_for()
        assert state(page)["counted"] == 0
        assert len(turn(page, 2)) > 0
        assert state(page)["counted"] == 2
        close_notebook(page)


def test_a_goal_left_half_way_is_shown_once_more(chromium: Any, lab: LabServer) -> None:
    for page in fresh_page(chromium):
        open_knob(page, lab, "half", save_cell("half"), options=", goals=2, practice=0, person='half'")
        page.get_by_role("button", name="Start the goals").click()
        page.wait_for_function("jogtuneTest.knobState().goal !== null")
        goal = state(page)["goal"]
        turn(page, 2)
        reopened(page, lab, "half", how="reload")
        page.get_by_role("button", name="Go on").click()
        page.wait_for_function("jogtuneTest.knobState().goal !== null")
        assert (state(page)["goal"], state(page)["task"]) == (goal, 0)
        log = saved(page, lab, "half")
        told = [text.partition(":")[0] for text in log.rows["marker"].dropna() if text]
        assert told == ["goal shown", "goal skipped", "goal shown"]
        close_notebook(page)
