"""Panel: controls, picture, faults."""

import asyncio
import base64
import html
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from fractions import Fraction
from functools import partial
from importlib import resources
from typing import Any

import anywidget
import ipywidgets as widgets
import traitlets

from ..choose.score import SearchStopped
from ..files import Fault, InputFault
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from ..units import UNIT_FACTORS, in_unit, plain_at_most, plain_values, say_distance, say_number
from ..words.html import fault_html
from .canvas import _DENSE, _SHOWN, _Canvas, _Chart, _Redrawn


def _whole_slider(text: str, value: float, low: int, high: int, step: int = 1) -> widgets.IntSlider:
    """A slider of whole numbers, its value brought within the bounds."""
    return widgets.IntSlider(value=min(max(round(value), low), high), min=low, max=high, step=step, description=text)


def _rate_slider(machine: Machine, value: float, most: float | None = None) -> widgets.IntSlider:
    """Clicks a second, up to the knob's fastest where no other bound is given."""
    return _whole_slider("turn rate (clicks/s)", value, 1, round(max(2, most or machine.knob.fastest_detents_s)))


def _report_slider(machine: Machine, low: int = 1, step: int = 1) -> widgets.IntSlider:
    """Milliseconds between two reports."""
    every = 1000 * machine.link.report_interval_s
    return _whole_slider("a report every (ms)", every, low, max(200, round(every)), step)


def _choice(text: str, options: Sequence[object], value: object = None) -> widgets.Dropdown:
    """One of a few, the first where none is named."""
    return widgets.Dropdown(options=options, value=options[0] if value is None else value, description=text)


def _axis_choice(machine: Machine, text: str = "axis", value: str | None = None) -> widgets.Dropdown:
    """One of the machine's axes by name."""
    return _choice(text, [axis.name for axis in machine.axes], value)


def _distance_slider(
    text: str, values_mm: Sequence[Fraction | float], start: Fraction | float, unit: str, *, digits: int = 4
) -> widgets.SelectionSlider:
    """A slider of given distances [mm or degrees], said in a unit; it starts at the one nearest `start`."""
    options = [(say_number(value / UNIT_FACTORS[unit], digits=digits), value) for value in values_mm]
    nearest = min(values_mm, key=lambda value: abs(float(value / start) - 1))
    return widgets.SelectionSlider(options=options, value=nearest, description=f"{text} ({unit})")


def _plain_slider(
    text: str, low: Fraction | float, high: Fraction | float, start: Fraction, unit: str
) -> widgets.SelectionSlider:
    """A slider of every plain distance of a unit between two bounds [mm or degrees]."""
    factor = UNIT_FACTORS[unit]
    values = [value * factor for value in plain_values(Fraction(low) / factor, Fraction(high) / factor)]
    return _distance_slider(text, values, start, unit)


def _finest_slider(machine: Machine) -> widgets.SelectionSlider:
    """The finest wish [mm] among plain distances from far below to far above it."""
    unit, wish = machine.show_in, machine.finest_wish_mm
    middle = in_unit(wish, unit)
    plain = plain_values(plain_at_most(middle / 10), 100 * middle)[:9]
    values = [value * UNIT_FACTORS[unit] for value in sorted({*plain, middle})]
    return _distance_slider("finest wish", values, wish, unit, digits=6)


def _goal_sliders(machine: Machine, axis: Axis) -> dict[str, widgets.SelectionSlider]:
    """Distance and whole width of a goal [mm or degrees of an axis]."""
    unit, finest, reach = machine.shown_unit(axis), axis.finest_mm, Fraction(axis.reach_mm)
    return {
        "distance": _plain_slider("distance D", 10 * finest, reach, reach / 10, unit),
        "tolerance": _plain_slider("tolerance W", finest / 2, 100 * finest, 10 * finest, unit),
    }


