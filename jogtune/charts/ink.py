"""Colours, lines, ticks, figures, PNG and SVG."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import markupsafe
import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from ..choose.base import finest_wish, largest_step
from ..choose.cover import coarsest_wish
from ..units import UNIT_FACTORS, in_unit, say_number

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

    from ..axis.burst import Burst
    from ..choose.suggest import Suggestion
    from ..logs.log import Log

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


@dataclass(frozen=True, kw_only=True)
class Frame:
    """All of a ladder chart that stays while only rungs change: limits, bands, ceilings. Person's unit."""

    unit: str
    left: float
    right: float
    low: float
    high: float
    fine: float
    ceilings: tuple[tuple[str, float], ...]


def frame_of(answer: Suggestion, rates: Any, snap: bool, least: float | None) -> Frame:
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
    return Frame(
        unit=unit, left=left, right=right, low=low, high=high, fine=fine, ceilings=tuple(_ceilings(answer))
    )


def _snapped(low: float, high: float) -> tuple[float, float]:
    """Limits widened to half decades."""
    return 10 ** (np.floor(2 * np.log10(low)) / 2), 10 ** (np.ceil(2 * np.log10(high)) / 2)


def _rate_span(steady: float, fastest: float, rates: Any) -> tuple[float, float]:
    low, high = steady / 8, fastest * 5
    return (low, high) if not len(rates) else (min(low, rates.min() / 1.3), max(high, rates.max() * 1.3))


def _ceilings(answer: Suggestion) -> Iterator[tuple[str, float]]:
    """Label and top speed of each set of axes that share one, the fastest first."""
    machine = answer.machine
    tops = [float(machine.ladder_distance(axis, Fraction(axis.top_speed_mm_s))) for axis in machine.axes]
    for top in sorted(set(tops), reverse=True):
        names = [axis.name for axis, own in zip(machine.axes, tops, strict=True) if own == top]
        number = top / float(UNIT_FACTORS[machine.show_in])
        yield f"{', '.join(names)}: top speed {say_number(number, digits=3)} {_per_second(answer, names)}", number


def _per_second(answer: Suggestion, names: list[str]) -> str:
    units = sorted({answer.machine.shown_unit(answer.machine.axis(name)) for name in names})
    return " or ".join(f"{unit}/s" for unit in reversed(units))


def log_side(ax: Axes, log: Log) -> Axes:
    side = ax.inset_axes((1.012, 0.0, 0.13, 1.0), sharey=ax)
    side.tick_params(labelleft=False, left=False, labelbottom=False, bottom=False, which="both")
    side.set_xlabel("turning\nin the log", fontsize=8)
    turned_by = log.header.get("turned by", "").split(",")[0]
    source = "simulated" if log.simulated else f"turned by\n{turned_by}" if turned_by else "measured"
    side.set_title(source, fontsize=8)
    for edge in ("top", "right", "bottom"):
        side.spines[edge].set_visible(False)
    return side


def draw_log(side: Axes, rates: Any, frame: Frame) -> Iterator[Artist]:
    edges = np.geomspace(frame.low, frame.high, 19)
    counts, _ = np.histogram(rates, edges)
    yield from side.barh(
        edges[:-1], counts, height=np.diff(edges), align="edge", color=FAINT, edgecolor="white", lw=0.3
    )
    side.set_xlim(0, 1.05 * max(counts.max(), 1))


def plain_ticks(ax: Axes) -> None:
    """Labels such as 0.01 or 20 on log axes; 1-2-5 up the side, and no minor ticks to be drawn one by one."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

    plain = FuncFormatter(lambda value, _: say_number(value))
    for axis, subs in ((ax.xaxis, (1.0,)), (ax.yaxis, (1.0, 2.0, 5.0))):
        axis.set_major_locator(LogLocator(subs=subs, numticks=30))
        axis.set_major_formatter(plain)
        axis.set_minor_locator(NullLocator())
    ax.grid(True, which="major", color="#dddddd", lw=0.6, zorder=0)


_NICE = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


def shared_limits(bursts: Iterable[Burst], unit: str) -> tuple[float, float]:
    """Time [s] and height (person's unit) that hold several bursts, on few round values so as to change seldom."""
    shown = list(bursts)
    until = max(float(burst.time_s[-1]) for burst in shown)
    return _round_up(until), _round_up(max(highest(burst, unit) for burst in shown))


def _round_up(value: float) -> float:
    """The next of 1, 1.25, 1.5, 2 ... times a power of ten."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(nice * power for nice in _NICE if nice * power >= value * (1 - 1e-9)))


def highest(burst: Burst, unit: str) -> float:
    """The highest that any line of a burst goes, in the person's unit; above 0."""
    values = (burst.hand_mm, burst.target_mm, burst.x_mm)
    return max(float(np.max(v)) for v in values) / float(UNIT_FACTORS[unit]) or 1.0


PNG_DOTS_PER_INCH = 160


def figure_png(figure: Figure, *, dots_per_inch: float = PNG_DOTS_PER_INCH) -> bytes:
    """A figure as PNG bytes."""
    stream = io.BytesIO()
    FigureCanvasAgg(figure)
    figure.savefig(stream, format="png", dpi=dots_per_inch)
    return stream.getvalue()


def figure_svg(figure: Figure, *, name: str) -> str:
    """A figure as SVG text, text as outlines, the same bytes each time; `name` keeps its ids its own."""
    stream = io.StringIO()
    FigureCanvasSVG(figure)
    with matplotlib.rc_context({"svg.hashsalt": f"jogtune {name}", "svg.fonttype": "path"}):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": "jogtune"})
    return stream.getvalue()


def inline_svg(figure: Figure, *, name: str, label: str) -> markupsafe.Markup:
    """A figure as an `<svg>` element for a page, labelled for those who can't see it."""
    text = figure_svg(figure, name=name)
    element = re.sub(r'(\bid="|url\(#|href="#)', rf"\g<1>{name}-", text[text.index("<svg") :])
    opening = f'<svg role="img" aria-label="{markupsafe.escape(label)}"'
    return markupsafe.Markup(element.replace("<svg", opening, 1))
