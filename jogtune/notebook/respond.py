"""The panels Answer and WhichRung."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import ipywidgets as widgets

from ..axis.burst import answer_burst
from ..axis.follow import Habit
from ..axis.outstanding import derive_outstanding
from ..charts.burst import ResponseChart, shared_limits
from ..charts.hand import plot_controls, plot_route
from ..choose.suggest import suggest
from ..hand.controls import controls_of
from ..ladder.ladder import Ladder
from ..machine.file import read_machine
from ..machine.model import Machine, Task
from ..units import from_unit, say_distance, say_number
from ..words.panels import response_words
from .canvas import Canvas, Redrawn
from .draft import goal_choices, wished_report
from .panel import Beside, Panel, Picture, row_box, whole_slider

_HABITS = {
    "owe, dash": Habit(),
    "owe, spread": Habit(speed="spread"),
    "forgive, dash": Habit(too_fast="forgive"),
    "forgive, spread": Habit(too_fast="forgive", speed="spread"),
}


def habit_choices(machine: Machine, limit_mm: float) -> dict[str, Habit]:
    """The habits to choose from; committed moves where the file says how many."""
    limited = {
        "limit, dash": Habit(too_fast="limit", limit_mm=limit_mm),
        "limit, spread": Habit(too_fast="limit", limit_mm=limit_mm, speed="spread"),
    }
    queue = machine.firmware.queue or 8
    words: tuple[Literal["wait", "merge", "discard"], ...] = ("wait", "merge", "discard")
    queued = {f"queue of {queue}, when full {full}": Habit(queue=queue, when_full=full) for full in words}
    return {**_HABITS, **limited, **queued}


class Answer(Panel):
    """One burst of turning, and how an axis answers it: two habits side by side.

    `machine` is a machine file or a `Machine`; `ladder` defaults to the one suggested by coverage.
    """

    def __init__(self, machine: str | Path | Machine, ladder: Ladder | None = None) -> None:
        super().__init__()
        self.machine = machine if isinstance(machine, Machine) else read_machine(machine)
        self.ladder = ladder or suggest(self.machine, by="coverage").ladder
        self.picture = Picture(Canvas(7.6, 4.0), label="response chart")
        cells = self.picture.canvas.axes(2, left=0.7, right=0.15, top=0.45, bottom=0.9, gap=0.75)
        self.charts = [ResponseChart(ax) for ax in cells]
        self.charts[0].legend(loc="lower center")
        self.picture.charts = self.charts
        self.words = widgets.HTML()
        self._drawn: tuple[Any, ...] | None = None
        self.controls = self._make_controls()
        self._watch()
        self._arrange([self.picture.widget], [row_box([self.words], "jogtune-scroll", height="11em")])
        self.refresh()
        self._put_words()

    def _make_controls(self) -> dict[str, Any]:
        machine = self.machine
        habits = list(habit_choices(machine, machine.axes[0].reach_mm))
        rungs = [
            (f"×{rung.multiplier}, {say_distance(rung.gain_mm, machine.show_in)}", rung.position - 1)
            for rung in self.ladder.rungs
        ]
        fastest, every = round(machine.knob.fastest_detents_s), round(1000 * machine.link.report_interval_s)
        return {
            "turning": widgets.FloatSlider(value=1.0, min=0.1, max=4.0, step=0.1, description="turn for (s)"),
            "rate": whole_slider("turn rate (detents/s)", fastest, 1, max(2 * fastest, 10)),
            "rung": widgets.SelectionSlider(options=rungs, value=len(rungs) - 1, description="rung"),
            "report": whole_slider("a report every (ms)", every, 1, max(200, every)),
            "axis": widgets.Dropdown(options=[axis.name for axis in machine.axes], description="axis"),
            "habit": widgets.Dropdown(options=habits, value="owe, dash", description="habit, left"),
            "beside": widgets.Dropdown(options=habits, value="limit, dash", description="habit, right"),
        }

    def _draw(self) -> None:
        values = {name: control.value for name, control in self.controls.items()}
        axis = self.machine.axis(values["axis"])
        gain = self.machine.axis_gain(axis, self.ladder.gains_mm[values["rung"]])
        unit = self.machine.shown_unit(axis)
        machine = wished_report(self.machine, values["report"])
        names = [values["habit"], values["beside"]]
        turned = [self._turn(machine, values, float(gain), name) for name in names]
        until_s, high = shared_limits(turned, unit)
        turned = [self._turn(machine, values, float(gain), name, until_s) for name in names]
        for chart, name, burst in zip(self.charts, names, turned, strict=True):
            chart.update(burst, unit=unit, title=name, until_s=until_s, high=high)
        self.picture.show()
        rate, turning = say_number(values["rate"]), say_number(values["turning"], digits=2)
        label = f"Axis {axis.name}: {rate} detents/s for {turning} s, {say_distance(gain, unit)} a click"
        self._drawn = label, machine, axis, float(gain), list(zip(names, turned, strict=True))

    def _put_words(self) -> None:
        if self._drawn is not None:
            self.picture.label, *drawn = self._drawn
            self.words.value = response_words(*drawn)

    def _turn(
        self, machine: Machine, values: dict[str, Any], gain_mm: float, name: str, until_s: float | None = None
    ) -> Any:
        axis = machine.axis(values["axis"])
        limit = derive_outstanding(machine, axis, self.ladder).used_limit_mm
        return answer_burst(
            values["rate"], values["turning"], gain_mm, machine.link, habit=habit_choices(machine, limit)[name],
            top_speed_mm_s=axis.top_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2, until_s=until_s,
        )  # fmt: skip


class WhichRung(Panel):
    """A goal's distance and tolerance beside the route down the ladder, and the controls side by side.

    `ladder` defaults to the suggested one.
    """

    def __init__(self, machine: str | Path | Machine, *, ladder: Ladder | None = None) -> None:
        super().__init__()
        self.machine = machine if isinstance(machine, Machine) else read_machine(machine)
        self.ladder = ladder or suggest(self.machine).ladder
        self.picture = Picture(Canvas(7.2, 6.9), label="route down the ladder, and controls side by side")
        place = self.picture.canvas.place
        self.route = Redrawn(place(1.0, 4.1, 6.0, 2.4), lively=True)
        self.sides = Redrawn(place(1.0, 0.6, 6.0, 2.6))
        self.picture.charts = (self.route, self.sides)
        self._sides_show: tuple[str, float] | None = None
        self.controls = self._make_controls()
        self._watch()
        self._arrange([self.picture.widget])
        self.refresh()

    def _make_controls(self) -> dict[str, Any]:
        unit = self.machine.shown_unit(self.machine.axes[0])
        ways, widths = goal_choices(self.machine)
        return {
            "distance": _slider(ways, ways[-2], "distance", unit),
            "tolerance": _slider(widths, widths[3], "within (whole width)", unit),
            "axis": widgets.Dropdown(options=[a.name for a in self.machine.axes], description="axis"),
        }

    def _draw(self) -> None:
        axis = self.machine.axis(self.controls["axis"].value)
        unit = self.machine.shown_unit(axis)
        far, wide = (float(from_unit(self.controls[name].value, unit)) for name in ("distance", "tolerance"))
        if wide > far:
            raise Beside([("tolerance", "The tolerance is wider than the distance: there is nothing to do.")])
        task = Task(name="this goal", axis=axis.name, distance_mm=far, tolerance_mm=wide, cue="eye")
        self.route.update(lambda ax: plot_route(ax, self.machine, self.ladder, task))
        if self._sides_show != (axis.name, wide):  # the slower picture, which distance does not change
            controls = controls_of(self.machine, self.ladder, axis.name)
            self.sides.update(lambda ax: plot_controls(ax, self.machine, controls, axis.name, wide))
            self._sides_show = (axis.name, wide)
        self.picture.show()

    def _put_words(self) -> None:
        self.picture.label = f"{self.route.ax.get_title()}. Below: controls side by side, {self.sides.ax.get_title()}"


def _slider(values: Sequence[Fraction], value: Fraction, text: str, unit: str) -> widgets.SelectionSlider:
    options = [(f"{say_number(v)} {unit}", v) for v in values]
    return widgets.SelectionSlider(options=options, value=value, description=text)
