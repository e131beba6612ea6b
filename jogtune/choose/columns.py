"""A search per column of axes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..hand.person import Floats
from ..ladder.ladder import Ladder, SeriesValue
from ..machine.model import Machine, Task
from ..units import digit_points, from_unit, in_unit, is_plain, plain_at_most
from .base import _Base, _derive_base
from .cover import (
    _MOST_RUNGS,
    _MOST_SEARCHED,
    _alone,
    _check_rungs,
    _derive_pool,
    _in_columns,
    _Pool,
    _pool_of_bases,
    coarsest_wish,
)
from .prefer import _NEAR_SHARE, _UNLIKE_POINTS, HandTime, Ranked, Search
from .search import _weigh_ladders, _Weighed
from .tasks import _Asked, _check_tasks, _mix_tasks, _own_tasks, make_mix

_CROSSING_SHARE = 0.4  # of the coarsest click that an axis follows: from there on a rung serves to cross it; our choice


@dataclass(frozen=True)
class _Part:
    """The axes of one column, what its search may take, and what was asked."""

    machine: Machine
    base: _Base
    pool: _Pool
    asked: _Asked
    only: tuple[tuple[int, ...], ...] = ()

    @classmethod
    def of(cls, machine: Machine, asked: _Asked, columns: int = 1) -> _Part:
        base = _derive_base(machine, base=asked.base)
        if asked.multipliers:
            pool, only = _pool_of_bases(machine, base, asked.multipliers)
            return cls(machine, base, pool, asked, only)
        most = _MOST_SEARCHED // columns
        return cls(machine, base, _derive_pool(machine, base, series=asked.series, keep=asked.keep, most=most), asked)

    @cached_property
    def free(self) -> _Weighed:
        """Every ladder, of any number of rungs."""
        return self._weigh(None)

    def _weigh(self, rungs: int | None) -> _Weighed:
        asked, scale = self.asked, int(self.base.base_mm / self.pool.base_mm)
        kept = () if self.only else tuple(sorted({scale, *(scale * m for m in asked.keep)}))
        asked = replace(asked, rungs=rungs, keep=kept, only=self.only, tasks=asked.tasks_on(self.machine))
        return _weigh_ladders(self.machine, self.pool.base_mm, self.pool.multipliers, asked)

    def choose(self, rungs: int | None = None, like: tuple[Fraction, ...] = ()) -> Search:
        """The choice among the near-best of all; where none of these has so many rungs, among those that have."""
        rungs = None if rungs is None else min(rungs, len(self.pool.multipliers))
        if rungs is None or rungs <= _MOST_RUNGS or self.only:
            order = self.free.order(rungs, like)
            if len(order):
                return self.free.choose(order)
        weighed = self._weigh(rungs)
        return weighed.choose(weighed.order(None, like))

    def cheapest(self, rungs: int, like: tuple[Fraction, ...]) -> int | None:
        """Of the near-best with so many rungs or fewer the one that adds least to learn beside the numbers of the reference, as
        its place; None where none is near-best. Those that end near what the axis follows come first, task or no task."""
        orders = [self.free.order(count, like) for count in range(1, rungs + 1)]
        gains = np.array(self.free.mix.gains_mm)
        crossing = np.int64(1) << np.int64(np.searchsorted(gains, _CROSSING_SHARE * coarsest_wish(self.machine)))
        masks = self.free.field.masks[self.free.people.at]
        wide = [order[masks[order] >= crossing] for order in orders]
        firsts = [order[0] for order in (wide if any(map(len, wide)) else orders) if len(order)]
        return min(firsts, key=lambda place: self.points(int(place), like, rungs), default=None)

    def alike(self, like: tuple[Fraction, ...]) -> int | None:
        """The numbers of the reference as far as this column offers them, from its own finest on to one that crosses, as their
        place; None where that is too slow to have been timed for every hand."""
        numbers = [in_unit(m * self.pool.base_mm, self.machine.show_in) for m in self.pool.multipliers]
        taken = [n for n, number in enumerate(numbers) if n == 0 or number in like[1:]]
        if self.pool.multipliers[taken[-1]] * self.pool.base_mm < _CROSSING_SHARE * coarsest_wish(self.machine):
            taken.append(max(n for n, number in enumerate(numbers) if n == 0 or is_plain(number)))
        mask = sum(1 << n for n in set(taken[: len(like)]))
        places = np.flatnonzero(self.free.field.masks[self.free.people.at] == mask)
        return int(places[0]) if len(places) else None

    def points(self, place: int, like: Sequence[Fraction], rungs: int) -> float:
        """How much there is to learn of a column beside one that is known: how far its numbers are from plain, and how many of
        so many positions differ."""
        numbers = _numbers(self.free.ladder(place))
        same = sum(a == b for a, b in zip(numbers, like, strict=False))
        return sum(digit_points(n) + 0.5 for n in numbers) + (_UNLIKE_POINTS * (rungs - same) if like else 0.0)


@dataclass(frozen=True, kw_only=True)
class _Choice:
    """A ladder, its base, the candidates it was taken from, and what was found about times: of all, and of the reference;
    `bases` of fixed multipliers, each with its time, the chosen one first and then the fastest."""

    ladder: Ladder
    base: _Base
    values: tuple[SeriesValue, ...]
    search: Search | None = None
    reference: Search | None = None
    bases: tuple[tuple[Fraction, float], ...] = ()


def _choose_ladder(machine: Machine, asked: _Asked) -> _Choice:
    """The ladder of a machine: one search for each of its columns, as many rungs on all; with distances per axis each axis is
    tried as the one whose numbers the others may share, and the table of the plainest, fewest numbers is taken."""
    if asked.tasks is not None:
        _check_tasks(machine, asked.tasks)
    kinds = machine.columns
    parts = [_Part.of(part, asked if n == 0 else asked.of_another, len(kinds)) for n, part in enumerate(kinds)]
    _check_rungs(machine, asked.rungs, len(parts[0].pool.multipliers))
    rungs = asked.rungs or len(asked.multipliers) or None
    if len(parts) == 1:
        search = parts[0].choose(rungs)
        at, reference = 0, search
    else:
        at, found = _choose_table(machine, parts, rungs)
        order = sorted(range(len(parts)), key=lambda n: n != at)
        search, reference = _joined(machine, [(parts[n].machine, found[n]) for n in order], asked), found[at]
    ladder, bases = search.chosen.ladder, list[tuple[Fraction, float]]()
    if asked.multipliers:  # as they are engraved
        first, mine = asked.multipliers[0], reference.chosen.ladder
        ladder = replace(ladder, base_mm=ladder.gains_mm[0] / first, multipliers=asked.multipliers)
        ranked = sorted(parts[at].free.every(), key=lambda one: one.ladder != mine)
        bases = [(one.ladder.gains_mm[0] / first, one.time_s) for one in ranked]
    return _Choice(ladder=ladder, base=parts[at].base, values=parts[at].pool.values, search=search,
                   reference=reference, bases=tuple(bases))  # fmt: skip


def _choose_table(machine: Machine, parts: Sequence[_Part], rungs: int | None) -> tuple[int, list[Search]]:
    """The reference and what was found of each column: the table with least to learn. With distances per axis each axis that is
    read in the shown unit is tried as the one whose numbers the others may share. A column that needs fewer rungs ends in its
    coarsest again."""
    may = [n for n, part in enumerate(parts) if part.machine.show_in == machine.show_in] if machine.selector.per_axis else [0]
    counts = range(1, min(machine.selector.positions, _MOST_RUNGS) + 1) if rungs is None else [rungs]
    tables = [table for at in may for count in counts if (table := _plainest(machine, parts, at, count)) is not None]
    if tables:
        _, at, places = min(tables)
        return at, [part.free.choose(np.array([place, *part.free.order()])) for part, place in zip(parts, places, strict=True)]
    most = max(len(part.choose().chosen.ladder.multipliers) for part in parts)
    shared = parts[may[0]].choose(rungs or most)
    like = _numbers(shared.chosen.ladder)
    return may[0], [shared if n == may[0] else part.choose(len(like), like) for n, part in enumerate(parts)]


def _plainest(machine: Machine, parts: Sequence[_Part], at: int, count: int) -> tuple[float, int, list[int]] | None:
    """The table of so many positions beside a reference: how much there is to learn, the reference, the place of each column.
    Columns repeat the reference as long as the whole table stays near-best; None where no such table is."""
    order = parts[at].free.order(count)
    if not len(order):
        return None
    first = int(order[0])
    like = _numbers(parts[at].free.ladder(first))
    near = [place for n, part in enumerate(parts) if (place := first if n == at else part.cheapest(count, like)) is not None]
    if len(near) < len(parts):
        return None
    alike = [first if n == at else part.alike(like) for n, part in enumerate(parts)]
    places = [a if b is None else b for a, b in zip(near, alike, strict=True)]
    while (over := _excess(machine, parts, places)).max() > 1e-9 and places != near:
        worst = max((n for n in range(len(parts)) if places[n] != near[n]), key=lambda n: over[n])
        places[worst] = near[worst]
    points = [part.points(place, () if n == at else like, count) for n, (part, place) in enumerate(zip(parts, places, strict=True))]
    return sum(points), at, places


def _excess(machine: Machine, parts: Sequence[_Part], places: Sequence[int]) -> Floats:
    """By how much the whole table is slower for some hand than near-best allows, each column's part in it; 0 where it is not."""
    shares = _shares([part.free for part in parts], parts[0].asked.tasks or _own_tasks(machine))
    people = [part.free.people for part in parts]
    names = dict.fromkeys(name for one in people for name in one.names)
    columns = [[one.names.index(name) if name in one.names else 0 for name in names] for one in people]
    limits = np.max([one.limits[at] for one, at in zip(people, columns, strict=True)], axis=0)
    best = np.array([one.times_s[:, at].min(axis=0) for one, at in zip(people, columns, strict=True)])
    over = np.array([one.times_s[place, at] for one, at, place in zip(people, columns, places, strict=True)]) - best
    lost = (shares @ over) / (shares @ best) - limits
    worst = int(lost.argmax())
    return np.asarray(np.where(lost[worst] > 0, shares * over[:, worst], 0.0))


