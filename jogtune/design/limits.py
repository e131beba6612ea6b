"""What each axis, link and hand allow: the finest and coarsest rung, and what a rung does on an axis."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from ..ladder import ClickPattern, Ladder, Rung, click_pattern, is_whole_step, steps_per_detent
from ..machine import Axis, Machine

STEP_ACCURACY_SHARE = 0.05  # ±5 % of a full step, not accumulating: motor makers' data sheets


# ------------------------------------------------------------------ resolution


@dataclass(frozen=True, kw_only=True)
class Resolution:
    """The finest move an axis really honours [mm or degrees], and what it is made of.

    `one_way_mm` holds when the last approach came from the same side, `reversed_mm` after a reversal.
    """

    step_mm: float
    motor_mm: float | None
    friction_mm: float | None
    slack_mm: float

    @property
    def one_way_mm(self) -> float:
        """The largest of one step, the motor's accuracy and what friction holds back."""
        return max(self.step_mm, self.motor_mm or 0.0, self.friction_mm or 0.0)

    @property
    def reversed_mm(self) -> float:
        """The same with the slack on top."""
        return self.one_way_mm + self.slack_mm


def friction_lag(full_step_mm: float, friction_share: float) -> float:
    """How far a motor lags before its torque beats friction: asin(share)/90° of a full step [mm].

    >>> round(friction_lag(40 / 200, 0.20), 3)  # 20 % on 40 mm a turn
    0.026
    """
    return math.degrees(math.asin(friction_share)) / 90 * full_step_mm


def incremental_torque_share(divide: int) -> float:
    """Torque of one microstep of lag as a share of holding torque: sin(90°/N). It is not a loss of torque.

    >>> round(100 * incremental_torque_share(16), 4)
    9.8017
    """
    return math.sin(math.radians(90 / divide))


def real_resolution(axis: Axis) -> Resolution:
    """What resolution is real on an axis. Motor and friction are None where the file can't tell them."""
    full = None if axis.full_step_mm is None else float(axis.full_step_mm)
    friction = None
    if full is not None and axis.friction_share:
        friction = friction_lag(full, axis.friction_share)
    return Resolution(
        step_mm=float(axis.step_mm),
        motor_mm=None if full is None else STEP_ACCURACY_SHARE * full,
        friction_mm=friction,
        slack_mm=axis.slack_mm,
    )


# ------------------------------------------------------------------ speed


def full_speed_turn_rate(top_speed_mm_s: float, gain_mm: float) -> float:
    """The turn rate [detents/s] above which the axis can't keep up: top speed / gain.

    >>> full_speed_turn_rate(100.0, 5.0)
    20.0
    """
    return top_speed_mm_s / gain_mm


def coarsest_gain(top_speed_mm_s: float, turn_rate_detents_s: float) -> float:
    """The largest gain [mm/detent] that an axis still follows at a turn rate.

    >>> coarsest_gain(100.0, 12.5)
    8.0
    """
    return top_speed_mm_s / turn_rate_detents_s


def stray_click_speed(gain_mm: float, top_speed_mm_s: float, ramp_mm_s2: float) -> float:
    """The peak speed [mm/s] of one accidental click from rest: √(gain·ramp), at most the top speed.

    >>> stray_click_speed(1.0, 50.0, 400.0)
    20.0
    """
    return min(top_speed_mm_s, math.sqrt(gain_mm * ramp_mm_s2))


@dataclass(frozen=True, kw_only=True)
class AxisLimits:
    """The gains an axis allows [mm or degrees per detent], each with what sets it.

    `steady_mm`: top speed at the steady turn rate; `fastest_mm`: at the fastest; `calm_mm`: the calm speed
    at the steady rate, and `stray_mm`: one stray click stays below it (None where the file gives no calm
    speed); `finest_mm`: the larger of wish and motor step.
    """

    finest_mm: float
    steady_mm: float
    fastest_mm: float
    calm_mm: float | None
    stray_mm: float | None

    @property
    def cap_mm(self) -> float:
        """The coarsest gain advised while someone stands near: the least of steady, calm and stray."""
        return min(limit for limit in (self.steady_mm, self.calm_mm, self.stray_mm) if limit is not None)


def derive_limits(machine: Machine, axis: Axis) -> AxisLimits:
    """The finest and coarsest gain that motor, speed and hand allow on an axis."""
    steady, fastest = machine.knob.steady_detents_s, machine.knob.fastest_detents_s
    calm = axis.calm_speed_mm_s
    return AxisLimits(
        finest_mm=float(max(axis.finest_mm, axis.step_mm)),
        steady_mm=coarsest_gain(axis.top_speed_mm_s, steady),
        fastest_mm=coarsest_gain(axis.top_speed_mm_s, fastest),
        calm_mm=None if calm is None else coarsest_gain(calm, steady),
        stray_mm=None if calm is None or calm >= axis.top_speed_mm_s else calm**2 / axis.ramp_mm_s2,
    )


# ------------------------------------------------------------------ one rung on one axis


@dataclass(frozen=True, kw_only=True)
class RungOnAxis:
    """Everything a rung does on an axis. Distances in mm or degrees, rates in detents/s."""

    axis: str
    gain_mm: Fraction
    steps_per_detent: Fraction
    whole_step: bool
    pattern: ClickPattern
    full_speed_turn_rate: float
    top_speed_mm_s: float
    turns_to_cross: float
    stray_click_speed_mm_s: float
    one_way_mm: float
    reversed_mm: float
    above_cap: bool
    outruns_steady: bool

    @property
    def finer_than_real(self) -> str | None:
        """Why the machine can't honour so fine a rung, or None: "one way" or "after a reversal"."""
        gain = float(self.gain_mm)
        if gain < self.one_way_mm * (1 - 1e-12):
            return "one way"
        return "after a reversal" if gain < self.reversed_mm * (1 - 1e-12) else None


def derive_rung(machine: Machine, axis: Axis, rung: Rung) -> RungOnAxis:
    """What a rung does on an axis of a machine."""
    gain = machine.axis_gain(axis, rung.gain_mm)
    steps = steps_per_detent(machine, axis, rung.gain_mm)
    limits, real = derive_limits(machine, axis), real_resolution(axis)
    return RungOnAxis(
        axis=axis.name,
        gain_mm=gain,
        steps_per_detent=steps,
        whole_step=is_whole_step(machine, axis, rung.gain_mm),
        pattern=click_pattern(steps),
        full_speed_turn_rate=full_speed_turn_rate(axis.top_speed_mm_s, float(gain)),
        top_speed_mm_s=axis.top_speed_mm_s,
        turns_to_cross=axis.reach_mm / float(gain) / machine.knob.detents_per_turn,
        stray_click_speed_mm_s=stray_click_speed(float(gain), axis.top_speed_mm_s, axis.ramp_mm_s2),
        one_way_mm=real.one_way_mm,
        reversed_mm=real.reversed_mm,
        above_cap=float(gain) > limits.cap_mm * (1 + 1e-12),
        outruns_steady=float(gain) > limits.steady_mm * (1 + 1e-12),
    )


def highest_position(machine: Machine, axis: Axis, ladder: Ladder) -> int:
    """The highest selector position advised on an axis while someone stands near; 0 where none is."""
    rungs = (derive_rung(machine, axis, rung) for rung in ladder.rungs)
    return sum(1 for rung in rungs if not rung.above_cap)
