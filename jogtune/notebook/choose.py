"""explore()."""

from __future__ import annotations

import html
import re
import threading
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import ipywidgets as widgets

from ..charts.ladder import LadderChart
from ..choose.cover import derive_ladder
from ..choose.score import SearchStopped
from ..choose.suggest import Suggestion, suggest
from ..files import Fault, InputFault, checked_path, read_text, write_set
from ..ladder.ladder import SERIES_NAMES
from ..logs.read import read_log
from ..machine.edit import changed, wish_changes
from ..machine.file import as_machine, read_machine
from ..machine.model import Machine, with_wishes
from ..machine.readers import read_tables
from ..units import UNIT_FACTORS, in_unit, say_number
from ..words.answer import headline
from ..words.html import choose_words, rung_table
from .canvas import _Canvas
from .panel import (
    _axis_choice,
    _choice,
    _finest_slider,
    _guarded,
    _input_box,
    _line_box,
    _Panel,
    _Picture,
    _put_faults,
    _report_slider,
    _row_box,
    _whole_slider,
)  # fmt: skip

if TYPE_CHECKING:
    from ..logs.log import Log

_FIGURES = ("steps", "top_speed", "ramp", "reach", "slack", "calm_speed")
_NO_FILE = Fault("machine", rule="stands in no file as it is", cure="open the panel with the file's name to change or save it")


class _Draft:
    """A machine with changes that aren't saved yet.

    `machine` holds the figures as last found sound; `set_figure` and `save` raise `InputFault` and then leave it as it was.
    They need the machine's file: a `Machine` that is not as its file says can't be changed nor saved."""

    def __init__(self, source: str | Path | Machine) -> None:
        self.machine = as_machine(source)
        path = Path(self.machine.source)
        in_file = not isinstance(source, Machine) or (path.is_file() and read_machine(path) == source)
        self.path = path if in_file else None
        self.changes: dict[str, str | None] = {}
        self._text = "" if self.path is None else read_text(self.path)
        self._seen = {} if self.path is None else {self.path.absolute(): self._text}  # as last read or written here
        tables: list[dict[str, Any]] = read_tables(self._text, str(source)).get("axis", [])
        self._axes = {axis.name: table for axis, table in zip(self.machine.axes, tables, strict=False)}

    def figures(self, axis: str) -> dict[str, str]:
        """All figures of an axis that can be changed here, "" where there is none; steps only where no drive gives them."""
        table = self._axes.get(axis, {})
        texts = {key: self.changes.get(f"axis {axis}.{key}", table.get(key, "")) for key in _FIGURES}
        driven = any(isinstance(value, dict) for value in table.values())
        return {key: str(text or "") for key, text in texts.items() if not (key == "steps" and driven)}

    def set_figure(self, axis: str, key: str, text: str) -> None:
        """Change one figure; empty text takes it out of the file."""
        if self.path is None:
            raise InputFault("machine", [_NO_FILE])
        changes = {**self.changes, f"axis {axis}.{key}": text.strip() or None}
        _, self.machine = changed(self._text, changes, source=str(self.path))
        self.changes = changes

    def save(self, out: str | Path, wished: Machine, *, overwrite: bool = False) -> Path:
        """Write the file, as it was read, with every change and wish; never over one that has been changed elsewhere since."""
        if self.path is None:
            raise InputFault("machine", [_NO_FILE])
        place = checked_path(out).absolute()
        text, _ = changed(self._text, {**self.changes, **wish_changes(self.machine, wished)}, source=str(out))
        write_set({place: text}, overwrite=overwrite, seen={place: self._seen[place]} if place in self._seen else None)
        self._seen[place] = text
        return Path(out)


def _start_ladders(machine: Machine) -> list[str]:
    """Two ladders to begin a comparison with, as text: the one that covers the range, and a plain one by tens."""
    found = [derive_ladder(machine), derive_ladder(machine, series="1-10-100")]
    return [", ".join(say_number(in_unit(gain, machine.show_in)) for gain in ladder.gains_mm) for ladder in found]


