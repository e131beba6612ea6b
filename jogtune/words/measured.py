"""Measured, readings, a hand: answers."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Sequence
from functools import wraps
from typing import TYPE_CHECKING, Any

from ..hand.fit import HandFit
from ..notes import Note, Severity, merged
from ..signs import wide
from ..units import UNIT_FACTORS, say_distance, say_number
from .checks import told_tests
from .log_notes import _count_as_json
from .say import _fill, _listed, _percent, counted
from .speak import _plain, _plain_fields, notes_as_data, speak, spoken, spoken_cautions
from .tables import _as_text, of_frame

if TYPE_CHECKING:
    import pandas as pd

    from ..bench.diagnose import Cause, Diagnosis
    from ..measure.figure import Figure
    from ..measure.measured import Measured, RungFigures

_Layers = dict[str, Callable[[Any], Any]]
_WIDE, _HIGH = 100, 24
"""What an answer fits into: columns and lines."""
_MORE = "More: --why  --table  --cautions  --json"


def _fitted(lines_of: Callable[[Any, int], list[str]]) -> Callable[[Any], str]:
    """An answer from its lines: folded to its width, with as many entries of a kind shown as its height allows."""

    @wraps(lines_of)
    def answer(found: Any) -> str:
        for shown in range(12, 0, -1):
            text = "\n".join(_folded(lines_of(found, shown)))
            if text.count("\n") < _HIGH * _WIDE // wide():
                break
        return text

    return answer


def _folded(lines: Iterable[str]) -> list[str]:
    """Lines no wider than an answer; what is folded is set in by two spaces more than its first line."""
    made = []
    for line in lines:
        inside = " " * (len(line) - len(line.lstrip()) + (2 if line.startswith((" ", "- ")) else 0))
        fits = len(line) <= wide() or wide() < _WIDE  # a narrow terminal folds by itself
        made += [line] if fits else textwrap.wrap(line, _WIDE, subsequent_indent=inside, break_on_hyphens=False)
    return made


def _first_of(lines: Sequence[str], shown: int, where: str = "--why") -> list[str]:
    return [*lines[:shown], *[f"  and {len(lines) - shown} more: {where}"] * (len(lines) > shown)]


@_fitted
def _measured_answer(found: Measured, shown: int) -> list[str]:
    """What a log says, in at most 24 lines: what to look at first, then the rungs, the hand and the caution."""
    minutes, position = say_number(found.duration_s / 60, digits=2), f"position {found.position_kind or 'not told'}"
    size = f"{counted(found.rows, 'row')}, {minutes} min, {counted(len(found.tasks), 'task')}"
    simulated = [speak(note) for note in found.notes if note.kind == "log_simulated"]
    lines = [" ".join([f"{found.source}: {size}, {position}.", *simulated]), ""]
    urgent = [note for note in found.notes if note.severity == Severity.MIND and note.kind != "log_simulated"]
    if urgent:
        lines += ["Look at this first:", *_first_of([f"  {speak(note)}" for note in urgent], shown), ""]
    lines += [*_first_of(_as_text(_rung_table(found)).split("\n"), 1 + shown, "--table"), ""]
    if calm := [speak(note) for note in found.use_notes if note.severity < Severity.MIND]:
        lines += [f"{say_number(float(found.tasks['switches'].mean()), digits=2)} changes of rung a task. {calm[0]}"]
    told = "; ".join(text for key, text in _hand_words(found).items() if found.hand[key].value is not None)
    lines += [f"The hand: {told}." if told else "The hand: the log is too short to tell."]
    if found.delay_s.value is not None:
        lines.append(f"The axis starts {_figure_words(found.delay_s.times(1000), ' ms')} after a report.")
    return [*lines, *_ramp_lines(found), *spoken_cautions(found.notes), "", _MORE]


def _ramp_lines(found: Measured) -> list[str]:
    """What a script of turning shows of an axis, in a line."""
    ramp = found.ramp
    if ramp is None:
        return []
    unit = found.machine.shown_unit(found.machine.axis(ramp.axis))
    size = 1 / float(UNIT_FACTORS[unit])
    figures = (
        ("ramp", ramp.accel_mm_s2, size, f"{unit}/s²"), ("brake", ramp.brake_mm_s2, size, f"{unit}/s²"),
        ("top speed", ramp.top_mm_s, size, f"{unit}/s"), ("delay", ramp.delay_s, 1000, "ms"),
        ("limit", ramp.limit_mm, size, unit), ("queue", ramp.queue, 1, "moves"),
    )  # fmt: skip
    told = [f"{name} {_figure_words(figure.times(times), f' {of}')}" for name, figure, times, of in figures if figure is not None]
    unclear = ["one rung alone lost clicks, so it may be the limit or the queue"] if ramp.habit == "unclear" else []
    return [f"{ramp.axis}: {', '.join([*told, *unclear])}. Ramps are taken as straight, rows as the control's own reports."]


_HAND = {
    "start_s": ("first click after a new goal", " s", 1), "look_s": ("a look before each further move", " s", 1),
    "switch_s": ("a change of rung", " s more", 1), "spread": ("a move ends off by", " % of its distance", 100),
    "turn_rate_detents_s": ("turns", " clicks/s", 1),
}  # fmt: skip
"""Figure of the hand -> what it is, the unit behind it, and how many of that unit make one."""


def _hand_words(found: Measured) -> dict[str, str]:
    return {key: f"{name} {_figure_words(found.hand[key].times(many), unit)}" for key, (name, unit, many) in _HAND.items()}


def _figure_words(figure: Figure, unit: str = "", digits: int = 3) -> str:
    """A figure with its interval: "12.6 clicks/s (11.1 to 15.7)", or why there is none."""
    if figure.value is None:
        return f"can't be told ({_clause(figure.why)})"
    value = say_number(figure.value, digits=digits)
    if figure.low is not None and figure.high is None:
        return f"at least {value}{unit} ({_clause(figure.why)})"
    if figure.low is None or figure.high is None:
        return f"{value}{unit} (no interval{': ' + _clause(figure.why) if figure.why else ''})"
    return f"{value}{unit} ({say_number(figure.low, digits=digits)} to {say_number(figure.high, digits=digits)})"


def _clause(why: Note | None) -> str:
    text = speak(why).rstrip(".") if why else ""
    return text[:1].lower() + text[1:]


def _rung_table(found: Measured) -> list[list[str]]:
    unit = found.machine.show_in
    travel = dict(zip(found.use["gain_mm"], found.use["travel_share"], strict=True))
    table = [["a click", "of the time", "travel", "clicks", "turned at (clicks/s)", "faster than the axis", "runs on"]]
    for rung in found.rungs:
        rate = rung.turn_rate_median
        table.append([
            say_distance(rung.gain_mm, unit), f"{round(100 * rung.time_share)} %",
            f"{round(100 * travel[rung.gain_mm])} %" if rung.gain_mm in travel else "", str(rung.detents),
            _figure_words(rate) if rate.low is not None else "" if rate.value is None else say_number(rate.value, digits=3),
            f"{round(100 * rung.at_ceiling_share)} %" if rung.at_ceiling_share else "",
            "" if rung.run_on_mm is None else say_distance(rung.run_on_mm, unit, digits=2),
        ])  # fmt: skip
    return table


def _measured_why(found: Measured) -> str:
    """Everything noted, every figure of hand and axes with its interval, and what can't be told and why."""
    look, used = ([f"  {text}" for text in spoken(notes)] for notes in (found.findings, found.use_notes))
    hand = [f"  {text}" for text in _hand_words(found).values()]
    lines = ["To look at:", *(look or ["  nothing"]), "", "The rungs:", *used, "", "The hand:", *hand, "", "The machine:"]
    lines += [f"  report to motion: {_figure_words(found.delay_s.times(1000), ' ms')}"]
    for name, axis in found.axes.items():
        unit = found.machine.shown_unit(found.machine.axis(name))
        size = 1 / float(UNIT_FACTORS[unit])
        lines.append(f"  axis {name}, slack: {_figure_words(axis.slack_mm.times(size), f' {unit}')}")
        if ramp := found.ramps_mm_s2.get(name):
            lines.append(f"  axis {name}, ramp: {_figure_words(ramp.times(size), f' {unit}/s²')}")
    if found.why_refused:
        lines += [f"  Not concluded: {', '.join(found.refused)}. {speak(found.why_refused)}"]
    remarks = [speak(note) for note in found.notes if note.kind == "log_simulated" or note in found.remarks]
    lines += ["", "Of the log itself:", *(f"  {text}" for text in remarks)] if remarks else []
    return "\n".join(_folded([*lines, "", *spoken_cautions(found.notes)]))


