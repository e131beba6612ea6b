"""Number series such as 1-2-5 and R5."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

from ..units import in_unit, is_plain, significant_digits
from .ladder import Ladder

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
    """One whole multiplier of a series, and how far rounding moved it (as a share of the exact value)."""

    multiplier: int
    exact: Fraction

    @property
    def deviation(self) -> float:
        """Share by which the whole multiplier departs from the series' own value."""
        return float(self.multiplier / self.exact - 1)


def round_half_up(value: Fraction) -> int:
    """floor(x + 1/2). Python's own `round` sends halves to even and breaks a click pattern's period."""
    return math.floor(value + Fraction(1, 2))


def series_values(series: str, highest: int, *, base: Fraction = Fraction(1)) -> tuple[SeriesValue, ...]:
    """The whole multipliers of a number series from 1 to `highest`, ascending, each once.

    `series` is one of `SERIES_NAMES` or a person's own list: "1, 4, 20, 100" stands for itself. "plain"
    keeps those whose gain is 1, 2 or 5 × 10ⁿ of the base's own unit. Raises ValueError with the cure.

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


def plainness(ladder: Ladder) -> float:
    """How far a ladder's numbers are from plain: 0 where every gain is 1, 2 or 5 × 10ⁿ of the person's unit.

    Each other gain adds its count of significant digits (4 adds 1, 25 adds 2).
    """
    numbers = [in_unit(gain, ladder.show_in) for gain in ladder.gains_mm]
    return float(sum(0 if is_plain(number) else significant_digits(number) for number in numbers))
