"""Charts of logs: what is drawn is what was measured."""

from __future__ import annotations

import numpy as np
import pytest

from jogtune.compare import compare
from jogtune.logs.ladder_option import parse_ladder
from jogtune.logs.measure import measure
from jogtune.logs.read import read_log
from jogtune.show.log_plots import plot_differences, plot_predicted, plot_replay, plot_turn_rates
from jogtune.show.plots import new_figure
from places import ROOT

SHIPPED = ROOT / "datasets" / "logs" / "inlay_router_simulated.csv"


@pytest.fixture(scope="module")
def log():
    return read_log(SHIPPED)


@pytest.fixture
def ax():
    return new_figure().add_subplot()


def words(ax):
    return " ".join(text.get_text() for text in ax.texts)


def test_turn_rates_shows_every_burst_and_says_simulated(ax, log, router):
    found = measure(log, router)
    plot_turn_rates(ax, found)
    dots = [line for line in ax.lines if line.get_marker() == "o"]
    assert sum(len(line.get_xdata()) for line in dots) == found.bursts["turn_rate"].notna().sum()
    assert [label.get_text() for label in ax.get_yticklabels()] == ["0.02 mm", "0.1 mm", "0.5 mm", "5 mm"]
    assert "simulated" in words(ax)


def test_replay_lies_on_the_log(ax, log, router):
    """The model, shifted by the link's delay, within 3 % of the way of what the simulated scale showed."""
    burst = measure(log, router).bursts.sort_values("clicks").iloc[-1]
    plot_replay(ax, log, router, burst["axis"], from_s=burst["start_s"] - 0.2, until_s=burst["settled_s"])
    lines = {line.get_label(): line for line in ax.lines}
    model, seen = lines["axis, by the model"], lines["axis, in the log"]
    there = np.interp(seen.get_xdata(), model.get_xdata(), model.get_ydata())
    way = abs(burst["net"] * burst["gain_mm"])
    assert np.abs(there - seen.get_ydata()).max() < 0.03 * way
    asked = lines["asked by the hand"].get_ydata()
    assert asked[-1] == pytest.approx(burst["net"] * burst["gain_mm"])


def test_predicted_and_differences(log, router):
    ladders = [parse_ladder(text, router) for text in ("0.02,0.1,0.5,5", "0.02,0.2,2", "1,5")]
    found = compare(router, ladders, [log])
    ax = plot_predicted(new_figure().add_subplot(), found)
    assert sum(len(line.get_xdata()) for line in ax.lines if line.get_label().startswith("axis")) == len(found.tasks)
    ax = plot_differences(new_figure().add_subplot(), found)
    assert len(ax.get_yticks()) == 3
    assert found.differences[0].verdict in words(ax)


def test_empty_charts_are_charts(log, router):
    ladders = [parse_ladder(text, router) for text in ("0.02,0.1,0.5,5", "0.02,0.2,2")]
    found = compare(router, ladders)
    plot_predicted(new_figure().add_subplot(), found).figure.canvas.draw()
    plot_differences(new_figure().add_subplot(), found).figure.canvas.draw()
