"""The machine file in; unusual figures."""

import contextlib
import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from ..files import Fault, InputFault, read_text
from ..notes import Note, Severity, Where, merged
from ..units import UNIT_FACTORS, Quantity, say_number
from .fields import (
    _AXIS_KEYS,
    _DRIVES,
    _OPTIONAL_TABLES,
    _START_MIX,
    _TABLES,
    _TASK_KEYS,
    _TOP_KEYS,
)  # fmt: skip
from .model import Assumed, Axis, Machine, Task, _Motor
from .readers import UNKNOWN, Field, _assume, _Faults, _note_unknown, read_fields, read_tables
from .start import _MOST_TURNS_S, _axis_names, _wish_unit

_MOST_AXES, _MOST_TASKS = 12, 40
_PACKAGE = Path(__file__).parents[1]
SHIPPED = _PACKAGE if (_PACKAGE / "datasets").is_dir() else _PACKAGE.parent
"""Where notebooks and datasets lie: in the package, or in the clone that it stands in (see `package-dir` in pyproject.toml)."""
SAMPLES: Mapping[str, Path] = {path.stem: path for path in sorted(SHIPPED.glob("datasets/machines/*.toml"))}
"""The sample machines by name."""


def read_machine(path: str | Path) -> Machine:
    """Read a machine file (TOML), which the machine then names with its SHA-256.

    Raises `InputFault` that lists every fault of the file, each with its key path.

    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> router.axis("Z").steps_per_mm, router.axis("Z").top_speed_mm_s
    (Fraction(400, 1), 25.0)
    """
    machine = _parse_machine(read_text(path), source=str(path))
    return replace(machine, sha256=hashlib.sha256(Path(path).read_bytes()).hexdigest())


def as_machine(machine: Machine | str | Path) -> Machine:
    """A machine, read where a path is given."""
    return machine if isinstance(machine, Machine) else read_machine(machine)


def _parse_machine(text: str, *, source: str = "machine") -> Machine:
    """Read the text of a machine file; see `read_machine`."""
    faults: _Faults = []
    machine = _build_machine(read_tables(text, source), faults)
    if machine is None or faults:
        raise InputFault(source, faults)
    return replace(machine, source=source, sha256=hashlib.sha256(text.encode()).hexdigest())


def machine_from_numbers(steps: object, top_speed: object, finest: object) -> Machine:
    """A machine of one axis X from three numbers, as a file would have them; a plain number of steps is per mm. All else is
    assumed. Raises `InputFault` whose places are "steps", "top_speed" and "finest".

    >>> machine = machine_from_numbers(80, "6000 mm/min", "0.02 mm")
    >>> [f"{one.key} {one.value}" for one in machine.assumed if one.key.startswith("axis")]
    ['axis X: ramp 400 mm/s2', 'axis X: reach 600 mm', 'axis X: slack 0.04 mm', 'axis X: calm_speed unknown']
    """
    bare = isinstance(steps, int | float | Fraction | Decimal) and not isinstance(steps, bool)
    faults: _Faults = []
    axis = {"steps": f"{steps} per mm" if bare else steps, "top_speed": top_speed, "finest": finest}
    machine = _build_machine({"axis": [axis]}, faults)
    if machine is None or faults:
        placed = [Fault(one.where.removeprefix("axis X: "), one.value, one.rule, one.cure) for one in faults]
        raise InputFault("three numbers", placed)
    return replace(machine, source="three numbers")


