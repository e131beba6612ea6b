"""Lesson 3: what the axis does."""

from __future__ import annotations

import math
from collections.abc import Iterable
from fractions import Fraction
from typing import TYPE_CHECKING

from ..axis.burst import answer_burst
from ..axis.follow import Habit
from ..axis.outstanding import calm_speed_steps_s, derive_outstanding
from ..axis.runon import outrun_run_on_mm
from ..axis.speed import coarsest_gain, full_speed_turn_rate, stray_click_speed
from ..ladder.ladder import Ladder
from ..machine.model import Machine
from ..units import plain_at_most, say_number
from .verdict import Verdict, check_choice, check_number

if TYPE_CHECKING:
    import pandas as pd

RUNG_MM = 5.0
HURRY_DETENTS_S, HURRY_S = 40.0, 1.0


def speed_table(machine: Machine, gains_mm: Iterable[float], *, axis: str = "X") -> pd.DataFrame:
    """What a few distances per click mean for speed on one axis."""
    import pandas as pd

    the = machine.axis(axis)
    top, ramp = the.top_speed_mm_s, the.ramp_mm_s2
    return pd.DataFrame([
        {
            "click in mm": say_number(gain),
            "full speed at, clicks/s": say_number(full_speed_turn_rate(top, gain), digits=3),
            "stray click reaches, mm/s": say_number(stray_click_speed(gain, top, ramp), digits=3),
        }
        for gain in gains_mm
    ])  # fmt: skip


def hurried_run_on(machine: Machine, *, axis: str = "X", too_fast: str = "owe") -> float:
    """How far the axis runs on [mm] after the last click of a second of the fastest turning on the 5 mm rung.

    Simulated, as the panel shows it; the "limit" is the one that lets a steady hand keep every click.
    """
    the = machine.axis(axis)
    limit = derive_outstanding(machine, the, Ladder.from_gains([Fraction(RUNG_MM)])).limit_mm
    habits = {"owe": Habit(), "forgive": Habit(too_fast="forgive"), "limit": Habit(too_fast="limit", limit_mm=limit)}
    burst = answer_burst(
        HURRY_DETENTS_S, HURRY_S, RUNG_MM, machine.link,
        top_speed_mm_s=the.top_speed_mm_s, ramp_mm_s2=the.ramp_mm_s2,
        habit=habits[too_fast], samples=2,
    )  # fmt: skip
    return burst.since_click_mm


def check_full_speed_rate(answer: object, machine: Machine) -> Verdict:
    """The turn rate [clicks/s] above which X can't keep up on the rung of 5 mm a click."""
    axis, knob = machine.axis("X"), machine.knob
    top = axis.top_speed_mm_s
    return check_number(
        answer, full_speed_turn_rate(top, RUNG_MM), unit="clicks/s",
        praise="turn faster and clicks pile up (owed), or are lost (beyond a limit). Nothing else can happen.",
        hint="How many clicks of 5 mm fit into the distance that the axis covers in a second?",
        slips=[
            (top * 60 / RUNG_MM, "that is clicks per minute: the file's top speed is in mm per minute. Asked is "
                                 "per second."),
            (RUNG_MM / top, "that is seconds per click. Asked is clicks per second."),
            (top * RUNG_MM, "larger clicks need fewer of them: divide, don't multiply."),
            (top, "that is the top speed in mm per second. How many clicks of 5 mm is that?"),
            (knob.steady_detents_s, "that is what a hand keeps up. Asked is where the axis gives up."),
            (knob.fastest_detents_s, "that is the fastest a hand can. Asked is where the axis gives up."),
            (machine.axis("Z").top_speed_mm_s / RUNG_MM, "that is axis Z. Asked is X."),
        ],
    )  # fmt: skip


def check_coarsest_plain(answer: object, machine: Machine) -> Verdict:
    """The largest plain distance per click [mm] that X follows while the hand turns steadily."""
    axis, steady = machine.axis("X"), machine.knob.steady_detents_s
    most = coarsest_gain(axis.top_speed_mm_s, steady)
    plain = float(plain_at_most(Fraction(most)))
    above = [n * 10.0**k for k in (0, 1, 2) for n in (1, 2, 5) if n * 10.0**k > plain]
    below = [n * 10.0**k for k in (-2, -1, 0) for n in (1, 2, 5) if n * 10.0**k < plain]
    slips: list[tuple[float, str]] = [
        (value, f"at the steady rate that asks for {value * steady:g} mm/s, more than the axis can.") for value in above
    ]
    slips += [(value, f"the axis follows {value:g} mm easily. A larger plain distance still works.") for value in below]
    return check_number(
        answer, plain, unit="mm", within=0.001,
        praise=f"{steady:g} clicks a second of it stay just below the top speed. A coarser rung would only owe "
               "or lose clicks.",
        hint="Plain means 1, 2 or 5, or these ten times larger or smaller.",
        slips=[
            *slips,
            (round(most), "rounded up or not, that is no plain number: 1, 2 or 5 times a power of ten."),
            (float(int(most)), "near the limit, but not a plain number: 1, 2 or 5 times a power of ten."),
            (most, "that is the limit itself. Take the next smaller plain number: 1, 2 or 5 times a power of ten."),
        ],
    )  # fmt: skip


