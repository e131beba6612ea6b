"""The commands `jogtune export` and `jogtune readings`."""

from __future__ import annotations

import argparse
import dataclasses
import shlex
from collections.abc import Callable
from pathlib import Path

from .design.search import Suggestion, own_answer, suggest
from .files import InputFault, refuse_existing, write_whole
from .logs.ladder_option import parse_ladder
from .machine import Machine, read_machine

__all__: list[str] = []

Maker = Callable[[Suggestion, str, argparse.Namespace], str | bytes]  # suggestion, path, options -> content


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `jogtune export`."""
    parser.add_argument("machine", metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--rungs", type=int, metavar="N", help="exactly so many rungs (default: as few as serve)")
    parser.add_argument("--series", default="plain", metavar="NAME", help="number series, or your own: 1,4,20,100")
    parser.add_argument("--base", metavar='"0.01 mm"', help="the distance that ×1 stands for (default: derived)")
    parser.add_argument("--ladder", metavar="0.01,0.1,1", help="this ladder instead of the suggested one")
    for name, (what, _) in _MAKERS.items():
        parser.add_argument(f"--{name}", metavar="FILE", help=what)
    parser.add_argument("--overwrite", action="store_true", help="replace files that are there already")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Write every file asked for, or none of them where one can't be; prints their names."""
    asked = {name: getattr(options, name) for name in _MAKERS if getattr(options, name)}
    if not asked:
        names = ", ".join(f"--{name}" for name in _MAKERS)
        raise InputFault("jogtune export", [f"names no file to write: add one of {names}"])
    machine = read_machine(options.machine)
    _check_paths(asked, machine, overwrite=options.overwrite)
    if options.ladder is None:
        answer = suggest(machine, rungs=options.rungs, series=options.series, base=options.base)
    else:
        answer = own_answer(machine, parse_ladder(options.ladder, machine))
    made = {path: _MAKERS[name][1](answer, path, options) for name, path in asked.items()}
    for path, content in made.items():
        print(f"wrote {write_whole(path, content, overwrite=options.overwrite)}")
    return 0


def _check_paths(asked: dict[str, str], machine: Machine, *, overwrite: bool) -> None:
    """Every reason not to write that can be known before anything is drawn."""
    places = [Path(path).resolve() for path in asked.values()]
    twice = sorted({str(place) for place in places if places.count(place) > 1})
    if twice:
        raise InputFault("jogtune export", [f"{place} is named twice: give each its own" for place in twice])
    refuse_existing([Path(path) for path in asked.values()], overwrite=overwrite)
    if {"legend", "card", "sheet"} & asked.keys():
        from .show.dial import card_kind, page_kind

        for name, path in asked.items():
            kinds = {"legend": ("svg", "pdf"), "card": ("svg", "pdf"), "sheet": ("pdf",)}.get(name)
            if kinds:
                page_kind(path, kinds)
        if "card" in asked:
            card_kind(asked["card"], machine)


# ------------------------------------------------------------------ one maker per kind of file


def _header(answer: Suggestion, path: str, options: argparse.Namespace) -> str:
    from .export_header import machine_checksum, suggestion_to_header

    return suggestion_to_header(answer, checksum=machine_checksum(options.machine))


def _moves(answer: Suggestion, path: str, options: argparse.Namespace) -> str:
    from .export_moves import suggestion_to_moves

    return suggestion_to_moves(answer)


def _legend(answer: Suggestion, path: str, options: argparse.Namespace) -> bytes:
    from .show.dial import draw_legend, page_bytes, page_kind

    kind = page_kind(path)
    return page_bytes([draw_legend(answer.machine, answer.ladder)], kind)


def _card(answer: Suggestion, path: str, options: argparse.Namespace) -> bytes:
    from .show.dial import card_kind, draw_cards, page_bytes

    kind = card_kind(path, answer.machine)
    return page_bytes(draw_cards(answer.machine, answer.ladder), kind)


def _sheet(answer: Suggestion, path: str, options: argparse.Namespace) -> bytes:
    from .show.dial import page_bytes, page_kind
    from .show.sheet import READINGS, draw_sheets

    kind = page_kind(path, ("pdf",))
    name, made = READINGS, f"make it with `{_readings_command(options, READINGS)}`"
    if options.readings:
        name, made = Path(options.readings).name, "written with this sheet"
    words = {"readings": name, "made": made, "machine_file": shlex.quote(Path(options.machine).name)}
    return page_bytes(draw_sheets(answer.machine, answer.ladder, **words), kind)


def _readings_command(options: argparse.Namespace, name: str) -> str:
    """The command that writes the table for the very ladder of this export."""
    asked = {"ladder": options.ladder, "rungs": options.rungs, "series": options.series, "base": options.base}
    shaped = {key: str(value) for key, value in asked.items() if value is not None and (key, value) != ("series", "plain")}
    words = [f"--{key}={shlex.quote(value)}" for key, value in shaped.items()]
    return " ".join(["jogtune export", shlex.quote(Path(options.machine).name), *words, "--readings", name])


def _readings(answer: Suggestion, path: str, options: argparse.Namespace) -> str:
    from .logs.readings import readings_template

    return readings_template(answer.machine, answer.ladder)


def _markdown(answer: Suggestion, path: str, options: argparse.Namespace) -> str:
    from .export_tables import suggestion_to_markdown

    return suggestion_to_markdown(answer)


def _json(answer: Suggestion, path: str, options: argparse.Namespace) -> str:
    from .export import suggestion_to_dict, to_json

    return to_json(suggestion_to_dict(answer))


def _csv(answer: Suggestion, path: str, options: argparse.Namespace) -> str:
    from .export import suggestion_to_csv

    return suggestion_to_csv(answer)


_MAKERS: dict[str, tuple[str, Maker]] = {
    "header": ("C header (C99 and C++11) of the ladder", _header),
    "moves": ("relative moves (ISO 6983) to try each rung at a reduced feed", _moves),
    "legend": ("printable legend of the selector, true to scale (.svg or .pdf)", _legend),
    "card": ("pocket card (.svg or .pdf)", _card),
    "sheet": ("bench sheet for a dial indicator, a page per axis (.pdf)", _sheet),
    "readings": ("table (.csv) to type the bench readings into", _readings),
    "markdown": ("the ladder as a Markdown table", _markdown),
    "json": ("everything about the ladder as JSON", _json),
    "csv": ("the ladder for a spreadsheet, a row per rung and axis", _csv),
}


# ------------------------------------------------------------------ jogtune readings


def add_readings_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `jogtune readings`."""
    parser.add_argument("readings", metavar="READINGS.csv", help="the bench sheet's table, filled in")
    parser.add_argument("--machine", required=True, metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--json", action="store_true", help="print JSON for scripts")
    parser.set_defaults(run=run_readings)


def run_readings(options: argparse.Namespace) -> int:
    """Print what bench readings say: the verdict per axis and the ranked causes."""
    from .export import to_json
    from .logs.readings import diagnose_readings, read_readings
    from .show.sheet import diagnosis_as_text

    machine = read_machine(options.machine)
    remarks: list[str] = []
    found = diagnose_readings(machine, read_readings(options.readings, machine, remarks=remarks))
    if options.json:
        content = {**dataclasses.asdict(found), "verdict": found.verdict, "remarks": remarks}
        content["findings"] = [{**item, "scale": float(item["scale"])} for item in content["findings"]]
        print(to_json(content), end="")
    else:
        print(diagnosis_as_text(found, remarks=remarks))
    return 0
