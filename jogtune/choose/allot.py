"""Who moves what: knob, stick and buttons."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import combinations
from typing import Any

import numpy as np

from ..axis.outstanding import stick_top_mm_s
from ..hand import chain
from ..hand.controls import REACT_S, Stick
from ..hand.person import Floats
from ..hand.together import HandControl
from ..ladder.ladder import Ladder
from ..ladder.steps import is_whole_step
from ..machine.model import Machine, Task
from ..units import from_unit, in_unit, plain_values
from .tasks import _Mix

_CAUGHT_CLICKS = 5  # so many are counted without error
_PLAIN_EXPONENTS = (2.0, 2.5, 3.0)  # 1 costs up to 22 % of the time, 1.5 up to 4 %, 3 up to 1 % over 2
_WIN_SHARE, _MOST_BUTTONS, _COARSE = 0.02, 2, 4  # what a button must win; how many are offered; bins an octave to rank them
_FROM_FILE: Mapping[str, float] = {}
_SLACK_HAND: Mapping[str, float] = {"timing_s": 0.1, "tremor": 0.05, "tap_s": 0.2}  # start values
_ENOUGH_SHARE, _SLOWER_SHARE, _TASK_SHARE = 0.8, 0.05, 0.10  # when the coarsest rung may go; our choices


@dataclass(frozen=True, kw_only=True)
class _Worth:
    """What a mean task takes with the knob alone [s], and the share of it that stick, buttons, and both win; None where there
    is none. `without_coarsest`: what all win without the knob's coarsest rung, if no task is 10 % slower for it."""

    knob_s: float
    stick: float | None
    buttons: float | None
    all: float
    without_coarsest: float | None


@dataclass(frozen=True, kw_only=True)
class _Shared:
    """A task with all controls: its time with the knob alone and with all [s], how many moves each makes, and from what
    distance on the stick is left for knob or buttons: how often, median, the middle eight tenths [mm]."""

    task: Task
    knob_s: float
    all_s: float
    moves_by: Mapping[str, float]
    handed_over: tuple[float, float, float, float] | None