def _rung_slider(machine: Machine, ladder: Ladder) -> widgets.SelectionSlider:
    """The rungs of a ladder, numbered from 0, the coarsest first chosen."""
    said = [f"×{rung.multiplier}, {say_distance(rung.gain_mm, machine.show_in)}" for rung in ladder.rungs]
    if ladder.own:
        said = [f"position {rung.position}" for rung in ladder.rungs]
    options = [(text, number) for number, text in enumerate(said)]
    return widgets.SelectionSlider(options=options, value=len(options) - 1, description="one click is")


_REFUSED = fault_html([Fault(rule="what was sent can't be set: choose or type it again")])
_STALE = "jogtune-stale"
_REST_S = 0.4  # a slider that has not moved for so long has come to rest: our choice


class _Room(anywidget.AnyWidget):
    """How wide a picture may be shown, in whole tens of the page's dots; 0 where no page has said so."""

    _esm = """export default { render({ model, el }) {
      const watch = new ResizeObserver(() => {
        const width = Math.floor(el.clientWidth / 10) * 10;
        if (width > 0 && width !== model.get("width")) { model.set("width", width); model.save_changes(); }
      });
      el.style.width = "100%";
      watch.observe(el);
      return () => watch.disconnect();
    } };"""
    width = traitlets.Int(0).tag(sync=True)


class _Picture:
    """Charts on a kept canvas, shown as an image: as large as shown while it changes, twice as dense at rest."""

    def __init__(self, canvas: _Canvas, label: str) -> None:
        self.canvas = canvas
        self.charts: Sequence[_Chart] = ()
        width, height = canvas.size
        layout = widgets.Layout(max_width=f"{width}px", object_fit="contain")
        self.image = widgets.Image(format="png", width=width, height=height, layout=layout)
        self.image.add_class("jogtune-picture")
        self._spoken = widgets.HTML()
        self._spoken.add_class("jogtune-spoken")
        self.room = _Room()
        self.widget = widgets.VBox([self.room, self.image, self._spoken])
        self.describe(label)

    def describe(self, text: str) -> None:
        """Say the picture in a sentence, for those who can't see it and for pages without pictures."""
        self.label = text
        self._spoken.value = html.escape(f"Picture: {text}")

    def show(self, *, dense: bool = False) -> None:
        """Paint the charts as they now stand."""
        self.image.value = self.canvas.png(self.charts, dots_per_inch=_DENSE if dense else _SHOWN)

    def fit(self) -> bool:
        """Draw for the room there is, where that has changed; says whether it has."""
        changed = self.canvas.fit(self.room.width)
        charts: Sequence[Any] = self.charts if changed else ()
        for chart in charts:
            if isinstance(chart, _Redrawn):
                chart.again()
            else:
                chart.still = None
        return changed

    def still(self) -> bytes:
        """The picture at its denser."""
        return self.canvas.png(self.charts, dots_per_inch=_DENSE)


