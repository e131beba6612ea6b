"""A column map's TOML in and out."""

from __future__ import annotations

import difflib
import itertools
import re
import tomllib
from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from ..files import Fault, InputFault, read_text
from ..machine.fields import Check, Field, one_of, quantity, read_fields, whole, words, yes_or_no
from ..units import parse_steps
from .map import (
    CLOCK_UNITS,
    DELIMITERS,
    LENGTH_UNITS,
    Changes,
    Clock,
    Column,
    Counter,
    Label,
    Length,
    LogMap,
    Position,
    RungColumn,
    RungValue,
)

_DISTANCE: Check = quantity("distance", "0.0000001 mm", "10000 mm")


def _column(value: object) -> Column:
    if isinstance(value, str) and value.strip():
        return value.strip()
    if isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 100_000:
        return value
    raise ValueError('must be a column\'s name in quotes ("t_us") or its number, counted from 1')


def _columns(value: object) -> tuple[tuple[str, Column], ...]:
    if not isinstance(value, dict) or not value:
        raise ValueError('must name a column for each axis: { X = "cx", Y = "cy" }')
    return tuple((words(16)(axis), _column(column)) for axis, column in value.items())


def _wraps_at(value: object) -> int:
    text = re.fullmatch(r"\s*(8|16|24|32)[ -]?bits?\s*", value) if isinstance(value, str) else None
    if text:
        return 1 << int(text[1])
    if isinstance(value, int) and not isinstance(value, bool) and 4 <= value <= 1 << 48:
        return value
    raise ValueError('must be "8 bit", "16 bit", "32 bit" or the whole number of counts after which it wraps')


def _length_unit(value: object) -> Fraction:
    if isinstance(value, str) and value in LENGTH_UNITS:
        return LENGTH_UNITS[value]
    if isinstance(value, str) and " per " in value:
        return 1 / parse_steps(value).value
    raise ValueError(f'must be one of {", ".join(LENGTH_UNITS)}, or counts such as "80 per mm"')


def _rung_value(value: object) -> RungValue:
    if isinstance(value, int) and not isinstance(value, bool):
        return int(whole(1, 1000)(value))
    if isinstance(value, str):
        return Fraction(_DISTANCE(value).value)
    raise ValueError('must be a distance per click ("0.1 mm") or the rung\'s position (1, 2, ...)')


def _one_kind(values: Sequence[RungValue]) -> None:
    if len({isinstance(value, Fraction) for value in values}) > 1:
        raise ValueError("must be distances throughout or positions throughout, not both")


def _rung_names(value: object) -> tuple[tuple[str, RungValue], ...]:
    if not isinstance(value, dict) or not value:
        raise ValueError('must say what each text means: { fine = "0.01 mm", coarse = "1 mm" }')
    pairs = tuple((str(name), _rung_value(rung)) for name, rung in value.items())
    _one_kind([rung for _, rung in pairs])
    return pairs


def _changes(value: object) -> Changes:
    form = '[{ from = "0 s", rung = "0.1 mm" }, ...] in order of time'
    if not isinstance(value, list) or not value or not all(isinstance(v, dict) for v in value):
        raise ValueError(f"must be a list like {form}")
    if any(set(v) != {"from", "rung"} for v in value):
        raise ValueError(f'each change needs "from" and "rung" and nothing else: {form}')
    read_from = quantity("time", "from 0 s", "100000000 s")
    pairs = tuple((float(read_from(v["from"]).value), _rung_value(v["rung"])) for v in value)
    _one_kind([rung for _, rung in pairs])
    if any(b[0] <= a[0] for a, b in itertools.pairwise(pairs)):
        raise ValueError(f"must be {form}")
    return pairs


def _ladder(value: object) -> tuple[Fraction, ...]:
    gains = [_rung_value(v) for v in value] if isinstance(value, list) else []
    if not gains or not all(isinstance(gain, Fraction) for gain in gains):
        raise ValueError('must list the distance per click of each position: ["0.01 mm", "0.1 mm"]')
    return tuple(Fraction(gain) for gain in gains)


def _names(value: object) -> tuple[tuple[str, str], ...]:
    if not isinstance(value, dict) or not value:
        raise ValueError('must say what each text means: { "0" = "X", "1" = "Y" }')
    return tuple((str(name), words(100)(label)) for name, label in value.items())


