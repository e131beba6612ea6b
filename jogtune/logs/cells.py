"""Lines to cells."""

import codecs
import csv
import fnmatch
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from .lines import _Block, _Lines, _Seen

_WIDEST_FAST = 64  # a log of more columns than this is split line by line
_NUMBER = r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_NUMBER_TEXT = re.compile(_NUMBER)
_NUMBER_POINT = _NUMBER.replace("[.,]", "[.]")
_NAME = re.compile(r"[^\W\d][\w.]{0,40}")
_LETTERED = re.compile(r"([^\W\d_]+)([+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+))")
_LETTERED_CELL = re.compile(rf"(?:{_LETTERED.pattern})+")
_FEW_ROWS = 200
_MANY_ODD = 0.1  # of a block's lines or of a column's cells: then all is read with care (our choice)
_Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class _Layout:
    """How a line is cut into cells: found once for a file, from its map and its first lines.

    With `pairs` each cell is a name, this sign and a value; `header` then holds the names, or the numbers of nameless cells."""

    delimiter: str
    decimal: str
    width: int
    first_line: int
    header: tuple[str | int, ...] | None = None
    header_text: str | None = None
    lines: str | None = None
    comment: str = "#"
    pairs: str | None = None


@dataclass(kw_only=True)
class _Cells:
    """The cells of one block: a frame whose columns are numbered from 0, and the line of each row.

    listed: lines that should be rows and can't be; chatter (comments too), headers: lines that are no rows; wrong: of a column
    of numbers, the text of each row that holds none."""

    frame: pd.DataFrame
    lines: _Lines
    listed: list[_Seen] = field(default_factory=list)
    chatter: list[int] = field(default_factory=list)
    headers: list[int] = field(default_factory=list)
    latin: list[int] = field(default_factory=list)
    wrong: dict[int, dict[int, str]] = field(default_factory=dict)
    whole_end: bool = True


def _split_cells(line: str, delimiter: str) -> list[str] | None:
    """The cells of one line, quotes respected; None where a quote is left open."""
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True), [])
    except csv.Error:
        return None


def _pairs_of(cells: Sequence[str], mark: str) -> dict[str | int, str]:
    """Name -> value of the cells that are a name, the mark and a value, or (mark "letters") letters and numbers in turn.

    Beside these a plain number goes by the number of its cell; other cells are passed over."""
    pairs: dict[str | int, str] = {}
    for number, cell in enumerate(cells, start=1):
        name, _, value = cell.partition(mark)
        if mark == "letters" and _LETTERED_CELL.fullmatch(cell.strip()):
            pairs |= _LETTERED.findall(cell)
        elif cell.count(mark) == 1 and _NAME.fullmatch(name.strip()):
            pairs[name.strip()] = value.strip()
        elif _NUMBER_TEXT.fullmatch(cell.strip()):
            pairs[number] = cell.strip()
    return pairs if any(isinstance(name, str) for name in pairs) else {}


def _cells_of(line: str, layout: _Layout) -> list[str] | None:
    row = _split_cells(line, layout.delimiter) or []
    if layout.pairs:
        pairs = _pairs_of(row, layout.pairs)
        return [pairs.get(name, "") for name in layout.header or ()] if pairs else None
    if len(row) == layout.width + 1 and row[-1].strip() == "":
        row.pop()
    return row if len(row) == layout.width else None


def _read_fast(block: _Block, layout: _Layout, labels: set[int], numbers: set[int]) -> _Cells | None:
    """All cells of a block by pandas at once but for the odd lines, or None where the block needs a closer look.

    `labels` are read as text; cells in `numbers` that hold none are kept apart, as `wrong`. The count of delimiters, with
    pandas' own refusal of long lines, proves that each line has exactly `width` cells; a line that has not, or that holds a
    quote, a NUL byte or the like, is looked at by itself: it may be no row, but no row that is good."""
    if block.unfinished or block.too_long or not _is_even(layout):
        return None
    signs = np.frombuffer(block.text, dtype=np.uint8)
    ends = np.flatnonzero(signs == 10) + 1
    starts, odd = np.append(0, ends[:-1]), _odd_lines(signs, ends, layout)
    apart = _Cells(frame=pd.DataFrame(), lines=np.flatnonzero(~odd) + block.first_line)
    strange = ((n, block.text[starts[n] : ends[n] - 1]) for n in np.flatnonzero(odd).tolist())
    if odd.mean() > _MANY_ODD or any(_row(block.first_line + n, raw, layout, None, apart) for n, raw in strange):
        return None
    gaps = zip([0, *ends[odd].tolist()], [*starts[odd].tolist(), None], strict=True)
    text = b"".join(block.text[first:last] for first, last in gaps)
    cells = _parse(BytesIO(text), layout, labels, numbers, len(apart.lines), 0)
    return None if cells is None else replace(apart, frame=cells.frame, wrong=cells.wrong)


