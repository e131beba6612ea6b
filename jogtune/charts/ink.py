"""Colours, ticks, PNG, SVG."""

from __future__ import annotations

import io
import re
from functools import lru_cache
from itertools import chain
from textwrap import fill
from typing import TYPE_CHECKING, Any, Literal

import markupsafe
import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullLocator

from ..signs import cut, plainly, visible
from ..units import say_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Okabe and Ito's palette for every kind of colour vision (Color Universal Design, 2008), and a line style and a mark
# with each, so that nothing is told by colour alone.
_COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
_LINES = ("-", "--", "-.", (0, (1, 0.8)), (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)))
_MARKS = ("o", "s", "^", "D")
_INK, _FAINT, _HAND_BAND = "#222222", "#8a8a8a", "#F0E442"
_DASHED = (0, (3, 3))
_ON_WHITE = {"facecolor": "white", "edgecolor": "none", "pad": 1.5, "alpha": 0.9}
"""The box of a text that stands on lines."""


def _nth_colour(index: int) -> str:
    """The colour of the nth axis, rung or ladder."""
    return _COLOURS[index % len(_COLOURS)]


def _nth_line(index: int) -> Any:
    """The line style of the nth axis or rung."""
    return _LINES[index % len(_LINES)]


def _nth_mark(index: int) -> str:
    """The mark of the nth ladder or axis."""
    return _MARKS[index % len(_MARKS)]


def drawable(text: str, family: tuple[str, ...] | None = None) -> str:
    """A text in signs that the font has (`family`, or what charts are drawn in), others as near as they come; none acts."""
    known = _signs(family or tuple(FontProperties().get_family()))
    text = visible(text)
    return text if known.issuperset(text) else "".join(sign if sign in known else plainly(sign) for sign in text)


@lru_cache
def _signs(family: tuple[str, ...]) -> frozenset[str]:
    found = (get_font(findfont(FontProperties(family=[name]))).get_charmap() for name in family)
    return frozenset(map(chr, chain(*found))) | {"\n"}


def named(name: object, most: int = 40) -> str:
    """A name from outside as a chart bears it: drawable, cut, no formula, and no _ first, which legends take for hidden."""
    text = cut(drawable(" ".join(str(name)[: 9 * most].split())), most).replace("$", r"\$")
    return f" {text}" if text.startswith("_") else text


def _draw_grid(ax: Axes, axis: Literal["both", "x", "y"] = "both") -> None:
    """The faint grid behind every chart."""
    ax.grid(True, which="major", axis=axis, color="#dddddd", lw=0.6, zorder=0)


def _plain_ticks(ax: Axes) -> None:
    """Labels such as 0.01 or 20 on the scales that are logarithmic: 1-2-5, or 1 alone where those would crowd."""
    for side, most in ((ax.xaxis, 300), (ax.yaxis, 50_000)):  # labels beside each other take more room
        if side.get_scale() == "log":
            side.set_major_locator(_PlainLocator(most))
            side.set_major_formatter(FuncFormatter(lambda value, _: say_number(value)))
            side.set_minor_locator(NullLocator())  # minor ticks are drawn one by one, and cost most of the time


class _PlainLocator(LogLocator):
    """1-2-5 where the limits, as they stand when drawn, are less than `most` times apart."""

    def __init__(self, most: float) -> None:
        super().__init__(numticks=30)
        self.most = most

    def tick_values(self, vmin: float, vmax: float) -> Any:
        low, high = sorted((vmin, vmax))
        self.set_params(subs=(1.0, 2.0, 5.0) if high < self.most * low else (1.0,))
        return super().tick_values(vmin, vmax)


def _even_ticks(ax: Axes) -> None:
    """Even numbers up a logarithmic scale that spans little, where 1-2-5 would leave two of them; limits as they stand."""
    low, high = ax.get_ylim()
    ticks = [tick for tick in MaxNLocator(7, steps=[1, 2, 5, 10]).tick_values(low, high) if low <= tick <= high]
    ax.set_yticks(ticks, [say_number(tick, digits=3) for tick in ticks])
    ax.yaxis.set_minor_locator(NullLocator())


def _folded(ax: Axes, text: str) -> str:
    """A legend's line folded to the width of the axes and the numbers beside them."""
    return fill(text, max(int(15 * ax.bbox.width / ax.figure.dpi), 20), subsequent_indent="  ")


def _is_wide(ax: Axes) -> bool:
    """Whether names find room beside each other, or within the axes."""
    return bool(ax.bbox.width / ax.figure.dpi > 3.5)


def _name_inside(ax: Axes) -> None:
    """The names of what is drawn, in the upper left corner, or above where that would cover too much."""
    placed: dict[str, Any] = {"loc": "upper left"} if _is_wide(ax) else {"loc": "lower left", "bbox_to_anchor": (-0.1, 1.0)}
    ax.legend(frameon=False, fontsize=9, **placed)


def _name_below(ax: Axes, drop: float = 0.13, *, columns: int = 3, **style: Any) -> Any:
    """The names of what is drawn, below the axes by a share of their height."""
    return ax.legend(loc="upper center", bbox_to_anchor=(0.5, -drop), ncols=columns, fontsize=8.5, frameon=False, **style)


def _mark_simulated(ax: Axes, simulated: bool) -> None:
    """Say on the chart that what it shows was invented."""
    if simulated:
        box = {"facecolor": "white", "edgecolor": _INK, "lw": 0.8, "pad": 2.5}
        placed: dict[str, Any] = {"transform": ax.transAxes, "ha": "right", "va": "bottom", "bbox": box, "gid": "simulated"}
        ax.text(0.995, 1.015, "simulated", fontsize=8.5, color=_INK, **placed)


def _new_figure(width_in: float = 9.0, height_in: float = 5.4) -> Figure:
    """A figure that belongs to nobody's window: no pyplot, laid out so that nothing overlaps."""
    return Figure(figsize=(width_in, height_in), layout="constrained")


def _new_cells(count: int, *, columns: int, width_in: float, row_in: float, head_in: float) -> tuple[Figure, list[Axes]]:
    """A figure with so many axes in rows, no empty ones."""
    columns = min(columns, count)
    rows = -(-count // columns)
    figure = _new_figure(width_in, head_in + row_in * rows)
    cells = list(figure.subplots(rows, columns, squeeze=False).ravel())
    for ax in cells[count:]:
        ax.remove()
    return figure, cells[:count]


def figure_png(figure: Figure, *, dots_per_inch: float = 160) -> bytes:
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
