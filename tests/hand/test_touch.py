"""Touching off, held to brute force and to clicks and latches that are played.

Decisions that these tests hold:

- One rung follows another as the estimate's route does; the closed form of the first click says what no ladder could better.
- On contact the tool is backed off by the coarse click and twice the slack, which is the slack more than the estimate counts:
  where the slack is larger than filed the tool still leaves the work. The clicks that follow at once can't touch.
- The told time is the estimate's and that of the clicks beyond it.
- A probe stops within its give, and its second search is slow enough that a motor step is the doubt. Where its delay is not
  filed it goes by reports.
"""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from jogtune.axis.limits import play
from jogtune.choose.suggest import own_answer, suggest
from jogtune.files import InputFault
from jogtune.hand.controls import KnobControl
from jogtune.hand.estimate import feel_click_s, feel_step_s
from jogtune.hand.person import Hand, Motion
from jogtune.hand.touch import _first_click_mm, _probe, _Probing, _Touch
from jogtune.hand_over.card import _draw_cards
from jogtune.hand_over.page import _sections
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import _parse_machine, read_machine
from jogtune.machine.model import Machine, Task, _ProbeFigures
from jogtune.words.speak import speak, spoken
from places import MACHINES
from random_machines import random_machine

ROUTER, STAGE, SIGN = (read_machine(MACHINES / f"{name}.toml") for name in ("inlay_router", "slide_stage", "sign_table"))
FEEL = next(task for task in ROUTER.tasks if task.kind == "feel")
MINE = Ladder.parse("0.02, 0.1, 0.5, 2, 8")


def touch(machine: Machine = ROUTER, ladder: Ladder = MINE, *, slack: float | None = None, **task: Any) -> _Touch:
    """How to touch off on Z with some figures of the task or its slack changed."""
    if slack is not None:
        machine = replace(machine, axes=tuple(replace(axis, slack_mm=slack) for axis in machine.axes))
    (found,) = KnobControl.touches(replace(machine, tasks=(replace(FEEL, **task),)), ladder)
    return found


def probing(machine: Machine = ROUTER, axis: str = "Z", give: float = 0.5, delay: float | None = None, far: float = 10.0) -> _Probing:
    found = _probe(replace(machine, probe=_ProbeFigures(give_mm=Fraction(str(give)), delay_s=delay)), machine.axis(axis), far)
    assert found is not None
    return found


# ------------------------------------------------------------ by hand


