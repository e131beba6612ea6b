"""Many ladders side by side (fast)."""

from __future__ import annotations

from dataclasses import dataclass, fields
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .follow import _NEARLY, Habit, _Follower, _gain_table
from .link import _CLICK_SLACK, Reports, _above_zero
from .pursuit import _AGES_S, _TINY, _Bools, _Floats, _Ints

_BLOCK = 4096  # lanes advanced together: their work arrays fit a core's second cache
_MOST_LANES = 400_000  # lanes held at once; more ladders are replayed in parts


@dataclass(frozen=True, kw_only=True, eq=False)
class _Replay:
    """What a log's turns do on each of many ladders: one value a ladder.

    `run_on_by_rung_mm`: the farthest the axis gets from where it was at a burst's last report with clicks, highest of all
    bursts, by the rung of that report, (rungs, ladders). `lost_detents`: clicks forgiven, beyond the limit or discarded by
    the controller. `at_ceiling_s`: time at top speed. `peak_speed_mm_s`, `final_mm`: highest speed, and where the axis ends."""

    run_on_by_rung_mm: _Floats
    lost_detents: _Ints
    at_ceiling_s: _Floats
    peak_speed_mm_s: _Floats
    final_mm: _Floats


def replay(
    reports: Reports, gains_mm: ArrayLike, *, top_speed_mm_s: float, ramp_mm_s2: float, habit: Habit | None = None,
    rest_s: float = 0.3,
) -> _Replay:  # fmt: skip
    """Replay reports on many ladders: `gains_mm` is (ladders,), or (ladders, rungs) by the report's rung.

    The axis starts at rest. Reports with clicks more than `rest_s` apart begin a new burst; each burst on each ladder is a lane
    of its own that starts at rest, and those whose predecessor had not come to rest are run again from where it was. Queues,
    *spread* and stops are followed ladder by ladder."""
    table = _gain_table(gains_mm, reports)
    top, ramp = _above_zero("top_speed_mm_s", top_speed_mm_s), _above_zero("ramp_mm_s2", ramp_mm_s2)
    rest, habit = _above_zero("rest_s", rest_s), habit or Habit()
    if habit.queue is not None or habit.speed == "spread" or habit.rung_change == "stop" or reports.stop.any():
        return _replay_each(reports, table, top, ramp, habit, rest)
    events = _Events.of(reports, habit, rest)
    width = max(1, _MOST_LANES // max(len(events.start), 1))
    parts = [
        _LaneBlock(events, table[:, first : first + width], top, ramp, reports.interval_s).run()
        for first in range(0, table.shape[1], width)
    ]
    return _Replay(**{name: np.concatenate([part[name] for part in parts], axis=-1) for name in parts[0]})


def _by_rung(run_on: _Floats, rung: _Ints, rungs: int) -> _Floats:
    """The highest of the bursts (bursts, ...) that ended on each rung, (rungs, ...)."""
    highest = np.zeros((rungs, *run_on.shape[1:]))
    np.maximum.at(highest, rung, run_on)
    return highest


def _replay_each(reports: Reports, table: _Floats, top: float, ramp: float, habit: Habit, rest_s: float) -> _Replay:
    """Each ladder followed on its own."""
    clicks = np.flatnonzero(reports.detents)
    last = clicks[np.append(np.diff(reports.time_s[clicks]) > rest_s, True)[: len(clicks)]].tolist()
    found = []
    for gains in table.T.tolist():
        course, run_on = _Follower(gains, top, ramp, reports.interval_s, habit).course(reports, frozenset(last))
        by_rung = _by_rung(np.array(run_on), reports.rung[last], len(table))
        found.append((by_rung, course.lost_detents, course.at_ceiling_s(top), course.extremes()[2], course.target_mm[-1]))
    names = [one.name for one in fields(_Replay)]
    columns: dict[str, Any] = {name: np.array(column).T for name, column in zip(names, zip(*found, strict=True), strict=True)}
    return _Replay(**columns)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Events:
    """The reports with clicks, cut into bursts: `dt` is the time to the next, a burst has `count` of them from `start` on."""

    dt: _Floats
    detents: _Ints
    rung: _Ints
    start: _Ints
    count: _Ints
    habit: Habit

    @staticmethod
    def of(reports: Reports, habit: Habit, rest_s: float) -> _Events:
        clicks = np.flatnonzero(reports.detents)
        dt = np.append(np.diff(reports.time_s[clicks]), _AGES_S)[: len(clicks)]
        start = np.flatnonzero(np.append(True, dt > rest_s)[: len(clicks)])
        return _Events(dt=dt, detents=reports.detents[clicks], rung=reports.rung[clicks], start=start,
                       count=np.diff(start, append=len(clicks)), habit=habit)  # fmt: skip


_PART = ("q", "w", "run_on", "peak", "ceiling", "lost", "short")
_SCRATCH = ("a", "side", "speed", "away", "change", "speed_1", "left", "brake", "dt", "cap", "zero", "tiny")
"""Constants as arrays: numpy's minimum and maximum are five times slower with a single number."""


class _Part(SimpleNamespace):
    """Some lanes' state and work arrays, of one length; `advance` is `pursue` in place."""

    def __init__(self, state: _Floats, scratch: _Floats, whole: _Ints, flag: _Bools) -> None:
        super().__init__(**dict(zip((*_PART, *_SCRATCH), (*state, *scratch), strict=True)))
        (self.ladder, self.event, self.index), self.flag = whole, flag

    def advance(self) -> None:
        """`pursue` for these lanes, in doubled distances over the ramp; keeps peaks and time at the ceiling."""
        q, w, a, side, speed, away = self.q, self.w, self.a, self.side, self.speed, self.away
        change, speed_1, left, brake, dt = self.change, self.speed_1, self.left, self.brake, self.dt
        np.abs(w, out=a)
        a *= w
        np.subtract(q, a, out=a)
        np.copysign(1.0, a, out=side)
        np.multiply(side, w, out=speed)
        np.multiply(side, q, out=away)
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
        np.greater_equal(speed_1, self.cap[0] * _NEARLY, out=self.flag)
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

    def settle(self, first: int) -> None:
        """Put lanes from `first` on that had time to spare after braking exactly at rest on their target."""
        arrived = first + np.flatnonzero(self.left[first:] > self.brake[first:])
        self.q[arrived] = self.w[arrived] = 0.0


class _LaneBlock:
    """All bursts of a log on a few ladders; a lane's number is burst · ladders + ladder.

    Distances are doubled and divided by the ramp [s²], speeds divided by it [s]: the stopping distance of a speed w is then
    w·|w|. `q` is what is left to the target. `state` has the rows of `_PART` for every lane, `begin` the q and w each starts
    from. Work arrays hold one block of lanes, sorted by length, so that those still active are a slice."""

    def __init__(self, events: _Events, table: _Floats, top: float, ramp: float, interval: float) -> None:
        self.events, self.table, self.ramp, self.interval = events, table, ramp, interval
        self.ladders = table.shape[1]
        self.top, self.scale = top / ramp, 2.0 / ramp
        lanes = len(events.start) * self.ladders
        self.begin, self.state = np.zeros((2, lanes)), np.zeros((len(_PART), lanes))
        self.gain = (table * self.scale).ravel()
        self.limit = (events.habit.limit_mm or 0.0) * self.scale
        self.room = np.maximum(top * interval, table).ravel() * self.scale
        kinds, kind = np.unique(events.detents * len(table) + events.rung, return_inverse=True)
        self.jump = ((kinds // len(table))[:, None] * table[kinds % len(table)] * self.scale).ravel()
        self.kind_at = kind.ravel() * self.ladders
        self.rung_at = events.rung * self.ladders
        self.clicks, self.way = np.abs(events.detents).astype(float), np.sign(events.detents).astype(float)

    def run(self) -> dict[str, NDArray[Any]]:
        """Run every lane, and again those that turn out not to start at rest; then sum up per ladder."""
        stale = np.ones(self.state.shape[1], dtype=bool)
        todo = np.arange(len(stale))
        while len(todo):
            todo = todo[np.argsort(-self.events.count[todo // self.ladders], kind="stable")]  # the longest bursts first
            for first in range(0, len(todo), _BLOCK):
                self._block(todo[first : first + _BLOCK])
            stale[todo] = False
            ran = todo[todo + self.ladders < len(stale)]
            after, end = ran + self.ladders, self.state[:2, ran]
            stale[after] |= (self.begin[:, after] != end).any(axis=0)
            self.begin[:, after] = end
            follows = np.zeros_like(stale)
            follows[self.ladders :] = stale[: -self.ladders]
            todo = np.flatnonzero(stale & ~follows)
        return self._sums()

    def _sums(self) -> dict[str, NDArray[Any]]:
        """One value a ladder."""
        _, _, run_on, peak, ceiling, lost, short = self.state.reshape(len(_PART), -1, self.ladders)
        half, turned = self.ramp / 2.0, np.zeros(len(self.table))
        ended_on = self.events.rung[self.events.start + self.events.count - 1]
        np.add.at(turned, self.events.rung, self.events.detents)
        return {
            "run_on_by_rung_mm": _by_rung(run_on * half, ended_on, len(self.table)),
            "lost_detents": lost.sum(axis=0).astype(np.int64), "at_ceiling_s": ceiling.sum(axis=0),
            "peak_speed_mm_s": peak.max(axis=0, initial=0.0) * self.ramp,
            "final_mm": turned @ self.table - short.sum(axis=0) * half,
        }  # fmt: skip

    def _block(self, ids: _Ints) -> None:
        """Run some lanes, longest first, from their start to their successor's."""
        lanes, burst = len(ids), ids // self.ladders
        start, count = self.events.start[burst], self.events.count[burst]
        state, scratch = np.zeros((len(_PART), lanes)), np.empty((len(_SCRATCH), lanes))
        whole, flag = np.empty((3, lanes), dtype=np.int64), np.empty(lanes, dtype=bool)
        state[:2], scratch[-3:], whole[0] = self.begin[:, ids], np.array([[self.top], [0.0], [_TINY]]), ids % self.ladders
        alive = lanes - np.searchsorted(count[::-1], np.arange(count[0] + 1), side="right")
        for step in range(int(count[0])):
            now, still = int(alive[step]), int(alive[step + 1])
            part = _Part(state[:, :now], scratch[:, :now], whole[:, :now], flag[:now])
            np.add(start[:now], step, out=part.event)
            self._hear(part)
            if still < now:
                self._note_run_on(part, still)
            part.advance()
            if still < now:
                part.settle(still)
        self.state[:, ids] = state

    def _hear(self, part: _Part) -> None:
        """Let each lane's event change its target."""
        self.events.dt.take(part.event, out=part.dt, mode="clip")
        if self.events.habit.too_fast == "forgive":
            self._forgive(part)
            return
        self.kind_at.take(part.event, out=part.index, mode="clip")
        part.index += part.ladder
        part.q += self.jump.take(part.index, out=part.a, mode="clip")
        if self.events.habit.too_fast == "limit":
            self._limit(part)

    def _forgive(self, part: _Part) -> None:
        """Move the target by the clicks that fit before the stopping point plus the room allowed."""
        clicks, way = np.take(self.clicks, part.event), np.take(self.way, part.event)
        lane = np.take(self.rung_at, part.event) + part.ladder
        gain = np.take(self.gain, lane)
        room = way * (part.w * np.abs(part.w) - part.q) + np.take(self.room, lane)
        granted = np.minimum(np.maximum(np.floor(room / gain + _CLICK_SLACK), 0.0), clicks)
        gain *= way
        part.q += granted * gain
        clicks -= granted
        part.lost += clicks
        part.short += clicks * gain

    def _limit(self, part: _Part) -> None:
        """Take the whole clicks back by which a target leads its axis by more than the limit."""
        np.abs(part.q, out=part.side)
        over = np.flatnonzero(part.side > self.limit)
        jump = part.a[over]
        event = part.event[over]
        gain, clicks = self.gain[self.rung_at[event] + part.ladder[over]], self.clicks[event]
        way = np.sign(jump)
        room = self.limit - way * (part.q[over] - jump)
        lost = clicks - np.minimum(np.maximum(np.floor(room / gain + _CLICK_SLACK), 0.0), clicks)
        part.lost[over] += lost
        lost *= way * gain
        part.q[over] -= lost
        part.short[over] += lost

    def _note_run_on(self, part: _Part, first: int) -> None:
        """How far the lanes from `first` on get from here, the way to a turning point included."""
        q, w = part.q[first:], part.w[first:]
        stop = w * np.abs(w)
        turns = (q - stop) * w < 0.0
        part.run_on[first:] = np.maximum(np.abs(q), np.where(turns, np.abs(stop), 0.0))
