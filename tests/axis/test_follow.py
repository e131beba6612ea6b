"""The pursuit against ruckig and published tables, its invariants, and the replay of whole logs.

Decisions that these tests hold:

- Two statements of one step: `pursue_once`/`pursue` to read and to port (`axis.js` is its twin), `_Part.advance` in
  `lanes.py` in place for speed. Tests hold them equal; `follow` in plain numbers is the reference for `replay`.
- `advance` is one long function: 40 array operations without a copy. Constants are arrays because numpy's `minimum` and
  `maximum` are five times slower with a single number (measured).
- Only the first lane of a chain of bursts without rest is rerun in a round: rerunning all of them costs the square of the
  chain's length.
- *Spread* sets its cap at every report, empty ones too. It evens out slow rungs, does nothing once run-on passes one report's
  travel, and costs at most one report at the end. It is advised where ripple is above 25 % and it takes a tenth or more off.
- The report after a silence only restarts the count; its own clicks belong to the gap, in both kinds of count.
- A waiting reversal turns when the axis rests at the end of the committed run. When merged clicks cancel, no move is made.
- Turning the selector while the axis owes: the rest is finished at the old rung's scale; `rung_change="stop"` drops it.
  Contacts passed on the way count if a report falls on them.
- Reports that carry differing counts have no closed form: ⌈1/(u·T)⌉·T is no bound either (12 detents/s, 5 mm, 40 ms gives 27
  % ripple, not 20 %). They are simulated.
- "Too far" to run on: past both the larger of half a click and the finest wish, and 0.25 s. Our choice. Then *limit* is
  advised: run-on is what is outstanding at the last report, nothing else. Clicks beyond are dropped whole; carried to later
  they run on as far as if owed.
- Allowed run-on A: the file's `run_on`, else what lets a steady hand keep every click on the coarsest rung served (our
  choice). V = −aT + √(a²T² + 2a(A − g)), L = V²/2a + V·T + g. Twice the steady rate where no click may be lost, for hands
  aren't even. *Forgive* loses clicks at the steady rate in 15 % of random machines: kept for comparisons only. A queue that
  waits owes.
- A limit's fast path in `lanes.py` adds all clicks, then takes back those beyond: 1.1 × the cost of owing.
- ruckig 0.19.4 finds no solution from some states that already brake onto the target; test loops then go on along the
  trajectory at hand.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import ruckig

from jogtune.axis.follow import Habit, follow
from jogtune.axis.lanes import _replay_each, replay
from jogtune.axis.link import report_turns, reports_as_logged
from jogtune.axis.pursuit import _pursue_once, _pursuit_extremes, _rest_time_s, pursue
from jogtune.axis.runon import _forgiven_run_on_bound_mm
from jogtune.machine.model import Link

REFERENCE = Path(__file__).parents[2] / "datasets" / "reference"


def ruckig_steps(x, v, targets, caps, ramp, intervals):
    """The same reports through ruckig (no jerk limit): position and velocity after each interval.

    A report that changes nothing goes on along the trajectory at hand: asked to start afresh from a state
    that is already braking onto its target, ruckig 0.19.4 sometimes finds no solution at all.
    """
    otg, trajectory = ruckig.Ruckig(1), ruckig.Trajectory(1)
    task = ruckig.InputParameter(1)
    task.max_acceleration = [ramp]
    states, last, elapsed = [], None, 0.0
    for target, cap, dt in zip(targets, caps, intervals, strict=True):
        if (target, cap) != last:
            task.current_position, task.current_velocity, task.target_position = [x], [v], [target]
            task.max_velocity = [cap]
            otg.calculate(task, trajectory)
            last, elapsed = (target, cap), 0.0
        elapsed += dt
        (x,), (v,), _ = trajectory.at_time(elapsed)
        states.append((x, v))
    return np.array(states)


def random_case(rng):
    """State, targets, caps, ramp and intervals of 1 to 50 reports; entry above the cap in some.

    Half the cases hold one top speed, with four reports in ten bringing nothing new; the other half set a
    new cap at each report, as a controller does that spreads its moves.
    """
    ramp, top = 10 ** rng.uniform(1.5, 3.7), 10 ** rng.uniform(0.3, 2.5)
    n = int(rng.integers(1, 51))
    reach = max(top * 0.04, top**2 / ramp) * 10 ** rng.uniform(-2, 1)
    v, steady = top * rng.uniform(-1.5, 1.5), rng.random() < 0.5
    targets = np.cumsum(rng.normal(0, reach, n) * (rng.random(n) < 0.6 if steady else 1))
    caps = np.full(n, top) if steady else top * rng.uniform(0.1, 1, n)
    return rng.normal(0, reach), v, targets, caps, ramp, 10 ** rng.uniform(-3, -0.5, n)


def check_against_ruckig(cases, seed):
    """Positions within 1e-9 of the case's scale, speeds within 1e-9 of the speeds; returns the worst of each."""
    rng, worst = np.random.default_rng(seed), np.zeros(2)
    for _ in range(cases):
        x, v, targets, caps, ramp, dts = random_case(rng)
        theirs = ruckig_steps(x, v, targets, caps, ramp, dts)
        start_v, ours = v, []
        for target, cap, dt in zip(targets, caps, dts, strict=True):
            x, v = _pursue_once(x, v, target, cap, ramp, dt)
            ours.append((x, v))
        ours = np.array(ours)
        top = caps.max()
        scale = np.maximum.reduce(
            [np.abs(ours[:, 0]), np.abs(targets), np.full(len(dts), top**2 / 2 / ramp), top * dts]
        )
        errors = np.abs(ours - theirs) / np.column_stack([scale, np.full(len(dts), max(top, abs(start_v)))])
        worst = np.maximum(worst, errors.max(axis=0))
    return worst


