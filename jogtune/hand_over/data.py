"""JSON, CSV and schema; a ladder read back."""

from __future__ import annotations

import csv
import io
import itertools
import json
from collections.abc import Mapping
from fractions import Fraction
from importlib import resources
from pathlib import Path
from typing import Any

from .. import __version__
from ..axis.advice import Answer, longest_report_interval
from ..axis.outstanding import derive_outstanding
from ..axis.runon import smallest_full_speed_move_mm, time_to_full_speed_s
from ..axis.speed import RungOnAxis
from ..choose.prefer import HandTime, Ranked, Search
from ..choose.suggest import Suggestion
from ..files import InputFault, read_text, write_whole
from ..ladder.ladder import Ladder, Rung
from ..ladder.steps import drift_carry
from ..machine.model import Axis
from ..machine.odd import odd_figures
from ..units import UNIT_FACTORS, in_unit, say_number
from ..words.speak import spoken

_LARGEST_EXACT = 10**12  # beyond this a denominator only spells out the digits of pi


def fraction_text(value: Fraction) -> str:
    """A fraction as text, "1/80" or "5"; the digits of an irrational figure are cut where they say no more."""
    return str(value if value.denominator <= _LARGEST_EXACT else value.limit_denominator(10**9))


def suggestion_to_dict(answer: Suggestion) -> dict[str, Any]:
    """Everything a script needs of a suggestion: distances as fraction text, the rest plain JSON."""
    machine = answer.machine
    return {
        "machine": machine.name,
        "unit": machine.show_in,
        "positions": machine.selector.positions,
        "series": answer.series,
        "base_mm": fraction_text(answer.ladder.base_mm),
        "whole_step_mm": None if answer.base.whole_step_mm is None else fraction_text(answer.base.whole_step_mm),
        "missed_by_mm": fraction_text(answer.missed_by_mm),
        "rungs": [_rung_to_dict(answer, index, rung) for index, rung in enumerate(answer.ladder.rungs)],
        "firmware": {"axes": [_firmware_to_dict(answer, axis) for axis in machine.axes]},
        "reasons": list(answer.reasons),
        "given_up": list(answer.given_up),
        "cautions": list(answer.cautions),
        "remarks": spoken(odd_figures(answer.machine)),
        **({} if answer.search is None else _search_to_dict(answer.search)),
        **({} if answer.free is None else {"free_gains_mm": list(answer.free[0]), "free_time_s": answer.free[1]}),
        "jogtune_version": __version__,
    }


def _search_to_dict(search: Search) -> dict[str, Any]:
    """What was found about expected times: the chosen ladder, the near-best, the number of rungs, the tasks."""
    return {
        "expected_time_s": search.chosen.time_s,
        "rule_time_s": search.chosen.rule_time_s,
        "worst_loss": search.chosen.worst_loss if search.searched > 1 else None,
        "best_time_s": search.best.time_s,
        "alternatives": {} if search.searched == 1 else _alternatives(search),
        "hands": [_hand_to_dict(hand, alone=search.searched == 1) for hand in search.hands],
        "near_best_for_all_hands": search.all_near,
        "searched": search.searched,
        "unfit": search.unfit,
        "near_best_share": search.near_share,
        "near_best_count": search.near,
        "near_best": [_ranked_to_dict(ranked) for ranked in search.plainest],
        "rung_counts": [_ranked_to_dict(ranked) for ranked in search.curve],
        "knee": search.knee,
        "sharing_s": search.sharing_s,
        "start_mix": search.start_mix,
        "tasks": [
            {
                "name": task.name,
                "axis": task.axis,
                "kind": task.kind,
                "weight": task.weight,
                "expected_time_s": estimate.mean_s,
                "time_s": estimate.mean_s,
                "sd_s": estimate.sd_s,
                "spread_s": estimate.sd_s,
                "share_impossible": estimate.share_impossible,
                "reason": estimate.reason,
                "moves": estimate.moves,
                "switches": estimate.switches,
                "route": [vars(leg) for leg in estimate.route],
            }
            for task, estimate in zip(search.mix.tasks, search.tasks, strict=True)
        ],
    }


