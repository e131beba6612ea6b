"""The programme for many ladders (fast)."""

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

from ..hand.estimate import feel_click_s, feel_step_s
from ..hand.person import Hand
from .tasks import _NEVER, _Floats32, _goal_groups, _Ladders, _Mix, _MoveTables, _Octave

_CHUNK = 8_000
_MOST_LADDERS = 5_000_000
_TOO_LONG = np.float32(1e6)


class SearchStopped(RuntimeError):
    """The search was stopped before every ladder was scored."""


def _all_ladders(candidates: int, rungs: int, keep: Sequence[int] = ()) -> Iterator[_Ladders]:
    """Every choice of `rungs` out of so many candidates that holds all of `keep`, in chunks."""
    kept = sorted(set(keep))
    free = [i for i in range(candidates) if i not in kept]
    choices = combinations(free, rungs - len(kept)) if rungs >= len(kept) else iter(())
    while part := list(islice(choices, _CHUNK)):
        rows = np.array(part, dtype=np.int16).reshape(len(part), -1)
        both = np.hstack([rows, np.tile(np.array(kept, dtype=np.int16), (len(part), 1))])
        yield np.sort(both, axis=1)


def _count_ladders(candidates: int, rungs: int, kept: int = 0) -> int:
    return comb(candidates - kept, rungs - kept) if rungs >= kept else 0


def _score_parts(
    mix: _Mix, chunks: Sequence[_Ladders], executor: Executor | None = None, done: Callable[[int], None] = lambda rows: None
) -> list[_Floats32]:
    """Expected time of every task with every ladder of each chunk, (ladders, tasks) [s], here or by an executor. Infinite
    where the ladder is too coarse for the task. The same whichever executor does the work (a thread or process pool, a
    cluster's), to the last bit. `done` is told how many ladders each chunk held; when it raises, or on Ctrl-C, what has not
    begun is cancelled."""
    if executor is None:
        parts = []
        for chunk in chunks:
            parts.append(_score_ladders(mix, chunk))
            done(len(chunk))
        return parts
    futures: list[Future[_Floats32]] = [executor.submit(_score_ladders, mix, chunk) for chunk in chunks]
    try:
        for future in as_completed(futures):
            done(len(future.result()))
    except BaseException:
        for future in futures:
            future.cancel()
        raise
    return [future.result() for future in futures]


def _score_ladders(mix: _Mix, ladders: _Ladders) -> _Floats32:
    """Expected time of every task with each ladder, (ladders, tasks) [s]; one chunk, one thread. `ladders` (n, k) holds
    indices of `mix.gains_mm`, finest first."""
    out = np.full((len(ladders), len(mix.tasks)), np.inf, np.float32)
    if not len(ladders):
        return out
    columns = _Columns.of(ladders, len(mix.gains_mm))
    with _one_thread():
        for members, tables in _goal_groups(mix):
            out[:, members] = _score_goals(tables, columns, mix.hand)
    for t, task in enumerate(mix.tasks):
        if task.kind == "feel":
            out[:, t] = _score_feel(mix, t, ladders)
        out[_too_coarse(mix, t, ladders), t] = np.inf
    return out


def _one_thread() -> Any:
    """A context in which matrix products keep to one thread: these are small, and more threads only wait."""
    return _threads().limit(limits=1, user_api="blas")


@lru_cache(maxsize=1)
def _threads() -> Any:
    from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]

    return ThreadpoolController()


def _too_coarse(mix: _Mix, t: int, ladders: _Ladders) -> NDArray[np.bool_]:
    """Ladders whose finest click leaves some goals of a task out of reach."""
    if mix.tasks[t].kind == "feel":
        return np.zeros(len(ladders), dtype=bool)
    finest = np.maximum(np.array(mix.axis_gains_mm(t)), mix.motions[t].motor_step_mm)[ladders.min(axis=1)]
    return np.asarray(finest > 2 * mix.half_mm(t) * (1 + 1e-9))


