"""A map guessed."""

import re
from collections import Counter as Tally
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from ..files import Fault, InputFault
from .cells import _pairs_of, _split_cells
from .head import _find_decimal, _find_delimiter, _find_pairs, _Head, _is_number
from .lines import _Seen
from .map import LogMap, _Clock, _Column, _Counter, _Label, _Position, _RungColumn
from .map_file import map_text
from .roles import _by_name, _clock_unit, _looks_like_positions, _names_an_axis, _number_columns, _Numbers

_OFTEN = 0.5  # of the lines, from which a nameless cell is a column (our choice)
_FEWEST_CHANGES, _ENOUGH_CHANGES = 8, 20  # of a count, to say that they are multiples, and to go by it (our choice)


@dataclass(frozen=True, kw_only=True)
class _Table:
    """The cells of a log's first lines: how a map calls the columns, and what names they may have."""

    rows: list[list[str]]
    columns: tuple[_Column, ...]
    namings: tuple[tuple[str, ...], ...]
    delimiter: str
    decimal: str
    header: bool | None
    pairs: str | None = None

    @cached_property
    def numbers(self) -> _Numbers:
        return _number_columns(self.rows, len(self.columns), self.decimal)


def _guess_map(source: str, head: _Head) -> tuple[LogMap, list[_Seen]]:
    """A map guessed from names and numbers of the first lines, and what is to be said about it; `InputFault` says how to write
    one where none fits."""
    texts = [text for _, text in head.counted()]
    table = _pairs_table(texts) or _cell_table(head, texts)
    named = (_by_name(names, table.columns, table.numbers) for names in table.namings) if table else ()
    guess = next((found for found in named if found), None) or (_by_content(table) if table else None)
    if table is None or guess is None:
        first_lines = "; ".join(repr(line[:60]) for line in texts[:3])
        fault = Fault(
            rule="no column map was given and none could be guessed: "
            + ("no columns look like a clock and a count" if table else "its lines have no delimiter in common")
            + f" (first lines: {first_lines})",
            cure=f"write a map such as this, with your own columns:\n{map_text(_example(table))}" if table else
            "let the recorder put a sign between the numbers (12454;4;X) or names before them (T=12454 C=4 A=X), or give "
            "a map with the delimiter",
        )  # fmt: skip
        raise InputFault(source, [fault])
    guess = replace(guess, delimiter=table.delimiter, decimal=table.decimal, header=table.header, pairs=table.pairs)
    guess, remarks = _with_counts_per_detent(guess, table)
    unused = [column for column in table.columns if column not in guess.columns]
    return guess, remarks + ([(0, "columns_not_used", {"columns": unused})] if unused else [])


def _pairs_table(texts: Sequence[str]) -> _Table | None:
    found = _find_pairs(texts)
    if found is None:
        return None
    delimiter, mark = found
    pairs = [row for row in (_pairs_of(_split_cells(text, delimiter) or [], mark) for text in texts) if row]
    names = tuple(dict.fromkeys(name for row in pairs for name in row))
    decimal = _find_decimal([";".join(row.values()) for row in pairs], ";")
    names = tuple(name for name in names if sum(name in row for row in pairs) >= _OFTEN * len(pairs) or isinstance(name, str))
    return _Table(
        rows=[[row.get(name, "") for name in names] for row in pairs], columns=names, namings=(tuple(map(str, names)),),
        delimiter=delimiter, decimal=decimal, header=None, pairs=mark,
    )  # fmt: skip


def _cell_table(head: _Head, texts: Sequence[str]) -> _Table | None:
    delimiter = _find_delimiter(texts)
    if delimiter is None:
        return None
    rows = [row for row in (_split_cells(text, delimiter) for text in texts) if row]
    width = Tally(map(len, rows)).most_common(1)[0][0]
    if width < 2:
        return None
    rows = [row for row in rows if len(row) == width]
    named = not any(_is_number(cell, delimiter) for cell in rows[0])
    names = tuple(cell.strip() for cell in rows[0])
    often = Tally(names)
    good = [named and often[name] == 1 and name.isprintable() and name != "" for name in names]
    return _Table(
        rows=rows[named:], columns=tuple(names[i] if good[i] else i + 1 for i in range(width)),
        namings=(names,) if named else _comment_names(head, delimiter, width),
        delimiter=delimiter, decimal=_find_decimal(texts, delimiter), header=named,
    )  # fmt: skip


def _comment_names(head: _Head, delimiter: str, width: int) -> tuple[tuple[str, ...], ...]:
    comments = [text.lstrip("#").strip() for _, text in head.lines if text.startswith("#")]
    cut = [tuple(cell.strip() for cell in _split_cells(text, delimiter) or []) for text in comments]
    return tuple(c for c in cut if len(c) == width and all(c) and not any(_is_number(cell, delimiter) for cell in c))


