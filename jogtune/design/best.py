"""The best ladders for a mix of tasks: every one scored, the near-best set, and a choice inside it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from ..files import InputFault
from ..ladder import Ladder, is_whole_step
from ..machine import Machine, Task
from ..units import in_unit, is_plain, say_distance, significant_digits
from .controls import KnobControl
from .derive import LARGEST_RATIO
from .hand import Estimate, Floats, Hand, Motion
from .limits import owed_run_on_mm
from .score import MOST_LADDERS, Ladders, Mix, all_ladders, count_ladders, score_all, too_coarse

__all__ = [
    "Constraints", "Ranked", "Search", "derive_tasks", "estimate_task", "free_ladder", "make_mix",
    "own_tasks", "search_ladders",
]  # fmt: skip

NEAR_SHARE = 0.02
"""Ladders within this share of the best time can't usefully be told from it; our choice."""
LISTED = 5
COMPARE_UP_TO = 50_000
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

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = search_ladders(router, Fraction(1, 100), [1, 10, 100, 500])
    >>> found.best.ladder.say(), round(found.best.time_s, 1)
    ('0.01, 0.1, 1, 5 mm', 4.3)
    """

    ladder: Ladder
    time_s: float


@dataclass(frozen=True, kw_only=True)
class Search:
    """All that a search found.

    `searched` ladders were scored, of which `unfit` are too coarse for some task and set apart;
    `near` counts those within `near_share` of `best`, `plainest` lists the plainest few of them,
    the chosen one first. `curve` is the best ladder of each number of rungs, and goes one further
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
    near_share: float = NEAR_SHARE,
    executor: Executor | None = None,
    progress: bool | Callable[[float], None] = False,
    stop: Callable[[], bool] | None = None,
) -> Search:
    """Score every ladder of the candidates, and choose among the near-best.

    `progress` shows a bar, or is called with the share of ladders that are scored, up to 1.
    Raises `InputFault` where the constraints can't be met or leave too many ladders to try.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> found = search_ladders(router, Fraction(1, 100), [1, 10, 100, 500])
    >>> found.searched, found.chosen.ladder.multipliers
    (15, (1, 10, 100, 500))
    """
    asked = constraints or Constraints()
    offered = _admit(machine, base_mm, sorted(set(multipliers)), asked)
    mix = make_mix(machine, (m * base_mm for m in offered), tasks=tasks, hand=hand, constraints=asked)
    if not mix.weights.any():
        raise InputFault("tasks", [f"no candidate can do any of them: {_cure(mix)}"])
    counts, more = _counts(machine, len(offered), asked)
    kept = [offered.index(multiplier) for multiplier in asked.keep]
    more = [k for k in more if count_ladders(len(offered), k, len(kept)) <= COMPARE_UP_TO]
    _check_size(len(offered), counts + more, len(kept))
    total = sum(count_ladders(len(offered), k, len(kept)) for k in counts + more)
    told = _shares(progress, total) if callable(progress) else progress
    fields = [_Field.of(mix, len(offered), k, kept, executor, told, stop) for k in counts + more]
    make = _Maker(machine, base_mm, tuple(offered))
    return _conclude(mix, make, fields, counts, near_share, start_mix=tasks is None and not own_tasks(machine))


def _shares(progress: Callable[[float], None], total: int) -> Callable[[int], None]:
    """Told how many ladders were scored, tells which share of all that makes."""
    scored = 0

    def add(rows: int) -> None:
        nonlocal scored
        scored += rows
        progress(scored / total)

    return add


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


def _counts(machine: Machine, offered: int, asked: Constraints) -> tuple[list[int], list[int]]:
    """Numbers of rungs to choose among, and the next one to compare with."""
    most = min(machine.selector.positions, asked.most_rungs or machine.selector.positions, offered)
    least = max(1, len(asked.keep))
    if least > most:
        raise InputFault("constraints", [f"keep names {least} rungs, and there is room for {most}: keep fewer"])
    if asked.rungs is not None:
        if not least <= asked.rungs <= most:
            raise InputFault("constraints", [f"rungs = {asked.rungs}: must be {least} to {most}"])
        counts = [asked.rungs]
    else:
        counts = list(range(least, most + 1))
    return counts, [counts[-1] + 1] if counts[-1] < offered else []


def _check_size(candidates: int, counts: list[int], kept: int) -> None:
    total = sum(count_ladders(candidates, k, kept) for k in counts)
    if total > MOST_LADDERS:
        rule = f"make {total} ladders, more than {MOST_LADDERS}: take a sparser series or ask for fewer rungs"
        raise InputFault("candidates", [f"{candidates} candidates {rule}"])


@dataclass(frozen=True)
class _Field:
    """All ladders of one number of rungs and their times (n, tasks)."""

    ladders: Ladders
    times_s: NDArray[np.float32]
    total_s: Floats

    @classmethod
    def of(
        cls,
        mix: Mix,
        candidates: int,
        rungs: int,
        kept: Sequence[int],
        executor: Executor | None,
        progress: bool | Callable[[int], None],
        stop: Callable[[], bool] | None,
    ) -> _Field:
        chunks = list(all_ladders(candidates, rungs, kept))
        times = score_all(mix, chunks, executor, progress, stop)
        return cls(np.concatenate(chunks), times, mix.mean_s(times))

    @property
    def best(self) -> int:
        return int(self.total_s.argmin())


