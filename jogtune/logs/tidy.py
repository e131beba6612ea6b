"""Checked cells to tidy rows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from .cells import _Cells
from .check import _LABELS, _Checker, _Gaps
from .clock import _LOOK_AHEAD, Mask, _ClockReader, _CountReader, _Floats, _Ints, _Ordered, _Rows
from .lines import _Seen
from .map import LogMap, _Column

_MOST_LABELS = 100_000
_Columns = Mapping[str, npt.NDArray[Any]]
_Names = npt.NDArray[np.object_]


@dataclass(kw_only=True)
class _Tidied:
    """One block made tidy: its rows and their lines, why rows were left out, what else was noticed."""

    columns: dict[str, Any] = field(default_factory=dict)
    lines: _Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    rows_out: int = 0
    noticed: list[_Seen] = field(default_factory=list)
    remarks: list[_Seen] = field(default_factory=list)

    @property
    def rows(self) -> pd.DataFrame:
        return pd.DataFrame(self.columns, copy=False)


class _Tidier:
    """Turns the cells of block after block into tidy rows; keeps the last few rows until it has seen what follows."""

    def __init__(self, log_map: LogMap, index: Mapping[_Column, int], *, decimal: str = ".", live: bool = False) -> None:
        self._map = log_map
        self._checker = _Checker(log_map, index, decimal)
        self._vocabulary = self._checker.vocabulary
        knob = log_map.knob
        self._running = knob is not None and knob.kind == "running"
        self._clock = _ClockReader(log_map.time, keep_late=knob is not None and not self._running)
        self._counters = {axis: _CountReader(knob) for axis, _ in knob.columns} if knob else {}
        self.anew: list[int] = []  # lines after which the clock may restart, and the first count says nothing of what was turned
        self._look_ahead = 0 if live else _LOOK_AHEAD
        self._pending: dict[str, npt.NDArray[Any]] = {}
        self._last: dict[str, Any] = {}
        self._carried = dict.fromkeys(self._counters, 0)
        self._axis = next(iter(self._counters), "")
        self._gaps = _Gaps(log_map)

    def read(self, cells: _Cells, *, last: bool = False) -> _Tidied:
        """The tidy rows of one block; `last` gives out what was kept back."""
        checked = self._checker.check(cells)
        done = _Tidied(noticed=[*cells.listed, *checked.seen])
        columns = self._without_repeats(checked.good(), done)
        if self._pending:
            columns = {name: np.concatenate([self._pending[name], values]) for name, values in columns.items()}
        count = len(columns["line"]) - (0 if last else min(self._look_ahead, len(columns["line"])))
        self._pending = {name: values[count:] for name, values in columns.items()}
        done.columns = self._tidy(columns, count, done)
        self._forget()
        return done

    def _spoken(self, name: str, codes: npt.NDArray[Any]) -> pd.Series | npt.NDArray[np.object_]:
        if self._look_ahead == 0:
            return np.asarray(np.array([*self._vocabulary[name], ""], dtype=object)[codes])
        words = pd.Series([*self._vocabulary[name], ""], dtype="str")
        return words.take(codes).set_axis(range(len(codes)))

    def _forget(self) -> None:
        """Keep only the labels of the rows kept back, where a log has very many different ones."""
        for name, words in self._vocabulary.items():
            if len(words) > _MOST_LABELS and name in self._pending:
                texts = [*words, ""]
                kept = [texts[code] for code in [*self._pending[name], self._last[name]]]
                self._vocabulary[name] = {text: code for code, text in enumerate(dict.fromkeys(kept))}
                codes = np.array([self._vocabulary[name][text] for text in kept], dtype=np.int32)
                self._pending[name], self._last[name] = codes[:-1], codes[-1]

    def _without_repeats(self, columns: dict[str, npt.NDArray[Any]], done: _Tidied) -> dict[str, npt.NDArray[Any]]:
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
        done.noticed += [(int(line), "says_the_same_again", {}) for line in columns["line"][rows]]
        return {name: np.delete(values, rows) for name, values in columns.items()}

    def _tells_repeats(self, columns: _Columns, rows: _Rows) -> bool:
        """Increments of a coarse clock may well be equal twice within one tick; a running count can't lose by it."""
        if self._running or not self._counters:
            return True
        turned = any(columns[f"count {axis}"][rows].any() for axis in self._counters)
        fine = self._map.time.tick_s < 1 or bool(np.any(columns["time"] % 1))
        return fine or not turned

    def _tidy(self, columns: dict[str, npt.NDArray[Any]], count: int, done: _Tidied) -> dict[str, Any]:
        ordered = self._clock.read(columns["time"], count, np.searchsorted(columns["line"][:count], self.anew).tolist())
        if not self._running:
            ordered.remarks += [(row, "clock_restarts", {}) for row in ordered.restarts]
        ahead = {name: values[count : count + 1] for name, values in columns.items()}
        now = {name: values[:count] for name, values in columns.items()}
        keep, detents = self._count_axes(now, ahead, ordered)
        lines = now["line"]
        done.noticed += [(int(lines[row]), kind, figures) for row, kind, figures in ordered.dropped]
        done.remarks += [(int(lines[row]), kind, figures) for row, kind, figures in ordered.remarks]
        done.rows_out = int(keep.sum())
        time_s = ordered.time_s
        if done.rows_out < count:
            time_s, lines = time_s[keep], lines[keep]
            now = {name: values[keep] for name, values in now.items()}
        done.remarks += self._gaps.find(time_s, lines, detents)
        return self._tidy_columns(now, time_s, detents, done)

    def _count_axes(self, now: _Columns, ahead: _Columns, ordered: _Ordered) -> tuple[Mask, dict[str, _Ints]]:
        """The detents of every axis on the rows that stay, and which rows these are."""
        keep = ordered.keep.copy()
        in_order = range(len(keep)) if keep.all() else np.flatnonzero(keep)
        rows = slice(None) if isinstance(in_order, range) else in_order
        restarts = set(np.searchsorted(in_order, ordered.restarts).tolist()) if ordered.restarts else set()
        lines = now["line"][rows]
        anew = np.searchsorted(lines, self.anew)
        self.anew = [line for line in self.anew if line > lines[-1:].max(initial=0)]
        steps: dict[str, _Ints] = {}
        for axis, reader in self._counters.items():
            after = ahead[f"count {axis}"]
            next_count = int(after[0]) if len(after) else None
            found = reader.read(now[f"count {axis}"][rows], ordered.time_s[rows], restarts, next_count, anew)
            ordered.dropped += [(int(in_order[row]), kind, figures) for row, kind, figures in found.dropped]
            ordered.remarks += [(int(in_order[row]), kind, figures) for row, kind, figures in found.remarks]
            keep[rows] &= found.keep
            steps[axis] = found.detents
        return keep, {axis: self._moved_on(axis, values, keep[rows]) for axis, values in steps.items()}

    def _moved_on(self, axis: str, detents: _Ints, keep: Mask) -> _Ints:
        """Detents of the rows that stay; those of a row left out go to the next one."""
        if keep.all() and not self._carried[axis]:
            return detents
        totals = np.cumsum(detents)
        kept = totals[keep]
        given = np.diff(kept, prepend=-self._carried[axis])
        self._carried[axis] += (int(totals[-1]) if len(totals) else 0) - int(given.sum())
        return given

    def _tidy_columns(self, now: _Columns, time_s: _Floats, detents: Mapping[str, _Ints], done: _Tidied) -> dict[str, Any]:
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
            axis = np.asarray(out["axis"], dtype=object)
            out["position_mm"] = np.full(len(axis), np.nan)  # of an axis without a column of its own
            for name, values in positions.items():
                here = axis == name
                out["position_mm"][here] = (values if rows is None else values[rows])[here]
        return out

    def _fixed_rung(self, time_s: _Floats) -> dict[str, npt.NDArray[Any]]:
        rung = self._map.rung
        name, kind = ("gain_mm", np.float64) if rung.gives_gain else ("rung", np.int64)
        if rung.changes:
            starts = np.array([start for start, _ in rung.changes])
            values = np.array([float(value) for _, value in rung.changes])
            which = np.maximum(np.searchsorted(starts, time_s, side="right") - 1, 0)
            return {name: values[which].astype(kind)}
        return {name: np.full(len(time_s), float(rung.always or 1), dtype=kind)}

    def _by_axis(self, detents: Mapping[str, _Ints], count: int) -> tuple[_Rows, _Names, _Ints]:
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


def _equal(a: Any, b: Any) -> bool:
    return bool(a == b) or (isinstance(a, float) and isinstance(b, float) and bool(np.isnan(a) and np.isnan(b)))


def _join_rows(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    full = [part for part in parts if len(part)]
    if not full:
        return parts[0] if parts else pd.DataFrame()
    return full[0] if len(full) == 1 else pd.concat(full, ignore_index=True)


def _join_tidied(parts: Sequence[_Tidied]) -> _Tidied:
    if len(parts) == 1:
        return parts[0]
    rows = _join_rows([part.rows for part in parts])
    return _Tidied(
        columns={str(name): rows[name] for name in rows}, lines=np.concatenate([part.lines for part in parts]),
        rows_out=sum(part.rows_out for part in parts), noticed=[entry for part in parts for entry in part.noticed],
        remarks=[entry for part in parts for entry in part.remarks],
    )  # fmt: skip
