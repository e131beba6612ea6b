"""Answers and panels in HTML."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from ..axis.row import rows
from ..files import Fault
from ..ladder.ladder import Ladder
from ..machine.model import Machine
from ..signs import visible
from ..units import say_distance, say_number
from .answer import SAFETY, _Breath, breath, cautions, given_up, habit_reasons, reasons, rung_reasons
from .compare import _expected_words
from .logs import log_sentence
from .notes import _NOTES
from .say import counted, letter
from .speak import spoken, spoken_cautions
from .tables import _as_html, for_people, meanings

if TYPE_CHECKING:
    from ..axis.advice import Burst
    from ..choose.suggest import Suggestion
    from ..logs.log import Log
    from ..measure.compare import Comparison


def _answer_html(found: _Breath) -> str:
    """The answer in one breath, as HTML."""
    first = "".join(f"<p><strong>Look at this first:</strong> {html.escape(text)}</p>" for text in found.first)
    table = _as_html([("position", "a click", "for", "mind"), *found.rungs])
    said = "".join(f"<p>{html.escape(text)}</p>" for text in (found.good, found.firmware, SAFETY, found.worth) if text)
    return f"<p><strong>{html.escape(found.title)}</strong></p>{first}{table}{said}"


def _bullets(lines: Iterable[str]) -> str:
    """Lines as a list."""
    return "<ul>" + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ul>"


def result_html(result: Any, *, answer: str, why: str) -> str:
    """Any result for a notebook; of a suggestion the answer is a table, of others the text as it is printed.

    A caution that the text holds stands in the list below it instead, where it wraps on a narrow screen."""
    grave = spoken_cautions(result.notes)
    for text in grave:
        answer = re.sub(r"\s+".join(map(re.escape, text.split())), "", answer).rstrip()
    own = hasattr(result, "ladder") and hasattr(result, "base")
    said = _answer_html(breath(result)) if own else f"<pre>{html.escape(answer)}</pre>"
    cautions = f"<details open><summary>Cautions</summary>{_bullets(grave)}</details>" if grave else ""
    table = result.table.head(60).to_html(index=False, border=0)
    return visible(
        f'<style>{_STYLE}</style><div class="jogtune-result">{said}{cautions}'
        f"<details><summary>Why</summary><pre>{html.escape(why)}</pre></details>"
        f"<details><summary>Table</summary>{table}</details></div>"
    )


_STYLE = (
    ".jogtune-result pre { font-family: monospace !important; white-space: pre !important; overflow-x: auto; }"
    " .jogtune-result > table :is(th, td) { text-align: left !important; }"
    " .jogtune-result details { overflow-x: auto; }"
)


_COLUMNS = (
    "position", "multiplier", "gain", "steps", "full_speed_detents_s", "turns_to_cross", "run_on_mm", "hurried_run_on_mm",
    "ripple_share", "habit",
)  # fmt: skip
_CURES = {"exists": "choose another name, or tick the box above"}


def fault_html(faults: Iterable[Fault], *, named: bool = True) -> str:
    """Faults as sentences that a screen reader speaks at once; without their place where they stand beside it."""
    parts = ((f.where if named else "", f.value, f.rule, _CURES.get(f.kind, f.cure)) for f in faults)
    text = html.escape(" ".join(str(Fault(*part)) for part in parts))
    return f'<span role="alert" class="jogtune-fault"><b>Mind:</b> {text}</span>'


def rung_table(answer: Suggestion, axis: str) -> str:
    """What each rung does on one axis; as high as for a rung on every position. Each cell knows its head, for where a screen has no
    room for columns."""
    heads, *mine = for_people([row for row in answer.rows if row.axis == axis], _COLUMNS)
    empty = [["\u00a0"] * len(_COLUMNS)] * (answer.machine.selector.positions - len(mine))
    names, table = iter([html.escape(head) for head in heads] * len(mine)), _as_html([heads, *mine, *empty])
    return re.sub("<td>", lambda _: f'<td data-head="{next(names)}">', table, count=len(mine) * len(heads))


def choose_words(answer: Suggestion, log: Log | None, findings: Sequence[str] = ()) -> str:
    """The answer in one breath, every caution, and what a log says, `findings` or only what it holds; the rest folded."""
    logged = [] if log is None else list(findings) or [log_sentence(log, answer.machine)]
    guessed = f"<p>Its columns are a guess. Check them:</p><pre>{html.escape(log.map_text())}</pre>" if log and log.guessed else ""
    folded = {
        "Why": [*rung_reasons(answer), *reasons(answer)],
        "Given up": given_up(answer) or ["nothing"],
        "In the table": meanings(_COLUMNS),
    }
    return visible("".join([
        _answer_html(breath(answer)), f"<b>Cautions</b>{_bullets(cautions(answer))}",
        f"<b>The log</b>{_bullets(logged)}{guessed}" if logged else "",
        *(f"<details><summary>{title}</summary>{_bullets(lines)}</details>" for title, lines in folded.items()),
    ]))  # fmt: skip


def response_words(machine: Machine, ladder: Ladder, axis: str, position: int, bursts: Sequence[tuple[str, Burst]]) -> str:
    """What was drawn, which habit suits the rung and why, and what to mind."""
    row = next(row for row in rows(machine, ladder) if (row.axis, row.position) == (axis, position))
    lines = []
    for habit, burst in bursts:
        lost = f"{counted(burst.lost_detents, 'click')} lost" if burst.lost_detents else "every click finished"
        far = say_distance(burst.since_click_mm, row.unit, digits=3)
        lines.append(f"{habit}: the axis still travels {far} after the last click, {lost}.")
    lines.append(f"For this rung {row.habit} suits: {'; '.join(habit_reasons(machine, ladder, row))}.")
    return _bullets([*lines, str(_NOTES["faster_is_not_safer"])])


def comparison_words(found: Comparison) -> str:
    """Each ladder's figures, what was concluded, and what to mind."""
    unit = found.machine.show_in
    table = [["ladder", "a click", "expected a task (s)", "measured", "runs on, at most", "clicks lost"]]
    for number, result in enumerate(found.ladders):
        measured, lost = result.measured.value, result.lost_detents
        table.append([
            letter(number), result.label, _expected_words(result),
            "" if measured is None else f"{say_number(measured, digits=3)} s", say_distance(result.run_on_mm, unit, digits=3),
            "" if lost is None else str(lost),
        ])  # fmt: skip
    return _as_html(table) + _bullets(spoken(found.notes))
