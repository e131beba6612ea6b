"""Rosters' logs."""

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..files import Fault, InputFault
from ..ladder.ladder import Ladder, parse_ladder
from ..logs.log import Log, RowCount
from ..logs.map import LogMap
from ..logs.read import read_log
from ..machine.model import Machine
from ..machine.readers import read_rows
from ..notes import Note, Severity
from ..shown import Shown
from ..signs import bare
from .bursts import _stacked
from .compare import _FASTER_IS_NOT_SAFER
from .many import _apart, _each, _write_tables
from .measure import measure
from .predict import _all_tasks, _credit
from .times import Difference, _compare_times, _how_to_tell

_NAMED = r"(?i:\bladder [a-z]\b)"  # as the marker of a goal names one: "goal shown: 3, cross, ladder A"


@dataclass(frozen=True, kw_only=True)
class _Entry:
    """One line of a roster: a log in the folder, the label of who made it, the ladder it was made with, and when (1: first)."""

    file: str
    person: str
    ladder: Ladder | None = None
    order: int | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class ClassResult(Shown):
    """What a class did. `people` has a row per person and ladder, `ladders` per ladder, `tasks` per task; `unread` says which logs
    could not be measured, and why; `simulated`: at least one of the others says that nobody turned that knob; `remarks` is of
    folders that were collected."""

    machine: Machine
    people: pd.DataFrame
    ladders: pd.DataFrame
    differences: tuple[Difference, ...]
    tasks: pd.DataFrame = field(repr=False)
    unread: tuple[str, ...] = ()
    counts: tuple[RowCount, ...] = ()
    simulated: bool = False
    remarks: tuple[Note, ...] = ()

    @property
    def labels(self) -> list[str]:
        """The ladders' labels, in the order that the differences number them."""
        return [str(label) for label in self.ladders["ladder_label"]]

    @property
    def table(self) -> pd.DataFrame:
        """A row per person and ladder: tasks, mean and median time, turn rate."""
        return self.people.rename(columns={"turn_rate": "turn_rate_detents_s"})

    @property
    def notes(self) -> tuple[Note, ...]:
        """Everything to be said: what was concluded first, the caution last."""
        said = [*(one.note(self.labels) for one in self.differences), *_how_to_tell(self.differences)]
        said += [] if len(self.tasks) else [Note(kind="class_without_goals", severity=Severity.MIND)]
        said += [Note(kind="logs_simulated", severity=Severity.MIND)] if self.simulated else []
        return (*said, *self.remarks, *(note for count in self.counts for note in count.notes), _FASTER_IS_NOT_SAFER)

    def write(self, folder: str | Path, *, overwrite: bool = False, beside: Mapping[str, bytes] | None = None) -> list[Path]:
        """Write people.csv, ladders.csv and what is to be beside them into a folder, which is made where it is missing."""
        tables = {"people.csv": self.people, "ladders.csv": self.ladders}
        return _write_tables(tables, folder, overwrite=overwrite, beside=beside)


def read_roster(machine: Machine, path: str | Path) -> tuple[_Entry, ...]:
    """Read a roster (CSV: file, person and, optional, ladder as "0.01 0.1 1", and order), in the order done.

    Without order a person's lines stand in that order. Raises `InputFault` with every fault: a column or label missing, a file
    named twice or outside the folder, an order that is no number."""
    faults: list[Fault] = []
    rows, _ = read_rows(str(path), ("file", "person"))
    entries = [entry for line, row in rows if (entry := _entry(row, line, machine, faults))]
    names = [entry.file for entry in entries]
    twice = [name for name, count in sorted(Counter(names).items()) if count > 1]
    faults += [Fault(f"{name} is named twice", cure="give each log one line") for name in twice]
    if faults:
        raise InputFault(str(path), faults)
    return tuple(sorted(entries, key=lambda entry: entry.order or 0))


def _entry(row: Mapping[str, str], number: int, machine: Machine, faults: list[Fault]) -> _Entry | None:
    file, person, text, order = (bare(str(row.get(name) or "").strip()) for name in ("file", "person", "ladder", "order"))
    if not file or not person:
        faults.append(Fault(f"line {number}", rule="needs a file and a person", cure="fill both"))
    elif Path(file).name != file:
        faults.append(Fault(f"line {number}: file", file[:60], "must be the name of a log in the folder, without a path"))
    elif order and not (order.isdecimal() and len(order) <= 9):
        faults.append(Fault(f"line {number}: order", order[:60], "must be a whole number: 1 for what was done first"))
    else:
        try:
            ladder = parse_ladder(text, machine) if text else None
            return _Entry(file=file, person=person, ladder=ladder, order=int(order) if order else None)
        except InputFault as fault:
            faults += [Fault(f"line {number}: ladder: {why}") for why in fault.faults]
    return None


