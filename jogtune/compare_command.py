"""`jogtune compare`: ladders held against each other, with or without logs."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from .design.cautions import FASTER_IS_NOT_SAFER
from .files import InputFault
from .logs.ladder_option import let_minus_through, parse_ladder
from .logs.row_count import say_count
from .machine import read_machine
from .units import say_distance, say_number

if TYPE_CHECKING:
    import pandas as pd

    from .classroom import ClassResult
    from .compare import Comparison, Difference, LadderResult
    from .ladder import Ladder
    from .machine import Machine

__all__ = ["as_text", "class_as_text"]


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
    parser.add_argument("--json", action="store_true", help="print JSON for scripts")
    group = parser.add_argument_group("a class", "a folder of logs, instead of --ladder and --log")
    group.add_argument("--class", dest="folder", metavar="FOLDER", help="the folder with a log of each person and ladder")
    group.add_argument("--roster", metavar="ROSTER.csv", help="whose log is which: columns file, person, ladder")
    group.add_argument("--out", metavar="FOLDER", help="write people.csv and ladders.csv into this folder")
    group.add_argument("--overwrite", action="store_true", help="replace tables that are there already")
    let_minus_through(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Compare ladders, print the answer; returns the exit code."""
    import json

    machine = read_machine(args.machine)
    if args.folder is not None or args.roster is not None:
        return _run_class(args, machine)
    from .compare import compare, comparison_to_dict
    from .logs.read import read_log

    ladders = [parse_ladder(text, machine) for text in args.ladder]
    _check_options(args, ladders)
    maps = args.map if len(args.map) > 1 else (args.map or [None]) * len(args.log)
    logs = [read_log(log, columns=one) for log, one in zip(args.log, maps, strict=True)]
    found = compare(machine, ladders, logs, seed=args.seed)
    told = comparison_to_dict(found) | {"cautions": [FASTER_IS_NOT_SAFER]}
    print(json.dumps(told, indent=2, allow_nan=False) if args.json else as_text(found))
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


# ------------------------------------------------------------------ a class


def _run_class(args: argparse.Namespace, machine: Machine) -> int:
    """Measure a class' logs, print (and write) a table per person and per ladder."""
    import json

    from .classroom import class_to_dict, compare_class, read_roster, write_class

    _check_class_options(args)
    entries = read_roster(args.roster, machine)
    found = compare_class(args.folder, machine, entries, columns=args.map[0] if args.map else None, seed=args.seed)
    if not found.counts:
        raise InputFault(str(args.folder), ["no log of the roster could be measured", *found.unread])
    written = write_class(found, args.out, overwrite=args.overwrite) if args.out is not None else []
    told = class_to_dict(found) | {"machine": machine.name, "cautions": [FASTER_IS_NOT_SAFER]}
    print(json.dumps(told, indent=2, allow_nan=False) if args.json else class_as_text(found))
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


def class_as_text(found: ClassResult) -> str:
    """A class' tables and differences as plain text.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.classroom import Entry, compare_class
    >>> found = compare_class("datasets/logs", router, [Entry(file="inlay_router_simulated.csv", person="P1")])
    >>> class_as_text(found).splitlines()[0]
    '1 log measured, 1 person. Simulated logs are among these: nobody turned that knob.'
    """
    simulated = [" Simulated logs are among these: nobody turned that knob."] if found.simulated else []
    logs, people = say_count(len(found.counts), "log"), found.people["person"].nunique()
    lines = [f"{logs} measured, {people} {'person' if people == 1 else 'people'}.{''.join(simulated)}", ""]
    lines += [_said_table(found.ladders), "", _said_table(found.people), ""] if len(found.tasks) else []
    lines += [_difference_line(found.labels, difference) for difference in found.differences]
    if not len(found.tasks):
        lines += ["No log shows a finished goal, so there is nothing to compare."]
    lines += [f"  {count.source}: {count.say()}." for count in found.counts if count.left_out]
    lines += ["", "Could not be measured:", *(f"  {fault}" for fault in found.unread)] if found.unread else []
    return "\n".join([*lines, "", FASTER_IS_NOT_SAFER])


def _said_table(table: pd.DataFrame) -> str:
    return str(table.round(3).to_string(index=False))


# ------------------------------------------------------------------ words


def as_text(found: Comparison) -> str:
    """The answer as plain text.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.compare import compare
    >>> found = compare(router, [parse_ladder(text, router) for text in ("0.02,0.2,2", "0.02,0.1,0.5,5")])
    >>> print("\\n".join(as_text(found).splitlines()[:3]))
    inlay router: 2 ladders
    <BLANKLINE>
      0.02, 0.2, 2 mm: expected 7.92 s, run-on up to 3.09 mm
    """
    lines = [f"{found.machine.name}: {say_count(len(found.ladders), 'ladder')}", ""]
    lines += [line for result in found.ladders for line in _ladder_lines(found, result)]
    labels = [result.label for result in found.ladders]
    lines += [""] + [_difference_line(labels, difference) for difference in found.differences]
    if found.held_out_error is not None and found.held_out_total_error is not None:
        single, total = round(100 * found.held_out_error), round(100 * found.held_out_total_error)
        lines += ["", f"On tasks not seen before, the prediction is {single} % off a single one, {total:+d} % off all."]
    remarks = ["", *found.remarks] if found.remarks else []
    return "\n".join([*lines, *remarks, "", FASTER_IS_NOT_SAFER])


def _ladder_lines(found: Comparison, result: LadderResult) -> list[str]:
    unit = found.machine.show_in
    if result.expected_time_s is None:
        expected = "can't do every task"
    else:
        span = "" if result.low is None or result.high is None else f" ({_s(result.low)} to {_s(result.high)})"
        expected = f"expected {_s(result.expected_time_s)} s{span}"
    clicks = None if result.lost_detents is None else say_count(result.lost_detents, "click")
    lost = f", {clicks} lost where the controller forgives" if clicks else ""
    run_on = say_distance(result.run_on_mm, unit, digits=3)
    first = f"  {result.label}: {expected}, run-on up to {run_on}{lost}"
    return [first, *(f"    {reason}" for reason in result.impossible)]


def _difference_line(labels: list[str], difference: Difference) -> str:
    head = f"  {labels[difference.second]} against {labels[difference.first]}: {difference.verdict}"
    more = f"; about {say_count(difference.more_tasks, 'more task')} on each would" if difference.more_tasks else ""
    if difference.change is None:
        return f"{head}{more}."
    span = ""
    if difference.low is not None and difference.high is not None:
        span = f" ({100 * difference.low:+.0f} to {100 * difference.high:+.0f} %)"
    return f"{head}{more}. Time {100 * difference.change:+.0f} %{span}, {difference.kind}."


def _s(time_s: float) -> str:
    return say_number(time_s, digits=3)
