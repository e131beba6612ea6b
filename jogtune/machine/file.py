"""The machine file in: TOML text to a Machine, every fault at once."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from ..files import InputFault, read_text
from ..units import EXAMPLES, Quantity, say_distance, say_number
from .fields import AXIS_KEYS, MOTOR_KEYS, OPTIONAL_TABLES, TABLES, TASK_KEYS, TOP_KEYS, Faults, Field, note_unknown, read_fields
from .model import Axis, Machine, Motor, Task


def read_machine(path: str | Path) -> Machine:
    """Read a machine file (TOML).

    Raises `InputFault` that lists every fault of the file, each with its key path.

    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> router.axis("Z").steps_per_mm, router.axis("Z").top_speed_mm_s
    (Fraction(400, 1), 25.0)
    """
    return parse_machine(read_text(path), source=str(path))


def parse_machine(text: str, *, source: str = "machine") -> Machine:
    """Read the text of a machine file; see `read_machine`."""
    try:
        tables = tomllib.loads(text, parse_float=Decimal)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        hint = " (a closing quote is probably missing)" if "Illegal character '\\n'" in str(error) else ""
        raise InputFault(source, [f"not valid TOML: {error}: mend this place in the file{hint}"]) from error
    faults = Faults()
    machine = _build_machine(tables, faults)
    if machine is None or faults.lines:
        raise InputFault(source, faults.lines)
    return machine


def _build_machine(tables: dict[str, Any], faults: Faults) -> Machine | None:
    known = {**TOP_KEYS, **TABLES, **OPTIONAL_TABLES, "axis": None, "task": None}
    note_unknown(tables, "", known, faults)
    top = read_fields({k: v for k, v in tables.items() if k in TOP_KEYS}, "", TOP_KEYS, faults)
    parts = dict(_read_tables(tables, faults))
    axes = _read_axes(tables.get("axis"), faults)
    _check_parts(parts, faults)
    if faults.lines:
        return None
    _check_readout(top["show_in"], axes, faults)
    extra = _read_optional(tables, top["show_in"], faults)
    tasks = tuple(_read_tasks(tables.get("task", []), axes, faults))
    built = {name: TABLES[name][0](**values) for name, values in parts.items()}
    return Machine(**top, **built, **extra, axes=tuple(axes), tasks=tasks)


def _read_tables(tables: Mapping[str, Any], faults: Faults) -> Iterator[tuple[str, dict[str, Any]]]:
    for name, (_, fields) in TABLES.items():
        if name not in tables:
            faults.add(name, f"is missing: add a [{name}] table with {', '.join(_needed(fields))}")
            continue
        values = read_fields(tables[name], name, fields, faults)
        yield name, {k: v.value if isinstance(v, Quantity) else v for k, v in values.items()}


def _read_optional(tables: Mapping[str, Any], show_in: str, faults: Faults) -> dict[str, Any]:
    """The tables a file may do without: what they say of hand, stick and buttons."""
    found = {}
    for name, (build, fields) in OPTIONAL_TABLES.items():
        if name in tables:
            before = len(faults.lines)
            values = read_fields(tables[name], name, fields, faults)
            steps = values.get("steps_mm", ())
            if any(step.angular != (show_in == "deg") for step in steps):
                faults.add("buttons: steps", f"must be in the unit the person reads, {show_in}", tables[name]["steps"])
            if len(faults.lines) == before:
                values |= {"steps_mm": tuple(step.value for step in steps)} if steps else {}
                found[name] = build(**values)
    return found


def _read_tasks(tables: object, axes: Sequence[Axis], faults: Faults) -> Iterator[Task]:
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        faults.add("task", "must be [[task]] tables (two brackets), one per task", tables)
        return
    if len(tables) > 40:
        faults.add("task", f"is given {len(tables)} times: jogtune takes 40 tasks at most")
        return
    seen: set[str] = set()
    for number, table in enumerate(tables, start=1):
        name = table.get("name")
        named = isinstance(name, str) and name.isprintable() and name.strip()
        where = f"task {name.strip()}" if isinstance(name, str) and named else f"task {number}"
        before = len(faults.lines)
        found = read_fields(table, where, TASK_KEYS, faults)
        if where in seen:
            faults.add(f"{where}: name", "is used twice: give each task its own", name)
        seen.add(where)
        _check_task(table, found, axes, where, faults)
        if len(faults.lines) == before:
            values: dict[str, Any] = {k: float(v.value) if isinstance(v, Quantity) else v for k, v in found.items()}
            yield Task(**values)


def _check_task(
    table: Mapping[str, Any], found: Mapping[str, Any], axes: Sequence[Axis], where: str, faults: Faults
) -> None:
    axis = next((axis for axis in axes if axis.name == found.get("axis")), None)
    if axis is None:
        if "axis" in found:
            names = ", ".join(axis.name for axis in axes)
            faults.add(f"{where}: axis", f"is no axis of this machine: use one of {names}", table["axis"])
        return
    for key in ("distance", "tolerance", "limit"):
        value: Quantity | None = found.get(f"{key}_mm")
        if value is not None and value.angular != axis.rotary:
            need = "deg" if axis.rotary else "mm or in"
            faults.add(f"{where}: {key}", f"must be in {need}, as axis {axis.name} is", table[key])
    distance, tolerance = found.get("distance_mm"), found.get("tolerance_mm")
    if distance and float(distance.value) > axis.reach_mm:
        faults.add(f"{where}: distance", f"must be no more than the reach of axis {axis.name}", table["distance"])
    if distance and tolerance and tolerance.value > distance.value:
        faults.add(f"{where}: tolerance", "must be no more than the distance", table["tolerance"])
    if "limit" in table and found.get("kind", "goal") != "feel":
        faults.add(f"{where}: limit", 'goes with kind = "feel" only: remove it', table["limit"])
    if "cue" in table and found.get("kind", "goal") == "feel":
        faults.add(f"{where}: cue", 'goes with kind = "goal" only: remove it', table["cue"])


def _needed(fields: Mapping[str, Field]) -> list[str]:
    return [key for key, field in fields.items() if field.required]


def _check_parts(parts: Mapping[str, Mapping[str, Any]], faults: Faults) -> None:
    knob, link, selector = (parts.get(name, {}) for name in ("knob", "link", "selector"))
    steady, fastest = knob.get("steady_detents_s"), knob.get("fastest_detents_s")
    if steady and fastest and steady > fastest:
        faults.add("knob: steady", "must be no more than fastest: swap or mend them", f"{steady:g} detents/s")
    detents = knob.get("detents_per_turn")
    for key, rate in (("steady", steady), ("fastest", fastest)):
        if detents and rate and rate / detents > 10:
            rule = f"is {rate / detents:.3g} turns a second, and no hand turns more than 10: check it"
            faults.add(f"knob: {key}", rule, f"{rate:g} detents/s")
    every, silence = link.get("report_interval_s"), link.get("silence_s")
    if every and silence and silence <= every:
        rule = "must be longer than report_every, or every pause between reports stops the machine"
        faults.add("link: silence", rule, f"{silence * 1000:g} ms")
    jitter = link.get("jitter_s", 0.0)
    if every and jitter > every:
        faults.add("link: jitter", "must be no more than report_every", f"{jitter * 1000:g} ms")
    angles = selector.get("angles_deg")
    if angles and selector.get("positions") and len(angles) != selector["positions"]:
        rule = f"has {len(angles)} angles for {selector['positions']} positions: give one each"
        faults.add("selector: angles", rule)


def _check_readout(show_in: str, axes: Sequence[Axis], faults: Faults) -> None:
    if show_in == "deg" and not any(axis.rotary for axis in axes):
        faults.add("show_in", 'needs an axis in degrees; this machine has none: use "mm" or "in"', "deg")
    if show_in != "deg" and all(axis.rotary for axis in axes):
        faults.add("show_in", 'must be "deg": every axis of this machine is rotary', show_in)


def _read_axes(tables: object, faults: Faults) -> list[Axis]:
    if tables is None:
        faults.add("axis", "is missing: add an [[axis]] table for each axis")
        return []
    if not isinstance(tables, list) or not tables or not all(isinstance(t, dict) for t in tables):
        faults.add("axis", "must be [[axis]] tables (two brackets), one per axis", tables)
        return []
    if len(tables) > 12:
        faults.add("axis", f"is given {len(tables)} times: jogtune takes 12 axes at most")
        return []
    axes = [_read_axis(table, number, faults) for number, table in enumerate(tables, start=1)]
    _check_names(tables, faults)
    return [axis for axis in axes if axis is not None]


def _check_names(tables: Sequence[Mapping[str, Any]], faults: Faults) -> None:
    seen: set[str] = set()
    for table in tables:
        name = table.get("name")
        if isinstance(name, str) and name.strip():
            if name.strip().lower() in seen:
                faults.add(f"axis {name.strip()}: name", "is used twice: give each axis its own", name)
            seen.add(name.strip().lower())


def _read_axis(table: dict[str, Any], number: int, faults: Faults) -> Axis | None:
    before = len(faults.lines)
    name = table.get("name")
    named = isinstance(name, str) and name.isprintable() and name.strip()
    where = f"axis {name.strip()}" if isinstance(name, str) and named else f"axis {number}"
    found = read_fields(table, where, AXIS_KEYS, faults)
    drive = _read_drive(table, found, where, faults)
    if drive is not None:
        _check_axis(table, found, drive["rotary"], where, faults)
    if drive is None or len(faults.lines) > before:
        return None
    return _make_axis(found, drive)


def _read_drive(
    table: Mapping[str, Any], found: Mapping[str, Any], where: str, faults: Faults
) -> dict[str, Any] | None:
    if ("steps" in table) == ("motor" in table):
        cure = "keep one" if "steps" in table else f"add for example steps = {EXAMPLES['steps'].split(',')[0]}"
        faults.add(f"{where}: steps", f"give either steps or motor: {cure}")
        return None
    if "steps" in found:
        steps: Quantity = found["steps"]
        return {"steps_per_mm": steps.value, "rotary": steps.angular, "exact": steps.exact, "motor": None}
    return _read_motor(table["motor"], where, faults) if "motor" in table else None


def _read_motor(table: object, where: str, faults: Faults) -> dict[str, Any] | None:
    before = len(faults.lines)
    found = read_fields(table, f"{where}: motor", MOTOR_KEYS, faults)
    if len(faults.lines) > before:
        return None
    lead: Quantity = found["lead_mm"]
    motor = Motor(**{**found, "lead_mm": lead.value})
    if not Fraction(1, 1000) <= motor.steps_per_mm <= 10_000_000:
        per_mm = say_number(motor.steps_per_mm)
        faults.add(f"{where}: motor", f"makes {per_mm} steps per mm (or deg), outside 0.001 to 10000000: check it")
        return None
    return {"steps_per_mm": motor.steps_per_mm, "rotary": lead.angular, "exact": lead.exact, "motor": motor}


_SPATIAL = {
    "top_speed": "top_speed_mm_s", "ramp": "ramp_mm_s2", "reach": "reach_mm", "finest": "finest_mm",
    "slack": "slack_mm", "calm_speed": "calm_speed_mm_s", "jog_top": "jog_top_mm_s", "jog_limit": "jog_limit_mm",
    "run_on": "run_on_mm",
}  # fmt: skip


def _check_axis(
    table: Mapping[str, Any], found: Mapping[str, Any], rotary: bool, where: str, faults: Faults
) -> None:
    for key, attribute in _SPATIAL.items():
        value: Quantity | None = found.get(attribute)
        if value is not None and value.angular != rotary:
            need = "deg, as its steps are" if rotary else "mm or in, as its steps are"
            faults.add(f"{where}: {key}", f"must be in {need} given", table[key])
    if "motor" in found and "divide" in found:
        faults.add(f"{where}: divide", "is given in motor already: remove it here", found["divide"])
    _check_order(table, found, where, faults)


def _check_order(table: Mapping[str, Any], found: Mapping[str, Any], where: str, faults: Faults) -> None:
    pairs = [
        ("finest", "reach"), ("slack", "reach"), ("calm_speed", "top_speed"), ("jog_top", "top_speed"),
        ("jog_limit", "reach"), ("run_on", "reach"),
    ]  # fmt: skip
    for small, large in pairs:
        a, b = found.get(_SPATIAL[small]), found.get(_SPATIAL[large])
        if a is not None and b is not None and a.angular == b.angular and a.value > b.value:
            faults.add(f"{where}: {small}", f"must be no more than {large} ({table[large]})", table[small])


def _make_axis(found: Mapping[str, Any], drive: Mapping[str, Any]) -> Axis:
    values = {k: v for k, v in found.items() if k not in ("steps", "motor", "exact")}
    for attribute in _SPATIAL.values():
        if attribute in values:
            values[attribute] = float(values[attribute].value)
    values["finest_mm"] = found["finest_mm"].value
    motor = drive["motor"]
    if motor is not None:
        values["divide"] = motor.divide
    return Axis(**{**values, **drive, "exact": found.get("exact", drive["exact"])})


def describe_axis(machine: Machine, axis: Axis) -> str:
    """One sentence on an axis in the person's unit.

    Says step size, top speed and reach; marks inexact steps.
    """
    unit = machine.shown_unit(axis)
    step = say_distance(axis.step_mm, unit, digits=4)
    mark = "" if axis.exact else " (inexact)"
    speed = say_distance(axis.top_speed_mm_s, unit, digits=4)
    return f"{axis.name}: one step {step}{mark}, top speed {speed}/s, reach {say_distance(axis.reach_mm, unit)}"
