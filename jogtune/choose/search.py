"""Every ladder; the choice."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from math import inf

import numpy as np
from numpy.typing import NDArray

from ..axis.runon import owed_run_on_mm
from ..files import Fault, InputFault
from ..hand.person import Floats
from ..ladder.ladder import Ladder
from ..ladder.steps import is_whole_step
from ..machine.model import Machine
from ..units import digit_points, in_unit, say_distance
from .cover import _MOST_RUNGS
from .people import _Masks, _masks_of, _rows_of
from .prefer import _NEAR_SHARE, _UNLIKE_POINTS, Ranked, Search, _Field, _People, _Teller
from .score import _MOST_LADDERS, _all_ladders, _count_ladders, _one_thread, _score_ladders, _too_coarse
from .tasks import _Asked, _Mix, _own_tasks, estimate_task, make_mix

_LISTED = 5
_LEAST_RUNGS, _LEAST_RUNGS_RANGE = 3, 8.0  # so many where coarsest and finest lie farther apart than that: our choice
_COMPARE_UP_TO = 50_000


@dataclass(frozen=True)
class _Weighed:
    """Every ladder of a machine's candidates, timed for every hand: what a choice is made from."""

    machine: Machine
    base_mm: Fraction
    multipliers: tuple[int, ...]
    mix: _Mix
    field: _Field
    people: _People
    start_mix: bool

    def order(self, rungs: int | None = None, like: tuple[Fraction, ...] = ()) -> NDArray[np.intp]:
        """The near-best, of so many rungs where asked, as places among the ladders timed for every hand. First plain numbers and
        few rungs, then whole steps (the other way round where remainders are dropped), even ratios, time. Each number that is not
        at its place in `like` [person's unit] counts as two points."""
        fits = self.people.near()[0]
        if rungs is not None:
            fits = fits & (self.field.rungs[self.people.at] == rungs)
        places = np.flatnonzero(fits)
        at = self.people.at[places]
        gains = [m * self.base_mm for m in self.multipliers]
        numbers = [in_unit(gain, self.machine.show_in) for gain in gains]
        points = np.array([digit_points(number) for number in numbers]) + 0.5
        exact = [axis for axis in self.machine.axes if axis.exact]
        broken = np.array([sum(not is_whole_step(axis, gain) for axis in exact) for gain in gains])
        bits = ((self.field.masks[at][:, None] >> np.arange(len(gains))) & 1).astype(bool)
        known = np.array([[number == other for other in like] for number in numbers]).reshape(len(gains), -1)
        place = np.minimum(np.cumsum(bits, axis=1) - 1, len(like) - 1)
        unlike = (bits & ~known[np.arange(len(gains)), place]).sum(axis=1) if like else 0
        first = [bits @ points + _UNLIKE_POINTS * unlike, bits @ broken][:: -1 if self.machine.firmware.remainder == "drop" else 1]
        keys = [*first, np.round(_unevenness(bits, self.multipliers), 6), self.field.total_s[at]]
        return np.asarray(places[np.lexsort(keys[::-1])])

    def every(self) -> list[Ranked]:
        """Each ladder that does the tasks, the fastest first."""
        order = np.argsort(self.field.total_s, kind="stable")
        return [self._rank(i) for i in order if np.isfinite(self.field.total_s[i])]

    def ladder(self, place: int) -> Ladder:
        return self._made(self.people.at[place])

    def _made(self, index: int | np.intp) -> Ladder:
        mask = int(self.field.masks[index])
        gains = [m * self.base_mm for i, m in enumerate(self.multipliers) if mask >> i & 1]
        return Ladder.from_gains(gains, show_in=self.machine.show_in)

    def _rank(self, index: int | np.intp) -> Ranked:
        found, people = Ranked(ladder=self._made(index), time_s=float(self.field.total_s[index])), self.people
        for i in np.flatnonzero(people.at == index).tolist():
            return replace(found, rule_time_s=people.rule_s(i), worst_loss=max(float(people.losses[i].max()), 0.0))
        return found

    def choose(self, order: NDArray[np.intp] | None = None) -> Search:
        """The first of the near-best in an order, and all that was found."""
        mix, field, people, order = self.mix, self.field, self.people, self.order() if order is None else order
        best = self._rank(field.allowed_s.argmin())
        at = people.at[order]
        listed = [self._rank(index) for index in at[:_LISTED]]
        chosen, curve = listed[0], tuple(self._curve())
        alike = field.rungs == len(chosen.ladder.multipliers)
        shared_s = _sharing_s(mix, field, alike)
        return Search(
            mix=mix, chosen=chosen, best=best, searched=len(field.masks), near=len(order), near_share=_NEAR_SHARE,
            all_near=people.near()[1], unfit=_count_unfit(mix, field.masks), plainest=tuple(listed),
            fewest=self._rank(at[np.argsort(field.rungs[at], kind="stable")[0]]), hands=people.hand_times(int(order[0])),
            curve=curve, knee=next(len(one.ladder.multipliers) for one in curve if one.time_s <= best.time_s * (1 + _NEAR_SHARE)),
            start_mix=self.start_mix, sharing_s=_sharing_s(mix, field, field.rungs <= field.most),
            sharing_share=None if shared_s is None else shared_s / float(field.total_s[alike].min()),
            tasks=tuple(estimate_task(mix, chosen.ladder.gains_mm, t) for t in range(len(mix.tasks))),
            every=(field.rungs, field.total_s),
        )  # fmt: skip

    def _curve(self) -> Iterator[Ranked]:
        for rungs in np.unique(self.field.rungs):
            times = np.where(self.field.rungs == rungs, self.field.total_s, np.inf)
            best = self._rank(times.argmin())
            if not np.isfinite(times.min()) and (self.field.rungs == rungs).sum() == 1:  # alone, so not sifted out for its clicks
                ladder = self._made(np.flatnonzero(self.field.rungs == rungs)[0])
                best = Ranked(ladder=ladder, time_s=_mean_s(self.mix, ladder.gains_mm))
            if np.isfinite(best.time_s):
                yield best


