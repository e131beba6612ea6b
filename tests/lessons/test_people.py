"""`jogtune class`: a folder for each person, and what comes back.

- A folder's name takes letters and digits alone, and no name of a device: whoever opens it has another system than who made it.
- Results count for the person in whose folder they lie, whatever label they carry, but not those of somebody else in the class.
- Of rows that are there twice the fuller log counts; nothing is left out unsaid."""

from __future__ import annotations

import csv
import json
import os
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jogtune.cli.main import main
from jogtune.files import InputFault
from jogtune.ladder.ladder import Ladder
from jogtune.lessons.people import ClassFolder, _read_people
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine
from jogtune.measure.classroom import ClassResult, compare_class, read_roster
from jogtune.words.speak import speak
from places import MACHINES, ROOT
from truths.sessions import log_text, make_sitting

ROUTER = read_machine(MACHINES / "inlay_router.toml")
GOOD, POOR = Ladder.parse("0.02, 0.1, 0.5, 5"), Ladder.parse("0.02, 0.2")


def roster(folder: Path, *people: str, head: str = "person") -> str:
    with open(folder / "people.csv", "w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([[head], *([person] for person in people)])
    return str(folder / "people.csv")


def test_each_person_gets_a_folder_with_a_number_and_no_solutions(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    people = ["heron", "Ana B.", "=owl", "Łukasz/é", "con"]
    assert main(["class", "hand-out", str(tmp_path / "klass"), "--roster", roster(tmp_path, *people)]) == 0
    assert "5 folders with notebooks and data; solutions and teacher's pages are left out" in capsys.readouterr().out
    folders = ["heron", "Ana_B", "owl", "Łukasz_é", "con_"]
    assert sorted(path.name for path in (tmp_path / "klass").iterdir()) == sorted(folders)
    for number, (person, name) in enumerate(zip(people, folders, strict=True), start=1):
        own = tmp_path / "klass" / name
        for place in (own, own / "notebooks"):
            with open(place / "person.csv", encoding="utf-8") as stream:
                told = list(csv.reader(stream))
            assert told == [["person", "number"], [f"'{person}" if person[0] == "=" else person, str(number)]]
        shipped = {path.relative_to(ROOT) for path in (*(ROOT / "notebooks").glob("*.ipynb"), *(ROOT / "datasets").rglob("*.*"))}
        files = {path.relative_to(own) for path in own.rglob("*") if path.is_file() and path.name != "person.csv"}
        assert files == {place for place in shipped if (ROOT / place).is_file()}
        assert all((own / place).read_bytes() == (ROOT / place).read_bytes() for place in files)
        assert not [place for place in files if "_solution" in place.name or "teacher" in place.parts]


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


@pytest.mark.parametrize(("folder", "rule"), [("", "is empty"), ("file", "Not a directory"), ("a\0b", "NUL byte")])
def test_a_folder_that_cannot_be_is_one_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], folder: str, rule: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file").write_text("")
    assert main(["class", "hand-out", folder, "--roster", roster(tmp_path, "heron")]) == 2
    said = capsys.readouterr().err
    assert (rule in said, said.count("\n")) == (True, 2)
    assert sorted(os.listdir(tmp_path)) == ["file", "people.csv"]


def test_faults_of_people_come_all_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    people = roster(tmp_path, "Ana B", "Ana-B", "heron", "HERON", "heron", "", "!?", "x" * 41, "a\tb")
    with pytest.raises(InputFault) as fault:
        _read_people(people)
    said = str(fault.value)
    assert len(fault.value.faults) == 7
    assert 'line 3: person = "Ana-B": makes the same folder as "Ana B" (line 2): tell them apart in the roster' in said
    assert 'line 5: person = "HERON": makes the same folder as "heron" (line 4)' in said
    assert 'line 6: person = "heron": is there already (line 4)' in said
    assert said.count("must be 1 to 40 signs, a letter or digit among them") == 4
    assert main(["class", "hand-out", str(tmp_path / "klass"), "--roster", people]) == 2
    assert "7 faults" in capsys.readouterr().err
    assert not (tmp_path / "klass").exists()
    for named, head, rule in ((["heron"], "name", "has no column person"), ([], "person", "has 0 people")):
        with pytest.raises(InputFault, match=rule):
            _read_people(roster(tmp_path, *named, head=head))


# ------------------------------------------------------------------ collected


@cache
def sitting(seed: int, first: int) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """One simulated sitting of eight goals, ladders by turns: whole, its goals marked as the on-screen knob does; and cut in two."""
    which = [(n + first) % 2 for n in range(8)]
    parts = make_sitting(ROUTER, [GOOD, POOR], which, seed=seed, label="")
    rows = pd.concat(parts).sort_values("time_s", kind="stable", ignore_index=True)
    begin = np.flatnonzero(rows["marker"].fillna("").ne("").to_numpy())
    rows.loc[begin, "marker"] = [f"goal shown: {n}, cross, ladder {'AB'[i]}" for n, i in enumerate(which, start=1)]
    return rows, parts


def log_of(seed: int, first: int, label: str = "", machine: Machine = ROUTER, rows: pd.DataFrame | None = None) -> str:
    """As the on-screen knob saves it, but simulated."""
    own = sitting(seed, first)[0] if rows is None else rows
    head = f"# ladder A: {GOOD.say()}\n# ladder B: {POOR.say()}\n"
    return head + log_text(own.assign(person=label), seed=seed, machine=machine, position="commanded")


PEOPLE = ["heron", "owl", "wren", "tern", "crane", "=stork", "rail"]


@pytest.fixture
def klass(tmp_path: Path) -> Path:
    """Seven people of whom six sat, every other beginning with the other ladder."""
    shared = {f"datasets/machines/{path.name}": path.read_bytes() for path in MACHINES.glob("*.toml")}
    folder = ClassFolder(tmp_path / "klass")
    folder.hand_out(roster(tmp_path, *PEOPLE), shared | {"notebooks/a.ipynb": b"{}", "datasets/class_logs/b.csv": b"not theirs"})
    for n, name in enumerate(["heron", "owl", "wren", "tern", "crane", "stork"]):
        (folder.place / name / "notebooks" / f"knob_{name}_1.csv").write_text(log_of(n, n % 2, PEOPLE[n]))
    return folder.place


def remarked(found: ClassResult) -> list[tuple[str, str]]:
    return [(note.kind, note.figures.get("file", "")) for note in found.remarks]


def test_a_class_that_came_back_is_held_against_each_other_goal_by_goal(klass: Path, tmp_path: Path) -> None:
    found = ClassFolder(klass).collect()
    assert (found.unread, remarked(found)) == ((), [("results_missing", "")])
    assert found.remarks[0].figures["people"] == ["rail"]
    assert found.machine == ROUTER
    assert found.people.groupby("person")["tasks"].sum().to_dict() == dict.fromkeys(PEOPLE[:-1], 8)
    first = found.tasks.sort_values("began_s").groupby("person")["ladder_label"].first()
    assert [first[person] for person in PEOPLE[:-1]] == [GOOD.say(), POOR.say()] * 3
    lines = ["file,person,ladder"]  # as if each ladder's goals had a log of their own
    for n, person in enumerate(PEOPLE[:-1]):
        for letter, ladder, rows in zip("ab", (GOOD, POOR), sitting(n, n % 2)[1], strict=True):
            (tmp_path / f"{n}{letter}.csv").write_text(log_text(rows, seed=n, machine=ROUTER, position="commanded"))
            lines.append(f"{n}{letter}.csv,{person},{ladder.say().replace(',', '')}")
    (tmp_path / "apart.csv").write_text("\n".join(lines))
    apart = compare_class(ROUTER, tmp_path, read_roster(ROUTER, tmp_path / "apart.csv"))
    keys = ["person", "ladder_label"]
    one, other = (result.people.set_index(keys)["mean_time_s"].sort_index() for result in (found, apart))
    pd.testing.assert_series_equal(one, other)
    assert found.differences[0].change == pytest.approx(apart.differences[0].change)
    assert found.differences[0].people == 6


def test_what_does_not_count_is_named_and_what_counts_is_not_lost(klass: Path) -> None:
    own = sitting(0, 0)[0]
    (klass / "heron" / "notebooks" / "class_logs").mkdir()
    (klass / "heron" / "notebooks" / "class_logs" / "heron_A_1.csv").write_text(log_of(0, 0, "heron", rows=own.iloc[: len(own) // 2]))
    (klass / "heron" / "notebooks" / ".ipynb_checkpoints").mkdir()
    (klass / "heron" / "notebooks" / ".ipynb_checkpoints" / "knob_heron_1-checkpoint.csv").write_text(log_of(9, 0, "heron"))
    (klass / "owl" / "knob_owl_2.csv").write_text(log_of(7, 0, "owl"))  # sat twice
    (klass / "wren" / "knob_1.csv").write_text(log_of(8, 0, "tern"))  # somebody else's
    (klass / "tern" / "notebooks" / "knob_tern_1.csv").write_text(log_of(3, 1, "me"))
    (klass / "rail" / "knob_copied.csv").write_text(log_of(4, 0, "rail"))  # crane's rows under another label
    (klass / "crane" / "knob_other.csv").write_text(log_of(10, 0, "crane", machine=replace(ROUTER, name="slide stage")))
    (klass / "knob_lost.csv").write_text(log_of(11, 0, "heron"))
    (klass / "stork" / "knob_broken.csv").write_text("nothing,of\nthe,kind\n")
    (klass / "heron" / "person.csv").write_text("name\nheron\n")
    found = ClassFolder(klass).collect()
    assert remarked(found) == [
        ("results_missing", ""), ("log_in_no_folder", "knob_lost.csv"), ("log_labelled_otherwise", "tern/notebooks/knob_tern_1.csv"),
        ("log_of_another", "wren/knob_1.csv"), ("log_of_another_machine", "crane/knob_other.csv"),
        ("log_twice", "heron/notebooks/class_logs/heron_A_1.csv"), ("log_twice", "rail/knob_copied.csv"), ("two_sittings", ""),
    ]  # fmt: skip
    assert found.remarks[-1].figures == {"person": "owl", "files": ["owl/knob_owl_2.csv", "owl/notebooks/knob_owl_1.csv"]}
    assert found.remarks[0].figures["people"] == ["rail"]
    tasks = found.people.groupby("person")["tasks"].sum().to_dict()
    assert tasks == {"heron": 8, "owl": 16, "wren": 8, "tern": 8, "crane": 8, "=stork": 8}
    assert len(found.unread) == 2
    assert "heron/person.csv" in found.unread[0]
    assert "knob_broken.csv" in found.unread[1]
    for note in found.remarks:
        assert re.match(r"^[A-Z].*[.]$", speak(note)), speak(note)
        assert not re.search(r"[{}\[\]']|None", speak(note).replace("nobody's", "")), speak(note)


def test_two_ladders_or_halves_of_one_sitting_in_two_logs_are_no_two_sittings(klass: Path) -> None:
    rows = sitting(0, 0)[0]
    on = rows["marker"].fillna("").str.extract(r"ladder ([AB])", expand=False).ffill()
    (klass / "heron" / "notebooks" / "knob_heron_1.csv").unlink()
    (klass / "heron" / "notebooks" / "class_logs").mkdir()
    for letter in "AB":
        text = log_of(0, 0, "heron", rows=rows[on == letter].reset_index(drop=True))
        (klass / "heron" / "notebooks" / "class_logs" / f"heron_{letter}_1.csv").write_text(text)
    other = log_of(7, 0, "wren").replace(GOOD.say(), "0.05, 0.5, 5 mm").replace(POOR.say(), "0.05, 1 mm")
    (klass / "wren" / "knob_wren_2.csv").write_text(other)  # goals of the same numbers, other ladders
    rows = sitting(1, 1)[0]
    fifth = rows.index[rows["marker"].fillna("").str.startswith("goal shown: 5")][0]
    (klass / "owl" / "notebooks" / "knob_owl_1.csv").write_text(log_of(1, 1, "owl", rows=rows.iloc[:fifth]))
    (klass / "owl" / "notebooks" / "knob_owl_2.csv").write_text(log_of(1, 1, "owl", rows=rows.iloc[fifth:]))
    found = ClassFolder(klass).collect()
    assert remarked(found) == [("results_missing", "")]
    assert found.people.query("person == 'owl'")["tasks"].tolist() == [4, 4]
    assert found.people.query("person == 'heron'")["tasks"].tolist() == [4, 4]


def test_the_command_tells_it_and_writes_the_tables(klass: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (klass / "wren" / "knob_1.csv").write_text(log_of(8, 0, "tern"))
    assert main(["class", "collect", str(klass), "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    for part in ("6 logs measured, 6 people", "Simulated", "Nothing that counts came back from rail.", "wren/knob_1.csv", "Faster is not safer"):
        assert part in said
    assert len(said.split("\n")) <= 27
    assert (tmp_path / "out" / "people.csv").read_text().startswith("person,ladder_label,")
    assert "'=stork" in (tmp_path / "out" / "people.csv").read_text()
    assert (tmp_path / "out" / "class.png").read_bytes().startswith(b"\x89PNG")
    assert main(["class", "collect", str(klass), "--out", str(tmp_path / "out")]) == 2
    assert "not overwritten" in capsys.readouterr().err
    assert main(["class", "collect", str(klass), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert [row["tasks"] for row in answer["people"]] == [4] * 12
    assert answer["remarks"][0] == "Nothing that counts came back from rail."


def test_what_cannot_be_collected_is_one_clear_fault(klass: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def refused(*words: str) -> str:
        assert main(["class", "collect", *words]) == 2
        return capsys.readouterr().err

    assert "holds no folder with person.csv: hand out first" in refused(str(tmp_path / "out"))
    for path in klass.glob("*/datasets/machines/*.toml"):
        path.unlink()
    assert 'machine = "inlay router": is named by the logs' in refused(str(klass))
    assert main(["class", "collect", str(klass), "--machine", str(MACHINES / "inlay_router.toml")]) == 0
    for path in klass.rglob("knob_*.csv"):
        path.unlink()
    assert "holds no results: put what" in refused(str(klass))


def test_each_person_gets_a_knob_of_their_own_for_a_phone(tmp_path: Path) -> None:
    from jogtune.cli.main import main

    (tmp_path / "people.csv").write_text("person\nheron\nstork\n")
    asked = ["class", "hand-out", str(tmp_path / "class"), "--roster", str(tmp_path / "people.csv"), "--other", "0.02,0.5"]
    assert main(asked) == 2, "whose axis would that be?"
    assert not (tmp_path / "class").exists()
    assert main([*asked, "--machine", "datasets/machines/inlay_router.toml", "--ladder", "0.02,0.1,0.5,2,5"]) == 0
    first, second = ((tmp_path / "class" / name / "knob.html").read_text(encoding="utf-8") for name in ("heron", "stork"))
    assert '"person": "heron"' in first
    assert ('"swapped": false' in first, '"swapped": true' in second) == (True, True), "A and B change places"
