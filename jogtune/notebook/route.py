"""Which rung, how long."""

from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from ..charts.hand import estimate_on, plot_along, plot_controls, plot_fastest, plot_route
from ..choose.suggest import suggest
from ..files import Fault, InputFault
from ..hand.controls import compare_controls, controls_of
from ..hand.estimate import Along
from ..hand.person import Estimate, Hand, Motion
from ..ladder.ladder import Ladder, as_ladder
from ..machine.file import as_machine
from ..machine.model import Axis, Machine, Task
from ..units import UNIT_FACTORS, say_distance, say_number
from ..words.speak import speak
from .canvas import _Canvas, _Redrawn
from .panel import _axis_choice, _choice, _distance_slider, _goal_sliders, _LessonPanel, _Panel, _Picture


def _make_goal(axis: Axis, distance_mm: float, tolerance_mm: float) -> Task:
    """A goal as a task; raises `InputFault` where there is nothing to do."""
    if tolerance_mm > distance_mm:
        rule = "The tolerance is wider than the distance: there is nothing to do."
        raise InputFault("panel", [Fault("tolerance", rule=rule)])
    return Task(name="this goal", axis=axis.name, distance_mm=distance_mm, tolerance_mm=tolerance_mm, cue="eye")


class WhichRung(_Panel):
    """A goal's distance and tolerance beside the route down the ladder, and the controls side by side.

    `ladder` defaults to the suggested one. What the sliders say counts in mm on a straight axis, in degrees on a turning one."""

    def __init__(self, machine: str | Path | Machine, *, ladder: str | Ladder | None = None) -> None:
        super().__init__()
        self.machine = as_machine(machine)
        self.ladder = as_ladder(ladder or suggest(self.machine).ladder, self.machine)
        self.picture = _Picture(_Canvas(7.2, 6.9), "route down the ladder, and controls side by side")
        place = self.picture.canvas.place
        self.route = _Redrawn(place(1.0, 4.1, 6.0, 2.4), lively=True)
        self.sides = _Redrawn(place(1.0, 0.6, 6.0, 2.6))
        self.picture.charts = (self.route, self.sides)
        self._sides_show: tuple[str, float] | None = None
        self._asked = "", 0.0
        self._build()

    def _make_controls(self) -> dict[str, Any]:
        return {**_goal_sliders(self.machine, self.machine.axes[0]), "axis": _axis_choice(self.machine)}

    def _draw(self) -> None:
        axis = self.machine.axis(self._value("axis"))
        task = _make_goal(axis, *(self._on(axis, name) for name in ("distance", "tolerance")))
        self.route.update(lambda ax: plot_route(ax, self.machine, self.ladder, task))
        self._asked = axis.name, task.tolerance_mm
        if self._sides_show is None:
            self._draw_sides()
        elif self._sides_show != self._asked:  # the slower picture waits for rest
            self.sides.veil()
        self.picture.show()

    def _draw_sides(self) -> None:
        shown = self._asked
        controls = controls_of(self.machine, self.ladder, shown[0])
        self.sides.update(lambda ax: plot_controls(ax, self.machine, controls, *shown))
        self._sides_show = shown

    def _settle_down(self) -> None:
        if self._sides_show != self._asked:
            self._draw_sides()
        super()._settle_down()

    def _on(self, axis: Axis, name: str) -> float:
        """A distance as an axis counts it: the number that is read stays, its unit is the axis'."""
        units = (self.machine.shown_unit(a) for a in (axis, self.machine.axes[0]))
        mine, first = (UNIT_FACTORS[unit] for unit in units)
        return float(self._value(name) * mine / first)

    def _put_words(self) -> None:
        self.picture.describe(f"{self.route.ax.get_title()}. Below: controls side by side, {self.sides.ax.get_title()}")


class _OfLadders(_LessonPanel):
    """A goal on one of a few ladders, or on all of them; what was found is kept."""

    def __init__(self, machine: Machine, ladders: Mapping[str, Ladder], *, axis: str | None = None) -> None:
        self.ladders = dict(ladders)
        self._known = lru_cache(maxsize=4096)(self._find)
        super().__init__(machine, axis=axis)

    def _find(self, name: str, goal: Any) -> Any:
        raise NotImplementedError


