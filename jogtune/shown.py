"""How a result shows itself; the one file that looks up, to words, charts and hand_over, when asked."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_REPR_LINES = 12


@dataclass(frozen=True, kw_only=True)
class _Face:
    """Where a kind of result gets its words, its chart and its JSON content from: "room.file:function"."""

    answer: str
    why: str
    cautions: str
    data: str
    charts: dict[str, str]
    brief: str = ""


_FACES = {
    "Suggestion": _Face(
        answer="words.answer:answer_text", why="words.answer:why_text", cautions="words.answer:cautions",
        data="hand_over.data:suggestion_to_dict", brief="words.answer:brief_text",
        charts={"ladder": "charts.ladder:plot_ladder", "speed": "charts.speed:plot_speed"},
    ),
}  # fmt: skip


def _call(place: str, *given: Any, **more: Any) -> Any:
    module, _, name = place.partition(":")
    return getattr(import_module(f".{module}", __package__), name)(*given, **more)


class Shown:
    """What every result can do: say itself in a few lines, in full, as HTML, as a chart, as JSON."""

    @property
    def _face(self) -> _Face:
        return _FACES[type(self).__name__]

    def __str__(self) -> str:
        """The answer in one breath."""
        return str(_call(self._face.answer, self)).rstrip("\n")

    def __repr__(self) -> str:
        """The answer in at most twelve lines."""
        lines = [line for line in str(_call(self._face.brief or self._face.answer, self)).splitlines() if line.strip()]
        more = "why and cautions: .explain()   numbers: .table   chart: .plot()"
        return "\n".join([*lines[: MOST_REPR_LINES - 1], more])

    def explain(self) -> str:
        """The answer, why it is so, and every caution, as text."""
        told = "\n".join(["Cautions", *(f"  - {text}" for text in _call(self._face.cautions, self))])
        return "\n\n".join([str(self), str(_call(self._face.why, self)).rstrip("\n"), told])

    def plot(self, ax: Axes | None = None, kind: str | None = None) -> Axes:
        """The chart of the result, on `ax` where one is given; `kind` where there is more than one (the first is drawn)."""
        if ax is None:
            from .charts.ink import new_figure

            ax = new_figure().add_subplot()
        charts = self._face.charts
        if kind is not None and kind not in charts:
            raise ValueError(f"kind = {kind!r}: must be one of {', '.join(charts)}")
        drawn: Axes = _call(charts[kind or next(iter(charts))], ax, self)
        return drawn

    def to_json(self) -> str:
        """Everything as JSON text."""
        return str(_call("hand_over.data:to_json", _call(self._face.data, self)))

    def _repr_html_(self) -> str:
        """For a notebook: the answer, the table, the cautions open, the rest folded."""
        texts = {"cautions": _call(self._face.cautions, self), "why": _call(self._face.why, self)}
        return str(_call("words.html:result_html", self, **texts))
