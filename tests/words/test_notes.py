"""Each kind of note just past its threshold and just before it; each figure of a note is in its sentence.

Thresholds are worked out here by formula. The inlay router's X: 80 steps/mm, 100 mm/s, 400 mm/s², 600 mm, slack 0.05 mm,
calm 33.3 mm/s; steady 12 and fastest 40 clicks/s, a report every 40 ms.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from fractions import Fraction
from functools import cache
from typing import Any

import pytest

from jogtune.axis.near import axis_notes, ladder_cautions, standing_notes
from jogtune.choose import suggest as suggesting
from jogtune.choose.base import _derive_base
from jogtune.choose.columns import _Table
from jogtune.choose.prefer import Ranked, Search
from jogtune.choose.suggest import Suggestion, judge, own_answer, suggest
from jogtune.choose.trial import _Tried
from jogtune.choose.why import _assumed_notes, _given_up, _ladder_reasons, _search_reasons, _table_notes
from jogtune.hand.controls import KnobControl
from jogtune.hand.person import Hand, Motion
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import Assumed, Machine, _ProbeFigures
from jogtune.notes import Note, Severity, Where, merged
from jogtune.words.hand_notes import _HAND_NOTES
from jogtune.words.notes import _NOTES
from jogtune.words.say import _fill, _listed, _percent, _positions_words, _seconds, counted
from jogtune.words.speak import speak, spoken
from jogtune.words.touch_notes import _TOUCH_NOTES
from places import MACHINES

ROUTER, STAGE, SIGN = (read_machine(MACHINES / f"{name}.toml") for name in ("inlay_router", "slide_stage", "sign_table"))
TOP, RAMP, EVERY, STEADY, FASTEST, SLACK = 100.0, 400.0, 0.04, 12.0, 40.0, 0.05
OVER, UNDER = 1.001, 0.999

Notes = Iterable[Note]


def x_alone(machine: Machine = ROUTER, *, axis: dict[str, Any] | None = None, **parts: dict[str, Any]) -> Machine:
    """The router with its X alone and some figures changed: `axis`, `firmware`, `knob`, `link`."""
    changed = {name: replace(getattr(machine, name), **figures) for name, figures in parts.items()}
    return replace(machine, axes=(replace(machine.axes[0], **axis or {}),), tasks=(), **changed)


def near(ladder: str = "0.02, 0.2, 2", **changes: Any) -> Notes:
    """The cautions of a ladder on X."""
    return ladder_cautions(x_alone(**changes), Ladder.parse(ladder))


def lost(ladder: str = "0.02, 0.2, 2", machine: Machine = ROUTER, **changes: Any) -> Notes:
    """What is given up with a ladder on X."""
    return _given_up(x_alone(machine, **changes), Ladder.parse(ladder, machine.show_in))


def whence(ladder: str, machine: Machine = ROUTER, **changes: Any) -> Notes:
    """Where a ladder's distances come from."""
    found, changed = Ladder.parse(ladder, machine.show_in), replace(machine, **changes)
    return list(_ladder_reasons(changed, found, _derive_base(changed, base=found.base_mm), "plain", ()))


def guessed(**changes: Any) -> Notes:
    """What is said of an assumed figure that was tried."""
    one = Assumed(key="axis X: slack", value="4 mm", range=("0 mm", "6 mm"), ends=(0.0, 6.0), place=("axes", "X", "slack_mm"))
    return list(_assumed_notes([replace(_Tried(assumed=one, changes_choice=False, loses_share=0.0), **changes)]))


def tabled(**changes: Any) -> Notes:
    """What is said of distances for each axis."""
    found = _Table(saves_share=0.03, tasks=(), finest=(), last_mm={"Z": Fraction(2)})
    return list(_table_notes(ROUTER, replace(found, **changes)))


@cache
def answer() -> Suggestion:
    return suggest(ROUTER)


def based(*, wish: str = "0.02", drops: bool = False, other: str | None = None, base: str | None = None) -> Notes:
    """Why the finest is what it is: X alone, or with another axis of so many steps a mm."""
    machine = x_alone(axis={"finest_mm": Fraction(wish)}, firmware={"remainder": "drop" if drops else "carry"})
    if other is not None:
        machine = replace(machine, axes=(*machine.axes, replace(machine.axes[0], name="Y", steps_per_mm=Fraction(other))))
    found = _derive_base(machine, base=base)
    return list(_ladder_reasons(machine, Ladder.from_gains([found.base_mm]), found, "plain", ()))


