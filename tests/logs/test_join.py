"""Two recordings of one session, each with its own clock: offset and drift recovered, nothing lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jogtune.files import InputFault
from jogtune.logs.join import join_logs
from jogtune.logs.log import Log
from jogtune.logs.read import read_log, write_log
from jogtune.words.speak import speak

FOLLOWS_S = 0.06  # the made-up axis follows its knob by exactly this


def session(
    folder: Path,
    seed: int,
    *,
    minutes: float = 4,
    offset_s: float = 1234.5,
    drift: float = 3e-5,
    noise_mm: float = 0.003,
) -> tuple[Log, Log]:
    """A seeded knob log and a machine log whose clock is off by a known line."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0, 60 * minutes, 0.04)
    turning = np.repeat(rng.random(len(time_s) // 50 + 1) < 0.6, 50)[: len(time_s)]
    way = np.repeat(rng.choice([-1, 1], len(time_s) // 25 + 1), 25)[: len(time_s)]
    gain = np.repeat(rng.choice([0.01, 0.1, 1.0], len(time_s) // 500 + 1), 500)[: len(time_s)]
    detents = np.where(turning, way * rng.poisson(0.5, len(time_s)), 0)
    knob = pd.DataFrame({"time_s": time_s, "axis": "X", "detents": detents, "gain_mm": gain})
    machine_s = np.arange(5.0, 60 * minutes - 5, 0.02)
    asked = np.interp(machine_s - FOLLOWS_S, time_s, np.cumsum(detents * gain))
    machine = pd.DataFrame({
        "time_s": offset_s + machine_s * (1 + drift), "axis": "X", "detents": 0, "rung": 1,
        "position_mm": asked + rng.normal(0, noise_mm, len(machine_s)),
    })  # fmt: skip
    write_log(knob, folder / "knob.csv", overwrite=True, notes={"simulated": "yes"})
    write_log(machine, folder / "machine.csv", overwrite=True, notes={"simulated": "yes", "position": "measured"})
    return read_log(folder / "knob.csv"), read_log(folder / "machine.csv")


@pytest.mark.parametrize("drift", [0.0, 3e-5, -2e-4, 0.01])
def test_offset_and_drift_are_found(tmp_path: Path, drift: float) -> None:
    knob, machine = session(tmp_path, 3, drift=drift)
    join = join_logs(knob, machine)
    true_offset = 1234.5 + drift * join.at_s + FOLLOWS_S * (1 + drift)
    assert join.offset_s == pytest.approx(true_offset, abs=0.002)
    assert join.drift == pytest.approx(drift, abs=2e-5)
    assert join.offset_high_s - join.offset_low_s < 0.004
    assert "includes the time by which the axis follows" in speak(join.notes[0])


def coverage(folder: Path, seeds: range) -> tuple[float, float]:
    held = []
    for seed in seeds:
        drift = (seed % 7 - 3) * 2e-5
        knob, machine = session(folder, seed, drift=drift, minutes=3)
        join = join_logs(knob, machine)
        assert join.drift_low is not None
        assert join.drift_high is not None
        true_offset = 1234.5 + drift * join.at_s + FOLLOWS_S * (1 + drift)
        held.append(
            (join.offset_low_s <= true_offset <= join.offset_high_s, join.drift_low <= drift <= join.drift_high)
        )
    share = np.mean(held, axis=0)
    return float(share[0]), float(share[1])


def test_stated_intervals_mostly_hold_the_truth(tmp_path: Path) -> None:
    offset, drift = coverage(tmp_path, range(20))
    assert offset >= 0.8
    assert drift >= 0.8


@pytest.mark.heavy
def test_stated_intervals_hold_the_truth_in_92_to_98_percent(tmp_path: Path) -> None:
    offset, drift = coverage(tmp_path, range(1000, 1400))
    print(f"offset interval held the truth in {offset:.1%}, drift interval in {drift:.1%} of 400 sessions")
    assert 0.92 <= offset <= 0.98
    assert 0.92 <= drift <= 0.98


def test_no_row_of_either_recording_is_lost(tmp_path: Path) -> None:
    knob, machine = session(tmp_path, 1, minutes=2)
    log = join_logs(knob, machine).log
    assert len(log.rows) == len(knob.rows) + len(machine.rows)
    assert log.rows_in == log.rows_out + log.left_out == knob.rows_in + machine.rows_in
    assert log.rows["detents"].sum() == knob.rows["detents"].sum()
    assert log.position_kind == "measured"
    assert log.simulated
    assert (np.diff(log.rows["time_s"]) >= 0).all()
    asked = np.interp(log.rows["time_s"], knob.rows["time_s"], np.cumsum(knob.rows["detents"] * knob.rows["gain_mm"]))
    there = log.rows["position_mm"].notna()
    assert np.abs(log.rows["position_mm"] - asked)[there].max() < 0.5
    write_log(log, tmp_path / "joined.csv")
    assert len(read_log(tmp_path / "joined.csv", strict=False).rows) == len(log.rows)


def test_an_axis_that_goes_by_another_scale_is_still_matched(tmp_path: Path) -> None:
    knob, machine = session(tmp_path, 5)
    halved = replace(machine, rows=machine.rows.assign(position_mm=machine.rows["position_mm"] / 2))
    assert join_logs(knob, halved).offset_s == pytest.approx(join_logs(knob, machine).offset_s, abs=0.001)


def test_a_short_session_says_that_drift_cannot_be_told(tmp_path: Path) -> None:
    join = join_logs(*session(tmp_path, 6, minutes=0.5))
    assert join.drift is None
    assert "too short to tell" in speak(join.notes[1])


def test_recordings_of_different_sessions_are_refused(tmp_path: Path) -> None:
    knob, _ = session(tmp_path, 7)
    _, machine = session(tmp_path, 8)
    with pytest.raises(InputFault, match="does not match|does not follow"):
        join_logs(knob, machine)
    other = replace(machine, rows=machine.rows.assign(axis="Z"))
    with pytest.raises(InputFault, match="none of these turned"):
        join_logs(knob, other)
    with pytest.raises(InputFault, match="has no position"):
        join_logs(knob, knob)
