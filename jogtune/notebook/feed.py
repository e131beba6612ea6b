"""A real control drives the on-screen knob."""

from __future__ import annotations

import itertools
import queue
import threading
import time
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..logs.live import JogRow
    from .knob import Knob

FRAME_S = 1 / 60  # reports of a real control go to the browser at most this often


class Feed:
    """Reports of a real hand control on their way to the screen.

    `stop()` ends it; `detents` is the running total sent on, `fault` says what failed.
    """

    def __init__(self, knob: Knob, rows: Iterable[JogRow], ended: threading.Event) -> None:
        self.knob, self.fault = knob, ""
        self.detents = 0
        self._waiting: queue.SimpleQueue[JogRow | None] = queue.SimpleQueue()
        self._ended = ended
        work = (lambda: self._read(rows), self._send)
        self._threads = [threading.Thread(target=target, daemon=True) for target in work]
        for thread in self._threads:
            thread.start()

    def stop(self, patience_s: float = 2.0) -> None:
        """End the feed; what was read is still sent."""
        self._ended.set()
        self.join(patience_s)

    def join(self, patience_s: float | None = None) -> None:
        """Wait until the reports have ended and all were sent."""
        for thread in self._threads:
            thread.join(patience_s)

    def _read(self, rows: Iterable[JogRow]) -> None:
        try:
            for row in rows:
                self._waiting.put(row)
                if self._ended.is_set():
                    break
        except Exception as fault:  # told to the person: nothing else looks at this thread
            self.fault = str(fault)
            self.knob.send({"kind": "say", "text": f"The hand control can't be followed. {fault}"})
        self._waiting.put(None)

    def _send(self) -> None:
        for number in itertools.count(1):
            waiting = [self._waiting.get()]
            while not self._waiting.empty():
                waiting.append(self._waiting.get())
            batch = [row for row in waiting if row is not None]
            if batch:
                self.knob._turn(number, batch[0].host_s, [self._total(row) for row in batch])
            if waiting[-1] is None:
                return
            time.sleep(FRAME_S)

    def _total(self, row: JogRow) -> tuple[int, int | None]:
        self.detents += row.detents
        return self.detents, row.rung
