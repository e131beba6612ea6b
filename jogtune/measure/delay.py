"""The delay from a report to its motion."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..axis.pursuit import pursue
from ..machine.model import Axis, Machine
from .figure import CONFIDENCE, Figure, Floats, Ints, unknown
from .rests import find_rests, position_noise

_LONGEST_DELAY_S = 0.6
Part = tuple[Floats, Floats, Floats, float, float]
"""A burst that began at rest: report times, clicks x gain, measured positions; top speed and ramp of its axis."""


@dataclass(frozen=True, kw_only=True)
class _Lanes:
    """Such bursts, each a lane of rows: arrays are (lanes, rows), padded at the end; `rows` of a lane count."""

    time_s: Floats
    asked_mm: Floats
    position_mm: Floats
    rows: Ints
    top_speed_mm_s: Floats
    ramp_mm_s2: Floats


def find_parts(machine: Machine, rows: pd.DataFrame, bursts: pd.DataFrame, *, most: int) -> list[Part]:
    """The bursts of a stretch of log that can tell the delay, in order of time.

    They begin and end at rest, go one way with the slack already taken up, and ask for no more than top speed.
    """
    parts = [
        part
        for name, on_axis in bursts.groupby("axis", sort=False)
        for part in _axis_parts(rows.loc[rows["axis"] == name], on_axis, machine.axis(str(name)), most)
    ]
    return sorted(parts, key=lambda part: float(part[0][0]))[:most]


def _axis_parts(rows: pd.DataFrame, on_axis: pd.DataFrame, axis: Axis, most: int) -> list[Part]:
    time, position = rows["time_s"].to_numpy(), rows["position_mm"].to_numpy(float)
    asked = (rows["detents"] * rows["gain_mm"]).to_numpy(float)
    good = on_axis.loc[_fit_for_delay(on_axis.reset_index(drop=True), axis).to_numpy()]
    first = np.searchsorted(time, good["start_s"].to_numpy() - 1e-9)
    until = np.searchsorted(time, good["settled_s"].to_numpy(), side="right")
    picked = [(i, j) for i, j in zip(first, until, strict=True) if 4 <= j - i <= 500 and np.ptp(np.diff(time[i:j])) < 1]
    limits = axis.top_speed_mm_s, axis.ramp_mm_s2
    good_rows = [slice(i, j) for i, j in picked[:most] if np.isfinite(position[i:j]).all()]
    return [(time[at].copy(), asked[at].copy(), position[at].copy(), *limits) for at in good_rows]  # not the whole log's


def _fit_for_delay(on_axis: pd.DataFrame, axis: Axis) -> pd.Series[bool]:
    rests = find_rests(on_axis, axis)
    floor = max(4 * axis.slack_mm, 5 * float(axis.finest_mm))
    taken_up = (rests["travel_mm"] - on_axis["one_way_mm"] >= floor) & on_axis["reversals"].eq(0)
    before = on_axis["rest_mm"].notna().shift(fill_value=False)
    outrun = on_axis["turn_rate"] * on_axis["gain_mm"] > axis.top_speed_mm_s
    far = on_axis["one_way_mm"] > 20 * position_noise(on_axis)
    return taken_up & before & on_axis["rest_mm"].notna() & far & ~outrun & ~rests["jumped"] & on_axis["clicks"].ge(3)


def _joined(parts: Sequence[Part]) -> _Lanes:
    rows = np.array([len(part[0]) for part in parts])
    longest = int(rows.max())
    time = np.stack([_pad(part[0], longest, part[0][-1]) for part in parts])
    return _Lanes(
        time_s=time - time[:, :1],
        asked_mm=np.cumsum(np.stack([_pad(part[1], longest, 0.0) for part in parts]), axis=1),
        position_mm=np.stack([_pad(part[2], longest, part[2][-1]) for part in parts]),
        rows=rows, top_speed_mm_s=np.array([part[3] for part in parts]), ramp_mm_s2=np.array([part[4] for part in parts]),
    )  # fmt: skip


def _pad(values: Floats, length: int, filler: float) -> Floats:
    return np.append(values, np.full(length - len(values), filler))


def delay_figure(parts: Sequence[Part], *, least: int = 8) -> Figure:
    """The delay between a report and the motion it asks for [s], by correlation, with its interval.

    The measured movement from row to row is correlated with what the axis should have made of the clicks (aiming
    at each reported target within the machine file's top speed and ramp), shifted by a delay; the delay is where
    the correlation is highest. The interval takes each burst as one observation. It tells scatter, not a wrong
    ramp in the machine file: that shifts the delay.
    """
    count = len(parts)
    if count < least:
        return unknown("few_bursts", count, needed=least)
    motion = _Motion.of(_joined(parts))
    grid = np.arange(0.0, _LONGEST_DELAY_S, 0.02)
    coarse = _Motion.of(_joined(parts[:150])) if count > 150 else motion
    delay = float(grid[np.argmin([coarse.misfit(float(d)) for d in grid])])
    for _ in range(12):
        pull, weight = motion.scores(delay)
        step = float(pull.sum() / weight.sum()) if weight.sum() > 0 else 0.0
        delay += float(np.clip(step, -0.02, 0.02))
        if abs(step) < 1e-7:
            break
    return _clustered(delay, *motion.scores(delay))


def _clustered(value: float, pull: Floats, weight: Floats) -> Figure:
    """The interval from the scatter of the bursts' own pulls, with as many degrees of freedom as they are worth."""
    from scipy.special import stdtrit

    total = float(weight.sum())
    if total <= 0:
        return unknown("never_moves", len(pull))
    worth = total**2 / float((weight**2).sum())
    if worth < 4:
        return unknown("bursts_alike", len(pull), value)
    leverage = 1 - weight / total  # a burst pulls the value toward itself: undo that
    error = math.sqrt(float(((pull / leverage) ** 2).sum())) / total
    half = float(stdtrit(worth - 1, 0.5 + CONFIDENCE / 2)) * error
    return Figure(value=value, low=value - half, high=value + half, count=len(pull))


@dataclass(frozen=True, kw_only=True)
class _Motion:
    """What each lane's axis should have done without delay: its state at each report."""

    lanes: _Lanes
    x: Floats
    v: Floats
    moved: Floats
    counts: NDArray[np.bool_]

    @classmethod
    def of(cls, lanes: _Lanes) -> _Motion:
        x, v = np.zeros_like(lanes.asked_mm), np.zeros_like(lanes.asked_mm)
        for k in range(1, x.shape[1]):
            dt, asked = lanes.time_s[:, k] - lanes.time_s[:, k - 1], lanes.asked_mm[:, k - 1]
            x[:, k], v[:, k] = pursue(x[:, k - 1], v[:, k - 1], asked, lanes.top_speed_mm_s, lanes.ramp_mm_s2, dt)
        counts = np.arange(1, x.shape[1]) < lanes.rows[:, None]
        return cls(lanes=lanes, x=x, v=v, moved=np.diff(lanes.position_mm, axis=1), counts=counts)

    def at(self, delay_s: float) -> tuple[Floats, Floats]:
        """Position and speed that the axis should have at each row, so much later."""
        lanes, width = self.lanes, self.x.shape[1]
        asked_at = lanes.time_s - delay_s
        apart = 2 * float(lanes.time_s.max()) + 2 * _LONGEST_DELAY_S + 1  # lanes laid end to end, in one search
        shift = apart * np.arange(len(lanes.rows))[:, None]
        flat = (lanes.time_s + shift + 1e-9 * np.arange(width)).ravel()
        found = np.searchsorted(flat, (asked_at + shift + 5e-10).ravel(), side="right") - 1
        lane, row = np.divmod(np.maximum(found, 0), width)
        begun = (asked_at.ravel() >= -5e-10) & (found >= 0)
        since = np.maximum(np.where(begun, asked_at.ravel() - lanes.time_s[lane, row], 0.0), 0.0)
        x, v = pursue(
            self.x[lane, row], self.v[lane, row], lanes.asked_mm[lane, row],
            lanes.top_speed_mm_s[lane], lanes.ramp_mm_s2[lane], since,
        )  # fmt: skip
        shape = asked_at.shape
        return np.where(begun, x, 0.0).reshape(shape), np.where(begun, v, 0.0).reshape(shape)

    def misfit(self, delay_s: float) -> float:
        """The squared movement that the shifted motion leaves unexplained, each burst with its own scale."""
        should = np.diff(self.at(delay_s)[0], axis=1) * self.counts
        power = np.maximum((should**2).sum(axis=1), 1e-300)
        return -float(((self.moved * should).sum(axis=1) ** 2 / power).sum())

    def scores(self, delay_s: float) -> tuple[Floats, Floats]:
        """Each burst's pull on the delay, and how much it knows about it (Gauss-Newton)."""
        x, v = self.at(delay_s)
        should, slope = np.diff(x, axis=1) * self.counts, np.diff(v, axis=1) * self.counts
        power = np.maximum((should**2).sum(axis=1), 1e-300)
        scale = (self.moved * should).sum(axis=1) / power
        across = slope - should * ((slope * should).sum(axis=1) / power)[:, None]
        left = (self.moved - scale[:, None] * should) * self.counts
        return -scale * (left * across).sum(axis=1), scale**2 * (across**2).sum(axis=1)
