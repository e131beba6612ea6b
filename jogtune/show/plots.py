"""Charts. Every function draws on the `ax` it is given and returns it; none touches pyplot."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from matplotlib.figure import Figure

from ..design.derive import coarsest_wish, finest_wish, largest_step
from ..design.limits import Resolution, real_resolution
from ..design.response import answer_burst
from ..logs.rates import turn_rates
from ..units import UNIT_FACTORS, in_unit, say_distance, say_number

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

    from ..design.response import Burst, Habit
    from ..design.search import Suggestion
    from ..logs.read import Log
    from ..machine import Machine

__all__ = [
    "LadderChart", "ResponseChart", "axis_colour", "axis_line", "draw_ladder", "draw_responses", "draw_speed",
    "highest", "new_figure", "plot_ladder", "plot_response", "plot_speed", "resolution_words", "resting_s",
    "rung_bursts", "shared_limits",
]  # fmt: skip

# Okabe and Ito's palette for every kind of colour vision (Color Universal Design, 2008), and a line style
# with each, so that nothing is told by colour alone.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
LINES = ("-", "--", "-.", (0, (1, 0.8)), (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)))
INK, FAINT = "#222222", "#8a8a8a"


def new_figure(width_in: float = 9.0, height_in: float = 5.4) -> Figure:
    """A figure that belongs to nobody's window: no pyplot, laid out so that nothing overlaps.

    >>> new_figure(4.0, 3.0).get_size_inches()
    array([4., 3.])
    """
    return Figure(figsize=(width_in, height_in), layout="constrained")


def axis_colour(index: int) -> str:
    """The colour of the nth axis or rung.

    >>> axis_colour(0), axis_colour(0) == axis_colour(len(COLOURS))
    ('#0072B2', True)
    """
    return COLOURS[index % len(COLOURS)]


def axis_line(index: int) -> Any:
    """The line style of the nth axis or rung.

    >>> axis_line(0), axis_line(1)
    ('-', '--')
    """
    return LINES[index % len(LINES)]


# ------------------------------------------------------------------ the ladder chart


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


class LadderChart:
    """A ladder chart whose axes, bands and ceilings are kept while rungs move, for quick redrawing.

    `moving` are the artists of the last answer; `still` compares equal while nothing else has changed.
    With `snap` the limits go in half decades and hold the distance `least` (person's unit), so that the picture
    hardly ever shifts under a slider.

    >>> from jogtune.machine import read_machine
    >>> from jogtune.design.search import suggest
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> chart = LadderChart(new_figure().subplots())
    >>> chart.update(suggest(router, by="coverage"))
    >>> len(chart.ax.get_lines()) > 2
    True
    """

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
            self.moving.append(
                self.ax.text(0.5, 1.16, title, transform=self.ax.transAxes, ha="center", va="bottom", fontsize=11)
            )

    def _draw_frame(self, frame: _Frame) -> Iterator[Artist]:
        ax = self.ax
        ax.set(xlim=(frame.left, frame.right), ylim=(frame.low, frame.high))
        ax.set_xlabel(f"distance per click ({frame.unit})")
        yield from _draw_band(ax, frame.left, frame.fine, "//", (0.03, "bottom", "finer than one motor step"))
        yield from _draw_ceilings(ax, frame)
        if self.log is not None:
            self._side = self._side or _log_side(ax, self.log)
            yield from _draw_log(self._side, self._rates, frame)

    def _draw_hand(self, machine: Machine, frame: _Frame) -> Iterator[Artist]:
        """What a turn rate moves: the band of the hand, and from where on no axis follows it."""
        ax, steady, fastest = self.ax, machine.knob.steady_detents_s, machine.knob.fastest_detents_s
        coarse = coarsest_wish(machine) / float(UNIT_FACTORS[frame.unit])
        # the ceilings fall from left to right: bottom left and top right are free of them
        yield from _draw_band(ax, coarse, frame.right, "\\\\", (0.97, "top", "no axis follows a steady hand"))
        yield ax.axhspan(steady, fastest, color="#F0E442", alpha=0.3, lw=0, zorder=0.5)
        start, middle = max(frame.fine, frame.left) * 1.1, np.sqrt(steady * fastest)
        yield ax.text(start, middle, "the hand: steady to fastest", va="center", fontsize=9, color=INK)

    def _draw_rungs(self, answer: Suggestion, frame: _Frame) -> Iterator[Artist]:
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

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.design.search import suggest
    >>> answer = suggest(router, by="coverage")
    >>> ax = plot_ladder(new_figure().subplots(), answer)
    >>> ax.get_xlabel(), [text.get_text() for text in ax.get_legend().get_texts()][0]
    ('distance per click (mm)', 'X, Y: top speed 100 mm/s')
    """
    LadderChart(ax, log=log).update(answer)
    return ax


def _remove(artists: list[Artist]) -> None:
    for artist in artists:
        artist.remove()
    artists.clear()


def _frame_of(answer: Suggestion, rates: Any, snap: bool, least: float | None) -> _Frame:
    machine = answer.machine
    unit, factor = machine.show_in, float(UNIT_FACTORS[machine.show_in])
    gains = [float(in_unit(gain, unit)) for gain in answer.ladder.gains_mm]
    fine, coarse = float(largest_step(machine)) / factor, coarsest_wish(machine) / factor
    steady, fastest = machine.knob.steady_detents_s, machine.knob.fastest_detents_s
    left, right = min(gains[0], fine, float(finest_wish(machine)) / factor) / 2.6, max(gains[-1], coarse) * 2.6
    low, high = _rate_span(steady, fastest, rates)
    if snap:
        (left, right), (low, high) = _snapped(left, right), _snapped(low, high)
    if least is not None:
        left = min(gains[0], fine, least) / 1.3
    return _Frame(
        unit=unit, left=left, right=right, low=low, high=high, fine=fine, ceilings=tuple(_ceilings(answer))
    )


def _snapped(low: float, high: float) -> tuple[float, float]:
    """Limits widened to half decades."""
    return 10 ** (np.floor(2 * np.log10(low)) / 2), 10 ** (np.ceil(2 * np.log10(high)) / 2)


def _rate_span(steady: float, fastest: float, rates: Any) -> tuple[float, float]:
    low, high = steady / 8, fastest * 5
    return (low, high) if not len(rates) else (min(low, rates.min() / 1.3), max(high, rates.max() * 1.3))


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


def _ceilings(answer: Suggestion) -> Iterator[tuple[str, float]]:
    """Label and top speed of each set of axes that share one, the fastest first."""
    machine = answer.machine
    tops = [float(machine.ladder_distance(axis, Fraction(axis.top_speed_mm_s))) for axis in machine.axes]
    for top in sorted(set(tops), reverse=True):
        names = [axis.name for axis, own in zip(machine.axes, tops, strict=True) if own == top]
        number = top / float(UNIT_FACTORS[machine.show_in])
        yield f"{', '.join(names)}: top speed {say_number(number, digits=3)} {_per_second(answer, names)}", number


def _draw_ceilings(ax: Axes, frame: _Frame) -> Iterator[Artist]:
    x = np.array([frame.left, frame.right])  # number / x is a straight line on these scales
    for index, (label, number) in enumerate(frame.ceilings):
        (line,) = ax.plot(x, number / x, color=axis_colour(index), ls=axis_line(index), lw=2, label=label)
        yield line
    yield ax.legend(
        loc="upper center", bbox_to_anchor=(0.5, -0.13), ncols=3, fontsize=8.5, frameon=False,
        title="above its line an axis can't keep up with the hand", title_fontsize=8.5,
    )  # fmt: skip


def _per_second(answer: Suggestion, names: list[str]) -> str:
    units = sorted({answer.machine.shown_unit(answer.machine.axis(name)) for name in names})
    return " or ".join(f"{unit}/s" for unit in reversed(units))


def _log_side(ax: Axes, log: Log) -> Axes:
    side = ax.inset_axes((1.012, 0.0, 0.13, 1.0), sharey=ax)
    side.tick_params(labelleft=False, left=False, labelbottom=False, bottom=False, which="both")
    side.set_xlabel("turning\nin the log", fontsize=8)
    turned_by = log.notes.get("turned by", "").split(",")[0]
    source = "simulated" if log.simulated else f"turned by\n{turned_by}" if turned_by else "measured"
    side.set_title(source, fontsize=8)
    for edge in ("top", "right", "bottom"):
        side.spines[edge].set_visible(False)
    return side


def _draw_log(side: Axes, rates: Any, frame: _Frame) -> Iterator[Artist]:
    edges = np.geomspace(frame.low, frame.high, 19)
    counts, _ = np.histogram(rates, edges)
    yield from side.barh(
        edges[:-1], counts, height=np.diff(edges), align="edge", color=FAINT, edgecolor="white", lw=0.3
    )
    side.set_xlim(0, 1.05 * max(counts.max(), 1))


def _plain_ticks(ax: Axes) -> None:
    """Labels such as 0.01 or 20 on log axes; 1-2-5 up the side, and no minor ticks to be drawn one by one."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

    plain = FuncFormatter(lambda value, _: say_number(value))
    for axis, subs in ((ax.xaxis, (1.0,)), (ax.yaxis, (1.0, 2.0, 5.0))):
        axis.set_major_locator(LogLocator(subs=subs, numticks=30))
        axis.set_major_formatter(plain)
        axis.set_minor_locator(NullLocator())
    ax.grid(True, which="major", color="#dddddd", lw=0.6, zorder=0)


# ------------------------------------------------------------------ the speed chart


def plot_speed(ax: Axes, answer: Suggestion, *, axis: str | None = None) -> Axes:
    """Turn rate against axis speed for each rung on one axis (default: the first), with its ceiling.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.design.search import suggest
    >>> answer = suggest(router, by="coverage")
    >>> plot_speed(new_figure().subplots(), answer, axis="Z").get_ylabel()
    'axis speed (mm/s)'
    """
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


# ------------------------------------------------------------------ the response chart


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

    >>> from jogtune.design.response import answer_burst
    >>> from jogtune.machine import Link
    >>> link = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25)
    >>> burst = answer_burst(40.0, 1.0, 5.0, link, top_speed_mm_s=100.0, ramp_mm_s2=400.0)
    >>> chart = ResponseChart(new_figure().subplots())
    >>> chart.update(burst, unit="mm")
    >>> chart.words
    'runs on 116 mm for 1.3 s'
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
    """When the axis has come to rest after a burst [s], to the next sample: later reports bring no clicks.

    >>> from jogtune.design.response import answer_burst
    >>> from jogtune.machine import Link
    >>> link = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25)
    >>> burst = answer_burst(40.0, 1.0, 5.0, link, top_speed_mm_s=100.0, ramp_mm_s2=400.0)
    >>> round(resting_s(burst), 1)
    2.3
    """
    moving = np.flatnonzero(np.abs(burst.x_mm - burst.x_mm[-1]) > 1e-9 * max(float(np.max(burst.x_mm)), 1e-9))
    last = int(moving[-1]) + 1 if len(moving) else 0
    return float(burst.time_s[min(last, len(burst.time_s) - 1)])


_NICE = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


def shared_limits(bursts: Iterable[Burst], unit: str) -> tuple[float, float]:
    """Time [s] and height (person's unit) that hold several bursts, on few round values so as to change seldom.

    >>> from jogtune.design.response import answer_burst
    >>> from jogtune.machine import Link
    >>> link = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25)
    >>> burst = answer_burst(40.0, 1.0, 5.0, link, top_speed_mm_s=100.0, ramp_mm_s2=400.0)
    >>> shared_limits([burst, burst], "mm")
    (2.5, 200.0)
    """
    shown = list(bursts)
    until = max(float(burst.time_s[-1]) for burst in shown)
    return _round_up(until), _round_up(max(highest(burst, unit) for burst in shown))


def _round_up(value: float) -> float:
    """The next of 1, 1.25, 1.5, 2 ... times a power of ten.

    >>> _round_up(2.1), _round_up(130.0)
    (2.5, 150.0)
    """
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(nice * power for nice in _NICE if nice * power >= value * (1 - 1e-9)))


def highest(burst: Burst, unit: str) -> float:
    """The highest that any line of a burst goes, in the person's unit; above 0.

    >>> from jogtune.design.response import answer_burst
    >>> from jogtune.machine import Link
    >>> link = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25)
    >>> burst = answer_burst(40.0, 1.0, 5.0, link, top_speed_mm_s=100.0, ramp_mm_s2=400.0)
    >>> highest(burst, "mm")
    200.0
    """
    values = (burst.hand_mm, burst.target_mm, burst.x_mm)
    return max(float(np.max(v)) for v in values) / float(UNIT_FACTORS[unit]) or 1.0


def plot_response(ax: Axes, burst: Burst, *, unit: str = "mm", title: str = "", small: bool = False) -> Axes:
    """Hand, target and axis against time for one burst; what the axis runs on is shaded and named.

    `unit` is what the person reads; for a rotary axis "deg".

    >>> from jogtune.design.response import answer_burst
    >>> from jogtune.machine import Link
    >>> link = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25)
    >>> burst = answer_burst(40.0, 1.0, 5.0, link, top_speed_mm_s=100.0, ramp_mm_s2=400.0)
    >>> plot_response(new_figure().subplots(), burst).get_ylabel()
    'position (mm)'
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

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.design.search import suggest
    >>> answer = suggest(router, by="coverage")
    >>> [round(float(burst.x_mm[-1]), 3) for burst in rung_bursts(answer, turn_rate=10.0)]
    [0.2, 1.0, 5.0, 50.0]
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
    """The response chart: one burst on each rung, side by side over the same time.

    >>> from jogtune.machine import read_machine
    >>> from jogtune.design.search import suggest
    >>> answer = suggest(read_machine("datasets/machines/inlay_router.toml"), by="coverage")
    >>> len(draw_responses(answer, turn_rate=30.0).axes) == len(answer.ladder.rungs)
    True
    """
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