class Route(_OfLadders):
    """The speed ladder as a choice: distance and tolerance, and the route of the quickest way drawn on the ladder.

    `ladders` are the ladders to choose from, by name."""

    def _make_controls(self) -> dict[str, Any]:
        return {**_goal_sliders(self.machine, self.axis), "ladder": _choice("ladder", list(self.ladders))}

    def _find(self, name: str, goal: Task) -> Estimate:
        return estimate_on(self.machine, self.ladders[name], goal)

    def _draw(self) -> None:
        name = self._value("ladder")
        task = _make_goal(self.axis, float(self._value("distance")), float(self._value("tolerance")))
        found: Estimate = self._known(name, task)
        shown = found if found.possible else replace(found, route=())
        self._plot(plot_route, self.machine, self.ladders[name], task, answer=shown)
        self._tell(_goal_words(found))


def _goal_words(found: Estimate) -> str:
    """Time, spread and moves of an estimate in a sentence, or why not every goal can be reached."""
    if not found.possible or found.mean_s is None:
        return f"Out of reach: {100 * found.share_impossible:.0f} % of such goals. {speak(found.reason)}"
    changes = say_number(round(found.switches, 1))
    word = "change" if changes == "1" else "changes"
    return (
        f"Expected: {found.mean_s:.1f} s, give or take {found.sd_s:.1f} s; {found.moves:.1f} moves and {changes} {word} "
        "of rung on average. A model of a hand, not yours."
    )


class LadderTimes(_OfLadders):
    """Time against distance for a few ladders: sliders for the tolerance and for a distance to mark."""

    @cached_property
    def _distances_mm(self) -> Any:
        return np.geomspace(20 * float(self.axis.finest_mm), 0.75 * self.axis.reach_mm, 16)

    def _make_controls(self) -> dict[str, Any]:
        return dict(reversed(_goal_sliders(self.machine, self.axis).items()))

    def _find(self, name: str, goal: Task) -> Along:
        machine, axis = self.machine, self.axis.name
        knob = controls_of(machine, self.ladders[name], axis)["knob"]
        return knob.along(self._distances_mm, goal, Motion.from_machine(machine, axis), Hand.from_machine(machine))

    def _draw(self) -> None:
        far, wide, unit = float(self._value("distance")), float(self._value("tolerance")), self.machine.shown_unit(self.axis)
        times = {name: self._known(name, _make_goal(self.axis, wide, wide)) for name in self.ladders}
        self._plot(plot_along, self._distances_mm, times, unit=unit, marked_mm=far)
        near = int(np.abs(np.log(self._distances_mm / far)).argmin())
        said = [f"{name}: {_seconds(a.mean_s[near], a.share_impossible)}" for name, a in times.items()]
        self._tell(f"For goals about {say_distance(far, unit)} away: {'; '.join(said)}.")


def _seconds(time_s: float, share_impossible: float) -> str:
    return f"{100 * share_impossible:.0f} % of goals out of reach" if share_impossible else f"{time_s:.1f} s"


class ThreeControls(_LessonPanel):
    """Knob, stick and step buttons: which is fastest for which distance and tolerance. The map takes a few seconds."""

    def __init__(self, machine: Machine, ladder: Ladder, *, axis: str | None = None, points: int = 10) -> None:
        on = machine.axis(axis) if axis else machine.axes[0]
        finest = float(on.finest_mm)
        self.distances_mm = np.geomspace(20 * finest, 0.75 * on.reach_mm, points + 4).tolist()
        self.tolerances_mm = np.geomspace(finest / 2, 150 * finest, points).tolist()
        self.grid = compare_controls(
            controls_of(machine, ladder, on.name), self.distances_mm, self.tolerances_mm,
            Motion.from_machine(machine, on.name), Hand.from_machine(machine),
        )  # fmt: skip
        super().__init__(machine, axis=axis, height_in=4.4)

    def _make_controls(self) -> dict[str, Any]:
        sides = (("distance", "distance D", self.distances_mm), ("tolerance", "tolerance W", self.tolerances_mm))
        unit = self.machine.shown_unit(self.axis)
        return {name: _distance_slider(text, side, side[len(side) // 2], unit, digits=2) for name, text, side in sides}

    def _draw(self) -> None:
        far, wide, unit = self._value("distance"), self._value("tolerance"), self.machine.shown_unit(self.axis)
        self._plot(plot_fastest, self.grid, unit=unit, marked_mm=(far, wide))
        here = self.grid[(self.grid["distance_mm"] == far) & (self.grid["tolerance_mm"] == wide)]
        cells = zip(here["control"], here["mean_s"], here["share_impossible"], strict=True)
        said = "; ".join(f"{name}: {_seconds(time, share)}" for name, time, share in cells)
        nothing = "the tolerance is as wide as the way, so there is nothing to do"
        self._tell(f"At the ring: {said or nothing}. A model with start values, not a measurement.")
