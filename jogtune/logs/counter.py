"""Counts that wrap, restart and jump."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .clock import Floats, Ints, Ordered, differences
from .map import Counter

FAR_DETENTS = 32  # smaller steps of a counter are never questioned
FASTEST_DETENTS_S = 250.0  # the fastest a cranked wheel is turned (common practice, no source)
ABSURD_DETENTS_S = 5000.0  # beyond any hand
_MOST_AT_FIRST = 100_000  # detents that a log's first row may give: it may sum up what came before (our choice)
_WRAPS = (1 << 8, 1 << 16, 1 << 32)


@dataclass(kw_only=True)
class Counted(Ordered):
    """One block's detents by row (kept rows only), which of these rows stay, and what was noticed."""

    detents: Ints
    before_s: float | None

    def gap_s(self, row: int) -> float:
        """The time since the row above; 0 for the first row of a log."""
        above = self.time_s[row - 1] if row else self.before_s
        return 0.0 if above is None else float(self.time_s[row] - above)


class CountReader:
    """Turns a knob's counts, running or incremental, into signed detents since the last row."""

    def __init__(self, counter: Counter) -> None:
        self._running = counter.kind == "running"
        self._per_detent = counter.counts_per_detent
        self._wrap = counter.wraps_at
        self._sign = -1 if counter.reversed else 1
        self._before: int | None = None
        self._time_before: float | None = None
        self._total = 0  # counts turned since the start
        self._whole = 0  # detents given out since the start

    def read(self, counts: Ints, time_s: Floats, restarts: set[int], after: int | None = None) -> Counted:
        """The detents of rows in order of time.

        `restarts` are rows at which the clock started again; `after` is the count of the row to come, if known.
        """
        found = Counted(
            detents=np.zeros(len(counts), dtype=np.int64), keep=np.ones(len(counts), dtype=bool), time_s=time_s,
            before_s=self._time_before,
        )  # fmt: skip
        if len(counts) == 0:
            return found
        steps = self._steps(counts, restarts, after, found) if self._running else self._given(counts, found)
        found.detents = self._whole_detents(steps if self._sign == 1 else -steps)
        self._time_before = float(time_s[-1])
        return found

    def _whole_detents(self, steps: Ints) -> Ints:
        """Counts to detents: the running total, rounded to the nearest detent, so that nothing adds up wrong."""
        if self._per_detent == 1:
            return steps
        totals = np.cumsum(steps)
        totals += self._total
        self._total = int(totals[-1])
        totals *= 2
        totals += self._per_detent
        totals //= 2 * self._per_detent
        detents = differences(totals, self._whole)
        self._whole = int(totals[-1])
        return detents

    def _given(self, counts: Ints, found: Counted) -> Ints:
        counts = counts.copy()
        for row in self._far(counts).tolist():
            first = self._time_before is None and row == 0
            limit = self._per_detent * (_MOST_AT_FIRST if first else ABSURD_DETENTS_S * found.gap_s(row))
            if abs(int(counts[row])) > limit:
                found.drop(row, "too_fast", value=int(counts[row]), gap_s=found.gap_s(row))
                counts[row] = 0
        return counts

    def _far(self, steps: Ints) -> npt.NDArray[np.intp]:
        far = FAR_DETENTS * self._per_detent
        if steps.max() < far and steps.min() > -far:
            return np.empty(0, dtype=np.intp)
        return np.flatnonzero(np.abs(steps) >= far)

    def _steps(self, counts: Ints, restarts: set[int], after: int | None, found: Counted) -> Ints:
        before = int(counts[0]) if self._before is None else self._before
        self._before = int(counts[-1])
        steps = self._signed(differences(counts if after is None else np.append(counts, after), before))
        fastest = FASTEST_DETENTS_S * self._per_detent
        for row in sorted({*self._far(steps[: len(counts)]).tolist(), *restarts}):
            if row in restarts:
                self._restart(row, counts, steps, found)
            elif abs(int(steps[row])) > max(FAR_DETENTS * self._per_detent - 1, fastest * found.gap_s(row)):
                self._question(row, counts, steps, found)
        return steps[: len(counts)]

    def _signed(self, steps: Ints) -> Ints:
        """Differences of a counter that wraps, folded in place to the nearer way round."""
        if self._wrap is None:
            return steps
        steps += self._wrap // 2
        if self._wrap & (self._wrap - 1):
            steps %= self._wrap
        else:
            steps &= self._wrap - 1
        steps -= self._wrap // 2
        return steps

    def _restart(self, row: int, counts: Ints, steps: Ints, found: Counted) -> None:
        near_zero = abs(int(counts[row])) <= 2 * self._per_detent
        far = abs(int(steps[row])) >= FAR_DETENTS * self._per_detent
        if steps[row] != 0 and (near_zero or far):
            found.drop(row, "clock_and_count_restart", value=int(counts[row]))
            steps[row] = 0
        else:
            found.remarks.append((row, "clock_restarts", {}))

    def _question(self, row: int, counts: Ints, steps: Ints, found: Counted) -> None:
        """A step too fast for a hand: an unnamed wrap, a misread cell, a reset, or else a real one."""
        step, count = int(steps[row]), int(counts[row])
        folded = None if self._wrap else self._unnamed_wrap(step, count)
        if folded is not None:
            found.remarks.append((row, "count_wraps", {"step": step}))
            steps[row] = folded
        elif self._comes_back(row, steps):
            found.drop(row, "count_jumps_and_returns", value=count)
            if row == len(counts) - 1:
                self._before = count - step
            steps[row + 1] = self._signed(steps[row : row + 1] + steps[row + 1])[0]
            steps[row] = 0
        elif abs(count) <= 2 * self._per_detent and abs(step) >= 2 * FAR_DETENTS * self._per_detent:
            found.drop(row, "count_restarts", value=count)
            steps[row] = 0
        elif abs(step) > ABSURD_DETENTS_S * self._per_detent * found.gap_s(row):
            found.drop(row, "count_leaps", step=step, value=count)
            steps[row] = 0

    def _unnamed_wrap(self, step: int, count: int) -> int | None:
        largest = max(abs(count), abs(count - step))
        for wrap in _WRAPS:
            folded = (step + wrap // 2) % wrap - wrap // 2
            if abs(step - folded) == wrap and abs(folded) <= 8 * self._per_detent and largest <= wrap:
                return folded
        return None

    def _comes_back(self, row: int, steps: Ints) -> bool:
        if row + 1 >= len(steps):
            return False
        over = int(self._signed(steps[row : row + 1] + steps[row + 1])[0])
        return abs(over) < FAR_DETENTS * self._per_detent <= abs(int(steps[row + 1]))
