"""A suggestion in plain words and small tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..logs.rates import share_above, turn_rates
from ..machine.model import Machine
from ..machine.odd import odd_figures
from ..units import UNIT_FACTORS, in_unit, say_number
from .speak import spoken

if TYPE_CHECKING:
    import pandas as pd

    from ..axis.advice import Answer
    from ..choose.prefer import Ranked, Search
    from ..choose.suggest import Suggestion
    from ..logs.log import Log

TABLE_WORDS = (
    "Full speed at: turned faster, the axis can't keep up. Run-on: how far it still travels after a steady hand (one",
    "second where it outruns the axis) has stopped. Ripple: how far its speed swings about the mean; stop-and-go: it rests",
    "between clicks. Habit: what suits the controller there: owe (finish every click) or limit (drop the clicks beyond a limit",
    "on what is outstanding: see the cautions); dash (each move at top speed) or spread (over one report interval). Keeps clicks",
    "to: with that limit no click is lost up to this turn rate; exact: twice a steady hand's, even: at least a steady hand's;",
    "travel: a steady hand loses clicks; none: one click is more than the limit, so nothing would move.",
)


def ladder_table(answer: Suggestion, *, axis: str | None = None) -> pd.DataFrame:
    """One row per rung: what a person needs at the machine; rates in detents/s, one column set per axis."""
    import pandas as pd

    unit = answer.machine.show_in
    records = []
    for rung, axes, replies in zip(answer.ladder.rungs, answer.figures, answer.answers, strict=True):
        record: dict[str, Any] = {
            "position": rung.position,
            "multiplier": f"×{rung.multiplier}",
            f"a click ({unit})": say_number(in_unit(rung.gain_mm, unit)),
        }
        for name in axes if axis is None else [axis]:
            figure = axes[name]
            record[f"{name}: steps a click"] = _steps_words(figure.steps_per_detent, figure.whole_step)
            record[f"{name}: full speed at"] = say_number(figure.full_speed_turn_rate, digits=3)
            record[f"{name}: turns to cross"] = say_number(figure.turns_to_cross, digits=3)
            record[f"{name}: run-on"] = run_on_words(answer.machine, name, replies[name])
        records.append(record)
    return pd.DataFrame(records)


def _steps_words(steps: Any, whole: bool) -> str:
    return say_number(steps, digits=5) if whole else f"{say_number(steps, digits=5)} (not whole)"


def log_table(answer: Suggestion, log: Log) -> pd.DataFrame:
    """Per rung and axis: the share of the log's turning [%] that would outrun the axis."""
    import pandas as pd

    rates = turn_rates(log.rows)
    records = []
    for rung, axes in zip(answer.ladder.rungs, answer.figures, strict=True):
        shares = {
            f"outruns {name} (%)": round(100 * share_above(rates, figure.full_speed_turn_rate), 1)
            for name, figure in axes.items()
        }
        records.append({"position": rung.position, "a click": answer_distance(answer.machine, rung.gain_mm), **shares})
    return pd.DataFrame(records)


def run_on_words(machine: Machine, axis: str, reply: Answer) -> str:
    """How far the axis still travels after a steady hand has stopped, in the person's unit."""
    unit = machine.shown_unit(machine.axis(axis))
    return f"{say_number(reply.run_on_mm / float(UNIT_FACTORS[unit]), digits=2)} {unit}"


def free_words(reply: Answer) -> str:
    """Up to which turn rate [detents/s] a rung loses no click under the limit advised, and what that makes of it."""
    return f"{say_number(reply.free_rate, digits=3)}, {reply.kind}" if reply.free_rate else "none"


def ripple_words(reply: Answer) -> str:
    """How unevenly the axis moves under a steady hand: stop-and-go, or plus and minus so many per cent."""
    return "stop-and-go" if reply.ripple.stop_and_go else f"±{say_number(100 * reply.ripple.share, digits=2)} %"


def task_table(machine: Machine, search: Search) -> pd.DataFrame:
    """One row per task of the mix: expected time, spread, and the route: which rung from which distance on."""
    import pandas as pd

    records = []
    for task, estimate in zip(search.mix.tasks, search.tasks, strict=True):
        unit = machine.shown_unit(machine.axis(task.axis))
        factor = float(UNIT_FACTORS[unit])
        far, wide = (f"{say_number(d / factor, digits=3)} {unit}" for d in (task.distance_mm, task.tolerance_mm))
        time = "can't be done" if estimate.mean_s is None else f"{estimate.mean_s:.1f} ± {estimate.sd_s:.1f} s"
        records.append({
            "task": task.name, "axis": task.axis, "distance": far, "to within": wide, "time ± spread": time,
            "rungs in turn": ", ".join(str(leg.position) for leg in estimate.route) or "-",
        })  # fmt: skip
    return pd.DataFrame(records)


def near_table(search: Search) -> pd.DataFrame:
    """The plainest few of the ladders that do the mix as fast as can usefully be told."""
    import pandas as pd

    return pd.DataFrame([_ranked_row(ranked) for ranked in search.plainest])


def count_table(search: Search) -> pd.DataFrame:
    """The best ladder of each number of rungs; the knee is the fewest that come near the best."""
    import pandas as pd

    rows = []
    for ranked in search.curve:
        count = len(ranked.ladder.multipliers)
        near = f"within {100 * search.near_share:g} % of the best from here on"
        rows.append({"rungs": count, **_ranked_row(ranked), "verdict": near if count == search.knee else ""})
    return pd.DataFrame(rows)


def _ranked_row(ranked: Ranked) -> dict[str, str]:
    return {"a click": ranked.ladder.say(), "a task on average": f"{ranked.time_s:.2f} s"}


