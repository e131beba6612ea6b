"""Clicks on motor steps; a reversal."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from ..axis.resolution import play
from ..ladder.series import round_half_up
from ..ladder.steps import steps_per_detent
from ..machine.model import Axis, Machine
from ..units import UNIT_FACTORS
from .ink import COLOURS, DASHED, FAINT, INK, draw_grid, figure_png, new_figure

if TYPE_CHECKING:
    from fractions import Fraction

    from matplotlib.axes import Axes


def plot_clicks(ax: Axes, machine: Machine, axis: Axis, gain_mm: Fraction, *, remainder: str = "carry", clicks: int = 12) -> Axes:
    """Where each click asks the axis to be, and on which step it is put; dead clicks are marked at the bottom.

    `remainder` is "carry" (fractions of a step kept) or "drop" (lost at each click).
    """
    unit = machine.shown_unit(axis)
    factor = UNIT_FACTORS[unit]
    alpha, step = steps_per_detent(machine, axis, gain_mm), float(axis.step_mm / factor)
    steps = [k * int(alpha) if remainder == "drop" else round_half_up(k * alpha) for k in range(clicks + 1)]
    asked = np.arange(clicks + 1) * float(alpha) * step
    stands = np.array(steps) * step
    if steps[-1] <= 40:
        ax.set_yticks(step * np.arange(max(steps[-1], int(alpha * clicks)) + 2), minor=True)
        ax.grid(True, which="minor", axis="y", color="#e8e8e8", lw=0.7, zorder=0)
    ax.step(range(clicks + 1), stands, where="post", color=COLOURS[0], lw=2.4, label="where the axis is put")
    ax.plot(range(clicks + 1), asked, "o", mfc="white", mec=COLOURS[1], mew=1.8, label="where the clicks ask for")
    dead = [k for k in range(1, clicks + 1) if steps[k] == steps[k - 1]]
    ax.plot(dead or [-1], [0.02 * asked[-1]] * max(len(dead), 1), "x", color=INK, ms=9, mew=2, label="dead click: no step")
    ax.set(xlabel="clicks turned", ylabel=f"position ({unit})", xlim=(-0.2, clicks + 0.3), xticks=range(clicks + 1))
    ax.set_ylim(0, 1.08 * max(asked[-1], stands[-1]))
    ax.legend(loc="upper left", fontsize=9, frameon=False)
    return ax


def plot_reversal(ax: Axes, gain_mm: float, slack_mm: float, motor_mm: float, *, clicks: int = 10) -> Axes:
    """Clicks up and the same clicks back: what the readout says, and where the axis stands [mm].

    The band is what the motor may miss, either way; its size is right, where in it the axis lies is unknown.
    """
    count = np.arange(2 * clicks + 1)
    told = gain_mm * np.minimum(count, 2 * clicks - count)
    real = play(told, slack_mm)
    ax.fill_between(count, real - motor_mm, real + motor_mm, color=COLOURS[0], alpha=0.2, lw=0, label="what the motor may miss")
    ax.plot(count, told, "o--", color=COLOURS[1], mfc="white", lw=1.4, label="what the readout says")
    ax.plot(count, real, "s-", color=COLOURS[0], ms=4, lw=2.2, label="where the axis stands (model)")
    ax.axvline(clicks, color=FAINT, lw=1, ls=DASHED)
    ax.annotate("turned round", (clicks, 0), xytext=(4, 4), textcoords="offset points", fontsize=9, color=INK)
    ax.set(xlabel="clicks turned, first up, then back", ylabel="position (mm)", xlim=(0, 2 * clicks))
    ax.set_xticks(range(0, 2 * clicks + 1, 2))
    ax.legend(loc="upper left", fontsize=9, frameon=False)
    draw_grid(ax)
    return ax


def picture(paint: Callable[[Axes], Any], *, height_in: float = 3.8) -> Any:
    """Let `paint(ax)` draw, and show the result below a notebook's cell."""
    from IPython.display import Image

    figure = new_figure(8.2, height_in)
    paint(figure.subplots())
    return Image(figure_png(figure), width=820)  # type: ignore[no-untyped-call]