def whys(*, gain: str = "0.0125", **changes: Any) -> Notes:
    """Why goals of the nudge on a ladder are out of reach."""
    nudge = replace(next(task for task in ROUTER.tasks if task.name == "nudge into place"), **changes)
    found = KnobControl(gains_mm=(float(gain), 1.0)).estimate(nudge, Motion.from_machine(ROUTER, "Y"), Hand())
    return [] if found.reason is None else [found.reason]


def searched(**changes: Any) -> Notes:
    """What the search for the router says, some of it changed."""
    found = answer().search
    assert found is not None
    return list(_search_reasons(ROUTER, replace(found, **changes)))


def chosen() -> Search:
    found = answer().search
    assert found is not None
    return found


def equal_s(share: float) -> float:
    """A share of half a per cent of the best time: what one ladder for all axes may cost and still cost nothing."""
    return share * 0.005 * chosen().best.time_s


def other_s(time_s: float, ladder: str = "0.02, 0.2, 5") -> Ranked:
    return Ranked(ladder=Ladder.parse(ladder), time_s=time_s)


def one_more(saved_share: float, ladder: str = "0.02, 0.1, 0.5, 2, 4, 8") -> tuple[Ranked, ...]:
    return (*[one for one in chosen().curve if len(one.ladder.multipliers) < 6], other_s(chosen().chosen.time_s * (1 - saved_share), ladder))


@cache
def unreached(gain: str) -> Notes:
    nudge = next(task for task in ROUTER.tasks if task.name == "nudge into place")
    return own_answer(replace(ROUTER, tasks=(nudge,)), Ladder.parse(f"{gain}, 1")).notes


def judged(saves_share: float, times_s: Callable[[float], float] | None = None) -> Notes:
    """A ladder of one's own against a suggested one that saves so much."""
    mine = "0.02, 0.1, 0.5, 2, 5"
    time_s = _own_time(mine) * (1 - saves_share)
    patch = pytest.MonkeyPatch()
    faster = replace(answer(), search=replace(chosen(), chosen=replace(chosen().chosen, time_s=time_s)))
    with patch.context() as one:
        one.setattr(suggesting, "suggest", lambda *given, **more: faster)
        return judge(ROUTER, mine).notes


@cache
def _own_time(ladder: str) -> float:
    found = own_answer(ROUTER, Ladder.parse(ladder)).search
    assert found is not None
    return found.chosen.time_s


def touched(machine: Machine = ROUTER, *, probe: bool = False, calm_mm_s: float | None = None, stick: bool = True, **task: Any) -> Notes:
    """The steps of touching off, and the same in brief, on Z of the router or on A of the stage."""
    feel = replace(next(task for task in ROUTER.tasks if task.kind == "feel"), axis=machine.axes[2].name, **task)
    axes = tuple(replace(axis, calm_speed_mm_s=calm_mm_s) for axis in machine.axes)
    stated = {"probe": _ProbeFigures(give_mm=Fraction(1, 2), delay_s=0.001) if probe else None, "stick": ROUTER.stick if stick else None}
    machine = replace(machine, axes=axes, tasks=(feel,) if feel.kind == "feel" else (), **stated)
    found = KnobControl.touches(machine, Ladder.parse("0.02, 0.1, 0.5; A: 0.02, 0.1, 0.5 deg" if machine.axes[2].rotary else "0.02, 0.1, 0.5"))
    return [note for touch in found for note in (*touch.notes, touch.brief)]


def untouched() -> Notes:
    """With the last click a hair too long to feel with."""
    return touched(tolerance_mm=0.02 * UNDER)


# A probe that gives 0.5 mm, stopped in 1 ms by a ramp of 250 mm/s²
PROBE_MM_S = 250 * (math.sqrt(0.001**2 + 0.5 / 250) - 0.001)

# A hurried second leaves u·g - top·(1 - T - top/2a) to run on, for that over top plus top/2a: over 0.25 s is too long.
# With a ramp of 1000 mm/s²:
STIFF = 1000.0
HURRIED_MM = TOP * ((1 - EVERY - TOP / (2 * STIFF)) + (0.25 - TOP / (2 * STIFF))) / FASTEST
HURRIED_RUN_MM = FASTEST * 3 - TOP * (1 - EVERY - TOP / (2 * STIFF))  # of 3 mm a click
# What a steady hand needs to lose no click of 2 mm: v²/2a + v·T + g
NEEDED_MM = (2 * STEADY) ** 2 / (2 * RAMP) + 2 * STEADY * EVERY + 2
REAL_MM = 1 / 80  # one microstep; 5 % of a full step of 0.2 mm is less
ROUGH_MM = 0.05 * 32 / 80  # 5 % of a full step of 32 microsteps
STUCK_MM = math.degrees(math.asin(0.5)) / 90 * 0.2  # friction of half the holding torque
COARSEST_MM = 0.4 * TOP / STEADY
WINDOW_MM = 0.06 - 0.01  # the nudge's tolerance less a step of the readout

