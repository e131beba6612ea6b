"""What a log's first lines say: delimiter, header and, where nobody gave one, a guess at the column map."""

from __future__ import annotations

import re
from collections import Counter as Tally
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from ..files import InputFault
from .columns import LENGTH_UNITS, Clock, Column, Counter, Label, Length, LogMap, Position, RungColumn, map_text
from .lines import NUMBER, Layout, cells_of, pairs_of, shape, split_cells

__all__ = ["Guess", "find_delimiter", "find_pairs", "guess_map", "read_head"]

TIDY_COLUMNS = (
    "time_s", "axis", "detents", "gain_mm", "rung", "position_mm", "goal_mm", "tolerance_mm", "person", "marker",
)  # fmt: skip
"""The columns of a tidy log, in their order; a log has `gain_mm` or `rung`, and only `time_s` and `detents` always."""
HEAD_LINES, HEAD_BYTES = 400, 1 << 20
_DELIMITERS = ("\t", ";", "|", ",", " ")
_SNIFFED = 100  # lines enough to tell delimiter and decimal mark
_NUMBER = re.compile(NUMBER)
Remark = tuple[int, str, str]
_UNITS = {
    "s": ("s", None), "sec": ("s", None), "ms": ("ms", None), "us": ("us", None),
    "µs": ("us", None), "ns": ("ns", None),
    "mm": (None, "mm"), "um": (None, "um"), "µm": (None, "um"), "in": (None, "in"), "inch": (None, "in"),
    "deg": (None, "deg"),
}  # fmt: skip
_ROLES = {
    "time": {"time", "t", "timestamp", "clock", "micros", "millis", "seconds", "elapsed"},
    "increments": {"detents", "detent", "clicks", "click", "delta", "increment", "increments"},
    "running": {"count", "counts", "counter", "cnt", "encoder", "enc", "ticks", "total"},
    "axis": {"axis", "ax"},
    "multiplier": {"multiplier", "mult", "factor"},
    "rung": {"rung", "selector", "sel", "switch"},
    "gain": {"gain", "step"},
    "position": {"position", "pos"},
    "goal": {"goal", "target"},
    "tolerance": {"tolerance", "tol"},
    "person": {"person", "student", "who"},
    "marker": {"marker", "mark", "event", "note"},
}


@dataclass(frozen=True, kw_only=True)
class Head:
    """The first lines of a log: (line number, text), and the notes of its opening comments."""

    lines: tuple[tuple[int, str], ...]
    notes: tuple[tuple[str, str], ...]

    def counted(self, log_map: LogMap | None = None) -> list[tuple[int, str]]:
        """The lines that could be rows or a header: not blank, no comment, of the map's shape."""
        wanted = shape(log_map.lines) if log_map and log_map.lines else None
        comment = log_map.comment if log_map else "#"
        return [
            (number, text) for number, text in self.lines
            if text.strip() and not text.startswith(comment) and (wanted is None or wanted.match(text))
        ]  # fmt: skip


def read_head(text: bytes, first_line: int = 1) -> Head:
    """The first few hundred lines of a block, and the `# key: value` notes it opens with.

    >>> head = read_head(b"# simulated: yes\\n# machine: inlay router\\ntime_s,detents\\n0.0,1\\n")
    >>> dict(head.notes), head.counted()[0]
    ({'simulated': 'yes', 'machine': 'inlay router'}, (3, 'time_s,detents'))
    """
    raw = text[:HEAD_BYTES].split(b"\n", HEAD_LINES)[:HEAD_LINES]
    lines = [(first_line + i, _decode(line)) for i, line in enumerate(raw)]
    notes: dict[str, str] = {}
    for _, line in lines:
        if not line.startswith("#"):
            break
        key, colon, value = line[1:].partition(":")
        if colon and key.strip():
            notes[key.strip().lower()] = value.strip()
    return Head(lines=tuple(lines), notes=tuple(notes.items()))


