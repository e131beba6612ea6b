"""The ladder chart; turn rate, speed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..choose.cover import coarsest_wish
from ..choose.suggest import Suggestion
from ..logs.log import Log, turn_rates
from ..machine.model import Machine
from ..units import UNIT_FACTORS, in_unit, say_number
from .ink import (
    _COLOURS,
    _FAINT,
    _HAND_BAND,
    _INK,
    _ON_WHITE,
    _draw_grid,
    _is_wide,
    _name_below,
    _new_cells,
    _new_figure,
    _nth_colour,
    _nth_line,
    _plain_ticks,
    named,
)


class LadderChart:
    """A ladder chart whose axes, bands and ceilings are kept while rungs move, for quick redrawing.

    `moving` are the artists of the last answer; `still` compares equal while nothing else has changed. With `snap` the limits
    go in half decades and hold the distance `least` (person's unit), so that the picture hardly ever shifts under a slider."""

    def __init__(self, ax: Axes, *, log: Log | None = None, snap: bool = False, least: float | None = None) -> None:
        self.ax, self.log, self.snap, self.least = ax, log, snap, least
        self.still: _Frame | None = None
        self.moving: list[Artist] = []
        self._kept: list[Artist] = []
        self._rates = np.empty(0) if log is None else turn_rates(log.rows)
        self._side: Axes | None = None
        ax.set(xscale="log", yscale="log")
        ax.set_ylabel("turn rate (detents/s)")
        _plain_ticks(ax)
        _draw_grid(ax)

    def update(self, answer: Suggestion, *, title: str | None = None) -> None:
        """Show an answer; the frame is drawn anew only where it differs."""
        frame = _frame_of(answer, self._rates, self.snap, self.least)
        if frame != self.still:
            _remove(self._kept)
            self._kept = list(self._draw_frame(frame))
            self.still = frame
        _remove(self.moving)
        self.moving = [*self._draw_hand(answer.machine, frame), *self._draw_rungs(answer, frame)]
        if title is not None:
            told = "\n".join(named(line, 120) for line in title.split("\n"))
            self.moving.append(self.ax.text(0.5, 1.16, told, transform=self.ax.transAxes, ha="center", va="bottom", fontsize=11))

    def _draw_frame(self, frame: _Frame) -> Iterator[Artist]:
        ax = self.ax
        ax.set(xlim=(frame.left, frame.right), ylim=(frame.low, frame.high))
        ax.set_xlabel(f"distance per click ({frame.unit})")
        yield from _draw_band(ax, frame.left, frame.fine, "//", (0.03, "bottom", "finer than one motor step"))
        x = np.array([frame.left, frame.right])  # number / x is a straight line on these scales
        for index, (label, number) in enumerate(frame.ceilings):
            yield from ax.plot(x, number / x, color=_nth_colour(index), ls=_nth_line(index), lw=2, label=label)
        wide, title = _is_wide(ax), "above its line an axis{}can't keep up with the hand"
        yield _name_below(ax, 0.13 if wide else 0.3, columns=3 if wide else 1, title=title.format(" " if wide else "\n"),
                          title_fontsize=8.5)  # fmt: skip
        if self.log is not None:
            self._side = self._side or _log_side(ax, self.log)
            edges = np.geomspace(frame.low, frame.high, 19)
            counts, _ = np.histogram(self._rates, edges)
            style: dict[str, Any] = {"align": "edge", "color": _FAINT, "edgecolor": "white", "lw": 0.3}
            yield from self._side.barh(edges[:-1], counts, height=np.diff(edges), **style)
            self._side.set_xlim(0, 1.05 * max(counts.max(), 1))

    def _draw_hand(self, machine: Machine, frame: _Frame) -> Iterator[Artist]:
        """What a turn rate moves: the band of the hand, and from where on no axis follows it."""
        ax, steady, fastest = self.ax, machine.knob.steady_detents_s, machine.knob.fastest_detents_s
        coarse = coarsest_wish(machine) / float(UNIT_FACTORS[frame.unit])
        # the ceilings fall from left to right: bottom left and top right are free of them
        yield from _draw_band(ax, coarse, frame.right, "\\\\", (0.97, "top", "no axis follows a steady hand"))
        yield ax.axhspan(steady, fastest, color=_HAND_BAND, alpha=0.3, lw=0, zorder=0.5)
        start, middle = max(frame.fine, frame.left) * 1.1, np.sqrt(steady * fastest)
        hand = "the hand: steady to fastest" if _is_wide(ax) else "the hand"
        yield ax.text(start, middle, hand, va="center", fontsize=9, color=_INK)

    def _draw_rungs(self, answer: Suggestion, frame: _Frame) -> Iterator[Artist]:
        ax = self.ax
        gains = np.array([float(in_unit(gain, frame.unit)) for gain in answer.ladder.gains_mm])
        top = ax.get_xaxis_transform()
        wish = float(in_unit(answer.machine.finest_wish_mm, frame.unit))
        yield from ax.plot(wish, 0.0, "^", ms=9, color=_COLOURS[1], transform=top, clip_on=False, zorder=5)
        yield ax.annotate(
            "finest wish", (wish, 0.045), xycoords=top, xytext=(3, 0), textcoords="offset points", ha="left", va="bottom",
            rotation=90, fontsize=8, color=_INK, zorder=4.5,
        )  # fmt: skip
        steady = answer.machine.knob.steady_detents_s
        yield ax.vlines(gains, frame.low, steady, color=_INK, lw=1.4, zorder=3)
        yield from ax.plot(gains, np.full(len(gains), steady), "o", ms=8, color=_INK, mfc="white", mew=1.8, zorder=4)
        own = [column for column in answer.ladder.own if column.unit == frame.unit]
        for n, column in enumerate(own, start=1):
            mine, height = [float(in_unit(gain, frame.unit)) for gain in dict.fromkeys(column.gains_mm)], steady * 0.7**n
            yield from ax.plot(mine, [height] * len(mine), "|", ms=10, mew=2, color=_nth_colour(n), zorder=4)
            beside: dict[str, Any] = {"va": "center", "fontsize": 8, "color": _INK, "bbox": _ON_WHITE, "zorder": 4}
            yield ax.text(mine[-1] * 1.12, height, named(column.axis), **beside)
        yield ax.vlines(gains, 1.0, 1.012, color=_INK, lw=0.8, transform=top, clip_on=False)
        crowded = len(gains) > 1 and np.min(np.diff(np.log10(gains))) < 0.065 * np.log10(frame.right / frame.left)
        placed: dict[str, Any] = {"transform": top, "ha": "center", "va": "bottom", "fontsize": 8, "color": _INK}
        for multiplier, gain in zip(answer.ladder.multipliers, gains, strict=True):
            yield ax.text(gain, 1.018, f"×{multiplier}\n{say_number(gain)}", rotation=90 if crowded else 0, **placed)
        yield ax.text(0.0, 1.09, "rungs", transform=ax.transAxes, ha="left", va="bottom", fontsize=9, color=_INK)


def plot_ladder(ax: Axes, answer: Suggestion, *, log: Log | None = None) -> Axes:
    """Distance per click against what the hand can turn and each axis can follow.

    Each rung is a stem; each axis a falling line, its ceiling; the hand a level band from steady to fastest. Left of the
    hatched edge a click is finer than a motor step, right of the other no axis follows the steady hand. A log adds its turn
    rates on the right edge."""
    LadderChart(ax, log=log).update(answer)
    return ax


def draw_ladder(answer: Suggestion, *, log: Log | None = None, width_in: float = 9.0) -> Figure:
    """The ladder chart as a figure of its own."""
    figure = _new_figure(width_in, max(4.0, 0.6 * width_in))
    ax = plot_ladder(figure.subplots(), answer, log=log)
    if width_in > 8:
        ax.set_title(f"{named(answer.machine.name)}: {answer.ladder.say(own=False)} per click", fontsize=11, pad=42)
    return figure


@dataclass(frozen=True, kw_only=True)
class _Frame:
    """All of a ladder chart that stays while only rungs change: limits, bands, ceilings. Person's unit."""

    unit: str
    left: float
    right: float
    low: float
    high: float
    fine: float
    ceilings: tuple[tuple[str, float], ...]


def _frame_of(answer: Suggestion, rates: Any, snap: bool, least: float | None) -> _Frame:
    machine, unit = answer.machine, answer.machine.show_in
    factor = float(UNIT_FACTORS[unit])
    own = [gain for column in answer.ladder.own if column.unit == unit for gain in column.gains_mm]
    gains = sorted(float(in_unit(gain, unit)) for gain in (*answer.ladder.gains_mm, *own))
    fine, coarse = float(machine.largest_step_mm) / factor, coarsest_wish(machine) / factor
    left, right = min(gains[0], fine, float(machine.finest_wish_mm) / factor) / 2.6, max(gains[-1], coarse) * 2.6
    low, high = machine.knob.steady_detents_s / 8, machine.knob.fastest_detents_s * 5
    if len(rates):
        low, high = min(low, rates.min() / 1.3), max(high, rates.max() * 1.3)
    if snap:
        (left, right), (low, high) = _snapped(left, right), _snapped(low, high)
    if least is not None:
        left = min(gains[0], fine, least) / 1.3
    tops: dict[float, list[str]] = {}
    for axis in machine.main_axes:
        tops.setdefault(axis.top_speed_mm_s, []).append(named(axis.name, 20))
    ceilings = tuple((f"{', '.join(tops[top])}: top speed {say_number(top / factor, digits=3)} {unit}/s", top / factor)
                     for top in sorted(tops, reverse=True))  # fmt: skip
    return _Frame(unit=unit, left=left, right=right, low=low, high=high, fine=fine, ceilings=ceilings)


def _snapped(low: float, high: float) -> tuple[float, float]:
    """Limits widened to half decades."""
    return 10 ** (np.floor(2 * np.log10(low)) / 2), 10 ** (np.ceil(2 * np.log10(high)) / 2)


def _log_side(ax: Axes, log: Log) -> Axes:
    side = ax.inset_axes((1.012, 0.0, 0.13, 1.0), sharey=ax)
    side.tick_params(labelleft=False, left=False, labelbottom=False, bottom=False, which="both")
    side.set_xlabel("turning\nin the log", fontsize=8)
    turned_by = named(log.header.get("turned by", "").split(",")[0], 20)
    source = "simulated" if log.simulated else f"turned by\n{turned_by}" if turned_by else "measured"
    side.set_title(source, fontsize=8)
    side.spines[["top", "right", "bottom"]].set_visible(False)
    return side


def _draw_band(
    ax: Axes, start: float, end: float, hatch: str, note: tuple[float, Literal["top", "bottom"], str]
) -> Iterator[Artist]:
    """A hatched part of the chart from bottom to top, and upright in it what it means."""
    yield ax.axvspan(start, end, hatch=hatch, facecolor="none", edgecolor="#b9b9b9", lw=0, zorder=0.4)
    height, side, text = note
    placed: dict[str, Any] = {"ha": "center", "va": side, "transform": ax.get_xaxis_transform()}
    yield ax.text(np.sqrt(start * end), height, text, rotation=90, fontsize=8, color=_INK, bbox=_ON_WHITE, **placed)


def _remove(artists: list[Artist]) -> None:
    for artist in artists:
        artist.remove()
    artists.clear()


def plot_speed(ax: Axes, answer: Suggestion, *, axis: str | None = None) -> Axes:
    """Turn rate against axis speed for each rung on one axis (default: the first), with its ceiling."""
    machine = answer.machine
    chosen = machine.axis(axis) if axis is not None else machine.axes[0]
    unit = machine.shown_unit(chosen)
    factor = float(UNIT_FACTORS[unit])
    top = chosen.top_speed_mm_s / factor
    steady, fastest = machine.knob.steady_detents_s, machine.knob.fastest_detents_s
    rate = np.geomspace(steady / 10, fastest * 1.15, 300)
    gains = [float(gain) / factor for gain in dict.fromkeys(answer.ladder.on(chosen))]
    for index, gain in enumerate(gains):
        ax.plot(rate, np.minimum(rate * gain, top), color=_nth_colour(index), ls=_nth_line(index), lw=2.4)
        _label(ax, rate[0] * 0.95, min(rate[0] * gain, top), f"{say_number(gain)} {unit}", ha="right", va="center")
    ax.set(xscale="log", yscale="log", xlim=(rate[0] / 3.2, rate[-1]))
    ax.set_ylim(min(rate[0] * gains[0] / 1.6, top / 30), top * 2.6)
    ax.axhline(top, color=_INK, lw=1)
    _label(ax, rate[0] / 3, top * 1.14, f"top speed {say_number(top, digits=4)} {unit}/s", ha="left", va="bottom")
    ax.axvspan(steady, fastest, color=_HAND_BAND, alpha=0.35, lw=0, zorder=0.5)
    low: dict[str, Any] = {"ha": "center", "va": "bottom", "transform": ax.get_xaxis_transform()}
    ax.text(np.sqrt(steady * fastest), 0.02, "steady to\nfastest", fontsize=8.5, color=_INK, **low)
    calm = None if chosen.calm_speed_mm_s is None else chosen.calm_speed_mm_s / factor
    if calm is not None and calm < top:
        ax.axhline(calm, color=_INK, lw=1, ls=(0, (2, 3)))
        _label(ax, rate[-1] * 0.94, calm, f"calm {say_number(calm, digits=4)} {unit}/s", ha="right", va="center")
    ax.set_xlabel("turn rate (detents/s)")
    ax.set_ylabel(f"axis speed ({unit}/s)")
    _plain_ticks(ax)
    _draw_grid(ax)
    return ax


def _label(ax: Axes, x: float, y: float, text: str, **placed: Any) -> None:
    """A small label on white, clipped to the axes so that it never squeezes them."""
    ax.text(x, y, text, fontsize=8.5, color=_INK, bbox=_ON_WHITE, clip_on=True, zorder=4, **placed)


def draw_speed(answer: Suggestion, *, width_in: float = 9.0) -> Figure:
    """The speed chart as a figure of its own, one panel per axis that differs from those before it."""
    groups: dict[Any, list[str]] = {}
    for axis in answer.machine.axes:
        groups.setdefault((axis.top_speed_mm_s, axis.calm_speed_mm_s, axis.rotary), []).append(axis.name)
    figure, cells = _new_cells(len(groups), columns=2 if width_in > 6 else 1, width_in=width_in, row_in=4.2, head_in=0.6)
    for ax, names in zip(cells, groups.values(), strict=True):
        plot_speed(ax, answer, axis=names[0]).set_title("axis " + ", ".join(named(name, 20) for name in names), fontsize=10)
    return figure
