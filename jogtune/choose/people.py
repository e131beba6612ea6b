"""Unlike hands; ladders sifted."""

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..hand import chain
from ..hand.actions import knob_actions, times_s
from ..hand.person import Floats, Hand, goals_mm
from .score import _CHUNK, _score_parts
from .tasks import _Floats32, _goal_members, _Ladders, _Mix, _packed_kernel, _sensible_mm

_Masks = NDArray[np.int64]
_COARSE = 4  # bins an octave for sifting: ladders are told apart by 5 %, and this errs by 1 % at most
_MARGIN = 0.30  # nobody's figures are known better than this; our choice
_THUMBS = (2, 4, 8)
"""Rules of thumb: always the coarsest rung of which at least so many clicks are left; our choice."""
_SENSIBLE_S = 10.0  # nobody turns longer in one move where a rung ten times coarser is at hand; our choice
_ENDLESS_S = 1e4
_FINE = 0.25  # of half the tolerance: below such a rung a still finer one is never quicker


def _unlike_hands(hand: Hand) -> dict[str, Hand]:
    """The hand itself, and that hand with each of five figures 30 % lower and higher, by name."""
    hands = {"your hand": hand}
    names = {"look": "look_s", "switch": "switch_s", "turn rate": "turn_rate_detents_s", "feel": "feel_s", "spread": "spread"}
    for said, name in names.items():
        for word, factor in (("lower", 1 - _MARGIN), ("higher", 1 + _MARGIN)):
            hands[f"{said} {100 * _MARGIN:g} % {word}"] = replace(hand, **{name: factor * getattr(hand, name)})
    return hands


def _sensible_clicks(hand: Hand) -> float:
    """How many clicks a hand turns in one move at the most, where a rung ten times coarser is at hand."""
    return _SENSIBLE_S * hand.turn_rate_detents_s


def _masks_of(ladders: _Ladders) -> _Masks:
    return np.asarray((np.int64(1) << ladders.astype(np.int64)).sum(axis=1))


def _rows_of(masks: _Masks, candidates: int) -> Iterator[tuple[NDArray[np.intp], _Ladders]]:
    """Masks of each number of rungs: where they stand, and their rows of candidate indices."""
    bits = (masks[:, None] >> np.arange(candidates)) & 1
    count = bits.sum(axis=1)
    for rungs in np.unique(count[count > 0]):
        at = np.flatnonzero(count == rungs)
        yield at, np.nonzero(bits[at])[1].reshape(len(at), rungs).astype(np.int16)


def _sift(
    mix: _Mix, masks: _Masks, check: Callable[[int], None] = lambda rows: None, executor: Executor | None = None,
    choosy: bool = True,
) -> _Floats32:  # fmt: skip
    """Expected time of every task with each ladder, (ladders, tasks) [s], as `_score_ladders` but faster. Ladders that differ
    only in rungs a task can't use, or in rungs finer than one that is fine enough for it, are scored once for it; `choosy`
    ones that take over ten seconds of turning in one move come out endless. `check` is called with how many ladders were
    timed, now and then."""
    own = mix.sensible_clicks if np.isfinite(mix.sensible_clicks) else _sensible_clicks(mix.hand)
    most = own if choosy else np.inf
    out = np.full((len(masks), len(mix.tasks)), np.inf, np.float32)
    feels = [[t] for t, task in enumerate(mix.tasks) if task.kind == "feel"]
    for members in [*_goal_members(mix), *feels]:
        part = mix.of_tasks(members, sensible_clicks=most)
        unlike, same = np.unique(_needed(part, masks), return_inverse=True)
        times = np.full((len(unlike), len(members)), np.inf, np.float32)  # of no rung that serves: never
        jobs = [
            (at[low : low + _CHUNK], rows[low : low + _CHUNK])
            for at, rows in _rows_of(unlike, len(mix.gains_mm))
            for low in range(0, len(at), _CHUNK)
        ]
        for (at, _), scored in zip(jobs, _score_parts(part, [rows for _, rows in jobs], executor, check), strict=True):
            times[at] = scored
        out[:, members] = times[same]
    return out


def _needed(mix: _Mix, masks: _Masks) -> _Masks:
    """The ladders without the rungs that are too long for a task, or finer than one that is fine enough."""
    task, motion = mix.tasks[0], mix.motions[0]
    lattice = np.maximum(np.array(mix.axis_gains_mm(0)), motion.motor_step_mm)
    bit = np.int64(1) << np.arange(len(lattice), dtype=np.int64)
    if task.kind == "feel":
        limit = max(task.limit_mm or task.tolerance_mm, task.tolerance_mm, float(lattice[0]))
        return np.asarray(masks & (bit[lattice <= limit * (1 + 1e-9)].sum() | 1))
    far = max(float(goals_mm(one).max()) for one in mix.tasks)
    kept = masks & (bit[lattice <= 2 * far * (1 + 1e-9)].sum() | 1)
    fine = bit[lattice * (1 + 3 * mix.hand.wheel_clicks) <= _FINE * mix.half_mm(0)].sum()
    return np.asarray((kept & ~fine) | _highest(kept & fine))


def _highest(masks: _Masks) -> _Masks:
    """The highest bit of each mask; 0 of 0."""
    shift = np.frexp(masks.astype(float))[1] - 1
    return np.where(masks > 0, np.int64(1) << np.maximum(shift, 0).astype(np.int64), 0)


