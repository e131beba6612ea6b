"""What is said of logs measured and ladders compared: a sentence per kind."""

from __future__ import annotations

from .say import Template

FINDINGS: dict[str, Template] = {}
"""Kind of note -> its sentence, with figures in braces (see `say.fill`)."""
