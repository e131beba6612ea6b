"""Machines and ladders: a sentence per kind."""

from collections.abc import Callable, Mapping
from typing import Any

from ..notes import Note
from ..units import say_distance, say_number
from .say import _axes_words, _fill, _listed, _percent, _positions_words, _seconds, _Template, counted


def _clamp(note: Note) -> str:
    rates = note.figures["keeps_up_detents_s"]
    turning = _listed([say_number(rate, digits=3) for rate in rates])
    told = _fill("{Axes}: with someone near, clamp the axis in the firmware to at most {clamp} ({calm}), for knob, stick ", note)
    positions = _positions_words(range(1, len(rates) + 1)).capitalize()
    return f"{told}and buttons alike. {positions} then keep{'s' if len(rates) == 1 else ''} up to {turning} clicks/s."


def _hurried(note: Note) -> str:
    queue, far = note.figures["queue"], ", as far as it reaches" if note.figures["at_reach"] else ""
    return _fill(
        f"{{Axes}}, {{positions}}: turned hard for a second, the axis travels another {{run_on}} after you stop{far}. Limit what "
        "is owed to {limit} ({limit_steps} steps) and the jog speed to {jog_top}, and drop the clicks beyond.", note
    ) + (f" If the firmware has only a queue, let it hold {counted(queue, 'move')} and discard the rest." if queue else "")


def cures(figures: Mapping[str, float], unit: str) -> list[str]:
    """What would let a steady hand keep every click, each cure alone, in the person's unit."""
    told: dict[str, Callable[[float], str]] = {
        "ramp_mm_s2": lambda ramp: f"a ramp of at least {say_distance(ramp, unit, digits=3)}/s2",
        "report_s": lambda every: f"a report at least every {say_number(1000 * every, digits=3)} ms",
        "coarsest_mm": lambda gain: f"a rung no coarser than {say_distance(gain, unit, digits=3)}",
    }
    return [say(figures[name]) for name, say in told.items() if name in figures]


def _whole_step(note: Note) -> str:
    whole = note.figures["whole_step_mm"]
    which = f"{say_distance(whole, note.unit)} ({whole} mm) is the finest distance that" if whole else "No distance within reach"
    left = f" {_axes_words(note)}: no distance is exactly whole, so left out of it." if note.where.axes else ""
    return f"{which} is whole motor steps on every axis.{left}"


def _tasks(note: Note) -> str:
    if not note.figures["timed"]:
        return ""
    tasks = note.figures["tasks"]
    if tasks:
        return f"; taken to {_listed(tasks)}"
    return "; kept as your finest wish, no task needs it" if note.where.positions == (1,) else "; no task needs it"


def _finest_rung(note: Note) -> str:
    wish = "within the finest wish of {wish}" if note.figures["meets_wish"] else "the finest wish, {wish}, is missed"
    return f"{say_distance(note.figures['gain_mm'], note.unit)} is the finest: {_fill(wish, note)}{_tasks(note)}."


def _next_rung(note: Note) -> str:
    figures, keeps = note.figures, note.where.axes
    last = ", the coarsest" if figures["coarsest"] else ""
    rate = say_number(figures["rate_detents_s"], digits=3)
    follow = f"{_listed(keeps) or 'no axis'} keep{'s' if len(keeps) < 2 else ''} up at {rate} clicks/s"
    gain = say_distance(figures["gain_mm"], note.unit)
    return f"{gain} is {say_number(figures['ratio'], digits=3)} times the one before{last}; {follow}{_tasks(note)}."


_DROPS = {
    "carry": "The firmware keeps the remainder, so the error stays within half a step.",
    "drop": "The firmware drops the remainder, so position drifts {lost}. Carry remainders, or give each axis its own distances.",
    "unknown": "If the firmware drops remainders, position drifts {lost}. Find out first.",
}


