"""The panel Compare: ladders and logs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import ipywidgets as widgets

from ..charts.compare import difference_words, plot_differences, plot_ladders, plot_predicted, plot_times
from ..files import InputFault
from ..ladder.ladder import Ladder
from ..machine.file import read_machine
from ..machine.model import Machine
from ..words.panels import comparison_words
from ..words.say import letter
from .canvas import Canvas, Redrawn
from .draft import start_ladders
from .logs_in import logs_from_bytes, logs_from_place
from .panel import Beside, Fault, Panel, Picture, row_box, search_status

if TYPE_CHECKING:
    from ..logs.log import Log
    from ..measure.compare import Comparison



class Compare(Panel):
    """Two to four ladders held against each other, on paper or by the logs of people who turned.

    `ladders` are texts such as "0.02, 0.1, 1" in the machine's unit; `logs` may be given, uploaded, or read
    from a folder. The ladders are drawn at once; times and differences follow when nothing changes any more.
    `found` is the comparison shown.
    """

    def __init__(self, machine: str | Path | Machine, *ladders: str, logs: Sequence[Log] = ()) -> None:
        super().__init__()
        self.machine = machine if isinstance(machine, Machine) else read_machine(machine)
        self.given = list(logs)
        self.found: Comparison | None = None
        self._compared: tuple[Any, ...] = ()
        self.picture = Picture(Canvas(7.6, 6.2), label="ladders compared")
        place = self.picture.canvas.place
        self.glance = Redrawn(place(0.45, 3.85, 3.9, 2.1))
        self.times = Redrawn(place(4.75, 3.85, 2.65, 2.1))
        self.differences = Redrawn(place(1.0, 0.6, 6.4, 2.6))
        self.predicted = Redrawn(place(1.3, 0.65, 5.0, 5.0))
        self.picture.charts = (self.glance, self.times, self.differences, self.predicted)
        self.status, self.words = widgets.HTML(), widgets.HTML()
        self.controls = self._make_controls(ladders)
        self._watch()
        self._arrange([search_status(self.status), self.picture.widget], [row_box([self.words], "jogtune-scroll", height="15em")])
        self.refresh()

    def _make_controls(self, ladders: Sequence[str]) -> dict[str, Any]:
        texts = [*ladders, *start_ladders(self.machine)][: max(2, len(ladders))]
        views = [("ladders, times, differences", "times"), ("predicted against measured", "predicted")]
        unit = self.machine.show_in
        fields = {
            letter(i): widgets.Text(
                value=texts[i] if i < len(texts) else "", continuous_update=False,
                description=f"ladder {letter(i)} ({unit} a click)", placeholder="none",
            )
            for i in range(4)
        }  # fmt: skip
        return {
            "view": widgets.Dropdown(options=views, description="show"),
            **fields,
            "upload": widgets.FileUpload(multiple=True, description="Upload logs"),
            "folder": widgets.Text(continuous_update=False, description="or a log, or a folder of logs"),
        }

    def ladders(self) -> list[Ladder]:
        """The ladders as they now stand; raises `Beside` with every fault."""
        from ..ladder.ladder import parse_ladder

        found: list[Ladder] = []
        faults: list[tuple[str, str]] = []
        for name in "ABCD":
            text = self.controls[name].value.strip()
            try:
                if text:
                    found.append(parse_ladder(text, self.machine))
            except InputFault as fault:
                faults += [(name, sentence) for sentence in fault.faults]
        if len(found) < 2 and not faults:
            faults.append(("B", "needs two ladders or more: give another, as in 0.02, 0.2, 2"))
        if faults:
            raise Beside(faults)
        return found

    def _draw(self) -> None:
        ladders = self.ladders()
        self._seen(self.controls["view"].value)
        if self._compared == self._asked():
            self.picture.show()
            return
        self.glance.update(lambda ax: plot_ladders(ax, ladders, unit=self.machine.show_in))
        for chart in (self.times, self.differences, self.predicted):
            chart.update(_await)
        self.picture.show()

    def _asked(self) -> tuple[Any, ...]:
        """What a comparison depends on."""
        uploaded = tuple((item["name"], bytes(item["content"])) for item in self.controls["upload"].value)
        return (*(self.controls[name].value.strip() for name in "ABCD"), uploaded, self.controls["folder"].value)

    def _seen(self, view: str) -> None:
        for chart in (self.glance, self.times, self.differences):
            chart.ax.set_visible(view == "times")
        self.predicted.ax.set_visible(view == "predicted")

    def _at_rest(self, aim: int) -> None:
        if self.fault.value or any(line.value for line in self.faults.values()):
            return
        if self._compared == self._asked():
            return
        self.status.value = "Comparing…"
        faults = self._guarded(lambda: self._compare(aim))
        with self._drawing:
            if self._wanted == aim:
                self._show(faults)
                self.status.value = "" if faults else "Compared."

    def _compare(self, aim: int) -> None:
        from ..measure.compare import compare

        asked = self._asked()
        found = compare(self.machine, self.ladders(), self._logs())
        with self._drawing:
            if self._wanted != aim:
                return
            self.found, self._compared = found, asked
            self.glance.update(lambda ax: plot_ladders(ax, self.ladders(), unit=self.machine.show_in))
            self.times.update(lambda ax: plot_times(ax, found))
            self.differences.update(lambda ax: plot_differences(ax, found))
            self.predicted.update(lambda ax: plot_predicted(ax, found) if len(found.tasks) else _no_tasks(ax))
            self.picture.show(dense=True)
            self.picture.label = "; ".join(difference_words(d) for d in found.differences)
            self.words.value = comparison_words(found)

    def _logs(self) -> list[Log]:
        faults: list[Fault] = []
        found = list(self.given)
        for name, read in (("upload", self._uploaded), ("folder", self._in_folder)):
            try:
                found += read()
            except InputFault as fault:
                faults += [(name, sentence) for sentence in fault.faults]
        if faults:
            raise Beside(faults)
        return found

    def _uploaded(self) -> list[Log]:
        return logs_from_bytes({item["name"]: bytes(item["content"]) for item in self.controls["upload"].value})

    def _in_folder(self) -> list[Log]:
        text = self.controls["folder"].value.strip()
        return logs_from_place(text) if text else []


def _await(ax: Any) -> None:
    ax.set_axis_off()
    ax.text(0.5, 0.5, "…", transform=ax.transAxes, ha="center", va="center", fontsize=14)


def _no_tasks(ax: Any) -> None:
    _await(ax)
    ax.texts[-1].set(text="Needs a log with goals that were reached.", fontsize=11)
