"""Ladders held against each other: on paper, on the turns and goals of a log, and as people did with them.

Three ways, each with what it can and can't say:

1. *same turns, other ladder*: the log's clicks replayed; run-on, lost clicks, time at the ceiling;
2. *same goals, other ladder*: the log's goals done by a hand measured on the log; expected times;
3. *two measured ladders*: the times people took, adjusted for how hard each goal was.

Where an interval takes in zero the answer is "can't tell apart", with how many more tasks would.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .design.best import estimate_task, make_mix
from .design.controls import knob_times_s
from .design.hand import Hand, Motion
from .design.response import Habit, derive_answer, replay, reports_as_logged
from .ladder import Ladder
from .logs.figures import Figure, mean_figure
from .logs.ladder_option import parse_ladder
from .logs.measure import Measured, fit_table, measure
from .logs.read import Log
from .logs.row_count import RowCount, say_count
from .machine import Axis, Machine
from .units import say_number

__all__ = [
    "CANT_TELL", "Comparison", "Difference", "LadderResult", "compare", "compare_times", "comparison_to_dict",
    "difference_to_dict", "replay_turns",
]  # fmt: skip

Floats = NDArray[np.float64]

CANT_TELL = "can't tell apart"
"""The verdict on ladders whose interval takes in zero."""
WORTH_KNOWING = 0.05
"""A difference of times smaller than this share is not worth more tasks; our choice."""
NEAR_SHARE = 0.02  # expected times nearer than this can't usefully be told apart; our choice
LEAST_TASKS = 4  # on each ladder, before times are held against each other
_RESAMPLES = 1999
_LARGEST_SPREAD = 0.45  # a hand's spread has to stay below 0.5
_SURE, _POWER = 1.959964, 0.841621  # 95 % both sides, and four chances in five of finding it


# ------------------------------------------------------------------ what comes out


@dataclass(frozen=True, kw_only=True)
class LadderResult:
    """One ladder of a comparison.

    `expected_time_s` is the mean over the tasks compared, with its interval where a log gives one; None where a
    task can't be finished, which `impossible` explains. `run_on_mm` is the farthest run-on of the log's turns
    (*owe*), without a log that of the coarsest rung at the steady turn rate; `lost_detents` counts clicks that
    *forgive* would give up (None without a log). `measured` are the times people took on it.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladders = [parse_ladder(text, router) for text in ("0.02,0.2,2", "0.02,0.1,0.5,5")]
    >>> found = compare(router, ladders)
    >>> found.ladders[0].label, found.ladders[0].lost_detents, found.ladders[0].impossible
    ('0.02, 0.2, 2 mm', None, ())
    """

    ladder: Ladder
    expected_time_s: float | None
    low: float | None
    high: float | None
    run_on_mm: float
    lost_detents: int | None
    at_ceiling_s: float | None
    measured: Figure
    impossible: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        """The distances per click in the person's unit."""
        return self.ladder.say()


