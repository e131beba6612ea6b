"""The on-screen knob in a real browser: nothing turned is lost, and the log tells the whole story."""

from __future__ import annotations

import json
import os
import pty
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import nbformat
import numpy as np
import pytest

from jogtune.design.response import Habit, follow, reports_as_logged
from jogtune.logs.read import Log, read_log
from jogtune.machine import read_machine

from .conftest import fresh_page
from .lab import REPO, LabServer, assert_ran_clean, open_notebook, run_all, run_notebook

pytestmark = pytest.mark.browser
MACHINE = REPO / "datasets/machines/inlay_router.toml"
KNOB = """\
from fractions import Fraction as F
from jogtune.design.response import Habit
from jogtune.ladder import Ladder
from jogtune.machine import read_machine
from jogtune.show.knob import Knob
machine = read_machine("datasets/machines/inlay_router.toml")
even = Ladder.from_gains([F(1, 50), F(1, 10), F(1, 2), F(2), F(5)])
poor = Ladder.from_gains([F(1, 50), F(1, 2)])
knob = Knob(machine, even, poor{options})
knob"""


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
        page.wait_for_function("jogtuneTest.done.cell !== undefined", timeout=60_000)


def state(page: Any) -> dict[str, Any]:
    """What the sitting knows right now."""
    return dict(page.evaluate("jogtuneTest.knobState()"))


def await_quiet(page: Any) -> None:
    """Wait until the axis rests and nothing waits to be reported."""
    page.wait_for_function("jogtuneTest.knobState().quiet", timeout=30_000)


def saved(page: Any, lab: LabServer, name: str) -> Log:
    """The log, saved by the notebook's second cell as NAME.csv and read back."""
    await_quiet(page)
    run_cell(page, 1)
    return read_log(lab.root / f"{name}.csv")


def save_cell(name: str) -> str:
    return f"knob.save({name + '.csv'!r})"


# ------------------------------------------------------------------ nothing is lost


@pytest.mark.parametrize("busy", [False, True], ids=["kernel idle", "kernel busy for 3 s"])
def test_500_wheel_events_at_250_a_second_are_all_counted_once_and_in_order(
    page: Any, lab: LabServer, busy: bool, record_property: Any
) -> None:
    name = f"wheel_{busy}"
    open_knob(page, lab, name, save_cell(name), "import time; time.sleep(3)")
    page.locator(".jk-knob").click()
    page.keyboard.press("1")
    if busy:
        run_cell(page, 2, wait=False)
        page.wait_for_timeout(200)
    pattern = np.random.default_rng(8).permutation(np.repeat([1, -1], [350, 150])).tolist()
    seconds = page.evaluate("pattern => jogtuneTest.wheel(pattern, 4)", pattern)
    assert 1.9 <= seconds <= 3.5, "the events did not come at about 250 a second"
    if busy:
        assert page.evaluate("jogtuneTest.done.cell === undefined"), "the kernel was not busy all the while"
        page.wait_for_function("jogtuneTest.done.cell !== undefined", timeout=20_000)
    log = saved(page, lab, name)
    now = state(page)
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


def test_real_wheel_events_of_the_browser_are_one_click_a_notch(page: Any, lab: LabServer) -> None:
    open_knob(page, lab, "notches", save_cell("notches"))
    page.locator(".jk-knob").click()
    for way in (100, 100, -100, 120, 240):
        page.mouse.wheel(0, way)
        page.wait_for_timeout(40)
    assert (state(page)["turned"], state(page)["counted"]) == (4, 6)


def test_a_trackpads_trickle_is_gathered_and_a_reversal_starts_afresh(page: Any, lab: LabServer) -> None:
    open_knob(page, lab, "trackpad", save_cell("trackpad"))
    page.locator(".jk-knob").click()
    page.evaluate("jogtuneTest.scroll([10, 10, 10, 9, 1, 30, -39, -1, -40])")
    assert (state(page)["turned"], state(page)["counted"]) == (-1, 3)


def test_one_notch_can_be_calibrated(page: Any, lab: LabServer) -> None:
    open_knob(page, lab, "calibrate", save_cell("calibrate"))
    page.get_by_role("button", name="Set one notch").click()
    page.evaluate("jogtuneTest.scroll([166])")
    assert "166 px" in page.locator(".jk-status").inner_text()
    page.evaluate("jogtuneTest.scroll([166, 332, -166])")
    assert state(page)["turned"] == 2


# ------------------------------------------------------------------ the log is the whole story


