"""export(): a row per kind of file."""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Callable
from pathlib import Path

from ..choose.suggest import Suggestion

Maker = Callable[[Suggestion, str, argparse.Namespace], str | bytes]  # suggestion, path, options -> content


def _header(answer: Suggestion, path: str, options: argparse.Namespace) -> str:
    from .header import machine_checksum, suggestion_to_header

    return suggestion_to_header(answer, checksum=machine_checksum(options.machine))


def _moves(answer: Suggestion, path: str, options: argparse.Namespace) -> str:
    from .moves import suggestion_to_moves

    return suggestion_to_moves(answer)


def _legend(answer: Suggestion, path: str, options: argparse.Namespace) -> bytes:
    from .legend import draw_legend
    from .paper import page_bytes, page_kind

    kind = page_kind(path)
    return page_bytes([draw_legend(answer.machine, answer.ladder)], kind)


def _card(answer: Suggestion, path: str, options: argparse.Namespace) -> bytes:
    from .card import card_kind, draw_cards
    from .paper import page_bytes

    kind = card_kind(path, answer.machine)
    return page_bytes(draw_cards(answer.machine, answer.ladder), kind)


def _sheet(answer: Suggestion, path: str, options: argparse.Namespace) -> bytes:
    from .paper import page_bytes, page_kind
    from .sheet import READINGS, draw_sheets

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
    from ..bench.expected import readings_template

    return readings_template(answer.machine, answer.ladder)


def _markdown(answer: Suggestion, path: str, options: argparse.Namespace) -> str:
    from .markdown import suggestion_to_markdown

    return suggestion_to_markdown(answer)


def _json(answer: Suggestion, path: str, options: argparse.Namespace) -> str:
    from .data import suggestion_to_dict, to_json

    return to_json(suggestion_to_dict(answer))


def _csv(answer: Suggestion, path: str, options: argparse.Namespace) -> str:
    from .data import suggestion_to_csv

    return suggestion_to_csv(answer)


MAKERS: dict[str, tuple[str, Maker]] = {
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
