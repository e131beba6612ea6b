"""A Markdown table to paste."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..choose.suggest import Suggestion
from ..files import write_whole
from ..units import say_distance, say_number


def _cell(text: str) -> str:
    """A text that stays inside its table cell and makes no markup."""
    plain = "".join(f"\\{letter}" if letter in "\\`*_[]|#" else letter for letter in text)
    return plain.replace("<", "&lt;").replace("\n", " ")


def suggestion_to_markdown(answer: Suggestion) -> str:
    """A suggestion as Markdown: one table row per rung, then why, what was given up, and the cautions."""
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
    """Write a suggestion as Markdown, whole or not at all; returns the path."""
    return write_whole(path, suggestion_to_markdown(answer), overwrite=overwrite)