class _Panel:
    """Controls on the left, picture and words on the right; a fault is a sentence beside its input.

    A change is drawn at once, one at a time and the last always: changes that come while a picture is being drawn make one more
    picture, not a queue of them. When nothing has changed for a moment (at once where no event loop tells the time) the picture
    is drawn denser, and what takes longer begins (`_work`), beside the rest where there are threads."""

    rest_s = _REST_S

    def __init__(self) -> None:
        self.controls: dict[str, Any] = {}
        self.fault, self.words = _line_box(), widgets.HTML()
        self.faults: dict[str, widgets.HTML] = {}
        self.picture: _Picture
        self.view: widgets.Box
        self._drawing = threading.Lock()
        self._counting = threading.Lock()
        self._wanted = 0
        self._rested = 0
        self._told = False
        self.words.observe(lambda _: self._grey(False), names="value")
        self._following = False
        self._settled = threading.Event()

    def _make_controls(self) -> dict[str, widgets.Widget]:
        raise NotImplementedError

    def _draw(self) -> None:
        raise NotImplementedError

    def _put_words(self) -> None:
        """The words that may follow when nothing moves: each costs the browser time while a slider does."""

    def _work(self, aim: int) -> None:
        """What takes longer; to give up as soon as `self._wanted` is no longer `aim`."""

    def refresh(self, _change: object = None) -> None:
        """Draw anew from the controls; whatever goes wrong is shown in the panel."""
        with self._counting:
            self._wanted += 1
            self._settled.clear()
            if self._following:
                return  # whoever draws now sees that more is wanted, and draws again
            self._following = True
        try:
            while self._following:
                self._follow()
        finally:
            self._following = False
        self._rest_later()

    def _fit(self, _change: object) -> None:
        """Draw for the room there is."""
        with self._drawing:
            changed = self.picture.fit()
        if changed:
            self.refresh()

    def _follow(self) -> None:
        with self._drawing:  # waits for a denser picture that is being drawn at rest
            aim, self._told = self._wanted, False
            self._show(_guarded(self._draw))
            self._grey(not self._told)
        with self._counting:
            self._following = self._wanted != aim

    def _show(self, faults: Iterable[Fault]) -> None:
        _put_faults(faults, self.faults, self.fault)

    def _grey(self, stale: bool) -> None:
        """Words of an earlier state are grey until they are renewed."""
        if stale != (_STALE in self.words._dom_classes):
            (self.words.add_class if stale else self.words.remove_class)(_STALE)

    def _rest_later(self) -> None:
        aim = self._wanted
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:  # nobody tells the time
            self._rest(aim)
        else:
            loop.call_later(self.rest_s, self._rest, aim)

    def _rest(self, aim: int) -> None:
        """What follows when nothing moves, once for each state; nothing where another is wanted by now."""
        with self._drawing:
            if self._wanted != aim or self._rested == aim:
                return
            self._rested = aim
            _guarded(self._settle_down)
        _beside(partial(self._finish, aim))

    def _finish(self, aim: int) -> None:
        if self._wanted == aim and not any(line.value.replace(_REFUSED, "") for line in (self.fault, *self.faults.values())):
            faults = _guarded(lambda: self._work(aim))
            with self._drawing:
                if self._wanted == aim:
                    self._show(faults)
                    self._grey(bool(faults))
        with self._counting:
            if self._wanted == aim:
                self._settled.set()

    def _settle_down(self) -> None:
        self.picture.show(dense=True)
        self._put_words()

    def settle(self, patience_s: float = 60.0) -> None:
        """Do what is left to do, without waiting for rest; raises TimeoutError where that takes too long."""
        self._rest(self._wanted)
        if not self._settled.wait(patience_s):
            raise TimeoutError(f"the panel was still busy after {patience_s:g} s")

    def close(self) -> None:
        """Give up whatever is still to be done."""
        with self._counting:
            self._wanted = self._rested = self._wanted + 1
            self._settled.set()

    def _build(
        self, shown: Sequence[widgets.Widget] = (), below: Sequence[widgets.Widget] = (), more: Sequence[widgets.Widget] = ()
    ) -> None:
        """Controls, each with its line for a fault, beside what they change; tables and words below both. Then draw."""
        self.controls = self.controls or self._make_controls()
        for control in self.controls.values():
            control.observe(self.refresh, names="value")
        if hasattr(self, "picture"):
            self.picture.room.observe(self._fit, names="width")
        self.faults = {name: _line_box() for name in self.controls}
        inputs = [_input_box([control], self.faults[name]) for name, control in self.controls.items()]
        left = _row_box([*inputs, _row_box([self.fault, *more], "jogtune-input")], "jogtune-controls")
        right = _row_box(shown or [self.picture.widget], "jogtune-shown")
        columns = _row_box([left, right], "jogtune-columns", widgets.HBox)
        css = resources.files("jogtune.notebook").joinpath("panel.css").read_text(encoding="utf-8")
        style = widgets.HTML(f"<style>{css}</style>", layout=widgets.Layout(display="none"))
        self.view = _row_box([style, columns, *below], "jogtune-panel")
        self.refresh()

    def _value(self, name: str) -> Any:
        return self.controls[name].value

    def _tell(self, text: str) -> None:
        """One sentence below the picture, and for those who can't see it."""
        self._told = True
        self.words.value = f"<p>{html.escape(text)}</p>"
        self.picture.describe(text)

    def _repr_mimebundle_(self, **_: Any) -> dict[str, Any]:
        """The live panel, and for a page without Python a still picture of it."""
        with self._drawing:
            return _bundle(self.view._repr_mimebundle_(), self.picture.still(), self.picture.label)


