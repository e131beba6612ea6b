"""Trial moves."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from .. import __version__
from ..axis.row import Row, by_axis
from ..choose.suggest import Suggestion
from ..files import Fault, InputFault
from ..machine.model import Axis
from ..units import in_unit, say_distance, say_number
from ..words.answer import cautions

_LETTERS = "XYZABCUVW"
_CLICKS = 3  # clicks each way on each rung
_FEED_SHARE = 0.25  # of the calm speed, or of the top speed where the file gives none: our choice
_LONGEST_REMARK = 68  # letters a line: old controllers read 80 at most (common practice, no source)
_MARGIN_SHARE = 0.05  # of the reach, kept free at both ends: our choice


@dataclass(frozen=True, kw_only=True)
class _Trial:
    """The trial of one rung on one axis: `clicks` moves of `gain_mm`, and back unless `one_way` [mm or degrees]."""

    position: int
    gain_mm: Fraction
    clicks: int
    one_way: bool

    @property
    def out_mm(self) -> Fraction:
        """How far it goes from where it began."""
        return self.clicks * self.gain_mm


def _is_tool_axis(axis: Axis) -> bool:
    """Whether an axis carries the tool to and from the work: the one called Z."""
    return axis.name.upper() == "Z" and not axis.rotary


def _margin_mm(axis: Axis) -> Fraction:
    """What is kept free at each end of an axis [mm or degrees]."""
    return Fraction(str(axis.reach_mm)) * Fraction(str(_MARGIN_SHARE))


def _plan_trials(axis: Axis, found: Sequence[Row]) -> tuple[_Trial, ...]:
    """The trials of an axis, by its rows, that stay within its travel; a rung that doesn't fit even once is left out."""
    tool, margin = _is_tool_axis(axis), _margin_mm(axis)
    room = Fraction(str(axis.reach_mm)) - 2 * margin if tool else Fraction(str(axis.reach_mm)) / 2 - margin
    trials = []
    for row in found:
        gain = _written(Fraction(row.gain_num, row.gain_den), row.unit)
        clicks = min(_CLICKS, math.floor(room / gain)) if gain else 0
        if clicks:
            trials.append(_Trial(position=row.position, gain_mm=gain, clicks=clicks, one_way=tool))
            room -= trials[-1].out_mm if tool else 0
    return tuple(trials)


def _written(gain: Fraction, unit: str) -> Fraction:
    """A gain as it can be written: six decimals of the unit."""
    return Fraction(round(in_unit(gain, unit) * 10**6), 10**6) * (gain / in_unit(gain, unit))


def _feed_mm_min(axis: Axis) -> float:
    """The reduced feed: a quarter of the calm speed, or of the top speed where none is given [mm or deg per min]."""
    calm = axis.calm_speed_mm_s if axis.calm_speed_mm_s is not None else axis.top_speed_mm_s
    return _FEED_SHARE * min(calm, axis.top_speed_mm_s) * 60


def _remark(text: str) -> str:
    """A text as an ISO 6983 remark: ASCII in one pair of round brackets."""
    plain = text.replace("(", "[").replace(")", "]")
    for sign, words in {"×": "x", "%": "percent", "√": "sqrt "}.items():
        plain = plain.replace(sign, words)
    return f"({plain.encode('ascii', 'replace').decode()})"


def _suggestion_to_moves(answer: Suggestion) -> str:
    """A suggestion as relative moves; raises `InputFault` for an axis that ISO 6983 has no letter for."""
    machine = answer.machine
    _check_letters(machine.axes)
    found = dict(by_axis(answer.rows))
    plans = {axis.name: _plan_trials(axis, found[axis.name]) for axis in machine.axes}
    lines = [*_opening(answer, plans), "M5", "G91 G94"]
    for axis in sorted(machine.axes, key=lambda axis: not _is_tool_axis(axis)):
        lines += _axis_lines(axis, machine.shown_unit(axis), plans[axis.name], len(answer.ladder.rungs))
    return "\n".join([*lines, "G90", _remark("end: absolute again")]) + "\n"


def _check_letters(axes: Sequence[Axis]) -> None:
    cure = f"name it one of {', '.join(_LETTERS)}"
    faults = [Fault(f"axis {axis.name}", rule="has no ISO 6983 letter", cure=cure)
              for axis in axes if axis.name.upper() not in _LETTERS or len(axis.name) != 1]  # fmt: skip
    if not faults and len({axis.name.upper() for axis in axes}) < len(axes):
        faults = [Fault(rule="two axes have one letter", cure="rename one")]
    if faults:
        raise InputFault("moves", faults)


def _opening(answer: Suggestion, plans: dict[str, tuple[_Trial, ...]]) -> list[str]:
    machine = answer.machine
    mode, unit = ("G20", "inch") if machine.show_in == "in" else ("G21", "mm")
    texts = [
        "SPINDLE OFF, TOOL CLEAR, hands clear, a hard-wired stop within reach",
        *(_clearance(axis, machine.shown_unit(axis), plans[axis.name]) for axis in machine.axes),
        f"{machine.name}: {answer.ladder.say()} per click, jogtune {__version__}",
        *cautions(answer),
    ]
    remarks = [_remark(part) for text in texts for part in textwrap.wrap(text, _LONGEST_REMARK)]
    return [f"{mode} {_remark(f'unit: {unit}; rotary axes in degrees')}", *remarks]


def _clearance(axis: Axis, unit: str, trials: Sequence[_Trial]) -> str:
    outs = [trial.out_mm for trial in trials] or [Fraction(0)]
    tool, margin = _is_tool_axis(axis), say_distance(_margin_mm(axis), unit)
    total, out = (say_distance(mm, unit) for mm in (sum(outs) * (1 if tool else 2), sum(outs) if tool else max(outs)))
    where = f"begin at mid-travel; needs {out} free on the plus side"
    if tool:
        where = f"begin {margin} above the low end; needs {out} free above, plus is away from the work"
    return f"{axis.name}: total travel {total}, {where}; never within {margin} of an end"


def _axis_lines(axis: Axis, unit: str, trials: Sequence[_Trial], positions: int) -> list[str]:
    feed = say_number(in_unit(Fraction(_feed_mm_min(axis)), unit), digits=3)
    lines = [_remark(f"axis {axis.name} at a reduced feed of {feed} {unit}/min"), f"F{feed}"]
    for trial in trials:
        move, size = f"G1 {axis.name.upper()}", f"{float(in_unit(trial.gain_mm, unit)):.6f}".rstrip("0")
        size += "0" if size.endswith(".") else ""
        lines.append(_remark(f"position {trial.position}: {size} {unit} per click"))
        lines += [f"{move}{size}"] * trial.clicks
        lines += [] if trial.one_way else [f"{move}-{size}"] * trial.clicks
    left_out = sorted(set(range(1, positions + 1)) - {trial.position for trial in trials})
    return lines + [_remark(f"position {n} left out: no room for it within the margins") for n in left_out]
