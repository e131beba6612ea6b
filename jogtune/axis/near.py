"""Cautions of a ladder, as notes."""

from collections.abc import Iterator, Sequence
from fractions import Fraction

from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from ..notes import Note, Severity, Where, merged
from .outstanding import _Outstanding, calm_speed_steps_s, derive_outstanding
from .row import Row, by_axis, rows
from .runon import smallest_full_speed_move_mm, time_to_full_speed_s

_CAUTION = Severity.CAUTION


def standing_notes(machine: Machine) -> tuple[Note, ...]:
    """What holds for every machine, wherever a rate is recommended; and that a lost link means stop."""
    return (
        Note(kind="no_safety_device", severity=Severity.DANGER),
        Note(kind="cannot_know", severity=_CAUTION),
        Note(kind="try_first", severity=_CAUTION),
        Note(kind="lost_link", severity=_CAUTION, figures={"silence_s": machine.link.silence_s}),
        Note(kind="feed_override", severity=_CAUTION),
    )


def ladder_cautions(machine: Machine, ladder: Ladder) -> tuple[Note, ...]:
    """What to mind with this ladder on this machine: clamp, stray click, run-on, limit; axes alike in one note."""
    found = list(by_axis(rows(machine, ladder)))
    clamps = [note for name, mine in found for note in _clamp(machine, machine.axis(name), mine)]
    fast = sorted({row.position for _, mine in found for row in mine if row.near_people != "yes"})
    if fast:
        where = Where(positions=tuple(fast))
        clamps.append(Note(kind="hold_to_run", severity=_CAUTION, where=where, figures={"stick": machine.stick is not None}))
    if any(axis.calm_speed_mm_s is not None for axis in machine.axes):
        clamps.append(Note(kind="no_rung_is_a_clamp", severity=_CAUTION))
    limits: list[Note] = []
    for name, mine in found:
        axis = machine.axis(name)
        limits += [*_limits(machine, axis, derive_outstanding(machine, axis, ladder), mine), *_sent(machine, axis, mine)]
    return merged([*clamps, *limits, *_before_the_coarse(machine, found), *_stick(machine)])


def _before_the_coarse(machine: Machine, found: Sequence[tuple[str, Sequence[Row]]]) -> Iterator[Note]:
    """What comes before the coarsest rung: homing and soft limits; that a tool axis may drop when its power goes."""
    last = max((mine[-1] for _, mine in found), key=lambda row: row.hurried_mm_s / machine.axis(row.axis).reach_mm)
    figures = {"hurried_mm_s": last.hurried_mm_s, "reach_mm": machine.axis(last.axis).reach_mm, "of": last.axis}
    yield Note(kind="home_first", severity=_CAUTION, where=Where(positions=(last.position,)), figures=figures, unit=last.unit)
    for axis in machine.axes:
        if axis.name.upper() == "Z" and not axis.rotary:
            yield Note(kind="may_drop", severity=_CAUTION, where=Where(axes=(axis.name,)))


def _stick(machine: Machine) -> Iterator[Note]:
    """That a stick's motion ends with the link, and how far it runs on at top speed."""
    if machine.stick is not None:
        run_on = {axis.name: axis.stopping_mm(axis.top_speed_mm_s, machine.link.lost_s) for axis in machine.axes}
        units = {axis.name: machine.shown_unit(axis) for axis in machine.axes}
        yield Note(kind="stick_to_zero", severity=_CAUTION, figures={"run_on": run_on, "units": units})


def _clamp(machine: Machine, axis: Axis, mine: Sequence[Row]) -> Iterator[Note]:
    """The clamp to set with someone near; what one stray click does where nothing clamps it."""
    unit, calm, last = machine.shown_unit(axis), axis.calm_speed_mm_s, mine[-1]
    where = Where(axes=(axis.name,))
    if calm is None:
        yield Note(kind="no_calm_speed", severity=_CAUTION, where=where, unit=unit)
    else:
        clamp = {
            "clamp_steps_s": calm_speed_steps_s(axis), "calm_mm_s": calm,
            "keeps_up_detents_s": tuple(calm / row.gain_mm for row in mine),
        }  # fmt: skip
        yield Note(kind="clamp", severity=Severity.DANGER, where=where, figures=clamp, unit=unit)
    where = Where(axes=(axis.name,), positions=(last.position,))
    figures = {"gain_mm": last.gain_mm, "stray_mm_s": last.stray_mm_s}
    yield Note(kind="stray_click", severity=_CAUTION, where=where, figures=figures, unit=unit)


