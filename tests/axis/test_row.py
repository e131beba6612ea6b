"""Every column of a row, worked out again in plain lines on 30 seeded machines; motion by brute force in small steps."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from jogtune.axis.row import Row, by_axis, by_position, frame, rows
from jogtune.ladder.ladder import Ladder
from jogtune.machine.model import Axis, Machine
from jogtune.units import UNIT_FACTORS
from random_machines import random_machine

SEEDS = range(30)
STEPS = 150  # of a report interval, for the brute force


def ladder_of(machine: Machine) -> Ladder:
    finest = max(axis.finest_mm for axis in machine.axes)
    return Ladder.from_gains([finest * n for n in (1, 4, 20, 100)], show_in=machine.show_in)


def real(axis: Axis) -> float:
    full = None if axis.full_step_mm is None else float(axis.full_step_mm)
    friction = 0.0 if full is None or not axis.friction_share else math.degrees(math.asin(axis.friction_share)) / 90 * full
    return max(1 / float(axis.steps_per_mm), 0.05 * full if full else 0.0, friction)


def drift(machine: Machine, steps: Fraction, back: bool) -> float:
    """Steps short of the count after 1000 clicks (and 1000 back) where each click's remainder is cut, or kept."""
    if machine.firmware.remainder == "carry":
        return 0.0
    cut = math.floor(steps)  # toward zero, each way
    return float(1000 * (cut - steps)) if not back else 0.0


def exactly(machine: Machine, axis: Axis, gain: Fraction, row: Row) -> dict[str, object]:
    """What needs no motion."""
    steps, g = gain * axis.steps_per_mm, float(gain)
    u, hurry, every = machine.knob.steady_detents_s, machine.knob.fastest_detents_s, machine.link.report_interval_s
    top, ramp, calm = axis.top_speed_mm_s, axis.ramp_mm_s2, axis.calm_speed_mm_s
    stray, one_way = min(top, math.sqrt(g * ramp)), real(axis)
    caps = [top / u] + ([] if calm is None else [calm / u] + ([calm**2 / ramp] if calm < top else []))
    fast = min(hurry * g, top)
    return {
        "axis": axis.name, "unit": "deg" if axis.rotary else machine.show_in, "gain_mm": g,
        "gain_num": gain.numerator, "gain_den": gain.denominator, "steps_num": steps.numerator, "steps_den": steps.denominator,
        "exact": axis.exact, "whole_step": axis.exact and steps.denominator == 1,
        "dead_share": max(0.0, 1 - float(steps)) if steps < 1 else 0.0,
        "drift_1000_mm": drift(machine, steps, False) / float(axis.steps_per_mm),
        "drift_back_mm": 0.0, "one_way_mm": one_way, "reversed_mm": one_way + axis.slack_mm,
        "finer_than": "one way" if g < one_way * (1 - 1e-12) else "reversal" if g < (one_way + axis.slack_mm) * (1 - 1e-12) else "",
        "full_speed_detents_s": top / g, "outruns_steady": g * u > top * (1 + 1e-12),
        "turns_to_cross": axis.reach_mm / g / machine.knob.detents_per_turn,
        "steady_mm_s": min(u * g, top), "stray_mm_s": stray, "calm_mm_s": math.nan if calm is None else calm, "cap_mm": min(caps),
        "above_cap": g > min(caps) * (1 + 1e-12),
        "near_people": "unknown" if calm is None else "yes" if stray <= calm * (1 + 1e-12) else "no",
        "forgiven_run_on_mm": min(fast**2 / (2 * ramp) + max(top * every, g), axis.reach_mm),
        "allowed_run_on_mm": max(g / 2, float(axis.finest_mm)), "report_mm": min(u * g, top) * every,
        "delay_s": every / 2 + machine.link.delay_s, "delay_most_s": every + machine.link.delay_s,
    }  # fmt: skip


def limit_of(machine: Machine, axis: Axis, gains: list[float]) -> tuple[float, float]:
    """The limit advised where no run-on is allowed in the file, and the jog speed: made for the rung that comes to half speed."""
    u, every, ramp = machine.knob.steady_detents_s, machine.link.report_interval_s, axis.ramp_mm_s2
    most = axis.top_speed_mm_s / u
    g = min([gain for gain in gains if gain >= most / 2], default=max(gains))
    v = min(u * g, axis.top_speed_mm_s)
    allowed = min(axis.reach_mm, v**2 / (2 * ramp) + v * every + g)
    spare = 2 * ramp * max(allowed - g, 0.0)
    jog = min(axis.top_speed_mm_s, -ramp * every + math.sqrt((ramp * every) ** 2 + spare) or math.sqrt(g * ramp))
    return min(max(allowed, g), jog**2 / (2 * ramp) + jog * every + g), jog


