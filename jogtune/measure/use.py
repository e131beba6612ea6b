"""Which rung was used for what."""

from collections.abc import Iterator, Mapping
from fractions import Fraction

import numpy as np
import pandas as pd

from ..ladder.ladder import Ladder
from ..machine.model import Machine
from ..notes import Note, Severity, Where

_RARE_SHARE = 0.05  # less than this of the travel, of the time and of the clicks is hardly used: our choice
_PASSED_SHARE, _LEAST_PASSED = 0.8, 10  # a rung that so many of the changes to it or across it leave out: our choice
_LEAST_TASKS = 20  # fewer say too little to advise on a ladder: our choice
_SHARES = ["travel_share", "time_share", "clicks_share"]


def _find_use(machine: Machine, bursts: pd.DataFrame, time_s: Mapping[float, float], ladder: Ladder | None) -> pd.DataFrame:
    """A row per rung of the ladder, with its position; where that is not the log's, a row per distance selected.

    `bursts` has task (-1: none) and left_mm beside; `time_s` is how long each distance was selected. Shares are of all travel
    (degrees left out where there are axes in mm), time and clicks. `taken`: how often it was turned to; `left_mm`: the median way
    to the goal then; `passed`: changes of rung across it; `over_detents`: clicks beyond what the axis could follow."""
    gain, clicks, task = (bursts[name].astype(float) for name in ("gain_mm", "clicks", "task"))
    pairs = list(zip(bursts["axis"].astype(str), gain.round(9), strict=True))
    fits = ladder is not None and _places(machine, ladder).keys() >= set(pairs)
    held = ladder if ladder and fits else Ladder.from_gains([Fraction(str(one)) for one in time_s] or [machine.axes[0].finest_mm])
    known, rungs = _places(machine, held), range(len(held.gains_mm))
    at = pd.Series([known[pair] for pair in pairs], index=bursts.index, dtype=float)
    within = task.ge(0) & task.eq(task.shift())
    before = at.shift().where(within, at)
    taken, low, high = before.ne(at) | ~within, np.minimum(before, at), np.maximum(before, at)
    rotary = bursts["axis"].isin([axis.name for axis in machine.axes if axis.rotary])
    counted, lasted = rotary.eq(bool(rotary.all())), (bursts["end_s"] - bursts["start_s"]).astype(float)
    tops = bursts["axis"].map({axis.name: axis.top_speed_mm_s for axis in machine.axes}).astype(float)
    over = (clicks - bursts["first_clicks"].astype(float) - tops * lasted / gain).clip(lower=0).round()
    ways = (clicks * gain).where(counted, 0.0)
    each = pd.DataFrame({"travel_share": ways, "clicks_share": clicks, "taken": taken, "over_detents": over})
    found = each.groupby(at).sum().reindex(rungs, fill_value=0).astype({"taken": int, "over_detents": int})
    by_gain = {one: place for (_, one), place in reversed(known.items())}
    spent = pd.Series(dict(time_s), dtype=float).groupby(lambda one: by_gain.get(round(one, 9), -1)).sum()
    found["time_share"] = spent.reindex(rungs, fill_value=0.0)
    found["left_mm"] = bursts["left_mm"].abs()[taken & counted].groupby(at).median()
    found[_SHARES] /= found[_SHARES].sum().replace(0.0, 1.0)
    found["passed"] = [int(((low < n) & (n < high)).sum()) for n in rungs]
    found = found.assign(position=range(1, len(rungs) + 1) if fits else None, gain_mm=[float(one) for one in held.gains_mm])
    return found[["position", "gain_mm", *_SHARES, "taken", "left_mm", "passed", "over_detents"]]


def _places(machine: Machine, ladder: Ladder) -> dict[tuple[str, float], int]:
    return {(axis.name, round(float(gain), 9)): n for axis in machine.axes for n, gain in enumerate(ladder.on(axis))}


def _use_notes(use: pd.DataFrame, tasks: int, unit: str) -> Iterator[Note]:
    """What to change first, and whether clicks came too fast."""
    found, few = [], tasks < _LEAST_TASKS
    for row in use.iloc[: 0 if few else None].to_dict("records"):
        changes, inner = row["passed"] + row["taken"], use["gain_mm"].min() < row["gain_mm"] < use["gain_mm"].max()
        kinds = {
            "rung_unused": row["clicks_share"] == 0,
            "rung_hardly_used": inner and max(row[name] for name in _SHARES) < _RARE_SHARE,
            "rung_jumped_over": row["passed"] >= max(_LEAST_PASSED, _PASSED_SHARE * changes),
        }
        figures = {**{name: row[name] for name in ("gain_mm", *_SHARES, "passed")}, "changes": changes, "tasks": tasks}
        where = Where(positions=(row["position"],) if row["position"] else ())
        held = [kind for kind, holds in kinds.items() if holds]
        found += [Note(kind=kind, severity=Severity.MIND, where=where, figures=figures, unit=unit) for kind in held[:1]]
    none = Note(kind="few_tasks_for_rungs" if few else "rungs_in_use", figures={"tasks": tasks, "needed": _LEAST_TASKS})
    yield from found or [none]
    over = int(use["over_detents"].sum())
    yield Note(kind="clicks_too_fast" if over else "no_click_too_fast", figures={"over": over})
