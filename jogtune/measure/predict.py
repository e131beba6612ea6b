"""Another ladder, same turns or goals."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd

from ..axis.follow import Habit
from ..axis.lanes import replay
from ..axis.link import reports_as_logged
from ..hand.person import Hand, Motion
from ..ladder.ladder import Ladder, parse_ladder
from ..logs.log import Log
from ..machine.model import Axis, Machine
from ..notes import Note, Severity, Where
from .figure import _Floats
from .measure import _look_and_switch
from .measured import Measured


def _replay_turns(machine: Machine, rows: pd.DataFrame, ladders: Sequence[Ladder]) -> pd.DataFrame:
    """Replay a log's clicks on other ladders, under the limit or queue of the machine file: one row per ladder, axis and rung.

    A click made on a rung of the log is made on the rung of the other ladder nearest to it in ratio. Columns: ladder (index),
    axis, rung (index), clicks, run_on_mm (farthest, NaN without clicks), and beside the first rung at_ceiling_s and
    lost_detents (dropped by limit or queue; where the file has neither, what forgiving would give up)."""
    by_axis = rows.groupby("axis", sort=False, observed=True)
    parts = [_replay_axis(on_axis, machine, machine.axis(str(name)), ladders) for name, on_axis in by_axis]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _replay_axis(rows: pd.DataFrame, machine: Machine, axis: Axis, ladders: Sequence[Ladder]) -> pd.DataFrame:
    used, rung = np.unique(rows["gain_mm"].to_numpy(float), return_inverse=True)
    reports = reports_as_logged(
        rows["time_s"].to_numpy(float), rows["detents"].to_numpy(np.int64),
        interval_s=machine.link.report_interval_s, rung=rung,
    )  # fmt: skip
    gains = _filled_up([_axis_gains(axis, ladder) for ladder in ladders])
    nearest = np.array([np.abs(np.log(gains) - np.log(one)).argmin(axis=1) for one in used]).T
    table, habit = np.take_along_axis(gains, nearest, axis=1), Habit.filed(machine, axis)
    ran = replay(reports, table, top_speed_mm_s=axis.jog_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2, habit=habit)
    lost = ran
    if habit == Habit():
        lost = replay(
            reports, table, top_speed_mm_s=axis.jog_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2, habit=Habit(too_fast="forgive")
        )
    run_on, clicks = np.full(gains.shape, np.nan), np.zeros(gains.shape, dtype=np.int64)
    ladder, turned = np.arange(len(ladders)), np.bincount(rung, np.abs(rows["detents"].to_numpy(float)), len(used))
    for at, far, count in zip(nearest.T, ran.run_on_by_rung_mm, turned, strict=True):
        if count:
            run_on[ladder, at] = np.fmax(run_on[ladder, at], np.minimum(far, axis.reach_mm))
            clicks[ladder, at] += int(count)
    first = np.arange(gains.shape[1]) == 0
    return pd.DataFrame({
        "ladder": np.repeat(ladder, gains.shape[1]), "axis": axis.name, "rung": np.tile(np.arange(gains.shape[1]), len(ladders)),
        "clicks": clicks.ravel(), "run_on_mm": run_on.ravel(), "at_ceiling_s": np.outer(ran.at_ceiling_s, first).ravel(),
        "lost_detents": np.outer(lost.lost_detents, first).ravel(),
    })[np.isfinite(gains).ravel()]  # fmt: skip


def _axis_gains(axis: Axis, ladder: Ladder) -> _Floats:
    return np.array([float(gain) for gain in ladder.on(axis)])


_LEAST_TASKS = 4  # on each ladder, before times are held against each other
_RESAMPLES = 1999
_LARGEST_SPREAD = 0.45  # a hand's spread has to stay below 0.5
_SURE, _POWER = 1.959964, 0.841621  # 95 % both sides, and four chances in five of finding it
_CLICKS = np.arange(1.5, 16.25, 0.5)  # left, for a rung to be taken
_EXPLAINED = 0.8  # of the rungs taken: below, a good use of each ladder is weighed in
_THUMBS = 2.0, 4.0, 8.0  # clicks left; the best of them comes near the best use of a ladder
_MOST_GOES, _FEWEST_GOES, _ALL_GOES, _AT_ONCE = 150, 8, 1_500_000, 100_000


@dataclass(frozen=True, kw_only=True)
class _Rule:
    """How someone picks rungs: the coarsest with `clicks` left, which explains a `share` of the rungs taken."""

    clicks: float
    share: float

    def error(self, change: float) -> float:
        """Standard error of the logarithm of a change predicted (`change`): simulated people with known truth have it."""
        return math.hypot(0.06, 0.12 * change, 0.20 * (1 - self.share))


@dataclass(frozen=True, kw_only=True)
class _Prediction:
    """Mean times of the log's goals on each ladder (`means_s`), each goal's on the ladder it was done with (`own_s`), and the
    standard error of the logarithm that the goals' own times leave (`own_error`)."""

    hand: Hand
    rule: _Rule
    over_best: float
    means_s: _Floats
    own_s: _Floats
    own_error: float
    impossible: tuple[tuple[Note, ...], ...]
    held_out_error: float | None
    held_out_total_error: float | None

    def around(self, index: int) -> tuple[float, float]:
        """The interval of a ladder's mean time [s]."""
        mean = float(self.means_s[index])
        off = _SURE * math.hypot(self.own_error, self.rule.error(math.log(mean / float(self.own_s.mean()))))
        return mean * math.exp(-off), mean * math.exp(off)


