"""The knob as one file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from ..ladder.ladder import Ladder
from ..machine.model import Machine
from .setup import plan_sitting

_HERE = Path(__file__).parent
_PARTS = "axis session log keep sitting input words reveal paint view"


def knob_script(host: str) -> str:
    """The knob's script for a host, "lab" or "alone": one module."""
    return "\n".join((_HERE / f"{name}.js").read_text(encoding="utf-8") for name in (*_PARTS.split(), host))


def knob_style() -> str:
    """The knob's style sheet."""
    return (_HERE / "knob.css").read_text(encoding="utf-8")


def knob_page(machine: str | Path | Machine, *ladders: str | Ladder, **options: Any) -> str:
    """The on-screen knob as one HTML page for any browser, a phone's too: two ladders come blind. `options` as for
    `plan_sitting`. The page sends nothing; what was turned is saved as a file that `read` and `compare` take."""
    from jinja2 import Template

    sitting = plan_sitting(machine, ladders, **{"blind": len(ladders) == 2, **options})
    setup = json.dumps(sitting.setup(), ensure_ascii=True, allow_nan=False).replace("<", "\\u003c")
    sheet = Template((_HERE / "page.html").read_text(encoding="utf-8"), autoescape=True)
    title = f"Hand knob: {sitting.axis.name} of {sitting.machine.name}"
    return str(sheet.render(title=title, css=knob_style(), setup=setup, script=knob_script("alone"))) + "\n"
