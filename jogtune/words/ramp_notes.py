"""Ramps from a log."""

from ..notes import Note
from .say import _fill, _Template, said

_FILED = {
    "ramp": ("a ramp", "[[axis]]"), "jog_top": ("a top speed", "[[axis]]"), "jog_limit": ("a limit", "[[axis]]"),
    "delay": ("a delay", "[link]"), "queue": ("a queue", "[firmware]"),
}  # fmt: skip
"""Key -> what it is, and the table of the machine file that it stands in."""


def _file_off(note: Note) -> str:
    key, told = note.figures["key"], said(note)
    what, table = _FILED[key]
    value = told["measured"].replace("²", "2").replace("°", " deg")
    line = f"{key} = {value}" if key == "queue" else f'{key} = "{value}"'
    says = f"says {told['filed']}" if "filed" in told else "gives none"
    between = f" ({told['low'].split()[0]} to {told['high'].split()[0]})" if told["low"] != told["high"] else ""
    shows = f"the log shows {what} of {told['measured']}{between}; the machine file {says}"
    return f"{_fill('{Axes}', note)}: {shows}. Under {table}: {line}."


_RAMP_NOTES: dict[str, _Template] = {
    "file_off": _file_off,
    "no_limit_seen": "{Axes}: no click was dropped, and it was up to {lead} behind the hand: so far it may run on. Limit what is "
    "owed to {limit} and drop the clicks beyond.",
    "ramp_to_set": lambda note: _fill(
        "{Axes}, for a steady hand at {gain} a click: "
        + ("under {least} clicks are lost or it runs on too far, " if "least_mm_s2" in note.figures else "")
        + "a ramp over {plenty} is worth little, over {smooth} each report is felt.", note),
    "ramp_changes": "{Axes}, with what the log shows: after a hurried second at {gain} a click it runs on up to {run_on} ({filed} "
    "by the machine file); under the limit in use or advised no click is lost up to {free} ({by_file}).",
    "ramp_straight": "{Axes}: S-shaped ramps read about 5 % low, and the delay long by half of their rounding.",
    "ramp_untested": "{Axes}: its ramps and speeds are the controller's own count, and don't show what the motor holds. Before you "
    "raise one, run thirty returns to a dial at 1.25 times as much, the tool out.",
    # why a figure is "at least" so much
    "held_down": "A limit or a queue may have held it down.",
    "nothing_lost": "No click was lost.",
    # the script
    "script_begin": "{Axes}: turn the knob so for two minutes, and a log tells ramp, brake, top speed, delay, and limit or queue.",
    "script_way": "{Axes}: spindle off, tool out, hands clear, the stop in reach, mid-travel with {way} free each way. "
    "A firmware without a limit runs half as far after you stop, and as far if you spin for twice as long.",
    "script_log": "Record the control's own reports, 20 to 50 ms apart. A CSV needs no map with # position: counted in its first "
    "line and these columns: time_s, axis, detents (clicks since the row before), gain_mm (a click), position_mm.",
    "script_single": "At {gain} a click: one click, {times} times.",
    "script_flick": "At {gain} a click: flick about 4 clicks, {times} times.",
    "script_spin": "At {gain} a click: spin hard for {lasts}, stop dead, {times} times.",
    "script_rest": "Turn each one the other way than the one before, and wait {rest} after {axes} has come to rest.",
    "script_slow": "At {gain} a click, the coarsest, {axes} keeps up with 24 clicks/s ({asked}): its top speed and its limit will "
    "not show.",
    "script_one_rung": "Only {gain} a click outruns {axes}: a limit and a queue will look alike.",
}  # fmt: skip
"""Kind of note -> its sentence, with figures in braces (see `say.fill`)."""
