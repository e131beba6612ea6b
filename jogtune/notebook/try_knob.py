"""The knob with its choices."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ipywidgets as widgets

from ..axis.outstanding import derive_outstanding
from ..choose.suggest import suggest
from ..ladder.ladder import Ladder
from ..machine.file import read_machine
from ..machine.model import Machine
from .panel import Panel
from .respond import habit_choices

_KNOB_HABITS = ["owe, dash", "owe, spread", "limit, dash", "limit, spread", "forgive, dash", "forgive, spread"]


class Try(Panel):
    """The on-screen knob with a choice of axis, habit and blindness.

    Further arguments go to `jogtune.notebook.knob.Knob`. `knob` is the one shown; a change of a control starts a
    fresh one.
    """

    def __init__(self, machine: str | Path | Machine, *ladders: Ladder, **options: Any) -> None:
        super().__init__()
        self.machine = machine if isinstance(machine, Machine) else read_machine(machine)
        self.ladders = ladders or (suggest(self.machine, by="coverage").ladder,)
        self.options = options
        self.knob: Any = None
        self.place = widgets.VBox()
        names = [axis.name for axis in self.machine.axes]
        self.controls = {
            "axis": widgets.Dropdown(options=names, value=options.pop("axis", names[0]), description="axis"),
            "habit": widgets.Dropdown(options=_KNOB_HABITS, value="owe, dash", description="habit of the controller"),
            "blind": widgets.Checkbox(
                value=options.pop("blind", False), description="hide which ladder is on", indent=False
            ),
        }
        self._watch()
        self._arrange([self.place])
        self.refresh()

    def _draw(self) -> None:
        from .knob import Knob

        values = {name: control.value for name, control in self.controls.items()}
        axis = self.machine.axis(values["axis"])
        limit = max(derive_outstanding(self.machine, axis, ladder).used_limit_mm for ladder in self.ladders)
        self.knob = Knob(
            self.machine, *self.ladders, axis=axis.name, blind=values["blind"],
            habit=habit_choices(self.machine, limit)[values["habit"]], **self.options,
        )  # fmt: skip
        self.place.children = [self.knob]

    def _rest(self, aim: int) -> None:
        self._settled.set()  # the knob draws itself, in the browser

    def _repr_mimebundle_(self, **_: Any) -> dict[str, Any]:
        return self._bundle(self.knob.still(), f"The on-screen knob, axis {self.knob.axis.name}")
