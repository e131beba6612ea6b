"""The serial line to file or rows."""

from __future__ import annotations

import importlib
import math
import os
import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..files import Fault, InputFault, refuse_existing
from ..notes import Note
from .cells import _Layout, _read_slowly
from .head import _column_index, _find_layout, _Head
from .lines import _Block
from .log import _notes_seen
from .map import LogMap
from .map_file import read_map
from .parquet import _find_map
from .tidy import _Tidier

_SYNC_EVERY_S = 1.0
_WAIT_S = 60.0  # for a device that was unplugged (our choice)
_LOOK_AGAIN_S = 0.2
_CLOCK_SET_S = 1.0  # from one look to the next: more is no drift (our choice)
_MOST_HELD_BYTES = 4096  # without a line end, before that is a fault (our choice)


@dataclass(frozen=True, kw_only=True)
class _Recording:
    """What a recording holds and how it ended: told to stop, time over, or the port vanished."""

    path: Path
    lines: int
    seconds: float
    ended: str


def _open_port(port: str, *, baud: int = 115_200, timeout_s: float = 0.05) -> Any:
    """Open a serial port for reading; `InputFault` where it isn't there or pyserial isn't installed."""
    try:
        serial: Any = importlib.import_module("serial")
    except ImportError as error:
        fault = Fault(rule="a serial port needs pyserial", cure='pip install ".[serial]" in the clone')
        raise InputFault(port, [fault]) from error
    try:
        return serial.Serial(port, baudrate=baud, timeout=timeout_s)
    except (OSError, ValueError) as error:  # SerialException is an OSError
        fault = Fault(rule=f"can't be opened ({error})", cure="check the name, the cable and the rights")
        raise InputFault(port, [fault]) from error


class _Device:
    """A serial port that may be unplugged and come back; `gone` says that it stayed away."""

    def __init__(self, port: str, baud: int) -> None:
        self._name, self._baud, self.gone = port, baud, False
        self._port = _open_port(port, baud=baud)

    def pieces(self, stop: Callable[[], bool], *, until_s: float = math.inf, wait_s: float = 0.0) -> Iterator[bytes | None]:
        """What comes, as it comes (b"" where nothing does), None where the port vanishes; ends when told to, or once it has
        been away for `wait_s`."""
        while not stop() and time.monotonic() < until_s:
            try:
                data: bytes = self._port.read(self._port.in_waiting or 1)
            except (OSError, TypeError):  # SerialException, EIO, or pyserial's read on None
                self.close()
                self.gone = True
                yield None
                end_s = min(until_s, time.monotonic() + wait_s)
                while self.gone and not stop() and time.monotonic() < end_s:
                    time.sleep(_LOOK_AGAIN_S)
                    with suppress(InputFault):
                        self._port, self.gone = _open_port(self._name, baud=self._baud), False
                if self.gone:
                    return
            else:
                yield data

    def close(self) -> None:
        with suppress(OSError):
            self._port.close()


class _Cutter:
    """Cuts bytes at line ends of any kind (an empty line is none); where none comes at all, before each start mark."""

    def __init__(self, source: str, shape: str | None, map_name: str, before: str = "") -> None:
        self._source, self._fault = source, Fault(
            rule=f"no line end came in {_MOST_HELD_BYTES} bytes",
            cure=f'check the baud rate, have the device end its lines, or say how each begins: lines = "{before}J*" in {map_name}',
        )  # fmt: skip
        self._mark = re.split(r"[*?]", (shape or "").removeprefix(before))[0].encode()
        self._ends, self._ended = re.compile(rb"[\r\n]+"), False
        self.held = b""

    def lines(self, data: bytes) -> list[bytes]:
        """The lines that `data` finishes."""
        *whole, self.held = self._ends.split(self.held + data)
        self._ended |= bool(whole)
        if len(self.held) > _MOST_HELD_BYTES and self._mark and not self._ended:
            self._ends, self._mark = re.compile(rb"[\r\n]+|(?=%b)" % re.escape(self._mark)), b""
            return self.lines(b"")
        return [line for line in whole if line]

    def too_long(self) -> bytes:
        """What is held, given up, where it is too long for a line; `InputFault` where no line has ended yet."""
        if len(self.held) <= _MOST_HELD_BYTES:
            return b""
        if not self._ended:
            raise InputFault(self._source, [self._fault])
        held, self.held = self.held, b""
        return held


