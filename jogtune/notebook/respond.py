"""A burst, two habits; the knob."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from ..axis.advice import Burst, answer_burst
from ..axis.follow import Habit
from ..axis.outstanding import derive_outstanding
from ..charts.burst import ResponseChart, shared_limits
from ..choose.cover import derive_ladder
from ..ladder.ladder import Ladder, as_ladder
from ..machine.file import as_machine
from ..machine.model import Axis, Machine, with_wishes
from ..units import say_distance, say_number
from ..words.html import response_words
from .canvas import _Canvas
from .knob import Knob
from .panel import _axis_choice, _bundle, _choice, _Panel, _Picture, _rate_slider, _report_slider, _row_box, _rung_slider

_LEGEND_DOTS = 560  # the names of four lines beside each other


def _habit_choices(machine: Machine, limit_mm: float) -> dict[str, Habit]:
    """The habits to choose from; committed moves where the file says how many."""
    queue = machine.firmware.queue or 8
    speeds: list[Any] = ["dash", "spread"]
    words: list[Any] = ["wait", "merge", "discard"]
    ways: dict[Any, float | None] = {"owe": None, "limit": limit_mm, "forgive": None}
    free = {f"{way}, {speed}": Habit(too_fast=way, limit_mm=most, speed=speed) for way, most in ways.items() for speed in speeds}
    return free | {f"queue of {queue}, when full {word}": Habit(queue=queue, when_full=word) for word in words}


def _turned(
    machine: Machine, axis: Axis, gain_mm: float, rate: float, burst_s: float, habit: Habit
) -> Burst:
    """One burst of turning over the link of a machine."""
    return answer_burst(
        rate, burst_s, gain_mm, machine.link, habit=habit, top_speed_mm_s=axis.top_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2,
    )  # fmt: skip


def _turning_slider(most_s: float) -> widgets.FloatSlider:
    """How long a burst of turning lasts."""
    return widgets.FloatSlider(value=1.0, min=0.1, max=most_s, step=0.1, description="turn for (s)")


class _Bursts(_Panel):
    """One burst of turning under a few habits of the controller side by side. Base of two panels."""

    def __init__(self, machine: str | Path | Machine, ladder: str | Ladder | None, count: int) -> None:
        super().__init__()
        self.machine = as_machine(machine)
        self.ladder = as_ladder(ladder or derive_ladder(self.machine), self.machine)
        self.picture = _Picture(_Canvas(7.6, 4.0), "response chart")
        cells = self.picture.canvas.axes(count, left=0.7, right=0.15, top=0.45, bottom=0.9, gap=0.75)
        self.charts = [ResponseChart(ax, small=count > 2) for ax in cells]
        self.charts[0].legend(loc="lower center")
        self.picture.charts = self.charts

    def _fit(self, change: object) -> None:
        self.picture.canvas.figure.legends.clear()
        self.charts[0].legend(loc="lower center", ncols=1 if 0 < self.picture.room.width < _LEGEND_DOTS else 4)
        super()._fit(change)

    def _turn(self, machine: Machine, axis: Axis, gain_mm: float, habits: Sequence[tuple[str, Habit]]) -> list[tuple[str, Burst]]:
        rate, burst_s, unit = self._value("rate"), self._value("turning"), machine.shown_unit(axis)
        bursts = [(name, _turned(machine, axis, gain_mm, rate, burst_s, habit)) for name, habit in habits]
        until_s, high = shared_limits((burst for _, burst in bursts), unit)
        for chart, (name, burst) in zip(self.charts, bursts, strict=True):
            chart.update(burst, unit=unit, title=name, until_s=until_s, high=high)
        self.picture.show()
        return bursts


class Answer(_Bursts):
    """One burst of turning, and how an axis answers it: two habits side by side.

    `machine` is a machine file or a `Machine`; `ladder` defaults to the one suggested by coverage."""

    def __init__(self, machine: str | Path | Machine, ladder: str | Ladder | None = None) -> None:
        super().__init__(machine, ladder, 2)
        self._drawn: tuple[Any, ...] = ()
        self._build(below=[_row_box([self.words], "jogtune-scroll", height="11em")])
        self._put_words()

    def _make_controls(self) -> dict[str, Any]:
        machine, fastest = self.machine, self.machine.knob.fastest_detents_s
        habits = list(_habit_choices(machine, machine.axes[0].reach_mm))
        return {
            "turning": _turning_slider(4.0), "rate": _rate_slider(machine, fastest, max(2 * fastest, 10)),
            "rung": _rung_slider(machine, self.ladder), "report": _report_slider(machine), "axis": _axis_choice(machine),
            "habit": _choice("habit, left", habits, "owe, dash"), "beside": _choice("habit, right", habits, "limit, dash"),
        }  # fmt: skip

    def _draw(self) -> None:
        axis = self.machine.axis(self._value("axis"))
        gain = self.ladder.on(axis)[self._value("rung")]
        machine = with_wishes(self.machine, report_interval_s=self._value("report") / 1000)
        habits = _habit_choices(machine, derive_outstanding(machine, axis, self.ladder).used_limit_mm)
        names = (self._value("habit"), self._value("beside"))
        bursts = self._turn(machine, axis, float(gain), [(name, habits[name]) for name in names])
        rate, turning = say_number(self._value("rate")), say_number(self._value("turning"), digits=2)
        said = say_distance(gain, machine.shown_unit(axis))
        label = f"Axis {axis.name}: {rate} clicks/s for {turning} s, {said} a click"
        self._drawn = label, machine, self.ladder, axis.name, self._value("rung") + 1, bursts

    def _put_words(self) -> None:
        if self._drawn:
            label, *drawn = self._drawn
            self.picture.describe(label)
            self.words.value = response_words(*drawn)


class Try(_Panel):
    """The on-screen knob with a choice of axis, habit and blindness.

    Further arguments go to `Knob`. `knob` is the one shown; a change of a control starts a fresh one."""

    def __init__(
        self, machine: str | Path | Machine, *ladders: str | Ladder, axis: str | None = None, blind: bool = False, **options: Any
    ) -> None:
        super().__init__()
        self.machine = as_machine(machine)
        self.ladders = [as_ladder(ladder, self.machine) for ladder in ladders or (derive_ladder(self.machine),)]
        self.options = options
        self.knob: Knob
        self.place = widgets.VBox()
        habits = [name for name, habit in _habit_choices(self.machine, 1.0).items() if habit.queue is None]
        self.controls = {
            "axis": _axis_choice(self.machine, value=axis),
            "habit": _choice("habit of the controller", habits),
            "blind": widgets.Checkbox(value=blind, description="hide which ladder is on", indent=False),
        }
        self._build([self.place])

    def _draw(self) -> None:
        axis = self.machine.axis(self._value("axis"))
        limit = max(derive_outstanding(self.machine, axis, ladder).used_limit_mm for ladder in self.ladders)
        habit = _habit_choices(self.machine, limit)[self._value("habit")]
        before = getattr(self, "knob", None)
        self.knob = Knob(self.machine, *self.ladders, axis=axis.name, blind=self._value("blind"), habit=habit, **self.options)
        self.place.children = [self.knob]
        if before:
            before.close()  # its rows are kept in the page, which offers them

    def _settle_down(self) -> None:
        """The knob draws itself, in the browser."""

    def _repr_mimebundle_(self, **_: Any) -> dict[str, Any]:
        words = f"The on-screen knob, axis {self.knob.axis.name}"
        return _bundle(self.view._repr_mimebundle_(), self.knob.still(), words)
