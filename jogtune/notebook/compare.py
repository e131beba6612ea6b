"""Ladders and logs compared."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import ipywidgets as widgets

from ..charts.compare import difference_words, plot_differences, plot_ladders, plot_predicted, plot_times
from ..choose.cover import derive_ladder
from ..files import Fault, InputFault, write_whole
from ..ladder.ladder import Ladder, as_ladder
from ..logs.log import Log
from ..logs.read import read_log
from ..machine.file import as_machine
from ..machine.model import Machine
from ..units import in_unit, say_number
from ..words.html import comparison_words
from .canvas import _Canvas, _Redrawn
from .panel import _choice, _Panel, _Picture, _row_box

if TYPE_CHECKING:
    from ..measure.compare import Comparison

_KINDS = (".csv", ".tsv", ".txt", ".log", ".dat", ".gz", ".parquet")
_MAP_ENDING = ".map.toml"


def _logs_from_bytes(files: Mapping[str, bytes]) -> list[Log]:
    """Read uploaded logs, each named as it was; a column map (NAME.map.toml) may be among them."""
    with tempfile.TemporaryDirectory() as folder:
        for name, content in files.items():
            write_whole(Path(folder) / Path(name).name, content, overwrite=True)
        names = [Path(name).name for name in files if not name.endswith(_MAP_ENDING)]
        return [replace(log, source=name) for log, name in zip(_all_read(Path(folder) / n for n in names), names, strict=True)]


def _logs_from_place(text: str) -> list[Log]:
    """Read one log, or every log of a folder; raises `InputFault` where there is none, or any can't be read."""
    place = Path(text).expanduser()
    if not place.is_dir():
        return [replace(log, source=text) for log in _all_read([place])]
    paths = sorted(path for path in place.iterdir() if path.suffix.lower() in _KINDS and path.is_file())
    if not paths:
        cure = f"name a folder with files ending in {', '.join(_KINDS)}"
        raise InputFault(text, [Fault(rule=f"{text} holds no log", cure=cure)])
    return _all_read(paths)


def _all_read(paths: Iterable[Path]) -> list[Log]:
    found, faults = [], []
    for path in paths:
        try:
            found.append(read_log(path))
        except InputFault as fault:
            faults += [Fault(path.name, rule=text) for text in fault.faults]
    if faults:
        raise InputFault("logs", faults)
    return found


def _start_ladders(machine: Machine) -> list[str]:
    """Two ladders to begin a comparison with, as text: the one that covers the range, and a plain one by tens."""
    found = [derive_ladder(machine), derive_ladder(machine, series="1-10-100")]
    return [", ".join(say_number(in_unit(gain, machine.show_in)) for gain in ladder.gains_mm) for ladder in found]


_LETTERS = "ABCD"


