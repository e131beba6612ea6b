"""`jogtune read` and `jogtune record`: exit codes, JSON, files written whole, nothing overwritten."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jogtune.cli.commands import _seconds
from jogtune.cli.main import main
from jogtune.logs.map_file import read_map
from jogtune.logs.read import read_log, write_log
from jogtune.words.logs import _first_lines

LOG = "boot v1\nt_us;cnt;ax\n0;10;X\n40000;12;X\n80000;x;X\n120000;13;Z\n120000;13;Z\n160000;14"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    place = tmp_path / "odd.txt"
    place.write_text(LOG)
    return place


def read(*arguments: object) -> int:
    return main(["read", *map(str, arguments)])


def test_json_balances_and_says_that_it_guessed(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert read(log, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["rows_in"], found["rows_out"]) == (6, 3)
    assert found["rows_in"] == found["rows_out"] + len(found["noticed"])
    assert [entry["line"] for entry in found["noticed"]] == [5, 7, 8]
    assert set(found["noticed"][0]) == {"line", "what", "done"}
    assert found["guessed"] is True
    assert "read by a guessed map: check it" in found["remarks"][0]["done"]


def test_text_shows_the_guess_and_what_became_of_the_first_lines(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert read(log) == 0
    out = capsys.readouterr().out
    assert "6 rows in, 3 out, 3 left out" in out.replace("\n", " ")
    assert '[knob] column = "cnt", kind = "running"' in out
    assert "this one is a guess" in out
    assert "first lines and what became of them:" not in out
    assert read(log, "--table") == 0
    assert "left out: count = 'x': must be a number" in capsys.readouterr().out  # among the first lines
    assert read(log, "--why") == 0
    assert "the last line has no line end" not in out
    assert "Also noticed:\n  no map was given: read by a guessed map" in capsys.readouterr().out
    table = _first_lines(log, read_log(log))
    assert table["became"].tolist()[:4] == [
        "no row", "no row", "time_s 0, axis X, detents 0, rung 1", "time_s 0.04, axis X, detents 2, rung 1",
    ]  # fmt: skip


def test_equal_entries_are_told_together_and_left_out_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = [f"{40 * i};{i % 5};X" for i in range(180)]
    lines[1:60:4] = ["error"] * 15
    place = tmp_path / "odd.txt"
    place.write_text("\n".join(lines) + "\n")
    assert read(place) == 0
    out = capsys.readouterr().out
    assert "\nLeft out:\n  15 lines (2, 6, 10, 14, 18, 22, ...): has 1 cell, not 3\n" in out
    assert read(place, "--json") == 0
    assert len(json.loads(capsys.readouterr().out)["noticed"]) == 15


def test_the_answer_keeps_to_a_screen(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Every column a guess can find, and more kinds of bad rows than are shown."""
    monkeypatch.chdir(tmp_path)
    rows = [f"{40 * i};{i};X;0.1;{i};9;0.5;P{i % 2};go" for i in range(120)]
    rows[10:20] = [row.replace(";X;", f";{'y' * k};", 1).replace(";", f";{k}", 1)[: 3 * k] for k, row in enumerate(rows[10:20])]
    Path("odd.txt").write_text("t_ms;count;axis;gain;position;goal;tolerance;person;marker\n" + "\n".join(rows) + "\n")
    assert read("odd.txt") == 0
    out = capsys.readouterr().out.splitlines()
    assert len(out) <= 24
    assert max(map(len, out)) <= 100
    assert sum("[" in line for line in out) == 9  # the tables of the guessed map
    assert any(line.startswith("  and ") for line in out)


def test_tidy_log_and_map_are_written_once_and_serve_again(log: Path, tmp_path: Path) -> None:
    tidy, kept = tmp_path / "tidy.csv", tmp_path / "odd.map.toml"
    assert read(log, "--out", tidy, "--keep-map", kept) == 0
    assert read_log(tidy, strict=True).rows["detents"].sum() == 3
    again = read_log(log)
    assert not again.guessed
    assert again.map == read_map(kept)
    assert "# counts_per_detent = 4" in kept.read_text()
    before = tidy.read_bytes()
    assert read(log, "--out", tidy) == 2
    assert tidy.read_bytes() == before
    assert read(log, "--out", tidy, "--overwrite") == 0
    assert read(log, "--map", kept) == 0


def test_faulty_input_is_exit_2_with_words(log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert read(log, "--strict") == 2
    assert "strict mode refuses" in capsys.readouterr().err
    assert read(tmp_path / "none.csv") == 2
    assert "can't be read" in capsys.readouterr().err
    broken = tmp_path / "broken.toml"
    broken.write_text("[time]\ncolumn = 1\nunit = 'h'\n")
    assert read(log, "--map", broken) == 2
    assert "time: unit" in capsys.readouterr().err
    unlike = tmp_path / "unlike.csv"
    unlike.write_text("time_s,axis,detents,gain_mm\nx,X,1,0.1\n")
    assert read(unlike) == 2
    assert "none of its 1 row could be read" in capsys.readouterr().err


@pytest.mark.parametrize(("text", "seconds"), [("30 s", 30), ("10 min", 600), ("1,5 minutes", 90), ("250 ms", 0.25)])
def test_a_duration_is_read_with_its_unit(text: str, seconds: float) -> None:
    assert _seconds(text) == seconds


def test_record_refuses_bad_options_and_ports(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(tmp_path / "a.csv")
    for extra, words in (
        (["--for", "soon"], "must be a time"), (["--delimiter", "ab"], "must be one sign"), ([], "can't be opened"),
    ):  # fmt: skip
        assert main(["record", str(tmp_path / "ttyNONE"), "--out", out, *extra]) == 2
        assert words in capsys.readouterr().err
    assert not Path(out).exists()


def test_two_recordings_are_joined_and_the_clocks_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(2)
    time_s = np.arange(0, 90, 0.04)
    detents = np.where(time_s % 6 < 3, rng.integers(-1, 3, len(time_s)), 0)
    knob = pd.DataFrame({"time_s": time_s, "axis": "X", "detents": detents, "gain_mm": 0.1})
    machine_s = np.arange(1, 88, 0.02)
    position = np.interp(machine_s - 0.05, time_s, np.cumsum(detents * 0.1)) + rng.normal(0, 0.002, len(machine_s))
    machine = pd.DataFrame({"time_s": machine_s + 50, "axis": "X", "detents": 0, "rung": 1, "position_mm": position})
    write_log(knob, tmp_path / "knob.csv")
    write_log(machine, tmp_path / "machine.csv", notes={"position": "measured"})
    joined = tmp_path / "joined.csv"
    assert read(tmp_path / "knob.csv", "--join", tmp_path / "machine.csv", "--out", joined, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["join"]["offset_s"] == pytest.approx(50.05, abs=0.002)
    assert found["join"]["offset_low_s"] < found["join"]["offset_high_s"]
    assert found["rows_in"] == found["rows_out"] == len(knob) + len(machine)
    assert read_log(joined).position_kind == "measured"
    assert read(tmp_path / "knob.csv", "--join", tmp_path / "machine.csv") == 0
    assert "includes the time by which the axis follows" in capsys.readouterr().out
    assert read(tmp_path / "knob.csv", "--join", tmp_path / "knob.csv") == 2