def _predict(
    machine: Machine, ladders: Sequence[Ladder], found: Sequence[Measured], tasks: pd.DataFrame, rule: _Rule, seed: int
) -> _Prediction:  # fmt: skip
    """Times on every ladder by the person's own way of picking rungs, times what people took beyond that.

    Where it explains little: the mean in logarithms of that and of what a good use of each ladder would change."""
    hand, time = _hand_of(machine, found), tasks["time_s"].to_numpy(float)
    used = list(dict.fromkeys(tasks["done_with"]))
    every = list(dict.fromkeys([*used, *ladders]))
    at, asked = [used.index(ladder) for ladder in tasks["done_with"]], [every.index(ladder) for ladder in ladders]
    each = np.arange(len(tasks))
    by_rule = _times(machine, every, tasks, hand, rule.clicks, seed)
    explained = rule.share >= _EXPLAINED
    thumbs = np.array([_times(machine, used if explained else every, tasks, hand, clicks, seed) for clicks in _THUMBS])
    well = np.take_along_axis(thumbs, thumbs.mean(axis=2).argmin(axis=0)[None, :, None], axis=0)[0]
    own = by_rule[at, each]
    change = by_rule[asked].mean(axis=1) / own.mean()
    if not explained:
        change = np.sqrt(change * well[asked].mean(axis=1) / well[at, each].mean())
    own_s, errors = own * float(time.sum() / own.sum()), _held_out(own, time)
    return _Prediction(
        hand=hand, rule=rule, over_best=float(time.sum() / well[at, each].sum()), means_s=change * time.mean(), own_s=own_s,
        own_error=float(np.sqrt(((time - own_s) ** 2).sum()) / time.sum()), impossible=_unreachable(machine, tasks, ladders),
        held_out_error=errors[0], held_out_total_error=errors[1],
    )  # fmt: skip


def _hand_of(machine: Machine, found: Sequence[Measured]) -> Hand:
    """A hand with what the logs can tell of it; its turn rate is what is kept up, so it is never let go."""
    best = {name: max((one.hand[name] for one in found), key=lambda f: (f.known, f.count)) for name in found[0].hand}
    told: dict[str, Any] = {name: f.value for name, f in best.items() if f.known and f.value and f.value > 0}
    look, switch = _look_and_switch(pd.concat([one.bursts for one in found]))
    told |= {"look_s": max(look, 0.0), "switch_s": max(switch, 0.0)}
    if "spread" in told:
        told["spread"] = min(told["spread"], _LARGEST_SPREAD)
    if "turn_rate_detents_s" in told:
        told |= {"grasp_detents": math.inf, "regrasp_s": 0.0}
    return replace(Hand.from_machine(machine), **told)