def _lost(note: Note) -> str:
    figures = note.figures
    if "drift_mm" not in figures:
        return ""
    unit = figures["drift_unit"]
    drift, gain = say_distance(figures["drift_mm"], unit, digits=2), say_distance(figures["drift_gain_mm"], unit)
    return f"up to {drift} in 1,000 clicks of {gain} on {figures['drift_axis']}"


def _not_whole(note: Note) -> str:
    figures = note.figures
    which = "; ".join(f"{figures['gains'][n]} on {_listed(axes)}" for n, axes in figures["axes_by_position"].items())
    return f"Not whole motor steps: {which}. {_DROPS[figures['remainder']].format(lost=_lost(note))}"


def _task_time(note: Note) -> str:
    figures = note.figures
    unmet = f" (for {_listed(figures['unmet'])}: the time to come as near as can be)" if figures["unmet"] else ""
    perfect = _seconds(figures["time_s"])
    if figures["rule_s"] is None:
        return f"A task takes {perfect} on average, used perfectly{unmet}."
    return f"A task takes {_seconds(figures['rule_s'])} on average by rule of thumb, {perfect} used perfectly{unmet}."


def _no_other(note: Note) -> str:
    figures = note.figures
    others = f"No other of {figures['searched']:,} ladders is over {_least(figures['saves_share'])} faster for your hand"
    if figures["worst_share"] is not None:
        others += f", nor over {_least(figures['worst_share'])} for one that is quicker, slower, steadier, shakier or less clever"
        others += " with the selector"
    if not figures["all_near"]:
        return f"{others}. No ladder is near-best for all of these hands; this is among those least far from it."
    if figures["near"] == 1:
        return f"{others}. No other is near-best for all of these hands."
    return f"{others}. This is the plainest of the {figures['near']:,} that are near-best for all of these hands."


def _least(share: float) -> str:
    return f"{100 * max(share, 0.0):.1f} %"


def _changes(share: float) -> str:
    return f"saves {_percent(share)}" if share >= 0 else f"costs {_percent(-share)}"


def _against(name: str) -> _Template:
    def say(note: Note) -> str:
        figures, by = note.figures, note.figures["rule_saves_share"]
        rule = "" if by is None else f" used perfectly, and {_changes(by)} by rule of thumb"
        return f"{name}, {figures['ladder']}, {_changes(figures['saves_share'])}{rule}."

    return say


def _fewer(note: Note) -> str:
    figures, widest = note.figures, note.figures["widest"]
    why = "its numbers are less plain" if widest <= 10 else f"one step between two of them is {say_number(widest, digits=2)}-fold"
    few = f"{counted(figures['count'], 'rung')} ({figures['ladder']})"
    return f"{few} would cost only {_percent(figures['costs_share'])}, but {why}."


def _one_more(note: Note) -> str:
    figures = note.figures
    saves = "nothing" if figures["saved_s"] < 0.005 else _percent(figures["saved_s"] / figures["of_s"])
    end = "leave it out"
    if figures["worth"]:
        end = "it is worth having" if figures["room"] else f"the selector has {figures['positions']} positions"
    if figures["wide_gap"] and figures["room"]:
        end += ", unless the gap of more than ten times between two rungs bothers the hand"
    return f"{counted(figures['count'], 'rung')} would save {saves}; {end}."


def _table(note: Note) -> str:
    """What distances for each axis would win."""
    figures = note.figures
    share, lost, finest = figures["saves_share"], figures["tasks"], figures["finest"]
    saves = "save time that no task here tells of" if share is None else f"save {_percent(share)} of a task at most"
    saves = "save nothing" if share is not None and share < 0.0005 else saves
    reasons = [f"meet the finest wish of {_listed(finest)}"] * bool(finest) + [f"meet goals of {_listed(lost)}"] * bool(lost)
    end = {"worth it": "worth a table in the firmware", "not worth it": "nothing to speak of"}.get(figures["holds"], "")
    told = f"Distances of its own for each axis would {' and '.join(reasons) or saves}{f': {end}' if end else ''}."
    if reasons:
        told += f" They are needed, and would {saves}: set per_axis = true under [selector]."
    last = [f"on {name} {gain}" for name, gain in figures["last"].items()]
    return told + (f" The last click that the axis follows would be {_listed(last)}." if last else "")


