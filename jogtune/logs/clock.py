"""Clocks and counts that wrap."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from .lines import _Seen
from .map import _Clock, _Counter

_Floats = npt.NDArray[np.float64]
_Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]
_Rows = npt.NDArray[np.intp]
_LATE_S = 2.0  # a clock that goes back by less is a late row; by more, a wrap or a reset (our choice)
_JUMP_S = 600.0  # a clock that leaps this far ahead and comes back was misread (our choice)
_LOOK_AHEAD = 8  # rows looked at to tell a late row from a clock set back


@dataclass(kw_only=True)
class _Ordered:
    """One block's times: time_s of every row, which rows stay, and what was noticed, by row of the block."""

    time_s: _Floats
    keep: Mask
    dropped: list[_Seen] = field(default_factory=list)
    remarks: list[_Seen] = field(default_factory=list)
    restarts: list[int] = field(default_factory=list)

    def drop(self, row: int, kind: str, **figures: Any) -> None:
        self.keep[row] = False
        self.dropped.append((row, kind, figures))


def _differences(values: _Ints, before: int) -> _Ints:
    steps = np.empty(len(values), dtype=np.int64)
    if len(values):
        steps[0] = values[0] - before
        np.subtract(values[1:], values[:-1], out=steps[1:])
    return steps


def plain(value: Any) -> int | float:
    """A number of numpy's as Python's own, whole where it is."""
    number = float(value)
    return int(number) if number % 1 == 0 else number


def _scaled(values: _Floats | _Ints, factor: Fraction) -> _Floats:
    """Values times an exact factor, rounded once where the factor is a whole number or its inverse."""
    if factor.numerator != 1:
        values = values * factor.numerator
    return np.asarray(values if factor.denominator == 1 else values / factor.denominator, dtype=np.float64)


