"""explore()."""

from __future__ import annotations

import re
import threading
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import ipywidgets as widgets

from ..charts.ladder import LadderChart
from ..choose.score import SearchStopped
from ..choose.suggest import Suggestion, suggest
from ..ladder.ladder import SERIES_NAMES
from ..logs.read import read_log
from ..machine.file import SAMPLES
from ..machine.model import Machine, with_wishes
from ..units import UNIT_FACTORS
from ..words.answer import headline
from ..words.html import choose_words, rung_table
from ..words.logs import log_findings
from .canvas import _Canvas
from .machine import _Draft, _FigureForm, _FileForm
from .panel import (
    _axis_choice,
    _choice,
    _finest_slider,
    _Panel,
    _Picture,
    _report_slider,
    _row_box,
    _whole_slider,
)  # fmt: skip

if TYPE_CHECKING:
    from ..logs.log import Log

class Choose(_Panel):
    """All of a machine: where its file comes from and goes to, its figures and wishes, a log; beside them its ladder.

    `machine` is a machine file, a `Machine` (which can be changed and saved if it is as its file says) or nothing, for a sample to
    begin with; `log` an optional tidy log to hold against the ladder. The quick answer, by coverage, follows every slider; when
    they rest, every ladder is tried for the tasks of the file, and every assumption."""

    def __init__(self, machine: str | Path | Machine | None = None, *, log: Log | None = None) -> None:
        super().__init__()
        self.draft = _Draft.begin(next(iter(SAMPLES))) if machine is None else _Draft(machine)
        self.log = self._given_log = log
        self._findings: tuple[Machine | None, list[str]] = (None, [])  # what the log says of a machine
        self._found: Suggestion | None = None
        self._moving_sliders = False
        self.controls = self._make_controls()
        self.picture = _Picture(_Canvas(7.2, 4.9), "ladder chart")
        self._make_chart()
        self.table = widgets.HTML()
        self._stopped = threading.Event()
        self.status, self.bar = widgets.HTML(), widgets.FloatProgress(min=0.0, max=1.0)
        self.bar.layout.width = "6em"
        self.stop = widgets.Button(description="Stop", layout=widgets.Layout(width="5em"))
        self.stop.on_click(lambda _: self._stopped.set())
        self.figures = _FigureForm(self)
        self.files = _FileForm(self, self.figures)
        below = [_row_box([self.words], "jogtune-scroll", height="30em"), _row_box([self.table], "jogtune-table-box")]
        shown = [_row_box([self.status, self.bar, self.stop], "jogtune-status", widgets.HBox), self.picture.widget]
        self._show_searching(False)
        self.figures.show_machine(self.draft.machine)
        self._build(shown, below, [self.files.view, self.figures.view])
        self.view.add_class("jogtune-machine")
        self.view = _row_box([self.view], "jogtune-room")
        self._put_words()

    def _make_chart(self) -> None:
        """A chart from nothing: its margins and its least distance go by the machine and the log."""
        self.picture.canvas = _Canvas(7.2, 4.9)
        (ax,) = self.picture.canvas.axes(top=0.95, bottom=1.05, right=0.25 if self.log is None else 1.25)
        least = self.controls["finest"].options[0][1] / UNIT_FACTORS[self.draft.machine.show_in]
        self.chart = LadderChart(ax, log=self.log, snap=True, least=float(least))
        self.picture.charts = (self.chart,)

    def follow_draft(self, draft: _Draft | None = None) -> None:
        """Bring sliders, fields and picture to the draft, or to another one."""
        if draft is not None:
            self.draft = draft
            self.figures.forget()
        self._moving_sliders = True
        try:
            for name, fresh in self._make_controls().items():
                control = self.controls[name]
                kept = control.value if name in ("rungs", "series", "axis") else fresh.value
                if hasattr(fresh, "options"):
                    control.options = fresh.options
                    values = [one[1] if isinstance(one, tuple) else one for one in fresh.options]
                    control.value = kept if kept in values else fresh.value
                else:
                    control.max, control.value = fresh.max, fresh.value
        finally:
            self._moving_sliders = False
        self.figures.show_machine(self.draft.machine)
        with self._drawing:
            self._make_chart()
        self.refresh()

    def take_log(self, log: Log | None) -> None:
        """Hold another log against the ladder; None for the one given at first."""
        self.log, self._findings = log or self._given_log, (None, [])
        self.follow_draft()

    def refresh(self, _change: object = None) -> None:
        """Draw anew from the controls, once they all are of one machine."""
        if not self._moving_sliders:
            super().refresh()

    @property
    def answer(self) -> Suggestion | None:
        """The answer to the controls as they stand: waits for the search that follows a change; None where none is found."""
        self.settle()
        return self._found

    def _make_controls(self) -> dict[str, Any]:
        machine = self.draft.machine
        rungs = [("as few as serve", 0), *((str(n), n) for n in range(1, machine.selector.positions + 1))]
        steady = machine.knob.steady_detents_s
        controls = {
            "finest": _finest_slider(machine), "rungs": widgets.SelectionSlider(options=rungs, value=0, description="rungs"),
            "steady": _whole_slider("steady hand (clicks/s)", steady, 1, max(4 * round(steady), 10)),
            "report": _report_slider(machine), "series": _choice("number series", SERIES_NAMES, "plain"),
            "axis": _axis_choice(machine, "axis of the table"),
        }  # fmt: skip
        self._from_draft = {name: control.value for name, control in controls.items()}
        return controls

    def changed_machine(self) -> Machine:
        """The machine as the controls now stand; what no slider was moved for stays known or unknown as it is."""
        machine, fresh = self.draft.machine, self._from_draft
        moved = {name: self._value(name) for name in ("finest", "steady", "report") if self._value(name) != fresh[name]}
        if not moved:
            return machine
        steady, report = moved.get("steady"), moved.get("report")
        return with_wishes(
            machine, finest_mm=moved.get("finest"), steady_detents_s=None if steady is None else float(steady),
            report_interval_s=None if report is None else report / 1000,
        )  # fmt: skip

    def _asked(self) -> dict[str, Any]:
        return {"rungs": self._value("rungs") or None, "series": self._value("series")}

    def _draw(self) -> None:
        self._stopped.set()  # a search for what is no longer asked
        self._show_answer(suggest(self.changed_machine(), by="coverage", **self._asked()))
        self.status.value = "Quick answer: the plain ladder that covers the range."

    def _show_answer(self, answer: Suggestion, *, dense: bool = False) -> None:
        self.chart.update(answer, title=re.sub(r"([.;]) ", r"\1\n", headline(answer)))
        self.picture.show(dense=dense)
        self.table.value = rung_table(answer, self._value("axis"))
        self._found = answer

    def _put_words(self) -> None:
        if self._found is not None:
            self.picture.describe(headline(self._found))
            known, findings = self._findings
            self.words.value = choose_words(self._found, self.log, findings if known == self.draft.machine else ())
            self.figures.fill()

    def _work(self, aim: int) -> None:
        self._stopped.clear()
        self._show_searching(True)
        try:
            self._search(aim)
        finally:
            self._show_searching(False)

    def _search(self, aim: int) -> None:
        shown = partial(setattr, self.bar, "value")
        try:
            found = suggest(
                self.changed_machine(), progress=shown, stop=lambda: self._wanted != aim or self._stopped.is_set(),
                **self._asked(),
            )  # fmt: skip
        except SearchStopped:
            if self._wanted == aim:
                self.status.value = "Stopped: this is the quick answer, by coverage."
            return
        if self.log is not None and self._findings[0] != (machine := self.draft.machine):
            self._findings = machine, log_findings(machine, self.log)
        with self._drawing:
            if self._wanted == aim:
                self._show_answer(found, dense=True)
                self._put_words()
                self.status.value = "The plainest of the fastest ladders."

    def _show_searching(self, busy: bool) -> None:
        if busy:
            self.status.value = "Quick answer. Trying every ladder…"
        self.bar.value = 0.0
        for widget in (self.bar, self.stop):
            widget.layout.visibility = "visible" if busy else "hidden"


def explore(machine: str | Path | Machine | None = None, log: str | Path | Log | None = None) -> _Panel:
    """All of a machine in one panel: begin with a sample, three numbers or a file, change its figures, axes and wishes, save it,
    hold a log against it; its ladder follows.

    A machine that is as its file says can be changed and saved. Machine and log may be named by their files."""
    return Choose(machine, log=read_log(log) if isinstance(log, str | Path) else log)
