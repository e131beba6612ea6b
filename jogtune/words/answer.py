"""A suggestion in one breath, then more."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any

from ..axis.outstanding import derive_outstanding
from ..axis.row import Row, by_position
from ..choose.why import rung_tasks
from ..ladder.ladder import Ladder
from ..machine.file import odd_figures
from ..machine.model import Machine
from ..notes import Note, Severity
from ..signs import cut, wide
from ..units import say_distance, say_number
from .allot import _allotted, _allotted_why
from .say import _fill, _listed, _percent, counted, said
from .short import own_words
from .speak import spoken, spoken_cautions
from .tables import TABLE, _as_text, for_people, meanings, of_frame

if TYPE_CHECKING:
    from ..choose.suggest import Suggestion
    from ..logs.log import Log

_WIDE, _MOST_LINES, _MOST_RUNGS, _MOST_BRIEF = 100, 24, 10, 5
"""The answer's columns and lines on a terminal; of more rungs the middle ones are folded."""
_RUNG_KINDS = ("finest_rung", "next_rung")
SAFETY = (
    "First the spindle off, the stop in reach, position 1. jogtune calculates; it is no safety device: the machine's manual, its "
    "risk assessment and local rules come first."
)
_FIRST = (
    "fixed_multipliers", "table_needed", "out_of_reach", "wish_missed", "finer_than_steps", "limit_over_allowed",
    "limit_that_waits", "sent_rounded",
)  # fmt: skip
"""Kinds that surprise: they stand at the top, beside what is odd about the machine file."""


@dataclass(frozen=True, kw_only=True)
class _Breath:
    """The answer in one breath: a title, what to look at first, a row per rung (position, click, what for, what to mind), how
    good it is, what to set in the firmware, the safety line, what one rung more or fewer would change, and what stick and buttons
    are for."""

    title: str
    first: tuple[str, ...]
    rungs: tuple[tuple[str, str, str, str], ...]
    good: str
    firmware: str
    worth: str
    controls: str = ""


def breath(answer: Suggestion) -> _Breath:
    """The answer in one breath."""
    machine, count = answer.machine, len(answer.ladder.rungs)
    uses = rung_tasks(answer.search) if answer.search is not None else [()] * count
    gains = [", ".join(filter(None, [say_distance(gain, machine.show_in), own_words(answer.ladder, n + 1)]))
             for n, gain in enumerate(answer.ladder.gains_mm)]  # fmt: skip
    first = [note for note in answer.notes if note.kind.startswith("ladder_") or note.kind in _FIRST]
    minds = [_mind(answer, mine) for _, mine in by_position(answer.rows)]
    told = [", ".join(use) if use else "your finest wish" * (n == 0) for n, use in enumerate(uses)]
    return _Breath(
        title=f"{cut(machine.name, 70)}: {count} of {counted(machine.selector.positions, 'position')}",
        first=(*spoken(odd_figures(machine)), *spoken(first)),
        rungs=tuple((str(n + 1), gains[n], told[n], minds[n]) for n in range(count)),
        good=" ".join(spoken(note for note in answer.notes if note.kind in ("task_time", "no_other_faster", "assumed_most"))),
        firmware=_firmware(answer), worth=_worth(answer), controls=_allotted(answer),
    )  # fmt: skip


def _mind(answer: Suggestion, mine: Sequence[Row]) -> str:
    axes, stays = [row.axis for row in mine], [row.axis for row in mine if row.repeats]
    parts = [f"{_listed(stays)} as on position {mine[0].position - 1}"] if stays else []
    moving = [row.axis for row in mine if row.free_detents_s]
    if len(moving) < len(axes):
        parts.append(f"{_listed(moving)} only" if moving else "over the limit, nothing moves")
    slack = [row for row in mine if row.finer_than == "reversal"]
    if slack:
        worst = max(slack, key=lambda row: answer.machine.axis(row.axis).slack_mm)
        far = say_distance(answer.machine.axis(worst.axis).slack_mm, worst.unit, digits=2)
        parts.append(f"come from one side: slack {f'is {far}' if answer.machine.knows(worst.axis, 'slack_mm') else 'not known'}")
    loses = [row for row in mine if row.kind == "travel" and row.free_detents_s]
    if loses:
        rate = say_number(min(row.free_detents_s for row in loses), digits=2)
        where = "" if len(loses) == len(mine) else f" on {_listed(row.axis for row in loses)}"
        parts.append(f"over {rate} clicks/s loses clicks{where}")
    fast = [row.axis for row in mine if row.near_people == "no"]
    if fast:
        parts.append("people near: clamp" + ("" if fast == axes else f" {_listed(fast)}"))
    return "; ".join(parts)