def free_rate(machine: Machine, axis: Axis, gain: float, limit: float, jog: float) -> float:
    lag = axis.ramp_mm_s2 * machine.link.report_interval_s
    v = -lag + math.sqrt(lag**2 + 2 * axis.ramp_mm_s2 * max(limit - gain, 0.0))
    rests = 2 * math.sqrt(gain / axis.ramp_mm_s2) if gain <= jog**2 / axis.ramp_mm_s2 else gain / jog + jog / axis.ramp_mm_s2
    return max(min(v, jog) / gain, 1 / (rests + machine.link.report_interval_s)) if gain <= limit * (1 + 1e-9) else 0.0


def chased(rate: np.ndarray, gain: np.ndarray, every: np.ndarray, top: np.ndarray, ramp: np.ndarray, reports: int) -> dict[str, np.ndarray]:
    """Steady turning, many rungs at once: each chases its reported target in small steps; the last third is kept."""
    x, v, target, dt = np.zeros(len(gain)), np.zeros(len(gain)), np.zeros(len(gain)), every / STEPS
    low, high, run_on = np.full(len(gain), np.inf), np.zeros(len(gain)), np.zeros(len(gain))
    before = np.zeros(len(gain))
    for report in range(1, reports + 1):
        turned = np.floor(rate * every * report + 1e-6)
        target, clicked, before = target + gain * (turned - before), turned > before, turned
        keep = report > 2 * reports // 3
        if keep:
            run_on = np.where(clicked, np.maximum(run_on, target - x), run_on)
        for _ in range(STEPS):
            left = target - x
            wanted = np.sign(left) * np.minimum(top, np.sqrt(2 * ramp * np.abs(left)))
            # never past the target within a step
            v = np.clip(wanted, v - ramp * dt, v + ramp * dt)
            v = np.where(np.abs(v * dt) > np.abs(left), left / dt, v)
            x = x + v * dt
            if keep:
                low, high = np.minimum(low, v), np.maximum(high, v)
    mean = np.minimum(rate * gain, top)
    return {"run_on_mm": run_on, "ripple_low_mm_s": low, "ripple_high_mm_s": high, "ripple_share": (high - low) / (2 * mean)}


def gaps_between_clicks(each: float, first: int, last: int) -> set[tuple[int, int]]:
    """How many reports apart clicks come, and how many at once, in a stretch of steady turning."""
    turned = np.diff(np.floor(each * np.arange(first, last) + 1e-6))
    at = np.flatnonzero(turned)
    return {(int(apart), int(turned[place])) for apart, place in zip(np.diff(at), at[1:], strict=True)}


CASES = {seed: random_machine(seed) for seed in SEEDS}


@pytest.mark.parametrize("seed", SEEDS)
def test_every_column_that_needs_no_motion(seed: int) -> None:
    machine = CASES[seed]
    ladder = ladder_of(machine)
    found = rows(machine, ladder)
    assert [(row.position, row.axis) for row in found] == [(p, axis.name) for p in (1, 2, 3, 4) for axis in machine.axes]
    for row in found:
        axis = machine.axis(row.axis)
        gain = ladder.gains_mm[row.position - 1]
        gain = gain / UNIT_FACTORS[machine.show_in] if axis.rotary else gain
        assert ladder.on(axis)[row.position - 1] == gain
        for name, value in exactly(machine, axis, gain, row).items():
            got = getattr(row, name)
            assert got == (pytest.approx(value, rel=1e-9, abs=1e-12, nan_ok=True) if isinstance(value, float) else value), (name, row)
        gains = [float(g) for g in ladder.on(axis)]
        limit, jog = limit_of(machine, axis, gains)
        free = free_rate(machine, axis, float(gain), limit, jog)
        assert row.free_detents_s == pytest.approx(free, rel=1e-6, abs=1e-9)
        u = machine.knob.steady_detents_s
        if abs(free / u - 1) > 1e-6 and abs(free / u - 2) > 1e-6:
            assert row.kind == ("exact" if free > 2 * u else "even" if free > u else "travel")
        assert float(row.gain) * (25.4 if row.unit == "in" else 1) == pytest.approx(float(gain), rel=1e-5)
        assert row.multiplier == ladder.multipliers[row.position - 1]


