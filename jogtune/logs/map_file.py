"""The column map's TOML."""

import contextlib
import itertools
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from ..files import Fault, InputFault, read_text
from ..machine.readers import Check, Field, _is, checked, one_of, quantity, read_fields, read_tables, whole, words, yes_or_no
from ..units import parse_quantity
from .map import (
    _CLOCK_UNITS,
    _LENGTH_UNITS,
    LogMap,
    _Clock,
    _Counter,
    _Label,
    _Length,
    _Position,
    _RungColumn,
    _RungValue,
)  # fmt: skip

_DELIMITERS: Mapping[str, str] = {"tab": "\t", "space": " "}
_DISTANCE: Check = quantity("distance", "0.0000001 mm", "10000 mm")


def _either(rule: str, *reads: Check) -> Check:
    """A reader that takes what the first of some readers takes."""

    def read(value: object) -> Any:
        for one in reads:
            with contextlib.suppress(ValueError):
                return one(value)
        raise ValueError(rule)

    return read


_COLUMN = 'must be a column\'s name in quotes ("t_us") or its number, counted from 1'
_column = _either(
    _COLUMN, checked((lambda value: isinstance(value, str) and bool(value.strip()), _COLUMN), make=str.strip), whole(1, 100_000)
)


def _each(rule: str, left: Check, right: Check) -> Check:
    """A reader of a table of names and values, as pairs."""
    whole_table = (lambda value: isinstance(value, dict) and len(value) > 0, rule)
    return checked(whole_table, make=lambda value: tuple((left(name), right(one)) for name, one in value.items()))


_WRAPS = {f"{bits}{gap}{word}": 1 << bits for bits in (8, 16, 24, 32) for gap in ("", " ", "-") for word in ("bit", "bits")}
_wraps_at = _either(
    'must be "8 bit", "16 bit", "32 bit" or the whole number of counts after which it wraps',
    checked((lambda value: isinstance(value, str) and value.strip() in _WRAPS, ""), make=lambda text: _WRAPS[text.strip()]),
    whole(4, 1 << 48),
)
_share = checked((lambda value: _is(int, Decimal)(value) and 0 <= value <= 1, "must be a share of the rows, 0 to 1"), make=Fraction)


def _length_unit(value: object) -> Fraction:
    if isinstance(value, str) and value in _LENGTH_UNITS:
        return _LENGTH_UNITS[value]
    counts = parse_quantity(value, "steps").value if isinstance(value, str) and re.search("[0-9]", value) else Fraction(0)
    if counts > 0:
        return 1 / counts
    raise ValueError(f'must be one of {", ".join(_LENGTH_UNITS)}, or counts such as "80 per mm"')


def _rung_value(value: object) -> _RungValue:
    if isinstance(value, int) and not isinstance(value, bool):
        return int(whole(1, 1000)(value))
    if isinstance(value, str):
        return Fraction(_DISTANCE(value).value)
    raise ValueError('must be a distance per click ("0.1 mm") or the rung\'s position (1, 2, ...)')


def _of_one_kind(pairs: tuple[tuple[Any, _RungValue], ...]) -> tuple[tuple[Any, _RungValue], ...]:
    if len({isinstance(value, Fraction) for _, value in pairs}) > 1:
        raise ValueError("must be distances throughout or positions throughout, not both")
    return pairs


_RUNG_NAMES = _each('must say what each text means: { fine = "0.01 mm", coarse = "1 mm" }', str, _rung_value)


def _changes(value: object) -> tuple[tuple[float, _RungValue], ...]:
    form = '[{ from = "0 s", rung = "0.1 mm" }, ...] in order of time'
    if not isinstance(value, list) or not value or not all(isinstance(v, dict) for v in value):
        raise ValueError(f"must be a list like {form}")
    if any(set(v) != {"from", "rung"} for v in value):
        raise ValueError(f'each change needs "from" and "rung" and nothing else: {form}')
    read_from = quantity("time", "from 0 s", "100000000 s")
    pairs = _of_one_kind(tuple((float(read_from(v["from"]).value), _rung_value(v["rung"])) for v in value))
    if any(b[0] <= a[0] for a, b in itertools.pairwise(pairs)):
        raise ValueError(f"must be {form}")
    return pairs


def _ladder(value: object) -> tuple[Fraction, ...]:
    gains = [_rung_value(v) for v in value] if isinstance(value, list) else []
    if not gains or not all(isinstance(gain, Fraction) for gain in gains):
        raise ValueError('must list the distance per click of each position: ["0.01 mm", "0.1 mm"]')
    return tuple(Fraction(gain) for gain in gains)


def _delimiter(value: object) -> str:
    if isinstance(value, str) and value in _DELIMITERS:
        return _DELIMITERS[value]
    one_sign = isinstance(value, str) and len(value) == 1 and value.isprintable() and not value.isalnum()
    if isinstance(value, str) and one_sign and value not in "\"'.+-#":
        return value
    raise ValueError('must be one character such as ";" or ",", or "tab", or "space" (any run of blanks)')


