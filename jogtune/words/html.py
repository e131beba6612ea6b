"""A result as HTML: the answer, the table, the cautions open, the rest folded."""

from __future__ import annotations

import html
from collections.abc import Iterable
from typing import Any

from .answer import SAFETY, Breath, breath
from .plain import spoken_cautions
from .tables import as_html


def answer_html(found: Breath) -> str:
    """The answer in one breath, as HTML."""
    first = "".join(f"<p><strong>Look at this first:</strong> {html.escape(text)}</p>" for text in found.first)
    table = as_html([("position", "a click", "for", "mind"), *found.rungs])
    said = "".join(f"<p>{html.escape(text)}</p>" for text in (found.good, found.firmware, SAFETY, found.worth) if text)
    return f"<p><strong>{html.escape(found.title)}</strong></p>{first}{table}{said}"


def bullets(lines: Iterable[str]) -> str:
    """Lines as a list."""
    return "<ul>" + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ul>"


def result_html(result: Any, *, why: str) -> str:
    """Any result for a notebook; of a suggestion the answer is a table, of others the text as it is printed."""
    own = hasattr(result, "ladder") and hasattr(result, "base")
    answer = answer_html(breath(result)) if own else f"<pre>{html.escape(str(result))}</pre>"
    table = result.table.head(60).to_html(index=False, border=0)
    return (
        f'<div class="jogtune-result">{answer}<details open><summary>Cautions</summary>'
        f"{bullets(spoken_cautions(result.notes))}</details>"
        f"<details><summary>Why</summary><pre>{html.escape(why)}</pre></details>"
        f"<details><summary>Table</summary>{table}</details></div>"
    )
