"""The command line: JSON for scripts, exit codes, files whole or absent."""

from __future__ import annotations

import json
import subprocess
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from jogtune.choose.suggest import suggest
from jogtune.cli.main import main
from jogtune.machine.file import read_machine
from places import MACHINES

LOG = "datasets/logs/inlay_router_simulated.csv"
TRACE = "datasets/logs/encoder_trace.csv"


def _json(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert main(["suggest", *arguments, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


@pytest.mark.parametrize("name", ["inlay_router", "slide_stage", "sign_table"])
def test_the_json_contract(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = _json(capsys, str(MACHINES / f"{name}.toml"))
    base = Fraction(found["base_mm"])
    assert isinstance(found["machine"], str)
    assert found["cautions"]
    assert found["reasons"]
    assert [rung["position"] for rung in found["rungs"]] == list(range(1, len(found["rungs"]) + 1))
    for rung in found["rungs"]:
        assert Fraction(rung["gain_mm"]) == rung["multiplier"] * base
        assert isinstance(rung["multiplier"], int)
        assert len(rung["axes"]) == 3
        for axis in rung["axes"].values():
            steps = Fraction(axis["steps_per_detent"])
            assert axis["whole_step"] is (steps.denominator == 1 and axis["exact"])
            assert axis["dead_click_share"] == pytest.approx(max(0.0, 1 - float(steps)))
            assert axis["full_speed_turn_rate"] > 0
            assert axis["turns_to_cross"] > 0
            assert axis["top_speed_mm_s"] > 0
            assert axis["run_on_mm"] > 0
            assert axis["ripple_share"] >= 0
            assert axis["habit"].split(", ")[0] in ("owe", "limit")
            assert axis["free_rate"] >= 0
            assert axis["kind"] in ("exact", "even", "travel")
            assert axis["drift_per_1000"]["remainder"] in ("carry", "drop", "unknown")
        assert {"run_on_mm", "run_on_axis", "ripple_share", "habit"} <= set(rung)
    assert {"expected_time_s", "searched", "near_best_count", "near_best", "tasks"} <= set(found)
    assert all({"time_s", "spread_s", "route"} <= set(task) for task in found["tasks"])


def test_options_reach_the_answer(capsys: pytest.CaptureFixture[str]) -> None:
    router = str(MACHINES / "inlay_router.toml")
    found = _json(capsys, router, "--rungs", "3", "--series", "1-2-5", "--base", "0.01 mm")
    assert found["base_mm"] == "1/100"
    assert len(found["rungs"]) == 3


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--rungs", "7"], "must be 1 to 6"), (["--series", "fibonacci"], "not a known series"),
        (["--base", "0.01"], "needs a unit"), (["--log", "none.csv"], "none.csv"), (["--out", " "], "is empty"),
        (["--out", "/dev/null/x"], "is no folder"), (["--series", ",".join(map(str, range(1, 400, 7)))[::-1]], "..."),
    ],
)  # fmt: skip
def test_faulty_options_exit_2_in_words(arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["suggest", str(MACHINES / "inlay_router.toml"), *arguments]) == 2
    said = capsys.readouterr().err
    assert says in said
    assert "Traceback" not in said


def test_an_unknown_option_exits_2() -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["suggest", str(MACHINES / "inlay_router.toml"), "--ladder"])
    assert stopped.value.code == 2


def test_the_folder_is_written_whole_and_never_over_another(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["suggest", str(MACHINES / "inlay_router.toml"), "--log", LOG, "--out", str(tmp_path / "out")]
    assert main(arguments) == 0
    written = {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()}
    assert {path.rsplit(".", 1)[1] for path in written} == {"html", "png", "svg", "csv", "json"}
    assert main(arguments) == 2
    assert "not overwritten unasked" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()} == written
    assert main([*arguments, "--overwrite"]) == 0


def test_the_text_says_simulated_and_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["suggest", str(MACHINES / "inlay_router.toml"), "--log", LOG]) == 0
    said = capsys.readouterr().out
    assert "Simulated log" in said
    assert "no safety device" in said


