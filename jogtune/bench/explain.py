"""Explanations weighed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..axis.limits import real_resolution
from ..machine.model import Axis, Machine
from ..units import MM_PER_INCH
from .readings import _Series

_Floats = NDArray[np.float64]
# How likely each cause is before any reading: our choice. Mixtures multiply.
_PRIORS: Mapping[str, float] = {
    "counts or microsteps": 0.08, "unit": 0.03, "teeth": 0.08, "direction": 0.02, "scale": 0.03,
    "slack": 0.15, "remainders lost": 0.08, "irregular": 0.06,
}  # fmt: skip
_SURE = 0.8  # an answer less likely than this is "can't tell"
_TEETH = (10, 12, 14, 15, 16, 18, 20, 22, 24, 25, 28, 30, 32, 36, 40, 48, 60)  # common practice, no source
_FACTORS = (Fraction(2), Fraction(4), Fraction(8), Fraction(1, 2), Fraction(1, 4), Fraction(1, 8))
_LARGEST_SLACK_MM, _WALK_MM = 5.0, tuple(float(v) for v in np.geomspace(0.005, 5.0, 12))


@dataclass(frozen=True, kw_only=True)
class _Scale:
    """One way the whole motion may be off by a factor.

    `kind` is a key of `_PRIORS` or ""; a "unit" acts before rounding to steps, the others on the mechanics. `whole_clicks`: the
    knob's counts are divided down to whole clicks, so that 10 clicks at 1/4 make 2. `dial`: the axis moves as it should and the
    dial reads another unit, slack and all."""

    kind: str
    factor: Fraction
    prior: float
    whole_clicks: bool = False
    dial: bool = False

    @property
    def asked(self) -> Fraction:
        """What is asked of the motor as a share of what is meant."""
        return self.factor if self.kind == "unit" and not self.dial else Fraction(1)

    @property
    def reads(self) -> float:
        """What the dial shows as a share of how far the axis went."""
        return float(self.factor) if self.dial or self.kind == "direction" else 1.0


@lru_cache(maxsize=1)
def _scales() -> tuple[_Scale, ...]:
    found = [_Scale(kind="", factor=Fraction(1), prior=1.0), _Scale(kind="direction", factor=Fraction(-1), prior=0.02)]
    for factor in _FACTORS:
        prior = _PRIORS["counts or microsteps"] * (0.2 if factor in (2, 4, Fraction(1, 2), Fraction(1, 4)) else 0.05)
        found.append(_Scale(kind="counts or microsteps", factor=factor, prior=prior))
        if factor < 1:
            found.append(_Scale(kind="counts or microsteps", factor=factor, prior=prior / 2, whole_clicks=True))
    inches = (MM_PER_INCH, 1 / MM_PER_INCH)
    found += [_Scale(kind="unit", factor=f, prior=_PRIORS["unit"] / 4, dial=dial) for dial in (False, True) for f in inches]
    ratios = {Fraction(a, b) for a in _TEETH for b in _TEETH} - {Fraction(1), *_FACTORS}
    kept = {r: 1 / (r.numerator * r.denominator) ** 0.5 for r in ratios if Fraction(1, 4) <= r <= 4}
    total = sum(kept.values())
    teeth = (_Scale(kind="teeth", factor=r, prior=_PRIORS["teeth"] * w / total) for r, w in sorted(kept.items()))
    return (*found, *teeth)


_SCALES = ("counts or microsteps", "unit", "teeth", "direction", "scale")  # they upset every other figure
_REMAINDERS = ("carry", "toward zero", "down")


def _steps(series: _Series, axis: Axis, scale: _Scale, remainder: str) -> _Floats:
    """Where the motor should be after each reading's clicks [mm or degrees]; one click a report."""
    alpha = series.gain_mm * axis.steps_per_mm * scale.asked
    up, down = np.array(series.up, dtype=float), np.array(series.down, dtype=float)
    net = up - down
    if scale.whole_clicks:
        net = np.floor(net * float(scale.factor))
    if remainder == "carry" or scale.whole_clicks:
        steps = np.floor(net * float(alpha) + 0.5 + 1e-9)
    else:
        back = math.floor(alpha) if remainder == "toward zero" else math.ceil(alpha)
        steps = up * math.floor(alpha) - down * back
    mechanics = 1.0 if scale.kind in ("unit", "direction") or scale.whole_clicks else float(scale.factor)
    return np.asarray(steps * float(axis.step_mm) * mechanics)


