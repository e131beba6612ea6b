"""jogtune export and readings."""

from __future__ import annotations

import argparse
import dataclasses
from pathlib import Path

from ..choose.suggest import own_answer, suggest
from ..files import InputFault, refuse_existing, write_whole
from ..hand_over.export import MAKERS
from ..ladder.ladder import parse_ladder
from ..machine.file import read_machine
from ..machine.model import Machine


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `jogtune export`."""
    parser.add_argument("machine", metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--rungs", type=int, metavar="N", help="exactly so many rungs (default: as few as serve)")
    parser.add_argument("--series", default="plain", metavar="NAME", help="number series, or your own: 1,4,20,100")
    parser.add_argument("--base", metavar='"0.01 mm"', help="the distance that ×1 stands for (default: derived)")
    parser.add_argument("--ladder", metavar="0.01,0.1,1", help="this ladder instead of the suggested one")
    for name, (what, _) in MAKERS.items():
        parser.add_argument(f"--{name}", metavar="FILE", help=what)
    parser.add_argument("--overwrite", action="store_true", help="replace files that are there already")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Write every file asked for, or none of them where one can't be; prints their names."""
    asked = {name: getattr(options, name) for name in MAKERS if getattr(options, name)}
    if not asked:
        names = ", ".join(f"--{name}" for name in MAKERS)
        raise InputFault("jogtune export", [f"names no file to write: add one of {names}"])
    machine = read_machine(options.machine)
    _check_paths(asked, machine, overwrite=options.overwrite)
    if options.ladder is None:
        answer = suggest(machine, rungs=options.rungs, series=options.series, base=options.base)
    else:
        answer = own_answer(machine, parse_ladder(options.ladder, machine))
    made = {path: MAKERS[name][1](answer, path, options) for name, path in asked.items()}
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
        from ..hand_over.card import card_kind
        from ..hand_over.paper import page_kind

        for name, path in asked.items():
            kinds = {"legend": ("svg", "pdf"), "card": ("svg", "pdf"), "sheet": ("pdf",)}.get(name)
            if kinds:
                page_kind(path, kinds)
        if "card" in asked:
            card_kind(asked["card"], machine)


def add_readings_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `jogtune readings`."""
    parser.add_argument("readings", metavar="READINGS.csv", help="the bench sheet's table, filled in")
    parser.add_argument("--machine", required=True, metavar="MACHINE.toml", help="the machine file")
    parser.add_argument("--json", action="store_true", help="print JSON for scripts")
    parser.set_defaults(run=run_readings)


def run_readings(options: argparse.Namespace) -> int:
    """Print what bench readings say: the verdict per axis and the ranked causes."""
    from ..bench.diagnose import diagnose_readings
    from ..bench.readings import read_readings
    from ..hand_over.data import to_json
    from ..hand_over.sheet import diagnosis_as_text

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
