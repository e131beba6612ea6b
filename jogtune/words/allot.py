"""Who moves what, and what it hangs on."""

from collections.abc import Iterator
from typing import Any

from ..choose.suggest import Suggestion
from ..units import say_distance, say_number
from .say import _listed, _percent

_CONTROLS = {"click": "knob", "press": "buttons", "tap": "stick"}
"""What a move is made by -> its control."""
_TAKES_PART = 0.5  # moves a task from which on a control is named


def _allotted(answer: Suggestion) -> str:
    """Which control moves what, and what each wins; nothing where there is a knob alone."""
    found = answer.allotment
    if found is None:
        return ""
    texts = []
    for mover in ("tap", "press"):
        taken = [one for one in found.tasks if one.moves_by.get(mover, 0.0) >= _TAKES_PART]
        tasks = [one.task.name + _left_at(found, one) * (mover == "tap") for one in taken]
        texts += [f"{_CONTROLS[mover].capitalize()}: {', '.join(tasks)}."] * bool(tasks)
    pairs = (("The stick saves", found.worth.stick), ("the buttons save", found.worth.buttons))
    wins = [f"{name} {_percent(win)}" for name, win in pairs if win is not None]
    said = ", ".join([*wins, *([f"both {_percent(found.worth.all)}"] if len(wins) == 2 else [])])
    most = [f"{name} {say_distance(top, _unit(found, name), digits=3)}/s" for name, top in found.stick_top_mm_s.items()]
    full = f" At full throw the stick moves at most {_listed(most)}." if most else ""
    return f"{' '.join(texts) or 'The knob alone does every task best.'} {said[:1].upper()}{said[1:]}.{full}"


def _left_at(found: Any, one: Any) -> str:
    """Where a task's stick is left for knob or buttons, in brackets."""
    if one.handed_over is None or one.handed_over[0] < 0.2:
        return ""
    return f" (leave it {say_distance(one.handed_over[1], _unit(found, one.task.axis), digits=2)} off)"


def _unit(found: Any, axis: str) -> str:
    return str(found.machine.shown_unit(found.machine.axis(axis)))


def _allotted_why(answer: Suggestion) -> list[str]:
    """Task by task who moves; the stick's figures and the buttons; and the one figure it hangs on."""
    found = answer.allotment
    return [] if found is None else [*(_of_task(found, one) for one in found.tasks), *_of_stick(found), *_of_buttons(found)]


def _of_task(found: Any, one: Any) -> str:
    moves = [f"{say_number(count, digits=2)} by {_CONTROLS[mover]}" for mover, count in one.moves_by.items() if count >= 0.05]
    knob, every = (say_number(time, digits=3) for time in (one.knob_s, one.all_s))
    text = f"{one.task.name}: {knob} s with the knob, {every} s with all; moves: {_listed(moves)}"
    if one.handed_over is None:
        return f"{text}."
    often, *spots = one.handed_over
    middle, low, high = (say_distance(spot, _unit(found, one.task.axis), digits=2) for spot in spots)
    return f"{text}. In {_percent(often)} of them the stick is left at {middle} from the goal ({low} to {high})."


def _of_stick(found: Any) -> Iterator[str]:
    if not found.stick_top_mm_s:
        return
    tops = [f"{axis} {say_distance(top, _unit(found, axis), digits=3)}/s" for axis, top in found.stick_top_mm_s.items()]
    yield f"Stick at full throw: {_listed(tops)}; a lost link sets it, for the axis runs on until the silence is noticed."
    worst = max(found.needed_exponents, key=lambda axis: found.needed_exponents[axis], default="")
    needed = found.needed_exponents.get(worst, 0.0)
    short = f"; {worst} needs {say_number(needed, digits=2)} for position 2 to catch its finest speed" if worst else ""
    yield f"Speed follows the throw to the power {say_number(found.exponent)}{short}. {_percent(found.dead_band)} of it are dead."
    if found.coarsest_may_go:
        yield "The stick could stand in for the coarsest position; the knob alone would then be slow over long ways."
    slack = found.slack_worth
    if slack is not None:
        yield (
            f"It hangs on how evenly the stick is let go, assumed 50 ms: the stick then saves {_percent(found.worth.stick)}, all "
            f"{_percent(found.worth.all)}; at 100 ms {_percent(slack.stick)} and {_percent(slack.all)}. "
            "Stop 20 times at a mark at full throw and 20 times at a slow one; spread over speed gives it, within 16 %."
        )


def _of_buttons(found: Any) -> Iterator[str]:
    if found.worth.buttons is None:
        return
    unit = found.machine.show_in
    beside = "beside the knob and the stick" if found.stick_top_mm_s else "beside the knob"
    filed = _listed(say_distance(step, unit) for step in found.machine.buttons.steps_mm)
    if not found.buttons_mm:
        yield f"Buttons: no distance wins 2 % {beside}; those of the file ({filed}) do no harm."
        return
    chosen = _listed(say_distance(step, unit) for step in found.buttons_mm)
    wins, now = _percent(found.worth_of(found.buttons_mm).all), _percent(found.worth.all)
    yield f"Buttons of {chosen} win at least 2 % each {beside}; with them all save {wins}, with those of the file ({filed}) {now}."
