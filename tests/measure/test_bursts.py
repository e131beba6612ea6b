"""Bursts, moves and tasks, by examples worked out by hand and by what must always hold."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.measure.bursts import _find_bursts, _find_goals, _find_moves, _find_tasks, _quiet_parts, _Thresholds
from places import MACHINES
from truths.sessions import make_log

ROUTER = read_machine(MACHINES / "inlay_router.toml")
LADDER = Ladder.from_gains([Fraction(1, 50), Fraction(1, 10), Fraction(1, 2), Fraction(5)])


def log(*clicks, axis="X", gain=0.1, interval=0.04):
    """Rows a report interval apart."""
    return pd.DataFrame(
        {"time_s": np.arange(1, len(clicks) + 1) * interval, "axis": axis, "detents": clicks, "gain_mm": gain}
    )


def bursts_of(*clicks, **how):
    return _find_bursts(ROUTER, log(*clicks, **how))


def test_a_pause_ends_a_burst():
    found = bursts_of(1, 0, 2, 1, *[0] * 10, 3, 1)
    assert found["clicks"].tolist() == [4, 4]
    assert found["start_s"].tolist() == pytest.approx([0.04, 0.60])
    assert found["end_s"].tolist() == pytest.approx([0.16, 0.64])


def test_slow_even_turning_is_one_burst_up_to_the_rest():
    """A click each 0.32 s is turning; a pause of 0.32 s amid clicks each 0.08 s is not."""
    assert len(bursts_of(*([1] + [0] * 7) * 5)) == 1
    assert len(bursts_of(1, 0, 1, 0, 1, *[0] * 7, 1, 0, 1, 0, 1)) == 2


def test_turn_rate_counts_gaps_not_clicks():
    """9 clicks, one each 0.08 s: 8 gaps in 0.64 s are 12.5 detents/s. Short bursts have no rate."""
    found = bursts_of(*[1, 0] * 9)
    assert found["turn_rate"].tolist() == pytest.approx([12.5])
    assert np.isnan(bursts_of(1, 0, 1)["turn_rate"].iloc[0])


def test_rung_axis_and_person_end_a_burst():
    rows = pd.concat([log(1, 1), log(1, 1, gain=0.5)], ignore_index=True)
    rows["time_s"] = np.arange(1, 5) * 0.04
    assert len(_find_bursts(ROUTER, rows)) == 2
    assert len(_find_bursts(ROUTER, rows.assign(gain_mm=0.1, person=["A", "A", "B", "B"]))) == 2
    assert len(_find_bursts(ROUTER, rows.assign(gain_mm=0.1, axis=["X", "X", "Y", "Y"]))) == 2


def test_reversals_and_the_last_way():
    found = bursts_of(2, 1, -1, -2, 1).iloc[0]
    assert (found["net"], found["clicks"], found["reversals"]) == (1, 7, 2)
    assert found["one_way_mm"] == pytest.approx(0.1)
    assert found["last_way"] == 1


def test_moves_gather_bursts_up_to_a_rest():
    rows = log(1, 1, *[0] * 8, 1, 1, *[0] * 20, -1, -1)
    moves = _find_moves(_find_bursts(ROUTER, rows))
    assert moves["bursts"].tolist() == [2, 1]
    assert moves["net_mm"].tolist() == pytest.approx([0.4, -0.2])
    assert moves["rest_s"].iloc[0] == pytest.approx(0.84)


def test_tasks_by_goals():
    rows = log(1, 1, 0, 0, *[0] * 20, 2, 2, 0).assign(goal_mm=[5.0] * 10 + [7.0] * 17, tolerance_mm=0.2)
    bursts, goals = _find_bursts(ROUTER, rows), _find_goals(rows)
    tasks, number = _find_tasks(bursts, goals)
    assert goals["goal_mm"].tolist() == [5.0, 7.0]
    assert number.tolist() == [-1, 1]  # the first burst is in the very report that shows the first goal
    assert tasks["goal_mm"].tolist() == [7.0]


def test_other_markers_do_not_cut_a_goal():
    rows = log(0, 1, 1, *[0] * 20, 2, 2, 0).assign(
        goal_mm=5.0, tolerance_mm=0.2, marker=["goal shown: 1"] + [""] * 10 + ["limits off"] + [""] * 14
    )
    tasks, _ = _find_tasks(_find_bursts(ROUTER, rows), _find_goals(rows))
    assert tasks["bursts"].tolist() == [2]
    assert tasks["marker"].tolist() == ["goal shown: 1"]


def test_tasks_by_markers_and_by_long_rests():
    rows = log(0, 1, 1, *[0] * 20, 0, 2, 2, 0)
    marked = rows.assign(marker=["one"] + [""] * 22 + ["two"] + [""] * 3)
    tasks, _ = _find_tasks(_find_bursts(ROUTER, marked), _find_goals(marked))
    assert tasks["marker"].tolist() == ["one", "two"]
    apart = log(1, 1, *[0] * 100, 2, 2)
    tasks, _ = _find_tasks(_find_bursts(ROUTER, apart), _find_goals(apart))
    assert tasks["clicks"].tolist() == [2, 4]


def test_a_task_ends_and_starts_with_its_own_positions_known_or_not():
    """The last burst has no known rest: the rest of the burst before is not where the task ended, nor its start."""
    table = pd.DataFrame({"axis": "X", "gain_mm": 0.1, "person": None, "start_s": [0.1, 1.0, 3.0, 4.0],
                          "end_s": [0.2, 1.1, 3.1, 4.1], "clicks": 2, "net": 2, "reversals": 0, "last_way": 1,
                          "settled_s": [0.5, 1.4, 3.4, 4.4], "before_mm": [0.0, 0.2, np.nan, 0.6],
                          "rest_mm": [0.2, np.nan, 0.6, 0.8], "low_mm": 0.0, "high_mm": 1.0})  # fmt: skip
    goals = _find_goals(pd.DataFrame({"time_s": [0.0, 2.0], "axis": "X", "goal_mm": [1.0, 2.0], "tolerance_mm": 0.1}))
    tasks, _ = _find_tasks(table, goals)
    assert tasks["bursts"].tolist() == [2, 2]
    np.testing.assert_array_equal(tasks["end_mm"], [np.nan, 0.8])
    np.testing.assert_array_equal(tasks["start_mm"], [0.0, np.nan])
    tasks, _ = _find_tasks(table, goals.assign(start_mm=[0.0, 0.4]))  # where the axis was as the goal showed
    np.testing.assert_array_equal(tasks["start_mm"], [0.0, 0.4])


def test_positions_at_rest_wait_for_the_axis():
    """20 clicks of 5 mm in 0.8 s: 100 mm at 100 mm/s and 400 mm/s² take 1.25 s from rest to rest."""
    found = bursts_of(*[1] * 20, gain=5.0).iloc[0]
    assert found["settled_s"] == pytest.approx(0.04 + 1.25 + 0.005 + 0.04 + 0.15, abs=0.15)
    assert found["settled_s"] >= 0.04 + 1.25


def test_thresholds_at_fault():
    with pytest.raises(ValueError, match=r"rest_s = 0: must be above 0"):
        _Thresholds(rest_s=0)


@given(st.lists(st.integers(-3, 3), min_size=1, max_size=200), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_no_click_is_lost_between_rows_bursts_moves_and_tasks(clicks, seed):
    rng = np.random.default_rng(seed)
    rows = log(*clicks).assign(
        axis=rng.choice(["X", "Z"], len(clicks)), gain_mm=rng.choice([0.02, 0.1, 5.0], len(clicks)),
        time_s=np.cumsum(rng.choice([0.04, 0.3, 5.0], len(clicks))),
    )  # fmt: skip
    bursts = _find_bursts(ROUTER, rows)
    assert bursts["clicks"].sum() == rows["detents"].abs().sum()
    assert bursts["net"].sum() == rows["detents"].sum()
    if len(bursts):
        assert _find_moves(bursts)["clicks"].sum() == bursts["clicks"].sum()
        assert _find_tasks(bursts, _find_goals(rows))[0]["clicks"].sum() == bursts["clicks"].sum()


@pytest.mark.parametrize("size", [50, 333, 5000])
def test_parts_of_a_log_give_the_bursts_of_the_whole(size):
    rows, _ = make_log(ROUTER, LADDER, seed=2, tasks=12)
    chunks = (rows.iloc[i : i + size] for i in range(0, len(rows), size))
    parts = [_find_bursts(ROUTER, part) for part in _quiet_parts(chunks, quiet_s=1.0)]
    joined = pd.concat(parts, ignore_index=True)
    whole = _find_bursts(ROUTER, rows)
    for name in ("start_s", "clicks", "net", "turn_rate"):
        np.testing.assert_allclose(joined[name].astype(float), whole[name].astype(float), rtol=1e-9)
    assert (joined["rest_mm"] - whole["rest_mm"]).abs().max() < 0.01  # other rows of the same rest
    assert joined["rest_mm"].notna().sum() == whole["rest_mm"].notna().sum()
