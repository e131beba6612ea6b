"""A serial device's lines: written to a file with the host's time, or read live as tidy rows.

The recorder hands every finished line to the operating system at once, so that a killed process or a vanished
port costs at most the line in hand, and has the disk follow every second, so that a power cut costs little more.
"""

from __future__ import annotations

import importlib
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, Protocol

from ..files import InputFault, refuse_existing
from .columns import LogMap
from .guess import Head, column_index, find_layout
from .lines import LONGEST_LINE_BYTES, Block, Layout, read_slowly
from .tidy import Tidier

__all__ = ["JogRow", "LiveReader", "Recording", "iter_serial", "open_port", "record"]

_SYNC_EVERY_S = 1.0
_FIRST_LINES = 3  # whole lines looked at before live rows are given out


class Port(Protocol):
    """What is needed of a serial port."""

    @property
    def in_waiting(self) -> int:
        """Bytes that have come and wait."""

    def read(self, size: int = 1) -> bytes:
        """Some bytes; none where nothing comes within the port's timeout."""

    def close(self) -> None:
        """Give the port back."""


@dataclass(frozen=True, kw_only=True)
class Recording:
    """What a recording holds and how it ended: told to stop, time over, or the port vanished.

    >>> import os, pty, tempfile
    >>> control, port = pty.openpty()  # stands in for a hand control on its cable
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     done = record(os.ttyname(port), Path(folder) / "jog.csv", stop=lambda: True)
    >>> done.lines, done.ended
    (0, 'stopped')
    """

    path: Path
    lines: int
    seconds: float
    ended: Literal["stopped", "time over", "port vanished"]


@dataclass(frozen=True, kw_only=True)
class JogRow:
    """One tidy row as it came: the log's own columns, and the host's time at which its line was read.

    >>> from jogtune.logs.columns import Clock, Counter
    >>> reader = LiveReader(LogMap(time=Clock(column=1, unit="ms"), knob=Counter(columns=(("", 2),)), delimiter=","))
    >>> reader.feed(b"cut off\\n0,7\\n40,9\\n80,9\\n", host_s=1000.0)[1]
    JogRow(time_s=0.04, axis='X', detents=2, gain_mm=None, rung=1, position_mm=None, goal_mm=None,
    tolerance_mm=None, person='', marker='', host_s=1000.0)
    """

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


def open_port(port: str, *, baud: int = 115_200, timeout_s: float = 0.05) -> Port:
    """Open a serial port for reading; `InputFault` where it isn't there or pyserial isn't installed.

    >>> open_port("no_such_port")  # doctest: +IGNORE_EXCEPTION_DETAIL
    Traceback (most recent call last):
    jogtune.files.InputFault: no_such_port: 1 fault
    """
    try:
        serial: Any = importlib.import_module("serial")
    except ImportError as error:
        raise InputFault(port, ["a serial port needs pyserial: pip install \".[serial]\" in the clone"]) from error
    try:
        opened: Port = serial.Serial(port, baudrate=baud, timeout=timeout_s)
    except (OSError, ValueError) as error:  # SerialException is an OSError
        raise InputFault(port, [f"can't be opened ({error}): check the name, the cable and the rights"]) from error
    return opened


def _bytes_of(port: Port, stop: Callable[[], bool], until_s: float | None) -> Iterator[bytes]:
    """What comes, as it comes (b"" where nothing does); ends when told to, raises OSError where the port vanishes."""
    while not stop() and (until_s is None or time.monotonic() < until_s):
        yield port.read(port.in_waiting or 1)


def record(
    port: str,
    path: str | Path,
    *,
    baud: int = 115_200,
    delimiter: str = ",",
    seconds: float | None = None,
    stop: Callable[[], bool] = lambda: False,
    started: Callable[[], None] = lambda: None,
    overwrite: bool = False,
) -> Recording:
    """Write what a serial device prints to a file, line by line: seconds since the start, delimiter, the line.

    Ends when `stop()` says so, after `seconds`, or when the port vanishes; an interrupt (Ctrl-C) ends it too.
    `started()` is called once port and file are open. Never over an existing file unless `overwrite` is set. What the
    device prints is kept byte for byte.

    >>> import os, pty, tempfile
    >>> control, port = pty.openpty()  # stands in for a hand control on its cable; nobody turns it
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     done = record(os.ttyname(port), Path(folder) / "jog.csv", seconds=0.05)
    ...     done.ended, done.path.read_text().splitlines()[-1]
    ('time over', '# ended: time over')
    """
    place = Path(path)
    refuse_existing([place], overwrite=overwrite)
    device = open_port(port, baud=baud)
    try:
        with _Writer(place, port, delimiter) as writer:
            started()
            return _record(device, writer, seconds, stop)
    finally:
        with suppress(OSError):
            device.close()


