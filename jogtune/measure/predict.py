"""Another ladder, same turns or goals."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
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
    axis, position, clicks, replayed_mm (farthest run-on, NaN without clicks), and beside the first rung at_ceiling_s and
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
    gains = _gain_rows(axis, ladders)
    nearest = np.array([np.abs(np.log(gains) - np.log(one)).argmin(axis=1) for one in used]).T
    table, alike = np.unique(np.take_along_axis(gains, nearest, axis=1), axis=0, return_inverse=True)
    habit = Habit.filed(machine, axis)
    top = min(axis.top_speed_mm_s, axis.jog_top_mm_s or math.inf)
    run = partial(replay, reports, table, top_speed_mm_s=top, ramp_mm_s2=axis.ramp_mm_s2)
    ran = run(habit=habit)
    lost = run(habit=Habit(too_fast="forgive")) if habit == Habit() else ran
    run_on, clicks = np.full(gains.shape, np.nan), np.zeros(gains.shape, dtype=np.int64)
    ladder, turned = np.arange(len(ladders)), np.bincount(rung, np.abs(rows["detents"].to_numpy(float)), len(used))
    for at, far, count in zip(nearest.T, ran.run_on_by_rung_mm[:, alike], turned, strict=True):
        if count:
            run_on[ladder, at] = np.fmax(run_on[ladder, at], np.minimum(far, axis.reach_mm))
            clicks[ladder, at] += int(count)
    position = np.arange(gains.shape[1]) + 1
    first = position == 1
    return pd.DataFrame({
        "ladder": np.repeat(ladder, len(position)), "axis": axis.name, "position": np.tile(position, len(ladders)),
        "clicks": clicks.ravel(), "replayed_mm": run_on.ravel(), "at_ceiling_s": np.outer(ran.at_ceiling_s[alike], first).ravel(),
        "lost_detents": np.outer(lost.lost_detents[alike], first).ravel(),
    })[np.isfinite(gains).ravel()]  # fmt: skip


def _gain_rows(axis: Axis, ladders: Sequence[Ladder]) -> _Floats:
    """The distances per click of ladders on an axis, a row each, short ones filled up with infinity [mm]."""
    most = max(len(ladder.rungs) for ladder in ladders)
    return np.array([[*map(float, gains := ladder.on(axis)), *[math.inf] * (most - len(gains))] for ladder in ladders])


_LEAST_TASKS = 4  # on each ladder, before times are held against each other
_LARGEST_SPREAD = 0.45  # a hand's spread has to stay below 0.5
_SURE = 1.959964  # 95 % both sides
_CLICKS = np.arange(1.5, 16.25, 0.5)  # left, for a rung to be taken
_EXPLAINED = 0.8  # of the rungs taken: below, a good use of each ladder is weighed in
_THUMBS = 2.0, 4.0, 8.0  # clicks left; the best of them comes near the best use of a ladder
_MOST_GOES, _FEWEST_GOES, _ALL_GOES, _AT_ONCE = 150, 8, 1_500_000, 100_000


@dataclass(frozen=True, kw_only=True)
class _Prediction:
    """Mean times of the log's goals on each ladder (`means_s`), each goal's on the ladder it was done with (`own_s`), the standard
    error of the logarithm that their own times leave. Taking the coarsest rung with `clicks_left` explains a share of the rungs."""

    hand: Hand
    clicks_left: float
    explained_share: float
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
        off = math.hypot(_SURE * self.own_error, self.off(math.log(mean / float(self.own_s.mean()))))
        return mean * math.exp(-off), mean * math.exp(off)

    def off(self, change: float) -> float:
        """Half the interval of a change predicted, all in logarithms; sized on simulated people with known truth."""
        return _SURE * math.hypot(0.06, 0.12 * change, 0.20 * (1 - self.explained_share))


def _predict(
    machine: Machine, ladders: Sequence[Ladder], found: Sequence[Measured], credits: Sequence[_Credit], tasks: pd.DataFrame,
    seed: int,
) -> _Prediction:  # fmt: skip
    """Times on every ladder by the person's own way of picking rungs, times what people took beyond that.

    Where it explains little: the mean in logarithms of that and of what a good use of each ladder would change."""
    hand, time, (clicks, share) = _hand_of(machine, found), tasks["time_s"].to_numpy(float), _rule_of(found, credits)
    used = list(dict.fromkeys(tasks["done_with"]))
    every = list(dict.fromkeys([*used, *ladders]))
    at, asked = [used.index(ladder) for ladder in tasks["done_with"]], [every.index(ladder) for ladder in ladders]
    each, kinds = np.arange(len(tasks)), tasks.drop_duplicates(["axis", "tolerance_mm"])
    by_rule, explained = _times(machine, every, tasks, hand, clicks, seed), share >= _EXPLAINED
    thumbs = np.array([_times(machine, used if explained else every, tasks, hand, thumb, seed) for thumb in _THUMBS])
    well = np.take_along_axis(thumbs, thumbs.mean(axis=2).argmin(axis=0)[None, :, None], axis=0)[0]
    own = by_rule[at, each]
    change = by_rule[asked].mean(axis=1) / own.mean()
    if not explained:
        change = np.sqrt(change * well[asked].mean(axis=1) / well[at, each].mean())
    own_s, errors = own * float(time.sum() / own.sum()), _held_out(own, time)
    return _Prediction(
        hand=hand, clicks_left=clicks, explained_share=share, over_best=float(time.sum() / well[at, each].sum()),
        means_s=change * time.mean(), own_s=own_s, own_error=float(np.sqrt(((time - own_s) ** 2).sum()) / time.sum()),
        impossible=tuple(_unreachable(machine, kinds, ladder) for ladder in ladders),
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
    kinds = list(zip(tasks["axis"].astype(str), tasks["tolerance_mm"].astype(float), strict=True))
    for name, tolerance in dict.fromkeys(kinds):
        rows = [i for i, kind in enumerate(kinds) if kind == (name, tolerance)]
        gains, motion = _gain_rows(machine.axis(name), ladders), Motion.from_machine(machine, name)
        far = np.repeat(distance[rows], goes)
        step = max(_AT_ONCE // len(far), 1)
        for first in range(0, len(ladders), step):
            some = hand.goes_s(gains[first : first + step], clicks, far, tolerance, motion, seed)
            times[first : first + step, rows] = some.reshape(len(some), len(rows), goes).mean(axis=2)
    return times


def _held_out(own: _Floats, time: _Floats) -> tuple[float | None, float | None]:
    """Every other task predicted from the rest: relative error of single tasks (RMS), and of their total."""
    if len(time) < 2 * _LEAST_TASKS:
        return None, None
    seen, rest = slice(0, None, 2), slice(1, None, 2)
    predicted = own[rest] * time[seen].sum() / own[seen].sum()
    single = float(np.sqrt(np.mean((predicted / time[rest] - 1) ** 2)))
    return single, float(predicted.sum() / time[rest].sum() - 1)


def _unreachable(machine: Machine, tasks: pd.DataFrame, ladder: Ladder) -> tuple[Note, ...]:
    """The tolerances that a ladder can't always meet: its clicks are coarser than they are."""
    asked = sorted({(str(a), float(w)) for a, w in zip(tasks["axis"], tasks["tolerance_mm"], strict=True)})
    finest = {axis.name: float(ladder.on(axis)[0]) for axis in machine.axes}
    return tuple(
        Note(kind="clicks_coarse", severity=Severity.MIND, where=Where(axes=(name,)), unit=machine.shown_unit(machine.axis(name)),
             figures={"tolerance_mm": wide, "click_mm": finest[name], "missed_share": 1 - wide / finest[name]})
        for name, wide in asked if finest[name] > wide * (1 + 1e-9)
    )  # fmt: skip


