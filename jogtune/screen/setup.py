"""A sitting: its page, its log."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..axis.follow import Habit
from ..choose.cover import derive_ladder
from ..files import Fault, InputFault
from ..hand.controls import Stick
from ..hand.person import Hand
from ..ladder.ladder import Ladder, as_ladder
from ..machine.file import as_machine
from ..machine.model import Axis, Machine
from ..signs import bare
from ..units import UNIT_FACTORS, say_distance, say_number
from .goals import Goal, _plan_goals, start_of

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = {  # of a row that a page sends: at least, at most
    "number": (0, 1e9), "time_s": (0, 1e9), "detents": (-1e9, 1e9), "rung": (1, 99), "gain_mm": (0, 1e6),
    "position_mm": (-1e12, 1e12), "goal_mm": (0, 1e9), "tolerance_mm": (0, 1e9), "ladder": (0, 1), "task": (-1, 999),
    "marker": (0, 8),
}  # fmt: skip
MARKERS = (
    "", "goal shown", "goal reached", "goal skipped", "limits off", "limits on", "practice shown", "practice reached",
    "practice skipped",
)  # fmt: skip
CONTROLS = ("knob", "stick", "buttons")
ON_SCREEN = "mouse wheel, trackpad, keys or touch; results don't carry over to a real knob"
_PERSON = "person.csv"  # laid into a person's folder where a class is handed out: person, number


@dataclass(frozen=True, kw_only=True)
class Sitting:
    """Machine, axis, ladders, goals and person of one sitting. `number` of the person (from 1) balances over a class which ladder
    is shown as A where `blind`, and which comes first."""

    machine: Machine
    axis: Axis
    ladders: tuple[Ladder, ...]
    goals: tuple[Goal, ...]
    controls: tuple[str, ...]
    habit: Habit
    person: str
    number: int
    blind: bool
    dwell_s: float

    @property
    def swapped(self) -> bool:
        """Whether the second ladder is the one shown as A."""
        return self.blind and len(self.ladders) == 2 and self.number % 2 == 0

    @property
    def gains(self) -> list[list[Fraction]]:
        """Distances per click of each ladder on the axis [mm or degrees]; blind, the shorter has its coarsest again until the two
        have as many positions."""
        gains = [list(dict.fromkeys(ladder.on(self.axis))) for ladder in self.ladders]
        most = max(map(len, gains)) if self.blind else 0
        return [one + [max(one)] * (most - len(one)) for one in gains]

    def setup(self) -> dict[str, Any]:
        """What the page has to know, for JSON."""
        machine, axis, link, hand = self.machine, self.axis, self.machine.link, Hand.from_machine(self.machine)
        unit, grasp = machine.shown_unit(axis), hand.grasp_detents * 360 / machine.knob.detents_per_turn
        steps = machine.buttons.steps_mm if machine.buttons else ()
        ladder = Ladder.from_gains(steps, show_in=machine.show_in) if steps else self.ladders[0]
        pressed = list(dict.fromkeys(ladder.on(axis)))
        return {
            "limits": {
                "top": axis.top_speed_mm_s, "ramp": axis.ramp_mm_s2, "interval": link.report_interval_s,
                "delay": link.delay_s, "habit": self.habit.too_fast, "limit": self.habit.limit_mm, "move": self.habit.speed,
                "from": 0, "to": axis.reach_mm,
            },
            "start": start_of(axis), "reach": axis.reach_mm, "dwell": self.dwell_s, "blind": self.blind, "swapped": self.swapped,
            "ladders": [[float(gain) for gain in gains] for gains in self.gains],
            "controls": list(self.controls),
            "buttons": [float(step) for step in pressed],
            "stick": _stick(machine, axis),
            "knob": {"detents": machine.knob.detents_per_turn, "grasp": min(grasp, 360.0)},
            "tasks": [
                {"goal": g.goal_mm, "tolerance": g.tolerance_mm, "ladder": g.ladder, "practice": g.practice, "kind": g.kind,
                 "control": g.control, "size": g.size, "marker": self.said_of(number)} for number, g in enumerate(self.goals)
            ],
            "t95": _t95(len(self.goals)),
            "unit": {"name": unit, "size": float(UNIT_FACTORS[unit])},
            "decimals": min(6, len(say_number(machine.readout.step_mm / UNIT_FACTORS[unit]).partition(".")[2])),
            "labels": self._labels(unit, pressed),
            "person": self.person, "axis": axis.name, "markers": list(MARKERS), "head": self.head(),
        }  # fmt: skip

    def _labels(self, unit: str, pressed: Sequence[Fraction]) -> dict[str, Any]:
        return {
            "title": f"{self.axis.name} of {self.machine.name}", "axis": f"axis {self.axis.name}",
            "rungs": [["" if self.blind else say_distance(g, unit) for g in gains] for gains in self.gains],
            "steps": [say_distance(step, unit) for step in pressed],
            "was": [" · ".join(say_distance(g, unit) for g in dict.fromkeys(ladder.on(self.axis))) for ladder in self.ladders],
        }  # fmt: skip

    def said_of(self, task: int) -> str:
        """Of which goal a marker speaks: its number among the counted or the practised, kind, ladder, and control but the knob."""
        goal = self.goals[task]
        number = task + 1 - (0 if goal.practice else sum(g.practice for g in self.goals))
        by = "" if goal.control == "knob" else f", by {goal.control}"
        return f": {number}, {goal.kind}, ladder {'AB'[goal.ladder]}{by}"

    def head(self, control: str = ON_SCREEN) -> dict[str, str]:
        """What stands at the head of a saved log."""
        ladders = {f"ladder {'AB'[i]}": ladder.say() for i, ladder in enumerate(self.ladders)}
        shown = {"shown as": "A was ladder B, B was ladder A"} if self.swapped else {}
        return {
            "simulated": "no", "axis": "simulated on the screen; the hand is real", "position": "commanded",
            "machine": self.machine.name, "hand control": control,
            "clock": "the browser's, seconds since the sitting began", "habit": f"{self.habit.too_fast}, {self.habit.speed}",
            **({"number": str(self.number)} if self.number else {}), **shown, **ladders,
        }  # fmt: skip

    def frame(self, rows: np.ndarray[Any, Any]) -> pd.DataFrame:
        """Rows of COLUMNS in the tidy schema."""
        import pandas as pd

        raw = pd.DataFrame(rows, columns=list(COLUMNS))
        said = [MARKERS[int(code)] + (self.said_of(int(task)) if code and 0 <= task < len(self.goals) else "")
                for code, task in zip(raw["marker"], raw["task"], strict=True)]  # fmt: skip
        return pd.DataFrame({
            "time_s": raw["time_s"], "axis": self.axis.name, "detents": raw["detents"].astype("int64"),
            "gain_mm": raw["gain_mm"], "rung": raw["rung"].astype("int64"), "position_mm": raw["position_mm"],
            "goal_mm": raw["goal_mm"], "tolerance_mm": raw["tolerance_mm"], "person": self.person, "marker": said,
        })  # fmt: skip


def plan_sitting(
    machine: str | Path | Machine, ladders: Sequence[str | Ladder], *, axis: str | None = None, seed: int = 1, person: str = "",
    number: int = 0, blind: bool = False, habit: Habit | None = None, goals: int = 6, practice: int = 2, dwell_s: float = 0.5,
    controls: Sequence[str] = ("knob",),
) -> Sitting:  # fmt: skip
    """A sitting: `goals` per ladder and control, after a few of `practice`. Without a `person` the one of whom `person.csv` in the
    working folder speaks. Raises `InputFault` with every fault of the arguments."""
    habit = habit or Habit()
    if not person:
        person, number = _person_here(Path(_PERSON)) or (person, number)
    _check(len(ladders), habit, goals, practice, dwell_s, tuple(controls), number)
    machine = as_machine(machine)
    the = machine.axis(axis) if axis else machine.axes[0]
    found = tuple(as_ladder(ladder, machine) for ladder in ladders or (derive_ladder(machine),))
    turn = (number - 1) // 2 if number else 0
    planned = _plan_goals(machine, the, found, each=goals, practice=practice, seed=seed, turn=turn, controls=controls)
    return Sitting(machine=machine, axis=the, ladders=found, goals=planned, controls=tuple(controls), habit=habit, person=person,
                   number=number, blind=blind, dwell_s=dwell_s)  # fmt: skip


def _person_here(path: Path) -> tuple[str, int] | None:
    """Person and number of a file that a class was handed; None where there is none, or it says something else."""
    lines = path.read_text(encoding="utf-8-sig", errors="replace").splitlines()[:2] if path.is_file() else []
    if lines[:1] != ["person,number"]:
        return None
    try:
        person, number = next(csv.reader(lines[1:]))
        return bare(person.strip()), int(number)
    except (StopIteration, ValueError, csv.Error):
        fault = Fault(rule="must hold a row with the person and the number", cure="remove it, or hand it out again")
        raise InputFault(str(path), [fault]) from None


def _check(ladders: int, habit: Habit, goals: int, practice: int, dwell_s: float, controls: tuple[str, ...], number: int) -> None:
    simple = habit.queue is None and habit.rung_change == "keep"
    known = bool(controls) and set(controls) <= set(CONTROLS) and len(set(controls)) == len(controls)
    rules = (
        ("ladders", ladders, ladders <= (2 if len(controls) == 1 else 1), "must be one or two; one where controls are compared"),
        ("habit", None, simple, "the on-screen axis has no queue and keeps what it owes; leave both at their default"),
        ("goals", goals, 0 <= goals <= 200, "must be 0 to 200"),
        ("practice", practice, 0 <= practice <= 200, "must be 0 to 200"),
        ("dwell_s", dwell_s, 0 < dwell_s <= 10, "must be above 0 and at most 10 seconds"),
        ("controls", ", ".join(map(str, controls)), known, f"must be some of {', '.join(CONTROLS)}, each once"),
        ("number", number, 0 <= number <= 10_000, "must be 1 to 10000, or 0 where there is no class"),
    )
    if faults := [Fault(name, value, rule) for name, value, fine, rule in rules if not fine]:
        raise InputFault("on-screen knob", faults)


def _stick(machine: Machine, axis: Axis) -> dict[str, float]:
    stick = Stick.from_machine(machine)
    return {"dead": stick.dead_band, "exponent": stick.exponent, "top": min(stick.top_mm_s, axis.top_speed_mm_s)}


def _t95(goals: int) -> list[float]:
    """Student's t, two-sided 95 %, for 1, 2, ... degrees of freedom."""
    from scipy.stats import t

    return np.round(np.asarray(t.ppf(0.975, np.arange(1, max(goals, 2)))), 4).tolist()  # type: ignore[no-any-return]
