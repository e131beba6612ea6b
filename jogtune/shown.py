"""How results show themselves; looks up."""

from __future__ import annotations

import re
from collections.abc import Sequence
from importlib import import_module
from inspect import signature
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_REPR_LINES = 12


_FACES = {
    "Suggestion": ("words.answer:{}_text", "hand_over.data:suggestion_to_dict",
                   {"ladder": "ladder:plot_ladder", "speed": "ladder:plot_speed", "rungs": "hand:plot_worth"}),
    "Log": ("words.logs:log_{}", "words.logs:log_json", {"turning": "logs:plot_turning", "replay": "logs:plot_replay"}),
    "Measured": ("words.measured:measured_{}", "words.measured:measured_json", {"turn rates": "logs:plot_turn_rates"}),
    "Comparison": ("words.compare:comparison_{}", "words.compare:comparison_json",
                   {"times": "compare:plot_times", "differences": "compare:plot_differences",
                    "predicted": "compare:plot_predicted"}),
    "ClassResult": ("words.compare:class_{}", "words.compare:class_json", {"differences": "compare:plot_differences"}),
    "Diagnosis": ("words.measured:diagnosis_{}", "words.measured:diagnosis_json", {"causes": "compare:plot_causes"}),
    "HandFit": ("words.measured:fit_{}", "words.measured:fit_json", {"figures": "hand:plot_fit"}),
}  # fmt: skip
"""Kind of result -> its words by layer (answer, why, table), its JSON content, its charts, the first the usual."""


def _call(place: str, found: Any, **beside: Any) -> Any:
    """A function by its place, "room.file:name"; of what is beside the result it gets what it takes."""
    module, _, name = place.partition(":")
    function = getattr(import_module(f".{module}", __package__), name)
    takes = signature(function).parameters
    return function(found, **{key: value for key, value in beside.items() if key in takes and value is not None})


class Shown:
    """What every result can do: say itself in a few lines, in full, as HTML, as a chart, as JSON."""

    def _said(self, layer: str, **beside: Any) -> str:
        if layer == "cautions":
            texts = _call("words.speak:spoken_cautions", self.notes)  # type: ignore[attr-defined]
            return "\n".join(["Cautions", *(f"  - {text}" for text in texts)])
        return str(_call(_FACES[type(self).__name__][0].format(layer), self, **beside)).rstrip("\n")

    def told(self, layers: Sequence[str] = (), **beside: Any) -> str:
        """The answer as text, or the layers asked for: "why", "table", "cautions"."""
        return "\n\n".join(self._said(layer, **beside) for layer in layers or ("answer",))

    def __str__(self) -> str:
        return self.told()

    def _answer(self) -> str:
        """The answer without its last line, which names what a terminal can type next."""
        return re.sub(r"\s*\bMore: --.*", "", self.told(), flags=re.DOTALL)

    def __repr__(self) -> str:
        """The answer in at most twelve lines."""
        told = self._said("brief") if type(self).__name__ == "Suggestion" else self._answer()
        lines = [line for line in told.splitlines() if line.strip()]
        more = "why and cautions: .explain()   numbers: .table   chart: .plot()"
        return "\n".join([*lines[: MOST_REPR_LINES - 1], more])

    def explain(self) -> str:
        """The answer, why it is so, and every caution, as text."""
        return f"{self._answer()}\n\n{self.told(('why', 'cautions'))}"

    def plot(self, ax: Axes | None = None, kind: str | None = None, **beside: Any) -> Axes:
        """The chart of the result, on `ax` where one is given; `kind` where there is more than one (the first is drawn).

        `beside` is what else a chart takes: the ladder a log, a replay its machine."""
        charts = _FACES[type(self).__name__][2]
        if kind is not None and kind not in charts:
            raise ValueError(f"kind = {kind!r}: must be one of {', '.join(charts)}")
        if ax is None:
            from matplotlib import pyplot

            ax = pyplot.figure(figsize=(9.0, 5.4), layout="constrained").add_subplot()
        module, _, name = charts[kind or next(iter(charts))].partition(":")
        drawn: Axes = getattr(import_module(f".charts.{module}", __package__), name)(ax, self, **beside)
        return drawn

    def to_json(self, **beside: Any) -> str:
        """Everything as JSON text."""
        return str(_call("hand_over.data:to_json", _call(_FACES[type(self).__name__][1], self, **beside)))

    def _repr_html_(self) -> str:
        """For a notebook: the answer, the cautions open, why and the table folded."""
        return str(_call("words.html:result_html", self, answer=self._answer(), why=self._said("why")))
