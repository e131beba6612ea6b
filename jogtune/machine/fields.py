"""A row per key of a table."""

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from functools import partial
from typing import Any

from ..units import Quantity, parse_quantity, parse_ratio
from . import start
from .model import Knob, Link, _ButtonFigures, _Firmware, _HandFigures, _ProbeFigures, _Readout, _Selector, _StickFigures
from .readers import UNKNOWN, Field, _is, _linear, _optional, _usual, checked, one_of, quantity, whole, words, yes_or_no


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
_IS_NUMBER, _IS_LIST = _is(int, Decimal), (lambda value: isinstance(value, list) and 1 <= len(value) <= 24)
_angles = checked(
    (_IS_LIST, "must be a list of degrees, one per position, 24 at most: [-75, -45, -15, 15, 45, 75]"),
    (lambda value: all(_IS_NUMBER(v) and -360 <= v <= 360 for v in value),
     "must hold plain numbers of degrees only, -360 to 360"),
    (lambda value: _nearest_deg(value) >= 5, "must lie at least 5 degrees apart, or the labels can't be told apart"),
    make=lambda value: tuple(map(float, value)),
)  # fmt: skip
_number_above_zero = checked(
    (_is(int, Decimal), "must be a plain number above 0, without quotes"),
    (lambda value: 0.001 <= value <= 1000, "must be 0.001 to 1000"), make=float,
)  # fmt: skip
_presses = checked(
    (_IS_LIST, 'must be a list of 1 to 24 distances, as in ["0.01 mm", "0.1 mm"]'),
    make=lambda value: tuple(sorted(map(_DISTANCE, value), key=lambda part: part.value)),
)
_TOP_KEYS: Mapping[str, Field] = {
    "name": _optional("name", words(80), '"my machine"', "what you call the machine", without='"my machine"'),
    "show_in": _optional("show_in", one_of("mm", "in", "deg"), '"mm"', "the unit you read: mm, in, deg", without="that of finest"),
}
_TABLES: dict[str, tuple[Callable[..., Any], Mapping[str, Field]]] = {
    "knob": (Knob, {
        "grip": _optional("grip", one_of("fingers", "crank"), '"fingers"', "how it is turned: fingers or crank",
                          without='"fingers"', start=("fingers", "fingers", "crank")),
        "detents_per_turn": _optional("detents_per_turn", whole(2, 5000), "24", "clicks in a turn of the knob",
                                      without="24, of a crank 100", start=start._detents),
        "counts_per_detent": _optional("counts_per_detent", one_of(1, 2, 4, 8), "4", "counts in a click: 1, 2, 4 or 8",
                                       without="4", start=(4, 1, 2, 4, 8)),
        "steady": _optional("steady_detents_s", _linear("turn rate", "0.1 detents/s", "2000 detents/s"), '"12 detents/s"',
                            "how fast it is turned without hurry",
                            without="12 detents/s, of a crank a turn a second", start=start._steady),
        "fastest": _optional("fastest_detents_s", _linear("turn rate", "0.1 detents/s", "5000 detents/s"), '"40 detents/s"',
                             "how fast in a hurry", without="10/3 of steady, of a crank 5/2", start=start._fastest),
    }),
    "selector": (_Selector, {
        "positions": _optional("positions", whole(1, 24), "6", "settings it can choose between",
                               without="5, or as many as angles", start=(5, 3, 8)),
        "angles": _optional("angles_deg", _angles, "[-75, -45, -15, 15, 45, 75]", "where they lie, 0 straight up [deg]",
                            without="the printed legend spaces them evenly"),
        "off": _optional("off", yes_or_no, "true", "whether it has an off position too", without="none"),
        "axis_choice": _optional("axis_choice", yes_or_no, "true", "whether a switch beside it chooses the axis", without="none"),
        "per_axis": _optional("per_axis", yes_or_no, "true", "whether the firmware holds distances of their own for each axis",
                              without="straight axes share theirs, rotary ones too"),
    }),
    "link": (Link, {
        "report_every": _optional("report_interval_s", _linear("time", "0.1 ms", "2 s"), '"40 ms"', "time from report to report",
                                  without="40 ms", start=start._report_every),
        "delay": _optional("delay_s", _linear("time", "from 0 ms", "2 s"), '"5 ms"', "from a report to the motion it asks for",
                           without="5 ms", start=("5 ms", "0 ms", "50 ms")),
        "silence": _optional("silence_s", _linear("time", "0.1 ms", "30 s"), '"250 ms"', "so long without a report, it stops",
                             without="250 ms, or 5 reports", start=start._silence),
        "jitter": _optional("jitter_s", _linear("time", "from 0 ms", "2 s"), '"2 ms"', "how much the delay varies", without="none"),
        "loss": _optional("loss_share", _linear("share", "from 0 %", "90 %"), '"0.1 %"', "share of reports lost", without="none"),
        "counts": _optional("counts", one_of("running", "increments"), '"running"',
                            "what a report holds: a running count, or increments that a lost report loses", without='"running"'),
    }),
    "readout": (_Readout, {
        "step": _optional("step_mm", quantity("distance", "0.000001 mm", "100 mm"), '"0.01 mm"', "the display's last digit",
                          without="a plain distance within half of finest", start=start._readout_step),
    }),
    "firmware": (_Firmware, {
        "remainder": _optional("remainder", one_of("carry", "drop", UNKNOWN), '"carry"',
                               "what it does with parts of a motor step: carry or drop",
                               without="unknown", start=(UNKNOWN, "carry", "drop")),
        "queue": _optional("queue", whole(1, 10_000), "8", "moves that it holds ahead", without="no length is advised"),
        "when_full": _optional("when_full", one_of("drop", "wait"), '"drop"', "what it does with clicks beyond limit or queue",
                               without="you are told to let it drop them"),
        "decimals": _optional("decimals", whole(0, 9), "3", "decimals of a click's distance where the link sends that, as shown",
                              without="none are cut off"),
    }),
}
_OPTIONAL_TABLES: dict[str, tuple[Callable[..., Any], Mapping[str, Field]]] = {
    "hand": (_HandFigures, {
        "start": _usual("start_s", _linear("time", "from 0 s", "10 s"), '"0.4 s"', "hand to the knob, once a task"),
        "look": _usual("look_s", _linear("time", "from 0 s", "10 s"), '"0.24 s"', "look and decide, before each move"),
        "switch": _usual("switch_s", _linear("time", "from 0 s", "30 s"), '"0.8 s"', "hand to the selector and back"),
        "spread": _usual("spread", _linear("share", "from 0 %", "40 %"), '"7 %"', "how far a move ends off, by its length"),
        "counted": _usual("counted", whole(0, 1000), "5", "up to so many clicks are counted without error"),
        "grasp": _usual("grasp_deg", _linear("angle", "1 deg", "3600 deg"), '"47 deg"', "how far fingers turn in one grasp"),
        "regrasp": _usual("regrasp_s", _linear("time", "from 0 s", "5 s"), '"0.1 s"', "time to grasp again"),
        "wheel": _usual("wheel_deg", _linear("angle", "from 0 deg", "90 deg"), '"1 deg"', "within what a turn of the wheel ends"),
        "feel": _usual("feel_s", _linear("time", "from 0 s", "10 s"), '"0.35 s"', "feel for contact, at every click"),
    }),
    "stick": (_StickFigures, {
        "dead_band": _usual("dead_band", _linear("share", "from 0 %", "80 %"), '"10 %"', "share of the throw that does nothing"),
        "exponent": _usual("exponent", _number_above_zero, "2", "power of the throw that the speed follows"),
        "finest": _usual("finest_share", _linear("share", "0.1 %", "100 %"), '"10 %"', "least throw that a hand can hold"),
        "tap": _usual("tap_s", _linear("time", "1 ms", "5 s"), '"125 ms"', "shortest push"),
        "timing": _usual("timing_s", _linear("time", "from 0 s", "2 s"), '"50 ms"', "how much a push's length varies"),
        "tremor": _usual("tremor", _linear("share", "from 0 %", "50 %"), '"2 %"', "how much a held throw varies"),
        "rest_noise": _optional("rest_noise", _linear("share", "from 0 %", "25 %"), '"2 %"', "largest reading after letting go",
                                without="dead_band as shown; with it, three times as much"),
    }),
    "buttons": (_ButtonFigures, {
        "steps": Field("steps_mm", _presses, '["0.01 mm", "0.1 mm"]', "distance of a press, one a button"),
        "rate": _usual("presses_s", _linear("press rate", "0.1 presses/s", "30 presses/s"), '"5 presses/s"', "presses in a row"),
    }),
    "probe": (_ProbeFigures, {
        "give": Field("give_mm", quantity("length", "0.001 mm", "1000 mm"), '"0.5 mm"', "how far it gives after contact"),
        "delay": _optional("delay_s", _linear("time", "0.001 ms", "2 s"), '"1 ms"', "from contact to the beginning of the stop",
                           without="it goes by reports: report_every and delay of the link"),
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
        "starts": Field("starts", whole(1, 100), "1", "threads side by side; most screws have 1"), **_GEARED,
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
    "name": _optional("name", words(16), '"X"', "what you call the axis", without="X, Y, Z, A by place"),
    "steps": Field("steps", _steps, '"80 per mm"', "motor steps, counted in microsteps, in a distance", required=False,
                   without="work it out: motor steps a turn × microsteps / distance a turn of the screw or pulley"),
    **{name: _optional(name, lambda value: value, _table_of(keys), said) for name, (said, keys, _) in _DRIVES.items()},
    "exact": _optional("exact", yes_or_no, "true", "whether steps is exact, not rounded", without="told from its digits"),
    "divide": _optional("divide", whole(1, 1024), "16", "microsteps in a full step", without="the motor's own error is left out"),
    "top_speed": Field("top_speed_mm_s", _SPEED, '"6000 mm/min"', "the fastest it may travel",
                       without="look it up in the firmware, or time a long move"),
    "finest": Field("finest_mm", _DISTANCE, '"0.02 mm"', "the finest move you wish to make",
                    without="begin with 0.02 mm, a fifth of a sheet of paper: you can touch off on one"),
    "ramp": _optional("ramp_mm_s2", quantity("acceleration", "0.01 mm/s2", "200000 mm/s2"), '"400 mm/s2"', "acceleration",
                      without="top speed in 0.25 s", start=start._ramp),
    "reach": _optional("reach_mm", _DISTANCE, '"600 mm"', "usable travel",
                       without="6 s at top speed, 360 deg where it turns", start=start._reach),
    "slack": _optional("slack_mm", quantity("distance", "from 0 mm", "100 mm"), '"0.05 mm"', "backlash",
                       without="unknown: twice finest, or a motor step, is reckoned with", start=start._slack),
    "calm_speed": _optional("calm_speed_mm_s", _SPEED, '"2000 mm/min"', "the fastest while someone stands near",
                            without="unknown: nobody may stand near", start=()),
    "jog_top": _optional("jog_top_mm_s", _SPEED, '"60 mm/s"', "the jog speed set in the firmware", without="one is advised"),
    "jog_limit": _optional("jog_limit_mm", _DISTANCE, '"12 mm"', "the limit on what is owed that the firmware has",
                           without="one is advised"),
    "run_on": _optional("run_on_mm", _DISTANCE, '"12 mm"', "how far it may run on after you stop", without="by top speed and ramp"),
    "friction": _optional("friction_share", _linear("share", "from 0 %", "99 %"), '"10 %"', "friction, of the motor's torque",
                          without="left out"),
}  # fmt: skip
_TASK_KEYS: Mapping[str, Field] = {
    "name": Field("name", words(60), '"cross the table"', "what is done"),
    "axis": Field("axis", words(16), '"X"', "the axis it is done on"),
    "kind": _optional("kind", one_of("goal", "feel"), '"goal"', "goal, or feel for contact at every click", without='"goal"'),
    "distance": Field("distance_mm", _DISTANCE, '"400 mm"', "how far, typically; contact lies somewhere within"),
    "tolerance": Field("tolerance_mm", _DISTANCE, '"4 mm"', "full width that counts; of feel, the longest last click"),
    "limit": _optional("limit_mm", _DISTANCE, '"0.1 mm"', "of feel: how far contact may be passed by", without="the tolerance"),
    "weight": _optional("weight", _number_above_zero, "2", "how often, beside the other tasks", without="1"),
    "cue": _optional("cue", one_of("readout", "eye"), '"eye"', "what is gone by: readout, or eye", without='"readout"'),
    "vary": _optional("vary", _linear("share", "from 0 %", "90 %"), '"25 %"', "how much the distance varies", without="25 %"),
}  # fmt: skip
DRIVES: Mapping[str, Mapping[str, Field]] = {name: keys for name, (_, keys, _) in _DRIVES.items()}
"""Tables of an axis that stand for its steps."""
KEYS: Mapping[str, Mapping[str, Field]] = {
    "": _TOP_KEYS, **{name: keys for name, (_, keys) in _TABLES.items()}, "axis": _AXIS_KEYS, "task": _TASK_KEYS,
    **{name: keys for name, (_, keys) in _OPTIONAL_TABLES.items()},
}  # fmt: skip
"""Every table of a machine file, "" its head."""
_START_MIX = "cross, go near, nudge on every axis"
