"""Knob, stick and buttons in one programme: against each alone, and against people played on a continuous axis."""

import math
from dataclasses import replace

import numpy as np
import pytest

from jogtune.hand import chain
from jogtune.hand.actions import Clicks, _moves_of
from jogtune.hand.controls import KnobControl, Stick, _Buttons
from jogtune.hand.person import Hand, Motion, goals_mm
from jogtune.hand.together import HandControl
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from places import MACHINES
from played import simulated_move_s, truncated_normal

SAMPLES = [read_machine(MACHINES / f"{name}.toml") for name in ("inlay_router", "slide_stage", "sign_table")]
LADDERS = ("0.02, 0.1, 1, 8", "0.00125, 0.01, 0.05, 0.2", "0.001, 0.005, 0.1, 0.5")
START, SLACK = Stick(), Stick(timing_s=0.1, tremor=0.05, tap_s=0.2)


def cases(kinds=("goal",)):
    """Every task of the samples with its motion, hand and ladder."""
    for machine, text in zip(SAMPLES, LADDERS, strict=True):
        ladder = Ladder.parse(text, machine.show_in)
        for task in machine.tasks:
            if task.kind in kinds:
                yield machine, task, Motion.from_machine(machine, task.axis), Hand.from_machine(machine), ladder


def everything(machine, task, ladder, stick=START) -> HandControl:
    return HandControl.on_axis(machine, task.axis, ladder, stick=stick, buttons_mm=ladder.gains_mm[1:2])


@pytest.mark.parametrize("case", list(cases(("goal", "feel"))), ids=lambda case: case[1].name)
def test_with_the_others_taken_away_it_is_the_one_alone(case):
    machine, task, motion, hand, ladder = case
    control = everything(machine, task, ladder, replace(START, tremor=0.0))
    stick = control.stick if task.kind == "goal" else None
    for alone in (HandControl(knob=control.knob), HandControl(buttons=control.buttons), HandControl(stick=stick))[: 3 if stick else 1]:
        (one,) = [part for part in (alone.knob, alone.buttons, alone.stick) if part]
        together, single = alone.estimate(task, motion, hand), one.estimate(task, motion, hand)
        assert together.mean_s == pytest.approx(single.mean_s, rel=1e-9), task.name
        assert (together.sd_s, together.moves, together.share_impossible) == pytest.approx((single.sd_s, single.moves, single.share_impossible), rel=1e-9)


@pytest.mark.parametrize("case", list(cases(("goal", "feel"))), ids=lambda case: case[1].name)
def test_many_choices_at_a_time_take_as_long_as_each_by_itself(case):
    machine, task, motion, hand, ladder = case
    control = everything(machine, task, ladder)
    parts = [(True, True), (False, True), (True, False), (False, False)]
    masks = [control.mask(0, stick, (0,) if buttons else ()) for stick, buttons in parts]
    found = control.times_s(masks, task, motion, hand)
    for (stick, buttons), time in zip(parts, found, strict=True):
        part = replace(control, stick=control.stick if stick else None, buttons=control.buttons if buttons else None)
        own = part.estimate(task, motion, hand)
        assert time == pytest.approx(own.mean_s, rel=1e-9)
    assert found[0] <= found.min() * (1 + 1e-12), "a control more never makes it slower"


def test_taking_another_control_costs_half_of_what_the_selector_does():
    hand, motion = Hand(switch_s=0.8), Motion(top_speed_mm_s=100, ramp_mm_s2=400)
    control = HandControl(knob=KnobControl(gains_mm=(0.1, 1)), buttons=_Buttons(steps_mm=(0.2, 2), own_keys=True), stick=Stick(levels=2))
    change = control.changes_s(control.actions(motion, hand), hand)
    knob, keys, held = slice(0, 2), slice(2, 4), slice(4, 6)
    assert change[0, 1] == 0.8
    assert change[2, 3] == pytest.approx(0.2)
    assert change[4, 5] == 0.0
    for one, other in ((knob, keys), (knob, held), (keys, held)):
        assert (change[one, other] == 0.4).all()
        assert (change[other, one] == 0.4).all()


