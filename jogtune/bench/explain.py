"""Ways in which readings may be off."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..axis.limits import play, real_resolution
from ..machine.model import Axis, Machine
from ..units import MM_PER_INCH
from .readings import _Series

_Floats = NDArray[np.float64]
# How likely each cause is before any reading: our choice. Mixtures multiply.
_PRIORS: Mapping[str, float] = {
    "counts or microsteps": 0.08, "unit": 0.03, "teeth": 0.08, "direction": 0.02, "scale": 0.03, "one rung": 0.05,
    "miscount": 0.04, "slipping coupling": 0.02, "irregular": 0.06, "eccentric": 0.04, "remainders lost": 0.08,
    "slack": 0.15, "none of these": 0.02,
}  # fmt: skip
_SURE = 0.8  # an answer less likely than this is "can't tell"
_TEETH = (10, 12, 14, 15, 16, 18, 20, 22, 24, 25, 28, 30, 32, 36, 40, 48, 60)  # common practice, no source
_FACTORS = (Fraction(2), Fraction(4), Fraction(8), Fraction(1, 2), Fraction(1, 4), Fraction(1, 8))
_LARGEST_SLACK_MM, _SIZES_MM = 5.0, np.geomspace(0.005, 5.0, 12)
_ECCENTRIC = np.geomspace(0.0005, 0.025, 8)  # of a turn; more would be seen by eye
_UNKNOWN_MM = np.geomspace(0.005, 100.0, 12)
_TURN_FULL_STEPS = 200  # of a motor that the file does not describe: common practice, no source
_FOLLOWS = 0.85  # correlation of readings and clicks: our choice


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


class _Bench:
    """One axis' readings ready to be held against explanations."""

    def __init__(self, machine: Machine, axis: Axis, series: Sequence[_Series], moves: float = 1.0) -> None:
        """`moves`: how far the axis goes as a share of what is meant, as a wave goes by where the axis really is."""
        self.machine, self.moves, self.others = machine, moves, {moves: self}
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
        turned = [(np.array(s.up) - np.array(s.down))[m] for s, m in zip(self.series, self.taken, strict=True)]
        places = [np.unique(net) * float(s.gain_mm) for net, s in zip(turned, self.series, strict=True)]
        self.turns = [turn for turn in _turns_mm(axis) if any(_spans(there, turn) for there in places)]
        follow = [np.corrcoef(a, b)[0, 1] for a, b in zip(turned, self.read, strict=True) if np.ptp(a) and np.ptp(b)]
        # whether readings follow the clicks on one rung at least; else jumps would explain anything
        self.follows = max(np.abs(follow), default=0.0) > _FOLLOWS
        found = self._strays(0) if self.series else ()
        self.strays = [(kind, detail, float(size)) for kind, detail, sizes, _, _ in found for size in sizes]
        names = [(kind, detail) for kind, detail, _ in self.strays]
        self.columns = {name: [n for n, other in enumerate(names) if other == name] for name in dict.fromkeys(names)}
        self.whiteners = [self._whiten(n) for n in range(len(self.series))]

    def _strays(self, n: int) -> Iterator[tuple[str, str, _Floats, _Floats, _Floats]]:
        """How a rung's readings may stray: kind, detail, sizes [mm], and of the size one the mean and the covariance."""
        net = np.array(self.series[n].up) - np.array(self.series[n].down)
        way = np.sign(np.diff(net, prepend=0)).astype(float)
        there = net * float(self.series[n].gain_mm)
        before, none, legs = np.concatenate(([0.0], way[:-1])), np.zeros(len(net)), np.arange(len(net)) + 1.0
        yield "", "", np.zeros(1), none, np.zeros((len(net), len(net)))
        for mean in (none, -np.cumsum(way) / 2):  # either way, or short of the motion
            yield "irregular", "alike", _SIZES_MM, mean, _summed(none + 1)
            yield "irregular", "own", np.append(0.0, _SIZES_MM), mean, _summed(none + 1)
        load = (way > 0) & (before <= 0)
        yield "slipping coupling", "load", _SIZES_MM, -np.cumsum(load), _summed(load) / 9  # by half of it more or less
        yield "slipping coupling", "reversal", _SIZES_MM, none, _summed(way * before < 0) / 9  # on top of what looks like slack
        for turn in self.turns:
            wave = np.exp(2j * math.pi * self.moves / turn * there) - 1  # zero where the dial was set to zero
            yield "eccentric", str(turn), _ECCENTRIC * turn, none, np.outer(wave, wave.conj()).real
        place = there + self.axis.slack_mm * (way < 0)
        least, most, far = np.minimum.outer(legs, legs), np.maximum.outer(legs, legs), np.ptp(np.append(place, 0.0)) / 3 or 1.0
        apart, start = np.exp(-(np.subtract.outer(place, place) ** 2) / 2 / far**2), np.exp(-(place**2) / 2 / far**2)
        unknown = {
            "each reading": np.eye(len(net)) + 1, "place": np.equal.outer(net, net), "wave": apart - start - start[:, None] + 1,
            "time": np.outer(legs, legs) + least**2 * (3 * most - least) / 600,  # a tenth faster or slower at each
        }  # fmt: skip
        for detail, cov in unknown.items():
            yield "none of these", f"own {detail}", _UNKNOWN_MM, none, cov.astype(float)

    def _whiten(self, n: int) -> tuple[_Floats, _Floats, _Floats]:
        """For each way of straying: the inverse Cholesky factor, its log determinant, the whitened mean."""
        taken = self.taken[n]
        noise = self.sigma[n] ** 2 * (np.eye(taken.sum()) + 0.25)  # a quarter: the shared error of the zero
        every = [(size, mean[taken], cov[np.ix_(taken, taken)]) for _, _, sizes, mean, cov in self._strays(n) for size in sizes]
        factors = np.linalg.cholesky(np.array([noise + size**2 * cov for size, _, cov in every]))
        inverse = np.linalg.inv(factors)
        means = np.einsum("kij,kj->ki", inverse, np.array([size * mean for size, mean, _ in every]))
        return inverse, 2 * np.log(np.einsum("kii->ki", factors)).sum(axis=1), means

    def ways(self, freed: bool) -> list[tuple[tuple[str, str], list[int], bool]]:
        """The groups of `strays`. What slips at reversals looks like slack of the mean slip: so it is all of the slack that is
        beyond the file's (True), or comes on top of another slack. Where each reading follows a reversal it can't be told from
        what slips anywhere, and is not tried."""
        told = freed and any(max(map(s.down.count, s.down)) > 2 for s in self.series)  # readings that go on one way
        mean = [(name, columns, True) for name, columns in self.columns.items() if told and name[1] == "reversal"]
        return [(name, columns, False) for name, columns in self.columns.items() if told or name[1] != "reversal"] + mean

    def scaled(self, scale: _Scale) -> _Bench:
        """The same where the axis goes another way than is meant; itself where no wave could be told."""
        moves = float(abs(scale.factor)) if self.turns and not scale.dial else 1.0
        if moves not in self.others:
            self.others[moves] = _Bench(self.machine, self.axis, self.series, moves)
        return self.others[moves]

    def moved(self, scale: _Scale, remainder: str, series: Sequence[_Series] | None = None) -> list[_Floats]:
        return [_steps(s, self.axis, scale, remainder) for s in series or self.series]

    def slack_guesses(self, moved: Sequence[_Floats], reads: float) -> tuple[list[float], float]:
        """Slacks that the readings after a move down suggest, and their least standard error [mm].

        `reads` is what the dial shows as a share of the motion. None is longer than the travel read.

        A leg shorter than the slack moves nothing and says only that slack is longer: so each rung's own middle is tried,
        pooled with the rungs whose legs are longer than it."""
        falls, found, error = [], [], math.inf
        for x, taken, read, sigma in zip(moved, self.taken, self.read, self.sigma, strict=True):
            change = np.diff(x, prepend=0.0)[taken]
            if (down := change < 0).any():  # what they exceed the motor by, the longest such move, one reading's weight
                falls.append(((read / reads - x[taken])[down], float(-change[down].max()), (sigma / reads) ** -2))
        for middle in {float(np.median(values)) for values, _, _ in falls}:
            pooled = sorted((v, weight) for values, leg, weight in falls if leg > middle for v in values)
            if pooled:
                error = min(error, 1.25 / math.sqrt(sum(weight for _, weight in pooled)))
                share = np.cumsum([weight for _, weight in pooled])
                found.append(pooled[int(np.searchsorted(share, share[-1] / 2))][0])  # the weighted median
        limit = min(_LARGEST_SLACK_MM, self.travel_mm / abs(reads))
        guesses = {guess + step * error for guess in found for step in (-1.5, -0.7, 0.0, 0.7, 1.5)}
        return sorted({min(max(guess, 0.0), limit) for guess in guesses}), error

    def log_likelihoods(self, moved: Sequence[_Floats], slack_mm: _Floats, reads: float) -> _Floats:
        """Log likelihood for each slack (rows) and each of `strays` (columns). Jumps, and what is unknown, may make each
        rung stray in a way of its own, so their columns hold the mean over all of theirs."""
        total = np.zeros((len(slack_mm), len(self.strays)))
        for n, x in enumerate(moved):
            error = self.read[n] - reads * play(x[None, :], slack_mm, 0.0)[:, self.taken[n]]
            inverse, log_det, means = self.whiteners[n]
            white = (inverse.reshape(-1, inverse.shape[2]) @ error.T).reshape(*means.shape, -1) - means[..., None]
            each = -0.5 * ((white**2).sum(axis=1) + log_det[:, None]).T
            for own in (columns for (_, detail), columns in self.columns.items() if detail.startswith("own")):
                each[:, own] = _log_mean(each[:, own])[:, None]
            total += each
        return total

    def free_scale(self, remainder: str) -> tuple[float, float] | None:
        """Scale as the readings taken while moving up say it, with its standard error; None where none do."""
        return self._scale_of(self.moved(_scales()[0], remainder), range(len(self.series)))

    def _scale_of(self, moved: Sequence[_Floats], chosen: Iterable[int]) -> tuple[float, float] | None:
        xy = xx = 0.0
        for n in chosen:
            x, mask = moved[n], self.taken[n]
            rises = (np.diff(x, prepend=0.0)[mask] > 0) & (x[mask] > 0)
            xy += float((x[mask] * self.read[n])[rises].sum()) / self.sigma[n] ** 2
            xx += float((x[mask] ** 2)[rises].sum()) / self.sigma[n] ** 2
        return None if xx <= 0 or xy <= 0 else (xy / xx, 1.2 / math.sqrt(xx))

    def usual_scale(self, moved: Sequence[_Floats]) -> float | None:
        """The middle one of the rungs' own scales, of those that tell it to a twentieth; the whole's where none does."""
        whole = self._scale_of(moved, range(len(self.series)))
        each = [self._scale_of(moved, [n]) for n in range(len(self.series))]
        told = [one[0] for one in each if one and one[1] < 0.05 * one[0]]
        return float(np.median(told)) if told else whole and whole[0]


def _turns_mm(axis: Axis) -> set[float]:
    """What the axis moves in a turn of its motor, and in one of its screw, pulley or table [mm or degrees]."""
    if axis.motor:
        return {float(axis.motor.lead_mm), float(axis.motor.lead_mm / axis.motor.reduction)}
    return set() if axis.full_step_mm is None else {float(_TURN_FULL_STEPS * axis.full_step_mm)}


def _spans(places: _Floats, turn_mm: float) -> bool:
    """Whether readings lie close enough over a good part of a turn to tell its wave from any other."""
    return len(places) > 5 and bool(np.ptp(places) > turn_mm / 2 and np.diff(places).max() < turn_mm / 2)


def _summed(starts: _Floats) -> _Floats:
    """Covariance of a sum that grows by a chance amount at each start."""
    return np.minimum.outer(np.cumsum(starts), np.cumsum(starts)).astype(float)


def _log_mean(values: _Floats) -> _Floats:
    return np.asarray(np.logaddexp.reduce(values, axis=-1) - math.log(values.shape[-1]))
