"""compare(): ladders x logs, with intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from ..axis.advice import derive_answer
from ..choose.tasks import estimate_task, make_mix
from ..hand.person import Hand
from ..ladder.ladder import Ladder
from ..logs.log import Log, RowCount, say_count
from ..machine.model import Axis, Machine
from ..words.speak import speak
from .figure import Figure, mean_figure
from .measure import measure
from .predict import LEAST_TASKS, SURE, Prediction, all_tasks, predict
from .replay import axis_gains, replay_turns
from .times import CANT_TELL, Difference, Effect, compare_times, concluded

NEAR_SHARE = 0.02  # expected times nearer than this can't usefully be told apart; our choice


@dataclass(frozen=True, kw_only=True)
class LadderResult:
    """One ladder of a comparison.

    `expected_time_s` is the mean over the tasks compared, with its interval where a log gives one; None where a
    task can't be finished, which `impossible` explains. `run_on_mm` is the farthest run-on of the log's turns
    (*owe*), without a log that of the coarsest rung at the steady turn rate; `lost_detents` counts clicks that
    *forgive* would give up (None without a log). `measured` are the times people took on it.
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
class Comparison:
    """Ladders held against each other; `held_out_error` is how far the prediction is off on tasks it has not seen.

    `tasks` has a row per task of the logs: time_s, predicted_s and what `fit_table` gives; `replays` is that of
    `replay_turns`. `held_out_error` is the root mean square relative error of single tasks, `held_out_total_error`
    that of their total. `over_best` is how much longer people took than the best use of their ladder would. `counts`
    says, log by log, how many of its rows were left out.
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
    """
    found = [measure(log, machine) for log in logs]
    counts = tuple(one.count for one in found)
    tasks = all_tasks(found, logs, ladders)
    turns = [log.rows for log in logs]
    replays = pd.concat([replay_turns(rows, machine, ladders) for rows in turns]) if turns else pd.DataFrame()
    prediction = predict(machine, ladders, found, tasks, seed) if len(tasks) else None
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


def _result(
    machine: Machine, ladders: Sequence[Ladder], index: int, tasks: pd.DataFrame, replays: pd.DataFrame,
    prediction: Prediction | None,
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


def _from_goals(prediction: Prediction, index: int) -> _Expected:
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
        f"{task.name}: {round(100 * estimate.share_impossible)} % of goals are out of reach ({speak(estimate.reason)})"
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
        for axis in _in_one_unit(machine) for gain in axis_gains(machine, axis, ladder)
    )  # fmt: skip


def _in_one_unit(machine: Machine) -> list[Axis]:
    return [axis for axis in machine.axes if not axis.rotary] or list(machine.axes)


def _difference(
    results: Sequence[LadderResult], tasks: pd.DataFrame, prediction: Prediction | None, i: int, j: int, seed: int
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
    effect = Effect(value=value, error=max((high - low) / 2 / SURE, 1e-12), limit=SURE, paired=False)
    found = concluded(effect, i, j, (len(tasks), len(tasks)), labels)
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
    logs: Sequence[Log], counts: Sequence[RowCount], tasks: pd.DataFrame, prediction: Prediction | None
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
    if any("on the screen" in text for log in logs for text in log.header.values()):
        texts.append("On-screen logs are among these: what a mouse wheel shows does not carry over to a real knob.")
    return texts


def comparison_to_dict(found: Comparison) -> dict[str, Any]:
    """What `jogtune compare --json` prints; distances in mm, times in s, differences as shares of time."""
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
    """One difference as JSON; `labels` are those of its first and second ladder."""
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
