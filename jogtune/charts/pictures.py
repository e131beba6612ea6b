"""Race, parts, rungs, ruler."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..choose.cover import coarsest_wish
from ..choose.suggest import Suggestion
from ..choose.tasks import _Mix, make_mix
from ..hand.parts import Course, find_course
from ..hand.person import Motion
from ..hand.touch import _PAPER_MM
from ..ladder.ladder import Ladder, as_ladder
from ..logs.log import Log
from ..machine.model import Machine, Task
from ..measure.measure import measure
from ..units import UNIT_FACTORS, from_unit, in_unit, plain_values, say_distance, say_number
from ..words.say import counted, letter
from .ink import (
    _COLOURS,
    _FAINT,
    _INK,
    _MARKS,
    _ON_WHITE,
    _draw_grid,
    _even_ticks,
    _folded,
    _mark_simulated,
    _name_below,
    _new_figure,
    _nth_colour,
    _nth_line,
    _nth_mark,
    _plain_ticks,
    named,
)

_SMALL, _LEAST_SHARE, _ALIKE = 8, 0.01, 2.5
_HAIR_MM = (0.05, 0.10)  # common practice, no source
_THINGS = (("a hair", _HAIR_MM), ("copy paper", _PAPER_MM))
"""What people know the size of [mm]: the rows of datasets/reference/small_things.csv; both common practice, no source."""


def _height_in(ax: Axes) -> float:
    """How high the axes are drawn, about [in]."""
    return float(ax.bbox.height / ax.figure.dpi)


def _below(ax: Axes) -> float:
    """The share of the axes' height that an axis' numbers and name take below it."""
    return 34 / 72 / _height_in(ax)


def _mix_of(answer: Suggestion) -> _Mix:
    return answer.search.mix if answer.search else make_mix(answer.machine, answer.ladder)


def _clicks_of(machine: Machine, ladder: Ladder, task: Task) -> tuple[float, ...]:
    """The distances per click that a task's axis has [mm]."""
    return tuple(float(gain) for gain in dict.fromkeys(ladder.on(machine.axis(task.axis))))


def _courses(answer: Suggestion, ladder: Ladder) -> list[Course | None]:
    mix = _mix_of(answer)
    return [find_course(_clicks_of(answer.machine, ladder, task), task, motion, mix.hand)
            for task, motion in zip(mix.tasks, mix.motions, strict=True)]  # fmt: skip


def _habit_ladders(machine: Machine, ladder: Ladder) -> dict[str, Ladder]:
    """What people set by habit, from a ladder's finest click up to what an axis follows: tenfold, and 1-2-5."""
    finest, most = ladder.gains_mm[0], Fraction(coarsest_wish(machine))
    unit, room = ladder.show_in, machine.selector.positions
    tenfold = [finest * 10**n for n in range(room) if not n or finest * 10**n <= most]
    plain = [from_unit(number, unit) for number in plain_values(in_unit(finest, unit), in_unit(max(most, finest), unit))]
    finer = [finest, *(gain for gain in plain if gain > finest)][:room]
    return {"tenfold": Ladder.from_gains(tenfold, show_in=unit), "1-2-5": Ladder.from_gains(finer, show_in=unit)}


