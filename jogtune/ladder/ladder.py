"""Ladder and Rung, exact; a ladder as a person types it."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from functools import reduce

from ..files import InputFault
from ..machine.model import Machine
from ..units import from_unit, say_distance


@dataclass(frozen=True, kw_only=True)
class Rung:
    """One setting of the selector: its position (1 is the finest), whole multiplier and gain [mm/detent]."""

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
        """The ladder of given gains; its base is the largest distance that divides them all."""
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
        """The gains in the person's unit."""
        numbers = [say_distance(gain, self.show_in).split()[0] for gain in self.gains_mm]
        return f"{', '.join(numbers)} {self.show_in}"


def fraction_gcd(a: Fraction, b: Fraction) -> Fraction:
    """The largest distance that divides both."""
    below = math.lcm(a.denominator, b.denominator)
    return Fraction(math.gcd(int(a * below), int(b * below)), below)


def fraction_lcm(a: Fraction, b: Fraction) -> Fraction:
    """The smallest distance that is a whole multiple of both."""
    return a * b / fraction_gcd(a, b)


def unevenness(ladder: Ladder) -> float:
    """How uneven the steps from rung to rung are: the spread of log10 ratios, 0 where all are alike."""
    logs = [math.log10(ratio) for ratio in ladder.ratios]
    return 0.0 if len(logs) < 2 else max(logs) - min(logs)


_LARGEST_MM, _SMALLEST_MM = Fraction(10_000), Fraction(1, 10_000_000)


def parse_ladder(text: str, machine: Machine) -> Ladder:
    """Read a ladder: distances per click, finest first or in any order, in `machine.show_in` unless a unit follows.

    Raises `InputFault` that names the number at fault.

    >>> from jogtune.machine.file import read_machine
    >>> sign_table = read_machine("datasets/machines/sign_table.toml")
    >>> parse_ladder("0.001,0.01", sign_table).gains_mm[0], parse_ladder("0.1, 1 mm", sign_table).gains_mm[0]
    (Fraction(127, 5000), Fraction(1, 10))
    """
    found = re.fullmatch(r"(?s)(.*?)\s*(mm|in|deg)?\s*", text)
    numbers, unit = (found[1], found[2] or machine.show_in) if found else (text, machine.show_in)
    parts = [part for part in re.split(r"[,;\s]+", numbers.strip()) if part]
    faults: list[str] = [] if parts else ["is empty: give distances per click, as in 0.01,0.1,1"]
    gains = [gain for part in parts[:1000] if (gain := _gain(part, unit, faults)) is not None]
    if len(set(gains)) < len(gains):
        faults.append("names a distance twice: give each rung once")
    if len(gains) > machine.selector.positions:
        faults.append(f"has {len(gains)} rungs; the selector has {machine.selector.positions} positions")
    if faults:
        raise InputFault(f'--ladder "{text[:60]}"', faults)
    return Ladder.from_gains(gains, show_in=machine.show_in)


def _gain(part: str, unit: str, faults: list[str]) -> Fraction | None:
    try:
        number = Fraction(Decimal(part)) if len(part) <= 20 and Decimal(part).is_finite() else None
    except (InvalidOperation, OverflowError):
        number = None
    if number is None:
        faults.append(f'"{part[:20]}" is not a number: give distances per click, as in 0.01,0.1,1')
        return None
    gain = from_unit(number, unit)
    if not _SMALLEST_MM <= gain <= _LARGEST_MM:
        rule = "must be above 0" if gain <= 0 else f"must be {float(_SMALLEST_MM):g} to {float(_LARGEST_MM):g} mm"
        faults.append(f"{part} {unit}: {rule}: check number and unit")
        return None
    return gain
