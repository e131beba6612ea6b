"""jogtune compare."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from ..files import InputFault
from ..ladder.ladder import parse_ladder
from ..logs.log import say_count
from ..machine.file import read_machine
from .options import add_layers, let_minus_through, print_layer

if TYPE_CHECKING:
    from ..ladder.ladder import Ladder
    from ..machine.model import Machine



def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `jogtune compare`."""
    parser.add_argument("machine", metavar="MACHINE.toml", help="the machine file")
    parser.add_argument(
        "--ladder", action="append", default=[], metavar="0.01,0.1,1",
        help="distances per click in the machine's own unit (or with mm or in behind); give it once per ladder",
    )  # fmt: skip
    parser.add_argument("--log", action="append", default=[], metavar="LOG", help="a jog log; may be repeated")
    parser.add_argument(
        "--map", action="append", default=[], metavar="MAP.toml",
        help="the column map, where logs are not tidy ones: given once it is for all of them, else once per --log, in order",
    )  # fmt: skip
    parser.add_argument("--seed", type=int, default=0, help="seed of the resampling (default 0)")
    add_layers(parser)
    group = parser.add_argument_group("a class", "a folder of logs, instead of --ladder and --log")
    group.add_argument("--class", dest="folder", metavar="FOLDER", help="the folder with a log of each person and ladder")
    group.add_argument("--roster", metavar="ROSTER.csv", help="whose log is which: columns file, person, ladder")
    group.add_argument("--out", metavar="FOLDER", help="write people.csv and ladders.csv into this folder")
    group.add_argument("--overwrite", action="store_true", help="replace tables that are there already")
    let_minus_through(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Compare ladders, print the answer; returns the exit code."""
    machine = read_machine(args.machine)
    if args.folder is not None or args.roster is not None:
        return _run_class(args, machine)
    from ..logs.read import read_log
    from ..measure.compare import compare
    from ..words.compare import comparison_answer, comparison_json, comparison_table, comparison_why

    ladders = [parse_ladder(text, machine) for text in args.ladder]
    _check_options(args, ladders)
    maps = args.map if len(args.map) > 1 else (args.map or [None]) * len(args.log)
    logs = [read_log(log, columns=one) for log, one in zip(args.log, maps, strict=True)]
    found = compare(machine, ladders, logs, seed=args.seed)
    print_layer(args, found, comparison_answer, comparison_why, comparison_table, comparison_json)
    return 0


def _check_options(args: argparse.Namespace, ladders: list[Ladder]) -> None:
    faults = [f"--seed {args.seed}: must be 0 or above"] if args.seed < 0 else []
    if len(ladders) < 2:
        faults.append("needs two ladders or more: give --ladder again, as in --ladder 0.01,0.1,1 --ladder 0.02,0.2,2")
    if len(set(ladders)) < len(ladders):
        faults.append("names the same ladder twice: give each once")
    if len(args.map) > 1 and len(args.map) != len(args.log):
        counts = f"{say_count(len(args.map), 'map')}, {say_count(len(args.log), 'log')}"
        faults.append(f"has {counts}: give one --map for all logs, or one per --log")
    if args.out is not None or args.overwrite:
        faults.append("--out and --overwrite: are for a class: add --class and --roster")
    if faults:
        raise InputFault("jogtune compare", faults)


def _run_class(args: argparse.Namespace, machine: Machine) -> int:
    """Measure a class' logs, print (and write) a table per person and per ladder."""
    from ..measure.classroom import compare_class, read_roster, write_class
    from ..words.compare import class_answer, class_json, class_table, class_why

    _check_class_options(args)
    entries = read_roster(machine, args.roster)
    found = compare_class(machine, args.folder, entries, columns=args.map[0] if args.map else None, seed=args.seed)
    if not found.counts:
        raise InputFault(str(args.folder), ["no log of the roster could be measured", *found.unread])
    written = write_class(found, args.out, overwrite=args.overwrite) if args.out is not None else []
    print_layer(args, found, class_answer, class_why, class_table, class_json)
    if written and not args.json:
        print(f"\nWrote {' and '.join(str(place) for place in written)}.")
    return 0


def _check_class_options(args: argparse.Namespace) -> None:
    faults = [f"--seed {args.seed}: must be 0 or above"] if args.seed < 0 else []
    if args.folder is None:
        faults.append("--roster: goes with --class FOLDER: name the folder with the logs")
    elif not Path(args.folder).is_dir():
        faults.append(f"--class {args.folder}: is no folder: name the one with the logs")
    if args.roster is None:
        faults.append("--class: needs --roster FILE.csv with the columns file, person and, optional, ladder")
    if args.ladder or args.log:
        faults.append("--ladder and --log: a class has its ladders and logs in the roster: leave them out")
    if len(args.map) > 1:
        faults.append("--map: give it once for the whole class, or put LOG.map.toml beside a log")
    if faults:
        raise InputFault("jogtune compare", faults)