def _unevenness(bits: NDArray[np.bool_], multipliers: Sequence[int]) -> Floats:
    """The widest less the narrowest step of each ladder, as logarithms."""
    logs = np.log10(np.array(multipliers, dtype=float))
    last, least, most = np.full(len(bits), np.nan), np.full(len(bits), np.inf), np.zeros(len(bits))
    for i, at in enumerate(logs):
        gap = np.where(bits[:, i], at - last, np.nan)
        least, most = np.fmin(least, gap), np.fmax(most, gap)
        last = np.where(bits[:, i], at, last)
    return np.where(np.isfinite(least), most - least, 0.0)


def _weigh_ladders(machine: Machine, base_mm: Fraction, multipliers: Iterable[int], asked: _Asked) -> _Weighed:
    """Score every ladder of the candidates for every hand. `progress` shows a bar, or is called with the share of the work that
    is done, up to 1. Raises `InputFault` where the constraints can't be met or leave too many ladders to try."""
    offered = tuple(_admit(machine, base_mm, sorted(set(multipliers)), asked))
    quiet = asked.executor is None and asked.stop is None and not asked.progress
    tops = dict(asked.top_speed_mm_s)  # kept with the answer, whatever becomes of the caller's
    asked = replace(asked, top_speed_mm_s=tops, series="plain", base=None, multipliers=())
    return (_kept if quiet else _weigh)(machine, base_mm, offered, asked)


