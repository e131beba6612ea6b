"""Delimiter, header, layout."""

import re
from collections import Counter as Tally
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches

from ..files import Fault, InputFault, quoted
from .cells import _NUMBER_TEXT, _Layout, _pairs_of, _shape, _split_cells
from .map import LogMap, _Column

_HEAD_LINES, _HEAD_BYTES = 400, 1 << 20
_DELIMITERS = ("\t", ";", "|", ",", " ")
_SNIFFED = 100  # lines enough to tell delimiter and decimal mark


@dataclass(frozen=True, kw_only=True)
class _Head:
    """The first lines of a log: (line number, text), and the `# key: value` lines it opens with."""

    lines: tuple[tuple[int, str], ...]
    header: Mapping[str, str] = field(default_factory=dict)

    def counted(self, log_map: LogMap | None = None) -> list[tuple[int, str]]:
        """The lines that could be rows or a header: not blank, no comment, of the map's shape."""
        wanted = _shape(log_map.lines) if log_map and log_map.lines else None
        comment = log_map.comment if log_map else "#"
        return [
            (number, text) for number, text in self.lines
            if text.strip() and not text.startswith(comment) and (wanted is None or wanted.match(text))
        ]  # fmt: skip


def _read_head(text: bytes, first_line: int = 1) -> _Head:
    raw = text[:_HEAD_BYTES].split(b"\n", _HEAD_LINES)[:_HEAD_LINES]
    lines = [(first_line + i, _decode(line)) for i, line in enumerate(raw)]
    header: dict[str, str] = {}
    for _, line in lines:
        if not line.startswith("#"):
            break
        key, colon, value = line[1:].partition(":")
        if colon and key.strip():
            header[key.strip().lower()] = value.strip()
    return _Head(lines=tuple(lines), header=header)


