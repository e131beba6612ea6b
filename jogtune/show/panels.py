"""Live panels for notebooks: the only user of ipywidgets, and no mathematics."""

from __future__ import annotations

import html
import threading
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import ipywidgets as widgets

from ..design.controls import controls_of
from ..design.derive import finest_wish
from ..design.search import Suggestion, suggest
from ..files import InputFault
from ..ladder import SERIES_NAMES, Ladder
from ..machine import Machine, Task, read_machine, with_wishes
from ..units import from_unit, in_unit, plain_at_least, plain_at_most, say_number
from .hand_plots import plot_controls, plot_route
from .plots import new_figure, plot_ladder
from .report import figure_png
from .words import headline, ladder_table, log_sentence, log_table

if TYPE_CHECKING:
    from ..logs.read import Log


_WIDE = {"description_width": "11em"}


class Picture:
    """One kept matplotlib figure, redrawn into an image widget at twice the screen's density."""

    def __init__(self, width_in: float = 8.6, height_in: float = 5.2, *, label: str = "chart") -> None:
        self.figure = new_figure(width_in, height_in)
        width = f"{round(width_in * 100)}px"
        layout = widgets.Layout(width=width, max_width="100%", height="auto", object_fit="contain")
        self.widget = widgets.Image(format="png", layout=layout)
        self.widget.add_class("jogtune-picture")

    def draw(self, paint: Callable[[Any], Any]) -> None:
        """Clear the figure, let `paint(ax)` draw, and show the result."""
        self.figure.clear()
        paint(self.figure.subplots())
        self.widget.value = figure_png(self.figure, dots_per_inch=200)


