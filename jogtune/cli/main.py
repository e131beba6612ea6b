"""The command line: parses, runs one command, says faults."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from .. import __version__
from ..files import InputFault
from . import commands, lab
from .options import add_options

_DONE, _FAULTY_INPUT, _STOPPED = 0, 2, 130
_LAYERS = "why table cautions json"
_LADDER = "machine_file rungs series base ladder"
_COMMANDS = {
    "suggest": (commands.suggest, "a machine file in, a recommended ladder out", f"{_LADDER} free log {_LAYERS} out overwrite"),
    "read": (commands.read, "any delimited log in, a tidy log out",
             f"log_file map join join_map keep_map strict {_LAYERS} out overwrite"),
    "record": (commands.record, "write down what a serial device prints", "port_name baud for delimiter out overwrite"),
    "measure": (commands.measure, "what hand and machine did in a log", f"log_file machine map ladder {_LAYERS}"),
    "compare": (commands.compare, "ladders side by side, on a machine and on logs",
                f"machine_file ladders logs maps seed {_LAYERS} class roster out overwrite"),
    "export": (commands.export, "numbers for the firmware, legend, card, bench sheet", f"{_LADDER} files overwrite"),
    "readings": (commands.readings, "what a dial indicator's readings say", f"readings machine {_LAYERS}"),
    "lab": (lab.lab, "open the notebooks in JupyterLab (this computer only)", "no_browser port folder"),
}  # fmt: skip
"""Name -> what runs it, its help, its options."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code: 0 done, 2 the input is at fault, 130 stopped by the user.

    >>> main(["suggest", "no_such.toml"])  # what is wrong goes to the error stream
    2
    """
    typed = list(sys.argv[1:] if arguments is None else arguments)
    given = _parser(typed[0] if typed else None).parse_args(typed)
    given.command_line = typed
    try:
        return int(given.run(given) or _DONE)
    except InputFault as fault:
        print(fault, file=sys.stderr)
        return _FAULTY_INPUT
    except KeyboardInterrupt:
        print("stopped; nothing half-written", file=sys.stderr)
        return _STOPPED
    except BrokenPipeError:
        sys.stderr.close()
        return _DONE


def _parser(chosen: str | None) -> argparse.ArgumentParser:
    """The parser; only the chosen command's own options are added."""
    parser = argparse.ArgumentParser(
        prog="jogtune", description="Choose the settings of a hand control that moves a machine's axes."
    )
    parser.add_argument("--version", action="version", version=f"jogtune {__version__}")
    kinds = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for name, (run, text, options) in _COMMANDS.items():
        command = kinds.add_parser(name, help=text, description=text)
        command.set_defaults(run=run)
        if name == chosen:
            add_options(command, options)
    return parser