def test_pursuit_equals_ruckig_in_10_000_cases():
    worst = check_against_ruckig(10_000, seed=1)
    print(f"worst of 10,000 cases, position and speed: {worst}")
    assert worst.max() < 1e-9, worst


def csv_rows(name):
    with (REFERENCE / name).open() as file:
        return list(csv.DictReader(file))


def rest_rows():
    return [row for row in csv_rows("motion_rest_to_target.csv") if float(row["v_end_mm_s"]) == 0]


@pytest.mark.parametrize("row", rest_rows(), ids=lambda row: row["id"])
def test_published_moves(row):
    # Source: datasets/reference/motion_rest_to_target.csv, computed with ruckig 0.19.4; 6 decimals printed.
    v0, goal, top, ramp = (float(row[k]) for k in ("v0_mm_s", "distance_mm", "v_max_mm_s", "a_max_mm_s2"))
    duration = float(row["duration_s"])
    assert _rest_time_s(0.0, v0, goal, top, ramp) == pytest.approx(duration, abs=5.1e-7)
    assert _pursue_once(0.0, v0, goal, top, ramp, duration + 1e-6) == (goal, 0.0)
    # The printed peaks are the highest of 20,001 samples over the move: for M1 that is 27.384788, a little
    # under the true peak of sqrt(750) = 27.386128 mm/s.
    peak = float(row["peak_velocity_mm_s"])
    exact_duration = float(_rest_time_s(0.0, v0, goal, top, ramp))
    _, v = pursue(0.0, v0, goal, top, ramp, np.linspace(0, exact_duration, 20001))
    assert (np.sign(peak) * v).max() == pytest.approx(abs(peak), abs=5.1e-7)


def test_peak_between_samples():
    # Worked by hand: M1 turns back 1.5 mm beyond its goal, so its peak on the way back is sqrt(500 * 1.5).
    x, v = pursue(0.0, 50.0, 1.0, 50.0, 500.0, 0.1)
    assert _pursuit_extremes(x, v, 1.0, 50.0, 500.0, 1.0)[2] == pytest.approx(750**0.5, rel=1e-14)


def test_extremes_where_ruckig_errs():
    # Source: the note on ruckig 0.19.4 beside that table: true overshoot of M1 is 2.5 mm = v0²/2a, the true
    # minimum of M2 -0.4 mm; ruckig's own position_extrema gets both wrong.
    assert _pursuit_extremes(0.0, 50.0, 1.0, 50.0, 500.0, 1.0)[1] == 2.5
    assert _pursuit_extremes(0.0, -20.0, 5.0, 50.0, 500.0, 1.0)[0] == pytest.approx(-0.4, abs=1e-15)


