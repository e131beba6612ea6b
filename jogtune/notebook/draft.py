"""A machine file being changed in a panel."""

from __future__ import annotations

import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

from ..choose.base import finest_wish
from ..choose.cover import derive_ladder
from ..files import InputFault, read_text
from ..machine.edit import changed_text, edit_machine
from ..machine.file import parse_machine, read_machine
from ..machine.model import Axis, Machine, with_wishes
from ..units import from_unit, in_unit, plain_at_least, plain_at_most, say_number

FIGURES = ("steps", "top_speed", "ramp", "reach", "slack", "calm_speed")


class Draft:
    """A machine with changes that aren't saved yet.

    `machine` holds the figures as last found sound; `set_figure` and `save` raise `InputFault` and then
    leave it as it was. Given a `Machine` rather than its file, figures can't be changed nor saved.
    """

    def __init__(self, source: str | Path | Machine) -> None:
        self.path = None if isinstance(source, Machine) else Path(source)
        self.machine = source if isinstance(source, Machine) else read_machine(source)
        self.changes: dict[str, str | None] = {}
        tables: list[dict[str, Any]] = []
        if self.path is not None:
            tables = tomllib.loads(read_text(self.path))["axis"]
        self._axes = {table["name"]: table for table in tables}

    def figure(self, axis: str, key: str) -> str:
        """A figure of an axis as its file has it, or "" where it has none."""
        if (path := f"axis {axis}.{key}") in self.changes:
            return self.changes[path] or ""
        return str(self._axes.get(axis, {}).get(key, ""))

    def figures(self, axis: str) -> dict[str, str]:
        """All figures of an axis that can be changed here; steps only where no motor gives them."""
        has_motor = "motor" in self._axes.get(axis, {})
        return {key: self.figure(axis, key) for key in FIGURES if not (key == "steps" and has_motor)}

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
        if not str(out).strip():
            raise InputFault("machine", ['file = "": must not be empty: name the file to write'])
        changes = {**self.changes, **wish_changes(self.machine, wished)}
        edit_machine(self.path, changes, out=out, overwrite=overwrite)
        return Path(out)


_NO_FILE = "machine: was given without its file: open the panel with the file's name to change or save it"


def wished(machine: Machine, *, finest: Fraction, steady: float, report_ms: float) -> Machine:
    """The machine with other wishes: finest move in the person's unit, detents/s, ms between reports."""
    return with_wishes(
        machine,
        finest_mm=from_unit(finest, machine.show_in),
        steady_detents_s=float(steady),
        report_interval_s=report_ms / 1000,
    )


def wished_report(machine: Machine, report_ms: float) -> Machine:
    """The machine with another time between reports [ms]."""
    return with_wishes(machine, report_interval_s=report_ms / 1000)


def own_finest(machine: Machine) -> Fraction:
    """The machine's own finest wish in the person's unit."""
    return in_unit(finest_wish(machine), machine.show_in)


def finest_choices(machine: Machine) -> list[tuple[str, Fraction]]:
    """Plain distances from far below to far above the finest wish, and the wish itself, each with its name."""
    unit = machine.show_in
    middle = own_finest(machine)
    values = [plain_at_most(middle / 10)]
    while len(values) < 9:
        values.append(plain_at_least(values[-1] * Fraction(3, 2)))
    return [(f"{say_number(value)} {unit}", value) for value in sorted({*values, middle})]


def goal_choices(machine: Machine) -> tuple[list[Fraction], list[Fraction]]:
    """Plain distances and widths of a goal to choose from, in the unit of the first axis."""
    axis = machine.axes[0]
    unit = machine.shown_unit(axis)
    widths = [plain_at_least(in_unit(axis.finest_mm, unit))]
    while len(widths) < 10:
        widths.append(plain_at_least(widths[-1] * Fraction(3, 2)))
    ways = [widths[1]]
    while ways[-1] < in_unit(Fraction(axis.reach_mm), unit) / 3:
        ways.append(plain_at_least(ways[-1] * Fraction(3, 2)))
    return ways, widths


def start_ladders(machine: Machine) -> list[str]:
    """Two ladders to begin a comparison with, as text: the one that covers the range, and a plain one by tens."""
    found = [derive_ladder(machine), derive_ladder(machine, series="1-10-100")]
    return [", ".join(say_number(in_unit(gain, machine.show_in)) for gain in ladder.gains_mm) for ladder in found]


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
            changes[f"axis {axis.name}.finest"] = _as_text(after, axis)
    return changes


def _as_text(machine: Machine, axis: Axis) -> str:
    unit = machine.shown_unit(axis)
    return f"{say_number(in_unit(axis.finest_mm, unit), digits=12)} {unit}"


def fault_key(fault: str) -> str:
    """Which input a sentence of an `InputFault` is about: the words before its value or rule."""
    head = fault.split(" = ", 1)[0]
    return head if head != fault else fault.rsplit(": ", 1)[0]
