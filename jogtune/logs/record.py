"""The serial line to a file."""

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
from .lines import LONGEST_LINE_BYTES

_SYNC_EVERY_S = 1.0


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
    """What a recording holds and how it ended: told to stop, time over, or the port vanished."""

    path: Path
    lines: int
    seconds: float
    ended: Literal["stopped", "time over", "port vanished"]


def open_port(port: str, *, baud: int = 115_200, timeout_s: float = 0.05) -> Port:
    """Open a serial port for reading; `InputFault` where it isn't there or pyserial isn't installed."""
    try:
        serial: Any = importlib.import_module("serial")
    except ImportError as error:
        fault = Fault(rule="a serial port needs pyserial", cure='pip install ".[serial]" in the clone')
        raise InputFault(port, [fault]) from error
    try:
        opened: Port = serial.Serial(port, baudrate=baud, timeout=timeout_s)
    except (OSError, ValueError) as error:  # SerialException is an OSError
        fault = Fault(rule=f"can't be opened ({error})", cure="check the name, the cable and the rights")
        raise InputFault(port, [fault]) from error
    return opened


def bytes_of(port: Port, stop: Callable[[], bool], until_s: float | None) -> Iterator[bytes]:
    """What comes, as it comes (b"" where nothing does); ends when told to, raises OSError where the port vanishes."""
    while not stop() and (until_s is None or time.monotonic() < until_s):
        yield port.read(port.in_waiting or 1)


def record(
    port: str, path: str | Path, *, baud: int = 115_200, delimiter: str = ",", seconds: float | None = None,
    stop: Callable[[], bool] = lambda: False, started: Callable[[], None] = lambda: None, overwrite: bool = False,
) -> Recording:  # fmt: skip
    """Write what a serial device prints to a file, line by line: seconds since the start, delimiter, the line.

    Ends when `stop()` says so, after `seconds`, or when the port vanishes; an interrupt (Ctrl-C) ends it too.
    `started()` is called once port and file are open. Never over an existing file unless `overwrite` is set. What the
    device prints is kept byte for byte.
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
        for data in bytes_of(device, stop, None if seconds is None else start + seconds):
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
        if len(self._pending) > LONGEST_LINE_BYTES:
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
