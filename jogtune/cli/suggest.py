"""jogtune suggest."""

from __future__ import annotations

import argparse
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from ..files import checked_path

if TYPE_CHECKING:
    from ..choose.suggest import Suggestion
    from ..logs.log import Log
    from ..machine.model import Machine

DONE, FAULTY_INPUT, STOPPED = 0, 2, 130


def add_suggest(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("machine", metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--rungs", type=int, metavar="N", help="exactly so many rungs (default: as few as serve)")
    parser.add_argument("--series", default="plain", metavar="NAME", help="number series, or your own: 1,4,20,100")
    parser.add_argument("--base", metavar='"0.01 mm"', help="the distance that ×1 stands for (default: derived)")
    parser.add_argument("--ladder", metavar="0.01,0.1,1", help="judge this ladder instead of searching for one")
    parser.add_argument("--free", action="store_true", help="also say what plain numbers cost (some seconds more)")
    parser.add_argument("--log", metavar="LOG.csv", help="a tidy jog log to hold against the ladder")
    parser.add_argument("--why", action="store_true", help="print what was weighed, given up and assumed")
    parser.add_argument("--table", action="store_true", help="print every figure of each rung on each axis")
    parser.add_argument("--cautions", action="store_true", help="print every caution")
    parser.add_argument("--out", metavar="FOLDER", help="write pictures, tables and a page into this folder")
    parser.add_argument("--overwrite", action="store_true", help="replace files that are there already")
    parser.add_argument("--json", action="store_true", help="print JSON for scripts")
    parser.set_defaults(run=run_suggest)


def run_suggest(options: argparse.Namespace) -> int:
    """Suggest a ladder, print it, and write the folder asked for."""
    from ..choose.suggest import suggest
    from ..hand_over.data import suggestion_to_dict, to_json
    from ..machine.file import read_machine

    machine = read_machine(options.machine)
    log = _read_log(options.log)
    if options.out is not None:
        from ..hand_over.page import check_folder

        check_folder(checked_path(options.out), overwrite=options.overwrite)
    answer = _own(machine, options.ladder) if options.ladder is not None else suggest(
        machine, rungs=options.rungs, series=options.series, base=options.base, free=options.free,
        progress=sys.stderr.isatty(),
    )  # fmt: skip
    written = _write_folder(answer, log, options)
    if options.json:
        print(to_json(suggestion_to_dict(answer)), end="")
    else:
        print(_as_text(answer, log, options), end="")
        if written:
            page = next(path for path in written if path.suffix == ".html")
            print(f"\nWrote {len(written)} files. Open {page} in a browser.")
    return DONE


def _own(machine: Machine, ladder: str) -> Suggestion:
    from ..choose.suggest import judge
    from ..ladder.ladder import parse_ladder

    return judge(machine, parse_ladder(ladder, machine))


def _read_log(path: str | None) -> Log | None:
    if path is None:
        return None
    from ..logs.read import read_log

    return read_log(path)


def _write_folder(answer: Suggestion, log: Log | None, options: argparse.Namespace) -> list[Path]:
    if options.out is None:
        return []
    from ..hand_over.page import write_folder

    inputs = {"machine file": options.machine, "log": options.log}
    command = shlex.join(["jogtune", *options.command_line])
    return write_folder(
        answer, Path(options.out), log=log, inputs=inputs, command=command, overwrite=options.overwrite
    )


def _as_text(answer: Suggestion, log: Log | None, options: argparse.Namespace) -> str:
    from ..words.answer import answer_text, cautions_text, table_text, why_text

    asked = [text(answer, log) for name, text in (("why", why_text), ("table", table_text)) if getattr(options, name)]
    asked += [cautions_text(answer)] if options.cautions else []
    return "\n".join(asked) if asked else answer_text(answer, log)
