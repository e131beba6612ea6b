"""Routes, times, worth."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from ..hand.controls import Control, KnobControl
from ..hand.estimate import Along
from ..hand.fit import HandFit
from ..hand.person import Estimate, Hand, Motion
from ..ladder.ladder import Ladder
from ..machine.model import Machine, Task
from ..units import UNIT_FACTORS, say_number
from ..words.speak import speak
from .ink import _COLOURS, _DASHED, _FAINT, _INK, _ON_WHITE, _draw_grid, _nth_colour, _nth_line, _plain_ticks, named


def estimate_on(machine: Machine, ladder: Ladder, task: Task, hand: Hand | None = None) -> Estimate:
    """What a task takes with a ladder on its axis of a machine."""
    motion = Motion.from_machine(machine, task.axis)
    knob = KnobControl(gains_mm=tuple(dict.fromkeys(ladder.on(machine.axis(task.axis)))))
    return knob.estimate(task, motion, hand or Hand.from_machine(machine))


def plot_route(
    ax: Axes, machine: Machine, ladder: Ladder, task: Task, *, hand: Hand | None = None, answer: Estimate | None = None
) -> Axes:
    """The route of a task on the ladder: which rung at which distance still to go, and when to switch.

    `answer` is the task's estimate, where it is known already."""
    axis = machine.axis(task.axis)
    unit = machine.shown_unit(axis)
    factor = float(UNIT_FACTORS[unit])
    answer = answer or estimate_on(machine, ladder, task, hand)
    gains = [float(gain) / factor for gain in dict.fromkeys(ladder.on(axis))]
    for row in range(1, len(gains) + 1):
        ax.axhline(row, color=_FAINT, lw=0.8, zorder=1)
    for earlier, leg in enumerate(answer.route):
        _draw_leg(ax, answer, earlier, leg.from_mm / factor, leg.until_mm / factor)
    half = task.tolerance_mm / 2 / factor
    far, near = task.distance_mm * 1.4 / factor, half / 3
    ax.axvspan(near, half, color=_COLOURS[2], alpha=0.18, lw=0)
    ax.text(np.sqrt(near * half), 0.8, "there", ha="center", va="center", fontsize=9, color=_INK)
    ax.set(xscale="log", xlim=(far, near), ylim=(0.4, len(gains) + 0.7))
    ax.set_yticks(range(1, len(gains) + 1), [say_number(g) for g in gains])
    ax.set(xlabel=f"still to go ({unit})", ylabel=f"a click ({unit})")
    title = f"{named(task.name)}: can't be done. {named(speak(answer.reason), 120)}"
    if answer.mean_s is not None:
        missed = f"; {answer.share_impossible:.0%} of goals can't be met" if answer.share_impossible else ""
        title = f"{named(task.name)}: {answer.mean_s:.1f} s, give or take {answer.sd_s:.1f} s{missed}"
    ax.set_title(title, fontsize=10)
    _plain_ticks(ax)
    return ax


def _draw_leg(ax: Axes, answer: Estimate, index: int, start: float, end: float) -> None:
    leg = answer.route[index]
    colour = _nth_colour(leg.position - 1)
    ax.plot([start, end], [leg.position] * 2, color=colour, lw=6, solid_capstyle="butt", zorder=2)
    if index > 0:
        before = answer.route[index - 1].position
        ax.plot([start, start], [before, leg.position], color=_INK, lw=1, ls=":", zorder=2)
    counted = f"{say_number(leg.moves, digits=2)} move" + ("" if round(leg.moves, 1) == 1 else "s")
    ax.annotate(counted, (np.sqrt(start * max(end, start / 1e9)), leg.position), (0, 8), textcoords="offset points",
                ha="center", fontsize=8.5, color=_INK, bbox=_ON_WHITE)  # fmt: skip


