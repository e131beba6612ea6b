"""Throughput, accuracy, smoothness as published."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from ..files import Fault, InputFault
from ..notes import Note
from .figure import _Floats

_EFFECTIVE_WIDTH = 4.133  # ISO 9241-411 (from memory); sqrt(2 pi e) = 4.13273


def _throughput(distance_mm: float, end_error_mm: ArrayLike, time_s: ArrayLike) -> dict[str, float]:
    """Throughput [bits/s] of one sequence of tasks alike: We = 4.133 SD of the end errors, log2(D/We + 1) over the mean time.

    `end_error_mm` is signed along the movement. Take it per sequence and average; never pool sequences. Where every task ended
    at the very same place the throughput is infinite. Source: ISO 9241-411, from memory."""
    errors, times = np.asarray(end_error_mm, dtype=float), np.asarray(time_s, dtype=float)
    if len(errors) < 2 or len(errors) != len(times):
        raise ValueError("throughput: needs at least two tasks, with an end error and a time for each")
    width = _EFFECTIVE_WIDTH * float(errors.std(ddof=1))
    bits = math.log2(distance_mm / width + 1) if width > 0 else math.inf
    mean = float(times.mean())
    return {"effective_width_mm": width, "difficulty_bits": bits, "mean_time_s": mean, "bits_s": bits / mean}


def _throughput_table(tasks: pd.DataFrame, *, least: int = 5) -> pd.DataFrame:
    """Throughput per sequence of measured tasks: those alike in person, axis, kind (marker) and tolerance.

    `tasks` as `measure` gives them, with goals. Distances within a sequence may vary: their mean counts. Columns: person, axis,
    marker, tolerance_mm, tasks, distance_mm, effective_width_mm, difficulty_bits, mean_time_s, bits_s, error_rate (share that
    ended outside the tolerance)."""
    keys = ["person", "axis", "marker", "tolerance_mm"]
    known = tasks.dropna(subset=["distance_mm", "error_mm", "time_s"])
    filled = known.assign(person=known["person"].fillna(""), marker=known["marker"].fillna(""))
    rows = []
    for key, group in filled.groupby(keys, sort=False):
        if len(group) >= least:
            toward = group["error_mm"] * np.sign(group["goal_mm"] - group["start_mm"])
            found = _throughput(float(group["distance_mm"].mean()), toward, group["time_s"])
            missed = float((group["error_mm"].abs() > group["tolerance_mm"] / 2).mean())
            rows.append((*key, len(group), group["distance_mm"].mean(), *found.values(), missed))
    names = ["tasks", "distance_mm", "effective_width_mm", "difficulty_bits", "mean_time_s", "bits_s", "error_rate"]
    return pd.DataFrame(rows, columns=keys + names)


def evaluate_accuracy(readings: pd.DataFrame) -> pd.Series[float]:
    """Evaluate deviations read at a few targets, approached several times from each side; lengths in their unit.

    `readings` has the columns direction ("up" or "down"), target, and run1, run2, ... (position reached less position aimed
    at). `reversal` is B, `mean_reversal` the mean of the signed B, `repeatability` R (both ways), `mean_deviation` M,
    `systematic` E, `accuracy` A; the rest one way. Source: ISO 230-2:2014, formulas from memory."""
    faults = [Fault(rule=f"column {name} is missing") for name in ("direction", "target") if name not in readings]
    runs = [name for name in readings if str(name).startswith("run")]
    if len(runs) < 2:
        faults.append(Fault(rule="needs the columns run1, run2, ...: at least two approaches from each side"))
    if faults:
        raise InputFault("dial readings", faults)
    placed = readings.set_index("target")
    up, down = (placed.loc[placed["direction"] == way, runs].sort_index().astype(float) for way in ("up", "down"))
    if list(up.index) != list(down.index) or not len(up):
        raise InputFault("dial readings", [Fault(rule="needs the same targets for direction up and for down")])
    (mean_up, sd_up), (mean_down, sd_down) = ((way.mean(axis=1).to_numpy(), way.std(axis=1).to_numpy()) for way in (up, down))
    reversal = mean_up - mean_down
    both = np.maximum(2 * sd_up + 2 * sd_down + np.abs(reversal), np.maximum(4 * sd_up, 4 * sd_down))
    above_up, above_down = (mean_up + 2 * sd_up).max(), (mean_down + 2 * sd_down).max()
    below_up, below_down = (mean_up - 2 * sd_up).min(), (mean_down - 2 * sd_down).min()
    return pd.Series({
        "reversal": np.abs(reversal).max(), "mean_reversal": reversal.mean(), "repeatability": both.max(),
        "repeatability_up": 4 * sd_up.max(), "repeatability_down": 4 * sd_down.max(),
        "mean_deviation": np.ptp((mean_up + mean_down) / 2), "systematic": np.ptp([mean_up, mean_down]),
        "accuracy": max(above_up, above_down) - min(below_up, below_down),
        "accuracy_up": above_up - below_up, "accuracy_down": above_down - below_down,
    })  # fmt: skip


_CUTOFF_HZ, _AMPLITUDE = 10.0, 0.05
_LEAST_STEPS = 8  # from row to row, before a move's smoothness is told: our choice


def _sparc(speed: ArrayLike, rate_hz: float) -> float:
    """Spectral arc length of a speed profile: 0 would be perfectly smooth, more negative is rougher.

    The arc length of the normalised spectrum up to the last frequency below the cut-off at which it is above the least amplitude;
    zero-padded 16 times. Source: Balasubramanian et al. 2015."""
    values = np.asarray(speed, dtype=float)
    size = 2 ** (math.ceil(math.log2(len(values))) + 4)
    spectrum = np.abs(np.fft.fft(values, size))
    frequency = np.arange(size) * rate_hz / size
    shown = frequency <= _CUTOFF_HZ
    spectrum, frequency = spectrum[shown] / spectrum.max(), frequency[shown]
    above = np.flatnonzero(spectrum >= _AMPLITUDE)
    if len(above) < 2:
        return math.nan  # all of it faster than the cut-off: no hand moves like that
    part = slice(above[0], above[-1] + 1)
    across = np.diff(frequency[part]) / np.ptp(frequency[part])
    return -float(np.sqrt(across**2 + np.diff(spectrum[part]) ** 2).sum())


def _log_dimensionless_jerk(speed: ArrayLike, rate_hz: float) -> float:
    """Minus the logarithm of: the squared jerk over a speed profile, times duration cubed over peak speed squared.

    Source: Balasubramanian et al. 2015."""
    values, dt = np.asarray(speed, dtype=float), 1 / rate_hz
    jerk = np.diff(values, 2) / dt**2
    return -math.log(float((len(values) * dt) ** 3 / np.abs(values).max() ** 2 * (jerk**2).sum() * dt))


def _smoothness(rows: pd.DataFrame, moves: pd.DataFrame) -> pd.DataFrame:
    """SPARC and log dimensionless jerk of each move's speed, from the positions of the log's rows.

    Columns: axis, start_s, sparc, log_jerk, why. Figures are NaN, and `why` is a note of the reason (else None), where rows are
    few, unevenly spaced, or fewer than twice the cut-off a second, or positions missing. Their noise counts as roughness."""
    found: list[tuple[str, float, float, float, Note | None]] = []
    axes = {str(name): part for name, part in rows.groupby("axis", sort=False, observed=True)} if len(rows) else {}
    moved = zip(moves["axis"], moves["start_s"], moves["settled_s"], strict=True) if len(moves) else ()
    for axis, start, end in moved:
        time, position = (axes[str(axis)][name].to_numpy(float) for name in ("time_s", "position_mm"))
        low, high = np.searchsorted(time, [start - 1e-9, end + 1e-9])
        part = slice(max(low - 1, 0), high)
        found.append((str(axis), float(start), *_smooth(time[part], position[part])))
    names = {"axis": object, "start_s": float, "sparc": float, "log_jerk": float, "why": object}
    return pd.DataFrame(found, columns=list(names)).astype(names)


def _smooth(time: _Floats, position: _Floats) -> tuple[float, float, Note | None]:
    steps, why = np.diff(time), None
    if len(steps) < _LEAST_STEPS:
        why = Note(kind="few_rows", figures={"seen": len(time), "needed": _LEAST_STEPS + 1})
    elif not np.isfinite(position).all():
        why = Note(kind="position_gaps")
    elif np.ptp(steps) > 0.02 * steps.mean() or not steps.mean() > 0:
        why = Note(kind="rows_uneven")
    elif steps.mean() * 2 * _CUTOFF_HZ > 1 + 1e-6:
        why = Note(kind="rows_sparse", figures={"rate_hz": float(1 / steps.mean()), "needed_hz": 2 * _CUTOFF_HZ})
    elif not np.ptp(position) > 0:
        why = Note(kind="position_still")
    if why:
        return math.nan, math.nan, why
    speed, rate_hz = np.diff(position) / steps, float(1 / steps.mean())
    if float(np.abs(np.diff(speed, 2)).max()) <= 1e-9 * float(np.abs(speed).max()):
        return _sparc(speed, rate_hz), math.nan, Note(kind="no_jerk")
    return _sparc(speed, rate_hz), _log_dimensionless_jerk(speed, rate_hz), None
