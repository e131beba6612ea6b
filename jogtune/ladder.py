"""Ladders and rungs, number series, and exact whole-step arithmetic.

A ladder is a base distance and whole-number multipliers on it, one per selector position. All of it is
exact: gains and steps are fractions, so 1/80 mm is 1/80 mm.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import reduce
from types import MappingProxyType

from .machine import Axis, Machine
from .units import in_unit, is_plain, say_distance, significant_digits

__all__ = [
    "SERIES_NAMES", "ClickPattern", "Drift", "Ladder", "Rung", "SeriesValue", "click_pattern",
    "common_whole_step", "drift_carry", "drift_drop", "drift_rounded_distance", "drift_rounded_steps",
    "fraction_gcd", "fraction_lcm", "is_whole_step", "machine_whole_step", "plainness", "round_half_up",
    "series_values", "steps_per_detent", "unevenness",
]  # fmt: skip

# Significands of one decade. Renard series: ISO 3. The others: common practice, no source.
SERIES: Mapping[str, tuple[Fraction, ...]] = MappingProxyType({
    name: tuple(Fraction(value) for value in values.split())
    for name, values in {
        "1-10-100": "1",
        "1-2-5": "1 2 5",
        "1-3-10": "1 3",
        "R5": "1 1.6 2.5 4 6.3",
        "R10": "1 1.25 1.6 2 2.5 3.15 4 5 6.3 8",
        "R'10": "1 1.25 1.6 2 2.5 3.2 4 5 6.3 8",
        'R"5': "1 1.5 2.5 4 6",
        'R"10': "1 1.2 1.5 2 2.5 3 4 5 6 8",
    }.items()
})  # fmt: skip
SERIES_NAMES = (*SERIES, "doubling", "plain")
"""The number series that `series_values` knows by name."""


@dataclass(frozen=True, kw_only=True)
class SeriesValue:
    """One whole multiplier of a series, and how far rounding moved it (as a share of the exact value).

    >>> value = series_values("R5", 10)[1]
    >>> value.multiplier, str(value.exact), round(value.deviation, 2)
    (2, '8/5', 0.25)
    """

    multiplier: int
    exact: Fraction

    @property
    def deviation(self) -> float:
        """Share by which the whole multiplier departs from the series' own value."""
        return float(self.multiplier / self.exact - 1)


def round_half_up(value: Fraction) -> int:
    """floor(x + 1/2). Python's own `round` sends halves to even and breaks a click pattern's period.

    >>> [round_half_up(Fraction(k, 2)) for k in (1, 3, 5, -1)]
    [1, 2, 3, 0]
    """
    return math.floor(value + Fraction(1, 2))


def series_values(series: str, highest: int, *, base: Fraction = Fraction(1)) -> tuple[SeriesValue, ...]:
    """The whole multipliers of a number series from 1 to `highest`, ascending, each once.

    `series` is one of `SERIES_NAMES` or a person's own list: "1, 4, 20, 100" stands for itself. "plain"
    keeps those whose gain is 1, 2 or 5 × 10ⁿ of the base's own unit. Raises ValueError with the cure.

    >>> SERIES_NAMES[:4]
    ('1-10-100', '1-2-5', '1-3-10', 'R5')
    >>> [value.multiplier for value in series_values("R5", 10)]
    [1, 2, 3, 4, 6, 10]
    """
    exact = _exact_values(series, highest, base)
    kept: dict[int, SeriesValue] = {}
    for value in exact:
        found = SeriesValue(multiplier=round_half_up(value), exact=value)
        best = kept.get(found.multiplier)
        if found.multiplier <= highest and (best is None or abs(found.deviation) < abs(best.deviation)):
            kept[found.multiplier] = found
    return tuple(kept[key] for key in sorted(kept))


def _exact_values(series: str, highest: int, base: Fraction) -> list[Fraction]:
    if series == "doubling":
        return [Fraction(2**n) for n in range(highest.bit_length())]
    if series == "plain":
        return _plain_multipliers(base, highest)
    significands = SERIES.get(series)
    if significands is None:
        return _own_series(series)
    decades = range(len(str(highest)) + 1)
    return [s * 10**n for n in decades for s in significands if s * 10**n <= highest]


def _plain_multipliers(base: Fraction, highest: int) -> list[Fraction]:
    low = math.floor(math.log10(base)) - 1
    gains = (Fraction(s) * Fraction(10) ** n for n in range(low, low + len(str(highest)) + 3) for s in (1, 2, 5))
    ratios = (gain / base for gain in gains)
    return sorted({Fraction(1), *(r for r in ratios if r.denominator == 1 and 1 <= r <= highest)})


