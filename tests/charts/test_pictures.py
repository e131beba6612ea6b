"""The pictures, read back from what is drawn and held against numbers worked out another way; nothing touches or is cut off."""

from __future__ import annotations

import csv
import itertools
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from typing import Any

import matplotlib.text
import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from jogtune.charts.ink import _new_figure
from jogtune.charts.pictures import _PART_STYLES, _THINGS, _apart, _habit_ladders, draw_picture
from jogtune.choose.columns import _Part
from jogtune.choose.suggest import Suggestion, judge, suggest
from jogtune.choose.tasks import _Asked
from jogtune.hand.controls import KnobControl
from jogtune.hand.person import Hand, Motion
from jogtune.ladder.ladder import Ladder
from jogtune.logs.log import Log
from jogtune.logs.read import read_log
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine, Task
from jogtune.measure.classroom import ClassResult, compare_class, read_roster
from places import MACHINES, ROOT

NAMES = ("inlay_router", "slide_stage", "sign_table")
CLASS = ROOT / "datasets" / "logs" / "class_simulated"
A, B = "0.02, 0.1, 0.5, 5 mm", "0.02, 0.2, 2 mm"


@cache
def answer_of(name: str) -> Suggestion:
    return suggest(read_machine(MACHINES / f"{name}.toml"))


def drawn(answer: Suggestion, kind: str, **beside: Any) -> Axes:
    ax = _new_figure(7.8, 5.0).subplots()
    assert answer.plot(ax, kind, **beside) is ax
    return ax


def marked(ax: Axes, *words: str) -> list[Any]:
    """What is drawn by the beginning of its label; what no legend names has one with a _ before it."""
    artists = [*ax.lines, *ax.patches, *ax.collections]
    found = [artist for artist in artists if str(artist.get_label()).lstrip("_").startswith(words)]
    return found + [bar for bars in ax.containers if bars.get_label().lstrip("_").startswith(words) for bar in bars]


def dots_of(ax: Axes) -> list[Any]:
    return [part for part in ax.collections if part.get_label() == "_every ladder"]


def time_s(machine: Machine, ladder: Ladder, task: Task) -> float:
    """By the knob's own estimate, which knows nothing of courses."""
    gains = tuple(dict.fromkeys(ladder.on(machine.axis(task.axis))))
    found = KnobControl(gains_mm=gains).estimate(task, Motion.from_machine(machine, task.axis), Hand.from_machine(machine)).mean_s
    return np.inf if found is None else found


# ------------------------------------------------------------ the race


@pytest.mark.parametrize("name", NAMES)
def test_each_racer_falls_from_the_whole_way_to_the_goal_in_its_expected_time(name: str) -> None:
    answer = answer_of(name)
    machine, ax = answer.machine, drawn(answer, "race")
    task = max((t for t in machine.tasks if t.kind == "goal" and machine.axis(t.axis) in machine.main_axes), key=lambda t: t.distance_mm)
    factor = 25.4 if machine.show_in == "in" else 1.0
    lines = marked(ax, "A: ", "B: ")
    for line, ladder in zip(lines, (answer.ladder, _habit_ladders(machine, answer.ladder)["tenfold"]), strict=True):
        x, y = line.get_data()
        assert (np.diff(x) >= 0).all()
        assert (np.diff(y) <= 0).all()
        assert (x[0], y[0]) == (0.0, pytest.approx(task.distance_mm / factor))
        assert x[-1] == pytest.approx(time_s(machine, ladder, task), rel=1e-9)
        assert y[-1] == pytest.approx(task.half_mm(float(machine.readout.step_mm)) / factor)
        assert f"{x[-1]:.1f} s" in line.get_label()
    assert len({line.get_linestyle() for line in lines}) == len({line.get_marker() for line in lines}) == 2, "told apart in grey"


def test_a_better_ladder_runs_against_ones_own(router: Machine) -> None:
    own = judge(router, "0.02, 0.2, 2")
    labels = [line.get_label() for line in marked(drawn(own, "race"), "A: ", "B: ")]
    assert own.better is not None
    assert [label.split(" mm")[0] for label in labels] == ["A: 0.02, 0.2, 2", f"B: {own.better.say()}".removesuffix(" mm")]
    assert marked(drawn(own, "rungs"), "suggested")[0].get_ydata()[0] < marked(drawn(own, "rungs"), "yours")[0].get_ydata()[0]


