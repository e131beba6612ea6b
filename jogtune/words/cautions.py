"""The cautions that hold for every machine, as sentences."""

from __future__ import annotations

from .notes import NOTES

GENERAL = tuple(str(NOTES[kind]) for kind in ("no_safety_device", "cannot_know", "try_first"))
NO_RUNG_IS_A_CLAMP = str(NOTES["no_rung_is_a_clamp"])