class _LessonPanel(_Panel):
    """A few controls beside one picture of an axis, a sentence below it. Base of the lessons' panels."""

    def __init__(self, machine: Machine, *, axis: str | None = None, height_in: float = 4.0) -> None:
        super().__init__()
        self.machine, self.axis = machine, machine.axis(axis) if axis else machine.axes[0]
        self.picture = _Picture(_Canvas(7.6, height_in), "")
        self.chart = _Redrawn(*self.picture.canvas.axes(left=0.9, top=0.4, bottom=0.65))
        self.picture.charts = (self.chart,)
        self._build([self.picture.widget, self.words])

    def _plot(self, plot: Callable[..., Any], *what: Any, **how: Any) -> None:
        """Draw with any plotting function, `plot(ax, *what, **how)`."""
        self.chart.update(lambda ax: plot(ax, *what, **how))
        self.picture.show()


def _beside(work: Callable[[], object]) -> None:
    """Do what takes long in a thread of its own; here where there are none."""
    try:
        threading.Thread(target=work, daemon=True).start()
    except RuntimeError:
        work()


def _guarded(work: Callable[[], object]) -> list[Fault]:
    """Do something; the faults it met."""
    try:
        work()
    except InputFault as fault:
        return fault.faults
    except SearchStopped:
        return []
    except Exception as error:  # an exception in a callback would otherwise show nowhere
        return [Fault(rule=f"This can't be drawn ({type(error).__name__}: {error}).")]
    return []


def _put_faults(faults: Iterable[Fault], lines: Mapping[str, widgets.HTML], rest: widgets.HTML) -> None:
    """Each fault on the line of the input it is about (`Fault.where`), those of no input on the line for the rest."""
    said: dict[str, list[Fault]] = {}
    for fault in faults:
        said.setdefault(fault.where if fault.where in lines else "", []).append(fault)
    for name, line in {**lines, "": rest}.items():
        text = fault_html(said[name], named=not name) if name in said else ""
        if line.value != text:
            line.value = text


def _bundle(live: Any, still: bytes, words: str) -> dict[str, Any]:
    """What a notebook keeps of a widget's own bundle, and a picture with its words for where nothing runs."""
    data: dict[str, Any] = dict(live[0] if isinstance(live, tuple) else live or {})
    return {**data, "image/png": base64.b64encode(still).decode("ascii"), "text/plain": words}


def _line_box() -> widgets.HTML:
    """A line for a fault or a word."""
    return widgets.HTML(layout=widgets.Layout(width="auto"))


def _row_box(children: Sequence[widgets.Widget], kind: str, make: Any = widgets.VBox, **layout: str) -> widgets.Box:
    """Widgets in a box that panel.css knows as `kind`."""
    box = make(list(children), layout=widgets.Layout(**layout))
    box.add_class(kind)
    return box


def _input_box(controls: Sequence[widgets.Widget], line: widgets.HTML) -> widgets.Box:
    """Controls with the line for their faults. Of each a page may set the value, within its range, and nothing else."""
    for control in controls:
        if isinstance(control, widgets.SelectionSlider):
            control.add_class("jogtune-picked")
        control.set_state = partial(_admit, control, control.set_state, line)
    return _row_box([*controls, line], "jogtune-input")


def _admit(control: widgets.Widget, take: Callable[[Any], object], line: widgets.HTML, state: Any) -> None:
    """Take a state that a page has sent, or say that it can't be and put the page right."""
    try:
        if set(state) - {"value", "index", "error"} or any(one is None or one != one for one in state.values()):
            raise ValueError
        str(state.get("value")).encode()  # no half of a surrogate pair
        line.value = line.value.replace(_REFUSED, "")
        take(state)
    except Exception:  # it may be anything
        line.value = _REFUSED
        control.send_state()
