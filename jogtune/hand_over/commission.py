"""The commissioning sheet and its table."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..bench.commission import Commissioning
from ..words.checks import BEFORE, EVIDENCE, told_tests
from ..words.speak import spoken
from .paper import _A4_MM, _draw_line, _fold_text, _new_page, _write_text

_LEFT, _WIDE, _TOP, _FOOT, _NAMES = 15.0, 180.0, 285.0, 24.0, 30.0
_AXES_PER_SHEET, _SIZE, _SMALL, _LINE, _ROW, _VERDICT = 4, 2.5, 2.1, 3.5, 8.0, 5.0

_Told = tuple[Any, str, str]
"""A figure to read, where and how much to turn, what passes."""


class _Pages:
    """A4 pages filled from the top down."""

    def __init__(self, asked: Commissioning) -> None:
        self.asked, self.figures = asked, list[Figure]()
        self.begin()

    def begin(self) -> None:
        machine, first = self.asked.machine, not self.figures
        figure, self.ax = _new_page(*_A4_MM)
        self.figures.append(figure)
        title = f"Commissioning: {machine.name}" + ("" if first else f", page {len(self.figures)}")
        _write_text(self.ax, _LEFT, _TOP, title, size_mm=4.6, fit_mm=105, bold=True, va="top")
        blanks = "Date ____________  Name ________________"
        _write_text(self.ax, _LEFT + _WIDE, _TOP - 0.5, blanks, size_mm=2.8, ha="right", va="top")
        self.y = _TOP - 9
        file = f"Machine file {Path(machine.source).name or 'not given'}, SHA-256 {machine.sha256 or 'not given'}"
        _write_text(self.ax, _LEFT, 10, file, size_mm=2.2, fit_mm=_WIDE)
        for n, line in enumerate(_fold_text(EVIDENCE, _WIDE, 2.4)):
            _write_text(self.ax, _LEFT, _FOOT - 4 - _LINE * n, line, size_mm=2.4, va="top")
        if first:
            self.sentences([f"Ladder: {self.asked.ladder.say()}.", BEFORE])

    def sentences(self, texts: Sequence[str]) -> None:
        """Sentences over the whole width, on a new page where they don't fit."""
        for line in (line for text in texts for line in _fold_text(text, _WIDE, _SIZE)):
            if self.y - _LINE < _FOOT:
                self.begin()
            _write_text(self.ax, _LEFT, self.y, line, size_mm=_SIZE, va="top")
            self.y -= _LINE
        self.y -= 1.5

    def test(self, title: str, said: Sequence[str], rows: Sequence[Sequence[_Told | None]], axes: Sequence[str]) -> None:
        """A test with its sentences and a place for each figure of each axis; it is kept on one page where a page will do."""
        wide = (_WIDE - _NAMES) / len(axes)
        edges = [_LEFT + _NAMES + n * wide for n in range(len(axes))]
        setups = [[_fold_text(told[1], wide - 2, _SMALL) if told else [] for told in row] for row in rows]
        heights = [_ROW + _LINE * 0.75 * (max(map(len, row)) - 1) for row in setups]
        lines = sum(len(_fold_text(text, _WIDE, _SIZE)) for text in said)
        if self.y - (6 + _LINE * lines + sum(heights) + _VERDICT) < _FOOT:
            self.begin()
        _write_text(self.ax, _LEFT, self.y, title, size_mm=3.1, bold=True, va="top")
        self.y -= 4.6
        self.sentences(said)
        for row, setup, high in zip(rows, setups, heights, strict=True):
            if self.y - high - _VERDICT < _FOOT:
                self.begin()
            _line(self.ax, self.y)
            check = next(told for told in row if told)[0]
            _write_text(self.ax, _LEFT, self.y - high / 2, f"{check.test} {check.what}", fit_mm=_NAMES - 1, va="center")
            for x, told, texts in zip(edges, row, setup, strict=True):
                if told:
                    for n, line in enumerate(texts):
                        _write_text(self.ax, x, self.y - 0.9 - _LINE * 0.75 * n, line, size_mm=_SMALL, va="top")
                    bottom = self.y - high
                    _write_text(self.ax, x, bottom + 3.6, told[2], size_mm=2.6, fit_mm=wide * 0.58, va="top")
                    _draw_line(self.ax, (x + wide * 0.61, x + wide - 2), (bottom + 1.2,) * 2, width_mm=0.2)
            self.y -= high
        _line(self.ax, self.y)
        for x, axis, column in zip(edges, axes, zip(*rows, strict=True), strict=True):
            if any(column):
                boxes = f"{axis}:  ☐ pass   ☐ fail   ☐ not done"
                _write_text(self.ax, x, self.y - 1, boxes, size_mm=2.4, fit_mm=wide - 2, va="top")
        self.y -= _VERDICT + 2.5


def _line(ax: Axes, y: float) -> None:
    _draw_line(ax, (_LEFT, _LEFT + _WIDE), (y, y), width_mm=0.12)


def _draw_commissioning(asked: Commissioning) -> list[Figure]:
    """The sheet as A4 pages; axes beyond the fourth on pages of their own."""
    pages, names = _Pages(asked), [axis.name for axis in asked.machine.axes]
    for start in range(0, len(names), _AXES_PER_SHEET):
        axes = names[start : start + _AXES_PER_SHEET]
        for number, name, said, figures in told_tests(asked):
            if rows := _rows([told for told in figures if told[0].axis in axes], axes):
                pages.test(f"{number}. {name}", said, rows, axes)
    pages.sentences(["Not tested:", *spoken(asked.left_out)] if asked.left_out else [])
    return pages.figures


def _rows(figures: Sequence[_Told], axes: Sequence[str]) -> list[list[_Told | None]]:
    """Figures in rows, the nth of a kind of each axis in its nth row, a column per axis."""
    found: dict[tuple[str, int], dict[str, _Told]] = {}
    for told in figures:
        nth = sum(key[0] == told[0].test and told[0].axis in row for key, row in found.items())
        found.setdefault((told[0].test, nth), {})[told[0].axis] = told
    return [[row.get(axis) for axis in axes] for _, row in sorted(found.items())]