def log_findings(machine: Machine, log: Log) -> list[str]:
    """What a log shows of hand and machine, each claim with its interval, and what it can't tell."""
    from ..files import InputFault
    from ..measure.measure import measure

    lines = [log_sentence(log, machine)]
    try:
        found = measure(log, machine)
    except InputFault as fault:
        return [*lines, *(f"Not measured: {text}" for text in fault.faults)]
    lines += [f"{text[:1].upper()}{text[1:]}" for text in found.findings]
    return lines + [f"Not concluded: {claim}: {why}." for claim, why in found.refused]


def measure_next(answer: Suggestion, log: Log | None) -> list[str]:
    """What to find out next, for a surer ladder: what the file leaves open and no log has shown."""
    machine = answer.machine
    lines = []
    if log is None or log.simulated:
        lines.append("Record your own turning (jogtune record, jogtune read) and measure it (jogtune measure).")
    if log is None or log.position_kind != "measured":
        lines.append("Distance per click and slack: the bench sheet and a dial indicator (jogtune export --sheet).")
    if machine.firmware.remainder == "unknown":
        lines.append("Whether the firmware keeps remainders: click 1000 times out and back on a rung that is not whole steps.")
    no_slack = [axis.name for axis in machine.axes if axis.slack_mm == 0]
    if no_slack:
        lines.append(f"The slack of {', '.join(no_slack)}: the file gives none.")
    no_calm = [axis.name for axis in machine.axes if axis.calm_speed_mm_s is None]
    if no_calm:
        lines.append(f"The speed allowed on {', '.join(no_calm)} while someone stands near: ask manual and risk assessment.")
    return [*lines, "The hand's own figures: fit them to a log with goals, for the times here rest on start values."]


def answer_distance(machine: Machine, gain_mm: Any) -> str:
    """A gain in the person's unit, as text."""
    return f"{say_number(in_unit(gain_mm, machine.show_in))} {machine.show_in}"


def log_sentence(log: Log, machine: Machine | None = None) -> str:
    """What a log holds, in a sentence or two; says *simulated* where it is, and what was left out.

    With a machine it also names axes of the log that the machine hasn't.
    """
    return _log_sentence(log) + _left_out_words(log) + ("" if machine is None else _strange_axes(log, machine))


def _left_out_words(log: Log) -> str:
    left = len(log.noticed)
    if not left:
        return ""
    first = log.noticed.iloc[0]
    return f" {left} of {log.rows_in} rows were left out; the first, line {first['line']}: {first['what']} (see jogtune read)."


def _strange_axes(log: Log, machine: Machine) -> str:
    known = {axis.name for axis in machine.axes}
    strange = sorted({str(name) for name in log.rows["axis"].unique()} - known) if "axis" in log.rows else []
    return f" The machine has no axis {', '.join(strange)}; its turning is counted all the same." if strange else ""


def _log_sentence(log: Log) -> str:
    import numpy as np

    rates = turn_rates(log.rows)
    what = "Simulated log" if log.simulated else "Log"
    turned_by = log.notes.get("turned by")
    by = f", turned by {turned_by}" if turned_by else ""
    if not len(rates):
        return f"{what} {log.source}{by}: {log.rows_out} rows, no turning in it."
    median, most = (say_number(float(v), digits=3) for v in np.quantile(rates, [0.5, 0.95]))
    return (
        f"{what} {log.source}{by}: {log.rows_out} rows; turn rate {median} detents/s in the median, "
        f"{most} at the 95th percentile."
    )


def headline(answer: Suggestion) -> str:
    """The answer in one sentence."""
    count = len(answer.ladder.rungs)
    unable = 0 if answer.search is None else sum(estimate.mean_s is None for estimate in answer.search.tasks)
    but = "" if not unable else f" {unable} task{'s' if unable > 1 else ''} of the mix can't be done with it."
    return f"For the {answer.machine.name}: {count} rung{'s' if count > 1 else ''}, {answer.ladder.say()} per click.{but}"


def as_text(answer: Suggestion, log: Log | None = None) -> str:
    """A suggestion as text for a terminal."""
    parts = [headline(answer), _narrow_table(answer), "\n".join(TABLE_WORDS)]
    parts += [_section("Why", [*answer.rung_reasons, *answer.reasons[1:]])]
    parts += [_section("Given up", answer.given_up or ["nothing"])]
    remarks = spoken(odd_figures(answer.machine))
    parts += [_section("Look at these twice", remarks)] if remarks else []
    if log is not None:
        table = log_table(answer, log).to_string(index=False)
        parts.append(_section("The log", [log_sentence(log, answer.machine)]) + "\n" + table)
    parts.append(_section("Cautions", answer.cautions))
    return "\n\n".join(parts) + "\n"


def _section(title: str, lines: Any) -> str:
    return "\n".join([title, *(f"  - {line}" for line in lines)])


def _narrow_table(answer: Suggestion) -> str:
    unit = answer.machine.show_in
    records = []
    for rung, axes, replies in zip(answer.ladder.rungs, answer.figures, answer.answers, strict=True):
        for name, figure in axes.items():
            records.append({
                "position": rung.position,
                "a click": f"{say_number(in_unit(rung.gain_mm, unit))} {unit}",
                "axis": name,
                "steps a click": _steps_words(figure.steps_per_detent, figure.whole_step),
                "full speed at (detents/s)": say_number(figure.full_speed_turn_rate, digits=3),
                "turns to cross": say_number(figure.turns_to_cross, digits=3),
                "run-on": run_on_words(answer.machine, name, replies[name]),
                "ripple": ripple_words(replies[name]),
                "habit": replies[name].habit,
                "keeps clicks to": free_words(replies[name]),
            })  # fmt: skip
    rows = [list(records[0]), *([str(value) for value in record.values()] for record in records)]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return "\n".join(" ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)) for row in rows)
