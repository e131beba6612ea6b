"""Bench readings of machines that something is wrong with, simulated click by click."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
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
MORE_CAUSES = ("miscount", "one rung", "slipping coupling", "eccentric")
UNKNOWN = ("odd wave", "warming", "random readings", "rows swapped")
"""What `seeded_truth` can make wrong with a simulated machine; the last are of causes that no diagnosis lists."""


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is wrong with a simulated machine; everything in order by default.

    `counts`: counts the knob makes as a share of the file's. `mechanics`: motion as a share of the file's
    (microsteps, teeth). `unit`: distance asked for as a share of the one meant. `slack_mm`: the true slack,
    None for the file's. `remainder`: "carry", "toward zero" or "down". `lost_steps` and `slips`: chance per
    leg that the motor loses 4, 8 or 12 full steps, or that something slips by about 0.1 mm.

    `miscount`: which turns have `clicks` more than they should ("first" of a rung, after each "reversal", "each" but single clicks).
    `rung`, `times`: that position's distance is so many times the right one. `coupling_mm`: what a coupling slips, by half more or
    less, after each "reversal" or as each run upward begins ("load"), `coupling` says which. `wave_mm`: the height of a wave once
    in `period_mm`. of the axis, or, `eccentric`, of its motor. `warming_mm`: the first reading's drift, less and less. `random`:
    readings that have nothing to do with the axis. `swapped`: that position's readings stand in the next one's rows, and back.
    """

    counts: Fraction = Fraction(1)
    mechanics: Fraction = Fraction(1)
    unit: Fraction = Fraction(1)
    slack_mm: float | None = None
    remainder: str = "carry"
    lost_steps: float = 0.0
    slips: float = 0.0
    miscount: str = ""
    clicks: int = 0
    rung: int = 0
    times: Fraction = Fraction(1)
    coupling: str = ""
    coupling_mm: float = 0.0
    wave_mm: float = 0.0
    period_mm: float = 1.0
    warming_mm: float = 0.0
    eccentric: bool = False
    random: bool = False
    swapped: int = 0


class _Drive:
    """A motor that counts whole steps, and the axis behind its slack."""

    def __init__(self, axis: Axis, truth: Truth, gain_mm: Fraction, counts_per_detent: int) -> None:
        self.axis, self.truth, self.per_detent = axis, truth, counts_per_detent
        self.alpha = gain_mm * truth.unit * axis.steps_per_mm
        self.counts, self.detents, self.steps = Fraction(0), 0, 0
        self.rest = Fraction(0)
        self.slack = axis.slack_mm if truth.slack_mm is None else truth.slack_mm
        self.motor_mm, self.lost, self.slip = 0.0, 0.0, 0.0
        self.at_mm = self.slack if truth.mechanics < 0 else 0.0  # taken up before the dial is set to zero
        self.zero_mm = self.at_mm

    def click(self, way: int) -> None:
        """One click of the knob: counts, whole detents as the firmware sees them, steps, and the axis."""
        self.counts += way * self.per_detent * self.truth.counts
        seen = math.floor(self.counts / self.per_detent)
        for _ in range(abs(seen - self.detents)):
            self._move(1 if seen > self.detents else -1)
        self.detents = seen
        motor = self.motor_mm = self.steps * float(self.axis.step_mm) * float(self.truth.mechanics) + self.lost
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
    machine: Machine, axis: Axis, ladder: Ladder, truth: Truth, *, seed: int, rounds: int = ROUNDS, sweep: bool = False
) -> list[dict[str, Any]]:
    """Simulated rows of the bench sheet for one axis (columns as in `jogtune.bench.readings`); labelled so.

    A reading beyond what its instrument spans is left empty, as a person would. With `sweep` one rung is also read click by
    click over a turn of screw or pulley, up and back.
    """
    random = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    expected = expected_readings(machine, axis, ladder)
    for row in expected:
        rows += _rung_rows(machine, axis, row, truth, random, [row.detents, -row.detents] * rounds)
    if truth.swapped:  # 0 and two readings a round on each rung
        first, second = (slice((2 * rounds + 1) * n, (2 * rounds + 1) * (n + 1)) for n in (truth.swapped - 1, truth.swapped))
        for one, other in zip(rows[first], rows[second], strict=True):
            one["reading"], other["reading"] = other["reading"], one["reading"]
    swept = sweep_of(axis, expected) if sweep else None
    if swept:
        rows += _rung_rows(machine, axis, swept, truth, random, [1] * swept.detents + [-1] * swept.detents)
    return rows


def turn_of(axis: Axis) -> float:
    """What the axis moves in a turn of its screw or pulley, or of a table's worm; 200 full steps where the file says none."""
    if axis.motor is None:
        return 200 * float(axis.full_step_mm or 0)
    return float(axis.motor.lead_mm / axis.motor.reduction)


