"""What an axis makes of a rung, and the habit advised for it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from .burst import simulate_steady
from .follow import Habit
from .outstanding import Outstanding, derive_outstanding, free_rate, needed_limit_mm, rung_kind
from .runon import (
    ALLOWED_RIPPLE_SHARE,
    ALLOWED_RUN_ON_S,
    FeltDelay,
    Ripple,
    carries_evenly,
    distance_per_report_mm,
    felt_delay,
    forgiven_run_on_bound_mm,
    longest_report_interval_s,
    outrun_run_on_mm,
    owed_run_on_mm,
    owed_run_on_s,
    steady_ripple,
)


@dataclass(frozen=True, kw_only=True)
class Answer:
    """How an axis answers one rung, for one hand and one link. Distances [mm or degrees], times [s].

    `run_on_mm`, `run_on_s` and `ripple` are those of *owe* and *dash* at the steady turn rate: in closed form
    where each report carries the same whole number of clicks, else simulated. `hurried_run_on_mm` is what *owe*
    runs on after a second at the fastest turn rate, `hurried_mm_s` its highest speed then, ripple included;
    `forgiven_run_on_mm` is the most that *forgive* runs on.
    `allowed_mm` is the run-on that is put up with. `too_fast` and `speed` are the habits advised. Under a limit of
    `limit_mm` on what is outstanding the rung loses no click up to `free_rate` [detents/s]; `kind` says what that makes of
    it: "exact" (twice the steady rate), "even", or "travel", which loses clicks.
    """

    run_on_mm: float
    run_on_s: float
    hurried_run_on_mm: float
    hurried_mm_s: float
    forgiven_run_on_mm: float
    allowed_mm: float
    runs_on_too_far: bool
    ripple: Ripple
    distance_per_report_mm: float
    delay: FeltDelay
    too_fast: str
    speed: str
    limit_mm: float
    free_rate: float
    kind: str

    @property
    def habit(self) -> str:
        """The advice in two words, for a table."""
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
    reach_mm: float = math.inf,
) -> Answer:
    """How an axis answers one rung at a steady and a fastest turn rate [detents/s], and which habit suits it.

    What is advised concerns how it feels; what is safe near a moving axis the machine's manual decides.

    Owing is put up with while the axis runs on no farther than the larger of half a click and the finest wish,
    or no longer than `allowed_s`. That is our choice, not a standard's. Beyond, a limit on the outstanding distance
    is advised, here the one that lets a steady hand keep every click. No run-on is longer than `reach_mm`.
    """
    limits = {"top_speed_mm_s": top_speed_mm_s, "ramp_mm_s2": ramp_mm_s2}
    ripple, run_on, run_on_s = _owing(steady, gain_mm, report_interval_s, hurry_s, **limits)
    haste, hurried, hurried_s = _owing(fastest, gain_mm, report_interval_s, hurry_s, **limits)
    fastest_mm_s = min(fastest * gain_mm, top_speed_mm_s)
    forgiven = forgiven_run_on_bound_mm(fastest_mm_s, gain_mm, report_interval_s, **limits)
    allowed = max(gain_mm / 2, finest_mm)
    outruns = fastest * gain_mm > top_speed_mm_s
    limits_it = outruns and hurried > allowed and hurried_s > allowed_s
    steady_mm_s = min(steady * gain_mm, top_speed_mm_s)
    limit = needed_limit_mm(steady_mm_s, gain_mm, report_interval_s, ramp_mm_s2)
    free = free_rate(limit, gain_mm, report_interval_s, top_speed_mm_s, ramp_mm_s2)
    spreads = ripple.share > ALLOWED_RIPPLE_SHARE and _evens_out(
        ripple, steady, gain_mm, report_interval_s, top_speed_mm_s, ramp_mm_s2
    )
    return Answer(
        run_on_mm=min(run_on, reach_mm),
        run_on_s=run_on_s,
        hurried_run_on_mm=min(hurried, reach_mm),
        hurried_mm_s=min(haste.high_mm_s, top_speed_mm_s),
        forgiven_run_on_mm=min(forgiven, reach_mm),
        allowed_mm=allowed,
        runs_on_too_far=run_on > allowed and run_on_s > allowed_s,
        ripple=ripple,
        distance_per_report_mm=distance_per_report_mm(steady, gain_mm, report_interval_s, top_speed_mm_s),
        delay=felt_delay(report_interval_s, delay_s, jitter_s),
        too_fast="limit" if limits_it else "owe",
        speed="spread" if spreads else "dash",
        limit_mm=limit,
        free_rate=free,
        kind=rung_kind(free, steady),
    )


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


def axis_answer(machine: Machine, axis: Axis, gain_mm: Fraction, found: Outstanding | None = None) -> Answer:
    """How one axis answers one rung at the machine's own turn rates and reports. Distances as the axis counts.

    `found` is what is set on the axis for a whole ladder; without it this rung stands for the ladder.
    """
    found = found or derive_outstanding(machine, axis, Ladder.from_gains([gain_mm], show_in=machine.show_in))
    gain, link, steady = float(machine.axis_gain(axis, gain_mm)), machine.link, machine.knob.steady_detents_s
    answer = _answer(
        gain, axis.top_speed_mm_s, axis.ramp_mm_s2, steady, machine.knob.fastest_detents_s,
        link.report_interval_s, link.delay_s, link.jitter_s, float(axis.finest_mm),
    )  # fmt: skip
    limit = found.used_limit_mm
    free = free_rate(limit, gain, link.report_interval_s, found.used_top_mm_s, axis.ramp_mm_s2)
    return replace(
        answer,
        run_on_mm=min(answer.run_on_mm, axis.reach_mm),
        hurried_run_on_mm=min(answer.hurried_run_on_mm, axis.reach_mm),
        forgiven_run_on_mm=min(answer.forgiven_run_on_mm, axis.reach_mm),
        limit_mm=limit,
        free_rate=free,
        kind=rung_kind(free, steady),
    )


@lru_cache(maxsize=4096)
def _answer(
    gain: float, top: float, ramp: float, steady: float, fastest: float, every: float, delay: float, jitter: float,
    finest: float,
) -> Answer:  # fmt: skip
    return derive_answer(
        gain, top_speed_mm_s=top, ramp_mm_s2=ramp, steady=steady, fastest=fastest, report_interval_s=every,
        delay_s=delay, jitter_s=jitter, finest_mm=finest,
    )  # fmt: skip


def machine_habit(machine: Machine, advised: Answer, axis: Axis | None = None) -> Habit:
    """What a filed machine does: its limit or queue where the file gives one, else the habit advised.

    A limit that drops limits, one that waits owes; a queue waits unless the file says that it drops.
    """
    speed, firmware = advised.speed, machine.firmware
    if axis is not None and axis.jog_limit_mm is not None:
        drops = firmware.when_full == "drop"
        found = Habit(too_fast="limit", limit_mm=axis.jog_limit_mm) if drops else Habit()
    elif firmware.queue is not None:
        found = Habit(queue=firmware.queue, when_full="discard" if firmware.when_full == "drop" else "wait")
    else:
        limited = advised.too_fast == "limit"
        found = Habit(too_fast="limit", limit_mm=advised.limit_mm) if limited else Habit()
    return replace(found, speed=speed)  # type: ignore[arg-type]


def longest_report_interval(machine: Machine, axis: Axis, gain_mm: Fraction) -> float:
    """The longest report interval [s] that keeps a steady hand's ripple within 25 %, NaN where none can or any will.

    NaN: the clicks themselves come too far apart, or the axis runs at its ceiling.
    """
    longest = longest_report_interval_s(
        machine.knob.steady_detents_s, float(machine.axis_gain(axis, gain_mm)), ALLOWED_RIPPLE_SHARE,
        axis.top_speed_mm_s, axis.ramp_mm_s2,
    )  # fmt: skip
    return longest if 0 < longest < math.inf else math.nan
