"""Quantities as people say them."""

from __future__ import annotations

import re
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jogtune.units import (
    _KINDS,
    EXAMPLES,
    UNIT_FACTORS,
    from_unit,
    in_unit,
    is_plain,
    parse_number,
    parse_quantity,
    parse_ratio,
    plain_at_least,
    plain_at_most,
    say_distance,
    say_number,
)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("6000 mm/min", "speed", Fraction(100)), ("6000mm/min", "speed", Fraction(100)),
        ("12 in/min", "speed", Fraction(254, 50)), ("0.4 m/s2", "acceleration", Fraction(400)),
        ("400 mm/s²", "acceleration", Fraction(400)), ("40 ms", "time", Fraction(1, 25)),
        ("20 %", "share", Fraction(1, 5)), ("5 µm", "distance", Fraction(1, 200)), (".5 mm", "distance", Fraction(1, 2)),
        ("1/64 in", "distance", Fraction(127, 320)), ("1e-3 mm", "distance", Fraction(1, 1000)),
        ("720 detents/min", "turn rate", Fraction(12)), ("1 degrees", "angle", Fraction(1)),
    ],
)  # fmt: skip
def test_read_exactly(text: str, kind: str, value: Fraction) -> None:
    assert parse_quantity(text, kind).value == value


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("12", "time", "needs a unit"), (12, "time", "bare number"), (True, "time", "must be text"),
        ("nan mm", "distance", "finite"), ("-inf mm", "distance", "finite"),
        ("3 furlong", "distance", 'unit "furlong"'), ("1/0 mm", "distance", "divides by zero"),
        ("x mm", "distance", "not understood"), ("1" * 99 + " mm", "distance", "longer"), ("1e999 mm", "distance", "not understood"),
        ("1 6000 mm", "distance", "not understood"), ("1 1/2 in", "distance", "not understood"),
        ("1,23,456 mm", "distance", "not understood"), ("1..5 mm", "distance", "not understood"),
        ("5, mm", "distance", "not understood"), ("5 mm/", "distance", "not understood"), ("mm/s", "speed", "not understood"),
        ("5 pin", "distance", 'unit "pin"'), ("2 deg", "length", 'unit "deg" for a length'), ("10 tpi", "lead", 'unit "tpi"'),
        ("80 per furlong", "steps", 'unit "per furlong" for steps'), ("80 per 0 mm", "steps", "divides by zero"),
        ("3 turns/s", "turn rate", 'unit "turns/s"'),
    ],
)  # fmt: skip
def test_refused_in_words(text: object, kind: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        parse_quantity(text, kind)


PIECES = st.sampled_from([
    "1", "600", " ", ",", ".", "-", "/", " per ", " a ", "mm", "m", "M", "in", '"', "'", "°", "deg", "rev", "pi", "e9", "steps", "²",
    "^2", "s", "min", "%", "clicks", "\u202f",
])  # fmt: skip


@given(st.text(max_size=30) | st.lists(PIECES, max_size=9).map("".join), st.sampled_from(sorted(_KINDS)))
def test_any_text_is_read_or_refused_in_words(text: str, kind: str) -> None:
    try:
        assert isinstance(parse_quantity(text, kind).value, Fraction)
    except ValueError as error:
        rule, _, cure = str(error).partition(": ")
        assert rule
        assert cure.startswith(("write ", "give "))


def test_ratios() -> None:
    for same in ("3:1", "3", 3, " 3 : 1 ", "4,5:1.5", Decimal("3.0")):
        assert parse_ratio(same) == 3
    for bad in ("0:1", "3:0", 0, "a:b", "-3", "3:1:1", "", None, True, Decimal("NaN")):
        with pytest.raises(ValueError, match="colon"):
            parse_ratio(bad)
    with pytest.raises(ValueError, match='1.6 or 1600: write "1.6" or "1600"'):
        parse_ratio("1,600:1")


# ------------------------------------------------------------------ spellings of one quantity

# Kind, what one of it is in mm, deg, s or a second (1 in is 25.4 mm: ISO 80000-3; 1 turn is 360 deg), and its spellings.
INCH = Fraction(254, 10)
SPELLINGS = [
    ("distance", Fraction(1), "mm|millimetre|millimeters"), ("distance", Fraction(10), "cm"),
    ("distance", Fraction(1000), "m|metre|meters"), ("distance", Fraction(1, 1000), "um|µm|μm|micron|microns|micrometres"),
    ("distance", INCH, "in|in.|inch|inches"), ("distance", INCH / 1000, "thou|mil|mils"), ("distance", 12 * INCH, "ft|foot|feet"),
    ("distance", Fraction(1), "deg|deg.|°|degree|degrees"), ("distance", Fraction(360), "rev|revs|turn|turns|revolutions"),
    ("angle", Fraction(1, 60), "arcmin"), ("angle", Fraction(1, 3600), "arcsec"),
    ("speed", Fraction(1, 60), "mm/min|mm per min|mm/minute|mm / min.|mm a minute|millimetres per minute"),
    ("speed", Fraction(1), "mm/s|mm/sec|mm per second"), ("speed", Fraction(50, 3), "m/min"),
    ("speed", INCH / 60, "ipm|in/min|inch/min|inches per minute"), ("speed", INCH, "ips|in/s|in./sec."),
    ("speed", Fraction(1), "deg/s|°/s|degrees per second"), ("speed", Fraction(6), "rpm|rev/min|turns per minute"),
    ("acceleration", Fraction(1), "mm/s2|mm/s²|mm/s^2|mm/s/s|mm/sec2|mm per s per s|mm per second squared"),
    ("acceleration", INCH, "in/s2|in/s²|in/s^2|inch/sec²"), ("acceleration", Fraction(1), "deg/s2|°/s²"),
    ("acceleration", Fraction(1, 3600), "mm/min2|mm/min/min|mm per minute squared"),
    ("time", Fraction(1), "s|sec|second|seconds"), ("time", Fraction(1, 1000), "ms|msec|milliseconds"),
    ("time", Fraction(1, 10**6), "us|µs|μs|microseconds"), ("time", Fraction(60), "min|minutes"),
    ("turn rate", Fraction(1), "detents/s|clicks/s|clicks per second|click/sec|clicks a second"),
    ("turn rate", Fraction(1, 60), "detents/min|clicks per minute"), ("press rate", Fraction(1), "presses/s|press per second"),
    ("share", Fraction(1, 100), "%|percent"),
    ("steps", Fraction(1), "per mm|/mm|steps/mm|steps per mm|microsteps per mm|step / mm|steps a mm|pulses/mm"),
    ("steps", 1 / INCH, "per in|per inch|/in|steps/in.|steps an inch"), ("steps", Fraction(1), "per deg|/°|steps/degree"),
    ("steps", Fraction(1, 5), "steps per 5 mm|per 5 mm|steps / 5 mm"), ("steps", Fraction(8), "per 1/8 mm|steps per 0,125 mm"),
    ("lead", Fraction(1), "mm|mm/rev|mm per turn|mm a turn"), ("lead", INCH, "in|in/rev|inch per revolution"),
    ("lead", Fraction(1), "deg|deg/rev|° per turn"), ("pitch", Fraction(1), "mm|mm/thread"),
]  # fmt: skip
# The same, one over: steps per mm of so many mm per step.
UPSIDE_DOWN = [
    ("steps", Fraction(1), "mm per step|mm/step|mm/microstep"), ("steps", Fraction(1000), "um/step|µm per step|microns a step"),
    ("steps", 1 / INCH, "in/step"), ("steps", Fraction(1), "deg/step|° per step"),
    ("lead", Fraction(1), "rev/mm|turns per mm|rev / 1 mm"), ("lead", INCH, "turns per in|rev/inch"),
    ("lead", Fraction(5), "rev / 5 mm"), ("pitch", INCH, "tpi|threads per inch|thread/in"),
]  # fmt: skip


def figures(whole: int, decimals: str) -> set[str]:
    """A number as people write it, in every way that can be read one way only."""
    found = {f"{whole}.{decimals}" if decimals else str(whole)}
    groups, comma = f"{whole:,}", f",{decimals}" if decimals else ""
    found |= {groups.replace(",", gap) + comma for gap in (" ", "\u00a0", "\u2009", "\u202f")} if whole > 999 else set()
    if len(decimals) != 3 or whole == 0 or whole > 999:
        found.add(f"{whole}{comma}")
    if whole > 999 and (decimals or whole > 999_999):
        found |= {groups + comma.replace(",", "."), groups.replace(",", ".") + comma}
    return found


@pytest.mark.parametrize(("kind", "one", "words"), [*SPELLINGS, *UPSIDE_DOWN], ids=lambda part: str(part)[:30])
@settings(max_examples=20)
@given(st.integers(min_value=0, max_value=9_999_999), st.from_regex(r"[0-9]{0,4}", fullmatch=True), st.randoms(use_true_random=False))
def test_every_spelling_of_a_quantity_is_the_same_fraction(kind: str, one: Fraction, words: str, whole: int, decimals: str, chance) -> None:  # type: ignore[no-untyped-def]
    number = Fraction(Decimal(f"{whole}.{decimals or 0}"))
    expected = number * one
    if (kind, one, words) in UPSIDE_DOWN:
        expected = one / number if number else Fraction(0)
    for figure in figures(whole, decimals):
        for word in words.split("|"):
            gap = chance.choice([" ", "\u00a0"] if word.startswith("per ") else ["", " ", "\u00a0"])
            said = figure + gap + (word if re.search(r"\bm\b", word) else chance.choice([word, word.upper()]))
            found = parse_quantity(said, kind)
            assert found.value == expected, said
            assert found.angular == bool(re.search("deg|°|arc|rpm|rev|turn" if kind in ("distance", "speed") else "deg|°|arc", word))


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("1,600 mm", "distance", 'can be read two ways, 1.6 or 1600: write "1.6 mm" or "1600 mm"'),
        ("6,000 mm/min", "speed", 'can be read two ways, 6 or 6000: write "6 mm/min" or "6000 mm/min"'),
        ("6 mm/m", "speed", 'has "/m", which can mean per minute or per metre: write "/min" or "/metre"'),
        ("12 clicks/m", "turn rate", 'has "/m", which can mean per minute or per metre: write "/min" or "/metre"'),
        ('5"', "distance", 'has a mark that can mean inches or seconds of arc: write "in" or "arcsec"'),
        ("5'", "distance", 'has a mark that can mean feet or minutes of arc: write "ft" or "arcmin"'),
        ("5 M", "distance", 'has "M", which can mean metres or minutes: write "metre" or "min"'),
        ("5 Mm", "distance", 'has "Mm", which can mean millimetres or megametres: write "mm" or "m"'),
        ("5 Ms", "time", 'has "Ms", which can mean milliseconds or megaseconds: write "ms" or "s"'),
        ("80", "steps", 'can be read two ways, per mm or per in: write "80 per mm" or "80 per in"'),
        (80, "steps", 'can be read two ways, per mm or per in: write "80 per mm" or "80 per in"'),
        ("80 steps", "steps", 'can be read two ways, per mm or per in: write "80 per mm" or "80 per in"'),
        ("80 mm", "steps", 'can be read two ways, mm per step or steps per mm: write "80 mm per step" or "80 per mm"'),
        ("1 rev / 5 mm", "steps", "says turns, not steps: write a drive with its steps and divide, such as "
         'motor = { steps = 200, divide = 16, lead = "1 rev / 5 mm" }'),
        ("3200 steps/rev", "steps", "can be read two ways, per turn of the motor or of the axis: write "
         'motor = { steps = 200, divide = 16, lead = "5 mm" } or "3200 per 360 deg"'),
    ],
)  # fmt: skip
def test_what_can_be_read_two_ways_is_refused_with_both(text: object, kind: str, says: str) -> None:
    with pytest.raises(ValueError, match="^") as caught:
        parse_quantity(text, kind)
    assert str(caught.value) == says
    for reading in re.findall(r'(?<!lead = )"([0-9][^"]*)"', says):
        assert parse_quantity(reading, kind).value > 0, "the cure can be read"


