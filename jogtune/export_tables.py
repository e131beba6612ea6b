"""A ladder read back from JSON, exactly; the JSON's schema; and a ladder as a Markdown table."""

from __future__ import annotations

import itertools
import json
from collections.abc import Mapping
from fractions import Fraction
from importlib import resources
from pathlib import Path
from typing import Any

from .design.search import Suggestion
from .export import suggestion_to_dict, to_json
from .files import InputFault, read_text, write_whole
from .ladder import Ladder
from .units import UNIT_FACTORS, say_distance, say_number

__all__ = [
    "ladder_from_dict", "ladder_schema", "read_ladder", "suggestion_to_markdown", "write_json",
    "write_markdown",
]  # fmt: skip


def ladder_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of what `jogtune suggest --json` and `jogtune export --json` write.

    >>> ladder_schema()["$schema"]
    'https://json-schema.org/draft/2020-12/schema'
    """
    text = resources.files("jogtune").joinpath("ladder.schema.json").read_text("utf-8")
    content: dict[str, Any] = json.loads(text)
    return content


def read_ladder(path: str | Path) -> Ladder:
    """The ladder of a JSON file written here, exactly as it was; every fault at once as `InputFault`.

    >>> from jogtune.design.search import suggest
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> answer = suggest(router, by="coverage")
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     read_ladder(write_json(f"{folder}/ladder.json", answer)) == answer.ladder
    True
    """
    try:
        content = json.loads(read_text(path))
    except (json.JSONDecodeError, RecursionError) as error:
        raise InputFault(str(path), [f"is not JSON: {error}: export it again"]) from error
    return ladder_from_dict(content, source=str(path))


def ladder_from_dict(content: object, *, source: str = "JSON") -> Ladder:
    """The ladder of a suggestion's JSON content.

    >>> rung = {"position": 1, "multiplier": 8, "gain_mm": "1/10"}
    >>> ladder_from_dict({"unit": "mm", "base_mm": "1/80", "rungs": [rung]}).gains_mm
    (Fraction(1, 10),)
    """
    faults: list[str] = []
    table = content if isinstance(content, Mapping) else {}
    base = _distance(table, "base_mm", "base_mm", faults)
    unit = table.get("unit")
    if unit not in UNIT_FACTORS:
        faults.append(f"unit = {unit!r}: must be mm, in or deg")
    rungs = table.get("rungs")
    if not isinstance(rungs, list) or not rungs:
        faults.append("rungs: must be a list of one rung or more")
        rungs = []
    multipliers = [_multiplier(rung, number, base, faults) for number, rung in enumerate(rungs, start=1)]
    if any(a and b and a >= b for a, b in itertools.pairwise(multipliers)):
        faults.append(f"rungs: multipliers must rise, and are {', '.join(str(m) for m in multipliers)}")
    if faults or base is None:
        raise InputFault(source, faults)
    return Ladder(base_mm=base, multipliers=tuple(m for m in multipliers if m), show_in=str(unit))


def _distance(table: Mapping[str, Any], key: str, where: str, faults: list[str]) -> Fraction | None:
    text = table.get(key)
    try:
        value = Fraction(text) if isinstance(text, str) and len(text) <= 80 and "e" not in text.lower() else None
    except (ValueError, ZeroDivisionError):
        value = None
    if value is None or value <= 0:
        faults.append(f'{where} = {text!r}: must be a fraction above 0 as text, as in "1/80"')
        return None
    return value


def _multiplier(rung: object, number: int, base: Fraction | None, faults: list[str]) -> int | None:
    where = f"rung {number}"
    table = rung if isinstance(rung, Mapping) else {}
    multiplier, gain = table.get("multiplier"), _distance(table, "gain_mm", f"{where}: gain_mm", faults)
    if table.get("position") != number:
        faults.append(f"{where}: position = {table.get('position')!r}: must be {number}, rungs go from the finest up")
    if isinstance(multiplier, bool) or not isinstance(multiplier, int) or multiplier < 1:
        faults.append(f"{where}: multiplier = {multiplier!r}: must be a whole number, 1 or more")
        return None
    if base and gain and gain != multiplier * base:
        faults.append(f"{where}: gain_mm = {str(gain)!r}: must be multiplier × base_mm, {multiplier * base}")
    return multiplier


def write_json(path: str | Path, answer: Suggestion, *, overwrite: bool = False) -> Path:
    """Write a suggestion as JSON, whole or not at all; returns the path.

    >>> from jogtune.design.search import suggest
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> answer = suggest(router, by="coverage")
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_json(f"{folder}/ladder.json", answer)
    ...     write_json(path, answer, overwrite=True).name
    'ladder.json'
    """
    return write_whole(path, to_json(suggestion_to_dict(answer)), overwrite=overwrite)


# ------------------------------------------------------------------ Markdown


def _cell(text: str) -> str:
    """A text that stays inside its table cell and makes no markup."""
    plain = "".join(f"\\{letter}" if letter in "\\`*_[]|#" else letter for letter in text)
    return plain.replace("<", "&lt;").replace("\n", " ")


def suggestion_to_markdown(answer: Suggestion) -> str:
    """A suggestion as Markdown: one table row per rung, then why, what was given up, and the cautions.

    >>> from jogtune.design.search import suggest
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> answer = suggest(router, by="coverage")
    >>> suggestion_to_markdown(answer).splitlines()[0]
    '# Ladder of inlay router'
    """
    machine = answer.machine
    names = list(answer.figures[0])
    head = ["position", "×", "per click", *(f"{_cell(name)}: steps · turns to cross" for name in names)]
    rows = [head, ["---:"] * len(head)]
    for rung, axes in zip(answer.ladder.rungs, answer.figures, strict=True):
        first = [str(rung.position), str(rung.multiplier), say_distance(rung.gain_mm, machine.show_in)]
        rows.append([*first, *(_axis_cell(answer, name, axes[name]) for name in names)])
    lines = [f"# Ladder of {_cell(machine.name)}", "", *("| " + " | ".join(row) + " |" for row in rows)]
    sections = {"Why": answer.rung_reasons + answer.reasons, "Given up": answer.given_up, "Cautions": answer.cautions}
    for title, texts in sections.items():
        if texts:
            lines += ["", f"## {title}", "", *(f"- {_cell(text)}" for text in texts)]
    return "\n".join(lines) + "\n"


def _axis_cell(answer: Suggestion, name: str, figure: Any) -> str:
    mark = "" if answer.machine.axis(name).exact else "about "
    steps = f"{mark}{say_number(figure.steps_per_detent, digits=6)}"
    return f"{steps}{'' if figure.whole_step else ' (not whole)'} · {say_number(figure.turns_to_cross, digits=3)}"


def write_markdown(path: str | Path, answer: Suggestion, *, overwrite: bool = False) -> Path:
    """Write a suggestion as Markdown, whole or not at all; returns the path.

    >>> from jogtune.design.search import suggest
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> answer = suggest(router, by="coverage")
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_markdown(f"{folder}/ladder.md", answer).read_text().splitlines()[0]
    '# Ladder of inlay router'
    """
    return write_whole(path, suggestion_to_markdown(answer), overwrite=overwrite)