def test_contact_is_felt_for_by_knob_and_buttons_and_never_by_the_stick():
    machine, task, motion, hand, ladder = next(case for case in cases(("feel",)) if case[0] is SAMPLES[0])
    found = everything(machine, task, ladder).estimate(task, motion, hand)
    assert "tap" not in found.moves_by
    assert found.mean_s <= KnobControl(gains_mm=tuple(map(float, ladder.gains_mm))).estimate(task, motion, hand).mean_s


def test_a_held_speed_ends_by_letting_go_the_reports_phase_and_an_unsteady_hand():
    """At the stop √(σ² + T²/12); at the finest share ρ = 2·0.02/(0.9·0.1) for 0.2 s + T/2 + delay besides. Arithmetic."""
    spreads = Stick().spreads_s(Motion(top_speed_mm_s=35, ramp_mm_s2=400, delay_s=0.005, report_interval_s=0.04))
    assert spreads[-1] == pytest.approx(math.sqrt(0.05**2 + 0.04**2 / 12))
    assert spreads[0] == pytest.approx(math.sqrt(0.05**2 + 0.04**2 / 12 + (0.225 * 0.04 / 0.09) ** 2))


# ------------------------------------------------------------------ played


def ends_of(action, left, stick, rng):
    """Where a move of each person ends, drawn from its causes, and how far they meant to go (mm)."""
    hand, motion = action.hand, action.motion
    if isinstance(action, Clicks):
        aim = left / action.lattice_mm
        spread = np.where(aim > hand.counted + 0.5, aim, 0.0)
        error = hand.spread * truncated_normal(rng, len(left), min(3.0, 0.5 / hand.spread)) * spread
        return np.floor(aim + error + hand.wheel_clicks * rng.standard_normal(len(left)) * action.gain_mm / action.lattice_mm + 0.5) * action.lattice_mm
    speed = action.speed_mm_s
    share = (speed / stick.speeds_mm_s(motion)[-1]) ** (1 / stick.exponent)
    unsteady = 0.0 if share > 1 - 1e-9 else stick.exponent * stick.tremor / ((1 - stick.dead_band) * share)
    lag = 0.2 + motion.report_interval_s / 2 + motion.delay_s
    sd = np.sqrt((hand.spread * left) ** 2 + speed**2 * (stick.timing_s**2 + motion.report_interval_s**2 / 12 + (lag * unsteady) ** 2))
    error, bad = np.full(len(left), np.inf), np.arange(len(left))
    while len(bad):
        late = stick.timing_s * rng.standard_normal(len(bad)) + motion.report_interval_s * rng.uniform(-0.5, 0.5, len(bad))
        error[bad] = speed * (late + lag * unsteady * rng.standard_normal(len(bad))) + hand.spread * left[bad] * rng.standard_normal(len(bad))
        bad = bad[np.abs(error[bad]) > np.minimum(3 * sd[bad], left[bad])]
    return left + error


def move_s(action, moved, slack):
    if isinstance(action, Clicks):
        return simulated_move_s(np.maximum(moved, slack) / action.gain_mm, action.gain_mm, action.hand, action.motion)
    held = replace(action.motion, top_speed_mm_s=min(action.speed_mm_s, action.motion.top_speed_mm_s))
    wait = action.hand.look_s + action.motion.delay_s + action.motion.report_interval_s / 2
    return wait + np.maximum(held.rest_to_rest_s(np.maximum(moved, slack)), action.tap_s)


