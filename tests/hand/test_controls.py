"""The hand's model: invariants, and an independent simulation that knows nothing of the programme."""

import math
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from jogtune.axis.follow import follow
from jogtune.axis.link import report_turns
from jogtune.files import InputFault
from jogtune.hand import chain
from jogtune.hand.actions import knob_actions
from jogtune.hand.controls import KnobControl, Stick, _Buttons, compare_controls, controls_of
from jogtune.hand.estimate import _estimate_feel, _knob_times_s
from jogtune.hand.fit import fit_hand
from jogtune.hand.person import Hand, Motion, _move_s, _turning_s
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import Link, Task
from jogtune.words.speak import speak
from played import draw_pair, simulated_error

ROUTER = "datasets/machines/inlay_router.toml"
X = Motion(top_speed_mm_s=100, ramp_mm_s2=400, delay_s=0.005, report_interval_s=0.04)


# ------------------------------------------------------------------ a simulation of its own


@pytest.mark.parametrize("pairs", [50, pytest.param(200, marks=pytest.mark.heavy)])
def test_mean_and_spread_agree_with_a_simulation_on_random_pairs(pairs):
    means, spreads = [], []
    for seed in range(pairs):
        mean, spread, error = simulated_error(seed)
        means.append(mean)
        spreads.append(spread)
        assert abs(mean) <= max(0.02, 4 * error), (seed, mean, error)
    assert np.sqrt(np.mean(np.square(means))) <= 0.005
    assert np.sqrt(np.mean(np.square(spreads))) <= 0.01
    print(f"mean: RMS {np.sqrt(np.mean(np.square(means))):.4f}, most {np.abs(means).max():.4f}")


# ------------------------------------------------------------------ invariants


@given(seed=st.integers(0, 10_000), factor=st.sampled_from([25.4, 0.001, 7.0, 1 / 3]))
@settings(max_examples=25, deadline=None)
def test_scaling_every_length_changes_no_time(seed, factor):
    gains, task, motion, hand = draw_pair(seed)
    motion = replace(motion, motor_step_mm=gains[0] / 3, readout_step_mm=task.tolerance_mm / 4)
    task = replace(task, cue="readout", tolerance_mm=2 * task.tolerance_mm)
    lengths = ("top_speed_mm_s", "ramp_mm_s2", "motor_step_mm", "slack_mm", "readout_step_mm")
    wide = replace(motion, **{name: factor * getattr(motion, name) for name in lengths})
    far = replace(task, distance_mm=factor * task.distance_mm, tolerance_mm=factor * task.tolerance_mm)
    one = KnobControl(gains_mm=gains).estimate(task, motion, hand)
    other = KnobControl(gains_mm=tuple(factor * g for g in gains)).estimate(far, wide, hand)
    assert other.mean_s == pytest.approx(one.mean_s, rel=1e-6)
    assert other.sd_s == pytest.approx(one.sd_s, rel=1e-4, abs=1e-6)
    assert other.share_impossible == pytest.approx(one.share_impossible, abs=1e-9)


@given(seed=st.integers(0, 10_000), place=st.floats(0, 3.5))
@settings(max_examples=40, deadline=None)
def test_a_rung_more_never_makes_it_worse(seed, place):
    gains, task, motion, hand = draw_pair(seed)
    before = KnobControl(gains_mm=gains).estimate(task, motion, hand)
    more = tuple(sorted((*gains, gains[0] * 10**place)))
    assert KnobControl(gains_mm=more).estimate(task, motion, hand).mean_s <= before.mean_s * (1 + 1e-12)


@given(seed=st.integers(0, 10_000), faster=st.floats(1.0, 4.0))
@settings(max_examples=40, deadline=None)
def test_a_faster_hand_is_never_slower(seed, faster):
    gains, task, motion, hand = draw_pair(seed)
    quick = replace(hand, turn_rate_detents_s=faster * hand.turn_rate_detents_s)
    slow_s = KnobControl(gains_mm=gains).estimate(task, motion, hand).mean_s
    assert KnobControl(gains_mm=gains).estimate(task, motion, quick).mean_s <= slow_s * (1 + 1e-9)


def test_one_rung_without_spread_or_regrasp_is_linear_in_distance():
    hand = Hand(spread=0.0, turn_rate_detents_s=12.0)
    brisk = replace(X, top_speed_mm_s=1e5, ramp_mm_s2=1e9)
    times = [
        KnobControl(gains_mm=(0.1,))
        .estimate(Task(name="t", axis="X", distance_mm=0.1 * n, tolerance_mm=0.1, cue="eye", vary=0.0), brisk, hand)
        .mean_s
        for n in (10, 60, 110, 160)
    ]
    assert np.diff(times) == pytest.approx([50 / 12.0] * 3, rel=1e-4)


