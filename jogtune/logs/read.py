"""read_log and iter_log: a file of any shape to tidy rows."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import chain
from pathlib import Path

import numpy as np
import pandas as pd

from ..files import InputFault
from .cells import Cells, Layout, read_fast, read_slowly, read_whole
from .clock import Ints, Mask
from .guess import guess_map
from .head import HEAD_BYTES, HEAD_LINES, Head, column_index, find_layout, read_head
from .lines import BLOCK_BYTES, Block, blocks, byte_chunks, open_log
from .log import Log, which_lines
from .map import Clock, Column, Counter, LogMap, RungColumn
from .map_file import read_map
from .parquet import as_log, find_map, listing, load_pyarrow, parquet_blocks
from .roles import question_rung, tidy_map
from .tidy import Tidied, Tidier, join_rows, join_tidied
from .write import HARMLESS

GUESSED = "read by a guessed map: check it (jogtune read LOG --keep-map MAP.toml)"
_MOST_FAULTS = 200
_SMALL_BYTES = 1 << 16
_WHOLE_FROM_BYTES, _WHOLE_TO_BYTES = 5 << 20, 1 << 31


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
    """Read a log larger than memory: yields a `Log` per block, whose rows follow on from the block before."""
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
    return as_log(place, tidied, remarks, log_map, dict(head.notes), guessed=guessed)


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
        yield as_log(place, tidied, remarks + about, log_map, notes, guessed=guessed)
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


def _iter_parquet(place: Path, columns: LogMap | str | os.PathLike[str] | None) -> Iterator[Log]:
    arrow, parquet = load_pyarrow(str(place))
    try:
        with parquet.ParquetFile(place) as table:
            yield from parquet_blocks(place, table, columns)
    except (arrow.ArrowException, OSError) as error:
        raise InputFault(str(place), [f"is no whole Parquet file ({str(error)[:100]}): write it again"]) from error


def _by_line(parts: list[pd.DataFrame]) -> pd.DataFrame:
    if len(parts) == 1:
        return parts[0]
    return pd.concat(parts, ignore_index=True).sort_values("line", kind="stable", ignore_index=True)


def _strictly(logs: Iterator[Log], strict: bool) -> Iterator[Log]:
    """Pass the logs on; with `strict`, gather everything that was mended or left out and refuse it at the end."""
    if not strict:
        yield from logs
        return
    faults: list[str] = []
    count, source = 0, ""
    kept = []
    for log in logs:
        doubts = [log.noticed, log.remarks[~log.remarks["done"].isin(HARMLESS)]]
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
        rows=rows, noticed=listing([*log.noticed.itertuples(index=False, name=None), *left_out]),
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
