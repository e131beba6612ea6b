"""Two recordings of one session made one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ..files import InputFault
from .lag import Curve, Floats, find_lags, line, refined
from .log import Log


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

    def machine_time(self, knob_s: float) -> float:
        """The machine's clock at a time of the knob's clock."""
        return knob_s + self.offset_s + (self.drift or 0.0) * (knob_s - self.at_s)


def join_logs(knob: Log, machine: Log, *, axis: str | None = None) -> Join:
    """Join the knob's log (turns) and the machine's log (positions) of one session.

    The rows of both are kept, on the knob's clock: machine rows with no turns of their own, knob rows with the
    position the machine had then (between its samples: straight lines; none outside its recording). `axis` names
    the axis by which the clocks are matched (default: the one that turned most). Raises `InputFault` where the
    two don't match.
    """
    if "position_mm" not in machine.rows:
        raise InputFault(machine.source, ["has no position: a machine's recording must have one to be joined"])
    name = _busiest(knob, machine) if axis is None else axis
    asked, did = _asked(knob.rows, name), _did(machine, name)
    lags = find_lags(knob, asked, did, _clicks(knob.rows, name), machine.source)
    at_s = float(lags[:, 0].mean())
    fit = line(lags, at_s)
    lags = refined(asked, did, _clicks(knob.rows, name), at_s, fit)
    if len(lags):
        at_s = float(np.average(lags[:, 0], weights=lags[:, 2] ** -2))
        fit = line(lags, at_s)
    drift, drift_half = (None, None) if fit.drift is None else (fit.drift, fit.drift_half)
    log = _merged(knob, machine, at_s, fit.offset, drift or 0.0)
    return Join(
        log=log, at_s=at_s, offset_s=fit.offset, offset_low_s=fit.offset - fit.offset_half,
        offset_high_s=fit.offset + fit.offset_half, drift=drift,
        drift_low=None if drift is None or drift_half is None else drift - drift_half,
        drift_high=None if drift is None or drift_half is None else drift + drift_half,
        stretches=fit.count, residual_s=fit.residual,
    )  # fmt: skip


def _busiest(knob: Log, machine: Log) -> str:
    turned = knob.rows.assign(turned=knob.rows["detents"].abs()).groupby("axis")["turned"].sum()
    common = turned[turned.index.isin(machine.rows["axis"].unique()) & (turned > 0)]
    if not len(common):
        axes = ", ".join(map(str, machine.rows["axis"].unique()[:6]))
        raise InputFault(machine.source, [f"has positions of {axes}, none of which turned in {knob.source}: "
                                          "name the axes alike in both maps"])  # fmt: skip
    return str(common.idxmax())


def _clicks(rows: pd.DataFrame, axis: str) -> Floats:
    """The times of an axis' clicks."""
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
        raise InputFault(machine.source, [f"has {len(here)} positions of axis {axis}: at least 20 are needed"])
    return Curve(time_s=here["time_s"].to_numpy(dtype=float), position=here["position_mm"].to_numpy(dtype=float))


def _merged(knob: Log, machine: Log, at_s: float, offset: float, drift: float) -> Log:
    """The rows of both recordings in order of the knob's clock."""
    turned = knob.rows.drop(columns="position_mm", errors="ignore")
    moved = machine.rows.assign(time_s=_knob_time(machine.rows["time_s"], at_s, offset, drift))
    parts = [_with_position(turned, moved), _without_turns(moved, turned)]
    rows = pd.concat(parts, ignore_index=True).sort_values("time_s", kind="stable", ignore_index=True)
    noticed = pd.concat([_told(knob, knob.noticed), _told(machine, machine.noticed)], ignore_index=True)
    remarks = pd.concat([_told(knob, knob.remarks), _told(machine, machine.remarks)], ignore_index=True)
    return replace(
        knob, rows=rows, noticed=noticed, remarks=remarks, rows_in=knob.rows_in + machine.rows_in,
        rows_out=knob.rows_out + machine.rows_out, position_kind=machine.position_kind,
        source=f"{knob.source} + {machine.source}", simulated=knob.simulated or machine.simulated, lines=None,
        map=None, guessed=knob.guessed or machine.guessed,
    )  # fmt: skip


def _knob_time(machine_s: pd.Series, at_s: float, offset: float, drift: float) -> pd.Series:
    return (machine_s - offset + drift * at_s) / (1 + drift)


def _with_position(turned: pd.DataFrame, moved: pd.DataFrame) -> pd.DataFrame:
    """Knob rows with the position their axis had then."""
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


def _told(log: Log, table: pd.DataFrame) -> pd.DataFrame:
    """A table of one recording's lines that says which recording they are of."""
    return table.assign(what=[f"{log.source}: {what}" for what in table["what"]])


def describe_join(join: Join) -> Sequence[str]:
    """The clocks' relation in sentences, with what can't be told."""
    half_ms = 1000 * (join.offset_high_s - join.offset_low_s) / 2
    lines = [
        f"machine's clock − knob's clock = {join.offset_s:.4f} s ± {half_ms:.2f} ms at {join.at_s:.1f} s, from "
        f"{join.stretches} stretches (this includes the time by which the axis follows the knob)"
    ]
    if join.drift is None or join.drift_low is None or join.drift_high is None:
        return [*lines, "the session is too short to tell whether the clocks drift apart: taken as no drift"]
    half = (join.drift_high - join.drift_low) / 2
    return [*lines, f"the machine's clock runs {1e6 * join.drift:+.1f} ± {1e6 * half:.1f} µs a second fast"]
