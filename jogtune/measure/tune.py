"""Ramps, delay, limit or queue from a script."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ..notes import Note
from .figure import Figure, _around, _Floats, _Ints, _t95

_CLOCK_S = 0.0012  # how far the clock of a row is off, as a standard deviation: our choice
_FLOORS = (0.02, 0.02, 0.005, 0.0015)  # shares, and s: intervals are no narrower, whatever the scatter; set on simulated logs
_LIMIT_FLOOR_CLICKS = 0.2
_LOOSE = np.array([0.3, 0.3, 0.01, 1.0])  # how near a fit stays to its start where the log says nothing: logarithms, 10 ms
_TOPS = (0.985, 0.9925, 1.0, 1.3, 1.8, 3.0)  # times the highest speed seen: a limit may have held it down
_STILL_S = 0.15  # a position unchanged for so long is at rest
_LEAST_EPISODES = 4
_ALIKE = 1.2  # replays whose misfits are nearer than this are alike
_LONGEST_QUEUE, _LIMITS, _NO_QUEUE = 12, 90, 1_000_000
_LIMITED, _QUEUED = slice(1, -_LONGEST_QUEUE), slice(-_LONGEST_QUEUE, None)  # where these stand among the habits replayed


@dataclass(frozen=True, kw_only=True, eq=False)
class _Episode:
    """From rest to rest one way on one rung: rows since the first clicks; positions count from the rest before, the way it went."""

    axis: str
    gain_mm: float
    time_s: _Floats
    clicks: _Ints
    x_mm: _Floats

    @property
    def fast_mm_s(self) -> float:
        """Nearly the highest speed, over a third of a second: whatever the clock does."""
        last = np.minimum(np.searchsorted(self.time_s, self.time_s + 0.3), len(self.time_s) - 1)
        way, time = self.x_mm[last] - self.x_mm, self.time_s[last] - self.time_s
        return float(np.quantile(way[:-1] / np.maximum(time[:-1], 0.3), 0.9))

    @property
    def asked_mm_s(self) -> float:
        """What a burst of a dozen clicks or more asked for; 0 of a shorter one."""
        lasted = float(self.time_s[np.flatnonzero(self.clicks)[-1]])
        return float(self.clicks[1:].sum()) * self.gain_mm / lasted if self.clicks.sum() >= 12 and lasted > 0 else 0.0

    def with_clicks(self, granted: _Floats) -> _Episode:
        """The same with what was granted of each report's clicks."""
        clicks = self.clicks.copy()
        clicks[clicks != 0] = granted
        return replace(self, clicks=clicks)


def _find_episodes(rows: pd.DataFrame, bursts: pd.DataFrame) -> list[_Episode]:
    """The turning of a stretch of log that begins and ends with the axis at rest, by its counted position."""
    found: list[_Episode] = []
    for name, mine in bursts.groupby("axis", sort=False):
        on_axis = rows.loc[(rows["axis"] == name) & rows["position_mm"].notna()]
        time, x, gain = (on_axis[column].to_numpy(float) for column in ("time_s", "position_mm", "gain_mm"))
        clicks = on_axis["detents"].to_numpy(np.int64)
        starts = np.searchsorted(time, mine["start_s"].to_numpy(float) - 1e-9)
        starts = starts[starts < len(time)]
        before = np.searchsorted(time, time[starts] - _STILL_S)
        moved = np.append(0, np.cumsum(np.diff(x) != 0))
        begins = starts[(moved[starts] == moved[before]) & (before < starts)]
        for first, until in itertools.pairwise([*begins.tolist(), len(time)]):
            last, way = int(np.searchsorted(moved, moved[until - 1])), np.sign(clicks[first])  # `last`: at rest for good
            rests = time[until - 1] - time[last] >= _STILL_S and not clicks[last:until].any()
            at = slice(first, last + 3)
            one_rung = np.ptp(gain[at][clicks[at] != 0]) < 1e-9 if way else False
            if rests and x[last] != x[first] and one_rung and (clicks[at] * way >= 0).all() and (np.diff(time[at]) > 0).all():
                found.append(_Episode(
                    axis=str(name), gain_mm=float(gain[first]), time_s=time[at] - time[first], clicks=clicks[at] * way,
                    x_mm=(x[at] - x[first]) * np.sign(x[last] - x[first]),
                ))  # fmt: skip
    return found