@dataclass(frozen=True, kw_only=True)
class Difference:
    """How much longer the second ladder of a pair takes than the first, as a share (-0.1: a tenth less).

    `kind` says what it rests on: "measured" times, times "predicted" for the log's goals, or "expected" without a
    log (then there is no interval). `verdict` names the faster ladder, or is "can't tell apart"; `faster` is its
    index or None. `more_tasks` is about how many more on each ladder would tell.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladders = [parse_ladder(text, router) for text in ("0.02,0.2,2", "0.02,0.1,0.5,5")]
    >>> found = compare(router, ladders)
    >>> difference = found.differences[0]
    >>> found.ladders[difference.faster].label, difference.low, difference.verdict == CANT_TELL
    ('0.02, 0.1, 0.5, 5 mm', None, False)
    """

    first: int
    second: int
    kind: str
    change: float | None
    low: float | None
    high: float | None
    verdict: str
    faster: int | None = None
    more_tasks: int | None = None
    tasks: int = 0
    paired: bool = False


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Ladders held against each other; `held_out_error` is how far the prediction is off on tasks it has not seen.

    `tasks` has a row per task of the logs: time_s, predicted_s and what `fit_table` gives; `replays` is that of
    `replay_turns`. `held_out_error` is the root mean square relative error of single tasks, `held_out_total_error`
    that of their total. `over_best` is how much longer people took than the best use of their ladder would. `counts`
    says, log by log, how many of its rows were left out.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladders = [parse_ladder(text, router) for text in ("0.02,0.2,2", "0.02,0.1,0.5,5")]
    >>> found = compare(router, ladders)
    >>> found.simulated, found.remarks[0]
    (False, 'No log: expected times are those of an average hand that nobody measured.')
    """

    machine: Machine
    ladders: tuple[LadderResult, ...]
    differences: tuple[Difference, ...]
    hand: Hand
    held_out_error: float | None = None
    held_out_total_error: float | None = None
    over_best: float | None = None
    remarks: tuple[str, ...] = ()
    simulated: bool = False
    counts: tuple[RowCount, ...] = ()
    tasks: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    replays: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)


def compare(
    machine: Machine, ladders: Sequence[Ladder], logs: Sequence[Log] = (), *, seed: int = 0
) -> Comparison:
    """Hold ladders against each other on a machine, with whatever logs there are.

    Without logs: expected time on the machine's tasks by an average hand, and run-on. With logs: also the three
    ways of this module, as far as the logs go; `remarks` says what they lack. Raises `InputFault` as `measure` does.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> fine, coarse = parse_ladder("0.02,0.2,2", router), parse_ladder("0.02,0.1,0.5,5", router)
    >>> answer = compare(router, [fine, coarse])
    >>> [round(result.run_on_mm) for result in answer.ladders], answer.differences[0].kind
    ([3, 37], 'expected')
    """
    found = [measure(log, machine) for log in logs]
    counts = tuple(one.count for one in found)
    tasks = _all_tasks(found, logs, ladders)
    turns = [log.rows for log in logs]
    replays = pd.concat([replay_turns(rows, machine, ladders) for rows in turns]) if turns else pd.DataFrame()
    prediction = _predict(machine, ladders, found, tasks, seed) if len(tasks) else None
    results = tuple(_result(machine, ladders, i, tasks, replays, prediction) for i in range(len(ladders)))
    pairs = [(i, j) for i in range(len(ladders)) for j in range(i + 1, len(ladders))]
    return Comparison(
        machine=machine,
        ladders=results,
        differences=tuple(_difference(results, tasks, prediction, i, j, seed) for i, j in pairs),
        hand=prediction.hand if prediction else Hand.from_machine(machine),
        held_out_error=prediction.held_out_error if prediction else None,
        held_out_total_error=prediction.held_out_total_error if prediction else None,
        over_best=prediction.factor if prediction else None,
        remarks=tuple(_remarks(logs, counts, tasks, prediction)),
        simulated=any(log.simulated for log in logs),
        counts=counts,
        tasks=tasks if prediction is None else tasks.assign(predicted_s=prediction.own_s),
        replays=replays,
    )


# ------------------------------------------------------------------ 1: same turns, other ladder


def replay_turns(rows: pd.DataFrame, machine: Machine, ladders: Sequence[Ladder]) -> pd.DataFrame:
    """Replay a log's clicks on other ladders: one row per ladder and axis.

    A click made on a rung of the log is made on the rung of the other ladder nearest to it in ratio. Columns:
    ladder (index), axis, run_on_mm and run_on_median_mm (where every click is owed), at_ceiling_s, peak_mm_s,
    lost_detents (where too fast turning is forgiven), forgiven_run_on_mm.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> rows = pd.DataFrame({"time_s": [0.0, 0.04, 0.08], "axis": "X", "detents": [2, 2, 2], "gain_mm": 2.0})
    >>> ladders = [parse_ladder(text, router) for text in ("0.02,0.2,2", "0.02,0.1,0.5,5")]
    >>> replay_turns(rows, router, ladders)[["ladder", "run_on_mm", "lost_detents"]].round(1).to_numpy().tolist()
    [[0.0, 10.7, 3.0], [1.0, 28.7, 5.0]]
    """
    parts = [
        _replay_axis(on_axis, machine, machine.axis(str(name)), ladders)
        for name, on_axis in rows.groupby("axis", sort=False, observed=True)
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _replay_axis(rows: pd.DataFrame, machine: Machine, axis: Axis, ladders: Sequence[Ladder]) -> pd.DataFrame:
    column = "gain_mm" if "gain_mm" in rows else "rung"
    used, rung = np.unique(rows[column].to_numpy(float), return_inverse=True)
    reports = reports_as_logged(
        rows["time_s"].to_numpy(float), rows["detents"].to_numpy(np.int64),
        interval_s=machine.link.report_interval_s, rung=rung,
    )  # fmt: skip
    table = np.array([_nearest(used, _axis_gains(machine, axis, ladder), column) for ladder in ladders])
    top, ramp = axis.top_speed_mm_s, axis.ramp_mm_s2
    owed = replay(reports, table, top_speed_mm_s=top, ramp_mm_s2=ramp)
    forgiven = replay(reports, table, top_speed_mm_s=top, ramp_mm_s2=ramp, habit=Habit(too_fast="forgive"))
    return pd.DataFrame({
        "ladder": range(len(ladders)), "axis": axis.name, "run_on_mm": np.minimum(owed.run_on_mm, axis.reach_mm),
        "run_on_median_mm": owed.run_on_median_mm, "at_ceiling_s": owed.at_ceiling_s,
        "peak_mm_s": owed.peak_speed_mm_s, "lost_detents": forgiven.lost_detents,
        "forgiven_run_on_mm": np.minimum(forgiven.run_on_mm, axis.reach_mm),
    })  # fmt: skip


def _axis_gains(machine: Machine, axis: Axis, ladder: Ladder) -> Floats:
    return np.array([float(machine.axis_gain(axis, gain)) for gain in ladder.gains_mm])


def _nearest(used: Floats, gains: Floats, column: str) -> Floats:
    """The rung of a ladder nearest in ratio to each one used; by number where the log has no distances."""
    if column == "rung":
        nearest = np.clip(used.astype(np.int64) - 1, 0, len(gains) - 1)
    else:
        nearest = np.abs(np.log(gains)[None, :] - np.log(used)[:, None]).argmin(axis=1)
    return np.asarray(gains[nearest], dtype=float)


# ------------------------------------------------------------------ 2: same goals, other ladder


@dataclass(frozen=True, kw_only=True)
class _Prediction:
    """Times of the log's goals on each ladder: `times_s` (ladders, tasks), and what resampling makes of the means."""

    hand: Hand
    factor: float
    times_s: Floats
    own_s: Floats  # (tasks,), on the ladder each was done with
    means_s: Floats  # (ladders, resamples)
    impossible: tuple[tuple[str, ...], ...]
    held_out_error: float | None
    held_out_total_error: float | None