def _free(note: Note) -> str:
    figures = note.figures
    clicks = ", ".join(say_distance(gain, note.unit, digits=3).split()[0] for gain in figures["gains_mm"])
    return (
        f"Clicks of any distance ({clicks} {note.unit}) would do a task in {_seconds(figures['time_s'])}, so the best of this "
        f"series costs {100 * figures['costs_share']:.1f} % (a local optimum, with the same base kept or moved)."
    )


def _full_speed(note: Note) -> str:
    highest, count = note.figures["highest"], note.figures["count"]
    owed = "no position" if highest == 0 else "every position" if highest == count else _positions_words(range(1, highest + 1))
    runs = "runs" if highest < 2 or highest == count else "run"
    told = _fill("{Axes}: full speed takes {time}, and no move shorter than {way} reaches it. If every click is finished, ", note)
    return f"{told}{owed} {runs} on little: at most half a click, the finest wish or 0.25 s (our limit)."


def _bases(note: Note) -> str:
    """Which base suits fixed multipliers, and what the next best cost."""
    figures = note.figures
    others = [f"{say_distance(base, note.unit)} {'is as fast' if abs(share) < 0.0005 else _changes(-share)}"
              for base, share in figures["others"]]  # fmt: skip
    best = f"the best of {counted(figures['count'], 'base')} for these multipliers"
    return f"×1 is {say_distance(figures['base_mm'], note.unit)}, {best}{f'; next, {_listed(others)}' if others else ''}."


def _rung_changes(note: Note) -> str:
    texts = []
    for change in note.figures["changes"]:
        old, new = ("" if gain is None else say_distance(gain, change.unit) for gain in (change.from_mm, change.to_mm))
        text = f"{old} to {new}" if old and new else f"add {new}" if new else f"drop {old}"
        texts.append(f"{text} on {change.axis}" if change.axis else text)
    return "; ".join(texts)


def _taken_for(figures: Mapping[str, Any]) -> str:
    between = figures["range"]
    span = f" ({' to '.join(between) if len(between) == 2 else _listed(between, 'or')})" if between else ""
    return f"{figures['key']} {figures['value']}{span}"


def _other_ladder(note: Note) -> str:
    share = note.figures["loses_share"]
    why = "has no room" if share != share else f"is {_percent(share)} slower"
    return f"at {note.figures['worst']} another ladder {'is as good' if share < 0.0005 else f'would be chosen: this one {why}'}"


def _assumed_most(note: Note) -> str:
    figures, of = note.figures, counted(note.figures["count"], "figure")
    if not figures["changes"] or figures["loses_share"] < 0.0005:
        return f"The ladder is as good, whatever is assumed: {of}."
    return f"Of the {of} assumed, {_taken_for(figures)} matters most: {_other_ladder(note)}."


def _change(note: Note) -> str:
    meets = ", and meets goals that yours can't" if note.figures["more_unmet"] else ""
    return f"Change it: {_rung_changes(note)}. {note.figures['ladder']} {_changes(note.figures['saves_share'])}{meets}."