@dataclass(frozen=True)
class _Maker:
    """Ladders from rows of candidate indices, and how plain and whole they are."""

    machine: Machine
    base_mm: Fraction
    multipliers: tuple[int, ...]

    def ladder(self, row: Iterable[int]) -> Ladder:
        chosen = tuple(self.multipliers[i] for i in row)
        return Ladder(base_mm=self.base_mm, multipliers=chosen, show_in=self.machine.show_in)

    def rank(self, scored: _Field, index: int) -> Ranked:
        return Ranked(ladder=self.ladder(scored.ladders[index]), time_s=float(scored.total_s[index]))

    def order(self, ladders: Ladders, times_s: Floats) -> Floats:
        """Keys by which near-best ladders are chosen, least first, (n, keys): plain numbers, whole
        steps (the other way round where remainders are dropped), no gap wider than tenfold, fewest
        rungs, even ratios, time."""
        numbers = [in_unit(m * self.base_mm, self.machine.show_in) for m in self.multipliers]
        plain = np.array([0 if is_plain(n) else significant_digits(n) for n in numbers])
        broken = np.array([self._broken(m * self.base_mm) for m in self.multipliers])
        gaps = np.diff(np.log10(np.array(self.multipliers, dtype=float))[ladders], axis=1)
        none = np.zeros((len(ladders), 1))
        wide = np.hstack([gaps, none]).max(axis=1)
        uneven = wide - (gaps.min(axis=1) if gaps.shape[1] else 0.0)
        two = [plain[ladders].sum(axis=1), broken[ladders].sum(axis=1)]
        first = two[::-1] if self.machine.firmware.remainder == "drop" else two
        count = np.full(len(ladders), ladders.shape[1])
        keys = [*first, wide > np.log10(LARGEST_RATIO) + 1e-9, count, np.round(uneven, 6), times_s]
        return np.stack([np.asarray(key, dtype=float) for key in keys], axis=1)

    def _broken(self, gain_mm: Fraction) -> int:
        return sum(axis.exact and not is_whole_step(self.machine, axis, gain_mm) for axis in self.machine.axes)


def _conclude(
    mix: Mix, make: _Maker, fields: list[_Field], counts: list[int], near_share: float, start_mix: bool
) -> Search:
    own = fields[: len(counts)]
    best_field = min(own, key=lambda field: field.total_s[field.best])
    best = make.rank(best_field, best_field.best)
    if not np.isfinite(best.time_s):
        rule = f"no ladder of {counts[-1]} rungs or fewer can finish every task: {_cure(mix)}"
        raise InputFault("constraints", [rule])
    near = _near_best(make, own, best.time_s * (1 + near_share))
    chosen = near[0]
    curve = tuple(make.rank(field, field.best) for field in fields if np.isfinite(field.total_s[field.best]))
    knee = next(len(point.ladder.multipliers) for point in curve if point.time_s <= best.time_s * (1 + near_share))
    return Search(
        mix=mix,
        chosen=chosen,
        best=best,
        searched=sum(len(field.ladders) for field in fields),
        unfit=sum(int(_unfit(mix, field.ladders).sum()) for field in fields),
        near=_count_near(own, best.time_s * (1 + near_share)),
        near_share=near_share,
        plainest=tuple(near),
        curve=curve,
        knee=knee,
        sharing_s=_sharing_s(mix, own, best.time_s),
        tasks=tuple(estimate_task(mix, chosen.ladder, t) for t in range(len(mix.tasks))),
        start_mix=start_mix,
    )


def estimate_task(mix: Mix, ladder: Ladder, task: int) -> Estimate:
    """What one task of a mix takes with a ladder: time, spread and route.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 100), multipliers=(1, 10, 100))
    >>> mix = make_mix(router, ladder.gains_mm)
    >>> mix.tasks[0].name, [leg.position for leg in estimate_task(mix, ladder, 0).route]
    ('cross the table', [3])
    """
    scale = mix.scales[task] if mix.scales else 1.0
    control = KnobControl(gains_mm=tuple(float(gain) * scale for gain in ladder.gains_mm))
    return control.estimate(mix.tasks[task], mix.motions[task], mix.hand)


def _cure(mix: Mix) -> str:
    tight = min(mix.tasks, key=lambda task: task.tolerance_mm)
    return f"the tightest is {tight.name}; take a finer base, or a wider tolerance"


def _unfit(mix: Mix, ladders: Ladders) -> NDArray[np.bool_]:
    return np.asarray(np.any([too_coarse(mix, t, ladders) for t in range(len(mix.tasks))], axis=0))


def _count_near(fields: Iterable[_Field], limit_s: float) -> int:
    return sum(int((field.total_s <= limit_s).sum()) for field in fields)


def _near_best(make: _Maker, fields: Iterable[_Field], limit_s: float) -> list[Ranked]:
    """The plainest few of the near-best, the one to choose first."""
    found: list[tuple[tuple[float, ...], Ranked]] = []
    for one in fields:
        rows = np.flatnonzero(one.total_s <= limit_s)
        if len(rows):
            keys = make.order(one.ladders[rows], one.total_s[rows])
            first = np.lexsort(keys.T[::-1])[:LISTED]
            found += [(tuple(keys[i]), make.rank(one, int(rows[i]))) for i in first]
    found.sort(key=lambda item: item[0])
    return [ranked for _, ranked in found[:LISTED]]


def _sharing_s(mix: Mix, fields: Sequence[_Field], best_s: float) -> float | None:
    """What sharing one ladder costs over the best ladder for each axis, of as many rungs at most."""
    axes = sorted({task.axis for task in mix.tasks})
    if len(axes) < 2:
        return None
    apart = 0.0
    for axis in axes:
        weights = np.where([task.axis == axis for task in mix.tasks], mix.weights, 0.0)
        own = [np.where(weights > 0, one.times_s, 0.0).astype(float) @ weights for one in fields]
        apart += min(float(times.min()) for times in own)
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