def _decode(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def find_delimiter(lines: Sequence[str]) -> str | None:
    """The delimiter under which most lines have equally many cells and most cells are numbers.

    >>> find_delimiter(["1,5;2;X", "1,7;3;X"])
    ';'
    """
    best, found = 0.0, None
    for delimiter in _DELIMITERS:
        rows = [cells for cells in (split_cells(line, delimiter) for line in lines) if cells]
        widths = Tally(len(cells) for cells in rows if len(cells) > 1)
        if not widths:
            continue
        width, count = widths.most_common(1)[0]
        numbers = sum(is_number(cell, delimiter) for cells in rows if len(cells) == width for cell in cells)
        score = count / len(rows) * (0.05 + numbers / (width * count))
        if score > best * 1.000001:
            best, found = score, delimiter
    return found


def is_number(cell: str, delimiter: str = ";") -> bool:
    """Whether a cell is a plain number, with a decimal comma where the delimiter isn't one."""
    return bool(_NUMBER.fullmatch(cell.strip())) and not (delimiter == "," and "," in cell)


def find_decimal(lines: Sequence[str], delimiter: str) -> str:
    """The decimal mark: a comma where more cells hold one than hold a point."""
    if delimiter == ",":
        return "."
    cells = [cell.strip() for line in lines for cell in split_cells(line, delimiter) or [] if is_number(cell)]
    return "," if sum("," in cell for cell in cells) > sum("." in cell for cell in cells) else "."


def find_layout(source: str, head: Head, log_map: LogMap) -> Layout:
    """How the lines are cut, from the map and the first lines; `InputFault` where the map's columns aren't there."""
    counted = head.counted(log_map)
    if not counted:
        shaped = f"has the shape {log_map.lines!r}" if log_map.lines else "holds anything"
        raise InputFault(source, [f"no line among the first {len(head.lines)} {shaped}: check the file and its map"])
    texts = [text for _, text in counted]
    if log_map.pairs:
        return _pairs_layout(source, head, log_map, texts)
    delimiter = log_map.delimiter or _delimiter_by_names(head, log_map) or find_delimiter(texts[:_SNIFFED]) or ","
    header = _header(source, head, log_map, delimiter)
    after = [text for number, text in counted if header is None or number > header[0]]
    decimal = log_map.decimal or find_decimal(after[:_SNIFFED], delimiter)
    names = None if header is None else tuple(cell.strip() for cell in split_cells(header[1], delimiter) or [])
    return Layout(
        delimiter=delimiter, decimal=decimal, width=_width(after[:_SNIFFED], delimiter, names), header=names,
        first_line=head.lines[0][0] if header is None else header[0] + 1,
        header_text=None if header is None else header[1], lines=log_map.lines, comment=log_map.comment,
    )  # fmt: skip


def _pairs_layout(source: str, head: Head, log_map: LogMap, texts: Sequence[str]) -> Layout:
    """How lines of names and values are cut: every name of the first lines is a column."""
    mark = log_map.pairs or "="
    delimiter = log_map.delimiter or (find_pairs(texts, mark) or " ")[0]
    found = [pairs for pairs in (pairs_of(split_cells(text, delimiter) or [], mark) for text in texts) if pairs]
    names = tuple(dict.fromkeys(name for pairs in found for name in pairs))
    wanted = {column for column in log_map.columns if isinstance(column, str)}
    if not wanted <= set(names):
        raise InputFault(source, _missing(wanted, set(names)))
    values = [";".join(pairs.values()) for pairs in found[:_SNIFFED]]
    return Layout(
        delimiter=delimiter, decimal=log_map.decimal or find_decimal(values, ";"), width=len(names), header=names,
        first_line=head.lines[0][0], lines=log_map.lines, comment=log_map.comment, pairs=mark,
    )  # fmt: skip


def find_pairs(lines: Sequence[str], marks: str = "=:") -> tuple[str, str] | None:
    """The delimiter and the mark under which at least half the lines are names and values, two or more.

    >>> find_pairs(["T=12454 C=4 A=X", "T=12494 C=8 A=X"])
    (' ', '=')
    """
    best, found = len(lines) / 2, None
    for delimiter in _DELIMITERS:
        rows = [cells for cells in (split_cells(line, delimiter) for line in lines) if cells]
        for mark in marks:
            fits = sum(len(pairs_of(cells, mark)) >= max(2, len(cells) - 1) for cells in rows)
            if fits > best or (fits == best and found is None):
                best, found = fits, (delimiter, mark)
    return found if best else None


def _delimiter_by_names(head: Head, log_map: LogMap) -> str | None:
    """The delimiter under which a line holds every name of the map, where it has at least two."""
    names = {column for column in log_map.columns if isinstance(column, str)}
    if len(names) < 2:
        return None
    lines = [text for _, text in head.lines if all(name in text for name in names)]
    fits = (d for text in lines for d in _DELIMITERS if names <= {c.strip() for c in split_cells(text, d) or []})
    return next(fits, None)


def _header(source: str, head: Head, log_map: LogMap, delimiter: str) -> tuple[int, str] | None:
    """The line that names the columns: the first that holds every name of the map."""
    names = {column for column in log_map.columns if isinstance(column, str)}
    lines = [(n, text) for n, text in head.lines if text.strip() and not text.startswith(log_map.comment)]
    if names:
        cut = []
        for n, text in lines:
            cut.append((n, text, {c.strip() for c in split_cells(text, delimiter) or []}))
            if names <= cut[-1][2]:
                return n, text
        raise InputFault(source, _missing(names, max(cut, key=lambda line: len(names & line[2]))[2]))
    if log_map.header is not None:
        return _naming_line(lines, delimiter) if log_map.header else None
    number, text = head.counted(log_map)[0]
    cells = split_cells(text, delimiter) or []
    time = log_map.time.column
    named = isinstance(time, int) and time <= len(cells) and re.match(r"[^\W\d]", cells[time - 1].strip())
    return (number, text) if named else None


def _naming_line(lines: Sequence[tuple[int, str]], delimiter: str) -> tuple[int, str]:
    """The first line of the usual width without a number in it, else the first line."""
    cut = [(n, text, split_cells(text, delimiter) or []) for n, text in lines]
    usual = Tally(len(cells) for _, _, cells in cut).most_common(1)[0][0]
    named = [(n, text) for n, text, cells in cut if len(cells) == usual and not any(is_number(c, delimiter) for c in cells)]
    return named[0] if named else lines[0]


def _missing(names: set[str], there: set[str]) -> list[str]:
    faults = []
    for name in sorted(names - there):
        near = get_close_matches(name, there, n=1)
        cure = f"did you mean {near[0]!r}?" if near else f"the columns there are {_quoted(sorted(there))}"
        faults.append(f"column {name!r} is not in the log: {cure}")
    return faults


def _quoted(names: Sequence[Column]) -> str:
    shown = ", ".join(repr(_shortened(name)) for name in names[:12])
    return shown + (f" and {len(names) - 12} more" if len(names) > 12 else "")


def _shortened(name: Column) -> Column:
    return name if isinstance(name, int) or len(name) <= 30 else name[:29] + "…"


def _width(lines: Sequence[str], delimiter: str, names: tuple[str, ...] | None) -> int:
    rows = [split_cells(line, delimiter) or [] for line in lines]
    if names is not None:
        rows = [row[:-1] if len(row) == len(names) + 1 and not row[-1].strip() else row for row in rows]
        rows = rows or [list(names)]
    widths = Tally(len(row) for row in rows if row)
    if names is not None and widths.get(len(names), 0) * 3 >= len(rows):
        return len(names)
    return widths.most_common(1)[0][0] if widths else 1


def column_index(source: str, layout: Layout, columns: Sequence[Column]) -> dict[Column, int]:
    """Where each column of the map is, counted from 0; `InputFault` names all that aren't there once."""
    names = layout.header or ()
    index: dict[Column, int] = {}
    faults = []
    for column in columns:
        if isinstance(column, int):
            index[column] = column - 1
        else:
            index[column] = names.index(column)
            if names.count(column) > 1:
                faults.append(f"column {column!r} is there {names.count(column)} times: give its number instead")
        if index[column] >= layout.width:
            faults.append(f"column {column!r}: the lines have only {layout.width} cells: check delimiter and map")
    if faults:
        raise InputFault(source, faults)
    return index


def question_rung(
    source: str, head: Head, layout: Layout, log_map: LogMap, index: Mapping[Column, int]
) -> list[Remark]:  # fmt: skip
    """A rung column of small whole numbers whose meaning the map doesn't say: a remark; with a 0, an `InputFault`."""
    rung = log_map.rung
    if rung.column is None or rung.means or rung.names:
        return []
    texts = [text for number, text in head.counted(log_map) if number >= layout.first_line]
    rows = [cells_of(text, layout) for text in texts]
    numbers = _number_columns([[row[index[rung.column]]] for row in rows if row], 1, layout.decimal)
    if 0 not in numbers or not looks_like_positions(numbers[0]):
        return []
    seen = ", ".join(f"{value:.0f}" for value in np.unique(numbers[0][np.isfinite(numbers[0])]))
    what = f"[rung] column {rung.column!r} holds {seen}, which looks like a position number"
    if np.nanmin(numbers[0]) > 0:
        done = 'read as mm per click; say means = "rung", counts_from = 1 in the map, or means = "gain" if it is right'
        return [(0, what, done)]
    raise InputFault(source, [f'{what}: say means = "rung", counts_from = 0 in the map (or means = "gain": mm per click)'])


# ------------------------------------------------------------------ the tidy log's own map


def tidy_map(head: Head) -> LogMap | None:
    """The map of a log in the tidy schema, or None where the first line doesn't name its columns."""
    counted = head.counted()
    names = [cell.strip() for cell in split_cells(counted[0][1], ",") or []] if counted else []
    return map_of_names(names, dict(head.notes))


def map_of_names(names: Sequence[str], notes: dict[str, str]) -> LogMap | None:
    """The tidy map for these column names, or None where time_s and detents (or a position) are not among them."""
    if "time_s" not in names or not {"detents", "position_mm"} & set(names):
        return None
    kind = notes.get("position")
    lengths = {name: Length(column=f"{name}_mm") if f"{name}_mm" in names else None for name in ("goal", "tolerance")}
    return LogMap(
        time=Clock(column="time_s"),
        knob=Counter(columns=(("", "detents"),), kind="increments") if "detents" in names else None,
        axis=Label(column="axis") if "axis" in names else Label(always="X"),
        rung=_tidy_rung(names),
        position=Position(
            columns=(("", "position_mm"),),
            kind=kind if kind in ("commanded", "counted", "measured") else None,  # type: ignore[arg-type]
        ) if "position_mm" in names else None,
        goal=lengths["goal"], tolerance=lengths["tolerance"],
        person=Label(column="person") if "person" in names else None,
        marker=Label(column="marker") if "marker" in names else None,
        delimiter=",", decimal=".", header=True, simulated=notes.get("simulated", "").lower() in ("yes", "true"),
    )  # fmt: skip


def _tidy_rung(names: Sequence[str]) -> RungColumn:
    if "gain_mm" in names:
        return RungColumn(column="gain_mm", means="gain")
    return RungColumn(column="rung", means="rung") if "rung" in names else RungColumn(always=1)


# ------------------------------------------------------------------ guessing


_FEWEST_CHANGES, _ENOUGH_CHANGES = 8, 20  # of a count, to say that they are multiples, and to go by it (our choice)
_MOST_POSITIONS = 12  # whole numbers up to this look like a selector's positions (our choice)


@dataclass(frozen=True, kw_only=True)
class Guess:
    """A guessed map, and what is to be said about it: (line, what, done).

    >>> guess = guess_map("log.txt", read_head(b"t_us;count\\n0;0\\n40000;3\\n80000;7\\n"))
    >>> guess.map.time.column, guess.remarks
    ('t_us', ())
    """

    map: LogMap
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True, kw_only=True)
class _Table:
    """The cells of a log's first lines: how a map calls the columns, and what names they may have."""

    rows: list[list[str]]
    columns: tuple[Column, ...]
    namings: tuple[tuple[str, ...], ...]
    delimiter: str
    decimal: str
    header: bool | None
    pairs: str | None = None

    @property
    def numbers(self) -> dict[int, npt.NDArray[np.float64]]:
        """The columns of numbers."""
        return _number_columns(self.rows, len(self.columns), self.decimal)