def _odd_lines(signs: npt.NDArray[np.uint8], ends: _Lines, layout: _Layout) -> _Mask:
    """The lines that have not the usual count of cells, or hold what would trip a fast reader."""
    if layout.delimiter == " ":
        blank = (signs == 32) | ((signs >= 9) & (signs <= 12))
        cuts, wanted = np.flatnonzero(~blank & np.append(True, blank[:-1])), layout.width
    else:
        cuts, wanted = np.flatnonzero(signs == ord(layout.delimiter)), layout.width - 1
    odd = np.diff(np.searchsorted(cuts, ends), prepend=0) != wanted
    strange = (signs == 34) | (signs == 0) | (signs == 13) | (signs > 127)
    odd[np.searchsorted(ends, np.flatnonzero(strange), side="right")] = True
    return np.asarray(odd | (signs[np.append(0, ends[:-1])] == ord(layout.comment[0])))


def _read_at_once(path: Path, layout: _Layout, labels: set[int], numbers: set[int]) -> _Cells | None:
    """All cells of a file at once, by the same proof as `_read_fast`; pandas may then use several threads."""
    text, start = path.read_bytes(), 0  # mapped, it would end the process where another cuts the file short
    for _ in range(layout.first_line - 1):
        start = text.find(b"\n", start) + 1
    if text[-1:] != b"\n" or text[:3] == codecs.BOM_UTF8 or not _is_even(layout) or not _is_plain(text, layout):
        return None
    signs = np.frombuffer(text, dtype=np.uint8)
    count = _rows_by_signs(signs[start:], layout) if signs.max() < 128 else None
    first = layout.first_line
    cells = None if count is None else _parse(path, layout, labels, numbers, count, first - 1)
    return None if cells is None else replace(cells, lines=np.arange(first, first + len(cells.frame), dtype=np.int64))


def _rows_by_signs(signs: npt.NDArray[np.uint8], layout: _Layout) -> int | None:
    """The count of line ends, or None where the count of delimiters doesn't fit it."""
    count = int(np.count_nonzero(signs == 10))
    fits = layout.delimiter == " " or np.count_nonzero(signs == ord(layout.delimiter)) == count * (layout.width - 1)
    return count if fits else None


def _is_even(layout: _Layout) -> bool:
    """Every line is a row of some cells, cut by a sign of ASCII."""
    alone = layout.width == 1 and layout.delimiter != " "
    return not (layout.lines or layout.pairs or alone or layout.width > _WIDEST_FAST or ord(layout.delimiter) > 127)


def _is_plain(text: bytes, layout: _Layout) -> bool:
    """No quotes, NUL bytes, carriage returns, comments or letters beyond ASCII: nothing to trip a fast reader."""
    mark = layout.comment.encode()
    if any(text.find(sign) >= 0 for sign in (b'"', b"\0", b"\r")) or text[: len(mark)] == mark:
        return False
    commented = text.find(mark) >= 0 and text.find(b"\n" + mark) >= 0
    return not commented


def _parse(
    source: BytesIO | Path, layout: _Layout, labels: set[int], numbers: set[int], count: int, skip: int
) -> _Cells | None:  # fmt: skip
    """The cells by pandas, if there is one row a line; in a column of numbers, cells that hold none are kept apart."""
    spaced = layout.delimiter == " "
    try:
        with warnings.catch_warnings(action="ignore", category=pd.errors.DtypeWarning):
            frame: pd.DataFrame = pd.read_csv(
                source, sep=r"\s+" if spaced else layout.delimiter, header=None, names=list(range(layout.width)), index_col=False,
                dtype=dict.fromkeys(labels, "category"), decimal=layout.decimal, keep_default_na=False, na_values=[""],
                skip_blank_lines=False, skiprows=skip, engine="c", low_memory=isinstance(source, Path),
            )  # fmt: skip
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError, ValueError, OverflowError):
        return None
    if len(frame) != count or (spaced and frame.iloc[:, -1].isna().any()):
        return None
    cells = _Cells(frame=frame, lines=np.empty(0, dtype=np.int64))
    for column in (c for c in numbers if frame[c].dtype.kind not in "iuf"):
        text = frame[column]
        if isinstance(source, Path) or layout.decimal == "," or pd.api.types.infer_dtype(text) != "string":
            return None
        plain = text.str.fullmatch(_NUMBER_POINT).to_numpy(dtype=bool, na_value=False)
        values, rest = np.full(count, np.nan), np.flatnonzero(~plain)
        if len(rest) > _MANY_ODD * count:
            return None
        values[plain] = text.to_numpy(dtype=object)[plain].astype(np.float64)
        values[rest], bad, _ = _numbers_from_text(text.iloc[rest], layout.decimal)
        cells.wrong[column] = dict(zip(rest[bad].tolist(), text.iloc[rest[bad]].tolist(), strict=True))
        if layout.header and layout.header[column] in cells.wrong[column].values():
            return None  # the names again
        frame[column] = values
    return cells