def record(
    port: str, path: str | Path, *, baud: int = 115_200, delimiter: str = ",", seconds: float | None = None,
    stop: Callable[[], bool] = lambda: False, started: Callable[[], None] = lambda: None,
    vanished: Callable[[], None] = lambda: None, wait_s: float = _WAIT_S, overwrite: bool = False,
) -> _Recording:  # fmt: skip
    """Write what a serial device prints to a file, line by line: seconds since the start, delimiter, the line.

    Ends when `stop()` says so, after `seconds`, or when the port has been away for `wait_s`; an interrupt (Ctrl-C) ends it too.
    `started()` is called once port and file are open, `vanished()` when the port vanishes. Once it is back, a line marks the
    gap. Never over an existing file unless `overwrite` is set. Each line is kept byte for byte; lines may end in LF, CRLF or
    CR. Where none ends, a map beside the file (`FILE.map.toml`) may say how one begins (`lines`); else that is an
    `InputFault`."""
    place = Path(path)
    refuse_existing([place], overwrite=overwrite)
    beside = _find_map(place)
    shape = (beside and read_map(beside).lines) or ""
    with closing(_Device(port, baud)) as device, _Writer(place, port, delimiter, shape) as writer:
        started()
        start = time.monotonic()
        until_s = math.inf if seconds is None else start + seconds
        with suppress(KeyboardInterrupt):
            for data in device.pieces(stop, until_s=until_s, wait_s=wait_s):
                writer.take(data, time.monotonic() - start)
                if data is None:
                    vanished()
        ended = "port vanished" if device.gone else "time over" if time.monotonic() >= until_s else "stopped"
        writer.end(ended)
        return _Recording(path=place, lines=writer.lines, seconds=time.monotonic() - start, ended=ended)


class _Writer:
    """Hands finished lines to the operating system at once and has the disk follow every second."""

    def __init__(self, path: Path, port: str, delimiter: str, shape: str) -> None:
        self._path, self.lines = path, 0
        self._delimiter = delimiter.encode()
        self._cutter = _Cutter(port, shape, f"{path.name}.map.toml", before=f"*{delimiter}")
        self._gone_s: float | None = None
        self._port, self._began_s = port, math.nan
        self._closed = threading.Event()

    def __enter__(self) -> _Writer:
        try:
            self._file = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_APPEND, 0o644)
        except OSError as error:
            raise self._cant_write(error, "choose another place") from error
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

    def take(self, data: bytes | None, seconds: float) -> None:
        """Write the lines that `data` finishes; None: the port vanished. After that the first line is likely cut off."""
        began_s, self._began_s = self._began_s, time.time() - seconds  # by the clock that may be set
        if abs(self._began_s - began_s) > _CLOCK_SET_S:
            self._put(b"# computer's clock set by %+.1f s at %.6f s\n" % (self._began_s - began_s, seconds))
        if data is None:
            self._unfinished(self._cutter.held)
            self._cutter.held = b""
            self._gone_s = seconds if self._gone_s is None else self._gone_s
            return
        whole = self._cutter.lines(data)
        if whole and self._gone_s is not None:
            self._put(b"# unplugged from %.6f to %.6f s\n" % (self._gone_s, seconds))
            self._unfinished(whole.pop(0))
            self._gone_s = None
        if whole:
            stamp = f"{seconds:.6f}".encode() + self._delimiter
            self._put(b"".join(stamp + line + b"\n" for line in whole))
            self.lines += len(whole)
        try:
            self._unfinished(self._cutter.too_long())
        except InputFault:
            self.end("no line end")
            raise

    def end(self, ended: str) -> None:
        self._unfinished(self._cutter.held)
        self._put(f"# ended: {ended}\n".encode())

    def _unfinished(self, data: bytes) -> None:
        self._put(b"# unfinished: " + data + b"\n" if data else b"")

    def _put(self, data: bytes) -> None:
        try:
            while data:
                data = data[os.write(self._file, data) :]
        except OSError as error:
            raise self._cant_write(error, "make room; what came before is kept") from error

    def _cant_write(self, error: OSError, cure: str) -> InputFault:
        return InputFault(str(self._path), [Fault(rule=f"can't be written ({error.strerror})", cure=cure)])

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
        self._cutter = _Cutter("device", log_map.lines, "the map")
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
        lines = self._cutter.lines(data)
        if self._cutter.too_long():
            self.noticed += _notes_seen([(self._line + len(lines), "line_too_long", {"most_bytes": _MOST_HELD_BYTES})])
        text = b"".join(line + b"\n" for line in lines[not self._joined :])
        self._joined |= bool(lines)
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
    with closing(_Device(port, baud)) as device:
        for data in device.pieces(stop):
            if data:
                yield from live.feed(data)
