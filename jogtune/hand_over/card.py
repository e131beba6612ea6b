"""The pocket card."""

from collections.abc import Iterable, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from ..axis.row import Row, by_position, rows
from ..hand.controls import KnobControl
from ..ladder.ladder import Ladder, Rung
from ..machine.model import Machine
from ..units import say_distance, say_number
from ..words.short import brief_cautions, card_run_on, own_words, rung_use
from ..words.speak import spoken
from .paper import _A4_MM, _INK, _draw_foot, _draw_line, _draw_title, _new_page, _write_lines, _write_text
from .table import _travel, _travel_note

_CARD_MM = (148.0, 105.0)  # ISO 216 A6 landscape, folded once to A7
_AXES_PER_CARD = 3
_TWO_LINES_MM = 5.0  # a row higher than this holds turns to cross above run-on


def _draw_cards(machine: Machine, ladder: Ladder) -> list[Figure]:
    """The pocket card on an A4 page; a further page for each further three axes.

    Left of the fold the ladder and what each rung is for, right of it turns to cross and run-on."""
    names = [axis.name for axis in machine.axes]
    groups = [names[n : n + _AXES_PER_CARD] for n in range(0, len(names), _AXES_PER_CARD)]
    return [_draw_card(machine, ladder, [row for row in rows(machine, ladder) if row.axis in group]) for group in groups]


def _draw_card(machine: Machine, ladder: Ladder, shown: Sequence[Row]) -> Figure:
    figure, ax = _new_page(*_A4_MM)
    left, low = (_A4_MM[0] - _CARD_MM[0]) / 2, 130.0
    top, fold = low + _CARD_MM[1], left + _CARD_MM[0] / 2
    _draw_title(ax, f"Pocket card: {machine.name}")
    ax.add_patch(Rectangle((left, low), *_CARD_MM, fill=False, linewidth=0.5, linestyle=(0, (4, 3))))
    _draw_line(ax, (fold, fold), (low, top), width_mm=0.12, linestyle=(0, (1, 3)))
    below = _draw_left(ax, machine, ladder, (left + 4, top - 4)), _draw_right(ax, shown, (fold + 4, top - 4))
    axes = {row.axis for row in shown}
    cautions = brief_cautions(machine, ladder, axes)
    touching = spoken(touch.brief for touch in KnobControl.touches(machine, ladder) if touch.axis in axes)
    boxes = [(fold + 4, below[1], low + 2), (left + 4, below[0], low + 2)]
    _write_lines(ax, boxes, [*cautions, *touching], width_mm=66, size_mm=2.2)
    note = "Cut along the dashed line, fold along the dotted one with the print outside."
    _write_text(ax, _A4_MM[0] / 2, low - 6, note, size_mm=2.6, ha="center", va="top")
    _draw_foot(ax, [card_run_on(machine), *_travel_note(machine, ladder)], "card")
    return figure


def _draw_left(ax: Axes, machine: Machine, ladder: Ladder, corner_mm: tuple[float, float]) -> float:
    """The ladder and what each rung is for; returns where the next text may begin [mm]."""
    x, y = corner_mm
    _write_text(ax, x, y, "Distance per click", size_mm=3.4, bold=True, va="top")
    _write_text(ax, x, y - 5, machine.name, size_mm=2.6, fit_mm=66, va="top")
    height = min(10.0, 48 / len(ladder.rungs))
    for rung in ladder.rungs:
        middle = y - 10 - height * (rung.position - 0.5)
        _draw_rung(ax, machine, ladder, rung, (x, middle), min(3.0, 0.62 * height))
        _draw_line(ax, (x, x + 66), (middle - height / 2,) * 2, width_mm=0.1)
    return y - 10 - height * len(ladder.rungs) - 2.5


