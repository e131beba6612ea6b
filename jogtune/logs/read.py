"""Any log read, a tidy one written."""

import gzip
import json
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO, cast

import numpy as np
import pandas as pd

from ..files import Fault, InputFault, progress_bar, write_set
from ..notes import Note, Severity
from ..signs import cut, harmless, visible
from .cells import _Cells, _Layout, _read_at_once, _read_fast, _read_slowly
from .check import _LABELS, _LONGEST_LABEL
from .guess import _guess_map
from .head import _HEAD_BYTES, _HEAD_LINES, _column_index, _decode, _find_layout, _Head, _read_head
from .lines import _BLOCK_BYTES, _LONGEST_LINE_BYTES, _Block, _blocks, _Seen, byte_chunks, open_log
from .log import Log, _as_fault, _as_log, _steady
from .map import LogMap
from .map_file import read_map
from .parquet import _PARQUET_NOTES, Columns, _find_map, _load_pyarrow, _parquet_blocks
from .roles import _TIDY_COLUMNS, _question_rung, _tidy_map
from .tidy import _join_rows, _join_tidied, _Tidied, _Tidier


def write_log(
    log: Log | pd.DataFrame | Iterable[Log], path: str | os.PathLike[str], *, overwrite: bool = False,
    notes: Mapping[str, str] | None = None, beside: Mapping[str, str] | None = None, make_folder: bool = False,
) -> Path:  # fmt: skip
    """Write tidy rows as CSV (.csv, .csv.gz) or Parquet (.parquet), whole or not at all, never over a file unasked.

    The parts of a log, as `iter_log` gives them, are written one after the other as they come. `notes` are kept as `# key: value`
    lines before the header (a `Log` brings its own). A label that a spreadsheet would take for a formula (it begins with =, +, -
    or @) is written with a ' before it. `beside` (path -> text) is written with it, or neither; `make_folder` makes the folder."""
    place = Path(path)
    parts = iter([log]) if isinstance(log, Log | pd.DataFrame) else iter(log)
    first = next(parts)
    kept = _notes_to_keep(first) if isinstance(first, Log) else {}
    kept |= {str(key): str(value) for key, value in (notes or {}).items()}
    frames = (part.rows if isinstance(part, Log) else part for part in chain([first], parts))
    frames = (frame[[name for name in _TIDY_COLUMNS if name in frame]] for frame in frames)
    write = _write_parquet if place.suffix == ".parquet" else _write_packed if place.suffix == ".gz" else _write_csv
    contents: dict[Any, Any] = {place: lambda stream: write(stream, frames, kept), **(beside or {})}
    return write_set(contents, overwrite=overwrite, make_folder=make_folder)[0]


def _notes_to_keep(log: Log) -> dict[str, str]:
    notes = dict(log.header)
    if log.simulated:
        notes["simulated"] = "yes"
    if log.position_kind:
        notes["position"] = log.position_kind
    return notes


def _write_csv(stream: BinaryIO, frames: Iterator[pd.DataFrame], notes: Mapping[str, str]) -> None:
    told = _APART.sub(r"\1'", "".join(f"# {_one_line(key)}: {_one_line(value)}\n" for key, value in notes.items()))
    stream.write(visible(told).encode())
    for number, frame in enumerate(frames):
        if len(frame) or not number:
            labels = {name: frame[name].map(_as_label) for name in _LABELS if name in frame}
            frame.assign(**labels).to_csv(stream, index=False, header=not number, lineterminator="\n", chunksize=_PIECE_ROWS)


def _write_packed(stream: BinaryIO, frames: Iterator[pd.DataFrame], notes: Mapping[str, str]) -> None:
    with gzip.GzipFile(filename="", mode="wb", fileobj=stream, mtime=0) as packed:
        _write_csv(cast(BinaryIO, packed), frames, notes)


def _one_line(text: str) -> str:
    return " ".join(str(text).split())


def _as_label(label: object) -> object:
    """A label as a CSV cell, on one line, and no longer than it is read again."""
    text = _one_line("" if label is None or label is pd.NA or label != label else str(label))
    return harmless(cut(visible(text, keep="\u00a0"), _LONGEST_LABEL))


