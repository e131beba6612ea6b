"""Two logs of a machine: what changed."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..files import Fault, InputFault
from ..logs.log import Log
from ..logs.map import LogMap
from ..machine.file import as_machine
from ..machine.model import Machine
from ..notes import Note, Severity, Where
from ..shown import Shown
from .figure import Figure, _mean_figure, _t95
from .measure import measure
from .measured import Measured

_CLAIMED = {
    "slack": ("_mm", "_mm", 1.0), "click": ("_mm", "_share", 0.01), "delay": ("_s", "_s", 0.010), "task": ("_s", "_share", 0.15),
    "turn_rate": ("_detents_s", "_share", 0.15),
}  # fmt: skip
"""What may change -> its unit, that of its change, and the change worth knowing (our choice; of slack in finest moves)."""
_OF_PEOPLE = ("task", "turn_rate")
_FAR = 2.5  # times so many deviations from the usual are drawn in, or a distracted task would hide the rest: our choice


@dataclass(frozen=True, kw_only=True, repr=False)
class _Since(Shown):
    """What changed from one log of a machine to another: `claims`, what changed first. Their intervals hold at 95 % for all those
    of the machine at once, and for both of people. Unchanged: by no more than is worth knowing."""

    machine: Machine
    before: Measured
    after: Measured
    claims: tuple[Note, ...]

    @property
    def notes(self) -> tuple[Note, ...]:
        """The claims, what limits them, and the caution last."""
        logs = self.before, self.after
        refused = (replace(log.why_refused, where=Where(source=log.source)) for log in logs if log.why_refused)
        simulated = [Note(kind="logs_simulated", severity=Severity.MIND)] if any(log.simulated for log in logs) else []
        caution = Note(kind="past_turning", severity=Severity.CAUTION)
        return (*self.claims, *refused, Note(kind="since_limits", severity=Severity.MIND), *simulated, caution)

    @property
    def table(self) -> pd.DataFrame:
        """A row per claim: before and after [mm, s, detents/s], change, low, high [shares, but mm of slack, s of delay]."""
        rows = [{name.partition("_")[0]: value for name, value in claim.figures.items()} | {
            "axis": "".join(claim.where.axes), "verdict": claim.kind.removeprefix("since_")} for claim in self.claims]  # fmt: skip
        columns = ["what", "axis", "gain", "before", "after", "change", "low", "high", "verdict"]
        return pd.DataFrame(rows, columns=columns).rename(columns={"gain": "gain_mm"})


def compare_since(
    machine: Machine | str | Path, before: str | Path | Log, after: str | Path | Log,
    columns: Sequence[LogMap | str | Path | None] = (None, None), *, progress: bool = False,
) -> _Since:  # fmt: skip
    """Hold two logs of a machine against each other, `columns` their maps. Raises `InputFault` as `measure` does."""
    machine = as_machine(machine)
    if not isinstance(before, Log) and not isinstance(after, Log) and Path(before).resolve() == Path(after).resolve():
        raise InputFault(str(after), [Fault(rule="is both before and after", cure="give two logs")])
    one, other = (measure(machine, log, columns=its, progress=progress) for log, its in zip((before, after), columns, strict=True))
    pairs = list(_pairs(one, other))
    of_machine = sum(what not in _OF_PEOPLE and a.known and b.known for what, *_, a, b in pairs)
    claims = [_claim(machine, *pair, 2 if pair[0] in _OF_PEOPLE else of_machine) for pair in pairs]
    claims.sort(key=lambda note: ["since_changed", "since_unchanged", "since_unclear"].index(note.kind))
    return _Since(machine=machine, before=one, after=other, claims=tuple(claims))


def _pairs(before: Measured, after: Measured) -> Iterator[tuple[str, str, float | None, Figure, Figure]]:
    """What, on which axis and rung, then and now."""
    for name, one, other in ((name, one, after.axes[name]) for name, one in before.axes.items() if name in after.axes):
        yield "slack", name, None, one.slack_mm, other.slack_mm
        for gain in sorted(one.effective_gain_mm.keys() & other.effective_gain_mm.keys()):
            yield "click", name, gain, one.effective_gain_mm[gain], other.effective_gain_mm[gain]
    if not before.refused and not after.refused:
        yield "delay", "", None, before.delay_s, after.delay_s
    yield ("task", "", None, *_task_times(before, after))
    yield "turn_rate", "", None, before.turn_rate_median, after.turn_rate_median


def _task_times(before: Measured, after: Measured) -> tuple[Figure, Figure]:
    """What a typical task takes in each log [s], had tasks and axes been alike, by those people who are in both; means of
    logarithms, far ones drawn in."""
    both = pd.concat([one.tasks_to_fit.assign(log=n) for n, one in enumerate((before, after))]).fillna({"person": ""})
    both = both.loc[both.groupby("person")["log"].transform("nunique") == 2].reset_index(drop=True)
    hard = np.log2(both["distance_mm"] / both["tolerance_mm"] + 1)
    beside = pd.get_dummies(both[["axis", "person"]].astype(str), drop_first=True, dtype=float)
    beside = beside.assign(hard=hard, square=(hard - hard.mean()) ** 2, far=np.log(both["distance_mm"]))
    x = np.column_stack([both["log"] == 0, both["log"] == 1, beside - beside.mean()]).astype(float)
    y = np.log(both["time_s"].to_numpy(float))
    alike = pd.Series(y - x[:, 2:] @ np.linalg.lstsq(x, y, rcond=None)[0][2:])
    usual = alike.groupby(both["log"]).transform("median")
    far = _FAR * 1.4826 * (alike - usual).abs().groupby(both["log"]).transform("median")
    first, second = (_mean_figure(alike.clip(usual - far, usual + far)[both["log"] == n]) for n in (0, 1))
    return _raised(first), _raised(second)


def _raised(one: Figure) -> Figure:
    value, low, high = (None if ln is None else math.exp(ln) for ln in (one.value, one.low, one.high))
    return replace(one, value=value, low=low, high=high)


def _claim(machine: Machine, what: str, axis: str, gain: float | None, before: Figure, after: Figure, claims: int) -> Note:
    """One claim, its interval widened for as many (Bonferroni); degrees of freedom are taken for a third of what was seen."""
    from scipy.special import stdtrit

    unit, of, worth = _CLAIMED[what]
    figures: dict[str, Any] = {"what": what, "gain_mm": gain, f"before{unit}": before.value, f"after{unit}": after.value}
    kind, where = "since_unclear", Where(axes=(axis,) if axis else ())
    if before.known and after.known:
        ends = np.array([[one.value, one.low, one.high] for one in (before, after)], dtype=float)
        ends = np.log(ends) if of == "_share" else ends
        freedom = np.maximum(np.array([before.count, after.count]) / 3, 3.0)
        squares = ((ends[:, 2] - ends[:, 1]) / 2 / [_t95(one) for one in freedom]) ** 2 + 1e-24
        half = stdtrit(squares.sum() ** 2 / (squares**2 / freedom).sum(), 1 - 0.025 / claims) * math.sqrt(squares.sum())
        change, low, high = (ends[1, 0] - ends[0, 0] + half * np.array([0, -1, 1])).tolist()
        change, low, high = (math.expm1(one) if of == "_share" else one for one in (change, low, high))
        within = worth * (float(machine.axis(axis).finest_mm) if what == "slack" else 1.0)
        kind = "since_changed" if low > 0 or high < 0 else "since_unchanged" if max(-low, high) <= within else kind
        figures |= {f"change{of}": change, f"low{of}": low, f"high{of}": high, f"most{of}": max(-low, high)}
    else:
        figures["why"] = before.why or after.why
    shown = machine.shown_unit(machine.axis(axis)) if axis else machine.show_in
    told = {name: value for name, value in figures.items() if value is not None}
    return Note(kind=kind, severity=Severity.MIND, where=where, figures=told, unit=shown)
