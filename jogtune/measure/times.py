"""Two measured ladders."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ..notes import Note
from .figure import _Floats, _Ints
from .predict import _LEAST_TASKS

_NEAR_SHARE = 0.02  # expected times nearer than this can't usefully be told apart: our choice
_WORTH_KNOWING = 0.10  # the difference that more tasks or people are foretold for: our choice
_PRACTICE_SHARE = 0.30  # how far practice may let times fall in a sitting: assumed, and said with each verdict
_EXPOSED = 0.03  # from this share on, it is practice that hides a difference: our choice
_PEOPLE = 6  # from so many on who did both ladders, the verdict is about people like these
_LEAST_CLUSTERS = 3
_HUBER = 1.345  # residuals beyond so many deviations are drawn in (Huber 1964: 95 % as sharp where there are no tails)
_OWN_SHARE = 0.05  # sd of what a ladder does for one person, before anyone was measured: our choice
_PRIOR_FREEDOM = 15  # what that is worth beside the error found, in degrees of freedom: our choice


@dataclass(frozen=True, kw_only=True)
class Difference:
    """How much longer the second ladder of a pair takes than the first, as a share (-0.1: a tenth less).

    `kind` says what it rests on: "measured" times, times "predicted" for the log's goals, or "expected" without a log (then
    there is no interval). `faster` is the index of the faster ladder, or None. Without `change` a ladder can't do every task,
    or tasks are too few, or practice hides it. Of measured times: `people` did both ladders (`paired`: enough to speak of people
    like them); `practice_share` is what practice could feign in this order, which low and high allow for; `advice` is how to find
    out where it hides the difference; `more_people` doing as many tasks, or `more_tasks`, would tell a difference of 10 %."""

    first: int
    second: int
    kind: str
    change: float | None = None
    low: float | None = None
    high: float | None = None
    faster: int | None = None
    more_tasks: int | None = None
    more_people: int | None = None
    tasks: int = 0
    paired: bool = False
    people: int = 0
    practice_share: float | None = None
    advice: str | None = None

    @property
    def verdict(self) -> str:
        """The kind of note that says it."""
        if self.advice is not None:
            return "practice_unclear"
        if self.change is None and not self.more_tasks:
            return "neither_can" if self.faster is None else "only_one_can"
        if self.kind == "expected":
            return "expected_alike" if self.faster is None else "expected_faster"
        if self.faster is not None:
            return "ladder_faster"
        return "ladders_unclear" if self.change is not None else "tasks_too_few"

    def note(self, labels: Sequence[str]) -> Note:
        """The difference as a note; `labels` are those of all ladders."""
        ahead = self.first if self.faster is None else self.faster
        behind = self.first + self.second - ahead
        figures = {"faster": labels[ahead], "slower": labels[behind], "basis": self.kind, "advice": self.advice}
        figures |= {"more_tasks": self.more_tasks, "more_people": self.more_people, "people": self.people or None}
        shares = {"near_share": _NEAR_SHARE, "change_share": self.change, "low_share": self.low, "high_share": self.high}
        shares |= {"worth_share": _WORTH_KNOWING, "fall_share": _PRACTICE_SHARE, "like_them": self.paired}
        if ahead == self.second:  # told as how much longer the slower one takes
            turned = [None if v is None else 1 / (1 + v) - 1 for v in (self.change, self.high, self.low)]
            shares |= dict(zip(("change_share", "low_share", "high_share"), turned, strict=True))
        return Note(kind=self.verdict, figures={name: v for name, v in (figures | shares).items() if v is not None})


def _compare_times(tasks: pd.DataFrame, *, first: int = 0, second: int = 1) -> Difference:
    """Hold the times people took on two ladders against each other, by a robust fit that allows for practice.

    `tasks` are in the order done by each person: ladder, time_s, distance_mm, tolerance_mm and, where known, person and axis.
    Logarithms of times are fitted (Huber) by person, ladder, practice, difficulty and axis. The error is by clusters in its
    small-sample form, CR2 (Bell & McCaffrey 2002; Pustejovsky & Tipton 2018; from memory): by person, or by pairs of
    neighbouring runs where fewer than six did both. The interval is widened by what practice could feign in this order."""
    both = _numbered(tasks)
    both = both.loc[both["ladder"].isin([first, second])].assign(second=lambda table: table["ladder"].eq(second).astype(float))
    counts = both["second"].eq(0).sum(), both["second"].eq(1).sum()
    found = Difference(first=first, second=second, kind="measured", tasks=len(both))
    if min(counts) < _LEAST_TASKS:
        return replace(found, more_tasks=_LEAST_TASKS - int(min(counts)))
    plan = _plan(both)
    found = replace(found, people=plan.people, paired=plan.paired, practice_share=math.expm1(plan.feigned))
    if plan.of_both < _LEAST_CLUSTERS or not plan.weights.any() or plan.basis.shape[1] >= len(both):
        return replace(found, advice=plan.advice)
    return _concluded(found, plan, _effect(plan, np.log(both["time_s"].to_numpy(float))))


def _numbered(tasks: pd.DataFrame) -> pd.DataFrame:
    """Tasks by person, with a number for each person, and where in the whole sitting (0 to 1, and its logarithm) each stands."""
    labels = tasks["person"].fillna("").astype(str) if "person" in tasks else pd.Series("", index=tasks.index)
    numbered = tasks.assign(who=labels.groupby(labels, sort=False).ngroup()).sort_values("who", kind="stable", ignore_index=True)
    trial, trials = numbered.groupby("who").cumcount(), numbered.groupby("who")["who"].transform("size")
    return numbered.assign(even=trial / np.maximum(trials - 1, 1), late=np.log1p(trial) / np.log(np.maximum(trials, 2)))


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """What is known before any time is looked at.

    `basis` (n, rank) spans all that sets a time; `weights` (n,) make the difference of log times from them, and are zero where it
    can't be told; `clusters` are rows that are not independent, `of_both` how many of those hold both ladders. `people` did both,
    `paired`: enough to speak of people like them. `feigned` is the most that practice could feign."""

    basis: _Floats
    weights: _Floats
    clusters: list[_Ints]
    of_both: int
    people: int
    paired: bool
    feigned: float
    advice: str


def _plan(tasks: pd.DataFrame) -> _Plan:
    who, second = tasks["who"].to_numpy(), tasks["second"].to_numpy()
    of_people = [np.flatnonzero(who == one) for one in np.unique(who)]
    did_both = [rows for rows in of_people if 0 < second[rows].mean() < 1]
    paired = len(did_both) >= _PEOPLE
    mine = np.equal.outer(who, np.unique(who)).astype(float)
    practice = tasks[["late", "even"]].to_numpy()
    own = [practice] if paired else [mine * column[:, None] for column in practice.T]
    columns = np.column_stack([second, mine, *own])
    columns = np.column_stack([columns, *_beside(tasks, len(tasks) // 2 - columns.shape[1])])
    basis, sizes, rows = np.linalg.svd(columns, full_matrices=False)
    kept = sizes > 1e-9 * sizes[0]
    basis, told = basis[:, kept], rows[kept, 0]
    weights = basis @ (told / sizes[kept]) if told @ told > 1 - 1e-9 else np.zeros(len(tasks))
    clusters = of_people if paired else [pair for rows in of_people for pair in _pairs_of_runs(rows, second[rows])]
    falls = weights * _falls(tasks)
    alone = [falls.sum(axis=1)] if paired else [falls[:, rows].sum(axis=1) for rows in of_people]
    begun = {second[rows[0]] for rows in did_both}
    return _Plan(
        basis=basis, weights=weights, clusters=clusters, of_both=sum(0 < second[rows].mean() < 1 for rows in clusters),
        people=len(did_both), paired=paired, feigned=float(sum(np.abs(one).max() for one in alone)),
        advice="let_each_do_both" if not did_both else "change_often" if len(begun) == 2 or len(of_people) == 1 else "let_half_begin",
    )


def _beside(tasks: pd.DataFrame, most: int) -> list[_Floats]:
    """What else sets a task's time: difficulty and its square, axis; as many columns as the number of tasks bears."""
    difficulty = np.log2(tasks["distance_mm"].to_numpy(float) / tasks["tolerance_mm"].to_numpy(float) + 1)
    centred = difficulty - difficulty.mean()
    axis = tasks["axis"].fillna("").astype(str) if "axis" in tasks else pd.Series("", index=tasks.index)
    return [centred, centred**2, *(axis.eq(name).to_numpy(float) for name in sorted(axis.unique())[1:])][: max(most, 0)]


