"""diagnose(): what is wrong, how sure, and what to do."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from ..machine.model import Axis, Machine
from ..units import UNIT_FACTORS, say_distance, say_number
from .explain import LARGEST_SLACK_MM, SCALES, SURE, TEETH, Bench, Cause, Finding, Floats, Try, all_tries, other_unit
from .readings import Series


def diagnose_axis(machine: Machine, axis: Axis, series: Sequence[Series]) -> Finding:
    """What the readings of one axis say: causes ranked, with evidence, or "can't tell"."""
    bench = Bench(machine, axis, [s for s in series if s.axis == axis.name])
    if bench.count < 4:
        why = f"{bench.count} readings are too few: take at least up and back twice on one rung"
        return _nothing(axis, why)
    if _typed_movements(bench):
        return _nothing(axis, _movement_words(bench))
    tries = all_tries(bench)
    weights = np.array([t.weight for t in tries])
    shares = np.exp(weights - np.logaddexp.reduce(weights))
    sets: dict[frozenset[str], float] = {}
    for item, share in zip(tries, shares, strict=True):
        sets[item.kinds] = sets.get(item.kinds, 0.0) + float(share)
    best = max(sets, key=lambda kinds: sets[kinds])
    chosen = max((t for t in tries if t.kinds == best), key=lambda t: t.weight)
    return _finding(machine, bench, chosen, sets, tries, shares)


def _typed_movements(bench: Bench) -> bool:
    """Whether readings after as many clicks back are as far from zero as those after the clicks up, throughout.

    Judged where the axis goes furthest, as slack may hide short legs. The sign of back is ignored, as people
    leave it out; the first movement up is longer than the others by the slack that they have to take up.
    """
    legs = []
    for series, values, mask in zip(bench.series, bench.read, bench.taken, strict=True):
        net = (np.array(series.up) - np.array(series.down))[mask]
        top, zero = values[net == net.max()], np.abs(values[net == 0])
        if net.max() > 0 and len(zero) and len(top):
            legs.append((abs(float(np.median(top))), top, zero))
    if not legs:
        return False
    _, top, zero = max(legs, key=lambda leg: leg[0])
    later = top[1:] if len(top) > 1 else top
    up = float(np.median(later)) or math.nan
    steady = np.ptp(later) < 0.3 * abs(up) and 0.8 < top[0] / up < 2.0
    return bool(steady and zero.min() > 0.6 * abs(up) and zero.max() < 1.2 * abs(up))


def _movement_words(bench: Bench) -> str:
    travel = say_distance(bench.travel_mm, bench.unit, digits=2)
    longer = "" if bench.travel_mm > LARGEST_SLACK_MM else f" (or slack is longer than {travel}: read a longer rung too)"
    return (
        "these look like movements, not dial positions: back reads as much as up. Set to zero once per rung, "
        f"don't zero in between, and read what the dial shows{longer}; nothing else is concluded from this axis"
    )


def _nothing(axis: Axis, why: str) -> Finding:
    return Finding(
        axis=axis.name, verdict="can't tell", why=why, causes=(), best=(), likelihood=0.0, scale=Fraction(1),
        slack_mm=axis.slack_mm, whole_clicks=False,
    )  # fmt: skip


def _finding(
    machine: Machine, bench: Bench, chosen: Try, sets: Mapping[frozenset[str], float],
    tries: Sequence[Try], shares: Floats,
) -> Finding:  # fmt: skip
    sure = sets[chosen.kinds]
    alone: dict[str, float] = {}
    for kinds, share in sets.items():
        for kind in kinds:
            alone[kind] = alone.get(kind, 0.0) + share
    kept = (k for k in alone if alone[k] >= 0.02)
    ranked = sorted(kept, key=lambda k: (k not in chosen.kinds, k not in SCALES, -alone[k]))
    causes = tuple(_cause(machine, bench, kind, alone[kind], tries, shares) for kind in ranked)
    verdict, why = "found", " and ".join(kind for kind in ranked if kind in chosen.kinds)
    if not chosen.kinds:
        verdict, why = "in order", _in_order_words(bench)
    if sure < SURE:
        verdict, why = "can't tell", _split_words(sets)
    return Finding(
        axis=bench.axis.name, verdict=verdict, why=why, causes=causes, best=tuple(sorted(chosen.kinds)),
        likelihood=sure, scale=chosen.scale.factor, slack_mm=chosen.slack_mm,
        whole_clicks=chosen.scale.whole_clicks,
    )  # fmt: skip


def _in_order_words(bench: Bench) -> str:
    """That all is well, and what would not have shown: a good answer says how good it is."""
    free = bench.free_scale("carry")
    limit = "" if free is None else f"; a factor within {say_number(200 * free[1], digits=1)} % of 1 would not show"
    return f"every reading is where it should be{limit}{_unseen(bench)}"


def _unseen(bench: Bench) -> str:
    whole = all((s.gain_mm * bench.axis.steps_per_mm).denominator == 1 for s in bench.series)
    return "; whether remainders are kept can't be seen here, as every rung is whole motor steps" if whole else ""


def _split_words(sets: Mapping[frozenset[str], float]) -> str:
    first = sorted(sets, key=lambda kinds: -sets[kinds])[:2]
    shown = " or ".join(
        f"{' and '.join(sorted(kinds)) or 'nothing wrong'} ({say_number(100 * sets[kinds], digits=2)} %)" for kinds in first
    )
    return f"the readings fit {shown}: take more rounds, or a rung with more travel"


def _cause(machine: Machine, bench: Bench, kind: str, likelihood: float, tries: Sequence[Try], shares: Floats) -> Cause:
    holds = [n for n, item in enumerate(tries) if kind in item.kinds]
    item = tries[max(holds, key=lambda n: shares[n])]
    evidence, cure = _WORDS[kind](machine, bench, item)
    name = "counts per detent" if kind.startswith("counts") and item.scale.whole_clicks else kind
    return Cause(kind=name, axes=(bench.axis.name,), likelihood=min(1.0, likelihood), evidence=(evidence,), cure=(cure,))


def _scale_words(bench: Bench, item: Try) -> str:
    """The factor that clicks up show, or the one concluded where other causes hide it."""
    free = bench.free_scale(item.remainder if item.scale.asked == 1 else "carry")
    share = float(item.scale.factor)
    if free is None or not (item.scale.whole_clicks or abs(free[0] - share) < max(4 * free[1], 0.03 * share)):
        return f"with the other causes allowed for, clicks move {_ratio(item.scale.factor)} of what they should"
    return f"clicks up move {say_number(free[0], digits=4)} ± {say_number(2 * free[1], digits=1)} of what they should"


def _measured(size_mm: float, error_mm: float, unit: str) -> str:
    """A measured distance in a unit, with no more decimals than its error leaves, but one digit at least."""
    size, error = (v / float(UNIT_FACTORS[unit]) for v in (size_mm, error_mm))
    digits = 1 if size <= 0 else 1 + math.floor(math.log10(size)) + math.floor(-math.log10(error))
    return say_distance(size_mm, unit, digits=max(1, digits))


def _ratio(factor: Fraction) -> str:
    return str(factor) if factor.denominator < 1000 else say_number(factor, digits=5)


def _say_counts(machine: Machine, bench: Bench, item: Try) -> tuple[str, str]:
    ratio = _ratio(item.scale.factor)
    if item.scale.whole_clicks:
        text = f"{_scale_words(bench, item)}, in whole clicks only: 1 click of every {1 / item.scale.factor} counts"
        return text, f"counts per detent: the knob makes {ratio} of the counts the file says"
    text = f"{_scale_words(bench, item)}, alike on every rung: {ratio}"
    return text, f"microsteps on {bench.axis.name}, or counts per detent (then every axis shows it): a factor {ratio}"


def _say_unit(machine: Machine, bench: Bench, item: Try) -> tuple[str, str]:
    word = "25.4" if item.scale.factor > 1 else "1/25.4"
    dial = other_unit(bench.unit) == item.scale.factor
    other = "inches" if bench.unit == "mm" else "mm"
    cure = "a setting in inches where mm are meant, or the other way round"
    return f"{_scale_words(bench, item)}: {word}", cure + (f"; or the dial itself reads {other}" if dial else "")


def _say_teeth(machine: Machine, bench: Bench, item: Try) -> tuple[str, str]:
    ratio = item.scale.factor
    pairs = [(a, b) for a in TEETH for b in TEETH if Fraction(a, b) == ratio]
    shown = " or ".join(f"{a} teeth where {b} are assumed" for a, b in pairs[:3])
    return f"{_scale_words(bench, item)}: {_ratio(ratio)}, a ratio of tooth counts", f"count the teeth: {shown}"


def _say_direction(machine: Machine, bench: Bench, item: Try) -> tuple[str, str]:
    return "every reading has the other sign", "turn the indicator round, or the axis runs backwards"


def _say_scale(machine: Machine, bench: Bench, item: Try) -> tuple[str, str]:
    free, unit = bench.free_scale(item.remainder), bench.unit
    digits = 4 if free is None else max(2, math.ceil(-math.log10(free[1] / free[0])))
    steps = say_number(bench.axis.steps_per_mm * UNIT_FACTORS[unit] / item.scale.factor, digits=digits)
    text = f"{_scale_words(bench, item)}, and no usual ratio fits"
    cure = f"is the indicator square to the axis? If so, steps would be {steps} per {unit}: measure over more travel"
    return text, cure


def _say_slack(machine: Machine, bench: Bench, item: Try) -> tuple[str, str]:
    found = _measured(item.slack_mm, min(bench.sigma), bench.unit)
    filed = say_distance(bench.axis.slack_mm, bench.unit, digits=3)
    taken = f", the dial's {'inches' if bench.unit == 'mm' else 'mm'} converted" if item.scale.dial else ""
    return (
        f"after each reversal the readings stay {found} behind, on every rung alike (file {filed}{taken})",
        f'put slack = "{found}" into the file, or mend nut, belt or bearing; touch off from one side',
    )


def _say_lost(machine: Machine, bench: Bench, item: Try) -> tuple[str, str]:
    unit, steps = bench.unit, bench.axis.steps_per_mm * item.scale.asked
    broken = [s for s in bench.series if (s.gain_mm * steps).denominator > 1]
    rungs = ", ".join(dict.fromkeys(say_distance(s.gain_mm, unit) for s in broken))
    grows = "the error grows click by click, and whole-step rungs show none"
    way = "and comes back with the clicks" if item.remainder == "toward zero" else "and goes on growing on the way back"
    return f"{grows}: only {rungs} per click fall{'s' if len(broken) == 1 else ''} short, {way}", _LOST_CURE


_LOST_CURE = 'firmware: remainder = "drop"; choose rungs that are whole motor steps'


def _say_irregular(machine: Machine, bench: Bench, item: Try) -> tuple[str, str]:
    return (
        "rounds that should read alike differ by more than indicator and motor explain, without a pattern",
        "lost steps (lower ramp or speed, more current) or a loose clamp, coupling or indicator foot",
    )


_WORDS = {
    "counts or microsteps": _say_counts, "unit": _say_unit, "teeth": _say_teeth, "direction": _say_direction,
    "scale": _say_scale, "slack": _say_slack, "remainders lost": _say_lost, "irregular": _say_irregular,
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Diagnosis:
    """What all readings say: each axis' finding, and causes ranked over the axes they share."""

    machine: str
    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]

    @property
    def verdict(self) -> str:
        """ "found" where any axis has a fault, else "can't tell" where one can't be told, else "in order"."""
        said = {finding.verdict for finding in self.findings}
        return next(word for word in ("found", "can't tell", "in order") if word in said or word == "in order")


