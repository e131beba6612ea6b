"""The ladder chart: positions, gains and what each axis honours."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from matplotlib.figure import Figure

from ..axis.resolution import Resolution, real_resolution
from ..choose.base import finest_wish
from ..choose.cover import coarsest_wish
from ..logs.rates import turn_rates
from ..units import UNIT_FACTORS, in_unit, say_number
from .ink import COLOURS, INK, Frame, axis_colour, axis_line, draw_log, frame_of, log_side, new_figure, plain_ticks

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

    from ..choose.suggest import Suggestion
    from ..logs.log import Log
    from ..machine.model import Machine



class LadderChart:
    """A ladder chart whose axes, bands and ceilings are kept while rungs move, for quick redrawing.

    `moving` are the artists of the last answer; `still` compares equal while nothing else has changed.
    With `snap` the limits go in half decades and hold the distance `least` (person's unit), so that the picture
    hardly ever shifts under a slider.
    """

    def __init__(self, ax: Axes, *, log: Log | None = None, snap: bool = False, least: float | None = None) -> None:
        self.ax, self.log, self.snap, self.least = ax, log, snap, least
        self.still: Frame | None = None
        self.moving: list[Artist] = []
        self._kept: list[Artist] = []
        self._rates = np.empty(0) if log is None else turn_rates(log.rows)
        self._side: Axes | None = None
        ax.set(xscale="log", yscale="log")
        ax.set_ylabel("turn rate (detents/s)")
        plain_ticks(ax)

    def update(self, answer: Suggestion, *, title: str | None = None) -> None:
        """Show an answer; the frame is drawn anew only where it differs."""
        frame = frame_of(answer, self._rates, self.snap, self.least)
        if frame != self.still:
            _remove(self._kept)
            self._kept = list(self._draw_frame(frame))
            self.still = frame
        _remove(self.moving)
        self.moving = [*self._draw_hand(answer.machine, frame), *self._draw_rungs(answer, frame)]
        if title is not None:
            self.moving.append(
                self.ax.text(0.5, 1.16, title, transform=self.ax.transAxes, ha="center", va="bottom", fontsize=11)
            )

    def _draw_frame(self, frame: Frame) -> Iterator[Artist]:
        ax = self.ax
        ax.set(xlim=(frame.left, frame.right), ylim=(frame.low, frame.high))
        ax.set_xlabel(f"distance per click ({frame.unit})")
        yield from _draw_band(ax, frame.left, frame.fine, "//", (0.03, "bottom", "finer than one motor step"))
        yield from _draw_ceilings(ax, frame)
        if self.log is not None:
            self._side = self._side or log_side(ax, self.log)
            yield from draw_log(self._side, self._rates, frame)

    def _draw_hand(self, machine: Machine, frame: Frame) -> Iterator[Artist]:
        """What a turn rate moves: the band of the hand, and from where on no axis follows it."""
        ax, steady, fastest = self.ax, machine.knob.steady_detents_s, machine.knob.fastest_detents_s
        coarse = coarsest_wish(machine) / float(UNIT_FACTORS[frame.unit])
        # the ceilings fall from left to right: bottom left and top right are free of them
        yield from _draw_band(ax, coarse, frame.right, "\\\\", (0.97, "top", "no axis follows a steady hand"))
        yield ax.axhspan(steady, fastest, color="#F0E442", alpha=0.3, lw=0, zorder=0.5)
        start, middle = max(frame.fine, frame.left) * 1.1, np.sqrt(steady * fastest)
        yield ax.text(start, middle, "the hand: steady to fastest", va="center", fontsize=9, color=INK)

    def _draw_rungs(self, answer: Suggestion, frame: Frame) -> Iterator[Artist]:
        ax = self.ax
        gains = np.array([float(in_unit(gain, frame.unit)) for gain in answer.ladder.gains_mm])
        top = ax.get_xaxis_transform()
        wish = float(in_unit(finest_wish(answer.machine), frame.unit))
        yield from ax.plot(wish, 0.0, "^", ms=9, color=COLOURS[1], transform=top, clip_on=False, zorder=5)
        yield ax.annotate(
            "finest wish", (wish, 0.045), xycoords=top, xytext=(3, 0), textcoords="offset points", ha="left", va="bottom",
            rotation=90, fontsize=8, color=INK, zorder=4.5,
        )  # fmt: skip
        steady = answer.machine.knob.steady_detents_s
        yield ax.vlines(gains, frame.low, steady, color=INK, lw=1.4, zorder=3)
        heights = np.full(len(gains), steady)
        yield from ax.plot(gains, heights, "o", ms=8, color=INK, mfc="white", mew=1.8, zorder=4)
        yield ax.vlines(gains, 1.0, 1.012, color=INK, lw=0.8, transform=top, clip_on=False)
        crowded = len(gains) > 1 and np.min(np.diff(np.log10(gains))) < 0.065 * np.log10(frame.right / frame.left)
        placed: dict[str, Any] = {"transform": top, "ha": "center", "va": "bottom", "fontsize": 8, "color": INK}
        for multiplier, gain in zip(answer.ladder.multipliers, gains, strict=True):
            text = f"×{multiplier}\n{say_number(gain)}"
            yield ax.text(gain, 1.018, text, rotation=90 if crowded else 0, **placed)
        yield ax.text(0.0, 1.105, "rungs", transform=ax.transAxes, ha="left", va="bottom", fontsize=9, color=INK)


def plot_ladder(ax: Axes, answer: Suggestion, *, log: Log | None = None) -> Axes:
    """Distance per click against what the hand can turn and each axis can follow.

    Each rung is a stem; each axis a falling line, its ceiling; the hand a level band from steady to
    fastest. Left of the hatched edge a click is finer than a motor step, right of the other no axis
    follows the steady hand. A log adds its turn rates on the right edge.
    """
    LadderChart(ax, log=log).update(answer)
    return ax


def _remove(artists: list[Artist]) -> None:
    for artist in artists:
        artist.remove()
    artists.clear()


def _draw_band(
    ax: Axes, start: float, end: float, hatch: str, note: tuple[float, Literal["top", "bottom"], str]
) -> Iterator[Artist]:
    """A hatched part of the chart from bottom to top, and upright in it what it means."""
    yield ax.axvspan(start, end, hatch=hatch, facecolor="none", edgecolor="#b9b9b9", lw=0, zorder=0.4)
    height, side, text = note
    yield ax.text(
        np.sqrt(start * end), height, text, rotation=90, ha="center", va=side, fontsize=8, color=INK,
        transform=ax.get_xaxis_transform(), bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
    )  # fmt: skip


def _draw_ceilings(ax: Axes, frame: Frame) -> Iterator[Artist]:
    x = np.array([frame.left, frame.right])  # number / x is a straight line on these scales
    for index, (label, number) in enumerate(frame.ceilings):
        (line,) = ax.plot(x, number / x, color=axis_colour(index), ls=axis_line(index), lw=2, label=label)
        yield line
    yield ax.legend(
        loc="upper center", bbox_to_anchor=(0.5, -0.13), ncols=3, fontsize=8.5, frameon=False,
        title="above its line an axis can't keep up with the hand", title_fontsize=8.5,
    )  # fmt: skip


def draw_ladder(answer: Suggestion, *, log: Log | None = None) -> Figure:
    """The ladder chart as a figure of its own."""
    figure = new_figure()
    ax = figure.subplots()
    plot_ladder(ax, answer, log=log)
    ax.set_title(f"{answer.machine.name}: {answer.ladder.say()} per click", fontsize=11, pad=42)
    return figure


def resolution_words(answer: Suggestion) -> list[str]:
    """What resolution is real on each axis, in words, with what can't be told from the file."""
    texts = []
    for axis in answer.machine.axes:
        real, unit = real_resolution(axis), answer.machine.shown_unit(axis)
        factor = float(UNIT_FACTORS[unit])
        one, back = (say_number(v / factor, digits=3) for v in (real.one_way_mm, real.reversed_mm))
        unknown = "" if real.motor_mm is not None else " (microsteps not given, so the motor's share is not in it)"
        texts.append(
            f"Axis {axis.name}: {one} {unit} approaching one way ({_limit_words(real)}), {back} {unit} after a reversal, "
            f"with the slack on top{unknown}."
        )
    return texts


def _limit_words(real: Resolution) -> str:
    """What sets the finest move of one approach."""
    limits = {"one motor step": real.step_mm, "the motor's accuracy": real.motor_mm, "friction": real.friction_mm}
    known = {name: value for name, value in limits.items() if value is not None}
    return max(known, key=lambda name: known[name])
