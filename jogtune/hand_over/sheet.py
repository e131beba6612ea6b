"""The bench sheet."""

import itertools
import math
import shlex
from collections.abc import Sequence
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..axis.row import rows as rungs
from ..bench.readings import ROUNDS, Expected, expected_readings
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from ..units import say_distance
from ..words.speak import GENERAL
from .paper import _A4_MM, _draw_line, _draw_ruler, _fold_text, _new_page, _write_text

_ROWS_PER_PAGE = 8
_LEFT, _WIDE, _BOX = 15.0, 267.0, 23.0
_COLUMNS = {"no.": 9.0, "per click": 23.0, "clicks": 13.0, "read with": 29.0, "up should be": 27.0, "back should be": 28.0}
_EDGES = list(itertools.accumulate([_LEFT, *_COLUMNS.values(), *[_BOX] * 2 * ROUNDS]))
_READINGS = "bench.csv"


def _bench_steps(machine: Machine, axis: Axis, ladder: Ladder, readings: str | None = None) -> tuple[str, ...]:
    """The bench routine for an axis, step by step; `readings` is the table to type into, written with the sheet, or else
    the command is told that writes one for the very ladder."""
    file = shlex.quote(Path(machine.source).name) if machine.source else "MACHINE.toml"
    gains = shlex.quote(ladder.say()) if ladder.own else ladder.say().rpartition(" ")[0].replace(" ", "")
    table, made = readings or _READINGS, "written with this sheet"
    if readings is None:
        made = f"make it with `jogtune export {file} --ladder={gains} --readings {_READINGS}`"
    stand = (
        "Put the dial on a firm stand, square to the axis, or clamp a pointer on an arm 57.3 mm from the centre: "
        "there 1 mm is 1 degree."
        if axis.rotary
        else "Put the indicator on a firm stand, square to the axis; a tilt of 8 degrees reads 1 % short."
    )
    way = (
        "Up means away from the work on Z. Begin low enough for every rung to go up, with nothing above in the way."
        if axis.name.upper() == "Z"
        else "Up means plus. Begin where the longest run below is free, with nothing in its way."
    )
    return (
        f"Spindle off, tool clear, hands out of the way, a hard-wired stop within reach. {stand}",
        way,
        'No one else near on rungs marked "nobody near": a stray click passes the calm speed there, or none is known. With someone '
        'near no mark replaces the clamp. "Dial off first": a hurried click, its own distance and what the axis then runs on, is '
        "more than half of what the dial has left.",
        "On each rung: turn up until the indicator follows (the slack is taken up), then set it to zero.",
        "Turn the clicks up, one at a time, stop, read, write. Turn as many back, stop, read, write. Three rounds; "
        "write what the dial shows, not how far it moved, and don't set to zero in between.",
        f"Type the readings into {table} (empty where you could not read; {made}) and let "
        f"`jogtune readings {table} --machine {file}` say what they mean.",
    )


def _draw_sheets(machine: Machine, ladder: Ladder, readings: str | None = None) -> list[Figure]:
    """The bench sheet as A4 pages across, one per axis (more where an axis has over eight rungs)."""
    pages = []
    for axis in machine.axes:
        rows = expected_readings(machine, axis, ladder)
        parts = [rows[n : n + _ROWS_PER_PAGE] for n in range(0, len(rows), _ROWS_PER_PAGE)] or [()]
        steps = _bench_steps(machine, axis, ladder, readings)
        pages += [_draw_sheet(machine, axis, ladder, part, steps) for part in parts]
    return pages


