"""What an axis makes of a rung, and the habit advised for it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from ..units import UNIT_FACTORS, say_distance, say_number
from ..words.cautions import for_axes, positions_words
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
    smallest_full_speed_move_mm,
    steady_ripple,
    time_to_full_speed_s,
)


@dataclass(frozen=True, kw_only=True)
class Answer:
    """How an axis answers one rung, for one hand and one link. Distances [mm or degrees], times [s].

    `run_on_mm`, `run_on_s` and `ripple` are those of *owe* and *dash* at the steady turn rate: in closed form
    where each report carries the same whole number of clicks, else simulated. `hurried_run_on_mm` is what *owe*
    runs on after a second at the fastest turn rate, `hurried_mm_s` its highest speed then, ripple included;
    `forgiven_run_on_mm` is the most that *forgive* runs on.
    `allowed_mm` is the run-on that is put up with. `too_fast` and `speed` are the habits advised, `reasons` say
    why. Under a limit of `limit_mm` on what is outstanding the rung loses no click up to `free_rate` [detents/s];
    `kind` says what that makes of it: "exact" (twice the steady rate), "even", or "travel", which loses clicks.
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
    reasons: tuple[str, ...]
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
    unit: str = "mm",
) -> Answer:
    """How an axis answers one rung at a steady and a fastest turn rate [detents/s], and which habit suits it.

    What is advised concerns how it feels; what is safe near a moving axis the machine's manual decides.

    Owing is put up with while the axis runs on no farther than the larger of half a click and the finest wish,
    or no longer than `allowed_s`. That is our choice, not a standard's. Beyond, a limit on the outstanding distance
    is advised, here the one that lets a steady hand keep every click. No run-on is longer than `reach_mm`; reasons
    are said in `unit`.
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
        reasons=(_why_owe_or_limit(outruns, limits_it, min(hurried, reach_mm), limit, hurry_s, unit), _why_spread(spreads)),
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


def _why_owe_or_limit(outruns: bool, limits_it: bool, hurried: float, limit: float, hurry_s: float, unit: str) -> str:
    """Why every click may be finished, or what is outstanding should be limited, in plain words."""
    if limits_it:
        owed, within = (say_distance(distance, unit, digits=3) for distance in (hurried, limit))
        return (
            f"turned hard for {hurry_s:g} s, an axis that owes runs on {owed}; with what is outstanding limited to {within} "
            "it runs on no farther, and clicks beyond are dropped"
        )
    if outruns:
        return "the fastest turning outruns the axis, but so little that every click may be finished"
    return "the axis keeps up with the fastest turning, so every click may be finished"


def _why_spread(spreads: bool) -> str:
    if spreads:
        return "spread evens out the ripple and ends at most one report later"
    return "spreading each move would hardly make the motion evener, and dash ends one report earlier"


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
    limit, unit = found.used_limit_mm, machine.shown_unit(axis)
    free = free_rate(limit, gain, link.report_interval_s, found.used_top_mm_s, axis.ramp_mm_s2)
    hurried = min(answer.hurried_run_on_mm, axis.reach_mm)
    outruns = machine.knob.fastest_detents_s * gain > axis.top_speed_mm_s
    why = _why_owe_or_limit(outruns, answer.too_fast == "limit", hurried, limit, 1.0, unit)
    return replace(
        answer,
        run_on_mm=min(answer.run_on_mm, axis.reach_mm),
        hurried_run_on_mm=hurried,
        forgiven_run_on_mm=min(answer.forgiven_run_on_mm, axis.reach_mm),
        reasons=(why, *answer.reasons[1:]),
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


def ladder_answers(machine: Machine, ladder: Ladder) -> tuple[dict[str, Answer], ...]:
    """For each rung, how each axis answers it, by the axis' name."""
    found = {axis.name: derive_outstanding(machine, axis, ladder) for axis in machine.axes}
    return tuple(
        {axis.name: axis_answer(machine, axis, gain, found[axis.name]) for axis in machine.axes}
        for gain in ladder.gains_mm
    )


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


def run_on_cautions(machine: Machine, ladder: Ladder) -> list[str]:
    """On which positions each axis runs on too far when the hand hurries, and what to set in the firmware."""
    answers = ladder_answers(machine, ladder)
    texts = []
    for axis in machine.axes:
        found = derive_outstanding(machine, axis, ladder)
        own = [replies[axis.name] for replies in answers]
        sentences = [*_hurry_words(machine, axis, found, own), *_filed_words(machine, axis, found, own, ladder)]
        if sentences:
            text = " ".join(sentences)
            texts.append((axis, text[0].lower() + text[1:]))
    return for_axes(machine, texts)


