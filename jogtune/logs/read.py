"""Any delimited log -> one tidy schema; every bad row named, none lost."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

PositionKind = Literal["commanded", "counted", "measured"]

TIDY_COLUMNS = (
    "time_s", "axis", "detents", "gain_mm", "rung", "position_mm", "goal_mm", "tolerance_mm", "person", "marker",
)
LABELS = ("axis", "person", "marker")
OPTIONAL_NUMBERS = ("position_mm", "goal_mm", "tolerance_mm")


class InputFault(ValueError):
    """The user's input is at fault; `faults` lists every fault found."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = list(faults)
        super().__init__("\n".join(self.faults))


@dataclass(frozen=True, kw_only=True)
class Log:
    """A log made tidy, and everything noticed on the way.

    rows: the tidy frame (time_s, axis, detents, gain_mm or rung, ...). noticed: one line per row left out
    (line, what, done), so that rows_in == rows_out + len(noticed). remarks: what was noticed about rows that
    were kept and about the file as a whole, in the same three columns.
    """

    rows: pd.DataFrame
    noticed: pd.DataFrame
    remarks: pd.DataFrame
    rows_in: int
    rows_out: int
    position_kind: PositionKind | None
    source: str
    simulated: bool
    notes: dict[str, str] = field(default_factory=dict)


def read_log(path: str | os.PathLike[str], *, columns: object = None, strict: bool = False) -> Log:
    """Read a tidy jog log (CSV); raise `InputFault` with every fault of the file at once."""
    del columns, strict
    source = Path(path)
    text = source.read_text(encoding="utf-8-sig")
    notes = _opening_notes(text)
    frame = pd.read_csv(StringIO(text), comment="#", dtype=str, keep_default_na=False, skip_blank_lines=True)
    faults = _column_faults(str(path), frame)
    if faults:
        raise InputFault(faults)
    first = len(notes) + 2
    rows, faults = _typed(str(path), frame, first)
    if faults:
        raise InputFault(faults)
    empty = pd.DataFrame({"line": pd.Series(dtype="int64"), "what": [], "done": []})
    kind = notes.get("position")
    return Log(
        rows=rows, noticed=empty, remarks=empty, rows_in=len(frame), rows_out=len(rows),
        position_kind=kind if kind in ("commanded", "counted", "measured") else None,  # type: ignore[arg-type]
        source=str(path), simulated=notes.get("simulated", "no") == "yes", notes=notes,
    )


def _opening_notes(text: str) -> dict[str, str]:
    notes: dict[str, str] = {}
    for line in text.splitlines():
        if not line.startswith("#"):
            break
        key, _, value = line[1:].partition(":")
        notes[key.strip().lower()] = value.strip()
    return notes


def _column_faults(name: str, frame: pd.DataFrame) -> list[str]:
    have = list(frame.columns)
    faults = [
        f"{name}: column {c!r} is missing: a tidy log needs time_s, axis, detents and gain_mm or rung"
        for c in ("time_s", "axis", "detents") if c not in have
    ]
    if "gain_mm" not in have and "rung" not in have:
        faults.append(f"{name}: neither 'gain_mm' nor 'rung' is there: add the one you know")
    faults += [
        f"{name}: column {c!r} is unknown: the columns are {', '.join(TIDY_COLUMNS)}"
        for c in have if c not in TIDY_COLUMNS
    ]
    return faults


def _typed(name: str, frame: pd.DataFrame, first: int) -> tuple[pd.DataFrame, list[str]]:
    out: dict[str, pd.Series] = {}
    faults: list[str] = []
    for column in (c for c in TIDY_COLUMNS if c in frame):
        text = frame[column]
        if column in LABELS:
            out[column] = text
            continue
        number = pd.to_numeric(text, errors="coerce")
        bad = ~np.isfinite(number) & ~(text.eq("") if column in OPTIONAL_NUMBERS else False)
        rule = "must be a number; correct the line or take it out"
        if column in ("detents", "rung"):
            bad |= number.notna() & (number % 1 != 0)
            rule = "must be a whole number; correct the line or take it out"
        faults += [
            f"{name}: line {first + i}: {column} = {text.iloc[i]!r}: {rule}" for i in np.flatnonzero(bad)[:20]
        ]
        out[column] = number.astype("int64") if column in ("detents", "rung") and not bad.any() else number.astype(float)
    rows = pd.DataFrame(out)
    if not faults and (rows["time_s"].diff() < 0).any():
        i = int(np.argmax(rows["time_s"].diff() < 0))
        faults.append(f"{name}: line {first + i}: time_s = {rows['time_s'].iloc[i]}: goes back in time; sort the log")
    return rows, faults


def write_log(log: Log | pd.DataFrame, path: str | os.PathLike[str], *, overwrite: bool = False,
              notes: Mapping[str, str] | None = None) -> Path:
    """Write a tidy CSV beside its final name, then rename; never over a file unless `overwrite` is true."""
    target = Path(path)
    if target.exists() and not overwrite:
        raise InputFault([f"{target}: is there already: choose another name, or allow overwriting"])
    frame = log.rows if isinstance(log, Log) else log
    head = dict(log.notes) if isinstance(log, Log) else {}
    head.update(notes or {})
    text = "".join(f"# {key}: {value}\n" for key, value in head.items()) + frame.to_csv(index=False)
    handle, beside = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    with os.fdopen(handle, "w", encoding="utf-8") as out:
        out.write(text)
    os.replace(beside, target)
    return target


def read_encoder_trace(path: str | os.PathLike[str], *, counts_per_turn: int = 1024,
                       detents_per_turn: int | None = None, axis: str = "X", gain_mm: float | None = None) -> Log:
    """Make the open encoder trace tidy: column 1 is a clock in µs, column 2 a count that wraps.

    The count wraps at ±counts_per_turn/2. Without `detents_per_turn` each count is one detent; otherwise the
    turns are cut into that many detents, as if the wheel had clicked. Without `gain_mm` the log has one rung, 1.

    Source: PyPI package `ibllib` 4.1.0, test data, MIT. The wheel was turned by an animal, not a person.
    """
    raw = pd.read_csv(path, sep=r"\s+", header=None, names=["us", "count"])
    steps = np.diff(raw["count"].to_numpy(np.int64), prepend=raw["count"].iloc[0])
    half = counts_per_turn // 2
    turned = np.cumsum((steps + half) % counts_per_turn - half)
    detents = detents_per_turn or counts_per_turn
    whole = (2 * turned * detents + counts_per_turn) // (2 * counts_per_turn)
    rows = pd.DataFrame({"time_s": raw["us"] / 1e6, "axis": axis, "detents": np.diff(whole, prepend=0)})
    rows["rung" if gain_mm is None else "gain_mm"] = 1 if gain_mm is None else gain_mm
    empty = pd.DataFrame({"line": pd.Series(dtype="int64"), "what": [], "done": []})
    notes = {"simulated": "no", "turned by": "an animal, not a person",
             "licence": "MIT, International Brain Laboratory (PyPI package ibllib 4.1.0, test data)"}
    return Log(rows=rows, noticed=empty, remarks=empty, rows_in=len(raw), rows_out=len(rows), position_kind=None,
               source=str(path), simulated=False, notes=notes)
