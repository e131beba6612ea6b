"""The mix, and tables of its moves."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..files import Fault, InputFault
from ..hand import chain
from ..hand.actions import Action, knob_actions, times_s
from ..hand.controls import KnobControl
from ..hand.person import Estimate, Floats, Hand, Motion, goals_mm
from ..ladder.ladder import Ladder
from ..machine.model import Machine, Task

_Floats32 = NDArray[np.float32]
_Ladders = NDArray[np.int16]
_NEVER = np.float32(1e9)
_SENSIBLE_SHARE = 0.1  # of the coarsest rung: on one as coarse as that, any number of clicks is sensible; our choice


@dataclass(frozen=True, kw_only=True)
class _Mix:
    """What ladders are scored by: candidate clicks, finest first, a mix of tasks, the axes, the hand. `motions` stand in the order
    of `tasks`, and so does `own`, each task's candidates where columns differ. `per_octave`: bins of remaining distance.
    `sensible_clicks`: nobody turns more in one move on a rung a tenth of the coarsest or finer; ladders that would need it come
    out endless. Saves half the tables."""

    gains_mm: tuple[float, ...]
    tasks: tuple[Task, ...]
    motions: tuple[Motion, ...]
    hand: Hand
    own: tuple[tuple[float, ...], ...] = ()
    per_octave: int = chain.PER_OCTAVE
    sensible_clicks: float = np.inf

    def axis_gains_mm(self, task: int) -> tuple[float, ...]:
        """The candidates as clicks of the axis of a task [mm, or degrees on a rotary axis]."""
        return self.own[task] if self.own else self.gains_mm

    @property
    def weights(self) -> Floats:
        """Share of each task, summing to 1. What can't be met counts too: the time to come as near as can be."""
        weights = np.array([task.weight for task in self.tasks])
        return np.asarray(weights / weights.sum())

    def of_tasks(self, which: Iterable[int], **changes: Any) -> _Mix:
        """The same with some of the tasks, and perhaps another hand or grid."""
        at = [int(t) for t in which]
        tasks, motions = tuple(self.tasks[t] for t in at), tuple(self.motions[t] for t in at)
        own = tuple(self.own[t] for t in at) if self.own else ()
        return replace(self, tasks=tasks, motions=motions, own=own, **changes)

    def doable(self, task: int) -> bool:
        """Whether some candidate reaches at least some goals of a task."""
        the, motion = self.tasks[task], self.motions[task]
        if the.kind == "goal":
            return the.half_mm(motion.readout_step_mm) > 0
        bound = min(the.tolerance_mm, the.limit_mm or the.tolerance_mm)
        return max(self.axis_gains_mm(task)[0], motion.motor_step_mm) <= bound * (1 + 1e-9)

    def mean_s(self, times_s: _Floats32) -> Floats:
        return np.asarray(times_s.astype(float) @ self.weights)

    def half_mm(self, task: int) -> float:
        """Half the tolerance of a task; at least half the finest click, and half the readout's step where that is no finer
        than the tolerance."""
        motion = self.motions[task]
        half = self.tasks[task].half_mm(motion.readout_step_mm)
        finest = max(self.axis_gains_mm(task)[0], motion.motor_step_mm) / 2
        return max(half if half > 0 else motion.readout_step_mm / 2, finest)


@dataclass(frozen=True)
class _Octave:
    """One candidate in one octave of bins; states are (bin, direction), S of them. `below` (used, S) carries values of lower
    states here; `within` (S, S) is None where no move ends in the octave it began in; `allowed` (S,), `stay` (bins, dirs,
    dirs). None of it where the click is too long for the whole octave."""

    below: _Floats32
    allowed: NDArray[np.bool_]
    within: _Floats32 | None
    stay: _Floats32


@dataclass(frozen=True)
class _MoveTables:
    """All of one (tolerance, axis): per octave and candidate, the times (C, states), and how each task begins. Times are
    without the look before each move."""

    dirs: int
    per_octave: int
    octaves: tuple[tuple[_Octave | None, ...], ...]
    costs: _Floats32
    begin: _Floats32
    begin_cost: _Floats32


def _goal_groups(mix: _Mix) -> tuple[tuple[list[int], _MoveTables], ...]:
    """Tables don't depend on the figures that are simply added or compared: kept for hands that differ in these."""
    return _kept_groups(replace(mix, hand=replace(mix.hand, start_s=0.0, look_s=0.0, switch_s=0.0, feel_s=0.0)))


