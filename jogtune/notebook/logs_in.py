"""Logs as a panel takes them in."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from ..files import InputFault
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
        return [_named(Path(folder) / name, name) for name in names]


def logs_from_place(text: str) -> list[Log]:
    """Read one log, or every log of a folder; raises `InputFault` where there is none, or one can't be read."""
    place = Path(text).expanduser()
    if not place.is_dir():
        return [_named(place, text)]
    paths = sorted(path for path in place.iterdir() if path.suffix.lower() in KINDS and path.is_file())
    if not paths:
        raise InputFault(text, [f"{text} holds no log: name a folder with files ending in {', '.join(KINDS)}"])
    return _all_read(paths)


def _all_read(paths: list[Path]) -> list[Log]:
    found, faults = [], []
    for path in paths:
        try:
            found.append(read_log(path))
        except InputFault as fault:
            faults += [f"{path.name}: {text}" for text in fault.faults]
    if faults:
        raise InputFault(str(paths[0].parent), faults)
    return found


def _named(path: Path, name: str) -> Log:
    try:
        return replace(read_log(path), source=name)
    except InputFault as fault:
        raise InputFault(name, [f"{name}: {text}" for text in fault.faults]) from fault
