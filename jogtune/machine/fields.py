"""A row per key of a table."""

from __future__ import annotations

import difflib
import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from functools import partial
from typing import Any

from ..files import Fault
from ..units import Quantity, parse_quantity, parse_ratio
from .model import Knob, Link, _ButtonFigures, _Firmware, _HandFigures, _Readout, _Selector, _StickFigures

_Faults = list[Fault]
Check = Callable[[Any], Any]
"""Reads a value; raises ValueError with the rule, a colon and the cure."""


@dataclass(frozen=True)
class Field:
    """One key of a text table: the attribute it fills, how its value is read, an example of it as the file has it, what it says
    in a few words, and how a value is written back, where it is."""

    attribute: str
    read: Check
    example: str = ""
    words: str = ""
    write: Callable[[Any], str] | None = None
    required: bool = True


_optional = partial(Field, required=False)
"""A key that may be left out."""


def checked(*rules: tuple[Callable[[Any], bool], str], make: Check = lambda value: value) -> Check:
    """A reader that holds a value to rules in turn, the first that fails is said."""

    def read(value: object) -> Any:
        for holds, rule in rules:
            if not holds(value):
                raise ValueError(rule)
        return make(value)

    return read


def _is(*types: type) -> Callable[[object], bool]:
    return lambda value: isinstance(value, types) and not isinstance(value, bool)


def whole(low: int, high: int) -> Check:
    """A reader of whole numbers within bounds."""
    rule = f"must be a whole number without quotes, {low} to {high}"
    return checked((_is(int), rule), (lambda value: low <= value <= high, f"must be {low} to {high}"))


def one_of(*words: object) -> Check:
    """A reader of one of a few words or numbers."""
    shown = ", ".join(f'"{word}"' if isinstance(word, str) else str(word) for word in words)
    return checked((lambda value: _is(*map(type, words))(value) and value in words, f"must be one of {shown}"))


def words(longest: int) -> Check:
    """A reader of a short line of text."""
    return checked(
        (lambda value: isinstance(value, str) and bool(value.strip()), "must be text in quotes, not empty"),
        (lambda value: len(value) <= longest and value.isprintable(), f"must be one line of at most {longest} characters"),
        make=str.strip,
    )


yes_or_no = checked((lambda value: isinstance(value, bool), "must be true or false, without quotes"))


def quantity(kind: str, low: str, high: str) -> Check:
    """A reader of a quantity within bounds given as people say them; returns a `Quantity`.

    A bound of "0 ..." is allowed itself only where it is written "from 0 ..."."""
    floor, ceiling = parse_quantity(low.removeprefix("from "), kind), parse_quantity(high, kind)
    zero_allowed = low.startswith("from ")

    def read(value: object) -> Quantity:
        found = parse_quantity(value, kind)
        if found.value < 0 or (found.value == 0 and not zero_allowed):
            raise ValueError("must be 0 or above" if zero_allowed else "must be above 0")
        if not floor.value <= found.value <= ceiling.value:
            raise ValueError(f"must be {low} to {high}: check number and unit")
        return found

    return read


def _linear(kind: str, low: str, high: str) -> Check:
    """Like `quantity`, but the value as a float in mm, s or detents/s."""
    read = quantity(kind, low, high)
    return lambda value: float(read(value).value)


def _steps(value: object) -> Quantity:
    found = parse_quantity(value, "steps")
    if found.value <= 0:
        raise ValueError("must be above 0")
    if not Fraction(1, 1000) <= found.value <= 10_000_000:
        raise ValueError("must be 0.001 to 10000000 per mm (or deg): check number and unit")
    return found


def _ratio(value: object) -> Fraction:
    found = parse_ratio(value)
    if not Fraction(1, 10_000) <= found <= 10_000:
        raise ValueError("must be 1:10000 to 10000:1 (motor turns to turns of the screw or pulley)")
    return found