def plot_parts(ax: Axes, answer: Suggestion) -> Axes:
    """Where the time of each task goes: a row per rung that it is done on, one after the other, and in it the hand's way to the
    knob, looking, turning, settling and switching [s]. A row's parts are expected times; a task's rows are all of its time."""
    place, ticks = 0.0, list[tuple[float, str]]()
    mix, machine = _mix_of(answer), answer.machine
    for task, course in zip(mix.tasks, _courses(answer, answer.ladder), strict=True):
        told = "can't be done" if course is None else f"{course.mean_s:.1f} s"
        ax.text(0.0, place, f" {named(task.name)}: {told}", fontsize=_SMALL, color=_INK, va="center", weight="bold")
        if course is not None:
            unit = machine.shown_unit(machine.axis(task.axis))
            for name, parts in _part_rows(course, _clicks_of(machine, answer.ladder, task), unit):
                place += 1
                ticks.append((place, name))
                _draw_parts(ax, place, parts)
        place += 1.3
    ax.set_yticks([at for at, _ in ticks], [name for _, name in ticks], fontsize=_SMALL)
    ax.set(ylim=(place - 0.5, -1.0), xlabel="expected time (s)", ylabel="a click")
    ax.set_xlim(left=0.0)
    _name_below(ax, _below(ax), columns=3 if ax.bbox.width > 3.5 * ax.figure.dpi else 2, handles=_part_keys())
    _draw_grid(ax, "x")
    return ax


_PART_STYLES: Mapping[str, Mapping[str, Any]] = {
    "way to the knob": {"color": "white", "hatch": ""}, "switch": {"color": "#f3f3f3", "hatch": "xxxx"},
    "look or feel": {"color": _COLOURS[5], "hatch": ""}, "turn": {"color": _COLOURS[0], "hatch": ""},
    "settle": {"color": _COLOURS[4], "hatch": "////"},
}  # fmt: skip
"""How each part is drawn, in the order of a rung's time; told apart without colour too."""


def _part_rows(course: Course, gains_mm: Sequence[float], unit: str) -> Iterator[tuple[str, Any]]:
    """Each rung in the order of use, with begin and times of its parts [s]; rungs that hardly serve are one row."""
    by_rung = np.hstack([np.zeros((len(gains_mm), 1)), np.roll(course.by_rung_s, 1, axis=1)])
    whole = by_rung.sum(axis=1)
    order = [r for r in np.argsort(-_farthest(course), kind="stable") if whole[r] >= _LEAST_SHARE * course.mean_s]
    by_rung[order[0], 0] = course.start_s
    rows = [(say_distance(gains_mm[r], unit), by_rung[r]) for r in order]
    rest = np.delete(by_rung, order, axis=0).sum(axis=0)
    begin = 0.0
    for name, parts in [*rows, *([("others", rest)] if rest.any() else [])]:
        yield name, np.append(begin, parts)
        begin += parts.sum()


def _farthest(course: Course) -> Any:
    """How far there is to go on average while each rung is in hand, in bins."""
    spent = course.spent_s.sum(axis=2)
    return np.arange(len(spent)) @ spent / np.maximum(spent.sum(axis=0), 1e-12) + 1e-6 * np.arange(spent.shape[1])


def _draw_parts(ax: Axes, place: float, row: Any) -> None:
    ends = np.cumsum(row)
    for (name, style), left, width in zip(_PART_STYLES.items(), ends[:-1], row[1:], strict=True):
        if width > 0:
            ax.barh(place, width, left=left, height=0.8, edgecolor=_INK, lw=0.5, label="_" + name, zorder=2, **style)


def _part_keys() -> list[Any]:
    from matplotlib.patches import Patch

    return [Patch(label=name, edgecolor=_INK, lw=0.5, facecolor=style["color"], hatch=style["hatch"])
            for name, style in _PART_STYLES.items()]  # fmt: skip


