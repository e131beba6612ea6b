"""What each axis, link and hand allow: the finest and coarsest rung, and what a rung does on an axis."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from ..ladder import ClickPattern, Drift, Rung, click_pattern, drift_drop, is_whole_step, steps_per_detent
from ..machine import Axis, Machine

__all__ = [
    "AxisLimits", "FeltDelay", "Resolution", "Ripple", "RungOnAxis", "carries_evenly", "coarsest_gain",
    "derive_limits", "derive_rung", "distance_per_report_mm", "felt_delay", "forgiven_run_on_bound_mm",
    "friction_lag", "full_speed_turn_rate", "incremental_torque_share",
    "longest_report_interval_s", "outrun_run_on_mm", "owed_run_on_mm", "owed_run_on_s", "real_resolution",
    "reports_apart_s", "rest_to_rest_s", "since_last_click_mm", "smallest_full_speed_move_mm",
    "steady_ripple", "stray_click_speed", "time_to_full_speed_s",
]  # fmt: skip

STEP_ACCURACY_SHARE = 0.05  # ±5 % of a full step, not accumulating: motor makers' data sheets


# ------------------------------------------------------------------ resolution


@dataclass(frozen=True, kw_only=True)
class Resolution:
    """The finest move an axis really honours [mm or degrees], and what it is made of.

    `one_way_mm` holds when the last approach came from the same side, `reversed_mm` after a reversal.

    >>> real = Resolution(step_mm=0.0125, motor_mm=0.01, friction_mm=None, slack_mm=0.05)
    >>> real.one_way_mm, real.reversed_mm
    (0.0125, 0.0625)
    """

    step_mm: float
    motor_mm: float | None
    friction_mm: float | None
    slack_mm: float

    @property
    def one_way_mm(self) -> float:
        """The largest of one step, the motor's accuracy and what friction holds back."""
        return max(self.step_mm, self.motor_mm or 0.0, self.friction_mm or 0.0)

    @property
    def reversed_mm(self) -> float:
        """The same with the slack on top."""
        return self.one_way_mm + self.slack_mm


def friction_lag(full_step_mm: float, friction_share: float) -> float:
    """How far a motor lags before its torque beats friction: asin(share)/90° of a full step [mm].

    >>> round(friction_lag(40 / 200, 0.20), 3)  # 20 % on 40 mm a turn
    0.026
    """
    return math.degrees(math.asin(friction_share)) / 90 * full_step_mm


def incremental_torque_share(divide: int) -> float:
    """Torque of one microstep of lag as a share of holding torque: sin(90°/N). It is not a loss of torque.

    >>> round(100 * incremental_torque_share(16), 4)
    9.8017
    """
    return math.sin(math.radians(90 / divide))


def real_resolution(axis: Axis) -> Resolution:
    """What resolution is real on an axis. Motor and friction are None where the file can't tell them.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> real = real_resolution(router.axis("Z"))
    >>> real.step_mm, real.motor_mm, real.friction_mm, real.slack_mm
    (0.0025, 0.002, None, 0.02)
    """
    full = None if axis.full_step_mm is None else float(axis.full_step_mm)
    friction = None
    if full is not None and axis.friction_share:
        friction = friction_lag(full, axis.friction_share)
    return Resolution(
        step_mm=float(axis.step_mm),
        motor_mm=None if full is None else STEP_ACCURACY_SHARE * full,
        friction_mm=friction,
        slack_mm=axis.slack_mm,
    )


# ------------------------------------------------------------------ speed


def full_speed_turn_rate(top_speed_mm_s: float, gain_mm: float) -> float:
    """The turn rate [detents/s] above which the axis can't keep up: top speed / gain.

    >>> full_speed_turn_rate(100.0, 5.0)
    20.0
    """
    return top_speed_mm_s / gain_mm


def coarsest_gain(top_speed_mm_s: float, turn_rate_detents_s: float) -> float:
    """The largest gain [mm/detent] that an axis still follows at a turn rate.

    >>> coarsest_gain(100.0, 12.5)
    8.0
    """
    return top_speed_mm_s / turn_rate_detents_s