def _build_machine(tables: dict[str, Any], faults: _Faults) -> Machine | None:
    """The machine of a file's tables, what they leave out assumed; None, or faults, where that can't be."""
    _note_unknown(tables, "", {**_TOP_KEYS, **_TABLES, **_OPTIONAL_TABLES, "axis": None, "task": None}, faults)
    tables = {key: table for key, table in tables.items() if key in _TOP_KEYS or table != UNKNOWN}
    top = {"name": "my machine"} | read_fields({k: v for k, v in tables.items() if k in _TOP_KEYS}, "", _TOP_KEYS, faults)
    parts = {name: read_fields(tables.get(name, {}), name, fields, faults) for name, (_, fields) in _TABLES.items()}
    if tables.get("axis") in (None, []):
        cure = "add an [[axis]] table for each axis, with steps, top_speed and finest"
        faults.append(Fault("axis", rule="is missing", cure=cure))
    given = _repeated("axis", _named(tables.get("axis", [])), _MOST_AXES, str.lower, faults)
    top.setdefault("show_in", _wish_unit([table.get("finest") for _, table in given]))
    tasks = _repeated("task", tables.get("task", []), _MOST_TASKS, str, faults)
    found = [_read_axis(table, where, top["show_in"], _farthest(tasks, table), faults) for where, table in given]
    axes = [axis for axis, _ in found if axis is not None]
    assumed = [*_assume_parts(parts, axes, top["show_in"]), *(one for _, ones in found for one in ones)] if axes else []
    _check_parts(parts, faults)
    if faults:
        return None
    _check_readout(top["show_in"], axes, faults)
    extra = _read_optional(tables, top["show_in"], faults)
    read = [task for where, table in tasks if (task := _read_task(table, axes, where, faults)) is not None]
    if not read:
        assumed.append(Assumed(key="task", value=_START_MIX, place=("tasks",)))
    built = {name: _TABLES[name][0](**_figures(values, Fraction)) for name, values in parts.items()}
    return Machine(**top, **built, **extra, axes=tuple(axes), tasks=tuple(read), assumed=tuple(assumed))


def _named(tables: object) -> object:
    """Tables of axes, those without a name named by their place."""
    if not isinstance(tables, list) or len(tables) > _MOST_AXES or not all(isinstance(table, dict) for table in tables):
        return tables
    return [{**table, "name": name} for name, table in zip(_axis_names(tables), tables, strict=True)]


def _farthest(tasks: Iterable[tuple[str, Mapping[str, Any]]], axis: Mapping[str, Any]) -> Fraction:
    """The longest distance that the tasks on an axis give, as far as it can be read."""
    far = [Fraction(0)]
    for _, table in tasks:
        if table.get("axis") == axis["name"]:
            with contextlib.suppress(ValueError):
                far.append(_TASK_KEYS["distance"].read(table.get("distance")).value)
    return max(far)


def _figures(values: Mapping[str, Any], number: Callable[[Fraction], Any]) -> dict[str, Any]:
    """What was read, quantities as numbers."""
    return {key: number(value.value) if isinstance(value, Quantity) else value for key, value in values.items()}


def _repeated(
    kind: str, tables: object, most: int, alike: Callable[[str], str], faults: _Faults
) -> list[tuple[str, Mapping[str, Any]]]:
    """The tables of one kind, each with where it stands: "axis X", or "axis 2" where it has no name."""
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        faults.append(Fault(kind, tables, f"must be [[{kind}]] tables (two brackets), one per {kind}"))
        return []
    if len(tables) > most:
        faults.append(Fault(kind, rule=f"is given {len(tables)} times", cure=f"jogtune takes {most} at most"))
        return []
    found: dict[str, tuple[str, Mapping[str, Any]]] = {}
    for number, table in enumerate(tables, start=1):
        name = table.get("name")
        named = isinstance(name, str) and name.isprintable() and name.strip()
        where = f"{kind} {name.strip()[:60] if named else number}"
        if alike(where) in found:
            faults.append(Fault(f"{where}: name", name, "is used twice", f"give each {kind} its own"))
        found[alike(where)] = where, table
    return list(found.values())