def _alternatives(search: Search) -> dict[str, Any]:
    """The fastest ladder and the plainest of fewest rungs: what each saves (below 0: costs) against the chosen one."""
    return {
        name: {
            **_ranked_to_dict(other),
            "saves_share": 1 - other.time_s / search.chosen.time_s,
            "rule_time_s": other.rule_time_s,
            "worst_loss": other.worst_loss,
        }
        for name, other in (("fastest", search.best), ("fewest", search.fewest))
        if other is not None
    }


def _hand_to_dict(hand: HandTime, *, alone: bool) -> dict[str, Any]:
    best = {} if alone else {"best_time_s": hand.best_s, "loss": hand.loss, "near_best_within": hand.limit}
    return {"name": hand.name, "time_s": hand.time_s, **best}


def _ranked_to_dict(ranked: Ranked) -> dict[str, Any]:
    return {
        "multipliers": list(ranked.ladder.multipliers),
        "gains_mm": [fraction_text(gain) for gain in ranked.ladder.gains_mm],
        "expected_time_s": ranked.time_s,
    }


def _rung_to_dict(answer: Suggestion, index: int, rung: Rung) -> dict[str, Any]:
    return {
        "position": rung.position,
        "multiplier": rung.multiplier,
        "gain_mm": fraction_text(rung.gain_mm),
        "shown": f"{say_number(in_unit(rung.gain_mm, answer.machine.show_in))} {answer.machine.show_in}",
        "reason": answer.rung_reasons[index],
        **_worst_of_axes(answer, index),
        "axes": {name: _axis_to_dict(answer, index, name) for name in answer.figures[index]},
    }


def _worst_of_axes(answer: Suggestion, index: int) -> dict[str, Any]:
    """The axis that runs on furthest on a rung, as the rung's own figures; degrees only where no axis is in mm."""
    linear = [axis.name for axis in answer.machine.axes if not axis.rotary]
    replies = answer.answers[index]
    name = max(linear or replies, key=lambda name: replies[name].run_on_mm)
    ripple = max(reply.ripple.share for reply in replies.values())
    return {
        "run_on_mm": replies[name].run_on_mm, "run_on_axis": name, "ripple_share": ripple, "habit": replies[name].habit
    }  # fmt: skip


def _axis_to_dict(answer: Suggestion, index: int, name: str) -> dict[str, Any]:
    axis, figure, reply = answer.machine.axis(name), answer.figures[index][name], answer.answers[index][name]
    return {
        "unit": answer.machine.shown_unit(axis),
        "steps_per_detent": fraction_text(figure.steps_per_detent),
        "exact": axis.exact,
        "whole_step": figure.whole_step,
        "dead_click_share": figure.pattern.dead_share,
        "click_pattern": list(figure.pattern.gaps[:12]),
        "full_speed_turn_rate": figure.full_speed_turn_rate,
        "top_speed_mm_s": figure.top_speed_mm_s,
        "turns_to_cross": figure.turns_to_cross,
        "stray_click_speed_mm_s": figure.stray_click_speed_mm_s,
        "finer_than_real": figure.finer_than_real,
        "above_cap": figure.above_cap,
        "run_on_mm": reply.run_on_mm,
        "run_on_s": reply.run_on_s,
        "hurried_run_on_mm": reply.hurried_run_on_mm,
        "hurried_mm_s": reply.hurried_mm_s,
        "forgiven_run_on_mm": reply.forgiven_run_on_mm,
        "runs_on_too_far": reply.runs_on_too_far,
        "ripple_share": reply.ripple.share,
        "habit": reply.habit,
        "habit_reasons": list(reply.reasons),
        "free_rate": reply.free_rate,
        "kind": reply.kind,
        "felt_delay_s": reply.delay.typical_s,
        "distance_per_report_mm": reply.distance_per_report_mm,
        "time_to_full_speed_s": time_to_full_speed_s(axis.top_speed_mm_s, axis.ramp_mm_s2),
        "smallest_full_speed_move_mm": smallest_full_speed_move_mm(axis.top_speed_mm_s, axis.ramp_mm_s2),
        "longest_report_interval_s": longest_report_interval(answer.machine, axis, answer.ladder.gains_mm[index]),
        "drift_per_1000": _drift_to_dict(answer, figure),
    }


