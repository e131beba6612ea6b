"""How fast an axis may be turned: full-speed rate, stray click, the cap."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..machine.model import Axis, Machine


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