def _play(x: _Floats, slack: _Floats) -> _Floats:
    """What an axis with slack does: it follows at once upward, and downward only after the slack.

    `x` is (..., readings), `slack` (...) [mm]. The slack is taken up turning up before the first reading."""
    at = np.zeros(np.broadcast_shapes(x.shape[:-1], slack.shape))
    out = np.empty((*at.shape, x.shape[-1]))
    for n in range(x.shape[-1]):
        at = np.clip(at, x[..., n], x[..., n] + slack)
        out[..., n] = at
    return out


@dataclass(frozen=True, kw_only=True)
class Try:
    """One explanation of an axis' readings with its weight (log of prior times evidence)."""

    kinds: frozenset[str]
    scale: _Scale
    remainder: str
    slack_mm: float
    weight: float


class _Bench:
    """One axis' readings ready to be held against explanations."""

    def __init__(self, machine: Machine, axis: Axis, series: Sequence[_Series]) -> None:
        self.axis, self.remainder = axis, machine.firmware.remainder
        self.knows_slack = machine.knows(axis.name, "slack_mm")
        self.series = [s for s in series if any(v == v for v in s.reading_mm)]
        self.taken = [np.array([v == v for v in s.reading_mm]) for s in self.series]
        self.read = [np.array(s.reading_mm)[m] for s, m in zip(self.series, self.taken, strict=True)]
        self.broken = any((s.gain_mm * axis.steps_per_mm).denominator > 1 for s in self.series)  # a click is no whole motor step
        self.unit = self.series[0].unit if self.series else machine.shown_unit(axis)
        self.travel_mm = max((float(abs(values).max()) for values in self.read), default=0.0)
        motor = real_resolution(axis).motor_mm or 0.0
        # standard deviation of one reading: instrument (two of them are its limit) and motor accuracy [mm]
        self.sigma = [math.hypot(s.within_mm / 2, motor / math.sqrt(3)) for s in self.series]
        self.whiteners = [self._whiten(n) for n in range(len(self.series))]

    def _whiten(self, n: int) -> tuple[_Floats, _Floats]:
        """Inverse Cholesky factors and log determinants, without and with each size of irregular jumps."""
        legs = np.flatnonzero(self.taken[n]) + 1.0
        noise = self.sigma[n] ** 2 * (np.eye(len(legs)) + 0.25)  # a quarter: the shared error of the zero
        walk = np.minimum.outer(legs, legs)
        stack = np.array([noise + size**2 * walk for size in (0.0, *_WALK_MM)])
        factors = np.linalg.cholesky(stack)
        log_det = 2 * np.log(np.einsum("kii->ki", factors)).sum(axis=1)
        return np.linalg.inv(factors), log_det

    @property
    def count(self) -> int:
        return sum(len(values) for values in self.read)

    def moved(self, scale: _Scale, remainder: str) -> list[_Floats]:
        return [_steps(s, self.axis, scale, remainder) for s in self.series]

    def slack_guesses(self, moved: Sequence[_Floats], reads: float) -> tuple[list[float], float]:
        """Slacks that the readings after a move down suggest, and their least standard error [mm].

        `reads` is what the dial shows as a share of the motion. None is longer than the travel read.

        A leg shorter than the slack moves nothing and says only that slack is longer: so each rung's own middle is tried,
        pooled with the rungs whose legs are longer than it."""
        falls = [fall for n, x in enumerate(moved) if len((fall := self._falls(n, x, reads))[0])]
        found, error = [], math.inf
        for middle in {float(np.median(values)) for values, _, _ in falls}:
            pooled = sorted((v, weight) for values, leg, weight in falls if leg > middle for v in values)
            if pooled:
                error = min(error, 1.25 / math.sqrt(sum(weight for _, weight in pooled)))
                share = np.cumsum([weight for _, weight in pooled])
                found.append(pooled[int(np.searchsorted(share, share[-1] / 2))][0])  # the weighted median
        limit = min(_LARGEST_SLACK_MM, self.travel_mm / abs(reads))
        guesses = {guess + step * error for guess in found for step in (-1.5, -0.7, 0.0, 0.7, 1.5)}
        return sorted({min(max(guess, 0.0), limit) for guess in guesses}), error

    def _falls(self, n: int, moved: _Floats, reads: float) -> tuple[_Floats, float, float]:
        """What readings after a move down exceed the motor by, that move's length, and one reading's weight."""
        change = np.diff(moved, prepend=0.0)
        down = self.taken[n] & (change < 0)
        excess = (self.read[n] / reads - moved[self.taken[n]])[change[self.taken[n]] < 0]
        weight = (self.sigma[n] / reads) ** -2
        return excess, float(-change[down].max(initial=-math.inf)) if down.any() else 0.0, weight

    def log_likelihoods(self, moved: Sequence[_Floats], slack_mm: _Floats, reads: float) -> _Floats:
        """Log likelihood for each slack (rows) and each size of irregular jumps (columns; the first is none)."""
        total = np.zeros((len(slack_mm), 1 + len(_WALK_MM)))
        for n, x in enumerate(moved):
            error = self.read[n] - reads * _play(x[None, :], slack_mm)[:, self.taken[n]]
            inverse, log_det = self.whiteners[n]
            white = np.einsum("kij,sj->ski", inverse, error)
            total -= 0.5 * ((white**2).sum(axis=2) + log_det)
        return total

    def free_scale(self, remainder: str) -> tuple[float, float] | None:
        """Scale as the readings taken while moving up say it, with its standard error; None where none do."""
        none = _scales()[0]
        xy = xx = 0.0
        for n, (x, mask) in enumerate(zip(self.moved(none, remainder), self.taken, strict=True)):
            rises = (np.diff(x, prepend=0.0)[mask] > 0) & (x[mask] > 0)
            xy += float((x[mask] * self.read[n])[rises].sum()) / self.sigma[n] ** 2
            xx += float((x[mask] ** 2)[rises].sum()) / self.sigma[n] ** 2
        return None if xx <= 0 or xy <= 0 else (xy / xx, 1.2 / math.sqrt(xx))