def _predict(
    machine: Machine, ladders: Sequence[Ladder], found: Sequence[Measured], tasks: pd.DataFrame, seed: int
) -> _Prediction:
    figures = _hand_figures(found)
    hand = _hand_of(machine, {name: figure.value for name, figure in figures.items()})
    time = tasks["time_s"].to_numpy(float)
    base = _Modelled.of(machine, ladders, tasks, hand)
    means = _resampled(base, time, _slopes(machine, ladders, tasks, hand, figures, base), figures, seed)
    factor = float(time.sum() / base.own.sum())
    errors = _held_out(base.own, time)
    return _Prediction(
        hand=hand, factor=factor, times_s=factor * base.each, own_s=factor * base.own, means_s=means,
        impossible=tuple(_unreachable(machine, tasks, ladder) for ladder in ladders),
        held_out_error=errors[0], held_out_total_error=errors[1],
    )  # fmt: skip


def _hand_figures(found: Sequence[Measured]) -> dict[str, Figure]:
    """The hand's figures that the logs can tell: from the log with most to say on each."""
    names = found[0].hand.keys()
    best = {name: max((one.hand[name] for one in found), key=lambda f: (f.known, f.count)) for name in names}
    return {name: figure for name, figure in best.items() if figure.known and figure.value and figure.value > 0}


def _hand_of(machine: Machine, figures: Mapping[str, float | None]) -> Hand:
    """A hand with the measured figures; its turn rate is what is kept up, so it is never let go."""
    told: dict[str, Any] = {name: float(value) for name, value in figures.items() if value is not None}
    if "spread" in told:
        told["spread"] = min(told["spread"], _LARGEST_SPREAD)
    if "turn_rate_detents_s" in told:
        told |= {"grasp_detents": math.inf, "regrasp_s": 0.0}
    return replace(Hand.from_machine(machine), **told)


def _times(machine: Machine, tasks: pd.DataFrame, gains_mm: tuple[Fraction, ...], hand: Hand) -> Floats:
    """The model's time of each task with one ladder [s]."""
    times = np.empty(len(tasks))
    distance = tasks["distance_mm"].to_numpy(float)
    kinds = list(zip(tasks["axis"].astype(str), tasks["tolerance_mm"].astype(float), strict=True))
    for name, tolerance in dict.fromkeys(kinds):
        rows = [i for i, kind in enumerate(kinds) if kind == (name, tolerance)]
        axis, motion = machine.axis(name), Motion.from_machine(machine, name)
        gains = [float(machine.axis_gain(axis, gain)) for gain in gains_mm]
        half = max((tolerance - motion.readout_step_mm) / 2, tolerance / 4)
        times[rows] = knob_times_s(gains, half, distance[rows], motion, hand)
    return times


@dataclass(frozen=True, kw_only=True)
class _Modelled:
    """The model's times of the tasks [s]: on each ladder asked for, and on the ladder each was done with."""

    each: Floats
    own: Floats

    @classmethod
    def of(cls, machine: Machine, ladders: Sequence[Ladder], tasks: pd.DataFrame, hand: Hand) -> _Modelled:
        """The times on each ladder, each ladder modelled once."""
        done_with = list(tasks["gains_mm"])
        asked = [ladder.gains_mm for ladder in ladders]
        known = {gains: _times(machine, tasks, gains, hand) for gains in {*asked, *done_with}}
        own = np.array([known[gains][i] for i, gains in enumerate(done_with)])
        return cls(each=np.array([known[gains] for gains in asked]), own=own)


