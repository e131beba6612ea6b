"""Charts. Every function draws on the `ax` it is given and returns it; none touches pyplot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.figure import Figure

from ..design.derive import coarsest_wish, largest_step
from ..design.limits import real_resolution
from ..logs.rates import turn_rates
from ..units import UNIT_FACTORS, in_unit, say_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..design.search import Suggestion
    from ..logs.read import Log

# Okabe and Ito's palette for every kind of colour vision (Color Universal Design, 2008), and a line style
# with each, so that nothing is told by colour alone.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
LINES = ("-", "--", "-.", (0, (1, 0.8)), (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)))
INK, FAINT = "#222222", "#8a8a8a"


def new_figure(width_in: float = 9.0, height_in: float = 5.4) -> Figure:
    """A figure that belongs to nobody's window: no pyplot, laid out so that nothing overlaps."""
    return Figure(figsize=(width_in, height_in), layout="constrained")


def axis_colour(index: int) -> str:
    """The colour of the nth axis or rung."""
    return COLOURS[index % len(COLOURS)]


def axis_line(index: int) -> Any:
    """The line style of the nth axis or rung."""
    return LINES[index % len(LINES)]


# ------------------------------------------------------------------ the ladder chart


def plot_ladder(ax: Axes, answer: Suggestion, *, log: Log | None = None) -> Axes:
    """Distance per click against what the hand can turn and each axis can follow.

    Each rung is a stem; each axis a falling line, its ceiling; the hand a level band from steady to
    fastest. Left of the hatched edge a click is finer than a motor step, right of the other no axis
    follows the steady hand. A log adds its turn rates on the right edge.
    """
    machine = answer.machine
    unit, factor = machine.show_in, float(UNIT_FACTORS[machine.show_in])
    gains = np.array([float(in_unit(gain, unit)) for gain in answer.ladder.gains_mm])
    fine, coarse = float(largest_step(machine)) / factor, coarsest_wish(machine) / factor
    steady, fastest = machine.knob.steady_detents_s, machine.knob.fastest_detents_s
    left, right = min(gains[0], fine) / 2.6, max(gains[-1], coarse) * 2.6
    rates = np.empty(0) if log is None else turn_rates(log.rows)
    low, high = _rate_span(steady, fastest, rates)
    ax.set(xscale="log", yscale="log", xlim=(left, right), ylim=(low, high))
    _draw_bands(ax, left, right, fine, coarse)
    ax.axhspan(steady, fastest, color="#F0E442", alpha=0.35, lw=0, zorder=0.5)
    ax.text(left * 1.08, np.sqrt(steady * fastest), "the hand: steady to fastest", va="center", fontsize=9, color=INK)
    _draw_ceilings(ax, answer, left, right, low, high)
    _draw_rungs(ax, gains, low, steady)
    _name_rungs(ax, answer, gains, left, right)
    if log is not None:
        _draw_log(ax, log, rates, low, high)
    ax.set_xlabel(f"distance per click ({unit})")
    ax.set_ylabel("turn rate (detents/s)")
    _plain_ticks(ax)
    return ax


def _rate_span(steady: float, fastest: float, rates: Any) -> tuple[float, float]:
    low, high = steady / 8, fastest * 5
    return (low, high) if not len(rates) else (min(low, rates.min() / 1.3), max(high, rates.max() * 1.3))


def _draw_bands(ax: Axes, left: float, right: float, fine: float, coarse: float) -> None:
    style: dict[str, Any] = {"facecolor": "none", "edgecolor": "#b9b9b9", "lw": 0, "zorder": 0.4}
    ax.axvspan(left, fine, hatch="//", **style)
    ax.axvspan(coarse, right, hatch="\\\\", **style)
    # the ceilings fall from left to right: bottom left and top right are free of them
    notes = [
        (left, fine, 0.03, "bottom", "finer than one motor step"),
        (coarse, right, 0.97, "top", "no axis follows a steady hand"),
    ]
    for start, end, height, side, text in notes:
        ax.text(
            np.sqrt(start * end), height, text, rotation=90, ha="center", va=side, fontsize=8, color=INK,
            transform=ax.get_xaxis_transform(), bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )  # fmt: skip