def _firmware_to_dict(answer: Suggestion, axis: Axis) -> dict[str, Any]:
    """What to set in one axis' firmware, and the allowed run-on that it comes from."""
    found = derive_outstanding(answer.machine, axis, answer.ladder)
    return {
        "axis": axis.name,
        "calm_speed_steps_s": found.calm_speed_steps_s,
        "jog_top_mm_s": found.jog_top_mm_s,
        "outstanding_limit_mm": found.limit_mm,
        "outstanding_limit_steps": found.limit_steps,
        "allowed_run_on_mm": found.allowed_mm,
        "allowed_given": found.allowed_given,
        "coarsest_served_mm": found.gain_mm,
        "shortest_discarding_queue": found.queue,
        "cures": list(found.cures),
    }


def _drift_to_dict(answer: Suggestion, figure: RungOnAxis) -> dict[str, Any]:
    """What this firmware loses per 1000 detents, reported one by one; "unknown": what it would, if it drops."""
    step = float(answer.machine.axis(figure.axis).step_mm)
    remainder = answer.machine.firmware.remainder
    drift = drift_carry() if remainder == "carry" else figure.dropped
    return {
        "remainder": remainder,
        "detents_per_report": 1,
        "one_way_mm": drift.one_way_steps * step,
        "there_and_back_mm": drift.return_steps * step,
        "bound_mm": None if drift.bound_steps is None else drift.bound_steps * step,
    }