class _ClockReader:
    """Makes the times of a log rise: unfolds wraps, goes on after a reset, singles out late rows."""

    def __init__(self, clock: _Clock, *, keep_late: bool) -> None:
        tick = self._tick_s = clock.tick_s
        self._since_last = clock.kind == "since_last"
        self._wrap = clock.wraps_at
        self._keep_late = keep_late
        self._late = _LATE_S / float(tick)
        if self._wrap:
            self._late = min(self._late, self._wrap / 8)
        self._jump = max(_JUMP_S / float(tick), self._late)
        self._add: float = 0  # ticks added to the raw clock to make it rise
        self._before: float = np.nan  # last kept tick, unfolded; no number is before or after NaN
        self._step: float = 0  # the last step forward, in ticks
        self._anew: frozenset[int] = frozenset()

    def read(self, ticks: _Floats | _Ints, count: int, anew: Iterable[int] = ()) -> _Ordered:
        """The times of the first `count` rows; those after them are only looked at. `anew`: rows at which it may have restarted."""
        self._anew = frozenset(anew)
        found = _Ordered(time_s=np.zeros(count), keep=np.ones(count, dtype=bool))
        unfolded = self._summed(ticks[:count], found) if self._since_last else self._walk(ticks, count, found)
        found.time_s = _scaled(unfolded, self._tick_s)
        return found

    def _summed(self, ticks: _Floats | _Ints, found: _Ordered) -> _Floats:
        for row in np.flatnonzero(ticks < 0).tolist():
            found.drop(row, "time_below_zero")
        total = np.nan_to_num(self._before) + np.cumsum(np.where(ticks < 0, 0, ticks).astype(float))
        self._before = float(total[-1]) if len(total) else self._before
        return np.asarray(total)

    def _remember(self, ticks: _Floats | _Ints) -> None:
        for part in (ticks[-9:], ticks):
            rising = np.flatnonzero(part[1:] != part[:-1])
            if len(rising):
                self._step = (part[rising[-1] + 1] - part[rising[-1]]).item()
                break
        self._before = ticks[-1].item() + self._add if len(ticks) else self._before

    def _walk(self, ticks: _Floats | _Ints, count: int, found: _Ordered) -> _Floats | _Ints:
        """Unfolded ticks: stretch by stretch where the clock only rises, row by row where it doesn't."""
        breaks = self._breaks(ticks[:count])
        if self._add == 0 and not len(breaks) and (count == 0 or self._follows(ticks[0].item())):
            self._remember(ticks[:count])
            return ticks[:count]
        out, row = ticks[:count].copy(), 0
        for end in [*breaks.tolist(), count]:
            while row < end and not self._follows(ticks[row].item()):
                out[row] = self._place(ticks, row, found)
                row += 1
            if row < end:
                out[row:end] += self._add
                self._remember(ticks[row:end])
            row = end
        return out

    def _breaks(self, ticks: _Floats | _Ints) -> _Rows:
        steps = ticks[1:] - ticks[:-1]
        if len(steps) == 0 or (steps.min() >= 0 and steps.max() <= self._jump):
            return np.empty(0, dtype=np.intp)
        return np.flatnonzero((steps < 0) | (steps > self._jump)) + 1

    def _follows(self, tick: float) -> bool:
        return 0 <= tick + self._add - self._before <= self._jump

    def _place(self, ticks: _Floats | _Ints, row: int, found: _Ordered) -> float:
        now: float = ticks[row].item() + self._add
        if np.isnan(self._before):
            self._before = now
        step = now - self._before
        if step > self._jump and self._comes_back(ticks, row):
            found.drop(row, "clock_jumps_and_returns", value=plain(ticks[row]))
            return self._before
        if step < 0:
            return self._went_back(ticks, row, step, found)
        self._step = step or self._step
        self._before = now
        return now

    def _comes_back(self, ticks: _Floats | _Ints, row: int) -> bool:
        if row + 1 >= len(ticks):
            return False
        then = ticks[row + 1].item() + self._add - self._before
        return bool(0 <= then <= self._jump and ticks[row + 1] < ticks[row])

    def _went_back(self, ticks: _Floats | _Ints, row: int, step: float, found: _Ordered) -> float:
        raw, full, last = ticks[row].item(), 1 << 32, self._before - self._add
        wrap = self._wrap or (full if 0.75 * full <= last < full and raw < 0.25 * full else None)
        if -step <= self._late and row not in self._anew and not self._set_back(ticks, row):
            if self._keep_late:
                found.remarks.append((row, "late_kept", {}))
            else:
                found.drop(row, "late")
            return self._before
        if wrap and 0 <= step + wrap <= wrap / 2:
            self._add += wrap
            if not self._wrap:
                found.remarks.append((row, "clock_wraps", {"before": plain(raw - step), "value": plain(raw)}))
        else:
            found.restarts.append(row)
            self._add += self._before + self._step - (raw + self._add)
            if raw + self._add < self._before:  # by rounding
                self._add += 2 * float(np.spacing(max(abs(raw), abs(self._before))))
        self._before = float(raw + self._add) if isinstance(raw, float) else raw + self._add
        return self._before

    def _set_back(self, ticks: _Floats | _Ints, row: int) -> bool:
        """Whether the clock was set back: the next rows rise from here and stay before the last time."""
        ahead = ticks[row : row + _LOOK_AHEAD + 1]
        last = self._before - self._add
        return len(ahead) > _LOOK_AHEAD and bool((np.diff(ahead) >= 0).all() and (ahead < last).all())


_FAR_DETENTS = 32  # smaller steps of a counter are never questioned
_FASTEST_DETENTS_S = 250.0  # the fastest a cranked wheel is turned (common practice, no source)
_ABSURD_DETENTS_S = 5000.0  # beyond any hand
_MOST_AT_FIRST = 100_000  # detents that a log's first row may give: it may sum up what came before (our choice)
_WRAPS = (1 << 8, 1 << 16, 1 << 32)


@dataclass(kw_only=True)
class _Counted(_Ordered):
    """One block's detents by row (kept rows only), which of these rows stay, and what was noticed."""

    detents: _Ints
    before_s: float | None

    def gap_s(self, row: int) -> float:
        """The time since the row above; 0 for the first row of a log."""
        above = self.time_s[row - 1] if row else self.before_s
        return 0.0 if above is None else float(self.time_s[row] - above)


