"""Clicks to the reports that arrive."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..machine.model import Link
from .pursuit import _Bools, _Floats, _Ints

_CLICK_SLACK = 1e-9  # a click that fits but for rounding, fits
_MOST_REPORTS = 50_000_000


@dataclass(frozen=True, kw_only=True, eq=False)
class Reports:
    """What reaches the machine: one row for each report received, and one for each stop after a silence.

    `time_s` is when the machine learns of it (ascending), `detents` the clicks it brings, `rung` the selector's rung (0 is the
    first) as the report states it, `stop` marks a silence that has lasted too long. The rest counts what went missing on the
    way: `lost_detents` with lost reports, `discarded_detents` in silences."""

    time_s: _Floats
    detents: _Ints
    rung: _Ints
    stop: _Bools
    interval_s: float
    sent_reports: int
    lost_reports: int = 0
    silences: int = 0
    turned_net_detents: int = 0
    lost_detents: int = 0
    discarded_detents: int = 0

    @property
    def missing_net_detents(self) -> int:
        """Clicks turned less clicks brought, both signed: how far off the count the machine ends."""
        return self.turned_net_detents - int(self.detents.sum())


def reports_as_logged(
    time_s: ArrayLike, detents: ArrayLike, *, interval_s: float, rung: ArrayLike | None = None
) -> Reports:
    """Reports whose own times are known, as a recorder on the machine's side writes them. Reports without clicks matter to
    *spread* and to a queue."""
    times, clicks, rungs = _turns(time_s, detents, rung)
    return Reports(
        time_s=times, detents=clicks, rung=rungs, stop=np.zeros(len(times), dtype=bool),
        interval_s=_above_zero("interval_s", interval_s), sent_reports=len(times), turned_net_detents=int(clicks.sum()),
    )  # fmt: skip


def report_turns(
    time_s: ArrayLike, detents: ArrayLike, link: Link, *, rung: ArrayLike | None = None, seed: int = 0,
    gaps_s: Sequence[tuple[float, float]] = (),
) -> Reports:  # fmt: skip
    """What a link makes of a hand's turns: reports at its interval, late, and some of them lost.

    `time_s` [s, ascending], `detents` (signed) and `rung` (0-based, the selector's position from that row on) are the turns. The
    knob reports at each interval, turned or not. A report arrives after the link's delay and up to its jitter more, in order. It
    is lost by chance (`loss_share`, seeded) or when sent inside one of `gaps_s`. *Running* counts bring what lost reports missed;
    *increments* lose it. When nothing arrives for longer than the silence limit the axis is told to stop; the next report only
    restarts the count, and the clicks of the gap are discarded.

    >>> from jogtune.machine.model import Link
    >>> link = Link(report_interval_s=0.04, delay_s=0.005, silence_s=0.25)
    >>> reports = report_turns([0.01, 0.03, 0.07], [1, 1, 1], link)
    >>> reports.time_s[reports.detents != 0], reports.detents[reports.detents != 0]
    (array([0.045, 0.085]), array([2, 1]))
    """
    times, clicks, rungs = _turns(time_s, detents, rung)
    interval = _above_zero("report_interval_s", link.report_interval_s)
    if link.silence_s <= interval + link.jitter_s:
        raise ValueError(
            f"silence = {link.silence_s} s: must be longer than report interval and jitter together "
            f"({interval + link.jitter_s} s), else every report counts as a lost link; raise it"
        )
    sent, per_report, slot = _on_the_grid(times, clicks, interval, link.silence_s, gaps_s)
    rng = np.random.default_rng(seed)
    lost = rng.random(len(sent)) < link.loss_share
    for start, end in gaps_s:
        lost |= (sent >= start) & (sent <= end)
    lost[[0, -1]] = False
    arrival = np.maximum.accumulate(sent + link.delay_s + link.jitter_s * rng.random(len(sent)))
    row = np.maximum(np.searchsorted(slot, np.arange(len(sent)), side="right") - 1, 0)
    return _received(link, sent, per_report, lost, arrival, rungs[row] if len(rungs) else np.zeros_like(row))


def _turns(time_s: ArrayLike, detents: ArrayLike, rung: ArrayLike | None) -> tuple[_Floats, _Ints, _Ints]:
    """Turns as arrays of one length: finite ascending times, whole clicks, rungs from 0."""
    times = np.asarray(time_s, dtype=np.float64)
    clicks: NDArray[Any] = np.asarray(detents)
    rungs: NDArray[Any] = np.zeros(times.shape, dtype=np.int64) if rung is None else np.asarray(rung)
    if times.ndim != 1 or not times.shape == clicks.shape == rungs.shape:
        shapes = f"{times.shape}, {clicks.shape}, {rungs.shape}"
        raise ValueError(f"time_s, detents, rung: must be columns of one length, not {shapes}")
    if not np.isfinite(times).all() or (np.diff(times) < 0).any():
        raise ValueError("time_s: must be finite and never go back; sort the rows by time")
    whole, rung_whole = _whole("detents", clicks), _whole("rung", rungs)
    if len(rung_whole) and rung_whole.min() < 0:
        raise ValueError("rung: must not be below 0; the first rung is 0")
    return times, whole, rung_whole


def _whole(name: str, values: NDArray[np.generic]) -> _Ints:
    floats = np.asarray(values, dtype=np.float64)
    if not np.isfinite(floats).all() or (floats != np.floor(floats)).any():
        raise ValueError(f"{name}: must be whole numbers")
    return floats.astype(np.int64)


def _above_zero(name: str, value: float) -> float:
    """The value as a float; ValueError that names it unless it is above 0 and finite."""
    if not value > 0 or not math.isfinite(value):
        raise ValueError(f"{name} = {value}: must be above 0 and finite")
    return float(value)


def _on_the_grid(
    times: _Floats, clicks: _Ints, interval: float, silence: float, gaps: Sequence[tuple[float, float]]
) -> tuple[_Floats, _Ints, _Ints]:
    """When reports are sent, the clicks each interval saw, and the report that first knows of each row.

    The grid runs from one report before the first turn to past the silence limit after the last turn or gap. A turn on the grid
    (to a millionth of an interval) belongs to the report sent then."""
    if not len(times):
        return np.zeros(1), np.zeros(1, dtype=np.int64), np.zeros(0, dtype=np.int64)
    slot = np.ceil(times / interval - 1e-6).astype(np.int64)
    first = int(slot[0]) - 1
    last_time = max([float(times[-1]), *(end for _, end in gaps)])
    count = math.ceil((last_time + silence) / interval) + 3 - first
    if count > _MOST_REPORTS:
        raise ValueError(f"{count} reports of {interval} s: more than {_MOST_REPORTS}; cut the log into parts")
    per_report = np.zeros(count, dtype=np.int64)
    np.add.at(per_report, slot - first, clicks)
    return interval * np.arange(first, first + count, dtype=float), per_report, slot - first


def _received(link: Link, sent: _Floats, per_report: _Ints, lost: _Bools, at: _Floats, rung: _Ints) -> Reports:
    """Reports as the machine sees them: counts differenced, silences turned into stops."""
    got = np.flatnonzero(~lost)
    at = at[got]
    after_silence = np.diff(at, prepend=at[0]) > link.silence_s
    running = np.cumsum(per_report)[got]
    brings = np.diff(running, prepend=0) if link.counts == "running" else per_report[got]
    brings = np.where(after_silence, 0, brings)
    # the gap that each sent report falls into: that of the next report to arrive
    owner = np.searchsorted(got, np.arange(len(sent)))
    clicks = np.abs(per_report)
    in_silence = after_silence[owner]
    gone = lost & ~in_silence if link.counts == "increments" else np.zeros(len(sent), dtype=bool)
    stops = at[np.flatnonzero(after_silence) - 1] + link.silence_s
    order = np.argsort(np.concatenate([at, stops]), kind="stable")
    return Reports(
        time_s=np.concatenate([at, stops])[order], detents=np.concatenate([brings, np.zeros(len(stops), dtype=np.int64)])[order],
        rung=np.concatenate([rung[got], rung[got][np.flatnonzero(after_silence) - 1]])[order], stop=order >= len(at),
        interval_s=link.report_interval_s, sent_reports=len(sent), lost_reports=int(lost.sum()), silences=len(stops),
        turned_net_detents=int(per_report.sum()), lost_detents=int(clicks[gone].sum()),
        discarded_detents=int(clicks[in_silence].sum()),
    )  # fmt: skip
