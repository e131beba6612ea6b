"""How far a target may lead."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine


# The closed forms below are derived, and checked by brute force.
def _needed_limit_mm(speed_mm_s: float, gain_mm: float, report_interval_s: float, ramp_mm_s2: float) -> float:
    """The limit [mm] under which any pattern of at most u·t + 1 clicks in t loses none: v²/2a + v·T + g.

    `speed_mm_s` is v = u·g. With v the top jog speed it is the most that any hand can need.

    >>> round(_needed_limit_mm(60.0, 5.0, 0.04, 400.0), 6)
    11.9
    """
    return speed_mm_s**2 / (2 * ramp_mm_s2) + speed_mm_s * report_interval_s + gain_mm


def _free_speed_mm_s(limit_mm: float, gain_mm: float, report_interval_s: float, ramp_mm_s2: float) -> float:
    """The speed [mm/s] up to which a limit loses no click: −aT + √(a²T² + 2a(L − g)), 0 where g is L or more.

    With the allowed run-on for L it is the jog speed to allow."""
    lag = ramp_mm_s2 * report_interval_s
    spare = 2 * ramp_mm_s2 * max(limit_mm - gain_mm, 0.0)
    return spare / (lag + math.sqrt(lag**2 + spare)) if spare else 0.0


def _free_rate(limit_mm: float, gain_mm: float, report_interval_s: float, jog_top_mm_s: float, ramp_mm_s2: float) -> float:
    """The turn rate [detents/s] up to which a rung loses no click under a limit and a top jog speed; 0 where one click is more
    than the limit. Up to 1/(time of a click from rest to rest + T) each click ends before the next is heard, whatever the limit
    leaves.

    >>> [round(_free_rate(12.0, gain, 0.04, 60.5, 400.0), 1) for gain in (0.2, 2.0, 5.0, 20.0)]
    [302.5, 30.2, 12.1, 0.0]
    """
    if gain_mm > limit_mm * (1 + 1e-9):
        return 0.0
    peak = min(jog_top_mm_s, math.sqrt(gain_mm * ramp_mm_s2))
    one_by_one = 1 / (gain_mm / peak + peak / ramp_mm_s2 + report_interval_s)
    return max(min(_free_speed_mm_s(limit_mm, gain_mm, report_interval_s, ramp_mm_s2), jog_top_mm_s) / gain_mm, one_by_one)


def _coarsest_lossless_gain_mm(
    limit_mm: float, turn_rate: float, report_interval_s: float, jog_top_mm_s: float, ramp_mm_s2: float
) -> float:
    """The coarsest rung [mm] that loses no click at a turn rate: (a/u²)(√(b² + 2Lu²/a) − b), b = uT + 1; ≤ V/u."""
    b = turn_rate * report_interval_s + 1
    gain = ramp_mm_s2 / turn_rate**2 * (math.sqrt(b**2 + 2 * limit_mm * turn_rate**2 / ramp_mm_s2) - b)
    return min(gain, jog_top_mm_s / turn_rate)


def _least_ramp_mm_s2(allowed_mm: float, turn_rate: float, gain_mm: float, report_interval_s: float) -> float | None:
    """The least ramp [mm/s²] that keeps every click within an allowed run-on: u²g²/2(A − u·g·T − g); None if none."""
    speed = turn_rate * gain_mm
    spare = allowed_mm - speed * report_interval_s - gain_mm
    return speed**2 / (2 * spare) if spare > 1e-12 * allowed_mm else None


def _longest_lossless_interval_s(allowed_mm: float, turn_rate: float, gain_mm: float, ramp_mm_s2: float) -> float | None:
    """The longest report interval [s] that keeps every click within an allowed run-on; None where none can."""
    speed = turn_rate * gain_mm
    longest = (allowed_mm - gain_mm - speed**2 / (2 * ramp_mm_s2)) / speed
    return longest if longest > 0 else None


def _shortest_queue(needed_mm: float, turn_rate: float, gain_mm: float, report_interval_s: float) -> int:
    """The moves of the shortest discarding queue that loses no click: ⌈M / (max(1, ⌊uT⌋)·g)⌉, one move a report; at
    most 3 more than needed."""
    each = max(1, math.floor(turn_rate * report_interval_s + 1e-9))
    return math.ceil(needed_mm / (each * gain_mm) - 1e-9)


def _rung_kind(rate: float, steady: float) -> str:
    """What a rung is for at its free rate: "exact" from twice the steady rate on, "even" from it on, else "travel".

    Hands aren't even: only from twice the mean rate on is no click lost. Our choice.

    >>> [_rung_kind(rate, 12.0) for rate in (30.3, 12.1, 6.7)]
    ['exact', 'even', 'travel']
    """
    near = rate * (1 + 1e-9)
    return "exact" if near >= 2 * steady else "even" if near >= steady else "travel"


@dataclass(frozen=True, kw_only=True)
class _Outstanding:
    """What to set in the firmware of one axis [mm or degrees, s, steps], and what is in use there.

    `allowed_mm` is the run-on allowed, from the file (`allowed_given`) or our choice: what lets a steady hand keep every click
    on `gain_mm`, the coarsest rung that the axis serves. `used_limit_mm` and `used_top_mm_s` are the file's own where it gives
    them, else the ones advised. `queue` is the shortest discarding queue, for firmware that has no limit; None where the axis
    can't keep up. `cures`: what would keep every click where nothing set can: `ramp_mm_s2` at least, `report_s` at most,
    `coarsest_mm` of a rung. `ramps_mm_s2` for a steady hand there: `least`, below which clicks are lost or it runs on too far
    (where a run-on is allowed by the file); `plenty`, where braking is a fifth of the limit and more is worth little; `smooth`,
    above which the speed swings by more than a quarter with each report."""

    axis: str
    allowed_mm: float
    allowed_given: bool
    gain_mm: float
    jog_top_mm_s: float
    limit_mm: float
    limit_steps: int
    used_limit_mm: float
    used_top_mm_s: float
    calm_speed_steps_s: int | None
    queue: int | None
    cures: Mapping[str, float] = field(default_factory=dict)
    ramps_mm_s2: Mapping[str, float] = field(default_factory=dict)

    def serves(self, machine: Machine, gain_mm: float, rate: float) -> tuple[float, str]:
        """Up to which rate [/s] no click of a distance is lost under what is in use, and what that is to a hand of a rate."""
        every, ramp = machine.link.report_interval_s, machine.axis(self.axis).ramp_mm_s2
        free = _free_rate(self.used_limit_mm, gain_mm, every, self.used_top_mm_s, ramp)
        return free, _rung_kind(free, rate)


def derive_outstanding(machine: Machine, axis: Axis, ladder: Ladder) -> _Outstanding:
    """What to set in one axis' firmware for a ladder: the limit on what is outstanding, the jog speed, the clamp.

    From the allowed run-on A and the coarsest rung served g: V = −aT + √(a²T² + 2a(A − g)), at most the top speed; L = V²/2a +
    V·T + g."""
    rate, every, ramp = machine.knob.steady_detents_s, machine.link.report_interval_s, axis.ramp_mm_s2
    top = min(axis.top_speed_mm_s, axis.jog_top_mm_s or math.inf)
    gain = _coarsest_served(machine, axis, ladder)
    needed = _needed_limit_mm(min(rate * gain, top), gain, every, ramp)
    allowed = min(axis.reach_mm, needed if axis.run_on_mm is None else axis.run_on_mm)
    jog_top = min(top, _free_speed_mm_s(allowed, gain, every, ramp) or math.sqrt(gain * ramp))
    limit = min(max(allowed, gain), _needed_limit_mm(jog_top, gain, every, ramp), axis.reach_mm)
    whole = min(gain, limit)  # a click must fit, but for one that is longer than the axis
    per_mm, keeps_up = float(axis.steps_per_mm), rate * gain <= axis.top_speed_mm_s * (1 + 1e-12)
    return _Outstanding(
        axis=axis.name, allowed_mm=allowed, allowed_given=axis.run_on_mm is not None, gain_mm=gain, jog_top_mm_s=jog_top,
        limit_mm=limit, limit_steps=max(math.floor(limit * per_mm * (1 + 1e-12)), math.ceil(whole * per_mm * (1 - 1e-12))),
        used_limit_mm=axis.jog_limit_mm or limit,
        used_top_mm_s=axis.jog_top_mm_s or (axis.top_speed_mm_s if axis.jog_limit_mm else jog_top),
        calm_speed_steps_s=calm_speed_steps_s(axis), queue=_shortest_queue(needed, rate, gain, every) if keeps_up else None,
        cures=_cures(machine, axis, gain, allowed) if keeps_up and needed > allowed * (1 + 1e-9) else {},
        ramps_mm_s2=_ramps_mm_s2(axis.run_on_mm, rate, gain, every),
    )  # fmt: skip


def _coarsest_served(machine: Machine, axis: Axis, ladder: Ladder) -> float:
    """The rung a limit is made for: with an allowed run-on the coarsest below it that the axis follows at the steady
    rate, else the finest; without one the finest that brings it to half its top speed, else the coarsest."""
    gains = [float(gain) for gain in ladder.on(axis)]
    most = axis.top_speed_mm_s / machine.knob.steady_detents_s
    if axis.run_on_mm is None:
        return min([gain for gain in gains if gain >= most / 2], default=max(gains))
    return max([gain for gain in gains if gain <= most * (1 + 1e-12) and gain < axis.run_on_mm], default=min(gains))


def _ramps_mm_s2(allowed_mm: float | None, turn_rate: float, gain_mm: float, report_interval_s: float) -> dict[str, float]:
    """The ramps to set: least u²g²/2(A − u·g·T − g), plenty 2v²/(v·T + g), smooth v/T.

    >>> {name: round(ramp) for name, ramp in _ramps_mm_s2(12.0, 12.0, 5.0, 0.04).items()}
    {'plenty': 973, 'smooth': 1500, 'least': 391}
    """
    speed = turn_rate * gain_mm
    found = {"plenty": 2 * speed**2 / (speed * report_interval_s + gain_mm), "smooth": speed / report_interval_s}
    least = None if allowed_mm is None else _least_ramp_mm_s2(allowed_mm, turn_rate, gain_mm, report_interval_s)
    return found if least is None else {**found, "least": least}


def stick_top_mm_s(machine: Machine, axis: Axis) -> float:
    """The speed at full throw of a stick [mm/s] from which a lost link runs on no farther than allowed: the filed run-on, else
    2 % of the reach (our choice)."""
    return axis.speed_to_stop_mm_s(axis.reach_mm / 50 if axis.run_on_mm is None else axis.run_on_mm, machine.link.lost_s)


def calm_speed_steps_s(axis: Axis) -> int | None:
    """The calm speed in whole steps/s, rounded down: the clamp for knob, stick and buttons; None where none is filed."""
    if axis.calm_speed_mm_s is None:
        return None
    return math.floor(axis.calm_speed_mm_s * float(axis.steps_per_mm) * (1 + 1e-12))


def _cures(machine: Machine, axis: Axis, gain: float, allowed: float) -> dict[str, float]:
    """What would let a steady hand keep every click on a rung within the allowed run-on, each alone."""
    rate, every = machine.knob.steady_detents_s, machine.link.report_interval_s
    found = {
        "ramp_mm_s2": _least_ramp_mm_s2(allowed, rate, gain, every),
        "report_s": _longest_lossless_interval_s(allowed, rate, gain, axis.ramp_mm_s2),
        "coarsest_mm": _coarsest_lossless_gain_mm(allowed, rate, every, axis.top_speed_mm_s, axis.ramp_mm_s2),
    }
    return {name: value for name, value in found.items() if value is not None}
