"""Parquet in."""

import importlib
import json
import os
from collections.abc import Iterator, Mapping
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..files import Fault, InputFault, quoted
from .cells import _Cells, _Layout
from .head import _column_index, _missing_columns
from .lines import _MOST_BYTES, _too_much
from .log import Log, _as_log
from .map import LogMap
from .map_file import read_map
from .roles import _map_of_names
from .tidy import _Tidier

Columns = LogMap | str | os.PathLike[str] | None
"""A column map or the path of one; None: found beside the log, or guessed."""
_PARQUET_NOTES = b"jogtune notes"


def _find_map(path: str | os.PathLike[str]) -> Path | None:
    """The map kept beside a log: `LOG.csv.map.toml` or `LOG.map.toml`, if there is one."""
    place = Path(path)
    names = (f"{place.name}.map.toml", f"{place.name.split('.')[0]}.map.toml")
    return next((beside for beside in (place.with_name(name) for name in names) if beside.is_file()), None)


def _load_pyarrow(source: str) -> tuple[Any, Any]:
    try:
        return importlib.import_module("pyarrow"), importlib.import_module("pyarrow.parquet")
    except ImportError as error:
        fault = Fault(rule="is Parquet, which needs pyarrow", cure='pip install ".[parquet]" in the clone, or use .csv')
        raise InputFault(source, [fault]) from error


def _parquet_blocks(place: Path, table: Any, columns: Columns) -> Iterator[Log]:
    names = list(table.schema_arrow.names)
    header = _notes_of(table.schema_arrow.metadata)
    log_map = _parquet_map(place, names, header, columns)
    layout = _Layout(delimiter=",", decimal=".", width=len(names), first_line=1, header=tuple(names))
    missing = {column for column in log_map.columns if isinstance(column, str)} - set(names)
    if missing:
        raise InputFault(str(place), _missing_columns(missing, names))
    index = _column_index(str(place), layout, log_map.columns)
    tidier = _Tidier(log_map, index)
    wanted = sorted(set(index.values()))
    faults = [Fault(f"column {names[i]!r}", str(kind), "must hold one number or text a row", "flatten it first")
              for i in wanted if (kind := table.schema_arrow.field(i).type).num_fields]  # fmt: skip
    groups = (table.metadata.row_group(number) for number in range(table.num_row_groups))
    if max(8 * table.metadata.num_rows * len(wanted), sum(group.total_byte_size for group in groups)) > _MOST_BYTES:
        faults.append(_too_much(_MOST_BYTES))
    if faults:
        raise InputFault(str(place), faults)
    line = 1
    for batch in chain(table.iter_batches(batch_size=200_000, columns=[names[i] for i in wanted]), [None]):
        frame = pd.DataFrame(columns=wanted) if batch is None else batch.to_pandas().set_axis(wanted, axis=1)
        lines = np.arange(line, line + len(frame), dtype=np.int64)
        line += len(frame)
        tidied = tidier.read(_Cells(frame=frame, lines=lines), last=batch is None)
        yield _as_log(place, tidied, [], log_map, header, guessed=False)


def _parquet_map(place: Path, names: list[str], header: dict[str, str], columns: Columns) -> LogMap:
    if isinstance(columns, LogMap):
        return columns
    tidy = None if columns else _map_of_names(names, header)
    beside = None if tidy else columns or _find_map(place)
    if tidy is None and beside is None:
        fault = Fault(f"columns {quoted(names)}", rule="are not the tidy schema", cure="give a map with --map")
        raise InputFault(str(place), [fault])
    return tidy or read_map(Path(str(beside)))


def _notes_of(metadata: Mapping[bytes, bytes] | None) -> dict[str, str]:
    try:
        notes = json.loads((metadata or {}).get(_PARQUET_NOTES, b"{}"))
    except ValueError:
        return {}
    return {str(k): str(v) for k, v in notes.items()} if isinstance(notes, dict) else {}