def guess_map(source: str, head: Head) -> Guess:
    """A map guessed from names and numbers of the first lines; `InputFault` says how to write one where none fits.

    >>> found = guess_map("log.txt", read_head(b"t_us;count;who\\n0;0;P1\\n40000;3;P1\\n80000;7;P1\\n")).map
    >>> found.time.unit, found.knob.kind, found.delimiter, found.person.column
    ('us', 'running', ';', 'who')
    """
    texts = [text for _, text in head.counted()]
    table = _pairs_table(texts) or _cell_table(head, texts)
    if table is None:
        raise InputFault(source, [_no_cells(texts)])
    numbers = table.numbers
    named = (_by_name(names, table.columns, numbers) for names in table.namings)
    guess = next((found for found in named if found), None) or _by_content(table.rows, table.columns, numbers)
    if guess is None:
        raise InputFault(source, [_no_guess(texts, table, numbers)])
    guess = replace(guess, delimiter=table.delimiter, decimal=table.decimal, header=table.header, pairs=table.pairs)
    guess, remarks = _with_counts_per_detent(guess, table, numbers)
    return Guess(map=guess, remarks=(*remarks, *_unused_columns(guess, table)))


def _pairs_table(texts: Sequence[str]) -> _Table | None:
    found = find_pairs(texts)
    if found is None:
        return None
    delimiter, mark = found
    pairs = [row for row in (pairs_of(split_cells(text, delimiter) or [], mark) for text in texts) if row]
    names = tuple(dict.fromkeys(name for row in pairs for name in row))
    decimal = find_decimal([";".join(row.values()) for row in pairs], ";")
    return _Table(
        rows=[[row.get(name, "") for name in names] for row in pairs], columns=names, namings=(names,),
        delimiter=delimiter, decimal=decimal, header=None, pairs=mark,
    )  # fmt: skip