def test_a_real_recording_goes_through(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # PyPI ibllib 4.1.0, test data, MIT: an encoder turned by an animal, not a person
    arguments = ["suggest", str(MACHINES / "slide_stage.toml"), "--log", TRACE, "--out", str(tmp_path)]
    assert main(arguments) == 0
    assert "turned by an animal" in capsys.readouterr().out
    assert "turned by an animal" in next(tmp_path.glob("*.html")).read_text(encoding="utf-8")


@pytest.mark.parametrize(("does", "more"), [("jogtune", {"numpy"}), ("jogtune.cli.main as c; c.main(sys.argv[1:])", set())])
def test_importing_is_light(does: str, more: set[str]) -> None:
    heavy = {"matplotlib", "ipywidgets", "jupyterlab", "jupyter_core", "pandas", "scipy", "IPython"} | more
    code = f"import sys, {does}; print('loaded', sorted({heavy!r} & set(sys.modules)))"
    plain = ["suggest", str(MACHINES / "inlay_router.toml"), "--why", "--cautions"]
    shown = subprocess.run([sys.executable, "-c", code, *plain], capture_output=True, text=True, check=True)
    assert shown.stdout.splitlines()[-1] == "loaded []"


def test_lab_needs_the_folder_of_notebooks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lab", "--folder", str(tmp_path / "none")]) == 2
    assert "--folder" in capsys.readouterr().err


def test_a_queue_is_told_to_limit_or_to_discard(capsys: pytest.CaptureFixture[str]) -> None:
    found = _json(capsys, str(MACHINES / "inlay_router.toml"))
    habits = [axis["habit"] for rung in found["rungs"] for axis in rung["axes"].values()]
    assert any(habit.startswith("limit") for habit in habits)
    assert any("If the firmware has only a queue, let it hold" in text for text in found["cautions"])
    stage = _json(capsys, str(MACHINES / "slide_stage.toml"))
    assert any(axis["habit"].startswith("limit") for rung in stage["rungs"] for axis in rung["axes"].values())
    assert not any("queue" in text for text in stage["cautions"])


@pytest.mark.parametrize(
    ("name", "clamps"),
    [("inlay_router", [2666, 2666, 4000]), ("slide_stage", [64000, 64000, None]), ("sign_table", [8408, 20800, 5418])],
)
def test_clamp_and_limit_are_told_per_axis(name: str, clamps: list[int | None], capsys: pytest.CaptureFixture[str]) -> None:
    # calm speed x steps per mm, rounded down: 2000/60 x 80 = 2666.7; 600/60 x 400; 20 x 3200; 1.3 in/s x 6468 (rack), 16000
    found = _json(capsys, str(MACHINES / f"{name}.toml"))
    axes = found["firmware"]["axes"]
    assert [axis["calm_speed_steps_s"] for axis in axes] == clamps
    for axis in axes:
        assert axis["outstanding_limit_mm"] <= axis["allowed_run_on_mm"] * (1 + 1e-12)
        assert axis["jog_top_mm_s"] > 0
        assert axis["outstanding_limit_steps"] >= 1
        assert not axis["allowed_given"]
    near = [text for text in found["cautions"] if "with someone near, clamp the axis" in text]
    assert all(any(f"at most {clamp} steps/s" in text for text in near) for clamp in clamps if clamp)
    unknown = [text for text in found["cautions"] if "no calm_speed, so jogtune cannot say" in text]
    assert len(unknown) == (None in clamps)
    assert any("a stray click on position" in text for text in found["cautions"])


def test_a_rungs_own_run_on_is_in_mm_where_an_axis_is(capsys: pytest.CaptureFixture[str]) -> None:
    for rung in _json(capsys, str(MACHINES / "slide_stage.toml"))["rungs"]:
        assert rung["run_on_axis"] in ("X", "Y")
        assert rung["run_on_mm"] == rung["axes"][rung["run_on_axis"]]["run_on_mm"]


def test_drift_is_told_where_remainders_are_dropped(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (MACHINES / "inlay_router.toml").read_text(encoding="utf-8").replace('"carry"', '"drop"')
    file = tmp_path / "drops.toml"
    file.write_text(text, encoding="utf-8")
    found = _json(capsys, str(file), "--base", "0.02 mm")
    drift = found["rungs"][0]["axes"]["X"]["drift_per_1000"]
    # 0.02 mm is 8/5 steps of 1/80 mm: 3/5 of a step lost each click, 600 steps or 7.5 mm per 1000; none on return
    assert drift["one_way_mm"] == pytest.approx(-7.5)
    assert drift["there_and_back_mm"] == 0
    assert any("up to 7.5 mm in 1,000 clicks of 0.02 mm" in line for line in found["given_up"])


def test_no_folder_is_made_by_mistake(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lost = tmp_path / "typo" / "ladder.h"
    assert main(["export", str(MACHINES / "inlay_router.toml"), "--header", str(lost)]) == 2
    assert "there is no folder" in capsys.readouterr().err
    assert not lost.parent.exists()


@pytest.mark.parametrize("port", ["-5", "0", "70000"])
def test_lab_refuses_a_port_that_is_none(port: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lab", f"--port={port}"]) == 2
    assert "must be 1 to 65535" in capsys.readouterr().err


def test_rows_left_out_and_strange_axes_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "some.csv"
    log.write_text("time_s,axis,detents,gain_mm\n0.1,Q,1,0.1\n0.2,Q,1,0.1\n0.3,Q,1,-0.1\n", encoding="utf-8")
    assert main(["suggest", str(MACHINES / "inlay_router.toml"), "--log", str(log)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "1 of 3 rows were left out; the first, line 4" in said
    assert "The machine has no axis Q" in said


def test_a_ladder_of_ones_own_is_judged_and_exported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    router = str(MACHINES / "inlay_router.toml")
    found = _json(capsys, router, "--ladder", "0.02,0.2,2")
    assert (found["verdict"], found["better_gains_mm"][-1]) == ("change", "8")
    assert [rung["gain_mm"] for rung in found["rungs"]] == ["1/50", "1/5", "2"]
    assert found["expected_time_s"] > 0
    assert main(["export", router, "--ladder", "0.02,0.2,2", "--csv", str(tmp_path / "own.csv")]) == 0
    lines = (tmp_path / "own.csv").read_text(encoding="utf-8").splitlines()
    assert [sum(f",{control}," in line for line in lines[1:]) for control in ("knob", "stick", "button")] == [3 * 3, 3, 4 * 3]
    assert main(["suggest", router, "--ladder", "0.02,x"]) == 2


def test_figures_that_are_unusual_are_remarked_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (MACHINES / "inlay_router.toml").read_text(encoding="utf-8").replace('"6000 mm/min"', '"6000 mm/s"')
    file = tmp_path / "fast.toml"
    file.write_text(text, encoding="utf-8")
    said = " ".join(_json(capsys, str(file))["remarks"])
    assert "a figure per minute?" in said
    assert "top speed takes 480000 steps/s" in said


def test_the_caution_names_the_worst_position(capsys: pytest.CaptureFixture[str]) -> None:
    found = _json(capsys, str(MACHINES / "inlay_router.toml"))
    caution = next(text for text in found["cautions"] if text.startswith("Axis Z, positions 4 and 5: turned hard"))
    assert "the axis travels another 80 mm after you stop, as far as it reaches" in caution


def test_free_distances_say_what_plain_numbers_cost() -> None:
    answer = suggest(read_machine(MACHINES / "slide_stage.toml"), rungs=2, free=True)
    assert answer.free is not None
    assert answer.search is not None
    assert answer.free[1] <= answer.search.best.time_s * (1 + 1e-6)
    assert any(note.kind == "free_clicks" for note in answer.notes)
