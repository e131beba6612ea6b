"""Ladder and Rung, exact; a ladder as typed."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from functools import reduce

from ..files import Fault, InputFault
from ..machine.model import Machine
from ..units import from_unit, in_unit, say_number

_LARGEST_MM, _SMALLEST_MM = Fraction(10_000), Fraction(1, 10_000_000)


@dataclass(frozen=True, kw_only=True)
class Rung:
    """One setting of the selector: its position (1 is the finest), whole multiplier and gain [mm/detent]."""

    position: int
    multiplier: int
    gain_mm: Fraction


@dataclass(frozen=True, kw_only=True)
class Ladder:
    """The whole set of settings: base [mm] × whole multipliers, ascending; `show_in` is the person's unit.

    >>> Ladder.parse("0.02, 0.2, 2").gains_mm
    (Fraction(1, 50), Fraction(1, 5), Fraction(2, 1))
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
        """The ladder of given gains; its base is the largest distance that divides them all."""
        gains = sorted(set(gains_mm))
        if not gains or gains[0] <= 0:
            raise ValueError("gains must be above 0, and at least one")
        base = reduce(fraction_gcd, gains)
        return cls(base_mm=base, multipliers=tuple(int(gain / base) for gain in gains), show_in=show_in)

    @classmethod
    def parse(cls, text: str, unit: str = "mm", *, most_rungs: int | None = None) -> Ladder:
        """The ladder of distances per click as typed, in any order, shown in `unit` and read in it unless another follows:
        "0.02, 0.2, 2", "0.1, 1 mm". Raises `InputFault` with every number at fault.
        """
        found = re.fullmatch(r"(?s)(.*?)\s*(mm|in|deg)?\s*", text)
        numbers, read_in = (found[1], found[2] or unit) if found else (text, unit)
        parts = [part for part in re.split(r"[,;\s]+", numbers.strip()) if part]
        faults = [] if parts else [Fault(rule="is empty", cure="give distances per click, as in 0.01, 0.1, 1")]
        gains = [gain for part in parts[:1000] if (gain := _gain(part, read_in, faults)) is not None]
        if len(set(gains)) < len(gains):
            faults.append(Fault(rule="names a distance twice", cure="give each rung once"))
        if most_rungs is not None and len(gains) > most_rungs:
            faults.append(Fault(rule=f"has {len(gains)} rungs", cure=f"the selector has {most_rungs} positions"))
        if faults:
            raise InputFault(f'ladder "{text[:60]}"', faults)
        return cls.from_gains(gains, show_in=unit)

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

    def say(self) -> str:
        """The gains in the person's unit."""
        return f"{', '.join(say_number(in_unit(gain, self.show_in)) for gain in self.gains_mm)} {self.show_in}"

    def __repr__(self) -> str:
        return f"Ladder({self.say()})"


def parse_ladder(text: str, machine: Machine) -> Ladder:
    """A ladder as typed for a machine: in the unit it shows, with no more rungs than its selector has positions."""
    return Ladder.parse(text, machine.show_in, most_rungs=machine.selector.positions)


def as_ladder(ladder: Ladder | str, machine: Machine) -> Ladder:
    """A ladder, read in the machine's unit where a text is given."""
    return ladder if isinstance(ladder, Ladder) else parse_ladder(ladder, machine)


def _gain(part: str, unit: str, faults: list[Fault]) -> Fraction | None:
    try:
        number = Fraction(Decimal(part)) if len(part) <= 20 and Decimal(part).is_finite() else None
    except (InvalidOperation, OverflowError):
        number = None
    if number is None:
        faults.append(Fault("", part[:20], "is not a number", "give distances per click, as in 0.01, 0.1, 1"))
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