def states(seed, n=4000):
    """Random states, targets, limits and intervals as one argument list of `pursue`."""
    rng = np.random.default_rng(seed)
    top, ramp = 10 ** rng.uniform(0, 2.5, n), 10 ** rng.uniform(1.5, 3.7, n)
    reach = top * 0.1 + top**2 / ramp
    x, target = rng.normal(0, reach), rng.normal(0, reach)
    target[: n // 20] = x[: n // 20]
    return x, rng.uniform(-1.5, 1.5, n) * top, target, top, ramp, 10 ** rng.uniform(-3, 0, n)


@pytest.mark.parametrize("seed", range(3))
def test_arrays_equal_plain_numbers(seed):
    case = states(seed)
    plain = np.array([_pursue_once(*numbers) for numbers in zip(*case, strict=True)])
    np.testing.assert_array_equal(np.column_stack(pursue(*case)), plain)


@pytest.mark.parametrize("seed", range(3))
def test_pursuit_invariants(seed):
    x, v, target, top, ramp, dt = states(seed)
    x1, v1 = pursue(x, v, target, top, ramp, dt)
    low, high, fastest = _pursuit_extremes(x, v, target, top, ramp, dt)
    assert (fastest <= np.maximum(np.abs(v), top) * (1 + 1e-12)).all()
    assert (np.abs(v1 - v) <= ramp * dt * (1 + 1e-9) + 1e-9 * top).all()
    mirrored_x, mirrored_v = pursue(-x, -v, -target, top, ramp, dt)
    np.testing.assert_allclose(mirrored_x, -x1, rtol=0, atol=1e-9)
    np.testing.assert_allclose(mirrored_v, -v1, rtol=0, atol=1e-9)
    share = np.random.default_rng(seed).random(len(x))
    half = pursue(x, v, target, top, ramp, dt * share)
    x2, v2 = pursue(*half, target, top, ramp, dt * (1 - share))
    scale = np.maximum.reduce([np.abs(x1), np.abs(target), top**2 / 2 / ramp, top * dt])
    assert (np.abs(x2 - x1) <= 1e-9 * scale).all()
    assert (np.abs(v2 - v1) <= 1e-9 * np.maximum(top, np.abs(v))).all()
    assert (low <= np.minimum(x, half[0]) + 1e-12 * scale).all()
    assert (high >= np.maximum(x, half[0]) - 1e-12 * scale).all()


def test_pursuit_says_what_is_wrong():
    with pytest.raises(ValueError, match="top_mm_s: must not be below 0; ramp_mm_s2: must be above 0"):
        pursue(0.0, 0.0, 1.0, -1.0, 0.0, 0.1)
    with pytest.raises(ValueError, match="dt_s: must be finite"):
        pursue(0.0, 0.0, 1.0, 1.0, 1.0, float("nan"))


# --- whole logs ------------------------------------------------------------------------------------------

LINK = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25)
ROUTER = {"top_speed_mm_s": 100.0, "ramp_mm_s2": 400.0}
PLAIN = [
    Habit(),
    Habit(too_fast="forgive"),
    Habit(speed="spread"),
    Habit(too_fast="forgive", speed="spread"),
    Habit(too_fast="limit", limit_mm=6.0),
    Habit(too_fast="limit", limit_mm=1.5, speed="spread"),
    Habit(rung_change="stop"),
]
QUEUED = [
    Habit(queue=size, when_full=full, speed=speed)
    for size in (1, 3, 8)
    for full in ("wait", "merge", "discard")
    for speed in ("dash", "spread")
]


def random_turns(rng, bursts=12, rungs=3):
    """Times [s], signed clicks and rungs of some bursts; a few reversals and rung changes inside them."""
    lengths = rng.integers(1, 50, bursts)
    count = int(lengths.sum())
    steps = rng.exponential(1 / 30, count)
    steps[np.cumsum(lengths)[:-1]] += rng.exponential(0.6, bursts - 1) + 0.05
    way = np.cumprod(np.where(rng.random(count) < 0.05, -1, 1))
    rung = np.repeat(rng.integers(0, rungs, count), rng.integers(1, 40, count))[:count]
    return np.cumsum(steps), way, rung


