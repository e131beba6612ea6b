"""Turn rate against speed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.figure import Figure

from ..units import UNIT_FACTORS, say_number
from .ink import INK, axis_colour, axis_line, new_figure, plain_ticks

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
        colour, line = axis_colour(index), axis_line(index)
        ax.plot(rate, np.minimum(rate * gain, top), color=colour, ls=line, lw=2.4)
        _note(ax, rate[0] * 0.95, min(rate[0] * gain, top), f"{say_number(gain)} {unit}", ha="right", va="center")
    ax.set(xscale="log", yscale="log", xlim=(rate[0] / 3.2, rate[-1]))
    ax.set_ylim(min(rate[0] * gains[0] / 1.6, top / 30), top * 2.6)
    ax.axhline(top, color=INK, lw=1)
    _note(ax, rate[0] / 3, top * 1.14, f"top speed {say_number(top, digits=4)} {unit}/s", ha="left", va="bottom")
    ax.axvspan(steady, fastest, color="#F0E442", alpha=0.35, lw=0, zorder=0.5)
    ax.text(
        np.sqrt(steady * fastest), 0.02, "steady to\nfastest", ha="center", va="bottom", fontsize=8.5, color=INK,
        transform=ax.get_xaxis_transform(),
    )  # fmt: skip
    _draw_calm(ax, chosen.calm_speed_mm_s, factor, unit, top, rate)
    ax.set_xlabel("turn rate (detents/s)")
    ax.set_ylabel(f"axis speed ({unit}/s)")
    plain_ticks(ax)
    return ax


def _draw_calm(ax: Axes, calm: float | None, factor: float, unit: str, top: float, rate: Any) -> None:
    if calm is None or calm / factor >= top:
        return
    ax.axhline(calm / factor, color=INK, lw=1, ls=(0, (2, 3)))
    text = f"calm {say_number(calm / factor, digits=4)} {unit}/s"
    _note(ax, rate[-1] * 0.94, calm / factor, text, ha="right", va="center")


def _note(ax: Axes, x: float, y: float, text: str, **placed: Any) -> None:
    """A small label on white, clipped to the axes so that it never squeezes them."""
    box = {"facecolor": "white", "edgecolor": "none", "pad": 1.2, "alpha": 0.9}
    ax.text(x, y, text, fontsize=8.5, color=INK, bbox=box, clip_on=True, zorder=4, **placed)


def draw_speed(answer: Suggestion) -> Figure:
    """The speed chart as a figure of its own, one panel per axis that differs from those before it."""
    chosen = _axes_that_differ(answer)
    rows, columns = -(-len(chosen) // 2), min(2, len(chosen))
    figure = new_figure(9.0, 0.6 + 4.2 * rows)
    panels = figure.subplots(rows, columns, squeeze=False).ravel()
    for ax in panels[len(chosen) :]:
        ax.remove()
    for ax, names in zip(panels, chosen, strict=False):
        plot_speed(ax, answer, axis=names[0])
        ax.set_title("axis " + ", ".join(names), fontsize=10)
    return figure


def _axes_that_differ(answer: Suggestion) -> list[list[str]]:
    groups: dict[Any, list[str]] = {}
    for axis in answer.machine.axes:
        key = (axis.top_speed_mm_s, axis.calm_speed_mm_s, axis.rotary)
        groups.setdefault(key, []).append(axis.name)
    return list(groups.values())
