"""Figures by standards and papers, against their printed values (sources: the notes beside datasets/reference)."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jogtune.files import InputFault
from jogtune.measure.standards import (
    _log_dimensionless_jerk,
    _smoothness,
    _sparc,
    _throughput,
    _throughput_table,
    evaluate_accuracy,
)
from jogtune.words.speak import speak
from places import REFERENCE, ROOT

TRIALS = Path(os.environ.get("JOGTUNE_POINTING_TRIALS", ROOT.parent / "shared" / "reference" / "pointing_trials"))


def test_published_throughput_from_its_parts():
    """Session 20230301-135234, A 1024, W 32: SD 21.4964, We 88.845, 3.6468 bits, 1042.87 ms, 3.4969 bit/s.

    Open pointing trials (gibic-leici/bmep-datasets, 2023, MIT); definition ISO 9241-411, from memory.
    """
    errors = np.array([-1.0, 1.0] * 7 + [0.0])
    errors *= 21.4964 / errors.std(ddof=1)
    found = _throughput(1024, errors, np.full(15, 1.04287))
    assert round(found["effective_width_mm"], 3) == pytest.approx(88.845, abs=0.001)
    assert round(found["difficulty_bits"], 4) == 3.6468
    assert round(found["bits_s"], 4) == 3.4969


@pytest.mark.skipif(not TRIALS.is_dir(), reason="the open pointing trials stay outside the project and are not here")
def test_published_throughput_from_the_trials():
    trials = pd.read_csv(TRIALS / "20230301-135234.txt", skiprows=3)
    cell = trials.loc[(trials["A(pixels)"] == 1024) & (trials["W(pixels)"] == 32)]
    way = np.sign(cell["XTarget(pixels)"].diff().fillna(cell["XTarget(pixels)"].diff().iloc[2]))
    signed = (cell["X(pixels)"] - cell["XTarget(pixels)"]) * way
    found = _throughput(1024, signed, cell["MT(ms)"] / 1000)
    assert len(cell) == 15
    assert round(signed.std(ddof=1), 4) == 21.4964
    assert round(found["effective_width_mm"], 3) == 88.845
    assert round(found["bits_s"], 4) == 3.4969


def test_iso_230_2_example():
    """Invented readings worked through the formulas of ISO 230-2:2014 (from memory)."""
    found = evaluate_accuracy(pd.read_csv(REFERENCE / "reversal_test_um.csv"))
    printed = {
        "reversal": 2.7, "mean_reversal": -2.3, "repeatability": 3.548528, "repeatability_up": 0.848528,
        "repeatability_down": 0.848528, "mean_deviation": 2.9, "systematic": 5.0, "accuracy": 5.740492,
        "accuracy_up": 3.740492, "accuracy_down": 3.540492,
    }  # fmt: skip
    assert {name: round(found[name], 6) for name in printed} == printed


def test_dial_readings_at_fault_are_named():
    with pytest.raises(InputFault, match="column direction is missing"):
        evaluate_accuracy(pd.DataFrame({"target": [1], "run1": [0.0], "run2": [0.0]}))
    with pytest.raises(InputFault, match="same targets"):
        evaluate_accuracy(pd.DataFrame({"direction": ["up"], "target": [1], "run1": [0.0], "run2": [0.0]}))


def test_smoothness_of_the_published_profile():
    """Speed exp(−5t²), t = −1 … 1 by 0.01: values of the authors' open code (Balasubramanian et al. 2015)."""
    t = np.arange(-1, 1, 0.01)
    speed = np.exp(-5 * t**2)
    assert round(_sparc(speed, 100), 5) == -1.41403
    assert round(-np.exp(-_log_dimensionless_jerk(speed, 100)), 5) == -335.74684
    assert round(_log_dimensionless_jerk(speed, 100), 5) == -5.81636