def random_log(seed, **link):
    """Reports of a random log over a random link, random gains (4 ladders of 3 rungs) and limits."""
    rng = np.random.default_rng(seed)
    times, detents, rung = random_turns(rng)
    settings = {"jitter_s": rng.choice([0.0, 0.015]), "loss_share": rng.choice([0.0, 0.1, 0.4])} | link
    reports = report_turns(times, detents, replace(LINK, **settings), rung=rung, seed=seed)
    limits = {"top_speed_mm_s": rng.uniform(20, 150), "ramp_mm_s2": 10 ** rng.uniform(2, 3.5)}
    return reports, 10 ** rng.uniform(-2, 0.7, (4, 3)), limits


def settled_mm(course):
    return float(course.at(course.time_s[-1] + 1e6)[0])


@pytest.mark.parametrize("row", csv_rows("sampled_following.csv"), ids=lambda row: row["velocity_high_mm_s"])
def test_published_following(row):
    # Source: datasets/reference/sampled_following.csv, simulated twice independently, three digits. Its highs
    # of the two stop-and-go rows are the highest of samples each millisecond: the peaks between samples are
    # sqrt(a·v·T) = 28.28 and 4.47.
    turn_rate, gain, interval, top, ramp, low, high = (float(value) for value in row.values())
    reports = reports_as_logged(
        interval * np.arange(400), np.full(400, round(turn_rate * interval)), interval_s=interval
    )
    course = follow(reports, gain, top_speed_mm_s=top, ramp_mm_s2=ramp)
    _, v = course.at(interval * 300 + 0.001 * np.arange(int(interval * 50 / 0.001)))
    assert v.min() == pytest.approx(low, abs=0.005)
    assert v.max() == pytest.approx(high, abs=0.005)


@pytest.mark.parametrize("habit", PLAIN, ids=str)
@pytest.mark.parametrize("seed", range(8))
def test_replay_equals_following_each_axis(habit, seed):
    reports, gains, limits = random_log(seed, **{"loss_share": 0.1} if seed % 2 else {})  # many lanes know no stops
    many = replay(reports, gains, habit=habit, **limits)
    for i, ladder in enumerate(gains):
        one = follow(reports, ladder, habit=habit, **limits)
        assert many.final_mm[i] == pytest.approx(settled_mm(one), abs=1e-9)
        assert many.lost_detents[i] == one.lost_detents
        assert many.peak_speed_mm_s[i] == pytest.approx(one.extremes()[2], rel=1e-9)


@pytest.mark.parametrize("habit", [one for one in PLAIN if one.speed == "dash" and one.rung_change == "keep"], ids=str)
def test_lanes_equal_each_axis_followed_on_its_own(habit):
    for seed in range(4):
        reports, gains, limits = random_log(seed, loss_share=0.1)
        many, each = replay(reports, gains, habit=habit, **limits), _replay_each(reports, gains.T, *limits.values(), habit, 0.3)
        for name in ("run_on_by_rung_mm", "at_ceiling_s", "lost_detents", "peak_speed_mm_s", "final_mm"):
            np.testing.assert_allclose(getattr(many, name), getattr(each, name), rtol=1e-7, atol=1e-7)


@pytest.mark.parametrize("back", [10, 25, 40, 80])
def test_run_on_counts_the_way_to_where_it_turns(back):
    reports = reports_as_logged(0.04 * np.arange(21), [5] * 20 + [-back], interval_s=0.04)
    course, limits = follow(reports, 1.0, **ROUTER), tuple(ROUTER.values())
    x = course.at(0.8 + np.linspace(0, 4, 8001))[0]
    found = (replay(reports, 1.0, **ROUTER), _replay_each(reports, np.ones((1, 1)), *limits, Habit(), 0.3))
    for one in found:
        assert one.run_on_by_rung_mm[0, 0] == pytest.approx(np.abs(x - x[0]).max(), abs=1e-3)


@pytest.mark.parametrize("habit", QUEUED, ids=str)
@pytest.mark.parametrize("seed", range(2))
def test_replay_of_queues_equals_following_each_axis(habit, seed):
    # 1e-6 mm: when a reversal starts depends on a square root, which turns a last bit into 1e-8 s.
    reports, gains, limits = random_log(seed)
    many = replay(reports, gains, habit=habit, **limits)
    for i, ladder in enumerate(gains):
        one = follow(reports, ladder, habit=habit, **limits)
        assert many.final_mm[i] == pytest.approx(settled_mm(one), abs=1e-6)
        assert many.lost_detents[i] == one.lost_detents
        assert many.peak_speed_mm_s[i] == pytest.approx(one.extremes()[2], rel=1e-6)


