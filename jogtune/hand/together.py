"""Knob, stick and buttons in one programme."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from ..ladder.ladder import Ladder
from ..machine.model import Machine, Task
from . import chain
from .actions import Action, _moves_of, times_s
from .controls import Control, KnobControl, Stick, _Buttons, _felt
from .estimate import _estimate_feel
from .person import Floats, Hand, Motion, goals_mm


@dataclass(frozen=True, kw_only=True)
class HandControl(Control):
    """What one hand can take on its way to a goal; it changes control where that is quicker, and begins with any. From one
    control to another takes half of what it takes to the selector and back (start value). Feeling for contact leaves the
    stick out, which can't stop on contact. The knob's rungs come first among the positions of a route."""

    knob: KnobControl | None = None
    buttons: _Buttons | None = None
    stick: Stick | None = None

    @classmethod
    def on_axis(
        cls, machine: Machine, axis: str, ladder: Ladder, *, stick: Stick | None, buttons_mm: Sequence[Fraction] = ()
    ) -> HandControl:  # fmt: skip
        """The knob with a ladder, a stick and buttons of these distances, beside one another on an axis."""
        the, buttons = machine.axis(axis), None
        if buttons_mm:
            steps = tuple(Ladder.from_gains(buttons_mm, show_in=machine.show_in).on(the))
            rate = machine.buttons.presses_s if machine.buttons else _Buttons.presses_s
            buttons = _Buttons(steps_mm=steps, presses_s=rate, own_keys=True)
        return cls(knob=KnobControl(gains_mm=tuple(dict.fromkeys(ladder.on(the)))), buttons=buttons, stick=stick)

    def mask(self, fewer: int, stick: bool, buttons: Collection[int]) -> NDArray[np.bool_]:
        """Which actions are left without so many of the coarsest rungs, with the stick or not, with these of the buttons."""
        rungs, keys = len(self.knob.gains_mm) if self.knob else 0, len(self.buttons.steps_mm) if self.buttons else 0
        held = [stick] * (self.stick.levels if self.stick else 0)
        return np.array([*(n < max(1, rungs - fewer) for n in range(rungs)), *(n in buttons for n in range(keys)), *held])

    def times_s(
        self, masks: Sequence[NDArray[np.bool_]], task: Task, motion: Motion, hand: Hand, per_octave: int = chain.PER_OCTAVE
    ) -> Floats:  # fmt: skip
        """The mean time of a task with some of the actions alone, many choices at a time: (S,) for S masks [s]. Where goals
        can't all be reached: to as near as the knob can come, or else the finest of all."""
        actions, sets = self.actions(motion, hand), np.array(masks)
        if task.kind == "feel":
            kept = [_felt([action for action, stays in zip(actions, keep, strict=True) if stays]) for keep in sets]
            found = [_estimate_feel(some, task, motion, hand, self.changes_s(some, hand)).mean_s for some in kept]
            return np.array([chain.NEVER if mean_s is None else mean_s for mean_s in found])
        finest = min((self.knob.actions(motion, hand) if self.knob else actions), key=lambda action: action.lattice_mm)
        half = max(task.half_mm(motion.readout_step_mm), finest.lattice_mm / 2)
        goals = goals_mm(task)
        grid = chain.Grid.reaching(half, float(goals.max()), per_octave)
        goals = goals[goals > half]
        if not len(goals):
            return np.full(len(sets), hand.start_s + hand.look_s)
        value = chain._values_of_sets(_moves_of(actions, grid, self.changes_s(actions, hand)), sets)
        edges = chain.grid_edges(grid.bins, per_octave)
        first = np.array([a.ends(half).masses(goals / half, edges)[..., 1:].mean(axis=(0, 1)) for a in actions])
        cost = times_s(actions, goals)[0].mean(axis=(1, 2))
        near = np.array([action.lattice_mm / 2 > goals.min() * (1 + 1e-9) for action in actions])
        begin = cost[:, None] + np.einsum("aeb,aebs->as", first, value) + np.where(sets.T & ~near[:, None], 0.0, chain.NEVER)
        return np.asarray(begin.min(axis=0) + hand.start_s)

    def actions(self, motion: Motion, hand: Hand) -> list[Action]:
        return [action for control in (self.knob, self.buttons, self.stick) if control for action in control.actions(motion, hand)]

    def changes_s(self, actions: Sequence[Action], hand: Hand) -> Floats:
        """Time from each action to each other [s]."""
        same = {"click": hand.switch_s, "press": self.buttons.changes_s(actions, hand) if self.buttons else 0.0, "tap": 0.0}
        movers = [action.mover for action in actions]
        return np.array([[same[one] if one == other else hand.switch_s / 2 for other in movers] for one in movers])
