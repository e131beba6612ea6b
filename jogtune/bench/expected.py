"""Instruments, and what each should read."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from fractions import Fraction

from ..axis.resolution import real_resolution
from ..ladder.ladder import Ladder, Rung
from ..machine.model import Axis, Machine
from ..units import in_unit, say_number

CLICKS, ROUNDS = 10, 3
REACH_SHARE = 0.8  # of the reach, at most, is used on the bench


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """What a distance is read with: how far it goes, and how far a careful reading may be off [mm or degrees]."""

    name: str
    travel_mm: float
    within_mm: float


# Common practice, no source: graduations of 0.001 and 0.01 mm, a caliper to 0.05 mm, a rule to half a mm.
FINE_DIAL = Instrument(name="0.001 mm dial", travel_mm=1.0, within_mm=0.002)
LINEAR = (
    Instrument(name="0.01 mm dial", travel_mm=10.0, within_mm=0.01),
    Instrument(name="caliper", travel_mm=150.0, within_mm=0.05),
    Instrument(name="steel rule", travel_mm=math.inf, within_mm=0.5),
)
# On an arm of 57.3 mm one mm of arc is one degree; beyond 5 degrees its sine is 0.1 % short.
ROTARY = (
    Instrument(name="0.01 mm dial, on arm", travel_mm=5.0, within_mm=0.01),
    Instrument(name="protractor", travel_mm=math.inf, within_mm=0.2),
)


def pick_instrument(gain_mm: float, span_mm: float, *, rotary: bool = False) -> Instrument:
    """The finest usual instrument that spans a distance; the 0.001 mm dial only for rungs below 0.01 mm."""
    if not rotary and gain_mm < 0.01 and span_mm <= FINE_DIAL.travel_mm:
        return FINE_DIAL
    return next(tool for tool in (ROTARY if rotary else LINEAR) if span_mm <= tool.travel_mm)


@dataclass(frozen=True, kw_only=True)
class Expected:
    """What one rung should read on one axis [mm or degrees]: after `detents` clicks up, and after as many back.

    `within_mm` is how far a reading may be off while all is well: instrument and machine together.
    """

    axis: str
    position: int
    gain_mm: Fraction
    detents: int
    instrument: Instrument
    up_mm: float
    back_mm: float
    within_mm: float


def expected_readings(machine: Machine, axis: Axis, ladder: Ladder) -> tuple[Expected, ...]:
    """What an axis should read on each rung; a rung whose single click goes beyond the reach is left out."""
    return tuple(row for rung in ladder.rungs if (row := _expected(machine, axis, rung)).detents > 0)


def _expected(machine: Machine, axis: Axis, rung: Rung) -> Expected:
    gain = machine.axis_gain(axis, rung.gain_mm)
    clicks = min(CLICKS, math.floor(REACH_SHARE * axis.reach_mm / float(gain)))
    up = float(clicks * gain)
    tool = pick_instrument(float(gain), up, rotary=axis.rotary)
    return Expected(
        axis=axis.name, position=rung.position, gain_mm=gain, detents=clicks, instrument=tool, up_mm=up,
        back_mm=min(axis.slack_mm, up), within_mm=tool.within_mm + real_resolution(axis).one_way_mm,
    )  # fmt: skip


def readings_template(machine: Machine, ladder: Ladder, *, rounds: int = ROUNDS) -> str:
    """The table to type readings into, as CSV text with empty readings."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["axis", "unit", "gain", "detents", "reading"])
    for axis in machine.axes:
        unit = machine.shown_unit(axis)
        for row in expected_readings(machine, axis, ladder):
            exact = in_unit(row.gain_mm, unit)
            plain = say_number(exact, digits=9)
            gain = plain if Fraction(plain) == exact else str(exact)
            writer.writerow([axis.name, unit, gain, 0, 0])
            writer.writerows([axis.name, unit, gain, sign * row.detents, ""] for _ in range(rounds) for sign in (1, -1))
    return stream.getvalue()
