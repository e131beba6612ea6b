"""Answer to a burst; the habit advised."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np

from ..machine.model import Link
from .follow import Habit, follow
from .link import _above_zero, report_turns, reports_as_logged
from .pursuit import _TINY, _Floats, _pursuit_extremes, _rest_time_s
from .runon import (
    _ALLOWED_RIPPLE_SHARE,
    _ALLOWED_RUN_ON_S,
    _carries_evenly,
    _forgiven_run_on_bound_mm,
    _owed_run_on,
    _Ripple,
    _steady_ripple,
    distance_per_report_mm,
    outrun_run_on_mm,
)

_MOST_SETTLING = 2000  # reports; within a hair of the top speed the first lag is never quite made up
_MOST_BEAT = 1000  # reports until clicks and reports meet alike again, at most; longer beats come near it


@dataclass(frozen=True, kw_only=True, eq=False)
class Burst:
    """One burst at a steady turn rate, to draw: columns of one length, times from the first click on.

    `hand_mm` is where the clicks turned so far would take the axis, `target_mm` what the axis pursues. `released_s` is the last
    click's time; `run_on_mm` what the axis still travels from its last report with clicks, `since_click_mm` from the last click
    itself. By `rest_s` it is at rest and no report is left to come."""

    time_s: _Floats
    hand_mm: _Floats
    target_mm: _Floats
    x_mm: _Floats
    v_mm_s: _Floats
    released_s: float
    rest_s: float
    run_on_mm: float
    since_click_mm: float
    lost_detents: int


def answer_burst(
    turn_rate: float, burst_s: float, gain_mm: float, link: Link, *, top_speed_mm_s: float, ramp_mm_s2: float,
    habit: Habit | None = None, samples: int = 600, until_s: float | None = None,
) -> Burst:  # fmt: skip
    """Turn the knob at a steady rate [detents/s] for a time [s] on one rung, and watch the axis.

    Sampled evenly up to `until_s`, or a little past the axis' rest.

    >>> from jogtune.machine.model import Link
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
        time_s=time, hand_mm=np.searchsorted(clicks, time, side="right") * np.float64(gain_mm), target_mm=course.target_at(time),
        x_mm=x, v_mm_s=v, released_s=released, rest_s=rest, run_on_mm=end - float(course.at(last_report)[0]),
        since_click_mm=end - float(course.at(released)[0]), lost_detents=course.lost_detents,
    )  # fmt: skip


def simulate_steady(
    turn_rate: float, gain_mm: float, report_interval_s: float, *, top_speed_mm_s: float, ramp_mm_s2: float, habit: Habit | None
    = None,
) -> tuple[_Ripple, float, float]:  # fmt: skip
    """Steady turning at any rate, also where reports carry differing counts: its ripple, and the most that the axis runs on
    after any of its reports [mm, s].

    The start is left out, so that the motion has settled (in 2,000 reports at most), and at least one whole beat of clicks
    against reports is kept (1,000 reports at most); extremes are exact.

    >>> ripple, run_on_mm, _ = simulate_steady(100.0, 0.1, 0.04, top_speed_mm_s=50.0, ramp_mm_s2=500.0)
    >>> round(ripple.share, 6), round(run_on_mm, 6)
    (0.5, 0.425)
    """
    mean = min(turn_rate * gain_mm, top_speed_mm_s)
    # How the motion began dies away by a factor of e in v/a, once the first lag is made up at top speed.
    catch_up_s = mean**2 / (ramp_mm_s2 * max(top_speed_mm_s - mean, _TINY))
    settle_s = 16 * mean / ramp_mm_s2 + catch_up_s + 20 * (report_interval_s + 1 / turn_rate)
    settling = min(math.ceil(settle_s / report_interval_s), _MOST_SETTLING)
    each = turn_rate * report_interval_s
    beat = min(Fraction(each).limit_denominator(1_000_000).denominator, _MOST_BEAT)
    count = settling + max(settling, beat)
    turned = np.floor(each * np.arange(1, count + 1) + 1e-6)
    reports = reports_as_logged(report_interval_s * np.arange(count), np.diff(turned, prepend=0.0), interval_s=report_interval_s)
    course = follow(reports, gain_mm, top_speed_mm_s=top_speed_mm_s, ramp_mm_s2=ramp_mm_s2, habit=habit)
    kept = slice(settling, count)
    x, v, target, cap = course.x_mm[kept], course.v_mm_s[kept], course.target_mm[kept], course.cap_mm_s[kept]
    high = float(_pursuit_extremes(x, v, target, cap, ramp_mm_s2, report_interval_s)[2].max())
    # within an interval the speed rises and then falls, so its lowest is at a report
    low = float(v.min())
    clicks = reports.detents[kept] != 0
    rest = _rest_time_s(x, v, target, cap, ramp_mm_s2)
    ripple = _Ripple(low_mm_s=low, high_mm_s=high, share=(high - low) / (2 * mean))
    return ripple, float(np.abs(target - x)[clicks].max()), float(rest[clicks].max())


