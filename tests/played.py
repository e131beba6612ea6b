"""A hand played move by move: what the programme is held against."""

import math
from dataclasses import replace

import numpy as np

from jogtune.hand import chain
from jogtune.hand.actions import _moves_of, knob_actions
from jogtune.hand.controls import KnobControl
from jogtune.hand.person import Hand, Motion, goals_mm
from jogtune.machine.model import Task

X = Motion(top_speed_mm_s=100, ramp_mm_s2=400, delay_s=0.005, report_interval_s=0.04)


def draw_pair(seed: int) -> tuple[tuple[float, ...], Task, Motion, Hand]:
    """A random ladder, task, axis and hand; half of them with slack, half with re-grasping."""
    rng = np.random.default_rng(seed)
    tolerance = 10 ** rng.uniform(-2, 0)
    finest = tolerance * rng.uniform(0.1, 1)
    others = finest * 10 ** rng.uniform(0.1, 3.5, rng.integers(0, 6))
    motion = replace(
        X,
        top_speed_mm_s=10 ** rng.uniform(1, 2.3),
        ramp_mm_s2=10 ** rng.uniform(2, 3.3),
        slack_mm=0.0 if rng.random() < 0.5 else tolerance * rng.uniform(0.05, 3),
    )
    fingers = {"grasp_detents": rng.uniform(3, 13), "regrasp_s": 0.1} if rng.random() < 0.5 else {}
    hand = Hand(
        spread=rng.uniform(0.03, 0.15),
        turn_rate_detents_s=rng.uniform(8, 60),
        switch_s=rng.uniform(0.3, 1),
        **fingers,
    )
    distance = tolerance * 10 ** rng.uniform(0.3, 3.5)
    task = Task(name="t", axis="X", distance_mm=distance, tolerance_mm=tolerance, cue="eye")
    return (finest, *sorted(others.tolist())), task, motion, hand


def simulated_move_s(clicks: np.ndarray, gain: float, hand: Hand, motion: Motion) -> np.ndarray:
    """The move's time, written down again from the definition."""
    n = np.maximum(clicks, 1.0)
    turn = (n - 1) / hand.turn_rate_detents_s
    if math.isfinite(hand.grasp_detents):
        turn = turn + np.floor((n - 1) / hand.grasp_detents) * hand.regrasp_s
    ramp, top = motion.ramp_mm_s2, motion.top_speed_mm_s

    def rest(d):
        return np.where(d < top * top / ramp, 2 * np.sqrt(d / ramp), d / top + top / ramp)

    rate = np.where(turn > 0, (n - 1) / np.where(turn > 0, turn, 1.0), 0.0)
    speed = np.minimum(np.minimum(rate * gain, top), np.sqrt(n * gain * ramp))
    wait = hand.look_s + motion.delay_s + motion.report_interval_s / 2
    return wait + np.maximum(rest(n * gain), turn + np.maximum(rest(gain), speed / ramp))


def truncated_normal(rng: np.random.Generator, count: int, cut: float) -> np.ndarray:
    z = rng.standard_normal(count)
    while (bad := np.abs(z) > cut).any():
        z[bad] = rng.standard_normal(int(bad.sum()))
    return z


def simulate(gains, task, motion, hand, plan, first, seed, people=10_000) -> np.ndarray:
    """Times of people who follow the plan's choice of rung, but whose every click is drawn."""
    rng = np.random.default_rng(seed)
    take, edges = plan
    gains = np.array(gains)
    left = task.distance_mm * (1 + task.vary * rng.uniform(-1, 1, people))
    left = left[left > task.tolerance_mm / 2]
    count = len(left)
    rung, back = np.full(count, first), (rng.random(count) < 0.5) & (motion.slack_mm > 0)
    time, going, begun = np.full(count, hand.start_s), np.arange(count), False
    while len(going):
        if begun:
            j = np.searchsorted(edges, left[going]) - 1
            d = back[going].astype(int)
            other = take[rung[going], d, j]
            time[going] += np.where(other != rung[going], hand.switch_s, 0.0)
            rung[going] = other
        begun = True
        gain = gains[rung[going]]
        aim = left[going] / gain
        error = hand.spread * truncated_normal(rng, len(going), min(3.0, 0.5 / hand.spread))
        turned = np.floor(np.where(aim > hand.counted + 0.5, aim * (1 + error), aim) + 0.5) * gain
        lost = np.where(back[going], motion.slack_mm, 0.0)
        clicks = np.maximum(turned, lost) / gain
        for r in np.unique(rung[going]):
            mine = rung[going] == r
            time[going[mine]] += simulated_move_s(clicks[mine], gains[r], hand, motion)
        after = left[going] - np.maximum(turned - lost, 0.0)
        left[going], back[going] = np.abs(after), (after < 0) & (motion.slack_mm > 0)
        going = going[left[going] > task.tolerance_mm / 2]
    return time


def simulated_error(seed: int, **changes) -> tuple[float, float, float]:
    """How far the programme's mean and spread lie from those of people drawn, as shares; and the mean's own sampling error."""
    gains, task, motion, hand = draw_pair(seed)
    task = replace(task, **changes)
    answer = KnobControl(gains_mm=gains).estimate(task, motion, hand)
    grid = chain.Grid.reaching(task.tolerance_mm / 2, goals_mm(task).max())
    way = chain._find_way(_moves_of(knob_actions(gains, motion, hand), grid, hand.switch_s))
    times = simulate(gains, task, motion, hand, (way.take, grid.edges_mm), answer.route[0].position - 1, seed)
    error = times.std() / math.sqrt(len(times)) / times.mean()
    return answer.mean_s / times.mean() - 1, (answer.sd_s - times.std()) / times.mean(), error
