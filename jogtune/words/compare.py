"""Ladders and people compared."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..notes import Severity
from ..units import UNIT_FACTORS, say_distance, say_number
from .findings import _ADVICE
from .log_notes import _count_as_json
from .measured import _MORE, _as_json, _figure_words, _first_of, _fitted, _folded, _frame_text, _Layers, _table_text
from .say import counted, letter
from .speak import _plain, _plain_fields, speak, spoken, spoken_cautions
from .tables import _as_text

if TYPE_CHECKING:
    from ..logs.log import RowCount
    from ..measure.classroom import ClassResult
    from ..measure.compare import Comparison, LadderResult
    from ..measure.many import _ManyMeasured
    from ..measure.since import _Since
    from ..measure.times import Difference

_VERDICTS = {
    "ladder_faster": "{} is faster", "expected_faster": "{} should be faster; nothing was measured",
    "only_one_can": "only {} can do every task", "neither_can": "neither can do every task",
}  # fmt: skip


def verdict_words(found: Difference, labels: Sequence[str]) -> str:
    """The verdict in brief; `labels` are those of all ladders."""
    if found.advice is not None:
        return f"can't tell from practice: {_ADVICE[found.advice]}"
    faster = "" if found.faster is None else labels[found.faster]
    return _VERDICTS.get(found.verdict, "can't tell apart").format(faster)


@_fitted
def _comparison_answer(found: Comparison, shown: int) -> list[str]:
    """What was concluded of each pair, then each ladder's figures, and the caution, in at most 24 lines."""
    letters = [letter(i) for i in range(len(found.ladders))]
    head, said = _headed(f"{found.machine.name}: {counted(len(found.ladders), 'ladder')} compared.", found)
    return [
        head, "", *_first_of([f"  {speak(one.note(letters))}" for one in found.differences], shown), "",
        *_as_text(_ladder_table(found)).split("\n"), "", *_first_of(said[len(found.differences):], shown),
        *spoken_cautions(found.notes), "", _MORE,
    ]  # fmt: skip


def _headed(head: str, found: Comparison | ClassResult | _ManyMeasured) -> tuple[str, list[str]]:
    """The first line, with a word on simulated logs; and what else is said below the cautions."""
    calm = [note for note in found.notes if note.severity < Severity.CAUTION]
    simulated = [speak(note) for note in calm if note.kind == "logs_simulated"]
    return " ".join([head, *simulated]), [speak(note) for note in calm if note.kind != "logs_simulated"]


def _ladder_table(found: Comparison) -> list[list[str]]:
    logged = any(result.lost_detents is not None for result in found.ladders)
    heads = ["", "a click", "a task takes (s)", "measured (s)", "runs on", "clicks lost"]
    rows = [heads, *([
        letter(i), one.label, _expected_words(one), "" if one.measured.value is None else _figure_words(one.measured),
        say_distance(one.run_on_mm, found.machine.show_in, digits=3), "" if one.lost_detents is None else str(one.lost_detents),
    ] for i, one in enumerate(found.ladders))]  # fmt: skip
    return rows if logged else [[*row[:3], row[4]] for row in rows]


def _expected_words(result: LadderResult) -> str:
    """The expected time [s], with its interval where a log gives one."""
    if result.expected_time_s is None:
        return "can't do every task"
    low, high = (None if v is None else say_number(v, digits=3) for v in (result.low, result.high))
    return say_number(result.expected_time_s, digits=3) + (f" ({low} to {high})" if low and high else "")


def _why(found: Comparison | ClassResult | _ManyMeasured | _Since) -> str:
    """Everything noted, and every log that could not be measured."""
    unread = (f"Not measured: {fault}" for fault in getattr(found, "unread", ()))
    return "\n".join(_folded(f"- {text}" for text in [*spoken(found.notes), *unread]))


def _comparison_json(found: Comparison) -> dict[str, Any]:
    """What `jogtune compare --json` prints; distances in mm, times in s, differences as shares of time."""
    names = "simulated held_out_error held_out_total_error over_best hand remarks clicks_left explained_share run_on"
    return _as_json(found, {
        **_plain_fields(found, names),
        "ladders": [{
            **_plain_fields(one, "label expected_time_s low high run_on_mm lost_detents at_ceiling_s impossible"),
            **_plain_fields(one.ladder, "gains_mm"), "gains": [str(gain) for gain in one.ladder.gains_mm],
            "measured_time_s": _plain(one.measured),
        } for one in found.ladders],
        "differences": [_difference_json(one, [result.label for result in found.ladders]) for one in found.differences],
        **_counts_json(found.counts),
        **{name: sum(getattr(count, name) for count in found.counts) for name in ("rows_in", "rows_out", "left_out")},
    })  # fmt: skip


