"""Panels of the lessons 5 to 7."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from typing import Any

import ipywidgets as widgets
import numpy as np

from ..charts.hand import estimate_on, plot_along, plot_fastest, plot_route
from ..hand.controls import compare_controls, controls_of
from ..hand.estimate import Along
from ..hand.motion import Estimate, Motion
from ..hand.person import Hand
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine, Task
from ..units import UNIT_FACTORS, say_distance, say_number
from ..words.speak import speak
from .lessons import LessonPanel, distance_slider, plain_mm

_CHOICES = 16


class Route(LessonPanel):
    """The speed ladder as a choice: distance and tolerance, and the route of the quickest way drawn on the ladder.

    `ladders` are the ladders to choose from, by name.
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
    """Time, spread and moves of an estimate in a sentence, or why not every goal can be reached."""
    if not found.possible or found.mean_s is None:
        share = f"{100 * found.share_impossible:.0f} % of such goals"
        return f"Out of reach: {share}. {speak(found.reason)}"
    changes = say_number(round(found.switches, 1))
    word = "change" if changes == "1" else "changes"
    time = f"{found.mean_s:.1f} s, give or take {found.sd_s:.1f} s"
    return (
        f"Expected: {time}; {found.moves:.1f} moves and {changes} {word} of rung on average. "
        "A model of a hand, not yours."
    )


def _goal_sliders(machine: Machine, axis: Axis) -> dict[str, widgets.Widget]:
    unit, finest = machine.shown_unit(axis), float(axis.finest_mm)
    far, wide = plain_mm(10 * finest, axis.reach_mm, unit), plain_mm(finest / 2, 100 * finest, unit)
    return {
        "distance": distance_slider("distance D", machine, far, Fraction(axis.reach_mm / 10), unit),
        "tolerance": distance_slider("tolerance W", machine, wide, Fraction(10 * finest), unit),
    }


class LadderTimes(LessonPanel):
    """Time against distance for a few ladders: sliders for the tolerance and for a distance to mark."""

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
    """Knob, stick and step buttons: which is fastest for which distance and tolerance. The map takes a few seconds."""

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