@lru_cache(maxsize=32)
def _kept_groups(mix: _Mix) -> tuple[tuple[list[int], _MoveTables], ...]:
    return tuple((members, _make_tables(mix, members)) for members in _goal_members(mix))


def _goal_members(mix: _Mix) -> list[list[int]]:
    """Tasks that share tolerance and axis share a pass."""
    groups: dict[object, list[int]] = {}
    for t, task in enumerate(mix.tasks):
        if task.kind == "goal":
            groups.setdefault((mix.half_mm(t), mix.motions[t], mix.axis_gains_mm(t)), []).append(t)
    return list(groups.values())


def _make_tables(mix: _Mix, members: list[int]) -> _MoveTables:
    half, motion = mix.half_mm(members[0]), mix.motions[members[0]]
    farthest = max(float(goals_mm(mix.tasks[t]).max()) for t in members)
    grid = chain.Grid.reaching(half, farthest, mix.per_octave)
    actions = knob_actions(mix.axis_gains_mm(members[0]), motion, mix.hand)
    cost = times_s(actions, grid.points_mm)[0].mean(axis=-1)
    until = _sensible_mm(mix, actions)
    bins = np.searchsorted(grid.edges_mm[:-1], until)
    rows = [_octaves(a.ends(half), grid.bins, int(b), grid.per_octave) for a, b in zip(actions, bins, strict=True)]
    begin = [_begin(actions, mix.tasks[t], grid, mix.hand.look_s, until) for t in members]
    return _MoveTables(
        dirs=cost.shape[1], per_octave=grid.per_octave, octaves=tuple(zip(*rows, strict=True)),
        costs=cost.transpose(0, 2, 1).reshape(len(actions), -1).astype(np.float32),
        begin=np.array([b[0] for b in begin], np.float32), begin_cost=np.array([b[1] for b in begin], np.float32),
    )  # fmt: skip


def _sensible_mm(mix: _Mix, actions: Sequence[Action]) -> Floats:
    """From which distance on it is not sensible to take each rung, (C,) [mm]."""
    lattice = np.array([action.lattice_mm for action in actions])
    return np.where(lattice >= _SENSIBLE_SHARE * lattice.max(), np.inf, mix.sensible_clicks * lattice)


def _packed_kernel(ends: chain.Ends, bins: int, used: int, per_octave: int) -> _Floats32:
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
    kernel = _packed_kernel(ends, bins, used, per_octave)
    near = chain.grid_edges(bins, per_octave)[:-1] < ends.nearest * (1 - 1e-9)
    allowed = np.repeat(~near & (np.arange(bins) < used), dirs)
    size = per_octave * dirs
    return [
        _octave(kernel[low : low + size], low, allowed[low : low + size], dirs) if allowed[low : low + size].any() else None
        for low in range(0, len(kernel), size)
    ]


