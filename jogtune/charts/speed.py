"""Turn rate against speed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.figure import Figure

from ..units import UNIT_FACTORS, say_number
from .ink import HAND_BAND, INK, ON_WHITE, draw_grid, new_cells, nth_colour, nth_line, plain_ticks

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..choose.suggest import Suggestion


def plot_speed(ax: Axes, answer: Suggestion, *, axis: str | None = None) -> Axes:
    """Turn rate against axis speed for each rung on one axis (default: the first), with its ceiling."""
    machine = answer.machine
    chosen = machine.axis(axis) if axis is not None else machine.axes[0]
    unit = machine.shown_unit(chosen)
    factor = float(UNIT_FACTORS[unit])
    top = chosen.top_speed_mm_s / factor
    steady, fastest = machine.knob.steady_detents_s, machine.knob.fastest_detents_s
    rate = np.geomspace(steady / 10, fastest * 1.15, 300)
    gains = [float(machine.axis_gain(chosen, gain)) / factor for gain in answer.ladder.gains_mm]
    for index, gain in enumerate(gains):
        ax.plot(rate, np.minimum(rate * gain, top), color=nth_colour(index), ls=nth_line(index), lw=2.4)
        _label(ax, rate[0] * 0.95, min(rate[0] * gain, top), f"{say_number(gain)} {unit}", ha="right", va="center")
    ax.set(xscale="log", yscale="log", xlim=(rate[0] / 3.2, rate[-1]))
    ax.set_ylim(min(rate[0] * gains[0] / 1.6, top / 30), top * 2.6)
    ax.axhline(top, color=INK, lw=1)
    _label(ax, rate[0] / 3, top * 1.14, f"top speed {say_number(top, digits=4)} {unit}/s", ha="left", va="bottom")
    ax.axvspan(steady, fastest, color=HAND_BAND, alpha=0.35, lw=0, zorder=0.5)
    low: dict[str, Any] = {"ha": "center", "va": "bottom", "transform": ax.get_xaxis_transform()}
    ax.text(np.sqrt(steady * fastest), 0.02, "steady to\nfastest", fontsize=8.5, color=INK, **low)
    calm = None if chosen.calm_speed_mm_s is None else chosen.calm_speed_mm_s / factor
    if calm is not None and calm < top:
        ax.axhline(calm, color=INK, lw=1, ls=(0, (2, 3)))
        _label(ax, rate[-1] * 0.94, calm, f"calm {say_number(calm, digits=4)} {unit}/s", ha="right", va="center")
    ax.set_xlabel("turn rate (detents/s)")
    ax.set_ylabel(f"axis speed ({unit}/s)")
    plain_ticks(ax)
    draw_grid(ax)
    return ax


def _label(ax: Axes, x: float, y: float, text: str, **placed: Any) -> None:
    """A small label on white, clipped to the axes so that it never squeezes them."""
    ax.text(x, y, text, fontsize=8.5, color=INK, bbox=ON_WHITE, clip_on=True, zorder=4, **placed)


def draw_speed(answer: Suggestion, *, width_in: float = 9.0) -> Figure:
    """The speed chart as a figure of its own, one panel per axis that differs from those before it."""
    groups: dict[Any, list[str]] = {}
    for axis in answer.machine.axes:
        groups.setdefault((axis.top_speed_mm_s, axis.calm_speed_mm_s, axis.rotary), []).append(axis.name)
    figure, cells = new_cells(len(groups), columns=2 if width_in > 6 else 1, width_in=width_in, row_in=4.2, head_in=0.6)
    for ax, names in zip(cells, groups.values(), strict=True):
        plot_speed(ax, answer, axis=names[0]).set_title("axis " + ", ".join(names), fontsize=10)
    return figure
