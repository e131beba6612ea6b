"""Ladders and people compared, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..logs.log import say_count
from ..units import say_distance, say_number
from .cautions import FASTER_IS_NOT_SAFER

if TYPE_CHECKING:
    import pandas as pd

    from ..measure.classroom import ClassResult
    from ..measure.compare import Comparison, LadderResult
    from ..measure.times import Difference



def class_as_text(found: ClassResult) -> str:
    """A class' tables and differences as plain text."""
    simulated = [" Simulated logs are among these: nobody turned that knob."] if found.simulated else []
    logs, people = say_count(len(found.counts), "log"), found.people["person"].nunique()
    lines = [f"{logs} measured, {people} {'person' if people == 1 else 'people'}.{''.join(simulated)}", ""]
    lines += [_said_table(found.ladders), "", _said_table(found.people), ""] if len(found.tasks) else []
    lines += [_difference_line(found.labels, difference) for difference in found.differences]
    if not len(found.tasks):
        lines += ["No log shows a finished goal, so there is nothing to compare."]
    lines += [f"  {count.source}: {count.say()}." for count in found.counts if count.left_out]
    lines += ["", "Could not be measured:", *(f"  {fault}" for fault in found.unread)] if found.unread else []
    return "\n".join([*lines, "", FASTER_IS_NOT_SAFER])


def _said_table(table: pd.DataFrame) -> str:
    return str(table.round(3).to_string(index=False))


def as_text(found: Comparison) -> str:
    """The answer as plain text."""
    lines = [f"{found.machine.name}: {say_count(len(found.ladders), 'ladder')}", ""]
    lines += [line for result in found.ladders for line in _ladder_lines(found, result)]
    labels = [result.label for result in found.ladders]
    lines += [""] + [_difference_line(labels, difference) for difference in found.differences]
    if found.held_out_error is not None and found.held_out_total_error is not None:
        single, total = round(100 * found.held_out_error), round(100 * found.held_out_total_error)
        lines += ["", f"On tasks not seen before, the prediction is {single} % off a single one, {total:+d} % off all."]
    remarks = ["", *found.remarks] if found.remarks else []
    return "\n".join([*lines, *remarks, "", FASTER_IS_NOT_SAFER])


def _ladder_lines(found: Comparison, result: LadderResult) -> list[str]:
    unit = found.machine.show_in
    if result.expected_time_s is None:
        expected = "can't do every task"
    else:
        span = "" if result.low is None or result.high is None else f" ({_s(result.low)} to {_s(result.high)})"
        expected = f"expected {_s(result.expected_time_s)} s{span}"
    clicks = None if result.lost_detents is None else say_count(result.lost_detents, "click")
    lost = f", {clicks} lost where the controller forgives" if clicks else ""
    run_on = say_distance(result.run_on_mm, unit, digits=3)
    first = f"  {result.label}: {expected}, run-on up to {run_on}{lost}"
    return [first, *(f"    {reason}" for reason in result.impossible)]


def _difference_line(labels: list[str], difference: Difference) -> str:
    head = f"  {labels[difference.second]} against {labels[difference.first]}: {difference.verdict}"
    more = f"; about {say_count(difference.more_tasks, 'more task')} on each would" if difference.more_tasks else ""
    if difference.change is None:
        return f"{head}{more}."
    span = ""
    if difference.low is not None and difference.high is not None:
        span = f" ({100 * difference.low:+.0f} to {100 * difference.high:+.0f} %)"
    return f"{head}{more}. Time {100 * difference.change:+.0f} %{span}, {difference.kind}."


def _s(time_s: float) -> str:
    return say_number(time_s, digits=3)
