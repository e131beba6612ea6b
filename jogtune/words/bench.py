"""What is said of a dial indicator's readings: a sentence per kind."""

from __future__ import annotations

from ..notes import Note
from ..units import say_number
from .say import Template, counted, fill, listed, percent


def _movements(note: Note) -> str:
    longer = " Or the slack is longer than {travel}: then read a longer rung too." if note.figures["short"] else ""
    return fill(
        "{Axes}: these look like movements, not dial positions, as back reads as much as up. Set the dial to zero once per rung, "
        "don't zero in between, and write what it shows." + longer + " Nothing else is concluded.", note
    )  # fmt: skip


def _in_order(note: Note) -> str:
    limit, hidden = note.figures.get("limit_share"), note.figures["remainders_hidden"]
    shows = f" A factor within {percent(limit)} of 1 would not show." if limit else ""
    whole = " Whether remainders are kept can't be seen here, as every rung is whole motor steps." if hidden else ""
    return f"{fill('{Axes}: every reading is where it should be.', note)}{shows}{whole}"


def _split(note: Note) -> str:
    pairs = zip(note.figures["causes"], note.figures["likelihood_share"], strict=True)
    shown = " or ".join(f"{listed(kinds) or 'nothing wrong'} ({percent(share)})" for kinds, share in pairs)
    return f"{fill('{Axes}', note)}: the readings fit {shown}. Take more rounds, or a rung with more travel."


def _factor(more: str) -> Template:
    """What clicks move of what they should, as the readings show it or, where other causes hide it, as concluded."""

    def sentence(note: Note) -> str:
        shown = "clicks up move {moved} (± {half}) of what they should, " if "moved" in note.figures else (
            "with the other causes allowed for, clicks move {ratio} of what they should, ")  # fmt: skip
        return fill("{Axes}: " + shown + more + ".", note)

    return sentence


def _teeth(note: Note) -> str:
    shown = " or ".join(f"{there} teeth where {assumed} are assumed" for there, assumed in note.figures["teeth"])
    return f"{fill('{Axes}', note)}: count the teeth: {shown}."


def _unit(note: Note) -> str:
    dial = f" Or the dial itself reads {note.figures['dial']}." if note.figures["dial"] else ""
    return f"{fill('{Axes}', note)}: look for a setting in inches where mm are meant, or the other way round.{dial}"


def _stays_behind(note: Note) -> str:
    dial = f", the dial's {note.figures['dial']} converted" if note.figures["dial"] else ""
    stay = "{Axes}: after each reversal the readings stay {slack} behind, on every rung alike (file {filed}"
    return f"{fill(stay, note)}{dial})."


def _error_grows(note: Note) -> str:
    way = "comes back with the clicks" if note.figures["comes_back"] else "goes on growing on the way back"
    fall = "falls" if len(note.figures["rungs_mm"]) == 1 else "fall"
    return fill("{Axes}: the error grows click by click. Only {rungs} a click ", note) + f"{fall} short, and the error {way}."


BENCH: dict[str, Template] = {
    # what an axis shows
    "few_readings": lambda note: f"{fill('{Axes}', note)}: {counted(note.figures['seen'], 'reading')} can't tell: take at least "
    "up and back twice on one rung.",
    "movements_typed": _movements,
    "readings_in_order": _in_order,
    "causes_found": "{Axes}: the readings show {causes}.",
    "causes_split": _split,
    # evidence
    "whole_clicks_only": _factor("in whole clicks only: 1 click in every {every} counts"),
    "alike_on_every_rung": _factor("alike on every rung: {ratio}"),
    "inches_for_mm": _factor("the factor between inches and mm: {factor}"),
    "tooth_ratio": _factor("a ratio of tooth counts: {ratio}"),
    "no_usual_ratio": _factor("and no usual ratio fits"),
    "sign_reversed": "{Axes}: every reading has the other sign.",
    "stays_behind": _stays_behind,
    "error_grows": _error_grows,
    "rounds_differ": "{Axes}: rounds that should read alike differ by more than indicator and motor explain, without a pattern.",
    "knob_is_shared": "{Axes}: every axis measured shows it, and they share the knob.",
    "knob_is_well": "{Axes}: the other axes measured don't show it, so it isn't the knob.",
    # cures
    "check_counts": "{Axes}: set the counts per detent. The knob makes {ratio} of the counts the file says.",
    "check_microsteps": "{Axes}: check the microsteps, or the counts per detent (then every axis shows it): a factor {ratio}.",
    "check_unit": _unit,
    "count_teeth": _teeth,
    "turn_indicator": "{Axes}: turn the indicator round; else the axis runs backwards.",
    "check_square": lambda note: fill("{Axes}: set the indicator square to the axis. If it was, ", note)
    + f"steps would be {say_number(note.figures['steps'])} per {note.unit}: measure over more travel.",
    "mend_slack": '{Axes}: put slack = "{slack}" into the file, or mend nut, belt or bearing. Touch off from one side.',
    "keep_remainders": '{Axes}: the firmware drops remainders. Put remainder = "drop" into the file and choose rungs of whole '
    "motor steps.",
    "look_for_slips": "{Axes}: look for lost steps (lower ramp or speed, more current) or a loose clamp, coupling or indicator "
    "foot.",
    "mend_counts": "{Axes}: correct the counts per detent, in the file or in the firmware.",
    "mend_microsteps": "{Axes}: correct the microsteps set on the driver.",
    # the table, and always
    "semicolons": "The columns are parted by semicolons, so a comma in a number was read as its decimal point.",
    "try_after_change": "After a change try the finest position first, spindle off, tool clear, hands out of the way, a "
    "hard-wired stop within reach.",
}
"""Kind of note -> its sentence, with figures in braces (see `say.fill`)."""
