"""A tidy log written."""

from __future__ import annotations

import gzip
import io
import json
import os
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from ..files import write_whole
from .check import FORMULA_SIGNS, LABELS, unescaped
from .log import Log
from .parquet import PARQUET_NOTES, load_pyarrow
from .roles import TIDY_COLUMNS


def write_log(
    log: Log | pd.DataFrame, path: str | os.PathLike[str], *, overwrite: bool = False, notes: Mapping[str, str] | None = None
) -> Path:
    """Write tidy rows as CSV (.csv, .csv.gz) or Parquet (.parquet), whole or not at all, never over a file unasked.

    `notes` are kept as `# key: value` lines before the header (a `Log` brings its own). A label that a
    spreadsheet would take for a formula (it begins with =, +, - or @) is written with a ' before it.
    """
    place = Path(path)
    frame = log.rows if isinstance(log, Log) else log
    kept = _notes_to_keep(log) if isinstance(log, Log) else {}
    kept |= {str(key): str(value) for key, value in (notes or {}).items()}
    frame = frame[[name for name in TIDY_COLUMNS if name in frame]]
    if place.suffix == ".parquet":
        return write_whole(place, _as_parquet(str(place), frame, kept), overwrite=overwrite)
    data = _as_csv(frame, kept).encode("utf-8")
    return write_whole(place, gzip.compress(data, mtime=0) if place.suffix == ".gz" else data, overwrite=overwrite)


def _notes_to_keep(log: Log) -> dict[str, str]:
    notes = dict(log.header)
    if log.simulated:
        notes["simulated"] = "yes"
    if log.position_kind:
        notes["position"] = log.position_kind
    return notes


def _as_csv(frame: pd.DataFrame, notes: Mapping[str, str]) -> str:
    head = "".join(f"# {_one_line(key)}: {_one_line(value)}\n" for key, value in notes.items())
    harmless = {name: frame[name].map(harmless_label) for name in LABELS if name in frame}
    return head + frame.assign(**harmless).to_csv(index=False, lineterminator="\n")


def _one_line(text: str) -> str:
    return " ".join(str(text).split())


def harmless_label(label: object) -> str:
    """A label as a CSV cell that no spreadsheet takes for a formula, on one line."""
    text = _one_line("" if label is None or label is pd.NA or label != label else str(label))
    return "'" + text if text.startswith(FORMULA_SIGNS) or unescaped(text) != text else text


def _as_parquet(source: str, frame: pd.DataFrame, notes: Mapping[str, str]) -> bytes:
    arrow, parquet = load_pyarrow(source)
    table = arrow.Table.from_pandas(frame, preserve_index=False)
    metadata = {**(table.schema.metadata or {}), PARQUET_NOTES: json.dumps(dict(notes)).encode()}
    out = io.BytesIO()
    parquet.write_table(table.replace_schema_metadata(metadata), out)
    return out.getvalue()
