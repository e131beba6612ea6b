"""measure(), whole or in parts."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..files import Fault, InputFault
from ..ladder.ladder import Ladder, as_ladder, parse_ladder
from ..logs.log import Log, RowCount
from ..logs.map import LogMap
from ..logs.read import iter_log
from ..machine.file import as_machine
from ..machine.model import Machine
from ..notes import Note, Severity
from .bursts import _find_bursts, _find_goals, _find_moves, _find_tasks, _quiet_parts, _stacked, _Thresholds
from .figure import Figure, _Floats, _mean_difference, _mean_figure, _quantile_figure, _spread_figure
from .measured import _CLAIMS, Measured, RungFigures, _refusal
from .rests import _AxisFigures, _delay_figure, _find_misread, _find_parts, _measure_axis, _Part, _position_noise
from .standards import _smoothness, _throughput_table
from .tune import _Episode, _find_episodes, _measure_ramp
from .use import _find_use

_MOST_EPISODES = 60  # looked at for the ramps: a script has fifteen
_MOST_PARTS = 300  # bursts looked at for the delay: more would not make it surer
_MOST_BURSTS = 100_000  # bursts and goals looked at one by one: days of turning; of a longer log the rest is only counted


def measure(
    machine: Machine | str | Path, log: str | Path | Log | pd.DataFrame | Iterable[Log | pd.DataFrame], *,
    ladder: Ladder | str | None = None, columns: LogMap | str | Path | None = None, thresholds: _Thresholds | None = None,
    position_kind: str | None = None, progress: bool = False,
) -> Measured:  # fmt: skip
    """Measure a log on a machine: a file (in bounded memory, `columns` its map), a log, or its consecutive parts.

    `ladder` says what the rungs are where the log gives them by number only. `position_kind` overrides what the log says of its
    position: "commanded", "counted" or "measured". Raises `InputFault` where the log names an axis that the machine has not, or
    rungs that nobody explained, or where none of its rows could be read."""
    machine = as_machine(machine)
    ladder = None if ladder is None else as_ladder(ladder, machine)
    if isinstance(log, (str, Path)):
        log = iter_log(log, columns=columns, progress=progress)
    parts = iter([log] if isinstance(log, (Log, pd.DataFrame)) else log)
    limits = thresholds or _Thresholds()
    first = next(parts, None)
    if first is None:
        raise InputFault("log", [Fault(rule="holds no rows", cure="record some turning first")])
    about = first if isinstance(first, Log) else None
    ladder = ladder or _named_ladder(about, machine)
    kind = position_kind or (about.position_kind if about else None)
    gathered = _Gathered(machine=machine, limits=limits, kind=kind, source=about.source if about else "log")
    frames = (gathered.counted(part, ladder) for part in itertools.chain([first], parts))
    for number, rows in enumerate(_quiet_parts(frames, quiet_s=limits.rest_s)):
        gathered.take(rows, again=number > 0)
    gathered.count.refuse_if_none()
    return _conclude(gathered, ladder, simulated=bool(about and about.simulated))


def _named_ladder(about: Log | None, machine: Machine) -> Ladder | None:
    """The ladder that the log opens with, "# ladder: 0.01, 0.1, 1"; None where it has none, or a mere name."""
    try:
        return parse_ladder(about.header["ladder"], machine) if about else None
    except (KeyError, InputFault):
        return None


def _prepared(part: Log | pd.DataFrame, machine: Machine, ladder: Ladder | None, source: str) -> pd.DataFrame:
    """The rows with gain_mm, for axes that the machine has."""
    rows = part if isinstance(part, pd.DataFrame) else part.rows
    known = {axis.name for axis in machine.axes}
    strange = [str(name) for name in pd.unique(rows["axis"].astype(object)) if str(name) not in known]
    rule = f"is not on {machine.name}: it has {', '.join(sorted(known))}"
    faults = [Fault(f'axis "{name[:40]}" {rule}', cure="map the name") for name in strange[:10]]
    if "gain_mm" not in rows and ladder is None:
        faults.append(Fault(rule="gives rungs by number", cure='say what they are with --ladder, or "# ladder: 0.01, 0.1" on top'))
    if faults:
        raise InputFault(source, faults)
    if "gain_mm" in rows or ladder is None:
        return rows
    count, rung = len(ladder.rungs), rows["rung"].to_numpy(np.int64)
    if len(rung) and (rung.min() < 1 or rung.max() > count):
        raise InputFault(source, [Fault(f"rung {rung.max()} is not on the ladder of {count}", cure="give every rung")])
    columns = {axis.name: np.array([float(gain) for gain in ladder.on(axis)]) for axis in machine.axes}
    names, which = np.unique(rows["axis"].astype(str).to_numpy(), return_inverse=True)
    table = np.array([columns[name] for name in names]).reshape(len(names), count)
    return rows.assign(gain_mm=table[which, rung - 1])


class _Gathered:
    """What is kept of the rows seen so far; `totals` [clicks, bursts, reversals] of each rung and axis are of every burst."""

    def __init__(self, *, machine: Machine, limits: _Thresholds, kind: str | None, source: str) -> None:
        self.machine, self.limits, self.kind = machine, limits, kind
        self.count = RowCount(source=source, rows_in=0, rows_out=0)
        self.bursts, self.goals, self.parts = list[pd.DataFrame](), list[pd.DataFrame](), list[_Part]()
        self.episodes, self.smoothness = list[_Episode](), [_smoothness(pd.DataFrame(), pd.DataFrame())]
        self.misread = [pd.DataFrame(columns=["time_s", "axis", "position_mm"])]
        self.time_s, self.totals = dict[float, float](), dict[tuple[float, str], NDArray[np.int64]]()
        self.kept, self.kept_s = 0, math.inf
        self.rows, self.first_s, self.last_s = 0, math.inf, -math.inf
        self.has_position = False

    def counted(self, part: Log | pd.DataFrame, ladder: Ladder | None) -> pd.DataFrame:
        self.count = self.count.plus(part)
        return _prepared(part, self.machine, ladder, self.count.source)

    def take(self, rows: pd.DataFrame, *, again: bool) -> None:
        """One part; `again` says that its first row was the last of the part before."""
        if "position_mm" in rows:
            misread = _find_misread(self.machine, rows)
            self.misread.append(rows.loc[misread, ["time_s", "axis", "position_mm"]])
            rows = rows.assign(position_mm=rows["position_mm"].mask(misread)) if misread.any() else rows
        found = _find_bursts(self.machine, rows, self.limits)
        goals = _find_goals(rows)
        self._add_up(rows, found)
        self.rows += len(rows) - again
        if len(rows):
            self.first_s = min(self.first_s, float(rows["time_s"].iloc[0]))
            self.last_s = float(rows["time_s"].iloc[-1])
        if self.kept > _MOST_BURSTS:
            return
        self.kept, self.kept_s = self.kept + len(found) + len(goals), self.last_s
        self.bursts.append(found)
        told = again and len(goals) > 0 and float(goals["shown_s"].iloc[0]) == float(rows["time_s"].iloc[0])
        self.goals.append(goals.iloc[1:] if told else goals)
        if "position_mm" in rows:
            self.has_position = self.has_position or bool(rows["position_mm"].notna().any())
            if self.kind == "measured" and len(self.parts) < _MOST_PARTS:
                self.parts += _find_parts(self.machine, rows, found, most=_MOST_PARTS - len(self.parts))
            if self.kind == "counted" and len(self.episodes) < _MOST_EPISODES:
                self.episodes += _find_episodes(rows, found)
            if self.kind in ("measured", "counted") and len(found):
                moves = _find_moves(found, self.limits)
                following = moves.groupby("axis")["start_s"].shift(-1).astype(float)  # a move ends at rest, or with the next
                ended = moves.assign(settled_s=np.fmin(moves["settled_s"].astype(float), following))
                self.smoothness.append(_smoothness(rows, ended))

    def _add_up(self, rows: pd.DataFrame, found: pd.DataFrame) -> None:
        """Totals; and time per rung, from each row to the one before, of a gap no more than the silence limit."""
        if len(found):
            summed = found.groupby(["gain_mm", "axis"], sort=False).agg({"clicks": "sum", "net": "size", "reversals": "sum"})
            for key, counts in zip(summed.index.tolist(), summed.to_numpy(np.int64), strict=True):
                self.totals[key] = self.totals.get(key, np.zeros(3, np.int64)) + counts
        steps = np.diff(rows["time_s"].to_numpy(float), prepend=rows["time_s"].iloc[:1].to_numpy(float))
        gains, number = np.unique(rows["gain_mm"].to_numpy(float), return_inverse=True)
        spent = np.bincount(number, weights=np.minimum(steps, self.machine.link.silence_s), minlength=len(gains))
        for gain, time in zip(gains.tolist(), spent.tolist(), strict=True):
            self.time_s[gain] = self.time_s.get(gain, 0.0) + time


def _conclude(gathered: _Gathered, ladder: Ladder | None, *, simulated: bool) -> Measured:
    machine, limits, kind = gathered.machine, gathered.limits, gathered.kind if gathered.has_position else None
    bursts, goals, count = _stacked(gathered.bursts), _stacked(gathered.goals), gathered.count
    if gathered.kept_s < gathered.last_s:
        every, hours = sum(int(number) for _, number, _ in gathered.totals.values()), (gathered.kept_s - gathered.first_s) / 3600
        figures = {"bursts": len(bursts), "all": every, "hours": hours}
        cut = Note(kind="only_first_bursts", severity=Severity.MIND, figures=figures)
        count = replace(count, doubts=(cut, *count.doubts))
    tasks, number = _find_tasks(bursts, goals, limits)
    tasks = _finished(tasks, limits)
    refused = _refusal(kind, gathered.has_position)
    turned = [] if refused else [machine.axis(str(name)) for name in bursts["axis"].unique()]
    axes = {axis.name: _measure_axis(bursts, axis) for axis in turned}
    left_mm, passed = _aims(bursts, tasks, number)
    delay, ramps = (Figure(value=None, why=refused), {}) if refused else _delay_figure(gathered.parts)
    bursts = bursts.assign(task=number.to_numpy(), left_mm=left_mm, pause_s=_pauses(bursts, number, machine, limits))
    return Measured(
        machine=machine, source=count.source, simulated=simulated, position_kind=kind, rows=gathered.rows,
        duration_s=max(gathered.last_s - gathered.first_s, 0.0) if gathered.rows else 0.0,
        rungs=_rungs(bursts, number, passed, gathered, axes), axes=axes,
        delay_s=delay, ramps_mm_s2=ramps, misread=_stacked(gathered.misread),
        turn_rate_median=_quantile_figure(bursts["turn_rate"], number),
        turn_rate_p95=_quantile_figure(bursts["turn_rate"], number, 0.95),
        hand=_hand(bursts, tasks, machine),
        tasks=tasks, throughput=_throughput_table(tasks), bursts=bursts,
        moves=_find_moves(bursts, limits) if len(bursts) else bursts,
        refused=_CLAIMS if refused else (), why_refused=refused, thresholds=limits, count=count,
        smoothness=_stacked(gathered.smoothness), smoothness_why=None if kind == "counted" else refused,
        ramp=_measure_ramp(gathered.episodes[:_MOST_EPISODES]),
        use=_find_use(machine, bursts, gathered.time_s, ladder),
    )  # fmt: skip


def _finished(tasks: pd.DataFrame, limits: _Thresholds) -> pd.DataFrame:
    way = np.sign(tasks["goal_mm"] - tasks["start_mm"])
    beyond = np.where(way > 0, tasks["high_mm"] - tasks["goal_mm"], tasks["goal_mm"] - tasks["low_mm"])
    distance = (tasks["goal_mm"] - tasks["start_mm"]).abs().where(tasks["goal_mm"].notna(), tasks["net_mm"].abs())
    began = tasks["shown_s"].where(tasks["shown_s"].notna(), tasks["start_s"])
    with np.errstate(divide="ignore", invalid="ignore"):
        straight = tasks["net_mm"].abs() / tasks["path_mm"]
    known = tasks["goal_mm"].notna() & np.isfinite(beyond)
    return tasks.assign(
        distance_mm=distance.astype(float), time_s=(tasks["settled_s"] - limits.settle_s - began).astype(float),
        wait_s=(tasks["start_s"] - tasks["shown_s"]).astype(float), error_mm=(tasks["end_mm"] - tasks["goal_mm"]).astype(float),
        overshoot=pd.Series(beyond > tasks["tolerance_mm"] / 2, index=tasks.index).where(known, False),
        path_efficiency=straight.astype(float),
    )  # fmt: skip


def _aims(bursts: pd.DataFrame, tasks: pd.DataFrame, number: pd.Series[int]) -> tuple[_Floats, NDArray[np.bool_] | None]:
    """Per burst: the way left to its goal before it [mm] (NaN: not known), and whether it passed it (None: of none known)."""
    told = tasks.set_index("task").reindex(number)
    goal, wide = (told[name].to_numpy(float) for name in ("goal_mm", "tolerance_mm"))
    rested = bursts.groupby("axis")["rest_mm"].shift()
    before = rested.where((rested - bursts["before_mm"]).abs() < wide, bursts["before_mm"])
    left, after = goal - before.to_numpy(float), goal - bursts["rest_mm"].to_numpy(float)
    passed = (left * after < 0) & (np.abs(after) > wide / 2)
    return left, passed if np.isfinite(after).any() else None


def _rungs(
    bursts: pd.DataFrame, number: pd.Series[int], passed: NDArray[np.bool_] | None, gathered: _Gathered,
    axes: Mapping[str, _AxisFigures],
) -> tuple[RungFigures, ...]:  # fmt: skip
    found, total = [], sum(gathered.time_s.values()) or 1.0
    for gain, spent_s in sorted(gathered.time_s.items()):
        on_rung = (bursts["gain_mm"] == gain).to_numpy()
        here = bursts.loc[on_rung]
        totals = {name: counts for (rung, name), counts in gathered.totals.items() if rung == gain}
        clicks, count, reversals = (int(one) for one in sum(totals.values(), np.zeros(3, np.int64)))
        run_on = (here["rest_mm"] - here["at_last_mm"]).abs().median() if gathered.kind in ("measured", "counted") else math.nan
        found.append(RungFigures(
            gain_mm=gain, time_share=spent_s / total, detents=clicks, bursts=count, distance_mm=clicks * gain,
            turn_rate_median=_quantile_figure(here["turn_rate"], number[on_rung]),
            turn_rate_p95=_quantile_figure(here["turn_rate"], number[on_rung], 0.95),
            at_ceiling_share=_at_ceiling(here, gathered.machine), run_on_mm=None if math.isnan(run_on) else float(run_on),
            overshoots=None if passed is None else int(passed[on_rung].sum()), reversals=reversals,
            detents_by_axis={name: int(counts[0]) for name, counts in totals.items()},
            effective_gain_mm={n: axis.effective_gain_mm[gain] for n, axis in axes.items() if gain in axis.effective_gain_mm},
        ))  # fmt: skip
    return tuple(found)


def _at_ceiling(here: pd.DataFrame, machine: Machine) -> float | None:
    """Share of the turning time in bursts turned faster than the axis can follow; None where none is long enough."""
    timed = here.dropna(subset="turn_rate")
    tops = timed["axis"].map({axis.name: axis.top_speed_mm_s for axis in machine.axes}).to_numpy(float)
    lasted = (timed["end_s"] - timed["start_s"]).to_numpy(float)
    over = (timed["turn_rate"] * timed["gain_mm"]).to_numpy(float) > tops
    return float(lasted[over].sum() / lasted.sum()) if len(timed) else None


def _pauses(bursts: pd.DataFrame, number: pd.Series[int], machine: Machine, limits: _Thresholds) -> _Floats:
    """From the axis' coming to rest to the next click of the same task [s]; NaN elsewhere."""
    within = (number == number.shift()) & (number >= 0) & (bursts["axis"] == bursts["axis"].shift())
    late = machine.link.report_interval_s / 2  # a click is reported half an interval late on average
    pause = bursts["start_s"] - late - (bursts["settled_s"].shift() - limits.settle_s)
    return pause.where(within & (pause > 0)).to_numpy(float)


