"""Any delimited log -> one tidy schema; every bad row named, none lost.

`read_log` takes what a logger left behind: any delimiter, unit, wrapping clock or counter, gzip, damaged
lines. A column map says what the columns mean (see `columns.py`); a log in the tidy schema needs none, and
for any other the map is taken from a file beside the log or guessed, which the result says.
"""

from __future__ import annotations

import gzip
import importlib
import io
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..files import InputFault, write_whole
from .columns import Clock, Column, Counter, LogMap, PositionKind, RungColumn, read_map
from .guess import (
    HEAD_BYTES,
    HEAD_LINES,
    TIDY_COLUMNS,
    Head,
    column_index,
    find_layout,
    guess_map,
    map_of_names,
    question_rung,
    read_head,
    tidy_map,
)
from .lines import BLOCK_BYTES, Block, Cells, Layout, blocks, byte_chunks, open_log, read_fast, read_slowly, read_whole
from .sequence import Ints, Mask
from .tidy import FORMULA_SIGNS, Tidied, Tidier, join_rows, join_tidied, unescaped
from .told import which_lines

__all__ = [
    "TIDY_COLUMNS", "InputFault", "Log", "LogMap", "find_map", "iter_log", "read_encoder_trace", "read_log",
    "write_log",
]  # fmt: skip

GUESSED = "read by a guessed map: check it (jogtune read LOG --keep-map MAP.toml)"

_LABELS = ("axis", "person", "marker")
_PARQUET_NOTES = b"jogtune notes"
_MOST_FAULTS = 200
_SMALL_BYTES = 1 << 16
_WHOLE_FROM_BYTES, _WHOLE_TO_BYTES = 5 << 20, 1 << 31


@dataclass(frozen=True, kw_only=True)
class Log:
    """A log made tidy, and everything noticed on the way.

    rows: the tidy frame: time_s, axis, detents (signed, since the last row), gain_mm or rung, and where known
    position_mm, goal_mm, tolerance_mm, person, marker.
    noticed: every row that was left out (line, what, done), once each: rows_in == rows_out + len(noticed).
    remarks: what was noticed about rows that stayed and about the file as a whole (line 0), same columns.
    rows_in and rows_out count rows of the file: where it has a column per axis, a row in which two axes turned
    becomes two tidy rows. lines: the line of the file each tidy row comes from (in Parquet, its row).

    >>> log = read_log("datasets/logs/inlay_router_simulated.csv")
    >>> log.simulated, log.position_kind, log.rows_in == log.rows_out + len(log.noticed)
    (True, 'measured', True)
    >>> [name for name in TIDY_COLUMNS if name not in log.rows]
    ['rung']
    """

    rows: pd.DataFrame
    noticed: pd.DataFrame
    remarks: pd.DataFrame
    rows_in: int
    rows_out: int
    position_kind: PositionKind | None
    source: str
    simulated: bool
    notes: dict[str, str] = field(default_factory=dict)
    map: LogMap | None = None
    guessed: bool = False
    lines: Ints | None = field(default=None, repr=False)


def read_log(
    path: str | os.PathLike[str],
    *,
    columns: LogMap | str | os.PathLike[str] | None = None,
    strict: bool = False,
) -> Log:
    """Read a jog log of any shape into the tidy schema.

    `columns` is a map or the path of one; without it the log's own tidy header counts, else a map beside the log
    (`LOG.map.toml`), else a guess, which `guessed` and `remarks` tell. Raises `InputFault` where nothing can be
    read; with `strict`, for every row that would have been left out and for anything doubtful.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     place = Path(folder) / "mine.csv"
    ...     _ = place.write_text("time_s,axis,detents,gain_mm\\n0.0,X,1,0.1\\n0.04,X,oops,0.1\\n0.08,X,2,0.1\\n")
    ...     log = read_log(place)
    >>> log.rows["detents"].tolist(), log.noticed["line"].tolist(), log.noticed["what"][0]
    ([1, 2], [3], "detents = 'oops': must be a number")
    """
    whole = _read_whole(Path(path), columns)
    parts = list(iter_log(path, columns=columns, strict=strict) if whole is None else _strictly(iter([whole]), strict))
    first = parts[0]
    if len(parts) == 1:
        return first
    return Log(
        rows=join_rows([part.rows for part in parts]),
        noticed=_by_line([part.noticed for part in parts]), remarks=_by_line([part.remarks for part in parts]),
        rows_in=sum(part.rows_in for part in parts), rows_out=sum(part.rows_out for part in parts),
        position_kind=first.position_kind, source=first.source, simulated=first.simulated, notes=first.notes,
        map=first.map, guessed=first.guessed,
        lines=np.concatenate([part.lines for part in parts if part.lines is not None]),
    )  # fmt: skip


