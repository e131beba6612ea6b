"""Seeded logs with their truth."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd

from jogtune.axis.pursuit import _pursue_once
from jogtune.files import write_whole
from jogtune.ladder.ladder import Ladder
from jogtune.machine.model import Axis, Machine

_HURRY = (0.6, 1.0)  # a hurried burst, as shares of the knob's fastest rate


@dataclass(frozen=True, kw_only=True)
class Person:
    """How a simulated person turns, looks and errs; times are medians, all invented.

    `turn_rate_detents_s` is the median rate of a burst (None: the knob's steady rate), `rate_sd` the spread of its logarithm;
    `spread` the standard deviation of a move's end as a share of its distance, for more than `counted` clicks; a share
    `hurried` of the bursts is turned at 0.6 to 1 of the knob's fastest rate; `start_s` from a new goal to the first click,
    `look_s` before each further move, `switch_s` on top where the rung changes."""

    turn_rate_detents_s: float | None = None
    rate_sd: float = 0.25
    hurried: float = 0.08
    click_jitter: float = 0.12
    spread: float = 0.08
    counted: int = 5
    start_s: float = 0.60
    look_s: float = 0.45
    switch_s: float = 0.80
    time_sd: float = 0.20
    least_clicks: int = 6


@dataclass(frozen=True, kw_only=True)
class TaskKind:
    """One kind of goal the session draws from: distances between two bounds [mm], with a tolerance."""

    name: str
    axis: str
    least_mm: float
    most_mm: float
    tolerance_mm: float


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What the generator of a simulated log knew.

    Per axis: `scale` (real mm per mm asked for), `slack_mm`; per (axis, gain_mm): `effective_gain_mm`; turn rates are those of
    bursts, as drawn. `tasks` has one row per goal: number, kind, axis, start_mm, goal_mm, tolerance_mm, start_s (goal shown),
    end_s (in tolerance and at rest), bursts."""

    seed: int
    person: Person
    delay_s: float
    noise_mm: float
    turn_rate_median: float
    turn_rate_p95: float
    spread: float
    scale: Mapping[str, float]
    slack_mm: Mapping[str, float]
    effective_gain_mm: Mapping[tuple[str, float], float]
    tasks: pd.DataFrame = field(repr=False)


class _Drive:
    """One axis: chases its target, moves the table through the slack, and is measured with noise."""

    def __init__(self, axis: Axis, *, scale: float, slack_mm: float, start_mm: float) -> None:
        self.axis, self.scale, self.slack = axis, scale, slack_mm
        self.target = self.x = start_mm
        self.v = 0.0
        self.table = start_mm

    def advance(self, dt_s: float) -> None:
        """Move on by a time; the table follows once the slack is taken up."""
        if self.v or self.x != self.target:
            self.x, self.v = _pursue_once(self.x, self.v, self.target, self.axis.top_speed_mm_s, self.axis.ramp_mm_s2, dt_s)
        half = self.slack / 2
        self.table = min(max(self.table, self.x - half), self.x + half)

    @property
    def resting(self) -> bool:
        return self.v == 0.0 and self.x == self.target


@dataclass(kw_only=True)
class Session:
    """The clock, the link and the person; gathers one row per report."""

    machine: Machine
    ladder: Ladder
    rng: np.random.Generator
    person: Person
    delay_s: float
    noise_mm: float
    scale: Mapping[str, float]
    slack: Mapping[str, float]

    def __post_init__(self) -> None:
        self.gains = [float(gain) for gain in self.ladder.gains_mm]
        self.rate = self.person.turn_rate_detents_s or self.machine.knob.steady_detents_s
        self.drives = {
            name: _Drive(self.machine.axis(name), scale=scale, slack_mm=self.slack[name], start_mm=self._home(name))
            for name, scale in self.scale.items()
        }
        self.rows: list[tuple[Any, ...]] = []
        self.count = 0
        self.wire: list[tuple[float, _Drive, float]] = []
        self.gain = self.gains[-1]
        self.goal = self.tolerance = math.nan
        self.marker = ""
        self.clicks: list[float] = []
        self.name = next(iter(self.scale))

    def _home(self, name: str) -> float:
        return float(round(self.machine.axis(name).reach_mm * self.rng.uniform(0.2, 0.4), 2))

    # ---- the clock: one report after another

    @property
    def now(self) -> float:
        return self.count * self.machine.link.report_interval_s

    def report(self, direction: int) -> None:
        """Let one report interval pass: send the clicks made in it, move the axes, write a row."""
        began, self.count = self.now, self.count + 1
        self._move_axes(began, self.now)
        made = sum(1 for click in self.clicks if click <= self.now)
        self.clicks = self.clicks[made:]
        drive = self.drives[self.name]
        self.wire.append((self.now + self.delay_s, drive, direction * made * self.gain))
        shown = round(drive.table * drive.scale + self.rng.normal(0, self.noise_mm), 3)
        row = (round(self.now, 4), self.name, direction * made, self.gain, shown)
        self.rows.append((*row, self.goal, self.tolerance, self.marker))
        self.marker = ""

    def _move_axes(self, began: float, until: float) -> None:
        at = began
        while self.wire and self.wire[0][0] <= until:
            arrives, drive, distance = self.wire.pop(0)
            self._advance(max(arrives - at, 0.0))
            at = max(arrives, at)
            drive.target += distance
        self._advance(until - at)

    def _advance(self, dt_s: float) -> None:
        for drive in self.drives.values():
            drive.advance(dt_s)

    def wait(self, until_s: float) -> None:
        """Reports without clicks until a time, and on until the axis rests."""
        while self.now < until_s or self.wire_busy or not self.drives[self.name].resting:
            self.report(0)

    @property
    def wire_busy(self) -> bool:
        return any(distance for _, _, distance in self.wire)

    # ---- the person

    def lasts(self, median_s: float) -> float:
        return float(median_s * math.exp(self.person.time_sd * self.rng.standard_normal()))

    def run_task(self, number: int, kind: TaskKind) -> dict[str, object]:
        """One goal from its showing until the axis rests within tolerance."""
        self.name = kind.axis
        start = self.rows[-1][4] if self.rows and self.rows[-1][1] == kind.axis else self._shown()
        self.goal, self.tolerance = self._new_goal(kind, start), kind.tolerance_mm
        self.marker, began, bursts = kind.name, self.now, 0
        left, pause = self.goal - start, self.lasts(self.person.start_s)
        self.gain = self._rung(abs(left))
        while abs(left) > kind.tolerance_mm / 2 and bursts < 40:
            self.turn(left, pause)
            bursts += 1
            left = self._seen()
            if abs(left) <= kind.tolerance_mm / 2:
                break
            rung = self._rung(abs(left))
            pause = self.lasts(self.person.look_s) + (rung != self.gain) * self.lasts(self.person.switch_s)
            pause = self._switch(rung, pause)
        ended = self.now
        self.wait(ended + self.lasts(0.8))
        return {
            "number": number, "kind": kind.name, "axis": kind.axis, "start_mm": start, "goal_mm": self.goal,
            "tolerance_mm": kind.tolerance_mm, "start_s": began, "end_s": ended, "bursts": bursts,
        }  # fmt: skip

    def _shown(self) -> float:
        self.report(0)
        return float(self.rows[-1][4])

    def _seen(self) -> float:
        step = float(self.machine.readout.step_mm)
        return float(self.goal - round(self.rows[-1][4] / step) * step)

    def _switch(self, rung: float, pause: float) -> float:
        """The selector is turned half-way through a pause; returns what is left of the pause."""
        if rung == self.gain:
            return pause
        until = self.now + pause
        self.wait(self.now + 0.5 * pause)
        self.gain = rung
        return max(until - self.now, 0.0)

    def _new_goal(self, kind: TaskKind, start: float) -> float:
        far = float(self.rng.uniform(kind.least_mm, kind.most_mm))
        reach = self.machine.axis(kind.axis).reach_mm
        ways = [way for way in (-1, 1) if 0.02 * reach <= start + way * far <= 0.98 * reach]
        return float(round(start + (self.rng.choice(ways) if ways else 1) * far, 2))

    def _rung(self, left: float) -> float:
        enough = [gain for gain in self.gains if left / gain >= self.person.least_clicks]
        return enough[-1] if enough else self.gains[0]

    def turn(self, left: float, pause: float) -> None:
        """One burst toward the goal, then wait until the axis rests and has been looked at."""
        direction = 1 if left > 0 else -1
        self.wait(self.now + pause)
        gaps = self._intervals(self._aimed(abs(left) / self.gain))
        first = self.now + self.rng.uniform(0, self.machine.link.report_interval_s)  # no hand waits for a report
        self.clicks = list(first + np.append(0.0, np.cumsum(gaps[1:])))
        while self.clicks:
            self.report(direction)
        self.wait(self.now)

    def _aimed(self, clicks: float) -> int:
        k = self.person.spread if clicks > self.person.counted else 0.0
        z = float(np.clip(self.rng.standard_normal(), -3, 3))
        return max(1, math.floor(clicks * (1 + k * z) + 0.5))

    def _intervals(self, clicks: int) -> np.ndarray[Any, np.dtype[np.float64]]:
        fastest = self.machine.knob.fastest_detents_s
        usual = self.rate * math.exp(self.person.rate_sd * self.rng.standard_normal())
        hurried = fastest * self.rng.uniform(*_HURRY)
        rate = hurried if self.rng.uniform() < self.person.hurried else min(usual, fastest)
        gaps = (1 + self.person.click_jitter * self.rng.standard_normal(clicks)) / rate
        return np.maximum(gaps, 0.5 / rate)

    def _rate_below(self, share: float) -> float:
        """The rate that a share of the bursts stays below, by bisection of the mixture's distribution."""
        fastest, low, high = self.machine.knob.fastest_detents_s, 0.0, self.machine.knob.fastest_detents_s
        usual = NormalDist(math.log(self.rate), self.person.rate_sd)
        for _ in range(60):
            rate = (low + high) / 2
            hurried = min(max((rate / fastest - _HURRY[0]) / (_HURRY[1] - _HURRY[0]), 0.0), 1.0)
            below = self.person.hurried * hurried + (1 - self.person.hurried) * usual.cdf(math.log(rate))
            low, high = (rate, high) if below < share else (low, rate)
        return high

    def truth(self, seed: int, tasks: pd.DataFrame) -> Truth:
        return Truth(
            seed=seed, person=self.person, delay_s=self.delay_s, noise_mm=self.noise_mm, spread=self.person.spread,
            turn_rate_median=self._rate_below(0.50), turn_rate_p95=self._rate_below(0.95), scale=dict(self.scale),
            slack_mm={name: self.slack[name] * self.scale[name] for name in self.scale},
            effective_gain_mm={(n, g): g * s for n, s in self.scale.items() for g in self.gains}, tasks=tasks,
        )  # fmt: skip


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

    The rows are tidy: time_s, axis, detents (since the last row), gain_mm, position_mm (measured at the axis, with noise),
    goal_mm, tolerance_mm, person, marker. `scale` is what the machine really moves per mm asked for (default: drawn within ±1.5
    %), `slack_mm` its backlash (default: drawn around the machine file's)."""
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
    machine: Machine, ladders: Sequence[Ladder], folder: Path, *, people: int = 6, tasks: int = 9, seed: int = 0, runs: int = 1
) -> Path:
    """Write a simulated class into a folder, a log per person and run, and its roster; returns the roster's path.

    Each person has a turn rate and a spread of their own; nobody turned a knob, and every log says so. Runs go round the ladders
    so many times; where more than once, every other person begins at the other end. Raises `InputFault` where a file is there
    already."""
    rng = np.random.default_rng(seed)
    lines = ["file,person,ladder"]
    for number in range(1, people + 1):
        rate = machine.knob.steady_detents_s * math.exp(0.2 * rng.standard_normal())
        person = Person(turn_rate_detents_s=rate, spread=float(rng.uniform(0.05, 0.12)))
        order = [*ladders] * runs if runs == 1 or number % 2 else [*reversed(ladders)] * runs
        for place, ladder in enumerate(order, start=1):
            own, file = int(rng.integers(2**31)), f"bench_{number}_{'ladder' if runs == 1 else 'run'}_{place}.csv"
            rows, _ = make_log(machine, ladder, seed=own, tasks=tasks, person=person, label=f"simulated bench {number}")
            write_whole(folder / file, log_text(rows, seed=own, machine=machine))
            lines.append(f"{file},simulated bench {number},{ladder.say().replace(',', '')}")
    return write_whole(folder / "roster.csv", "\n".join(lines) + "\n")


def sample_text(machine: Machine, ladder: Ladder) -> str:
    """The simulated log that ships with the project, byte for byte."""
    rows, _ = make_log(machine, ladder, seed=SAMPLE_SEED)
    return log_text(rows, seed=SAMPLE_SEED, machine=machine)
