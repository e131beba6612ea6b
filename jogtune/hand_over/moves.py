"""Trial moves."""

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from itertools import accumulate

from .. import __version__
from ..axis.row import Row, by_axis
from ..choose.suggest import Suggestion
from ..files import Fault, InputFault
from ..machine.model import Axis
from ..signs import plainly
from ..units import MM_PER_INCH, in_unit, say_distance, say_number
from ..words.answer import cautions

_LETTERS = "XYZABCUVW"
_CLICKS = 3  # clicks each way on each rung, fewer where they would go farther than _FAR
_FAR = Fraction(10)  # how far a part goes [mm or degrees], where one click is no longer: our choice
_FEED_SHARE = 0.25  # of the calm speed, or of the top speed where the file gives none: our choice
_FIRST = {"mm": Fraction(1), "deg": Fraction(1), "in": Fraction(4, 100) * MM_PER_INCH}  # the move that the unit is checked by
_FIRST_S = 2.0  # it takes so long, time to stop it where it goes wrong: our choice
_LONGEST_REMARK = 68  # letters a line: old controllers read 80 at most (common practice, no source)
_REACH_SHARE = Fraction(1, 2)  # of the reach, the most that may be asked for on one side: our choice


@dataclass(frozen=True)
class _Part:
    """Moves between two stops, all relative: what is said before them, and `sizes` [mm or degrees]; `stepwise`: a stop after
    each too."""

    said: str
    sizes: tuple[Fraction, ...] = ()
    feed_mm_min: float = 0.0
    stepwise: bool = False


def _is_tool_axis(axis: Axis) -> bool:
    """Whether an axis carries the tool to and from the work: the one called Z, whose plus is away from it (ISO 841)."""
    return axis.name.upper() == "Z" and not axis.rotary


