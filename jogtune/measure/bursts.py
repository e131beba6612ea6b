"""Bursts, moves, goals, tasks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..machine.model import Axis, Machine
from .figure import _Floats, _Ints


@dataclass(frozen=True, kw_only=True)
class _Thresholds:
    """Where one burst, move or task ends and the next begins; our choice, adjustable.

    `burst_gap_s`: turning pauses longer (but never less than 2.5 report intervals, and slow even turning, up to 2.5 times the
    gap beside it and at most `rest_s`, is no pause); `rest_s`: the hand rests, a move is over; `task_rest_s`: a task is over,
    where the log has neither goals nor markers. `settle_s` is added to the time in which the axis should have come to rest
    before its position there counts; `rest_rows` is how many rows of a rest are averaged at most. `rate_clicks`: bursts of
    fewer clicks have no turn rate."""

    burst_gap_s: float = 0.25
    rest_s: float = 0.60
    task_rest_s: float = 3.0
    settle_s: float = 0.15
    rest_rows: int = 10
    rate_clicks: int = 8

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not value > 0:
                raise ValueError(f"{name} = {value}: must be above 0")


def _find_bursts(machine: Machine, rows: pd.DataFrame, thresholds: _Thresholds | None = None) -> pd.DataFrame:
    """One row per burst, in order of time.

    `rows` is tidy with gain_mm. Columns: `_COLUMNS`; start_s and end_s are the reports with its first and last clicks, one_way_mm
    counts since the last change of direction inside the burst, turn_rate [detents/s] is NaN for short bursts, settled_s is when
    the axis should rest, and from before_mm on all is from the position (NaN where not known)."""
    limits = thresholds or _Thresholds()
    by_axis = rows.groupby("axis", sort=False, observed=True)
    parts = (_axis_bursts(on_axis, machine.axis(str(name)), machine, limits) for name, on_axis in by_axis)
    return _stacked([pd.DataFrame(columns=_COLUMNS), *parts]).sort_values("start_s", kind="stable", ignore_index=True)


def _stacked(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Frames below each other; the first where none has rows."""
    full = [frame for frame in frames if len(frame)]
    return pd.concat(full, ignore_index=True) if full else frames[0]


class _Rows:
    """The columns of one axis as arrays; position is NaN where the log has none."""

    def __init__(self, rows: pd.DataFrame) -> None:
        none = pd.Series(np.nan, index=rows.index)
        self.time, self.gain = (rows[name].to_numpy(float) for name in ("time_s", "gain_mm"))
        self.detents = rows["detents"].to_numpy(np.int64)
        self.position, self.wide = (np.asarray(rows.get(name, none), dtype=float) for name in ("position_mm", "tolerance_mm"))
        person, labels = pd.factorize(rows["person"].astype(object) if "person" in rows else none, use_na_sentinel=False)
        self.person, self.labels = np.asarray(person, dtype=np.int64), np.asarray(labels, dtype=object)


def _axis_bursts(rows: pd.DataFrame, axis: Axis, machine: Machine, limits: _Thresholds) -> pd.DataFrame:
    row = _Rows(rows)
    at = np.flatnonzero(row.detents)
    gap = max(limits.burst_gap_s, 2.5 * machine.link.report_interval_s)
    first = np.flatnonzero(_breaks(row, at, gap, max(limits.rest_s, gap)))
    if not len(first):
        return pd.DataFrame(columns=_COLUMNS)
    turned = _turning(row, at, first, limits)
    turned.insert(0, "axis", axis.name)
    turned["settled_s"] = _settled(turned, axis, machine, limits)
    begins, ends = at[first], at[np.append(first[1:], len(at)) - 1]
    known = np.isfinite(row.position).any()
    seen = _positions(row, begins, ends, turned["settled_s"].to_numpy(), limits) if known else {}
    return turned.assign(**seen).reindex(columns=_COLUMNS)


_COLUMNS = [
    "axis", "gain_mm", "person", "start_s", "end_s", "clicks", "net", "reversals", "first_clicks", "last_clicks",
    "one_way_mm", "last_way", "turn_rate", "settled_s", "before_mm", "at_last_mm", "rest_mm", "rest_rows",
    "rest_noise_mm", "low_mm", "high_mm",
]  # fmt: skip


