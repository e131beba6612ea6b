"""Many ladders and bursts side by side as arrays: the fast replay."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .follow import NEARLY, Habit, gain_table
from .link import CLICK_SLACK, Reports, above_zero
from .pursuit import AGES_S, TINY, Bools, Floats, Ints, rest_time_s

_BLOCK = 4096  # lanes advanced together: their work arrays fit a core's second cache
_MOST_LANES = 400_000  # lanes held at once; more ladders are replayed in parts


@dataclass(frozen=True, kw_only=True, eq=False)
class Replay:
    """What a log's turns do on each of many ladders: one value a ladder.

    `run_on_mm`: the farthest the axis gets from where it was at a burst's last report with clicks (highest of
    all bursts, and the median). `lost_detents`: clicks forgiven, beyond the limit or discarded by
    the controller. `abandoned_mm`: distance owed and dropped at stops. `at_ceiling_s`: time at top speed.
    `overshoot_mm`: the farthest it goes on past its target, or away from it, before turning back.
    `peak_speed_mm_s`, `final_mm`: highest speed, and where the axis ends.
    """

    run_on_mm: Floats
    run_on_median_mm: Floats
    lost_detents: Ints
    abandoned_mm: Floats
    at_ceiling_s: Floats
    overshoot_mm: Floats
    peak_speed_mm_s: Floats
    final_mm: Floats
    bursts: int
    rounds: int


def replay(
    reports: Reports,
    gains_mm: ArrayLike,
    *,
    top_speed_mm_s: float,
    ramp_mm_s2: float,
    habit: Habit | None = None,
    rest_s: float = 0.3,
) -> Replay:
    """Replay reports on many ladders: `gains_mm` is (ladders,), or (ladders, rungs) by the report's rung.

    The axis starts at rest. Reports with clicks more than `rest_s` apart begin a new burst; each burst on each
    ladder is a lane of its own that starts at rest, and those whose predecessor had not come to rest are run
    again from where it was. `rest_s` changes how fast this is, not what comes out.

    >>> from jogtune.axis.link import reports_as_logged
    >>> reports = reports_as_logged([0.0, 0.04, 0.08], [1, 1, 1], interval_s=0.04)
    >>> result = replay(reports, [0.01, 2.0], top_speed_mm_s=50.0, ramp_mm_s2=500.0)
    >>> result.final_mm, result.run_on_mm.round(3)
    (array([0.03, 6.  ]), array([0.01, 4.4 ]))
    """
    table = gain_table(gains_mm, reports)
    top, ramp = above_zero("top_speed_mm_s", top_speed_mm_s), above_zero("ramp_mm_s2", ramp_mm_s2)
    events = _Events.of(reports, habit or Habit(), above_zero("rest_s", rest_s))
    kind = LaneBlock if events.habit.queue is None else _QueueLanes
    width = max(1, _MOST_LANES // max(len(events.start), 1))
    parts = []
    for first in range(0, table.shape[1], width):
        lanes = kind(events, table[:, first : first + width], top, ramp, reports.interval_s)
        parts.append(lanes.run())
    joined = {name: np.concatenate([part[name] for part in parts]) for name in parts[0] if name != "rounds"}
    return Replay(
        **joined, bursts=len(events.start), rounds=max(int(part["rounds"]) for part in parts)
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Events:
    """The reports that matter to a habit, cut into bursts.

    `dt`: time to the next event, `until`: to the next that brings clicks or a stop. A burst's events run from
    `start` up to `end` (the next burst's start); the first `active` of them reach to its last clicks.
    """

    dt: Floats
    until: Floats
    detents: Ints
    rung: Ints
    cut: Bools
    start: Ints
    active: Ints
    end: Ints
    habit: Habit

    @staticmethod
    def of(reports: Reports, habit: Habit, rest_s: float) -> _Events:
        turned = np.diff(reports.rung, prepend=reports.rung[:1]) != 0
        cut = reports.stop | (turned if habit.rung_change == "stop" else False)
        each = habit.speed == "spread" or habit.queue is not None  # idle reports matter too
        clicks = np.flatnonzero(reports.detents)
        matters = np.ones(len(cut), dtype=bool) if each else cut | (reports.detents != 0)
        matters[: clicks[0] if len(clicks) else len(matters)] = False
        kept = np.flatnonzero(matters)
        time, clicks = reports.time_s[kept], np.flatnonzero(reports.detents[kept])
        gap = np.diff(time[clicks], prepend=-np.inf) > rest_s
        start = clicks[gap]
        last = clicks[np.append(np.flatnonzero(gap)[1:], len(clicks)) - 1] if len(clicks) else clicks
        ahead = np.append(time[(reports.detents[kept] != 0) | cut[kept]], np.inf)
        after = ahead[np.searchsorted(ahead, time, side="right")]
        return _Events(
            until=np.append(after - time, np.inf),
            dt=np.append(np.diff(time), [reports.interval_s if each else AGES_S] * 2)[-len(time) - 1 :],
            detents=np.append(reports.detents[kept], 0),
            rung=np.append(reports.rung[kept], reports.rung[kept[-1]] if len(kept) else 0),
            cut=np.append(cut[kept], False),
            start=start,
            active=last + 1 - start,
            end=np.append(start[1:], len(time)) if len(start) else start,
            habit=habit,
        )


class LaneBlock:
    """All bursts of a log on a few ladders; a lane's number is burst · ladders + ladder.

    Distances are doubled and divided by the ramp [s²], speeds divided by it [s]: the stopping distance of a
    speed w is then w·|w|. `q` is what is left to the target. Work arrays hold one block of lanes; the lanes
    of a block are sorted by length, so that those still active are a slice.
    """

    def __init__(self, events: _Events, table: Floats, top: float, ramp: float, interval: float) -> None:
        self.events, self.table, self.ramp, self.interval = events, table, ramp, interval
        self.ladders = table.shape[1]
        self.top = top / ramp
        self.scale = 2.0 / ramp
        count = len(events.start) * self.ladders
        self.q_start, self.w_start, self.q_end, self.w_end = np.zeros((4, count))
        self.run_on, self.peak, self.ceiling, self.overshoot, self.lost, self.short, self.abandoned = np.zeros(
            (7, count)
        )
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
        stale = np.ones(len(self.q_start), dtype=bool)
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

    def _longest_first(self, todo: Ints) -> Ints:
        """Lanes in order of their burst's length; sorts bursts where all are to run, as they are far fewer."""
        active = self.events.active
        if len(todo) == len(active) * self.ladders:
            return todo.reshape(-1, self.ladders)[np.argsort(-active, kind="stable")].ravel()
        return todo[np.argsort(-active[todo // self.ladders], kind="stable")]

    def _hand_over(self, ran: Ints) -> Bools:
        """Give each lane's end to its successor; marks the successors whose start that changes."""
        stale = np.zeros(len(self.q_start), dtype=bool)
        ran = ran[ran + self.ladders < len(stale)]
        after = ran + self.ladders
        stale[after] = (self.q_start[after] != self.q_end[ran]) | (self.w_start[after] != self.w_end[ran])
        self.q_start[after], self.w_start[after] = self.q_end[ran], self.w_end[ran]
        return stale

    def _sums(self) -> dict[str, NDArray[Any]]:
        """One value a ladder."""
        shape, half = (-1, self.ladders), self.ramp / 2.0
        run_on = self.run_on.reshape(shape) * half
        turned = np.zeros(len(self.table))
        np.add.at(turned, self.events.rung, self.events.detents)
        none = np.zeros((1, self.ladders))
        return {
            "run_on_mm": run_on.max(axis=0, initial=0.0),
            "run_on_median_mm": np.median(run_on if len(run_on) else none, axis=0),
            "lost_detents": self.lost.reshape(shape).sum(axis=0).astype(np.int64),
            "abandoned_mm": self.abandoned.reshape(shape).sum(axis=0) * half,
            "at_ceiling_s": self.ceiling.reshape(shape).sum(axis=0),
            "overshoot_mm": self.overshoot.reshape(shape).max(axis=0, initial=0.0) * half,
            "peak_speed_mm_s": self.peak.reshape(shape).max(axis=0, initial=0.0) * self.ramp,
            "final_mm": turned @ self.table - self.short.reshape(shape).sum(axis=0) * half,
        }

    def _block(self, ids: Ints) -> None:
        """Run some lanes, longest first, from their start to their successor's."""
        work = self._work(ids)
        active = self.events.active[ids // self.ladders]
        alive = len(ids) - np.searchsorted(active[::-1], np.arange(active[0] + 1), side="right")
        for step in range(int(active[0])):
            now, still = int(alive[step]), int(alive[step + 1])
            part = work.head(now)
            np.add(work.start[:now], step, out=part.event)
            self._hear(part)
            if still < now:
                self._note_run_on(part, still)
            self._move(part)
            if still < now:
                part.settle(slice(still, now))
        self._tails(work)
        self._store(work)

    def _store(self, work: WorkArrays) -> None:
        work.store(self)

    def _work(self, ids: Ints) -> WorkArrays:
        return WorkArrays(self, ids)

    def _hear(self, part: Part) -> None:
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

    def _spread(self, part: Part) -> None:
        """Cap the speed at what would reach the target in one report interval."""
        np.abs(part.q, out=part.cap)
        part.cap *= 0.5 / self.interval
        np.minimum(part.cap, self.top, out=part.cap)

    def _cut(self, part: Part) -> None:
        """Where the event is a stop, aim at the stopping point and drop what was owed."""
        cut = np.flatnonzero(self.events.cut[part.event])
        stop = part.w[cut] * np.abs(part.w[cut])
        part.short[cut] += part.q[cut] - stop
        part.abandoned[cut] += np.abs(part.q[cut] - stop)
        part.q[cut] = stop

    def _forgive(self, part: Part) -> None:
        """Move the target by the clicks that fit before the stopping point plus the room allowed."""
        clicks, way = np.take(self.clicks, part.event), np.take(self.way, part.event)
        lane = np.take(self.rung_at, part.event) + part.ladder
        gain = np.take(self.gain, lane)
        room = way * (part.w * np.abs(part.w) - part.q) + np.take(self.room, lane)
        granted = np.minimum(np.maximum(np.floor(room / gain + CLICK_SLACK), 0.0), clicks)
        gain *= way
        part.q += granted * gain
        clicks -= granted
        part.lost += clicks
        part.short += clicks * gain

    def _limit(self, part: Part) -> None:
        """Take the whole clicks back by which a target leads its axis by more than the limit."""
        np.abs(part.q, out=part.side)
        over = np.flatnonzero(part.side > self.limit)
        jump = part.a[over]
        event = part.event[over]
        gain, clicks = self.gain[self.rung_at[event] + part.ladder[over]], self.clicks[event]
        way = np.sign(jump)
        room = self.limit - way * (part.q[over] - jump)
        lost = clicks - np.minimum(np.maximum(np.floor(room / gain + CLICK_SLACK), 0.0), clicks)
        part.lost[over] += lost
        lost *= way * gain
        part.q[over] -= lost
        part.short[over] += lost

    def _tails(self, work: WorkArrays) -> None:
        """After its last clicks, take each lane that still moves through idle reports and stops."""
        last, final = len(self.events.dt) - 1, self.events.end[-1]
        at, end = work.start + work.active, work.end
        endless = (end == final) & work.each
        rest = np.flatnonzero((at < end) | endless)
        while len(rest):
            part = work.pick(rest)
            part.event[:] = np.minimum(at[rest], last)
            self._hear(part)
            self._move(part)
            part.settle(slice(None))
            work.put(rest, part)
            at[rest] += 1
            rest = rest[self._busy(part) & ((at[rest] < end[rest]) | endless[rest])]

    def _move(self, part: Part) -> None:
        part.advance(self.top)

    def _busy(self, part: Part) -> Bools:
        return np.logical_or(part.q, part.w)

    def _note_run_on(self, part: Part, first: int) -> None:
        """How far the lanes from `first` on get from here, the way to a turning point included."""
        q, w = part.q[first:], part.w[first:]
        stop = w * np.abs(w)
        turns = (q - stop) * w < 0.0
        part.run_on[first:] = np.maximum(np.abs(q), np.where(turns, np.abs(stop), 0.0))


_PART = ("q", "w", "run_on", "peak", "ceiling", "overshoot", "lost", "short", "abandoned")
_SCRATCH = ("a", "side", "speed", "away", "change", "speed_1", "left", "brake", "dt", "cap", "zero", "tiny")


class Part:
    """Some lanes' state and work arrays, of one length; `advance` is `pursue` in place."""

    q: Floats
    w: Floats
    run_on: Floats
    peak: Floats
    ceiling: Floats
    overshoot: Floats
    lost: Floats
    short: Floats
    abandoned: Floats
    a: Floats
    side: Floats
    speed: Floats
    away: Floats
    change: Floats
    speed_1: Floats
    left: Floats
    brake: Floats
    dt: Floats
    cap: Floats
    zero: Floats  # constants as arrays: numpy's minimum and maximum are five times slower with a single number
    tiny: Floats
    places: Ints  # the lanes' numbers within the block; set where there is a queue

    def __init__(self, work: WorkArrays, lanes: slice | Ints, scratch: Floats, whole: Ints, flag: Bools) -> None:
        self.__dict__.update(zip(_PART, work.state[:, lanes], strict=True))
        self.__dict__.update(zip(_SCRATCH, scratch, strict=True))
        self.ladder, self.event, self.index = whole
        self.work, self.lanes, self.flag = work, lanes, flag

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
        np.greater_equal(speed_1, top * NEARLY, out=self.flag)
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


class WorkArrays:
    """The work arrays of one block of lanes."""

    queues: _Queues  # set where there is a queue

    def __init__(self, lanes: LaneBlock, ids: Ints) -> None:
        events, n = lanes.events, len(ids)
        burst = ids // lanes.ladders
        self.ids, self.until = ids, events.until
        self.start, self.active, self.end = events.start[burst], events.active[burst], events.end[burst]
        self.spread = events.habit.speed == "spread"
        self.each = self.spread or events.habit.queue is not None
        self.top = lanes.top
        self.state, self.scratch = np.zeros((len(_PART), n)), self._scratch(n)
        self.whole, self.flag = np.empty((3, n), dtype=np.int64), np.empty(n, dtype=bool)
        self.state[0], self.state[1] = lanes.q_start[ids], lanes.w_start[ids]
        self.whole[0] = ids % lanes.ladders

    def _scratch(self, count: int) -> Floats:
        """Room for the steps of `advance`; the last three rows are constants, unless a habit sets the cap."""
        scratch = np.empty((len(_SCRATCH), count))
        scratch[-3:] = np.array([[self.top], [0.0], [TINY]])
        return scratch

    def head(self, count: int) -> Part:
        """The first `count` lanes, in place."""
        lanes = slice(0, count)
        return Part(self, lanes, self.scratch[:, lanes], self.whole[:, lanes], self.flag[lanes])

    def pick(self, lanes: Ints) -> Part:
        """Copies of some lanes; `put` brings their state back."""
        return Part(self, lanes, self._scratch(len(lanes)), self.whole[:, lanes], np.empty(len(lanes), dtype=bool))

    def put(self, lanes: Ints, part: Part) -> None:
        for row, name in zip(self.state, _PART, strict=True):
            row[lanes] = getattr(part, name)

    def store(self, lanes: LaneBlock) -> None:
        """Hand the lanes' ends and sums back."""
        lanes.q_end[self.ids], lanes.w_end[self.ids] = self.state[:2]
        for row, name in zip(self.state[2:], _PART[2:], strict=True):
            getattr(lanes, name)[self.ids] = row


class _QueueLanes(LaneBlock):
    """Lanes whose controller commits moves to a finite queue; the same rules as `_Follower`, in arrays.

    Places are counted in the lanes' own distance (doubled, over the ramp) from where the log began. What is
    queued is kept beside the lane's state, one row a lane: a ring of committed ends, and what waits for room.
    """

    def __init__(self, events: _Events, table: Floats, top: float, ramp: float, interval: float) -> None:
        super().__init__(events, table, top, ramp, interval)
        self.size = int(events.habit.queue or 1)
        self.merge = events.habit.when_full == "merge"
        self.click_events = np.flatnonzero(events.detents)
        self.click_number = np.cumsum(events.detents != 0) - 1
        self.before, self.after = (_Queues.empty(len(self.q_start), self.size) for _ in range(2))

    def _work(self, ids: Ints) -> WorkArrays:
        work = WorkArrays(self, ids)
        work.queues = self.before.rows(ids)
        return work

    def _store(self, work: WorkArrays) -> None:
        work.store(self)
        self.after.put(work.ids, work.queues)

    def _hand_over(self, ran: Ints) -> Bools:
        """As without a queue; what is queued at a lane's end is handed over too."""
        stale = super()._hand_over(ran)
        ran = ran[ran + self.ladders < len(stale)]
        before = self.before.rows(ran + self.ladders)
        queued = self.after.rows(ran)
        stale[ran + self.ladders] |= before.busy() | queued.busy()
        self.before.put(ran + self.ladders, queued)
        return stale

    def _busy(self, part: Part) -> Bools:
        return super()._busy(part) | part.work.queues.busy()[part.lanes]

    def _hear(self, part: Part) -> None:
        np.take(self.events.dt, part.event, out=part.dt, mode="clip")
        part.places = np.arange(len(part.work.ids))[part.lanes]
        if self.any_cut:
            self._cut(part)
        self._drain(part)
        turned = np.flatnonzero(self.clicks[part.event])
        if len(turned):
            self._commit(part, turned)
        self._aim(part)
        if self.events.habit.speed == "spread":
            self._spread(part)

    def _cut(self, part: Part) -> None:
        cut = np.flatnonzero(self.events.cut[part.event])
        queues, lanes = part.work.queues, part.places[cut]
        q, w = part.q[cut], part.w[cut]
        stop = w * np.abs(w)
        owed = np.where(queues.count[lanes] > 0, queues.end[lanes] - queues.goal[lanes] + q, q)
        owed += np.array([self._waiting(part, lane).sum() for lane in cut])
        part.short[cut] += owed - stop
        part.abandoned[cut] += np.abs(owed - stop)
        part.q[cut] = stop
        queues.brake(lanes, queues.goal[lanes] - q + stop, np.sign(w))

    def _waiting(self, part: Part, lane: int | np.integer[Any]) -> Floats:
        """Lengths of the moves that wait for room on one lane of a part."""
        queues, place = part.work.queues, part.places[lane]
        if self.merge or not queues.pending[place]:
            return np.atleast_1d(queues.merged[place])
        first = queues.first[place]
        events = self.click_events[first : first + queues.pending[place]]
        lengths: Floats = self.events.detents[events] * self.gain[self.rung_at[events] + part.ladder[lane]]
        return lengths

    def _drain(self, part: Part) -> None:
        """Commit what waits, as far as there is room."""
        queues = part.work.queues
        waits = np.flatnonzero(queues.pending[part.places])
        while len(waits := waits[queues.has(part.places[waits], self.size)]):
            lanes = part.places[waits]
            if self.merge:
                length = queues.merged[lanes]
                queues.merged[lanes] = 0.0
            else:
                event = self.click_events[queues.first[lanes]]
                length = self.events.detents[event] * self.gain[self.rung_at[event] + part.ladder[waits]]
                queues.first[lanes] += 1
            queues.pending[lanes] -= 1
            queues.push(lanes, length)

    def _commit(self, part: Part, turned: Ints) -> None:
        """Queue each lane's new clicks; where there is no room they wait, merge or are discarded."""
        queues, lanes, event = part.work.queues, part.places[turned], part.event[turned]
        detents = self.events.detents[event]
        length = detents * self.gain[self.rung_at[event] + part.ladder[turned]]
        room = (queues.pending[lanes] == 0) & (queues.count[lanes] < self.size)
        queues.push(lanes[room], length[room])
        full, lanes, length, detents = turned[~room], lanes[~room], length[~room], detents[~room]
        if self.events.habit.when_full == "discard":
            part.lost[full] += np.abs(detents)
            part.short[full] += length
        elif self.merge:
            merged = queues.merged[lanes] + length
            counts = np.abs(merged) > CLICK_SLACK * np.abs(length / detents)
            queues.merged[lanes], queues.pending[lanes] = np.where(counts, merged, 0.0), counts
        else:
            fresh = queues.pending[lanes] == 0
            queues.first[lanes[fresh]] = self.click_number[event[~room][fresh]]
            queues.pending[lanes] += 1

    def _aim(self, part: Part) -> None:
        """Pursue the end of the run at the head of the queue."""
        queues = part.work.queues
        lanes = np.flatnonzero(queues.count[part.places])
        places = part.places[lanes]
        goal = queues.run_end(places)
        part.q[lanes] += goal - queues.goal[places]
        queues.goal[places] = goal

    def _move(self, part: Part) -> None:
        """Move through every reversal that waits in the queue, then take what is done off it."""
        queues = part.work.queues
        waits = np.flatnonzero(queues.count[part.places] > queues.run[part.places])
        while len(waits):
            rest = self._rest_time(part, waits)
            waits, rest = waits[rest < part.dt[waits]], rest[rest < part.dt[waits]]
            if not len(waits):
                break
            self._arrive(part, waits, rest)
            places = part.places[waits]
            waits = waits[queues.count[places] > queues.run[places]]
        part.advance(self.top)
        part.settle(slice(None))
        still = (part.q == 0.0) & (part.w == 0.0) & (queues.count[part.places] > 0)
        queues.finish_run(part.places[still])
        self._aim(part)
        queues.drop_passed(part.places, queues.goal[part.places] - part.q)

    def _rest_time(self, part: Part, lanes: Ints) -> Floats:
        return rest_time_s(0.0, part.w[lanes], part.q[lanes] / 2.0, part.cap[lanes], 1.0)

    def _arrive(self, part: Part, lanes: Ints, rest: Floats) -> None:
        """Bring some lanes to rest at the end of their run, and turn them to the next one."""
        inner = part.work.pick(part.places[lanes])
        for name in _PART:
            getattr(inner, name)[:] = getattr(part, name)[lanes]
        inner.dt[:], inner.cap[:], inner.event[:] = rest, part.cap[lanes], part.event[lanes]
        inner.advance(self.top)
        inner.q[:] = inner.w[:] = 0.0
        for name in _PART:
            getattr(part, name)[lanes] = getattr(inner, name)
        part.dt[lanes] -= rest
        queues, places = part.work.queues, part.places[lanes]
        queues.finish_run(places)
        goal = np.where(queues.count[places] > 0, queues.run_end(places), queues.goal[places])
        part.q[lanes] = goal - queues.goal[places]
        queues.goal[places] = goal

    def _note_run_on(self, part: Part, first: int) -> None:
        """The farthest that anything queued or waiting takes a lane from here."""
        queues = part.work.queues
        for lane in range(first, len(part.q)):
            place = part.places[lane]
            ends = queues.ends[place, (queues.head[place] + np.arange(queues.count[place])) % self.size]
            away = np.append(ends, queues.goal[place]) - queues.goal[place] + part.q[lane]
            last = away[-2] if len(ends) else away[-1]
            waiting = last + np.cumsum(self._waiting(part, lane))
            part.run_on[lane] = np.abs(np.concatenate([away, waiting])).max()


@dataclass(eq=False)
class _Queues:
    """What is committed and what waits, one row a lane."""

    goal: Floats  # the place pursued
    end: Floats  # where the last committed move ends
    ends: Floats  # ring: where each committed move ends,
    ways: Floats  # and its direction
    head: Ints  # the ring's first move
    count: Ints  # moves in the ring
    run: Ints  # of these, before the first reversal
    pending: Ints  # moves that wait for room
    first: Ints  # the first of these, as a number among the log's reports with clicks
    merged: Floats  # or all of them as one length

    @staticmethod
    def empty(lanes: int, size: int) -> _Queues:
        real, whole = np.zeros((3, lanes)), np.zeros((5, lanes), dtype=np.int64)
        ring = np.zeros((2, lanes, size))
        head, count, run, pending, first = whole
        return _Queues(real[0], real[1], ring[0], ring[1], head, count, run, pending, first, real[2])

    def rows(self, lanes: Ints) -> _Queues:
        """Copies of some lanes' rows."""
        return _Queues(**{name: values[lanes] for name, values in vars(self).items()})

    def put(self, lanes: Ints, queues: _Queues) -> None:
        for name, values in vars(self).items():
            values[lanes] = getattr(queues, name)

    def busy(self) -> Bools:
        return (self.count > 0) | (self.pending > 0)

    def has(self, lanes: Ints, size: int) -> Bools:
        """Whether something waits and there is room for it."""
        return (self.pending[lanes] > 0) & (self.count[lanes] < size)

    def push(self, lanes: Ints, length: Floats) -> None:
        """Commit one move on each of some lanes."""
        count, run, head, size = self.count[lanes], self.run[lanes], self.head[lanes], self.ends.shape[1]
        self.end[lanes] = np.where(count > 0, self.end[lanes], self.goal[lanes]) + length
        way, slot = np.copysign(1.0, length), (head + count) % size
        joins = (count == 0) | ((count == run) & (self.ways[lanes, head] == way))
        self.ends[lanes, slot], self.ways[lanes, slot] = self.end[lanes], way
        self.run[lanes] = run + joins
        self.count[lanes] = count + 1

    def brake(self, lanes: Ints, stop: Floats, way: Floats) -> None:
        """Drop everything but the way to a stopping point."""
        self.pending[lanes] = self.merged[lanes] = 0
        self.goal[lanes] = self.end[lanes] = stop
        self.head[lanes] = 0
        self.ends[lanes, 0], self.ways[lanes, 0] = stop, way
        self.count[lanes] = self.run[lanes] = way != 0.0

    def run_end(self, lanes: Ints) -> Floats:
        ends: Floats = self.ends[lanes, (self.head[lanes] + self.run[lanes] - 1) % self.ends.shape[1]]
        return ends

    def finish_run(self, lanes: Ints) -> None:
        """Take a finished run off, and find how long the next one is."""
        size = self.ends.shape[1]
        self.head[lanes] = (self.head[lanes] + self.run[lanes]) % size
        self.count[lanes] -= self.run[lanes]
        way, goes_on = self.ways[lanes, self.head[lanes]], np.ones(len(lanes), dtype=bool)
        self.run[lanes] = 0
        for ahead in range(size):
            slot = (self.head[lanes] + ahead) % size
            goes_on &= (ahead < self.count[lanes]) & (self.ways[lanes, slot] == way)
            if not goes_on.any():
                break
            self.run[lanes] += goes_on

    def drop_passed(self, lanes: Ints, place: Floats) -> None:
        """Take moves whose end is passed off the queue, but for the last of a run."""
        many = np.flatnonzero(self.run[lanes] > 1)
        while len(many):
            at = lanes[many]
            head = self.head[at]
            passed = (place[many] - self.ends[at, head]) * self.ways[at, head] >= 0.0
            many = many[passed]
            at = lanes[many]
            self.head[at] = (self.head[at] + 1) % self.ends.shape[1]
            self.count[at] -= 1
            self.run[at] -= 1
            many = many[self.run[at] > 1]
