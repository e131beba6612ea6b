"""No change of the house changes a figure: what was printed before is printed now, to 1e-9; more may be printed.

Decisions that these tests hold:

- One number per position for all straight axes, and another for all rotary ones, unless distances per axis are asked for; a list
  typed without columns is read as engraved: "0.001" of an inch machine is 0.001 in on X and 0.001° on A.
- Rounded or exact. Steps per mm given as a decimal whose lowest denominator is 1000 or more (1259.84252, 533.333) are taken
  for rounded, marked inexact and left out of the common whole step; `exact = true` or a fraction says otherwise.
- Base first, then rungs. The base follows motor, wish and firmware by rule; the search chooses among whole multiples of it,
  plain numbers by default. The other choice is always named.
- Near people the firmware clamps the speed, floor(calm × steps/mm); no rung does it, for a hand that hurries passes its
  steady rate. The cap on a rung stays as a figure: the least of: what top speed follows at the steady rate, what the calm
  speed follows, and a stray click that stays below the calm speed from rest, gain ≤ calm²/ramp.
- No pyplot anywhere: figures belong to nobody's window, and the kernel's backend is left alone.
- Each drawing on the page gets ids of its own, or clip paths of one chart would cut another.
- `jogtune lab` binds to 127.0.0.1 only.
- Files beside, then renamed, and never over another unless `--overwrite` is given.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

import pytest

from .figures import KEPT, questions

GOLDEN: dict[str, Any] = json.loads(KEPT.read_text(encoding="utf-8"))
ASKED = dict(questions())
SEARCHED = ("best_time_s", "alternatives", "hands", "near_best", "rung_counts", "sharing_s", "worst_loss", "searched", "free",
            "saves_share", "rule_saves_share", "costs_share", "expected_time_s", "figures.time_s", "figures.of_s")  # fmt: skip
"""What the search weighs in single precision, and shares of its times: kept to 1e-5, as processors differ in its last digits."""


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