@pytest.mark.parametrize(("finest", "others", "tolerance"), [("0.1", "1 10", 0.05), ("0.25", "1 5", 0.1), ("0.02", "", 0.019)])
def test_goals_between_clicks_are_reported_and_not_timed(finest, others, tolerance):
    gains = tuple(Fraction(text) for text in [finest, *others.split()])
    task = Task(name="t", axis="X", distance_mm=40, tolerance_mm=tolerance, cue="eye")
    answer = KnobControl(gains_mm=gains).estimate(task, X, Hand())
    expected = 1 - tolerance / float(gains[0])
    assert answer.share_impossible == pytest.approx(expected, abs=1e-12)
    assert answer.mean_s < 500
    lengths = {"move_mm": float(gains[0]), "tolerance_mm": tolerance, "window_mm": tolerance}
    assert (answer.reason.kind, answer.reason.figures) == ("goals_between_moves", {"mover": "click", **lengths})
    goals = np.random.default_rng(1).uniform(0, 40, 200_000)
    lattice = float(gains[0])
    missed = np.mean(np.abs(goals - np.round(goals / lattice) * lattice) > tolerance / 2)
    assert answer.share_impossible == pytest.approx(missed, abs=0.005)


def test_a_motor_step_longer_than_the_tolerance_is_named():
    task = Task(name="t", axis="X", distance_mm=40, tolerance_mm=0.02, cue="eye")
    answer = KnobControl(gains_mm=(0.01, 1.0)).estimate(task, replace(X, motor_step_mm=0.05), Hand())
    assert answer.share_impossible == pytest.approx(0.6)
    assert (answer.reason.figures["mover"], answer.reason.figures["move_mm"]) == ("motor step", 0.05)


def test_a_readout_no_finer_than_the_tolerance_is_impossible_unless_there_is_another_cue():
    motion = replace(X, readout_step_mm=0.05)
    task = Task(name="t", axis="X", distance_mm=4, tolerance_mm=0.05)
    answer = KnobControl(gains_mm=(0.01, 0.1)).estimate(task, motion, Hand())
    assert answer.mean_s is None
    assert answer.share_impossible == 1.0
    assert answer.reason.kind == "readout_too_coarse"
    assert answer.reason.figures == {"readout_step_mm": 0.05, "tolerance_mm": 0.05}
    for able in (replace(task, cue="eye"), replace(task, tolerance_mm=0.061)):
        found = KnobControl(gains_mm=(0.01, 0.1)).estimate(able, motion, Hand())
        assert (found.possible, found.reason) == (True, None)
    short = KnobControl(gains_mm=(0.012, 0.1)).estimate(replace(task, tolerance_mm=0.06), motion, Hand())
    assert speak(short.reason) == (
        "One click moves 0.012 mm, more than the 0.01 mm that the readout's step leaves of the tolerance: "
        "some goals lie between two of them."
    )


def test_readout_and_slack_cost_time():
    task = Task(name="t", axis="X", distance_mm=40, tolerance_mm=0.08)
    knob, hand = KnobControl(gains_mm=(0.02, 0.2, 2.0)), Hand()
    plain = knob.estimate(task, X, hand).mean_s
    assert knob.estimate(task, replace(X, readout_step_mm=0.03), hand).mean_s > plain
    assert knob.estimate(task, replace(X, slack_mm=0.1), hand).mean_s > plain


def test_routes_start_at_the_distance_and_run_down_to_the_tolerance():
    for seed in range(40):
        gains, task, motion, hand = draw_pair(seed)
        route = KnobControl(gains_mm=gains).estimate(task, motion, hand).route
        assert route[0].from_mm == task.distance_mm
        assert route[-1].until_mm == pytest.approx(task.tolerance_mm / 2)
        assert all(leg.from_mm >= leg.until_mm * (1 - 1e-9) for leg in route)
        assert all(a.until_mm == b.from_mm for a, b in pairwise(route))


