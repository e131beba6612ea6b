"""Where a task's time goes: the parts are all of it, and each is what a hand does by its own figures.

The estimates they are held against are worked out backwards, from the goal, by means of a value of every state; the parts
forwards, by how often each move is made."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from jogtune.hand.controls import KnobControl
from jogtune.hand.parts import PARTS, find_course
from jogtune.hand.person import Hand, Motion
from jogtune.machine.model import Machine, Task

LADDERS = [(0.02, 0.1, 0.5, 2.0, 8.0), (0.02, 0.2, 2.0), (0.05,), (0.004, 0.02, 1.0)]


@pytest.mark.parametrize("gains", LADDERS)
@pytest.mark.parametrize("vary", [0.25, 0.0])
def test_the_parts_sum_to_the_expected_time(router: Machine, stage: Machine, sign: Machine, gains: tuple[float, ...], vary: float) -> None:
    for machine in (router, stage, sign):
        hand = Hand.from_machine(machine)
        for task in machine.tasks:
            task = replace(task, vary=vary)
            motion = Motion.from_machine(machine, task.axis)
            estimate = KnobControl(gains_mm=gains).estimate(task, motion, hand)
            course = find_course(gains, task, motion, hand)
            if estimate.mean_s is None:
                assert course is None
                continue
            assert course is not None
            assert course.mean_s == pytest.approx(estimate.mean_s, rel=1e-9)
            assert course.start_s + course.by_rung_s.sum() == pytest.approx(estimate.mean_s, rel=1e-9)
            assert (course.spent_s >= -1e-12).all()
            used = {leg.position - 1 for leg in estimate.route}
            assert set(np.flatnonzero(course.by_rung_s.sum(axis=1) > 0.1)) <= used | {0}


def test_looks_and_switches_are_counted_as_the_estimate_counts_them(router: Machine) -> None:
    hand, gains = Hand.from_machine(router), LADDERS[0]
    for task in router.tasks[:5]:
        motion = Motion.from_machine(router, task.axis)
        estimate, course = KnobControl(gains_mm=gains).estimate(task, motion, hand), find_course(gains, task, motion, hand)
        assert course is not None
        look, _, _, switch = course.by_rung_s.sum(axis=0)
        assert PARTS == ("look", "turn", "settle", "switch")
        assert look == pytest.approx(hand.look_s * estimate.moves)
        assert switch == pytest.approx(hand.switch_s * estimate.switches)


def test_one_counted_move_by_hand() -> None:
    # four clicks of 1 mm, counted, so one move: look 0.24 s; 3 gaps at 12 a second, 0.25 s; the axis, of 100 mm/s and 400 mm/s²,
    # does 4 mm from rest to rest in 2 √(4/400) = 0.2 s, but a click comes to rest in 2 √(1/400) = 0.1 s after the last: settle 0.1 s
    motion, hand = Motion(top_speed_mm_s=100, ramp_mm_s2=400), Hand()
    task = Task(name="t", axis="X", distance_mm=4.0, tolerance_mm=1.0, cue="eye", vary=0.0)
    course = find_course((Fraction(1),), task, motion, hand)
    assert course is not None
    assert course.by_rung_s == pytest.approx(np.array([[0.24, 0.25, 0.1, 0.0]]))
    assert course.start_s == 0.4


def test_time_until_falls_from_all_to_the_start_and_is_that_of_a_wider_goal(router: Machine) -> None:
    """Until a distance is reached takes about as long as a task whose goal is so wide, which is planned for itself."""
    hand, gains = Hand.from_machine(router), (0.02, 0.2, 2.0)
    task = replace(router.tasks[0], tolerance_mm=0.1)
    motion = Motion.from_machine(router, task.axis)
    course = find_course(gains, task, motion, hand)
    assert course is not None
    assert (np.diff(course.until_s) <= 1e-12).all()
    assert course.until_s[0] == pytest.approx(course.mean_s)
    assert course.until_s[-1] == course.start_s
    wide = KnobControl(gains_mm=gains).estimate(replace(task, tolerance_mm=4.0), motion, hand).mean_s
    assert float(np.interp(2.0, course.edges_mm, course.until_s)) == pytest.approx(wide, rel=0.10)
