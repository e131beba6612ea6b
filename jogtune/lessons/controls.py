"""Lesson 7."""

from collections.abc import Mapping

import pandas as pd

from ..hand.controls import Stick, controls_of
from ..hand.person import Hand, Motion
from ..ladder.ladder import Ladder
from ..machine.model import Machine, Task
from .exercise import _exercise, _not_yet, _open_exercise, _right, _Solved, _Verdict
from .exercise import weigh_guess as weigh_guess
from .results import _Recorder

_GOAL_MM, _TIGHT_MM = 8.3, 0.06
_CLOSE_SHARE = 0.05
_QUESTIONS = (
    Task(name="cross", axis="X", distance_mm=400, tolerance_mm=4, cue="eye"),
    Task(name="align", axis="X", distance_mm=5, tolerance_mm=0.05, cue="eye"),
    Task(name="centre", axis="X", distance_mm=2, tolerance_mm=1, cue="eye"),
)
"""The tasks that `check_fastest` asks about."""


def _times_s(machine: Machine, ladder: Ladder, task: Task) -> dict[str, float | None]:
    """Expected seconds of a task with each control of a machine; None where not every goal can be reached."""
    motion, hand = Motion.from_machine(machine, task.axis), Hand.from_machine(machine)
    controls = controls_of(machine, ladder, task.axis)
    found = {name: control.estimate(task, motion, hand) for name, control in controls.items()}
    return {name: estimate.mean_s if estimate.possible else None for name, estimate in found.items()}


def control_table(machine: Machine, ladder: Ladder) -> pd.DataFrame:
    """Expected seconds of a few tasks with each control; "can't" where not every goal can be reached."""
    rows = []
    for task in _QUESTIONS:
        times = _times_s(machine, ladder, task)
        what = f"{task.name}: {task.distance_mm:g} mm, within {task.tolerance_mm:g} mm"
        rows.append({"task": what, **{name: "can't" if time is None else f"{time:.1f}" for name, time in times.items()}})
    return pd.DataFrame(rows)


def times_by_hand(knob: _Recorder, machine: Machine, ladder: Ladder) -> pd.DataFrame:
    """Goals done with each control on the screen: how many were reached, the middle of their times, and of the model's for the
    same distances and tolerances [s]."""
    rows = knob.frame()
    told = rows["marker"].astype(str).str.extract(r"^goal (?P<what>shown|reached): (?P<number>\d+).*?(?:, by (?P<control>\w+))?$")
    goals = rows.join(told).dropna(subset="number").fillna({"control": "knob"})
    shown, reached = (goals[goals["what"] == what].groupby("number").last() for what in ("shown", "reached"))
    done = shown.loc[shown.index.intersection(reached.index)]
    done = done.assign(took_s=reached["time_s"] - done["time_s"], distance_mm=(done["goal_mm"] - done["position_mm"]).abs())
    model = [
        _times_s(machine, ladder, Task(name="goal", axis=axis, distance_mm=distance, tolerance_mm=tolerance, cue="eye"))[control]
        for axis, distance, tolerance, control in done[["axis", "distance_mm", "tolerance_mm", "control"]].itertuples(index=False)
    ]
    by = done.assign(model_s=pd.Series(model, index=done.index, dtype=float)).groupby("control")
    middles = by[["took_s", "model_s"]].median()
    table = pd.DataFrame({"goals reached": by.size(), "yours, middle (s)": middles["took_s"].round(1),
                          "model, middle (s)": middles["model_s"].round(1)})  # fmt: skip
    return table.rename_axis(None)


@_exercise("mm")
def check_tap(machine: Machine) -> _Solved:
    """The smallest move [mm] one can rely on with the lesson's stick on X."""
    motion, stick = Motion.from_machine(machine, "X"), Stick()
    slowest, top, tap = float(stick.speeds_mm_s(motion)[0]), motion.top_speed_mm_s, stick.tap_s
    return _Solved(
        stick.least_tap_mm(motion),
        (slowest, "that is the slowest speed in mm per second. How far does it get during the shortest tap?"),
        (top * tap, "that is a tap at top speed. The slowest one counts."),
        (top * stick.finest_share * tap, "the curve is missing: a tenth of the way gives a tenth of a tenth of the speed."),
        (tap, "that is the time of the tap. How far does the axis get in it?"),
        (1000 * slowest * tap, "milliseconds went in where seconds belong."),
        (slowest / tap, "speed times time is a distance; don't divide."),
        (top, "that is the top speed. The slowest one counts."),
        praise="a stick sets a speed, so its finest move is a time. Many goals of fine work lie between two such taps.",
        hint="The slowest speed one can hold, times the shortest tap one can make.",
    )


