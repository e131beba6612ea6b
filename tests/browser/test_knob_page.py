"""The knob as one file on a phone: no kernel, no network; touched, left, come back to, saved and read by jogtune."""

from __future__ import annotations

import itertools
import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from jogtune.axis.follow import Habit, follow
from jogtune.axis.link import reports_as_logged
from jogtune.cli.main import main
from jogtune.logs.read import read_log
from jogtune.machine.file import read_machine
from jogtune.screen.page import knob_page
from jogtune.screen.setup import plan_sitting

from .conftest import fresh_page
from .lab import REPO

pytestmark = pytest.mark.browser
MACHINE = REPO / "datasets/machines/inlay_router.toml"
EVEN, POOR = "0.02,0.1,0.5,2,5", "0.02,0.5"
PHONE = {"viewport": {"width": 360, "height": 740}, "has_touch": True, "is_mobile": True, "device_scale_factor": 3}
HELPERS = (Path(__file__).parent / "helpers.js").read_text(encoding="utf-8")


def opened(page: Any, file: Path) -> None:
    """The page of a knob, with the tests' own helpers in it."""
    page.goto(file.as_uri())
    page.locator(".jogtune-knob").wait_for()
    page.evaluate("() => { window.jogtuneTest = {}; }")
    page.evaluate(HELPERS[HELPERS.index("// The on-screen knob: turn it") :])


@pytest.fixture
def phone(chromium: Any) -> Iterator[Any]:
    yield from phone_of(chromium)


def phone_of(chromium: Any, **more: Any) -> Iterator[Any]:
    """A phone that reaches nothing but its own files."""
    context = chromium.new_context(**{**PHONE, **more})
    page = context.new_page()
    page.set_default_timeout(60_000)
    page.faults, page.asked = [], []
    page.on("pageerror", lambda fault: page.faults.append(str(fault)))
    page.on("request", lambda request: page.asked.append(request.url))
    yield page
    assert page.faults == []
    assert [url for url in page.asked if not url.startswith(("file:", "blob:"))] == []
    context.close()


def exported(folder: Path, *options: str, name: str = "knob.html") -> Path:
    assert main(["export", str(MACHINE), "--ladder", EVEN, "--knob", str(folder / name), *options]) == 0
    return folder / name


def state(page: Any) -> dict[str, Any]:
    return dict(page.evaluate("jogtuneTest.knobState()"))


def turn_by_finger(page: Any, detents: float) -> None:
    """A finger that goes around the knob."""
    page.locator(".jk-knob").scroll_into_view_if_needed()
    finger = page.context.new_cdp_session(page)
    kinds = itertools.chain(["touchStart"], itertools.repeat("touchMove"))
    for kind, (x, y) in zip(kinds, page.evaluate("n => jogtuneTest.around(n)", detents), strict=False):
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
    finger.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_function("!jogtuneTest.view().grip")


def save(page: Any, folder: Path) -> Path:
    page.wait_for_function("jogtuneTest.knobState().quiet")
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Save the log").click()
    place = folder / waiting.value.suggested_filename
    waiting.value.save_as(place)
    return place


def test_one_small_file_that_a_finger_turns_and_jogtune_reads(phone: Any, tmp_path: Path) -> None:
    file = exported(tmp_path, "--person", "heron")
    print(f"{file.stat().st_size / 1000:.0f} kB")
    assert file.stat().st_size <= 120_000
    opened(phone, file)
    turn_by_finger(phone, 12.4)
    assert 10 <= state(phone)["turned"] <= 12, "twelve detents, less what the browser takes for its slop"
    assert phone.evaluate("scrollY") == 0, "the page stays where it is"
    phone.get_by_role("radio").nth(1).check()  # the second coarsest
    turn_by_finger(phone, -6.4)
    log = read_log(save(phone, tmp_path))
    now = state(phone)
    assert log.rows["detents"].sum() == now["turned"]
    assert log.rows["position_mm"].iloc[-1] == pytest.approx(now["target"], abs=1e-9)
    assert set(log.rows["gain_mm"]) == {0.02, 2.0}
    assert set(log.rows["person"]) == {"heron"}
    assert log.position_kind == "commanded"
    assert "simulated on the screen" in log.header["axis"]