def iter_log(
    path: str | os.PathLike[str],
    *,
    columns: LogMap | str | os.PathLike[str] | None = None,
    strict: bool = False,
    block_bytes: int = BLOCK_BYTES,
) -> Iterator[Log]:
    """Read a log larger than memory: yields a `Log` per block, whose rows follow on from the block before.

    >>> parts = list(iter_log("datasets/logs/inlay_router_simulated.csv", block_bytes=65536))
    >>> len(parts) > 1, sum(part.rows_out for part in parts)
    (True, 3692)
    """
    place = Path(path)
    start, stream = open_log(place)
    with stream:
        if start == b"PAR1":
            yield from _strictly(_iter_parquet(place, columns), strict)
        elif start[:2] == b"PK":
            raise InputFault(str(place), ["is a zip archive: unpack it first"])
        else:
            chunks = byte_chunks(start, stream, block_bytes)
            yield from _strictly(_iter_text(place, blocks(chunks, block_bytes), columns), strict)


def _read_whole(place: Path, columns: LogMap | str | os.PathLike[str] | None) -> Log | None:
    """A large undamaged log in one go, several threads at once; None where it has to be read block by block."""
    start, stream = open_log(place)
    with stream:
        size = stream.seek(0, io.SEEK_END)
        stream.seek(0)
        if not _WHOLE_FROM_BYTES <= size <= _WHOLE_TO_BYTES or start == b"PAR1" or start[:2] in (b"\x1f\x8b", b"PK"):
            return None
        opening = stream.read(HEAD_BYTES)
    if opening.find(b"\r") >= 0 or opening.find(b"\n") < 0:
        return None
    head = read_head(opening[: opening.rfind(b"\n") + 1])
    log_map, guessed, remarks = _settle_map(place, head, columns)
    layout = find_layout(str(place), head, log_map)
    index = column_index(str(place), layout, log_map.columns)
    remarks += question_rung(str(place), head, layout, log_map, index)
    reader = _TextReader(layout, log_map, index)
    tidied = reader.read_whole(place)
    if tidied is None:
        return None
    remarks += _unused(layout, log_map, head)
    return _as_log(place, tidied, remarks, log_map, dict(head.notes), guessed=guessed)


def find_map(path: str | os.PathLike[str]) -> Path | None:
    """The map kept beside a log: `LOG.csv.map.toml` or `LOG.map.toml`, if there is one.

    >>> find_map("datasets/logs/inlay_router_simulated.csv") is None  # a tidy log needs none
    True
    """
    place = Path(path)
    names = (f"{place.name}.map.toml", f"{place.name.split('.')[0]}.map.toml")
    return next((beside for beside in (place.with_name(name) for name in names) if beside.is_file()), None)


# ------------------------------------------------------------------ text


def _iter_text(place: Path, stream: Iterator[Block], columns: LogMap | str | os.PathLike[str] | None) -> Iterator[Log]:
    opening, text = _opening(stream)
    if not text.strip(b"\0 \t\n"):
        raise InputFault(str(place), [_why_empty(opening)])
    head = read_head(text)
    log_map, guessed, remarks = _settle_map(place, head, columns)
    layout = find_layout(str(place), head, log_map)
    index = column_index(str(place), layout, log_map.columns)
    remarks += question_rung(str(place), head, layout, log_map, index)
    remarks += _unused(layout, log_map, head)
    reader = _TextReader(layout, log_map, index)
    notes = dict(head.notes)
    previous, *rest = opening
    for block in chain(rest, stream, [None]):
        tidied, about = reader.read(previous, last=block is None)
        yield _as_log(place, tidied, remarks + about, log_map, notes, guessed=guessed)
        remarks = []
        if block is not None:
            previous = block


def _opening(stream: Iterator[Block]) -> tuple[list[Block], bytes]:
    """The first blocks of a log, as many as its head needs, and their text (an endless line counts as a blank one)."""
    opening: list[Block] = []
    text = b""
    for block in stream:
        opening.append(block)
        text += b"\n" if block.too_long else block.text
        if len(text) >= HEAD_BYTES or text.count(b"\n") >= HEAD_LINES:
            break
    return opening, text


