"""Knob, stick and buttons in one programme."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from ..ladder.ladder import Ladder
from ..machine.model import Machine, Task
from . import chain
from .actions import Action, _moves_of, times_s
from .controls import KnobControl, Stick, _Buttons, _estimate_any
from .estimate import Along, _estimate_along
from .person import Estimate, Floats, Hand, Motion, goals_mm


@dataclass(frozen=True, kw_only=True)
class HandControl:
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

    def estimate(self, task: Task, motion: Motion, hand: Hand) -> Estimate:
        actions = self._actions(task.kind, motion, hand)
        return _estimate_any(actions, task, motion, hand, self._change_s(actions, hand))

    def along(self, distances_mm: Floats, task: Task, motion: Motion, hand: Hand) -> Along:
        actions = self._actions(task.kind, motion, hand)
        return _estimate_along(actions, distances_mm, task, motion, hand, self._change_s(actions, hand))

    def times_s(
        self, without: Sequence[NDArray[np.bool_]], task: Task, motion: Motion, hand: Hand, per_octave: int = chain.PER_OCTAVE
    ) -> Floats:  # fmt: skip
        """The mean time of a task with some of the actions left out, many choices at a time: (S,) for S masks of rungs, then
        buttons, then held speeds [s]. Where goals can't all be reached: to as near as the finest of all can come."""
        sets = ~np.array(without)
        actions = self._actions(task.kind, motion, hand)
        if task.kind == "feel":
            return np.array([self._felt_s(actions, keep[: len(actions)], task, motion, hand) for keep in sets])
        half = max(task.half_mm(motion.readout_step_mm), min(action.lattice_mm for action in actions) / 2)
        goals = goals_mm(task)
        grid = chain.Grid.reaching(half, float(goals.max()), per_octave)
        goals = goals[goals > half]
        if not len(goals):
            return np.full(len(sets), hand.start_s + hand.look_s)
        value = chain._values_of_sets(_moves_of(actions, grid, self._change_s(actions, hand)), sets)
        edges = chain.grid_edges(grid.bins, per_octave)
        first = np.array([a.ends(half).masses(goals / half, edges)[..., 1:].mean(axis=(0, 1)) for a in actions])
        cost = times_s(actions, goals)[0].mean(axis=(1, 2))
        near = np.array([action.lattice_mm / 2 > goals.min() * (1 + 1e-9) for action in actions])
        begin = cost[:, None] + np.einsum("aeb,aebs->as", first, value) + np.where(sets.T & ~near[:, None], 0.0, chain.NEVER)
        return np.asarray(begin.min(axis=0) + hand.start_s)

    def _felt_s(self, actions: list[Action], keep: NDArray[np.bool_], task: Task, motion: Motion, hand: Hand) -> float:
        kept = [action for action, stays in zip(actions, keep, strict=True) if stays]
        found = _estimate_any(kept, task, motion, hand, self._change_s(kept, hand)).mean_s
        return chain.NEVER if found is None else found

    def _actions(self, kind: str, motion: Motion, hand: Hand) -> list[Action]:
        found: list[Action] = []
        for control in (self.knob, self.buttons, None if kind == "feel" and (self.knob or self.buttons) else self.stick):
            found += control.actions(motion, hand) if control else []
        return found

    def _change_s(self, actions: Sequence[Action], hand: Hand) -> Floats:
        """Time from each action to each other [s]."""
        same = {"click": hand.switch_s, "press": self.buttons.change_s(hand) if self.buttons else 0.0, "tap": 0.0}
        movers = [action.mover for action in actions]
        return np.array([[same[one] if one == other else hand.switch_s / 2 for other in movers] for one in movers])