def play(control, task, motion, hand, people, seed):
    """Times of people who follow the plan, all of whose moves are drawn on a continuous axis."""
    rng = np.random.default_rng(seed)
    actions = control.actions(motion, hand)
    half = max(task.half_mm(motion.readout_step_mm), min(action.lattice_mm for action in actions) / 2)
    grid = chain.Grid.reaching(half, float(goals_mm(task).max()))
    change = control.changes_s(actions, hand)
    way = chain._find_way(_moves_of(actions, grid, change))
    picked = max((leg for leg in control.estimate(task, motion, hand).route if leg.from_mm == task.distance_mm), key=lambda leg: leg.moves)
    left = task.distance_mm * (1 + task.vary * rng.uniform(-1, 1, people))
    left = left[left > half]
    inhand, back = np.full(len(left), picked.position - 1), (rng.random(len(left)) < 0.5) & (motion.slack_mm > 0)
    time, going, begun = np.full(len(left), hand.start_s), np.arange(len(left)), False
    while len(going):
        if begun:
            other = way.take[inhand[going], back[going].astype(int), np.searchsorted(grid.edges_mm, left[going]) - 1]
            time[going] += np.where(other != inhand[going], change[inhand[going], other], 0.0)
            inhand[going] = other
        begun = True
        for a in np.unique(inhand[going]):
            mine = going[inhand[going] == a]
            lost = np.where(back[mine], motion.slack_mm, 0.0)
            moved = np.maximum(ends_of(actions[a], left[mine], control.stick, rng), 0.0)
            time[mine] += move_s(actions[a], moved, lost)
            after = left[mine] - np.maximum(moved - lost, 0.0)
            left[mine], back[mine] = np.minimum(np.abs(after), left[mine]), (after < 0) & (motion.slack_mm > 0)
        going = going[left[going] > half]
    return time


@pytest.mark.parametrize(("people", "most", "every"), [(4_000, 0.012, 4), pytest.param(40_000, 0.005, 1, marks=pytest.mark.heavy)])
def test_a_hand_played_on_a_continuous_axis_agrees(people, most, every):
    errors = {}
    for n, (machine, task, motion, hand, ladder) in enumerate(list(cases())[::every]):
        for name, stick in (("start", START), ("slack", SLACK)):
            control = everything(machine, task, ladder, stick)
            times = play(control, task, motion, hand, people, seed=n)
            errors[name, task.name, machine.name] = control.estimate(task, motion, hand).mean_s / times.mean() - 1
    found = np.array(list(errors.values()))
    print(f"{len(found)} tasks: RMS {np.sqrt(np.mean(found**2)):.4f}, {min(errors, key=errors.get)} {found.min():+.4f}, {max(errors, key=errors.get)} {found.max():+.4f}")
    assert np.sqrt(np.mean(found**2)) <= most


# ------------------------------------------------------------------ twenty stops


@pytest.mark.parametrize(("timing", "tremor"), [(0.05, 0.02), (0.1, 0.05)])
def test_twenty_stops_at_a_mark_give_timing_and_tremor(timing, tremor):
    motion, stick, share = Motion(top_speed_mm_s=35, ramp_mm_s2=400, delay_s=0.005, report_interval_s=0.04), Stick(), 0.2
    rng, found = np.random.default_rng(4), []
    for _ in range(400):
        late = timing * rng.standard_normal((2, 20)) + 0.04 * rng.uniform(-0.5, 0.5, (2, 20))
        unsteady = 2 * tremor / (0.9 * share) * 0.225 * rng.standard_normal(20)
        fit, error = stick.fitted(35 * late[0], 35 * share**2 * (late[1] + unsteady), share, motion)
        found.append((fit.timing_s, fit.tremor, error.timing_s, error.tremor))
    values = np.array(found)
    assert np.median(values[:, 0]) == pytest.approx(timing, rel=0.04)
    assert np.median(values[:, 1]) == pytest.approx(tremor, rel=0.08)
    assert values[:, 0].std() == pytest.approx(np.median(values[:, 2]), rel=0.15)
    assert values[:, 0].std() / timing == pytest.approx(1 / math.sqrt(2 * 19), abs=0.03)
    within = np.abs(values[:, 1] - tremor) <= 2 * values[:, 3]
    assert within.mean() >= 0.9