def plot_controls(
    ax: Axes, machine: Machine, controls: Mapping[str, Control], axis: str, tolerance_mm: float, *,
    hand: Hand | None = None, points: int = 16,
) -> Axes:  # fmt: skip
    """Time against distance for each hand control; one that misses some goals is drawn thin and said so."""
    the = machine.axis(axis)
    unit, motion, person = machine.shown_unit(the), Motion.from_machine(machine, axis), hand or Hand.from_machine(machine)
    factor = float(UNIT_FACTORS[unit])
    distances = np.geomspace(1.2 * tolerance_mm, the.reach_mm * 0.75, points)
    goal = Task(name="goal", axis=axis, distance_mm=1.0, tolerance_mm=tolerance_mm, cue="eye")
    answers = {name: control.along(distances, goal, motion, person) for name, control in controls.items()}
    plot_along(ax, distances, answers, unit=unit)
    within = f"to within ±{say_number(tolerance_mm / 2 / factor, digits=3)} {unit}"
    ax.set_title(f"{within}, by eye, axis {named(axis, 20)}", fontsize=10)
    return ax


def plot_along(
    ax: Axes, distances_mm: Any, answers: Mapping[str, Along], *, unit: str = "mm", marked_mm: float | None = None
) -> Axes:
    """Times at many distances, one line a name; what misses some goals is drawn thin and said so."""
    factor = float(UNIT_FACTORS[unit])
    for index, (name, answer) in enumerate(answers.items()):
        _draw_times(ax, index, named(name), np.asarray(distances_mm) / factor, answer)
    if marked_mm is not None:
        ax.axvline(marked_mm / factor, color=_INK, lw=1, ls=_DASHED)
    ax.set(xscale="log", yscale="log", xlabel=f"distance ({unit})", ylabel="expected time (s)")
    ax.legend(frameon=False, fontsize=9)
    _plain_ticks(ax)
    return ax


def _draw_times(ax: Axes, index: int, name: str, distances: Any, answer: Along) -> None:
    missed, colour, line = answer.share_impossible, _nth_colour(index), _nth_line(index)
    if missed:
        label = f"{name}: misses {missed:.0%} of goals" if missed < 1 else f"{name}: can't be done"
        ax.plot(distances, answer.mean_s, color=colour, ls=line, lw=1, alpha=0.7, label=label)
        return
    ax.plot(distances, answer.mean_s, color=colour, ls=line, lw=2.4, label=name)
    low = np.maximum(answer.mean_s - answer.sd_s, answer.mean_s / 3)
    ax.fill_between(distances, low, answer.mean_s + answer.sd_s, color=colour, alpha=0.12, lw=0)


_NOBODY = "#e4e4e4"
_TIED_SHARE = 0.05


def plot_fastest(ax: Axes, grid: pd.DataFrame, *, unit: str = "mm", marked_mm: tuple[float, float] | None = None) -> Axes:
    """Which control is fastest for which distance and tolerance, and where none reaches every goal.

    `grid` is what `compare_controls` makes. Pale where another control takes no more than 5 % longer. Left blank where the
    tolerance is as wide as the distance. `marked_mm` is a point (distance, tolerance) to show."""
    factor = float(UNIT_FACTORS[unit])
    names = list(dict.fromkeys(grid["control"]))
    # (controls, tolerances, distances) [s]: infinite where not every goal is reached, NaN where nothing was asked
    able = grid.assign(time=np.where(grid["share_impossible"] > 0, np.inf, grid["mean_s"])).set_index("control")
    times = np.array([able.loc[[name]].pivot(index="tolerance_mm", columns="distance_mm", values="time") for name in names])
    far, wide = np.unique(grid["distance_mm"]) / factor, np.unique(grid["tolerance_mm"]) / factor
    # -1 where none can, -2 where nothing was asked
    best = np.where(np.isinf(times).all(axis=0), -1, np.argmin(np.nan_to_num(times, nan=np.inf), axis=0))
    best = np.where(np.isnan(times).any(axis=0), -2, best)
    ax.set(xscale="log", yscale="log")
    ax.pcolormesh(far, wide, _tints(times, best), shading="nearest", rasterized=True)
    for number, name in [(-1, "none of them reaches every goal"), *enumerate(names)]:
        _name_region(ax, far, wide, best == number, name)
    if marked_mm is not None:
        ax.plot(marked_mm[0] / factor, marked_mm[1] / factor, "o", ms=13, mfc="none", mec=_INK, mew=2.4, zorder=6)
    ax.set(xlabel=f"distance to the goal ({unit})", ylabel=f"tolerance, its whole width ({unit})")
    ax.set_title("the fastest control; pale: another is at most 5 % slower", fontsize=9.5)
    _plain_ticks(ax)
    return ax