_NOTES: dict[str, _Template] = {
    # machine
    "odd_top_speed": "{Axes}: a top speed of {top_speed} is very fast for a machine of this kind. Is it a figure per minute?",
    "odd_step": "{Axes}: one motor step is {step}. Check steps and unit.",
    "odd_step_rate": "{Axes}: top speed takes {step_rate}. Check that the firmware can make so many.",
    "odd_ramp": "{Axes}: it takes {time} to reach top speed. Check ramp and top speed.",
    "odd_finest": "{Axes}: the finest wish, {finest}, is far below one motor step, {step}. Check its unit.",
    "odd_slack": "{Axes}: a slack of {slack} is many times the finest wish of {finest}. Check its unit.",
    "odd_crank_rate": "A crank at {steady} takes {turn} for a turn. Is that the rate of a finger knob? About a turn a second is "
    "usual.",
    # near a moving axis
    "no_safety_device": "jogtune calculates; it is no safety device. Keep a hard-wired stop within reach of whoever turns "
    "the knob.",
    "cannot_know": "It can't know the machine's masses, guards, clamps, tooling or state, nor who stands near: the machine's "
    "manual, its risk assessment and local rules come before any figure here.",
    "try_first": "Try each rung first with the spindle off, the tool clear and hands out of the way, the finest first.",
    "faster_is_not_safer": "Faster is not safer: the machine's manual, its risk assessment and local rules come before any "
    "figure here. jogtune calculates; it is no safety device. Keep a hard-wired stop within reach and hands clear; a lost link "
    "must mean stop.",
    "lost_link": "A lost link must mean stop: after {silence} without a report the axis stops, and the clicks of the gap are "
    "discarded, never made up in a leap.",
    "clamp": _clamp,
    "no_calm_speed": "{Axes}: the machine file has no calm_speed, so jogtune cannot say what suits work near people. Ask the "
    "manual and the risk assessment.",
    "stray_click": "{Axes}: a stray click on {positions} moves {gain} at up to {stray}.",
    "no_rung_is_a_clamp": "No rung is a clamp: a hand that hurries passes its steady rate, and the selector is soon turned. "
    "Where two axes move at once, divide each clamp by √2. Set the limit on what is owed too: a clamp alone runs on longer.",
    "hold_to_run": lambda note: _fill("Hold-to-run: let the axes move only while an enabling button is held on {positions}", note)
    + (" and with the stick." if note.figures["stick"] else "."),
    "home_first": "Home the axes and set soft limits before {positions}: turned hard, {of} goes {hurried} there and has {reach}.",
    "may_drop": "{Axes}: without power it may drop; jogtune can't know its weight or brake. Block it before the power goes, and "
    "keep hands from under it.",
    "stick_to_zero": lambda note: "The stick must fall to zero when it is let go, and a lost link must stop it: held at top speed "
    "when the link goes, " + _listed(f"{name} {say_distance(far, note.figures['units'][name], digits=2)}"
                                     for name, far in note.figures["run_on"].items())
    + " more are travelled. Let it move again only after it was centred.",
    "feed_override": "A feed override on the same knob is a different job: show plainly which of the two it does, and let no click "
    "count for both.",
    "hurried_run_on": _hurried,
    "limit_over_allowed": "{Axes}: the filed jog_limit of {limit} lets the axis run on farther than the {allowed} allowed.",
    "limit_that_waits": "{Axes}: the firmware keeps the clicks beyond its limit, so it owes them all the same. Let it drop them.",
    "clicks_lost_within": lambda note: _fill("{Axes}: within the {allowed} allowed, a steady hand loses clicks of {gain}. ", note)
    + f"It would take {_listed(cures(note.figures['cures'], note.unit), 'or')}.",
    "clicks_lost_at": "{Axes}: at {rate} clicks are lost on {positions}.",
    "dead_positions": "{Axes}: on {positions} one click is more than the limit of {limit}, so nothing would move.",
    "dead_buttons": "{Axes}: one press of {press} is more than the limit of {limit}, so that button would move nothing.",
    "sent_rounded": lambda note: _fill("{Axes}: the link sends {decimals} decimals, so on {positions} clicks are rounded: ", note)
    + "{} for {}, and after 1000 clicks {} is missing or too much. Send clicks, or more decimals.".format(
        *(say_distance(note.figures[name], note.unit) for name in ("sent_mm", "gain_mm", "drift_mm"))),
    "full_speed_takes": _full_speed,
    # where the distances come from
    "rungs": "{count} rungs: {ladder} a click.",
    "base_own": "The finest is {gain}: your own.",
    "base_plain_step": "The finest is {gain}: the smallest plain distance no finer than the largest motor step, {step}.",
    "base_plain_wish": "The finest is {gain}: the largest plain distance within the finest wish, {wish}.",
    "base_whole_least": "The finest is {gain}: the smallest distance of whole motor steps on {names}.",
    "base_whole_all": "The finest is {gain}: the plainest multiple of the common whole step, {common}, within the finest wish, "
    "as the firmware drops remainders.",
    "base_whole_some": "The finest is {gain}: the plainest distance within the finest wish that is whole steps on {names}; none "
    "so fine is whole on all axes.",
    "own_column": lambda note: f"{_axes_words(note)} {'turns, so it ' * note.figures['turns']}has distances of its own: "
    f"{note.figures['column']}.",
    "times_one": "×1 is {base}: the largest distance that divides all of them.",
    "whole_step": _whole_step,
    "other_base": "The other choice of base is {base}, {which}.",
    "plain_and_whole": "{base} is both plain and whole motor steps on every exact axis.",
    "series_rounded": "Series {series} is rounded to whole multiples; furthest off: ×{exact} became ×{multiplier} ({deviation}).",
    "finest_rung": _finest_rung,
    "next_rung": _next_rung,
    # a ladder of one's own
    "fixed_multipliers": _bases,
    "ladder_keep": "Keep it: jogtune has nothing faster to offer.",
    "ladder_change": _change,
    "ladder_cant_tell": "Keep it or take {ladder}: the difference, {saves}, is too small to tell.",
    # what the search found
    "task_time": _task_time,
    "no_other_faster": _no_other,
    "fastest_ladder": _against("The fastest"),
    "fewest_rungs": _against("The plainest of fewest rungs"),
    "fewer_possible": _fewer,
    "one_more_rung": _one_more,
    "table_saves": _table,
    "start_mix": "The file names no tasks, so a start mix was taken (cross, go near, nudge on every axis). Add [[task]] tables "
    "of your own.",
    "axis_gone": lambda note: _fill("{Axes} is no longer there", note)
    + (f", nor what was done on it: {_listed(note.figures['tasks'])}." if note.figures["tasks"] else "."),
    "hand_assumed": "The hand is assumed, not measured: measure yours with `jogtune measure`.",
    "assumed": lambda note: f"Assumed: {_taken_for(note.figures)}; {_other_ladder(note)}.",
    "assumed_most": _assumed_most,
    "assumed_too": lambda note: "Assumed" + (
        ", and the choice stays" if all(one["changes"] is not None or not one["range"] for one in note.figures["rest"]) else ""
    ) + f": {'; '.join(map(_taken_for, note.figures['rest']))}.",
    "free_clicks": _free,
    # what was given up
    "wish_missed": lambda note: _fill("The finest wish of {wish} is missed by {missed}: ", note)
    + ("the finest rung asked for is coarser." if note.figures["step_is_finer"] else "no motor step is so small on every axis."),
    "not_whole": _not_whole,
    "never_whole": lambda note: _fill("{Axes}: no distance is exactly whole motor steps. The firmware ", note)
    + f"{'drops' if note.figures['remainder'] == 'drop' else 'may drop'} the remainder, and position drifts {_lost(note)}. Carry "
    "remainders; file a step that is a fraction as one.",
    "finer_than_steps": "{gain} is finer than {axes} can honour even one way.",
    "finer_than_reversal": lambda note: _fill("After a change of direction, {axes} ", note)
    + _fill("cannot place {gain}. " if note.figures["slack_known"] else "may not place {gain}: slack not known. ", note)
    + "Touch off from one side only.",
    "outruns_steady": "{Axes} can't keep up with {rate} on {positions}.",
    "coarser_possible": "The coarsest rung stays below what the fastest axis could follow ({most}).",
    "table_needed": _table,
}
"""Kind of note -> its sentence, with figures in braces (see `say.fill`)."""
