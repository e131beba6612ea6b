"""A machine's file and figures, in fields."""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any, Protocol

import ipywidgets as widgets

from ..files import Fault, InputFault, checked_path, read_text, write_set
from ..logs.log import Log
from ..machine.edit import changed, wish_changes
from ..machine.fields import KEYS
from ..machine.file import SAMPLES, as_machine, read_machine
from ..machine.model import Assumed, Machine
from ..machine.readers import UNKNOWN, Field, read_tables
from ..notes import Note, Where
from ..words.speak import speak
from .compare import _logs_from_bytes
from .panel import _choice, _guarded, _input_box, _line_box, _put_faults, _row_box

_NO_FILE = Fault("machine", rule="stands in no file as it is", cure="open the panel with the file's name to change or save it")
_THREE = "three numbers"
_NEEDED = ("steps", "top_speed", "finest")
_FIGURES: Mapping[str, Mapping[str, Field]] = {
    table: {key: field for key, field in keys.items() if field.start is not None or (table == "axis" and key in _NEEDED)}
    for table, keys in KEYS.items()
}
"""The keys that are needed, or that something is assumed for."""
_PAGES = {"knob and selector": ("knob", "selector"), "link, display, firmware": ("link", "readout", "firmware")}
_FIGURE = re.compile(r"([-+]?[\d.,/]*\d)\s*(\D.*)?")


class _Draft:
    """A machine and the text of its file, with changes that aren't saved yet.

    `source` is a file, a `Machine` or, with a `text`, what to call a machine that stands in no file yet. What changes it raises
    `InputFault` and then leaves it as it was; so does `save`. They need a text: a `Machine` that is not as its file says can't
    be changed nor saved."""

    def __init__(self, source: str | Path | Machine, text: str = "") -> None:
        self.text = text
        self.path: Path | None = None
        self._seen: dict[Path, str] = {}  # as last read or written here
        self._parsed: tuple[str, Mapping[str, Any]] = "", {}
        if text:
            _, self.machine = changed(text, {}, source=str(source))
            return
        self.machine = as_machine(source)
        path = Path(self.machine.source)
        if not isinstance(source, Machine) or (path.is_file() and read_machine(path) == source):
            self.path, self.text = path, read_text(path)
            self._seen = {path.absolute(): self.text}

    @classmethod
    def begin(cls, name: str) -> _Draft:
        """A sample, or a machine of one axis from the three numbers that are needed."""
        if name == _THREE:
            return cls(_THREE, "".join(["[[axis]]\n", *(f"{key} = {KEYS['axis'][key].example}\n" for key in _NEEDED)]))
        return cls(name, read_text(SAMPLES[name]))

    def given(self, path: str) -> str | None:
        """A figure as the file has it ("axis X.ramp", "knob.steady"), None where it has none."""
        where, _, key = path.rpartition(".")
        value = self._table(where).get(key, UNKNOWN)
        return None if value == UNKNOWN else str(value)

    def driven(self, axis: str) -> bool:
        """Whether the table of a drive gives an axis' steps."""
        return any(isinstance(value, dict) for value in self._table(f"axis {axis}").values())

    def _table(self, where: str) -> Mapping[str, Any]:
        if self._parsed[0] != self.text:
            self._parsed = self.text, read_tables(self.text, self.machine.source)
        tables = self._parsed[1]
        if where.startswith("axis "):
            names = (axis.name for axis in self.machine.axes)
            named: Mapping[str, Mapping[str, Any]] = dict(zip(names, tables.get("axis", []), strict=False))
            return named.get(where.removeprefix("axis "), {})
        table = tables.get(where, {})
        return table if isinstance(table, dict) else {}

    def set(self, figures: Mapping[str, str], wished: Machine) -> None:
        """Change figures and wishes; "unknown" or empty text takes a figure out of the file, or an axis ("axis X.")."""
        values = {path: _as_value(path, text) for path, text in figures.items()}
        values = {**wish_changes(self.machine, wished), **values}
        self.text, self.machine = changed(self._sound(), values, source=self.machine.source)

    def save(self, out: str | Path, wished: Machine, *, overwrite: bool = False) -> Path:
        """Write the file, as it was read, with every change and wish; never over one that has been changed elsewhere since."""
        base, place = self._sound(), checked_path(out).absolute()
        text, machine = changed(base, wish_changes(self.machine, wished), source=str(out))
        write_set({place: text}, overwrite=overwrite, seen={place: self._seen[place]} if place in self._seen else None)
        self.text, self.machine, self._seen[place] = text, machine, text
        return Path(out)

    def _sound(self) -> str:
        if not self.text:
            raise InputFault("machine", [_NO_FILE])
        return self.text


