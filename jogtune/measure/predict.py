"""Another ladder, same turns or goals."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd

from ..axis.follow import Habit
from ..axis.lanes import replay
from ..axis.link import reports_as_logged
from ..hand.estimate import knob_times_s
from ..hand.person import Hand, Motion
from ..ladder.ladder import Ladder, parse_ladder
from ..logs.log import Log
from ..machine.model import Axis, Machine
from ..notes import Note, Severity, Where
from .figure import Figure, _Floats
from .measured import Measured


def _replay_turns(machine: Machine, rows: pd.DataFrame, ladders: Sequence[Ladder]) -> pd.DataFrame:
    """Replay a log's clicks on other ladders: one row per ladder and axis.

    A click made on a rung of the log is made on the rung of the other ladder nearest to it in ratio. Columns: ladder (index),
    axis, run_on_mm and at_ceiling_s (where every click is owed), lost_detents (where too fast turning is forgiven)."""
    by_axis = rows.groupby("axis", sort=False, observed=True)
    parts = [_replay_axis(on_axis, machine, machine.axis(str(name)), ladders) for name, on_axis in by_axis]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _replay_axis(rows: pd.DataFrame, machine: Machine, axis: Axis, ladders: Sequence[Ladder]) -> pd.DataFrame:
    column = "gain_mm" if "gain_mm" in rows else "rung"
    used, rung = np.unique(rows[column].to_numpy(float), return_inverse=True)
    reports = reports_as_logged(
        rows["time_s"].to_numpy(float), rows["detents"].to_numpy(np.int64),
        interval_s=machine.link.report_interval_s, rung=rung,
    )  # fmt: skip
    table = np.array([_nearest(used, _axis_gains(axis, ladder), column) for ladder in ladders])
    top, ramp = axis.top_speed_mm_s, axis.ramp_mm_s2
    owed = replay(reports, table, top_speed_mm_s=top, ramp_mm_s2=ramp)
    forgiven = replay(reports, table, top_speed_mm_s=top, ramp_mm_s2=ramp, habit=Habit(too_fast="forgive"))
    return pd.DataFrame({
        "ladder": range(len(ladders)), "axis": axis.name, "run_on_mm": np.minimum(owed.run_on_mm, axis.reach_mm),
        "at_ceiling_s": owed.at_ceiling_s, "lost_detents": forgiven.lost_detents,
    })  # fmt: skip


def _axis_gains(axis: Axis, ladder: Ladder) -> _Floats:
    return np.array([float(gain) for gain in ladder.on(axis)])


def _nearest(used: _Floats, gains: _Floats, column: str) -> _Floats:
    """The rung of a ladder nearest in ratio to each one used; by number where the log has no distances."""
    if column == "rung":
        nearest = np.clip(used.astype(np.int64) - 1, 0, len(gains) - 1)
    else:
        nearest = np.abs(np.log(gains)[None, :] - np.log(used)[:, None]).argmin(axis=1)
    return np.asarray(gains[nearest], dtype=float)


_LEAST_TASKS = 4  # on each ladder, before times are held against each other
_RESAMPLES = 1999
_LARGEST_SPREAD = 0.45  # a hand's spread has to stay below 0.5
_SURE, _POWER = 1.959964, 0.841621  # 95 % both sides, and four chances in five of finding it


@dataclass(frozen=True, kw_only=True)
class _Prediction:
    """Times of the log's goals on each ladder: `times_s` (ladders, tasks), and what resampling makes of the means."""

    hand: Hand
    factor: float
    times_s: _Floats
    own_s: _Floats  # (tasks,), on the ladder each was done with
    means_s: _Floats  # (ladders, resamples)
    impossible: tuple[tuple[Note, ...], ...]
    held_out_error: float | None
    held_out_total_error: float | None


def _predict(
    machine: Machine, ladders: Sequence[Ladder], found: Sequence[Measured], tasks: pd.DataFrame, seed: int
) -> _Prediction:
    figures = _hand_figures(found)
    hand = _hand_of(machine, figures)
    time = tasks["time_s"].to_numpy(float)
    each, own = base = _modelled(machine, ladders, tasks, hand)
    means = _resampled(base, time, _slopes(machine, ladders, tasks, hand, figures, base), figures, seed)
    factor = float(time.sum() / own.sum())
    errors = _held_out(own, time)
    return _Prediction(
        hand=hand, factor=factor, times_s=factor * each, own_s=factor * own, means_s=means,
        impossible=tuple(_unreachable(machine, tasks, ladder) for ladder in ladders),
        held_out_error=errors[0], held_out_total_error=errors[1],
    )  # fmt: skip


def _hand_figures(found: Sequence[Measured]) -> dict[str, Figure]:
    """The hand's figures that the logs can tell: from the log with most to say on each."""
    best = {name: max((one.hand[name] for one in found), key=lambda f: (f.known, f.count)) for name in found[0].hand}
    return {name: figure for name, figure in best.items() if figure.known and figure.value and figure.value > 0}


def _hand_of(machine: Machine, figures: Mapping[str, Figure]) -> Hand:
    """A hand with the measured figures; its turn rate is what is kept up, so it is never let go."""
    told: dict[str, Any] = {name: figure.value for name, figure in figures.items()}
    if "spread" in told:
        told["spread"] = min(told["spread"], _LARGEST_SPREAD)
    if "turn_rate_detents_s" in told:
        told |= {"grasp_detents": math.inf, "regrasp_s": 0.0}
    return replace(Hand.from_machine(machine), **told)


