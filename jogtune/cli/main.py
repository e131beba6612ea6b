"""Options, parser, faults."""

import argparse
import io
import re
import shutil
import sys
from collections.abc import Sequence
from typing import Any

from .. import __version__
from ..files import InputFault
from ..signs import WIDE, tell
from . import classes, commands

_FLAG = {"action": "store_true"}
_MANY: dict[str, Any] = {"action": "append", "default": []}
_ENDS: dict[str, tuple[str, dict[str, Any]]] = {
    "machine_file": ("machine", {"metavar": "MACHINE.toml", "help": "the machine file"}),
    "machine_or": ("machine", {"nargs": "?", "metavar": "MACHINE.toml", "help": "the machine file; or three numbers:"}),
    "machine_beside": ("machine", {"nargs": "?", "metavar": "MACHINE.toml", "help": "your machine file; the copy lies beside it"}),
    "steps": ("--steps", {"metavar": '"80 per mm"', "help": "motor steps of one axis, in place of a file"}),
    "top_speed": ("--top-speed", {"metavar": '"6000 mm/min"', "help": "its top speed"}),
    "finest": ("--finest", {"metavar": '"0.02 mm"', "help": "the finest move you wish to make"}),
    "machine": ("--machine", {"required": True, "metavar": "MACHINE.toml", "help": "the machine file"}),
    "log_file": ("log", {"metavar": "LOG", "help": "a log of any shape: text, gzip or Parquet"}),
    "log_or": ("log", {"nargs": "*", "metavar": "LOG", "help": "logs of any shape, folders or patterns; or --script"}),
    "scheduler": ("--scheduler", {"metavar": "ADDRESS", "help": "many logs on this Dask cluster (default: on all cores here)"}),
    "script": ("--script", {**_FLAG, "help": "print what to turn for a log that tells the ramps of an axis"}),
    "axis": ("--axis", {"metavar": "X", "help": "the axis of the script (default: the first straight one)"}),
    "readings": ("readings", {"metavar": "READINGS.csv", "help": "the bench sheet's table, filled in"}),
    "checks": ("checks", {"metavar": "CHECKS.csv", "help": "the commissioning sheet's table, filled in"}),
    "port_name": ("port", {"metavar": "PORT", "help": "the serial port, such as /dev/ttyACM0 or COM3"}),
    "rungs": ("--rungs", {"type": int, "metavar": "N", "help": "exactly so many rungs (default: as few as serve)"}),
    "series": ("--series", {"default": "plain", "metavar": "NAME", "help": "number series, or your own: 1,4,20,100"}),
    "multipliers": ("--multipliers", {"metavar": "1,5,10", "help": "the selector is engraved so: find the base"}),
    "base": ("--base", {"metavar": '"0.01 mm"', "help": "the distance that ×1 stands for (default: derived)"}),
    "ladder": ("--ladder", {"metavar": "0.01,0.1,1", "help": "your own ladder, in the machine's unit (or with mm or in behind)"}),
    "ladders": ("--ladder", {**_MANY, "metavar": "0.01,0.1,1", "help": "distances per click; once per ladder"}),
    "free": ("--free", {**_FLAG, "help": "also say what plain numbers cost (some seconds more)"}),
    "log": ("--log", {"metavar": "LOG.csv", "help": "a tidy jog log to hold against the ladder"}),
    "logs": ("--log", {**_MANY, "metavar": "LOG", "help": "a jog log, a folder or a pattern; may be repeated"}),
    "map": ("--map", {"metavar": "MAP.toml", "help": "what the log's columns mean (default: LOG.map.toml, else a guess)"}),
    "maps": ("--map", {**_MANY, "metavar": "MAP.toml", "help": "the column map: for all logs, or one per --log"}),
    "made_with": ("--made-with", {**_MANY, "metavar": "LADDER", "help": "what logs were made with: for all, or one per --log"}),
    "seed": ("--seed", {"type": int, "default": 0, "help": "seed of the resampling (default 0)"}),
    "class": ("--class", {"dest": "folder", "metavar": "FOLDER", "help": "a class: the folder with a log of each person"}),
    "roster": ("--roster", {"metavar": "ROSTER.csv", "help": "whose log is which, in the order done: file, person, ladder, order"}),
    "before": ("--before", {"metavar": "LOG", "help": "what changed on this machine: the log of then (with --after)"}),
    "after": ("--after", {"metavar": "LOG", "help": "and the log of now"}),
    "join": ("--join", {"metavar": "MACHINE.csv", "help": "the machine's own recording of the session, to be joined"}),
    "join_map": ("--join-map", {"metavar": "MAP.toml", "help": "what the columns of that recording mean"}),
    "keep_map": ("--keep-map", {"metavar": "MAP.toml", "help": "write the map that was used here"}),
    "strict": ("--strict", {**_FLAG, "help": "refuse a log in which anything is wrong or doubtful"}),
    "baud": ("--baud", {"type": int, "default": 115_200, "metavar": "N", "help": "bits per second (default 115200)"}),
    "for": ("--for", {"dest": "duration", "metavar": '"10 min"', "help": "stop after so long (default: on Ctrl-C)"}),
    "delimiter": ("--delimiter", {"default": ",", "metavar": "C", "help": "what stands between time and line (default ,)"}),
    "why": ("--why", {**_FLAG, "help": "print what was weighed, noticed, given up and assumed"}),
    "table": ("--table", {**_FLAG, "help": "print every figure in one table"}),
    "cautions": ("--cautions", {**_FLAG, "help": "print every caution"}),
    "out": ("--out", {"metavar": "PLACE", "help": "write here: the folder of pictures and tables, or the log"}),
    "overwrite": ("--overwrite", {**_FLAG, "help": "replace files that are there already"}),
    "json": ("--json", {**_FLAG, "help": "print JSON for scripts"}),
    "new_file": ("file", {"nargs": "?", "metavar": "MACHINE.toml", "help": "the machine file to write"}),
    "from": ("--from", {"dest": "begin", "metavar": "NAME", "help": "begin with a sample, or a machine file: the same bytes"}),
    "keys": ("--keys", {**_FLAG, "help": "print every key, what it is and what holds without it; write nothing"}),
    "other": ("--other", {"metavar": "LADDER", "help": "a second ladder on the knob's page; the two come blind, as A and B"}),
    "person": ("--person", {"default": "", "metavar": "NAME", "help": "with --knob: whose page it is"}),
    "number": ("--number", {"type": int, "default": 0, "metavar": "N", "help": "with --knob: their number in the class"}),
    "no_browser": ("--no-browser", {**_FLAG, "help": "print the address, open no browser"}),
    "port": ("--port", {"type": int, "default": 8888, "help": "first port to try (default 8888)"}),
    "folder": ("--folder", {"default": None, "help": "a folder of notebooks, opened where it lies (default: jogtune's own)"}),
    "into": ("--into", {"metavar": "FOLDER", "help": "where the copy of the notebooks lies or is made (else jogtune_notebooks)"}),
    "class_folder": ("folder", {"metavar": "FOLDER", "help": "the folder that holds a folder for each person"}),
    "people": ("--roster", {"required": True, "metavar": "PEOPLE.csv", "help": "who is in the class: a column person"}),
    "machine_knob": ("--machine", {"metavar": "MACHINE.toml", "help": "lay a page of the knob on this machine into each folder"}),
    "machine_too": ("--machine", {"metavar": "MACHINE.toml", "help": "the machine file (default: the one that the logs name)"}),
}
"""Name -> how it is written and what argparse makes of it."""


