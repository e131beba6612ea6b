"""diagnose()."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..axis.limits import play
from ..machine.file import as_machine
from ..machine.model import Axis, Machine
from ..notes import Note, Severity, Where, merged
from ..shown import Shown
from ..units import UNIT_FACTORS, say_number
from .explain import _LARGEST_SLACK_MM, _PRIORS, _SCALES, _SURE, _TEETH, _Bench, _Floats
from .readings import _read_readings, _Series
from .weigh import _all_tries, _other_unit, _shares, _Try

if TYPE_CHECKING:
    import pandas as pd

_LEAST_READINGS = 4
_SHOWN_LIKELIHOOD = 0.02  # causes less likely than this are not listed: our choice


@dataclass(frozen=True, kw_only=True)
class Cause:
    """One cause with its likelihood (0 to 1, given the readings), its evidence and its cure, a note each.

    Where axes differ, a note for each."""

    kind: str
    axes: tuple[str, ...]
    likelihood: float
    evidence: tuple[Note, ...]
    cure: tuple[Note, ...]


@dataclass(frozen=True, kw_only=True)
class _Finding:
    """What one axis' readings say.

    `verdict` is "in order", "found" or "can't tell"; `causes` are ranked; `scale` and `slack_mm` are the figures of the best
    explanation, `best` its causes."""

    axis: str
    verdict: str
    why: Note
    causes: tuple[Cause, ...] = ()
    best: tuple[str, ...] = ()
    likelihood: float = 0.0
    scale: Fraction = Fraction(1)
    slack_mm: float
    whole_clicks: bool = False


@dataclass(frozen=True, kw_only=True, repr=False)
class Diagnosis(Shown):
    """What all readings say: each axis' finding, causes ranked over the axes they share, remarks on the table itself."""

    machine: Machine
    findings: tuple[_Finding, ...]
    causes: tuple[Cause, ...]
    remarks: tuple[Note, ...] = ()

    @property
    def verdict(self) -> str:
        """ "found" where any axis has a fault, else "can't tell" where one can't be told, else "in order"."""
        said = {finding.verdict for finding in self.findings}
        return next(word for word in ("found", "can't tell", "in order") if word in said or word == "in order")

    @property
    def notes(self) -> tuple[Note, ...]:
        """Everything to be said: what each axis shows, evidence and cure of each cause, the caution last."""
        causes = [note for cause in self.causes for note in (*cause.evidence, *cause.cure)]
        caution = Note(kind="try_after_change", severity=Severity.CAUTION)
        return (*merged(finding.why for finding in self.findings), *causes, *self.remarks, caution)

    @property
    def table(self) -> pd.DataFrame:
        """A row per axis and cause: verdict, cause and its likelihood, scale and slack of the best explanation."""
        import pandas as pd

        return pd.DataFrame([
            {"axis": one.axis, "verdict": one.verdict, "cause": cause.kind if cause else "",
             "likelihood": cause.likelihood if cause else math.nan, "scale": float(one.scale), "slack_mm": one.slack_mm}
            for one in self.findings for cause in one.causes or (None,)
        ])  # fmt: skip


def diagnose(machine: Machine | str | Path, readings: str | Path | pd.DataFrame | Iterable[Mapping[str, Any]]) -> Diagnosis:
    """Rank what may be wrong with a machine by its dial readings: a CSV file, a table, or its rows.

    One axis alone can't tell counts per detent from microsteps; two can: the knob is shared, a driver isn't. Raises
    `InputFault` with every fault of the table."""
    machine = as_machine(machine)
    series, remarks = _read_readings(machine, readings)
    names = dict.fromkeys(s.axis for s in series)
    findings = tuple(_diagnose_axis(machine, machine.axis(name), series) for name in names)
    return Diagnosis(machine=machine, findings=findings, causes=_shared_causes(findings), remarks=remarks)


def _diagnose_axis(machine: Machine, axis: Axis, series: Sequence[_Series]) -> _Finding:
    bench = _Bench(machine, axis, [s for s in series if s.axis == axis.name])
    few, short = (seen := sum(map(len, bench.read))) < _LEAST_READINGS, bench.travel_mm <= _LARGEST_SLACK_MM
    if few or _typed_movements(bench):
        why = _note(bench, "few_readings", seen=seen) if few else _note(
            bench, "movements_typed", unit=bench.unit, travel_mm=bench.travel_mm, short=short)  # fmt: skip
        return _Finding(axis=axis.name, verdict="can't tell", slack_mm=axis.slack_mm, why=why)
    return _finding(bench, tries := _all_tries(bench), _shares(tries))