def _numbers(ladder: Ladder) -> tuple[Fraction, ...]:
    return tuple(in_unit(gain, ladder.show_in) for gain in ladder.gains_mm)


def _joined(machine: Machine, found: Sequence[tuple[Machine, Search]], asked: _Asked) -> Search:
    """What was found of the columns, the reference first, as one search of the mix of tasks asked for, or the machine's own."""
    wanted = asked.tasks or _own_tasks(machine)  # none where each column has a start mix
    shares = _shares([search for _, search in found], wanted)
    hands = _joined_hands(found, shares)
    chosen = _ranked(found, shares, [search.chosen for _, search in found])
    chosen = replace(chosen, worst_loss=max((hand.loss for hand in hands), default=None))
    curve = tuple(_joined_curve(found, shares))
    best = min([*curve, chosen], key=lambda ranked: ranked.time_s)
    costs = [one.sharing_s for _, one in found]
    parts = [one.sharing_share and one.sharing_share * one.chosen.time_s for _, one in found]
    told = {task: one for _, search in found for task, one in zip(search.mix.tasks, search.tasks, strict=True)}
    known = [task for task in wanted or _mix_tasks(machine) if task in told] or list(told)
    return Search(
        mix=make_mix(machine, chosen.ladder, tasks=known, hand=found[0][1].mix.hand), tasks=tuple(told[task] for task in known),
        chosen=chosen, best=best, plainest=(chosen,), curve=curve, hands=hands, near_share=_NEAR_SHARE,
        sharing_s=_known_sum(shares, costs), sharing_share=_known_sum(shares / chosen.time_s, parts),
        searched=sum(search.searched for _, search in found), unfit=sum(search.unfit for _, search in found),
        near=sum(search.near for _, search in found), all_near=all(search.all_near for _, search in found),
        knee=next((len(one.ladder.multipliers) for one in curve if one.time_s <= best.time_s * (1 + _NEAR_SHARE)),
                  len(chosen.ladder.multipliers)),
        start_mix=not wanted, every=_joined_every(found, shares),
    )  # fmt: skip


