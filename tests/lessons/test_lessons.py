"""The lessons: every checker accepts the right answer, helps with wrong ones, and never passes an untouched cell.

Decisions that these tests hold:

- A checker knows the usual slips and has a word for each; it never tells the answer, and an untouched cell (`...`, None, "")
  never passes. A new exercise adds a row to `EXERCISES` in `tests/test_lessons.py`: right answers, at least five wrong ones
  with a word each, the arithmetic beside.
- A solutions notebook carries the same cell ids as its lesson; a test requires every cell tagged `exercise` to be solved
  there.
- The class: copy the students' `class_logs` into one folder, then `write_roster(folder)`, then `jogtune compare MACHINE
  --class folder --roster folder/roster.csv`.
"""

from __future__ import annotations

import ast
import math
import os
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import nbformat
import numpy as np
import pandas as pd
import pytest

from jogtune.axis.advice import Burst, answer_burst
from jogtune.axis.follow import Habit
from jogtune.axis.limits import play
from jogtune.choose.suggest import Suggestion, suggest
from jogtune.files import InputFault
from jogtune.hand.person import Hand
from jogtune.ladder.ladder import Ladder
from jogtune.lessons import controls as l7
from jogtune.lessons import hand as l5
from jogtune.lessons import ladder as l6
from jogtune.lessons import link as l4
from jogtune.lessons import one_click as l1
from jogtune.lessons import resolution as l2
from jogtune.lessons import speed as l3
from jogtune.lessons.exercise import _is_untouched, _Verdict, weigh_guess
from jogtune.lessons.results import save_results, write_roster
from jogtune.logs.read import read_log
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine
from jogtune.measure.classroom import compare_class, read_roster
from jogtune.measure.standards import evaluate_accuracy
from places import MACHINES, REFERENCE, ROOT
from truths.sessions import make_log

LESSONS = sorted((ROOT / "notebooks").glob("0[1-7]_*.ipynb"))
UNTOUCHED = (..., None, "", "...", [...], [0, ...])
SUGGESTED = "0.02, 0.1, 0.5, 2, 8"


@dataclass(frozen=True)
class Exercise:
    """A checker, right answers, and wrong ones each with a word that the help must hold."""

    check: Callable[[Any], _Verdict]
    right: tuple[Any, ...]
    wrong: tuple[tuple[Any, str], ...]


_router = read_machine(MACHINES / "inlay_router.toml")
_bench = l2.Bench(_router)
_place = pd.read_csv(REFERENCE / "reversal_test_um.csv").query("target == 2")
_fitts = pd.read_csv(REFERENCE / "fitts1954_tapping_1oz.csv")
_ladder = Ladder.parse(SUGGESTED)
_made: dict[str, Suggestion] = {}


def _suggestion() -> Suggestion:
    return _made.setdefault("one", suggest(_router))


def _played() -> tuple[list[float], list[float]]:
    """Five stops at 93 clicks from below and five from above."""
    below: list[float] = []
    above: list[float] = []
    for start, found in [(80, below), (110, above)] * 5:
        _bench.go(start)
        _bench.go(93)
        found.append(_bench.measured_mm)
    return below, above


_below, _above = _played()
_slack = sum(_above) / 5 - sum(_below) / 5


