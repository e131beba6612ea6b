"""How the axis answers the knob in closed form, held against the simulation and the published table."""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from jogtune.axis.advice import _derive_answer, answer_burst, simulate_steady
from jogtune.axis.follow import Habit, follow
from jogtune.axis.link import report_turns, reports_as_logged
from jogtune.axis.near import axis_notes, ladder_cautions
from jogtune.axis.outstanding import _needed_limit_mm
from jogtune.axis.pursuit import _pursue_once, _pursuit_extremes, _rest_time_s
from jogtune.axis.row import rows
from jogtune.axis.runon import (
    _ALLOWED_RIPPLE_SHARE,
    _forgiven_run_on_bound_mm,
    _longest_report_interval_s,
    _owed_run_on,
    _steady_ripple,
    distance_per_report_mm,
    felt_delay,
    outrun_run_on_mm,
    owed_run_on_mm,
    rest_to_rest_s,
    smallest_full_speed_move_mm,
    time_to_full_speed_s,
)
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import Link

TABLE = Path(__file__).parents[2] / "datasets" / "reference" / "sampled_following.csv"
LINK = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25)
ROUTER = {"top_speed_mm_s": 100.0, "ramp_mm_s2": 400.0}


def steady(detents, gain, interval, top, ramp, reports=400, habit=None):
    """An axis followed through reports that each carry the same whole number of clicks."""
    log = reports_as_logged(
        interval * np.arange(reports), np.full(reports, detents), interval_s=interval
    )
    return follow(log, gain, top_speed_mm_s=top, ramp_mm_s2=ramp, habit=habit)


