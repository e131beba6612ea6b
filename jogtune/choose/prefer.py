"""The order among near-best."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..files import progress_bar
from ..hand.person import Estimate, Floats
from ..ladder.ladder import Ladder
from .people import _COARSE, _THUMBS, _Masks, _sensible_clicks, _sift, _thumb_times_s, _unlike_hands
from .score import SearchStopped
from .tasks import _Mix

_NEAR_SHARE, _THUMB_SHARE, _WIDE_SHARE = 0.05, 0.10, 0.15
"""Near-best: within the first of the best for every hand that uses a ladder perfectly, and within the second for
those who go by a rule of thumb. Ladders within the third for the own hand are timed under the others. Our choices."""
_MOST_TIMED, _CLOSE_SHARE = 6_000, 0.065  # ladders timed for other hands; those beyond it only where none is near-best
_FEW_NEAR, _BEYOND_SHARE = 10, 0.02
_UNLIKE_POINTS = 2  # a number that a hand has to learn beside those of the reference: our choice
_FEW = 500
"""The next number of rungs is tried too, for comparison, where that makes no more ladders than this."""


@dataclass(frozen=True, kw_only=True)
class Ranked:
    """One ladder and its expected time, a mean over the mix [s]. `time_s` is that of a person who uses it perfectly,
    `rule_time_s` of people who go by a rule of thumb (the coarsest rung with 2, 4 or 8 clicks left; their mean): what to
    expect. `worst_loss` is the largest share by which any of the hands is slower than on the ladder that is best for it (None:
    not timed for others)."""

    ladder: Ladder
    time_s: float
    rule_time_s: float | None = None
    worst_loss: float | None = None


@dataclass(frozen=True)
class HandTime:
    """What a ladder takes one hand [s], and what the best ladder for that hand would take."""

    name: str
    time_s: float
    best_s: float
    limit: float

    @property
    def loss(self) -> float:
        return self.time_s / self.best_s - 1


@dataclass(frozen=True, kw_only=True)
class Search:
    """All that a search found. `searched` ladders were scored, of which `unfit` are too coarse for some task and set apart; `near`
    counts those near-best for every hand (`all_near` False: none is, and those of least excess stand in), `plainest` lists the
    plainest few of them, the chosen one first, `fewest` is the plainest of fewest rungs. `hands` are the chosen ladder's times
    for each hand. `curve` is the best ladder of each number of rungs, and goes one further than the selector; `knee` is the
    fewest rungs within `near_share` of the best. `sharing_s` is what one ladder for all axes costs over the best for each (None
    where tasks use one axis), `sharing_share` the same among ladders of as many rungs, as a share. `tasks` are the estimates for
    the chosen ladder in the order of the mix. `every`: rungs and time of every ladder scored, (n,) each; of columns each one's,
    beside the best of so many rungs of the others."""

    mix: _Mix
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
    sharing_share: float | None = None
    start_mix: bool = False
    fewest: Ranked | None = None
    hands: tuple[HandTime, ...] = ()
    all_near: bool = True
    every: tuple[NDArray[np.int_], Floats] | None = field(default=None, repr=False, compare=False)

    def curve_at(self, rungs: int) -> Ranked | None:
        return next((point for point in self.curve if len(point.ladder.multipliers) == rungs), None)


class _Teller:
    """Tells how far a search is, and asks whether to stop: the own hand's part is half of it."""

    def __init__(self, ladders: int, progress: bool | Callable[[float], None], stop: Callable[[], bool] | None) -> None:
        self.bar = progress_bar(20, f"{ladders} ladders", " parts", shown=progress is True)
        self.progress, self.stop, self.done = progress if callable(progress) else None, stop, 0

    def check(self, rows: int = 0) -> None:
        if self.stop is not None and self.stop():
            raise SearchStopped("stopped while scoring")

    def step(self, parts: int) -> None:
        self.bar.update(parts)
        self.done += parts
        if self.progress is not None:
            self.progress(min(self.done / 20, 1.0))
        self.check()


