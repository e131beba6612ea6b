"""A note spoken, a result as JSON."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from ..measure.figure import Figure
from ..notes import Note, Severity
from .checks import _CHECK_NOTES
from .findings import _BENCH, _FINDINGS
from .hand_notes import _HAND_NOTES
from .log_notes import _LOG_NOTES
from .notes import _NOTES
from .ramp_notes import _RAMP_NOTES
from .say import _fill, _Template
from .touch_notes import _TOUCH_NOTES

_SENTENCES: dict[str, _Template] = {
    **_NOTES, **_HAND_NOTES, **_TOUCH_NOTES, **_LOG_NOTES, **_FINDINGS, **_RAMP_NOTES, **_BENCH, **_CHECK_NOTES,
}  # fmt: skip
"""Kind -> its one sentence."""


def speak(note: Note | None) -> str:
    """A note as its sentence; nothing where there is none."""
    return "" if note is None else _fill(_SENTENCES[note.kind], note)


def spoken(notes: Iterable[Note]) -> list[str]:
    """Notes as sentences, in their order."""
    return [speak(note) for note in notes]


def _plain(value: Any) -> Any:
    """A value as JSON knows it: notes as their sentences, frames as records, fractions as floats; no number is None."""
    if isinstance(value, Note):
        return speak(value)
    if isinstance(value, Figure):
        known = _plain_fields(value, "value low high count")
        return {**known, "why": speak(value.why)} if value.why else known
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | frozenset):
        return [_plain(item) for item in value]
    if hasattr(value, "to_dict"):
        return _plain(value.to_dict("records"))
    if is_dataclass(value):
        return {one.name: _plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, bool | int | str):
        return value
    return float(value) if math.isfinite(value) else None


def _plain_fields(value: Any, names: str) -> dict[str, Any]:
    """Some of a result's attributes, named with spaces between."""
    return {name: _plain(getattr(value, name)) for name in names.split()}


def notes_as_data(notes: Iterable[Note]) -> list[dict[str, Any]]:
    """Notes for JSON: kind, severity, what they are about, figures and the sentence."""
    return [
        {"kind": note.kind, "severity": note.severity.name.lower(), "axes": list(note.where.axes),
         "positions": list(note.where.positions), "task": note.where.task, "source": note.where.source,
         "figures": _plain(note.figures), "text": speak(note)}
        for note in notes
    ]  # fmt: skip


def spoken_cautions(notes: Iterable[Note]) -> list[str]:
    """The sentences of what must never be left out, the gravest first."""
    grave = (note for note in notes if note.severity >= Severity.CAUTION)
    return [speak(note) for note in sorted(grave, key=lambda note: -note.severity)]


GENERAL = tuple(str(_NOTES[kind]) for kind in ("no_safety_device", "cannot_know", "try_first"))
