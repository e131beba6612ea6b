"""How many rows of a log were read, how many were left out and why: said beside every figure drawn from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from ..files import InputFault

if TYPE_CHECKING:
    from .read import Log

__all__ = ["RowCount", "add_rows", "say_count"]

_MOST_LISTED = 20
_TO_BE_EXPECTED = ("passed over", "read by it")


def say_count(count: int, thing: str) -> str:
    """A count with its noun.

    >>> say_count(1, "row"), say_count(2, "row")
    ('1 row', '2 rows')
    """
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
        """What was left out, in one sentence; empty where nothing was.

        >>> RowCount(source="a.csv", rows_in=3, rows_out=1, noticed=((3, "time is blank"),)).say()
        '2 of 3 rows left out; first: line 3: time is blank; see jogtune read a.csv'
        """
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
    """The count with one more part of the log; a bare frame counts as read whole.

    >>> rows = pd.DataFrame({"time_s": [0.0, 0.04]})
    >>> add_rows(RowCount(source="a.csv", rows_in=3, rows_out=3), rows).rows_out
    5
    """
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
