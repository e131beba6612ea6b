"""Lesson 6."""

from collections.abc import Mapping, Sequence

import pandas as pd

from ..choose.prefer import Search
from ..choose.suggest import Suggestion
from ..choose.tasks import estimate_task, make_mix
from ..files import InputFault
from ..ladder.ladder import Ladder
from ..machine.model import Machine, Task
from ..units import digit_points, in_unit, say_number
from .exercise import _exercise, _is_untouched, _not_yet, _open_exercise, _right, _Solved, _Verdict
from .exercise import weigh_guess as weigh_guess
from .results import save_results as save_results

_FINE_MM, _COARSE_MM, _RUNGS = 0.02, 5.0, 5
_NEAR_SHARE, _MOST_POINTS = 0.03, 3


def own_or(text: object, stand_in: str, machine: Machine) -> Ladder:
    """A person's own ladder, or one that stands in for it where none (or none that can be read) was typed."""
    try:
        return Ladder.parse(stand_in if _is_untouched(text) else str(_joined(text)), machine.show_in)
    except InputFault:
        return Ladder.parse(stand_in, machine.show_in)


def _joined(answer: object) -> object:
    return ", ".join(map(str, answer)) if isinstance(answer, list | tuple) else answer


def _task_times(machine: Machine, ladder: Ladder) -> list[tuple[Task, float | None]]:
    """Expected time of each task of a machine's mix with a ladder [s]; None where some of its goals can't be reached."""
    mix = make_mix(machine, ladder)
    found = (estimate_task(mix, ladder.on(machine.axis(task.axis)), number) for number, task in enumerate(mix.tasks))
    return [(task, one.mean_s if one.possible else None) for task, one in zip(mix.tasks, found, strict=True)]


def _mean_time_s(times: Sequence[tuple[Task, float | None]]) -> float | None:
    """The weighted mean time over the mix; None where a task can't be done."""
    known = [(task.weight, time_s) for task, time_s in times if time_s is not None]
    return None if len(known) < len(times) else sum(w * time_s for w, time_s in known) / sum(w for w, _ in known)


def time_table(machine: Machine, ladders: Mapping[str, Ladder | str]) -> pd.DataFrame:
    """Expected seconds of every task with a few ladders, side by side; the last row is the mean over the mix."""
    columns: dict[str, list[str]] = {}
    for name, given in ladders.items():
        times = _task_times(machine, given if isinstance(given, Ladder) else Ladder.parse(given, machine.show_in))
        cells = [*(time_s for _, time_s in times), _mean_time_s(times)]
        columns[name] = ["can't" if time_s is None else f"{time_s:.2f}" for time_s in cells]
        tasks = [task.name for task, _ in times]
    return pd.DataFrame({"task": [*tasks, "mean over the mix"], **columns})


def rungs_table(search: Search) -> pd.DataFrame:
    """The best ladder of each number of rungs and its expected time."""
    return pd.DataFrame([
        {
            "rungs": len(point.ladder.multipliers),
            "best ladder": point.ladder.say(),
            "mean time (s)": say_number(point.time_s, digits=4),
            "slower than the best (%)": say_number(100 * (point.time_s / search.best.time_s - 1), digits=2),
        }
        for point in search.curve
    ])  # fmt: skip


@_exercise(within=0.02)
def check_ratio() -> _Solved:
    """The factor from rung to rung, the same each time, that leads from 0.02 to 5 mm in five rungs.

    Right within 2 %: a plain number near it will do."""
    whole, leaps = _COARSE_MM / _FINE_MM, _RUNGS - 1
    return _Solved(
        whole ** (1 / leaps),
        (whole, "that is the factor from the finest to the coarsest in one leap. How many equal leaps are there?"),
        (whole / leaps, "dividing by the number of leaps is for equal differences. For equal factors, take the root."),
        (whole / _RUNGS, "dividing is for equal differences. For equal factors, take the root."),
        (whole ** (1 / _RUNGS), "five rungs have one leap fewer than that between them."),
        (whole ** (1 / 3), "that is for four rungs; here are five."),
        (whole**0.5, "that is for two leaps. Take the square root once more."),
        ((_COARSE_MM - _FINE_MM) / leaps, "that is the same difference each time. Asked is the same factor."),
        praise="with even factors every change of rung does the same: a fourth of the clicks, or four times as many.",
        hint="Five rungs have four leaps between them. Which number, multiplied by itself so often, gives the whole factor?",
    )


