"""Lesson 8."""

from dataclasses import replace

import pandas as pd

from ..axis.outstanding import calm_speed_steps_s
from ..axis.row import by_axis, rows
from ..choose.suggest import judge, own_answer
from ..choose.why import rung_tasks
from ..ladder.ladder import Ladder
from ..machine.model import Machine
from ..units import say_number
from .exercise import _exercise, _not_yet, _open_exercise, _right, _Solved, _Verdict
from .exercise import weigh_guess as weigh_guess
from .ladder import _mean_time_s, _task_times, check_own_ladder, own_or
from .results import save_results as save_results

_STAND_INS = ("0.02, 0.2, 1, 5", "0.02, 0.1, 1, 5")
_NO_JOB = "none"


def two_ladders(mine: object, partners: object, machine: Machine) -> list[Ladder]:
    """One's own ladder and a partner's, to be tried side by side; plain ones stand in for those not typed yet."""
    return [_typed(*typed, machine) for typed in zip((mine, partners), _STAND_INS, strict=True)]


def _typed(answer: object, stand_in: str, machine: Machine) -> Ladder:
    """The ladder typed, or its stand-in where it can't be read or has more rungs than the selector has positions."""
    own = own_or(answer, stand_in, machine)
    return own if len(own.gains_mm) <= machine.selector.positions else Ladder.parse(stand_in)


@_exercise("mm")
def check_finest(machine: Machine) -> _Solved:
    """The longest that the finest click may be, so that each job can be done [mm]."""
    felt = min(task.tolerance_mm for task in machine.tasks if task.kind == "feel")
    seen = min(task.tolerance_mm for task in machine.tasks if task.kind != "feel")
    step, x = machine.readout.step_mm, machine.axis("X")
    return _Solved(
        felt,
        (float(seen), "so much the eye allows. One job is felt for, and allows less: which?"),
        (float(seen - float(step)), "that does for the jobs by the readout. One job is felt for, and allows less: which?"),
        (float(step), "that is the last digit of the readout. It would do, but asked is the longest that will."),
        (float(x.step_mm), "that is a motor step. It bounds the click from below; the jobs bound it from above."),
        (x.slack_mm, "that is the slack. Coming from one side takes it out; which click does the tightest job want?"),
        (0.1, "by so much a click may pass the paper at most. The last click has to be finer."),
        praise="whatever else the ladder holds, this rung decides what can be done at all. A finer one costs clicks.",
        hint="Go through the jobs: which one allows the least?",
    )


@_exercise("mm")
def check_coarsest(machine: Machine) -> _Solved:
    """The longest click at which X keeps up with a hand that turns steadily [mm]."""
    x, z, knob = machine.axis("X"), machine.axis("Z"), machine.knob
    top, steady = x.top_speed_mm_s, knob.steady_detents_s
    return _Solved(
        top / steady,
        (60 * top / steady, "the speed is given per minute, the clicks per second."),
        (top, "that is the way of a second. How many clicks share it?"),
        (z.top_speed_mm_s / steady, "that is for Z. On X the same selector may go further."),
        (top / knob.fastest_detents_s, "that is for a hand in a hurry. Asked is one that turns steadily."),
        (top * steady, "divide by the clicks a second, don't multiply."),
        (steady / top, "that is the right division the wrong way up."),
        (top / knob.detents_per_turn, "thirty clicks are a turn, not a second."),
        praise="a longer click is no use to a steady hand: the axis falls behind, and runs on after the hand has stopped.",
        hint="How far does X get in a second, and how many clicks come in it?",
    )


@_open_exercise("your ladder in quotation marks")
def check_ladder(answer: object, machine: Machine) -> _Verdict:
    """A ladder of one's own that the judge doesn't want changed: each job possible, plain, within 5 % of the suggestion."""
    own = _typed(answer, _STAND_INS[1], machine)
    form = check_own_ladder(answer, machine, replace(own_answer(machine, own), ladder=own))  # against itself: form and reach
    if not form:
        return form
    judged = judge(machine, own)
    if judged.verdict == "change" and judged.better:
        return check_own_ladder(answer, machine, replace(judged, ladder=judged.better))
    said = "would keep your ladder" if judged.verdict == "keep" else "can't tell your ladder and its own apart"
    return _right(f"the judge {said}. That is a model's word: now defend it, and feel it.")


@_open_exercise("a job for each rung, in quotation marks")
def check_jobs(answer: object, machine: Machine, ladder: Ladder) -> _Verdict:
    """A job for each rung that takes it, from the finest rung on; "none" for a rung that no job takes."""
    uses = _uses(machine, ladder)
    if not isinstance(answer, list | tuple) or len(answer) != len(uses):
        return _not_yet(f"{len(uses)} jobs are asked for, one a rung, in square brackets with commas between.")
    jobs = {task.name for task in machine.tasks}
    for position, (said, taken) in enumerate(zip(answer, uses, strict=True), 1):
        name = " ".join(said.lower().split()) if isinstance(said, str) else ""
        if name not in jobs | {_NO_JOB}:
            return _not_yet(f"rung {position}: choose one of the jobs, in quotation marks: {', '.join(sorted(jobs))}; or none.")
        if name == _NO_JOB and taken:
            return _not_yet(f"rung {position}: some job does take it. Which would be slower without?")
        if name != _NO_JOB and name not in taken:
            return _not_yet(f"rung {position}: the quickest way hardly takes it to {name}. Think of its distances.")
    idle = [position for position, taken in enumerate(uses, 1) if not taken]
    more = f" Rung {idle[0]} has none: what speaks for it?" if idle else " Each rung earns its place."
    return _right(f"so the quickest way goes, by the model.{more}")


def _uses(machine: Machine, ladder: Ladder) -> list[tuple[str, ...]]:
    search = own_answer(machine, ladder).search
    assert search is not None
    return rung_tasks(search)


def defence_table(machine: Machine, *ladders: Ladder) -> pd.DataFrame:
    """The figures that the rubric asks for, a column a ladder: expected time, what each axis makes of it, the clamp."""
    return pd.DataFrame({ladder.say(): _defence(machine, ladder) for ladder in ladders})


def _defence(machine: Machine, ladder: Ladder) -> dict[str, str]:
    time_s = _mean_time_s(_task_times(machine, ladder))
    idle = [str(position) for position, taken in enumerate(_uses(machine, ladder), 1) if not taken]
    told = {
        "mean time of a job (s)": "can't" if time_s is None else f"{time_s:.2f}",
        "rungs": str(len(ladder.gains_mm)),
        "largest factor between two rungs": say_number(max(ladder.ratios, default=1), digits=3),
        "rungs that no job takes": ", ".join(idle) or _NO_JOB,
    }
    for (name, found), axis in zip(by_axis(rows(machine, ladder)), machine.axes, strict=True):
        served = [row for row in found if not row.repeats]
        behind = [str(row.position) for row in served if row.outruns_steady]
        told[f"{name}: rungs too coarse for a steady hand"] = ", ".join(behind) or _NO_JOB
        told[f"{name}: run-on, steady, coarsest (mm)"] = say_number(served[-1].run_on_mm, digits=2)
        told[f"{name}: run-on, hurried, coarsest (mm)"] = say_number(served[-1].hurried_run_on_mm, digits=2)
        told[f"{name}: clamp with people near (steps/s)"] = str(calm_speed_steps_s(axis))
    return told