def test_visits_count_the_moves_that_the_mean_time_is_made_of():
    # With every move and every switch costing one second and nothing else, time = moves + switches.
    hand = Hand(start_s=0.0, look_s=1.0, switch_s=1.0, turn_rate_detents_s=1e9)
    instant = Motion(top_speed_mm_s=1e9, ramp_mm_s2=1e12)
    for seed in range(20):
        gains, task, motion, _ = draw_pair(seed)
        answer = KnobControl(gains_mm=gains).estimate(task, replace(instant, slack_mm=motion.slack_mm), hand)
        assert answer.mean_s == pytest.approx(answer.moves + answer.switches, rel=1e-3)


def test_turning_keeps_up_the_steady_rate_with_regrasps():
    hand = Hand.from_machine(read_machine(ROUTER))
    assert _turning_s(1 + 1000 * hand.grasp_detents, hand) / (1000 * hand.grasp_detents) == pytest.approx(1 / 12, rel=2e-3)
    assert hand.turn_rate_detents_s <= 40


def test_times_of_moves_against_closed_forms():
    # 1 mm at 400 mm/s2: 2 sqrt(d/a); 100 mm at top 100 mm/s: d/top + top/a. Arithmetic.
    assert X.rest_to_rest_s([1.0, 100.0]) == pytest.approx([0.1, 1.25])
    wait = 0.24 + 0.005 + 0.02
    assert _move_s(1, 1.0, Hand(), X) == pytest.approx(wait + 0.1)
    assert _move_s(1000, 1.0, Hand(turn_rate_detents_s=1e6), X) == pytest.approx(wait + 10.25)


def test_faulty_figures_are_named_all_at_once():
    with pytest.raises(ValueError, match="spread = 0.7: must be below 0.5") as caught:
        Hand(spread=0.7, look_s=-1.0, turn_rate_detents_s=0.0)
    assert "look_s = -1.0" in str(caught.value)
    assert "turn_rate_detents_s = 0.0: must be above 0" in str(caught.value)
    with pytest.raises(InputFault, match="task t: 2 faults"):
        Task(name="t", axis="X", distance_mm=-1, tolerance_mm=math.nan)


# ------------------------------------------------------------------ feel for contact


def feel_by_hand(gains, task, motion, hand, chain_of_rungs, seed) -> float:
    """Mean time of feeling down a given chain of rungs, click by click."""
    rng = np.random.default_rng(seed)
    contact = rng.uniform(0, task.distance_mm, 100_000)
    time = np.full(len(contact), hand.start_s)
    at = np.zeros(len(contact))
    for n, i in enumerate(chain_of_rungs):
        g = gains[i]
        if n:
            coarse = gains[chain_of_rungs[n - 1]]
            at -= coarse
            turned = coarse / g + 2 * motion.slack_mm / g
            time += hand.switch_s + hand.look_s + turned / hand.turn_rate_detents_s
        clicks = np.maximum(np.ceil((contact - at) / g - 1e-12), 1)
        at += clicks * g
        settle = motion.delay_s + motion.report_interval_s / 2 + 2 * math.sqrt(g / motion.ramp_mm_s2)
        time += clicks * (hand.feel_s + max(settle, 1 / hand.turn_rate_detents_s))
    return float(time.mean())


def test_feeling_agrees_with_clicks_drawn_one_by_one():
    gains, hand, motion = [0.01, 0.1, 0.5], Hand(), replace(X, slack_mm=0.02)
    task = Task(name="paper", axis="Z", kind="feel", distance_mm=6, tolerance_mm=0.02, limit_mm=0.2)
    answer = _estimate_feel(knob_actions(gains, motion, hand), task, motion, hand, hand.switch_s)
    assert [leg.position for leg in answer.route] == [2, 1]
    by_hand = feel_by_hand(gains, task, motion, hand, [1, 0], seed=3)
    assert answer.mean_s == pytest.approx(by_hand, rel=0.01)
    straight = feel_by_hand(gains, task, motion, hand, [0], seed=3)
    assert answer.mean_s < straight


def felt(gains, task):
    return _estimate_feel(knob_actions(gains, X, Hand()), task, X, Hand(), Hand().switch_s)


def test_feeling_never_takes_a_click_beyond_the_limit():
    task = Task(name="paper", axis="Z", kind="feel", distance_mm=6, tolerance_mm=0.02, limit_mm=0.05)
    answer = felt([0.01, 0.1, 0.5], task)
    assert [leg.gain_mm for leg in answer.route] == [0.01]
    assert felt([0.01, 0.05, 0.5], task).route[0].gain_mm == 0.05  # just the limit
    harmful = felt([0.1, 0.5], task)
    assert harmful.mean_s is None
    assert speak(harmful.reason) == "One click moves 0.1 mm, more than the 0.02 mm that contact may be passed by."
    assert felt([0.02, 0.5], task).reason is None


