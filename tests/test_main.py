"""The command line: JSON for scripts, exit codes, files whole or absent."""

from __future__ import annotations

import json
import subprocess
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from jogtune.__main__ import main
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


def test_options_reach_the_answer(capsys: pytest.CaptureFixture[str]) -> None:
    router = str(MACHINES / "inlay_router.toml")
    found = _json(capsys, router, "--rungs", "3", "--series", "1-2-5", "--base", "0.01 mm")
    assert found["base_mm"] == "1/100"
    assert len(found["rungs"]) == 3


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--rungs", "7"], "must be 1 to 6"), (["--series", "fibonacci"], "not a known series"),
        (["--base", "0.01"], "needs a unit"), (["--log", "none.csv"], "none.csv"),
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


def test_importing_is_light() -> None:
    heavy = ["matplotlib", "ipywidgets", "jupyterlab", "jupyter_core", "pandas", "scipy", "IPython"]
    code = f"import sys, jogtune; print([m for m in {heavy!r} if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


def test_lab_needs_the_folder_of_notebooks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lab", "--folder", str(tmp_path / "none")]) == 2
    assert "--folder" in capsys.readouterr().err
