"""The table of readings in."""

from __future__ import annotations

import csv
import io
import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from ..files import InputFault, read_text
from ..machine.model import Machine
from ..units import UNIT_FACTORS
from .expected import pick_instrument


@dataclass(frozen=True, kw_only=True)
class Series:
    """The readings of one rung on one axis [mm or degrees], counted from its zero; `unit` is what was typed.

    `up` and `down` are clicks turned since the zero, all told; `reading_mm` holds NaN where none was taken.
    """

    axis: str
    gain_mm: Fraction
    up: tuple[int, ...]
    down: tuple[int, ...]
    reading_mm: tuple[float, ...]
    within_mm: float
    unit: str


_NEEDED = ("axis", "unit", "gain", "detents", "reading")
SEMICOLONS = "columns are parted by semicolons, so a comma in a number was read as its decimal point"


def read_readings(path: str | Path, machine: Machine, *, remarks: list[str] | None = None) -> tuple[Series, ...]:
    """Read a CSV of readings (columns as in this module's table); every fault at once as `InputFault`.

    Semicolons between columns are taken too, and then decimal commas; `remarks` is told so.
    """
    text = read_text(path)
    head = text.split("\n", 1)[0]
    apart = ";" if head.count(";") > head.count(",") else ","
    rows = csv.DictReader(io.StringIO(text), delimiter=apart)
    absent = [name for name in _NEEDED if name not in (rows.fieldnames or ())]
    if absent:
        found = ", ".join(str(name) for name in rows.fieldnames or ()) or "nothing"
        raise InputFault(str(path), [f"has no column {name} (found: {found}): add it" for name in absent])
    try:
        table = [_with_points(row) for row in rows] if apart == ";" else list(rows)
        if remarks is not None and apart == ";":
            remarks.append(SEMICOLONS)
        return readings_from_rows(table, machine, source=str(path), first_line=2)
    except csv.Error as error:
        raise InputFault(str(path), [f"is not readable as CSV ({error}): save it again as CSV"]) from error


def _with_points(row: Mapping[str, Any]) -> dict[str, Any]:
    numbers = ("gain", "detents", "reading", "within")
    return {key: v.replace(",", ".") if key in numbers and isinstance(v, str) else v for key, v in row.items()}


def readings_from_rows(
    rows: Iterable[Mapping[str, Any]], machine: Machine, *, source: str = "readings", first_line: int = 1
) -> tuple[Series, ...]:
    """Readings from rows of a notebook table (dicts with the columns of this module's table)."""
    faults: list[str] = []
    parsed = [_parse_row(row, machine, f"line {n}", faults) for n, row in enumerate(rows, start=first_line)]
    good = [row for row in parsed if row is not None]
    if not parsed:
        faults.append("holds no readings: type some in")
    if good and not faults and good[0]["detents"] != 0:
        faults.append(f"line {first_line}: detents = {good[0]['detents']}: a rung starts with a row of 0: add it")
    if not faults:
        _check_starts(good, first_line, faults)
    if faults:
        raise InputFault(source, faults)
    return tuple(_to_series(machine, group) for group in _grouped(good))


def _parse_row(row: Mapping[str, Any], machine: Machine, where: str, faults: list[str]) -> dict[str, Any] | None:
    before = len(faults)

    def note(key: str, rule: str) -> None:
        faults.append(f'{where}: {key} = "{row.get(key)}": {rule}')

    name, unit = _cell(row, "axis"), _cell(row, "unit")
    axis = next((a for a in machine.axes if a.name == name), None)
    if axis is None:
        note("axis", f"is not an axis of {machine.name}: use {', '.join(a.name for a in machine.axes)}")
    elif unit not in (allowed := ("deg",) if axis.rotary else ("mm", "in")):
        note("unit", f"must be {' or '.join(allowed)} on this axis")
    gain, detents = _fraction(_cell(row, "gain")), _fraction(_cell(row, "detents"))
    if gain is None or not 0 < gain < 10**6:
        note("gain", "must be a number above 0, as on the sheet: 0.02 or 1/80")
    if detents is None or detents.denominator != 1 or abs(detents) > 10**6:
        note("detents", "must be a whole number of clicks, up positive")
    reading = _optional(row, "reading", "must be a plain number with a point, or empty", note)
    within = _optional(row, "within", "must be a number above 0, or empty", note)
    if within is not None and within <= 0:
        note("within", "must be above 0")
    if len(faults) > before or axis is None or gain is None or detents is None:
        return None
    factor = UNIT_FACTORS[unit]
    scaled = {key: None if v is None else float(v * factor) for key, v in (("reading", reading), ("within", within))}
    return {"axis": name, "unit": unit, "gain": gain * factor, "detents": int(detents), **scaled}


def _cell(row: Mapping[str, Any], key: str) -> str:
    value = row.get(key)
    return "" if value is None or value != value else str(value).strip()


def _fraction(text: str) -> Fraction | None:
    try:
        return Fraction(text) if len(text) <= 30 and "e" not in text.lower() else None
    except (ValueError, ZeroDivisionError):
        return None


def _optional(row: Mapping[str, Any], key: str, rule: str, note: Any) -> Fraction | None:
    text = _cell(row, key)
    value = _fraction(text)
    if text and (value is None or abs(value) > 10**6):
        note(key, rule)
        return None
    return value


def _check_starts(rows: Sequence[Mapping[str, Any]], first_line: int, faults: list[str]) -> None:
    for line, (before, row) in enumerate(itertools.pairwise(rows), start=first_line + 1):
        changed = (before["axis"], before["gain"]) != (row["axis"], row["gain"])
        if changed and row["detents"] != 0:
            rule = "axis or gain changes here, and a rung starts with a row of 0: add it"
            faults.append(f"line {line}: detents = {row['detents']}: {rule}")
        if row["detents"] == 0 and not changed and before["detents"] == 0:
            faults.append(f"line {line}: detents = 0: the row before starts this rung already: remove one")


def _grouped(rows: Sequence[Mapping[str, Any]]) -> list[list[Mapping[str, Any]]]:
    groups: list[list[Mapping[str, Any]]] = []
    for row in rows:
        if row["detents"] == 0:
            groups.append([])
        groups[-1].append(row)
    return [group for group in groups if len(group) > 1]


def _to_series(machine: Machine, rows: Sequence[Mapping[str, Any]]) -> Series:
    zero, gain = rows[0]["reading"] or 0.0, rows[0]["gain"]
    turned = [row["detents"] for row in rows[1:]]
    up = tuple(itertools.accumulate(max(n, 0) for n in turned))
    down = tuple(itertools.accumulate(max(-n, 0) for n in turned))
    readings = tuple(math.nan if row["reading"] is None else row["reading"] - zero for row in rows[1:])
    given = [row["within"] for row in rows if row["within"] is not None]
    clicks = max(abs(a - b) for a, b in zip(up, down, strict=True))
    tool = pick_instrument(float(gain), float(clicks * gain), rotary=machine.axis(rows[0]["axis"]).rotary)
    within = max(given) if given else tool.within_mm
    return Series(
        axis=rows[0]["axis"], gain_mm=gain, up=up, down=down, reading_mm=readings, within_mm=within, unit=rows[0]["unit"]
    )  # fmt: skip
