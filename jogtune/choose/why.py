"""Reasons, and what was given up."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from ..axis.row import Row, by_axis, by_position, rows
from ..ladder.ladder import Ladder, SeriesValue
from ..machine.model import Machine
from ..notes import Note, Severity, Where, merged
from ..units import in_unit, is_plain, say_distance
from .base import _Base
from .columns import _CROSSING_SHARE, _Table
from .cover import coarsest_wish
from .prefer import Ranked, Search
from .trial import _Tried


def _mind(kind: str, unit: str, axes: Iterable[str] = (), positions: Iterable[int] = (), **figures: Any) -> Note:
    where = Where(axes=tuple(axes), positions=tuple(positions))
    return Note(kind=kind, severity=Severity.MIND, where=where, figures=figures, unit=unit)


def _ladder_reasons(
    machine: Machine, ladder: Ladder, base: _Base, series: str, candidates: Sequence[SeriesValue]
) -> Iterator[Note]:
    """Where the distances come from."""
    unit, inexact = machine.show_in, tuple(axis.name for axis in machine.axes if not axis.exact)
    yield Note(kind="rungs", figures={"count": len(ladder.rungs), "ladder": ladder.say()}, unit=unit)
    yield replace(base.reason, figures={"gain_mm": ladder.gains_mm[0], **base.reason.figures})
    for column in ladder.own:
        figures = {"column": column.say().partition(": ")[2], "turns": column.unit == "deg"}
        yield Note(kind="own_column", where=Where(axes=(column.axis,)), figures=figures)
    if ladder.base_mm != ladder.gains_mm[0]:
        yield Note(kind="times_one", figures={"base_mm": ladder.base_mm}, unit=unit)
    yield Note(kind="whole_step", where=Where(axes=inexact), figures={"whole_step_mm": base.whole_step_mm}, unit=unit)
    if base.other_mm is not None:
        kind = "plain" if is_plain(in_unit(base.other_mm, unit)) else "whole-step"
        yield Note(kind="other_base", figures={"base_mm": base.other_mm, "which": kind}, unit=unit)
    if base.plain_and_whole_mm is not None:
        yield Note(kind="plain_and_whole", figures={"base_mm": base.plain_and_whole_mm}, unit=unit)
    off = [value for value in candidates if value.multiplier in ladder.multipliers and abs(value.deviation) > 1e-9]
    if off:
        worst = max(off, key=lambda value: abs(value.deviation))
        figures = {"series": series, "exact": float(worst.exact), "multiplier": worst.multiplier}
        yield Note(kind="series_rounded", figures={**figures, "deviation_share": worst.deviation}, unit=unit)


def _rung_reasons(machine: Machine, ladder: Ladder, search: Search | None) -> tuple[Note, ...]:
    """Why each rung is there, the finest first; and the tasks it is taken for."""
    uses = rung_tasks(search) if search is not None else [()] * len(ladder.rungs)
    notes = []
    for position, mine in by_position(rows(machine, ladder)):
        wish = machine.finest_wish_mm
        figures = {
            "gain_mm": ladder.gains_mm[position - 1], "tasks": uses[position - 1], "timed": search is not None,
            "rate_detents_s": machine.knob.steady_detents_s,
            "ratio": ladder.ratios[position - 2] if position > 1 else None, "coarsest": position == len(ladder.rungs),
            "wish_mm": wish, "meets_wish": ladder.gains_mm[0] <= wish,
        }  # fmt: skip
        keeps = tuple(row.axis for row in mine if not row.outruns_steady)
        kind = "finest_rung" if position == 1 else "next_rung"
        notes.append(Note(kind=kind, where=Where(axes=keeps, positions=(position,)), figures=figures, unit=machine.show_in))
    return tuple(notes)


def rung_tasks(search: Search) -> list[tuple[str, ...]]:
    """For each rung of the chosen ladder the tasks that take it (0.3 moves of it on average or more)."""
    uses: list[list[str]] = [[] for _ in search.chosen.ladder.multipliers]
    for task, estimate in zip(search.mix.tasks, search.tasks, strict=True):
        for leg in estimate.route:
            if leg.moves >= 0.3:
                uses[leg.position - 1].append(task.name)
    return [tuple(names) for names in uses]


def _given_up(machine: Machine, ladder: Ladder) -> tuple[Note, ...]:
    """What this ladder can't do, or does less well."""
    found, parts = rows(machine, ladder), ladder.parts(machine)
    notes = [
        _mind("wish_missed", part.show_in, wish_mm=wish, missed_mm=gains[0] - wish, step_is_finer=wish >= part.largest_step_mm)
        for part, gains in parts if gains[0] > (wish := part.finest_wish_mm)
    ]  # fmt: skip
    notes += [*_not_whole(machine, found), *_finer(machine, found)]
    for axis, mine in by_axis(found):
        outrun = tuple(row.position for row in mine if row.outruns_steady)
        if outrun:
            notes.append(_mind("outruns_steady", mine[0].unit, [axis], outrun, rate_detents_s=machine.knob.steady_detents_s))
    notes += [_mind("coarser_possible", part.show_in, most_mm=most)
              for part, gains in parts if float(gains[-1]) < _CROSSING_SHARE * (most := coarsest_wish(part))]  # fmt: skip
    return merged(notes)


