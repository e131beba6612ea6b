"""compare()."""

import math
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..axis.row import rows
from ..choose.tasks import estimate_task, make_mix
from ..files import Fault, InputFault
from ..hand.person import Hand
from ..ladder.ladder import Ladder, as_ladder
from ..logs.log import Log, RowCount
from ..logs.read import read_log
from ..machine.file import as_machine
from ..machine.model import Machine
from ..notes import Note, Severity, Where
from ..shown import Shown
from .figure import Figure, _mean_figure
from .many import _measure_all
from .measure import _prepared
from .predict import _LEAST_TASKS, _all_tasks, _credit, _named_ladders, _predict, _Prediction, _replay_turns
from .times import _NEAR_SHARE, Difference, _compare_times, _how_to_tell

_FASTER_IS_NOT_SAFER = Note(kind="faster_is_not_safer", severity=Severity.CAUTION)


@dataclass(frozen=True, kw_only=True)
class LadderResult:
    """One ladder of a comparison.

    `expected_time_s` is the mean over the tasks compared, with its interval where a log gives one; None where a task can't be
    finished, which `impossible` explains. `run_on_mm` is the farthest of any rung, by the machine file or the log's turns,
    degrees left out where there are axes in mm. `lost_detents` counts clicks that the machine file's limit or queue drops, or
    *forgive* would where it has neither (None without a log). `measured` are the times people took on it."""

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
    """Ladders held against each other; of more than 12 each against the fastest only.

    `tasks` has a row per task of the logs: time_s, predicted_s and what `tasks_to_fit` gives. `held_out_error` is the root mean
    square relative error of single tasks not seen before, `held_out_total_error` that of their total. `over_best` is how much
    longer people took than with the best of taking the coarsest rung with 2, 4 or 8 clicks left. `clicks_left` is how many people
    leave themselves, `explained_share` how many of the rungs taken that explains; both None without goals. `run_on` has a row per
    ladder, position and axis: run_on_mm after a steady hand, every click owed, as the machine file has it; replayed_mm, the
    farthest of the log's turns (NaN where none of its `clicks` map there); difference_mm."""

    machine: Machine
    ladders: tuple[LadderResult, ...]
    differences: tuple[Difference, ...]
    hand: Hand
    held_out_error: float | None = None
    held_out_total_error: float | None = None
    over_best: float | None = None
    clicks_left: float | None = None
    explained_share: float | None = None
    remarks: tuple[Note, ...] = ()
    simulated: bool = False
    counts: tuple[RowCount, ...] = ()
    tasks: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)
    run_on: pd.DataFrame = field(default_factory=pd.DataFrame, repr=False)

    @property
    def notes(self) -> tuple[Note, ...]:
        """Everything to be said: what was concluded first, the caution last."""
        labels = [result.label for result in self.ladders]
        concluded = [one.note(labels) for one in self.differences]
        impossible = [note for result in self.ladders for note in result.impossible]
        shares = {"single_share": self.held_out_error, "total_share": self.held_out_total_error}
        tested = [] if self.held_out_error is None else [Note(kind="held_out", figures=shares)]
        predicted = any(one.kind == "predicted" for one in self.differences)
        by_rule = [Note(kind="predicted_by_rule", figures={"explained_share": self.explained_share})] if predicted else []
        return (*concluded, *_how_to_tell(self.differences), *by_rule, *impossible, *tested, *self.remarks, _FASTER_IS_NOT_SAFER)

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
    machine: Machine | str | Path, ladders: Sequence[Ladder | str], logs: Sequence[Log | str | Path] = (), *,
    made_with: Sequence[Ladder | str | None] = (), seed: int = 0, executor: Executor | None = None,
) -> Comparison:  # fmt: skip
    """Hold ladders against each other on a machine, with whatever logs there are.

    Without logs: expected time on the machine's tasks by an average hand, and run-on. With logs: also the three ways of this
    module, as far as the logs go; `remarks` says what they lack. `made_with` is the ladder of each log, where it doesn't say.
    Raises `InputFault` as `measure` does, and where rungs come by number and no ladder is told."""
    machine = as_machine(machine)
    held = [as_ladder(ladder, machine) for ladder in ladders]
    read = [log if isinstance(log, Log) else read_log(log) for log in logs]
    own = [None if ladder is None else as_ladder(ladder, machine) for ladder in made_with or [None] * len(read)]
    read = _in_distances(machine, read, own, held)
    found = _measure_all(machine, read, executor)
    counts = tuple(one.count for one in found)
    credits = [_credit(one, log, held, ladder) for one, log, ladder in zip(found, read, own, strict=True)]
    tasks = _all_tasks(found, credits)
    prediction = _predict(machine, held, found, credits, tasks, seed) if len(tasks) else None
    run_on = _run_on(machine, read, held, _fastest(machine, len(held), prediction))
    results = tuple(_result(machine, held, i, tasks, mine, prediction) for i, (_, mine) in enumerate(run_on.groupby("ladder")))
    times = [math.inf if one.expected_time_s is None else one.expected_time_s for one in results]
    best, every = times.index(min(times)), combinations(range(len(results)), 2)
    pairs = [pair for pair in every if len(results) <= _ALL_PAIRS or best in pair]
    told: dict[str, Any] = {name: getattr(prediction, name) for name in _PREDICTED} if prediction else {}
    return Comparison(
        machine=machine, ladders=results, differences=tuple(_difference(results, tasks, prediction, i, j) for i, j in pairs),
        remarks=tuple(_remarks(read, counts, tasks, prediction, results, run_on)), counts=counts,
        simulated=any(log.simulated for log in read), run_on=run_on[_RUN_ON],
        tasks=tasks if prediction is None else tasks.assign(predicted_s=prediction.own_s),
        **({"hand": Hand.from_machine(machine)} | told),
    )  # fmt: skip


