"""Touching off."""

from ..notes import Note
from .say import _fill, _Template

_OFF = {"finer": "by a click of a finer position", "stick": "with the stick, away from the work",
        "typed": "by a fifth of a click typed at the controller"}  # fmt: skip


def _brief(note: Note) -> str:
    then = "".join(
        f"; on contact position {position}, {back} back, {f'{free} on, ' * (free > 0)}then one at a time, {most} at most"
        for position, back, free, most in note.figures["then"]
    )
    told = "Touch off {axes}, spindle off: from {from} on {positions}, one click at a time, {most} at most"
    return _fill(f"{told}{then}.", note)


_TOUCH_NOTES: dict[str, _Template] = {
    "touch_ready": "Spindle off, {axes} free to go back, fingers off the cutter.",
    "touch_no_stick": "From here on move {axes} by clicks; never the stick towards the work.",
    "touch_near": "Come near with {axes} by eye, to {from} from the work, with {positions} ({gain} a click) at the coarsest.",
    "touch_first": "From {from} on move {axes} slowly, on {positions}, {gain} a click: one click at a time, towards the work, and "
    "feel after each. Contact comes after {clicks} clicks on average, {most} at most.",
    "touch_finer": lambda note: _fill(
        "On contact take {positions}, {gain} a click: {axes} {back} clicks away from the work ({away}), "
        + ("{free} at once towards it, for slack, then " if note.figures["free"] else "")
        + "one at a time, towards the work only, and feel after each. Contact comes after {clicks} of these on average, {most} at "
        "most.", note),
    "touch_passes": "{axes} stops {passed} past contact on average (standard deviation {sd}). It takes {time}, give or take "
    "{spread}.",
    "touch_reading": "To read where the work is on {axes}: contact lies {passed} back, and the work a sheet of paper beyond "
    "contact, {thin} to {thick} (common practice, no source; measure yours). In all it lies {beyond} beyond the reading, standard "
    "deviation {sd}.",
    "touch_repeats": lambda note: _fill(
        "Of five repeats on {axes} the true mean lies within ±{mean} of their standard deviation, the next one within ±{another} "
        "(19 times of 20). From one starting place they can be equal and still {wrong} wrong: start each off the grid of clicks, "
        f"{_OFF[note.figures['off']]}. Their mean, half a click taken off, is then right to {{sd}} (standard deviation).", note),
    "touch_brief": _brief,
    "probe_brief": "Probe {axes}, tested by hand first: {first} for {search} at most, back {back}, again at {second}.",
    "probe_ready": "Probe: spindle off, plug it in, touch it by hand and see the controller stop. Only then trust it on {axes}.",
    "probe_first": "Send {axes} towards it at {first}, for {search} at most: it stops {over} past contact, of the {give} that the "
    "probe gives.",
    "probe_calm": "With someone near, {axes} may go {calm} at most: search no faster.",
    "probe_none": "No contact within {search}: stop, take {axes} back, and look at plug, lead and clip. Search no deeper.",
    "probe_second": "Take {axes} back {back} and come again at {second}, for {back} at most: contact is then known to {step}. It "
    "takes {time} at most.",
}
"""Kind of note -> its sentence."""
