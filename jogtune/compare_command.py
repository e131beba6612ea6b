"""`jogtune compare`: ladders held against each other, with or without logs."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from .files import InputFault
from .logs.ladder_option import parse_ladder
from .machine import read_machine
from .units import say_distance, say_number

if TYPE_CHECKING:
    from .compare import Comparison, Difference, LadderResult
    from .ladder import Ladder

__all__ = ["as_text"]

FASTER_IS_NOT_SAFER = (
    "Faster is not safer: the machine's manual, its risk assessment and local rules come before any figure here. "
    "jogtune calculates; it is no safety device. Keep a hard-wired stop within reach and hands clear; a lost link "
    "must mean stop."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `jogtune compare`."""
    parser.add_argument("machine", metavar="MACHINE.toml", help="the machine file")
    parser.add_argument(
        "--ladder", action="append", required=True, metavar="0.01,0.1,1",
        help="distances per click in the machine's own unit (or with mm or in behind); give it once per ladder",
    )  # fmt: skip
    parser.add_argument("--log", action="append", default=[], metavar="LOG", help="a jog log; may be repeated")
    parser.add_argument("--map", metavar="MAP.toml", help="the column map of the logs, where they are not tidy ones")
    parser.add_argument("--seed", type=int, default=0, help="seed of the resampling (default 0)")
    parser.add_argument("--json", action="store_true", help="print JSON for scripts")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Compare ladders, print the answer; returns the exit code."""
    import json

    from .compare import compare, comparison_to_dict
    from .logs.read import read_log

    machine = read_machine(args.machine)
    ladders = [parse_ladder(text, machine) for text in args.ladder]
    _check_options(args, ladders)
    found = compare(machine, ladders, [read_log(log, columns=args.map) for log in args.log], seed=args.seed)
    print(json.dumps(comparison_to_dict(found), indent=2, allow_nan=False) if args.json else as_text(found))
    return 0


def _check_options(args: argparse.Namespace, ladders: list[Ladder]) -> None:
    faults = [f"--seed {args.seed}: must be 0 or above"] if args.seed < 0 else []
    if len(ladders) < 2:
        faults.append("needs two ladders or more: give --ladder again, as in --ladder 0.01,0.1,1 --ladder 0.02,0.2,2")
    if len(set(ladders)) < len(ladders):
        faults.append("names the same ladder twice: give each once")
    if faults:
        raise InputFault("jogtune compare", faults)


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
    lines = [f"{found.machine.name}: {len(found.ladders)} ladders", ""]
    lines += [line for result in found.ladders for line in _ladder_lines(found, result)]
    lines += [""] + [_difference_line(found, difference) for difference in found.differences]
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
    lost = "" if result.lost_detents is None else f", {result.lost_detents} clicks lost where the controller forgives"
    run_on = say_distance(result.run_on_mm, unit, digits=3)
    first = f"  {result.label}: {expected}, run-on up to {run_on}{lost}"
    return [first, *(f"    {reason}" for reason in result.impossible)]


def _difference_line(found: Comparison, difference: Difference) -> str:
    first, second = (found.ladders[i].label for i in (difference.first, difference.second))
    head = f"  {second} against {first}: {difference.verdict}"
    if difference.change is None:
        more = f"; about {difference.more_tasks} more tasks on each would" if difference.more_tasks else ""
        return f"{head}{more}."
    span = ""
    if difference.low is not None and difference.high is not None:
        span = f" ({100 * difference.low:+.0f} to {100 * difference.high:+.0f} %)"
    more = f"; about {difference.more_tasks} more tasks on each would" if difference.more_tasks else ""
    return f"{head}{more}. Time {100 * difference.change:+.0f} %{span}, {difference.kind}."


def _s(time_s: float) -> str:
    return say_number(time_s, digits=3)
