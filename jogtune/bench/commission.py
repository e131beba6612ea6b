"""What a built control has to show."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from ..axis.limits import real_resolution
from ..axis.outstanding import derive_outstanding, stick_top_mm_s
from ..axis.row import Row, rows
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine, with_wishes
from ..notes import Note, Where, merged
from ..units import UNIT_FACTORS
from .readings import _REACH_SHARE, _Instrument, _pick_instrument, expected_readings

_SPINS_S = (1.0, 0.7, 0.5, 0.3)  # how long a hard spin lasts: the longest for which there is room
_MID_SHARE, _SPIN_SHARE = 0.45, 1 / 3  # of the reach is free either way of mid-travel; a spin takes less, as hands run over
_FILM_S, _OF_RAMP, _OF_SPEED = 1 / 60, 0.1, 0.01  # a frame of a film; how far a log's figures may be off: our choice
_SLIP = 4  # full steps that a two-phase stepper slips by, or a multiple: from memory, common practice, no source

# test -> what is read, the unit behind the axis' own, how it passes, what it is read with
_FIGURES: dict[str, tuple[str, str, str, str]] = {
    "1": ("distance moved", "", "within", ""), "2": ("off zero", "", "within", ""),
    "3": ("clicks without motion", "clicks", "most", ""), "4": ("distance moved", "", "within", "readout"),
    "5a": ("run-on", "", "most", "film or log"), "5b": ("distance in all", "", "grid", "readout"),
    "6a": ("on before turning", "", "most", "film"), "6b": ("run-on", "", "most", "film or log"),
    "7a": ("top speed", "/s", "within", "log"), "7b": ("ramp", "/s2", "within", "log"), "7c": ("brake", "/s2", "within", "log"),
    "8a": ("highest, knob", "/s", "most", "log"), "8b": ("highest, stick", "/s", "most", "log"),
    "9a": ("run-on", "", "most", "film"), "9b": ("motion once on", "", "within", "readout"),
    "9c": ("next click", "", "within", "readout"), "10a": ("run-on", "", "most", "film"),
    "10b": ("motion once back", "", "within", "readout"), "11": ("distance moved", "", "within", "readout"),
    "12a": ("past the limit", "", "most", "readout"), "12b": ("next click", "", "within", "readout"),
    "13": ("largest of 30", "", "within", ""),
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class _Check:
    """One figure to read on one axis, all in mm or degrees (`unit` is what a person reads, `per` what stands behind it).

    `rule`: "within" the allowance of what is predicted, at "most" that and the allowance, or on the "grid" of whole clicks of
    `gain_mm`, no more than predicted. `clicks` and `seconds` of turning, `back` the position and the clicks of the way back,
    `before_mm` how far before a limit to begin; `free_mm` is the way that a firmware that fails would run."""

    test: str
    axis: str
    position: int
    unit: str
    what: str
    per: str
    rule: str
    tool: str
    predicted: float
    allowance: float
    gain_mm: float
    free_mm: float = 0.0
    clicks: int = 0
    seconds: float = 0.0
    back: tuple[int, int] = (0, 0)
    before_mm: float = 0.0

    @property
    def read_in(self) -> str:
        """The unit of the figure as it is read: "mm", "in/s", "deg/s2", "clicks"."""
        return self.per if self.per == "clicks" else self.unit + self.per

    def shown(self, value: float) -> float:
        """A figure in the unit it is read in."""
        return value if self.per == "clicks" else value / float(UNIT_FACTORS[self.unit])

    def passes(self, measured: float) -> bool:
        """Whether a figure passes."""
        if self.rule == "grid":
            whole = round(measured / self.gain_mm)
            return 0 <= whole * self.gain_mm <= self.predicted + self.allowance and self._near(measured, whole * self.gain_mm)
        return self._near(measured, min(measured, self.predicted) if self.rule == "most" else self.predicted)

    def _near(self, measured: float, meant: float) -> bool:
        return abs(measured - meant) <= self.allowance * (1 + 1e-9) + 1e-9


class _Trial:
    """What one axis does in each test, by the machine file, the ladder and the limit and jog speed advised or filed."""

    def __init__(self, machine: Machine, axis: Axis, ladder: Ladder) -> None:
        found, link, real = derive_outstanding(machine, axis, ladder), machine.link, real_resolution(axis)
        self.machine, self.axis, self.ladder, self.ramp = machine, axis, ladder, axis.ramp_mm_s2
        self.limit, self.top = found.used_limit_mm, min(found.used_top_mm_s, axis.top_speed_mm_s)
        mine = [row for row in rows(machine, ladder) if row.axis == axis.name and not row.repeats]
        self.dead = [row.position for row in mine if row.gain_mm > self.limit * (1 + 1e-9)]
        self.rows = [row for row in mine if row.position not in self.dead]
        self.peak = min(self.top, math.sqrt(2 * self.ramp * self.limit))
        self.brake, self.every = self.peak**2 / (2 * self.ramp), link.report_interval_s
        self.heard = self.peak * (link.report_interval_s + link.delay_s + link.jitter_s)
        self.hard, self.drops = machine.knob.fastest_detents_s, machine.firmware.remainder == "drop"
        self.step, self.fine = float(axis.step_mm), real.one_way_mm
        self.motor = (real.motor_mm or 0.0) + (real.friction_mm or 0.0)
        self.shown = float(machine.readout.step_mm) + self.step

    def film(self, speed: float) -> float:
        """How far off a film of knob, rule and axis may be: a frame, and the rule."""
        return speed * _FILM_S + _pick_instrument(1.0, math.inf, rotary=self.axis.rotary).within_mm

    def lost(self, row: Row, clicks: int) -> float:
        """What a firmware that drops remainders loses of so many clicks, turned one by one."""
        return clicks * float(row.steps % 1) * self.step if self.drops else 0.0

    def spin(self) -> tuple[Row, float] | None:
        """The coarsest rung and the longest hard spin that have room, first of those that show whether clicks are owed."""
        way, tries = _SPIN_SHARE * self.axis.reach_mm, ((row, s) for row in self.rows[::-1] for s in _SPINS_S)
        room = [(row, s) for row, s in tries if self.hard * row.gain_mm * s <= way]
        bound = self.limit + self.heard + self.film(self.peak)
        telling = (one for one in room if self.hard * one[0].gain_mm * one[1] - self.top * one[1] > 1.2 * bound)
        return next(telling, room[0] if room else None)

    def dial(self, span_mm: float) -> _Instrument:
        """What a way is read with on the finest rung."""
        return _pick_instrument(self.rows[0].gain_mm, span_mm, rotary=self.axis.rotary)

    def check(self, test: str, row: Row, predicted: float, allowance: float, **more: Any) -> _Check:
        what, per, rule, tool = _FIGURES[test]
        given = {"rule": rule, "tool": tool, **more}
        return _Check(test=test, axis=self.axis.name, position=row.position, unit=row.unit, what=what, per=per,
                      predicted=predicted, allowance=allowance, gain_mm=row.gain_mm, **given)  # fmt: skip

    def left(self, tests: str, why: str, positions: tuple[int, ...] = ()) -> Note:
        where = Where(axes=(self.axis.name,), positions=positions)
        return Note(kind="check_left_out", where=where, figures={"tests": tuple(tests.split()), "why": why})

    def counted(self) -> Iterator[_Check | Note]:
        """1 to 4: clicks counted."""
        live, first, reach = {row.position: row for row in self.rows}, self.rows[0], _REACH_SHARE * self.axis.reach_mm
        for due in expected_readings(self.machine, self.axis, self.ladder):
            if row := live.get(due.position):
                within = due.instrument.within_mm + self.motor + self.lost(row, due.detents) + self.step * (not row.whole_step)
                yield self.check("1", row, due.up_mm, within, tool=due.instrument.name, clicks=due.detents, free_mm=due.up_mm)
        room = min(100, math.floor(reach / first.gain_mm))
        ratios = [(row, Fraction(row.gain_num * first.gain_den, row.gain_den * first.gain_num)) for row in self.rows[:0:-1]]
        back = next(((row, ratio) for row, ratio in ratios if ratio.numerator <= room), None)
        if back is None or (self.drops and not (first.whole_step and back[0].whole_step)):
            yield self.left("2", "one_rung" if back is None else "drops")
        else:
            clicks = room // back[1].numerator * back[1].numerator
            tool, more = self.dial(way := clicks * first.gain_mm), (back[0].position, int(clicks / back[1]))
            yield self.check("2", first, 0.0, tool.within_mm + self.fine, tool=tool.name, clicks=clicks, free_mm=way, back=more)
        tool, slack = self.dial(self.axis.slack_mm), self.axis.slack_mm
        each = math.floor(first.steps) * self.step if self.drops and first.steps >= 1 else first.gain_mm
        most = math.ceil((slack + tool.within_mm + self.fine) / each)
        yield self.check("3", first, slack / each, most - slack / each, tool=tool.name)
        yield from (self.turn("4", row, "within" if row.kind == "exact" else "grid") for row in self.rows if row.gain_mm <= reach)

    def turn(self, test: str, row: Row, rule: str) -> _Check:
        """A turn, or as many clicks as the reach has room for, read on the readout."""
        clicks = min(self.machine.knob.detents_per_turn, math.floor(_REACH_SHARE * self.axis.reach_mm / row.gain_mm))
        way = clicks * row.gain_mm
        return self.check(test, row, way, self.shown + self.lost(row, clicks), rule=rule, clicks=clicks, free_mm=way)

    def spun(self) -> Iterator[_Check | Note]:
        """5 to 9 and 12: spun hard, then stopped, turned back, logged, clamped, switched off, run into a limit.

        Turned back at half the fastest rate at least, the axis brakes as soon as the target is nearer than it could stop."""
        spin = self.spin()
        if spin is None:
            yield self.left("5 6 7 8 9 12", "no_room")
            return
        (row, seconds), first, top, calm, every = spin, self.rows[0], self.top, self.axis.calm_speed_mm_s, self.every
        film, each, ramp_s = self.film(self.peak), self.peak * max(every, 2 / self.hard), top / self.ramp
        reports = math.ceil(max(0.0, self.limit - self.brake - row.gain_mm) / (row.gain_mm + each))
        full = self.peak >= top and self.limit >= (self.brake + top * every + row.gain_mm) * (1 - 1e-9)
        full = full and self.hard * row.gain_mm >= 1.15 * top and seconds >= ramp_s + 4 * every
        logged, slow = ramp_s >= 3 * every, calm is not None and calm < self.peak
        figures = {
            "5a": (self.limit + self.heard, film), "6a": (min(self.limit, reports * each + self.brake) + self.heard, film),
            "6b": (self.limit + self.brake + self.heard, film), "9a": (self.limit + self.heard, film), "9b": (0.0, self.shown),
        }  # fmt: skip
        figures |= {"5b": (self.axis.reach_mm, self.shown)} if not self.drops or row.whole_step else {}
        figures |= {"7a": (top, _OF_SPEED * top + self.step / every)} if full else {}
        figures |= dict.fromkeys(("7b", "7c"), (self.ramp, _OF_RAMP * self.ramp)) if logged else {}
        if calm is not None and slow:
            figures |= dict.fromkeys(("8a", "8b")[: 1 + bool(self.machine.stick)], (calm, _OF_SPEED * calm + self.step / every))
        far = self.hard * row.gain_mm * seconds
        yield from (self.check(test, row, *due, seconds=seconds, free_mm=far) for test, due in figures.items())
        yield from (self.left(tests, why) for tests, why, here in (
            ("5b", "drops", "5b" in figures), ("8b", "no_stick", self.machine.stick is not None or not slow),
            ("7a", "below_top", full), ("7b 7c", "few_rows", logged), ("8", "no_calm_speed", calm is not None),
            ("8", "calm_is_top", slow or calm is None)) if not here)  # fmt: skip
        yield self.check("9c", row, row.gain_mm, self.shown + self.lost(row, 1), free_mm=row.gain_mm)
        before = min(self.limit + 2 * self.brake, _MID_SHARE * self.axis.reach_mm)
        yield self.check("12a", row, 0.0, self.shown, before_mm=before, free_mm=max(far, before + self.limit))
        yield self.check("12b", first, first.gain_mm, self.shown + self.lost(first, 1), free_mm=first.gain_mm)

    def linked(self) -> Iterator[_Check | Note]:
        """10, 11 and 13: the stick's battery, packets dropped, return to start."""
        first, half = self.rows[0], self.axis.reach_mm / 2
        if self.machine.stick is None:
            yield self.left("10", "no_stick")
        else:
            speed = min(self.top, stick_top_mm_s(self.machine, self.axis))
            run_on = self.axis.stopping_mm(speed, self.machine.link.lost_s)
            yield self.check("10a", first, run_on, self.film(speed), free_mm=half)
            yield self.check("10b", first, 0.0, self.shown, free_mm=half)
        if self.machine.link.counts == "increments":
            yield self.left("11", "increments")
        else:
            yield self.turn("11", self.halved(), "within")
        slip = _SLIP / 2 * float(self.axis.full_step_mm or 0)
        tool = self.dial(max(slip, first.gain_mm))
        out = min(4 * self.brake, 2 * _REACH_SHARE * half)
        yield self.check("13", first, 0.0, max(slip, tool.within_mm + self.fine), tool=tool.name, free_mm=out)

    def halved(self) -> Row:
        """The coarsest rung that loses no click of a steady hand where every second report is lost."""
        axis = replace(self.axis, jog_limit_mm=self.limit, jog_top_mm_s=self.top)
        slow = with_wishes(replace(self.machine, axes=(axis,)), report_interval_s=2 * self.every)
        free = {row.position for row in rows(slow, self.ladder) if row.free_detents_s >= slow.knob.steady_detents_s}
        return next((row for row in self.rows[::-1] if row.position in free), self.rows[0])


@dataclass(frozen=True, kw_only=True)
class Commissioning:
    """The tests of a machine with a ladder, a row per figure to read; `left_out` says which don't apply, and why."""

    machine: Machine
    ladder: Ladder
    checks: tuple[_Check, ...]
    left_out: tuple[Note, ...]

    @classmethod
    def of(cls, machine: Machine, ladder: Ladder) -> Commissioning:
        """The tests of a machine with a ladder, by what is advised or filed for its firmware."""
        found: list[_Check | Note] = []
        for trial in (_Trial(machine, axis, ladder) for axis in machine.axes):
            found += [trial.left("1", "dead", tuple(trial.dead))] if trial.dead else []
            found += [*trial.counted(), *trial.spun(), *trial.linked()] if trial.rows else []
        checks = sorted((one for one in found if isinstance(one, _Check)), key=lambda check: [*_FIGURES].index(check.test))
        left = merged(one for one in found if isinstance(one, Note))
        return cls(machine=machine, ladder=ladder, checks=tuple(checks), left_out=left)
