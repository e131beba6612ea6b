"""Touching off, by hand and with a probe."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine, Task
from ..notes import Note, Severity, Where
from .estimate import _estimate_feel, feel_click_s
from .person import Estimate, Hand, Motion

_PAPER_MM = (0.08, 0.11)  # common practice, no source
_T4 = 2.776  # Student's t, 97.5 % at 4 degrees of freedom, as published
_SEARCH_MM = 10.0  # how far a probe searches where no task says it, a tenth of the reach at most: our choice
_ROUND = 1e-9


def _brief(value: float) -> float:
    """A spread or a thickness in two digits: no more of it is known."""
    return float(f"{value:.2g}")


@dataclass(frozen=True, kw_only=True)
class _Rung:
    """One rung on the way to contact [mm or degrees]: first `back` clicks away, then `free` at once that only take up slack and
    room, then one at a time: `clicks` on average, `most` at most. `from_mm`: within this contact lies."""

    position: int
    gain_mm: float
    from_mm: float
    clicks: float
    most: int
    back: int = 0
    free: int = 0


@dataclass(frozen=True, kw_only=True)
class _Probing:
    """How a probe is used on an axis [mm, s]: search at `first_mm_s` for `search_mm` at most, back off `back_mm`, come again at
    `second_mm_s`. It passes the first contact by `over_mm`; the second is known to `step_mm`."""

    give_mm: float
    search_mm: float
    first_mm_s: float
    over_mm: float
    back_mm: float
    second_mm_s: float
    step_mm: float
    time_s: float
    calm_mm_s: float | None


@dataclass(frozen=True, kw_only=True)
class _Touch:
    """Touching off on one axis [mm or degrees, s]: rung by rung, none where no hand can; `best_first_mm` is the first click that
    would be fastest of all distances, `time_s` and `spread_s` are the estimate's."""

    axis: str
    unit: str
    task: str = ""
    rungs: tuple[_Rung, ...] = ()
    approach: tuple[int, float] | None = None
    best_first_mm: float | None = None
    time_s: float | None = None
    spread_s: float = 0.0
    finer: bool = False
    stick: bool = False
    probe: _Probing | None = None

    @property
    def notes(self) -> tuple[Note, ...]:
        """What to do, step by step, in order."""
        return (*self._by_hand(), *self._by_probe())

    @property
    def brief(self) -> Note:
        """The same where there is little room."""
        if not self.rungs:
            found = self.probe
            assert found is not None
            return self._note("probe_brief", speed_mm_s=found.first_mm_s, search_mm=found.search_mm, back_mm=found.back_mm,
                              again_mm_s=found.second_mm_s)  # fmt: skip
        first, *finer = self.rungs
        then = [(rung.position, rung.back, rung.free, rung.most) for rung in finer]
        return self._note("touch_brief", first, way_mm=first.from_mm, most=first.most, then=then)

    def _note(self, kind: str, rung: _Rung | None = None, severity: Severity = Severity.INFO, **figures: object) -> Note:
        where = Where(axes=(self.axis,), task=self.task, positions=(rung.position,) if rung else ())
        return Note(kind=kind, severity=severity, where=where, figures=figures, unit=self.unit)

    def _by_hand(self) -> Iterator[Note]:
        if not self.rungs:
            return
        first, last, grave = self.rungs[0], self.rungs[-1], Severity.CAUTION
        yield self._note("touch_ready", severity=grave)
        if self.stick:
            yield self._note("touch_no_stick", severity=grave)
        if self.approach:
            position, gain = self.approach
            yield self._note("touch_near", replace(first, position=position), way_mm=first.from_mm, gain_mm=gain)
        yield self._note("touch_first", first, way_mm=first.from_mm, gain_mm=first.gain_mm, clicks=round(first.clicks, 1),
                         most=first.most)  # fmt: skip
        for rung in self.rungs[1:]:
            yield self._note("touch_finer", rung, gain_mm=rung.gain_mm, back=rung.back, away_mm=rung.back * rung.gain_mm,
                             free=rung.free, clicks=round(rung.clicks, 1), most=rung.most)  # fmt: skip
        passed, sd = last.gain_mm / 2, last.gain_mm / math.sqrt(12)
        yield self._note("touch_passes", last, passed_mm=passed, sd_mm=_brief(sd), time_s=self.time_s, spread_s=self.spread_s)
        if self.unit != "deg":
            thin, thick = _PAPER_MM
            yield self._note("touch_reading", passed_mm=passed, thin_mm=thin, thick_mm=thick,
                             beyond_mm=(thin + thick) / 2 - passed, sd_mm=_brief(math.hypot(sd, (thick - thin) / math.sqrt(12))))  # fmt: skip
        off = "finer" if self.finer else "stick" if self.stick else "typed"
        yield self._note("touch_repeats", mean=round(_T4 / math.sqrt(5), 2), another=round(_T4 * math.sqrt(1.2), 2),
                         wrong_mm=passed, sd_mm=_brief(sd / math.sqrt(5)), off=off)  # fmt: skip

    def _by_probe(self) -> Iterator[Note]:
        found = self.probe
        if found is None:
            return
        yield self._note("probe_ready", severity=Severity.CAUTION)
        yield self._note("probe_first", speed_mm_s=found.first_mm_s, search_mm=found.search_mm, over_mm=found.over_mm,
                         give_mm=found.give_mm)  # fmt: skip
        if found.calm_mm_s is not None and found.first_mm_s > found.calm_mm_s * (1 + _ROUND):
            yield self._note("probe_calm", severity=Severity.CAUTION, calm_mm_s=found.calm_mm_s)
        yield self._note("probe_none", severity=Severity.CAUTION, search_mm=found.search_mm)
        yield self._note("probe_second", back_mm=found.back_mm, speed_mm_s=found.second_mm_s, step_mm=found.step_mm,
                         time_s=found.time_s)  # fmt: skip