def _axis_parts(answer: Suggestion, axis: Axis, found: Sequence[Row]) -> Iterator[_Part]:
    """The parts of an axis: the unit checked by a first move, each rung from the finest, and for Z a rehearsal of touching off.

    None goes below where it began; the tool's axis stays away, the others come back."""
    unit, tool, feed, name = answer.machine.shown_unit(axis), _is_tool_axis(axis), _feed_mm_min(axis), axis.name
    toward, first = "towards plus, away from the work" if tool else "towards plus", _first_move(axis, unit)
    said, *wrong = (say_distance(mm, unit, digits=3) for mm in (first, first * MM_PER_INCH, first / MM_PER_INCH))
    but = f", not {' or '.join(wrong)}" * (not axis.rotary)
    yield _Part(f"{name}, first move: {said} {toward}, in {_FIRST_S:g} s", (first,), min(feed, 60 * float(first) / _FIRST_S))
    check = f"Check on the readout: {name} moved {said}{but}, and {toward}. If not, the unit, the steps or the direction is wrong: "
    yield _Part(f"{check}end here.{'' if tool else ' Next it goes back.'}", () if tool else (-first,), feed)
    room = Fraction(str(axis.reach_mm)) * _REACH_SHARE - first * tool
    for row in found:
        gain, here = _written(Fraction(row.gain_num, row.gain_den), unit), f"{name} position {row.position}"
        clicks = min(max(_FAR // gain, 1), _CLICKS, room // gain) if gain else 0
        why = "" if clicks else "a click is too long for half of the reach"
        why = "it moves what the one before does" if row.repeats else why
        why = why if row.free_detents_s else "a click is over the limit, so the knob moves nothing"
        if why:
            yield _Part(f"{here} left out: {why}")
            continue
        room -= clicks * gain * tool
        click, way = say_distance(gain, unit), say_distance(clicks * gain, unit)
        back = () if tool else (-gain,) * clicks
        yield _Part(f"{here}: {clicks} x {click} {toward}, {way} in all{', and back' * bool(back)}", (gain,) * clicks + back, feed)
    if tool:
        yield from _rehearsal(answer, axis, feed, room)


def _rehearsal(answer: Suggestion, axis: Axis, feed: float, room: Fraction) -> Iterator[_Part]:
    """Touching off in the air, a click at a time: first up by all that it comes down, so it ends where it began.

    Towards the work no file goes: a controller that runs on past a stop would go on into it."""
    for touch in answer.touching:
        if touch.axis != axis.name or not touch.rungs or _CLICKS * touch.rungs[0].gain_mm > room:
            continue
        gains = [_written(answer.ladder.on(axis)[rung.position - 1], touch.unit) for rung in touch.rungs]
        up, way = _CLICKS * gains[0], partial(say_distance, unit=touch.unit)
        yield _Part(f"{axis.name}: touching off rehearsed in the air. First up {way(up)}: it comes down no deeper than it stands "
                    "now. Touch the work by hand only, by the steps that --why gives", (up,), feed)  # fmt: skip
        for rung, gain in zip(touch.rungs, gains, strict=True):
            clicks = rung.back - rung.free or _CLICKS
            if rung.back:
                sizes = (rung.back * gain, -rung.free * gain)[: 1 + (rung.free > 0)]
                yield _Part(f"Say that was contact: up {rung.back} x {way(gain)}, then {rung.free} down at once", sizes, feed)
            yield _Part(f"{axis.name} position {rung.position}: {clicks} x {way(gain)} down, {way(clicks * gain)} in all, a stop "
                        "after each to feel", (-gain,) * clicks, feed, stepwise=True)  # fmt: skip


def _first_move(axis: Axis, unit: str) -> Fraction:
    """The move that the unit is checked by: even taken for inches it needs no more than half of the reach."""
    first, most = _FIRST[unit], Fraction(str(axis.reach_mm)) * _REACH_SHARE
    while first * (MM_PER_INCH if unit == "mm" else 1) > most:
        first /= 10
    return first


def _written(gain: Fraction, unit: str) -> Fraction:
    """A gain as it can be written: six decimals of the unit."""
    return Fraction(round(in_unit(gain, unit) * 10**6), 10**6) * (gain / in_unit(gain, unit))


def _feed_mm_min(axis: Axis) -> float:
    """The reduced feed: a quarter of the calm speed, or of the top speed where none is given [mm or deg per min]."""
    calm = axis.calm_speed_mm_s if axis.calm_speed_mm_s is not None else axis.top_speed_mm_s
    return _FEED_SHARE * min(calm, axis.top_speed_mm_s) * 60


def _remark(text: str) -> str:
    """A text as an ISO 6983 remark: ASCII in one pair of round brackets."""
    plain = plainly(text).translate({ord("("): "[", ord(")"): "]", ord("%"): "percent", ord("\n"): " "})
    return f"({plain})"


def _suggestion_to_moves(answer: Suggestion) -> str:
    """A suggestion as relative moves with stops between; raises `InputFault` for an axis that ISO 6983 has no letter for."""
    machine, found = answer.machine, dict(by_axis(answer.rows))
    _check_letters(machine.axes)
    axes = sorted(machine.axes, key=lambda axis: not _is_tool_axis(axis))
    parts = {axis.name: list(_axis_parts(answer, axis, found[axis.name])) for axis in axes}
    lines = [*_opening(answer, axes, parts), "M05", "G91 G94"]
    for axis in axes:
        lines += [line for part in parts[axis.name] for line in _part_lines(part, axis, machine.shown_unit(axis))]
    return "\n".join([*lines, *_remarks("End: absolute again."), "G90", "M30"]) + "\n"


def _check_letters(axes: Sequence[Axis]) -> None:
    cure = f"name it one of {', '.join(_LETTERS)}"
    faults = [Fault(f"axis {axis.name}", rule="has no ISO 6983 letter", cure=cure)
              for axis in axes if axis.name.upper() not in _LETTERS or len(axis.name) != 1]  # fmt: skip
    if not faults and len({axis.name.upper() for axis in axes}) < len(axes):
        faults = [Fault(rule="two axes have one letter", cure="rename one")]
    if faults:
        raise InputFault("moves", faults)


_STANDING = (
    "SPINDLE OFF, TOOL CLEAR, hands clear, a hard-wired stop within reach",
    "Every move is relative, from where you have put the machine; nothing is known of its ends. Leave free on each axis what is "
    "said here.",
    "At each M00 it must stop: read what comes, here where the controller shows no remarks, then press start. If it runs on past "
    "the first one, press the stop and don't use this file.",
    "G01 G90 G91 G94 M00 M05 M30 are words of ISO 6983-1. {0} is not: the controller must understand it as {1}. One that chooses "
    "units by G70 [inch] and G71 [mm], as in the EIA list, needs {2} in the first line instead. Look its manual up; the first move "
    "of each axis shows whether it did.",
)


def _opening(answer: Suggestion, axes: Sequence[Axis], parts: dict[str, list[_Part]]) -> list[str]:
    machine = answer.machine
    words = ("G20", "inch", "G70") if machine.show_in == "in" else ("G21", "mm", "G71")
    texts = [
        *_STANDING[:2], *(_clearance(axis, machine.shown_unit(axis), parts[axis.name]) for axis in axes),
        *(text.format(*words) for text in _STANDING[2:]),
        f"{machine.name}: {answer.ladder.say()} per click, jogtune {__version__}",
        *cautions(answer),
    ]
    unit = _remark(f"unit: {words[1]}; rotary axes in degrees")
    return [f"{words[0]} {unit}", *(line for text in texts for line in _remarks(text))]


def _remarks(text: str) -> list[str]:
    return [_remark(part) for part in textwrap.wrap(text, _LONGEST_REMARK)]


def _clearance(axis: Axis, unit: str, parts: Sequence[_Part]) -> str:
    """What must be free on an axis: its farthest place, or the first move taken for inches."""
    places, first = list(accumulate(size for part in parts for size in part.sizes)), parts[0].sizes[0]
    astray = first * (MM_PER_INCH if unit == "mm" else 1)
    plus, minus, end = (say_distance(mm, unit) for mm in (max(*places, astray), astray, places[-1]))
    where = f"it ends {end} up, away from the work" if _is_tool_axis(axis) else "it comes back"
    return f"{axis.name}: {plus} towards plus, {minus} towards minus lest the first move goes wrong; {where}"


def _part_lines(part: _Part, axis: Axis, unit: str) -> list[str]:
    """A part: its remark, a stop, its moves; where nothing moves the remark alone."""
    moves = [f"G01 {axis.name.upper()}{_figure(size, unit)}" for size in part.sizes]
    if not moves:
        return _remarks(part.said)
    feed = say_number(in_unit(Fraction(part.feed_mm_min), unit), digits=3)
    return [*_remarks(part.said), "M00", f"F{feed}", *("\nM00\n" if part.stepwise else "\n").join(moves).split("\n")]


def _figure(size_mm: Fraction, unit: str) -> str:
    text = f"{float(in_unit(size_mm, unit)):.6f}".rstrip("0")
    return text + "0" * text.endswith(".")
