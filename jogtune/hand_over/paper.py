"""Pages in millimetres."""

import io
import os
import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font

from ..charts.ink import drawable
from ..signs import cut

_A4_MM = (210.0, 297.0)
_RULER_MM = 50.0
_PT_PER_MM = 72 / 25.4
_INK = "black"
_RC: dict[Any, Any] = {"svg.fonttype": "path", "pdf.fonttype": 42, "svg.hashsalt": "jogtune", "font.family": "DejaVu Sans"}
_FONT, _LEAST_SIZE = ("DejaVu Sans",), 0.5


def _new_page(width_mm: float, height_mm: float) -> tuple[Figure, Axes]:
    """An empty page whose one axes counts in mm from the lower left corner."""
    figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), facecolor="white")
    ax = figure.add_axes((0, 0, 1, 1))
    ax.set_xlim(0, width_mm)
    ax.set_ylim(0, height_mm)
    ax.axis("off")
    return figure, ax


def _write_text(
    ax: Axes, x_mm: float, y_mm: float, text: str, *, size_mm: float = 2.8, fit_mm: float | None = None, bold: bool = False,
    **style: Any,
) -> None:  # fmt: skip
    """Write text on a page; `size_mm` is the height of a line's letters with their tails, less where the text would
    be wider than `fit_mm`; what would be less than half as high is cut."""
    text = drawable(text, _FONT)
    if fit_mm is not None:
        while _text_width(text, size_mm) > fit_mm / _LEAST_SIZE:
            text = cut(text, int(0.95 * len(text)))
        size_mm = min(size_mm, size_mm * fit_mm / max(_text_width(text, size_mm, bold=bold), 1e-9))
    style = {"color": _INK, "weight": "bold" if bold else "normal", **style}
    ax.text(x_mm, y_mm, text, fontsize=size_mm * _PT_PER_MM, parse_math=False, **style)


def _text_width(text: str, size_mm: float, *, bold: bool = False) -> float:
    """How wide a text prints [mm]."""
    return _width_at_100(text, bold) * size_mm / 100


@lru_cache(maxsize=8192)
def _width_at_100(text: str, bold: bool) -> float:
    font = get_font(findfont(FontProperties(family=_FONT, weight="bold" if bold else "normal")))
    font.set_size(100, 72)
    font.set_text(drawable(text, _FONT))
    return float(font.get_width_height()[0]) / 64


def _fold_text(text: str, width_mm: float, size_mm: float) -> list[str]:
    """A sentence in lines that print no wider than `width_mm`."""
    text = drawable(text, _FONT)
    per_letter = _text_width(text, size_mm) / max(len(text), 1) or 1.0
    columns = max(8, int(width_mm / per_letter))
    lines = textwrap.wrap(text, columns, break_on_hyphens=False)
    while columns > 8 and any(_text_width(line, size_mm) > width_mm for line in lines):
        columns -= 1
        lines = textwrap.wrap(text, columns, break_on_hyphens=False)
    return lines


def _draw_title(ax: Axes, title: str) -> None:
    _write_text(ax, 20, 281, title, size_mm=4.6, fit_mm=170, bold=True, va="top")


def _draw_foot(ax: Axes, notes: Sequence[str], what: str, *, columns: int = 1) -> None:
    """What stands at the foot of a page, in one column or two, beside two rulers, along the page and up it."""
    scale = (
        "Print at 100 % (no fitting to the page). Lay a ruler on both scales: if they are not 50 mm, "
        f"the {what} is not true to scale."
    )
    boxes = [(38 + 78 * n, 84, 23.5) for n in range(columns)]
    _write_lines(ax, boxes, [*notes, scale], width_mm=86 if columns == 1 else 71, size_mm=2.6)
    _draw_ruler(ax, 38, 16)
    _draw_ruler(ax, 20, 24, upright=True)


_Box = tuple[float, float, float]
"""Left, top and bottom of a place for sentences [mm]."""


def _write_lines(ax: Axes, boxes: Sequence[_Box], texts: Sequence[str], *, width_mm: float, size_mm: float) -> None:
    """Write sentences one below the other, folded to a width, into boxes in turn; smaller where they don't fit."""
    for size in (size_mm * 0.95**n for n in range(20)):
        placed = _placed(boxes, texts, width_mm, size)
        if placed is not None:
            break
    for x, y, line in placed or ():
        _write_text(ax, x, y, line, size_mm=size, va="top")


def _placed(boxes: Sequence[_Box], texts: Sequence[str], width_mm: float, size_mm: float) -> list[tuple[float, float, str]] | None:
    found, left = [], list(boxes)
    x, y, bottom = left.pop(0)
    for text in texts:
        lines = _fold_text(text, width_mm, size_mm)
        while y - 1.4 * size_mm * len(lines) < bottom:
            if not left:
                return None
            x, y, bottom = left.pop(0)
        found += [(x, y - 1.4 * size_mm * n, line) for n, line in enumerate(lines)]
        y -= 1.4 * size_mm * len(lines) + 0.4 * size_mm
    return found


def _draw_line(ax: Axes, x_mm: Sequence[float], y_mm: Sequence[float], **style: Any) -> None:
    """Draw a line through points in mm, `width_mm` thick."""
    width = style.pop("width_mm", 0.35) * _PT_PER_MM
    ax.plot(x_mm, y_mm, color=_INK, linewidth=width, solid_capstyle="butt", **style)


def _draw_ruler(ax: Axes, x_mm: float, y_mm: float, *, upright: bool = False) -> None:
    """Draw a ruler of 50 mm to check the printer's scale, along the page or up it."""

    def line(along: tuple[float, float], across: tuple[float, float], width: float) -> None:
        a, b = ([x_mm + v for v in along], [y_mm + v for v in across])
        if upright:
            a, b = ([x_mm + v for v in across], [y_mm + v for v in along])
        _draw_line(ax, a, b, width_mm=width)

    line((0, _RULER_MM), (0, 0), 0.2)
    for mark in range(int(_RULER_MM) + 1):
        length = 5.0 if mark % 10 == 0 else 3.5 if mark % 5 == 0 else 2.0
        line((mark, mark), (0, length), 0.15)
    for mark in range(0, int(_RULER_MM) + 1, 10):
        at = (x_mm + 5.6, y_mm + mark) if upright else (x_mm + mark, y_mm + 5.6)
        side: dict[str, Any] = {"ha": "left" if upright else "center", "va": "center" if upright else "bottom"}
        _write_text(ax, *at, str(mark), size_mm=2.2, **side)


def _page_bytes(figures: Sequence[Figure], kind: str) -> bytes:
    """Pages as the bytes of a "pdf" (any number of pages) or an "svg" (one); the same input, the same bytes."""
    stream, epoch = io.BytesIO(), os.environ.get("SOURCE_DATE_EPOCH", "")
    stamp = datetime.fromtimestamp(int(epoch), UTC) if epoch.isdigit() else None
    with matplotlib.rc_context(_RC):
        if kind == "svg":
            figures[0].savefig(stream, format="svg", metadata={"Date": None})
        else:
            with PdfPages(stream, metadata={"CreationDate": stamp}) as book:
                for figure in figures:
                    book.savefig(figure)
    return stream.getvalue()