CALM = math.sqrt(2.7777778 * RAMP)  # a stray click of 2.7777778 mm peaks at it
CASES: list[tuple[str, Callable[[], Notes], Callable[[], Notes]]] = [
    # near a moving axis
    ("clamp", near, lambda: near(axis={"calm_speed_mm_s": None})),
    ("no_calm_speed", lambda: near(axis={"calm_speed_mm_s": None}), near),
    ("no_rung_is_a_clamp", near, lambda: near(axis={"calm_speed_mm_s": None})),
    ("hold_to_run", lambda: near("0.02, 2.7777778"), lambda: near("0.02, 2.7777777", axis={"calm_speed_mm_s": CALM})),
    ("hold_to_run", lambda: near("0.02", axis={"calm_speed_mm_s": None}), lambda: near("0.02")),
    ("may_drop", lambda: near(axis={"name": "Z"}), near),
    ("may_drop", lambda: near(axis={"name": "z"}), lambda: near(axis={"name": "Z", "rotary": True})),
    ("stick_to_zero", near, lambda: ladder_cautions(replace(x_alone(), stick=None), Ladder.parse("0.02, 0.2"))),
    ("hurried_run_on", lambda: near(f"0.02, {HURRIED_MM * OVER:.5f}", axis={"ramp_mm_s2": STIFF}),
     lambda: near(f"0.02, {HURRIED_MM * UNDER:.5f}", axis={"ramp_mm_s2": STIFF})),
    ("hurried_run_on", lambda: near("0.02, 3", axis={"ramp_mm_s2": STIFF, "finest_mm": HURRIED_RUN_MM * UNDER}),
     lambda: near("0.02, 3", axis={"ramp_mm_s2": STIFF, "finest_mm": HURRIED_RUN_MM * OVER})),
    ("hurried_run_on", lambda: near("0.02, 8", axis={"jog_limit_mm": 20.0}, firmware={"when_full": "wait"}),
     lambda: near("0.02, 8", axis={"jog_limit_mm": 20.0}, firmware={"when_full": "drop"})),
    ("limit_over_allowed", lambda: near(axis={"run_on_mm": 12.0, "jog_limit_mm": 12.01}),
     lambda: near(axis={"run_on_mm": 12.0, "jog_limit_mm": 12.0})),
    ("limit_that_waits", lambda: near(axis={"jog_limit_mm": 12.0}, firmware={"when_full": "wait"}),
     lambda: near(axis={"jog_limit_mm": 12.0}, firmware={"when_full": "drop"})),
    ("limit_that_waits", lambda: near(axis={"jog_limit_mm": 12.0}, firmware={"when_full": "wait"}),
     lambda: near(firmware={"when_full": "wait"})),
    ("clicks_lost_within", lambda: near(axis={"run_on_mm": NEEDED_MM * UNDER}), lambda: near(axis={"run_on_mm": NEEDED_MM * OVER})),
    ("clicks_lost_at", lambda: near(axis={"jog_limit_mm": NEEDED_MM * UNDER}), lambda: near(axis={"jog_limit_mm": NEEDED_MM * OVER})),
    ("clicks_lost_at", lambda: near("0.02, 8.4", axis={"run_on_mm": 50.0}), lambda: near("0.02, 8.3", axis={"run_on_mm": 50.0})),
    ("dead_positions", lambda: near(axis={"jog_limit_mm": 1.99}), lambda: near(axis={"jog_limit_mm": 2.01})),
    # buttons of 0.02, 0.1, 1 and 10 mm
    ("dead_buttons", lambda: near(axis={"jog_limit_mm": 9.99}), lambda: near(axis={"jog_limit_mm": 10.0})),
    ("sent_rounded", lambda: near("0.0125, 1", firmware={"decimals": 3}), lambda: near("0.0125, 1", firmware={"decimals": 4})),
    ("sent_rounded", lambda: near("0.02, 1", firmware={"decimals": 1}), lambda: near("0.02, 1")),
    # where the distances come from
    ("base_own", lambda: based(base="0.05 mm"), lambda: based()),
    ("base_plain_wish", lambda: based(wish="0.0126"), lambda: based(wish="0.0124")),
    ("base_plain_step", lambda: based(wish="0.0124"), lambda: based(wish="0.0126")),
    ("base_whole_least", lambda: based(wish="0.0124", drops=True), lambda: based(wish="0.0126", drops=True)),
    ("base_whole_all", lambda: based(wish="0.0126", drops=True), lambda: based(wish="0.0124", drops=True)),
    ("base_whole_all", lambda: based(drops=True), lambda: based()),
    # 3/1600 mm and 1/80 mm have 3/80 mm in common: coarser than a wish of 0.0374 mm, so X alone is whole at the finest
    ("base_whole_some", lambda: based(wish="0.0374", drops=True, other="1600/3"), lambda: based(wish="0.0376", drops=True, other="1600/3")),
    ("times_one", lambda: whence("0.02, 0.05"), lambda: whence("0.02, 0.04")),
    ("own_column", lambda: whence("0.02, 0.05; Z: 0.02, 0.04"), lambda: whence("0.02, 0.05")),
    ("other_base", lambda: whence("0.02, 0.2"), lambda: whence("0.05, 0.5")),
    ("plain_and_whole", lambda: whence("0.02, 0.2"), lambda: whence("0.001, 0.1", SIGN)),
    ("series_rounded", lambda: suggest(ROUTER, series="R5", by="coverage", rungs=6).notes, lambda: suggest(ROUTER, series="1-2-5", by="coverage").notes),
    # a ladder of one's own: 5 % is our choice
    ("ladder_change", lambda: judged(0.0501), lambda: judged(0.0499)),
    ("ladder_cant_tell", lambda: judged(0.0499), lambda: judged(0.0501)),
    ("ladder_cant_tell", lambda: judged(0.001), lambda: judged(-0.001)),
    ("ladder_keep", lambda: judged(-0.001), lambda: judged(0.001)),
    # what the search found
    ("task_time", searched, lambda: suggest(ROUTER, by="coverage").notes),
    ("hand_assumed", searched, lambda: suggest(ROUTER, by="coverage").notes),
    ("no_other_faster", searched, lambda: searched(searched=1)),
    ("fastest_ladder", searched, lambda: searched(best=chosen().chosen)),
    ("fewest_rungs", lambda: searched(fewest=other_s(4.0)), lambda: searched(fewest=chosen().chosen)),
    ("fewest_rungs", lambda: searched(fewest=other_s(4.0)), lambda: searched(fewest=None)),
    ("fewer_possible", lambda: searched(knee=4), lambda: searched(knee=5)),
    ("one_more_rung", lambda: searched(curve=one_more(0.01)), lambda: searched(curve=one_more(0.01)[:-1])),
    ("fixed_multipliers", lambda: suggesting._bases_notes(ROUTER, ((Fraction(1, 50), 3.5), (Fraction(1, 100), 4.0))), lambda: suggesting._bases_notes(ROUTER, ())),
    ("assumed", lambda: guessed(changes_choice=True, loses_share=0.07, worst="6 mm"), guessed),
    ("assumed_too", guessed, lambda: guessed(changes_choice=True, loses_share=0.07, worst="6 mm")),
    ("assumed_most", guessed, lambda: guessed(changes_choice=None)),
    ("table_saves", tabled, lambda: tabled(finest=("Z",))),
    ("table_needed", lambda: tabled(finest=("Z",)), tabled),
    ("table_needed", lambda: sharing("0.06"), lambda: sharing("0.04")),
    ("start_mix", lambda: searched(start_mix=True), lambda: searched(start_mix=False)),
    ("free_clicks", lambda: suggesting._with_free(answer(), ((0.02, 0.3, 7.0), 3.5), 3.6).notes, lambda: answer().notes),
    # what was given up
    ("wish_missed", lambda: lost(axis={"finest_mm": ROUTER.axes[0].finest_mm * 99 / 100}), lost),
    ("not_whole", lambda: lost("0.02, 0.5"), lambda: lost("0.0125, 0.5")),
    ("never_whole", lambda: lost(axis={"exact": False}, firmware={"remainder": "drop"}), lambda: lost(axis={"exact": False})),
    ("never_whole", lambda: lost(axis={"exact": False}, firmware={"remainder": "unknown"}),
     lambda: lost(firmware={"remainder": "unknown"})),
    ("finer_than_steps", lambda: lost(f"{REAL_MM * UNDER:.6f}, 1"), lambda: lost(f"{REAL_MM * OVER:.6f}, 1")),
    ("finer_than_steps", lambda: lost(f"{STUCK_MM * UNDER:.6f}, 1", axis={"friction_share": 0.5}),
     lambda: lost(f"{STUCK_MM * OVER:.6f}, 1", axis={"friction_share": 0.5})),
    ("finer_than_steps", lambda: lost(f"{ROUGH_MM * UNDER:.6f}, 1", axis={"divide": 32}), lambda: lost(f"{ROUGH_MM * OVER:.6f}, 1", axis={"divide": 32})),
    ("finer_than_reversal", lambda: lost(f"{(REAL_MM + SLACK) * UNDER:.6f}, 1"), lambda: lost(f"{(REAL_MM + SLACK) * OVER:.6f}, 1")),
    ("finer_than_reversal", lambda: lost(f"{REAL_MM * OVER:.6f}, 1"), lambda: lost(f"{REAL_MM * UNDER:.6f}, 1")),
    ("outruns_steady", lambda: lost(f"0.02, {TOP / STEADY * OVER:.5f}"), lambda: lost(f"0.02, {TOP / STEADY * UNDER:.5f}")),
    ("coarser_possible", lambda: lost(f"0.02, {COARSEST_MM * UNDER:.5f}"), lambda: lost(f"0.02, {COARSEST_MM * OVER:.5f}")),
    # a goal out of reach: clicks farther apart than the tolerance less the readout's step
    ("out_of_reach", lambda: unreached("0.051"), lambda: unreached("0.05")),
    ("goals_between_moves", lambda: whys(gain="0.051"), lambda: whys(gain="0.05")),
    ("goals_between_moves", lambda: whys(gain="0.061", cue="eye"), lambda: whys(gain="0.06", cue="eye")),
    ("readout_too_coarse", lambda: whys(tolerance_mm=0.01), lambda: whys(tolerance_mm=0.013)),
    ("contact_passed", lambda: whys(gain="0.061", kind="feel"), lambda: whys(gain="0.06", kind="feel")),
    ("contact_passed", lambda: whys(gain="0.051", kind="feel", limit_mm=0.05), lambda: whys(gain="0.05", kind="feel", limit_mm=0.05)),
    # touching off
    *((kind, touched, untouched) for kind in ("touch_ready", "touch_first", "touch_passes", "touch_repeats", "touch_brief")),
    ("touch_no_stick", touched, lambda: touched(stick=False)),
    ("touch_near", lambda: touched(distance_mm=1 * OVER), lambda: touched(distance_mm=1 * UNDER)),  # two clicks of 0.5 mm
    ("touch_finer", touched, lambda: touched(limit_mm=0.1 * UNDER)),
    ("touch_reading", touched, lambda: touched(STAGE)),
    *((kind, lambda: touched(probe=True), touched) for kind in ("probe_ready", "probe_first", "probe_none", "probe_second")),
    ("probe_calm", lambda: touched(probe=True, calm_mm_s=PROBE_MM_S * UNDER, distance_mm=50.0),
     lambda: touched(probe=True, calm_mm_s=PROBE_MM_S * OVER, distance_mm=50.0)),
    ("probe_brief", lambda: touched(probe=True, kind="goal", limit_mm=None), lambda: touched(probe=True)),
]  # fmt: skip
ALWAYS = {
    "no_safety_device", "cannot_know", "try_first", "lost_link", "stray_click", "feed_override", "home_first", "full_speed_takes", "rungs", "whole_step",
    "finest_rung", "next_rung",
}  # fmt: skip
ELSEWHERE = {kind for kind in _NOTES if kind.startswith("odd_")} | {"axis_gone", "faster_is_not_safer", "pointing_not_knob", "hand_not_fitted"}
"""Kinds tested in tests/machine/test_odd.py and tests/hand/test_fit.py, tests/notebook/test_machine.py; and a sentence that stands by itself beside tables."""