def _write_parquet(stream: BinaryIO, frames: Iterator[pd.DataFrame], notes: Mapping[str, str]) -> None:
    arrow, parquet = _load_pyarrow("a log")
    first = next(frames)
    schema = arrow.Schema.from_pandas(first, preserve_index=False)
    schema = schema.with_metadata({**(schema.metadata or {}), _PARQUET_NOTES: json.dumps(dict(notes)).encode()})
    with parquet.ParquetWriter(stream, schema) as writer:
        for frame in chain([first], frames):
            writer.write_table(arrow.Table.from_pandas(frame, schema=schema, preserve_index=False))


_MOST_FAULTS = 200
_APART = re.compile(r"([,;\t] *)(?=[=+@＝＋－＠]|-(?![\d.]+ *(?:[,;\n]|$)))")  # a spreadsheet's cell that runs
_ENOUGH_ROWS = 20  # to say that a map doesn't fit (our choice)
_GAP = re.compile(rb"^# unplugged from ([0-9.]+) to ([0-9.]+) s$", re.MULTILINE)  # as `record` marks it
_SMALL_BYTES, _CACHED_BYTES = 1 << 16, 1 << 20
_WHOLE_FROM_BYTES, _WHOLE_TO_BYTES = 5 << 20, 1 << 26  # above, Ctrl-C would wait too long, and memory grow too large
_PIECE_ROWS = 50_000  # written at once
_FIRST_ROWS = 1000  # kept of a log that is only passed on


def read_log(path: str | os.PathLike[str], *, columns: Columns = None, strict: bool = False, progress: bool = False) -> Log:
    """Read a jog log of any shape into the tidy schema.

    `columns` is a map or the path of one; without it the log's own tidy header counts, else a map beside the log
    (`LOG.map.toml`), else a guess, which `guessed` and `remarks` tell. Raises `InputFault` where nothing can be
    read; with `strict`, for every row that would have been left out and for anything doubtful.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     place = Path(folder) / "mine.csv"
    ...     _ = place.write_text("time_s,axis,detents,gain_mm\\n0.0,X,1,0.1\\n0.04,X,oops,0.1\\n0.08,X,2,0.1\\n")
    ...     log = read_log(place)
    >>> log.rows["detents"].tolist(), log.noticed[0].where.line, log.noticed[0].kind
    ([1, 2], 3, 'must_be_a_number')
    """
    return _joined(list(_logs(Path(path), columns, strict, _CACHED_BYTES, progress=progress, at_once=True)))


def tidy_file(
    path: str | os.PathLike[str], out: str | os.PathLike[str] | None, *, columns: Columns = None, strict: bool = False,
    overwrite: bool = False, progress: bool = False, keep_map: str | None = None,
) -> Log:  # fmt: skip
    """Read a log of any size and, with `out`, write it tidy there: `read_log` and `write_log`, in bounded memory.

    Its map is written to `keep_map`. The log that comes back holds the first rows only; its counts and what was noticed are of the
    whole."""
    kept: list[Log] = []

    def passed_on() -> Iterator[Log]:
        for part in iter_log(path, columns=columns, strict=strict, progress=progress):
            kept.append(_first_rows(part, _FIRST_ROWS - sum(len(one.rows) for one in kept)))
            yield part

    parts = passed_on()
    first = next(parts)
    beside = {keep_map: first.map_text(explained=True)} if keep_map and first.map is not None else {}
    if out is not None:
        write_log(chain([first], parts), out, overwrite=overwrite, beside=beside)
    for _ in parts:  # where none are written
        pass
    if out is None and beside:
        write_set(beside, overwrite=overwrite)
    return _joined(kept)


def _first_rows(part: Log, count: int) -> Log:
    left = part.rows.iloc[count:]
    more = (len(left), int(left["detents"].abs().sum()), float(left["time_s"].iloc[-1])) if len(left) else (0, 0, 0.0)
    lines = None if part.lines is None else part.lines[:count].copy()
    rows = part.rows.iloc[:count].copy() if count else pd.DataFrame()  # no part of it: its texts would all be held
    return replace(part, rows=rows, lines=lines, more=more)