def _note(bench: _Bench, kind: str, *, unit: str = "mm", severity: Severity = Severity.MIND, **figures: Any) -> Note:
    return Note(kind=kind, severity=severity, where=Where(axes=(bench.axis.name,)), figures=figures, unit=unit)


def _typed_movements(bench: _Bench) -> bool:
    """Whether readings after as many clicks back are as far from zero as those after the clicks up, throughout.

    Judged where the axis goes furthest, as slack may hide short legs. The sign of back is ignored, as people leave it out; the
    first movement up is longer than the others by the slack that they have to take up."""
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


def _finding(bench: _Bench, tries: Sequence[_Try], shares: _Floats) -> _Finding:
    sets: dict[frozenset[str], float] = {}
    for item, share in zip(tries, shares, strict=True):
        sets[item.kinds] = sets.get(item.kinds, 0.0) + float(share)
    first = sorted(sets, key=lambda kinds: -sets[kinds])[:2]
    chosen, other = (max((t for t in tries if t.kinds == kinds), key=lambda t: t.weight) for kinds in first)
    every = dict.fromkeys(kind for kinds in sets for kind in kinds if kind != "none of these")
    sure, alone = sets[chosen.kinds], {kind: sum(sets[kinds] for kinds in sets if kind in kinds) for kind in every}
    kept = (kind for kind in alone if alone[kind] >= _SHOWN_LIKELIHOOD)
    ranked = sorted(kept, key=lambda k: (k not in chosen.kinds, k not in _SCALES, -alone[k]))
    causes = tuple(_cause(bench, kind, alone[kind], tries, shares) for kind in ranked)
    if "none of these" in chosen.kinds:
        why = _note(bench, "none_of_these", tried=len(_SHOWN), likelihood_share=_rounded(sure, 2))
    elif sure < _SURE:
        odds = tuple(_rounded(sets[kinds], 2) for kinds in first)
        why = _note(bench, "causes_split", unit=bench.unit, likelihood_share=odds, **_told_apart(bench, chosen, other))
    elif chosen.kinds:
        why = _note(bench, "causes_found", causes=tuple(kind for kind in ranked if kind in chosen.kinds))
    else:
        free = bench.free_scale("carry")  # what would not have shown: a good answer says how good it is
        limit: dict[str, Any] = {} if free is None else {"limit_share": _rounded(2 * free[1], 1)}
        why = _note(bench, "readings_in_order", severity=Severity.INFO, remainders_hidden=not bench.broken, **limit)
    unknown = sure < _SURE or why.kind == "none_of_these"
    verdict = "can't tell" if unknown else "found" if chosen.kinds else "in order"
    return _Finding(
        axis=bench.axis.name, verdict=verdict, why=why, causes=causes, best=tuple(sorted(chosen.kinds - {"none of these"})),
        likelihood=sure, scale=chosen.scale.factor, slack_mm=chosen.slack_mm, whole_clicks=chosen.scale.whole_clicks,
    )  # fmt: skip


def _told_apart(bench: _Bench, one: _Try, other: _Try) -> dict[str, Any]:
    """The causes of two explanations, and the rung whose readings differ most between them, where a dial would show it."""
    first, second = ([t.scale.reads * play(x, t.slack_mm, 0.0) for x in t.moved] for t in (one, other))
    gaps = [abs(a - b)[m].max() / sigma for a, b, m, sigma in zip(first, second, bench.taken, bench.sigma, strict=True)]
    rung = {"rung_mm": float(bench.series[int(np.argmax(gaps))].gain_mm)} if max(gaps) > 2 else {}
    return {"causes": tuple(tuple(sorted(t.kinds)) for t in (one, other)), **rung}


def _rounded(value: float, digits: int) -> float:
    """A figure with the digits that are said, so that axes of which the same is said are one note."""
    return float(say_number(value, digits=digits))