@pytest.mark.parametrize("habit", PLAIN + QUEUED[::4], ids=str)
def test_how_a_log_is_cut_changes_nothing(habit):
    reports, gains, limits = random_log(21, loss_share=0.1)
    fine, coarse = (replay(reports, gains, habit=habit, rest_s=rest, **limits) for rest in (0.08, 99.0))
    assert (np.diff(reports.time_s[reports.detents != 0]) > 0.08).any()
    for name in ("final_mm", "lost_detents", "at_ceiling_s", "peak_speed_mm_s"):
        np.testing.assert_allclose(getattr(fine, name), getattr(coarse, name), rtol=1e-7, atol=1e-7)


@pytest.mark.parametrize("habit", PLAIN + QUEUED[::4], ids=str)
@pytest.mark.parametrize("seed", range(3))
def test_log_invariants(habit, seed):
    reports, gains, limits = random_log(seed + 40, **{"loss_share": 0.1} if seed else {})
    result = replay(reports, gains, habit=habit, **limits)
    assert (result.peak_speed_mm_s <= limits["top_speed_mm_s"] * (1 + 1e-12)).all()
    course = follow(reports, gains[2], habit=habit, **limits)
    ramped = np.abs(np.diff(course.v_mm_s)) - limits["ramp_mm_s2"] * np.diff(course.time_s)
    assert ramped.max() <= 1e-6 * limits["top_speed_mm_s"]
    back = replay(replace(reports, detents=-reports.detents), gains, habit=habit, **limits)
    np.testing.assert_allclose(back.final_mm, -result.final_mm, atol=1e-6)
    np.testing.assert_allclose(back.run_on_by_rung_mm, result.run_on_by_rung_mm, atol=1e-6)
    still = replay(replace(reports, detents=0 * reports.detents), gains, habit=habit, **limits)
    assert not still.final_mm.any()
    assert not still.peak_speed_mm_s.any()
    assert not still.run_on_by_rung_mm.any()


@pytest.mark.parametrize("habit", PLAIN[:3], ids=str)
def test_time_at_the_ceiling_against_dense_samples(habit):
    reports, gains, limits = random_log(3, loss_share=0.0)
    many = replay(reports, gains, habit=habit, **limits)
    for i, ladder in enumerate(gains):
        course = follow(reports, ladder, habit=habit, **limits)
        at = np.arange(course.time_s[0], course.rest_s, 2e-4)
        _, v = course.at(at)
        ceiling = 2e-4 * (np.abs(v) >= limits["top_speed_mm_s"] * (1 - 1e-9)).sum()
        assert many.at_ceiling_s[i] == pytest.approx(ceiling, abs=0.02 + 0.001 * ceiling)


@pytest.mark.parametrize("seed", range(6))
def test_owe_ends_on_the_count(seed):
    reports, gains, limits = random_log(seed, loss_share=0.0)
    turned = np.array([reports.detents[reports.rung == rung].sum() for rung in range(3)])
    for habit in (Habit(), Habit(speed="spread"), Habit(queue=4), Habit(queue=1, when_full="merge")):
        result = replay(reports, gains, habit=habit, **limits)
        np.testing.assert_allclose(result.final_mm, gains @ turned, rtol=0, atol=1e-9 * np.abs(gains).sum() * 1e3)
        assert not result.lost_detents.any()
        course = follow(reports, gains[0], habit=habit, **limits)
        assert settled_mm(course) == pytest.approx(course.asked_mm[-1], abs=1e-9)


@pytest.mark.parametrize("speed", ["dash", "spread"])
def test_forgive_stays_within_its_bound(speed):
    lost = 0
    for seed in range(70, 90):
        reports, gains, limits = random_log(seed)
        for gain in gains[:, 0] * 10:
            course = follow(reports, gain, habit=Habit(too_fast="forgive", speed=speed), **limits)
            bound = _forgiven_run_on_bound_mm(
                np.abs(course.v_mm_s), gain, 0.04, limits["top_speed_mm_s"], limits["ramp_mm_s2"]
            )
            assert (np.abs(course.target_mm - course.x_mm) <= bound * (1 + 1e-9) + 1e-9 * gain).all()
            lost += course.lost_detents
            if not reports.silences:  # whole clicks are lost, never parts
                short = (course.target_mm[-1] - course.asked_mm[-1]) / gain
                assert short == pytest.approx(round(short), abs=1e-6)
    assert lost > 1000


