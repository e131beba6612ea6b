"""Quantities as people say them."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jogtune.units import (
    _KINDS,
    from_unit,
    in_unit,
    is_plain,
    parse_quantity,
    parse_ratio,
    parse_steps,
    plain_at_least,
    plain_at_most,
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
        ("1,5 mm", "distance", "comma"), ("nan mm", "distance", "finite"), ("-inf mm", "distance", "finite"),
        ("3 furlong", "distance", 'unit "furlong"'), ("1/0 mm", "distance", "divides by zero"),
        ("x mm", "distance", "not understood"), ("1" * 99 + " mm", "distance", "longer"), ("1e999 mm", "distance", "unit"),
    ],
)  # fmt: skip
def test_refused_in_words(text: object, kind: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        parse_quantity(text, kind)


@given(st.text(max_size=30), st.sampled_from(sorted(_KINDS)))
def test_any_text_is_read_or_refused_in_words(text: str, kind: str) -> None:
    try:
        assert isinstance(parse_quantity(text, kind).value, Fraction)
    except ValueError as error:
        assert "write for example" in str(error) or "divides by zero" in str(error)


def test_steps_and_ratios() -> None:
    assert parse_steps("1600/3 per mm").value == Fraction(1600, 3)
    assert parse_steps("100 per deg").angular
    assert parse_ratio("3:1") == 3
    for bad in ("3", "0:1", "a:b", 3, None):
        with pytest.raises(ValueError, match="colon"):
            parse_ratio(bad)


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


@pytest.mark.parametrize(("value", "text"), [(0, "0"), (0.1, "0.1"), (1e-4, "0.0001"), (12345678, "12345678"), (1200.0, "1200")])
def test_numbers_read_as_people_write_them(value: float, text: str) -> None:
    assert say_number(value) == text