def test_minimum_jerk_profile():
    """Closed form: peak/mean speed 1.875, dimensionless jerk 204.8 (log 5.32203)."""
    s = np.linspace(0, 1, 20_001)
    speed = 30 * s**2 * (1 - s) ** 2
    assert speed.max() / speed.mean() == pytest.approx(1.875, rel=1e-4)
    assert np.exp(-_log_dimensionless_jerk(speed, 20_000)) == pytest.approx(204.8, rel=1e-3)
    assert -_log_dimensionless_jerk(speed, 20_000) == pytest.approx(5.32203, abs=1e-3)


def test_shaking_makes_a_movement_less_smooth():
    t = np.arange(-1, 1, 0.01)
    smooth = np.exp(-5 * t**2)
    shaken = smooth * (1 + 0.2 * np.sin(2 * np.pi * 6 * t))
    assert _sparc(shaken, 100) < _sparc(smooth, 100)
    assert _log_dimensionless_jerk(shaken, 100) < _log_dimensionless_jerk(smooth, 100)


def test_throughput_is_taken_per_sequence():
    rng = np.random.default_rng(3)
    tasks = pd.DataFrame({
        "person": ["A"] * 8 + ["B"] * 8 + ["C"] * 2, "axis": "X", "marker": "cross", "tolerance_mm": 0.5,
        "distance_mm": 100.0, "start_mm": 0.0, "goal_mm": 100.0, "error_mm": rng.normal(0, 0.2, 18),
        "time_s": 5.0,
    })  # fmt: skip
    table = _throughput_table(tasks)
    assert list(table["person"]) == ["A", "B"]
    alone = _throughput(100, tasks["error_mm"][:8], tasks["time_s"][:8])
    assert table["bits_s"][0] == pytest.approx(alone["bits_s"])
    assert table["error_rate"].between(0, 1).all()


def moving(rate_hz, *, duration_s=2.0, seed=None):
    """Rows of a smooth reach of 40 mm (minimum jerk: 10 u³ - 15 u⁴ + 6 u⁵) and the one move in them."""
    time = np.arange(0, duration_s + 1e-9, 1 / rate_hz)
    u = time / duration_s
    position = 40 * (10 * u**3 - 15 * u**4 + 6 * u**5)
    shake = 0 if seed is None else np.random.default_rng(seed).normal(0, 0.2, len(time))
    rows = pd.DataFrame({"time_s": time, "axis": "X", "position_mm": position + shake})
    return rows, pd.DataFrame({"axis": ["X"], "start_s": [0.0], "settled_s": [duration_s]})


def test_smoothness_of_a_move_is_that_of_its_speed():
    rows, move = moving(100)
    found = _smoothness(rows, move).iloc[0]
    speed = np.diff(rows["position_mm"]) * 100
    assert found["sparc"] == pytest.approx(_sparc(speed, 100), rel=1e-6)
    assert found["log_jerk"] == pytest.approx(_log_dimensionless_jerk(speed, 100), rel=1e-6)
    assert found["why"] is None
    shaken = _smoothness(*moving(100, seed=1)).iloc[0]
    assert shaken["sparc"] < found["sparc"]
    assert shaken["log_jerk"] < found["log_jerk"]


@pytest.mark.parametrize(("rate", "spoil", "why"), [
    (2, "", "few_rows"), (10, "", "rows_sparse"), (100, "gap", "position_gaps"),
    (100, "late", "rows_uneven"), (100, "still", "position_still"), (100, "even", "no_jerk"),
])  # fmt: skip
def test_smoothness_says_why_it_can_not_be_told(rate, spoil, why):
    rows, move = moving(rate)
    if spoil == "gap":
        rows.loc[50, "position_mm"] = np.nan
    if spoil == "late":
        rows.loc[50:, "time_s"] += 0.05
    if spoil in ("still", "even"):
        rows["position_mm"] = 1.0 if spoil == "still" else np.arange(len(rows)) / 4
    found = _smoothness(rows, move).iloc[0]
    assert found["why"].kind == why
    if why == "rows_sparse":
        assert speak(found["why"]) == "The log has 10 rows a second; 20 are needed."
    assert np.isnan(found["log_jerk"])
