"""Parquet in."""

from __future__ import annotations

import importlib
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..files import InputFault
from .cells import Cells, Layout
from .head import column_index
from .log import Log
from .map import LogMap
from .map_file import read_map
from .roles import map_of_names
from .tidy import Tidied, Tidier

PARQUET_NOTES = b"jogtune notes"


def find_map(path: str | os.PathLike[str]) -> Path | None:
    """The map kept beside a log: `LOG.csv.map.toml` or `LOG.map.toml`, if there is one."""
    place = Path(path)
    names = (f"{place.name}.map.toml", f"{place.name.split('.')[0]}.map.toml")
    return next((beside for beside in (place.with_name(name) for name in names) if beside.is_file()), None)


def load_pyarrow(source: str) -> tuple[Any, Any]:
    try:
        return importlib.import_module("pyarrow"), importlib.import_module("pyarrow.parquet")
    except ImportError as error:
        fault = "is Parquet, which needs pyarrow: pip install \".[parquet]\" in the clone, or use .csv"
        raise InputFault(source, [fault]) from error


def parquet_blocks(place: Path, table: Any, columns: LogMap | str | os.PathLike[str] | None) -> Iterator[Log]:
    names = list(table.schema_arrow.names)
    notes = _notes_of(table.schema_arrow.metadata)
    log_map = _parquet_map(place, names, notes, columns)
    layout = Layout(delimiter=",", decimal=".", width=len(names), first_line=1, header=tuple(names))
    missing = [f"column {c!r} is not in the log: it has {', '.join(map(repr, names[:12]))}" for c in log_map.columns
               if isinstance(c, str) and c not in names]  # fmt: skip
    if missing:
        raise InputFault(str(place), missing)
    index = column_index(str(place), layout, log_map.columns)
    tidier = Tidier(log_map, index)
    wanted = sorted(set(index.values()))
    line = 1
    for batch in chain(table.iter_batches(batch_size=200_000, columns=[names[i] for i in wanted]), [None]):
        frame = pd.DataFrame(columns=wanted) if batch is None else batch.to_pandas().set_axis(wanted, axis=1)
        lines = np.arange(line, line + len(frame), dtype=np.int64)
        line += len(frame)
        tidied = tidier.read(Cells(frame=frame, lines=lines), last=batch is None)
        yield as_log(place, tidied, [], log_map, notes, guessed=False)


def _parquet_map(
    place: Path, names: list[str], notes: dict[str, str], columns: LogMap | str | os.PathLike[str] | None
) -> LogMap:
    if isinstance(columns, LogMap):
        return columns
    beside = columns or (None if map_of_names(names, notes) else find_map(place))
    if beside is not None:
        return read_map(Path(beside))
    tidy = map_of_names(names, notes)
    if tidy is None:
        raise InputFault(str(place), [f"columns {names[:12]} are not the tidy schema: give a map with --map"])
    return tidy


def _notes_of(metadata: Mapping[bytes, bytes] | None) -> dict[str, str]:
    try:
        notes = json.loads((metadata or {}).get(PARQUET_NOTES, b"{}"))
    except ValueError:
        return {}
    return {str(k): str(v) for k, v in notes.items()} if isinstance(notes, dict) else {}


def as_log(
    place: Path, tidied: Tidied, remarks: Iterable[tuple[int, str, str]], log_map: LogMap, notes: dict[str, str],
    *, guessed: bool,
) -> Log:  # fmt: skip
    kind = log_map.position.kind if log_map.position else None
    return Log(
        rows=tidied.rows, noticed=listing(tidied.noticed), remarks=listing([*remarks, *tidied.remarks]),
        rows_in=tidied.rows_out + len(tidied.noticed), rows_out=tidied.rows_out, position_kind=kind,
        source=str(place), simulated=log_map.simulated or notes.get("simulated", "").lower() in ("yes", "true"),
        notes=notes, map=log_map, guessed=guessed, lines=tidied.lines,
    )  # fmt: skip


def listing(entries: Iterable[tuple[int, str, str]]) -> pd.DataFrame:
    ordered = sorted(entries, key=lambda entry: entry[0])
    frame = pd.DataFrame(ordered, columns=["line", "what", "done"], dtype=object)
    return frame.astype({"line": "int64", "what": "str", "done": "str"})
