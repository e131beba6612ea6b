"""How two clocks stand to each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..files import Fault, InputFault
from .log import Log

Floats = npt.NDArray[np.float64]
_GRID_S = 0.02
_COARSE_S = 60.0  # the stretch first looked for in the whole of the other recording
_STRETCH_S = 8.0  # the stretches that give a lag each
_LEAST_CLICKS = 8
_MOST_DRIFT = 0.02  # two clocks further apart than 2 % are not looked for
_SURE = 0.5  # the least correlation taken for a match


@dataclass(frozen=True, kw_only=True)
class Curve:
    """Position against time; straight lines between the points, level before and after."""

    time_s: Floats
    position: Floats

    def at(self, time_s: npt.ArrayLike) -> Floats:
        return np.interp(np.asarray(time_s, dtype=np.float64), self.time_s, self.position)


def find_lags(knob: Log, asked: Curve, did: Curve, clicks: Floats, source: str) -> Floats:
    """The lag of each stretch with clicks: rows of (knob time, lag, its standard error up to a common factor)."""
    if len(clicks) < _LEAST_CLICKS:
        fault = Fault(rule=f"has {len(clicks)} clicks on this axis", cure=f"record at least {_LEAST_CLICKS}")
        raise InputFault(knob.source, [fault])
    first, lag, sure = _first_match(asked, did, clicks)
    if sure < _SURE:
        rule = f"does not match {knob.source} (best correlation {sure:.2f}, at least {_SURE} is needed)"
        raise InputFault(source, [Fault(rule=rule, cure="are they of the same session, axis and direction?")])
    stretches = _stretches(clicks)
    nearest = int(np.argmin([abs(_middle(s) - first) for s in stretches]))
    found: dict[int, tuple[float, float]] = {}
    for order in (range(nearest, len(stretches)), range(nearest - 1, -1, -1)):
        last_lag, last_at = lag, first
        for number in order:
            middle = _middle(stretches[number])
            fine = _fine_lag(asked, did, stretches[number], last_lag, 0.15 + _MOST_DRIFT * abs(middle - last_at))
            if fine is not None:
                found[number] = fine
                last_lag, last_at = fine[0], middle
    if not found:
        rule = f"does not follow {knob.source} closely enough in any stretch"
        raise InputFault(source, [Fault(rule=rule, cure="check axis and unit")])
    return np.array([[_middle(stretches[number]), *found[number]] for number in sorted(found)])


def refined(asked: Curve, did: Curve, clicks: Floats, at_s: float, fit: _Fit) -> Floats:
    """The lags once more, with the drift found at first allowed for within each stretch."""
    drift = fit.drift or 0.0
    rows = []
    for stretch in _stretches(clicks):
        middle = _middle(stretch)
        lag = _fine_lag(asked, did, stretch, fit.offset + drift * (middle - at_s), 0.1, drift)
        rows += [] if lag is None else [(middle, *lag)]
    return np.array(rows).reshape(-1, 3)


def _middle(clicks: Floats) -> float:
    return float((clicks[0] + clicks[-1]) / 2)


def _stretches(clicks: Floats) -> list[Floats]:
    number = np.floor((clicks - clicks[0]) / _STRETCH_S).astype(np.int64)
    parts = np.split(clicks, np.flatnonzero(np.diff(number)) + 1)
    return [part for part in parts if len(part) >= _LEAST_CLICKS] or [clicks]


def _speed(curve: Curve, start_s: float, count: int) -> Floats:
    grid = start_s + _GRID_S * np.arange(count + 1)
    speed = np.diff(curve.at(grid))
    smooth = np.convolve(speed, np.ones(5) / 5, mode="same")
    return np.asarray(np.sign(smooth) * np.sqrt(np.abs(smooth)))


def _first_match(asked: Curve, did: Curve, clicks: Floats) -> tuple[float, float, float]:
    """The busiest minute of the knob, found in the machine's whole recording: (knob time, lag, correlation)."""
    ends = np.searchsorted(clicks, clicks + _COARSE_S)
    best = int(np.argmax(ends - np.arange(len(clicks))))
    start, end = clicks[best] - 1.0, clicks[min(ends[best], len(clicks)) - 1] + 1.0
    count = max(int((end - start) / _GRID_S), 16)
    from_s = did.time_s[0] - (end - start)
    whole = int((did.time_s[-1] - from_s + (end - start)) / _GRID_S)
    part, all_of_it = _speed(asked, start, count), _speed(did, from_s, whole)
    score = _correlations(part, all_of_it)
    place = int(np.argmax(score))
    return (start + end) / 2, from_s + place * _GRID_S - start, float(score[place])


def _correlations(part: Floats, whole: Floats) -> Floats:
    from scipy.signal import fftconvolve

    products = fftconvolve(whole, part[::-1], mode="valid")
    energy = fftconvolve(whole**2, np.ones(len(part)), mode="valid")
    least = 1e-12 + 1e-6 * float(energy.max())
    return np.asarray(products / np.sqrt(np.maximum(energy, least) * max(float((part**2).sum()), 1e-12)))


