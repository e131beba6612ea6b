"""Assumptions tried at their ends."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache, reduce
from math import isnan, nan

import numpy as np

from ..ladder.ladder import Ladder, fraction_gcd
from ..machine.model import Assumed, Machine, varied
from ..units import digit_points, in_unit
from .columns import _Part
from .search import _mean_s, _weigh_ladders
from .tasks import _Asked, make_mix

_MOST_TRIED = 11
"""Candidates of a trial, the plainest: the choice among all would take ten times as long and seldom be another."""


@dataclass(frozen=True, kw_only=True)
class _Tried:
    """An assumed figure at the ends of its range: whether another ladder would be chosen there, and the share by which the one
    that is chosen now is slower than that one there, at the worse end (NaN: it doesn't fit). None where there is nothing to
    try."""

    assumed: Assumed
    changes_choice: bool | None = None
    loses_share: float | None = None
    worst: str = ""


def _try_assumed(machine: Machine, ladder: Ladder, asked: _Asked) -> tuple[_Tried, ...]:
    """Each figure that a machine's file leaves open, tried; the one that the choice hangs on most first."""
    now = cache(lambda: _choice(machine, ladder, asked)[0])
    found = [_try(machine, ladder, asked, one, now) for one in machine.assumed]
    return tuple(sorted(found, key=lambda one: (-(one.changes_choice or False), -np.nan_to_num(one.loses_share or 0.0))))


_Chosen = tuple[tuple[Fraction, ...], ...]


def _try(machine: Machine, ladder: Ladder, asked: _Asked, one: Assumed, now: Callable[[], _Chosen]) -> _Tried:
    if not one.ends:
        return _Tried(assumed=one)
    losses = {}
    for end, text in zip(one.ends, one.range, strict=True):
        other = varied(machine, one, end)
        if not _same(machine, other, asked):
            chosen, loses = _choice(other, ladder, asked)
            if chosen != now():
                losses[text] = loses if isnan(loses) else max(loses, 0.0)
    worst = max(losses, key=lambda text: np.nan_to_num(losses[text]), default="")
    return _Tried(assumed=one, changes_choice=bool(losses), loses_share=losses.get(worst, 0.0), worst=worst)


def _same(machine: Machine, other: Machine, asked: _Asked) -> bool:
    """Whether nothing that a choice goes by differs: moves, hand, tasks, positions, remainders."""
    mixes = (make_mix(one, [Fraction(1)], tasks=asked.tasks, hand=asked.hand) for one in (machine, other))
    drops = machine.firmware.remainder == "drop", other.firmware.remainder == "drop"
    return next(mixes) == next(mixes) and machine.selector == other.selector and drops[0] == drops[1]


def _choice(machine: Machine, ladder: Ladder, asked: _Asked) -> tuple[_Chosen, float]:
    """The plainest of the near-best of a few plain candidates for each column, and by how much a ladder is slower: NaN where it
    doesn't fit."""
    chosen, mine, best = [], 0.0, 0.0
    for n, part in enumerate(machine.columns):
        of = _Part.of(part, replace(asked if n == 0 else asked.of_another, progress=False, executor=None))
        gains, whole = ladder.on(part.axes[0]), _few(of)
        unit = reduce(fraction_gcd, {*gains, *whole})
        few = _Asked(tasks=asked.tasks_on(part), hand=asked.hand, keep=(int(min(*gains, *whole) / unit),))
        weighed = _weigh_ladders(part, unit, [int(gain / unit) for gain in {*gains, *whole}], few)
        first = int(weighed.order()[0])
        chosen.append(weighed.ladder(first).gains_mm)
        weight, fits = sum(task.weight for task in weighed.mix.tasks), len(gains) <= part.selector.positions
        mine += weight * (_mean_s(weighed.mix, gains) if fits else nan)
        best += weight * float(weighed.field.total_s[weighed.people.at[first]])
    return tuple(chosen), mine / best - 1


def _few(part: _Part) -> list[Fraction]:
    """The finest of a part's candidates and the plainest of the others."""
    gains = [m * part.pool.base_mm for m in part.pool.multipliers]
    plain = sorted(gains[1:], key=lambda gain: digit_points(in_unit(gain, part.machine.show_in)))
    return [gains[0], *plain[: _MOST_TRIED - 1]]
