"""Two measured ladders."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ..notes import Note, Severity
from .figure import _Floats, _Ints, _t95
from .predict import _LEAST_TASKS

_NEAR_SHARE = 0.02  # expected times nearer than this can't usefully be told apart: our choice
_WORTH_SHARE = 0.10  # the difference that more people or tasks are foretold for: our choice
_FALL_SHARE = 0.30  # how far practice may let times fall in a sitting: assumed, and said with each verdict
_FEIGNED_SHARE = 0.03  # from here on it is practice that hides a difference: our choice
_PEOPLE = 6  # from so many on who did both ladders the verdict is about people like these
_LEAST_PAIRS = 16  # of runs, before more can be foretold: our choice
_HUBER = 1.345  # standard deviations beyond which a time is drawn in (Huber 1964; from memory)
_OWN_SHARE, _PRIOR_FREEDOM = 0.05, 15  # what a ladder does for one person alone (sd), before anyone was measured: our choice


@dataclass(frozen=True, kw_only=True)
class Difference:
    """How much longer the second ladder of a pair takes than the first, as a share (-0.1: a tenth less).

    `kind` says what it rests on: "measured" times, times "predicted" for the log's goals, or "expected" without a log (then
    there is no interval). `faster` is the index of the faster ladder, or None. Without `change` a ladder can't do every task,
    tasks are too few, or practice hides it (`advice`). `people` did both ladders; `paired`: enough to speak of people like them.
    low and high allow for `practice_share`, what practice could feign. `more_people` or `more_tasks` would tell 10 %."""

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
        figures = {"faster": labels[ahead], "slower": labels[behind], "basis": self.kind, "more_tasks": self.more_tasks}
        shares = {"near_share": _NEAR_SHARE, "change_share": self.change, "low_share": self.low, "high_share": self.high}
        if self.kind == "measured":
            figures |= {name: getattr(self, name) for name in ("more_people", "people", "paired", "advice")}
            shares |= {"worth_share": _WORTH_SHARE, "fall_share": _FALL_SHARE}
        if ahead == self.second:  # told as how much longer the slower one takes
            turned = [None if v is None else 1 / (1 + v) - 1 for v in (self.change, self.high, self.low)]
            shares |= dict(zip(("change_share", "low_share", "high_share"), turned, strict=True))
        return Note(kind=self.verdict, figures={name: v for name, v in (figures | shares).items() if v is not None})


def _how_to_tell(differences: Sequence[Difference]) -> list[Note]:
    """How to let people work, where measured times leave ladders untold."""
    untold = any(one.kind == "measured" and one.faster is None for one in differences)
    return [Note(kind="how_to_tell", severity=Severity.MIND)] if untold else []


def _compare_times(tasks: pd.DataFrame, *, first: int = 0, second: int = 1) -> Difference:
    """Hold the times people took on two ladders against each other, by a robust fit that allows for practice.

    `tasks` are in the order done by each person: ladder, time_s, distance_mm, tolerance_mm and, where known, person, axis and
    began_s. Logarithms of times are fitted by person, ladder, practice, difficulty and axis. Where fewer than six people did
    both, their practice is each one's own, and what is not independent is a pair of neighbouring runs, not a person."""
    both = _numbered(tasks)
    both = both.loc[both["ladder"].isin([first, second])].assign(second=lambda table: table["ladder"].eq(second).astype(float))
    fewest = int(min(both["second"].sum(), (1 - both["second"]).sum()))
    found = Difference(first=first, second=second, kind="measured", tasks=len(both))
    if fewest < _LEAST_TASKS:
        return replace(found, more_tasks=_LEAST_TASKS - fewest)
    plan = _plan(both)
    hidden = replace(found, people=plan.people, paired=plan.paired, practice_share=math.expm1(plan.feigned), advice=plan.advice)
    if plan.of_both < 3 or not plan.weights.any() or plan.basis.shape[1] >= len(both):
        return hidden
    return _concluded(hidden, plan, np.log(both["time_s"].to_numpy(float)))


