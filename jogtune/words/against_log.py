"""A log held against a ladder: what it holds, how much of it would outrun each axis."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..axis.row import by_position
from ..logs.rates import share_above, turn_rates
from ..machine.model import Machine
from ..units import say_number
from .log_notes import told
from .speak import speak, spoken

if TYPE_CHECKING:
    import pandas as pd

    from ..choose.suggest import Suggestion
    from ..logs.log import Log


def outrun_table(answer: Suggestion, log: Log) -> pd.DataFrame:
    """Per rung and axis: the share of the log's turning [%] that would outrun the axis."""
    import pandas as pd

    rates, records = turn_rates(log.rows), []
    for position, mine in by_position(answer.rows):
        shares = {f"outruns {row.axis} (%)": round(100 * share_above(rates, row.full_speed_detents_s), 1) for row in mine}
        records.append({"position": position, "a click": f"{mine[0].gain} {mine[0].unit}", **shares})
    return pd.DataFrame(records)


def log_sentence(log: Log, machine: Machine | None = None) -> str:
    """What a log holds, in a sentence or two; says *simulated* where it is, and what was left out.

    With a machine it also names axes of the log that the machine hasn't.
    """
    return _log_sentence(log) + _left_out_words(log) + ("" if machine is None else _strange_axes(log, machine))


def _left_out_words(log: Log) -> str:
    if not log.left_out:
        return ""
    first = told(log.noticed)[0]
    rows = f"{log.left_out} of {log.rows_in} rows were left out"
    return f" {rows}; the first, line {first['line']}: {first['what']} (see jogtune read)."


def _strange_axes(log: Log, machine: Machine) -> str:
    known = {axis.name for axis in machine.axes}
    strange = sorted({str(name) for name in log.rows["axis"].unique()} - known) if "axis" in log.rows else []
    return f" The machine has no axis {', '.join(strange)}; its turning is counted all the same." if strange else ""


def _log_sentence(log: Log) -> str:
    import numpy as np

    rates = turn_rates(log.rows)
    what = "Simulated log" if log.simulated else "Log"
    turned_by = log.header.get("turned by")
    by = f", turned by {turned_by}" if turned_by else ""
    if not len(rates):
        return f"{what} {log.source}{by}: {log.rows_out} rows, no turning in it."
    median, most = (say_number(float(v), digits=3) for v in np.quantile(rates, [0.5, 0.95]))
    return (
        f"{what} {log.source}{by}: {log.rows_out} rows; turn rate {median} detents/s in the median, "
        f"{most} at the 95th percentile."
    )


def log_findings(machine: Machine, log: Log) -> list[str]:
    """What a log shows of hand and machine, each claim with its interval, and what it can't tell."""
    from ..files import InputFault
    from ..measure.measure import measure

    lines = [log_sentence(log, machine)]
    try:
        found = measure(machine, log)
    except InputFault as fault:
        return [*lines, *(f"Not measured: {text}" for text in fault.faults)]
    refused = [f"Not concluded: {', '.join(found.refused)}. {speak(found.why_refused)}"] if found.why_refused else []
    return [*lines, *spoken(found.findings), *refused]