def _decode(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _find_delimiter(lines: Sequence[str]) -> str | None:
    """The delimiter under which most lines have equally many cells and most cells are numbers."""
    best, found = 0.0, None
    for delimiter in _DELIMITERS:
        rows = [cells for cells in (_split_cells(line, delimiter) for line in lines) if cells]
        widths = Tally(len(cells) for cells in rows if len(cells) > 1)
        if not widths:
            continue
        width, count = widths.most_common(1)[0]
        numbers = sum(_is_number(cell, delimiter) for cells in rows if len(cells) == width for cell in cells)
        score = count / len(rows) * (0.05 + numbers / (width * count))
        if score > best * 1.000001:
            best, found = score, delimiter
    return found


def _is_number(cell: str, delimiter: str = ";") -> bool:
    """Whether a cell is a plain number, with a decimal comma where the delimiter isn't one."""
    return bool(_NUMBER_TEXT.fullmatch(cell.strip())) and not (delimiter == "," and "," in cell)


def _find_decimal(lines: Sequence[str], delimiter: str) -> str:
    """The decimal mark: a comma where more cells hold one than hold a point."""
    if delimiter == ",":
        return "."
    cells = [cell.strip() for line in lines for cell in _split_cells(line, delimiter) or [] if _is_number(cell)]
    return "," if sum("," in cell for cell in cells) > sum("." in cell for cell in cells) else "."


def _find_layout(source: str, head: _Head, log_map: LogMap) -> _Layout:
    """How the lines are cut, from the map and the first lines; `InputFault` where the map's columns aren't there."""
    counted = head.counted(log_map)
    if not counted:
        shaped = f"has the shape {log_map.lines!r}" if log_map.lines else "holds anything"
        fault = Fault(rule=f"no line among the first {len(head.lines)} {shaped}", cure="check the file and its map")
        raise InputFault(source, [fault])
    texts = [text for _, text in counted]
    if log_map.pairs:
        return _pairs_layout(source, head, log_map, texts)
    delimiter = log_map.delimiter or _delimiter_by_names(head, log_map) or _find_delimiter(texts[:_SNIFFED]) or ","
    header = _header(source, head, log_map, delimiter)
    after = [text for number, text in counted if header is None or number > header[0]]
    decimal = log_map.decimal or _find_decimal(after[:_SNIFFED], delimiter)
    names = None if header is None else tuple(cell.strip() for cell in _split_cells(header[1], delimiter) or [])
    return _Layout(
        delimiter=delimiter, decimal=decimal, width=_width(after[:_SNIFFED], delimiter, names), header=names,
        first_line=head.lines[0][0] if header is None else header[0] + 1,
        header_text=None if header is None else header[1], lines=log_map.lines, comment=log_map.comment,
    )  # fmt: skip


def _pairs_layout(source: str, head: _Head, log_map: LogMap, texts: Sequence[str]) -> _Layout:
    mark = log_map.pairs or "="
    delimiter = log_map.delimiter or (_find_pairs(texts, [mark]) or " ")[0]
    found = [pairs for pairs in (_pairs_of(_split_cells(text, delimiter) or [], mark) for text in texts) if pairs]
    names = tuple(dict.fromkeys(name for pairs in found for name in pairs))
    if not set(log_map.columns) <= set(names):
        raise InputFault(source, _missing_columns(set(log_map.columns), names))
    values = [";".join(pairs.values()) for pairs in found[:_SNIFFED]]
    return _Layout(
        delimiter=delimiter, decimal=log_map.decimal or _find_decimal(values, ";"), width=len(names), header=names,
        first_line=head.lines[0][0], lines=log_map.lines, comment=log_map.comment, pairs=mark,
    )  # fmt: skip


def _find_pairs(lines: Sequence[str], marks: Sequence[str] = ("=", ":", "letters")) -> tuple[str, str] | None:
    """The delimiter and the mark under which at least half the lines are names and values, two or more."""
    best, found = len(lines) / 2, None
    for delimiter in _DELIMITERS:
        rows = [cells for cells in (_split_cells(line, delimiter) for line in lines) if cells]
        for mark in marks:
            named = (sum(isinstance(name, str) for name in _pairs_of(cells, mark)) for cells in rows)
            fits = sum(names >= max(2, len(cells) - 1) for names, cells in zip(named, rows, strict=True))
            if fits > best or (fits == best and found is None):
                best, found = fits, (delimiter, mark)
    return found if best else None


def _delimiter_by_names(head: _Head, log_map: LogMap) -> str | None:
    """The delimiter under which a line holds every name of the map, where it has at least two."""
    names = {column for column in log_map.columns if isinstance(column, str)}
    if len(names) < 2:
        return None
    lines = [text for _, text in head.lines if all(name in text for name in names)]
    fits = (d for text in lines for d in _DELIMITERS if names <= {c.strip() for c in _split_cells(text, d) or []})
    return next(fits, None)


def _header(source: str, head: _Head, log_map: LogMap, delimiter: str) -> tuple[int, str] | None:
    """The line that names the columns: the first that holds every name of the map."""
    names = {column for column in log_map.columns if isinstance(column, str)}
    lines = [(n, text) for n, text in head.lines if text.strip() and not text.startswith(log_map.comment)]
    if names:
        cut = []
        for n, text in lines:
            cut.append((n, text, {c.strip() for c in _split_cells(text, delimiter) or []}))
            if names <= cut[-1][2]:
                return n, text
        raise InputFault(source, _missing_columns(names, max(cut, key=lambda line: len(names & line[2]))[2]))
    if log_map.header is not None:
        return _naming_line(lines, delimiter) if log_map.header else None
    number, text = head.counted(log_map)[0]
    cells = _split_cells(text, delimiter) or []
    time = log_map.time.column
    named = isinstance(time, int) and time <= len(cells) and re.match(r"[^\W\d]", cells[time - 1].strip())
    return (number, text) if named else None


def _naming_line(lines: Sequence[tuple[int, str]], delimiter: str) -> tuple[int, str]:
    cut = [(n, text, _split_cells(text, delimiter) or []) for n, text in lines]
    usual = Tally(len(cells) for _, _, cells in cut).most_common(1)[0][0]
    named = [(n, text) for n, text, cells in cut if len(cells) == usual and not any(_is_number(c, delimiter) for c in cells)]
    return named[0] if named else lines[0]


def _missing_columns(names: Iterable[_Column], there: Iterable[_Column]) -> list[Fault]:
    faults = []
    known = sorted(map(str, there))
    for name in sorted(set(names) - set(there), key=str):
        near = get_close_matches(str(name), known, n=1)
        cure = f"did you mean {near[0]!r}?" if near else f"there are {quoted(known)}"
        faults.append(Fault(f"column {name!r}", rule="is not in the log", cure=cure))
    return faults


def _width(lines: Sequence[str], delimiter: str, names: tuple[str, ...] | None) -> int:
    rows = [_split_cells(line, delimiter) or [] for line in lines]
    if names is not None:
        rows = [row[:-1] if len(row) == len(names) + 1 and not row[-1].strip() else row for row in rows]
        rows = rows or [list(names)]
    widths = Tally(len(row) for row in rows if row)
    if names is not None and widths.get(len(names), 0) * 3 >= len(rows):
        return len(names)
    return widths.most_common(1)[0][0] if widths else 1


def _column_index(source: str, layout: _Layout, columns: Sequence[_Column]) -> dict[_Column, int]:
    """Where each column of the map is, counted from 0; `InputFault` names all that aren't there once."""
    names = layout.header or ()
    index: dict[_Column, int] = {}
    faults = []
    for column in columns:
        counted = isinstance(column, int) and not layout.pairs
        place, often = f"column {column!r}", 1 if counted else names.count(column)
        index[column] = int(column) - 1 if counted else names.index(column)
        if often > 1:
            faults.append(Fault(place, rule=f"is there {often} times", cure="give its number instead"))
        if index[column] >= layout.width:
            faults.append(Fault(place, rule=f"the lines have only {layout.width} cells", cure="check delimiter and map"))
    if faults:
        raise InputFault(source, faults)
    return index
