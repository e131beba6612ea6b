"""JSON, CSV, schema."""

import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from fractions import Fraction
from pathlib import Path
from typing import Any

from .. import __version__
from ..axis.outstanding import derive_outstanding
from ..axis.row import Row, by_position
from ..axis.runon import smallest_full_speed_move_mm, time_to_full_speed_s
from ..bench.commission import Commissioning
from ..choose.prefer import HandTime, Ranked, Search
from ..choose.suggest import Suggestion
from ..ladder.ladder import Ladder
from ..ladder.steps import click_pattern, drift_carry, drift_drop
from ..machine.file import odd_figures
from ..machine.model import Axis
from ..signs import csv_text, harmless, visible
from ..units import in_unit, say_number
from ..words.answer import cautions, given_up, habit_reasons, reasons, rung_reasons
from ..words.notes import cures
from ..words.speak import notes_as_data, speak, spoken
from .table import _Setting, _settings

_LARGEST_EXACT = 10**12  # beyond this a denominator only spells out the digits of pi


def _fraction_text(value: Fraction) -> str:
    """A fraction as text, "1/80" or "5"; the digits of an irrational figure are cut where they say no more."""
    return str(value if value.denominator <= _LARGEST_EXACT else value.limit_denominator(10**9))


def suggestion_to_dict(answer: Suggestion) -> dict[str, Any]:
    """Everything a script needs of a suggestion: distances as fraction text, the rest plain JSON."""
    machine = answer.machine
    return {
        "machine": machine.name, "unit": machine.show_in, "positions": machine.selector.positions, "series": answer.series,
        "base_mm": _fraction_text(answer.ladder.base_mm), "own": _own_to_dict(answer.ladder),
        "assumed": _assumed_to_list(answer), "per_axis": answer.machine.selector.per_axis, "table": _table_to_dict(answer),
        "whole_step_mm": None if answer.base.whole_step_mm is None else _fraction_text(answer.base.whole_step_mm),
        "missed_by_mm": _fraction_text(answer.missed_by_mm),
        "rungs": [_rung_to_dict(answer, index, mine) for index, (_, mine) in enumerate(by_position(answer.rows))],
        "settings": [
            {key: _fraction_text(value) if isinstance(value, Fraction) else value for key, value in vars(one).items()}
            for one in _settings(answer)
        ],
        "firmware": {"axes": [_firmware_to_dict(answer, axis) for axis in machine.axes]}, "reasons": reasons(answer),
        "given_up": given_up(answer), "cautions": cautions(answer), "notes": notes_as_data(answer.notes),
        **({} if not answer.bases else {"bases": _bases_to_list(answer)}),
        **({} if not answer.verdict else _verdict_to_dict(answer)), "remarks": spoken(odd_figures(answer.machine)),
        **({} if answer.search is None else _search_to_dict(answer.search)),
        **({} if answer.allotment is None else {"allotment": _allotment_to_dict(answer)}),
        "touching_off": [{**asdict(touch), "steps": notes_as_data(touch.notes)} for touch in answer.touching],
        **({} if answer.free is None else {"free_gains_mm": list(answer.free[0]), "free_time_s": answer.free[1]}),
        "jogtune_version": __version__,
    }  # fmt: skip


def _own_to_dict(ladder: Ladder) -> dict[str, list[str]]:
    """The distances of each axis that has its own [mm or degrees]."""
    return {column.axis: [_fraction_text(gain) for gain in column.gains_mm] for column in ladder.own}


def _assumed_to_list(answer: Suggestion) -> list[dict[str, Any]]:
    """What the file leaves open, what it was taken for, and whether another value would change the choice; the hand too."""
    found: list[dict[str, Any]] = [
        {"key": one.assumed.key, "value": one.assumed.value, "range": list(one.assumed.range), "changes_choice": one.changes_choice,
         "loses_share": None if one.loses_share is None or math.isnan(one.loses_share) else one.loses_share, "worst": one.worst}
        for one in answer.tried
    ]  # fmt: skip
    if answer.search is not None and not any(vars(answer.machine.hand).values()):
        over = max((hand for hand in answer.search.hands), key=lambda hand: hand.loss, default=None)
        found.append({"key": "hand", "value": "start values", "range": ["30 % lower", "30 % higher"],
                      "changes_choice": not answer.search.all_near, "loses_share": over and over.loss, "worst": over and over.name})
    return found


def _table_to_dict(answer: Suggestion) -> dict[str, Any] | None:
    """What distances for each axis would win over a shared ladder; None where no axes share theirs."""
    table = answer.shared
    if table is None:
        return None
    last = {name: _fraction_text(gain) for name, gain in table.last_mm.items()}
    return {"holds": table.holds, "saves_share": table.saves_share, "tasks_lost": list(table.tasks),
            "finest_missed": list(table.finest), "last_click_mm": last}  # fmt: skip


