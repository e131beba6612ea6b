"""Many ladders scored at once: the programme of `chain` for thousands of ladders side by side.

What is worked out is the same as in `jogtune.design.controls`, in float32 and in batches: all
columns (a rung of one ladder) that share a candidate stand together, and an octave of bins at a time
is one matrix product per candidate.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations, islice
from math import comb
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..machine import Task
from . import chain
from .controls import Action, feel_click_s, feel_step_s, knob_actions, times_s
from .hand import Floats, Hand, Motion, goals_mm

__all__ = ["Mix", "SearchStopped", "all_ladders", "count_ladders", "score_all", "score_ladders", "too_coarse"]

Floats32 = NDArray[np.float32]
Ladders = NDArray[np.int16]

CHUNK = 8_000
MOST_LADDERS = 5_000_000
_NEVER = np.float32(1e9)
_TOO_LONG = np.float32(1e6)


class SearchStopped(RuntimeError):
    """The search was stopped before every ladder was scored.

    >>> task = Task(name="near", axis="X", distance_mm=20, tolerance_mm=0.2, cue="eye")
    >>> motion = Motion(top_speed_mm_s=100, ramp_mm_s2=400)
    >>> mix = Mix(gains_mm=(0.1, 0.5, 1.0), tasks=(task,), motions=(motion,), hand=Hand())
    >>> score_all(mix, list(all_ladders(3, 2)), stop=lambda: True)
    Traceback (most recent call last):
    jogtune.design.score.SearchStopped: stopped after 3 of 3 ladders
    """


@dataclass(frozen=True, kw_only=True)
class Mix:
    """What ladders are scored by: candidate clicks, finest first, a mix of tasks, the axes, the hand.

    `motions` and `scales` stand in the order of `tasks`; a click moves that task's axis by the gain
    times the scale, which is 1 but for a rotary axis of a machine read in inches. `per_octave`: bins of
    remaining distance. `sensible_clicks`: nobody turns more in one move on a rung a tenth of the coarsest or finer;
    ladders that would need it come out endless. Saves half the tables.

    >>> task = Task(name="near", axis="X", distance_mm=20, tolerance_mm=0.2, cue="eye")
    >>> motion = Motion(top_speed_mm_s=100, ramp_mm_s2=400)
    >>> mix = Mix(gains_mm=(0.1, 0.5, 1.0), tasks=(task,), motions=(motion,), hand=Hand())
    >>> mix.weights, mix.half_mm(0)
    (array([1.]), 0.1)
    """

    gains_mm: tuple[float, ...]
    tasks: tuple[Task, ...]
    motions: tuple[Motion, ...]
    hand: Hand
    scales: tuple[float, ...] = ()
    per_octave: int = chain.PER_OCTAVE
    sensible_clicks: float = np.inf

    def axis_gains_mm(self, task: int) -> tuple[float, ...]:
        """The candidates as clicks of the axis of a task [mm, or degrees on a rotary axis]."""
        return tuple(gain * self.scale(task) for gain in self.gains_mm)

    def scale(self, task: int) -> float:
        """What a task's axis moves for 1 of the ladder's distance."""
        return self.scales[task] if self.scales else 1.0

    @property
    def weights(self) -> Floats:
        """Share of each task, summing to 1. What can't be met counts too: the time to come as near as can be."""
        weights = np.array([task.weight for task in self.tasks])
        return np.asarray(weights / weights.sum())

    def of_tasks(self, which: Iterable[int], **changes: Any) -> Mix:
        """The same with some of the tasks, and perhaps another hand or grid."""
        at = [int(t) for t in which]
        tasks, motions = tuple(self.tasks[t] for t in at), tuple(self.motions[t] for t in at)
        scales = tuple(self.scales[t] for t in at) if self.scales else ()
        return replace(self, tasks=tasks, motions=motions, scales=scales, **changes)

    def doable(self, task: int) -> bool:
        """Whether some candidate reaches at least some goals of a task."""
        the, motion = self.tasks[task], self.motions[task]
        if the.kind == "goal":
            return the.half_mm(motion.readout_step_mm) > 0
        bound = min(the.tolerance_mm, the.limit_mm or the.tolerance_mm)
        return max(self.axis_gains_mm(task)[0], motion.motor_step_mm) <= bound * (1 + 1e-9)

    def mean_s(self, times_s: Floats32) -> Floats:
        """Mean time over the mix from times (n, tasks), (n,) [s]."""
        return np.asarray(times_s.astype(float) @ self.weights)

    def half_mm(self, task: int) -> float:
        """Half the tolerance of a task; at least half the finest click, and half the readout's step where
        that is no finer than the tolerance."""
        motion = self.motions[task]
        half = self.tasks[task].half_mm(motion.readout_step_mm)
        finest = max(self.axis_gains_mm(task)[0], motion.motor_step_mm) / 2
        return max(half if half > 0 else motion.readout_step_mm / 2, finest)


