"""Charts of measured logs and of comparisons. Every function draws on the `ax` it is given and returns it.

Whatever rests on an invented log says *simulated*.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from ..design.response import Habit, follow, reports_as_logged
from ..units import UNIT_FACTORS, in_unit, say_distance, say_number
from .plots import COLOURS, FAINT, INK, axis_colour, axis_line, new_figure

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from ..compare import Comparison, Difference, LadderResult
    from ..ladder import Ladder
    from ..logs.measure import Measured
    from ..logs.read import Log
    from ..machine import Axis, Machine

__all__ = [
    "difference_words", "draw_comparison", "draw_log", "letter", "mark_simulated", "plot_differences",
    "plot_ladders", "plot_predicted", "plot_replay", "plot_times", "plot_turn_rates",
]  # fmt: skip

MARKS = ("o", "s", "^", "D")
SIMULATED = "simulated"


def mark_simulated(ax: Axes, simulated: bool) -> None:
    """Say on the chart that what it shows was invented.

    >>> ax = new_figure().subplots()
    >>> mark_simulated(ax, True)
    >>> ax.texts[0].get_text()
    'simulated'
    """
    if simulated:
        box = {"facecolor": "white", "edgecolor": INK, "lw": 0.8, "pad": 2.5}
        ax.text(
            0.995, 1.015, SIMULATED, transform=ax.transAxes, ha="right", va="bottom", fontsize=8.5, color=INK, bbox=box,
            gid="simulated",
        )  # fmt: skip


# ------------------------------------------------------------------ what a log holds


def plot_turn_rates(ax: Axes, found: Measured) -> Axes:
    """The turn rate of every burst on each rung, with the ceiling of each axis that was moved on it.

    A dot is a burst; the bar is the median with its interval. Dots above a ceiling are turning that the axis
    could not follow.

    >>> from jogtune.logs.measure import measure
    >>> from jogtune.logs.read import read_log
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = measure(read_log("datasets/logs/inlay_router_simulated.csv"), router)
    >>> ax = plot_turn_rates(new_figure().subplots(), found)
    >>> [label.get_text() for label in ax.get_xticklabels()]
    ['0.02 mm', '0.1 mm', '0.5 mm', '5 mm']
    """
    machine = found.machine
    rungs = [rung for rung in found.rungs if rung.detents]
    for place, rung in enumerate(rungs):
        here = found.bursts.loc[np.isclose(found.bursts["gain_mm"], rung.gain_mm), "turn_rate"].dropna()
        _draw_bursts(ax, place, here.to_numpy(float), rung.turn_rate_median)
    for index, axis in enumerate(machine.axes):
        _draw_ceiling(ax, machine, axis, index, rungs)
    ax.set_yscale("log")
    _log_ticks(ax.yaxis)
    names = [say_distance(rung.gain_mm, machine.show_in, digits=4) for rung in rungs]
    ax.set_xticks(range(len(rungs)), names)
    ax.set_xlim(-0.6, max(len(rungs), 1) - 0.4)
    ax.set(xlabel="distance per click", ylabel="turn rate (detents/s)")
    ax.grid(True, axis="y", color="#dddddd", lw=0.6, zorder=0)
    ax.legend(fontsize=8.5, loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=3, frameon=False)
    mark_simulated(ax, found.simulated)
    return ax


def _draw_bursts(ax: Axes, place: int, rates: NDArray[np.float64], median: Any) -> None:
    aside = 0.11 * np.sin(2.4 * np.arange(len(rates)))  # apart, so that dots don't hide each other
    label = "a burst" if place == 0 else None
    ax.plot(place + aside, rates, "o", ms=4, color=FAINT, mfc="none", mew=0.9, zorder=2, label=label)
    if median.value is not None:
        ax.plot([place - 0.2, place + 0.2], [median.value] * 2, color=INK, lw=2.4, zorder=4,
                label="median, with its 95 % interval" if place == 0 else None)  # fmt: skip
    if median.low is not None and median.high is not None:
        ax.plot([place, place], [median.low, median.high], color=INK, lw=1.4, zorder=4)


def _draw_ceiling(ax: Axes, machine: Machine, axis: Axis, index: int, rungs: Sequence[Any]) -> None:
    label: str | None = f"{axis.name}: can't follow above this"
    for place, rung in enumerate(rungs):
        if rung.detents_by_axis.get(axis.name):
            ceiling = axis.top_speed_mm_s / rung.gain_mm
            span = [place - 0.36 + 0.03 * index, place + 0.36 - 0.03 * index]
            ax.plot(span, [ceiling] * 2, color=axis_colour(index), ls=axis_line(index), lw=2, zorder=3, label=label)
            label = None


def plot_replay(
    ax: Axes,
    log: Log,
    machine: Machine,
    axis: str | None = None,
    *,
    from_s: float | None = None,
    until_s: float | None = None,
    ladder: Ladder | None = None,
    habit: Habit | None = None,
    legend: bool = True,
) -> Axes:
    """Hand, recorded position and replay over time: what was asked, what the machine said, what the model does.

    `axis` defaults to the first one turned; the window to the first few turns. `ladder` says what the rungs are
    where the log numbers them only. The recorded position and the goals are shown where the log has them, and
    named for what they are: commanded, counted or measured. All start at the position recorded first.

    >>> from jogtune.logs.read import read_log
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> log = read_log("datasets/logs/inlay_router_simulated.csv")
    >>> ax = plot_replay(new_figure().subplots(), log, router, "X")
    >>> ax.get_ylabel(), [text.get_text() for text in ax.texts]
    ('axis X, position (mm)', ['simulated'])
    """
    rows, chosen = _axis_rows(log, machine, axis)
    start, end = _window(rows, from_s, until_s)
    rows = rows.loc[rows["time_s"].between(start, end)]
    unit = machine.shown_unit(chosen)
    factor = float(UNIT_FACTORS[unit])
    time, origin = rows["time_s"].to_numpy(float), _origin(rows)
    gains = _gains(rows, machine, chosen, ladder)
    asked = origin + np.cumsum(gains * rows["detents"].to_numpy(float))
    ax.step(time, asked / factor, where="post", color=INK, lw=1.1, label="hand: the clicks turned", zorder=3)
    shown, course = _replayed(rows, gains, machine, chosen, habit, end)
    label = "replay: the axis by its figures"
    ax.plot(shown, (origin + course) / factor, color=COLOURS[0], lw=2.2, label=label, zorder=4)
    if "position_mm" in rows and rows["position_mm"].notna().any():
        label = f"recorded position ({log.position_kind or 'kind not told'})"
        ax.plot(time, rows["position_mm"] / factor, ".", ms=3.5, color=COLOURS[1], label=label, zorder=5)
    _draw_goals(ax, rows, factor)
    ax.set(xlabel="time (s)", ylabel=f"axis {chosen.name}, position ({unit})", xlim=(start, end))
    ax.grid(True, color="#dddddd", lw=0.6, zorder=0)
    if legend:
        ax.legend(fontsize=8.5, loc="upper center", bbox_to_anchor=(0.5, -0.13), ncols=4, frameon=False)
    mark_simulated(ax, log.simulated)
    return ax


def _axis_rows(log: Log, machine: Machine, name: str | None) -> tuple[pd.DataFrame, Axis]:
    rows = log.rows
    if name is None:
        turned = rows.loc[rows["detents"] != 0, "axis"]
        name = str(turned.iloc[0]) if len(turned) else machine.axes[0].name
    return rows.loc[rows["axis"].astype(str) == name], machine.axis(name)


def _window(rows: pd.DataFrame, start_s: float | None, end_s: float | None) -> tuple[float, float]:
    turned = rows.loc[rows["detents"] != 0, "time_s"]
    first = float(turned.iloc[0]) if len(turned) else 0.0
    start = max(first - 0.3, 0.0) if start_s is None else start_s
    return start, start + 8.0 if end_s is None else end_s


def _origin(rows: pd.DataFrame) -> float:
    if "position_mm" not in rows:
        return 0.0
    known = rows["position_mm"].dropna()
    return float(known.iloc[0]) if len(known) else 0.0


def _gains(rows: pd.DataFrame, machine: Machine, axis: Axis, ladder: Ladder | None) -> NDArray[np.float64]:
    if "gain_mm" in rows:
        return np.asarray(np.nan_to_num(rows["gain_mm"].to_numpy(float)))
    if ladder is None:
        raise ValueError("the log numbers its rungs and has no distances: give the ladder they stand for")
    table = np.array([float(machine.axis_gain(axis, gain)) for gain in ladder.gains_mm])
    return np.asarray(table[rows["rung"].to_numpy(int) - 1], dtype=float)


def _replayed(
    rows: pd.DataFrame, gains: NDArray[np.float64], machine: Machine, axis: Axis, habit: Habit | None, end_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if not len(rows):
        return np.empty(0), np.empty(0)
    used, rung = np.unique(gains, return_inverse=True)
    detents = rows["detents"].to_numpy(np.int64)
    time = rows["time_s"].to_numpy(float)
    heard = time + machine.link.delay_s
    reports = reports_as_logged(heard, detents, interval_s=machine.link.report_interval_s, rung=rung)
    table = np.where(used > 0, used, 1.0)
    course = follow(
        reports, table, top_speed_mm_s=axis.top_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2, habit=habit
    )
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
        ax.fill_between(
            x, (goal - half) / factor, (goal + half) / factor, color=COLOURS[2], alpha=0.35, lw=0, label=label
        )
        ax.plot(x, [goal / factor] * 2, color=COLOURS[2], lw=0.9)
        label = None


# ------------------------------------------------------------------ ladders beside each other


def plot_ladders(ax: Axes, ladders: Sequence[Ladder], *, unit: str) -> Axes:
    """Fine against coarse at a glance: each ladder a row, each rung where its distance per click lies.

    >>> from fractions import Fraction
    >>> from jogtune.ladder import Ladder
    >>> two = [Ladder(base_mm=Fraction(1, 50), multipliers=m) for m in ((1, 5, 50), (1, 10, 100))]
    >>> plot_ladders(new_figure().subplots(), two, unit="mm").get_xscale()
    'log'
    """
    ax.set_xscale("log")
    every = []
    for place, ladder in enumerate(ladders):
        gains = [float(in_unit(gain, unit)) for gain in ladder.gains_mm]
        every += gains
        ax.plot(gains, [place] * len(gains), color=axis_colour(place), ls=axis_line(place), lw=1.6, zorder=2)
        mark = MARKS[place % 4]
        ax.plot(gains, [place] * len(gains), mark, ms=9, color=axis_colour(place), mfc="white", mew=2, zorder=3)
        for gain in gains:
            ax.text(gain, place - 0.2, say_number(gain), ha="center", va="bottom", fontsize=8.5, color=INK)
    ax.set_yticks(range(len(ladders)), [letter(i) for i in range(len(ladders))])
    ax.set_ylim(len(ladders) - 0.5, -0.6)
    if every:
        ax.set_xlim(min(every) / 2, max(every) * 2)
    _log_ticks(ax.xaxis, subs=(1.0,))
    ax.set_xlabel(f"distance per click ({unit}), fine to coarse", fontsize=9)
    ax.grid(True, axis="x", color="#dddddd", lw=0.6, zorder=0)
    return ax


def letter(index: int) -> str:
    """The short name of a ladder in a comparison: A, B, C.

    >>> letter(0), letter(1)
    ('A', 'B')
    """
    return "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[index]


def plot_times(ax: Axes, found: Comparison) -> Axes:
    """Expected time of a task on each ladder, with its interval, and the mean people took where they did.

    >>> from jogtune.compare import compare
    >>> from jogtune.logs.ladder_option import parse_ladder
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = compare(router, [parse_ladder(text, router) for text in ("0.02,0.2,2", "0.02,0.1,0.5,5")])
    >>> [label.get_text() for label in plot_times(new_figure().subplots(), found).get_yticklabels()]
    ['A', 'B']
    """
    for place, result in enumerate(found.ladders):
        _draw_time(ax, place, result)
    ax.set_yticks(range(len(found.ladders)), [letter(i) for i in range(len(found.ladders))])
    ax.set_ylim(len(found.ladders) - 0.5, -0.6)
    ax.set_xlim(left=0)
    ax.set_xlabel("time of a task (s); hollow: measured", fontsize=9)
    ax.grid(True, axis="x", color="#dddddd", lw=0.6, zorder=0)
    mark_simulated(ax, found.simulated)
    return ax


def _draw_time(ax: Axes, place: int, result: LadderResult) -> None:
    colour, mark = axis_colour(place), MARKS[place % 4]
    if result.expected_time_s is None:
        across = ax.get_yaxis_transform()
        ax.text(0.02, place, "can't do every task", transform=across, va="center", fontsize=8.5, color=INK)
    else:
        ax.plot(result.expected_time_s, place - 0.1, mark, ms=9, color=colour, zorder=3)
        if result.low is not None and result.high is not None:
            ax.plot([result.low, result.high], [place - 0.1] * 2, color=colour, lw=2, zorder=2)
    measured = result.measured
    if measured.value is not None:
        ax.plot(measured.value, place + 0.18, mark, ms=8, color=colour, mfc="white", mew=1.6, zorder=3)
        if measured.low is not None and measured.high is not None:
            ax.plot([measured.low, measured.high], [place + 0.18] * 2, color=colour, lw=1, zorder=2)


def plot_differences(ax: Axes, found: Comparison) -> Axes:
    """How much longer one ladder takes than the other, with interval; where it takes in zero, nobody can tell.

    >>> from jogtune.compare import compare
    >>> from jogtune.logs.ladder_option import parse_ladder
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = compare(router, [parse_ladder(text, router) for text in ("0.02,0.2,2", "0.02,0.1,0.5,5")])
    >>> [label.get_text() for label in plot_differences(new_figure().subplots(), found).get_yticklabels()]
    ['B against A']
    """
    for place, difference in enumerate(found.differences):
        _draw_difference(ax, place, difference)
    ax.axvline(0, color=INK, lw=1)
    names = [f"{letter(d.second)} against {letter(d.first)}" for d in found.differences]
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.35, -0.75)
    span = max((abs(v) for d in found.differences for v in (d.change, d.low, d.high) if v is not None), default=0.1)
    ax.set_xlim(-115 * span, 115 * span)
    ax.set_xlabel("time against the first (%): less on the left, more on the right", fontsize=9)
    ax.grid(True, axis="x", color="#dddddd", lw=0.6, zorder=0)
    mark_simulated(ax, found.simulated)
    return ax


def _draw_difference(ax: Axes, place: int, difference: Difference) -> None:
    ax.text(
        0.5, place - 0.22, difference_words(difference), transform=ax.get_yaxis_transform(), ha="center", va="bottom",
        fontsize=8.5, color=INK, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
    )  # fmt: skip
    if difference.change is None:
        return
    if difference.low is not None and difference.high is not None:
        ax.plot([100 * difference.low, 100 * difference.high], [place] * 2, color=INK, lw=2, zorder=2)
    told = difference.faster is not None
    ax.plot(100 * difference.change, place, "o", ms=8, color=INK, mfc=INK if told else "white", mew=1.6, zorder=3)


def difference_words(difference: Difference) -> str:
    """The verdict on a pair, by letter.

    >>> from jogtune.compare import CANT_TELL, Difference
    >>> unsure = Difference(first=0, second=1, kind="measured", change=0.1, low=-0.1, high=0.3, verdict=CANT_TELL, more_tasks=30)
    >>> difference_words(unsure)
    "can't tell apart; about 30 more tasks on each would (measured)"
    """
    if difference.faster is None:
        more = f"; about {difference.more_tasks} more tasks on each would" if difference.more_tasks else ""
        return f"{difference.verdict}{more} ({difference.kind})"
    if difference.change is None:
        return f"only {letter(difference.faster)} can do every task"
    return f"{letter(difference.faster)} is faster ({difference.kind})"


# ------------------------------------------------------------------ predicted against measured


def plot_predicted(ax: Axes, found: Comparison) -> Axes:
    """Predicted against measured time, a mark a task; on the line the prediction is right.

    Says how far the prediction is off on tasks it has not seen, so that nobody trusts a poor fit.

    >>> from jogtune.compare import compare
    >>> from jogtune.logs.ladder_option import parse_ladder
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = compare(router, [parse_ladder(text, router) for text in ("0.02,0.2,2", "0.02,0.1,0.5,5")])
    >>> plot_predicted(new_figure().subplots(), found).get_ylabel()
    'time predicted (s)'
    """
    tasks = found.tasks
    for index, name in enumerate(sorted(set(tasks["axis"].astype(str))) if len(tasks) else []):
        here = tasks.loc[tasks["axis"].astype(str) == name]
        ax.plot(here["time_s"], here["predicted_s"], MARKS[index % 4], ms=6.5, color=axis_colour(index), mfc="none", mew=1.5,
                label=f"axis {name}")  # fmt: skip
    both = tasks[["time_s", "predicted_s"]].to_numpy(float) if len(tasks) else np.array([1.0, 10.0])
    low, high = both.min() / 1.3, both.max() * 1.3
    ax.plot([low, high], [low, high], color=INK, lw=1, zorder=1)
    ax.set(xscale="log", yscale="log", xlim=(low, high), ylim=(low, high))
    for axis in (ax.xaxis, ax.yaxis):
        _log_ticks(axis)
    ax.set(xlabel="time people took (s)", ylabel="time predicted (s)", aspect="equal")
    if found.held_out_error is not None:
        text = f"off by {100 * found.held_out_error:.0f} % (RMS)\non tasks not seen before"
        ax.text(0.03, 0.97, text, transform=ax.transAxes, va="top", fontsize=8.5, color=INK)
    if len(tasks):
        ax.legend(fontsize=8.5, loc="lower right", frameon=False)
    ax.grid(True, color="#dddddd", lw=0.6, zorder=0)
    mark_simulated(ax, found.simulated)
    return ax


def _log_ticks(axis: Any, subs: tuple[float, ...] = (1.0, 2.0, 5.0)) -> None:
    axis.set_major_locator(LogLocator(subs=subs, numticks=30))
    axis.set_major_formatter(FuncFormatter(lambda value, _: say_number(value)))
    axis.set_minor_locator(NullLocator())


# ------------------------------------------------------------------ figures of their own


def draw_log(found: Measured, log: Log, *, axis: str | None = None) -> Figure:
    """Turn rates against ceilings, above hand and axis over the first turns.

    >>> from jogtune.logs.read import read_log
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> log = read_log("datasets/logs/inlay_router_simulated.csv")
    >>> from jogtune.logs.measure import measure
    >>> figure = draw_log(measure(log, router), log)
    >>> [ax.get_ylabel() for ax in figure.axes]
    ['turn rate (detents/s)', 'axis Z, position (mm)']
    """
    figure = new_figure(9.0, 8.2)
    above, below = figure.subplots(2, 1)
    plot_turn_rates(above, found)
    plot_replay(below, log, found.machine, axis)
    return figure


def draw_comparison(found: Comparison) -> Figure:
    """Ladders at a glance, the time of a task on each, and their differences.

    >>> from jogtune.compare import compare
    >>> from jogtune.logs.ladder_option import parse_ladder
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = compare(router, [parse_ladder(text, router) for text in ("0.02,0.2,2", "0.02,0.1,0.5,5")])
    >>> len(draw_comparison(found).axes)
    3
    """
    figure = new_figure(9.6, 2.2 + 0.9 * (len(found.ladders) + len(found.differences)))
    heights = [len(found.ladders) + 0.6, len(found.differences) + 0.8]
    grid = figure.add_gridspec(2, 2, width_ratios=(1.2, 1), height_ratios=heights)
    plot_ladders(figure.add_subplot(grid[0, 0]), [r.ladder for r in found.ladders], unit=found.machine.show_in)
    plot_times(figure.add_subplot(grid[0, 1]), found)
    plot_differences(figure.add_subplot(grid[1, :]), found)
    return figure
