"""Charts of the hand: the route down the ladder, time against distance, controls side by side, rungs' worth."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from ..design.best import Search
from ..design.controls import Along, Control, KnobControl
from ..design.hand import Estimate, Hand, Motion
from ..ladder import Ladder
from ..machine import Machine, Task
from ..units import UNIT_FACTORS, say_number
from .plots import FAINT, INK, axis_colour, axis_line

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


def estimate_on(machine: Machine, ladder: Ladder, task: Task, hand: Hand | None = None) -> Estimate:
    """What a task takes with a ladder on its axis of a machine.

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 5, 50, 250))
    >>> [leg.position for leg in estimate_on(router, ladder, router.tasks[0]).route]
    [4, 3]
    """
    axis = machine.axis(task.axis)
    control = KnobControl(gains_mm=tuple(machine.axis_gain(axis, gain) for gain in ladder.gains_mm))
    return control.estimate(task, Motion.from_machine(machine, axis.name), hand or Hand.from_machine(machine))


def plot_route(ax: Axes, machine: Machine, ladder: Ladder, task: Task, *, hand: Hand | None = None) -> Axes:
    """The route of a task on the ladder: which rung at which distance still to go, and when to switch."""
    axis = machine.axis(task.axis)
    unit = machine.shown_unit(axis)
    factor = float(UNIT_FACTORS[unit])
    answer = estimate_on(machine, ladder, task, hand)
    gains = [float(machine.axis_gain(axis, gain)) / factor for gain in ladder.gains_mm]
    for row in range(1, len(gains) + 1):
        ax.axhline(row, color=FAINT, lw=0.8, zorder=1)
    for earlier, leg in enumerate(answer.route):
        _draw_leg(ax, answer, earlier, leg.from_mm / factor, leg.until_mm / factor)
    half = task.tolerance_mm / 2 / factor
    far, near = task.distance_mm * 1.4 / factor, half / 3
    ax.axvspan(near, half, color="#009E73", alpha=0.18, lw=0)
    ax.text(np.sqrt(near * half), 0.8, "there", ha="center", va="center", fontsize=9, color=INK)
    ax.set(xscale="log", xlim=(far, near), ylim=(0.4, len(gains) + 0.7))
    ax.set_yticks(range(1, len(gains) + 1), [f"{say_number(g)} {unit}" for g in gains])
    ax.set_xlabel(f"still to go ({unit})")
    ax.set_ylabel("a click")
    ax.set_title(_route_title(task, answer), fontsize=10)
    _plain_numbers(ax)
    return ax


def _draw_leg(ax: Axes, answer: Estimate, index: int, start: float, end: float) -> None:
    leg = answer.route[index]
    colour = axis_colour(leg.position - 1)
    ax.plot([start, end], [leg.position] * 2, color=colour, lw=6, solid_capstyle="butt", zorder=2)
    if index > 0:
        before = answer.route[index - 1].position
        ax.plot([start, start], [before, leg.position], color=INK, lw=1, ls=":", zorder=2)
    counted = f"{say_number(leg.moves, digits=2)} move" + ("" if round(leg.moves, 1) == 1 else "s")
    ax.annotate(counted, (np.sqrt(start * max(end, start / 1e9)), leg.position), (0, 8), textcoords="offset points",
                ha="center", fontsize=8.5, color=INK)  # fmt: skip


def _route_title(task: Task, answer: Estimate) -> str:
    if answer.mean_s is None:
        return f"{task.name}: can't be done: {answer.reason}"
    text = f"{task.name}: {answer.mean_s:.1f} s, give or take {answer.sd_s:.1f} s"
    if answer.share_impossible:
        text += f"; {answer.share_impossible:.0%} of goals can't be met"
    return text


def plot_times(
    ax: Axes, machine: Machine, ladders: Mapping[str, Ladder], axis: str, tolerance_mm: float, *, hand: Hand | None = None
) -> Axes:
    """Expected time against distance for several ladders on one axis, at one tolerance."""
    the = machine.axis(axis)
    controls = {
        name: KnobControl(gains_mm=tuple(machine.axis_gain(the, gain) for gain in ladder.gains_mm))
        for name, ladder in ladders.items()
    }
    return plot_controls(ax, machine, controls, axis, tolerance_mm, hand=hand)


def plot_controls(
    ax: Axes,
    machine: Machine,
    controls: Mapping[str, Control],
    axis: str,
    tolerance_mm: float,
    *,
    hand: Hand | None = None,
    points: int = 16,
) -> Axes:
    """Time against distance for each hand control; one that misses some goals is drawn thin and said so."""
    the = machine.axis(axis)
    unit, motion, person = machine.shown_unit(the), Motion.from_machine(machine, axis), hand or Hand.from_machine(machine)
    factor = float(UNIT_FACTORS[unit])
    distances = np.geomspace(1.2 * tolerance_mm, the.reach_mm * 0.75, points)
    goal = Task(name="goal", axis=axis, distance_mm=1.0, tolerance_mm=tolerance_mm, cue="eye")
    for index, (name, control) in enumerate(controls.items()):
        answer = control.along(distances, goal, motion, person)
        _draw_times(ax, index, name, distances / factor, answer)
    ax.set(xscale="log", yscale="log")
    ax.set_xlabel(f"distance ({unit})")
    ax.set_ylabel("expected time (s)")
    ax.set_title(f"to within ±{say_number(tolerance_mm / 2 / factor, digits=3)} {unit}, by eye, axis {axis}", fontsize=10)
    ax.legend(frameon=False, fontsize=9)
    _plain_numbers(ax)
    return ax


def _draw_times(ax: Axes, index: int, name: str, distances: Any, answer: Along) -> None:
    missed, colour, line = answer.share_impossible, axis_colour(index), axis_line(index)
    if missed:
        label = f"{name}: misses {missed:.0%} of goals" if missed < 1 else f"{name}: can't be done"
        ax.plot(distances, answer.mean_s, color=colour, ls=line, lw=1, alpha=0.7, label=label)
        return
    ax.plot(distances, answer.mean_s, color=colour, ls=line, lw=2.4, label=name)
    low = np.maximum(answer.mean_s - answer.sd_s, answer.mean_s / 3)
    ax.fill_between(distances, low, answer.mean_s + answer.sd_s, color=colour, alpha=0.12, lw=0)


def plot_rungs_worth(ax: Axes, search: Search) -> Axes:
    """Expected time against the number of rungs, the knee and the choice marked."""
    counts = [len(point.ladder.multipliers) for point in search.curve]
    times = [point.time_s for point in search.curve]
    ax.plot(counts, times, color=axis_colour(0), marker="o", lw=2, label="fastest ladder of so many rungs")
    knee = search.curve_at(search.knee)
    if knee is not None:
        ax.plot([search.knee], [knee.time_s], marker="s", ms=13, mfc="none", mec=INK, ls="none", label="the knee")
    chosen = search.chosen
    ax.plot([len(chosen.ladder.multipliers)], [chosen.time_s], marker="D", ms=8, color=axis_colour(1), ls="none",
            label=f"chosen: {chosen.ladder.say()}")  # fmt: skip
    ax.set(yscale="log", xticks=counts)
    ax.set_xlabel("rungs")
    ax.set_ylabel("expected time of a task (s)")
    ax.legend(frameon=False, fontsize=9)
    _plain_numbers(ax, x=False)
    return ax


def _plain_numbers(ax: Axes, *, x: bool = True) -> None:
    from matplotlib.ticker import FuncFormatter, NullFormatter

    for side in [ax.xaxis, ax.yaxis] if x else [ax.yaxis]:
        if side.get_scale() == "log":
            side.set_major_formatter(FuncFormatter(lambda value, _: say_number(value, digits=3)))
            side.set_minor_formatter(NullFormatter())


def route_table(search: Search, machine: Machine) -> pd.DataFrame:
    """One row per task of a search: time, spread and the rungs it is done with."""
    import pandas as pd

    rows = []
    for task, answer in zip(search.mix.tasks, search.tasks, strict=True):
        unit = machine.shown_unit(machine.axis(task.axis))
        factor = float(UNIT_FACTORS[unit])
        clicks = " → ".join(f"{say_number(leg.gain_mm / factor, digits=4)}" for leg in answer.route if leg.moves >= 0.3)
        rows.append({
            "task": task.name,
            "axis": task.axis,
            "distance": f"{say_number(task.distance_mm / factor, digits=3)} {unit}",
            "within": f"{say_number(task.tolerance_mm / factor, digits=3)} {unit}",
            "time (s)": "can't be done" if answer.mean_s is None else f"{answer.mean_s:.1f} ± {answer.sd_s:.1f}",
            f"clicks ({machine.show_in})": clicks,
        })  # fmt: skip
    return pd.DataFrame(rows)
