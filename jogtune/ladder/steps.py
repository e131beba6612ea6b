"""Whole motor steps: which rungs have them, what firmware does with remainders, drift."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import reduce

from ..machine.model import Axis, Machine
from .ladder import fraction_lcm
from .series import round_half_up


def common_whole_step(steps_per_mm: Iterable[Fraction]) -> Fraction:
    """The smallest distance that is a whole number of motor steps on every axis [mm]."""
    return reduce(fraction_lcm, (1 / steps for steps in steps_per_mm))


def machine_whole_step(machine: Machine) -> Fraction | None:
    """The common whole-step distance of a machine's exact axes, as its ladder counts distance.

    None where no axis is exact, or where the distance lies beyond the shortest reach.
    """
    exact = [axis for axis in machine.axes if axis.exact]
    if not exact:
        return None
    common = reduce(fraction_lcm, (machine.ladder_distance(axis, axis.step_mm) for axis in exact))
    reach = min(float(machine.ladder_distance(axis, Fraction(axis.reach_mm))) for axis in exact)
    return common if common <= reach else None


def steps_per_detent(machine: Machine, axis: Axis, gain_mm: Fraction) -> Fraction:
    """Motor steps per click on an axis, exact (as exact as the axis' steps per mm are).

    >>> from jogtune.machine.file import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> [str(steps_per_detent(router, router.axis(name), Fraction(1, 50))) for name in ("X", "Z")]
    ['8/5', '8']
    """
    return machine.axis_gain(axis, gain_mm) * axis.steps_per_mm


def is_whole_step(machine: Machine, axis: Axis, gain_mm: Fraction) -> bool:
    """Whether a click is a whole number of motor steps; never so on an inexact axis."""
    return axis.exact and steps_per_detent(machine, axis, gain_mm).denominator == 1


@dataclass(frozen=True, kw_only=True)
class ClickPattern:
    """The steps that successive clicks make when remainders are kept: `gaps` over one `period` of clicks.

    `gaps` holds the first 64 at most. `dead_share` is the share of clicks after which the motor makes no
    step. Source: balanced (Sturmian) sequences; gaps are floor α or ceil α and sum to α·period.
    """

    steps: Fraction
    period: int
    gaps: tuple[int, ...]
    dead_share: float

    def say(self) -> str:
        """The pattern in words."""
        shown = ", ".join(str(gap) for gap in self.gaps[:12])
        if self.period == 1:
            return f"{shown} steps every click"
        if self.period <= 12:
            return f"{shown} steps, then again"
        return f"{shown}, … steps ({self.period} clicks a round)"

    def say_short(self) -> str:
        """The pattern for a narrow table."""
        return str(self.gaps[0]) if self.period == 1 else " ".join(str(gap) for gap in self.gaps[:6]) + " …"


def click_pattern(steps: Fraction) -> ClickPattern:
    """Steps per click over one period, rounded by floor(kα + ½).

    >>> click_pattern(Fraction(1, 4)).gaps, click_pattern(Fraction(1, 4)).dead_share
    ((0, 1, 0, 0), 0.75)
    """
    shown = min(steps.denominator, 64)
    totals = [round_half_up(k * steps) for k in range(shown + 1)]
    gaps = tuple(b - a for a, b in itertools.pairwise(totals))
    return ClickPattern(
        steps=steps, period=steps.denominator, gaps=gaps, dead_share=max(0.0, 1.0 - float(steps))
    )


@dataclass(frozen=True, kw_only=True)
class Drift:
    """Error of position after 1000 detents one way, and after 1000 there and 1000 back [motor steps].

    Negative: short of the count. `bound_steps` is the most the error ever is where it stays bounded.
    """

    one_way_steps: float
    return_steps: float
    bound_steps: float | None = None


def drift_carry() -> Drift:
    """Remainders kept: at most half a step, for ever.

    >>> drift_carry().bound_steps
    0.5
    """
    return Drift(one_way_steps=0.0, return_steps=0.0, bound_steps=0.5)


def drift_drop(steps: Fraction, *, detents_per_report: int = 1, toward: str = "zero") -> Drift:
    """Remainders lost at each report, cut toward "zero" or always down ("floor", which ratchets).

    With n detents a report and α steps a detent, 1000·frac(n·α)/n steps are lost each 1000 detents.

    >>> drift_drop(Fraction(8, 5)).one_way_steps
    -600.0
    >>> drift_drop(Fraction(8, 5), toward="floor").return_steps
    -1000.0
    """
    n = detents_per_report
    lost = (n * steps) % 1
    one_way = -float(1000 * lost / n)
    if toward == "zero":
        return Drift(one_way_steps=one_way, return_steps=0.0)
    if toward != "floor":
        raise ValueError(f'toward = "{toward}": must be "zero" or "floor"')
    return Drift(one_way_steps=one_way, return_steps=-1000 / n if lost else 0.0)


def drift_rounded_steps(gain_mm: Fraction, steps_per_mm: Fraction, *, decimals: int) -> Drift:
    """Steps per mm stored with so many decimals: an error in proportion to distance, gone on return."""
    stored = Fraction(round_half_up(steps_per_mm * 10**decimals), 10**decimals)
    return Drift(one_way_steps=float(1000 * gain_mm * (stored - steps_per_mm)), return_steps=0.0)


def drift_rounded_distance(
    gain_mm: Fraction, steps_per_mm: Fraction, *, decimals: int, detents_per_report: int = 1
) -> Drift:
    """Each report's distance sent with so many decimals (0.0125 sent as 0.013)."""
    n = detents_per_report
    sent = Fraction(round_half_up(n * gain_mm * 10**decimals), 10**decimals)
    return Drift(one_way_steps=float(1000 * (sent - n * gain_mm) * steps_per_mm / n), return_steps=0.0)
