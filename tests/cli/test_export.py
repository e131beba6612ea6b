"""`jogtune export` and `jogtune readings`: every file or none, and nothing overwritten unasked."""

import csv
import json
from pathlib import Path

import pytest

from jogtune.files import InputFault
from jogtune.machine.file import read_machine
from truths.readings import Truth, simulate_readings
from typed import typed

ROUTER = "datasets/machines/inlay_router.toml"
FILES = {
    "header": "ladder.h", "moves": "try.nc", "legend": "legend.svg", "card": "card.pdf", "sheet": "sheet.pdf",
    "readings": "readings.csv", "commissioning": "tests.pdf", "checks": "checks.csv", "markdown": "ladder.md", "json": "ladder.json", "csv": "ladder.csv",
}  # fmt: skip


def export(*words: str) -> int:
    short = () if "--series" in words else ("--series", "1-10-100")  # few ladders to search: quick
    return typed("export", *words, *short)


def asked(folder: Path, **changed: str) -> list[str]:
    names = {**FILES, **changed}
    return [word for kind, name in names.items() for word in (f"--{kind}", str(folder / name))]


def test_every_kind_is_written_in_one_go(tmp_path, capsys):
    assert export(ROUTER, *asked(tmp_path)) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(FILES.values())
    assert all(path.stat().st_size > 100 for path in tmp_path.iterdir())
    assert capsys.readouterr().out.count("wrote ") == len(FILES)
    assert (tmp_path / "ladder.h").read_text().count("SHA-256: not given") == 0


def test_options_shape_the_ladder(tmp_path):
    out = tmp_path / "ladder.json"
    export(ROUTER, "--rungs", "3", "--series", "1-10-100", "--base", "0.05 mm", "--json", str(out))
    content = json.loads(out.read_text())
    assert content["base_mm"] == "1/20"
    assert len(content["rungs"]) == 3


def test_one_file_in_the_way_and_none_is_written(tmp_path):
    (tmp_path / "ladder.md").write_text("mine")
    with pytest.raises(InputFault, match=r"ladder\.md exists and is not overwritten unasked"):
        export(ROUTER, *asked(tmp_path))
    assert [path.name for path in tmp_path.iterdir()] == ["ladder.md"]
    assert export(ROUTER, "--markdown", str(tmp_path / "ladder.md"), "--overwrite") == 0
    assert (tmp_path / "ladder.md").read_text() != "mine"


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"sheet": "sheet.svg"}, r"must end in \.pdf"),
        ({"legend": "legend.gif"}, r"must end in \.svg or \.pdf"),
        ({"markdown": "ladder.json"}, "is named twice"),
    ],
)
def test_one_fault_and_none_is_written(tmp_path, changed, words):
    with pytest.raises(InputFault, match=words):
        export(ROUTER, *asked(tmp_path, **changed))
    assert list(tmp_path.iterdir()) == []


def test_naming_no_file_is_a_fault():
    with pytest.raises(InputFault, match="names no file to write: add one of --header"):
        export(ROUTER)


def readings(*words: str) -> int:
    return typed("readings", *words)


def test_readings_are_diagnosed_from_the_exported_table(tmp_path, capsys):
    export(ROUTER, "--readings", str(tmp_path / "blank.csv"))
    blank = list(csv.DictReader((tmp_path / "blank.csv").open()))
    machine = read_machine(ROUTER)
    from jogtune.choose.suggest import suggest

    made = [
        row
        for axis in machine.axes
        for row in simulate_readings(machine, axis, suggest(machine, series="1-10-100").ladder, Truth(slack_mm=0.3), seed=1)
    ]
    assert len(made) == len(blank)  # the simulated sheet has the same rows as the blank one
    filled = [{**row, "reading": done["reading"]} for row, done in zip(blank, made, strict=True)]
    with (tmp_path / "filled.csv").open("w", newline="") as stream:
        writer = csv.DictWriter(stream, blank[0])
        writer.writeheader()
        writer.writerows(filled)
    capsys.readouterr()
    assert readings(str(tmp_path / "filled.csv"), "--machine", ROUTER, "--json") == 0
    content = json.loads(capsys.readouterr().out)
    assert content["verdict"] == "found"
    assert content["causes"][0]["kind"] == "slack"
    assert [finding["axis"] for finding in content["findings"]] == ["X", "Y", "Z"]
    assert readings(str(tmp_path / "filled.csv"), "--machine", ROUTER) == 0
    assert "slack" in capsys.readouterr().out


def test_a_table_with_semicolons_is_read_with_a_remark(tmp_path, capsys):
    path = tmp_path / "comma.csv"
    path.write_text("axis;unit;gain;detents;reading\nX;mm;0,1;0;0\n" + "X;mm;0,1;10;1,0\nX;mm;0,1;-10;0,05\n" * 3)
    assert readings(str(path), "--machine", ROUTER) == 0
    assert "columns are parted by semicolons" in capsys.readouterr().out
    assert readings(str(path), "--machine", ROUTER, "--json") == 0
    content = json.loads(capsys.readouterr().out)
    assert content["verdict"] == "in order"
    assert len(content["remarks"]) == 1