_ALL_PAIRS = 12  # ladders: more of them, and each is held against the fastest only
_PREDICTED = ("hand", "held_out_error", "held_out_total_error", "over_best", "clicks_left", "explained_share")


def _in_distances(
    machine: Machine, logs: Sequence[Log], own: Sequence[Ladder | None], compared: Sequence[Ladder]
) -> list[Log]:  # fmt: skip
    """The logs with a distance per click in each row, those by number by the ladder told or named in their opening lines."""
    ladders = [told or _named_ladders(log, machine).get("ladder") for log, told in zip(logs, own, strict=True)]
    faults = []
    for log in (log for log, ladder in zip(logs, ladders, strict=True) if "gain_mm" not in log.rows and ladder is None):
        most = int(log.rows["rung"].max())
        like = next((ladder.say() for ladder in compared if len(ladder.rungs) >= most), "0.02, 0.2, 2 mm")
        cure = f'was it made with {like}? Then type the same again with --made-with "{like}" behind it'
        faults.append(Fault(log.source, rule=f"numbers its rungs, up to {most}, and has no distances", cure=cure))
    if faults:
        raise InputFault("compare", faults)
    return [replace(log, rows=_prepared(log, machine, ladder, log.source)) for log, ladder in zip(logs, ladders, strict=True)]


_MOST_QUEUES = 64  # ladders replayed under a queue, which is slow: our choice


def _fastest(machine: Machine, count: int, prediction: _Prediction | None) -> list[int]:
    """The ladders to be replayed: all, or as many as a queue lets, the fastest by their predicted times."""
    order = list(range(count)) if prediction is None else np.argsort(prediction.means_s, kind="stable").tolist()
    return sorted(order if machine.firmware.queue is None else order[:_MOST_QUEUES])


_RUN_ON = ["ladder", "position", "axis", "gain_mm", "run_on_mm", "replayed_mm", "difference_mm", "clicks"]


def _run_on(machine: Machine, logs: Sequence[Log], ladders: Sequence[Ladder], replayed_too: list[int]) -> pd.DataFrame:
    """Every rung of every ladder on every axis, and what the turns of all logs make of those to be replayed."""
    names, keys = ["position", "axis", "gain_mm", "run_on_mm"], ["ladder", "position", "axis"]
    filed = [(i, *(getattr(row, name) for name in names)) for i, ladder in enumerate(ladders) for row in rows(machine, ladder)]
    parts = [_replay_turns(machine, log.rows, [ladders[i] for i in replayed_too]) for log in logs]
    parts = [part.assign(ladder=np.array(replayed_too)[part["ladder"]]) for part in parts if len(part)]
    summed: Any = {"clicks": "sum", "replayed_mm": "max", "at_ceiling_s": "sum", "lost_detents": "sum"}
    empty = pd.DataFrame(columns=[*keys, *summed])
    replayed = pd.concat(parts or [empty]).groupby(keys).agg(summed).astype(float)
    found = pd.DataFrame(filed, columns=["ladder", *names]).join(replayed, on=keys)
    if len(replayed):
        mine = found["ladder"].isin(replayed_too)
        found = found.fillna({name: mine.map({True: 0.0}) for name in ("clicks", "at_ceiling_s", "lost_detents")})
    return found.assign(difference_mm=(found["replayed_mm"] - found["run_on_mm"]).round(9))


