"""A table of texts for terminal, page and Markdown."""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

Table = Sequence[Sequence[str]]
"""Heads first, then the rows, each a sequence of texts of one length."""


def as_text(table: Table) -> str:
    """A table in columns, right-aligned, two spaces between."""
    widths = [max(map(len, column)) for column in zip(*table, strict=True)]
    return "\n".join("  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in table)


def as_html(table: Table) -> str:
    """A table in HTML, every text escaped."""
    heads, *rows = ([html.escape(cell) for cell in row] for row in table)
    top = "".join(f'<th scope="col">{head}</th>' for head in heads)
    body = "".join("<tr>" + "".join(f"<td>{cell}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"


def as_markdown(table: Table) -> str:
    """A table in Markdown, what would format escaped."""
    heads, *rows = ([escaped(cell) for cell in row] for row in table)
    return "\n".join(f"| {' | '.join(row)} |" for row in [heads, ["---"] * len(heads), *rows])


def escaped(text: str) -> str:
    """A text that stays one line of Markdown and makes no markup."""
    return "".join(f"\\{sign}" if sign in "\\`*_[]|#<" else " " if sign == "\n" else sign for sign in text)


def of_frame(frame: pd.DataFrame) -> list[list[str]]:
    """A frame as a table of texts."""
    return [[str(name) for name in frame], *([str(value) for value in row] for row in frame.itertuples(index=False))]