def _assume_parts(parts: Mapping[str, dict[str, Any]], axes: Sequence[Axis], show_in: str) -> list[Assumed]:
    """What the tables of the hand control leave out; as many positions as angles are known, not assumed."""
    selector = parts["selector"]
    if "angles_deg" in selector:
        selector.setdefault("positions", len(selector["angles_deg"]))
    wish = min(axis.finest_mm * (UNIT_FACTORS[show_in] if axis.rotary else 1) for axis in axes)
    known = {"wish": wish, "unit": show_in}
    return [one for name, (_, keys) in _TABLES.items() for one in _assume(name, keys, parts[name], known, (name,))]


def _check_parts(parts: Mapping[str, Mapping[str, Any]], faults: _Faults) -> None:
    knob, link, selector = (parts.get(name, {}) for name in ("knob", "link", "selector"))
    steady, fastest, detents = (knob.get(key) for key in ("steady_detents_s", "fastest_detents_s", "detents_per_turn"))
    if steady and fastest and steady > fastest:
        faults.append(Fault("knob: steady", f"{steady:g} detents/s", "must be no more than fastest", "swap or mend them"))
    for key, rate in (("steady", steady), ("fastest", fastest)):
        if detents and rate and rate / detents > _MOST_TURNS_S:
            rule = f"is {rate / detents:.3g} turns a second, and no hand turns more than {_MOST_TURNS_S}"
            faults.append(Fault(f"knob: {key}", f"{rate:g} detents/s", rule, "check it"))
    every, silence, jitter = (link.get(key) for key in ("report_interval_s", "silence_s", "jitter_s"))
    if every and silence and silence <= every:
        rule = "must be longer than report_every, or every pause between reports stops the machine"
        faults.append(Fault("link: silence", f"{silence * 1000:g} ms", rule))
    if every and jitter and jitter > every:
        faults.append(Fault("link: jitter", f"{jitter * 1000:g} ms", "must be no more than report_every"))
    angles, positions = selector.get("angles_deg"), selector.get("positions")
    if angles and positions and len(angles) != positions:
        faults.append(Fault("selector: angles", rule=f"has {len(angles)} angles for {positions} positions", cure="give one each"))


def _check_readout(show_in: str, axes: Sequence[Axis], faults: _Faults) -> None:
    if show_in == "deg" and not any(axis.rotary for axis in axes):
        faults.append(Fault("show_in", "deg", "needs an axis in degrees; this machine has none", 'use "mm" or "in"'))
    if show_in != "deg" and all(axis.rotary for axis in axes):
        faults.append(Fault("show_in", show_in, 'must be "deg"', "every axis of this machine is rotary"))


def _read_optional(tables: Mapping[str, Any], show_in: str, faults: _Faults) -> dict[str, Any]:
    """The tables a file may do without: what they say of hand, stick, buttons and probe."""
    found = {}
    for name, (build, fields) in _OPTIONAL_TABLES.items():
        if name in tables:
            before = len(faults)
            values = read_fields(tables[name], name, fields, faults)
            steps = values.get("steps_mm", ())
            if any(step.angular != (show_in == "deg") for step in steps):
                faults.append(Fault("buttons: steps", tables[name]["steps"], f"must be in the unit the person reads, {show_in}"))
            if len(faults) == before:
                values |= {"steps_mm": tuple(step.value for step in steps)} if steps else {}
                found[name] = build(**_figures(values, Fraction))
    return found


@dataclass(frozen=True)
class _Given:
    """A table as it stands in the file, what was read of it, and where it stands."""

    where: str
    table: Mapping[str, Any]
    found: dict[str, Any]
    faults: _Faults

    def fault(self, key: str, rule: str, cure: str = "") -> None:
        self.faults.append(Fault(f"{self.where}: {key}", self.table.get(key), rule, cure))

    def check_units(self, keys: Iterable[str], fields: Mapping[str, Field], angular: bool, whose: str) -> None:
        """Distances are in degrees on an axis that turns, in mm or inches on one that does not."""
        for key in keys:
            value: Quantity | None = self.found.get(fields[key].attribute)
            if value is not None and value.angular != angular:
                self.fault(key, f"must be in {'deg' if angular else 'mm or in'}, as {whose}")