class Panel:
    """Controls on the left, picture and words on the right; a fault is a sentence and the picture stays."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.fault = widgets.HTML(layout=widgets.Layout(min_height="1.6em"))
        self.controls: dict[str, widgets.Widget] = {}

    def refresh(self, _change: object = None) -> None:
        """Draw anew from the controls; whatever goes wrong is shown in the panel."""
        with self._lock:
            try:
                self._draw()
                self.fault.value = ""
            except InputFault as fault:
                self.fault.value = _sentence(" ".join(fault.faults))
            except Exception as error:  # an exception in a callback would otherwise show nowhere
                self.fault.value = _sentence(f"This can't be drawn ({type(error).__name__}: {error}).")

    def _draw(self) -> None:
        raise NotImplementedError

    def _watch(self) -> None:
        for control in self.controls.values():
            control.observe(self.refresh, names="value")

    def _column(self) -> widgets.VBox:
        return widgets.VBox([*self.controls.values(), self.fault], layout=widgets.Layout(width="24em"))


def _sentence(text: str) -> str:
    return f'<p role="alert"><b>Mind:</b> {html.escape(text)}</p>'


class Choose(Panel):
    """A machine's figures and wishes beside its ladder chart, table and reasons.

    `machine` is a machine file or a `Machine`; `log` an optional tidy log to hold against the ladder.
    """

    def __init__(self, machine: str | Path | Machine, *, log: Log | None = None) -> None:
        super().__init__()
        self.machine = machine if isinstance(machine, Machine) else read_machine(machine)
        self.log = log
        self.answer: Suggestion | None = None
        self.picture = Picture(label="ladder chart")
        self.words = widgets.HTML()
        self.controls = self._make_controls()
        self._watch()
        self.refresh()
        right = widgets.VBox([self.picture.widget, self.words])
        self.view = widgets.HBox([self._column(), right], layout=widgets.Layout(flex_flow="row wrap"))

    def _make_controls(self) -> dict[str, widgets.Widget]:
        machine, unit = self.machine, self.machine.show_in
        wishes = _plain_choices(in_unit(finest_wish(machine), unit))
        rungs = [("as few as serve", 0), *((str(n), n) for n in range(1, machine.selector.positions + 1))]
        steady = max(1, round(machine.knob.steady_detents_s))
        every = round(1000 * machine.link.report_interval_s)
        return {
            "finest": widgets.SelectionSlider(
                options=[(f"{say_number(v)} {unit}", v) for v in wishes], description="finest wish", style=_WIDE,
                value=min(wishes, key=lambda v: abs(v - in_unit(finest_wish(machine), unit))),
            ),
            "rungs": widgets.SelectionSlider(options=rungs, value=0, description="rungs", style=_WIDE),
            "series": widgets.Dropdown(options=SERIES_NAMES, value="plain", description="number series", style=_WIDE),
            "steady": widgets.IntSlider(
                value=steady, min=1, max=max(4 * steady, 10), description="steady (detents/s)", style=_WIDE
            ),
            "report": widgets.IntSlider(
                value=every, min=1, max=max(200, every), description="report every (ms)", style=_WIDE
            ),
        }  # fmt: skip

    def changed_machine(self) -> Machine:
        """The machine as the controls now stand."""
        values = {name: control.value for name, control in self.controls.items()}
        return with_wishes(
            self.machine,
            finest_mm=from_unit(values["finest"], self.machine.show_in),
            steady_detents_s=float(values["steady"]),
            report_interval_s=values["report"] / 1000,
        )

    def _draw(self) -> None:
        answer = suggest(
            self.changed_machine(), rungs=self.controls["rungs"].value or None, series=self.controls["series"].value
        )
        self.picture.draw(lambda ax: plot_ladder(ax, answer, log=self.log))
        self.words.value = _words(answer, self.log)
        self.answer = answer

    def _ipython_display_(self) -> None:
        from IPython.display import display

        display(self.view)  # type: ignore[no-untyped-call]


class WhichRung(Panel):
    """A goal's distance and tolerance beside the route down the ladder, and the controls side by side.

    `ladder` defaults to the suggested one.
    """

    def __init__(self, machine: str | Path | Machine, *, ladder: Ladder | None = None) -> None:
        super().__init__()
        self.machine = machine if isinstance(machine, Machine) else read_machine(machine)
        self.ladder = ladder or suggest(self.machine).ladder
        self.route = Picture(height_in=3.4, label="route down the ladder")
        self.sides = Picture(height_in=4.0, label="controls side by side")
        self._sides_show: tuple[str, float] | None = None
        self.controls = self._make_controls()
        self._watch()
        self.refresh()
        right = widgets.VBox([self.route.widget, self.sides.widget])
        self.view = widgets.HBox([self._column(), right], layout=widgets.Layout(flex_flow="row wrap"))

    def _make_controls(self) -> dict[str, widgets.Widget]:
        axis, unit = self.machine.axes[0], self.machine.shown_unit(self.machine.axes[0])
        finest = plain_at_least(in_unit(axis.finest_mm, unit))
        widths = [finest]
        while len(widths) < 10:
            widths.append(_next_plain(widths[-1]))
        ways = [_next_plain(finest)]
        while ways[-1] < in_unit(Fraction(axis.reach_mm), unit) / 3:
            ways.append(_next_plain(ways[-1]))
        return {
            "axis": widgets.Dropdown(options=[a.name for a in self.machine.axes], description="axis", style=_WIDE),
            "distance": _slider(ways, ways[-2], "distance", unit),
            "tolerance": _slider(widths, widths[3], "within (whole width)", unit),
        }

    def _draw(self) -> None:
        axis = self.machine.axis(self.controls["axis"].value)
        unit = self.machine.shown_unit(axis)
        far, wide = (float(from_unit(self.controls[name].value, unit)) for name in ("distance", "tolerance"))
        if wide > far:
            raise InputFault("tolerance", ["The tolerance is wider than the distance: there is nothing to do."])
        task = Task(name="this goal", axis=axis.name, distance_mm=far, tolerance_mm=wide, cue="eye")
        controls = controls_of(self.machine, self.ladder, axis.name)
        self.route.draw(lambda ax: plot_route(ax, self.machine, self.ladder, task))
        if self._sides_show != (axis.name, wide):  # the slower picture, which distance does not change
            self.sides.draw(lambda ax: plot_controls(ax, self.machine, controls, axis.name, wide))
            self._sides_show = (axis.name, wide)

    def _ipython_display_(self) -> None:
        from IPython.display import display

        display(self.view)  # type: ignore[no-untyped-call]


def _slider(values: list[Fraction], value: Fraction, text: str, unit: str) -> widgets.SelectionSlider:
    options = [(f"{say_number(v)} {unit}", v) for v in values]
    return widgets.SelectionSlider(options=options, value=value, description=text, style=_WIDE)


def _plain_choices(middle: Fraction) -> list[Fraction]:
    lowest = plain_at_most(middle / 20)
    values = [lowest]
    while len(values) < 10:
        values.append(_next_plain(values[-1]))
    return sorted({*values, middle})


def _next_plain(number: Fraction) -> Fraction:
    return plain_at_least(number * Fraction(3, 2))


def _words(answer: Suggestion, log: Log | None) -> str:
    parts = [f"<p><b>{html.escape(headline(answer))}</b></p>", _as_html(ladder_table(answer))]
    parts.append(_bullets([*answer.rung_reasons, *answer.reasons[1:], *answer.given_up]))
    if log is not None:
        parts.append(f"<p>{html.escape(log_sentence(log))}</p>" + _as_html(log_table(answer, log)))
    parts.append("<details><summary>Cautions</summary>" + _bullets(list(answer.cautions)) + "</details>")
    return "".join(parts)


def _as_html(frame: Any) -> str:
    return str(frame.to_html(index=False, border=0, escape=True))


def _bullets(lines: list[str]) -> str:
    return "<ul>" + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ul>"


__all__ = ["Choose", "Panel", "Picture", "WhichRung"]