def compare_class(
    machine: Machine, folder: str | Path, entries: Iterable[_Entry], *, columns: LogMap | str | Path | None = None,
    executor: Executor | None = None, progress: bool = False,
) -> ClassResult:  # fmt: skip
    """Measure every log of a roster and hold people and ladders against each other.

    People are named by the roster's labels only, whatever the logs say. `columns` is the column map of all logs, where they are
    not tidy ones. The result does not depend on the `executor`. A log that can't be read is listed, and the rest go on."""
    todo = [(Path(folder) / entry.file, machine, entry, columns) for entry in entries]
    done, unread = _apart(_each(_measure_one, todo, executor, progress=progress))
    none = ["distance_mm", "tolerance_mm", "time_s", "person", "axis", "marker", "began_s", "ladder_label", "turn_rate", "file"]
    tasks = _stacked([pd.DataFrame(columns=none), *(table for table, *_ in done)])
    labels = sorted(tasks["ladder_label"].unique(), key=str)
    numbered = tasks.assign(ladder=tasks["ladder_label"].map({label: i for i, label in enumerate(labels)}))
    pairs = combinations(range(len(labels)), 2)
    return ClassResult(
        machine=machine, tasks=numbered,
        people=_table(numbered, ["person", "ladder_label"]), ladders=_table(numbered, ["ladder_label"]),
        differences=tuple(_compare_times(numbered, first=i, second=j) for i, j in pairs),
        unread=unread, counts=tuple(count for _, count, _ in done), simulated=any(simulated for *_, simulated in done),
    )  # fmt: skip


def _measure_one(path: Path, machine: Machine, entry: _Entry, columns: LogMap | str | Path | None) -> tuple[Any, ...]:
    """One log, in whichever process: its tasks but practice, how many of its rows were left out, whether it is simulated."""
    log = read_log(path, columns=columns)
    found = measure(machine, log, ladder=entry.ladder)
    found = replace(found, tasks=_marked(found.tasks, log.rows))
    if entry.ladder is None:
        _check_named(found.tasks["marker"], log)
    tasks = _all_tasks([found], [_credit(found, log, (), entry.ladder)])
    by = tasks["marker"].fillna("").astype(str).str.extract(r"(, by \w+)$", expand=False).fillna("")
    label = [ladder.say() for ladder in tasks["done_with"]] + by
    tasks = tasks.drop(columns=["gains_mm", "ladder", "done_with", "source"])
    tasks = tasks.assign(turn_rate=found.turn_rate_median.value, person=entry.person, ladder_label=label, file=entry.file)
    return tasks, found.count, found.simulated


def _marked(tasks: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Tasks whose marker says the ladder: of those without one at the beginning, what is marked before the next begins."""
    marker = rows.get("marker", pd.Series(dtype=object)).astype(object).fillna("").astype(str)
    told = marker.str.contains(_NAMED)
    if not told.any() or not len(tasks):
        return tasks
    at, texts = rows.loc[told, "time_s"].to_numpy(float), np.append(marker[told].to_numpy(object), "")
    began = tasks["shown_s"].to_numpy(float)
    later = np.searchsorted(at, began)
    mine = np.append(at, math.inf)[later] < np.append(began[1:], math.inf)
    own = tasks["marker"].fillna("").astype(str)
    return tasks.assign(marker=own.where(own.str.contains(_NAMED) | ~mine, texts[later]))


def _check_named(markers: pd.Series, log: Log) -> None:
    """Raise `InputFault` where markers name ladders that the opening lines of a log don't tell."""
    told = {key.strip().lower() for key in log.header}
    named = sorted(set(markers.fillna("").astype(str).str.lower().str.extract(f"({_NAMED})", expand=False).dropna()))
    faults = [Fault("marker", name, "names a ladder that the opening lines don't tell", f'add "# {name}: 0.1, 1 mm" on top')
              for name in named if name not in told]  # fmt: skip
    if faults:
        raise InputFault(log.source, faults)


def _table(tasks: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    return tasks.groupby(keys, sort=True).agg(
        people=("person", "nunique"), logs=("file", "nunique"), tasks=("time_s", "size"),
        mean_time_s=("time_s", "mean"), median_time_s=("time_s", "median"), turn_rate=("turn_rate", "median"),
    ).reset_index()  # fmt: skip
