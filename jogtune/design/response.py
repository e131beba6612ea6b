"""How an axis answers a knob: it chases the reported target within its top speed and ramp.

The axis is a double integrator. At any moment it does what brings it to rest at the target in the least
time. Until the next report its motion has at most three phases of constant acceleration:

1. ramp from the present speed to the peak speed of the move (or down to the top speed, if above it);
2. cruise at the peak, where there is room for it;
3. brake to rest on the target.

`pursue_once` says so in plain numbers, one line a thought; `pursue` does the same for arrays.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..ladder import Ladder
from ..machine import Axis, Link, Machine
from ..units import say_distance
from .limits import (
    ALLOWED_RIPPLE_SHARE,
    ALLOWED_RUN_ON_S,
    FeltDelay,
    Ripple,
    carries_evenly,
    distance_per_report_mm,
    felt_delay,
    forgiven_run_on_bound_mm,
    outrun_run_on_mm,
    owed_run_on_mm,
    owed_run_on_s,
    steady_ripple,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_TINY = 1e-200  # keeps a division by a resting speed finite; the quotient is clipped afterwards
_AGES_S = 1e9  # long enough for any axis to come to rest
_CLICK_SLACK = 1e-9  # a click that fits but for rounding, fits
_NEARLY = 1.0 - 1e-9  # the ceiling, but for rounding
_BLOCK = 4096  # lanes advanced together: their work arrays fit a core's second cache
_MOST_LANES = 400_000  # lanes held at once; more ladders are replayed in parts
_MOST_SETTLING = 2000  # reports; within a hair of the top speed the first lag is never quite made up
_MOST_REPORTS = 50_000_000


# --- one interval of the pursuit -------------------------------------------------------------------------


def pursue_once(
    x_mm: float, v_mm_s: float, target_mm: float, top_mm_s: float, ramp_mm_s2: float, dt_s: float
) -> tuple[float, float]:
    """Where one axis is, and how fast, after `dt_s` of aiming for rest at a fixed target.

    Any state will do: moving away, above the top speed, too near to stop. Speeds and distances are divided
    by the ramp, so that a speed is the time it takes to brake from it. A top speed of 0 brakes and stays.
    Returns position [mm] and velocity [mm/s].

    >>> pursue_once(0.0, 0.0, 10.0, top_mm_s=50.0, ramp_mm_s2=500.0, dt_s=0.1)
    (2.5, 50.0)
    >>> pursue_once(0.0, 0.0, 10.0, top_mm_s=50.0, ramp_mm_s2=500.0, dt_s=0.4)
    (10.0, 0.0)
    """
    stop = v_mm_s * abs(v_mm_s) / (2.0 * ramp_mm_s2)  # braking now would end here, counted from x
    side = 1.0 if target_mm - x_mm >= stop else -1.0  # the way to push; from here on that way is positive
    speed = side * v_mm_s / ramp_mm_s2
    away = side * (target_mm - x_mm) / ramp_mm_s2
    peak = min(math.sqrt(max(away + 0.5 * speed * speed, 0.0)), top_mm_s / ramp_mm_s2)
    change = min(max(peak - speed, -dt_s), dt_s)  # phase 1: ramp to the peak
    time_1 = abs(change)  # exactly dt_s where the ramp outlasts the interval, so that nothing is left then
    speed_1 = speed + change
    away = away - 0.5 * (speed + speed_1) * time_1
    left = dt_s - time_1
    time_2 = (away - 0.5 * speed_1 * speed_1) / max(speed_1, _TINY)  # phase 2: cruise at the peak
    time_2 = min(max(time_2, 0.0), left)
    left = left - time_2
    brake = max(speed_1, 0.0)
    if left > brake:  # time to spare after braking: at rest on the target
        return target_mm, 0.0
    time_3 = min(left, brake)  # phase 3: brake
    speed_3 = speed_1 - time_3
    away = away - speed_1 * time_2 - 0.5 * (speed_1 + speed_3) * time_3
    return target_mm - side * away * ramp_mm_s2, side * speed_3 * ramp_mm_s2


def pursue(
    x_mm: ArrayLike,
    v_mm_s: ArrayLike,
    target_mm: ArrayLike,
    top_mm_s: ArrayLike,
    ramp_mm_s2: ArrayLike,
    dt_s: ArrayLike,
) -> tuple[Floats, Floats]:
    """`pursue_once` for arrays that broadcast together; returns positions [mm] and velocities [mm/s].

    ValueError where a ramp isn't above 0, a top speed or a time is below 0, or a number isn't finite.

    >>> x, v = pursue(0.0, [0.0, 50.0], 10.0, top_mm_s=50.0, ramp_mm_s2=500.0, dt_s=[0.1, 0.1])
    >>> x, v
    (array([2.5, 5. ]), array([50., 50.]))
    """
    x, v, target, top, ramp, dt = _checked(x_mm, v_mm_s, target_mm, top_mm_s, ramp_mm_s2, dt_s)
    away, speed, side, _ = _facing(x, v, target, ramp)
    change = _first_change(away, speed, top / ramp, dt)
    time_1 = np.abs(change)
    speed_1 = speed + change
    away = away - 0.5 * (speed + speed_1) * time_1
    time_2 = (away - 0.5 * speed_1 * speed_1) / np.maximum(speed_1, _TINY)
    time_2 = np.minimum(np.maximum(time_2, 0.0), dt - time_1)
    left = dt - time_1 - time_2
    brake = np.maximum(speed_1, 0.0)
    speed_3 = speed_1 - np.minimum(left, brake)
    away = away - speed_1 * time_2 - 0.5 * (speed_1 + speed_3) * np.minimum(left, brake)
    arrived = left > brake
    position = np.where(arrived, target, target - side * away * ramp)
    return position, np.where(arrived, 0.0, side * speed_3 * ramp)


def pursuit_extremes(
    x_mm: ArrayLike,
    v_mm_s: ArrayLike,
    target_mm: ArrayLike,
    top_mm_s: ArrayLike,
    ramp_mm_s2: ArrayLike,
    dt_s: ArrayLike,
) -> tuple[Floats, Floats, Floats]:
    """Lowest and highest position [mm] and highest speed [mm/s] that `pursue` passes, ends included; exact.

    The way turns back at most once, where the axis first has to brake from moving the wrong way.

    >>> low, high, fastest = pursuit_extremes(0.0, 50.0, 1.0, top_mm_s=50.0, ramp_mm_s2=500.0, dt_s=1.0)
    >>> float(low), float(high), float(fastest)
    (0.0, 2.5, 50.0)
    """
    x, v, target, top, ramp, dt = _checked(x_mm, v_mm_s, target_mm, top_mm_s, ramp_mm_s2, dt_s)
    end, _ = pursue(x, v, target, top, ramp, dt)
    away, speed, _, stop = _facing(x, v, target, ramp)
    turns = (speed < 0.0) & (-speed <= dt)
    turn = np.where(turns, x + stop, x)
    fastest = np.maximum(np.abs(v), ramp * np.abs(speed + _first_change(away, speed, top / ramp, dt)))
    return np.minimum(np.minimum(x, end), turn), np.maximum(np.maximum(x, end), turn), fastest


def rest_time_s(
    x_mm: ArrayLike, v_mm_s: ArrayLike, target_mm: ArrayLike, top_mm_s: ArrayLike, ramp_mm_s2: ArrayLike
) -> Floats:
    """Time [s] that `pursue` takes from any state to rest at the target; infinite under a top speed of 0.

    >>> rest_time_s(0.0, [0.0, 60.0], [10.0, 20.0], top_mm_s=50.0, ramp_mm_s2=500.0)
    array([0.3  , 0.448])
    """
    x, v, target, top, ramp, _ = _checked(x_mm, v_mm_s, target_mm, top_mm_s, ramp_mm_s2, 0.0)
    away, speed, _, _ = _facing(x, v, target, ramp)
    peak = speed + _first_change(away, speed, top / ramp, np.full_like(away, np.inf))
    ramps = np.abs(peak - speed)
    cruise = np.maximum(away - 0.5 * (speed + peak) * ramps - 0.5 * peak * peak, 0.0)
    waits = np.where(cruise > 0.0, np.inf, 0.0)
    time = ramps + peak + np.divide(cruise, peak, out=waits, where=peak > 0.0)
    # Braking onto the target already, but for rounding: without this, a last bit of distance too little or
    # too much would add a tiny move whose time is the square root of that bit.
    half_square = 0.5 * speed * np.abs(speed)
    braking = np.abs(away - half_square) <= 1e-12 * (np.abs(away) + np.abs(half_square))
    return np.where(braking, np.abs(speed), time)


def _facing(x: Floats, v: Floats, target: Floats, ramp: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Distance and speed over the ramp, counted the way the axis must push; that way; the stopping way."""
    stop = v * np.abs(v) / (2.0 * ramp)
    side = np.where(target - x >= stop, 1.0, -1.0)
    return side * (target - x) / ramp, side * v / ramp, side, stop


def _first_change(away: Floats, speed: Floats, cap: Floats, dt: Floats) -> Floats:
    """Change of speed over the ramp in the first phase, as far as the interval lets it."""
    peak = np.minimum(np.sqrt(np.maximum(away + 0.5 * speed * speed, 0.0)), cap)
    return np.minimum(np.maximum(peak - speed, -dt), dt)


def _checked(*values: ArrayLike) -> tuple[Floats, ...]:
    """The six arguments of a pursuit, broadcast together and within their limits."""
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=float) for value in values))
    names = ("x_mm", "v_mm_s", "target_mm", "top_mm_s", "ramp_mm_s2", "dt_s")
    faults = [f"{n}: must be finite" for n, a in zip(names, arrays, strict=True) if not np.isfinite(a).all()]
    faults += [f"{names[i]}: must not be below 0" for i in (3, 5) if (arrays[i] < 0).any()]
    if (arrays[4] <= 0).any():
        faults.append("ramp_mm_s2: must be above 0")
    if faults:
        raise ValueError("; ".join(faults))
    return tuple(arrays)


