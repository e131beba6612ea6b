"""`jogtune measure`: a log and its machine in, what it says out."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from ..machine import read_machine
from ..units import UNIT_FACTORS, say_distance, say_number
from .ladder_option import let_minus_through, parse_ladder
from .row_count import say_count

if TYPE_CHECKING:
    from .figures import Figure
    from .measure import Measured, RungFigures

__all__ = ["as_text"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `jogtune measure`."""
    parser.add_argument("log", metavar="LOG", help="the jog log")
    parser.add_argument("--machine", required=True, metavar="MACHINE.toml", help="the machine it was recorded on")
    parser.add_argument("--map", metavar="MAP.toml", help="the column map of the log, where it is not a tidy one")
    parser.add_argument(
        "--ladder", metavar="0.01,0.1,1",
        help="what rungs 1, 2, 3 ... are, where the log gives numbers only; in the machine's own unit, or add mm or in",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print JSON for scripts")
    let_minus_through(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Measure a log, print what it says; returns the exit code."""
    import json

    from .measure import measure_parts, measured_to_dict
    from .read import iter_log

    machine = read_machine(args.machine)
    ladder = parse_ladder(args.ladder, machine) if args.ladder else None
    found = measure_parts(iter_log(args.log, columns=args.map), machine, ladder=ladder)
    print(json.dumps(measured_to_dict(found), indent=2, allow_nan=False) if args.json else as_text(found))
    return 0


def as_text(found: Measured) -> str:
    """What a log says, as plain text.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.logs.measure import measure
    >>> from jogtune.logs.read import read_log
    >>> log = read_log("datasets/logs/inlay_router_simulated.csv")
    >>> found = measure(log, router)
    >>> as_text(found).splitlines()[0]
    'datasets/logs/inlay_router_simulated.csv: 3692 rows, 2.5 min, 24 tasks, position measured. Simulated:
    nobody turned this knob.'
    """
    from .measure import CAUTION

    minutes = say_number(found.duration_s / 60, digits=2)
    simulated = " Simulated: nobody turned this knob." if found.simulated else ""
    position = f"position {found.position_kind}" if found.position_kind else "no position of a known kind"
    size = f"{say_count(found.rows, 'row')}, {minutes} min, {say_count(len(found.tasks), 'task')}"
    lines = [f"{found.source}: {size}, {position}.{simulated}", ""]
    lines += [_rung_line(found, rung) for rung in found.rungs]
    lines += ["", "The hand:", *(f"  {_HAND[name]}: {_said(figure)}" for name, figure in found.hand.items())]
    lines += [f"Delay from report to motion: {_said(found.delay_s.times(1000), 'ms')}."]
    lines += [_slack_line(found, name) for name in found.axes]
    lines += _listed("What to look at", found.findings) + _listed("Noticed", found.remarks)
    lines += _listed("Not concluded", [f"{claim}: {why}" for claim, why in found.refused])
    return "\n".join([*lines, "", CAUTION])


_HAND = {
    "start_s": "from a new goal to the first click [s]",
    "look_s": "looking before each further move [s]",
    "switch_s": "on top where the rung changes [s]",
    "spread": "spread of a move's end, share of its distance",
    "turn_rate_detents_s": "turn rate, median of bursts [detents/s]",
}


def _rung_line(found: Measured, rung: RungFigures) -> str:
    unit = found.machine.show_in
    rate = rung.turn_rate_median
    parts = [f"{round(100 * rung.time_share)} % of the time", say_count(rung.detents, "click")]
    parts.append(f"{_said(rate)} detents/s" if rate.value is not None else "no burst long enough for a turn rate")
    if rung.at_ceiling_share:
        parts.append(f"{round(100 * rung.at_ceiling_share)} % of it faster than the axis follows")
    if rung.run_on_mm is not None:
        parts.append(f"run-on {say_distance(rung.run_on_mm, unit, digits=2)}")
    return f"  {say_distance(rung.gain_mm, unit)} a click: {', '.join(parts)}"


def _slack_line(found: Measured, name: str) -> str:
    unit = found.machine.shown_unit(found.machine.axis(name))
    slack = found.axes[name].slack_mm.times(1 / float(UNIT_FACTORS[unit]))
    return f"Axis {name}: slack {_said(slack, unit)}."


def _said(figure: Figure, unit: str = "") -> str:
    end = f" {unit}" if unit else ""
    if figure.value is None:
        return f"the log can't tell ({figure.why})"
    value = say_number(figure.value, digits=3) + end
    if figure.low is None or figure.high is None:
        return f"{value} (no interval: {figure.why})"
    return f"{value} ({say_number(figure.low, digits=3)} to {say_number(figure.high, digits=3)})"


def _listed(title: str, texts: object) -> list[str]:
    found = list(texts) if isinstance(texts, (list, tuple)) else []
    return ["", f"{title}:", *(f"  - {text}" for text in found)] if found else []