def _thumb_times_s(mix: _Mix, masks: _Masks, clicks: float) -> Floats:
    """Expected time of goal tasks for people who always take the coarsest rung with so many clicks left, (ladders, tasks) [s].
    The programme with its choice fixed by the distance: linear, so that a rung is one matrix product for all ladders it is on
    top of. Tasks that are felt for are NaN: no distance is known there to go by."""
    out = np.full((len(masks), len(mix.tasks)), np.nan)
    nodes = _with_prefixes(masks)
    at = np.searchsorted(nodes, masks)
    for members in _goal_members(mix):
        out[:, members] = _thumb_group(mix, members, nodes, clicks)[at]
    return out


def _with_prefixes(masks: _Masks) -> _Masks:
    """These ladders and each of them without its coarsest rungs, ascending: what is finer comes first."""
    found = [masks]
    while (part := found[-1] - _highest(found[-1])).any():
        found.append(np.unique(part[part > 0]))
    return np.unique(np.concatenate(found))


@dataclass(frozen=True)
class _Rung:
    """A rung's moves on a grid: states to states and goals to states, with their times and least distances."""

    lattice_mm: float
    kernel: Floats
    cost: Floats
    begin: Floats
    goal_cost: Floats

    def used(self, low: int, first: int, switch_s: float, below: _Floats32, goals: _Floats32) -> None:
        """Put the times in states from `low` on and at goals from `first` on, where this rung is used, beside those below."""
        leave, begin = self.kernel[low:, :low], self.begin[first:]
        solve = np.linalg.inv(np.eye(len(self.kernel) - low) - self.kernel[low:, low:])
        fixed = solve @ (self.cost[low:] + switch_s * leave.sum(axis=1))
        below[:, low:] = fixed.astype(np.float32) + below[:, :low] @ (solve @ leave).astype(np.float32).T
        goal_fixed = self.goal_cost[first:] + switch_s * begin[:, :low].sum(axis=1)
        goals[:, first:] = goal_fixed.astype(np.float32) + below @ begin.astype(np.float32).T


def _thumb_group(mix: _Mix, members: list[int], nodes: _Masks, clicks: float) -> Floats:
    """Times of the tasks of a group, (nodes, tasks): coarser and coarser rungs on top of what is known below."""
    alike = replace(mix.hand, start_s=0.0, switch_s=0.0, feel_s=0.0)
    rungs, points, edges, share = _kept_rungs(mix.of_tasks(members, hand=alike))
    top = _highest(nodes)
    parent = np.searchsorted(nodes, nodes - top)
    value = np.zeros((len(nodes), len(rungs[0].kernel)), np.float32)
    begun = np.zeros((len(nodes), len(points)), np.float32)
    dirs = len(rungs[0].kernel) // len(edges)
    for c, rung in enumerate(rungs):
        mine = np.flatnonzero(top == np.int64(1) << np.int64(c))
        alone = nodes[mine] == top[mine]
        least = clicks * rung.lattice_mm * (1 - 1e-9)
        over = int(np.searchsorted(edges, least)) * dirs, int(np.searchsorted(points, least))
        for part, (low, first) in ((mine[alone], (0, 0)), (mine[~alone], over)):
            if len(part):
                below, goals = value[parent[part]], begun[parent[part]]
                rung.used(low, first, mix.hand.switch_s, below, goals)
                value[part], begun[part] = below, goals
    return np.asarray(begun @ share + mix.hand.start_s, dtype=float)


def _halved(ends: chain.Ends, grid: chain.Grid, until_mm: float) -> Floats:
    """A kernel on this grid, made from that on the fine one, which is at hand."""
    times = chain.PER_OCTAVE // grid.per_octave
    fine = chain.Grid(half_mm=grid.half_mm, bins=grid.bins * times)
    used, dirs = int(np.searchsorted(fine.edges_mm[:-1], until_mm)), 2 if ends.slack else 1
    kernel = _packed_kernel(ends, fine.bins, used, fine.per_octave).astype(float)
    shape = (grid.bins, times, dirs, grid.bins, times, dirs)
    return np.asarray(kernel.reshape(shape).sum(axis=4).mean(axis=1)).reshape(grid.bins * dirs, -1)


@lru_cache(maxsize=16)
def _kept_rungs(mix: _Mix) -> tuple[list[_Rung], Floats, Floats, Floats]:
    """The candidates' moves for tasks of one tolerance; the goals, the lower edges of the bins [mm], and each goal's share in
    each task."""
    half, motion = mix.half_mm(0), mix.motions[0]
    each = [np.maximum(goals_mm(task)[::4], half * (1 + 1e-9)) for task in mix.tasks]
    goals = np.concatenate(each)
    owner = np.repeat(np.arange(len(each)), [len(one) for one in each])
    order = np.argsort(goals, kind="stable")
    goals, share = goals[order], np.eye(len(each))[owner[order]] / [len(one) for one in each]
    grid = chain.Grid.reaching(half, float(goals.max()), _COARSE)
    actions = knob_actions(mix.axis_gains_mm(0), motion, mix.hand)
    cost, goal_cost = times_s(actions, grid.points_mm)[0].mean(axis=-1), times_s(actions, goals)[0].mean(axis=1)
    edges = chain.grid_edges(grid.bins, _COARSE)
    rungs = []
    until = _sensible_mm(replace(mix, sensible_clicks=_sensible_clicks(mix.hand)), actions)
    for a, action in enumerate(actions):
        begin = action.ends(half).masses(goals / half, edges)[..., 1:].mean(axis=0).transpose(0, 2, 1)
        kernel = _halved(action.ends(half), grid, until[a])
        slow = np.where(half * edges[:-1] < until[a], cost[a], _ENDLESS_S).T.ravel()
        slow_goals = np.where(goals < until[a], goal_cost[a], _ENDLESS_S)
        rungs.append(_Rung(action.lattice_mm, kernel, slow, begin.reshape(len(goals), -1), slow_goals))
    return rungs, goals, half * edges[:-1], share
