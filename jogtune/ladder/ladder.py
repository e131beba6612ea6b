"""Ladders and number series, exact."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from functools import reduce
from types import MappingProxyType

from ..files import Fault, InputFault
from ..machine.model import Axis, Machine
from ..units import from_unit, in_unit, is_plain, say_number, significant_digits

_LARGEST_MM, _SMALLEST_MM = Fraction(10_000), Fraction(1, 10_000_000)


@dataclass(frozen=True, kw_only=True)
class Rung:
    """One setting of the selector: its position (1 is the finest), whole multiplier and gain [mm/detent]."""

    position: int
    multiplier: int
    gain_mm: Fraction


@dataclass(frozen=True, kw_only=True)
class Column:
    """The distances of an axis that has its own at each position [mm, or degrees where `unit` is "deg"], ascending; the last
    may be equal, where the axis serves no coarser one."""

    axis: str
    unit: str
    gains_mm: tuple[Fraction, ...]

    def say(self) -> str:
        """The axis and its distances in its unit."""
        return f"{self.axis}: {_listed(self.gains_mm, self.unit)}"


@dataclass(frozen=True, kw_only=True)
class Ladder:
    """The whole set of settings: base [mm] × whole multipliers, ascending; `show_in` is the person's unit. `own` are the columns
    of axes that don't share these distances, with as many.

    >>> Ladder.parse("0.02, 0.2, 2").gains_mm
    (Fraction(1, 50), Fraction(1, 5), Fraction(2, 1))
    >>> Ladder.parse("0.01 mm × 1, 10, 100; A: 0.005, 0.05, 0.1 deg")
    Ladder(0.01, 0.1, 1 mm; A: 0.005, 0.05, 0.1 deg)
    """

    base_mm: Fraction
    multipliers: tuple[int, ...]
    show_in: str = "mm"
    own: tuple[Column, ...] = ()

    def __post_init__(self) -> None:
        if self.base_mm <= 0:
            raise ValueError(f"base_mm = {self.base_mm}: must be above 0")
        pairs = itertools.pairwise(self.multipliers)
        if not self.multipliers or self.multipliers[0] < 1 or any(b <= a for a, b in pairs):
            raise ValueError(f"multipliers = {self.multipliers}: must be whole numbers that rise from 1 or more")
        for column in self.own:
            gains = column.gains_mm
            if len(gains) != len(self.multipliers) or gains[0] <= 0 or any(b < a for a, b in itertools.pairwise(gains)):
                raise ValueError(f"own: {column.axis}: must be {len(self.multipliers)} distances that rise")

    @classmethod
    def from_gains(cls, gains_mm: Iterable[Fraction], *, show_in: str = "mm", own: Iterable[Column] = ()) -> Ladder:
        """The ladder of given gains; its base is the largest distance that divides them all."""
        gains = sorted(set(gains_mm))
        if not gains or gains[0] <= 0:
            raise ValueError("gains must be above 0, and at least one")
        base = reduce(fraction_gcd, gains)
        return cls(base_mm=base, multipliers=tuple(int(gain / base) for gain in gains), show_in=show_in, own=tuple(own))

    @property
    def plainness(self) -> float:
        """How far the numbers are from plain: 0 where every gain is 1, 2 or 5 × 10ⁿ of the person's unit; each other adds its
        count of significant digits (4 adds 1, 25 adds 2)."""
        numbers = [in_unit(gain, self.show_in) for gain in self.gains_mm]
        return float(sum(0 if is_plain(number) else significant_digits(number) for number in numbers))

    @classmethod
    def parse(
        cls, text: str, unit: str = "mm", *, most_rungs: int | None = None, units: Mapping[str, str] | None = None
    ) -> Ladder:
        """The ladder as typed: distances per click in any order, or a base and its multiples, "0.01 mm × 1, 10, 100"; read in
        `unit` unless another follows, and shown in it. "; A: 0.005, 0.05 deg" behind it gives an axis its own, read in its unit
        of `units`. Raises `InputFault` with every number at fault."""
        first, *named = re.split(r"[;,\s]*([^\W\d][^:;,]*?)\s*:", text)
        parts = dict(zip(named[::2], named[1::2], strict=True))
        faults: list[Fault] = []
        own = [
            Column(axis=name, unit=(read := _typed(part, (units or {}).get(name, unit), faults))[1], gains_mm=read[0])
            for name, part in parts.items()
        ]
        gains = _typed(first, unit, faults)[0] if first.strip() or not own else own[0].gains_mm
        if len(set(gains)) < len(gains):
            faults.append(Fault(rule="names a distance twice", cure="give each rung once"))
        if most_rungs is not None and len(gains) > most_rungs:
            faults.append(Fault(rule=f"has {len(gains)} rungs", cure=f"the selector has {most_rungs} positions"))
        faults += [Fault(column.axis, rule=f"must have {len(gains)} distances, as the others") for column in own
                   if len(column.gains_mm) != len(gains)]  # fmt: skip
        if faults:
            raise InputFault(f'ladder "{text[:60]}"', faults)
        return cls.from_gains(gains, show_in=unit, own=own)

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
        return tuple(b / a for a, b in itertools.pairwise(self.multipliers))

    def on(self, axis: Axis) -> tuple[Fraction, ...]:
        """The distance per click at each position of an axis [mm, or degrees on a rotary axis]. A rotary axis without a column
        of its own reads the shared numbers in degrees: "0.001" of an inch machine is 0.001 deg."""
        for column in self.own:
            if column.axis == axis.name:
                return column.gains_mm
        return tuple(in_unit(gain, self.show_in) for gain in self.gains_mm) if axis.rotary else self.gains_mm

    def times(self, axis: Axis) -> tuple[int, ...]:
        """The whole multipliers of an axis' distances on their base."""
        own = [column.gains_mm for column in self.own if column.axis == axis.name]
        return tuple(int(gain / reduce(fraction_gcd, own[0])) for gain in own[0]) if own else self.multipliers

    def parts(self, machine: Machine) -> list[tuple[Machine, tuple[Fraction, ...]]]:
        """The machine as if it had only the axes that have the same distances, with these, the reference first."""
        kinds: dict[object, list[Axis]] = {}
        for axis in sorted(machine.axes, key=lambda axis: axis.rotary != (self.show_in == "deg") or self.on(axis) != self.gains_mm):
            kinds.setdefault((self.on(axis), axis.rotary), []).append(axis)
        return [
            (replace(machine, axes=tuple(axes), show_in=machine.shown_unit(axes[0])), self.on(axes[0])) for axes in kinds.values()
        ]

    def say(self, *, own: bool = True) -> str:
        """The gains in the person's unit, and those of each axis that has its `own`."""
        return "; ".join([_listed(self.gains_mm, self.show_in), *(column.say() for column in self.own if own)])

    def __repr__(self) -> str:
        return f"Ladder({self.say()})"


