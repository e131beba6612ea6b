"""Lesson 5."""

import math

import numpy as np
import pandas as pd

from ..charts.hand import plot_pointing as plot_pointing
from ..hand.person import Hand
from ..machine.model import Machine
from .exercise import _exercise, _Solved
from .exercise import weigh_guess as weigh_guess
from .results import save_results as save_results

_FAR_IN, _WIDE_IN = 8.0, 1.0
_DISTANCE_MM, _RUNG_MM, _COARSE_MM = 60.0, 0.1, 2.0
_FINEST_MM = 0.1


@_exercise()
def check_halvings() -> _Solved:
    """How difficult 8 inches with a target 1 inch wide is, in halvings: log2(2·D/W), Fitts' own measure of difficulty.

    Source: P. M. Fitts 1954, J. Exp. Psychol. 47."""
    ratio = _FAR_IN / _WIDE_IN
    return _Solved(
        math.log2(2 * ratio),
        (ratio, "that is D divided by W. Double it, then count how often it can be halved until 1 is left."),
        (2 * ratio, "that is 2·D/W. How often can it be halved until 1 is left?"),
        (math.log2(ratio), "the 2 of 2·D/W is missing."),
        (math.log2(2 * ratio) + 1, "one too many: stop when 1 is left."),
        (math.log10(2 * ratio), "that is the logarithm to base 10. Halvings go by base 2."),
        (math.log(2 * ratio), "that is the natural logarithm. Halvings go by base 2."),
        (math.log2(ratio + 1), "that is another form of the law, in use as well. Here: 2·D/W."),
        praise="each halving takes the hand about the same time. That is the law, and it holds for many kinds of aiming.",
        hint="Take 2·D/W and halve it again and again. How often, until 1 is left?",
    )


@_exercise("ms")
def check_prediction(table: pd.DataFrame) -> _Solved:
    """The time [ms] for the hardest condition of Fitts' table, foretold from the others.

    `table` has Fitts' columns A_in, W_in and MT_ms. Right is whatever lies within 7 % of what the straight line through the
    fifteen others foretells, or between that and what was measured."""
    index = np.log2((2 * table["A_in"] / table["W_in"]).to_numpy(dtype=float))
    times = table["MT_ms"].to_numpy(dtype=float)
    hardest = int(index.argmax())
    easier = np.arange(len(index)) != hardest
    slope, start = np.polyfit(index[easier], times[easier], 1)
    line, below = start + slope * index[hardest], times[easier].max()
    return _Solved(
        (0.93 * line, max(1.07 * line, 1.03 * times[hardest])),
        (index[hardest], "that is the difficulty. How many milliseconds go with it?"),
        (below / 1000, "that is in seconds. The picture is in milliseconds."),
        (below, "that was measured one halving before. The line goes on rising."),
        (2 * below, "one more halving does not double the time: it adds what each of them adds."),
        (slope, "that is what one halving adds. Add it to the time one halving before."),
        (start, "that is where the line begins, at no difficulty at all."),
        (times.mean(), "that is the mean of all. The hardest takes longer than that."),
        praise=f"the straight line through the others says {line:.0f} ms. Measured were {times[hardest]:.0f} ms: such a law is "
        "right to some percent, not to the digit.",
        hint="Draw a straight line through the dots by eye and follow it one step further to the right.",
    )


@_exercise("s")
def check_turning_time(machine: Machine) -> _Solved:
    """How long it takes [s] to turn 60 mm on the 0.1 mm rung at the steady turn rate."""
    knob, clicks = machine.knob, _DISTANCE_MM / _RUNG_MM
    rate = knob.steady_detents_s
    return _Solved(
        clicks / rate, (clicks, "that many clicks. How long does the hand take for them?"),
        (_DISTANCE_MM / rate, "that would be clicks of a whole millimetre."),
        (clicks * rate, "more clicks a second take less time: divide."),
        (clicks / knob.detents_per_turn, "that is turns of the knob, not seconds."),
        (clicks / knob.fastest_detents_s, "that is the fastest a hand can. It can't keep that up: take the steady rate."),
        (_RUNG_MM / rate, "that is the wrong way up, and of one click."), (clicks / rate / 60, "that is in minutes."),
        praise="nearly a minute of turning. That is what a coarse rung is for.",
        hint="How many clicks, and how many of them in a second?",
    )  # fmt: skip


@_exercise("mm")
def check_left_over(hand: Hand) -> _Solved:
    """How far off [mm] one is, typically, after turning 60 mm in one go without counting."""
    share = hand.spread
    return _Solved(
        share * _DISTANCE_MM, (share, "that is the share. Of which distance?"),
        (100 * share, "that is the percentage. Of which distance?"),
        (share * _COARSE_MM, "that is a share of one click. The error goes with the whole distance."),
        (_COARSE_MM, "that is one click. The hand errs by more than the clicks here."),
        (_COARSE_MM / 2, "half a click would be left if every click were counted."),
        (100 * share * _DISTANCE_MM, "percent are hundredths."), (share * _DISTANCE_MM**2, "the distance enters once."),
        ((1 - share) * _DISTANCE_MM, "that is where one ends up. How much is missing?"),
        praise="so the first move need not be fine: on any rung with shorter clicks so much is left. The next move starts there.",
        hint="The error grows with the distance turned: a share of it. Which share stands in the cell above.",
    )  # fmt: skip


@_exercise("mm")
def check_smallest_tolerance() -> _Solved:
    """The smallest whole tolerance [mm] at which every goal can be reached with a finest click of 0.1 mm."""
    return _Solved(
        _FINEST_MM,
        (_FINEST_MM / 2, "the tolerance counts both sides, half of it on each. Draw two clicks and the goal halfway."),
        (2 * _FINEST_MM, "one always gets closer than a whole click. How far off, at worst?"),
        (_FINEST_MM / 10, "some goals lie that close to a click by luck. All of them?"),
        (_FINEST_MM * 10, "that is far more than needed: what matters is the finest click."),
        (0, "some goals lie between two clicks."),
        (_FINEST_MM * 1.5, "closer than that always works."),
        praise="a goal halfway between two clicks is half a click off, on either side. No skill helps, only a finer rung.",
        hint="Where does the goal lie worst, and how far is it then from the nearest click?",
    )