def stray_click_speed(gain_mm: float, top_speed_mm_s: float, ramp_mm_s2: float) -> float:
    """The peak speed [mm/s] of one accidental click from rest: √(gain·ramp), at most the top speed.

    >>> stray_click_speed(1.0, 50.0, 400.0)
    20.0
    """
    return min(top_speed_mm_s, math.sqrt(gain_mm * ramp_mm_s2))


@dataclass(frozen=True, kw_only=True)
class AxisLimits:
    """The gains an axis allows [mm or degrees per detent], each with what sets it.

    `steady_mm`: top speed at the steady turn rate; `fastest_mm`: at the fastest; `calm_mm`: the calm speed
    at the steady rate, and `stray_mm`: one stray click stays below it (None where the file gives no calm
    speed); `finest_mm`: the larger of wish and motor step.

    >>> AxisLimits(finest_mm=0.02, steady_mm=8.3, fastest_mm=2.5, calm_mm=2.8, stray_mm=2.7).cap_mm
    2.7
    """

    finest_mm: float
    steady_mm: float
    fastest_mm: float
    calm_mm: float | None
    stray_mm: float | None

    @property
    def cap_mm(self) -> float:
        """The coarsest gain that a steady hand and a stray click keep calm: the least of steady, calm and stray."""
        return min(limit for limit in (self.steady_mm, self.calm_mm, self.stray_mm) if limit is not None)


def derive_limits(machine: Machine, axis: Axis) -> AxisLimits:
    """The finest and coarsest gain that motor, speed and hand allow on an axis.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> limits = derive_limits(router, router.axis("Z"))
    >>> limits.finest_mm, round(limits.steady_mm, 3), round(limits.cap_mm, 3)
    (0.02, 2.083, 0.4)
    """
    steady, fastest = machine.knob.steady_detents_s, machine.knob.fastest_detents_s
    calm = axis.calm_speed_mm_s
    return AxisLimits(
        finest_mm=float(max(axis.finest_mm, axis.step_mm)),
        steady_mm=coarsest_gain(axis.top_speed_mm_s, steady),
        fastest_mm=coarsest_gain(axis.top_speed_mm_s, fastest),
        calm_mm=None if calm is None else coarsest_gain(calm, steady),
        stray_mm=None if calm is None or calm >= axis.top_speed_mm_s else calm**2 / axis.ramp_mm_s2,
    )


# ------------------------------------------------------------------ one rung on one axis


@dataclass(frozen=True, kw_only=True)
class RungOnAxis:
    """Everything a rung does on an axis. Distances in mm or degrees, rates in detents/s.

    `dropped` is the drift per 1000 detents [motor steps] of firmware that drops remainders at every report
    of one click, cut toward zero.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.ladder import Ladder
    >>> rung = derive_rung(router, router.axis("X"), Ladder.from_gains([Fraction(1, 50)]).rungs[0])
    >>> rung.finer_than_real, rung.one_way_mm, rung.reversed_mm
    ('after a reversal', 0.0125, 0.0625)
    """

    axis: str
    gain_mm: Fraction
    steps_per_detent: Fraction
    whole_step: bool
    pattern: ClickPattern
    full_speed_turn_rate: float
    top_speed_mm_s: float
    turns_to_cross: float
    stray_click_speed_mm_s: float
    one_way_mm: float
    reversed_mm: float
    above_cap: bool
    outruns_steady: bool
    dropped: Drift

    @property
    def finer_than_real(self) -> str | None:
        """Why the machine can't honour so fine a rung, or None: "one way" or "after a reversal"."""
        gain = float(self.gain_mm)
        if gain < self.one_way_mm * (1 - 1e-12):
            return "one way"
        return "after a reversal" if gain < self.reversed_mm * (1 - 1e-12) else None