def _draw_ceilings(
    ax: Axes, answer: Suggestion, left: float, right: float, low: float, high: float
) -> None:
    machine = answer.machine
    x = np.geomspace(left, right, 200)
    tops = [float(machine.ladder_distance(axis, _exact(axis.top_speed_mm_s))) for axis in machine.axes]
    for index, top in enumerate(sorted(set(tops), reverse=True)):
        names = [axis.name for axis, own in zip(machine.axes, tops, strict=True) if own == top]
        number = top / float(UNIT_FACTORS[machine.show_in])
        label = f"{', '.join(names)}: top speed {say_number(number, digits=3)} {_per_second(answer, names)}"
        ax.plot(x, number / x, color=axis_colour(index), ls=axis_line(index), lw=2, label=label)
    ax.legend(
        loc="upper center", bbox_to_anchor=(0.5, -0.13), ncols=3, fontsize=8.5, frameon=False,
        title="above its line an axis can't keep up with the hand", title_fontsize=8.5,
    )  # fmt: skip


def _exact(value: float) -> Any:
    from fractions import Fraction

    return Fraction(value)


def _per_second(answer: Suggestion, names: list[str]) -> str:
    units = sorted({answer.machine.shown_unit(answer.machine.axis(name)) for name in names})
    return " or ".join(f"{unit}/s" for unit in reversed(units))


def _draw_rungs(ax: Axes, gains: Any, low: float, steady: float) -> None:
    ax.vlines(gains, low, steady, color=INK, lw=1.4, zorder=3)
    ax.plot(gains, np.full(len(gains), steady), "o", ms=8, color=INK, mfc="white", mew=1.8, zorder=4)


def _name_rungs(ax: Axes, answer: Suggestion, gains: Any, left: float, right: float) -> None:
    top = ax.secondary_xaxis("top")
    labels = [f"×{m}\n{say_number(g)}" for m, g in zip(answer.ladder.multipliers, gains, strict=True)]
    top.set_xticks(list(gains), labels)
    top.set_xticks([], minor=True)
    crowded = len(gains) > 1 and np.min(np.diff(np.log10(gains))) < 0.065 * np.log10(right / left)
    top.tick_params(axis="x", labelsize=8, rotation=90 if crowded else 0, length=4)
    top.set_xlabel("rungs", fontsize=9)


def _draw_log(ax: Axes, log: Log, rates: Any, low: float, high: float) -> None:
    side = ax.inset_axes((1.012, 0.0, 0.13, 1.0), sharey=ax)
    edges = np.geomspace(low, high, 19)
    counts, _ = np.histogram(rates, edges)
    side.barh(edges[:-1], counts, height=np.diff(edges), align="edge", color=FAINT, edgecolor="white", lw=0.3)
    side.tick_params(labelleft=False, left=False, labelbottom=False, bottom=False, which="both")
    side.set_xlabel("turning\nin the log", fontsize=8)
    turned_by = log.notes.get("turned by", "").split(",")[0]
    source = "simulated" if log.simulated else f"turned by\n{turned_by}" if turned_by else "measured"
    side.set_title(source, fontsize=8)
    for edge in ("top", "right", "bottom"):
        side.spines[edge].set_visible(False)


def _plain_ticks(ax: Axes) -> None:
    from matplotlib.ticker import FuncFormatter, NullFormatter

    plain = FuncFormatter(lambda value, _: say_number(value))
    ax.xaxis.set_major_formatter(plain)
    ax.yaxis.set_major_formatter(plain)
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.yaxis.set_minor_formatter(NullFormatter())
    ax.grid(True, which="major", color="#dddddd", lw=0.6, zorder=0)


# ------------------------------------------------------------------ the speed chart


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
    _plain_ticks(ax)
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


def draw_ladder(answer: Suggestion, *, log: Log | None = None) -> Figure:
    """The ladder chart as a figure of its own."""
    figure = new_figure()
    ax = figure.subplots()
    plot_ladder(ax, answer, log=log)
    ax.set_title(f"{answer.machine.name}: {answer.ladder.say()} per click", fontsize=11, pad=10)
    return figure


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


def resolution_words(answer: Suggestion) -> list[str]:
    """What resolution is real on each axis, in words, with what can't be told from the file."""
    texts = []
    for axis in answer.machine.axes:
        real, unit = real_resolution(axis), answer.machine.shown_unit(axis)
        factor = float(UNIT_FACTORS[unit])
        one, back = (say_number(v / factor, digits=3) for v in (real.one_way_mm, real.reversed_mm))
        unknown = "" if real.motor_mm is not None else " (microsteps not given, so the motor's share is not in it)"
        texts.append(f"Axis {axis.name}: {one} {unit} approaching one way, {back} {unit} after a reversal{unknown}.")
    return texts
