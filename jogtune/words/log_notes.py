"""What is said of logs read and joined: a sentence per kind."""

from __future__ import annotations

from .say import Template

LOG_NOTES: dict[str, Template] = {}
"""Kind of note -> its sentence, with figures in braces (see `say.fill`)."""
