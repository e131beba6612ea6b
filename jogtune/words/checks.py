"""What to do, what a fail means."""

from collections.abc import Iterator, Mapping
from typing import Any

from ..notes import Note
from ..units import say_distance, say_number
from .say import _fill, _listed, _positions_words, _seconds, _Template, counted

_PARTS = ("Do", "Read", "A fail means", "Mind")
_TESTS: dict[str, tuple[str, ...]] = {
    "1": ("Clicks of each rung", "Turn up until the axis follows, set the dial to zero, then turn the clicks below up, one by one.",
          "How far the axis moved, with what is named.",
          "Steps per {unit}, microsteps, pitch or a distance in the table is wrong; a click short: counts per click.",
          "Take the dial off before a rung that moves farther than it reaches."),
    "2": ("Remainders", "Come up to zero on the dial. Turn the clicks below down on the finest rung, then those up on the coarser.",
          "How far off zero the dial is.", "The firmware drops fractions of a step.",
          "Leave the dial room for the way down; begin well above the work."),
    "3": ("Slack", "Come up on the finest rung, then turn down, click by click, until the dial moves.",
          "The clicks without motion.", "A loose nut, belt, coupling or clamp, or friction; or the file's slack is too small.",
          "Read before you trust a reversal."),
    "4": ("A full turn", "Turn the clicks below up, evenly, {steady} a second.",
          "The distance on the readout. Where any whole clicks will do, this rung may lose some.",
          "The limit is too small for the rung, reports are rarer than the file says, or knob or link lose clicks.",
          "Count the clicks aloud; keep the way free."),
    "5": ("Spin hard, stop dead", "In mid-travel spin up as fast as you can ({fastest} a second), then stop dead.",
          "Film knob, rule and axis in one picture: the way from the knob's stop to rest. Then the distance in all on the "
          "readout: whole clicks.",
          "No limit on what is owed, too large a one, or a long queue. Not on whole clicks: parts of clicks are granted.",
          "Begin with 0.3 s on a finer rung; a second person presses the stop if the axis does not."),
    "6": ("Spin hard, turn back", "Spin up as in 5, turn back at once, as hard and as long, and stop dead.",
          "From the film: how far the axis goes on once the knob turns back; then the way from the knob's stop to rest.",
          "The limit holds one way only, or the way back waits behind queued moves.", "Both ways must be free."),
    "7": ("Top speed, ramp and brake", "The spins of 5 again, with a log of the control's own reports.",
          "In a spreadsheet: from rest √(2 · way) by time is a line of slope √ramp, before rest √(2 · way left) one of √brake. "
          "Between them way by time is the top speed.",
          "Jog speed or ramp is set to another figure, or in another unit; a bent line is a ramp of another shape.",
          "A log adds no room: the same way free."),
    "8": ("Clamp", "Set the clamp. Spin hard on each rung, the finest first; then push the stick full, if there is one.",
          "In the log: the highest speed from row to row.", "The clamp does not hold for the knob, the stick or both.",
          "Nobody near until this has passed."),
    "9": ("Switched off while turning", "Spin as in 5 and switch the control off while the knob spins. Turn some clicks more, "
          "switch it on, wait, then turn one click.",
          "From the film: the way from switching off to rest. On the readout: what moved at switching on, then that click.",
          "The clicks of the gap are made up in a leap.", "The most dangerous one if it fails: nobody within the machine's reach."),
    "10": ("Battery out, stick held", "Clamp set, push the stick full and take the battery out. Put it back, the stick still held.",
           "From the film: the way from battery out to rest. On the readout: what moved once it was back.",
           "Silence on the link does not stop the axis, or it starts again before the stick was centred.",
           "Without that stop it runs to the end: a second person at the stop, ready."),
    "11": ("Every second packet dropped", "A test build drops every second packet: turn the clicks below, {half} a second.",
           "The distance on the readout.", "The link sends increments, not running counts.", "Put the true build back."),
    "12": ("Soft limit", "Move the soft limit to mid-travel. From so far before it as is said spin hard until it stands; "
           "turn the selector to the finest rung while it runs. Then turn one click back.",
           "On the readout: how far past the limit it rests, 0 if before it; then how far the click moved, without sign.",
           "The limit is checked on the position, not on the target; or what is owed takes the new rung.",
           "Never first at the real end."),
    "13": ("Return to start", "Motors warm, loads as in use, the ramp at 1.25 times for this test. Come up to zero on the finest "
           "rung. 30 times: fast out by the free way, fast back to just short of zero by the readout, the rest on the finest rung.",
           "The dial each time; write the largest. All 30 good: at most 4.9 % of moves slip, 95 % sure.",
           "Steps are lost: halve ramp or jog speed and test again. Off by less than four full steps: coupling, slack or dial. A "
           "servo tells by its own alarm.", "At both ends of the travel, and Z up and down."),
}  # fmt: skip
"""Test -> its name, what to do, to read, what a fail means, what to mind."""
BEFORE = (
    "Spindle off, tool out, hands clear, a hard-wired stop within reach of a second person. The finest rung first, in mid-travel, "
    "with the way free that stands beside each test: a firmware that fails would run it."
)
EVIDENCE = (
    "This is evidence of what was tried, no safety approval: the machine's manual, its risk assessment and local rules come first, "
    "and its stop chain is tested as its maker says."
)
_WHY = {
    "one_rung": "no second rung goes evenly into the finest", "drops": "the firmware is filed to drop remainders, and clicks are "
    "not whole motor steps", "no_room": "no spin has room on this axis",
    "below_top": "no spin that has room keeps the jog speed long enough",
    "few_rows": "the ramp is over within three reports", "no_calm_speed": "the machine file has no calm_speed",
    "calm_is_top": "the calm speed is no lower than the jog speed", "no_stick": "the machine file has no stick",
    "increments": "the link is filed to send increments, so lost reports do lose clicks",
}  # fmt: skip