def _pairs_of_runs(rows: _Ints, second: _Floats) -> list[_Ints]:
    """One person's rows, cut into pairs of neighbouring runs on one ladder; a run left over goes with the last pair."""
    run = np.append(0, np.cumsum(np.diff(second) != 0))
    pair = np.minimum(run // 2, max((run[-1] + 1) // 2 - 1, 0))
    return np.split(rows, np.flatnonzero(np.diff(pair)) + 1)


def _falls(tasks: pd.DataFrame) -> _Floats:
    """Ways in which practice may let logarithms of times fall, (shape, task): as a power of the number of tasks,
    exponentially, evenly, half of it anew on each ladder; or people tire, ever more."""
    late, even = tasks["late"], tasks["even"]
    by_ladder = tasks.groupby(["who", "second"])["who"]
    anew = np.log1p(by_ladder.cumcount()) / np.log(np.maximum(by_ladder.transform("size"), 2))
    shapes = [late, -np.expm1(-4 * even), even, (late + anew) / 2, -(even**2)]
    return np.asarray(math.log1p(-_PRACTICE_SHARE) * np.array(shapes))


@dataclass(frozen=True, kw_only=True)
class _Effect:
    """A difference of log times, its standard error and degrees of freedom, and the variance of single tasks."""

    value: float
    error: float
    freedom: float
    noise: float


def _effect(plan: _Plan, y: _Floats) -> _Effect:
    basis, (n, rank) = plan.basis, plan.basis.shape
    fit, drawn = basis @ (basis.T @ y), y
    for _ in range(15):
        off = y - fit
        far = max(_HUBER * float(np.median(np.abs(off))) / 0.6745 * math.sqrt(n / (n - rank)), 1e-9)
        drawn = fit + np.clip(off, -far, far)
        fit = basis @ (basis.T @ drawn)
    inside = max(float((np.abs(y - fit) < far).mean()), 0.3)
    left = (drawn - fit) / inside * (1 + rank / n * (1 - inside) / inside)
    shares = [_adjusted(basis[rows], plan.weights[rows]) for rows in plan.clusters]
    squares = sum(float(share @ left[rows]) ** 2 for share, rows in zip(shares, plan.clusters, strict=True))
    across = np.array([basis[rows].T @ share for share, rows in zip(shares, plan.clusters, strict=True)])
    like = np.diag([float(share @ share) for share in shares]) - across @ across.T
    freedom = float(np.trace(like) ** 2 / (like**2).sum())
    noise = float(left @ left) / (n - rank)
    return _Effect(value=float(plan.weights @ drawn), error=math.sqrt(squares), freedom=freedom, noise=noise)


def _adjusted(basis: _Floats, weights: _Floats) -> _Floats:
    """(I - H)^(-1/2) of a cluster times its weights."""
    ways, sizes, _ = np.linalg.svd(basis, full_matrices=False)
    rest = 1 - sizes**2
    grown = np.where(rest > 1e-9, 1 / np.sqrt(np.maximum(rest, 1e-9)), 0.0)
    return np.asarray(weights + ways @ ((grown - 1) * (ways.T @ weights)))


def _concluded(found: Difference, plan: _Plan, effect: _Effect) -> Difference:
    from scipy.special import stdtrit

    half = float(stdtrit(effect.freedom, 0.975)) * effect.error
    low, high = effect.value - half - plan.feigned, effect.value + half + plan.feigned
    faster = found.second if high < 0 else found.first if low > 0 else None
    found = replace(found, change=math.expm1(effect.value), low=math.expm1(low), high=math.expm1(high), faster=faster)
    if faster is not None:
        return found
    if plan.feigned > _EXPOSED or abs(effect.value) > half:
        return replace(found, advice=plan.advice)
    more = _more_clusters(plan, effect)
    if plan.paired:
        return replace(found, more_people=more)
    return replace(found, more_tasks=more and math.ceil(more * found.tasks / plan.of_both))


def _more_clusters(plan: _Plan, effect: _Effect) -> int:
    """More people, or pairs of runs, that would tell a difference worth knowing four times in five."""
    from scipy.special import stdtrit

    prior = effect.noise * float(plan.weights @ plan.weights) + (_OWN_SHARE**2 / plan.of_both if plan.paired else 0.0)
    variance = (effect.freedom * effect.error**2 + _PRIOR_FREEDOM * prior) / (effect.freedom + _PRIOR_FREEDOM)
    size, lost, needed = math.log1p(_WORTH_KNOWING) - plan.feigned, 1 if plan.paired else 2, float(plan.of_both)
    for _ in range(12):
        both_sides, power = stdtrit(max(needed - lost, 1.0), [0.975, 0.80])
        needed = plan.of_both * variance * ((both_sides + power) / size) ** 2
    return max(1, math.ceil(needed - plan.of_both))
