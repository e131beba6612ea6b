"""Which rung was used for what: shares worked out by hand, and what is advised just past each threshold and just before it.

No published rule says when a rung is worth its place: thresholds are our choice, named in `measure/use.py`."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pandas as pd
import pytest

from jogtune.cli.main import main
from jogtune.files import InputFault
from jogtune.logs.log import Log
from jogtune.machine.file import read_machine
from jogtune.measure.measure import measure
from jogtune.measure.use import _LEAST_PASSED, _LEAST_TASKS, _PASSED_SHARE, _RARE_SHARE, _use_notes
from jogtune.words.speak import speak
from places import MACHINES, ROOT

ROUTER = read_machine(MACHINES / "inlay_router.toml")
SHIPPED = ROOT / "datasets" / "logs" / "inlay_router_simulated.csv"
LADDER = "0.1, 0.5, 1, 5"

# two tasks on X, from 100 mm: 10 clicks of 5 mm in 0.36 s, then 5 of 0.1 mm; 20 of 1 mm, then 6 and 4 of 0.1 mm. 0.5 mm is never used.
TURNS = [(1.0, 5.0, 10), (3.0, 0.1, 5), (11.0, 1.0, 20), (15.0, 0.1, 6), (17.0, 0.1, 4)]
GOALS = [(0.0, 150.5), (10.0, 171.5)]


def rows() -> pd.DataFrame:
    """A row each 40 ms for 20 s; a click a row from each turn's start on."""
    made, at, goal, gain = [], 100.0, GOALS[0][1], 5.0
    clicks = {round(start / 0.04) + n: size for start, size, count in TURNS for n in range(count)}
    for n in range(500):
        goal = next(where for since, where in reversed(GOALS) if since <= 0.04 * n)
        gain = clicks.get(n, gain)
        at += gain if n in clicks else 0.0
        made.append((0.04 * n, "X", int(n in clicks), gain, at, goal, 0.2))
    return pd.DataFrame(made, columns=["time_s", "axis", "detents", "gain_mm", "position_mm", "goal_mm", "tolerance_mm"])


def test_shares_switches_and_what_was_left_are_those_worked_out_by_hand() -> None:
    found = measure(ROUTER, rows(), ladder=LADDER, position_kind="measured")
    use = found.use.set_index("position")
    assert use["gain_mm"].tolist() == [0.1, 0.5, 1.0, 5.0]
    assert use["clicks_share"].tolist() == pytest.approx([15 / 45, 0, 20 / 45, 10 / 45])
    assert use["travel_share"].tolist() == pytest.approx([1.5 / 71.5, 0, 20 / 71.5, 50 / 71.5])
    # selected: 5 mm up to 3 s, 0.1 mm to 11 s and from 15 s on, 1 mm between (a row counts for the time up to it)
    assert use["time_share"].tolist() == pytest.approx([12.96 / 19.96, 0, 4 / 19.96, 3 / 19.96], abs=0.005)
    assert use["taken"].tolist() == [2, 0, 1, 1]
    assert use["left_mm"].tolist() == pytest.approx([(0.5 + 1.0) / 2, float("nan"), 21.0, 50.5], nan_ok=True)
    assert use["passed"].tolist() == [0, 2, 1, 0]  # from 5 to 0.1 mm across both, from 1 to 0.1 mm across 0.5 mm
    # in 0.36 s at 100 mm/s the axis follows 7.2 clicks of 5 mm, and the first: of ten, about two came too fast
    assert use["over_detents"].tolist() == [0, 0, 0, 2]
    assert found.tasks["switches"].mean() == 1.0


def test_degrees_are_no_travel_beside_mm() -> None:
    axes = tuple(replace(axis, rotary=axis.name == "Y") for axis in ROUTER.axes)
    both = pd.concat([rows(), rows().assign(axis="Y", time_s=lambda r: r["time_s"] + 30, gain_mm=0.5)], ignore_index=True)
    use = measure(replace(ROUTER, axes=axes), both, ladder=LADDER).use
    assert use["travel_share"].tolist() == pytest.approx([1.5 / 71.5, 0, 20 / 71.5, 50 / 71.5])
    assert use["clicks_share"].tolist() == pytest.approx([15 / 90, 45 / 90, 20 / 90, 10 / 90])


def named(header: dict[str, str], log: pd.DataFrame | None = None) -> Log:
    made = rows() if log is None else log
    return Log(rows=made, rows_in=500, rows_out=500, position_kind="measured", source="log.csv", simulated=True, header=header)