@dataclass(frozen=True)
class _Columns:
    """Rungs of many ladders, sorted by candidate: `ladder` (n k,) is the ladder of each column, `starts` (candidates + 1,)
    where each candidate's columns begin, `slots` (k, n) the column of each rung of each ladder."""

    ladder: NDArray[np.intp]
    starts: NDArray[np.intp]
    slots: NDArray[np.intp]

    @classmethod
    def of(cls, ladders: _Ladders, candidates: int) -> _Columns:
        rows, rungs = ladders.shape
        order = np.argsort(ladders.ravel(), kind="stable")
        place = np.empty(rows * rungs, dtype=np.intp)
        place[order] = np.arange(rows * rungs)
        starts = np.searchsorted(ladders.ravel()[order], np.arange(candidates + 1))
        return cls(ladder=order // rungs, starts=starts, slots=np.ascontiguousarray(place.reshape(rows, rungs).T))

    @property
    def candidates(self) -> Iterator[tuple[int, slice]]:
        for c, (low, high) in enumerate(zip(self.starts[:-1], self.starts[1:], strict=True)):
            if high > low:
                yield c, slice(int(low), int(high))


def _score_goals(tables: _MoveTables, columns: _Columns, hand: Hand) -> _Floats32:
    rungs, rows = columns.slots.shape
    size = tables.per_octave * tables.dirs
    value = np.empty((rungs * rows, tables.costs.shape[1]), np.float32)
    act = np.empty((rungs * rows, size), np.float32)
    look, switch = np.float32(hand.look_s), np.float32(hand.switch_s)
    for o, row in enumerate(tables.octaves):
        low = o * size
        cost = tables.costs[:, low : low + size] + look
        coupled = _act_from_below(row, columns, value, act, cost)
        best = _act_within(coupled, columns, act, tables, switch) if coupled else _least(act, columns)
        switched = best.take(columns.ladder, axis=0)
        switched += switch
        np.minimum(act, switched, out=value[:, low : low + size])
    return _first_move(tables, columns, value, hand)


def _act_from_below(
    row: tuple[_Octave | None, ...], columns: _Columns, value: _Floats32, act: _Floats32, cost: _Floats32
) -> list[tuple[slice, _Floats32, _Floats32]]:
    """Times of acting, from what lies below the octave; the columns that also move within it, and how."""
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
            coupled.append((span, octave.within, octave.stay))
    return coupled


def _act_within(
    coupled: list[tuple[slice, _Floats32, _Floats32]], columns: _Columns, act: _Floats32, tables: _MoveTables, switch: np.float32
) -> _Floats32:
    """Bin by bin where a move can end in the octave it began in; gives the least time over the rungs."""
    works = [_Work(within, stay, columns.ladder[span], act[span].T.copy()) for span, within, stay in coupled]
    for span, _, _ in coupled:
        act[span] = _NEVER
    best = _least(act, columns).T.copy()
    for j in range(tables.per_octave):
        states = range(j * tables.dirs, (j + 1) * tables.dirs)
        for work in works:
            work.move(j, states, best)
        for work in works:
            work.settle(states, best, switch)
    for (span, _, _), work in zip(coupled, works, strict=True):
        act[span] = work.acting.T
    return best.T.copy()


class _Work:
    """The columns of one candidate while an octave is worked through bin by bin, states first."""

    def __init__(self, within: _Floats32, stay: _Floats32, ladder: NDArray[np.intp], acting: _Floats32) -> None:
        self.within, self.stay, self.ladder, self.acting, self.ahead = within, stay, ladder, acting, np.empty_like(acting)

    def move(self, j: int, states: range, best: _Floats32) -> None:
        at = slice(states.start, states.stop)
        here = self.acting[at] + self.within[at, : at.start] @ self.ahead[: at.start]
        self.acting[at] = self.stay[j] @ here
        for s in states:
            best[s, self.ladder] = np.minimum(best[s].take(self.ladder), self.acting[s])

    def settle(self, states: range, best: _Floats32, switch_s: np.float32) -> None:
        for s in states:
            np.minimum(self.acting[s], best[s].take(self.ladder) + switch_s, out=self.ahead[s])


def _least(act: _Floats32, columns: _Columns) -> _Floats32:
    best: _Floats32 = act.take(columns.slots[0], axis=0)
    for slot in columns.slots[1:]:
        np.minimum(best, act.take(slot, axis=0), out=best)
    return best


def _first_move(tables: _MoveTables, columns: _Columns, value: _Floats32, hand: Hand) -> _Floats32:
    act = np.empty((len(value), len(tables.begin)), np.float32)
    for c, span in columns.candidates:
        np.matmul(value[span], tables.begin[:, c].T, out=act[span])
        act[span] += tables.begin_cost[:, c]
    best = _least(act, columns)
    best += np.float32(hand.start_s + hand.look_s)
    best[best > _TOO_LONG] = np.inf
    return best


def _score_feel(mix: _Mix, t: int, ladders: _Ladders) -> _Floats32:
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
