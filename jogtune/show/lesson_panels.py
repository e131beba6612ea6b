"""Small live panels of the lessons: a few sliders above one picture, and a sentence below it. No mathematics."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache, partial
from typing import Any

import ipywidgets as widgets
import numpy as np

from ..design.controls import Along, compare_controls, controls_of
from ..design.derive import finest_wish
from ..design.hand import Estimate, Hand, Motion
from ..design.limits import real_resolution
from ..design.outstanding import derive_outstanding
from ..design.response import Burst, Habit, answer_burst
from ..ladder import Ladder
from ..lessons.one_click import first_gaps
from ..machine import Axis, Machine, Task
from ..units import UNIT_FACTORS, plain_at_least, say_distance, say_number
from .canvas import Canvas, Redrawn
from .hand_plots import estimate_on, plot_along, plot_fastest, plot_route
from .lesson_plots import plot_between_reports, plot_burst, plot_clicks, plot_reversal
from .panels import Panel, Picture

__all__ = [
    "BetweenReports", "Clicks", "Habits", "LadderTimes", "LessonPanel", "Reversal", "Route", "ThreeControls",
    "goal_words", "plain_values",
]  # fmt: skip

_CHOICES = 16


class LessonPanel(Panel):
    """A few controls beside one picture, a sentence below it. Base of the panels that follow.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> panel = Clicks(router)
    >>> panel.controls["axis"].value = "Z"  # as if someone chose it
    >>> panel.words.value.split(".")[0]
    '<p>One click is 8 steps of Z'
    """

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
    """Every plain number (1, 2 or 5 times a power of ten) from `low` to `high`.

    >>> [str(value) for value in plain_values(Fraction(1, 50), Fraction(1, 4))]
    ['1/50', '1/20', '1/10', '1/5']
    """
    values = [plain_at_least(low)]
    while values[-1] < high and len(values) < 60:
        values.append(plain_at_least(values[-1] * Fraction(3, 2)))
    return [value for value in values if value <= high]


def _axis_slider(machine: Machine) -> widgets.Dropdown:
    return widgets.Dropdown(options=[axis.name for axis in machine.axes], description="axis")


def _distance_slider(
    name: str, machine: Machine, values_mm: Sequence[Fraction], start: Fraction, unit: str
) -> widgets.SelectionSlider:
    options = [(say_distance(value, unit, digits=4), value) for value in values_mm]
    nearest = min(values_mm, key=lambda value: abs(value / start - 1))
    return widgets.SelectionSlider(options=options, value=nearest, description=name)


def _plain_mm(low_mm: float, high_mm: float, unit: str) -> list[Fraction]:
    """Plain distances of a unit between two bounds, as mm."""
    factor = UNIT_FACTORS[unit]
    return [v * factor for v in plain_values(Fraction(low_mm) / factor, Fraction(high_mm) / factor)]


def _rate_slider(machine: Machine, start: float) -> widgets.IntSlider:
    top = max(2, round(machine.knob.fastest_detents_s))
    return widgets.IntSlider(value=round(start), min=1, max=top, description="clicks a second")


class Clicks(LessonPanel):
    """What each click makes the motor do: distance per click, axis, and what becomes of remainders.

    >>> from jogtune.machine import read_machine
    >>> Clicks(read_machine("datasets/machines/inlay_router.toml")).fault.value
    ''
    """

    def _make_controls(self) -> dict[str, widgets.Widget]:
        machine, wish = self.machine, finest_wish(self.machine)
        values = _plain_mm(float(wish) / 10, float(wish) * 10, machine.show_in)
        remainder = widgets.Dropdown(options=[("kept", "carry"), ("dropped", "drop")], description="remainder is",)  # fmt: skip
        return {
            "gain": _distance_slider("one click is", machine, values, wish, machine.show_in),
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
    """Ten clicks up, ten back: what the readout says and where the axis stands.

    >>> from jogtune.machine import read_machine
    >>> Reversal(read_machine("datasets/machines/inlay_router.toml")).fault.value
    ''
    """

    def _make_controls(self) -> dict[str, widgets.Widget]:
        axis = self.machine.axes[0]
        finest = float(axis.finest_mm)
        gains = _plain_mm(finest / 4, finest * 10, "mm")
        slack = widgets.FloatSlider(
            value=axis.slack_mm, min=0, max=max(4 * axis.slack_mm, finest), step=max(axis.slack_mm, finest) / 20,
            description="slack (mm)", readout_format=".4f",
        )  # fmt: skip
        return {
            "gain": _distance_slider("one click is", self.machine, gains, axis.finest_mm, "mm"),
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
    """One burst of turning on one rung, under three habits of the controller side by side.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> Habits(router, Ladder(base_mm=Fraction(1, 50), multipliers=(1, 5, 250))).fault.value
    ''
    """

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
    """The axis' speed while the knob is turned evenly: report interval, turn rate and distance per click.

    >>> from jogtune.machine import read_machine
    >>> BetweenReports(read_machine("datasets/machines/inlay_router.toml")).fault.value
    ''
    """

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
            "gain": _distance_slider("one click is", self.machine, _plain_mm(most / 200, most, unit), start, unit),
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


class Route(LessonPanel):
    """The speed ladder as a choice: distance and tolerance, and the route of the quickest way drawn on the ladder.

    `ladders` are the ladders to choose from, by name.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> Route(router, {"three": Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100))}).fault.value
    ''
    """

    def __init__(self, machine: Machine, ladders: Mapping[str, Ladder], *, axis: str | None = None) -> None:
        self.ladders, self.axis = dict(ladders), machine.axis(axis) if axis else machine.axes[0]
        self._known = lru_cache(maxsize=4096)(self._find)
        super().__init__(machine)

    def _make_controls(self) -> dict[str, widgets.Widget]:
        return {
            **_goal_sliders(self.machine, self.axis),
            "ladder": widgets.Dropdown(options=list(self.ladders), description="ladder"),
        }

    def _find(self, name: str, task: Task) -> Estimate:
        return estimate_on(self.machine, self.ladders[name], task)

    def _draw(self) -> None:
        name, far, wide = self._value("ladder"), float(self._value("distance")), float(self._value("tolerance"))
        task = Task(name="this goal", axis=self.axis.name, distance_mm=far, tolerance_mm=wide, cue="eye")
        found = self._known(name, task)
        shown = found if found.possible else replace(found, route=())
        self._plot(lambda ax: plot_route(ax, self.machine, self.ladders[name], task, answer=shown))
        self._tell(goal_words(found))


def goal_words(found: Estimate) -> str:
    """Time, spread and moves of an estimate in a sentence, or why not every goal can be reached.

    >>> goal_words(Estimate(mean_s=2.5, sd_s=0.4, moves=2.2, switches=1.0))
    'Expected: 2.5 s, give or take 0.4 s; 2.2 moves and 1 change of rung on average. A model of a hand, not yours.'
    """
    if not found.possible or found.mean_s is None:
        share = f"{100 * found.share_impossible:.0f} % of such goals"
        return f"Out of reach: {share}, because {found.reason}."
    changes = say_number(round(found.switches, 1))
    word = "change" if changes == "1" else "changes"
    time = f"{found.mean_s:.1f} s, give or take {found.sd_s:.1f} s"
    return (
        f"Expected: {time}; {found.moves:.1f} moves and {changes} {word} of rung on average. "
        "A model of a hand, not yours."
    )


def _goal_sliders(machine: Machine, axis: Axis) -> dict[str, widgets.Widget]:
    unit, finest = machine.shown_unit(axis), float(axis.finest_mm)
    far, wide = _plain_mm(10 * finest, axis.reach_mm, unit), _plain_mm(finest / 2, 100 * finest, unit)
    return {
        "distance": _distance_slider("distance D", machine, far, Fraction(axis.reach_mm / 10), unit),
        "tolerance": _distance_slider("tolerance W", machine, wide, Fraction(10 * finest), unit),
    }


class LadderTimes(LessonPanel):
    """Time against distance for a few ladders: sliders for the tolerance and for a distance to mark.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> LadderTimes(router, {"two": Ladder(base_mm=Fraction(1, 50), multipliers=(1, 100))}).fault.value
    ''
    """

    def __init__(self, machine: Machine, ladders: Mapping[str, Ladder], *, axis: str | None = None) -> None:
        self.ladders, self.axis = dict(ladders), machine.axis(axis) if axis else machine.axes[0]
        self.motion, self.hand = Motion.from_machine(machine, self.axis.name), Hand.from_machine(machine)
        self.distances_mm = np.geomspace(20 * float(self.axis.finest_mm), 0.75 * self.axis.reach_mm, _CHOICES)
        self._known = lru_cache(maxsize=512)(self._find)
        super().__init__(machine)

    def _make_controls(self) -> dict[str, widgets.Widget]:
        sliders = _goal_sliders(self.machine, self.axis)
        return {"tolerance": sliders["tolerance"], "distance": sliders["distance"]}

    def _find(self, name: str, tolerance_mm: float) -> Along:
        task = Task(name="goal", axis=self.axis.name, distance_mm=1.0, tolerance_mm=tolerance_mm, cue="eye")
        knob = controls_of(self.machine, self.ladders[name], self.axis.name)["knob"]
        return knob.along(self.distances_mm, task, self.motion, self.hand)

    def _draw(self) -> None:
        far, wide, unit = self._value("distance"), float(self._value("tolerance")), self.machine.shown_unit(self.axis)
        times = {name: self._known(name, wide) for name in self.ladders}
        self._plot(lambda ax: plot_along(ax, self.distances_mm, times, unit=unit, marked_mm=float(far)))
        near = int(np.abs(np.log(self.distances_mm / float(far))).argmin())
        said = [f"{name}: {_seconds(a.mean_s[near], a.share_impossible)}" for name, a in times.items()]
        self._tell(f"For goals about {say_distance(far, unit)} away: {'; '.join(said)}.")


def _seconds(time_s: float, share_impossible: float) -> str:
    return f"{100 * share_impossible:.0f} % of goals out of reach" if share_impossible else f"{time_s:.1f} s"


class ThreeControls(LessonPanel):
    """Knob, stick and step buttons: which is fastest for which distance and tolerance. The map takes a few seconds.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 25, 250))
    >>> ThreeControls(router, ladder, points=4).fault.value
    ''
    """

    def __init__(self, machine: Machine, ladder: Ladder, *, axis: str | None = None, points: int = 10) -> None:
        self.axis = machine.axis(axis) if axis else machine.axes[0]
        finest, reach = float(self.axis.finest_mm), self.axis.reach_mm
        self.distances_mm = np.geomspace(20 * finest, 0.75 * reach, points + 4)
        self.tolerances_mm = np.geomspace(finest / 2, 150 * finest, points)
        self.grid = compare_controls(
            controls_of(machine, ladder, self.axis.name), self.distances_mm.tolist(), self.tolerances_mm.tolist(),
            Motion.from_machine(machine, self.axis.name), Hand.from_machine(machine),
        )  # fmt: skip
        super().__init__(machine, height_in=4.4)

    def _make_controls(self) -> dict[str, widgets.Widget]:
        unit = self.machine.shown_unit(self.axis)
        factor = float(UNIT_FACTORS[unit])

        def slider(name: str, values: Any) -> widgets.SelectionSlider:
            options = [(f"{say_number(value / factor, digits=2)} {unit}", float(value)) for value in values]
            middle = options[len(options) // 2][1]
            return widgets.SelectionSlider(options=options, value=middle, description=name)

        return {"distance": slider("distance D", self.distances_mm), "tolerance": slider("tolerance W", self.tolerances_mm)}

    def _draw(self) -> None:
        far, wide, unit = self._value("distance"), self._value("tolerance"), self.machine.shown_unit(self.axis)
        self._plot(lambda ax: plot_fastest(ax, self.grid, unit=unit, marked_mm=(far, wide)))
        here = self.grid[(self.grid["distance_mm"] == far) & (self.grid["tolerance_mm"] == wide)]
        cells = zip(here["control"], here["mean_s"], here["share_impossible"], strict=True)
        said = "; ".join(f"{name}: {_seconds(time, share)}" for name, time, share in cells)
        nothing = "the tolerance is as wide as the way, so there is nothing to do"
        self._tell(f"At the ring: {said or nothing}. A model with start values, not a measurement.")
