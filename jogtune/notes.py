"""Note: kind, severity, place, figures."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import IntEnum
from typing import Any


class Severity(IntEnum):
    """How much a note matters: good to know, to be minded, a caution, a danger to someone near."""

    INFO = 0
    MIND = 1
    CAUTION = 2
    DANGER = 3


@dataclass(frozen=True, kw_only=True)
class Where:
    """What a note is about: axes by name, selector positions from 1 (the finest), a task, a file and its line."""

    axes: tuple[str, ...] = ()
    positions: tuple[int, ...] = ()
    task: str = ""
    source: str = ""
    line: int | None = None


@dataclass(frozen=True, kw_only=True)
class Note:
    """One thing to be said, once. A figure's name ends in its unit (`_mm`, `_mm_s`, `_s`, `_share`, `_detents_s`); what has no
    unit is a count, a name or a list of them. `unit` is the one that distances are shown in."""

    kind: str
    severity: Severity = Severity.INFO
    where: Where = Where()
    figures: Mapping[str, Any] = field(default_factory=dict)
    unit: str = "mm"


def merged(notes: Iterable[Note]) -> tuple[Note, ...]:
    """Notes that differ in their axis alone made one that names all those axes; the order of the first of each stays."""
    found: list[Note] = []
    for note in notes:
        alike = [n for n, other in enumerate(found) if note.where.axes and _but_for_axes(other) == _but_for_axes(note)]
        if alike:
            first = found[alike[0]]
            axes = tuple(dict.fromkeys((*first.where.axes, *note.where.axes)))
            found[alike[0]] = replace(first, where=replace(first.where, axes=axes))
        else:
            found.append(note)
    return tuple(found)


def _but_for_axes(note: Note) -> Note:
    return replace(note, where=replace(note.where, axes=("",) if note.where.axes else ()))