def sweep_of(axis: Axis, expected: Sequence[Expected]) -> Expected | None:
    """The coarsest rung with four clicks a turn and more whose turn is within reach; None where there is none."""
    turn = turn_of(axis)
    fits = [row for row in expected if float(row.gain_mm) <= turn / 4 and turn <= 0.8 * axis.reach_mm and turn / float(row.gain_mm) <= 40]
    if not fits:
        return None
    clicks = min(math.ceil(turn / float(fits[-1].gain_mm)) + 2, math.floor(0.8 * axis.reach_mm / float(fits[-1].gain_mm)))
    far = next(row.instrument for row in expected if row.instrument.travel_mm >= clicks * float(fits[-1].gain_mm))
    return replace(fits[-1], detents=clicks, instrument=far)


def _rung_rows(
    machine: Machine, axis: Axis, row: Expected, truth: Truth, random: np.random.Generator, turned: Sequence[int]
) -> list[dict[str, Any]]:
    gain = row.gain_mm * (truth.times if row.position == truth.rung else 1)
    drive = _Drive(axis, truth, gain, machine.knob.counts_per_detent)
    phase = random.uniform(0, 2 * math.pi)
    along = random.uniform(0, 2 * math.pi) if truth.wave_mm else 0.0
    unit = machine.shown_unit(axis)
    head = {"axis": axis.name, "unit": unit, "gain": str(in_unit(row.gain_mm, unit)), "note": "simulated"}
    if abs(turned[0]) == 1 < row.detents:  # slowly, so the dial may stay on
        head["within"] = f"{row.instrument.within_mm / (25.4 if unit == 'in' else 1):.6f}"
    rows, warmth, before = [{**head, "detents": 0, "reading": "0"}], 0.0, 0
    for leg, clicks in enumerate(turned):
        way = 1 if clicks > 0 else -1
        reversal = before * way < 0
        if (truth.coupling == "reversal" and reversal) or (truth.coupling == "load" and way > 0 and before <= 0):
            drive.lost -= way * truth.coupling_mm * float(random.uniform(0.5, 1.5))
        wrong = {"": False, "first": leg == 0, "reversal": reversal, "each": abs(clicks) > 1}[truth.miscount]
        for _ in range(abs(clicks) + (truth.clicks if wrong else 0)):
            drive.click(way)
        before = way
        _jump(drive, axis, truth, way, random, 1.0 if abs(clicks) > 1 else 0.1)
        warmth += truth.warming_mm * 0.97**leg
        place = drive.motor_mm if truth.eccentric else drive.at_mm
        wave = truth.wave_mm * (math.sin(2 * math.pi * place / truth.period_mm + along) - math.sin(along))
        shown = _read(axis, row, drive.at_mm - drive.zero_mm + drive.slip + warmth + wave, phase, random)
        if truth.random:
            shown = float(random.uniform(-0.2, 1.2)) * abs(max(turned, key=abs)) * float(row.gain_mm)
        rows.append({**head, "detents": clicks, "reading": _text(shown, unit, row)})
    return rows


def _jump(drive: _Drive, axis: Axis, truth: Truth, way: int, random: np.random.Generator, share: float) -> None:
    full = float(axis.full_step_mm or 16 * axis.step_mm)
    if random.random() < truth.lost_steps * share:
        drive.lost -= way * 4 * full * int(random.integers(1, 4))
        drive.click(0)
    if random.random() < truth.slips * share:
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


def further_truth(cause: str, machine: Machine, axis: Axis, ladder: Ladder, *, seed: int) -> Truth:
    """A truth of one of `MORE_CAUSES` or `UNKNOWN`, four times the dial's error at least: less no dial shows."""
    random, rows = np.random.default_rng(seed), expected_readings(machine, axis, ladder)
    sweep = sweep_of(axis, rows) or rows[-1]
    dial = max((row.instrument.within_mm for row in rows if row.instrument.within_mm <= 0.01), default=0.01)
    share, turn = float(random.uniform(4, 10)), turn_of(axis)

    def pick(options: Sequence[Any]) -> Any:
        return options[int(random.integers(len(options)))]

    wrong = [
        (row.position, times) for row in rows for times in (Fraction(1, 10), Fraction(1, 5), Fraction(1, 2), Fraction(2), Fraction(5), Fraction(10))
        if abs(times - 1) * row.up_mm >= 4 * row.within_mm and times * row.up_mm <= row.instrument.travel_mm
    ]  # fmt: skip
    made = {
        "miscount": lambda: Truth(miscount=pick(("first", "reversal", "each")), clicks=pick((1, -1))),
        "one rung": lambda: Truth(**dict(zip(("rung", "times"), pick(wrong), strict=True))),
        "slipping coupling": lambda: Truth(coupling=pick(("reversal", "load")), coupling_mm=share * dial),
        "eccentric": lambda: Truth(wave_mm=min(share * sweep.instrument.within_mm, turn / 40), period_mm=turn, eccentric=True),
        "odd wave": lambda: Truth(wave_mm=share * sweep.instrument.within_mm, period_mm=turn * pick((0.57, 0.63, 0.69, 1.6, 1.75, 1.9))),
        "warming": lambda: Truth(warming_mm=share * dial / 4),
        "random readings": lambda: Truth(random=True),
        "rows swapped": lambda: Truth(swapped=pick(range(1, len(rows)))),
    }
    return made[cause]()
