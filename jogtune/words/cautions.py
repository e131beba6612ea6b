"""What must be said wherever a rate is recommended."""

from __future__ import annotations

from collections.abc import Iterable

from ..axis.outstanding import calm_speed_steps_s
from ..axis.speed import derive_rung
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from ..units import say_distance, say_number

GENERAL = (
    "jogtune calculates; it is no safety device. Keep a hard-wired stop within reach of whoever turns the knob.",
    "It can't know the machine's masses, guards, clamps, tooling or state, nor who stands near: the machine's "
    "manual, its risk assessment and local rules come before any figure here.",
    "Try each rung first with the spindle off, the tool clear and hands out of the way, the finest first.",
)
"""The cautions that hold for every machine, wherever a rate is recommended."""
FASTER_IS_NOT_SAFER = (
    "Faster is not safer: the machine's manual, its risk assessment and local rules come before any figure here. "
    "jogtune calculates; it is no safety device. Keep a hard-wired stop within reach and hands clear; a lost link "
    "must mean stop."
)
NO_RUNG_IS_A_CLAMP = (
    "No rung is a clamp: a hand that hurries passes its steady rate, and the selector is soon turned. Where two axes move "
    "at once, divide each clamp by √2. Set the limit on what is outstanding too: a clamp alone runs on longer."
)


def link_caution(machine: Machine) -> str:
    """A lost link means stop: said with the machine's own silence limit."""
    silence = say_number(machine.link.silence_s * 1000, digits=4)
    return (
        f"A lost link must mean stop: after {silence} ms without a report the axis stops, and the clicks of "
        "the gap are discarded, never made up in a leap."
    )


def axis_cautions(machine: Machine, ladder: Ladder) -> list[str]:
    """What to mind on each axis with someone near: the clamp in its firmware, and its stray click."""
    return [
        *for_axes(machine, [(axis, _axis_caution(machine, axis, ladder)) for axis in machine.axes]),
        *([NO_RUNG_IS_A_CLAMP] if any(axis.calm_speed_mm_s is not None for axis in machine.axes) else []),
    ]


def for_axes(machine: Machine, texts: Iterable[tuple[Axis, str]]) -> list[str]:
    """One sentence for all axes of which the same is to be said, in the order first met."""
    named: dict[str, list[str]] = {}
    for axis, text in texts:
        named.setdefault(text, []).append(axis.name)
    return [f"{'Axis' if len(names) == 1 else 'Axes'} {', '.join(names)}: {text}" for text, names in named.items()]


def _axis_caution(machine: Machine, axis: Axis, ladder: Ladder) -> str:
    unit, count = machine.shown_unit(axis), len(ladder.rungs)
    top = derive_rung(machine, axis, ladder.rungs[-1])
    # nothing here is slowed by a clamp: what the click does without one
    stray = (
        f"A stray click on position {count} moves {say_distance(top.gain_mm, unit)} at up to "
        f"{say_distance(top.stray_click_speed_mm_s, unit, digits=3)}/s."
    )
    return f"{clamp_words(machine, axis, ladder)} {stray}"


def clamp_words(machine: Machine, axis: Axis, ladder: Ladder) -> str:
    """The clamp to set with someone near, and the turn rates that each position then keeps up with."""
    calm, unit, steps = axis.calm_speed_mm_s, machine.shown_unit(axis), calm_speed_steps_s(axis)
    if calm is None or steps is None:
        return (
            "the machine file has no calm_speed, so jogtune cannot say what suits work near people. Ask the manual and "
            "the risk assessment."
        )
    rates = ", ".join(say_number(calm / float(machine.axis_gain(axis, gain)), digits=3) for gain in ladder.gains_mm)
    keep = "keeps" if len(ladder.rungs) == 1 else "keep"
    where = positions_words(range(1, len(ladder.rungs) + 1)).capitalize()
    return (
        f"with someone near, clamp the axis in the firmware to at most {steps} steps/s "
        f"({say_distance(calm, unit, digits=3)}/s), for knob, stick and buttons alike. {where} then {keep} up to "
        f"{rates} clicks/s."
    )


def positions_words(numbers: Iterable[int]) -> str:
    """Selector positions as words."""
    found = list(numbers)
    if len(found) < 3:
        return f"position{'s' if len(found) > 1 else ''} {' and '.join(map(str, found))}"
    if found[-1] - found[0] == len(found) - 1:
        return f"positions {found[0]} to {found[-1]}"
    return f"positions {', '.join(map(str, found[:-1]))} and {found[-1]}"


def derive_cautions(machine: Machine, ladder: Ladder) -> tuple[str, ...]:
    """Every caution for a ladder on a machine, general ones first."""
    return (*GENERAL, link_caution(machine), *axis_cautions(machine, ladder))
