"""How each axis of a machine answers each rung: the figures of `response`, with the machine's own numbers."""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache

from ..ladder import Ladder
from ..machine import Axis, Machine
from ..units import UNIT_FACTORS, say_number
from .response import Answer, Habit, coarsest_within_run_on_mm, derive_answer


def axis_answer(machine: Machine, axis: Axis, gain_mm: Fraction) -> Answer:
    """How one axis answers one rung at the machine's own turn rates and reports. Distances as the axis counts.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> axis_answer(router, router.axis("X"), Fraction(5)).habit
    'forgive, dash'
    """
    link, knob = machine.link, machine.knob
    return _answer(
        float(machine.axis_gain(axis, gain_mm)),
        axis.top_speed_mm_s, axis.ramp_mm_s2, knob.steady_detents_s, knob.fastest_detents_s,
        link.report_interval_s, link.delay_s, link.jitter_s, float(axis.finest_mm),
    )  # fmt: skip


@lru_cache(maxsize=4096)
def _answer(
    gain: float, top: float, ramp: float, steady: float, fastest: float, every: float, delay: float, jitter: float,
    finest: float,
) -> Answer:  # fmt: skip
    return derive_answer(
        gain, top_speed_mm_s=top, ramp_mm_s2=ramp, steady=steady, fastest=fastest, report_interval_s=every,
        delay_s=delay, jitter_s=jitter, finest_mm=finest,
    )  # fmt: skip


def ladder_answers(machine: Machine, ladder: Ladder) -> tuple[dict[str, Answer], ...]:
    """For each rung, how each axis answers it, by the axis' name."""
    return tuple(
        {axis.name: axis_answer(machine, axis, gain) for axis in machine.axes} for gain in ladder.gains_mm
    )


def machine_habit(machine: Machine, advised: Answer) -> Habit:
    """The habit advised, as far as the machine's firmware allows: a queue of committed moves can't forgive.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> machine_habit(router, axis_answer(router, router.axis("X"), Fraction(5))).too_fast
    'owe'
    """
    too_fast = "owe" if machine.firmware.queue is not None else advised.too_fast
    return Habit(too_fast=too_fast, speed=advised.speed, queue=machine.firmware.queue)  # type: ignore[arg-type]


def run_on_cautions(machine: Machine, ladder: Ladder) -> list[str]:
    """Above which rung each axis runs on further than is put up with when the hand hurries, and what helps."""
    return [text for axis in machine.axes for text in _run_on_caution(machine, axis, ladder)]


def _run_on_caution(machine: Machine, axis: Axis, ladder: Ladder) -> list[str]:
    unit = machine.shown_unit(axis)
    answers = [axis_answer(machine, axis, gain) for gain in ladder.gains_mm]
    forgiving = [n for n, answer in enumerate(answers, start=1) if answer.too_fast == "forgive"]
    if not forgiving:
        return []
    first = answers[forgiving[0] - 1]
    owed, forgiven = (
        f"{say_number(distance / float(UNIT_FACTORS[unit]), digits=2)} {unit}"
        for distance in (first.hurried_run_on_mm, first.forgiven_run_on_mm)
    )
    queue = machine.firmware.queue
    cure = f"a controller that forgives stops within {forgiven} and loses clicks, and needs motion that can be cancelled"
    if queue is not None:
        cure += f"; a queue of {queue} committed moves can't be, so turn no faster than the axis follows"
    where = f"from position {forgiving[0]} up" if len(forgiving) > 1 else f"on position {forgiving[0]}"
    return [
        f"Axis {axis.name}: {where} a hand that hurries outruns it; after a second at the fastest turn rate it runs "
        f"on {owed} after the hand has stopped ({cure})."
    ]


def coarsest_calm_position(machine: Machine, axis: Axis, ladder: Ladder) -> int:
    """The highest position on which *owe* runs on no further than is put up with at the steady rate; 0 if none.

    Put up with: the larger of half a click and the finest wish, or 0.25 s. Our choice, not a standard's.
    """
    gains = [float(machine.axis_gain(axis, gain)) for gain in ladder.gains_mm]
    coarsest = coarsest_within_run_on_mm(
        gains,
        top_speed_mm_s=axis.top_speed_mm_s,
        ramp_mm_s2=axis.ramp_mm_s2,
        turn_rate=machine.knob.steady_detents_s,
        report_interval_s=machine.link.report_interval_s,
        finest_mm=float(axis.finest_mm),
    )
    return 0 if coarsest is None else gains.index(coarsest) + 1
