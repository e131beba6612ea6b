"""A sound machine file as a nested dict, and its text, for tests that change one thing of it."""

from __future__ import annotations

import copy
from typing import Any

import tomlkit

SOUND: dict[str, Any] = {
    "name": "test bench",
    "show_in": "mm",
    "knob": {
        "detents_per_turn": 24, "counts_per_detent": 4, "grip": "fingers",
        "steady": "12 detents/s", "fastest": "40 detents/s",
    },
    "selector": {"positions": 6},
    "link": {"report_every": "40 ms", "delay": "5 ms", "silence": "250 ms"},
    "readout": {"step": "0.01 mm"},
    "firmware": {"remainder": "carry", "queue": 8, "when_full": "drop", "decimals": 4},
    "axis": [
        {
            "name": "X", "steps": "80 per mm", "top_speed": "6000 mm/min", "ramp": "400 mm/s2", "reach": "600 mm",
            "finest": "0.02 mm", "slack": "0.05 mm", "calm_speed": "2000 mm/min",
            "jog_top": "60.5 mm/s", "jog_limit": "12 mm", "run_on": "12 mm",
        },
        {
            "name": "Z", "motor": {"steps": 200, "divide": 16, "lead": "8 mm", "reduction": "1:1"},
            "top_speed": "1500 mm/min", "ramp": "250 mm/s2", "reach": "80 mm", "finest": "0.02 mm",
        },
    ],
}  # fmt: skip


def sound() -> dict[str, Any]:
    """A fresh copy to change."""
    return copy.deepcopy(SOUND)


def text_of(tables: dict[str, Any]) -> str:
    """The tables as TOML text."""
    return tomlkit.dumps(tables)


def with_value(path: str, value: Any) -> dict[str, Any]:
    """The sound tables with one value replaced: path "axis.0.steps", "knob.steady"."""
    tables = sound()
    place: Any = tables
    *where, key = path.split(".")
    for part in where:
        place = place[int(part)] if isinstance(place, list) else place[part]
    place[key] = value
    return tables


def without(path: str) -> dict[str, Any]:
    """The sound tables with one key removed."""
    tables = sound()
    place: Any = tables
    *where, key = path.split(".")
    for part in where:
        place = place[int(part)] if isinstance(place, list) else place[part]
    del place[key]
    return tables