@dataclass(frozen=True)
class _Field:
    """All ladders as masks, their times of each task (n, tasks) and mean times for the own hand, and their rungs. Those of
    fewer than `least` or more than `most` rungs are there for comparison only."""

    masks: _Masks
    times_s: NDArray[np.float32]
    total_s: Floats
    rungs: NDArray[np.int_]
    least: int
    most: int

    @classmethod
    def of(cls, mix: _Mix, masks: _Masks, counts: tuple[int, int], executor: Executor | None, teller: _Teller) -> _Field:
        times = _sift(mix, masks, teller.check, executor, choosy=len(masks) > _FEW)
        if not np.isfinite(mix.mean_s(times)).any():
            times = _sift(mix, masks, teller.check, executor, choosy=False)
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
    def of(cls, mix: _Mix, field: _Field, executor: Executor | None, teller: _Teller) -> _People:
        """Timed within a close share of the best first; where none of these is near-best, as far as a wide one."""
        allowed = field.allowed_s
        order = np.argsort(allowed, kind="stable")[:_MOST_TIMED]
        for share in (_CLOSE_SHARE, _WIDE_SHARE):
            near = allowed[order] <= allowed[order[0]] * (1 + share)
            found = cls._timed(mix, field, np.sort(order[near]), executor, teller)
            if found.near()[1]:
                break
        return found

    @classmethod
    def _timed(cls, mix: _Mix, field: _Field, at: NDArray[np.intp], executor: Executor | None, teller: _Teller) -> _People:
        masks, own = field.masks[at], field.times_s[at]
        feels = np.array([task.kind == "feel" for task in mix.tasks])
        times = {}
        for name, hand in _unlike_hands(mix.hand).items():
            part = own.copy()
            which = feels if name.startswith("feel") else np.ones_like(feels)
            if hand != mix.hand and which.any():
                grid = _COARSE if hand.spread != mix.hand.spread else mix.per_octave  # of the own spread all is at hand
                most = _sensible_clicks(mix.hand)
                other = mix.of_tasks(np.flatnonzero(which), hand=hand, per_octave=grid, sensible_clicks=most)
                part[:, which] = _sift(other, masks, teller.check, executor)
            times[name] = mix.mean_s(part)
            teller.step(0 if hand == mix.hand else 1)
        for clicks in _THUMBS if not feels.all() else ():
            part = np.where(feels | ~np.isfinite(own), own, _thumb_times_s(mix, masks, clicks))
            times[f"{clicks} clicks left"] = mix.mean_s(part.astype(np.float32))
        teller.step(1)
        limits = [_THUMB_SHARE if name.endswith("left") else _NEAR_SHARE for name in times]
        return cls(at, tuple(times), np.stack(list(times.values()), axis=1), np.array(limits))

    @property
    def losses(self) -> Floats:
        """The share by which each ladder is slower than the best for each hand."""
        best = self.times_s.min(axis=0)
        return np.asarray(self.times_s / np.where(np.isfinite(best), best, 1.0) - 1)

    def near(self) -> tuple[NDArray[np.bool_], bool]:
        """Which are near-best for every hand, or two percent beyond where these are few, lest their numbers be odd; where none
        is, those near-best for the own one of least excess for the others, and that it is so."""
        over = self.losses - self.limits
        excess = np.where(over[:, 0] <= 1e-9, over.max(axis=1), np.inf)
        near = excess <= 1e-9
        if 0 < near.sum() < _FEW_NEAR:
            near = excess <= _BEYOND_SHARE
        return (near, True) if near.any() else (excess <= excess.min() + 0.005, False)

    def rule_s(self, i: int) -> float | None:
        thumbs = [name.endswith("left") for name in self.names]
        return float(self.times_s[i, thumbs].mean()) if any(thumbs) else None

    def hand_times(self, i: int) -> tuple[HandTime, ...]:
        columns = (self.names, self.times_s[i].tolist(), self.times_s.min(axis=0).tolist(), self.limits.tolist())
        return tuple(HandTime(*figures) for figures in zip(*columns, strict=True))
