"""How results show themselves; looks up."""

from __future__ import annotations

import re
from collections.abc import Sequence
from importlib import import_module
from inspect import signature
from typing import TYPE_CHECKING, Any

from .notes import Severity
from .signs import visible

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MOST_REPR_LINES = 12

_FACES = {
    "Suggestion": ("words.answer:SUGGESTION", {"ladder": "ladder:plot_ladder", "speed": "ladder:plot_speed",
                                               "rungs": "pictures:plot_rungs", "race": "pictures:plot_race",
                                               "parts": "pictures:plot_parts", "ruler": "pictures:plot_ruler"}),
    "Log": ("words.logs:LOG", {"turning": "logs:plot_turning", "replay": "logs:plot_replay"}),
    "Measured": ("words.measured:MEASURED", {"turn rates": "logs:plot_turn_rates"}),
    "Comparison": ("words.compare:COMPARISON", {"times": "compare:plot_times", "differences": "compare:plot_differences",
                                                "predicted": "compare:plot_predicted"}),
    "_Since": ("words.compare:SINCE", {}),
    "_ManyMeasured": ("words.compare:MANY", {}),
    "ClassResult": ("words.compare:CLASS", {"differences": "compare:plot_differences", "people": "compare:plot_people"}),
    "Diagnosis": ("words.measured:DIAGNOSIS", {"causes": "compare:plot_causes"}),
    "_Checked": ("words.measured:CHECKED", {}),
    "HandFit": ("words.measured:FIT", {"figures": "hand:plot_fit"}),
}  # fmt: skip
"""Kind of result -> where it is told, layer by layer; its charts, the first the usual."""


def _found(place: str) -> Any:
    """What stands at a place, "room.file:name"."""
    module, _, name = place.partition(":")
    return getattr(import_module(f".{module}", __package__), name)


def _call(function: Any, found: Any, **beside: Any) -> Any:
    """Of what is beside the result a function gets what it takes."""
    takes = signature(function).parameters
    return function(found, **{key: value for key, value in beside.items() if key in takes and value is not None})


class Shown:
    """What every result can do: say itself in a few lines, in full, as HTML, as a chart, as JSON."""

    @property
    def _face(self) -> Any:
        return _found(_FACES[type(self).__name__][0])

    def _said(self, layer: str, **beside: Any) -> str:
        if layer == "cautions":
            texts = _found("words.speak:spoken_cautions")(self.notes)  # type: ignore[attr-defined]
            return visible("\n".join(["Cautions", *(f"  - {text}" for text in texts)]))
        return visible(str(_call(self._face[layer], self, **beside)).rstrip("\n"))

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
        told = self._said("brief") if "brief" in self._face else self._answer()
        lines = [line for line in told.splitlines() if line.strip()]
        more = "why and cautions: .explain()   numbers: .table   chart: .plot()"
        return "\n".join([*lines[: _MOST_REPR_LINES - 1], more])

    def explain(self) -> str:
        """The answer, why it is so, and every caution, as text."""
        grave = any(note.severity >= Severity.CAUTION for note in self.notes)  # type: ignore[attr-defined]
        return f"{self._answer()}\n\n{self.told(['why', *['cautions'] * grave])}"

    def plot(self, ax: Axes | None = None, kind: str | None = None, **beside: Any) -> Axes:
        """The chart of the result, on `ax` where one is given; `kind` where there is more than one (the first is drawn).

        `beside` is what else a chart takes: the ladder a log, a replay its machine."""
        charts = _FACES[type(self).__name__][1]
        if (kind is not None or not charts) and kind not in charts:
            raise ValueError(f"kind = {kind!r}: must be one of {', '.join(charts) or 'none'}")
        if ax is None:
            from matplotlib import pyplot

            ax = pyplot.figure(figsize=(9.0, 5.4), layout="constrained").add_subplot()
        drawn: Axes = _found(f"charts.{charts[kind or next(iter(charts))]}")(ax, self, **beside)
        return drawn

    def to_json(self, **beside: Any) -> str:
        """Everything as JSON text."""
        content = self._face.get("json") or _found("hand_over.data:suggestion_to_dict")
        return str(_found("hand_over.data:to_json")(_call(content, self, **beside)))

    def _repr_html_(self) -> str:
        """For a notebook: the answer, the cautions open, why and the table folded."""
        return str(_found("words.html:result_html")(self, answer=self._answer(), why=self._said("why")))