def _as_json(found: Any, content: dict[str, Any]) -> dict[str, Any]:
    """A result as JSON: its machine, its content, and what has to be said."""
    told = {"cautions": spoken_cautions(found.notes), "notes": notes_as_data(found.notes)}
    return {"machine": found.machine.name, **content, **told}


def _table_text(found: Any) -> str:
    return _frame_text(found.table)


def _frame_text(*frames: pd.DataFrame) -> str:
    """Frames as text, numbers with four digits."""
    cells = ([[_cell(cell) for cell in row] for row in of_frame(frame.astype(object))] for frame in frames)
    return "\n\n".join(_as_text(rows) if len(rows) > 1 else "no rows" for rows in cells)


def _cell(text: str) -> str:
    try:
        number = float(text)
    except ValueError:
        return "" if text == "None" else text
    return "" if number != number else say_number(number, digits=4)


def _measured_json(found: Measured) -> dict[str, Any]:
    """What `jogtune measure --json` prints; distances in mm (degrees on a rotary axis), times in s."""
    return _as_json(found, {
        **_plain_fields(found, "source simulated position_kind rows"), **_count_as_json(found.count),
        **_plain_fields(found, "duration_s turn_rate_median turn_rate_p95 hand throughput findings remarks thresholds"),
        "rungs": [_rung_json(rung) for rung in found.rungs], "delay_s": found.delay_s.value, "delay": _plain(found.delay_s),
        "axes": {n: _plain_fields(axis, "slack_mm noise_mm rests left_out wanders jumps_s") for n, axis in found.axes.items()},
        "tasks": _plain(found.tasks[[name for name in _TASK_COLUMNS if name in found.tasks]]),
        "use": {"rungs": _plain(found.use), "switches_per_task": _plain(found.tasks["switches"].mean())},
        "ramp": _plain(found.ramp), "smoothness": {"moves": _plain(found.smoothness), "why": _plain(found.smoothness_why)},
        "refused": [{"claim": claim, "why": _plain(found.why_refused)} for claim in found.refused],
    })  # fmt: skip


