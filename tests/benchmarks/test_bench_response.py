"""How fast an hour of turning is replayed on many ladders, as a ratio to ruckig in the same run."""

from __future__ import annotations

import time

import numpy as np
import ruckig

from jogtune.design import response as r

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
    return r.reports_as_logged(times, detents, interval_s=INTERVAL_S, rung=rung)


def ladders(count, seed=5):
    """Gains of six rungs on each ladder [mm]: from 0.01 mm up to more than the axis can follow."""
    return np.sort(10 ** np.random.default_rng(seed).uniform(-2, 0.5, (count, 6)), axis=1)


def with_ruckig(reports, gains):
    """The same reports through ruckig in a Python loop, a new target at each report; end, peak, seconds."""
    otg, trajectory = ruckig.Ruckig(1), ruckig.Trajectory(1)
    task = ruckig.InputParameter(1)
    task.max_velocity, task.max_acceleration = [TOP_MM_S], [RAMP_MM_S2]
    jumps = (gains[reports.rung] * reports.detents).tolist()
    x, v, target, states = 0.0, 0.0, 0.0, []
    began = time.perf_counter()
    for jump in jumps:
        if True:
            target += jump
            task.current_position, task.current_velocity, task.target_position = [x], [v], [target]
            otg.calculate(task, trajectory)
            (x,), (v,), _ = trajectory.at_time(INTERVAL_S)
        states.append((x, v))
    return np.array(states), time.perf_counter() - began


def timed(function, rounds=3):
    """The best of some runs [s], and the last result."""
    times = []
    for _ in range(rounds):
        began = time.perf_counter()
        result = function()
        times.append(time.perf_counter() - began)
    return min(times), result
