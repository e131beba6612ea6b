"""Many ladders scored at once: the programme of `chain` for thousands of ladders side by side.

What is worked out is the same as in `jogtune.design.controls`, in float32 and in batches: all
columns (a rung of one ladder) that share a candidate stand together, and an octave of bins at a time
is one matrix product per candidate.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, islice
from math import comb
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..machine import Task
from . import chain
from .controls import Action, allowed_bins, feel_click_s, feel_step_s, knob_actions, times_s
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
    times the scale, which is 1 but for a rotary axis of a machine read in inches.

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

    def axis_gains_mm(self, task: int) -> tuple[float, ...]:
        """The candidates as clicks of the axis of a task [mm, or degrees on a rotary axis]."""
        scale = self.scales[task] if self.scales else 1.0
        return tuple(gain * scale for gain in self.gains_mm)

    @property
    def weights(self) -> Floats:
        """Share of each task, summing to 1; nothing for one that no candidate can do at all."""
        weights = np.array([task.weight * self.doable(t) for t, task in enumerate(self.tasks)])
        return np.asarray(weights / max(weights.sum(), 1e-300))

    def doable(self, task: int) -> bool:
        """Whether some candidate reaches at least some goals of a task."""
        the, motion = self.tasks[task], self.motions[task]
        if the.kind == "goal":
            return the.half_mm(motion.readout_step_mm) > 0
        bound = min(the.tolerance_mm, the.limit_mm or the.tolerance_mm)
        return max(self.axis_gains_mm(task)[0], motion.motor_step_mm) <= bound * (1 + 1e-9)

    def mean_s(self, times_s: Floats32) -> Floats:
        """Mean time over the mix from times (n, tasks), (n,) [s]."""
        weights = self.weights
        return np.asarray(times_s[:, weights > 0].astype(float) @ weights[weights > 0])

    def half_mm(self, task: int) -> float:
        """Half the tolerance of a task; where no candidate is fine enough, half the finest click."""
        motion = self.motions[task]
        finest = max(self.axis_gains_mm(task)[0], motion.motor_step_mm) / 2
        return max(self.tasks[task].half_mm(motion.readout_step_mm), finest)


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

        parts = _run_here(mix, chunks, done) if executor is None else _run_there(mix, chunks, executor, done)
    return np.concatenate(parts) if parts else np.empty((0, len(mix.tasks)), np.float32)


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
    with _threads().limit(limits=1, user_api="blas"):
        for members, tables in _goal_groups(mix):
            out[:, members] = _score_goals(tables, columns)
    for t, task in enumerate(mix.tasks):
        if task.kind == "feel":
            out[:, t] = _score_feel(mix, t, ladders)
        out[too_coarse(mix, t, ladders), t] = np.inf
    return out


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

    `below` (used, S) carries values of lower states here, `first` where they begin being used;
    `within` (S, S) is None where no move ends in the octave it began in; `cost` (S,), `stay`
    (bins, dirs, dirs). None of it where the click is too long for the whole octave.
    """

    below: Floats32
    cost: Floats32
    within: Floats32 | None
    stay: Floats32


@dataclass(frozen=True)
class _Tables:
    """All of one (tolerance, axis): per octave and candidate, and how each task begins."""

    dirs: int
    states: int
    octaves: tuple[tuple[_Octave | None, ...], ...]
    begin: Floats32
    begin_cost: Floats32
    start_s: float
    switch_s: np.float32


@lru_cache(maxsize=8)
def _goal_groups(mix: Mix) -> tuple[tuple[list[int], _Tables], ...]:
    """Tasks that share tolerance and axis share a pass."""
    groups: dict[object, list[int]] = {}
    for t, task in enumerate(mix.tasks):
        if task.kind == "goal":
            groups.setdefault((mix.half_mm(t), mix.motions[t], mix.axis_gains_mm(t)), []).append(t)
    return tuple((members, _make_tables(mix, members)) for members in groups.values())


def _make_tables(mix: Mix, members: list[int]) -> _Tables:
    half, motion = mix.half_mm(members[0]), mix.motions[members[0]]
    farthest = max(float(goals_mm(mix.tasks[t]).max()) for t in members)
    grid = chain.Grid.reaching(half, farthest)
    actions = knob_actions(mix.axis_gains_mm(members[0]), motion, mix.hand)
    cost = times_s(actions, grid.points_mm)[0].mean(axis=-1)
    dirs = cost.shape[1]
    rows = [
        _octaves(_packed_kernel(a.ends(half), grid.bins), cost[i], allowed_bins(a.lattice_mm, grid))
        for i, a in enumerate(actions)
    ]
    begin = [_begin(actions, mix.tasks[t], grid, mix.hand.look_s) for t in members]
    return _Tables(
        dirs=dirs,
        states=grid.bins * dirs,
        octaves=tuple(zip(*rows, strict=True)),
        begin=np.array([b[0] for b in begin], np.float32),
        begin_cost=np.array([b[1] for b in begin], np.float32),
        start_s=mix.hand.start_s,
        switch_s=np.float32(mix.hand.switch_s),
    )