def _times(
    machine: Machine, ladders: Sequence[Ladder], tasks: pd.DataFrame, hand: Hand, clicks: float, seed: int
) -> _Floats:  # fmt: skip
    """Mean time of each task with each ladder, (ladders, tasks) [s], over simulated goes."""
    goes = min(max(_ALL_GOES // (len(ladders) * len(tasks)), _FEWEST_GOES), _MOST_GOES)
    times = np.empty((len(ladders), len(tasks)))
    distance = tasks["distance_mm"].to_numpy(float)
    kinds = tasks.groupby(["axis", "tolerance_mm"], sort=False, observed=True).indices
    for (name, tolerance), rows in kinds.items():
        gains = _filled_up([_axis_gains(machine.axis(str(name)), ladder) for ladder in ladders])
        motion, far = Motion.from_machine(machine, str(name)), np.repeat(distance[rows], goes)
        step = max(_AT_ONCE // len(far), 1)
        for first in range(0, len(ladders), step):
            some = hand.goes_s(gains[first : first + step], clicks, far, float(tolerance), motion, seed)
            times[first : first + step, rows] = some.reshape(len(some), len(rows), goes).mean(axis=2)
    return times


def _filled_up(rows: Sequence[_Floats]) -> _Floats:
    """Rows of one length, filled up with infinity."""
    table = np.full((len(rows), max(map(len, rows))), np.inf)
    for row, gains in zip(table, rows, strict=True):
        row[: len(gains)] = gains
    return table


def _held_out(own: _Floats, time: _Floats) -> tuple[float | None, float | None]:
    """Every other task predicted from the rest: relative error of single tasks (RMS), and of their total."""
    if len(time) < 2 * _LEAST_TASKS:
        return None, None
    seen, rest = slice(0, None, 2), slice(1, None, 2)
    predicted = own[rest] * time[seen].sum() / own[seen].sum()
    single = float(np.sqrt(np.mean((predicted / time[rest] - 1) ** 2)))
    return single, float(predicted.sum() / time[rest].sum() - 1)


def _unreachable(machine: Machine, tasks: pd.DataFrame, ladders: Sequence[Ladder]) -> tuple[tuple[Note, ...], ...]:
    """The tolerances that each ladder can't always meet: its clicks are coarser than they are."""
    asked = sorted({(str(a), float(w)) for a, w in zip(tasks["axis"], tasks["tolerance_mm"], strict=True)})

    def coarse(ladder: Ladder) -> Iterator[Note]:
        finest = {name: float(ladder.on(machine.axis(name))[0]) for name, _ in asked}
        for name, wide in asked:
            if finest[name] > wide * (1 + 1e-9):
                figures = {"tolerance_mm": wide, "click_mm": finest[name], "missed_share": 1 - wide / finest[name]}
                yield Note(kind="clicks_coarse", severity=Severity.MIND, where=Where(axes=(name,)), figures=figures,
                           unit=machine.shown_unit(machine.axis(name)))  # fmt: skip

    return tuple(tuple(coarse(ladder)) for ladder in ladders)


_Credit = Callable[[str], tuple[int, Ladder]]
"""From a task's marker to the ladder it was done with, and that one's index among those compared; -1: none of them."""


def _credit(one: Measured, log: Log, ladders: Sequence[Ladder], made_with: Ladder | None) -> _Credit:
    """Only to the ladder it was made with: the one told, else named by the marker ("# ladder A: 0.01, 0.1, 1 mm" in the log's
    opening lines), else by the line "# ladder: ...", else the one whose rungs are exactly those used."""
    named = _named_ladders(log, one.machine)
    own, used = made_with or named.pop("ladder", None), _used(one)
    whole = own or next((ladder for ladder in ladders if _rungs_on(ladder, one) == used), None) or Ladder.from_gains(used)
    numbers = {_columns(ladder, one.machine): i for i, ladder in reversed(list(enumerate(ladders)))}

    def told(marker: str) -> tuple[int, Ladder]:
        ladder = next((ladder for name, ladder in named.items() if name in marker.lower()), whole)
        return numbers.get(_columns(ladder, one.machine), -1), ladder

    return told


def _used(one: Measured) -> set[Fraction]:
    return {Fraction(str(rung.gain_mm)) for rung in one.rungs if rung.detents}


def _rungs_on(ladder: Ladder, one: Measured) -> set[Fraction]:
    """Its distances per click on the axes that were turned."""
    turned = {name for rung in one.rungs for name in rung.detents_by_axis}
    return {gain for axis in one.machine.axes if axis.name in turned for gain in ladder.on(axis)}


def _columns(ladder: Ladder, machine: Machine) -> tuple[tuple[Fraction, ...], ...]:
    return tuple(ladder.on(axis) for axis in machine.axes)


def _named_ladders(log: Log, machine: Machine) -> dict[str, Ladder]:
    """Ladders that the opening lines of a log name."""
    lines = ((key.strip().lower(), text) for key, text in log.header.items())
    return {key: parse_ladder(text, machine) for key, text in lines if key.startswith("ladder")}


def _all_tasks(found: Sequence[Measured], credits: Sequence[_Credit]) -> pd.DataFrame:
    """Every finished task with a goal: the columns of `tasks_to_fit`, ladder (index or -1) and the one it was done_with."""
    parts = []
    for one, told in zip(found, credits, strict=True):
        table = one.tasks_to_fit
        practice = table["marker"].fillna("").astype(str).str.lower().str.startswith("practice")
        table = table.loc[~practice].reset_index(drop=True)
        which = [told(str(marker or "")) for marker in table["marker"]]
        done_with = pd.Series([ladder for _, ladder in which], dtype=object)
        parts.append(table.assign(ladder=[i for i, _ in which], done_with=done_with, source=one.source))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _rule_of(found: Sequence[Measured], credits: Sequence[_Credit]) -> _Rule:
    """The clicks left that explain most of the rungs taken on the way to goals; without any, those of a usual hand."""
    hits, count = np.zeros(len(_CLICKS)), 0
    for one, told in zip(found, credits, strict=True):
        bursts, markers = one.bursts, one.tasks.set_index("task")["marker"].fillna("").astype(str)
        begun = bursts["pause_s"].notna() | bursts["task"].ne(bursts["task"].shift())
        taken = bursts.loc[begun & (bursts["task"] >= 0) & bursts["left_mm"].notna()]
        for (name, marker), mine in taken.groupby(["axis", taken["task"].map(markers)], observed=True):
            gains = np.unique(_axis_gains(one.machine.axis(str(name)), told(str(marker))[1]))
            left = np.abs(mine["left_mm"].to_numpy(float))
            enough = left[:, None] * (1 + 1e-9) >= _CLICKS[:, None, None] * gains
            expected = gains[np.maximum(enough.sum(axis=2) - 1, 0)]
            hits += np.isclose(expected, mine["gain_mm"].to_numpy(float), rtol=1e-6).sum(axis=1)
            count += len(mine)
    if not count:
        return _Rule(clicks=_THUMBS[1], share=0.0)
    return _Rule(clicks=float(_CLICKS[hits == hits.max()].mean()), share=float(hits.max() / count))
