"""Measured, compared, dialled: likewise."""

from collections.abc import Callable

from ..notes import Note
from ..units import say_distance, say_number
from .hand_notes import _HAND_NOTES
from .say import _fill, _listed, _percent, _Template, counted, said


def _gain_off(note: Note) -> str:
    value, gain, others = (note.figures[name] for name in ("real_mm", "gain_mm", "other_rungs"))
    alike = f"; {counted(others, 'other rung')} {'is' if others == 1 else 'are'} off too" if others else ""
    off = f"{_percent(abs(value / gain - 1))} {'less' if value < gain else 'more'}"
    sure = _percent(note.figures["half_mm"] / value)
    moves = f"a click of {say_distance(gain, note.unit)} moves {say_distance(value, note.unit, digits=5)} (± {sure})"
    return f"Axis {_listed(note.where.axes)}: {moves}, {off}{alike}. Check its steps per {note.unit}."


def _slack_off(note: Note) -> str:
    low, high = (said(note)[name].split()[0] for name in ("low", "high"))
    filed = "says {filed}" if "filed_mm" in note.figures else "gives none"
    return _fill(f"{{Axes}} has {{slack}} of slack ({low} to {high}); the machine file {filed}.", note)


def _ladder_faster(note: Note) -> str:
    people = counted(note.figures.get("people", 0), "person")
    who = people if note.figures.get("paired") else f"{people} alone"
    basis = {"measured": f"as measured with {who}; a fall of times by practice of {{fall}} is allowed for",
             "predicted": "as predicted"}[note.figures["basis"]]  # fmt: skip
    return _fill(f"{{faster}} is faster: {{slower}} takes {{change}} longer ({_span(note)}), {basis}.", note)


def _ladders_unclear(note: Note) -> str:
    told = _fill(f"No clear difference yet: against {{faster}}, {{slower}} takes {_span(note)} longer.", note)
    people, tasks = (note.figures.get(name) for name in ("more_people", "more_tasks"))
    more = f"{counted(people, 'more person')} doing as many tasks" if people else counted(tasks, "more task") if tasks else ""
    return told + (_fill(f" About {more} would tell a difference of {{worth}}, four times in five.", note) if more else "")


_ADVICE = {
    "let_half_begin": "let half begin with the other ladder", "change_often": "change ladder every four tasks",
    "let_each_do_both": "let each person use both",
}  # fmt: skip
"""How to find out what practice hides."""


def _span(note: Note) -> str:
    return f"{100 * note.figures['low_share']:.0f} to {100 * note.figures['high_share']:.0f} %".replace("-", "−")


_SINCE = {"slack": "{Axes}: slack", "click": "{Axes}: what a click of {gain} moves", "delay": "The time from report to motion",
          "task": "The time of like tasks", "turn_rate": "The turn rate"}  # fmt: skip
_VERDICTS = {
    "since_changed": " changed by {change} ({low} to {high}), from {before} to {after}.",
    "since_unchanged": " is unchanged within ±{most}: {after}.", "since_unclear": ": can't tell, it changed by {low} to {high}.",
}  # fmt: skip


def _since(note: Note) -> str:
    why = note.figures.get("why")
    verdict = f": can't tell. {_fill(_FINDINGS[why.kind], why)}" if why else _VERDICTS[note.kind]
    return _fill(_SINCE[note.figures["what"]] + verdict, note).replace(" -", " −").replace("(-", "(−")


def _rung(told: str) -> Callable[[Note], str]:
    return lambda note: _fill(("{Positions} ({gain})" if note.where.positions else "The rung of {gain}") + told, note)


