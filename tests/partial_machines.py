"""Machine files of which anything may be missing: the samples with a seeded choice of keys and tables left out or unknown."""

from __future__ import annotations

import random
import tomllib
from typing import Any

from places import MACHINES

SAMPLES = ("inlay_router", "slide_stage", "sign_table")
LISTED = {
    "knob": ("grip", "detents_per_turn", "counts_per_detent", "steady", "fastest"), "selector": ("positions",),
    "link": ("report_every", "delay", "silence"), "readout": ("step",), "firmware": ("remainder",),
}  # fmt: skip
AXIS_LISTED = ("ramp", "reach", "slack", "calm_speed")
"""What must be listed where it is missing."""
UNKNOWN = "unknown"


def partial_tables(seed: int) -> dict[str, Any]:
    """A sample's tables with so much left out or unknown, at every level; the more, the higher a drawn share."""
    rng = random.Random(seed)
    tables: dict[str, Any] = tomllib.loads((MACHINES / f"{SAMPLES[seed % 3]}.toml").read_text(encoding="utf-8"))
    axes, left = tables["axis"], rng.choice((1, 2, 3, 3, 3))
    share, needed = rng.uniform(0, 0.8), rng.choice((0, 0, 0, 0.05))
    tables["axis"], lost = axes[:left], {axis["name"] for axis in axes[left:]}
    tables["task"] = [task for task in tables["task"] if task["axis"] not in lost]
    for axis in tables["axis"]:
        _thin(rng, axis, share, {"steps": needed, "motor": needed, "top_speed": needed, "finest": needed, "name": share / 4})
    for task in tables["task"]:
        _thin(rng, task, share / 2, dict.fromkeys(("name", "axis", "distance", "tolerance"), needed / 4))
    for name in ("knob", "selector", "link", "readout", "firmware"):
        _thin(rng, tables[name], share, {})
    if rng.random() < share:
        del tables["task"]
    _thin(rng, tables, share / 3, {"axis": needed / 4, "task": 0, "name": share})
    return tables


def _thin(rng: random.Random, table: dict[str, Any], share: float, own: dict[str, float]) -> None:
    for key in list(table):
        if rng.random() < own.get(key, share):
            if rng.random() < 0.5:
                table[key] = UNKNOWN
            else:
                del table[key]


def missing(tables: dict[str, Any], names: list[str]) -> set[str]:
    """What the list of assumed figures must hold, by the tables themselves and the axes' names."""
    found = {f"{name}: {key}" for name, keys in LISTED.items() for key in keys if _lacks(tables.get(name, UNKNOWN), key)}
    if isinstance(tables.get("selector"), dict) and "angles" in tables["selector"] and tables["selector"]["angles"] != UNKNOWN:
        found.discard("selector: positions")
    for name, axis in zip(names, tables["axis"], strict=True):
        found |= {f"axis {name}: {key}" for key in AXIS_LISTED if _lacks(axis, key)}
    return found | ({"task"} if tables.get("task", UNKNOWN) == UNKNOWN else set())


def _lacks(table: Any, key: str) -> bool:
    return table == UNKNOWN or table.get(key, UNKNOWN) == UNKNOWN
