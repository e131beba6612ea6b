"""Live panels for notebooks: controls beside pictures and words, and no mathematics."""

from __future__ import annotations

import base64
import html
import io
import threading
from collections.abc import Callable, Sequence
from fractions import Fraction
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import ipywidgets as widgets
from PIL import Image

from ..design.controls import controls_of
from ..design.outstanding import derive_outstanding
from ..design.response import Habit, answer_burst
from ..design.score import SearchStopped
from ..design.search import Suggestion, suggest
from ..files import InputFault
from ..ladder import SERIES_NAMES, Ladder
from ..machine import Machine, Task, read_machine
from ..units import from_unit, say_distance, say_number
from .canvas import DENSE, SHOWN, Canvas, Chart, Redrawn
from .draft import Draft, fault_key, finest_choices, goal_choices, own_finest, start_ladders, wished, wished_report
from .hand_plots import plot_controls, plot_route
from .log_plots import difference_words, letter, plot_differences, plot_ladders, plot_predicted, plot_times
from .logs_in import logs_from_bytes, logs_from_place
from .panel_words import choose_reasons, comparison_words, fault_html, response_words, rung_table
from .plots import LadderChart, ResponseChart, new_figure, shared_limits
from .report import figure_png
from .words import headline

if TYPE_CHECKING:
    from ..compare import Comparison
    from ..logs.read import Log

__all__ = ["Answer", "Choose", "Compare", "Panel", "Picture", "StillChart", "Try", "WhichRung", "show_chart"]

REST_S = 0.4  # a slider that has not moved for so long has come to rest: our choice


Fault = tuple[str, str]  # which input, and what is wrong with it


class Beside(InputFault):
    """Faults that know which input of the panel each is about."""

    def __init__(self, pairs: Sequence[Fault]) -> None:
        super().__init__("panel", [text for _, text in pairs])
        self.pairs = list(pairs)


class Picture:
    """Charts on a kept canvas, shown as an image: as large as shown while it changes, twice as dense at rest.

    >>> picture = Picture(Canvas(4.0, 3.0), label="an empty chart")
    >>> picture.show()
    >>> picture.canvas.size, picture.still()[1:4]
    ((400, 300), b'PNG')
    """

    def __init__(self, canvas: Canvas, *, label: str) -> None:
        self.canvas = canvas
        self.charts: Sequence[Chart] = ()
        width, height = canvas.size
        layout = widgets.Layout(max_width=f"{width}px", object_fit="contain")
        self.image = widgets.Image(format="png", width=width, height=height, layout=layout)
        self.image.add_class("jogtune-picture")
        self._spoken = widgets.HTML()
        self._spoken.add_class("jogtune-spoken")
        self.widget = widgets.VBox([self.image, self._spoken])
        self.label = label

    @property
    def label(self) -> str:
        """The picture in a sentence, for those who can't see it and for pages without pictures."""
        return self._label

    @label.setter
    def label(self, text: str) -> None:
        self._label = text
        self._spoken.value = html.escape(f"Picture: {text}")

    def show(self, *, dense: bool = False) -> None:
        """Paint the charts as they now stand."""
        self.image.value = self.canvas.png(self.charts, dots_per_inch=DENSE if dense else SHOWN)

    def still(self) -> bytes:
        """The picture at its denser."""
        return self.canvas.png(self.charts, dots_per_inch=DENSE)