def _own_series(text: str) -> list[Fraction]:
    parts = [part for part in re.split(r"[,;\s]+", text.strip()) if part]
    if not parts or not all(re.fullmatch(r"[0-9]{1,9}", part) for part in parts):
        names = ", ".join(SERIES_NAMES)
        raise ValueError(f'is not a known series: use one of {names}, or your own whole numbers "1, 4, 20, 100"')
    numbers = [int(part) for part in parts]
    if numbers[0] < 1 or any(b <= a for a, b in itertools.pairwise(numbers)):
        raise ValueError('must rise from 1 or more without repeats, as in "1, 4, 20, 100"')
    return [Fraction(number) for number in numbers]


@dataclass(frozen=True, kw_only=True)
class Rung:
    """One setting of the selector: its position (1 is the finest), whole multiplier and gain [mm/detent].

    >>> Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100)).rungs[2]
    Rung(position=3, multiplier=100, gain_mm=Fraction(2, 1))
    """

    position: int
    multiplier: int
    gain_mm: Fraction


@dataclass(frozen=True, kw_only=True)
class Ladder:
    """The whole set of settings: base [mm] × whole multipliers, ascending; `show_in` is the person's unit.

    >>> [str(gain) for gain in Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100)).gains_mm]
    ['1/50', '1/5', '2']
    """

    base_mm: Fraction
    multipliers: tuple[int, ...]
    show_in: str = "mm"

    def __post_init__(self) -> None:
        if self.base_mm <= 0:
            raise ValueError(f"base_mm = {self.base_mm}: must be above 0")
        pairs = itertools.pairwise(self.multipliers)
        if not self.multipliers or self.multipliers[0] < 1 or any(b <= a for a, b in pairs):
            raise ValueError(f"multipliers = {self.multipliers}: must be whole numbers that rise from 1 or more")

    @classmethod
    def from_gains(cls, gains_mm: Iterable[Fraction], *, show_in: str = "mm") -> Ladder:
        """The ladder of given gains; its base is the largest distance that divides them all.

        >>> Ladder.from_gains([Fraction(1, 100), Fraction(1, 10), Fraction(1)]).multipliers
        (1, 10, 100)
        """
        gains = sorted(set(gains_mm))
        if not gains or gains[0] <= 0:
            raise ValueError("gains must be above 0, and at least one")
        base = reduce(fraction_gcd, gains)
        multipliers = tuple(int(gain / base) for gain in gains)
        return cls(base_mm=base, multipliers=multipliers, show_in=show_in)

    @property
    def gains_mm(self) -> tuple[Fraction, ...]:
        """The distance per detent on each rung [mm], ascending."""
        return tuple(m * self.base_mm for m in self.multipliers)

    @property
    def rungs(self) -> tuple[Rung, ...]:
        """The rungs, finest first, positions counted from 1."""
        numbered = enumerate(self.multipliers, start=1)
        return tuple(Rung(position=n, multiplier=m, gain_mm=m * self.base_mm) for n, m in numbered)

    @property
    def ratios(self) -> tuple[float, ...]:
        """The factor from each rung to the next."""
        pairs = itertools.pairwise(self.multipliers)
        return tuple(b / a for a, b in pairs)

    def say(self) -> str:
        """The gains in the person's unit.

        >>> Ladder(base_mm=Fraction(127, 5000), multipliers=(1, 10), show_in="in").say()
        '0.001, 0.01 in'
        """
        numbers = [say_distance(gain, self.show_in).split()[0] for gain in self.gains_mm]
        return f"{', '.join(numbers)} {self.show_in}"


# ------------------------------------------------------------------ whole steps


def fraction_gcd(a: Fraction, b: Fraction) -> Fraction:
    """The largest distance that divides both.

    >>> fraction_gcd(Fraction(1, 2), Fraction(1, 3))
    Fraction(1, 6)
    """
    below = math.lcm(a.denominator, b.denominator)
    return Fraction(math.gcd(int(a * below), int(b * below)), below)


def fraction_lcm(a: Fraction, b: Fraction) -> Fraction:
    """The smallest distance that is a whole multiple of both.

    >>> fraction_lcm(Fraction(1, 80), Fraction(3, 1600))
    Fraction(3, 80)
    """
    return a * b / fraction_gcd(a, b)


def common_whole_step(steps_per_mm: Iterable[Fraction]) -> Fraction:
    """The smallest distance that is a whole number of motor steps on every axis [mm].

    >>> common_whole_step([Fraction(80), Fraction(400)])
    Fraction(1, 80)
    >>> common_whole_step([Fraction(80), Fraction(1600, 3)])
    Fraction(3, 80)
    """
    return reduce(fraction_lcm, (1 / steps for steps in steps_per_mm))