def _joined(parts: list[Log]) -> Log:
    if len(parts) == 1:
        return parts[0]
    rows, clicks, times = zip(*(part.more for part in parts), strict=True)
    return replace(
        parts[0], rows=_join_rows([part.rows for part in parts]),
        noticed=_by_line(note for part in parts for note in part.noticed),
        remarks=_by_line(note for part in parts for note in part.remarks),
        rows_in=sum(part.rows_in for part in parts), rows_out=sum(part.rows_out for part in parts),
        unfit=sum(part.unfit for part in parts), lines=np.concatenate([part.lines for part in parts if part.lines is not None]),
        more=(sum(rows), sum(clicks), next((last for last, count in zip(times[::-1], rows[::-1], strict=True) if count), 0.0)),
    )  # fmt: skip


def _by_line(notes: Iterable[Note]) -> tuple[Note, ...]:
    """In the order of the lines; what was counted block by block as one."""
    found: dict[str | int, Note] = {}
    for note in sorted(notes, key=lambda note: note.where.line or 0):
        key = note.kind if "count" in note.figures else len(found)
        if key in found:
            before = found[key]
            note = replace(before, figures={name: before.figures[name] + more for name, more in note.figures.items()})
        found[key] = note
    return tuple(found.values())


def iter_log(
    path: str | os.PathLike[str], *, columns: Columns = None, strict: bool = False, block_bytes: int = _BLOCK_BYTES,
    progress: bool = False,
) -> Iterator[Log]:  # fmt: skip
    """Read a log larger than memory: yields a `Log` per block, whose rows follow on from the block before.

    With `strict` what is wrong is told once all is read."""
    yield from _logs(Path(path), columns, strict, block_bytes, progress=progress)


def _logs(
    place: Path, columns: Columns, strict: bool, size: int, *, progress: bool = False, at_once: bool = False
) -> Iterator[Log]:
    start, stream = open_log(place)
    with stream, progress_bar(os.fstat(stream.fileno()).st_size, place.name[:40], "B", shown=progress) as bar:
        if start[:2] == b"PK":
            raise InputFault(str(place), [Fault(rule="is a zip archive", cure="unpack it first")])
        logs = _iter_parquet(place, columns) if start == b"PAR1" else _iter_text(place, start, stream, columns, size, at_once)
        for log in _strictly(_steady(place, logs), strict):
            yield log
            bar.update(stream.tell() - bar.n)


def _read_whole(place: Path, stream: BinaryIO, columns: Columns) -> Log | None:
    """A large undamaged log in one go, several threads at once; None where it has to be read block by block."""
    if not _WHOLE_FROM_BYTES <= os.fstat(stream.fileno()).st_size <= _WHOLE_TO_BYTES:
        return None
    opening = stream.read(_HEAD_BYTES)
    stream.seek(0)
    if opening[:2] == b"\x1f\x8b" or b"\r" in opening or b"\n" not in opening:
        return None
    reader = _TextReader(place, _read_head(opening[: opening.rfind(b"\n") + 1]), columns)
    tidied = reader.read_whole()
    return None if tidied is None else reader.as_log(tidied, [])


def _iter_text(place: Path, start: bytes, stream: BinaryIO, columns: Columns, size: int, at_once: bool) -> Iterator[Log]:
    if at_once and (whole := _read_whole(place, stream, columns)):
        yield whole
        return
    blocks = _blocks(byte_chunks(start, stream, size), size)
    opening, text = _opening(blocks)
    if not text.strip(b"\0 \t\n"):
        raise InputFault(str(place), [_why_empty(opening)])
    reader = _TextReader(place, _read_head(text), columns)
    previous, *rest = opening
    for block in chain(rest, blocks, [None]):
        yield reader.as_log(*reader.read(previous, last=block is None))
        if block is not None:
            previous = block


def _opening(stream: Iterator[_Block]) -> tuple[list[_Block], bytes]:
    opening: list[_Block] = []
    text = b""
    for block in stream:
        opening.append(block)
        text += b"\n" if block.too_long else block.text
        if len(text) >= _HEAD_BYTES or text.count(b"\n") >= _HEAD_LINES:
            break
    return opening, text


def _why_empty(opening: list[_Block]) -> Fault:
    if not opening:
        return Fault(rule="is empty (0 bytes)", cure="record the log again")
    if opening[-1].broken is not None:
        return Fault(rule=f"can't be unpacked ({opening[-1].broken})", cure="pack it again")
    return Fault(rule="holds no lines of text (only blanks or NUL bytes)", cure="check how it was recorded")