def _delimiter(value: object) -> str:
    if isinstance(value, str) and value in DELIMITERS:
        return DELIMITERS[value]
    if (
        isinstance(value, str)
        and len(value) == 1
        and value.isprintable()
        and not value.isalnum()
        and value not in "\"'.+-#"
    ):
        return value
    raise ValueError('must be one character such as ";" or ",", or "tab", or "space" (any run of blanks)')


def _optional(attribute: str, read: Check) -> Field:
    return Field(attribute=attribute, read=read, required=False)


_LABEL: Mapping[str, Field] = {
    "column": _optional("column", _column),
    "always": _optional("always", words(100)),
    "names": _optional("names", _names),
}
_LENGTH: Mapping[str, Field] = {
    "column": Field(attribute="column", read=_column),
    "unit": _optional("mm", _length_unit),
}
FILE_KEYS: Mapping[str, Field] = {
    "delimiter": _optional("delimiter", _delimiter),
    "decimal": _optional("decimal", one_of(".", ",")),
    "header": _optional("header", yes_or_no),
    "lines": _optional("lines", words(200)),
    "pairs": _optional("pairs", one_of("=", ":")),
    "comment": _optional("comment", words(1)),
    "simulated": _optional("simulated", yes_or_no),
}
TABLES: Mapping[str, tuple[type, Mapping[str, Field]]] = {
    "time": (Clock, {
        "column": Field(attribute="column", read=_column),
        "unit": _optional("unit", one_of(*CLOCK_UNITS)),
        "wraps_at": _optional("wraps_at", _wraps_at),
        "kind": _optional("kind", one_of("running", "since_last")),
    }),
    "knob": (Counter, {
        "column": _optional("column", _column),
        "columns": _optional("columns", _columns),
        "kind": _optional("kind", one_of("running", "increments")),
        "counts_per_detent": _optional("counts_per_detent", one_of(1, 2, 4, 8)),
        "wraps_at": _optional("wraps_at", _wraps_at),
        "reversed": _optional("reversed", yes_or_no),
    }),
    "axis": (Label, _LABEL),
    "rung": (RungColumn, {
        "column": _optional("column", _column),
        "means": _optional("means", one_of("gain", "rung", "multiplier")),
        "unit": _optional("mm", _length_unit),
        "base": _optional("base", _DISTANCE),
        "counts_from": _optional("counts_from", whole(0, 1)),
        "names": _optional("names", _rung_names),
        "ladder": _optional("ladder", _ladder),
        "always": _optional("always", _rung_value),
        "changes": _optional("changes", _changes),
    }),
    "position": (Position, {
        "column": _optional("column", _column),
        "columns": _optional("columns", _columns),
        "unit": _optional("mm", _length_unit),
        "is": _optional("kind", one_of("commanded", "counted", "measured")),
    }),
    "goal": (Length, _LENGTH),
    "tolerance": (Length, _LENGTH),
    "person": (Label, _LABEL),
    "marker": (Label, _LABEL),
}  # fmt: skip


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
        raise InputFault(source, [f"is not TOML ({error}): correct the line"]) from error
    faults: list[Fault] = []
    log_map = _build(tables, faults)
    if faults or log_map is None:
        raise InputFault(source, faults)
    return log_map


def _build(tables: dict[str, Any], faults: list[Fault]) -> LogMap | None:
    part_fields = {name: Field(attribute=name, read=lambda table: table, required=False) for name in TABLES}
    top = _read_keys(tables, "", {**FILE_KEYS, **part_fields}, faults)
    parts: dict[str, Any] = {}
    for name, (kind, fields) in TABLES.items():
        if name in top:
            found = _settled(name, _read_keys(top.pop(name), name, fields, faults), tables[name], faults)
            parts[name] = kind(**found) if found is not None and not faults else None
    if "time" not in tables:
        faults.append(Fault("time", rule="is missing", cure='add a table [time] with column = "..." and unit = "ms"'))
    if "knob" not in tables and "position" not in tables:
        faults.append(Fault("knob", rule="is missing, and so is [position]", cure='add a table [knob] with column = "..."'))
    _check_separators(top, faults)
    return None if faults else LogMap(**top, **parts)


