"""A table of what was noticed, as lines to print: equal entries together, nothing said twice."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

__all__ = ["told", "which_lines"]

_LINES_NAMED = 6


def told(title: str, table: pd.DataFrame, *, shown: int = 20) -> list[str]:
    """The lines that tell a table of line, what, done: equal entries as one, what the title says left away.

    >>> table = pd.DataFrame({"line": [3, 7, 8], "what": ["axis is blank"] * 2 + ["too long"], "done": "left out"})
    >>> print(*told("left out", table), sep="\\n")
    left out:
      2 lines (3, 7): axis is blank
      line 8: too long
    """
    groups: dict[tuple[str, str], list[int]] = {}
    for line, what, done in table.itertuples(index=False):
        groups.setdefault((what, "" if done == title else f": {done}"), []).append(int(line))
    entries = [f"  {_where(lines)}{what}{done}" for (what, done), lines in groups.items()]
    rest = sum(len(lines) for lines in list(groups.values())[shown:])
    more = [f"  and {rest} more (all of them with --json)"] * (rest > 0)
    return [f"{title}:", *entries[:shown], *more] if entries else []


def _where(lines: Sequence[int]) -> str:
    if len(lines) > 1:
        return f"{len(lines)} lines ({which_lines(lines)}): "
    return f"line {lines[0]}: " if lines[0] else ""


def which_lines(lines: Sequence[int]) -> str:
    """The first few of some line numbers.

    >>> which_lines([3, 7]), which_lines(range(1, 100))
    ('3, 7', '1, 2, 3, 4, 5, 6, ...')
    """
    return ", ".join([*map(str, lines[:_LINES_NAMED]), *["..."] * (len(lines) > _LINES_NAMED)])
