"""Student's log; roster."""

import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Protocol

import pandas as pd

from ..files import Fault, InputFault, write_whole
from ..ladder.ladder import Ladder
from ..logs.read import read_log, write_log
from ..signs import csv_text
from .exercise import _not_yet, _open_exercise, _right, _Verdict

_ROSTER = "roster.csv"


class _Recorder(Protocol):
    """Anything that records turning on one ladder or two, as the on-screen knob does: tidy rows so far, whose markers name goal
    and ladder, as in "goal shown: 1, cross, ladder A", and what stands at the head of a saved log."""

    ladders: tuple[Ladder, ...]

    def frame(self) -> pd.DataFrame: ...
    def notes(self) -> dict[str, str]: ...
    def kept(self) -> None: ...


def save_results(source: _Recorder | pd.DataFrame, label: object, folder: str | Path = "class_logs") -> _Verdict:
    """Save what was turned as tidy logs whose `person` is `label`, one a ladder, under the first free names in a folder.

    `source` is the on-screen knob, or tidy rows (from a real recording, say). Nothing is ever overwritten. The label stands in
    the log for whoever turned: an animal or a letter serves better than a name."""
    return _save_labelled(label, source, Path(folder))


@_open_exercise("a label in quotation marks")
def _save_labelled(label: object, source: _Recorder | pd.DataFrame, folder: Path) -> _Verdict:
    if not isinstance(label, str) or len(label.strip()) > 40 or not any(c.isalnum() for c in label):
        return _not_yet('choose a short label with letters or digits, in quotation marks, as in "heron".')
    try:
        parts = [part for part in _parts_of(source) if len(part[1]) and part[1]["detents"].any()]
        if not parts:
            return _not_yet("nothing has been turned for a goal yet. Turn the knob above, then run this cell.")
        places = [_save(rows, notes, label.strip(), name, folder) for name, rows, notes in parts]
    except (InputFault, RuntimeError) as fault:
        return _not_yet(f"not saved. {fault}")
    if not isinstance(source, pd.DataFrame):
        source.kept()
    clicks = sum(int(rows["detents"].abs().sum()) for _, rows, _ in parts)
    return _right(f"{clicks} clicks saved as {' and '.join(map(str, places))}, with the label {label.strip()}.")


def _parts_of(source: _Recorder | pd.DataFrame) -> Iterator[tuple[str, pd.DataFrame, dict[str, str]]]:
    """A name, rows and notes for each ladder that was turned; practice goals are left out."""
    if isinstance(source, pd.DataFrame):
        yield "", source, {}
        return
    rows, several = source.frame(), len(source.ladders) > 1
    marker = rows["marker"].astype(object).fillna("").astype(str)
    named = marker.str.extract(r"ladder ([AB])", expand=False).mask(marker.str.startswith("practice"), "practice")
    which = named.ffill().fillna("" if several else "A").astype(str)  # the last marker's
    for name, ladder in zip("AB", source.ladders, strict=False):
        notes = {**source.notes(), "ladder": " ".join(f"{float(gain):.12g}" for gain in ladder.gains_mm) + " mm"}
        yield (name if several else ""), rows[which == name].reset_index(drop=True), notes


def _save(rows: pd.DataFrame, notes: dict[str, Any], label: str, name: str, folder: Path) -> Path:
    stem = "".join(c if c.isalnum() else "_" for c in label) + (f"_{name}" if name else "")
    free = (folder / f"{stem}_{number}.csv" for number in itertools.count(1))
    return write_log(rows.assign(person=label), next(path for path in free if not path.exists()), notes=notes, make_folder=True)


def write_roster(folder: str | Path, *, overwrite: bool = False) -> Path:
    """Write the roster of a folder of saved results: file, person and ladder of each log, for the class comparison.

    Raises `InputFault` where a roster is there already, or where the folder holds no log with a label."""
    place, rows = Path(folder), []
    for path in sorted(path for path in place.glob("*.csv") if path.name != _ROSTER):
        log = read_log(path)
        labels: list[Any] = list(log.rows["person"].dropna().unique()) if "person" in log.rows else []
        if len(labels) == 1:
            rows.append([path.name, labels[0], log.header.get("ladder", "")])
    if not rows:
        raise InputFault(str(place), [Fault(rule="holds no log with a label", cure="gather the students' logs in it first")])
    return write_whole(place / _ROSTER, csv_text([["file", "person", "ladder"], *rows]), overwrite=overwrite)