def all_ladders(candidates: int, rungs: int, keep: Sequence[int] = ()) -> Iterator[Ladders]:
    """Every choice of `rungs` out of so many candidates that holds all of `keep`, in chunks.

    >>> [chunk.tolist() for chunk in all_ladders(3, 2)]
    [[[0, 1], [0, 2], [1, 2]]]
    """
    kept = sorted(set(keep))
    free = [i for i in range(candidates) if i not in kept]
    choices = combinations(free, rungs - len(kept)) if rungs >= len(kept) else iter(())
    while part := list(islice(choices, CHUNK)):
        rows = np.array(part, dtype=np.int16).reshape(len(part), -1)
        both = np.hstack([rows, np.tile(np.array(kept, dtype=np.int16), (len(part), 1))])
        yield np.sort(both, axis=1)


def count_ladders(candidates: int, rungs: int, kept: int = 0) -> int:
    """How many ladders `all_ladders` gives.

    >>> count_ladders(25, 6)
    177100
    """
    return comb(candidates - kept, rungs - kept) if rungs >= kept else 0


def score_all(
    mix: Mix,
    chunks: Sequence[Ladders],
    executor: Executor | None = None,
    progress: bool | Callable[[int], None] = False,
    stop: Callable[[], bool] | None = None,
) -> Floats32:
    """Expected time of every task with every ladder of the chunks, (ladders, tasks) [s].

    Infinite where the ladder is too coarse for the task. The same whichever executor does the work
    (a thread or process pool, a cluster's), to the last bit. `stop` is asked between chunks; when it
    says yes, or on Ctrl-C, what has not begun is cancelled and SearchStopped (or KeyboardInterrupt)
    raised. `progress` shows a bar, or is called with how many ladders each chunk held.

    >>> task = Task(name="near", axis="X", distance_mm=20, tolerance_mm=0.2, cue="eye")
    >>> motion = Motion(top_speed_mm_s=100, ramp_mm_s2=400)
    >>> mix = Mix(gains_mm=(0.1, 0.5, 1.0), tasks=(task,), motions=(motion,), hand=Hand())
    >>> [round(float(time_s), 1) for time_s in score_all(mix, list(all_ladders(3, 2)))[:, 0]]
    [5.0, 3.6, inf]
    """
    from tqdm import tqdm

    total = sum(len(chunk) for chunk in chunks)
    finished = 0
    with tqdm(total=total, unit=" ladders", disable=progress is not True, leave=False) as bar:

        def done(rows: int) -> None:
            nonlocal finished
            finished += rows
            bar.update(rows)
            if callable(progress):
                progress(rows)
            if stop is not None and stop():
                raise SearchStopped(f"stopped after {finished} of {total} ladders")

        parts = score_parts(mix, chunks, executor, done)
    return np.concatenate(parts) if parts else np.empty((0, len(mix.tasks)), np.float32)


def score_parts(
    mix: Mix, chunks: Sequence[Ladders], executor: Executor | None, done: Callable[[int], None]
) -> list[Floats32]:
    """Times of each chunk, here or by an executor; `done` is told how many ladders each held."""
    return _run_here(mix, chunks, done) if executor is None else _run_there(mix, chunks, executor, done)


def _run_here(mix: Mix, chunks: Sequence[Ladders], done: Callable[[int], None]) -> list[Floats32]:
    parts = []
    for chunk in chunks:
        parts.append(score_ladders(mix, chunk))
        done(len(chunk))
    return parts


