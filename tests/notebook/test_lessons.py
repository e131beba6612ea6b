"""Charts of the hand, and what the lessons' panels show."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from jogtune.charts.burst import plot_clicks, plot_dial, plot_reversal
from jogtune.charts.hand import plot_along, plot_fastest, plot_pointing, plot_route
from jogtune.hand.controls import compare_controls, controls_of
from jogtune.hand.estimate import Along
from jogtune.hand.person import Estimate, Hand, Motion
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine, Task
from jogtune.notebook.panels import Habits, Route
from places import MACHINES, REFERENCE

pytest.importorskip("ipywidgets")


def ladder(*gains: str) -> Ladder:
    return Ladder.from_gains([Fraction(gain) for gain in gains])


# ------------------------------------------------------------------ the map of controls, and the charts


@pytest.fixture(scope="module")
def grid() -> pd.DataFrame:
    """Far and near, from finer than any control to loose, on the inlay router's X."""
    machine = read_machine(MACHINES / "inlay_router.toml")
    controls = controls_of(machine, ladder("0.02", "0.1", "0.5", "2", "5"), "X")
    hand, motion = Hand.from_machine(machine), Motion.from_machine(machine, "X")
    return compare_controls(controls, [3.0, 30.0, 300.0], [0.01, 0.06, 2.0, 20.0], motion, hand)


def words_on(ax: Any) -> dict[str, Any]:
    return {text.get_text(): text for text in ax.texts}


def test_the_map_names_what_is_fastest_and_where_nothing_serves(grid: pd.DataFrame) -> None:
    """No control's finest move reaches 0.01 mm; the stick's tap of 0.125 mm is longer than 0.06 mm."""
    ax = plot_fastest(Figure().subplots(), grid, marked_mm=(30.0, 0.06))
    words = words_on(ax)
    assert {"none of them reaches every goal", "knob", "stick"} <= set(words)
    assert words["none of them reaches every goal"].get_position()[1] == 0.01
    assert words["knob"].get_position()[1] == 0.06
    tight = grid[grid["tolerance_mm"] == 0.06]
    assert set(tight[tight["fastest"]]["control"]) == {"knob"}
    far = grid[(grid["tolerance_mm"] == 2.0) & (grid["distance_mm"] == 300.0)]
    assert list(far[far["fastest"]]["control"]) == ["stick"]


def test_the_map_is_blank_where_nothing_is_to_do_and_pale_where_two_are_equal(grid: pd.DataFrame) -> None:
    tints = plot_fastest(Figure().subplots(), grid).collections[0].get_array().reshape(4, 3, 3)
    assert np.allclose(tints[3, 0], 1.0), "3 mm away within 20 mm"
    even = grid.assign(mean_s=1.0)
    pale = plot_fastest(Figure().subplots(), even).collections[0].get_array().reshape(4, 3, 3)
    assert pale[2].mean() > tints[2].mean() + 0.1
    assert np.allclose(pale[2], pale[2][0]), "one tint along the row, for one control"


def test_a_region_is_named_inside_itself(grid: pd.DataFrame) -> None:
    many = pd.concat([
        pd.DataFrame({"distance_mm": d, "tolerance_mm": w, "control": ["knob", "stick"], "share_impossible": 0.0,
                      "mean_s": [1.0, 3.0] if d < 10 else [3.0, 1.0], "fastest": [d < 10, d >= 10]})
        for d in np.geomspace(1, 100, 9) for w in np.geomspace(0.01, 0.5, 7)
    ])  # fmt: skip
    words = words_on(plot_fastest(Figure().subplots(), many))
    assert words["knob"].get_position()[0] < 10 < words["stick"].get_position()[0]
    assert "none of them reaches every goal" not in words


def test_a_route_given_is_drawn_as_given(router: Machine) -> None:
    task = Task(name="goal", axis="X", distance_mm=50, tolerance_mm=0.2, cue="eye")
    ax = plot_route(Figure().subplots(), router, ladder("0.1", "5"), task, answer=Estimate(mean_s=7.0))
    assert "7.0 s" in ax.get_title()
    assert not [line for line in ax.lines if line.get_linewidth() == 6]


