"""The main work against figures from outside; the source stands beside each check."""

from __future__ import annotations

import csv
import math
import random
from fractions import Fraction

import pytest

from jogtune.axis.limits import STEP_ACCURACY_SHARE, friction_lag
from jogtune.ladder.ladder import _SERIES, fraction_lcm, round_half_up
from jogtune.ladder.steps import click_pattern
from jogtune.machine.file import _parse_machine
from machine_text import text_of, with_value, without
from places import REFERENCE


def _rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


# datasets/reference/drivetrains.csv: arithmetic; the belts, screws and their 80 and 400 steps/mm are
# common practice, no source; the exact inch is ISO 80000-3. Printed to 6 decimals (steps) and 4+ digits.
LEADS = {
    "belt 2 mm pitch 20 teeth": ("40 mm", "1:1", "belt", {"pitch": "2 mm", "teeth": 20}),
    "belt 2 mm pitch 16 teeth": ("32 mm", "1:1", "belt", {"pitch": "2 mm", "teeth": 16}),
    "trapezoidal screw Tr8x8 (4 starts)": ("8 mm", "1:1", "screw", {"pitch": "2 mm", "starts": 4}),
    "trapezoidal screw Tr8x2": ("2 mm/rev", "1:1", "screw", {"pitch": "2 mm", "starts": 1}),
    "ball screw 5 mm lead": ("1 rev / 5 mm", "1:1", "screw", {"pitch": "5 mm", "starts": 1}),
    "ball screw 10 mm lead": ("10 mm per turn", "1:1", "screw", {"pitch": "10 mm", "starts": 1}),
    "rack module 1 pinion 20 teeth": ("20 pi mm", "1:1", "rack", {"module": "1 mm", "teeth": 20}),
    "ACME 10 TPI": ("10 turns per in", "1:1", "screw", {"pitch": "10 tpi", "starts": 1}),
    "trapezoidal screw Tr12x3": ("3 mm", "1:1", "screw", {"pitch": "3 mm", "starts": 1}),
    "32:20 belt step-up onto Tr8x8": ("8 mm", "20:32", "screw", {"pitch": "2 mm", "starts": 4}),
}  # fmt: skip


@pytest.mark.parametrize("as_lead", [True, False], ids=["lead", "drive"])
@pytest.mark.parametrize("row", _rows("drivetrains.csv"), ids=lambda row: row["drive"])
def test_drivetrains_to_the_printed_digits(row: dict[str, str], as_lead: bool) -> None:
    lead, reduction, drive, keys = LEADS[row["drive"]]
    motor = {"steps": int(row["full_steps_per_turn"]), "divide": int(row["microsteps"]), "reduction": reduction}
    tables = without("axis.1.motor")
    tables["axis"][1] |= {"motor": {**motor, "lead": lead}} if as_lead else {drive: {**motor, **keys}}
    axis = _parse_machine(text_of(tables)).axes[1]
    assert float(axis.steps_per_mm) == pytest.approx(float(row["steps_per_mm"]), abs=5e-7)
    assert float(axis.step_mm) == pytest.approx(float(row["mm_per_step"]), abs=5e-9)
    assert axis.motor is not None
    assert float(axis.motor.lead_mm / axis.motor.reduction) == pytest.approx(float(row["mm_per_turn"]), abs=5e-7)
    assert axis.exact is (row["drive"] != "rack module 1 pinion 20 teeth")


def test_common_whole_steps() -> None:
    # arithmetic: lcm(1/80, 1/400) = 1/80; lcm(1/80, 3/1600) = 3/80
    assert fraction_lcm(Fraction(1, 80), Fraction(1, 400)) == Fraction(1, 80)
    assert fraction_lcm(Fraction(1, 80), Fraction(3, 1600)) == Fraction(3, 80)


@pytest.mark.parametrize("row", _rows("preferred_numbers.csv"), ids=lambda row: row["series"])
def test_preferred_numbers(row: dict[str, str]) -> None:
    # ISO 3 as printed by PyPI renard 1.3.13; the E series and R20 are not series of ours
    if row["series"] in _SERIES:
        assert _SERIES[row["series"]] == tuple(Fraction(v) for v in row["values"].split())
    else:
        assert row["series"] in {"R20", "E6", "E12"}


