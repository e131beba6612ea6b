"""Charts and panel of the hand: what they hold, and every control through its range."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import matplotlib.text
import numpy as np
import pytest

from jogtune.charts.hand import plot_controls, plot_route
from jogtune.charts.ink import _new_figure
from jogtune.hand.controls import KnobControl, controls_of
from jogtune.hand.person import Hand, Motion
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine, Task

PNG = b"\x89PNG\r\n\x1a\n"
LADDER = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 5, 50, 250))


@pytest.fixture(scope="module")
def bench() -> Machine:
    return read_machine("datasets/machines/inlay_router.toml")


def shown(figure: Any) -> str:
    figure.draw_without_rendering()
    return " ".join(text.get_text() for text in figure.findobj(matplotlib.text.Text))


def test_many_distances_at_once_agree_with_one_by_one(bench: Machine) -> None:
    motion, hand = Motion.from_machine(bench, "X"), Hand.from_machine(bench)
    task = Task(name="t", axis="X", distance_mm=1.0, tolerance_mm=0.1, cue="eye")
    distances = np.array([0.5, 4.0, 60.0, 300.0])
    for control in controls_of(bench, LADDER, "X").values():
        together = control.along(distances, task, motion, hand)
        for i, distance in enumerate(distances):
            alone = control.estimate(Task(name="t", axis="X", distance_mm=distance, tolerance_mm=0.1, cue="eye"), motion, hand)
            assert together.mean_s[i] == pytest.approx(alone.mean_s, rel=1e-9)
            assert together.share_impossible == pytest.approx(alone.share_impossible)
            assert together.reason == alone.reason


def test_along_says_when_the_readout_forbids_it(bench: Machine) -> None:
    task = Task(name="t", axis="X", distance_mm=1.0, tolerance_mm=0.01)
    answer = KnobControl(gains_mm=(0.01,)).along(np.array([1.0]), task, Motion.from_machine(bench, "X"), Hand())
    assert np.isnan(answer.mean_s).all()
    assert answer.reason.kind == "readout_too_coarse"


def test_the_route_chart_names_rungs_moves_and_time(bench: Machine) -> None:
    figure = _new_figure()
    ax = figure.subplots()
    assert plot_route(ax, bench, LADDER, bench.tasks[0]) is ax
    text = shown(figure)
    for part in ("0.02 0.02", "5 5", "a click (mm)", "still to go (mm)", "moves", "cross the table: ", "give or take"):
        assert part in text
    assert ax.get_xlim()[0] > ax.get_xlim()[1]


def test_a_route_that_cannot_be_says_why(bench: Machine) -> None:
    figure = _new_figure()
    plot_route(figure.subplots(), bench, LADDER, Task(name="fine", axis="X", distance_mm=3, tolerance_mm=0.01))
    assert "can't be done. The readout shows steps of 0.01" in shown(figure)


def test_controls_that_miss_goals_are_named(bench: Machine) -> None:
    figure = _new_figure()
    plot_controls(figure.subplots(), bench, controls_of(bench, LADDER, "X"), "X", 0.05)
    text = shown(figure)
    assert "to within ±0.025 mm, by eye, axis X" in text
    assert "stick: misses" in text
    assert "knob" in text
