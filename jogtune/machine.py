"""The machine and its hand control: what a machine file says, checked and exact.

Inside, everything is mm, s, mm/s and mm/s² with the unit in the name. A rotary axis carries degrees
in the same fields: its `reach_mm` is degrees, its `steps_per_mm` steps per degree.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import tomlkit

from .files import InputFault, read_text, write_whole
from .units import (
    EXAMPLES,
    UNIT_FACTORS,
    Quantity,
    parse_quantity,
    parse_ratio,
    parse_steps,
    say_distance,
    say_number,
)

__all__ = [
    "Axis", "ButtonFigures", "Faults", "Field", "Firmware", "HandFigures", "InputFault", "Knob", "Link",
    "Machine", "Motor", "Readout", "Selector", "StickFigures", "Task", "changed_text", "describe_axis",
    "edit_machine", "linear", "one_of", "parse_machine", "quantity", "read_fields", "read_machine", "whole",
    "with_wishes", "words", "yes_or_no",
]  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Motor:
    """A stepping motor and what it drives: full steps a turn, microsteps a full step, travel a turn.

    `lead_mm` is mm (or degrees) per turn of the screw or pulley, `reduction` motor turns per turn of it.
    """

    full_steps: int
    divide: int
    lead_mm: Fraction
    reduction: Fraction = Fraction(1)

    @property
    def steps_per_mm(self) -> Fraction:
        """Motor (micro)steps per mm, exact.

        >>> Motor(full_steps=200, divide=16, lead_mm=Fraction(8)).steps_per_mm
        Fraction(400, 1)
        """
        return self.full_steps * self.divide * self.reduction / self.lead_mm


@dataclass(frozen=True, kw_only=True)
class Axis:
    """One moving axis. A rotary axis (`rotary`) carries degrees wherever a name says mm.

    `exact` is False where steps per mm are irrational or rounded; `divide` is microsteps per full step
    where known; `friction_share` is the friction torque as a share of the motor's holding torque.
    `jog_top_mm_s` and `jog_limit_mm` are the jog speed and the limit on the outstanding distance that its
    firmware has, `run_on_mm` the run-on that is allowed; None where the file doesn't say.

    >>> axis = Axis(name="X", steps_per_mm=Fraction(80), top_speed_mm_s=100.0, ramp_mm_s2=400.0,
    ...             reach_mm=600.0, finest_mm=Fraction(1, 50), divide=16)
    >>> axis.step_mm, axis.full_step_mm
    (Fraction(1, 80), Fraction(1, 5))
    """

    name: str
    steps_per_mm: Fraction
    top_speed_mm_s: float
    ramp_mm_s2: float
    reach_mm: float
    finest_mm: Fraction
    exact: bool = True
    rotary: bool = False
    slack_mm: float = 0.0
    calm_speed_mm_s: float | None = None
    jog_top_mm_s: float | None = None
    jog_limit_mm: float | None = None
    run_on_mm: float | None = None
    divide: int | None = None
    friction_share: float | None = None
    motor: Motor | None = None

    @property
    def step_mm(self) -> Fraction:
        """The distance of one motor (micro)step [mm or degrees]."""
        return 1 / self.steps_per_mm

    @property
    def full_step_mm(self) -> Fraction | None:
        """The distance of one full motor step [mm or degrees], None where `divide` is not known."""
        return None if self.divide is None else self.divide * self.step_mm


@dataclass(frozen=True, kw_only=True)
class Knob:
    """The hand knob: its clicks and how fast a hand turns it [detents/s].

    >>> read_machine("datasets/machines/slide_stage.toml").knob
    Knob(detents_per_turn=100, counts_per_detent=4, grip='crank', steady_detents_s=100.0, fastest_detents_s=250.0)
    """

    detents_per_turn: int
    counts_per_detent: int
    grip: str
    steady_detents_s: float
    fastest_detents_s: float


@dataclass(frozen=True, kw_only=True)
class Selector:
    """The switch that sets the distance per click; `angles_deg` and the rest serve its printed legend.

    `off` and `axis_choice` are labels of further positions, printed but not rungs.

    >>> read_machine("datasets/machines/inlay_router.toml").selector
    Selector(positions=6, angles_deg=(-75.0, -45.0, -15.0, 15.0, 45.0, 75.0), off=False, axis_choice=False)
    """

    positions: int
    angles_deg: tuple[float, ...] | None = None
    off: bool = False
    axis_choice: bool = False


@dataclass(frozen=True, kw_only=True)
class Link:
    """The link between knob and machine: report interval, delay, silence limit [s], and its losses.

    `counts` says what a report holds: "running" counts lose nothing with a lost report, "increments" do.

    >>> link = read_machine("datasets/machines/inlay_router.toml").link
    >>> link.report_interval_s, link.delay_s, link.silence_s, link.counts
    (0.04, 0.005, 0.25, 'running')
    """

    report_interval_s: float
    delay_s: float
    silence_s: float
    jitter_s: float = 0.0
    loss_share: float = 0.0
    counts: str = "running"


@dataclass(frozen=True, kw_only=True)
class Readout:
    """The position display and its smallest step [mm or degrees].

    >>> read_machine("datasets/machines/sign_table.toml").readout.step_mm / UNIT_FACTORS["in"]
    Fraction(1, 1000)
    """

    step_mm: Fraction


@dataclass(frozen=True, kw_only=True)
class Firmware:
    """What the motion firmware does with fractions of a step ("carry", "drop" or "unknown") and its queue.

    `when_full`: clicks beyond its limit or queue it may "drop", or keep until there is room ("wait").

    >>> read_machine("datasets/machines/inlay_router.toml").firmware
    Firmware(remainder='carry', queue=8, when_full=None)
    """

    remainder: str
    queue: int | None = None
    when_full: str | None = None


@dataclass(frozen=True, kw_only=True)
class HandFigures:
    """What the file says of the person at the knob; None where the start value is to be used.

    The meaning and source of each is in `design/hand.py`.

    >>> from jogtune.design.hand import Hand
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> careful = replace(router, hand=HandFigures(look_s=0.5))
    >>> Hand.from_machine(router).look_s, Hand.from_machine(careful).look_s
    (0.24, 0.5)
    """

    start_s: float | None = None
    look_s: float | None = None
    switch_s: float | None = None
    spread: float | None = None
    counted: int | None = None
    grasp_deg: float | None = None
    regrasp_s: float | None = None
    wheel_deg: float | None = None
    feel_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class StickFigures:
    """What the file says of a stick beside the knob; None where the start value is to be used.

    >>> read_machine("datasets/machines/inlay_router.toml").stick
    StickFigures(dead_band=0.1, exponent=2.0, finest_share=None, tap_s=0.125, timing_s=None)
    """

    dead_band: float | None = None
    exponent: float | None = None
    finest_share: float | None = None
    tap_s: float | None = None
    timing_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class ButtonFigures:
    """What the file says of step buttons beside the knob: distances a press [mm], press rate.

    >>> buttons = read_machine("datasets/machines/inlay_router.toml").buttons
    >>> [float(step) for step in buttons.steps_mm], buttons.presses_s
    ([0.02, 0.1, 1.0, 10.0], 5.0)
    """

    steps_mm: tuple[Fraction, ...]
    presses_s: float = 5.0


@dataclass(frozen=True, kw_only=True)
class Task:
    """One thing a person does at the machine. Distances in mm, or degrees on a rotary axis.

    `kind = "goal"`: the distance is known and an error to either side mends; done when within plus
    or minus half of `tolerance_mm`. `cue = "readout"` means that the person goes by the readout,
    whose last digit eats into the tolerance; `"eye"` that they see the place itself.

    `kind = "feel"`: contact lies somewhere within `distance_mm`, the person feels for it at every
    click; no click may pass it by more than `limit_mm` (default: the tolerance), and the last click
    may be no longer than `tolerance_mm`.

    `vary`: goals lie evenly within this share of the distance either way (0: always this distance),
    so that no ladder is favoured because its clicks happen to divide a round number.

    >>> Task(name="nudge", axis="X", distance_mm=0.3, tolerance_mm=0.05).half_mm(0.01)
    0.02
    """

    name: str
    axis: str
    distance_mm: float
    tolerance_mm: float
    weight: float = 1.0
    kind: str = "goal"
    cue: str = "readout"
    limit_mm: float | None = None
    vary: float = 0.25

    def __post_init__(self) -> None:
        faults = [
            f"{name} = {getattr(self, name)!r}: must be a number above 0"
            for name in ("distance_mm", "tolerance_mm", "weight", "limit_mm")
            if getattr(self, name) is not None and not 0 < getattr(self, name) < math.inf
        ]
        for name, known in (("kind", ("goal", "feel")), ("cue", ("readout", "eye"))):
            if getattr(self, name) not in known:
                faults.append(f"{name} = {getattr(self, name)!r}: must be one of {', '.join(known)}")
        if not 0 <= self.vary < 1:
            faults.append(f"vary = {self.vary!r}: must be at least 0 and below 1")
        if faults:
            raise InputFault(f"task {self.name}", faults)

    def half_mm(self, readout_step_mm: float) -> float:
        """Half of the tolerance that is left once the readout's own step is taken off [mm]."""
        readout = readout_step_mm if self.cue == "readout" and self.kind == "goal" else 0.0
        return round((self.tolerance_mm - readout) / 2, 12)