def _octave(rows: _Floats32, low: int, allowed: NDArray[np.bool_], dirs: int) -> _Octave:
    size = len(rows)
    rows = np.where(allowed[:, None], rows, 0)
    reached = np.flatnonzero(rows[:, :low].any(axis=0))
    used = int(reached[-1]) + 1 if len(reached) else 0
    within = rows[:, low : low + size]
    blocks = within.reshape(size // dirs, dirs, size // dirs, dirs)
    same = np.einsum("jdje->jde", blocks).astype(float)
    return _Octave(
        below=np.ascontiguousarray(rows[:, :used].T), allowed=allowed, within=within.copy() if within.any() else None,
        stay=np.linalg.inv(np.eye(dirs) - same).astype(np.float32),
    )  # fmt: skip


def _begin(actions: Sequence[Action], task: Task, grid: chain.Grid, look_s: float, until_mm: Floats) -> tuple[_Floats32, _Floats32]:
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
    edges = chain.grid_edges(grid.bins, grid.per_octave)
    mass = ends.masses(_goals_beyond(task, grid) / grid.half_mm, edges)[..., 1:].mean(axis=(0, 1))
    return np.asarray(mass.T.ravel())


@dataclass(frozen=True, kw_only=True)
class _Asked:
    """What a person asks of a search, and who waits for it: see `suggest`. `keep` multipliers that must be on the ladder,
    `rungs` exactly so many, `most_rungs` at most so many, `most_run_on_mm` no rung that runs on further on any axis at the
    steady turn rate (every click owed, the axis at its top speed where it can't follow), `top_speed_mm_s` per axis a lower top
    speed, as while people stand near. `only`: these ladders, as multipliers, and no others. `beyond`: one rung more than the
    selector has is weighed too, to compare with."""

    keep: tuple[int, ...] = ()
    rungs: int | None = None
    most_rungs: int | None = None
    most_run_on_mm: float | None = None
    top_speed_mm_s: Mapping[str, float] = field(default_factory=dict, hash=False)
    only: tuple[tuple[int, ...], ...] = ()
    beyond: bool = True
    series: str = "plain"
    base: str | Fraction | None = None
    tasks: tuple[Task, ...] | None = None
    hand: Hand | None = None
    multipliers: tuple[int, ...] = ()
    executor: Executor | None = None
    progress: bool | Callable[[float], None] = False
    stop: Callable[[], bool] | None = None

    @property
    def of_another(self) -> _Asked:
        """What of it holds for a column that is not the reference."""
        return replace(self, base=None, keep=(), beyond=False)

    def tasks_on(self, machine: Machine) -> tuple[Task, ...] | None:
        """The tasks asked for that use an axis of a part of the machine; None where that is left to its file."""
        names = {axis.name for axis in machine.axes}
        return tuple(task for task in self.tasks or () if task.axis in names) or None


def _derive_tasks(machine: Machine) -> tuple[Task, ...]:
    """A start mix for a machine whose file names no tasks: cross, go near, nudge, on every axis."""
    tasks = []
    for axis in machine.axes:
        finest, reach = max(float(axis.finest_mm), float(axis.step_mm)), axis.reach_mm
        wide = min(max(reach / 250, 4 * finest), reach / 4)
        some = min(max(reach / 60, 30 * finest), reach / 2)
        mix = (("cross", 0.6 * reach, wide, 1.0), ("go near on", some, max(some / 80, 3 * finest), 2.0),
               ("nudge", min(15 * finest, reach / 2), 2 * finest, 2.0))  # fmt: skip
        tasks += [Task(name=f"{what} {axis.name}", axis=axis.name, distance_mm=far, tolerance_mm=near, weight=weight, cue="eye")
                  for what, far, near, weight in mix]  # fmt: skip
    return tuple(tasks)


def _own_tasks(machine: Machine) -> tuple[Task, ...]:
    """The tasks of a machine's file that use an axis it (still) has."""
    names = {axis.name for axis in machine.axes}
    return tuple(task for task in machine.tasks if task.axis in names)


def _mix_tasks(machine: Machine) -> tuple[Task, ...]:
    """The tasks of a machine's file, or a start mix."""
    return _own_tasks(machine) or _derive_tasks(machine)


def _check_tasks(machine: Machine, tasks: Sequence[Task]) -> None:
    names = [axis.name for axis in machine.axes]
    faults = [
        Fault(f"task {task.name}: axis", task.axis, f"is no axis of {machine.name}", f"use one of {', '.join(names)}")
        for task in tasks if task.axis not in names
    ]  # fmt: skip
    if faults or not tasks:
        raise InputFault("tasks", faults or [Fault(rule="no task is given", cure="name at least one")])


def make_mix(
    machine: Machine, gains_mm: Iterable[Fraction] | Ladder, *, tasks: Sequence[Task] | None = None, hand: Hand | None = None,
    top_speed_mm_s: Mapping[str, float] | None = None,
) -> _Mix:  # fmt: skip
    """The mix that ladders of these gains, or one ladder, are scored by on a machine."""
    chosen = tuple(tasks) if tasks is not None else _mix_tasks(machine)
    _check_tasks(machine, chosen)
    tops = top_speed_mm_s or {}
    axes = [machine.axis(task.axis) for task in chosen]
    offered = gains_mm if isinstance(gains_mm, Ladder) else Ladder.from_gains(gains_mm, show_in=machine.show_in)
    own = tuple(tuple(float(gain) for gain in dict.fromkeys(offered.on(axis))) for axis in axes)
    alike = tuple(float(gain) for gain in offered.gains_mm)
    return _Mix(
        gains_mm=alike, tasks=chosen, own=own if set(own) != {alike} else (),
        motions=tuple(Motion.from_machine(machine, axis.name, tops.get(axis.name)) for axis in axes),
        hand=hand or Hand.from_machine(machine),
    )  # fmt: skip


def estimate_task(mix: _Mix, gains_mm: Iterable[Fraction], task: int) -> Estimate:
    """What task number `task` of the mix takes with a knob whose clicks move its axis by these distances."""
    control = KnobControl(gains_mm=tuple(float(gain) for gain in dict.fromkeys(gains_mm)))
    return control.estimate(mix.tasks[task], mix.motions[task], mix.hand)