@_exercise()
def check_knee(search: Search) -> _Solved:
    """The fewest rungs whose best ladder comes within the near-best share of the best there is."""
    slower = {len(point.ladder.multipliers): point.time_s / search.best.time_s - 1 for point in search.curve}
    near = f"{100 * search.near_share:g} %"
    too_slow = "its best ladder is {:.2g} % slower than the best. Go down the table."
    too_many = f"that is within {near}, but fewer rungs are too. Go up the table."
    return _Solved(
        (search.knee, search.knee),
        *(
            (rungs, too_slow.format(100 * share) if share > search.near_share else too_many)
            for rungs, share in slower.items()
            if rungs != search.knee
        ),
        praise="further rungs save hardly anything, and each is one more to find by feel. Comfort may still want another.",
        hint=f"Look in the last column for the first row of at most {near}.",
    )


@_open_exercise("your ladder in quotation marks")
def check_own_ladder(answer: object, machine: Machine, suggestion: Suggestion) -> _Verdict:
    """One's own ladder against the suggestion: every task possible, plain, and at most 3 % slower."""
    text = _joined(answer)
    if not isinstance(text, str):
        return _not_yet('write the distances in quotation marks with commas between, as in "0.02, 0.2, 2".')
    try:
        own = Ladder.parse(text, machine.show_in, most_rungs=machine.selector.positions)
    except InputFault as fault:
        return _not_yet(f"{fault.faults[0]}.")
    if any(digit_points(in_unit(gain, own.show_in)) > _MOST_POINTS for gain in own.gains_mm):
        return _not_yet("not every distance is plain: one digit, 1.5 or 2.5 times a power of ten. Who turns must reckon with it.")
    if own.gains_mm[0] < max(axis.step_mm for axis in machine.axes):
        return _not_yet("the finest click is smaller than a motor step of some axis: most of its clicks would be dead.")
    longest, steady = max(machine.axes, key=lambda axis: axis.reach_mm), machine.knob.steady_detents_s
    coarsest, fastest = float(own.gains_mm[-1]), max(axis.top_speed_mm_s for axis in machine.axes)
    if coarsest > longest.reach_mm:
        return _not_yet(f"one click of {coarsest:g} mm goes farther than {longest.name} can: its reach is {longest.reach_mm:g} mm.")
    if coarsest * steady > fastest:
        return _not_yet(f"{steady:g} clicks a second of {coarsest:g} mm ask for {coarsest * steady:g} mm/s, and no axis does more "
                        f"than {fastest:g}: it falls behind even a steady hand. See lesson 3.")  # fmt: skip
    mine, theirs = _task_times(machine, own), _task_times(machine, suggestion.ladder)
    mine_s, theirs_s = _mean_time_s(mine), _mean_time_s(theirs)
    if mine_s is None or theirs_s is None:
        names = ", ".join(task.name for task, time_s in mine if time_s is None)
        return _not_yet(f"not every goal can be reached: {names}. A finer finest rung is needed.")
    share = mine_s / theirs_s - 1
    if share <= _NEAR_SHARE:
        return _right(_fit_words(mine_s, theirs_s, own == suggestion.ladder))
    losses = [(task.weight * ((a or 0) - (b or 0)), task.name) for (task, a), (_, b) in zip(mine, theirs, strict=True)]
    much = f"{100 * share:.0f} % slower than" if share < 1 else f"{1 + share:.1f} times as slow as"
    return _not_yet(f"{much} the suggestion. Most of it is lost on: {max(losses)[1]}. Which rung does that task want?")


def _fit_words(mine_s: float, theirs_s: float, same: bool) -> str:
    figures = f"{mine_s:.2f} s against {theirs_s:.2f} s"
    if same:
        return f"that is the suggestion itself ({figures}). Can you do as well with fewer rungs, or beat it?"
    if mine_s < theirs_s:
        return f"beaten, by the model's reckoning: {figures}. But a difference so small no hand can tell: the optimum is flat."
    return f"as good as the suggestion, as far as anyone can tell: {figures}. The optimum is flat; take what feels right."
