"""Ladders, series and exact steps, with invariants over seeds."""

from __future__ import annotations

import random
from fractions import Fraction
from functools import reduce
from math import gcd

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jogtune.files import InputFault
from jogtune.ladder.ladder import Ladder, as_ladder, fraction_lcm, round_half_up, series_values
from jogtune.ladder.steps import click_pattern, drift_carry, drift_drop
from jogtune.machine.file import read_machine

steps_per_mm = st.builds(Fraction, st.integers(1, 100_000), st.integers(1, 999))


@given(st.lists(steps_per_mm, min_size=1, max_size=4))
def test_the_common_whole_step_is_whole_on_all_axes_and_none_smaller_is(drives: list[Fraction]) -> None:
    common = reduce(fraction_lcm, (1 / steps for steps in drives))
    assert all((common * steps).denominator == 1 for steps in drives)
    # A distance whole on every axis divides `common` with a whole quotient k only if k divides every count.
    assert gcd(*(int(common * steps) for steps in drives)) == 1


def test_no_smaller_distance_is_whole_by_trying_them_all() -> None:
    seeded = random.Random(4)
    for _ in range(200):
        drives = [Fraction(seeded.randint(1, 60), seeded.randint(1, 6)) for _ in range(3)]
        common = reduce(fraction_lcm, (1 / steps for steps in drives))
        step = 1 / drives[0]
        tried = (k * step for k in range(1, int(common / step)))
        assert not any(all((d * steps).denominator == 1 for steps in drives) for d in tried)


@pytest.mark.parametrize(
    ("series", "highest", "expected"),
    [
        ("1-10-100", 1000, (1, 10, 100, 1000)),
        ("1-2-5", 60, (1, 2, 5, 10, 20, 50)),
        ("1-3-10", 30, (1, 3, 10, 30)),
        ("doubling", 20, (1, 2, 4, 8, 16)),
        ("R5", 100, (1, 2, 3, 4, 6, 10, 16, 25, 40, 63, 100)),
        ('R"5', 60, (1, 2, 3, 4, 6, 10, 15, 25, 40, 60)),
        ("1, 4, 20", 100, (1, 4, 20)),
        ("1 4 20", 10, (1, 4)),
    ],
)
def test_series_in_whole_multiples(series: str, highest: int, expected: tuple[int, ...]) -> None:
    assert tuple(value.multiplier for value in series_values(series, highest)) == expected


def test_a_series_states_how_far_rounding_moved_it() -> None:
    by_multiplier = {value.multiplier: value for value in series_values("R5", 10)}
    assert by_multiplier[2].deviation == pytest.approx(0.25)
    assert by_multiplier[3].deviation == pytest.approx(0.2)
    assert by_multiplier[10].deviation == 0


def test_plain_keeps_what_is_plain_in_the_unit() -> None:
    values = series_values("plain", 100, base=Fraction(1, 50))
    assert [v.multiplier for v in values] == [1, 5, 10, 25, 50, 100]


@pytest.mark.parametrize("series", ["", "R7", "2 1", "0 1", "1 1", "a b", "-1 2", "1,2,=3"])
def test_an_unknown_series_is_refused_with_a_cure(series: str) -> None:
    with pytest.raises(ValueError, match="your own|must rise"):
        series_values(series, 100)


def test_a_ladder_from_gains_and_back() -> None:
    gains = [Fraction(1), Fraction(1, 50), Fraction(1, 4)]
    ladder = Ladder.from_gains(gains)
    assert ladder.gains_mm == tuple(sorted(gains))
    assert ladder.base_mm == Fraction(1, 100)


def test_a_ladder_as_typed_is_exact_and_says_itself() -> None:
    ladder = Ladder.parse("2; 0.02 0.2")
    assert ladder.gains_mm == (Fraction(1, 50), Fraction(1, 5), Fraction(2))
    assert repr(ladder) == "Ladder(0.02, 0.2, 2 mm)"
    # 25.4 mm an inch: ISO 80000-3
    assert Ladder.parse("0.001, 0.01", "in").gains_mm == (Fraction(127, 5000), Fraction(127, 500))
    assert Ladder.parse("0.127 mm", "in").say() == "0.005 in"


def test_each_number_at_fault_is_named_at_once() -> None:
    with pytest.raises(InputFault) as caught:
        Ladder.parse("0.1, x, 0.1, -2, 20000", most_rungs=1)
    faults = caught.value.faults
    assert [fault.value for fault in faults] == ["x", None, None, None, None]
    assert [fault.rule for fault in faults] == [
        "is not a number", "must be above 0", "must be 1e-07 to 10000 mm", "names a distance twice", "has 2 rungs",
    ]  # fmt: skip


def test_plainness_counts_the_digits_of_what_is_not_plain() -> None:
    assert Ladder.parse("1, 10, 100").plainness == 0
    assert Ladder.parse("1, 4, 25").plainness == 1 + 2
    assert Ladder.parse("0.01", "in").plainness == 0


@pytest.mark.parametrize("multipliers", [(), (0, 1), (2, 1), (1, 1)])
def test_a_ladder_must_rise(multipliers: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="must be whole numbers that rise"):
        Ladder(base_mm=Fraction(1), multipliers=multipliers)


# ------------------------------------------------------------------ what firmware does, replayed click by click


def test_drift_of_dropped_remainders_equals_a_replay() -> None:
    seeded = random.Random(7)
    for _ in range(100):
        steps = Fraction(seeded.randint(1, 400), seeded.randint(1, 80))
        drift = drift_drop(steps)
        assert sum(int(steps) for _ in range(1000)) - 1000 * steps == pytest.approx(drift.one_way_steps, abs=1e-6)
        assert sum(int(way * steps) for way in [1] * 1000 + [-1] * 1000) == drift.return_steps


def test_kept_remainders_never_err_by_more_than_half_a_step() -> None:
    bound = drift_carry().bound_steps
    assert bound is not None
    seeded = random.Random(8)
    for _ in range(100):
        steps = Fraction(seeded.randint(1, 4000), seeded.randint(1, 977))
        assert max(abs(round_half_up(k * steps) - k * steps) for k in range(1000)) <= bound


def test_dead_clicks() -> None:
    assert click_pattern(Fraction(1, 4)).dead_share == 0.75
    assert click_pattern(Fraction(5, 4)).dead_share == 0.0


def test_a_list_of_distances_is_a_ladder_and_each_may_have_its_unit() -> None:
    router = read_machine("datasets/machines/inlay_router.toml")
    typed = as_ladder("0.02, 0.1, 1", router)
    for typed_so in ([0.02, 0.1, 1], ("0.02 mm", "0.1 mm", "1 mm"), "0.02 mm, 0.1 mm, 1 mm", "0.02mm;0.1 mm; 1 mm"):
        assert as_ladder(typed_so, router) == typed
    with pytest.raises(InputFault, match="is not a number"):
        as_ladder("0.02 in, 0.1 mm", router)
