"""speak(): a note of any kind as its one sentence."""

from __future__ import annotations

from collections.abc import Iterable

from ..notes import Note
from .bench import BENCH
from .findings import FINDINGS
from .log_notes import LOG_NOTES
from .notes import NOTES
from .say import Template, fill

SENTENCES: dict[str, Template] = {**NOTES, **LOG_NOTES, **FINDINGS, **BENCH}
"""Kind -> its one sentence."""


def speak(note: Note | None) -> str:
    """A note as its sentence; nothing where there is none."""
    return "" if note is None else fill(SENTENCES[note.kind], note)


def spoken(notes: Iterable[Note]) -> list[str]:
    """Notes as sentences, in their order."""
    return [speak(note) for note in notes]
