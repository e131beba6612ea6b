"""A kept picture."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable, Hashable, Sequence
from textwrap import fill
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from PIL import Image

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

_SHOWN, _DENSE = 100, 200  # dots per inch: as large as shown, and for a screen with two dots to the pixel
_SMALL = 0.82  # of that where there is little room: text of 8 points is 9 dots high
_NARROW = 0.75  # a picture shown below this share of its width has its charts one below the other: our choice
_MANY_TEXTS = 2000


class _Chart(Protocol):
    """A chart that keeps its artists: `moving` ones change with the data, the rest only when `still` does."""

    ax: Axes
    moving: list[Artist]

    @property
    def still(self) -> Hashable:
        """Compares equal as long as all but the moving artists look the same."""


class _Pen(RendererAgg):
    """Draws each text once and keeps it: texts cost most of a picture."""

    def __init__(self, width: float, height: float, dpi: float) -> None:
        super().__init__(width, height, dpi)  # type: ignore[no-untyped-call]
        self._texts: dict[Hashable, tuple[Any, int, int]] = {}

    def draw_text(
        self, gc: Any, x: float, y: float, s: str, prop: Any, angle: float, ismath: Any = False, mtext: Any = None
    ) -> None:
        if ismath:
            super().draw_text(gc, x, y, s, prop, angle, ismath, mtext)  # type: ignore[no-untyped-call]
            return
        key = s, hash(prop), angle
        if key not in self._texts:
            if len(self._texts) > _MANY_TEXTS:
                self._texts.clear()
            self._texts[key] = self._drawn(s, prop, angle, mtext)
        ink, across, down = self._texts[key]
        self._renderer.draw_text_image(ink, round(x) + across, round(y) + down, 0, gc)

    def _drawn(self, text: str, prop: Any, angle: float, mtext: Any) -> tuple[Any, int, int]:
        """How much ink each dot takes, and where left and bottom of it lie from the text's own place [dots]."""
        plain: Any = RendererAgg  # has no types
        wide, high, _ = plain.get_text_width_height_descent(self, text, prop, False)
        middle = int(wide + high) + 4
        aside = plain(2 * middle, 2 * middle, self.dpi)
        aside.draw_text(aside.new_gc(), middle, middle, text, prop, angle, mtext=mtext)
        ink = np.asarray(aside.buffer_rgba())[..., 3]
        rows, columns = (np.flatnonzero(ink.any(axis=side)) for side in (1, 0))
        if not len(rows):
            return np.zeros((1, 1), dtype=np.uint8), 0, 0
        top, bottom, left, right = rows[0], rows[-1] + 1, columns[0], columns[-1] + 1
        return ink[top:bottom, left:right].copy(), int(left) - middle, int(bottom) - middle


class _Pens(FigureCanvasAgg):
    """A pen for each size and density, kept."""

    def __init__(self, figure: Figure) -> None:
        self._pens: dict[tuple[float, ...], _Pen] = {}
        super().__init__(figure)

    def get_renderer(self) -> _Pen:
        key = (*self.figure.bbox.size, self.figure.dpi)
        if key not in self._pens:
            self._pens[key] = _Pen(*key)
        pen = self.renderer = self._pens[key]
        return pen