@dataclass(frozen=True, kw_only=True)
class Machine:
    """A machine and its hand control, as read by `read_machine`.

    >>> sign_table = read_machine("datasets/machines/sign_table.toml")
    >>> sign_table.name, sign_table.show_in, [axis.name for axis in sign_table.axes]
    ('sign table', 'in', ['X', 'Y', 'Z'])
    """

    name: str
    show_in: str
    knob: Knob
    selector: Selector
    link: Link
    readout: Readout
    firmware: Firmware
    axes: tuple[Axis, ...]
    hand: HandFigures = HandFigures()
    tasks: tuple[Task, ...] = ()
    stick: StickFigures | None = None
    buttons: ButtonFigures | None = None

    def axis(self, name: str) -> Axis:
        """The axis of a name; raises KeyError that lists the names there are."""
        for axis in self.axes:
            if axis.name == name:
                return axis
        raise KeyError(f"no axis {name!r} on {self.name}: it has {', '.join(a.name for a in self.axes)}")

    def shown_unit(self, axis: Axis) -> str:
        """The unit a person reads on an axis: degrees on a rotary one, else mm or in."""
        if axis.rotary:
            return "deg"
        return "mm" if self.show_in == "deg" else self.show_in

    def axis_gain(self, axis: Axis, gain_mm: Fraction) -> Fraction:
        """What a ladder's gain means on one axis [mm, or degrees on a rotary axis].

        The person reads one number per position. On a rotary axis that number is degrees: position
        "0.001" of an inch machine is 0.001 in on X and 0.001 deg on A.
        """
        return gain_mm / UNIT_FACTORS[self.show_in] if axis.rotary else gain_mm

    def ladder_distance(self, axis: Axis, distance: Fraction) -> Fraction:
        """The inverse of `axis_gain`: an axis' own distance as the ladder counts it."""
        return distance * UNIT_FACTORS[self.show_in] if axis.rotary else distance


