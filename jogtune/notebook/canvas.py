"""A kept picture."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable, Hashable, Sequence
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

    `png()` paints what stays once, keeps that picture, and puts only the moving artists on top of it as long as nothing else
    has changed."""

    def __init__(self, width_in: float, height_in: float) -> None:
        self.figure = Figure(figsize=(width_in, height_in))
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
        across, up = self.figure.get_size_inches()
        return self.figure.add_axes((left / across, bottom / up, width / across, height / up))

    def png(self, charts: Sequence[_Chart], *, dots_per_inch: int = _SHOWN) -> bytes:
        """The figure as it now stands; callable from any thread, while no chart is being updated."""
        moving = [artist for chart in charts for artist in chart.moving]
        still = tuple((chart.still, chart.ax.get_visible()) for chart in charts)
        with self._lock:
            self.figure.set_dpi(dots_per_inch)
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


class _Redrawn:
    """A chart drawn anew at each update, for any plotting function.

    A `lively` one is painted over what is kept of the other charts, so that they need not be painted again."""

    def __init__(self, ax: Axes, *, lively: bool = False) -> None:
        self.ax, self.lively = ax, lively
        self.moving: list[Artist] = [ax] if lively else []
        self.still = 0
        self._veiled = False

    def update(self, paint: Callable[[Axes], object]) -> None:
        """Clear the axes and let `paint` draw on them."""
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