@pytest.mark.parametrize("machine", [ROUTER, SIGN], ids=lambda machine: machine.name)
@pytest.mark.parametrize("distance", [0.5, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("rate", [6.0, 12.0, 40.0])
def test_the_first_click_is_within_1_1_per_cent_of_brute_force(machine: Machine, distance: float, rate: float) -> None:
    last = 0.02 if machine is ROUTER else 0.0254
    motion, hand = Motion.from_machine(machine, "Z"), replace(Hand.from_machine(machine), turn_rate_detents_s=rate, grasp_detents=math.inf)
    firsts = np.linspace(last, 20 * last, 4000)
    times = (distance / firsts + 1) / 2 * feel_click_s(firsts, motion, hand) + feel_step_s(firsts, np.array(last), motion, hand)
    chosen = _first_click_mm(distance, last, motion, hand)
    assert last < chosen < 20 * last
    assert float(np.interp(chosen, firsts, times)) <= 1.011 * times.min()
    assert min(float(np.interp(chosen * by, firsts, times)) for by in (0.5, 2.0)) > 1.011 * times.min()


def test_the_routers_first_rung_is_0_1_mm_as_by_hand() -> None:
    # by hand: a click is felt in 0.35 s + 1/19.4 s, u = 12: √(2 · 0.02 · 0.4015 / (0.4015 + 1/6)) = 0.168 mm, the limit is 0.1 mm
    found = touch()
    assert found.best_first_mm == pytest.approx(0.1)
    assert touch(limit_mm=0.5).best_first_mm == pytest.approx(0.168, abs=5e-4)
    first, last = found.rungs
    assert (first.position, first.most, first.clicks, found.near and found.near.position) == (2, 20, 10.5, 3)
    # back 0.1 + 2 · 0.02 mm = 7 clicks of 0.02 mm; 0.04 mm at once; 0.1 / 0.02 = 5 are left, 3 on average
    assert (last.position, last.back, last.free, last.most, last.clicks) == (1, 7, 2, 5, 3.0)
    assert found.time_s == pytest.approx(7.73, abs=0.01)
    assert found.last_mm == 0.02


def test_the_rung_taken_first_is_the_best_of_those_within_the_limit() -> None:
    rungs = (0.02, 0.04, 0.1, 0.2, 0.5)
    for distance, limit in itertools.product((0.3, 1.0, 2.0, 5.0), (0.02, 0.1, 0.2, 0.5)):
        found = touch(ladder=Ladder.from_gains([Fraction(str(gain)) for gain in rungs]), distance_mm=distance, limit_mm=limit)
        motion, hand = Motion.from_machine(ROUTER, "Z"), Hand.from_machine(ROUTER)

        def time(first: float, distance: float = distance, motion: Motion = motion, hand: Hand = hand) -> float:
            down = (distance / first + 1) / 2 * float(feel_click_s(np.array(first), motion, hand))
            return down + (float(feel_step_s(np.array(first), np.array(0.02), motion, hand)) if first > 0.02 else 0.0)

        two = min(time(gain) for gain in rungs if gain <= limit)
        assert found.rungs[0].gain_mm <= limit
        assert found.time_s is not None
        spare = sum(rung.back + rung.free - (rung.from_mm + 0.04) / rung.gain_mm for rung in found.rungs[1:]) / 12
        assert found.time_s - spare <= hand.start_s + two + 1e-6  # a third rung may be better still


def played(found: _Touch, slack: float, count: int, seed: int = 1) -> dict[str, np.ndarray]:
    """The steps as they are told, click by click, on an axis with a slack that needn't be the filed one.

    Contact lies anywhere within the distance; the tool's place is that of its nut. Down counts up."""
    rng = np.random.default_rng(seed)
    contact = rng.uniform(0, found.rungs[0].from_mm, count)
    drive, at, looked = np.zeros(count), np.zeros(count), {}

    def move(by: np.ndarray) -> None:
        drive[:] += by
        np.clip(at, drive, drive + slack, out=at)

    for n, rung in enumerate(found.rungs):
        gain, clicks = rung.gain_mm, np.zeros(count)
        if n:
            move(np.full(count, -rung.back * gain))
            looked["clear"] = contact - at
            move(np.full(count, rung.free * gain))
            looked["free"] = contact - at
        while (short := at < contact - 1e-9).any():
            move(np.where(short, gain, 0.0))
            clicks += short
        looked[f"clicks {n}"] = clicks
    return {**looked, "passed": at - contact}


@pytest.mark.parametrize("slack", [0.0, 0.02, 0.05])
def test_the_steps_played_click_by_click(slack: float) -> None:
    found = touch(slack=slack)
    looked = played(found, slack, 40_000)
    for n, rung in enumerate(found.rungs):
        assert looked[f"clicks {n}"].mean() == pytest.approx(rung.clicks, abs=0.06)
        assert looked[f"clicks {n}"].max() <= rung.most
    assert looked["free"].min() > -1e-9, "clicks taken at once don't touch"
    assert looked["passed"].mean() == pytest.approx(found.last_mm / 2, rel=0.02)
    assert looked["passed"].std() == pytest.approx(found.last_mm / math.sqrt(12), rel=0.02)
    assert looked["passed"].max() <= found.last_mm + 1e-9
    hand, motion = Hand.from_machine(ROUTER), replace(Motion.from_machine(ROUTER, "Z"), slack_mm=slack)
    time = hand.start_s + sum(looked[f"clicks {n}"] * float(feel_click_s(np.array(rung.gain_mm), motion, hand)) for n, rung in enumerate(found.rungs))
    time = time + hand.switch_s + hand.look_s + (found.rungs[1].back + found.rungs[1].free) / hand.steady_detents_s
    assert found.time_s == pytest.approx(time.mean(), rel=0.015)  # the estimate counts whole re-grasps
    assert found.spread_s == pytest.approx(time.std(), rel=0.02)


@pytest.mark.parametrize("real", [0.0, 0.01, 0.03, 0.04])
def test_a_slack_that_is_not_the_filed_one_touches_neither_too_early_nor_lasts(real: float) -> None:
    looked = played(touch(slack=0.02), real, 4000)
    assert looked["free"].min() > -1e-9
    assert looked["clear"].min() > -1e-9, "off the work up to twice the filed slack"
    assert looked["passed"].max() <= 0.02 + 1e-9


def test_play_as_elsewhere() -> None:
    """The axis that is played here is the model of slack that `axis/limits.py` has, mirrored."""
    drive = np.array([0.0, 0.3, 0.1, 0.12, 0.4])
    here, at = [], 0.0
    for place in drive:
        at = min(max(at, place), place + 0.05)
        here.append(at)
    assert here == pytest.approx(play(drive, 0.05))


@pytest.mark.parametrize("seed", range(30))
def test_any_machine_is_told_steps_that_hold(seed: int) -> None:
    machine = random_machine(seed)
    axis = machine.axes[0]
    finest = float(axis.finest_mm)
    task = Task(name="feel", axis=axis.name, distance_mm=min(100 * finest, axis.reach_mm), tolerance_mm=finest, limit_mm=7 * finest, kind="feel")
    ladder = suggest(machine, by="coverage").ladder
    for found in KnobControl.touches(replace(machine, tasks=(task,)), ladder):
        looked = played(found, axis.slack_mm, 500, seed)
        for n, rung in enumerate(found.rungs):
            assert looked[f"clicks {n}"].max() <= rung.most
            assert looked[f"clicks {n}"].mean() == pytest.approx(rung.clicks, rel=0.12, abs=0.12)
        assert "free" not in looked or looked["free"].min() > -1e-9
        assert looked["passed"].max() <= found.rungs[-1].gain_mm * (1 + 1e-9)


# ------------------------------------------------------------ readings and repeats


def figures(found: _Touch, kind: str) -> dict[str, Any]:
    (note,) = [note for note in found.notes if note.kind == kind]
    return dict(note.figures)


def test_the_reading_is_put_right_by_half_a_click_and_the_paper() -> None:
    told = figures(touch(), "touch_reading")
    # by hand: 0.095 - 0.01; √(0.02²/12 + 0.03²/12)
    assert (told["beyond_mm"], told["sd_mm"]) == pytest.approx((0.085, 0.01041), abs=1e-5)
    rng = np.random.default_rng(3)
    paper, passed = rng.uniform(0.08, 0.11, 100_000), rng.uniform(0, 0.02, 100_000)
    error = (paper - passed) - told["beyond_mm"]
    assert error.mean() == pytest.approx(0, abs=1e-4)
    assert error.std() == pytest.approx(told["sd_mm"], rel=0.01)


def test_five_repeats_and_what_they_cant_show() -> None:
    from scipy.stats import t

    told = figures(touch(), "touch_repeats")
    assert told["mean"] == round(t.ppf(0.975, 4) / math.sqrt(5), 2) == 1.24
    assert told["another"] == round(t.ppf(0.975, 4) * math.sqrt(1 + 1 / 5), 2) == 3.04
    rng, click = np.random.default_rng(4), 0.02
    contact = rng.uniform(0, 1, 20_000)

    def error(start: np.ndarray) -> np.ndarray:
        return (start + np.ceil((contact[:, None] - start) / click) * click) - contact[:, None] - click / 2

    same, off = error(np.zeros((1, 5))), error(rng.uniform(0, click, (len(contact), 5)))
    assert np.ptp(same, axis=1).max() < 1e-9, "equal, from one grid"
    assert np.abs(same).max() == pytest.approx(told["wrong_mm"], rel=0.01)
    assert off.mean(axis=1).std() == pytest.approx(told["sd_mm"], rel=0.02)


# ------------------------------------------------------------ with a probe


@pytest.mark.parametrize(("machine", "axis", "delay", "firsts", "second"), [
    (ROUTER, "Z", 0.001, {0.05: 4.8, 0.1: 6.8, 0.5: 15.6, 1: 22, 3: 25}, 2.5),
    (ROUTER, "Z", None, {0.05: 1.06, 0.1: 2.0}, 0.0625),
    (SIGN, "Z", 0.001, {0.05: 4.8, 0.1: 6.9, 0.5: 15.7, 1: 22.3, 3: 25.4}, 3.1),
    (SIGN, "Z", None, {0.05: 1.3, 0.1: 2.5}, 0.104),
    (STAGE, "X", None, {0.05: 1.9}, 0.016),
])  # fmt: skip
def test_speeds_by_give_as_worked_out_by_hand(machine: Machine, axis: str, delay: float | None, firsts: dict[float, float], second: float) -> None:
    for give, first in firsts.items():
        found = probing(machine, axis, 2 * give, delay)  # half of it is kept in reserve
        assert found.first_mm_s == pytest.approx(first, rel=0.03)  # two digits are known
        assert found.second_mm_s == pytest.approx(second, rel=0.03)


def searched(v: np.ndarray, machine: Machine, axis: str, delay: float | None, far: float) -> np.ndarray:
    """Time of both searches at first speeds, played as rests, ramps and waits in a row; contact at the end of the way."""
    the, link = machine.axis(axis), machine.link
    latch, stop = (delay, delay) if delay else (link.report_interval_s, link.report_interval_s + link.delay_s)
    a, slow, step = the.ramp_mm_s2, float(the.step_mm) / latch, 0.0
    over = v * stop + v * v / (2 * a)
    room = v * latch + slow**2 / (2 * a)
    back = over + room + the.slack_mm
    up = np.where(back < the.top_speed_mm_s**2 / a, 2 * np.sqrt(back / a), back / the.top_speed_mm_s + the.top_speed_mm_s / a)
    down = v / a + (far - v * v / (2 * a)) / v  # ramp up, then the rest of the way
    again = slow / a + (room + the.slack_mm - slow**2 / (2 * a)) / slow
    return down + stop + v / a + up + again + stop + slow / a + step


@pytest.mark.parametrize(("machine", "axis", "far"), [(ROUTER, "Z", 10.0), (SIGN, "Z", 10.0), (STAGE, "X", 10.0)], ids=["router", "sign", "stage"])
def test_the_first_speed_is_within_0_01_s_of_brute_force(machine: Machine, axis: str, far: float) -> None:
    found = probing(machine, axis, give=6, far=far)
    speeds = np.linspace(0.05, machine.axis(axis).top_speed_mm_s, 4000)
    times = searched(speeds, machine, axis, None, far)
    assert found.first_mm_s == pytest.approx(speeds[times.argmin()], rel=0.1)
    assert float(searched(np.array([found.first_mm_s]), machine, axis, None, far)[0]) - times.min() < 0.01
    assert found.time_s == pytest.approx(float(searched(np.array([found.first_mm_s]), machine, axis, None, far)[0]), rel=1e-9)


@pytest.mark.parametrize("give", [0.02, 0.1, 0.5, 3])
@pytest.mark.parametrize("delay", [None, 0.001, 0.02])
@pytest.mark.parametrize("machine", [ROUTER, SIGN], ids=lambda machine: machine.name)
def test_latches_played(machine: Machine, give: float, delay: float | None) -> None:
    axis, found = machine.axis("Z"), probing(machine, give=give, delay=delay)
    stop = delay or machine.link.report_interval_s + machine.link.delay_s
    latch = delay or machine.link.report_interval_s
    assert found.first_mm_s <= axis.top_speed_mm_s
    assert found.first_mm_s * stop + found.first_mm_s**2 / (2 * axis.ramp_mm_s2) == pytest.approx(found.over_mm)
    assert found.over_mm <= give / 2 * (1 + 1e-9)
    # after the back-off the tool is off the contact by the first latch's doubt and what the slow speed takes to begin
    away = found.back_mm - axis.slack_mm - found.over_mm
    assert away == pytest.approx(found.first_mm_s * latch + found.second_mm_s**2 / (2 * axis.ramp_mm_s2))
    phase = np.random.default_rng(5).uniform(0, latch, 20_000)
    late = found.second_mm_s * phase  # between contact and the latch that sees it
    assert late.max() <= found.step_mm * (1 + 1e-9)
    assert found.step_mm == float(axis.step_mm)
    assert found.search_mm == pytest.approx(10 + axis.slack_mm)


def test_a_probe_that_gives_less_than_the_slow_speed_needs_goes_slower_still() -> None:
    # by hand: 2.5 mm/s, a step of 0.0025 mm in each ms, runs on 0.015 mm
    found = probing(give=0.01, delay=0.001)
    assert found.first_mm_s == found.second_mm_s < 2.5
    assert found.over_mm == pytest.approx(0.005)
    assert found.step_mm == 0.0025


def test_a_task_of_an_axis_that_is_gone_is_left_out() -> None:
    assert KnobControl.touches(replace(ROUTER, axes=ROUTER.axes[:2]), MINE) == ()


def test_a_probe_alone_is_told_on_z_and_no_probe_nothing() -> None:
    bare = replace(ROUTER, tasks=tuple(task for task in ROUTER.tasks if task.kind != "feel"))
    assert KnobControl.touches(bare, MINE) == ()
    with_probe = replace(bare, probe=_ProbeFigures(give_mm=Fraction(1, 2), delay_s=0.001))
    (found,) = KnobControl.touches(with_probe, MINE)
    assert (found.axis, found.rungs, found.probe is not None) == ("Z", (), True)
    assert [note.kind for note in found.notes] == ["probe_ready", "probe_first", "probe_calm", "probe_none", "probe_second"]
    assert found.probe is not None
    assert found.probe.search_mm == pytest.approx(8 + 0.02)  # a tenth of Z's reach
    assert KnobControl.touches(replace(with_probe, axes=with_probe.axes[:2]), MINE) == ()


def test_a_rotary_axis_is_told_in_degrees_without_paper_and_without_the_probe() -> None:
    task = replace(FEEL, axis="A", distance_mm=1.0, tolerance_mm=0.005, limit_mm=0.1)
    machine = replace(STAGE, tasks=(task,), probe=_ProbeFigures(give_mm=Fraction(1, 2)))
    (found,) = KnobControl.touches(machine, suggest(machine, by="coverage").ladder)
    told = " ".join(spoken(found.notes))
    assert " deg" in told
    assert " mm" not in told
    assert "paper" not in told
    assert found.probe is None


def test_contact_that_no_click_can_feel_is_told_no_steps() -> None:
    assert KnobControl.touches(ROUTER, Ladder.parse("0.05, 1")) == ()


def test_the_told_steps_hold_the_answers_own_hand_and_tasks() -> None:
    slow = replace(Hand.from_machine(ROUTER), feel_s=1.0)
    (mine,) = own_answer(ROUTER, MINE, hand=slow).touching
    (usual,) = own_answer(ROUTER, MINE).touching
    assert mine.time_s is not None
    assert usual.time_s is not None
    assert mine.time_s > usual.time_s + 5


# ------------------------------------------------------------ surfaces


def test_every_surface_tells_the_same_steps() -> None:
    answer = own_answer(replace(ROUTER, probe=_ProbeFigures(give_mm=Fraction(1), delay_s=0.001)), MINE)
    (found,) = answer.touching
    steps = spoken(found.notes)
    assert len(steps) == 13
    why, alone, content = answer.told(["why"]), answer.told(["touching"]), json.loads(answer.to_json())["touching_off"]
    assert alone in why
    hand, probe = ([f"  {n}. {text}" for n, text in enumerate(part, start=1)] for part in (steps[:8], steps[8:]))
    by_hand = "Touching off: touch off on paper (Z)"
    assert alone.splitlines() == [by_hand, *hand, "", f"{by_hand}, with the probe", *probe]
    assert [step["text"] for step in content[0]["steps"]] == steps
    assert [rung["back"] for rung in content[0]["rungs"]] == [0, 7]
    assert content[0]["probe"]["first_mm_s"] == pytest.approx(15.56, abs=0.01)  # 250 · (√(0.001² + 1/250) - 0.001)
    (card,) = _draw_cards(answer.machine, answer.ladder)
    shown = " ".join(" ".join(text.get_text() for text in card.axes[0].texts).split())
    assert speak(found.brief) in shown
    assert {"title": "Touching off on Z", "lines": steps, "list": "ol"} in list(_sections(answer, None))
    for number in ("2 mm on position 2", "20 at most", "position 1, 7 back, 2 on", "5 at most", "spindle off"):
        assert number in speak(found.brief)


def test_a_machine_without_is_told_nothing() -> None:
    answer = suggest(STAGE, by="coverage")
    assert "Touching off" not in answer.told(["why"])
    assert json.loads(answer.to_json())["touching_off"] == []
    assert answer.told(["touching"]) == 'Touching off: no task is felt for (kind = "feel"), and the file names no [probe].'


# ------------------------------------------------------------ the machine file


TEXT = (MACHINES / "inlay_router.toml").read_text(encoding="utf-8")


def test_a_probe_is_read() -> None:
    machine = _parse_machine(f'{TEXT}\n[probe]\ngive = "0.02 in"\ndelay = "1 ms"\n')
    assert machine.probe == _ProbeFigures(give_mm=Fraction(508, 1000), delay_s=0.001)
    assert _parse_machine(f'{TEXT}\n[probe]\ngive = "0.5 mm"\n').probe == _ProbeFigures(give_mm=Fraction(1, 2))
    assert _parse_machine(f'{TEXT}\n[probe]\ngive = "0.5 mm"\ndelay = "unknown"\n').probe == _ProbeFigures(give_mm=Fraction(1, 2))
    assert _parse_machine(TEXT).probe is None


@pytest.mark.parametrize(("lines", "said"), [
    ("", "probe: give: is missing: add it, for example give = \"0.5 mm\""),
    ('give = "2 deg"', "probe: give"), ('give = "0 mm"', "must be above 0"), ('give = "0.5 mm"\ndelay = "3 s"', "must be 0.001 ms to 2 s"),
    ('give = "0.5 mm"\nspeed = "2 mm/s"', "is not a known key"),
])  # fmt: skip
def test_faults_of_a_probe(lines: str, said: str) -> None:
    with pytest.raises(InputFault) as fault:
        _parse_machine(f"{TEXT}\n[probe]\n{lines}\n")
    assert said in str(fault.value)
