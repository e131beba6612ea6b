"""One axis through its reports (reference)."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, Literal, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import ArrayLike

from ..machine.model import Axis, Machine
from .link import _CLICK_SLACK, Reports, _above_zero
from .pursuit import _AGES_S, _cruise, _Floats, _pursue_once, _pursuit_extremes, _rest_time_s, pursue

_NEARLY = 1.0 - 1e-9  # the ceiling, but for rounding


@dataclass(frozen=True, kw_only=True)
class Habit:
    """How a controller treats what the knob reports.

    `too_fast`: *owe* finishes every click and runs on; *forgive* gives up the clicks beyond what the axis can stop at plus one
    report's travel at top speed (or one click, if that is more): an old habit, to compare with; *limit* drops the whole clicks by
    which the target would lead the commanded position by more than `limit_mm`, so that it runs on no farther. `speed`: *dash*
    moves at top speed; *spread* moves at the speed that would take one report interval, set at each report. `queue`: how many
    moves may be committed ahead, one a report; committed moves run to their end, a reversal waits for them, and `when_full` says
    whether new clicks *wait*, *merge* into one move, or are *discarded*. None: a target that may be moved at any time.
    `rung_change`: *keep* what is still owed when the selector turns, or *stop* and drop it. Forgiving, limiting and stopping need
    motion that can be cancelled, so not a queue.

    >>> Habit(too_fast="forgive", queue=8)
    Traceback (most recent call last):
    ValueError: queue = 8 with too_fast = "forgive": committed moves can't be cancelled; use "owe" or no queue
    """

    too_fast: Literal["owe", "forgive", "limit"] = "owe"
    speed: Literal["dash", "spread"] = "dash"
    limit_mm: float | None = None
    queue: int | None = None
    when_full: Literal["wait", "merge", "discard"] = "wait"
    rung_change: Literal["keep", "stop"] = "keep"

    def __post_init__(self) -> None:
        allowed = {name: get_args(hint) for name, hint in get_type_hints(Habit).items() if get_origin(hint) is Literal}
        for name, words in allowed.items():
            if getattr(self, name) not in words:
                raise ValueError(f"{name} = {getattr(self, name)!r}: must be one of {', '.join(words)}")
        if (self.too_fast == "limit") != (self.limit_mm is not None and 0 < self.limit_mm < math.inf):
            raise ValueError(f'limit_mm = {self.limit_mm!r}: too_fast = "limit" needs one above 0, and no other takes one')
        if self.queue is None:
            return
        if self.queue < 1:
            raise ValueError(f"queue = {self.queue}: must be at least 1, or None for no queue")
        for name, word in (("too_fast", "forgive"), ("too_fast", "limit"), ("rung_change", "stop")):
            if getattr(self, name) == word:
                raise ValueError(
                    f'queue = {self.queue} with {name} = "{word}": committed moves can\'t be cancelled; '
                    f'use "{allowed[name][0]}" or no queue'
                )

    @classmethod
    def filed(cls, machine: Machine, axis: Axis) -> Habit:
        """What the machine file says of an axis' firmware: a limit that drops, else its queue, else every click owed."""
        firmware = machine.firmware
        if axis.jog_limit_mm is not None and firmware.when_full == "drop":
            return cls(too_fast="limit", limit_mm=axis.jog_limit_mm)
        return cls(queue=firmware.queue, when_full="discard" if firmware.when_full == "drop" else "wait")


@dataclass(frozen=True, kw_only=True, eq=False)
class _Course:
    """One axis' way through a log: the state at each report, and what it pursues until the next.

    Arrays of one length, ascending in time; from the last row on the axis goes to rest. `target_mm` is what the axis pursues,
    `asked_mm` where every click reported so far would have taken it."""

    time_s: _Floats
    x_mm: _Floats
    v_mm_s: _Floats
    target_mm: _Floats
    cap_mm_s: _Floats
    asked_mm: _Floats
    ramp_mm_s2: float
    lost_detents: int
    abandoned_mm: float

    def at(self, time_s: ArrayLike) -> tuple[_Floats, _Floats]:
        """Position [mm] and velocity [mm/s] at any times; before the first report the axis rests."""
        times = np.asarray(time_s, dtype=float)
        row = np.maximum(np.searchsorted(self.time_s, times, side="right") - 1, 0)
        dt = np.maximum(times - self.time_s[row], 0.0)
        return pursue(self.x_mm[row], self.v_mm_s[row], self.target_mm[row], self.cap_mm_s[row], self.ramp_mm_s2, dt)

    def target_at(self, time_s: ArrayLike) -> _Floats:
        """What the axis pursues [mm] at any times."""
        row = np.searchsorted(self.time_s, np.asarray(time_s, dtype=float), side="right") - 1
        return np.where(row < 0, 0.0, self.target_mm[np.maximum(row, 0)])

    def extremes(self) -> tuple[float, float, float]:
        """Lowest and highest position [mm] and highest speed [mm/s] of the whole course, exact."""
        low, high, fastest = _pursuit_extremes(*self._pursuits)
        return float(low.min()), float(high.max()), float(fastest.max())

    def at_ceiling_s(self, top_speed_mm_s: float) -> float:
        """How long the axis moves at its top speed [s]."""
        _, _, speed, time, _ = _cruise(*self._pursuits)
        return float(np.where(speed * self.ramp_mm_s2 >= top_speed_mm_s * _NEARLY, time, 0.0).sum())

    @property
    def _pursuits(self) -> tuple[_Floats, ...]:
        """What `pursue` takes: each row until the next, the last one for good."""
        dt = np.append(np.diff(self.time_s), _AGES_S)
        return self.x_mm, self.v_mm_s, self.target_mm, self.cap_mm_s, np.asarray(self.ramp_mm_s2), dt

    @property
    def rest_s(self) -> float:
        """When the axis is at rest for good [s]; not before the last report, though it brings no clicks."""
        x, v, target, cap = self.x_mm[-1], self.v_mm_s[-1], self.target_mm[-1], self.cap_mm_s[-1]
        return float(self.time_s[-1] + _rest_time_s(x, v, target, cap, self.ramp_mm_s2))


