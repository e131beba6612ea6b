"""Drives of an axis: each becomes the motor that it is, and its faults name their place.

Standards are cited from memory: their figures were not re-read in the source."""

from __future__ import annotations

import itertools
import math
import tomllib
from fractions import Fraction
from typing import Any

import pytest

from jogtune.files import InputFault
from jogtune.machine.fields import _DRIVES
from jogtune.machine.file import _parse_machine, read_machine
from jogtune.machine.model import Axis
from machine_text import sound, text_of
from places import MACHINES

MOTOR = {"steps": 200, "divide": 16}
TABLES: dict[str, dict[str, Any]] = {
    "motor": {"lead": "8 mm", **MOTOR}, "belt": {"pitch": "2 mm", "teeth": 20, **MOTOR}, "screw": {"pitch": "2 mm", "starts": 4, **MOTOR},
    "rack": {"module": "1 mm", "teeth": 20, **MOTOR}, "rotary": {"ratio": "90:1", **MOTOR},
}  # fmt: skip
TURNS = {"top_speed": "10 rpm", "ramp": "90 deg/s2", "reach": "1 turn", "finest": "0.01 deg"}


def tables_with(drives: dict[str, Any], **others: Any) -> dict[str, Any]:
    """The sound tables, where axis Z is driven so and turns where its drive does."""
    tables = sound()
    del tables["axis"][1]["motor"]
    tables["axis"][1] |= {**(TURNS if "rotary" in drives else {}), **drives, **others}
    return tables


def driven(name: str, **keys: Any) -> Axis:
    return _parse_machine(text_of(tables_with({name: {**TABLES[name], **keys}}))).axes[1]


def faults(drives: dict[str, Any], **others: Any) -> list[str]:
    with pytest.raises(InputFault) as caught:
        _parse_machine(text_of(tables_with(drives, **others)))
    return [str(fault) for fault in caught.value.faults]


# Way per turn and steps per mm (or deg) of a 200-step motor with 16 microsteps.
WORKED = [
    # ISO 5296, type XL: pitch 5.080 mm, which is 0.2 in (from memory); arithmetic
    ("belt", {"pitch": "0.2 in", "teeth": 10}, Fraction(508, 10), Fraction(3200 * 10, 508)),
    # ISO 13050, type 8M: pitch 8 mm (from memory); arithmetic
    ("belt", {"pitch": "8 mm", "teeth": 25}, Fraction(200), Fraction(16)),
    # ISO 2901 to 2904 write a thread of two starts "Tr 40 x 14 (P7)": lead 14 mm, pitch 7 mm (from memory)
    ("screw", {"pitch": "7 mm", "starts": 2}, Fraction(14), Fraction(1600, 7)),
    # 5 threads an inch, 2 starts: 0.4 in a turn; arithmetic
    ("screw", {"pitch": "5 tpi", "starts": 2}, Fraction(1016, 100), Fraction(3200 * 100, 1016)),
    ("screw", {"pitch": "2,5 mm", "starts": 1, "reduction": 2}, Fraction(5, 2), Fraction(2560)),
    # a worm of one start and a wheel of 90 teeth: 3200 * 90 / 360; arithmetic
    ("rotary", {"ratio": "90:1"}, Fraction(360), Fraction(800)), ("rotary", {"ratio": 90}, Fraction(360), Fraction(800)),
    ("rotary", {"ratio": "4.5"}, Fraction(360), Fraction(40)),
]  # fmt: skip


@pytest.mark.parametrize(("name", "keys", "lead", "steps"), WORKED)
def test_worked_examples(name: str, keys: dict[str, Any], lead: Fraction, steps: Fraction) -> None:
    axis = driven(name, **keys)
    assert axis.motor is not None
    assert (axis.motor.lead_mm, axis.steps_per_mm, axis.exact, axis.rotary) == (lead, steps, True, name == "rotary")
    assert (axis.motor.full_steps, axis.motor.divide, axis.divide) == (200, 16, 16)


def test_a_rack_is_known_by_its_module_and_inexact() -> None:
    """ISO 54: module 1.25 mm is of its first series; the pitch of a rack is pi times the module (both from memory)."""
    axis = driven("rack", module="1.25 mm", teeth=16, reduction="5:1")
    assert float(axis.steps_per_mm) == pytest.approx(200 * 16 * 5 / (math.pi * 1.25 * 16), rel=1e-12)
    assert not axis.exact


def test_a_drive_is_the_motor_that_says_the_same() -> None:
    for name, lead in (("belt", "40 mm"), ("screw", "8 mm"), ("rack", "20 pi mm")):
        assert driven(name, reduction="3:1") == driven("motor", lead=lead, reduction="3:1"), name
    turning = _parse_machine(text_of(tables_with({"motor": {"lead": "360 deg", **MOTOR, "reduction": "90:1"}}, **TURNS))).axes[1]
    assert driven("rotary") == turning
    for lead in ("8 mm/rev", "8 mm per turn", "1 rev / 8 mm", "0.125 rev/mm", "1 turn per 8 mm", "0,8 cm"):
        assert driven("motor", lead=lead) == driven("motor")
    for reduction in ("5", 5, "5:1", "10:2"):
        assert driven("belt", reduction=reduction).steps_per_mm == 400


