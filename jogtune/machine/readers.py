"""How a value is read."""

from __future__ import annotations

import csv
import difflib
import io
import itertools
import math
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import partial
from typing import Any

from ..files import Fault, InputFault, quoted, read_text
from ..units import Quantity, parse_quantity
from . import start
from .model import Assumed

_Faults = list[Fault]
Check = Callable[[Any], Any]
"""Reads a value; raises ValueError with the rule, a colon and the cure."""


@dataclass(frozen=True)
class Field:
    """One key of a text table: the attribute it fills, how its value is read, an example of it as the file has it, what it says
    in a few words, and how a value is written back, where it is.

    `without` says what happens without the key, or how to find the figure where there is no doing without it. `start` is what is
    assumed then: start value and range (lowest and highest, or the choices) as the file would have them, or a function of what
    is known; () where it stays unknown. `unknown` is whether the file may say "unknown" instead of leaving it out."""

    attribute: str
    read: Check
    example: str = ""
    words: str = ""
    write: Callable[[Any], str] | None = None
    required: bool = True
    without: str = ""
    start: tuple[object, ...] | Callable[[start.Known], tuple[object, ...]] | None = None
    unknown: bool = False


UNKNOWN = "unknown"
"""What the file may say of a figure instead of leaving it out."""
_optional = partial(Field, required=False, unknown=True)
"""A key that may be left out."""
_usual = partial(_optional, without="as shown")
"""One whose example is what holds without it."""


_MOST_MARKS, _NAMED, _MOST_ROWS = 50_000, 20, 10_000  # keys, values and lists of a file; unknown keys named; rows: our choice
_DEEP = re.compile(r"""(?<![\w"'-])(?:[\w"'-]+[ \t]*\.[ \t]*){32}""")


def read_tables(text: str, source: str) -> dict[str, Any]:
    """The tables of TOML text, numbers exact. What would take longer than a second is refused unread: over 50,000 keys and
    values, a key of over 32 parts."""
    try:
        if sum(map(text.count, "=,[")) > _MOST_MARKS:
            raise ValueError(f"more than {_MOST_MARKS} keys and values")
        if deep := _DEEP.search(text):
            raise ValueError(f"a key of more than 32 parts (at line {text.count(chr(10), 0, deep.start()) + 1})")
        return tomllib.loads(text, parse_float=Decimal)
    except (ArithmeticError, RecursionError, ValueError) as error:
        said = "a number out of all bounds" if isinstance(error, ArithmeticError) or "set_int_max" in str(error) else error
        said = "tables or lists nested too deep" if isinstance(error, RecursionError) else said
        hint = " (a closing quote is probably missing)" if "Illegal character '\\n'" in str(error) else ""
        raise InputFault(source, [Fault(rule=f"not valid TOML: {said}", cure=f"mend this place in the file{hint}")]) from error


def read_rows(source: str, needed: Sequence[str]) -> tuple[list[tuple[int, Mapping[Any, Any]]], str]:
    """The rows of a CSV file with their lines, and what parts its columns: comma, semicolon or tab, whichever the head has most of.

    Raises `InputFault` where it can't be read, lacks a column of `needed`, or has over 10,000 rows."""
    text = read_text(source)
    apart = max(",;\t", key=text.split("\n", 1)[0].count)
    reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=apart, strict=True)
    try:
        reader.fieldnames = names = [name.strip().lower() for name in reader.fieldnames or ()]
        found = quoted(names) or "nothing"
        if absent := [name for name in needed if name not in names]:
            raise InputFault(source, [Fault(f"has no column {name} (found: {found})", cure="add it") for name in absent])
        rows: list[tuple[int, Mapping[Any, Any]]] = [(reader.line_num, row) for row in itertools.islice(reader, _MOST_ROWS + 1)]
        if len(rows) > _MOST_ROWS:
            raise InputFault(source, [Fault(rule=f"has more than {_MOST_ROWS} rows", cure="name another file")])
        return rows, apart
    except csv.Error as error:
        rule = f"is not readable as CSV ({error})"
        raise InputFault(source, [Fault(f"line {reader.reader.line_num}", rule=rule, cure="save it again as CSV")]) from error


def _tame(value: object) -> bool:
    """Whether arithmetic can take a value: a number is finite, below 10¹⁸ and of at most 18 decimals."""
    if isinstance(value, list):
        return all(map(_tame, value))
    if isinstance(value, Decimal):
        return value.is_finite() and value.adjusted() < 18 and int(value.as_tuple().exponent) >= -18
    return not isinstance(value, int | float) or (math.isfinite(value) if isinstance(value, float) else abs(value) < 10**18)


def checked(*rules: tuple[Callable[[Any], bool], str], make: Check = lambda value: value) -> Check:
    """A reader that holds a value to rules in turn, the first that fails is said."""

    def read(value: object) -> Any:
        for holds, rule in rules:
            if not holds(value):
                raise ValueError(rule)
        return make(value)

    return read


def _is(*types: type) -> Callable[[object], bool]:
    return lambda value: isinstance(value, types) and not isinstance(value, bool)


def whole(low: int, high: int) -> Check:
    """A reader of whole numbers within bounds."""
    rule = f"must be a whole number without quotes, {low} to {high}"
    return checked((_is(int), rule), (lambda value: low <= value <= high, f"must be {low} to {high}"))


def one_of(*words: object) -> Check:
    """A reader of one of a few words or numbers."""
    shown = ", ".join(f'"{word}"' if isinstance(word, str) else str(word) for word in words)
    return checked((lambda value: _is(*map(type, words))(value) and value in words, f"must be one of {shown}"))