def test_the_smaller_bound_of_forgive_does_not_hold():
    # Stopping distance plus one report's travel is no bound where one click is longer than that.
    reports = reports_as_logged([0.0], [1], interval_s=0.04)
    result = replay(reports, 10.0, habit=Habit(too_fast="forgive"), **ROUTER)
    assert result.run_on_by_rung_mm[0, 0] == 10.0 > 100.0 * 0.04


def test_spread_equals_ruckig_with_a_cap_at_each_report():
    rng = np.random.default_rng(5)
    detents = rng.integers(-1, 5, 60)
    detents[detents == 0] = 1
    reports = reports_as_logged(0.04 * np.arange(60), detents, interval_s=0.04)
    course = follow(reports, 0.7, habit=Habit(speed="spread"), **ROUTER)
    x = v = 0.0
    for i in range(59):
        target = 0.7 * detents[: i + 1].sum()
        cap = min(100.0, abs(target - x) / 0.04)
        assert (course.x_mm[i], course.v_mm_s[i]) == pytest.approx((x, v), abs=1e-9 * 100)
        x, v = ruckig_steps(x, v, [target], [cap], 400.0, [0.04])[0]


# --- the link --------------------------------------------------------------------------------------------


def steady_turns(count=300, every_s=0.013):
    return every_s * np.arange(count), np.ones(count, dtype=int)


def scattered(reports_lost, seconds):
    """Gaps that swallow single reports: 3 in 10, never more than 3 in a row."""
    rng = np.random.default_rng(reports_lost)
    lost = rng.random(round(seconds / 0.04)) < 0.3
    lost[3::4] = False
    return [(0.04 * k - 0.001, 0.04 * k + 0.001) for k in np.flatnonzero(lost)]


@pytest.mark.parametrize("habit", [Habit(), Habit(speed="spread"), Habit(queue=3)], ids=str)
def test_running_counts_lose_nothing(habit):
    times, detents = steady_turns()
    reports = report_turns(times, detents, LINK, gaps_s=scattered(1, 5.0))
    assert reports.lost_reports > 20
    assert reports.lost_detents == reports.missing_net_detents == 0
    assert replay(reports, [0.1, 1.0], habit=habit, **ROUTER).final_mm == pytest.approx([30.0, 300.0], abs=1e-9)


def test_thirty_percent_by_chance_with_running_counts():
    link = replace(LINK, loss_share=0.3, silence_s=1.0)  # 25 reports lost in a row: once in 1e13
    times, detents = steady_turns(10_000)
    for seed in range(5):
        reports = report_turns(times, detents, link, seed=seed)
        assert reports.silences == 0
        assert 0.27 < reports.lost_reports / reports.sent_reports < 0.33
        assert replay(reports, 0.5, **ROUTER).final_mm == pytest.approx([5000.0], abs=1e-9)


def test_increments_lose_what_lost_reports_held_to_the_click():
    times, detents = steady_turns()
    gaps = scattered(2, 5.0)
    reports = report_turns(times, detents, replace(LINK, counts="increments"), gaps_s=gaps)
    sent_at = np.ceil(times / 0.04 - 1e-9)
    gone = sum(any(start <= 0.04 * k <= end for start, end in gaps) for k in sent_at)
    assert reports.lost_detents == reports.missing_net_detents == gone > 0
    assert replay(reports, 0.1, **ROUTER).final_mm == pytest.approx([(300 - gone) * 0.1], abs=1e-9)


