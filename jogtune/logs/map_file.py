"""A column map's TOML in and out."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

from ..files import Fault, InputFault, read_text
from ..machine.fields import Field, place, read_fields
from .map import LogMap
from .map_keys import FILE_KEYS, TABLES


def read_map(path: str | Path) -> LogMap:
    """Read a column map (TOML); raises `InputFault` with every fault of the file."""
    return parse_map(read_text(path), source=str(path))


def parse_map(text: str, *, source: str = "map") -> LogMap:
    """Read a column map from its text.

    >>> parse_map('[time]\\ncolumn = "t"\\nunit = "us"\\n[knob]\\ncolumn = 2\\nwraps_at = "16 bit"').knob.wraps_at
    65536
    """
    try:
        tables = tomllib.loads(text, parse_float=Decimal)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise InputFault(source, [Fault(rule=f"is not TOML ({error})", cure="correct the line")]) from error
    faults: list[Fault] = []
    log_map = _build(tables, faults)
    if faults or log_map is None:
        raise InputFault(source, faults)
    return log_map


def _build(tables: dict[str, Any], faults: list[Fault]) -> LogMap | None:
    part_fields = {name: Field(attribute=name, read=lambda table: table, required=False) for name in TABLES}
    top = _read_keys(tables, "", {**FILE_KEYS, **part_fields}, faults)
    found = {name: _read_keys(top.pop(name), name, TABLES[name][1], faults) for name in TABLES if name in top}
    for name in found:
        if isinstance(tables[name], dict):
            _check_either_or(name, tables[name], found[name], faults)
    if "time" not in tables:
        faults.append(Fault("time", rule="is missing", cure='add a table [time] with column = "..." and unit = "ms"'))
    if "knob" not in tables and "position" not in tables:
        faults.append(Fault("knob", rule="is missing, and so is [position]", cure='add a table [knob] with column = "..."'))
    if top.get("decimal") == "," and top.get("delimiter") == ",":
        faults.append(Fault("decimal", ",", "can't be a comma where the delimiter is one", "correct one of them"))
    return None if faults else LogMap(**top, **{name: TABLES[name][0](**keys) for name, keys in found.items()})


def _read_keys(table: object, where: str, fields: Mapping[str, Field], faults: list[Fault]) -> dict[str, Any]:
    """Read one table; the fault of a key that is not known names every key the table can have."""
    if isinstance(table, dict):
        for key in [key for key in table if key not in fields]:
            near = difflib.get_close_matches(key, fields, n=1, cutoff=0.6)
            cure = f'did you mean "{near[0]}"? ' if near else ""
            faults.append(Fault(place(where, key), table[key], "is not a known key", f"{cure}{_all_keys(where, fields)}"))
        table = {key: value for key, value in table.items() if key in fields}
    return read_fields(table, where, fields, faults)


def _all_keys(where: str, fields: Mapping[str, Field]) -> str:
    names = [f"[{key}]" if not where and key in TABLES else key for key in fields]
    return f"{f'[{where}]' if where else 'a map'} can have {', '.join(names)}"


def _check_either_or(name: str, table: Mapping[str, Any], found: dict[str, Any], faults: list[Fault]) -> None:
    if name in ("knob", "position") and ("column" in table) == ("columns" in table):
        faults.append(Fault(name, rule='needs either column = "..." or columns = { X = "...", Y = "..." }, and not both'))
    if name in ("axis", "person", "marker") and ("column" in table) == ("always" in table):
        faults.append(Fault(name, rule='needs either column = "..." or always = "...", and not both'))
    if name == "rung":
        _check_rung(table, found, faults)


def _check_rung(table: Mapping[str, Any], found: dict[str, Any], faults: list[Fault]) -> None:
    if sum(key in table for key in ("column", "always", "changes")) != 1:
        faults.append(Fault("rung", rule='needs one of column = "...", always = "0.1 mm" or changes = [...], and not more'))
    multiplier = found.get("means") == "multiplier"
    if multiplier != ("base" in table):
        cure = 'add base = "0.01 mm"' if multiplier else 'add means = "multiplier", or remove it'
        faults.append(Fault("rung: base", table.get("base"), "belongs to a multiplier, which needs it", cure))
    if "column" in table and ("unit" in table or "ladder" in table):
        found.setdefault("means", "rung" if "ladder" in table else "gain")


def map_text(log_map: LogMap, *, explained: bool = False) -> str:
    """The map as TOML, ready to be kept beside the log; `parse_map` reads it back.

    `explained` adds every other key the map could have as a comment, each with an example and a few words.
    """
    blocks = []
    for name, keys in {"": FILE_KEYS, **{name: keys for name, (_, keys) in TABLES.items()}}.items():
        part = getattr(log_map, name) if name else log_map
        texts = {} if part is None else {key: field.text(part) for key, field in keys.items()}
        given = {key: text for key, text in texts.items() if text is not None}
        lines = [f"{key} = {text}" for key, text in given.items()]
        if explained:
            others = ((f"# {key} = {field.example}", field.words) for key, field in keys.items() if key not in given)
            lines += [f"{text:<36}  # {word}" for text, word in others]
        if name and lines:
            lines.insert(0, f"[{name}]" if given else f"# [{name}]")
        blocks += ["\n".join(lines) + "\n"] * bool(lines)
    return "\n".join(blocks)