class _CountReader:
    """Turns a knob's counts, running or incremental, into signed detents since the last row."""

    def __init__(self, counter: _Counter) -> None:
        self._running = counter.kind == "running"
        self._per_detent = counter.counts_per_detent
        self._wrap = counter.wraps_at
        self._sign = -1 if counter.reversed else 1
        self._before: int | None = None
        self._time_before: float | None = None
        self._total = 0  # counts turned since the start
        self._whole = 0  # detents given out since the start

    def read(
        self, counts: _Ints, time_s: _Floats, restarts: set[int], after: int | None = None, anew: Iterable[int] = ()
    ) -> _Counted:  # fmt: skip
        """The detents of rows in order of time.

        `restarts` are rows at which the clock started again, `anew` those at which a running count may have; `after` is the
        count of the row to come, if known."""
        found = _Counted(
            detents=np.zeros(len(counts), dtype=np.int64), keep=np.ones(len(counts), dtype=bool), time_s=time_s,
            before_s=self._time_before,
        )  # fmt: skip
        if len(counts) == 0:
            return found
        steps = self._steps(counts, restarts, after, anew, found) if self._running else self._given(counts, found)
        found.detents = self._whole_detents(steps if self._sign == 1 else -steps)
        self._time_before = float(time_s[-1])
        return found

    def _whole_detents(self, steps: _Ints) -> _Ints:
        """Counts to detents: the running total, rounded to the nearest detent, so that nothing adds up wrong."""
        if self._per_detent == 1:
            return steps
        totals = np.cumsum(steps)
        totals += self._total
        self._total = int(totals[-1])
        totals *= 2
        totals += self._per_detent
        totals //= 2 * self._per_detent
        detents = _differences(totals, self._whole)
        self._whole = int(totals[-1])
        return detents

    def _given(self, counts: _Ints, found: _Counted) -> _Ints:
        counts = counts.copy()
        for row in self._far(counts).tolist():
            first = self._time_before is None and row == 0
            limit = self._per_detent * (_MOST_AT_FIRST if first else _ABSURD_DETENTS_S * found.gap_s(row))
            if abs(int(counts[row])) > limit:
                found.drop(row, "too_fast", value=int(counts[row]), gap_s=found.gap_s(row))
                counts[row] = 0
        return counts

    def _far(self, steps: _Ints) -> _Rows:
        far = _FAR_DETENTS * self._per_detent
        if steps.max() < far and steps.min() > -far:
            return np.empty(0, dtype=np.intp)
        return np.flatnonzero(np.abs(steps) >= far)

    def _steps(self, counts: _Ints, restarts: set[int], after: int | None, anew: Iterable[int], found: _Counted) -> _Ints:
        before = int(counts[0]) if self._before is None else self._before
        self._before = int(counts[-1])
        steps = self._signed(_differences(counts if after is None else np.append(counts, after), before))
        steps[[row for row in anew if row < len(steps)]] = 0
        fastest = _FASTEST_DETENTS_S * self._per_detent
        for row in sorted({*self._far(steps[: len(counts)]).tolist(), *restarts}):
            if row in restarts:
                self._restart(row, counts, steps, found)
            elif abs(int(steps[row])) > max(_FAR_DETENTS * self._per_detent - 1, fastest * found.gap_s(row)):
                self._question(row, counts, steps, found)
        return steps[: len(counts)]

    def _signed(self, steps: _Ints) -> _Ints:
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

    def _restart(self, row: int, counts: _Ints, steps: _Ints, found: _Counted) -> None:
        near_zero = abs(int(counts[row])) <= 2 * self._per_detent
        far = abs(int(steps[row])) >= _FAR_DETENTS * self._per_detent
        if steps[row] != 0 and (near_zero or far):
            found.drop(row, "clock_and_count_restart", value=int(counts[row]))
            steps[row] = 0
        else:
            found.remarks.append((row, "clock_restarts", {}))

    def _question(self, row: int, counts: _Ints, steps: _Ints, found: _Counted) -> None:
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
        elif abs(count) <= 2 * self._per_detent and abs(step) >= 2 * _FAR_DETENTS * self._per_detent:
            found.drop(row, "count_restarts", value=count)
            steps[row] = 0
        elif abs(step) > _ABSURD_DETENTS_S * self._per_detent * found.gap_s(row):
            found.drop(row, "count_leaps", step=step, value=count)
            steps[row] = 0

    def _unnamed_wrap(self, step: int, count: int) -> int | None:
        largest = max(abs(count), abs(count - step))
        for wrap in _WRAPS:
            folded = (step + wrap // 2) % wrap - wrap // 2
            if abs(step - folded) == wrap and abs(folded) <= 8 * self._per_detent and largest <= wrap:
                return folded
        return None

    def _comes_back(self, row: int, steps: _Ints) -> bool:
        if row + 1 >= len(steps):
            return False
        over = int(self._signed(steps[row : row + 1] + steps[row + 1])[0])
        return abs(over) < _FAR_DETENTS * self._per_detent <= abs(int(steps[row + 1]))
