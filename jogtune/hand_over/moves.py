"""Trial moves."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from .. import __version__
from ..choose.suggest import Suggestion
from ..files import InputFault, write_whole
from ..machine.model import Axis, Machine
from ..units import in_unit, say_distance, say_number
from ..words.cautions import GENERAL

LETTERS = "XYZABCUVW"
CLICKS = 3  # clicks each way on each rung
FEED_SHARE = 0.25  # of the calm speed, or of the top speed where the file gives none: our choice
LONGEST_REMARK = 68  # letters a line: old controllers read 80 at most (common practice, no source)
MARGIN_SHARE = 0.05  # of the reach, kept free at both ends: our choice


@dataclass(frozen=True, kw_only=True)
class Trial:
    """The trial of one rung on one axis: `clicks` moves of `gain_mm`, and back unless `one_way` [mm or degrees]."""

    axis: str
    position: int
    gain_mm: Fraction
    clicks: int
    one_way: bool

    @property
    def out_mm(self) -> Fraction:
        """How far it goes from where it began."""
        return self.clicks * self.gain_mm

    @property
    def travel_mm(self) -> Fraction:
        """How far it travels in all."""
        return self.out_mm * (1 if self.one_way else 2)


def is_tool_axis(axis: Axis) -> bool:
    """Whether an axis carries the tool to and from the work: the one called Z."""
    return axis.name.upper() == "Z" and not axis.rotary


def margin_mm(axis: Axis) -> Fraction:
    """What is kept free at each end of an axis [mm or degrees]."""
    return Fraction(str(axis.reach_mm)) * Fraction(str(MARGIN_SHARE))


def plan_trials(answer: Suggestion, axis: Axis) -> tuple[Trial, ...]:
    """The trials of an axis that stay within its travel; a rung that doesn't fit even once is left out."""
    tool = is_tool_axis(axis)
    reach, margin = Fraction(str(axis.reach_mm)), margin_mm(axis)
    room = reach - 2 * margin if tool else reach / 2 - margin
    trials = []
    for rung in answer.ladder.rungs:
        gain = _written(answer.machine.axis_gain(axis, rung.gain_mm), _unit(answer.machine, axis))
        clicks = min(CLICKS, math.floor(room / gain)) if gain else 0
        if clicks:
            trials.append(Trial(axis=axis.name, position=rung.position, gain_mm=gain, clicks=clicks, one_way=tool))
            room -= trials[-1].out_mm if tool else 0
    return tuple(trials)


def _unit(machine: Machine, axis: Axis) -> str:
    return machine.shown_unit(axis)


def _written(gain: Fraction, unit: str) -> Fraction:
    """A gain as it can be written: six decimals of the unit."""
    return Fraction(round(in_unit(gain, unit) * 10**6), 10**6) * (gain / in_unit(gain, unit))


def _decimals(number: Fraction) -> str:
    text = f"{float(number):.6f}".rstrip("0")
    return text + "0" if text.endswith(".") else text


def feed_mm_min(axis: Axis) -> float:
    """The reduced feed: a quarter of the calm speed, or of the top speed where none is given [mm or deg per min]."""
    calm = axis.calm_speed_mm_s if axis.calm_speed_mm_s is not None else axis.top_speed_mm_s
    return FEED_SHARE * min(calm, axis.top_speed_mm_s) * 60


def remark(text: str) -> str:
    """A text as an ISO 6983 remark: ASCII in one pair of round brackets."""
    plain = text.replace("×", "x").replace("(", "[").replace(")", "]").replace("%", "percent")
    return f"({plain.encode('ascii', 'replace').decode()})"


def suggestion_to_moves(answer: Suggestion) -> str:
    """A suggestion as relative moves; raises `InputFault` for an axis that ISO 6983 has no letter for."""
    machine = answer.machine
    _check_letters(machine.axes)
    plans = {axis.name: plan_trials(answer, axis) for axis in machine.axes}
    lines = [*_opening(answer, plans), "M5", "G91 G94"]
    for axis in sorted(machine.axes, key=lambda axis: not is_tool_axis(axis)):
        lines += _axis_lines(answer, axis, plans[axis.name])
    return "\n".join([*lines, "G90", remark("end: absolute again")]) + "\n"


def _check_letters(axes: Sequence[Axis]) -> None:
    bad = [axis.name for axis in axes if axis.name.upper() not in LETTERS or len(axis.name) != 1]
    letters = ", ".join(LETTERS)
    if bad:
        raise InputFault("moves", [f"axis {name}: has no ISO 6983 letter: name it one of {letters}" for name in bad])
    if len({axis.name.upper() for axis in axes}) < len(axes):
        raise InputFault("moves", ["two axes have one letter: rename one"])


def _opening(answer: Suggestion, plans: dict[str, tuple[Trial, ...]]) -> list[str]:
    machine = answer.machine
    inch = machine.show_in == "in"
    unit = "unit: inch; rotary axes in degrees" if inch else "unit: mm; rotary axes in degrees"
    texts = ["SPINDLE OFF, TOOL CLEAR, hands clear, a hard-wired stop within reach"]
    texts += [_clearance(machine, axis, plans[axis.name]) for axis in machine.axes]
    texts += [f"{machine.name}: {answer.ladder.say()} per click, jogtune {__version__}", *GENERAL]
    remarks = [remark(part) for text in texts for part in textwrap.wrap(text, LONGEST_REMARK)]
    return [f"{'G20' if inch else 'G21'} {remark(unit)}", *remarks]


def _clearance(machine: Machine, axis: Axis, trials: Sequence[Trial]) -> str:
    unit = machine.shown_unit(axis)
    total = say_distance(sum((t.travel_mm for t in trials), Fraction(0)), unit)
    margin = say_distance(margin_mm(axis), unit)
    if is_tool_axis(axis):
        out = say_distance(sum((t.out_mm for t in trials), Fraction(0)), unit)
        where = f"begin {margin} above the low end; needs {out} free above, plus is away from the work"
    else:
        out = say_distance(max((t.out_mm for t in trials), default=Fraction(0)), unit)
        where = f"begin at mid-travel; needs {out} free on the plus side"
    return f"{axis.name}: total travel {total}, {where}; never within {margin} of an end"


def _axis_lines(answer: Suggestion, axis: Axis, trials: Sequence[Trial]) -> list[str]:
    unit = _unit(answer.machine, axis)
    feed = say_number(in_unit(Fraction(feed_mm_min(axis)), unit), digits=3)
    lines = [remark(f"axis {axis.name} at a reduced feed of {feed} {unit}/min"), f"F{feed}"]
    left_out = {rung.position for rung in answer.ladder.rungs} - {trial.position for trial in trials}
    for trial in trials:
        move = f"G1 {axis.name.upper()}"
        size = _decimals(in_unit(trial.gain_mm, unit))
        lines.append(remark(f"position {trial.position}: {size} {unit} per click"))
        lines += [f"{move}{size}"] * trial.clicks
        lines += [] if trial.one_way else [f"{move}-{size}"] * trial.clicks
    lines += [remark(f"position {n} left out: no room for it within the margins") for n in sorted(left_out)]
    return lines


def write_moves(path: str | Path, answer: Suggestion, *, overwrite: bool = False) -> Path:
    """Write a suggestion as relative moves, whole or not at all; returns the path."""
    return write_whole(path, suggestion_to_moves(answer), overwrite=overwrite)
