"""The HTML page."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from importlib import metadata, resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2
import markupsafe

from .. import __version__
from ..charts.burst import draw_responses
from ..charts.ink import figure_png, figure_svg, inline_svg
from ..charts.ladder import draw_ladder, draw_speed
from ..charts.pictures import draw_picture
from ..files import Fault, InputFault, refuse_existing, write_set
from ..notes import Severity
from ..signs import visible
from ..words.answer import SAFETY, breath, given_up, headline, measure_next, reasons, rung_reasons, task_table
from ..words.logs import log_findings, log_sentence, outrun_table
from ..words.short import resolution_words
from ..words.speak import spoken
from ..words.tables import TABLE, Table, for_people, meanings, of_frame
from .data import _suggestion_to_csv, suggestion_to_dict, to_json
from .table import _settings_table

if TYPE_CHECKING:
    from ..choose.suggest import Suggestion
    from ..logs.log import Log

_CHARTS = ("ladder", "speed", "response")
_PICTURES = {
    "race": "The race: two ladders to the same goal", "parts": "Where the time of each task goes",
    "rungs": "Time against number of rungs, with every ladder", "ruler": "One click beside small things",
}  # fmt: skip
"""What the page shows beside the charts, and its heading."""
_FILES = ("ladder.html", *(f"{name}_chart.{kind}" for name in _CHARTS for kind in ("png", "svg")), "ladder.csv", "ladder.json")
_WIDE_IN, _NARROW_IN = 7.8, 3.9  # so that text is 9 px or more on a page 700 and 340 px wide
_CAPTIONS = {
    "ladder": "Each stem is a rung. Where a rung lies left of an axis' line at the hand's turn rate, the axis keeps up with the "
    "hand; above the line it can't.",
    "speed": "A line that meets the ceiling goes no faster however fast the hand turns.",
    "race": "When no more than that is left to go, by the model: A is this ladder, B a better one or a habit. Where no hand was "
    "measured the times are of start values.",
    "parts": "A row per position that serves; the first also holds the way of the hand to the knob.",
    "rungs": "A dot is a ladder, the time a mean over the tasks; of columns a dot is one column's, beside the best of the others.",
    "ruler": "Where two lie side by side, one click is as long as that thing.",
    "response": "By the model, with every click finished. What is shaded the axis still travels after the hand's last click.",
}
_FRAMES = {"near": "Ladders as good as this one, the plainest first", "counts": "How many rungs are worth having"}
_BARS = " The bars on the right are the turning in the log{}."


def write_folder(
    answer: Suggestion, folder: Path, *, log: Log | None = None, inputs: Mapping[str, str | None] | None = None,
    command: str | None = None, overwrite: bool = False,
) -> list[Path]:  # fmt: skip
    """Write page, charts (PNG and SVG), CSV and JSON into a folder; returns the paths.

    All of them or none; none there already is replaced unless `overwrite` is set."""
    contents: dict[str, str | bytes] = {"ladder.html": _render_page(answer, log=log, inputs=inputs, command=command)}
    for name in _CHARTS:
        figure = _draw(name, answer, log)
        contents[f"{name}_chart.png"] = figure_png(figure)
        contents[f"{name}_chart.svg"] = figure_svg(figure, name=name)
    contents["ladder.csv"] = _suggestion_to_csv(answer)
    contents["ladder.json"] = to_json(suggestion_to_dict(answer))
    check_folder(folder, overwrite=overwrite)
    return write_set({folder / name: content for name, content in contents.items()}, overwrite=overwrite, make_folder=True)


def check_folder(folder: Path, *, overwrite: bool = False) -> None:
    """Refuse a folder that can't be one, or that holds files of `write_folder` already; before any long work.

    Raises `InputFault`."""
    above = next(place for place in (folder, *folder.parents) if os.path.exists(place) or place == Path())
    if not above.is_dir():
        raise InputFault(str(folder), [Fault(str(above), rule="is no folder", cure="choose another name")])
    refuse_existing([folder / name for name in _FILES], overwrite=overwrite)


def _render_page(
    answer: Suggestion, *, log: Log | None = None, inputs: Mapping[str, str | None] | None = None, command: str | None = None,
) -> str:  # fmt: skip
    """The self-contained HTML page of a suggestion; every text from a file is escaped.

    `inputs` (what it is -> path) and `command` say at its foot how to make the page again."""
    source = resources.files("jogtune.hand_over").joinpath("page.html").read_text(encoding="utf-8")
    template = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined).from_string(source)
    return visible(template.render(**_page_content(answer, log), inputs=_inputs(inputs or {}), command=command))


def _page_content(answer: Suggestion, log: Log | None) -> dict[str, Any]:
    found = breath(answer)
    said = [found.good, found.worth, found.firmware, SAFETY, "" if log is None else log_sentence(log, answer.machine)]
    cautions = sorted((n for n in answer.notes if n.severity >= Severity.CAUTION), key=lambda note: -note.severity)
    own = [note for note in cautions if note.where.axes or note.figures]
    versions = (f"{name} {metadata.version(name)}" for name in ("numpy", "pandas", "scipy", "matplotlib"))
    return {
        "answer": found, "said": [line for line in said if line], "chart": lambda name: _chart(name, answer, log),
        "pictures": {name: title for name, title in _PICTURES.items() if name in ("ruler", "parts") or answer.search},
        "own_cautions": spoken(own), "general_cautions": spoken(note for note in cautions if note not in own),
        "sections": list(_sections(answer, log)), "tables": list(_tables(answer, log)), "meanings": " ".join(meanings()),
        "versions": ", ".join([f"jogtune {__version__}", *versions]),
    }  # fmt: skip


def _draw(name: str, answer: Suggestion, log: Log | None, **size: float) -> Any:
    if name == "ladder":
        return draw_ladder(answer, log=log, **size)
    if name in _PICTURES:
        return draw_picture(answer, name, **size)
    return (draw_speed if name == "speed" else draw_responses)(answer, **size)


def _chart(name: str, answer: Suggestion, log: Log | None) -> markupsafe.Markup:
    """A chart twice, wide and narrow, of which the page shows the one that its width suits."""
    caption = _CAPTIONS[name]
    if name == "ladder" and answer.ladder.own:
        caption += f" With distances of its own, in the table: {', '.join(column.axis for column in answer.ladder.own)}."
    if name == "ladder" and log is not None:
        caption += _BARS.format(" (simulated)" if log.simulated else "")
    label = {"ladder": f"Ladder chart. {headline(answer)}", "speed": "Speed chart: axis speed by turn rate.",
             "response": "Response chart: hand, target and axis over time, per rung.", **_PICTURES}[name]  # fmt: skip
    drawn = [
        (kind, inline_svg(_draw(name, answer, log, width_in=width), name=f"{name}-{kind}", label=label))
        for kind, width in (("wide", _WIDE_IN), ("narrow", _NARROW_IN))
    ]
    divs = markupsafe.Markup("").join(markupsafe.Markup('<div class="{}">{}</div>').format(*one) for one in drawn)
    return markupsafe.Markup("<figure>{}<figcaption>{}</figcaption></figure>").format(divs, caption)


def _sections(answer: Suggestion, log: Log | None) -> Iterator[dict[str, Any]]:
    yield {"title": "Why these", "lines": [*rung_reasons(answer), *reasons(answer)]}
    yield {"title": "What was given up", "lines": given_up(answer) or ["Nothing."]}
    for touch in answer.touching:
        yield {"title": f"Touching off on {touch.axis}", "lines": spoken(touch.notes), "list": "ol"}
    yield {"title": "The finest that can be told", "lines": resolution_words(answer)}
    if log is not None:
        title = "What the log showed" + (" (simulated)" if log.simulated else "")
        yield {"title": title, "lines": log_findings(answer.machine, log)}
    yield {"title": "What to measure next", "lines": measure_next(answer, log)}


def _tables(answer: Suggestion, log: Log | None) -> Iterator[tuple[str, Table]]:
    for unit in dict.fromkeys(row.unit for row in answer.rows):
        rows = [row for row in answer.rows if row.unit == unit]
        yield f"Each rung on each axis, lengths in {unit}", for_people(rows, (*TABLE, "mind"))
    yield "What to set for each control; travel: clicks are lost when turned faster than kept", _settings_table(answer)
    if answer.search is not None:
        yield "What each task takes, and on which rungs", of_frame(task_table(answer))
        for name, caption in _FRAMES.items():
            yield caption, of_frame(answer.tables[name].rename(columns={"time_s": "a task on average (s)"}).round(2))
    if log is not None:
        kind = " (simulated log)" if log.simulated else ""
        yield f"Share of the log's turning that would outrun each axis{kind}", of_frame(outrun_table(answer, log))


def _inputs(inputs: Mapping[str, str | None]) -> list[str]:
    given = {f"{name}: {path}": Path(path).read_bytes() for name, path in inputs.items() if path is not None}
    return [f"{said} (SHA-256 {hashlib.sha256(content).hexdigest()[:16]}…)" for said, content in given.items()]