def test_the_file_of_the_page_is_what_the_kernel_would_write(phone: Any, tmp_path: Path) -> None:
    from jogtune.logs.read import write_log

    opened(phone, exported(tmp_path, "--other", POOR, "--person", 'the "old", =hare', "--number", "2"))
    phone.get_by_role("button", name="Start the goals").click()
    phone.evaluate("jogtuneTest.wheel([1, 1, 1, -1, 1], 30)")
    phone.get_by_role("button", name="Skip this goal").click()
    phone.wait_for_timeout(300)
    with phone.expect_download() as waiting:
        phone.get_by_role("button", name="Save the log").click()
    page_file = tmp_path / "page.csv"
    waiting.value.save_as(page_file)
    rows = np.array(phone.evaluate("document.querySelector('#knob').sitting.rows().map((x) => Number.isNaN(x) ? null : x)"), dtype=float)
    sitting = plan_sitting(MACHINE, [EVEN, POOR], blind=True, person='the "old", =hare', number=2)
    kernel_file = write_log(sitting.frame(rows.reshape(-1, 11)), tmp_path / "kernel.csv", notes=sitting.head())
    here, there = read_log(page_file), read_log(kernel_file)
    shared = min(len(here.rows), len(there.rows))
    assert shared > 3
    assert here.rows.head(shared).equals(there.rows.head(shared))
    assert here.header == there.header


BURSTS = """
(setups) => setups.map(({ limits, start, reports, times }) => {
  const axis = new Axis(limits, start);
  const coming = [...reports];
  return times.map((time) => {
    while (coming.length && coming[0][0] <= time) axis.report(...coming.shift());
    return axis.at(time)[0];
  });
})"""


def test_the_axis_in_the_browser_is_the_axis_in_python_on_a_thousand_bursts(phone: Any, tmp_path: Path) -> None:
    html = knob_page(MACHINE, EVEN)
    head = html.replace("export class Axis", "window.Axis = class Axis").replace("\nexport ", "\n")
    (tmp_path / "open.html").write_text(head, encoding="utf-8")
    opened(phone, tmp_path / "open.html")
    random, machine = np.random.default_rng(17), read_machine(MACHINE)
    habits = [Habit(too_fast=t, speed=s) for t in ("owe", "forgive") for s in ("dash", "spread")]  # type: ignore[arg-type]
    habits.append(Habit(too_fast="limit", limit_mm=12.0))
    cases, wanted = [], []
    for number in range(1000):
        habit, axis = habits[number % len(habits)], machine.axes[number % len(machine.axes)]
        top, ramp = axis.top_speed_mm_s * random.uniform(0.2, 2), axis.ramp_mm_s2 * random.uniform(0.2, 2)
        gain, count, interval = 10 ** random.uniform(-2, 0.9), int(random.integers(1, 40)), machine.link.report_interval_s
        sent = interval * np.sort(random.choice(np.arange(1, 4 * count + 2), count, replace=False))
        detents, late = random.integers(-4, 9, count), random.uniform(0, 0.1)
        times = np.sort(random.uniform(0, sent[-1] + 3, 60))
        reports = reports_as_logged(sent + late, detents, interval_s=interval)
        course = follow(reports, gain, top_speed_mm_s=top, ramp_mm_s2=ramp, habit=habit)
        wanted.append(course.at(times)[0])
        limits = {"top": top, "ramp": ramp, "interval": interval, "delay": late, "habit": habit.too_fast, "limit": habit.limit_mm,
                  "move": habit.speed}  # fmt: skip
        idle = sent[-1] + interval * np.arange(1, 4 / interval)  # as a control goes on reporting, and `follow` too
        sent, detents = np.append(sent, idle), np.append(detents, np.zeros(len(idle), dtype=int))
        cases.append({"limits": limits, "start": 0, "times": times.tolist(),
                      "reports": [[float(t), int(d), gain] for t, d in zip(sent, detents, strict=True)]})  # fmt: skip
    apart = np.abs(np.array(phone.evaluate(BURSTS, cases)) - np.array(wanted)) / np.maximum(1, np.abs(wanted))
    print(f"farthest apart {apart.max():.1e} of the way, 1,000 bursts")
    assert apart.max() <= 1e-9


