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
            batch, more = self._gather()
            if batch:
                totals = itertools.accumulate((row.detents for row in batch), initial=self.detents)
                reports = list(zip(itertools.islice(totals, 1, None), (row.rung for row in batch), strict=True))
                self.detents = reports[-1][0]
                self.knob._turn(number, batch[0].host_s, reports)
            if not more:
                return
            time.sleep(FRAME_S)

    def _gather(self) -> tuple[list[JogRow], bool]:
        """Everything that waits, at least one report; and whether more can come."""
        batch = []
        row = self._waiting.get()
        while row is not None:
            batch.append(row)
            try:
                row = self._waiting.get_nowait()
            except queue.Empty:
                return batch, True
        return batch, False
