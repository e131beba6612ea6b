"""Panels of lessons 1 to 4."""

from fractions import Fraction
from typing import Any

import ipywidgets as widgets

from ..axis.follow import Habit
from ..axis.limits import real_resolution
from ..axis.outstanding import derive_outstanding
from ..charts.burst import plot_between_reports, plot_clicks, plot_dial, plot_reversal
from ..ladder.ladder import Ladder
from ..ladder.steps import first_gaps
from ..lessons.resolution import Bench
from ..machine.model import Machine, with_wishes
from ..units import UNIT_FACTORS, say_number
from .panel import _axis_choice, _choice, _LessonPanel, _plain_slider, _rate_slider, _report_slider, _rung_slider, _whole_slider
from .respond import _Bursts, _habit_choices, _turned, _turning_slider


class Clicks(_LessonPanel):
    """What each click makes the motor do: distance per click, axis, and what becomes of remainders."""

    def _make_controls(self) -> dict[str, Any]:
        wish = self.machine.finest_wish_mm
        return {
            "gain": _plain_slider("one click is", wish / 10, 10 * wish, wish, self.machine.show_in),
            "axis": _axis_choice(self.machine),
            "remainder": _choice("remainder is", [("kept", "carry"), ("dropped", "drop")], "carry"),
        }

    def _draw(self) -> None:
        machine, axis = self.machine, self.machine.axis(self._value("axis"))
        gain, remainder = self._value("gain"), self._value("remainder")
        self._plot(plot_clicks, machine, axis, gain, remainder=remainder)
        steps = Ladder.from_gains([gain], show_in=machine.show_in).on(axis)[0] * axis.steps_per_mm
        said = say_number(steps, digits=5)
        pattern = ", ".join(map(str, first_gaps(steps))) if remainder == "carry" else f"{int(steps)} every time"
        self._tell(f"One click is {said} steps of {axis.name}. The first five clicks make: {pattern}.")


class Reversal(_LessonPanel):
    """Ten clicks up, ten back: what the readout says and where the axis stands."""

    def _make_controls(self) -> dict[str, Any]:
        finest, slack = self.axis.finest_mm, self.axis.slack_mm
        return {
            "gain": _plain_slider("one click is", finest / 4, 10 * finest, finest, "mm"),
            "slack": widgets.FloatSlider(
                value=slack, min=0, max=max(4 * slack, float(finest)), step=max(slack, float(finest)) / 20,
                description="slack (mm)", readout_format=".4f",
            ),
        }  # fmt: skip

    def _draw(self) -> None:
        gain, slack = float(self._value("gain")), self._value("slack")
        real = real_resolution(self.axis)
        self._plot(plot_reversal, gain, slack, real.motor_mm or real.step_mm)
        dead = min(int(slack / gain + 1e-9), 10)
        self._tell(f"After turning round, {dead} whole clicks move nothing; ten clicks back are {slack:.4g} mm short.")


class Habits(_Bursts):
    """One burst of turning on one rung, under three habits of the controller side by side."""

    def __init__(self, machine: Machine, ladder: Ladder, *, axis: str | None = None) -> None:
        super().__init__(machine, ladder, 3)
        self.axis = machine.axis(axis) if axis else machine.axes[0]
        known = _habit_choices(machine, derive_outstanding(machine, self.axis, ladder).used_limit_mm)
        self.habits = [(name, known[name]) for name in ("owe, dash", "limit, dash", "owe, spread")]
        self._build([self.picture.widget, self.words])

    def _make_controls(self) -> dict[str, Any]:
        return {
            "rung": _rung_slider(self.machine, self.ladder),
            "rate": _rate_slider(self.machine, self.machine.knob.fastest_detents_s),
            "turning": _turning_slider(2.0),
        }

    def _draw(self) -> None:
        gain = float(self.ladder.on(self.axis)[self._value("rung")])
        self._turn(self.machine, self.axis, gain, self.habits)
        unit = self.machine.shown_unit(self.axis)
        factor = float(UNIT_FACTORS[unit])
        asked, top = self._value("rate") * gain / factor, self.axis.top_speed_mm_s / factor
        keeps = "keeps up" if asked <= top else "can't keep up"
        self._tell(f"The hand asks for {asked:.3g} {unit}/s, {self.axis.name} can do {top:.3g} {unit}/s: it {keeps}.")


class BetweenReports(_LessonPanel):
    """The axis' speed while the knob is turned evenly: report interval, turn rate and distance per click."""

    def _make_controls(self) -> dict[str, Any]:
        steady = self.machine.knob.steady_detents_s
        most = self.axis.top_speed_mm_s / steady
        return {
            "report": _report_slider(self.machine, low=5, step=5),
            "rate": _rate_slider(self.machine, steady),
            "gain": _plain_slider("one click is", most / 200, most, Fraction(most / 8), self.machine.shown_unit(self.axis)),
        }

    def _draw(self) -> None:
        gain, rate, every = float(self._value("gain")), float(self._value("rate")), self._value("report") / 1000
        machine, unit = with_wishes(self.machine, report_interval_s=every), self.machine.shown_unit(self.axis)
        answers = {habit.speed: _turned(machine, self.axis, gain, rate, 1.0, habit) for habit in (Habit(), Habit(speed="spread"))}
        self._plot(plot_between_reports, answers, min(rate * gain, self.axis.top_speed_mm_s), unit=unit)
        self._tell(f"Each report carries {rate * every:.2g} clicks on average; a click waits up to {1000 * every:g} ms for one.")


class DialBench(_LessonPanel):
    """The axis under a dial indicator, moved click by click: commanded, counted and measured position. Simulated, seeded."""

    def __init__(self, machine: Machine) -> None:
        self.bench = Bench(machine)
        super().__init__(machine)

    def _make_controls(self) -> dict[str, Any]:
        clicks = _whole_slider("clicks turned", 0, 0, 120)
        clicks.continuous_update = False  # a stop is where the hand lets go
        return {"clicks": clicks}

    def _draw(self) -> None:
        bench = self.bench
        bench.go(self._value("clicks"))
        self._plot(plot_dial, bench.commanded_mm, bench.counted_mm, bench.steps, bench.measured_mm)
        told = f"commanded {say_number(bench.commanded_mm)} mm, counted {say_number(bench.counted_mm)} mm"
        self._tell(f"{bench.clicks} clicks: {told}, and the dial reads {bench.measured_mm:.3f} mm (simulated).")