def _firmware(answer: Suggestion) -> str:
    kept = {"carry": "keep remainders", "drop": "make it keep remainders", "unknown": "find out whether it keeps remainders"}
    notes: dict[str, list[Note]] = {}
    for note in answer.notes:
        notes.setdefault(note.kind, []).append(note)
    parts = [kept[answer.machine.firmware.remainder]] if {"not_whole", "never_whole"} & notes.keys() else []
    limits = [_fill("{limit} at up to {jog_top} on {axes}", note) for note in notes.get("hurried_run_on", [])]
    clamps = [f"{said(note)['clamp']} on {_listed(note.where.axes)}" for note in notes.get("clamp", [])]
    unknown = [axis for note in notes.get("no_calm_speed", []) for axis in note.where.axes]
    parts += [f"owe no more than {', '.join(limits)}, drop the clicks beyond"] if limits else []
    parts += [f"with people near at most {', '.join(clamps)}"] if clamps else []
    parts += [f"nobody near {_listed(unknown)}, no calm speed is known: ask the manual"] if unknown else []
    return f"Firmware: {'; '.join(parts)}. A lost link must mean stop."


def _worth(answer: Suggestion) -> str:
    """What one rung fewer costs, and what the fastest ladder saves."""
    search, texts = answer.search, []
    if search is None or search.searched == 1:
        return ""
    count = len(answer.ladder.rungs)
    fewer = search.curve_at(count - 1)
    if fewer is not None:
        change = fewer.time_s / search.chosen.time_s - 1
        texts.append(f"one rung fewer costs {_percent(change)}" if change > 0.0005 else "one rung fewer costs nothing")
    if search.best.ladder != search.chosen.ladder:
        many = len(search.best.ladder.multipliers)
        texts.append(f"the fastest {counted(many, 'rung')} save {_percent(1 - search.best.time_s / search.chosen.time_s)}")
    saves = None if answer.shared is None else answer.shared.saves_share
    if saves is not None and saves >= 0.0005:
        texts.append(f"distances per axis, {_percent(saves)} at most")
    said = "; ".join(texts)
    return f"{said[:1].upper()}{said[1:]}." if said else ""


def _answer_text(answer: Suggestion, log: Log | None = None) -> str:
    """The answer for a terminal: at most 24 lines of 100 columns, the settings first."""
    found = breath(answer)
    said = [found.good, found.controls, found.firmware, SAFETY]
    if log is not None:
        from .logs import log_sentence

        said.append(log_sentence(log, answer.machine))
    cautions = sum(note.severity >= Severity.CAUTION for note in answer.notes)
    more = f"More: --why  --table  --cautions ({cautions})  --out FOLDER"
    end = f"{found.worth}   {more}" if found.worth else more
    below = ["", *_wrapped(text for text in said if text), "", *(_wrapped([found.worth, more]) if len(end) > wide() else [end])]
    for first, most in _ROOM:
        most_lines = _MOST_LINES * _WIDE // wide()
        look = _wrapped(f"Look at this first: {text}" for text in found.first[:first])
        look += [f"... and {len(found.first) - first} more: --why"] * (len(found.first) > first)
        lines = [found.title, *look, "", *_rung_lines(found.rungs, most), *below]
        while len(lines) > most_lines and "" in lines:
            lines.remove("")
        if len(lines) <= most_lines:
            break
    return "\n".join(lines) + "\n"


_ROOM = ((3, _MOST_RUNGS), (2, 8), (1, 6), (1, _MOST_BRIEF))
"""What is to be looked at first and rungs, shown at most: fewer where the answer would grow too long."""


