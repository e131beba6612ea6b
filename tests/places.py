"""Where the sample files lie."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
MACHINES = ROOT / "datasets" / "machines"
REFERENCE = ROOT / "datasets" / "reference"