def _cell_table(head: Head, texts: Sequence[str]) -> _Table | None:
    delimiter = find_delimiter(texts)
    if delimiter is None:
        return None
    rows = [row for row in (split_cells(text, delimiter) for text in texts) if row]
    width = Tally(map(len, rows)).most_common(1)[0][0]
    if width < 2:
        return None
    rows = [row for row in rows if len(row) == width]
    named = not any(is_number(cell, delimiter) for cell in rows[0])
    names = tuple(cell.strip() for cell in rows[0])
    often = Tally(names)
    good = [named and often[name] == 1 and name.isprintable() and name != "" for name in names]
    return _Table(
        rows=rows[named:], columns=tuple(names[i] if good[i] else i + 1 for i in range(width)),
        namings=(names,) if named else _comment_names(head, delimiter, width),
        delimiter=delimiter, decimal=find_decimal(texts, delimiter), header=named,
    )  # fmt: skip


def _comment_names(head: Head, delimiter: str, width: int) -> tuple[tuple[str, ...], ...]:
    """The comment lines that could name the columns: as many cells as a row, none of them a number."""
    comments = [text.lstrip("#").strip() for _, text in head.lines if text.startswith("#")]
    cut = [tuple(cell.strip() for cell in split_cells(text, delimiter) or []) for text in comments]
    return tuple(c for c in cut if len(c) == width and all(c) and not any(is_number(cell, delimiter) for cell in c))