def _with_counts_per_detent(guess: LogMap, table: _Table) -> tuple[LogMap, list[_Seen]]:
    """The map with counts_per_detent where every change of the count is a multiple of 2, 4 or 8, and that said."""
    if guess.knob is None:
        return guess, []
    columns = [column for _, column in guess.knob.columns]
    changes = [_changes(table.numbers[table.columns.index(column)], guess.knob.kind) for column in columns]
    sizes = np.abs(np.concatenate(changes)).astype(np.int64)
    common = int(np.gcd.reduce(sizes)) if len(sizes) >= _FEWEST_CHANGES else 1
    per_detent = next((n for n in (8, 4, 2) if common and common % n == 0), None)
    if per_detent is None:
        return guess, []
    counts_clicks = any(re.search("detent|click", str(column), re.IGNORECASE) for column in columns)
    sure = common == per_detent == sizes.min() and len(sizes) >= _ENOUGH_CHANGES and not counts_clicks
    kind = "changes_are_multiples" if sure else "changes_may_be_multiples"
    knob = replace(guess.knob, counts_per_detent=per_detent) if sure else guess.knob
    return replace(guess, knob=knob), [(0, kind, {"columns": columns, "per_detent": per_detent})]


def _changes(values: npt.NDArray[np.float64], kind: str) -> npt.NDArray[np.float64]:
    there = values[np.isfinite(values)]
    steps = np.diff(there) if kind == "running" else there
    return np.asarray(steps[(steps != 0) & (steps % 1 == 0)])


def _example(table: _Table) -> LogMap:
    """A map that fits these lines."""
    columns = [table.columns[column] for column in table.numbers][:2]
    columns = columns if len(columns) == 2 else list(table.columns[:2])
    return LogMap(
        time=_Clock(column=columns[0], unit="ms"), knob=_Counter(columns=(("", columns[-1]),)), delimiter=table.delimiter,
        header=table.header, pairs=table.pairs,
    )  # fmt: skip


def _by_content(table: _Table) -> LogMap | None:
    """The column that grows most steadily is the clock; the first of whole numbers besides is the knob's."""
    columns, numbers = table.columns, table.numbers
    growing = {column: share for column, values in numbers.items() if (share := _growing(values))}
    time = max(growing, key=lambda column: growing[column], default=None)
    places = {c: str(columns[c]).upper() for c in numbers if c != time and str(columns[c]).upper() in ("X", "Y", "Z")}
    places = {} if all(_is_whole(numbers[c]) for c in places) else places
    knob = next((c for c, v in numbers.items() if c != time and c not in places and _is_whole(v) and np.nanstd(v) > 0), None)
    if time is None or (knob is None and not places):
        return None
    clock = _Clock(column=columns[time], unit=_clock_unit(numbers[time]))
    if knob is None:
        column, name = next(iter(places.items()))
        return LogMap(time=clock, axis=_Label(always=name), position=_Position(columns=(("", columns[column]),)))
    values = numbers[knob][np.isfinite(numbers[knob])]
    running = bool(np.median(np.abs(np.diff(values))) < 0.5 * np.median(np.abs(values)))
    axis = next((column for column in range(len(columns)) if _names_an_axis([row[column] for row in table.rows])), None)
    return LogMap(
        time=clock, knob=_Counter(columns=(("", columns[knob]),), kind="running" if running else "increments"),
        axis=_Label(always="X") if axis is None else _Label(column=columns[axis]),
        rung=_rung_by_content(columns, {c: v[np.isfinite(v)] for c, v in numbers.items() if c not in (time, knob, *places)}),
        position=_Position(columns=tuple((name, columns[c]) for c, name in places.items())) if places else None,
    )


def _rung_by_content(columns: Sequence[_Column], numbers: _Numbers) -> _RungColumn:
    """The first column of few values: small whole numbers that seldom change are positions, others are gains."""
    for column, values in numbers.items():
        if len(np.unique(values)) > 10 or values.min() < 0:
            continue
        if _looks_like_positions(values) and np.count_nonzero(np.diff(values)) <= max(1, len(values) // 5):
            if values.max() > 0:
                return _RungColumn(column=columns[column], means="rung", counts_from=0 if values.min() == 0 else 1)
        elif values.min() > 0:
            return _RungColumn(column=columns[column], means="gain")
    return _RungColumn(always=1)


def _growing(values: npt.NDArray[np.float64]) -> float:
    """The share of steps up, of a column that could be a clock; else 0."""
    steps = np.diff(values[np.isfinite(values)])
    up = float((steps > 0).mean()) if len(steps) > 1 and float((steps >= 0).mean()) >= 0.85 else 0.0
    return up if up >= 0.3 else 0.0


def _is_whole(values: npt.NDArray[np.float64]) -> bool:
    there = values[np.isfinite(values)]
    return len(there) > 0 and float((there % 1 == 0).mean()) >= 0.9
