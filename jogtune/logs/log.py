"""Log; turn rates."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..files import Fault, InputFault
from ..notes import Note, Severity, Where
from ..shown import Shown
from .clock import _Ints
from .lines import _Seen
from .map import LogMap, _PositionKind
from .map_file import map_text
from .tidy import _Tidied

_SEVERITY = dict.fromkeys(("chatter", "column_names_again", "map_beside_the_log"), Severity.INFO)


def _notes_seen(seen: Iterable[_Seen]) -> tuple[Note, ...]:
    """What was noticed as notes in order of the lines; what is to be expected of any log is INFO, the rest MIND."""
    return tuple(
        Note(kind=kind, severity=_SEVERITY.get(kind, Severity.MIND), figures=figures, where=Where(line=line or None))
        for line, kind, figures in sorted(seen, key=lambda one: one[0])
    )


def _of_source(note: Note, source: str) -> Note:
    """A note that says which recording it is of."""
    return replace(note, where=replace(note.where, source=source))


def _as_fault(note: Note, *, strict: bool = False) -> Fault:
    """A note on a log as a fault: its line and role, its value, and its kind as the rule."""
    figures = dict(note.figures)
    place = [f"line {note.where.line}"] * bool(note.where.line) + [str(figures.pop("role", ""))]
    value, rule = figures.pop("value", None), note.kind.replace("_", " ")
    told = ", ".join(f"{name} {figure}" for name, figure in figures.items())
    rule += f" ({told})" if told else ""
    return Fault(": ".join(part for part in place if part), value, rule, "strict mode refuses that" if strict else "")


@dataclass(frozen=True, kw_only=True, repr=False)
class Log(Shown):
    """A log made tidy, and everything noticed on the way.

    rows: the tidy frame: time_s, axis, detents (signed, since the last row), gain_mm or rung, and where known position_mm,
    goal_mm, tolerance_mm, person, marker. noticed: why rows were left out, in order of the lines; a row may have several faults.
    remarks: what was noticed about rows that stayed and (without a line) about the file as a whole. rows_in and rows_out count
    rows of the file: where it has a column per axis, a row in which two axes turned becomes two tidy rows. lines: the line of the
    file each tidy row comes from (in Parquet, its row). header: the `# key: value` lines that the file opens with. unfit: of the
    rows left out, those that the map can't read. more: where only the first rows are kept (`tidy_file`), how many more there are,
    their clicks, and the last one's time."""

    rows: pd.DataFrame
    noticed: tuple[Note, ...] = ()
    remarks: tuple[Note, ...] = ()
    rows_in: int
    rows_out: int
    position_kind: _PositionKind | None
    source: str
    simulated: bool
    header: Mapping[str, str] = field(default_factory=dict)
    map: LogMap | None = None
    guessed: bool = False
    unfit: int = 0
    lines: _Ints | None = field(default=None, repr=False)
    more: tuple[int, int, float] = (0, 0, 0.0)

    @property
    def table(self) -> pd.DataFrame:
        return self.rows

    @property
    def notes(self) -> tuple[Note, ...]:
        """All that was noticed, first of rows left out, then of the rest."""
        return self.noticed + self.remarks

    def map_text(self, *, explained: bool = False) -> str:
        """The map it was read by, as TOML to keep beside it; `explained` adds every other key as a comment."""
        return "" if self.map is None else map_text(self.map, explained=explained)

    @property
    def left_out(self) -> int:
        return self.rows_in - self.rows_out


def _as_log(
    place: Path, tidied: _Tidied, remarks: Iterable[_Seen], log_map: LogMap, header: Mapping[str, str], *, guessed: bool
) -> Log:  # fmt: skip
    left_out, unfit = (len({line for line, kind, _ in tidied.noticed if kind != other}) for other in ("", "says_the_same_again"))
    return Log(
        rows=tidied.rows, noticed=_notes_seen(tidied.noticed), remarks=_notes_seen([*remarks, *tidied.remarks]),
        rows_in=tidied.rows_out + left_out, rows_out=tidied.rows_out, source=str(place),
        position_kind=log_map.position.kind if log_map.position else None,
        simulated=log_map.simulated or header.get("simulated", "").lower() in ("yes", "true"),
        header=header, map=log_map, guessed=guessed, unfit=unfit, lines=tidied.lines,
    )  # fmt: skip


