"""Classes."""

import shlex
from argparse import Namespace
from pathlib import Path

from ..lessons.people import ClassFolder
from ..signs import tell
from ..words.say import counted
from .commands import _print_result, _print_written
from .new import _SHIPPED, _shared


def _hand_out(given: Namespace) -> None:
    """A folder for each person of a roster."""
    files = _shared(_SHIPPED / "notebooks", own_work=True)
    shared = {place.as_posix(): path.read_bytes() for place, path in files.items()}
    places = ClassFolder(Path(given.folder)).hand_out(given.roster, shared)
    tell(f"{given.folder}: {counted(len(places), 'folder')} with notebooks and data; solutions and teacher's pages are left out.")
    tell(f"The numbers in person.csv, 1 to {len(places)}, balance who begins with which ladder.")
    tell(f"When results are in the folders, run: {shlex.join(['jogtune', 'class', 'collect', given.folder])}")


def _collect(given: Namespace) -> None:
    """All results in the folders of a class, and the class held against each other."""
    from ..machine.file import read_machine
    from ..measure.many import Logs

    machine = read_machine(given.machine) if given.machine else None
    with Logs.workers(None) as executor:
        found = ClassFolder(Path(given.folder)).collect(machine, executor=executor, progress=given.progress)
    written = found.write(given.out, overwrite=given.overwrite) if given.out is not None else []
    _print_result(found, given)
    _print_written(written, given)
