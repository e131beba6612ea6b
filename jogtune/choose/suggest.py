"""suggest(): machine and wishes to a ladder with its reasons."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from ..axis.advice import Answer, ladder_answers, run_on_cautions
from ..axis.speed import RungOnAxis, derive_rung
from ..hand.person import Hand
from ..ladder.ladder import Ladder, Rung
from ..ladder.series import SeriesValue
from ..machine.model import Machine, Task
from ..units import say_distance, say_number
from ..words.cautions import derive_cautions
from ..words.choice import impossible_words, rung_uses, time_reasons, time_sentence
from .base import Base, derive_base, finest_wish, largest_step
from .cover import (
    axes_that_differ,
    check_rungs,
    coarsest_wish,
    cover,
    derive_candidates,
    derive_for_axis,
    derive_pool,
    is_plain_on,
)
from .prefer import Search
from .search import free_ladder, search_ladders
from .tasks import Constraints


@dataclass(frozen=True, kw_only=True)
class Suggestion:
    """A recommended ladder and everything said about it.

    `figures[i][axis]` is what rung i does on an axis, `answers[i][axis]` how the axis follows the hand there
    (run-on, ripple, advised habit); `rung_reasons[i]` says why rung i is there;
    `search` is what was found about expected times (None where ranked by coverage), `free` the clicks of
    any distance [mm] that would be fastest and their time [s], where asked for.
    """

    machine: Machine
    ladder: Ladder
    base: Base
    series: str
    candidates: tuple[SeriesValue, ...]
    figures: tuple[dict[str, RungOnAxis], ...]
    rung_reasons: tuple[str, ...]
    reasons: tuple[str, ...]
    given_up: tuple[str, ...]
    cautions: tuple[str, ...]
    search: Search | None = None
    free: tuple[tuple[float, ...], float] | None = None
    answers: tuple[dict[str, Answer], ...] = ()

    @property
    def missed_by_mm(self) -> Fraction:
        """By how much the finest rung misses the finest wish [mm]."""
        return max(Fraction(0), self.ladder.gains_mm[0] - finest_wish(self.machine))


def suggest(
    machine: Machine,
    *,
    rungs: int | None = None,
    series: str = "plain",
    base: str | Fraction | None = None,
    by: Literal["time", "coverage"] = "time",
    tasks: Sequence[Task] | None = None,
    hand: Hand | None = None,
    constraints: Constraints | None = None,
    executor: Executor | None = None,
    progress: bool | Callable[[float], None] = False,
    stop: Callable[[], bool] | None = None,
    free: bool = False,
) -> Suggestion:
    """The recommended ladder for a machine: the plainest among those that do its tasks fastest.

    `tasks` and `hand` default to what the machine file says. The base (×1) is always on the ladder,
    as the finest move wanted. `by="coverage"` asks no hand and no tasks, only how well a ladder
    covers the range: quick enough to follow a slider. `progress` shows a bar, or is called with the
    share of ladders that are scored; `stop` is asked now and then, and ends the search with
    `SearchStopped` when it says yes. Raises `InputFault` where an option can't be met.

    >>> from jogtune.machine.file import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> suggest(router).ladder.say()
    '0.02, 0.1, 0.5, 2, 8 mm'
    >>> suggest(router, by="coverage").ladder.say()
    '0.02, 0.1, 0.5, 5 mm'
    """
    found = derive_base(machine, base=base)
    if by == "coverage":
        candidates = derive_candidates(machine, base=found, series=series)
        ladder = cover(machine, found.base_mm, [value.multiplier for value in candidates], rungs=rungs)
        return explain(machine, ladder, base=found, series=series, candidates=candidates)
    asked = constraints or Constraints()
    pool = derive_pool(machine, found, series=series, keep=asked.keep)
    check_rungs(machine, rungs, len(pool.multipliers))
    scale = int(found.base_mm / pool.base_mm)
    asked = replace(asked, rungs=rungs or asked.rungs, keep=tuple(sorted({scale, *(scale * m for m in asked.keep)})))
    search = search_ladders(
        machine, pool.base_mm, pool.multipliers, tasks=tasks, hand=hand, constraints=asked,
        executor=executor, progress=progress, stop=stop, rebase=True,
    )  # fmt: skip
    answer = explain(
        machine, search.chosen.ladder, base=found, series=series, candidates=pool.values, search=search
    )
    return with_free(answer, free_ladder(search)) if free else answer


def with_free(answer: Suggestion, free: tuple[tuple[float, ...], float]) -> Suggestion:
    """The answer with what plain numbers cost against clicks of any distance, near the best ladder."""
    assert answer.search is not None
    best, time = answer.search.best.time_s, free[1]
    clicks = ", ".join(say_distance(gain, answer.machine.show_in, digits=3).split()[0] for gain in free[0])
    text = (
        f"Clicks of any distance ({clicks} {answer.machine.show_in}) would do a task in {say_number(time, digits=3)} s, so the "
        f"best of this series costs {100 * (best / time - 1):.1f} % (a local optimum, with the same base kept or moved)."
    )
    return replace(answer, free=free, reasons=(*answer.reasons, text))


def explain(
    machine: Machine,
    ladder: Ladder,
    *,
    base: Base,
    series: str,
    candidates: tuple[SeriesValue, ...],
    search: Search | None = None,
) -> Suggestion:
    """Everything to be said about a ladder that was chosen."""
    figures = ladder_figures(machine, ladder)
    reasons = _reasons(machine, ladder, base, series, candidates)
    given_up = _given_up(machine, ladder, base, figures)
    uses = [""] * len(ladder.rungs)
    if search is not None:
        reasons[1:1] = time_reasons(machine, search)
        given_up += impossible_words(search)
        uses = rung_uses(search)
    return Suggestion(
        machine=machine,
        ladder=ladder,
        base=base,
        series=series,
        candidates=candidates,
        figures=figures,
        rung_reasons=tuple(rung_reason(machine, ladder, rung) + uses[i] for i, rung in enumerate(ladder.rungs)),
        reasons=tuple(reasons),
        given_up=tuple(given_up),
        cautions=(*derive_cautions(machine, ladder), *run_on_cautions(machine, ladder)),
        search=search,
        answers=ladder_answers(machine, ladder),
    )


def own_answer(machine: Machine, ladder: Ladder) -> Suggestion:
    """Everything to be said about a ladder of one's own: not searched, but timed on the machine's tasks."""
    base = replace(derive_base(machine, base=ladder.base_mm), reason="your own")
    offered = ladder.multipliers
    constraints = Constraints(rungs=len(offered), keep=offered)
    search = search_ladders(machine, ladder.base_mm, list(offered), constraints=constraints)
    values = tuple(SeriesValue(multiplier=m, exact=Fraction(m)) for m in offered)
    answer = explain(machine, ladder, base=base, series="your own", candidates=values)
    uses = rung_uses(search)
    return replace(
        answer,
        rung_reasons=tuple(text + use for text, use in zip(answer.rung_reasons, uses, strict=True)),
        reasons=(answer.reasons[0], time_sentence(search), *answer.reasons[1:]),
        given_up=(*answer.given_up, *impossible_words(search)),
        search=search,
    )


def ladder_figures(machine: Machine, ladder: Ladder) -> tuple[dict[str, RungOnAxis], ...]:
    """For each rung, what it does on each axis by name."""
    return tuple(
        {axis.name: derive_rung(machine, axis, rung) for axis in machine.axes} for rung in ladder.rungs
    )


def rung_reason(machine: Machine, ladder: Ladder, rung: Rung) -> str:
    """Why one rung is on the ladder, in a sentence."""
    shown = say_distance(rung.gain_mm, machine.show_in)
    if rung.position == 1:
        return f"{shown}: the finest ({_wish_words(machine, rung)})"
    before = f"{say_number(ladder.ratios[rung.position - 2], digits=3)} times the one before"
    last = rung.position == len(ladder.rungs)
    use = "; the coarsest, to cross the table" if last else ", to come near"
    return f"{shown}: {before}{use} ({_followers(machine, rung)})"


def _wish_words(machine: Machine, rung: Rung) -> str:
    wish = finest_wish(machine)
    if rung.gain_mm <= wish:
        return f"within the finest wish, {say_distance(wish, machine.show_in)}"
    return f"the finest wish, {say_distance(wish, machine.show_in)}, is missed"


def _followers(machine: Machine, rung: Rung) -> str:
    keeps = [a.name for a in machine.axes if not derive_rung(machine, a, rung).outruns_steady]
    rate = say_number(machine.knob.steady_detents_s, digits=3)
    return f"{', '.join(keeps) or 'no axis'} keep{'s' if len(keeps) == 1 else ''} up at {rate} detents/s"


def _reasons(
    machine: Machine, ladder: Ladder, base: Base, series: str, candidates: tuple[SeriesValue, ...]
) -> list[str]:
    unit = machine.show_in
    texts = [f"{len(ladder.rungs)} rungs: {ladder.say()} per click."]
    texts.append(f"The finest is {say_distance(ladder.gains_mm[0], unit)}: {base.reason}.")
    if ladder.base_mm != ladder.gains_mm[0]:
        texts.append(f"×1 is {say_distance(ladder.base_mm, unit)}: the largest distance that divides all of them.")
    texts.append(_whole_words(machine, base))
    if base.other_mm is not None:
        kind = "plain" if is_plain_on(machine, base.other_mm) else "whole-step"
        texts.append(f"The other choice of base is {say_distance(base.other_mm, unit)}, {kind}.")
    both = base.plain_and_whole_mm
    if both is not None:
        texts.append(f"{say_distance(both, unit)} is both plain and a whole number of steps on every exact axis.")
    deviations = [v for v in candidates if v.multiplier in ladder.multipliers and abs(v.deviation) > 1e-9]
    if deviations:
        worst = max(deviations, key=lambda v: abs(v.deviation))
        share = say_number(100 * worst.deviation, digits=2)
        exact = say_number(worst.exact)
        became = f"×{exact} became ×{worst.multiplier} ({share} %)"
        texts.append(f"Series {series} is rounded to whole multiples; furthest off: {became}.")
    return texts


def _whole_words(machine: Machine, base: Base) -> str:
    inexact = [axis.name for axis in machine.axes if not axis.exact]
    left_out = f" Inexact and left out of it: {', '.join(inexact)}." if inexact else ""
    if base.whole_step_mm is None:
        return f"There is no common whole step within reach.{left_out}"
    shown = say_distance(base.whole_step_mm, machine.show_in)
    return f"The common whole-step distance of the exact axes is {shown} ({base.whole_step_mm} mm).{left_out}"


def _given_up(
    machine: Machine, ladder: Ladder, base: Base, figures: tuple[dict[str, RungOnAxis], ...]
) -> list[str]:
    unit = machine.show_in
    texts = []
    missed_by = ladder.gains_mm[0] - finest_wish(machine)
    if missed_by > 0:
        wish, missed = say_distance(finest_wish(machine), unit), say_distance(missed_by, unit)
        small_enough = finest_wish(machine) >= largest_step(machine)
        why = "the finest rung asked for is coarser" if small_enough else "no motor step is so small on every axis"
        texts.append(f"The finest wish of {wish} is missed by {missed}: {why}.")
    texts += _fraction_words(machine, ladder, figures)
    texts += _finer_words(machine, ladder, figures)
    texts += _outrun_words(machine, ladder, figures)
    if float(ladder.gains_mm[-1]) < 0.4 * coarsest_wish(machine):
        most = say_distance(coarsest_wish(machine), unit, digits=3)
        texts.append(f"The coarsest rung stays below what the fastest axis could follow ({most}).")
    differ = axes_that_differ(machine, ladder)
    if differ:
        own = ", ".join(f"{name} ({derive_for_axis(machine, machine.axis(name)).say()})" for name in differ)
        texts.append(f"A ladder of its own would serve better on: {own}.")
    return texts


def _fraction_words(
    machine: Machine, ladder: Ladder, figures: tuple[dict[str, RungOnAxis], ...]
) -> list[str]:
    broken = []
    for rung, axes in zip(ladder.rungs, figures, strict=True):
        names = [n for n, figure in axes.items() if not figure.whole_step and machine.axis(n).exact]
        if names:
            broken.append(f"{say_distance(rung.gain_mm, machine.show_in)} on {', '.join(names)}")
    inexact = _inexact_words(machine, figures)
    return [_broken_words(machine, figures, broken), *inexact] if broken else inexact


def _inexact_words(machine: Machine, figures: tuple[dict[str, RungOnAxis], ...]) -> list[str]:
    """Where remainders may be dropped: what the axes lose of which no distance is known to be whole."""
    names = [
        axis.name for axis in machine.axes
        if not axis.exact and any(axes[axis.name].dropped.one_way_steps for axes in figures)
    ]  # fmt: skip
    if not names or machine.firmware.remainder == "carry":
        return []
    lost = _worst_drift(machine, figures, names)
    drops = "drops the remainder" if machine.firmware.remainder == "drop" else "may drop the remainder (find out first)"
    return [f"No distance is exactly whole motor steps on {', '.join(names)}: the firmware {drops}, and position drifts "
            f"{lost}. Carry remainders; a step that is a fraction, file as one."]  # fmt: skip


def _broken_words(machine: Machine, figures: tuple[dict[str, RungOnAxis], ...], broken: list[str]) -> str:
    lost = _worst_drift(machine, figures, [axis.name for axis in machine.axes if axis.exact])
    effect = {
        "carry": "the firmware keeps the remainder, so the error stays within half a step",
        "drop": f"the firmware drops the remainder, so position drifts: {lost}; carry remainders, or give each axis "
        "distances of its own",
        "unknown": f"if the firmware drops remainders, position drifts: {lost}; find out first",
    }[machine.firmware.remainder]
    return f"Not whole motor steps: {'; '.join(broken)} ({effect})."


def _worst_drift(machine: Machine, figures: tuple[dict[str, RungOnAxis], ...], names: list[str]) -> str:
    """The largest loss of any rung on these axes, of firmware that drops remainders."""
    worst = max(
        (f for axes in figures for f in axes.values() if f.axis in names),
        key=lambda f: abs(f.dropped.one_way_steps) * float(machine.axis(f.axis).step_mm),
    )
    axis = machine.axis(worst.axis)
    unit = machine.shown_unit(axis)
    lost = say_distance(abs(worst.dropped.one_way_steps) * float(axis.step_mm), unit, digits=2)
    return f"up to {lost} per 1000 clicks, {say_distance(worst.gain_mm, unit)} each, on {worst.axis}"


def _finer_words(machine: Machine, ladder: Ladder, figures: tuple[dict[str, RungOnAxis], ...]) -> list[str]:
    texts = []
    for rung, axes in zip(ladder.rungs, figures, strict=True):
        for reason in ("one way", "after a reversal"):
            names = [name for name, figure in axes.items() if figure.finer_than_real == reason]
            if names:
                shown = say_distance(rung.gain_mm, machine.show_in)
                texts.append(f"{shown} is finer than {', '.join(names)} can honour {reason}{_remedy(reason)}.")
    return texts


def _remedy(reason: str) -> str:
    return "" if reason == "one way" else " (touch off from one side only)"


def _outrun_words(machine: Machine, ladder: Ladder, figures: tuple[dict[str, RungOnAxis], ...]) -> list[str]:
    texts = []
    for name in figures[0]:
        outrun = [
            say_distance(rung.gain_mm, machine.show_in)
            for rung, axes in zip(ladder.rungs, figures, strict=True)
            if axes[name].outruns_steady
        ]
        if outrun:
            rate = say_number(machine.knob.steady_detents_s, digits=3)
            texts.append(f"Axis {name} can't keep up with {rate} detents/s on: {', '.join(outrun)}.")
    return texts