def _read_keys(table: object, where: str, fields: Mapping[str, Field], faults: list[Fault]) -> dict[str, Any]:
    """Read one table; the fault of a key that is not known names every key the table can have."""
    if isinstance(table, dict):
        for key in [key for key in table if key not in fields]:
            near = difflib.get_close_matches(key, fields, n=1, cutoff=0.6)
            cure = f'did you mean "{near[0]}"? ' if near else ""
            path = f"{where}: {key}" if where else key
            faults.append(Fault(path, table[key], "is not a known key", f"{cure}{_all_keys(where, fields)}"))
        table = {key: value for key, value in table.items() if key in fields}
    return read_fields(table, where, fields, faults)


def _all_keys(where: str, fields: Mapping[str, Field]) -> str:
    names = [f"[{key}]" if not where and key in TABLES else key for key in fields]
    return f"{f'[{where}]' if where else 'a map'} can have {', '.join(names)}"


def _check_separators(top: Mapping[str, Any], faults: list[Fault]) -> None:
    if top.get("decimal") == "," and top.get("delimiter") == ",":
        faults.append(Fault("decimal", ",", "can't be a comma where the delimiter is one", "correct one of them"))


def _settled(name: str, found: dict[str, Any], table: object, faults: list[Fault]) -> dict[str, Any] | None:
    """What one table says, with its either-or keys settled."""
    if not isinstance(table, dict):
        return None
    if name in ("knob", "position"):
        return _one_or_many(name, found, table, faults)
    if name == "rung":
        return _settled_rung(found, table, faults)
    if name in ("axis", "person", "marker") and ("column" in table) == ("always" in table):
        faults.append(Fault(name, rule='needs either column = "..." or always = "...", and not both'))
    return found


def _one_or_many(name: str, found: dict[str, Any], table: Mapping[str, Any], faults: list[Fault]) -> dict[str, Any]:
    if ("column" in table) == ("columns" in table):
        faults.append(Fault(name, rule='needs either column = "..." or columns = { X = "...", Y = "..." }, and not both'))
    single = found.pop("column", None)
    if single is not None:
        found["columns"] = (("", single),)
    return found


def _settled_rung(found: dict[str, Any], table: Mapping[str, Any], faults: list[Fault]) -> dict[str, Any]:
    ways = [key for key in ("column", "always", "changes") if key in table]
    if len(ways) != 1:
        faults.append(Fault("rung", rule='needs one of column = "...", always = "0.1 mm" or changes = [...], and not more'))
    multiplier = found.get("means") == "multiplier"
    if multiplier != ("base" in table):
        cure = 'add base = "0.01 mm"' if multiplier else 'add means = "multiplier", or remove it'
        faults.append(Fault("rung: base", table.get("base"), "belongs to a multiplier, which needs it", cure))
    base = found.pop("base", None)
    if base is not None:
        found["mm"] = base.value
    if "column" in table and ("unit" in table or "ladder" in table):
        found.setdefault("means", "rung" if "ladder" in table else "gain")
    return found


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return str(value)
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'


def _plain(value: RungValue) -> object:
    """A rung as a map says it: a distance in mm or um, or the position itself."""
    if not isinstance(value, Fraction):
        return value
    decimal = Decimal(value.numerator) / Decimal(value.denominator)
    if Fraction(decimal) == value:
        return f"{decimal.normalize():f} mm"
    return f"{value.numerator}/{value.denominator} mm"


def _unit_text(mm: Fraction) -> str:
    for unit, factor in LENGTH_UNITS.items():
        if factor == mm:
            return unit
    per_mm = 1 / mm
    return f"{per_mm.numerator}/{per_mm.denominator} per mm"


def map_text(log_map: LogMap, *, explained: bool = False) -> str:
    """The map as TOML, ready to be kept beside the log; `parse_map` reads it back.

    `explained` adds every other key the map could have as a comment, each with an example and a few words.

    >>> print(map_text(LogMap(time=Clock(column="t", unit="ms"), knob=Counter(columns=(("", 2),)))))
    [time]
    column = "t"
    unit = "ms"
    <BLANKLINE>
    [knob]
    column = 2
    kind = "running"
    <BLANKLINE>
    [axis]
    always = "X"
    <BLANKLINE>
    [rung]
    always = 1
    <BLANKLINE>
    """
    tables = {
        "time": _time_lines(log_map.time), "knob": _knob_lines(log_map.knob),
        "axis": _label_lines("axis", log_map.axis), "rung": _rung_lines(log_map.rung),
        "position": _position_lines(log_map.position), "goal": _length_lines("goal", log_map.goal),
        "tolerance": _length_lines("tolerance", log_map.tolerance),
        "person": _label_lines("person", log_map.person), "marker": _label_lines("marker", log_map.marker),
    }  # fmt: skip
    parts = {"": _head_lines(log_map), **tables}
    if explained:
        parts = {name: lines + _other_keys(name, lines) for name, lines in parts.items()}
    return "\n".join("\n".join(lines) + "\n" for lines in parts.values() if lines)