def _why_empty(opening: list[Block]) -> str:
    if not opening:
        return "is empty (0 bytes): record the log again"
    if opening[-1].broken is not None:
        return f"can't be unpacked ({opening[-1].broken}): pack it again"
    return "holds no lines of text (only blanks or NUL bytes): check how it was recorded"


def _settle_map(
    place: Path, head: Head, columns: LogMap | str | os.PathLike[str] | None
) -> tuple[LogMap, bool, list[tuple[int, str, str]]]:
    """The map to read by, whether it was guessed, and what to say about that."""
    if isinstance(columns, LogMap):
        return columns, False, []
    if columns is not None:
        return read_map(Path(columns)), False, []
    tidy = tidy_map(head)
    if tidy is not None:
        return tidy, False, []
    beside = find_map(place)
    if beside is not None:
        return read_map(beside), False, [(0, f"no map was given, and {beside.name} is beside the log", "read by it")]
    guess = guess_map(str(place), head)
    return guess.map, True, [(0, "no map was given", GUESSED), *guess.remarks]


def _unused(layout: Layout, log_map: LogMap, head: Head) -> list[tuple[int, str, str]]:
    """A misspelt optional column of a tidy log would pass unseen: say which columns aren't used."""
    if layout.header is None or log_map != tidy_map(head):
        return []
    return [
        (layout.first_line - 1, f"column {name[:40]!r} is not in the tidy schema", "not used")
        for name in layout.header if name not in log_map.columns
    ]  # fmt: skip