_Credit = Callable[[str], tuple[int, Ladder]]
"""From a task's marker to the ladder it was done with, and that one's index among those compared; -1: none of them."""


def _credit(one: Measured, log: Log, ladders: Sequence[Ladder], made_with: Ladder | None) -> _Credit:
    """Only to the ladder it was made with: the one told, else named by the marker ("# ladder A: 0.01, 0.1, 1 mm" in the log's
    opening lines), else by the line "# ladder: ...", else the one whose rungs are exactly those used."""
    named = _named_ladders(log, one.machine)
    own = made_with or named.pop("ladder", None)
    used = {Fraction(str(rung.gain_mm)) for rung in one.rungs if rung.detents}
    axes = [axis for axis in one.machine.axes if any(axis.name in rung.detents_by_axis for rung in one.rungs)]
    alike = (ladder for ladder in ladders if {gain for axis in axes for gain in ladder.on(axis)} == used)
    whole = own or next(alike, None) or Ladder.from_gains(used or [one.machine.axes[0].finest_mm], show_in=one.machine.show_in)
    numbers = {tuple(map(ladder.on, one.machine.axes)): i for i, ladder in reversed(list(enumerate(ladders)))}

    def told(marker: str) -> tuple[int, Ladder]:
        ladder = next((ladder for name, ladder in named.items() if name in marker.lower()), whole)
        return numbers.get(tuple(map(ladder.on, one.machine.axes)), -1), ladder

    return told


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


def _rule_of(found: Sequence[Measured], credits: Sequence[_Credit]) -> tuple[float, float]:
    """The clicks left that explain most of the rungs taken on the way to goals, and their share; none: a usual hand's."""
    hits, count = np.zeros(len(_CLICKS)), 0
    for one, told in zip(found, credits, strict=True):
        bursts, markers = one.bursts, one.tasks.set_index("task")["marker"].fillna("").astype(str)
        begun = bursts["pause_s"].notna() | bursts["task"].ne(bursts["task"].shift())
        taken = bursts.loc[begun & (bursts["task"] >= 0) & bursts["left_mm"].notna()]
        for (name, marker), mine in taken.groupby(["axis", taken["task"].map(markers)], observed=True):
            gains = np.unique(_gain_rows(one.machine.axis(str(name)), [told(str(marker))[1]]))
            left = np.abs(mine["left_mm"].to_numpy(float))
            enough = left[:, None] * (1 + 1e-9) >= _CLICKS[:, None, None] * gains
            expected = gains[np.maximum(enough.sum(axis=2) - 1, 0)]
            hits += np.isclose(expected, mine["gain_mm"].to_numpy(float), rtol=1e-6).sum(axis=1)
            count += len(mine)
    return (float(_CLICKS[hits == hits.max()].mean()), float(hits.max() / count)) if count else (_THUMBS[1], 0.0)