def _weigh(machine: Machine, base_mm: Fraction, offered: tuple[int, ...], asked: _Asked) -> _Weighed:
    mix = make_mix(machine, (m * base_mm for m in offered), tasks=asked.tasks, hand=asked.hand, top_speed_mm_s=asked.top_speed_mm_s)
    if not any(mix.doable(t) for t in range(len(mix.tasks))):
        raise InputFault("tasks", [_too_fine(mix, Fault(rule="no candidate can do any of them"))])
    if asked.only:
        counts, left = [len(asked.only[0])], [ladder for ladder in asked.only if set(ladder) <= set(offered)]
        if not left:
            raise InputFault("constraints", [Fault("multipliers", rule="run on further on every base", cure="allow more run-on")])
        masks = [_masks_of(np.array([[offered.index(m) for m in ladder] for ladder in left], dtype=np.int16))]
    else:
        counts, more = _counts(machine, offered, asked)
        kept = [offered.index(multiplier) for multiplier in asked.keep]
        more = [k for k in more if _count_ladders(len(offered), k, len(kept)) <= _COMPARE_UP_TO]
        total = sum(_count_ladders(len(offered), k, len(kept)) for k in counts + more)
        if total > _MOST_LADDERS:
            made = f"{len(offered)} candidates make {total} ladders"
            fault = Fault(made, rule=f"more than {_MOST_LADDERS}", cure="take a sparser series or ask for fewer rungs")
            raise InputFault("candidates", [fault])
        masks = [_masks_of(rows) for k in counts + more for rows in _all_ladders(len(offered), k, kept)]
    teller = _Teller(sum(map(len, masks)), asked.progress, asked.stop)
    with _one_thread(), teller.bar:
        field = _Field.of(mix, np.concatenate(masks), (counts[0], counts[-1]), asked.executor, teller)
        if not np.isfinite(field.allowed_s).any():
            fault = Fault(rule=f"no ladder of {field.most} rungs or fewer can finish every task")
            raise InputFault("constraints", [_too_fine(mix, fault)])
        people = _People.of(mix, field, asked.executor, teller)
    return _Weighed(machine, base_mm, offered, mix, field, people, start_mix=asked.tasks is None and not _own_tasks(machine))


_kept = lru_cache(maxsize=32)(_weigh)


def _admit(machine: Machine, base_mm: Fraction, offered: list[int], asked: _Asked) -> list[int]:
    """The multipliers that the constraints leave; kept ones are added where they are missing."""
    faults = [Fault("keep", m, "must be a whole number of 1 or more") for m in asked.keep if m < 1]
    offered = sorted({*offered, *(m for m in asked.keep if m >= 1)})
    if asked.most_run_on_mm is not None:
        far = {m for m in offered if _runs_on_mm(machine, m * base_mm, asked) > asked.most_run_on_mm}
        limit = say_distance(asked.most_run_on_mm, machine.show_in, digits=3)
        kept = [m for m in asked.keep if m in far]
        faults += [Fault("keep", m, f"runs on further than {limit}", "keep another, or allow more") for m in kept]
        if far.issuperset(offered):
            faults.append(Fault("most_run_on", limit, "every candidate runs on further", "allow more, or take a finer base"))
        offered = [m for m in offered if m not in far]
    if faults:
        raise InputFault("constraints", faults)
    return offered


def _runs_on_mm(machine: Machine, gain_mm: Fraction, asked: _Asked) -> float:
    """The farthest run-on over the axes [mm]."""
    speed, tops = float(gain_mm) * machine.knob.steady_detents_s, asked.top_speed_mm_s
    capped = [(axis, min(axis.top_speed_mm_s, tops.get(axis.name, inf))) for axis in machine.axes]
    return max(owed_run_on_mm(min(speed, top), machine.link.report_interval_s, top, axis.ramp_mm_s2) for axis, top in capped)


