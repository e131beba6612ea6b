"""How fast a hand turned, from the rows of a tidy log."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["share_above", "turn_rates"]

WINDOW_S = 0.25  # long enough to hold several reports, short enough to see a flick: our choice


def turn_rates(rows: pd.DataFrame, *, window_s: float = WINDOW_S) -> NDArray[np.float64]:
    """Turn rates [detents/s] in windows of turning, shape (windows,).

    `rows` is a tidy log (`time_s`, `detents`, optional `axis`). Time is cut into windows of `window_s`
    from the first click of each axis; a window without clicks is no turning and is left out. Clicks both
    ways within a window count both.

    >>> import pandas as pd
    >>> turn_rates(pd.DataFrame({"time_s": [0.0, 0.1, 0.2, 5.0], "detents": [1, 1, -1, 2]}))
    array([12.,  8.])
    """
    turning = rows.loc[rows["detents"] != 0]
    if turning.empty:
        return np.empty(0)
    times = turning["time_s"].to_numpy(dtype=float)
    clicks = np.abs(turning["detents"].to_numpy(dtype=float))
    window = np.floor((times - times.min()) / window_s).astype(np.int64)
    axes = turning["axis"].astype(str).to_numpy() if "axis" in turning else np.zeros(len(turning))
    _, axis_index = np.unique(axes, return_inverse=True)
    _, group = np.unique(np.stack([axis_index, window]), axis=1, return_inverse=True)
    return np.bincount(group.ravel(), weights=clicks) / window_s


def share_above(rates: NDArray[np.float64], limit: float) -> float:
    """The share of turning above a turn rate [detents/s]; 0 where there was none.

    >>> share_above(np.array([5.0, 20.0]), 10.0)
    0.5
    """
    return float(np.mean(rates > limit)) if len(rates) else 0.0