def _fewest_presses(tenths: int, size: int = 100) -> int:
    """The fewest presses that make a distance [0.1 mm] exactly, each step either way, with buttons up to a size."""
    below, rest = divmod(tenths, size)
    if size == 1:
        return below
    return min(below + _fewest_presses(rest, size // 10), below + 1 + _fewest_presses(size - rest, size // 10))


@_exercise("presses")
def check_presses() -> _Solved:
    """The fewest presses of buttons of 10, 1 and 0.1 mm that go exactly 8.3 mm."""
    fewest = _fewest_presses(round(10 * _GOAL_MM))
    return _Solved(
        (fewest, fewest),
        (round(10 * _GOAL_MM), "that works with the finest button alone. Larger steps save presses."),
        (sum(map(int, f"{_GOAL_MM:.1f}".replace(".", ""))), "that never turns back. Try going past the goal first."),
        (round(_GOAL_MM), "that is not exact: some tenths are left over."),
        (1, "one press of 10 mm goes too far. Now come back."),
        (fewest - 1, "so few don't end on the spot. Count again, tenths included."),
        (fewest + 1, "one of them can be saved."),
        (_GOAL_MM, "presses are whole numbers."),
        praise="going past and back saves presses. On a machine with slack the last move should still come from the usual side.",
        hint="Each button has a direction. Is there something to be gained by going past?",
    )


@_exercise()
def check_too_coarse(machine: Machine, ladder: Ladder) -> _Solved:
    """Which of the three can't reach every goal on X within 0.06 mm."""
    task = Task(name="tight", axis="X", distance_mm=5, tolerance_mm=_TIGHT_MM, cue="eye")
    cant = [name for name, time_s in _times_s(machine, ladder, task).items() if time_s is None]
    words = {
        "knob": "the knob's finest click is shorter than that.",
        "buttons": "the finest button is shorter than that.",
        "stick": "the stick's smallest tap is shorter than that.",
        "all": "look at the map again: something is fastest there, so something can.",
        "none": "compare each control's smallest move with the tolerance.",
        "knob and buttons": "both have a finest step shorter than that.",
    }
    expected = cant[0] if len(cant) == 1 else "none" if not cant else "all"
    return _Solved(
        expected,
        *((name, said) for name, said in words.items() if name != expected),
        praise="its smallest reliable move is longer than the tolerance: some goals lie between two. A slower setting helps.",
    )


@_open_exercise("a control in quotation marks for each task")
def check_fastest(answer: object, machine: Machine, ladder: Ladder) -> _Verdict:
    """Which control is fastest for each task, as {"cross": "...", ...}; what lies within 5 % counts as fastest."""
    if not isinstance(answer, Mapping):
        return _not_yet('keep the curly brackets: {"cross": "...", "align": "...", "centre": "..."}.')
    for task in _QUESTIONS:
        fault = _why_not_fastest(answer.get(task.name), task, _times_s(machine, ladder, task))
        if fault:
            return _not_yet(f"{task.name}: {fault}")
    return _right("no control is best for everything; that is why machines have several. Times from a model: try it on yours.")


def _why_not_fastest(said: object, task: Task, times: Mapping[str, float | None]) -> str:
    name = said.strip().lower() if isinstance(said, str) else ""
    if name not in times:
        return f"choose one of {', '.join(times)}, in quotation marks."
    chosen = times[name]
    if chosen is None:
        return f"with the {name} some goals can't be reached at all within {task.tolerance_mm:g} mm."
    slower = chosen / min(time for time in times.values() if time is not None) - 1
    if slower <= _CLOSE_SHARE:
        return ""
    return f"the {name} gets there, but another control is {100 * slower:.0f} % faster or more. Find the point on the map."
