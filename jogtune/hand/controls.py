"""Knob, buttons, stick."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import inf
from typing import TYPE_CHECKING, Protocol

import numpy as np

from ..ladder.ladder import Ladder
from ..machine.model import Machine, Task
from .actions import Action, Clicks, _Hold, knob_actions
from .estimate import Along, _estimate_along, _estimate_feel, _estimate_with
from .person import Estimate, Floats, Hand, Motion
from .touch import _Touch, _touches

if TYPE_CHECKING:
    import pandas as pd

REACT_S = 0.2  # from deciding to let go to letting go; start value


class Control(Protocol):
    """Anything a hand can bring an axis to a goal with."""

    def actions(self, motion: Motion, hand: Hand) -> Sequence[Action]:
        """What it can do, each an action of the chain."""
        ...

    def changes_s(self, actions: Sequence[Action], hand: Hand) -> float | Floats:
        """Time from one of its actions to another, or from each to each [s]."""
        ...

    def estimate(self, task: Task, motion: Motion, hand: Hand) -> Estimate:
        actions, find = self.actions(motion, hand), _estimate_with
        if task.kind == "feel":
            actions, find = _felt(actions), _estimate_feel
        return find(actions, task, motion, hand, self.changes_s(actions, hand))

    def along(self, distances_mm: Floats, task: Task, motion: Motion, hand: Hand) -> Along:
        actions = self.actions(motion, hand)
        return _estimate_along(actions, distances_mm, task, motion, hand, self.changes_s(actions, hand))


def _felt(actions: Sequence[Action]) -> Sequence[Action]:
    """What contact can be felt for with: clicks and presses, else the slowest held speed, as a stick can't stop on contact."""
    return [action for action in actions if action.mover != "tap"] or actions[:1]


@dataclass(frozen=True, kw_only=True)
class KnobControl(Control):
    """A knob with a ladder: `gains_mm` per click, finest first."""

    gains_mm: tuple[float | Fraction, ...]

    def actions(self, motion: Motion, hand: Hand) -> list[Clicks]:
        return knob_actions(self.gains_mm, motion, hand)

    def changes_s(self, actions: Sequence[Action], hand: Hand) -> float:
        return hand.switch_s

    @staticmethod
    def touches(machine: Machine, ladder: Ladder, known: Mapping[Task, Estimate] | None = None) -> tuple[_Touch, ...]:
        """How to touch off: each task that is felt for, of those with estimates `known` already, else of the machine's."""
        return _touches(machine, ladder, known or {})


@dataclass(frozen=True, kw_only=True)
class _Buttons(Control):
    """A button that moves a fixed distance a press; `steps_mm` are the distances to choose from, by a selector or each with a key
    of its own. A press is a click that needs no re-grasp; 0.2 s a press (Card, Moran & Newell 1983, second-hand)."""

    steps_mm: tuple[float | Fraction, ...]
    presses_s: float = 5.0
    own_keys: bool = False

    def actions(self, motion: Motion, hand: Hand) -> list[Clicks]:
        pressing = replace(hand, turn_rate_detents_s=self.presses_s, grasp_detents=inf, regrasp_s=0.0, wheel_clicks=0.0)
        return knob_actions(self.steps_mm, motion, pressing, "press")

    def changes_s(self, actions: Sequence[Action], hand: Hand) -> float:
        """Time to go from one distance to another [s]: the next key, or by way of the selector."""
        return 1 / self.presses_s if self.own_keys else hand.switch_s


