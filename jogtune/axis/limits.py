"""Finest real move; rates, cap."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..machine.model import Axis, Machine

STEP_ACCURACY_SHARE = 0.05  # ±5 % of a full step, not accumulating: motor makers' data sheets


@dataclass(frozen=True, kw_only=True)
class Resolution:
    """The finest move an axis really honours [mm or degrees], and what it is made of.

    `one_way_mm` holds when the last approach came from the same side, `reversed_mm` after a reversal."""

    step_mm: float
    motor_mm: float | None
    friction_mm: float | None
    slack_mm: float

    @property
    def one_way_mm(self) -> float:
        """The largest of one step, the motor's accuracy and what friction holds back."""
        return max(self.step_mm, self.motor_mm or 0.0, self.friction_mm or 0.0)

    @property
    def reversed_mm(self) -> float:
        """The same with the slack on top."""
        return self.one_way_mm + self.slack_mm


def friction_lag(full_step_mm: float, friction_share: float) -> float:
    """How far a motor lags before its torque beats friction: asin(share)/90° of a full step [mm]."""
    return math.degrees(math.asin(friction_share)) / 90 * full_step_mm


def real_resolution(axis: Axis) -> Resolution:
    """What resolution is real on an axis. Motor and friction are None where the file can't tell them.

    >>> from jogtune.machine.file import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> real = real_resolution(router.axis("Z"))
    >>> real.step_mm, real.motor_mm, real.friction_mm, real.slack_mm
    (0.0025, 0.002, None, 0.02)
    """
    full = None if axis.full_step_mm is None else float(axis.full_step_mm)
    return Resolution(
        step_mm=float(axis.step_mm),
        motor_mm=None if full is None else STEP_ACCURACY_SHARE * full,
        friction_mm=None if full is None or not axis.friction_share else friction_lag(full, axis.friction_share),
        slack_mm=axis.slack_mm,
    )


def play(commanded_mm: ArrayLike, slack_mm: ArrayLike, start_mm: float | None = None) -> NDArray[np.float64]:
    """Where an axis with slack really stands as its drive is commanded from place to place [mm].

    The simplest model of backlash: a drive that pushes upwards carries the axis with it; turned back, it moves through the
    slack before the axis follows. `start_mm` is where the axis stands at first (default: carried upwards to the first place).
    Many at a time: places (..., places), slacks (...)."""
    drive, slack = np.asarray(commanded_mm, dtype=float), np.asarray(slack_mm, dtype=float)
    at = drive[..., 0] if start_mm is None else np.asarray(start_mm)
    out = np.empty((*np.broadcast_shapes(drive.shape[:-1], slack.shape), drive.shape[-1]))
    for n in range(drive.shape[-1]):
        at = out[..., n] = np.clip(at, drive[..., n], drive[..., n] + slack)
    return out


def full_speed_turn_rate(top_speed_mm_s: float, gain_mm: float) -> float:
    """The turn rate [detents/s] above which the axis can't keep up: top speed / gain."""
    return top_speed_mm_s / gain_mm


def _stray_click_speed(gain_mm: float, top_speed_mm_s: float, ramp_mm_s2: float) -> float:
    """The peak speed [mm/s] of one accidental click from rest: √(gain·ramp), at most the top speed.

    >>> _stray_click_speed(1.0, 50.0, 400.0)
    20.0
    """
    return min(top_speed_mm_s, math.sqrt(gain_mm * ramp_mm_s2))


def derive_limits(machine: Machine, axis: Axis) -> tuple[float, float]:
    """The coarsest gains of an axis [mm or degrees per detent]: the one that reaches its top speed at the steady turn rate, and
    the one that a steady hand and a stray click keep calm (without a calm speed the same)."""
    rate, top, calm = machine.knob.steady_detents_s, axis.top_speed_mm_s, axis.calm_speed_mm_s
    caps = [top / rate] if calm is None else [top / rate, calm / rate]
    if calm is not None and calm < top:
        caps.append(calm**2 / axis.ramp_mm_s2)
    return top / rate, min(caps)