def _times(machine: Machine, tasks: pd.DataFrame, ladder: Ladder, hand: Hand) -> _Floats:
    """The model's time of each task with one ladder [s]."""
    times = np.empty(len(tasks))
    distance = tasks["distance_mm"].to_numpy(float)
    kinds = list(zip(tasks["axis"].astype(str), tasks["tolerance_mm"].astype(float), strict=True))
    for name, tolerance in dict.fromkeys(kinds):
        rows = [i for i, kind in enumerate(kinds) if kind == (name, tolerance)]
        motion, gains = Motion.from_machine(machine, name), sorted(set(_axis_gains(machine.axis(name), ladder).tolist()))
        half = max((tolerance - motion.readout_step_mm) / 2, tolerance / 4)
        times[rows] = knob_times_s(gains, half, distance[rows], motion, hand)
    return times


_Times = tuple[_Floats, _Floats]
"""The model's times of the tasks [s]: on each ladder asked for, and on the ladder each was done with."""


def _modelled(machine: Machine, ladders: Sequence[Ladder], tasks: pd.DataFrame, hand: Hand) -> _Times:
    done_with = list(tasks["done_with"])
    known = {ladder: _times(machine, tasks, ladder, hand) for ladder in {*ladders, *done_with}}
    return np.array([known[ladder] for ladder in ladders]), np.array([known[ladder][i] for i, ladder in enumerate(done_with)])


def _slopes(
    machine: Machine, ladders: Sequence[Ladder], tasks: pd.DataFrame, hand: Hand, figures: Mapping[str, Figure], base: _Times
) -> dict[str, _Times]:  # fmt: skip
    """How the times change with each measured figure."""
    each, own = base
    found = {}
    for name, figure in figures.items():
        if name == "start_s":  # once a task, whatever the ladder
            found[name] = np.ones_like(each), np.ones_like(own)
            continue
        half = ((figure.high or 0.0) - (figure.low or 0.0)) / 2
        step = min(half, 0.3 * float(getattr(hand, name))) or 1e-3
        if name == "spread" and hand.spread + step >= 0.5:  # a hand's spread has to stay below
            step = -step
        there = _modelled(machine, ladders, tasks, replace(hand, **{name: getattr(hand, name) + step}))
        found[name] = (there[0] - each) / step, (there[1] - own) / step
    return found


def _resampled(base: _Times, time: _Floats, slopes: Mapping[str, _Times], figures: Mapping[str, Figure], seed: int) -> _Floats:
    """Mean time on each ladder over resampled tasks, with the hand's figures drawn from their intervals."""
    rng = np.random.default_rng(seed)
    picked = rng.integers(0, len(time), (_RESAMPLES, len(time)))
    sums, own_sum = base[0][:, picked].sum(axis=2), base[1][picked].sum(axis=1)
    least = 0.2 * sums, 0.2 * own_sum  # drawn out of all reason
    for name, (each, own) in slopes.items():
        figure = figures[name]
        draw = rng.standard_normal(_RESAMPLES) * ((figure.high or 0.0) - (figure.low or 0.0)) / 2 / _SURE
        sums, own_sum = sums + draw * each[:, picked].sum(axis=2), own_sum + draw * own[picked].sum(axis=1)
    sums, own_sum = np.maximum(sums, least[0]), np.maximum(own_sum, least[1])
    return np.asarray(sums / len(time) * time[picked].sum(axis=1) / own_sum, dtype=float)


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


def _all_tasks(found: Sequence[Measured], logs: Sequence[Log], ladders: Sequence[Ladder]) -> pd.DataFrame:
    """Every finished task with a goal: the columns of `tasks_to_fit`, ladder (index or -1) and the one it was done_with."""
    parts = []
    for one, log in zip(found, logs, strict=True):
        table = one.tasks_to_fit
        practice = table["marker"].fillna("").astype(str).str.lower().str.startswith("practice")
        table = table.loc[~practice].reset_index(drop=True)
        named = _named_ladders(log, one.machine)
        used = {Fraction(str(rung.gain_mm)) for rung in one.rungs if rung.detents}
        columns = [_columns(ladder, one.machine) for ladder in ladders]
        which = [_which(str(marker or ""), named, used, columns) for marker in table["marker"]]
        told = [ladders[i] if i >= 0 else Ladder.from_gains(used) for i in which]
        parts.append(table.assign(ladder=which, done_with=pd.Series(told, dtype=object), source=one.source))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


_Columns = tuple[tuple[Fraction, ...], ...]


def _columns(ladder: Ladder, machine: Machine) -> _Columns:
    return tuple(ladder.on(axis) for axis in machine.axes)


def _named_ladders(log: Log, machine: Machine) -> dict[str, _Columns]:
    """Ladders that the opening lines of a log name, "# ladder A: 0.01, 0.1, 1 mm": what each axis does with them."""
    lines = ((key.strip().lower(), text) for key, text in log.header.items())
    return {key: _columns(parse_ladder(text, machine), machine) for key, text in lines if key.startswith("ladder")}


def _which(marker: str, named: Mapping[str, _Columns], used: set[Fraction], ladders: Sequence[_Columns]) -> int:
    """The ladder a task was done with: by its marker, else the one whose rungs are those of the log; -1: none."""
    told = [ladder for name, ladder in named.items() if name in marker.lower()]
    if told:
        return next((i for i, ladder in enumerate(ladders) if ladder == told[0]), -1)
    fits = [i for i, ladder in enumerate(ladders) if used <= set().union(*ladder)]
    return min(fits, key=lambda i: len(ladders[i][0])) if fits and used else -1