class Compare(_Panel):
    """Two to four ladders held against each other, on paper or by the logs of people who turned.

    `ladders` are texts such as "0.02, 0.1, 1" in the machine's unit; `logs` may be given, uploaded, or read from a folder. The
    ladders are drawn at once; times and differences follow when nothing changes any more. `found` is the comparison shown."""

    def __init__(self, machine: str | Path | Machine, *ladders: str, logs: Sequence[Log] = ()) -> None:
        super().__init__()
        self.machine = as_machine(machine)
        self.given = list(logs)
        self.found: Comparison | None = None
        self._compared: tuple[Any, ...] = ()
        self.picture = _Picture(_Canvas(7.6, 6.2), "ladders compared")
        place = self.picture.canvas.place
        self.glance = _Redrawn(place(0.45, 3.85, 3.9, 2.1))
        self.times = _Redrawn(place(4.75, 3.85, 2.65, 2.1))
        self.differences = _Redrawn(place(1.0, 0.6, 6.4, 2.6))
        self.predicted = _Redrawn(place(1.3, 0.65, 5.0, 5.0))
        self.picture.charts = (self.glance, self.times, self.differences, self.predicted)
        self.status = widgets.HTML()
        self._texts = [*ladders, *_start_ladders(self.machine)][: max(2, len(ladders))]
        shown = [_row_box([self.status], "jogtune-status", widgets.HBox), self.picture.widget]
        self._build(shown, [_row_box([self.words], "jogtune-scroll", height="15em")])

    def _make_controls(self) -> dict[str, Any]:
        views = [("ladders, times, differences", "times"), ("predicted against measured", "predicted")]
        unit, texts = self.machine.show_in, dict(zip(_LETTERS, self._texts, strict=False))
        fields = {
            letter: widgets.Text(
                value=texts.get(letter, ""), continuous_update=False, description=f"ladder {letter} ({unit} a click)",
                placeholder="none",
            )
            for letter in _LETTERS
        }  # fmt: skip
        return {
            "view": _choice("show", views, "times"),
            **fields,
            "upload": widgets.FileUpload(multiple=True, description="Upload logs"),
            "folder": widgets.Text(continuous_update=False, description="or a log, or a folder of logs"),
        }

    def ladders(self) -> list[Ladder]:
        """The ladders as they now stand; raises `InputFault` with every fault."""
        texts = {name: text for name in _LETTERS if (text := self._value(name).strip())}
        found = _each({name: partial(as_ladder, text, self.machine) for name, text in texts.items()})
        if len(found) < 2:
            raise InputFault("panel", [Fault("B", rule="needs two ladders or more", cure="give another, as in 0.02, 0.2, 2")])
        return found

    def _draw(self) -> None:
        ladders = self.ladders()
        for chart in self.picture.charts:
            chart.ax.set_visible((chart is self.predicted) == (self._value("view") == "predicted"))
        self._told = self._compared == self._asked()
        if not self._told:
            self._compared = ()
            self.glance.update(lambda ax: plot_ladders(ax, ladders, unit=self.machine.show_in))
            for chart in (self.times, self.differences, self.predicted):
                chart.update(_await)
        self.picture.show()

    def _asked(self) -> tuple[Any, ...]:
        """What a comparison depends on."""
        uploaded = tuple((item["name"], bytes(item["content"])) for item in self._value("upload"))
        return (*(self._value(name).strip() for name in _LETTERS), uploaded, self._value("folder"))

    def _work(self, aim: int) -> None:
        if self._compared == self._asked():
            return  # the view alone was changed
        self.status.value, said = "Comparing…", ""
        try:
            self._compare(aim)
            said = "Compared."
        finally:
            if self._wanted == aim:
                self.status.value = said

    def _compare(self, aim: int) -> None:
        from ..measure.compare import compare

        asked = self._asked()
        found = compare(self.machine, self.ladders(), self._logs())
        with self._drawing:
            if self._wanted != aim:
                return
            self.found, self._compared = found, asked
            self.times.update(lambda ax: plot_times(ax, found))
            self.differences.update(lambda ax: plot_differences(ax, found))
            self.predicted.update(lambda ax: plot_predicted(ax, found) if len(found.tasks) else _no_tasks(ax))
            self.picture.show(dense=True)
            self.picture.describe("; ".join(difference_words(d) for d in found.differences))
            self.words.value = comparison_words(found)

    def _logs(self) -> list[Log]:
        files = {item["name"]: bytes(item["content"]) for item in self._value("upload")}
        place = self._value("folder").strip()
        read = {"upload": partial(_logs_from_bytes, files), **({"folder": partial(_logs_from_place, place)} if place else {})}
        return [*self.given, *(log for logs in _each(read) for log in logs)]


def _each(work: Mapping[str, Callable[[], Any]]) -> list[Any]:
    """What is found for each input; raises `InputFault` with all faults, each named by its input."""
    found, faults = [], []
    for name, find in work.items():
        try:
            found.append(find())
        except InputFault as fault:
            faults += [Fault(name, rule=sentence) for sentence in fault.faults]
    if faults:
        raise InputFault("panel", faults)
    return found


def _await(ax: Any) -> None:
    ax.set_axis_off()
    ax.text(0.5, 0.5, "…", transform=ax.transAxes, ha="center", va="center", fontsize=14)


def _no_tasks(ax: Any) -> None:
    _await(ax)
    ax.texts[-1].set(text="Needs a log with goals that were reached.", fontsize=11)
