"""Measured: what a log says."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import pandas as pd

from ..logs.log import RowCount
from ..machine.model import Machine
from ..notes import Note, Severity, Where
from ..shown import Shown
from .bursts import _Thresholds
from .figure import Figure
from .rests import _AxisFigures
from .script import _ramp_notes
from .tune import _Ramp
from .use import _use_notes

_GAIN_OFF_SHARE = 0.002  # a real distance per click nearer than this is not worth a note: our choice
_CEILING_SHARE = 0.1  # more of the turning above what the axis follows is worth a note: our choice
_RAMP_OFF_SHARE = 0.1  # a ramp nearer to the file's is not worth a note: our choice
_CLAIMS = ("effective gain", "backlash", "mechanical run-on", "delay")
"""What is concluded of the machine, where its position was measured."""


@dataclass(frozen=True, kw_only=True)
class RungFigures:
    """What was done on one rung, and what came of it.

    `time_share` is the share of the time it was selected, `at_ceiling_share` that of the turning time in which the hand outran the
    axis; turn rates are those of bursts [detents/s]. `run_on_mm`: the median way after the last click (None where the position
    doesn't show it). `overshoots`: bursts that passed their goal. `effective_gain_mm`, per axis, is the real distance."""

    gain_mm: float
    time_share: float
    detents: int
    distance_mm: float
    bursts: int
    turn_rate_median: Figure
    turn_rate_p95: Figure
    at_ceiling_share: float | None
    run_on_mm: float | None
    overshoots: int | None
    reversals: int
    detents_by_axis: Mapping[str, int]
    effective_gain_mm: Mapping[str, Figure]


@dataclass(frozen=True, kw_only=True, repr=False)
class Measured(Shown):
    """Everything a log says; see `RungFigures` and `_AxisFigures`.

    `tasks` has one row per task (see `_find_tasks`), with distance_mm, time_s (from goal to rest), wait_s (from goal to first
    click), error_mm, overshoot, path_efficiency. `hand` holds the person's figures by the names of `Hand`, `refused` the claims
    on the machine that the log can't bear. `smoothness` has a row per move, or none. `misread`: rows whose position was left out.
    `ramp`: what a log of the script (see `script_notes`) shows of an axis and its firmware. `use`: see `_find_use`."""

    machine: Machine
    source: str
    simulated: bool
    position_kind: str | None
    rows: int
    duration_s: float
    rungs: tuple[RungFigures, ...]
    axes: Mapping[str, _AxisFigures]
    delay_s: Figure
    ramps_mm_s2: Mapping[str, Figure]
    turn_rate_median: Figure
    turn_rate_p95: Figure
    hand: Mapping[str, Figure]
    tasks: pd.DataFrame = field(repr=False)
    throughput: pd.DataFrame = field(repr=False)
    bursts: pd.DataFrame = field(repr=False)
    moves: pd.DataFrame = field(repr=False)
    refused: tuple[str, ...] = ()
    why_refused: Note | None = None
    thresholds: _Thresholds = field(default_factory=_Thresholds)
    count: RowCount
    smoothness: pd.DataFrame = field(repr=False)
    smoothness_why: Note | None = None
    misread: pd.DataFrame = field(repr=False)
    ramp: _Ramp | None = None
    use: pd.DataFrame = field(repr=False)

    @property
    def findings(self) -> tuple[Note, ...]:
        """What is worth acting on: where the machine is not as its file says, and where the hand outran it."""
        return tuple(_findings(self))

    @property
    def remarks(self) -> tuple[Note, ...]:
        """What was doubtful about the log itself."""
        return tuple(_remarks(self))

    @property
    def use_notes(self) -> tuple[Note, ...]:
        """What to change of the ladder first, and whether clicks came too fast; nothing of a script, which asks for it,
        or where more distances were used than the selector has."""
        told = len(self.bursts) and len(self.use) <= self.machine.selector.positions and self.ramp is None
        return tuple(_use_notes(self.use, len(self.tasks), self.machine.show_in)) if told else ()

    @property
    def notes(self) -> tuple[Note, ...]:
        """Everything to be said: the caution last."""
        refused = () if self.why_refused is None else (self.why_refused,)
        simulated = (Note(kind="log_simulated", severity=Severity.MIND),) if self.simulated else ()
        caution = Note(kind="past_turning", severity=Severity.CAUTION)
        return (*self.findings, *self.use_notes, *refused, *simulated, *self.remarks, caution)

    @property
    def table(self) -> pd.DataFrame:
        """A row per rung and axis turned: clicks, how fast, the real distance per click and the slack with intervals."""
        return pd.DataFrame([self._row(rung, name) for rung in self.rungs for name in rung.detents_by_axis or [""]])

    @property
    def tasks_to_fit(self) -> pd.DataFrame:
        """The task table that `fit_hand` takes: distance_mm, tolerance_mm, time_s, gains_mm, and person, axis, marker, began_s.

        One row per task with a known goal within reach that ended within its tolerance; the ladder is the rungs used."""
        tasks = self.tasks
        # a good end may be read out of the tolerance: by half a step of the readout, and by noise
        noise = self.bursts["rest_noise_mm"].median() if "rest_noise_mm" in self.bursts else 0.0
        slip = float(self.machine.readout.step_mm) / 2 + (4 * float(noise) if noise > 0 else 0.0) + 1e-9
        reach = tasks["axis"].map({one.name: one.reach_mm for one in self.machine.axes}).astype(float)
        good = tasks["goal_mm"].notna() & (tasks["tolerance_mm"] > 0) & (tasks["distance_mm"] > tasks["tolerance_mm"] / 2)
        good &= (tasks["distance_mm"] <= 1.05 * reach) & ~(tasks["error_mm"].abs() > tasks["tolerance_mm"] / 2 + slip)
        columns = ["distance_mm", "tolerance_mm", "time_s", "person", "axis", "marker", "began_s"]
        kept = tasks.assign(began_s=tasks["shown_s"]).loc[good & (tasks["time_s"] > 0), columns]
        return kept.reset_index(drop=True).assign(gains_mm=" ".join(str(rung.gain_mm) for rung in self.rungs))

    def _row(self, rung: RungFigures, name: str) -> dict[str, object]:
        gain, axis = rung.effective_gain_mm.get(name), self.axes.get(name)
        return {
            "gain_mm": rung.gain_mm, "axis": name, "detents": rung.detents_by_axis.get(name, 0), "time_share": rung.time_share,
            **rung.turn_rate_median.columns("turn_rate", "_detents_s"), "at_ceiling_share": rung.at_ceiling_share,
            "run_on_mm": rung.run_on_mm, "overshoots": rung.overshoots, "reversals": rung.reversals,
            **(gain or Figure(value=None)).columns("real", "_mm"),
            **(axis.slack_mm if axis else Figure(value=None)).columns("slack", "_mm"),
        }  # fmt: skip


def _refusal(kind: str | None, has_position: bool) -> Note | None:
    """Why nothing is concluded of the machine; None where its position was measured."""
    if kind == "measured" and has_position:
        return None
    known = {"commanded": "position_commanded", "counted": "position_counted"}.get(kind or "", "position_unknown")
    return Note(kind=known if has_position else "no_position", severity=Severity.MIND)


def _findings(found: Measured) -> Iterator[Note]:
    machine, delay = found.machine, found.delay_s
    for name, axis in found.axes.items():
        where, unit = Where(axes=(name,)), machine.shown_unit(machine.axis(name))
        if off := _gain_off(axis):
            yield Note(kind="gain_off", severity=Severity.MIND, where=where, figures=off, unit=unit)
        slack, filed = axis.slack_mm, machine.axis(name).slack_mm
        in_file = {"filed_mm": filed} if machine.knows(name, "slack_mm") else {}
        if slack.known and not (in_file and slack.holds(filed)):
            figures = {"slack_mm": slack.value, "low_mm": slack.low, "high_mm": slack.high, **in_file}
            yield Note(kind="slack_off", severity=Severity.MIND, where=where, figures=figures, unit=unit)
        if axis.wanders:
            yield Note(kind="position_lost", severity=Severity.CAUTION, where=where)
        ramp, says = found.ramps_mm_s2.get(name), machine.axis(name).ramp_mm_s2 if machine.knows(name, "ramp_mm_s2") else None
        if ramp and ramp.value and not (says and (ramp.holds(says) or abs(ramp.value / says - 1) < _RAMP_OFF_SHARE)):
            told = {"measured_mm_s2": ramp.value, "low_mm_s2": ramp.low, "high_mm_s2": ramp.high}
            told |= {"filed_mm_s2": says} if says else {}
            yield Note(kind="file_off", severity=Severity.MIND, where=where, figures={"key": "ramp", **told}, unit=unit)
    yield from [delay.why] if delay.known and delay.why else []
    if delay.low is not None and delay.low > machine.link.delay_s:
        figures = {"delay_s": delay.value, "filed_s": machine.link.delay_s}
        yield Note(kind="delay_late", severity=Severity.MIND, figures=figures)
    for rung in found.rungs if found.ramp is None else ():  # the script asks for it
        if rung.at_ceiling_share is not None and rung.at_ceiling_share > _CEILING_SHARE:
            figures = {"gain_mm": rung.gain_mm, "outrun_share": rung.at_ceiling_share}
            yield Note(kind="axis_outrun", severity=Severity.MIND, figures=figures, unit=machine.show_in)
    if found.ramp is not None:
        gains = found.bursts.loc[found.bursts["axis"] == found.ramp.axis, "gain_mm"].unique()
        yield from _ramp_notes(machine, found.ramp, [float(gain) for gain in gains])


def _gain_off(axis: _AxisFigures) -> dict[str, float]:
    """The surest rung whose real distance per click differs by more than 0.2 % and more than its interval."""
    known = {gain: (f.value, f.low, f.high) for gain, f in axis.effective_gain_mm.items()
             if f.value and f.low is not None and f.high is not None and not f.holds(gain)}  # fmt: skip
    off = {gain: figure for gain, figure in known.items() if abs(figure[0] / gain - 1) >= _GAIN_OFF_SHARE}
    if not off:
        return {}
    gain = min(off, key=lambda g: (off[g][2] - off[g][1]) / g)
    value, _, high = off[gain]
    return {"gain_mm": gain, "real_mm": value, "half_mm": high - value, "other_rungs": len(off) - 1}


def _remarks(found: Measured) -> Iterator[Note]:
    yield from found.count.notes
    for name, cells in found.misread.groupby("axis", sort=False):
        figures = {"times": len(cells), "first_s": cells["time_s"].iloc[0], "read_mm": cells["position_mm"].iloc[0]}
        unit = found.machine.shown_unit(found.machine.axis(str(name)))
        yield Note(kind="misread", severity=Severity.MIND, where=Where(axes=(str(name),)), figures=figures, unit=unit)
    for name, axis in found.axes.items():
        if axis.jumps_s:
            figures = {"times": len(axis.jumps_s), "first_s": axis.jumps_s[0]}
            yield Note(kind="moved_alone", severity=Severity.MIND, where=Where(axes=(name,)), figures=figures)
    if not len(found.bursts):
        yield Note(kind="nobody_turned", severity=Severity.MIND)