def parse_ladder(text: str, machine: Machine) -> Ladder:
    """A ladder as typed for a machine: in the units it shows, with no more rungs than its selector has positions. A list that
    may be one of multipliers (whole numbers from 1 up to more than any axis follows, no unit) is asked about."""
    units = {axis.name: machine.shown_unit(axis) for axis in machine.axes}
    found = Ladder.parse(text, machine.show_in, most_rungs=machine.selector.positions, units=units)
    faults = [Fault(column.axis, rule="is no axis of this machine", cure=f"use one of {', '.join(units)}")
              for column in found.own if column.axis not in units]  # fmt: skip
    faults += [Fault(column.axis, rule=f"must be in {units[column.axis]}") for column in found.own
               if column.axis in units and (units[column.axis] == "deg") != (column.unit == "deg")]  # fmt: skip
    numbers, most = [in_unit(gain, machine.show_in) for gain in found.gains_mm], max(
        axis.top_speed_mm_s for axis in machine.axes) / machine.knob.steady_detents_s
    if re.fullmatch(r"[\d\s,;]+", text) and numbers[0] == 1 and float(found.gains_mm[-1]) > most and len(numbers) > 1:
        plain = ",".join(map(say_number, numbers))
        faults.append(Fault(
            rule=f"may be multipliers: no axis follows clicks of {_listed(found.gains_mm[-1:], machine.show_in)}",
            cure=f'write --multipliers {plain}, or "{plain} {machine.show_in}" if they are distances',
        ))  # fmt: skip
    if faults:
        raise InputFault(f'ladder "{text[:60]}"', faults)
    return found


def as_ladder(ladder: Ladder | str | Sequence[object], machine: Machine) -> Ladder:
    """A ladder, read in the machine's unit where a text or a list is given."""
    if isinstance(ladder, Ladder):
        return ladder
    return parse_ladder(ladder if isinstance(ladder, str) else ", ".join(map(str, ladder)), machine)


