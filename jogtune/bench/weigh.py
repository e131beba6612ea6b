"""Explanations weighed."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from ..units import MM_PER_INCH
from .explain import _PRIORS, _REMAINDERS, _SIZES_MM, _Bench, _Floats, _log_mean, _Scale, _scales
from .readings import _Series

_LEAST_WRONG = 0.05  # a rung's entry nearer to what it should be is no slip of the pen: our choice
_KEPT = 4  # scales that are tried with a miscount or a wrong rung on top
# Calibrated on 400 simulated benches, tests/bench/test_causes.py. How a jump or a slip is spread is only roughly known, so what
# the readings say between explanations with chance in them counts less; three causes at once; a cause nobody has thought of.
_CHANCE, _COUNTS, _THREE, _UNTHOUGHT = frozenset({"irregular", "slipping coupling", "none of these"}), 1 / 2.5, 0.1, 0.03


@dataclass(frozen=True, kw_only=True)
class _Try:
    """One explanation of an axis' readings with its weight (log of prior times evidence)."""

    kinds: frozenset[str]
    scale: _Scale
    remainder: str
    slack_mm: float
    weight: float
    details: Mapping[str, tuple[str, float]]  # a kind -> what its words need: which turns, where it slips, how much
    moved: Sequence[_Floats]  # where the motor should be after each reading's clicks [mm]


def _shares(tries: Sequence[_Try]) -> _Floats:
    """How likely each explanation is."""
    weights = np.array([t.weight + (math.log(_THREE) if len(t.kinds) > 2 else 0.0) for t in tries])
    chance = np.array([not _CHANCE.isdisjoint(t.kinds) for t in tries])
    total, flat = np.logaddexp.reduce(weights[chance]), weights[chance] * _COUNTS
    weights[chance] = flat - np.logaddexp.reduce(flat) + total
    return np.asarray((1 - _UNTHOUGHT) * np.exp(weights - np.logaddexp.reduce(weights)))


def _all_tries(bench: _Bench) -> list[_Try]:
    """Every explanation worth weighing: a scale, a remainder, slack as filed or free, and how readings may stray.

    A miscount or a wrong rung is tried on the likeliest scales and on those it makes fit, as it hides them without it."""
    tried: list[tuple[_Scale, str]] = []
    for remainder in _REMAINDERS:
        usual, free = bench.usual_scale(bench.moved(_scales()[0], remainder)), bench.free_scale(remainder)
        told = [s for s in _scales() if remainder == "carry" or bench.broken or s.asked != 1]
        near = (s for s in told if s.kind != "teeth" or usual is None or 0.85 < usual / float(s.factor) < 1.15)  # or too far off
        tried += [(s, remainder) for s in near if not s.dial or s.factor == _other_unit(bench.unit)]
        if free and 0.02 < free[0] < 50 and (remainder == "carry" or bench.broken):
            prior = _PRIORS["scale"] * max(free[1] * math.sqrt(2 * math.pi) / (3 * free[0]), 1e-6)
            tried.append((_Scale(kind="scale", factor=Fraction(free[0]).limit_denominator(10**7), prior=prior), remainder))
    found = [one for scale, remainder in tried for one in _tries_of(bench, scale, remainder)]
    likely = list(dict.fromkeys((t.scale, t.remainder) for t in (found[0], *sorted(found, key=lambda t: -t.weight))))[:_KEPT]
    chosen = dict.fromkeys((*likely, *_nearest(bench, tried, bench.series)))
    made = [(one, *rung) for one in chosen for rung in _wrong_rungs(bench, *one)]
    for detail, series in _miscounts(bench):
        hidden = dict.fromkeys((*likely, *_nearest(bench, tried, series)))
        made += [(one, math.log(_PRIORS["miscount"] / 6), "miscount", detail, bench.moved(*one, series)) for one in hidden]
    found = [t for t in found if (t.scale, t.remainder) not in chosen]  # where the axis really is decides where its wave is
    made += [(one, 0.0, "", ("", 0.0), bench.moved(*one)) for one in chosen]
    for one, extra, kind, detail, moved in made:
        found += _tries_of(bench.scaled(one[0]), *one, extra, kind, detail, moved)
    return found


