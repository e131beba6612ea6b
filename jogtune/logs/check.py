"""Each cell checked; gaps."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..signs import bare
from .cells import _as_numbers, _Cells
from .clock import Mask, _Floats, _Ints, _Rows, _scaled, plain
from .lines import _Seen
from .map import LogMap, _Column, _Label

_MOST_GAPS = 100
_ROWS_TO_JUDGE = 50  # rows enough to tell how often reports come and whether every one moves (our choice)
_MOVING_SHARE = 0.98  # of rows that move, from which only changes are taken to be reported (our choice)


class _Gaps:
    """Finds missing reports where reports come at a regular interval, and logs that report only changes."""

    def __init__(self, log_map: LogMap) -> None:
        self._regular_s: float | None = None  # 0 where reports don't come at a regular interval
        self._usual_s: float | None = None
        self._usual_turn: float | None = None  # of a row, where every row moves; else None
        self._before: float | None = None
        self._found = 0
        self._rests_told = False
        knob = log_map.knob
        self._kind = "clicks_missing" if knob and knob.kind == "increments" else "reports_missing"

    def find(self, time_s: _Floats, lines: _Ints, detents: Mapping[str, _Ints]) -> list[_Seen]:
        """Remarks on the gaps of one block, at most a hundred for the whole log; `detents`: of each axis and row."""
        if len(time_s) == 0:
            return []
        before, self._before = self._before, float(time_s[-1])
        if self._regular_s is None and len(time_s) >= _ROWS_TO_JUDGE:
            self._judge(time_s[:2000], _turned(detents, slice(1, 2000)))
        usual_s = self._usual_s
        if not usual_s:
            return []
        steps = np.empty(len(time_s))
        steps[0] = 0.0 if before is None else time_s[0] - before
        np.subtract(time_s[1:], time_s[:-1], out=steps[1:])
        if steps.max() <= 3.5 * usual_s:
            return []
        rows = np.flatnonzero(steps > 3.5 * usual_s)
        rows, told = self._without_rests(rows, lines, _turned(detents, rows))
        rows = rows[: max(0, _MOST_GAPS - self._found) if self._regular_s else 0]
        self._found += len(rows)
        missing = np.round(steps[rows] / (self._regular_s or 1)) - 1
        return told + [
            (int(lines[row]), self._kind, {"gap_s": float(steps[row]), "missing": int(count)})
            for row, count in zip(rows, missing, strict=True)
        ]

    def _judge(self, time_s: _Floats, turned: _Ints) -> None:
        """What is usual in this log: the time between two rows and, where every row moves, how far."""
        steps = np.diff(time_s)
        self._usual_s = self._regular_s = _regular(steps)
        if turned.ndim and float((turned > 0).mean()) >= _MOVING_SHARE:
            self._usual_turn = float(np.median(turned))
            self._usual_s = float(np.median(steps))

    def _without_rests(self, rows: _Rows, lines: _Ints, turned: _Ints) -> tuple[_Rows, list[_Seen]]:
        """The gaps that are no rests; where every row moves, a gap that ends in a usual step is one, told once."""
        if self._usual_turn is None:
            return rows, []
        rests = turned <= 3 * self._usual_turn + 1
        told: list[_Seen] = []
        if rests.any() and not self._rests_told:
            told, self._rests_told = [(int(lines[rows[rests][0]]), "only_changes", {})], True
        return rows[~rests], told


def _turned(detents: Mapping[str, _Ints], rows: slice | _Rows) -> _Ints:
    return np.asarray(sum(np.abs(values[rows]) for values in detents.values()))


def _regular(steps: _Floats) -> float:
    """The report interval, or 0 where reports don't come at a regular one."""
    usual = float(np.median(steps))
    return usual if usual > 0 and float((np.abs(steps - usual) <= 0.25 * usual).mean()) >= 0.6 else 0.0


_LABELS = ("axis", "person", "marker")
_LONGEST_LABEL = 200

_Numbers = _Floats | _Ints


