"""Seeded machines of every kind, and the ladders people have from habit: what the choice is held against."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np

from jogtune.choose.cover import coarsest_wish
from jogtune.choose.score import _score_ladders
from jogtune.choose.tasks import make_mix
from jogtune.hand.person import Floats
from jogtune.ladder.ladder import Ladder
from jogtune.machine.model import Axis, Knob, Link, Machine, Task, _Firmware, _HandFigures, _Readout, _Selector
from jogtune.units import UNIT_FACTORS

STEPS = ("80", "100", "160", "400", "800", "1600/3", "2000/3", "1600", "200", "640", "3200", "53.3", "320")


def random_machine(seed: int) -> Machine:
    """A machine of one to four axes in mm, inches or degrees; finger knobs and cranks, 3 to 12 positions."""
    rng = np.random.default_rng(seed)
    show_in = str(rng.choice(["mm", "mm", "in", "deg"]))
    clicks = int(rng.choice([24, 24, 30, 50, 60, 100, 100, 200, 400]))
    crank = clicks >= 100
    steady = float(rng.uniform(0.5, 1.2) * clicks) if crank else float(rng.uniform(8, 20))
    knob = Knob(
        detents_per_turn=clicks, counts_per_detent=4, grip="crank" if crank else "fingers",
        steady_detents_s=steady, fastest_detents_s=3 * steady,
    )  # fmt: skip
    axes = tuple(_axis(rng, name, show_in) for name in "XYZA"[: rng.integers(1, 5)])
    if show_in != "deg":
        axes = (replace(axes[0], rotary=False), *axes[1:])
    machine = Machine(
        name=f"machine {seed}", show_in=show_in, knob=knob,
        selector=_Selector(positions=int(rng.integers(3, 13))),
        link=Link(report_interval_s=float(rng.choice([0.01, 0.02, 0.04, 0.05])), delay_s=0.005, silence_s=0.25),
        readout=_Readout(step_mm=Fraction(1, 1000) * UNIT_FACTORS[show_in]),
        firmware=_Firmware(remainder=str(rng.choice(["carry", "drop", "unknown"]))),
        axes=axes, hand=_HandFigures(),
    )  # fmt: skip
    return replace(machine, tasks=_tasks(rng, machine)) if rng.random() < 0.5 else machine


def _axis(rng: np.random.Generator, name: str, show_in: str) -> Axis:
    rotary = show_in == "deg" or (name == "A" and rng.random() < 0.7)
    steps = Fraction(str(rng.choice(STEPS)))
    top = 10 ** float(rng.uniform(0.8, 2.2))
    unit = UNIT_FACTORS["in"] if show_in == "in" and not rotary else Fraction(1)
    finest = Fraction(str(rng.choice(["0.01", "0.02", "0.05", "0.005", "0.025", "0.1"]))) / (20 if unit != 1 else 1)
    return Axis(
        name=name, steps_per_mm=steps, top_speed_mm_s=top, ramp_mm_s2=top * float(rng.uniform(2, 15)),
        reach_mm=top * float(rng.uniform(4, 12)), finest_mm=finest * unit, exact=rng.random() < 0.8, rotary=rotary,
        slack_mm=float(rng.choice([0.0, 0.01, 0.05])), calm_speed_mm_s=top / 3 if rng.random() < 0.7 else None,
    )  # fmt: skip


def _tasks(rng: np.random.Generator, machine: Machine) -> tuple[Task, ...]:
    tasks = []
    for axis in machine.axes:
        for number in range(int(rng.integers(1, 3))):
            tolerance = float(max(axis.finest_mm, axis.step_mm)) * 10 ** float(rng.uniform(0.35, 2))
            far = min(tolerance * 10 ** float(rng.uniform(0.7, 2.5)), 0.7 * axis.reach_mm)
            kind = {"kind": "feel", "limit_mm": 3 * tolerance} if rng.random() < 0.2 else {"cue": "eye"}
            tasks.append(
                Task(name=f"{axis.name} {number}", axis=axis.name, distance_mm=max(far, 2 * tolerance),
                     tolerance_mm=tolerance, weight=float(rng.integers(1, 4)), **kind)  # type: ignore[arg-type]
            )  # fmt: skip
    return tuple(tasks)


def habit_ladders(machine: Machine, finest_mm: Fraction) -> dict[str, Ladder]:
    """Decades, 1-2-5, 1-3, 1-5 and doubling from a finest rung on, cut or thinned to the selector's positions."""
    most, positions = coarsest_wish(machine) * (1 + 1e-9), machine.selector.positions
    found = {}
    for name, decade in {"1-10": (1,), "1-2-5": (1, 2, 5), "1-3": (1, 3), "1-5": (1, 5), "doubling": ()}.items():
        numbers = [n * 10**k for k in range(8) for n in decade] or [2**k for k in range(24)]
        gains = [n * finest_mm for n in numbers if n * finest_mm <= most] or [finest_mm]
        thinned = [gains[round(i)] for i in np.linspace(0, len(gains) - 1, min(positions, len(gains)))]
        for how, chosen in (("cut", gains[:positions]), ("thinned", sorted(set(thinned)))):
            found[f"{name} {how}"] = Ladder.from_gains(chosen, show_in=machine.show_in)
    return found


def time_s(machine: Machine, ladder: Ladder) -> float:
    """Mean time of the machine's tasks with a ladder [s]; endless where it leaves one undone."""
    mix = make_mix(machine, ladder)
    row = np.arange(len(ladder.gains_mm), dtype=np.int16)[None, :]
    total: Floats = mix.mean_s(_score_ladders(mix, row))
    return float(total[0])