def _add_options(parser: argparse.ArgumentParser, names: str) -> None:
    """Add options by their names; "files" stands for one option a kind of file to hand over."""
    # "-1,2" after an option is its value, to be refused in our words: argparse knows only plain "-1"
    parser._negative_number_matcher = re.compile(r"-[\d.]")
    for name in names.split():
        if name == "files":
            from ..hand_over.export import KINDS

            for kind, row in KINDS.items():
                parser.add_argument(f"--{kind}", metavar="FILE", help=row.what)
        else:
            flag, given = _ENDS[name]
            parser.add_argument(flag, **given)


_DONE, _FAULTY_INPUT = 0, 2
_LAYERS = "why table cautions json"
_LADDER = "machine_or steps top_speed finest rungs series base multipliers ladder"
_COMMANDS = {
    "new": (commands._new, "a machine file to begin with", "new_file from keys overwrite"),
    "suggest": (commands._suggest, "a machine file or three numbers in, a recommended ladder out",
                f"{_LADDER} free log {_LAYERS} out overwrite"),
    "read": (commands._read, "any delimited log in, a tidy log out",
             f"log_file map join join_map keep_map strict {_LAYERS} out overwrite"),
    "record": (commands._record, "write down what a serial device prints", "port_name baud for delimiter out overwrite"),
    "measure": (commands._measure, "what hand and machine did in a log, or in many",
                f"log_or machine map ladder script axis {_LAYERS} out overwrite scheduler"),
    "compare": (commands._compare, "ladders side by side, on a machine and on logs",
                f"machine_file ladders logs maps made_with seed {_LAYERS} class roster out overwrite before after scheduler"),
    "export": (commands._export, "numbers for the firmware, legend, card, sheets of tests, a knob for a phone",
               f"{_LADDER} files other person number overwrite"),
    "readings": (commands._readings, "what a dial indicator's readings say", f"readings machine {_LAYERS}"),
    "checks": (commands._checks, "what passed at the machine and what failed", f"checks machine {_LAYERS}"),
    "class hand-out": (classes._hand_out, "a folder with the notebooks for each person of a roster",
                       "class_folder people machine_knob ladder other"),
    "class collect": (classes._collect, "all results in the folders, and the class person by person",
                      f"class_folder machine_too {_LAYERS} out overwrite"),
    "lab": (commands._lab, "open the notebooks in JupyterLab (this computer only)", "machine_beside no_browser port folder into"),
}  # fmt: skip
"""Name, of a group and in it, -> what runs it, its help, its options."""
_GROUPS = {"class": "a folder for each person of a class, and what comes back"}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code: 0 done, 2 the input is at fault.

    >>> main(["suggest", "no_such.toml"])  # what is wrong goes to the error stream
    2
    """
    typed = list(sys.argv[1:] if arguments is None else arguments)
    sys.stdout, sys.stderr = (stream or io.StringIO() for stream in (sys.stdout, sys.stderr))  # None where it was closed
    columns = shutil.get_terminal_size((0, 0)).columns
    known = WIDE.set(columns and max(columns, 20))
    try:
        given = _parser(" ".join(typed[: 1 + (typed[:1] in [[name] for name in _GROUPS])])).parse_args(typed)
        given.command_line = typed
        return int(given.run(given) or _DONE)
    except InputFault as fault:
        tell(fault, sys.stderr)
        return _FAULTY_INPUT
    except BrokenPipeError:
        raise
    except OSError as error:
        where, why = error.filename or "output", error.strerror or error
        tell(f"{where}: can't be read or written ({why}): check the place and the rights", sys.stderr)
        return _FAULTY_INPUT
    finally:
        WIDE.reset(known)


class _Parser(argparse.ArgumentParser):
    """A parser whose messages leave as all else does."""

    def _print_message(self, message: str, file: Any = None) -> None:
        tell(message, file or sys.stderr, end="")


def _parser(chosen: str) -> argparse.ArgumentParser:
    """The parser; only the chosen command's own options are added."""
    parser = _Parser(
        prog="jogtune", description="Choose the settings of a hand control that moves a machine's axes."
    )
    parser.add_argument("--version", action="version", version=f"jogtune {__version__}")
    kinds = {"": parser.add_subparsers(title="commands", required=True, metavar="COMMAND")}
    for name, (run, text, options) in _COMMANDS.items():
        group, _, own = name.rpartition(" ")
        if group not in kinds:
            above = kinds[""].add_parser(group, help=_GROUPS[group], description=_GROUPS[group])
            kinds[group] = above.add_subparsers(title="commands", required=True, metavar="COMMAND")
        command = kinds[group].add_parser(own, help=text, description=text)
        command.set_defaults(run=run, progress=sys.stderr.isatty())
        if name == chosen:
            _add_options(command, options)
    return parser
