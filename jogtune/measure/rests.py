"""Real distance, slack, delay."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..axis.pursuit import pursue
from ..machine.model import Axis, Machine
from .figure import Figure, _around, _Floats, _Ints, _t95, _unknown

_WANDERS = 1.0  # a Durbin-Watson statistic below this says that errors pile up from rest to rest


@dataclass(frozen=True, kw_only=True)
class _AxisFigures:
    """What a log says about one axis: gain_mm -> real distance per click, slack, noise of a position at rest.

    `rests` is how many rests were used, `left_out` how many not, `jumps_s` when the axis was moved otherwise, `wanders` whether
    errors piled up (position was lost on the way)."""

    axis: str
    effective_gain_mm: Mapping[float, Figure]
    slack_mm: Figure
    noise_mm: float
    rests: int
    left_out: int
    jumps_s: tuple[float, ...] = ()
    wanders: bool = False


def _measure_axis(bursts: pd.DataFrame, axis: Axis) -> _AxisFigures:
    """Regression of the positions at rest on clicks x gain and on the side last approached from, for one axis.

    Rests that do not count: the axis had not settled, or had not travelled far enough since its last reversal to have taken up
    the slack. A new stretch begins where clicks may be lost (turned faster than the axis can follow) and where the axis was
    moved by something else. Intervals are t intervals of ordinary least squares."""
    on_axis = bursts.loc[bursts["axis"] == axis.name].reset_index(drop=True)
    rests = _find_rests(on_axis, axis)
    floor = max(3 * axis.slack_mm, 5 * float(axis.finest_mm))
    found = _regress(on_axis, rests, axis, floor)
    slack = found.slack_mm.high
    if slack is not None and slack > floor / 1.5:  # more slack than thought: wait for more travel
        found = _regress(on_axis, rests, axis, 2.5 * slack)
    return found


def _find_rests(on_axis: pd.DataFrame, axis: Axis) -> pd.DataFrame:
    """Per burst: the rest position after it, travel since the last reversal [mm], side, and its stretch."""
    before = on_axis["last_way"].shift().fillna(0)
    restarts = (on_axis["reversals"] > 0) | on_axis["last_way"].ne(before)
    travel = on_axis["one_way_mm"].groupby(restarts.cumsum()).cumsum()
    duration = (on_axis["end_s"] - on_axis["start_s"]).to_numpy()
    rate = np.where(duration > 0, (on_axis["clicks"] - on_axis["first_clicks"]) / np.maximum(duration, 1e-9), 0.0)
    outrun = rate * on_axis["gain_mm"] > axis.top_speed_mm_s
    noise = _position_noise(on_axis)
    jumped = (on_axis["before_mm"] - on_axis["rest_mm"].shift()).abs() > max(8 * noise, 2 * float(axis.step_mm))
    return pd.DataFrame({
        "rest_mm": on_axis["rest_mm"], "travel_mm": travel, "side": on_axis["last_way"].astype(float),
        "stretch": (outrun | jumped).cumsum(), "jumped": jumped,
    })  # fmt: skip


def _position_noise(on_axis: pd.DataFrame) -> float:
    known = on_axis["rest_noise_mm"].dropna()
    return float(np.sqrt((known**2).mean())) if len(known) else 0.0


def _regress(on_axis: pd.DataFrame, rests: pd.DataFrame, axis: Axis, floor_mm: float) -> _AxisFigures:
    gains = sorted(on_axis["gain_mm"].unique().tolist())
    nominal = np.column_stack([(on_axis["net"] * g * (on_axis["gain_mm"] == g)).cumsum() for g in gains])
    used = (rests["rest_mm"].notna() & (rests["travel_mm"] >= floor_mm)).to_numpy()
    design = np.column_stack([nominal, rests["side"]])[used]
    position, stretch = rests["rest_mm"].to_numpy()[used], rests["stretch"].to_numpy()[used]
    sudden = _sudden(design, position, stretch, _position_noise(on_axis))
    figures, wanders = _fit(design, position, stretch + np.cumsum(sudden))
    jumps = np.union1d(on_axis["start_s"][rests["jumped"]], on_axis["start_s"][used][sudden])
    return _AxisFigures(
        axis=axis.name, effective_gain_mm={g: figure.times(g) for g, figure in zip(gains, figures[:-1], strict=True)},
        slack_mm=figures[-1].times(-2.0), noise_mm=_position_noise(on_axis), rests=int(used.sum()),
        left_out=int((~used).sum()), jumps_s=tuple(jumps.tolist()), wanders=wanders,
    )  # fmt: skip


def _fit(design: _Floats, position: _Floats, stretch: _Ints) -> tuple[list[Figure], bool]:
    """Least squares with an offset of its own for each stretch; where errors pile up (True), of differences."""
    if len(position) < design.shape[1] + 3:
        return [_unknown("few_rests", len(position))] * design.shape[1], False
    _, number, counts = np.unique(stretch, return_inverse=True, return_counts=True)
    joined = np.column_stack([design, position])
    means = np.stack([np.bincount(number, weights=column) / counts for column in joined.T], axis=1)
    centred = joined - means[number]
    x, y = centred[:, :-1], centred[:, -1]
    coefficient = np.linalg.lstsq(x, y, rcond=None)[0]
    left = y - x @ coefficient
    same = np.diff(stretch) == 0
    steps, size = np.diff(left)[same], float(left @ left)
    if size > 0 and same.sum() >= 15 and float(steps @ steps) / size < _WANDERS:
        x, y = np.diff(design, axis=0)[same], np.diff(position)[same]
        return _figures(x, y, len(y) - x.shape[1]), True
    return _figures(x, y, len(y) - len(counts) - x.shape[1]), False


def _sudden(design: _Floats, position: _Floats, stretch: _Ints, noise_mm: float) -> NDArray[np.bool_]:
    """Rests before which the axis went far from where its clicks took it: position was lost, or it was moved.

    From rest to rest, by least absolute differences, which a few such steps can't sway."""
    found = np.zeros(len(position), dtype=bool)
    same = np.append(False, np.diff(stretch) == 0) if len(position) else found
    x, y = np.diff(design, axis=0)[same[1:]], np.diff(position)[same[1:]]
    if len(y) < design.shape[1] + 5:
        return found
    weight = np.ones(len(y))
    for _ in range(15):
        left = y - x @ np.linalg.lstsq(x * weight[:, None], y * weight, rcond=None)[0]
        weight = 1 / np.sqrt(np.maximum(np.abs(left), noise_mm + 1e-9))
    usual = 1.4826 * float(np.median(np.abs(left)))
    found[same] = np.abs(left) > 10 * max(usual, noise_mm, 1e-9)
    return found


