"""Short words and tables for panels."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from ..axis.advice import axis_answer
from ..machine.model import Axis, Machine
from ..units import in_unit, say_distance, say_number
from .answer import log_sentence
from .cautions import FASTER_IS_NOT_SAFER
from .say import letter

if TYPE_CHECKING:
    from ..axis.advice import Answer
    from ..axis.burst import Burst
    from ..choose.suggest import Suggestion
    from ..logs.log import Log
    from ..measure.compare import Comparison, LadderResult

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


def rung_answer(machine: Machine, axis: Axis, gain_mm: float) -> Answer:
    """How an axis answers a rung at the turn rates and over the link of its machine."""
    return axis_answer(machine, axis, machine.ladder_distance(axis, Fraction(gain_mm)))


def ripple_words(responds: Answer) -> str:
    """How evenly the axis moves while the hand turns steadily."""
    if responds.ripple.stop_and_go:
        return "stop and go"
    return f"± {say_number(100 * responds.ripple.share, digits=2)} %"


def rung_table(answer: Suggestion, axis_name: str) -> str:
    """What each rung does on one axis: steps, ceiling, turns to cross, run-on, ripple, habit."""
    machine = answer.machine
    axis = machine.axis(axis_name)
    unit = machine.shown_unit(axis)
    rows = []
    for rung, axes, replies in zip(answer.ladder.rungs, answer.figures, answer.answers, strict=True):
        figure, responds = axes[axis_name], replies[axis_name]
        whole = "" if figure.whole_step else " (not whole)"
        rows.append([
            f"{rung.position} (×{rung.multiplier})", f"{say_number(in_unit(figure.gain_mm, unit))} {unit}",
            f"{say_number(figure.steps_per_detent, digits=5)}{whole}",
            say_number(figure.full_speed_turn_rate, digits=3), say_number(figure.turns_to_cross, digits=3),
            say_distance(responds.run_on_mm, unit, digits=2),
            ripple_words(responds), responds.habit,
        ])  # fmt: skip
    heads = [
        "position", "a click", "motor steps", "full speed at (detents/s)", "turns to cross",
        "runs on (steady hand)", "ripple", "habit that suits",
    ]  # fmt: skip
    return table_html(heads, rows, least_rows=machine.selector.positions)


def choose_reasons(answer: Suggestion, log: Log | None) -> str:
    """Why this ladder, what was given up, what the log showed, and the cautions."""
    parts = [f"<b>Why</b>{bullets([*answer.reasons[1:], *answer.rung_reasons])}"]
    parts.append(f"<b>Given up</b>{bullets(answer.given_up or ['nothing'])}")
    if log is not None:
        parts.append(f"<p>{html.escape(log_sentence(log))}</p>")
    parts.append(f"<b>Cautions</b>{bullets(answer.cautions)}")
    return "".join(parts)


def response_words(machine: Machine, axis: Axis, gain_mm: float, bursts: Sequence[tuple[str, Burst]]) -> str:
    """What was drawn, and which habit suits the rung and why."""
    unit = machine.shown_unit(axis)
    lines = []
    for habit, burst in bursts:
        lost = f"; {burst.lost_detents} clicks are lost" if burst.lost_detents else "; every click is finished"
        lines.append(f"{habit}: the axis still travels {say_distance(burst.since_click_mm, unit, digits=3)}{lost}.")
    responds = rung_answer(machine, axis, gain_mm)
    advice = [f"For this rung {responds.habit} suits: {'; '.join(responds.reasons)}."]
    return bullets([*lines, *advice, *CAUTIONS])


def comparison_words(found: Comparison) -> str:
    """Each ladder's figures, what was concluded, and what to mind."""

    unit = found.machine.show_in
    rows = [
        [
            letter(i), result.label, _time_words(result),
            "" if result.measured.value is None else f"{say_number(result.measured.value, digits=3)} s",
            say_distance(result.run_on_mm, unit, digits=3),
            "" if result.lost_detents is None else str(result.lost_detents),
        ]
        for i, result in enumerate(found.ladders)
    ]  # fmt: skip
    heads = ["ladder", "a click", "expected a task", "measured", "runs on, at most", "clicks lost by forgiving"]
    lines = [reason for result in found.ladders for reason in result.impossible] + list(found.remarks)
    if found.held_out_error is not None:
        off = round(100 * found.held_out_error)
        lines.insert(0, f"On tasks it had not seen the prediction is {off} % off a single one (RMS).")
    return table_html(heads, rows) + bullets([*lines, FASTER_IS_NOT_SAFER])


def _time_words(result: LadderResult) -> str:
    if result.expected_time_s is None:
        return "can't do every task"
    shown = f"{say_number(result.expected_time_s, digits=3)} s"
    if result.low is None or result.high is None:
        return shown
    return f"{shown} ({say_number(result.low, digits=3)} to {say_number(result.high, digits=3)})"


CAUTIONS = (
    "jogtune calculates; it is no safety device. Keep a hard-wired stop within reach and hands clear; a lost link "
    "must mean stop. The machine's manual, its risk assessment and local rules come first.",
)