def test_ripple_and_run_on_by_brute_force() -> None:
    found = [(row, machine, machine.axis(row.axis)) for machine in CASES.values() for row in rows(machine, ladder_of(machine))]
    # what the axis can follow, and settles within the reports simulated
    kept = [(row, m, a) for row, m, a in found if row.gain_mm * m.knob.steady_detents_s < 0.9 * a.top_speed_mm_s]
    assert len(kept) > 150
    asked = [np.array(values) for values in zip(*(
        (m.knob.steady_detents_s, row.gain_mm, m.link.report_interval_s, a.top_speed_mm_s, a.ramp_mm_s2) for row, m, a in kept
    ), strict=True)]  # fmt: skip
    brute = chased(*asked, reports=240)
    for n, (row, machine, _) in enumerate(kept):
        each = machine.knob.steady_detents_s * machine.link.report_interval_s
        if gaps_between_clicks(each, 160, 240) != gaps_between_clicks(each, 0, 5000):
            continue  # clicks beat against reports too slowly for the reports simulated
        speed = row.steady_mm_s
        assert row.ripple_high_mm_s == pytest.approx(brute["ripple_high_mm_s"][n], rel=0.04, abs=0.04 * speed), row
        assert row.ripple_low_mm_s == pytest.approx(brute["ripple_low_mm_s"][n], abs=0.1 * speed), row
        assert row.ripple_share == pytest.approx((row.ripple_high_mm_s - row.ripple_low_mm_s) / (2 * speed), rel=1e-9)
        assert row.run_on_mm == pytest.approx(min(brute["run_on_mm"][n], machine.axis(row.axis).reach_mm), rel=0.06), row


@pytest.mark.parametrize("seed", SEEDS)
def test_a_hand_that_hurries(seed: int) -> None:
    machine = CASES[seed]
    for row in rows(machine, ladder_of(machine)):
        axis, hurry, every = machine.axis(row.axis), machine.knob.fastest_detents_s, machine.link.report_interval_s
        top, ramp, g = axis.top_speed_mm_s, axis.ramp_mm_s2, row.gain_mm
        assert row.hurried_at_reach == (row.hurried_run_on_mm >= axis.reach_mm)
        if hurry * g > top:  # from rest for a second, first report one interval late: what was asked less what was done
            moving, full = 1.0 - every, top / ramp
            done = ramp * moving**2 / 2 if moving < full else top * (moving - full / 2)
            assert row.hurried_run_on_mm == pytest.approx(min(hurry * g - done, axis.reach_mm), rel=1e-9)
            assert row.hurried_mm_s == pytest.approx(top)
            runs_s = (hurry * g - done) / top + top / (2 * ramp)
            assert row.too_fast == ("limit" if hurry * g - done > row.allowed_run_on_mm and runs_s > 0.25 else "owe")
        else:
            assert row.hurried_mm_s <= top
            assert row.too_fast == "owe"
        assert row.runs_on_too_far == (row.run_on_mm > row.allowed_run_on_mm and row.run_on_s > 0.25) or row.hurried_at_reach
        if not math.isnan(row.longest_report_s):  # at 25 % ripple: v ± a·T/4, or against the ceiling
            v, t = row.steady_mm_s, row.longest_report_s
            below = v - ramp * t / 4 if v + ramp * t / 4 <= top else top - math.sqrt(ramp * t * (top - v))
            high = min(v + ramp * t / 4, top)
            assert (high - below) / (2 * v) == pytest.approx(0.25, rel=1e-6)
        if row.speed == "spread":
            assert row.ripple_share > 0.25


def test_rows_go_by_axis_and_by_position_and_into_a_frame() -> None:
    machine = CASES[1]
    found = rows(machine, ladder_of(machine))
    assert [name for name, _ in by_axis(found)] == [axis.name for axis in machine.axes]
    assert all([row.position for row in mine] == [1, 2, 3, 4] for _, mine in by_axis(found))
    assert [position for position, _ in by_position(found)] == [1, 2, 3, 4]
    table = frame(found)
    assert len(table) == len(found)
    assert list(table["run_on_mm"]) == [row.run_on_mm for row in found]
    assert list(table.index) == list(range(len(found)))