def sharing(finest: str) -> Notes:
    """The notes on a table beside a ladder whose finest click a task's axis could make finer."""
    nudge = next(task for task in ROUTER.tasks if task.name == "nudge into place")
    coarse = tuple(replace(axis, finest_mm=Fraction(1, 10)) for axis in ROUTER.axes)
    return list(own_answer(replace(ROUTER, axes=coarse, tasks=(nudge,)), Ladder.parse(f"{finest}, 1")).notes)


def kinds(notes: Notes) -> list[str]:
    return [note.kind for note in notes]


@pytest.mark.parametrize("case", range(len(CASES)), ids=lambda n: f"{n}-{CASES[n][0]}")
def test_a_kind_is_noted_past_its_threshold_only(case: int) -> None:
    kind, over, under = CASES[case]
    assert kind in kinds(over())
    assert kind not in kinds(under())


def test_every_kind_has_a_case() -> None:
    assert {kind for kind, *_ in CASES} | ALWAYS | ELSEWHERE == {*_NOTES, *_HAND_NOTES, *_TOUCH_NOTES}


def test_what_holds_always_is_in_every_answer() -> None:
    for found in (answer(), suggest(STAGE, by="coverage"), suggest(SIGN, by="coverage")):
        assert set(kinds(found.notes)) >= ALWAYS


