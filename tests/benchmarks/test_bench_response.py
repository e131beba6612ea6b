"""How fast an hour of turning is replayed on many ladders, as a ratio to ruckig in the same run.

Times are the process' own (one thread), so that what else the machine does counts less.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import ruckig
from cost import best_of

from jogtune.axis.follow import Habit
from jogtune.axis.lanes import replay
from jogtune.axis.link import reports_as_logged

TOP_MM_S, RAMP_MM_S2, INTERVAL_S = 100.0, 400.0, 0.04
LADDERS = 64


def hour_of_turning(seed=7, hours=1.0, share=1 / 3):
    """Simulated clicks per report at 25 reports/s: bursts of 0.4 to 2.6 s with rests of any length between.

    Exactly `share` of the reports carry clicks, one or two each, so that idle time can't flatter a ratio.
    """
    rng = np.random.default_rng(seed)
    count = round(hours * 3600 / INTERVAL_S)
    lengths = rng.integers(10, 65, count)
    lengths = lengths[: np.searchsorted(np.cumsum(lengths), round(count * share)) + 1]
    lengths[-1] -= lengths.sum() - round(count * share)
    rests = rng.exponential(size=len(lengths)) + 0.1
    rests = np.floor(rests / rests.sum() * (count - lengths.sum())).astype(int)
    detents, at = np.zeros(count, dtype=int), 0
    for length, rest in zip(lengths, rests, strict=True):
        burst = rng.choice([-1, 1]) * rng.integers(1, 3, length)
        if rng.random() < 0.3:
            burst[rng.integers(length) :] *= -1
        detents[at : at + length] = burst
        at += length + rest
    return detents


def reports_of(detents):
    times = INTERVAL_S * np.arange(len(detents))
    rung = np.repeat(np.random.default_rng(3).integers(0, 6, len(detents) // 500 + 1), 500)[: len(detents)]
    return reports_as_logged(times, detents, interval_s=INTERVAL_S, rung=rung)


def ladders(count, seed=5):
    """Gains of six rungs on each ladder [mm]: from 0.01 mm up to more than the axis can follow."""
    return np.sort(10 ** np.random.default_rng(seed).uniform(-2, 0.5, (count, 6)), axis=1)


def with_ruckig(reports, gains):
    """The same reports through ruckig in a Python loop, a new target at each: states before each, seconds.

    Asked to start afresh from a state that already brakes onto its target, ruckig 0.19.4 sometimes finds no
    solution; the loop then goes on along the way it had.
    """
    otg, trajectory, spare = ruckig.Ruckig(1), ruckig.Trajectory(1), ruckig.Trajectory(1)
    task = ruckig.InputParameter(1)
    task.max_velocity, task.max_acceleration = [TOP_MM_S], [RAMP_MM_S2]
    jumps = (gains[reports.rung] * reports.detents).tolist()
    x, v, target, elapsed, states = 0.0, 0.0, 0.0, 0.0, []
    began = time.process_time()
    for jump in jumps:
        states.append((x, v))
        target += jump
        task.current_position, task.current_velocity, task.target_position = [x], [v], [target]
        try:
            otg.calculate(task, spare)
            trajectory, spare, elapsed = spare, trajectory, INTERVAL_S
        except ruckig.RuckigError:
            elapsed += INTERVAL_S
        (x,), (v,), _ = trajectory.at_time(elapsed)
    seconds = time.process_time() - began
    return np.array([*states, (x, v)]), np.cumsum(jumps), seconds


def run_on_of(reports, states, targets):
    """The farthest the axis gets after each burst's last report, from ruckig's states, and the greatest of all."""
    clicks = np.flatnonzero(reports.detents)
    last = clicks[np.append(np.diff(reports.time_s[clicks]) > 0.3, True)]
    x, v = states[last].T
    away, stop = targets[last] - x, v * np.abs(v) / (2 * RAMP_MM_S2)
    return np.maximum(np.abs(away), np.where((away - stop) * v < 0, np.abs(stop), 0.0)).max()


def replayed(reports, gains, habit=None):
    return replay(reports, gains, top_speed_mm_s=TOP_MM_S, ramp_mm_s2=RAMP_MM_S2, habit=habit)


def test_an_hour_on_64_ladders_against_ruckig():
    """At least 50 times ruckig's speed per lane-report, in one run on one core, at equal results."""
    detents = hour_of_turning()
    assert len(detents) == 90_000
    assert (detents != 0).mean() == pytest.approx(1 / 3, abs=1e-4)
    reports, gains = reports_of(detents), ladders(LADDERS)
    seconds, result = best_of(5, lambda: replayed(reports, gains))
    ours, theirs = [seconds / (LADDERS * len(detents))], []
    for i in range(0, LADDERS, 8):
        states, targets, seconds = with_ruckig(reports, gains[i])
        theirs.append(seconds / len(detents))
        # by turns, so that a busy machine slows both
        ours.append(best_of(1, lambda: replayed(reports, gains))[0] / (LADDERS * len(detents)))
        scale = max(np.abs(targets).max(), TOP_MM_S**2 / 2 / RAMP_MM_S2)
        assert result.final_mm[i] == pytest.approx(targets[-1], abs=1e-9 * scale)
        assert states[-1, 0] == pytest.approx(result.final_mm[i], abs=1e-9 * scale)
        assert run_on_of(reports, states, targets) == pytest.approx(result.run_on_by_rung_mm[:, i].max(), abs=1e-9 * scale)
        assert np.abs(states[:, 1]).max() <= result.peak_speed_mm_s[i] * (1 + 1e-9)
    ratio = min(theirs) / min(ours)
    print(f"\nlane-report: ruckig {min(theirs) * 1e9:.0f} ns, replay {min(ours) * 1e9:.1f} ns, ratio {ratio:.0f}")
    assert ratio >= 50