def _sent(machine: Machine, axis: Axis, mine: Sequence[Row]) -> Iterator[Note]:
    """The clicks that the link's decimals round, and what the worst is off after 1000 of them, exactly."""
    off = {row: machine.sent(axis, gain) - gain for row in mine for gain in [Fraction(row.gain_num, row.gain_den)]}
    if any(off.values()):
        drops = machine.firmware.remainder == "drop"
        lost = {row: (row.steps + (by := off[row] * axis.steps_per_mm)) % 1 * drops - by for row in mine if off[row]}  # [steps]
        worst = max(lost, key=lambda row: abs(lost[row]))
        where = Where(axes=(axis.name,), positions=tuple(row.position for row in mine if off[row]))
        figures = {"decimals": machine.firmware.decimals, "gain_mm": Fraction(worst.gain_num, worst.gain_den),
                   "sent_mm": worst.gain_mm + float(off[worst]), "drift_mm": abs(1000 * lost[worst] * axis.step_mm)}  # fmt: skip
        yield Note(kind="sent_rounded", severity=_CAUTION, where=where, figures=figures, unit=mine[0].unit)


def axis_notes(machine: Machine, ladder: Ladder) -> tuple[Note, ...]:
    """What each axis does on its own and under a steady hand whose clicks are all finished."""
    notes = []
    for name, mine in by_axis(rows(machine, ladder)):
        axis, where = machine.axis(name), Where(axes=(name,))
        figures = {
            "time_s": time_to_full_speed_s(axis.top_speed_mm_s, axis.ramp_mm_s2),
            "way_mm": smallest_full_speed_move_mm(axis.top_speed_mm_s, axis.ramp_mm_s2),
            "highest": next((n for n, row in enumerate(mine) if row.runs_on_too_far), len(mine)), "count": len(mine),
        }  # fmt: skip
        notes.append(Note(kind="full_speed_takes", where=where, figures=figures, unit=mine[0].unit))
    return merged(notes)


def _limits(machine: Machine, axis: Axis, found: _Outstanding, mine: Sequence[Row]) -> Iterator[Note]:
    """Where hurrying runs on too far and what mends it; what is amiss with the limit and jog speed of the file."""
    unit, drops = machine.shown_unit(axis), machine.firmware.when_full == "drop"

    def note(kind: str, positions: Sequence[int] = (), **figures: object) -> Note:
        where = Where(axes=(axis.name,), positions=tuple(positions))
        return Note(kind=kind, severity=_CAUTION, where=where, figures=figures, unit=unit)

    filed = axis.jog_limit_mm
    hurried = [row for row in mine if row.too_fast == "limit"]
    if hurried and not (filed is not None and drops):
        worst = max(hurried, key=lambda row: row.hurried_run_on_mm)
        queue = found.queue if machine.firmware.queue is not None else None
        yield note(
            "hurried_run_on", [row.position for row in hurried], run_on_mm=worst.hurried_run_on_mm,
            at_reach=worst.hurried_at_reach, limit_mm=found.limit_mm, limit_steps=found.limit_steps,
            jog_top_mm_s=found.jog_top_mm_s, queue=queue,
        )  # fmt: skip
    if filed is not None and found.allowed_given and filed > found.allowed_mm:
        yield note("limit_over_allowed", limit_mm=filed, allowed_mm=found.allowed_mm)
    if filed is not None and machine.firmware.when_full == "wait":
        yield note("limit_that_waits")
    if found.cures:
        yield note("clicks_lost_within", allowed_mm=found.allowed_mm, gain_mm=found.gain_mm, cures=found.cures)
    losing = [row.position for row in mine if row.kind == "travel"]
    if losing and (filed is not None or axis.jog_top_mm_s is not None or found.allowed_given):
        yield note("clicks_lost_at", losing, rate_detents_s=machine.knob.steady_detents_s)
    dead = [row.position for row in mine if row.gain_mm > found.used_limit_mm * (1 + 1e-9)]
    if dead:
        yield note("dead_positions", dead, limit_mm=found.used_limit_mm)
    filed_mm = machine.buttons.steps_mm if machine.buttons else ()
    pressed = Ladder.from_gains(filed_mm, show_in=machine.show_in).on(axis) if filed_mm else ()
    if dead_mm := [gain for gain in pressed if gain > found.used_limit_mm * (1 + 1e-9)]:
        yield note("dead_buttons", press_mm=dead_mm, limit_mm=found.used_limit_mm)