_TASK_COLUMNS = (
    "task", "axis", "person", "marker", "distance_mm", "tolerance_mm", "time_s", "wait_s", "bursts", "clicks",
    "switches", "reversals", "overshoot", "error_mm", "path_efficiency",
)  # fmt: skip


def _rung_json(rung: RungFigures) -> dict[str, Any]:
    main = max(rung.detents_by_axis, key=rung.detents_by_axis.__getitem__, default="")
    gain = rung.effective_gain_mm.get(main)
    counts = "gain_mm time_share detents distance_mm bursts at_ceiling_share run_on_mm overshoots reversals"
    return {
        **_plain_fields(rung, counts), "turn_rate_median": rung.turn_rate_median.value, "turn_rate_p95": rung.turn_rate_p95.value,
        "turn_rates": {"median": _plain(rung.turn_rate_median), "p95": _plain(rung.turn_rate_p95)},
        "effective_gain_mm": None if gain is None else {**_plain(gain), "axis": main},
        "axes": {name: {"effective_gain_mm": _plain(figure), "detents": rung.detents_by_axis.get(name, 0)}
                 for name, figure in rung.effective_gain_mm.items()},
    }  # fmt: skip


def _told(found: Diagnosis, shown: int) -> list[str]:
    axes = spoken((*merged(finding.why for finding in found.findings), *found.remarks))
    lines = [f"{found.machine.name}: {found.verdict}.", *(f"  {text}" for text in axes)]
    for number, cause in enumerate(found.causes[:shown], start=1):
        lines.append(f"{number}. {cause.kind} on {_listed(cause.axes)} ({say_number(100 * cause.likelihood, digits=2)} %)")
        lines += [f"   {_line(note, cause)}" for note in cause.evidence]
        lines += [f"   To do: {_line(note, cause)}" for note in cause.cure]
    more = len(found.causes) - shown
    return [*lines, f"  and {more} less likely: --why"] if more > 0 else lines


def _line(note: Note, cause: Cause) -> str:
    """A note below its cause: it names its axes where they are not those of the cause."""
    text, axes = speak(note), _fill("{Axes}: ", note)
    if note.where.axes == cause.axes and text.startswith(axes):
        text = text.removeprefix(axes)
    return text[:1].upper() + text[1:]


