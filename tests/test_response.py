"""The pursuit against ruckig and published tables, its invariants, and the replay of whole logs."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import ruckig

from jogtune.design import response as r

REFERENCE = Path(__file__).parent.parent / "datasets" / "reference"


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
            x, v = r.pursue_once(x, v, target, cap, ramp, dt)
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


def rest_rows():
    with (REFERENCE / "motion_rest_to_target.csv").open() as file:
        return [row for row in csv.DictReader(file) if float(row["v_end_mm_s"]) == 0]


@pytest.mark.parametrize("row", rest_rows(), ids=lambda row: row["id"])
def test_published_moves(row):
    # Source: datasets/reference/motion_rest_to_target.csv, computed with ruckig 0.19.4; 6 decimals printed.
    v0, goal, top, ramp = (float(row[k]) for k in ("v0_mm_s", "distance_mm", "v_max_mm_s", "a_max_mm_s2"))
    duration = float(row["duration_s"])
    assert r.rest_time_s(0.0, v0, goal, top, ramp) == pytest.approx(duration, abs=5.1e-7)
    assert r.pursue_once(0.0, v0, goal, top, ramp, duration + 1e-6) == (goal, 0.0)
    # The printed peaks are the highest of 20,001 samples over the move: for M1 that is 27.384788, a little
    # under the true peak of sqrt(750) = 27.386128 mm/s.
    peak = float(row["peak_velocity_mm_s"])
    exact_duration = float(r.rest_time_s(0.0, v0, goal, top, ramp))
    _, v = r.pursue(0.0, v0, goal, top, ramp, np.linspace(0, exact_duration, 20001))
    assert (np.sign(peak) * v).max() == pytest.approx(abs(peak), abs=5.1e-7)


def test_peak_between_samples():
    # Worked by hand: M1 turns back 1.5 mm beyond its goal, so its peak on the way back is sqrt(500 * 1.5).
    x, v = r.pursue(0.0, 50.0, 1.0, 50.0, 500.0, 0.1)
    assert r.pursuit_extremes(x, v, 1.0, 50.0, 500.0, 1.0)[2] == pytest.approx(750**0.5, rel=1e-14)


def test_extremes_where_ruckig_errs():
    # Source: the note on ruckig 0.19.4 beside that table: true overshoot of M1 is 2.5 mm = v0²/2a, the true
    # minimum of M2 -0.4 mm; ruckig's own position_extrema gets both wrong.
    assert r.pursuit_extremes(0.0, 50.0, 1.0, 50.0, 500.0, 1.0)[1] == 2.5
    assert r.pursuit_extremes(0.0, -20.0, 5.0, 50.0, 500.0, 1.0)[0] == pytest.approx(-0.4, abs=1e-15)


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
    plain = np.array([r.pursue_once(*numbers) for numbers in zip(*case, strict=True)])
    np.testing.assert_array_equal(np.column_stack(r.pursue(*case)), plain)


@pytest.mark.parametrize("seed", range(3))
def test_pursuit_invariants(seed):
    x, v, target, top, ramp, dt = states(seed)
    x1, v1 = r.pursue(x, v, target, top, ramp, dt)
    low, high, fastest = r.pursuit_extremes(x, v, target, top, ramp, dt)
    assert (fastest <= np.maximum(np.abs(v), top) * (1 + 1e-12)).all()
    assert (np.abs(v1 - v) <= ramp * dt * (1 + 1e-9) + 1e-9 * top).all()
    mirrored_x, mirrored_v = r.pursue(-x, -v, -target, top, ramp, dt)
    np.testing.assert_allclose(mirrored_x, -x1, rtol=0, atol=1e-9)
    np.testing.assert_allclose(mirrored_v, -v1, rtol=0, atol=1e-9)
    share = np.random.default_rng(seed).random(len(x))
    half = r.pursue(x, v, target, top, ramp, dt * share)
    x2, v2 = r.pursue(*half, target, top, ramp, dt * (1 - share))
    scale = np.maximum.reduce([np.abs(x1), np.abs(target), top**2 / 2 / ramp, top * dt])
    assert (np.abs(x2 - x1) <= 1e-9 * scale).all()
    assert (np.abs(v2 - v1) <= 1e-9 * np.maximum(top, np.abs(v))).all()
    assert (low <= np.minimum(x, half[0]) + 1e-12 * scale).all()
    assert (high >= np.maximum(x, half[0]) - 1e-12 * scale).all()


def test_pursuit_says_what_is_wrong():
    with pytest.raises(ValueError, match="top_mm_s: must not be below 0; ramp_mm_s2: must be above 0"):
        r.pursue(0.0, 0.0, 1.0, -1.0, 0.0, 0.1)
    with pytest.raises(ValueError, match="dt_s: must be finite"):
        r.pursue(0.0, 0.0, 1.0, 1.0, 1.0, float("nan"))