def _difference_json(found: Difference, labels: Sequence[str]) -> dict[str, Any]:
    told = _plain_fields(found, "kind change low high faster more_tasks more_people tasks paired people practice_share advice")
    pair = [found.first, found.second]
    return {"pair": pair, "pairs": [labels[n] for n in pair], "verdict": verdict_words(found, labels), **told}


def _counts_json(counts: Sequence[RowCount]) -> dict[str, Any]:
    return {"logs": [{"source": one.source, **_count_as_json(one), "remarks": spoken(one.doubts)} for one in counts]}


@_fitted
def _class_answer(found: ClassResult, shown: int) -> list[str]:
    """What a class' logs say of the ladders, a row per ladder, and what could not be measured, in at most 24 lines."""
    people = counted(found.people["person"].nunique(), "person")
    head, said = _headed(f"{counted(len(found.counts), 'log')} measured, {people}.", found)
    remarks = spoken(found.remarks)
    said = [text for text in said if text not in remarks]
    return [
        head, "", *_first_of(said, shown), "", *([*_first_of(remarks, shown), ""] if remarks else []),
        *([*_first_of(_frame_text(found.ladders).split("\n"), 1 + shown, "--table"), ""] if len(found.tasks) else []),
        *_unread_lines(found.unread, shown), *spoken_cautions(found.notes), "", _MORE,
    ]  # fmt: skip


@_fitted
def _since_answer(found: _Since, shown: int) -> list[str]:
    """What changed first, then what did not and what can't be told, in at most 24 lines."""
    said = [f"  {speak(note)}" for note in found.notes if note.severity < Severity.CAUTION]
    head = f"{found.machine.name}: {found.after.source} held against {found.before.source}."
    return [head, "", *_first_of(said, shown), "", *spoken_cautions(found.notes), _MORE]


@_fitted
def _many_answer(found: _ManyMeasured, shown: int) -> list[str]:
    """What many logs say, a row per log, and what could not be measured, in at most 24 lines."""
    heads = {"log": "log", "minutes": "min", "tasks": "tasks", "median_task_s": "a task (s)", "turn_rate_detents_s": "clicks/s"}
    shared = os.path.commonpath([os.path.dirname(os.path.abspath(name)) for name in found.logs["log"]])
    logs = found.logs.assign(log=[os.path.relpath(name, shared) for name in found.logs["log"]])
    for axis in found.machine.axes:
        name, unit = f"slack_{axis.name}_mm", found.machine.shown_unit(axis)
        if name in logs:
            logs[name] /= float(UNIT_FACTORS[unit])
            heads[name] = f"slack {axis.name} ({unit})"
    size = f"{counted(len(logs), 'log')} measured, {counted(int(logs['tasks'].sum()), 'task')}"
    hours = say_number(float(logs["minutes"].sum()) / 60, digits=2)
    table = _frame_text(logs[[*heads]].rename(columns=heads)).split("\n")
    return [
        _headed(f"{found.machine.name}: {size} in {hours} h.", found)[0], "", *_first_of(table, 1 + shown, "--out FOLDER"), "",
        *_unread_lines(found.unread, shown), *spoken_cautions(found.notes), "", _MORE,
    ]  # fmt: skip


def _unread_lines(unread: Sequence[str], shown: int) -> list[str]:
    lines = [f"  {line}" for fault in unread for line in fault.split("\n")[:2]]
    return ["Could not be measured:", *_first_of(lines, shown), ""] if lines else []


COMPARISON: _Layers = {
    "answer": _comparison_answer, "why": _why, "json": _comparison_json,
    "table": lambda found: _frame_text(found.table, found.run_on.assign(ladder=[letter(i) for i in found.run_on["ladder"]])),
}  # fmt: skip
MANY: _Layers = {
    "answer": _many_answer, "why": _why, "table": _table_text,
    "json": lambda found: _as_json(found, _plain_fields(found, "simulated logs table unread")),
}  # fmt: skip
CLASS: _Layers = {
    "answer": _class_answer, "why": _why, "table": lambda found: _frame_text(found.table, found.ladders),
    "json": lambda found: _as_json(found, {
        **_plain_fields(found, "simulated people ladders unread"), **_counts_json(found.counts),
        "differences": [_difference_json(one, found.labels) for one in found.differences],
        **({"remarks": spoken(found.remarks)} if found.remarks else {}),
    }),
}  # fmt: skip
SINCE: _Layers = {
    "answer": _since_answer, "why": _why, "table": _table_text,
    "json": lambda found: _as_json(found, {
        "before": found.before.source, "after": found.after.source, "claims": _plain(found.table),
        **_counts_json((found.before.count, found.after.count)),
    }),
}  # fmt: skip
"""How ladders, people and two logs compared are told, by layer."""