def _run_there(
    mix: Mix, chunks: Sequence[Ladders], executor: Executor, done: Callable[[int], None]
) -> list[Floats32]:
    futures: list[Future[Floats32]] = [executor.submit(score_ladders, mix, chunk) for chunk in chunks]
    try:
        for future in as_completed(futures):
            done(len(future.result()))
    except BaseException:
        for future in futures:
            future.cancel()
        raise
    return [future.result() for future in futures]


def score_ladders(mix: Mix, ladders: Ladders) -> Floats32:
    """Expected time of every task with each ladder, (ladders, tasks) [s]; one chunk, one thread.

    `ladders` (n, k) holds indices of `mix.gains_mm`, finest first.

    >>> task = Task(name="near", axis="X", distance_mm=20, tolerance_mm=0.2, cue="eye")
    >>> motion = Motion(top_speed_mm_s=100, ramp_mm_s2=400)
    >>> mix = Mix(gains_mm=(0.1, 0.5, 1.0), tasks=(task,), motions=(motion,), hand=Hand())
    >>> one, both = (score_ladders(mix, np.array([ladder], dtype=np.int16))[0, 0] for ladder in ([0], [0, 2]))
    >>> bool(both < one)
    True
    """
    out = np.full((len(ladders), len(mix.tasks)), np.inf, np.float32)
    if not len(ladders):
        return out
    columns = _Columns.of(ladders, len(mix.gains_mm))
    with one_thread():
        for members, tables in _goal_groups(mix):
            out[:, members] = _score_goals(tables, columns, mix.hand)
    for t, task in enumerate(mix.tasks):
        if task.kind == "feel":
            out[:, t] = _score_feel(mix, t, ladders)
        out[too_coarse(mix, t, ladders), t] = np.inf
    return out


def one_thread() -> Any:
    """A context in which matrix products keep to one thread: these are small, and more threads only wait for each other."""
    return _threads().limit(limits=1, user_api="blas")


@lru_cache(maxsize=1)
def _threads() -> Any:
    from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]

    return ThreadpoolController()


def too_coarse(mix: Mix, t: int, ladders: Ladders) -> NDArray[np.bool_]:
    """Ladders whose finest click leaves some goals of a task out of reach.

    >>> task = Task(name="near", axis="X", distance_mm=20, tolerance_mm=0.2, cue="eye")
    >>> motion = Motion(top_speed_mm_s=100, ramp_mm_s2=400)
    >>> mix = Mix(gains_mm=(0.1, 0.5, 1.0), tasks=(task,), motions=(motion,), hand=Hand())
    >>> too_coarse(mix, 0, np.array([[0, 1], [1, 2]], dtype=np.int16))
    array([False,  True])
    """
    if mix.tasks[t].kind == "feel":
        return np.zeros(len(ladders), dtype=bool)
    finest = np.maximum(np.array(mix.axis_gains_mm(t)), mix.motions[t].motor_step_mm)[ladders.min(axis=1)]
    return np.asarray(finest > 2 * mix.half_mm(t) * (1 + 1e-9))


@dataclass(frozen=True)
class _Columns:
    """Rungs of many ladders, sorted by candidate.

    `ladder` (n k,) is the ladder of each column, `starts` (candidates + 1,) where each candidate's
    columns begin, `slots` (k, n) the column of each rung of each ladder.
    """

    ladder: NDArray[np.intp]
    starts: NDArray[np.intp]
    slots: NDArray[np.intp]

    @classmethod
    def of(cls, ladders: Ladders, candidates: int) -> _Columns:
        rows, rungs = ladders.shape
        order = np.argsort(ladders.ravel(), kind="stable")
        place = np.empty(rows * rungs, dtype=np.intp)
        place[order] = np.arange(rows * rungs)
        return cls(
            ladder=order // rungs,
            starts=np.searchsorted(ladders.ravel()[order], np.arange(candidates + 1)),
            slots=np.ascontiguousarray(place.reshape(rows, rungs).T),
        )

    @property
    def candidates(self) -> Iterator[tuple[int, slice]]:
        """The candidates in use and their columns."""
        for c, (low, high) in enumerate(zip(self.starts[:-1], self.starts[1:], strict=True)):
            if high > low:
                yield c, slice(int(low), int(high))


