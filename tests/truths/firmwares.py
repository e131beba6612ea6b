"""Hand controls that something is wrong with, put through every test at the machine, many side by side.

A little firmware of its own: at each report whole clicks are granted up to a limit on what is outstanding, the axis chases its
target with one ramp. Nothing here comes from the package but the machine's figures.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np

from jogtune.machine.model import Axis, Machine

FAULTS = {
    "steps per mm": "1", "drops remainders": "2", "loose coupling": "3", "loses fast clicks": "4", "owes": "5",
    "limits one way": "6", "slow ramp": "7", "no clamp on the knob": "8", "no clamp on the stick": "8", "makes up the gap": "9",
    "no silence stop": "10", "restarts by itself": "10", "sends increments": "11", "soft limit by position": "12",
    "loses steps": "13",
}  # fmt: skip
"""What is wrong -> the test that is there for it."""
BESIDE = {
    "drops remainders": {"1", "4", "11"},  # each click is short, so all that counts clicks sees it
    "owes": {"6", "9"},  # what is owed is owed after a reversal and after switching off too
}
"""What is wrong -> the tests that it fails as well, by physics."""
_SUB = 20


@dataclass(kw_only=True)
class _Lane:
    """One run: what is heard at each report, and how the firmware behaves; `marks` are reports before and after something."""

    heard: list[tuple[int, float]]
    every: float
    late: float
    ramp: float
    top: float
    limit: float
    owe: bool = False
    one_way: bool = False
    soft: float = math.inf
    by_position: bool = False
    stops: tuple[int, ...] = ()
    step: float = 0.0  # of a motor, where remainders are dropped
    marks: tuple[int, ...] = ()
    x: Any = field(default=None)

    def at(self, time_s: float) -> float:
        """Where the axis is at a time of the hand's clock."""
        rows = max(0.0, (time_s - self.late) / self.every * _SUB)
        return float(np.interp(rows, np.arange(len(self.x)), self.x))

    @property
    def end(self) -> float:
        return float(self.x[-1])

    @property
    def rows(self) -> Any:
        """The log: the position at each report."""
        return self.x[::_SUB]


def run(lanes: Sequence[_Lane], seconds: float = 14.0) -> None:
    """All runs side by side until they rest."""
    column = lambda name: np.array([float(getattr(lane, name)) for lane in lanes])  # noqa: E731
    every, ramp, top, limit, soft, step = (column(name) for name in ("every", "ramp", "top", "limit", "soft", "step"))
    owe, one_way, by_position = (column(name) > 0 for name in ("owe", "one_way", "by_position"))
    reports = math.ceil(seconds / every.min())
    n, gain, stop = np.zeros((len(lanes), reports)), np.ones((len(lanes), reports)), np.zeros((len(lanes), reports), bool)
    for i, lane in enumerate(lanes):
        for r, (clicks, size) in enumerate(lane.heard[:reports]):
            n[i, r], gain[i, r] = clicks, size
        stop[i, list(lane.stops)] = True
    x, v, target = np.zeros(len(lanes)), np.zeros(len(lanes)), np.zeros(len(lanes))
    dt, kept = every / _SUB, np.zeros((reports * _SUB + 1, len(lanes)), np.float64)
    for r in range(reports):
        sign, size = np.sign(n[:, r]), gain[:, r]
        ahead = np.where(one_way, target - x, sign * (target - x))
        room = np.where(owe, np.inf, np.maximum(limit - ahead, 0.0))
        more = np.minimum(np.abs(n[:, r]), np.floor(room / size + 1e-9)) * size
        more = np.where(step > 0, np.trunc(more / np.where(step > 0, step, 1) + 1e-9) * step, more)
        new = target + sign * more
        target = np.where(by_position, np.where(x < soft, new, target), np.minimum(new, soft))
        target = np.where(stop[:, r], x + v * np.abs(v) / (2 * ramp), target)
        for sub in range(_SUB):
            want = target - x
            half = ramp * dt / 2  # what a step of time loses
            wish = np.sign(want) * np.minimum(top, np.sqrt(half**2 + 2 * ramp * np.abs(want)) - half)
            new_v = v + np.clip(wish - v, -ramp * dt, ramp * dt)
            there = (np.abs(want) <= ramp * dt**2) & (np.abs(v) <= 2 * ramp * dt)
            x, v = np.where(there, target, x + new_v * dt), np.where(there, 0.0, new_v)
            kept[r * _SUB + sub + 1] = x
    for i, lane in enumerate(lanes):
        lane.x = kept[:, i]