def test_left_and_come_back_to_nothing_is_lost(chromium: Any, tmp_path: Path) -> None:
    file = exported(tmp_path, "--person", "heron")
    context = chromium.new_context(**PHONE)
    rows = "() => document.querySelector('#knob').sitting.rows().map((x) => Number.isNaN(x) ? null : x)"
    page = context.new_page()
    opened(page, file)
    turn_by_finger(page, 9.4)
    page.wait_for_function("jogtuneTest.knobState().quiet")
    before, turned = page.evaluate(rows), state(page)["turned"]
    page.close()  # as a phone ends a page that lay in the background
    page = context.new_page()
    opened(page, file)
    page.get_by_role("button", name="Go on").wait_for()
    assert page.evaluate(rows) == before
    page.get_by_role("button", name="Go on").click()
    turn_by_finger(page, 6.4)
    log = read_log(save(page, tmp_path))
    assert log.rows["detents"].sum() == state(page)["turned"] > turned
    page.reload()
    page.locator(".jogtune-knob").wait_for()
    assert page.get_by_role("button", name="Go on").count() == 0, "what is saved is not offered again"
    context.close()


def test_a_sitting_of_another_ladder_is_not_lost_either(chromium: Any, tmp_path: Path) -> None:
    context = chromium.new_context(**PHONE)
    page = context.new_page()
    opened(page, exported(tmp_path))
    turn_by_finger(page, 9.4)
    page.wait_for_function("jogtuneTest.knobState().quiet")
    turned = state(page)["turned"]
    exported(tmp_path, "--other", POOR, "--overwrite")
    page.reload()
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Save them as a file").click()
    waiting.value.save_as(tmp_path / "old.csv")
    assert read_log(tmp_path / "old.csv").rows["detents"].sum() == turned
    context.close()


# ------------------------------------------------------------------ blind


def test_blind_shows_nothing_that_tells_the_ladders_apart(phone: Any, tmp_path: Path) -> None:
    opened(phone, exported(tmp_path, "--other", POOR))
    look = """() => ({positions: [...document.querySelectorAll('.jk-selector .jk-rung')].map((e) => e.textContent),
                      text: document.querySelector('#knob').innerText})"""
    phone.get_by_role("button", name="Start the goals").click()
    seen: dict[str, list[str]] = {}
    for _ in range(6):
        phone.wait_for_function("jogtuneTest.knobState().goal !== null")
        phone.wait_for_function("document.querySelector('.jk-selector').textContent !== ''")
        phone.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
        found = phone.evaluate(look)
        seen[phone.locator("legend").inner_text()] = found["positions"]
        assert " mm" not in found["text"], "no distance is shown"
        phone.get_by_role("button", name="Skip this goal").click()
        phone.wait_for_function("jogtuneTest.knobState().goal === null")
    assert set(seen) == {"ladder A", "ladder B"}
    assert seen["ladder A"] == seen["ladder B"] == ["5", "4", "3", "2", "1"]


def test_orders_and_names_are_balanced_over_a_class() -> None:
    plans = [plan_sitting(MACHINE, [EVEN, POOR], blind=True, person=f"p{n}", number=n) for n in range(1, 17)]
    counted = [next(goal for goal in plan.goals if not goal.practice) for plan in plans]
    pairs = Counter((plan.swapped, goal.ladder) for plan, goal in zip(plans, counted, strict=True))
    assert set(pairs.values()) == {4}, "each of four ways as often"
    assert plans[0].goals == plan_sitting(MACHINE, [EVEN, POOR], blind=True, person="p1", number=1).goals


def played(number: int, goals: int = 6) -> tuple[Any, list[dict[str, Any]], dict[tuple[int, int], float]]:
    """A setup, results on it as the page has them, and the time of each ladder and size."""
    plan = plan_sitting(MACHINE, [EVEN, POOR], blind=True, person="x", number=number, goals=goals)
    random = np.random.default_rng(number)
    times = {i: float(random.lognormal(1 + 0.3 * goal.ladder, 0.2)) for i, goal in enumerate(plan.goals)}
    results = [{"task": i, "how": "reached", "time": time} for i, time in times.items()]
    return plan.setup(), results, {(g.ladder, g.size): times[i] for i, g in enumerate(plan.goals) if not g.practice}


