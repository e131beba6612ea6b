"""What a log's first lines say: delimiter, header and, where nobody gave one, a guess at the column map."""

from __future__ import annotations

import re
from collections import Counter as Tally
from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from ..files import InputFault
from .columns import LENGTH_UNITS, Clock, Column, Counter, Label, Length, LogMap, Position, RungColumn, map_text
from .lines import NUMBER, Layout, shape, split_cells

__all__ = ["find_delimiter", "guess_map", "read_head"]

TIDY_COLUMNS = (
    "time_s", "axis", "detents", "gain_mm", "rung", "position_mm", "goal_mm", "tolerance_mm", "person", "marker",
)  # fmt: skip
"""The columns of a tidy log, in their order; a log has `gain_mm` or `rung`, and only `time_s` and `detents` always."""
HEAD_LINES, HEAD_BYTES = 400, 1 << 20
_DELIMITERS = ("\t", ";", "|", ",", " ")
_SNIFFED = 100  # lines enough to tell delimiter and decimal mark
_NUMBER = re.compile(NUMBER)
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


def _quoted(names: Sequence[str]) -> str:
    shown = ", ".join(repr(name if len(name) <= 30 else name[:29] + "…") for name in names[:12])
    return shown + (f" and {len(names) - 12} more" if len(names) > 12 else "")


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


def guess_map(source: str, head: Head) -> LogMap:
    """A map guessed from names and numbers of the first lines; `InputFault` says how to write one where none fits.

    >>> found = guess_map("log.txt", read_head(b"t_us;count;who\\n0;0;P1\\n40000;3;P1\\n80000;7;P1\\n"))
    >>> found.time.unit, found.knob.kind, found.delimiter, found.person.column
    ('us', 'running', ';', 'who')
    """
    texts = [text for _, text in head.counted()]
    delimiter = find_delimiter(texts)
    if delimiter is None:
        raise InputFault(source, [_no_guess("its lines have no delimiter in common", texts)])
    decimal = find_decimal(texts, delimiter)
    rows = [row for row in (split_cells(text, delimiter) for text in texts) if row]
    width = Tally(map(len, rows)).most_common(1)[0][0]
    rows = [row for row in rows if len(row) == width]
    named = not any(is_number(cell, delimiter) for cell in rows[0])
    names = [cell.strip() for cell in rows[0]] if named else []
    numbers = _number_columns(rows[named:], width, decimal)
    guess = _by_name(names, numbers) if named else None
    guess = guess or _by_content(rows[named:], numbers)
    if guess is None:
        raise InputFault(source, [_no_guess("no columns look like a clock and a count", texts)])
    return replace(guess, delimiter=delimiter, decimal=decimal, header=named)


