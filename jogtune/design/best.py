"""The best ladders for a mix of tasks: every one scored, the near-best set, and a choice inside it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..files import InputFault
from ..ladder import Ladder, is_whole_step
from ..machine import Machine, Task
from ..units import digit_points, in_unit, say_distance
from .controls import KnobControl
from .derive import MOST_RUNGS
from .hand import Estimate, Floats, Hand, Motion
from .limits import owed_run_on_mm
from .people import COARSE, THUMBS, Masks, masks_of, rows_of, sensible_clicks, sift, thumb_times_s, unlike_hands
from .score import (
    MOST_LADDERS,
    Ladders,
    Mix,
    SearchStopped,
    all_ladders,
    count_ladders,
    one_thread,
    score_all,
    too_coarse,
)

__all__ = [
    "Constraints", "HandTime", "Ranked", "Search", "derive_tasks", "estimate_task", "free_ladder", "make_mix",
    "own_tasks", "search_ladders",
]  # fmt: skip

NEAR_SHARE, THUMB_SHARE, WIDE_SHARE = 0.05, 0.10, 0.15
"""Near-best: within the first of the best for every hand that uses a ladder perfectly, and within the second for
those who go by a rule of thumb. Ladders within the third for the own hand are timed under the others. Our choices."""
LISTED = 5
MOST_TIMED, CLOSE_SHARE = 6_000, 0.065  # ladders timed for other hands; those beyond it only where none is near-best
LEAST_RUNGS, LEAST_RUNGS_RANGE = 3, 8.0  # so many where coarsest and finest lie farther apart than that: our choice
COMPARE_UP_TO = 50_000
FEW = 500
"""The next number of rungs is tried too, for comparison, where that makes no more ladders than this."""


@dataclass(frozen=True, kw_only=True)
class Constraints:
    """What a person asks of a ladder.

    `keep` multipliers that must be on it, `rungs` exactly so many, `most_rungs` at most so many,
    `most_run_on_mm` no rung that runs on further on any axis at the steady turn rate (every click
    owed, the axis at its top speed where it can't follow), `top_speed_mm_s` per axis a lower top
    speed, as while people stand near.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> asked = Constraints(keep=(1, 100), most_rungs=3)
    >>> search_ladders(router, Fraction(1, 100), [1, 10, 100, 500], constraints=asked).chosen.ladder.multipliers
    (1, 10, 100)
    """

    keep: tuple[int, ...] = ()
    rungs: int | None = None
    most_rungs: int | None = None
    most_run_on_mm: float | None = None
    top_speed_mm_s: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Ranked:
    """One ladder and its expected time, a mean over the mix [s].

    `time_s` is that of a person who uses it perfectly, `rule_time_s` of people who go by a rule of thumb (the
    coarsest rung with 2, 4 or 8 clicks left; their mean): what to expect. `worst_loss` is the largest share by
    which any of the hands is slower than on the ladder that is best for it (None: not timed for others).

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = search_ladders(router, Fraction(1, 100), [1, 10, 100, 500])
    >>> found.best.ladder.say(), round(found.best.time_s, 1)
    ('0.01, 0.1, 1, 5 mm', 4.3)
    """

    ladder: Ladder
    time_s: float
    rule_time_s: float | None = None
    worst_loss: float | None = None


@dataclass(frozen=True, kw_only=True)
class HandTime:
    """What a ladder takes one hand [s], and what the best ladder for that hand would take.

    >>> HandTime(name="spread 30 % higher", time_s=4.2, best_s=4.0, limit=0.05).near
    True
    """

    name: str
    time_s: float
    best_s: float
    limit: float

    @property
    def loss(self) -> float:
        """The share by which it is slower."""
        return self.time_s / self.best_s - 1

    @property
    def near(self) -> bool:
        """Whether that is within what counts as near-best."""
        return self.loss <= self.limit * (1 + 1e-9)


@dataclass(frozen=True, kw_only=True)
class Search:
    """All that a search found.

    `searched` ladders were scored, of which `unfit` are too coarse for some task and set apart;
    `near` counts those near-best for every hand (`all_near` False: none is, and those of least excess stand in),
    `plainest` lists the plainest few of them, the chosen one first, `fewest` is the plainest of fewest rungs.
    `hands` are the chosen ladder's times for each hand. `curve` is the best ladder of each number of rungs, and goes one further
    than the selector; `knee` is the fewest rungs within `near_share` of the best. `sharing_s` is
    what one ladder for all axes costs over the best for each (None where tasks use one axis).
    `tasks` are the estimates for the chosen ladder in the order of the mix.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = search_ladders(router, Fraction(1, 100), [1, 10, 100, 500])
    >>> found.knee, [len(point.ladder.multipliers) for point in found.curve], found.tasks[0].possible
    (4, [1, 2, 3, 4], True)
    """

    mix: Mix
    chosen: Ranked
    best: Ranked
    searched: int
    unfit: int
    near: int
    near_share: float
    plainest: tuple[Ranked, ...]
    curve: tuple[Ranked, ...]
    knee: int
    sharing_s: float | None
    tasks: tuple[Estimate, ...]
    start_mix: bool = False
    fewest: Ranked | None = None
    hands: tuple[HandTime, ...] = ()
    all_near: bool = True

    def curve_at(self, rungs: int) -> Ranked | None:
        """The best ladder of so many rungs, if any was scored."""
        return next((point for point in self.curve if len(point.ladder.multipliers) == rungs), None)


def derive_tasks(machine: Machine) -> tuple[Task, ...]:
    """A start mix for a machine whose file names no tasks: cross, go near, nudge, on every axis.

    >>> from jogtune.machine import read_machine
    >>> [task.name for task in derive_tasks(read_machine("datasets/machines/slide_stage.toml"))][:3]
    ['cross X', 'go near on X', 'nudge X']
    """
    tasks = []
    for axis in machine.axes:
        finest, reach = max(float(axis.finest_mm), float(axis.step_mm)), axis.reach_mm
        wide = min(max(reach / 250, 4 * finest), reach / 4)
        some = min(max(reach / 60, 30 * finest), reach / 2)
        tasks += [
            (f"cross {axis.name}", axis.name, 0.6 * reach, wide, 1.0),
            (f"go near on {axis.name}", axis.name, some, max(some / 80, 3 * finest), 2.0),
            (f"nudge {axis.name}", axis.name, min(15 * finest, reach / 2), 2 * finest, 2.0),
        ]
    return tuple(
        Task(name=name, axis=axis, distance_mm=far, tolerance_mm=tolerance, weight=weight, cue="eye")
        for name, axis, far, tolerance, weight in tasks
    )


def own_tasks(machine: Machine) -> tuple[Task, ...]:
    """The tasks of a machine's file that use an axis it (still) has.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> [task.name for task in own_tasks(router)][:2]
    ['cross the table', 'go near the next inlay']
    """
    names = {axis.name for axis in machine.axes}
    return tuple(task for task in machine.tasks if task.axis in names)


def _check_tasks(machine: Machine, tasks: Sequence[Task]) -> None:
    names = [axis.name for axis in machine.axes]
    faults = [
        f'task {task.name}: axis = "{task.axis}": is no axis of {machine.name}: use one of {", ".join(names)}'
        for task in tasks
        if task.axis not in names
    ]
    if faults or not tasks:
        raise InputFault("tasks", faults or ["no task is given: name at least one"])


def make_mix(
    machine: Machine,
    gains_mm: Iterable[Fraction],
    *,
    tasks: Sequence[Task] | None = None,
    hand: Hand | None = None,
    constraints: Constraints | None = None,
) -> Mix:
    """The mix that ladders of these gains are scored by on a machine.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> mix = make_mix(router, [Fraction(1, 100), Fraction(1)])
    >>> mix.gains_mm, len(mix.tasks), round(float(mix.weights.sum()), 6)
    ((0.01, 1.0), 6, 1.0)
    """
    chosen = tuple(tasks) if tasks is not None else own_tasks(machine) or derive_tasks(machine)
    _check_tasks(machine, chosen)
    tops = (constraints or Constraints()).top_speed_mm_s
    axes = [machine.axis(task.axis) for task in chosen]
    return Mix(
        gains_mm=tuple(float(gain) for gain in sorted(gains_mm)),
        tasks=chosen,
        motions=tuple(Motion.from_machine(machine, axis.name, tops.get(axis.name)) for axis in axes),
        hand=hand or Hand.from_machine(machine),
        scales=tuple(float(machine.axis_gain(axis, Fraction(1))) for axis in axes),
    )


def search_ladders(
    machine: Machine,
    base_mm: Fraction,
    multipliers: Iterable[int],
    *,
    tasks: Sequence[Task] | None = None,
    hand: Hand | None = None,
    constraints: Constraints | None = None,
    executor: Executor | None = None,
    progress: bool | Callable[[float], None] = False,
    stop: Callable[[], bool] | None = None,
    rebase: bool = False,
) -> Search:
    """Score every ladder of the candidates for every hand, and choose among the near-best.

    `progress` shows a bar, or is called with the share of the work that is done, up to 1. `rebase`: ladders
    count in the largest distance that divides their own rungs, not in `base_mm`.
    Raises `InputFault` where the constraints can't be met or leave too many ladders to try.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = search_ladders(router, Fraction(1, 100), [1, 10, 100, 500])
    >>> found.searched, found.chosen.ladder.multipliers
    (15, (1, 10, 100, 500))
    """
    asked = constraints or Constraints()
    offered = _admit(machine, base_mm, sorted(set(multipliers)), asked)
    own = tuple(tasks) if tasks is not None else None
    if executor is None and stop is None and not progress:
        limits = replace(asked, top_speed_mm_s=())  # type: ignore[arg-type]
        key = (machine, base_mm, tuple(offered), own, hand, limits, tuple(sorted(asked.top_speed_mm_s.items())), rebase)
        return _kept_search(*key)
    return _search(machine, base_mm, offered, own, hand, asked, rebase, executor, progress, stop)


@lru_cache(maxsize=32)
def _kept_search(
    machine: Machine, base_mm: Fraction, offered: tuple[int, ...], tasks: tuple[Task, ...] | None, hand: Hand | None,
    asked: Constraints, top_speeds: tuple[tuple[str, float], ...], rebase: bool,
) -> Search:  # fmt: skip
    asked = replace(asked, top_speed_mm_s=dict(top_speeds))
    return _search(machine, base_mm, list(offered), tasks, hand, asked, rebase, None, False, None)


def _search(
    machine: Machine, base_mm: Fraction, offered: list[int], tasks: tuple[Task, ...] | None, hand: Hand | None,
    asked: Constraints, rebase: bool, executor: Executor | None, progress: bool | Callable[[float], None],
    stop: Callable[[], bool] | None,
) -> Search:  # fmt: skip
    mix = make_mix(machine, (m * base_mm for m in offered), tasks=tasks, hand=hand, constraints=asked)
    if not any(mix.doable(t) for t in range(len(mix.tasks))):
        raise InputFault("tasks", [f"no candidate can do any of them: {_cure(mix)}"])
    counts, more = _counts(machine, offered, asked)
    kept = [offered.index(multiplier) for multiplier in asked.keep]
    more = [k for k in more if count_ladders(len(offered), k, len(kept)) <= COMPARE_UP_TO]
    _check_size(len(offered), counts + more, len(kept))
    make = _Maker(machine, base_mm, tuple(offered), rebase)
    masks = [masks_of(rows) for k in counts + more for rows in all_ladders(len(offered), k, kept)]
    with one_thread(), _Teller(sum(map(len, masks)), progress, stop) as teller:
        field = _Field.of(mix, np.concatenate(masks), (counts[0], counts[-1]), executor, teller)
        people = _People.of(mix, field, executor, teller)
        return _conclude(mix, make, field, people, start_mix=tasks is None and not own_tasks(machine))


class _Teller:
    """Tells how far a search is, and asks whether to stop: the own hand's part is half of it."""

    def __init__(
        self, ladders: int, progress: bool | Callable[[float], None], stop: Callable[[], bool] | None
    ) -> None:
        from tqdm import tqdm

        self.bar = tqdm(total=20, desc=f"{ladders} ladders", unit=" parts", disable=progress is not True, leave=False)
        self.progress, self.stop, self.ladders = progress if callable(progress) else None, stop, ladders
        self.done = 0

    def __enter__(self) -> _Teller:
        return self

    def __exit__(self, *exc: object) -> None:
        self.bar.close()

    def check(self, rows: int = 0) -> None:
        """Raise SearchStopped where asked to."""
        if self.stop is not None and self.stop():
            raise SearchStopped(f"stopped while scoring {self.ladders} ladders")

    def step(self, parts: int) -> None:
        """So many parts are done."""
        self.bar.update(parts)
        self.done += parts
        if self.progress is not None:
            self.progress(min(self.done / 20, 1.0))
        self.check()


def _admit(machine: Machine, base_mm: Fraction, offered: list[int], asked: Constraints) -> list[int]:
    """The multipliers that the constraints leave; kept ones are added where they are missing."""
    faults = [f"keep = {m}: must be a whole number of 1 or more" for m in asked.keep if m < 1]
    offered = sorted({*offered, *(m for m in asked.keep if m >= 1)})
    if asked.most_run_on_mm is not None:
        far = {m for m in offered if _runs_on_mm(machine, m * base_mm, asked) > asked.most_run_on_mm}
        limit = say_distance(asked.most_run_on_mm, machine.show_in, digits=3)
        rule = f"runs on further than {limit}: keep another, or allow more"
        faults += [f"keep = {m}: {rule}" for m in asked.keep if m in far]
        if far.issuperset(offered):
            faults.append(f"most_run_on = {limit}: every candidate runs on further: allow more, or take a finer base")
        offered = [m for m in offered if m not in far]
    if faults:
        raise InputFault("constraints", faults)
    return offered


def _runs_on_mm(machine: Machine, gain_mm: Fraction, asked: Constraints) -> float:
    """The farthest run-on over the axes, as the ladder counts distance [mm]."""
    far = 0.0
    for axis in machine.axes:
        motion = Motion.from_machine(machine, axis.name, asked.top_speed_mm_s.get(axis.name))
        top, ramp = motion.top_speed_mm_s, motion.ramp_mm_s2
        speed = min(float(machine.axis_gain(axis, gain_mm)) * machine.knob.steady_detents_s, top)
        run_on = owed_run_on_mm(speed, motion.report_interval_s, top, ramp)
        far = max(far, float(machine.ladder_distance(axis, Fraction(run_on))))
    return far


def _counts(machine: Machine, multipliers: Sequence[int], asked: Constraints) -> tuple[list[int], list[int]]:
    """Numbers of rungs to choose among, and those below and the next one above to compare with."""
    offered, positions = len(multipliers), machine.selector.positions
    most = min(positions, asked.most_rungs or max(MOST_RUNGS, asked.rungs or 0, len(asked.keep)), offered)
    wide = multipliers[-1] > LEAST_RUNGS_RANGE * multipliers[0]
    kept = max(1, len(asked.keep))
    least = max(kept, min(LEAST_RUNGS, most) if wide else 1)
    if least > most:
        raise InputFault("constraints", [f"keep names {least} rungs, and there is room for {most}: keep fewer"])
    if asked.rungs is not None:
        if not kept <= asked.rungs <= most:
            raise InputFault("constraints", [f"rungs = {asked.rungs}: must be {kept} to {most}"])
        counts = [asked.rungs]
    else:
        counts = list(range(least, most + 1))
    fewer = [] if asked.rungs is not None else list(range(kept, least))
    return counts, fewer + ([counts[-1] + 1] if counts[-1] < offered else [])


def _check_size(candidates: int, counts: list[int], kept: int) -> None:
    total = sum(count_ladders(candidates, k, kept) for k in counts)
    if total > MOST_LADDERS:
        rule = f"make {total} ladders, more than {MOST_LADDERS}: take a sparser series or ask for fewer rungs"
        raise InputFault("candidates", [f"{candidates} candidates {rule}"])


@dataclass(frozen=True)
class _Field:
    """All ladders as masks, their times of each task (n, tasks) and mean times for the own hand, and their rungs.

    Those of fewer than `least` or more than `most` rungs are there for comparison only.
    """

    masks: Masks
    times_s: NDArray[np.float32]
    total_s: Floats
    rungs: NDArray[np.int_]
    least: int
    most: int

    @classmethod
    def of(
        cls, mix: Mix, masks: Masks, counts: tuple[int, int], executor: Executor | None, teller: _Teller
    ) -> _Field:
        times = sift(mix, masks, teller.check, executor, choosy=len(masks) > FEW)
        if not np.isfinite(mix.mean_s(times)).any():
            times = sift(mix, masks, teller.check, executor, choosy=False)
        teller.step(9)
        rungs = ((masks[:, None] >> np.arange(len(mix.gains_mm))) & 1).sum(axis=1)
        return cls(masks, times, mix.mean_s(times), rungs, *counts)

    @property
    def allowed_s(self) -> Floats:
        """Mean times, endless for those that are there for comparison."""
        return np.where((self.rungs >= self.least) & (self.rungs <= self.most), self.total_s, np.inf)


@dataclass(frozen=True)
class _People:
    """Ladders `at` places of a field, timed for every hand: (ladders, hands)."""

    at: NDArray[np.intp]
    names: tuple[str, ...]
    times_s: Floats
    limits: Floats

    @classmethod
    def of(cls, mix: Mix, field: _Field, executor: Executor | None, teller: _Teller) -> _People:
        """Timed within a close share of the best first; where none of these is near-best, as far as a wide one."""
        allowed = field.allowed_s
        order = np.argsort(allowed, kind="stable")[:MOST_TIMED]
        for share in (CLOSE_SHARE, WIDE_SHARE):
            near = allowed[order] <= allowed[order[0]] * (1 + share)
            found = cls._timed(mix, field, np.sort(order[near]), executor, teller)
            if found.near()[1]:
                break
        return found

    @classmethod
    def _timed(
        cls, mix: Mix, field: _Field, at: NDArray[np.intp], executor: Executor | None, teller: _Teller
    ) -> _People:
        masks, own = field.masks[at], field.times_s[at]
        feels = np.array([task.kind == "feel" for task in mix.tasks])
        times = {}
        for name, hand in unlike_hands(mix.hand).items():
            part = own.copy()
            which = feels if name.startswith("feel") else np.ones_like(feels)
            if hand != mix.hand and which.any():
                grid = COARSE if hand.spread != mix.hand.spread else mix.per_octave  # of the own spread all is at hand
                most = sensible_clicks(mix.hand)
                other = mix.of_tasks(np.flatnonzero(which), hand=hand, per_octave=grid, sensible_clicks=most)
                part[:, which] = sift(other, masks, teller.check, executor)
            times[name] = mix.mean_s(part)
            teller.step(0 if hand == mix.hand else 1)
        for clicks in THUMBS if not feels.all() else ():
            part = np.where(feels | ~np.isfinite(own), own, thumb_times_s(mix, masks, clicks))
            times[f"{clicks} clicks left"] = mix.mean_s(part.astype(np.float32))
        teller.step(1)
        limits = [THUMB_SHARE if name.endswith("left") else NEAR_SHARE for name in times]
        return cls(at, tuple(times), np.stack(list(times.values()), axis=1), np.array(limits))

    @property
    def losses(self) -> Floats:
        """The share by which each ladder is slower than the best for each hand."""
        best = self.times_s.min(axis=0)
        return np.asarray(self.times_s / np.where(np.isfinite(best), best, 1.0) - 1)

    def near(self) -> tuple[NDArray[np.bool_], bool]:
        """Which are near-best for every hand; where none is, those near-best for the own one of least excess for the
        others, and that it is so."""
        over = self.losses - self.limits
        excess = np.where(over[:, 0] <= 1e-9, over.max(axis=1), np.inf)
        near = excess <= 1e-9
        return (near, True) if near.any() else (excess <= excess.min() + 0.005, False)

    def rule_s(self, i: int) -> float | None:
        """The mean time by the rules of thumb."""
        thumbs = [name.endswith("left") for name in self.names]
        return float(self.times_s[i, thumbs].mean()) if any(thumbs) else None

    def hand_times(self, i: int) -> tuple[HandTime, ...]:
        """One ladder's times for each hand."""
        best = self.times_s.min(axis=0)
        return tuple(
            HandTime(name=name, time_s=float(self.times_s[i, h]), best_s=float(best[h]), limit=float(self.limits[h]))
            for h, name in enumerate(self.names)
        )


@dataclass(frozen=True)
class _Maker:
    """Ladders from masks of candidates, and how plain and whole they are."""

    machine: Machine
    base_mm: Fraction
    multipliers: tuple[int, ...]
    rebase: bool

    def ladder(self, mask: int) -> Ladder:
        chosen = tuple(m for i, m in enumerate(self.multipliers) if mask >> i & 1)
        if self.rebase:
            return Ladder.from_gains([m * self.base_mm for m in chosen], show_in=self.machine.show_in)
        return Ladder(base_mm=self.base_mm, multipliers=chosen, show_in=self.machine.show_in)

    def rank(self, field: _Field, index: int, people: _People | None = None) -> Ranked:
        found = Ranked(ladder=self.ladder(int(field.masks[index])), time_s=float(field.total_s[index]))
        at = np.flatnonzero(people.at == index) if people is not None else np.array([], dtype=np.intp)
        if people is None or not len(at):
            return found
        i = int(at[0])
        return replace(found, rule_time_s=people.rule_s(i), worst_loss=max(float(people.losses[i].max()), 0.0))

    def order(self, masks: Masks, times_s: Floats) -> Floats:
        """Keys by which near-best ladders are chosen, least first, (n, keys): plain numbers and few rungs, whole
        steps (the other way round where remainders are dropped), even ratios, time."""
        gains = [m * self.base_mm for m in self.multipliers]
        points = np.array([digit_points(in_unit(gain, self.machine.show_in)) for gain in gains]) + 0.5
        broken = np.array([self._broken(gain) for gain in gains])
        bits = ((masks[:, None] >> np.arange(len(gains))) & 1).astype(bool)
        two = [bits @ points, bits @ broken]
        first = two[::-1] if self.machine.firmware.remainder == "drop" else two
        return np.stack([*first, np.round(_unevenness(bits, self.multipliers), 6), times_s], axis=1)

    def _broken(self, gain_mm: Fraction) -> int:
        return sum(axis.exact and not is_whole_step(self.machine, axis, gain_mm) for axis in self.machine.axes)


def _unevenness(bits: NDArray[np.bool_], multipliers: Sequence[int]) -> Floats:
    """The widest less the narrowest step of each ladder, as logarithms."""
    logs = np.log10(np.array(multipliers, dtype=float))
    last, least, most = np.full(len(bits), np.nan), np.full(len(bits), np.inf), np.zeros(len(bits))
    for i, at in enumerate(logs):
        gap = np.where(bits[:, i], at - last, np.nan)
        least, most = np.fmin(least, gap), np.fmax(most, gap)
        last = np.where(bits[:, i], at, last)
    return np.where(np.isfinite(least), most - least, 0.0)


def _conclude(mix: Mix, make: _Maker, field: _Field, people: _People, start_mix: bool) -> Search:
    allowed = field.allowed_s
    best = make.rank(field, int(allowed.argmin()), people)
    if not np.isfinite(best.time_s):
        rule = f"no ladder of {field.most} rungs or fewer can finish every task: {_cure(mix)}"
        raise InputFault("constraints", [rule])
    near, all_near = people.near()
    at = people.at[near]
    keys = make.order(field.masks[at], field.total_s[at])
    order = np.lexsort(keys.T[::-1])
    few = order[np.argsort(field.rungs[at][order], kind="stable")[0]]
    listed = [make.rank(field, int(at[i]), people) for i in order[:LISTED]]
    place = int(np.flatnonzero(people.at == at[order[0]])[0])
    curve = tuple(_curve(mix, make, field, people))
    knee = next(len(point.ladder.multipliers) for point in curve if point.time_s <= best.time_s * (1 + NEAR_SHARE))
    chosen = listed[0]
    return Search(
        mix=mix,
        chosen=chosen,
        best=best,
        searched=len(field.masks),
        unfit=int(sum(_unfit(mix, rows).sum() for _, rows in rows_of(field.masks, len(mix.gains_mm)))),
        near=int(near.sum()),
        near_share=NEAR_SHARE,
        plainest=tuple(listed),
        curve=curve,
        knee=knee,
        sharing_s=_sharing_s(mix, field, best.time_s),
        tasks=tuple(estimate_task(mix, chosen.ladder, t) for t in range(len(mix.tasks))),
        start_mix=start_mix,
        fewest=make.rank(field, int(at[few]), people),
        hands=people.hand_times(place),
        all_near=all_near,
    )


def _curve(mix: Mix, make: _Maker, field: _Field, people: _People) -> Iterator[Ranked]:
    """The best ladder of each number of rungs."""
    for rungs in np.unique(field.rungs):
        times = np.where(field.rungs == rungs, field.total_s, np.inf)
        best = make.rank(field, int(times.argmin()), people)
        if not np.isfinite(times.min()) and (field.rungs == rungs).sum() == 1:  # alone, so not sifted out for its clicks
            mask = int(field.masks[field.rungs == rungs][0])
            best = Ranked(ladder=make.ladder(mask), time_s=_mean_s(mix, make.ladder(mask)))
        if np.isfinite(best.time_s):
            yield best


def _mean_s(mix: Mix, ladder: Ladder) -> float:
    times = [estimate_task(mix, ladder, t).mean_s for t in range(len(mix.tasks))]
    return float(np.array([np.inf if time is None else time for time in times]) @ mix.weights)


def estimate_task(mix: Mix, ladder: Ladder, task: int) -> Estimate:
    """What one task of a mix takes with a ladder: time, spread and route.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 100), multipliers=(1, 10, 100))
    >>> mix = make_mix(router, ladder.gains_mm)
    >>> mix.tasks[0].name, [leg.position for leg in estimate_task(mix, ladder, 0).route]
    ('cross the table', [3])
    """
    control = KnobControl(gains_mm=tuple(float(gain) * mix.scale(task) for gain in ladder.gains_mm))
    return control.estimate(mix.tasks[task], mix.motions[task], mix.hand)


def _cure(mix: Mix) -> str:
    tight = min(mix.tasks, key=lambda task: task.tolerance_mm)
    return f"the tightest is {tight.name}; take a finer base, or a wider tolerance"


def _unfit(mix: Mix, ladders: Ladders) -> NDArray[np.bool_]:
    return np.asarray(np.any([too_coarse(mix, t, ladders) for t in range(len(mix.tasks))], axis=0))


def _sharing_s(mix: Mix, field: _Field, best_s: float) -> float | None:
    """What sharing one ladder costs over the best ladder for each axis, of as many rungs at most."""
    axes = sorted({task.axis for task in mix.tasks})
    if len(axes) < 2:
        return None
    apart = 0.0
    for axis in axes:
        weights = np.where([task.axis == axis for task in mix.tasks], mix.weights, 0.0)
        own = np.where(weights > 0, field.times_s, 0.0).astype(float) @ weights
        apart += float(own[field.rungs <= field.most].min())
    return max(best_s - apart, 0.0)


def free_ladder(search: Search, *, per_octave: int = 12) -> tuple[tuple[float, ...], float]:
    """The fastest ladder near the best one when its clicks may be any distance, and its time [s].

    One rung after the other is moved over a dense grid until none gains: a local optimum. The
    difference to `search.best` is what plain numbers cost.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = search_ladders(router, Fraction(1, 50), [1, 10, 100], tasks=own_tasks(router)[2:4])
    >>> gains, time_s = free_ladder(found, per_octave=2)
    >>> found.best.ladder.gains_mm[-1], gains[-1], round(found.best.time_s - time_s, 1)
    (Fraction(2, 1), 2.0, 0.2)
    """
    gains = [float(gain) for gain in search.best.ladder.gains_mm]
    octaves = np.log2(search.mix.gains_mm[-1] / search.mix.gains_mm[0])
    dense = search.mix.gains_mm[0] * np.exp2(np.arange(int(octaves * per_octave) + 1) / per_octave)
    time = search.best.time_s
    while True:
        trials = [sorted({*gains[:i], *gains[i + 1 :], float(g)}) for i in range(len(gains)) for g in dense]
        trials = [trial for trial in trials if len(trial) == len(gains)]
        pool = sorted({gain for trial in trials for gain in trial})
        rows = np.array([[pool.index(gain) for gain in trial] for trial in trials], dtype=np.int16)
        mix = Mix(**{**vars(search.mix), "gains_mm": tuple(pool)})
        totals = mix.mean_s(score_all(mix, [rows]))
        if totals.min() >= time * (1 - 1e-6):
            return tuple(gains), time
        gains, time = trials[int(totals.argmin())], float(totals.min())
