"""Ladders, times, differences."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from ..bench.diagnose import Diagnosis
from ..ladder.ladder import Ladder
from ..measure.classroom import ClassResult
from ..measure.compare import Comparison
from ..measure.times import Difference
from ..units import in_unit, say_number
from ..words.compare import verdict_words
from ..words.say import counted, letter
from .ink import (
    _INK,
    _ON_WHITE,
    _draw_grid,
    _even_ticks,
    _folded,
    _mark_simulated,
    _name_below,
    _nth_colour,
    _nth_line,
    _nth_mark,
    _plain_ticks,
    named,
)


def _name_rows(ax: Axes, names: Sequence[str], *, below: float = 0.5, above: float = 0.6) -> None:
    ax.set_yticks(range(len(names)), list(names))
    ax.set_ylim(len(names) - 1 + below, -above)
    _draw_grid(ax, "x")


def plot_ladders(ax: Axes, ladders: Sequence[Ladder], *, unit: str) -> Axes:
    """Fine against coarse at a glance: each ladder a row, each rung where its distance per click lies."""
    ax.set_xscale("log")
    every = [[float(in_unit(gain, unit)) for gain in ladder.gains_mm] for ladder in ladders]
    for place, gains in enumerate(every):
        row, colour = [place] * len(gains), _nth_colour(place)
        ax.plot(gains, row, color=colour, ls=_nth_line(place), lw=1.6, zorder=2)
        ax.plot(gains, row, _nth_mark(place), ms=9, color=colour, mfc="white", mew=2, zorder=3)
        for gain in gains:
            ax.text(gain, place - 0.2, say_number(gain), ha="center", va="bottom", fontsize=8.5, color=_INK)
    if every:
        ax.set_xlim(min(map(min, every)) / 2, max(map(max, every)) * 2)
    _plain_ticks(ax)
    ax.set_xlabel(f"distance per click ({unit}), fine to coarse", fontsize=9)
    _name_rows(ax, [letter(place) for place in range(len(ladders))])
    return ax


def plot_times(ax: Axes, found: Comparison) -> Axes:
    """Expected time of a task on each ladder, with its interval, and the mean people took where they did."""
    for place, result in enumerate(found.ladders):
        style: dict[str, Any] = {"marker": _nth_mark(place), "color": _nth_colour(place)}
        if result.expected_time_s is None:
            across = ax.get_yaxis_transform()
            ax.text(0.02, place, "can't do every task", transform=across, va="center", fontsize=8.5, color=_INK)
        else:
            _draw_interval(ax, place - 0.1, result.expected_time_s, result.low, result.high, ms=9, **style)
        measured = result.measured
        if measured.value is not None:
            hollow: dict[str, Any] = {"ms": 8, "mfc": "white", "mew": 1.6}
            _draw_interval(ax, place + 0.18, measured.value, measured.low, measured.high, lw=1, **hollow, **style)
    ax.set_xlim(left=0)
    ax.set_xlabel("time of a task (s); hollow: measured", fontsize=9)
    _name_rows(ax, [letter(place) for place in range(len(found.ladders))])
    _mark_simulated(ax, found.simulated)
    return ax


def _draw_interval(
    ax: Axes, place: float, value: float, low: float | None, high: float | None, *, color: str, lw: float = 2, **mark: Any
) -> None:
    if low is not None and high is not None:
        ax.plot([low, high], [place, place], color=color, lw=lw, zorder=2)
    ax.plot(value, place, color=color, ls="", zorder=3, **mark)


def plot_differences(ax: Axes, found: Comparison) -> Axes:
    """How much longer one ladder takes than the other, with interval; where it takes in zero, nobody can tell."""
    for place, difference in enumerate(found.differences):
        above: dict[str, Any] = {"transform": ax.get_yaxis_transform(), "ha": "center", "va": "bottom", "bbox": _ON_WHITE}
        ax.text(0.5, place - 0.22, difference_words(difference), fontsize=8.5, color=_INK, **above)
        if difference.change is not None:
            ends = difference.low, difference.high
            change, low, high = (None if v is None else max(1 + v, 0.01) for v in (difference.change, *ends))
            face = _INK if difference.faster is not None else "white"
            _draw_interval(ax, place, change or 1.0, low, high, color=_INK, marker="o", ms=8, mfc=face, mew=1.6)
    ax.axvline(1, color=_INK, lw=1)
    changes = [v for d in found.differences for v in (d.change, d.low, d.high) if v is not None]
    _as_percent(ax, max([1.1, *(max(1 + v, 1 / max(1 + v, 0.01)) for v in changes)]) ** 1.15)
    ax.set_xlabel("time against the first (%): less on the left, more on the right", fontsize=9)
    _name_rows(ax, [f"{letter(d.second)} against {letter(d.first)}" for d in found.differences], below=0.65, above=0.75)
    _mark_simulated(ax, found.simulated)
    return ax


def plot_people(ax: Axes, found: ClassResult, *, pair: int = 0) -> Axes:
    """A slope per person who did both ladders of a pair, from the mean time of a task on the first to that on the second; and the
    difference between the ladders with its interval, which allows for practice, from people's geometric mean."""
    if not found.differences:
        raise ValueError("plot: a class that used one ladder has nothing to compare")
    one = found.differences[pair]
    labels = [found.labels[n] for n in (one.first, one.second)]
    times = found.people.pivot(index="person", columns="ladder_label", values="mean_time_s").reindex(columns=labels).dropna()
    for faster in (True, False):
        some = times.loc[(times[labels[1]] < times[labels[0]]) == faster]
        label = f"{'faster' if faster else 'no faster'} on {letter(one.second)}: {counted(len(some), 'person')}"
        for pairs in some.to_numpy(float):
            ax.plot([0, 1], pairs, marker=_nth_mark(not faster), ls=_nth_line(not faster), color=_nth_colour(not faster),
                    mfc="white", lw=1.2, ms=6, label=label)  # fmt: skip
            label = "_a person"
    if one.change is not None and len(times):
        start = float(np.exp(np.log(times[labels[0]]).mean()))
        middle, low, high = (start * (1 + (one.change if share is None else share)) for share in (one.change, one.low, one.high))
        ax.plot([0, 1], [start, middle], color=_INK, lw=3, zorder=4, label=_mean_words(one))
        ax.plot([1, 1], [low, high], color=_INK, lw=3, marker="_", ms=14, mew=2.5, label="_interval", zorder=4)
    ax.set(yscale="log", xlim=(-0.25, 1.25), ylabel="mean time of a task (s)")
    ax.set_xticks([0, 1], [f"{letter(n)}\n{named(found.labels[n])}" for n in (one.first, one.second)], fontsize=9)
    ax.set_title(_folded(ax, difference_words(one)), fontsize=9, pad=18)
    _even_ticks(ax)
    _draw_grid(ax, "y")
    if len(times):
        _name_below(ax, columns=1)
    _mark_simulated(ax, found.simulated)
    return ax


