"""Pages in millimetres."""

from __future__ import annotations

import io
import os
import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font

from ..files import InputFault

A4_MM = (210.0, 297.0)
RULER_MM = 50.0
TICK_MM = (14.0, 19.0)  # inner and outer radius of a position's tick
RULER_AT_MM = (20.0, 24.0)  # left (and lower) end of both rulers
PT_PER_MM = 72 / 25.4
INK, _LEAD = "black", 0.35  # line width in mm
_RC: dict[Any, Any] = {
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
    "svg.hashsalt": "jogtune",
    "font.family": "DejaVu Sans",
}


def new_page(width_mm: float, height_mm: float) -> tuple[Figure, Axes]:
    """An empty page whose one axes counts in mm from the lower left corner."""
    figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), facecolor="white")
    ax = figure.add_axes((0, 0, 1, 1))
    ax.set_xlim(0, width_mm)
    ax.set_ylim(0, height_mm)
    ax.axis("off")
    return figure, ax


def write_text(ax: Axes, x_mm: float, y_mm: float, text: str, *, size_mm: float = 2.8, **style: Any) -> None:
    """Write text on a page; `size_mm` is the height of a line's letters with their tails."""
    color = style.pop("color", INK)
    ax.text(x_mm, y_mm, text, fontsize=size_mm * PT_PER_MM, color=color, parse_math=False, **style)


def text_width(text: str, size_mm: float, *, bold: bool = False) -> float:
    """How wide a text prints [mm]."""
    return _width_at_100(text, bold) * size_mm / 100


@lru_cache(maxsize=8192)
def _width_at_100(text: str, bold: bool) -> float:
    font = get_font(findfont(FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")))
    font.set_size(100, 72)
    font.set_text(text)
    return float(font.get_width_height()[0]) / 64


def fold_text(text: str, width_mm: float, size_mm: float) -> list[str]:
    """A sentence in lines that print no wider than `width_mm`."""
    per_letter = text_width(text, size_mm) / max(len(text), 1) or 1.0
    columns = max(8, int(width_mm / per_letter))
    lines = textwrap.wrap(text, columns)
    while columns > 8 and any(text_width(line, size_mm) > width_mm for line in lines):
        columns -= 1
        lines = textwrap.wrap(text, columns)
    return lines


def write_lines(ax: Axes, x_mm: float, y_mm: float, texts: Sequence[str], *, width_mm: float, size_mm: float = 2.8) -> float:
    """Write sentences one below the other from a top edge, folded to a width; returns the lower edge [mm]."""
    for text in texts:
        for line in fold_text(text, width_mm, size_mm):
            write_text(ax, x_mm, y_mm, line, size_mm=size_mm, va="top")
            y_mm -= 1.4 * size_mm
        y_mm -= 0.4 * size_mm
    return y_mm


def draw_line(ax: Axes, x_mm: Sequence[float], y_mm: Sequence[float], **style: Any) -> None:
    """Draw a line through points in mm, `width_mm` thick."""
    width = style.pop("width_mm", _LEAD) * PT_PER_MM
    style.setdefault("solid_capstyle", "butt")
    ax.plot(x_mm, y_mm, color=style.pop("color", INK), linewidth=width, **style)


def draw_ruler(ax: Axes, x_mm: float, y_mm: float, *, upright: bool = False) -> None:
    """Draw a ruler of 50 mm to check the printer's scale, along the page or up it."""

    def line(along: tuple[float, float], across: tuple[float, float], width: float) -> None:
        a, b = ([x_mm + v for v in along], [y_mm + v for v in across])
        if upright:
            a, b = ([x_mm + v for v in across], [y_mm + v for v in along])
        draw_line(ax, a, b, width_mm=width)

    line((0, RULER_MM), (0, 0), 0.2)
    for mark in range(int(RULER_MM) + 1):
        length = 5.0 if mark % 10 == 0 else 3.5 if mark % 5 == 0 else 2.0
        line((mark, mark), (0, length), 0.15)
    for mark in range(0, int(RULER_MM) + 1, 10):
        at = (x_mm + 5.6, y_mm + mark) if upright else (x_mm + mark, y_mm + 5.6)
        side: dict[str, Any] = {"ha": "left" if upright else "center", "va": "center" if upright else "bottom"}
        write_text(ax, *at, str(mark), size_mm=2.2, **side)


def _stamp() -> datetime | None:
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    return datetime.fromtimestamp(int(epoch), UTC) if epoch.isdigit() else None


def page_bytes(figures: Sequence[Figure], kind: str) -> bytes:
    """Pages as the bytes of a "pdf" (any number of pages) or an "svg" (one); the same input, the same bytes."""
    stream = io.BytesIO()
    with matplotlib.rc_context(_RC):
        if kind == "svg":
            figures[0].savefig(stream, format="svg", metadata={"Date": None})
        else:
            with PdfPages(stream, metadata={"CreationDate": _stamp()}) as book:
                for figure in figures:
                    book.savefig(figure)
    return stream.getvalue()


def page_kind(path: str | Path, kinds: Sequence[str] = ("svg", "pdf")) -> str:
    """The kind of page a file name asks for; raises `InputFault` for any other."""
    kind = Path(path).suffix.lower().removeprefix(".")
    if kind not in kinds:
        shown = " or ".join(f".{name}" for name in kinds)
        raise InputFault(str(path), [f"must end in {shown}: rename it"])
    return kind