def _figures(x: _Floats, y: _Floats, freedom: int) -> list[Figure]:
    """The t interval of each coefficient; unknown where the data leave it free."""
    if freedom < 3:
        return [_unknown("few_rests", len(y))] * x.shape[1]
    scale = np.sqrt((x**2).sum(axis=0))
    scale[scale == 0] = 1.0
    u, s, vt = np.linalg.svd(x / scale, full_matrices=False)
    kept = s > 1e-9 * max(float(s[0]), 1e-300)
    coefficient = vt[kept].T @ ((u[:, kept].T @ y) / s[kept]) / scale
    free = (vt[~kept] ** 2).sum(axis=0) > 1e-6
    left = y - x @ coefficient
    variance = float(left @ left) / freedom
    error = np.sqrt(variance * ((vt[kept] / s[kept, None]) ** 2).sum(axis=0)) / scale
    half = _t95(freedom) * error
    return [
        _unknown("rests_alike", len(y)) if lost else _around(c, h, len(y))
        for c, h, lost in zip(coefficient.tolist(), half.tolist(), free.tolist(), strict=True)
    ]


_LONGEST_DELAY_S = 0.6
_Part = tuple[_Floats, _Floats, _Floats, float, float]
"""A burst that began at rest: report times, clicks x gain, measured positions; top speed and ramp of its axis."""


