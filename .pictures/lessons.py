"""The drawings of the lessons: a detent, slack, a ladder. `python .pictures/lessons.py [FOLDER]` draws them anew.

Each goes, as PNG, into every cell below the folder of notebooks (default: notebooks) that shows `attachment:NAME.png`. A
pale card with dark lines, so that it reads on a light page and on a dark one; letters large enough for a phone.
"""

from __future__ import annotations

import base64
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import nbformat
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon, Rectangle

from jogtune.charts.ink import figure_png
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ROOT = Path(__file__).resolve().parent.parent
ROUTER = read_machine(ROOT / "datasets/machines/inlay_router.toml")
LADDER = Ladder.parse("0.02, 0.1, 0.5, 2, 5")
INK, BLUE, METAL, BRASS, CARD = "#222222", "#0072B2", "#d9dde0", "#ead9a8", "#fbfaf6"
_WIDE_IN, _TALL_IN, _SIZE = 3.7, {"detent": 2.5, "slack": 2.85, "ladder": 3.2}, 11.5
_ROOM = 0.17


def _say(ax: Axes, text: str, at: tuple[float, float], to: tuple[float, float] | None = None, **style: object) -> None:
    """A text, with a line to what it names."""
    arrow = None if to is None else {"arrowstyle": "-", "color": INK, "lw": 1.0, "shrinkB": 1}
    ax.annotate(text, to or at, at, fontsize=_SIZE, color=INK, arrowprops=arrow, **{"ha": "center", "va": "center", **style})


def draw_detent(ax: Axes) -> None:
    """A section: a wheel with a groove for each click, and a ball that a spring presses into it."""
    clicks = ROUTER.knob.detents_per_turn
    each = 2 * np.pi / clicks
    angle = np.linspace(-4 * each, 4 * each, 700)  # from the top, where the ball sits in a groove
    edge = 10 - 0.42 * np.cos(clicks * angle)
    ax.add_patch(Polygon([*np.c_[edge * np.sin(angle), edge * np.cos(angle)], (9, 0), (-9, 0)], fc=METAL, ec=INK, lw=1.2))
    ax.add_patch(Circle((0, 10.32), 0.72, fc=BRASS, ec=INK, lw=1.2))
    for corner, width, height in (((-2.0, 10.9), 1.2, 3.3), ((0.8, 10.9), 1.2, 3.3), ((-2.0, 14.2), 4.0, 0.7)):
        ax.add_patch(Rectangle(corner, width, height, fc=METAL, ec=INK, lw=1.2))
    ax.plot(0.55 * np.tile([-1, 1], 6), np.linspace(11.05, 14.2, 12), color=INK, lw=1.4)
    for side in (0.0, each):
        ax.plot(*np.outer((np.sin(side), np.cos(side)), (8.1, 9.35)), color=BLUE, lw=1.4, ls="--")
    turn = np.linspace(0, each, 30)
    ax.plot(8.1 * np.sin(turn), 8.1 * np.cos(turn), color=BLUE, lw=2.2)
    _say(ax, f"one click: {np.degrees(each):g}°", (0.5, 7.2))
    _say(ax, "wheel", (-4.2, 7.2))
    _say(ax, "spring", (4.6, 13.7), (0.5, 12.9))
    _say(ax, "ball", (4.6, 11.9), (0.68, 10.5))
    _say(ax, "ridge", (-4.4, 13.3), (-1.42, 10.4))
    _say(ax, "groove", (-5.4, 11.6), (-2.5, 9.35))
    ax.set(xlim=(-7.4, 7.4), ylim=(6.1, 15.2), aspect="equal")


def _draw_thread(ax: Axes, low: float, shift: float) -> None:
    """A screw's thread in section and above it the nut, whose grooves are wider by `_ROOM` on either side; `shift` is where
    the screw stands in that room."""
    wide, tip, high, clear = 0.75, 0.35, 0.9, 0.14  # half widths at foot and crest of a thread, its height, room above it
    slope = (wide - tip) / high
    centres = 1.1 + 2.2 * np.arange(-1, 6)
    screw = np.add.outer(centres + shift, (-wide, -tip, tip, wide)).ravel()
    flanks = low + np.tile((0, high, high, 0), len(centres))
    ax.add_patch(Polygon([*np.c_[screw, flanks], (20, low - 0.9), (-9, low - 0.9)], fc=METAL, ec=INK, lw=1.2))
    foot, top = (wide + _ROOM - slope * height for height in (clear, high + clear))
    nut = np.add.outer(centres[2:5], (-foot, -top, top, foot)).ravel()
    grooves = low + clear + np.tile((0, high, high, 0), 3)
    ends = [(x, low + y) for x, y in ((8.8, clear), (8.8, 2.3), (2.2, 2.3), (2.2, clear))]
    ax.add_patch(Polygon([*np.c_[nut, grooves], *ends], fc=BRASS, ec=INK, lw=1.2))


