"""The mix of tasks a ladder is chosen for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from ..files import Fault, InputFault
from ..hand.controls import KnobControl
from ..hand.motion import Estimate, Motion
from ..hand.person import Hand
from ..ladder.ladder import Ladder
from ..machine.model import Machine, Task
from .kernels import Mix


@dataclass(frozen=True, kw_only=True)
class Constraints:
    """What a person asks of a ladder. `keep` multipliers that must be on it, `rungs` exactly so many, `most_rungs` at most so
    many, `most_run_on_mm` no rung that runs on further on any axis at the steady turn rate (every click owed, the axis at its
    top speed where it can't follow), `top_speed_mm_s` per axis a lower top speed, as while people stand near."""

    keep: tuple[int, ...] = ()
    rungs: int | None = None
    most_rungs: int | None = None
    most_run_on_mm: float | None = None
    top_speed_mm_s: Mapping[str, float] = field(default_factory=dict, hash=False)


def derive_tasks(machine: Machine) -> tuple[Task, ...]:
    """A start mix for a machine whose file names no tasks: cross, go near, nudge, on every axis."""
    tasks = []
    for axis in machine.axes:
        finest, reach = max(float(axis.finest_mm), float(axis.step_mm)), axis.reach_mm
        wide = min(max(reach / 250, 4 * finest), reach / 4)
        some = min(max(reach / 60, 30 * finest), reach / 2)
        tasks += [
            (f"cross {axis.name}", axis.name, 0.6 * reach, wide, 1.0),
            (f"go near on {axis.name}", axis.name, some, max(some / 80, 3 * finest), 2.0),
            (f"nudge {axis.name}", axis.name, min(15 * finest, reach / 2), 2 * finest, 2.0),
        ]
    return tuple(
        Task(name=name, axis=axis, distance_mm=far, tolerance_mm=tolerance, weight=weight, cue="eye")
        for name, axis, far, tolerance, weight in tasks
    )


def own_tasks(machine: Machine) -> tuple[Task, ...]:
    """The tasks of a machine's file that use an axis it (still) has."""
    names = {axis.name for axis in machine.axes}
    return tuple(task for task in machine.tasks if task.axis in names)


def _check_tasks(machine: Machine, tasks: Sequence[Task]) -> None:
    names = [axis.name for axis in machine.axes]
    faults = [
        Fault(f"task {task.name}: axis", task.axis, f"is no axis of {machine.name}", f"use one of {', '.join(names)}")
        for task in tasks if task.axis not in names
    ]  # fmt: skip
    if faults or not tasks:
        raise InputFault("tasks", faults or [Fault(rule="no task is given", cure="name at least one")])


def make_mix(
    machine: Machine, gains_mm: Iterable[Fraction], *, tasks: Sequence[Task] | None = None, hand: Hand | None = None,
    constraints: Constraints | None = None,
) -> Mix:  # fmt: skip
    """The mix that ladders of these gains are scored by on a machine."""
    chosen = tuple(tasks) if tasks is not None else own_tasks(machine) or derive_tasks(machine)
    _check_tasks(machine, chosen)
    tops = (constraints or Constraints()).top_speed_mm_s
    axes = [machine.axis(task.axis) for task in chosen]
    return Mix(
        gains_mm=tuple(float(gain) for gain in sorted(gains_mm)),
        tasks=chosen,
        motions=tuple(Motion.from_machine(machine, axis.name, tops.get(axis.name)) for axis in axes),
        hand=hand or Hand.from_machine(machine),
        scales=tuple(float(machine.axis_gain(axis, Fraction(1))) for axis in axes),
    )


def estimate_task(mix: Mix, ladder: Ladder, task: int) -> Estimate:
    control = KnobControl(gains_mm=tuple(float(gain) * mix.scale(task) for gain in ladder.gains_mm))
    return control.estimate(mix.tasks[task], mix.motions[task], mix.hand)
