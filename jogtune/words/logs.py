"""A log read, joined, measured, in words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..logs.lines import byte_chunks, open_log
from ..logs.log import Log, say_count
from ..logs.map_file import map_text
from ..notes import Note
from ..units import UNIT_FACTORS, say_distance, say_number
from .log_notes import told, which_lines
from .say import counted

if TYPE_CHECKING:
    from ..measure.figure import Figure
    from ..measure.measured import Measured, RungFigures



def entry_lines(title: str, notes: Iterable[Note], *, shown: int | None = None) -> list[str]:
    """The lines that tell what was noticed, equal entries as one, what the title says left away; all of them, or so many."""
    groups: dict[tuple[str, str], list[int]] = {}
    for entry in told(notes):
        how = "" if entry["done"] == title.lower() else f": {entry['done']}"
        groups.setdefault((entry["what"], how), []).append(entry["line"])
    entries = [f"  {_where(lines)}{what}{how}" for (what, how), lines in groups.items()]
    rest = sum(len(lines) for lines in list(groups.values())[shown:]) if shown else 0
    entries = [_cut(entry) for entry in entries[:shown]] if shown else entries
    return [f"{title}:", *entries, *[f"  and {rest} more: --why"] * (rest > 0)] if entries else []


def _where(lines: Sequence[int]) -> str:
    if len(lines) > 1:
        return f"{len(lines)} lines ({which_lines(lines)}): "
    return f"line {lines[0]}: " if lines[0] else ""


def as_text(found: Measured) -> str:
    """What a log says, as plain text."""
    from ..measure.measured import CAUTION

    minutes = say_number(found.duration_s / 60, digits=2)
    simulated = " Simulated: nobody turned this knob." if found.simulated else ""
    position = f"position {found.position_kind}" if found.position_kind else "no position of a known kind"
    size = f"{say_count(found.rows, 'row')}, {minutes} min, {say_count(len(found.tasks), 'task')}"
    lines = [f"{found.source}: {size}, {position}.{simulated}", ""]
    lines += [_rung_line(found, rung) for rung in found.rungs]
    lines += ["", "The hand:", *(f"  {_HAND[name]}: {_figure_said(figure)}" for name, figure in found.hand.items())]
    lines += [f"Delay from report to motion: {_figure_said(found.delay_s.times(1000), 'ms')}."]
    lines += [_slack_line(found, name) for name in found.axes]
    lines += _listed("What to look at", found.findings) + _listed("Noticed", found.remarks)
    lines += _listed("Not concluded", [f"{claim}: {why}" for claim, why in found.refused])
    return "\n".join([*lines, "", CAUTION])


_HAND = {
    "start_s": "from a new goal to the first click [s]",
    "look_s": "looking before each further move [s]",
    "switch_s": "on top where the rung changes [s]",
    "spread": "spread of a move's end, share of its distance",
    "turn_rate_detents_s": "turn rate, median of bursts [detents/s]",
}


def _rung_line(found: Measured, rung: RungFigures) -> str:
    unit = found.machine.show_in
    rate = rung.turn_rate_median
    parts = [f"{round(100 * rung.time_share)} % of the time", say_count(rung.detents, "click")]
    parts.append(f"{_figure_said(rate)} detents/s" if rate.value is not None else "no burst long enough for a turn rate")
    if rung.at_ceiling_share:
        parts.append(f"{round(100 * rung.at_ceiling_share)} % of it faster than the axis follows")
    if rung.run_on_mm is not None:
        parts.append(f"run-on {say_distance(rung.run_on_mm, unit, digits=2)}")
    return f"  {say_distance(rung.gain_mm, unit)} a click: {', '.join(parts)}"


def _slack_line(found: Measured, name: str) -> str:
    unit = found.machine.shown_unit(found.machine.axis(name))
    slack = found.axes[name].slack_mm.times(1 / float(UNIT_FACTORS[unit]))
    return f"Axis {name}: slack {_figure_said(slack, unit)}."


def _figure_said(figure: Figure, unit: str = "") -> str:
    end = f" {unit}" if unit else ""
    if figure.value is None:
        return f"the log can't tell ({figure.why})"
    value = say_number(figure.value, digits=3) + end
    if figure.low is None or figure.high is None:
        return f"{value} (no interval: {figure.why})"
    return f"{value} ({say_number(figure.low, digits=3)} to {say_number(figure.high, digits=3)})"


def _listed(title: str, texts: object) -> list[str]:
    found = list(texts) if isinstance(texts, (list, tuple)) else []
    return ["", f"{title}:", *(f"  - {text}" for text in found)] if found else []


_WIDEST, _REASONS = 100, 4


def log_answer(log: Log) -> str:
    """A log in at most 24 lines: counts, the first rows left out, the map where it was guessed, what to type next."""
    parts = [[_headline(log)], entry_lines("Left out", log.noticed, shown=_REASONS)]
    if log.map is not None and log.guessed:
        tables = [", ".join(table.split("\n")).replace("],", "]", 1) for table in map_text(log.map).rstrip("\n").split("\n\n")]
        keep = "Save it with --keep-map MAP.toml, correct it, and read again with --map MAP.toml."
        parts.append(["No column map was given; this one is a guess:", *(_cut(f"  {table}") for table in tables), keep])
    remarks = f" ({len(log.remarks)})" if log.remarks else ""
    parts.append([
        f"Next: jogtune measure {log.source} --machine MACHINE.toml",
        f"More: --why (what was noticed{remarks})  --table (the first lines and what became of them)",
    ])  # fmt: skip
    return "\n\n".join("\n".join(part) for part in parts if part)


def _cut(line: str) -> str:
    return line if len(line) <= _WIDEST else line[: _WIDEST - 3] + "..."


def log_why(log: Log) -> str:
    """Everything that was noticed of a log."""
    parts = ([_headline(log)], entry_lines("Left out", log.noticed), entry_lines("Also noticed", log.remarks))
    return "\n\n".join("\n".join(part) for part in parts if part)


def _headline(log: Log) -> str:
    label = " (simulated)" if log.simulated else ""
    kind = f"; position is {log.position_kind}" if log.position_kind else ""
    span = float(log.rows["time_s"].iloc[-1] - log.rows["time_s"].iloc[0]) if len(log.rows) else 0.0
    turned = int(log.rows["detents"].abs().sum()) if len(log.rows) else 0
    rows = f"{counted(log.rows_in, 'row')} in, {log.rows_out:,} out, {log.left_out:,} left out"
    return f"{log.source}{label}: {rows}; {span:.1f} s, {counted(turned, 'click')} turned{kind}"


def first_lines(path: str | Path, log: Log, *, count: int = 12) -> pd.DataFrame:
    """The first lines of a text log beside what became of each: a look at a map before it is trusted.

    Columns: line, text, became (the tidy row, why it was left out, or that it is no row).
    """
    start, stream = open_log(Path(path))
    with stream:
        text = next(byte_chunks(start, stream, 1 << 16), b"").decode("utf-8", "replace")
    texts = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")[:count]
    numbers = range(1, len(texts) + 1)
    return pd.DataFrame({
        "line": numbers, "text": [_short(text) for text in texts], "became": [_became(log, n) for n in numbers],
    })  # fmt: skip


def _became(log: Log, line: int) -> str:
    left_out = told(note for note in log.noticed if note.where.line == line)
    if left_out:
        return f"left out: {left_out[0]['what']}"
    rows = [] if log.lines is None else np.flatnonzero(log.lines[: 4 * line] == line).tolist()
    tidy = [
        ", ".join(f"{name} {_said(value)}" for name, value in log.rows.iloc[row].items() if value == value and value != "")
        for row in rows
    ]
    return "; ".join(tidy) or "no row"


def _said(value: object) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _short(text: str) -> str:
    text = "".join(sign if sign.isprintable() else " " for sign in text)
    return text if len(text) <= 60 else text[:57] + "..."
