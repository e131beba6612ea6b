"""What work costs: processor time, and the most memory this process has held."""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any


def peak_mb() -> float:
    """The peak since the program began [MB].

    Where Linux tells it, from /proc: what `getrusage` says also counts the parent's memory before exec.
    """
    status = Path("/proc/self/status")
    if status.exists():
        line = next(row for row in status.read_text(encoding="ascii").splitlines() if row.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    per_mb = 1024**2 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / per_mb


def best_of(rounds: int, work: Callable[[], Any], before: Callable[[], object] = lambda: None) -> tuple[float, Any]:
    """The least processor time of some runs [s], so that neighbours on the machine count less, and the last result."""
    times = []
    for _ in range(rounds):
        before()
        began = time.process_time()
        result = work()
        times.append(time.process_time() - began)
    return min(times), result
