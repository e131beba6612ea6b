"""Real distance, slack, delay."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..axis.pursuit import pursue
from ..machine.model import Axis, Machine
from ..notes import Note, Severity, Where
from .figure import Figure, _around, _Floats, _Ints, _t95, _unknown

_WANDERS = 1.0  # a Durbin-Watson statistic below this says that errors pile up from rest to rest


def _find_misread(machine: Machine, rows: pd.DataFrame) -> NDArray[np.bool_]:
    """Positions that jump and come straight back, within three rows: beyond those before and after by more than noise, steps and
    digits, the way from row to row beside them, and what was asked for there and back of late explain."""
    found, asked = np.zeros(len(rows), dtype=bool), (rows["detents"] * rows["gain_mm"]).to_numpy(float)
    for name in pd.unique(rows["axis"].astype(object)):
        mine = (rows["axis"] == name).to_numpy()
        at, time = np.flatnonzero(mine & rows["position_mm"].notna()), rows["time_s"].to_numpy(float)
        x = rows["position_mm"].to_numpy(float)[at]
        until, since = (np.searchsorted(time[mine], time[at] - late, "right") for late in (0, 2 * _LONGEST_DELAY_S))
        ways = [np.append(0, np.cumsum(np.maximum(way * asked[mine], 0))) for way in (1, -1)]
        moved = np.abs(np.diff(x, prepend=x[:1], append=x[-1:]))
        noise = float(np.median(np.abs(np.diff(x, 2)))) if len(x) > 2 else 0.0  # 1.65 standard deviations
        near = max(5 * noise, 2 * float(machine.axis(str(name)).step_mm), 2 * float(moved[moved > 1e-9].min(initial=np.inf)))
        for rows_off in (1, 2):
            first = np.arange(1, len(x) - rows_off)
            after, off = first + rows_off, np.add.outer(np.arange(rows_off), first)
            low, high = np.minimum(x[first - 1], x[after]), np.maximum(x[first - 1], x[after])
            beyond = np.maximum(x[off].min(axis=0) - high, low - x[off].max(axis=0))
            back = np.minimum(*(way[until[after]] - way[since[first]] for way in ways))
            found[at[off[:, beyond > near + back + (moved[first - 1] + moved[after + 1]) / 2]]] = True
    return found


@dataclass(frozen=True, kw_only=True)
class _AxisFigures:
    """What a log says about one axis: gain_mm -> real distance per click, slack, noise of a position at rest, how many `rests`
    were used, when the axis was moved otherwise, and whether errors piled up (position was lost on the way)."""

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

    Rests do not count where the axis had not settled, or not travelled far enough since its last reversal to have taken up the
    slack. A new stretch begins where clicks may be lost (the axis was outrun) and where it was moved by something else."""
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
_LOOSE = 0.7  # how near the logarithm of a ramp stays to the file's where the log says nothing: within a factor of four
_NEAR = 0.02  # a step of the logarithm, to see what a ramp changes
_Part = tuple[_Floats, _Floats, _Floats, float, float, str]
"""A burst that began at rest: report times, clicks x gain, measured positions; top speed, ramp and name of its axis."""


def _find_parts(machine: Machine, rows: pd.DataFrame, bursts: pd.DataFrame, *, most: int) -> list[_Part]:
    """The bursts of a stretch of log that can tell the delay, in order of time: from rest to rest, one way with the slack already
    taken up, asking for no more than top speed, and lacking few positions."""
    parts: list[_Part] = []
    for name, on_axis in bursts.groupby("axis", sort=False):
        mine, axis = rows.loc[rows["axis"] == name], machine.axis(str(name))
        time, position = mine["time_s"].to_numpy(), mine["position_mm"].to_numpy(float)
        asked = (mine["detents"] * mine["gain_mm"]).to_numpy(float)
        each = on_axis.reset_index(drop=True)
        rests, noise, known = _find_rests(each, axis), _position_noise(each), each["rest_mm"].notna()
        taken_up = rests["travel_mm"] - each["one_way_mm"] >= max(4 * axis.slack_mm, 5 * float(axis.finest_mm))
        fit = taken_up & each["reversals"].eq(0) & known & known.shift(fill_value=False) & each["clicks"].ge(3)
        outrun = each["turn_rate"] * each["gain_mm"] > axis.top_speed_mm_s
        good = each.loc[fit & (each["one_way_mm"] > 20 * noise) & ~outrun & ~rests["jumped"]]
        first = np.searchsorted(time, good["start_s"].to_numpy() - 1e-9)
        until = np.searchsorted(time, good["settled_s"].to_numpy(), side="right")
        for i, j in zip(first, until, strict=True):
            lanes = (time[i:j].copy(), asked[i:j].copy(), position[i:j].copy())  # not the whole log's
            if 4 <= j - i <= 500 and np.ptp(np.diff(time[i:j])) < 1 and np.isfinite(position[i:j]).mean() > 0.8:
                parts.append((*lanes, axis.top_speed_mm_s, axis.ramp_mm_s2, axis.name))
    return sorted(parts, key=lambda part: float(part[0][0]))[:most]


