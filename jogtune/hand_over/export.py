"""export(): a row per kind."""

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..bench.commission import Commissioning
from ..bench.readings import readings_template
from ..choose.suggest import Suggestion
from ..files import Fault, InputFault, checked_path, refuse_existing, write_set
from ..machine.model import Machine
from ..screen.page import knob_page
from ..words.answer import cautions, given_up, reasons, rung_reasons
from ..words.tables import as_markdown, escaped, for_people
from .data import _checks_to_csv, _suggestion_to_csv, suggestion_to_dict, to_json
from .header import _example_loop, _suggestion_to_header
from .moves import _suggestion_to_moves

_Asked = Mapping[str, str | Path]
"""Kind of file -> where it is to be; and what is asked of the knob's page."""


def export(result: Suggestion, path: str | Path, kind: str | None = None, *, overwrite: bool = False) -> Path:
    """Write a suggestion as one file, whole or not at all; returns its path.

    `kind` is a key of `KINDS`; without it the name's ending tells: .h, .json, .csv, .md or .html. An existing file is kept
    unless `overwrite` is set. Every fault is an `InputFault`."""
    return export_all(result, {kind or _kind_of(checked_path(path)): path}, overwrite=overwrite)[0]


def export_all(result: Suggestion, asked: _Asked, *, overwrite: bool = False, **knob: Any) -> list[Path]:
    """Write several kinds of files, all of them or none; returns the paths. `knob` is for the knob's page: `other` is a ladder to
    compare, and what `plan_sitting` takes."""
    check_export(asked, result.machine, overwrite=overwrite)
    return write_set({path: KINDS[kind].make(result, {**asked, **knob}) for kind, path in asked.items()}, overwrite=overwrite)


def check_export(asked: _Asked, machine: Machine, *, overwrite: bool = False) -> None:
    """Raise an `InputFault` with every reason not to write that can be known before anything is drawn."""
    places = [os.path.realpath(checked_path(path)) for path in asked.values()]
    faults = [Fault(place, rule="is named twice", cure="give each its own")
              for place in sorted({place for place in places if places.count(place) > 1})]  # fmt: skip
    for kind, path in asked.items():
        if kind not in KINDS:
            raise InputFault("export", [Fault("kind", kind, f"must be one of {', '.join(KINDS)}")])
        faults += _name_faults(kind, Path(path), machine)
    if faults:
        raise InputFault("export", faults)
    refuse_existing(map(Path, asked.values()), overwrite=overwrite)


def _name_faults(kind: str, path: Path, machine: Machine) -> list[Fault]:
    if kind == "header" and set(path.name) & set('"\\\n'):
        return [Fault("", path.name, "no #include can name it", "leave out quotation marks and backslashes")]
    if KINDS[kind].paper and path.suffix.lower() not in KINDS[kind].endings:
        return [Fault(str(path), rule=f"must end in {' or '.join(KINDS[kind].endings)}", cure="rename it")]
    if kind == "card" and path.suffix.lower() == ".svg":
        from .card import _AXES_PER_CARD

        if (count := len(machine.axes)) > _AXES_PER_CARD:
            return [Fault(str(path), rule=f"an .svg holds one page, and {count} axes take more", cure="write a .pdf")]
    return []


def _kind_of(path: Path) -> str:
    found = {ending: kind for kind, row in KINDS.items() if not row.paper for ending in row.endings}
    if path.suffix.lower() not in found:
        raise InputFault(str(path), [Fault("kind", rule="is not told by this name", cure=f"name one of {', '.join(KINDS)}")])
    return found[path.suffix.lower()]