def _look_and_switch(bursts: pd.DataFrame) -> tuple[float, float]:
    """Looking, and what a change of the rung adds to it [s], by least squares over the pauses of a task. One look of 0.35 s and
    three changes of 0.8 s are there from the start: few pauses say little."""
    pause, switched = bursts["pause_s"].to_numpy(float), bursts["gain_mm"].diff().ne(0).to_numpy()
    known = np.isfinite(pause)
    start = [[1.0, 0.0], *[[0.0, 1.0]] * 3]
    columns = np.vstack([start, np.column_stack([np.ones(known.sum()), switched[known]])])
    return tuple(np.linalg.lstsq(columns, np.append([0.35, 0.8, 0.8, 0.8], pause[known]), rcond=None)[0].tolist())


def _hand(bursts: pd.DataFrame, tasks: pd.DataFrame, machine: Machine) -> dict[str, Figure]:
    """The person's figures by the names of `Hand`: means, as the model of the hand takes them."""
    late, pause, switched = machine.link.report_interval_s / 2, bursts["pause_s"], bursts["gain_mm"].diff().ne(0)
    return {
        "start_s": _mean_figure(tasks["wait_s"] - late - _look_and_switch(bursts)[0]), "look_s": _mean_figure(pause[~switched]),
        "switch_s": _mean_difference(pause[switched], pause[~switched]), "spread": _spread(bursts, machine),
        "turn_rate_detents_s": _quantile_figure(bursts["turn_rate"], bursts["task"]),
    }  # fmt: skip


def _spread(bursts: pd.DataFrame, machine: Machine) -> Figure:
    """Clicks turned against clicks wanted, for bursts of more than five clicks toward a known goal."""
    gain, left = (bursts[name].to_numpy(float) for name in ("gain_mm", "left_mm"))
    wanted, turned = np.abs(left) / gain, bursts["net"].to_numpy(float) * np.sign(left)
    read = math.hypot(float(machine.readout.step_mm) / math.sqrt(12), _position_noise(bursts))
    good = (wanted > 5) & (turned > 0) & (bursts["reversals"].to_numpy() == 0)
    return _spread_figure(wanted[good], turned[good], rounding=read / gain[good])