class _Canvas:
    """One figure, `width_in` by `height_in` at 100 dots an inch, for charts on axes got from `axes()` or `place()`.

    Shown narrower than its text can be read (`fit`), its charts stand one below the other, as wide as there is room.
    `png()` paints what stays once, keeps that picture, and puts only the moving artists on top of it as long as nothing else
    has changed."""

    def __init__(self, width_in: float, height_in: float) -> None:
        self.figure, self._inches = Figure(figsize=(width_in, height_in)), (width_in, height_in)
        self.narrow_in = 0.0
        self._cells: dict[Axes, tuple[float, float, float, float]] = {}
        self._margins: dict[Axes, Any] = {}
        self.size = round(width_in * _SHOWN), round(height_in * _SHOWN)
        self._canvas: Any = _Pens(self.figure)
        self._kept: dict[int, tuple[Hashable, Any]] = {}
        self._lock = threading.Lock()

    def axes(
        self, columns: int = 1, *, left: float = 0.8, right: float = 0.25, top: float = 0.5, bottom: float = 0.9, gap: float = 0.8
    ) -> list[Axes]:
        """Axes side by side, with margins and gap in inches: they never move."""
        width, height = self.figure.get_size_inches()
        across = (width - left - right - gap * (columns - 1)) / columns
        return [self.place(left + n * (across + gap), bottom, across, height - top - bottom) for n in range(columns)]

    def place(self, left: float, bottom: float, width: float, height: float) -> Axes:
        """Axes of their own place and size [inches]."""
        across, up = self._inches
        place = left / across, bottom / up, width / across, height / up
        ax = self.figure.add_axes(place)
        self._cells[ax] = place
        return ax

    def fit(self, dots: int) -> bool:
        """Draw for a picture that is shown so many dots wide (0: as wide as it is); says whether that is a change."""
        narrow_in = dots / _SHOWN / _SMALL if 0 < dots < _NARROW * self.size[0] else 0.0
        changed, self.narrow_in = narrow_in != self.narrow_in, narrow_in
        if changed and not narrow_in:
            self.figure.set_size_inches(self._inches)
            for ax, place in self._cells.items():
                ax.set_position(place)
        if changed:
            self._margins = {ax: np.array([0.5, 0.4, 0.2, 0.3]) for ax in self._cells}
        if changed and narrow_in:
            self._put(list(self._cells), 0.0)  # so that what is drawn next sees how wide it is
        return changed

    def _stack(self) -> None:
        """Charts one below the other, with what room their texts need: it grows, and never shrinks under a slider."""
        legend_in = sum(legend.get_window_extent().height for legend in self.figure.legends) / self.figure.dpi
        shown = [ax for ax in self._cells if ax.get_visible()]
        for _ in range(3):
            before = [self._margins[ax].copy() for ax in shown]
            self._put(shown, legend_in)
            for ax in shown:
                _wrap(ax)
                inner: Any = ax.get_window_extent()
                outer: Any = ax.get_tightbbox(self._canvas.get_renderer())
                needed = inner.x0 - outer.x0, inner.y0 - outer.y0, outer.x1 - inner.x1, outer.y1 - inner.y1
                self._margins[ax] = np.maximum(self._margins[ax], np.ceil(np.array(needed) / self.figure.dpi * 20 + 0.5) / 20)
            if all(np.array_equal(one, self._margins[ax]) for one, ax in zip(before, shown, strict=True)):
                return
            self._kept.clear()
        self._put(shown, legend_in)

    def _put(self, shown: Sequence[Axes], legend_in: float) -> None:
        sizes = []
        for ax in shown:
            left, _, right, _ = self._margins[ax]
            width = max(self.narrow_in - left - right, 0.8)
            sizes.append((width, min(max(0.8 * width, 1.8), self._cells[ax][3] * self._inches[1])))
        height_in = sum(high + self._margins[ax][[1, 3]].sum() for ax, (_, high) in zip(shown, sizes, strict=True)) + legend_in
        self.figure.set_size_inches(self.narrow_in, height_in)
        top = height_in
        for ax, (wide, high) in zip(shown, sizes, strict=True):
            left, bottom, _, above = self._margins[ax]
            top -= above + high
            ax.set_position((left / self.narrow_in, top / height_in, wide / self.narrow_in, high / height_in))
            top -= bottom

    def png(self, charts: Sequence[_Chart], *, dots_per_inch: int = _SHOWN) -> bytes:
        """The figure as it now stands; callable from any thread, while no chart is being updated."""
        moving = [artist for chart in charts for artist in chart.moving]
        still: tuple[Any, ...] = tuple((chart.still, chart.ax.get_visible()) for chart in charts)
        with self._lock:
            self.figure.set_dpi(dots_per_inch * (_SMALL if self.narrow_in else 1.0))
            if self.narrow_in:
                self._stack()
            still = *still, *self.figure.bbox.size
            known, kept = self._kept.get(dots_per_inch, (None, None))
            if known == still:
                self._canvas.get_renderer()
                self._canvas.restore_region(kept)
            else:
                for artist in moving:
                    artist.set_animated(True)  # left out of an ordinary drawing
                self._canvas.draw()
                self._kept[dots_per_inch] = still, self._canvas.copy_from_bbox(self.figure.bbox)
            for artist in moving:
                if artist.axes is None or artist.axes.get_visible():
                    self.figure.draw_artist(artist)
            return self._encoded()

    def _encoded(self) -> bytes:
        size = self._canvas.get_width_height(physical=True)
        picture = Image.frombuffer("RGBA", size, self._canvas.buffer_rgba(), "raw", "RGBA", 0, 1)
        stream = io.BytesIO()
        picture.convert("RGB").save(stream, "png", compress_level=1)
        return stream.getvalue()


def _wrap(ax: Axes) -> None:
    """Break what is wider than its axes."""
    for text in (ax.title, ax.xaxis.label, *ax.texts):
        share = text.get_window_extent().width / (1.15 * ax.get_window_extent().width)
        longest = max(map(len, text.get_text().split("\n")))
        if share > 1 and text.get_rotation() == 0 and longest > 8:
            text.set_text(fill(text.get_text().replace("\n", " "), max(int(longest / share), 8)))


class _Redrawn:
    """A chart drawn anew at each update, for any plotting function.

    A `lively` one is painted over what is kept of the other charts, so that they need not be painted again."""

    def __init__(self, ax: Axes, *, lively: bool = False) -> None:
        self.ax, self.lively = ax, lively
        self.moving: list[Artist] = [ax] if lively else []
        self.still = 0
        self._veiled = False
        self._paint: Callable[[Axes], object] = lambda _: None

    def again(self) -> None:
        """Draw it once more."""
        self.update(self._paint)

    def update(self, paint: Callable[[Axes], object]) -> None:
        """Clear the axes and let `paint` draw on them."""
        self._paint = paint
        self.ax.clear()
        paint(self.ax)
        self.still += not self.lively
        self._veiled = False

    def veil(self) -> None:
        """Show that what is drawn is of an earlier state."""
        if not self._veiled:
            over: dict[str, Any] = {"transform": self.ax.transAxes, "clip_on": False, "color": "white", "alpha": 0.7, "zorder": 50}
            self.ax.add_patch(Rectangle((-1, -1), 3, 3, **over))
            self.still += 1
            self._veiled = True