def _fine_lag(
    asked: Curve, did: Curve, clicks: Floats, lag: float, reach_s: float, drift: float = 0.0
) -> tuple[float, float] | None:  # fmt: skip
    """The lag at the middle of one stretch and its standard error (up to a factor common to all stretches).

    The best lag on the grid within reach, then the minimum between its neighbours.
    """
    from scipy.optimize import minimize_scalar

    grid = np.arange(clicks[0] - 0.5, clicks[-1] + 0.5, _GRID_S)
    wanted = asked.at(grid)
    if np.ptp(wanted) == 0:
        return None
    inside = (grid + lag - reach_s >= did.time_s[0]) & (grid + lag + reach_s <= did.time_s[-1])
    if inside.mean() < 0.9:
        return None
    grid, wanted, middle = grid[inside], wanted[inside], _middle(clicks)

    def unexplained(shift: float) -> float:
        return _misfit(wanted, did.at(grid + shift + drift * (grid - middle)))

    shifts = lag + np.arange(-reach_s, reach_s + _GRID_S, _GRID_S)
    costs = [unexplained(shift) for shift in shifts]
    best = int(np.argmin(costs))
    if best in (0, len(shifts) - 1):
        return None
    fine = minimize_scalar(unexplained, bounds=(shifts[best - 1], shifts[best + 1]), method="bounded",
                           options={"xatol": 1e-5})  # fmt: skip
    if fine.fun >= 1 - _SURE**2:
        return None
    return float(fine.x), _standard_error(float(fine.fun), did.at(grid + float(fine.x) + drift * (grid - middle)))


def _standard_error(unexplained: float, did: Floats) -> float:
    """How well a lag is known: what stays unexplained against how steeply the position changes."""
    spread = did - did.mean()
    noise = max(unexplained, 1e-9) * float(spread @ spread) / len(did)
    steepness = np.gradient(did, _GRID_S)
    return float(np.sqrt(noise / max(float(steepness @ steepness), 1e-12)))


def _misfit(wanted: Floats, did: Floats) -> float:
    """The share of what the axis did that no level and scale of the wanted explain; 1 where it goes the other way."""
    a, b = wanted - wanted.mean(), did - did.mean()
    energy = float(a @ a) * float(b @ b)
    together = float(a @ b)
    return 1.0 - together**2 / energy if energy > 0 and together > 0 else 1.0


@dataclass(frozen=True, kw_only=True)
class _Fit:
    offset: float
    offset_half: float
    drift: float | None
    drift_half: float
    count: int
    residual: float


def line(lags: Floats, at_s: float) -> _Fit:
    """Offset and drift by weighted least squares without far outliers, with 95 % half-widths (Student's t).

    The weights are only roughly right, so the standard errors are the kind that needs no model of the scatter.
    """
    from scipy.stats import t as student

    at, lag, error = lags[:, 0] - at_s, lags[:, 1], np.maximum(lags[:, 2], 1e-5)
    tells_drift = len(at) >= 4 and np.ptp(at) >= 4 * _STRETCH_S
    design = np.column_stack([np.ones(len(at)), at])[:, : 1 + tells_drift] / error[:, None]
    lag = lag / error
    keep = np.ones(len(at), dtype=bool)
    for _ in range(5):
        found = np.linalg.lstsq(design[keep], lag[keep], rcond=None)[0]
        miss = np.abs(lag - design @ found)
        near = miss <= 6 * 1.4826 * max(float(np.median(miss[keep])), 1e-9)
        if (near == keep).all() or near.sum() < max(4, len(at) // 2):
            break
        keep = near
    freedom = int(keep.sum()) - design.shape[1]
    half = _standard_errors(design[keep], miss[keep]) * (float(student.ppf(0.975, freedom)) if freedom > 0 else 4.0)
    drift, drift_half = (float(found[1]), float(half[1])) if tells_drift else (None, 0.0)
    residual = float(np.sqrt(np.average((miss * error)[keep] ** 2)))
    return _Fit(offset=float(found[0]), offset_half=float(half[0]), drift=drift, drift_half=drift_half,
                count=int(keep.sum()), residual=residual)  # fmt: skip


def _standard_errors(design: Floats, miss: Floats) -> Floats:
    """Standard errors that hold under any unequal scatter (MacKinnon & White 1985, their HC3; from memory)."""
    inverse = np.linalg.pinv(design.T @ design)
    leverage = np.einsum("ij,jk,ik->i", design, inverse, design)
    scaled = design * (miss / np.maximum(1 - leverage, 0.05))[:, None]
    return np.asarray(np.sqrt(np.diag(inverse @ (scaled.T @ scaled) @ inverse)))
