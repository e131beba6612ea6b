"""Lesson 5: the hand."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..hand.controls import KnobControl
from ..hand.motion import Motion
from ..hand.person import Hand
from ..machine.model import Machine, Task
from ..units import say_number
from ..words.speak import speak
from .verdict import Verdict, check_number

if TYPE_CHECKING:
    import pandas as pd

FAR_IN, WIDE_IN = 8.0, 1.0
DISTANCE_MM, RUNG_MM, COARSE_MM = 60.0, 0.1, 2.0
FINEST_MM = 0.1


def halvings(distance: float, tolerance: float) -> float:
    """How often 2·D/W has to be halved to come down to 1: log2(2·D/W), Fitts' own measure of difficulty.

    Source: P. M. Fitts 1954, J. Exp. Psychol. 47.
    """
    return math.log2(2 * distance / tolerance)


def check_halvings(answer: object) -> Verdict:
    """How difficult 8 inches with a target 1 inch wide is, in halvings."""
    ratio = FAR_IN / WIDE_IN
    return check_number(
        answer, halvings(FAR_IN, WIDE_IN),
        praise="each halving takes the hand about the same time. That is the law, and it holds for many kinds "
               "of aiming.",
        hint="Take 2·D/W and halve it again and again. How often, until 1 is left?",
        slips=[
            (ratio, "that is D divided by W. Double it, then count how often it can be halved until 1 is left."),
            (2 * ratio, "that is 2·D/W. How often can it be halved until 1 is left?"),
            (math.log2(ratio), "the 2 of 2·D/W is missing."),
            (math.log2(2 * ratio) + 1, "one too many: stop when 1 is left."),
            (math.log10(2 * ratio), "that is the logarithm to base 10. Halvings go by base 2."),
            (math.log(2 * ratio), "that is the natural logarithm. Halvings go by base 2."),
            (math.log2(ratio + 1), "that is another form of the law, in use as well. Here: 2·D/W."),
        ],
    )  # fmt: skip


def check_prediction(answer: object, table: pd.DataFrame) -> Verdict:
    """The time [ms] for the hardest condition of Fitts' table, foretold from the others.

    `table` has Fitts' columns A_in, W_in and MT_ms. Right is whatever lies within 7 % of what the straight
    line through the fifteen others foretells, or between that and what was measured.
    """
    index = np.log2((2 * table["A_in"] / table["W_in"]).to_numpy(dtype=float))
    times = table["MT_ms"].to_numpy(dtype=float)
    hardest = int(index.argmax())
    easier = np.arange(len(index)) != hardest
    slope, start = np.polyfit(index[easier], times[easier], 1)
    line = start + slope * index[hardest]
    below = times[easier].max()
    return check_number(
        answer, (0.93 * line, max(1.07 * line, 1.03 * times[hardest])), unit="ms",
        praise=f"the straight line through the others says {line:.0f} ms. Measured were {times[hardest]:.0f} ms: "
        "a law of this kind is right to some percent, not to the digit.",
        hint="Draw a straight line through the dots by eye and follow it one step further to the right.",
        slips=[
            (float(index[hardest]), "that is the difficulty. How many milliseconds go with it?"),
            (below / 1000, "that is in seconds. The picture is in milliseconds."),
            (below, "that was measured one halving before. The line goes on rising."),
            (2 * below, "one more halving does not double the time: it adds what each of them adds."),
            (slope, "that is what one halving adds. Add it to the time one halving before."),
            (start, "that is where the line begins, at no difficulty at all."),
            (float(times.mean()), "that is the mean of all. The hardest takes longer than that."),
        ],
    )  # fmt: skip


def check_turning_time(answer: object, machine: Machine) -> Verdict:
    """How long it takes [s] to turn 60 mm on the 0.1 mm rung at the steady turn rate."""
    rate = machine.knob.steady_detents_s
    clicks = DISTANCE_MM / RUNG_MM
    return check_number(
        answer, clicks / rate, unit="s",
        praise="nearly a minute of turning. That is what a coarse rung is for.",
        hint="How many clicks, and how many of them in a second?",
        slips=[
            (clicks, "that many clicks. How long does the hand take for them?"),
            (DISTANCE_MM / rate, "that would be clicks of a whole millimetre."),
            (clicks * rate, "more clicks a second take less time: divide."),
            (clicks / machine.knob.detents_per_turn, "that is turns of the knob, not seconds."),
            (clicks / machine.knob.fastest_detents_s, "that is the fastest a hand can. It can't keep that up: "
                                                      "take the steady rate."),
            (RUNG_MM / rate, "that is the wrong way up, and of one click."),
            (clicks / rate / 60, "that is in minutes."),
        ],
    )  # fmt: skip


def check_left_over(answer: object, hand: Hand) -> Verdict:
    """How far off [mm] one is, typically, after turning 60 mm in one go without counting."""
    share = hand.spread
    return check_number(
        answer, share * DISTANCE_MM, unit="mm",
        praise="so the first move need not be fine: whatever the rung, about so much is left. The next move "
               "starts there.",
        hint="The error grows with the distance turned: a share of it. Which share stands in the cell above.",
        slips=[
            (share, "that is the share. Of which distance?"),
            (100 * share, "that is the percentage. Of which distance?"),
            (share * COARSE_MM, "that is a share of one click. The error goes with the whole distance."),
            (COARSE_MM, "that is one click. The hand errs by more than the clicks here."),
            (COARSE_MM / 2, "half a click would be left if every click were counted."),
            (100 * share * DISTANCE_MM, "percent are hundredths."),
            (share * DISTANCE_MM**2, "the distance enters once."),
            ((1 - share) * DISTANCE_MM, "that is where one ends up. How much is missing?"),
        ],
    )  # fmt: skip


def check_smallest_tolerance(answer: object) -> Verdict:
    """The smallest whole tolerance [mm] at which every goal can be reached with a finest click of 0.1 mm."""
    return check_number(
        answer, FINEST_MM, unit="mm",
        praise="a goal halfway between two clicks is half a click off, on either side. No skill helps, only a "
               "finer rung.",
        hint="Where does the goal lie worst, and how far is it then from the nearest click?",
        slips=[
            (FINEST_MM / 2, "the tolerance counts both sides: half of it on the left, half on the right. Draw "
                            "two clicks and the goal halfway."),
            (2 * FINEST_MM, "one always gets closer than a whole click. How far off, at worst?"),
            (FINEST_MM / 10, "some goals lie that close to a click by luck. All of them?"),
            (FINEST_MM * 10, "that is far more than needed: what matters is the finest click."),
            (0.0, "some goals lie between two clicks."),
            (FINEST_MM * 1.5, "closer than that always works."),
        ],
    )  # fmt: skip


def try_goal(
    machine: Machine, gains_mm: Iterable[float], distance_mm: float, tolerance_mm: float, *, axis: str = "X"
) -> str:
    """What the model of the hand says of one goal, in words: time, moves and rungs, or why not."""
    task = Task(name="goal", axis=axis, distance_mm=distance_mm, tolerance_mm=tolerance_mm, cue="eye")
    found = KnobControl(gains_mm=tuple(gains_mm)).estimate(
        task, Motion.from_machine(machine, axis), Hand.from_machine(machine)
    )
    if not found.possible or found.mean_s is None:
        return f"Not every goal can be reached. {speak(found.reason)}"
    rungs = ", then ".join(f"{leg.gain_mm:g}" for leg in found.route)
    return f"{found.mean_s:.1f} s expected, {found.moves:.1f} moves on average. Rungs: {rungs} mm."


def clicks_table(gains_mm: Sequence[float], distance_mm: float, hand: Hand) -> pd.DataFrame:
    """How many clicks and turns-in-seconds a distance is on each rung, at the steady rate."""
    import pandas as pd

    rate = hand.steady_detents_s
    return pd.DataFrame([
        {
            "one click (mm)": say_number(gain),
            "clicks": say_number(distance_mm / gain, digits=4),
            "seconds of turning": say_number(distance_mm / gain / rate, digits=3),
        }
        for gain in gains_mm
    ])  # fmt: skip