@pytest.mark.parametrize("number", [1, 2])
def test_the_reveal_tells_what_a_and_b_were_and_how_sure_that_is(phone: Any, tmp_path: Path, number: int) -> None:
    """The interval is that of scipy's paired t-test of the times' logarithms."""
    setup, results, times = played(number)
    html = knob_page(MACHINE, EVEN).replace("export function reveal", "window.reveal = reveal;\nexport function reveal")
    html = html.replace("export function difference", "window.difference = difference;\nexport function difference")
    (tmp_path / "open.html").write_text(html.replace("export function arms", "window.arms = arms;\nexport function arms"), encoding="utf-8")
    opened(phone, tmp_path / "open.html")
    told = phone.evaluate("([setup, results]) => reveal(setup, results)", [setup, results])
    sizes = sorted({size for _, size in times})
    first, second = ([times[ladder, size] for size in sizes] for ladder in ((1, 0) if number == 2 else (0, 1)))
    test = stats.ttest_rel(np.log(second), np.log(first)).confidence_interval(0.95)
    found = phone.evaluate("([s, r]) => { const [a, b] = arms(s, r); return difference(a, b, s.t95); }", [setup, results])
    assert [found["low"], found["high"]] == pytest.approx(np.expm1([test.low, test.high]), abs=2e-4)
    was = {"A": "0.02 mm · 0.1 mm · 0.5 mm · 2 mm · 5 mm", "B": "0.02 mm · 0.5 mm"}
    if number == 2:
        was = {"A": was["B"], "B": was["A"]}
    assert told[0].startswith(f"A was {was['A']} a click: {np.median(first):.1f} s a goal")
    assert told[1].startswith(f"B was {was['B']} a click: {np.median(second):.1f} s a goal")
    assert ("Can't tell apart" in told[2]) == (test.low <= 0 <= test.high)


def test_the_reveal_comes_after_the_last_goal_and_not_before(phone: Any, tmp_path: Path) -> None:
    opened(phone, exported(tmp_path, "--other", POOR))
    phone.get_by_role("button", name="Start the goals").click()
    for left in range(13, -1, -1):
        phone.wait_for_function("jogtuneTest.knobState().goal !== null")
        assert phone.locator(".jk-reveal p").count() == 0
        phone.evaluate("jogtuneTest.view().act((now) => jogtuneTest.view().session.skip(now))")
        phone.wait_for_function("n => jogtuneTest.knobState().results.length === n", arg=14 - left)
    phone.locator(".jk-reveal p").first.wait_for()
    assert "A was" in phone.locator(".jk-reveal").inner_text()


# ------------------------------------------------------------------ it feels like a knob


def test_the_axis_ends_at_the_stops(phone: Any, tmp_path: Path) -> None:
    opened(phone, exported(tmp_path))
    phone.locator(".jk-knob").focus()
    phone.keyboard.press("5")
    phone.evaluate("jogtuneTest.wheel(Array(90).fill(1), 4)")
    phone.wait_for_function("jogtuneTest.knobState().quiet")
    assert state(phone)["target"] == read_machine(MACHINE).axes[0].reach_mm
    assert "at the stop" in phone.locator(".jk-readout").inner_text()
    phone.evaluate("jogtuneTest.wheel([-1], 4)")
    phone.wait_for_function("jogtuneTest.knobState().quiet")
    assert state(phone)["target"] == read_machine(MACHINE).axes[0].reach_mm - 5
    assert "at rest" in phone.locator(".jk-readout").inner_text()


def test_a_click_is_heard_where_that_is_wanted(phone: Any, tmp_path: Path) -> None:
    opened(phone, exported(tmp_path))
    phone.evaluate("() => { window.felt = []; navigator.vibrate = (ms) => { felt.push(ms); return true; }; }")
    turn_by_finger(phone, 6.4)
    assert phone.evaluate("[jogtuneTest.view().tick.played ?? 0, felt.length]") == [0, 0], "off until someone wants it"
    phone.get_by_label("click sound").check()
    phone.get_by_label("vibration").check()
    turn_by_finger(phone, 6.4)
    heard, felt = phone.evaluate("[jogtuneTest.view().tick.played, felt.length]")
    assert heard == felt >= 4


def test_a_grasp_shows_where_fingers_would_let_go(phone: Any, tmp_path: Path) -> None:
    """47 degrees in one grasp: Feix et al. 2015, abstract read (datasets/reference)."""
    opened(phone, exported(tmp_path))
    phone.locator(".jk-knob").focus()
    detents = round(47 / 360 * read_machine(MACHINE).knob.detents_per_turn)
    begun = []
    for _ in range(2 * detents + 1):
        phone.keyboard.press("ArrowRight")
        phone.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
        begun.append(phone.evaluate("jogtuneTest.view().face.from"))
    assert begun == [0] * detents + [detents] * detents + [2 * detents]


# ------------------------------------------------------------------ stick and buttons