def plot_rungs(ax: Axes, answer: Suggestion) -> Axes:
    """Expected time against the number of rungs: a faint dot for every ladder that does the tasks, a band where they are near the
    best, and by name the ladder itself, a better one, and those that people set by habit. Of a machine that is searched column by
    column a dot is a column's ladder, beside the best of the others."""
    search = answer.search
    if search is None or search.every is None:
        raise ValueError("plot: a ladder ranked by coverage has no times; suggest it by time")
    rungs, times = (some[np.isfinite(search.every[1])] for some in search.every)
    aside = 0.7 * ((np.arange(len(rungs)) * 0.618034) % 1 - 0.5)  # evenly apart, so that dots don't hide each other
    for count in np.unique(rungs):
        here = rungs == count
        ax.scatter(count + aside[here], times[here], s=2.5, color=_FAINT, alpha=float(np.clip(400 / here.sum(), 0.08, 0.6)), lw=0,
                   rasterized=True, zorder=1, label="_every ladder")  # fmt: skip
    ax.plot([], [], ".", color=_FAINT, label=f"every ladder: {len(rungs):,}")
    shown = sorted({*rungs.tolist(), len(answer.ladder.multipliers)})
    best = min(search.best.time_s, float(times[rungs <= answer.machine.selector.positions].min(initial=np.inf)))
    share = 100 * search.near_share
    ax.axhspan(best, best * (1 + search.near_share), color=_COLOURS[2], alpha=0.3, lw=0, zorder=1.5,
               label=f"within {share:g} % of the fastest")  # fmt: skip
    for index, (name, ladder, time) in enumerate(_marked(answer)):
        label = f"{name}: {ladder.say(own=False)}, " + (f"{time:.1f} s" if np.isfinite(time) else "can't do every task")
        ax.plot([len(ladder.multipliers)], [time], ls="", marker=(*_MARKS, "v")[index], ms=8, mec=_INK, mew=1.2, zorder=3,
                color=_nth_colour(index + 1), label=_folded(ax, label))  # fmt: skip
        shown = sorted({*shown, len(ladder.multipliers)})
    ax.set(yscale="log", xticks=shown, xlabel="rungs", ylabel="expected time of a task (s)")
    _even_ticks(ax)
    _draw_grid(ax, "y")
    _name_below(ax, _below(ax), columns=1)
    return ax


def _marked(answer: Suggestion) -> Iterator[tuple[str, Ladder, float]]:
    """Ladders to be named, with their mean times [s]; endless where they can't do every task."""
    judged = bool(answer.verdict)
    own = {"yours" if judged else "suggested": answer.ladder}
    better = {"suggested": answer.better} if judged and answer.better not in (None, answer.ladder) else {}
    for name, ladder in (own | better | _habit_ladders(answer.machine, answer.ladder)).items():
        assert ladder is not None
        times = [np.inf if course is None else course.mean_s for course in _courses(answer, ladder)]
        yield name, ladder, float(_mix_of(answer).weights @ np.array(times))


def plot_ruler(ax: Axes, answer: Suggestion) -> Axes:
    """One click of each rung on a scale from fine to coarse, beside things people know, and the machine's own small figures: the
    motor's step, the slack, the last digit of the readout. Of the axes that are read in the machine's unit."""
    machine, unit = answer.machine, answer.machine.show_in
    gains = enumerate(map(float, answer.ladder.gains_mm), start=1)
    clicks = [(f"{n}: {_in_words(gain, unit)}", (gain, gain)) for n, gain in gains]
    things = list(_small_things(machine))
    every = [end / float(UNIT_FACTORS[unit]) for _, span in (*clicks, *things) for end in span]
    wide = max(1.0, ax.bbox.width / ax.figure.dpi / 3.0)
    ax.set(yscale="log", xlim=(0, wide), ylim=(min(every) / 1.6, max(every) * 1.6), xticks=[])
    ax.spines[["top", "right"]].set_visible(False)
    for x, head, column, index in ((0.03, "one click", clicks, 1), (0.36, "beside it", things, 0)):
        ax.text(x, 1.02, f"{head} ({unit})", transform=ax.get_xaxis_transform(), fontsize=_SMALL + 0.5, color=_INK)
        _draw_column(ax, x, column, index, float(UNIT_FACTORS[unit]))
    if unit != "deg":
        ax.set_xlabel("* common practice, no source", fontsize=_SMALL)
    _plain_ticks(ax)
    _draw_grid(ax, "y")
    return ax


def _in_words(length_mm: float, unit: str) -> str:
    return say_number(length_mm / float(UNIT_FACTORS[unit]), digits=3)


