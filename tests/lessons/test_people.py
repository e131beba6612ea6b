"""`jogtune class`: a folder for each person, and what comes back.

- A folder's name takes letters and digits alone, and no name of a device: whoever opens it has another system than who made it.
- Results count for the person in whose folder they lie, whatever label they carry, but not those of somebody else in the class.
- Of rows that are there twice the fuller log counts; nothing is left out unsaid."""

from __future__ import annotations

import csv
import os
from pathlib import Path

import pytest

from jogtune.cli.main import main
from jogtune.files import InputFault
from jogtune.lessons.people import read_people
from places import ROOT


def roster(folder: Path, *people: str, head: str = "person") -> str:
    with open(folder / "people.csv", "w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([[head], *([person] for person in people)])
    return str(folder / "people.csv")


def test_each_person_gets_a_folder_with_a_number_and_no_solutions(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    people = ["heron", "Ana B.", "=owl", "Łukasz/é", "con"]
    assert main(["class", "hand-out", str(tmp_path / "klass"), "--roster", roster(tmp_path, *people)]) == 0
    assert "5 folders of 68 files each, solutions and teacher's pages left out" in capsys.readouterr().out
    folders = ["heron", "Ana_B", "owl", "Łukasz_é", "con_"]
    assert sorted(path.name for path in (tmp_path / "klass").iterdir()) == sorted(folders)
    for number, (person, name) in enumerate(zip(people, folders, strict=True), start=1):
        own = tmp_path / "klass" / name
        for place in (own, own / "notebooks"):
            told = list(csv.reader(open(place / "person.csv", encoding="utf-8")))
            assert told == [["person", "number"], [f"'{person}" if person[0] == "=" else person, str(number)]]
        shipped = {path.relative_to(ROOT) for path in (*(ROOT / "notebooks").glob("*.ipynb"), *(ROOT / "datasets").rglob("*.*"))}
        files = {path.relative_to(own) for path in own.rglob("*") if path.is_file() and path.name != "person.csv"}
        assert files == {place for place in shipped if (ROOT / place).is_file()}
        assert all((own / place).read_bytes() == (ROOT / place).read_bytes() for place in files)
        assert not [path for path in own.rglob("*") if "solution" in path.name or (path.suffix == ".md" and "datasets" not in path.parts)]


def test_nothing_of_a_class_that_is_there_is_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "klass" / "owl").mkdir(parents=True)
    (tmp_path / "klass" / "owl" / "mine").write_text("mine")
    words = ["class", "hand-out", str(tmp_path / "klass"), "--roster"]
    assert main([*words, roster(tmp_path, "heron", "owl")]) == 2
    assert '"owl": is there already' in capsys.readouterr().err
    assert os.listdir(tmp_path / "klass") == ["owl"]
    assert main([*words, roster(tmp_path, "heron")]) == 0  # who comes late
    assert sorted(os.listdir(tmp_path / "klass")) == ["heron", "owl"]
    assert (tmp_path / "klass" / "owl" / "mine").read_text() == "mine"


def test_faults_of_people_come_all_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    people = roster(tmp_path, "Ana B", "Ana-B", "heron", "HERON", "heron", "", "!?", "x" * 41, "a\tb")
    with pytest.raises(InputFault) as fault:
        read_people(people)
    said = str(fault.value)
    assert len(fault.value.faults) == 7
    assert 'line 3: person = "Ana-B": makes the same folder as "Ana B" (line 2): tell them apart in the roster' in said
    assert 'line 5: person = "HERON": makes the same folder as "heron" (line 4)' in said
    assert 'line 6: person = "heron": is there already (line 4)' in said
    assert said.count("must be 1 to 40 signs, a letter or digit among them") == 4
    assert main(["class", "hand-out", str(tmp_path / "klass"), "--roster", people]) == 2
    assert "7 faults" in capsys.readouterr().err
    assert not (tmp_path / "klass").exists()
    for path, rule in ((roster(tmp_path, "heron", head="name"), "has no column person"), (roster(tmp_path), "has 0 people")):
        with pytest.raises(InputFault, match=rule):
            read_people(path)