def _as_value(path: str, text: str) -> Any:
    """What a person typed as the file would hold it; None for what is not known."""
    where, _, key = path.rpartition(".")
    text = text.strip()
    if key and not KEYS[where.split(" ")[0]][key].example.startswith('"') and re.fullmatch(r"\d{1,9}", text):
        return int(text)
    return None if text in ("", UNKNOWN) else text


class _Chooser(Protocol):
    """The panel that the forms belong to."""

    draft: _Draft

    def changed_machine(self) -> Machine: ...
    def follow_draft(self, draft: _Draft | None = None) -> None: ...
    def take_log(self, log: Log | None) -> None: ...


class _Row:
    """A figure: its name, number and unit, and a box to tick where it isn't known."""

    def __init__(self, key: str, field: Field, told: Callable[[str, str], None]) -> None:
        self.key, self.field, self._told = key, field, told
        self.path, self.shown = "", ""
        self.number = widgets.Text(description=key.replace("_", " "), continuous_update=False, tooltip=field.words)
        self.unit, self.line = widgets.HTML(), _line_box()
        self.line.add_class("jogtune-line")
        self.unknown = widgets.Checkbox(description="unknown", indent=False)
        self.unknown.layout.visibility = "visible" if field.unknown else "hidden"
        box = _input_box([self.number, self.unknown], self.line)
        box.children = [self.number, self.unit, self.unknown, self.line]
        self.view = _row_box([box], "jogtune-figure")
        self.number.observe(lambda change: self._typed(change["new"]), names="value")
        self.unknown.observe(lambda change: self._ticked(change["new"]), names="value")

    def show(self, path: str, text: str, unit: str) -> None:
        """Show a figure as the file has it; of an unknown one the unit is that of what is assumed."""
        self.path, self.shown = path, text
        found = _FIGURE.fullmatch(text)
        self.unit.value = html.escape((found[2] or "") if found else unit if text == UNKNOWN else "")
        self.number.value = found[1] if found else text
        self.unknown.value = text == UNKNOWN

    def _typed(self, text: str) -> None:
        found = _FIGURE.fullmatch(text := text.strip() or UNKNOWN)
        full = f"{text} {html.unescape(self.unit.value)}".strip() if found and not found[2] else text
        if full != self.shown:
            self._told(self.path, full)

    def _ticked(self, unknown: bool) -> None:
        if unknown != (self.shown == UNKNOWN):
            self._told(self.path, UNKNOWN if unknown else "")  # "" is what was last known