def _result(
    machine: Machine, ladders: Sequence[Ladder], index: int, tasks: pd.DataFrame, mine: pd.DataFrame,
    prediction: _Prediction | None,
) -> LadderResult:  # fmt: skip
    ladder = ladders[index]
    done = tasks.loc[tasks["ladder"] == index, "time_s"] if len(tasks) else pd.Series(dtype=float)
    if prediction is None:
        mean, impossible = _expected(machine, ladder)
    else:
        impossible = prediction.impossible[index]
        mean = None if impossible else float(prediction.means_s[index])
    surely = prediction is not None and mean is not None and len(prediction.own_s) >= _LEAST_TASKS
    low, high = prediction.around(index) if prediction and surely else (None, None)
    straight = mine["axis"].isin([axis.name for axis in machine.axes if not axis.rotary])
    logged = mine["clicks"].notna().any()
    return LadderResult(
        ladder=ladder, expected_time_s=mean, low=low, high=high, impossible=impossible, measured=_mean_figure(done),
        run_on_mm=float((mine[straight] if straight.any() else mine)[["run_on_mm", "replayed_mm"]].max().max()),
        lost_detents=int(mine["lost_detents"].sum()) if logged else None,
        at_ceiling_s=float(mine["at_ceiling_s"].sum()) if logged else None,
    )


def _expected(machine: Machine, ladder: Ladder) -> tuple[float | None, tuple[Note, ...]]:
    """Expected time on the machine's own task mix, and what can't be done there."""
    mix = make_mix(machine, ladder)
    estimates = [estimate_task(mix, ladder.on(machine.axis(task.axis)), t) for t, task in enumerate(mix.tasks)]
    impossible = tuple(
        Note(kind="task_out_of_reach", severity=Severity.MIND, where=Where(task=task.name), unit=machine.show_in,
             figures={"out_share": estimate.share_impossible, "reason": estimate.reason})
        for task, estimate in zip(mix.tasks, estimates, strict=True) if not estimate.possible
    )  # fmt: skip
    means = [estimate.mean_s for estimate in estimates if estimate.mean_s is not None]
    told = len(means) == len(estimates) and not impossible
    return float(mix.weights @ means) if told else None, impossible


def _difference(
    results: Sequence[LadderResult], tasks: pd.DataFrame, prediction: _Prediction | None, i: int, j: int
) -> Difference:
    """The best-founded difference of a pair: measured, else predicted from the log's goals, else expected."""
    counts = [int((tasks["ladder"] == k).sum()) if len(tasks) else 0 for k in (i, j)]
    if min(counts) >= _LEAST_TASKS:
        return _compare_times(tasks, first=i, second=j)
    found = Difference(first=i, second=j, kind="predicted" if prediction else "expected")
    first, second = results[i].expected_time_s, results[j].expected_time_s
    if first is None or second is None:
        return replace(found, faster=i if first is not None else j if second is not None else None)
    if prediction is None:
        change = second / first - 1
        return replace(found, change=change, faster=None if abs(change) < _NEAR_SHARE else j if change < 0 else i)
    if len(tasks) < _LEAST_TASKS:
        return replace(found, more_tasks=_LEAST_TASKS - len(tasks), tasks=len(tasks))
    change = math.log(second / first)
    off = prediction.off(change)
    change, low, high = (math.expm1(one) for one in (change, change - off, change + off))
    faster = j if high < 0 else i if low > 0 else None
    return replace(found, change=change, low=low, high=high, faster=faster, tasks=len(tasks))


def _remarks(
    logs: Sequence[Log], counts: Sequence[RowCount], tasks: pd.DataFrame, prediction: _Prediction | None,
    results: Sequence[LadderResult], run_on: pd.DataFrame,
) -> Iterator[Note]:  # fmt: skip
    for count in counts:
        yield from count.notes
    if not logs:
        yield Note(kind="no_log", severity=Severity.MIND)
    elif not len(tasks):
        yield Note(kind="no_goals", severity=Severity.MIND)
    elif prediction is not None and prediction.held_out_error is None:
        yield Note(kind="untested_prediction", severity=Severity.MIND, figures={"goals": len(tasks)})
    idle = run_on.groupby(["ladder", "position"])["clicks"].max().eq(0)
    for index, result in enumerate(results):
        if positions := tuple(i for at, i in idle[idle].index if at == index):
            figures, where = {"ladder": result.label}, Where(positions=positions)
            yield Note(kind="rungs_without_clicks", severity=Severity.MIND, where=where, figures=figures)
    if logs and run_on["clicks"].isna().any():
        yield Note(kind="fastest_replayed", severity=Severity.MIND, figures={"count": _MOST_QUEUES, "all": len(results)})
    if any(log.simulated for log in logs):
        yield Note(kind="logs_simulated", severity=Severity.MIND)
    if any("on the screen" in text for log in logs for text in log.header.values()):
        yield Note(kind="on_screen_logs", severity=Severity.MIND)