def _nearest_deg(angles: list[Any]) -> float:
    """The least angle between two neighbours on the circle."""
    turned = sorted(float(angle) % 360 for angle in angles)
    return min(b - a for a, b in itertools.pairwise([*turned, turned[0] + 360]))


_DISTANCE, _SPEED = quantity("distance", "0.000001 mm", "100000 mm"), quantity("speed", "0.001 mm/s", "10000 mm/s")
_IS_NUMBER, _IS_LIST = _is(int, float, Decimal), (lambda value: isinstance(value, list) and len(value) > 0)
_angles = checked(
    (_IS_LIST, "must be a list of degrees, one per position: [-75, -45, -15, 15, 45, 75]"),
    (lambda value: all(_IS_NUMBER(v) and math.isfinite(v) and -360 <= v <= 360 for v in value),
     "must hold plain numbers of degrees only, -360 to 360"),
    (lambda value: _nearest_deg(value) >= 5, "must lie at least 5 degrees apart, or the labels can't be told apart"),
    make=lambda value: tuple(map(float, value)),
)  # fmt: skip
_number_above_zero = checked(
    (_is(int, Decimal), "must be a plain number above 0, without quotes"),
    (lambda value: 0.001 <= value <= 1000, "must be 0.001 to 1000"), make=float,
)  # fmt: skip
_presses = checked(
    (_IS_LIST, 'must be a list of distances, as in ["0.01 mm", "0.1 mm"]'),
    make=lambda value: tuple(sorted(map(_DISTANCE, value), key=lambda part: part.value)),
)
_TOP_KEYS: Mapping[str, Field] = {
    "name": Field("name", words(80), '"inlay router"'),
    "show_in": Field("show_in", one_of("mm", "in", "deg"), '"mm"'),
}
_TABLES: dict[str, tuple[Callable[..., Any], Mapping[str, Field]]] = {
    "knob": (Knob, {
        "detents_per_turn": Field("detents_per_turn", whole(2, 5000), "24"),
        "counts_per_detent": Field("counts_per_detent", one_of(1, 2, 4, 8), "4"),
        "grip": Field("grip", one_of("fingers", "crank"), '"fingers"'),
        "steady": Field("steady_detents_s", _linear("turn rate", "0.1 detents/s", "2000 detents/s"), '"12 detents/s"'),
        "fastest": Field("fastest_detents_s", _linear("turn rate", "0.1 detents/s", "5000 detents/s"), '"40 detents/s"'),
    }),
    "selector": (_Selector, {
        "positions": Field("positions", whole(1, 24), "6"), "angles": _optional("angles_deg", _angles),
        "off": _optional("off", yes_or_no), "axis_choice": _optional("axis_choice", yes_or_no),
        "per_axis": _optional("per_axis", yes_or_no),
    }),
    "link": (Link, {
        "report_every": Field("report_interval_s", _linear("time", "0.1 ms", "2 s"), '"40 ms"'),
        "delay": Field("delay_s", _linear("time", "from 0 ms", "2 s"), '"5 ms"'),
        "silence": Field("silence_s", _linear("time", "0.1 ms", "30 s"), '"250 ms"'),
        "jitter": _optional("jitter_s", _linear("time", "from 0 ms", "2 s")),
        "loss": _optional("loss_share", _linear("share", "from 0 %", "90 %")),
        "counts": _optional("counts", one_of("running", "increments")),
    }),
    "readout": (_Readout, {"step": Field("step_mm", quantity("distance", "0.000001 mm", "100 mm"), '"0.01 mm"')}),
    "firmware": (_Firmware, {
        "remainder": Field("remainder", one_of("carry", "drop", "unknown"), '"carry"'),
        "queue": _optional("queue", whole(1, 10_000)), "when_full": _optional("when_full", one_of("drop", "wait")),
    }),
}
_OPTIONAL_TABLES: dict[str, tuple[Callable[..., Any], Mapping[str, Field]]] = {
    "hand": (_HandFigures, {
        "start": _optional("start_s", _linear("time", "from 0 s", "10 s")),
        "look": _optional("look_s", _linear("time", "from 0 s", "10 s")),
        "switch": _optional("switch_s", _linear("time", "from 0 s", "30 s")),
        "spread": _optional("spread", _linear("share", "from 0 %", "40 %")), "counted": _optional("counted", whole(0, 1000)),
        "grasp": _optional("grasp_deg", _linear("angle", "1 deg", "3600 deg")),
        "regrasp": _optional("regrasp_s", _linear("time", "from 0 s", "5 s")),
        "wheel": _optional("wheel_deg", _linear("angle", "from 0 deg", "90 deg")),
        "feel": _optional("feel_s", _linear("time", "from 0 s", "10 s")),
    }),
    "stick": (_StickFigures, {
        "dead_band": _optional("dead_band", _linear("share", "from 0 %", "80 %")),
        "exponent": _optional("exponent", _number_above_zero),
        "finest": _optional("finest_share", _linear("share", "0.1 %", "100 %")),
        "tap": _optional("tap_s", _linear("time", "1 ms", "5 s")),
        "timing": _optional("timing_s", _linear("time", "from 0 s", "2 s")),
    }),
    "buttons": (_ButtonFigures, {
        "steps": Field("steps_mm", _presses, '["0.01 mm", "0.1 mm"]'),
        "rate": _optional("presses_s", _linear("press rate", "0.1 presses/s", "30 presses/s")),
    }),
}  # fmt: skip
_size, _teeth = partial(quantity, low="0.001 mm", high="10000 mm"), whole(3, 1000)
_MOTOR: Mapping[str, Field] = {
    "steps": Field("full_steps", whole(2, 10_000), "200", "full steps per turn of the motor"),
    "divide": Field("divide", whole(1, 1024), "16", "microsteps per full step"),
}
_GEARED: Mapping[str, Field] = {
    **_MOTOR, "reduction": _optional("reduction", _ratio, '"3:1"', "motor turns to turns of screw, pulley or pinion"),
}  # fmt: skip
_DRIVES: Mapping[str, tuple[str, Mapping[str, Field], Callable[[Mapping[str, Any]], Quantity]]] = {
    "motor": ("a motor and what it moves per turn", {
        "lead": Field("lead", _size("lead"), '"8 mm"', "way per turn of screw or pulley, mm, in or deg"), **_GEARED,
    }, lambda found: found["lead"]),
    "belt": ("a motor with pulley and toothed belt", {
        "pitch": Field("pitch", _size("length"), '"2 mm"', "from tooth to tooth of the belt, mm or in"),
        "teeth": Field("teeth", _teeth, "20", "teeth of the pulley on the belt"), **_GEARED,
    }, lambda found: replace(found["pitch"], value=found["pitch"].value * found["teeth"])),
    "screw": ("a motor with a screw", {
        "pitch": Field("pitch", _size("pitch"), '"2 mm"', "from thread to thread, mm, in or tpi"),
        "starts": Field("starts", whole(1, 100), "4", "threads side by side; most screws have 1"), **_GEARED,
    }, lambda found: replace(found["pitch"], value=found["pitch"].value * found["starts"])),
    "rack": ("a motor with pinion and rack", {
        "module": Field("module", _size("length"), '"1 mm"', "tooth pitch of the rack over pi, mm or in"),
        "teeth": Field("teeth", _teeth, "20", "teeth of the pinion"), **_GEARED,
    }, lambda found: Quantity(value=Fraction(math.pi) * found["module"].value * found["teeth"], exact=False)),
    "rotary": ("a motor that turns a table through a gear", {
        "ratio": Field("reduction", _ratio, '"90:1"', "motor turns to turns of the axis"), **_MOTOR,
    }, lambda found: Quantity(value=Fraction(360), angular=True)),
}  # fmt: skip
"""Drives of an axis: in a few words, keys, and what the machine moves per turn of screw, pulley, pinion or table."""


