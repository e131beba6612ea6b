"""What a dial should read; readings in."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..axis.limits import real_resolution
from ..axis.outstanding import derive_outstanding
from ..files import Fault, InputFault
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from ..machine.readers import read_rows
from ..notes import Note
from ..signs import bare, csv_text
from ..units import UNIT_FACTORS, in_unit, say_number

if TYPE_CHECKING:
    import pandas as pd

_CLICKS, ROUNDS = 10, 3
_REACH_SHARE = 0.8  # of the reach, at most, is used on the bench


@dataclass(frozen=True, kw_only=True)
class _Instrument:
    """What a distance is read with: how far it reads, how far a careful reading may be off, and where it would be broken
    [mm or degrees]."""

    name: str
    travel_mm: float
    within_mm: float
    stroke_mm: float = math.inf


# Common practice, no source: graduations of 0.001 and 0.01 mm, a caliper to 0.05 mm, a rule to half a mm.
_FINE_DIAL = _Instrument(name="0.001 mm dial", travel_mm=1.0, within_mm=0.002, stroke_mm=1.0)
_LINEAR = (
    _Instrument(name="0.01 mm dial", travel_mm=10.0, within_mm=0.01, stroke_mm=10.0),
    _Instrument(name="caliper", travel_mm=150.0, within_mm=0.05),
    _Instrument(name="steel rule", travel_mm=math.inf, within_mm=0.5),
)
# On an arm of 57.3 mm one mm of arc is one degree; beyond 5 degrees its sine is 0.1 % short.
_ROTARY = (
    _Instrument(name="0.01 mm dial, on arm", travel_mm=5.0, within_mm=0.01, stroke_mm=10.0),
    _Instrument(name="protractor", travel_mm=math.inf, within_mm=0.2),
)


def _pick_instrument(gain_mm: float, span_mm: float, *, rotary: bool = False, hurried_mm: float = 0.0) -> _Instrument:
    """The finest usual instrument that spans a distance, with twice a hurried click of stroke left, else it has to come off; the
    0.001 mm dial only for rungs below 0.01 mm."""
    tools = _ROTARY if rotary else (_FINE_DIAL, *_LINEAR) if gain_mm < 0.01 else _LINEAR
    return next(tool for tool in tools if span_mm <= tool.travel_mm and span_mm + 2 * hurried_mm <= tool.stroke_mm)


def _hurried_click_mm(machine: Machine, axis: Axis, gain_mm: float) -> float:
    """How far a click too many goes at the fastest turn rate: its own distance, and what the axis runs on from that speed, a report
    interval and the ramp."""
    speed = min(machine.knob.fastest_detents_s * gain_mm, axis.top_speed_mm_s)
    return gain_mm + speed * machine.link.report_interval_s + speed**2 / (2 * axis.ramp_mm_s2)


def _instrument(machine: Machine, axis: Axis, gain_mm: Fraction, clicks: int) -> _Instrument:
    """What so many clicks of a rung are read with."""
    gain = float(gain_mm)
    return _pick_instrument(gain, float(clicks * gain_mm), rotary=axis.rotary, hurried_mm=_hurried_click_mm(machine, axis, gain))


@dataclass(frozen=True, kw_only=True)
class Expected:
    """What one rung should read on one axis [mm or degrees]: after `detents` clicks up, and after as many back.

    `within_mm` is how far a reading may be off while all is well: instrument and machine together."""

    axis: str
    position: int
    gain_mm: Fraction
    detents: int
    instrument: _Instrument
    up_mm: float
    back_mm: float
    within_mm: float


def expected_readings(machine: Machine, axis: Axis, ladder: Ladder) -> tuple[Expected, ...]:
    """What an axis should read on each rung; a rung whose single click goes beyond the reach, or the limit, is left out."""
    found, limit = [], derive_outstanding(machine, axis, ladder).used_limit_mm
    for position, gain in enumerate(dict.fromkeys(ladder.on(axis)), start=1):
        clicks = min(_CLICKS, math.floor(_REACH_SHARE * axis.reach_mm / float(gain)))
        up, tool = float(clicks * gain), _instrument(machine, axis, gain, clicks)
        found.append(Expected(
            axis=axis.name, position=position, gain_mm=gain, detents=clicks, instrument=tool, up_mm=up,
            back_mm=min(axis.slack_mm, up), within_mm=tool.within_mm + real_resolution(axis).one_way_mm,
        ))  # fmt: skip
    return tuple(row for row in found if row.detents > 0 and row.gain_mm <= limit * (1 + 1e-9))


def readings_template(machine: Machine, ladder: Ladder) -> str:
    """The table to type readings into, as CSV text with empty readings."""
    rows: list[list[object]] = [["axis", "unit", "gain", "detents", "reading"]]
    for axis in machine.axes:
        unit = machine.shown_unit(axis)
        for row in expected_readings(machine, axis, ladder):
            exact = in_unit(row.gain_mm, unit)
            plain = say_number(exact, digits=9)
            gain = plain if Fraction(plain) == exact else str(exact)
            rows.append([axis.name, unit, gain, 0, 0])
            rows += ([axis.name, unit, gain, sign * row.detents, ""] for _ in range(ROUNDS) for sign in (1, -1))
    return csv_text(rows)


_MOST = 10**6  # distance, clicks and reading


@dataclass(frozen=True, kw_only=True)
class _Series:
    """The readings of one rung on one axis [mm or degrees], counted from its zero; `unit` is what was typed.

    `up` and `down` are clicks turned since the zero, all told; `reading_mm` holds NaN where none was taken."""

    axis: str
    gain_mm: Fraction
    up: tuple[int, ...]
    down: tuple[int, ...]
    reading_mm: tuple[float, ...]
    within_mm: float
    unit: str


def _read_readings(
    machine: Machine, readings: str | Path | pd.DataFrame | Iterable[Mapping[str, Any]]
) -> tuple[tuple[_Series, ...], tuple[Note, ...]]:
    """Read a CSV of readings, a table, or its rows; semicolons between columns, and then decimal commas, make a note.

    Columns: axis, unit, gain, detents (up positive; 0 begins a rung), reading, and, optional, within."""
    faults, notes = list[Fault](), tuple[Note, ...]()
    if isinstance(readings, (str, Path)):
        source = str(readings)
        table, apart = read_rows(source, ("axis", "unit", "gain", "detents", "reading"))
        if apart == ";":
            table, notes = [(line, _with_points(row)) for line, row in table], (Note(kind="semicolons"),)
    else:
        given: Any = readings.to_dict("records") if hasattr(readings, "to_dict") else readings
        source, table = "readings", list(enumerate(given, start=1))
    parsed = [_parse_row(row, machine, line, faults) for line, row in table]
    if not parsed:
        faults.append(Fault("holds no readings", cure="type some in"))
    rungs = _rungs([row for row in parsed if row], faults) if not faults else []
    if faults:
        raise InputFault(source, faults)
    return tuple(_to_series(machine, rung) for rung in rungs), notes


def _with_points(row: Mapping[Any, Any]) -> dict[str, Any]:
    numbers = ("gain", "detents", "reading", "within")
    return {key: v.replace(",", ".") if key in numbers and isinstance(v, str) else v for key, v in row.items()}


def _parse_row(row: Mapping[str, Any], machine: Machine, line: int, faults: list[Fault]) -> dict[str, Any] | None:
    name, unit = _cell(row, "axis"), _cell(row, "unit")
    axis = next((a for a in machine.axes if a.name == name), None)
    allowed = () if axis is None else ("deg",) if axis.rotary else ("mm", "in")
    gain, detents, reading, within = (_fraction(_cell(row, key)) for key in ("gain", "detents", "reading", "within"))
    rules = [
        ("axis", axis is not None, f"is not an axis of {machine.name}: use {', '.join(a.name for a in machine.axes)}"),
        ("unit", axis is None or unit in allowed, f"must be {' or '.join(allowed)} on this axis"),
        ("gain", gain is not None and 0 < gain < _MOST, "must be a number above 0, as on the sheet: 0.02 or 1/80"),
        ("detents", detents is not None and detents.denominator == 1 and abs(detents) <= _MOST,
         "must be a whole number of clicks, up positive"),
        ("reading", abs(reading) <= _MOST if reading is not None else not _cell(row, "reading"),
         "must be a plain number with a point, or empty"),
        ("within", 0 < within <= _MOST if within is not None else not _cell(row, "within"), "must be above 0, or empty"),
    ]  # fmt: skip
    wrong = [Fault(f"line {line}: {key}", str(row.get(key)), rule) for key, good, rule in rules if not good]
    faults += wrong
    if wrong or gain is None or detents is None:
        return None
    factor = UNIT_FACTORS[unit]
    scaled = {key: None if v is None else float(v * factor) for key, v in (("reading", reading), ("within", within))}
    return {"line": line, "axis": name, "unit": unit, "gain": gain * factor, "detents": int(detents), **scaled}


def _cell(row: Mapping[str, Any], key: str) -> str:
    value = row.get(key)
    return "" if value is None or value != value else bare(str(value).strip())


def _fraction(text: str) -> Fraction | None:
    text = re.sub(r"^([+-]?(?:0|\d+(?=,(?!\d{3}$)))),(?=\d+$)", r"\1.", text)  # "1,600" may be 1600
    try:
        return Fraction(text) if len(text) <= 30 and "e" not in text.lower() else None
    except (ValueError, ZeroDivisionError):
        return None


def _rungs(rows: Sequence[dict[str, Any]], faults: list[Fault]) -> list[list[dict[str, Any]]]:
    """The rows of each rung, its row of 0 first."""
    found: list[list[dict[str, Any]]] = []
    for row in rows:
        before, where, clicks = found[-1][-1] if found else {}, f"line {row['line']}: detents", row["detents"]
        changed = [before.get(key) for key in ("axis", "gain")] != [row["axis"], row["gain"]]
        if changed and clicks != 0:
            faults.append(Fault(where, clicks, "a rung starts with a row of 0, also where axis or gain changes", "add it"))
        if clicks == 0 and not changed and before["detents"] == 0:
            faults.append(Fault(where, clicks, "the row before starts this rung already", "remove one"))
        found += [[]] if clicks == 0 or not found else []
        found[-1].append(row)
    return found


def _to_series(machine: Machine, rows: Sequence[Mapping[str, Any]]) -> _Series:
    axis, zero, gain = machine.axis(rows[0]["axis"]), rows[0]["reading"] or 0.0, rows[0]["gain"]
    turned = [row["detents"] for row in rows[1:]]
    up, down = (tuple(itertools.accumulate(max(sign * n, 0) for n in turned)) for sign in (1, -1))
    readings = tuple(math.nan if row["reading"] is None else row["reading"] - zero for row in rows[1:])
    given = [row["within"] for row in rows if row["within"] is not None]
    clicks = max((abs(a - b) for a, b in zip(up, down, strict=True)), default=0)
    tool = _instrument(machine, axis, gain, clicks)
    return _Series(
        axis=axis.name, gain_mm=gain, up=up, down=down, reading_mm=readings, within_mm=max(given, default=tool.within_mm),
        unit=rows[0]["unit"],
    )  # fmt: skip
