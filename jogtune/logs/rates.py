"""How fast a hand turned."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

PAUSE_S = 0.5  # a longer one ends a burst of turning: our choice
WINDOW_S = 0.3  # long enough to hold several reports, short enough to see a flick: our choice
SHORTEST_S = 0.1  # over less, two clicks say little of a rate: our choice


def turn_rates(rows: pd.DataFrame, *, window_s: float = WINDOW_S) -> NDArray[np.float64]:
    """Turn rates [detents/s] while the hand turned, one for each row with clicks but the first of a burst's.

    `rows` is a tidy log (`time_s`, `detents`, optional `axis`). A rate is the clicks since the last row that is
    at least `window_s` old (or since the burst's first row), either way, over the time since. A click by itself
    is no turning and gives none.
    """
    turning = rows.loc[rows["detents"] != 0]
    parts = [part for _, part in turning.groupby("axis", sort=False)] if "axis" in turning else [turning]
    return np.concatenate([np.empty(0), *(_axis_rates(part, window_s) for part in parts)])


def _axis_rates(turning: pd.DataFrame, window_s: float) -> NDArray[np.float64]:
    times = turning["time_s"].to_numpy(dtype=float)
    clicks = np.cumsum(np.abs(turning["detents"].to_numpy(dtype=float)))
    if len(times) < 2:
        return np.empty(0)
    begins = np.concatenate([[True], np.diff(times) > PAUSE_S])
    first = np.maximum.accumulate(np.where(begins, np.arange(len(times)), 0))
    since = np.maximum(first, np.searchsorted(times, times - window_s, side="right") - 1)
    span = times - times[since]
    told = span >= SHORTEST_S
    return np.asarray((clicks - clicks[since])[told] / span[told])


def share_above(rates: NDArray[np.float64], limit: float) -> float:
    """The share of turning above a turn rate [detents/s]; 0 where there was none."""
    return float(np.mean(rates > limit)) if len(rates) else 0.0