class _Checked:
    """The readings of one block, column by column under their roles, and why rows are bad."""

    def __init__(self, lines: _Ints) -> None:
        self.lines = lines
        self.columns: dict[str, npt.NDArray[Any]] = {"line": lines}
        self.bad = np.zeros(len(lines), dtype=bool)
        self.seen: list[_Seen] = []

    def refuse(self, bad: Mask, kind: str, value: Callable[[int], Any] | None = None, **figures: Any) -> None:
        if bad.any():
            self.bad |= bad
            for row in np.flatnonzero(bad).tolist():
                self.seen.append((int(self.lines[row]), kind, figures if value is None else {**figures, "value": value(row)}))

    def good(self) -> dict[str, npt.NDArray[Any]]:
        return {name: values[~self.bad] for name, values in self.columns.items()} if self.bad.any() else self.columns


class _Checker:
    """Checks the cells of block after block by a map; a label is a number in the vocabulary of its column."""

    def __init__(self, log_map: LogMap, index: Mapping[_Column, int], decimal: str) -> None:
        self._map, self._index, self._decimal = log_map, index, decimal
        self._running = log_map.knob is not None and log_map.knob.kind == "running"
        self.vocabulary: dict[str, dict[str, int]] = {name: {} for name in _LABELS}

    def check(self, cells: _Cells) -> _Checked:
        """The readings of a block; every cell that can't be one is refused."""
        checked = _Checked(cells.lines)
        log_map = self._map
        checked.columns["time"] = self._number(cells, checked, "time", log_map.time.column)
        for axis, column in log_map.knob.columns if log_map.knob else ():
            checked.columns[f"count {axis}"] = self._count(cells, checked, axis, column)
        if log_map.position:
            for axis, column in log_map.position.columns:
                values = self._number(cells, checked, "position", column, blank_allowed=True)
                checked.columns[f"position {axis}"] = _scaled(values, log_map.position.mm)
        for name, part in (("goal", log_map.goal), ("tolerance", log_map.tolerance)):
            if part is not None:
                checked.columns[name] = _scaled(self._number(cells, checked, name, part.column, blank_allowed=True), part.mm)
        if log_map.tolerance:
            wide = checked.columns["tolerance"]
            checked.refuse(wide <= 0, "must_be_above_zero", lambda row: plain(wide[row]), role="tolerance_mm")
        for name, label in (("axis", log_map.axis), ("person", log_map.person), ("marker", log_map.marker)):
            if label is not None:
                checked.columns[name] = self._label(cells, checked, name, label)
        if log_map.rung.column is not None:
            name = "gain_mm" if log_map.rung.gives_gain else "rung"
            checked.columns[name] = self._rung(cells, checked, log_map.rung.column)
        return checked

    def _number(self, cells: _Cells, checked: _Checked, role: str, column: _Column, *, blank_allowed: bool = False) -> _Numbers:
        text, wrong = cells.frame[self._index[column]], cells.wrong.get(self._index[column], {})
        values, bad, blank = _as_numbers(text, self._decimal)
        if wrong:
            bad, blank = bad.copy(), blank.copy()
            bad[list(wrong)], blank[list(wrong)] = True, False
        checked.refuse(bad, "must_be_a_number", lambda row: _shortened(wrong[row] if row in wrong else text.iloc[row]), role=role)
        if not blank_allowed:
            checked.refuse(blank, "is_blank", role=role)
        return values

    def _count(self, cells: _Cells, checked: _Checked, axis: str, column: _Column) -> _Ints:
        knob = self._map.knob
        assert knob is not None
        role = f"{'count' if self._running else 'detents'} {axis}".rstrip()
        values = self._number(cells, checked, role, column, blank_allowed=bool(axis) and not self._running)
        if values.dtype.kind == "f":
            values = np.where(np.abs(values) <= 2**53, values, 0.0)
            checked.refuse(values % 1 != 0, "must_be_whole", lambda row: plain(values[row]), role=role)
            values = values.astype(np.int64)
        largest = max(int(values.max()), -int(values.min())) if len(values) else 0
        if knob.wraps_at and self._running and largest >= knob.wraps_at:
            beyond = np.abs(values) >= knob.wraps_at
            checked.refuse(beyond, "beyond_its_wrap", lambda row: int(values[row]), role=role, wraps_at=knob.wraps_at)
        return np.asarray(values, dtype=np.int64)

    def _label(self, cells: _Cells, checked: _Checked, name: str, label: _Label) -> npt.NDArray[Any]:
        """The labels of one column as numbers in its vocabulary; -1 is blank."""
        words = self.vocabulary[name]
        if label.column is None:
            return np.full(len(cells.lines), words.setdefault(label.always or "", len(words)), dtype=np.int32)
        codes, uniques = _factorized(cells.frame[self._index[label.column]])
        names = dict(label.names)
        texts = [names.get(text, text) for text in (_clean(str(text)) for text in uniques)]
        blank = bool(len(codes)) and codes.min() < 0
        if name == "axis" and (blank or "" in texts):
            checked.refuse(np.array([*(not text for text in texts), True])[codes], "is_blank", role="axis")
        if any(len(text) > _LONGEST_LABEL for text in texts):
            too_long = np.array([*(len(text) > _LONGEST_LABEL for text in texts), False])
            checked.refuse(too_long[codes], "label_too_long", role=name, most=_LONGEST_LABEL)
        known = np.array([*(words.setdefault(text, len(words)) for text in texts), -1], dtype=np.int32)
        already_so = not blank and bool((known[:-1] == np.arange(len(texts))).all())
        return codes if already_so else np.asarray(known[codes])

    def _rung(self, cells: _Cells, checked: _Checked, column: _Column) -> npt.NDArray[Any]:
        rung = self._map.rung
        if rung.names:
            return self._named_rungs(cells, checked, column)
        role = rung.means or "gain"
        values = self._number(cells, checked, role, column)
        if rung.means == "rung":
            return self._positions(values, checked)
        if len(values) and not values.min() > 0:
            kind = "must_be_above_zero" if rung.means else "gain_must_be_above_zero"
            checked.refuse(values <= 0, kind, lambda row: plain(values[row]), role=role)
        return _scaled(values, rung.mm)

    def _named_rungs(self, cells: _Cells, checked: _Checked, column: _Column) -> npt.NDArray[Any]:
        rung = self._map.rung
        codes, uniques = _factorized(cells.frame[self._index[column]])
        values = dict(rung.names)
        texts = [*(_clean(str(text)) for text in uniques), ""]
        known = np.array([text in values for text in texts])
        checked.refuse(~known[codes], "not_named_in_the_map", lambda row: _shortened(texts[codes[row]]), role="rung")
        kind = np.float64 if rung.gives_gain else np.int64
        return np.asarray(np.array([float(values.get(text, 0)) for text in texts])[codes], dtype=kind)

    def _positions(self, values: _Floats | _Ints, checked: _Checked) -> npt.NDArray[Any]:
        rung = self._map.rung
        lowest, highest = rung.counts_from, (len(rung.ladder) or 1000) + rung.counts_from - 1
        if values.dtype.kind == "f" or (len(values) and (values.min() < lowest or values.max() > highest)):
            wrong, given = ~((values >= lowest) & (values <= highest) & (values % 1 == 0)), values
            checked.refuse(wrong & ~np.isnan(values), "must_be_a_position", lambda row: plain(given[row]), role="rung",
                           lowest=lowest, highest=highest)  # fmt: skip
            values = np.where(wrong, lowest, values)
        places = np.asarray(values, dtype=np.int64)
        if rung.ladder:
            return np.asarray(np.array([0.0] * lowest + [float(gain) for gain in rung.ladder])[places])
        return places - lowest + 1 if lowest != 1 else places


def _factorized(column: pd.Series) -> tuple[npt.NDArray[Any], Sequence[object]]:
    if isinstance(column.dtype, pd.CategoricalDtype):
        return np.asarray(column.cat.codes), list(column.cat.categories)
    codes, uniques = pd.factorize(column, use_na_sentinel=True)
    return codes, list(uniques)


def _clean(text: str) -> str:
    """A label without blanks around it and without characters that can't be printed."""
    return "".join(sign if sign.isprintable() else "?" for sign in bare(text.strip()))


def _shortened(value: object) -> str:
    text = str(value)
    return text if len(text) <= 38 else text[:35] + "..."
