"""Ladders, times and differences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..units import in_unit, say_number
from ..words.say import letter
from .ink import INK, ON_WHITE, draw_grid, mark_simulated, nth_colour, nth_line, nth_mark, plain_ticks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..ladder.ladder import Ladder
    from ..measure.compare import Comparison, LadderResult
    from ..measure.times import Difference


def plot_ladders(ax: Axes, ladders: Sequence[Ladder], *, unit: str) -> Axes:
    """Fine against coarse at a glance: each ladder a row, each rung where its distance per click lies."""
    ax.set_xscale("log")
    every = []
    for place, ladder in enumerate(ladders):
        gains = [float(in_unit(gain, unit)) for gain in ladder.gains_mm]
        every += gains
        ax.plot(gains, [place] * len(gains), color=nth_colour(place), ls=nth_line(place), lw=1.6, zorder=2)
        mark = nth_mark(place)
        ax.plot(gains, [place] * len(gains), mark, ms=9, color=nth_colour(place), mfc="white", mew=2, zorder=3)
        for gain in gains:
            ax.text(gain, place - 0.2, say_number(gain), ha="center", va="bottom", fontsize=8.5, color=INK)
    ax.set_yticks(range(len(ladders)), [letter(i) for i in range(len(ladders))])
    ax.set_ylim(len(ladders) - 0.5, -0.6)
    if every:
        ax.set_xlim(min(every) / 2, max(every) * 2)
    plain_ticks(ax)
    ax.set_xlabel(f"distance per click ({unit}), fine to coarse", fontsize=9)
    draw_grid(ax, "x")
    return ax


def plot_times(ax: Axes, found: Comparison) -> Axes:
    """Expected time of a task on each ladder, with its interval, and the mean people took where they did."""
    for place, result in enumerate(found.ladders):
        _draw_time(ax, place, result)
    ax.set_yticks(range(len(found.ladders)), [letter(i) for i in range(len(found.ladders))])
    ax.set_ylim(len(found.ladders) - 0.5, -0.6)
    ax.set_xlim(left=0)
    ax.set_xlabel("time of a task (s); hollow: measured", fontsize=9)
    draw_grid(ax, "x")
    mark_simulated(ax, found.simulated)
    return ax


def _draw_time(ax: Axes, place: int, result: LadderResult) -> None:
    colour, mark = nth_colour(place), nth_mark(place)
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
    """How much longer one ladder takes than the other, with interval; where it takes in zero, nobody can tell."""
    for place, difference in enumerate(found.differences):
        _draw_difference(ax, place, difference)
    ax.axvline(0, color=INK, lw=1)
    names = [f"{letter(d.second)} against {letter(d.first)}" for d in found.differences]
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.35, -0.75)
    span = max((abs(v) for d in found.differences for v in (d.change, d.low, d.high) if v is not None), default=0.1)
    ax.set_xlim(-115 * span, 115 * span)
    ax.set_xlabel("time against the first (%): less on the left, more on the right", fontsize=9)
    draw_grid(ax, "x")
    mark_simulated(ax, found.simulated)
    return ax


def _draw_difference(ax: Axes, place: int, difference: Difference) -> None:
    ax.text(
        0.5, place - 0.22, difference_words(difference), transform=ax.get_yaxis_transform(), ha="center", va="bottom",
        fontsize=8.5, color=INK, bbox=ON_WHITE,
    )  # fmt: skip
    if difference.change is None:
        return
    if difference.low is not None and difference.high is not None:
        ax.plot([100 * difference.low, 100 * difference.high], [place] * 2, color=INK, lw=2, zorder=2)
    told = difference.faster is not None
    ax.plot(100 * difference.change, place, "o", ms=8, color=INK, mfc=INK if told else "white", mew=1.6, zorder=3)


def difference_words(difference: Difference) -> str:
    """The verdict on a pair, by letter."""
    if difference.faster is None:
        more = f"; about {difference.more_tasks} more tasks on each would" if difference.more_tasks else ""
        return f"{difference.verdict}{more} ({difference.kind})"
    if difference.change is None:
        return f"only {letter(difference.faster)} can do every task"
    return f"{letter(difference.faster)} is faster ({difference.kind})"


def plot_predicted(ax: Axes, found: Comparison) -> Axes:
    """Predicted against measured time, a mark a task; on the line the prediction is right.

    Says how far the prediction is off on tasks it has not seen, so that nobody trusts a poor fit.
    """
    tasks = found.tasks
    for index, name in enumerate(sorted(set(tasks["axis"].astype(str))) if len(tasks) else []):
        here = tasks.loc[tasks["axis"].astype(str) == name]
        ax.plot(here["time_s"], here["predicted_s"], nth_mark(index), ms=6.5, color=nth_colour(index), mfc="none", mew=1.5,
                label=f"axis {name}")  # fmt: skip
    both = tasks[["time_s", "predicted_s"]].to_numpy(float) if len(tasks) else np.array([1.0, 10.0])
    low, high = both.min() / 1.3, both.max() * 1.3
    ax.plot([low, high], [low, high], color=INK, lw=1, zorder=1)
    ax.set(xscale="log", yscale="log", xlim=(low, high), ylim=(low, high))
    plain_ticks(ax)
    ax.set(xlabel="time people took (s)", ylabel="time predicted (s)", aspect="equal")
    if found.held_out_error is not None:
        text = f"off by {100 * found.held_out_error:.0f} % (RMS)\non tasks not seen before"
        ax.text(0.03, 0.97, text, transform=ax.transAxes, va="top", fontsize=8.5, color=INK)
    if len(tasks):
        ax.legend(fontsize=8.5, loc="lower right", frameon=False)
    draw_grid(ax)
    mark_simulated(ax, found.simulated)
    return ax
