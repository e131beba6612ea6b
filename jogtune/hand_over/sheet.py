"""The bench sheet for a dial indicator."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..bench.diagnose import Diagnosis
from ..bench.expected import ROUNDS, Expected, expected_readings
from ..files import write_whole
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from ..units import say_distance, say_number
from ..words.cautions import GENERAL
from .paper import A4_MM, draw_line, draw_ruler, fold_text, new_page, page_bytes, page_kind, text_width, write_text

ROWS_PER_PAGE = 8
_LEFT, _WIDE, _BOX = 15.0, 267.0, 23.0
_COLUMNS = (("no.", 9.0), ("per click", 23.0), ("clicks", 13.0), ("read with", 29.0), ("up", 27.0), ("back", 28.0))
READINGS = "bench.csv"
MAKE_READINGS = f"make it with `jogtune export MACHINE.toml --readings {READINGS}`"


def bench_steps(
    machine: Machine, axis: Axis, *, readings: str = READINGS, made: str = MAKE_READINGS, machine_file: str = "MACHINE.toml"
) -> tuple[str, ...]:
    """The bench routine for an axis, step by step; `readings` is the table to type into, `made` how it came to be."""
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
        "On each rung: turn up until the indicator follows (the slack is taken up), then set it to zero.",
        "Turn the clicks up, one at a time, stop, read, write. Turn as many back, stop, read, write. Three rounds; "
        "write what the dial shows, not how far it moved, and don't set to zero in between.",
        f"Type the readings into {readings} (empty where you could not read; {made}) and let "
        f"`jogtune readings {readings} --machine {machine_file}` say what they mean.",
    )


def draw_sheets(machine: Machine, ladder: Ladder, **files: str) -> list[Figure]:
    """The bench sheet as A4 pages across, one per axis (more where an axis has over eight rungs).

    `files` are what `bench_steps` takes: `readings`, `made` and `machine_file`.
    """
    pages = []
    for axis in machine.axes:
        rows = expected_readings(machine, axis, ladder)
        parts = [rows[n : n + ROWS_PER_PAGE] for n in range(0, len(rows), ROWS_PER_PAGE)] or [()]
        steps = bench_steps(machine, axis, **files)
        pages += [_draw_sheet(machine, axis, part, steps) for part in parts]
    return pages


def _draw_sheet(machine: Machine, axis: Axis, rows: Sequence[Expected], steps: Sequence[str]) -> Figure:
    high, wide = A4_MM
    figure, ax = new_page(wide, high)
    title = f"Bench sheet: {machine.name}, axis {axis.name}"
    size = min(4.6, 4.6 * 185 / text_width(title, 4.6, bold=True))
    write_text(ax, _LEFT, high - 12, title, size_mm=size, weight="bold", va="top")
    blanks = "Date ____________  Name ____________"
    write_text(ax, _LEFT + _WIDE, high - 12.5, blanks, size_mm=3.0, ha="right", va="top")
    y = _draw_steps(ax, steps, high - 22)
    _draw_table(ax, machine, axis, rows, y - 2)
    _draw_sheet_foot(ax, machine, axis)
    return figure


def _draw_steps(ax: Axes, steps: Sequence[str], y_mm: float) -> float:
    for number, step in enumerate(steps, start=1):
        write_text(ax, _LEFT, y_mm, f"{number}.", size_mm=2.9, va="top")
        for line in fold_text(step, _WIDE - 6, 2.9):
            write_text(ax, _LEFT + 6, y_mm, line, size_mm=2.9, va="top")
            y_mm -= 4.1
        y_mm -= 0.6
    return y_mm


def _edges() -> list[float]:
    edges = [_LEFT]
    for _, width in _COLUMNS:
        edges.append(edges[-1] + width)
    return edges + [edges[-1] + _BOX * n for n in range(1, 2 * ROUNDS + 1)]


def _draw_table(ax: Axes, machine: Machine, axis: Axis, rows: Sequence[Expected], top_mm: float) -> None:
    edges, head = _edges(), 11.0
    names = [name for name, _ in _COLUMNS] + [f"{way} {n}" for n in range(1, ROUNDS + 1) for way in ("up", "back")]
    names[4], names[5] = "up should be", "back should be"
    for left, right, name in zip(edges, edges[1:], names, strict=False):
        size = min(2.7, 2.7 * (right - left - 2) / text_width(name, 2.7, bold=True))
        middle = ((left + right) / 2, top_mm - head / 2)
        write_text(ax, *middle, name, size_mm=size, weight="bold", ha="center", va="center_baseline")
    height = min(13.5, (top_mm - head - 34) / max(len(rows), 1))
    for n, row in enumerate(rows):
        _draw_row(ax, machine, axis, row, top_mm - head - n * height, height)
    bottom = top_mm - head - height * len(rows)
    for y in [top_mm, *(top_mm - head - n * height for n in range(len(rows) + 1))]:
        draw_line(ax, (edges[0], edges[-1]), (y, y), width_mm=0.2)
    for n, x in enumerate(edges):
        draw_line(ax, (x, x), (bottom, top_mm), width_mm=0.4 if n >= 6 and n % 2 == 0 else 0.15)
    if not rows:
        write_text(ax, _LEFT, bottom - 3, "No rung of this ladder fits the reach of this axis.", va="top")


def _draw_row(ax: Axes, machine: Machine, axis: Axis, row: Expected, top_mm: float, height_mm: float) -> None:
    unit, edges = machine.shown_unit(axis), _edges()
    within = say_distance(row.within_mm, unit, digits=3).split()[0]
    up, back = (say_distance(value, unit, digits=5) for value in (row.up_mm, row.back_mm))
    cells = (
        str(row.position), say_distance(row.gain_mm, unit), f"± {row.detents}", row.instrument.name,
        up, back,
    )  # fmt: skip
    for n, text in enumerate(cells):
        middle, room = (edges[n] + edges[n + 1]) / 2, edges[n + 1] - edges[n] - 2
        size = min(2.9, 2.9 * room / text_width(text, 2.9))
        lift = 0.18 * height_mm if n >= 4 else 0.0
        write_text(ax, middle, top_mm - height_mm / 2 + lift, text, size_mm=size, ha="center", va="center_baseline")
        if n >= 4:
            y = top_mm - 0.72 * height_mm
            write_text(ax, middle, y, f"± {within}", size_mm=2.4, ha="center", va="center_baseline")


def _draw_sheet_foot(ax: Axes, machine: Machine, axis: Axis) -> None:
    slack = say_distance(axis.slack_mm, machine.shown_unit(axis))
    rounds = f"Back should be what the slack leaves: {slack} by the machine file. ± is instrument and machine together."
    write_text(ax, _LEFT, 21, rounds, size_mm=2.6, va="top")
    write_text(ax, _LEFT, 16.5, GENERAL[0], size_mm=2.6, va="top")
    draw_ruler(ax, _LEFT + _WIDE - 52, 7)


def write_sheets(path: str | Path, machine: Machine, ladder: Ladder, *, overwrite: bool = False) -> Path:
    """Write the bench sheet as one .pdf with a page per axis, whole or not at all; returns the path."""
    page_kind(path, ("pdf",))
    return write_whole(path, page_bytes(draw_sheets(machine, ladder), "pdf"), overwrite=overwrite)


def diagnosis_as_text(found: Diagnosis, *, remarks: Sequence[str] = ()) -> str:
    """A diagnosis as text for people: the verdict per axis, then the causes ranked with their evidence."""
    said: dict[str, list[str]] = {}
    for item in found.findings:
        said.setdefault(f"{item.verdict} ({item.why})", []).append(item.axis)
    lines = [f"{found.machine}: {found.verdict}", *(f"  remark: {remark}" for remark in remarks)]
    lines += [f"  {'axis' if len(axes) == 1 else 'axes'} {', '.join(axes)}: {text}" for text, axes in said.items()]
    for number, cause in enumerate(found.causes, start=1):
        share = say_number(100 * cause.likelihood, digits=2)
        lines.append(f"{number}. {cause.kind} on {', '.join(cause.axes)} ({share} %)")
        lines += [f"   {line}" for line in cause.evidence]
        lines += [f"   to do: {line}" for line in cause.cure]
    return "\n".join(lines)