def derive_rung(machine: Machine, axis: Axis, rung: Rung) -> RungOnAxis:
    """What a rung does on an axis of a machine.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.ladder import Ladder
    >>> rung = derive_rung(router, router.axis("X"), Ladder.from_gains([Fraction(1, 50)]).rungs[0])
    >>> str(rung.steps_per_detent), rung.pattern.say(), rung.turns_to_cross
    ('8/5', '2, 1, 2, 1, 2 steps, then again', 1250.0)
    """
    gain = machine.axis_gain(axis, rung.gain_mm)
    steps = steps_per_detent(machine, axis, rung.gain_mm)
    limits, real = derive_limits(machine, axis), real_resolution(axis)
    return RungOnAxis(
        axis=axis.name,
        gain_mm=gain,
        steps_per_detent=steps,
        whole_step=is_whole_step(machine, axis, rung.gain_mm),
        pattern=click_pattern(steps),
        full_speed_turn_rate=full_speed_turn_rate(axis.top_speed_mm_s, float(gain)),
        top_speed_mm_s=axis.top_speed_mm_s,
        turns_to_cross=axis.reach_mm / float(gain) / machine.knob.detents_per_turn,
        stray_click_speed_mm_s=stray_click_speed(float(gain), axis.top_speed_mm_s, axis.ramp_mm_s2),
        one_way_mm=real.one_way_mm,
        reversed_mm=real.reversed_mm,
        above_cap=float(gain) > limits.cap_mm * (1 + 1e-12),
        outruns_steady=float(gain) > limits.steady_mm * (1 + 1e-12),
        dropped=drift_drop(steps),
    )


# ------------------------------------------------------------------ how the axis answers, in closed form
#
# Where each report carries the same whole number of detents the steady motion repeats with every report and
# these are exact; `carries_evenly` says where. `design/response.py` simulates the rest and gives the advice.
# `speed_mm_s` is turn rate × gain throughout.

ALLOWED_RUN_ON_S = 0.25  # our choice: a quarter of a second of running on is hardly noticed
ALLOWED_RIPPLE_SHARE = 0.25  # our choice: above it, moves spread over the interval feel smoother


def carries_evenly(turn_rate: float, report_interval_s: float) -> bool:
    """Whether each report carries the same whole number of detents.

    >>> carries_evenly(50.0, 0.04), carries_evenly(12.0, 0.04)
    (True, False)
    """
    each = turn_rate * report_interval_s
    return round(each) >= 1 and abs(each - round(each)) < 1e-9


def reports_apart_s(turn_rate: float, report_interval_s: float) -> float:
    """The longest time between reports that carry clicks [s].

    Taken for the report interval it gives a first guess at ripple and run-on where less than one click falls
    into a report, not a bound: mixed gaps do worse (at 12 detents/s of 5 mm and 40 ms, on 100 mm/s and
    400 mm/s²: 27 % of ripple, not 20 %).

    >>> reports_apart_s(100.0, 0.04), reports_apart_s(12.0, 0.04)
    (0.04, 0.12)
    """
    return math.ceil(1 / (turn_rate * report_interval_s) - 1e-9) * report_interval_s


@dataclass(frozen=True, kw_only=True)
class Ripple:
    """How steady turning comes out at the axis: its lowest and highest speed [mm/s] between two reports.

    >>> steady_ripple(2.0, 0.04, top_speed_mm_s=50.0, ramp_mm_s2=500.0).stop_and_go
    True
    """

    low_mm_s: float
    high_mm_s: float
    share: float

    @property
    def stop_and_go(self) -> bool:
        """Whether the axis stops after every report."""
        return self.low_mm_s == 0.0


def steady_ripple(speed_mm_s: float, report_interval_s: float, top_speed_mm_s: float, ramp_mm_s2: float) -> Ripple:
    """The ripple of an axis that dashes to each reported target and comes to rest there if nothing follows.

    At or below a·T/4 it is stop-and-go with peak √(a·v·T); above, v ± a·T/4; where that would pass the top
    speed, the low is top − √(a·T·(top − v)). The share is half the swing over the mean speed.

    >>> steady_ripple(10.0, 0.04, top_speed_mm_s=50.0, ramp_mm_s2=500.0)
    Ripple(low_mm_s=5.0, high_mm_s=15.0, share=0.5)
    """
    swing = ramp_mm_s2 * report_interval_s / 4
    v = min(speed_mm_s, top_speed_mm_s)
    low, high = v - swing, v + swing
    if v <= swing:
        low, high = 0.0, math.sqrt(4 * swing * v)
    if high > top_speed_mm_s:
        low, high = max(0.0, top_speed_mm_s - math.sqrt(4 * swing * (top_speed_mm_s - v))), top_speed_mm_s
    return Ripple(low_mm_s=low, high_mm_s=high, share=(high - low) / (2 * v))