def diagnose_readings(machine: Machine, series: Sequence[Series]) -> Diagnosis:
    """Rank what may be wrong with a machine by its dial readings (see this module's table).

    One axis alone can't tell counts per detent from microsteps; two can: the knob is shared, a driver isn't.

    >>> from jogtune.machine.file import read_machine
    >>> from .readings import readings_from_rows
    >>> machine = read_machine("datasets/machines/inlay_router.toml")
    >>> turned = ((0, 0), (10, 0.5), (-10, 0.05), (10, 0.5), (-10, 0.05))
    >>> rows = [dict(axis="X", unit="mm", gain="0.1", detents=n, reading=r) for n, r in turned]
    >>> found = diagnose_readings(machine, readings_from_rows(rows, machine))
    >>> found.verdict, found.causes[0].kind
    ('found', 'counts or microsteps')
    """
    names = list(dict.fromkeys(s.axis for s in series))
    findings = tuple(diagnose_axis(machine, machine.axis(name), series) for name in names)
    causes = _shared_causes(findings)
    return Diagnosis(machine=machine.name, findings=findings, causes=causes)


def _shared_causes(findings: Sequence[Finding]) -> tuple[Cause, ...]:
    groups: dict[tuple[str, object], list[tuple[Finding, Cause]]] = {}
    for finding in findings:
        for cause in finding.causes:
            tied = cause.kind.startswith("counts") or cause.kind == "unit"
            key = "counts or microsteps" if cause.kind.startswith("counts") else cause.kind
            groups.setdefault((key, finding.scale if tied else None), []).append((finding, cause))
    sure = [finding for finding in findings if finding.verdict != "can't tell"]
    ranked = []
    for (kind, _), pairs in groups.items():
        cause = _merge(pairs, len(findings), len(sure))
        concluded = any(kind in finding.best for finding, _ in pairs)
        later = (not concluded, not (concluded and kind in SCALES), -round(cause.likelihood, 2))
        ranked.append(((*later, _ORDER.index(cause.kind)), cause))
    return tuple(cause for _, cause in sorted(ranked, key=lambda pair: pair[0]))


