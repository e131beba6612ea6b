"""The most memory this process has held."""

from __future__ import annotations

import resource
import sys
from pathlib import Path


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