class Choose(_Panel):
    """A machine's figures and wishes beside its ladder chart, table and reasons.

    `machine` is a machine file or a `Machine` (which can be saved if it is as its file says); `log` an optional tidy log to
    hold against the ladder. The quick answer, by coverage, follows every slider; when they rest, every ladder is tried for the
    tasks of the file."""

    def __init__(self, machine: str | Path | Machine, *, log: Log | None = None) -> None:
        super().__init__()
        self.draft = _Draft(machine)
        self.log = log
        self._found: Suggestion | None = None
        self.controls = self._make_controls()
        self.picture = _Picture(_Canvas(7.2, 4.9), "ladder chart")
        (ax,) = self.picture.canvas.axes(top=0.95, bottom=1.05, right=0.25 if log is None else 1.25)
        least = self.controls["finest"].options[0][1] / UNIT_FACTORS[self.draft.machine.show_in]
        self.chart = LadderChart(ax, log=log, snap=True, least=float(least))
        self.picture.charts = (self.chart,)
        self.table = widgets.HTML()
        self._stopped = threading.Event()
        self.status, self.bar = widgets.HTML(), widgets.FloatProgress(min=0.0, max=1.0)
        self.bar.layout.width = "6em"
        self.stop = widgets.Button(description="Stop", layout=widgets.Layout(width="5em"))
        self.stop.on_click(lambda _: self._stopped.set())
        self.figures, self.saving = _FigureForm(self), _SaveForm(self)
        below = [_row_box([self.table], "jogtune-table-box"), _row_box([self.words], "jogtune-scroll", height="13em")]
        shown = [_row_box([self.status, self.bar, self.stop], "jogtune-status", widgets.HBox), self.picture.widget]
        self._show_searching(False)
        self._build(shown, below, [self.figures.view, self.saving.view])
        self._put_words()

    @property
    def answer(self) -> Suggestion | None:
        """The answer to the controls as they stand: waits for the search that follows a change; None where none is found."""
        self.settle()
        return self._found

    def _make_controls(self) -> dict[str, Any]:
        machine = self.draft.machine
        rungs = [("as few as serve", 0), *((str(n), n) for n in range(1, machine.selector.positions + 1))]
        steady = machine.knob.steady_detents_s
        return {
            "finest": _finest_slider(machine), "rungs": widgets.SelectionSlider(options=rungs, value=0, description="rungs"),
            "steady": _whole_slider("steady hand (clicks/s)", steady, 1, max(4 * round(steady), 10)),
            "report": _report_slider(machine), "series": _choice("number series", SERIES_NAMES, "plain"),
            "axis": _axis_choice(machine, "axis of the table"),
        }  # fmt: skip

    def changed_machine(self) -> Machine:
        """The machine as the controls now stand."""
        return with_wishes(
            self.draft.machine, finest_mm=self._value("finest"), steady_detents_s=float(self._value("steady")),
            report_interval_s=self._value("report") / 1000,
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
            self.words.value = choose_words(self._found, self.log)

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


class _FigureForm:
    """The figures of one axis at a time, as text with units; each with a line for its fault."""

    def __init__(self, panel: Choose) -> None:
        self.panel = panel
        self.axis = _axis_choice(panel.draft.machine)
        self.fields: dict[str, widgets.Text] = {}
        self.lines: dict[str, widgets.HTML] = {}
        self._rows = widgets.VBox()
        self.axis.observe(self._fill, names="value")
        inputs = widgets.VBox([_input_box([self.axis], _line_box()), self._rows])
        self.view = widgets.Accordion([inputs], titles=("Machine figures",))
        self._fill()

    def _fill(self, _change: object = None) -> None:
        self.fields, self.lines = {}, {}
        for key, text in self.panel.draft.figures(self.axis.value).items():
            field = widgets.Text(value=text, description=key.replace("_", " "), continuous_update=False)
            field.disabled = self.panel.draft.path is None
            field.observe(lambda change, key=key: self._set(key, change["new"]), names="value")
            self.fields[key], self.lines[key] = field, _line_box()
        self._rows.children = [_input_box([field], self.lines[key]) for key, field in self.fields.items()]

    def _set(self, key: str, text: str) -> None:
        faults = _guarded(lambda: self.panel.draft.set_figure(self.axis.value, key, text))
        others = {f"axis {self.axis.value}: {name}": line for name, line in self.lines.items() if name != key}
        _put_faults(faults, others, self.lines[key])
        if not faults:
            self.panel.refresh()


class _SaveForm:
    """Writes the machine with its figures and wishes to a file; never over one that is there, unless told."""

    def __init__(self, panel: Choose) -> None:
        self.panel = panel
        path = panel.draft.path
        name = "" if path is None else str(path.with_name(f"{path.stem}_mine.toml"))
        self.name = widgets.Text(value=name, description="file to write")
        self.replace = widgets.Checkbox(description="replace it if it is there", indent=False)
        self.button = widgets.Button(description="Save machine file", layout=widgets.Layout(width="12em"))
        self.said = _line_box()
        self.button.on_click(self._save)
        content = _input_box([self.name, self.replace, self.button], self.said)
        self.view = widgets.Accordion([content], titles=("Save",))

    def _save(self, _button: object) -> None:
        if faults := _guarded(self._write):
            _put_faults(faults, {}, self.said)

    def _write(self) -> None:
        place = self.panel.draft.save(self.name.value, self.panel.changed_machine(), overwrite=self.replace.value)
        self.said.value = f"Wrote {html.escape(str(place))}."


def explore(machine: str | Path | Machine, log: str | Path | Log | None = None) -> _Panel:
    """The machine's ladder with sliders, its figures to change and to save, and a log held against it.

    A machine that is as its file says can be changed and saved. Machine and log may be named by their files."""
    return Choose(machine, log=read_log(log) if isinstance(log, str | Path) else log)
