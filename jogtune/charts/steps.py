"""Clicks on motor steps; a reversal."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from ..axis.burst import Burst
from ..axis.resolution import play
from ..ladder.series import round_half_up
from ..ladder.steps import steps_per_detent
from ..machine.model import Axis, Machine
from ..units import UNIT_FACTORS, say_number
from .ink import COLOURS, FAINT, INK, figure_png, new_figure

if TYPE_CHECKING:
    from fractions import Fraction

    from matplotlib.axes import Axes



def _grid(ax: Axes) -> None:
    ax.grid(True, color="#dddddd", lw=0.6, zorder=0)


def plot_clicks(
    ax: Axes, machine: Machine, axis: Axis, gain_mm: Fraction, *, remainder: str = "carry", clicks: int = 12
) -> Axes:
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
    ax.fill_between(count, real - motor_mm, real + motor_mm, color=COLOURS[0], alpha=0.2, lw=0,
                    label="what the motor may miss")  # fmt: skip
    ax.plot(count, told, "o--", color=COLOURS[1], mfc="white", lw=1.4, label="what the readout says")
    ax.plot(count, real, "s-", color=COLOURS[0], ms=4, lw=2.2, label="where the axis stands (model)")
    ax.axvline(clicks, color=FAINT, lw=1, ls=(0, (3, 3)))
    ax.annotate("turned round", (clicks, 0), xytext=(4, 4), textcoords="offset points", fontsize=9, color=INK)
    ax.set(xlabel="clicks turned, first up, then back", ylabel="position (mm)", xlim=(0, 2 * clicks))
    ax.set_xticks(range(0, 2 * clicks + 1, 2))
    ax.legend(loc="upper left", fontsize=9, frameon=False)
    _grid(ax)
    return ax


def plot_burst(
    ax: Axes, burst: Burst, *, title: str = "", unit: str = "mm", until_s: float | None = None,
    up_to_mm: float | None = None, place: int | None = None,
) -> Axes:  # fmt: skip
    """One burst of turning: what the hand asked for, and what the axis did.

    From the dashed upright line on the hand rests: whatever the axis travels after it, it runs on. `until_s` and
    `up_to_mm` set the ends of the scales, so that bursts side by side can be compared; `place` says which of them
    this is: the first one names the scale, the second one the lines, for all.
    """
    factor = float(UNIT_FACTORS[unit])
    last, top = until_s or float(burst.time_s[-1]), (up_to_mm or float(burst.hand_mm[-1])) / factor
    time = np.append(burst.time_s, last)
    hand, axis = (np.append(places, places[-1]) / factor for places in (burst.hand_mm, burst.x_mm))
    ax.plot(time, hand, color=COLOURS[1], ls="--", lw=1.6, label="what the hand asks for")
    ax.plot(time, axis, color=COLOURS[0], lw=2.4, label="the axis")
    ax.axvline(burst.released_s, color=INK, lw=1, ls=(0, (3, 3)))
    told = f"runs on {say_number(burst.since_click_mm / factor, digits=3)} {unit}\nafter the last click"
    lost = f"\n{burst.lost_detents} clicks lost" if burst.lost_detents else ""
    ax.text(0.97, 0.04, told + lost, transform=ax.transAxes, ha="right", va="bottom", fontsize=9, zorder=5,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 2})  # fmt: skip
    ax.set(xlim=(0, last), ylim=(0, 1.06 * top), xlabel="time (s)")
    ax.set_title(title, fontsize=10)
    if place in (None, 0):
        ax.set_ylabel(f"position ({unit})")
    if place in (None, 1):
        ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.14), ncols=2, fontsize=9, frameon=False)
    _grid(ax)
    return ax


def plot_between_reports(ax: Axes, answers: Mapping[str, Burst], asked_mm_s: float, *, unit: str = "mm") -> Axes:
    """The axis' speed while the knob is turned evenly, under a few habits, and the even speed asked for."""
    factor = float(UNIT_FACTORS[unit])
    styles: list[Any] = ["-", (0, (4, 1.5))]
    for index, (name, burst) in enumerate(answers.items()):
        ax.plot(burst.time_s, burst.v_mm_s / factor, color=COLOURS[index], ls=styles[index % 2], lw=2, label=name)
    ax.axhline(asked_mm_s / factor, color=INK, lw=1, ls=(0, (3, 3)), label="asked for by the hand")
    released = max(burst.released_s for burst in answers.values())
    ax.axvline(released, color=FAINT, lw=1)
    ax.annotate("last click", (released, 0), xytext=(4, 4), textcoords="offset points", fontsize=9, color=INK)
    ax.set(xlabel="time (s)", ylabel=f"speed of the axis ({unit}/s)")
    ax.set_xlim(0, max(burst.time_s[-1] for burst in answers.values()))
    ax.set_ylim(bottom=0)
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, 1.13), ncols=3, fontsize=9, frameon=False)
    _grid(ax)
    return ax


def picture(paint: Callable[[Axes], Any], *, height_in: float = 3.8) -> Any:
    """Let `paint(ax)` draw, and show the result below a notebook's cell."""
    from IPython.display import Image

    figure = new_figure(8.2, height_in)
    paint(figure.subplots())
    return Image(figure_png(figure), width=820)  # type: ignore[no-untyped-call]