def _drawn(kind: str) -> Callable[[Suggestion, _Asked], bytes]:
    """What draws a kind of paper; matplotlib is loaded only then."""

    def draw(answer: Suggestion, asked: _Asked) -> bytes:
        from .card import _draw_cards
        from .commission import _draw_commissioning
        from .legend import _draw_legend
        from .paper import _page_bytes
        from .sheet import _draw_sheets

        of, readings = (answer.machine, answer.ladder), Path(asked["readings"]).name if "readings" in asked else None
        figures = {"legend": lambda: [_draw_legend(*of)], "card": lambda: _draw_cards(*of),
                   "sheet": lambda: _draw_sheets(*of, readings),
                   "commissioning": lambda: _draw_commissioning(Commissioning.of(*of))}[kind]()  # fmt: skip
        return _page_bytes(figures, Path(asked[kind]).suffix.lower().removeprefix("."))

    return draw


def _suggestion_to_markdown(answer: Suggestion) -> str:
    """A suggestion as Markdown: one table row per rung and axis, then why, what was given up, and the cautions."""
    columns = ("position", "multiplier", "gain", "axis", "steps", "turns_to_cross")
    lines = [f"# Ladder of {escaped(answer.machine.name)}", "", as_markdown(for_people(answer.rows, columns))]
    why = [*rung_reasons(answer), *reasons(answer)]
    for title, texts in {"Why": why, "Given up": given_up(answer), "Cautions": cautions(answer)}.items():
        if texts:
            lines += ["", f"## {title}", "", *(f"- {escaped(text)}" for text in texts)]
    return "\n".join(lines) + "\n"


def _page(answer: Suggestion, asked: _Asked) -> str:
    from .page import _render_page

    return _render_page(answer)


def _knob(answer: Suggestion, asked: Mapping[str, Any]) -> str:
    options = {name: asked[name] for name in ("axis", "person", "number", "blind") if name in asked}
    return knob_page(answer.machine, answer.ladder, *([asked["other"]] if asked.get("other") else []), **options)


@dataclass(frozen=True)
class _Kind:
    """A kind of file: what it is, how its name may end, who makes it; only `paper` must end so."""

    what: str
    endings: tuple[str, ...]
    make: Callable[[Suggestion, _Asked], str | bytes]
    paper: bool = False


KINDS = {
    "header": _Kind("C header (C99 and C++11) of the ladder", (".h",), lambda answer, _: _suggestion_to_header(answer)),
    "moves": _Kind("relative moves (ISO 6983) to try each rung at a reduced feed", (),
                  lambda answer, _: _suggestion_to_moves(answer)),
    "example": _Kind("example of firmware in C that uses the header", (".c",), lambda _, asked: _example_loop(
        Path(asked.get("header", "ladder.h")).name)),
    "legend": _Kind("printable legend of the selector, true to scale (.svg or .pdf)", (".svg", ".pdf"), _drawn("legend"),
                   paper=True),
    "card": _Kind("pocket card (.svg or .pdf)", (".svg", ".pdf"), _drawn("card"), paper=True),
    "sheet": _Kind("bench sheet for a dial indicator, a page per axis (.pdf)", (".pdf",), _drawn("sheet"), paper=True),
    "readings": _Kind("table (.csv) to type the bench readings into", (),
                     lambda answer, _: readings_template(answer.machine, answer.ladder)),
    "commissioning": _Kind("sheet of tests for the built machine (.pdf)", (".pdf",), _drawn("commissioning"), paper=True),
    "checks": _Kind("table (.csv) to type what the tests show into", (),
                   lambda answer, _: _checks_to_csv(Commissioning.of(answer.machine, answer.ladder))),
    "markdown": _Kind("the ladder as a Markdown table", (".md",), lambda answer, _: _suggestion_to_markdown(answer)),
    "json": _Kind("everything about the ladder as JSON", (".json",), lambda answer, _: to_json(suggestion_to_dict(answer))),
    "csv": _Kind("the ladder for a spreadsheet, a row per rung and axis, then stick and buttons", (".csv",),
                lambda answer, _: _suggestion_to_csv(answer)),
    "knob": _Kind("the on-screen knob as one page for any browser, a phone's too (.html)", (), _knob),
    "page": _Kind("one self-contained HTML page", (".html",), _page),
}  # fmt: skip
"""What can be written; `jogtune export` has an option for each but the page."""