def _brief_text(answer: Suggestion) -> str:
    """The answer in a few lines: the settings, the time of a task, what to set in the firmware, the safety line."""
    found = breath(answer)
    good = textwrap.shorten(found.good.split(". ")[0].rstrip(".") + ".", _WIDE, placeholder=" ...") if found.good else ""
    lines = [found.title, *_rung_lines(found.rungs, _MOST_BRIEF), *_wrapped([good] * bool(good)), *_wrapped([found.firmware])]
    return "\n".join([*lines[:10], "jogtune calculates; it is no safety device: see .explain()"])


def _wrapped(texts: Iterable[str]) -> list[str]:
    return [line for text in texts for line in textwrap.wrap(text, wide()) or [""]]


def _rung_lines(rungs: Sequence[tuple[str, str, str, str]], most: int = _MOST_RUNGS) -> list[str]:
    """A line per rung; of many the middle ones are folded into one."""
    shown = list(rungs)
    if len(shown) > most:
        left = shown[most - 3 : -2]
        shown[most - 3 : -2] = [(f"{left[0][0]}-{left[-1][0]}", f"{left[0][1]} to {left[-1][1]}", "see --table", "")]
    place, gain = (max(len(rung[column]) for rung in shown) for column in (0, 1))
    mind = min(max(len(rung[3]) for rung in shown), 52)
    room = _WIDE - 2 - place - 3 - gain - 3 - (3 + mind if mind else 0)
    use = min(max((len(rung[2]) for rung in shown), default=0), room)
    return [
        f"  {n:>{place}}   {click:<{gain}}   {textwrap.shorten(what, max(use, 1), placeholder=' ...'):<{use}}   "
        f"{textwrap.shorten(note, 52, placeholder=' ...')}".rstrip()
        for n, click, what, note in shown
    ]


def headline(answer: Suggestion) -> str:
    """The answer in one sentence."""
    count = len(answer.ladder.rungs)
    unable = 0 if answer.search is None else sum(estimate.mean_s is None for estimate in answer.search.tasks)
    but = "" if not unable else f" {counted(unable, 'task')} of the mix can't be done with it."
    own = [column.axis for column in answer.ladder.own]
    rungs = f"{counted(count, 'rung')}, {answer.ladder.say(own=False)} per click{f'; {_listed(own)} of its own' if own else ''}"
    return f"For the {answer.machine.name}: {rungs}.{but}"


def cautions(answer: Suggestion) -> list[str]:
    """Every caution as a sentence, the gravest first."""
    return spoken_cautions(answer.notes)


def given_up(answer: Suggestion) -> list[str]:
    """What was given up, as sentences."""
    return spoken(note for note in answer.notes if note.severity == Severity.MIND)


def reasons(answer: Suggestion) -> list[str]:
    """Why this ladder, as sentences."""
    return spoken(note for note in answer.notes if note.severity == Severity.INFO and note.kind not in _RUNG_KINDS)


def rung_reasons(answer: Suggestion) -> list[str]:
    """Why each rung, the finest first, as sentences."""
    return spoken(note for note in answer.notes if note.kind in _RUNG_KINDS)


def _why_text(answer: Suggestion, log: Log | None = None) -> str:
    """What was weighed, given up and assumed, and what to find out next."""
    parts = [_section("Why", [*rung_reasons(answer), *reasons(answer)]), _section("Given up", given_up(answer) or ["nothing"])]
    odd = spoken(odd_figures(answer.machine))
    parts += [_section("Check these figures", odd)] if odd else []
    controls = _allotted_why(answer)
    parts += [_section("Knob, stick and buttons", controls)] if controls else []
    parts += [_touching_text(answer)] if answer.touching else []
    return "\n\n".join([*parts, _section("What to measure next", measure_next(answer, log))]) + "\n"


def _touching_text(answer: Suggestion) -> str:
    parts = []
    for touch in answer.touching:
        for probing, notes in groupby(touch.notes, key=lambda note: note.kind.startswith("probe_")):
            title = f"Touching off{': ' * bool(touch.task)}{touch.task} ({touch.axis}){', with the probe' * probing}"
            parts.append("\n".join([title, *(f"  {n}. {text}" for n, text in enumerate(spoken(notes), 1))]))
    return "\n\n".join(parts or ['Touching off: no task is felt for (kind = "feel"), and the file names no [probe].']) + "\n"


