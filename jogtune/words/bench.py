"""What is said of a dial indicator's readings: a sentence per kind."""

from __future__ import annotations

from .say import Template

BENCH: dict[str, Template] = {}
"""Kind of note -> its sentence, with figures in braces (see `say.fill`)."""
