"""Knob, stick and buttons by hand: the table of lesson 7 against times counted from the rows."""

from __future__ import annotations

from statistics import median
from typing import Any

import numpy as np
import pytest

from jogtune.ladder.ladder import Ladder
from jogtune.lessons.controls import times_by_hand
from jogtune.machine.model import Machine
from jogtune.screen.setup import COLUMNS, MARKERS, Sitting, plan_sitting


class Played:
    """A sitting whose goals are each reached so many seconds after they are shown; the third is skipped."""

    def __init__(self, sitting: Sitting, took_s: list[float]) -> None:
        self.sitting, self.ladders = sitting, sitting.ladders
        rows, now, place = [], 0.0, sitting.axis.reach_mm / 2
        for task, (goal, took) in enumerate(zip(sitting.goals, took_s, strict=True)):
            for word, seconds, x in (("shown", 0.0, place), ("skipped" if task == 2 else "reached", took, goal.goal_mm)):
                now += seconds
                row = {"number": len(rows), "time_s": now, "rung": 1, "gain_mm": 0.02, "position_mm": x, "goal_mm": goal.goal_mm,
                       "tolerance_mm": goal.tolerance_mm, "task": task, "marker": MARKERS.index(f"goal {word}")}  # fmt: skip
                rows.append([row.get(name, 0) for name in COLUMNS])
            place = goal.goal_mm
        self.rows = np.array(rows)

    def frame(self) -> Any:
        return self.sitting.frame(self.rows)

    def notes(self) -> dict[str, str]:
        return {}

    def kept(self) -> None:
        raise AssertionError("a table saves nothing")


def test_each_control_has_its_own_times_and_what_was_skipped_has_none(router: Machine) -> None:
    sitting = plan_sitting(router, ["0.02,0.1,0.5,2,5"], controls=("knob", "stick", "buttons"), goals=3, practice=0)
    took = [2.0 + 0.7 * task for task in range(9)]
    table = times_by_hand(Played(sitting, took), router, Ladder.parse("0.02,0.1,0.5,2,5"))
    wanted: dict[str, list[float]] = {"knob": [], "stick": [], "buttons": []}
    for task, goal in enumerate(sitting.goals):
        if task != 2:
            wanted[goal.control].append(took[task])
    assert {name: table.loc[name, "goals reached"] for name in wanted} == {name: len(times) for name, times in wanted.items()}
    assert {name: table.loc[name, "yours, middle (s)"] for name in wanted} == pytest.approx(
        {name: round(median(times), 1) for name, times in wanted.items()}
    )
    assert (table["model, middle (s)"] > 0.5).all()