# --- the link: from turns to reports ---------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Reports:
    """What reaches the machine: one row for each report received, and one for each stop after a silence.

    `time_s` is when the machine learns of it (ascending), `detents` the clicks it brings, `rung` the selector's
    rung (0 is the first) as the report states it, `stop` marks a silence that has lasted too long. The rest
    counts what went missing on the way: `lost_detents` with lost reports, `discarded_detents` in silences,
    `ignored_detents` while the selector was between its positions.
    """

    time_s: Floats
    detents: Ints
    rung: Ints
    stop: Bools
    interval_s: float
    sent_reports: int
    lost_reports: int = 0
    silences: int = 0
    turned_net_detents: int = 0
    lost_detents: int = 0
    discarded_detents: int = 0
    ignored_detents: int = 0

    @property
    def missing_net_detents(self) -> int:
        """Clicks turned less clicks brought, both signed: how far off the count the machine ends."""
        return self.turned_net_detents - int(self.detents.sum())


def reports_as_logged(
    time_s: ArrayLike,
    detents: ArrayLike,
    *,
    interval_s: float,
    rung: ArrayLike | None = None,
    fill_idle: bool = False,
) -> Reports:
    """Reports whose own times are known, as a recorder on the machine's side writes them.

    Reports without clicks matter to *spread* and to a queue. Where a log leaves them out, `fill_idle` puts one
    at each interval between its rows.

    >>> reports_as_logged([0.0, 0.04], [2, -1], interval_s=0.04).turned_net_detents
    1
    >>> reports_as_logged([0.0, 0.12], [2, -1], interval_s=0.04, fill_idle=True).detents
    array([ 2,  0,  0, -1])
    """
    times, clicks, rungs = _turns(time_s, detents, rung)
    if fill_idle:
        times, clicks, rungs = _filled(times, clicks, rungs, _above_zero("interval_s", interval_s))
    return Reports(
        time_s=times,
        detents=clicks,
        rung=rungs,
        stop=np.zeros(len(times), dtype=bool),
        interval_s=_above_zero("interval_s", interval_s),
        sent_reports=len(times),
        turned_net_detents=int(clicks.sum()),
    )


def report_turns(
    time_s: ArrayLike,
    detents: ArrayLike,
    link: Link,
    *,
    rung: ArrayLike | None = None,
    seed: int = 0,
    gaps_s: Sequence[tuple[float, float]] = (),
    steady_contact_s: float = 0.0,
    phase_s: float = 0.0,
) -> Reports:
    """What a link makes of a hand's turns: reports at its interval, late, and some of them lost.

    `time_s` [s, ascending], `detents` (signed) and `rung` (0-based, the selector's position from that row on)
    are the turns. The knob reports at `phase_s` + k · interval, turned or not. A report arrives after the
    link's delay and up to its jitter more, in order. It is lost by chance (`loss_share`, seeded) or when sent
    inside one of `gaps_s`. *Running* counts bring what lost reports missed; *increments* lose it. When nothing
    arrives for longer than the silence limit the axis is told to stop; the next report only restarts the
    count, and the clicks of the gap are discarded. Clicks reported while the selector has stood on its
    contact for less than `steady_contact_s` are ignored. ValueError names what is wrong.

    >>> from jogtune.machine import Link
    >>> link = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25)
    >>> reports = report_turns([0.01, 0.03, 0.07], [1, 1, 1], link)
    >>> reports.time_s[reports.detents != 0], reports.detents[reports.detents != 0]
    (array([0.045, 0.085]), array([2, 1]))
    """
    times, clicks, rungs = _turns(time_s, detents, rung)
    interval = _above_zero("report_interval_s", link.report_interval_s)
    if link.silence_s <= interval + link.jitter_s:
        raise ValueError(
            f"silence = {link.silence_s} s: must be longer than report interval and jitter together "
            f"({interval + link.jitter_s} s), else every report counts as a lost link; raise it"
        )
    sent, per_report, slot = _on_the_grid(times, clicks, interval, phase_s, link.silence_s, gaps_s)
    rng = np.random.default_rng(seed)
    lost = rng.random(len(sent)) < link.loss_share
    for start, end in gaps_s:
        lost |= (sent >= start) & (sent <= end)
    lost[[0, -1]] = False
    arrival = np.maximum.accumulate(sent + link.delay_s + link.jitter_s * rng.random(len(sent)))
    selected, settled = _selector(times, rungs, slot, sent, steady_contact_s)
    return _received(link, sent, per_report, lost, arrival, selected, settled)


def _turns(time_s: ArrayLike, detents: ArrayLike, rung: ArrayLike | None) -> tuple[Floats, Ints, Ints]:
    """Turns as arrays of one length: finite ascending times, whole clicks, rungs from 0."""
    times = _real(time_s)
    clicks: NDArray[Any] = np.asarray(detents)
    rungs: NDArray[Any] = np.zeros(times.shape, dtype=np.int64) if rung is None else np.asarray(rung)
    if times.ndim != 1 or not times.shape == clicks.shape == rungs.shape:
        shapes = f"{times.shape}, {clicks.shape}, {rungs.shape}"
        raise ValueError(f"time_s, detents, rung: must be columns of one length, not {shapes}")
    if not np.isfinite(times).all() or (np.diff(times) < 0).any():
        raise ValueError("time_s: must be finite and never go back; sort the rows by time")
    whole, rung_whole = _whole("detents", clicks), _whole("rung", rungs)
    if len(rung_whole) and rung_whole.min() < 0:
        raise ValueError("rung: must not be below 0; the first rung is 0")
    return times, whole, rung_whole


def _filled(times: Floats, clicks: Ints, rungs: Ints, interval: float) -> tuple[Floats, Ints, Ints]:
    """The same rows with idle ones an interval apart between them."""
    rows = np.append(np.maximum(np.rint(np.diff(times) / interval), 1.0), 1.0).astype(np.int64)[: len(times)]
    if rows.sum() > _MOST_REPORTS:
        raise ValueError(f"{rows.sum()} reports of {interval} s: more than {_MOST_REPORTS}; cut the log into parts")
    first = np.repeat(np.cumsum(rows) - rows, rows)
    after = np.arange(len(first)) - first
    filled = np.where(after == 0, np.repeat(clicks, rows), 0)
    return _real(np.repeat(times, rows) + interval * after), filled, np.repeat(rungs, rows)


def _real(values: ArrayLike) -> Floats:
    real: Floats = np.asarray(values, dtype=np.float64)
    return real


def _whole(name: str, values: NDArray[np.generic]) -> Ints:
    """Whole numbers as int64; ValueError where one has a fraction or isn't finite."""
    floats = np.asarray(values, dtype=np.float64)
    if not np.isfinite(floats).all() or (floats != np.floor(floats)).any():
        raise ValueError(f"{name}: must be whole numbers")
    whole: Ints = floats.astype(np.int64)
    return whole


def _above_zero(name: str, value: float) -> float:
    if not value > 0 or not math.isfinite(value):
        raise ValueError(f"{name} = {value}: must be above 0 and finite")
    return float(value)


def _on_the_grid(
    times: Floats, clicks: Ints, interval: float, phase: float, silence: float, gaps: Sequence[tuple[float, float]]
) -> tuple[Floats, Ints, Ints]:
    """When reports are sent, the clicks each interval saw, and the report that first knows of each row.

    The grid runs from one report before the first turn to past the silence limit after the last turn or gap.
    A turn on the grid (to a millionth of an interval) belongs to the report sent then.
    """
    if not len(times):
        return np.array([phase]), np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.int64)
    slot = np.ceil((times - phase) / interval - 1e-6).astype(np.int64)
    first = int(slot[0]) - 1
    last_time = max([float(times[-1]), *(end for _, end in gaps)])
    count = math.ceil((last_time - phase + silence) / interval) + 3 - first
    if count > _MOST_REPORTS:
        raise ValueError(f"{count} reports of {interval} s: more than {_MOST_REPORTS}; cut the log into parts")
    per_report = np.zeros(count, dtype=np.int64)
    np.add.at(per_report, slot - first, clicks)
    return _real(phase + interval * np.arange(first, first + count)), per_report, slot - first


def _selector(
    times: Floats, rungs: Ints, slot: Ints, sent: Floats, steady_contact_s: float
) -> tuple[Ints, Bools]:
    """The rung that each report states, and whether its contact had stood long enough to count."""
    if not len(times):
        return np.zeros(len(sent), dtype=np.int64), np.ones(len(sent), dtype=bool)
    row = np.maximum(np.searchsorted(slot, np.arange(len(sent)), side="right") - 1, 0)
    changed = np.flatnonzero(np.diff(rungs, prepend=rungs[0]))
    since = np.full(len(times), -np.inf)
    since[changed] = times[changed]
    since = np.maximum.accumulate(since)
    return rungs[row], sent - since[row] >= steady_contact_s - 1e-9


