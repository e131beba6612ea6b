"""The ladder a person types: "0.01,0.1,1" in the unit the machine is shown in, or "0.01,0.1,1 mm"."""

from __future__ import annotations

import argparse
import re
from decimal import Decimal, InvalidOperation
from fractions import Fraction

from ..files import InputFault
from ..ladder import Ladder
from ..machine import Machine
from ..units import from_unit

__all__ = ["let_minus_through", "parse_ladder"]

_LARGEST_MM, _SMALLEST_MM = Fraction(10_000), Fraction(1, 10_000_000)


def let_minus_through(parser: argparse.ArgumentParser) -> None:
    """Take "-1,2" after an option for its value, so that it is refused in our words; argparse knows only plain "-1".

    >>> import argparse
    >>> parser = argparse.ArgumentParser()
    >>> let_minus_through(parser)
    >>> _ = parser.add_argument("--ladder")
    >>> parser.parse_args(["--ladder", "-1,2"]).ladder
    '-1,2'
    """
    parser._negative_number_matcher = re.compile(r"-[\d.]")


def parse_ladder(text: str, machine: Machine) -> Ladder:
    """Read a ladder: distances per click, finest first or in any order, in `machine.show_in` unless a unit follows.

    Raises `InputFault` that names the number at fault.

    >>> from jogtune.machine import read_machine
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