def _allotment_to_dict(answer: Suggestion) -> dict[str, Any]:
    """Who moves what: the stick's figures, the buttons advised, what each control wins, and each task."""
    found = answer.allotment
    assert found is not None
    keys = ("stick_top_mm_s", "needed_exponents", "exponent", "dead_band", "coarsest_may_go")
    worths = {name: None if one is None else vars(one) for name, one in (("wins", found.worth), ("wins_slack", found.slack_worth))}
    tasks = [{**vars(one), "task": one.task.name} for one in found.tasks]
    buttons = [_fraction_text(step) for step in found.buttons_mm]
    return {**{key: getattr(found, key) for key in keys}, "buttons_mm": buttons, **worths, "tasks": tasks}


def _verdict_to_dict(answer: Suggestion) -> dict[str, Any]:
    """Whether a ladder of one's own may stay, and what would be better."""
    assert answer.better is not None
    better = [_fraction_text(gain) for gain in answer.better.gains_mm]
    changes = [{"axis": one.axis or None, "from_mm": one.from_mm and _fraction_text(one.from_mm),
                "to_mm": one.to_mm and _fraction_text(one.to_mm)} for one in answer.changes]  # fmt: skip
    return {"verdict": answer.verdict, "better_gains_mm": better, "better_own": _own_to_dict(answer.better),
            "saves_share": answer.saves_share, "changes": changes}  # fmt: skip


def _bases_to_list(answer: Suggestion) -> list[dict[str, Any]]:
    """The bases tried for fixed multipliers, the chosen one first, each with what it costs against it."""
    first = answer.bases[0][1]
    return [{"base_mm": _fraction_text(base), "expected_time_s": s, "costs_share": s / first - 1} for base, s in answer.bases]


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
                "name": task.name, "axis": task.axis, "kind": task.kind, "weight": task.weight,
                "expected_time_s": estimate.mean_s, "time_s": estimate.mean_s, "sd_s": estimate.sd_s, "spread_s": estimate.sd_s,
                "share_impossible": estimate.share_impossible, "reason": speak(estimate.reason), "moves": estimate.moves,
                "switches": estimate.switches, "route": [vars(leg) for leg in estimate.route],
            }
            for task, estimate in zip(search.mix.tasks, search.tasks, strict=True)
        ],
    }