def the(kind: str, notes: Notes) -> Note:
    (note,) = [note for note in notes if note.kind == kind]
    return note


@pytest.mark.parametrize(("top", "peak"), [(56.6, 56.5685), (56.5, 56.5)])  # a click of 8 mm peaks at √(8·400)
def test_a_stray_click_peaks_at_the_root_of_gain_and_ramp_or_at_top_speed(top: float, peak: float) -> None:
    note = the("stray_click", near("0.02, 8", axis={"top_speed_mm_s": top}))
    assert note.figures["stray_mm_s"] == pytest.approx(peak, abs=1e-4)
    assert (note.where.axes, note.where.positions, note.severity) == (("X",), (2,), Severity.CAUTION)


def test_a_clamp_is_in_whole_steps_rounded_down_and_says_what_it_keeps_up_to() -> None:
    note = the("clamp", near(axis={"calm_speed_mm_s": 33.37}))
    assert note.severity == Severity.DANGER
    assert note.figures["clamp_steps_s"] == math.floor(33.37 * 80)
    assert note.figures["keeps_up_detents_s"] == pytest.approx([33.37 / 0.02, 33.37 / 0.2, 33.37 / 2])


@pytest.mark.parametrize("cure", ["ramp_mm_s2", "report_s", "coarsest_mm"])
def test_each_cure_alone_lets_a_steady_hand_keep_every_click(cure: str) -> None:
    allowed = {"run_on_mm": NEEDED_MM * 0.9}
    value = the("clicks_lost_within", near(axis=allowed)).figures["cures"][cure]

    def cured(share: float) -> Notes:
        if cure == "ramp_mm_s2":
            return near(axis={**allowed, cure: value / share})
        if cure == "report_s":
            return near(axis=allowed, link={"report_interval_s": value * share})
        return near(f"0.02, {value * share:.6f}", axis=allowed)

    assert "clicks_lost_within" not in kinds(cured(UNDER))
    assert "clicks_lost_within" in kinds(cured(OVER))


