"""The open encoder trace made tidy, as `datasets/logs/encoder_trace.csv` ships it."""

from __future__ import annotations

import os

import numpy as np

from jogtune.logs.clock import Mask, _Ints
from jogtune.logs.log import Log, _notes_seen
from jogtune.logs.map import LogMap, _Clock, _Counter, _RungColumn
from jogtune.logs.read import read_log


def read_encoder_trace(
    path: str | os.PathLike[str], *, counts_per_turn: int = 1024, detents_per_turn: int | None = None, jumps: str = "turned"
) -> Log:
    """Make the open encoder trace tidy: column 1 is a clock in µs, column 2 a count that wraps at ±counts_per_turn/2.

    Without `detents_per_turn` each count is one detent; otherwise the turns are cut into that many detents, as if
    the wheel had clicked. The log has one rung, 1. The recorder sets its count to 0 now and then:
    `jumps="turned"` takes these jumps for turning, as a plain unwrap does, `jumps="zeroed"` leaves those rows out.

    Source: PyPI package `ibllib` 4.1.0, test data, MIT. The wheel was turned by an animal, not a person.
    """
    log_map = LogMap(
        time=_Clock(column=1, unit="us"), delimiter=" ", header=False,
        knob=_Counter(columns=(("X", 2),), wraps_at=counts_per_turn), rung=_RungColumn(always=1),
    )  # fmt: skip
    log = read_log(path, columns=log_map)
    rows = log.rows
    zeroed = _zeroed(rows["detents"].to_numpy(), jumps)
    turned = np.cumsum(np.where(zeroed, 0, rows["detents"].to_numpy()))
    per_turn = detents_per_turn or counts_per_turn
    whole = (2 * turned * per_turn + counts_per_turn) // (2 * counts_per_turn)
    rows = rows.assign(detents=np.diff(whole, prepend=0))[~zeroed].reset_index(drop=True)
    left_out = _notes_seen((int(line), "count_restarts", {"value": 0}) for line in np.flatnonzero(zeroed) + 1)
    return Log(
        rows=rows, noticed=log.noticed + left_out,
        remarks=log.remarks, rows_in=log.rows_in, rows_out=len(rows), position_kind=None, source=str(path),
        simulated=False, header=_trace_notes(counts_per_turn, per_turn), map=log_map,
        lines=None if log.lines is None else log.lines[~zeroed],
    )  # fmt: skip


def _zeroed(steps: _Ints, jumps: str) -> Mask:
    """The rows at which the count leaps to exactly 0, as no step of one count does."""
    zero = np.cumsum(steps) == steps[0]
    return np.asarray((np.abs(steps) > 1) & zero & (jumps == "zeroed"), dtype=np.bool_)


def _trace_notes(counts_per_turn: int, per_turn: int) -> dict[str, str]:
    notes = {
        "simulated": "no",
        "turned by": "an animal, not a person",
        "licence": "MIT, International Brain Laboratory (PyPI package ibllib 4.1.0, test data)",
    }
    if per_turn != counts_per_turn:
        notes["as if"] = (
            f"the wheel had {per_turn} detents a turn (its encoder gives {counts_per_turn} counts and no detents)"
        )
    return notes