def _hurry_words(machine: Machine, axis: Axis, found: Outstanding, own: list[Answer]) -> list[str]:
    """Where hurrying runs on too far, and the limit, speed and queue that mend it."""
    hurried = [n for n, answer in enumerate(own, start=1) if answer.too_fast == "limit"]
    if not hurried or (axis.jog_limit_mm is not None and machine.firmware.when_full == "drop"):
        return []
    unit, owed = machine.shown_unit(axis), max(own[n - 1].hurried_run_on_mm for n in hurried)
    limit, speed = say_distance(found.limit_mm, unit, digits=3), say_distance(found.jog_top_mm_s, unit, digits=3)
    end = ", as far as it reaches" if owed >= axis.reach_mm else ""
    texts = [
        f"turned hard for a second on {positions_words(hurried)}, the axis runs on "
        f"{say_distance(owed, unit, digits=3)} after the hand has stopped{end}.",
        f"Limit what is outstanding to {limit} ({found.limit_steps} steps) and the jog speed to {speed}/s; "
        "clicks beyond are dropped.",
    ]
    if machine.firmware.queue is not None and found.queue is not None:
        moves = f"{found.queue} move{'s' if found.queue > 1 else ''}"
        texts.append(f"If the firmware has only a queue: the shortest that discards, {moves}; one that waits owes.")
    return texts


def _filed_words(machine: Machine, axis: Axis, found: Outstanding, own: list[Answer], ladder: Ladder) -> list[str]:
    """What is amiss with the limit and jog speed of the file, and what cures a run-on that is too short for a rung."""
    unit = machine.shown_unit(axis)
    allowed, rate = say_distance(found.allowed_mm, unit, digits=3), say_number(machine.knob.steady_detents_s, digits=3)
    texts = []
    if axis.jog_limit_mm is not None and found.allowed_given and axis.jog_limit_mm > found.allowed_mm:
        filed = say_distance(axis.jog_limit_mm, unit, digits=3)
        texts.append(f"The filed jog_limit of {filed} lets the axis run on farther than the {allowed} allowed.")
    if axis.jog_limit_mm is not None and machine.firmware.when_full == "wait":
        texts.append("The firmware keeps the clicks beyond its limit: so it owes them all the same. Let it drop them.")
    if found.cures:
        click = say_distance(found.gain_mm, unit, digits=3)
        cures = ", or ".join(found.cures)
        texts.append(f"Within the {allowed} allowed, a steady hand loses clicks of {click}. It would take {cures}.")
    filed_any = axis.jog_limit_mm is not None or axis.jog_top_mm_s is not None
    losing = [n for n, answer in enumerate(own, start=1) if answer.kind == "travel"]
    if losing and (filed_any or found.allowed_given):
        texts.append(f"At {rate} clicks a second clicks are lost on {positions_words(losing)}.")
    gains = [float(machine.axis_gain(axis, gain)) for gain in ladder.gains_mm]
    dead = [n for n, gain in enumerate(gains, start=1) if gain > found.used_limit_mm * (1 + 1e-9)]
    if dead:
        texts.append(f"On {positions_words(dead)} one click is more than that limit: nothing would move on this axis.")
    return texts


def longest_report_interval(machine: Machine, axis: Axis, gain_mm: Fraction) -> float | None:
    """The longest report interval [s] that keeps a steady hand's ripple within 25 %, None where none can or any will.

    None: the clicks themselves come too far apart, or the axis runs at its ceiling.
    """
    longest = longest_report_interval_s(
        machine.knob.steady_detents_s, float(machine.axis_gain(axis, gain_mm)), ALLOWED_RIPPLE_SHARE,
        axis.top_speed_mm_s, axis.ramp_mm_s2,
    )  # fmt: skip
    return longest if 0 < longest < math.inf else None


def axis_words(machine: Machine, ladder: Ladder) -> list[str]:
    """What each axis does on its own and under a steady hand, in sentences."""
    return for_axes(machine, [(axis, _axis_words(machine, axis, ladder)) for axis in machine.axes])


def _axis_words(machine: Machine, axis: Axis, ladder: Ladder) -> str:
    unit, factor = machine.shown_unit(axis), float(UNIT_FACTORS[machine.shown_unit(axis)])
    time = say_number(time_to_full_speed_s(axis.top_speed_mm_s, axis.ramp_mm_s2), digits=2)
    way = say_number(smallest_full_speed_move_mm(axis.top_speed_mm_s, axis.ramp_mm_s2) / factor, digits=3)
    highest, count = highest_owed_position(machine, axis, ladder), len(ladder.rungs)
    owed = "no rung" if highest == 0 else "every rung" if highest == count else f"positions 1 to {highest}"
    return (
        f"full speed takes {time} s, and no move shorter than {way} {unit} reaches it. With every click finished, a steady "
        f"hand's run-on stays within what is put up with (the larger of half a click and the finest wish, or 0.25 s: our "
        f"choice) on {owed}."
    )


def highest_owed_position(machine: Machine, axis: Axis, ladder: Ladder) -> int:
    """The highest position on which *owe* runs on no further than is put up with at the steady rate; 0 if none.

    Put up with: the larger of half a click and the finest wish, or 0.25 s. Our choice, not a standard's.
    """
    gains = [float(machine.axis_gain(axis, gain)) for gain in ladder.gains_mm]
    coarsest = coarsest_within_run_on_mm(
        gains,
        top_speed_mm_s=axis.top_speed_mm_s,
        ramp_mm_s2=axis.ramp_mm_s2,
        turn_rate=machine.knob.steady_detents_s,
        report_interval_s=machine.link.report_interval_s,
        finest_mm=float(axis.finest_mm),
    )
    return 0 if coarsest is None else gains.index(coarsest) + 1
