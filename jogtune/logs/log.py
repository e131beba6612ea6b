"""Log: rows in, rows out, and each row left out named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd

from ..files import InputFault
from .clock import Ints
from .map import LogMap, PositionKind


@dataclass(frozen=True, kw_only=True)
class Log:
    """A log made tidy, and everything noticed on the way.

    rows: the tidy frame: time_s, axis, detents (signed, since the last row), gain_mm or rung, and where known
    position_mm, goal_mm, tolerance_mm, person, marker.
    noticed: every row that was left out (line, what, done), once each: rows_in == rows_out + len(noticed).
    remarks: what was noticed about rows that stayed and about the file as a whole (line 0), same columns.
    rows_in and rows_out count rows of the file: where it has a column per axis, a row in which two axes turned
    becomes two tidy rows. lines: the line of the file each tidy row comes from (in Parquet, its row).
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
    map: LogMap | None = None
    guessed: bool = False
    lines: Ints | None = field(default=None, repr=False)


_MOST_LISTED = 20
_TO_BE_EXPECTED = ("passed over", "read by it")


def say_count(count: int, thing: str) -> str:
    """A count with its noun."""
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


@dataclass(frozen=True, kw_only=True)
class RowCount:
    """What became of the rows of a log: `rows_in == rows_out + left_out`.

    `noticed` holds the first rows left out as (line, what), `remarks` what was doubtful about the rest, in words;
    at most 20 of each.
    """

    source: str
    rows_in: int
    rows_out: int
    noticed: tuple[tuple[int, str], ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def left_out(self) -> int:
        """How many rows could not be read."""
        return self.rows_in - self.rows_out

    def say(self) -> str:
        """What was left out, in one sentence; empty where nothing was."""
        if not self.left_out:
            return ""
        first = f"; first: {_at(*self.noticed[0])}" if self.noticed else ""
        return f"{self.left_out} of {say_count(self.rows_in, 'row')} left out{first}; see jogtune read {self.source}"

    def refuse_if_none(self) -> None:
        """Raise `InputFault` where there were rows and every one was left out."""
        if self.rows_in and not self.rows_out:
            listed = [f"{_at(line, what)}: left out" for line, what in self.noticed[:5]]
            none = f"none of its {say_count(self.rows_in, 'row')} could be read: check the map, or see jogtune read"
            raise InputFault(self.source, [none, *listed])

    def as_json(self) -> dict[str, Any]:
        """rows_in, rows_out, left_out (counts), and noticed: the first rows left out, with line and reason."""
        noticed = [{"line": line, "what": what} for line, what in self.noticed]
        return {"rows_in": self.rows_in, "rows_out": self.rows_out, "left_out": self.left_out, "noticed": noticed}


def add_rows(so_far: RowCount, part: Log | pd.DataFrame) -> RowCount:
    """The count with one more part of the log; a bare frame counts as read whole."""
    if isinstance(part, pd.DataFrame):
        return replace(so_far, rows_in=so_far.rows_in + len(part), rows_out=so_far.rows_out + len(part))
    noticed = part.noticed.head(_MOST_LISTED - len(so_far.noticed))
    doubts = part.remarks[~part.remarks["done"].isin(_TO_BE_EXPECTED)].head(_MOST_LISTED - len(so_far.remarks))
    return replace(
        so_far,
        rows_in=so_far.rows_in + part.rows_in,
        rows_out=so_far.rows_out + part.rows_out,
        noticed=so_far.noticed + tuple(
            (int(line), str(what)) for line, what in zip(noticed["line"], noticed["what"], strict=True)
        ),
        remarks=so_far.remarks + tuple(
            f"{_at(int(line), str(what))}: {done}"
            for line, what, done in zip(doubts["line"], doubts["what"], doubts["done"], strict=True)
        ),
    )  # fmt: skip


def _at(line: int, what: str) -> str:
    return f"line {line}: {what}" if line else what


_LINES_NAMED = 6


def where(lines: Sequence[int]) -> str:
    if len(lines) > 1:
        return f"{len(lines)} lines ({which_lines(lines)}): "
    return f"line {lines[0]}: " if lines[0] else ""


def which_lines(lines: Sequence[int]) -> str:
    """The first few of some line numbers."""
    return ", ".join([*map(str, lines[:_LINES_NAMED]), *["..."] * (len(lines) > _LINES_NAMED)])