def _received(
    link: Link, sent: Floats, per_report: Ints, lost: Bools, arrival: Floats, rung: Ints, settled: Bools
) -> Reports:
    """Reports as the machine sees them: counts differenced, silences turned into stops."""
    got = np.flatnonzero(~lost)
    at = arrival[got]
    after_silence = np.diff(at, prepend=at[0]) > link.silence_s
    running = np.cumsum(per_report)[got]
    brings = np.diff(running, prepend=0) if link.counts == "running" else per_report[got]
    brings = np.where(after_silence | ~settled[got], 0, brings)
    # the gap that each sent report falls into: that of the next report to arrive
    owner = np.searchsorted(got, np.arange(len(sent)))
    clicks = np.abs(per_report)
    in_silence = after_silence[owner]
    unsettled = ~settled[got][owner] & ~in_silence & (~lost | (link.counts == "running"))
    gone = lost & ~in_silence if link.counts == "increments" else np.zeros(len(sent), dtype=bool)
    stops = at[np.flatnonzero(after_silence) - 1] + link.silence_s
    order = np.argsort(np.concatenate([at, stops]), kind="stable")
    none = np.zeros(len(stops), dtype=np.int64)
    return Reports(
        time_s=np.concatenate([at, stops])[order],
        detents=np.concatenate([brings, none])[order],
        rung=np.concatenate([rung[got], rung[got][np.flatnonzero(after_silence) - 1]])[order],
        stop=np.concatenate([np.zeros(len(at), dtype=bool), np.ones(len(stops), dtype=bool)])[order],
        interval_s=link.report_interval_s,
        sent_reports=len(sent),
        lost_reports=int(lost.sum()),
        silences=len(stops),
        turned_net_detents=int(per_report.sum()),
        lost_detents=int(clicks[gone].sum()),
        discarded_detents=int(clicks[in_silence].sum()),
        ignored_detents=int(clicks[unsettled].sum()),
    )


# --- habits, and one axis followed through its reports ---------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Habit:
    """How a controller treats what the knob reports.

    `too_fast`: *owe* finishes every click and runs on; *forgive* gives up the clicks beyond what the axis can
    stop at plus one report's travel at top speed (or one click, if that is more). `speed`: *dash* moves at top
    speed; *spread* moves at the speed that would take one report interval, set at each report. `queue`: how
    many moves may be committed ahead, one a report; committed moves run to their end, a reversal waits for
    them, and `when_full` says whether new clicks *wait*, *merge* into one move, or are *discarded*. None: a
    target that may be moved at any time. `rung_change`: *keep* what is still owed when the selector turns, or
    *stop* and drop it. Forgiving and stopping need motion that can be cancelled, so not a queue.

    >>> Habit(too_fast="forgive", queue=8)
    Traceback (most recent call last):
    ValueError: queue = 8 with too_fast = "forgive": committed moves can't be cancelled; use "owe" or no queue
    """

    too_fast: Literal["owe", "forgive"] = "owe"
    speed: Literal["dash", "spread"] = "dash"
    queue: int | None = None
    when_full: Literal["wait", "merge", "discard"] = "wait"
    rung_change: Literal["keep", "stop"] = "keep"

    def __post_init__(self) -> None:
        allowed = {
            "too_fast": ("owe", "forgive"),
            "speed": ("dash", "spread"),
            "when_full": ("wait", "merge", "discard"),
            "rung_change": ("keep", "stop"),
        }
        for name, words in allowed.items():
            if getattr(self, name) not in words:
                raise ValueError(f"{name} = {getattr(self, name)!r}: must be one of {', '.join(words)}")
        if self.queue is None:
            return
        if self.queue < 1:
            raise ValueError(f"queue = {self.queue}: must be at least 1, or None for no queue")
        for name, word in (("too_fast", "forgive"), ("rung_change", "stop")):
            if getattr(self, name) == word:
                other = allowed[name][0]
                raise ValueError(
                    f'queue = {self.queue} with {name} = "{word}": committed moves can\'t be cancelled; '
                    f'use "{other}" or no queue'
                )


@dataclass(frozen=True, kw_only=True, eq=False)
class Course:
    """One axis' way through a log: the state at each report, and what it pursues until the next.

    Arrays of one length, ascending in time; from the last row on the axis goes to rest. `target_mm` is what
    the axis pursues, `asked_mm` where every click reported so far would have taken it.
    """

    time_s: Floats
    x_mm: Floats
    v_mm_s: Floats
    target_mm: Floats
    cap_mm_s: Floats
    asked_mm: Floats
    ramp_mm_s2: float
    lost_detents: int
    abandoned_mm: float

    def at(self, time_s: ArrayLike) -> tuple[Floats, Floats]:
        """Position [mm] and velocity [mm/s] at any times; before the first report the axis rests."""
        times = np.asarray(time_s, dtype=float)
        row = np.maximum(np.searchsorted(self.time_s, times, side="right") - 1, 0)
        dt = np.maximum(times - self.time_s[row], 0.0)
        return pursue(
            self.x_mm[row], self.v_mm_s[row], self.target_mm[row], self.cap_mm_s[row], self.ramp_mm_s2, dt
        )

    def target_at(self, time_s: ArrayLike) -> Floats:
        """What the axis pursues [mm] at any times."""
        return self._held(self.target_mm, time_s)

    def asked_at(self, time_s: ArrayLike) -> Floats:
        """Where the clicks reported so far would take the axis [mm] at any times."""
        return self._held(self.asked_mm, time_s)

    def extremes(self) -> tuple[float, float, float]:
        """Lowest and highest position [mm] and highest speed [mm/s] of the whole course, exact."""
        dt = np.append(np.diff(self.time_s), _AGES_S)
        low, high, fastest = pursuit_extremes(
            self.x_mm, self.v_mm_s, self.target_mm, self.cap_mm_s, self.ramp_mm_s2, dt
        )
        return float(low.min()), float(high.max()), float(fastest.max())

    @property
    def rest_s(self) -> float:
        """When the axis comes to rest for good [s]."""
        x, v, target, cap = self.x_mm[-1], self.v_mm_s[-1], self.target_mm[-1], self.cap_mm_s[-1]
        return float(self.time_s[-1] + rest_time_s(x, v, target, cap, self.ramp_mm_s2))

    def _held(self, values: Floats, time_s: ArrayLike) -> Floats:
        row = np.searchsorted(self.time_s, np.asarray(time_s, dtype=float), side="right") - 1
        return np.where(row < 0, 0.0, values[np.maximum(row, 0)])


def follow(
    reports: Reports,
    gains_mm: ArrayLike,
    *,
    top_speed_mm_s: float,
    ramp_mm_s2: float,
    habit: Habit | None = None,
) -> Course:
    """Follow one axis through all reports, from rest at 0, in plain numbers: every state, to sample or draw.

    `gains_mm` is one gain, or one per rung. For many ladders and only their sums, `replay` is faster.

    >>> reports = reports_as_logged([0.0, 0.04, 0.08], [1, 1, 1], interval_s=0.04)
    >>> course = follow(reports, 2.0, top_speed_mm_s=50.0, ramp_mm_s2=500.0)
    >>> float(course.at(9.0)[0]), round(course.rest_s, 4)
    (6.0, 0.22)
    """
    gains = np.asarray(gains_mm, dtype=float)
    axis = _Follower(
        gains=_gain_table(np.atleast_2d(gains) if gains.size > 1 else gains, reports)[:, 0].tolist(),
        top=_above_zero("top_speed_mm_s", top_speed_mm_s),
        ramp=_above_zero("ramp_mm_s2", ramp_mm_s2),
        interval=reports.interval_s,
        habit=habit or Habit(),
    )
    columns = (reports.time_s.tolist(), reports.detents.tolist(), reports.rung.tolist(), reports.stop.tolist())
    for at, detents, rung, stop in zip(*columns, strict=True):
        axis.hear(at, detents, rung, stop)
    axis.finish()
    if not axis.rows:
        axis.keep()
    states = np.array(axis.rows, dtype=float).reshape(-1, 6).T
    names = ("time_s", "x_mm", "v_mm_s", "target_mm", "cap_mm_s", "asked_mm")
    return Course(
        **dict(zip(names, states, strict=True)),
        ramp_mm_s2=axis.ramp,
        lost_detents=axis.lost,
        abandoned_mm=axis.abandoned,
    )


