"""The same in brief."""

from collections.abc import Collection

from ..axis.limits import real_resolution
from ..axis.near import ladder_cautions, standing_notes
from ..choose.suggest import Suggestion
from ..ladder.ladder import Ladder, Rung
from ..machine.model import Machine
from ..notes import Severity
from ..units import UNIT_FACTORS, say_distance, say_number
from .say import _fill, _Template

_SHORT: dict[str, _Template] = {
    "no_safety_device": "jogtune calculates; it is no safety device. Hands clear, a hard-wired stop within reach.",
    "clamp": "{axes}: with someone near, clamp in the firmware at {clamp} ({calm}).",
    "no_calm_speed": "{axes}: no calm speed known. With someone near, ask the manual first.",
    "no_rung_is_a_clamp": "No rung is a clamp. Two axes at once: divide each clamp by √2.",
    "lost_link": "A lost link ({silence} of silence) must mean stop.",
    "cannot_know": "The machine's manual, its risk assessment and local rules come first.",
    "try_first": "Try each rung first with the spindle off and the tool clear, the finest first.",
    "stray_click": "{axes}: a stray click on {positions} moves {gain} at up to {stray}.",
    "hold_to_run": "{Positions}: move only while an enabling button is held.",
    "home_first": "Home and set soft limits before {positions}.",
    "may_drop": "{axes} may drop without power: block it.",
    "stick_to_zero": "Stick: it falls to zero, stops with the link, moves again once centred.",
    "feed_override": "Feed override on the same knob: never both at once.",
    "hurried_run_on": "{axes}, {positions}: turned hard, runs on {run_on}. Owe no more than {limit}.",
    "limit_over_allowed": "{axes}: the jog_limit, {limit}, runs on over the {allowed} allowed.",
    "limit_that_waits": "{axes}: let the firmware drop clicks beyond its limit.",
    "clicks_lost_within": "{axes}: within {allowed} of run-on, {gain} a click loses clicks.",
    "clicks_lost_at": "{axes}: at {rate} clicks are lost on {positions}.",
    "dead_buttons": "{axes}: a button of {press} moves nothing; one press is over the limit of {limit}.",
    "sent_rounded": "{axes}: {decimals} decimals are too few for {positions}: {drift} off after 1000 clicks.",
    "dead_positions": "{axes}: nothing moves on {positions}; one click is over the limit of {limit}.",
}
"""Kind of caution -> its sentence where there is little room."""


def brief_cautions(machine: Machine, ladder: Ladder, axes: Collection[str] = ()) -> list[str]:
    """Every caution of a ladder on a machine in brief, the gravest first; with `axes` those of them and of all axes."""
    notes = (note for note in (*standing_notes(machine), *ladder_cautions(machine, ladder)) if note.severity >= Severity.CAUTION)
    here = [note for note in notes if not axes or not note.where.axes or set(axes) & set(note.where.axes)]
    return [_fill(_SHORT[note.kind], note) for note in sorted(here, key=lambda note: -note.severity)]


def own_words(ladder: Ladder, position: int) -> str:
    """What the axes that have their own distances move per click at a position, where it is not what the others move."""
    shared, own = ladder.gains_mm[position - 1], dict[str, list[str]]()
    for column in ladder.own:
        gain = column.gains_mm[position - 1]
        if (column.unit == "deg") != (ladder.show_in == "deg") or gain != shared:
            own.setdefault(say_distance(gain, column.unit), []).append(column.axis)
    return ", ".join(f"{' '.join(axes)} {gain}" for gain, axes in own.items())


def rung_use(machine: Machine, ladder: Ladder, rung: Rung) -> str:
    """What a rung is for, by how far there is to go: two clicks of it up to two clicks of the next (our choice)."""
    unit, gains = machine.show_in, ladder.gains_mm
    low = say_distance(2 * rung.gain_mm, unit)
    if len(gains) == 1:
        return "everything: the only rung"
    if rung.position == len(gains):
        return f"cross the table: over {low}"
    high = say_distance(2 * gains[rung.position], unit)
    if rung.position == 1:
        return f"touch off, nudge: under {high} to go"
    return f"come near: {low.split()[0]} to {high} to go"


def card_run_on(machine: Machine) -> str:
    """How the card's run-on is meant."""
    rate, link = say_number(machine.knob.steady_detents_s, digits=3), machine.link
    later = say_number(1000 * (link.report_interval_s + link.delay_s + link.jitter_s), digits=3)
    return (
        f"Run-on: how far the axis still travels after the last report of a hand that turned {rate} clicks a second, "
        "every click finished; where that outruns the axis, after a second of it. From the last click itself "
        f"it moves on for up to {later} ms more. A hand that hurries makes it run on further."
    )


def resolution_words(answer: Suggestion) -> list[str]:
    """What resolution is real on each axis, in words, with what can't be told from the file."""
    texts = []
    for axis in answer.machine.axes:
        real, unit = real_resolution(axis), answer.machine.shown_unit(axis)
        factor = float(UNIT_FACTORS[unit])
        one, back = (say_number(v / factor, digits=3) for v in (real.one_way_mm, real.reversed_mm))
        limits = {"one motor step": real.step_mm, "the motor's accuracy": real.motor_mm, "friction": real.friction_mm}
        sets_it = max(limits, key=lambda name: limits[name] or 0.0)
        unknown = "" if real.motor_mm is not None else " (microsteps not given, so the motor's share is not in it)"
        texts.append(
            f"Axis {axis.name}: {one} {unit} approaching one way ({sets_it}), {back} {unit} after a reversal, "
            f"with {'the' if answer.machine.knows(axis.name, 'slack_mm') else 'an assumed'} slack on top{unknown}."
        )
    return texts
