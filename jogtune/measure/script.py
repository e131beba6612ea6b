"""What to turn for the ramps."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from ..axis.outstanding import derive_outstanding
from ..axis.row import rows
from ..files import Fault, InputFault
from ..ladder.ladder import Ladder
from ..machine.model import Machine
from ..notes import Note, Severity, Where
from .figure import Figure
from .tune import _Ramp

_SPIN_S, _SPINS, _FLICKS, _SINGLES, _REST_S = 1.0, 3, 4, 5, 2.0


def script_notes(machine: Machine, ladder: Ladder, axis: str | None = None) -> tuple[Note, ...]:
    """What to turn, in order, so that a log of two minutes tells an axis' ramps (the first straight axis where none is named).

    The spins are on the finest rung whose hurried hand outruns the axis (top speed / 24) and on the one nearest to twice that.
    The way free is twice what a firmware without a limit would run, as a hand may turn for twice as long; where half of the reach
    is shorter, spins are too (tenths of a second)."""
    names = [one.name for one in machine.axes]
    if axis is not None and axis not in names:
        raise InputFault("--axis", [Fault("", axis, f"must be one of {', '.join(names)}")])
    turned = machine.axis(axis) if axis else next((one for one in machine.axes if not one.rotary), machine.axes[0])
    where, unit, gains = Where(axes=(turned.name,)), machine.shown_unit(turned), [float(gain) for gain in ladder.on(turned)]
    fast = [gain for gain in gains if gain >= turned.top_speed_mm_s / 24 * (1 - 1e-9)]
    fine = min(fast, default=max(gains))
    coarse = min((gain for gain in fast if gain > fine), key=lambda gain: abs(math.log(gain / (2 * fine))), default=fine)
    rate = machine.knob.fastest_detents_s
    lasts = {gain: min(_SPIN_S, max(math.floor(2.5 * turned.reach_mm / (rate * gain)), 1) / 10) for gain in (fine, coarse)}
    way = 2 * max(rate * gain * spin_s for gain, spin_s in lasts.items())

    def note(kind: str, severity: Severity = Severity.INFO, **figures: object) -> Note:
        return Note(kind=kind, severity=severity, where=where, figures=figures, unit=unit)

    found = [note("script_begin"), note("script_way", Severity.CAUTION, way_mm=way), note("script_log")]
    found += [note("script_single", gain_mm=coarse, times=_SINGLES), note("script_flick", gain_mm=fine, times=_FLICKS)]
    found += [note("script_spin", gain_mm=gain, times=_SPINS, lasts_s=spin_s) for gain, spin_s in lasts.items()]
    found.append(note("script_rest", rest_s=_REST_S))
    if not fast:
        found.append(note("script_slow", Severity.MIND, gain_mm=fine, asked_mm_s=24 * fine))
    elif coarse == fine:
        found.append(note("script_one_rung", Severity.MIND, gain_mm=fine))
    return tuple(found)


def _ramp_notes(machine: Machine, found: _Ramp, gains_mm: Sequence[float]) -> Iterator[Note]:
    """That nothing limits what is owed; where the file is off by more than the interval, and its line; what to set; what that
    changes."""
    axis = machine.axis(found.axis)
    where, unit, own = Where(axes=(axis.name,)), machine.shown_unit(axis), found.slower
    limit = found.limit_mm if found.habit == "limit" else None
    filed: dict[tuple[str, str], tuple[Figure | None, float | None]] = {
        ("ramp", "_mm_s2"): (own, axis.ramp_mm_s2 if machine.knows(axis.name, "ramp_mm_s2") else None),
        ("jog_top", "_mm_s"): (found.top_mm_s, axis.jog_top_mm_s or axis.top_speed_mm_s),
        ("jog_limit", "_mm"): (limit, axis.jog_limit_mm), ("delay", "_s"): (found.delay_s, machine.link.delay_s),
        ("queue", ""): (found.queue if found.habit == "queue" else None, machine.firmware.queue),
    }  # fmt: skip
    ladder = Ladder.from_gains([Fraction(gain).limit_denominator(10**6) for gain in gains_mm], show_in=unit)
    top = found.top_mm_s.value if found.top_mm_s.known else None
    shown = replace(axis, ramp_mm_s2=own.value or axis.ramp_mm_s2, top_speed_mm_s=top or axis.top_speed_mm_s,
                    jog_limit_mm=limit.value if limit else None)  # fmt: skip
    advised = derive_outstanding(replace(machine, axes=(shown,)), shown, ladder)
    lead = found.limit_mm.value if found.habit == "owe" and found.limit_mm else None
    if lead is not None and lead > advised.limit_mm:
        behind = {"lead_mm": lead, "limit_mm": advised.limit_mm}
        yield Note(kind="no_limit_seen", severity=Severity.MIND, where=where, figures=behind, unit=unit)
    for (key, ending), (figure, says) in filed.items():
        if figure is not None and figure.known and (says is None or not figure.holds(says)):
            told = {"measured": figure.value, "low": figure.low, "high": figure.high, "filed": says}
            figures = {name + ending: value for name, value in told.items() if value is not None}
            yield Note(kind="file_off", severity=Severity.MIND, where=where, figures={"key": key, **figures}, unit=unit)
    figures = {f"{name}_mm_s2": ramp for name, ramp in advised.ramps_mm_s2.items()}
    yield Note(kind="ramp_to_set", where=where, figures={"gain_mm": advised.gain_mm, **figures}, unit=unit)
    now, then = (
        next(row for row in rows(replace(machine, axes=(one,)), ladder) if row.gain_mm == advised.gain_mm) for one in (shown, axis)
    )
    each = math.ceil(machine.knob.fastest_detents_s * machine.link.report_interval_s) * advised.gain_mm
    held = None if found.habit == "owe" else found.limit_mm or (found.queue.times(each) if found.queue else None)
    most = held.value if held else None
    filed_most = axis.jog_limit_mm if machine.firmware.when_full == "drop" else None
    changes = {
        "run_on_mm": min(now.hurried_run_on_mm, most or math.inf), "filed_mm": min(then.hurried_run_on_mm, filed_most or math.inf),
        "free_detents_s": now.free_detents_s, "by_file_detents_s": then.free_detents_s,
    }  # fmt: skip
    yield Note(kind="ramp_changes", where=where, figures={"gain_mm": advised.gain_mm, **changes}, unit=unit)
    yield Note(kind="ramp_straight", where=where)
    yield Note(kind="ramp_untested", severity=Severity.CAUTION, where=where)
