"""Lesson 1: one click."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from ..ladder.series import round_half_up
from ..ladder.steps import click_pattern, drift_drop, first_gaps, is_whole_step, machine_whole_step, steps_per_detent
from ..machine.model import Machine
from ..units import in_unit, is_plain, say_distance
from .verdict import Verdict, check_number, is_untouched, not_yet, nothing, numbers_of, right, why_no_number

if TYPE_CHECKING:
    import pandas as pd

TURN_MM, FULL_STEPS = 40, 200
CLICK_MM = Fraction(1, 50)
FINE_CLICK_MM = Fraction(1, 200)
SPAN_MM = (Fraction(3, 100), Fraction(3, 10))


def steps_table(machine: Machine, gains_mm: Iterable[str | Fraction]) -> pd.DataFrame:
    """Steps per click on every axis for a few distances per click; "whole" or the pattern of five clicks."""
    import pandas as pd

    rows = []
    for gain in [Fraction(gain) for gain in gains_mm]:
        row = {"one click": say_distance(gain, machine.show_in)}
        for axis in machine.axes:
            steps = steps_per_detent(machine, axis, gain)
            whole = "whole" if steps.denominator == 1 else " ".join(map(str, first_gaps(steps)))
            row[axis.name] = f"{steps} steps: {whole}"
        rows.append(row)
    return pd.DataFrame(rows)


def check_step_length(answer: object, machine: Machine) -> Verdict:
    """How far axis X moves for one microstep [mm]."""
    axis = machine.axis("X")
    step, divide = float(axis.step_mm), axis.divide or 1
    return check_number(
        answer, step, unit="mm",
        praise="that is the smallest move the motor can be told to make on X.",
        hint="One turn of the motor moves the belt 40 mm. Into how many microsteps is one turn divided?",
        slips=[
            (1 / step, "that is how many steps make one millimetre; asked is how many millimetres make one step."),
            (step * divide, "that is one full step. Each full step is divided once more, into microsteps."),
            (TURN_MM / divide, "the microsteps are in it, but not the 200 full steps of a turn."),
            (FULL_STEPS * divide, "that is the number of microsteps in a turn. How far does one of them move?"),
            (FULL_STEPS * divide / TURN_MM, "that is steps per millimetre: turn the division over."),
            (step * 1000, "that is in thousandths of a millimetre; the answer is asked in mm."),
        ],
    )  # fmt: skip


def check_steps_per_click(answer: object, machine: Machine) -> Verdict:
    """How many steps one click of 0.02 mm is on X."""
    steps = steps_per_detent(machine, machine.axis("X"), CLICK_MM)
    on_z = steps_per_detent(machine, machine.axis("Z"), CLICK_MM)
    return check_number(
        answer, steps, unit="steps",
        praise="no whole number, and a motor makes whole steps only. So something has to give: look below.",
        hint="X makes 80 steps for each millimetre. How many for one click's share of a millimetre?",
        slips=[
            (float(round_half_up(steps)), "a whole number would be handy, but don't round: calculate it exactly."),
            (float(int(steps)), "don't cut the fraction off: it is what this lesson is about."),
            (float(on_z), "that is axis Z, which has 400 steps per mm. Asked is axis X."),
            (float(1 / steps), "that is clicks per step: turn the division over."),
            (float(CLICK_MM) / 80, "divided where it should be multiplied: more millimetres mean more steps."),
            (80.0, "that is a whole millimetre's worth; one click is much less than a millimetre."),
        ],
    )  # fmt: skip


def check_pattern(answer: object, machine: Machine) -> Verdict:
    """The steps of the first five clicks of 0.005 mm on X, where the controller keeps the remainder."""
    if is_untouched(answer):
        return nothing("five whole numbers in square brackets")
    found = numbers_of(answer, 5)
    if isinstance(found, str):
        return not_yet(found)
    steps = steps_per_detent(machine, machine.axis("X"), FINE_CLICK_MM)
    if found == first_gaps(steps):
        return right("clicks without any step are dead clicks: here three in five. The hand feels them, the "
                     "axis doesn't.")
    return not_yet(_why_no_pattern(found, steps))


def _why_no_pattern(found: Sequence[float], steps: Fraction) -> str:
    if any(value < 0 for value in found):
        return "no click goes backwards: a step count here is 0 or more."
    if any(value != int(value) for value in found):
        return "a motor makes whole steps only: each click is a whole number of them."
    total = sum(found)
    if total != len(found) * steps:
        ask = "How far should five clicks of 0.005 mm go, and how many steps is that?"
        return f"these clicks make {total:g} steps in all. {ask}"
    if max(found) > 1:
        return "the total is right, but no single click asks for as much as two steps: spread them out."
    return (
        "the total is right, the order is not. After each click the axis stands on the step nearest to where it "
        "should be: go click by click, and step as soon as half a step or more is owed."
    )


def check_whole_click(answer: object, machine: Machine) -> Verdict:
    """A distance per click [mm] between 0.03 and 0.3 that is plain and whole steps on every axis."""
    if is_untouched(answer):
        return nothing("a distance in mm")
    fault = why_no_number(answer)
    if fault is not None:
        return not_yet(fault)
    gain = Fraction(float(answer)).limit_denominator(10**6)  # type: ignore[arg-type]
    low, high = SPAN_MM
    said = f"{float(gain):.6g} mm"
    if not low <= gain <= high:
        return not_yet(f"{said} lies outside {float(low):g} to {float(high):g} mm. Stay inside.")
    broken = [axis.name for axis in machine.axes if not is_whole_step(machine, axis, gain)]
    if broken:
        return not_yet(
            f"{said} is no whole number of steps on {' and '.join(broken)}. Which distances are whole on the "
            "axis with the longest step?"
        )
    if not is_plain(in_unit(gain, machine.show_in)):
        return not_yet(f"{said} is whole on every axis, but not plain: it doesn't begin with 1, 2 or 5 alone.")
    return right(f"{said} is plain for the person and whole for every motor. Few distances are both.")


def check_drift(answer: object, machine: Machine) -> Verdict:
    """How far X falls short [mm] after 1000 clicks of 0.02 mm, where each click's remainder is dropped."""
    axis = machine.axis("X")
    steps = steps_per_detent(machine, axis, CLICK_MM)
    lost_steps = abs(drift_drop(steps).one_way_steps)
    step = float(axis.step_mm)
    return check_number(
        answer, lost_steps * step, unit="mm", either_sign=True,
        praise="millimetres lost on the way, although every click looked nearly right. Such a controller needs "
               "whole-step clicks.",
        hint="Each click loses the part of a step behind the point. A thousand clicks lose a thousand such parts.",
        slips=[
            (lost_steps, "that many steps are lost. How far is that in millimetres?"),
            (float(1000 * CLICK_MM), "that is how far the thousand clicks should go. How much of it is missing?"),
            (1000 * int(steps) * step, "that is how far it does go. How much is missing?"),
            (0.5 * step, "half a step at most: so it is where remainders are kept. Here they are dropped."),
            (float(steps - int(steps)), "that is what one click loses, in steps. There are a thousand, and the "
                                        "answer is in mm."),
            (float(steps - int(steps)) * step, "that is what one click loses. There are a thousand."),
            (400 * step, "that counts the steps as if each were rounded up; dropping cuts down, it never rounds up."),
        ],
    )  # fmt: skip


def common_step_words(machine: Machine) -> str:
    """The smallest distance that is whole on all exact axes, in a sentence."""
    common = machine_whole_step(machine)
    if common is None:
        return "These axes have no common whole step within reach."
    said = say_distance(common, machine.show_in)
    return f"The smallest distance that is a whole number of steps on every axis is {said} ({common} mm)."


def dead_share(machine: Machine, axis: str, gain_mm: str | Fraction) -> float:
    """The share of clicks after which the motor makes no step."""
    steps = steps_per_detent(machine, machine.axis(axis), Fraction(gain_mm))
    return click_pattern(steps).dead_share