def _mean_words(one: Difference) -> str:
    share, low, high = (f"{100 * (value or 0.0):+.0f}" for value in (one.change, one.low, one.high))
    return f"all: {share} % ({low} to {high} %)"


def _as_percent(ax: Axes, most: float) -> None:
    """Ratios up to `most` times more or less, as percent more or less; even where some are many times others: logarithmic."""
    ax.set(xscale="log", xlim=(1 / most, most))
    room = [ratio for ratio in _RATIOS if ratio <= most]
    shown = room[-1:] if len(room) < 3 else [room[-1], room[len(room) // 2 - 1]]
    ticks = sorted({1.0, *shown, *(1 / ratio for ratio in shown)})
    ax.set_xticks(ticks, [f"{100 * (tick - 1):+.3g}" if tick != 1 else "0" for tick in ticks])
    ax.set_xticks([], minor=True)


_RATIOS = (1.01, 1.02, 1.05, 1.1, 1.25, 1.5, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0, 100.0)


def difference_words(difference: Difference) -> str:
    """The verdict on a pair, by letter."""
    letters = [letter(i) for i in range(max(difference.first, difference.second) + 1)]
    people, tasks = difference.more_people, difference.more_tasks
    more = counted(people, "more person") if people else counted(tasks, "more task") if tasks else ""
    return f"{verdict_words(difference, letters)}{more and f'; about {more} would'} ({difference.kind})"


def plot_predicted(ax: Axes, found: Comparison) -> Axes:
    """Predicted against measured time, a mark a task; on the line the prediction is right.

    Says how far the prediction is off on tasks it has not seen, so that nobody trusts a poor fit."""
    tasks = found.tasks
    for index, name in enumerate(sorted(set(tasks["axis"].astype(str))) if len(tasks) else []):
        here = tasks.loc[tasks["axis"].astype(str) == name]
        ax.plot(here["time_s"], here["predicted_s"], _nth_mark(index), ms=6.5, color=_nth_colour(index), mfc="none", mew=1.5,
                label=f"axis {named(name, 20)}")  # fmt: skip
    both = tasks[["time_s", "predicted_s"]].to_numpy(float) if len(tasks) else np.array([1.0, 10.0])
    low, high = both.min() / 1.3, both.max() * 1.3
    ax.plot([low, high], [low, high], color=_INK, lw=1, zorder=1)
    ax.set(xscale="log", yscale="log", xlim=(low, high), ylim=(low, high))
    _plain_ticks(ax)
    ax.set(xlabel="time people took (s)", ylabel="time predicted (s)", aspect="equal")
    if found.held_out_error is not None:
        text = f"off by {100 * found.held_out_error:.0f} % (RMS)\non tasks not seen before"
        ax.text(0.03, 0.97, text, transform=ax.transAxes, va="top", fontsize=8.5, color=_INK)
    if len(tasks):
        ax.legend(fontsize=8.5, loc="lower right", frameon=False)
    _draw_grid(ax)
    _mark_simulated(ax, found.simulated)
    return ax


def plot_causes(ax: Axes, found: Diagnosis) -> Axes:
    """How likely each cause is of what a dial indicator read."""
    names = [named(f"{cause.kind}: {', '.join(cause.axes)}") for cause in found.causes] or [named(found.verdict)]
    ax.barh(range(len(names)), [100 * cause.likelihood for cause in found.causes] or [0], color=_nth_colour(0), height=0.6)
    _name_rows(ax, names, below=0.6, above=0.6)
    ax.set_xlim(0, 100)
    ax.set_xlabel("likelihood (%)")
    return ax