class _FigureForm:
    """The figures of an axis, or of the hand control: each with its unit, whether it is known, and a line for its fault.

    What is at fault is `pending`: it stays on the screen, and nothing of it is in the draft before all of it is sound."""

    def __init__(self, panel: _Chooser) -> None:
        self.panel, self.pending = panel, dict[str, str]()
        self._known: dict[str, str] = {}  # as last given, for whoever unticks "unknown"
        self.part = _choice("figures of", ["axis X"])
        self.rows = {
            table: {key: _Row(key, field, self._changed) for key, field in keys.items()} for table, keys in _FIGURES.items() if keys
        }
        self.name = widgets.Text(description="name of a new axis", continuous_update=False)
        self.add, self.remove = (widgets.Button(description=text) for text in ("Add axis", "Remove axis"))
        self.said = _line_box()
        self.part.observe(lambda _: self.fill(), names="value")
        self.add.on_click(lambda _: self._say(self._add))
        self.remove.on_click(lambda _: self._say(self._remove))
        rows = [row.view for keys in self.rows.values() for row in keys.values()]
        first, last = (_input_box([one], _line_box()) for one in (self.part, self.name))
        self.view = _row_box([first, *rows, last, widgets.HBox([self.add, self.remove]), self.said], "jogtune-figures")

    @property
    def axis(self) -> str:
        """The axis that is shown; "" on another page."""
        return self.part.value.removeprefix("axis ") if self.part.value not in _PAGES else ""

    def show_machine(self, machine: Machine) -> None:
        """Offer the parts of a machine, and show the one that was chosen, or the first."""
        options = [*(f"axis {axis.name}" for axis in machine.axes), *_PAGES]
        chosen = self.part.value if self.part.value in options else options[0]
        if list(self.part.options) != options:
            self.part.options = options
        self.part.value = chosen
        self.fill()
        if not self.panel.draft.text:
            _put_faults([_NO_FILE], {}, self.said)

    def fill(self) -> None:
        """Show what the draft and the sliders say, and what isn't sound yet as it was typed."""
        draft, tables = self.panel.draft, _PAGES.get(self.part.value, ("axis",))
        wished = wish_changes(draft.machine, self.panel.changed_machine()) if draft.text else {}
        assumed = {one.key: one for one in draft.machine.assumed if one.value != UNKNOWN}
        for table, rows in self.rows.items():
            where = f"axis {self.axis}" if table == "axis" else table
            for key, row in rows.items():
                path = f"{where}.{key}"
                shown = table in tables and bool(draft.text) and not (key == "steps" and draft.driven(self.axis))
                row.view.layout.display = "" if shown else "none"
                if not shown:
                    continue
                text = self.pending.get(path) or wished.get(path) or draft.given(path) or UNKNOWN
                one, line = assumed.get(f"{where}: {key}"), ""
                if text == UNKNOWN:
                    line = html.escape(_stands_in(one) if one else row.field.without)
                elif path not in self.pending:
                    self._known[path] = text
                row.show(path, text, _unit_of(one.value if one else draft.given(f"{where}.top_speed") or ""))
                if path not in self.pending:
                    row.line.value = line
        (self.view.add_class if self.pending else self.view.remove_class)("jogtune-at-fault")
        self.add.disabled = self.remove.disabled = not (self.axis and draft.text)
        self.remove.description = f"Remove axis {self.axis}".strip()

    def forget(self) -> None:
        """Drop what isn't sound, and what was known of another machine."""
        self.pending.clear()
        self._known.clear()
        self.said.value = ""

    def refuse_faults(self) -> None:
        """Raise `InputFault` while a figure on the screen is at fault."""
        if self.pending:
            faulty = [Fault(path.replace(".", ": "), text, "is not sound", "mend it first") for path, text in self.pending.items()]
            raise InputFault("figures", faulty)

    def _changed(self, path: str, text: str) -> None:
        assumed = {one.key: one.value for one in self.panel.draft.machine.assumed}
        self.pending[path] = text or self._known.get(path) or assumed.get(path.replace(".", ": "), UNKNOWN)
        faults = _guarded(lambda: self.panel.draft.set(self.pending, self.panel.changed_machine()))
        if not faults:
            self.pending.clear()
            self.panel.follow_draft()
        self.fill()
        lines = {row.path.replace(".", ": "): row.line for row in self._shown() if row.path in self.pending}
        _put_faults(faults, lines, self.said)

    def _shown(self) -> Iterable[_Row]:
        return [row for rows in self.rows.values() for row in rows.values() if row.view.layout.display != "none"]

    def _say(self, work: Callable[[], str]) -> None:
        def done() -> None:
            self.refuse_faults()
            said.append(work())

        said: list[str] = []
        _put_faults(_guarded(done), {}, self.said)
        if said:
            self.panel.follow_draft()
            self.said.value = said[0]

    def _add(self) -> str:
        self.panel.draft.set({f"axis {self.name.value.strip()}.": self.axis}, self.panel.changed_machine())
        self.name.value, name = "", self.panel.draft.machine.axes[-1].name
        self.part.options = [*self.part.options, f"axis {name}"]
        self.part.value = f"axis {name}"
        return ""

    def _remove(self) -> str:
        axis, draft = self.axis, self.panel.draft
        gone = [task.name for task in draft.machine.tasks if task.axis == axis]
        draft.set({f"axis {axis}.": UNKNOWN}, self.panel.changed_machine())
        return speak(Note(kind="axis_gone", where=Where(axes=(axis,)), figures={"tasks": gone}))


