"""One interval of a chase."""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..files import Fault

_Floats = NDArray[np.float64]
_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]
_TINY = 1e-200  # keeps a division by a resting speed finite; the quotient is clipped afterwards
_AGES_S = 1e9  # long enough for any axis to come to rest


def _pursue_once(
    x_mm: float, v_mm_s: float, target_mm: float, top_mm_s: float, ramp_mm_s2: float, dt_s: float
) -> tuple[float, float]:
    """Where one axis is, and how fast, after `dt_s` of aiming for rest at a fixed target.

    Any state will do: moving away, above the top speed, too near to stop. Speeds and distances are divided by the ramp, so that a
    speed is the time it takes to brake from it. A top speed of 0 brakes and stays. Returns position [mm] and velocity [mm/s].

    >>> _pursue_once(0.0, 0.0, 10.0, top_mm_s=50.0, ramp_mm_s2=500.0, dt_s=0.1)
    (2.5, 50.0)
    >>> _pursue_once(0.0, 0.0, 10.0, top_mm_s=50.0, ramp_mm_s2=500.0, dt_s=0.4)
    (10.0, 0.0)
    """
    stop = v_mm_s * abs(v_mm_s) / (2.0 * ramp_mm_s2)  # braking now would end here, counted from x
    side = 1.0 if target_mm - x_mm >= stop else -1.0  # the way to push; from here on that way is positive
    speed = side * v_mm_s / ramp_mm_s2
    away = side * (target_mm - x_mm) / ramp_mm_s2
    peak = min(math.sqrt(max(away + 0.5 * speed * speed, 0.0)), top_mm_s / ramp_mm_s2)
    change = min(max(peak - speed, -dt_s), dt_s)  # phase 1: ramp to the peak
    time_1 = abs(change)  # exactly dt_s where the ramp outlasts the interval, so that nothing is left then
    speed_1 = speed + change
    away = away - 0.5 * (speed + speed_1) * time_1
    left = dt_s - time_1
    time_2 = (away - 0.5 * speed_1 * speed_1) / max(speed_1, _TINY)  # phase 2: cruise at the peak
    time_2 = min(max(time_2, 0.0), left)
    left = left - time_2
    brake = max(speed_1, 0.0)
    if left > brake:  # time to spare after braking: at rest on the target
        return target_mm, 0.0
    time_3 = min(left, brake)  # phase 3: brake
    speed_3 = speed_1 - time_3
    away = away - speed_1 * time_2 - 0.5 * (speed_1 + speed_3) * time_3
    return target_mm - side * away * ramp_mm_s2, side * speed_3 * ramp_mm_s2


def pursue(
    x_mm: ArrayLike, v_mm_s: ArrayLike, target_mm: ArrayLike, top_mm_s: ArrayLike, ramp_mm_s2: ArrayLike, dt_s: ArrayLike
) -> tuple[_Floats, _Floats]:
    """`_pursue_once` for arrays that broadcast together; returns positions [mm] and velocities [mm/s].

    ValueError where a ramp isn't above 0, a top speed or a time is below 0, or a number isn't finite.

    >>> x, v = pursue(0.0, [0.0, 50.0], 10.0, top_mm_s=50.0, ramp_mm_s2=500.0, dt_s=[0.1, 0.1])
    >>> x, v
    (array([2.5, 5. ]), array([50., 50.]))
    """
    x, v, target, top, ramp, dt = _checked(x_mm, v_mm_s, target_mm, top_mm_s, ramp_mm_s2, dt_s)
    side, away, speed_1, time_2, left = _cruise(x, v, target, top, ramp, dt)
    brake = np.maximum(speed_1, 0.0)
    speed_3 = speed_1 - np.minimum(left, brake)
    away = away - speed_1 * time_2 - 0.5 * (speed_1 + speed_3) * np.minimum(left, brake)
    arrived = left > brake
    position = np.where(arrived, target, target - side * away * ramp)
    return position, np.where(arrived, 0.0, side * speed_3 * ramp)


def _cruise(
    x: _Floats, v: _Floats, target: _Floats, top: _Floats, ramp: _Floats, dt: _Floats
) -> tuple[_Floats, _Floats, _Floats, _Floats, _Floats]:
    """The way to push; distance left and speed over the ramp when cruising begins; how long it lasts, and what time is left."""
    away, speed, side, _ = _facing(x, v, target, ramp)
    change = _first_change(away, speed, top / ramp, dt)
    time_1 = np.abs(change)
    speed_1 = speed + change
    away = away - 0.5 * (speed + speed_1) * time_1
    time_2 = (away - 0.5 * speed_1 * speed_1) / np.maximum(speed_1, _TINY)
    time_2 = np.minimum(np.maximum(time_2, 0.0), dt - time_1)
    return side, away, speed_1, time_2, dt - time_1 - time_2