def _table_of(keys: Mapping[str, Field]) -> str:
    return "{ " + ", ".join(f"{key} = {field.example}" for key, field in keys.items() if field.required) + " }"


_AXIS_KEYS: Mapping[str, Field] = {
    "name": Field("name", words(16), '"X"'),
    "steps": _optional("steps", _steps, '"80 per mm"', "motor steps per mm, in or deg, microsteps counted"),
    **{name: _optional(name, lambda value: value, _table_of(keys), said) for name, (said, keys, _) in _DRIVES.items()},
    "exact": _optional("exact", yes_or_no),
    "divide": _optional("divide", whole(1, 1024)), "top_speed": Field("top_speed_mm_s", _SPEED, '"6000 mm/min"'),
    "ramp": Field("ramp_mm_s2", quantity("acceleration", "0.01 mm/s2", "200000 mm/s2"), '"400 mm/s2"'),
    "reach": Field("reach_mm", _DISTANCE, '"600 mm"'), "finest": Field("finest_mm", _DISTANCE, '"0.02 mm"'),
    "slack": _optional("slack_mm", quantity("distance", "from 0 mm", "100 mm")),
    "calm_speed": _optional("calm_speed_mm_s", _SPEED), "jog_top": _optional("jog_top_mm_s", _SPEED),
    "jog_limit": _optional("jog_limit_mm", _DISTANCE), "run_on": _optional("run_on_mm", _DISTANCE),
    "friction": _optional("friction_share", _linear("share", "from 0 %", "99 %")),
}  # fmt: skip
_TASK_KEYS: Mapping[str, Field] = {
    "name": Field("name", words(60), '"cross the table"'), "axis": Field("axis", words(16), '"X"'),
    "kind": _optional("kind", one_of("goal", "feel")), "distance": Field("distance_mm", _DISTANCE, '"400 mm"'),
    "tolerance": Field("tolerance_mm", _DISTANCE, '"4 mm"'), "limit": _optional("limit_mm", _DISTANCE),
    "weight": _optional("weight", _number_above_zero), "cue": _optional("cue", one_of("readout", "eye")),
    "vary": _optional("vary", _linear("share", "from 0 %", "90 %")),
}  # fmt: skip


