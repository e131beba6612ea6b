"""Reports missing from a log."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from .clock import Floats, Ints
from .lines import Seen
from .map import LogMap

_MOST_GAPS = 100
_ROWS_TO_JUDGE = 50  # rows enough to tell how often reports come and whether every one moves (our choice)
_MOVING_SHARE = 0.98  # of rows that move, from which only changes are taken to be reported (our choice)


class Gaps:
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

    def find(self, time_s: Floats, lines: Ints, detents: Mapping[str, Ints]) -> list[Seen]:
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

    def _judge(self, time_s: Floats, turned: Ints) -> None:
        """What is usual in this log: the time between two rows and, where every row moves, how far."""
        steps = np.diff(time_s)
        self._usual_s = self._regular_s = _regular(steps)
        if turned.ndim and float((turned > 0).mean()) >= _MOVING_SHARE:
            self._usual_turn = float(np.median(turned))
            self._usual_s = float(np.median(steps))

    def _without_rests(
        self, rows: npt.NDArray[np.intp], lines: Ints, turned: Ints
    ) -> tuple[npt.NDArray[np.intp], list[Seen]]:  # fmt: skip
        """The gaps that are no rests; where every row moves, a gap that ends in a usual step is one, told once."""
        if self._usual_turn is None:
            return rows, []
        rests = turned <= 3 * self._usual_turn + 1
        told: list[Seen] = []
        if rests.any() and not self._rests_told:
            told, self._rests_told = [(int(lines[rows[rests][0]]), "only_changes", {})], True
        return rows[~rests], told


def _turned(detents: Mapping[str, Ints], rows: slice | npt.NDArray[np.intp]) -> Ints:
    return np.asarray(sum(np.abs(values[rows]) for values in detents.values()))


def _regular(steps: Floats) -> float:
    """The report interval, or 0 where reports don't come at a regular one."""
    usual = float(np.median(steps))
    return usual if usual > 0 and float((np.abs(steps - usual) <= 0.25 * usual).mean()) >= 0.6 else 0.0