# One click a report: the speed swings by ±aT/4 about v, so it brakes for v/a + ¾T; 0.25 s is put up with (our choice).
LONG_MM = RAMP * (0.25 - 0.75 * EVERY) / 25


@pytest.mark.parametrize(("gain", "finest", "highest"), [(LONG_MM * UNDER, 0.02, 3), (LONG_MM * OVER, 0.02, 2), (LONG_MM * OVER, 13.0, 3)])
def test_the_highest_position_that_runs_on_little(gain: float, finest: float, highest: int) -> None:
    machine = x_alone(axis={"finest_mm": finest}, knob={"steady_detents_s": 25.0})
    (note,) = axis_notes(machine, Ladder.parse(f"1, 2, {gain:.5f}"))
    assert note.figures["highest"] == highest
    assert ("every position runs on little" if highest == 3 else "positions 1 and 2 run on little") in speak(note)
    assert note.figures["time_s"] == pytest.approx(TOP / RAMP)
    assert note.figures["way_mm"] == pytest.approx(TOP**2 / RAMP)


@pytest.mark.parametrize(("saved", "worth"), [(0.0501, True), (0.0499, False)])
def test_one_more_rung_is_worth_having_past_five_per_cent(saved: float, worth: bool) -> None:
    note = the("one_more_rung", searched(curve=one_more(saved)))
    assert note.figures["worth"] == worth
    assert ("worth having" in speak(note)) == worth