EXERCISES = {
    # 40 mm a turn / (200 full steps * 16) = 0.0125 mm
    "step length": Exercise(
        lambda a: l1.check_step_length(a, _router), (0.0125, Fraction(1, 80), 40 / 3200, "1/80", "0,0125 mm", "12.5 µm"),
        ((80, "one step"), (0.2, "full step"), (2.5, "200 full steps"), (3200, "How far does one"), (12.5, "thousandths"),
         (1.25, "decimal point"), (-0.0125, "sign"), (0.05, "too large"), ("12,500", "two ways"), ("2 s", "another kind"), (True, "no numbers")),
    ),
    # 0.02 mm * 80 steps/mm = 1.6
    "steps per click": Exercise(
        lambda a: l1.check_steps_per_click(a, _router), (1.6, Fraction(8, 5), 0.02 * 80, "1,6 steps", "8/5"),
        ((2, "don't round"), (1, "cut the fraction"), (8, "axis Z"), (0.625, "clicks per step"), (0.00025, "multiplied"),
         (16, "decimal point"), (80, "whole millimetre")),
    ),
    # asked for 0.4, 0.8, 1.2, 1.6, 2.0 -> nearest 0, 1, 1, 2, 2
    "pattern": Exercise(
        lambda a: l1.check_pattern(a, _router), ([0, 1, 0, 1, 0], (0, 1, 0, 1, 0), ["0", "1", "0", "1", "0"]),
        (([0, 0, 1, 0, 1], "order"), ([1, 1, 1, 1, 1], "5 steps in all"), ([0.4] * 5, "whole steps only"),
         ([0, 2, 0, 0, 0], "spread them"), ([0, 1, 0, 1], "five numbers"), ([1, -1, 1, 1, 0], "backwards"),
         ([0, 0, 0, 0, 0], "0 steps in all"), (2, "five numbers")),
    ),
    # multiples of 1/80 mm that are plain: 0.05 (4 steps of X), 0.1 (8), 0.2 (16)
    "whole click": Exercise(
        lambda a: l1.check_whole_click(a, _router), (0.05, 0.1, 0.2, Fraction(1, 20), 1 / 20, np.float64(0.05), "0,05 mm", "50 µm", "1/20"),
        ((0.02, "outside"), (0.0125, "outside"), (0.04, "X and Y"), (0.125, "not plain"), (0.5, "outside"), (0, "outside"),
         (0.075, "not plain"), ("2 s", "another kind"), (-0.05, "outside")),
    ),
    # 1000 * 0.6 steps * 0.0125 mm = 7.5 mm
    "drift": Exercise(
        lambda a: l1.check_drift(a, _router), (7.5, -7.5, 1000 * 0.6 / 80),
        ((600, "millimetres"), (20, "should go"), (12.5, "does go"), (0.00625, "half a step"), (0.6, "one click loses"),
         (0.0075, "There are a thousand"), (5, "never rounds up"), (0, "too small")),
    ),
    # 5 % of 16 * 0.0125 mm = 0.01 mm
    "motor error": Exercise(
        lambda a: l2.check_motor_error(a, _router), (0.01, -0.01, 0.05 * 0.2),
        ((5, "percentage"), (0.000625, "microstep"), (0.2, "itself"), (0.02, "one side"), (0.05, "Of which"),
         (0.002, "axis Z"), (1.0, "five hundredths"), (0.0125, "one microstep")),
    ),
    # asin(0.15)/90 deg * 0.2 mm = 0.01917 mm; asin(0.16) gives 0.02046 mm
    "friction": Exercise(
        lambda a: l2.check_friction(a, _router), (15, "15 %", "15", 0.15, "0,15"),
        ((16, "too large"), (14, "too small"), (10, "grows evenly"), (2, "point moved"), (100, "does not move"),
         (0.16, "too large"), (0, "without friction")),
    ),
    # 10 * 0.02 - 0.05 = 0.15 mm
    "reversal": Exercise(
        lambda a: l2.check_reversal(a, _router), (0.15, -0.15),
        ((0.2, "turns round"), (0.25, "not won"), (0.05, "what is lost"), (0.1, "not twice"), (0, "some motion"), (15, "decimal"),
         (0.03, "single click")),
    ),
    "readings": Exercise(
        lambda a: l2.check_readings(a, _bench), ([_below, _above], (_below, [f"{value:.3f} mm" for value in _above])),
        (([_above, _below], "from below"), ([[1.86] * 5, _above], "the readout"), ([_below[:4], _above], "five readings"), (_below, "five readings"),
         ([_below, [9.0] * 5], "never stood"), ([_below, ["x"] * 5], "not understood"), ([_below, [math.nan] * 5], "not finite")),
    ),
    "slack": Exercise(
        lambda a: l2.check_slack(a, _bench), (_slack, -_slack, f"{1000 * _slack:.0f} µm"),
        ((0, "without slack"), (2 * _slack, "don't double"), (_slack / 2, "don't halve"), (0.02, "length of a click"), (1.83, "how far X has moved"),
         (0.3, "too large")),
    ),
    # 0.6 + 0.9 + 0.7 + 0.4 + 0.9 = 3.5
    "mean": Exercise(
        lambda a: l2.check_mean(a, _place), (0.7, "0,7 µm", "0.0007 mm"),
        ((3.5, "the sum"), (0.875, "divide by five"), (3.4, "from above"), (2.05, "both sides"), (0.65, "midway"), (7, "decimal point"), (-0.7, "sign")),
    ),
    # squares 0.01 + 0.04 + 0 + 0.09 + 0.04 = 0.18; / 4 = 0.045; root 0.2121
    "s": Exercise(
        lambda a: l2.check_s(a, _place), (0.2121, 0.21, "0,212 µm"),
        ((0.1897, "n - 1"), (0.045, "Take the root"), (0.18, "sum of the squares"), (0.4243, "not divided by four"), (0.5, "lowest to the highest"),
         (0.16, "mean distance"), (0.8485, "next question"), (0, "add up to nought")),
    ),
    "repeatability": Exercise(
        lambda a: l2.check_repeatability(a, _place), (0.8485, 0.85, 0.84, "0,85 µm"),
        ((0.2121, "that is s"), (0.4243, "two"), (0.6364, "twice s"), (1.273, "three times s"), (0.7589, "five below"), (0.5, "happened to span"), (2, "too large")),
    ),
    # 0.7 - 3.4
    "two sides": Exercise(
        lambda a: l2.check_two_sides(a, _place), (-2.7, 2.7, "-2,7 µm"),
        ((4.1, "don't add"), (3.4, "from above"), (0.7, "from below"), (1.35, "not half"), (5.4, "not twice"), (2.0, "too small")),
    ),
    "corrected": Exercise(
        l2.check_corrected, ("accuracy", "Accuracy."),
        (("repeatability", "moved together"), ("resolution", "as long as before"), ("all", "neither their spread"), ("none", "mean error"), ("slack", "stays"),
         ("precision", "not one of"), (1, "quotation")),
    ),
    "jump": Exercise(
        l2.check_jump, ("measured", "the measured"),
        (("commanded", "asked for"), ("counted", "belt did not follow"), ("readout", "not where the axis is"), ("all", "never look"), ("none", "itself"),
         ("dial", "not one of"), (3, "quotation")),
    ),
    "paper": Exercise(
        l2.check_paper, ([0.08, 0.1], (0.10 - 0.02, 0.10), ["80 µm", "0,10 mm"]),
        (([0.1, 0.12], "past its top"), ([0.1, 0.08], "comes first"), ([0.09, 0.11], "both sides"), ([0.06, 0.1], "two clicks"),
         ([0.1, 0.1], "exactly"), ([0, 0.1], "upper end"), ([-0.02, 0.0], "in the work"), (0.1, "two numbers")),
    ),
    # 6000 mm/min = 100 mm/s; / 5 mm = 20 a second
    "full-speed rate": Exercise(
        lambda a: l3.check_full_speed_rate(a, _router), (20, 6000 / 60 / 5, "20 per second", "1200 clicks/min"),
        ((1200, "per minute"), (0.05, "seconds per click"), (500, "divide"), (100, "How many clicks"), (12, "keeps up"),
         (40, "fastest"), (5, "axis Z")),
    ),
    # 100 mm/s / 12 = 8.33 mm; plain below: 5 mm
    "coarsest plain": Exercise(
        lambda a: l3.check_coarsest_plain(a, _router), (5, 5.0),
        ((100 / 12, "limit itself"), (10, "120 mm/s"), (2, "larger plain"), (8, "plain number"), (50, "more than"),
         (1, "larger plain"), (0.5, "larger plain"), (7, "1, 2 or 5")),
    ),
    # v*v/2a = 100*100/800 = 12.5 mm
    "braking": Exercise(
        lambda a: l3.check_braking(a, _router), (12.5, -12.5),
        ((0.25, "seconds"), (25, "mean speed"), (0.125, "Multiply speed"), (4, "Turn it over"), (100, "without braking"),
         (45000, "per minute"), (6.25, "one half too many")),
    ),
    # asked 40*5*1 = 200 mm; done 100*(1 - 0.125) = 87.5; left 112.5. The panel: 116.3 mm
    "owed": Exercise(
        lambda a: l3.check_owed(a, _router), (112.5, 116, 115),
        ((200, "all that was asked"), (100, "from rest"), (12.5, "braking alone"), (87.5, "what is done"), (0, "finishes every"),
         (2, "seconds"), (150, "too large")),
    ),
    # sqrt(2 * 400 * 12) = 97.98 mm/s
    "stops within": Exercise(
        lambda a: l3.check_stops_within(a, _router), (97.98, 9600**0.5, "98 mm/s"),
        ((100, "more than that"), (4800**0.5, "2 is missing"), (9600, "Take the root"), (24**0.5, "ramp is missing"), (0.245, "how long"),
         (96, "square of the speed"), (12, "limit itself"), (50, "too small")),
    ),
    # 40 * 0.5 = 20 mm/s, 40 * 2 = 80 mm/s; calm 33.3
    "calm rung": Exercise(
        lambda a: l3.check_calm_rung(a, _router), (0.5, "0,5 mm", "1/2"),
        ((2, "24 mm/s with it, a hurried one for 80"), (5, "hurried one for 200"), (0.1, "coarser"), (0.02, "coarser"), (2000 / 60 / 40, "limit itself"),
         (2000 / 60 / 12, "calm hand"), (2000 / 60, "calm speed"), (1, "too large")),
    ),
    # 80 - 33.3 * (1 - 33.3 / 800) = 48.06; simulated 49.06; without the ramp 46.7
    "clamped": Exercise(
        lambda a: l3.check_clamped(a, _router), (48.06, 49, 46.7, "48 mm"),
        ((80, "all that was asked"), (33.3, "What is left"), (31.94, "What is left"), (1.389, "braking alone"), (0, "forgives no click"),
         (11.76, "without the clamp"), (-20, "with the top speed"), (60, "too large")),
    ),
    "habit": Exercise(
        l3.check_habit, ("limit", " Limit ", "a limit."),
        (("owe", "runs on"), ("dash", "how fast"), ("spread", "even"), ("queue", "committed"), ("forgive", "steady hand"), ("stop", "which of the habits"),
         ("brake", "not one of"), (1, "quotation")),
    ),
    # 2000/60 * 80 = 2666.7 steps/s, rounded down
    "clamp": Exercise(
        lambda a: l3.check_clamp(a, _router), (2666, 2666.0),
        ((2, "80 mm/s"), (5, "200 mm/s"), (10, "holds a hand"), (1, "no rung"), (2000 / 60 / 12, "hurries passes it"),
         (2000 / 60, "calm speed in mm"), (2667, "round down"), (2000 / 60 * 80, "whole steps"), (160000, "per minute"),
         (2000 / 60 / 80, "multiply"), (25, "per minute, and divided"), (8000, "top speed"), (3000, "too large")),
    ),
    # 10 * 5 mm/s * 0.04 s = 2 mm
    "per report": Exercise(
        lambda a: l4.check_per_report(a, _router), (2, 10 * 5 * 0.04),
        ((2000, "milliseconds"), (50, "whole second"), (1250, "multiply"), (0.4, "clicks per report"), (0.2, "turn rate"),
         (5, "one click"), (2.25, "adds nothing")),
    ),
    # 40 ms + 5 ms
    "longest delay": Exercise(
        lambda a: l4.check_longest_delay(a, _router), (45, 45.0, "45 ms", "0,045 s"),
        ((25, "average"), (40, "travel"), (5, "journey"), (35, "add up"), (85, "not for two"), (0.045, "milliseconds"),
         (250, "another matter")),
    ),
    # 400 * 0.04 / 4 = 4 mm/s
    "stop and go": Exercise(
        lambda a: l4.check_stop_and_go(a, _router), (4, 4.0),
        ((16, "quarter"), (8, "half"), (4000, "milliseconds"), (2500, "multiply by it"), (64, "divide by four"), (2.5, "axis Z"),
         (5, "too large")),
    ),
    # at 25 a second each report carries one click, at 10 ms one in four reports does: the same moves
    "shorter helps": Exercise(
        lambda a: l4.check_shorter_helps(a, _router), ([12, 2], (40, 1), [40, 0.5], ["12 per second", "2 mm"], [18, 1]),
        (([25, 1], "nothing won"), ([12, 0.1], "stands still"), ([12, 10], "below X's 100"), ([60, 0.5], "a hand can turn"), ([25, 2], "nothing won"),
         ([12, 0.001], "motor step"), (12, "two numbers"), (["fast", 1], "not understood"), ([12, "2 s"], "another kind")),
    ),
    # the lesson's seeded run: 100 of 100 and 74 of 100 arrive
    "lost": Exercise(
        lambda a: l4.check_lost(a, _router), ([0, 26],),
        (([26, 0], "wrong way round"), ([0, 0], "are gone"), ([0, 30], "average"), ([30, 30], "in all"), ([100, 74], "how many arrived"),
         ([0, 74], "clicks that arrived"), ([5, 5], "each line"), (26, "two numbers")),
    ),
    "leap": Exercise(
        lambda a: l4.check_leap(a, _router), (0, 0.0),
        ((120, "all of it"), (105, "after the limit"), (15, "before the limit"), (24, "clicks"), (5, "single click"),
         (200, "could have gone"), (-5, "too small"), (False, "no numbers")),
    ),
    # log2(2 * 8 / 1) = 4
    "halvings": Exercise(
        l5.check_halvings, (4, 4.0),
        ((8, "Double it"), (16, "How often"), (3, "missing"), (5, "one too many"), (1.204, "base 10"), (2.7726, "natural"), (3.17, "another form")),
    ),
    # a straight line through the other fifteen conditions says 680 ms or so; measured 731
    "foretell": Exercise(
        lambda a: l5.check_prediction(a, _fitts), (680, 688, 731, 660),
        ((7, "difficulty"), (0.595, "seconds"), (595, "one halving before"), (1190, "does not double"), (400, "too small"),
         (387.5, "too small"), (5000, "too large")),
    ),
    # 60 / 0.1 / 12 = 50 s
    "turning time": Exercise(
        lambda a: l5.check_turning_time(a, _router), (50, 600 / 12),
        ((600, "How long"), (5, "whole millimetre"), (7200, "divide"), (25, "turns of the knob"), (15, "fastest"), (50 / 60, "minutes"),
         (500, "decimal point")),
    ),
    # 7 % of 60 mm = 4.2 mm
    "left over": Exercise(
        lambda a: l5.check_left_over(a, Hand.from_machine(_router)), (4.2, 0.07 * 60),
        ((0.07, "the share"), (7, "percentage"), (0.14, "one click"), (2, "one click"), (1, "half a click"), (420, "hundredths"),
         (55.8, "ends up"), (252, "enters once")),
    ),
    "smallest tolerance": Exercise(
        l5.check_smallest_tolerance, (0.1,),
        ((0.05, "both sides"), (0.2, "closer than a whole"), (0.01, "by luck"), (1, "far more"), (0, "between two"), (0.15, "closer than that"),
         (-0.1, "sign")),
    ),
    # 250 ** (1/4) = 3.98
    "ratio": Exercise(
        l6.check_ratio, (3.98, 4, 250**0.25),
        ((250, "one leap"), (62.5, "equal differences"), (50, "dividing"), (250**0.2, "one leap fewer"), (250 ** (1 / 3), "four rungs"),
         (250**0.5, "two leaps"), (1.245, "same difference"), (10, "too large")),
    ),
    "knee": Exercise(
        lambda a: l6.check_knee(a, _suggestion().search), (4,),
        ((1, "Go down"), (2, "Go down"), (3, "Go down"), (5, "Go up"), (6, "Go up"), (10, "too large")),
    ),
    "own ladder": Exercise(
        lambda a: l6.check_own_ladder(a, _router, _suggestion()),
        (SUGGESTED, "0.02, 0.1, 1.5, 8", "0.02 0.1 1 2 8", [0.02, 0.1, 0.5, 2, 8]),
        (("0.5, 5", "not every goal"), ("0.02", "times as slow"), ("0.02, 0.05, 0.1", "times as slow"), ("5, 0.02", "times as slow"),
         ("0.02, 0.13, 5", "not every distance is plain"), ("0.02,0.05,0.1,0.2,0.5,1,2", "6 positions"),
         ("0.01, 1, 5", "motor step"), ("0.02, 0.02, 5", "twice"), ("fine, coarse", "is not a number"), ("0, 1", "above 0"),
         ("0.02 mm, 5 in", "is not a number"), (0.02, "quotation"), ("0.02, 2", "touch off on paper"), ("0.02, 0.1, 1.5, 8, 1000", "farther than X can"), ("0.02, 0.1, 0.5, 2, 10", "120 mm/s")),
    ),
    # 100 mm/s * 0.1 * 0.1 * 0.125 s = 0.125 mm
    "tap": Exercise(
        lambda a: l7.check_tap(a, _router), (0.125, Fraction(1, 8)),
        ((1, "slowest speed"), (12.5, "top speed"), (1.25, "curve"), (125, "milliseconds"), (8, "don't divide"), (100, "top speed"), (0.2, "too large")),
    ),
    # 10 - 1 - 1 + 0.1 + 0.1 + 0.1 = 8.3
    "presses": Exercise(
        l7.check_presses, (6,),
        ((83, "finest button"), (11, "never turns back"), (8, "not exact"), (1, "come back"), (5, "Count again"),
         (7, "one of them"), (8.3, "whole numbers"), (30, "too large")),
    ),
    "too coarse": Exercise(
        lambda a: l7.check_too_coarse(a, _router, _ladder), ("stick", "Stick"),
        (("knob", "finest click"), ("buttons", "finest button"), ("all", "map"), ("none", "smallest move"), ("wheel", "not one of"), (2, "quotation")),
    ),
    "fastest": Exercise(
        lambda a: l7.check_fastest(a, _router, _ladder), ({"cross": "stick", "align": "knob", "centre": "knob"},),
        (({"cross": "knob", "align": "knob", "centre": "knob"}, "cross: the knob gets there"),
         ({"cross": "stick", "align": "stick", "centre": "knob"}, "align: with the stick some"),
         ({"cross": "stick", "align": "buttons", "centre": "knob"}, "align: the buttons get"),
         ({"cross": "stick", "align": "knob", "centre": "stick"}, "centre: the stick"),
         ({"cross": "stick", "align": "knob"}, "centre: choose"), ({"cross": 1, "align": "knob", "centre": "knob"}, "cross: choose"),
         ("stick", "curly brackets")),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", EXERCISES)
def test_the_right_answer_passes_and_says_why_it_matters(name: str) -> None:
    exercise = EXERCISES[name]
    for answer in exercise.right:
        verdict = exercise.check(answer)
        assert verdict.passed, (answer, verdict)
        assert len(verdict.words) > 40
        assert repr(verdict).startswith("Right: ")


@pytest.mark.parametrize("name", EXERCISES)
def test_wrong_answers_are_refused_each_with_a_helpful_word(name: str) -> None:
    exercise = EXERCISES[name]
    assert len(exercise.wrong) >= 5
    for answer, word in exercise.wrong:
        verdict = exercise.check(answer)
        assert not verdict.passed, answer
        assert verdict.entered, answer
        assert word in verdict.words, (answer, verdict.words)


@pytest.mark.parametrize("name", EXERCISES)
def test_no_help_gives_the_answer_away(name: str) -> None:
    exercise = EXERCISES[name]
    first = exercise.right[0]
    if not isinstance(first, int | float):
        return
    for answer, _ in exercise.wrong:
        words = exercise.check(answer).words
        told = {float(number) for number in re.findall(r"\d+(?:\.\d+)?", words)}
        said = {abs(float(answer))} if isinstance(answer, int | float | Fraction) else set()
        given = {1.0, 2.0, 4.0, 5.0} if name in ("coarsest plain", "stop and go") else set()  # in the task
        assert float(first) not in told - said - given, (answer, words)


@pytest.mark.parametrize("name", EXERCISES)
def test_no_checker_passes_an_untouched_cell(name: str) -> None:
    for untouched in UNTOUCHED:
        verdict = EXERCISES[name].check(untouched)
        assert not verdict.passed
        assert not verdict.entered, untouched
        assert "three dots" in verdict.words
    assert not EXERCISES[name].check({"cross": ..., "align": ..., "centre": ...}).passed


@pytest.mark.parametrize("name", EXERCISES)
def test_no_checker_breaks_on_odd_answers(name: str) -> None:
    odd = (float("nan"), float("inf"), -1, 10**400, "x" * 500, [], {}, object(), [1, "a"], (1, 2), "½", 1j, [[1], [2]], b"1",
           "a lot of it", np.array([1, 2]), pd.NA, np.True_, {1: 2}, pd.Series([1.0]), "1e999", "0/0", "\x00", max, [[]] * 5, Decimal("sNaN"))  # fmt: skip
    for answer in odd:
        verdict = EXERCISES[name].check(answer)
        assert not verdict.passed, answer
        assert len(verdict.words) > 15


def test_an_exercise_shows_its_question() -> None:
    found = [(module.__name__, name, value) for module in (l1, l2, l3, l4, l5, l6, l7) for name, value in vars(module).items()
             if name.startswith("check_")]  # fmt: skip
    assert len(found) == len(EXERCISES)
    for *where, value in found:
        assert repr(value).startswith(("How ", "What ", "Which ", "The ", "A ", "Between ", "One's ")), where


def test_a_verdict_shows_its_words_escaped_and_without_colour_alone() -> None:
    page = _Verdict(passed=False, words="<b>")._repr_html_()
    assert "&lt;b&gt;" in page
    assert "→" in page


def test_a_guess_is_weighed_and_never_wrong() -> None:
    assert weigh_guess(10, 40, "mm") == "You guessed 10 mm; it is 40 mm, about 4 times as much."
    assert weigh_guess(40, 10) == "You guessed 40; it is 10, about 4 times less."
    assert "as good as equal" in weigh_guess(10, 10.4)
    assert "something else" in weigh_guess(5, 0)
    assert "No guess" in weigh_guess(..., 4)
    assert "another kind" in weigh_guess("4 s", 4, "mm")
    assert weigh_guess("4,0 mm", 8, "mm") == "You guessed 4 mm; it is 8 mm, about 2 times as much."
    assert not _is_untouched(0)


# ------------------------------------------------------------------ figures of the lessons against hand calculations


def test_slack_is_played_as_the_model_says() -> None:
    """By hand: up to 0.2, back to 0.0 with 0.05 of slack: stays at 0.2 until 0.15, then follows 0.05 behind."""
    told = [0.0, 0.1, 0.2, 0.17, 0.15, 0.1, 0.0, 0.03, 0.1]
    real = play(told, 0.05)
    assert np.allclose(real, [0.0, 0.1, 0.2, 0.2, 0.2, 0.15, 0.05, 0.05, 0.1])


def test_hurried_run_on_is_what_the_axis_owes(router: Machine) -> None:
    """40 clicks of 5 mm are 200 mm. The last click comes at 0.975 s. The first report that carries clicks arrives
    5 ms after the knob sent it at 0 s; the axis needs 0.25 s and 12.5 mm to reach 100 mm/s: at 0.975 s it has done
    12.5 + 100 * (0.975 - 0.005 - 0.25) = 84.5 mm, less what the first reports, which ask for little, cost it."""
    assert l3.hurried_run_on(router) == pytest.approx(200 - 84.5, abs=1.5)
    assert l3.hurried_run_on(router, too_fast="forgive") < 20
    # a limit of 11.9 mm, and what the axis does in 45 ms and a bit between click and report
    assert l3.hurried_run_on(router, too_fast="limit") < 11.9 + 100 * 0.045


def test_what_lesson_3_says_of_speeds_is_so(router: Machine) -> None:
    """Forgiving and a limit run on by less than braking from top speed takes (100² / 800 = 12.5 mm), for they brake from less:
    2 mm clicks, 24 mm/s on average, pass the calm speed of 33.3 mm/s for a moment."""
    x = router.axis("X")

    def turned(rate: float, gain: float, **habit: Any) -> Burst:
        return answer_burst(rate, 2.0, gain, router.link, top_speed_mm_s=x.top_speed_mm_s, ramp_mm_s2=x.ramp_mm_s2, habit=Habit(**habit))

    braking = x.top_speed_mm_s**2 / (2 * x.ramp_mm_s2)
    assert round(l3.hurried_run_on(router, too_fast="forgive"), 1) == 10.5 < braking == 12.5
    for habit, peak in (({"too_fast": "forgive"}, 70), ({"too_fast": "limit", "limit_mm": 12}, 87)):
        assert turned(40, 5, **habit).v_mm_s.max() == pytest.approx(peak, abs=1.5)
    assert x.calm_speed_mm_s < turned(12, 2).v_mm_s.max() == pytest.approx(37, abs=1)
    assert turned(40, 0.5).v_mm_s.max() < x.calm_speed_mm_s


def test_the_figures_by_hand_are_those_of_the_standard() -> None:
    """ISO 230-2:2014 from memory, by `statistics` and by `evaluate_accuracy`; at one place: 0.7, 0.2121, 0.8485, -2.7 µm."""
    found = evaluate_accuracy(_place)
    assert l2.check_repeatability(found["repeatability_up"], _place)
    assert l2.check_s(found["repeatability_up"] / 4, _place)
    assert l2.check_two_sides(found["mean_reversal"], _place)
    assert found["mean_reversal"] == pytest.approx(0.7 - 3.4)


def test_the_bench_has_slack_scale_and_scatter_that_only_the_dial_shows(router: Machine) -> None:
    """93 clicks of 0.02 mm are 148.8 steps of 0.0125 mm: 149 are sent. From below X lags by the scale, from above by less the slack."""
    bench = l2.Bench(router, seed=1)
    for start in (70, 116) * 300:
        bench.go(start)
        bench.go(93)
    assert (bench.commanded_mm, bench.steps, bench.counted_mm) == (pytest.approx(1.86), 149, pytest.approx(1.8625))
    stops = pd.DataFrame(bench.stops, columns=["clicks", "side", "mm"]).query("clicks == 93").groupby("side")["mm"]
    mean, s = stops.mean(), stops.std()
    assert mean["above"] - mean["below"] == pytest.approx(bench.slack_mm, abs=0.001)
    assert 0.035 <= bench.slack_mm <= 0.07, "0.7 to 1.4 of the file's 0.05 mm"
    assert 0.006 <= 1 - mean["below"] / 1.8625 <= 0.0101 + 0.0005
    assert s["below"] == pytest.approx(0.004, rel=0.15)
    near = l2.Bench(router)
    for clicks in (93, 94, 93, 92, 93):
        near.go(clicks)
    assert [side for _, side, _ in near.stops] == ["below", "below", "", "", ""], "one click past is no approach"
    assert "93 clicks from below five times" in l2.check_readings([[1.0] * 5] * 2, near).words


def test_silence_discards_and_makes_no_leap(router: Machine) -> None:
    """12 clicks a second for 2 s are 24 clicks; one more may fall on the border of a report."""
    reports = l4.fall_silent(router)
    assert reports.silences == 1
    assert reports.discarded_detents == reports.missing_net_detents
    assert 24 <= reports.discarded_detents <= 26


@pytest.mark.parametrize("tenths", range(1, 100))
def test_fewest_presses_agree_with_trying_all(tenths: int) -> None:
    tried = min(
        abs(tens) + abs(ones) + abs(tenths - 100 * tens - 10 * ones)
        for tens in range(-2, 3)
        for ones in range(-15, 16)
    )
    assert l7._fewest_presses(tenths) == tried


def test_one_ladder_scores_as_in_the_search(router: Machine) -> None:
    found = _suggestion()
    assert l6._mean_time_s(l6._task_times(router, found.ladder)) == pytest.approx(found.search.chosen.time_s, rel=0.02)


# ------------------------------------------------------------------ results of a student


class Recorded:
    """Stands for the on-screen knob: rows of two ladders."""

    def __init__(self, machine: Machine, *, turned: bool = True) -> None:
        self.ladders = (Ladder.parse(SUGGESTED), Ladder.parse("0.02, 0.2, 2"))
        parts = [make_log(machine, ladder, seed=n, tasks=12)[0] for n, ladder in enumerate(self.ladders)]
        for name, rows in zip("AB", parts, strict=True):
            goal = rows["marker"].fillna("").ne("")
            rows.loc[goal, "marker"] = rows.loc[goal, "marker"] + f", ladder {name}"
        parts[1]["time_s"] += parts[0]["time_s"].max() + 5.0
        self._rows = pd.concat(parts, ignore_index=True)
        if not turned:
            self._rows = self._rows.iloc[:0]

    def frame(self) -> pd.DataFrame:
        return self._rows

    def notes(self) -> dict[str, str]:
        return {"simulated": "yes", "position": "commanded"}

    def kept(self) -> None:
        pass


def test_results_are_saved_with_a_label_and_pooled_by_the_class(router: Machine, tmp_path: Path) -> None:
    recorded, folder = Recorded(router), tmp_path / "class_logs"  # which a fresh copy lacks
    for label in ("heron", "owl"):
        verdict = save_results(recorded, label, folder)
        assert verdict.passed, verdict
        assert label in verdict.words
    log = read_log(folder / "heron_A_1.csv")
    assert set(log.rows["person"]) == {"heron"}
    assert log.simulated
    pooled = compare_class(router, folder, read_roster(router, write_roster(folder)))
    assert set(pooled.people["person"]) == {"heron", "owl"}
    assert len(pooled.ladders) == 2
    assert pooled.unread == ()


def test_the_ladders_that_the_teacher_is_told_of_pass(router: Machine) -> None:
    page = (ROOT / "notebooks" / "teacher" / "06_the_ladder.md").read_text(encoding="utf-8")
    ladders = re.findall(r"((?:[\d.]+, )+[\d.]+) mm", page)
    assert len(ladders) == 2
    suggestion = suggest(router)
    assert all(l6.check_own_ladder(ladder, router, suggestion).passed for ladder in ladders)


def test_what_was_turned_on_the_screen_is_saved_one_log_a_ladder(router: Machine, tmp_path: Path) -> None:
    pytest.importorskip("anywidget")
    from jogtune.notebook.knob import Knob
    from jogtune.screen.setup import MARKERS

    knob = Knob(router, Ladder.parse(SUGGESTED), Ladder.parse("0.1, 5"), blind=True)
    assert "nothing has been turned" in save_results(knob, "heron", tmp_path).words
    nan = float("nan")
    shown, practised = MARKERS.index("goal shown"), MARKERS.index("practice shown")
    numbers = {ladder: [i for i, goal in enumerate(knob.goals) if goal.ladder == ladder] for ladder in (0, 1)}
    practice = next(i for i, goal in enumerate(knob.goals) if goal.practice)
    goals = [next(i for i in numbers[ladder] if not knob.goals[i].practice) for ladder in (0, 1)]
    rows = [
        [0, 0.0, 9, 1, 0.1, 0.9, nan, nan, 1, -1, 0],  # free turning, before any goal
        [1, 0.1, 7, 1, 0.1, 1.6, 9.0, 1.0, 1, practice, practised],
        [2, 0.2, 3, 1, 0.02, 1.7, 5.0, 1.0, 0, goals[0], shown],
        [3, 0.3, 1, 1, 0.02, 1.8, 5.0, 1.0, 0, goals[0], 0],
        [4, 0.4, -2, 2, 5.0, -8.2, 2.0, 1.0, 1, goals[1], shown],
    ]
    knob._hear(None, {"kind": "rows", "id": knob._setup["id"], "began": 1e12}, [np.array(rows, dtype="<f8").tobytes()])
    assert "6 clicks saved" in save_results(knob, "heron", tmp_path).words
    logs = [read_log(tmp_path / f"heron_{name}_1.csv") for name in "AB"]
    assert [int(log.rows["detents"].sum()) for log in logs] == [4, -2]
    assert [log.header["ladder"] for log in logs] == [SUGGESTED.replace(",", "") + " mm", "0.1 5 mm"]
    assert not any(log.simulated for log in logs)


def test_results_never_overwrite_and_say_what_is_missing(router: Machine, tmp_path: Path) -> None:
    rows, _ = make_log(router, Ladder.from_gains([Fraction(1, 50), Fraction(5)]), seed=3, tasks=2)
    assert not save_results(rows, ..., tmp_path).entered
    for label in ("", " ", 7, "!!", "x" * 60):
        assert not save_results(rows, label, tmp_path).passed
    assert not list(tmp_path.iterdir())
    assert "nothing has been turned" in save_results(Recorded(router, turned=False), "owl", tmp_path).words
    save_results(rows, "../owl", tmp_path)
    save_results(rows, "../owl", tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["___owl_1.csv", "___owl_2.csv"]
    write_roster(tmp_path)
    with pytest.raises(InputFault, match="exists"):
        write_roster(tmp_path)
    assert len(read_roster(router, tmp_path / "roster.csv")) == 2


# ------------------------------------------------------------------ the notebooks, cell by cell, without a kernel


def run_cells(path: Path) -> list[tuple[str, Any]]:
    """Run a notebook's code cells here; what the last line of each came to."""
    space: dict[str, Any] = {}
    shown = []
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type != "code":
            continue
        tree = ast.parse(cell.source)
        last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
        exec(compile(tree, path.name, "exec"), space)
        if last is not None:
            shown.append((cell.id, eval(compile(ast.Expression(last.value), path.name, "eval"), space)))
    return shown


@pytest.fixture
def classroom(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The notebooks and data in a folder of their own, which is where one stands."""
    for name in ("notebooks", "datasets"):
        shutil.copytree(ROOT / name, tmp_path / name)
    monkeypatch.chdir(tmp_path / "notebooks")
    return tmp_path / "notebooks"


@pytest.mark.parametrize("path", LESSONS, ids=lambda p: p.stem)
def test_an_untouched_lesson_runs_and_passes_nothing(path: Path, classroom: Path) -> None:
    shown = run_cells(classroom / path.name)
    verdicts = {name: value for name, value in shown if isinstance(value, _Verdict)}
    assert len(verdicts) >= 3
    assert not any(verdict.entered for verdict in verdicts.values())
    panels = [value for _, value in shown if hasattr(value, "fault")]
    assert panels
    assert all(panel.fault.value == "" for panel in panels)
    assert not (classroom / "class_logs").exists()


@pytest.mark.parametrize("path", LESSONS, ids=lambda p: p.stem)
def test_every_exercise_of_a_lesson_is_solved_in_its_solutions(path: Path, classroom: Path) -> None:
    os.chdir(classroom / "solutions")
    solved = run_cells(classroom / "solutions" / f"{path.stem}_solution.ipynb")
    verdicts = {name: value for name, value in solved if isinstance(value, _Verdict)}
    assert all(verdicts.values()), verdicts
    exercises = {
        cell.id for cell in nbformat.read(path, as_version=4).cells if "exercise" in cell.metadata.get("tags", [])
    }
    assert set(verdicts) == exercises


@pytest.mark.parametrize("path", LESSONS, ids=lambda p: p.stem)
def test_a_lesson_opens_with_goal_time_and_caution_and_marks_what_to_change(path: Path) -> None:
    cells = nbformat.read(path, as_version=4).cells
    opening = cells[0].source + cells[1].source
    for word in ("**Goal.**", "**Time.**", "hard-wired stop in reach", "no safety device", "risk assessment"):
        assert word in opening
    minutes = int(re.search(r"(\d+) minutes", opening)[1])
    assert 45 <= minutes <= 60
    headings = [cell.source for cell in cells if cell.cell_type == "markdown" and cell.source.startswith("##")]
    assert any("Predict" in text for text in headings)
    assert any("Try" in text for text in headings)
    assert any("Explain" in text for text in headings)
    for cell in cells:
        if cell.cell_type == "code" and "= ..." in cell.source:
            assert "# <- change this" in cell.source


@pytest.mark.parametrize("path", LESSONS, ids=lambda p: p.stem)
def test_a_lesson_has_a_page_for_the_teacher(path: Path) -> None:
    page = (ROOT / "notebooks" / "teacher" / f"{path.stem}.md").read_text(encoding="utf-8")
    for heading in ("## What to expect", "## Common mistakes", "## With a real machine"):
        assert heading in page
    assert "stop" in page
