"""The C header."""

from __future__ import annotations

import os
import re
import textwrap
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction

from .. import __version__
from ..axis.outstanding import derive_outstanding
from ..axis.row import Row
from ..choose.suggest import Suggestion
from ..files import Fault, InputFault
from ..machine.model import Axis
from ..words.answer import cautions

_LARGEST = 2**31 - 1


def _generated_at() -> str:
    """Now in UTC, or the time that SOURCE_DATE_EPOCH gives, so that a build can be repeated to the byte."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    if epoch and not (epoch.isdigit() and int(epoch) < 2**37):
        fault = Fault("SOURCE_DATE_EPOCH", epoch, "must be whole seconds since 1970", "mend or unset it")
        raise InputFault("environment", [fault])
    moment = datetime.fromtimestamp(int(epoch), UTC) if epoch else datetime.now(UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def _c_text(text: str) -> str:
    """A text as a C string literal: ASCII only, no trigraphs, nothing that ends it early.

    >>> print(_c_text('X"??/'))
    "X\\"\\?\\?/"
    """
    plain = {**{chr(n): chr(n) for n in range(32, 127)}, "\\": "\\\\", '"': '\\"', "?": "\\?"}
    return '"' + "".join(plain.get(c) or "".join(f"\\{byte:03o}" for byte in c.encode()) for c in text) + '"'


def _c_comment(text: str) -> str:
    """A text that is safe inside a C comment: ASCII, and nothing that opens, ends or continues one."""
    ascii_text = text.replace("×", "x").replace("√", "sqrt ").encode("ascii", "replace").decode()
    return re.sub(r"\*(?=/)|/(?=[*/])", r"\g<0> ", ascii_text.replace("\\", "/").replace("??", "? ?"))


@dataclass(frozen=True, kw_only=True)
class _Ratio:
    """A number as numerator and denominator that fit 32 bits; `exact` is False where it had to be rounded."""

    numerator: int
    denominator: int
    exact: bool


def _fit_ratio(value: Fraction, *, exact: bool = True, times: int = 1) -> _Ratio:
    """A fraction that fits 32 bits, and `times` it too; the nearest where it doesn't.

    Raises ValueError where none can.

    >>> _fit_ratio(Fraction(8, 5))
    _Ratio(numerator=8, denominator=5, exact=True)
    """
    fitted, most = value, _LARGEST // times
    if value.numerator > most or value.denominator > _LARGEST:
        fitted = value.limit_denominator(max(1, min(10**6, int(most / max(value, Fraction(1))))))
    if not 0 < fitted.numerator <= most:
        raise ValueError(f"{float(value):.6g} doesn't fit 32-bit whole numbers")
    return _Ratio(numerator=fitted.numerator, denominator=fitted.denominator, exact=exact and fitted == value)


_STRUCT = """\
typedef struct jt_rung {
    uint8_t position;                  /* selector position, 1 is the finest */
    const char *axis;                  /* the axis this record is for */
    const char *unit;                  /* mm or deg: the unit of the gain on this axis */
    uint32_t multiplier;               /* gain = multiplier x base */
    uint32_t gain_numerator;           /* distance per click, numerator / denominator */
    uint32_t gain_denominator;
    uint32_t steps_numerator;          /* motor steps per click, numerator / denominator */
    uint32_t steps_denominator;        /* 1: whole steps, no remainder to keep */
    uint32_t axis_denominator;         /* the same on every rung of the axis: remainders are kept in it */
    uint8_t exact;                     /* 0: steps per distance are irrational or rounded */
    uint8_t near_people;               /* 1: a stray click stays within the calm speed; 0: it doesn't, or not known */
                                       /* (turned fast, a 1 may pass the calm speed too: clamp, JT_CALM_STEPS_S_n) */
    uint32_t full_speed_millidetents_s; /* turned faster than this, the axis can't keep up */
    uint32_t top_speed_steps_s;        /* top speed of the axis, rounded down */
    uint32_t ramp_steps_s2;            /* its acceleration, rounded down */
    uint32_t reach_steps;              /* its usable travel, rounded down */
} jt_rung;
"""
_HELPERS = """\
/* Steps from the start after a signed number of clicks: floor(clicks * steps + 1/2), exact. */
static inline int64_t jt_steps_at(const jt_rung *rung, int64_t clicks)
{
    const int64_t below = 2 * (int64_t)rung->steps_denominator;
    const int64_t above = 2 * clicks * (int64_t)rung->steps_numerator + (int64_t)rung->steps_denominator;
    return above >= 0 ? above / below : -((-above + below - 1) / below);
}

/* Steps to make for one click up (1) or down (-1). Keep one `rest` per axis, set it to
   axis_denominator / 2 once at the start, and leave it alone when the rung changes: no remainder is lost. */