def _small_things(machine: Machine) -> Iterator[tuple[str, tuple[float, float]]]:
    """What clicks are held beside, from and to [mm or degrees]; a figure that axes share stands once, and only what is known."""
    unit, step = machine.show_in, float(machine.readout.step_mm)
    if unit != "deg":
        yield from ((f"{name}*", span) for name, span in _THINGS)
    yield f"last digit shown {_in_words(step, unit)}", (step, step)
    for name, field in (("motor step", "step_mm"), ("slack", "slack_mm")):
        axes: dict[float, list[str]] = {}
        for axis in machine.main_axes:
            if getattr(axis, field) > 0 and (field == "step_mm" or machine.knows(axis.name, field)):
                axes.setdefault(float(getattr(axis, field)), []).append(axis.name)
        for size, names in axes.items():
            yield f"{name} {named(', '.join(names), 10)} {_in_words(size, unit)}", (size, size)


_BAR: Mapping[str, Any] = {"lw": 6, "solid_capstyle": "butt"}


def _draw_column(ax: Axes, x: float, column: Sequence[tuple[str, tuple[float, float]]], index: int, factor: float) -> None:
    """Marks where lengths lie, spans beside each other, and their names, moved apart as far as they need."""
    column = sorted(column, key=lambda one: one[1][0] * one[1][1])
    ends = np.array([span for _, span in column]) / factor
    middles, (low, high) = np.sqrt(ends[:, 0] * ends[:, 1]), np.log(ax.get_ylim())
    heights = _apart((np.log(middles) - low) / (high - low), 1.35 * _SMALL / 72 / _height_in(ax))
    lanes = iter((x + 0.03, x + 0.06) * len(column))
    for (name, _), span, middle, height in zip(column, ends, middles, heights, strict=True):
        style, lane = ({"marker": _nth_mark(index)}, x) if span[0] == span[1] else (_BAR, next(lanes))
        ax.plot([lane, lane], span, color=_nth_colour(index), ms=6, label=name, zorder=3, **style)
        at = np.exp(low + height * (high - low))
        ax.plot([lane + 0.015, x + 0.1], [middle, at], color=_FAINT, lw=0.7, zorder=2)
        ax.text(x + 0.11, at, name, fontsize=_SMALL, va="center", color=_INK, zorder=4, bbox=_ON_WHITE)


def _apart(places: Any, gap: float) -> Any:
    """Places that rise, moved as little as may be until each is `gap` above the last and all lie within 0 and 1; closer where
    there is no room."""
    from scipy.optimize import isotonic_regression

    gap = min(gap, 1 / max(len(places), 1))
    steps = gap * np.arange(len(places))
    found = isotonic_regression(np.asarray(places) - steps).x
    return np.clip(found, gap / 2, 1 - gap / 2 - steps[-1]) + steps