def _toml(value: object) -> str:
    if isinstance(value, bool | int):
        return str(value).lower()
    if isinstance(value, Fraction):
        return f'"{_plain(value)} mm"'
    if isinstance(value, tuple) and isinstance(value[0], tuple):
        return "{ " + ", ".join(f"{_toml(name)} = {_toml(one)}" for name, one in value) + " }"
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'


def _plain(value: Fraction) -> str:
    decimal = Decimal(value.numerator) / Decimal(value.denominator)
    return f"{decimal.normalize():f}" if Fraction(decimal) == value else f"{value.numerator}/{value.denominator}"


def _unit_text(mm: Fraction) -> str:
    unit = next((unit for unit, factor in _LENGTH_UNITS.items() if factor == mm), None)
    return _toml(unit or f"{(1 / mm).numerator}/{(1 / mm).denominator} per mm")


def _changes_text(changes: Sequence[tuple[float, _RungValue]]) -> str:
    return "[" + ", ".join(f'{{ from = "{at!r} s", rung = {_toml(value)} }}' for at, value in changes) + "]"


@dataclass(frozen=True)
class _Key(Field):
    """One key of a map. Written only in the tables that it `fits`, and a usual value only where it is said `always`."""

    required: bool = False
    fits: Callable[[Any], bool] = lambda _: True
    always: bool = False

    def text(self, part: Any) -> str | None:
        """The value as TOML, or None where it needs no saying."""
        value = getattr(part, self.attribute)
        usual = type(part).__dataclass_fields__[self.attribute].default
        if value is None or not self.fits(part) or (value == usual and not self.always):
            return None
        return (self.write or _toml)(value)


_COLUMN_WORDS = "the column's name, or its number from 1"
_ALWAYS_WORDS, _NAMES_WORDS = "instead of a column: the same for every row", "what the column's texts stand for"
_LENGTH_UNIT = _Key("mm", _length_unit, '"mm"', f"one of {', '.join(_LENGTH_UNITS)}, or counts such as 80 per mm", _unit_text)
_LENGTH = {"column": _Key("column", _column, "6", _COLUMN_WORDS, required=True), "unit": _LENGTH_UNIT}
_LABEL = {
    "column": _Key("column", _column, "3", _COLUMN_WORDS),
    "always": _Key("always", words(100), '"X"', _ALWAYS_WORDS),
    "names": _Key("names", _each('must say what each text means: { "0" = "X", "1" = "Y" }', str, words(100)),
                 '{ "0" = "X", "1" = "Y" }', _NAMES_WORDS),
}


def _one_or_many(example: str, examples: str) -> dict[str, _Key]:
    return {
        "column": _Key("columns", lambda value: (("", _column(value)),), example, _COLUMN_WORDS,
                      lambda columns: _toml(columns[0][1]), fits=lambda part: part.columns[0][0] == ""),
        "columns": _Key("columns", _each('must name a column for each axis: { X = "cx", Y = "cy" }', words(16), _column),
                       examples, "instead of column: one for each axis", fits=lambda part: part.columns[0][0] != ""),
    }  # fmt: skip