def test_the_ladder_comes_from_the_log_s_first_lines_too() -> None:
    assert measure(ROUTER, named({"ladder": LADDER})).use["position"].tolist() == [1, 2, 3, 4]
    for header in ({}, {"ladder": "mine"}, {"ladder": "0.1, 1, 4"}):  # none, a mere name, one that is not the log's
        use = measure(ROUTER, named(header)).use
        assert use["position"].isna().all()
        assert use["gain_mm"].tolist() == [0.1, 1.0, 5.0]
    by_number = rows().assign(rung=lambda r: r["gain_mm"].map({0.1: 1, 1.0: 3, 5.0: 4})).drop(columns="gain_mm")
    assert measure(ROUTER, named({"ladder": LADDER}, by_number)).use["taken"].tolist() == [2, 0, 1, 1]
    with pytest.raises(InputFault, match="say what they are with --ladder, or"):
        measure(ROUTER, named({}, by_number))


def use(**middle: Any) -> pd.DataFrame:
    """Three rungs, the middle one as given."""
    shared = {"travel_share": 0.3, "time_share": 0.3, "clicks_share": 0.3, "taken": 10, "passed": 0, "over_detents": 0}
    return pd.DataFrame([{"position": n, "gain_mm": gain, **shared, **(middle if n == 2 else {})} for n, gain in ((1, 0.1), (2, 1.0), (3, 5.0))])


def told(frame: pd.DataFrame, tasks: int = _LEAST_TASKS) -> dict[str, str]:
    return {note.kind: speak(note) for note in _use_notes(frame, tasks, "mm")}


RARE = dict.fromkeys(("travel_share", "time_share", "clicks_share"), _RARE_SHARE - 0.001)
PASSED = {"passed": _LEAST_PASSED, "taken": round(_LEAST_PASSED / _PASSED_SHARE) - _LEAST_PASSED}


@pytest.mark.parametrize(("kind", "over", "under"), [
    ("rung_unused", {"clicks_share": 0.0}, {"clicks_share": 0.001}),
    ("rung_hardly_used", RARE, {**RARE, "time_share": _RARE_SHARE}),
    ("rung_jumped_over", PASSED, {**PASSED, "taken": PASSED["taken"] + 1}),
    ("rung_jumped_over", PASSED, {**PASSED, "passed": _LEAST_PASSED - 1, "taken": 0}),
    ("clicks_too_fast", {"over_detents": 1}, {"over_detents": 0}),
])  # fmt: skip
def test_what_to_change_first_is_said_past_a_threshold_and_not_before(kind: str, over: dict[str, Any], under: dict[str, Any]) -> None:
    assert kind in told(use(**over))
    assert kind not in told(use(**under))
    assert kind == "clicks_too_fast" or "Position 2 (1 mm)" in told(use(**over))[kind]
    assert kind == "clicks_too_fast" or list(told(use(**over), _LEAST_TASKS - 1)) == ["few_tasks_for_rungs", "no_click_too_fast"]


def test_finest_and_coarsest_are_not_dropped_for_small_shares_and_a_rung_without_position_goes_by_its_distance() -> None:
    ends = use().assign(**RARE)
    assert list(told(ends)) == ["rung_hardly_used", "no_click_too_fast"]
    assert told(ends.iloc[[0, 2]])["rungs_in_use"].startswith("Every rung")
    assert told(use(**RARE).assign(position=None))["rung_hardly_used"] == "The rung of 1 mm was used for 4.9 % of the travel, 4.9 % of the time and 4.9 % of the clicks: drop it."


def test_measure_tells_it_on_every_layer(capsys: pytest.CaptureFixture[str]) -> None:
    typed = ["measure", str(SHIPPED), "--machine", str(MACHINES / "inlay_router.toml"), "--ladder", "0.02, 0.1, 0.5, 2, 5"]
    out = {}
    for layer in ("", "--why", "--table", "--json"):
        assert main([*typed, *filter(None, [layer])]) == 0
        out[layer] = capsys.readouterr().out
    unused = "Position 4 (2 mm) was not turned in 24 tasks"
    assert "1.1 changes of rung a task. 18 clicks came faster" in out[""]
    assert unused in out["--why"]
    assert "passed" in out["--table"]
    told = json.loads(out["--json"])
    assert told["use"]["switches_per_task"] == pytest.approx(27 / 24)
    assert told["use"]["rungs"][3]["passed"] == 11
    assert sum(rung["travel_share"] for rung in told["use"]["rungs"]) == pytest.approx(1)