def _counts(machine: Machine, multipliers: Sequence[int], asked: _Asked) -> tuple[list[int], list[int]]:
    """Numbers of rungs to choose among, and those below and the next one above to compare with."""
    offered, positions = len(multipliers), machine.selector.positions
    most = min(positions, asked.most_rungs or max(_MOST_RUNGS, asked.rungs or 0, len(asked.keep)), offered)
    wide = multipliers[-1] > _LEAST_RUNGS_RANGE * multipliers[0]
    kept = max(1, len(asked.keep))
    least = max(kept, min(_LEAST_RUNGS, most) if wide else 1)
    if least > most:
        fault = Fault("keep", rule=f"names {least} rungs, and there is room for {most}", cure="keep fewer")
        raise InputFault("constraints", [fault])
    counts, fewer = list(range(least, most + 1)), list(range(kept, least))
    if asked.rungs is not None:
        if not kept <= asked.rungs <= most:
            raise InputFault("constraints", [Fault("rungs", asked.rungs, f"must be {kept} to {most}")])
        counts, fewer = [asked.rungs], []
    return counts, fewer + ([counts[-1] + 1] if asked.beyond and counts[-1] < offered else [])


def _mean_s(mix: _Mix, gains_mm: Iterable[Fraction]) -> float:
    gains = tuple(gains_mm)
    times = [estimate_task(mix, gains, t).mean_s for t in range(len(mix.tasks))]
    return float(np.array([np.inf if time is None else time for time in times]) @ mix.weights)


def _too_fine(mix: _Mix, fault: Fault) -> Fault:
    tight = min(mix.tasks, key=lambda task: task.tolerance_mm)
    return Fault(rule=fault.rule, cure=f"the tightest is {tight.name}; take a finer base, or a wider tolerance")


def _count_unfit(mix: _Mix, masks: _Masks) -> int:
    """How many ladders are too coarse for some task."""
    parts = [[_too_coarse(mix, t, rows) for t in range(len(mix.tasks))] for _, rows in _rows_of(masks, len(mix.gains_mm))]
    return int(sum(np.any(part, axis=0).sum() for part in parts))


def _sharing_s(mix: _Mix, field: _Field, fits: NDArray[np.bool_]) -> float | None:
    """What sharing one ladder costs over the best ladder for each axis, both among those that fit [s]; None where the tasks use
    one axis."""
    axes = sorted({task.axis for task in mix.tasks})
    if len(axes) < 2 or not np.isfinite(field.total_s[fits]).any():
        return None
    apart = 0.0
    for axis in axes:
        weights = np.where([task.axis == axis for task in mix.tasks], mix.weights, 0.0)
        own = np.where(weights > 0, field.times_s, 0.0).astype(float) @ weights
        apart += float(own[fits].min())
    return max(float(np.where(fits, field.allowed_s, np.inf).min()) - apart, 0.0)


def _free_ladder(search: Search, *, per_octave: int = 12) -> tuple[tuple[float, ...], float]:
    """The fastest ladder near the best one when its clicks may be any distance, and its time [s]. One rung after the other is
    moved over a dense grid until none gains: a local optimum. The difference to `search.best` is what plain numbers cost."""
    gains = [float(gain) for gain in search.best.ladder.gains_mm]
    octaves = np.log2(search.mix.gains_mm[-1] / search.mix.gains_mm[0])
    dense = search.mix.gains_mm[0] * np.exp2(np.arange(int(octaves * per_octave) + 1) / per_octave)
    time = search.best.time_s
    while True:
        trials = [sorted({*gains[:i], *gains[i + 1 :], float(g)}) for i in range(len(gains)) for g in dense]
        trials = [trial for trial in trials if len(trial) == len(gains)]
        pool = sorted({gain for trial in trials for gain in trial})
        rows = np.array([[pool.index(gain) for gain in trial] for trial in trials], dtype=np.int16)
        mix = replace(search.mix, gains_mm=tuple(pool))
        totals = mix.mean_s(_score_ladders(mix, rows))
        if totals.min() >= time * (1 - 1e-6):
            return tuple(gains), time
        gains, time = trials[int(totals.argmin())], float(totals.min())