@pytest.fixture
def three(phone: Any, tmp_path: Path) -> Any:
    """A page with all three controls."""
    html = knob_page(MACHINE, EVEN, controls=("knob", "stick", "buttons"), goals=3, practice=0, person="heron")
    (tmp_path / "three.html").write_text(html, encoding="utf-8")
    opened(phone, tmp_path / "three.html")
    return phone


def test_a_stick_asks_for_a_speed_and_lets_go(three: Any, tmp_path: Path) -> None:
    """Speed = top x ((push - dead) / (1 - dead)) ^ exponent, as `hand/controls.py` has it."""
    from jogtune.hand.controls import Stick

    three.get_by_label("stick", exact=True).check()
    speed = three.evaluate("""async () => {
        const view = jogtuneTest.view(), { axis } = view.session, pause = (ms) => new Promise((done) => setTimeout(done, ms));
        view.hold(0.6);
        await pause(600);
        const [a, x] = [view.sitting.clock(), axis.at(view.sitting.clock())[0]];
        await pause(900);
        const [b, y] = [view.sitting.clock(), axis.at(view.sitting.clock())[0]];
        view.hold(0);
        return (y - x) / (b - a);
    }""")
    stick = Stick.from_machine(read_machine(MACHINE))
    wanted = 100 * ((0.6 - stick.dead_band) / (1 - stick.dead_band)) ** stick.exponent
    assert speed == pytest.approx(wanted, rel=0.05)
    three.wait_for_function("jogtuneTest.knobState().quiet")
    log = read_log(save(three, tmp_path))
    went = (log.rows["detents"] * log.rows["gain_mm"]).sum()
    assert log.rows["position_mm"].iloc[-1] - 300 == pytest.approx(went, abs=1e-6), "the log tells the whole way"


def test_a_finger_pulls_the_lever_and_presses_the_buttons(three: Any) -> None:
    three.get_by_label("stick", exact=True).check()
    box = three.locator(".jk-stick").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    finger = three.context.new_cdp_session(three)
    finger.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    for step in range(8):
        finger.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x + 8 * step, "y": y}]})
    three.wait_for_function("jogtuneTest.view().session.held > 0.5")
    finger.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    three.wait_for_function("jogtuneTest.view().session.held === 0 && jogtuneTest.knobState().quiet")
    place = state(three)["target"]
    assert place > 300
    three.get_by_label("buttons", exact=True).check()
    steps = [float(step) for step in read_machine(MACHINE).buttons.steps_mm]  # type: ignore[union-attr]
    three.get_by_role("radio", name="2", exact=False).nth(0).wait_for()
    three.keyboard.press("2")
    three.get_by_role("button", name="One step on").tap()
    three.get_by_role("button", name="One step back").tap()
    three.get_by_role("button", name="One step back").tap()
    three.wait_for_function("jogtuneTest.knobState().quiet")
    assert state(three)["target"] == pytest.approx(place - sorted(steps)[1])


def test_goals_come_as_often_with_each_control_and_the_log_tells_which(three: Any, tmp_path: Path) -> None:
    three.get_by_role("button", name="Start the goals").click()
    for done in range(9):
        three.wait_for_function("jogtuneTest.knobState().goal !== null")
        three.evaluate("jogtuneTest.view().act((now) => jogtuneTest.view().session.skip(now))")
        three.wait_for_function("n => jogtuneTest.knobState().results.length > n", arg=done)
    log = read_log(save(three, tmp_path))
    shown = log.rows["marker"].dropna()
    shown = shown[shown.str.startswith("goal shown")]
    by = shown.str.extract(r", by (\w+)$", expand=False).fillna("knob")
    assert by.value_counts().to_dict() == {"knob": 3, "stick": 3, "buttons": 3}


# ------------------------------------------------------------------ how it looks, how quick it is


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [1400, 900, 360])
def test_it_looks_right(chromium: Any, artefacts: Path, tmp_path: Path, width: int, theme: str) -> None:
    size = {"viewport": {"width": width, "height": 740}, "is_mobile": width < 500, "color_scheme": theme}
    for page in phone_of(chromium, **size):
        opened(page, exported(tmp_path, "--other", POOR))
        page.get_by_role("button", name="Start the goals").click()
        page.evaluate("jogtuneTest.wheel([1, 1, 1, 1, 1, 1], 20)")
        page.screenshot(path=artefacts / f"knob_page_{theme}_{width}.png")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate("jogtuneTest.overflow()") == 0
        assert page.evaluate("jogtuneTest.worstContrast()") >= 4.5
        smallest = page.evaluate("Math.min(...[...document.querySelectorAll('#knob *')].filter((e) => e.getClientRects().length)"
                                 ".map((e) => parseFloat(getComputedStyle(e).fontSize)))")  # fmt: skip
        assert smallest >= 9


