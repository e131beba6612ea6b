"""Many ladders side by side (fast)."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .block import _PART, _Part, _WorkArrays
from .follow import Habit, _Follower, _gain_table
from .link import _CLICK_SLACK, Reports, _above_zero
from .pursuit import _AGES_S, _Bools, _Floats, _Ints

_BLOCK = 4096  # lanes advanced together: their work arrays fit a core's second cache
_MOST_LANES = 400_000  # lanes held at once; more ladders are replayed in parts


@dataclass(frozen=True, kw_only=True, eq=False)
class _Replay:
    """What a log's turns do on each of many ladders: one value a ladder.

    `run_on_mm`: the farthest the axis gets from where it was at a burst's last report with clicks (highest of all bursts,
    and by the rung of that report, (rungs, ladders)). `lost_detents`: clicks forgiven, beyond the limit or discarded by
    the controller. `abandoned_mm`: distance owed and dropped at stops. `at_ceiling_s`: time at top speed. `overshoot_mm`: the
    farthest it goes on past its target, or away from it, before turning back. `peak_speed_mm_s`, `final_mm`: highest speed, and
    where the axis ends."""

    run_on_mm: _Floats
    run_on_by_rung_mm: _Floats
    lost_detents: _Ints
    abandoned_mm: _Floats
    at_ceiling_s: _Floats
    overshoot_mm: _Floats
    peak_speed_mm_s: _Floats
    final_mm: _Floats
    bursts: int
    rounds: int


def replay(
    reports: Reports, gains_mm: ArrayLike, *, top_speed_mm_s: float, ramp_mm_s2: float, habit: Habit | None = None,
    rest_s: float = 0.3,
) -> _Replay:  # fmt: skip
    """Replay reports on many ladders: `gains_mm` is (ladders,), or (ladders, rungs) by the report's rung.

    The axis starts at rest. Reports with clicks more than `rest_s` apart begin a new burst; each burst on each ladder is a lane
    of its own that starts at rest, and those whose predecessor had not come to rest are run again from where it was."""
    table = _gain_table(gains_mm, reports)
    top, ramp = _above_zero("top_speed_mm_s", top_speed_mm_s), _above_zero("ramp_mm_s2", ramp_mm_s2)
    rest, habit = _above_zero("rest_s", rest_s), habit or Habit()
    if habit.queue is not None:
        return _replay_queues(reports, table, top, ramp, habit, rest)
    events = _Events.of(reports, habit, rest)
    width = max(1, _MOST_LANES // max(len(events.start), 1))
    parts = [
        _LaneBlock(events, table[:, first : first + width], top, ramp, reports.interval_s).run()
        for first in range(0, table.shape[1], width)
    ]
    joined = {name: np.concatenate([part[name] for part in parts], axis=-1) for name in parts[0] if name != "rounds"}
    return _Replay(**joined, bursts=len(events.start), rounds=max(int(part["rounds"]) for part in parts))


def _last_of_bursts(time_s: _Floats, detents: _Ints, rest_s: float) -> _Ints:
    """The last report with clicks of each burst."""
    clicks = np.flatnonzero(detents)
    ends = np.append(np.diff(time_s[clicks]) > rest_s, True)[: len(clicks)]
    return np.asarray(clicks[ends])


def _by_rung(run_on: _Floats, rung: _Ints, rungs: int) -> _Floats:
    """The highest of the bursts (bursts, ...) that ended on each rung, (rungs, ...)."""
    highest = np.zeros((rungs, *run_on.shape[1:]))
    np.maximum.at(highest, rung, run_on)
    return highest


def _replay_queues(reports: Reports, table: _Floats, top: float, ramp: float, habit: Habit, rest_s: float) -> _Replay:
    """Each ladder followed on its own; what is committed runs to its end, so nothing is overshot."""
    last = _last_of_bursts(reports.time_s, reports.detents, rest_s).tolist()
    found = []
    for gains in table.T.tolist():
        course, run_on = _Follower(gains, top, ramp, reports.interval_s, habit).course(reports, frozenset(last))
        by_rung = _by_rung(np.array(run_on), reports.rung[last], len(table))
        sums = (by_rung.max(), by_rung, course.lost_detents, course.abandoned_mm)
        found.append((*sums, course.at_ceiling_s(top), 0.0, course.extremes()[2], course.target_mm[-1]))
    names = [one.name for one in fields(_Replay)][:8]
    columns: dict[str, Any] = {name: np.array(column).T for name, column in zip(names, zip(*found, strict=True), strict=True)}
    return _Replay(**columns, bursts=len(last), rounds=1)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Events:
    """The reports that matter to a habit, cut into bursts.

    `dt`: time to the next event, `until`: to the next that brings clicks or a stop. A burst's events run from `start` up to
    `end` (the next burst's start); the first `active` of them reach to its last clicks."""

    dt: _Floats
    until: _Floats
    detents: _Ints
    rung: _Ints
    cut: _Bools
    start: _Ints
    active: _Ints
    end: _Ints
    habit: Habit

    @staticmethod
    def of(reports: Reports, habit: Habit, rest_s: float) -> _Events:
        turned = np.diff(reports.rung, prepend=reports.rung[:1]) != 0
        cut = reports.stop | (turned if habit.rung_change == "stop" else False)
        each = habit.speed == "spread"  # idle reports matter too
        clicks = np.flatnonzero(reports.detents)
        matters = np.ones(len(cut), dtype=bool) if each else cut | (reports.detents != 0)
        matters[: clicks[0] if len(clicks) else len(matters)] = False
        kept = np.flatnonzero(matters)
        time, clicks = reports.time_s[kept], np.flatnonzero(reports.detents[kept])
        start = clicks[np.diff(time[clicks], prepend=-np.inf) > rest_s]
        last = _last_of_bursts(time, reports.detents[kept], rest_s)
        ahead = np.append(time[(reports.detents[kept] != 0) | cut[kept]], np.inf)
        after = ahead[np.searchsorted(ahead, time, side="right")]
        return _Events(
            until=np.append(after - time, np.inf),
            dt=np.append(np.diff(time), [reports.interval_s if each else _AGES_S] * 2)[-len(time) - 1 :],
            detents=np.append(reports.detents[kept], 0),
            rung=np.append(reports.rung[kept], reports.rung[kept[-1]] if len(kept) else 0), cut=np.append(cut[kept], False),
            start=start, active=last + 1 - start, end=np.append(start[1:], len(time)) if len(start) else start, habit=habit,
        )  # fmt: skip


class _LaneBlock:
    """All bursts of a log on a few ladders; a lane's number is burst · ladders + ladder.

    Distances are doubled and divided by the ramp [s²], speeds divided by it [s]: the stopping distance of a speed w is then
    w·|w|. `q` is what is left to the target. `state` has the rows of `_PART` for every lane, `begin` the q and w each starts
    from. Work arrays hold one block of lanes, sorted by length, so that those still active are a slice."""

    def __init__(self, events: _Events, table: _Floats, top: float, ramp: float, interval: float) -> None:
        self.events, self.table, self.ramp, self.interval = events, table, ramp, interval
        self.ladders = table.shape[1]
        self.top, self.scale = top / ramp, 2.0 / ramp
        count = len(events.start) * self.ladders
        self.begin, self.state = np.zeros((2, count)), np.zeros((len(_PART), count))
        self.gain = (table * self.scale).ravel()
        self.limit = (events.habit.limit_mm or 0.0) * self.scale
        self.room = np.maximum(top * interval, table).ravel() * self.scale
        kinds, kind = np.unique(events.detents * len(table) + events.rung, return_inverse=True)
        self.jump = ((kinds // len(table))[:, None] * table[kinds % len(table)] * self.scale).ravel()
        self.kind_at = kind.ravel() * self.ladders
        self.rung_at = events.rung * self.ladders
        self.clicks, self.way = np.abs(events.detents).astype(float), np.sign(events.detents).astype(float)
        self.any_cut = bool(events.cut.any())

    def run(self) -> dict[str, NDArray[Any]]:
        """Run every lane, and again those that turn out not to start at rest; then sum up per ladder."""
        ladders, rounds = self.ladders, 0
        stale = np.ones(self.state.shape[1], dtype=bool)
        todo = np.arange(len(stale))
        while len(todo):
            longest_first = self._longest_first(todo)
            for first in range(0, len(todo), _BLOCK):
                self._block(longest_first[first : first + _BLOCK])
            rounds += 1
            stale[todo] = False
            stale |= self._hand_over(todo)
            follows = np.zeros_like(stale)
            follows[ladders:] = stale[:-ladders]
            todo = np.flatnonzero(stale & ~follows)
        return self._sums() | {"rounds": np.array(rounds)}

    def _longest_first(self, todo: _Ints) -> _Ints:
        """Lanes in order of their burst's length; sorts bursts where all are to run, as they are far fewer."""
        active = self.events.active
        if len(todo) == len(active) * self.ladders:
            return todo.reshape(-1, self.ladders)[np.argsort(-active, kind="stable")].ravel()
        return todo[np.argsort(-active[todo // self.ladders], kind="stable")]

    def _hand_over(self, ran: _Ints) -> _Bools:
        """Give each lane's end to its successor; marks the successors whose start that changes."""
        stale = np.zeros(self.state.shape[1], dtype=bool)
        ran = ran[ran + self.ladders < len(stale)]
        after, end = ran + self.ladders, self.state[:2, ran]
        stale[after] = (self.begin[:, after] != end).any(axis=0)
        self.begin[:, after] = end
        return stale

    def _sums(self) -> dict[str, NDArray[Any]]:
        """One value a ladder."""
        shape = (len(_PART), len(self.events.start), self.ladders)
        _, _, run_on, peak, ceiling, overshoot, lost, short, abandoned = self.state.reshape(shape)
        half, turned = self.ramp / 2.0, np.zeros(len(self.table))
        ended_on = self.events.rung[self.events.start + self.events.active - 1]
        np.add.at(turned, self.events.rung, self.events.detents)
        return {
            "run_on_mm": run_on.max(axis=0, initial=0.0) * half,
            "run_on_by_rung_mm": _by_rung(run_on * half, ended_on, len(self.table)),
            "lost_detents": lost.sum(axis=0).astype(np.int64), "abandoned_mm": abandoned.sum(axis=0) * half,
            "at_ceiling_s": ceiling.sum(axis=0), "overshoot_mm": overshoot.max(axis=0, initial=0.0) * half,
            "peak_speed_mm_s": peak.max(axis=0, initial=0.0) * self.ramp,
            "final_mm": turned @ self.table - short.sum(axis=0) * half,
        }  # fmt: skip

    def _block(self, ids: _Ints) -> None:
        """Run some lanes, longest first, from their start to their successor's."""
        burst = ids // self.ladders
        start, active = self.events.start[burst], self.events.active[burst]
        work = _WorkArrays(self.top, self.events.until, ids % self.ladders, self.begin[:, ids])
        alive = len(ids) - np.searchsorted(active[::-1], np.arange(active[0] + 1), side="right")
        for step in range(int(active[0])):
            now, still = int(alive[step]), int(alive[step + 1])
            part = work.head(now)
            np.add(start[:now], step, out=part.event)
            self._hear(part)
            if still < now:
                self._note_run_on(part, still)
            part.advance(self.top)
            if still < now:
                part.settle(slice(still, now))
        self._tails(work, start + active, self.events.end[burst])
        self.state[:, ids] = work.state

    def _hear(self, part: _Part) -> None:
        """Let each lane's event change its target."""
        events, habit = self.events, self.events.habit
        events.dt.take(part.event, out=part.dt, mode="clip")
        if self.any_cut:
            self._cut(part)
        if habit.too_fast == "forgive":
            self._forgive(part)
        else:
            self.kind_at.take(part.event, out=part.index, mode="clip")
            part.index += part.ladder
            part.q += self.jump.take(part.index, out=part.a, mode="clip")
            if habit.too_fast == "limit":
                self._limit(part)
        if habit.speed == "spread":
            self._spread(part)

    def _spread(self, part: _Part) -> None:
        """Cap the speed at what would reach the target in one report interval."""
        np.abs(part.q, out=part.cap)
        part.cap *= 0.5 / self.interval
        np.minimum(part.cap, self.top, out=part.cap)

    def _cut(self, part: _Part) -> None:
        """Where the event is a stop, aim at the stopping point and drop what was owed."""
        cut = np.flatnonzero(self.events.cut[part.event])
        stop = part.w[cut] * np.abs(part.w[cut])
        part.short[cut] += part.q[cut] - stop
        part.abandoned[cut] += np.abs(part.q[cut] - stop)
        part.q[cut] = stop

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

    def _tails(self, work: _WorkArrays, at: _Ints, end: _Ints) -> None:
        """After its last clicks, take each lane that still moves through idle reports and stops."""
        last, final = len(self.events.dt) - 1, self.events.end[-1]
        endless = (end == final) & (self.events.habit.speed == "spread")
        rest = np.flatnonzero((at < end) | endless)
        while len(rest):
            part = work.pick(rest)
            part.event[:] = np.minimum(at[rest], last)
            self._hear(part)
            part.advance(self.top)
            part.settle(slice(None))
            work.put(rest, part)
            at[rest] += 1
            rest = rest[np.logical_or(part.q, part.w) & ((at[rest] < end[rest]) | endless[rest])]

    def _note_run_on(self, part: _Part, first: int) -> None:
        """How far the lanes from `first` on get from here, the way to a turning point included."""
        q, w = part.q[first:], part.w[first:]
        stop = w * np.abs(w)
        turns = (q - stop) * w < 0.0
        part.run_on[first:] = np.maximum(np.abs(q), np.where(turns, np.abs(stop), 0.0))
