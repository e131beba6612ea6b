"""Touching off, with a probe too."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine, Task
from ..notes import Note, Severity, Where
from .actions import knob_actions
from .estimate import _estimate_feel, feel_click_s
from .person import Estimate, Hand, Motion

_PAPER_MM = (0.08, 0.11)  # common practice, no source
_T4 = 2.776  # Student's t, 97.5 % at 4 degrees of freedom, as published
_SEARCH_MM = 10.0  # how far a probe searches where no task says it, a tenth of the reach at most: our choice
_GIVE_SHARE = 0.5  # of what a probe gives is used, the rest is in reserve: our choice
_ROUND = 1e-9


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
    """Touching off on one axis [mm or degrees, s]: rung by rung, none where no hand can. `last_mm` is the last click as the motor
    makes it, `best_first_mm` the first click that would be fastest of all distances, `near` the position to come near with."""

    axis: str
    unit: str
    task: str = ""
    rungs: tuple[_Rung, ...] = ()
    near: _Rung | None = None
    last_mm: float = 0.0
    best_first_mm: float | None = None
    time_s: float | None = None
    spread_s: float = 0.0
    stick: bool = False
    probe: _Probing | None = None

    @property
    def notes(self) -> tuple[Note, ...]:
        """What to do, step by step, in order."""
        return (*(self._by_hand() if self.rungs else ()), *(self._by_probe(self.probe) if self.probe else ()))

    @property
    def brief(self) -> Note:
        """The same where there is little room."""
        if not self.rungs:
            return self._note("probe_brief", _some(self.probe, "first_mm_s", "search_mm", "back_mm", "second_mm_s"))
        then = [(rung.position, rung.back, rung.free, rung.most) for rung in self.rungs[1:]]
        return self._at("touch_brief", self.rungs[0], "from_mm", "most", then=then)

    def _note(self, kind: str, figures: Mapping[str, Any], severity: Severity = Severity.INFO, at: tuple[int, ...] = ()) -> Note:
        where = Where(axes=(self.axis,), positions=at)
        return Note(kind=kind, severity=severity, where=where, figures=figures, unit=self.unit)

    def _at(self, kind: str, rung: _Rung, *names: str, **more: object) -> Note:
        return self._note(kind, {**_some(rung, *names), **more}, at=(rung.position,))

    def _by_hand(self) -> Iterator[Note]:
        first, *finer = self.rungs
        passed, sd, (thin, thick) = self.last_mm / 2, self.last_mm / math.sqrt(12), _PAPER_MM
        yield self._note("touch_ready", {}, Severity.CAUTION)
        if self.stick:
            yield self._note("touch_no_stick", {}, Severity.CAUTION)
        if self.near:
            yield self._at("touch_near", self.near, "from_mm", "gain_mm")
        yield self._at("touch_first", first, "from_mm", "gain_mm", "clicks", "most")
        for rung in finer:
            yield self._at("touch_finer", rung, "gain_mm", "back", "free", "clicks", "most", away_mm=rung.back * rung.gain_mm)
        yield self._note("touch_passes", {"passed_mm": passed, "sd_mm": sd, **_some(self, "time_s", "spread_s")})
        if self.unit != "deg":
            beyond, both = (thin + thick) / 2 - passed, math.hypot(sd, (thick - thin) / math.sqrt(12))
            yield self._note("touch_reading", {"passed_mm": passed, "thin_mm": thin, "thick_mm": thick, "beyond_mm": beyond,
                                               "sd_mm": both})  # fmt: skip
        off = "finer" if self.rungs[-1].position > 1 else "stick" if self.stick else "typed"
        yield self._note("touch_repeats", {"mean": round(_T4 / math.sqrt(5), 2), "another": round(_T4 * math.sqrt(1.2), 2),
                                           "wrong_mm": passed, "sd_mm": sd / math.sqrt(5), "off": off})  # fmt: skip

    def _by_probe(self, found: _Probing) -> Iterator[Note]:
        yield self._note("probe_ready", {}, Severity.CAUTION)
        yield self._note("probe_first", _some(found, "first_mm_s", "search_mm", "over_mm", "give_mm"))
        if found.calm_mm_s is not None and found.first_mm_s > found.calm_mm_s * (1 + _ROUND):
            yield self._note("probe_calm", _some(found, "calm_mm_s"), Severity.CAUTION)
        yield self._note("probe_none", _some(found, "search_mm"), Severity.CAUTION)
        yield self._note("probe_second", _some(found, "back_mm", "second_mm_s", "step_mm", "time_s"))


def _some(thing: object, *names: str) -> dict[str, Any]:
    return {name: getattr(thing, name) for name in names}


def _touches(machine: Machine, ladder: Ladder, known: Mapping[Task, Estimate]) -> tuple[_Touch, ...]:
    """Each task that is felt for, of those `known` with their estimates, else of the machine's; without any the probe on Z."""
    axes = {axis.name: axis for axis in machine.axes}
    felt = [task for task in known or machine.tasks if task.kind == "feel" and task.axis in axes]
    found = [_touch_off(machine, ladder, task, known.get(task)) for task in felt] or [
        _Touch(axis=axis.name, unit=machine.shown_unit(axis), probe=_probe(machine, axis, None))
        for axis in machine.axes if axis.name.upper() == "Z"
    ]  # fmt: skip
    return tuple(touch for touch in found if touch.rungs or touch.probe)