def _delay_figure(parts: Sequence[_Part], *, least: int = 8) -> tuple[Figure, dict[str, Figure]]:
    """The delay between a report and the motion it asks for [s], and the ramp of each axis [mm/s²], with their intervals.

    Least squares of both, and of a scale per burst: the measured movement from row to row against what the axis should have made
    of the clicks (aiming at each reported target within the machine file's top speed). Where the log says nothing of a ramp, the
    delay's interval allows for one within a factor of four of the file's. Intervals take each burst as one observation."""
    count = len(parts)
    if count < least:
        return _unknown("few_bursts", count, needed=least), {}
    names, which = np.unique([part[-1] for part in parts], return_inverse=True)
    meant = np.zeros((count, 2, 1 + len(names)))  # which of the unknowns is a burst's delay, and which its ramp
    meant[:, 0, 0] = meant[np.arange(count), 1, 1 + which] = 1
    few, delays = parts[:: count // 30 + 1], np.arange(0.0, _LONGEST_DELAY_S, 0.02).tolist()
    tried = [(log, _Motion(few, np.full(len(few), log))) for log in (-1.0, 0.0, 1.0)]
    _, late, log = min((motion.pulls(delay)[2], delay, log) for log, motion in tried for delay in delays)
    found, stride = np.append(late, np.full(len(names), log)), np.append(0.02, np.full(len(names), 0.3))
    for _ in range(12):
        own_pull, own_known, variance = _Motion(parts, found[1 + which]).pulls(float(found[0]))
        pull = np.einsum("ki,kip->kp", own_pull, meant)
        known = np.einsum("kip,kij,kjq->kpq", meant, own_known, meant)
        loose = variance * np.append(0, np.full(len(names), _LOOSE**-2))
        within = np.linalg.pinv(known.sum(axis=0) + np.diag(loose))
        step = within @ (pull.sum(axis=0) - loose * found)
        found += np.clip(step, -stride, stride)
        if np.abs(step).max() < 1e-6:
            break
    weights, total = np.einsum("ip,kpq,iq->ik", within, known, within), np.diag(within)
    every = zip(found.tolist(), within @ pull.T, weights, total.tolist(), strict=True)
    delay, *logs = (_clustered(*one, variance) for one in every)
    filed = {name: ramp for *_, ramp, name in parts}
    ramps = {name: _ramp(log, filed[name]) for name, log in zip(names.tolist(), logs, strict=True)}
    hidden, twice = tuple(name for name in ramps if not ramps[name].known), total[0] * known[:, 0, 0].sum() > 4
    if hidden and twice and delay.low is not None and delay.high is not None and delay.high - delay.low > 0.01:
        where, figures = Where(axes=hidden), {"low_s": max(delay.low, 0.0), "high_s": delay.high}
        delay = replace(delay, why=Note(kind="delay_or_ramp", severity=Severity.MIND, where=where, figures=figures))
    return delay, ramps


def _ramp(log: Figure, filed_mm_s2: float) -> Figure:
    """A ramp from the logarithm of how many times the file's it is; not told where it may as well be half as much again or less."""
    value, low, high = (filed_mm_s2 * math.exp(v if v is not None else math.nan) for v in (log.value, log.low, log.high))
    return Figure(value=value, low=low, high=high, count=log.count) if high < 2.25 * low else _unknown("ramp_hidden", log.count)


def _clustered(value: float, moves: _Floats, weights: _Floats, total: float, variance: float) -> Figure:
    """The interval from how far each burst moves the value, with as many degrees of freedom as their weights are worth."""
    if not weights.any():
        return _unknown("never_moves", len(moves))
    worth, leverage = total**2 / float((weights**2).sum()), 1 - weights / total  # a burst pulls the value toward itself: undo that
    error = math.sqrt(float(((moves / leverage) ** 2).sum()))
    return _around(value, max(_t95(max(worth - 1, 1)) * error, math.sqrt(variance * total)), len(moves))


class _Motion:
    """What each burst's axis should have done without delay, its state at each report: x and v are (bursts, rows).

    `log_ramp` says how many times the file's each ramp is; all bursts stand there again with a ramp a little higher, and lower.
    Shorter ones are padded at the end with their last row; `counts` says which steps from row to row are real and known."""

    def __init__(self, parts: Sequence[_Part], log_ramp: _Floats) -> None:
        log_ramp, parts = np.concatenate([log_ramp, log_ramp + _NEAR, log_ramp - _NEAR]), [*parts] * 3
        rows = np.array([len(part[0]) for part in parts])
        time, self.asked_mm, position = (
            np.stack([np.append(values, np.full(rows.max() - len(values), values[-1])) for values in lanes])
            for lanes in zip(*((time, np.cumsum(asked), position) for time, asked, position, *_ in parts), strict=True)
        )
        self.time_s, moved = time - time[:, :1], np.diff(position, axis=1)
        self.counts = (np.arange(1, rows.max()) < rows[:, None]) & np.isfinite(moved)
        self.moved = np.where(self.counts, moved, 0.0)
        self.top_speed_mm_s, ramp = np.array([part[3:5] for part in parts]).T
        self.ramp_mm_s2 = ramp * np.exp(log_ramp)
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

    def pulls(self, delay_s: float) -> tuple[_Floats, _Floats, float]:
        """Each burst's pull on the delay and on the logarithm of its ramp, how much it knows of both (Gauss-Newton), and the
        variance that is left of a movement, each burst with its own scale."""
        x, v = (np.split(np.diff(one, axis=1) * self.counts, 3) for one in self.at(delay_s))
        (should, more, less), moved = x, np.split(self.moved, 3)[0]
        slopes, power = np.stack([-v[0], (more - less) / (2 * _NEAR)]), np.maximum((should**2).sum(axis=1), 1e-300)
        scale = np.maximum((moved * should).sum(axis=1) / power, 0.0)[:, None]
        across = scale * (slopes - should * ((slopes * should).sum(axis=2) / power)[..., None])
        left = moved - scale * should
        variance = 3 * float((left**2).sum()) / max(int(self.counts.sum()), 1)
        return np.einsum("kr,ikr->ki", left, across), np.einsum("ikr,jkr->kij", across, across), variance