def _read_task(table: Mapping[str, Any], axes: Sequence[Axis], where: str, faults: _Faults) -> Task | None:
    before = len(faults)
    given = _Given(where, table, read_fields(table, where, _TASK_KEYS, faults), faults)
    axis = next((axis for axis in axes if axis.name == given.found.get("axis")), None)
    if axis is not None:
        given.check_units(("distance", "tolerance", "limit"), _TASK_KEYS, axis.rotary, f"axis {axis.name} is")
        distance, tolerance = given.found.get("distance_mm"), given.found.get("tolerance_mm")
        if distance and float(distance.value) > axis.reach_mm:
            given.fault("distance", f"must be no more than the reach of axis {axis.name}")
        if distance and tolerance and tolerance.value > distance.value:
            given.fault("tolerance", "must be no more than the distance")
        for key, only in (("limit", "feel"), ("cue", "goal")):
            if _TASK_KEYS[key].attribute in given.found and given.found.get("kind", "goal") != only:
                given.fault(key, f'goes with kind = "{only}" only', "remove it")
    elif "axis" in given.found:
        given.fault("axis", "is no axis of this machine", f"use one of {', '.join(axis.name for axis in axes)}")
    return Task(**_figures(given.found, float)) if len(faults) == before else None


def _read_axis(
    table: Mapping[str, Any], where: str, show_in: str, far: Fraction, faults: _Faults
) -> tuple[Axis | None, list[Assumed]]:
    """An axis whose tasks go so far at most, and what its table leaves out."""
    before = len(faults)
    given = _Given(where, table, read_fields(table, where, _AXIS_KEYS, faults), faults)
    drive = _read_drive(given)
    if drive is not None:
        _check_axis(given, drive["rotary"])
    if drive is None or len(faults) > before:
        return None, []
    found, rotary = given.found, drive["rotary"]
    needs = [found[name].value for key, most in _MOST.items() if most == "reach" and (name := _AXIS_KEYS[key].attribute) in found]
    known = {
        "unit": "deg" if rotary else "mm" if show_in == "deg" else show_in, "rotary": rotary, "step": 1 / drive["steps_per_mm"],
        "needs": max(far, *needs),
    }  # fmt: skip
    assumed = _assume(where, _AXIS_KEYS, found, known, ("axes", found["name"]), lambda value: float(value.value))
    figures = {key: value for key, value in _figures(found, float).items() if key not in ("steps", *_DRIVES)}
    return Axis(**{**drive, **figures, "finest_mm": found["finest_mm"].value}), assumed


def _read_drive(given: _Given) -> dict[str, Any] | None:
    """Steps per mm and what else the key `steps` or the table of a drive says."""
    known = ("steps", *_DRIVES)
    said = [key for key in known if key in given.table]
    if len(said) != 1:
        cure = f"keep one of {', '.join(said)}" if said else f"add for example steps = {_AXIS_KEYS['steps'].example}"
        given.faults.append(Fault(f"{given.where}: steps", rule=f"give exactly one of {', '.join(known)}", cure=cure))
        return None
    if said != ["steps"]:
        return _read_motor(said[0], given)
    steps: Quantity | None = given.found.get("steps")
    return None if steps is None else {"steps_per_mm": steps.value, "rotary": steps.angular, "exact": steps.exact}


def _read_motor(name: str, given: _Given) -> dict[str, Any] | None:
    """The motor of a drive's table, whichever drive it is."""
    before, (_, keys, lead_of), where = len(given.faults), _DRIVES[name], f"{given.where}: {name}"
    found = read_fields(given.table[name], where, keys, given.faults)
    if len(given.faults) > before:
        return None
    lead = lead_of(found)
    motor = _Motor(lead_mm=lead.value, **{key: found[key] for key in ("full_steps", "divide", "reduction") if key in found})
    for value, most, what in ((lead.value, 10_000, "a lead of {} mm"), (motor.steps_per_mm, 10_000_000, "{} steps per mm")):
        if not Fraction(1, 1000) <= value <= most:
            rule = f"makes {what.format(say_number(value))} (or deg), outside 0.001 to {most}"
            given.faults.append(Fault(where, rule=rule, cure="check it"))
            return None
    drive = {"steps_per_mm": motor.steps_per_mm, "rotary": lead.angular, "exact": lead.exact}
    return {**drive, "motor": motor, "divide": motor.divide}


