"""Run-on, ripple, delay in closed form."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .pursuit import _Floats

_ALLOWED_RUN_ON_S = 0.25  # our choice: a quarter of a second of running on is hardly noticed
_ALLOWED_RIPPLE_SHARE = 0.25  # our choice: above it, moves spread over the interval feel smoother


def _carries_evenly(turn_rate: float, report_interval_s: float) -> bool:
    """Whether each report carries the same whole number of detents."""
    each = turn_rate * report_interval_s
    return round(each) >= 1 and abs(each - round(each)) < 1e-9


@dataclass(frozen=True, kw_only=True)
class _Ripple:
    """How steady turning comes out at the axis: its lowest and highest speed [mm/s] between two reports."""

    low_mm_s: float
    high_mm_s: float
    share: float


def _steady_ripple(speed_mm_s: float, report_interval_s: float, top_speed_mm_s: float, ramp_mm_s2: float) -> _Ripple:
    """The ripple of an axis that dashes to each reported target and comes to rest there if nothing follows.

    At or below a·T/4 it is stop-and-go with peak √(a·v·T); above, v ± a·T/4; where that would pass the top speed, the low is top
    − √(a·T·(top − v)). The share is half the swing over the mean speed.

    >>> _steady_ripple(10.0, 0.04, top_speed_mm_s=50.0, ramp_mm_s2=500.0)
    _Ripple(low_mm_s=5.0, high_mm_s=15.0, share=0.5)
    """
    swing = ramp_mm_s2 * report_interval_s / 4
    v = min(speed_mm_s, top_speed_mm_s)
    low, high = v - swing, v + swing
    if v <= swing:
        low, high = 0.0, math.sqrt(4 * swing * v)
    if high > top_speed_mm_s:
        low, high = max(0.0, top_speed_mm_s - math.sqrt(4 * swing * (top_speed_mm_s - v))), top_speed_mm_s
    return _Ripple(low_mm_s=low, high_mm_s=high, share=(high - low) / (2 * v))


def _owed_run_on(speed_mm_s: float, report_interval_s: float, top_speed_mm_s: float, ramp_mm_s2: float) -> tuple[float, float]:
    """Run-on of *owe* from the last report that carries clicks, to rest [mm, s], after steady turning the axis can follow.

    Exact: v·T while it is stop-and-go; above that v²/2a + ¾·v·T + a·T²/32; near the top speed the same by way of its own ripple.
    Braking is inside the sum. From the last click itself add up to v·(T + delay).

    >>> _owed_run_on(10.0, 0.04, top_speed_mm_s=50.0, ramp_mm_s2=500.0)[0]
    0.425
    """
    ripple = _steady_ripple(speed_mm_s, report_interval_s, top_speed_mm_s, ramp_mm_s2)
    if ripple.low_mm_s == 0.0:
        way = speed_mm_s * report_interval_s
        return way, float(rest_to_rest_s(way, top_speed_mm_s, ramp_mm_s2))
    low, high = ripple.low_mm_s, ripple.high_mm_s
    cruise_s = max(report_interval_s - 2 * (high - low) / ramp_mm_s2, 0.0)
    return (2 * high**2 - low**2) / (2 * ramp_mm_s2) + high * cruise_s, (2 * high - low) / ramp_mm_s2 + cruise_s


def owed_run_on_mm(speed_mm_s: float, report_interval_s: float, top_speed_mm_s: float, ramp_mm_s2: float) -> float:
    return _owed_run_on(speed_mm_s, report_interval_s, top_speed_mm_s, ramp_mm_s2)[0]


def outrun_run_on_mm(
    turn_rate: float, gain_mm: float, burst_s: float, top_speed_mm_s: float, ramp_mm_s2: float, report_interval_s: float = 0.0
) -> float:
    """Run-on of *owe* [mm] after turning faster than the axis can follow for `burst_s`, from rest.

    (u·gain − top)·t + top²/2a where the burst is long enough to reach the top speed. Exact from the first to the last report
    that carries clicks, when `turn_rate` is all clicks over that time; for a hand that turns at a rate for a time, give the
    report interval too: the first report comes one interval after its clicks."""
    moving_s = max(burst_s - report_interval_s, 0.0)
    ramp_s = top_speed_mm_s / ramp_mm_s2
    done = ramp_mm_s2 * moving_s**2 / 2
    if moving_s > ramp_s:
        done = top_speed_mm_s * (moving_s - ramp_s / 2)
    return turn_rate * gain_mm * burst_s - done


def _forgiven_run_on_bound_mm(
    speed_mm_s: float, gain_mm: float, report_interval_s: float, top_speed_mm_s: float, ramp_mm_s2: float
) -> float:
    """The most *forgive* runs on [mm] from the last report that carries clicks: v²/2a + max(top·T, gain).

    `speed_mm_s` is the axis' own speed then, at most the top speed. From the last click itself add top·(T + delay + jitter).

    >>> _forgiven_run_on_bound_mm(100.0, 5.0, 0.04, top_speed_mm_s=100.0, ramp_mm_s2=400.0)
    17.5
    """
    return speed_mm_s**2 / (2 * ramp_mm_s2) + max(top_speed_mm_s * report_interval_s, gain_mm)


def rest_to_rest_s(distance_mm: ArrayLike, top_speed_mm_s: float, ramp_mm_s2: float) -> _Floats:
    """The least time from rest to rest over any distances [s]."""
    distance = np.asarray(distance_mm, dtype=float)
    short = distance * ramp_mm_s2 <= top_speed_mm_s * top_speed_mm_s
    cruising = distance / top_speed_mm_s + top_speed_mm_s / ramp_mm_s2
    return np.asarray(np.where(short, 2 * np.sqrt(distance / ramp_mm_s2), cruising))


def time_to_full_speed_s(top_speed_mm_s: float, ramp_mm_s2: float) -> float:
    """How long the axis takes from rest to its top speed [s]."""
    return top_speed_mm_s / ramp_mm_s2


def smallest_full_speed_move_mm(top_speed_mm_s: float, ramp_mm_s2: float) -> float:
    """The shortest move from rest to rest that reaches the top speed [mm]: top²/a."""
    return top_speed_mm_s**2 / ramp_mm_s2


def distance_per_report_mm(turn_rate: float, gain_mm: float, report_interval_s: float, top_speed_mm_s: float) -> float:
    """How far the axis moves in one report interval while the knob is turned steadily [mm]."""
    return min(turn_rate * gain_mm, top_speed_mm_s) * report_interval_s


def felt_delay(report_interval_s: float, delay_s: float, jitter_s: float = 0.0) -> tuple[float, float]:
    """The delay a hand feels before the axis' first motion [s]: a click waits half a report interval on average, a whole one at
    most.

    >>> felt_delay(0.04, 0.005)
    (0.025, 0.045)
    """
    return report_interval_s / 2 + delay_s + jitter_s / 2, report_interval_s + delay_s + jitter_s


def _longest_report_interval_s(
    turn_rate: float, gain_mm: float, ripple_share: float, top_speed_mm_s: float, ramp_mm_s2: float
) -> float:
    """The longest report interval [s] that keeps the ripple of steady turning at or under a share below 1.

    0 where no interval can: the clicks themselves come too far apart, however often they are reported. For a speed at or above
    the top speed any interval will do (infinite): the axis runs at its ceiling."""
    if not 0 < ripple_share < 1:
        raise ValueError(f"ripple_share = {ripple_share}: must be between 0 and 1; at 1 the axis stops and goes")
    v = turn_rate * gain_mm
    if v >= top_speed_mm_s:
        return math.inf
    longest = 4 * ripple_share * v / ramp_mm_s2
    if v + ramp_mm_s2 * longest / 4 > top_speed_mm_s:
        longest = (2 * ripple_share * v) ** 2 / (ramp_mm_s2 * (top_speed_mm_s - v))
    return longest if turn_rate * longest >= 1 - 1e-9 else 0.0
