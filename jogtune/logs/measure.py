"""What a log says: figures per rung, per axis and per task, each with its interval, and what it can't tell."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..files import InputFault
from ..ladder import Ladder
from ..machine import Machine
from ..units import say_distance, say_number
from .figures import Figure, mean_difference, mean_figure, quantile_figure, spread_figure, unknown
from .machine_figures import AxisFigures, Lanes, delay_figure, find_lanes, join_lanes, measure_axis
from .moves import Thresholds, find_bursts, find_goals, find_moves, find_tasks, quiet_parts
from .read import Log
from .row_count import RowCount, add_rows
from .standards import smoothness, throughput_table

__all__ = ["CAUTION", "Measured", "RungFigures", "fit_table", "measure", "measure_parts", "measured_to_dict"]

MOST_LANES = 1000  # bursts looked at for the delay: more would not make it surer
CAUTION = (
    "The figures here tell what was; they are no release to go faster: the machine's manual, its risk assessment and "
    "local rules come first, with a hard-wired stop within reach."
)
"""What is said beside measured figures."""
_MACHINE_CLAIMS = ("effective gain", "backlash", "mechanical run-on", "delay")


@dataclass(frozen=True, kw_only=True)
class RungFigures:
    """What was done on one rung, and what came of it.

    `time_share` is the share of the time it was selected; `detents` counts clicks both ways, `distance_mm` their
    way; turn rates are those of bursts [detents/s]. `at_ceiling_share`: share of the turning time in which the
    hand turned faster than the axis can follow. `run_on_mm`: the median way after the last click (None where the
    position doesn't show it). `overshoots` and `reversals`: bursts that passed their goal, changes of direction.
    `effective_gain_mm` per axis: real distance per click.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.logs.read import read_log
    >>> log = read_log("datasets/logs/inlay_router_simulated.csv")
    >>> found = measure(log, router)
    >>> fine = found.rungs[0]
    >>> fine.gain_mm, fine.main_axis, round(fine.turn_rate_median.value)
    (0.02, 'X', 13)
    """

    gain_mm: float
    time_share: float
    detents: int
    distance_mm: float
    bursts: int
    turn_rate_median: Figure
    turn_rate_p95: Figure
    at_ceiling_share: float | None
    run_on_mm: float | None
    overshoots: int | None
    reversals: int
    detents_by_axis: Mapping[str, int]
    effective_gain_mm: Mapping[str, Figure]

    @property
    def main_axis(self) -> str:
        """The axis with most clicks on this rung."""
        return max(self.detents_by_axis, key=lambda name: self.detents_by_axis[name])


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Everything a log says; see `RungFigures` and `AxisFigures`.

    `tasks` has one row per task (see `find_tasks`), with distance_mm, time_s (from goal to rest), wait_s (from
    goal to first click), error_mm, overshoot, path_efficiency. `hand` holds the person's figures by the names of
    `Hand`, `refused` pairs of claim and reason, `findings` what is worth acting on. `count` says how many rows of the
    file were left out. `smoothness` has a row per move (see `standards.smoothness`), or none, and `smoothness_why`.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.logs.read import read_log
    >>> log = read_log("datasets/logs/inlay_router_simulated.csv")
    >>> found = measure(log, router)
    >>> len(found.tasks), found.refused, found.findings[0]
    (24, (), 'Axis Z: slack 0.023 mm; the machine file says 0.02 mm.')
    """

    machine: Machine
    source: str
    simulated: bool
    position_kind: str | None
    rows: int
    duration_s: float
    rungs: tuple[RungFigures, ...]
    axes: Mapping[str, AxisFigures]
    delay_s: Figure
    turn_rate_median: Figure
    turn_rate_p95: Figure
    hand: Mapping[str, Figure]
    tasks: pd.DataFrame = field(repr=False)
    throughput: pd.DataFrame = field(repr=False)
    bursts: pd.DataFrame = field(repr=False)
    moves: pd.DataFrame = field(repr=False)
    refused: tuple[tuple[str, str], ...] = ()
    findings: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    thresholds: Thresholds = field(default_factory=Thresholds)
    count: RowCount
    smoothness: pd.DataFrame = field(repr=False)
    smoothness_why: str = ""


def measure(
    log: Log | pd.DataFrame,
    machine: Machine,
    *,
    thresholds: Thresholds | None = None,
    ladder: Ladder | None = None,
    position_kind: str | None = None,
) -> Measured:
    """Measure a log on a machine.

    `ladder` says what the rungs are where the log gives them by number only. `position_kind` overrides what the
    log says of its position: "commanded", "counted" or "measured". Raises `InputFault` where the log names an axis
    that the machine has not, or rungs that nobody explained, or where none of its rows could be read.

    >>> from jogtune.machine import read_machine
    >>> from .read import read_log
    >>> log = read_log("datasets/logs/inlay_router_simulated.csv")
    >>> found = measure(log, read_machine("datasets/machines/inlay_router.toml"))
    >>> found.position_kind, [rung.gain_mm for rung in found.rungs]
    ('measured', [0.02, 0.1, 0.5, 5.0])
    """
    if isinstance(log, pd.DataFrame):
        return measure_parts([log], machine, thresholds=thresholds, ladder=ladder, position_kind=position_kind)
    kind = position_kind or log.position_kind
    return measure_parts([log], machine, thresholds=thresholds, ladder=ladder, position_kind=kind)


def measure_parts(
    parts: Iterable[Log | pd.DataFrame],
    machine: Machine,
    *,
    thresholds: Thresholds | None = None,
    ladder: Ladder | None = None,
    position_kind: str | None = None,
) -> Measured:
    """Measure a log that comes in consecutive parts, in bounded memory (see `read.iter_log`).

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.logs.read import iter_log
    >>> parts = iter_log("datasets/logs/inlay_router_simulated.csv", block_bytes=65536)
    >>> measure_parts(parts, router).rows
    3692
    """
    limits = thresholds or Thresholds()
    stream = iter(parts)
    first = next(stream, None)
    if first is None:
        raise InputFault("log", ["holds no rows: record some turning first"])
    about = first if isinstance(first, Log) else None
    kind = position_kind or (about.position_kind if about else None)
    source = about.source if about else "log"
    gathered = _Gathered(machine=machine, limits=limits, kind=kind, source=source)
    frames = (gathered.counted(part, ladder) for part in itertools.chain([first], stream))
    for number, rows in enumerate(quiet_parts(frames, quiet_s=limits.rest_s)):
        gathered.take(rows, again=number > 0)
    gathered.count.refuse_if_none()
    return _conclude(gathered, kind, source, simulated=bool(about and about.simulated))


def _prepared(part: Log | pd.DataFrame, machine: Machine, ladder: Ladder | None, source: str) -> pd.DataFrame:
    """The rows with gain_mm, for axes that the machine has."""
    rows = part if isinstance(part, pd.DataFrame) else part.rows
    known = {axis.name for axis in machine.axes}
    strange = [str(name) for name in pd.unique(rows["axis"].astype(object)) if str(name) not in known]
    faults = [
        f'axis "{name[:40]}" is not on {machine.name}: it has {", ".join(sorted(known))}; map the name'
        for name in strange[:10]
    ]
    if "gain_mm" not in rows and ladder is None:
        faults.append("gives rungs by number: say what they are with --ladder, finest first")
    if faults:
        raise InputFault(source, faults)
    return rows if "gain_mm" in rows else _with_gains(rows, ladder, source)


def _with_gains(rows: pd.DataFrame, ladder: Ladder | None, source: str) -> pd.DataFrame:
    gains = np.array([float(gain) for gain in ladder.gains_mm]) if ladder else np.empty(0)
    rung = rows["rung"].to_numpy(np.int64)
    if len(rung) and (rung.min() < 1 or rung.max() > len(gains)):
        raise InputFault(source, [f"rung {rung.max()} is not on the ladder of {len(gains)}: give every rung"])
    return rows.assign(gain_mm=gains[rung - 1])


# ------------------------------------------------------------------ gathering, part by part


class _Gathered:
    """What is kept of the rows seen so far: bursts, goals, time per rung, some lanes for the delay."""

    def __init__(self, *, machine: Machine, limits: Thresholds, kind: str | None, source: str) -> None:
        self.machine, self.limits, self.kind = machine, limits, kind
        self.count = RowCount(source=source, rows_in=0, rows_out=0)
        self.bursts: list[pd.DataFrame] = []
        self.goals: list[pd.DataFrame] = []
        self.lanes: list[Lanes] = []
        self.smoothness: list[pd.DataFrame] = [smoothness(pd.DataFrame(), pd.DataFrame())]
        self.time_s: dict[float, float] = {}
        self.rows, self.first_s, self.last_s = 0, math.inf, -math.inf
        self.has_position = False

    def counted(self, part: Log | pd.DataFrame, ladder: Ladder | None) -> pd.DataFrame:
        """The rows of one part as it comes, once it is counted what was left out of it."""
        self.count = add_rows(self.count, part)
        return _prepared(part, self.machine, ladder, self.count.source)

    def take(self, rows: pd.DataFrame, *, again: bool) -> None:
        """One part; `again` says that its first row was the last of the part before."""
        found = find_bursts(rows, self.machine, self.limits)
        goals = find_goals(rows)
        self.bursts.append(found)
        self.goals.append(goals.iloc[1:] if again and _starts_with_goal(rows, goals) else goals)
        self._add_time(rows)
        self.rows += len(rows) - again
        if len(rows):
            self.first_s = min(self.first_s, float(rows["time_s"].iloc[0]))
            self.last_s = float(rows["time_s"].iloc[-1])
        if "position_mm" in rows:
            self.has_position = self.has_position or bool(rows["position_mm"].notna().any())
            self._add_lanes(rows, found)
            self._add_smoothness(rows, found)

    def _add_lanes(self, rows: pd.DataFrame, found: pd.DataFrame) -> None:
        so_far = sum(len(lanes.rows) for lanes in self.lanes)
        if self.kind == "measured" and so_far < MOST_LANES:
            lanes = find_lanes(rows, found, self.machine, most=MOST_LANES - so_far)
            self.lanes += [lanes] if lanes is not None else []

    def _add_smoothness(self, rows: pd.DataFrame, found: pd.DataFrame) -> None:
        """Of each move up to its rest, or to the next move of its axis."""
        if self.kind in ("measured", "counted") and len(found):
            moves = find_moves(found, self.limits)
            following = moves.groupby("axis")["start_s"].shift(-1)
            ended = moves.assign(settled_s=np.fmin(moves["settled_s"].astype(float), following.astype(float)))
            self.smoothness.append(smoothness(rows, ended))

    def _add_time(self, rows: pd.DataFrame) -> None:
        """Time per rung, from each row to the one before; a gap counts as no more than the silence limit."""
        steps = np.diff(rows["time_s"].to_numpy(float), prepend=rows["time_s"].iloc[:1].to_numpy(float))
        gains, number = np.unique(rows["gain_mm"].to_numpy(float), return_inverse=True)
        spent = np.bincount(number, weights=np.minimum(steps, self.machine.link.silence_s), minlength=len(gains))
        for gain, time in zip(gains.tolist(), spent.tolist(), strict=True):
            self.time_s[gain] = self.time_s.get(gain, 0.0) + time


def _starts_with_goal(rows: pd.DataFrame, goals: pd.DataFrame) -> bool:
    return bool(len(goals)) and float(goals["shown_s"].iloc[0]) == float(rows["time_s"].iloc[0])


def _stacked(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    full = [frame for frame in frames if len(frame)]
    return pd.concat(full, ignore_index=True) if full else frames[0]


# ------------------------------------------------------------------ drawing conclusions


def _conclude(gathered: _Gathered, kind: str | None, source: str, *, simulated: bool) -> Measured:
    machine, limits = gathered.machine, gathered.limits
    bursts, goals = _stacked(gathered.bursts), _stacked(gathered.goals)
    tasks, number = find_tasks(bursts, goals, limits)
    tasks = _finished(tasks, limits)
    shown = kind if gathered.has_position else None
    axes = _axes(bursts, machine) if shown == "measured" else {}
    delay = _delay(gathered, shown)
    aims = _aims(bursts, tasks, number)
    rungs = _rungs(bursts, aims, gathered, axes, shown)
    return Measured(
        machine=machine, source=source, simulated=simulated, position_kind=shown, rows=gathered.rows,
        duration_s=max(gathered.last_s - gathered.first_s, 0.0) if gathered.rows else 0.0,
        rungs=rungs, axes=axes, delay_s=delay,
        turn_rate_median=quantile_figure(bursts["turn_rate"]),
        turn_rate_p95=quantile_figure(bursts["turn_rate"], 0.95),
        hand=_hand(bursts, tasks, number, aims, machine, limits),
        tasks=tasks, throughput=throughput_table(tasks) if len(tasks) else throughput_table(_NO_TASKS),
        bursts=bursts, moves=find_moves(bursts, limits) if len(bursts) else bursts,
        refused=_refused(shown, gathered.has_position), findings=tuple(_findings(machine, rungs, axes, delay)),
        remarks=tuple(_remarks(gathered.count, axes, bursts)), thresholds=limits, count=gathered.count,
        smoothness=_stacked(gathered.smoothness), smoothness_why=_why_not_smooth(shown, gathered.has_position),
    )  # fmt: skip


_NO_TASKS = pd.DataFrame(
    columns=["person", "axis", "marker", "tolerance_mm", "distance_mm", "error_mm", "time_s", "goal_mm", "start_mm"]
)


def _finished(tasks: pd.DataFrame, limits: Thresholds) -> pd.DataFrame:
    """Distance, time, error, overshoot and path efficiency of each task."""
    way = np.sign(tasks["goal_mm"] - tasks["start_mm"])
    beyond = np.where(way > 0, tasks["high_mm"] - tasks["goal_mm"], tasks["goal_mm"] - tasks["low_mm"])
    distance = (tasks["goal_mm"] - tasks["start_mm"]).abs().where(tasks["goal_mm"].notna(), tasks["net_mm"].abs())
    began = tasks["shown_s"].where(tasks["shown_s"].notna(), tasks["start_s"])
    with np.errstate(divide="ignore", invalid="ignore"):
        straight = tasks["net_mm"].abs() / tasks["path_mm"]
    known = tasks["goal_mm"].notna() & np.isfinite(beyond)
    return tasks.assign(
        distance_mm=distance.astype(float),
        time_s=(tasks["settled_s"] - limits.settle_s - began).astype(float),
        wait_s=(tasks["start_s"] - tasks["shown_s"]).astype(float),
        error_mm=(tasks["end_mm"] - tasks["goal_mm"]).astype(float),
        overshoot=pd.Series(beyond > tasks["tolerance_mm"] / 2, index=tasks.index).where(known, False),
        path_efficiency=straight.astype(float),
    )


def _axes(bursts: pd.DataFrame, machine: Machine) -> dict[str, AxisFigures]:
    return {str(name): measure_axis(bursts, machine.axis(str(name))) for name in bursts["axis"].unique()}


def _delay(gathered: _Gathered, kind: str | None) -> Figure:
    if kind != "measured":
        return unknown(_why_refused(kind, gathered.has_position))
    return delay_figure(join_lanes(gathered.lanes, most=MOST_LANES) if gathered.lanes else None)


@dataclass(frozen=True, kw_only=True)
class _Aims:
    """Per burst: the way left to its goal before it, and what was left after it [mm]; NaN where not known."""

    left_mm: NDArray[np.float64]
    after_mm: NDArray[np.float64]
    tolerance_mm: NDArray[np.float64]


def _aims(bursts: pd.DataFrame, tasks: pd.DataFrame, number: pd.Series[int]) -> _Aims:
    told = tasks.set_index("task").reindex(number)
    goal, wide = (told[name].to_numpy(float) for name in ("goal_mm", "tolerance_mm"))
    rested = bursts.groupby("axis")["rest_mm"].shift()
    before = rested.where((rested - bursts["before_mm"]).abs() < wide, bursts["before_mm"])
    return _Aims(
        left_mm=goal - before.to_numpy(float), after_mm=goal - bursts["rest_mm"].to_numpy(float), tolerance_mm=wide
    )


def _rungs(
    bursts: pd.DataFrame, aims: _Aims, gathered: _Gathered, axes: Mapping[str, AxisFigures], kind: str | None
) -> tuple[RungFigures, ...]:
    total = sum(gathered.time_s.values())
    passed = (aims.left_mm * aims.after_mm < 0) & (np.abs(aims.after_mm) > aims.tolerance_mm / 2)
    told = bool(np.isfinite(aims.after_mm).any())
    found = []
    for gain in sorted(gathered.time_s):
        on_rung = (bursts["gain_mm"] == gain).to_numpy()
        share = gathered.time_s[gain] / total if total > 0 else 0.0
        found.append(_rung(gain, share, bursts.loc[on_rung], passed[on_rung] if told else None, gathered, axes, kind))
    return tuple(found)


def _rung(
    gain: float, share: float, here: pd.DataFrame, passed: NDArray[np.bool_] | None,
    gathered: _Gathered, axes: Mapping[str, AxisFigures], kind: str | None,
) -> RungFigures:  # fmt: skip
    by_axis = here.groupby("axis", sort=False)["clicks"].sum() if len(here) else pd.Series(dtype=int)
    run_on = (here["rest_mm"] - here["at_last_mm"]).abs().median() if kind in ("measured", "counted") else math.nan
    return RungFigures(
        gain_mm=gain,
        time_share=share,
        detents=int(here["clicks"].sum()),
        distance_mm=float(here["clicks"].sum() * gain),
        bursts=len(here),
        turn_rate_median=quantile_figure(here["turn_rate"]),
        turn_rate_p95=quantile_figure(here["turn_rate"], 0.95),
        at_ceiling_share=_at_ceiling(here, gathered.machine),
        run_on_mm=None if math.isnan(run_on) else float(run_on),
        overshoots=None if passed is None else int(passed.sum()),
        reversals=int(here["reversals"].sum()),
        detents_by_axis={str(name): int(count) for name, count in by_axis.items()},
        effective_gain_mm={
            name: axis.effective_gain_mm[gain] for name, axis in axes.items() if gain in axis.effective_gain_mm
        },
    )


def _at_ceiling(here: pd.DataFrame, machine: Machine) -> float | None:
    """Share of the turning time in bursts turned faster than the axis can follow; None where none is long enough."""
    timed = here.loc[here["turn_rate"].notna()]
    if not len(timed):
        return None
    tops = timed["axis"].map({axis.name: axis.top_speed_mm_s for axis in machine.axes}).to_numpy(float)
    lasted = (timed["end_s"] - timed["start_s"]).to_numpy(float)
    over = (timed["turn_rate"] * timed["gain_mm"]).to_numpy(float) > tops
    return float(lasted[over].sum() / lasted.sum())


# ------------------------------------------------------------------ the hand


def _hand(
    bursts: pd.DataFrame, tasks: pd.DataFrame, number: pd.Series[int], aims: _Aims,
    machine: Machine, limits: Thresholds,
) -> dict[str, Figure]:  # fmt: skip
    """The person's figures by the names of `Hand`: means, as the model of the hand takes them."""
    late = machine.link.report_interval_s / 2  # a click is reported half an interval late on average
    same, switched = _pauses(bursts, number, limits, late)
    return {
        "start_s": mean_figure(tasks["wait_s"] - late),
        "look_s": mean_figure(same),
        "switch_s": mean_difference(switched, same),
        "spread": _spread(bursts, aims, machine),
        "turn_rate_detents_s": quantile_figure(bursts["turn_rate"]),
    }


def _pauses(
    bursts: pd.DataFrame, number: pd.Series[int], limits: Thresholds, late_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Pauses between bursts of one task, from the axis' coming to rest: without and with a change of rung."""
    within = (number == number.shift()) & (number >= 0) & (bursts["axis"] == bursts["axis"].shift())
    pause = bursts["start_s"] - late_s - (bursts["settled_s"].shift() - limits.settle_s)
    switched = bursts["gain_mm"] != bursts["gain_mm"].shift()
    good = within & (pause > 0)
    return pause[good & ~switched].to_numpy(float), pause[good & switched].to_numpy(float)


def _spread(bursts: pd.DataFrame, aims: _Aims, machine: Machine) -> Figure:
    """Clicks turned against clicks wanted, for bursts of more than five clicks toward a known goal."""
    gain = bursts["gain_mm"].to_numpy(float)
    wanted = np.abs(aims.left_mm) / gain
    turned = bursts["net"].to_numpy(float) * np.sign(aims.left_mm)
    noise = float(np.sqrt((bursts["rest_noise_mm"] ** 2).mean())) if bursts["rest_noise_mm"].notna().any() else 0.0
    read = math.hypot(float(machine.readout.step_mm) / math.sqrt(12), noise)
    good = (wanted > 5) & (turned > 0) & (bursts["reversals"].to_numpy() == 0)
    return spread_figure(wanted[good], turned[good], rounding=read / gain[good])


def fit_table(found: Measured, *, ladder: Ladder | None = None, axis: str | None = None) -> pd.DataFrame:
    """The task table that `fit_hand` takes: distance_mm, tolerance_mm, time_s, gains_mm, and person, axis, marker.

    One row per task with a known goal within reach that ended within its tolerance; `ladder` is the one it was done with
    (default: the rungs used in the log).

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.logs.read import read_log
    >>> log = read_log("datasets/logs/inlay_router_simulated.csv")
    >>> found = measure(log, router)
    >>> fit_table(found)[["axis", "gains_mm"]].iloc[0].tolist()
    ['Z', '0.02 0.1 0.5 5.0']
    """
    gains = [str(float(gain)) for gain in ladder.gains_mm] if ladder else [str(r.gain_mm) for r in found.rungs]
    tasks = found.tasks
    # a good end may be read out of the tolerance: by half a step of the readout, and by noise
    noise = found.bursts["rest_noise_mm"].median() if "rest_noise_mm" in found.bursts else 0.0
    slip = float(found.machine.readout.step_mm) / 2 + (4 * float(noise) if noise > 0 else 0.0) + 1e-9
    ended = ~(tasks["error_mm"].abs() > tasks["tolerance_mm"] / 2 + slip)
    reach = tasks["axis"].map({one.name: one.reach_mm for one in found.machine.axes}).astype(float)
    good = tasks["goal_mm"].notna() & (tasks["tolerance_mm"] > 0) & (tasks["distance_mm"] > tasks["tolerance_mm"] / 2)
    good &= tasks["distance_mm"] <= 1.05 * reach
    kept = tasks.loc[good & ended & (tasks["time_s"] > 0) & (tasks["axis"].eq(axis) if axis else True)]
    table = kept[["distance_mm", "tolerance_mm", "time_s", "person", "axis", "marker"]].reset_index(drop=True)
    return table.assign(gains_mm=" ".join(gains))


# ------------------------------------------------------------------ words


def _why_refused(kind: str | None, has_position: bool) -> str:
    if not has_position:
        return "the log has no position"
    if kind is None:
        return 'the log does not say whether its position is commanded, counted or measured: add "# position: measured"'
    if kind == "commanded":
        return "the position is what was commanded, which says nothing about what the machine did"
    return "the position is the controller's own count, which says nothing about what the machine did"


def _why_not_smooth(kind: str | None, has_position: bool) -> str:
    return "" if kind in ("measured", "counted") else _why_refused(kind, has_position)


def _refused(kind: str | None, has_position: bool) -> tuple[tuple[str, str], ...]:
    if kind == "measured":
        return ()
    return tuple((claim, _why_refused(kind, has_position)) for claim in _MACHINE_CLAIMS)


def _findings(
    machine: Machine, rungs: Sequence[RungFigures], axes: Mapping[str, AxisFigures], delay: Figure
) -> Iterator[str]:
    for name, axis in axes.items():
        yield from _gain_words(machine, name, axis)
        yield from _slack_words(machine, name, axis)
    if delay.known and delay.low is not None and delay.value is not None and delay.low > machine.link.delay_s:
        said, found = (say_number(1000 * value, digits=3) for value in (machine.link.delay_s, delay.value))
        yield f"The axis starts {found} ms after the report; the machine file says {said} ms."
    yield from _ceiling_words(machine, rungs)


def _gain_words(machine: Machine, name: str, axis: AxisFigures) -> Iterator[str]:
    """The surest rung whose real distance per click differs by more than 0.2 % and more than its interval."""
    known = {gain: f for gain, f in axis.effective_gain_mm.items() if f.known and f.value and f.high}
    off = {g: f for g, f in known.items() if not f.holds(g) and abs((f.value or g) / g - 1) >= 0.002}
    if not off:
        return
    gain = min(off, key=lambda g: ((off[g].high or g) - (off[g].low or g)) / g)
    value, high = off[gain].value or gain, off[gain].high or gain
    unit = machine.shown_unit(machine.axis(name))
    said, found = say_distance(gain, unit), say_distance(value, unit, digits=5)
    others = f" (and so on {len(off) - 1} other rung{'s' * (len(off) > 2)})" if len(off) > 1 else ""
    half = say_distance(high - value, unit, digits=1)
    yield f"Axis {name}: a click of {said} moves {found} ± {half}{others}: check its steps per {unit}."


def _slack_words(machine: Machine, name: str, axis: AxisFigures) -> Iterator[str]:
    figure, file_says = axis.slack_mm, machine.axis(name).slack_mm
    if figure.known and figure.value is not None and not figure.holds(file_says):
        unit = machine.shown_unit(machine.axis(name))
        found, said = say_distance(figure.value, unit, digits=2), say_distance(file_says, unit)
        yield f"Axis {name}: slack {found}; the machine file says {said}."
    if axis.wanders:
        yield f"Axis {name}: its error grows as it moves, as if steps or remainders were lost."


def _ceiling_words(machine: Machine, rungs: Sequence[RungFigures]) -> Iterator[str]:
    for rung in rungs:
        if rung.at_ceiling_share is not None and rung.at_ceiling_share > 0.1:
            share, shown = round(100 * rung.at_ceiling_share), say_distance(rung.gain_mm, machine.show_in)
            yield f"{shown} a click: {share} % of the turning was faster than the axis can follow."


def _remarks(count: RowCount, axes: Mapping[str, AxisFigures], bursts: pd.DataFrame) -> Iterator[str]:
    if count.left_out:
        yield f"{count.say()}."
    yield from count.remarks
    for name, axis in axes.items():
        if axis.jumps_s:
            times = ", ".join(say_number(time, digits=6) for time in axis.jumps_s[:5])
            yield f"Axis {name} moved without the knob {len(axis.jumps_s)} times (first before {times} s)."
    if not len(bursts):
        yield "Nobody turned the knob in this log."


# ------------------------------------------------------------------ JSON


def measured_to_dict(found: Measured) -> dict[str, Any]:
    """What `jogtune measure --json` prints; distances in mm (degrees on a rotary axis), times in s.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> from jogtune.logs.read import read_log
    >>> log = read_log("datasets/logs/inlay_router_simulated.csv")
    >>> found = measure(log, router)
    >>> said = measured_to_dict(found)
    >>> said["position_kind"], said["cautions"] == [CAUTION], said["rungs"][0]["gain_mm"]
    ('measured', True, 0.02)
    """
    return {
        "machine": found.machine.name,
        "source": found.source,
        "simulated": found.simulated,
        "position_kind": found.position_kind,
        "rows": found.rows,
        **found.count.as_json(),
        "duration_s": found.duration_s,
        "rungs": [_rung_to_dict(rung) for rung in found.rungs],
        "turn_rate_median": found.turn_rate_median.as_json(),
        "turn_rate_p95": found.turn_rate_p95.as_json(),
        "delay_s": found.delay_s.value,
        "delay": found.delay_s.as_json(),
        "axes": {name: _axis_to_dict(axis) for name, axis in found.axes.items()},
        "hand": {name: figure.as_json() for name, figure in found.hand.items()},
        "tasks": _records(found.tasks[[name for name in _TASK_COLUMNS if name in found.tasks]]),
        "throughput": _records(found.throughput),
        "smoothness": {"moves": _records(found.smoothness), "why": found.smoothness_why or None},
        "refused": [{"claim": claim, "why": why} for claim, why in found.refused],
        "findings": list(found.findings),
        "remarks": list(found.remarks),
        "cautions": [CAUTION],
        "thresholds": vars(found.thresholds),
    }


_TASK_COLUMNS = (
    "task", "axis", "person", "marker", "distance_mm", "tolerance_mm", "time_s", "wait_s", "bursts", "clicks",
    "switches", "reversals", "overshoot", "error_mm", "path_efficiency",
)  # fmt: skip


def _rung_to_dict(rung: RungFigures) -> dict[str, Any]:
    main = rung.main_axis if rung.detents_by_axis else None
    gain = rung.effective_gain_mm.get(main) if main is not None else None
    return {
        "gain_mm": rung.gain_mm,
        "time_share": rung.time_share,
        "detents": rung.detents,
        "distance_mm": rung.distance_mm,
        "bursts": rung.bursts,
        "turn_rate_median": rung.turn_rate_median.value,
        "turn_rate_p95": rung.turn_rate_p95.value,
        "turn_rates": {"median": rung.turn_rate_median.as_json(), "p95": rung.turn_rate_p95.as_json()},
        "at_ceiling_share": rung.at_ceiling_share,
        "run_on_mm": rung.run_on_mm,
        "overshoots": rung.overshoots,
        "reversals": rung.reversals,
        "effective_gain_mm": None if gain is None else {**gain.as_json(), "axis": main},
        "axes": {name: {"effective_gain_mm": figure.as_json(), "detents": rung.detents_by_axis.get(name, 0)}
                 for name, figure in rung.effective_gain_mm.items()},
    }  # fmt: skip


def _axis_to_dict(axis: AxisFigures) -> dict[str, Any]:
    return {
        "slack_mm": axis.slack_mm.as_json(), "noise_mm": axis.noise_mm, "rests": axis.rests,
        "left_out": axis.left_out, "wanders": axis.wanders, "jumps_s": list(axis.jumps_s),
    }  # fmt: skip


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(key): _plain(value) for key, value in row.items()} for row in frame.to_dict("records")]


def _plain(value: object) -> object:
    """A cell as JSON knows it: numpy scalars as numbers, NaN and infinity as null."""
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value