def check_braking(answer: object, machine: Machine) -> Verdict:
    """The distance [mm] X needs to stop from its top speed."""
    axis = machine.axis("X")
    v, a = axis.top_speed_mm_s, axis.ramp_mm_s2
    return check_number(
        answer, v * v / (2 * a), unit="mm", either_sign=True,
        praise="no controller, however clever, stops this axis in less. The ramp sets it, not the knob.",
        hint="How long does braking take, if each second takes the ramp off the speed? And the mean speed meanwhile?",
        slips=[
            (v / a, "that is how many seconds the braking takes. How far does the axis get in them, at half the "
                    "speed on average?"),
            (v * v / a, "the axis slows down while it brakes: its mean speed is half the top speed."),
            (v / (2 * a), "half the braking time. Multiply speed by time for a distance."),
            (a / v, "that is the ramp divided by the speed. Turn it over first: that gives a time."),
            (v, "that is how far it would get in a second without braking."),
            ((60 * v) ** 2 / (2 * a), "mm per minute went in where mm per second belong."),
            (v * v / (4 * a), "one half too many: the mean speed is half the top speed, the time is not halved."),
        ],
    )  # fmt: skip


def check_owed(answer: object, machine: Machine) -> Verdict:
    """How far X still travels [mm] after a second at 40 clicks a second on the 5 mm rung, every click owed.

    Anything near the panel's figure, or near the closed form, is right.
    """
    axis = machine.axis("X")
    v, a = axis.top_speed_mm_s, axis.ramp_mm_s2
    asked = HURRY_DETENTS_S * RUNG_MM * HURRY_S
    form = outrun_run_on_mm(HURRY_DETENTS_S, RUNG_MM, HURRY_S, v, a)
    figures = (form, hurried_run_on(machine))
    return check_number(
        answer, (0.97 * min(figures), 1.03 * max(figures)), unit="mm",
        praise="the hand has stopped, the table has not, for more than a second. That is what owing means on a "
               "coarse rung.",
        hint="How far did the clicks ask for? How far did the axis get in that second, starting from rest?",
        slips=[
            (asked, "that is all that was asked for. Part of it is done already when the hand stops."),
            (asked - v * HURRY_S, "nearly: that counts the axis at top speed from the first moment. It starts "
                                  "from rest."),
            (v * v / (2 * a), "that is braking alone. This axis first has to make up what it owes."),
            (v * HURRY_S, "that is what the axis can do in a second. What is still to do?"),
            (v * (HURRY_S - v / (2 * a)), "that is what is done when the hand stops. What is left?"),
            (0.0, "stopping the hand does not stop this axis: it finishes every click."),
            (HURRY_DETENTS_S * RUNG_MM / v, "that is a time in seconds, not a distance."),
        ],
    )  # fmt: skip


def check_habit(answer: object) -> Verdict:
    """Which habit makes the table stop soon after the hand, at the price of lost clicks."""
    return check_choice(
        answer, "limit",
        {
            "owe": "owing loses no click, and that is why it runs on. Compare the panel's pictures.",
            "forgive": "it stops soon, but it can lose clicks of a steady hand too. Which habit loses only those beyond a "
                       "distance that you set?",
            "dash": "dash says how fast each move goes, not what happens to clicks that were too many.",
            "spread": "spread makes the motion more even; it gives up no click.",
            "queue": "moves already committed run to their end: a queue runs on the longest.",
            "stop": "that is what it should feel like; which of the habits does it?",
        },
        praise="the table runs on no farther than the limit, and a steady hand loses no click. A hurried one does: then the "
        "knob no longer counts. It is no emergency stop.",
    )  # fmt: skip


def check_clamp(answer: object, machine: Machine) -> Verdict:
    """The clamp [whole steps/s] that keeps X within its calm speed, whatever the hand does on whatever rung."""
    axis, steady = machine.axis("X"), machine.knob.steady_detents_s
    calm, per_mm = axis.calm_speed_mm_s or axis.top_speed_mm_s, float(axis.steps_per_mm)
    clamp = calm_speed_steps_s(axis) or math.floor(calm * per_mm)
    slips = [
        (click, f"no rung does it: {HURRY_DETENTS_S:g} clicks a second of {click:g} mm ask for {click * HURRY_DETENTS_S:g} mm/s. "
                "What does the firmware count in?")
        for click in (1.0, 2.0, 5.0, 10.0)
    ]  # fmt: skip
    return check_number(
        answer, clamp, unit="steps/s", within=1e-4,
        praise=f"with it the axis stays calm for knob, stick and buttons alike, and 2 mm a click still keeps up to "
               f"{calm / 2:.3g} clicks a second. Two axes at once: divide by √2. The manual and the risk assessment decide.",
        hint="Steps per second: the calm speed in mm per second, times the steps per mm, rounded down.",
        slips=[
            *slips,
            (calm / steady, f"that rung is calm at {steady:g} clicks a second only: a hand that hurries passes it."),
            (calm, "that is the calm speed in mm per second. How many steps is that?"),
            (clamp + 1, "that is above the calm speed by a hair: round down to whole steps."),
            (calm * 60 * per_mm, "mm per minute went in where mm per second belong."),
            (calm / per_mm, "more steps per mm make more steps per second: multiply, don't divide."),
            (calm * 60 / per_mm, "mm per minute, and divided: take mm per second, and multiply."),
            (axis.top_speed_mm_s * per_mm, "that is the top speed. Asked is the calm speed."),
        ],
    )  # fmt: skip