# ------------------------------------------------------------------ reading: one row per key

Check = Callable[[Any], Any]


@dataclass(frozen=True, kw_only=True)
class Field:
    """One key of a machine file: the attribute it fills, how its value is read, and whether it must be there.

    >>> delay = TABLES["link"][1]["delay"]
    >>> delay.attribute, delay.required, delay.read("5 ms")
    ('delay_s', True, 0.005)
    """

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
    """A reader of whole numbers within bounds.

    >>> whole(2, 5000)(24)
    24
    >>> whole(2, 5000)(1)
    Traceback (most recent call last):
    ValueError: must be 2 to 5000
    """

    def read(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError(f"must be a whole number without quotes, {low} to {high}")
        if not low <= value <= high:
            raise ValueError(f"must be {low} to {high}")
        return value

    return read


def one_of(*words: object) -> Check:
    """A reader of one of a few words or numbers.

    >>> one_of("mm", "in", "deg")("cm")
    Traceback (most recent call last):
    ValueError: must be one of "mm", "in", "deg"
    """
    shown = ", ".join(_as_toml(word) for word in words)

    def read(value: object) -> Any:
        if isinstance(value, bool) or value not in words or type(value) not in {type(w) for w in words}:
            raise ValueError(f"must be one of {shown}")
        return value

    return read


def yes_or_no(value: object) -> bool:
    """A reader of true or false.

    >>> yes_or_no("yes")
    Traceback (most recent call last):
    ValueError: must be true or false, without quotes
    """
    if not isinstance(value, bool):
        raise ValueError("must be true or false, without quotes")
    return value


def words(longest: int) -> Check:
    """A reader of a short line of text.

    >>> words(16)(" X ")
    'X'
    """

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

    >>> quantity("distance", "from 0 mm", "100 mm")("0.002 in").value
    Fraction(127, 2500)
    >>> quantity("time", "0.1 ms", "2 s")("3 s")
    Traceback (most recent call last):
    ValueError: must be 0.1 ms to 2 s: check number and unit
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
    """Like `quantity`, but the value as a float in mm, s or detents/s.

    >>> linear("turn rate", "0.1 detents/s", "2000 detents/s")("720 detents/min")
    12.0
    """
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
    """The faults found so far, each under its key path.

    >>> faults = Faults()
    >>> faults.add("axis Z: top_speed", "must be above 0", "-300 mm/min")
    >>> faults.lines
    ['axis Z: top_speed = "-300 mm/min": must be above 0']
    """

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, path: str, rule: str, value: object = None) -> None:
        """Note one fault: path, value where there is one, rule and cure."""
        shown = "" if value is None else f" = {_as_toml(value)}"
        self.lines.append(f"{path}{shown}: {rule}")


