"""Seeded logs of the two-minute script, with their truth.

Nothing of the package is used: an axis that starts and brakes at ramps of its own, from event to event, and a firmware that
owes, limits or queues. All figures are invented."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd


@dataclass(frozen=True, kw_only=True)
class ScriptTruth:
    """An axis, its firmware and its logger: `limit_mm` and `queue` None means that it owes.

    `smooth_s`: each ramp begins and ends smoothly for so long. `foreign_s`: the logger's own pace, not the reports'."""

    top: float
    accel: float
    brake: float
    delay: float
    every: float
    gains: tuple[float, float]
    limit_mm: float | None = None
    queue: int | None = None
    quantum: float = 0.0125
    clock: float = 0.002
    missing: float = 0.0
    rates: tuple[float, float] = (26.0, 42.0)
    spins: tuple[int, int] = (3, 3)
    flicks: int = 4
    singles: int = 5
    smooth_s: float = 0.0
    foreign_s: float | None = None


def drawn(seed: int) -> ScriptTruth:
    """A truth as of a machine that nobody knows: top speed 16 to 151 mm/s in 0.08 to 0.56 s; a third each owe, limit, queue."""
    rng = np.random.default_rng(seed)
    top = math.exp(rng.uniform(math.log(16), math.log(151)))
    accel = top / math.exp(rng.uniform(math.log(0.08), math.log(0.56)))
    brake = accel * math.exp(rng.uniform(math.log(0.5), math.log(2)))
    quantum = math.exp(rng.uniform(math.log(0.001), math.log(0.0125)))
    gain = math.ceil(top / 24 * rng.uniform(1, 1.6) / quantum) * quantum
    every, kind = rng.uniform(0.02, 0.05), seed % 3
    limit = top**2 / (2 * brake) * rng.uniform(0.5, 1.5) + top * every + 2 * gain * rng.uniform(1, 1.5)
    return ScriptTruth(
        top=top, accel=accel, brake=brake, delay=rng.uniform(0, 0.06), every=every, gains=(gain, 2 * gain), quantum=quantum,
        limit_mm=limit if kind == 1 else None, queue=int(rng.integers(2, 9)) if kind == 2 else None,
        missing=rng.uniform(0, 0.05),
    )  # fmt: skip


class _Axis:
    """One axis that pursues a target with a ramp up and another down; the states at which anything changed."""

    def __init__(self, truth: ScriptTruth) -> None:
        self.truth, self.t, self.x, self.v, self.target, self.way = truth, 0.0, 0.0, 0.0, 0.0, 1.0
        self.ends: list[float] = []
        self.track: list[tuple[float, float, float, float]] = [(0.0, 0.0, 0.0, 0.0)]

    def go(self, until: float) -> None:
        """From event to event: full speed reached, time to brake, at rest."""
        a, d, top = self.truth.accel, self.truth.brake, self.truth.top
        while self.t < until - 1e-12:
            left, v = self.way * (self.target - self.x), self.v
            room = left - v * v / (2 * d)
            if left <= 1e-9 and v <= 1e-9:
                self.x, self.v, push, dt = self.target, 0.0, 0.0, until - self.t
            elif room <= 1e-10:
                push, dt = -d, v / d
            elif v < top - 1e-10:
                peak = math.sqrt(v * v + 2 * a * d * room / (a + d))
                push, dt = a, (min(peak, top) - v) / a
            else:
                push, dt = 0.0, room / v
            dt = min(max(dt, 1e-12), until - self.t)
            self.track.append((self.t, self.x, self.v * self.way, push * self.way))
            self.x += self.way * (v * dt + push * dt * dt / 2)
            self.v, self.t = max(v + push * dt, 0.0), self.t + dt
            if push < 0 and self.v <= 1e-9 and abs(self.target - self.x) < 1e-6:
                self.x, self.v = self.target, 0.0
        self.track.append((self.t, self.x, self.v * self.way, 0.0))

    def hear(self, clicks: int, gain: float) -> None:
        """What the firmware makes of a report: way of `clicks` only from rest."""
        if not clicks:
            return
        way, k = math.copysign(1.0, clicks), abs(clicks)
        if self.v == 0.0 and self.x == self.target:
            self.way, self.ends = way, []
        assert way == self.way, "the script turns one way until the axis rests"
        if self.truth.limit_mm is not None:
            k = min(k, max(math.floor((self.truth.limit_mm - way * (self.target - self.x)) / gain + 1e-9), 0))
        if self.truth.queue is not None:
            self.ends = [end for end in self.ends if way * (end - self.x) > 1e-9]
            k = k if len(self.ends) < self.truth.queue else 0
        if k:
            self.target += way * k * gain
            self.ends.append(self.target)

    def seen(self, times: np.ndarray) -> np.ndarray:
        """Positions at any times passed."""
        t, x, v, push = np.array(self.track).T
        at = np.maximum(np.searchsorted(t, times, side="right") - 1, 0)
        dt = times - t[at]
        return x[at] + v[at] * dt + push[at] * dt**2 / 2


def _turned(truth: ScriptTruth, rng: np.random.Generator) -> list[tuple[float, int, list[float]]]:
    """The script: gain, way and click times from the burst's own start."""

    def spin(lasts: float) -> list[float]:
        rate, clicks, at = rng.uniform(*truth.rates), [], 0.0
        while at < lasts:
            clicks.append(at)
            at += max(1 + 0.2 * rng.standard_normal(), 0.3) / (rate * min(1.0, 0.4 + 0.2 * len(clicks)))
        return clicks

    fine, coarse = truth.gains
    bursts = [(fine, spin(1.0)) for _ in range(truth.spins[0])] + [(coarse, spin(1.0)) for _ in range(truth.spins[1])]
    bursts += [(fine, spin(1.0)[: int(rng.integers(3, 6))]) for _ in range(truth.flicks)]
    bursts += [(coarse, [0.0])] * truth.singles
    return [(gain, 1 - 2 * (n % 2), clicks) for n, (gain, clicks) in enumerate(bursts)]


