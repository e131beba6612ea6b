"""Classes."""

from __future__ import annotations

import shlex
from argparse import Namespace
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from ..files import checked_path, refuse_existing
from ..signs import tell
from ..words.say import counted
from .commands import _print_result, _print_written

if TYPE_CHECKING:
    from ..measure.classroom import ClassResult


def _hand_out(given: Namespace) -> None:
    """A folder for each person of a roster."""
    from ..lessons.people import ClassFolder
    from .new import _SHIPPED, _shared

    folder, files = checked_path(given.folder), _shared(_SHIPPED / "notebooks", own_work=True)
    shared = {place.as_posix(): path.read_bytes() for place, path in files.items()}
    places = ClassFolder(folder).hand_out(given.roster, shared, _knob_pages(given))
    tell(f"{given.folder}: {counted(len(places), 'folder')} with notebooks and data; solutions and teacher's pages are left out.")
    if given.machine:
        tell("In each lies knob.html, the on-screen knob for that person's phone; what it saves comes back into the folder.")
    tell(f"The numbers in person.csv, 1 to {len(places)}, balance who begins with which ladder.")
    tell(f"When results are in the folders, run: {shlex.join(['jogtune', 'class', 'collect', given.folder])}")


def _knob_pages(given: Namespace) -> Callable[[str, int], dict[str, str]]:
    """What makes the knob's page of a person, for their phone, where a machine is named."""
    from ..choose.suggest import suggest
    from ..files import InputFault
    from ..ladder.ladder import parse_ladder
    from ..machine.file import read_machine
    from ..screen.page import knob_page

    if not given.machine:
        if given.ladder or given.other:
            raise InputFault("jogtune class hand-out", ["--ladder and --other are for the knob's page: add --machine MACHINE.toml"])
        return lambda person, number: {}
    machine = read_machine(given.machine)
    own, other = (text and parse_ladder(text, machine) for text in (given.ladder, given.other))
    ladders = [own or suggest(machine, progress=given.progress).ladder, *([other] if other else [])]
    return lambda person, number: {"knob.html": knob_page(machine, *ladders, person=person, number=number)}


def _collect(given: Namespace) -> None:
    """All results in the folders of a class, and the class held against each other."""
    from ..lessons.people import ClassFolder
    from ..machine.file import read_machine
    from ..measure.many import Logs

    if given.out is not None:
        refuse_existing([Path(given.out) / name for name in ("class.png", "people.csv", "ladders.csv")], overwrite=given.overwrite)
    machine = read_machine(given.machine) if given.machine else None
    with Logs.workers() as executor:
        found = ClassFolder(checked_path(given.folder)).collect(machine, executor=executor, progress=given.progress)
    written = found.write(given.out, overwrite=given.overwrite, beside=_picture(found)) if given.out is not None else []
    _print_result(found, given)
    _print_written(written, given)


def _picture(found: ClassResult) -> dict[str, bytes]:
    """The class as a picture, where there is something to compare."""
    from matplotlib.figure import Figure

    from ..charts.ink import figure_png

    if not found.differences:
        return {}
    figure = Figure(figsize=(7.8, 5.4), layout="constrained")
    found.plot(figure.add_subplot(), kind="people")
    return {"class.png": figure_png(figure)}