class _Follower:
    """One axis and its controller: hears reports one by one, keeps the state at each in `rows`."""

    def __init__(self, *, gains: list[float], top: float, ramp: float, interval: float, habit: Habit) -> None:
        self.gains, self.top, self.ramp, self.interval, self.habit = gains, top, ramp, interval, habit
        self.now = self.x = self.v = self.target = self.asked = self.abandoned = 0.0
        self.cap = top
        self.lost = 0
        self.rung = -1
        self.end = 0.0  # where the last committed move ends
        self.moves: list[tuple[float, float]] = []  # committed: where each ends, and its direction
        self.pending: list[float] = []  # moves there is no room for yet
        self.rows: list[tuple[float, ...]] = []

    def hear(self, at: float, detents: int, rung: int, stop: bool) -> None:
        """Move up to the report, then let it change what the axis pursues."""
        self._go(at)
        if stop or (self.habit.rung_change == "stop" and rung != self.rung >= 0):
            self._cut()
        self.rung = rung
        gain = self.gains[rung]
        self.asked += detents * gain
        if self.habit.queue is None:
            granted = detents if self.habit.too_fast == "owe" else self._forgiving(detents, gain)
            self.target += granted * gain
        else:
            self._commit(detents, gain)
        if self.habit.speed == "spread":
            self.cap = min(self.top, abs(self.target - self.x) / self.interval)
        self.keep()

    def finish(self) -> None:
        """After the last report: idle reports until nothing more depends on them."""
        spread = self.habit.speed == "spread"
        while self.pending or len(self._run()) < len(self.moves) or (spread and self._moving()):
            self.hear(self.now + self.interval, 0, self.rung, False)

    def _moving(self) -> bool:
        return self.v != 0.0 or self.x != self.target

    def keep(self) -> None:
        """Write down the state."""
        self.rows.append((self.now, self.x, self.v, self.target, self.cap, self.asked))

    def _stopping_point(self) -> float:
        return self.x + self.v * abs(self.v) / (2.0 * self.ramp)

    def _cut(self) -> None:
        """Stop as soon as the ramp lets it and drop what is owed."""
        stop = self._stopping_point()
        owed = (self.end if self.moves else self.target) + sum(self.pending)
        self.abandoned += abs(owed - stop)
        self.target = self.end = stop
        self.pending = []
        braking = self.habit.queue is not None and self.v != 0.0  # a reversal waits for that too
        self.moves = [(stop, math.copysign(1.0, self.v))] if braking else []

    def _forgiving(self, detents: int, gain: float) -> int:
        """How many of these clicks the target may move: none beyond the stopping point plus some room."""
        way = math.copysign(1.0, detents)
        room = way * (self._stopping_point() - self.target) + max(self.top * self.interval, gain)
        granted = min(max(math.floor(room / gain + _CLICK_SLACK), 0), abs(detents))
        self.lost += abs(detents) - granted
        return int(way) * granted

    def _commit(self, detents: int, gain: float) -> None:
        """Put what waits, and then these clicks, into the queue; a full one waits, merges or discards."""
        assert self.habit.queue is not None
        while self.pending and len(self.moves) < self.habit.queue:
            self._push(self.pending.pop(0))
        if detents and not self.pending and len(self.moves) < self.habit.queue:
            self._push(detents * gain)
        elif detents and self.habit.when_full == "wait":
            self.pending.append(detents * gain)
        elif detents and self.habit.when_full == "merge":
            length = sum(self.pending) + detents * gain
            self.pending = [length] if abs(length) > _CLICK_SLACK * gain else []
        else:
            self.lost += abs(detents)
        self._aim()

    def _push(self, length: float) -> None:
        self.end = (self.end if self.moves else self.target) + length
        self.moves.append((self.end, math.copysign(1.0, length)))

    def _run(self) -> list[tuple[float, float]]:
        """The committed moves up to the first reversal: the axis may blend these."""
        way = self.moves[0][1] if self.moves else 0.0
        return list(itertools.takewhile(lambda move: move[1] == way, self.moves))

    def _aim(self) -> None:
        if self.moves:
            self.target = self._run()[-1][0]

    def _go(self, at: float) -> None:
        """Pursue up to a time, through every reversal that waits in the queue."""
        start = self.now if self.rows else at
        while len(run := self._run()) < len(self.moves):
            rest = start + float(rest_time_s(self.x, self.v, self.target, self.cap, self.ramp))
            if rest >= at:
                break
            start = self.now = rest
            self.x, self.v, self.moves = self.target, 0.0, self.moves[len(run) :]
            self._aim()
            self.keep()
        self.x, self.v = pursue_once(self.x, self.v, self.target, self.cap, self.ramp, at - start)
        self.now = at
        self._retire()

    def _retire(self) -> None:
        """Take the moves that are done off the queue."""
        if not self._moving():
            self.moves = self.moves[len(self._run()) :]
            self._aim()
        while len(self._run()) > 1 and (self.x - self.moves[0][0]) * self.moves[0][1] >= 0.0:
            self.moves.pop(0)


def _gain_table(gains_mm: ArrayLike, reports: Reports) -> Floats:
    """Gains as rungs × ladders, from (ladders,) or (ladders, rungs), with a rung for each that was used."""
    gains = np.atleast_1d(np.asarray(gains_mm, dtype=float))
    rungs = 1 + (int(reports.rung.max()) if len(reports.rung) else 0)
    table = np.broadcast_to(gains, (rungs, len(gains))) if gains.ndim == 1 else gains.T
    if gains.ndim > 2 or len(table) < rungs:
        raise ValueError(f"gains_mm: the reports use {rungs} rungs, the gains have shape {gains.shape}")
    if not (np.isfinite(table).all() and (table > 0).all()):
        raise ValueError("gains_mm: must be above 0 and finite")
    return table


# --- what that means for a rung -------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Burst:
    """One burst at a steady turn rate, to draw: columns of one length, times from the first click on.

    `hand_mm` is where the clicks turned so far would take the axis, `target_mm` what the axis pursues.
    `released_s` is the last click's time; `run_on_mm` what the axis still travels from its last report with
    clicks, `since_click_mm` from the last click itself, `rest_s` when it comes to rest.
    """

    time_s: Floats
    hand_mm: Floats
    target_mm: Floats
    x_mm: Floats
    v_mm_s: Floats
    released_s: float
    rest_s: float
    run_on_mm: float
    since_click_mm: float
    lost_detents: int


def answer_burst(
    turn_rate: float,
    burst_s: float,
    gain_mm: float,
    link: Link,
    *,
    top_speed_mm_s: float,
    ramp_mm_s2: float,
    habit: Habit | None = None,
    samples: int = 600,
    until_s: float | None = None,
) -> Burst:
    """Turn the knob at a steady rate [detents/s] for a time [s] on one rung, and watch the axis.

    Sampled evenly up to `until_s`, or a little past the axis' rest.

    >>> from jogtune.machine import Link
    >>> link = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25)
    >>> burst = answer_burst(25.0, 1.0, 5.0, link, top_speed_mm_s=100.0, ramp_mm_s2=400.0)
    >>> round(float(burst.hand_mm[-1]), 6), round(burst.run_on_mm, 6)
    (125.0, 41.5)
    """
    clicks = np.arange(max(1, math.floor(turn_rate * burst_s + 1e-9))) / _above_zero("turn_rate", turn_rate)
    reports = report_turns(clicks, np.ones(len(clicks)), link)
    course = follow(reports, gain_mm, top_speed_mm_s=top_speed_mm_s, ramp_mm_s2=ramp_mm_s2, habit=habit)
    released, rest = float(clicks[-1]), course.rest_s
    last_report = reports.time_s[np.flatnonzero(reports.detents)[-1]]
    end = float(course.at(rest + 1.0)[0])
    time = np.linspace(0.0, rest + 0.1 * (rest - released) + 0.02 if until_s is None else until_s, samples)
    x, v = course.at(time)
    return Burst(
        time_s=time,
        hand_mm=_real(gain_mm * np.searchsorted(clicks, time, side="right")),
        target_mm=course.target_at(time),
        x_mm=x,
        v_mm_s=v,
        released_s=released,
        rest_s=rest,
        run_on_mm=end - float(course.at(last_report)[0]),
        since_click_mm=end - float(course.at(released)[0]),
        lost_detents=course.lost_detents,
    )


@dataclass(frozen=True, kw_only=True)
class Steady:
    """Steady turning, simulated: its ripple, and the most the axis runs on after any of its reports [mm, s]."""

    ripple: Ripple
    run_on_mm: float
    run_on_s: float