def owed_run_on_mm(
    speed_mm_s: float, report_interval_s: float, top_speed_mm_s: float, ramp_mm_s2: float
) -> float:
    """Run-on of *owe* from the last report that carries clicks [mm], after steady turning the axis can follow.

    Exact: v·T while it is stop-and-go; above that v²/2a + ¾·v·T + a·T²/32; near the top speed the same by way
    of its own ripple. Braking is inside the sum. From the last click itself add up to v·(T + delay).

    >>> owed_run_on_mm(10.0, 0.04, top_speed_mm_s=50.0, ramp_mm_s2=500.0)
    0.425
    """
    ripple = steady_ripple(speed_mm_s, report_interval_s, top_speed_mm_s, ramp_mm_s2)
    if ripple.stop_and_go:
        return speed_mm_s * report_interval_s
    low, high = ripple.low_mm_s, ripple.high_mm_s
    cruise_s = report_interval_s - 2 * (high - low) / ramp_mm_s2
    return (2 * high**2 - low**2) / (2 * ramp_mm_s2) + high * max(cruise_s, 0.0)


def owed_run_on_s(
    speed_mm_s: float, report_interval_s: float, top_speed_mm_s: float, ramp_mm_s2: float
) -> float:
    """How long that run-on takes [s], from the last report that carries clicks to rest.

    >>> round(owed_run_on_s(10.0, 0.04, top_speed_mm_s=50.0, ramp_mm_s2=500.0), 6)
    0.05
    """
    ripple = steady_ripple(speed_mm_s, report_interval_s, top_speed_mm_s, ramp_mm_s2)
    if ripple.stop_and_go:
        return rest_to_rest_s(speed_mm_s * report_interval_s, top_speed_mm_s, ramp_mm_s2)
    low, high = ripple.low_mm_s, ripple.high_mm_s
    cruise_s = report_interval_s - 2 * (high - low) / ramp_mm_s2
    return (2 * high - low) / ramp_mm_s2 + max(cruise_s, 0.0)


def outrun_run_on_mm(
    turn_rate: float,
    gain_mm: float,
    burst_s: float,
    top_speed_mm_s: float,
    ramp_mm_s2: float,
    report_interval_s: float = 0.0,
) -> float:
    """Run-on of *owe* [mm] after turning faster than the axis can follow for `burst_s`, from rest.

    (u·gain − top)·t + top²/2a where the burst is long enough to reach the top speed. Exact from the first to
    the last report that carries clicks, when `turn_rate` is all clicks over that time; for a hand that turns
    at a rate for a time, give the report interval too: the first report comes one interval after its clicks.

    >>> outrun_run_on_mm(40.0, 5.0, 1.0, top_speed_mm_s=100.0, ramp_mm_s2=400.0)
    112.5
    """
    moving_s = max(burst_s - report_interval_s, 0.0)
    ramp_s = top_speed_mm_s / ramp_mm_s2
    done = ramp_mm_s2 * moving_s**2 / 2
    if moving_s > ramp_s:
        done = top_speed_mm_s * (moving_s - ramp_s / 2)
    return turn_rate * gain_mm * burst_s - done


def forgiven_run_on_bound_mm(
    speed_mm_s: float, gain_mm: float, report_interval_s: float, top_speed_mm_s: float, ramp_mm_s2: float
) -> float:
    """The most *forgive* runs on [mm] from the last report that carries clicks: v²/2a + max(top·T, gain).

    `speed_mm_s` is the axis' own speed then, at most the top speed. From the last click itself add
    top·(T + delay + jitter).

    >>> forgiven_run_on_bound_mm(100.0, 5.0, 0.04, top_speed_mm_s=100.0, ramp_mm_s2=400.0)
    17.5
    """
    return speed_mm_s**2 / (2 * ramp_mm_s2) + max(top_speed_mm_s * report_interval_s, gain_mm)