@pytest.mark.parametrize(
    ("too_fast", "speed"), [("owe", "dash"), ("forgive", "spread")], ids=["owe-dash", "forgive-spread"]
)
def test_the_recorded_log_replayed_in_python_is_the_browsers_own_trace(
    page: Any, lab: LabServer, too_fast: Any, speed: Any
) -> None:
    name = f"replay_{too_fast}"
    options = f', habit=Habit(too_fast="{too_fast}", speed="{speed}")'
    open_knob(page, lab, name, save_cell(name), options=options)
    page.locator(".jk-knob").click()
    page.evaluate("jogtuneTest.keepTrace()")
    random = np.random.default_rng(2)
    for rung in (5, 3, 5, 1, 4):
        page.keyboard.press(str(rung))
        pattern = [int(random.choice([-1, 1]))] * int(random.integers(10, 40))
        page.evaluate("([pattern, gap]) => jogtuneTest.wheel(pattern, gap)", [pattern, int(random.integers(8, 60))])
        page.wait_for_timeout(int(random.integers(20, 400)))
    log = saved(page, lab, name)
    trace = np.array(page.evaluate("jogtuneTest.trace()"))
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
    print(f"{len(trace)} frames, farthest apart {apart.max():.1e} mm, {course.lost_detents} clicks let go")


# ------------------------------------------------------------------ a person at work


class Person:
    """A scripted person: seeded, at human speed, with the proportional error of a hand.

    Looks, picks the coarsest rung whose click is no longer than what is left, turns about the clicks that
    are missing (few are counted without error), and looks again. Times: perceive, decide and act 0.24 s
    together (Card, Moran and Newell 1983, second-hand); 12 detents a second; spread 0.10 of the way.
    """

    look_s, turn_rate, spread, counted = 0.24, 12.0, 0.10, 5

    def __init__(self, page: Any, seed: int) -> None:
        self.page, self.random = page, np.random.default_rng(seed)

    def do_all(self, patience_s: float) -> None:
        end = time.monotonic() + patience_s
        while (now := state(self.page))["running"]:
            assert time.monotonic() < end, f"not done within {patience_s:g} s: {now}"
            if now["goal"] is None or abs(now["goal"] - now["target"]) <= 0.8 * now["tolerance"]:
                self.page.wait_for_timeout(60)
            else:
                self.move(now)

    def move(self, now: dict[str, Any]) -> None:
        self.page.wait_for_timeout(self.look_s * 1000)
        away = now["goal"] - now["target"]
        fits = [n for n, gain in enumerate(now["gains"], start=1) if gain <= abs(away)] or [1]
        if fits[-1] != now["rung"]:
            self.page.keyboard.press(str(fits[-1]))
        clicks = abs(away) / now["gains"][fits[-1] - 1]
        if clicks > self.counted:
            clicks *= 1 + self.spread * float(np.clip(self.random.normal(), -3, 3))
        pattern = [int(np.sign(away))] * max(1, int(clicks + 0.5))
        self.page.evaluate("([p, gap]) => jogtuneTest.wheel(p, gap)", [pattern, 1000 / self.turn_rate])
        self.page.wait_for_function("jogtuneTest.knobState().resting", timeout=30_000)


@pytest.fixture(scope="module")
def sitting(chromium: Any, lab: LabServer, artefacts: Path) -> Iterator[tuple[Log, Log, Log]]:
    """Eight goals on each of two ladders, done by the scripted person, blind: whole log, A's and B's."""
    for page in fresh_page(chromium):
        save = "knob.save('ab.csv'); knob.save('a.csv', ladder='A'); knob.save('b.csv', ladder='B')"
        open_knob(page, lab, "person", save, options=', goals=8, practice=1, seed=6, blind=True, person="script"')
        page.get_by_role("button", name="Start the goals").click()
        person = Person(page, seed=1)
        person.do_all(patience_s=150)
        page.screenshot(path=artefacts / "knob_after_the_goals.png")
        whole = saved(page, lab, "ab")
        yield whole, read_log(lab.root / "a.csv"), read_log(lab.root / "b.csv")


def times_of(log: Log) -> np.ndarray[Any, Any]:
    """Seconds from each counted goal's showing to its being reached."""
    rows = log.rows
    shown = rows.loc[rows["marker"].str.startswith("goal shown"), "time_s"].to_numpy()
    reached = rows.loc[rows["marker"].str.startswith("goal reached"), "time_s"].to_numpy()
    assert len(shown) == len(reached)
    return np.asarray(reached - shown)