def _find_parts(machine: Machine, rows: pd.DataFrame, bursts: pd.DataFrame, *, most: int) -> list[_Part]:
    """The bursts of a stretch of log that can tell the delay, in order of time.

    They begin and end at rest, go one way with the slack already taken up, and ask for no more than top speed."""
    parts: list[_Part] = []
    for name, on_axis in bursts.groupby("axis", sort=False):
        parts += _axis_parts(rows.loc[rows["axis"] == name], on_axis, machine.axis(str(name)), most)
    return sorted(parts, key=lambda part: float(part[0][0]))[:most]


def _axis_parts(rows: pd.DataFrame, on_axis: pd.DataFrame, axis: Axis, most: int) -> list[_Part]:
    time, position = rows["time_s"].to_numpy(), rows["position_mm"].to_numpy(float)
    asked = (rows["detents"] * rows["gain_mm"]).to_numpy(float)
    good = on_axis.loc[_fit_for_delay(on_axis.reset_index(drop=True), axis).to_numpy()]
    first = np.searchsorted(time, good["start_s"].to_numpy() - 1e-9)
    until = np.searchsorted(time, good["settled_s"].to_numpy(), side="right")
    picked = [slice(i, j) for i, j in zip(first, until, strict=True) if 4 <= j - i <= 500 and np.ptp(np.diff(time[i:j])) < 1]
    return [
        (time[at].copy(), asked[at].copy(), position[at].copy(), axis.top_speed_mm_s, axis.ramp_mm_s2)  # not the whole log's
        for at in picked[:most] if np.isfinite(position[at]).all()
    ]  # fmt: skip


def _fit_for_delay(on_axis: pd.DataFrame, axis: Axis) -> pd.Series[bool]:
    rests = _find_rests(on_axis, axis)
    floor = max(4 * axis.slack_mm, 5 * float(axis.finest_mm))
    taken_up = (rests["travel_mm"] - on_axis["one_way_mm"] >= floor) & on_axis["reversals"].eq(0)
    before = on_axis["rest_mm"].notna().shift(fill_value=False)
    outrun = on_axis["turn_rate"] * on_axis["gain_mm"] > axis.top_speed_mm_s
    far = on_axis["one_way_mm"] > 20 * _position_noise(on_axis)
    return taken_up & before & on_axis["rest_mm"].notna() & far & ~outrun & ~rests["jumped"] & on_axis["clicks"].ge(3)


def _delay_figure(parts: Sequence[_Part], *, least: int = 8) -> Figure:
    """The delay between a report and the motion it asks for [s], by correlation, with its interval.

    The measured movement from row to row is correlated with what the axis should have made of the clicks (aiming at each
    reported target within the machine file's top speed and ramp), shifted by a delay; the delay is where the correlation is
    highest. The interval takes each burst as one observation. It tells scatter, not a wrong ramp in the machine file: that
    shifts the delay."""
    count = len(parts)
    if count < least:
        return _unknown("few_bursts", count, needed=least)
    motion = _Motion(parts)
    grid = np.arange(0.0, _LONGEST_DELAY_S, 0.02)
    coarse = _Motion(parts[:150]) if count > 150 else motion
    delay = float(grid[np.argmin([coarse.misfit(float(d)) for d in grid])])
    for _ in range(12):
        pull, weight = motion.scores(delay)
        step = float(pull.sum() / weight.sum()) if weight.sum() > 0 else 0.0
        delay += float(np.clip(step, -0.02, 0.02))
        if abs(step) < 1e-7:
            break
    return _clustered(delay, *motion.scores(delay))


