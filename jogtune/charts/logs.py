"""Turn rates; a log replayed."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from ..axis.follow import Habit, follow
from ..axis.link import reports_as_logged
from ..ladder.ladder import Ladder
from ..logs.log import Log
from ..machine.model import Axis, Machine
from ..measure.measured import Measured
from ..units import UNIT_FACTORS, say_distance
from .ink import _COLOURS, _FAINT, _INK, _draw_grid, _mark_simulated, _name_below, _nth_colour, _nth_line, _plain_ticks, named


def plot_turn_rates(ax: Axes, found: Measured) -> Axes:
    """The turn rate of every burst on each rung, with the ceiling of each axis that was moved on it.

    A dot is a burst; the bar is the median with its interval. Dots above a ceiling are turning that the axis could not follow."""
    machine = found.machine
    rungs = [rung for rung in found.rungs if rung.detents]
    for place, rung in enumerate(rungs):
        here = found.bursts.loc[np.isclose(found.bursts["gain_mm"], rung.gain_mm), "turn_rate"].dropna()
        _draw_bursts(ax, place, here.to_numpy(float), rung.turn_rate_median)
    for index, axis in enumerate(machine.axes):
        label: str | None = f"{named(axis.name, 20)}: can't follow above this"
        for place, rung in enumerate(rungs):
            if rung.detents_by_axis.get(axis.name):
                span = [place - 0.36 + 0.03 * index, place + 0.36 - 0.03 * index]
                style: dict[str, Any] = {"color": _nth_colour(index), "ls": _nth_line(index), "label": label}
                ax.plot(span, [axis.top_speed_mm_s / rung.gain_mm] * 2, lw=2, zorder=3, **style)
                label = None
    ax.set_yscale("log")
    _plain_ticks(ax)
    names = [say_distance(rung.gain_mm, machine.show_in, digits=4) for rung in rungs]
    ax.set_xticks(range(len(rungs)), names)
    ax.set_xlim(-0.6, max(len(rungs), 1) - 0.4)
    ax.set(xlabel="distance per click", ylabel="turn rate (detents/s)")
    _draw_grid(ax, "y")
    _name_below(ax, 0.16)
    _mark_simulated(ax, found.simulated)
    return ax


def _draw_bursts(ax: Axes, place: int, rates: NDArray[np.float64], median: Any) -> None:
    aside = 0.11 * np.sin(2.4 * np.arange(len(rates)))  # apart, so that dots don't hide each other
    label = "a burst" if place == 0 else None
    ax.plot(place + aside, rates, "o", ms=4, color=_FAINT, mfc="none", mew=0.9, zorder=2, label=label)
    if median.value is not None:
        ax.plot([place - 0.2, place + 0.2], [median.value] * 2, color=_INK, lw=2.4, zorder=4,
                label="median, with its 95 % interval" if place == 0 else None)  # fmt: skip
    if median.low is not None and median.high is not None:
        ax.plot([place, place], [median.low, median.high], color=_INK, lw=1.4, zorder=4)


def plot_replay(
    ax: Axes, log: Log, machine: Machine, axis: str | None = None, *, from_s: float | None = None,
    until_s: float | None = None, ladder: Ladder | None = None, habit: Habit | None = None,
) -> Axes:  # fmt: skip
    """Hand, recorded position and replay over time: what was asked, what the machine said, what the model does.

    `axis` defaults to the first one turned; the window to the first few turns. `ladder` says what the rungs are where the log
    numbers them only. All start at the position recorded first."""
    turned = log.rows.loc[log.rows["detents"] != 0]
    chosen = machine.axis(axis) if axis else machine.axis(str(turned["axis"].iloc[0])) if len(turned) else machine.axes[0]
    turned, rows = (some.loc[some["axis"].astype(str) == chosen.name] for some in (turned, log.rows))
    start = from_s if from_s is not None else max(float(turned["time_s"].iloc[0]) - 0.3, 0.0) if len(turned) else 0.0
    end = start + 8.0 if until_s is None else until_s
    rows = rows.loc[rows["time_s"].between(start, end)]
    unit = machine.shown_unit(chosen)
    factor = float(UNIT_FACTORS[unit])
    time = rows["time_s"].to_numpy(float)
    known = rows["position_mm"].dropna().to_numpy(float) if "position_mm" in rows else time[:0]
    origin = float(known[0]) if len(known) else 0.0
    gains = _gains(rows, machine, chosen, ladder)
    asked = origin + np.cumsum(gains * rows["detents"].to_numpy(float))
    ax.step(time, asked / factor, where="post", color=_INK, lw=1.1, label="hand: the clicks turned", zorder=3)
    shown, course = _replayed(rows, gains, machine, chosen, habit, end)
    label = "replay: the axis by its figures"
    ax.plot(shown, (origin + course) / factor, color=_COLOURS[0], lw=2.2, label=label, zorder=4)
    if len(known):
        label = f"recorded position ({named(log.position_kind or 'kind not told')})"
        ax.plot(time, rows["position_mm"] / factor, ".", ms=3.5, color=_COLOURS[1], label=label, zorder=5)
    _draw_goals(ax, rows, factor)
    ax.set(xlabel="time (s)", ylabel=f"axis {named(chosen.name, 20)}, position ({unit})", xlim=(start, end))
    _draw_grid(ax)
    _name_below(ax, columns=4)
    _mark_simulated(ax, log.simulated)
    return ax


def _gains(rows: pd.DataFrame, machine: Machine, axis: Axis, ladder: Ladder | None) -> NDArray[np.float64]:
    if "gain_mm" in rows:
        return np.asarray(np.nan_to_num(rows["gain_mm"].to_numpy(float)))
    if ladder is None:
        raise ValueError("the log numbers its rungs and has no distances: give the ladder they stand for")
    table = np.array([float(gain) for gain in ladder.on(axis)])
    return np.asarray(table[rows["rung"].to_numpy(int) - 1], dtype=float)


def _replayed(
    rows: pd.DataFrame, gains: NDArray[np.float64], machine: Machine, axis: Axis, habit: Habit | None, end_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if not len(rows):
        return np.empty(0), np.empty(0)
    used, rung = np.unique(gains, return_inverse=True)
    time, detents = rows["time_s"].to_numpy(float), rows["detents"].to_numpy(np.int64)
    heard = time + machine.link.delay_s
    reports = reports_as_logged(heard, detents, interval_s=machine.link.report_interval_s, rung=rung)
    table = np.where(used > 0, used, 1.0)
    top, habit = min(axis.top_speed_mm_s, axis.jog_top_mm_s or axis.top_speed_mm_s), habit or Habit.filed(machine, axis)
    course = follow(reports, table, top_speed_mm_s=top, ramp_mm_s2=axis.ramp_mm_s2, habit=habit)
    shown = np.linspace(time[0], end_s, 1200)
    return shown, course.at(shown)[0]


def _draw_goals(ax: Axes, rows: pd.DataFrame, factor: float) -> None:
    if "goal_mm" not in rows or "tolerance_mm" not in rows:
        return
    goals = rows.dropna(subset=["goal_mm", "tolerance_mm"])
    label: str | None = "goal and tolerance"
    for _, part in goals.groupby(["goal_mm", "tolerance_mm"], sort=False):
        x = [part["time_s"].iloc[0], part["time_s"].iloc[-1]]
        goal, half = float(part["goal_mm"].iloc[0]), float(part["tolerance_mm"].iloc[0]) / 2
        ax.fill_between(x, (goal - half) / factor, (goal + half) / factor, color=_COLOURS[2], alpha=0.35, lw=0, label=label)
        ax.plot(x, [goal / factor] * 2, color=_COLOURS[2], lw=0.9)
        label = None


def plot_turning(ax: Axes, log: Log) -> Axes:
    """Clicks turned over time, added up, a line per axis."""
    for place, (axis, rows) in enumerate(log.rows.groupby("axis", sort=True)):
        style: dict[str, Any] = {"color": _nth_colour(place), "ls": _nth_line(place), "label": f"axis {named(axis, 20)}"}
        ax.step(rows["time_s"], rows["detents"].cumsum(), where="post", **style)
    ax.set(xlabel="time (s)", ylabel="clicks turned")
    _draw_grid(ax)
    if len(log.rows):
        _name_below(ax)
    _mark_simulated(ax, log.simulated)
    return ax
