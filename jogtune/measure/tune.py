"""Ramps, top speed, delay, limit or queue from a script of turning."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ..notes import Note
from .figure import Figure, _around, _Floats, _Ints

_CLOCK_S = 0.0012  # how far the clock of a row is off, as a standard deviation: our choice
_FLOORS = (0.02, 0.02, 0.005, 0.0015)  # shares, and s: intervals are no narrower, whatever the scatter; set on simulated logs
_LIMIT_FLOOR_CLICKS = 0.2
_LOOSE = np.array([0.3, 0.3, 0.01, 1.0])  # how near a fit stays to its start where the log says nothing
_STILL_S = 0.15  # a position unchanged for so long is at rest
_LEAST_EPISODES = 4
_HELD = 1.2  # replays whose misfits are nearer than this are alike
_LONGEST_QUEUE, _LIMITS, _NONE = 12, 90, 1_000_000


@dataclass(frozen=True, kw_only=True, eq=False)
class _Episode:
    """From rest to rest one way on one rung: rows since the first clicks; positions count that way from the rest before."""

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
        for first, until in zip(begins, np.append(begins[1:], len(time)), strict=True):
            last, way = int(np.searchsorted(moved, moved[until - 1])), np.sign(clicks[first])  # `last`: at rest for good
            rests = time[until - 1] - time[last] >= _STILL_S and not clicks[last:until].any()
            at = slice(first, last + 3)
            one_rung = np.ptp(gain[at][clicks[at] != 0]) < 1e-9 if way else False
            if rests and last > first and one_rung and (clicks[at] * way >= 0).all() and (np.diff(time[at]) > 0).all():
                found.append(_Episode(
                    axis=str(name), gain_mm=float(gain[first]), time_s=time[at] - time[first], clicks=clicks[at] * way,
                    x_mm=(x[at] - x[first]) * way,
                ))  # fmt: skip
    return found


def _line(time: _Floats, x: _Floats) -> tuple[float, float] | None:
    """√(2x) of a start, or of a stop timed backwards, against time while it is slow: the ramp, and when it begins. None where
    there are fewer than three rows. What one finds by hand in a spreadsheet."""
    speed = np.diff(x, prepend=0.0) / np.diff(time, prepend=-1.0)
    until = int(np.argmax(np.append(speed, np.inf) > 0.7 * speed.max()))
    rows = slice(max(int(np.argmax(x > 0)) - 1, 0), max(until, int(np.argmax(x > 0)) + 2))
    slope, at_0 = np.polyfit(time[rows], np.sqrt(2 * np.maximum(x[rows], 0)), 1)
    return (float(slope) ** 2, float(-at_0 / slope)) if slope > 0 else None


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
        seen.append(np.where(heard[:, None] < 0, 0.0, drive.pursue(*states[:3, np.maximum(heard, 0), e], since)[0]))
    off = [np.sqrt(np.mean((x - one.x_mm[:, None]) ** 2, axis=0)) / one.gain_mm for x, one in zip(seen, episodes, strict=True)]
    granted = [states[3, : len(at), e] for e, at in enumerate(told)]
    return _Replayed(x_mm=seen, off=np.array(off), granted=granted, lead_mm=lead)


def _fit(episodes: Sequence[_Episode], drive: _Drive, quantum: float) -> tuple[_Drive, _Floats]:
    """Least squares (soft L1) of ramps, top speed and delay over every row, each click of the episodes granted; and half the 95 %
    intervals of the logarithms and of the delay: the wider of jackknife over episodes and curvature, and the floors."""
    from scipy.optimize import least_squares
    from scipy.special import stdtrit

    count = len(episodes)
    sure = [np.hypot(quantum / math.sqrt(12), np.gradient(one.x_mm, one.time_s) * _CLOCK_S) for one in episodes]
    which = np.repeat(np.arange(count), [len(one) for one in sure])

    def off(p: _Floats) -> _Floats:
        ran = _replay(episodes, _driven(p), np.array([math.inf]), np.array([_NONE]))
        parts = [(x[:, 0] - one.x_mm) / own for x, one, own in zip(ran.x_mm, episodes, sure, strict=True)]
        return np.concatenate([*parts, (p - first) / _LOOSE])

    first = np.array([math.log(drive.accel), math.log(drive.brake), math.log(drive.top), 100 * drive.delay_s])
    found = least_squares(off, first, loss="soft_l1", bounds=(first - 4 * _LOOSE, first + 4 * _LOOSE), x_scale=0.1, diff_step=1e-4, max_nfev=15)
    f = found.fun * (1 + found.fun**2) ** 0.25  # scaled as soft L1 scales `jac`
    f, which = f, np.append(which, [-1] * 4)
    parts = [(found.jac[which == k], f[which == k]) for k in range(count)]
    total = found.jac.T @ found.jac
    without = np.array([np.linalg.lstsq(total - jac.T @ jac, jac.T @ own)[0] for jac, own in parts])
    scatter = np.sqrt((count - 1) / count * ((without - without.mean(axis=0)) ** 2).sum(axis=0))
    curved = np.sqrt(np.diag(np.linalg.pinv(total)) * max(1.0, float(f @ f) / len(f)))
    half = np.maximum(stdtrit(count - 1, 0.975) * scatter, 1.96 * curved) / (1, 1, 1, 100)
    return _driven(found.x), np.hypot(np.minimum(half, 5.0), _FLOORS)


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
    limit_mm: Figure = Figure(value=None)
    queue: Figure = Figure(value=None)


def _measure_ramp(episodes: Sequence[_Episode]) -> _Ramp | None:
    """The ramps of the axis that was turned as the script asks; None where none was.

    Starts and stops give the ramps by hand; with these the whole is replayed under owing, limits and queues, and the habit is the
    one that is least off, summed over episodes so that one gone astray counts once. What it grants is fitted, twice over."""
    hard = [one.axis for one in episodes if one.asked_mm_s > 1.1 * one.fast_mm_s]
    name = max(hard, key=hard.count, default="")
    mine = [one for one in episodes if one.axis == name]
    if hard.count(name) < 2 or len(mine) < _LEAST_EPISODES:
        return None
    steps = np.abs(np.diff(np.unique(np.concatenate([one.x_mm for one in mine]))))
    quantum = float(steps[steps > 1e-6].min(initial=mine[0].gain_mm))
    up = [line for one in mine if (line := _line(one.time_s, one.x_mm))]
    down = [line for one in mine if (line := _line(one.time_s[-1] - one.time_s[::-1], one.x_mm[-1] - one.x_mm[::-1]))]
    (accel, delay), (brake, _) = np.median(up, axis=0), np.median(down, axis=0)
    top = max(one.fast_mm_s for one in mine)
    drive = _Drive(accel=float(accel), brake=float(brake), top=top, delay_s=float(delay))
    whole = [one for one in mine if abs(one.x_mm[-1] / one.gain_mm - one.clicks.sum()) < 0.25]  # nothing was lost
    if len(whole) >= 3:
        drive, _ = _fit(whole, drive, quantum)
    for _ in range(1):
        ran = _habits(mine, drive)
        best = int(np.argmin(ran.off.sum(axis=0)))
        off = ran.off[:, best]
        explained = np.flatnonzero(off < 0.35)
        drive, half = _fit([_granted(mine[e], ran.granted[e][:, best]) for e in explained], drive, quantum)
    found = _Ramp(
        axis=name, accel_mm_s2=_ratio(drive.accel, half[0], len(explained)), brake_mm_s2=_ratio(drive.brake, half[1], len(explained)),
        top_mm_s=_ratio(drive.top, half[2], len(explained)), delay_s=_around(max(drive.delay_s, 0.0), half[3], len(explained)), habit="",
    )  # fmt: skip
    return _with_habit(found, mine, drive)


def _ratio(value: float, half: float, count: int) -> Figure:
    return Figure(value=value, low=value * math.exp(-half), high=value * math.exp(half), count=count)


def _granted(one: _Episode, granted: _Floats) -> _Episode:
    clicks = np.zeros_like(one.clicks)
    clicks[one.clicks != 0] = granted
    return replace(one, clicks=clicks)


def _tried(episodes: Sequence[_Episode]) -> tuple[_Floats, _Ints]:
    asked = max(float(one.clicks.sum()) * one.gain_mm for one in episodes)
    limits = np.geomspace(0.9 * min(one.gain_mm for one in episodes), asked, _LIMITS)
    queues = np.arange(1, _LONGEST_QUEUE + 1)
    return np.concatenate([[math.inf], limits, np.full(len(queues), math.inf)]), np.concatenate([np.full(1 + _LIMITS, _NONE), queues])


def _habits(episodes: Sequence[_Episode], drive: _Drive) -> _Replayed:
    return _replay(episodes, drive, *_tried(episodes))


def _with_habit(found: _Ramp, episodes: Sequence[_Episode], drive: _Drive) -> _Ramp:
    """The same with the firmware's habit; and with a top speed of "at least", where a faster axis would have done the same."""
    faster = replace(drive, top=1.5 * drive.top)
    ran, quick = _habits(episodes, drive), _habits(episodes, faster)
    off = ran.off.sum(axis=0)
    best, tried = int(np.argmin(off)), _tried(episodes)[0]
    if quick.off.sum(axis=0)[best] < _HELD * off[best]:
        top = found.top_mm_s
        found = replace(found, top_mm_s=Figure(value=top.value, low=top.low, count=top.count, why=Note(kind="held_down")))
    limited = 1 + int(np.argmin(off[1 : 1 + _LIMITS]))
    lost = np.array([one.clicks.sum() - granted[:, best].sum() for one, granted in zip(episodes, ran.granted, strict=True)]) > 0
    if off[0] <= _HELD * off[best] or not lost.any():
        least = float(ran.lead_mm[:, 0].max())
        none = Note(kind="nothing_lost")
        return replace(found, habit="owe", limit_mm=Figure(value=least, low=least, count=len(episodes), why=none))
    limit = _limit_figure(episodes, drive, float(tried[limited]))
    votes = 1 + np.argmin((off - ran.off)[:, 1 + _LIMITS :], axis=1)
    queue = Figure(value=1.0 + int(np.argmin(off[1 + _LIMITS :])), low=float(votes.min()), high=float(votes.max()), count=int(lost.sum()))
    if len({one.gain_mm for one, loses in zip(episodes, lost, strict=True) if loses}) < 2:
        return replace(found, habit="unclear", limit_mm=limit, queue=queue)
    return replace(found, habit="limit", limit_mm=limit) if best == limited else replace(found, habit="queue", queue=queue)


def _limit_figure(episodes: Sequence[_Episode], drive: _Drive, near_mm: float) -> Figure:
    """The limit near one: the middle of those that are as little off, with its interval from leaving out each episode."""
    from scipy.special import stdtrit

    fine = near_mm * np.linspace(0.88, 1.12, 241)
    ran = _replay(episodes, drive, fine, np.full(len(fine), _NONE))
    off, count = ran.off.sum(axis=0), len(episodes)

    def alike(off: _Floats) -> _Floats:
        return np.asarray(fine[off <= 1.02 * off.min()])

    value, without = float(np.median(alike(off))), np.array([np.median(alike(off - one)) for one in ran.off])
    scatter = float(stdtrit(count - 1, 0.975)) * math.sqrt((count - 1) / count * float(((without - without.mean()) ** 2).sum()))
    clicks = _LIMIT_FLOOR_CLICKS * min(one.gain_mm for one in episodes)
    half = math.hypot(scatter, clicks, float(np.ptp(alike(off))) / 2)
    return _around(value, half, count)