def _draw_rung(ax: Axes, machine: Machine, ladder: Ladder, rung: Rung, at_mm: tuple[float, float], size_mm: float) -> None:
    (x, y), last = at_mm, len(ladder.rungs)
    ends = {1: "white", last: _INK}
    if rung.position in ends and last > 1:
        ax.add_patch(Circle((x + 2.2, y), 0.72 * size_mm, facecolor=ends[rung.position], edgecolor=_INK, linewidth=0.7))
    color, use = "white" if rung.position == last > 1 else _INK, rung_use(machine, ladder, rung)
    use = "; ".join(filter(None, (use, _travel(machine, ladder).get(rung.position))))
    _write_text(ax, x + 2.2, y, str(rung.position), size_mm=0.85 * size_mm, ha="center", va="center_baseline", color=color)
    gain, own = say_distance(rung.gain_mm, machine.show_in), own_words(ladder, rung.position)
    lift = 0.55 * size_mm if own else 0.0
    _write_text(ax, x + 5.5, y + lift, gain, size_mm=size_mm, fit_mm=14.5, bold=True, va="center_baseline")
    _write_text(ax, x + 5.5, y - lift, own, size_mm=0.8 * size_mm, fit_mm=14.5, bold=True, va="center_baseline")
    _write_text(ax, x + 21, y, use, size_mm=0.85 * size_mm, fit_mm=45, va="center_baseline")


def _draw_right(ax: Axes, shown: Sequence[Row], corner_mm: tuple[float, float]) -> float:
    """Turns to cross and run-on per position and axis; returns where the next text may begin [mm]."""
    x, y = corner_mm
    names = list(dict.fromkeys(row.axis for row in shown))
    count = len(shown) // len(names)
    _write_text(ax, x, y, "Turns to cross, and run-on", size_mm=3.4, bold=True, va="top")
    height = min(10.0, 48 / count)
    two_lines = height > _TWO_LINES_MM
    start = 17.5 if two_lines else 9.0
    columns = [x + start + (n + 0.5) * (66 - start) / len(names) for n in range(len(names))]
    for name, column in zip(names, columns, strict=True):
        _write_text(ax, column, y - 8.5, name, size_mm=3.0, fit_mm=15, bold=True, ha="center", va="center_baseline")
    if not two_lines:
        _draw_pair(ax, "to cross", "· run-on", (x, y - 8.5), 6.0, ha="left")
    for position, here in by_position(shown):
        middle = y - 11 - height * (position - 0.5)
        _write_text(ax, x + 2, middle, str(position), size_mm=min(2.6, 0.6 * height), va="center_baseline")
        if two_lines:
            _draw_pair(ax, "to cross", "run-on", (x + 6, middle), height, ha="left")
        _draw_figures(ax, zip(here, columns, strict=True), middle, height)
        _draw_line(ax, (x, x + 66), (middle - height / 2,) * 2, width_mm=0.1)
    return y - 11 - height * count - 2.5


def _draw_figures(ax: Axes, placed: Iterable[tuple[Row, float]], y_mm: float, height_mm: float) -> None:
    for row, x in placed:
        turns = f"{say_number(row.turns_to_cross, digits=3)} turns"
        run_on = say_distance(row.run_on_mm, row.unit, digits=2)
        if height_mm > _TWO_LINES_MM:
            _draw_pair(ax, turns, run_on, (x, y_mm), height_mm, ha="center")
        else:
            style: dict[str, Any] = {"size_mm": min(2.4, 0.7 * height_mm), "ha": "center", "va": "center_baseline"}
            _write_text(ax, x, y_mm, f"{turns} · {run_on}", fit_mm=17.4, **style)


def _draw_pair(ax: Axes, upper: str, lower: str, at_mm: tuple[float, float], height_mm: float, *, ha: str) -> None:
    x, y = at_mm
    for text, lift in ((upper, 0.22), (lower, -0.22)):
        size = min(2.4, 0.36 * height_mm)
        _write_text(ax, x, y + lift * height_mm, text, size_mm=size, fit_mm=15.4, ha=ha, va="center_baseline")
