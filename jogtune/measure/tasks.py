"""Bursts to tasks; where a log may be cut."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from .bursts import Thresholds


def find_goals(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows at which a goal first shows: shown_s, axis, goal_mm, tolerance_mm, person, marker, start_mm.

    A goal begins where goal_mm or tolerance_mm changes to a number; in a log without goals, where a marker
    stands. start_mm is the position there.
    """
    none = pd.Series(np.nan, index=rows.index)
    goal, wide = (rows.get(name, none) for name in ("goal_mm", "tolerance_mm"))
    marker = (rows["marker"] if "marker" in rows else pd.Series("", index=rows.index)).astype(object).fillna("")
    axis = rows["axis"].astype(object)
    changed = goal.notna() & (goal.ne(goal.shift()) | wide.ne(wide.shift()) | axis.ne(axis.shift()))
    marked = marker.astype(str).str.strip().ne("")
    if len(rows):
        changed.iloc[0] = bool(goal.notna().iloc[0])
    at = changed if goal.notna().any() else marked
    return pd.DataFrame({
        "shown_s": rows["time_s"], "axis": axis, "goal_mm": goal, "tolerance_mm": wide,
        "person": rows.get("person"), "marker": marker,
        "start_mm": rows.get("position_mm", none),
    }).loc[at].reset_index(drop=True)  # fmt: skip


def find_tasks(
    bursts: pd.DataFrame, goals: pd.DataFrame, thresholds: Thresholds | None = None
) -> tuple[pd.DataFrame, pd.Series]:
    """One row per task, and for each burst the number of its task (-1: before the first).

    Where `goals` is empty a task ends with a rest of the hand longer than `task_rest_s`. Columns: shown_s (NaN
    without goals), axis, person, marker, start_mm, goal_mm, tolerance_mm, start_s, end_s (first and last report
    with clicks), settled_s, bursts, clicks, path_mm, net_mm, rungs, switches, reversals, end_mm, low_mm, high_mm.
    Goals at which nobody turned the knob are left out.
    """
    limits = thresholds or Thresholds()
    if len(goals):
        number = pd.Series(np.searchsorted(goals["shown_s"], bursts["start_s"], side="left") - 1, index=bursts.index)
        stray = (number >= 0) & (bursts["axis"].to_numpy() != goals["axis"].to_numpy()[number.clip(lower=0)])
        number[stray] = -1
    else:
        person, pause = bursts["person"].fillna(""), bursts["start_s"] - bursts["end_s"].shift()
        other = bursts["axis"].ne(bursts["axis"].shift()) | person.ne(person.shift())
        number = ((pause > limits.task_rest_s) | other).cumsum() - 1
    return _tasks(bursts.loc[number >= 0], number[number >= 0], goals), number


def _tasks(bursts: pd.DataFrame, number: pd.Series[int], goals: pd.DataFrame) -> pd.DataFrame:
    net, path = (bursts[name] * bursts["gain_mm"] for name in ("net", "clicks"))
    each = bursts.assign(number=number, net_mm=net, path_mm=path)
    groups = each.groupby("number", sort=True)
    each["switched"] = groups["gain_mm"].diff().fillna(0).ne(0)
    each["turned"] = each["reversals"] + groups["last_way"].diff().fillna(0).ne(0)
    again = each.groupby("number", sort=True)
    found = again.agg(
        person=("person", "first"), start_s=("start_s", "first"), end_s=("end_s", "last"),
        settled_s=("settled_s", "last"), bursts=("net", "size"), clicks=("clicks", "sum"),
        path_mm=("path_mm", "sum"), net_mm=("net_mm", "sum"), rungs=("gain_mm", "nunique"),
        switches=("switched", "sum"), reversals=("turned", "sum"), low_mm=("low_mm", "min"), high_mm=("high_mm", "max"),
    )  # fmt: skip
    found.insert(0, "axis", again["axis"].first())
    # "first" and "last" would pass over NaN and take another burst's position for the task's start or end
    before = each.drop_duplicates("number").set_index("number")["before_mm"].astype(float)
    found["start_mm"] = before.fillna(goals["start_mm"].reindex(found.index).astype(float))
    found["end_mm"] = each.drop_duplicates("number", keep="last").set_index("number")["rest_mm"]
    told = goals.reindex(found.index)[["shown_s", "goal_mm", "tolerance_mm", "marker"]]
    joined = pd.concat([told.astype({"marker": object}), found], axis=1).rename_axis("task").reset_index()
    return joined.astype(dict.fromkeys([name for name in joined if str(name).endswith(("_mm", "_s"))], float))


_LONG_QUIET = 100  # quiet stretches longer than this many times the usual one are cut anywhere


def quiet_parts(chunks: Iterator[pd.DataFrame], *, quiet_s: float) -> Iterator[pd.DataFrame]:
    """A log in chunks -> the same rows in parts that are cut only where the knob was quiet for `quiet_s`.

    Each part but the first begins with the last row of the part before (which has no clicks). What is held back
    is the last stretch of turning, so memory stays bounded as long as people pause. Turning is cut into the same
    bursts as in one piece; of a rest, other rows may be averaged.
    """
    held: pd.DataFrame | None = None
    for chunk in chunks:
        rows = chunk if held is None else pd.concat([held, chunk], ignore_index=True)
        cut = _last_quiet(rows, quiet_s)
        if cut is None:
            held = rows
            continue
        yield rows.iloc[: cut + 1]
        held = rows.iloc[cut:].reset_index(drop=True)
    if held is not None:
        yield held


def _last_quiet(rows: pd.DataFrame, quiet_s: float) -> int | None:
    """The row before the last burst that follows a quiet stretch; None where there is none.

    A very long quiet stretch at the end is cut as it is.
    """
    time = rows["time_s"].to_numpy()
    at = np.flatnonzero(rows["detents"].to_numpy())
    if not len(at) or time[-1] - time[at[-1]] > _LONG_QUIET * quiet_s:
        return len(rows) - 1 if len(rows) > 1 else None
    quiet = np.flatnonzero((np.diff(time[at]) > quiet_s) & (np.diff(at) > 1))
    return int(at[quiet[-1] + 1] - 1) if len(quiet) else None