def simulate_steady(
    turn_rate: float,
    gain_mm: float,
    report_interval_s: float,
    *,
    top_speed_mm_s: float,
    ramp_mm_s2: float,
    habit: Habit | None = None,
) -> Steady:
    """Steady turning at any rate, also where reports carry differing counts.

    The first half of the turning is left out, so that the motion has settled (in 2,000 reports at most);
    extremes are exact.

    >>> steady = simulate_steady(100.0, 0.1, 0.04, top_speed_mm_s=50.0, ramp_mm_s2=500.0)
    >>> round(steady.ripple.share, 6), round(steady.run_on_mm, 6)
    (0.5, 0.425)
    """
    mean = min(turn_rate * gain_mm, top_speed_mm_s)
    # How the motion began dies away by a factor of e in v/a, once the first lag is made up at top speed.
    catch_up_s = mean**2 / (ramp_mm_s2 * max(top_speed_mm_s - mean, _TINY))
    settle_s = 16 * mean / ramp_mm_s2 + catch_up_s + 20 * (report_interval_s + 1 / turn_rate)
    count = 2 * min(math.ceil(settle_s / report_interval_s), _MOST_SETTLING)
    turned = np.floor(turn_rate * report_interval_s * np.arange(1, count + 1) + 1e-6)
    reports = reports_as_logged(
        report_interval_s * np.arange(count), np.diff(turned, prepend=0.0), interval_s=report_interval_s
    )
    course = follow(reports, gain_mm, top_speed_mm_s=top_speed_mm_s, ramp_mm_s2=ramp_mm_s2, habit=habit)
    kept = slice(count // 2, count)
    x, v, target, cap = course.x_mm[kept], course.v_mm_s[kept], course.target_mm[kept], course.cap_mm_s[kept]
    high = float(pursuit_extremes(x, v, target, cap, ramp_mm_s2, report_interval_s)[2].max())
    # within an interval the speed rises and then falls, so its lowest is at a report
    low = float(v.min())
    clicks = reports.detents[kept] != 0
    rest = rest_time_s(x, v, target, cap, ramp_mm_s2)
    return Steady(
        ripple=Ripple(low_mm_s=low, high_mm_s=high, share=(high - low) / (2 * mean)),
        run_on_mm=float(np.abs(target - x)[clicks].max()),
        run_on_s=float(rest[clicks].max()),
    )


@dataclass(frozen=True, kw_only=True)
class Answer:
    """How an axis answers one rung, for one hand and one link. Distances [mm or degrees], times [s].

    `run_on_mm`, `run_on_s` and `ripple` are those of *owe* and *dash* at the steady turn rate: in closed form
    where each report carries the same whole number of clicks, else simulated. `hurried_run_on_mm` is what *owe*
    runs on after a second at the fastest turn rate, `forgiven_run_on_mm` the most that *forgive* does.
    `allowed_mm` is the run-on that is put up with. `too_fast` and `speed` are the habits advised, `reasons` say
    why.
    """

    run_on_mm: float
    run_on_s: float
    hurried_run_on_mm: float
    forgiven_run_on_mm: float
    allowed_mm: float
    runs_on_too_far: bool
    ripple: Ripple
    distance_per_report_mm: float
    delay: FeltDelay
    too_fast: str
    speed: str
    reasons: tuple[str, ...]

    @property
    def habit(self) -> str:
        """The advice in two words, for a table.

        >>> derive_answer(0.1, top_speed_mm_s=100.0, ramp_mm_s2=400.0, steady=12.0, fastest=40.0,
        ...               report_interval_s=0.04, delay_s=0.005).habit
        'owe, spread'
        """
        return f"{self.too_fast}, {self.speed}"


def derive_answer(
    gain_mm: float,
    *,
    top_speed_mm_s: float,
    ramp_mm_s2: float,
    steady: float,
    fastest: float,
    report_interval_s: float,
    delay_s: float,
    jitter_s: float = 0.0,
    finest_mm: float = 0.0,
    hurry_s: float = 1.0,
    allowed_s: float = ALLOWED_RUN_ON_S,
) -> Answer:
    """How an axis answers one rung at a steady and a fastest turn rate [detents/s], and which habit suits it.

    What is advised concerns how it feels; what is safe near a moving axis the machine's manual decides.

    Owing is put up with while the axis runs on no farther than the larger of half a click and the finest wish,
    or no longer than `allowed_s`. That is our choice, not a standard's.

    >>> answer = derive_answer(5.0, top_speed_mm_s=100.0, ramp_mm_s2=400.0, steady=12.0, fastest=40.0,
    ...                        report_interval_s=0.04, delay_s=0.005)
    >>> answer.habit, answer.hurried_run_on_mm, answer.forgiven_run_on_mm
    ('forgive, dash', 116.5, 17.5)
    """
    limits = {"top_speed_mm_s": top_speed_mm_s, "ramp_mm_s2": ramp_mm_s2}
    ripple, run_on, run_on_s = _owing(steady, gain_mm, report_interval_s, hurry_s, **limits)
    _, hurried, hurried_s = _owing(fastest, gain_mm, report_interval_s, hurry_s, **limits)
    fastest_mm_s = min(fastest * gain_mm, top_speed_mm_s)
    forgiven = forgiven_run_on_bound_mm(fastest_mm_s, gain_mm, report_interval_s, **limits)
    allowed = max(gain_mm / 2, finest_mm)
    outruns = fastest * gain_mm > top_speed_mm_s
    forgives = outruns and hurried > allowed and hurried_s > allowed_s
    spreads = ripple.share > ALLOWED_RIPPLE_SHARE and _evens_out(
        ripple, steady, gain_mm, report_interval_s, top_speed_mm_s, ramp_mm_s2
    )
    return Answer(
        run_on_mm=run_on,
        run_on_s=run_on_s,
        hurried_run_on_mm=hurried,
        forgiven_run_on_mm=forgiven,
        allowed_mm=allowed,
        runs_on_too_far=run_on > allowed and run_on_s > allowed_s,
        ripple=ripple,
        distance_per_report_mm=distance_per_report_mm(steady, gain_mm, report_interval_s, top_speed_mm_s),
        delay=felt_delay(report_interval_s, delay_s, jitter_s),
        too_fast="forgive" if forgives else "owe",
        speed="spread" if spreads else "dash",
        reasons=_habit_reasons(outruns, forgives, spreads, hurried, forgiven, hurry_s),
    )


def derive_rung_answer(machine: Machine, axis: Axis, gain_mm: Fraction | float) -> Answer:
    """How one axis of a machine answers a gain [its own mm or degrees a detent] with its knob and link.

    A ladder's gain on a rotary axis is `machine.axis_gain(axis, gain)`.
    """
    return derive_answer(
        float(gain_mm),
        top_speed_mm_s=axis.top_speed_mm_s,
        ramp_mm_s2=axis.ramp_mm_s2,
        steady=machine.knob.steady_detents_s,
        fastest=machine.knob.fastest_detents_s,
        report_interval_s=machine.link.report_interval_s,
        delay_s=machine.link.delay_s,
        jitter_s=machine.link.jitter_s,
        finest_mm=float(axis.finest_mm),
    )


def answer_cautions(machine: Machine, ladder: Ladder) -> list[str]:
    """What to mind about running on, axis by axis, in the person's unit; empty where there is nothing."""
    return [text for axis in machine.axes for text in _axis_answer_cautions(machine, axis, ladder)]


def _axis_answer_cautions(machine: Machine, axis: Axis, ladder: Ladder) -> list[str]:
    answers = [derive_rung_answer(machine, axis, machine.axis_gain(axis, gain)) for gain in ladder.gains_mm]
    forgive = [position for position, answer in enumerate(answers, 1) if answer.too_fast == "forgive"]
    if not forgive:
        return []
    first, worst, unit = forgive[0], answers[-1], machine.shown_unit(axis)
    hurried, stopped = (
        say_distance(distance, unit, digits=2) for distance in (worst.hurried_run_on_mm, worst.forgiven_run_on_mm)
    )
    texts = [
        f"Axis {axis.name}: from position {first} on the fastest turning outruns the axis. A controller that finishes "
        f"every click runs on {hurried} on position {len(answers)} after one second of it; one that forgives stops "
        f"within {stopped}."
    ]
    if machine.firmware.queue is not None:
        texts.append(
            f"Axis {axis.name}: forgiving needs motion that can be cancelled; moves already in a queue of "
            f"{machine.firmware.queue} run to their end. Turn slower there, or use a lower position."
        )
    return texts


def _owing(
    turn_rate: float,
    gain_mm: float,
    report_interval_s: float,
    burst_s: float,
    *,
    top_speed_mm_s: float,
    ramp_mm_s2: float,
) -> tuple[Ripple, float, float]:
    """Ripple and run-on [mm, s] of *owe* and *dash*: closed form where that is exact, else simulated."""
    top, ramp = top_speed_mm_s, ramp_mm_s2
    speed = turn_rate * gain_mm
    if speed > top:
        run_on = outrun_run_on_mm(turn_rate, gain_mm, burst_s, top, ramp, report_interval_s)
        return steady_ripple(speed, report_interval_s, top, ramp), run_on, run_on / top + top / (2 * ramp)
    if carries_evenly(turn_rate, report_interval_s):
        even = (speed, report_interval_s, top, ramp)
        return steady_ripple(*even), owed_run_on_mm(*even), owed_run_on_s(*even)
    steady = simulate_steady(turn_rate, gain_mm, report_interval_s, top_speed_mm_s=top, ramp_mm_s2=ramp)
    return steady.ripple, steady.run_on_mm, steady.run_on_s


def _evens_out(
    dash: Ripple, turn_rate: float, gain_mm: float, report_interval_s: float, top_mm_s: float, ramp_mm_s2: float
) -> bool:
    """Whether spreading takes at least a tenth off the ripple; where clicks come one by one it may not."""
    spread = simulate_steady(
        turn_rate,
        gain_mm,
        report_interval_s,
        top_speed_mm_s=top_mm_s,
        ramp_mm_s2=ramp_mm_s2,
        habit=Habit(speed="spread"),
    )
    return spread.ripple.share < 0.9 * dash.share


def _habit_reasons(
    outruns: bool, forgives: bool, spreads: bool, hurried: float, forgiven: float, hurry_s: float
) -> tuple[str, ...]:
    """Why these habits, in plain words."""
    if forgives:
        why = (
            f"owing would run on {hurried:.4g} mm after {hurry_s:g} s at the fastest turn rate; forgiving stops within "
            f"{forgiven:.4g} mm and loses clicks instead, and needs motion that can be cancelled"
        )
    elif outruns:
        why = "the fastest turning outruns the axis, but so little that every click may be finished"
    else:
        why = "the axis keeps up with the fastest turning, so every click may be finished"
    if spreads:
        return why, "spread evens out the ripple and ends at most one report later"
    return why, "spreading each move would hardly make the motion evener, and dash ends one report earlier"


def coarsest_within_run_on_mm(
    gains_mm: Iterable[float],
    *,
    top_speed_mm_s: float,
    ramp_mm_s2: float,
    turn_rate: float,
    report_interval_s: float,
    finest_mm: float = 0.0,
    run_on_mm: float | None = None,
    allowed_s: float = ALLOWED_RUN_ON_S,
) -> float | None:
    """The coarsest of these gains [mm] up to which *owe* runs on no more than is put up with; None if none.

    Put up with: `run_on_mm` if stated; else the larger of half a click and the finest wish, or `allowed_s` of
    running on (our choice). Above the rung found, the axis owes more.

    >>> coarsest_within_run_on_mm([0.1, 1.0, 5.0, 10.0], top_speed_mm_s=100.0, ramp_mm_s2=400.0,
    ...                           turn_rate=12.5, report_interval_s=0.04)
    5.0
    """
    coarsest = None
    for gain in sorted(gains_mm):
        _, owed, time = _owing(
            turn_rate, gain, report_interval_s, 1.0, top_speed_mm_s=top_speed_mm_s, ramp_mm_s2=ramp_mm_s2
        )
        allowed = max(gain / 2, finest_mm) if run_on_mm is None else run_on_mm
        if owed > allowed * (1 + 1e-9) and (run_on_mm is not None or time > allowed_s):
            break
        coarsest = gain
    return coarsest


# --- many ladders at once --------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Replay:
    """What a log's turns do on each of many ladders: one value a ladder.

    `run_on_mm`: the farthest the axis gets from where it was at a burst's last report with clicks (highest of
    all bursts, and the median). `lost_detents`: clicks forgiven or discarded by
    the controller. `abandoned_mm`: distance owed and dropped at stops. `at_ceiling_s`: time at top speed.
    `overshoot_mm`: the farthest it goes on past its target, or away from it, before turning back.
    `peak_speed_mm_s`, `final_mm`: highest speed, and where the axis ends.
    """

    run_on_mm: Floats
    run_on_median_mm: Floats
    lost_detents: Ints
    abandoned_mm: Floats
    at_ceiling_s: Floats
    overshoot_mm: Floats
    peak_speed_mm_s: Floats
    final_mm: Floats
    bursts: int
    rounds: int


def replay(
    reports: Reports,
    gains_mm: ArrayLike,
    *,
    top_speed_mm_s: float,
    ramp_mm_s2: float,
    habit: Habit | None = None,
    rest_s: float = 0.3,
) -> Replay:
    """Replay reports on many ladders: `gains_mm` is (ladders,), or (ladders, rungs) by the report's rung.

    The axis starts at rest. Reports with clicks more than `rest_s` apart begin a new burst; each burst on each
    ladder is a lane of its own that starts at rest, and those whose predecessor had not come to rest are run
    again from where it was. `rest_s` changes how fast this is, not what comes out.

    >>> reports = reports_as_logged([0.0, 0.04, 0.08], [1, 1, 1], interval_s=0.04)
    >>> result = replay(reports, [0.01, 2.0], top_speed_mm_s=50.0, ramp_mm_s2=500.0)
    >>> result.final_mm, result.run_on_mm.round(3)
    (array([0.03, 6.  ]), array([0.01, 4.4 ]))
    """
    table = _gain_table(gains_mm, reports)
    top, ramp = _above_zero("top_speed_mm_s", top_speed_mm_s), _above_zero("ramp_mm_s2", ramp_mm_s2)
    events = _Events.of(reports, habit or Habit(), _above_zero("rest_s", rest_s))
    kind = _Lanes if events.habit.queue is None else _QueueLanes
    width = max(1, _MOST_LANES // max(len(events.start), 1))
    parts = []
    for first in range(0, table.shape[1], width):
        lanes = kind(events, table[:, first : first + width], top, ramp, reports.interval_s)
        parts.append(lanes.run())
    joined = {name: np.concatenate([part[name] for part in parts]) for name in parts[0] if name != "rounds"}
    return Replay(
        **joined, bursts=len(events.start), rounds=max(int(part["rounds"]) for part in parts)
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Events:
    """The reports that matter to a habit, cut into bursts.

    `dt`: time to the next event, `until`: to the next that brings clicks or a stop. A burst's events run from
    `start` up to `end` (the next burst's start); the first `active` of them reach to its last clicks.
    """

    dt: Floats
    until: Floats
    detents: Ints
    rung: Ints
    cut: Bools
    start: Ints
    active: Ints
    end: Ints
    habit: Habit

    @staticmethod
    def of(reports: Reports, habit: Habit, rest_s: float) -> _Events:
        turned = np.diff(reports.rung, prepend=reports.rung[:1]) != 0
        cut = reports.stop | (turned if habit.rung_change == "stop" else False)
        each = habit.speed == "spread" or habit.queue is not None  # idle reports matter too
        clicks = np.flatnonzero(reports.detents)
        matters = np.ones(len(cut), dtype=bool) if each else cut | (reports.detents != 0)
        matters[: clicks[0] if len(clicks) else len(matters)] = False
        kept = np.flatnonzero(matters)
        time, clicks = reports.time_s[kept], np.flatnonzero(reports.detents[kept])
        gap = np.diff(time[clicks], prepend=-np.inf) > rest_s
        start = clicks[gap]
        last = clicks[np.append(np.flatnonzero(gap)[1:], len(clicks)) - 1] if len(clicks) else clicks
        ahead = np.append(time[(reports.detents[kept] != 0) | cut[kept]], np.inf)
        after = ahead[np.searchsorted(ahead, time, side="right")]
        return _Events(
            until=np.append(after - time, np.inf),
            dt=np.append(np.diff(time), [reports.interval_s if each else _AGES_S] * 2)[-len(time) - 1 :],
            detents=np.append(reports.detents[kept], 0),
            rung=np.append(reports.rung[kept], reports.rung[kept[-1]] if len(kept) else 0),
            cut=np.append(cut[kept], False),
            start=start,
            active=last + 1 - start,
            end=np.append(start[1:], len(time)) if len(start) else start,
            habit=habit,
        )


class _Lanes:
    """All bursts of a log on a few ladders; a lane's number is burst · ladders + ladder.

    Distances are doubled and divided by the ramp [s²], speeds divided by it [s]: the stopping distance of a
    speed w is then w·|w|. `q` is what is left to the target. Work arrays hold one block of lanes; the lanes
    of a block are sorted by length, so that those still active are a slice.
    """

    def __init__(self, events: _Events, table: Floats, top: float, ramp: float, interval: float) -> None:
        self.events, self.table, self.ramp, self.interval = events, table, ramp, interval
        self.ladders = table.shape[1]
        self.top = top / ramp
        self.scale = 2.0 / ramp
        count = len(events.start) * self.ladders
        self.q_start, self.w_start, self.q_end, self.w_end = np.zeros((4, count))
        self.run_on, self.peak, self.ceiling, self.overshoot, self.lost, self.short, self.abandoned = np.zeros(
            (7, count)
        )
        self.gain = (table * self.scale).ravel()
        self.room = np.maximum(top * interval, table).ravel() * self.scale
        kinds, kind = np.unique(events.detents * len(table) + events.rung, return_inverse=True)
        self.jump = ((kinds // len(table))[:, None] * table[kinds % len(table)] * self.scale).ravel()
        self.kind_at = kind.ravel() * self.ladders
        self.rung_at = events.rung * self.ladders
        self.clicks, self.way = np.abs(events.detents).astype(float), np.sign(events.detents).astype(float)
        self.any_cut = bool(events.cut.any())

    def run(self) -> dict[str, NDArray[Any]]:
        """Run every lane, and again those that turn out not to start at rest; then sum up per ladder."""
        ladders, rounds = self.ladders, 0
        stale = np.ones(len(self.q_start), dtype=bool)
        todo = np.arange(len(stale))
        while len(todo):
            longest_first = self._longest_first(todo)
            for first in range(0, len(todo), _BLOCK):
                self._block(longest_first[first : first + _BLOCK])
            rounds += 1
            stale[todo] = False
            stale |= self._hand_over(todo)
            follows = np.zeros_like(stale)
            follows[ladders:] = stale[:-ladders]
            todo = np.flatnonzero(stale & ~follows)
        return self._sums() | {"rounds": np.array(rounds)}

    def _longest_first(self, todo: Ints) -> Ints:
        """Lanes in order of their burst's length; sorts bursts where all are to run, as they are far fewer."""
        active = self.events.active
        if len(todo) == len(active) * self.ladders:
            return todo.reshape(-1, self.ladders)[np.argsort(-active, kind="stable")].ravel()
        return todo[np.argsort(-active[todo // self.ladders], kind="stable")]

    def _hand_over(self, ran: Ints) -> Bools:
        """Give each lane's end to its successor; marks the successors whose start that changes."""
        stale = np.zeros(len(self.q_start), dtype=bool)
        ran = ran[ran + self.ladders < len(stale)]
        after = ran + self.ladders
        stale[after] = (self.q_start[after] != self.q_end[ran]) | (self.w_start[after] != self.w_end[ran])
        self.q_start[after], self.w_start[after] = self.q_end[ran], self.w_end[ran]
        return stale

    def _sums(self) -> dict[str, NDArray[Any]]:
        """One value a ladder."""
        shape, half = (-1, self.ladders), self.ramp / 2.0
        run_on = self.run_on.reshape(shape) * half
        turned = np.zeros(len(self.table))
        np.add.at(turned, self.events.rung, self.events.detents)
        none = np.zeros((1, self.ladders))
        return {
            "run_on_mm": run_on.max(axis=0, initial=0.0),
            "run_on_median_mm": np.median(run_on if len(run_on) else none, axis=0),
            "lost_detents": self.lost.reshape(shape).sum(axis=0).astype(np.int64),
            "abandoned_mm": self.abandoned.reshape(shape).sum(axis=0) * half,
            "at_ceiling_s": self.ceiling.reshape(shape).sum(axis=0),
            "overshoot_mm": self.overshoot.reshape(shape).max(axis=0, initial=0.0) * half,
            "peak_speed_mm_s": self.peak.reshape(shape).max(axis=0, initial=0.0) * self.ramp,
            "final_mm": turned @ self.table - self.short.reshape(shape).sum(axis=0) * half,
        }

    def _block(self, ids: Ints) -> None:
        """Run some lanes, longest first, from their start to their successor's."""
        work = self._work(ids)
        active = self.events.active[ids // self.ladders]
        alive = len(ids) - np.searchsorted(active[::-1], np.arange(active[0] + 1), side="right")
        for step in range(int(active[0])):
            now, still = int(alive[step]), int(alive[step + 1])
            part = work.head(now)
            np.add(work.start[:now], step, out=part.event)
            self._hear(part)
            if still < now:
                self._note_run_on(part, still)
            self._move(part)
            if still < now:
                part.settle(slice(still, now))
        self._tails(work)
        self._store(work)

    def _store(self, work: _Work) -> None:
        work.store(self)

    def _work(self, ids: Ints) -> _Work:
        return _Work(self, ids)

    def _hear(self, part: _Part) -> None:
        """Let each lane's event change its target."""
        events, habit = self.events, self.events.habit
        events.dt.take(part.event, out=part.dt, mode="clip")
        if self.any_cut:
            self._cut(part)
        if habit.too_fast == "owe":
            self.kind_at.take(part.event, out=part.index, mode="clip")
            part.index += part.ladder
            part.q += self.jump.take(part.index, out=part.a, mode="clip")
        else:
            self._forgive(part)
        if habit.speed == "spread":
            self._spread(part)

    def _spread(self, part: _Part) -> None:
        """Cap the speed at what would reach the target in one report interval."""
        np.abs(part.q, out=part.cap)
        part.cap *= 0.5 / self.interval
        np.minimum(part.cap, self.top, out=part.cap)

    def _cut(self, part: _Part) -> None:
        """Where the event is a stop, aim at the stopping point and drop what was owed."""
        cut = np.flatnonzero(self.events.cut[part.event])
        stop = part.w[cut] * np.abs(part.w[cut])
        part.short[cut] += part.q[cut] - stop
        part.abandoned[cut] += np.abs(part.q[cut] - stop)
        part.q[cut] = stop

    def _forgive(self, part: _Part) -> None:
        """Move the target by the clicks that fit before the stopping point plus the room allowed."""
        clicks, way = np.take(self.clicks, part.event), np.take(self.way, part.event)
        lane = np.take(self.rung_at, part.event) + part.ladder
        gain = np.take(self.gain, lane)
        room = way * (part.w * np.abs(part.w) - part.q) + np.take(self.room, lane)
        granted = np.minimum(np.maximum(np.floor(room / gain + _CLICK_SLACK), 0.0), clicks)
        gain *= way
        part.q += granted * gain
        clicks -= granted
        part.lost += clicks
        part.short += clicks * gain

    def _tails(self, work: _Work) -> None:
        """After its last clicks, take each lane that still moves through idle reports and stops."""
        last, final = len(self.events.dt) - 1, self.events.end[-1]
        at, end = work.start + work.active, work.end
        endless = (end == final) & work.each
        rest = np.flatnonzero((at < end) | endless)
        while len(rest):
            part = work.pick(rest)
            part.event[:] = np.minimum(at[rest], last)
            self._hear(part)
            self._move(part)
            part.settle(slice(None))
            work.put(rest, part)
            at[rest] += 1
            rest = rest[self._busy(part) & ((at[rest] < end[rest]) | endless[rest])]

    def _move(self, part: _Part) -> None:
        part.advance(self.top)

    def _busy(self, part: _Part) -> Bools:
        return np.logical_or(part.q, part.w)

    def _note_run_on(self, part: _Part, first: int) -> None:
        """How far the lanes from `first` on get from here, the way to a turning point included."""
        q, w = part.q[first:], part.w[first:]
        stop = w * np.abs(w)
        turns = (q - stop) * w < 0.0
        part.run_on[first:] = np.maximum(np.abs(q), np.where(turns, np.abs(stop), 0.0))


_PART = ("q", "w", "run_on", "peak", "ceiling", "overshoot", "lost", "short", "abandoned")
_SCRATCH = ("a", "side", "speed", "away", "change", "speed_1", "left", "brake", "dt", "cap", "zero", "tiny")


class _Part:
    """Some lanes' state and work arrays, of one length; `advance` is `pursue` in place."""

    q: Floats
    w: Floats
    run_on: Floats
    peak: Floats
    ceiling: Floats
    overshoot: Floats
    lost: Floats
    short: Floats
    abandoned: Floats
    a: Floats
    side: Floats
    speed: Floats
    away: Floats
    change: Floats
    speed_1: Floats
    left: Floats
    brake: Floats
    dt: Floats
    cap: Floats
    zero: Floats  # constants as arrays: numpy's minimum and maximum are five times slower with a single number
    tiny: Floats
    places: Ints  # the lanes' numbers within the block; set where there is a queue

    def __init__(self, work: _Work, lanes: slice | Ints, scratch: Floats, whole: Ints, flag: Bools) -> None:
        self.__dict__.update(zip(_PART, work.state[:, lanes], strict=True))
        self.__dict__.update(zip(_SCRATCH, scratch, strict=True))
        self.ladder, self.event, self.index = whole
        self.work, self.lanes, self.flag = work, lanes, flag

    def advance(self, top: float) -> None:
        """`pursue` for these lanes, in doubled distances over the ramp; keeps peaks and time at the ceiling."""
        q, w, a, side, speed, away = self.q, self.w, self.a, self.side, self.speed, self.away
        change, speed_1, left, brake, dt = self.change, self.speed_1, self.left, self.brake, self.dt
        np.abs(w, out=a)
        a *= w
        np.subtract(q, a, out=a)
        np.copysign(1.0, a, out=side)
        np.multiply(side, w, out=speed)
        np.multiply(side, q, out=away)
        if speed.min() < 0.0:
            self._note_overshoot()
        np.multiply(speed, speed, out=change)
        change += away
        change *= 0.5
        np.maximum(change, self.zero, out=change)
        np.sqrt(change, out=change)
        np.minimum(change, self.cap, out=change)
        change -= speed
        np.minimum(change, dt, out=change)
        np.negative(dt, out=a)
        np.maximum(change, a, out=change)
        np.add(speed, change, out=speed_1)
        np.maximum(self.peak, speed_1, out=self.peak)
        np.abs(change, out=change)  # now the time of the first phase
        np.subtract(dt, change, out=left)
        speed += speed_1
        speed *= change
        away -= speed
        np.maximum(speed_1, self.tiny, out=brake)
        np.multiply(speed_1, speed_1, out=a)
        np.subtract(away, a, out=a)
        a /= brake
        a *= 0.5
        np.maximum(a, self.zero, out=a)
        np.minimum(a, left, out=a)  # the time of the second phase
        np.greater_equal(speed_1, top * _NEARLY, out=self.flag)
        np.multiply(a, self.flag, out=change)
        self.ceiling += change
        left -= a
        a *= speed_1
        a *= 2.0
        away -= a
        np.minimum(left, brake, out=a)  # the time of the third phase
        np.subtract(speed_1, a, out=w)
        speed_1 += w
        speed_1 *= a
        away -= speed_1
        np.multiply(side, away, out=q)
        w *= side

    def settle(self, lanes: slice) -> None:
        """Put lanes that had time to spare after braking exactly at rest on their target."""
        arrived = self.left[lanes] > self.brake[lanes]
        self.q[lanes][arrived] = 0.0
        self.w[lanes][arrived] = 0.0

    def _note_overshoot(self) -> None:
        """How far lanes that must turn back get past their target, or away from it, till the next click."""
        wrong = np.flatnonzero(self.speed < 0.0)
        speed = -self.speed[wrong]
        time = np.minimum(speed, self.work.until[self.event[wrong]])
        past = time * (2.0 * speed - time) - np.maximum(-self.away[wrong], 0.0)
        self.overshoot[wrong] = np.maximum(self.overshoot[wrong], past)


class _Work:
    """The work arrays of one block of lanes."""

    queues: _Queues  # set where there is a queue

    def __init__(self, lanes: _Lanes, ids: Ints) -> None:
        events, n = lanes.events, len(ids)
        burst = ids // lanes.ladders
        self.ids, self.until = ids, events.until
        self.start, self.active, self.end = events.start[burst], events.active[burst], events.end[burst]
        self.spread = events.habit.speed == "spread"
        self.each = self.spread or events.habit.queue is not None
        self.top = lanes.top
        self.state, self.scratch = np.zeros((len(_PART), n)), self._scratch(n)
        self.whole, self.flag = np.empty((3, n), dtype=np.int64), np.empty(n, dtype=bool)
        self.state[0], self.state[1] = lanes.q_start[ids], lanes.w_start[ids]
        self.whole[0] = ids % lanes.ladders

    def _scratch(self, count: int) -> Floats:
        """Room for the steps of `advance`; the last three rows are constants, unless a habit sets the cap."""
        scratch = np.empty((len(_SCRATCH), count))
        scratch[-3:] = np.array([[self.top], [0.0], [_TINY]])
        return scratch

    def head(self, count: int) -> _Part:
        """The first `count` lanes, in place."""
        lanes = slice(0, count)
        return _Part(self, lanes, self.scratch[:, lanes], self.whole[:, lanes], self.flag[lanes])

    def pick(self, lanes: Ints) -> _Part:
        """Copies of some lanes; `put` brings their state back."""
        return _Part(self, lanes, self._scratch(len(lanes)), self.whole[:, lanes], np.empty(len(lanes), dtype=bool))

    def put(self, lanes: Ints, part: _Part) -> None:
        for row, name in zip(self.state, _PART, strict=True):
            row[lanes] = getattr(part, name)

    def store(self, lanes: _Lanes) -> None:
        """Hand the lanes' ends and sums back."""
        lanes.q_end[self.ids], lanes.w_end[self.ids] = self.state[:2]
        for row, name in zip(self.state[2:], _PART[2:], strict=True):
            getattr(lanes, name)[self.ids] = row


class _QueueLanes(_Lanes):
    """Lanes whose controller commits moves to a finite queue; the same rules as `_Follower`, in arrays.

    Places are counted in the lanes' own distance (doubled, over the ramp) from where the log began. What is
    queued is kept beside the lane's state, one row a lane: a ring of committed ends, and what waits for room.
    """

    def __init__(self, events: _Events, table: Floats, top: float, ramp: float, interval: float) -> None:
        super().__init__(events, table, top, ramp, interval)
        self.size = int(events.habit.queue or 1)
        self.merge = events.habit.when_full == "merge"
        self.click_events = np.flatnonzero(events.detents)
        self.click_number = np.cumsum(events.detents != 0) - 1
        self.before, self.after = (_Queues.empty(len(self.q_start), self.size) for _ in range(2))

    def _work(self, ids: Ints) -> _Work:
        work = _Work(self, ids)
        work.queues = self.before.rows(ids)
        return work

    def _store(self, work: _Work) -> None:
        work.store(self)
        self.after.put(work.ids, work.queues)

    def _hand_over(self, ran: Ints) -> Bools:
        """As without a queue; what is queued at a lane's end is handed over too."""
        stale = super()._hand_over(ran)
        ran = ran[ran + self.ladders < len(stale)]
        before = self.before.rows(ran + self.ladders)
        queued = self.after.rows(ran)
        stale[ran + self.ladders] |= before.busy() | queued.busy()
        self.before.put(ran + self.ladders, queued)
        return stale

    def _busy(self, part: _Part) -> Bools:
        return super()._busy(part) | part.work.queues.busy()[part.lanes]

    def _hear(self, part: _Part) -> None:
        np.take(self.events.dt, part.event, out=part.dt, mode="clip")
        part.places = np.arange(len(part.work.ids))[part.lanes]
        if self.any_cut:
            self._cut(part)
        self._drain(part)
        turned = np.flatnonzero(self.clicks[part.event])
        if len(turned):
            self._commit(part, turned)
        self._aim(part)
        if self.events.habit.speed == "spread":
            self._spread(part)

    def _cut(self, part: _Part) -> None:
        cut = np.flatnonzero(self.events.cut[part.event])
        queues, lanes = part.work.queues, part.places[cut]
        q, w = part.q[cut], part.w[cut]
        stop = w * np.abs(w)
        owed = np.where(queues.count[lanes] > 0, queues.end[lanes] - queues.goal[lanes] + q, q)
        owed += np.array([self._waiting(part, lane).sum() for lane in cut])
        part.short[cut] += owed - stop
        part.abandoned[cut] += np.abs(owed - stop)
        part.q[cut] = stop
        queues.brake(lanes, queues.goal[lanes] - q + stop, np.sign(w))

    def _waiting(self, part: _Part, lane: int | np.integer[Any]) -> Floats:
        """Lengths of the moves that wait for room on one lane of a part."""
        queues, place = part.work.queues, part.places[lane]
        if self.merge or not queues.pending[place]:
            return np.atleast_1d(queues.merged[place])
        first = queues.first[place]
        events = self.click_events[first : first + queues.pending[place]]
        lengths: Floats = self.events.detents[events] * self.gain[self.rung_at[events] + part.ladder[lane]]
        return lengths

    def _drain(self, part: _Part) -> None:
        """Commit what waits, as far as there is room."""
        queues = part.work.queues
        waits = np.flatnonzero(queues.pending[part.places])
        while len(waits := waits[queues.has(part.places[waits], self.size)]):
            lanes = part.places[waits]
            if self.merge:
                length = queues.merged[lanes]
                queues.merged[lanes] = 0.0
            else:
                event = self.click_events[queues.first[lanes]]
                length = self.events.detents[event] * self.gain[self.rung_at[event] + part.ladder[waits]]
                queues.first[lanes] += 1
            queues.pending[lanes] -= 1
            queues.push(lanes, length)

    def _commit(self, part: _Part, turned: Ints) -> None:
        """Queue each lane's new clicks; where there is no room they wait, merge or are discarded."""
        queues, lanes, event = part.work.queues, part.places[turned], part.event[turned]
        detents = self.events.detents[event]
        length = detents * self.gain[self.rung_at[event] + part.ladder[turned]]
        room = (queues.pending[lanes] == 0) & (queues.count[lanes] < self.size)
        queues.push(lanes[room], length[room])
        full, lanes, length, detents = turned[~room], lanes[~room], length[~room], detents[~room]
        if self.events.habit.when_full == "discard":
            part.lost[full] += np.abs(detents)
            part.short[full] += length
        elif self.merge:
            merged = queues.merged[lanes] + length
            counts = np.abs(merged) > _CLICK_SLACK * np.abs(length / detents)
            queues.merged[lanes], queues.pending[lanes] = np.where(counts, merged, 0.0), counts
        else:
            fresh = queues.pending[lanes] == 0
            queues.first[lanes[fresh]] = self.click_number[event[~room][fresh]]
            queues.pending[lanes] += 1

    def _aim(self, part: _Part) -> None:
        """Pursue the end of the run at the head of the queue."""
        queues = part.work.queues
        lanes = np.flatnonzero(queues.count[part.places])
        places = part.places[lanes]
        goal = queues.run_end(places)
        part.q[lanes] += goal - queues.goal[places]
        queues.goal[places] = goal

    def _move(self, part: _Part) -> None:
        """Move through every reversal that waits in the queue, then take what is done off it."""
        queues = part.work.queues
        waits = np.flatnonzero(queues.count[part.places] > queues.run[part.places])
        while len(waits):
            rest = self._rest_time(part, waits)
            waits, rest = waits[rest < part.dt[waits]], rest[rest < part.dt[waits]]
            if not len(waits):
                break
            self._arrive(part, waits, rest)
            places = part.places[waits]
            waits = waits[queues.count[places] > queues.run[places]]
        part.advance(self.top)
        part.settle(slice(None))
        still = (part.q == 0.0) & (part.w == 0.0) & (queues.count[part.places] > 0)
        queues.finish_run(part.places[still])
        self._aim(part)
        queues.drop_passed(part.places, queues.goal[part.places] - part.q)

    def _rest_time(self, part: _Part, lanes: Ints) -> Floats:
        return rest_time_s(0.0, part.w[lanes], part.q[lanes] / 2.0, part.cap[lanes], 1.0)

    def _arrive(self, part: _Part, lanes: Ints, rest: Floats) -> None:
        """Bring some lanes to rest at the end of their run, and turn them to the next one."""
        inner = part.work.pick(part.places[lanes])
        for name in _PART:
            getattr(inner, name)[:] = getattr(part, name)[lanes]
        inner.dt[:], inner.cap[:], inner.event[:] = rest, part.cap[lanes], part.event[lanes]
        inner.advance(self.top)
        inner.q[:] = inner.w[:] = 0.0
        for name in _PART:
            getattr(part, name)[lanes] = getattr(inner, name)
        part.dt[lanes] -= rest
        queues, places = part.work.queues, part.places[lanes]
        queues.finish_run(places)
        goal = np.where(queues.count[places] > 0, queues.run_end(places), queues.goal[places])
        part.q[lanes] = goal - queues.goal[places]
        queues.goal[places] = goal

    def _note_run_on(self, part: _Part, first: int) -> None:
        """The farthest that anything queued or waiting takes a lane from here."""
        queues = part.work.queues
        for lane in range(first, len(part.q)):
            place = part.places[lane]
            ends = queues.ends[place, (queues.head[place] + np.arange(queues.count[place])) % self.size]
            away = np.append(ends, queues.goal[place]) - queues.goal[place] + part.q[lane]
            last = away[-2] if len(ends) else away[-1]
            waiting = last + np.cumsum(self._waiting(part, lane))
            part.run_on[lane] = np.abs(np.concatenate([away, waiting])).max()


@dataclass(eq=False)
class _Queues:
    """What is committed and what waits, one row a lane."""

    goal: Floats  # the place pursued
    end: Floats  # where the last committed move ends
    ends: Floats  # ring: where each committed move ends,
    ways: Floats  # and its direction
    head: Ints  # the ring's first move
    count: Ints  # moves in the ring
    run: Ints  # of these, before the first reversal
    pending: Ints  # moves that wait for room
    first: Ints  # the first of these, as a number among the log's reports with clicks
    merged: Floats  # or all of them as one length

    @staticmethod
    def empty(lanes: int, size: int) -> _Queues:
        real, whole = np.zeros((3, lanes)), np.zeros((5, lanes), dtype=np.int64)
        ring = np.zeros((2, lanes, size))
        head, count, run, pending, first = whole
        return _Queues(real[0], real[1], ring[0], ring[1], head, count, run, pending, first, real[2])

    def rows(self, lanes: Ints) -> _Queues:
        """Copies of some lanes' rows."""
        return _Queues(**{name: values[lanes] for name, values in vars(self).items()})

    def put(self, lanes: Ints, queues: _Queues) -> None:
        for name, values in vars(self).items():
            values[lanes] = getattr(queues, name)

    def busy(self) -> Bools:
        return (self.count > 0) | (self.pending > 0)

    def has(self, lanes: Ints, size: int) -> Bools:
        """Whether something waits and there is room for it."""
        return (self.pending[lanes] > 0) & (self.count[lanes] < size)

    def push(self, lanes: Ints, length: Floats) -> None:
        """Commit one move on each of some lanes."""
        count, run, head, size = self.count[lanes], self.run[lanes], self.head[lanes], self.ends.shape[1]
        self.end[lanes] = np.where(count > 0, self.end[lanes], self.goal[lanes]) + length
        way, slot = np.copysign(1.0, length), (head + count) % size
        joins = (count == 0) | ((count == run) & (self.ways[lanes, head] == way))
        self.ends[lanes, slot], self.ways[lanes, slot] = self.end[lanes], way
        self.run[lanes] = run + joins
        self.count[lanes] = count + 1

    def brake(self, lanes: Ints, stop: Floats, way: Floats) -> None:
        """Drop everything but the way to a stopping point."""
        self.pending[lanes] = self.merged[lanes] = 0
        self.goal[lanes] = self.end[lanes] = stop
        self.head[lanes] = 0
        self.ends[lanes, 0], self.ways[lanes, 0] = stop, way
        self.count[lanes] = self.run[lanes] = way != 0.0

    def run_end(self, lanes: Ints) -> Floats:
        ends: Floats = self.ends[lanes, (self.head[lanes] + self.run[lanes] - 1) % self.ends.shape[1]]
        return ends

    def finish_run(self, lanes: Ints) -> None:
        """Take a finished run off, and find how long the next one is."""
        size = self.ends.shape[1]
        self.head[lanes] = (self.head[lanes] + self.run[lanes]) % size
        self.count[lanes] -= self.run[lanes]
        way, goes_on = self.ways[lanes, self.head[lanes]], np.ones(len(lanes), dtype=bool)
        self.run[lanes] = 0
        for ahead in range(size):
            slot = (self.head[lanes] + ahead) % size
            goes_on &= (ahead < self.count[lanes]) & (self.ways[lanes, slot] == way)
            if not goes_on.any():
                break
            self.run[lanes] += goes_on

    def drop_passed(self, lanes: Ints, place: Floats) -> None:
        """Take moves whose end is passed off the queue, but for the last of a run."""
        many = np.flatnonzero(self.run[lanes] > 1)
        while len(many):
            at = lanes[many]
            head = self.head[at]
            passed = (place[many] - self.ends[at, head]) * self.ways[at, head] >= 0.0
            many = many[passed]
            at = lanes[many]
            self.head[at] = (self.head[at] + 1) % self.ends.shape[1]
            self.count[at] -= 1
            self.run[at] -= 1
            many = many[self.run[at] > 1]
