"""Short words and tables for panels."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from ..axis.row import rows
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from ..units import say_distance, say_number
from .against_log import log_sentence
from .answer import cautions, given_up, habit_reasons, reasons, rung_reasons
from .compare import expected_words
from .heads import for_people
from .say import letter
from .speak import spoken

if TYPE_CHECKING:
    from ..axis.burst import Burst
    from ..choose.suggest import Suggestion
    from ..logs.log import Log
    from ..measure.compare import Comparison

FAULT = '<span role="alert" class="jogtune-fault"><b>Mind:</b> {}</span>'


def fault_html(text: str) -> str:
    """A fault as a sentence that a screen reader speaks at once."""
    return FAULT.format(html.escape(text))


def bullets(lines: Iterable[str]) -> str:
    """Lines as a list."""
    return "<ul>" + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ul>"


def table_html(heads: Sequence[str], rows: Iterable[Sequence[str]], *, least_rows: int = 0) -> str:
    """A table; with `least_rows` its height stays the same where there are fewer rows."""
    body = ["".join(f"<td>{html.escape(cell)}</td>" for cell in row) for row in rows]
    body += ["<td>&nbsp;</td>" * len(heads)] * max(0, least_rows - len(body))
    head = "".join(f'<th scope="col">{html.escape(name)}</th>' for name in heads)
    lines = "".join(f"<tr>{row}</tr>" for row in body)
    return f'<table class="jogtune-table"><thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table>'


def rung_table(answer: Suggestion, axis_name: str) -> str:
    """What each rung does on one axis: steps, ceiling, turns to cross, run-on, ripple, habit."""
    columns = ("position", "gain", "steps", "full_speed_detents_s", "turns_to_cross", "run_on_mm", "ripple_share", "habit")
    heads, *found = for_people([row for row in answer.rows if row.axis == axis_name], columns)
    return table_html(heads, found, least_rows=answer.machine.selector.positions)


def choose_reasons(answer: Suggestion, log: Log | None) -> str:
    """Why this ladder, what was given up, what the log showed, and the cautions."""
    parts = [f"<b>Why</b>{bullets([*reasons(answer)[1:], *rung_reasons(answer)])}"]
    parts.append(f"<b>Given up</b>{bullets(given_up(answer) or ['nothing'])}")
    if log is not None:
        parts.append(f"<p>{html.escape(log_sentence(log))}</p>")
    parts.append(f"<b>Cautions</b>{bullets(cautions(answer))}")
    return "".join(parts)


def response_words(machine: Machine, axis: Axis, gain_mm: float, bursts: Sequence[tuple[str, Burst]]) -> str:
    """What was drawn, and which habit suits the rung and why."""
    unit = machine.shown_unit(axis)
    lines = []
    for habit, burst in bursts:
        lost = f"; {burst.lost_detents} clicks are lost" if burst.lost_detents else "; every click is finished"
        lines.append(f"{habit}: the axis still travels {say_distance(burst.since_click_mm, unit, digits=3)}{lost}.")
    ladder = Ladder.from_gains([machine.ladder_distance(axis, Fraction(gain_mm))], show_in=machine.show_in)
    row = next(row for row in rows(machine, ladder) if row.axis == axis.name)
    advice = [f"For this rung {row.habit} suits: {'; '.join(habit_reasons(machine, ladder, row))}."]
    return bullets([*lines, *advice, *CAUTIONS])


def comparison_words(found: Comparison) -> str:
    """Each ladder's figures, what was concluded, and what to mind."""

    unit = found.machine.show_in
    rows = [
        [
            letter(i), result.label, expected_words(result),
            "" if result.measured.value is None else f"{say_number(result.measured.value, digits=3)} s",
            say_distance(result.run_on_mm, unit, digits=3),
            "" if result.lost_detents is None else str(result.lost_detents),
        ]
        for i, result in enumerate(found.ladders)
    ]  # fmt: skip
    heads = ["ladder", "a click", "expected a task (s)", "measured", "runs on, at most", "clicks lost by forgiving"]
    return table_html(heads, rows) + bullets(spoken(found.notes))


CAUTIONS = (
    "jogtune calculates; it is no safety device. Keep a hard-wired stop within reach and hands clear; a lost link "
    "must mean stop. The machine's manual, its risk assessment and local rules come first.",
)
