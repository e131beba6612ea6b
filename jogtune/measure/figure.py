"""A value with its interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..notes import Note

_CONFIDENCE = 0.95  # of every interval
_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A value with its 95 % interval from `count` observations; None where the log can't tell, and `why`."""

    value: float | None
    low: float | None = None
    high: float | None = None
    count: int = 0
    why: Note | None = None

    @property
    def known(self) -> bool:
        """Whether there is a value with an interval around it."""
        return self.value is not None and self.low is not None and self.high is not None

    def holds(self, truth: float) -> bool:
        """Whether the interval takes in a value."""
        return self.low is not None and self.high is not None and self.low <= truth <= self.high

    def times(self, factor: float) -> Figure:
        """The same figure in another unit, or per something."""
        value, low, high = (None if v is None else v * factor for v in (self.value, self.low, self.high))
        low, high = (high, low) if factor < 0 else (low, high)
        return Figure(value=value, low=low, high=high, count=self.count, why=self.why)

    def columns(self, name: str, unit: str) -> dict[str, float | None]:
        """The figure as three columns of a table: value, low and high."""
        return {f"{name}{unit}": self.value, f"{name}_low{unit}": self.low, f"{name}_high{unit}": self.high}


def _around(value: float, half: float, count: int) -> Figure:
    """A figure whose interval goes as far down as up."""
    return Figure(value=value, low=value - half, high=value + half, count=count)


def _unknown(kind: str, count: int = 0, value: float | None = None, **figures: int | str) -> Figure:
    """A figure that the log can't give, with the kind of reason and its figures."""
    return Figure(value=value, count=count, why=Note(kind=kind, figures={"seen": count, **figures}))


def _t95(freedom: float) -> float:
    """How many standard errors half a 95 % interval is."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.5 + _CONFIDENCE / 2))


def _finite(values: ArrayLike) -> _Floats:
    found = np.asarray(values, dtype=float)
    return np.asarray(found[np.isfinite(found)], dtype=float)


def _mean_figure(values: ArrayLike, *, least: int = 5) -> Figure:
    """The mean with its t interval."""
    known = _finite(values)
    if len(known) < least:
        return _unknown("few_seen", len(known), needed=least)
    half = _t95(len(known) - 1) * float(known.std(ddof=1)) / math.sqrt(len(known))
    return _around(float(known.mean()), half, len(known))


def _mean_difference(of: ArrayLike, less: ArrayLike, *, least: int = 5) -> Figure:
    """The difference of two means with Welch's interval."""
    a, b = _finite(of), _finite(less)
    fewest = min(len(a), len(b))
    if fewest < least:
        return _unknown("few_of_either", fewest, first=len(a), second=len(b), needed=least)
    parts = a.var(ddof=1) / len(a), b.var(ddof=1) / len(b)
    below = parts[0] ** 2 / (len(a) - 1) + parts[1] ** 2 / (len(b) - 1)
    freedom = (sum(parts) ** 2 / below) if below > 0 else fewest - 1
    return _around(float(a.mean() - b.mean()), _t95(freedom) * math.sqrt(sum(parts)), fewest)


_LEAST_TASKS = {0.5: 6, 0.95: 40}  # for an interval of the median, for the 95th percentile at all


def _quantile_figure(values: ArrayLike, tasks: ArrayLike, share: float = 0.5) -> Figure:
    """A quantile with an interval that assumes nothing about the shape of the distribution, but that values of a task are alike.

    They are worth as many independent ones as the scatter from task to task of the share below the quantile shows, and the few
    tasks by which that is known cost the square of t. The interval is read off the ranks: quantiles of beta distributions."""
    known = np.isfinite(np.asarray(values, dtype=float))
    rates, groups = np.asarray(values, dtype=float)[known], np.unique(np.asarray(tasks)[known], return_inverse=True)[1]
    count, seen = len(rates), int(groups.max(initial=-1)) + 1
    if not count:
        return _unknown("none_seen")
    value = float(np.quantile(rates, share, method="median_unbiased"))
    if seen < _LEAST_TASKS[share]:
        return _unknown("few_tasks", count, value if share == 0.5 else None, tasks=seen, needed=_LEAST_TASKS[share])
    from scipy.special import betaincinv

    worth = count / (max(_likeness(rates, groups, part) for part in {share, 0.5}) * (_t95(seen - 1) / 1.96) ** 2)
    below, rough = share * worth, 0.5 * (share == 0.5)  # the median's ranks are those in the middle of two
    first = betaincinv(below + rough, worth - below + 1 - rough, (1 - _CONFIDENCE) / 2)
    last = betaincinv(below + 1 - rough, worth - below + rough, (1 + _CONFIDENCE) / 2)
    low, high = np.interp(count * np.array([first, last]) - 0.5, np.arange(count), np.sort(rates)).tolist()
    return Figure(value=value, low=low, high=high, count=count)


def _likeness(rates: _Floats, groups: _Ints, share: float) -> float:
    """The design effect: how many times more the share of values below a quantile scatters than were they independent."""
    off = np.bincount(groups, weights=(rates <= np.quantile(rates, share, method="median_unbiased")) - share)
    return max(1.0, float(off.var(ddof=1)) * len(off) / (len(rates) * share * (1 - share)))


def _spread_figure(wanted: ArrayLike, turned: ArrayLike, *, rounding: ArrayLike = 0.0, least: int = 12) -> Figure:
    """The spread of a move's end as a share of its distance, from clicks wanted and clicks turned.

    Each move ends within half a click of wanted × (1 + spread × z), z normal: so the likelihood of the whole number turned is a
    difference of two normal integrals, and the interval holds every spread whose log likelihood is within 1.92 of the best.
    `rounding` is the standard deviation of what the person read, in clicks."""
    m, n = np.asarray(wanted, dtype=float), np.asarray(turned, dtype=float)
    known = np.isfinite(m) & np.isfinite(n)
    m, n, r = m[known], n[known], np.broadcast_to(np.asarray(rounding, dtype=float), known.shape)[known]
    if len(m) < least:
        return _unknown("few_moves", len(m), needed=least)
    from scipy.optimize import brentq, minimize_scalar
    from scipy.special import ndtr

    off, (small, large) = np.abs(n - m), (1e-4, 2.0)

    def unlikely(spread: float) -> float:
        sd = np.sqrt((spread * m) ** 2 + r**2)
        share = ndtr(-(off - 0.5) / sd) - ndtr(-(off + 0.5) / sd)
        return -float(np.log(np.maximum(share, 1e-300)).sum())

    best = minimize_scalar(lambda k: unlikely(math.exp(k)), bounds=(math.log(small), math.log(large)))
    value = math.exp(best.x)

    def short(k: float) -> float:
        return float(best.fun) - unlikely(k) + 1.920729  # half of the 95 % point of chi-squared, one degree of freedom

    low = brentq(short, small, value) if short(small) < 0 else 0.0
    high = brentq(short, value, large) if short(large) < 0 else large
    return Figure(value=value, low=float(low), high=float(high), count=len(m))
