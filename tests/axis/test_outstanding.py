"""The limit on the outstanding distance: its closed forms by brute force, the habit, and what is advised from it."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from jogtune.axis import outstanding as o
from jogtune.axis.advice import answer_burst, simulate_steady
from jogtune.axis.follow import Habit, follow
from jogtune.axis.lanes import replay
from jogtune.axis.link import reports_as_logged
from jogtune.axis.near import ladder_cautions
from jogtune.axis.pursuit import pursue
from jogtune.axis.row import rows
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import Link
from jogtune.words.tables import _HEADS

MACHINES = Path(__file__).parents[2] / "datasets" / "machines"
ROUTER = {"top_speed_mm_s": 60.525, "ramp_mm_s2": 400.0}


def random_axes(rng, n):
    """Gain, report interval, ramp and top speed of n axes, from tiny clicks to ones that outrun the ramp."""
    interval, ramp, top = 10 ** rng.uniform(-2.3, -0.7, n), 10 ** rng.uniform(1.5, 3.7, n), 10 ** rng.uniform(0.5, 2.5, n)
    return top * interval * 10 ** rng.uniform(-1.5, 1, n), interval, ramp, top


def limited(clicks, gain, interval, ramp, top, limit):
    """Many axes at once under a limit, by the pursuit alone: greatest lead over target, clicks lost, greatest overshoot."""
    x = v = target = lost = lead = over = np.zeros(len(gain))
    for n in clicks.T:
        granted = np.minimum(np.maximum(np.floor((limit - (target - x)) / gain + 1e-9), 0.0), n)
        target, lost = target + granted * gain, lost + n - granted
        lead, over = np.maximum(lead, target - x), np.maximum(over, v * v / (2 * ramp) - (target - x))
        x, v = pursue(x, v, target, top, ramp, interval)
    return lead, lost, over


def test_nothing_runs_on_farther_than_the_limit_in_4000_cases():
    rng = np.random.default_rng(1)
    gain, interval, ramp, top = random_axes(rng, 4000)
    limit = gain * 10 ** rng.uniform(0, 2, 4000)
    clicks = rng.poisson(10 ** rng.uniform(-1, 1.5, (4000, 1)), (4000, 80)) * (rng.random((4000, 80)) < 0.7)
    lead, lost, over = limited(clicks, gain, interval, ramp, top, limit)
    assert (lead <= limit * (1 + 1e-8)).all()
    assert (over <= limit * 1e-8).all()  # what leads is never less than braking takes, so it is all that is run on
    assert (lost > 0).mean() > 0.5  # the limit was felt


def slow_enough(rng, rate, interval, reports):
    """Clicks per report of patterns that never hold more than rate·t + 1 clicks in t: even, uneven, on and off."""
    n, most = len(rate), int(np.ceil((rate * interval).max() * reports)) + 2
    extra = rng.exponential(1, (n, most)) * (rng.random((n, most)) < rng.uniform(0, 0.7, (n, 1)))
    times = rng.random((n, 1)) * (interval * 2)[:, None] + np.cumsum((1 + extra) / rate[:, None], axis=1)
    at = np.floor(times / interval[:, None]).astype(int)
    clicks = np.zeros((n, reports))
    np.add.at(clicks, (np.repeat(np.arange(n), most)[at.ravel() < reports], at[at < reports]), 1)
    return clicks


def test_no_click_is_lost_at_the_limit_needed_in_8000_patterns():
    rng = np.random.default_rng(2)
    gain, interval, ramp, top = random_axes(rng, 8000)
    rate = np.minimum(top / gain, 6 / interval) * rng.uniform(0.02, 1, 8000)
    needed = np.array([o._needed_limit_mm(*each) for each in zip(rate * gain, gain, interval, ramp, strict=True)])
    clicks = slow_enough(rng, rate, interval, 100)
    lead, lost, _ = limited(clicks, gain, interval, ramp, top, needed)
    assert not lost.any()
    assert (lead / needed).max() > 0.99  # no smaller one does
    assert limited(clicks, gain, interval, ramp, top, np.maximum(0.9 * needed, gain))[1].any()


@pytest.mark.parametrize("seed", range(3))
def test_the_habit_is_that_limit(seed):
    rng = np.random.default_rng(seed)
    gain, interval, ramp, top = random_axes(rng, 20)
    limit = gain * 10 ** rng.uniform(0, 1.5, 20)
    clicks = rng.poisson(3, (20, 60))
    lead, lost, _ = limited(clicks, gain, interval, ramp, top, limit)
    for i in range(20):
        reports = reports_as_logged(interval[i] * np.arange(60), clicks[i], interval_s=interval[i])
        limits = {"top_speed_mm_s": top[i], "ramp_mm_s2": ramp[i]}
        course = follow(reports, gain[i], habit=Habit(too_fast="limit", limit_mm=limit[i]), **limits)
        assert course.lost_detents == lost[i]
        assert (course.target_mm - course.x_mm).max() == pytest.approx(lead[i], rel=1e-9)
        many = replay(reports, [gain[i]], habit=Habit(too_fast="limit", limit_mm=limit[i]), **limits)
        assert many.lost_detents[0] == lost[i]
        assert many.run_on_by_rung_mm[0, 0] <= limit[i] * (1 + 1e-9)


def test_the_closed_forms_undo_each_other():
    rng = np.random.default_rng(3)
    for gain, interval, ramp, top in zip(*random_axes(rng, 500), strict=True):
        rate = top / gain * rng.uniform(0.05, 1)
        needed = o._needed_limit_mm(rate * gain, gain, interval, ramp)
        # (L - g) is small beside L where clicks are coarse: that loses digits, not the formula
        digits = 1e-12 * max(1.0, gain / (needed - gain))
        assert o._free_speed_mm_s(needed, gain, interval, ramp) / gain == pytest.approx(rate, rel=digits)
        assert o._free_rate(needed, gain, interval, top, ramp) >= rate * (1 - digits)
        assert o._coarsest_lossless_gain_mm(needed, rate, interval, math.inf, ramp) == pytest.approx(gain, rel=1e-9)
        assert o._least_ramp_mm_s2(needed, rate, gain, interval) == pytest.approx(ramp, rel=1e-9 * max(1, needed * ramp / (rate * gain) ** 2))
        longest = o._longest_lossless_interval_s(needed, rate, gain, ramp)
        assert o._needed_limit_mm(rate * gain, gain, longest, ramp) == pytest.approx(needed, rel=1e-12)
    assert o._least_ramp_mm_s2(7.4, 12.0, 5.0, 0.04) is None
    assert o._free_rate(4.9, 5.0, 0.04, 100.0, 400.0) == 0.0


def test_clicks_far_enough_apart_are_kept_though_the_limit_has_little_room_left():
    """A limit of 1 to 1.3 clicks: up to the free rate none is lost at any phase, at half as much again some mostly are."""
    rng = np.random.default_rng(11)
    gain, interval, ramp, top = random_axes(rng, 2000)
    limit = gain * rng.uniform(1, 1.3, 2000)
    free = np.array([o._free_rate(*figures) for figures in zip(limit, gain, interval, top, ramp, strict=True)])
    for faster, lost in ((1 - 1e-9, 0.0), (1.5, 0.5)):
        times = rng.uniform(0, 1, (2000, 1)) * interval[:, None] + np.cumsum(rng.choice([1.0, 1.0, 1.7], (2000, 12)), axis=1) / (faster * free)[:, None]
        heard = np.ceil(times / interval[:, None]).astype(int)
        clicks = np.array([np.bincount(np.minimum(row, 4000), minlength=4001)[:4000] for row in heard])
        share = (limited(clicks[:, : heard.max() + 1], gain, interval, ramp, top, limit)[1] > 0).mean()
        assert share == 0.0 if not lost else share > lost


# The router's X: 60.5 mm/s, 400 mm/s2, a report every 40 ms, limit 12 mm; worst of 24 phases of clicks against reports.
TABLE = [
    # rung, needed at 12/s, free rate, run-on steady, hurried, lost of 40 hurried clicks
    (0.02, 0.03, 3026, 0.02, 0.04, 0), (0.2, 0.30, 303, 0.20, 0.50, 0), (2.0, 3.68, 30.3, 2.7, 10.5, 8),
    (5.0, 11.90, 12.1, 11.3, 11.5, 27),
]  # fmt: skip


def bursts(rate, gain, seconds=1.0):
    """The worst run-on wherever the hand stops, after the last report, and the worst loss, over 24 phases."""
    found = []
    for phase in range(24):
        clicks = np.arange(round(rate * seconds)) / rate + phase * 0.04 / 24
        counts = np.bincount(np.floor(clicks / 0.04).astype(int))
        reports = reports_as_logged(0.04 * np.arange(len(counts)), counts, interval_s=0.04)
        course = follow(reports, gain, habit=Habit(too_fast="limit", limit_mm=12.0), **ROUTER)
        lead = course.target_mm - course.x_mm
        found.append((lead.max(), lead[-1], course.lost_detents))
    return np.array(found).max(axis=0)


@pytest.mark.parametrize(("gain", "needed", "free", "steady", "hurried", "lost"), TABLE)
def test_the_routers_rungs_under_their_limit(gain, needed, free, steady, hurried, lost):
    assert o._needed_limit_mm(12 * gain, gain, 0.04, 400.0) == pytest.approx(needed, abs=0.006)
    assert o._free_rate(12.0, gain, 0.04, 60.525, 400.0) == pytest.approx(free, rel=2e-3)
    assert bursts(12.0, gain, 4.0)[0] == pytest.approx(steady, rel=0.03)
    _, run_on, gone = bursts(40.0, gain)
    assert run_on == pytest.approx(hurried, rel=0.03, abs=0.006)
    assert gone == pytest.approx(lost, abs=1)


def test_the_shortest_queue_loses_no_click():
    rng = np.random.default_rng(4)
    gain, interval, ramp, top = random_axes(rng, 300)
    rate = np.minimum(top / gain, 6 / interval) * rng.uniform(0.05, 0.95, 300)
    clicks = slow_enough(rng, rate, interval, 60)
    shorter = 0
    for i in range(300):
        needed = o._needed_limit_mm(rate[i] * gain[i], gain[i], interval[i], ramp[i])
        moves = o._shortest_queue(needed, rate[i], gain[i], interval[i])
        reports = reports_as_logged(interval[i] * np.arange(60), clicks[i].astype(int), interval_s=interval[i])
        limits = {"top_speed_mm_s": top[i], "ramp_mm_s2": ramp[i]}
        lost = [
            follow(reports, gain[i], habit=Habit(queue=n, when_full="discard"), **limits).lost_detents
            for n in (moves, max(1, moves - 2))
        ]
        assert lost[0] == 0
        shorter += lost[1] > 0
    assert shorter > 10  # two moves fewer would often lose some


# --- steady turning --------------------------------------------------------------------------------------


def worst_of_five_beats(rate, gain, interval, top, ramp):
    """The greatest lead over five beats of clicks against reports, once the start has died away."""
    beat = Fraction(rate * interval).limit_denominator(10**6).denominator
    mean = rate * gain
    settle = (16 * mean / ramp + mean**2 / (ramp * max(top - mean, 1e-12))) / interval + 20 * (1 + 1 / (rate * interval))
    start = math.ceil(min(settle, 4000))
    turned = np.floor(rate * interval * np.arange(1, start + 5 * beat + 1) + 1e-6)
    reports = reports_as_logged(interval * np.arange(len(turned)), np.diff(turned, prepend=0.0), interval_s=interval)
    course = follow(reports, gain, top_speed_mm_s=top, ramp_mm_s2=ramp)
    return (course.target_mm - course.x_mm)[start:][reports.detents[start:] != 0].max()


def test_steady_run_on_takes_in_a_whole_beat():
    rng = np.random.default_rng(5)
    for case in range(200):
        interval, beat = int(rng.integers(5, 120)) / 1000, int(rng.integers(2, 250))
        whole = int(rng.integers(1, 4)) if case % 2 else 0
        # half of the cases lie a hair above or below a whole number of clicks a report
        each = whole + (rng.choice([-1, 1]) if whole else int(rng.integers(1, beat))) / beat
        top, ramp = 10 ** rng.uniform(1, 2.3), 10 ** rng.uniform(2, 3.5)
        rate = each / interval
        gain = top / rate * 10 ** rng.uniform(-2.5, -0.05)
        found = simulate_steady(rate, gain, interval, top_speed_mm_s=top, ramp_mm_s2=ramp)[1]
        assert found == pytest.approx(worst_of_five_beats(rate, gain, interval, top, ramp), rel=0.01), (rate, gain, interval)


# --- what is advised -------------------------------------------------------------------------------------


def router_with(queue=None, when_full=None, **axis):
    """The router, with more said of X."""
    router = read_machine(MACHINES / "inlay_router.toml")
    firmware = replace(router.firmware, queue=queue, when_full=when_full)
    return replace(router, axes=(replace(router.axes[0], **axis), *router.axes[1:]), firmware=firmware)


LADDER = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100, 250))


def on_x(machine):
    """The cautions of axis X by their kind."""
    return {note.kind: note for note in ladder_cautions(machine, LADDER) if "X" in note.where.axes}


def test_the_limit_and_jog_speed_of_an_allowed_run_on():
    machine = router_with(run_on_mm=12.0)
    found = o.derive_outstanding(machine, machine.axis("X"), LADDER)
    assert found.jog_top_mm_s == pytest.approx(60.525, abs=0.001)
    assert (found.limit_mm, found.limit_steps, found.cures) == (pytest.approx(12.0), 960, {})
    answers = [row for row in rows(machine, LADDER) if row.axis == "X"]
    assert [answer.kind for answer in answers] == ["exact", "exact", "exact", "even"]
    assert [answer.free_detents_s for answer in answers] == pytest.approx([3026.2, 302.6, 30.26, 12.105], rel=1e-3)
    assert on_x(machine)["hurried_run_on"].figures["limit_steps"] == 960


def test_a_run_on_too_short_for_a_rung_names_its_cures():
    machine = router_with(run_on_mm=8.0)
    found = o.derive_outstanding(machine, machine.axis("X"), LADDER)
    # 8 - 60 x 0.04 - 5 = 0.6 mm left to brake in: 60²/1.2 = 3000 mm/s2; 3.5 mm at 12/s needs 2.2 + 1.7 + 3.5
    assert found.cures["ramp_mm_s2"] == pytest.approx(3000)
    assert found.jog_top_mm_s == pytest.approx(35.5, abs=0.1)
    assert rows(machine, LADDER)[9].free_detents_s == pytest.approx(7.1, abs=0.01)
    assert rows(machine, LADDER)[9].kind == "travel"
    told = on_x(machine)
    assert (told["clicks_lost_within"].figures["allowed_mm"], told["clicks_lost_within"].figures["gain_mm"]) == (8.0, 5.0)
    assert told["clicks_lost_at"].where.positions == (4,)


def test_a_click_longer_than_the_limit_is_told():
    machine = router_with(run_on_mm=4.0)
    answer = rows(machine, LADDER)[9]
    assert (answer.free_detents_s, answer.kind) == (0.0, "travel")
    assert on_x(machine)["dead_positions"].where.positions == (4,)


def test_what_is_filed_is_used_and_checked():
    machine = router_with(run_on_mm=12.0, jog_limit_mm=20.0, jog_top_mm_s=50.0, when_full="drop")
    found = o.derive_outstanding(machine, machine.axis("X"), LADDER)
    assert (found.used_limit_mm, found.used_top_mm_s) == (20.0, 50.0)
    answers = [row for row in rows(machine, LADDER) if row.axis == "X"]
    assert answers[3].free_detents_s == pytest.approx(10.0)  # 50 mm/s in clicks of 5 mm
    told = on_x(machine)
    assert told["limit_over_allowed"].figures == {"limit_mm": 20.0, "allowed_mm": 12.0}
    assert told["clicks_lost_at"].where.positions == (4,)


def test_a_limit_that_waits_is_no_limit():
    machine = router_with(jog_limit_mm=12.0, when_full="wait")
    told = on_x(machine)
    assert told["hurried_run_on"].where.positions == (4,)
    assert "limit_that_waits" in told


def test_one_click_that_fills_the_limit_still_moves():
    machine = router_with(run_on_mm=0.015)  # less than the finest click of 0.02 mm
    found = o.derive_outstanding(machine, machine.axis("X"), LADDER)
    assert (found.limit_mm, found.limit_steps) == (0.02, 2)  # 1.6 steps, rounded up: a whole click must fit
    assert on_x(machine)["dead_positions"].where.positions == (2, 3, 4)


@pytest.mark.parametrize("name", ["inlay_router", "slide_stage", "sign_table"])
def test_no_run_on_is_longer_than_the_axis_and_units_are_its_own(name):
    machine = read_machine(MACHINES / f"{name}.toml")
    gains = [Fraction(1, 100), Fraction(1), Fraction(20)]
    ladder = Ladder.from_gains(gains, show_in=machine.show_in)
    for row in rows(machine, ladder):
        axis = machine.axis(row.axis)
        assert row.unit == machine.shown_unit(axis)
        for figure in (row.run_on_mm, row.hurried_run_on_mm, row.forgiven_run_on_mm):
            assert figure <= axis.reach_mm


def test_the_limit_of_the_routers_link_is_kept_through_its_own_reports():
    link = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25)
    for rate in (15.0, 25.0, 40.0, 60.0):
        burst = answer_burst(rate, 1.5, 5.0, link, habit=Habit(too_fast="limit", limit_mm=12.0), **ROUTER)
        assert burst.run_on_mm <= 12.0 * (1 + 1e-9)
        assert burst.since_click_mm <= 12.0 + 60.525 * 0.0451


def test_a_fast_hand_passes_the_calm_speed_where_a_stray_click_keeps_it(router):
    """Router X, 2 mm: a click alone peaks at 28 mm/s, 40 a second at 87; calm is 33.3 (by a loop of the pursuit alone)."""
    axis, rungs = router.axis("X"), Ladder.from_gains([Fraction(1, 2), Fraction(2)])
    for gain, passes in ((0.5, False), (2.0, True)):
        x = v = target = peak = 0.0
        for n in range(200):
            target += gain * (math.floor((n + 1) * 1.6 + 1e-9) - math.floor(n * 1.6 + 1e-9))
            for _ in range(40):  # milliseconds of a report
                x, v = (float(part) for part in pursue(x, v, target, 100.0, 400.0, 0.001))
                peak = max(peak, v)
        (found,) = (row for row in rows(router, Ladder.from_gains([Fraction(gain)])) if row.axis == "X")
        assert found.hurried_mm_s == pytest.approx(peak, rel=0.01)
        assert (found.hurried_mm_s > axis.calm_speed_mm_s) is passes
        assert math.sqrt(gain * axis.ramp_mm_s2) < axis.calm_speed_mm_s
    marks = [_HEADS["mind"].say(row) for row in rows(router, rungs) if row.axis == "X"]
    assert ["turned fast, passes the calm speed" in mark for mark in marks] == [False, True]


def test_a_stick_may_go_as_fast_as_a_lost_link_allows() -> None:
    """Beside its inverse, played as a speed held for silence, interval and delay and then braked."""
    for name in ("inlay_router", "sign_table", "slide_stage"):
        machine = read_machine(MACHINES / f"{name}.toml")
        for axis in machine.axes:
            top, held = o.stick_top_mm_s(machine, axis), machine.link.lost_s
            played = np.trapezoid([top, top, 0.0], [0.0, held, held + top / axis.ramp_mm_s2])
            assert axis.stopping_mm(top, held) == pytest.approx(played)
            assert top == axis.top_speed_mm_s or played == pytest.approx(axis.reach_mm / 50)
            farther = replace(axis, run_on_mm=played * 1.01)
            assert top == axis.top_speed_mm_s or o.stick_top_mm_s(machine, farther) > top