def _record(device: Port, writer: _Writer, seconds: float | None, stop: Callable[[], bool]) -> Recording:
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
    return Recording(path=writer.path, lines=writer.lines, seconds=time.monotonic() - start, ended=ended)


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
            raise InputFault(str(self.path), [f"can't be written ({error.strerror}): choose another place"]) from error
        started = time.strftime("%Y-%m-%dT%H:%M:%S%z")
        self._put(f"# recorded: {started}\n# port: {self._port}\n# first column: s since the start\n".encode())
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
        """Write the lines that `data` finishes, each with the time given."""
        *whole, self._pending = (self._pending + data).split(b"\n")
        if whole:
            stamp = f"{seconds:.6f}".encode() + self._delimiter
            self._put(b"".join(stamp + line.rstrip(b"\r") + b"\n" for line in whole))
            self.lines += len(whole)
        if len(self._pending) > LONGEST_LINE_BYTES:
            self._put(b"# a line without an end was cut off here\n")
            self._pending = b""

    def end(self, ended: str) -> None:
        """Note how the recording ended, and the unfinished line as a comment."""
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


@dataclass(kw_only=True)
class _Waiting:
    """Lines gathered until the layout is known."""

    text: bytes = b""
    lines: list[tuple[int, str]] = field(default_factory=list)


class LiveReader:
    """Turns bytes, as they come from a device, into tidy rows by a column map.

    The line in hand when reading starts is likely cut off and is passed over. `noticed` gathers every line that
    was left out (line, what, done); `remarks` what else was noticed.

    >>> from .columns import Clock, Counter
    >>> reader = LiveReader(LogMap(time=Clock(column=1, unit="ms"), knob=Counter(columns=(("", 2),)), delimiter=","))
    >>> [row.detents for row in reader.feed(b"5,9\\n0,10\\n40,12\\n80,11\\n120,")]
    [0, 2, -1]
    >>> [row.detents for row in reader.feed(b"14\\n")]
    [3]
    """

    def __init__(self, log_map: LogMap) -> None:
        self._map = log_map
        self._pending = b""
        self._joined = False
        self._line = 1
        self._waiting = _Waiting()
        self._layout: Layout | None = None
        self._tidier: Tidier | None = None
        self._wanted: list[int] = []
        self.noticed: list[tuple[int, str, str]] = []
        self.remarks: list[tuple[int, str, str]] = []

    def feed(self, data: bytes, *, host_s: float | None = None) -> list[JogRow]:
        """The rows that `data` finishes, stamped with the host's time (default: now)."""
        self._pending += data
        end = self._pending.rfind(b"\n") + 1
        text, self._pending = self._pending[:end].replace(b"\r", b""), self._pending[end:]
        if len(self._pending) > LONGEST_LINE_BYTES:
            self.noticed.append((self._line, "is longer than a million bytes", "left out"))
            self._pending = b""
        if not self._joined and text:
            text, self._joined = text[text.find(b"\n") + 1 :], True
        block = Block(text=text, first_line=self._line)
        self._line += text.count(b"\n")
        return self._rows(block, time.time() if host_s is None else host_s) if text and self._ready(block) else []

    def _ready(self, block: Block) -> bool:
        """Whether the layout is known; until it is, lines are gathered."""
        if self._layout is not None:
            return True
        waiting = self._waiting
        waiting.text += block.text
        texts = waiting.text.decode("utf-8", "replace").split("\n")[:-1]
        head = Head(lines=tuple(enumerate(texts, start=1)), notes=())
        if len(head.counted(self._map)) < _FIRST_LINES:
            return False
        try:
            layout = find_layout("device", head, self._map)
        except InputFault:
            if len(texts) < 400:
                return False
            raise
        index = column_index("device", layout, self._map.columns)
        self._layout, self._wanted = layout, sorted(set(index.values()))
        self._tidier = Tidier(self._map, index, decimal=layout.decimal, live=True)
        return True

    def _rows(self, block: Block, host_s: float) -> list[JogRow]:
        assert self._layout is not None
        assert self._tidier is not None
        if self._waiting.text:
            block = Block(text=self._waiting.text, first_line=1)
            self._waiting = _Waiting()
        tidied = self._tidier.read(read_slowly(block, self._layout, self._wanted), last=True)
        self.noticed += tidied.noticed
        self.remarks += tidied.remarks
        names = list(tidied.columns)
        cells = zip(*(values.tolist() for values in tidied.columns.values()), strict=True)
        return [JogRow(**dict(zip(names, map(_plain, row), strict=True)), host_s=host_s) for row in cells]


def _plain(value: Any) -> Any:
    return None if value != value else value


def iter_serial(
    port: str,
    log_map: LogMap,
    *,
    baud: int = 115_200,
    stop: Callable[[], bool] = lambda: False,
    reader: LiveReader | None = None,
) -> Iterator[JogRow]:
    """Tidy rows from a serial device, as they come, until `stop()` says so or the port vanishes.

    Pass a `LiveReader` of your own to see what it left out. Opening or mapping faults raise `InputFault`.

    >>> import os, pty
    >>> from jogtune.logs.columns import Clock, Counter
    >>> control, port = pty.openpty()  # stands in for a hand control on its cable
    >>> log_map = LogMap(time=Clock(column=1, unit="ms"), knob=Counter(columns=(("", 2),)))
    >>> list(iter_serial(os.ttyname(port), log_map, stop=lambda: True))  # told to stop before a line came
    []
    """
    live = reader or LiveReader(log_map)
    device = open_port(port, baud=baud)
    try:
        for data in _bytes_of(device, stop, None):
            if data:
                yield from live.feed(data)
    except (OSError, TypeError):  # the port vanished
        return
    finally:
        with suppress(OSError):
            device.close()