def _cause(bench: _Bench, kind: str, likelihood: float, tries: Sequence[_Try], shares: _Floats) -> Cause:
    holds = [n for n, item in enumerate(tries) if kind in item.kinds]
    item = tries[max(holds, key=lambda n: shares[n])]
    evidence, cure = _SHOWN[kind](bench, item)
    name = "counts per detent" if kind.startswith("counts") and item.scale.whole_clicks else kind
    return Cause(kind=name, axes=(bench.axis.name,), likelihood=min(1.0, likelihood), evidence=(evidence,), cure=(cure,))


def _factor(bench: _Bench, item: _Try, kind: str, **figures: Any) -> Note:
    """The factor concluded, beside the one that clicks up show where no other cause hides it."""
    free, factor = bench.free_scale(item.remainder if item.scale.asked == 1 else "carry"), item.scale.factor
    ratio = str(factor) if factor.denominator < 1000 else say_number(factor, digits=5)
    seen = free is not None and (item.scale.whole_clicks or abs(free[0] - float(factor)) < max(4 * free[1], 0.03 * float(factor)))
    shown: dict[str, Any] = {"moved": _rounded(free[0], 4), "half": _rounded(2 * free[1], 1)} if free and seen else {}
    if kind != "no_usual_ratio" or not shown:
        shown["ratio"] = ratio
    return _note(bench, kind, **shown, **figures)


_Shown = tuple[Note, Note]


def _counts(bench: _Bench, item: _Try) -> _Shown:
    whole, every = item.scale.whole_clicks, {"every": str(1 / item.scale.factor)}
    evidence = _factor(bench, item, "whole_clicks_only", **every) if whole else _factor(bench, item, "alike_on_every_rung")
    return evidence, _note(bench, "check_counts" if whole else "check_microsteps", ratio=evidence.figures["ratio"])


def _unit(bench: _Bench, item: _Try) -> _Shown:
    dial = _other(bench) if _other_unit(bench.unit) == item.scale.factor else ""
    evidence = _factor(bench, item, "inches_for_mm", factor="25.4" if item.scale.factor > 1 else "1/25.4")
    return evidence, _note(bench, "check_unit", dial=dial)


def _other(bench: _Bench) -> str:
    return "inches" if bench.unit == "mm" else "mm"


def _teeth(bench: _Bench, item: _Try) -> _Shown:
    pairs = [(a, b) for a in _TEETH for b in _TEETH if Fraction(a, b) == item.scale.factor][:3]
    clicks = {max(s.up[0], s.down[0]) for s in bench.series}
    one_off = clicks == {n := min(clicks)} and abs(item.scale.factor - 1) * n == 1
    figures: dict[str, Any] = {"clicks": n} if one_off else {}
    motor = bench.axis.motor
    lead: dict[str, Any] = {} if motor is None else {"lead_mm": _rounded(float(motor.lead_mm * item.scale.factor), 4)}
    return _factor(bench, item, "tooth_ratio", **figures), _note(bench, "count_teeth", unit=bench.unit, teeth=tuple(pairs), **lead)


def _scale(bench: _Bench, item: _Try) -> _Shown:
    free = bench.free_scale(item.remainder)
    digits = 4 if free is None else max(2, math.ceil(-math.log10(free[1] / free[0])))
    steps = _rounded(float(bench.axis.steps_per_mm * UNIT_FACTORS[bench.unit] / item.scale.factor), digits)
    return _factor(bench, item, "no_usual_ratio"), _note(bench, "check_square", unit=bench.unit, steps=steps)


def _slack(bench: _Bench, item: _Try) -> _Shown:
    """The slack with no more decimals than its error leaves, but one digit at least."""
    factor = float(UNIT_FACTORS[bench.unit])
    size, error = item.slack_mm / factor, min(bench.sigma) / factor
    digits = 1 if size <= 0 else 1 + math.floor(math.log10(size)) + math.floor(-math.log10(error))
    slack, filed = _rounded(size, max(1, digits)) * factor, _rounded(bench.axis.slack_mm / factor, 3) * factor
    converted = _other(bench) if item.scale.dial else ""
    in_file: dict[str, Any] = {"filed_mm": filed} if bench.knows_slack else {}
    evidence = _note(bench, "stays_behind", unit=bench.unit, slack_mm=slack, dial=converted, **in_file)
    return evidence, _note(bench, "mend_slack", unit=bench.unit, slack_mm=slack)