def _shape(pattern: str) -> re.Pattern[str]:
    """The shape of a line as a safe expression: * stands for any text, ? for one character, nothing else is special."""
    return re.compile(fnmatch.translate(pattern.replace("[", "[[]")))


def _read_slowly(block: _Block, layout: _Layout, columns: Sequence[int]) -> _Cells:
    """The given columns of a block as text, line by line; each line is a row, is listed, or is known to be neither."""
    cells = _Cells(frame=pd.DataFrame(), lines=np.empty(0, dtype=np.int64))
    rows, numbers = [], []
    raw_lines = block.text.split(b"\n")[:-1]
    wanted = None if layout.lines is None else _shape(layout.lines)
    for number, raw in enumerate(raw_lines, start=block.first_line):
        row = _row(number, raw, layout, wanted, cells)
        if row is not None:
            rows.append([row[column] for column in columns])
            numbers.append(number)
    last = block.first_line + len(raw_lines) - 1
    if block.unfinished:
        cells.whole_end = bool(numbers) and numbers[-1] == last
    cells.lines = np.array(numbers, dtype=np.int64)
    texts = zip(*rows, strict=True) if rows else ((),) * len(columns)
    cells.frame = pd.DataFrame({c: pd.Series(t, dtype="str") for c, t in zip(columns, texts, strict=True)})
    return cells


def _row(number: int, raw: bytes, layout: _Layout, wanted: re.Pattern[str] | None, cells: _Cells) -> list[str] | None:
    """The cells of one line, or None where it is no row (blank, comment, chatter, header) or is listed."""
    try:
        line = raw.decode("utf-8")
    except UnicodeDecodeError:
        line = raw.decode("latin-1")
        cells.latin.append(number)
    if not line.strip():
        return None
    if (wanted is not None and not wanted.match(line)) or line.startswith(layout.comment):
        cells.chatter.append(number)
        return None
    if line == layout.header_text:
        cells.headers.append(number)
        return None
    row = None if "\0" in line else _cells_of(line, layout)
    if row is None:
        cells.listed.append((number, *_why_no_row(line, layout)))
    return row


def _why_no_row(line: str, layout: _Layout) -> tuple[str, dict[str, Any]]:
    if "\0" in line:
        return "nul_bytes", {}
    row = _split_cells(line, layout.delimiter)
    if row is None:
        return "open_quote", {}
    return ("no_pair", {"mark": layout.pairs}) if layout.pairs else ("cell_count", {"cells": len(row), "wanted": layout.width})


def _as_numbers(column: pd.Series, decimal: str) -> tuple[npt.NDArray[np.float64] | npt.NDArray[np.int64], _Mask, _Mask]:
    """The column's numbers, which cells are bad, and which are blank (text, infinite, beyond 2^53: bad)."""
    none = np.zeros(len(column), dtype=bool)
    if column.dtype.kind in "iu":
        values, bad = column.to_numpy(), none
        if len(values) and (values.max() > 2**53 or values.min() < -(2**53)):
            bad = (values > 2**53) | (values < -(2**53))
            values = np.where(bad, 0, values)
        return values.astype(np.int64, copy=False), bad, none
    if column.dtype.kind == "f":
        floats = column.to_numpy(dtype=np.float64, na_value=np.nan)
        if len(floats) and np.fmax.reduce(floats) <= 2**53 and np.fmin.reduce(floats) >= -(2**53):
            return floats, none, np.isnan(floats)
        return floats, np.abs(floats) > 2**53, np.isnan(floats)
    return _numbers_from_text(column, decimal)


def _numbers_from_text(column: pd.Series, decimal: str) -> tuple[npt.NDArray[np.float64], _Mask, _Mask]:
    other = "," if decimal == "." else "."
    if len(column) <= _FEW_ROWS:  # setting pandas to work takes longer than the work
        texts = ["" if cell is None or cell != cell else str(cell).strip() for cell in column.tolist()]
        good = [bool(_NUMBER_TEXT.fullmatch(text)) and other not in text for text in texts]
        floats = np.array([float(t.replace(",", ".")) if g else np.nan for t, g in zip(texts, good, strict=True)])
        blank = np.array([not text for text in texts], dtype=bool)
    else:
        text = column.astype(object).where(column.notna(), "").astype(str).str.strip()
        blank = text.eq("").to_numpy(dtype=bool)
        plain = text.str.fullmatch(_NUMBER) & ~text.str.contains(other, regex=False)
        text = text.str.replace(",", ".", regex=False) if decimal == "," else text
        floats = pd.to_numeric(text.where(plain, "nan"), errors="coerce").to_numpy(dtype=np.float64)
    return floats, ~blank & ~(np.abs(floats) <= 2**53), blank