def _with_counts_per_detent(
    guess: LogMap, table: _Table, numbers: dict[int, npt.NDArray[np.float64]]
) -> tuple[LogMap, list[Remark]]:  # fmt: skip
    """The map with counts_per_detent where every change of the count is a multiple of 2, 4 or 8, and that said."""
    if guess.knob is None:
        return guess, []
    columns = [column for _, column in guess.knob.columns]
    changes = [_changes(numbers[table.columns.index(column)], guess.knob.kind) for column in columns]
    sizes = np.abs(np.concatenate(changes)).astype(np.int64)
    common = int(np.gcd.reduce(sizes)) if len(sizes) >= _FEWEST_CHANGES else 1
    per_detent = next((n for n in (8, 4, 2) if common and common % n == 0), None)
    if per_detent is None:
        return guess, []
    counts_clicks = any(re.search("detent|click", str(column), re.IGNORECASE) for column in columns)
    sure = common == per_detent == sizes.min() and len(sizes) >= _ENOUGH_CHANGES and not counts_clicks
    what = f"every change of {_columns_said(columns)} is a multiple of {per_detent}"
    done = f"perhaps counts_per_detent = {per_detent}: " + (
        "the guessed map says so" if sure else "if so, say it in the map; the guessed map takes every count for a click"
    )
    knob = replace(guess.knob, counts_per_detent=per_detent) if sure else guess.knob
    return replace(guess, knob=knob), [(0, what, done)]