# ------------------------------------------------------------------ figures of their own


def draw_ladder(answer: Suggestion, *, log: Log | None = None) -> Figure:
    """The ladder chart as a figure of its own.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.design.search import suggest
    >>> answer = suggest(router, by="coverage")
    >>> draw_ladder(answer).axes[0].get_title()
    'inlay router: 0.02, 0.1, 0.5, 5 mm per click'
    """
    figure = new_figure()
    ax = figure.subplots()
    plot_ladder(ax, answer, log=log)
    ax.set_title(f"{answer.machine.name}: {answer.ladder.say()} per click", fontsize=11, pad=42)
    return figure


def draw_speed(answer: Suggestion) -> Figure:
    """The speed chart as a figure of its own, one panel per axis that differs from those before it.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.design.search import suggest
    >>> answer = suggest(router, by="coverage")
    >>> [ax.get_title() for ax in draw_speed(answer).axes]
    ['axis X, Y', 'axis Z']
    """
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
    """What resolution is real on each axis, in words, with what can't be told from the file.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.design.search import suggest
    >>> answer = suggest(router, by="coverage")
    >>> resolution_words(answer)[0]
    'Axis X: 0.0125 mm approaching one way (one motor step), 0.0625 mm after a reversal, with the slack on top.'
    """
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
