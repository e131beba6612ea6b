"""A class' folders."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import pandas as pd

from ..files import Fault, InputFault, write_set
from ..logs.read import read_log
from ..machine.file import read_machine
from ..machine.model import Machine
from ..machine.readers import read_rows
from ..measure.classroom import ClassResult, _Entry, compare_class
from ..measure.many import _apart, _each
from ..notes import Note, Severity
from ..signs import bare, csv_text

_PERSON = "person.csv"
_MOST_PEOPLE, _LONGEST = 500, 40  # in a class; signs of a label, as in a lesson's results: our choice
_FOR_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)  # no names of files on Windows


@dataclass(frozen=True)
class ClassFolder:
    """The folder that holds a folder for each person of a class."""

    place: Path

    def hand_out(
        self, roster: str | Path, shared: Mapping[str, bytes], own: Callable[[str, int], Mapping[str, str]] = lambda *_: {}
    ) -> list[Path]:
        """Write a folder for each person of a roster (CSV with a column person), all or none; returns the folders.

        In each lies what is `shared`, by its place there, what is the person's `own` by name and number, and person.csv with the
        number, the row in the roster, by which the on-screen knob balances its orders; once more beside the notebooks, where the
        knob looks for it. Raises `InputFault` with every fault of the roster, or where one of the folders is there already."""
        people = _read_people(roster)
        places = [self.place / _folder_of(person) for person in people]
        if there := [place.name for place in places if place.exists()]:
            cure = "leave those people out of the roster, or choose another folder"
            raise InputFault(str(self.place), [Fault("", name, "is there already and is left as it is", cure) for name in there])
        beside = {".", *(str(Path(name).parent) for name in shared if name.endswith(".ipynb"))}
        contents: dict[Path, str | bytes] = {}
        for number, (person, place) in enumerate(zip(people, places, strict=True), start=1):
            told = csv_text([["person", "number"], [person, number]])
            laid: dict[str, str | bytes] = {**shared, **own(person, number), **{f"{one}/{_PERSON}": told for one in beside}}
            contents |= {place / name: text for name, text in laid.items()}
        write_set(contents, make_folder=True)
        return places

    def collect(
        self, machine: Machine | None = None, *, executor: Executor | None = None, progress: bool = False
    ) -> ClassResult:
        """Hold the class against each other by all the results in its folders: logs of the on-screen knob and of lessons.

        A log counts for the person in whose folder it lies. `remarks` says who is missing, which logs hold the same rows, which
        carry a strange label or were made with another machine, and who sat twice. Without `machine` it is the one that most
        logs name, from a file in the folders. A log that can't be read is listed, and the rest go on. Raises `InputFault` where
        there is no folder with person.csv, no result, or no such machine file."""
        people, faults = self._people()
        read = _each(_read_one, [(path, self.place, people) for path in self._results()], executor, progress=progress)
        results, unread = _apart(read)
        if not people or not read:
            lacks, cure = f"folder with {_PERSON}", "hand out first, or name the folder that holds them"
            if people:
                lacks, cure = "results", "put what the knob and the lessons saved into the folders"
            raise InputFault(str(self.place), [Fault(rule=f"holds no {lacks}", cure=cure), *faults])
        machine = machine or self._machine_of(results)
        kept, remarks = _sorted_out(results, people, machine)
        entries = [_Entry(file=one.file, person=one.person) for one in kept]
        found = compare_class(machine, self.place, entries, executor=executor)
        lost = [person for person in people.values() if person not in {one.person for one in kept}]
        missing = [_mind("results_missing", people=lost)] if lost else []
        said = (*missing, *remarks, *_sat_twice(found.tasks))
        return replace(found, remarks=said, unread=(*faults, *unread, *found.unread))

    def _people(self) -> tuple[dict[str, str], list[Fault]]:
        """Each person by the name of the folder, and what is wrong with any person.csv."""
        people, faults = dict[str, str](), list[Fault]()
        for path in sorted(self.place.glob(f"*/{_PERSON}")):
            try:
                rows, _ = read_rows(str(path), ("person",))
                people[path.parent.name] = bare(str(rows[0][1]["person"]).strip()) if rows else path.parent.name
            except InputFault as fault:
                people[path.parent.name] = path.parent.name
                faults += [Fault(str(path), rule=one) for one in fault.faults]
        return people, faults

    def _results(self) -> list[Path]:
        """Every file that may be a result: of the knob anywhere, of lessons in class_logs; none of the data handed out."""
        found = {*self.place.rglob("knob_*.csv"), *self.place.rglob("class_logs/*.csv")}
        parts = {path: path.relative_to(self.place).parts for path in found}
        hidden = {path for path in found if any(part.startswith(".") for part in parts[path])}  # Lab keeps copies there
        return sorted(path for path in found - hidden if parts[path][1:2] != ("datasets",) and path.name != "roster.csv")

    def _machine_of(self, results: Sequence[_Result]) -> Machine:
        """The machine that most logs name, from the first file in the folders that is of it."""
        named = Counter(one.machine for one in results if one.machine).most_common(1)
        for path in sorted(self.place.glob("*/*.toml")) + sorted(self.place.glob("*/datasets/machines/*.toml")):
            with suppress(InputFault):
                machine = read_machine(path)
                if named and machine.name == named[0][0]:
                    return machine
        rule, cure = "is named by the logs, and no file in the folders is of it", "add --machine MACHINE.toml"
        raise InputFault(str(self.place), [Fault("machine", named[0][0] if named else "", rule, cure)])


def _read_people(path: str | Path) -> list[str]:
    """The people of a roster, in its order. Raises `InputFault` with every fault: a label missing, too long or there twice, two
    that make one folder's name."""
    rows, _ = read_rows(str(path), ("person",))
    people, faults, lines = list[str](), list[Fault](), dict[str, tuple[int, str]]()
    for line, row in rows:
        person = bare(str(row.get("person") or "").strip())
        folder = _folder_of(person).casefold()
        if not folder or len(person) > _LONGEST or not person.isprintable():
            faults.append(Fault(f"line {line}: person", person, f"must be 1 to {_LONGEST} signs, a letter or digit among them"))
        elif folder in lines:
            before, other = lines[folder]
            rule = "is there already" if other == person else f'makes the same folder as "{other}"'
            faults.append(Fault(f"line {line}: person", person, f"{rule} (line {before})", "tell them apart in the roster"))
        lines.setdefault(folder, (line, person))
        people.append(person)
    if not 0 < len(people) <= _MOST_PEOPLE:
        faults.append(Fault(rule=f"has {len(people)} people: a class has 1 to {_MOST_PEOPLE}", cure="give each person a line"))
    if faults:
        raise InputFault(str(path), faults)
    return people