def machine_whole_step(machine: Machine) -> Fraction | None:
    """The common whole-step distance of a machine's exact axes, as its ladder counts distance.

    None where no axis is exact, or where the distance lies beyond the shortest reach.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> machine_whole_step(router)
    Fraction(1, 80)
    """
    exact = [axis for axis in machine.axes if axis.exact]
    if not exact:
        return None
    common = reduce(fraction_lcm, (machine.ladder_distance(axis, axis.step_mm) for axis in exact))
    reach = min(float(machine.ladder_distance(axis, Fraction(axis.reach_mm))) for axis in exact)
    return common if common <= reach else None


def steps_per_detent(machine: Machine, axis: Axis, gain_mm: Fraction) -> Fraction:
    """Motor steps per click on an axis, exact (as exact as the axis' steps per mm are).

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> [str(steps_per_detent(router, router.axis(name), Fraction(1, 50))) for name in ("X", "Z")]
    ['8/5', '8']
    """
    return machine.axis_gain(axis, gain_mm) * axis.steps_per_mm


def is_whole_step(machine: Machine, axis: Axis, gain_mm: Fraction) -> bool:
    """Whether a click is a whole number of motor steps; never so on an inexact axis.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> [is_whole_step(router, router.axis("X"), gain) for gain in (Fraction(1, 50), Fraction(1, 20))]
    [False, True]
    """
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
        """The pattern in words.

        >>> click_pattern(Fraction(16, 5)).say()
        '3, 3, 4, 3, 3 steps, then again'
        """
        shown = ", ".join(str(gap) for gap in self.gaps[:12])
        if self.period == 1:
            return f"{shown} steps every click"
        if self.period <= 12:
            return f"{shown} steps, then again"
        return f"{shown}, … steps ({self.period} clicks a round)"

    def say_short(self) -> str:
        """The pattern for a narrow table.

        >>> click_pattern(Fraction(8)).say_short(), click_pattern(Fraction(16, 5)).say_short()
        ('8', '3 3 4 3 3 …')
        """
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


# ------------------------------------------------------------------ what real firmware does


@dataclass(frozen=True, kw_only=True)
class Drift:
    """Error of position after 1000 detents one way, and after 1000 there and 1000 back [motor steps].

    Negative: short of the count. `bound_steps` is the most the error ever is where it stays bounded.

    >>> drift_drop(Fraction(8, 5))
    Drift(one_way_steps=-600.0, return_steps=0.0, bound_steps=None)
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
    """Steps per mm stored with so many decimals: an error in proportion to distance, gone on return.

    >>> round(drift_rounded_steps(Fraction(1), Fraction(1600, 3), decimals=2).one_way_steps, 3)
    -3.333
    """
    stored = Fraction(round_half_up(steps_per_mm * 10**decimals), 10**decimals)
    return Drift(one_way_steps=float(1000 * gain_mm * (stored - steps_per_mm)), return_steps=0.0)


def drift_rounded_distance(
    gain_mm: Fraction, steps_per_mm: Fraction, *, decimals: int, detents_per_report: int = 1
) -> Drift:
    """Each report's distance sent with so many decimals (0.0125 sent as 0.013).

    >>> drift_rounded_distance(Fraction(1, 80), Fraction(80), decimals=3).one_way_steps
    40.0
    """
    n = detents_per_report
    sent = Fraction(round_half_up(n * gain_mm * 10**decimals), 10**decimals)
    return Drift(one_way_steps=float(1000 * (sent - n * gain_mm) * steps_per_mm / n), return_steps=0.0)


# ------------------------------------------------------------------ plain numbers


def plainness(ladder: Ladder) -> float:
    """How far a ladder's numbers are from plain: 0 where every gain is 1, 2 or 5 × 10ⁿ of the person's unit.

    Each other gain adds its count of significant digits (4 adds 1, 25 adds 2).

    >>> plain, odd = (1, 10, 100), (1, 4, 25)
    >>> [plainness(Ladder(base_mm=Fraction(1), multipliers=multipliers)) for multipliers in (plain, odd)]
    [0.0, 3.0]
    """
    numbers = [in_unit(gain, ladder.show_in) for gain in ladder.gains_mm]
    return float(sum(0 if is_plain(number) else significant_digits(number) for number in numbers))


def unevenness(ladder: Ladder) -> float:
    """How uneven the steps from rung to rung are: the spread of log10 ratios, 0 where all are alike.

    >>> unevenness(Ladder(base_mm=Fraction(1), multipliers=(1, 10, 100)))
    0.0
    """
    logs = [math.log10(ratio) for ratio in ladder.ratios]
    return 0.0 if len(logs) < 2 else max(logs) - min(logs)
