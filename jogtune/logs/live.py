"""The serial line to rows, live."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from ..files import InputFault
from ..notes import Note
from .cells import Layout, read_slowly
from .head import Head, column_index, find_layout
from .lines import LONGEST_LINE_BYTES, Block
from .log import notes_of
from .map import LogMap
from .record import bytes_of, open_port
from .tidy import Tidier

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


class LiveReader:
    """Turns bytes, as they come from a device, into tidy rows by a column map.

    The line in hand when reading starts is likely cut off and is passed over. `noticed` gathers why lines were left
    out, `remarks` what else was noticed.
    """

    def __init__(self, log_map: LogMap) -> None:
        self._map = log_map
        self._pending = b""
        self._joined = False
        self._line = 1
        self._waiting = b""  # lines gathered until the layout is known
        self._layout: Layout | None = None
        self._tidier: Tidier | None = None
        self._wanted: list[int] = []
        self.noticed: list[Note] = []
        self.remarks: list[Note] = []

    def feed(self, data: bytes, *, host_s: float | None = None) -> list[JogRow]:
        """The rows that `data` finishes, stamped with the host's time (default: now)."""
        self._pending += data
        end = self._pending.rfind(b"\n") + 1
        text, self._pending = self._pending[:end].replace(b"\r", b""), self._pending[end:]
        if len(self._pending) > LONGEST_LINE_BYTES:
            self.noticed += notes_of([(self._line, "line_too_long", {"most_bytes": LONGEST_LINE_BYTES})])
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
        self._waiting += block.text
        texts = self._waiting.decode("utf-8", "replace").split("\n")[:-1]
        head = Head(lines=tuple(enumerate(texts, start=1)))
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
        if self._waiting:
            block, self._waiting = Block(text=self._waiting, first_line=1), b""
        tidied = self._tidier.read(read_slowly(block, self._layout, self._wanted), last=True)
        self.noticed += notes_of(tidied.noticed)
        self.remarks += notes_of(tidied.remarks)
        names = list(tidied.columns)
        cells = zip(*(values.tolist() for values in tidied.columns.values()), strict=True)
        return [JogRow(**dict(zip(names, map(_plain, row), strict=True)), host_s=host_s) for row in cells]


def _plain(value: Any) -> Any:
    return None if value != value else value


def iter_serial(
    port: str, log_map: LogMap, *, baud: int = 115_200, stop: Callable[[], bool] = lambda: False, reader: LiveReader | None = None
) -> Iterator[JogRow]:  # fmt: skip
    """Tidy rows from a serial device, as they come, until `stop()` says so or the port vanishes.

    Pass a `LiveReader` of your own to see what it left out. Opening or mapping faults raise `InputFault`.
    """
    live = reader or LiveReader(log_map)
    device = open_port(port, baud=baud)
    try:
        for data in bytes_of(device, stop, None):
            if data:
                yield from live.feed(data)
    except (OSError, TypeError):  # the port vanished
        return
    finally:
        with suppress(OSError):
            device.close()
