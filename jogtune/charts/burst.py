"""Bursts; clicks on steps."""

from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..axis.advice import Burst, answer_burst
from ..axis.limits import play
from ..choose.suggest import Suggestion
from ..ladder.ladder import round_half_up
from ..ladder.steps import steps_per_detent
from ..machine.model import Axis, Machine
from ..units import UNIT_FACTORS, say_distance, say_number
from .ink import _COLOURS, _DASHED, _FAINT, _INK, _draw_grid, _is_wide, _name_inside, _new_cells, _nth_colour, _nth_line, named


class ResponseChart:
    """Hand, target and axis against time for one burst, its lines kept for quick redrawing.

    The shaded part is what the axis still travels after the hand has stopped, named with its length. `moving` are the artists
    that a burst changes; `still` compares equal while the limits are the same."""

    def __init__(self, ax: Axes, *, small: bool = False) -> None:
        self.ax, self._size = ax, 8 if small else 9.5
        self.still: tuple[Any, ...] | None = None
        (hand,) = ax.step([], [], where="post", color=_INK, lw=1.1, label="hand: clicks turned", zorder=3)
        (target,) = ax.step([], [], where="post", color=_COLOURS[4], lw=1.4, ls=(0, (3, 1.5)), label="target: clicks reported",
                            zorder=3.2)  # fmt: skip
        (axis,) = ax.plot([], [], color=_COLOURS[0], lw=2.6, label="the axis", zorder=3.5)
        self._lines = hand, target, axis
        (self._shade,) = ax.fill([0, 0, 0], [0, 0, 0], color=_COLOURS[1], alpha=0.28, lw=0, zorder=2,
                                 label="run on after the hand has stopped")  # fmt: skip
        self._stop = ax.axvline(0.0, color=_INK, lw=1, ls=(0, (2, 3)), zorder=2.5)
        (self._span,) = ax.plot([], [], color=_COLOURS[1], lw=1.6, marker="_", ms=9, mew=1.6, zorder=4)
        box = {"facecolor": "white", "edgecolor": _COLOURS[1], "lw": 0.8, "pad": 2.0, "alpha": 0.92}
        ink: dict[str, Any] = {"color": _INK, "zorder": 5}
        self._name = ax.text(0.975, 0.05, "", transform=ax.transAxes, fontsize=self._size, ha="right", va="bottom",
                             bbox=box, **ink)  # fmt: skip
        self._lost = ax.text(0, 0, "", fontsize=self._size, ha="right", va="center", clip_on=True, **ink)
        self._title = ax.text(0.5, 1.02, "", transform=ax.transAxes, ha="center", va="bottom", fontsize=self._size + 1, **ink)
        self.moving: list[Artist] = [self._shade, self._stop, *self._lines, self._span, self._name, self._lost]
        ax.set_xlabel("time (s)", fontsize=self._size)
        ax.tick_params(labelsize=self._size)
        ax.locator_params(nbins=5 if small else 7)
        _draw_grid(ax)

    def update(
        self, burst: Burst, *, unit: str, title: str = "", until_s: float | None = None, high: float | None = None
    ) -> None:
        """Show a burst; `until_s` and `high` (in the person's unit) set the limits, or else they fit."""
        factor = float(UNIT_FACTORS[unit])
        top = _highest(burst, unit) if high is None else high
        end = float(burst.time_s[-1]) if until_s is None else until_s
        for line, values in zip(self._lines, (burst.hand_mm, burst.target_mm, burst.x_mm), strict=True):
            line.set_data(np.append(burst.time_s, end), np.append(values, values[-1]) / factor)
        self._show_run_on(burst, factor, unit, end)
        view = unit, end, top, title
        if view != self.still:
            self.ax.set(xlim=(0.0, end), ylim=(-0.04 * top, 1.08 * top))
            self.ax.set_ylabel(f"position ({unit})", fontsize=self._size)
            self._title.set_text(named(title, 90))
            self.still = view

    def _show_run_on(self, burst: Burst, factor: float, unit: str, end_s: float) -> None:
        after, axis = burst.time_s >= burst.released_s, burst.x_mm / factor
        rest = float(axis[-1])
        start = rest - burst.since_click_mm / factor
        times, course = (np.concatenate([[first], later[after]]) for first, later in
                         ((burst.released_s, burst.time_s), (start, axis)))  # fmt: skip
        self._shade.set_xy(np.column_stack([np.append(times, times[-1]), np.append(course, start)]))
        self._stop.set_xdata([burst.released_s, burst.released_s])
        moving = np.flatnonzero(np.abs(burst.x_mm - burst.x_mm[-1]) > 1e-9 * max(float(np.max(burst.x_mm)), 1e-9))
        still = burst.time_s[min(int(moving[-1]) + 1 if len(moving) else 0, len(burst.time_s) - 1)]
        at = min(max(float(still), burst.released_s), end_s)
        self._span.set_data([at, at], [start, rest])
        shown = say_distance(abs(burst.since_click_mm), unit, digits=3)
        self._name.set_text(f"runs on {shown} for {say_number(at - burst.released_s, digits=2)} s")
        self._lost.set_text(f"{burst.lost_detents} clicks lost" if burst.lost_detents else "")
        self._lost.set_position((0.985 * end_s, (rest + float(burst.hand_mm[-1]) / factor) / 2))

    def legend(self, **placed: Any) -> None:
        """Name the lines, once for the figure."""
        handles, labels = self.ax.get_legend_handles_labels()
        self.ax.figure.legend(handles, labels, **{"ncols": 4, "frameon": False, "fontsize": 8.5, "columnspacing": 1.2, **placed})


