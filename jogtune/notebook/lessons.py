"""Panels of the lessons 1 to 4."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import partial
from typing import Any

import ipywidgets as widgets

from ..axis.burst import Burst, answer_burst
from ..axis.follow import Habit
from ..axis.outstanding import derive_outstanding
from ..axis.resolution import real_resolution
from ..charts.burst import plot_between_reports, plot_burst
from ..charts.steps import plot_clicks, plot_reversal
from ..choose.base import finest_wish
from ..ladder.ladder import Ladder
from ..ladder.steps import first_gaps
from ..machine.model import Axis, Machine
from ..units import UNIT_FACTORS, plain_at_least, say_distance, say_number
from .canvas import Canvas, Redrawn
from .panel import Panel, Picture


class LessonPanel(Panel):
    """A few controls beside one picture, a sentence below it. Base of the panels that follow."""

    def __init__(self, machine: Machine, *, height_in: float = 4.0, columns: int = 1) -> None:
        super().__init__()
        self.machine = machine
        canvas = Canvas(7.6, height_in)
        axes = canvas.axes(columns, left=0.9, top=0.4, bottom=0.65 if columns == 1 else 0.9, gap=0.35)
        self.charts = [Redrawn(ax) for ax in axes]
        self.picture = Picture(canvas, label="")
        self.picture.charts = self.charts
        self.words = widgets.HTML()
        self.controls = self._make_controls()
        self._watch()
        self._arrange([self.picture.widget, self.words])
        self.refresh()

    def _make_controls(self) -> dict[str, widgets.Widget]:
        raise NotImplementedError

    def _value(self, name: str) -> Any:
        return self.controls[name].value

    def _plot(self, *paints: Callable[[Any], Any]) -> None:
        """Let each `paint(ax)` draw on its own axes."""
        for chart, paint in zip(self.charts, paints, strict=True):
            chart.update(paint)
        self.picture.show()

    def _tell(self, text: str) -> None:
        self.words.value = f"<p>{html.escape(text)}</p>"
        self.picture.label = text


def plain_values(low: Fraction, high: Fraction) -> list[Fraction]:
    """Every plain number (1, 2 or 5 times a power of ten) from `low` to `high`."""
    values = [plain_at_least(low)]
    while values[-1] < high and len(values) < 60:
        values.append(plain_at_least(values[-1] * Fraction(3, 2)))
    return [value for value in values if value <= high]


def _axis_slider(machine: Machine) -> widgets.Dropdown:
    return widgets.Dropdown(options=[axis.name for axis in machine.axes], description="axis")


def distance_slider(
    name: str, machine: Machine, values_mm: Sequence[Fraction], start: Fraction, unit: str
) -> widgets.SelectionSlider:
    options = [(say_distance(value, unit, digits=4), value) for value in values_mm]
    nearest = min(values_mm, key=lambda value: abs(value / start - 1))
    return widgets.SelectionSlider(options=options, value=nearest, description=name)


def plain_mm(low_mm: float, high_mm: float, unit: str) -> list[Fraction]:
    """Plain distances of a unit between two bounds, as mm."""
    factor = UNIT_FACTORS[unit]
    return [v * factor for v in plain_values(Fraction(low_mm) / factor, Fraction(high_mm) / factor)]


def _rate_slider(machine: Machine, start: float) -> widgets.IntSlider:
    top = max(2, round(machine.knob.fastest_detents_s))
    return widgets.IntSlider(value=round(start), min=1, max=top, description="clicks a second")


class Clicks(LessonPanel):
    """What each click makes the motor do: distance per click, axis, and what becomes of remainders."""

    def _make_controls(self) -> dict[str, widgets.Widget]:
        machine, wish = self.machine, finest_wish(self.machine)
        values = plain_mm(float(wish) / 10, float(wish) * 10, machine.show_in)
        remainder = widgets.Dropdown(options=[("kept", "carry"), ("dropped", "drop")], description="remainder is",)  # fmt: skip
        return {
            "gain": distance_slider("one click is", machine, values, wish, machine.show_in),
            "axis": _axis_slider(machine),
            "remainder": remainder,
        }

    def _draw(self) -> None:
        machine, axis = self.machine, self.machine.axis(self._value("axis"))
        gain, remainder = self._value("gain"), self._value("remainder")
        self._plot(lambda ax: plot_clicks(ax, machine, axis, gain, remainder=remainder))
        steps = machine.axis_gain(axis, gain) * axis.steps_per_mm
        said = say_number(steps, digits=5)
        pattern = ", ".join(map(str, first_gaps(steps))) if remainder == "carry" else f"{int(steps)} every time"
        self._tell(f"One click is {said} steps of {axis.name}. The first five clicks make: {pattern}.")


class Reversal(LessonPanel):
    """Ten clicks up, ten back: what the readout says and where the axis stands."""

    def _make_controls(self) -> dict[str, widgets.Widget]:
        axis = self.machine.axes[0]
        finest = float(axis.finest_mm)
        gains = plain_mm(finest / 4, finest * 10, "mm")
        slack = widgets.FloatSlider(
            value=axis.slack_mm, min=0, max=max(4 * axis.slack_mm, finest), step=max(axis.slack_mm, finest) / 20,
            description="slack (mm)", readout_format=".4f",
        )  # fmt: skip
        return {
            "gain": distance_slider("one click is", self.machine, gains, axis.finest_mm, "mm"),
            "slack": slack,
        }

    def _draw(self) -> None:
        gain, slack = float(self._value("gain")), self._value("slack")
        real = real_resolution(self.machine.axes[0])
        motor = real.motor_mm or real.step_mm
        self._plot(lambda ax: plot_reversal(ax, gain, slack, motor))
        dead = min(int(slack / gain + 1e-9), 10)
        self._tell(f"After turning round, {dead} whole clicks move nothing; ten clicks back are {slack:.4g} mm short.")


class Habits(LessonPanel):
    """One burst of turning on one rung, under three habits of the controller side by side."""

    def __init__(self, machine: Machine, ladder: Ladder, *, axis: str | None = None) -> None:
        self.ladder, self.axis = ladder, machine.axis(axis) if axis else machine.axes[0]
        limit_mm = derive_outstanding(machine, self.axis, ladder).used_limit_mm
        self.habits = {
            "owe, dash": Habit(),
            "limit, dash": Habit(too_fast="limit", limit_mm=limit_mm),
            "owe, spread": Habit(speed="spread"),
        }
        super().__init__(machine, columns=len(self.habits))

    def _make_controls(self) -> dict[str, widgets.Widget]:
        return {
            "rung": _rung_slider(self.machine, self.ladder, self.axis),
            "rate": _rate_slider(self.machine, self.machine.knob.fastest_detents_s),
            "burst": widgets.FloatSlider(value=1.0, min=0.1, max=2.0, step=0.1, description="turning for (s)"),
        }

    def _draw(self) -> None:
        gain, rate = float(self._value("rung")), float(self._value("rate"))
        answers = {
            name: _burst(self.machine, self.axis, gain, rate, self._value("burst"), habit)
            for name, habit in self.habits.items()
        }
        unit = self.machine.shown_unit(self.axis)
        last, top = max(b.time_s[-1] for b in answers.values()), max(b.hand_mm[-1] for b in answers.values())
        self._plot(*(
            partial(plot_burst, burst=burst, title=name, unit=unit, until_s=last, up_to_mm=top, place=place)
            for place, (name, burst) in enumerate(answers.items())
        ))  # fmt: skip
        factor = float(UNIT_FACTORS[unit])
        asked, top = rate * gain / factor, self.axis.top_speed_mm_s / factor
        keeps = "keeps up" if asked <= top else "can't keep up"
        self._tell(f"The hand asks for {asked:.3g} {unit}/s, {self.axis.name} can do {top:.3g} {unit}/s: it {keeps}.")


def _rung_slider(machine: Machine, ladder: Ladder, axis: Axis) -> widgets.SelectionSlider:
    gains = [machine.axis_gain(axis, gain) for gain in ladder.gains_mm]
    unit = machine.shown_unit(axis)
    options = [(say_distance(gain, unit), gain) for gain in gains]
    return widgets.SelectionSlider(options=options, value=gains[-1], description="one click is")


def _burst(
    machine: Machine, axis: Axis, gain_mm: float, rate: float, burst_s: float, habit: Habit, interval_s: float = 0.0
) -> Burst:
    link = machine.link if not interval_s else replace(
        machine.link, report_interval_s=interval_s, silence_s=max(machine.link.silence_s, 3 * interval_s)
    )  # fmt: skip
    return answer_burst(
        rate, burst_s, gain_mm, link, top_speed_mm_s=axis.top_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2, habit=habit
    )


class BetweenReports(LessonPanel):
    """The axis' speed while the knob is turned evenly: report interval, turn rate and distance per click."""

    habits: Mapping[str, Habit] = {"dash": Habit(), "spread": Habit(speed="spread")}

    def __init__(self, machine: Machine, *, axis: str | None = None) -> None:
        self.axis = machine.axis(axis) if axis else machine.axes[0]
        super().__init__(machine)

    def _make_controls(self) -> dict[str, widgets.Widget]:
        axis, unit = self.axis, self.machine.shown_unit(self.axis)
        most = axis.top_speed_mm_s / self.machine.knob.steady_detents_s
        every = round(1000 * self.machine.link.report_interval_s)
        start = Fraction(most / 8)
        return {
            "report": widgets.IntSlider(
                value=every, min=5, max=max(200, every), step=5, description="report every (ms)"
            ),
            "rate": _rate_slider(self.machine, self.machine.knob.steady_detents_s),
            "gain": distance_slider("one click is", self.machine, plain_mm(most / 200, most, unit), start, unit),
        }  # fmt: skip

    def _draw(self) -> None:
        gain, rate, every = float(self._value("gain")), float(self._value("rate")), self._value("report") / 1000
        answers = {
            name: _burst(self.machine, self.axis, gain, rate, 1.0, habit, every) for name, habit in self.habits.items()
        }
        unit = self.machine.shown_unit(self.axis)
        asked = min(rate * gain, self.axis.top_speed_mm_s)
        self._plot(lambda ax: plot_between_reports(ax, answers, asked, unit=unit))
        self._tell(f"Each report carries {rate * every:.2g} clicks on average; a click waits up to {1000 * every:g} ms for one.")