def since_last_click_mm(
    speed_mm_s: float, report_interval_s: float, delay_s: float, jitter_s: float = 0.0
) -> float:
    """What to add to a run-on to count it from the last click itself [mm]: at most v·(T + delay + jitter).

    For *owe* v is the mean speed, for *forgive* the top speed.

    >>> round(since_last_click_mm(10.0, 0.04, 0.005), 6)
    0.45
    """
    return speed_mm_s * (report_interval_s + delay_s + jitter_s)


def rest_to_rest_s(distance_mm: float, top_speed_mm_s: float, ramp_mm_s2: float) -> float:
    """The least time of a move from rest to rest [s].

    >>> round(rest_to_rest_s(10.0, 50.0, 500.0), 6), round(rest_to_rest_s(0.1, 50.0, 500.0), 6)
    (0.3, 0.028284)
    """
    if distance_mm < smallest_full_speed_move_mm(top_speed_mm_s, ramp_mm_s2):
        return 2 * math.sqrt(distance_mm / ramp_mm_s2)
    return distance_mm / top_speed_mm_s + top_speed_mm_s / ramp_mm_s2


def time_to_full_speed_s(top_speed_mm_s: float, ramp_mm_s2: float) -> float:
    """How long the axis takes from rest to its top speed [s].

    >>> time_to_full_speed_s(100.0, 400.0)
    0.25
    """
    return top_speed_mm_s / ramp_mm_s2


def smallest_full_speed_move_mm(top_speed_mm_s: float, ramp_mm_s2: float) -> float:
    """The shortest move from rest to rest that reaches the top speed [mm]: top²/a.

    >>> smallest_full_speed_move_mm(100.0, 400.0)
    25.0
    """
    return top_speed_mm_s**2 / ramp_mm_s2


def distance_per_report_mm(
    turn_rate: float, gain_mm: float, report_interval_s: float, top_speed_mm_s: float
) -> float:
    """How far the axis moves in one report interval while the knob is turned steadily [mm].

    >>> distance_per_report_mm(12.5, 1.0, 0.04, 100.0), distance_per_report_mm(12.5, 20.0, 0.04, 100.0)
    (0.5, 4.0)
    """
    return min(turn_rate * gain_mm, top_speed_mm_s) * report_interval_s


@dataclass(frozen=True, kw_only=True)
class FeltDelay:
    """Time from a click to the axis' first motion [s]: on average, and at most.

    >>> felt_delay(0.04, 0.005).longest_s
    0.045
    """

    typical_s: float
    longest_s: float


def felt_delay(report_interval_s: float, delay_s: float, jitter_s: float = 0.0) -> FeltDelay:
    """The delay a hand feels: a click waits half a report interval on average, a whole one at most.

    >>> felt_delay(0.04, 0.005)
    FeltDelay(typical_s=0.025, longest_s=0.045)
    """
    return FeltDelay(
        typical_s=report_interval_s / 2 + delay_s + jitter_s / 2, longest_s=report_interval_s + delay_s + jitter_s
    )


def longest_report_interval_s(
    turn_rate: float, gain_mm: float, ripple_share: float, top_speed_mm_s: float, ramp_mm_s2: float
) -> float:
    """The longest report interval [s] that keeps the ripple of steady turning at or under a share below 1.

    0 where no interval can: the clicks themselves come too far apart, however often they are reported. For a
    speed at or above the top speed any interval will do (infinite): the axis runs at its ceiling.

    >>> longest_report_interval_s(100.0, 0.2, 0.25, top_speed_mm_s=50.0, ramp_mm_s2=500.0)
    0.04
    >>> longest_report_interval_s(10.0, 0.2, 0.25, top_speed_mm_s=50.0, ramp_mm_s2=500.0)
    0.0
    """
    if not 0 < ripple_share < 1:
        raise ValueError(f"ripple_share = {ripple_share}: must be between 0 and 1; at 1 the axis stops and goes")
    v = turn_rate * gain_mm
    if v >= top_speed_mm_s:
        return math.inf
    longest = 4 * ripple_share * v / ramp_mm_s2
    if v + ramp_mm_s2 * longest / 4 > top_speed_mm_s:
        longest = (2 * ripple_share * v) ** 2 / (ramp_mm_s2 * (top_speed_mm_s - v))
    return longest if turn_rate * longest >= 1 - 1e-9 else 0.0
