"""Figures, counts, lists; templates filled."""

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from ..notes import Note
from ..units import say_distance, say_number

_Template = str | Callable[[Note], str]
"""A sentence with places in braces, or a function that makes it; see `_fill` for what stands in the braces."""


def _fill(template: _Template, note: Note) -> str:
    """The sentence of a note. Each figure stands under its name without the unit's ending, said in its unit: `{run_on}` for
    `run_on_mm`; `{Axes}` is "Axis X" or "Axes X and Y", `{axes}` the names alone, `{positions}` "positions 2 to 4"."""
    if callable(template):
        return template(note)
    axes, positions = note.where.axes, note.where.positions
    told: dict[str, Any] = {
        "axes": _listed(axes), "Axes": _axes_words(note), "task": note.where.task,
        "positions": _positions_words(positions), "Positions": _positions_words(positions).capitalize(),
    }  # fmt: skip
    return template.format_map(told | said(note))


def _axes_words(note: Note) -> str:
    """ "Axis X", or "Axes X and Y"."""
    return f"{'Axis' if len(note.where.axes) == 1 else 'Axes'} {_listed(note.where.axes)}"


def said(note: Note) -> dict[str, str]:
    """Each figure of a note as text in its unit, under its name without the unit's ending."""
    return dict(_said(name, value, note.unit) for name, value in note.figures.items())


def _said(name: str, value: Any, unit: str) -> tuple[str, str]:
    for ending, tell in _ENDINGS.items():
        if name.endswith(ending):
            texts = [tell(one, unit) for one in (value if isinstance(value, list | tuple) else [value])]
            return name.removesuffix(ending), _listed(texts)
    if isinstance(value, list | tuple):
        return name, _listed([str(one) for one in value])
    return name, say_number(value, digits=6) if isinstance(value, float) else str(value)


_ENDINGS: Mapping[str, Callable[[Any, str], str]] = {
    "_mm_s2": lambda value, unit: f"{say_distance(value, unit, digits=3)}/s²",
    "_mm_s": lambda value, unit: f"{say_distance(value, unit, digits=3)}/s",
    "_mm": lambda value, unit: say_distance(value, unit, digits=3),
    "_detents_s": lambda value, unit: f"{say_number(value, digits=3)} clicks/s",
    "_steps_s": lambda value, unit: f"{value} steps/s", "_s": lambda value, unit: _seconds(value),
    "_hz": lambda value, unit: say_number(value, digits=3), "_share": lambda value, unit: _percent(value),
}  # fmt: skip
"""A figure's ending -> how it is said; the first that fits, so longer endings stand before the shorter they hold."""


def _seconds(time_s: float) -> str:
    """A time as text: ms below a fifth of a second, else s."""
    return f"{say_number(1000 * time_s, digits=3)} ms" if 0 < abs(time_s) < 0.2 else f"{say_number(time_s, digits=3)} s"


def _percent(share: float) -> str:
    """A share as text: 4 %, 0.35 %."""
    return f"{say_number(100 * share, digits=2 if abs(share) < 0.1 else 3)} %"


def _listed(texts: Iterable[str], last: str = "and") -> str:
    """Texts in a row: "X", "X and Y", "X, Y and Z"."""
    *before, end = [*texts] or [""]
    return f"{', '.join(before)} {last} {end}" if before else end


def counted(number: int, noun: str) -> str:
    """A count with its noun: "1 row", "3,692 rows", "2 people"."""
    return f"{number:,} {noun if number == 1 else f'{noun}s'.replace('persons', 'people')}"


def _positions_words(numbers: Iterable[int]) -> str:
    """Selector positions: "position 3", "positions 3 and 5", "positions 3 to 5"."""
    found = list(numbers)
    if len(found) > 2 and found[-1] - found[0] == len(found) - 1:
        return f"positions {found[0]} to {found[-1]}"
    return f"position{'' if len(found) == 1 else 's'} {_listed(map(str, found))}"


def letter(index: int) -> str:
    """The letter of a ladder by its place: A, B, ... Z, then numbers."""
    return chr(ord("A") + index) if index < 26 else str(index + 1)
