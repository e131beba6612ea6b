"""The generator of simulated logs: the same bytes each time, and a truth that the rows bear out."""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from truths.sessions import Person, make_log, sample_text

DATASETS = Path(__file__).parents[2] / "datasets"
ROUTER = read_machine(DATASETS / "machines" / "inlay_router.toml")
LADDER = Ladder.from_gains([Fraction(1, 50), Fraction(1, 10), Fraction(1, 2), Fraction(5)])
SHIPPED = DATASETS / "logs" / "inlay_router_simulated.csv"


def test_the_shipped_log_is_made_again_to_the_byte():
    assert SHIPPED.read_bytes() == sample_text(ROUTER, LADDER).encode()


def test_the_shipped_log_says_that_it_is_simulated_and_stays_small():
    head = SHIPPED.read_text().splitlines()[:4]
    assert head == ["# simulated: yes", "# seed: 20", "# position: measured", "# machine: inlay router"]
    assert 20_000 < SHIPPED.stat().st_size < 300_000


def test_one_row_a_report_and_whole_clicks():
    rows, _ = make_log(ROUTER, LADDER, seed=3, tasks=6)
    assert np.allclose(np.diff(rows["time_s"]), ROUTER.link.report_interval_s, atol=1e-9)
    assert rows["detents"].dtype.kind == "i"
    assert set(rows["gain_mm"]) <= {0.02, 0.1, 0.5, 5.0}


@pytest.mark.parametrize("seed", range(5))
def test_every_task_ends_within_its_tolerance(seed):
    rows, truth = make_log(ROUTER, LADDER, seed=seed, tasks=9)
    for task in truth.tasks.itertuples():
        shown = rows.loc[np.isclose(rows["time_s"], task.end_s), "position_mm"].iloc[0]
        assert abs(shown - task.goal_mm) <= task.tolerance_mm / 2 + 0.005 + 1e-9  # the readout rounds to 0.01


def test_without_noise_slack_or_scale_the_position_is_the_count():
    true, none = {"X": 1.0, "Z": 1.0}, {"X": 0.0, "Z": 0.0}
    rows, _ = make_log(ROUTER, LADDER, seed=4, tasks=6, noise_mm=0, scale=true, slack_mm=none)
    for _, on_axis in rows.groupby("axis"):
        moved = on_axis["position_mm"].iloc[-1] - on_axis["position_mm"].iloc[0]
        assert moved == pytest.approx((on_axis["detents"] * on_axis["gain_mm"]).sum(), abs=0.002)


def test_the_axis_is_never_faster_than_its_top_speed():
    rows, truth = make_log(ROUTER, LADDER, seed=5, tasks=12, noise_mm=0)
    for name, on_axis in rows.groupby("axis"):
        step = on_axis.loc[on_axis["time_s"].diff() < 0.041, "position_mm"].diff().abs()
        steps = step[on_axis["time_s"].diff() < 0.041]
        limit = ROUTER.axis(str(name)).top_speed_mm_s * 0.04 * truth.scale[str(name)]
        assert steps.quantile(0.99) <= limit + 0.002


def test_the_stated_quantiles_are_those_of_the_bursts_drawn():
    """Drawn again with numpy alone: the mixture of usual and hurried bursts."""
    person = Person()
    _, truth = make_log(ROUTER, LADDER, seed=6, tasks=1, person=person)
    rng = np.random.default_rng(0)
    usual = np.minimum(12 * np.exp(person.rate_sd * rng.standard_normal(400_000)), 40)
    rates = np.where(rng.uniform(size=400_000) < person.hurried, 40 * rng.uniform(0.6, 1, 400_000), usual)
    assert truth.turn_rate_median == pytest.approx(np.quantile(rates, 0.5), rel=0.005)
    assert truth.turn_rate_p95 == pytest.approx(np.quantile(rates, 0.95), rel=0.02)


def test_other_seeds_give_other_logs_and_the_same_seed_the_same():
    first, again = make_log(ROUTER, LADDER, seed=7, tasks=2)[0], make_log(ROUTER, LADDER, seed=7, tasks=2)[0]
    pd.testing.assert_frame_equal(first, again)
    assert not first.equals(make_log(ROUTER, LADDER, seed=8, tasks=2)[0])
