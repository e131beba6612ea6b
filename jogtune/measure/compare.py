"""compare()."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd

from ..axis.advice import derive_answer
from ..choose.tasks import estimate_task, make_mix
from ..hand.person import Hand
from ..ladder.ladder import Ladder, as_ladder
from ..logs.log import Log, RowCount
from ..logs.read import read_log
from ..machine.file import as_machine
from ..machine.model import Axis, Machine
from ..notes import Note, Severity, Where
from ..shown import Shown
from .figure import Figure, _mean_figure
from .many import _measure_all
from .predict import _LEAST_TASKS, _all_tasks, _axis_gains, _predict, _Prediction, _replay_turns
from .times import _NEAR_SHARE, Difference, _compare_times, _how_to_tell

_FASTER_IS_NOT_SAFER = Note(kind="faster_is_not_safer", severity=Severity.CAUTION)


@dataclass(frozen=True, kw_only=True)
class LadderResult:
    """One ladder of a comparison.

    `expected_time_s` is the mean over the tasks compared, with its interval where a log gives one; None where a task can't be
    finished, which `impossible` explains. `run_on_mm` is the farthest run-on of the log's turns (*owe*), without a log that of
    the coarsest rung at the steady turn rate; `lost_detents` counts clicks that *forgive* would give up (None without a log).
    `measured` are the times people took on it."""

    ladder: Ladder
    expected_time_s: float | None
    low: float | None
    high: float | None
    run_on_mm: float
    lost_detents: int | None
    at_ceiling_s: float | None
    measured: Figure
    impossible: tuple[Note, ...] = ()

    @property
    def label(self) -> str:
        """The distances per click in the person's unit."""
        return self.ladder.say()


@dataclass(frozen=True, kw_only=True, repr=False)
class Comparison(Shown):
    """Ladders held against each other; `held_out_error` is how far the prediction is off on tasks it has not seen.

    `tasks` has a row per task of the logs: time_s, predicted_s and what `tasks_to_fit` gives. `held_out_error` is the root mean
    square relative error of single tasks, `held_out_total_error` that of their total. `over_best` is how much longer people
    took than the best use of their ladder would. `counts` says, log by log, how many of its rows were left out."""

    machine: Machine
    ladders: tuple[LadderResult, ...]
    differences: tuple[Difference, ...]
    hand: Hand
    held_out_error: float | None = None
    held_out_total_error: float | None = None
    over_best: float | None = None
    remarks: tuple[Note, ...] = ()
    simulated: bool = False
    counts: tuple[RowCount, ...] = ()
    tasks: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)

    @property
    def notes(self) -> tuple[Note, ...]:
        """Everything to be said: what was concluded first, the caution last."""
        labels = [result.label for result in self.ladders]
        concluded = [one.note(labels) for one in self.differences]
        impossible = [note for result in self.ladders for note in result.impossible]
        shares = {"single_share": self.held_out_error, "total_share": self.held_out_total_error}
        tested = [] if self.held_out_error is None else [Note(kind="held_out", figures=shares)]
        return (*concluded, *_how_to_tell(self.differences), *impossible, *tested, *self.remarks, _FASTER_IS_NOT_SAFER)

    @property
    def table(self) -> pd.DataFrame:
        """A row per ladder: its expected time and the measured one with intervals, run-on, clicks lost."""
        return pd.DataFrame([{
            "ladder": result.label, "expected_time_s": result.expected_time_s, "expected_time_low_s": result.low,
            "expected_time_high_s": result.high, **result.measured.columns("measured_time", "_s"),
            "tasks": result.measured.count, "run_on_mm": result.run_on_mm, "lost_detents": result.lost_detents,
            "at_ceiling_s": result.at_ceiling_s,
        } for result in self.ladders])  # fmt: skip


def compare(
    machine: Machine | str | Path, ladders: Sequence[Ladder | str], logs: Sequence[Log | str | Path] = (), *, seed: int = 0,
    executor: Executor | None = None,
) -> Comparison:
    """Hold ladders against each other on a machine, with whatever logs there are.

    Without logs: expected time on the machine's tasks by an average hand, and run-on. With logs: also the three ways of this
    module, as far as the logs go; `remarks` says what they lack. Raises `InputFault` as `measure` does."""
    machine = as_machine(machine)
    held = [as_ladder(ladder, machine) for ladder in ladders]
    read = [log if isinstance(log, Log) else read_log(log) for log in logs]
    found = _measure_all(machine, read, executor)
    counts = tuple(one.count for one in found)
    tasks = _all_tasks(found, read, held)
    replays = pd.concat([_replay_turns(machine, log.rows, held) for log in read]) if read else pd.DataFrame()
    prediction = _predict(machine, held, found, tasks, seed) if len(tasks) else None
    results = tuple(_result(machine, held, i, tasks, replays, prediction) for i in range(len(held)))
    return Comparison(
        machine=machine, ladders=results,
        differences=tuple(_difference(results, tasks, prediction, i, j) for i, j in combinations(range(len(held)), 2)),
        hand=prediction.hand if prediction else Hand.from_machine(machine),
        held_out_error=prediction.held_out_error if prediction else None,
        held_out_total_error=prediction.held_out_total_error if prediction else None,
        over_best=prediction.factor if prediction else None,
        remarks=tuple(_remarks(read, counts, tasks, prediction)), simulated=any(log.simulated for log in read), counts=counts,
        tasks=tasks if prediction is None else tasks.assign(predicted_s=prediction.own_s),
    )  # fmt: skip