def _breaks(row: _Rows, at: _Ints, gap_s: float, rest_s: float) -> NDArray[np.bool_]:
    """Which reports with clicks begin a burst."""
    begins = np.ones(len(at), dtype=bool)
    gaps = np.diff(row.time[at])
    beside = np.minimum(np.append(np.inf, gaps[:-1]), np.append(gaps[1:], np.inf)) if len(gaps) else gaps
    later = gaps > np.clip(2.5 * beside, gap_s, rest_s)
    begins[1:] = later | (np.diff(row.gain[at]) != 0) | (np.diff(row.person[at]) != 0)
    return begins


def _turning(row: _Rows, at: _Ints, first: _Ints, limits: _Thresholds) -> pd.DataFrame:
    """What the hand did in each burst, from the reports alone."""
    detents, last = row.detents[at], np.append(first[1:], len(at)) - 1
    clicks = np.add.reduceat(np.abs(detents), first)
    turns = np.append(False, np.diff(np.sign(detents)) != 0)
    turns[first] = False
    start, end = row.time[at[first]], row.time[at[last]]
    total, begun = np.append(0, np.cumsum(np.abs(detents))), np.zeros(len(detents), dtype=np.int64)
    begun[first] = first
    begun[turns] = np.flatnonzero(turns)
    since = np.maximum.accumulate(begun)[last]  # the last change of direction
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = (clicks - 1) / (end - start)  # first and last click are as late as each other in their reports
    return pd.DataFrame({
        "gain_mm": row.gain[at[first]], "person": row.labels[row.person[at[first]]], "start_s": start, "end_s": end,
        "clicks": clicks, "net": np.add.reduceat(detents, first), "reversals": np.add.reduceat(turns.astype(np.int64), first),
        "first_clicks": np.abs(detents[first]), "last_clicks": np.abs(detents[last]),
        "one_way_mm": (total[last + 1] - total[since]) * row.gain[at[first]], "last_way": np.sign(detents[last]),
        "turn_rate": np.where((clicks >= limits.rate_clicks) & (end > start), rate, np.nan),
    })  # fmt: skip


def _settled(bursts: pd.DataFrame, axis: Axis, machine: Machine, limits: _Thresholds) -> _Floats:
    """When the axis should have come to rest after each burst, owed distance included (an upper estimate)."""
    start, end, clicks, gain = (bursts[name].to_numpy() for name in ("start_s", "end_s", "clicks", "gain_mm"))
    needs = _rest_to_rest(clicks * gain, axis)
    summed = np.cumsum(needs)
    owed = summed + np.maximum.accumulate(start - (summed - needs))  # each burst begins once the last is done
    rate = clicks / np.maximum(end - start, machine.link.report_interval_s)
    stops = np.minimum(rate * gain, axis.top_speed_mm_s) / axis.ramp_mm_s2
    braked = end + stops + _rest_to_rest(bursts["last_clicks"].to_numpy() * gain, axis)
    link = machine.link.delay_s + machine.link.jitter_s + machine.link.report_interval_s
    return np.asarray(np.maximum(owed, braked) + link + limits.settle_s, dtype=float)


def _rest_to_rest(distance_mm: _Floats, axis: Axis) -> _Floats:
    top, ramp = axis.top_speed_mm_s, axis.ramp_mm_s2
    short = distance_mm * ramp <= top * top
    return np.where(short, 2 * np.sqrt(distance_mm / ramp), distance_mm / top + top / ramp)


