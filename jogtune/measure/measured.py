"""What a log says: figures per rung, axis, task and of the hand."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from ..ladder.ladder import Ladder
from ..logs.log import RowCount
from ..machine.model import Machine
from ..units import say_distance, say_number
from .bursts import Thresholds
from .figure import Figure
from .rests import AxisFigures

MOST_LANES = 1000  # bursts looked at for the delay: more would not make it surer
CAUTION = (
    "The figures here tell what was; they are no release to go faster: the machine's manual, its risk assessment and "
    "local rules come first, with a hard-wired stop within reach."
)
"""What is said beside measured figures."""


@dataclass(frozen=True, kw_only=True)
class RungFigures:
    """What was done on one rung, and what came of it.

    `time_share` is the share of the time it was selected; `detents` counts clicks both ways, `distance_mm` their
    way; turn rates are those of bursts [detents/s]. `at_ceiling_share`: share of the turning time in which the
    hand turned faster than the axis can follow. `run_on_mm`: the median way after the last click (None where the
    position doesn't show it). `overshoots` and `reversals`: bursts that passed their goal, changes of direction.
    `effective_gain_mm` per axis: real distance per click.
    """

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

    @property
    def main_axis(self) -> str:
        """The axis with most clicks on this rung."""
        return max(self.detents_by_axis, key=lambda name: self.detents_by_axis[name])


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Everything a log says; see `RungFigures` and `AxisFigures`.

    `tasks` has one row per task (see `find_tasks`), with distance_mm, time_s (from goal to rest), wait_s (from
    goal to first click), error_mm, overshoot, path_efficiency. `hand` holds the person's figures by the names of
    `Hand`, `refused` pairs of claim and reason, `findings` what is worth acting on. `count` says how many rows of the
    file were left out. `smoothness` has a row per move (see `standards.smoothness`), or none, and `smoothness_why`.
    """

    machine: Machine
    source: str
    simulated: bool
    position_kind: str | None
    rows: int
    duration_s: float
    rungs: tuple[RungFigures, ...]
    axes: Mapping[str, AxisFigures]
    delay_s: Figure
    turn_rate_median: Figure
    turn_rate_p95: Figure
    hand: Mapping[str, Figure]
    tasks: pd.DataFrame = field(repr=False)
    throughput: pd.DataFrame = field(repr=False)
    bursts: pd.DataFrame = field(repr=False)
    moves: pd.DataFrame = field(repr=False)
    refused: tuple[tuple[str, str], ...] = ()
    findings: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    thresholds: Thresholds = field(default_factory=Thresholds)
    count: RowCount
    smoothness: pd.DataFrame = field(repr=False)
    smoothness_why: str = ""


def fit_table(found: Measured, *, ladder: Ladder | None = None, axis: str | None = None) -> pd.DataFrame:
    """The task table that `fit_hand` takes: distance_mm, tolerance_mm, time_s, gains_mm, and person, axis, marker.

    One row per task with a known goal within reach that ended within its tolerance; `ladder` is the one it was done with
    (default: the rungs used in the log).
    """
    gains = [str(float(gain)) for gain in ladder.gains_mm] if ladder else [str(r.gain_mm) for r in found.rungs]
    tasks = found.tasks
    # a good end may be read out of the tolerance: by half a step of the readout, and by noise
    noise = found.bursts["rest_noise_mm"].median() if "rest_noise_mm" in found.bursts else 0.0
    slip = float(found.machine.readout.step_mm) / 2 + (4 * float(noise) if noise > 0 else 0.0) + 1e-9
    ended = ~(tasks["error_mm"].abs() > tasks["tolerance_mm"] / 2 + slip)
    reach = tasks["axis"].map({one.name: one.reach_mm for one in found.machine.axes}).astype(float)
    good = tasks["goal_mm"].notna() & (tasks["tolerance_mm"] > 0) & (tasks["distance_mm"] > tasks["tolerance_mm"] / 2)
    good &= tasks["distance_mm"] <= 1.05 * reach
    kept = tasks.loc[good & ended & (tasks["time_s"] > 0) & (tasks["axis"].eq(axis) if axis else True)]
    table = kept[["distance_mm", "tolerance_mm", "time_s", "person", "axis", "marker"]].reset_index(drop=True)
    return table.assign(gains_mm=" ".join(gains))


def why_refused(kind: str | None, has_position: bool) -> str:
    if not has_position:
        return "the log has no position"
    if kind is None:
        return 'the log does not say whether its position is commanded, counted or measured: add "# position: measured"'
    if kind == "commanded":
        return "the position is what was commanded, which says nothing about what the machine did"
    return "the position is the controller's own count, which says nothing about what the machine did"


def why_not_smooth(kind: str | None, has_position: bool) -> str:
    return "" if kind in ("measured", "counted") else why_refused(kind, has_position)


def measured_findings(
    machine: Machine, rungs: Sequence[RungFigures], axes: Mapping[str, AxisFigures], delay: Figure
) -> Iterator[str]:
    for name, axis in axes.items():
        yield from _gain_words(machine, name, axis)
        yield from _slack_words(machine, name, axis)
    if delay.known and delay.low is not None and delay.value is not None and delay.low > machine.link.delay_s:
        said, found = (say_number(1000 * value, digits=3) for value in (machine.link.delay_s, delay.value))
        yield f"The axis starts {found} ms after the report; the machine file says {said} ms."
    yield from _ceiling_words(machine, rungs)


def _gain_words(machine: Machine, name: str, axis: AxisFigures) -> Iterator[str]:
    """The surest rung whose real distance per click differs by more than 0.2 % and more than its interval."""
    known = {gain: f for gain, f in axis.effective_gain_mm.items() if f.known and f.value and f.high}
    off = {g: f for g, f in known.items() if not f.holds(g) and abs((f.value or g) / g - 1) >= 0.002}
    if not off:
        return
    gain = min(off, key=lambda g: ((off[g].high or g) - (off[g].low or g)) / g)
    value, high = off[gain].value or gain, off[gain].high or gain
    unit = machine.shown_unit(machine.axis(name))
    said, found = say_distance(gain, unit), say_distance(value, unit, digits=5)
    others = f" (and so on {len(off) - 1} other rung{'s' * (len(off) > 2)})" if len(off) > 1 else ""
    half = say_distance(high - value, unit, digits=1)
    yield f"Axis {name}: a click of {said} moves {found} ± {half}{others}: check its steps per {unit}."


def _slack_words(machine: Machine, name: str, axis: AxisFigures) -> Iterator[str]:
    figure, file_says = axis.slack_mm, machine.axis(name).slack_mm
    if figure.known and figure.value is not None and not figure.holds(file_says):
        unit = machine.shown_unit(machine.axis(name))
        found, said = say_distance(figure.value, unit, digits=2), say_distance(file_says, unit)
        yield f"Axis {name}: slack {found}; the machine file says {said}."
    if axis.wanders:
        yield f"Axis {name}: its error grows as it moves, as if steps or remainders were lost."


def _ceiling_words(machine: Machine, rungs: Sequence[RungFigures]) -> Iterator[str]:
    for rung in rungs:
        if rung.at_ceiling_share is not None and rung.at_ceiling_share > 0.1:
            share, shown = round(100 * rung.at_ceiling_share), say_distance(rung.gain_mm, machine.show_in)
            yield f"{shown} a click: {share} % of the turning was faster than the axis can follow."


def measured_remarks(count: RowCount, axes: Mapping[str, AxisFigures], bursts: pd.DataFrame) -> Iterator[str]:
    if count.left_out:
        yield f"{count.say()}."
    yield from count.remarks
    for name, axis in axes.items():
        if axis.jumps_s:
            times = ", ".join(say_number(time, digits=6) for time in axis.jumps_s[:5])
            yield f"Axis {name} moved without the knob {len(axis.jumps_s)} times (first before {times} s)."
    if not len(bursts):
        yield "Nobody turned the knob in this log."


def measured_to_dict(found: Measured) -> dict[str, Any]:
    """What `jogtune measure --json` prints; distances in mm (degrees on a rotary axis), times in s."""
    return {
        "machine": found.machine.name,
        "source": found.source,
        "simulated": found.simulated,
        "position_kind": found.position_kind,
        "rows": found.rows,
        **found.count.as_json(),
        "duration_s": found.duration_s,
        "rungs": [_rung_to_dict(rung) for rung in found.rungs],
        "turn_rate_median": found.turn_rate_median.as_json(),
        "turn_rate_p95": found.turn_rate_p95.as_json(),
        "delay_s": found.delay_s.value,
        "delay": found.delay_s.as_json(),
        "axes": {name: _axis_to_dict(axis) for name, axis in found.axes.items()},
        "hand": {name: figure.as_json() for name, figure in found.hand.items()},
        "tasks": _records(found.tasks[[name for name in _TASK_COLUMNS if name in found.tasks]]),
        "throughput": _records(found.throughput),
        "smoothness": {"moves": _records(found.smoothness), "why": found.smoothness_why or None},
        "refused": [{"claim": claim, "why": why} for claim, why in found.refused],
        "findings": list(found.findings),
        "remarks": list(found.remarks),
        "cautions": [CAUTION],
        "thresholds": vars(found.thresholds),
    }


_TASK_COLUMNS = (
    "task", "axis", "person", "marker", "distance_mm", "tolerance_mm", "time_s", "wait_s", "bursts", "clicks",
    "switches", "reversals", "overshoot", "error_mm", "path_efficiency",
)  # fmt: skip


def _rung_to_dict(rung: RungFigures) -> dict[str, Any]:
    main = rung.main_axis if rung.detents_by_axis else None
    gain = rung.effective_gain_mm.get(main) if main is not None else None
    return {
        "gain_mm": rung.gain_mm,
        "time_share": rung.time_share,
        "detents": rung.detents,
        "distance_mm": rung.distance_mm,
        "bursts": rung.bursts,
        "turn_rate_median": rung.turn_rate_median.value,
        "turn_rate_p95": rung.turn_rate_p95.value,
        "turn_rates": {"median": rung.turn_rate_median.as_json(), "p95": rung.turn_rate_p95.as_json()},
        "at_ceiling_share": rung.at_ceiling_share,
        "run_on_mm": rung.run_on_mm,
        "overshoots": rung.overshoots,
        "reversals": rung.reversals,
        "effective_gain_mm": None if gain is None else {**gain.as_json(), "axis": main},
        "axes": {name: {"effective_gain_mm": figure.as_json(), "detents": rung.detents_by_axis.get(name, 0)}
                 for name, figure in rung.effective_gain_mm.items()},
    }  # fmt: skip


def _axis_to_dict(axis: AxisFigures) -> dict[str, Any]:
    return {
        "slack_mm": axis.slack_mm.as_json(), "noise_mm": axis.noise_mm, "rests": axis.rests,
        "left_out": axis.left_out, "wanders": axis.wanders, "jumps_s": list(axis.jumps_s),
    }  # fmt: skip


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(key): _plain(value) for key, value in row.items()} for row in frame.to_dict("records")]


def _plain(value: object) -> object:
    """A cell as JSON knows it: numpy scalars as numbers, NaN and infinity as null."""
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value