@lru_cache(maxsize=512)
def _packed_kernel(ends: chain.Ends, bins: int) -> Floats32:
    """Kernel from state (bin, direction) to state, (bins dirs, bins dirs)."""
    mass = chain.click_kernel(ends, bins)[..., 1:]
    dirs = mass.shape[0]
    return mass.transpose(1, 0, 3, 2).reshape(bins * dirs, bins * dirs).astype(np.float32)


def _octaves(kernel: Floats32, cost: Floats, allowed: NDArray[np.bool_]) -> list[_Octave | None]:
    dirs = cost.shape[0]
    flat = np.where(allowed, cost, _NEVER).T.ravel().astype(np.float32)
    size = chain.PER_OCTAVE * dirs
    return [
        _octave(kernel[low : low + size], low, flat[low : low + size], dirs)
        if allowed[low // dirs : (low + size) // dirs].any()
        else None
        for low in range(0, len(kernel), size)
    ]


def _octave(rows: Floats32, low: int, cost: Floats32, dirs: int) -> _Octave:
    size = len(rows)
    ok = cost < _NEVER
    rows = np.where(ok[:, None], rows, 0)
    reached = np.flatnonzero(rows[:, :low].any(axis=0))
    used = int(reached[-1]) + 1 if len(reached) else 0
    within = rows[:, low : low + size]
    blocks = within.reshape(size // dirs, dirs, size // dirs, dirs)
    same = np.einsum("jdje->jde", blocks).astype(float)
    return _Octave(
        below=np.ascontiguousarray(rows[:, :used].T),
        cost=cost,
        within=within.copy() if within.any() else None,
        stay=np.linalg.inv(np.eye(dirs) - same).astype(np.float32),
    )


def _begin(actions: Sequence[Action], task: Task, grid: chain.Grid, look_s: float) -> tuple[Floats32, Floats32]:
    """Where the first move of a task leaves each candidate (C, states), and its time (C,)."""
    goals = goals_mm(task)
    goals = goals[goals > grid.half_mm]
    dirs = 2 if actions[0].motion.slack_mm else 1
    if not len(goals):
        nowhere = np.zeros((len(actions), grid.bins * dirs), np.float32)
        return nowhere, np.full(len(actions), look_s, np.float32)
    edges = chain.grid_edges(grid.bins)
    masses = [a.ends(grid.half_mm).masses(goals / grid.half_mm, edges)[..., 1:].mean(axis=(0, 1)) for a in actions]
    costs = times_s(actions, goals)[0].mean(axis=(1, 2))
    near = np.array([action.lattice_mm / 2 > goals.min() * (1 + 1e-9) for action in actions])
    states = np.array([mass.T.ravel() for mass in masses], np.float32)
    return states, np.where(near, _NEVER, costs).astype(np.float32)


def _score_goals(tables: _Tables, columns: _Columns) -> Floats32:
    """Expected time of each task of a group, (ladders, tasks)."""
    rungs, rows = columns.slots.shape
    size = chain.PER_OCTAVE * tables.dirs
    value = np.empty((rungs * rows, tables.states), np.float32)
    act = np.empty((rungs * rows, size), np.float32)
    for o, row in enumerate(tables.octaves):
        low = o * size
        coupled = _act_from_below(row, columns, value, act)
        best = _act_within(coupled, row, columns, act, tables) if coupled else _least(act, columns)
        switched = best.take(columns.ladder, axis=0)
        switched += tables.switch_s
        np.minimum(act, switched, out=value[:, low : low + size])
    return _first_move(tables, columns, value)


def _act_from_below(
    row: tuple[_Octave | None, ...], columns: _Columns, value: Floats32, act: Floats32
) -> list[tuple[int, slice]]:
    """Times of acting, from what lies below the octave; says which candidates also move within it."""
    coupled = []
    for c, span in columns.candidates:
        octave = row[c]
        if octave is None:
            act[span] = _NEVER
            continue
        part = act[span]
        if len(octave.below):
            np.matmul(value[span, : len(octave.below)], octave.below, out=part)
            part += octave.cost
        else:
            part[:] = octave.cost
        if octave.within is not None:
            coupled.append((c, span))
    return coupled


def _act_within(
    coupled: list[tuple[int, slice]],
    row: tuple[_Octave | None, ...],
    columns: _Columns,
    act: Floats32,
    tables: _Tables,
) -> Floats32:
    """Bin by bin where a move can end in the octave it began in; gives the least time over the rungs."""
    works = [_Work.of(row[c], columns.ladder[span], act[span]) for c, span in coupled]
    for _, span in coupled:
        act[span] = _NEVER
    best = _least(act, columns).T.copy()
    for j in range(chain.PER_OCTAVE):
        states = range(j * tables.dirs, (j + 1) * tables.dirs)
        for work in works:
            work.move(j, states, best)
        for work in works:
            work.settle(states, best, tables.switch_s)
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


def _first_move(tables: _Tables, columns: _Columns, value: Floats32) -> Floats32:
    rows = columns.slots.shape[1]
    act = np.empty((len(value), len(tables.begin)), np.float32)
    for c, span in columns.candidates:
        np.matmul(value[span], tables.begin[:, c].T, out=act[span])
        act[span] += tables.begin_cost[:, c]
    best = np.full((rows, len(tables.begin)), np.inf, np.float32)
    for slot in columns.slots:
        np.minimum(best, act.take(slot, axis=0), out=best)
    best += np.float32(tables.start_s)
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
