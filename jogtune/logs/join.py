"""Two recordings made one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..files import Fault, InputFault
from ..notes import Note, Severity
from .log import Log, _of_source

_Floats = npt.NDArray[np.float64]
_GRID_S = 0.02
_COARSE_S = 60.0  # the stretch first looked for in the whole of the other recording
_STRETCH_S = 8.0  # the stretches that give a lag each
_LEAST_CLICKS = 8
_MOST_DRIFT = 0.02  # two clocks further apart than 2 % are not looked for
_SURE = 0.5  # the least correlation taken for a match


@dataclass(frozen=True, kw_only=True)
class _Curve:
    """Position against time; straight lines between the points, level before and after."""

    time_s: _Floats
    position: _Floats

    def at(self, time_s: npt.ArrayLike) -> _Floats:
        return np.interp(np.asarray(time_s, dtype=np.float64), self.time_s, self.position)


def _find_lags(knob: Log, asked: _Curve, did: _Curve, clicks: _Floats, source: str) -> _Floats:
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
    found: list[tuple[float, float, float]] = []
    for order in (stretches[nearest:], stretches[:nearest][::-1]):
        last_lag, last_at = lag, first
        for stretch in order:
            middle = _middle(stretch)
            fine = _fine_lag(asked, did, stretch, last_lag, 0.15 + _MOST_DRIFT * abs(middle - last_at))
            if fine is not None:
                found.append((middle, *fine))
                last_lag, last_at = fine[0], middle
    if not found:
        fault = Fault(rule=f"does not follow {knob.source} closely enough in any stretch", cure="check axis and unit")
        raise InputFault(source, [fault])
    return np.array(sorted(found))


def _refined(asked: _Curve, did: _Curve, clicks: _Floats, at_s: float, fit: _Fit) -> _Floats:
    """The lags once more, with the drift found at first allowed for within each stretch."""
    drift = fit.drift or 0.0
    rows = []
    for stretch in _stretches(clicks):
        middle = _middle(stretch)
        lag = _fine_lag(asked, did, stretch, fit.offset + drift * (middle - at_s), 0.1, drift)
        rows += [] if lag is None else [(middle, *lag)]
    return np.array(rows).reshape(-1, 3)


def _middle(clicks: _Floats) -> float:
    return float((clicks[0] + clicks[-1]) / 2)


def _stretches(clicks: _Floats) -> list[_Floats]:
    number = np.floor((clicks - clicks[0]) / _STRETCH_S).astype(np.int64)
    parts = np.split(clicks, np.flatnonzero(np.diff(number)) + 1)
    return [part for part in parts if len(part) >= _LEAST_CLICKS] or [clicks]


def _speed(curve: _Curve, start_s: float, count: int) -> _Floats:
    grid = start_s + _GRID_S * np.arange(count + 1)
    speed = np.diff(curve.at(grid))
    smooth = np.convolve(speed, np.ones(5) / 5, mode="same")
    return np.asarray(np.sign(smooth) * np.sqrt(np.abs(smooth)))


def _first_match(asked: _Curve, did: _Curve, clicks: _Floats) -> tuple[float, float, float]:
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


def _correlations(part: _Floats, whole: _Floats) -> _Floats:
    from scipy.signal import fftconvolve

    energy = fftconvolve(whole**2, np.ones(len(part)), mode="valid")
    energy = np.maximum(energy, 1e-12 + 1e-6 * float(energy.max())) * max(float((part**2).sum()), 1e-12)
    return np.asarray(fftconvolve(whole, part[::-1], mode="valid") / np.sqrt(energy))


def _fine_lag(
    asked: _Curve, did: _Curve, clicks: _Floats, lag: float, reach_s: float, drift: float = 0.0
) -> tuple[float, float] | None:  # fmt: skip
    """The lag at the middle of one stretch and its standard error (up to a factor common to all stretches).

    The best lag on the grid within reach, then the minimum between its neighbours."""
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
    fine = minimize_scalar(unexplained, bounds=(shifts[best - 1], shifts[best + 1]), method="bounded", options={"xatol": 1e-5})
    if fine.fun >= 1 - _SURE**2:
        return None
    return float(fine.x), _standard_error(float(fine.fun), did.at(grid + float(fine.x) + drift * (grid - middle)))


def _standard_error(unexplained: float, did: _Floats) -> float:
    """How well a lag is known: what stays unexplained against how steeply the position changes."""
    spread = did - did.mean()
    noise = max(unexplained, 1e-9) * float(spread @ spread) / len(did)
    steepness = np.gradient(did, _GRID_S)
    return float(np.sqrt(noise / max(float(steepness @ steepness), 1e-12)))


def _misfit(wanted: _Floats, did: _Floats) -> float:
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


def _line(lags: _Floats, at_s: float) -> _Fit:
    """Offset and drift by weighted least squares without far outliers, with 95 % half-widths (Student's t).

    The weights are only roughly right, so the standard errors are the kind that needs no model of the scatter."""
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
    offset, offset_half = float(found[0]), float(half[0])
    return _Fit(offset=offset, offset_half=offset_half, drift=drift, drift_half=drift_half, count=int(keep.sum()))


def _standard_errors(design: _Floats, miss: _Floats) -> _Floats:
    """Standard errors that hold under any unequal scatter (MacKinnon & White 1985, their HC3; from memory)."""
    inverse = np.linalg.pinv(design.T @ design)
    leverage = np.einsum("ij,jk,ik->i", design, inverse, design)
    scaled = design * (miss / np.maximum(1 - leverage, 0.05))[:, None]
    return np.asarray(np.sqrt(np.diag(inverse @ (scaled.T @ scaled) @ inverse)))


@dataclass(frozen=True, kw_only=True)
class Join:
    """A joined log on the knob's clock, and how the two clocks stand to each other.

    offset_s: machine's clock minus knob's at `at_s` (knob's clock), with a 95 % interval; it includes the time by which the
    axis follows. drift: how much faster the machine's clock runs (1e-6 is 1 µs a second), with interval; None where the session
    is too short to tell, and then taken as 0. stretches: from how many."""

    log: Log
    at_s: float
    offset_s: float
    offset_low_s: float
    offset_high_s: float
    drift: float | None
    drift_low: float | None
    drift_high: float | None
    stretches: int

    @property
    def notes(self) -> tuple[Note, ...]:
        """How the clocks stand to each other, with what can't be told."""
        half_s = (self.offset_high_s - self.offset_low_s) / 2
        apart = {"offset_s": self.offset_s, "half_s": half_s, "at_s": self.at_s, "stretches": self.stretches}
        drift = Note(kind="drift_not_told", severity=Severity.MIND)
        if self.drift is not None and self.drift_low is not None and self.drift_high is not None:
            half_ppm = 1e6 * (self.drift_high - self.drift_low) / 2
            drift = Note(kind="clocks_drift", figures={"fast_ppm": 1e6 * self.drift, "half_ppm": half_ppm})
        return Note(kind="clocks_apart", figures=apart), drift


def join_logs(knob: Log, machine: Log, *, axis: str | None = None) -> Join:
    """Join the knob's log (turns) and the machine's log (positions) of one session.

    The rows of both are kept, on the knob's clock: machine rows with no turns of their own, knob rows with the position the
    machine had then (between its samples: straight lines; none outside its recording). `axis`: by which the clocks are matched
    (default: the one that turned most). Raises `InputFault` where the two don't match."""
    if "position_mm" not in machine.rows:
        raise InputFault(machine.source, [Fault(rule="has no position", cure="name its column in the map of this recording")])
    name = _busiest(knob, machine) if axis is None else axis
    turns = knob.rows[knob.rows["axis"] == name]
    steps = turns["detents"] * turns["gain_mm"] if "gain_mm" in turns else turns["detents"]  # in mm where the gain is known
    asked = _Curve(time_s=turns["time_s"].to_numpy(dtype=float), position=np.cumsum(steps.to_numpy(dtype=float)))
    did, clicks = _did(machine, name), turns["time_s"][turns["detents"] != 0].to_numpy(dtype=float)
    lags = _find_lags(knob, asked, did, clicks, machine.source)
    at_s = float(lags[:, 0].mean())
    fit = _line(lags, at_s)
    lags = _refined(asked, did, clicks, at_s, fit)
    if len(lags):
        at_s = float(np.average(lags[:, 0], weights=lags[:, 2] ** -2))
        fit = _line(lags, at_s)
    low, high = (None, None) if fit.drift is None else (fit.drift - fit.drift_half, fit.drift + fit.drift_half)
    return Join(
        log=_merged(knob, machine, at_s, fit.offset, fit.drift or 0.0), at_s=at_s, offset_s=fit.offset,
        offset_low_s=fit.offset - fit.offset_half, offset_high_s=fit.offset + fit.offset_half, drift=fit.drift,
        drift_low=low, drift_high=high, stretches=fit.count,
    )  # fmt: skip


def _busiest(knob: Log, machine: Log) -> str:
    turned = knob.rows.assign(turned=knob.rows["detents"].abs()).groupby("axis")["turned"].sum()
    common = turned[turned.index.isin(machine.rows["axis"].unique()) & (turned > 0)]
    if not len(common):
        axes = ", ".join(map(str, machine.rows["axis"].unique()[:6]))
        fault = Fault(rule=f"has only {axes}, and none of these turned in {knob.source}", cure="name the axes alike in both maps")
        raise InputFault(machine.source, [fault])
    return str(common.idxmax())


def _did(machine: Log, axis: str) -> _Curve:
    rows = machine.rows
    here = rows[(rows["axis"] == axis) & rows["position_mm"].notna()]
    if len(here) < 20:
        raise InputFault(machine.source, [Fault(rule=f"has {len(here)} positions of axis {axis}", cure="record at least 20")])
    return _Curve(time_s=here["time_s"].to_numpy(dtype=float), position=here["position_mm"].to_numpy(dtype=float))


def _merged(knob: Log, machine: Log, at_s: float, offset: float, drift: float) -> Log:
    turned = knob.rows.drop(columns="position_mm", errors="ignore")
    moved = machine.rows.assign(time_s=(machine.rows["time_s"] - offset + drift * at_s) / (1 + drift))
    parts = [_with_position(turned, moved), _without_turns(moved, turned)]
    rows = pd.concat(parts, ignore_index=True).sort_values("time_s", kind="stable", ignore_index=True)
    both = (knob, machine)
    return replace(
        knob, rows=rows, noticed=tuple(_of_source(note, log.source) for log in both for note in log.noticed),
        remarks=tuple(_of_source(note, log.source) for log in both for note in log.remarks),
        rows_in=sum(log.rows_in for log in both), rows_out=sum(log.rows_out for log in both), lines=None, map=None,
        position_kind=machine.position_kind, source=f"{knob.source} + {machine.source}",
        simulated=any(log.simulated for log in both), guessed=any(log.guessed for log in both),
    )  # fmt: skip


def _with_position(turned: pd.DataFrame, moved: pd.DataFrame) -> pd.DataFrame:
    position = np.full(len(turned), np.nan)
    for axis in turned["axis"].unique():
        there = moved[(moved["axis"] == axis) & moved["position_mm"].notna()]
        if len(there):
            here = (turned["axis"] == axis).to_numpy()
            position[here] = np.interp(turned["time_s"][here], there["time_s"], there["position_mm"], left=np.nan, right=np.nan)
    return turned.assign(position_mm=position)


def _without_turns(moved: pd.DataFrame, turned: pd.DataFrame) -> pd.DataFrame:
    """Machine rows as rows without turns, on the rung (and for the person) that the knob's last row had."""
    rung = "gain_mm" if "gain_mm" in turned else "rung"
    lasting = [rung] + [name for name in ("goal_mm", "tolerance_mm", "person") if name in turned]
    place = np.maximum(np.searchsorted(turned["time_s"], moved["time_s"], side="right") - 1, 0)
    last = turned[lasting].iloc[place].set_axis(moved.index)
    out = moved[["time_s", "axis", "position_mm"]].assign(detents=np.int64(0))
    out = pd.concat([out, last], axis=1)
    if "marker" in turned:
        out["marker"] = moved.get("marker", "")
    return out[[name for name in [*turned.columns, "position_mm"] if name in out]]
