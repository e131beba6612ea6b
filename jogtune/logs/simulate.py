"""Seeded logs that carry their own truth; a class of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from ..files import write_whole
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from .session import Person, Session, TaskKind, Truth

SAMPLE_SEED = 20
"""The seed of the simulated log that ships with the project."""


def task_kinds(machine: Machine, *, axes: Sequence[str] | None = None) -> tuple[TaskKind, ...]:
    """Cross, approach and touch off on each of the axes, sized by reach and finest wish."""
    straight = [axis for axis in machine.axes if not axis.rotary]
    usual = [straight[0], straight[-1]] if len(straight) > 1 else straight
    chosen = usual if axes is None else [machine.axis(name) for name in axes]
    return tuple(kind for axis in chosen for kind in _kinds_of(axis))


def _kinds_of(axis: Axis) -> list[TaskKind]:
    finest, reach = float(axis.finest_mm), axis.reach_mm
    sizes = (
        ("cross", reach * 0.25, reach * 0.60, 25 * finest),
        ("approach", reach * 0.02, reach * 0.10, 5 * finest),
        ("touch off", 20 * finest, 100 * finest, 3 * finest),
    )
    return [
        TaskKind(name=f"{name} {axis.name}", axis=axis.name, least_mm=low, most_mm=high, tolerance_mm=wide)
        for name, low, high, wide in sizes
    ]


def make_log(
    machine: Machine, ladder: Ladder, *, seed: int, tasks: int = 24, kinds: Sequence[TaskKind] | None = None,
    person: Person | None = None, label: str = "simulated person", delay_s: float | None = None,
    scale: Mapping[str, float] | None = None, slack_mm: Mapping[str, float] | None = None, noise_mm: float = 0.003,
) -> tuple[pd.DataFrame, Truth]:  # fmt: skip
    """A jog session with goals, one row per report, and the truth behind it.

    The rows are tidy: time_s, axis, detents (since the last row), gain_mm, position_mm (measured at the axis,
    with noise), goal_mm, tolerance_mm, person, marker. `scale` is what the machine really moves per mm asked for
    (default: drawn within ±1.5 %), `slack_mm` its backlash (default: drawn around the machine file's).
    """
    rng = np.random.default_rng(seed)
    chosen = tuple(kinds or task_kinds(machine))
    names = sorted({kind.axis for kind in chosen})
    session = Session(
        machine=machine, ladder=ladder, rng=rng, person=person or Person(), noise_mm=noise_mm,
        delay_s=machine.link.delay_s if delay_s is None else delay_s,
        scale={**{name: round(1 + rng.uniform(-0.015, 0.015), 5) for name in names}, **(scale or {})},
        slack={**{name: _drawn_slack(machine, name, rng) for name in names}, **(slack_mm or {})},
    )
    done = [session.run_task(number + 1, chosen[i]) for number, i in enumerate(_order(len(chosen), tasks, rng))]
    rows = pd.DataFrame(session.rows, columns=_COLUMNS)
    rows.insert(len(_COLUMNS) - 1, "person", label)
    return rows, session.truth(seed, pd.DataFrame(done))


_COLUMNS = ("time_s", "axis", "detents", "gain_mm", "position_mm", "goal_mm", "tolerance_mm", "marker")


def _drawn_slack(machine: Machine, name: str, rng: np.random.Generator) -> float:
    said = machine.axis(name).slack_mm or float(machine.axis(name).finest_mm)
    return float(round(said * rng.uniform(0.6, 1.6), 4))


def _order(kinds: int, tasks: int, rng: np.random.Generator) -> list[int]:
    rounds = [rng.permutation(kinds) for _ in range(math.ceil(tasks / kinds))]
    return [int(i) for i in np.concatenate(rounds)[:tasks]]


def log_text(rows: pd.DataFrame, *, seed: int, machine: Machine, position: str = "measured") -> str:
    """A simulated log as the text of a tidy CSV, which opens by saying that it is simulated."""
    notes = {"simulated": "yes", "seed": seed, "position": position, "machine": machine.name}
    head = "".join(f"# {key}: {value}\n" for key, value in notes.items())
    return head + rows.to_csv(index=False, lineterminator="\n")


def make_class(
    machine: Machine, ladders: Sequence[Ladder], folder: Path, *, people: int = 6, tasks: int = 9, seed: int = 0
) -> Path:
    """Write a simulated class into a folder, a log per person and ladder, and its roster; returns the roster's path.

    Each person has a turn rate and a spread of their own; nobody turned a knob, and every log says so. Raises
    `InputFault` where a file is there already.
    """
    rng = np.random.default_rng(seed)
    lines = ["file,person,ladder"]
    for number in range(1, people + 1):
        rate = machine.knob.steady_detents_s * math.exp(0.2 * rng.standard_normal())
        person = Person(turn_rate_detents_s=rate, spread=float(rng.uniform(0.05, 0.12)))
        for place, ladder in enumerate(ladders, start=1):
            own, file = int(rng.integers(2**31)), f"bench_{number}_ladder_{place}.csv"
            rows, _ = make_log(machine, ladder, seed=own, tasks=tasks, person=person, label=f"simulated bench {number}")
            write_whole(folder / file, log_text(rows, seed=own, machine=machine))
            lines.append(f"{file},simulated bench {number},{ladder.say().replace(',', '')}")
    return write_whole(folder / "roster.csv", "\n".join(lines) + "\n")


def sample_text(machine: Machine, ladder: Ladder) -> str:
    """The simulated log that ships with the project, byte for byte."""
    rows, _ = make_log(machine, ladder, seed=SAMPLE_SEED)
    return log_text(rows, seed=SAMPLE_SEED, machine=machine)