@lru_cache(maxsize=4096)
def _derive_answer(
    gain_mm: float, *, top_speed_mm_s: float, ramp_mm_s2: float, steady: float, fastest: float, report_interval_s: float,
    finest_mm: float = 0.0, reach_mm: float = math.inf,
) -> Mapping[str, Any]:  # fmt: skip
    """How an axis answers one rung at a steady and a fastest turn rate [detents/s], and which habit suits it: figures of a `Row`.

    Run-on and ripple are those of *owe* and *dash*: in closed form where each report carries the same whole number of clicks,
    else simulated. What is advised concerns how it feels; what is safe near a moving axis the machine's manual decides.

    Owing is put up with while the axis runs on no farther than the larger of half a click and the finest wish, or no longer
    than 0.25 s. That is our choice, not a standard's. Beyond, a limit on the outstanding distance is advised. No run-on is longer
    than `reach_mm`."""
    limits: dict[str, float] = {"top_speed_mm_s": top_speed_mm_s, "ramp_mm_s2": ramp_mm_s2}
    ripple, run_on, run_on_s = _owing(steady, gain_mm, report_interval_s, **limits)
    haste, hurried, hurried_s = _owing(fastest, gain_mm, report_interval_s, **limits)
    fastest_mm_s = min(fastest * gain_mm, top_speed_mm_s)
    forgiven = _forgiven_run_on_bound_mm(fastest_mm_s, gain_mm, report_interval_s, **limits)
    allowed = max(gain_mm / 2, finest_mm)
    limits_it = fastest * gain_mm > top_speed_mm_s and hurried > allowed and hurried_s > _ALLOWED_RUN_ON_S
    spreads = False
    if ripple.share > _ALLOWED_RIPPLE_SHARE:  # by a tenth at least; where clicks come one by one it may not
        spread, _, _ = simulate_steady(steady, gain_mm, report_interval_s, habit=Habit(speed="spread"), **limits)
        spreads = spread.share < 0.9 * ripple.share
    return {
        "run_on_mm": min(run_on, reach_mm), "run_on_s": run_on_s, "hurried_run_on_mm": min(hurried, reach_mm),
        "hurried_at_reach": hurried >= reach_mm, "hurried_mm_s": min(haste.high_mm_s, top_speed_mm_s),
        "forgiven_run_on_mm": min(forgiven, reach_mm), "allowed_run_on_mm": allowed,
        "runs_on_too_far": run_on > allowed and run_on_s > _ALLOWED_RUN_ON_S, "ripple_share": ripple.share,
        "ripple_low_mm_s": ripple.low_mm_s, "ripple_high_mm_s": ripple.high_mm_s,
        "report_mm": distance_per_report_mm(steady, gain_mm, report_interval_s, top_speed_mm_s),
        "too_fast": "limit" if limits_it else "owe", "speed": "spread" if spreads else "dash",
    }  # fmt: skip


def _owing(
    turn_rate: float, gain_mm: float, report_interval_s: float, *, top_speed_mm_s: float, ramp_mm_s2: float
) -> tuple[_Ripple, float, float]:
    """Ripple and run-on [mm, s] of *owe* and *dash* (after a second, where the axis is outrun)."""
    top, ramp = top_speed_mm_s, ramp_mm_s2
    speed = turn_rate * gain_mm
    if speed > top:
        run_on = outrun_run_on_mm(turn_rate, gain_mm, 1.0, top, ramp, report_interval_s)
        return _steady_ripple(speed, report_interval_s, top, ramp), run_on, run_on / top + top / (2 * ramp)
    if _carries_evenly(turn_rate, report_interval_s):
        return _steady_ripple(speed, report_interval_s, top, ramp), *_owed_run_on(speed, report_interval_s, top, ramp)
    return simulate_steady(turn_rate, gain_mm, report_interval_s, top_speed_mm_s=top, ramp_mm_s2=ramp)