# ------------------------------------------------------------------ stick and button


def test_buttons_are_a_ladder_pressed_one_by_one():
    task = Task(name="t", axis="X", distance_mm=4, tolerance_mm=0.1, cue="eye")
    hand = Hand(grasp_detents=3.0, regrasp_s=0.2)
    pressed = _Buttons(steps_mm=(0.05, 0.5), presses_s=5.0).estimate(task, X, hand)
    clicked = KnobControl(gains_mm=(0.05, 0.5)).estimate(task, X, Hand(turn_rate_detents_s=5.0))
    assert replace(pressed, moves_by={}) == replace(clicked, moves_by={})
    fine = replace(task, tolerance_mm=0.04)
    assert speak(_Buttons(steps_mm=(0.05,)).estimate(fine, X, hand).reason).startswith("One press moves 0.05 mm, more than")


def test_a_stick_is_fast_over_long_ways_and_fails_below_its_smallest_tap():
    stick, hand = Stick(), Hand()
    tap = stick.least_tap_mm(X)
    assert tap == pytest.approx(0.125 * 100 * 0.1**2)  # tap time x top speed x finest share ^ exponent
    fine = Task(name="t", axis="X", distance_mm=4, tolerance_mm=tap / 2, cue="eye")
    answer = stick.estimate(fine, X, hand)
    assert answer.share_impossible == pytest.approx(0.5)
    assert (answer.reason.figures["mover"], answer.reason.figures["move_mm"]) == ("tap", pytest.approx(0.125))
    far = Task(name="t", axis="X", distance_mm=500, tolerance_mm=1.0, cue="eye")
    assert stick.estimate(far, X, hand).mean_s < _Buttons(steps_mm=(0.1, 1.0)).estimate(far, X, hand).mean_s
    speeds = stick.speeds_mm_s(X)
    assert (speeds[0], speeds[-1]) == pytest.approx((100 * 0.1**2, 100.0))


def test_stick_agrees_with_a_simulation():
    stick, hand, rng = Stick(levels=1, finest_share=0.2), Hand(spread=0.05), np.random.default_rng(5)
    task = Task(name="t", axis="X", distance_mm=30, tolerance_mm=0.8, cue="eye")
    speed = float(stick.speeds_mm_s(X)[0])
    left = 30 * (1 + 0.25 * rng.uniform(-1, 1, 50_000))
    time, going = np.full(len(left), hand.start_s), np.arange(len(left))
    while len(going):
        e = left[going]
        held = replace(X, top_speed_mm_s=speed)
        wait = hand.look_s + X.delay_s + X.report_interval_s / 2
        time[going] += wait + np.maximum(held.rest_to_rest_s(e), stick.tap_s)
        sd = np.hypot(0.05 * e, stick.spreads_s(X)[0] * speed)
        z = rng.standard_normal(len(e))
        while (bad := np.abs(z) > np.minimum(3, e / sd)).any():
            z[bad] = rng.standard_normal(int(bad.sum()))
        left[going] = np.abs(sd * z)
        going = going[left[going] > 0.4]
    assert stick.estimate(task, X, hand).mean_s == pytest.approx(time.mean(), rel=0.01)


def test_controls_side_by_side_each_have_their_ground():
    router = read_machine(ROUTER)
    controls = controls_of(router, Ladder(base_mm=Fraction(1, 50), multipliers=(1, 5, 25, 250)), "X")
    motion, hand = Motion.from_machine(router, "X"), Hand.from_machine(router)
    table = compare_controls(controls, (0.1, 10, 400), (0.05, 1.0), motion, hand)
    assert len(table) == 5 * 3
    assert (table.groupby(["distance_mm", "tolerance_mm"])["fastest"].sum() == 1).all()
    best = table[table["fastest"]].set_index(["distance_mm", "tolerance_mm"])["control"]
    assert best[(400, 1.0)] == "stick"
    assert best[(10, 0.05)] == "knob"
    failing = table[(table["control"] == "stick") & (table["tolerance_mm"] == 0.05)]
    assert (failing["share_impossible"] > 0).all()
    assert (failing["reason"] == "goals_between_moves").all()


# ------------------------------------------------------------------ fitting