def test_a_race_that_cannot_be_is_refused_or_told() -> None:
    answer = answer_of("inlay_router")
    with pytest.raises(ValueError, match="must be one of cross the table, .*raise the tool"):
        drawn(answer, "race", task="touch off on paper")
    coarse = marked(drawn(answer, "race", ladders=["0.02, 0.2, 2", "1, 5"], task="nudge into place"), "A: ", "B: ")
    assert len(coarse[1].get_xdata()) > 0, "as near as it comes"


@cache
def class_logs() -> dict[str, tuple[Log, ...]]:
    runs = {A: ("1_run_1", "2_run_2", "3_run_1"), B: ("1_run_2", "2_run_1", "3_run_2")}
    return {ladder: tuple(read_log(CLASS / f"bench_{run}.csv") for run in some) for ladder, some in runs.items()}


def test_logged_ways_are_those_of_the_files() -> None:
    ax = drawn(answer_of("inlay_router"), "race", logs=class_logs())
    expected, logged = ax.child_axes
    seen = [(file.stem, table) for ladder in ("13", "2") for file in sorted(CLASS.glob("bench_[123]_run_[12].csv"))
            if (table := pd.read_csv(file, comment="#")) is not None and ladder]  # fmt: skip
    ways = {}
    for stem, table in dict(seen).items():
        goals = table.loc[table["goal_mm"].notna() & (table["axis"] == "X")]
        for (goal, _), rows in goals.groupby(["goal_mm", "tolerance_mm"], sort=False):
            far = abs(goal - rows["position_mm"].iloc[0])
            if 160 <= far <= 1000:
                ways[stem, goal] = (far, rows)
    lines = marked(logged, "a way")
    assert 3 <= len(lines) <= len(ways)
    for line in lines:
        x, y = line.get_data()
        fits = [100 * np.abs(goal - rows["position_mm"].to_numpy()[: len(y)]) / far for (_, goal), (far, rows) in ways.items() if len(rows) >= len(y)]
        floor = y.min()
        assert any(np.allclose(np.maximum(fit, floor), y, rtol=0.02, atol=0.02) for fit in fits)
        assert x[0] == 0.0
    for median, own in zip(marked(logged, "A: ", "B: "), (0, 1), strict=True):
        mine = [line for line in lines if line.get_color() == median.get_color()]
        at, value = 60, median.get_ydata()[60]
        assert median.get_xdata()[at] == pytest.approx(3.0)
        assert value == pytest.approx(np.median([np.interp(3.0, *line.get_data()) for line in mine])), own
    assert expected.get_xlim() == logged.get_xlim()
    assert expected.get_ylim() == logged.get_ylim()
    assert any(text.get_gid() == "simulated" for text in logged.texts)
    assert "% of the way" in expected.get_ylabel()


def test_logs_without_such_a_goal_say_so() -> None:
    ax = drawn(answer_of("inlay_router"), "race", logs={A: [], B: []})
    assert "no such goal" in ax.child_axes[1].texts[0].get_text()


# ------------------------------------------------------------ where the time goes


@pytest.mark.parametrize("name", NAMES)
def test_the_bars_of_a_task_are_all_of_its_time(name: str) -> None:
    answer = answer_of(name)
    ax = drawn(answer, "parts")
    assert answer.search is not None
    heads = [(text.get_position()[1], text.get_text().strip()) for text in ax.texts]
    for n, (task, estimate) in enumerate(zip(answer.search.mix.tasks, answer.search.tasks, strict=True)):
        below = heads[n][0], heads[n + 1][0] if n + 1 < len(heads) else np.inf
        bars = [bar for part in _PART_STYLES for bar in marked(ax, part) if below[0] < bar.get_y() + 0.4 < below[1]]
        assert sum(bar.get_width() for bar in bars) == pytest.approx(estimate.mean_s, rel=1e-9)
        assert heads[n][1] == f"{task.name}: {estimate.mean_s:.1f} s"
        ends = sorted((bar.get_x(), bar.get_x() + bar.get_width()) for bar in bars)
        assert all(a[1] == pytest.approx(b[0]) for a, b in itertools.pairwise(ends)), "one after the other, without a gap"
        reach = [bar.get_width() for bar in marked(ax, "way to the knob") if below[0] < bar.get_y() + 0.4 < below[1]]
        assert reach == [pytest.approx(answer.search.mix.hand.start_s)]


