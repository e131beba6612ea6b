"""No change of the house changes a figure: what was printed before is printed now, to 1e-9; more may be printed."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

import pytest

from .figures import KEPT, questions

GOLDEN: dict[str, Any] = json.loads(KEPT.read_text(encoding="utf-8"))
ASKED = dict(questions())
SEARCHED = ("best_time_s", "alternatives", "hands", "near_best", "rung_counts", "sharing_s", "worst_loss", "searched", "free")
"""What the search weighs in single precision: kept to 1e-5, as processors differ in its last digits."""


def unlike(kept: Any, now: Any, where: str) -> Iterator[str]:
    """Where two answers part: a key that is gone, a list of another length, a value that differs."""
    if isinstance(kept, dict) and isinstance(now, dict):
        for key, value in kept.items():
            yield from unlike(value, now[key], f"{where}.{key}") if key in now else [f"{where}.{key} is gone"]
    elif isinstance(kept, list) and all(value is None for value in kept):
        return  # sentences
    elif isinstance(kept, list) and isinstance(now, list) and len(kept) == len(now):
        for place, (one, other) in enumerate(zip(kept, now, strict=True)):
            yield from unlike(one, other, f"{where}[{place}]")
    elif isinstance(kept, float) and isinstance(now, int | float) and not isinstance(now, bool):
        close = 1e-5 if any(f".{key}" in where for key in SEARCHED) else 1e-9
        if not math.isclose(kept, now, rel_tol=close, abs_tol=1e-12):
            yield f"{where}: {kept} was, {now} is"
    elif kept != now or type(kept) is not type(now):
        yield f"{where}: {kept!r} was, {now!r} is"


def test_the_same_questions_are_kept_and_asked() -> None:
    assert list(GOLDEN) == list(ASKED)


@pytest.mark.parametrize("name", [pytest.param(name, marks=[pytest.mark.heavy] if name.endswith("*") else []) for name in GOLDEN])
def test_no_figure_changes(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    assert list(unlike(GOLDEN[name], ASKED[name](), name))[:20] == []