def _draw_sheet(machine: Machine, axis: Axis, ladder: Ladder, rows: Sequence[Expected], steps: Sequence[str]) -> Figure:
    high, wide = _A4_MM
    figure, ax = _new_page(wide, high)
    title = f"Bench sheet: {machine.name}, axis {axis.name}"
    _write_text(ax, _LEFT, high - 12, title, size_mm=4.6, fit_mm=185, bold=True, va="top")
    blanks = "Date ____________  Name ____________"
    _write_text(ax, _LEFT + _WIDE, high - 12.5, blanks, size_mm=3.0, ha="right", va="top")
    y = high - 22
    for number, step in enumerate(steps, start=1):
        _write_text(ax, _LEFT, y, f"{number}.", size_mm=2.9, va="top")
        for line in _fold_text(step, _WIDE - 6, 2.9):
            _write_text(ax, _LEFT + 6, y, line, size_mm=2.9, va="top")
            y -= 4.1
        y -= 0.6
    _draw_table(ax, machine, axis, ladder, rows, y - 2)
    slack = say_distance(axis.slack_mm, machine.shown_unit(axis))
    by = "by the machine file" if machine.knows(axis.name, "slack_mm") else "assumed, as the machine file gives none"
    rounds = f"Back should be what the slack leaves: {slack} {by}. ± is instrument and machine together."
    _write_text(ax, _LEFT, 21, rounds, size_mm=2.6, va="top")
    _write_text(ax, _LEFT, 16.5, GENERAL[0], size_mm=2.6, va="top")
    _draw_ruler(ax, _LEFT + _WIDE - 52, 7)
    return figure


def _draw_table(ax: Axes, machine: Machine, axis: Axis, ladder: Ladder, rows: Sequence[Expected], top_mm: float) -> None:
    head = 11.0
    names = [*_COLUMNS, *(f"{way} {n}" for n in range(1, ROUNDS + 1) for way in ("up", "back"))]
    for n, name in enumerate(names):
        _write_cell(ax, n, top_mm - head / 2, name, size_mm=2.7, bold=True)
    near = {gain.gain_mm: gain.near_people for gain in rungs(machine, ladder) if gain.axis == axis.name}
    height = min(13.5, (top_mm - head - 34) / max(len(rows), 1))
    for n, row in enumerate(rows):
        _draw_row(ax, machine, axis, row, top_mm - head - n * height, height, alone=near[float(row.gain_mm)] != "yes")
    bottom = top_mm - head - height * len(rows)
    for y in [top_mm, *(top_mm - head - n * height for n in range(len(rows) + 1))]:
        _draw_line(ax, (_EDGES[0], _EDGES[-1]), (y, y), width_mm=0.2)
    for n, x in enumerate(_EDGES):
        _draw_line(ax, (x, x), (bottom, top_mm), width_mm=0.4 if n >= 6 and n % 2 == 0 else 0.15)
    if not rows:
        _write_text(ax, _LEFT, bottom - 3, "No rung of this ladder fits the reach of this axis.", va="top")


def _draw_row(ax: Axes, machine: Machine, axis: Axis, row: Expected, top_mm: float, height_mm: float, *, alone: bool) -> None:
    unit = machine.shown_unit(axis)
    within = say_distance(row.within_mm, unit, digits=3).split()[0]
    up, back = (say_distance(value, unit, digits=5) for value in (row.up_mm, row.back_mm))
    below = {1: "nobody near" if alone else "", 3: "" if row.instrument.stroke_mm < math.inf else "dial off first"}
    below |= dict.fromkeys((4, 5), f"± {within}")
    cells = (str(row.position), say_distance(row.gain_mm, unit), f"± {row.detents}", row.instrument.name, up, back)
    for n, text in enumerate(cells):
        _write_cell(ax, n, top_mm - (0.32 if below.get(n) else 0.5) * height_mm, text, size_mm=2.9)
        if below.get(n):
            _write_cell(ax, n, top_mm - 0.72 * height_mm, below[n], size_mm=2.4)


def _write_cell(ax: Axes, column: int, y_mm: float, text: str, *, size_mm: float, bold: bool = False) -> None:
    left, right = _EDGES[column : column + 2]
    _write_text(ax, (left + right) / 2, y_mm, text, size_mm=size_mm, fit_mm=right - left - 2, bold=bold, ha="center",
                va="center_baseline")  # fmt: skip