def _stands_in(assumed: Assumed) -> str:
    """What is assumed, and the range in which it is tried."""
    told = {"key": assumed.key, "value": assumed.value, "range": assumed.range, "changes": None}
    return speak(Note(kind="assumed_too", figures={"rest": [told]}))


def _unit_of(text: str) -> str:
    found = _FIGURE.fullmatch(text)
    return (found[2] or "") if found else ""


class _FileForm:
    """Where a machine comes from and goes to, and a log of one's own; never over a file that is there, unless told."""

    def __init__(self, panel: _Chooser, figures: _FigureForm) -> None:
        self.panel, self._figures = panel, figures
        self.sample = _choice("begin with", [_THREE, *SAMPLES])
        self.name = widgets.Text(description="machine file")
        self.replace = widgets.Checkbox(description="replace it if it is there", indent=False)
        self.upload = widgets.FileUpload(multiple=True, description="Upload a log")
        self.begin, self.open, self.save = (widgets.Button(description=text) for text in ("Begin", "Open", "Save"))
        self.said = _line_box()
        for button, work in ((self.begin, self._begin), (self.open, self._open), (self.save, self._save)):
            button.on_click(lambda _, work=work: self._say(work))
        self.upload.observe(lambda _: self._say(self._read), names="value")
        css = resources.files("jogtune.notebook").joinpath("machine.css").read_text(encoding="utf-8")
        self.view = _row_box([
            widgets.HTML(f"<style>{css}</style>", layout=widgets.Layout(display="none")),
            _input_box([self.sample], _line_box()), self.begin,
            _input_box([self.name, self.replace], _line_box()), widgets.HBox([self.open, self.save]),
            _input_box([self.upload], _line_box()), self.said,
        ], "jogtune-files")  # fmt: skip
        self.suggest_name()

    def suggest_name(self) -> None:
        """A name beside the file that was opened, or here."""
        path = self.panel.draft.path
        self.name.value = "my_machine.toml" if path is None else str(path.with_name(f"{path.stem}_mine.toml"))

    def _say(self, work: Callable[[], str]) -> None:
        said: list[str] = []
        faults = _guarded(lambda: said.append(work()))
        self.said.value = html.escape("".join(said))
        _put_faults(faults, {}, self.said) if faults else None

    def _begin(self) -> str:
        self.panel.follow_draft(_Draft.begin(self.sample.value))
        self.suggest_name()
        return ""

    def _open(self) -> str:
        self.panel.follow_draft(_Draft(checked_path(self.name.value)))
        return f"Opened {self.name.value}."

    def _save(self) -> str:
        self._figures.refuse_faults()
        place = self.panel.draft.save(self.name.value, self.panel.changed_machine(), overwrite=self.replace.value)
        self.panel.follow_draft()
        return f"Wrote {place}."

    def _read(self) -> str:
        logs = _logs_from_bytes({item["name"]: bytes(item["content"]) for item in self.upload.value})
        if len(logs) > 1:
            cure = "upload one, with its column map if it has one"
            raise InputFault("upload", [Fault(rule="holds more than one log", cure=cure)])
        self.panel.take_log(logs[0] if logs else None)
        return ""