@dataclass(frozen=True, kw_only=True)
class Stick(Control):
    """A stick: speed = top speed x ((deflection - dead band) / (1 - dead band)) ^ exponent. `finest_share` is the smallest
    deflection beyond the dead band that a hand holds, as a share of what is left; `tap_s` the shortest tap it makes reliably;
    `timing_s` the spread of letting go, `tremor` that of a held deflection, as a share of the throw. All are start values,
    refit from your log. `top_mm_s` is the speed at full throw, at most that of the axis. Held speeds are tried in `levels`
    even ratios."""

    dead_band: float = 0.10
    exponent: float = 2.0
    finest_share: float = 0.10
    tap_s: float = 0.125
    timing_s: float = 0.05
    tremor: float = 0.02
    top_mm_s: float = inf
    levels: int = 8

    @classmethod
    def from_machine(cls, machine: Machine, **start: float) -> Stick:
        """The stick of a machine's file; what it leaves out is as in `start`, or else a start value. With a `rest_noise` the
        dead band is three times that."""
        said = {} if machine.stick is None else {k: v for k, v in vars(machine.stick).items() if v is not None}
        noise = said.pop("rest_noise", None)
        return cls(**{**start, **said, **({} if noise is None else {"dead_band": 3 * noise})})

    def speeds_mm_s(self, motion: Motion) -> Floats:
        """The speeds a hand can hold, slowest first [mm/s]."""
        return np.asarray(min(self.top_mm_s, motion.top_speed_mm_s) * self._shares**self.exponent)

    @property
    def _shares(self) -> Floats:
        return np.geomspace(self.finest_share, 1.0, self.levels)

    def spreads_s(self, motion: Motion) -> Floats:
        """How widely a move at each held speed ends, as time at that speed [s], beside the spread that grows with its distance:
        of letting go, of the report's phase, and of the speed while one reacts (none at the stop). Derived."""
        steadiness = self.exponent * self.tremor / ((1 - self.dead_band) * self._shares)
        reacting = (REACT_S + motion.report_interval_s / 2 + motion.delay_s) * np.where(self._shares < 1, steadiness, 0.0)
        return np.sqrt(self.timing_s**2 + motion.report_interval_s**2 / 12 + reacting**2)

    def tap_mm(self, speed_mm_s: float, motion: Motion) -> float:
        """How far the shortest tap moves at a held speed [mm]."""
        return self.tap_s * min(float(speed_mm_s), motion.ramp_mm_s2 * self.tap_s)

    def least_tap_mm(self, motion: Motion) -> float:
        """The smallest move a hand can rely on [mm]."""
        return self.tap_mm(float(self.speeds_mm_s(motion)[0]), motion)

    def fitted(self, full_mm: Sequence[float], slow_mm: Sequence[float], slow_share: float, motion: Motion) -> tuple[Stick, Stick]:
        """The stick with `timing_s` and `tremor` from where it stopped at a mark [mm], let go at full throw and at a slow share of
        it; and a stick that holds their standard errors. 20 stops of each give the timing within 16 %: 1/√(2·19)."""
        top, errors = float(self.speeds_mm_s(motion)[-1]), np.sqrt(2 / (np.array([len(full_mm), len(slow_mm)]) - 1))
        slow_top = top * slow_share**self.exponent
        full, slow = float(np.var(full_mm, ddof=1)) / top**2, float(np.var(slow_mm, ddof=1)) / slow_top**2
        reacting = (REACT_S + motion.report_interval_s / 2 + motion.delay_s) * self.exponent / ((1 - self.dead_band) * slow_share)
        timing, unsteady = (math.sqrt(max(one, 0.0)) for one in (full - motion.report_interval_s**2 / 12, slow - full))
        doubts = full * errors[0], math.hypot(full * errors[0], slow * errors[1])
        timing_error, unsteady_error = (
            min(doubt / (2 * found) if found else math.inf, math.sqrt(doubt))
            for doubt, found in zip(doubts, (timing, unsteady), strict=True)
        )
        return (replace(self, timing_s=timing, tremor=unsteady / reacting),
                replace(self, timing_s=timing_error, tremor=unsteady_error / reacting))  # fmt: skip

    def changes_s(self, actions: Sequence[Action], hand: Hand) -> float:
        return 0.0

    def actions(self, motion: Motion, hand: Hand) -> list[_Hold]:
        """The held speeds, slowest first."""
        speeds, spreads = self.speeds_mm_s(motion).tolist(), self.spreads_s(motion).tolist()
        return [
            _Hold(speed_mm_s=v, tap_s=self.tap_s, tap_mm=self.tap_mm(v, motion), timing_s=s, motion=motion, hand=hand)
            for v, s in zip(speeds, spreads, strict=True)
        ]


def controls_of(machine: Machine, ladder: Ladder, axis: str) -> dict[str, Control]:
    """The hand controls of a machine for one axis: its knob with a ladder, and stick and buttons where its file names them, or
    else with start values."""
    the = machine.axis(axis)
    gains = tuple(dict.fromkeys(ladder.on(the)))
    buttons = _Buttons(steps_mm=gains)
    if machine.buttons is not None:
        steps = Ladder.from_gains(machine.buttons.steps_mm, show_in=machine.show_in).on(the)
        buttons = _Buttons(steps_mm=steps, presses_s=machine.buttons.presses_s)
    return {"knob": KnobControl(gains_mm=gains), "stick": Stick.from_machine(machine), "buttons": buttons}


def compare_controls(
    controls: Mapping[str, Control], distances_mm: Sequence[float], tolerances_mm: Sequence[float], motion: Motion, hand: Hand
) -> pd.DataFrame:
    """Each control over a grid of distances and tolerances, gone to by eye: who is fastest, who fails. One row per distance
    and tolerance (where the tolerance is below the distance) and control: `distance_mm`, `tolerance_mm`, `control`, `mean_s`
    (NaN where it can't be done), `sd_s`, `share_impossible`, `reason` (a note's kind, or ""), and `fastest`: the quickest of
    those that reach every goal."""
    import pandas as pd

    rows = []
    for tolerance in tolerances_mm:
        distances = np.array([distance for distance in distances_mm if distance > tolerance])
        task = Task(name="compare", axis="", distance_mm=1.0, tolerance_mm=tolerance, cue="eye")
        answers = {name: each.along(distances, task, motion, hand) for name, each in controls.items() if len(distances)}
        for i, distance in enumerate(distances.tolist()):
            able = {name: answer.mean_s[i] for name, answer in answers.items() if answer.share_impossible == 0}
            quickest = min(able, key=lambda name: able[name], default=None)
            rows += [
                {
                    "distance_mm": distance, "tolerance_mm": tolerance, "control": name, "mean_s": float(answer.mean_s[i]),
                    "sd_s": float(answer.sd_s[i]), "share_impossible": answer.share_impossible,
                    "reason": answer.reason.kind if answer.reason else "", "fastest": name == quickest,
                }
                for name, answer in answers.items()
            ]  # fmt: skip
    return pd.DataFrame(rows)
