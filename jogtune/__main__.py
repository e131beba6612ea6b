"""The command line: thin, and every answer comes from the package."""

from __future__ import annotations

import argparse
import importlib
import os
import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from . import __version__
from .files import InputFault, checked_path

if TYPE_CHECKING:
    from .design.search import Suggestion
    from .logs.read import Log
    from .machine import Machine

__all__ = ["main"]

DONE, FAULTY_INPUT, STOPPED = 0, 2, 130


# name -> (help, module, function that adds arguments and sets `run`); loaded when asked for
COMMANDS: dict[str, tuple[str, str, str]] = {
    "suggest": ("a machine file in, a recommended ladder out", "jogtune.__main__", "_add_suggest"),
    "read": ("any delimited log in, a tidy log out", "jogtune.logs.read_command", "add_read_arguments"),
    "record": ("write down what a serial device prints", "jogtune.logs.read_command", "add_record_arguments"),
    "measure": ("what hand and machine did in a log", "jogtune.logs.measure_command", "add_arguments"),
    "compare": ("ladders side by side, on a machine and on logs", "jogtune.compare_command", "add_arguments"),
    "export": ("numbers for the firmware, legend, card, bench sheet", "jogtune.export_command", "add_arguments"),
    "readings": ("what a dial indicator's readings say", "jogtune.export_command", "add_readings_arguments"),
    "lab": ("open the notebooks in JupyterLab (this computer only)", "jogtune.__main__", "_add_lab"),
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code: 0 done, 2 the input is at fault, 130 stopped by the user.

    >>> main(["suggest", "no_such.toml"])  # what is wrong goes to the error stream
    2
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    options = build_parser(given[0] if given else None).parse_args(given)
    options.command_line = given
    try:
        return int(options.run(options) or DONE)
    except InputFault as fault:
        print(fault, file=sys.stderr)
        return FAULTY_INPUT
    except KeyboardInterrupt:
        print("stopped; nothing half-written", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        sys.stderr.close()
        return DONE


def build_parser(chosen: str | None = None) -> argparse.ArgumentParser:
    """The parser; only the chosen command's own arguments are added, as only its module is loaded."""
    parser = argparse.ArgumentParser(
        prog="jogtune", description="Choose the settings of a hand control that moves a machine's axes."
    )
    parser.add_argument("--version", action="version", version=f"jogtune {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for name, (text, module, function) in COMMANDS.items():
        command = commands.add_parser(name, help=text, description=text)
        if name == chosen:
            getattr(importlib.import_module(module), function)(command)
    return parser


def _add_suggest(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("machine", metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--rungs", type=int, metavar="N", help="exactly so many rungs (default: as few as serve)")
    parser.add_argument("--series", default="plain", metavar="NAME", help="number series, or your own: 1,4,20,100")
    parser.add_argument("--base", metavar='"0.01 mm"', help="the distance that ×1 stands for (default: derived)")
    parser.add_argument("--ladder", metavar="0.01,0.1,1", help="judge this ladder instead of searching for one")
    parser.add_argument("--free", action="store_true", help="also say what plain numbers cost (some seconds more)")
    parser.add_argument("--log", metavar="LOG.csv", help="a tidy jog log to hold against the ladder")
    parser.add_argument("--out", metavar="FOLDER", help="write pictures, tables and a page into this folder")
    parser.add_argument("--overwrite", action="store_true", help="replace files that are there already")
    parser.add_argument("--json", action="store_true", help="print JSON for scripts")
    parser.set_defaults(run=run_suggest)


def _add_lab(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--no-browser", action="store_true", help="print the address, open no browser")
    parser.add_argument("--port", type=int, default=8888, help="first port to try (default 8888)")
    parser.add_argument("--folder", default=None, help="the folder of notebooks (default: notebooks)")
    parser.set_defaults(run=run_lab)


def run_suggest(options: argparse.Namespace) -> int:
    """Suggest a ladder, print it, and write the folder asked for."""
    from .design.search import suggest
    from .export import suggestion_to_dict, to_json
    from .machine import read_machine

    machine = read_machine(options.machine)
    log = _read_log(options.log)
    if options.out is not None:
        from .show.report import check_folder

        check_folder(checked_path(options.out), overwrite=options.overwrite)
    answer = _own(machine, options.ladder) if options.ladder is not None else suggest(
        machine, rungs=options.rungs, series=options.series, base=options.base, free=options.free,
        progress=sys.stderr.isatty(),
    )  # fmt: skip
    written = _write_folder(answer, log, options)
    if options.json:
        print(to_json(suggestion_to_dict(answer)), end="")
    else:
        print(_as_text(answer, log, written))
    return DONE


def _own(machine: Machine, ladder: str) -> Suggestion:
    from .design.search import own_answer
    from .logs.ladder_option import parse_ladder

    return own_answer(machine, parse_ladder(ladder, machine))


def _read_log(path: str | None) -> Log | None:
    if path is None:
        return None
    from .logs.read import read_log

    return read_log(path)


def _write_folder(answer: Suggestion, log: Log | None, options: argparse.Namespace) -> list[Path]:
    if options.out is None:
        return []
    from .show.report import write_folder

    inputs = {"machine file": options.machine, "log": options.log}
    command = shlex.join(["jogtune", *options.command_line])
    return write_folder(
        answer, Path(options.out), log=log, inputs=inputs, command=command, overwrite=options.overwrite
    )


def _as_text(answer: Suggestion, log: Log | None, written: list[Path]) -> str:
    from .show.words import as_text

    text = as_text(answer, log)
    if written:
        page = next(path for path in written if path.suffix == ".html")
        text += f"\nWrote {len(written)} files. Open {page} in a browser.\n"
    return text


def run_lab(options: argparse.Namespace) -> int:
    """Open JupyterLab on the notebooks, for this computer only."""
    import importlib.util
    import subprocess

    if not 1 <= options.port <= 65535:
        raise InputFault("jogtune lab", [f"--port {options.port}: must be 1 to 65535"])
    folder = Path(options.folder) if options.folder else Path("notebooks")
    if not folder.is_dir():
        raise InputFault("jogtune lab", [f"{folder} is not a folder here: run it beside the notebooks, or --folder"])
    if importlib.util.find_spec("jupyterlab") is None:
        raise InputFault("jogtune lab", ['JupyterLab is not installed: pip install ".[lab]" in the clone'])
    command = [sys.executable, "-m", "jupyterlab", "--ip=127.0.0.1", f"--port={options.port}"]
    command += [f"--ServerApp.root_dir={folder.resolve().parent}", f"--LabApp.default_url=/lab/tree/{folder.name}"]
    if options.no_browser:
        command.append("--no-browser")
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--allow-root")  # a container's only user; the address stays this computer's own
    return subprocess.call(command)


if __name__ == "__main__":
    sys.exit(main())
