"""Turning and the axis' answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.figure import Figure

from ..axis.burst import answer_burst
from ..units import UNIT_FACTORS, say_distance, say_number
from .ink import COLOURS, INK, highest, new_figure

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

    from ..axis.burst import Burst
    from ..axis.follow import Habit
    from ..choose.suggest import Suggestion



@dataclass(frozen=True, kw_only=True)
class _View:
    """Limits of a response chart in seconds and the person's unit."""

    unit: str
    until_s: float
    low: float
    high: float


class ResponseChart:
    """Hand, target and axis against time for one burst, its lines kept for quick redrawing.

    The shaded part is what the axis still travels after the hand has stopped, named with its length.
    `moving` are the artists that a burst changes; `still` compares equal while the limits are the same.
    """

    def __init__(self, ax: Axes, *, small: bool = False) -> None:
        self.ax, self.small = ax, small
        self.still: tuple[_View, str] | None = None
        self.words = ""
        size = 8 if small else 9.5
        (self._hand,) = ax.step([], [], where="post", color=INK, lw=1.1, label="hand: clicks turned", zorder=3)
        (self._target,) = ax.step(
            [], [], where="post", color=COLOURS[4], lw=1.4, ls=(0, (3, 1.5)), label="target: clicks reported",
            zorder=3.2,
        )  # fmt: skip
        (self._axis,) = ax.plot([], [], color=COLOURS[0], lw=2.6, label="the axis", zorder=3.5)
        (self._shade,) = ax.fill([0, 0, 0], [0, 0, 0], color=COLOURS[1], alpha=0.28, lw=0, label=RUN_ON, zorder=2)
        self._stop = ax.axvline(0.0, color=INK, lw=1, ls=(0, (2, 3)), zorder=2.5)
        (self._span,) = ax.plot([], [], color=COLOURS[1], lw=1.6, marker="_", ms=9, mew=1.6, zorder=4)
        self._name = ax.text(
            0.975, 0.05, "", transform=ax.transAxes, fontsize=size, color=INK, ha="right", va="bottom", zorder=5,
            bbox={"facecolor": "white", "edgecolor": COLOURS[1], "lw": 0.8, "pad": 2.0, "alpha": 0.92},
        )  # fmt: skip
        self._lost = ax.text(0, 0, "", fontsize=size, color=INK, ha="right", va="center", zorder=5, clip_on=True)
        self._title = ax.text(
            0.5, 1.02, "", transform=ax.transAxes, ha="center", va="bottom", fontsize=size + 1, color=INK
        )
        self.moving: list[Artist] = [
            self._shade, self._stop, self._hand, self._target, self._axis, self._span, self._name, self._lost,
            self._title,
        ]  # fmt: skip
        ax.set_xlabel("time (s)", fontsize=size)
        ax.tick_params(labelsize=size)
        ax.locator_params(nbins=5 if small else 7)
        ax.grid(True, color="#dddddd", lw=0.6, zorder=0)

    def update(
        self, burst: Burst, *, unit: str, title: str = "", until_s: float | None = None, high: float | None = None
    ) -> None:
        """Show a burst; `until_s` and `high` (in the person's unit) set the limits, or else they fit."""
        factor = float(UNIT_FACTORS[unit])
        hand, target, axis = (values / factor for values in (burst.hand_mm, burst.target_mm, burst.x_mm))
        self._hand.set_data(burst.time_s, hand)
        self._target.set_data(burst.time_s, target)
        self._axis.set_data(burst.time_s, axis)
        top = highest(burst, unit) if high is None else high
        end = float(burst.time_s[-1]) if until_s is None else until_s
        self._show_run_on(burst, axis, factor, unit, end)
        self._title.set_text(title)
        self._show(_View(unit=unit, until_s=end, low=-0.04 * top, high=1.08 * top))

    def _show_run_on(self, burst: Burst, axis: Any, factor: float, unit: str, end_s: float) -> None:
        length = burst.since_click_mm / factor
        after = burst.time_s >= burst.released_s
        rest = float(axis[-1])
        start = rest - length
        times = np.concatenate([[burst.released_s], burst.time_s[after]])
        course = np.concatenate([[start], axis[after]])
        self._shade.set_xy(np.column_stack([np.append(times, times[-1]), np.append(course, start)]))
        self._stop.set_xdata([burst.released_s, burst.released_s])
        at = min(max(resting_s(burst), burst.released_s), end_s)
        self._span.set_data([at, at], [start, rest])
        shown = say_distance(abs(burst.since_click_mm), unit, digits=3)
        self.words = f"runs on {shown} for {say_number(at - burst.released_s, digits=2)} s"
        self._name.set_text(self.words)
        self._lost.set_text(f"{burst.lost_detents} clicks lost" if burst.lost_detents else "")
        self._lost.set_position((0.985 * end_s, (rest + float(burst.hand_mm[-1]) / factor) / 2))

    def _show(self, view: _View) -> None:
        if self.still is not None and self.still[0] == view:
            return
        self.ax.set(xlim=(0.0, view.until_s), ylim=(view.low, view.high))
        self.ax.set_ylabel(f"position ({view.unit})", fontsize=8 if self.small else 9.5)
        self.still = (view, "")

    def legend(self, **placed: Any) -> None:
        """Name the lines, once for the figure."""
        handles, labels = self.ax.get_legend_handles_labels()
        figure = self.ax.figure
        figure.legend(handles, labels, ncols=4, frameon=False, fontsize=8.5, columnspacing=1.2, **placed)


