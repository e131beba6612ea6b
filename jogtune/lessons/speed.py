"""Lesson 3."""

import math
from fractions import Fraction

from ..axis.advice import answer_burst
from ..axis.follow import Habit
from ..axis.limits import full_speed_turn_rate
from ..axis.outstanding import calm_speed_steps_s, derive_outstanding
from ..axis.runon import outrun_run_on_mm
from ..ladder.ladder import Ladder
from ..machine.model import Machine
from ..units import plain_at_most
from ..words.logs import log_sentence as log_sentence
from ..words.logs import outrun_table as outrun_table
from .exercise import _exercise, _Solved
from .exercise import weigh_guess as weigh_guess

_RUNG_MM = 5.0
_HURRY_DETENTS_S, _HURRY_S = 40.0, 1.0
_LIMIT_MM, _CLAMPED_MM = 12.0, 2.0
_LADDER_MM = (0.02, 0.1, 0.5, 2.0, 5.0)


def hurried_run_on(machine: Machine, *, too_fast: str = "owe", click_mm: float = _RUNG_MM, clamped: bool = False) -> float:
    """How far X runs on [mm] after the last click of a second of the fastest turning on a rung, clamped to its calm speed or not.

    Simulated, as the panel shows it; the "limit" is the one that lets a steady hand keep every click on the 5 mm rung."""
    the = machine.axis("X")
    limit = derive_outstanding(machine, the, Ladder.from_gains([Fraction(_RUNG_MM)])).limit_mm
    habits = {"owe": Habit(), "forgive": Habit(too_fast="forgive"), "limit": Habit(too_fast="limit", limit_mm=limit)}
    burst = answer_burst(
        _HURRY_DETENTS_S, _HURRY_S, click_mm, machine.link, habit=habits[too_fast], samples=2,
        top_speed_mm_s=_calm_mm_s(machine) if clamped else the.top_speed_mm_s, ramp_mm_s2=the.ramp_mm_s2,
    )  # fmt: skip
    return burst.since_click_mm


def _calm_mm_s(machine: Machine) -> float:
    axis = machine.axis("X")
    return axis.calm_speed_mm_s or axis.top_speed_mm_s


@_exercise("clicks/s")
def check_full_speed_rate(machine: Machine) -> _Solved:
    """The turn rate [clicks/s] above which X can't keep up on the rung of 5 mm a click."""
    top, knob = machine.axis("X").top_speed_mm_s, machine.knob
    return _Solved(
        full_speed_turn_rate(top, _RUNG_MM),
        (top * 60 / _RUNG_MM, "that is clicks per minute: the file's top speed is in mm per minute. Asked is per second."),
        (_RUNG_MM / top, "that is seconds per click. Asked is clicks per second."),
        (top * _RUNG_MM, "larger clicks need fewer of them: divide, don't multiply."),
        (top, "that is the top speed in mm per second. How many clicks of 5 mm is that?"),
        (knob.steady_detents_s, "that is what a hand keeps up. Asked is where the axis gives up."),
        (knob.fastest_detents_s, "that is the fastest a hand can. Asked is where the axis gives up."),
        (machine.axis("Z").top_speed_mm_s / _RUNG_MM, "that is axis Z. Asked is X."),
        praise="keep turning faster than that and clicks pile up (owed), or some are lost (dropped).",
        hint="How many clicks of 5 mm fit into the distance that the axis covers in a second?",
    )


@_exercise("mm", within=0.001)
def check_coarsest_plain(machine: Machine) -> _Solved:
    """The largest plain distance per click [mm] that X follows while the hand turns steadily."""
    steady = machine.knob.steady_detents_s
    most = machine.axis("X").top_speed_mm_s / steady
    plain = float(plain_at_most(Fraction(most)))
    others = [n * 10.0**k for k in range(-2, 3) for n in (1, 2, 5)]
    too_much, easy = "at the steady rate that asks for {:g} mm/s, more than the axis can.", "the axis follows {:g} mm easily."
    return _Solved(
        plain,
        *((value, too_much.format(value * steady)) for value in others if value > plain),
        *((value, f"{easy.format(value)} A larger plain distance still works.") for value in others if value < min(plain, 10)),
        (round(most), "rounded up or not, that is no plain number: 1, 2 or 5 times a power of ten."),
        (int(most), "near the limit, but not a plain number: 1, 2 or 5 times a power of ten."),
        (most, "that is the limit itself. Take the next smaller plain number: 1, 2 or 5 times a power of ten."),
        praise=f"{steady:g} clicks a second of it ask for {plain * steady:g} mm/s, and X can do more. The next plain one asks for "
        "too much: it would owe clicks or lose them.",
        hint="Plain means 1, 2 or 5, or these ten times larger or smaller.",
    )