class _TextReader:
    """Reads block after block of text by one layout and map."""

    def __init__(self, layout: Layout, log_map: LogMap, index: Mapping[Column, int]) -> None:
        self._layout = layout
        self._tidier = Tidier(log_map, index, decimal=layout.decimal)
        self._wanted = sorted(set(index.values()))
        labels = {part.column for part in (log_map.axis, log_map.person, log_map.marker) if part and part.column}
        if log_map.rung.names and log_map.rung.column:
            labels.add(log_map.rung.column)
        self._labels = {index[column] for column in labels}
        self._numbers = {index[column] for column in log_map.columns if column not in labels}

    def read(self, block: Block, *, last: bool) -> tuple[Tidied, list[tuple[int, str, str]]]:
        """The tidy rows of a block and what is to be said about its lines."""
        pieces = list(self._pieces(self._after_header(block)))
        parts, about = [], []
        for number, (piece, cells) in enumerate(pieces, start=1):
            parts.append(self._tidier.read(cells, last=last and number == len(pieces)))
            about += _about(cells, piece)
        return join_tidied(parts), about

    def _pieces(self, block: Block) -> Iterator[tuple[Block, Cells]]:
        """A block whole where it is plain; else in halves, so that only what is near the damage is read slowly."""
        cells = read_fast(block, self._layout, self._labels, self._numbers) if block.text else None
        middle = block.text.find(b"\n", len(block.text) // 2) + 1
        if cells is None and len(block.text) > _SMALL_BYTES and 0 < middle < len(block.text):
            first, rest = block.text[:middle], block.text[middle:]
            yield from self._pieces(Block(text=first, first_line=block.first_line))
            yield from self._pieces(replace(block, text=rest, first_line=block.first_line + first.count(b"\n")))
        else:
            yield block, cells or self._read_slowly(block)

    def read_whole(self, place: Path) -> Tidied | None:
        """The tidy rows of a whole file, where it is undamaged."""
        cells = read_whole(place, self._layout, self._labels, self._numbers)
        return None if cells is None else self._tidier.read(cells, last=True)

    def _after_header(self, block: Block) -> Block:
        skip = self._layout.first_line - block.first_line
        if skip <= 0 or block.too_long:
            return block
        place = 0
        for _ in range(skip):
            place = block.text.find(b"\n", place) + 1 or len(block.text)
        return replace(block, text=block.text[place:], first_line=self._layout.first_line)

    def _read_slowly(self, block: Block) -> Cells:
        cells = read_slowly(block, self._layout, self._wanted)
        if block.too_long:
            cells.listed.append((block.first_line, "is longer than a million bytes"))
        if (
            not cells.whole_end
            and cells.listed
            and cells.listed[-1][0] == block.first_line + block.text.count(b"\n") - 1
        ):
            line, what = cells.listed[-1]
            cells.listed[-1] = (line, f"the last line is half written: {what}")
        return cells


def _about(cells: Cells, block: Block) -> list[tuple[int, str, str]]:
    """Remarks on lines that are no rows, and on how the file ends."""
    remarks: list[tuple[int, str, str]] = []
    if cells.chatter:
        count = len(cells.chatter)
        which = f"s of comment or chatter ({which_lines(cells.chatter)})" if count > 1 else " of comment or chatter"
        what = f"{count} line{which}"
        remarks.append((cells.chatter[0], what, "passed over"))
    remarks += [(line, "the column names again", "passed over") for line in cells.headers]
    if cells.latin:
        count = len(cells.latin)
        remarks.append(
            (cells.latin[0], f"{count} line{'s' * (count > 1)} from here on not in UTF-8", "read as Latin-1")
        )
    if block.unfinished and cells.whole_end:
        line = block.first_line + block.text.count(b"\n") - 1
        remarks.append((line, "the last line has no line end", "kept; its last cell may be cut short"))
    if block.broken is not None:
        remarks.append(
            (block.first_line, f"the packed file ends early or is damaged ({block.broken[:80]})", "read up to there")
        )
    return remarks


# ------------------------------------------------------------------ parquet


def _iter_parquet(place: Path, columns: LogMap | str | os.PathLike[str] | None) -> Iterator[Log]:
    arrow, parquet = _pyarrow(str(place))
    try:
        with parquet.ParquetFile(place) as table:
            yield from _parquet_blocks(place, table, columns)
    except (arrow.ArrowException, OSError) as error:
        raise InputFault(str(place), [f"is no whole Parquet file ({str(error)[:100]}): write it again"]) from error


def _pyarrow(source: str) -> tuple[Any, Any]:
    try:
        return importlib.import_module("pyarrow"), importlib.import_module("pyarrow.parquet")
    except ImportError as error:
        fault = "is Parquet, which needs pyarrow: pip install \".[parquet]\" in the clone, or use .csv"
        raise InputFault(source, [fault]) from error


def _parquet_blocks(place: Path, table: Any, columns: LogMap | str | os.PathLike[str] | None) -> Iterator[Log]:
    names = list(table.schema_arrow.names)
    notes = _notes_of(table.schema_arrow.metadata)
    log_map = _parquet_map(place, names, notes, columns)
    layout = Layout(delimiter=",", decimal=".", width=len(names), first_line=1, header=tuple(names))
    missing = [f"column {c!r} is not in the log: it has {', '.join(map(repr, names[:12]))}" for c in log_map.columns
               if isinstance(c, str) and c not in names]  # fmt: skip
    if missing:
        raise InputFault(str(place), missing)
    index = column_index(str(place), layout, log_map.columns)
    tidier = Tidier(log_map, index)
    wanted = sorted(set(index.values()))
    line = 1
    for batch in chain(table.iter_batches(batch_size=200_000, columns=[names[i] for i in wanted]), [None]):
        frame = pd.DataFrame(columns=wanted) if batch is None else batch.to_pandas().set_axis(wanted, axis=1)
        lines = np.arange(line, line + len(frame), dtype=np.int64)
        line += len(frame)
        tidied = tidier.read(Cells(frame=frame, lines=lines), last=batch is None)
        yield _as_log(place, tidied, [], log_map, notes, guessed=False)


def _parquet_map(
    place: Path, names: list[str], notes: dict[str, str], columns: LogMap | str | os.PathLike[str] | None
) -> LogMap:
    if isinstance(columns, LogMap):
        return columns
    beside = columns or (None if map_of_names(names, notes) else find_map(place))
    if beside is not None:
        return read_map(Path(beside))
    tidy = map_of_names(names, notes)
    if tidy is None:
        raise InputFault(str(place), [f"columns {names[:12]} are not the tidy schema: give a map with --map"])
    return tidy


def _notes_of(metadata: Mapping[bytes, bytes] | None) -> dict[str, str]:
    try:
        notes = json.loads((metadata or {}).get(_PARQUET_NOTES, b"{}"))
    except ValueError:
        return {}
    return {str(k): str(v) for k, v in notes.items()} if isinstance(notes, dict) else {}


# ------------------------------------------------------------------ results


def _as_log(
    place: Path, tidied: Tidied, remarks: Iterable[tuple[int, str, str]], log_map: LogMap, notes: dict[str, str],
    *, guessed: bool,
) -> Log:  # fmt: skip
    kind = log_map.position.kind if log_map.position else None
    return Log(
        rows=tidied.rows, noticed=_listing(tidied.noticed), remarks=_listing([*remarks, *tidied.remarks]),
        rows_in=tidied.rows_out + len(tidied.noticed), rows_out=tidied.rows_out, position_kind=kind,
        source=str(place), simulated=log_map.simulated or notes.get("simulated", "").lower() in ("yes", "true"),
        notes=notes, map=log_map, guessed=guessed, lines=tidied.lines,
    )  # fmt: skip


def _listing(entries: Iterable[tuple[int, str, str]]) -> pd.DataFrame:
    ordered = sorted(entries, key=lambda entry: entry[0])
    frame = pd.DataFrame(ordered, columns=["line", "what", "done"], dtype=object)
    return frame.astype({"line": "int64", "what": "str", "done": "str"})


def _by_line(parts: list[pd.DataFrame]) -> pd.DataFrame:
    if len(parts) == 1:
        return parts[0]
    return pd.concat(parts, ignore_index=True).sort_values("line", kind="stable", ignore_index=True)


_HARMLESS = ("passed over", "read by it")


def _strictly(logs: Iterator[Log], strict: bool) -> Iterator[Log]:
    """Pass the logs on; with `strict`, gather everything that was mended or left out and refuse it at the end."""
    if not strict:
        yield from logs
        return
    faults: list[str] = []
    count, source = 0, ""
    kept = []
    for log in logs:
        doubts = [log.noticed, log.remarks[~log.remarks["done"].isin(_HARMLESS)]]
        for line, what, done in pd.concat(doubts).itertuples(index=False):
            count += 1
            if count <= _MOST_FAULTS:
                faults.append((f"line {line}: " if line else "") + f"{what} ({done}): strict mode refuses that")
        source = log.source
        kept.append(log)
    if count > _MOST_FAULTS:
        faults.append(f"and {count - _MOST_FAULTS} more: read without strict to see them all")
    if faults:
        raise InputFault(source, faults)
    yield from kept


# ------------------------------------------------------------------ writing


def write_log(
    log: Log | pd.DataFrame,
    path: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    notes: Mapping[str, str] | None = None,
) -> Path:
    """Write tidy rows as CSV (.csv, .csv.gz) or Parquet (.parquet), whole or not at all, never over a file unasked.

    `notes` are kept as `# key: value` lines before the header (a `Log` brings its own). A label that a
    spreadsheet would take for a formula (it begins with =, +, - or @) is written with a ' before it.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     rows = pd.DataFrame({"time_s": [0.0], "axis": "X", "detents": 1, "gain_mm": 0.1, "person": "=1+1"})
    ...     print(write_log(rows, Path(folder) / "tidy.csv", notes={"simulated": "yes"}).read_text())
    # simulated: yes
    time_s,axis,detents,gain_mm,person
    0.0,X,1,0.1,'=1+1
    """
    place = Path(path)
    frame = log.rows if isinstance(log, Log) else log
    kept = _notes_to_keep(log) if isinstance(log, Log) else {}
    kept |= {str(key): str(value) for key, value in (notes or {}).items()}
    frame = frame[[name for name in TIDY_COLUMNS if name in frame]]
    if place.suffix == ".parquet":
        return write_whole(place, _as_parquet(str(place), frame, kept), overwrite=overwrite)
    data = _as_csv(frame, kept).encode("utf-8")
    return write_whole(place, gzip.compress(data, mtime=0) if place.suffix == ".gz" else data, overwrite=overwrite)


def _notes_to_keep(log: Log) -> dict[str, str]:
    notes = dict(log.notes)
    if log.simulated:
        notes["simulated"] = "yes"
    if log.position_kind:
        notes["position"] = log.position_kind
    return notes


def _as_csv(frame: pd.DataFrame, notes: Mapping[str, str]) -> str:
    head = "".join(f"# {_one_line(key)}: {_one_line(value)}\n" for key, value in notes.items())
    harmless = {name: frame[name].map(harmless_label) for name in _LABELS if name in frame}
    return head + frame.assign(**harmless).to_csv(index=False, lineterminator="\n")


def _one_line(text: str) -> str:
    return " ".join(str(text).split())


def harmless_label(label: object) -> str:
    """A label as a CSV cell that no spreadsheet takes for a formula, on one line.

    >>> harmless_label("=1+1"), harmless_label("Ana")
    ("'=1+1", 'Ana')
    """
    text = _one_line("" if label is None or label is pd.NA or label != label else str(label))
    return "'" + text if text.startswith(FORMULA_SIGNS) or unescaped(text) != text else text


def _as_parquet(source: str, frame: pd.DataFrame, notes: Mapping[str, str]) -> bytes:
    arrow, parquet = _pyarrow(source)
    table = arrow.Table.from_pandas(frame, preserve_index=False)
    metadata = {**(table.schema.metadata or {}), _PARQUET_NOTES: json.dumps(dict(notes)).encode()}
    out = io.BytesIO()
    parquet.write_table(table.replace_schema_metadata(metadata), out)
    return out.getvalue()


# ------------------------------------------------------------------ the open encoder trace


def read_encoder_trace(
    path: str | os.PathLike[str],
    *,
    counts_per_turn: int = 1024,
    detents_per_turn: int | None = None,
    jumps: str = "turned",
    axis: str = "X",
    gain_mm: float | None = None,
) -> Log:
    """Make the open encoder trace tidy: column 1 is a clock in µs, column 2 a count that wraps at ±counts_per_turn/2.

    Without `detents_per_turn` each count is one detent; otherwise the turns are cut into that many detents, as if
    the wheel had clicked. Without `gain_mm` the log has one rung, 1. The recorder sets its count to 0 now and then:
    `jumps="turned"` takes these jumps for turning, as a plain unwrap does, `jumps="zeroed"` leaves those rows out.

    Source: PyPI package `ibllib` 4.1.0, test data, MIT. The wheel was turned by an animal, not a person.

    >>> log = read_encoder_trace("datasets/logs/encoder_trace.ssv", detents_per_turn=24)
    >>> log.simulated, log.notes["turned by"], log.rows["rung"].unique().tolist()
    (False, 'an animal, not a person', [1])
    """
    if jumps not in ("turned", "zeroed"):
        raise ValueError(f'jumps = {jumps!r}: must be "turned" or "zeroed"')
    log_map = LogMap(
        time=Clock(column=1, unit="us"), delimiter=" ", header=False,
        knob=Counter(columns=((axis, 2),), wraps_at=counts_per_turn), rung=RungColumn(always=1),
    )  # fmt: skip
    log = read_log(path, columns=log_map)
    rows = log.rows
    zeroed = _zeroed(rows["detents"].to_numpy(), jumps)
    turned = np.cumsum(np.where(zeroed, 0, rows["detents"].to_numpy()))
    per_turn = detents_per_turn or counts_per_turn
    whole = (2 * turned * per_turn + counts_per_turn) // (2 * counts_per_turn)
    rows = rows.assign(detents=np.diff(whole, prepend=0))[~zeroed].reset_index(drop=True)
    if gain_mm is not None:
        rows = rows.assign(rung=float(gain_mm)).rename(columns={"rung": "gain_mm"})
    left_out = [(int(line), "the recorder set its count to 0", "left out") for line in np.flatnonzero(zeroed) + 1]
    return Log(
        rows=rows, noticed=_listing([*log.noticed.itertuples(index=False, name=None), *left_out]),
        remarks=log.remarks, rows_in=log.rows_in, rows_out=len(rows), position_kind=None, source=str(path),
        simulated=False, notes=_trace_notes(counts_per_turn, per_turn), map=log_map,
        lines=None if log.lines is None else log.lines[~zeroed],
    )  # fmt: skip


def _zeroed(steps: Ints, jumps: str) -> Mask:
    """The rows at which the count leaps to exactly 0, as no step of one count does."""
    zero = np.cumsum(steps) == steps[0]
    return np.asarray((np.abs(steps) > 1) & zero & (jumps == "zeroed"), dtype=np.bool_)


def _trace_notes(counts_per_turn: int, per_turn: int) -> dict[str, str]:
    notes = {
        "simulated": "no",
        "turned by": "an animal, not a person",
        "licence": "MIT, International Brain Laboratory (PyPI package ibllib 4.1.0, test data)",
    }
    if per_turn != counts_per_turn:
        notes["as if"] = (
            f"the wheel had {per_turn} detents a turn (its encoder gives {counts_per_turn} counts and no detents)"
        )
    return notes
