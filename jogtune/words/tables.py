"""Rows and tables for people."""

from __future__ import annotations

import html
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..axis.row import Row
from ..signs import WIDE, cells, visible
from ..units import UNIT_FACTORS, say_number

if TYPE_CHECKING:
    import pandas as pd

Table = Sequence[Sequence[str]]
"""Heads first, then the rows, each a sequence of texts of one length."""


def _as_text(table: Table) -> str:
    """A table in columns, right-aligned, two spaces between; on a terminal that is narrower, a line for each cell."""
    table = [[visible(cell, keep="") for cell in row] for row in table]
    widths = [max(map(cells, column)) for column in zip(*table, strict=True)]
    if 0 < WIDE.get() < sum(widths) + 2 * len(widths) - 2:
        heads, *rows = table
        return "\n\n".join("\n".join(f"{head}: {cell}" for head, cell in zip(heads, row, strict=True) if cell) for row in rows)
    lines = ((" " * (wide - cells(cell)) + cell for cell, wide in zip(row, widths, strict=True)) for row in table)
    return "\n".join("  ".join(line).rstrip() for line in lines)


def _as_html(table: Table) -> str:
    """A table in HTML, every text escaped."""
    heads, *rows = ([html.escape(cell) for cell in row] for row in table)
    top = "".join(f'<th scope="col">{head}</th>' for head in heads)
    body = "".join("<tr>" + "".join(f"<td>{cell}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"


def as_markdown(table: Table) -> str:
    """A table in Markdown, what would format escaped."""
    heads, *rows = ([escaped(cell) for cell in row] for row in table)
    return "\n".join(f"| {' | '.join(row)} |" for row in [heads, ["---"] * len(heads), *rows])


def escaped(text: str) -> str:
    """A text that stays one line of Markdown and makes no markup."""
    return "".join(f"\\{sign}" if sign in "\\`*_[]|#<&$" else sign for sign in visible(text, keep=""))


def of_frame(frame: pd.DataFrame) -> list[list[str]]:
    """A frame as a table of texts."""
    return [[str(name) for name in frame], *([str(value) for value in row] for row in frame.itertuples(index=False))]


@dataclass(frozen=True)
class _Head:
    """A column's head, how a row's value is said (without the unit, which stands in the head), and what it means."""

    head: str
    say: Callable[[Row], str]
    means: str = ""


def _length(name: str) -> Callable[[Row], str]:
    return lambda row: say_number(getattr(row, name) / float(UNIT_FACTORS[row.unit]), digits=3)


def _number(name: str) -> Callable[[Row], str]:
    return lambda row: say_number(getattr(row, name), digits=3)


def _mind(row: Row) -> str:
    notes = [f"finer than real {'after a reversal' if row.finer_than == 'reversal' else 'one way'}"] if row.finer_than else []
    if row.outruns_steady:
        notes.append("a steady hand outruns it")
    if row.above_cap and row.calm_mm_s < row.full_speed_detents_s * row.gain_mm:
        notes.append("passes the calm speed unless the axis is clamped")
    elif row.hurried_mm_s > row.calm_mm_s * (1 + 1e-12):
        notes.append("turned fast, passes the calm speed unless the axis is clamped")
    return "; ".join(notes)


_HEADS: dict[str, _Head] = {
    "position": _Head("position", lambda row: str(row.position)),
    "gain": _Head("a click", lambda row: f"{row.gain} {row.unit}"),
    "axis": _Head("axis", lambda row: row.axis),
    "multiplier": _Head("multiplier", lambda row: f"×{row.multiplier}"),
    "steps": _Head("motor steps", lambda row: say_number(row.steps, digits=5) + " (not whole)" * (not row.whole_step),
                   "what a click is in motor steps"),
    "full_speed_detents_s": _Head("keeps up to (clicks/s)", _number("full_speed_detents_s"), "turned faster, the axis lags"),
    "turns_to_cross": _Head("turns to cross", _number("turns_to_cross"), "turns of the knob from end to end"),
    "run_on_mm": _Head("run-on", _length("run_on_mm"), "how far the axis still travels after a steady hand has stopped"),
    "hurried_run_on_mm": _Head("turned hard", lambda row: _length("hurried_run_on_mm")(row) + " (its reach)" * row.hurried_at_reach,
                               "the same after a second at the fastest rate, with no limit set"),
    "stray_mm_s": _Head("stray click (/s)", _length("stray_mm_s"), "the highest speed of one accidental click"),
    "near_people": _Head("near people", lambda row: row.near_people, "whether a stray click stays within the calm speed"),
    "ripple_share": _Head(
        "ripple", lambda row: "stop-and-go" if row.stop_and_go else f"±{say_number(100 * row.ripple_share, digits=2)} %",
        "how far the speed swings about its mean; stop-and-go: it rests between clicks"),
    "habit": _Head("habit", lambda row: row.habit, "owe: finish every click; limit: drop those beyond the limit; dash: each "
                  "move at top speed; spread: over one report interval"),
    "free_detents_s": _Head(
        "keeps clicks to (clicks/s)", lambda row: f"{_number('free_detents_s')(row)}, {row.kind}" if row.free_detents_s else "none",
        "with the limit set, no click is lost up to this rate; exact: twice a steady hand's; even: a steady hand's; travel: less; "
        "none: one click is over the limit"),
    "mind": _Head("mind", _mind),
}  # fmt: skip
TABLE = (
    "position", "gain", "axis", "steps", "full_speed_detents_s", "turns_to_cross", "run_on_mm", "hurried_run_on_mm",
    "ripple_share", "habit", "free_detents_s",
)  # fmt: skip
"""The columns a person reads, in order."""


def for_people(rows: Iterable[Row], columns: Sequence[str] = TABLE) -> list[list[str]]:
    """Heads, then a list of cells per row."""
    return [[_HEADS[name].head for name in columns], *([_HEADS[name].say(row) for name in columns] for row in rows)]


def meanings(columns: Sequence[str] = TABLE) -> list[str]:
    """What the columns mean, a sentence each, where the head does not say it all."""
    return [f"{_HEADS[name].head.split(' (')[0]}: {_HEADS[name].means}." for name in columns if _HEADS[name].means]