def knob_table(hand: Hand, seed: int, noise: float, ladders: tuple[str, ...], per: int = 12) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    rows = []
    for ladder in ladders:
        gains = tuple(float(text) for text in ladder.split())
        for distance in (0.4, 3.0, 20.0, 150.0):
            for tolerance in (0.05, 0.5):
                mean = float(_knob_times_s(gains, tolerance / 2, np.array([distance]), X, hand)[0])
                times = mean * np.exp(noise * rng.standard_normal(per) - noise**2 / 2)
                rows += [(distance, tolerance, t, ladder) for t in times]
    return pd.DataFrame(rows, columns=["distance_mm", "tolerance_mm", "time_s", "gains_mm"])


def test_fit_hand_finds_the_hand_that_made_the_table():
    truth = Hand(start_s=0.6, look_s=0.35, switch_s=1.1, turn_rate_detents_s=20.0)
    table = knob_table(truth, 1, 0.25, ("0.02 0.2 2", "0.02 0.1 0.5 5"))
    fit = fit_hand(table, motion=X)
    for name, value in fit.values.items():
        assert abs(value - getattr(truth, name)) <= 4 * fit.standard_errors[name], (name, value)
    assert fit.rms_error < 0.15
    assert fit.held_out_error < 0.2
    assert fit.hand.turn_rate_detents_s == fit.values["turn_rate_detents_s"]
    assert fit.predict_s(table) == pytest.approx(table["time_s"], rel=1.5)


def test_fit_hand_says_what_the_table_cannot_tell():
    truth = Hand(turn_rate_detents_s=20.0)
    fit = fit_hand(knob_table(truth, 2, 0.1, ("0.04",)), motion=X)
    assert "switch_s" in fit.cant_tell
    assert "turn_rate_detents_s" not in fit.cant_tell


def test_fit_hand_names_every_fault_of_a_table():
    table = pd.DataFrame({"distance_mm": [1.0, -2.0], "time_s": [0.5, np.nan]})
    with pytest.raises(ValueError, match="column tolerance_mm: is missing") as caught:
        fit_hand(table)
    assert "distance_mm in row 1 = -2.0: must be above 0" in str(caught.value)
    assert "time_s in row 1 = nan" in str(caught.value)
    with pytest.raises(ValueError, match="motion is needed"):
        fit_hand(table.assign(gains_mm="0.1 1"))
    good = pd.DataFrame({"distance_mm": [1.0, 2.0], "tolerance_mm": 0.5, "time_s": 0.5})
    with pytest.raises(ValueError, match="2 different tasks for 2 figures: needs at least 3"):
        fit_hand(good)


# ------------------------------------------------------------------ the move's time against the simulated axis


def test_a_moves_time_is_that_of_the_simulated_axis():
    """Against the axis followed report by report: 5 % RMS over random moves, look left out."""
    errors = []
    rng = np.random.default_rng(7)
    for _ in range(150):
        motion = replace(X, top_speed_mm_s=10 ** rng.uniform(1, 2.3), ramp_mm_s2=10 ** rng.uniform(2, 3.3))
        rate, gain, clicks = rng.uniform(4, 40), 10 ** rng.uniform(-2, 1), int(10 ** rng.uniform(0, 2))
        turned = np.arange(clicks) / rate
        rests = []
        for phase in (0.0, 0.01, 0.02, 0.03):
            link = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25)
            reports = report_turns(turned + 0.04 + phase, np.ones(clicks), link)
            course = follow(reports, gain, top_speed_mm_s=motion.top_speed_mm_s, ramp_mm_s2=motion.ramp_mm_s2)
            time = np.linspace(0, course.rest_s, 20_000)
            still = np.abs(course.at(time)[0] - clicks * gain) <= 1e-4 * gain
            rests.append(time[still.argmax()] - 0.04 - phase)
        ours = float(_move_s(clicks, gain, Hand(look_s=0.0, turn_rate_detents_s=rate), motion))
        errors.append(ours / np.mean(rests) - 1)
    rms = np.sqrt(np.mean(np.square(errors)))
    print(f"move against the simulated axis: RMS {rms:.4f}, most {np.abs(errors).max():.3f}, mean {np.mean(errors):+.4f}")
    assert rms <= 0.05


def test_the_table_of_the_normal_distribution_agrees_with_scipy() -> None:
    z = np.append(np.random.default_rng(1).uniform(-4, 4, (500, 20)).ravel(), [-4.0, 0.0, 4.0])
    assert np.abs(chain._share_below(z) - ndtr(z)).max() < 3e-8
