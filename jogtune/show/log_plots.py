"""Charts of logs: turn rates against ceilings, hand and axis over time, predicted against measured, differences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..compare import Comparison
from ..design.response import Habit, follow, reports_as_logged
from ..logs.measure import Measured
from ..logs.read import Log
from ..machine import Axis, Machine
from ..units import UNIT_FACTORS, say_number
from .plots import COLOURS, FAINT, INK, axis_colour

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis as Axis1D

_SIMULATED = "simulated: nobody turned this knob"


def plot_turn_rates(ax: Axes, found: Measured) -> Axes:
    """The turn rate of every long burst, rung by rung, against what each axis can follow there."""
    factor = float(UNIT_FACTORS[found.machine.show_in])
    timed = found.bursts.loc[found.bursts["turn_rate"].notna()]
    rungs = [rung for rung in found.rungs if rung.detents]
    for row, rung in enumerate(rungs):
        here = timed.loc[timed["gain_mm"] == rung.gain_mm, "turn_rate"].to_numpy(float)
        spread = row + 0.26 * np.sin(2.4 * np.arange(len(here)))  # side by side, the same each time
        ax.plot(here, spread, "o", ms=4, color=INK, alpha=0.45, mew=0, zorder=2)
        _draw_median(ax, row, rung.turn_rate_median.value, rung.turn_rate_median.low, rung.turn_rate_median.high)
        for number, axis in enumerate(found.machine.axes):
            if axis.name in rung.detents_by_axis:
                _draw_ceiling(ax, row, axis, number, rung.gain_mm)
    ax.set_yticks(range(len(rungs)), [f"{say_number(rung.gain_mm / factor)} {found.machine.show_in}" for rung in rungs])
    ax.set(xscale="log", xlabel="turn rate (detents/s)", ylabel="a click", ylim=(-0.6, max(len(rungs), 1) - 0.4))
    _plain_ticks(ax.xaxis)
    _mark_simulated(ax, found.simulated)
    ax.set_title("Bursts (dots), their median, and where each axis can't follow", fontsize=10)
    return ax


def _draw_median(ax: Axes, row: int, value: float | None, low: float | None, high: float | None) -> None:
    if value is not None:
        ax.plot([value], [row], "D", ms=7, color=COLOURS[0], zorder=4)
    if low is not None and high is not None:
        ax.plot([low, high], [row, row], "-", lw=3, color=COLOURS[0], zorder=3)


def _draw_ceiling(ax: Axes, row: int, axis: Axis, number: int, gain_mm: float) -> None:
    ceiling = axis.top_speed_mm_s / gain_mm
    if ceiling <= 400:
        ax.plot([ceiling, ceiling], [row - 0.4, row + 0.4], "-", lw=2, color=axis_colour(number + 1))
        ax.text(ceiling, row + 0.42, axis.name, ha="center", va="bottom", fontsize=8, color=axis_colour(number + 1))


def _plain_ticks(side: Axis1D) -> None:
    """Ticks of a logarithmic axis as 1, 2, 5, 10 ..."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    side.set_major_locator(LogLocator(base=10, subs=(1, 2, 5)))
    side.set_major_formatter(FuncFormatter(lambda value, _: say_number(value)))
    side.set_minor_formatter(NullFormatter())


def _mark_simulated(ax: Axes, simulated: bool) -> None:
    if simulated:
        ax.text(0.99, 0.01, _SIMULATED, transform=ax.transAxes, ha="right", va="bottom", fontsize=8, color=FAINT)


def plot_replay(
    ax: Axes, log: Log, machine: Machine, axis: str, *, from_s: float, until_s: float, habit: Habit | None = None
) -> Axes:
    """Where the hand asked an axis to be, where the model says it was, and where the log says it was.

    Positions are counted from where the axis stood at `from_s`.
    """
    the = machine.axis(axis)
    rows = log.rows.loc[(log.rows["axis"] == axis) & log.rows["time_s"].between(from_s, until_s)]
    unit = machine.shown_unit(the)
    factor = float(UNIT_FACTORS[unit])
    if len(rows):
        _draw_replay(ax, rows, machine, the, factor, habit)
    ax.set(xlabel="time (s)", ylabel=f"position of {axis} ({unit})", xlim=(from_s, until_s))
    ax.legend(loc="best", frameon=False, fontsize=8)
    _mark_simulated(ax, log.simulated)
    return ax