@dataclass(frozen=True, kw_only=True)
class _Allotment:
    """Which control of a machine moves what, beside the ladder chosen for its knob alone; controls missing from its file are
    not designed. All is worked out when it is asked for."""

    machine: Machine
    ladder: Ladder
    mix: _Mix

    @cached_property
    def stick_top_mm_s(self) -> Mapping[str, float]:
        """The speed at full throw of each axis [mm/s or deg/s], set by a lost link; {} without a stick."""
        return {axis.name: stick_top_mm_s(self.machine, axis) for axis in self.machine.axes if self.machine.stick}

    @cached_property
    def needed_exponents(self) -> Mapping[str, float]:
        """The exponent by which the finest speed held on each axis is one that the second rung catches: ln(V/v)/ln(1/f) with
        v = a(√(τ² + 2C/a) − τ), C five of its clicks, τ interval, delay and 0.2 s, f the least share of the throw held."""
        share, link, needed = Stick.from_machine(self.machine).finest_share, self.machine.link, {}
        for name, top in self.stick_top_mm_s.items() if share < 1 else ():
            axis = self.machine.axis(name)
            gains, react = self.ladder.on(axis), link.report_interval_s + link.delay_s + REACT_S
            caught = axis.speed_to_stop_mm_s(_CAUGHT_CLICKS * float(gains[min(1, len(gains) - 1)]), react)
            needed[name] = max(0.0, math.log(top / caught)) / -math.log(share)
        return needed

    @cached_property
    def exponent(self) -> float:
        """The power of the throw that the stick's speed follows: the file's own, else the least plain one that all axes need."""
        if self.machine.stick and self.machine.stick.exponent:
            return self.machine.stick.exponent
        needed = max(self.needed_exponents.values(), default=0.0)
        return next((plain for plain in _PLAIN_EXPONENTS if plain >= needed), _PLAIN_EXPONENTS[-1])

    @property
    def dead_band(self) -> float:
        """The share of the throw that does nothing: three times the rest noise, else as filed, else a start value."""
        return Stick.from_machine(self.machine).dead_band

    @cached_property
    def buttons_mm(self) -> tuple[Fraction, ...]:
        """The step buttons to have [mm]: at most two, and no more than the file has, each of which wins 2 % of the time beside
        the knob and the stick; () none."""
        pool, most = self._pool(), min(_MOST_BUTTONS, len(self._filed_mm))
        choices: list[tuple[int, ...]] = [some for count in range(most + 1) for some in combinations(range(len(pool)), count)]
        rows = self._times_s(pool, [(0, False, ()), *((0, True, some) for some in choices)], per_octave=_COARSE)
        knob, *others = self.mix.weights @ rows if most else [0.0]
        times = dict(zip(choices, others, strict=False))
        fit = [some for some in times
               if all(times[some[:n] + some[n + 1 :]] - times[some] >= _WIN_SHARE * knob for n in range(len(some)))]  # fmt: skip
        best = min(fit, key=lambda some: times[some], default=())
        return tuple(pool[one] for one in best)

    @cached_property
    def worth(self) -> _Worth:
        """What the controls win in a hand as filed or by start values, with the buttons of the file."""
        return self._worth(self._filed_times_s)

    @cached_property
    def slack_worth(self) -> _Worth | None:
        """The same in a hand that lets go less evenly; None where the file says how evenly it does, or has no stick."""
        stick = self.machine.stick
        return None if stick is None or stick.timing_s is not None else self.worth_of(self._filed_mm, _SLACK_HAND)

    def worth_of(self, buttons_mm: Sequence[Fraction], start: Mapping[str, float] = _FROM_FILE) -> _Worth:
        """What the controls win with buttons of these distances; `start` values of the stick where the file leaves them out."""
        return self._worth(self._each_s(buttons_mm, start))

    @cached_property
    def _filed_times_s(self) -> Floats:
        return self._each_s(self._filed_mm)

    def _each_s(self, buttons_mm: Sequence[Fraction], start: Mapping[str, float] = _FROM_FILE) -> Floats:
        """Times of each task with the knob, with stick, buttons and both beside it, and with both but one rung fewer [s]."""
        every: tuple[int, ...] = tuple(range(len(buttons_mm)))
        choices = [(0, False, ()), (0, True, ()), (0, False, every), (0, True, every), (1, True, every)]
        return self._times_s(buttons_mm, choices, start)

    def _worth(self, rows: Floats) -> _Worth:
        knob, *others = (self.mix.weights @ rows).tolist()
        wins = [max(0.0, 1 - other / knob) for other in others]
        slower = float((rows[:, 4] / rows[:, 3]).max()) - 1
        return _Worth(
            knob_s=knob, stick=wins[0] if self.machine.stick else None, buttons=wins[1] if self.machine.buttons else None,
            all=wins[2], without_coarsest=wins[3] if slower <= _TASK_SHARE else None,
        )  # fmt: skip

    @cached_property
    def coarsest_may_go(self) -> bool:
        """Whether the stick could stand in for the knob's coarsest rung: fast enough on every axis, no task a tenth slower and
        the mean within 5 %, for both hands."""
        rate, worths = self.machine.knob.steady_detents_s, [self.worth, self.slack_worth or self.worth]
        fast = [self.stick_top_mm_s.get(axis.name, 0.0) / min(axis.top_speed_mm_s, rate * float(self.ladder.on(axis)[-1]))
                for axis in self.machine.axes]  # fmt: skip
        left = [-1.0 if one.without_coarsest is None else one.without_coarsest - one.all for one in worths]
        return min(fast) >= _ENOUGH_SHARE and min(left) >= -_SLOWER_SHARE

    @cached_property
    def tasks(self) -> tuple[_Shared, ...]:
        """Who moves in each task of the mix, with the stick and the buttons of the file."""
        shared = []
        for task, motion, times in zip(self.mix.tasks, self.mix.motions, self._filed_times_s.tolist(), strict=True):
            found = self._control(task, self._filed_mm).estimate(task, motion, self.mix.hand)
            shared.append(_Shared(task=task, knob_s=times[0], all_s=times[3], moves_by=found.moves_by,
                                  handed_over=found.handed_over))  # fmt: skip
        return tuple(shared)

    @property
    def _filed_mm(self) -> tuple[Fraction, ...]:
        return self.machine.buttons.steps_mm if self.machine.buttons else ()

    def _pool(self) -> list[Fraction]:
        """Distances a button may have: the rungs and plain numbers between, whole steps where remainders are not kept."""
        unit, gains = self.machine.show_in, self.ladder.gains_mm
        plain = [from_unit(value, unit) for value in plain_values(in_unit(gains[0], unit), in_unit(gains[-1], unit))]
        if self.machine.firmware.remainder != "carry":
            exact = [axis for axis in self.machine.main_axes if axis.exact]
            plain = [one for one in plain if all(is_whole_step(axis, one) for axis in exact)]
        return sorted({*gains, *plain})

    def _control(self, task: Task, buttons_mm: Sequence[Fraction], start: Mapping[str, float] = _FROM_FILE) -> HandControl:
        stick = None
        if self.machine.stick:
            figures: dict[str, Any] = {"exponent": self.exponent, "top_mm_s": self.stick_top_mm_s[task.axis]}
            stick = replace(Stick.from_machine(self.machine, **start), **figures)
        return HandControl.on_axis(self.machine, task.axis, self.ladder, stick=stick, buttons_mm=buttons_mm)

    def _times_s(
        self, buttons_mm: Sequence[Fraction], choices: Sequence[tuple[int, bool, tuple[int, ...]]],
        start: Mapping[str, float] = _FROM_FILE, per_octave: int = chain.PER_OCTAVE,
    ) -> Floats:  # fmt: skip
        """Times of each task (tasks, choices) [s]; a choice: how many of the coarsest rungs are left out, whether the stick is
        there, which of the buttons."""
        rows = []
        for task, motion in zip(self.mix.tasks, self.mix.motions, strict=True):
            control = self._control(task, buttons_mm, start)
            masks = [control.mask(*choice) for choice in choices]
            rows.append(control.times_s(masks, task, motion, self.mix.hand, per_octave))
        return np.array(rows)
