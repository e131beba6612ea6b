"""Lesson 7: three controls."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from ..hand.controls import Stick, controls_of
from ..hand.motion import Estimate, Motion
from ..hand.person import Hand
from ..ladder.ladder import Ladder
from ..machine.model import Machine, Task
from .verdict import Verdict, check_choice, check_number, is_untouched, not_yet, nothing, right

if TYPE_CHECKING:
    import pandas as pd

GOAL_MM = 8.3
PRESS_MM = (10.0, 1.0, 0.1)
TIGHT_MM = 0.06
CLOSE_SHARE = 0.05
QUESTIONS = (
    Task(name="cross", axis="X", distance_mm=400, tolerance_mm=4, cue="eye"),
    Task(name="align", axis="X", distance_mm=5, tolerance_mm=0.05, cue="eye"),
    Task(name="centre", axis="X", distance_mm=2, tolerance_mm=1, cue="eye"),
)
"""The tasks that `check_fastest` asks about."""


def estimate_each(machine: Machine, ladder: Ladder, task: Task) -> dict[str, Estimate]:
    """What a task takes with each control of a machine."""
    motion, hand = Motion.from_machine(machine, task.axis), Hand.from_machine(machine)
    controls = controls_of(machine, ladder, task.axis)
    return {name: control.estimate(task, motion, hand) for name, control in controls.items()}


def control_table(machine: Machine, ladder: Ladder, tasks: Sequence[Task] = QUESTIONS) -> pd.DataFrame:
    """Expected seconds of a few tasks with each control; "can't" where not every goal can be reached."""
    import pandas as pd

    rows = []
    for task in tasks:
        found = estimate_each(machine, ladder, task)
        cells = {name: f"{e.mean_s:.1f}" if _can(e) else "can't" for name, e in found.items()}
        what = f"{task.name}: {task.distance_mm:g} mm, within {task.tolerance_mm:g} mm"
        rows.append({"task": what, **cells})
    return pd.DataFrame(rows)


def _can(found: Estimate) -> bool:
    return found.possible and found.mean_s is not None


def check_tap(answer: object, machine: Machine) -> Verdict:
    """The smallest move [mm] one can rely on with the lesson's stick on X."""
    motion, stick = Motion.from_machine(machine, "X"), Stick()
    slowest = float(stick.speeds_mm_s(motion)[0])
    top, tap = motion.top_speed_mm_s, stick.tap_s
    return check_number(
        answer, stick.least_tap_mm(motion), unit="mm",
        praise="a stick sets a speed, so its finest move is a time. Many goals of fine work lie between two such taps.",
        hint="The slowest speed one can hold, times the shortest tap one can make.",
        slips=[
            (slowest, "that is the slowest speed in mm per second. How far does it get during the shortest tap?"),
            (top * tap, "that is a tap at top speed. The slowest one counts."),
            (top * stick.finest_share * tap, "the curve is missing: a tenth of the way gives a tenth of a tenth "
                                             "of the speed."),
            (tap, "that is the time of the tap. How far does the axis get in it?"),
            (1000 * slowest * tap, "milliseconds went in where seconds belong."),
            (slowest / tap, "speed times time is a distance; don't divide."),
            (top, "that is the top speed. The slowest one counts."),
        ],
    )  # fmt: skip


def fewest_presses(distance_mm: float, steps_mm: Sequence[float] = PRESS_MM) -> int:
    """The fewest presses that make a distance exactly, each step either way; steps are tenfold of each other."""
    unit = min(steps_mm)
    left = round(distance_mm / unit)
    sizes = sorted((round(step / unit) for step in steps_mm), reverse=True)
    return _presses(left, tuple(sizes))


def _presses(left: int, sizes: tuple[int, ...]) -> int:
    left = abs(left)
    if len(sizes) == 1:
        return left // sizes[0]
    below, rest = divmod(left, sizes[0])
    return min(below + _presses(rest, sizes[1:]), below + 1 + _presses(sizes[0] - rest, sizes[1:]))


def check_presses(answer: object) -> Verdict:
    """The fewest presses of buttons of 10, 1 and 0.1 mm that go exactly 8.3 mm."""
    fewest = fewest_presses(GOAL_MM)
    one_way = sum(int(digit) for digit in f"{GOAL_MM:.1f}" if digit.isdigit())
    return check_number(
        answer, (fewest, fewest), unit="presses",
        praise="going past and back saves presses. On a machine with slack the last move should still come from "
               "the same side as always.",
        hint="Each button has a direction. Is there something to be gained by going past?",
        slips=[
            (round(GOAL_MM / PRESS_MM[-1]), "that works with the finest button alone. Larger steps save presses."),
            (one_way, "that never turns back. Try going past the goal first."),
            (float(round(GOAL_MM)), "that is not exact: some tenths are left over."),
            (1.0, "one press of 10 mm goes too far. Now come back."),
            (fewest - 1.0, "so few don't end on the spot. Count again, tenths included."),
            (fewest + 1.0, "one of them can be saved."),
            (GOAL_MM, "presses are whole numbers."),
        ],
    )  # fmt: skip


def check_too_coarse(answer: object, machine: Machine, ladder: Ladder) -> Verdict:
    """Which of the three can't reach every goal on X within 0.06 mm."""
    task = Task(name="tight", axis="X", distance_mm=5, tolerance_mm=TIGHT_MM, cue="eye")
    cant = [name for name, found in estimate_each(machine, ladder, task).items() if not _can(found)]
    words = {
        "knob": "the knob's finest click is shorter than that.",
        "buttons": "the finest button is shorter than that.",
        "stick": "the stick's smallest tap is shorter than that.",
        "all": "look at the map again: something is fastest there, so something can.",
        "none": "compare each control's smallest move with the tolerance.",
        "knob and buttons": "both have a finest step shorter than that.",
    }
    expected = cant[0] if len(cant) == 1 else "none" if not cant else "all"
    return check_choice(
        answer, expected, {name: said for name, said in words.items() if name != expected},
        praise="its smallest reliable move is longer than the tolerance, so some goals lie between two of them. "
        "A slower setting of its own would help.",
    )  # fmt: skip


def check_fastest(
    answer: object, machine: Machine, ladder: Ladder, tasks: Sequence[Task] = QUESTIONS
) -> Verdict:
    """Which control is fastest for each task, as {"cross": "...", ...}; what lies within 5 % counts as fastest."""
    if is_untouched(answer):
        return nothing("a control in quotation marks for each task")
    if not isinstance(answer, Mapping):
        return not_yet('keep the curly brackets: {"cross": "...", "align": "...", "centre": "..."}.')
    for task in tasks:
        fault = _why_not_fastest(answer.get(task.name), task, estimate_each(machine, ladder, task))
        if fault:
            return not_yet(f"{task.name}: {fault}")
    return right("no control is best for everything; that is why machines have more than one. Times from a "
                 "model: try it on yours.")


def _why_not_fastest(said: object, task: Task, found: Mapping[str, Estimate]) -> str:
    names = ", ".join(f'"{name}"' for name in found)
    if not isinstance(said, str) or said.strip().lower() not in found:
        return f"choose one of {names}."
    name = said.strip().lower()
    chosen = found[name].mean_s
    if not _can(found[name]) or chosen is None:
        return f"with the {name} some goals can't be reached at all within {task.tolerance_mm:g} mm."
    best = min(e.mean_s for e in found.values() if _can(e) and e.mean_s is not None)
    if chosen <= best * (1 + CLOSE_SHARE):
        return ""
    return (
        f"the {name} gets there, but another control is {100 * (chosen / best - 1):.0f} % faster or more. "
        "Find the point on the map."
    )
