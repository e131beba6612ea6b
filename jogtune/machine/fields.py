"""One row per key of a text table: attribute, reader, writer, example."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

from ..units import Quantity, parse_quantity, parse_ratio, parse_steps
from .model import ButtonFigures, Firmware, HandFigures, Knob, Link, Readout, Selector, StickFigures

Check = Callable[[Any], Any]


@dataclass(frozen=True, kw_only=True)
class Field:
    """One key of a machine file: the attribute it fills, how its value is read, and whether it must be there."""

    attribute: str
    read: Check
    required: bool = True


def _as_toml(value: object) -> str:
    if isinstance(value, str):
        text = '"' + value.replace("\n", "\\n") + '"'
    elif isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, (dict, list)):
        text = "{...}" if isinstance(value, dict) else "[...]"
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + '..."'


def whole(low: int, high: int) -> Check:
    """A reader of whole numbers within bounds."""

    def read(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError(f"must be a whole number without quotes, {low} to {high}")
        if not low <= value <= high:
            raise ValueError(f"must be {low} to {high}")
        return value

    return read


def one_of(*words: object) -> Check:
    """A reader of one of a few words or numbers."""
    shown = ", ".join(_as_toml(word) for word in words)

    def read(value: object) -> Any:
        if isinstance(value, bool) or value not in words or type(value) not in {type(w) for w in words}:
            raise ValueError(f"must be one of {shown}")
        return value

    return read


def yes_or_no(value: object) -> bool:
    """A reader of true or false."""
    if not isinstance(value, bool):
        raise ValueError("must be true or false, without quotes")
    return value


def words(longest: int) -> Check:
    """A reader of a short line of text."""

    def read(value: object) -> str:
        if not isinstance(value, str) or not value.strip():
            raise ValueError("must be text in quotes, not empty")
        if len(value) > longest or not value.isprintable():
            raise ValueError(f"must be one line of at most {longest} printable characters")
        return value.strip()

    return read


def quantity(kind: str, low: str, high: str) -> Check:
    """A reader of a quantity within bounds given as people say them; returns a `Quantity`.

    A bound of "0 ..." is allowed itself only where it is written "from 0 ...".
    """
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


def linear(kind: str, low: str, high: str) -> Check:
    """Like `quantity`, but the value as a float in mm, s or detents/s."""
    read = quantity(kind, low, high)
    return lambda value: float(read(value).value)


def _steps(value: object) -> Quantity:
    found = parse_steps(value)
    if found.value <= 0:
        raise ValueError("must be above 0")
    if not Fraction(1, 1000) <= found.value <= 10_000_000:
        raise ValueError("must be 0.001 to 10000000 per mm (or deg): check number and unit")
    return found


def _ratio(value: object) -> Fraction:
    found = parse_ratio(value)
    if not Fraction(1, 10_000) <= found <= 10_000:
        raise ValueError("must be 1:10000 to 10000:1 (motor turns : turns of the screw or pulley)")
    return found


def _angles(value: object) -> tuple[float, ...]:
    if not isinstance(value, list) or not value:
        raise ValueError("must be a list of degrees, one per position: [-75, -45, -15, 15, 45, 75]")
    bad = [v for v in value if isinstance(v, bool) or not isinstance(v, (int, float, Decimal))]
    if bad or not all(math.isfinite(v) and -360 <= v <= 360 for v in value):
        raise ValueError("must hold plain numbers of degrees only, -360 to 360")
    turned = sorted(float(v) % 360 for v in value)
    gaps = [b - a for a, b in zip(turned, [*turned[1:], turned[0] + 360], strict=True)]
    if len(value) > 1 and min(gaps) < 5:
        raise ValueError("must lie at least 5 degrees apart, or the labels can't be told apart")
    return tuple(float(v) for v in value)


_DISTANCE = quantity("distance", "0.000001 mm", "100000 mm")
TOP_KEYS: Mapping[str, Field] = {
    "name": Field(attribute="name", read=words(80)),
    "show_in": Field(attribute="show_in", read=one_of("mm", "in", "deg")),
}
TABLES: dict[str, tuple[Callable[..., Any], Mapping[str, Field]]] = {
    "knob": (Knob, {
        "detents_per_turn": Field(attribute="detents_per_turn", read=whole(2, 5000)),
        "counts_per_detent": Field(attribute="counts_per_detent", read=one_of(1, 2, 4, 8)),
        "grip": Field(attribute="grip", read=one_of("fingers", "crank")),
        "steady": Field(attribute="steady_detents_s", read=linear("turn rate", "0.1 detents/s", "2000 detents/s")),
        "fastest": Field(
            attribute="fastest_detents_s", read=linear("turn rate", "0.1 detents/s", "5000 detents/s")
        ),
    }),
    "selector": (Selector, {
        "positions": Field(attribute="positions", read=whole(1, 24)),
        "angles": Field(attribute="angles_deg", read=_angles, required=False),
        "off": Field(attribute="off", read=yes_or_no, required=False),
        "axis_choice": Field(attribute="axis_choice", read=yes_or_no, required=False),
    }),
    "link": (Link, {
        "report_every": Field(attribute="report_interval_s", read=linear("time", "0.1 ms", "2 s")),
        "delay": Field(attribute="delay_s", read=linear("time", "from 0 ms", "2 s")),
        "silence": Field(attribute="silence_s", read=linear("time", "0.1 ms", "30 s")),
        "jitter": Field(attribute="jitter_s", read=linear("time", "from 0 ms", "2 s"), required=False),
        "loss": Field(attribute="loss_share", read=linear("share", "from 0 %", "90 %"), required=False),
        "counts": Field(attribute="counts", read=one_of("running", "increments"), required=False),
    }),
    "readout": (Readout, {
        "step": Field(attribute="step_mm", read=quantity("distance", "0.000001 mm", "100 mm")),
    }),
    "firmware": (Firmware, {
        "remainder": Field(attribute="remainder", read=one_of("carry", "drop", "unknown")),
        "queue": Field(attribute="queue", read=whole(1, 10_000), required=False),
        "when_full": Field(attribute="when_full", read=one_of("drop", "wait"), required=False),
    }),
}  # fmt: skip
AXIS_KEYS: Mapping[str, Field] = {
    "name": Field(attribute="name", read=words(16)),
    "steps": Field(attribute="steps", read=_steps, required=False),
    "motor": Field(attribute="motor", read=lambda value: value, required=False),
    "exact": Field(attribute="exact", read=yes_or_no, required=False),
    "divide": Field(attribute="divide", read=whole(1, 1024), required=False),
    "top_speed": Field(attribute="top_speed_mm_s", read=quantity("speed", "0.001 mm/s", "10000 mm/s")),
    "ramp": Field(attribute="ramp_mm_s2", read=quantity("acceleration", "0.01 mm/s2", "200000 mm/s2")),
    "reach": Field(attribute="reach_mm", read=_DISTANCE),
    "finest": Field(attribute="finest_mm", read=_DISTANCE),
    "slack": Field(attribute="slack_mm", read=quantity("distance", "from 0 mm", "100 mm"), required=False),
    "calm_speed": Field(
        attribute="calm_speed_mm_s", read=quantity("speed", "0.001 mm/s", "10000 mm/s"), required=False
    ),
    "jog_top": Field(attribute="jog_top_mm_s", read=quantity("speed", "0.001 mm/s", "10000 mm/s"), required=False),
    "jog_limit": Field(attribute="jog_limit_mm", read=_DISTANCE, required=False),
    "run_on": Field(attribute="run_on_mm", read=_DISTANCE, required=False),
    "friction": Field(attribute="friction_share", read=linear("share", "from 0 %", "99 %"), required=False),
}
MOTOR_KEYS: Mapping[str, Field] = {
    "steps": Field(attribute="full_steps", read=whole(2, 10_000)),
    "divide": Field(attribute="divide", read=whole(1, 1024)),
    "lead": Field(attribute="lead_mm", read=quantity("distance", "0.001 mm", "10000 mm")),
    "reduction": Field(attribute="reduction", read=_ratio, required=False),
}


def _number_above_zero(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
        raise ValueError("must be a plain number above 0, without quotes")
    if not 0.001 <= value <= 1000:
        raise ValueError("must be 0.001 to 1000")
    return float(value)


def _presses(value: object) -> tuple[Quantity, ...]:
    if not isinstance(value, list) or not value:
        raise ValueError('must be a list of distances, as in ["0.01 mm", "0.1 mm"]')
    return tuple(sorted((_DISTANCE(part) for part in value), key=lambda part: part.value))


OPTIONAL_TABLES: dict[str, tuple[Callable[..., Any], Mapping[str, Field]]] = {
    "hand": (HandFigures, {
        "start": Field(attribute="start_s", read=linear("time", "from 0 s", "10 s"), required=False),
        "look": Field(attribute="look_s", read=linear("time", "from 0 s", "10 s"), required=False),
        "switch": Field(attribute="switch_s", read=linear("time", "from 0 s", "30 s"), required=False),
        "spread": Field(attribute="spread", read=linear("share", "from 0 %", "40 %"), required=False),
        "counted": Field(attribute="counted", read=whole(0, 1000), required=False),
        "grasp": Field(attribute="grasp_deg", read=linear("angle", "1 deg", "3600 deg"), required=False),
        "regrasp": Field(attribute="regrasp_s", read=linear("time", "from 0 s", "5 s"), required=False),
        "wheel": Field(attribute="wheel_deg", read=linear("angle", "from 0 deg", "90 deg"), required=False),
        "feel": Field(attribute="feel_s", read=linear("time", "from 0 s", "10 s"), required=False),
    }),
    "stick": (StickFigures, {
        "dead_band": Field(attribute="dead_band", read=linear("share", "from 0 %", "80 %"), required=False),
        "exponent": Field(attribute="exponent", read=_number_above_zero, required=False),
        "finest": Field(attribute="finest_share", read=linear("share", "0.1 %", "100 %"), required=False),
        "tap": Field(attribute="tap_s", read=linear("time", "1 ms", "5 s"), required=False),
        "timing": Field(attribute="timing_s", read=linear("time", "from 0 s", "2 s"), required=False),
    }),
    "buttons": (ButtonFigures, {
        "steps": Field(attribute="steps_mm", read=_presses),
        "rate": Field(
            attribute="presses_s", read=linear("press rate", "0.1 presses/s", "30 presses/s"), required=False
        ),
    }),
}  # fmt: skip
TASK_KEYS: Mapping[str, Field] = {
    "name": Field(attribute="name", read=words(60)),
    "axis": Field(attribute="axis", read=words(16)),
    "kind": Field(attribute="kind", read=one_of("goal", "feel"), required=False),
    "distance": Field(attribute="distance_mm", read=_DISTANCE),
    "tolerance": Field(attribute="tolerance_mm", read=_DISTANCE),
    "limit": Field(attribute="limit_mm", read=_DISTANCE, required=False),
    "weight": Field(attribute="weight", read=_number_above_zero, required=False),
    "cue": Field(attribute="cue", read=one_of("readout", "eye"), required=False),
    "vary": Field(attribute="vary", read=linear("share", "from 0 %", "90 %"), required=False),
}


class Faults:
    """The faults found so far, each under its key path."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, path: str, rule: str, value: object = None) -> None:
        """Note one fault: path, value where there is one, rule and cure."""
        shown = "" if value is None else f" = {_as_toml(value)}"
        self.lines.append(f"{path}{shown}: {rule}")