class Panel:
    """Controls on the left, picture and words on the right; a fault is a sentence beside its input.

    A change is drawn at once, one at a time and the last always: changes that come while a picture is
    being drawn make one more picture, not a queue of them. When nothing has changed for a moment the
    picture is drawn denser, and what takes longer begins (`_at_rest`).

    >>> panel = Answer("datasets/machines/inlay_router.toml")
    >>> sorted(panel.controls)
    ['axis', 'beside', 'habit', 'rate', 'report', 'rung', 'turning']
    >>> panel.close()
    """

    rest_s = REST_S

    def __init__(self) -> None:
        self.controls: dict[str, Any] = {}
        self.fault = _line()
        self.faults: dict[str, widgets.HTML] = {}
        self.picture: Picture
        self.view: widgets.Box
        self._drawing = threading.Lock()
        self._counting = threading.Lock()
        self._wanted = 0
        self._following = False
        self._timer: threading.Timer | None = None
        self._settled = threading.Event()

    # ------------------------------------------------------------------ drawing

    def refresh(self, _change: object = None) -> None:
        """Draw anew from the controls; whatever goes wrong is shown in the panel."""
        with self._counting:
            self._wanted += 1
            self._settled.clear()
            if self._timer is not None:
                self._timer.cancel()
            if self._following:
                return  # whoever draws now sees that more is wanted, and draws again
            self._following = True
        try:
            while self._following:
                self._follow()
        finally:
            self._following = False
        self._rest_later()

    def _follow(self) -> None:
        with self._drawing:  # waits for a denser picture that is being drawn at rest
            aim = self._wanted
            self._show(self._guarded(self._draw))
        with self._counting:
            self._following = self._wanted != aim

    def _draw(self) -> None:
        raise NotImplementedError

    def _guarded(self, work: Callable[[], object]) -> list[Fault]:
        """Do something; the faults it met, each with the input it is about ("" where it is about none)."""
        try:
            work()
        except Beside as fault:
            return fault.pairs
        except InputFault as fault:
            return [(fault_key(text), text) for text in fault.faults]
        except SearchStopped:
            return []
        except Exception as error:  # an exception in a callback would otherwise show nowhere
            return [("", f"This can't be drawn ({type(error).__name__}: {error}).")]
        return []

    def _show(self, faults: Sequence[Fault]) -> None:
        """Each fault beside the input it is about, the rest below all inputs."""
        said: dict[str, list[str]] = {}
        for name, text in faults:
            said.setdefault(name if name in self.faults else "", []).append(text)
        for name, line in {**self.faults, "": self.fault}.items():
            text = fault_html(" ".join(said[name])) if name in said else ""
            if line.value != text:
                line.value = text

    # ------------------------------------------------------------------ at rest

    def _rest_later(self) -> None:
        with self._counting:
            if self._timer is not None:
                self._timer.cancel()
            self._timer = threading.Timer(self.rest_s, self._rest, [self._wanted])
            self._timer.daemon = True
            self._timer.start()

    def _rest(self, aim: int) -> None:
        with self._drawing:
            if self._wanted == aim:
                self._guarded(self._settle_down)
        if self._wanted == aim:
            self._at_rest(aim)
        if self._wanted == aim:
            self._settled.set()

    def _settle_down(self) -> None:
        self.picture.show(dense=True)
        self._put_words()

    def _put_words(self) -> None:
        """The words that may follow when nothing moves: each costs the browser time while a slider does."""

    def _at_rest(self, aim: int) -> None:
        """What takes longer; to give up as soon as `self._wanted` is no longer `aim`."""

    def settle(self, patience_s: float = 60.0) -> None:
        """Wait until nothing is left to do; raises TimeoutError where that takes too long."""
        if not self._settled.wait(patience_s):
            raise TimeoutError(f"the panel was still busy after {patience_s:g} s")

    def close(self) -> None:
        """Give up whatever is still to be done."""
        with self._counting:
            self._wanted += 1
            if self._timer is not None:
                self._timer.cancel()
            self._settled.set()

    # ------------------------------------------------------------------ looks

    def _watch(self) -> None:
        for control in self.controls.values():
            control.observe(self.refresh, names="value")

    def _arrange(
        self, shown: Sequence[widgets.Widget], below: Sequence[widgets.Widget] = (), more: Sequence[widgets.Widget] = ()
    ) -> None:
        """Controls, each with its line for a fault, beside what they change; tables and words below both."""
        inputs = [self._with_line(name, control) for name, control in self.controls.items()]
        left = _box([*inputs, _box([self.fault, *more], "jogtune-input")], "jogtune-controls")
        columns = widgets.HBox([left, _box(shown, "jogtune-shown")])
        columns.add_class("jogtune-columns")
        self.view = _box([_style(), columns, *below], "jogtune-panel")

    def _with_line(self, name: str, control: widgets.Widget) -> widgets.Box:
        line = self.faults.setdefault(name, _line())
        return _box([control, line], "jogtune-input")

    def _repr_mimebundle_(self, **_: Any) -> dict[str, Any]:
        """The live panel, and for a page without Python a still picture of it."""
        with self._drawing:
            still = self.picture.still()
        return self._bundle(still, self.picture.label)

    def _bundle(self, still: bytes, words: str) -> dict[str, Any]:
        live = self.view._repr_mimebundle_()
        bundle: dict[str, Any] = dict(live[0] if isinstance(live, tuple) else live)
        return {**bundle, "image/png": base64.b64encode(still).decode("ascii"), "text/plain": words}