def _known_sum(shares: Floats, figures: Sequence[float | None]) -> float | None:
    """The weighted sum of what is known; None where nothing is."""
    known = [float(share) * figure for share, figure in zip(shares, figures, strict=True) if figure is not None]
    return sum(known) if known else None


def _shares(searches: Sequence[Search | _Weighed], wanted: Sequence[Task]) -> Floats:
    """The weight of each column's tasks among those wanted, or all."""
    weights = [sum(task.weight for task in one.mix.tasks if not wanted or task in wanted) for one in searches]
    return np.array(weights) / sum(weights)


_Found = Sequence[tuple[Machine, Search]]


def _ranked(found: _Found, shares: Floats, each: Sequence[Ranked]) -> Ranked:
    """One ladder of each column's, and its mean times."""
    ladder = _in_columns([(part, one.ladder.gains_mm) for (part, _), one in zip(found, each, strict=True)])
    rules = [one.time_s if one.rule_time_s is None else one.rule_time_s for one in each]
    known = any(one.rule_time_s is not None for one in each)
    return Ranked(ladder=ladder, time_s=float(shares @ [one.time_s for one in each]),
                  rule_time_s=float(shares @ rules) if known else None)  # fmt: skip


def _joined_curve(found: _Found, shares: Floats) -> Iterator[Ranked]:
    """The best table of each number of rungs that the reference offers; other columns may have fewer."""
    for point in found[0][1].curve:
        rungs = len(point.ladder.multipliers)
        able = [[one for one in search.curve if len(one.ladder.multipliers) <= rungs] for _, search in found[1:]]
        if all(able):
            yield _ranked(found, shares, [point, *(min(some, key=lambda one: one.time_s) for some in able)])