_LABEL_WORDS = {
    "column": ("3", "the column's name, or its number from 1"),
    "always": ('"X"', "instead of a column: the same for every row"),
    "names": ('{ "0" = "X", "1" = "Y" }', "what the column's texts stand for"),
}
_LENGTH_WORDS = {
    "column": ("6", "the column's name, or its number from 1"),
    "unit": ('"mm"', f"one of {', '.join(LENGTH_UNITS)}, or counts such as 80 per mm"),
}
KEY_WORDS: Mapping[str, Mapping[str, tuple[str, str]]] = {
    "": {
        "delimiter": ('";"', "what stands between two cells: one sign, tab or space"),
        "decimal": ('","', "the decimal mark: . or ,"),
        "header": ("true", "whether a line names the columns"),
        "lines": ('"J*"', "only lines of this shape count: * any text, ? one character"),
        "pairs": ('"="', "each cell is a name and a value, as in T=12454: columns are these names; = or :"),
        "comment": ('"#"', "lines that begin with this sign are passed over"),
        "simulated": ("true", "the log was not recorded but computed"),
    },
    "time": {
        "column": ("1", "the column's name, or its number from 1"),
        "unit": ('"ms"', f"one of {', '.join(CLOCK_UNITS)}"),
        "wraps_at": ('"32 bit"', "where the clock runs over: 8, 16, 24, 32 bit or a number of ticks"),
        "kind": ('"since_last"', "running: a clock; since_last: the time since the row above"),
    },
    "knob": {
        "column": ("2", "the column's name, or its number from 1"),
        "columns": ('{ X = "cx", Y = "cy" }', "instead of column: one for each axis"),
        "kind": ('"increments"', "running: a counter; increments: the counts since the row above"),
        "counts_per_detent": ("4", "how far it counts in one click: 1, 2, 4 or 8"),
        "wraps_at": ('"16 bit"', "where the counter runs over: 8, 16, 24, 32 bit or a number of counts"),
        "reversed": ("true", "it counts down where the axis should go up"),
    },
    "axis": _LABEL_WORDS,
    "rung": {
        "column": ("4", "the column's name, or its number from 1"),
        "means": ('"rung"', "gain: a distance per click; rung: the selector's position; multiplier: times base"),
        "unit": ('"mm"', f"of a gain: one of {', '.join(LENGTH_UNITS)}"),
        "base": ('"0.01 mm"', "of a multiplier: the distance per click of x1"),
        "counts_from": ("0", "of a position: the number of the first, 0 or 1"),
        "names": ('{ fine = "0.01 mm", coarse = "1 mm" }', "what the column's texts stand for"),
        "ladder": ('["0.01 mm", "0.1 mm"]', "of a position: the distance per click of each, in order"),
        "always": ('"0.1 mm"', "instead of a column: the same for every row"),
        "changes": ('[{ from = "0 s", rung = "0.1 mm" }]', "instead of a column: from when on which rung"),
    },
    "position": {
        "column": ("5", "the column's name, or its number from 1"),
        "columns": ('{ X = "px", Y = "py" }', "instead of column: one for each axis"),
        "unit": ('"mm"', f"one of {', '.join(LENGTH_UNITS)}, or counts such as 80 per mm"),
        "is": ('"measured"', "where it comes from: commanded, counted or measured"),
    },
    "goal": _LENGTH_WORDS,
    "tolerance": _LENGTH_WORDS,
    "person": _LABEL_WORDS,
    "marker": _LABEL_WORDS,
}  # fmt: skip
"""For every key of a map an example of its value, and a few words on what it says."""