def _folder_of(person: str) -> str:
    """A name that every file system takes: letters and digits, _ for what else there is; empty where there is neither."""
    plain = "".join(sign if sign.isalnum() else "_" for sign in unicodedata.normalize("NFC", person)).strip("_")
    return f"{plain}_" if _FOR_DEVICES.fullmatch(plain) else plain


@dataclass(frozen=True, kw_only=True)
class _Result:
    """One log that came back: in whose folder ("": nobody's), whose label it carries, what was turned."""

    file: str
    person: str
    label: str
    machine: str
    turned: frozenset[tuple[object, ...]]


def _read_one(path: Path, folder: Path, people: Mapping[str, str]) -> _Result:
    log = read_log(path)
    rows = log.rows.loc[log.rows["detents"] != 0]
    labels = [str(one) for one in rows["person"].dropna().unique() if str(one).strip()] if "person" in rows else []
    told = rows[["time_s", "axis", "detents", "gain_mm" if "gain_mm" in rows else "rung"]].astype({"axis": str})
    inside = path.relative_to(folder)
    person = people.get(inside.parts[0], "")
    return _Result(
        file=inside.as_posix(), person=person, label=next((one for one in labels if one != person), person),
        machine=log.header.get("machine", ""), turned=frozenset(told.itertuples(index=False, name=None)),
    )  # fmt: skip


def _sorted_out(results: Sequence[_Result], people: Mapping[str, str], machine: Machine) -> tuple[list[_Result], list[Note]]:
    """The results that count, in the order of their files, and what is to be said of the others."""
    kept, notes = list[_Result](), list[Note]()
    for one in sorted(results, key=lambda one: -len(one.turned)):
        twice = (other.file for other in kept if one.turned and 2 * len(one.turned & other.turned) > len(one.turned))
        if not one.person:
            notes.append(_mind("log_in_no_folder", file=one.file))
        elif one.label != one.person and one.label in people.values():
            notes.append(_mind("log_of_another", file=one.file, label=one.label))
        elif one.machine not in ("", machine.name):
            notes.append(_mind("log_of_another_machine", file=one.file, machine=one.machine, own=machine.name))
        elif other := next(twice, None):
            notes.append(_mind("log_twice", file=one.file, other=other))
        else:
            kept.append(one)
            if one.label != one.person:
                notes.append(_mind("log_labelled_otherwise", file=one.file, label=one.label, person=one.person))
    return sorted(kept, key=lambda one: one.file), sorted(notes, key=lambda note: (note.kind, note.figures["file"]))


def _sat_twice(tasks: pd.DataFrame) -> Iterator[Note]:
    """Who has two logs with a ladder and the number of a goal in common."""
    number = tasks["marker"].fillna("").astype(str).str.extract(r": (\d+), ", expand=False)
    for person, mine in tasks.assign(number=number).loc[number.notna()].groupby("person"):
        logs = {str(file): (set(one["ladder_label"]), set(one["number"])) for file, one in mine.groupby("file")}
        pairs = combinations(logs.items(), 2)
        if files := {file for (one, a), (two, b) in pairs if a[0] & b[0] and a[1] & b[1] for file in (one, two)}:
            yield _mind("two_sittings", person=str(person), files=sorted(files))


def _mind(kind: str, **figures: object) -> Note:
    return Note(kind=kind, severity=Severity.MIND, figures=figures)