def test_parts_are_told_apart_without_colour() -> None:
    ax = drawn(answer_of("inlay_router"), "parts")
    looks = {(bar.get_hatch(), round(float(np.dot(bar.get_facecolor()[:3], (0.299, 0.587, 0.114))), 1)) for bar in ax.patches}
    assert len(looks) == len(_PART_STYLES)


# ------------------------------------------------------------ every ladder


@pytest.mark.parametrize("name", NAMES)
def test_every_ladder_is_a_dot_at_its_time(name: str) -> None:
    answer = answer_of(name)
    assert answer.search is not None
    ax = drawn(answer, "rungs")
    dots = np.concatenate([np.asarray(part.get_offsets()) for part in dots_of(ax)])
    counts = np.rint(dots[:, 0]).astype(int)
    assert np.abs(dots[:, 0] - counts).max() <= 0.351
    for point in answer.search.curve:
        here = dots[counts == len(point.ladder.multipliers), 1]
        if len(here):
            assert here.min() == pytest.approx(point.time_s, rel=1e-5), "the lowest is the best of so many"
    times = np.asarray(answer.search.every[1])  # type: ignore[index]
    assert len(dots) == np.isfinite(times).sum() > 1000
    assert len(dots) <= answer.search.searched
    band = marked(ax, "within")[0]
    assert band.get_y() == pytest.approx(answer.search.best.time_s, rel=1e-5)
    assert band.get_height() == pytest.approx(0.05 * answer.search.best.time_s, rel=1e-4)


def test_a_dot_of_two_columns_is_a_table_of_both(stage: Machine) -> None:
    """Ladders of the straight axes, each timed task by task, beside the best that the turntable has with so many rungs or fewer."""
    dots = np.concatenate([np.asarray(part.get_offsets()) for part in dots_of(drawn(answer_of("slide_stage"), "rungs"))])
    straight, turning = (_Part.of(part, asked, 2).free for part, asked in zip(stage.columns, (_Asked(), _Asked().of_another), strict=True))
    weights = {task.name: task.weight / sum(one.weight for one in stage.tasks) for task in stage.tasks}
    for count in (2, 3, 4):
        few = turning.field.total_s[turning.field.rungs <= count].min()
        beside = few * sum(weights[task.name] for task in stage.tasks if task.axis == "A")
        for place in np.flatnonzero((straight.field.rungs == count) & np.isfinite(straight.field.total_s))[5::200][:6]:
            ladder = straight._made(place)
            time = beside + sum(weights[task.name] * time_s(stage, ladder, task) for task in stage.tasks if task.axis != "A")
            assert np.abs(dots[np.rint(dots[:, 0]) == count, 1] / time - 1).min() < 1e-4


@pytest.mark.parametrize("name", NAMES)
def test_named_ladders_stand_at_their_times(name: str) -> None:
    answer = answer_of(name)
    ax = drawn(answer, "rungs")
    weights = np.array([task.weight for task in answer.machine.tasks])
    for kind, ladder in {"suggested": answer.ladder, **_habit_ladders(answer.machine, answer.ladder)}.items():
        (mark,) = marked(ax, kind)
        times = [time_s(answer.machine, ladder, task) for task in answer.machine.tasks]
        assert mark.get_xdata()[0] == len(ladder.multipliers)
        assert mark.get_ydata()[0] == pytest.approx(float(weights @ times / weights.sum()), rel=1e-9)
    assert len({mark.get_marker() for mark in marked(ax, "suggested", "tenfold", "1-2-5")}) == 3