def test_one_more_rung_says_where_there_is_no_room_and_where_a_gap_is_wide() -> None:
    full = replace(ROUTER, selector=replace(ROUTER.selector, positions=5))
    note = the("one_more_rung", _search_reasons(full, replace(chosen(), curve=one_more(0.1))))
    assert speak(note) == "6 rungs would save 10 %; the selector has 5 positions."
    for ratio, wide in (("0.2", False), ("0.21", True)):
        mine = replace(chosen().chosen, ladder=Ladder.parse(f"0.02, {ratio}, 1, 2, 8"))
        note = the("one_more_rung", searched(chosen=mine, curve=one_more(0.01)))
        assert ("bothers the hand" in speak(note)) == wide
    for saved_s, nothing in ((0.0049, True), (0.0051, False)):
        note = the("one_more_rung", searched(curve=one_more(saved_s / chosen().chosen.time_s)))
        assert ("save nothing" in speak(note)) == nothing


@pytest.mark.parametrize(("gain", "by_readout"), [("0.06", True), ("0.061", False)])
def test_a_goal_the_readout_alone_spoils_can_be_met_by_eye(gain: str, by_readout: bool) -> None:
    note = the("out_of_reach", unreached(gain))
    assert (note.where.task, note.where.axes) == ("nudge into place", ("Y",))
    assert note.figures["by_readout"] == by_readout
    # goals vary evenly over more than a click: within ±0.025 mm of a multiple of the click is met
    assert note.figures["impossible_share"] == pytest.approx(1 - WINDOW_MM / float(gain), abs=0.03)


REASONS = ("goals_between_moves", "contact_passed", "readout_too_coarse")
"""Said behind the task that they are the reason for (out_of_reach)."""


def everything_said() -> list[Note]:
    """A note of every kind and variant, from the cases and from the samples."""
    found = [note for kind, over, _ in CASES for note in over() if note.kind == kind]
    return [*found, *answer().notes, *suggest(STAGE, by="coverage").notes, *suggest(SIGN, by="coverage").notes]


def test_a_sentence_is_whole_and_names_its_axes_positions_and_task() -> None:
    for note in everything_said():
        told, gain = speak(note), note.figures.get("gain_mm")
        assert re.match(r"^[A-Z0-9×\"j].*[.?]$", told, re.DOTALL), told
        assert not re.search(r"[{}]|None|nan|  |\(\)", told), told
        assert note.where.task in told or note.kind in REASONS
        assert note.where.task or note.kind == "finest_rung" or all(re.search(rf"(?<!\w){re.escape(axis)}(?!\w)", told) for axis in note.where.axes), told
        if note.where.positions and gain is None and note.kind != "not_whole":  # else its clicks are named
            assert _positions_words(note.where.positions) in told, told


UNSAID = {
    ("finest_rung", "rate_detents_s"), ("next_rung", "wish_mm"), ("fastest_ladder", "count"), ("fewest_rungs", "count"),
    ("one_more_rung", "positions"), ("fewer_possible", "widest"), ("ladder_keep", "saves_share"), ("full_speed_takes", "count"),
    ("full_speed_takes", "highest"),
    ("out_of_reach", "tolerance_mm"), ("goals_between_moves", "tolerance_mm"), ("goals_between_moves", "window_mm"), ("table_needed", "holds"), ("table_saves", "holds"),
    ("table_needed", "last_mm"), ("table_saves", "last_mm"),
}  # fmt: skip
"""What a sentence needs to choose its words and need not say (of tolerance and window it says the one that binds)."""


def _other(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _other(one) for key, one in value.items()}
    return value + 3 if isinstance(value, int) else value * 17 / 10


def test_every_figure_is_said() -> None:
    unsaid = set()
    for note in everything_said():
        for name, value in note.figures.items():
            changed = [_other(one) for one in value] if isinstance(value, tuple) and value and isinstance(value[0], float) else None
            if isinstance(value, float | int | Fraction) and not isinstance(value, bool) and value:
                changed = _other(value)
            if changed is None:
                continue
            if speak(replace(note, figures={**note.figures, name: changed})) == speak(note):
                unsaid.add((note.kind, name))
    assert unsaid <= UNSAID


def test_a_unit_is_the_persons() -> None:
    inches = ladder_cautions(replace(x_alone(), show_in="in"), Ladder.parse("0.02, 8"))
    assert speak(the("stray_click", inches)) == "Axis X: a stray click on position 2 moves 0.315 in at up to 2.23 in/s."
    turned = ladder_cautions(replace(x_alone(axis={"rotary": True})), Ladder.parse("0.02, 8"))
    assert speak(the("stray_click", turned)) == "Axis X: a stray click on position 2 moves 8 deg at up to 56.6 deg/s."