def cases(count=300, seed=1):
    """Random clicks per report, gain, interval, top speed and ramp: an axis that can follow, just or easily."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        detents, interval, ramp = int(rng.integers(1, 6)), rng.uniform(0.01, 0.1), 10 ** rng.uniform(1.5, 3.7)
        v = ramp * interval / 4 * 10 ** rng.uniform(-1, 1.5)
        top = v * (1 + 10 ** rng.uniform(-3, 1.5))
        yield detents, v * interval / detents, interval, top, ramp


@pytest.mark.parametrize("row", list(csv.DictReader(TABLE.open())), ids=lambda row: row["velocity_high_mm_s"])
def test_published_ripple(row):
    # Source: datasets/reference/sampled_following.csv, three digits. The highs of its two stop-and-go rows were
    # read off samples a millisecond apart, up to half a millisecond of ramp below the peak.
    turn_rate, gain, interval, top, ramp, low, high = (float(value) for value in row.values())
    ripple = _steady_ripple(turn_rate * gain, interval, top, ramp)
    assert ripple.low_mm_s == pytest.approx(low, abs=0.005)
    unseen = ramp * 0.0005 if ripple.low_mm_s == 0.0 else 0.005
    assert high - 0.005 <= ripple.high_mm_s <= high + unseen


def test_steady_motion_equals_the_simulation():
    seen = set()
    for detents, gain, interval, top, ramp in cases():
        v = detents * gain / interval
        course = steady(detents, gain, interval, top, ramp)
        ripple = _steady_ripple(v, interval, top, ramp)
        tail = slice(-40, -1)
        state = course.x_mm[tail], course.v_mm_s[tail], course.target_mm[tail]
        peak = _pursuit_extremes(*state, top, ramp, interval)[2].max()
        settled = np.ptp(course.v_mm_s[-40:]) < 1e-6 * v
        if not settled:  # near the top speed the start of the motion dies away slowly
            continue
        seen.add((ripple.low_mm_s == 0.0, ripple.high_mm_s == top))
        assert course.v_mm_s[-1] == pytest.approx(ripple.low_mm_s, abs=1e-5 * v)
        assert peak == pytest.approx(ripple.high_mm_s, rel=1e-5)
        owed = owed_run_on_mm(v, interval, top, ramp)
        assert course.target_mm[-1] - course.x_mm[-1] == pytest.approx(owed, rel=1e-5)
        assert course.rest_s - course.time_s[-1] == pytest.approx(
            _owed_run_on(v, interval, top, ramp)[1], rel=1e-4
        )
    assert seen == {(True, False), (True, True), (False, False), (False, True)}


def test_design_formulas():
    # v <= aT/4: v·T; above it v²/2a + ¾·v·T + a·T²/32, with v = 10, T = 0.04, a = 500: 0.1 + 0.3 + 0.025 mm.
    assert owed_run_on_mm(10.0, 0.04, 50.0, 500.0) == pytest.approx(0.1 + 0.3 + 0.025, abs=1e-12)
    assert owed_run_on_mm(4.0, 0.04, 50.0, 500.0) == pytest.approx(0.16, abs=1e-12)
    at = 500 * 0.04 / 4  # both meet at v = aT/4
    assert owed_run_on_mm(at, 0.04, 50.0, 500.0) == pytest.approx(at * 0.04, abs=1e-12)
    # top 100, a 400, 40 detents/s of 5 mm for 1 s: (200 - 100)·1 + 100²/800
    assert outrun_run_on_mm(40.0, 5.0, 1.0, **ROUTER) == 112.5


@pytest.mark.parametrize("reports", [1, 3, 6, 7, 20, 100])
@pytest.mark.parametrize("gain", [2.0, 5.0])
def test_outrun_run_on_equals_the_simulation(reports, gain):
    course = steady(4, gain, 0.04, 100.0, 400.0, reports=reports)
    owed = course.target_mm[-1] - course.x_mm[-1]
    turned_s = reports * 0.04
    assert outrun_run_on_mm(100.0, gain, turned_s, report_interval_s=0.04, **ROUTER) == pytest.approx(owed)
    if reports > 1:  # the same, counted from the first report to the last
        between = (reports - 1) * 0.04
        rate = 4 * reports / between
        assert outrun_run_on_mm(rate, gain, between, **ROUTER) == pytest.approx(owed)


def test_run_on_from_the_last_click():
    for rate, gain in [(25.0, 1.0), (25.0, 0.01), (25.0, 3.9), (50.0, 1.5)]:
        burst = answer_burst(rate, 3.02, gain, LINK, **ROUTER)
        more = rate * gain * (0.04 + 0.005)  # v·(T + delay)
        owed = owed_run_on_mm(rate * gain, 0.04, 100.0, 400.0)
        assert burst.run_on_mm == pytest.approx(owed, rel=1e-3)
        assert burst.since_click_mm <= owed * 1.001 + more


def test_forgive_bound_is_kept_and_nearly_reached():
    highest = 0.0
    for rate in (20.0, 40.0, 60.0):
        for gain in (1.0, 3.0, 5.0, 8.0):
            burst = answer_burst(
                rate, 2.0, gain, LINK, habit=Habit(too_fast="forgive"), **ROUTER
            )
            bound = _forgiven_run_on_bound_mm(min(rate * gain + 4, 100.0), gain, 0.04, 100.0, 400.0)
            assert burst.run_on_mm <= bound
            assert burst.since_click_mm <= bound + 100.0 * (0.04 + 0.005)  # top·(T + delay)
            highest = max(highest, burst.run_on_mm / bound)
    assert highest > 0.9


@pytest.mark.parametrize("gain", [0.01, 0.1, 0.5, 1.0, 5.0])
def test_uneven_reports_need_the_simulation(gain):
    # 12 detents/s and 40 ms: most reports carry none or one, so the closed form does not hold.
    ripple, run_on_mm, _ = simulate_steady(12.0, gain, 0.04, **ROUTER)
    plain = _steady_ripple(12.0 * gain, 0.04, **ROUTER)
    assert ripple.share > 1.1 * plain.share
    burst = answer_burst(12.0, 4.0, gain, LINK, **ROUTER)
    assert burst.run_on_mm <= run_on_mm * (1 + 1e-9)
    shown = answer(gain)
    said = shown.ripple_low_mm_s, shown.ripple_high_mm_s, shown.ripple_share, shown.run_on_mm
    assert said == (ripple.low_mm_s, ripple.high_mm_s, ripple.share, run_on_mm)


def test_a_longer_interval_is_no_bound_for_uneven_reports():
    # Worked by hand: 12 detents/s of 5 mm, 40 ms: two gaps of 80 ms and one of 120 ms. After a run of 80 ms gaps
    # the speed at a report is 62.5 - 8; after one of 120 ms 62.5 + ¾·32 - 48 = 38.5 mm/s.
    ripple, _, _ = simulate_steady(12.0, 5.0, 0.04, **ROUTER)
    assert ripple.low_mm_s == pytest.approx(38.5, abs=0.02)
    guess = _steady_ripple(60.0, 0.12, **ROUTER)  # as if every gap were the longest
    assert (guess.low_mm_s, guess.share) == (48.0, 0.2)
    assert ripple.share == pytest.approx(0.267, abs=0.001)


def test_even_reports_simulated_equal_the_closed_form():
    for detents, gain, interval, top, ramp in cases(60, seed=9):
        v = detents * gain / interval
        if v > 0.9 * top:
            continue
        ripple, run_on_mm, _ = simulate_steady(detents / interval, gain, interval, top_speed_mm_s=top, ramp_mm_s2=ramp)
        closed = _steady_ripple(v, interval, top, ramp)
        # on the verge of stop-and-go two neighbouring reports differ a little for long
        assert ripple.share == pytest.approx(closed.share, rel=2e-3)
        assert run_on_mm == pytest.approx(owed_run_on_mm(v, interval, top, ramp), rel=2e-3)


def test_full_speed_and_the_move_that_reaches_it():
    time, distance = time_to_full_speed_s(**ROUTER), smallest_full_speed_move_mm(**ROUTER)
    assert (time, distance) == (0.25, 25.0)
    for goal, reaches in ((distance, True), (distance * 0.999, False)):
        assert (_pursuit_extremes(0.0, 0.0, goal, 100.0, 400.0, 9.0)[2] == 100.0) == reaches
    assert _pursue_once(0.0, 0.0, 1e3, 100.0, 400.0, time)[1] == 100.0


@pytest.mark.parametrize("distance", [0.01, 1.0, 24.9, 25.0, 300.0])
def test_rest_to_rest(distance):
    expected = _rest_time_s(0.0, 0.0, distance, 100.0, 400.0)
    assert rest_to_rest_s(distance, 100.0, 400.0) == pytest.approx(float(expected), rel=1e-12)


def test_distance_per_report_is_what_the_axis_covers():
    course = steady(2, 0.7, 0.04, 100.0, 400.0)
    assert course.x_mm[-1] - course.x_mm[-2] == pytest.approx(
        distance_per_report_mm(50.0, 0.7, 0.04, 100.0), rel=1e-6
    )


def test_felt_delay_of_single_clicks():
    rng = np.random.default_rng(2)
    link = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25, jitter_s=0.01)
    clicks = np.cumsum(rng.uniform(0.5, 1.5, 4000))
    reports = report_turns(clicks, np.ones(4000), link, seed=1)
    waits = reports.time_s[reports.detents == 1] - clicks
    typical_s, longest_s = felt_delay(0.04, 0.005, 0.01)
    assert waits.mean() == pytest.approx(typical_s, abs=4 * waits.std() / 4000**0.5)
    assert longest_s - 0.001 < waits.max() <= longest_s


def test_longest_report_interval():
    for detents, gain, interval, top, ramp in cases(200, seed=4):
        v, share = detents * gain / interval, 0.25
        rate = 1e4  # fine clicks, so that the interval alone decides
        longest = _longest_report_interval_s(rate, v / rate, share, top, ramp)
        assert _steady_ripple(v, longest, top, ramp).share == pytest.approx(share, rel=1e-9)
        assert _steady_ripple(v, longest * 1.01, top, ramp).share > share
    assert _longest_report_interval_s(10.0, 0.2, 0.25, 50.0, 500.0) == 0.0
    assert _longest_report_interval_s(10.0, 20.0, 0.25, 50.0, 500.0) == float("inf")
    with pytest.raises(ValueError, match="ripple_share = 1: must be between 0 and 1"):
        _longest_report_interval_s(10.0, 0.2, 1, 50.0, 500.0)


# --- advice ----------------------------------------------------------------------------------------------


def answer(gain, **more):
    hand = {"steady": 12.0, "fastest": 40.0, "report_interval_s": 0.04}
    return SimpleNamespace(**_derive_answer(gain, **ROUTER, **hand, **more))


@pytest.mark.parametrize("gain", [0.01, 0.05, 0.1, 0.5, 1.0, 2.0, 4.0, 5.0, 10.0])
def test_advice_is_borne_out_by_the_simulation(gain):
    advice = answer(gain)
    steady_mm_s = min(12.0 * gain, ROUTER["top_speed_mm_s"])
    limit_mm = _needed_limit_mm(steady_mm_s, gain, 0.04, ROUTER["ramp_mm_s2"])
    owe, limited = (
        answer_burst(40.0, 1.0, gain, LINK, habit=habit, **ROUTER)
        for habit in (Habit(), Habit(too_fast="limit", limit_mm=limit_mm))
    )
    assert owe.run_on_mm <= advice.hurried_run_on_mm * 1.001
    assert limited.run_on_mm <= limit_mm * (1 + 1e-9)
    if advice.too_fast == "limit":  # worth its lost clicks: it stops much sooner
        assert limited.run_on_mm < 0.75 * owe.run_on_mm
        assert limited.lost_detents > 0
    else:
        assert owe.rest_s - owe.released_s < 0.5
    dash, spread = (
        simulate_steady(12.0, gain, 0.04, habit=Habit(speed=speed), **ROUTER)[0].share
        for speed in ("dash", "spread")
    )
    assert (advice.speed == "spread") == (dash > _ALLOWED_RIPPLE_SHARE and spread < 0.9 * dash)


def test_positions_that_run_on_little_end_where_a_steady_hand_runs_on_too_far():
    machine = read_machine(MACHINES / "inlay_router.toml")
    ladder = Ladder.from_gains([Fraction(1, 50), Fraction(1, 2), Fraction(2), Fraction(8)])
    notes = {axis: note for note in axis_notes(machine, ladder) for axis in note.where.axes}
    # at 8 mm X runs on 19 mm and 0.32 s, more than half a click and 0.25 s; at 2 mm Z runs on 3.1 mm, but for 0.17 s
    assert (notes["X"].figures["highest"], notes["Z"].figures["highest"]) == (3, 3)


MACHINES = Path(__file__).parents[2] / "datasets" / "machines"


@pytest.mark.parametrize("name", ["inlay_router", "slide_stage", "sign_table"])
def test_every_sample_machine_gets_an_answer_per_rung(name):
    machine = read_machine(MACHINES / f"{name}.toml")
    ladder = Ladder.from_gains([Fraction(1, 100), Fraction(1, 10), Fraction(1), Fraction(20)], show_in=machine.show_in)
    for axis in machine.axes:
        answers = [row for row in rows(machine, ladder) if row.axis == axis.name]
        hurried = [answer.hurried_run_on_mm for answer in answers]
        assert hurried == sorted(hurried)
        assert all(answer.forgiven_run_on_mm > 0 for answer in answers)
        full = axis.top_speed_mm_s / machine.knob.fastest_detents_s
        for gain, answer in zip(ladder.on(axis), answers, strict=True):
            if gain <= full:
                assert answer.too_fast == "owe"


def test_cautions_name_position_distance_and_queue():
    machine = read_machine(MACHINES / "inlay_router.toml")
    ladder = Ladder.from_gains([Fraction(1, 100), Fraction(1), Fraction(5)])
    (note,) = (note for note in ladder_cautions(machine, ladder) if note.kind == "hurried_run_on" and "X" in note.where.axes)
    assert (note.where.axes, note.where.positions) == (("X", "Y"), (3,))
    # v = 12 x 5 = 60 mm/s: 60²/800 + 60 x 0.04 + 5 = 11.9 mm, 952 steps of 1/80 mm; queue: 11.9 / 5 = 2.4
    figures = note.figures
    assert figures["run_on_mm"] == pytest.approx(116, abs=0.5)
    assert (figures["limit_mm"], figures["limit_steps"], figures["jog_top_mm_s"]) == (pytest.approx(11.9), 952, pytest.approx(60))
    assert figures["queue"] == 3
    assert "hurried_run_on" not in {note.kind for note in ladder_cautions(machine, Ladder.from_gains([Fraction(1, 100)]))}