def _changes(values: npt.NDArray[np.float64], kind: str) -> npt.NDArray[np.float64]:
    """What a count changed by, where it did and by a whole number."""
    there = values[np.isfinite(values)]
    steps = np.diff(there) if kind == "running" else there
    return np.asarray(steps[(steps != 0) & (steps % 1 == 0)])


def _unused_columns(guess: LogMap, table: _Table) -> list[Remark]:
    unused = [column for column in table.columns if column not in guess.columns]
    if not unused:
        return []
    verb = "is" if len(unused) == 1 else "are"
    return [(0, f"{_columns_said(unused)} {verb} not used by the guessed map", "give it a meaning in the map if it has one")]


def _columns_said(columns: Sequence[Column]) -> str:
    return f"column{'s' * (len(columns) > 1)} " + _quoted(columns)


def _no_cells(texts: Sequence[str]) -> str:
    return (
        f"no column map was given and none could be guessed: its lines have no delimiter in common "
        f"({_first_lines(texts)}): let the recorder put a sign between the numbers (12454;4;X) or names before them "
        f"(T=12454 C=4 A=X), or give a map with the delimiter"
    )


def _first_lines(texts: Sequence[str]) -> str:
    return "first lines: " + "; ".join(repr(line[:60]) for line in texts[:3])


def _no_guess(texts: Sequence[str], table: _Table, numbers: dict[int, npt.NDArray[np.float64]]) -> str:
    """The fault, with a map that fits these lines."""
    columns = [table.columns[column] for column in numbers][:2]
    columns = columns if len(columns) == 2 else list(table.columns[:2])
    example = LogMap(
        time=Clock(column=columns[0], unit="ms"), knob=Counter(columns=(("", columns[-1]),)), delimiter=table.delimiter,
        header=table.header, pairs=table.pairs,
    )  # fmt: skip
    return (
        f"no column map was given and none could be guessed: no columns look like a clock and a count "
        f"({_first_lines(texts)}): write a map such as this, with your own columns:\n{map_text(example)}"
    )