def plot_race(
    ax: Axes, answer: Suggestion, *, ladders: Sequence[Ladder | str] = (), task: str | None = None,
    logs: Mapping[Ladder | str, Sequence[Log]] | None = None,
) -> Axes:  # fmt: skip
    """Two ladders to the same goal: the expected time until no more than each distance is left to go.

    `ladders`: the two; else the suggestion's own against the better one, or against the habit of tenfold clicks. `task` names the
    goal (default: the farthest). `logs`, by ladder, show beside it how people went to such goals: those on its axis whose way is at
    most 2.5 times longer or shorter. Goals of logs are not all as far, so that all is in percent of the way then."""
    machine, mix = answer.machine, _mix_of(answer)
    racers = [as_ladder(one, machine) for one in (logs or ladders or _rivals(answer))][:2]
    goals = {one.name: one for one in mix.tasks if one.kind == "goal" and machine.axis(one.axis) in machine.main_axes}
    if not goals or task not in (None, *goals):
        raise ValueError(f"plot: task = {task!r}: must be one of {', '.join(goals) or 'none'}, with a goal by eye or readout")
    the = goals[task] if task else max(goals.values(), key=lambda one: one.distance_mm)
    if logs is None:
        unit = machine.shown_unit(machine.axis(the.axis))
        _draw_race(ax, answer, the, racers, float(UNIT_FACTORS[unit]), unit)
        return ax
    ways = [list(_ways(machine, the, ladder, some)) for ladder, some in zip(racers, logs.values(), strict=False)]
    if found := [way for some in ways for way in some]:
        distance, tolerance = (float(np.median([getattr(way, name) for way in found])) for name in ("distance_mm", "tolerance_mm"))
        the = replace(the, distance_mm=distance, tolerance_mm=tolerance, cue="eye")
    expected, logged = _two_of(ax)
    _draw_race(expected, answer, the, racers, the.distance_mm / 100, "% of the way")
    _draw_ways(logged, ways, 50 * the.tolerance_mm / the.distance_mm)
    end = max(expected.get_xlim()[1], logged.get_xlim()[1])
    expected.set_xlim(0.0, end)
    logged.set(yscale="log", ylim=expected.get_ylim(), xlim=(0.0, end))
    _plain_ticks(logged)
    _draw_grid(logged)
    _mark_simulated(logged, any(log.simulated for some in logs.values() for log in some))
    return ax


def _rivals(answer: Suggestion) -> list[Ladder]:
    others = [answer.better, *_habit_ladders(answer.machine, answer.ladder).values()]
    return [answer.ladder, *(one for one in others if one is not None and one.gains_mm != answer.ladder.gains_mm)]


def _draw_race(ax: Axes, answer: Suggestion, task: Task, racers: Sequence[Ladder], scale_mm: float, unit: str) -> None:
    machine, hand = answer.machine, _mix_of(answer).hand
    motion = Motion.from_machine(machine, task.axis)
    half, far = task.half_mm(motion.readout_step_mm), task.distance_mm
    ax.axhspan(half / scale_mm / 2, half / scale_mm, color=_COLOURS[2], alpha=0.18, lw=0, zorder=0)
    for index, ladder in enumerate(racers):
        course = find_course(_clicks_of(machine, ladder, task), task, motion, hand)
        told = "can't be done" if course is None else f"{course.mean_s:.1f} s"
        x, y = (np.empty(0), np.empty(0)) if course is None else _falling(course, far)
        ax.plot(x, y / scale_mm, **_racer(index), markevery=[-1],
                label=_folded(ax, f"{letter(index)}: {ladder.say(own=False)}, {told}"))  # fmt: skip
    unit_mm = machine.shown_unit(machine.axis(task.axis))
    goal = f"{say_distance(far, unit_mm, digits=2)} to within ±{say_distance(half, unit_mm, digits=2)}"
    ax.set_title(f"expected: {goal}", fontsize=_SMALL + 1)
    ax.set(yscale="log", xlabel="time (s)", ylabel=f"still to go, at rest ({unit})")
    ax.set(ylim=(half / scale_mm / 2, 1.5 * far / scale_mm), xlim=(0.0, None))
    _plain_ticks(ax)
    _draw_grid(ax)
    _name_below(ax, _below(ax), columns=1)


def _falling(course: Course, far_mm: float) -> tuple[Any, Any]:
    """Expected times, and what is left to go then [mm]: all of the way until the first move ends."""
    nearer = course.edges_mm < far_mm * (1 - course.vary) * (1 - 1e-9)
    times, edges = course.until_s[nearer][::-1], course.edges_mm[nearer][::-1]
    return np.concatenate([[0.0, *times[:1]], times]), np.concatenate([[far_mm, far_mm][: 1 + len(times[:1])], edges])


def _racer(index: int) -> dict[str, Any]:
    return {"color": _nth_colour(index), "ls": _nth_line(index), "marker": _nth_mark(index), "ms": 7, "lw": 2.2}


@dataclass(frozen=True, kw_only=True)
class _Way:
    """One task of a log: time since its goal showed, and how far off the goal the axis was."""

    distance_mm: float
    tolerance_mm: float
    time_s: Any
    left_mm: Any


