"""Two recordings of one session made one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ..files import Fault, InputFault
from ..notes import Note, Severity
from .lag import Curve, Floats, find_lags, line, refined
from .log import Log, of_source


@dataclass(frozen=True, kw_only=True)
class Join:
    """A joined log on the knob's clock, and how the two clocks stand to each other.

    offset_s: machine's clock minus knob's at `at_s` (knob's clock), with a 95 % interval; it includes the time by
    which the axis follows. drift: how much faster the machine's clock runs (1e-6 is 1 µs a second), with interval;
    None where the session is too short to tell, and then taken as 0. stretches: from how many.
    """

    log: Log
    at_s: float
    offset_s: float
    offset_low_s: float
    offset_high_s: float
    drift: float | None
    drift_low: float | None
    drift_high: float | None
    stretches: int
    residual_s: float

    @property
    def notes(self) -> tuple[Note, ...]:
        """How the clocks stand to each other, with what can't be told."""
        half_s = (self.offset_high_s - self.offset_low_s) / 2
        apart = {"offset_s": self.offset_s, "half_s": half_s, "at_s": self.at_s, "stretches": self.stretches}
        drift = Note(kind="drift_not_told", severity=Severity.MIND)
        if self.drift is not None and self.drift_low is not None and self.drift_high is not None:
            half_ppm = 1e6 * (self.drift_high - self.drift_low) / 2
            drift = Note(kind="clocks_drift", figures={"fast_ppm": 1e6 * self.drift, "half_ppm": half_ppm})
        return Note(kind="clocks_apart", figures=apart), drift


def join_logs(knob: Log, machine: Log, *, axis: str | None = None) -> Join:
    """Join the knob's log (turns) and the machine's log (positions) of one session.

    The rows of both are kept, on the knob's clock: machine rows with no turns of their own, knob rows with the
    position the machine had then (between its samples: straight lines; none outside its recording). `axis`: by which
    the clocks are matched (default: the one that turned most). Raises `InputFault` where the two don't match.
    """
    if "position_mm" not in machine.rows:
        raise InputFault(machine.source, [Fault(rule="has no position", cure="name its column in the map of this recording")])
    name = _busiest(knob, machine) if axis is None else axis
    asked, did = _asked(knob.rows, name), _did(machine, name)
    lags = find_lags(knob, asked, did, _clicks(knob.rows, name), machine.source)
    at_s = float(lags[:, 0].mean())
    fit = line(lags, at_s)
    lags = refined(asked, did, _clicks(knob.rows, name), at_s, fit)
    if len(lags):
        at_s = float(np.average(lags[:, 0], weights=lags[:, 2] ** -2))
        fit = line(lags, at_s)
    low, high = (None, None) if fit.drift is None else (fit.drift - fit.drift_half, fit.drift + fit.drift_half)
    return Join(
        log=_merged(knob, machine, at_s, fit.offset, fit.drift or 0.0), at_s=at_s, offset_s=fit.offset,
        offset_low_s=fit.offset - fit.offset_half, offset_high_s=fit.offset + fit.offset_half, drift=fit.drift,
        drift_low=low, drift_high=high, stretches=fit.count, residual_s=fit.residual,
    )  # fmt: skip


def _busiest(knob: Log, machine: Log) -> str:
    turned = knob.rows.assign(turned=knob.rows["detents"].abs()).groupby("axis")["turned"].sum()
    common = turned[turned.index.isin(machine.rows["axis"].unique()) & (turned > 0)]
    if not len(common):
        axes = ", ".join(map(str, machine.rows["axis"].unique()[:6]))
        rule = f"has positions of {axes}, none of which turned in {knob.source}"
        raise InputFault(machine.source, [Fault(rule=rule, cure="name the axes alike in both maps")])
    return str(common.idxmax())


def _clicks(rows: pd.DataFrame, axis: str) -> Floats:
    here = rows[(rows["axis"] == axis) & (rows["detents"] != 0)]
    return here["time_s"].to_numpy(dtype=float)


def _asked(rows: pd.DataFrame, axis: str) -> Curve:
    """Where the knob wants the axis, in mm where the gain is known, else in detents."""
    here = rows[rows["axis"] == axis]
    steps = here["detents"] * here["gain_mm"] if "gain_mm" in here else here["detents"]
    return Curve(time_s=here["time_s"].to_numpy(dtype=float), position=np.cumsum(steps.to_numpy(dtype=float)))


def _did(machine: Log, axis: str) -> Curve:
    rows = machine.rows
    here = rows[(rows["axis"] == axis) & rows["position_mm"].notna()]
    if len(here) < 20:
        raise InputFault(machine.source, [Fault(rule=f"has {len(here)} positions of axis {axis}", cure="record at least 20")])
    return Curve(time_s=here["time_s"].to_numpy(dtype=float), position=here["position_mm"].to_numpy(dtype=float))


def _merged(knob: Log, machine: Log, at_s: float, offset: float, drift: float) -> Log:
    turned = knob.rows.drop(columns="position_mm", errors="ignore")
    moved = machine.rows.assign(time_s=_knob_time(machine.rows["time_s"], at_s, offset, drift))
    parts = [_with_position(turned, moved), _without_turns(moved, turned)]
    rows = pd.concat(parts, ignore_index=True).sort_values("time_s", kind="stable", ignore_index=True)
    return replace(
        knob, rows=rows, noticed=tuple(of_source(note, log.source) for log in (knob, machine) for note in log.noticed),
        remarks=tuple(of_source(note, log.source) for log in (knob, machine) for note in log.remarks),
        rows_in=knob.rows_in + machine.rows_in,
        rows_out=knob.rows_out + machine.rows_out, position_kind=machine.position_kind,
        source=f"{knob.source} + {machine.source}", simulated=knob.simulated or machine.simulated, lines=None,
        map=None, guessed=knob.guessed or machine.guessed,
    )  # fmt: skip


def _knob_time(machine_s: pd.Series, at_s: float, offset: float, drift: float) -> pd.Series:
    return (machine_s - offset + drift * at_s) / (1 + drift)


def _with_position(turned: pd.DataFrame, moved: pd.DataFrame) -> pd.DataFrame:
    position = np.full(len(turned), np.nan)
    for axis in turned["axis"].unique():
        there = moved[(moved["axis"] == axis) & moved["position_mm"].notna()]
        if len(there):
            here = (turned["axis"] == axis).to_numpy()
            position[here] = np.interp(turned["time_s"][here], there["time_s"], there["position_mm"], left=np.nan,
                                       right=np.nan)  # fmt: skip
    return turned.assign(position_mm=position)


def _without_turns(moved: pd.DataFrame, turned: pd.DataFrame) -> pd.DataFrame:
    """Machine rows as rows without turns, on the rung (and for the person) that the knob's last row had."""
    rung = "gain_mm" if "gain_mm" in turned else "rung"
    lasting = [rung] + [name for name in ("goal_mm", "tolerance_mm", "person") if name in turned]
    place = np.maximum(np.searchsorted(turned["time_s"], moved["time_s"], side="right") - 1, 0)
    last = turned[lasting].iloc[place].set_axis(moved.index)
    out = moved[["time_s", "axis", "position_mm"]].assign(detents=np.int64(0))
    out = pd.concat([out, last], axis=1)
    if "marker" in turned:
        out["marker"] = moved.get("marker", "")
    return out[[name for name in [*turned.columns, "position_mm"] if name in out]]