def _diagnosis_json(found: Diagnosis) -> dict[str, Any]:
    content = _plain_fields(found, "verdict findings causes remarks")
    for told, finding in zip(content["findings"], found.findings, strict=True):
        if finding.verdict == "found":
            told["why"] = " and ".join(finding.why.figures["causes"])
    return _as_json(found, content)


def _judged(found: Any, shown: int) -> list[str]:
    named = {test: (name, said[2]) for test, name, said, _ in told_tests(found.asked)}
    by = {verdict: [test for test, one in found.tests.items() if one == verdict] for verdict in ("fail", "pass", "not done")}
    notes = {kind: [note for note in found.notes if note.kind == kind] for kind in ("checks_of_another_file", "check_failed")}
    failed: dict[str, list[str]] = {test: [] for test in by["fail"]}
    for note in notes["check_failed"]:
        failed[note.figures["check"].test.rstrip("abc")].append(f"   {speak(note)}")
    lines = [f"{found.machine.name}: {found.verdict}.", *(f"  {text}" for text in spoken(notes["checks_of_another_file"]))]
    for test in by["fail"][:shown]:
        name, meaning = named[test]
        lines += [f"{test}. {name}: fail. {meaning}", *_first_of(failed[test], max(1, shown // 2))]
    lines += [f"  and {len(by['fail']) - shown} more that fail: --why"] if len(by["fail"]) > shown else []
    left = sum(one.verdict == "not done" for one in found.figures)
    open_ = f" ({counted(left, 'figure')} to fill in)" if left else ""
    return [*lines, f"Pass: {_listed(by['pass']) or 'none'}. Not done: {_listed(by['not done']) or 'none'}{open_}."]


def _checked_json(found: Any) -> dict[str, Any]:
    """The record: machine file, who, when, every figure, what passed, failed or was not done."""
    record = {"machine_file": found.machine.source, "sha256": found.machine.sha256, "sheet_sha256": found.sheet}
    record |= {"ladder": found.asked.ladder.say(), **_plain_fields(found, "verdict tests"), "figures": _plain(found.table)}
    return _as_json(found, record)


def _fit_table(found: HandFit) -> str:
    kept = (found.values, found.standard_errors)
    rows = [[name, *(say_number(figures[name], digits=3) for figures in kept)] for name in found.values]
    return _as_text([["figure", "value", "standard error"], *rows])


def _fit_answer(found: HandFit) -> str:
    tested = "" if found.held_out_error is None else f", {_percent(found.held_out_error)} on tasks it had not seen"
    unsure = f"The tasks can't tell {_listed(found.cant_tell)}." if found.cant_tell else "The tasks tell every figure."
    of = f"{counted(found.tasks, 'task')} of {counted(found.conditions, 'kind')}"
    head = f"A hand from {of}: {_percent(found.rms_error)} off{tested}."
    return "\n".join([head, _fit_table(found), unsure])


MEASURED = {
    "answer": _measured_answer, "why": _measured_why, "table": lambda found: _frame_text(found.table, found.use),
    "json": _measured_json,
}  # fmt: skip
DIAGNOSIS = {
    "answer": _fitted(lambda found, shown: [*_told(found, shown), "", *spoken_cautions(found.notes), _MORE]),
    "why": lambda found: "\n".join(_folded([*_told(found, len(found.causes)), "", *spoken_cautions(found.notes)])),
    "table": _table_text, "json": _diagnosis_json,
}  # fmt: skip
CHECKED = {
    "answer": _fitted(lambda found, shown: [*_judged(found, shown), "", *spoken_cautions(found.notes), _MORE]),
    "why": lambda found: "\n".join(_folded([
        *_judged(found, len(found.figures)), *(f"  {speak(note)}" for note in found.notes if note.kind == "check_left_out"), "",
        *spoken_cautions(found.notes),
    ])),
    "table": _table_text, "json": _checked_json,
}  # fmt: skip
FIT = {
    "answer": _fit_answer, "why": lambda found: f"{found.form}\n{speak(found.note)}", "table": _fit_table,
    "json": lambda found: _plain_fields(
        found, "form values standard_errors rms_error held_out_error conditions tasks cant_tell"
    ) | {"notes": notes_as_data(found.notes)},
}  # fmt: skip
"""How a log measured, readings, tests and a hand are told, by layer."""