def test_a_point_stays_a_decimal_point() -> None:
    assert parse_quantity("6.000 mm", "distance").value == 6
    assert parse_quantity("1.234.567 mm", "distance").value == 1234567
    assert parse_quantity("0,125 mm", "distance").value == Fraction(1, 8)


def test_every_example_can_be_read() -> None:
    for kind, examples in EXAMPLES.items():
        for example in examples.split('"')[1::2]:
            read = {"ratio": parse_ratio, "number": parse_number}.get(kind)
            assert (read(example) if read else parse_quantity(example, kind).value) > 0


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [("0,02 mm", "mm", "0.02"), ("0.02mm", "mm", "0.02"), ("20 µm", "mm", "0.02"), ("1/50 mm", "mm", "0.02"), (" -7,5 ", "mm", "-7.5"),
     ("0.0005 in", "mm", "0.0127"), ("15 %", "%", "15"), ("15", "%", "15"), ("45 ms", "ms", "45"), ("0,045 s", "ms", "45"),
     ("6000 mm/min", "mm/s", "100"), ("20 per second", "clicks/s", "20"), ("1200 clicks/min", "clicks/s", "20"), ("8/5", "steps", "1.6")],
)  # fmt: skip
def test_a_number_is_read_in_its_unit(text: str, unit: str, value: str) -> None:
    """1 in is 25.4 mm (ISO 80000-3); the rest by powers of ten and sixtieths."""
    assert parse_number(text, unit) == Fraction(value)