@dataclass(frozen=True)
class _Octave:
    """One candidate in one octave of bins; states are (bin, direction), S of them.

    `below` (used, S) carries values of lower states here; `within` (S, S) is None where no move ends in the
    octave it began in; `allowed` (S,), `stay` (bins, dirs, dirs). None of it where the click is too long for
    the whole octave.
    """

    below: Floats32
    allowed: NDArray[np.bool_]
    within: Floats32 | None
    stay: Floats32


@dataclass(frozen=True)
class _Tables:
    """All of one (tolerance, axis): per octave and candidate, the times (C, states), and how each task begins.

    Times are without the look before each move.
    """

    dirs: int
    states: int
    per_octave: int
    octaves: tuple[tuple[_Octave | None, ...], ...]
    costs: Floats32
    begin: Floats32
    begin_cost: Floats32


def _goal_groups(mix: Mix) -> tuple[tuple[list[int], _Tables], ...]:
    """Tables don't depend on the figures that are simply added or compared: kept for hands that differ in these."""
    return _kept_groups(replace(mix, hand=replace(mix.hand, start_s=0.0, look_s=0.0, switch_s=0.0, feel_s=0.0)))


@lru_cache(maxsize=32)
def _kept_groups(mix: Mix) -> tuple[tuple[list[int], _Tables], ...]:
    return tuple((members, _make_tables(mix, members)) for members in goal_members(mix))


def goal_members(mix: Mix) -> list[list[int]]:
    """Tasks that share tolerance and axis share a pass."""
    groups: dict[object, list[int]] = {}
    for t, task in enumerate(mix.tasks):
        if task.kind == "goal":
            groups.setdefault((mix.half_mm(t), mix.motions[t], mix.axis_gains_mm(t)), []).append(t)
    return list(groups.values())


def _make_tables(mix: Mix, members: list[int]) -> _Tables:
    half, motion = mix.half_mm(members[0]), mix.motions[members[0]]
    farthest = max(float(goals_mm(mix.tasks[t]).max()) for t in members)
    grid = chain.Grid.reaching(half, farthest, mix.per_octave)
    actions = knob_actions(mix.axis_gains_mm(members[0]), motion, mix.hand)
    cost = times_s(actions, grid.points_mm)[0].mean(axis=-1)
    dirs = cost.shape[1]
    until = sensible_mm(mix, actions)
    bins = np.searchsorted(grid.edges_mm[:-1], until)
    rows = [_octaves(a.ends(half), grid.bins, int(b), grid.per_octave) for a, b in zip(actions, bins, strict=True)]
    begin = [_begin(actions, mix.tasks[t], grid, mix.hand.look_s, until) for t in members]
    return _Tables(
        dirs=dirs,
        states=grid.bins * dirs,
        per_octave=grid.per_octave,
        octaves=tuple(zip(*rows, strict=True)),
        costs=cost.transpose(0, 2, 1).reshape(len(actions), -1).astype(np.float32),
        begin=np.array([b[0] for b in begin], np.float32),
        begin_cost=np.array([b[1] for b in begin], np.float32),
    )


SENSIBLE_SHARE = 0.1


def sensible_mm(mix: Mix, actions: Sequence[Action]) -> Floats:
    """From which distance on it is not sensible to take each rung, (C,) [mm]."""
    lattice = np.array([action.lattice_mm for action in actions])
    return np.where(lattice >= SENSIBLE_SHARE * lattice.max(), np.inf, mix.sensible_clicks * lattice)


def packed_kernel(ends: chain.Ends, bins: int, used: int, per_octave: int) -> Floats32:
    """Kernel from state (bin, direction) to state; nothing from the bins above those used."""
    dirs = 2 if ends.slack else 1
    whole = np.zeros((bins * dirs, bins * dirs), np.float32)
    if used:
        mass = chain.click_kernel(ends, used, per_octave)[..., 1:]
        part = mass.transpose(1, 0, 3, 2).reshape(used * dirs, used * dirs)
        whole[: len(part), : len(part)] = part
    return whole


@lru_cache(maxsize=512)
def _octaves(ends: chain.Ends, bins: int, used: int, per_octave: int) -> list[_Octave | None]:
    dirs = 2 if ends.slack else 1
    kernel = packed_kernel(ends, bins, used, per_octave)
    near = chain.grid_edges(bins, per_octave)[:-1] < ends.nearest * (1 - 1e-9)
    allowed = np.repeat(~near & (np.arange(bins) < used), dirs)
    size = per_octave * dirs
    return [
        _octave(kernel[low : low + size], low, allowed[low : low + size], dirs) if allowed[low : low + size].any() else None
        for low in range(0, len(kernel), size)
    ]


