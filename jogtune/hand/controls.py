"""Knob, buttons, stick."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import inf
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from ..ladder.ladder import Ladder
from ..machine.model import Machine, Task
from .actions import _Hold, knob_actions
from .estimate import Along, _estimate_along, _estimate_feel, _estimate_with
from .person import Estimate, Floats, Hand, Motion
from .touch import _Touch, _touches

if TYPE_CHECKING:
    import pandas as pd


class Control(Protocol):
    """Anything a hand can bring an axis to a goal with."""

    def estimate(self, task: Task, motion: Motion, hand: Hand) -> Estimate:
        ...

    def along(self, distances_mm: Floats, task: Task, motion: Motion, hand: Hand) -> Along:
        ...


@dataclass(frozen=True, kw_only=True)
class KnobControl:
    """A knob with a ladder: `gains_mm` per click, finest first."""

    gains_mm: tuple[float | Fraction, ...]

    def estimate(self, task: Task, motion: Motion, hand: Hand, per_octave: int | None = None) -> Estimate:
        return _estimate_clicks(self.gains_mm, task, motion, hand, "click", per_octave)

    def along(self, distances_mm: Floats, task: Task, motion: Motion, hand: Hand) -> Along:
        actions = knob_actions(self.gains_mm, motion, hand)
        return _estimate_along(actions, distances_mm, task, motion, hand, hand.switch_s)

    @staticmethod
    def touches(machine: Machine, ladder: Ladder, known: Mapping[Task, Estimate] | None = None) -> tuple[_Touch, ...]:
        """How to touch off: each task that is felt for, of those with estimates `known` already, else of the machine's."""
        return _touches(machine, ladder, known or {})


@dataclass(frozen=True, kw_only=True)
class _Buttons:
    """A button that moves a fixed distance a press; `steps_mm` are the distances to choose from. A press is a click that needs
    no re-grasp; 0.2 s a press (Card, Moran & Newell 1983, second-hand)."""

    steps_mm: tuple[float | Fraction, ...]
    presses_s: float = 5.0

    def estimate(self, task: Task, motion: Motion, hand: Hand) -> Estimate:
        return _estimate_clicks(self.steps_mm, task, motion, self._pressing(hand), "press")

    def along(self, distances_mm: Floats, task: Task, motion: Motion, hand: Hand) -> Along:
        actions = knob_actions(self.steps_mm, motion, self._pressing(hand), "press")
        return _estimate_along(actions, distances_mm, task, motion, actions[0].hand, hand.switch_s)

    def _pressing(self, hand: Hand) -> Hand:
        return replace(hand, turn_rate_detents_s=self.presses_s, grasp_detents=inf, regrasp_s=0.0, wheel_clicks=0.0)


def _estimate_clicks(
    gains_mm: Sequence[float | Fraction], task: Task, motion: Motion, hand: Hand, mover: str, per_octave: int | None = None
) -> Estimate:
    if task.kind == "feel":
        return _estimate_feel([float(gain) for gain in gains_mm], task, motion, hand, mover)
    return _estimate_with(knob_actions(gains_mm, motion, hand, mover), task, motion, hand, hand.switch_s, per_octave)


@dataclass(frozen=True, kw_only=True)
class Stick:
    """A stick: speed = top speed x ((deflection - dead band) / (1 - dead band)) ^ exponent. `finest_share` is the smallest
    deflection beyond the dead band that a hand holds, as a share of what is left; `tap_s` the shortest tap it makes reliably;
    `timing_s` the spread of letting go. All are start values, refit from your log. Held speeds are tried in `levels` even
    ratios."""

    dead_band: float = 0.10
    exponent: float = 2.0
    finest_share: float = 0.10
    tap_s: float = 0.125
    timing_s: float = 0.05
    levels: int = 8

    def speeds_mm_s(self, motion: Motion) -> Floats:
        """The speeds a hand can hold, slowest first [mm/s]."""
        shares = np.geomspace(self.finest_share, 1.0, self.levels)
        return np.asarray(motion.top_speed_mm_s * shares**self.exponent)

    def tap_mm(self, speed_mm_s: float, motion: Motion) -> float:
        """How far the shortest tap moves at a held speed [mm]."""
        return self.tap_s * min(float(speed_mm_s), motion.ramp_mm_s2 * self.tap_s)

    def least_tap_mm(self, motion: Motion) -> float:
        """The smallest move a hand can rely on [mm]."""
        return self.tap_mm(float(self.speeds_mm_s(motion)[0]), motion)

    def estimate(self, task: Task, motion: Motion, hand: Hand) -> Estimate:
        if task.kind == "feel":
            return _estimate_feel([self.least_tap_mm(motion)], task, motion, hand, "tap")
        return _estimate_with(self._holds(motion, hand), task, motion, hand, 0.0)

    def along(self, distances_mm: Floats, task: Task, motion: Motion, hand: Hand) -> Along:
        return _estimate_along(self._holds(motion, hand), distances_mm, task, motion, hand, 0.0)

    def _holds(self, motion: Motion, hand: Hand) -> list[_Hold]:
        letting_go: dict[str, Any] = {"tap_s": self.tap_s, "timing_s": self.timing_s, "motion": motion, "hand": hand}
        speeds = self.speeds_mm_s(motion).tolist()
        return [_Hold(speed_mm_s=speed, tap_mm=self.tap_mm(speed, motion), **letting_go) for speed in speeds]


def controls_of(machine: Machine, ladder: Ladder, axis: str) -> dict[str, Control]:
    """The hand controls of a machine for one axis: its knob with a ladder, and stick and buttons where its file names them, or
    else with start values."""
    the = machine.axis(axis)
    gains = tuple(dict.fromkeys(ladder.on(the)))
    said = {} if machine.stick is None else {k: v for k, v in vars(machine.stick).items() if v is not None}
    buttons = _Buttons(steps_mm=gains)
    if machine.buttons is not None:
        steps = Ladder.from_gains(machine.buttons.steps_mm, show_in=machine.show_in).on(the)
        buttons = _Buttons(steps_mm=steps, presses_s=machine.buttons.presses_s)
    return {"knob": KnobControl(gains_mm=gains), "stick": Stick(**said), "buttons": buttons}


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
        if len(distances):
            task = Task(name="compare", axis="", distance_mm=1.0, tolerance_mm=tolerance, cue="eye")
            answers = {name: control.along(distances, task, motion, hand) for name, control in controls.items()}
            rows += _compared(distances, tolerance, answers)
    return pd.DataFrame(rows)


def _compared(distances: Floats, tolerance: float, answers: Mapping[str, Along]) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for i, distance in enumerate(distances.tolist()):
        able = {name: a.mean_s[i] for name, a in answers.items() if a.share_impossible == 0}
        quickest = min(able, key=lambda name: able[name]) if able else None
        rows += [
            {
                "distance_mm": distance, "tolerance_mm": tolerance, "control": name, "mean_s": float(answer.mean_s[i]),
                "sd_s": float(answer.sd_s[i]), "share_impossible": answer.share_impossible,
                "reason": answer.reason.kind if answer.reason else "", "fastest": name == quickest,
            }
            for name, answer in answers.items()
        ]  # fmt: skip
    return rows