def simulate(truth: ScriptTruth, seed: int, *, name: str = "X", lost: str = "link") -> pd.DataFrame:
    """The script's log as tidy rows. Missing rows were lost by the "link" (running counts: the next report brings them) or by
    the "logger" alone."""
    rng = np.random.default_rng(seed + 7_000_000)
    axis, sent, clicks, gains = _Axis(truth), [0.0], [0], [truth.gains[0]]
    waiting: list[tuple[float, int, float]] = []
    kept = [True]

    def report(made: int, gain: float, carried: int) -> int:
        """One report more; what the link loses is carried to the next."""
        at = truth.every * len(sent)
        while waiting and waiting[0][0] <= at:
            heard, n, g = waiting.pop(0)
            axis.go(heard)
            axis.hear(n, g)
        axis.go(at)
        here = rng.random() >= truth.missing
        made += carried
        sent.append(at)
        gains.append(gain)
        kept.append(here)
        clicks.append(made)
        if here or lost == "logger":
            waiting.append((at + truth.delay, made, gain))
            return 0
        return made

    carried = 0
    for gain, way, times in _turned(truth, rng):
        begun, told = truth.every * (len(sent) - 1) + rng.uniform(0, truth.every), 0
        rest = 0.0
        while rest < 2.0:
            now = sum(1 for t in times if begun + t <= truth.every * len(sent))
            carried = report(way * (now - told), gain, carried)
            told = now
            still = axis.v == 0 and axis.x == axis.target and not any(n for _, n, _ in waiting) and told == len(times)
            rest = rest + truth.every if still and not carried else 0.0
    return _logged(truth, rng, axis, np.array(sent), np.array(clicks), np.array(gains), np.array(kept), name, lost)


def _logged(truth, rng, axis, sent, clicks, gains, kept, name, lost) -> pd.DataFrame:  # type: ignore[no-untyped-def]
    total = np.cumsum(clicks) if lost == "logger" else None
    times, made, gain = sent[kept], clicks[kept], gains[kept]
    if total is not None:
        made = np.diff(total[kept], prepend=0)
    if truth.foreign_s is not None:
        whole = np.cumsum(made)
        own = np.arange(rng.uniform(0, truth.foreign_s), times[-1], truth.foreign_s)
        at = np.searchsorted(times, own, side="right") - 1
        made, gain, times = np.diff(whole[at], prepend=0), gain[at], own
    late = np.linspace(0, truth.smooth_s, 25) if truth.smooth_s else np.zeros(1)
    where = np.mean([axis.seen(np.maximum(times - one, 0)) for one in late], axis=0)
    position = np.round(where / truth.quantum) * truth.quantum
    clock = np.maximum.accumulate(times + rng.uniform(-truth.clock, truth.clock, len(times)))
    return pd.DataFrame({"time_s": clock, "axis": name, "detents": made, "gain_mm": gain, "position_mm": position})


def changed(truth: ScriptTruth, **figures: object) -> ScriptTruth:
    """The same with other figures."""
    return replace(truth, **figures)  # type: ignore[arg-type]
