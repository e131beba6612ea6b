"""Charts of logs: what is drawn is what was measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from jogtune.charts.compare import difference_words, plot_differences, plot_ladders, plot_predicted, plot_times
from jogtune.charts.ink import _new_figure
from jogtune.charts.logs import plot_replay, plot_turn_rates
from jogtune.ladder.ladder import parse_ladder
from jogtune.logs.read import read_log
from jogtune.measure.compare import compare
from jogtune.measure.measure import measure
from jogtune.units import say_number
from places import ROOT

SHIPPED = ROOT / "datasets" / "logs" / "inlay_router_simulated.csv"


@pytest.fixture(scope="module")
def log():
    return read_log(SHIPPED)


@pytest.fixture
def ax():
    return _new_figure().add_subplot()


def words(ax):
    return " ".join(text.get_text() for text in ax.texts)


def test_turn_rates_shows_every_burst_and_says_simulated(ax, log, router):
    found = measure(router, log)
    plot_turn_rates(ax, found)
    dots = [line for line in ax.lines if line.get_marker() == "o"]
    assert sum(len(line.get_xdata()) for line in dots) == found.bursts["turn_rate"].notna().sum()
    assert [label.get_text() for label in ax.get_xticklabels()] == ["0.02 mm", "0.1 mm", "0.5 mm", "5 mm"]
    assert "simulated" in words(ax)


def test_replay_lies_on_the_log(ax, log, router):
    """The model, shifted by the link's delay, within 3 % of the way of what the simulated scale showed."""
    burst = measure(router, log).bursts.sort_values("clicks").iloc[-1]
    plot_replay(ax, log, router, burst["axis"], from_s=burst["start_s"] - 0.2, until_s=burst["settled_s"])
    lines = {line.get_label(): line for line in ax.lines}
    model, seen = lines["replay: the axis by its figures"], lines["recorded position (measured)"]
    there = np.interp(seen.get_xdata(), model.get_xdata(), model.get_ydata())
    way = abs(burst["net"] * burst["gain_mm"])
    assert np.abs(there - seen.get_ydata()).max() < 0.03 * way
    asked = lines["hand: the clicks turned"].get_ydata()
    assert asked[-1] - seen.get_ydata()[0] == pytest.approx(burst["net"] * burst["gain_mm"])


def test_predicted_and_differences(log, router):
    ladders = [parse_ladder(text, router) for text in ("0.02,0.1,0.5,5", "0.02,0.2,2", "1,5")]
    found = compare(router, ladders, [log])
    ax = plot_predicted(_new_figure().add_subplot(), found)
    assert sum(len(line.get_xdata()) for line in ax.lines if line.get_label().startswith("axis")) == len(found.tasks)
    ax = plot_differences(_new_figure().add_subplot(), found)
    assert len(ax.get_yticks()) == 3
    for one in found.differences:
        assert difference_words(one) in words(ax)
        if one.change is not None:
            assert any(line.get_xdata()[0] == pytest.approx(1 + one.change) for line in ax.lines)
    low, high = ax.get_xlim()
    assert (ax.get_xscale(), low * high) == ("log", pytest.approx(1.0)), "twice as long lies as far out as half as long"
    said = [label.get_text() for label in ax.get_xticklabels()]
    assert [round(100 * (tick - 1), 1) for tick in ax.get_xticks()] == pytest.approx([float(text) for text in said], abs=0.06)
    assert "0" in said
    assert "simulated" in words(ax)


def test_ladders_at_a_glance_has_every_rung_of_every_ladder(ax, router):
    ladders = [parse_ladder(text, router) for text in ("0.02,0.1,0.5,5", "0.02,0.2,2", "1,5", "0.05,5")]
    plot_ladders(ax, ladders, unit="mm")
    assert [label.get_text() for label in ax.get_yticklabels()] == ["A", "B", "C", "D"]
    for ladder in ladders:
        for gain in ladder.gains_mm:
            assert say_number(gain) in words(ax).split()


def test_times_shows_expected_and_measured_and_says_simulated(ax, log, router):
    ladders = [parse_ladder(text, router) for text in ("0.02,0.1,0.5,5", "0.02,0.2,2")]
    found = compare(router, ladders, [log])
    plot_times(ax, found)
    drawn = {float(line.get_xdata()[0]) for line in ax.lines if len(line.get_xdata()) == 1}
    assert drawn >= {found.ladders[0].expected_time_s, found.ladders[0].measured.value}
    assert "simulated" in words(ax)
    assert "simulated" not in words(plot_times(_new_figure().add_subplot(), compare(router, ladders)))


def test_a_log_that_numbers_its_rungs_needs_the_ladder(ax, log, router):
    ladder = parse_ladder("0.02,0.1,0.5,5", router)
    gains = [float(gain) for gain in ladder.gains_mm]
    rows = log.rows.assign(rung=[1 + gains.index(gain) for gain in log.rows["gain_mm"]]).drop(columns="gain_mm")
    numbered = replace(log, rows=rows)
    with pytest.raises(ValueError, match="give the ladder"):
        plot_replay(ax, numbered, router)
    ends = [plot_replay(_new_figure().add_subplot(), one, router, ladder=ladder).lines[0].get_ydata()[-1]
            for one in (log, numbered)]  # fmt: skip
    assert ends[0] == pytest.approx(ends[1])


def test_charts_without_a_log_hold_no_marks_but_the_line_of_right_predictions(ax, router):
    found = compare(router, [parse_ladder(text, router) for text in ("0.02,0.1,0.5,5", "0.02,0.2,2")])
    assert len(plot_predicted(ax, found).lines) == 1
    assert [label.get_text() for label in plot_differences(_new_figure().add_subplot(), found).get_yticklabels()] == ["B against A"]
