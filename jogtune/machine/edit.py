"""Keys changed, comments kept."""

from collections.abc import Mapping
from typing import Any

import tomlkit

from ..files import Fault, InputFault
from ..units import in_unit, say_number
from .fields import _TABLES
from .file import _parse_machine
from .model import Machine
from .readers import UNKNOWN, read_tables
from .start import _axis_names


def changed(text: str, changes: Mapping[str, Any], *, source: str) -> tuple[str, Machine]:
    """The text of a machine file with keys changed and a person's comments kept, and the machine as it then reads.

    `changes` maps key paths to values as the file would hold them: {"knob.steady": "10 detents/s", "axis X.finest": "0.05 mm"};
    None removes a key. A table that the file leaves out is added; an axis without a name is named by its place. Raises
    `InputFault` where the result is no sound machine file."""
    read_tables(text, source)  # what can't be read is refused in our words
    document = tomlkit.parse(text)
    for key_path, value in changes.items():
        _set_key(document, key_path, value, source)
    return (new := tomlkit.dumps(document)), _parse_machine(new, source=source)


def _set_key(document: tomlkit.TOMLDocument, key_path: str, value: Any, source: str) -> None:
    where, _, key = key_path.rpartition(".")
    table: Any = document
    if where.startswith("axis "):
        axes = document.get("axis", [])
        table = dict(zip(_axis_names(axes), axes, strict=True)).get(where.removeprefix("axis "))
    elif where in _TABLES:
        if document.get(where, UNKNOWN) == UNKNOWN:
            document[where] = tomlkit.table()
        table = document[where]
    elif where:
        table = document.get(where)
    if table is None:
        raise InputFault(source, [Fault(key_path, rule=f"there is no {where} in the file", cure="check the key path")])
    if value is None:
        table.pop(key, None)
    else:
        table[key] = value


def wish_changes(before: Machine, after: Machine) -> dict[str, str]:
    """What of a machine file to change so that it reads as the machine with its wishes: key paths and text."""
    pairs = {
        "knob.steady": (before.knob.steady_detents_s, after.knob.steady_detents_s, 1, "detents/s"),
        "knob.fastest": (before.knob.fastest_detents_s, after.knob.fastest_detents_s, 1, "detents/s"),
        "link.report_every": (before.link.report_interval_s, after.link.report_interval_s, 1000, "ms"),
        "link.silence": (before.link.silence_s, after.link.silence_s, 1000, "ms"),
    }
    changes = {
        path: f"{say_number(new * factor)} {unit}"
        for path, (old, new, factor, unit) in pairs.items()
        if abs(new - old) > 1e-9 * abs(old)
    }
    for old_axis, axis in zip(before.axes, after.axes, strict=True):
        if old_axis.finest_mm != axis.finest_mm:
            unit = after.shown_unit(axis)
            changes[f"axis {axis.name}.finest"] = f"{say_number(in_unit(axis.finest_mm, unit), digits=12)} {unit}"
    return changes