def read_fields(table: object, where: str, fields: Mapping[str, Field], faults: Faults) -> dict[str, Any]:
    """Read one table by its rows: attribute -> value for each good key; every fault is noted.

    >>> faults = Faults()
    >>> read_fields({"positions": 6, "anglse": [0]}, "selector", TABLES["selector"][1], faults)
    {'positions': 6}
    >>> faults.lines
    ['selector: anglse = [...]: is not a known key: did you mean "angles"?']
    """
    if not isinstance(table, dict):
        faults.add(where, "must be a table with keys of its own", table)
        return {}
    _note_unknown(table, where, fields, faults)
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


def _note_unknown(table: Mapping[str, Any], where: str, known: Mapping[str, Any], faults: Faults) -> None:
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.0)
            cure = f'did you mean "{near[0]}"?' if near else "remove it"
            faults.add(f"{where}: {key}" if where else key, f"is not a known key: {cure}", table[key])


def read_machine(path: str | Path) -> Machine:
    """Read a machine file (TOML).

    Raises `InputFault` that lists every fault of the file, each with its key path.

    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> router.axis("Z").steps_per_mm, router.axis("Z").top_speed_mm_s
    (Fraction(400, 1), 25.0)
    """
    return parse_machine(read_text(path), source=str(path))


def parse_machine(text: str, *, source: str = "machine") -> Machine:
    """Read the text of a machine file; see `read_machine`.

    >>> text = Path("datasets/machines/inlay_router.toml").read_text()
    >>> parse_machine(text.replace('ramp = "250 mm/s2"', 'ramp = "0 mm/s2"'), source="mine.toml")
    Traceback (most recent call last):
    jogtune.files.InputFault: mine.toml: 1 fault
      - axis Z: ramp = "0 mm/s2": must be above 0
    """
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
    _note_unknown(tables, "", known, faults)
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


# ------------------------------------------------------------------ writing back


