"""Counts that wrap, restart and jump."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from .clock import Floats, Ints, Mask, differences
from .map import Counter

FAR_DETENTS = 32  # smaller steps of a counter are never questioned
FASTEST_DETENTS_S = 250.0  # the fastest a cranked wheel is turned (common practice, no source)
ABSURD_DETENTS_S = 5000.0  # beyond any hand
_WRAPS = (1 << 8, 1 << 16, 1 << 32)


@dataclass(kw_only=True)
class Counted:
    """One block's detents by row (kept rows only), which of these rows stay, and what was noticed."""

    detents: Ints
    keep: Mask
    dropped: dict[int, str] = field(default_factory=dict)
    remarks: list[tuple[int, str, str]] = field(default_factory=list)


class _Gaps:
    """How long before each row the one above was, in s."""

    def __init__(self, time_s: Floats, before: float | None) -> None:
        self._time_s, self._first = time_s, before

    def before(self, row: int) -> float:
        """The time since the row above; 0 for the first row of a log."""
        above = self._time_s[row - 1] if row else self._first
        return 0.0 if above is None else float(self._time_s[row] - above)


class CountReader:
    """Turns a knob's counts, running or incremental, into signed detents since the last row.

    >>> reader = CountReader(Counter(columns=(("", "n"),), wraps_at=256))
    >>> reader.read(np.array([250, 254, 2]), np.array([0.0, 0.04, 0.08]), set()).detents
    array([0, 4, 4])
    """

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
        found = Counted(detents=np.zeros(len(counts), dtype=np.int64), keep=np.ones(len(counts), dtype=bool))
        if len(counts) == 0:
            return found
        gaps = _Gaps(time_s, self._time_before)
        steps = self._steps(counts, gaps, restarts, after, found) if self._running else self._given(counts, gaps, found)
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

    def _given(self, counts: Ints, gaps: _Gaps, found: Counted) -> Ints:
        counts = counts.copy()
        for row in self._far(counts).tolist():
            count, limit = int(counts[row]), ABSURD_DETENTS_S * self._per_detent * gaps.before(row)
            if self._time_before is None and row == 0:
                limit = 100_000 * self._per_detent
            if abs(count) > limit:
                found.dropped[row] = f"{count} counts in {gaps.before(row):.6g} s: no hand turns so fast"
                found.keep[row] = False
                counts[row] = 0
        return counts

    def _far(self, steps: Ints) -> npt.NDArray[np.intp]:
        """The rows whose step is worth a question."""
        far = FAR_DETENTS * self._per_detent
        if steps.max() < far and steps.min() > -far:
            return np.empty(0, dtype=np.intp)
        return np.flatnonzero(np.abs(steps) >= far)

    def _steps(
        self, counts: Ints, gaps: _Gaps, restarts: set[int], after: int | None, found: Counted
    ) -> Ints:  # fmt: skip
        before = int(counts[0]) if self._before is None else self._before
        self._before = int(counts[-1])
        steps = self._signed(differences(counts if after is None else np.append(counts, after), before))
        fastest = FASTEST_DETENTS_S * self._per_detent
        for row in sorted({*self._far(steps[: len(counts)]).tolist(), *restarts}):
            if row in restarts:
                self._restart(row, counts, steps, found)
            elif abs(int(steps[row])) > max(FAR_DETENTS * self._per_detent - 1, fastest * gaps.before(row)):
                self._question(row, counts, steps, gaps, found)
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
            self._start_afresh(row, counts, steps, found, "clock and count start again")
        else:
            found.remarks.append((row, "the clock starts again", "kept; time goes on from the row above"))

    def _start_afresh(self, row: int, counts: Ints, steps: Ints, found: Counted, what: str) -> None:
        found.dropped[row] = f"{what} at {int(counts[row])}; the next count is taken from here"
        found.keep[row] = False
        steps[row] = 0

    def _question(self, row: int, counts: Ints, steps: Ints, gaps: _Gaps, found: Counted) -> None:
        """A step too fast for a hand: an unnamed wrap, a misread cell, a reset, or else a real one."""
        step = int(steps[row])
        folded = None if self._wrap else self._unnamed_wrap(step, int(counts[row]))
        if folded is not None:
            found.remarks.append(
                (row, f"the count steps by {step}", "taken for a wrap; give wraps_at in the map to be sure")
            )
            steps[row] = folded
        elif self._comes_back(row, steps):
            found.dropped[row] = f"the count jumps to {int(counts[row])} and comes back"
            found.keep[row] = False
            if row == len(counts) - 1:
                self._before = int(counts[row]) - step
            steps[row + 1] = self._signed(steps[row : row + 1] + steps[row + 1])[0]
            steps[row] = 0
        elif abs(int(counts[row])) <= 2 * self._per_detent and abs(step) >= 2 * FAR_DETENTS * self._per_detent:
            self._start_afresh(row, counts, steps, found, "the count starts again")
        elif abs(step) > ABSURD_DETENTS_S * self._per_detent * gaps.before(row):
            self._start_afresh(row, counts, steps, found, f"the count jumps by {step}")

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