def _listed(gains_mm: Iterable[Fraction], unit: str) -> str:
    return f"{', '.join(say_number(in_unit(gain, unit)) for gain in gains_mm)} {unit}"


def _typed(text: str, unit: str, faults: list[Fault]) -> tuple[tuple[Fraction, ...], str]:
    """Distances as typed, ascending, and the unit that they are read in: "0.1, 1 mm", "0.01 mm × 1, 10"."""
    times = re.fullmatch(r"\s*([0-9.]+)\s*(mm|in|deg)?\s*[×x*](.*)", text)
    plain = re.fullmatch(r"(?s)(.*?)\s*(mm|in|deg)?\s*", text)
    found = times or plain
    assert found is not None
    typed, read_in = re.sub(rf"(?<=\d)\s*{found[2]}(?=[,;\s])", "", found[1]) if found[2] else found[1], found[2] or unit
    each = [[part for part in re.split(r"[,;\s]+", some) if part] for some in (typed, times[3] if times else "1")]
    if not all(each):
        faults.append(_fault("", "is empty"))
    gains = [gain for part in each[0][:1000] if (gain := _gain(part, read_in, faults)) is not None]
    whole = [int(part) for part in each[1] if re.fullmatch(r"[0-9]{1,9}", part) and int(part)]
    if len(whole) < len(each[1]):
        faults.append(_fault(", ".join(each[1])[:40], "must be whole multiples of the base"))
    return tuple(sorted(gain * n for gain in gains for n in whole)), read_in


def _fault(value: str, rule: str) -> Fault:
    return Fault("", value or None, rule, "give distances per click, as in 0.01, 0.1, 1 or 0.01 mm × 1, 10, 100")


def _gain(part: str, unit: str, faults: list[Fault]) -> Fraction | None:
    try:
        number = Fraction(Decimal(part)) if len(part) <= 20 and Decimal(part).is_finite() else None
    except (InvalidOperation, OverflowError):
        number = None
    if number is None:
        faults.append(_fault(part[:20], "is not a number"))
        return None
    gain = from_unit(number, unit)
    if not _SMALLEST_MM <= gain <= _LARGEST_MM:
        rule = "must be above 0" if gain <= 0 else f"must be {float(_SMALLEST_MM):g} to {float(_LARGEST_MM):g} mm"
        faults.append(Fault(f"{part} {unit}", None, rule, "check number and unit"))
        return None
    return gain


def fraction_gcd(a: Fraction, b: Fraction) -> Fraction:
    """The largest distance that divides both."""
    below = math.lcm(a.denominator, b.denominator)
    return Fraction(math.gcd(int(a * below), int(b * below)), below)


def fraction_lcm(a: Fraction, b: Fraction) -> Fraction:
    """The smallest distance that is a whole multiple of both."""
    return a * b / fraction_gcd(a, b)


# Significands of one decade. Renard series: ISO 3. The others: common practice, no source.
_SERIES: Mapping[str, tuple[Fraction, ...]] = MappingProxyType({
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
SERIES_NAMES = (*_SERIES, "doubling", "plain")
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
        low = math.floor(math.log10(base)) - 1
        gains = (Fraction(s) * Fraction(10) ** n for n in range(low, low + len(str(highest)) + 3) for s in (1, 2, 5))
        ratios = (gain / base for gain in gains)
        return sorted({Fraction(1), *(r for r in ratios if r.denominator == 1 and 1 <= r <= highest)})
    if series not in _SERIES:
        return _own_series(series)
    return [s * 10**n for n in range(len(str(highest)) + 1) for s in _SERIES[series] if s * 10**n <= highest]


def _own_series(text: str) -> list[Fraction]:
    parts = [part for part in re.split(r"[,;\s]+", text.strip()) if part]
    if not parts or not all(re.fullmatch(r"[0-9]{1,9}", part) for part in parts):
        names = ", ".join(SERIES_NAMES)
        raise ValueError(f'is not a known series: use one of {names}, or your own whole numbers "1, 4, 20, 100"')
    numbers = [int(part) for part in parts]
    if numbers[0] < 1 or any(b <= a for a, b in itertools.pairwise(numbers)):
        raise ValueError('must rise from 1 or more without repeats, as in "1, 4, 20, 100"')
    return [Fraction(number) for number in numbers]