def _clustered(value: float, pull: _Floats, weight: _Floats) -> Figure:
    """The interval from the scatter of the bursts' own pulls, with as many degrees of freedom as they are worth."""
    total = float(weight.sum())
    if total <= 0:
        return _unknown("never_moves", len(pull))
    worth = total**2 / float((weight**2).sum())
    if worth < 4:
        return _unknown("bursts_alike", len(pull), value)
    leverage = 1 - weight / total  # a burst pulls the value toward itself: undo that
    error = math.sqrt(float(((pull / leverage) ** 2).sum())) / total
    return _around(value, _t95(worth - 1) * error, len(pull))


class _Motion:
    """What each burst's axis should have done without delay, its state at each report: x and v are (bursts, rows).

    Shorter bursts are padded at the end with their last row; `counts` says which steps from row to row are real."""

    def __init__(self, parts: Sequence[_Part]) -> None:
        rows = np.array([len(part[0]) for part in parts])
        time, self.asked_mm, position = (
            np.stack([np.append(values, np.full(rows.max() - len(values), values[-1])) for values in lanes])
            for lanes in zip(*((time, np.cumsum(asked), position) for time, asked, position, *_ in parts), strict=True)
        )
        self.time_s, self.moved = time - time[:, :1], np.diff(position, axis=1)
        self.counts = np.arange(1, rows.max()) < rows[:, None]
        self.top_speed_mm_s, self.ramp_mm_s2 = np.array([part[3:] for part in parts]).T
        self.x, self.v = np.zeros_like(time), np.zeros_like(time)
        for k in range(1, rows.max()):
            dt, asked = self.time_s[:, k] - self.time_s[:, k - 1], self.asked_mm[:, k - 1]
            x, v = self.x[:, k - 1], self.v[:, k - 1]
            self.x[:, k], self.v[:, k] = pursue(x, v, asked, self.top_speed_mm_s, self.ramp_mm_s2, dt)

    def at(self, delay_s: float) -> tuple[_Floats, _Floats]:
        """Position and speed that the axis should have at each row, so much later."""
        bursts, width = self.x.shape
        asked_at = self.time_s - delay_s
        apart = 2 * float(self.time_s.max()) + 2 * _LONGEST_DELAY_S + 1  # bursts laid end to end, in one search
        shift = apart * np.arange(bursts)[:, None]
        flat = (self.time_s + shift + 1e-9 * np.arange(width)).ravel()
        found = np.searchsorted(flat, (asked_at + shift + 5e-10).ravel(), side="right") - 1
        at = np.divmod(np.maximum(found, 0), width)
        begun = (asked_at.ravel() >= -5e-10) & (found >= 0)
        since = np.maximum(np.where(begun, asked_at.ravel() - self.time_s[at], 0.0), 0.0)
        top, ramp = self.top_speed_mm_s[at[0]], self.ramp_mm_s2[at[0]]
        x, v = pursue(self.x[at], self.v[at], self.asked_mm[at], top, ramp, since)
        return np.where(begun, x, 0.0).reshape(bursts, width), np.where(begun, v, 0.0).reshape(bursts, width)

    def misfit(self, delay_s: float) -> float:
        """The squared movement that the shifted motion leaves unexplained, each burst with its own scale."""
        should = np.diff(self.at(delay_s)[0], axis=1) * self.counts
        power = np.maximum((should**2).sum(axis=1), 1e-300)
        return -float(((self.moved * should).sum(axis=1) ** 2 / power).sum())

    def scores(self, delay_s: float) -> tuple[_Floats, _Floats]:
        """Each burst's pull on the delay, and how much it knows about it (Gauss-Newton)."""
        x, v = self.at(delay_s)
        should, slope = np.diff(x, axis=1) * self.counts, np.diff(v, axis=1) * self.counts
        power = np.maximum((should**2).sum(axis=1), 1e-300)
        scale = (self.moved * should).sum(axis=1) / power
        across = slope - should * ((slope * should).sum(axis=1) / power)[:, None]
        left = (self.moved - scale[:, None] * should) * self.counts
        return -scale * (left * across).sum(axis=1), scale**2 * (across**2).sum(axis=1)
