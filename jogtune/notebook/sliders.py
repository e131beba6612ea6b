"""Controls of plain values, of rungs and of axes."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import ipywidgets as widgets

from ..choose.base import finest_wish
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from ..units import UNIT_FACTORS, in_unit, plain_at_most, plain_values, say_distance, say_number


def whole_slider(text: str, value: float, low: int, high: int, step: int = 1) -> widgets.IntSlider:
    """A slider of whole numbers, its value brought within the bounds."""
    return widgets.IntSlider(value=min(max(round(value), low), high), min=low, max=high, step=step, description=text)


def rate_slider(machine: Machine, value: float, most: float | None = None) -> widgets.IntSlider:
    """Clicks a second, up to the knob's fastest where no other bound is given."""
    return whole_slider("turn rate (clicks/s)", value, 1, round(max(2, most or machine.knob.fastest_detents_s)))


def report_slider(machine: Machine, low: int = 1, step: int = 1) -> widgets.IntSlider:
    """Milliseconds between two reports."""
    every = 1000 * machine.link.report_interval_s
    return whole_slider("a report every (ms)", every, low, max(200, round(every)), step)


def choice(text: str, options: Sequence[object], value: object = None) -> widgets.Dropdown:
    """One of a few, the first where none is named."""
    return widgets.Dropdown(options=options, value=options[0] if value is None else value, description=text)


def axis_choice(machine: Machine, text: str = "axis", value: str | None = None) -> widgets.Dropdown:
    """One of the machine's axes by name."""
    return choice(text, [axis.name for axis in machine.axes], value)


def distance_slider(
    text: str, values_mm: Sequence[Fraction | float], start: Fraction | float, unit: str, *, digits: int = 4
) -> widgets.SelectionSlider:
    """A slider of given distances [mm or degrees], said in a unit; it starts at the one nearest `start`."""
    options = [(say_number(value / UNIT_FACTORS[unit], digits=digits), value) for value in values_mm]
    nearest = min(values_mm, key=lambda value: abs(float(value / start) - 1))
    return widgets.SelectionSlider(options=options, value=nearest, description=f"{text} ({unit})")


def plain_slider(
    text: str, low: Fraction | float, high: Fraction | float, start: Fraction, unit: str
) -> widgets.SelectionSlider:
    """A slider of every plain distance of a unit between two bounds [mm or degrees]."""
    factor = UNIT_FACTORS[unit]
    values = [value * factor for value in plain_values(Fraction(low) / factor, Fraction(high) / factor)]
    return distance_slider(text, values, start, unit)


def finest_slider(machine: Machine) -> widgets.SelectionSlider:
    """The finest wish [mm] among plain distances from far below to far above it."""
    unit, wish = machine.show_in, finest_wish(machine)
    middle = in_unit(wish, unit)
    plain = plain_values(plain_at_most(middle / 10), 100 * middle)[:9]
    values = [value * UNIT_FACTORS[unit] for value in sorted({*plain, middle})]
    return distance_slider("finest wish", values, wish, unit, digits=6)


def goal_sliders(machine: Machine, axis: Axis) -> dict[str, widgets.SelectionSlider]:
    """Distance and whole width of a goal [mm or degrees of an axis]."""
    unit, finest, reach = machine.shown_unit(axis), axis.finest_mm, Fraction(axis.reach_mm)
    return {
        "distance": plain_slider("distance D", 10 * finest, reach, reach / 10, unit),
        "tolerance": plain_slider("tolerance W", finest / 2, 100 * finest, 10 * finest, unit),
    }


def rung_slider(machine: Machine, ladder: Ladder) -> widgets.SelectionSlider:
    """The rungs of a ladder, numbered from 0, the coarsest first chosen."""
    said = [f"×{rung.multiplier}, {say_distance(rung.gain_mm, machine.show_in)}" for rung in ladder.rungs]
    options = [(text, number) for number, text in enumerate(said)]
    return widgets.SelectionSlider(options=options, value=len(options) - 1, description="one click is")