@_exercise("mm", either_sign=True)
def check_braking(machine: Machine) -> _Solved:
    """How far X travels [mm] from top speed to rest."""
    v, a = machine.axis("X").top_speed_mm_s, machine.axis("X").ramp_mm_s2
    return _Solved(
        v * v / (2 * a),
        (v / a, "that is how many seconds the braking takes. How far does the axis get in them, at half the speed on average?"),
        (v * v / a, "the axis slows down while it brakes: its mean speed is half the top speed."),
        (v / (2 * a), "half the braking time. Multiply speed by time for a distance."),
        (a / v, "that is the ramp divided by the speed. Turn it over first: that gives a time."),
        (v, "that is how far it would get in a second without braking."),
        ((60 * v) ** 2 / (2 * a), "mm per minute went in where mm per second belong."),
        (v * v / (4 * a), "one half too many: the mean speed is half the top speed, the time is not halved."),
        praise="from its top speed, with this ramp, no controller stops X in less. From half the speed a quarter of it will do.",
        hint="How long does braking take, if each second takes the ramp off the speed? And the mean speed meanwhile?",
    )


@_exercise("mm")
def check_owed(machine: Machine) -> _Solved:
    """How far X still travels [mm] after a second at 40 clicks a second on the 5 mm rung, every click owed.

    Anything near the panel's figure, or near the closed form, is right."""
    v, a = machine.axis("X").top_speed_mm_s, machine.axis("X").ramp_mm_s2
    asked = _HURRY_DETENTS_S * _RUNG_MM * _HURRY_S
    figures = (outrun_run_on_mm(_HURRY_DETENTS_S, _RUNG_MM, _HURRY_S, v, a), hurried_run_on(machine))
    return _Solved(
        (0.97 * min(figures), 1.03 * max(figures)),
        (asked, "that is all that was asked for. Part of it is done already when the hand stops."),
        (asked - v * _HURRY_S, "nearly: that counts the axis at top speed from the first moment. It starts from rest."),
        (v * v / (2 * a), "that is braking alone. This axis first has to make up what it owes."),
        (v * _HURRY_S, "that is what the axis can do in a second. What is still to do?"),
        (v * (_HURRY_S - v / (2 * a)), "that is what is done when the hand stops. What is left?"),
        (0, "stopping the hand does not stop this axis: it finishes every click."),
        (_HURRY_DETENTS_S * _RUNG_MM / v, "that is a time in seconds, not a distance."),
        praise="the hand has stopped, the table has not, for more than a second. That is what owing means on a coarse rung.",
        hint="How far did the clicks ask for? How far did the axis get in that second, starting from rest?",
    )


@_exercise("mm/s")
def check_stops_within(machine: Machine) -> _Solved:
    """The highest speed [mm/s] from which X can brake to rest within a limit of 12 mm: v²/2a turned round."""
    a, top = machine.axis("X").ramp_mm_s2, machine.axis("X").top_speed_mm_s
    return _Solved(
        math.sqrt(2 * a * _LIMIT_MM),
        (top, "from there it takes more than that: see braking."),
        (math.sqrt(a * _LIMIT_MM), "a 2 is missing: the way is v²/2a."),
        (2 * a * _LIMIT_MM, "that is the speed squared. Take the root."),
        (math.sqrt(2 * _LIMIT_MM), "the ramp is missing under the root."),
        (math.sqrt(2 * _LIMIT_MM / a), "that is how long the braking takes. How fast was it?"),
        (top * _LIMIT_MM / (top * top / (2 * a)), "the way grows with the square of the speed, not with the speed."),
        (_LIMIT_MM, "that is the limit itself. How fast may X be to stop within it?"),
        praise="a target that leads by no more than the limit never lets X get faster than that. So it can stop in less than "
        "from top speed: both figures hold, each for its own speed.",
        hint="Turn v²/2a round: which speed gives the limit?",
    )


@_exercise()
def check_habit() -> _Solved:
    """Which habit makes the table stop soon after the hand, at the price of lost clicks."""
    return _Solved(
        "limit",
        ("owe", "owing loses no click, and that is why it runs on. Compare the panel's pictures."),
        ("forgive", "it stops soon, but can lose clicks of a steady hand too. Which loses only those beyond a distance you set?"),
        ("dash", "dash says how fast each move goes, not what happens to clicks that were too many."),
        ("spread", "spread makes the motion more even; it gives up no click."),
        ("queue", "moves already committed run to their end: a queue runs on the longest."),
        ("stop", "that is what it should feel like; which of the habits does it?"),
        praise="once the last report is in, the table goes no farther than the limit, and a steady hand loses no click. A hurried "
        "one does: the knob then no longer counts. It is no emergency stop.",
    )


