"""Pointing tasks: the index of difficulty, what is left over."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from .person import Floats

POINTING_SPREAD = 0.10


def pointing_index(distance_over_width: Floats, spread: float = POINTING_SPREAD) -> Floats:
    """Expected sum of log2(1 + |e| / (W/2)) over the moves of a pointing task, from its D/W. Each move leaves an error in
    proportion to its distance (normal, cut as for the knob), until one ends within W/2."""
    near = 2 * np.atleast_1d(np.asarray(distance_over_width, dtype=float))
    grid, index = _index_table(spread)
    return np.asarray(np.log2(1 + near) + _left_over(near, spread, grid, index))


@lru_cache(maxsize=16)
def _index_table(spread: float) -> tuple[Floats, Floats]:
    grid = np.linspace(0, 24, 24 * 16 + 1)
    index = np.zeros_like(grid)
    for i, u in enumerate(np.exp2(grid)):
        index[i] = np.log2(1 + u) + _left_over(np.array([u]), spread, grid[:i], index[:i])[0]
    return grid, index


def _left_over(near: Floats, spread: float, grid: Floats, index: Floats) -> Floats:
    """Expected index of what a move from each distance (in W/2) leaves to be done."""
    cut = min(3.0, 0.5 / spread)
    nodes, weights = np.polynomial.legendre.leggauss(48)
    low = np.minimum(1 / (spread * near), cut)
    z = low[:, None] + (cut - low)[:, None] * (nodes + 1) / 2
    density = np.exp(-z * z / 2) / np.sqrt(np.pi / 2) * (cut - low)[:, None] / 2
    share = _normal_share(cut)
    if not len(grid):
        return np.zeros(len(near))
    ahead = np.interp(np.log2(np.maximum(spread * z * near[:, None], 1.0)), grid, index)
    return np.asarray((weights * density * ahead).sum(axis=1) / share)


def _normal_share(cut: float) -> float:
    from scipy.special import erf

    return float(erf(cut / np.sqrt(2)))
