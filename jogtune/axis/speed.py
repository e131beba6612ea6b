"""How fast an axis may be turned: full-speed rate, stray click, the cap."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from ..ladder.ladder import Rung
from ..ladder.steps import ClickPattern, Drift, click_pattern, drift_drop, is_whole_step, steps_per_detent
from ..machine.model import Axis, Machine
from .resolution import real_resolution


def full_speed_turn_rate(top_speed_mm_s: float, gain_mm: float) -> float:
    """The turn rate [detents/s] above which the axis can't keep up: top speed / gain."""
    return top_speed_mm_s / gain_mm


def coarsest_gain(top_speed_mm_s: float, turn_rate_detents_s: float) -> float:
    """The largest gain [mm/detent] that an axis still follows at a turn rate."""
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
        """The coarsest gain that a steady hand and a stray click keep calm: the least of steady, calm and stray."""
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


@dataclass(frozen=True, kw_only=True)
class RungOnAxis:
    """Everything a rung does on an axis. Distances in mm or degrees, rates in detents/s.

    `dropped` is the drift per 1000 detents [motor steps] of firmware that drops remainders at every report
    of one click, cut toward zero.
    """

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
    dropped: Drift

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
        dropped=drift_drop(steps),
    )