def _all_tries(bench: _Bench) -> list[Try]:
    """Every explanation worth weighing: a scale, a remainder, slack as filed or free, jumps or none."""
    found: list[Try] = []
    rough = {remainder: bench.free_scale(remainder) for remainder in _REMAINDERS}
    for scale in (scale for scale in _scales() if not scale.dial or scale.factor == _other_unit(bench.unit)):
        for remainder in _REMAINDERS if bench.broken or scale.asked != 1 else ("carry",):
            seen = rough[remainder]
            if scale.kind != "teeth" or seen is None or 0.9 < seen[0] / float(scale.factor) < 1.1:  # else too far off
                found += _tries_of(bench, scale, remainder, 0.0)
    for remainder in _REMAINDERS if bench.broken else ("carry",):
        free = rough[remainder]
        if free and 0.02 < free[0] < 50:
            charge = math.log(max(free[1] * math.sqrt(2 * math.pi) / (3 * free[0]), 1e-6))
            scale = _Scale(kind="scale", factor=Fraction(free[0]).limit_denominator(10**7), prior=_PRIORS["scale"])
            found += _tries_of(bench, scale, remainder, charge)
    return found


def _other_unit(unit: str) -> Fraction | None:
    """What a dial of the other unit would show as a share of the right reading; None for degrees."""
    return {"mm": 1 / MM_PER_INCH, "in": MM_PER_INCH}.get(unit)


def _tries_of(bench: _Bench, scale: _Scale, remainder: str, charge: float) -> list[Try]:
    moved = bench.moved(scale, remainder)
    filed = bench.axis.slack_mm
    guesses, error = bench.slack_guesses(moved, scale.reads)
    slacks = [filed, *guesses]
    scores = bench.log_likelihoods(moved, np.array(slacks), scale.reads)
    lost = {"drop": 0.9, "unknown": 0.4}.get(bench.remainder, _PRIORS["remainders lost"])
    base = math.log(scale.prior) + charge + math.log(1 - lost if remainder == "carry" else lost / 2)
    kinds = ({scale.kind} - {""}) | ({"remainders lost"} if remainder != "carry" and bench.remainder != "drop" else set())
    found = []
    for freed, rows in ((False, scores[:1]), *([(True, scores[1:])] if guesses else [])):
        at = int(np.argmax(rows.max(axis=1)))
        slack = slacks[1 + at] if freed else filed
        other = _PRIORS["slack"] if bench.knows_slack else 1.0  # nothing speaks for a slack that is assumed
        occam = math.log(other * min(1.0, error * math.sqrt(2 * math.pi) / 0.3)) if freed else 0.0
        if freed and scale.kind == "unit":  # which unit is wrong shows in which slack is believable
            occam -= abs(math.log((slack + 0.005) / (filed + 0.005)))
        for jumps, column in ((False, rows[:, 0]), (True, rows[:, 1:])):
            best = float(column.max()) if not jumps else float(np.logaddexp.reduce(column[at]) - math.log(12))
            extra = math.log(_PRIORS["irregular"]) if jumps else 0.0
            causes = kinds | ({"slack"} if freed else set()) | ({"irregular"} if jumps else set())
            weight = base + occam + extra + best
            found.append(Try(kinds=frozenset(causes), scale=scale, remainder=remainder, slack_mm=slack, weight=weight))
    return found