def test_a_scripted_person_is_measured_on_two_ladders(sitting: tuple[Log, Log, Log]) -> None:
    whole, a, b = sitting
    assert whole.position_kind == "commanded"
    assert len(times_of(a)) == len(times_of(b)) == 8
    assert len(whole.rows) == len(a.rows) + len(b.rows)
    print(f"even ladder {times_of(a).mean():.2f} s, poor ladder {times_of(b).mean():.2f} s a goal")
    assert times_of(a).mean() < 0.8 * times_of(b).mean()


# ------------------------------------------------------------------ everyone can use it


def test_it_can_be_used_with_the_keyboard_alone(page: Any, lab: LabServer) -> None:
    open_knob(page, lab, "keys", save_cell("keys"), options=", goals=1, practice=0")
    page.locator(".jogtune-knob input[type=radio]:checked").focus()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "jk-knob"
    page.keyboard.press("3")
    for key in ("ArrowRight", "ArrowUp", "ArrowUp", "ArrowLeft", "ArrowDown"):
        page.keyboard.press(key)
    page.keyboard.press("PageDown")
    page.keyboard.press("b")
    now = state(page)
    assert (now["turned"], now["counted"], now["rung"]) == (1, 5, 2)
    assert page.evaluate("jogtuneTest.notebook().widgets.length") == 2, "a key leaked into the notebook"
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_function("jogtuneTest.knobState().goal !== null", timeout=5000)


def test_it_tells_a_screen_reader_what_it_is_and_where_the_axis_stands(page: Any, lab: LabServer) -> None:
    open_knob(page, lab, "reader", save_cell("reader"))
    knob = page.get_by_role("slider", name="Hand knob of axis X")
    knob.focus()
    page.keyboard.press("5")
    page.keyboard.press("ArrowRight")
    await_quiet(page)
    page.wait_for_function("document.querySelector('.jk-knob').ariaValueText === '305.00 mm'", timeout=5000)
    assert page.get_by_role("radio").count() == 5
    assert page.get_by_role("status").count() >= 1
    unnamed = page.evaluate(
        "[...document.querySelectorAll('.jogtune-knob :is(button, input)')]"
        ".filter((e) => !(e.textContent || e.labels?.[0]?.textContent || '').trim()).length"
    )
    assert unnamed == 0


def test_a_drag_along_the_rim_turns_it(page: Any, lab: LabServer) -> None:
    open_knob(page, lab, "drag", save_cell("drag"))
    box = page.locator(".jk-knob").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] - 30
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 62, y, steps=8)
    page.mouse.move(x + 38, y, steps=4)
    page.mouse.up()
    page.mouse.move(x + 200, y)
    assert (state(page)["turned"], state(page)["counted"]) == (3, 7)


def test_the_wheel_scrolls_the_page_until_the_knob_has_the_focus(page: Any, lab: LabServer) -> None:
    open_knob(page, lab, "scroll", save_cell("scroll"))
    page.evaluate("document.activeElement.blur()")
    page.locator(".jk-knob").hover()
    page.mouse.wheel(0, 100)
    page.wait_for_timeout(100)
    assert state(page)["counted"] == 0


def test_less_motion_is_drawn_where_the_person_asked_for_it(chromium: Any, lab: LabServer) -> None:
    for page in fresh_page(chromium, reduced_motion="reduce"):
        open_knob(page, lab, "still", save_cell("still"))
        page.locator(".jk-knob").click()
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(50)
        assert page.evaluate("jogtuneTest.view().rim") == 1


@pytest.mark.parametrize("width", [1280, 800])
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_it_looks_right(chromium: Any, lab: LabServer, artefacts: Path, theme: str, width: int) -> None:
    for page in fresh_page(chromium, color_scheme=theme):
        page.set_viewport_size({"width": width, "height": 900})
        open_knob(page, lab, f"looks_{theme}_{width}", save_cell("looks"))
        if theme == "dark":
            page.evaluate("jupyterapp.commands.execute('apputils:change-theme', {theme: 'JupyterLab Dark'})")
            page.wait_for_function("document.body.dataset.jpThemeLight === 'false'")
        page.get_by_role("button", name="Start the goals").click()
        page.keyboard.press("5")
        page.evaluate("jogtuneTest.wheel([1, 1, 1, 1, 1, 1], 60)")
        page.locator(".jogtune-knob").scroll_into_view_if_needed()
        page.screenshot(path=artefacts / f"knob_{theme}_{width}.png")
        assert page.evaluate("jogtuneTest.overflow()") == 0, "something sticks out of the widget"
        assert page.evaluate("jogtuneTest.worstContrast()") >= 4.5
        assert page.script_faults == []
