"""What must be said wherever a rate is recommended."""

from __future__ import annotations

from collections.abc import Iterable

from ..ladder import Ladder
from ..machine import Axis, Machine
from ..units import say_distance, say_number
from .limits import derive_rung, highest_position

__all__ = ["GENERAL", "axis_cautions", "derive_cautions", "for_axes", "link_caution"]

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


def link_caution(machine: Machine) -> str:
    """A lost link means stop: said with the machine's own silence limit.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> link_caution(router).split(":")[0]
    'A lost link must mean stop'
    """
    silence = say_number(machine.link.silence_s * 1000, digits=4)
    return (
        f"A lost link must mean stop: after {silence} ms without a report the axis stops, and the clicks of "
        "the gap are discarded, never made up in a leap."
    )


def axis_cautions(machine: Machine, ladder: Ladder) -> list[str]:
    """What to mind on each axis: the highest position while someone stands near, and its stray click.

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100))
    >>> print(axis_cautions(router, ladder)[-1])
    Axis Z: while someone stands near use no higher than position 2; position 3 is too coarse, a stray
    click there moves 2 mm at up to 22.4 mm/s.
    """
    return for_axes(machine, [(axis, text) for axis in machine.axes for text in _axis_caution(machine, axis, ladder)])


def for_axes(machine: Machine, texts: Iterable[tuple[Axis, str]]) -> list[str]:
    """One sentence for all axes of which the same is to be said, in the order first met.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> for_axes(router, [(axis, "mind the clamps.") for axis in router.axes])
    ['Axes X, Y, Z: mind the clamps.']
    """
    named: dict[str, list[str]] = {}
    for axis, text in texts:
        named.setdefault(text, []).append(axis.name)
    return [f"{'Axis' if len(names) == 1 else 'Axes'} {', '.join(names)}: {text}" for text, names in named.items()]


def _axis_caution(machine: Machine, axis: Axis, ladder: Ladder) -> list[str]:
    unit = machine.shown_unit(axis)
    highest, count = highest_position(machine, axis, ladder), len(ladder.rungs)
    top = derive_rung(machine, axis, ladder.rungs[-1])
    stray = f"a stray click there moves {say_distance(top.gain_mm, unit)}"
    speed = f"at up to {say_distance(top.stray_click_speed_mm_s, unit, digits=3)}/s"
    texts = []
    if highest < count:
        which = f"no higher than position {highest}" if highest else "no position of this ladder"
        near = "while someone stands near " if axis.calm_speed_mm_s is not None else ""
        texts.append(f"{near}use {which}; position {count} is too coarse, {stray} {speed}.")
    if axis.calm_speed_mm_s is None:
        texts.append("the file gives no calm_speed, so nothing here limits it while someone stands near.")
    return texts


def derive_cautions(machine: Machine, ladder: Ladder) -> tuple[str, ...]:
    """Every caution for a ladder on a machine, general ones first.

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100))
    >>> cautions = derive_cautions(router, ladder)
    >>> cautions[:3] == GENERAL, len(cautions)
    (True, 5)
    """
    return (*GENERAL, link_caution(machine), *axis_cautions(machine, ladder))