def _positions(row: _Rows, begins: _Ints, ends: _Ints, settled: _Floats, limits: _Thresholds) -> dict[str, _Floats]:
    """Positions before, at the last click and at rest after each burst, and the extremes on the way."""
    until = np.append(begins[1:], len(row.time))
    moved = np.abs(np.diff(row.position)) > row.wide[1:] / 2  # while rows are missing: on another ladder, say
    cut = np.flatnonzero(moved & (np.diff(row.time) > limits.rest_s)) + 1
    until = np.minimum(until, np.append(cut, len(row.time))[np.searchsorted(cut, ends, side="right")])
    low = np.maximum(np.searchsorted(row.time, settled, side="left"), until - limits.rest_rows)
    low = np.minimum(np.maximum(low, ends + 1), until)
    count = _summed(np.isfinite(row.position).astype(float), low, until)
    rest = _summed(np.nan_to_num(row.position), low, until)
    steps = np.nan_to_num(np.append(0.0, np.diff(row.position)))
    jitter = _summed(steps**2, np.minimum(low + 1, until), until)
    with np.errstate(divide="ignore", invalid="ignore"):
        rest_mm, noise = rest / count, np.sqrt(jitter / np.maximum(count - 1, 1) / 2)
    seen, spans = np.append(row.position, np.nan), np.column_stack([begins, until]).ravel()
    return {
        "before_mm": np.where(begins > 0, row.position[np.maximum(begins - 1, 0)], np.nan), "at_last_mm": row.position[ends],
        "rest_mm": np.where(count >= 3, rest_mm, np.nan), "rest_rows": count,
        "rest_noise_mm": np.where(count >= 3, noise, np.nan),
        "low_mm": np.fmin.reduceat(seen, spans)[::2], "high_mm": np.fmax.reduceat(seen, spans)[::2],
    }  # fmt: skip


def _summed(values: _Floats, low: _Ints, high: _Ints) -> _Floats:
    middle = float(values.mean()) if len(values) else 0.0  # keeps the running sum small
    total = np.append(0.0, np.cumsum(values - middle))
    return np.asarray(total[high] - total[low] + middle * (high - low), dtype=float)


def _find_moves(bursts: pd.DataFrame, thresholds: _Thresholds | None = None) -> pd.DataFrame:
    """One row per move: bursts of one axis and person with no rest of the hand in between.

    Columns: axis, those of `_SUMMED`, rest_s (until the next move of the axis; NaN for the last)."""
    rest_s = (thresholds or _Thresholds()).rest_s
    pause = bursts["start_s"] - bursts.groupby("axis", sort=False)["end_s"].shift()
    other = bursts["person"].fillna("").ne(bursts.groupby("axis", sort=False)["person"].shift().fillna(""))
    number = (pause.isna() | (pause > rest_s) | other).astype(int).groupby(bursts["axis"], sort=False).cumsum()
    found: pd.DataFrame = _grouped(bursts, number, "axis").agg(**_SUMMED).reset_index().drop(columns="number")
    found = found.sort_values("start_s", kind="stable", ignore_index=True)
    found["rest_s"] = found.groupby("axis")["start_s"].shift(-1) - found["end_s"]
    return found


def _find_goals(rows: pd.DataFrame) -> pd.DataFrame:
    """The rows at which a goal first shows: goal_mm or tolerance_mm changes to a number; in a log without goals, a marker stands
    there. start_mm is the position there."""
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


def _find_tasks(
    bursts: pd.DataFrame, goals: pd.DataFrame, thresholds: _Thresholds | None = None
) -> tuple[pd.DataFrame, pd.Series]:
    """One row per task, and for each burst the number of its task (-1: before the first).

    Where `goals` is empty a task ends with a rest of the hand longer than `task_rest_s`. Columns: shown_s (NaN without goals),
    axis, goal_mm, tolerance_mm, marker, start_mm, end_mm, low_mm, high_mm, switches and those of `_SUMMED`. Goals at which nobody
    turned the knob are left out."""
    limits = thresholds or _Thresholds()
    if len(goals):
        number = pd.Series(np.searchsorted(goals["shown_s"], bursts["start_s"], side="left") - 1, index=bursts.index)
        stray = (number >= 0) & (bursts["axis"].to_numpy() != goals["axis"].to_numpy()[number.clip(lower=0)])
        number[stray] = -1
    else:
        person, pause = bursts["person"].fillna(""), bursts["start_s"] - bursts["end_s"].shift()
        other = bursts["axis"].ne(bursts["axis"].shift()) | person.ne(person.shift())
        number = ((pause > limits.task_rest_s) | other).cumsum() - 1
    groups = _grouped(bursts.loc[number >= 0], number[number >= 0])
    found: pd.DataFrame = groups.agg(**_SUMMED, switches=("switched", "sum"), low_mm=("low_mm", "min"), high_mm=("high_mm", "max"))
    found.insert(0, "axis", groups["axis"].first())
    # "first" and "last" would pass over NaN and take another burst's position for the task's start or end
    before = groups.head(1).set_index("number")["before_mm"].astype(float)
    found["start_mm"] = before.fillna(goals["start_mm"].reindex(found.index).astype(float))
    found["end_mm"] = groups.tail(1).set_index("number")["rest_mm"]
    told = goals.reindex(found.index)[["shown_s", "goal_mm", "tolerance_mm", "marker"]]
    joined = pd.concat([told.astype({"marker": object}), found], axis=1).rename_axis("task").reset_index()
    return joined.astype(dict.fromkeys([name for name in joined if str(name).endswith(("_mm", "_s"))], float)), number