def _ways(machine: Machine, task: Task, ladder: Ladder, logs: Sequence[Log]) -> Iterator[_Way]:
    """What logs show of goals on a task's axis that are about as far, once each was met."""
    for log in logs:
        tasks = measure(machine, log, ladder=ladder).tasks_to_fit
        like = tasks["distance_mm"].between(task.distance_mm / _ALIKE, task.distance_mm * _ALIKE) & (tasks["axis"] == task.axis)
        rows = log.rows.loc[(log.rows["axis"] == task.axis) & log.rows["position_mm"].notna()] if like.any() else log.rows[:0]
        for _, one in tasks.loc[like].iterrows():
            mine = rows.loc[rows["time_s"].between(one["began_s"], one["began_s"] + one["time_s"])]
            if len(mine):
                left = (mine["goal_mm"].iloc[0] - mine["position_mm"]).abs().to_numpy(float)
                yield _Way(distance_mm=one["distance_mm"], tolerance_mm=one["tolerance_mm"],
                           time_s=mine["time_s"].to_numpy(float) - one["began_s"], left_mm=left)  # fmt: skip


def _draw_ways(ax: Axes, ways: Sequence[Sequence[_Way]], half_share: float) -> None:
    """Each logged way thin, and the median of each ladder's, marked where it is there; who is there stays where they ended."""
    for index, some in enumerate(ways):
        shares = [np.maximum(100 * way.left_mm / way.distance_mm, half_share / 2) for way in some]
        for way, share in zip(some, shares, strict=True):
            ax.plot(way.time_s, share, color=_nth_colour(index), ls=_nth_line(index), lw=0.6, alpha=0.5, label="_a way")
        if some:
            time = np.arange(0.0, max(way.time_s[-1] for way in some), 0.05)
            median = np.median([np.interp(time, way.time_s, share) for way, share in zip(some, shares, strict=True)], axis=0)
            there = np.flatnonzero(median <= half_share)[:1]
            ax.plot(time, median, **_racer(index), markevery=there.tolist(),
                    label=f"{letter(index)}: median of {counted(len(some), 'goal')}")  # fmt: skip
    if any(ways):
        _name_below(ax, _below(ax), columns=1)
    else:
        ax.text(0.5, 0.5, "no such goal in the logs", transform=ax.transAxes, ha="center", fontsize=_SMALL + 1)
    ax.set_title("logged: goals about as far", fontsize=_SMALL + 1, loc="left")
    ax.set(xlabel="time since the goal showed (s)", ylabel="still to go (% of the way)")


def _two_of(ax: Axes) -> tuple[Axes, Axes]:
    """Two axes in the place of one, side by side, or below each other where that would be narrow."""
    ax.axis("off")
    if ax.bbox.width < 4.5 * ax.figure.dpi:
        return ax.inset_axes((0.0, 0.68, 1.0, 0.32)), ax.inset_axes((0.0, 0.1, 1.0, 0.32))
    return ax.inset_axes((0.0, 0.12, 0.44, 0.88)), ax.inset_axes((0.56, 0.12, 0.44, 0.88))


_HEIGHTS = {"race": (4.0, 4.0), "rungs": (4.8, 4.6), "ruler": (5.0, 5.0)}
"""Kind of picture -> its height, wide and narrow [in]; where time goes is as high as it has rows."""


def draw_picture(answer: Suggestion, kind: str, *, width_in: float = 7.8) -> Figure:
    """One of these pictures as a figure of its own, drawn for its width."""
    rows = sum(len(task.route) + 1.6 for task in answer.search.tasks) if answer.search else 24
    wide, narrow = _HEIGHTS.get(kind, (1.4 + 0.17 * rows,) * 2)
    figure = _new_figure(width_in, wide if width_in > 6 else narrow)
    answer.plot(figure.subplots(), kind)
    return figure
