"""Bench readings of machines that something is wrong with, simulated click by click."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from jogtune.bench.readings import ROUNDS, Expected, expected_readings
from jogtune.ladder.ladder import Ladder
from jogtune.machine.model import Axis, Machine
from jogtune.units import in_unit

CAUSES = (
    "in order", "counts", "microsteps", "unit", "teeth", "slack", "remainders lost", "lost steps", "loose clamp",
)  # fmt: skip
"""What `seeded_truth` can make wrong with a simulated machine."""


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is wrong with a simulated machine; everything in order by default.

    `counts`: counts the knob makes as a share of the file's. `mechanics`: motion as a share of the file's
    (microsteps, teeth). `unit`: distance asked for as a share of the one meant. `slack_mm`: the true slack,
    None for the file's. `remainder`: "carry", "toward zero" or "down". `lost_steps` and `slips`: chance per
    leg that the motor loses 4, 8 or 12 full steps, or that something slips by about 0.1 mm.
    """

    counts: Fraction = Fraction(1)
    mechanics: Fraction = Fraction(1)
    unit: Fraction = Fraction(1)
    slack_mm: float | None = None
    remainder: str = "carry"
    lost_steps: float = 0.0
    slips: float = 0.0


class _Drive:
    """A motor that counts whole steps, and the axis behind its slack."""

    def __init__(self, axis: Axis, truth: Truth, gain_mm: Fraction, counts_per_detent: int) -> None:
        self.axis, self.truth, self.per_detent = axis, truth, counts_per_detent
        self.alpha = gain_mm * truth.unit * axis.steps_per_mm
        self.counts, self.detents, self.steps = Fraction(0), 0, 0
        self.rest = Fraction(0)
        self.slack = axis.slack_mm if truth.slack_mm is None else truth.slack_mm
        self.at_mm, self.lost, self.slip = 0.0, 0.0, 0.0

    def click(self, way: int) -> None:
        """One click of the knob: counts, whole detents as the firmware sees them, steps, and the axis."""
        self.counts += way * self.per_detent * self.truth.counts
        seen = math.floor(self.counts / self.per_detent)
        for _ in range(abs(seen - self.detents)):
            self._move(1 if seen > self.detents else -1)
        self.detents = seen
        motor = self.steps * float(self.axis.step_mm) * float(self.truth.mechanics) + self.lost
        self.at_mm = min(max(self.at_mm, motor), motor + self.slack)

    def _move(self, way: int) -> None:
        wanted = way * self.alpha
        if self.truth.remainder == "carry":
            self.rest += wanted
            made = math.floor(self.rest + Fraction(1, 2))
            self.rest -= made
        else:
            made = math.floor(wanted) if self.truth.remainder == "down" else int(wanted)
        self.steps += made


def simulate_readings(
    machine: Machine, axis: Axis, ladder: Ladder, truth: Truth, *, seed: int, rounds: int = ROUNDS
) -> list[dict[str, Any]]:
    """Simulated rows of the bench sheet for one axis (columns as in `jogtune.bench.readings`); labelled so.

    A reading beyond what its instrument spans is left empty, as a person would.
    """
    random = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    for row in expected_readings(machine, axis, ladder):
        rows += _rung_rows(machine, axis, row, truth, random, rounds)
    return rows


def _rung_rows(
    machine: Machine, axis: Axis, row: Expected, truth: Truth, random: np.random.Generator, rounds: int
) -> list[dict[str, Any]]:
    drive = _Drive(axis, truth, row.gain_mm, machine.knob.counts_per_detent)
    phase = random.uniform(0, 2 * math.pi)
    unit = machine.shown_unit(axis)
    head = {"axis": axis.name, "unit": unit, "gain": str(in_unit(row.gain_mm, unit)), "note": "simulated"}
    rows = [{**head, "detents": 0, "reading": "0"}]
    for leg in range(2 * rounds):
        way = 1 if leg % 2 == 0 else -1
        for _ in range(row.detents):
            drive.click(way)
        _jump(drive, axis, truth, way, random)
        shown = _read(axis, row, drive.at_mm + drive.slip, phase, random)
        rows.append({**head, "detents": way * row.detents, "reading": _text(shown, unit, row)})
    return rows


def _jump(drive: _Drive, axis: Axis, truth: Truth, way: int, random: np.random.Generator) -> None:
    full = float(axis.full_step_mm or 16 * axis.step_mm)
    if random.random() < truth.lost_steps:
        drive.lost -= way * 4 * full * int(random.integers(1, 4))
        drive.click(0)
    if random.random() < truth.slips:
        drive.slip += float(random.normal(0, 0.1))


def _read(axis: Axis, row: Expected, at_mm: float, phase: float, random: np.random.Generator) -> float | None:
    """The axis' place through motor accuracy (once round in four full steps), reading error and graduation."""
    full = float(axis.full_step_mm or 0.0)
    motor = 0.05 * full * (math.sin(2 * math.pi * at_mm / (4 * full) + phase) - math.sin(phase)) if full else 0.0
    spread = row.instrument.within_mm / 2
    shown = at_mm + motor * 0.7 + float(np.clip(random.normal(0, spread / 1.5), -2 * spread, 2 * spread))
    return shown if abs(shown) <= row.instrument.travel_mm * 1.05 else None


def _text(shown_mm: float | None, unit: str, row: Expected) -> str:
    if shown_mm is None:
        return ""
    graduation = row.instrument.within_mm / 2
    rounded = round(shown_mm / graduation) * graduation
    return f"{rounded / (25.4 if unit == 'in' else 1):.5f}"


def seeded_truth(cause: str, axis: Axis, *, seed: int) -> Truth:
    """A truth of one of `CAUSES`, its figure drawn by the seed."""
    random = np.random.default_rng(seed)

    def pick(options: Sequence[Any]) -> Any:
        return options[int(random.integers(len(options)))]

    factors = (Fraction(1, 2), Fraction(1, 4), Fraction(2), Fraction(4))
    inch = Fraction(254, 10)
    teeth = (Fraction(4, 5), Fraction(5, 4), Fraction(9, 10), Fraction(10, 9), Fraction(3, 4), Fraction(5, 8))
    made = {
        "in order": lambda: Truth(),
        "counts": lambda: Truth(counts=pick(factors)),
        "microsteps": lambda: Truth(mechanics=pick(factors)),
        "unit": lambda: Truth(unit=pick((inch, 1 / inch))),
        "teeth": lambda: Truth(mechanics=pick(teeth)),
        "slack": lambda: Truth(slack_mm=axis.slack_mm + float(random.uniform(0.04, 0.3))),
        "remainders lost": lambda: Truth(remainder=pick(("toward zero", "down"))),
        "lost steps": lambda: Truth(lost_steps=float(random.uniform(0.2, 0.5))),
        "loose clamp": lambda: Truth(slips=float(random.uniform(0.4, 0.8))),
    }
    return made[cause]()
