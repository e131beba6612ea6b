"""The programme over remaining distance (reference)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import erf, sqrt

import numpy as np
from numpy.typing import NDArray

from .person import Floats

PER_OCTAVE = 8
NEVER = 1e9
_POINTS, _POINTS_SMOOTH = 16, 8  # a bin; the few serve where ends are spread over more than a click
_CUT, _CUT_MOST = 3.0, 0.5


@dataclass(frozen=True, kw_only=True)
class Grid:
    """Bins of remaining distance: bin i runs from h 2^(i/8) to h 2^((i+1)/8), h half the tolerance."""

    half_mm: float
    bins: int
    per_octave: int = PER_OCTAVE

    @classmethod
    def reaching(cls, half_mm: float, distance_mm: float, per_octave: int = PER_OCTAVE) -> Grid:
        """The grid from `half_mm` to at least `distance_mm`, in whole octaves."""
        octaves = max(1, int(np.ceil(np.log2(max(distance_mm / half_mm, 1.0)) - 1e-9)))
        return cls(half_mm=half_mm, bins=octaves * per_octave, per_octave=per_octave)

    @property
    def edges_mm(self) -> Floats:
        return self.half_mm * grid_edges(self.bins, self.per_octave)

    @property
    def points_mm(self) -> Floats:
        return self.half_mm * _grid_points(self.bins, self.per_octave)


def grid_edges(bins: int, per_octave: int = PER_OCTAVE) -> Floats:
    """Edges of the bins in units of half the tolerance, (bins + 1,)."""
    return np.asarray(np.exp2(np.arange(bins + 1) / per_octave), dtype=float)


def _grid_points(bins: int, per_octave: int = PER_OCTAVE, count: int = _POINTS) -> Floats:
    """Evenly spread points of each bin in units of half the tolerance, (bins, count)."""
    edges = grid_edges(bins, per_octave)
    share = (np.arange(count) + 0.5) / count
    return np.asarray(edges[:-1, None] + np.diff(edges)[:, None] * share)


@dataclass(frozen=True, kw_only=True)
class Ends:
    """Where moves of one rung end: clicks are rounded, and spread in proportion beyond a few. Lengths in units of half the
    tolerance. `lattice` is the click (or the motor's step, where that is longer), `slack` what a reversing move loses. `wheel`
    is how widely the turn of the wheel itself ends, whatever the distance, in clicks. An end farther off than the start counts
    as no progress."""

    lattice: float
    slack: float = 0.0
    spread: float = 0.07
    counted: int = 5
    wheel: float = 0.0

    @property
    def nearest(self) -> float:
        """The least distance from which a click is not too long."""
        return self.lattice / 2

    @property
    def smooth_from(self) -> float:
        """The distance from which ends are spread over clicks, so that few points a bin will do."""
        return (self.counted + 1.5) * self.lattice if self.spread or self.wheel else np.inf

    def masses(self, distance: Floats, edges: Floats) -> Floats:
        """Chance of ending in the goal (column 0) or a bin: `distance` (m,) and `edges` (n + 1,) give (dirs, m, dirs, n + 2),
        where direction 0 goes on as before, 1 reverses."""
        shifts = (0.0, self.slack) if self.slack else (0.0,)
        parts = [self._split(distance, edges, shift) for shift in shifts]
        if len(parts) == 1:
            return np.asarray((parts[0][0] + parts[0][1])[None, :, None, :])
        return np.stack([np.stack(part, axis=1) for part in parts])

    def _split(self, distance: Floats, edges: Floats, shift: float) -> tuple[Floats, Floats]:
        e, y, g = distance[:, None], edges[None, :], self.lattice
        eps = 1e-12
        aim, per = (distance + shift) / g, edges[None, :] / g
        width, cut = self._width(distance / g)
        on = self._below(distance / g, np.floor(aim + eps)[:, None] + 0.5, width, cut)
        short = on - self._below(distance / g, np.ceil(aim[:, None] - per - eps) - 0.5, width, cut)
        beyond = self._below(distance / g, np.floor(aim[:, None] + per + eps) + 0.5, width, cut) - on
        far = y >= e
        short, beyond = np.where(far, on, short), np.where(far, 1.0 - on, beyond)
        short[:, 1:] -= short[:, :-1].copy()
        beyond[:, 1:] -= beyond[:, :-1].copy()
        return short, beyond

    def spots(self, distance: float, shift: float, most: int) -> tuple[Floats, Floats, NDArray[np.intp]] | None:
        """Where a move from one distance ends, how likely, and whether it must turn back; None: more than `most` places."""
        aimed = np.array([distance / self.lattice])
        width, cut = self._width(aimed)
        low, high = np.floor(aimed + 0.5 + np.array([-1, 1]) * width * cut)
        if high - low >= most:
            return None
        clicks = np.arange(low, high + 1)
        edges = np.append(clicks - 0.5, high + 0.5)[None, :]
        chance = np.diff(self._below(aimed, edges, width, cut)[0]) if width[0] else np.ones(1)
        after = distance - np.maximum(clicks * self.lattice - shift, 0.0)
        return np.minimum(np.abs(after), distance), chance, (after < 0).astype(np.intp)

    def _width(self, aimed: Floats) -> tuple[Floats, Floats]:
        """Standard deviation of a move's clicks, and how many of them it is cut at."""
        loose = np.where(aimed > self.counted + 0.5, aimed, 0.0)
        width = np.hypot(self.spread * loose, self.wheel)
        farthest = np.hypot(min(_CUT * self.spread, _CUT_MOST) * loose, _CUT * self.wheel)
        return width, np.divide(farthest, width, out=np.zeros_like(width), where=width > 0)

    def _below(self, aimed: Floats, clicks: Floats, width: Floats, cut: Floats) -> Floats:
        """Chance that fewer than `clicks` (a half number) are turned at each distance."""
        loose = width > 0
        if not loose.any():
            return (aimed[:, None] < clicks).astype(float)
        if not loose.all():
            out = (aimed[:, None] < clicks).astype(float)
            out[loose] = self._below(aimed[loose], clicks[loose], width[loose], cut[loose])
            return out
        z = clicks - aimed[:, None]
        z /= width[:, None]
        np.clip(z, -cut[:, None], cut[:, None], out=z)
        tail = _share_below(-cut)[:, None]
        return np.asarray((_share_below(z) - tail) / (1 - 2 * tail))


_PER_UNIT, _MOST_Z = 1024, 4
_SHARE = np.array([(1 + erf(z / _PER_UNIT / sqrt(2))) / 2 for z in range(-_MOST_Z * _PER_UNIT, _MOST_Z * _PER_UNIT + 1)])
_RISE = np.append(np.diff(_SHARE), 0.0)


def _share_below(z: Floats) -> Floats:
    """The normal distribution's share below z, |z| at most 4, within 3e-8: a table, as scipy.special takes longer to load than
    a search's kernels to make, read by place, as its steps are even."""
    part = np.asarray(z * _PER_UNIT + _MOST_Z * _PER_UNIT, dtype=float)
    place = part.astype(np.intp)
    part -= place
    part *= _RISE.take(place)
    part += _SHARE.take(place)
    return part


@dataclass(frozen=True, kw_only=True)
class _HoldEnds:
    """Where held moves end: spread in proportion to distance and to speed, no clicks."""

    slack: float
    spread: float
    timing: float
    nearest: float = 0.0
    smooth_from: float = 0.0

    def masses(self, distance: Floats, edges: Floats) -> Floats:
        e, y = distance[:, None], edges[None, :]
        sd = np.hypot(self.spread * e, self.timing)
        cut = np.minimum(3.0, e / sd)
        tail = _share_below(-cut)

        def below(error: Floats) -> Floats:
            inside = _share_below(np.clip(error / sd, -cut, cut)) - tail
            return np.asarray(inside / (1 - 2 * tail))

        rows = []
        for shift in (0.0, self.slack) if self.slack else (0.0,):
            on = below(np.full_like(e, -shift))
            short = np.where(y >= e, 1 - on, below(y - shift) - on)
            rows.append(np.stack([np.diff(part, prepend=0.0, axis=1) for part in (short, on - below(-y - shift))], axis=1))
        return np.stack(rows) if self.slack else np.stack(rows).sum(axis=2, keepdims=True)


@lru_cache(maxsize=512)
def click_kernel(ends: Ends | _HoldEnds, bins: int, per_octave: int = PER_OCTAVE) -> Floats:
    """Masses averaged over the points of each bin, (dirs, bins, dirs, bins + 1), and kept: what lies below is worked out, the
    rest is zero."""
    edges = grid_edges(bins, per_octave)
    first = int(np.searchsorted(edges[:-1], ends.nearest * (1 - 1e-9)))
    out: Floats | None = None
    for low, high in _blocks(first, bins, float(ends.smooth_from), edges):
        count = (_POINTS_SMOOTH if edges[low] >= ends.smooth_from else _POINTS) * per_octave // PER_OCTAVE
        points = _grid_points(bins, per_octave, count)[low:high]
        part = ends.masses(points.ravel(), edges[: high + 1])
        dirs = part.shape[0]
        if out is None:
            out = np.zeros((dirs, bins, dirs, bins + 1))
        out[:, low:high, :, : high + 1] = part.reshape(dirs, high - low, count, dirs, high + 1).mean(axis=2)
    if out is None:
        dirs = ends.masses(edges[-1:], edges).shape[0]
        out = np.zeros((dirs, bins, dirs, bins + 1))
    out.setflags(write=False)
    return out


def _blocks(first: int, end: int, smooth_from: float, edges: Floats) -> list[tuple[int, int]]:
    """Spans of at most 32 bins, cut where ends become smooth."""
    cut = min(max(int(np.searchsorted(edges[:-1], smooth_from)), first), end)
    return [(low, min(low + 32, high)) for start, high in ((first, cut), (cut, end)) for low in range(start, high, 32)]


@dataclass(frozen=True, kw_only=True)
class _Moves:
    """All that can be done from every bin, for A actions (rungs, presses, held speeds): `kernel` (A, dirs, bins, dirs, bins
    + 1), `cost_s` and `cost2_s2` (A, dirs, bins): mean and mean square of a move's time, `allowed` (A, bins), `change_s` (A, A)
    for taking another action (column) in hand than the one that is (row)."""

    kernel: Floats
    cost_s: Floats
    cost2_s2: Floats
    allowed: NDArray[np.bool_]
    change_s: Floats

    def stay(self, j: int) -> Floats:
        """Expected moves made in bin j, once there with each action in hand, by direction, (A, dirs, dirs)."""
        again = np.where(self.allowed[:, j, None, None], self.kernel[:, :, j, :, j + 1], 0.0)
        return np.asarray(np.linalg.inv(np.eye(again.shape[-1]) - again))


@dataclass(frozen=True, kw_only=True)
class _Way:
    """The best way through: `value` the time to the goal from every state, last axis mean and mean square; `take` (A, dirs,
    bins) the action to go on with, the one in hand or another."""

    value: Floats
    take: NDArray[np.intp]


def _add_time(stats: Floats, time_s: float | Floats) -> Floats:
    """Mean and mean square of a time after a fixed wait before it; the last axis holds the two."""
    mean, square = stats[..., 0], stats[..., 1]
    return np.stack([mean + time_s, square + 2 * time_s * mean + time_s**2], axis=-1)


def _find_way(moves: _Moves) -> _Way:
    """One pass from the nearest bin to the farthest: numpy over actions, Python over bins."""
    many, dirs, bins = moves.cost_s.shape
    value = np.zeros((many, dirs, bins, 2))
    take = np.zeros((many, dirs, bins), dtype=np.intp)
    own, change = np.arange(many), moves.change_s[:, :, None]
    for j in range(bins):
        now = _act(moves, value, j)
        total = now[None, ..., 0] + change
        best = total.argmin(axis=1)
        keep = now[..., 0] <= total.min(axis=1)
        take[:, :, j] = np.where(keep, own[:, None], best)
        value[:, :, j] = _add_time(now[take[:, :, j], np.arange(dirs)], moves.change_s[own[:, None], take[:, :, j]])
    return _Way(value=value, take=take)


def _act(moves: _Moves, value: Floats, j: int) -> Floats:
    """Mean and mean square of the time from bin j when each action moves now, (A, dirs, 2)."""
    many, dirs, _ = moves.cost_s.shape
    kernel, cost, stay = moves.kernel[:, :, j, :, 1 : j + 1], moves.cost_s[:, :, j], moves.stay(j)
    below = kernel.reshape(many, dirs, dirs * j) @ value[:, :, :j].reshape(many, dirs * j, 2)
    mean = np.einsum("rde,re->rd", stay, cost + below[..., 0])
    square = np.einsum("rde,re->rd", stay, moves.cost2_s2[:, :, j] + 2 * cost * (mean - cost) + below[..., 1])
    return np.where(moves.allowed[:, j, None, None], np.stack([mean, square], axis=-1), np.inf)


def _values_of_sets(moves: _Moves, sets: NDArray[np.bool_]) -> Floats:
    """The mean time to the goal from every state when only some of the actions may be taken: `sets` (S, A) give (A, dirs, bins,
    S), `NEVER` or more where none leads there. As `_find_way`, many at a time."""
    many, dirs, bins = moves.cost_s.shape
    value = np.zeros((many, dirs, bins, len(sets)))
    barred = np.where(sets.T, 0.0, NEVER)[:, None]
    for j in range(bins):
        kernel, stay = moves.kernel[:, :, j, :, 1 : j + 1].reshape(many, dirs, dirs * j), moves.stay(j)
        below = moves.cost_s[:, :, j, None] + kernel @ value[:, :, :j].reshape(many, dirs * j, len(sets))
        acting = np.where(moves.allowed[:, j, None, None], np.einsum("rde,res->rds", stay, below), NEVER) + barred
        for a in range(many):
            value[a, :, j] = (acting + moves.change_s[a][:, None, None]).min(axis=0)
    return value


def _visits(moves: _Moves, way: _Way, start: Floats) -> tuple[Floats, Floats]:
    """Expected moves made in each state, (A, dirs, bins), and expected takings of an action (second) with one in hand (first) in
    each bin, (A, A, bins); `start` (A, dirs, bins): the chance to stand there with that action in hand after the first move."""
    many, dirs, bins = start.shape
    arriving, made, taken = start.copy(), np.zeros_like(start), np.zeros((many, many, bins))
    own, turns = np.arange(many)[:, None], np.arange(dirs)
    for j in range(bins - 1, -1, -1):
        acting, take = np.zeros((many, dirs)), way.take[:, :, j]
        np.add.at(acting, (take, turns), arriving[:, :, j])
        np.add.at(taken[:, :, j], (own, take), arriving[:, :, j])
        made[:, :, j] = np.einsum("rde,rd->re", moves.stay(j), acting)
        arriving[:, :, :j] += np.einsum("rd,rdec->rec", made[:, :, j], moves.kernel[:, :, j, :, 1 : j + 1])
    return made, taken