def _slopes(
    machine: Machine, ladders: Sequence[Ladder], tasks: pd.DataFrame, hand: Hand, figures: Mapping[str, Figure],
    base: _Modelled,
) -> dict[str, _Modelled]:  # fmt: skip
    """How the times change with each measured figure."""
    found = {}
    for name, figure in figures.items():
        half = ((figure.high or 0.0) - (figure.low or 0.0)) / 2
        step = min(half, 0.3 * float(getattr(hand, name))) or 1e-3
        if name == "spread" and hand.spread + step >= 0.5:  # a hand's spread has to stay below
            step = -step
        moved = replace(hand, **{name: getattr(hand, name) + step})
        there = _Modelled.of(machine, ladders, tasks, moved) if name != "start_s" else None
        found[name] = (
            _Modelled(each=np.ones_like(base.each), own=np.ones_like(base.own))  # once a task, whatever the ladder
            if there is None
            else _Modelled(each=(there.each - base.each) / step, own=(there.own - base.own) / step)
        )
    return found


def _resampled(
    base: _Modelled, time: Floats, slopes: Mapping[str, _Modelled], figures: Mapping[str, Figure], seed: int
) -> Floats:
    """Mean time on each ladder over resampled tasks, with the hand's figures drawn from their intervals."""
    rng = np.random.default_rng(seed)
    picked = rng.integers(0, len(time), (_RESAMPLES, len(time)))
    sums, own_sum = base.each[:, picked].sum(axis=2), base.own[picked].sum(axis=1)
    for name, slope in slopes.items():
        figure = figures[name]
        draw = rng.standard_normal(_RESAMPLES) * ((figure.high or 0.0) - (figure.low or 0.0)) / 2 / _SURE
        sums = sums + draw * slope.each[:, picked].sum(axis=2)
        own_sum = own_sum + draw * slope.own[picked].sum(axis=1)
    least = 0.2 * base.each[:, picked].sum(axis=2), 0.2 * base.own[picked].sum(axis=1)  # drawn out of all reason
    sums, own_sum = np.maximum(sums, least[0]), np.maximum(own_sum, least[1])
    return np.asarray(sums / len(time) * time[picked].sum(axis=1) / own_sum, dtype=float)


def _held_out(own: Floats, time: Floats) -> tuple[float | None, float | None]:
    """Every other task predicted from the rest: relative error of single tasks (RMS), and of their total."""
    if len(time) < 2 * LEAST_TASKS:
        return None, None
    seen, rest = slice(0, None, 2), slice(1, None, 2)
    predicted = own[rest] * time[seen].sum() / own[seen].sum()
    single = float(np.sqrt(np.mean((predicted / time[rest] - 1) ** 2)))
    return single, float(predicted.sum() / time[rest].sum() - 1)


def _unreachable(machine: Machine, tasks: pd.DataFrame, ladder: Ladder) -> tuple[str, ...]:
    """The tolerances that a ladder can't always meet: its clicks are coarser than they are."""
    texts = []
    asked = {(str(a), float(w)) for a, w in zip(tasks["axis"], tasks["tolerance_mm"], strict=True)}
    for axis_name, tolerance in sorted(asked):
        axis = machine.axis(axis_name)
        finest = float(machine.axis_gain(axis, ladder.base_mm))
        if finest > tolerance * (1 + 1e-9):
            share = round(100 * (1 - tolerance / finest))
            texts.append(
                f"axis {axis_name}, tolerance {say_number(tolerance)} mm: clicks of {say_number(finest)} mm miss it "
                f"{share} % of the time"
            )
    return tuple(texts)


# ------------------------------------------------------------------ 3: two measured ladders


def _all_tasks(found: Sequence[Measured], logs: Sequence[Log], ladders: Sequence[Ladder]) -> pd.DataFrame:
    """Every finished task with a goal: the columns of `fit_table`, ladder (index or -1) and gains_mm as a tuple."""
    parts = []
    for one, log in zip(found, logs, strict=True):
        table = fit_table(one)
        practice = table["marker"].fillna("").astype(str).str.lower().str.startswith("practice")
        table = table.loc[~practice].reset_index(drop=True)
        named = _named_ladders(log, one.machine)
        used = {Fraction(str(rung.gain_mm)) for rung in one.rungs if rung.detents}
        which = [_which(str(marker or ""), named, used, ladders) for marker in table["marker"]]
        own = tuple(sorted(used))
        gains = [ladders[i].gains_mm if i >= 0 else own for i in which]
        parts.append(table.assign(ladder=which, gains_mm=pd.Series(gains, dtype=object), source=one.source))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _named_ladders(log: Log, machine: Machine) -> dict[str, Ladder]:
    """Ladders that the opening lines of a log name: "# ladder A: 0.01, 0.1, 1 mm"."""
    named = {key.strip().lower(): text for key, text in log.notes.items() if key.strip().lower().startswith("ladder")}
    return {key: parse_ladder(text, machine) for key, text in named.items()}