def test_habits_begin_with_the_finest_and_end_where_the_axis_does(router: Machine, sign: Machine) -> None:
    habits = _habit_ladders(router, Ladder.parse("0.02, 0.1, 0.5, 2, 8"))
    assert {name: ladder.say() for name, ladder in habits.items()} == {"tenfold": "0.02, 0.2, 2 mm", "1-2-5": "0.02, 0.05, 0.1, 0.2, 0.5, 1 mm"}
    assert _habit_ladders(sign, Ladder.parse("0.001, 0.5", "in"))["tenfold"].say() == "0.001, 0.01, 0.1 in"
    assert _habit_ladders(router, Ladder.parse("0.0125, 1"))["1-2-5"].say() == "0.0125, 0.02, 0.05, 0.1, 0.2, 0.5 mm"


# ------------------------------------------------------------ small things


@pytest.mark.parametrize("name", NAMES)
def test_lengths_lie_where_the_scale_says(name: str) -> None:
    answer = answer_of(name)
    machine, ax = answer.machine, drawn(answer, "ruler")
    factor = 25.4 if machine.show_in == "in" else 1.0
    assert ax.get_yscale() == "log"
    spans = {line.get_label(): tuple(line.get_ydata() * factor) for line in ax.lines if line.get_label()[0] != "_"}
    clicks = [spans[gid][0] for gid in sorted(gid for gid in spans if gid[0].isdigit())]
    assert clicks == pytest.approx([float(gain) for gain in answer.ladder.gains_mm])
    with (ROOT / "datasets" / "reference" / "small_things.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            assert spans[f"{row['thing']}*"] == pytest.approx((float(row["low_mm"]), float(row["high_mm"])))
            assert row["source"].startswith("common practice, no source"), "hence the star"
    for axis in machine.main_axes:
        step, slack = (next(span[0] for gid, span in spans.items() if gid.startswith(what) and axis.name in gid.removeprefix(what))
                       for what in ("motor step", "slack"))  # fmt: skip
        assert (step, slack) == pytest.approx((float(1 / axis.steps_per_mm), axis.slack_mm))
    assert next(span[0] for gid, span in spans.items() if gid.startswith("last digit")) == pytest.approx(float(machine.readout.step_mm))
    assert "* common practice, no source" in ax.get_xlabel()


def test_a_slack_that_is_not_known_is_not_drawn(router: Machine) -> None:
    bare = suggest(steps_per_mm="80 per mm", top_speed="6000 mm/min", finest="0.02 mm", by="coverage")
    gids = [line.get_label() for line in drawn(bare, "ruler").lines]
    assert not any(gid.startswith("slack") for gid in gids)
    assert any(gid.startswith("motor step") for gid in gids)


def test_the_table_of_small_things_is_the_one_drawn() -> None:
    with (ROOT / "datasets" / "reference" / "small_things.csv").open(encoding="utf-8") as file:
        rows = {row["thing"]: (float(row["low_mm"]), float(row["high_mm"])) for row in csv.DictReader(file)}
    assert rows == dict(_THINGS)


def test_places_move_apart_as_little_as_may_be() -> None:
    rng = np.random.default_rng(7)
    for count in (1, 2, 9, 40):
        places = np.sort(rng.random(count))
        moved = _apart(places, 0.05)
        assert (np.diff(moved) >= min(0.05, 1 / count) - 1e-9).all()
        assert 0 <= moved.min() <= moved.max() <= 1
    assert _apart(np.array([0.2, 0.5, 0.9]), 0.05) == pytest.approx([0.2, 0.5, 0.9])
    assert _apart(np.array([0.5, 0.5]), 0.1) == pytest.approx([0.45, 0.55])


# ------------------------------------------------------------ a class


@cache
def klass() -> ClassResult:
    machine = read_machine(MACHINES / "inlay_router.toml")
    return compare_class(machine, CLASS, read_roster(machine, CLASS / "roster.csv"))


def test_each_person_is_a_slope_and_the_mean_has_its_interval() -> None:
    found, ax = klass(), _new_figure(3.9, 4.4).subplots()
    assert found.plot(ax, "people") is ax
    slopes = sorted(tuple(line.get_ydata()) for line in marked(ax, "a person", "faster", "no faster"))
    means = found.tasks.groupby(["person", "ladder_label"])["time_s"].mean().unstack()[[A, B]]
    assert len(slopes) == len(means) == 8
    assert np.array(slopes) == pytest.approx(np.array(sorted(map(tuple, means.to_numpy()))))
    for line in marked(ax, "a person", "faster", "no faster"):
        first, second = line.get_ydata()
        assert line.get_linestyle() == ("-" if second < first else "--"), "told apart in grey"
    (mean,), (interval,), one = marked(ax, "all:"), marked(ax, "interval"), found.differences[0]
    start = float(np.exp(np.log(means[A]).mean()))
    assert mean.get_ydata() == pytest.approx([start, start * (1 + one.change)])
    assert interval.get_ydata() == pytest.approx([start * (1 + one.low), start * (1 + one.high)])
    assert any(text.get_gid() == "simulated" for text in ax.texts)


def test_who_did_one_ladder_only_is_no_slope() -> None:
    found = klass()
    people = found.people.loc[~((found.people["person"] == "simulated bench 3") & (found.people["ladder_label"] == A))]
    ax = replace(found, people=people).plot(_new_figure().subplots(), "people")
    assert len(marked(ax, "a person", "faster", "no faster")) == 7
    hidden = replace(found, differences=(replace(found.differences[0], change=None, low=None, high=None),))
    assert marked(hidden.plot(_new_figure().subplots(), "people"), "all:") == []
    with pytest.raises(ValueError, match="one ladder"):
        replace(found, differences=()).plot(_new_figure().subplots(), "people")


# ------------------------------------------------------------ readable


def figures(width: float) -> Iterator[tuple[str, Figure]]:
    for name, kind in itertools.product(NAMES, ("race", "parts", "rungs", "ruler")):
        yield f"{kind} {name}", draw_picture(answer_of(name), kind, width_in=width)
    height = 4.4 if width > 6 else 7.0
    people, race = _new_figure(width, 4.4), _new_figure(width, height)
    klass().plot(people.subplots(), "people")
    yield "people", people
    answer_of("inlay_router").plot(race.subplots(), "race", logs=class_logs())
    yield "race with logs", race


@pytest.mark.parametrize("width", [7.8, 3.9])
def test_nothing_touches_or_is_cut_off_and_text_is_large_enough(width: float) -> None:
    least = {7.8: 9 * 7.8 * 72 / 700, 3.9: 9 * 3.9 * 72 / 340}[width] - 0.05  # pt that are 9 px on a page 700 and 340 px wide
    for name, figure in figures(width):
        figure.draw_without_rendering()
        beyond = {label for ax in figure.findobj(Axes) for label in labels_beyond(ax)}
        texts = [text for text in figure.findobj(matplotlib.text.Text) if text.get_text().strip() and text.get_visible()]
        texts = [text for text in texts if text not in beyond and (not text.axes or text.axes.axison)]
        boxes = [(text.get_text(), text.get_window_extent()) for text in texts]
        for text, (said, box) in zip(texts, boxes, strict=True):
            assert text.get_fontsize() >= min(least, 8.0), (name, said)
            assert inside(figure, box), (name, said)
        for (one, a), (other, b) in itertools.combinations(boxes, 2):
            assert not (a.x0 < b.x1 - 1 and b.x0 < a.x1 - 1 and a.y0 < b.y1 - 1 and b.y0 < a.y1 - 1), (name, one, other)


def labels_beyond(ax: Axes) -> Iterator[Any]:
    """Numbers of ticks that lie beyond the limits, which are there and not drawn."""
    for axis in (ax.xaxis, ax.yaxis):
        low, high = sorted(axis.get_view_interval())
        yield from (tick.label1 for tick in axis.get_major_ticks() if not low * (1 - 1e-9) <= tick.get_loc() <= high * (1 + 1e-9))


def inside(figure: Figure, box: Any) -> bool:
    return box.x0 >= -1 and box.x1 <= figure.bbox.width + 1 and box.y0 >= -1 and box.y1 <= figure.bbox.height + 1