_FINDINGS: dict[str, _Template] = {
    "only_first_bursts": "A long log: clicks, distances and times per rung are of all of it; all else is of its first {hours} h "
    "({bursts} of {all} bursts).",
    # why there is no figure, or no interval
    "few_seen": "The log shows {seen} of the {needed} it takes.",
    "few_of_either": "The log shows {first} and {second} of the {needed} of each it takes.",
    "none_seen": "The log shows none.",
    "few_tasks": lambda note: f"The log shows {counted(note.figures['tasks'], 'task')} of the {note.figures['needed']} it takes.",
    "few_moves": "The log shows {seen} of the {needed} it takes: moves of more than five clicks to a known goal.",
    "few_rests": "The log shows too few rests: {seen}.",
    "rests_alike": "The rests in the log are too much alike.",
    "few_bursts": "The log shows {seen} of the {needed} it takes: bursts from rest to rest with the slack taken up.",
    "never_moves": "The position never moves with the clicks.",
    "ramp_hidden": "Its bursts are too few, or too short, to show it.",
    "few_rows": "The move has {seen} rows of the {needed} it takes.",
    "position_gaps": "The position has gaps.",
    "rows_uneven": "The rows are not evenly spaced.",
    "rows_sparse": "The log has {rate} rows a second; {needed} are needed.",
    "position_still": "The position never changed.",
    "no_jerk": "The speed changed evenly: there is no jerk to take.",
    "no_position": "The log has no position.",
    "position_unknown": "The log does not say whether its position is commanded, counted or measured: "
    'add "# position: measured".',
    "position_commanded": "The log's position is what was commanded, which says nothing about what the machine did.",
    "position_counted": "The log's position is the controller's own count, which says nothing about what the machine did.",
    # a log measured
    "gain_off": _gain_off,
    "slack_off": _slack_off,
    "position_lost": "{Axes}: the error grows as it moves, as if steps or remainders were lost.",
    "delay_late": "The axis starts {delay} after the report; the machine file says {filed}.",
    "delay_or_ramp": "{Axes}: a longer delay and a lower ramp look alike in this log, so the delay may be {low} to {high}. Longer "
    "moves tell them apart, or jogtune measure --script.",
    "axis_outrun": "At {gain} a click, {outrun} of the turning was faster than the axis can follow.",
    "moved_alone": lambda note: _fill("{Axes} moved ", note)
    + ("once" if note.figures["times"] == 1 else f"{note.figures['times']} times")
    + f" without the knob, first before {say_number(note.figures['first_s'])} s.",
    "misread": lambda note: _fill("Positions of {axes} that jump and come straight back are left out: {times}, the first at ", note)
    + f"{say_number(note.figures['first_s'])} s ({say_distance(note.figures['read_mm'], note.unit)}).",
    "nobody_turned": "Nobody turned the knob in this log.",
    "log_simulated": "Simulated: nobody turned this knob.",
    "past_turning": "These figures describe past turning. They do not clear you to go faster: follow the machine's manual, its "
    "risk assessment and local rules, and keep a hard-wired stop within reach.",
    "rung_unused": _rung(" was not turned in {tasks} tasks: unless other work needs it, leave it out."),
    "rung_hardly_used": _rung(" was used for {travel} of the travel, {time} of the time and {clicks} of the clicks: drop it."),
    "rung_jumped_over": _rung(": {passed} of {changes} changes to it or across it went across: try without it."),
    "rungs_in_use": "Every rung was put to use in {tasks} tasks: nothing here asks for another ladder.",
    "few_tasks_for_rungs": "{tasks} of the {needed} tasks that it takes to advise on rungs.",
    "clicks_too_fast": lambda note: f"{counted(note.figures['over'], 'click')} came faster than the axis can follow: the firmware "
    "owes or drops them.",
    "no_click_too_fast": "No click came faster than the axis can follow.",
    # what changed since
    **dict.fromkeys(_VERDICTS, _since),
    "since_limits": "Where nothing changed, 95 of 100 pairs of logs say so of all figures of the machine at once, and of both of "
    "people. Other people, practice, care, rungs or work may be behind other times or turn rates: two logs can't tell.",
    # ladders compared
    "ladder_faster": _ladder_faster,
    "expected_faster": "{faster} should be faster: {slower} would take an average hand {change} longer. Nothing was measured.",
    "expected_alike": "{faster} and {slower} should take an average hand as long, to {near}. Nothing was measured.",
    "ladders_unclear": _ladders_unclear,
    "practice_unclear": lambda note: _fill("How much longer {slower} takes than {faster}", note)
    + (f" ({_span(note)})" if "low_share" in note.figures else "")
    + f" can't be told from practice: {_ADVICE[note.figures['advice']]}.",
    "how_to_tell": "To tell ladders apart, change ladder every four tasks, let half of the people begin with the other one, and "
    "keep the logs in the order done.",
    "tasks_too_few": lambda note: _fill("Too few tasks yet to hold {slower} against {faster}: ", note)
    + f"it takes at least {counted(note.figures['more_tasks'], 'more task')} on each.",
    "only_one_can": "{faster} can do every task, {slower} can't.",
    "neither_can": "Neither {faster} nor {slower} can do every task.",
    "clicks_coarse": "{Axes}, tolerance {tolerance}: clicks of {click} miss it {missed} of the time.",
    "task_out_of_reach": lambda note: f"{note.where.task}: {round(100 * note.figures['out_share'])} % of goals are out of reach. "
    + _fill(_HAND_NOTES[note.figures["reason"].kind], note.figures["reason"]),
    "held_out": lambda note: "On tasks it has not seen, the prediction is "
    f"{round(100 * note.figures['single_share'])} % off a single one and "
    f"{round(100 * note.figures['total_share']):+d} % off all.",
    "predicted_by_rule": "Predicted, from how you pick rungs ({explained} of your rungs explained); good to about 15 %; practice "
    "on the new ladder not counted.",
    "fastest_replayed": "Under a queue only the {count} fastest of the {all} ladders were replayed; of the others the run-on is "
    "the machine file's.",
    "rungs_without_clicks": "{ladder}: no click of the logs maps to {positions}; the run-on there is the machine file's.",
    "no_log": "No log: expected times are those of an average hand that nobody measured.",
    "no_goals": "The logs show no finished goals, so expected times are those of an average hand.",
    "untested_prediction": lambda note: f"{counted(note.figures['goals'], 'finished goal')} "
    f"{'is' if note.figures['goals'] == 1 else 'are'} too few to test the prediction on tasks it has not seen.",
    "logs_simulated": "Simulated logs are among these: nobody turned that knob.",
    "on_screen_logs": "On-screen logs are among these: what a mouse wheel shows does not carry over to a real knob.",
    # a class collected
    "results_missing": "Nothing that counts came back from {people}.",
    "log_twice": "Left out, as {other} holds the same rows: {file}.",
    "two_sittings": "Two sittings of {person} count, the later with more practice: {files}.",
    "log_of_another": "Left out, as its label is {label}, somebody else in the class: {file}. Move it into that folder, or mend "
    "the label.",
    "log_labelled_otherwise": "Counted for {person}, in whose folder it lies, though its label is {label}: {file}.",
    "log_in_no_folder": "Left out, as it lies in nobody's folder: {file}.",
    "log_of_another_machine": "Left out, as it was made with {machine}, not with {own}: {file}.",
    "class_without_goals": "No log shows a finished goal, so there is nothing to compare.",
}
"""Kind of note -> its sentence, with figures in braces (see `say.fill`)."""