def _highest(burst: Burst, unit: str) -> float:
    """The highest that any line of a burst goes, in the person's unit; above 0."""
    return max(float(np.max(v)) for v in (burst.hand_mm, burst.target_mm, burst.x_mm)) / float(UNIT_FACTORS[unit]) or 1.0


def shared_limits(bursts: Iterable[Burst], unit: str) -> tuple[float, float]:
    """Time [s] and height (person's unit) that hold several bursts, on few round values so as to change seldom."""
    shown = list(bursts)
    return _round_up(max(float(b.time_s[-1]) for b in shown)), _round_up(max(_highest(b, unit) for b in shown))


def _round_up(value: float) -> float:
    power = 10.0 ** np.floor(np.log10(value))
    nice = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
    return float(next(n * power for n in nice if n * power >= value * (1 - 1e-9)))


def plot_between_reports(ax: Axes, answers: Mapping[str, Burst], asked_mm_s: float, *, unit: str = "mm") -> Axes:
    """The axis' speed while the knob is turned evenly, under a few habits, and the even speed asked for."""
    factor = float(UNIT_FACTORS[unit])
    for index, (name, burst) in enumerate(answers.items()):
        ax.plot(burst.time_s, burst.v_mm_s / factor, color=_nth_colour(index), ls=_nth_line(index), lw=2, label=named(name))
    ax.axhline(asked_mm_s / factor, color=_INK, lw=1, ls=_DASHED, label="asked for by the hand")
    released = max(burst.released_s for burst in answers.values())
    ax.axvline(released, color=_FAINT, lw=1)
    ax.annotate("last click", (released, 0), xytext=(4, 4), textcoords="offset points", fontsize=9, color=_INK)
    ax.set(xlabel="time (s)", ylabel=f"speed of the axis ({unit}/s)")
    ax.set_xlim(0, max(burst.time_s[-1] for burst in answers.values()))
    ax.set_ylim(bottom=0)
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3 if _is_wide(ax) else 1, fontsize=9, frameon=False)
    _draw_grid(ax)
    return ax


_TWO_COLUMNS = {"ncols": 2, "fontsize": 8, "columnspacing": 0.6, "handlelength": 1.2, "handletextpad": 0.5}


def draw_responses(answer: Suggestion, *, axis: str | None = None, width_in: float = 9.6) -> Figure:
    """A second of the hand's steady turning on each rung of an axis (default: the first), over the same time."""
    machine = answer.machine
    chosen = machine.axis(axis) if axis is not None else machine.axes[0]
    unit, rate, wide = machine.shown_unit(chosen), machine.knob.steady_detents_s, width_in > 6
    mine = [row for row in answer.rows if row.axis == chosen.name]
    gains = answer.ladder.on(chosen)

    def turn(gain: Any, until_s: float | None = None) -> Burst:
        return answer_burst(rate, 1.0, float(gain), machine.link, until_s=until_s,
                            top_speed_mm_s=chosen.top_speed_mm_s, ramp_mm_s2=chosen.ramp_mm_s2)  # fmt: skip

    until = max(float(turn(gain).time_s[-1]) for gain in gains)
    figure, cells = _new_cells(len(gains), columns=3 if wide else 1, width_in=width_in, row_in=2.7, head_in=0.9)
    for ax, gain, row in zip(cells, gains, mine, strict=True):
        chart = ResponseChart(ax, small=True)
        chart.update(turn(gain, until), unit=unit, title=f"×{row.multiplier}: {row.gain} {unit} a click")
    chart.legend(loc="outside lower center", **({} if wide else _TWO_COLUMNS))
    turned = f"{say_number(rate, digits=3)} detents/s for 1 s, then the hand stops"
    of = f"{named(machine.name)}, axis {named(chosen.name, 20)}"
    figure.suptitle(f"{of}:{' ' if wide else chr(10)}{turned}", fontsize=11 if wide else 9)
    return figure