def _nearest(bench: _Bench, tried: Iterable[tuple[_Scale, str]], series: Sequence[_Series]) -> list[tuple[_Scale, str]]:
    """The scales that leave most rungs as far as they read."""
    goes = {one: bench.usual_scale([x * one[0].reads for x in bench.moved(*one, series)]) for one in tried}
    return sorted(goes, key=lambda one: abs(math.log(goes[one] or math.inf)))[: _KEPT // 2]


def _miscounts(bench: _Bench) -> Iterator[tuple[tuple[str, float], list[_Series]]]:
    """One click too many or too few on each rung: in its first turn, after each reversal, or in each turn of more than one, which
    is a ratio as well unless turns differ."""
    turns = {abs(n) for s in bench.series for n in (*np.diff(s.up, prepend=0), *np.diff(s.down, prepend=0)) if n}
    for detail in ("first", "reversal", "each") if len(turns) > 1 else ("first", "reversal"):
        for more in (1, -1):
            yield (detail, more), [_miscounted(s, detail, more) for s in bench.series]


def _miscounted(series: _Series, detail: str, more: int) -> _Series:
    turned = np.diff(series.up, prepend=0) - np.diff(series.down, prepend=0)
    before = np.concatenate(([0], turned[:-1]))
    at = {"first": np.arange(len(turned)) == 0, "reversal": turned * before < 0, "each": abs(turned) > 1}[detail]
    up, down = (tuple(np.array(c) + more * np.cumsum(at & (w * turned > 0))) for c, w in ((series.up, 1), (series.down, -1)))
    return replace(series, up=up, down=down)


def _wrong_rungs(bench: _Bench, scale: _Scale, remainder: str) -> Iterator[tuple[float, str, tuple[str, float], list[_Floats]]]:
    """One rung's distance is another than the file's, whatever its readings say: charge, kind, detail, where the motor then is."""
    rungs = {s.gain_mm for s in bench.series}
    moved = bench.moved(scale, remainder)
    for gain in sorted(rungs) if len(rungs) > 1 else ():
        chosen = [n for n, s in enumerate(bench.series) if s.gain_mm == gain]
        free = bench._scale_of(moved, chosen)
        if free and abs(free[0] / scale.reads - 1) > _LEAST_WRONG:
            wide = math.log(max(free[1] * math.sqrt(2 * math.pi) / (7 * free[0]), 1e-6))  # of a thirtieth to thirty times
            there = [x * free[0] / scale.reads if n in chosen else x for n, x in enumerate(moved)]
            yield math.log(_PRIORS["one rung"] / len(rungs)) + wide, "one rung", (str(gain), free[0] / scale.reads), there


def _other_unit(unit: str) -> Fraction | None:
    """What a dial of the other unit would show as a share of the right reading; None for degrees."""
    return {"mm": 1 / MM_PER_INCH, "in": MM_PER_INCH}.get(unit)


def _tries_of(
    bench: _Bench, scale: _Scale, remainder: str, charge: float = 0.0, kind: str = "", detail: tuple[str, float] = ("", 0.0),
    moved: list[_Floats] | None = None,
) -> Iterator[_Try]:  # fmt: skip
    moved = moved or bench.moved(scale, remainder)
    filed = bench.axis.slack_mm
    guesses, error = bench.slack_guesses(moved, scale.reads)
    slacks = [filed, *guesses]
    scores = bench.log_likelihoods(moved, np.array(slacks), scale.reads)
    lost = {"drop": 0.9, "unknown": 0.4}.get(bench.remainder, _PRIORS["remainders lost"])
    base = math.log(scale.prior) + charge + math.log(1 - lost if remainder == "carry" else lost / 2)
    lost_too = remainder != "carry" and bench.remainder != "drop"
    kinds = {scale.kind, kind, "remainders lost" if lost_too else ""} - {""}
    for freed, first, rows in ((False, 0, scores[:1]), *([(True, 1, scores[1:])] if guesses else [])):
        other = _PRIORS["slack"] if bench.knows_slack else 1.0  # nothing speaks for a slack that is assumed
        occam = math.log(other * min(1.0, error * math.sqrt(2 * math.pi) / 0.3)) if freed else 0.0
        ways = bench.ways(freed)
        for (stray, _), columns, slips in ways:
            # each slip for each slack beyond the filed: they are alike, give or take half
            excess = np.maximum(np.array(slacks[first:]) - filed, 1e-6)[:, None]
            fit = _log_mean(rows[:, columns] + (math.log(6) - 2 * np.log(_SIZES_MM / excess) ** 2 if slips else 0.0))
            at = int(np.argmax(fit))
            slack = slacks[first + at]
            if stray == "irregular" and not bench.follows:
                continue
            alike = sum(kind == stray for (kind, _), _, _ in ways)
            weight = base + occam + float(fit[at]) + math.log(_PRIORS.get(stray, 1.0) / alike) - (math.log(other) if slips else 0.0)
            if freed and scale.kind == "unit":  # which unit is wrong shows in which slack is believable
                weight -= abs(math.log((slack + 0.005) / (filed + 0.005)))
            causes = {stray} if stray == "none of these" else {*kinds, stray, "slack" if freed and not slips else ""} - {""}
            yield _Try(kinds=frozenset(causes), scale=scale, remainder=remainder, slack_mm=slack, weight=weight, moved=moved,
                       details={kind: detail, stray: bench.strays[columns[int(np.argmax(rows[at, columns]))]][1:]})  # fmt: skip
