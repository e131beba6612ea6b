"""jogtune export and readings."""

from __future__ import annotations

import argparse

from ..choose.suggest import own_answer, suggest
from ..files import InputFault
from ..hand_over.export import KINDS, check_export, export_all
from ..ladder.ladder import parse_ladder
from ..machine.file import read_machine
from .options import add_layers, print_layer

OPTIONS = [name for name in KINDS if name != "page"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `jogtune export`."""
    parser.add_argument("machine", metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--rungs", type=int, metavar="N", help="exactly so many rungs (default: as few as serve)")
    parser.add_argument("--series", default="plain", metavar="NAME", help="number series, or your own: 1,4,20,100")
    parser.add_argument("--base", metavar='"0.01 mm"', help="the distance that ×1 stands for (default: derived)")
    parser.add_argument("--ladder", metavar="0.01,0.1,1", help="this ladder instead of the suggested one")
    for name in OPTIONS:
        parser.add_argument(f"--{name}", metavar="FILE", help=KINDS[name].what)
    parser.add_argument("--overwrite", action="store_true", help="replace files that are there already")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Write every file asked for, or none of them where one can't be; prints their names."""
    asked = {name: getattr(options, name) for name in OPTIONS if getattr(options, name)}
    if not asked:
        names = ", ".join(f"--{name}" for name in OPTIONS)
        raise InputFault("jogtune export", [f"names no file to write: add one of {names}"])
    machine = read_machine(options.machine)
    check_export(asked, machine, overwrite=options.overwrite)
    if options.ladder is None:
        answer = suggest(machine, rungs=options.rungs, series=options.series, base=options.base)
    else:
        answer = own_answer(machine, parse_ladder(options.ladder, machine))
    for path in export_all(answer, asked, overwrite=options.overwrite):
        print(f"wrote {path}")
    return 0


def add_readings_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `jogtune readings`."""
    parser.add_argument("readings", metavar="READINGS.csv", help="the bench sheet's table, filled in")
    parser.add_argument("--machine", required=True, metavar="MACHINE.toml", help="the machine file")
    add_layers(parser)
    parser.set_defaults(run=run_readings)


def run_readings(options: argparse.Namespace) -> int:
    """Print what bench readings say: the verdict per axis and the ranked causes."""
    from ..bench.diagnose import diagnose
    from ..words.readings import diagnosis_answer, diagnosis_json, diagnosis_table, diagnosis_why

    found = diagnose(read_machine(options.machine), options.readings)
    print_layer(options, found, diagnosis_answer, diagnosis_why, diagnosis_table, diagnosis_json)
    return 0