RUN_ON = "run on after the hand has stopped"


def resting_s(burst: Burst) -> float:
    """When the axis has come to rest after a burst [s], to the next sample: later reports bring no clicks."""
    moving = np.flatnonzero(np.abs(burst.x_mm - burst.x_mm[-1]) > 1e-9 * max(float(np.max(burst.x_mm)), 1e-9))
    last = int(moving[-1]) + 1 if len(moving) else 0
    return float(burst.time_s[min(last, len(burst.time_s) - 1)])


def plot_response(ax: Axes, burst: Burst, *, unit: str = "mm", title: str = "", small: bool = False) -> Axes:
    """Hand, target and axis against time for one burst; what the axis runs on is shaded and named.

    `unit` is what the person reads; for a rotary axis "deg".
    """
    ResponseChart(ax, small=small).update(burst, unit=unit, title=title)
    return ax


def rung_bursts(
    answer: Suggestion,
    *,
    axis: str | None = None,
    turn_rate: float | None = None,
    burst_s: float = 1.0,
    habit: Habit | None = None,
) -> list[Burst]:
    """One burst on each rung of an axis (default: the first), all sampled over the same time.

    `turn_rate` [detents/s] defaults to what the hand keeps up.
    """
    machine = answer.machine
    chosen = machine.axis(axis) if axis is not None else machine.axes[0]
    rate = machine.knob.steady_detents_s if turn_rate is None else turn_rate
    gains = [float(machine.axis_gain(chosen, gain)) for gain in answer.ladder.gains_mm]

    def turn(gain: float, until_s: float | None = None) -> Burst:
        return answer_burst(
            rate, burst_s, gain, machine.link, top_speed_mm_s=chosen.top_speed_mm_s, ramp_mm_s2=chosen.ramp_mm_s2,
            habit=habit, until_s=until_s,
        )  # fmt: skip

    until = max(float(turn(gain).time_s[-1]) for gain in gains)
    return [turn(gain, until) for gain in gains]


def draw_responses(
    answer: Suggestion,
    *,
    axis: str | None = None,
    turn_rate: float | None = None,
    burst_s: float = 1.0,
    habit: Habit | None = None,
) -> Figure:
    """The response chart: one burst on each rung, side by side over the same time."""
    machine = answer.machine
    chosen = machine.axis(axis) if axis is not None else machine.axes[0]
    unit = machine.shown_unit(chosen)
    rate = machine.knob.steady_detents_s if turn_rate is None else turn_rate
    bursts = rung_bursts(answer, axis=chosen.name, turn_rate=rate, burst_s=burst_s, habit=habit)
    columns = min(3, len(bursts))
    rows = -(-len(bursts) // columns)
    figure = new_figure(9.6, 0.9 + 2.7 * rows)
    cells = figure.subplots(rows, columns, squeeze=False).ravel()
    for ax in cells[len(bursts) :]:
        ax.remove()
    for ax, burst, rung in zip(cells, bursts, answer.ladder.rungs, strict=False):
        gain = say_distance(machine.axis_gain(chosen, rung.gain_mm), unit)
        chart = ResponseChart(ax, small=True)
        chart.update(burst, unit=unit, title=f"×{rung.multiplier}: {gain} a click")
    chart.legend(loc="outside lower center")
    figure.suptitle(
        f"{machine.name}, axis {chosen.name}: {say_number(rate, digits=3)} detents/s for "
        f"{say_number(burst_s, digits=3)} s, then the hand stops",
        fontsize=11,
    )
    return figure