def _settle_map(place: Path, head: _Head, columns: Columns) -> tuple[LogMap, bool, list[_Seen]]:
    """The map to read by, whether it was guessed, and what to say about that."""
    if isinstance(columns, LogMap):
        return columns, False, []
    given = _tidy_map(head) if columns is None else read_map(Path(columns))
    if given is not None:
        return given, False, []
    beside = _find_map(place)
    if beside is not None:
        return read_map(beside), False, [(0, "map_beside_the_log", {"file": beside.name})]
    guess, remarks = _guess_map(str(place), head)
    return guess, True, [(0, "map_guessed", {}), *remarks]


def _unused(layout: _Layout, log_map: LogMap, head: _Head) -> list[_Seen]:
    """A misspelt optional column of a tidy log would pass unseen: say which columns aren't used."""
    if layout.header is None or log_map != _tidy_map(head):
        return []
    unused = [str(name)[:40] for name in layout.header if name not in log_map.columns]
    return [(layout.first_line - 1, "not_in_the_tidy_schema", {"column": name}) for name in unused]


class _TextReader:
    """Reads block after block of text by one layout and map; what is to be said of these comes with the first."""

    def __init__(self, place: Path, head: _Head, columns: Columns) -> None:
        self._place, self._header = place, head.header
        self._map, self._guessed, self._remarks = log_map, _, remarks = _settle_map(place, head, columns)
        self._layout = layout = _find_layout(str(place), head, log_map)
        index = _column_index(str(place), layout, log_map.columns)
        remarks += _question_rung(str(place), head, layout, log_map, index) + _unused(layout, log_map, head)
        self._tidier = _Tidier(log_map, index, decimal=layout.decimal)
        self._wanted = sorted(set(index.values()))
        labels = {part.column for part in (log_map.axis, log_map.person, log_map.marker) if part and part.column}
        if log_map.rung.names and log_map.rung.column:
            labels.add(log_map.rung.column)
        self._labels = {index[column] for column in labels}
        self._numbers = {index[column] for column in log_map.columns if column not in labels}

    def as_log(self, tidied: _Tidied, about: list[_Seen]) -> Log:
        remarks, self._remarks = self._remarks + about, []
        return _as_log(self._place, tidied, remarks, self._map, self._header, guessed=self._guessed)

    def read(self, block: _Block, *, last: bool) -> tuple[_Tidied, list[_Seen]]:
        """The tidy rows of a block and what is to be said about its lines."""
        pieces = list(self._pieces(self._after_header(block)))
        parts, about = [], list[_Seen]()
        for number, (piece, cells) in enumerate(pieces, start=1):
            about += (seen := _about(cells, piece))
            self._tidier.anew += [line for line, kind, _ in seen if kind == "unplugged"]
            parts.append(self._tidier.read(cells, last=last and number == len(pieces)))
        return _join_tidied(parts), about

    def _pieces(self, block: _Block) -> Iterator[tuple[_Block, _Cells]]:
        """A block whole where it is plain; else in halves, so that only what is near the damage is read slowly."""
        cells = _read_fast(block, self._layout, self._labels, self._numbers) if block.text else None
        middle = block.text.find(b"\n", len(block.text) // 2) + 1
        if cells is None and len(block.text) > _SMALL_BYTES and 0 < middle < len(block.text):
            first, rest = block.text[:middle], block.text[middle:]
            yield from self._pieces(_Block(text=first, first_line=block.first_line))
            yield from self._pieces(replace(block, text=rest, first_line=block.first_line + first.count(b"\n")))
        else:
            yield block, cells or self._read_slowly(block)

    def read_whole(self) -> _Tidied | None:
        cells = _read_at_once(self._place, self._layout, self._labels, self._numbers)
        return None if cells is None else self._tidier.read(cells, last=True)

    def _after_header(self, block: _Block) -> _Block:
        skip = self._layout.first_line - block.first_line
        if skip <= 0 or block.too_long:
            return block
        place = 0
        for _ in range(skip):
            place = block.text.find(b"\n", place) + 1 or len(block.text)
        return replace(block, text=block.text[place:], first_line=self._layout.first_line)

    def _read_slowly(self, block: _Block) -> _Cells:
        cells = _read_slowly(block, self._layout, self._wanted)
        if block.too_long:
            cells.listed.append((block.first_line, "line_too_long", {"most_bytes": _LONGEST_LINE_BYTES}))
        last = block.first_line + block.text.count(b"\n") - 1
        if not cells.whole_end and cells.listed and cells.listed[-1][0] == last:
            cells.listed.insert(-1, (last, "half_written", {}))
        return cells


def _about(cells: _Cells, block: _Block) -> list[_Seen]:
    remarks: list[_Seen] = [(line, "column_names_again", {}) for line in cells.headers]
    if cells.chatter:
        remarks.append((cells.chatter[0], "chatter", {"count": len(cells.chatter), "first": cells.chatter[:7]}))
        for gap in _GAP.finditer(block.text):
            line = block.first_line + block.text.count(b"\n", 0, gap.start())
            remarks.append((line, "unplugged", {"gap_s": float(gap[2]) - float(gap[1])}))
    if cells.latin:
        remarks.append((cells.latin[0], "not_in_utf_8", {"count": len(cells.latin)}))
    if block.unfinished and cells.whole_end:
        remarks.append((block.first_line + block.text.count(b"\n") - 1, "no_line_end", {}))
    if block.broken is not None:
        remarks.append((block.first_line, "packing_damaged", {"reason": block.broken[:80]}))
    return remarks


def _iter_parquet(place: Path, columns: Columns) -> Iterator[Log]:
    arrow, parquet = _load_pyarrow(str(place))
    try:
        texts = [field.name for field in parquet.read_schema(place) if field.type in (arrow.string(), arrow.large_string())]
        with parquet.ParquetFile(place, read_dictionary=texts) as table:  # a long text told a million times is kept once
            yield from _parquet_blocks(place, table, columns)
    except (arrow.ArrowException, OSError) as error:
        fault = Fault(rule=f"is no whole Parquet file ({str(error)[:100]})", cure="write it again")
        raise InputFault(str(place), [fault]) from error


def _strictly(logs: Iterator[Log], strict: bool) -> Iterator[Log]:
    """Pass the logs on and refuse at the end a map that fits too few of the rows; with `strict`, all that was mended or left
    out."""
    faults: list[Fault] = []
    count, rows, unfit, lines = 0, 0, 0, list[int]()
    for log in logs:
        yield log
        rows, unfit = rows + log.rows_in, unfit + log.unfit
        lines += [note.where.line or 0 for note in log.noticed[: (_MOST_FAULTS - len(lines)) * bool(log.unfit)]]
        doubts = [note for note in log.notes if note.severity > Severity.INFO] if strict else []
        faults += [_as_fault(note, strict=True) for note in doubts[: _MOST_FAULTS - len(faults)]]
        count += len(doubts)
    if count > _MOST_FAULTS:
        faults.append(Fault(rule=f"and {count - _MOST_FAULTS} more", cure="read without strict to see them all"))
    if faults:
        raise InputFault(log.source, faults)
    if log.map is not None and rows >= _ENOUGH_ROWS and rows - unfit < log.map.fits * rows:
        texts = "; ".join(f"line {n}: {text[:60]!r}" for n, text in _texts_of(Path(log.source), lines[:: len(lines) // 2][:2]))
        cure = "mend the map, or say in it which share is enough (fits = 0.5)"
        cure += f"; it was guessed:\n{log.map_text()}" if log.guessed else ""
        raise InputFault(log.source, [Fault(rule=f"its map fits only {rows - unfit} of {rows} rows ({texts})", cure=cure)])


def _texts_of(place: Path, lines: Sequence[int]) -> Iterator[tuple[int, str]]:
    """Two lines of a log as text; of a Parquet file none."""
    start, stream = open_log(place)
    with stream:
        for block in _blocks(byte_chunks(start, stream)) if start != b"PAR1" else ():
            texts = block.text.split(b"\n")
            yield from ((line, _decode(texts[line - block.first_line])) for line in lines
                        if 0 <= line - block.first_line < len(texts) - 1)  # fmt: skip