@dataclass(frozen=True, kw_only=True)
class _Drive:
    """How an axis moves: up and down its ramps, at most at its top speed, so long after it was told."""

    accel: float
    brake: float
    top: float
    delay_s: float

    def pursue(self, x: _Floats, v: _Floats, target: _Floats, dt: _Floats) -> tuple[_Floats, _Floats]:
        """Where it is, and how fast, after a time of aiming for rest at a target ahead, no nearer than it can stop.

        `axis/pursuit.py` has one ramp for up and down."""
        a, d, left = self.accel, self.brake, np.maximum(target - x, 0.0)
        peak = np.minimum(np.sqrt((2 * a * d * left + d * v * v) / (a + d)), self.top)
        up = np.clip((peak - v) / a, 0.0, dt)
        fast = v + a * up
        gone = (v + fast) / 2 * up
        even = np.clip((left - gone - fast * fast / (2 * d)) / np.maximum(fast, 1e-12), 0.0, dt - up)
        down = np.minimum(dt - up - even, fast / d)
        return x + gone + fast * even + (fast - d * down / 2) * down, np.maximum(fast - d * down, 0.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Replayed:
    """Episodes under each habit (the last index): positions at their rows [mm], root mean square of what these are off
    [clicks], clicks granted at each report that brought some, and the most that the target led [mm]."""

    x_mm: list[_Floats]
    off: _Floats
    granted: list[_Floats]
    lead_mm: _Floats

    @property
    def total(self) -> _Floats:
        return np.asarray(self.off.sum(axis=0))

    @property
    def best(self) -> int:
        return int(np.argmin(self.total))


def _replay(episodes: Sequence[_Episode], drive: _Drive, limits_mm: _Floats, queues: _Ints) -> _Replayed:
    """Each episode replayed under each habit: a limit, a queue that discards, or (inf, a million) neither."""
    told = [np.flatnonzero(one.clicks) for one in episodes]
    wide, shape = max(map(len, told)), (len(episodes), len(limits_mm))
    dt, clicks = np.zeros((wide, len(episodes), 1)), np.zeros((wide, len(episodes), 1))
    for e, (one, at) in enumerate(zip(episodes, told, strict=True)):
        dt[: len(at), e, 0], clicks[: len(at), e, 0] = np.diff(one.time_s[at], prepend=one.time_s[at[0]]), one.clicks[at]
    gain = np.array([one.gain_mm for one in episodes])[:, None]
    x, v, target, lead = (np.zeros(shape) for _ in range(4))
    moves, ends = np.zeros(shape, dtype=np.int64), np.zeros((_LONGEST_QUEUE, *shape))  # where moves end, the last few
    states = np.zeros((4, wide, *shape))
    for k in range(wide):
        x, v = drive.pursue(x, v, target, dt[k])
        fits = np.floor((limits_mm - (target - x)) / gain + 1e-9)
        granted = np.where((ends > x + 1e-9 * gain).sum(axis=0) < queues, np.clip(fits, 0, clicks[k]), 0)
        target = target + granted * gain
        slot = moves[None] % _LONGEST_QUEUE
        np.put_along_axis(ends, slot, np.where(granted > 0, target, np.take_along_axis(ends, slot, 0)), 0)
        moves, lead = moves + (granted > 0), np.maximum(lead, target - x)
        states[:, k] = x, v, target, granted
    seen = []
    for e, (one, at) in enumerate(zip(episodes, told, strict=True)):
        heard = np.searchsorted(one.time_s[at] + drive.delay_s, one.time_s, side="right") - 1
        since = np.maximum(one.time_s - drive.delay_s - one.time_s[at][heard], 0.0)[:, None]
        x, v, target = states[:3, np.maximum(heard, 0), e]
        seen.append(np.where(heard[:, None] < 0, 0.0, drive.pursue(x, v, target, since)[0]))
    off = [np.sqrt(np.mean((x - one.x_mm[:, None]) ** 2, axis=0)) / one.gain_mm for x, one in zip(seen, episodes, strict=True)]
    kept = [states[3, : len(at), e] for e, at in enumerate(told)]
    return _Replayed(x_mm=seen, off=np.array(off), granted=kept, lead_mm=lead)


def _fit(episodes: Sequence[_Episode], drive: _Drive, loose: _Floats = _LOOSE) -> tuple[_Drive, _Floats]:
    """Least squares (soft L1) of ramps, top speed and delay over every row, each click of the episodes granted; and half the 95 %
    intervals of the logarithms and of the delay: the wider of jackknife over episodes and curvature, and the floors."""
    from scipy.optimize import least_squares

    count = len(episodes)
    steps = np.diff(np.unique(np.concatenate([one.x_mm for one in episodes])))
    quantum = steps[steps > 1e-6].min(initial=episodes[0].gain_mm)
    sure = [np.hypot(quantum / math.sqrt(12), np.gradient(one.x_mm, one.time_s) * _CLOCK_S) for one in episodes]
    which = np.repeat(np.arange(count), [len(one) for one in sure])

    def off(p: _Floats) -> _Floats:
        ran = _replay(episodes, _driven(p), np.array([math.inf]), np.array([_NO_QUEUE]))
        parts = [(x[:, 0] - one.x_mm) / own for x, one, own in zip(ran.x_mm, episodes, sure, strict=True)]
        return np.concatenate([*parts, (p - first) / loose])

    first = np.array([math.log(drive.accel), math.log(drive.brake), math.log(drive.top), 100 * drive.delay_s])
    found = least_squares(off, first, loss="soft_l1", x_scale=0.1, bounds=(first - 4 * loose, first + 4 * loose),
                          diff_step=[1e-4], max_nfev=60)  # fmt: skip
    weight = (1 + found.fun**2) ** 0.25  # soft L1 has scaled `jac` by its cube: once is a Gauss-Newton step's
    jac, f = np.asarray(found.jac) * weight[:, None] ** 2, found.fun / weight
    total, parts = jac.T @ jac, [(jac[:-4][which == k], f[:-4][which == k]) for k in range(count)]
    without = np.array([np.linalg.lstsq(total - own.T @ own, own.T @ left)[0] for own, left in parts])
    curved = np.sqrt(np.diag(np.linalg.pinv(total)) * max(1.0, float(f @ f) / len(f)))
    half = np.maximum(_jackknifed(without), 1.96 * curved) / (1, 1, 1, 100)
    return _driven(found.x), np.hypot(np.minimum(half, 5.0), _FLOORS)


def _jackknifed(without: _Floats) -> _Floats:
    """Half the 95 % interval of figures, from what leaving out each episode makes of them."""
    return np.asarray(_t95(len(without) - 1) * math.sqrt(len(without) - 1) * without.std(axis=0))


def _habits(limits_mm: _Floats) -> tuple[_Floats, _Ints]:
    """Limits and queues to replay: owing, then the limits, then the queues."""
    return (np.concatenate([[math.inf], limits_mm, np.full(_LONGEST_QUEUE, math.inf)]),
            np.concatenate([np.full(1 + len(limits_mm), _NO_QUEUE), np.arange(1, _LONGEST_QUEUE + 1)]))  # fmt: skip


def _driven(p: _Floats) -> _Drive:
    accel, brake, top = np.exp(p[:3]).tolist()
    return _Drive(accel=accel, brake=brake, top=top, delay_s=float(p[3]) / 100)


@dataclass(frozen=True, kw_only=True)
class _Ramp:
    """What a script of turning says of one axis (degrees where a name says mm, on a rotary one).

    `habit`: what the firmware does with turning that is too fast: "owe", "limit", "queue", or "unclear". A figure with a low end
    and no high one is "at least" that."""

    axis: str
    accel_mm_s2: Figure
    brake_mm_s2: Figure
    top_mm_s: Figure
    delay_s: Figure
    habit: str
    limit_mm: Figure | None = None
    queue: Figure | None = None

    @property
    def slower(self) -> Figure:
        """The lower of the two ramps: the one to reckon with where there is but one."""
        return min((self.accel_mm_s2, self.brake_mm_s2), key=lambda ramp: ramp.value or math.inf)


def _measure_ramp(episodes: Sequence[_Episode]) -> _Ramp | None:
    """What the axis turned as the script asks shows; None where none was, or nothing that is known here explains it.

    What lost no click gives a first fit. Then all is replayed under owing, limits and queues; the habit is the one that is least
    off, summed over episodes so that one gone astray counts once. What it grants is fitted for good."""
    hard = [one.axis for one in episodes if one.asked_mm_s > 1.1 * one.fast_mm_s]
    name = max(hard, key=hard.count, default="")
    mine = [one for one in episodes if one.axis == name]
    if hard.count(name) < 2 or len(mine) < _LEAST_EPISODES:
        return None
    seen_mm_s = max(one.fast_mm_s for one in mine)
    whole = [one for one in mine if not one.asked_mm_s and abs(one.x_mm[-1] / one.gain_mm - one.clicks.sum()) < 0.25]
    # a start: each move taken as a triangle of speed, from the first row that moved to the first at rest
    moves = [(one, int(np.argmax(one.x_mm > 0)), int(np.argmax(one.x_mm == one.x_mm[-1]))) for one in whole or mine]
    ramps = [4 * one.x_mm[-1] / max(one.time_s[last] - one.time_s[first], one.time_s[1]) ** 2 for one, first, last in moves]
    ramp, delay_s = float(np.quantile(ramps, 0.75)), float(np.median([one.time_s[first] for one, first, _ in moves]))
    drive = _Drive(accel=ramp, brake=ramp, top=seen_mm_s, delay_s=delay_s)
    if whole:
        drive, _ = _fit(whole, drive, _LOOSE * (1, 1, 0.05, 1))
    most = max(float(one.clicks.sum()) * one.gain_mm for one in mine)
    limits = np.geomspace(0.9 * min(one.gain_mm for one in mine), most, _LIMITS)
    half: _Floats | None = None
    for tops, near_clicks in ((_TOPS, 0.35), ((1.0,), 0.1)):  # with every click where it was; and as well as can be told
        drives = [replace(drive, top=drive.top * times) for times in tops]
        ran, drive = min(((_replay(mine, one, *_habits(limits)), one) for one in drives), key=lambda pair: pair[0].total.min())
        explained = np.flatnonzero(ran.off[:, ran.best] < near_clicks)
        if len(explained) >= _LEAST_EPISODES:
            drive, half = _fit([mine[e].with_clicks(ran.granted[e][:, ran.best]) for e in explained], drive)
    if half is None:
        return None
    limits = limits[np.argmin(ran.total[_LIMITED])] * np.linspace(0.88, 1.12, 241)
    ran, quick = (_replay(mine, replace(drive, top=top), *_habits(limits)) for top in (drive.top, 1.5 * drive.top))
    figures = [Figure(value=v, low=v * math.exp(-h), high=v * math.exp(h), count=len(explained))
               for v, h in zip((drive.accel, drive.brake, drive.top), half.tolist(), strict=False)]  # fmt: skip
    if quick.total[ran.best] < _ALIKE * ran.total.min():  # a faster axis would have done the same
        figures[2] = _at_least(0.98 * seen_mm_s, len(mine), "held_down")
    found = _Ramp(
        axis=name, accel_mm_s2=figures[0], brake_mm_s2=figures[1], top_mm_s=figures[2], habit="owe",
        delay_s=_around(max(drive.delay_s, 0.0), float(half[3]), len(explained)),
        limit_mm=_at_least(float(ran.lead_mm[:, 0].max()), len(mine), "nothing_lost"),
    )  # fmt: skip
    losing = [one for one, granted in zip(mine, ran.granted, strict=True) if granted[:, ran.best].sum() < one.clicks.sum()]
    if ran.total[0] <= _ALIKE * ran.total.min() or not losing:
        return found
    without = ran.total - ran.off  # one episode left out
    votes = 1 + np.argmin(without[:, _QUEUED], axis=1)
    queue = Figure(value=1.0 + np.argmin(ran.total[_QUEUED]), low=float(votes.min()), high=float(votes.max()), count=len(losing))
    alike = [limits[off <= 1.02 * off.min()] for off in (ran.total[_LIMITED], *without[:, _LIMITED])]
    middle = np.array([np.median(one) for one in alike])
    told = max(float(np.ptp(alike[0])) / 2, float(_jackknifed(middle[1:])))
    floor = _LIMIT_FLOOR_CLICKS * min(one.gain_mm for one in mine)
    limit = _around(float(middle[0]), math.hypot(told, floor), len(losing))
    if len({one.gain_mm for one in losing}) < 2:
        return replace(found, habit="unclear", limit_mm=limit, queue=queue)
    if ran.best > len(limits):
        return replace(found, habit="queue", limit_mm=None, queue=queue)
    return replace(found, habit="limit", limit_mm=limit)


def _at_least(value: float, count: int, why: str) -> Figure:
    return Figure(value=value, low=value, count=count, why=Note(kind=why))