def told_tests(asked: Any) -> Iterator[tuple[str, str, list[str], list[tuple[Any, str, str]]]]:
    """Each test of a commissioning: number, name, sentences, and of each figure where and how much to turn, and what passes."""
    knob, figures = asked.machine.knob, dict[str, list[Any]]()
    rates = {"steady": knob.steady_detents_s, "fastest": knob.fastest_detents_s, "half": knob.steady_detents_s / 2}
    told = {name: f"{say_number(rate, digits=3)} clicks" for name, rate in rates.items()}
    told["unit"] = _listed(dict.fromkeys(map(asked.machine.shown_unit, asked.machine.axes)), "or")
    for check in asked.checks:
        figures.setdefault(check.test.rstrip("abc"), []).append(check)
    for test, mine in figures.items():
        name, *texts = _TESTS[test]
        said = [f"{part}: {text.format_map(told)}" for part, text in zip(_PARTS, texts, strict=True)]
        yield test, name, said, [(check, _setup(check), _passes(check)) for check in mine]


def _passes(check: Any) -> str:
    """What a figure must be: "80 ± 0.06 mm", "at most 29.8 mm", "whole clicks of 8 mm"."""
    if check.rule == "grid":
        return f"whole clicks of {_amount(check, check.gain_mm)}"
    if check.rule == "most":
        return f"at most {_amount(check, check.predicted + check.allowance)}"
    number, unit = _amount(check, check.predicted).split(" ")
    return f"{number} ± {say_number(check.shown(check.allowance), digits=2)} {unit}"


def _amount(check: Any, value: float) -> str:
    number, unit = say_number(check.shown(value), digits=4), check.read_in.replace("2", "²")
    return f"{number} {'click' if (number, unit) == ('1', 'clicks') else unit}"


def _setup(check: Any) -> str:
    """What to turn on which rung and read it with, where to begin, and the way that must be free."""
    told = [f"{check.axis}, position {check.position}: {say_distance(check.gain_mm, check.unit)}"]
    told += [f"{_seconds(check.seconds)} of spin"] if check.seconds else [counted(check.clicks, "click")] if check.clicks else []
    told += [f"then {check.back[1]} up on {check.back[0]}"] if check.back[1] else []
    told += [f"{say_distance(check.before_mm, check.unit, digits=2)} before"] if check.before_mm else []
    told += [check.tool] if "dial" in check.tool or check.test == "1" else []
    told += [f"free {say_distance(check.free_mm, check.unit, digits=3)}"] if check.free_mm else []
    return ", ".join(part.replace(" ", "\u00a0") for part in told)  # a line ends after a comma


def _failed(note: Note) -> str:
    check, measured = note.figures["check"], note.figures["measured"]
    found = "failed, no figure given" if measured is None else _amount(check, measured)
    where = f"axis {_listed(note.where.axes)}, {_positions_words(note.where.positions)}"
    return f"Test {check.test}, {where}: {check.what} {found}, should be {_passes(check)}."


_CHECK_NOTES: Mapping[str, _Template] = {
    "check_left_out": lambda note: _fill("{Axes}: no test " + (
        "on {positions}, for one click is more than the limit, and nothing would move." if note.figures["why"] == "dead"
        else "{tests}, as " + _WHY[note.figures["why"]] + "."), note),
    "check_failed": _failed,
    "checks_of_another_file": "The sheet was made from another machine file, or another state of it: it is held to the figures of "
    "this one.",
    "checks_are_evidence": EVIDENCE,
}
"""Kind of note -> its sentence."""
