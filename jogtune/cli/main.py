"""The command line: finds the command, says faults."""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Sequence

from .. import __version__
from ..files import InputFault
from .suggest import DONE, FAULTY_INPUT, STOPPED

# name -> (help, module, function that adds arguments and sets `run`); loaded when asked for
COMMANDS: dict[str, tuple[str, str, str]] = {
    "suggest": ("a machine file in, a recommended ladder out", "suggest", "add_suggest"),
    "read": ("any delimited log in, a tidy log out", "logs", "add_read_arguments"),
    "record": ("write down what a serial device prints", "logs", "add_record_arguments"),
    "measure": ("what hand and machine did in a log", "logs", "add_measure_arguments"),
    "compare": ("ladders side by side, on a machine and on logs", "compare", "add_arguments"),
    "export": ("numbers for the firmware, legend, card, bench sheet", "export", "add_arguments"),
    "readings": ("what a dial indicator's readings say", "export", "add_readings_arguments"),
    "lab": ("open the notebooks in JupyterLab (this computer only)", "lab", "add_lab"),
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
            getattr(importlib.import_module(f"jogtune.cli.{module}"), function)(command)
    return parser