def _table_notes(machine: Machine, table: _Table | None) -> Iterator[Note]:
    """What distances for each axis would win; nothing where no axes share theirs."""
    if table is not None:
        last = {name: say_distance(last, machine.shown_unit(machine.axis(name))) for name, last in table.last_mm.items()}
        figures = {**vars(table), "holds": table.holds, "last": last}
        needed = table.holds == "needed"
        severity = Severity.MIND if needed else Severity.INFO
        yield Note(kind="table_needed" if needed else "table_saves", severity=severity, figures=figures)


def _assumed_notes(tried: Iterable[_Tried]) -> Iterator[Note]:
    """What the choice hangs on most of all that is assumed, where it was tried; each figure that it hangs on, and the rest."""
    told = [
        {"key": one.assumed.key, "value": one.assumed.value, "range": one.assumed.range, "worst": one.worst,
         "changes": one.changes_choice, "loses_share": one.loses_share} for one in tried
    ]  # fmt: skip
    if told and told[0]["changes"] is not None:
        yield Note(kind="assumed_most", figures={**told[0], "count": len(told)})
    yield from (Note(kind="assumed", figures=figures) for figures in told if figures["changes"])
    rest = [figures for figures in told if not figures["changes"]]
    if rest:
        yield Note(kind="assumed_too", figures={"rest": rest})


def _not_whole(machine: Machine, found: Sequence[Row]) -> Iterator[Note]:
    """Rungs that are no whole motor steps where whole ones are possible; and axes where none can be exactly whole."""
    unit, remainder = machine.show_in, machine.firmware.remainder
    broken = [row for row in found if row.exact and not row.whole_step]
    if broken:
        which = {position: tuple(row.axis for row in mine) for position, mine in by_position(broken)}
        gains = {row.position: f"{row.gain} {row.unit}" for row in broken}
        drift = _worst_drift(machine, [row for row in found if row.exact])
        axes = dict.fromkeys(row.axis for row in broken)
        yield _mind("not_whole", unit, axes, which, remainder=remainder, axes_by_position=which, gains=gains, **drift)
    loose = dict.fromkeys(row.axis for row in found if not row.exact and row.drift_1000_mm)
    if loose and remainder != "carry":
        drift = _worst_drift(machine, [row for row in found if row.axis in loose])
        yield _mind("never_whole", unit, loose, remainder=remainder, **drift)


def _worst_drift(machine: Machine, found: Sequence[Row]) -> dict[str, Any]:
    """The largest loss in 1000 clicks of firmware that drops remainders; none where it keeps them."""
    if machine.firmware.remainder == "carry":
        return {}
    worst = max(found, key=lambda row: abs(row.drift_1000_mm))
    return {"drift_mm": abs(worst.drift_1000_mm), "drift_gain_mm": worst.gain_mm, "drift_axis": worst.axis,
            "drift_unit": worst.unit}  # fmt: skip