_FILE_KEYS: Mapping[str, _Key] = {
    "delimiter": _Key("delimiter", _delimiter, '";"', "what stands between two cells: one sign, tab or space",
                     lambda value: _toml({sign: name for name, sign in _DELIMITERS.items()}.get(value, value))),
    "decimal": _Key("decimal", one_of(".", ","), '","', "the decimal mark: . or ,"),
    "header": _Key("header", yes_or_no, "true", "whether a line names the columns"),
    "lines": _Key("lines", words(200), '"J*"', "only lines of this shape count: * any text, ? one character"),
    "pairs": _Key("pairs", one_of("=", ":", "letters"), '"="',
                 "each cell is a name and a value: columns are these names; = or :, or letters as in T12454"),
    "comment": _Key("comment", words(1), '"#"', "lines that begin with this sign are passed over"),
    "simulated": _Key("simulated", yes_or_no, "true", "the log was not recorded but computed"),
    "fits": _Key("fits", _share, "0.5", "the share of rows that the map must be able to read (0.9 where it is not said)", _plain),
}  # fmt: skip
_TABLES: Mapping[str, tuple[type, Mapping[str, _Key]]] = {
    "time": (_Clock, {
        "column": _Key("column", _column, "1", _COLUMN_WORDS, required=True),
        "unit": _Key("unit", one_of(*_CLOCK_UNITS), '"ms"', f"one of {', '.join(_CLOCK_UNITS)}", always=True),
        "wraps_at": _Key("wraps_at", _wraps_at, '"32 bit"', "where the clock runs over: 8, 16, 24, 32 bit or a number of ticks"),
        "kind": _Key("kind", one_of("running", "since_last"), '"since_last"',
                    "running: a clock; since_last: the time since the row above"),
    }),
    "knob": (_Counter, {
        **_one_or_many("2", '{ X = "cx", Y = "cy" }'),
        "kind": _Key("kind", one_of("running", "increments"), '"increments"',
                    "running: a counter; increments: the counts since the row above", always=True),
        "counts_per_detent": _Key("counts_per_detent", one_of(1, 2, 4, 8), "4", "how far it counts in one click: 1, 2, 4 or 8"),
        "wraps_at": _Key("wraps_at", _wraps_at, '"16 bit"',
                        "where the counter runs over: 8, 16, 24, 32 bit or a number of counts"),
        "reversed": _Key("reversed", yes_or_no, "true", "it counts down where the axis should go up"),
    }),
    "axis": (_Label, _LABEL),
    "rung": (_RungColumn, {
        "column": _Key("column", _column, "4", _COLUMN_WORDS),
        "means": _Key("means", one_of("gain", "rung", "multiplier"), '"rung"',
                     "gain: a distance per click; rung: the selector's position; multiplier: times base"),
        "unit": _Key("mm", _length_unit, '"mm"', f"of a gain: one of {', '.join(_LENGTH_UNITS)}", _unit_text,
                    fits=lambda rung: rung.means != "multiplier"),
        "base": _Key("mm", lambda value: _DISTANCE(value).value, '"0.01 mm"', "of a multiplier: the distance per click of x1",
                    fits=lambda rung: rung.means == "multiplier", always=True),
        "counts_from": _Key("counts_from", whole(0, 1), "0", "of a position: the number of the first, 0 or 1"),
        "names": _Key("names", lambda value: _of_one_kind(_RUNG_NAMES(value)), '{ fine = "0.01 mm", coarse = "1 mm" }',
                      _NAMES_WORDS),
        "ladder": _Key("ladder", _ladder, '["0.01 mm", "0.1 mm"]', "of a position: the distance per click of each, in order"),
        "always": _Key("always", _rung_value, '"0.1 mm"', _ALWAYS_WORDS),
        "changes": _Key("changes", _changes, '[{ from = "0 s", rung = "0.1 mm" }]',
                       "instead of a column: from when on which rung", _changes_text),
    }),
    "position": (_Position, {
        **_one_or_many("5", '{ X = "px", Y = "py" }'),
        "unit": _LENGTH_UNIT,
        "is": _Key("kind", one_of("commanded", "counted", "measured"), '"measured"',
                  "where it comes from: commanded, counted or measured"),
    }),
    "goal": (_Length, _LENGTH),
    "tolerance": (_Length, _LENGTH),
    "person": (_Label, _LABEL),
    "marker": (_Label, _LABEL),
}  # fmt: skip
"""Table -> what it makes, and its keys."""


def read_map(path: str | Path) -> LogMap:
    """Read a column map (TOML); raises `InputFault` with every fault of the file."""
    return _parse_map(read_text(path), source=str(path))


def _parse_map(text: str, *, source: str = "map") -> LogMap:
    """Read a column map from its text.

    >>> _parse_map('[time]\\ncolumn = "t"\\nunit = "us"\\n[knob]\\ncolumn = 2\\nwraps_at = "16 bit"').knob.wraps_at
    65536
    """
    tables = read_tables(text, source)
    faults: list[Fault] = []
    log_map = _build(tables, faults)
    if log_map is None:
        raise InputFault(source, faults)
    return log_map


def _build(tables: dict[str, Any], faults: list[Fault]) -> LogMap | None:
    all_of_it = {**_FILE_KEYS, **{name: Field(name, lambda table: table, required=False) for name in _TABLES}}
    top = read_fields(tables, "", all_of_it, faults, _all_keys("", all_of_it))
    given = {name: (top.pop(name), _TABLES[name][1]) for name in _TABLES if name in top}
    found = {name: read_fields(table, name, keys, faults, _all_keys(name, keys)) for name, (table, keys) in given.items()}
    for name in found:
        if isinstance(tables[name], dict):
            _check_either_or(name, tables[name], found[name], faults)
    if "time" not in tables:
        faults.append(Fault("time", rule="is missing", cure='add a table [time] with column = "..." and unit = "ms"'))
    if "knob" not in tables and "position" not in tables:
        faults.append(Fault("knob", rule="is missing, and so is [position]", cure='add a table [knob] with column = "..."'))
    if top.get("decimal") == "," and top.get("delimiter") == ",":
        faults.append(Fault("decimal", ",", "can't be a comma where the delimiter is one", "correct one of them"))
    return None if faults else LogMap(**top, **{name: _TABLES[name][0](**keys) for name, keys in found.items()})


def _all_keys(where: str, fields: Mapping[str, Field]) -> str:
    names = [f"[{key}]" if not where and key in _TABLES else key for key in fields]
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
    """The map as TOML, ready to be kept beside the log; `_parse_map` reads it back.

    `explained` adds every other key the map could have as a comment, each with an example and a few words."""
    blocks = []
    for name, keys in {"": _FILE_KEYS, **{name: keys for name, (_, keys) in _TABLES.items()}}.items():
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
