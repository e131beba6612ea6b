"""Two measured ladders."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..notes import Note
from .figure import _Floats
from .predict import _LEAST_TASKS, _POWER, _RESAMPLES, _SURE

_WORTH_KNOWING = 0.05  # a difference of times smaller than this share is not worth more tasks: our choice
_NEAR_SHARE = 0.02  # expected times nearer than this can't usefully be told apart: our choice


@dataclass(frozen=True, kw_only=True)
class Difference:
    """How much longer the second ladder of a pair takes than the first, as a share (-0.1: a tenth less).

    `kind` says what it rests on: "measured" times, times "predicted" for the log's goals, or "expected" without a log (then
    there is no interval). `faster` is the index of the faster ladder, or None. `more_tasks` is about how many more on each
    ladder would tell. Without `change` a ladder can't do every task, or tasks are too few."""

    first: int
    second: int
    kind: str
    change: float | None = None
    low: float | None = None
    high: float | None = None
    faster: int | None = None
    more_tasks: int | None = None
    tasks: int = 0
    paired: bool = False

    @property
    def verdict(self) -> str:
        """The kind of note that says it."""
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
        if ahead == self.second:  # told as how much longer the slower one takes
            turned = [None if v is None else 1 / (1 + v) - 1 for v in (self.change, self.high, self.low)]
            shares |= dict(zip(("change_share", "low_share", "high_share"), turned, strict=True))
        return Note(kind=self.verdict, figures={name: v for name, v in (figures | shares).items() if v is not None})


def _compare_times(tasks: pd.DataFrame, *, first: int = 0, second: int = 1, seed: int = 0) -> Difference:
    """Hold the times people took on two ladders against each other.

    `tasks` has ladder, time_s, distance_mm, tolerance_mm and, where known, person and axis. Times are compared as ratios
    (logarithms), adjusted by least squares for difficulty log2(D/W + 1) and its square, axis and person. Where at least six
    people did both, each person counts once (their own difference). The interval comes from a permutation test of the t
    statistic (`scipy.stats.permutation_test`, seeded): the differences that it would not refuse."""
    both = tasks.loc[tasks["ladder"].isin([first, second])].reset_index(drop=True)
    on_second = both["ladder"].eq(second).to_numpy()
    counts = int((~on_second).sum()), int(on_second.sum())
    if min(counts) < _LEAST_TASKS:
        return Difference(first=first, second=second, kind="measured", more_tasks=_LEAST_TASKS - min(counts), tasks=sum(counts))
    effect = _person_effect(both, on_second, seed) or _task_effect(both, on_second, seed)
    return _concluded(effect, first, second, counts)


@dataclass(frozen=True, kw_only=True)
class _Effect:
    """A difference of log times, its standard error, and the t beyond which chance rarely goes."""

    value: float
    error: float
    limit: float
    paired: bool


def _concluded(effect: _Effect, first: int, second: int, counts: tuple[int, int], kind: str = "measured") -> Difference:
    """What an effect says of two ladders on which so many tasks were done."""
    low, high = effect.value - effect.limit * effect.error, effect.value + effect.limit * effect.error
    faster = second if high < 0 else first if low > 0 else None
    return Difference(
        first=first, second=second, kind=kind, change=math.expm1(effect.value), low=math.expm1(low), high=math.expm1(high),
        faster=faster, paired=effect.paired, tasks=sum(counts),
        more_tasks=None if faster is not None else _more_tasks(effect, min(counts)),
    )  # fmt: skip


def _more_tasks(effect: _Effect, each: int) -> int:
    """More tasks on each ladder that would show this difference (or one worth knowing) four times in five."""
    size = max(abs(effect.value), math.log1p(_WORTH_KNOWING))
    needed = each * ((_SURE + _POWER) * effect.error / size) ** 2
    return max(1, math.ceil(needed - each))


