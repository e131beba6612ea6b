"""Text fit to leave."""

import codecs
import csv
import io
import json
import re
import sys
import textwrap
import unicodedata
from collections.abc import Iterable, Sequence
from contextvars import ContextVar
from typing import TextIO

WIDE: ContextVar[int] = ContextVar("wide", default=0)
"""Columns of the terminal that is written to; 0 where there is none, and nothing is folded for it."""


def wide(most: int = 100) -> int:
    """Columns for sentences: the terminal's, no more than `most`."""
    return min(WIDE.get() or most, most)


def visible(text: str, keep: str = "\n\u00a0") -> str:
    """A text in which no sign acts on what shows it: escapes, marks of direction, half a pair stand as JSON has them, \\u001b."""
    return "".join(sign if sign.isprintable() or sign in keep else json.dumps(sign)[1:-1] for sign in text)


_PLAIN = {
    "µ": "u", "μ": "u", "×": "x", "°": " deg", "±": "+-", "−": "-", "–": "-", "—": "-", "→": "->", "←": "<-", "≤": "<=", "≥": ">=",
    "≈": "~", "√": "sqrt ", "·": "*", "☐": "[ ]", "“": '"', "”": '"', "‘": "'", "’": "'", "ß": "ss", "α": "alpha", "τ": "tau",
}  # fmt: skip


def _put_plainly(error: UnicodeError) -> tuple[str, int]:
    """What an encoding lacks, as near as ASCII comes: 5 um for 5 µm, e for é, else a question mark."""
    assert isinstance(error, UnicodeEncodeError)
    return "".join(map(_plain_sign, error.object[error.start : error.end])), error.end


def _put_escaped(error: UnicodeError) -> tuple[str, int]:
    assert isinstance(error, UnicodeEncodeError)
    return json.dumps(error.object[error.start : error.end])[1:-1], error.end


def _plain_sign(sign: str) -> str:
    near = unicodedata.normalize("NFKD", sign).replace("\u2044", "/").encode("ascii", "ignore").decode()
    return _PLAIN.get(sign) or near or "?" * (unicodedata.category(sign)[0] != "M")


codecs.register_error("plainly", _put_plainly)
codecs.register_error("as JSON", _put_escaped)


def plainly(text: str, encoding: str = "ascii") -> str:
    """A visible text of signs that an encoding has.

    >>> plainly("Fräse: 5 µm × 3…")
    'Frase: 5 um x 3...'
    """
    return visible(text).encode(encoding, "plainly").decode(encoding)


def cells(text: str) -> int:
    """How many columns of a terminal a line takes: two for a sign of Chinese, none for an accent on its own."""
    if text.isascii():
        return len(text)
    return sum(1 + (unicodedata.east_asian_width(sign) in "WF") for sign in text if unicodedata.category(sign)[0] != "M")


def cut(text: str, most: int) -> str:
    """A text of at most so many signs, the last … where it was longer."""
    return text if len(text) <= most else text[: most - 1] + "…"


def _folded(line: str, wide: int) -> list[str]:
    """A line in parts of so many columns; what is folded is set in."""
    if not wide or cells(line) <= wide:
        return [line]
    bare = re.sub(r" {4,}", "   ", line.lstrip())
    inside = min(len(line) - len(line.lstrip()), wide // 4)
    double = "".join("\0" * (cells(sign) > 1) + sign for sign in bare)  # textwrap counts signs
    first, later = " " * inside, " " * min(inside + 2, wide // 3)
    made = textwrap.wrap(double, wide - (double != bare), initial_indent=first, subsequent_indent=later)
    return [part.replace("\0", "") for part in made]


def tell(text: object, stream: TextIO | None = None, *, end: str = "\n", as_json: bool = False) -> None:
    """Text on a terminal: visible, in signs it has, folded to its width; JSON whole, its signs as \\u00b5 where they must be."""
    out = sys.stdout if stream is None else stream
    encoding, told = getattr(out, "encoding", None) or "utf-8", str(text)
    if as_json:
        told = told.encode(encoding, "as JSON").decode(encoding)
    else:
        told = "\n".join(part for line in plainly(told, encoding).split("\n") for part in _folded(line, WIDE.get()))
    print(told, end=end, file=out, flush=True)


_RUN = ("=", "+", "-", "@", "＝", "＋", "－", "＠")


def harmless(value: object) -> object:
    """A visible cell that no spreadsheet runs: a text that begins as a formula gets an apostrophe, which `bare` takes off."""
    if not isinstance(value, str):
        return value
    text = visible(value, keep="\u00a0")
    return "'" + text if text.startswith(_RUN) or bare(text) != text else text


def bare(text: str) -> str:
    """A cell's text without the apostrophe of `harmless`."""
    return text[1:] if text.startswith("'") and text.lstrip("'").startswith(_RUN) else text


def csv_text(rows: Iterable[Sequence[object]]) -> str:
    """Rows as CSV, no cell of which is a formula."""
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows(map(harmless, row) for row in rows)
    return stream.getvalue()