PEER = """<!doctype html><input type=range min=0 max=100 value=0 id=s><output id=o></output><canvas id=c width=800 height=172></canvas>
<script>const s = document.getElementById("s"), pen = document.getElementById("c").getContext("2d");
s.oninput = () => requestAnimationFrame(() => { document.getElementById("o").textContent = s.value;
  pen.clearRect(0, 0, 800, 172); pen.fillRect(8 * s.value, 0, 4, 172); });</script>"""
LATENCY = """async ([selector, presses]) => {
  const node = document.querySelector(selector), found = [];
  for (let i = 0; i < presses; i += 1) {
    await new Promise((done) => setTimeout(done, 40));
    window.heard = (event) => {
      const begun = event.timeStamp;
      requestAnimationFrame(() => { const channel = new MessageChannel();
        channel.port1.onmessage = () => found.push(performance.now() - begun); channel.port2.postMessage(0); });
    };
    window.pressed = (window.pressed ?? 0) + 1;
    while (found.length <= i) await new Promise((done) => setTimeout(done, 4));
  }
  return found;
}"""


@pytest.mark.heavy
def test_from_key_to_picture_it_is_as_quick_as_a_plain_slider(chromium: Any, tmp_path: Path) -> None:
    """p95 of 200 keys each, taken in turns, sound on."""
    (tmp_path / "peer.html").write_text(PEER, encoding="utf-8")
    exported(tmp_path)
    for page in fresh_page(chromium):
        found: dict[str, list[float]] = {"knob": [], "peer": []}
        for _ in range(4):
            for name, node in (("knob", ".jk-knob"), ("peer", "#s")):
                page.goto((tmp_path / f"{name}.html").as_uri())
                if name == "knob":
                    page.get_by_label("click sound").check()
                page.locator(node).focus()
                page.evaluate("addEventListener('keydown', (event) => window.heard?.(event), {capture: true})")
                page.evaluate("c => { window.all = eval(c)([document.activeElement.className ? '.jk-knob' : '#s', 50]); }", LATENCY)
                for press in range(50):
                    page.wait_for_function("n => window.pressed > n", arg=press)
                    page.keyboard.press("ArrowRight")
                found[name] += page.evaluate("window.all")
        knob, peer = (float(np.percentile(found[name], 95)) for name in ("knob", "peer"))
        print(f"key to picture, p95: knob {knob:.1f} ms, plain slider {peer:.1f} ms, {knob / peer:.2f} x")
        assert knob <= 1.15 * peer


def test_compare_takes_the_pages_of_a_class(phone: Any, tmp_path: Path, capsys: Any) -> None:
    """Played by a script in the page of each, at a rate no hand has; `compare --class` reads what they saved."""
    folder = tmp_path / "class"
    folder.mkdir()
    for number, person in enumerate(("heron", "stork"), start=1):
        opened(phone, exported(tmp_path, "--other", POOR, "--person", person, "--number", str(number), name=f"{person}.html"))
        phone.get_by_role("button", name="Start the goals").click()
        for done in range(4):
            phone.wait_for_function("jogtuneTest.knobState().goal !== null")
            phone.evaluate("""() => { const s = jogtuneTest.view().session, { goal, tolerance } = s.goal; s.choose(1, jogtuneTest.view().sitting.clock());
                jogtuneTest.view().act((now) => s.click(now, Math.round((goal - s.axis.target) / 0.02))); }""")
            phone.wait_for_function("n => jogtuneTest.knobState().results.length > n", arg=done)
        phone.get_by_role("button", name="Skip this goal").wait_for()
        with phone.expect_download() as waiting:
            phone.get_by_role("button", name="Save the log").click()
        waiting.value.save_as(folder / f"{person}.csv")
    (folder / "roster.csv").write_text("file,person,ladder,order\nheron.csv,heron,,1\nstork.csv,stork,,2\n")
    capsys.readouterr()
    assert main(["compare", str(MACHINE), "--class", str(folder), "--roster", str(folder / "roster.csv"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {"heron", "stork"} <= {person for person in json.dumps(told).replace('"', " ").split()}