def _which(marker: str, named: Mapping[str, Ladder], used: set[Fraction], ladders: Sequence[Ladder]) -> int:
    """The ladder a task was done with: by its marker, else the one whose rungs are those of the log; -1: none."""
    told = [ladder for name, ladder in named.items() if name in marker.lower()]
    if told:
        same = [i for i, ladder in enumerate(ladders) if ladder.gains_mm == told[0].gains_mm]
        return same[0] if same else -1
    fits = [i for i, ladder in enumerate(ladders) if used <= set(ladder.gains_mm)]
    return min(fits, key=lambda i: len(ladders[i].gains_mm)) if fits and used else -1


def compare_times(
    tasks: pd.DataFrame, *, first: int = 0, second: int = 1, labels: Sequence[str] = ("first", "second"), seed: int = 0
) -> Difference:
    """Hold the times people took on two ladders against each other.

    `tasks` has ladder, time_s, distance_mm, tolerance_mm and, where known, person and axis. Times are compared as
    ratios (logarithms), adjusted by least squares for difficulty log2(D/W + 1) and its square, axis and person. Where
    at least six people did both, each person counts once (their own difference). The interval comes from a
    permutation test of the t statistic (`scipy.stats.permutation_test`, seeded): the differences that it would not
    refuse.

    >>> rng = np.random.default_rng(2)
    >>> table = pd.DataFrame({"ladder": [0, 1] * 40, "distance_mm": rng.uniform(5, 50, 80), "tolerance_mm": 0.1})
    >>> table["time_s"] = 3 * np.exp(0.2 * rng.standard_normal(80)) * np.where(table["ladder"] == 1, 0.7, 1.0)
    >>> compare_times(table, labels=("A", "B")).verdict
    'B is faster'
    """
    both = tasks.loc[tasks["ladder"].isin([first, second])].reset_index(drop=True)
    on_second = both["ladder"].eq(second).to_numpy()
    counts = int((~on_second).sum()), int(on_second.sum())
    if min(counts) < LEAST_TASKS:
        short = LEAST_TASKS - min(counts)
        return Difference(first=first, second=second, kind="measured", change=None, low=None, high=None,
                          verdict=CANT_TELL, more_tasks=short, tasks=sum(counts))  # fmt: skip
    effect = _person_effect(both, on_second, seed) or _task_effect(both, on_second, seed)
    return _concluded(effect, first, second, counts, labels)


@dataclass(frozen=True, kw_only=True)
class _Effect:
    """A difference of log times, its standard error, and the t beyond which chance rarely goes."""

    value: float
    error: float
    limit: float
    paired: bool


def _concluded(
    effect: _Effect, first: int, second: int, counts: tuple[int, int], labels: Sequence[str]
) -> Difference:
    low, high = effect.value - effect.limit * effect.error, effect.value + effect.limit * effect.error
    faster = second if high < 0 else first if low > 0 else None
    verdict = CANT_TELL if faster is None else f"{labels[1 if faster == second else 0]} is faster"
    return Difference(
        first=first, second=second, kind="measured", change=math.expm1(effect.value), low=math.expm1(low),
        high=math.expm1(high), verdict=verdict, faster=faster, paired=effect.paired, tasks=sum(counts),
        more_tasks=None if faster is not None else _more_tasks(effect, min(counts)),
    )  # fmt: skip


def _more_tasks(effect: _Effect, each: int) -> int:
    """More tasks on each ladder that would show this difference (or one worth knowing) four times in five."""
    size = max(abs(effect.value), math.log1p(WORTH_KNOWING))
    needed = each * ((_SURE + _POWER) * effect.error / size) ** 2
    return max(1, math.ceil(needed - each))