# what was concluded first, of that the scale faults, then the likelier; equally likely causes in this order
_ORDER = (
    "counts per detent", "microsteps", "counts or microsteps", "unit", "teeth", "direction", "scale", "irregular",
    "remainders lost", "slack",
)  # fmt: skip


def _merge(pairs: Sequence[tuple[Finding, Cause]], measured: int, sure: int) -> Cause:
    first = max((cause for _, cause in pairs), key=lambda cause: cause.likelihood)
    axes = tuple(finding.axis for finding, _ in pairs)
    kind = first.kind
    evidence = _lines([(finding.axis, cause.evidence) for finding, cause in pairs])
    cure = _lines([(finding.axis, cause.cure) for finding, cause in pairs])
    if kind.startswith("counts") and measured > 1 and sure > 1:
        shared = len(pairs) == measured
        kind = "counts per detent" if shared else "microsteps" if kind == "counts or microsteps" else kind
        if shared:
            evidence += ("every axis measured shows it, and they share the knob",)
            cure = ("counts per detent in the file, or in the firmware",)
        elif kind == "microsteps":
            evidence += ("the other axes measured don't show it, so it isn't the knob",)
            cure = (f"microsteps set on {', '.join(axes)}'s driver",)
    return Cause(kind=kind, axes=axes, likelihood=first.likelihood, evidence=evidence, cure=cure)


def _lines(said: Sequence[tuple[str, tuple[str, ...]]]) -> tuple[str, ...]:
    """What is said of each axis, a line each; alike for all, once without names."""
    groups: dict[str, list[str]] = {}
    for axis, lines in said:
        for line in lines:
            groups.setdefault(line, []).append(axis)
    return tuple(groups) if len(groups) == 1 else tuple(f"{', '.join(axes)}: {line}" for line, axes in groups.items())
