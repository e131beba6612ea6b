"""Touching off: feeling for contact click by click."""

from __future__ import annotations

import math
from collections.abc import Sequence
from math import inf

import numpy as np
from numpy.typing import NDArray

from ..machine.model import Task
from .motion import Estimate, Leg, Motion, turning_s
from .person import Floats, Hand


def feel_click_s(gains_mm: Floats, motion: Motion, hand: Hand) -> Floats:
    """Time of one click that is felt for: click, let the axis settle, feel [s]."""
    settle = motion.delay_s + motion.report_interval_s / 2 + motion.rest_to_rest_s(gains_mm)
    return hand.feel_s + np.maximum(settle, 1 / hand.turn_rate_detents_s)


def feel_step_s(coarse_mm: Floats, fine_mm: Floats, motion: Motion, hand: Hand) -> Floats:
    """Time from contact felt on a coarse rung to contact felt on a finer one [s]: switch, back off by the coarse click and
    through the slack both ways, then feel; contact lies anywhere within the coarse click."""
    clicks = (coarse_mm / fine_mm + 1) / 2
    back = coarse_mm / fine_mm + 2 * motion.slack_mm / fine_mm
    return hand.switch_s + hand.look_s + turning_s(back + 1, hand) + clicks * feel_click_s(fine_mm, motion, hand)


def estimate_feel(gains_mm: Sequence[float], task: Task, motion: Motion, hand: Hand, mover: str = "click") -> Estimate:
    """Feeling for contact: the best chain of ever finer clicks within the limit, by a programme over rungs. The spread is that
    of where contact lies."""
    gains = np.sort(np.maximum(np.array(gains_mm, dtype=float), motion.motor_step_mm))
    limit = task.tolerance_mm if task.limit_mm is None else task.limit_mm
    ends, safe = gains <= task.tolerance_mm * (1 + 1e-9), gains <= limit * (1 + 1e-9)
    if not (ends & safe).any():
        lengths = {"move_mm": float(gains[0]), "most_mm": min(task.tolerance_mm, limit)}
        reason = motion.out_of_reach(task, "contact_passed", mover=mover, **lengths)
        return Estimate(mean_s=None, share_impossible=1.0, reason=reason)
    finish, after = feel_chain(gains, ends, motion, hand)
    clicks = (task.distance_mm / gains + 1) / 2
    total = np.where(safe, clicks * feel_click_s(gains, motion, hand) + finish, inf)
    first = int(total.argmin())
    return _feel_answer(gains, after, first, task, motion, hand, float(total[first]))


def feel_chain(gains: Floats, ends: NDArray[np.bool_], motion: Motion, hand: Hand) -> tuple[Floats, list[int]]:
    """Time left once contact is felt on each rung, and the rung to take next (-1: done)."""
    finish, after = np.where(ends, 0.0, inf), [-1] * len(gains)
    for i in range(1, len(gains)):
        if ends[i]:
            continue
        times = feel_step_s(gains[i], gains[:i], motion, hand) + finish[:i]
        after[i] = int(times.argmin())
        finish[i] = times[after[i]]
    return finish, after


def _feel_answer(gains: Floats, after: list[int], first: int, task: Task, motion: Motion, hand: Hand, total_s: float) -> Estimate:
    legs, variance, at, gap = [], 0.0, first, task.distance_mm
    while at >= 0:
        count = max(gap / gains[at], 1.0)
        variance += (count**2 - 1) / 12 * float(feel_click_s(gains[at], motion, hand)) ** 2
        legs.append((at, float(gap), float(count + 1) / 2))
        at, gap = after[at], float(gains[at])
    route = tuple(
        Leg(position=i + 1, gain_mm=float(gains[i]), from_mm=start, until_mm=float(gains[i]), moves=clicks)
        for i, start, clicks in legs
    )
    moves = sum(leg.moves for leg in route)
    return Estimate(mean_s=hand.start_s + total_s, sd_s=math.sqrt(variance), route=route, moves=moves, switches=len(route) - 1.0)
