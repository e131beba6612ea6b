"""Positions at rest to real distance per click, slack."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..machine.model import Axis
from .figure import CONFIDENCE, Figure, Floats, Ints, unknown

_WANDERS = 1.0  # a Durbin-Watson statistic below this says that errors pile up from rest to rest


@dataclass(frozen=True, kw_only=True)
class AxisFigures:
    """What a log says about one axis: gain_mm -> real distance per click, slack, noise of a position at rest.

    `rests` is how many rests were used, `left_out` how many not, `jumps_s` when the axis was moved otherwise,
    `wanders` whether errors piled up (position was lost on the way).
    """

    axis: str
    effective_gain_mm: Mapping[float, Figure]
    slack_mm: Figure
    noise_mm: float
    rests: int
    left_out: int
    jumps_s: tuple[float, ...] = ()
    wanders: bool = False


def measure_axis(bursts: pd.DataFrame, axis: Axis) -> AxisFigures:
    """Regression of the positions at rest on clicks x gain and on the side last approached from, for one axis.

    Rests that do not count: the axis had not settled, or had not travelled far enough since its last reversal to
    have taken up the slack. A new stretch begins where clicks may be lost (turned faster than the axis can follow)
    and where the axis was moved by something else. Intervals are t intervals of ordinary least squares.
    """
    on_axis = bursts.loc[bursts["axis"] == axis.name].reset_index(drop=True)
    rests = find_rests(on_axis, axis)
    floor = max(3 * axis.slack_mm, 5 * float(axis.finest_mm))
    found = _regress(on_axis, rests, axis, floor)
    slack = found.slack_mm.high
    if slack is not None and slack > floor / 1.5:  # more slack than thought: wait for more travel
        found = _regress(on_axis, rests, axis, 2.5 * slack)
    return found


def find_rests(on_axis: pd.DataFrame, axis: Axis) -> pd.DataFrame:
    """Per burst: the rest position after it, travel since the last reversal [mm], side, and its stretch."""
    before = on_axis["last_way"].shift().fillna(0)
    restarts = (on_axis["reversals"] > 0) | on_axis["last_way"].ne(before)
    travel = on_axis["one_way_mm"].groupby(restarts.cumsum()).cumsum()
    duration = (on_axis["end_s"] - on_axis["start_s"]).to_numpy()
    rate = np.where(duration > 0, (on_axis["clicks"] - on_axis["first_clicks"]) / np.maximum(duration, 1e-9), 0.0)
    outrun = rate * on_axis["gain_mm"] > axis.top_speed_mm_s
    noise = position_noise(on_axis)
    jumped = (on_axis["before_mm"] - on_axis["rest_mm"].shift()).abs() > max(8 * noise, 2 * float(axis.step_mm))
    return pd.DataFrame({
        "rest_mm": on_axis["rest_mm"], "travel_mm": travel, "side": on_axis["last_way"].astype(float),
        "stretch": (outrun | jumped).cumsum(), "jumped": jumped,
    })  # fmt: skip


def position_noise(on_axis: pd.DataFrame) -> float:
    known = on_axis["rest_noise_mm"].dropna()
    return float(np.sqrt((known**2).mean())) if len(known) else 0.0


def _regress(on_axis: pd.DataFrame, rests: pd.DataFrame, axis: Axis, floor_mm: float) -> AxisFigures:
    gains = sorted(on_axis["gain_mm"].unique().tolist())
    nominal = np.column_stack([(on_axis["net"] * g * (on_axis["gain_mm"] == g)).cumsum() for g in gains])
    used = (rests["rest_mm"].notna() & (rests["travel_mm"] >= floor_mm)).to_numpy()
    design = np.column_stack([nominal, rests["side"]])[used]
    position, stretch = rests["rest_mm"].to_numpy()[used], rests["stretch"].to_numpy()[used]
    sudden = _sudden(design, position, stretch, position_noise(on_axis))
    figures, wanders = _fit(design, position, stretch + np.cumsum(sudden))
    jumps = np.union1d(on_axis["start_s"][rests["jumped"]], on_axis["start_s"][used][sudden])
    return AxisFigures(
        axis=axis.name, effective_gain_mm={g: figure.times(g) for g, figure in zip(gains, figures[:-1], strict=True)},
        slack_mm=figures[-1].times(-2.0), noise_mm=position_noise(on_axis), rests=int(used.sum()),
        left_out=int((~used).sum()), jumps_s=tuple(jumps.tolist()), wanders=wanders,
    )  # fmt: skip


def _fit(design: Floats, position: Floats, stretch: Ints) -> tuple[list[Figure], bool]:
    """Least squares with an offset of its own for each stretch; where errors pile up (True), of differences."""
    if len(position) < design.shape[1] + 3:
        return [unknown("few_rests", len(position))] * design.shape[1], False
    x, y, freedom = _within(design, position, stretch)
    coefficient = np.linalg.lstsq(x, y, rcond=None)[0]
    left = y - x @ coefficient
    same = np.diff(stretch) == 0
    steps, size = np.diff(left)[same], float(left @ left)
    if size > 0 and same.sum() >= 15 and float(steps @ steps) / size < _WANDERS:
        x, y = np.diff(design, axis=0)[same], np.diff(position)[same]
        return _figures(x, y, len(y) - x.shape[1]), True
    return _figures(x, y, freedom), False


def _sudden(design: Floats, position: Floats, stretch: Ints, noise_mm: float) -> NDArray[np.bool_]:
    """Rests before which the axis went far from where its clicks took it: position was lost, or it was moved.

    From rest to rest, by least absolute differences, which a few such steps can't sway.
    """
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


def _within(design: Floats, position: Floats, stretch: Ints) -> tuple[Floats, Floats, int]:
    """Each stretch counted from its own mean; and the degrees of freedom that are left."""
    _, number, counts = np.unique(stretch, return_inverse=True, return_counts=True)
    joined = np.column_stack([design, position])
    means = np.stack([np.bincount(number, weights=column) / counts for column in joined.T], axis=1)
    centred = joined - means[number]
    return centred[:, :-1], centred[:, -1], len(position) - len(counts) - design.shape[1]


def _figures(x: Floats, y: Floats, freedom: int) -> list[Figure]:
    """The t interval of each coefficient; unknown where the data leave it free."""
    from scipy.special import stdtrit

    scale = np.sqrt((x**2).sum(axis=0))
    scale[scale == 0] = 1.0
    u, s, vt = np.linalg.svd(x / scale, full_matrices=False)
    kept = s > 1e-9 * max(float(s[0]), 1e-300)
    coefficient = vt[kept].T @ ((u[:, kept].T @ y) / s[kept]) / scale
    free = (vt[~kept] ** 2).sum(axis=0) > 1e-6 if (~kept).any() else np.zeros(x.shape[1], dtype=bool)
    if freedom < 3:
        return [unknown("few_rests", len(y))] * x.shape[1]
    left = y - x @ coefficient
    variance = float(left @ left) / freedom
    error = np.sqrt(variance * ((vt[kept] / s[kept, None]) ** 2).sum(axis=0)) / scale
    half = stdtrit(freedom, 0.5 + CONFIDENCE / 2) * error
    return [
        unknown("rests_alike", len(y)) if lost else Figure(value=c, low=c - h, high=c + h, count=len(y))
        for c, h, lost in zip(coefficient.tolist(), half.tolist(), free.tolist(), strict=True)
    ]