def test_standing_notes_are_graver_than_they_may_be_dropped() -> None:
    found = standing_notes(ROUTER)
    assert all(note.severity >= Severity.CAUTION for note in found)
    assert "after 0.25 s without a report the axis stops" in " ".join(spoken(found))


NOTE = Note(kind="dead_positions", severity=Severity.CAUTION, where=Where(axes=("X",), positions=(3,)), figures={"limit_mm": 2.0})


def test_notes_that_differ_in_their_axis_alone_are_one() -> None:
    y, z = (replace(NOTE, where=Where(axes=(axis,), positions=(3,))) for axis in "YZ")
    apart = Note(kind="start_mix")
    assert merged([NOTE, apart, y, z]) == (replace(NOTE, where=Where(axes=("X", "Y", "Z"), positions=(3,))), apart)
    assert merged([NOTE, NOTE])[0].where.axes == ("X",)
    assert speak(merged([NOTE, y])[0]) == "Axes X and Y: on position 3 one click is more than the limit of 2 mm, so nothing would move."


@pytest.mark.parametrize("change", [
    {"figures": {"limit_mm": 2.1}}, {"unit": "deg"}, {"severity": Severity.MIND}, {"kind": "clicks_lost_at"},
    {"where": Where(axes=("Y",), positions=(2,))}, {"where": Where(axes=("Y",), positions=(3,), task="nudge")},
])  # fmt: skip
def test_notes_that_differ_in_more_stay_two(change: dict[str, Any]) -> None:
    other = replace(NOTE, **{"where": Where(axes=("Y",), positions=(3,)), **change})
    assert merged([NOTE, other]) == (NOTE, other)


@pytest.mark.parametrize(("name", "value", "said"), [
    ("way_mm", 0.098765, "0.0988 mm"), ("ramp_mm_s2", 400.0, "400 mm/s²"), ("top_mm_s", 33.333, "33.3 mm/s"),
    ("rate_detents_s", 12.345, "12.3 clicks/s"), ("clamp_steps_s", 2666, "2666 steps/s"), ("time_s", 0.1, "100 ms"),
    ("share_share", 0.0512, "5.1 %"), ("tasks", ("a", "b"), "a and b"), ("count", 3, "3"), ("rates_detents_s", (1.0, 2.0, 3.5), "1 clicks/s, 2 clicks/s and 3.5 clicks/s"),
])  # fmt: skip
def test_a_figure_is_said_by_the_ending_of_its_name(name: str, value: Any, said: str) -> None:
    place = re.sub("_(mm_s2|mm_s|mm|detents_s|steps_s|s|share)$", "", name)
    assert _fill(f"It is {{{place}}}.", Note(kind="any", figures={name: value})) == f"It is {said}."


def test_places_of_a_sentence() -> None:
    note = Note(kind="any", where=Where(axes=("X", "Y"), positions=(2, 3, 4), task="nudge"), unit="in", figures={"way_mm": 25.4})
    assert _fill("{Axes}, {axes}; {Positions}, {positions}; {task}; {way}", note) == (
        "Axes X and Y, X and Y; Positions 2 to 4, positions 2 to 4; nudge; 1 in")
    assert _fill("{Axes}", replace(note, where=Where(axes=("X",)))) == "Axis X"


def test_times_shares_and_lists_as_people_say_them() -> None:
    assert [_seconds(t) for t in (0.0, 0.00123, 0.1994, 0.2, 12.345)] == ["0 s", "1.23 ms", "199 ms", "0.2 s", "12.3 s"]
    assert [_percent(share) for share in (0.0, 0.00351, 0.0994, 0.1234, -0.0512)] == ["0 %", "0.35 %", "9.9 %", "12.3 %", "-5.1 %"]
    assert [_listed(texts) for texts in ((), "X", "XY", "XYZ")] == ["", "X", "X and Y", "X, Y and Z"]
    assert _listed("XYZ", "or") == "X, Y or Z"
    assert [counted(n, "row") for n in (0, 1, 2, 3692)] == ["0 rows", "1 row", "2 rows", "3,692 rows"]
    assert [_positions_words(p) for p in ((3,), (3, 5), (3, 4), (3, 4, 5), (1, 2, 4), range(1, 7))] == [
        "position 3", "positions 3 and 5", "positions 3 and 4", "positions 3 to 5", "positions 1, 2 and 4", "positions 1 to 6"]  # fmt: skip