def _lost(bench: _Bench, item: _Try) -> _Shown:
    steps = bench.axis.steps_per_mm * item.scale.asked
    broken = dict.fromkeys(float(s.gain_mm) for s in bench.series if (s.gain_mm * steps).denominator > 1)
    back = item.remainder == "toward zero"
    return _note(bench, "error_grows", unit=bench.unit, rungs_mm=tuple(broken), comes_back=back), _note(bench, "keep_remainders")


def _miscount(bench: _Bench, item: _Try) -> _Shown:
    turns, more = item.details["miscount"]
    return _note(bench, "clicks_miscounted", turns=turns, more=more > 0), _note(bench, "count_clicks", turns=turns)


def _one_rung(bench: _Bench, item: _Try) -> _Shown:
    gain, times = float(Fraction(item.details["one rung"][0])), item.details["one rung"][1]
    factor = float(UNIT_FACTORS[bench.unit])
    figures: dict[str, Any] = {"rung_mm": gain, "moves_mm": _rounded(gain * times / factor, 3) * factor, "unit": bench.unit}
    return _note(bench, "one_rung_off", **figures), _note(bench, "check_entry", **figures)


def _coupling(bench: _Bench, item: _Try) -> _Shown:
    when, size = item.details["slipping coupling"]
    return _note(bench, "stays_short", unit=bench.unit, when=when, about_mm=_rounded(size, 1)), _note(bench, "check_coupling")


def _eccentric(bench: _Bench, item: _Try) -> _Shown:
    turn, size = item.details["eccentric"]
    evidence = _note(bench, "comes_round", unit=bench.unit, turn_mm=float(turn), about_mm=_rounded(size, 1))
    return evidence, _note(bench, "check_run_out")


_SHOWN: Mapping[str, Callable[[_Bench, _Try], _Shown]] = {
    "counts or microsteps": _counts, "unit": _unit, "teeth": _teeth, "scale": _scale, "slack": _slack, "remainders lost": _lost,
    "miscount": _miscount, "one rung": _one_rung, "slipping coupling": _coupling, "eccentric": _eccentric,
    "direction": lambda bench, item: (_note(bench, "sign_reversed"), _note(bench, "turn_indicator")),
    "irregular": lambda bench, item: (_note(bench, "rounds_differ"), _note(bench, "look_for_slips")),
}  # fmt: skip


def _shared_causes(findings: Sequence[_Finding]) -> tuple[Cause, ...]:
    """What was concluded first, of that the scale faults, then the likelier; equally likely causes in the order of `_PRIORS`."""
    groups: dict[tuple[str, object], list[tuple[_Finding, Cause]]] = {}
    for finding in findings:
        for cause in finding.causes:
            kind = "counts or microsteps" if cause.kind.startswith("counts") else cause.kind
            tied = kind in ("counts or microsteps", "unit")  # to the same factor on all axes
            groups.setdefault((kind, finding.scale if tied else None), []).append((finding, cause))
    sure = sum(finding.verdict != "can't tell" for finding in findings)
    ranked = []
    for (kind, _), pairs in groups.items():
        cause = _merge([cause for _, cause in pairs], len(findings), sure)
        concluded = any(kind in finding.best for finding, _ in pairs)
        later = (not concluded, not (concluded and kind in _SCALES), -round(cause.likelihood, 2), [*_PRIORS].index(kind))
        ranked.append((later, cause))
    return tuple(cause for _, cause in sorted(ranked, key=lambda pair: pair[0]))


def _merge(causes: Sequence[Cause], measured: int, sure: int) -> Cause:
    first = max(causes, key=lambda cause: cause.likelihood)
    where = Where(axes=tuple(name for cause in causes for name in cause.axes))
    evidence, cure = (merged(note for cause in causes for note in getattr(cause, name)) for name in ("evidence", "cure"))
    kind = first.kind
    if kind.startswith("counts") and measured > 1 and sure > 1:
        shared = len(causes) == measured
        kind = "counts per detent" if shared else "microsteps" if kind == "counts or microsteps" else kind
        more, mend = ("knob_is_shared", "mend_counts") if shared else ("knob_is_well", "mend_microsteps")
        if shared or kind == "microsteps":
            evidence += (Note(kind=more, severity=Severity.MIND, where=where),)
            cure = (Note(kind=mend, severity=Severity.MIND, where=where),)
    return Cause(kind=kind, axes=where.axes, likelihood=first.likelihood, evidence=evidence, cure=cure)