@pytest.mark.parametrize("row", _rows("microstep_incremental_torque.csv"), ids=lambda row: row["microsteps_per_full_step"])
def test_incremental_torque(row: dict[str, str]) -> None:
    # 100·sin(90°/N), derived; 1/16 and 1/256 also in motor makers' application notes. Printed to 4 decimals.
    # Friction of that share holds the motor back by one microstep.
    divide, percent = int(row["microsteps_per_full_step"]), float(row["incremental_torque_pct_of_holding"])
    assert 100 * math.sin(math.radians(90 / divide)) == pytest.approx(percent, abs=5e-5)
    assert friction_lag(1.0, percent / 100) == pytest.approx(1 / divide, rel=2e-4)


def test_step_accuracy() -> None:
    # motor makers' data sheets: ±5 % of a 1.8° step, ±0.09°: ±10 µm on 40 mm/turn, ±2 on 8 mm, ±1.25 on 5 mm
    assert pytest.approx(0.09) == STEP_ACCURACY_SHARE * 1.8
    for lead_mm, micrometres in ((40, 10), (8, 2), (5, 1.25)):
        assert STEP_ACCURACY_SHARE * lead_mm / 200 * 1000 == pytest.approx(micrometres)


def test_friction_lag() -> None:
    # arithmetic: asin(0.20)/90° of 40 mm/200 = 0.0256 mm, printed as 0.026
    assert friction_lag(40 / 200, 0.20) == pytest.approx(0.026, abs=5e-4)
    assert friction_lag(0.2, 0.2) == pytest.approx(math.asin(0.2) / (math.pi / 2) * 0.2)


def test_sixteen_fifths() -> None:
    # datasets/reference: number theory of balanced sequences; 16/5 gives 3,3,4,3,3
    assert click_pattern(Fraction(16, 5)).gaps == (3, 3, 4, 3, 3)


def test_balanced_sequences_over_1000_fractions() -> None:
    # number theory of balanced (Sturmian) sequences: gaps floor or ceil, |s_k - k·α| ≤ 1/2, any two windows
    # of equal length differ by at most 1, α = p/q repeats after q clicks with sum p
    seeded = random.Random(3)
    for _ in range(1000):
        p, q = seeded.randint(1, 400), seeded.randint(1, 60)
        alpha = Fraction(p, q)
        pattern = click_pattern(alpha)
        assert pattern.period == alpha.denominator
        assert sum(pattern.gaps) == alpha.numerator
        assert set(pattern.gaps) <= {math.floor(alpha), math.ceil(alpha)}
        twice = pattern.gaps * 2
        for length in range(1, pattern.period + 1):
            sums = {sum(twice[i : i + length]) for i in range(pattern.period)}
            assert max(sums) - min(sums) <= 1
        assert all(abs(round_half_up(k * alpha) - k * alpha) <= Fraction(1, 2) for k in range(2 * q))


@pytest.mark.parametrize("row", _rows("panel_encoders.csv"), ids=lambda row: f"{row['part_class']} {row['detents_per_turn']}")
def test_every_common_encoder_fits_a_machine_file(row: dict[str, str]) -> None:
    # makers' data sheets (panel encoders); hand wheels from memory: counts per detent are 4·pulses/detents
    tables = with_value("knob.detents_per_turn", int(row["detents_per_turn"]))
    tables["knob"]["counts_per_detent"] = int(row["counts_per_detent"])
    knob = _parse_machine(text_of(tables)).knob
    assert knob.counts_per_detent * knob.detents_per_turn == 4 * int(row["pulses_per_turn"])
    if row["max_rpm"]:
        fastest_detents_s = float(row["max_rpm"]) / 60 * knob.detents_per_turn
        tables["knob"].update(steady=f"{fastest_detents_s / 4} detents/s", fastest=f"{fastest_detents_s} detents/s")
        assert _parse_machine(text_of(tables)).knob.fastest_detents_s == pytest.approx(fastest_detents_s)