def _alternatives(search: Search) -> dict[str, Any]:
    """The fastest ladder and the plainest of fewest rungs: what each saves (below 0: costs) against the chosen one."""
    return {
        name: {
            **_ranked_to_dict(other), "saves_share": 1 - other.time_s / search.chosen.time_s, "rule_time_s": other.rule_time_s,
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
        "gains_mm": [_fraction_text(gain) for gain in ranked.ladder.gains_mm], "own": _own_to_dict(ranked.ladder),
        "expected_time_s": ranked.time_s,
    }


def _rung_to_dict(answer: Suggestion, index: int, mine: Sequence[Row]) -> dict[str, Any]:
    """A rung; its own figures are those of the axis that runs on furthest, in degrees only where no axis is in mm."""
    gain, unit = answer.ladder.gains_mm[index], answer.machine.show_in
    worst = max([row for row in mine if not answer.machine.axis(row.axis).rotary] or mine, key=lambda row: row.run_on_mm)
    return {
        "position": mine[0].position, "multiplier": mine[0].multiplier, "gain_mm": _fraction_text(gain),
        "shown": f"{say_number(in_unit(gain, unit))} {unit}", "reason": rung_reasons(answer)[index],
        "run_on_mm": worst.run_on_mm, "run_on_axis": worst.axis, "ripple_share": max(row.ripple_share for row in mine),
        "habit": worst.habit, "axes": {row.axis: _axis_to_dict(answer, row) for row in mine},
    }  # fmt: skip


_AXIS_KEYS = {
    "unit": "unit", "exact": "exact", "whole_step": "whole_step", "dead_click_share": "dead_share",
    "full_speed_turn_rate": "full_speed_detents_s", "turns_to_cross": "turns_to_cross", "stray_click_speed_mm_s": "stray_mm_s",
    "above_cap": "above_cap", "run_on_mm": "run_on_mm", "run_on_s": "run_on_s", "hurried_run_on_mm": "hurried_run_on_mm",
    "hurried_mm_s": "hurried_mm_s", "forgiven_run_on_mm": "forgiven_run_on_mm", "runs_on_too_far": "runs_on_too_far",
    "ripple_share": "ripple_share", "habit": "habit", "free_rate": "free_detents_s", "kind": "kind", "felt_delay_s": "delay_s",
    "distance_per_report_mm": "report_mm",
}  # fmt: skip
"""Key of an axis in the JSON -> field of its row; scripts read these keys, so they stay."""


def _axis_to_dict(answer: Suggestion, row: Row) -> dict[str, Any]:
    axis, remainder = answer.machine.axis(row.axis), answer.machine.firmware.remainder
    top, ramp, step = axis.top_speed_mm_s, axis.ramp_mm_s2, float(axis.step_mm)
    drift = drift_carry() if remainder == "carry" else drift_drop(row.steps)
    return {
        "gain_mm": _fraction_text(Fraction(row.gain_num, row.gain_den)), "shown": f"{row.gain} {row.unit}",
        "multiplier": row.multiplier, "repeats": row.repeats, **{key: getattr(row, name) for key, name in _AXIS_KEYS.items()},
        "steps_per_detent": _fraction_text(row.steps),
        "click_pattern": list(click_pattern(row.steps).gaps[:12]),
        "top_speed_mm_s": top,
        "finer_than_real": {"": None, "reversal": "after a reversal"}.get(row.finer_than, row.finer_than),
        "habit_reasons": habit_reasons(answer.machine, answer.ladder, row),
        "time_to_full_speed_s": time_to_full_speed_s(top, ramp),
        "smallest_full_speed_move_mm": smallest_full_speed_move_mm(top, ramp),
        "longest_report_interval_s": None if math.isnan(row.longest_report_s) else row.longest_report_s,
        "drift_per_1000": {
            "remainder": remainder, "detents_per_report": 1, "one_way_mm": row.drift_1000_mm,
            "there_and_back_mm": row.drift_back_mm, "bound_mm": None if drift.bound_steps is None else drift.bound_steps * step,
        },
    }  # fmt: skip


def _firmware_to_dict(answer: Suggestion, axis: Axis) -> dict[str, Any]:
    """What to set in one axis' firmware, and the allowed run-on that it comes from."""
    found = derive_outstanding(answer.machine, axis, answer.ladder)
    return {
        "axis": axis.name, "calm_speed_steps_s": found.calm_speed_steps_s, "jog_top_mm_s": found.jog_top_mm_s,
        "outstanding_limit_mm": found.limit_mm, "outstanding_limit_steps": found.limit_steps,
        "allowed_run_on_mm": found.allowed_mm, "allowed_given": found.allowed_given, "coarsest_served_mm": found.gain_mm,
        "shortest_discarding_queue": found.queue, "cures": cures(found.cures, answer.machine.shown_unit(axis)),
    }  # fmt: skip


def to_json(content: dict[str, Any]) -> str:
    """JSON text, indented, ending in a line feed; refuses NaN and infinity."""
    return visible(json.dumps(_rounded(content), indent=2, ensure_ascii=False, allow_nan=False)) + "\n"


def _rounded(content: Any) -> Any:
    """The same with floats cut to 12 digits, so that 0.01 does not read 0.010000000000000009."""
    if isinstance(content, float):
        return float(f"{content:.12g}")
    if isinstance(content, dict):
        return {key: _rounded(value) for key, value in content.items()}
    return [_rounded(value) for value in content] if isinstance(content, list | tuple) else content


def _suggestion_to_csv(answer: Suggestion) -> str:
    """The rows as CSV: a row per position and axis, then the stick's and the buttons', which hold only what is set; units in the
    heads; no cell is a formula."""
    import pandas as pd

    found, rows = pd.DataFrame([_csv_cells(one) for one in _settings(answer)], dtype=object), answer.table
    knob, beside = found[: len(rows)], found[len(rows) :].reset_index(drop=True)
    rows = rows.assign(axis=knob["axis"], **{str(name): knob[name] for name in found if name not in rows})
    texts = [frame.map(harmless).to_csv(index=False, header=first, float_format="%.12g", lineterminator="\n")
             for frame, first in ((rows, True), (beside.reindex(columns=rows.columns), False))]  # fmt: skip
    return "".join(texts)


def _csv_cells(one: _Setting) -> dict[str, Any]:
    """What is set as cells of the CSV, under the names of a row's columns where it has them."""
    cells = {name: value for name, value in vars(one).items() if name not in ("distance_mm", "steps", "free_rate")}
    cells |= {"axis": one.axis, "free_detents_s": one.free_rate}
    for name, value in (("gain", one.distance_mm), ("steps", one.steps)):
        cells |= {} if value is None else {f"{name}_num": value.numerator, f"{name}_den": value.denominator}
    return cells if one.distance_mm is None else cells | {"gain_mm": float(one.distance_mm)}


_CHECKS = ("test", "axis", "position", "what", "predicted", "allowance", "unit", "measured", "done by", "date", "remark")


def _checks_to_csv(asked: Commissioning) -> str:
    """The table to fill in, a row per figure; its first rows name the machine file and the ladder. No cell is a formula."""
    machine, rows = asked.machine, list[Sequence[object]]([_CHECKS])
    for what, text in (("machine file", machine.sha256), ("ladder", asked.ladder.say())):
        rows.append(("sheet", "", "", what, "", "", "", text, "", "", Path(machine.source).name))
    for check in asked.checks:
        numbers = [say_number(check.shown(value), digits=5) for value in (check.predicted, check.allowance)]
        due = [f"n x {say_number(check.shown(check.gain_mm))}", numbers[1]] if check.rule == "grid" else numbers
        rows.append((check.test, check.axis, check.position, check.what, *due, check.read_in, *[""] * 4))
    return csv_text(rows)
