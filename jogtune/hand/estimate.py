"""What a task takes; feeling for contact."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import inf

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..machine.model import Task
from ..notes import Note
from . import chain
from .actions import Action, Clicks, _moves_of, knob_actions, times_s
from .person import Estimate, Floats, Hand, Motion, _Leg, _turning_s, goals_mm


def feel_click_s(gains_mm: ArrayLike, motion: Motion, hand: Hand) -> Floats:
    """Time of one click that is felt for: click, let the axis settle, feel [s]."""
    settle = motion.delay_s + motion.report_interval_s / 2 + motion.rest_to_rest_s(gains_mm)
    return hand.feel_s + np.maximum(settle, 1 / hand.turn_rate_detents_s)


def feel_step_s(coarse_mm: float | Floats, fine_mm: float | Floats, motion: Motion, hand: Hand) -> Floats:
    """Time from contact felt on a coarse rung to contact felt on a finer one [s]: switch, back off by the coarse click and
    through the slack both ways, then feel; contact lies anywhere within the coarse click."""
    clicks = (coarse_mm / fine_mm + 1) / 2
    back = coarse_mm / fine_mm + 2 * motion.slack_mm / fine_mm
    return hand.switch_s + hand.look_s + _turning_s(back + 1, hand) + clicks * feel_click_s(fine_mm, motion, hand)


def _estimate_feel(actions: Sequence[Action], task: Task, motion: Motion, hand: Hand, switch_s: float | Floats) -> Estimate:
    """Feeling for contact: the best chain of ever finer clicks within the limit, by a programme over rungs. The spread is that
    of where contact lies."""
    order = np.argsort([action.lattice_mm for action in actions], kind="stable")
    sorted_ = [actions[int(i)] for i in order]
    gains = np.array([action.lattice_mm for action in sorted_])
    limit = task.tolerance_mm if task.limit_mm is None else task.limit_mm
    ends, safe = gains <= task.tolerance_mm * (1 + 1e-9), gains <= limit * (1 + 1e-9)
    if not (ends & safe).any():
        lengths = {"move_mm": float(gains[0]), "most_mm": min(task.tolerance_mm, limit)}
        reason = motion.out_of_reach(task, "contact_passed", mover=sorted_[0].mover, **lengths)
        return Estimate(mean_s=None, share_impossible=1.0, reason=reason)
    change = np.broadcast_to(switch_s, (len(order), len(order)))[np.ix_(order, order)]
    click_s = np.array([float(feel_click_s(action.lattice_mm, motion, action.hand)) for action in sorted_])
    finish, after = _feel_chain(sorted_, ends, motion, change)
    total = np.where(safe, (task.distance_mm / gains + 1) / 2 * click_s + finish, inf)
    total_s, variance, at, gap, legs = float(total.min()), 0.0, int(total.argmin()), task.distance_mm, []
    while at >= 0:
        count, gain = max(gap / gains[at], 1.0), float(gains[at])
        variance += (count**2 - 1) / 12 * click_s[at] ** 2
        leg = _Leg(position=int(order[at]) + 1, gain_mm=gain, from_mm=float(gap), until_mm=gain, moves=float(count + 1) / 2)
        legs.append((sorted_[at].mover, leg))
        at, gap = after[at], gain
    by = {mover: sum(leg.moves for other, leg in legs if other == mover) for mover, _ in legs}
    return Estimate(
        mean_s=hand.start_s + total_s, sd_s=math.sqrt(variance), route=tuple(leg for _, leg in legs), moves=sum(by.values()),
        switches=len(legs) - 1.0, moves_by=by,
    )  # fmt: skip


def _feel_chain(
    actions: Sequence[Action], ends: NDArray[np.bool_], motion: Motion, change_s: Floats
) -> tuple[Floats, list[int]]:  # fmt: skip
    """Time left once contact is felt on each rung, and the rung to take next (-1: done)."""
    finish, after = np.where(ends, 0.0, inf), [-1] * len(actions)
    for i in np.flatnonzero(~ends).tolist():
        finer = [replace(action.hand, switch_s=float(change_s[i, k])) for k, action in enumerate(actions[:i])]
        steps = [float(feel_step_s(actions[i].lattice_mm, actions[k].lattice_mm, motion, hand)) for k, hand in enumerate(finer)]
        times = np.array(steps) + finish[:i]
        if len(times):
            after[i] = int(times.argmin())
            finish[i] = times[after[i]]
    return finish, after


_FIXED_BELOW = 0.05  # goals that vary by less lie on a few spots once clicks are counted; our choice
_MOST_SPOTS = 400  # ways followed one by one


@dataclass(frozen=True, kw_only=True)
class Along:
    """Times at many distances: `mean_s` and `sd_s` over the goals that can be reached, (distances,) [s]; NaN where none can."""

    mean_s: Floats
    sd_s: Floats
    share_impossible: float
    reason: Note | None


def _nearest(actions: Sequence[Action], task: Task, motion: Motion) -> tuple[float, float, Note | None]:
    """How near the finest action always comes [mm] (0: the readout doesn't show it), the share of goals out of reach, and why."""
    half = task.half_mm(motion.readout_step_mm)
    if half <= 0:
        lengths = {"readout_step_mm": motion.readout_step_mm, "tolerance_mm": task.tolerance_mm}
        return 0.0, 1.0, motion.out_of_reach(task, "readout_too_coarse", **lengths)
    finest = min(actions, key=lambda action: action.lattice_mm)
    near = max(half, finest.lattice_mm / 2)
    if near <= half * (1 + 1e-9):
        return near, 0.0, None
    mover = finest.mover if finest.lattice_mm == finest.gain_mm else "motor step"
    lengths = {"move_mm": finest.lattice_mm, "tolerance_mm": task.tolerance_mm, "window_mm": 2 * half}
    return near, 1 - half / near, motion.out_of_reach(task, "goals_between_moves", mover=mover, **lengths)


def _estimate_with(actions: Sequence[Action], task: Task, motion: Motion, hand: Hand, switch_s: float | Floats) -> Estimate:
    near, lost, reason = _nearest(actions, task, motion)
    found = _estimate_within(actions, task, near, hand, switch_s) if near else Estimate(mean_s=None)
    return replace(found, share_impossible=lost, reason=reason)


def _estimate_along(
    actions: Sequence[Action], distances_mm: Floats, task: Task, motion: Motion, hand: Hand, switch_s: float | Floats
) -> Along:
    """One pass of the programme for all distances; goals vary about each as the task says."""
    near, lost, reason = _nearest(actions, task, motion)
    if not near:
        never = np.full(len(distances_mm), np.nan)
        return Along(mean_s=never, sd_s=never, share_impossible=lost, reason=reason)
    goals = np.asarray(distances_mm)[:, None] * (goals_mm(task) / task.distance_mm)[None, :]
    grid = chain.Grid.reaching(near, float(goals.max()))
    way = chain._find_way(_moves_of(actions, grid, switch_s))
    each, _ = _first_moves(actions, way, grid, np.maximum(goals, near * (1 + 1e-9)).ravel())
    stats = each.reshape(len(actions), *goals.shape, 2).mean(axis=2)
    best = np.take_along_axis(stats, stats[..., :1].argmin(axis=0)[None], axis=0)[0]
    mean, square = np.moveaxis(chain._add_time(best, hand.start_s), -1, 0)
    return Along(mean_s=mean, sd_s=np.sqrt(np.maximum(square - mean**2, 0.0)), share_impossible=lost, reason=reason)


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """The best way to the goals of a task, (goals,) [mm]: `each` (A, goals, 2) and `landed` (A, dirs, bins) as of `_first_moves`;
    `spots` where the goals are so alike that they are followed exactly."""

    grid: chain.Grid
    goals_mm: Floats
    moves: chain._Moves
    way: chain._Way
    each: Floats
    landed: Floats
    spots: "_Spots | None" = None

    @property
    def stats(self) -> Floats:
        """Mean and mean square of the time, (A, 2), when each action moves first."""
        return np.asarray(self.each.mean(axis=1))

    @property
    def picked(self) -> int:
        """The action that moves first."""
        return int(self.stats[:, 0].argmin())

    def landing(self) -> Floats:
        """Where the first move leaves the chain, by the action in hand."""
        start = np.zeros_like(self.moves.cost_s)
        start[self.picked] = self.landed[self.picked]
        return start


def _plan(actions: Sequence[Action], task: Task, half_mm: float, switch_s: float | Floats) -> _Plan | None:
    """The plan to come within `half_mm`, which the finest action always can; None where every goal is that near."""
    goals = goals_mm(task)
    grid = chain.Grid.reaching(half_mm, float(goals.max()))
    goals = goals[goals > half_mm]
    if not len(goals):
        return None
    moves = _moves_of(actions, grid, switch_s)
    way = chain._find_way(moves)
    each, landed = _first_moves(actions, way, grid, goals)
    plan = _Plan(grid=grid, goals_mm=goals, moves=moves, way=way, each=each, landed=landed)
    if task.vary < _FIXED_BELOW and all(isinstance(action, Clicks) for action in actions):
        spots = _Spots(actions=actions, way=way, grid=grid, change_s=moves.change_s)
        return replace(plan, each=spots.first_moves(goals, each), spots=spots)
    return plan


def _estimate_within(actions: Sequence[Action], task: Task, half_mm: float, hand: Hand, switch_s: float | Floats) -> Estimate:
    """Time to come within `half_mm`, which the finest action always can."""
    plan = _plan(actions, task, half_mm, switch_s)
    if plan is None:
        return Estimate(mean_s=hand.start_s + hand.look_s)
    picked, grid = plan.picked, plan.grid
    mean, square = chain._add_time(plan.stats[picked], hand.start_s)
    made, taken = chain._visits(plan.moves, plan.way, plan.landing())
    by = {name: np.array([action.mover == name for action in actions]) for name in dict.fromkeys(a.mover for a in actions)}
    begun = {name: float(made[mine].sum()) + bool(mine[picked]) for name, mine in by.items()}
    return Estimate(
        mean_s=float(mean), sd_s=math.sqrt(max(float(square - mean**2), 0.0)),
        route=_route(actions, made, grid, picked, task.distance_mm), moves=1 + float(made.sum()),
        switches=float(taken.sum() - np.einsum("aaj->", taken)), moves_by=begun,
        handed_over=_handed_over(taken[by["tap"]][:, ~by["tap"]].sum(axis=(0, 1)), grid) if len(by) > 1 and "tap" in by else None,
    )  # fmt: skip


def _knob_times_s(
    gains_mm: Sequence[float | Fraction], half_mm: float, distances_mm: Floats, motion: Motion, hand: Hand
) -> Floats:
    """Expected time from each distance to within `half_mm`, the distance known exactly, (m,) [s]. Where the finest click is
    too long for `half_mm`: to within half that click."""
    actions = knob_actions([float(gain) for gain in gains_mm], motion, hand)
    half = max(half_mm, min(action.lattice_mm for action in actions) / 2)
    goals = np.asarray(distances_mm, dtype=float)
    grid = chain.Grid.reaching(half, float(goals.max()))
    way = chain._find_way(_moves_of(actions, grid, hand.switch_s))
    each, _ = _first_moves(actions, way, grid, goals)
    return np.where(goals > half, each[:, :, 0].min(axis=0) + hand.start_s, hand.start_s + hand.look_s)


def _first_moves(actions: Sequence[Action], way: chain._Way, grid: chain.Grid, distances_mm: Floats) -> tuple[Floats, Floats]:
    """Mean and mean square of the time when beginning with each action (A, goals, 2), and where that leaves the chain (A,
    dirs, bins). The first move is as likely to reverse as to go on."""
    edges = chain.grid_edges(grid.bins, grid.per_octave)
    ends = [action.ends(grid.half_mm).masses(distances_mm / grid.half_mm, edges) for action in actions]
    first, (cost, cost2) = np.array(ends)[..., 1:], times_s(actions, distances_mm)
    near = np.array([action.lattice_mm / 2 > distances_mm * (1 + 1e-9) for action in actions])
    after = np.einsum("admeb,aebs->adms", first, way.value)
    square = after[..., 1] + 2 * cost * after[..., 0] + cost2
    stats = np.stack([(after[..., 0] + cost).mean(axis=1), square.mean(axis=1)], axis=-1)
    stats[near] = np.inf
    return stats, first.mean(axis=(1, 2))


@dataclass(frozen=True, kw_only=True)
class _Spots:
    """The plan of a way followed from exact places, in units of half the tolerance, while clicks are counted."""

    actions: Sequence[Action]
    way: chain._Way
    grid: chain.Grid
    change_s: Floats

    def first_moves(self, distances_mm: Floats, each: Floats) -> Floats:
        """As `_first_moves`, for goals that hardly vary: clicks that are counted end on exact spots, not all over a bin."""
        each, turns = each.copy(), range(self.way.take.shape[1])
        for a in np.flatnonzero(np.isfinite(each[..., 0]).all(axis=1)).tolist():
            stats = [[self.act(a, d, float(e), _MOST_SPOTS) for d in turns] for e in distances_mm / self.grid.half_mm]
            each[a] = np.array(stats).mean(axis=1)
        return each

    def act(self, a: int, d: int, place: float, room: int) -> Floats:
        """Mean and mean square of the time when a rung moves from here, (2,)."""
        time, square = (t[0, d, 0] for t in times_s([self.actions[a]], np.array([place * self.grid.half_mm])))
        spots = self.ends(a, d, place, room)
        if spots:
            after = sum((p * self.value(a, e, x, room // len(spots)) for x, p, e in spots), np.zeros(2))
        else:
            after = np.einsum("eb,ebs->s", self.mass(a, d, place), self.way.value[a])
        return np.array([time + after[0], square + 2 * time * after[0] + after[1]])

    def ends(self, a: int, d: int, place: float, room: int) -> list[tuple[float, float, int]]:
        """Where a move ends, how likely, and in which direction it goes on; none where these are too many to follow."""
        ends = self.actions[a].ends(self.grid.half_mm)
        found = ends.spots(place, ends.slack if d else 0.0, room) if isinstance(ends, chain.Ends) else None
        if found is None or found[0].max() >= place * (1 - 1e-9):
            return []
        places, chances, turned = found
        turns = turned if self.way.take.shape[1] > 1 else np.zeros_like(turned)
        return list(zip(places.tolist(), chances.tolist(), turns.tolist(), strict=True))

    def mass(self, a: int, d: int, place: float) -> Floats:
        """Chance of ending in each bin, by direction, (dirs, bins)."""
        edges = chain.grid_edges(self.grid.bins, self.grid.per_octave)
        return self.actions[a].ends(self.grid.half_mm).masses(np.array([place]), edges)[d, 0, :, 1:]

    def value(self, a: int, d: int, place: float, room: int) -> Floats:
        """The same with a rung in hand that is kept or changed as the plan says."""
        if place <= 1.0 + 1e-9:
            return np.zeros(2)
        j = int(np.searchsorted(self.grid.edges_mm, place * self.grid.half_mm)) - 1
        other = int(self.way.take[a, d, j])
        return chain._add_time(self.act(other, d, place, room), float(self.change_s[a, other]))


def _handed_over(chance: Floats, grid: chain.Grid) -> tuple[float, float, float, float] | None:
    """How often one control is left for another, and at what distance: median and the middle eight tenths [mm]."""
    often = float(chance.sum())
    if often < 0.005:
        return None
    middle = np.sqrt(grid.edges_mm[:-1] * grid.edges_mm[1:])
    low, median, high = (float(middle[np.searchsorted(chance.cumsum(), share * often)]) for share in (0.1, 0.5, 0.9))
    return often, median, low, high


def _route(actions: Sequence[Action], made: Floats, grid: chain.Grid, picked: int, distance_mm: float) -> tuple[_Leg, ...]:
    """The rungs in the order they are used: where each one is taken up and where it is left."""
    per_bin = made.sum(axis=1)
    used = []
    for a, action in enumerate(actions):
        count = float(per_bin[a].sum()) + (a == picked)
        if count >= 0.1:
            farther = np.cumsum(per_bin[a][::-1])[::-1] >= 0.05 * per_bin[a].sum()
            high = distance_mm if a == picked else float(grid.edges_mm[1:][farther].max())
            used.append((min(high, distance_mm), a, action.gain_mm, count))
    used.sort(key=lambda item: (item[1] != picked, -item[0], -item[2]))
    untils = [item[0] for item in used[1:]] + [grid.half_mm]
    return tuple(
        _Leg(position=a + 1, gain_mm=gain, from_mm=high, until_mm=until, moves=count)
        for (high, a, gain, count), until in zip(used, untils, strict=True)
    )