def _table_text(answer: Suggestion, log: Log | None = None) -> str:
    """Every figure a person reads, and what the columns mean."""
    parts = [_as_text(for_people(answer.rows)), "\n".join(meanings(TABLE))]
    if answer.search is not None:
        parts.append(_as_text(of_frame(task_table(answer))))
    if log is not None:
        from .logs import outrun_table

        outrun = _as_text(of_frame(outrun_table(answer, log)))
        parts.append(f"Share of the log's turning that would outrun each axis [%]\n{outrun}")
    return "\n\n".join(parts) + "\n"


_HABITS = {
    "limit": "turned hard for a second, an axis that owes runs on {owed}; with no more than {limit} owed it runs on no farther, "
    "and clicks beyond are dropped",
    "owe a little": "the fastest turning outruns the axis, but so little that every click may be finished",
    "owe": "the axis keeps up with the fastest turning, so every click may be finished",
    "spread": "spread evens out the ripple and ends at most one report later",
    "dash": "spreading each move would hardly make the motion evener, and dash ends one report earlier",
}


def habit_reasons(machine: Machine, ladder: Ladder, row: Row) -> list[str]:
    """Why the habit of a row suits: two sentences."""
    axis = machine.axis(row.axis)
    limit = derive_outstanding(machine, axis, ladder).used_limit_mm
    owed, within = (say_distance(distance, row.unit, digits=3) for distance in (row.hurried_run_on_mm, limit))
    outruns = row.full_speed_detents_s < machine.knob.fastest_detents_s
    owes = "limit" if row.too_fast == "limit" else "owe a little" if outruns else "owe"
    return [_HABITS[owes].format(owed=owed, limit=within), _HABITS[row.speed]]


def _section(title: str, lines: Iterable[str]) -> str:
    return "\n".join([title, *(f"  - {line}" for line in lines)])


def task_table(answer: Suggestion) -> Any:
    """One row per task of the mix for people: expected time, spread, and the rungs in turn."""
    import pandas as pd

    machine, search = answer.machine, answer.search
    assert search is not None
    records = []
    for task, estimate in zip(search.mix.tasks, search.tasks, strict=True):
        unit = machine.shown_unit(machine.axis(task.axis))
        far, wide = (say_distance(d, unit, digits=3) for d in (task.distance_mm, task.tolerance_mm))
        time = "can't be done" if estimate.mean_s is None else f"{estimate.mean_s:.1f} ± {estimate.sd_s:.1f} s"
        turns = ", ".join(str(leg.position) for leg in estimate.route) or "-"
        records.append([task.name, task.axis, far, wide, time, turns])
    return pd.DataFrame(records, columns=["task", "axis", "distance", "to within", "time ± spread", "rungs in turn"])


def measure_next(answer: Suggestion, log: Log | None = None) -> list[str]:
    """What to find out next, for a surer ladder: what the file leaves open and no log has shown."""
    machine = answer.machine
    no_slack = [axis.name for axis in machine.axes if axis.slack_mm == 0 or not machine.knows(axis.name, "slack_mm")]
    no_calm = [axis.name for axis in machine.axes if axis.calm_speed_mm_s is None]
    texts = {
        "Record your own turning (jogtune record, jogtune read) and measure it (jogtune measure).": log is None or log.simulated,
        "Distance per click and slack: the bench sheet and a dial indicator (jogtune export --sheet).":
            log is None or log.position_kind != "measured",
        "Whether the firmware keeps remainders: click 1000 times out and back on a rung that is not whole steps.":
            machine.firmware.remainder == "unknown",
        f"The slack of {_listed(no_slack)}: the file gives none.": no_slack,
        f"The speed allowed on {_listed(no_calm)} while someone stands near: ask manual and risk assessment.": no_calm,
        "The hand's own figures: fit them to a log with goals, for the times here rest on start values.": True,
    }  # fmt: skip
    return [text for text, holds in texts.items() if holds]


SUGGESTION = {"answer": _answer_text, "why": _why_text, "table": _table_text, "touching": _touching_text, "brief": _brief_text}
"""How a suggestion is told, by layer."""