def _task_effect(tasks: pd.DataFrame, on_second: NDArray[np.bool_], seed: int) -> _Effect:
    """The adjusted difference over tasks."""
    y, beside, coefficient = _regressed(tasks, on_second)
    adjusted = y - beside @ coefficient[2:]
    a, b = adjusted[~on_second], adjusted[on_second]
    z = on_second - on_second.mean()
    shared = np.column_stack([np.ones(len(y)), beside])
    alone = z - shared @ np.linalg.lstsq(shared, z, rcond=None)[0]
    widened = math.sqrt(float(z @ z) / max(float(alone @ alone), 1e-12))
    freedom = max(len(y) - 2 - beside.shape[1], 1)
    welch = math.sqrt(float(a.var(ddof=1)) / len(a) + float(b.var(ddof=1)) / len(b))
    error = welch * widened * math.sqrt((len(y) - 2) / freedom)
    return _Effect(value=float(coefficient[1]), error=error, limit=_limit_independent(a, b, seed), paired=False)


def _regressed(tasks: pd.DataFrame, on_second: NDArray[np.bool_]) -> tuple[_Floats, _Floats, _Floats]:
    """Log times, what else sets them, and the coefficients: the level, the second ladder, the rest."""
    y, beside = np.log(tasks["time_s"].to_numpy(float)), _beside(tasks, len(tasks) // 4)
    return y, beside, np.linalg.lstsq(np.column_stack([np.ones(len(y)), on_second, beside]), y, rcond=None)[0]


def _beside(tasks: pd.DataFrame, most: int) -> _Floats:
    """What else sets a task's time: difficulty, axis, person; as many columns as the number of tasks bears."""
    difficulty = np.log2(tasks["distance_mm"].to_numpy(float) / tasks["tolerance_mm"].to_numpy(float) + 1)
    centred = difficulty - difficulty.mean()
    columns = [centred, centred**2][: max(most, 1)] if np.ptp(difficulty) > 1e-9 else []
    for name in ("axis", "person"):
        if name in tasks:
            labels = tasks[name].fillna("").astype(str)
            extra = [labels.eq(label).to_numpy(float) for label in sorted(labels.unique())[1:]]
            columns += extra if len(columns) + len(extra) <= most else []
    return np.column_stack([c - c.mean() for c in columns]) if columns else np.empty((len(tasks), 0))


def _person_effect(tasks: pd.DataFrame, on_second: NDArray[np.bool_], seed: int) -> _Effect | None:
    """The mean over persons of their own difference; None where fewer than six did at least two tasks on both."""
    if "person" not in tasks:
        return None
    own = []
    for _, mine in tasks.assign(on_second=on_second).groupby(tasks["person"].fillna("").astype(str)):
        second = mine["on_second"].to_numpy(bool)
        if min(int(second.sum()), int((~second).sum())) >= 2:
            own.append(float(_regressed(mine.drop(columns="person"), second)[2][1]))
    if len(own) < 6:
        return None
    values = np.array(own)
    error = float(values.std(ddof=1)) / math.sqrt(len(values))
    return _Effect(value=float(values.mean()), error=error, limit=_limit_paired(values, seed), paired=True)


def _limit_independent(a: _Floats, b: _Floats, seed: int) -> float:
    """The t that permuted tasks exceed once in twenty."""

    def t(x: _Floats, y: _Floats, axis: int = -1) -> _Floats:
        error = np.sqrt(x.var(axis=axis, ddof=1) / x.shape[axis] + y.var(axis=axis, ddof=1) / y.shape[axis])
        return np.asarray((x.mean(axis=axis) - y.mean(axis=axis)) / np.maximum(error, 1e-300))

    return _limit((a - a.mean(), b - b.mean()), t, "independent", seed)


def _limit_paired(values: _Floats, seed: int) -> float:
    """The t that sign-flipped differences exceed once in twenty."""

    def t(x: _Floats, axis: int = -1) -> _Floats:
        error = x.std(axis=axis, ddof=1) / math.sqrt(x.shape[axis])
        return np.asarray(x.mean(axis=axis) / np.maximum(error, 1e-300))

    return _limit((values - values.mean(),), t, "samples", seed)


def _limit(data: tuple[_Floats, ...], t: Callable[..., _Floats], how: Literal["independent", "samples"], seed: int) -> float:
    from scipy.stats import permutation_test

    rng = np.random.default_rng(seed)
    found = permutation_test(data, t, permutation_type=how, vectorized=True, n_resamples=_RESAMPLES, rng=rng)
    return float(np.quantile(np.abs(found.null_distribution), 0.95, method="higher"))