def read_fields(table: object, where: str, fields: Mapping[str, Field], faults: _Faults, all_keys: str = "") -> dict[str, Any]:
    """Read one table by its rows: attribute -> value for each good key; every fault is appended to `faults`."""
    if not isinstance(table, dict):
        faults.append(Fault(where, table, "must be a table with keys of its own"))
        return {}
    _note_unknown(table, where, fields, faults, all_keys)
    found = {}
    for key, field in fields.items():
        if key in table:
            try:
                found[field.attribute] = field.read(table[key])
            except ValueError as error:
                rule, _, cure = str(error).partition(": ")
                faults.append(Fault(_place(where, key), table[key], rule, cure))
        elif field.required:
            example = f", for example {key} = {field.example}" if field.example else ""
            faults.append(Fault(_place(where, key), rule="is missing", cure=f"add it{example}"))
    return found


def _note_unknown(table: Mapping[str, Any], where: str, known: Mapping[str, Any], faults: _Faults, all_keys: str = "") -> None:
    """Append a fault for each key that is not known, with the nearest that is and, where given, all that are."""
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.6 if all_keys else 0.0)
            cures = [*(f'did you mean "{name}"?' for name in near), all_keys]
            cure = " ".join(filter(None, cures)) or "remove it"
            faults.append(Fault(_place(where, key), table[key], "is not a known key", cure))


def _place(where: str, key: str) -> str:
    """Where a key stands: its table and itself."""
    return f"{where}: {key}" if where else key