def test_times_in_inches_are_drawn_in_inches_with_the_mark() -> None:
    answer = Along(mean_s=np.array([1.0, 2.0]), sd_s=np.zeros(2), share_impossible=0.0, reason=None)
    ax = plot_along(Figure().subplots(), np.array([25.4, 254.0]), {"a": answer}, unit="in", marked_mm=50.8)
    assert list(ax.lines[0].get_xdata()) == [1.0, 10.0]
    assert list(ax.lines[1].get_xdata()) == [2.0, 2.0]


def test_the_hardest_condition_stays_hidden_until_it_is_foretold() -> None:
    table = pd.read_csv(REFERENCE / "fitts1954_tapping_1oz.csv")
    hidden = plot_pointing(Figure().subplots(), table).lines[0].get_ydata()
    shown = plot_pointing(Figure().subplots(), table, hide_hardest=False).lines[0].get_ydata()
    assert len(hidden) == 15
    assert len(shown) == 16
    assert 731 not in hidden


def test_dead_clicks_are_marked_and_dropped_fractions_fall_behind(router: Machine) -> None:
    """0.005 mm on X is 0.4 steps: of twelve clicks 1, 3, 5, 6, 8, 10 and 11 make none; dropped, none makes any."""
    axis, gain = router.axis("X"), Fraction(1, 200)
    kept = plot_clicks(Figure().subplots(), router, axis, gain)
    assert list(kept.lines[2].get_xdata()) == [1, 3, 5, 6, 8, 10, 11]
    dropped = plot_clicks(Figure().subplots(), router, axis, gain, remainder="drop")
    assert list(dropped.lines[2].get_xdata()) == list(range(1, 13))
    assert max(dropped.lines[0].get_ydata()) == 0


def test_the_needle_of_a_dial_points_at_hundredths() -> None:
    """1.25 mm is one turn and a quarter: to the right. Positions say their digits."""
    ax = plot_dial(Figure().subplots(), 1.26, 1.2625, 101, 1.25)
    needle = max(ax.lines, key=lambda line: line.get_linewidth())
    assert needle.get_xdata()[1] == pytest.approx(0.93)
    assert needle.get_ydata()[1] == pytest.approx(0, abs=1e-9)
    assert {"1.26 mm", "1.2625 mm, 101 steps", "1.250 mm"} <= set(words_on(ax))
    assert words_on(ax)["20"].get_position()[0] == pytest.approx(0.7 * np.sin(np.radians(72)))


def test_a_reversal_ends_the_slack_short() -> None:
    ax = plot_reversal(Figure().subplots(), 0.02, 0.05, 0.01)
    told, real = (line.get_ydata() for line in ax.lines[:2])
    assert told[-1] == 0
    assert real[-1] == pytest.approx(0.05)


# ------------------------------------------------------------------ panels


def test_a_goal_out_of_reach_is_said_and_no_route_is_drawn(router: Machine) -> None:
    panel = Route(router, {"coarse": ladder("0.5", "5")})
    panel.controls["tolerance"].value = panel.controls["tolerance"].options[0][1]
    assert "Out of reach" in panel.words.value
    assert not [line for line in panel.chart.ax.lines if line.get_linewidth() == 6]


def told(panel: Habits) -> list[list[str]]:
    """What each chart of the bursts says, but for its title."""
    return [[text for text in words_on(chart.ax) if text not in dict(panel.habits)] for chart in panel.charts]


def test_habits_differ_only_where_the_axis_is_outrun(router: Machine) -> None:
    panel = Habits(router, ladder("0.5", "5"))
    panel.controls["rate"].value = 12
    assert "keeps up" in panel.words.value
    assert told(panel)[0] == told(panel)[1]
    panel.controls["rate"].value = 40
    owed, limited, _ = told(panel)
    assert any("clicks lost" in text for text in limited)
    assert not any("clicks lost" in text for text in owed)
