"""Quantities in and out, exact."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from types import MappingProxyType

MM_PER_INCH = Fraction(254, 10)  # exact: ISO 80000-3
_MICRO, _MILLI = Fraction(1, 1_000_000), Fraction(1, 1000)
_LENGTHS = {
    "mm": Fraction(1), "um": _MILLI, "µm": _MILLI, "μm": _MILLI, "cm": Fraction(10), "m": Fraction(1000),
    "in": MM_PER_INCH, "inch": MM_PER_INCH, "inches": MM_PER_INCH,
}  # fmt: skip
_ANGLES = {"deg": Fraction(1), "°": Fraction(1), "degrees": Fraction(1)}
_TIMES = {"s": Fraction(1), "ms": _MILLI, "us": _MICRO, "µs": _MICRO, "μs": _MICRO}
_PER_TIME = {"s": Fraction(1), "min": Fraction(1, 60)}
_PER_TIME_SQUARED = ("s2", "s^2", "s²")


def _speeds(distances: Mapping[str, Fraction]) -> dict[str, Fraction]:
    return {f"{d}/{t}": dv * tv for d, dv in distances.items() for t, tv in _PER_TIME.items()}


def _accelerations(distances: Mapping[str, Fraction]) -> dict[str, Fraction]:
    return {f"{d}/{t}": dv for d, dv in distances.items() for t in _PER_TIME_SQUARED}


def _counted(*words: str) -> dict[str, Fraction]:
    return {f"{w}/{t}": tv for w in words for t, tv in _PER_TIME.items()}


# kind -> (linear units, angular units); the value is the factor to mm, degrees, seconds, detents/s
_KINDS: Mapping[str, tuple[Mapping[str, Fraction], Mapping[str, Fraction]]] = MappingProxyType({
    "distance": (_LENGTHS, _ANGLES), "speed": (_speeds(_LENGTHS), _speeds(_ANGLES)),
    "acceleration": (_accelerations(_LENGTHS), _accelerations(_ANGLES)), "time": (_TIMES, {}), "angle": ({}, _ANGLES),
    "turn rate": (_counted("detents", "detent"), {}), "press rate": (_counted("presses", "press"), {}),
    "share": ({"%": Fraction(1, 100), "percent": Fraction(1, 100)}, {}),
})  # fmt: skip
EXAMPLES: Mapping[str, str] = MappingProxyType({
    "distance": '"0.02 mm", "0.001 in" or "0.01 deg"', "speed": '"6000 mm/min", "100 mm/s", "12 in/min" or "30 deg/s"',
    "acceleration": '"400 mm/s2", "20 in/s2" or "90 deg/s2"', "time": '"40 ms" or "0.25 s"', "angle": '"47 deg"',
    "turn rate": '"12 detents/s"', "press rate": '"4 presses/s"', "share": '"20 %"',
    "steps": '"80 per mm", "1600/3 per mm", "2032 per in" or "100 per deg"', "ratio": '"1:1" or "3:1"',
})  # fmt: skip
_NUMBER = r"(?P<number>[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?)"
_QUANTITY = re.compile(rf"\s*{_NUMBER}(?:\s*/\s*(?P<below>[0-9]+(?:\.[0-9]+)?))?(?P<pi>\s*(?:pi|π))?\s*(?P<unit>\S.*?)?\s*")
_STEPS = re.compile(rf"\s*{_NUMBER}(?:\s*/\s*(?P<below>[0-9]+(?:\.[0-9]+)?))?\s+per\s+(?P<unit>\S+)\s*")
_RATIO = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*:\s*([0-9]+(?:\.[0-9]+)?)\s*")
_LONGEST_TEXT = 60
_ROUNDED_FROM = 1000  # a decimal whose lowest denominator is this or more is taken for a rounded figure


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """An exact value in mm, degrees, seconds or detents/s; `angular` tells degrees from mm.

    `exact` is False where the text holds pi or a decimal that looks rounded (1259.84252)."""

    value: Fraction
    angular: bool = False
    exact: bool = True


def parse_quantity(text: object, kind: str) -> Quantity:
    """Read a quantity of one kind (see `KINDS`); raises ValueError with rule and cure.

    >>> parse_quantity("6000 mm/min", "speed").value
    Fraction(100, 1)
    >>> parse_quantity("0.001 in", "distance").value
    Fraction(127, 5000)
    >>> parse_quantity("12", "time")
    Traceback (most recent call last):
    ValueError: needs a unit: write for example "40 ms" or "0.25 s"
    """
    found = _match(_QUANTITY, text, kind)
    unit = re.sub(r"\s+", "", found["unit"] or "")
    linear, angular = _KINDS[kind]
    if not unit:
        raise ValueError(f"needs a unit: write for example {EXAMPLES[kind]}")
    if unit not in linear and unit not in angular:
        raise ValueError(_unknown_unit(unit, kind))
    value, exact = _number(found)
    if found["pi"]:
        value, exact = value * Fraction(math.pi), False
    factor = linear[unit] if unit in linear else angular[unit]
    return Quantity(value=value * factor, angular=unit in angular, exact=exact)


def parse_steps(text: object) -> Quantity:
    """Read motor steps per distance, as steps per mm or per degree."""
    found = _match(_STEPS, text, "steps")
    unit = found["unit"]
    if unit not in _LENGTHS and unit not in _ANGLES:
        raise ValueError(f'does not know the unit "per {unit}": write for example {EXAMPLES["steps"]}')
    value, exact = _number(found)
    factor = _LENGTHS.get(unit) or _ANGLES[unit]
    return Quantity(value=value / factor, angular=unit in _ANGLES, exact=exact)


def parse_ratio(text: object) -> Fraction:
    """Read a ratio such as "3:1"."""
    found = _RATIO.fullmatch(text) if isinstance(text, str) and len(text) <= _LONGEST_TEXT else None
    if found is None:
        raise ValueError(f"must be two numbers with a colon between, as in {EXAMPLES['ratio']}")
    above, below = (Fraction(Decimal(part)) for part in found.groups())
    if not above or not below:
        raise ValueError("must be above 0 on both sides of the colon")
    return above / below


def _match(pattern: re.Pattern[str], text: object, kind: str) -> re.Match[str]:
    example = f"write for example {EXAMPLES[kind]}"
    if isinstance(text, bool) or not isinstance(text, (str, int, float, Decimal)):
        raise ValueError(f"must be text with a unit: {example}")
    if not isinstance(text, str):
        raise ValueError(f"is a bare number where a unit belongs: {example}, in quotes")
    if len(text) > _LONGEST_TEXT:
        raise ValueError(f"is longer than {_LONGEST_TEXT} characters: {example}")
    if re.match(r"\s*[+-]?(nan|inf)", text, re.IGNORECASE):
        raise ValueError(f"must be a finite number: {example}")
    if re.match(r"\s*[+-]?[0-9]+,[0-9]", text):
        raise ValueError(f"has a comma in its number: use a point for decimals; {example}")
    found = pattern.fullmatch(text)
    if found is None:
        raise ValueError(f"is not understood: {example}")
    return found


def _number(found: re.Match[str]) -> tuple[Fraction, bool]:
    value = Fraction(Decimal(found["number"]))
    if found["below"] is not None:
        below = Fraction(Decimal(found["below"]))
        if not below:
            raise ValueError("divides by zero: give a number above 0 after the stroke")
        return value / below, True
    return value, value.denominator < _ROUNDED_FROM


def _unknown_unit(unit: str, kind: str) -> str:
    article = "an" if kind[0] in "aeiou" else "a"
    return f'does not take the unit "{unit}" for {article} {kind}: write for example {EXAMPLES[kind]}'


UNIT_FACTORS: Mapping[str, Fraction] = MappingProxyType({"mm": Fraction(1), "in": MM_PER_INCH, "deg": Fraction(1)})


def in_unit(distance: Fraction, unit: str) -> Fraction:
    """A distance in mm (or degrees) as an exact number of the person's unit."""
    return distance / UNIT_FACTORS[unit]


