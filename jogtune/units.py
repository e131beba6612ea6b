"""Quantities in and out, exact."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from types import MappingProxyType

MM_PER_INCH = Fraction(254, 10)  # exact: ISO 80000-3
_MICRO, _MILLI = Fraction(1, 1_000_000), Fraction(1, 1000)
# what a word measures (L length, A angle, R turns, T time, S steps, H threads, D clicks, P presses), factor to mm, deg, turns, s
_UNITS: Mapping[str, tuple[str, Fraction]] = MappingProxyType({
    word: (measured, factor)
    for measured, factor, words in (
        ("L", Fraction(1), "mm millimetre millimetres millimeter millimeters"), ("L", Fraction(10), "cm"),
        ("L", _MILLI, "um µm μm micron microns micrometre micrometres micrometer micrometers"),
        ("L", Fraction(1000), "m metre metres meter meters"), ("L", MM_PER_INCH, "in inch inches"),
        ("L", MM_PER_INCH * _MILLI, "thou mil mils"), ("L", MM_PER_INCH * 12, "ft foot feet"),
        ("A", Fraction(1), "deg ° degree degrees"), ("A", Fraction(1, 60), "arcmin"), ("A", Fraction(1, 3600), "arcsec"),
        ("R", Fraction(1), "rev revs turn turns revolution revolutions"),
        ("T", Fraction(1), "s sec secs second seconds"), ("T", Fraction(60), "min mins minute minutes"),
        ("T", _MILLI, "ms msec millisecond milliseconds"), ("T", _MICRO, "us µs μs usec microsecond microseconds"),
        ("S", Fraction(1), "step steps microstep microsteps pulse pulses count counts"), ("H", Fraction(1), "thread threads"),
        ("D", Fraction(1), "detent detents click clicks"), ("P", Fraction(1), "press presses"),
        ("%", Fraction(1, 100), "% percent"),
        ("L/T", MM_PER_INCH / 60, "ipm"), ("L/T", MM_PER_INCH, "ips"), ("R/T", Fraction(1, 60), "rpm"),
        ("H/L", 1 / MM_PER_INCH, "tpi"),
    )
    for word in words.split()
})  # fmt: skip
# kind -> what its quantities may measure; steps per distance, leads and pitches may stand either way up
_KINDS: Mapping[str, tuple[str, ...]] = MappingProxyType({
    "distance": ("L", "A", "R"), "length": ("L",), "angle": ("A", "R"), "time": ("T",), "share": ("%",),
    "speed": ("L/T", "A/T", "R/T"), "acceleration": ("L/TT", "A/TT", "R/TT"), "turn rate": ("D/T",), "press rate": ("P/T",),
    "steps": ("S/L", "S/A", "/L", "/A", "L/S", "A/S"), "lead": ("L", "A", "R", "L/R", "A/R", "R/L", "R/A"),
    "pitch": ("L", "H/L", "L/H"),
})  # fmt: skip
_UPSIDE_DOWN = ("L/S", "A/S", "R/L", "R/A", "H/L")
EXAMPLES: Mapping[str, str] = MappingProxyType({
    "distance": '"0.02 mm", "0.001 in" or "0.01 deg"', "length": '"2 mm" or "0.2 in"', "angle": '"47 deg"',
    "time": '"40 ms" or "0.25 s"', "share": '"20 %"', "speed": '"6000 mm/min", "100 mm/s", "12 in/min" or "30 deg/s"',
    "acceleration": '"400 mm/s2", "20 in/s2" or "90 deg/s2"', "turn rate": '"12 detents/s"', "press rate": '"4 presses/s"',
    "steps": '"80 per mm", "1600/3 per mm", "2032 per in" or "100 per deg"', "lead": '"8 mm", "5 mm/rev" or "10 turns per in"',
    "pitch": '"2 mm" or "10 tpi"', "ratio": '"1:1", "3:1" or 3', "number": '0.5, "0,5" or "1/2"',
})  # fmt: skip
_DRIVE = 'motor = {{{{ steps = 200, divide = 16, lead = "{}" }}}}'
# a word, or a kind and what a text for it measures: rule and cure, where it can be read two ways or says another thing
_TWO_WAYS: Mapping[str | tuple[str, str], str] = MappingProxyType({
    **dict.fromkeys('"″”', 'has a mark that can mean inches or seconds of arc: write "in" or "arcsec"'),
    **dict.fromkeys("'′’", 'has a mark that can mean feet or minutes of arc: write "ft" or "arcmin"'),
    "M": 'has "M", which can mean metres or minutes: write "metre" or "min"',
    "Mm": 'has "Mm", which can mean millimetres or megametres: write "mm" or "m"',
    "Ms": 'has "Ms", which can mean milliseconds or megaseconds: write "ms" or "s"',
    "/m": 'has "/m", which can mean per minute or per metre: write "/min" or "/metre"',
    **dict.fromkeys([("steps", ""), ("steps", "S")],
                    'can be read two ways, per mm or per in: write "{number} per mm" or "{number} per in"'),
    **dict.fromkeys([("steps", "L"), ("steps", "A")],
                    'can be read two ways, {unit} per step or steps per {unit}: write "{text} per step" or "{number} per {unit}"'),
    **dict.fromkeys([("steps", "R/L"), ("steps", "L/R"), ("steps", "R/A"), ("steps", "A/R")],
                    f"says turns, not steps: write a drive with its steps and divide, such as {_DRIVE.format('{text}')}"),
    **dict.fromkeys([("steps", "S/R"), ("steps", "/R")],
                    "can be read two ways, per turn of the motor or of the axis: "
                    f'write {_DRIVE.format("5 mm")} or "{{number}} per 360 deg"'),
})  # fmt: skip
_SPACE = r"[ \u00a0\u2009\u202f]"
_FIGURE = rf"[+-]?(?:[0-9][0-9.,]*(?:{_SPACE}[0-9]{{3}})*(?:[.,][0-9]+)?|[.,][0-9]+)(?:e[+-]?[0-9]{{1,2}})?"
_TERM = re.compile(
    rf"(?:(?P<figure>{_FIGURE})(?:\s*/\s*(?P<below>[0-9][0-9.,]*))?)?\s*(?P<pi>pi\b|π)?\s*"
    r"(?:(?P<word>[^\W\d_²]+|[°%\"″”'′’])\.?(?P<squared>\s*(?:\^?2|²|squared))?)?", re.IGNORECASE,
)  # fmt: skip
_PER = re.compile(r"(?<![0-9\s])\s*/\s*|\s*/\s*(?![0-9\s])|\s+(?:per|an?)\s+", re.IGNORECASE)  # but no stroke between figures
_PLAIN = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*|,[0-9]+)?|[.,][0-9]+)(?:e[+-]?[0-9]+)?", re.IGNORECASE)
_GROUPED = re.compile(
    rf"[+-]?[1-9][0-9]{{0,2}}(?P<mark>[.,]|{_SPACE})[0-9]{{3}}(?P<more>(?:(?P=mark)[0-9]{{3}})*)"
    r"(?P<rest>(?!(?P=mark))[.,][0-9]+)?(?:e[+-]?[0-9]+)?", re.IGNORECASE,
)  # fmt: skip
_LONGEST_TEXT = 60
_ROUNDED_FROM = 1000  # a decimal whose lowest denominator is this or more is taken for a rounded figure


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """An exact value in mm, degrees, s, detents/s, or steps per mm or degree; `angular` tells degrees from mm.

    `exact` is False where the text holds pi or a decimal that looks rounded (1259.84252)."""

    value: Fraction
    angular: bool = False
    exact: bool = True


@dataclass(frozen=True)
class _Term:
    """What stands between two "per": its value, what it measures, its word, and the decimal as written (1 for a fraction)."""

    value: Fraction
    measured: str
    word: str
    written: Fraction
    pi: bool


def parse_quantity(text: object, kind: str) -> Quantity:
    """Read a quantity of one kind (see `_KINDS`), in the spellings people use; raises ValueError with rule and cure.

    >>> parse_quantity("6000 mm/min", "speed").value
    Fraction(100, 1)
    >>> parse_quantity("0,001 inch", "distance").value
    Fraction(127, 5000)
    >>> parse_quantity("12.5 um per step", "steps").value
    Fraction(80, 1)
    >>> parse_quantity("12", "time")
    Traceback (most recent call last):
    ValueError: needs a unit: write for example "40 ms" or "0.25 s"
    """
    said = _checked_text(text, kind)
    terms, value, measured = _read_terms(said, kind)
    if measured not in _KINDS[kind]:
        raise ValueError(_refusal(said, kind, measured, terms))
    upside_down = measured in _UPSIDE_DOWN
    if upside_down and value:
        value = 1 / value
    angular = "L" not in measured and ("A" in measured or "R" in measured)
    # mm per step and turns per mm are as good as what they are one over
    lowest = (min(abs(w.numerator), w.denominator) if upside_down else w.denominator for w in (term.written for term in terms))
    return Quantity(
        value=value * 360 if angular and "A" not in measured else value, angular=angular,
        exact=max(lowest) < _ROUNDED_FROM and not any(term.pi for term in terms),
    )  # fmt: skip


def parse_number(text: str, unit: str = "") -> Fraction:
    """Read a number of a unit, which may be left out, or be another that measures the same; ValueError has rule and cure.

    >>> parse_number("20 µm", "mm") == parse_number("0,02", "mm") == parse_number("1/50 mm", "mm")
    True
    """
    said = _checked_text(text, "number")
    _, value, measured = _read_terms(said, "number")
    _, one, wanted = _read_terms(f"1 {unit}".strip(), "number")
    if measured and measured not in (wanted, wanted.lstrip("SDPH")):
        raise ValueError(f"is of another kind: write a number{f' of {unit}' if unit else ' without a unit'}")
    return value / one if measured else value


def _read_terms(said: str, kind: str) -> tuple[list[_Term], Fraction, str]:
    """The terms of a text, their value together and what it measures."""
    terms = [_term(part, place, said, kind) for place, part in enumerate(_PER.split(said))]
    value = terms[0].value
    for term in terms[1:]:
        if not term.value:
            raise ValueError("divides by zero: give a number above 0 after the stroke")
        value /= term.value
    return terms, value, _measured([term.measured for term in terms])


def parse_ratio(text: object) -> Fraction:
    """Read a ratio such as "3:1", "3" or 3."""
    said = str(text) if isinstance(text, (int, Decimal)) and not isinstance(text, bool) else text
    parts = [part.strip() for part in said.split(":")] if isinstance(said, str) and len(said) <= _LONGEST_TEXT else []
    if not 1 <= len(parts) <= 2 or not all(re.fullmatch(r"[0-9]+(?:[.,][0-9]+)?", part) for part in parts):
        raise ValueError(f"must be one number, or two with a colon between, as in {EXAMPLES['ratio']}")
    above, below = (_number(part, part, "ratio") for part in [*parts, "1"][:2])
    if not above or not below:
        raise ValueError("must be above 0 on both sides of the colon")
    return above / below


def _checked_text(text: object, kind: str) -> str:
    example = f"write for example {EXAMPLES[kind]}"
    if isinstance(text, bool) or not isinstance(text, (str, int, float, Decimal)):
        raise ValueError(f"must be text with a unit: {example}")
    if not isinstance(text, str) and (kind, "") not in _TWO_WAYS:
        raise ValueError(f"is a bare number where a unit belongs: {example}, in quotes")
    said = str(text).strip()
    if len(said) > _LONGEST_TEXT:
        raise ValueError(f"is longer than {_LONGEST_TEXT} characters: {example}")
    if re.match(r"[+-]?(nan|inf)", said, re.IGNORECASE):
        raise ValueError(f"must be a finite number: {example}")
    return said


def _term(part: str, place: int, said: str, kind: str) -> _Term:
    """One term of a text; the first has a number, every other a word."""
    found = _TERM.fullmatch(part)
    if found is None or not found["word" if place else "figure"]:
        raise ValueError(_not_understood(kind))
    figure, below = (_number(found[name] or "1", said, kind) for name in ("figure", "below"))
    if not below:
        raise ValueError("divides by zero: give a number above 0 after the stroke")
    word, power = found["word"] or "", 2 if found["squared"] else 1
    measured, factor = _unit(word, said, kind)
    value = figure / below * factor**power * (Fraction(math.pi) if found["pi"] else 1)
    written = figure if found["below"] is None else Fraction(1)
    return _Term(value=value, measured=measured * power, word=word, written=written, pi=bool(found["pi"]))


def _unit(word: str, said: str, kind: str) -> tuple[str, Fraction]:
    """What a word measures and its factor; capitals matter only where they could mean another thing."""
    if word in _TWO_WAYS:
        raise ValueError(_TWO_WAYS[word])
    found = ("", Fraction(1)) if not word else _UNITS.get(word.lower())
    if found is None:
        raise ValueError(_unknown_unit(said, kind))
    return found


def _measured(parts: Sequence[str]) -> str:
    """What terms measure together: the first over all others ("L", "T", "T" is "L/TT")."""
    above, below = "", ""
    for place, part in enumerate(parts):
        over, _, under = part.partition("/")
        above, below = (above + under, below + over) if place else (over, under)
    return "/".join("".join(sorted(side)) for side in (above, below)).removesuffix("/")


def _number(figure: str, said: str, kind: str) -> Fraction:
    """A figure with point or comma, in groups of three or not; a lone comma before three digits can be either."""
    grouped = _GROUPED.fullmatch(figure)
    if grouped and (grouped["mark"] not in ".," or grouped["more"] or grouped["rest"]):
        figure = figure.replace(grouped["mark"], "")
    elif grouped and grouped["mark"] == ",":
        small, large = (f"{Decimal(figure.replace(',', mark)).normalize():f}" for mark in (".", ""))
        both = " or ".join(f'"{said.replace(figure, reading)}"' for reading in (small, large))
        raise ValueError(f"can be read two ways, {small} or {large}: write {both}")
    elif not _PLAIN.fullmatch(figure):
        raise ValueError(_not_understood(kind))
    return Fraction(Decimal(figure.replace(",", ".")))


def _refusal(said: str, kind: str, measured: str, terms: Sequence[_Term]) -> str:
    """Why a text does not do for a kind: both readings where there are two, else what the kind takes."""
    word = terms[0].word
    if (kind, measured) in _TWO_WAYS:
        number = said[: said.rfind(word)].strip() if word else said
        return _TWO_WAYS[kind, measured].format(text=said, number=number, unit=word)
    if any(term.word == "m" for term in terms[1:]) and any("T" in known for known in _KINDS[kind]):
        return _TWO_WAYS["/m"]
    return _unknown_unit(said, kind) if measured else f"needs a unit: write for example {EXAMPLES[kind]}"


def _unknown_unit(said: str, kind: str) -> str:
    unit = re.sub(rf"^{_FIGURE}(\s*/\s*[0-9.,]+)?\s*", "", said, flags=re.IGNORECASE)
    article = "" if kind.endswith("s") else "an " if kind[0] in "aeiou" else "a "
    return f'does not take the unit "{unit}" for {article}{kind}: write for example {EXAMPLES[kind]}'


def _not_understood(kind: str) -> str:
    return f"is not understood: write for example {EXAMPLES[kind]}"


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