def _heard(times: Any, ways: Any, gains: Any, every: float, phase: float, until: float) -> list[tuple[int, float]]:
    """Clicks summed by reports sent every so often from `phase` on."""
    edges = phase + every * np.arange(-1, math.ceil(until / every) + 2)
    which = np.clip(np.searchsorted(edges, times, side="left"), 1, len(edges) - 1) - 1
    counts, sizes = np.zeros(len(edges) - 1, int), np.full(len(edges) - 1, gains[0] if len(gains) else 1.0)
    np.add.at(counts, which, ways)
    sizes[which] = gains
    return list(zip(counts.tolist(), sizes.tolist(), strict=True))


class Tried:
    """One axis of a machine with one fault ("" for a sound one), put through the tests of a commissioning."""

    def __init__(self, machine: Machine, axis: Axis, checks: Sequence[Any], limit: float, top: float, stick: float, fault: str, seed: int) -> None:
        self.machine, self.axis, self.fault, self.limit, self.top, self.stick = machine, axis, fault, limit, top, stick
        self.checks = [check for check in checks if check.axis == axis.name]
        self.rng, self.link = np.random.default_rng(seed), machine.link
        self.mechanics = 1.02 if fault == "steps per mm" else 1.0
        self.step = float(axis.step_mm)
        self.lanes: dict[tuple[str, int], _Lane] = {}
        for check in self.checks:
            lane = self.lane(check)
            if lane is not None:
                self.lanes[check.test, check.position] = lane

    def lane(self, check: Any) -> _Lane | None:
        make = {"4": self.turn, "11": self.turn, "5a": self.spin, "6a": self.spin, "9a": self.spin, "8a": self.spin,
                "10a": self.held, "8b": self.held, "12a": self.stopped}.get(check.test)  # fmt: skip
        return make(check) if make else None

    def firmware(self, heard: list[tuple[int, float]], phase: float, **more: Any) -> _Lane:
        slow = 0.7 if self.fault == "slow ramp" else 1.0
        drops = self.fault == "drops remainders" or self.machine.firmware.remainder == "drop"
        given = {
            "heard": heard, "every": self.link.report_interval_s, "late": phase + self.link.delay_s,
            "ramp": self.axis.ramp_mm_s2 * slow, "top": self.top, "limit": self.limit, "owe": self.fault == "owes",
            "one_way": self.fault == "limits one way", "step": self.step if drops else 0.0,
        }  # fmt: skip
        return _Lane(**{**given, **more})

    def turn(self, check: Any) -> _Lane:
        """A turn at a steady rate, or at half of it with every second packet lost."""
        every, steady = self.link.report_interval_s, self.machine.knob.steady_detents_s
        rate = steady / 2 if check.test == "11" else steady
        times, phase = np.arange(check.clicks) / rate, float(self.rng.uniform(0, every))
        if check.test == "4" and self.fault == "loses fast clicks":
            times = times[np.arange(len(times)) % 3 > 0]
        if check.test == "11":
            if self.fault == "sends increments":
                sent = np.ceil((times - phase) / every)
                times = times[sent % 2 == 0]
            heard = _heard(times, np.ones(len(times), int), np.full(len(times), check.gain_mm), 2 * every, phase, times[-1] if len(times) else 1)
            heard = [one for pair in heard for one in (pair, (0, check.gain_mm))]
        else:
            heard = _heard(times, np.ones(len(times), int), np.full(len(times), check.gain_mm), every, phase, times[-1])
        return self.firmware(heard, phase)

    def spin(self, check: Any) -> _Lane:
        every, hard = self.link.report_interval_s, self.machine.knob.fastest_detents_s
        count, phase = max(1, round(hard * check.seconds)), float(self.rng.uniform(0, every))
        times, ways = np.arange(count) / hard, np.ones(count, int)
        if check.test == "6a":
            times, ways = np.append(times, times[-1] + (1 + np.arange(count)) / hard), np.append(ways, -ways)
        stops: tuple[int, ...] = ()
        top = self.top
        if check.test == "9a":  # nothing is sent from half the spin on; after the silence the axis is stopped
            off = check.seconds / 2
            times, ways = times[times <= off - every], ways[times <= off - every]
            stops = (math.ceil((off + self.link.silence_s) / every) + 1,)
        if check.test == "8a" and self.fault != "no clamp on the knob":
            top = min(top, self.axis.calm_speed_mm_s or top)
        if not len(times):
            times, ways = np.zeros(1), np.ones(1, int)
        heard, marks = _heard(times, ways, np.full(len(times), check.gain_mm), every, phase, float(times[-1])), ()
        if check.test == "9a":  # on again after 2 s and five clicks more; 3 s later one click
            on, wait = stops[0] + math.ceil(2 / every), math.ceil(3 / every)
            heard += [(0, 1.0)] * (on - len(heard)) + [(5 if self.fault == "makes up the gap" else 0, check.gain_mm)]
            heard += [(0, 1.0)] * (wait - 1) + [(1, check.gain_mm)]
            marks = (on, on + wait, on + 2 * wait)
        return self.firmware(heard, phase, stops=stops, top=top, marks=marks)

    def held(self, check: Any) -> _Lane:
        """A stick held at full throw for long; 10 loses its battery after half the reach of its speed."""
        every, far, top = self.link.report_interval_s, self.axis.reach_mm * 9, self.stick
        if check.test == "8b":
            top = top if self.fault == "no clamp on the stick" else min(top, self.axis.calm_speed_mm_s or top)
        self.out = self.stick / self.axis.ramp_mm_s2 + 0.2
        gone = math.floor(self.out / every)
        silent = math.ceil((gone * every + self.link.silence_s) / every)
        stops = () if self.fault == "no silence stop" or check.test == "8b" else (silent,)
        heard = [(1, far)] + [(0, 1.0)] * (silent + 20)
        if check.test == "10a" and self.fault == "restarts by itself":
            heard += [(1, far)]
        marks = (silent + 20, silent + 20 + math.ceil(1 / every))
        return self.firmware(heard, 0.0, top=top, limit=math.inf, owe=True, stops=stops, step=0.0, marks=marks)

    def stopped(self, check: Any) -> _Lane:
        every, hard = self.link.report_interval_s, self.machine.knob.fastest_detents_s
        times, phase = np.arange(round(5 * hard)) / hard, float(self.rng.uniform(0, every))
        heard = _heard(times, np.ones(len(times), int), np.full(len(times), check.gain_mm), every, phase, 5.0)
        rests, wait = math.ceil(9 / every), math.ceil(1 / every)
        fine = min(one.gain_mm for one in self.checks)
        heard += [(0, 1.0)] * (rests - len(heard)) + [(-1, fine)]  # on the finest rung: the selector was turned meanwhile
        by_position = self.fault == "soft limit by position"
        return self.firmware(heard, phase, soft=check.before_mm, by_position=by_position, marks=(rests, rests + wait))

    # ------------------------------------------------------------ what a person writes down

    def read(self) -> Iterator[tuple[Any, float]]:
        """Each figure as a careful person reads it."""
        for check in self.checks:
            found = self.figure(check)
            if found is not None:
                yield check, found

    def off(self, most: float) -> float:
        return float(self.rng.uniform(-most, most))

    def whole(self, mm: float) -> float:
        """A commanded place in whole motor steps."""
        return round(mm / self.step) * self.step

    def counted(self, *turns: tuple[int, float]) -> float:
        """Clicks turned one by one, in whole motor steps: what is left of a step is kept, or dropped at each click."""
        drops = self.fault == "drops remainders" or self.machine.firmware.remainder == "drop"
        rest, steps = Fraction(0) if drops else Fraction(int(self.rng.integers(0, 100)), 100), 0
        for count, gain in turns:
            each = Fraction(gain).limit_denominator(10**7) * self.axis.steps_per_mm * (1 if count > 0 else -1)
            for _ in range(abs(count)):
                whole = math.trunc(rest + each)
                rest, steps = Fraction(0) if drops else rest + each - whole, steps + whole
        return steps * self.step

    def returned(self, check: Any) -> float:
        """The largest of thirty readings; a motor that loses steps slips by four full ones in a tenth of its moves."""
        often = 0.1 if self.fault == "loses steps" else 0.0
        slips = (self.rng.random((30, 2)) < often).sum(axis=1) * np.sign(self.off(1.0))
        place = np.cumsum(slips) * 4 * float(self.axis.full_step_mm or check.allowance) + self.rng.uniform(-0.4, 0.4, 30) * check.allowance
        return float(place[np.abs(place).argmax()])

    def still(self, check: Any) -> float:
        """Clicks down until the axis has moved through its slack, and a little that a dial shows."""
        slack = self.axis.slack_mm + (6 * (check.allowance * check.gain_mm) if self.fault == "loose coupling" else 0.0)
        return float(next(n for n in range(10**6) if n * check.gain_mm > slack))

    def figure(self, check: Any) -> float | None:
        test, stem = check.test, check.test.rstrip("abc")
        dial = 0.8 * check.allowance
        frame = self.axis.jog_top_mm_s or self.top
        film = frame / 60 / 2
        shown = float(self.machine.readout.step_mm) / 2
        other = "5a" if stem == "7" else f"{stem}a"
        lane = self.lanes.get((test, check.position)) or next((lane for (name, _), lane in self.lanes.items() if name == other), None)
        if test == "1":
            moved = self.counted((check.clicks, check.gain_mm))
            dial = 0.4 * max(0.0, check.allowance - self.step - abs(check.clicks * check.gain_mm - moved))
            return moved * self.mechanics + self.off(dial)
        if test == "2":
            position, count = check.back
            coarse = next(one.gain_mm for one in self.checks if one.position == position)
            return self.counted((-check.clicks, check.gain_mm), (count, coarse)) + self.off(dial)
        if test == "3":
            return self.still(check)
        if test == "13":
            return self.returned(check)
        assert lane is not None
        if test in ("4", "5b", "11"):
            return self.whole(lane.end) + self.off(shown)
        if test == "12a":
            return max(0.0, self.whole(lane.rows[lane.marks[0]]) - check.before_mm)
        if test in ("9b", "10b", "9c", "12b"):
            start, end = lane.marks[-2:] if test in ("9c", "12b") else lane.marks[:2]
            return self.whole(abs(min(lane.rows[end], self.axis.reach_mm) - min(lane.rows[start], self.axis.reach_mm))) + self.off(shown)
        return self.moving(check, lane, film)

    def moving(self, check: Any, lane: _Lane, film: float) -> float | None:
        hard, test = self.machine.knob.fastest_detents_s, check.test
        last = (max(1, round(hard * check.seconds)) - 1) / hard
        if test == "5a":
            return max(0.0, lane.end - lane.at(last) + self.off(film))
        if test == "6a":
            return max(0.0, float(lane.x.max()) - lane.at(last + 1 / hard) + self.off(film))
        if test == "6b":
            return max(0.0, abs(lane.end - lane.at(last * 2 + 1 / hard)) + self.off(film))
        if test == "9a":
            return max(0.0, lane.rows[lane.marks[0]] - lane.at(check.seconds / 2) + self.off(film))
        if test == "10a":
            return max(0.0, min(lane.rows[lane.marks[0]], self.axis.reach_mm) - lane.at(self.out))
        rows = lane.rows
        speeds = np.diff(rows) / lane.every
        if test in ("7a", "8a", "8b"):
            return float(speeds.max())
        return self.slope(check, rows, lane)

    def slope(self, check: Any, rows: Any, lane: _Lane) -> float | None:
        """Ramp or brake: the slope of √(2·way) against time, squared."""
        way = rows - rows[0] if check.test == "7b" else (rows[-1] - rows)[::-1]
        brake = self.top**2 / (2 * self.axis.ramp_mm_s2)
        ramp = (way > 0.02 * brake) & (way < 0.8 * brake)
        first = np.flatnonzero(ramp)[:1]
        ramp &= np.arange(len(way)) < (first[0] + 12 if len(first) else 0)
        if ramp.sum() < 2:
            return None
        slope = np.polyfit(np.flatnonzero(ramp) * lane.every, np.sqrt(2 * np.abs(way[ramp])), 1)[0]
        return float(slope**2)