def _result(
    machine: Machine, ladders: Sequence[Ladder], index: int, tasks: pd.DataFrame, replays: pd.DataFrame,
    prediction: _Prediction | None,
) -> LadderResult:  # fmt: skip
    ladder = ladders[index]
    mine = replays.loc[replays["ladder"] == index] if len(replays) else replays
    done = tasks.loc[tasks["ladder"] == index, "time_s"] if len(tasks) else pd.Series(dtype=float)
    mean, low, high, impossible = _expected(machine, ladder) if prediction is None else _from_goals(prediction, index)
    return LadderResult(
        ladder=ladder, expected_time_s=mean, low=low, high=high, impossible=impossible,
        run_on_mm=_farthest(machine, mine) if len(mine) else _steady_run_on(machine, ladder),
        lost_detents=int(mine["lost_detents"].sum()) if len(mine) else None,
        at_ceiling_s=float(mine["at_ceiling_s"].sum()) if len(mine) else None, measured=_mean_figure(done),
    )  # fmt: skip


def _farthest(machine: Machine, mine: pd.DataFrame) -> float:
    straight = mine.loc[mine["axis"].isin([axis.name for axis in _in_one_unit(machine)])]
    return float((straight if len(straight) else mine)["run_on_mm"].max())


_Expected = tuple[float | None, float | None, float | None, tuple[Note, ...]]


def _from_goals(prediction: _Prediction, index: int) -> _Expected:
    if prediction.impossible[index]:
        return None, None, None, prediction.impossible[index]
    mean = float(prediction.times_s[index].mean())
    if prediction.times_s.shape[1] < _LEAST_TASKS:
        return mean, None, None, ()
    low, high = np.quantile(prediction.means_s[index], [0.025, 0.975])
    return mean, float(low), float(high), ()


def _expected(machine: Machine, ladder: Ladder) -> _Expected:
    """Expected time on the machine's own task mix; no interval, as nobody was measured."""
    mix = make_mix(machine, ladder)
    estimates = [estimate_task(mix, ladder.on(machine.axis(task.axis)), t) for t, task in enumerate(mix.tasks)]
    impossible = tuple(
        Note(kind="task_out_of_reach", severity=Severity.MIND, where=Where(task=task.name), unit=machine.show_in,
             figures={"out_share": estimate.share_impossible, "reason": estimate.reason})
        for task, estimate in zip(mix.tasks, estimates, strict=True) if not estimate.possible
    )  # fmt: skip
    means = [estimate.mean_s for estimate in estimates if estimate.mean_s is not None]
    told = len(means) == len(estimates) and not impossible
    return float(mix.weights @ means) if told else None, None, None, impossible


def _steady_run_on(machine: Machine, ladder: Ladder) -> float:
    """The farthest run-on of any rung on any axis at the steady turn rate, every click owed.

    Degrees are left out where there are axes in mm."""
    link, knob = machine.link, machine.knob
    return max(
        derive_answer(
            float(gain), top_speed_mm_s=axis.top_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2,
            steady=knob.steady_detents_s, fastest=knob.fastest_detents_s,
            report_interval_s=link.report_interval_s, delay_s=link.delay_s, reach_mm=axis.reach_mm,
        ).run_on_mm
        for axis in _in_one_unit(machine) for gain in _axis_gains(axis, ladder)
    )  # fmt: skip


def _in_one_unit(machine: Machine) -> list[Axis]:
    return [axis for axis in machine.axes if not axis.rotary] or list(machine.axes)


def _difference(
    results: Sequence[LadderResult], tasks: pd.DataFrame, prediction: _Prediction | None, i: int, j: int
) -> Difference:
    """The best-founded difference of a pair: measured, else predicted from the log's goals, else expected."""
    counts = [int((tasks["ladder"] == k).sum()) if len(tasks) else 0 for k in (i, j)]
    if min(counts) >= _LEAST_TASKS:
        return _compare_times(tasks, first=i, second=j)
    kind = "predicted" if prediction else "expected"
    first, second = results[i].expected_time_s, results[j].expected_time_s
    if first is None or second is None:
        able = [k for k in (i, j) if results[k].expected_time_s is not None]
        return Difference(first=i, second=j, kind=kind, faster=able[0] if able else None)
    if prediction is None:
        change = second / first - 1
        faster = None if abs(change) < _NEAR_SHARE else j if change < 0 else i
        return Difference(first=i, second=j, kind=kind, change=change, faster=faster)
    if len(tasks) < _LEAST_TASKS:
        return Difference(first=i, second=j, kind=kind, more_tasks=_LEAST_TASKS - len(tasks), tasks=len(tasks))
    low, high = (float(v) - 1 for v in np.quantile(prediction.means_s[j] / prediction.means_s[i], [0.025, 0.975]))
    faster = j if high < 0 else i if low > 0 else None
    return Difference(first=i, second=j, kind=kind, change=second / first - 1, low=low, high=high, faster=faster, tasks=len(tasks))


def _remarks(
    logs: Sequence[Log], counts: Sequence[RowCount], tasks: pd.DataFrame, prediction: _Prediction | None
) -> Iterator[Note]:
    for count in counts:
        yield from count.notes
    if not logs:
        yield Note(kind="no_log", severity=Severity.MIND)
    elif not len(tasks):
        yield Note(kind="no_goals", severity=Severity.MIND)
    elif prediction is not None and prediction.held_out_error is None:
        yield Note(kind="untested_prediction", severity=Severity.MIND, figures={"goals": len(tasks)})
    if any(log.simulated for log in logs):
        yield Note(kind="logs_simulated", severity=Severity.MIND)
    if any("on the screen" in text for log in logs for text in log.header.values()):
        yield Note(kind="on_screen_logs", severity=Severity.MIND)