def read_fields(table: object, where: str, fields: Mapping[str, Field], faults: Faults) -> dict[str, Any]:
    """Read one table by its rows: attribute -> value for each good key; every fault is noted."""
    if not isinstance(table, dict):
        faults.add(where, "must be a table with keys of its own", table)
        return {}
    note_unknown(table, where, fields, faults)
    found = {}
    for key, field in fields.items():
        path = f"{where}: {key}" if where else key
        if key in table:
            try:
                found[field.attribute] = field.read(table[key])
            except ValueError as error:
                faults.add(path, str(error), table[key])
        elif field.required:
            faults.add(path, f"is missing: add it{_example_of(key)}")
    return found


_SHOWN = {
    "name": '"X"', "show_in": '"mm"', "detents_per_turn": "24", "counts_per_detent": "4", "grip": '"fingers"',
    "steady": '"12 detents/s"', "fastest": '"40 detents/s"', "positions": "6", "report_every": '"40 ms"',
    "delay": '"5 ms"', "silence": '"250 ms"', "step": '"0.01 mm"', "remainder": '"carry"', "lead": '"8 mm"',
    "top_speed": '"6000 mm/min"', "ramp": '"400 mm/s2"', "reach": '"600 mm"', "finest": '"0.02 mm"', "steps": "200",
    "divide": "16",
}  # fmt: skip


def _example_of(key: str) -> str:
    return f", for example {key} = {_SHOWN[key]}" if key in _SHOWN else ""


def note_unknown(table: Mapping[str, Any], where: str, known: Mapping[str, Any], faults: Faults) -> None:
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.0)
            cure = f'did you mean "{near[0]}"?' if near else "remove it"
            faults.add(f"{where}: {key}" if where else key, f"is not a known key: {cure}", table[key])
