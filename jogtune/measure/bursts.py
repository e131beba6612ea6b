"""Rows of a log to bursts of turning and moves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..machine.model import Axis, Machine
from .figure import Floats, Ints


@dataclass(frozen=True, kw_only=True)
class Thresholds:
    """Where one burst, move or task ends and the next begins; our choice, adjustable.

    `burst_gap_s`: turning pauses longer (but never less than 2.5 report intervals, and slow even turning, up to
    2.5 times the gap beside it and at most `rest_s`, is no pause); `rest_s`: the hand rests, a move
    is over; `task_rest_s`: a task is over, where the log has neither goals nor markers. `settle_s` is added to
    the time in which the axis should have come to rest before its position there counts; `rest_rows` is how many
    rows of a rest are averaged at most. `rate_clicks`: bursts of fewer clicks have no turn rate.
    """

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


def find_bursts(machine: Machine, rows: pd.DataFrame, thresholds: Thresholds | None = None) -> pd.DataFrame:
    """One row per burst, in order of time.

    `rows` is tidy with gain_mm. Columns: axis, gain_mm, person, start_s and end_s (reports with its first and
    last clicks), clicks, net (signed), reversals, first_clicks and last_clicks (in those reports), one_way_mm
    (since the last change of direction inside the burst), last_way (+1 or -1), turn_rate [detents/s, NaN for
    short bursts], settled_s (when the axis should rest), and from the position, where there is one: before_mm,
    at_last_mm, rest_mm, rest_rows, rest_noise_mm, low_mm, high_mm (NaN where not known).
    """
    limits = thresholds or Thresholds()
    parts = [
        _axis_bursts(on_axis, machine.axis(str(name)), machine, limits)
        for name, on_axis in rows.groupby("axis", sort=False, observed=True)
    ]
    found = [part for part in parts if len(part)]
    if not found:
        return _axis_bursts(rows.iloc[:0], machine.axes[0], machine, limits)
    return pd.concat(found, ignore_index=True).sort_values("start_s", kind="stable", ignore_index=True)


@dataclass(frozen=True, kw_only=True)
class _Rows:
    """The columns of one axis as arrays; position is NaN where the log has none."""

    time: Floats
    detents: Ints
    gain: Floats
    position: Floats
    person: Ints
    labels: NDArray[Any]

    @classmethod
    def of(cls, rows: pd.DataFrame) -> _Rows:
        none = pd.Series(np.nan, index=rows.index)
        people = rows["person"].astype(object) if "person" in rows else none
        person, labels = pd.factorize(people, use_na_sentinel=False)
        return cls(
            time=rows["time_s"].to_numpy(float), detents=rows["detents"].to_numpy(np.int64),
            gain=rows["gain_mm"].to_numpy(float), position=np.asarray(rows.get("position_mm", none), dtype=float),
            person=np.asarray(person, dtype=np.int64), labels=np.asarray(labels, dtype=object),
        )  # fmt: skip


def _axis_bursts(rows: pd.DataFrame, axis: Axis, machine: Machine, limits: Thresholds) -> pd.DataFrame:
    row = _Rows.of(rows)
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


def _breaks(row: _Rows, at: Ints, gap_s: float, rest_s: float) -> NDArray[np.bool_]:
    """Which reports with clicks begin a burst."""
    begins = np.ones(len(at), dtype=bool)
    gaps = np.diff(row.time[at])
    beside = np.minimum(np.append(np.inf, gaps[:-1]), np.append(gaps[1:], np.inf)) if len(gaps) else gaps
    later = gaps > np.clip(2.5 * beside, gap_s, rest_s)
    begins[1:] = later | (np.diff(row.gain[at]) != 0) | (np.diff(row.person[at]) != 0)
    return begins


def _turning(row: _Rows, at: Ints, first: Ints, limits: Thresholds) -> pd.DataFrame:
    """What the hand did in each burst, from the reports alone."""
    detents, last = row.detents[at], np.append(first[1:], len(at)) - 1
    clicks = np.add.reduceat(np.abs(detents), first)
    turns = np.append(False, np.diff(np.sign(detents)) != 0)
    turns[first] = False
    start, end = row.time[at[first]], row.time[at[last]]
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = (clicks - 1) / (end - start)  # first and last click are as late as each other in their reports
    return pd.DataFrame({
        "gain_mm": row.gain[at[first]], "person": row.labels[row.person[at[first]]], "start_s": start, "end_s": end,
        "clicks": clicks, "net": np.add.reduceat(detents, first),
        "reversals": np.add.reduceat(turns.astype(np.int64), first),
        "first_clicks": np.abs(detents[first]), "last_clicks": np.abs(detents[last]),
        "one_way_mm": _one_way(detents, first, last, turns) * row.gain[at[first]],
        "last_way": np.sign(detents[last]),
        "turn_rate": np.where((clicks >= limits.rate_clicks) & (end > start), rate, np.nan),
    })  # fmt: skip


def _one_way(detents: Ints, first: Ints, last: Ints, turns: NDArray[np.bool_]) -> Ints:
    """Clicks since the last change of direction inside each burst."""
    total = np.append(0, np.cumsum(np.abs(detents)))
    begun = np.zeros(len(detents), dtype=np.int64)
    begun[first] = first
    begun[turns] = np.flatnonzero(turns)
    since = np.maximum.accumulate(begun)
    return np.asarray(total[last + 1] - total[since[last]], dtype=np.int64)


def _settled(bursts: pd.DataFrame, axis: Axis, machine: Machine, limits: Thresholds) -> Floats:
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


def _rest_to_rest(distance_mm: Floats, axis: Axis) -> Floats:
    top, ramp = axis.top_speed_mm_s, axis.ramp_mm_s2
    short = distance_mm * ramp <= top * top
    return np.where(short, 2 * np.sqrt(distance_mm / ramp), distance_mm / top + top / ramp)


def _positions(row: _Rows, begins: Ints, ends: Ints, settled: Floats, limits: Thresholds) -> dict[str, Floats]:
    """Positions before, at the last click and at rest after each burst, and the extremes on the way."""
    until = np.append(begins[1:], len(row.time))
    low = np.maximum(np.searchsorted(row.time, settled, side="left"), until - limits.rest_rows)
    low = np.minimum(np.maximum(low, ends + 1), until)
    count = _summed(np.isfinite(row.position).astype(float), low, until)
    rest = _summed(np.nan_to_num(row.position), low, until)
    steps = np.nan_to_num(np.append(0.0, np.diff(row.position)))
    jitter = _summed(steps**2, np.minimum(low + 1, until), until)
    with np.errstate(divide="ignore", invalid="ignore"):
        rest_mm, noise = rest / count, np.sqrt(jitter / np.maximum(count - 1, 1) / 2)
    return {
        "before_mm": np.where(begins > 0, row.position[np.maximum(begins - 1, 0)], np.nan),
        "at_last_mm": row.position[ends],
        "rest_mm": np.where(count >= 3, rest_mm, np.nan),
        "rest_rows": count,
        "rest_noise_mm": np.where(count >= 3, noise, np.nan),
        "low_mm": np.fmin.reduceat(row.position, begins),
        "high_mm": np.fmax.reduceat(row.position, begins),
    }


def _summed(values: Floats, low: Ints, high: Ints) -> Floats:
    middle = float(values.mean()) if len(values) else 0.0  # keeps the running sum small
    total = np.append(0.0, np.cumsum(values - middle))
    return np.asarray(total[high] - total[low] + middle * (high - low), dtype=float)


def find_moves(bursts: pd.DataFrame, thresholds: Thresholds | None = None) -> pd.DataFrame:
    """One row per move: bursts of one axis and person with no rest of the hand in between.

    Columns: axis, person, start_s, end_s, bursts, clicks, net_mm, path_mm, rungs, reversals (of direction, inside
    and between bursts), rest_s (until the next move of the axis; NaN for the last).
    """
    rest_s = (thresholds or Thresholds()).rest_s
    pause = bursts["start_s"] - bursts.groupby("axis", sort=False)["end_s"].shift()
    other = bursts["person"].fillna("").ne(bursts.groupby("axis", sort=False)["person"].shift().fillna(""))
    number = (pause.isna() | (pause > rest_s) | other).groupby(bursts["axis"], sort=False).cumsum()
    ways = {name: bursts[count] * bursts["gain_mm"] for name, count in (("net_mm", "net"), ("path_mm", "clicks"))}
    each = bursts.assign(**ways, number=number)
    each["turned"] = each["reversals"] + each.groupby(["axis", "number"], sort=False)["last_way"].diff().fillna(0).ne(0)
    found = each.groupby(["axis", "number"], sort=False).agg(
        person=("person", "first"), start_s=("start_s", "first"), end_s=("end_s", "last"), bursts=("net", "size"),
        clicks=("clicks", "sum"), net_mm=("net_mm", "sum"), path_mm=("path_mm", "sum"),
        rungs=("gain_mm", "nunique"), reversals=("turned", "sum"), settled_s=("settled_s", "last"),
    ).reset_index().drop(columns="number").sort_values("start_s", kind="stable", ignore_index=True)  # fmt: skip
    found["rest_s"] = found.groupby("axis")["start_s"].shift(-1) - found["end_s"]
    return found