@pytest.mark.parametrize(
    ("text", "unit", "word"),
    [("2 s", "mm", "of mm"), ("15 %", "mm", "another kind"), ("1,250", "mm", "two ways"), ("1/0", "mm", "zero"), ("a lot", "mm", "not understood"),
     ("20 steps/s", "clicks/s", "another kind"), ("3 mm", "", "without a unit"), ("nan", "mm", "finite")],
)  # fmt: skip
def test_what_is_no_number_of_the_unit_is_told(text: str, unit: str, word: str) -> None:
    with pytest.raises(ValueError, match=word):
        parse_number(text, unit)


@pytest.mark.parametrize(
    ("text", "exact"),
    [("0.000625 mm/step", True), ("0.0015625 mm/step", True), ("0.019635 mm/step", False), ("1259.84252 per mm", False),
     ("1600/3 per mm", True), ("200 per 20 pi mm", False), ("200 per 0.19685 in", False), ("200 per 0.2 in", True)],
)  # fmt: skip
def test_rounded_figures_are_told_whichever_way_up(text: str, exact: bool) -> None:
    """1/1600 and 1/640 mm a step are whole steps per mm; 0.019635 mm is pi * 20 / 3200, rounded."""
    assert parse_quantity(text, "steps").exact is exact


@given(st.fractions(min_value=Fraction(1, 10**6), max_value=10**6))
def test_plain_neighbours(number: Fraction) -> None:
    below, above = plain_at_most(number), plain_at_least(number)
    assert below <= number <= above
    assert is_plain(below)
    assert is_plain(above)
    assert above / below <= Fraction(5, 2)


@given(st.fractions(min_value=Fraction(1, 10**6), max_value=10**6), st.sampled_from(["mm", "in", "deg"]))
def test_units_there_and_back(number: Fraction, unit: str) -> None:
    assert in_unit(from_unit(number, unit), unit) == number


@given(st.integers(min_value=1, max_value=10**7), st.integers(min_value=0, max_value=4), st.sampled_from(sorted(UNIT_FACTORS)))
def test_what_is_said_is_read_again(number: int, decimals: int, unit: str) -> None:
    distance = from_unit(Fraction(number, 10**decimals), unit)
    assert parse_quantity(say_distance(distance, unit, digits=12), "distance").value == distance


@pytest.mark.parametrize(("value", "text"), [(0, "0"), (0.1, "0.1"), (1e-4, "0.0001"), (12345678, "12345678"), (1200.0, "1200")])
def test_numbers_read_as_people_write_them(value: float, text: str) -> None:
    assert say_number(value) == text