@_exercise("mm")
def check_calm_rung(machine: Machine) -> _Solved:
    """The coarsest rung [mm] of the lesson's ladder with which a hand that hurries asks X for no more than its calm speed."""
    calm, steady = _calm_mm_s(machine), machine.knob.steady_detents_s
    rung = max(gain for gain in _LADDER_MM if gain * _HURRY_DETENTS_S <= calm)
    asks = "a calm hand asks for {:g} mm/s with it, a hurried one for {:g}."
    return _Solved(
        (rung, rung),
        *((gain, asks.format(steady * gain, _HURRY_DETENTS_S * gain)) for gain in _LADDER_MM if gain > rung),
        *((gain, "that one is calm. Is there a coarser one?") for gain in _LADDER_MM if gain < rung),
        (calm / _HURRY_DETENTS_S, "that is the limit itself. Which rung of the ladder is the next finer?"),
        (calm / steady, "that is for a calm hand. Take the hurried one."),
        (calm, "that is the calm speed. How many mm may each of 40 clicks a second be?"),
        praise="so the rung that is calm for everyone is a fine one, and nothing keeps the selector on it.",
        hint="Clicks a second times mm a click is the speed that is asked for. It is a rung of the ladder 0.02 ... 5 mm.",
    )


@_exercise("steps/s", within=1e-4)
def check_clamp(machine: Machine) -> _Solved:
    """The clamp [whole steps/s] that keeps X within its calm speed, whatever the hand does on whatever rung."""
    axis, steady = machine.axis("X"), machine.knob.steady_detents_s
    calm, per_mm = _calm_mm_s(machine), float(axis.steps_per_mm)
    clamp = calm_speed_steps_s(axis) or math.floor(calm * per_mm)
    rung = "no rung holds a hand back: {:g} clicks a second of {:g} mm ask for {:g} mm/s. What does the firmware count in?"
    return _Solved(
        clamp,
        *((click, rung.format(_HURRY_DETENTS_S, click, click * _HURRY_DETENTS_S)) for click in (1, 2, 5, 10)),
        (calm / steady, f"that rung is calm at {steady:g} clicks a second only: a hand that hurries passes it."),
        (calm, "that is the calm speed in mm per second. How many steps is that?"),
        (clamp + 1, "that is above the calm speed by a hair: round down to whole steps."),
        (calm * 60 * per_mm, "mm per minute went in where mm per second belong."),
        (calm / per_mm, "more steps per mm make more steps per second: multiply, don't divide."),
        (calm * 60 / per_mm, "mm per minute, and divided: take mm per second, and multiply."),
        (axis.top_speed_mm_s * per_mm, "that is the top speed. Asked is the calm speed."),
        praise=f"with it the axis is no faster for knob, stick and buttons alike, and 2 mm a click still keeps up to "
        f"{calm / 2:.3g} clicks a second. Two axes at once: divide by √2. The manual and the risk assessment decide.",
        hint="Steps per second: the calm speed in mm per second, times the steps per mm, rounded down.",
    )


@_exercise("mm")
def check_clamped(machine: Machine) -> _Solved:
    """How far X, clamped to its calm speed, still travels [mm] after a hurried second on 2 mm a click, every click owed.

    Anything near the closed form, or near the simulation, is right."""
    calm, a, top = _calm_mm_s(machine), machine.axis("X").ramp_mm_s2, machine.axis("X").top_speed_mm_s
    asked, ramp_s = _HURRY_DETENTS_S * _CLAMPED_MM * _HURRY_S, calm / a
    closed = outrun_run_on_mm(_HURRY_DETENTS_S, _CLAMPED_MM, _HURRY_S, calm, a)
    free, clamped = (hurried_run_on(machine, click_mm=_CLAMPED_MM, clamped=one) for one in (False, True))
    figures = (closed, clamped, asked - calm * _HURRY_S)
    return _Solved(
        (0.99 * min(figures), 1.01 * max(figures)),
        (asked, "that is all that was asked for. Part of it is done when the hand stops."),
        (calm * _HURRY_S, "that is about what X does in the second. What is left?"),
        (calm * (_HURRY_S - ramp_s / 2), "that is what X does in the second. What is left?"),
        (calm**2 / (2 * a), "that is braking alone. The clicks that are owed come first."),
        (lambda value: abs(value) < 1e-9, "a clamp slows the axis; it forgives no click."),
        (free, "that is without the clamp. Clamped, X does less in the second, so more is left."),
        (asked - top * _HURRY_S, "that is with the top speed. The clamp is lower."),
        praise=f"slower, but {closed / free:.0f} times as far as without the clamp, and for longer: clicks that are owed take "
        "their time. A clamp needs a limit beside it.",
        hint="How far did 40 clicks of 2 mm ask for? How far does X get in that second at 33.3 mm/s?",
    )