def test_a_limit_costs_little_more_than_owing():
    reports, gains = reports_of(hour_of_turning(hours=0.25)), ladders(LADDERS)
    limit, times = Habit(too_fast="limit", limit_mm=8.0), []
    for habit in (Habit(), limit) * 4:  # by turns, so that a busy machine slows both
        seconds, result = best_of(1, lambda habit=habit: replayed(reports, gains, habit))
        times.append(seconds)
    ratio = min(times[1::2]) / min(times[0::2])
    print(f"\na limit against owing: {ratio:.2f} times the cost; {result.lost_detents.sum()} clicks lost")
    assert result.lost_detents.any()
    assert ratio <= 1.5


def peak_memory_mb(ladder_count):
    """Peak memory [MB] of a fresh process that replays an hour on so many ladders; None where unknown."""
    script = (
        "from test_bench_response import *\n"
        f"replayed(reports_of(hour_of_turning()), ladders({ladder_count}))\n"
        "from cost import peak_mb\nprint(peak_mb())\n"
    )
    here = Path(__file__).parent
    path = os.pathsep.join([str(here), str(here.parent.parent), os.environ.get("PYTHONPATH", "")])
    run = subprocess.run(
        [sys.executable, "-c", script], env=os.environ | {"PYTHONPATH": path}, capture_output=True, text=True, check=True
    )
    return float(run.stdout)


def test_memory_of_an_hour_on_1000_ladders():
    used = peak_memory_mb(1000)
    print(f"\nan hour on 1,000 ladders: {used:.0f} MB at most, the libraries included")
    assert used < 500


@pytest.mark.heavy
def test_cost_table():
    """Prints how the cost grows with ladders, hours, share of turning and habit."""
    print("\n| hours | ladders | share of reports with clicks | habit | s | ns a lane-report |")
    print("|---|---|---|---|---|---|")
    plans = [(1, n, 1 / 3, Habit()) for n in (1, 6, 64, 256, 1000)]
    plans += [(h, 64, 1 / 3, Habit()) for h in (4, 8)] + [(1, 64, share, Habit()) for share in (0.1, 0.61)]
    plans += [(1, 64, 1 / 3, Habit(too_fast="forgive"))]
    plans += [(1, 6, 1 / 3, h) for h in (Habit(speed="spread"), Habit(queue=8))]  # one ladder at a time
    for hours, count, share, habit in plans:
        reports, gains = reports_of(hour_of_turning(hours=hours, share=share)), ladders(count)
        seconds, _ = best_of(2, lambda reports=reports, gains=gains, habit=habit: replayed(reports, gains, habit))
        each = seconds / count / len(reports.time_s) * 1e9
        words = f"{habit.too_fast}, {habit.speed}" + (f", queue of {habit.queue}" if habit.queue else "")
        print(f"| {hours} | {count} | {share:.0%} | {words} | {seconds:.3f} | {each:.1f} |")
