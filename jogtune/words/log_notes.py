"""Logs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from ..files import quoted
from ..notes import Note
from .say import _fill, _Template, counted

if TYPE_CHECKING:
    from ..logs.log import RowCount

_LINES_NAMED = 6


def _columns(note: Note) -> str:
    columns = note.figures["columns"]
    return f"column{'s' * (len(columns) > 1)} {quoted(columns)}"


def _multiples(note: Note) -> str:
    return f"every change of {_columns(note)} is a multiple of {note.figures['per_detent']}"


_TOLD: dict[str, tuple[_Template, str]] = {
    # rows left out
    "line_too_long": (lambda note: f"is longer than {note.figures['most_bytes']:,} bytes", ""),
    "nul_bytes": ("holds NUL bytes", ""),
    "open_quote": ("a quote is left open", ""),
    "no_pair": ("holds no NAME{mark}VALUE", ""),
    "cell_count": (lambda note: f"has {counted(note.figures['cells'], 'cell')}, not {note.figures['wanted']}", ""),
    "half_written": ("the last line is half written", ""),
    "must_be_a_number": ("{role} = {value!r}: must be a number", ""),
    "is_blank": ("{role} is blank", ""),
    "must_be_whole": ("{role} = {value}: must be a whole number", ""),
    "beyond_its_wrap": ("{role} = {value}: is beyond its wrap at {wraps_at}", ""),
    "must_be_above_zero": ("{role} = {value}: must be above 0", ""),
    "gain_must_be_above_zero": (
        '{role} = {value}: must be above 0 (is it a position? then say means = "rung", counts_from = 0 in [rung])', ""),
    "label_too_long": ("{role}: is longer than {most} characters", ""),
    "not_named_in_the_map": ("{role} = {value!r}: is not named in the map", ""),
    "must_be_a_position": ("{role} = {value}: must be a whole number, {lowest} to {highest}", ""),
    "says_the_same_again": ("says again what the row above said", ""),
    "time_below_zero": ("the time since the last row is below 0", ""),
    "clock_jumps_and_returns": ("the clock jumps to {value} and comes back", ""),
    "late": ("comes late: its time is before the row above, whose count holds its clicks", ""),
    "too_fast": ("{value} counts in {gap}: no hand turns so fast", ""),
    "count_jumps_and_returns": ("the count jumps to {value} and comes back", ""),
    "count_restarts": ("the count starts again at {value}; the next count is taken from here", ""),
    "clock_and_count_restart": ("clock and count start again at {value}; the next count is taken from here", ""),
    "count_leaps": ("the count jumps by {step} to {value}; the next count is taken from here", ""),
    # rows that stayed
    "late_kept": ("comes late: its time is before the row above", "kept, at the time of that row"),
    "clock_restarts": ("the clock starts again", "kept; time goes on from the row above"),
    "clock_wraps": (
        "the clock falls from {before} to {value}", "taken for a wrap at 32 bit; give wraps_at in the map to be sure"),
    "count_wraps": ("the count steps by {step}", "taken for a wrap; give wraps_at in the map to be sure"),
    "reports_missing": ("{gap} without a report: about {missing} are missing", "kept; the count goes on"),
    "clicks_missing": ("{gap} without a report: about {missing} are missing", "kept; clicks turned meanwhile are lost"),
    "unplugged": ("the device was unplugged for {gap}", "the next count is taken from here"),
    "only_changes": ("only changes are reported, as every row moves", "kept; a gap is a rest, not a loss"),
    # the file as a whole
    "chatter": (
        lambda note: f"{note.figures['count']} line"
        + (f"s of comment or chatter ({_which_lines(note.figures['first'])})" if note.figures["count"] > 1
           else " of comment or chatter"), "passed over"),
    "column_names_again": ("the column names again", "passed over"),
    "not_in_utf_8": (lambda note: f"{counted(note.figures['count'], 'line')} from here on not in UTF-8", "read as Latin-1"),
    "no_line_end": ("the last line has no line end", "kept; its last cell may be cut short"),
    "packing_damaged": ("the packed file ends early or is damaged ({reason})", "read up to there"),
    "grew": ("the file grew while it was read", "read as far as it went; read it again when it is finished"),
    "map_beside_the_log": ("no map was given, and {file} is beside the log", "read by it"),
    "map_guessed": ("no map was given", "read by a guessed map: check it (jogtune read LOG --keep-map MAP.toml)"),
    "not_in_the_tidy_schema": ("column {column!r} is not in the tidy schema", "not used"),
    "rung_looks_like_a_position": (
        lambda note: f"[rung] column {note.figures['column']!r} holds {', '.join(map(str, note.figures['values']))}, "
        "which looks like a position number",
        'read as mm per click; say means = "rung", counts_from = 1 in the map, or means = "gain" if it is right'),
    "changes_are_multiples": (_multiples, "the guessed map says counts_per_detent = {per_detent}"),
    "changes_may_be_multiples": (
        _multiples,
        "perhaps counts_per_detent = {per_detent}: if so, say it in the map; the guessed map takes every count for a click"),
    "columns_not_used": (
        lambda note: f"{_columns(note)} {'is' if len(note.figures['columns']) == 1 else 'are'} not used by the guessed map",
        "give it a meaning in the map if it has one"),
    # two clocks
    "clocks_apart": (
        lambda note: f"machine's clock − knob's clock = {note.figures['offset_s']:.4f} s ± "
        f"{1000 * note.figures['half_s']:.2f} ms at {note.figures['at_s']:.1f} s, from {note.figures['stretches']} stretches",
        "this includes the time by which the axis follows the knob"),
    "clocks_drift": (
        lambda note: f"machine's clock: {note.figures['fast_ppm']:+.1f} ± {note.figures['half_ppm']:.1f} µs a second fast",
        "allowed for"),
    "drift_not_told": ("the session is too short to tell whether the clocks drift apart", "taken as no drift"),
}  # fmt: skip
"""Kind -> what was noticed and, where the row stayed or the file is meant, what was done."""


def _what(note: Note) -> str:
    return _fill(_TOLD[note.kind][0], note)


def _done(note: Note) -> str:
    return _TOLD[note.kind][1].format_map(note.figures) or "left out"


def _sentence(note: Note) -> str:
    line = f"line {note.where.line}" if note.where.line else ""
    text = f"{': '.join(filter(None, [note.where.source, line, _what(note)]))} ({_done(note)})."
    return text if note.where.source else text[0].upper() + text[1:]


_LOG_NOTES: dict[str, _Template] = {
    **dict.fromkeys(_TOLD, _sentence),
    "rows_left_out": lambda note: f"{note.figures['left_out']} of {counted(note.figures['rows'], 'row')} left out"
    + (f", the first in line {note.where.line}" if note.where.line else "") + f": see jogtune read {note.where.source}.",
}  # fmt: skip
"""Kind of note -> its sentence."""


def told(notes: Iterable[Note]) -> list[dict[str, Any]]:
    """Notes as entries of line (0: the whole file), what, done; the reasons why one row was left out make one entry."""
    entries: list[dict[str, Any]] = []
    for note in notes:
        line, last = note.where.line or 0, entries[-1] if entries else {}
        if not _TOLD[note.kind][1] and last.get("line") == line and last["done"] == "left out":
            last["what"] += f"; {_what(note)}"
        else:
            source = f"{note.where.source}: " if note.where.source else ""
            entries.append({"line": line, "what": source + _what(note), "done": _done(note)})
    return entries


def _which_lines(lines: Sequence[int]) -> str:
    return ", ".join([*map(str, lines[:_LINES_NAMED]), *["..."] * (len(lines) > _LINES_NAMED)])


def _count_as_json(count: RowCount) -> dict[str, Any]:
    """rows_in, rows_out, left_out (counts), and noticed: the first rows left out, with line and reason."""
    noticed = [{"line": entry["line"], "what": entry["what"]} for entry in told(count.noticed)]
    return {"rows_in": count.rows_in, "rows_out": count.rows_out, "left_out": count.left_out, "noticed": noticed}