def _line() -> widgets.HTML:
    return widgets.HTML(layout=widgets.Layout(width="auto"))


def _box(children: Sequence[widgets.Widget], kind: str, **layout: str) -> widgets.VBox:
    box = widgets.VBox(list(children), layout=widgets.Layout(**layout))
    box.add_class(kind)
    return box


def _style() -> widgets.HTML:
    css = resources.files("jogtune.show").joinpath("panel.css").read_text(encoding="utf-8")
    return widgets.HTML(f"<style>{css}</style>", layout=widgets.Layout(display="none"))


def _whole(description: str, value: float, low: int, high: int) -> widgets.IntSlider:
    value = min(max(round(value), low), high)
    return widgets.IntSlider(value=value, min=low, max=high, description=description)


def show_chart(plot: Callable[..., Any], *what: Any, label: str = "chart", **how: Any) -> StillChart:
    """A chart of any plotting function, `plot(ax, *what, **how)`, to end a notebook's cell with.

    >>> from jogtune.ladder import Ladder
    >>> two = [Ladder.from_gains([Fraction(1, 50), Fraction(1)]), Ladder.from_gains([Fraction(1, 10)])]
    >>> show_chart(plot_ladders, two, unit="mm", label="two ladders")
    two ladders
    """
    figure = new_figure(8.6, 4.8)
    plot(figure.subplots(), *what, **how)
    return StillChart(figure_png(figure, dots_per_inch=DENSE), label)