def _other_keys(name: str, lines: Sequence[str]) -> list[str]:
    """The keys of one table that these lines don't give, as comments."""
    given = {line.partition(" = ")[0] for line in lines}
    head = [f"# [{name}]"] * (bool(name) and not lines)
    others = [(f"# {key} = {value}", word) for key, (value, word) in KEY_WORDS[name].items() if key not in given]
    return head + [f"{text:<36}  # {word}" for text, word in others]


def _head_lines(log_map: LogMap) -> list[str]:
    named = {text: name for name, text in DELIMITERS.items()}
    delimiter = None if log_map.delimiter is None else named.get(log_map.delimiter, log_map.delimiter)
    values = {
        "delimiter": delimiter, "decimal": log_map.decimal, "header": log_map.header, "lines": log_map.lines,
        "pairs": log_map.pairs,
    }  # fmt: skip
    lines = [f"{key} = {_toml(value)}" for key, value in values.items() if value is not None]
    lines += [f"comment = {_toml(log_map.comment)}"] * (log_map.comment != "#")
    return lines + ["simulated = true"] * log_map.simulated


def _time_lines(clock: Clock) -> list[str]:
    lines = ["[time]", f"column = {_toml(clock.column)}", f"unit = {_toml(clock.unit)}"]
    lines += [f"wraps_at = {clock.wraps_at}"] * (clock.wraps_at is not None)
    return lines + [f"kind = {_toml(clock.kind)}"] * (clock.kind != "running")


def _pairs(pairs: Sequence[tuple[str, object]]) -> str:
    return "{ " + ", ".join(f"{_toml(name)} = {_toml(value)}" for name, value in pairs) + " }"


def _column_line(columns: tuple[tuple[str, Column], ...]) -> str:
    if columns[0][0] == "":
        return f"column = {_toml(columns[0][1])}"
    return f"columns = {_pairs(columns)}"


def _knob_lines(knob: Counter | None) -> list[str]:
    if knob is None:
        return []
    lines = ["[knob]", _column_line(knob.columns), f"kind = {_toml(knob.kind)}"]
    lines += [f"counts_per_detent = {knob.counts_per_detent}"] * (knob.counts_per_detent != 1)
    lines += [f"wraps_at = {knob.wraps_at}"] * (knob.wraps_at is not None)
    return lines + ["reversed = true"] * knob.reversed


def _label_lines(name: str, label: Label | None) -> list[str]:
    if label is None:
        return []
    lines = [f"[{name}]"]
    lines += [f"column = {_toml(label.column)}"] * (label.column is not None)
    lines += [f"always = {_toml(label.always)}"] * (label.always is not None)
    return lines + [f"names = {_pairs(label.names)}"] * bool(label.names)


def _rung_lines(rung: RungColumn) -> list[str]:
    if rung.always is not None:
        return ["[rung]", f"always = {_toml(_plain(rung.always))}"]
    if rung.changes:
        changes = ", ".join(f'{{ from = "{at!r} s", rung = {_toml(_plain(value))} }}' for at, value in rung.changes)
        return ["[rung]", f"changes = [{changes}]"]
    lines = ["[rung]", f"column = {_toml(rung.column)}"]
    lines += [f"means = {_toml(rung.means)}"] * (rung.means is not None)
    if rung.means == "multiplier":
        lines.append(f"base = {_toml(_plain(rung.mm))}")
    lines += [f"unit = {_toml(_unit_text(rung.mm))}"] * (rung.means in ("gain", None) and rung.mm != 1)
    lines += [f"counts_from = {rung.counts_from}"] * (rung.counts_from != 1)
    lines += [f"names = {_pairs([(n, _plain(v)) for n, v in rung.names])}"] * bool(rung.names)
    return lines + [f"ladder = [{', '.join(_toml(_plain(g)) for g in rung.ladder)}]"] * bool(rung.ladder)


def _position_lines(position: Position | None) -> list[str]:
    if position is None:
        return []
    lines = ["[position]", _column_line(position.columns)]
    lines += [f"unit = {_toml(_unit_text(position.mm))}"] * (position.mm != 1)
    return lines + [f"is = {_toml(position.kind)}"] * (position.kind is not None)


def _length_lines(name: str, length: Length | None) -> list[str]:
    if length is None:
        return []
    return [f"[{name}]", f"column = {_toml(length.column)}"] + [f"unit = {_toml(_unit_text(length.mm))}"] * (
        length.mm != 1
    )