def _touch_off(machine: Machine, ladder: Ladder, task: Task, estimate: Estimate | None) -> _Touch:
    """A task felt for, as its estimate's route goes down the rungs. It takes the estimate's time, and that of the clicks that are
    backed off beyond it: the slack once more, so that the tool is off the work though the slack is larger than filed."""
    axis, motion, hand = machine.axis(task.axis), Motion.from_machine(machine, task.axis), Hand.from_machine(machine)
    gains = [float(gain) for gain in ladder.on(axis)]
    estimate = estimate or _estimate_feel(knob_actions(gains, motion, hand), task, motion, hand, hand.switch_s)
    base = _Touch(axis=axis.name, unit=machine.shown_unit(axis), task=task.name, stick=machine.stick is not None,
                  probe=_probe(machine, axis, task.distance_mm))  # fmt: skip
    if estimate.mean_s is None:
        return base
    rungs, far, slack, time = list[_Rung](), task.distance_mm, axis.slack_mm, estimate.mean_s
    for leg in estimate.route:
        gain = gains[leg.position - 1]
        back = _up((far + 2 * slack) / gain) if rungs else 0
        free = math.floor(back - far / gain + _ROUND) if rungs else 0
        most = back - free or _up(far / gain)
        clicks = (max(far / gain, 1) + 1) / 2 + (most - far / gain) * (back > 0)
        time += (clicks - leg.moves) * float(feel_click_s(gain, motion, hand))
        time += (back + free - (far + 2 * slack) / gain) / hand.steady_detents_s if rungs else 0
        rungs.append(_Rung(position=leg.position, gain_mm=gain, from_mm=far, clicks=round(clicks, 1), back=back, free=free,
                           most=most))  # fmt: skip
        far = gain
    near = [replace(rungs[0], position=n, gain_mm=gain) for n, gain in enumerate(gains, start=1)
            if rungs[0].gain_mm < gain <= task.distance_mm / 2]  # fmt: skip
    limit = task.tolerance_mm if task.limit_mm is None else task.limit_mm
    return replace(
        base, rungs=tuple(rungs), near=near[-1] if near else None, last_mm=estimate.route[-1].gain_mm, time_s=time,
        spread_s=estimate.sd_s, best_first_mm=min(limit, _first_click_mm(task.distance_mm, far, motion, hand)),
    )  # fmt: skip


def _first_click_mm(distance_mm: float, last_mm: float, motion: Motion, hand: Hand) -> float:
    """The first click that takes least time before a last one: √(D·g₂·t/(t + 2/u)), t the time of a click that is felt for and u
    the steady rate at which the first one is backed off."""
    felt = float(feel_click_s(last_mm, motion, hand))
    return math.sqrt(distance_mm * last_mm * felt / (felt + 2 / hand.steady_detents_s))


def _up(clicks: float) -> int:
    return math.ceil(clicks - _ROUND)


def _probe(machine: Machine, axis: Axis, distance_mm: float | None) -> _Probing | None:
    """A probe on a straight axis: the fastest first speed that stops within its give; None without one.

    v₁ = min(top, a(√(τ² + give/a) − τ), √(D·v₂/t)), v₂ a motor step in each latch interval t; the last makes the two searches
    together shortest."""
    if machine.probe is None or axis.rotary:
        return None
    link, ramp, step = machine.link, axis.ramp_mm_s2, float(axis.step_mm)
    latch, stop = (machine.probe.delay_s,) * 2 if machine.probe.delay_s else (
        link.report_interval_s, link.report_interval_s + link.delay_s)  # fmt: skip
    far, give, second = distance_mm or min(_SEARCH_MM, axis.reach_mm / 10), float(machine.probe.give_mm), step / latch
    within = axis.speed_to_stop_mm_s(_GIVE_SHARE * give, stop)
    second = min(second, within)
    first = min(within, math.sqrt(far * second / latch))
    over, found = axis.stopping_mm(first, stop), first * latch + second**2 / (2 * ramp) + axis.slack_mm
    back = Motion.from_machine(machine, axis.name).rest_to_rest_s(over + found)
    time = far / first + 3 * first / (2 * ramp) + 2 * stop + float(back) + found / second + 3 * second / (2 * ramp)
    return _Probing(give_mm=give, search_mm=far + axis.slack_mm, first_mm_s=first, over_mm=over, back_mm=over + found,
                    second_mm_s=second, step_mm=step, time_s=time, calm_mm_s=axis.calm_speed_mm_s)  # fmt: skip