def _number_columns(rows: Sequence[Sequence[str]], width: int, decimal: str) -> dict[int, npt.NDArray[np.float64]]:
    """The columns in which four cells of five are numbers, with NaN where one isn't."""
    found = {}
    for column in range(width):
        cells = [row[column].strip().replace(decimal, ".") for row in rows]
        values = np.array([float(c) if _NUMBER.fullmatch(c) and "," not in c else np.nan for c in cells])
        values[~(np.abs(values) <= 2**53)] = np.nan
        if len(values) and np.isfinite(values).mean() >= 0.8:
            found[column] = values
    return found


def _role(name: str) -> tuple[str, str, str | None, str | None] | None:
    """What a column's name says: (role, axis, clock unit, length unit), or None.

    >>> _role("pos_x [um]"), _role("t_us")
    (('position', 'X', None, 'um'), ('time', '', 'us', None))
    """
    tokens = re.findall(r"[^\W\d_]+", name.lower())
    clock, length = next((_UNITS[t] for t in reversed(tokens) if t in _UNITS and t != "in"), (None, None))
    if tokens[-1:] == ["in"] and len(tokens) > 1:
        length = "in"
    for role, role_words in _ROLES.items():
        if role_words & set(tokens):
            clock = {"micros": "us", "millis": "ms"}.get(tokens[0], clock)
            axes = [t.upper() for t in tokens if len(t) == 1 and t in "xyzabc" and t not in role_words]
            return role, axes[0] if axes else "", clock, length
    return ("time", "", clock, None) if clock and len(tokens) == 1 else None


def _by_name(
    names: Sequence[str], columns: Sequence[Column], numbers: dict[int, npt.NDArray[np.float64]]
) -> LogMap | None:  # fmt: skip
    roles: dict[str, list[tuple[str, int, str | None, str | None]]] = {}
    often = Tally(names)
    for column, name in enumerate(names):
        found = _role(name)
        if found and often[name] == 1 and (column in numbers or found[0] in ("axis", "person", "marker", "rung")):
            roles.setdefault(found[0], []).append((found[1], column, found[2], found[3]))
    kind = "increments" if "increments" in roles else "running"
    if "time" not in roles or not {"increments", "running", "position"} & set(roles):
        return None
    _, time, unit, _ = roles["time"][0]
    label = {r: Label(column=columns[roles[r][0][1]]) for r in ("axis", "person", "marker") if r in roles}
    length = {r: Length(column=columns[roles[r][0][1]], mm=_mm(roles[r][0][3])) for r in ("goal", "tolerance") if r in roles}
    return LogMap(
        time=Clock(column=columns[time], unit=unit or _clock_unit(numbers[time])),
        knob=Counter(columns=_per_axis(roles[kind], columns), kind=kind) if kind in roles else None,  # type: ignore[arg-type]
        axis=label.get("axis", Label(always="X")), rung=_named_rung(roles, columns, numbers),
        position=Position(columns=_per_axis(roles["position"], columns), mm=_mm(roles["position"][0][3]))
        if "position" in roles else None,
        goal=length.get("goal"), tolerance=length.get("tolerance"),
        person=label.get("person"), marker=label.get("marker"),
    )  # fmt: skip


def _mm(unit: str | None) -> Fraction:
    return LENGTH_UNITS[unit or "mm"]


def _per_axis(
    found: Sequence[tuple[str, int, str | None, str | None]], columns: Sequence[Column]
) -> tuple[tuple[str, Column], ...]:  # fmt: skip
    """One column per axis where every name holds its own axis letter; otherwise the first column alone."""
    axes = [axis for axis, _, _, _ in found]
    if len(found) > 1 and all(axes) and len(set(axes)) == len(axes):
        return tuple((axis, columns[column]) for axis, column, _, _ in found)
    return (("", columns[found[0][1]]),)