_MOST = {
    "finest": "reach", "slack": "reach", "jog_limit": "reach", "run_on": "reach",
    "calm_speed": "top_speed", "jog_top": "top_speed",
}  # fmt: skip
"""Keys of an axis and the key that each may not exceed."""


def _check_axis(given: _Given, rotary: bool) -> None:
    given.check_units(("top_speed", "ramp", "reach", *_MOST), _AXIS_KEYS, rotary, "its steps are given")
    drive = next((name for name in _DRIVES if name in given.found), None)
    if drive and "divide" in given.found:
        given.fault("divide", f"is given in {drive} already", "remove it here")
    for small, large in _MOST.items():
        a, b = (given.found.get(_AXIS_KEYS[key].attribute) for key in (small, large))
        if a is not None and b is not None and a.angular == b.angular and a.value > b.value:
            given.fault(small, f"must be no more than {large} ({given.table[large]})")


# Common practice, no source: what small machines built by hand seldom exceed.
_FAST_MM_S, _COARSE_STEP_MM, _STEP_RATE_STEPS_S, _RAMP_TIME_S = 500.0, 0.1, 200_000.0, 5.0
_CRANK_TURNS_S = 1 / 3  # a crank turned slower most likely has a finger's rate: our choice
_FINEST_STEPS, _SLACK_WISHES = 0.25, 20  # a wish of so many steps, slack of so many wishes: most likely a wrong unit; our choice


def odd_figures(machine: Machine) -> tuple[Note, ...]:
    """What to check in a machine file: very fast, very coarse, or out of proportion."""
    found = [
        Note(kind=kind, severity=Severity.MIND, where=Where(axes=(axis.name,)), figures=figures, unit=machine.shown_unit(axis))
        for axis in machine.axes
        for kind, figures in _odd(axis)
    ]
    return merged([*_odd_knob(machine), *found])


def _odd_knob(machine: Machine) -> Iterator[Note]:
    knob = machine.knob
    rate, given = knob.steady_detents_s, all(one.place != ("knob", "steady_detents_s") for one in machine.assumed)
    if given and knob.grip == "crank" and rate < _CRANK_TURNS_S * knob.detents_per_turn:
        figures = {"steady_detents_s": rate, "turn_s": knob.detents_per_turn / rate}
        yield Note(kind="odd_crank_rate", severity=Severity.MIND, figures=figures)


def _odd(axis: Axis) -> Iterator[tuple[str, dict[str, float]]]:
    top, step, finest = axis.top_speed_mm_s, float(axis.step_mm), float(axis.finest_mm)
    if not axis.rotary and top > _FAST_MM_S:
        yield "odd_top_speed", {"top_speed_mm_s": top}
    if not axis.rotary and step > _COARSE_STEP_MM:
        yield "odd_step", {"step_mm": step}
    if top / step > _STEP_RATE_STEPS_S:
        yield "odd_step_rate", {"step_rate_steps_s": round(top / step)}
    if top / axis.ramp_mm_s2 > _RAMP_TIME_S:
        yield "odd_ramp", {"time_s": top / axis.ramp_mm_s2}
    if finest < _FINEST_STEPS * step:
        yield "odd_finest", {"finest_mm": finest, "step_mm": step}
    if axis.slack_mm > _SLACK_WISHES * max(finest, step):
        yield "odd_slack", {"slack_mm": axis.slack_mm, "finest_mm": finest}
