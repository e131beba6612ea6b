"""A machine file being changed in a panel."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from ..choose.cover import derive_ladder
from ..files import Fault, InputFault, read_text
from ..machine.edit import changed_text, edit_machine, wish_changes
from ..machine.file import as_machine, parse_machine, read_machine
from ..machine.model import Machine
from ..units import in_unit, say_number

FIGURES = ("steps", "top_speed", "ramp", "reach", "slack", "calm_speed")
_NO_FILE = Fault("machine", rule="stands in no file as it is", cure="open the panel with the file's name to change or save it")


class Draft:
    """A machine with changes that aren't saved yet.

    `machine` holds the figures as last found sound; `set_figure` and `save` raise `InputFault` and then leave it as it
    was. They need the machine's file: a `Machine` that is not as its file says can't be changed nor saved.
    """

    def __init__(self, source: str | Path | Machine) -> None:
        self.machine = as_machine(source)
        path = Path(self.machine.source)
        in_file = not isinstance(source, Machine) or (path.is_file() and read_machine(path) == source)
        self.path = path if in_file else None
        self.changes: dict[str, str | None] = {}
        tables: list[dict[str, Any]] = [] if self.path is None else tomllib.loads(read_text(self.path))["axis"]
        self._axes = {table["name"]: table for table in tables}

    def figures(self, axis: str) -> dict[str, str]:
        """All figures of an axis that can be changed here, "" where there is none; steps only where no motor gives them."""
        table = self._axes.get(axis, {})
        texts = {key: self.changes.get(f"axis {axis}.{key}", table.get(key, "")) for key in FIGURES}
        return {key: str(text or "") for key, text in texts.items() if not (key == "steps" and "motor" in table)}

    def set_figure(self, axis: str, key: str, text: str) -> None:
        """Change one figure; empty text takes it out of the file."""
        if self.path is None:
            raise InputFault("machine", [_NO_FILE])
        changes = {**self.changes, f"axis {axis}.{key}": text.strip() or None}
        self.machine = parse_machine(changed_text(self.path, changes), source=str(self.path))
        self.changes = changes

    def save(self, out: str | Path, wished: Machine, *, overwrite: bool = False) -> Path:
        """Write the file with every change and wish; comments and order of the first file stay."""
        if self.path is None:
            raise InputFault("machine", [_NO_FILE])
        edit_machine(self.path, {**self.changes, **wish_changes(self.machine, wished)}, out=out, overwrite=overwrite)
        return Path(out)


def start_ladders(machine: Machine) -> list[str]:
    """Two ladders to begin a comparison with, as text: the one that covers the range, and a plain one by tens."""
    found = [derive_ladder(machine), derive_ladder(machine, series="1-10-100")]
    return [", ".join(say_number(in_unit(gain, machine.show_in)) for gain in ladder.gains_mm) for ladder in found]