@pytest.mark.parametrize("counts", ["running", "increments"])
@pytest.mark.parametrize("habit", [Habit(), Habit(speed="spread"), Habit(queue=8)], ids=str)
def test_a_gap_of_two_seconds_moves_nothing(counts, habit):
    times, detents = steady_turns(400, 0.013)  # 5.2 s of turning, the link gone from 2 to 4 s
    reports = report_turns(times, detents, replace(LINK, counts=counts), gaps_s=[(2.0, 4.0)])
    assert reports.silences == 1
    received = np.ceil(times / 0.04 - 1e-9) * 0.04
    # the report after the gap (sent at 4.04 s) only restarts the count
    gone = int(((received >= 2.0 - 1e-9) & (received <= 4.04 + 1e-9)).sum())
    assert reports.discarded_detents == reports.missing_net_detents == gone
    course = follow(reports, 2.0, habit=habit, **ROUTER)
    stop = 1.96 + 0.005 + 0.25
    quiet, v = course.at(np.linspace(stop + 0.25, 4.08, 50))  # top speed is braked off in 0.25 s
    assert not v.any()
    assert np.ptp(quiet) == 0.0
    result = replay(reports, 2.0, habit=habit, **ROUTER)
    assert course.abandoned_mm > 0  # 2 mm a click at 77 clicks/s owes a lot by then
    assert result.final_mm[0] == pytest.approx(2.0 * (400 - gone) - course.abandoned_mm, abs=1e-6)


def test_a_lost_link_at_the_end_stops_the_axis():
    times, detents = steady_turns(100)
    reports = report_turns(times, detents, LINK, gaps_s=[(1.0, 60.0)])
    assert reports.silences == 1
    assert reports.turned_net_detents == reports.detents.sum() + reports.discarded_detents


@pytest.mark.parametrize("seed", range(10))
def test_every_click_is_accounted_for(seed):
    reports, _, _ = random_log(seed + 200, counts="increments", loss_share=0.5)
    turned = np.abs(reports.detents).sum() + reports.lost_detents + reports.discarded_detents
    times, way, rung = random_turns(np.random.default_rng(seed + 200))
    link = replace(LINK, counts="increments", jitter_s=0.0)
    clean = report_turns(times, way, link, rung=rung)
    assert turned == np.abs(clean.detents).sum()
    assert (np.diff(reports.time_s) >= 0).all()


def test_reports_come_late_but_in_order():
    times, detents = steady_turns()
    reports = report_turns(times, detents, replace(LINK, jitter_s=0.1, silence_s=0.5), seed=4)
    late = reports.time_s - 0.04 * np.arange(-1, len(reports.time_s) - 1)
    assert (np.diff(reports.time_s) >= 0).all()
    assert late.min() >= 0.005 - 1e-9
    assert late.max() <= 0.105 + 1e-9
    assert reports.detents.sum() == 300


def test_contacts_in_between():
    """Turning the selector while the knob turns: contacts passed within 20 ms take clicks."""
    times = np.array([0.10, 0.14, 0.18, 0.215, 0.235, 0.26, 0.30])
    rung = np.array([0, 0, 0, 4, 2, 1, 1])  # from ×1 past two coarse contacts to ×10
    gains = [0.01, 0.1, 1.0, 5.0, 10.0]
    link = replace(LINK, report_interval_s=0.01)
    hasty = report_turns(times, np.ones(7, dtype=int), link, rung=rung)
    assert settled_mm(follow(hasty, gains, **ROUTER)) == pytest.approx(3 * 0.01 + 10.0 + 1.0 + 2 * 0.1)


def test_a_rung_changed_while_the_axis_owes():
    detents = np.array([4] * 25 + [0] * 3 + [1] * 4)
    rung = np.array([1] * 25 + [0] * 7)
    reports = reports_as_logged(0.04 * np.arange(32), detents, rung=rung, interval_s=0.04)
    kept = follow(reports, [0.01, 2.0], **ROUTER)
    assert settled_mm(kept) == pytest.approx(200.04)
    assert kept.target_mm[25] - kept.x_mm[25] > 100  # still to come, on a rung of 0.01 mm
    stopped = follow(reports, [0.01, 2.0], habit=Habit(rung_change="stop"), **ROUTER)
    assert stopped.target_mm[25] - stopped.x_mm[25] == pytest.approx(100**2 / 800)
    assert settled_mm(stopped) == pytest.approx(200.04 - stopped.abandoned_mm)


# --- queues ----------------------------------------------------------------------------------------------


def one_way(count=30, detents=2):
    return reports_as_logged(0.04 * np.arange(count), np.full(count, detents), interval_s=0.04)


