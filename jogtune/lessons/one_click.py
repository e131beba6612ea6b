"""Lesson 1."""

from collections.abc import Iterable
from fractions import Fraction

import pandas as pd

from ..ladder.ladder import round_half_up
from ..ladder.steps import click_pattern, drift_drop, first_gaps, is_whole_step, steps_per_detent
from ..ladder.steps import machine_whole_step as machine_whole_step
from ..machine.model import Machine
from ..units import in_unit, is_plain, say_distance
from .exercise import _exercise, _Solved
from .exercise import weigh_guess as weigh_guess

_TURN_MM, _FULL_STEPS = 40, 200
_CLICK_MM, _FINE_CLICK_MM = Fraction(1, 50), Fraction(1, 200)
_SPAN_MM = (Fraction(3, 100), Fraction(3, 10))


def steps_table(machine: Machine, gains_mm: Iterable[str | Fraction]) -> pd.DataFrame:
    """Steps per click on every axis for a few distances per click; "whole" or the pattern of five clicks."""
    rows = []
    for gain in [Fraction(gain) for gain in gains_mm]:
        row = {"one click": say_distance(gain, machine.show_in)}
        for axis in machine.axes:
            steps = steps_per_detent(axis, gain)
            whole = "whole" if steps.denominator == 1 else " ".join(map(str, first_gaps(steps)))
            row[axis.name] = f"{steps} steps: {whole}"
        rows.append(row)
    return pd.DataFrame(rows)


def dead_share(machine: Machine, axis: str, gain_mm: str | Fraction) -> float:
    """The share of clicks after which the motor makes no step."""
    return click_pattern(steps_per_detent(machine.axis(axis), Fraction(gain_mm))).dead_share


@_exercise("mm")
def check_step_length(machine: Machine) -> _Solved:
    """How far axis X moves for one microstep [mm]."""
    axis = machine.axis("X")
    step, divide = float(axis.step_mm), axis.divide or 1
    return _Solved(
        step,
        (1 / step, "that is how many steps make one millimetre; asked is how many millimetres make one step."),
        (step * divide, "that is one full step. Each full step is divided once more, into microsteps."),
        (_TURN_MM / divide, "the microsteps are in it, but not the 200 full steps of a turn."),
        (_FULL_STEPS * divide, "that is the number of microsteps in a turn. How far does one of them move?"),
        (step * 1000, "that is in thousandths of a millimetre; the answer is asked in mm."),
        praise="that is the smallest move the motor can be told to make on X.",
        hint="One turn of the motor moves the belt 40 mm. Into how many microsteps is one turn divided?",
    )


@_exercise("steps")
def check_steps_per_click(machine: Machine) -> _Solved:
    """How many steps one click of 0.02 mm is on X."""
    steps = steps_per_detent(machine.axis("X"), _CLICK_MM)
    return _Solved(
        steps,
        (round_half_up(steps), "a whole number would be handy, but don't round: calculate it exactly."),
        (int(steps), "don't cut the fraction off: it is what this lesson is about."),
        (steps_per_detent(machine.axis("Z"), _CLICK_MM), "that is axis Z, which has 400 steps per mm. Asked is axis X."),
        (1 / steps, "that is clicks per step: turn the division over."),
        (_CLICK_MM / 80, "divided where it should be multiplied: more millimetres mean more steps."),
        (80, "that is a whole millimetre's worth; one click is much less than a millimetre."),
        praise="no whole number, and a motor makes whole steps only. So something has to give: look below.",
        hint="X makes 80 steps for each millimetre. How many for one click's share of a millimetre?",
    )


@_exercise()
def check_pattern(machine: Machine) -> _Solved:
    """The steps of the first five clicks of 0.005 mm on X, where the controller keeps the remainder."""
    steps = steps_per_detent(machine.axis("X"), _FINE_CLICK_MM)
    ask = "How far should five clicks of 0.005 mm go, and how many steps is that?"
    return _Solved(
        [float(gap) for gap in first_gaps(steps)],
        (lambda found: min(found) < 0, "no click goes backwards: a step count here is 0 or more."),
        (lambda found: any(value % 1 for value in found), "a motor makes whole steps only, at each click."),
        (lambda found: sum(found) != len(found) * steps, lambda found: f"these clicks make {sum(found):g} steps in all. {ask}"),
        (lambda found: max(found) > 1, "the total is right, but no single click asks for as much as two steps: spread them out."),
        praise="clicks without any step are dead clicks: here three in five. The hand feels them, the axis doesn't.",
        hint="the total is right, the order is not. After each click the axis stands on the step nearest to where it should be: "
        "go click by click, and step as soon as half a step or more is owed.",
    )


@_exercise("mm")
def check_whole_click(machine: Machine) -> _Solved:
    """A distance per click [mm] between 0.03 and 0.3 that is plain and whole steps on every axis."""

    def outside(value: float) -> bool:
        return not _SPAN_MM[0] <= _exact(value) <= _SPAN_MM[1]

    def broken(value: float) -> list[str]:
        return [axis.name for axis in machine.axes if not is_whole_step(axis, _exact(value))]

    ask = "Which distances are whole on the axis with the longest step?"
    return _Solved(
        lambda value: not outside(value) and not broken(value) and is_plain(in_unit(_exact(value), machine.show_in)),
        (outside, lambda value: f"{value:.6g} mm lies outside {float(_SPAN_MM[0]):g} to {float(_SPAN_MM[1]):g} mm. Stay inside."),
        (broken, lambda value: f"{value:.6g} mm is no whole number of steps on {' and '.join(broken(value))}. {ask}"),
        praise="it is plain for the person and whole for every motor. Few distances are both.",
        hint="it is whole on every axis, but not plain: it doesn't begin with 1, 2 or 5 alone.",
    )


def _exact(value: float) -> Fraction:
    return Fraction(value).limit_denominator(10**6)


@_exercise("mm", either_sign=True)
def check_drift(machine: Machine) -> _Solved:
    """How far X falls short [mm] after 1000 clicks of 0.02 mm, where each click's remainder is dropped."""
    axis = machine.axis("X")
    steps, step = steps_per_detent(axis, _CLICK_MM), float(axis.step_mm)
    lost, part = abs(drift_drop(steps).one_way_steps), float(steps % 1)
    return _Solved(
        lost * step,
        (lost, "that many steps are lost. How far is that in millimetres?"),
        (1000 * _CLICK_MM, "that is how far the thousand clicks should go. How much of it is missing?"),
        (1000 * int(steps) * step, "that is how far it does go. How much is missing?"),
        (0.5 * step, "half a step at most: so it is where remainders are kept. Here they are dropped."),
        (part, "that is what one click loses, in steps. There are a thousand, and the answer is in mm."),
        (part * step, "that is what one click loses. There are a thousand."),
        (1000 * (1 - part) * step, "that counts the steps as if each were rounded up; dropping cuts down, it never rounds up."),
        praise="millimetres lost on the way, although each click looked nearly right. Such a controller needs whole-step clicks.",
        hint="Each click loses the part of a step behind the point. A thousand clicks lose a thousand such parts.",
    )
