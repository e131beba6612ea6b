"""Bench readings in words: the answer, why, the table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..notes import Note, merged
from ..units import say_number
from .measured import MORE, fitted, folded, frame_text
from .plain import notes_as_data, plain_fields, spoken_cautions
from .say import fill, listed
from .speak import speak, spoken

if TYPE_CHECKING:
    from ..bench.diagnose import Cause, Diagnosis


def diagnosis_answer(found: Diagnosis) -> str:
    """The verdict, the likeliest causes with evidence and what to do, in at most 24 lines."""
    return fitted(lambda shown: [*_told(found, shown), "", *spoken_cautions(found.notes), MORE])


def _told(found: Diagnosis, shown: int) -> list[str]:
    axes = spoken((*merged(finding.why for finding in found.findings), *found.remarks))
    lines = [f"{found.machine.name}: {found.verdict}.", *(f"  {text}" for text in axes)]
    for number, cause in enumerate(found.causes[:shown], start=1):
        lines.append(f"{number}. {cause.kind} on {listed(cause.axes)} ({say_number(100 * cause.likelihood, digits=2)} %)")
        lines += [f"   {_line(note, cause)}" for note in cause.evidence]
        lines += [f"   To do: {_line(note, cause)}" for note in cause.cure]
    more = len(found.causes) - shown
    return [*lines, f"  and {more} less likely: --why"] if more > 0 else lines


def _line(note: Note, cause: Cause) -> str:
    """A note below its cause: it names its axes where they are not those of the cause."""
    text, axes = speak(note), fill("{Axes}: ", note)
    if note.where.axes == cause.axes and text.startswith(axes):
        text = text.removeprefix(axes)
    return text[:1].upper() + text[1:]


def diagnosis_why(found: Diagnosis) -> str:
    """Every cause that is likelier than 2 %, with its evidence."""
    return "\n".join(folded([*_told(found, len(found.causes)), "", *spoken_cautions(found.notes)]))


def diagnosis_table(found: Diagnosis) -> str:
    """A row per axis and cause, as text."""
    return frame_text(found.table)


def diagnosis_json(found: Diagnosis) -> dict[str, Any]:
    """What `jogtune readings --json` prints."""
    content = plain_fields(found, "verdict findings causes remarks")
    for told, finding in zip(content["findings"], found.findings, strict=True):
        if finding.verdict == "found":
            told["why"] = " and ".join(finding.why.figures["causes"])
    notes = {"cautions": spoken_cautions(found.notes), "notes": notes_as_data(found.notes)}
    return {"machine": found.machine.name, **content, **notes}
