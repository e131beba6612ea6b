"""Logs as a panel takes them in."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from ..files import Fault, InputFault
from ..logs.log import Log
from ..logs.read import read_log

KINDS = (".csv", ".tsv", ".txt", ".log", ".dat", ".gz", ".parquet")
MAP_ENDING = ".map.toml"


def logs_from_bytes(files: Mapping[str, bytes]) -> list[Log]:
    """Read uploaded logs, each named as it was; a column map (NAME.map.toml) may be among them."""
    with tempfile.TemporaryDirectory() as folder:
        for name, content in files.items():
            (Path(folder) / Path(name).name).write_bytes(content)
        names = [Path(name).name for name in files if not name.endswith(MAP_ENDING)]
        return [replace(log, source=name) for log, name in zip(_all_read(Path(folder) / n for n in names), names, strict=True)]


def logs_from_place(text: str) -> list[Log]:
    """Read one log, or every log of a folder; raises `InputFault` where there is none, or any can't be read."""
    place = Path(text).expanduser()
    if not place.is_dir():
        return [replace(log, source=text) for log in _all_read([place])]
    paths = sorted(path for path in place.iterdir() if path.suffix.lower() in KINDS and path.is_file())
    if not paths:
        cure = f"name a folder with files ending in {', '.join(KINDS)}"
        raise InputFault(text, [Fault(rule=f"{text} holds no log", cure=cure)])
    return _all_read(paths)


def _all_read(paths: Iterable[Path]) -> list[Log]:
    found, faults = [], []
    for path in paths:
        try:
            found.append(read_log(path))
        except InputFault as fault:
            faults += [Fault(path.name, rule=text) for text in fault.faults]
    if faults:
        raise InputFault("logs", faults)
    return found
