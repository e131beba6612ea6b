"""One move: how an axis meets a hand, and what a move takes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..axis.runon import rest_to_rest_s
from ..machine.model import Machine, Task
from ..notes import Note, Severity, Where
from .person import Floats, Hand

_GOALS = 64


@dataclass(frozen=True, kw_only=True)
class Motion:
    """What an axis and its link do to a move. Lengths in mm (degrees on a rotary axis). `motor_step_mm` is the finest move the
    motor makes, `slack_mm` what a reversal loses, `readout_step_mm` the readout's last digit. `unit` is what a person reads."""

    top_speed_mm_s: float
    ramp_mm_s2: float
    motor_step_mm: float = 0.0
    slack_mm: float = 0.0
    readout_step_mm: float = 0.0
    delay_s: float = 0.0
    report_interval_s: float = 0.0
    unit: str = "mm"

    def rest_to_rest_s(self, distance_mm: ArrayLike) -> Floats:
        return rest_to_rest_s(distance_mm, self.top_speed_mm_s, self.ramp_mm_s2)

    def out_of_reach(self, task: Task, kind: str, **figures: float | str) -> Note:
        """Why goals of a task can't be reached on this axis."""
        return Note(kind=kind, severity=Severity.MIND, where=Where(task=task.name), figures=figures, unit=self.unit)

    @classmethod
    def from_machine(cls, machine: Machine, axis: str, top_speed_mm_s: float | None = None) -> Motion:
        """The motion of one axis; `top_speed_mm_s` lowers its top speed, as while people stand near."""
        the = machine.axis(axis)
        top = the.top_speed_mm_s if top_speed_mm_s is None else min(the.top_speed_mm_s, top_speed_mm_s)
        return cls(
            top_speed_mm_s=top, ramp_mm_s2=the.ramp_mm_s2, motor_step_mm=float(1 / the.steps_per_mm), slack_mm=the.slack_mm,
            readout_step_mm=float(machine.readout.step_mm), delay_s=machine.link.delay_s,
            report_interval_s=machine.link.report_interval_s, unit=machine.shown_unit(the),
        )  # fmt: skip


def goals_mm(task: Task) -> Floats:
    """Distances of the goals a task stands for, (goals,) [mm]."""
    if not task.vary:
        return np.array([task.distance_mm])
    share = (np.arange(_GOALS) + 0.5) / _GOALS * 2 - 1
    return np.asarray(task.distance_mm * (1 + task.vary * share))


@dataclass(frozen=True, kw_only=True)
class Leg:
    """One stretch of a route: this rung, from here down to there, so many moves on average."""

    position: int
    gain_mm: float
    from_mm: float
    until_mm: float
    moves: float


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """What a task will take with one control. `mean_s` and `sd_s` are over the goals that can be reached; `mean_s` is None
    where none can. `moves` and `switches` are expected counts (clicks, while feeling for contact). `share_impossible` is the
    share of goals that can't be reached at all, and `reason` tells why."""

    mean_s: float | None
    sd_s: float = 0.0
    share_impossible: float = 0.0
    reason: Note | None = None
    route: tuple[Leg, ...] = ()
    moves: float = 0.0
    switches: float = 0.0

    @property
    def possible(self) -> bool:
        return self.share_impossible == 0.0


def turning_s(clicks: ArrayLike, hand: Hand) -> Floats:
    """Time from the first click to the last one, re-grasps included [s]."""
    gaps = np.maximum(np.asarray(clicks, dtype=float) - 1, 0.0)
    regrasps = 0.0 if math.isinf(hand.grasp_detents) else np.floor(gaps / hand.grasp_detents)
    return np.asarray(gaps / hand.turn_rate_detents_s + regrasps * hand.regrasp_s)


def move_s(clicks: ArrayLike, gain_mm: ArrayLike, hand: Hand, motion: Motion) -> Floats:
    """Time of one move: look, wait for the link, turn, and let the axis come to rest [s]. The axis is through when it has
    covered the distance from rest to rest, or has finished with the last click, whichever comes later. Within 5 % RMS of an
    axis simulated report by report."""
    gain, count = np.asarray(gain_mm, dtype=float), np.maximum(np.asarray(clicks, dtype=float), 1.0)
    turning = turning_s(count, hand)
    rate = np.divide(count - 1, turning, out=np.zeros_like(count), where=turning > 0)
    peak = np.sqrt(count * gain * motion.ramp_mm_s2)
    speed = np.minimum(np.minimum(rate * gain, motion.top_speed_mm_s), peak)
    settle = np.maximum(motion.rest_to_rest_s(gain), speed / motion.ramp_mm_s2)
    moving = np.maximum(motion.rest_to_rest_s(count * gain), turning + settle)
    return np.asarray(hand.look_s + motion.delay_s + motion.report_interval_s / 2 + moving)
