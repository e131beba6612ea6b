"""Clocks that wrap, restart and repeat."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from .lines import Seen
from .map import Clock

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]
LATE_S = 2.0  # a clock that goes back by less is a late row; by more, a wrap or a reset (our choice)
JUMP_S = 600.0  # a clock that leaps this far ahead and comes back was misread (our choice)
LOOK_AHEAD = 8  # rows looked at to tell a late row from a clock set back


@dataclass(kw_only=True)
class Ordered:
    """One block's times: time_s of every row, which rows stay, and what was noticed, by row of the block."""

    time_s: Floats
    keep: Mask
    dropped: list[Seen] = field(default_factory=list)
    remarks: list[Seen] = field(default_factory=list)
    restarts: list[int] = field(default_factory=list)

    def drop(self, row: int, kind: str, **figures: Any) -> None:
        self.keep[row] = False
        self.dropped.append((row, kind, figures))


def differences(values: Ints, before: int) -> Ints:
    steps = np.empty(len(values), dtype=np.int64)
    if len(values):
        steps[0] = values[0] - before
        np.subtract(values[1:], values[:-1], out=steps[1:])
    return steps


def plain(value: Any) -> int | float:
    """A number of numpy's as Python's own, whole where it is."""
    number = float(value)
    return int(number) if number % 1 == 0 else number


def scaled(values: Floats | Ints, factor: Fraction) -> Floats:
    """Values times an exact factor, rounded once where the factor is a whole number or its inverse."""
    if factor.numerator != 1:
        values = values * factor.numerator
    return np.asarray(values if factor.denominator == 1 else values / factor.denominator, dtype=np.float64)


class ClockReader:
    """Makes the times of a log rise: unfolds wraps, goes on after a reset, singles out late rows."""

    def __init__(self, clock: Clock, *, keep_late: bool) -> None:
        tick = self._tick_s = clock.tick_s
        self._since_last = clock.kind == "since_last"
        self._wrap = clock.wraps_at
        self._keep_late = keep_late
        self._late = LATE_S / float(tick)
        if self._wrap:
            self._late = min(self._late, self._wrap / 8)
        self._jump = max(JUMP_S / float(tick), self._late)
        self._add: float = 0  # ticks added to the raw clock to make it rise
        self._before: float = np.nan  # last kept tick, unfolded; no number is before or after NaN
        self._step: float = 0  # the last step forward, in ticks

    def read(self, ticks: Floats | Ints, count: int) -> Ordered:
        """The times of the first `count` rows; those after them are only looked at."""
        found = Ordered(time_s=np.zeros(count), keep=np.ones(count, dtype=bool))
        unfolded = self._summed(ticks[:count], found) if self._since_last else self._walk(ticks, count, found)
        found.time_s = scaled(unfolded, self._tick_s)
        return found

    def _summed(self, ticks: Floats | Ints, found: Ordered) -> Floats:
        for row in np.flatnonzero(ticks < 0).tolist():
            found.drop(row, "time_below_zero")
        total = np.nan_to_num(self._before) + np.cumsum(np.where(ticks < 0, 0, ticks).astype(float))
        self._before = float(total[-1]) if len(total) else self._before
        return np.asarray(total)

    def _remember(self, ticks: Floats | Ints) -> None:
        for part in (ticks[-9:], ticks):
            rising = np.flatnonzero(part[1:] != part[:-1])
            if len(rising):
                self._step = (part[rising[-1] + 1] - part[rising[-1]]).item()
                break
        self._before = ticks[-1].item() + self._add if len(ticks) else self._before

    def _walk(self, ticks: Floats | Ints, count: int, found: Ordered) -> Floats | Ints:
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

    def _breaks(self, ticks: Floats | Ints) -> npt.NDArray[np.intp]:
        steps = ticks[1:] - ticks[:-1]
        if len(steps) == 0 or (steps.min() >= 0 and steps.max() <= self._jump):
            return np.empty(0, dtype=np.intp)
        return np.flatnonzero((steps < 0) | (steps > self._jump)) + 1

    def _follows(self, tick: float) -> bool:
        return 0 <= tick + self._add - self._before <= self._jump

    def _place(self, ticks: Floats | Ints, row: int, found: Ordered) -> float:
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

    def _comes_back(self, ticks: Floats | Ints, row: int) -> bool:
        if row + 1 >= len(ticks):
            return False
        then = ticks[row + 1].item() + self._add - self._before
        return bool(0 <= then <= self._jump and ticks[row + 1] < ticks[row])

    def _went_back(self, ticks: Floats | Ints, row: int, step: float, found: Ordered) -> float:
        raw = ticks[row].item()
        wrap = self._wrap or self._likely_wrap(raw)
        if -step <= self._late and not self._set_back(ticks, row):
            return self._late_row(row, found)
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

    def _late_row(self, row: int, found: Ordered) -> float:
        if self._keep_late:
            found.remarks.append((row, "late_kept", {}))
        else:
            found.drop(row, "late")
        return self._before

    def _likely_wrap(self, raw: float) -> int | None:
        full, last = 1 << 32, self._before - self._add
        return full if 0.75 * full <= last < full and raw < 0.25 * full else None

    def _set_back(self, ticks: Floats | Ints, row: int) -> bool:
        """Whether the clock was set back: the next rows rise from here and stay before the last time."""
        ahead = ticks[row : row + LOOK_AHEAD + 1]
        last = self._before - self._add
        return len(ahead) > LOOK_AHEAD and bool((np.diff(ahead) >= 0).all() and (ahead < last).all())