def _split(note: Note) -> str:
    """Two explanations and their odds, and the rung that would tell them apart."""
    one, other = note.figures["likelihood_share"]
    odds = "as likely" if one < 1.5 * other else f"about {one / other:.0f} to 1"
    named = " or ".join(_listed(kinds) or "nothing wrong" for kinds in note.figures["causes"])
    rest = ", or something else" if one + other < 0.8 else ""
    where = "at {rung} a click, where they differ most" if "rung_mm" in note.figures else "or a rung with more travel"
    return _fill(f"{{Axes}}: either {named}, {odds}{rest}. Take more rounds {where}.", note)


def _factor(more: str) -> Callable[[Note], str]:
    """What clicks move of what they should, as the readings show it or, where other causes hide it, as concluded."""
    ways = {True: "clicks up move {moved} (± {half})", False: "with the other causes allowed for, clicks move {ratio}"}
    return lambda note: _fill("{Axes}: " + ways["moved" in note.figures] + f" of what they should, {more}.", note)


_TURNS = {"first": "the first turn moves", "reversal": "each turn after a reversal moves", "each": "each turn moves"}

_BENCH: dict[str, _Template] = {
    # what an axis shows
    "none_of_these": "{Axes}: none of these: {tried} causes and their mixtures were tried, and all leave more than dial and motor "
    "explain. Check the stand and the rows, let it warm up, take another round; then read one rung click by click over a turn of "
    "screw or pulley.",
    "few_readings": lambda note: f"{_fill('{Axes}', note)}: "
    + (f"{counted(note.figures['seen'], 'reading')} can't tell" if note.figures["seen"] else "nothing was read")
    + ": take at least up and back twice on one rung.",
    "movements_typed": lambda note: _fill(
        "{Axes}: these look like movements, not dial positions, as back reads as much as up. Set the dial to zero once per rung, "
        "don't zero in between, and write what it shows."
        + (" Or the slack is longer than {travel}: then read a longer rung too." if note.figures["short"] else "")
        + " Nothing else is concluded.", note),
    "readings_in_order": lambda note: _fill(
        "{Axes}: every reading is where it should be."
        + (" A factor within {limit} of 1 would not show." if note.figures.get("limit_share") else "")
        + (" Whether remainders are kept can't be seen here, as every rung is whole motor steps."
           if note.figures["remainders_hidden"] else ""), note),
    "causes_found": "{Axes}: the readings show {causes}.",
    "causes_split": _split,
    # evidence
    "whole_clicks_only": _factor("in whole clicks only: 1 click in every {every} counts"),
    "alike_on_every_rung": _factor("alike on every rung: {ratio}"),
    "inches_for_mm": _factor("the factor between inches and mm: {factor}"),
    "tooth_ratio": lambda note: _factor("a ratio of tooth counts or leads: {ratio}")(note)
    + (_fill(" Turns of {clicks} clicks that are all one off read so too.", note) if "clicks" in note.figures else ""),
    "no_usual_ratio": _factor("and no usual ratio fits"),
    "sign_reversed": "{Axes}: every reading has the other sign.",
    "stays_behind": lambda note: _fill(
        "{Axes}: after each reversal the readings stay {slack} behind, on every rung alike (file "
        + ("{filed}" if "filed_mm" in note.figures else "gives none"), note
    ) + (f", the dial's {note.figures['dial']} converted)." if note.figures["dial"] else ")."),
    "error_grows": lambda note: _fill("{Axes}: the error grows click by click. Only {rungs} a click ", note)
    + ("falls" if len(note.figures["rungs_mm"]) == 1 else "fall") + " short, and the error "
    + ("comes back with the clicks." if note.figures["comes_back"] else "goes on growing on the way back."),
    "clicks_miscounted": lambda note: _fill("{Axes}: " + _TURNS[note.figures["turns"]], note)
    + f" {'one click too many' if note.figures['more'] else 'one click too few'}, on every rung alike.",
    "one_rung_off": "{Axes}: {rung} alone is off: a click moves {moves}. The other rungs fit.",
    "stays_short": lambda note: _fill("{Axes}: {about} or so is lost ", note)
    + {"load": "each time it sets off upward", "reversal": "after each reversal"}[note.figures["when"]] + ", never twice the same.",
    "comes_round": "{Axes}: an error of up to {about} comes and goes once in {turn}, a turn of screw, pulley or worm.",
    "rounds_differ": "{Axes}: rounds that should read alike differ by more than indicator and motor explain, without a pattern.",
    "knob_is_shared": "{Axes}: every axis measured shows it, and they share the knob.",
    "knob_is_well": "{Axes}: the other axes measured don't show it, so it isn't the knob.",
    # cures
    "check_counts": "{Axes}: set the counts per detent. The knob makes {ratio} of the counts the file says.",
    "check_microsteps": "{Axes}: check microsteps and lead, or the counts per detent (then every axis shows it): a factor {ratio}.",
    "check_unit": lambda note: _fill("{Axes}: look for a setting in inches where mm are meant, or the other way round.", note)
    + (f" Or the dial itself reads {note.figures['dial']}." if note.figures["dial"] else ""),
    "count_teeth": lambda note: _fill("{Axes}: count the teeth: ", note)
    + " or ".join(f"{there} teeth where {assumed} are assumed" for there, assumed in note.figures["teeth"])
    + (_fill("; or the lead is {lead}.", note) if "lead_mm" in note.figures else "."),
    "turn_indicator": "{Axes}: turn the indicator round; else the axis runs backwards.",
    "check_square": lambda note: _fill("{Axes}: set the indicator square to the axis. If it was, ", note)
    + f"steps would be {say_number(note.figures['steps'])} per {note.unit}: measure over more travel.",
    "mend_slack": '{Axes}: put slack = "{slack}" into the file, or mend nut, belt or bearing. Touch off from one side.',
    "keep_remainders": '{Axes}: the firmware drops remainders. Put remainder = "drop" into the file and choose rungs of whole '
    "motor steps.",
    "look_for_slips": "{Axes}: look for lost steps (lower ramp or speed, more current) or a loose clamp, coupling or indicator "
    "foot.",
    "count_clicks": lambda note: _fill("{Axes}: turn again and count aloud. If it stays, ", note)
    + ("the firmware misses or doubles the first click: check on which edges of the knob it counts."
       if note.figures["turns"] != "each" else "check the counts per detent."),
    "check_entry": "{Axes}: look at {rung} in the firmware's table: what it holds there moves {moves}.",
    "check_coupling": "{Axes}: draw an ink line across shaft and coupling, run some rounds: where it parts, tighten or replace.",
    "check_run_out": "{Axes}: power off, hold the dial against screw, pulley or worm, turn it by hand: true or replace it.",
    "mend_counts": "{Axes}: correct the counts per detent, in the file or in the firmware.",
    "mend_microsteps": "{Axes}: correct the microsteps set on the driver, or the lead in the file.",
    # the table, and always
    "semicolons": "The columns are parted by semicolons, so a comma in a number was read as its decimal point.",
    "try_after_change": "After a change try the finest position first, spindle off, tool clear, hands out of the way, a "
    "hard-wired stop within reach.",
}
"""Kind of note -> its sentence, with figures in braces (see `say.fill`)."""