def to_json(content: dict[str, Any]) -> str:
    """JSON text, indented, ending in a line feed; refuses NaN and infinity."""
    return json.dumps(_rounded(content), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _rounded(content: Any) -> Any:
    """The same with floats cut to 12 digits, so that 0.01 does not read 0.010000000000000009."""
    if isinstance(content, float):
        return float(f"{content:.12g}")
    if isinstance(content, dict):
        return {key: _rounded(value) for key, value in content.items()}
    return [_rounded(value) for value in content] if isinstance(content, list | tuple) else content


def suggestion_to_csv(answer: Suggestion) -> str:
    """One row per rung and axis, for a spreadsheet; distances as decimal text and as fractions."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([
        "position", "multiplier", "gain", "unit", "gain_mm", "axis", "steps_per_detent", "whole_step",
        "dead_click_share", "full_speed_turn_rate_detents_s", "top_speed_mm_s", "turns_to_cross", "run_on_mm",
        "ripple_share", "habit", "free_rate", "kind",
    ])  # fmt: skip
    for rung, axes, replies in zip(answer.ladder.rungs, answer.figures, answer.answers, strict=True):
        for name, figure in axes.items():
            writer.writerow(_csv_row(answer, rung, figure, replies[name]))
    return stream.getvalue()


def _csv_row(answer: Suggestion, rung: Rung, figure: RungOnAxis, reply: Answer) -> list[object]:
    axis = answer.machine.axis(figure.axis)
    unit = answer.machine.shown_unit(axis)
    shown = say_number(in_unit(figure.gain_mm, unit))
    return [
        rung.position, rung.multiplier, shown, unit, fraction_text(rung.gain_mm), harmless(axis.name),
        fraction_text(figure.steps_per_detent), "yes" if figure.whole_step else "no",
        f"{figure.pattern.dead_share:.6g}", f"{figure.full_speed_turn_rate:.6g}",
        f"{figure.top_speed_mm_s:.6g}", f"{figure.turns_to_cross:.6g}",
        f"{reply.run_on_mm:.6g}", f"{reply.ripple.share:.6g}", reply.habit,
        f"{reply.free_rate:.6g}", reply.kind,
    ]  # fmt: skip


def harmless(label: str) -> str:
    """A label that no spreadsheet runs as a formula: one that begins with = + - @ gets an apostrophe."""
    return "'" + label if label[:1] in ("=", "+", "-", "@", "\t", "\r") else label


def ladder_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of what `jogtune suggest --json` and `jogtune export --json` write."""
    text = resources.files("jogtune.hand_over").joinpath("ladder.schema.json").read_text("utf-8")
    content: dict[str, Any] = json.loads(text)
    return content


def read_ladder(path: str | Path) -> Ladder:
    """The ladder of a JSON file written here, exactly as it was; every fault at once as `InputFault`."""
    try:
        content = json.loads(read_text(path))
    except (json.JSONDecodeError, RecursionError) as error:
        raise InputFault(str(path), [f"is not JSON: {error}: export it again"]) from error
    return ladder_from_dict(content, source=str(path))


def ladder_from_dict(content: object, *, source: str = "JSON") -> Ladder:
    """The ladder of a suggestion's JSON content.

    >>> rung = {"position": 1, "multiplier": 8, "gain_mm": "1/10"}
    >>> ladder_from_dict({"unit": "mm", "base_mm": "1/80", "rungs": [rung]}).gains_mm
    (Fraction(1, 10),)
    """
    faults: list[str] = []
    table = content if isinstance(content, Mapping) else {}
    base = _distance(table, "base_mm", "base_mm", faults)
    unit = table.get("unit")
    if unit not in UNIT_FACTORS:
        faults.append(f"unit = {unit!r}: must be mm, in or deg")
    rungs = table.get("rungs")
    if not isinstance(rungs, list) or not rungs:
        faults.append("rungs: must be a list of one rung or more")
        rungs = []
    multipliers = [_multiplier(rung, number, base, faults) for number, rung in enumerate(rungs, start=1)]
    if any(a and b and a >= b for a, b in itertools.pairwise(multipliers)):
        faults.append(f"rungs: multipliers must rise, and are {', '.join(str(m) for m in multipliers)}")
    if faults or base is None:
        raise InputFault(source, faults)
    return Ladder(base_mm=base, multipliers=tuple(m for m in multipliers if m), show_in=str(unit))


def _distance(table: Mapping[str, Any], key: str, where: str, faults: list[str]) -> Fraction | None:
    text = table.get(key)
    try:
        value = Fraction(text) if isinstance(text, str) and len(text) <= 80 and "e" not in text.lower() else None
    except (ValueError, ZeroDivisionError):
        value = None
    if value is None or value <= 0:
        faults.append(f'{where} = {text!r}: must be a fraction above 0 as text, as in "1/80"')
        return None
    return value


def _multiplier(rung: object, number: int, base: Fraction | None, faults: list[str]) -> int | None:
    where = f"rung {number}"
    table = rung if isinstance(rung, Mapping) else {}
    multiplier, gain = table.get("multiplier"), _distance(table, "gain_mm", f"{where}: gain_mm", faults)
    if table.get("position") != number:
        faults.append(f"{where}: position = {table.get('position')!r}: must be {number}, rungs go from the finest up")
    if isinstance(multiplier, bool) or not isinstance(multiplier, int) or multiplier < 1:
        faults.append(f"{where}: multiplier = {multiplier!r}: must be a whole number, 1 or more")
        return None
    if base and gain and gain != multiplier * base:
        faults.append(f"{where}: gain_mm = {str(gain)!r}: must be multiplier × base_mm, {multiplier * base}")
    return multiplier


def write_json(path: str | Path, answer: Suggestion, *, overwrite: bool = False) -> Path:
    """Write a suggestion as JSON, whole or not at all; returns the path."""
    return write_whole(path, to_json(suggestion_to_dict(answer)), overwrite=overwrite)