_SUMMED: dict[str, Any] = {
    "person": ("person", "first"), "start_s": ("start_s", "first"), "end_s": ("end_s", "last"), "settled_s": ("settled_s", "last"),
    "bursts": ("net", "size"), "clicks": ("clicks", "sum"), "net_mm": ("net_mm", "sum"), "path_mm": ("path_mm", "sum"),
    "rungs": ("gain_mm", "nunique"), "reversals": ("turned", "sum"),
}  # fmt: skip
"""Column of a move or a task -> of which column of its bursts, and what of it; reversals are inside and between bursts."""


def _grouped(bursts: pd.DataFrame, number: pd.Series[int], *by: str) -> Any:
    """Bursts grouped by number, with their ways and what changed since the one before: rung, direction."""
    each = bursts.assign(number=number, net_mm=bursts["net"] * bursts["gain_mm"], path_mm=bursts["clicks"] * bursts["gain_mm"])
    groups = each.groupby([*by, "number"])
    each["switched"] = groups["gain_mm"].diff().fillna(0).ne(0)
    each["turned"] = each["reversals"] + groups["last_way"].diff().fillna(0).ne(0)
    return each.groupby([*by, "number"])


_LONG_QUIET = 100  # quiet stretches longer than this many times the usual one are cut anywhere
_MOST_HELD = 300_000  # rows of turning without such a stretch: then the longest pause is cut


def _quiet_parts(chunks: Iterator[pd.DataFrame], *, quiet_s: float) -> Iterator[pd.DataFrame]:
    """A log in chunks -> the same rows in parts that are cut only where the knob was quiet for `quiet_s`.

    Each part but the first begins with the last row of the part before, without its clicks. What is held back is the last
    stretch of turning; of a very long one, as of a log that has rows with clicks only, what came after a pause. Turning that
    pauses is cut into the same bursts as in one piece; of a rest, other rows may be averaged."""
    held: pd.DataFrame | None = None
    for chunk in chunks:
        rows = chunk if held is None else pd.concat([held, chunk], ignore_index=True)
        cut = _last_quiet(rows, quiet_s)
        if cut is not None:
            yield rows.iloc[: cut + 1]
        held = rows if cut is None else rows.iloc[cut:].reset_index(drop=True)
        if cut is not None:
            held.loc[0, "detents"] = 0
    if held is not None:
        yield held


def _last_quiet(rows: pd.DataFrame, quiet_s: float) -> int | None:
    """The row before the last burst that follows a quiet stretch; None where there is none.

    A very long quiet stretch at the end is cut as it is."""
    time = rows["time_s"].to_numpy()
    at = np.flatnonzero(rows["detents"].to_numpy())
    if not len(at) or time[-1] - time[at[-1]] > _LONG_QUIET * quiet_s:
        return len(rows) - 1 if len(rows) > 1 else None
    gaps = np.diff(time[at])
    quiet = np.flatnonzero((gaps > quiet_s) & (np.diff(at) > 1))
    if not len(quiet) and len(rows) > _MOST_HELD:
        half = len(gaps) // 2
        quiet = np.array([half + int(gaps[half:].argmax())])
    return int(at[quiet[-1] + 1] - 1) if len(quiet) else None