def _touches(machine: Machine, ladder: Ladder, known: Mapping[Task, Estimate]) -> tuple[_Touch, ...]:
    """Each task that is felt for, of those `known` with their estimates, else of the machine's; without any the probe on Z."""
    found = [_touch_off(machine, ladder, task, known.get(task)) for task in known or machine.tasks if task.kind == "feel"]
    if not found and machine.probe is not None:
        found = [_Touch(axis=axis.name, unit=machine.shown_unit(axis), probe=_probe(machine, axis, None))
                 for axis in machine.axes if axis.name.upper() == "Z"]  # fmt: skip
    return tuple(touch for touch in found if touch.rungs or touch.probe)


def _touch_off(machine: Machine, ladder: Ladder, task: Task, estimate: Estimate | None) -> _Touch:
    """A task felt for, as its estimate's route goes down the rungs; no rungs where contact can't be felt within the limit."""
    axis, motion, hand = machine.axis(task.axis), Motion.from_machine(machine, task.axis), Hand.from_machine(machine)
    gains = [float(gain) for gain in ladder.on(axis)]
    estimate = estimate or _estimate_feel(gains, task, motion, hand)
    base = _Touch(axis=axis.name, unit=machine.shown_unit(axis), task=task.name, stick=machine.stick is not None,
                  probe=_probe(machine, axis, task.distance_mm))  # fmt: skip
    legs = estimate.route
    if not legs:
        return base
    first = _Rung(position=legs[0].position, gain_mm=legs[0].gain_mm, from_mm=task.distance_mm, clicks=legs[0].moves,
                  most=_up(task.distance_mm / legs[0].gain_mm))  # fmt: skip
    rungs = [first]
    for coarse, fine in itertools.pairwise(legs):
        back = _up((coarse.gain_mm + 2 * axis.slack_mm) / fine.gain_mm)
        free = math.floor(back - coarse.gain_mm / fine.gain_mm + _ROUND)
        rungs.append(_Rung(position=fine.position, gain_mm=fine.gain_mm, from_mm=coarse.gain_mm, clicks=fine.moves,
                           most=back - free, back=back, free=free))  # fmt: skip
    near = [(n, gain) for n, gain in enumerate(gains, start=1) if first.gain_mm < gain <= task.distance_mm / 2]
    limit = task.tolerance_mm if task.limit_mm is None else task.limit_mm
    best = _first_click_mm(task.distance_mm, rungs[-1].gain_mm, limit, motion, hand)
    return replace(base, rungs=tuple(rungs), approach=near[-1] if near else None, best_first_mm=best, time_s=estimate.mean_s,
                   spread_s=estimate.sd_s, finer=rungs[-1].position > 1)  # fmt: skip


def _up(clicks: float) -> int:
    return math.ceil(clicks - _ROUND)


def _first_click_mm(distance_mm: float, last_mm: float, limit_mm: float, motion: Motion, hand: Hand) -> float:
    """The first click that takes least time before a last one: √(D·g₂·t/(t + 2/u)), t the time of a click that is felt for and u
    the steady rate at which the first one is backed off; no longer than the limit."""
    felt = float(feel_click_s(np.array(last_mm), motion, hand))
    return min(limit_mm, math.sqrt(distance_mm * last_mm * felt / (felt + 2 / hand.steady_detents_s)))


def _probe(machine: Machine, axis: Axis, distance_mm: float | None) -> _Probing | None:
    """A probe on a straight axis: the fastest first speed that stops within its give; None without one.

    v₁ = min(top, a(√(τ² + 2·give/a) − τ), √(D·v₂/t)), v₂ a motor step in each latch interval t; the last makes the two searches
    together shortest."""
    if machine.probe is None or axis.rotary:
        return None
    link, ramp, step = machine.link, axis.ramp_mm_s2, float(axis.step_mm)
    latch, stop = (machine.probe.delay_s,) * 2 if machine.probe.delay_s else (
        link.report_interval_s, link.report_interval_s + link.delay_s)  # fmt: skip
    far, give, second = distance_mm or min(_SEARCH_MM, axis.reach_mm / 10), float(machine.probe.give_mm), step / latch
    second = min(second, _stopping_mm_s(give, stop, ramp), axis.top_speed_mm_s)
    first = min(axis.top_speed_mm_s, _stopping_mm_s(give, stop, ramp), math.sqrt(far * second / latch))
    over, found = first * stop + first**2 / (2 * ramp), first * latch + second**2 / (2 * ramp) + axis.slack_mm
    back = Motion.from_machine(machine, axis.name).rest_to_rest_s(over + found)
    time = far / first + 3 * first / (2 * ramp) + 2 * stop + float(back) + found / second + 3 * second / (2 * ramp)
    return _Probing(give_mm=give, search_mm=far + axis.slack_mm, first_mm_s=first, over_mm=over, back_mm=over + found,
                    second_mm_s=second, step_mm=step, time_s=time, calm_mm_s=axis.calm_speed_mm_s)  # fmt: skip


def _stopping_mm_s(way_mm: float, wait_s: float, ramp_mm_s2: float) -> float:
    """The speed from which an axis stops within a way, after a wait: a(√(t² + 2·way/a) − t)."""
    return ramp_mm_s2 * (math.sqrt(wait_s**2 + 2 * way_mm / ramp_mm_s2) - wait_s)