def test_the_sign_tables_rack_is_the_lead_of_20_pi_mm(sign: Any) -> None:
    text = (MACHINES / "sign_table.toml").read_text(encoding="utf-8")
    rack = next(line for line in text.splitlines() if line.startswith("rack = "))
    motor = 'motor = { steps = 200, divide = 16, lead = "20 pi mm", reduction = "5:1" }'
    assert _parse_machine(text.replace(rack, motor)).axes == read_machine(MACHINES / "sign_table.toml").axes


@pytest.mark.parametrize("pair", [(), *itertools.combinations(("steps", *TABLES), 2), ("steps", *TABLES)])
def test_an_axis_has_one_drive(pair: tuple[str, ...]) -> None:
    said = {name: TABLES.get(name, "80 per mm") for name in pair}
    cure = f"keep one of {', '.join(pair)}" if pair else 'add for example steps = "80 per mm"'
    assert faults(said) == [f"axis Z: steps: give exactly one of steps, motor, belt, screw, rack, rotary: {cure}"]


@pytest.mark.parametrize(
    ("name", "keys", "said"),
    [
        ("belt", {"pitch": "2 deg", "teeth": 2, "tooth": 20, "steps": "200", "divide": 0},
         ["tooth = 20: is not a known key", 'pitch = "2 deg": does not take the unit "deg" for a length', "teeth = 2: must be 3 to 1000",
          'steps = "200": must be a whole number', "divide = 0: must be 1 to 1024"]),
        ("screw", {"pitch": "0 mm", "starts": 101, "reduction": "0:1"},
         ['pitch = "0 mm": must be above 0', "starts = 101: must be 1 to 100", 'reduction = "0:1": must be above 0']),
        ("rack", {"module": "1,500 mm", "teeth": True}, ['module = "1,500 mm": can be read two ways', "teeth = true: must be a whole"]),
        ("rack", {"module": "1 deg"}, ['module = "1 deg": does not take the unit "deg" for a length']),
        ("rotary", {"ratio": 10_001, "lead": "360 deg"}, ["lead = ", "ratio = 10001: must be 1:10000 to 10000:1"]),
        ("motor", {"lead": "5", "reduction": -3}, ['lead = "5": needs a unit', "reduction = -3: must be one number, or two"]),
    ],
)  # fmt: skip
def test_a_faulty_drive_lists_all_its_faults_with_their_place(name: str, keys: dict[str, Any], said: list[str]) -> None:
    found = faults({name: {**TABLES[name], **keys}})
    assert len(found) == len(said)
    for fault, start in zip(found, said, strict=True):
        assert fault.startswith(f"axis Z: {name}: {start}")


@pytest.mark.parametrize(("name", "key"), [(name, key) for name, table in TABLES.items() for key in table])
def test_a_missing_key_of_a_drive_is_asked_for_with_an_example(name: str, key: str) -> None:
    (fault,) = faults({name: {at: value for at, value in TABLES[name].items() if at != key}})
    assert fault == f"axis Z: {name}: {key}: is missing: add it, for example {key} = {_DRIVES[name][1][key].example}"


def test_a_drive_is_held_to_the_bounds_of_a_motor() -> None:
    assert driven("belt", pitch="100 mm", teeth=100).motor.lead_mm == 10_000  # type: ignore[union-attr]
    assert faults({"belt": {**TABLES["belt"], "pitch": "100 mm", "teeth": 101}}) == [
        "axis Z: belt: makes a lead of 10100 mm (or deg), outside 0.001 to 10000: check it"
    ]
    slow = {"pitch": "0.32 mm", "starts": 1, **MOTOR}
    assert driven("screw", **slow, reduction=1000).steps_per_mm == 10_000_000
    assert faults({"screw": {**slow, "reduction": 1001}})[0].startswith("axis Z: screw: makes 10010000 steps per mm")
    assert driven("motor", steps=10, divide=1, lead="10 m").steps_per_mm == Fraction(1, 1000)
    assert faults({"motor": {"steps": 9, "divide": 1, "lead": "10 m"}})[0].startswith("axis Z: motor: makes 0.0009 steps per mm")
    assert faults({"belt": 3}) == ["axis Z: belt = 3: must be a table with keys of its own"]


@pytest.mark.parametrize("name", TABLES)
def test_what_else_an_axis_says_goes_with_its_drive(name: str) -> None:
    assert faults({name: TABLES[name]}, divide=16) == [f"axis Z: divide = 16: is given in {name} already: remove it here"]
    wrong, right = ("5 mm", "deg") if name == "rotary" else ("5 deg", "mm or in")
    assert faults({name: TABLES[name]}, reach=wrong) == [f'axis Z: reach = "{wrong}": must be in {right}, as its steps are given']


def test_every_key_of_a_drive_says_what_it_is() -> None:
    assert set(_DRIVES) == set(TABLES)
    for said, keys, _ in _DRIVES.values():
        assert all(field.words and field.example for field in keys.values())
        assert said
    for name, (_, keys, _) in _DRIVES.items():
        table = {key: tomllib.loads(f"value = {field.example}")["value"] for key, field in keys.items()}
        assert _parse_machine(text_of(tables_with({name: table}))).axes[1].motor is not None
