"""Work arrays of the lanes."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from .follow import _NEARLY
from .pursuit import _TINY, _Bools, _Floats, _Ints

_PART = ("q", "w", "run_on", "peak", "ceiling", "overshoot", "lost", "short", "abandoned")
_SCRATCH = ("a", "side", "speed", "away", "change", "speed_1", "left", "brake", "dt", "cap", "zero", "tiny")
"""Constants as arrays: numpy's minimum and maximum are five times slower with a single number."""


class _Part(SimpleNamespace):
    """Some lanes' state and work arrays, of one length; `advance` is `pursue` in place."""

    def __init__(self, work: _WorkArrays, lanes: slice | _Ints, scratch: _Floats, whole: _Ints, flag: _Bools) -> None:
        super().__init__(**dict(zip((*_PART, *_SCRATCH), (*work.state[:, lanes], *scratch), strict=True)))
        self.ladder, self.event, self.index = whole
        self.work, self.flag = work, flag

    def advance(self, top: float) -> None:
        """`pursue` for these lanes, in doubled distances over the ramp; keeps peaks and time at the ceiling."""
        q, w, a, side, speed, away = self.q, self.w, self.a, self.side, self.speed, self.away
        change, speed_1, left, brake, dt = self.change, self.speed_1, self.left, self.brake, self.dt
        np.abs(w, out=a)
        a *= w
        np.subtract(q, a, out=a)
        np.copysign(1.0, a, out=side)
        np.multiply(side, w, out=speed)
        np.multiply(side, q, out=away)
        if speed.min() < 0.0:
            self._note_overshoot()
        np.multiply(speed, speed, out=change)
        change += away
        change *= 0.5
        np.maximum(change, self.zero, out=change)
        np.sqrt(change, out=change)
        np.minimum(change, self.cap, out=change)
        change -= speed
        np.minimum(change, dt, out=change)
        np.negative(dt, out=a)
        np.maximum(change, a, out=change)
        np.add(speed, change, out=speed_1)
        np.maximum(self.peak, speed_1, out=self.peak)
        np.abs(change, out=change)  # now the time of the first phase
        np.subtract(dt, change, out=left)
        speed += speed_1
        speed *= change
        away -= speed
        np.maximum(speed_1, self.tiny, out=brake)
        np.multiply(speed_1, speed_1, out=a)
        np.subtract(away, a, out=a)
        a /= brake
        a *= 0.5
        np.maximum(a, self.zero, out=a)
        np.minimum(a, left, out=a)  # the time of the second phase
        np.greater_equal(speed_1, top * _NEARLY, out=self.flag)
        np.multiply(a, self.flag, out=change)
        self.ceiling += change
        left -= a
        a *= speed_1
        a *= 2.0
        away -= a
        np.minimum(left, brake, out=a)  # the time of the third phase
        np.subtract(speed_1, a, out=w)
        speed_1 += w
        speed_1 *= a
        away -= speed_1
        np.multiply(side, away, out=q)
        w *= side

    def settle(self, lanes: slice) -> None:
        """Put lanes that had time to spare after braking exactly at rest on their target."""
        arrived = self.left[lanes] > self.brake[lanes]
        self.q[lanes][arrived] = 0.0
        self.w[lanes][arrived] = 0.0

    def _note_overshoot(self) -> None:
        """How far lanes that must turn back get past their target, or away from it, till the next click."""
        wrong = np.flatnonzero(self.speed < 0.0)
        speed = -self.speed[wrong]
        time = np.minimum(speed, self.work.until[self.event[wrong]])
        past = time * (2.0 * speed - time) - np.maximum(-self.away[wrong], 0.0)
        self.overshoot[wrong] = np.maximum(self.overshoot[wrong], past)


class _WorkArrays:
    """Some lanes' state, rows as in `_PART`, and room to work in; each starts from its `q` and `w`."""

    def __init__(self, top: float, until: _Floats, ladder: _Ints, begin: _Floats) -> None:
        self.top, self.until = top, until
        count = len(ladder)
        self.state, self.scratch = np.zeros((len(_PART), count)), self._scratch(count)
        self.whole, self.flag = np.empty((3, count), dtype=np.int64), np.empty(count, dtype=bool)
        self.state[:2], self.whole[0] = begin, ladder

    def _scratch(self, count: int) -> _Floats:
        """The last three rows are constants, unless a habit sets the cap."""
        scratch = np.empty((len(_SCRATCH), count))
        scratch[-3:] = np.array([[self.top], [0.0], [_TINY]])
        return scratch

    def head(self, count: int) -> _Part:
        """The first `count` lanes, in place."""
        lanes = slice(0, count)
        return _Part(self, lanes, self.scratch[:, lanes], self.whole[:, lanes], self.flag[lanes])

    def pick(self, lanes: _Ints) -> _Part:
        """Copies of some lanes; `put` brings their state back."""
        return _Part(self, lanes, self._scratch(len(lanes)), self.whole[:, lanes], np.empty(len(lanes), dtype=bool))

    def put(self, lanes: _Ints, part: _Part) -> None:
        for row, name in zip(self.state, _PART, strict=True):
            row[lanes] = getattr(part, name)