def _joined_every(found: _Found, shares: Floats) -> tuple[NDArray[np.int_], Floats] | None:
    """Every ladder of each column, beside the best of so many rungs or fewer of each other column: rungs and mean times."""
    parts = [search.every for _, search in found if search.every is not None]
    if len(parts) < len(found):
        return None
    best = [{k: min((one.time_s for one in search.curve if len(one.ladder.multipliers) <= k), default=np.inf)
             for rungs, _ in parts for k in np.unique(rungs)} for _, search in found]  # fmt: skip
    totals = []
    for n, (rungs, times) in enumerate(parts):
        beside = {k: sum(shares[m] * best[m][k] for m in range(len(parts)) if m != n) for k in np.unique(rungs)}
        totals.append(shares[n] * times + np.array([beside[k] for k in rungs]))
    return np.concatenate([rungs for rungs, _ in parts]), np.concatenate(totals)


def _joined_hands(found: _Found, shares: Floats) -> tuple[HandTime, ...]:
    """Each hand's times over all columns; a column that a rule of thumb says nothing of counts with the own hand's."""
    each = [{hand.name: hand for hand in search.hands} for _, search in found]
    names = dict.fromkeys(name for hands in each for name in hands)
    joined = []
    for name in names:
        mine = [hands.get(name, next(iter(hands.values()))) for hands in each]
        time, best = (float(shares @ [getattr(hand, what) for hand in mine]) for what in ("time_s", "best_s"))
        joined.append(HandTime(name=name, time_s=time, best_s=best, limit=max(hand.limit for hand in mine)))
    return tuple(joined)


def _own_choice(machine: Machine, ladder: Ladder, asked: _Asked) -> Search:
    """A ladder of one's own, timed on the machine's tasks, column by column."""
    found = []
    for part, gains in ladder.parts(machine):
        mine = Ladder.from_gains(gains, show_in=part.show_in)
        this = replace(asked, rungs=len(mine.multipliers), keep=mine.multipliers, tasks=asked.tasks_on(part))
        found.append((part, _weigh_ladders(part, mine.base_mm, mine.multipliers, this).choose()))
    return found[0][1] if len(found) == 1 else _joined(machine, found, asked)


@dataclass(frozen=True, kw_only=True)
class _Table:
    """What distances for each axis would win over a shared ladder: `saves_share` of the task time at most among as many rungs
    (None: not known), tasks whose goals it would meet, axes whose finest wish it would meet, and the last click that an axis
    still follows where the shared one is coarser [mm or degrees]."""

    saves_share: float | None
    tasks: tuple[str, ...]
    finest: tuple[str, ...]
    last_mm: Mapping[str, Fraction]

    @property
    def holds(self) -> str:
        """Whether a table is "needed", "worth it" or "not worth it": five percent, our choice."""
        if self.tasks or self.finest:
            return "needed"
        return "worth it" if (self.saves_share or 0.0) > _NEAR_SHARE else "not worth it"


def _table_of(machine: Machine, ladder: Ladder, search: Search) -> _Table | None:
    """What a table would win over this ladder; None where no two axes share their numbers."""
    if all(len(part.axes) == 1 for part in machine.columns):
        return None
    finest, last = [], {}
    for part in machine.columns:
        for axis in part.axes if len(part.axes) > 1 else ():
            mine, gains = _alone(machine, axis), ladder.on(axis)
            if gains[0] > axis.finest_mm and _derive_base(mine).base_mm < gains[0]:
                finest.append(axis.name)
            most, unit = Fraction(coarsest_wish(mine)), mine.show_in
            if gains[-1] > most * (1 + Fraction(1, 10**9)):
                last[axis.name] = from_unit(plain_at_most(in_unit(most, unit)), unit)
    return _Table(saves_share=search.sharing_share, tasks=_lost(search), finest=tuple(finest), last_mm=last)


def _lost(search: Search) -> tuple[str, ...]:
    """Tasks of which the axis could meet more goals with a finer click than its finest."""
    found = []
    for t, (task, estimate) in enumerate(zip(search.mix.tasks, search.tasks, strict=True)):
        finest, motion = search.mix.axis_gains_mm(t)[0], search.mix.motions[t]
        half = task.half_mm(motion.readout_step_mm)
        if not estimate.possible and half > 0 and motion.motor_step_mm < finest * (1 - 1e-9):
            found.append(task.name)
    return tuple(found)
