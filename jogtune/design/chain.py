"""The programme: expected time of a task as the best way through a chain of moves.

The state is what the hand holds (a rung), how far there is still to go (bins on a log grid), and, on
an axis with slack, whether the next move goes on in the last direction. A move never leaves the axis
farther from the goal than it was, so one pass from near to far is enough.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from .hand import Floats

__all__ = ["Ends", "Grid", "Moves", "Way", "find_way", "visits"]

PER_OCTAVE = 8
POINTS = 64
_CUT, _CUT_MOST = 3.0, 0.5


@dataclass(frozen=True, kw_only=True)
class Grid:
    """Bins of remaining distance: bin i runs from h 2^(i/8) to h 2^((i+1)/8), h half the tolerance.

    >>> Grid(half_mm=0.5, bins=16).edges_mm[[0, 8, 16]]
    array([0.5, 1. , 2. ])
    """

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
        """Edges of the bins, (bins + 1,) [mm]."""
        return self.half_mm * grid_edges(self.bins, self.per_octave)

    @property
    def points_mm(self) -> Floats:
        """Points spread evenly over each bin, (bins, 64) [mm]."""
        return self.half_mm * grid_points(self.bins, self.per_octave)

    def bin_of(self, distance_mm: Floats) -> NDArray[np.intp]:
        """Bin of each distance; -1 where it is within the tolerance."""
        return np.searchsorted(self.edges_mm, distance_mm, side="left") - 1


def grid_edges(bins: int, per_octave: int = PER_OCTAVE) -> Floats:
    """Edges of the bins in units of half the tolerance, (bins + 1,)."""
    return np.asarray(np.exp2(np.arange(bins + 1) / per_octave), dtype=float)


def grid_points(bins: int, per_octave: int = PER_OCTAVE) -> Floats:
    """Evenly spread points of each bin in units of half the tolerance, (bins, 64)."""
    edges = grid_edges(bins, per_octave)
    share = (np.arange(POINTS) + 0.5) / POINTS
    return np.asarray(edges[:-1, None] + np.diff(edges)[:, None] * share)


@dataclass(frozen=True, kw_only=True)
class Ends:
    """Where moves of one rung end: clicks are rounded, and spread in proportion beyond a few.

    Lengths in units of half the tolerance. `lattice` is the click (or the motor's step, where that
    is longer), `slack` what a reversing move loses.

    >>> Ends(lattice=1.0).masses(np.array([20.0]), np.array([1.0, 2.0, 4.0]))[0, 0, 0].round(3)
    array([0.718, 0.21 , 0.072])
    """

    lattice: float
    slack: float = 0.0
    spread: float = 0.07
    counted: int = 5

    def masses(self, distance: Floats, edges: Floats) -> Floats:
        """Chance of ending in the goal (column 0) or a bin, by direction.

        `distance` (m,) and `edges` (n + 1,) give (dirs, m, dirs, n + 2): direction 0 goes on as
        before, 1 reverses.
        """
        shifts = (0.0, self.slack) if self.slack else (0.0,)
        parts = [self._split(distance, edges, shift) for shift in shifts]
        if len(parts) == 1:
            return np.asarray((parts[0][0] + parts[0][1])[None, :, None, :])
        return np.stack([np.stack(part, axis=1) for part in parts])

    def _split(self, distance: Floats, edges: Floats, shift: float) -> tuple[Floats, Floats]:
        """Chances of ending short and beyond."""
        e, y, g = distance[:, None], edges[None, :], self.lattice
        eps = 1e-12
        aim = (distance + shift) / g
        on = self._below(distance, np.floor(aim + eps)[:, None] + 0.5)
        short = on - self._below(distance, np.ceil(aim[:, None] - y / g - eps) - 0.5)
        short = np.where(y >= e, on, short)
        beyond = self._below(distance, np.floor(aim[:, None] + y / g + eps) + 0.5) - on
        return np.diff(short, prepend=0.0, axis=1), np.diff(beyond, prepend=0.0, axis=1)

    def _below(self, distance: Floats, clicks: Floats) -> Floats:
        """Chance that fewer than `clicks` (a half number) are turned at each distance."""
        from scipy.special import ndtr

        aimed = (distance / self.lattice)[:, None]
        out = (aimed < clicks).astype(float)
        loose = aimed[:, 0] > self.counted + 0.5 if self.spread else np.zeros(len(aimed), bool)
        if loose.any():
            cut = min(_CUT, _CUT_MOST / self.spread)
            z = (clicks[loose] - aimed[loose]) / (self.spread * aimed[loose])
            tail = ndtr(-cut)
            out[loose] = (ndtr(np.clip(z, -cut, cut)) - tail) / (1 - 2 * tail)
        return out


class Landing(Protocol):
    """Anything that says where moves end."""

    def masses(self, distance: Floats, edges: Floats) -> Floats:
        """As `Ends.masses`."""
        ...


def bin_masses(ends: Landing, bins: int, per_octave: int = PER_OCTAVE) -> Floats:
    """Masses averaged over the points of each bin, (dirs, bins, dirs, bins + 1).

    Only what lies below is worked out, octave by octave: the rest is zero.
    """
    edges, points = grid_edges(bins, per_octave), grid_points(bins, per_octave)
    blocks = []
    for low in range(0, bins, per_octave):
        high = min(low + per_octave, bins)
        part = ends.masses(points[low:high].ravel(), edges[: high + 1])
        dirs = part.shape[0]
        mean = part.reshape(dirs, high - low, POINTS, dirs, high + 1).mean(axis=2)
        blocks.append(np.pad(mean, [(0, 0), (0, 0), (0, 0), (0, bins - high)]))
    out = np.concatenate(blocks, axis=1)
    out.setflags(write=False)
    return out


@lru_cache(maxsize=256)
def click_kernel(ends: Landing, bins: int, per_octave: int = PER_OCTAVE) -> Floats:
    """Kept `bin_masses` of a rung or a held speed."""
    return bin_masses(ends, bins, per_octave)


@dataclass(frozen=True, kw_only=True)
class Moves:
    """All that can be done from every bin, for A rungs (or other actions) of one control.

    `kernel` (A, dirs, bins, dirs, bins + 1), `cost_s` and `cost2_s2` (A, dirs, bins): mean and mean
    square of a move's time, `allowed` (A, bins), `switch_s` for taking another action in hand.

    >>> from jogtune.design.controls import knob_actions, moves_of
    >>> from jogtune.design.hand import Hand, Motion
    >>> actions = knob_actions([0.1, 1.0], Motion(top_speed_mm_s=100, ramp_mm_s2=400), Hand())
    >>> moves = moves_of(actions, Grid.reaching(0.1, 30.0), switch_s=0.8)
    >>> moves.kernel.shape, moves.allowed[:, 0]
    ((2, 1, 72, 1, 73), array([ True, False]))
    """

    kernel: Floats
    cost_s: Floats
    cost2_s2: Floats
    allowed: NDArray[np.bool_]
    switch_s: float

    def stay(self, j: int) -> Floats:
        """Expected moves made in bin j, once there with each rung in hand, by direction, (A, dirs, dirs)."""
        again = np.where(self.allowed[:, j, None, None], self.kernel[:, :, j, :, j + 1], 0.0)
        return np.asarray(np.linalg.inv(np.eye(again.shape[-1]) - again))


@dataclass(frozen=True, kw_only=True)
class Way:
    """The best way through: time and squared time to the goal from every state.

    Last axis of `act` (move now with this rung) and `value` (move or switch first): mean and mean
    square. `best` (dirs, bins) is the rung one would pick freely, `keep` (A, dirs, bins) whether a
    rung in hand is kept.

    >>> from jogtune.design.controls import knob_actions, moves_of
    >>> from jogtune.design.hand import Hand, Motion
    >>> actions = knob_actions([0.1, 1.0], Motion(top_speed_mm_s=100, ramp_mm_s2=400), Hand())
    >>> moves = moves_of(actions, Grid.reaching(0.1, 30.0), switch_s=0.8)
    >>> find_way(moves).value[:, 0, -1, 0].round(2)
    array([6.57, 5.77])
    """

    act: Floats
    value: Floats
    best: NDArray[np.intp]
    keep: NDArray[np.bool_]


def add_time(stats: Floats, time_s: float) -> Floats:
    """Mean and mean square of a time after a fixed wait before it; the last axis holds the two."""
    mean, square = stats[..., 0], stats[..., 1]
    return np.stack([mean + time_s, square + 2 * time_s * mean + time_s**2], axis=-1)


def find_way(moves: Moves) -> Way:
    """One pass from the nearest bin to the farthest: numpy over rungs, Python over bins.

    >>> from jogtune.design.controls import knob_actions, moves_of
    >>> from jogtune.design.hand import Hand, Motion
    >>> actions = knob_actions([0.1, 1.0], Motion(top_speed_mm_s=100, ramp_mm_s2=400), Hand())
    >>> moves = moves_of(actions, Grid.reaching(0.1, 30.0), switch_s=0.8)
    >>> find_way(moves).best[0, ::16]
    array([0, 0, 1, 1, 1])
    """
    rungs, dirs, bins = moves.cost_s.shape
    acting = np.zeros((rungs, dirs, bins, 2))
    value = np.zeros_like(acting)
    best = np.zeros((dirs, bins), dtype=np.intp)
    keep = np.zeros((rungs, dirs, bins), dtype=bool)
    for j in range(bins):
        acting[:, :, j] = act(moves, value, j)
        best[:, j] = acting[:, :, j, 0].argmin(axis=0)
        other = add_time(acting[best[:, j], np.arange(dirs), j], moves.switch_s)
        keep[:, :, j] = acting[:, :, j, 0] <= other[:, 0]
        value[:, :, j] = np.where(keep[:, :, j, None], acting[:, :, j], other)
    return Way(act=acting, value=value, best=best, keep=keep)


def act(moves: Moves, value: Floats, j: int) -> Floats:
    """Mean and mean square of the time from bin j when each rung moves now, (A, dirs, 2)."""
    rungs, dirs, _ = moves.cost_s.shape
    kernel, cost, stay = moves.kernel[:, :, j, :, 1 : j + 1], moves.cost_s[:, :, j], moves.stay(j)
    below = kernel.reshape(rungs, dirs, dirs * j) @ value[:, :, :j].reshape(rungs, dirs * j, 2)
    mean = _apply(stay, cost + below[..., 0])
    square = _apply(stay, moves.cost2_s2[:, :, j] + 2 * cost * (mean - cost) + below[..., 1])
    return np.where(moves.allowed[:, j, None, None], np.stack([mean, square], axis=-1), np.inf)


def _apply(matrix: Floats, vector: Floats) -> Floats:
    return np.asarray(np.einsum("rde,re->rd", matrix, vector))


def visits(moves: Moves, way: Way, start: Floats) -> tuple[Floats, float]:
    """Expected moves made in each state, (A, dirs, bins), and expected switches.

    `start` (A, dirs, bins): the chance to stand there with that rung in hand after the first move.

    >>> from jogtune.design.controls import knob_actions, moves_of
    >>> from jogtune.design.hand import Hand, Motion
    >>> actions = knob_actions([0.1, 1.0], Motion(top_speed_mm_s=100, ramp_mm_s2=400), Hand())
    >>> moves = moves_of(actions, Grid.reaching(0.1, 30.0), switch_s=0.8)
    >>> start = np.zeros_like(moves.cost_s)
    >>> start[1, 0, -1] = 1.0
    >>> made, switches = visits(moves, find_way(moves), start)
    >>> made.sum(axis=(1, 2)).round(2), round(switches, 2)
    (array([0.78, 1.87]), 0.78)
    """
    arriving, made, switches = start.copy(), np.zeros_like(start), 0.0
    dirs = np.arange(start.shape[1])
    for j in range(start.shape[2] - 1, -1, -1):
        acting = np.where(way.keep[:, :, j], arriving[:, :, j], 0.0)
        switching = (arriving[:, :, j] - acting).sum(axis=0)
        switches += float(switching.sum())
        np.add.at(acting, (way.best[:, j], dirs), switching)
        made[:, :, j] = np.einsum("rde,rd->re", moves.stay(j), acting)
        arriving[:, :, :j] += np.einsum("rd,rdec->rec", made[:, :, j], moves.kernel[:, :, j, :, 1 : j + 1])
    return made, switches
