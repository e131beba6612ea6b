"""Where time goes."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np

from ..machine.model import Task
from . import chain
from .actions import Action, Clicks, knob_actions, times_s
from .estimate import _MOST_SPOTS, _estimate_feel, _nearest, _Plan, _plan, _Spots, feel_click_s
from .person import Floats, Hand, Motion, _turning_s

PARTS = ("look", "turn", "settle", "switch")


@dataclass(frozen=True, kw_only=True)
class Course:
    """Expected time of a task with a knob, apart from `start_s` before it: `spent_s` (bins, rungs, parts) by the distance still to
    go, the rung in hand and what it is spent on (`PARTS`). `edges_mm` (bins + 1,) rises; goals `vary` by a share. The axis' coming
    to rest and the link's delay count as settling. Of what is felt for there is one bin, and feeling counts as looking."""

    start_s: float
    vary: float
    edges_mm: Floats
    spent_s: Floats

    @property
    def by_rung_s(self) -> Floats:
        """(rungs, parts) [s]"""
        return np.asarray(self.spent_s.sum(axis=0))

    @property
    def mean_s(self) -> float:
        return self.start_s + float(self.spent_s.sum())

    @property
    def until_s(self) -> Floats:
        """Expected time until no more than each edge is left to go, (bins + 1,) [s]."""
        each = self.spent_s.sum(axis=(1, 2))
        return self.start_s + np.append(np.cumsum(each[::-1])[::-1], 0.0)


@lru_cache(maxsize=128)
def find_course(gains_mm: tuple[float | Fraction, ...], task: Task, motion: Motion, hand: Hand) -> Course | None:
    """The course of a task with a knob of these clicks; it takes as long as the knob's estimate. None where no goal can be met."""
    actions = knob_actions(gains_mm, motion, hand)
    if task.kind == "feel":
        return _feel_course(actions, task, motion, hand)
    near, _, _ = _nearest(actions, task, motion)
    if not near:
        return None
    plan = _plan(actions, task, near, hand.switch_s)
    if plan is None:
        spent = np.zeros((1, len(actions), len(PARTS)))
        spent[0, 0, 0] = hand.look_s
        return Course(start_s=hand.start_s, vary=task.vary, edges_mm=np.array([near, max(near, task.distance_mm)]), spent_s=spent)
    return Course(start_s=hand.start_s, vary=task.vary, edges_mm=plan.grid.edges_mm, spent_s=_spent_s(actions, plan, hand))


def _spent_s(actions: Sequence[Clicks], plan: _Plan, hand: Hand) -> Floats:
    """The first moves, and all that come after them by how often each is made; where goals are alike, moves followed exactly."""
    spent, picked = np.zeros((plan.grid.bins, len(actions), len(PARTS))), plan.picked
    start = plan.landing()
    if plan.spots is None:
        first = _of_moves_s(actions[picked : picked + 1], plan.goals_mm)[0].mean(axis=0)
        np.add.at(spent[:, picked, :-1], _bins(plan.grid, plan.goals_mm), first / len(first))
    else:
        start[:] = 0.0
        dirs = start.shape[1]
        ways = [(1 / dirs / len(plan.goals_mm), d, float(e)) for e in plan.goals_mm / plan.grid.half_mm for d in range(dirs)]
        for chance, d, place in ways:
            _walk(plan.spots, spent, start, (chance, picked, d, place), _MOST_SPOTS)
    made, taken = chain._visits(plan.moves, plan.way, start)
    later = _of_moves_s(actions, plan.grid.points_mm).mean(axis=-2)
    spent[..., :-1] += np.einsum("adj,adjp->jap", made, later)
    spent[..., -1] += np.einsum("abj,ab->jb", taken, plan.moves.change_s)
    return spent


def _of_moves_s(actions: Sequence[Action], distances_mm: Floats) -> Floats:
    """What a move's time is spent on but for switching, (A, dirs, ..., 3) [s]."""
    whole = times_s(actions, distances_mm)[0]
    turn = times_s(actions, distances_mm, lambda clicks, gain, hand, motion: _turning_s(clicks, hand))[0]
    look = np.full_like(whole, actions[0].hand.look_s)
    return np.stack([look, turn, whole - turn - look], axis=-1)


def _bins(grid: chain.Grid, distances_mm: Any) -> Any:
    return np.clip(np.searchsorted(grid.edges_mm, distances_mm) - 1, 0, grid.bins - 1)


def _walk(spots: _Spots, spent: Floats, start: Floats, at: tuple[float, int, int, float], room: int) -> None:
    """Spend what a move from a place takes, by how likely it is made, and follow it on; where its ends are too many, leave them
    to the chain."""
    chance, a, d, place = at
    here = np.array([place * spots.grid.half_mm])
    spent[_bins(spots.grid, here[0]), a, :-1] += chance * _of_moves_s(spots.actions[a : a + 1], here)[0, d, 0]
    ends = spots.ends(a, d, place, room)
    if not ends:
        start[a] += chance * spots.mass(a, d, place)
    for end, share, turn in ends:
        if end > 1.0 + 1e-9:
            j = _bins(spots.grid, end * spots.grid.half_mm)
            other = int(spots.way.take[a, turn, j])
            spent[j, other, -1] += chance * share * spots.change_s[a, other]
            _walk(spots, spent, start, (chance * share, other, turn, end), room // len(ends))


def _feel_course(actions: Sequence[Clicks], task: Task, motion: Motion, hand: Hand) -> Course | None:
    """A click that is felt for is turned in the time of a click; what the axis takes longer, it settles."""
    estimate, spent = _estimate_feel(actions, task, motion, hand, hand.switch_s), np.zeros((1, len(actions), len(PARTS)))
    for n, leg in enumerate(estimate.route):
        clicks, click = (leg.from_mm / leg.gain_mm + 1) / 2, 1 / hand.turn_rate_detents_s
        settle = float(feel_click_s(leg.gain_mm, motion, hand)) - hand.feel_s - click
        spent[0, leg.position - 1] = clicks * np.array([hand.feel_s, click, settle, 0.0])
        if n:  # backed off by the coarser click and through the slack both ways, see `feel_step_s`
            back = float(_turning_s((leg.from_mm + 2 * motion.slack_mm) / leg.gain_mm + 1, hand))
            spent[0, leg.position - 1] += [hand.look_s, back, 0.0, hand.switch_s]
    edges = np.array([task.tolerance_mm, task.distance_mm])
    return None if estimate.mean_s is None else Course(start_s=hand.start_s, vary=task.vary, edges_mm=edges, spent_s=spent)