def follow(
    reports: Reports, gains_mm: ArrayLike, *, top_speed_mm_s: float, ramp_mm_s2: float, habit: Habit | None = None
) -> _Course:
    """One axis followed through all reports, from rest at 0: every state, to sample or draw.

    `gains_mm` is one gain, or one per rung. For many ladders and only their sums, `replay` is faster."""
    gains = np.asarray(gains_mm, dtype=float)
    table = _gain_table(np.atleast_2d(gains) if gains.size > 1 else gains, reports)
    top, ramp = _above_zero("top_speed_mm_s", top_speed_mm_s), _above_zero("ramp_mm_s2", ramp_mm_s2)
    return _Follower(table[:, 0].tolist(), top, ramp, reports.interval_s, habit or Habit()).course(reports)[0]


class _Follower:
    """One axis and its controller: hears reports one by one, keeps the state at each in `rows`."""

    def __init__(self, gains: list[float], top: float, ramp: float, interval: float, habit: Habit) -> None:
        self.gains, self.top, self.ramp, self.interval, self.habit = gains, top, ramp, interval, habit
        self.now = self.x = self.v = self.target = self.asked = self.abandoned = 0.0
        self.cap = top
        self.lost = 0
        self.rung = -1
        self.end = 0.0  # where the last committed move ends
        self.moves: list[tuple[float, float]] = []  # committed: where each ends, and its direction
        self.pending: list[float] = []  # moves there is no room for yet
        self.rows: list[tuple[float, ...]] = []

    def course(self, reports: Reports, asked: Collection[int] = ()) -> tuple[_Course, list[float]]:
        """The way through all reports; and from each of those asked for, how far what is committed takes the axis.

        Where any is asked for, idle reports of an axis at rest are passed over."""
        run_on = []
        columns = (reports.time_s.tolist(), reports.detents.tolist(), reports.rung.tolist(), reports.stop.tolist())
        for i, (at, detents, rung, stop) in enumerate(zip(*columns, strict=True)):
            if asked and not (detents or stop or self.moves or self.pending or self._moving()):
                continue
            self.hear(at, detents, rung, stop)
            if i in asked:
                run_on.append(self._run_on())
        self.finish()
        if not self.rows:
            self.keep()
        states = np.array(self.rows, dtype=float).reshape(-1, 6).T
        names = ("time_s", "x_mm", "v_mm_s", "target_mm", "cap_mm_s", "asked_mm")
        found: dict[str, Any] = dict(zip(names, states, strict=True))
        return _Course(**found, ramp_mm_s2=self.ramp, lost_detents=self.lost, abandoned_mm=self.abandoned), run_on

    def _run_on(self) -> float:
        """The farthest that the target, a turning point, anything queued or anything waiting lies from here."""
        turns = self.habit.queue is None and (self.target - self._stopping_point()) * self.v < 0.0
        ends = [*[self._stopping_point()] * turns, self.target, *(end for end, _ in self.moves)]
        ends += itertools.accumulate(self.pending, initial=ends[-1])
        return max(abs(end - self.x) for end in ends)

    def hear(self, at: float, detents: int, rung: int, stop: bool) -> None:
        """Move up to the report, then let it change what the axis pursues."""
        self._go(at)
        if stop or (self.habit.rung_change == "stop" and rung != self.rung >= 0):
            self._cut()
        self.rung = rung
        gain = self.gains[rung]
        self.asked += detents * gain
        if self.habit.queue is None:
            self.target += self._granted(detents, gain) * gain
        else:
            self._commit(detents, gain)
        if self.habit.speed == "spread":
            self.cap = min(self.top, abs(self.target - self.x) / self.interval)
        self.keep()

    def finish(self) -> None:
        """After the last report: idle reports until nothing more depends on them."""
        spread = self.habit.speed == "spread"
        while self.pending or len(self._run()) < len(self.moves) or (spread and self._moving()):
            self.hear(self.now + self.interval, 0, self.rung, False)

    def _moving(self) -> bool:
        return self.v != 0.0 or self.x != self.target

    def keep(self) -> None:
        """Write down the state."""
        self.rows.append((self.now, self.x, self.v, self.target, self.cap, self.asked))

    def _stopping_point(self) -> float:
        return self.x + self.v * abs(self.v) / (2.0 * self.ramp)

    def _cut(self) -> None:
        """Stop as soon as the ramp lets it and drop what is owed."""
        stop = self._stopping_point()
        owed = (self.end if self.moves else self.target) + sum(self.pending)
        self.abandoned += abs(owed - stop)
        self.target = self.end = stop
        self.pending = []
        braking = self.habit.queue is not None and self.v != 0.0  # a reversal waits for that too
        self.moves = [(stop, math.copysign(1.0, self.v))] if braking else []

    def _granted(self, detents: int, gain: float) -> int:
        """How many of these clicks the target may move: within the limit, or the stopping point plus some room."""
        if self.habit.too_fast == "owe":
            return detents
        way = math.copysign(1.0, detents)
        ahead, room = self.x, self.habit.limit_mm
        if room is None:
            ahead, room = self._stopping_point(), max(self.top * self.interval, gain)
        room += way * (ahead - self.target)
        granted = min(max(math.floor(room / gain + _CLICK_SLACK), 0), abs(detents))
        self.lost += abs(detents) - granted
        return int(way) * granted

    def _commit(self, detents: int, gain: float) -> None:
        """Put what waits, and then these clicks, into the queue; a full one waits, merges or discards."""
        assert self.habit.queue is not None
        while self.pending and len(self.moves) < self.habit.queue:
            self._push(self.pending.pop(0))
        if detents and not self.pending and len(self.moves) < self.habit.queue:
            self._push(detents * gain)
        elif detents and self.habit.when_full == "wait":
            self.pending.append(detents * gain)
        elif detents and self.habit.when_full == "merge":
            length = sum(self.pending) + detents * gain
            self.pending = [length] if abs(length) > _CLICK_SLACK * gain else []
        else:
            self.lost += abs(detents)
        self._aim()

    def _push(self, length: float) -> None:
        self.end = (self.end if self.moves else self.target) + length
        self.moves.append((self.end, math.copysign(1.0, length)))

    def _run(self) -> list[tuple[float, float]]:
        """The committed moves up to the first reversal: the axis may blend these."""
        way = self.moves[0][1] if self.moves else 0.0
        return list(itertools.takewhile(lambda move: move[1] == way, self.moves))

    def _aim(self) -> None:
        if self.moves:
            self.target = self._run()[-1][0]

    def _go(self, at: float) -> None:
        """Pursue up to a time, through every reversal that waits in the queue."""
        start = self.now if self.rows else at
        while len(run := self._run()) < len(self.moves):
            rest = start + float(_rest_time_s(self.x, self.v, self.target, self.cap, self.ramp))
            if rest >= at:
                break
            start = self.now = rest
            self.x, self.v, self.moves = self.target, 0.0, self.moves[len(run) :]
            self._aim()
            self.keep()
        self.x, self.v = _pursue_once(self.x, self.v, self.target, self.cap, self.ramp, at - start)
        self.now = at
        if not self._moving():  # the moves that are done leave the queue
            self.moves = self.moves[len(self._run()) :]
            self._aim()
        while len(self._run()) > 1 and (self.x - self.moves[0][0]) * self.moves[0][1] >= 0.0:
            self.moves.pop(0)


def _gain_table(gains_mm: ArrayLike, reports: Reports) -> _Floats:
    """Gains as rungs × ladders, from (ladders,) or (ladders, rungs), with a rung for each that was used."""
    gains = np.atleast_1d(np.asarray(gains_mm, dtype=float))
    rungs = 1 + (int(reports.rung.max()) if len(reports.rung) else 0)
    table = np.broadcast_to(gains, (rungs, len(gains))) if gains.ndim == 1 else gains.T
    if gains.ndim > 2 or len(table) < rungs:
        raise ValueError(f"gains_mm: the reports use {rungs} rungs, the gains have shape {gains.shape}")
    if not (np.isfinite(table).all() and (table > 0).all()):
        raise ValueError("gains_mm: must be above 0 and finite")
    return table
