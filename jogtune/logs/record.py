"""The serial line to file or rows."""

from __future__ import annotations

import importlib
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol

from ..files import Fault, InputFault, refuse_existing
from ..notes import Note
from .cells import _Layout, _read_slowly
from .head import _column_index, _find_layout, _Head
from .lines import _LONGEST_LINE_BYTES, _Block
from .log import _notes_seen
from .map import LogMap
from .tidy import _Tidier

_SYNC_EVERY_S = 1.0


class _Port(Protocol):
    """What is needed of a serial port."""

    @property
    def in_waiting(self) -> int: ...

    def read(self, size: int = 1) -> bytes: ...

    def close(self) -> None: ...


@dataclass(frozen=True, kw_only=True)
class _Recording:
    """What a recording holds and how it ended: told to stop, time over, or the port vanished."""

    path: Path
    lines: int
    seconds: float
    ended: Literal["stopped", "time over", "port vanished"]


def _open_port(port: str, *, baud: int = 115_200, timeout_s: float = 0.05) -> _Port:
    """Open a serial port for reading; `InputFault` where it isn't there or pyserial isn't installed."""
    try:
        serial: Any = importlib.import_module("serial")
    except ImportError as error:
        fault = Fault(rule="a serial port needs pyserial", cure='pip install ".[serial]" in the clone')
        raise InputFault(port, [fault]) from error
    try:
        opened: _Port = serial.Serial(port, baudrate=baud, timeout=timeout_s)
    except (OSError, ValueError) as error:  # SerialException is an OSError
        fault = Fault(rule=f"can't be opened ({error})", cure="check the name, the cable and the rights")
        raise InputFault(port, [fault]) from error
    return opened


def _bytes_of(port: _Port, stop: Callable[[], bool], until_s: float | None) -> Iterator[bytes]:
    """What comes, as it comes (b"" where nothing does); ends when told to, raises OSError where the port vanishes."""
    while not stop() and (until_s is None or time.monotonic() < until_s):
        yield port.read(port.in_waiting or 1)


def record(
    port: str, path: str | Path, *, baud: int = 115_200, delimiter: str = ",", seconds: float | None = None,
    stop: Callable[[], bool] = lambda: False, started: Callable[[], None] = lambda: None, overwrite: bool = False,
) -> _Recording:  # fmt: skip
    """Write what a serial device prints to a file, line by line: seconds since the start, delimiter, the line.

    Ends when `stop()` says so, after `seconds`, or when the port vanishes; an interrupt (Ctrl-C) ends it too. `started()` is
    called once port and file are open. Never over an existing file unless `overwrite` is set. What the device prints is kept
    byte for byte."""
    place = Path(path)
    refuse_existing([place], overwrite=overwrite)
    device = _open_port(port, baud=baud)
    try:
        with _Writer(place, port, delimiter) as writer:
            started()
            return _record(device, writer, seconds, stop)
    finally:
        with suppress(OSError):
            device.close()


def _record(device: _Port, writer: _Writer, seconds: float | None, stop: Callable[[], bool]) -> _Recording:
    start = time.monotonic()
    ended: Literal["stopped", "time over", "port vanished"] = "time over" if seconds is not None else "stopped"
    try:
        for data in _bytes_of(device, stop, None if seconds is None else start + seconds):
            writer.take(data, time.monotonic() - start)
        if seconds is not None and time.monotonic() < start + seconds:
            ended = "stopped"
    except KeyboardInterrupt:
        ended = "stopped"
    except (OSError, TypeError):  # a port that vanishes: SerialException, EIO, or pyserial's read on None
        ended = "port vanished"
    writer.end(ended)
    return _Recording(path=writer.path, lines=writer.lines, seconds=time.monotonic() - start, ended=ended)


class _Writer:
    """Hands finished lines to the operating system at once and has the disk follow every second."""

    def __init__(self, path: Path, port: str, delimiter: str) -> None:
        self.path, self.lines = path, 0
        self._delimiter = delimiter.encode()
        self._pending = b""
        self._port = port
        self._closed = threading.Event()

    def __enter__(self) -> _Writer:
        try:
            self._file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_APPEND, 0o644)
        except OSError as error:
            fault = Fault(rule=f"can't be written ({error.strerror})", cure="choose another place")
            raise InputFault(str(self.path), [fault]) from error
        started = time.strftime("%Y-%m-%dT%H:%M:%S%z")
        self._put(f"# recorded: {started}\n# port: {self._port}\n".encode() + b"# first column: s since the start\n")
        self._thread = threading.Thread(target=self._sync, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closed.set()
        self._thread.join()
        with suppress(OSError):
            os.fsync(self._file)
        os.close(self._file)

    def take(self, data: bytes, seconds: float) -> None:
        *whole, self._pending = (self._pending + data).split(b"\n")
        if whole:
            stamp = f"{seconds:.6f}".encode() + self._delimiter
            self._put(b"".join(stamp + line.rstrip(b"\r") + b"\n" for line in whole))
            self.lines += len(whole)
        if len(self._pending) > _LONGEST_LINE_BYTES:
            self._put(b"# a line without an end was cut off here\n")
            self._pending = b""

    def end(self, ended: str) -> None:
        if self._pending:
            self._put(b"# unfinished: " + self._pending.replace(b"\r", b" ") + b"\n")
        self._put(f"# ended: {ended}\n".encode())

    def _put(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._file, data) :]

    def _sync(self) -> None:
        while not self._closed.wait(_SYNC_EVERY_S):
            with suppress(OSError):
                os.fsync(self._file)