def _draw_replay(
    ax: Axes, rows: pd.DataFrame, machine: Machine, axis: Axis, factor: float, habit: Habit | None
) -> None:
    time, detents = rows["time_s"].to_numpy(float), rows["detents"].to_numpy(np.int64)
    gains, rung = np.unique(rows["gain_mm"].to_numpy(float), return_inverse=True)
    reports = reports_as_logged(
        time + machine.link.delay_s, detents, interval_s=machine.link.report_interval_s, rung=rung
    )
    course = follow(
        reports, gains, top_speed_mm_s=axis.top_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2, habit=habit or Habit()
    )
    at = np.linspace(time[0], time[-1], 1500)
    asked = np.cumsum(detents * gains[rung])
    ax.step(time, asked / factor, where="post", color=COLOURS[1], lw=1.2, label="asked by the hand")
    ax.plot(at, course.at(at)[0] / factor, color=COLOURS[0], lw=1.8, label="axis, by the model")
    if "position_mm" in rows and rows["position_mm"].notna().any():
        position = rows["position_mm"].to_numpy(float)
        ax.plot(time, (position - position[0]) / factor, ".", ms=3, color=INK, label="axis, in the log")


def plot_predicted(ax: Axes, found: Comparison) -> Axes:
    """Predicted against measured time of each task of the logs; the held-out error is in the title."""
    tasks = found.tasks
    if len(tasks):
        for number, name in enumerate(sorted(tasks["axis"].unique())):
            here = tasks["axis"] == name
            ax.plot(tasks.loc[here, "time_s"], tasks.loc[here, "predicted_s"], "os^v"[number % 4], ms=5,
                    color=axis_colour(number), alpha=0.8, label=f"axis {name}")  # fmt: skip
        span = [float(tasks[["time_s", "predicted_s"]].min().min()) * 0.8,
                float(tasks[["time_s", "predicted_s"]].max().max()) * 1.2]  # fmt: skip
        ax.plot(span, span, "-", color=FAINT, lw=1, zorder=1)
        ax.set(xscale="log", yscale="log", xlim=span, ylim=span)
        _plain_ticks(ax.xaxis)
        _plain_ticks(ax.yaxis)
        ax.legend(loc="upper left", frameon=False, fontsize=8)
    error = "" if found.held_out_error is None else f"; {round(100 * found.held_out_error)} % off on tasks not seen"
    ax.set(xlabel="measured time (s)", ylabel="predicted time (s)")
    ax.set_title(f"{len(tasks)} tasks{error}", fontsize=10)
    _mark_simulated(ax, found.simulated)
    return ax


def plot_differences(ax: Axes, found: Comparison) -> Axes:
    """How much longer the second ladder of each pair takes, with its interval; the verdict stands beside it."""
    texts = []
    for row, one in enumerate(found.differences):
        first, second = (found.ladders[i].label for i in (one.first, one.second))
        texts.append(f"{second}\nagainst {first}")
        if one.change is not None:
            ax.plot([100 * one.change], [row], "D", ms=7, color=COLOURS[0], zorder=3)
        if one.low is not None and one.high is not None:
            ax.plot([100 * one.low, 100 * one.high], [row, row], "-", lw=3, color=COLOURS[0], zorder=2)
        more = f"; about {one.more_tasks} more tasks on each would" if one.more_tasks else ""
        ax.text(0.01, row + 0.32, f"{one.verdict}{more} ({one.kind})", transform=ax.get_yaxis_transform(),
                va="center", fontsize=8, color=INK,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1})  # fmt: skip
    ax.axvline(0, color=FAINT, lw=1)
    ax.set_yticks(range(len(texts)), texts, fontsize=8)
    ax.set(xlabel="difference of time (%)", ylim=(-0.5, max(len(texts), 1) - 0.4))
    ax.invert_yaxis()
    _mark_simulated(ax, found.simulated)
    return ax