static inline int32_t jt_click(const jt_rung *rung, int way, int64_t *rest)
{
    const int64_t below = (int64_t)rung->axis_denominator;
    int64_t steps;
    *rest += (int64_t)way * (int64_t)rung->steps_numerator * (below / (int64_t)rung->steps_denominator);
    steps = *rest >= 0 ? *rest / below : -((-*rest + below - 1) / below);
    *rest -= steps * below;
    return (int32_t)steps;
}
"""


def _suggestion_to_header(answer: Suggestion) -> str:
    """A suggestion as a C header; raises `InputFault` where a figure can't be said in 32 bits."""
    records = _records(answer)
    table = "static const jt_rung JT_RUNGS[JT_RUNG_COUNT] = {\n" + ",\n".join(records) + "\n};\n"
    parts = [_opening(answer), _constants(answer, len(records)), _STRUCT, table, _HELPERS, "#endif /* JOGTUNE_LADDER_H */\n"]
    return "\n".join(parts)


def _opening(answer: Suggestion) -> str:
    lines = [
        f"Ladder of {answer.machine.name}: {answer.ladder.say()} per click.",
        f"Generated by jogtune {__version__} at {_generated_at()}.",
        f"Machine file SHA-256: {answer.machine.sha256 or 'not given'}.", "", *cautions(answer),
    ]  # fmt: skip
    folded = [part for line in lines for part in textwrap.wrap(_c_comment(line), 96) or [""]]
    body = "\n".join(f" * {line}".rstrip() for line in folded)
    return f"/*\n{body}\n */\n#ifndef JOGTUNE_LADDER_H\n#define JOGTUNE_LADDER_H\n\n#include <stdint.h>\n"


def _constants(answer: Suggestion, count: int) -> str:
    machine, link = answer.machine, answer.machine.link
    values = {
        "MACHINE": _c_text(machine.name), "MACHINE_SHA256": _c_text(machine.sha256),
        "GENERATED_BY": _c_text(f"jogtune {__version__}"), "GENERATED_AT": _c_text(_generated_at()),
        "POSITIONS": len(answer.ladder.rungs), "AXES": len(machine.axes), "COUNTS_PER_DETENT": machine.knob.counts_per_detent,
        "DETENTS_PER_TURN": machine.knob.detents_per_turn, "REPORT_INTERVAL_US": round(link.report_interval_s * 1e6),
        "SILENCE_US": f"{round(link.silence_s * 1e6)} /* no report for so long: stop, discard, start afresh */",
        "RUNG_COUNT": f"{count} /* one record per position and axis */",
    }  # fmt: skip
    for number, axis in enumerate(machine.axes, start=1):
        found, name = derive_outstanding(machine, axis, answer.ladder), _c_comment(axis.name)
        values[f"LIMIT_STEPS_{number}"] = f"{_whole(found.limit_steps)} /* {name}: drop whole clicks beyond */"
        if found.calm_speed_steps_s is not None:
            values[f"CALM_STEPS_S_{number}"] = f"{_whole(found.calm_speed_steps_s)} /* {name}: clamp near people */"
    return "".join(f"#define JT_{name} {value}\n" for name, value in values.items())


def _records(answer: Suggestion) -> list[str]:
    records, faults = [], []
    for row in answer.rows:
        try:
            records.append(_record(row, answer.machine.axis(row.axis), answer.ladder.multipliers[-1]))
        except ValueError as error:
            faults.append(Fault(f"axis {row.axis}, position {row.position}", rule=str(error), cure="choose another base or rung"))
    if faults:
        raise InputFault("C header", faults)
    return records


def _record(row: Row, axis: Axis, highest: int) -> str:
    gain = _fit_ratio(Fraction(row.gain_num, row.gain_den))
    base = _fit_ratio(row.steps / row.multiplier, exact=row.exact, times=highest)
    steps = Fraction(base.numerator * row.multiplier, base.denominator)
    per_mm = float(axis.steps_per_mm)
    cells = [
        str(row.position), _c_text(row.axis), _c_text("deg" if axis.rotary else "mm"), _whole(row.multiplier),
        _whole(gain.numerator), _whole(gain.denominator), _whole(steps.numerator), _whole(steps.denominator),
        _whole(base.denominator), str(int(base.exact)), str(int(row.near_people == "yes")),
        _whole(1000 * row.full_speed_detents_s), _whole(axis.top_speed_mm_s * per_mm), _whole(axis.ramp_mm_s2 * per_mm),
        _whole(axis.reach_mm * per_mm),
    ]  # fmt: skip
    note = f"{row.gain} {row.unit}{', as on the position before' if row.repeats else ''}"
    return f"    /* {_c_comment(note)} */ {{ {', '.join(cells)} }}"


def _whole(value: float | int) -> str:
    number = int(value * (1 + 1e-12)) if isinstance(value, float) else value
    if not 0 <= number < 2**32:
        raise ValueError(f"{value:.6g} doesn't fit an unsigned 32-bit number")
    return f"{number}u"
