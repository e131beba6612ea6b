"""A log read, joined, held to a ladder."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..axis.row import by_position
from ..logs.join import Join
from ..logs.lines import byte_chunks, open_log
from ..logs.log import Log, turn_rates
from ..logs.map_file import map_text
from ..machine.model import Machine
from ..notes import Note
from ..signs import cut, visible, wide
from ..units import say_number
from .log_notes import _which_lines, told
from .say import counted
from .speak import speak, spoken
from .tables import _as_text, of_frame

if TYPE_CHECKING:
    from ..choose.suggest import Suggestion


def outrun_table(answer: Suggestion, log: Log) -> pd.DataFrame:
    """Per rung and axis: the share of the log's turning [%] that would outrun the axis."""
    rates, records = turn_rates(log.rows), []
    for position, mine in by_position(answer.rows):
        shares = {f"outruns {row.axis} (%)": round(100 * (rates > row.full_speed_detents_s).sum() / max(len(rates), 1), 1)
                  for row in mine}  # fmt: skip
        records.append({"position": position, "a click": f"{mine[0].gain} {mine[0].unit}", **shares})
    return pd.DataFrame(records)


def log_sentence(log: Log, machine: Machine | None = None) -> str:
    """What a log holds, in a sentence or two; says *simulated* where it is, and what was left out.

    With a machine it also names axes of the log that the machine hasn't."""
    rates = turn_rates(log.rows)
    turned_by = log.header.get("turned by")
    by = f", turned by {turned_by}" if turned_by else ""
    text = f"{'Simulated log' if log.simulated else 'Log'} {log.source}{by}: {log.rows_out} rows"
    if len(rates):
        median, most = (say_number(float(v), digits=3) for v in np.quantile(rates, [0.5, 0.95]))
        text += f"; turn rate {median} detents/s in the median, {most} at the 95th percentile."
    else:
        text += ", no turning in it."
    if log.left_out:
        first = told(log.noticed)[0]
        text += f" {log.left_out} of {log.rows_in} rows were left out; the first, line {first['line']}: {first['what']} "
        text += "(see jogtune read)."
    known = {axis.name for axis in machine.axes} if machine else set()
    strange = sorted({str(name) for name in log.rows["axis"].unique()} - known) if machine and "axis" in log.rows else []
    return text + (f" The machine has no axis {', '.join(strange)}; its turning is counted all the same." if strange else "")


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


def _entry_lines(title: str, notes: Iterable[Note], *, shown: int | None = None) -> list[str]:
    """The lines that tell what was noticed, equal entries as one, what the title says left away; all of them, or so many."""
    groups: dict[tuple[str, str], list[int]] = {}
    for entry in told(notes):
        how = "" if entry["done"] == title.lower() else f": {entry['done']}"
        groups.setdefault((entry["what"], how), []).append(entry["line"])
    some = {key: f"{len(lines)} lines ({_which_lines(lines)}): " for key, lines in groups.items() if len(lines) > 1}
    one = {key: f"line {lines[0]}: " for key, lines in groups.items() if lines[0]}
    entries = [f"  {(one | some).get(key, '')}{''.join(key)}" for key in groups]
    rest = sum(len(lines) for lines in list(groups.values())[shown:]) if shown else 0
    entries = [cut(entry, wide(_WIDEST)) for entry in entries[:shown]] if shown else entries
    return [f"{title}:", *entries, *[f"  and {rest} more: --why"] * (rest > 0)] if entries else []


_WIDEST, _REASONS = 100, 4


def _log_answer(log: Log, join: Join | None = None) -> str:
    """A log in at most 24 lines: counts, the first rows left out, the map where it was guessed, what to type next."""
    parts = [wrap(_headline(log), wide(_WIDEST)), _entry_lines("Left out", log.noticed, shown=_REASONS)]
    if log.map is not None and log.guessed:
        tables = [", ".join(table.split("\n")).replace("],", "]", 1) for table in map_text(log.map).rstrip("\n").split("\n\n")]
        keep = "Save it with --keep-map MAP.toml, correct it, and read again with --map MAP.toml."
        tables = [cut(f"  {table}", wide(_WIDEST)) for table in tables]
        parts.append(["No column map was given; this one is a guess:", *tables, keep])
    remarks = f" ({len(log.remarks)})" if log.remarks else ""
    parts.append([
        f"Next: jogtune measure {log.source if len(log.source) < 60 else 'LOG'} --machine MACHINE.toml",
        f"More: --why (what was noticed{remarks})  --table (the first lines and what became of them)",
    ])  # fmt: skip
    parts[1:1] = [] if join is None else [spoken(join.notes)]
    return "\n\n".join("\n".join(part) for part in parts if part)