def _octave(rows: Floats32, low: int, allowed: NDArray[np.bool_], dirs: int) -> _Octave:
    size = len(rows)
    rows = np.where(allowed[:, None], rows, 0)
    reached = np.flatnonzero(rows[:, :low].any(axis=0))
    used = int(reached[-1]) + 1 if len(reached) else 0
    within = rows[:, low : low + size]
    blocks = within.reshape(size // dirs, dirs, size // dirs, dirs)
    same = np.einsum("jdje->jde", blocks).astype(float)
    return _Octave(
        below=np.ascontiguousarray(rows[:, :used].T),
        allowed=allowed,
        within=within.copy() if within.any() else None,
        stay=np.linalg.inv(np.eye(dirs) - same).astype(np.float32),
    )


def _begin(
    actions: Sequence[Action], task: Task, grid: chain.Grid, look_s: float, until_mm: Floats
) -> tuple[Floats32, Floats32]:
    """Where the first move of a task leaves each candidate (C, states), and its time (C,)."""
    goals = _goals_beyond(task, grid)
    dirs = 2 if actions[0].motion.slack_mm else 1
    if not len(goals):
        nowhere = np.zeros((len(actions), grid.bins * dirs), np.float32)
        return nowhere, np.full(len(actions), look_s, np.float32)
    costs = times_s(actions, goals)[0].mean(axis=(1, 2))
    near = np.array([action.lattice_mm / 2 > goals.min() * (1 + 1e-9) for action in actions]) | (goals.max() > until_mm)
    states = np.array([_first_ends(a.ends(grid.half_mm), task, grid) for a in actions], np.float32)
    return states, np.where(near, _NEVER, costs).astype(np.float32)


def _goals_beyond(task: Task, grid: chain.Grid) -> Floats:
    goals = goals_mm(task)[:: chain.PER_OCTAVE // grid.per_octave]
    return goals[goals > grid.half_mm]


@lru_cache(maxsize=512)
def _first_ends(ends: chain.Ends, task: Task, grid: chain.Grid) -> Floats:
    """Where the first move of a task leaves a candidate, (states,)."""
    edges = chain.grid_edges(grid.bins, grid.per_octave)
    mass = ends.masses(_goals_beyond(task, grid) / grid.half_mm, edges)[..., 1:].mean(axis=(0, 1))
    return np.asarray(mass.T.ravel())


def _score_goals(tables: _Tables, columns: _Columns, hand: Hand) -> Floats32:
    """Expected time of each task of a group, (ladders, tasks)."""
    rungs, rows = columns.slots.shape
    size = tables.per_octave * tables.dirs
    value = np.empty((rungs * rows, tables.states), np.float32)
    act = np.empty((rungs * rows, size), np.float32)
    look, switch = np.float32(hand.look_s), np.float32(hand.switch_s)
    for o, row in enumerate(tables.octaves):
        low = o * size
        cost = tables.costs[:, low : low + size] + look
        coupled = _act_from_below(row, columns, value, act, cost)
        best = _act_within(coupled, row, columns, act, tables, switch) if coupled else _least(act, columns)
        switched = best.take(columns.ladder, axis=0)
        switched += switch
        np.minimum(act, switched, out=value[:, low : low + size])
    return _first_move(tables, columns, value, hand)


def _act_from_below(
    row: tuple[_Octave | None, ...], columns: _Columns, value: Floats32, act: Floats32, cost: Floats32
) -> list[tuple[int, slice]]:
    """Times of acting, from what lies below the octave; says which candidates also move within it."""
    coupled = []
    for c, span in columns.candidates:
        octave = row[c]
        if octave is None:
            act[span] = _NEVER
            continue
        part, fixed = act[span], np.where(octave.allowed, cost[c], _NEVER)
        if len(octave.below):
            np.matmul(value[span, : len(octave.below)], octave.below, out=part)
            part += fixed
        else:
            part[:] = fixed
        if octave.within is not None:
            coupled.append((c, span))
    return coupled


def _act_within(
    coupled: list[tuple[int, slice]],
    row: tuple[_Octave | None, ...],
    columns: _Columns,
    act: Floats32,
    tables: _Tables,
    switch: np.float32,
) -> Floats32:
    """Bin by bin where a move can end in the octave it began in; gives the least time over the rungs."""
    works = [_Work.of(row[c], columns.ladder[span], act[span]) for c, span in coupled]
    for _, span in coupled:
        act[span] = _NEVER
    best = _least(act, columns).T.copy()
    for j in range(tables.per_octave):
        states = range(j * tables.dirs, (j + 1) * tables.dirs)
        for work in works:
            work.move(j, states, best)
        for work in works:
            work.settle(states, best, switch)
    for (_, span), work in zip(coupled, works, strict=True):
        act[span] = work.acting.T
    return best.T.copy()


@dataclass(frozen=True)
class _Work:
    """The columns of one candidate while an octave is worked through bin by bin, states first."""

    octave: _Octave
    within: Floats32
    ladder: NDArray[np.intp]
    acting: Floats32
    ahead: Floats32

    @classmethod
    def of(cls, octave: _Octave | None, ladder: NDArray[np.intp], act: Floats32) -> _Work:
        assert octave is not None
        assert octave.within is not None
        acting = act.T.copy()
        return cls(octave, octave.within, ladder, acting, np.empty_like(acting))

    def move(self, j: int, states: range, best: Floats32) -> None:
        """Time of acting in bin j, and the best of it so far."""
        at = slice(states.start, states.stop)
        here = self.acting[at] + self.within[at, : at.start] @ self.ahead[: at.start]
        self.acting[at] = self.octave.stay[j] @ here
        for s in states:
            best[s, self.ladder] = np.minimum(best[s].take(self.ladder), self.acting[s])

    def settle(self, states: range, best: Floats32, switch_s: np.float32) -> None:
        """Time from bin j: act, or switch."""
        for s in states:
            np.minimum(self.acting[s], best[s].take(self.ladder) + switch_s, out=self.ahead[s])


def _least(act: Floats32, columns: _Columns) -> Floats32:
    """Least time over the rungs of each ladder, (ladders, S)."""
    best: Floats32 = act.take(columns.slots[0], axis=0)
    for slot in columns.slots[1:]:
        np.minimum(best, act.take(slot, axis=0), out=best)
    return best


def _first_move(tables: _Tables, columns: _Columns, value: Floats32, hand: Hand) -> Floats32:
    rows = columns.slots.shape[1]
    act = np.empty((len(value), len(tables.begin)), np.float32)
    for c, span in columns.candidates:
        np.matmul(value[span], tables.begin[:, c].T, out=act[span])
        act[span] += tables.begin_cost[:, c]
    best = np.full((rows, len(tables.begin)), np.inf, np.float32)
    for slot in columns.slots:
        np.minimum(best, act.take(slot, axis=0), out=best)
    best += np.float32(hand.start_s + hand.look_s)
    best[best > _TOO_LONG] = np.inf
    return best


def _score_feel(mix: Mix, t: int, ladders: Ladders) -> Floats32:
    """Feeling for contact with each ladder, (ladders,): the programme over rungs, ladders abreast."""
    task, motion, hand = mix.tasks[t], mix.motions[t], mix.hand
    gains = np.maximum(np.array(mix.axis_gains_mm(t)), motion.motor_step_mm)
    tolerance = max(task.tolerance_mm, float(gains[0]))
    limit = max(task.tolerance_mm if task.limit_mm is None else task.limit_mm, tolerance)
    step = feel_step_s(gains[:, None], gains[None, :], motion, hand)
    first = (task.distance_mm / gains + 1) / 2 * feel_click_s(gains, motion, hand)
    first = np.where(gains <= limit * (1 + 1e-9), first, np.inf)
    ends = gains <= tolerance * (1 + 1e-9)
    finish, total = np.full(ladders.shape, np.inf), np.full(len(ladders), np.inf)
    for i in range(ladders.shape[1]):
        at = ladders[:, i]
        for j in range(i):
            finish[:, i] = np.minimum(finish[:, i], step[at, ladders[:, j]] + finish[:, j])
        finish[:, i] = np.where(ends[at], 0.0, finish[:, i])
        total = np.minimum(total, first[at] + finish[:, i])
    return (total + hand.start_s).astype(np.float32)