def _tints(times: Any, best: Any) -> Any:
    """A colour for each cell: the fastest control's, pale where another one is as good as equal."""
    from matplotlib.colors import to_rgb

    table = np.array([to_rgb("white"), to_rgb(_NOBODY), *(to_rgb(_nth_colour(i)) for i in range(len(times)))])
    ranked = np.sort(times, axis=0)
    tied = ranked[1] <= ranked[0] * (1 + _TIED_SHARE) if len(times) > 1 else np.zeros(best.shape, dtype=bool)
    strength = np.where(best < 0, 1.0, np.where(tied, 0.22, 0.6))
    return 1 - strength[..., None] * (1 - table[best + 2])


def _name_region(ax: Axes, far: Any, wide: Any, mask: Any, name: str) -> None:
    """The name, deep inside the region and near its middle, so that colour is not all that tells."""
    from scipy.ndimage import distance_transform_edt

    if not mask.any():
        return
    depth = distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
    rows, columns = np.nonzero(depth >= 0.6 * depth.max())
    row, column = (place.mean() for place in np.nonzero(mask))
    middle = int(((rows - row) ** 2 + (columns - column) ** 2).argmin())
    place = (far[columns[middle]], wide[rows[middle]])
    ax.text(*place, named(name), ha="center", va="center", fontsize=10, bbox=_ON_WHITE, zorder=5, clip_on=True)


def plot_pointing(ax: Axes, table: pd.DataFrame, *, hide_hardest: bool = True) -> Axes:
    """Fitts' tapping times against difficulty, log2(2·D/W); the hardest condition may stay hidden, to be foretold.

    `table` has his columns A_in, W_in and MT_ms. Source: P. M. Fitts 1954, J. Exp. Psychol. 47, Table 1."""
    index = np.log2((2 * table["A_in"] / table["W_in"]).to_numpy(dtype=float))
    shown = index < index.max() if hide_hardest else np.ones(len(index), dtype=bool)
    ax.plot(index[shown], table["MT_ms"].to_numpy(dtype=float)[shown], "o", color=_nth_colour(0), ms=8, mfc="white", mew=2)
    if hide_hardest:
        ax.axvline(index.max(), color=_INK, lw=1, ls=_DASHED)
        placed: dict[str, Any] = {"xytext": (-5, 0), "textcoords": "offset points", "ha": "right"}
        ax.annotate("the hardest: how long?", (index.max(), 60), fontsize=9, color=_INK, **placed)
    ax.set(xlabel="difficulty: how often 2·D/W can be halved", ylabel="time for one tap (ms)")
    ax.set(xlim=(0, index.max() + 0.6), ylim=(0, 1.15 * float(table["MT_ms"].max())))
    _draw_grid(ax)
    return ax


def plot_fit(ax: Axes, found: HandFit) -> Axes:
    """Figures of a fitted hand with twice their standard errors, as shares of their values."""
    names = list(found.values)
    shares = [200 * found.standard_errors[name] / abs(found.values[name]) for name in names]
    ax.errorbar([100] * len(names), range(len(names)), xerr=shares, fmt="o", color=_nth_colour(0), capsize=4)
    ax.set_yticks(range(len(names)), [f"{name} = {say_number(found.values[name], digits=3)}" for name in names])
    ax.set_xlabel("share of the fitted value (%), with 95 % intervals")
    _draw_grid(ax, "x")
    return ax