def _pursuit_extremes(
    x_mm: ArrayLike, v_mm_s: ArrayLike, target_mm: ArrayLike, top_mm_s: ArrayLike, ramp_mm_s2: ArrayLike, dt_s: ArrayLike
) -> tuple[_Floats, _Floats, _Floats]:
    """Lowest and highest position [mm] and highest speed [mm/s] that `pursue` passes, ends included; exact.

    The way turns back at most once, where the axis first has to brake from moving the wrong way."""
    x, v, target, top, ramp, dt = _checked(x_mm, v_mm_s, target_mm, top_mm_s, ramp_mm_s2, dt_s)
    end, _ = pursue(x, v, target, top, ramp, dt)
    away, speed, _, stop = _facing(x, v, target, ramp)
    turns = (speed < 0.0) & (-speed <= dt)
    turn = np.where(turns, x + stop, x)
    fastest = np.maximum(np.abs(v), ramp * np.abs(speed + _first_change(away, speed, top / ramp, dt)))
    return np.minimum(np.minimum(x, end), turn), np.maximum(np.maximum(x, end), turn), fastest


def _rest_time_s(x_mm: ArrayLike, v_mm_s: ArrayLike, target_mm: ArrayLike, top_mm_s: ArrayLike, ramp_mm_s2: ArrayLike) -> _Floats:
    """Time [s] that `pursue` takes from any state to rest at the target; infinite under a top speed of 0."""
    x, v, target, top, ramp, _ = _checked(x_mm, v_mm_s, target_mm, top_mm_s, ramp_mm_s2, 0.0)
    away, speed, _, _ = _facing(x, v, target, ramp)
    peak = speed + _first_change(away, speed, top / ramp, np.full_like(away, np.inf))
    ramps = np.abs(peak - speed)
    cruise = np.maximum(away - 0.5 * (speed + peak) * ramps - 0.5 * peak * peak, 0.0)
    waits = np.where(cruise > 0.0, np.inf, 0.0)
    time = ramps + peak + np.divide(cruise, peak, out=waits, where=peak > 0.0)
    # Braking onto the target already, but for rounding: without this, a last bit of distance too little or
    # too much would add a tiny move whose time is the square root of that bit.
    half_square = 0.5 * speed * np.abs(speed)
    braking = np.abs(away - half_square) <= 1e-12 * (np.abs(away) + np.abs(half_square))
    return np.where(braking, np.abs(speed), time)


def _facing(x: _Floats, v: _Floats, target: _Floats, ramp: _Floats) -> tuple[_Floats, _Floats, _Floats, _Floats]:
    """Distance and speed over the ramp, counted the way the axis must push; that way; the stopping way."""
    stop = v * np.abs(v) / (2.0 * ramp)
    side = np.where(target - x >= stop, 1.0, -1.0)
    return side * (target - x) / ramp, side * v / ramp, side, stop


def _first_change(away: _Floats, speed: _Floats, cap: _Floats, dt: _Floats) -> _Floats:
    """Change of speed over the ramp in the first phase, as far as the interval lets it."""
    peak = np.minimum(np.sqrt(np.maximum(away + 0.5 * speed * speed, 0.0)), cap)
    return np.minimum(np.maximum(peak - speed, -dt), dt)


def _checked(*values: ArrayLike) -> tuple[_Floats, ...]:
    """The six arguments of a pursuit, broadcast together and within their limits."""
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=float) for value in values))
    names = ("x_mm", "v_mm_s", "target_mm", "top_mm_s", "ramp_mm_s2", "dt_s")
    faults = [Fault(n, rule="must be finite") for n, a in zip(names, arrays, strict=True) if not np.isfinite(a).all()]
    faults += [Fault(names[i], rule="must not be below 0") for i in (3, 5) if (arrays[i] < 0).any()]
    if (arrays[4] <= 0).any():
        faults.append(Fault("ramp_mm_s2", rule="must be above 0"))
    if faults:
        raise ValueError("; ".join(faults))
    return tuple(arrays)
