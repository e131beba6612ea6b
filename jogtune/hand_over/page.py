"""One self-contained HTML page."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from importlib import metadata, resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2

from .. import __version__
from ..charts.burst import draw_responses
from ..charts.ink import figure_png, figure_svg, inline_svg
from ..charts.ladder import draw_ladder, resolution_words
from ..charts.speed import draw_speed
from ..files import InputFault, refuse_existing, write_whole
from ..machine.odd import odd_figures
from ..words.against_log import log_findings, log_sentence, log_table
from ..words.answer import cautions, given_up, headline, measure_next, reasons, rung_reasons, task_table
from ..words.heads import TABLE, for_people, meanings
from ..words.speak import spoken
from .data import suggestion_to_csv, suggestion_to_dict, to_json

if TYPE_CHECKING:
    import pandas as pd

    from ..choose.suggest import Suggestion
    from ..logs.log import Log

FILES = (
    "ladder.html", "ladder_chart.png", "ladder_chart.svg", "speed_chart.png", "speed_chart.svg",
    "response_chart.png", "response_chart.svg", "ladder.csv", "ladder.json",
)  # fmt: skip


def write_folder(
    answer: Suggestion,
    folder: Path,
    *,
    log: Log | None = None,
    inputs: Mapping[str, str | None] | None = None,
    command: str | None = None,
    overwrite: bool = False,
) -> list[Path]:
    """Write page, charts (PNG and SVG), CSV and JSON into a folder; returns the paths.

    Every file is written whole or not at all; none there already is replaced unless `overwrite` is set.
    """
    charts = {"ladder": draw_ladder(answer, log=log), "speed": draw_speed(answer), "response": draw_responses(answer)}
    contents: dict[str, str | bytes] = {"ladder.html": render_page(answer, log=log, inputs=inputs, command=command)}
    for name, figure in charts.items():
        contents[f"{name}_chart.png"] = figure_png(figure)
        contents[f"{name}_chart.svg"] = figure_svg(figure, name=name)
    contents["ladder.csv"] = suggestion_to_csv(answer)
    contents["ladder.json"] = to_json(suggestion_to_dict(answer))
    check_folder(folder, overwrite=overwrite)
    return [
        write_whole(folder / name, content, overwrite=overwrite, make_folder=True) for name, content in contents.items()
    ]


def check_folder(folder: Path, *, overwrite: bool = False) -> None:
    """Refuse a folder that can't be one, or that holds files of `write_folder` already; before any long work.

    Raises `InputFault`.
    """
    above = next(place for place in (folder, *folder.parents) if place.exists())
    if not above.is_dir():
        raise InputFault(str(folder), [f"{above} is no folder: choose another name"])
    refuse_existing([folder / name for name in FILES], overwrite=overwrite)


def render_page(
    answer: Suggestion,
    *,
    log: Log | None = None,
    inputs: Mapping[str, str | None] | None = None,
    command: str | None = None,
) -> str:
    """The self-contained HTML page of a suggestion; every text from a file is escaped.

    `inputs` (what it is -> path) and `command` say at its foot how to make the page again.
    """
    template = _environment().get_template("page.html")
    return template.render(**_page_content(answer, log, inputs or {}), command=command)


def _environment() -> jinja2.Environment:
    source = resources.files("jogtune.hand_over").joinpath("page.html").read_text(encoding="utf-8")
    loader = jinja2.DictLoader({"page.html": source})
    return jinja2.Environment(loader=loader, autoescape=True, undefined=jinja2.StrictUndefined)


def _page_content(answer: Suggestion, log: Log | None, inputs: Mapping[str, str | None]) -> dict[str, Any]:
    sentence = headline(answer)
    return {
        "title": f"{answer.machine.name}: a ladder for the hand control",
        "machine": answer.machine,
        "question": _question(answer),
        "headline": sentence,
        "log": log,
        "log_sentence": None if log is None else log_sentence(log, answer.machine),
        "ladder_svg": inline_svg(draw_ladder(answer, log=log), name="ladder", label=f"Ladder chart. {sentence}"),
        "response_svg": inline_svg(
            draw_responses(answer), name="response", label="Response chart: hand, target and axis over time, per rung."
        ),
        "speed_svg": inline_svg(draw_speed(answer), name="speed", label="Speed chart: axis speed by turn rate."),
        "tables": list(_tables(answer, log)),
        "sections": _sections(answer, log),
        "habits": " ".join(meanings()),
        "cautions": cautions(answer),
        "inputs": _input_rows(inputs),
        "versions": _versions(),
    }


def _versions() -> str:
    names = ("numpy", "pandas", "scipy", "matplotlib")
    return ", ".join([f"jogtune {__version__}", *(f"{name} {metadata.version(name)}" for name in names)])


def _question(answer: Suggestion) -> str:
    machine = answer.machine
    axes = ", ".join(axis.name for axis in machine.axes)
    knob = machine.knob
    return (
        f"A knob of {knob.detents_per_turn} clicks a turn and a selector of {machine.selector.positions} positions "
        f"move the axes {axes}. Which distances per click make fine work possible and long ways short?"
    )


def _sections(answer: Suggestion, log: Log | None) -> list[dict[str, Any]]:
    sections = [
        {"title": "Why these", "lines": [*rung_reasons(answer), *reasons(answer)]},
        {"title": "What was given up", "lines": given_up(answer) or ["Nothing."]},
        {"title": "The finest that can be told", "lines": resolution_words(answer)},
    ]
    if log is not None:
        title = "What the log showed" + (" (simulated)" if log.simulated else "")
        sections.append({"title": title, "lines": log_findings(answer.machine, log)})
    remarks = spoken(odd_figures(answer.machine))
    if remarks:
        sections.append({"title": "Look at these twice", "lines": remarks})
    return [*sections, {"title": "What to measure next", "lines": measure_next(answer, log)}]


def _tables(answer: Suggestion, log: Log | None) -> Any:
    for axis in answer.machine.axes:
        yield _axis_table(answer, axis.name)
    if answer.search is not None:
        yield _from_frame("What each task takes, and on which rungs", task_table(answer))
        yield _from_frame("Ladders as good as this one, the plainest first", answer.tables["near"])
        yield _from_frame("How many rungs are worth having", answer.tables["counts"])
    if log is not None:
        kind = " (simulated log)" if log.simulated else ""
        yield _from_frame(f"Share of the log's turning that would outrun each axis{kind}", log_table(answer, log))


def _axis_table(answer: Suggestion, name: str) -> dict[str, Any]:
    columns = ("multiplier", *(column for column in TABLE if column != "axis"), "mind")
    heads, *rows = for_people([row for row in answer.rows if row.axis == name], columns)
    return {"caption": f"Axis {name}", "columns": heads, "rows": rows}


def _from_frame(caption: str, frame: pd.DataFrame) -> dict[str, Any]:
    rows = frame.astype(object).to_numpy().tolist()
    return {"caption": caption, "columns": list(frame.columns), "rows": rows}


def _input_rows(inputs: Mapping[str, str | None]) -> list[tuple[str, str]]:
    rows = []
    for name, path in inputs.items():
        if path is not None:
            digest = hashlib.sha256(Path(path).read_bytes()).hexdigest()[:16]
            rows.append((name, f"{path} (SHA-256 {digest}…)"))
    return rows