def _named_rung(
    roles: dict[str, list[tuple[str, int, str | None, str | None]]], columns: Sequence[Column],
    numbers: dict[int, npt.NDArray[np.float64]],
) -> RungColumn:  # fmt: skip
    if "gain" in roles:
        _, column, _, unit = roles["gain"][0]
        return RungColumn(column=columns[column], means="gain", mm=_mm(unit))
    if "rung" in roles and roles["rung"][0][1] in numbers:
        column = roles["rung"][0][1]
        lowest = np.nanmin(numbers[column])
        return RungColumn(column=columns[column], means="rung", counts_from=0 if lowest == 0 else 1)
    return RungColumn(always=1)


def _clock_unit(values: npt.NDArray[np.float64]) -> str:
    """s for numbers with decimals; otherwise by the usual step: 1000 ticks and more are µs, less are ms."""
    steps = np.diff(values[np.isfinite(values)])
    steps = steps[steps > 0]
    if not len(steps) or np.any(steps % 1):
        return "s"
    return "us" if np.median(steps) >= 1000 else "ms"


def _by_content(
    rows: Sequence[Sequence[str]], columns: Sequence[Column], numbers: dict[int, npt.NDArray[np.float64]]
) -> LogMap | None:  # fmt: skip
    """The first column that only grows is the clock; the first of whole numbers after it is the knob's."""
    time = next((column for column, values in numbers.items() if _grows(values)), None)
    knob = next((c for c, v in numbers.items() if c != time and _is_whole(v) and np.nanstd(v) > 0), None)
    if time is None or knob is None:
        return None
    values = numbers[knob][np.isfinite(numbers[knob])]
    running = bool(np.median(np.abs(np.diff(values))) < 0.5 * np.median(np.abs(values)))
    axis = next((column for column in range(len(rows[0])) if _names_an_axis([row[column] for row in rows])), None)
    return LogMap(
        time=Clock(column=columns[time], unit=_clock_unit(numbers[time])),
        knob=Counter(columns=(("", columns[knob]),), kind="running" if running else "increments"),
        axis=Label(always="X") if axis is None else Label(column=columns[axis]),
        rung=_rung_by_content(columns, {c: v[np.isfinite(v)] for c, v in numbers.items() if c not in (time, knob)}),
    )


def _rung_by_content(columns: Sequence[Column], numbers: dict[int, npt.NDArray[np.float64]]) -> RungColumn:
    """The first column of few values: small whole numbers that seldom change are positions, others are gains."""
    for column, values in numbers.items():
        if len(np.unique(values)) > 10 or values.min() < 0:
            continue
        if looks_like_positions(values) and np.count_nonzero(np.diff(values)) <= max(1, len(values) // 5):
            if values.max() > 0:
                return RungColumn(column=columns[column], means="rung", counts_from=0 if values.min() == 0 else 1)
        elif values.min() > 0:
            return RungColumn(column=columns[column], means="gain")
    return RungColumn(always=1)


def looks_like_positions(values: npt.NDArray[np.float64]) -> bool:
    """Whether these are small whole numbers, as a selector's positions are."""
    there = values[np.isfinite(values)]
    return len(there) > 0 and bool((there % 1 == 0).all() and there.min() >= 0 and there.max() <= _MOST_POSITIONS)


def _grows(values: npt.NDArray[np.float64]) -> bool:
    steps = np.diff(values[np.isfinite(values)])
    return len(steps) > 1 and float((steps >= 0).mean()) >= 0.85 and float((steps > 0).mean()) >= 0.3


def _is_whole(values: npt.NDArray[np.float64]) -> bool:
    there = values[np.isfinite(values)]
    return len(there) > 0 and float((there % 1 == 0).mean()) >= 0.9


def _names_an_axis(cells: Sequence[str]) -> bool:
    there = [cell.strip() for cell in cells if cell.strip()]
    words = all(re.fullmatch(r"[A-Za-z][A-Za-z0-9]?", cell) for cell in there)
    return words and len(there) >= 0.8 * len(cells) and len(set(there)) <= 8
