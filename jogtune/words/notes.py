"""What is said of machines and ladders: a sentence per kind."""

from __future__ import annotations

from .say import Template

NOTES: dict[str, Template] = {}
"""Kind of note -> its sentence, with figures in braces (see `say.fill`)."""