def _steady(place: Path, logs: Iterator[Log]) -> Iterator[Log]:
    """Pass on the parts of a log; note where its file grew meanwhile. One that changed otherwise is an `InputFault`, whatever came
    of reading it."""
    before, grown, failed = _state(place), False, None
    try:
        for log in logs:
            if not grown and (grown := _state(place)[0] > before[0]):
                log = replace(log, remarks=(*log.remarks, *_notes_seen([(0, "grew", {})])))
            yield log
    except Exception as error:
        failed = error
    after = _state(place)
    longer = after[0] > before[0] and after[1] == before[1] and after[2].startswith(before[2])
    if after != before and (failed or not longer):
        fault = Fault(rule="changed while it was read", cure="read it when it is finished")
        raise InputFault(str(place), [fault]) from failed
    if failed:
        raise failed


def _state(place: Path) -> tuple[int, int, bytes, int]:
    """What tells that a file changes: its length, which it is, how it begins, since when."""
    try:
        with place.open("rb") as stream:
            about = os.fstat(stream.fileno())
            return about.st_size, about.st_ino, stream.read(4096), about.st_mtime_ns
    except OSError:
        return 0, 0, b"", 0


_MOST_KEPT = 20


@dataclass(frozen=True, kw_only=True)
class RowCount:
    """What became of the rows of a log: `rows_in == rows_out + left_out`.

    `noticed` holds why the first rows were left out, `doubts` what was doubtful about the rest; at most 20 of each."""

    source: str
    rows_in: int
    rows_out: int
    noticed: tuple[Note, ...] = ()
    doubts: tuple[Note, ...] = ()

    @property
    def left_out(self) -> int:
        return self.rows_in - self.rows_out

    @property
    def notes(self) -> tuple[Note, ...]:
        """That rows were left out, if any were, and what was doubtful about the rest."""
        if not self.left_out:
            return self.doubts
        where = Where(source=self.source, line=self.noticed[0].where.line if self.noticed else None)
        figures = {"left_out": self.left_out, "rows": self.rows_in}
        return (Note(kind="rows_left_out", severity=Severity.MIND, where=where, figures=figures), *self.doubts)

    def plus(self, part: Log | pd.DataFrame) -> RowCount:
        """The count with one more part of the log; a bare frame counts as read whole."""
        if isinstance(part, pd.DataFrame):
            return replace(self, rows_in=self.rows_in + len(part), rows_out=self.rows_out + len(part))
        doubts = [note for note in part.remarks if note.severity > Severity.INFO][: _MOST_KEPT - len(self.doubts)]
        return replace(
            self, rows_in=self.rows_in + part.rows_in, rows_out=self.rows_out + part.rows_out,
            noticed=(*self.noticed, *part.noticed[: _MOST_KEPT - len(self.noticed)]),
            doubts=(*self.doubts, *(_of_source(note, part.source) for note in doubts)),
        )  # fmt: skip

    def refuse_if_none(self) -> None:
        """Raise `InputFault` where there were rows and every one was left out."""
        if self.rows_in and not self.rows_out:
            none = Fault(rule=f"none of its {self.rows_in} rows could be read", cure="check the map, or see jogtune read")
            raise InputFault(self.source, [none, *(_as_fault(note) for note in self.noticed[:5])])


_PAUSE_S = 0.5  # a longer one ends a burst of turning: our choice
_WINDOW_S = 0.3  # long enough to hold several reports, short enough to see a flick: our choice
_SHORTEST_S = 0.1  # over less, two clicks say little of a rate: our choice


def turn_rates(rows: pd.DataFrame, *, window_s: float = _WINDOW_S) -> NDArray[np.float64]:
    """Turn rates [detents/s] while the hand turned, one for each row with clicks but the first of a burst's.

    `rows` is a tidy log (`time_s`, `detents`, optional `axis`). A rate is the clicks since the last row that is at least
    `window_s` old (or since the burst's first row), either way, over the time since. A click by itself is no turning and gives
    none."""
    turning = rows.loc[rows["detents"] != 0]
    parts = [part for _, part in turning.groupby("axis", sort=False)] if "axis" in turning else [turning]
    return np.concatenate([np.empty(0), *(_axis_rates(part, window_s) for part in parts)])


def _axis_rates(turning: pd.DataFrame, window_s: float) -> NDArray[np.float64]:
    times = turning["time_s"].to_numpy(dtype=float)
    clicks = np.cumsum(np.abs(turning["detents"].to_numpy(dtype=float)))
    if len(times) < 2:
        return np.empty(0)
    begins = np.concatenate([[True], np.diff(times) > _PAUSE_S])
    first = np.maximum.accumulate(np.where(begins, np.arange(len(times)), 0))
    since = np.maximum(first, np.searchsorted(times, times - window_s, side="right") - 1)
    span = times - times[since]
    told = span >= _SHORTEST_S
    return np.asarray((clicks - clicks[since])[told] / span[told])