_FIRST_LINES = 3  # whole lines looked at before live rows are given out


@dataclass(frozen=True, kw_only=True)
class JogRow:
    """One tidy row as it came: the log's own columns, and the host's time at which its line was read."""

    time_s: float
    axis: str
    detents: int
    gain_mm: float | None = None
    rung: int | None = None
    position_mm: float | None = None
    goal_mm: float | None = None
    tolerance_mm: float | None = None
    person: str = ""
    marker: str = ""
    host_s: float = 0.0


class _LiveReader:
    """Turns bytes, as they come from a device, into tidy rows by a column map.

    The line in hand when reading starts is likely cut off and is passed over. `noticed` gathers why lines were left out,
    `remarks` what else was noticed."""

    def __init__(self, log_map: LogMap) -> None:
        self._map = log_map
        self._pending = b""
        self._joined = False
        self._line = 1
        self._waiting = b""  # lines gathered until the layout is known
        self._layout: _Layout | None = None
        self._tidier: _Tidier | None = None
        self._wanted: list[int] = []
        self.noticed: list[Note] = []
        self.remarks: list[Note] = []

    def feed(self, data: bytes, *, host_s: float | None = None) -> list[JogRow]:
        """The rows that `data` finishes, stamped with the host's time (default: now)."""
        self._pending += data
        end = self._pending.rfind(b"\n") + 1
        text, self._pending = self._pending[:end].replace(b"\r", b""), self._pending[end:]
        if len(self._pending) > _LONGEST_LINE_BYTES:
            self.noticed += _notes_seen([(self._line, "line_too_long", {"most_bytes": _LONGEST_LINE_BYTES})])
            self._pending = b""
        if not self._joined and text:
            text, self._joined = text[text.find(b"\n") + 1 :], True
        block = _Block(text=text, first_line=self._line)
        self._line += text.count(b"\n")
        return self._rows(block, time.time() if host_s is None else host_s) if text and self._ready(block) else []

    def _ready(self, block: _Block) -> bool:
        """Whether the layout is known; until it is, lines are gathered."""
        if self._layout is not None:
            return True
        self._waiting += block.text
        texts = self._waiting.decode("utf-8", "replace").split("\n")[:-1]
        head = _Head(lines=tuple(enumerate(texts, start=1)))
        if len(head.counted(self._map)) < _FIRST_LINES:
            return False
        try:
            layout = _find_layout("device", head, self._map)
        except InputFault:
            if len(texts) < 400:
                return False
            raise
        index = _column_index("device", layout, self._map.columns)
        self._layout, self._wanted = layout, sorted(set(index.values()))
        self._tidier = _Tidier(self._map, index, decimal=layout.decimal, live=True)
        return True

    def _rows(self, block: _Block, host_s: float) -> list[JogRow]:
        assert self._layout is not None
        assert self._tidier is not None
        if self._waiting:
            block, self._waiting = _Block(text=self._waiting, first_line=1), b""
        tidied = self._tidier.read(_read_slowly(block, self._layout, self._wanted), last=True)
        self.noticed += _notes_seen(tidied.noticed)
        self.remarks += _notes_seen(tidied.remarks)
        names = list(tidied.columns)
        cells = zip(*(values.tolist() for values in tidied.columns.values()), strict=True)
        return [JogRow(**dict(zip(names, map(_plain, row), strict=True)), host_s=host_s) for row in cells]


def _plain(value: Any) -> Any:
    return None if value != value else value


def iter_serial(
    port: str, log_map: LogMap, *, baud: int = 115_200, stop: Callable[[], bool] = lambda: False, reader: _LiveReader | None = None
) -> Iterator[JogRow]:  # fmt: skip
    """Tidy rows from a serial device, as they come, until `stop()` says so or the port vanishes.

    Pass a `_LiveReader` of your own to see what it left out. Opening or mapping faults raise `InputFault`."""
    live = reader or _LiveReader(log_map)
    device = _open_port(port, baud=baud)
    try:
        for data in _bytes_of(device, stop, None):
            if data:
                yield from live.feed(data)
    except (OSError, TypeError):  # the port vanished
        return
    finally:
        with suppress(OSError):
            device.close()