def plot_clicks(ax: Axes, machine: Machine, axis: Axis, gain_mm: Fraction, *, remainder: str = "carry", clicks: int = 12) -> Axes:
    """Where each click asks the axis to be, and on which step it is put; dead clicks are marked at the bottom.

    `remainder` is "carry" (fractions of a step kept) or "drop" (lost at each click)."""
    unit = machine.shown_unit(axis)
    factor = UNIT_FACTORS[unit]
    alpha, step = steps_per_detent(axis, gain_mm), float(axis.step_mm / factor)
    steps = [k * int(alpha) if remainder == "drop" else round_half_up(k * alpha) for k in range(clicks + 1)]
    asked = np.arange(clicks + 1) * float(alpha) * step
    stands = np.array(steps) * step
    if steps[-1] <= 40:
        ax.set_yticks(step * np.arange(max(steps[-1], int(alpha * clicks)) + 2), minor=True)
        ax.grid(True, which="minor", axis="y", color="#e8e8e8", lw=0.7, zorder=0)
    ax.step(range(clicks + 1), stands, where="post", color=_COLOURS[0], lw=2.4, label="where the axis is put")
    ax.plot(range(clicks + 1), asked, "o", mfc="white", mec=_COLOURS[1], mew=1.8, label="where the clicks ask for")
    dead = [k for k in range(1, clicks + 1) if steps[k] == steps[k - 1]]
    ax.plot(dead or [-1], [0.02 * asked[-1]] * max(len(dead), 1), "x", color=_INK, ms=9, mew=2, label="dead click: no step")
    ax.set(xlabel="clicks turned", ylabel=f"position ({unit})", xlim=(-0.2, clicks + 0.3))
    ax.set_xticks(range(0, clicks + 1, 1 if _is_wide(ax) else 3))
    ax.set_ylim(0, 1.08 * max(asked[-1], stands[-1]))
    _name_inside(ax)
    return ax


def plot_dial(ax: Axes, commanded_mm: float, counted_mm: float, steps: int, measured_mm: float) -> Axes:
    """A dial indicator that turns once a millimetre, beside the three positions of an axis: commanded, counted, measured [mm]."""

    def at(turned: Any, radius: Any) -> tuple[Any, Any]:
        return radius * np.sin(2 * np.pi * turned), radius * np.cos(2 * np.pi * turned)

    for every, inner in ((100, 0.95), (20, 0.91), (10, 0.86)):
        radius = np.tile([inner, 1.0, np.nan], every)
        ax.plot(*at(np.repeat(np.arange(every) / every, 3), radius), color=_INK, lw=1.2)
    for mark in range(0, 100, 10):
        ax.text(*at(mark / 100, 0.7), str(mark), fontsize=17, ha="center", va="center", color=_INK)
    ax.plot(*at(measured_mm, np.array([-0.15, 0.93])), color=_COLOURS[1], lw=3)
    ax.plot(0, 0, "o", color=_COLOURS[1], ms=9)
    ax.text(0, -0.3, "0.01 mm", fontsize=17, ha="center", va="center", color=_INK)
    commanded, counted = (f"{say_number(value, digits=5)} mm" for value in (commanded_mm, counted_mm))
    rows = (("commanded (readout)", commanded), ("counted", f"{counted}, {steps} steps"),
            ("measured (dial, simulated)", f"{measured_mm:.3f} mm"))  # fmt: skip
    for row, (name, value) in enumerate(rows):
        ax.text(1.15, 0.75 - 0.75 * row, name, fontsize=17, va="bottom", color=_INK)
        ax.text(1.15, 0.72 - 0.75 * row, value, fontsize=20, va="top", color=_INK)
    ax.set(xlim=(-1.05, 3.65), ylim=(-1.1, 1.1), aspect="equal")
    ax.set_axis_off()
    return ax


def plot_reversal(ax: Axes, gain_mm: float, slack_mm: float, motor_mm: float, *, clicks: int = 10) -> Axes:
    """Clicks up and the same clicks back: what the readout says, and where the axis stands [mm].

    The band is what the motor may miss, either way; its size is right, where in it the axis lies is unknown."""
    count = np.arange(2 * clicks + 1)
    told = gain_mm * np.minimum(count, 2 * clicks - count)
    real = play(told, slack_mm)
    ax.fill_between(count, real - motor_mm, real + motor_mm, color=_COLOURS[0], alpha=0.2, lw=0, label="what the motor may miss")
    ax.plot(count, told, "o--", color=_COLOURS[1], mfc="white", lw=1.4, label="what the readout says")
    ax.plot(count, real, "s-", color=_COLOURS[0], ms=4, lw=2.2, label="where the axis stands (model)")
    ax.axvline(clicks, color=_FAINT, lw=1, ls=_DASHED)
    ax.annotate("turned round", (clicks, 0), xytext=(4, 4), textcoords="offset points", fontsize=9, color=_INK)
    ax.set(xlabel="clicks turned, first up, then back", ylabel="position (mm)", xlim=(0, 2 * clicks))
    ax.set_xticks(range(0, 2 * clicks + 1, 2 if _is_wide(ax) else 5))
    _name_inside(ax)
    _draw_grid(ax)
    return ax