def _finer(machine: Machine, found: Sequence[Row]) -> Iterator[Note]:
    for row in (row for row in found if row.finer_than):
        kind = "finer_than_reversal" if row.finer_than == "reversal" else "finer_than_steps"
        known = machine.knows(row.axis, "slack_mm")
        yield _mind(kind, row.unit, [row.axis], [row.position], gain_mm=row.gain_mm, slack_known=known)


def _search_reasons(machine: Machine, search: Search) -> Iterator[Note]:
    """Why this ladder, by the time it takes."""
    chosen, best, unit = search.chosen, search.best, machine.show_in
    yield _task_time(search)
    if search.searched > 1:
        figures = {
            "saves_share": chosen.time_s / best.time_s - 1, "worst_share": chosen.worst_loss, "searched": search.searched,
            "near": search.near, "all_near": search.all_near,
        }  # fmt: skip
        yield Note(kind="no_other_faster", figures=figures)
    for kind, other in (("fastest_ladder", best), ("fewest_rungs", search.fewest)):
        if other is not None and other.ladder != chosen.ladder:
            yield Note(kind=kind, figures=_against(other, chosen), unit=unit)
    yield from _rungs_worth(machine, search)
    if search.start_mix:
        yield Note(kind="start_mix")
    yield Note(kind="hand_assumed")


def _task_time(search: Search) -> Note:
    """What a task takes on average: used perfectly and by a rule of thumb; and which tasks can't be met in full."""
    unmet = tuple(task.name for task, estimate in zip(search.mix.tasks, search.tasks, strict=True) if not estimate.possible)
    return Note(kind="task_time", figures={"time_s": search.chosen.time_s, "rule_s": search.chosen.rule_time_s, "unmet": unmet})


def _against(other: Ranked, chosen: Ranked) -> dict[str, object]:
    rule = None if other.rule_time_s is None or chosen.rule_time_s is None else 1 - other.rule_time_s / chosen.rule_time_s
    return {"ladder": other.ladder.say(), "count": len(other.ladder.multipliers), "saves_share": 1 - other.time_s / chosen.time_s,
            "rule_saves_share": rule}  # fmt: skip


def _rungs_worth(machine: Machine, search: Search) -> Iterator[Note]:
    """Why not fewer rungs, and what one more would save."""
    chosen, few = search.chosen, search.curve_at(search.knee)
    count = len(chosen.ladder.multipliers)
    if few is not None and count > search.knee:
        figures = {"count": search.knee, "ladder": few.ladder.say(), "costs_share": few.time_s / search.best.time_s - 1,
                   "widest": max(few.ladder.ratios, default=1.0)}  # fmt: skip
        yield Note(kind="fewer_possible", figures=figures, unit=machine.show_in)
    more = search.curve_at(count + 1)
    if more is not None:
        saved = max(chosen.time_s - more.time_s, 0.0)
        figures = {
            "count": count + 1, "saved_s": saved, "of_s": chosen.time_s, "worth": saved > search.near_share * chosen.time_s,
            "positions": machine.selector.positions, "room": count < machine.selector.positions,
            "wide_gap": max(chosen.ladder.ratios, default=1.0) > 10,
        }  # fmt: skip
        yield Note(kind="one_more_rung", figures=figures)


def _out_of_reach(machine: Machine, search: Search) -> Iterator[Note]:
    """Tasks of which some goals can't be reached, why, and whether touch or eye could."""
    for t, (task, estimate) in enumerate(zip(search.mix.tasks, search.tasks, strict=True)):
        reason = estimate.reason
        if reason is None:
            continue
        finest = max(float(search.chosen.ladder.on(machine.axis(task.axis))[0]), search.mix.motions[t].motor_step_mm)
        by_readout = task.kind == "goal" and task.cue == "readout" and finest <= task.tolerance_mm * (1 + 1e-9)
        figures = {"impossible_share": estimate.share_impossible, "by_readout": by_readout, "why": reason.kind}
        where = Where(axes=(task.axis,), task=task.name)
        yield replace(reason, kind="out_of_reach", where=where, figures={**reason.figures, **figures})
