"""A suggestion in plain words and small tables, for terminal, page and notebook."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..logs.rates import share_above, turn_rates
from ..machine import Machine
from ..units import UNIT_FACTORS, in_unit, say_number

if TYPE_CHECKING:
    import pandas as pd

    from ..design.response import Answer
    from ..design.search import Suggestion
    from ..logs.read import Log


def ladder_table(answer: Suggestion) -> pd.DataFrame:
    """One row per rung: what a person needs at the machine; rates in detents/s, one column set per axis.

    >>> from jogtune.machine import read_machine
    >>> from jogtune.design.search import suggest
    >>> table = ladder_table(suggest(read_machine("datasets/machines/inlay_router.toml")))
    >>> list(table.columns[:3])
    ['position', 'multiplier', 'a click (mm)']
    """
    import pandas as pd

    unit = answer.machine.show_in
    records = []
    for rung, axes, replies in zip(answer.ladder.rungs, answer.figures, answer.answers, strict=True):
        record: dict[str, Any] = {
            "position": rung.position,
            "multiplier": f"×{rung.multiplier}",
            f"a click ({unit})": say_number(in_unit(rung.gain_mm, unit)),
        }
        for name, figure in axes.items():
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


def ripple_words(reply: Answer) -> str:
    """How unevenly the axis moves under a steady hand: stop-and-go, or plus and minus so many per cent."""
    return "stop-and-go" if reply.ripple.stop_and_go else f"±{say_number(100 * reply.ripple.share, digits=2)} %"


def answer_distance(machine: Machine, gain_mm: Any) -> str:
    """A gain in the person's unit, as text."""
    return f"{say_number(in_unit(gain_mm, machine.show_in))} {machine.show_in}"


def log_sentence(log: Log) -> str:
    """What a log holds, in a sentence; says *simulated* where it is."""
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
    return f"For the {answer.machine.name}: {count} rung{'s' if count > 1 else ''}, {answer.ladder.say()} per click."


def as_text(answer: Suggestion, log: Log | None = None) -> str:
    """A suggestion as text for a terminal."""
    parts = [headline(answer), _narrow_table(answer)]
    parts += [_section("Why", [*answer.rung_reasons, *answer.reasons[1:]])]
    parts += [_section("Given up", answer.given_up or ["nothing"])]
    if log is not None:
        parts.append(_section("The log", [log_sentence(log)]) + "\n" + log_table(answer, log).to_string(index=False))
    parts.append(_section("Cautions", answer.cautions))
    return "\n\n".join(parts) + "\n"


def _section(title: str, lines: Any) -> str:
    return "\n".join([title, *(f"  - {line}" for line in lines)])


def _narrow_table(answer: Suggestion) -> str:
    import pandas as pd

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
            })  # fmt: skip
    return pd.DataFrame(records).to_string(index=False)