def _log_why(log: Log) -> str:
    """Everything that was noticed of a log."""
    parts = ([_headline(log)], _entry_lines("Left out", log.noticed), _entry_lines("Also noticed", log.remarks))
    return "\n\n".join("\n".join(part) for part in parts if part)


def _log_table(log: Log) -> str:
    """The first lines of the file and what became of each; of a log in columns, its first rows."""
    if not Path(log.source).is_file() or log.source.endswith(".parquet"):
        return _as_text(of_frame(log.rows.head(12).round(6)))
    return "The first lines and what became of them:\n" + _as_text(of_frame(_first_lines(log.source, log)))


def _log_json(log: Log, join: Join | None = None) -> dict[str, Any]:
    """What `jogtune read --json` prints: rows_in == rows_out + len(noticed); with `join` how the two clocks stand to each
    other, with 95 % intervals. `tidy_rows` differs from `rows_out` only where two axes of a row turned."""
    joined = {} if join is None else {"join": {name: value for name, value in vars(join).items() if name != "log"}}
    return {
        "source": log.source, "rows_in": log.rows_in, "rows_out": log.rows_out, "tidy_rows": len(log.rows) + log.more[0],
        "noticed": told(log.noticed), "remarks": told(log.remarks), "position_kind": log.position_kind,
        "simulated": log.simulated, "guessed": log.guessed, "map": None if log.map is None else map_text(log.map), **joined,
    }  # fmt: skip


def _headline(log: Log) -> str:
    label = " (simulated)" if log.simulated else ""
    kind = f"; position is {log.position_kind}" if log.position_kind else ""
    times = [*log.rows["time_s"].iloc[[0, -1]], *[log.more[2]] * bool(log.more[0])] if len(log.rows) else [0.0]
    turned = log.more[1] + (int(log.rows["detents"].abs().sum()) if len(log.rows) else 0)
    rows = f"{counted(log.rows_in, 'row')} in, {log.rows_out:,} out, {log.left_out:,} left out"
    return f"{log.source}{label}: {rows}; {times[-1] - times[0]:.1f} s, {counted(turned, 'click')} turned{kind}"


def _first_lines(path: str | Path, log: Log, *, count: int = 12) -> pd.DataFrame:
    """The first lines of a text log beside what became of each: a look at a map before it is trusted.

    Columns: line, text, became (the tidy row, why it was left out, or that it is no row)."""
    start, stream = open_log(Path(path))
    with stream:
        text = next(byte_chunks(start, stream, 1 << 16), b"").decode("utf-8", "replace")
    texts = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")[:count]
    numbers, shown = range(1, len(texts) + 1), [cut(visible(text), 60) for text in texts]
    return pd.DataFrame({"line": numbers, "text": shown, "became": [_became(log, n) for n in numbers]})


def _became(log: Log, line: int) -> str:
    left_out = told(note for note in log.noticed if note.where.line == line)
    if left_out:
        return f"left out: {left_out[0]['what']}"
    rows = [] if log.lines is None else np.flatnonzero(log.lines[: 4 * line] == line).tolist()
    cells = ([(n, v) for n, v in log.rows.iloc[row].items() if v == v and v != ""] for row in rows)
    tidy = (", ".join(f"{n} {v:.6g}" if isinstance(v, float) else f"{n} {v}" for n, v in row) for row in cells)
    return "; ".join(tidy) or "no row"


LOG = {"answer": _log_answer, "why": _log_why, "table": _log_table, "json": _log_json}
"""How a log is told, by layer."""
