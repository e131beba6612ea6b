"""Checked cells to tidy rows, each bad row named."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from .cells import Cells, as_numbers
from .clock import LOOK_AHEAD, ClockReader, Floats, Ints, Mask, Ordered, scaled
from .counter import CountReader
from .gaps import Gaps
from .map import Column, Label, Length, LogMap

Codes = npt.NDArray[Any]
SAY_POSITION = 'means = "rung", counts_from = 0'
_MOST_LABELS = 100_000
_LABELS = ("axis", "person", "marker")


@dataclass(kw_only=True)
class Tidied:
    """One block made tidy: its rows, what was left out (line, what, done), what else was noticed."""

    columns: dict[str, Any] = field(default_factory=dict)
    lines: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    rows_out: int = 0
    noticed: list[tuple[int, str, str]] = field(default_factory=list)
    remarks: list[tuple[int, str, str]] = field(default_factory=list)

    @property
    def rows(self) -> pd.DataFrame:
        """The tidy rows as a frame."""
        return pd.DataFrame(self.columns, copy=False)


class Checked:
    """The readings of one block, column by column under their roles, and why rows are bad."""

    def __init__(self, lines: Ints) -> None:
        self.lines = lines
        self.columns: dict[str, npt.NDArray[Any]] = {}
        self.bad = np.zeros(len(lines), dtype=bool)
        self.reasons: dict[int, list[str]] = {}

    def refuse(self, bad: Mask, what: Callable[[int], str]) -> None:
        """Mark rows as bad; `what` says why for one row."""
        if bad.any():
            self.bad |= bad
            for row in np.flatnonzero(bad).tolist():
                self.reasons.setdefault(row, []).append(what(row))


class Tidier:
    """Turns the cells of block after block into tidy rows; keeps the last few rows until it has seen what follows."""

    def __init__(self, log_map: LogMap, index: Mapping[Column, int], *, decimal: str = ".", live: bool = False) -> None:
        self._map, self._index, self._decimal = log_map, index, decimal
        knob = log_map.knob
        self._running = knob is not None and knob.kind == "running"
        self._clock = ClockReader(log_map.time, keep_late=knob is not None and not self._running)
        self._counters = {axis: CountReader(knob) for axis, _ in knob.columns} if knob else {}
        self._look_ahead = 0 if live else LOOK_AHEAD
        self._pending: dict[str, npt.NDArray[Any]] = {}
        self._last: dict[str, Any] = {}
        self._carried = dict.fromkeys(self._counters, 0)
        self._axis = next(iter(self._counters), "")
        self._gaps = Gaps(log_map)
        self._words: dict[str, dict[str, int]] = {name: {} for name in _LABELS}

    def read(self, cells: Cells, *, last: bool = False) -> Tidied:
        """The tidy rows of one block; `last` gives out what was kept back."""
        done = Tidied()
        done.noticed += [(line, what, "left out") for line, what in cells.listed]
        checked = self._check(cells)
        for row, reasons in sorted(checked.reasons.items()):
            done.noticed.append((int(checked.lines[row]), "; ".join(reasons), "left out"))
        columns = {"line": checked.lines, **checked.columns}
        if checked.bad.any():
            columns = {name: values[~checked.bad] for name, values in columns.items()}
        columns = self._without_repeats(columns, done)
        if self._pending:
            columns = {name: np.concatenate([self._pending[name], values]) for name, values in columns.items()}
        count = len(columns["line"]) - (0 if last else min(self._look_ahead, len(columns["line"])))
        self._pending = {name: values[count:] for name, values in columns.items()}
        done.columns = self._tidy(columns, count, done)
        self._forget()
        return done

    # -------------------------------------------------------------- cells

    def _check(self, cells: Cells) -> Checked:
        checked = Checked(cells.lines)
        log_map = self._map
        tick = self._number(cells, checked, "time", log_map.time.column)
        checked.columns["time"] = tick
        for axis, column in log_map.knob.columns if log_map.knob else ():
            checked.columns[f"count {axis}"] = self._count(cells, checked, axis, column)
        for axis, column in log_map.position.columns if log_map.position else ():
            checked.columns[f"position {axis}"] = self._length(cells, checked, "position", column, log_map.position.mm)  # type: ignore[union-attr]
        for name, part in (("goal", log_map.goal), ("tolerance", log_map.tolerance)):
            if part is not None:
                checked.columns[name] = self._optional_length(cells, checked, name, part)
        for name, label in (("axis", log_map.axis), ("person", log_map.person), ("marker", log_map.marker)):
            if label is not None:
                checked.columns[name] = self._label(cells, checked, name, label)
        self._rung(cells, checked)
        return checked

    def _column(self, cells: Cells, column: Column) -> pd.Series:
        return cells.frame[self._index[column]]

    def _number(
        self, cells: Cells, checked: Checked, name: str, column: Column, *, blank_allowed: bool = False
    ) -> Floats | Ints:  # fmt: skip
        text = self._column(cells, column)
        values, bad, blank = as_numbers(text, self._decimal)
        checked.refuse(bad, lambda row: f"{name} = {_shown(text.iloc[row])}: must be a number")
        if not blank_allowed:
            checked.refuse(blank, lambda row: f"{name} is blank")
        return values

    def _count(self, cells: Cells, checked: Checked, axis: str, column: Column) -> Ints:
        knob = self._map.knob
        assert knob is not None
        optional = bool(axis) and not self._running
        name = f"count {axis}".rstrip() if self._running else f"detents {axis}".rstrip()
        values = self._number(cells, checked, name, column, blank_allowed=optional)
        if values.dtype.kind == "f":
            values = np.where(np.abs(values) <= 2**53, values, 0.0)
            checked.refuse(values % 1 != 0, lambda row: f"{name} = {values[row]:.10g}: must be a whole number")
            values = values.astype(np.int64)
        largest = max(int(values.max()), -int(values.min())) if len(values) else 0
        if knob.wraps_at and self._running and largest >= knob.wraps_at:
            beyond = np.abs(values) >= knob.wraps_at
            checked.refuse(beyond, lambda row: f"{name} = {values[row]}: is beyond its wrap at {knob.wraps_at}")
        return np.asarray(values, dtype=np.int64)

    def _length(self, cells: Cells, checked: Checked, name: str, column: Column, mm: Any) -> Floats:
        values = self._number(cells, checked, name, column, blank_allowed=True)
        return scaled(values, mm)

    def _optional_length(self, cells: Cells, checked: Checked, name: str, part: Length) -> Floats:
        values = self._length(cells, checked, name, part.column, part.mm)
        if name == "tolerance":
            checked.refuse(values <= 0, lambda row: f"tolerance = {values[row]:.10g} mm: must be above 0")
        return values

    def _label(self, cells: Cells, checked: Checked, name: str, label: Label) -> Codes:
        """The labels of one column as numbers in its vocabulary; -1 is blank."""
        words = self._words[name]
        if label.column is None:
            return np.full(len(cells.lines), words.setdefault(label.always or "", len(words)), dtype=np.int32)
        codes, uniques = _factorized(self._column(cells, label.column))
        names = dict(label.names)
        texts = [names.get(text, text) for text in (_clean(str(text)) for text in uniques)]
        blank = bool(len(codes)) and codes.min() < 0
        if name == "axis" and (blank or "" in texts):
            empty = np.array([*(not text for text in texts), True])
            checked.refuse(empty[codes], lambda row: "axis is blank")
        if any(len(text) > 200 for text in texts):
            too_long = np.array([*(len(text) > 200 for text in texts), False])
            checked.refuse(too_long[codes], lambda row: f"{name}: is longer than 200 characters")
        known = np.array([*(words.setdefault(text, len(words)) for text in texts), -1], dtype=np.int32)
        already_so = not blank and bool((known[:-1] == np.arange(len(texts))).all())
        return codes if already_so else np.asarray(known[codes])

    def _spoken(self, name: str, codes: Codes) -> pd.Series | npt.NDArray[np.object_]:
        """The labels behind their numbers."""
        if self._look_ahead == 0:
            return np.array([*self._words[name], ""], dtype=object)[codes]
        words = pd.Series([*self._words[name], ""], dtype="str")
        return words.take(codes).set_axis(range(len(codes)))

    def _forget(self) -> None:
        """Keep only the labels of the rows kept back, where a log has very many different ones."""
        for name, words in self._words.items():
            if len(words) > _MOST_LABELS and name in self._pending:
                texts = [*words, ""]
                kept = [texts[code] for code in [*self._pending[name], self._last[name]]]
                self._words[name] = {text: code for code, text in enumerate(dict.fromkeys(kept))}
                codes = np.array([self._words[name][text] for text in kept], dtype=np.int32)
                self._pending[name], self._last[name] = codes[:-1], codes[-1]

    def _rung(self, cells: Cells, checked: Checked) -> None:
        rung = self._map.rung
        if rung.column is None:
            return
        name = "gain_mm" if rung.gives_gain else "rung"
        if rung.names:
            checked.columns[name] = self._named_rungs(cells, checked, rung.column)
            return
        values = self._number(cells, checked, rung.means or "gain", rung.column)
        if rung.means == "rung":
            checked.columns[name] = self._positions(values, checked)
            return
        if len(values) and not values.min() > 0:
            hint = "" if rung.means else f" (is it a position? then say {SAY_POSITION} in [rung])"
            checked.refuse(values <= 0, lambda row: f"{rung.means or 'gain'} = {values[row]:.10g}: must be above 0{hint}")
        checked.columns[name] = scaled(values, rung.mm)

    def _named_rungs(self, cells: Cells, checked: Checked, column: Column) -> npt.NDArray[Any]:
        rung = self._map.rung
        codes, uniques = _factorized(self._column(cells, column))
        values = dict(rung.names)
        texts = [*(_clean(str(text)) for text in uniques), ""]
        known = np.array([text in values for text in texts])
        checked.refuse(~known[codes], lambda row: f"rung = {_shown(texts[codes[row]])}: is not named in the map")
        kind = np.float64 if rung.gives_gain else np.int64
        return np.asarray(np.array([float(values.get(text, 0)) for text in texts])[codes], dtype=kind)

    def _positions(self, values: Floats | Ints, checked: Checked) -> npt.NDArray[Any]:
        rung = self._map.rung
        lowest, highest = rung.counts_from, (len(rung.ladder) or 1000) + rung.counts_from - 1
        if values.dtype.kind == "f" or (len(values) and (values.min() < lowest or values.max() > highest)):
            wrong = ~((values >= lowest) & (values <= highest) & (values % 1 == 0))
            checked.refuse(
                wrong & ~np.isnan(values),
                lambda row: f"rung = {values[row]:.10g}: must be a whole number, {lowest} to {highest}",
            )
            values = np.where(wrong, lowest, values)
        places = np.asarray(values, dtype=np.int64)
        if rung.ladder:
            return np.asarray(np.array([0.0] * lowest + [float(gain) for gain in rung.ladder])[places])
        return places - lowest + 1 if lowest != 1 else places

    # -------------------------------------------------------------- rows

    def _without_repeats(self, columns: dict[str, npt.NDArray[Any]], done: Tidied) -> dict[str, npt.NDArray[Any]]:
        """Rows that say again exactly what the row above said are left out, where the clock is fine enough to tell."""
        time = columns["time"]
        if len(time) == 0 or self._map.time.kind == "since_last":
            return columns
        before = self._last or {name: None for name in columns}
        self._last = {name: values[-1] for name, values in columns.items()}
        same = np.zeros(len(time), dtype=bool)
        same[1:] = time[1:] == time[:-1]
        same[0] = before["time"] is not None and time[0] == before["time"]
        rows = np.flatnonzero(same)
        for name in columns:
            if name not in ("line", "time") and len(rows):
                above = [before[name] if row == 0 else columns[name][row - 1] for row in rows]
                rows = rows[[_equal(a, b) for a, b in zip(above, columns[name][rows], strict=True)]]
        if not len(rows) or not self._tells_repeats(columns, rows):
            return columns
        done.noticed += [(int(line), "says again what the row above said", "left out") for line in columns["line"][rows]]
        return {name: np.delete(values, rows) for name, values in columns.items()}

    def _tells_repeats(self, columns: Mapping[str, npt.NDArray[Any]], rows: npt.NDArray[np.intp]) -> bool:
        """Increments of a coarse clock may well be equal twice within one tick; a running count can't lose by it."""
        if self._running or not self._counters:
            return True
        turned = any(columns[f"count {axis}"][rows].any() for axis in self._counters)
        fine = self._map.time.tick_s < 1 or bool(np.any(columns["time"] % 1))
        return fine or not turned

    def _tidy(self, columns: dict[str, npt.NDArray[Any]], count: int, done: Tidied) -> dict[str, Any]:
        ordered = self._clock.read(columns["time"], count)
        ahead = {name: values[count : count + 1] for name, values in columns.items()}
        now = {name: values[:count] for name, values in columns.items()}
        dropped = dict(ordered.dropped)
        remarks = list(ordered.remarks)
        if not self._running:
            remarks += [(row, "the clock starts again", "kept; time goes on from the row above") for row in ordered.restarts]
        keep, detents = self._count_axes(now, ahead, ordered, dropped, remarks)
        lines = now["line"]
        done.noticed += [(int(lines[row]), what, "left out") for row, what in sorted(dropped.items())]
        done.remarks += [(int(lines[row]), what, how) for row, what, how in sorted(remarks)]
        done.rows_out = int(keep.sum())
        time_s = ordered.time_s
        if done.rows_out < count:
            time_s, lines = time_s[keep], lines[keep]
            now = {name: values[keep] for name, values in now.items()}
        done.remarks += self._gaps.find(time_s, lines, detents)
        return self._tidy_columns(now, time_s, detents, done)

    def _count_axes(
        self, now: Mapping[str, npt.NDArray[Any]], ahead: Mapping[str, npt.NDArray[Any]], ordered: Ordered,
        dropped: dict[int, str], remarks: list[tuple[int, str, str]],
    ) -> tuple[Mask, dict[str, Ints]]:  # fmt: skip
        """The detents of every axis on the rows that stay, and which rows these are."""
        keep = ordered.keep.copy()
        in_order = range(len(keep)) if keep.all() else np.flatnonzero(keep)
        rows = slice(None) if isinstance(in_order, range) else in_order
        restarts = set(np.searchsorted(in_order, ordered.restarts).tolist()) if ordered.restarts else set()
        steps: dict[str, Ints] = {}
        for axis, reader in self._counters.items():
            after = ahead[f"count {axis}"]
            found = reader.read(now[f"count {axis}"][rows], ordered.time_s[rows], restarts, int(after[0]) if len(after) else None)
            dropped |= {int(in_order[row]): what for row, what in found.dropped.items()}
            remarks += [(int(in_order[row]), what, how) for row, what, how in found.remarks]
            keep[rows] &= found.keep
            steps[axis] = found.detents
        return keep, {axis: self._moved_on(axis, values, keep[rows]) for axis, values in steps.items()}

    def _moved_on(self, axis: str, detents: Ints, keep: Mask) -> Ints:
        """Detents of the rows that stay; those of a row left out go to the next one."""
        if keep.all() and not self._carried[axis]:
            return detents
        totals = np.cumsum(detents)
        kept = totals[keep]
        given = np.diff(kept, prepend=-self._carried[axis])
        self._carried[axis] += (int(totals[-1]) if len(totals) else 0) - int(given.sum())
        return given

    def _tidy_columns(
        self, now: Mapping[str, npt.NDArray[Any]], time_s: Floats, detents: Mapping[str, Ints], done: Tidied
    ) -> dict[str, Any]:  # fmt: skip
        out: dict[str, Any] = {"time_s": time_s, "axis": now["axis"]}
        positions = {name.partition(" ")[2]: now[name] for name in now if name.startswith("position ")}
        rows, axes = None, None
        if len(detents) > 1:
            rows, axes, out["detents"] = self._by_axis(detents, len(time_s))
        else:
            out["detents"] = next(iter(detents.values())) if detents else np.zeros(len(time_s), dtype=np.int64)
        if len(detents) == 1 and "" not in detents:
            axes = np.full(len(time_s), next(iter(detents)), dtype=object)
        out |= {name: now[name] for name in ("gain_mm", "rung") if name in now} or self._fixed_rung(time_s)
        if positions:
            out["position_mm"] = next(iter(positions.values()))
        out |= {f"{name}_mm": now[name] for name in ("goal", "tolerance") if name in now}
        out |= {name: now[name] for name in ("person", "marker") if name in now}
        if rows is not None:
            out = {name: values if name == "detents" else values[rows] for name, values in out.items()}
        done.lines = now["line"] if rows is None else now["line"][rows]
        out |= {name: self._spoken(name, out[name]) for name in _LABELS if name in out}
        if axes is not None:
            out["axis"] = axes if self._look_ahead == 0 else pd.Series(axes, dtype="str")
        if positions and "" not in positions:
            out["position_mm"] = _of_axis(positions, np.asarray(out["axis"], dtype=object), rows)
        return out

    def _fixed_rung(self, time_s: Floats) -> dict[str, npt.NDArray[Any]]:
        rung = self._map.rung
        name, kind = ("gain_mm", np.float64) if rung.gives_gain else ("rung", np.int64)
        if rung.changes:
            starts = np.array([start for start, _ in rung.changes])
            values = np.array([float(value) for _, value in rung.changes])
            which = np.maximum(np.searchsorted(starts, time_s, side="right") - 1, 0)
            return {name: values[which].astype(kind)}
        return {name: np.full(len(time_s), float(rung.always or 1), dtype=kind)}

    def _by_axis(
        self, detents: Mapping[str, Ints], count: int
    ) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.object_], Ints]:  # fmt: skip
        """One tidy row per axis that turned; a row in which none did belongs to the axis that turned last."""
        axes = list(detents)
        table = np.column_stack([detents[axis] for axis in axes]) if count else np.zeros((0, len(axes)), np.int64)
        turned = table != 0
        turns = turned.any(axis=1)
        first = np.where(turns, turned.argmax(axis=1), -1)
        at = np.maximum.accumulate(np.where(turns, np.arange(count), -1)) if count else np.zeros(0, np.int64)
        last_axis = len(axes) - 1 - turned[:, ::-1].argmax(axis=1)
        resting = np.where(at >= 0, last_axis[at], axes.index(self._axis))
        turned[np.arange(count), np.where(turns, first, resting)] = True
        rows, which = np.nonzero(turned)
        if count:
            self._axis = axes[int(which[-1])]
        return rows, np.array(axes, dtype=object)[which], table[rows, which]


