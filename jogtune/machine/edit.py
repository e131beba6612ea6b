"""Keys changed, comments kept."""

import itertools
import json
import re
from collections.abc import Mapping
from typing import Any

import tomlkit

from ..files import Fault, InputFault
from ..units import in_unit, say_number
from .fields import _TABLES, DRIVES
from .file import _parse_machine
from .model import Machine
from .readers import UNKNOWN, read_tables
from .start import _axis_names


def changed(text: str, changes: Mapping[str, Any], *, source: str) -> tuple[str, Machine]:
    """The text of a machine file with keys changed and a person's comments kept, and the machine as it then reads.

    `changes` maps key paths to values as the file would hold them: {"knob.steady": "10 detents/s", "axis X.finest": "0.05 mm"};
    None removes a key. A table that the file leaves out is added; an axis without a name is named by its place. A path that ends
    in a point is of an axis: {"axis W.": "X"} adds W with the needed figures of X ("axis ." one named by its place), None removes
    it and the tasks on it; keys come first. Raises `InputFault` where the result is no sound machine file."""
    read_tables(text, source)  # what can't be read is refused in our words
    document = tomlkit.parse(text)
    for key_path, value in changes.items():
        if not key_path.endswith("."):
            _set_key(document, key_path, value, source)
    new = tomlkit.dumps(document)
    for key_path, value in changes.items():
        if key_path.endswith("."):
            name = key_path.removeprefix("axis ").removesuffix(".")
            new = _without_axis(new, name, source) if value is None else _with_axis(new, name, value, source)
    return new, _parse_machine(new, source=source)


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


_HEADER = re.compile(r"[ \t]*\[{1,2}[ \t]*([\w-]+)(\.)?")
_COPIED = ("steps", *DRIVES, "exact", "divide", "top_speed", "finest")
"""What a new axis takes over from another one."""


def _tables_of(lines: list[str], kind: str) -> list[tuple[int, int]]:
    """Where each table of a kind begins, and the line after its last key; tables of its own belong to it."""
    heads = [(n, found[1], bool(found[2])) for n, line in enumerate(lines) if (found := _HEADER.match(line))]
    outer = [(n, name) for n, name, inner in heads if not (inner and name == kind)] + [(len(lines), "")]
    spans = [(n, end) for (n, name), (end, _) in itertools.pairwise(outer) if name == kind]
    return [(n, 1 + max(at for at in range(n, end) if lines[at].split("#")[0].strip())) for n, end in spans]


def _joined(lines: list[str], expected: Mapping[str, Any], source: str) -> str:
    """The text of lines, if it says what is expected."""
    if read_tables(text := "".join(lines), source) != expected:
        cure = "add or remove the axis in the file itself"
        raise InputFault(source, [Fault("axis", rule="is not written as [[axis]] tables", cure=cure)])
    return text


def _with_axis(text: str, name: str, like: str, source: str) -> str:
    """One axis more, of what is needed of another one, all else unknown."""
    tables, lines = read_tables(text, source), text.splitlines(keepends=True)
    other = dict(zip(_axis_names(tables["axis"]), tables["axis"], strict=True))[like]
    table = {"name": name or _axis_names([*tables["axis"], {}])[-1], **{key: other[key] for key in _COPIED if key in other}}
    added = "".join(f"{key} = {_as_toml(value)}\n" for key, value in table.items())
    for _, end in _tables_of(lines, "axis")[-1:]:
        lines[end:end] = ["" if lines[end - 1].endswith("\n") else "\n", f"\n[[axis]]\n{added}"]
    return _joined(lines, {**tables, "axis": [*tables["axis"], table]}, source)


def _without_axis(text: str, name: str, source: str) -> str:
    """Without an axis and the tasks on it; comments stay, but for those among its keys."""
    tables, lines = read_tables(text, source), text.splitlines(keepends=True)
    tasks = [task.get("axis") == name for task in tables.get("task", [])]
    own = {"axis": [one == name for one in _axis_names(tables["axis"])], "task": tasks}
    spans = [span for kind, mine in own.items() for span, gone in zip(_tables_of(lines, kind), mine, strict=False) if gone]
    for start, end in sorted(spans, reverse=True):
        del lines[start - (start > 0 and not lines[start - 1].strip()) : end]
    left = {kind: [one for one, gone in zip(tables.get(kind, []), mine, strict=True) if not gone] for kind, mine in own.items()}
    return _joined(lines, {kind: left.get(kind, table) for kind, table in tables.items() if left.get(kind, True)}, source)


def _as_toml(value: Any) -> str:
    """A value of a machine file as it stands there, on one line."""
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{key} = {_as_toml(one)}' for key, one in value.items())} }}"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str | bool) else str(value)


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
