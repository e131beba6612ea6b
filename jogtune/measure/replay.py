"""The turns of a log on another ladder."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from ..axis.follow import Habit
from ..axis.lanes import replay
from ..axis.link import reports_as_logged
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from .figure import Floats


def replay_turns(machine: Machine, rows: pd.DataFrame, ladders: Sequence[Ladder]) -> pd.DataFrame:
    """Replay a log's clicks on other ladders: one row per ladder and axis.

    A click made on a rung of the log is made on the rung of the other ladder nearest to it in ratio. Columns: ladder
    (index), axis, run_on_mm and at_ceiling_s (where every click is owed), lost_detents (where too fast turning is forgiven).
    """
    parts = [
        _replay_axis(on_axis, machine, machine.axis(str(name)), ladders)
        for name, on_axis in rows.groupby("axis", sort=False, observed=True)
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _replay_axis(rows: pd.DataFrame, machine: Machine, axis: Axis, ladders: Sequence[Ladder]) -> pd.DataFrame:
    column = "gain_mm" if "gain_mm" in rows else "rung"
    used, rung = np.unique(rows[column].to_numpy(float), return_inverse=True)
    reports = reports_as_logged(
        rows["time_s"].to_numpy(float), rows["detents"].to_numpy(np.int64),
        interval_s=machine.link.report_interval_s, rung=rung,
    )  # fmt: skip
    table = np.array([_nearest(used, axis_gains(machine, axis, ladder), column) for ladder in ladders])
    top, ramp = axis.top_speed_mm_s, axis.ramp_mm_s2
    owed = replay(reports, table, top_speed_mm_s=top, ramp_mm_s2=ramp)
    forgiven = replay(reports, table, top_speed_mm_s=top, ramp_mm_s2=ramp, habit=Habit(too_fast="forgive"))
    return pd.DataFrame({
        "ladder": range(len(ladders)), "axis": axis.name, "run_on_mm": np.minimum(owed.run_on_mm, axis.reach_mm),
        "at_ceiling_s": owed.at_ceiling_s, "lost_detents": forgiven.lost_detents,
    })  # fmt: skip


def axis_gains(machine: Machine, axis: Axis, ladder: Ladder) -> Floats:
    return np.array([float(machine.axis_gain(axis, gain)) for gain in ladder.gains_mm])


def _nearest(used: Floats, gains: Floats, column: str) -> Floats:
    """The rung of a ladder nearest in ratio to each one used; by number where the log has no distances."""
    if column == "rung":
        nearest = np.clip(used.astype(np.int64) - 1, 0, len(gains) - 1)
    else:
        nearest = np.abs(np.log(gains)[None, :] - np.log(used)[:, None]).argmin(axis=1)
    return np.asarray(gains[nearest], dtype=float)
