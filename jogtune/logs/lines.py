"""Bytes to whole lines."""

import codecs
import os
import re
import stat
import zlib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from ..files import Fault, InputFault

_BLOCK_BYTES = 8 << 20
_LONGEST_LINE_BYTES = 1 << 20
_PACKED_BYTES = 2048  # a piece of a gzip file; unpacks to 2 MB at most
_MOST_BYTES = 4 << 30  # that a packed file may unpack to (our choice)
_HARMLESS_BYTES, _MOST_TIMES = 64 << 20, 200  # above, it may unpack to 200 times its size; a log packs 5 to 10 times (our choice)
_Lines = npt.NDArray[np.int64]
_Seen = tuple[int, str, dict[str, Any]]
"""What was noticed of a line (0: of the whole file), or of a block's row: which, the kind of note, its figures."""


@dataclass(frozen=True, kw_only=True)
class _Block:
    """Some whole lines, each ended by a line feed. `unfinished`: the last line had no end in the file."""

    text: bytes
    first_line: int
    unfinished: bool = False
    too_long: bool = False
    broken: str | None = None


def open_log(path: Path) -> tuple[bytes, BinaryIO]:
    """The first four bytes of a regular file and its stream; a folder or a missing file is an `InputFault`."""
    try:
        mode = path.stat().st_mode
        stream = path.open("rb") if stat.S_ISREG(mode) else None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputFault(str(path), [Fault(rule=f"can't be read ({reason})", cure="check the name and the rights")]) from error
    if stream is None:
        odd = Fault(rule="is not a regular file", cure="copy what it prints into a file first")
        raise InputFault(str(path), [Fault(rule="is a folder", cure="name a file in it") if stat.S_ISDIR(mode) else odd])
    start = stream.read(4)
    stream.seek(0)
    return start, stream


def byte_chunks(start: bytes, stream: BinaryIO, size: int = _BLOCK_BYTES) -> Iterator[bytes]:
    """The file's bytes as UTF-8 or one-byte text, unpacked from gzip or UTF-16 where its first bytes say so.

    A gzip that ends early or is damaged raises EOFError at that place; one that unpacks to too much is an `InputFault`."""
    if start[:2] == b"\x1f\x8b":
        _refuse_too_much(stream)
    chunks = _gathered(_unpacked(stream), size) if start[:2] == b"\x1f\x8b" else iter(lambda: stream.read(size), b"")
    first = next(chunks, b"")
    if first[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        decoder = codecs.getincrementaldecoder("utf-16")(errors="replace")
        yield from (decoder.decode(chunk).encode("utf-8", "replace") for chunk in chain([first], chunks))
        return
    yield first.removeprefix(codecs.BOM_UTF8)
    yield from chunks


def _refuse_too_much(stream: BinaryIO) -> None:
    packed, total = os.fstat(stream.fileno()).st_size, 0
    most = min(_MOST_BYTES, max(_HARMLESS_BYTES, _MOST_TIMES * packed))
    with suppress(EOFError):
        for piece in _unpacked(stream):
            total += len(piece)
            if total > most:
                raise InputFault(stream.name, [_too_much(most)])
    stream.seek(0)


def _too_much(most: int) -> Fault:
    return Fault(rule=f"unpacks to more than {most >> 20:,} MiB", cure="see that it is a log, then unpack it, and cut it in parts")


def _unpacked(stream: BinaryIO) -> Iterator[bytes]:
    """What a gzip file holds, in small pieces, so that a damaged one gives all that comes before the damage."""
    member, begun = zlib.decompressobj(wbits=31), False
    while packed := stream.read(_PACKED_BYTES):
        while packed:
            try:
                yield member.decompress(packed)
            except zlib.error as error:
                raise EOFError(str(error)) from error
            packed, begun = b"", True
            if member.eof:
                packed = member.unused_data.lstrip(b"\0")
                member, begun = zlib.decompressobj(wbits=31), False
    if begun:
        raise EOFError("it ends early")


def _gathered(pieces: Iterator[bytes], size: int) -> Iterator[bytes]:
    """Small pieces put together to chunks of at least `size`; what came before an EOFError is given out first."""
    held = bytearray()
    try:
        for piece in pieces:
            held += piece
            if len(held) >= size:
                yield bytes(held)
                held.clear()
    except EOFError:
        yield bytes(held)
        raise
    yield bytes(held)


def _blocks(chunks: Iterator[bytes], size: int = _BLOCK_BYTES) -> Iterator[_Block]:
    """Blocks of whole lines with their line numbers, from chunks cut anywhere; every line end becomes \\n.

    A line longer than LONGEST_LINE_BYTES yields an empty block marked `too_long`; memory stays bounded."""
    line, pending, skipping, broken = 1, b"", False, None
    while True:
        try:
            data = next(chunks, None)
        except EOFError as error:
            data, broken = None, str(error)
        if data is None:
            break
        pending = pending + data if pending else data
        if skipping and _last_line_end(pending):
            yield _Block(text=b"", first_line=line, too_long=True)
            pending = re.split(rb"\r\n|\n|\r", pending, maxsplit=1)[1]
            line, skipping = line + 1, False
        cut = _last_line_end(pending)
        if cut and len(pending) >= size:
            text = _line_feeds(pending[:cut])
            yield _Block(text=text, first_line=line)
            line += text.count(b"\n")
            pending = pending[cut:]
        if len(pending) > _LONGEST_LINE_BYTES and not _last_line_end(pending):
            skipping, pending = True, b""
    yield from _ending(pending, line, skipping, broken)


def _ending(pending: bytes, line: int, skipping: bool, broken: str | None) -> Iterator[_Block]:
    if skipping:
        yield _Block(text=b"", first_line=line, too_long=True, broken=broken)
    elif pending or broken:
        text = _line_feeds(pending)
        unfinished = bool(text) and not text.endswith(b"\n")
        yield _Block(text=text + b"\n" * unfinished, first_line=line, unfinished=unfinished, broken=broken)


def _line_feeds(text: bytes) -> bytes:
    return text.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in text else text


def _last_line_end(text: bytes) -> int:
    """Where the last whole line ends: after a \\n, or, where there is none, after a \\r that is not last."""
    end = text.rfind(b"\n") + 1
    return end or text.rfind(b"\r", 0, max(len(text) - 1, 0)) + 1