def test_a_long_queue_one_way_is_no_queue():
    free, queued = (replay(one_way(), [0.1, 1.0, 5.0], habit=h, **ROUTER) for h in (Habit(), Habit(queue=99)))
    for name in ("final_mm", "run_on_by_rung_mm", "at_ceiling_s", "peak_speed_mm_s"):
        np.testing.assert_allclose(getattr(queued, name), getattr(free, name), rtol=1e-12)


def test_a_reversal_waits_for_committed_moves():
    reports = reports_as_logged([0.0, 0.04, 0.08], [10, 10, -5], interval_s=0.04)
    queued = follow(reports, 1.0, habit=Habit(queue=8), **ROUTER)
    assert queued.extremes()[1] == pytest.approx(20.0)  # both moves run to their end
    assert settled_mm(queued) == pytest.approx(15.0)
    assert follow(reports, 1.0, **ROUTER).extremes()[1] == pytest.approx(15.0)


def test_a_short_queue_is_slow():
    # With the end of the queue never more than two moves of 0.2 mm away, the speed can't pass sqrt(2·a·0.4).
    result = replay(one_way(), 0.1, habit=Habit(queue=2), **ROUTER)
    assert result.peak_speed_mm_s[0] <= (2 * 400 * 0.4) ** 0.5
    assert result.final_mm[0] == pytest.approx(6.0)


def test_what_a_full_queue_does_with_clicks():
    wait, merge, discard = (
        replay(one_way(), 5.0, habit=Habit(queue=2, when_full=full), **ROUTER)
        for full in ("wait", "merge", "discard")
    )
    assert wait.final_mm[0] == merge.final_mm[0] == pytest.approx(300.0)
    assert discard.lost_detents[0] > 0
    assert discard.final_mm[0] == pytest.approx(300.0 - 5.0 * discard.lost_detents[0])
    assert discard.run_on_by_rung_mm[0, 0] < merge.run_on_by_rung_mm[0, 0]


# --- words -----------------------------------------------------------------------------------------------


def test_what_is_wrong_is_said():
    with pytest.raises(ValueError, match=r"too_fast = 'hope': must be one of owe, forgive, limit"):
        Habit(too_fast="hope")
    for bad in ({"too_fast": "limit"}, {"limit_mm": 3.0}, {"too_fast": "limit", "limit_mm": 0.0}):
        with pytest.raises(ValueError, match="limit_mm = .*needs one above 0"):
            Habit(**bad)
    with pytest.raises(ValueError, match=r'queue = 4 with too_fast = "limit"'):
        Habit(too_fast="limit", limit_mm=3.0, queue=4)
    with pytest.raises(ValueError, match=r"queue = 0: must be at least 1, or None for no queue"):
        Habit(queue=0)
    with pytest.raises(ValueError, match=r'queue = 4 with rung_change = "stop": committed moves can\'t be cancelled'):
        Habit(queue=4, rung_change="stop")
    with pytest.raises(ValueError, match="time_s: must be finite and never go back"):
        report_turns([1.0, 0.5], [1, 1], LINK)
    with pytest.raises(ValueError, match="detents: must be whole numbers"):
        report_turns([1.0], [0.5], LINK)
    with pytest.raises(ValueError, match=r"silence = 0.03 s: must be longer than report interval and jitter"):
        report_turns([1.0], [1], replace(LINK, silence_s=0.03))
    with pytest.raises(ValueError, match="gains_mm: the reports use 3 rungs"):
        replay(random_log(0)[0], [[1.0, 2.0]], **ROUTER)
    with pytest.raises(ValueError, match="gains_mm: must be above 0 and finite"):
        replay(one_way(), [0.0], **ROUTER)
    with pytest.raises(ValueError, match=r"more than 50000000; cut the log into parts"):
        report_turns([0.0, 1e9], [1, 1], LINK)


def test_an_empty_log_moves_nothing():
    for reports in (report_turns([], [], LINK), reports_as_logged([], [], interval_s=0.04)):
        for habit in (Habit(), Habit(speed="spread"), Habit(queue=2)):
            assert replay(reports, [1.0, 2.0], habit=habit, **ROUTER).final_mm.tolist() == [0.0, 0.0]
