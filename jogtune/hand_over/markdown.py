"""A Markdown table to paste."""

from __future__ import annotations

from pathlib import Path

from ..choose.suggest import Suggestion
from ..files import write_whole
from ..words.answer import cautions, given_up, reasons, rung_reasons
from ..words.heads import for_people
from ..words.tables import as_markdown


def _cell(text: str) -> str:
    """A text that stays inside its table cell and makes no markup."""
    plain = "".join(f"\\{letter}" if letter in "\\`*_[]|#" else letter for letter in text)
    return plain.replace("<", "&lt;").replace("\n", " ")


COLUMNS = ("position", "multiplier", "gain", "axis", "steps", "turns_to_cross")


def suggestion_to_markdown(answer: Suggestion) -> str:
    """A suggestion as Markdown: one table row per rung and axis, then why, what was given up, and the cautions."""
    lines = [f"# Ladder of {_cell(answer.machine.name)}", "", as_markdown(for_people(answer.rows, COLUMNS))]
    why, left = [*rung_reasons(answer), *reasons(answer)], given_up(answer)
    for title, texts in {"Why": why, "Given up": left, "Cautions": cautions(answer)}.items():
        if texts:
            lines += ["", f"## {title}", "", *(f"- {_cell(text)}" for text in texts)]
    return "\n".join(lines) + "\n"


def write_markdown(path: str | Path, answer: Suggestion, *, overwrite: bool = False) -> Path:
    """Write a suggestion as Markdown, whole or not at all; returns the path."""
    return write_whole(path, suggestion_to_markdown(answer), overwrite=overwrite)