def _numbered(tasks: pd.DataFrame) -> pd.DataFrame:
    """Tasks by person (`who`), with the place of each in the whole sitting: `even` from 0 to 1, and `late`, its logarithm.

    Where none of a person's tasks overlap, their logs have one clock, and it says which came first; else they stand as given."""
    who = pd.factorize(tasks["person"].fillna("").astype(str))[0] if "person" in tasks else np.zeros(len(tasks), np.int64)
    began, lasts = (np.asarray(tasks.get(name, math.nan * who), dtype=float) for name in ("began_s", "time_s"))
    timed = np.lexsort((began, who))
    clash = (np.diff(began[timed]) < lasts[timed][:-1] / 2) & (np.diff(who[timed]) == 0)
    key = np.where(np.isin(who, who[timed][1:][clash]), np.arange(len(who)), began)
    order, size = np.lexsort((key, who)), np.bincount(who)
    place, last = np.arange(len(who)) - np.repeat(np.cumsum(size) - size, size), np.repeat(np.maximum(size, 2) - 1, size)
    return tasks.iloc[order].assign(who=who[order], even=place / last, late=np.log1p(place) / np.log1p(last))


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """What is known before any time is looked at: `basis` (n, rank) of all that sets a time; `weights` (n,) that make the
    difference of log times of them, zero where it can't be told; `clusters` of rows that are not independent, of which `of_both`
    hold both ladders; the people who did both; the most that practice could feign; what to do where it hides the difference."""

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
    paired, begun = len(did_both) >= _PEOPLE, {second[rows[0]] for rows in did_both}
    clusters = of_people if paired else [pair for rows in of_people for pair in _pairs_of_runs(rows, second[rows])]
    mine = np.equal.outer(who, np.unique(who)).astype(float)
    practice = [tasks[["late", "even"]]] if paired else [mine * tasks[[name]].to_numpy() for name in ("late", "even")]
    columns = np.column_stack([second, mine, *practice])
    columns = np.column_stack([columns, *_beside(tasks, len(tasks) // 2 - columns.shape[1])])
    basis, sizes, ways = np.linalg.svd(columns, full_matrices=False)
    basis, told, sizes = (part[..., sizes > 1e-9 * sizes[0]] for part in (basis, ways[:, 0], sizes))
    weights = basis @ (told / sizes) * (told @ told > 1 - 1e-9)
    falls = weights * _falls(tasks)
    often = len(begun) == 2 or len(did_both) == 1
    return _Plan(
        basis=basis, weights=weights, clusters=clusters, people=len(did_both), paired=paired,
        of_both=sum(0 < second[rows].mean() < 1 for rows in clusters),
        feigned=sum(float(np.abs(falls[:, rows].sum(axis=1)).max()) for rows in ([np.arange(len(who))] if paired else of_people)),
        advice="let_each_do_both" if not did_both else "change_often" if often else "let_half_begin",
    )  # fmt: skip


def _pairs_of_runs(rows: _Ints, second: _Floats) -> list[_Ints]:
    """One person's rows, cut into pairs of neighbouring runs on one ladder; a run left over goes with the last pair."""
    run = np.append(0, np.cumsum(np.diff(second) != 0))
    pair = np.minimum(run // 2, max((run[-1] + 1) // 2 - 1, 0))
    return np.split(rows, np.flatnonzero(np.diff(pair)) + 1)


def _beside(tasks: pd.DataFrame, most: int) -> list[_Floats]:
    """What else sets a task's time: difficulty and its square, axis; as many columns as the number of tasks bears."""
    difficulty = np.log2(tasks["distance_mm"].to_numpy(float) / tasks["tolerance_mm"].to_numpy(float) + 1)
    centred, axis = difficulty - difficulty.mean(), pd.factorize(tasks.get("axis", 0 * tasks["who"]))[0]
    return [centred, centred**2, *(np.equal.outer(np.arange(1, axis.max() + 1), axis).astype(float))][: max(most, 0)]


def _falls(tasks: pd.DataFrame) -> _Floats:
    """Shapes in which practice may let logarithms of times fall (shape, task): as a power of the number of tasks, exponentially,
    evenly, half of it anew on each ladder; or people tire, ever more."""
    late, even, by_ladder = tasks["late"], tasks["even"], tasks.groupby(["who", "second"])["who"]
    anew = np.log1p(by_ladder.cumcount()) / np.log(by_ladder.transform("size").clip(lower=2))
    return np.asarray(math.log1p(-_FALL_SHARE) * np.array([late, -np.expm1(-4 * even), even, (late + anew) / 2, -(even**2)]))


def _concluded(hidden: Difference, plan: _Plan, y: _Floats) -> Difference:
    """What log times say of a difference that practice may hide: the robust effect, and its interval widened."""
    left, value = _robust(plan, y)
    error, freedom = _clustered(plan, left)
    half = _t95(freedom) * error
    low, high = value - half - plan.feigned, value + half + plan.feigned
    hidden = replace(hidden, change=math.expm1(value), low=math.expm1(low), high=math.expm1(high))
    if high < 0 or low > 0:
        return replace(hidden, advice=None, faster=hidden.second if high < 0 else hidden.first)
    if plan.feigned > _FEIGNED_SHARE or abs(value) > half:
        return hidden
    own = _OWN_SHARE**2 / plan.of_both if plan.paired else 0.0
    prior = float(left @ left) / (len(y) - plan.basis.shape[1]) * float(plan.weights @ plan.weights) + own
    more = _more_clusters(plan, (freedom * error**2 + _PRIOR_FREEDOM * prior) / (freedom + _PRIOR_FREEDOM))
    if plan.paired:
        return replace(hidden, advice=None, more_people=more)
    told = plan.of_both >= _LEAST_PAIRS
    return replace(hidden, advice=None, more_tasks=math.ceil(more * len(y) / plan.of_both) if told else None)


def _robust(plan: _Plan, y: _Floats) -> tuple[_Floats, float]:
    """What is left of log times, ready for errors, and the effect: least squares with far times drawn in (Huber 1964)."""
    basis, (n, rank) = plan.basis, plan.basis.shape
    fit, drawn, far = basis @ (basis.T @ y), y, 0.0
    for _ in range(15):
        far = max(_HUBER * float(np.median(np.abs(y - fit))) / 0.6745 * math.sqrt(n / (n - rank)), 1e-9)
        drawn = fit + np.clip(y - fit, -far, far)
        fit = basis @ (basis.T @ drawn)
    inside = max(float((np.abs(y - fit) < far).mean()), 0.3)
    return (drawn - fit) / inside * (1 + rank / n * (1 - inside) / inside), float(plan.weights @ drawn)


def _clustered(plan: _Plan, left: _Floats) -> tuple[float, float]:
    """The standard error by clusters in its small-sample form, CR2, and its degrees of freedom (Bell & McCaffrey 2002;
    Pustejovsky & Tipton 2018; from memory)."""
    shares, across = [], []
    for rows in plan.clusters:
        basis, weights = plan.basis[rows], plan.weights[rows]
        ways, sizes, _ = np.linalg.svd(basis, full_matrices=False)
        alone = np.maximum(1 - sizes**2, 0)
        shares.append(weights + ways @ ((np.where(alone > 1e-9, 1 / np.sqrt(alone + 1e-300), 0) - 1) * (ways.T @ weights)))
        across.append(basis.T @ shares[-1])
    like = np.diag([float(share @ share) for share in shares]) - np.array(across) @ np.array(across).T
    squares = sum(float(share @ left[rows]) ** 2 for share, rows in zip(shares, plan.clusters, strict=True))
    return math.sqrt(squares), float(np.trace(like) ** 2 / (like**2).sum())


def _more_clusters(plan: _Plan, variance: float) -> int:
    """More people, or pairs of runs, that would tell a difference worth knowing four times in five."""
    from scipy.special import stdtrit

    size, lost, needed = math.log1p(_WORTH_SHARE) - plan.feigned, 1 if plan.paired else 2, float(plan.of_both)
    for _ in range(12):
        needed = plan.of_both * variance * (stdtrit(max(needed - lost, 1.0), [0.975, 0.80]).sum() / size) ** 2
    return max(1, math.ceil(needed - plan.of_both))