def words(longest: int) -> Check:
    """A reader of a short line of text."""
    return checked(
        (lambda value: isinstance(value, str) and bool(value.strip()), "must be text in quotes, not empty"),
        (lambda value: len(value) <= longest and value.isprintable(), f"must be one line of at most {longest} characters"),
        make=str.strip,
    )


yes_or_no = checked((lambda value: isinstance(value, bool), "must be true or false, without quotes"))


@dataclass(frozen=True)
class _Within:
    """Reads a quantity within bounds given as people say them, as a `Quantity` or, `linear`, as a float in mm, s, detents/s.

    A bound of "0 ..." is allowed itself only where it is written "from 0 ..."."""

    kind: str
    low: str
    high: str
    linear: bool = False

    @property
    def bounds(self) -> tuple[Fraction, Fraction]:
        """The lowest and the highest value [mm, s, detents/s]."""
        return parse_quantity(self.low.removeprefix("from "), self.kind).value, parse_quantity(self.high, self.kind).value

    def __call__(self, value: object) -> Quantity | float:
        found, zero_allowed = parse_quantity(value, self.kind), self.low.startswith("from ")
        if found.value < 0 or (found.value == 0 and not zero_allowed):
            raise ValueError("must be 0 or above" if zero_allowed else "must be above 0")
        low, high = self.bounds
        if not low <= found.value <= high:
            raise ValueError(f"must be {self.low} to {self.high}: check number and unit")
        return float(found.value) if self.linear else found


quantity: Callable[..., Check] = _Within
_linear = partial(_Within, linear=True)


def read_fields(table: object, where: str, fields: Mapping[str, Field], faults: _Faults, all_keys: str = "") -> dict[str, Any]:
    """Read one table by its rows: attribute -> value for each good key; every fault is appended to `faults`."""
    if not isinstance(table, dict):
        faults.append(Fault(where, table, "must be a table with keys of its own"))
        return {}
    _note_unknown(table, where, fields, faults, all_keys)
    found = {}
    for key, field in fields.items():
        if key in table and not (field.unknown and table[key] == UNKNOWN):
            try:
                if not _tame(table[key]):
                    raise ValueError("must be a finite number of at most 18 digits before the point and 18 after")
                found[field.attribute] = field.read(table[key])
            except ValueError as error:
                rule, _, cure = str(error).partition(": ")
                if table[key] == UNKNOWN and field.without:
                    rule, cure = "is needed: steps, top_speed and finest of an axis have no start value", field.without
                faults.append(Fault(_place(where, key), table[key], rule, cure))
        elif field.required:
            example = f", for example {key} = {field.example}" if field.example else ""
            faults.append(Fault(_place(where, key), rule="is missing", cure=f"add it{example}"))
    return found


def _assume(
    where: str, fields: Mapping[str, Field], found: dict[str, Any], known: start.Known, place: tuple[str, ...],
    make: Callable[[Quantity], Any] = lambda quantity: quantity.value,
) -> list[Assumed]:  # fmt: skip
    """Add to what was read of a table the start values of what it leaves out, and list them. `make` turns a quantity into what
    the model holds."""
    listed = []
    for key, field in fields.items():
        if field.start is None or field.attribute in found:
            continue
        bounds = {"bounds": field.read.bounds} if isinstance(field.read, _Within) else {}
        given = field.start({**known, **found, **bounds}) if callable(field.start) else field.start
        values = [field.read(one) for one in given]
        if values:
            found[field.attribute] = values[0]
        ends = tuple(make(one) if isinstance(one, Quantity) else one for one in values[1:])
        first, *rest = map(str, given or [UNKNOWN])
        listed.append(Assumed(key=_place(where, key), value=first, range=tuple(rest), ends=ends, place=(*place, field.attribute)))
    return listed


_MEANT: Mapping[str, str] = {
    "maxspeed maxrate maxfeed speed rapid rapids feed topspeed vmax": "top_speed", "accel acceleration maxaccel": "ramp",
    "backlash play": "slack", "travel length range stroke": "reach", "microsteps microstepping microstep": "divide",
    "units unit": "show_in", "resolution": "finest",
}  # fmt: skip
"""What people call a key."""


def _note_unknown(table: Mapping[str, Any], where: str, known: Mapping[str, Any], faults: _Faults, all_keys: str = "") -> None:
    """Append a fault for each key that is not known, with the nearest that is and, where given, all that are."""
    unknown = [key for key in table if key not in known]
    for key in unknown[:_NAMED]:
        meant = next((name for words, name in _MEANT.items() if key.lower().replace("_", "") in words.split()), "")
        near = [meant] if meant in known else difflib.get_close_matches(key[:40], known, n=1, cutoff=0.6)
        near = [name for name in near if name != "calm_speed" or "calm" in key]  # a safety figure is never guessed
        cures = [*(f'did you mean "{name}"?' for name in near), all_keys]
        cure = " ".join(filter(None, cures)) or "remove it"
        faults.append(Fault(_place(where, key), table[key], "is not a known key", cure))
    if len(unknown) > _NAMED:
        faults.append(Fault(where, rule=f"and {len(unknown) - _NAMED} more that are not known keys", cure="remove them"))


def _place(where: str, key: str) -> str:
    """Where a key stands: its table and itself."""
    short = key if len(key) <= 60 else key[:59] + "…"
    return f"{where}: {short}" if where else short