def from_unit(number: Fraction, unit: str) -> Fraction:
    """A number of the person's unit as an exact distance in mm (or degrees)."""
    return number * UNIT_FACTORS[unit]


def is_plain(number: Fraction) -> bool:
    """Whether a number is 1, 2 or 5 times a power of ten."""
    return number > 0 and significand(number) in (1, 2, 5)


def significand(number: Fraction) -> Fraction:
    """A number's digits as a number from 1 up to 10."""
    while number >= 10:
        number /= 10
    while number < 1:
        number *= 10
    return number


def digit_points(number: Fraction) -> int:
    """How far a number is from plain: a power of ten 0, 2 or 5 1, 1.5 2.5 3 2, other single digits 3, each further digit 1
    more."""
    known = {Fraction(1): 0, Fraction(2): 1, Fraction(5): 1, Fraction(3, 2): 2, Fraction(5, 2): 2, Fraction(3): 2}
    return known.get(significand(number), 2 + significant_digits(number))


def significant_digits(number: Fraction, *, most: int = 9) -> int:
    """How many significant digits a number needs in decimal; `most` where it does not end before."""
    value = significand(number)
    for digits in range(1, most):
        if (value * 10 ** (digits - 1)).denominator == 1:
            return digits
    return most


def plain_at_most(number: Fraction) -> Fraction:
    """The largest of 1, 2 or 5 × 10ⁿ that is no larger than a number.

    >>> plain_at_most(Fraction(3, 100)), plain_at_most(Fraction(1, 50))
    (Fraction(1, 50), Fraction(1, 50))
    """
    value = significand(number)
    return number / value * max(step for step in (1, 2, 5) if step <= value)


def plain_at_least(number: Fraction) -> Fraction:
    """The smallest of 1, 2 or 5 × 10ⁿ that is no smaller than a number."""
    value = significand(number)
    return number / value * min(step for step in (1, 2, 5, 10) if step >= value)


def plain_values(low: Fraction, high: Fraction) -> list[Fraction]:
    """Every 1, 2 or 5 × 10ⁿ from `low` to `high`, both above 0."""
    values, value = [], plain_at_least(low)
    while value <= high:
        values.append(value)
        value = plain_at_least(value * Fraction(3, 2))
    return values


def say_number(number: Fraction | float, *, digits: int = 6) -> str:
    """A number as short decimal text, never in exponent form for sizes people meet.

    >>> say_number(Fraction(1, 80)), say_number(Fraction(1, 3)), say_number(1200.0)
    ('0.0125', '0.333333', '1200')
    """
    value = float(number)
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else str(value)
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def say_distance(distance: Fraction | float, unit: str, *, digits: int = 6) -> str:
    """A distance in mm (or degrees) as text in the person's unit.

    >>> say_distance(Fraction(127, 5000), "in")
    '0.001 in'
    """
    return f"{say_number(float(distance) / float(UNIT_FACTORS[unit]), digits=digits)} {unit}"
