"""A hand fitted to measured tasks, in words."""

from __future__ import annotations

from typing import Any

from ..hand.fit import HandFit
from ..units import say_number
from .plain import notes_as_data, plain
from .say import counted, listed, percent
from .speak import speak
from .tables import as_text


def _figures(found: HandFit) -> list[list[str]]:
    names = list(found.values)
    numbers = [[say_number(kept[name], digits=3) for kept in (found.values, found.standard_errors)] for name in names]
    rows = [[name, *told] for name, told in zip(names, numbers, strict=True)]
    return [["figure", "value", "standard error"], *rows]


def fit_answer(found: HandFit) -> str:
    """The figures of the hand, how well they tell times, and what the tasks can't tell."""
    tested = "" if found.held_out_error is None else f", {percent(found.held_out_error)} on tasks it had not seen"
    unsure = f"The tasks can't tell {listed(found.cant_tell)}." if found.cant_tell else "The tasks tell every figure."
    of = f"{counted(found.tasks, 'task')} of {counted(found.conditions, 'kind')}"
    head = f"A hand from {of}: {percent(found.rms_error)} off{tested}."
    return "\n".join([head, *as_text(_figures(found)).split("\n"), unsure])


def fit_why(found: HandFit) -> str:
    """The form that was fitted and what it means."""
    return f"{found.form}\n{speak(found.note)}"


def fit_table(found: HandFit) -> str:
    """A row per figure, as text."""
    return as_text(_figures(found))


def fit_json(found: HandFit) -> dict[str, Any]:
    """Figures, errors and notes."""
    names = ("form", "values", "standard_errors", "rms_error", "held_out_error", "conditions", "tasks", "cant_tell")
    return {name: plain(getattr(found, name)) for name in names} | {"notes": notes_as_data(found.notes)}
