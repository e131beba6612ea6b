"""Whole motor steps, click patterns, drift."""

import itertools
from dataclasses import dataclass
from fractions import Fraction
from functools import reduce

from ..machine.model import Axis, Machine
from .ladder import fraction_lcm, round_half_up


def machine_whole_step(machine: Machine) -> Fraction | None:
    """The common whole-step distance of the exact axes read in the shown unit [mm].

    None where no axis is exact, or where the distance lies beyond the shortest reach."""
    exact = [axis for axis in machine.main_axes if axis.exact]
    if not exact:
        return None
    common = reduce(fraction_lcm, (axis.step_mm for axis in exact))
    return common if common <= min(axis.reach_mm for axis in exact) else None


def steps_per_detent(axis: Axis, gain_mm: Fraction) -> Fraction:
    """Motor steps per click on an axis, exact (as exact as the axis' steps per mm are)."""
    return gain_mm * axis.steps_per_mm


def is_whole_step(axis: Axis, gain_mm: Fraction) -> bool:
    """Whether a click is a whole number of motor steps; never so on an inexact axis."""
    return axis.exact and steps_per_detent(axis, gain_mm).denominator == 1


@dataclass(frozen=True, kw_only=True)
class _ClickPattern:
    """The steps that successive clicks make when remainders are kept: `gaps` over one `period` of clicks.

    `gaps` holds the first 64 at most. `dead_share` is the share of clicks after which the motor makes no step. Source: balanced
    (Sturmian) sequences; gaps are floor α or ceil α and sum to α·period."""

    period: int
    gaps: tuple[int, ...]
    dead_share: float


def first_gaps(steps: Fraction, clicks: int = 5) -> list[int]:
    """The steps that the first clicks make where remainders are kept: totals are rounded by floor(kα + ½)."""
    totals = [round_half_up(k * steps) for k in range(clicks + 1)]
    return [b - a for a, b in itertools.pairwise(totals)]


def click_pattern(steps: Fraction) -> _ClickPattern:
    """Steps per click over one period.

    >>> click_pattern(Fraction(1, 4)).gaps, click_pattern(Fraction(1, 4)).dead_share
    ((0, 1, 0, 0), 0.75)
    """
    gaps, dead = tuple(first_gaps(steps, min(steps.denominator, 64))), max(0.0, 1.0 - float(steps))
    return _ClickPattern(period=steps.denominator, gaps=gaps, dead_share=dead)


@dataclass(frozen=True, kw_only=True)
class _Drift:
    """Error of position after 1000 detents one way, and after 1000 there and 1000 back [motor steps].

    Negative: short of the count. `bound_steps` is the most the error ever is where it stays bounded."""

    one_way_steps: float
    return_steps: float
    bound_steps: float | None = None


def drift_carry() -> _Drift:
    """Remainders kept: at most half a step, for ever."""
    return _Drift(one_way_steps=0.0, return_steps=0.0, bound_steps=0.5)


def drift_drop(steps: Fraction) -> _Drift:
    """Remainders of each click cut toward zero: with α steps a detent 1000·frac(α) are lost each 1000 detents."""
    return _Drift(one_way_steps=-float(1000 * (steps % 1)), return_steps=0.0)