def _factorized(column: pd.Series) -> tuple[npt.NDArray[Any], Sequence[object]]:
    """Each row's place among the column's different texts (-1: blank), and these texts."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return np.asarray(column.cat.codes), list(column.cat.categories)
    codes, uniques = pd.factorize(column, use_na_sentinel=True)
    return codes, list(uniques)


def _of_axis(
    positions: Mapping[str, Floats], axis: npt.NDArray[np.object_], rows: npt.NDArray[np.intp] | None
) -> Floats:  # fmt: skip
    """The position of each row's own axis; NaN where that axis has no position column."""
    out = np.full(len(axis), np.nan)
    for name, values in positions.items():
        here = axis == name
        out[here] = (values if rows is None else values[rows])[here]
    return out


def _equal(a: Any, b: Any) -> bool:
    return bool(a == b) or (isinstance(a, float) and isinstance(b, float) and bool(np.isnan(a) and np.isnan(b)))


def _clean(text: str) -> str:
    """A label without blanks around it and without characters that can't be printed."""
    text = unescaped(text.strip())
    return text if text.isprintable() else "".join(sign if sign.isprintable() else "?" for sign in text)


FORMULA_SIGNS = ("=", "+", "-", "@")


def unescaped(text: str) -> str:
    """A label without the ' that `write_log` puts before what a spreadsheet would take for a formula."""
    bare = text.lstrip("'")
    return text[1:] if bare != text and bare.startswith(FORMULA_SIGNS) else text


def _shown(value: object) -> str:
    text = repr(str(value))
    return text if len(text) <= 40 else text[:36] + "...'"


def join_rows(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The tidy rows of all blocks under each other."""
    full = [part for part in parts if len(part)]
    if not full:
        return parts[0] if parts else pd.DataFrame()
    return full[0] if len(full) == 1 else pd.concat(full, ignore_index=True)


def join_tidied(parts: Sequence[Tidied]) -> Tidied:
    """What was made of the pieces of one block, as one."""
    if len(parts) == 1:
        return parts[0]
    rows = join_rows([part.rows for part in parts])
    return Tidied(
        columns={str(name): rows[name] for name in rows}, lines=np.concatenate([part.lines for part in parts]),
        rows_out=sum(part.rows_out for part in parts), noticed=[entry for part in parts for entry in part.noticed],
        remarks=[entry for part in parts for entry in part.remarks],
    )  # fmt: skip