def _task_effect(tasks: pd.DataFrame, on_second: NDArray[np.bool_], seed: int) -> _Effect:
    """The adjusted difference over tasks."""
    y = np.log(tasks["time_s"].to_numpy(float))
    beside = _beside(tasks, len(tasks) // 4)
    design = np.column_stack([np.ones(len(y)), on_second, beside])
    coefficient = np.linalg.lstsq(design, y, rcond=None)[0]
    adjusted = y - beside @ coefficient[2:]
    a, b = adjusted[~on_second], adjusted[on_second]
    z = on_second - on_second.mean()
    shared = np.column_stack([np.ones(len(y)), beside])
    alone = z - shared @ np.linalg.lstsq(shared, z, rcond=None)[0]
    widened = math.sqrt(float(z @ z) / max(float(alone @ alone), 1e-12))
    freedom = max(len(y) - 2 - beside.shape[1], 1)
    error = _welch_error(a, b) * widened * math.sqrt((len(y) - 2) / freedom)
    return _Effect(value=float(coefficient[1]), error=error, limit=_limit_independent(a, b, seed), paired=False)


def _beside(tasks: pd.DataFrame, most: int) -> Floats:
    """What else sets a task's time: difficulty, axis, person; as many columns as the number of tasks bears."""
    difficulty = np.log2(tasks["distance_mm"].to_numpy(float) / tasks["tolerance_mm"].to_numpy(float) + 1)
    centred = difficulty - difficulty.mean()
    columns = [centred, centred**2][: max(most, 1)] if np.ptp(difficulty) > 1e-9 else []
    for name in ("axis", "person"):
        if name in tasks:
            labels = tasks[name].fillna("").astype(str)
            extra = [labels.eq(label).to_numpy(float) for label in sorted(labels.unique())[1:]]
            columns += extra if len(columns) + len(extra) <= most else []
    return np.column_stack([c - c.mean() for c in columns]) if columns else np.empty((len(tasks), 0))


def _person_effect(tasks: pd.DataFrame, on_second: NDArray[np.bool_], seed: int) -> _Effect | None:
    """The mean over persons of their own difference; None where fewer than six did at least two tasks on both."""
    if "person" not in tasks:
        return None
    own = []
    for _, mine in tasks.assign(on_second=on_second).groupby(tasks["person"].fillna("").astype(str)):
        second = mine["on_second"].to_numpy(bool)
        if min(int(second.sum()), int((~second).sum())) >= 2:
            own.append(_own_difference(mine, second))
    if len(own) < 6:
        return None
    values = np.array(own)
    error = float(values.std(ddof=1)) / math.sqrt(len(values))
    return _Effect(value=float(values.mean()), error=error, limit=_limit_paired(values, seed), paired=True)


def _own_difference(mine: pd.DataFrame, second: NDArray[np.bool_]) -> float:
    y = np.log(mine["time_s"].to_numpy(float))
    beside = _beside(mine.drop(columns=["person"]), len(mine) // 4)
    design = np.column_stack([np.ones(len(y)), second, beside])
    return float(np.linalg.lstsq(design, y, rcond=None)[0][1])


def _welch_error(a: Floats, b: Floats) -> float:
    return math.sqrt(float(a.var(ddof=1)) / len(a) + float(b.var(ddof=1)) / len(b))


def _limit_independent(a: Floats, b: Floats, seed: int) -> float:
    """The t that permuted tasks exceed once in twenty."""
    from scipy.stats import permutation_test

    def t(x: Floats, y: Floats, axis: int = -1) -> Floats:
        error = np.sqrt(x.var(axis=axis, ddof=1) / x.shape[axis] + y.var(axis=axis, ddof=1) / y.shape[axis])
        return np.asarray((x.mean(axis=axis) - y.mean(axis=axis)) / np.maximum(error, 1e-300))

    found = permutation_test((a - a.mean(), b - b.mean()), t, permutation_type="independent", vectorized=True,
                             n_resamples=_RESAMPLES, rng=np.random.default_rng(seed))  # fmt: skip
    return float(np.quantile(np.abs(found.null_distribution), 0.95, method="higher"))


def _limit_paired(values: Floats, seed: int) -> float:
    """The t that sign-flipped differences exceed once in twenty."""
    from scipy.stats import permutation_test

    def t(x: Floats, axis: int = -1) -> Floats:
        error = x.std(axis=axis, ddof=1) / math.sqrt(x.shape[axis])
        return np.asarray(x.mean(axis=axis) / np.maximum(error, 1e-300))

    found = permutation_test((values - values.mean(),), t, permutation_type="samples", vectorized=True,
                             n_resamples=_RESAMPLES, rng=np.random.default_rng(seed))  # fmt: skip
    return float(np.quantile(np.abs(found.null_distribution), 0.95, method="higher"))


# ------------------------------------------------------------------ putting it together


def _result(
    machine: Machine, ladders: Sequence[Ladder], index: int, tasks: pd.DataFrame, replays: pd.DataFrame,
    prediction: _Prediction | None,
) -> LadderResult:  # fmt: skip
    ladder = ladders[index]
    mine = replays.loc[replays["ladder"] == index] if len(replays) else replays
    done = tasks.loc[tasks["ladder"] == index, "time_s"] if len(tasks) else pd.Series(dtype=float)
    expected = _expected(machine, ladder) if prediction is None else _from_goals(prediction, index)
    return LadderResult(
        ladder=ladder,
        expected_time_s=expected[0], low=expected[1], high=expected[2], impossible=expected[3],
        run_on_mm=_farthest(machine, mine) if len(mine) else _steady_run_on(machine, ladder),
        lost_detents=int(mine["lost_detents"].sum()) if len(mine) else None,
        at_ceiling_s=float(mine["at_ceiling_s"].sum()) if len(mine) else None,
        measured=mean_figure(done),
    )  # fmt: skip


def _farthest(machine: Machine, mine: pd.DataFrame) -> float:
    straight = mine.loc[mine["axis"].isin([axis.name for axis in _in_one_unit(machine)])]
    return float((straight if len(straight) else mine)["run_on_mm"].max())


_Expected = tuple[float | None, float | None, float | None, tuple[str, ...]]


def _from_goals(prediction: _Prediction, index: int) -> _Expected:
    if prediction.impossible[index]:
        return None, None, None, prediction.impossible[index]
    mean = float(prediction.times_s[index].mean())
    if prediction.times_s.shape[1] < LEAST_TASKS:
        return mean, None, None, ()
    low, high = np.quantile(prediction.means_s[index], [0.025, 0.975])
    return mean, float(low), float(high), ()


def _expected(machine: Machine, ladder: Ladder) -> _Expected:
    """Expected time on the machine's own task mix; no interval, as nobody was measured."""
    mix = make_mix(machine, ladder.gains_mm)
    estimates = [estimate_task(mix, ladder, t) for t in range(len(mix.tasks))]
    impossible = tuple(
        f"{task.name}: {round(100 * estimate.share_impossible)} % of goals are out of reach ({estimate.reason})"
        for task, estimate in zip(mix.tasks, estimates, strict=True)
        if not estimate.possible
    )
    if impossible or any(estimate.mean_s is None for estimate in estimates):
        return None, None, None, impossible
    return float(mix.weights @ [float(estimate.mean_s or 0.0) for estimate in estimates]), None, None, ()


def _steady_run_on(machine: Machine, ladder: Ladder) -> float:
    """The farthest run-on of any rung on any axis at the steady turn rate, every click owed.

    Degrees are left out where there are axes in mm.
    """
    link, knob = machine.link, machine.knob
    return max(
        derive_answer(
            float(gain), top_speed_mm_s=axis.top_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2,
            steady=knob.steady_detents_s, fastest=knob.fastest_detents_s,
            report_interval_s=link.report_interval_s, delay_s=link.delay_s, reach_mm=axis.reach_mm,
        ).run_on_mm
        for axis in _in_one_unit(machine) for gain in _axis_gains(machine, axis, ladder)
    )  # fmt: skip


def _in_one_unit(machine: Machine) -> list[Axis]:
    return [axis for axis in machine.axes if not axis.rotary] or list(machine.axes)


def _difference(
    results: Sequence[LadderResult], tasks: pd.DataFrame, prediction: _Prediction | None, i: int, j: int, seed: int
) -> Difference:
    """The best-founded difference of a pair: measured, else predicted from the log's goals, else expected."""
    labels = (results[i].label, results[j].label)
    counts = [int((tasks["ladder"] == k).sum()) if len(tasks) else 0 for k in (i, j)]
    if min(counts) >= LEAST_TASKS:
        return compare_times(tasks, first=i, second=j, labels=labels, seed=seed)
    if results[i].expected_time_s is None or results[j].expected_time_s is None:
        return _impossible_difference(results, i, j, "predicted" if prediction else "expected")
    if prediction is None:
        return _expected_difference(results, i, j)
    if len(tasks) < LEAST_TASKS:
        return Difference(first=i, second=j, kind="predicted", change=None, low=None, high=None, verdict=CANT_TELL,
                          more_tasks=LEAST_TASKS - len(tasks), tasks=len(tasks))  # fmt: skip
    ratio = np.log(prediction.means_s[j] / prediction.means_s[i])
    low, high = (float(v) for v in np.quantile(ratio, [0.025, 0.975]))
    value = math.log((results[j].expected_time_s or 1.0) / (results[i].expected_time_s or 1.0))
    effect = _Effect(value=value, error=max((high - low) / 2 / _SURE, 1e-12), limit=_SURE, paired=False)
    found = _concluded(effect, i, j, (len(tasks), len(tasks)), labels)
    told = replace(found, kind="predicted", low=math.expm1(low), high=math.expm1(high), tasks=len(tasks))
    return _as_told(told, labels)


def _as_told(found: Difference, labels: Sequence[str]) -> Difference:
    """The verdict as its interval has it."""
    low, high = found.low or 0.0, found.high or 0.0
    faster = found.second if high < 0 else found.first if low > 0 else None
    verdict = CANT_TELL if faster is None else f"{labels[1 if faster == found.second else 0]} is faster"
    more = None if faster is not None else found.more_tasks or 1
    return replace(found, verdict=verdict, faster=faster, more_tasks=more)


def _expected_difference(results: Sequence[LadderResult], i: int, j: int) -> Difference:
    change = (results[j].expected_time_s or 1.0) / (results[i].expected_time_s or 1.0) - 1
    faster = None if abs(change) < NEAR_SHARE else j if change < 0 else i
    verdict = CANT_TELL if faster is None else f"{results[faster].label} should be faster; nothing was measured"
    return Difference(first=i, second=j, kind="expected", change=change, low=None, high=None, verdict=verdict,
                      faster=faster)  # fmt: skip


def _impossible_difference(results: Sequence[LadderResult], i: int, j: int, kind: str) -> Difference:
    able = [k for k in (i, j) if results[k].expected_time_s is not None]
    verdict = f"only {results[able[0]].label} can do every task" if able else "neither can do every task"
    return Difference(first=i, second=j, kind=kind, change=None, low=None, high=None, verdict=verdict,
                      faster=able[0] if able else None)  # fmt: skip


def _remarks(
    logs: Sequence[Log], counts: Sequence[RowCount], tasks: pd.DataFrame, prediction: _Prediction | None
) -> list[str]:
    texts = [f"{count.source}: {count.say()}." for count in counts if count.left_out]
    texts += [f"{count.source}: {remark}." for count in counts for remark in count.remarks]
    if not logs:
        texts.append("No log: expected times are those of an average hand that nobody measured.")
    elif not len(tasks):
        texts.append("The logs show no finished goals, so expected times are those of an average hand.")
    elif prediction is not None and prediction.held_out_error is None:
        few = say_count(len(tasks), "finished goal")
        texts.append(f"{few} {'is' if len(tasks) == 1 else 'are'} too few to test the prediction on tasks it has not seen.")
    if any(log.simulated for log in logs):
        texts.append("Simulated logs are among these: nobody turned that knob.")
    if any("on the screen" in text for log in logs for text in log.notes.values()):
        texts.append("On-screen logs are among these: what a mouse wheel shows does not carry over to a real knob.")
    return texts


def comparison_to_dict(found: Comparison) -> dict[str, Any]:
    """What `jogtune compare --json` prints; distances in mm, times in s, differences as shares of time.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladders = [parse_ladder(text, router) for text in ("0.02,0.2,2", "0.02,0.1,0.5,5")]
    >>> found = compare(router, ladders)
    >>> said = comparison_to_dict(found)
    >>> said["ladders"][0]["gains"], said["differences"][0]["kind"]
    (['1/50', '1/5', '2'], 'expected')
    """
    return {
        "machine": found.machine.name,
        "simulated": found.simulated,
        "ladders": [_ladder_to_dict(result) for result in found.ladders],
        "differences": [
            difference_to_dict(one, [found.ladders[n].label for n in (one.first, one.second)])
            for one in found.differences
        ],
        "held_out_error": found.held_out_error,
        "held_out_total_error": found.held_out_total_error,
        "over_best": found.over_best,
        "logs": [{"source": count.source, **count.as_json(), "remarks": list(count.remarks)} for count in found.counts],
        **{name: sum(getattr(count, name) for count in found.counts) for name in ("rows_in", "rows_out", "left_out")},
        "hand": {name: value if math.isfinite(value) else None for name, value in vars(found.hand).items()},
        "remarks": list(found.remarks),
    }  # fmt: skip


def difference_to_dict(found: Difference, labels: Sequence[str]) -> dict[str, Any]:
    """One difference as JSON; `labels` are those of its first and second ladder.

    >>> unsure = Difference(first=0, second=1, kind="measured", change=0.1, low=-0.1, high=0.3, verdict=CANT_TELL)
    >>> said = difference_to_dict(unsure, ("0.02, 0.2 mm", "0.02, 1 mm"))
    >>> said["pairs"], said["verdict"]
    (['0.02, 0.2 mm', '0.02, 1 mm'], "can't tell apart")
    """
    told = ("kind", "change", "low", "high", "verdict", "faster", "more_tasks", "tasks", "paired")
    pair = {"pair": [found.first, found.second], "pairs": list(labels)}
    return pair | {name: getattr(found, name) for name in told}


def _ladder_to_dict(result: LadderResult) -> dict[str, Any]:
    return {
        "label": result.label,
        "gains_mm": [float(gain) for gain in result.ladder.gains_mm],
        "gains": [str(gain) for gain in result.ladder.gains_mm],
        "expected_time_s": result.expected_time_s,
        "low": result.low,
        "high": result.high,
        "run_on_mm": result.run_on_mm,
        "lost_detents": result.lost_detents,
        "at_ceiling_s": result.at_ceiling_s,
        "measured_time_s": result.measured.as_json(),
        "impossible": list(result.impossible),
    }