class StillChart:
    """A picture for a notebook, shown at half its pixels so that it is sharp on every screen.

    >>> StillChart(figure_png(new_figure(2.0, 1.0)), "an empty chart")
    an empty chart
    """

    def __init__(self, png: bytes, label: str) -> None:
        self.png, self.label = png, label

    def __repr__(self) -> str:
        return self.label

    def _repr_png_(self) -> tuple[bytes, dict[str, int]]:
        with Image.open(io.BytesIO(self.png)) as picture:
            return self.png, {"width": picture.width // 2}


# ------------------------------------------------------------------ Choose


class Choose(Panel):
    """A machine's figures and wishes beside its ladder chart, table and reasons.

    `machine` is a machine file or a `Machine` (which then can't be saved); `log` an optional tidy log to
    hold against the ladder. The quick answer, by coverage, follows every slider; when they rest, every
    ladder is tried for the tasks of the file.

    >>> panel = Choose("datasets/machines/inlay_router.toml")
    >>> panel.controls["rungs"].value = 3  # as if someone moved the slider
    >>> panel.answer.ladder.say()
    '0.02, 0.1, 4 mm'
    >>> panel.close()
    """

    def __init__(self, machine: str | Path | Machine, *, log: Log | None = None) -> None:
        super().__init__()
        self.draft = Draft(machine)
        self.log = log
        self._found: Suggestion | None = None
        self.picture = Picture(Canvas(7.2, 4.9), label="ladder chart")
        right = 1.25 if log is not None else 0.25
        (ax,) = self.picture.canvas.axes(top=0.95, bottom=1.05, right=right)
        finest = float(finest_choices(self.draft.machine)[0][1])
        self.chart = LadderChart(ax, log=log, snap=True, least=finest)
        self.picture.charts = (self.chart,)
        self.table, self.reasons = widgets.HTML(), widgets.HTML()
        self._stopped = threading.Event()
        self.status, self.bar = widgets.HTML(), widgets.FloatProgress(min=0.0, max=1.0)
        self.bar.layout.width = "6em"
        self.stop = widgets.Button(description="Stop", layout=widgets.Layout(width="5em"))
        self.stop.on_click(lambda _: self._stopped.set())
        self.controls = self._make_controls()
        self.figures, self.saving = _FigureForm(self), _SaveForm(self)
        self._watch()
        below = [_box([self.table], "jogtune-table-box"), _box([self.reasons], "jogtune-scroll", height="13em")]
        self._arrange(self._shown(), below, [self.figures.view, self.saving.view])
        self._show_searching(False)
        self.refresh()
        self._put_words()

    @property
    def answer(self) -> Suggestion | None:
        """The answer to the controls as they stand: waits for the search that follows a change; None where none is found."""
        self.settle()
        return self._found

    def _shown(self) -> list[widgets.Widget]:
        return [_status(self.status, self.bar, self.stop), self.picture.widget]

    def _make_controls(self) -> dict[str, Any]:
        machine = self.draft.machine
        choices = finest_choices(machine)
        rungs = [("as few as serve", 0), *((str(n), n) for n in range(1, machine.selector.positions + 1))]
        steady, every = machine.knob.steady_detents_s, 1000 * machine.link.report_interval_s
        return {
            "finest": widgets.SelectionSlider(options=choices, value=own_finest(machine), description="finest wish"),
            "rungs": widgets.SelectionSlider(options=rungs, value=0, description="rungs"),
            "steady": _whole("steady hand (detents/s)", steady, 1, max(4 * round(steady), 10)),
            "report": _whole("a report every (ms)", every, 1, max(200, round(every))),
            "series": widgets.Dropdown(options=SERIES_NAMES, value="plain", description="number series"),
            "axis": widgets.Dropdown(options=[a.name for a in machine.axes], description="axis of the table"),
        }

    def changed_machine(self) -> Machine:
        """The machine as the controls now stand."""
        chosen = self.controls
        return wished(
            self.draft.machine,
            finest=chosen["finest"].value,
            steady=chosen["steady"].value,
            report_ms=chosen["report"].value,
        )

    def _asked(self) -> dict[str, Any]:
        return {"rungs": self.controls["rungs"].value or None, "series": self.controls["series"].value}

    def _draw(self) -> None:
        self._stopped.set()  # a search for what is no longer asked
        self._show_answer(suggest(self.changed_machine(), by="coverage", **self._asked()))
        self.status.value = "Quick answer: the plain ladder that covers the range."

    def _show_answer(self, answer: Suggestion, *, dense: bool = False) -> None:
        self.chart.update(answer, title=headline(answer).replace(". ", ".\n"))
        self.picture.show(dense=dense)
        self.table.value = rung_table(answer, self.controls["axis"].value)
        self._found = answer

    def _put_words(self) -> None:
        if self._found is not None:
            self.picture.label = headline(self._found)
            self.reasons.value = choose_reasons(self._found, self.log)

    # ------------------------------------------------------------------ the longer search

    def _at_rest(self, aim: int) -> None:
        if self.fault.value or any(line.value for line in self.faults.values()):
            return
        self._stopped.clear()
        self._show_searching(True)
        faults = self._guarded(lambda: self._search(aim))
        with self._drawing:
            if self._wanted == aim:
                self._show(faults)
        self._show_searching(False)

    def _search(self, aim: int) -> None:
        def stop() -> bool:
            return self._wanted != aim or self._stopped.is_set()

        try:
            found = suggest(self.changed_machine(), progress=self._show_share, stop=stop, **self._asked())
        except SearchStopped:
            if self._wanted == aim:
                self.status.value = "Stopped: this is the quick answer, by coverage."
            return
        with self._drawing:
            if self._wanted == aim:
                self._show_answer(found, dense=True)
                self._put_words()
                self.status.value = "The plainest of the fastest ladders."

    def _show_share(self, share: float) -> None:
        self.bar.value = share

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
        names = [axis.name for axis in panel.draft.machine.axes]
        self.axis = widgets.Dropdown(options=names, description="axis")
        self.fields: dict[str, widgets.Text] = {}
        self.lines: dict[str, widgets.HTML] = {}
        self._rows = widgets.VBox()
        self._filling = False
        self.axis.observe(self._fill, names="value")
        inputs = widgets.VBox([_box([self.axis], "jogtune-input"), self._rows])
        self.view = widgets.Accordion([inputs], titles=("Machine figures",))
        self._fill()

    def _fill(self, _change: object = None) -> None:
        self._filling = True
        self.fields, self.lines = {}, {}
        for key, text in self.panel.draft.figures(self.axis.value).items():
            field = widgets.Text(value=text, description=key.replace("_", " "), continuous_update=False)
            field.disabled = self.panel.draft.path is None
            field.observe(lambda change, key=key: self._set(key, change["new"]), names="value")
            self.fields[key], self.lines[key] = field, _line()
        self._rows.children = [_box([field, self.lines[key]], "jogtune-input") for key, field in self.fields.items()]
        self._filling = False

    def _set(self, key: str, text: str) -> None:
        if self._filling:
            return
        axis = self.axis.value
        faults = self.panel._guarded(lambda: self.panel.draft.set_figure(axis, key, text))
        for name, line in self.lines.items():
            line.value = ""
            about = [text for where, text in faults if where == f"axis {axis}: {name}"]
            if about or (faults and name == key):
                line.value = fault_html(" ".join(about or [text for _, text in faults]))
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
        self.said = _line()
        self.button.on_click(self._save)
        content = _box([self.name, self.replace, self.button, self.said], "jogtune-input")
        self.view = widgets.Accordion([content], titles=("Save",))

    def _save(self, _button: object) -> None:
        faults = self.panel._guarded(self._write)
        if faults:
            said = " ".join(text for _, text in faults)
            self.said.value = fault_html(said.replace("add --overwrite", "tick the box above"))

    def _write(self) -> None:
        place = self.panel.draft.save(
            self.name.value, self.panel.changed_machine(), overwrite=self.replace.value
        )
        self.said.value = f"Wrote {html.escape(str(place))}."


# ------------------------------------------------------------------ Answer

_HABITS = {
    "owe, dash": Habit(),
    "owe, spread": Habit(speed="spread"),
    "forgive, dash": Habit(too_fast="forgive"),
    "forgive, spread": Habit(too_fast="forgive", speed="spread"),
}

_KNOB_HABITS = ["owe, dash", "owe, spread", "limit, dash", "limit, spread", "forgive, dash", "forgive, spread"]


def _habits(machine: Machine, limit_mm: float) -> dict[str, Habit]:
    """The habits to choose from; committed moves where the file says how many."""
    limited = {
        "limit, dash": Habit(too_fast="limit", limit_mm=limit_mm),
        "limit, spread": Habit(too_fast="limit", limit_mm=limit_mm, speed="spread"),
    }
    queue = machine.firmware.queue or 8
    words: tuple[Literal["wait", "merge", "discard"], ...] = ("wait", "merge", "discard")
    queued = {f"queue of {queue}, when full {full}": Habit(queue=queue, when_full=full) for full in words}
    return {**_HABITS, **limited, **queued}


class Answer(Panel):
    """One burst of turning, and how an axis answers it: two habits side by side.

    `machine` is a machine file or a `Machine`; `ladder` defaults to the one suggested by coverage.

    >>> panel = Answer("datasets/machines/inlay_router.toml")
    >>> panel.controls["rate"].value = 20  # as if someone moved the slider
    >>> panel.settle()  # the words follow once it rests
    >>> panel.picture.label
    'Axis X: 20 detents/s for 1 s, 5 mm a click'
    >>> panel.close()
    """

    def __init__(self, machine: str | Path | Machine, ladder: Ladder | None = None) -> None:
        super().__init__()
        self.machine = machine if isinstance(machine, Machine) else read_machine(machine)
        self.ladder = ladder or suggest(self.machine, by="coverage").ladder
        self.picture = Picture(Canvas(7.6, 4.0), label="response chart")
        cells = self.picture.canvas.axes(2, left=0.7, right=0.15, top=0.45, bottom=0.9, gap=0.75)
        self.charts = [ResponseChart(ax) for ax in cells]
        self.charts[0].legend(loc="lower center")
        self.picture.charts = self.charts
        self.words = widgets.HTML()
        self._drawn: tuple[Any, ...] | None = None
        self.controls = self._make_controls()
        self._watch()
        self._arrange([self.picture.widget], [_box([self.words], "jogtune-scroll", height="11em")])
        self.refresh()
        self._put_words()

    def _make_controls(self) -> dict[str, Any]:
        machine = self.machine
        habits = list(_habits(machine, machine.axes[0].reach_mm))
        rungs = [
            (f"×{rung.multiplier}, {say_distance(rung.gain_mm, machine.show_in)}", rung.position - 1)
            for rung in self.ladder.rungs
        ]
        fastest, every = round(machine.knob.fastest_detents_s), round(1000 * machine.link.report_interval_s)
        return {
            "turning": widgets.FloatSlider(value=1.0, min=0.1, max=4.0, step=0.1, description="turn for (s)"),
            "rate": _whole("turn rate (detents/s)", fastest, 1, max(2 * fastest, 10)),
            "rung": widgets.SelectionSlider(options=rungs, value=len(rungs) - 1, description="rung"),
            "report": _whole("a report every (ms)", every, 1, max(200, every)),
            "axis": widgets.Dropdown(options=[axis.name for axis in machine.axes], description="axis"),
            "habit": widgets.Dropdown(options=habits, value="owe, dash", description="habit, left"),
            "beside": widgets.Dropdown(options=habits, value="limit, dash", description="habit, right"),
        }

    def _draw(self) -> None:
        values = {name: control.value for name, control in self.controls.items()}
        axis = self.machine.axis(values["axis"])
        gain = self.machine.axis_gain(axis, self.ladder.gains_mm[values["rung"]])
        unit = self.machine.shown_unit(axis)
        machine = wished_report(self.machine, values["report"])
        names = [values["habit"], values["beside"]]
        turned = [self._turn(machine, values, float(gain), name) for name in names]
        until_s, high = shared_limits(turned, unit)
        turned = [self._turn(machine, values, float(gain), name, until_s) for name in names]
        for chart, name, burst in zip(self.charts, names, turned, strict=True):
            chart.update(burst, unit=unit, title=name, until_s=until_s, high=high)
        self.picture.show()
        rate, turning = say_number(values["rate"]), say_number(values["turning"], digits=2)
        label = f"Axis {axis.name}: {rate} detents/s for {turning} s, {say_distance(gain, unit)} a click"
        self._drawn = label, machine, axis, float(gain), list(zip(names, turned, strict=True))

    def _put_words(self) -> None:
        if self._drawn is not None:
            self.picture.label, *drawn = self._drawn
            self.words.value = response_words(*drawn)

    def _turn(
        self, machine: Machine, values: dict[str, Any], gain_mm: float, name: str, until_s: float | None = None
    ) -> Any:
        axis = machine.axis(values["axis"])
        limit = derive_outstanding(machine, axis, self.ladder).used_limit_mm
        return answer_burst(
            values["rate"], values["turning"], gain_mm, machine.link, habit=_habits(machine, limit)[name],
            top_speed_mm_s=axis.top_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2, until_s=until_s,
        )  # fmt: skip


# ------------------------------------------------------------------ WhichRung


class WhichRung(Panel):
    """A goal's distance and tolerance beside the route down the ladder, and the controls side by side.

    `ladder` defaults to the suggested one.

    >>> panel = WhichRung("datasets/machines/inlay_router.toml", ladder=Ladder.from_gains([Fraction(1, 50), Fraction(1)]))
    >>> panel.controls["axis"].value, panel.fault.value
    ('X', '')
    >>> panel.close()
    """

    def __init__(self, machine: str | Path | Machine, *, ladder: Ladder | None = None) -> None:
        super().__init__()
        self.machine = machine if isinstance(machine, Machine) else read_machine(machine)
        self.ladder = ladder or suggest(self.machine).ladder
        self.picture = Picture(Canvas(7.2, 6.9), label="route down the ladder, and controls side by side")
        place = self.picture.canvas.place
        self.route = Redrawn(place(1.0, 4.1, 6.0, 2.4), lively=True)
        self.sides = Redrawn(place(1.0, 0.6, 6.0, 2.6))
        self.picture.charts = (self.route, self.sides)
        self._sides_show: tuple[str, float] | None = None
        self.controls = self._make_controls()
        self._watch()
        self._arrange([self.picture.widget])
        self.refresh()

    def _make_controls(self) -> dict[str, Any]:
        unit = self.machine.shown_unit(self.machine.axes[0])
        ways, widths = goal_choices(self.machine)
        return {
            "distance": _slider(ways, ways[-2], "distance", unit),
            "tolerance": _slider(widths, widths[3], "within (whole width)", unit),
            "axis": widgets.Dropdown(options=[a.name for a in self.machine.axes], description="axis"),
        }

    def _draw(self) -> None:
        axis = self.machine.axis(self.controls["axis"].value)
        unit = self.machine.shown_unit(axis)
        far, wide = (float(from_unit(self.controls[name].value, unit)) for name in ("distance", "tolerance"))
        if wide > far:
            raise Beside([("tolerance", "The tolerance is wider than the distance: there is nothing to do.")])
        task = Task(name="this goal", axis=axis.name, distance_mm=far, tolerance_mm=wide, cue="eye")
        self.route.update(lambda ax: plot_route(ax, self.machine, self.ladder, task))
        if self._sides_show != (axis.name, wide):  # the slower picture, which distance does not change
            controls = controls_of(self.machine, self.ladder, axis.name)
            self.sides.update(lambda ax: plot_controls(ax, self.machine, controls, axis.name, wide))
            self._sides_show = (axis.name, wide)
        self.picture.show()

    def _put_words(self) -> None:
        self.picture.label = f"{self.route.ax.get_title()}. Below: controls side by side, {self.sides.ax.get_title()}"


def _slider(values: Sequence[Fraction], value: Fraction, text: str, unit: str) -> widgets.SelectionSlider:
    options = [(f"{say_number(v)} {unit}", v) for v in values]
    return widgets.SelectionSlider(options=options, value=value, description=text)


# ------------------------------------------------------------------ Compare


class Compare(Panel):
    """Two to four ladders held against each other, on paper or by the logs of people who turned.

    `ladders` are texts such as "0.02, 0.1, 1" in the machine's unit; `logs` may be given, uploaded, or read
    from a folder. The ladders are drawn at once; times and differences follow when nothing changes any more.
    `found` is the comparison shown.

    >>> panel = Compare("datasets/machines/inlay_router.toml", "0.02, 0.2, 2")
    >>> [ladder.say() for ladder in panel.ladders()]
    ['0.02, 0.2, 2 mm', '0.02, 0.1, 0.5, 5 mm']
    >>> panel.close()
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
        self._arrange([_status(self.status), self.picture.widget], [_box([self.words], "jogtune-scroll", height="15em")])
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
        from ..logs.ladder_option import parse_ladder

        found, faults = [], []
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
        from ..compare import compare

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


def _status(*children: widgets.Widget) -> widgets.HBox:
    box = widgets.HBox(list(children))
    box.add_class("jogtune-status")
    return box


# ------------------------------------------------------------------ Try


class Try(Panel):
    """The on-screen knob with a choice of axis, habit and blindness.

    Further arguments go to `jogtune.show.knob.Knob`. `knob` is the one shown; a change of a control starts a
    fresh one.

    >>> panel = Try("datasets/machines/inlay_router.toml", goals=3)
    >>> panel.controls["axis"].value = "Z"  # as if someone chose it
    >>> panel.knob.axis.name
    'Z'
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
            habit=_habits(self.machine, limit)[values["habit"]], **self.options,
        )  # fmt: skip
        self.place.children = [self.knob]

    def _rest(self, aim: int) -> None:
        self._settled.set()  # the knob draws itself, in the browser

    def _repr_mimebundle_(self, **_: Any) -> dict[str, Any]:
        return self._bundle(self.knob.still(), f"The on-screen knob, axis {self.knob.axis.name}")
