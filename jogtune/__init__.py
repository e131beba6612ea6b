'''jogtune: choose the settings of a hand control that moves a machine's axes.

>>> import jogtune as jt
>>> router = jt.read_machine("datasets/machines/inlay_router.toml")
>>> jt.suggest(router, by="coverage").ladder.say()
'0.02, 0.1, 0.5, 5 mm'

Names carry their unit: mm, s, mm/s, mm/s²; a rotary axis carries degrees where a name says mm. Wherever a machine, a ladder or a
log is asked for, a path or a text will do. Nothing here moves a machine.
'''

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType

TYPE_CHECKING = False  # typing itself takes longer to load than all of this
if TYPE_CHECKING:
    from typing import Any

    from .bench.diagnose import diagnose as diagnose
    from .choose.suggest import judge as judge
    from .choose.suggest import suggest as suggest
    from .files import InputFault as InputFault
    from .hand.fit import fit_hand as fit_hand
    from .hand_over.export import export as export
    from .ladder.ladder import Ladder as Ladder
    from .logs.read import read_log as read_log
    from .machine.file import read_machine as read_machine
    from .measure.compare import compare as compare
    from .measure.measure import measure as measure
    from .notebook import panels as panels
    from .notebook.choose import explore as explore
    from .notebook.knob import feel as feel

__version__ = "0.1.0"

_DOOR = {
    "read_machine": "machine.file", "Ladder": "ladder.ladder", "suggest": "choose.suggest", "judge": "choose.suggest",
    "read_log": "logs.read", "measure": "measure.measure", "compare": "measure.compare", "diagnose": "bench.diagnose",
    "fit_hand": "hand.fit", "export": "hand_over.export", "explore": "notebook.choose", "feel": "notebook.knob",
    "InputFault": "files",
}  # fmt: skip
__all__ = [
    "InputFault", "Ladder", "compare", "diagnose", "explore", "export", "feel", "fit_hand", "judge", "measure", "panels",
    "read_log", "read_machine", "suggest",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    """A name at the door, loaded when first asked for: `import jogtune` itself loads neither numpy nor pandas."""
    if name == "panels":  # the panels of the notebooks, one by one: jt.panels.Answer(...)
        return import_module(".notebook.panels", __name__)
    if name not in _DOOR:
        raise AttributeError(f"jogtune has no {name!r}: it has {', '.join(_DOOR)}")
    found = getattr(import_module(f".{_DOOR[name]}", __name__), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted([*_DOOR, "panels", "__version__"])


class _Door(ModuleType):
    """Python puts a room at the door when it is first imported; the room `measure` must not hide the function."""

    def __setattr__(self, name: str, value: object) -> None:
        if not (name in _DOOR and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Door