def _no_guess(why: str, lines: Sequence[str]) -> str:
    shown = "; ".join(repr(line[:60]) for line in lines[:3])
    example = map_text(LogMap(time=Clock(column=1, unit="ms"), knob=Counter(columns=(("", 2),))))
    return (
        f"no column map was given and none could be guessed: {why} (first lines: {shown}): "
        f"write a map such as this, with your own columns:\n{example}"
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


def _by_name(names: Sequence[str], numbers: dict[int, npt.NDArray[np.float64]]) -> LogMap | None:
    roles: dict[str, list[tuple[str, int, str | None, str | None]]] = {}
    for column, name in enumerate(names):
        found = _role(name)
        if found and names.count(name) == 1 and (column in numbers or found[0] in ("axis", "person", "marker", "rung")):
            roles.setdefault(found[0], []).append((found[1], column, found[2], found[3]))
    kind = "increments" if "increments" in roles else "running"
    if "time" not in roles or not {"increments", "running", "position"} & set(roles):
        return None
    _, time, unit, _ = roles["time"][0]
    label = {r: Label(column=names[roles[r][0][1]]) for r in ("axis", "person", "marker") if r in roles}
    length = {r: Length(column=names[roles[r][0][1]], mm=_mm(roles[r][0][3])) for r in ("goal", "tolerance") if r in roles}
    return LogMap(
        time=Clock(column=names[time], unit=unit or _clock_unit(numbers[time])),
        knob=Counter(columns=_per_axis(roles[kind], names), kind=kind) if kind in roles else None,  # type: ignore[arg-type]
        axis=label.get("axis", Label(always="X")), rung=_named_rung(roles, names, numbers),
        position=Position(columns=_per_axis(roles["position"], names), mm=_mm(roles["position"][0][3]))
        if "position" in roles else None,
        goal=length.get("goal"), tolerance=length.get("tolerance"),
        person=label.get("person"), marker=label.get("marker"),
    )  # fmt: skip


def _mm(unit: str | None) -> Fraction:
    return LENGTH_UNITS[unit or "mm"]


def _per_axis(found: Sequence[tuple[str, int, str | None, str | None]], names: Sequence[str]) -> tuple[tuple[str, Column], ...]:
    """One column per axis where every name holds its own axis letter; otherwise the first column alone."""
    axes = [axis for axis, _, _, _ in found]
    if len(found) > 1 and all(axes) and len(set(axes)) == len(axes):
        return tuple((axis, names[column]) for axis, column, _, _ in found)
    return (("", names[found[0][1]]),)


def _named_rung(
    roles: dict[str, list[tuple[str, int, str | None, str | None]]], names: Sequence[str],
    numbers: dict[int, npt.NDArray[np.float64]],
) -> RungColumn:  # fmt: skip
    if "gain" in roles:
        _, column, _, unit = roles["gain"][0]
        return RungColumn(column=names[column], means="gain", mm=_mm(unit))
    if "rung" in roles and roles["rung"][0][1] in numbers:
        column = roles["rung"][0][1]
        lowest = np.nanmin(numbers[column])
        return RungColumn(column=names[column], means="rung", counts_from=0 if lowest == 0 else 1)
    return RungColumn(always=1)


def _clock_unit(values: npt.NDArray[np.float64]) -> str:
    """s for numbers with decimals; otherwise by the usual step: 1000 ticks and more are µs, less are ms."""
    steps = np.diff(values[np.isfinite(values)])
    steps = steps[steps > 0]
    if not len(steps) or np.any(steps % 1):
        return "s"
    return "us" if np.median(steps) >= 1000 else "ms"


def _by_content(rows: Sequence[Sequence[str]], numbers: dict[int, npt.NDArray[np.float64]]) -> LogMap | None:
    """The first column that only grows is the clock; the first of whole numbers after it is the knob's."""
    time = next((column for column, values in numbers.items() if _grows(values)), None)
    knob = next((c for c, v in numbers.items() if c != time and _is_whole(v) and np.nanstd(v) > 0), None)
    if time is None or knob is None:
        return None
    values = numbers[knob][np.isfinite(numbers[knob])]
    running = bool(np.median(np.abs(np.diff(values))) < 0.5 * np.median(np.abs(values)))
    axis = next((column for column in range(len(rows[0])) if _names_an_axis([row[column] for row in rows])), None)
    rest = {c: v for c, v in numbers.items() if c not in (time, knob) and np.nanmin(v) > 0}
    gain = next((c for c, v in rest.items() if len(np.unique(v[np.isfinite(v)])) <= 10), None)
    return LogMap(
        time=Clock(column=time + 1, unit=_clock_unit(numbers[time])),
        knob=Counter(columns=(("", knob + 1),), kind="running" if running else "increments"),
        axis=Label(always="X") if axis is None else Label(column=axis + 1),
        rung=RungColumn(always=1) if gain is None else RungColumn(column=gain + 1, means="gain"),
    )


def _grows(values: npt.NDArray[np.float64]) -> bool:
    steps = np.diff(values[np.isfinite(values)])
    return len(steps) > 1 and float((steps >= 0).mean()) >= 0.85 and float((steps > 0).mean()) >= 0.3


def _is_whole(values: npt.NDArray[np.float64]) -> bool:
    there = values[np.isfinite(values)]
    return len(there) > 0 and float((there % 1 == 0).mean()) >= 0.9


def _names_an_axis(cells: Sequence[str]) -> bool:
    return all(re.fullmatch(r"\s*[A-Za-z][A-Za-z0-9]?\s*", cell) for cell in cells) and len(set(cells)) <= 8