def edit_machine(
    path: str | Path, changes: Mapping[str, Any], *, out: str | Path | None = None, overwrite: bool = False
) -> Machine:
    """Change keys of a machine file and keep a person's comments; returns the machine as it now reads.

    `changes` maps key paths to values as the file would hold them: {"knob.steady": "10 detents/s",
    "axis X.finest": "0.05 mm"}; None removes a key. Written to `out` (or over `path`, which needs
    `overwrite`), and only if the result is a sound machine file; raises `InputFault` otherwise.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     mine = Path(folder) / "mine.toml"
    ...     edit_machine("datasets/machines/inlay_router.toml", {"axis X.finest": "0.05 mm"}, out=mine).axis("X").finest_mm
    Fraction(1, 20)
    """
    text = changed_text(path, changes)
    target = Path(out) if out is not None else Path(path)
    machine = parse_machine(text, source=str(target))
    write_whole(target, text, overwrite=overwrite)
    return machine


def changed_text(path: str | Path, changes: Mapping[str, Any]) -> str:
    """The text of a machine file with keys changed as `edit_machine` does, not yet checked or written.

    >>> text = changed_text("datasets/machines/inlay_router.toml", {"knob.steady": "10 detents/s"})
    >>> parse_machine(text).knob.steady_detents_s, text.splitlines()[0][:14]
    (10.0, '# The inlay ro')
    """
    document = tomlkit.parse(read_text(path))
    for key_path, value in changes.items():
        _set_key(document, key_path, value, str(path))
    return tomlkit.dumps(document)


def _set_key(document: tomlkit.TOMLDocument, key_path: str, value: Any, source: str) -> None:
    where, _, key = key_path.rpartition(".")
    table: Any = document
    if where.startswith("axis "):
        axes = [a for a in document.get("axis", []) if a.get("name") == where.removeprefix("axis ")]
        table = axes[0] if axes else None
    elif where:
        table = document.get(where)
    if table is None:
        raise InputFault(source, [f"{key_path}: there is no {where} in the file: check the key path"])
    if value is None:
        table.pop(key, None)
    else:
        table[key] = value


def with_wishes(
    machine: Machine,
    *,
    finest_mm: Fraction | None = None,
    steady_detents_s: float | None = None,
    report_interval_s: float | None = None,
) -> Machine:
    """The machine with other wishes: the finest move [mm] on every axis, turn rate, report interval.

    The fastest turn rate and the silence limit are raised where they would lie below the new figures.

    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> with_wishes(router, finest_mm=Fraction(1, 10)).axis("X").finest_mm
    Fraction(1, 10)
    """
    axes = machine.axes
    if finest_mm is not None:
        axes = tuple(replace(axis, finest_mm=machine.axis_gain(axis, finest_mm)) for axis in axes)
    steady = machine.knob.steady_detents_s if steady_detents_s is None else steady_detents_s
    every = machine.link.report_interval_s if report_interval_s is None else report_interval_s
    knob = replace(
        machine.knob, steady_detents_s=steady, fastest_detents_s=max(steady, machine.knob.fastest_detents_s)
    )
    link = replace(machine.link, report_interval_s=every, silence_s=max(machine.link.silence_s, 2 * every))
    return replace(machine, axes=axes, knob=knob, link=link)


def describe_axis(machine: Machine, axis: Axis) -> str:
    """One sentence on an axis in the person's unit.

    Says step size, top speed and reach; marks inexact steps.

    >>> sign_table = read_machine("datasets/machines/sign_table.toml")
    >>> describe_axis(sign_table, sign_table.axes[0])
    'X: one step 0.0001546 in (inexact), top speed 6.667 in/s, reach 48 in'
    """
    unit = machine.shown_unit(axis)
    step = say_distance(axis.step_mm, unit, digits=4)
    mark = "" if axis.exact else " (inexact)"
    speed = say_distance(axis.top_speed_mm_s, unit, digits=4)
    return f"{axis.name}: one step {step}{mark}, top speed {speed}/s, reach {say_distance(axis.reach_mm, unit)}"