def draw_slack(ax: Axes) -> None:
    """A screw and its nut in section: pushing one way, and turned back, when the thread has crossed the slack."""
    for low, way, words in ((5.0, 1, "turned on: the nut goes along"), (0.5, -1, "turned back: first the slack")):
        _draw_thread(ax, low, way * _ROOM)
        _say(ax, words, (5.5, low + 2.85))
        ends = ((5.5 + far * way, low - 0.45) for far in (4.3, 2.6))
        ax.annotate("", *ends, arrowprops={"arrowstyle": "-|>", "color": BLUE, "lw": 2.5})
        _say(ax, "screw", (5.5, low - 0.45))
        _say(ax, "nut", (5.5, low + 1.7))
    _say(ax, "slack", (1.0, 7.0), (2.72, 5.5))
    _say(ax, "pushes", (10.15, 7.0), (8.22, 5.65))
    _say(ax, "slack", (10.1, 2.5), (8.28, 1.0))
    _say(ax, "pushes", (0.85, 2.5), (2.78, 1.15))
    ax.set(xlim=(-0.6, 11.6), ylim=(-0.6, 8.4), aspect="equal")


def draw_ladder(ax: Axes) -> None:
    """A ladder of settings: rungs as far apart as their factors, and what a click is on each."""
    gains = [float(gain) for gain in LADDER.gains_mm]
    heights = np.log10(gains)
    ax.plot([0, 0], [heights[0] - 0.25, heights[-1] + 0.25], color=INK, lw=3, solid_capstyle="round")
    ax.plot([1, 1], [heights[0] - 0.25, heights[-1] + 0.25], color=INK, lw=3, solid_capstyle="round")
    for position, (gain, height) in enumerate(zip(gains, heights, strict=True), 1):
        ax.plot([0, 1], [height, height], color=BLUE, lw=4)
        _say(ax, f"{position}", (-0.16, height), weight="bold")
        _say(ax, f"{gain:g} mm a click", (1.15, height), ha="left")
    for low, high, ratio in zip(heights, heights[1:], LADDER.ratios, strict=False):
        _say(ax, f"× {float(ratio):g}", (0.5, (low + high) / 2))
    _say(ax, "coarsest:\nfar away", (3.25, heights[-1]), ha="left")
    _say(ax, "finest:\nat the goal", (3.25, heights[0]), ha="left")
    ax.annotate("", (3.7, heights[0] + 0.45), (3.7, heights[-1] - 0.45), arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.4})
    ax.set(xlim=(-0.5, 4.6), ylim=(heights[0] - 0.35, heights[-1] + 0.35))


DRAWINGS: dict[str, Callable[[Axes], None]] = {"detent": draw_detent, "slack": draw_slack, "ladder": draw_ladder}


def draw(name: str) -> Figure:
    """A drawing as a figure."""
    figure = Figure(figsize=(_WIDE_IN, _TALL_IN[name]), facecolor=CARD)
    ax = figure.add_axes((0.01, 0.01, 0.98, 0.98))
    ax.set_axis_off()
    DRAWINGS[name](ax)
    return figure


def drawing_png(name: str) -> bytes:
    """A drawing as PNG, 555 px wide."""
    return figure_png(draw(name), dots_per_inch=150)


def main(folder: Path) -> None:
    """Put every drawing where it is shown."""
    drawn = {f"{name}.png": base64.b64encode(drawing_png(name)).decode() for name in DRAWINGS}
    for path in sorted(folder.rglob("*.ipynb")):
        book = nbformat.read(path, as_version=4)
        for cell in book.cells:
            shown = {file: {"image/png": data} for file, data in drawn.items() if f"attachment:{file}" in cell.source}
            if shown:
                cell.attachments = shown
        path.write_text(nbformat.writes(book, version=4) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if sys.argv[1:] else ROOT / "notebooks")
