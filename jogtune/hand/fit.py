"""The person found from measured tasks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from ..files import Fault
from ..machine.model import Machine
from ..notes import Note
from ..shown import Shown
from .estimate import _knob_times_s
from .person import Floats, Hand, Motion

if TYPE_CHECKING:
    import pandas as pd

_POINTING_SPREAD = 0.10


def _pointing_index(distance_over_width: Floats) -> Floats:
    """Expected sum of log2(1 + |e| / (W/2)) over the moves of a pointing task, from its D/W. Each move leaves an error in
    proportion to its distance (normal, cut as for the knob), until one ends within W/2."""
    near = 2 * np.atleast_1d(np.asarray(distance_over_width, dtype=float))
    return np.asarray(np.log2(1 + near) + _left_over(near, *_index_table()))


@lru_cache(maxsize=1)
def _index_table() -> tuple[Floats, Floats]:
    grid = np.linspace(0, 24, 24 * 16 + 1)
    index = np.zeros_like(grid)
    for i, u in enumerate(np.exp2(grid)):
        index[i] = np.log2(1 + u) + _left_over(np.array([u]), grid[:i], index[:i])[0]
    return grid, index


def _left_over(near: Floats, grid: Floats, index: Floats) -> Floats:
    """Expected index of what a move from each distance (in W/2) leaves to be done."""
    from scipy.special import erf

    if not len(grid):
        return np.zeros(len(near))
    spread, cut = _POINTING_SPREAD, min(3.0, 0.5 / _POINTING_SPREAD)
    nodes, weights = np.polynomial.legendre.leggauss(48)
    low = np.minimum(1 / (spread * near), cut)
    z = low[:, None] + (cut - low)[:, None] * (nodes + 1) / 2
    density = np.exp(-z * z / 2) / np.sqrt(np.pi / 2) * (cut - low)[:, None] / 2
    ahead = np.interp(np.log2(np.maximum(spread * z * near[:, None], 1.0)), grid, index)
    return np.asarray((weights * density * ahead).sum(axis=1) / float(erf(cut / np.sqrt(2))))


_CANT_TELL_SHARE = 0.5
"""A figure whose standard error is above this share of it is one that the log can't tell."""


@dataclass(frozen=True, kw_only=True, repr=False)
class HandFit(Shown):
    """What a table of measured tasks says about the hand. `values` and `standard_errors` by name; `rms_error` and
    `held_out_error` are root mean square relative errors of the conditions, the second from a fit to the 1st, 3rd, 5th ...
    condition in order of (distance, tolerance) that predicts the others (None with fewer than 4 conditions). `cant_tell` names
    the figures that the table can't tell."""

    form: str
    values: Mapping[str, float]
    standard_errors: Mapping[str, float]
    rms_error: float
    held_out_error: float | None
    conditions: int
    tasks: int
    cant_tell: tuple[str, ...]
    note: Note
    hand: Hand | None
    _model: _Model = field(repr=False)

    @property
    def table(self) -> pd.DataFrame:
        """A row per figure: its value and standard error, each in the unit of its name."""
        import pandas as pd

        errors = [self.standard_errors[name] for name in self.values]
        return pd.DataFrame({"figure": list(self.values), "value": list(self.values.values()), "standard_error": errors})

    @property
    def notes(self) -> tuple[Note, ...]:
        """What was fitted, and what it means for a knob."""
        return (self.note,)

    def predict_s(self, table: pd.DataFrame) -> Floats:
        return self._model.times_s(table, np.array([self.values[name] for name in self._model.names]))


def fit_hand(
    tasks: Any, motion: Motion | Mapping[str, Motion] | None = None, hand: Hand | None = None,
    free: Sequence[str] = ("start_s", "look_s", "switch_s", "turn_rate_detents_s"), *, machine: Machine | None = None,
) -> HandFit:  # fmt: skip
    """Fit a hand to measured tasks, by least squares of relative errors. `tasks` is what `measure` found, or a frame with one
    row per task (or per condition); a `machine` gives the motion of its axes:
    `distance_mm`, `tolerance_mm` (whole width), `time_s`. With `gains_mm` (the ladder it was done with, as text "0.01 0.1 1"
    or a tuple, finest first) `motion` is needed, one or one per `axis`, and the figures in `free` are fitted to the model of a
    detented knob, the others staying as in `hand`. Without, two figures (`a_s`, `b_s`) of the form for pointing are: time = a
    + b x sum of log2(1 + |e| / (W/2)) over the moves. `person` is not looked at: fit each person's rows apart. Rows alike in
    distance, tolerance and ladder are one condition; its mean is fitted. Raises ValueError naming every fault of the table."""
    measured = not hasattr(tasks, "columns")
    table: pd.DataFrame = tasks.tasks_to_fit if measured else tasks
    machine = machine or (tasks.machine if measured else None)
    if machine is not None and motion is None:
        motion = {axis.name: Motion.from_machine(machine, axis.name) for axis in machine.axes}
    if "gains_mm" not in table:
        model = _POINTING
    elif motion is None:
        raise ValueError("fit_hand: the table has gains_mm, so motion is needed: pass Motion.from_machine(...)")
    else:
        model = _knob_model(motion, hand or Hand(), tuple(free))
    _check(table, model)
    conditions = _conditions(table)
    values, errors = _fit(model, conditions)
    too_wide = ~(errors <= _CANT_TELL_SHARE * np.abs(values))
    return HandFit(
        form=model.form, values=dict(zip(model.names, values.tolist(), strict=True)),
        standard_errors=dict(zip(model.names, errors.tolist(), strict=True)), rms_error=_rms(model, conditions, values),
        held_out_error=_held_out(model, conditions), conditions=len(conditions), tasks=len(table),
        cant_tell=tuple(name for name, unsure in zip(model.names, too_wide, strict=True) if unsure), note=model.note,
        hand=model.hand_of(values), _model=model,
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class _Model:
    """Times of a table's rows from a few figures."""

    form: str
    names: tuple[str, ...]
    note: Note
    start: Floats
    times_s: Callable[[pd.DataFrame, Floats], Floats]
    hand_of: Callable[[Floats], Hand | None]
    least: Floats
    rounds: int


def _pointing_times(table: pd.DataFrame, values: Floats) -> Floats:
    ratio = (table["distance_mm"] / table["tolerance_mm"]).to_numpy(float)
    return np.asarray(values[0] + values[1] * _pointing_index(ratio))


_POINTING = _Model(
    form="pointing", names=("a_s", "b_s"), note=Note(kind="pointing_not_knob"), start=np.array([0.1, 0.1]),
    times_s=_pointing_times, hand_of=lambda values: None, least=np.full(2, -np.inf), rounds=1,
)  # fmt: skip


def _knob_model(motion: Motion | Mapping[str, Motion], hand: Hand, free: tuple[str, ...]) -> _Model:
    def hand_of(values: Floats) -> Hand:
        return replace(hand, **dict(zip(free, values.tolist(), strict=True)))

    return _Model(
        form="knob", names=free, note=Note(kind="hand_not_fitted", figures={"names": sorted(set(vars(hand)) - set(free))}),
        start=np.array([getattr(hand, name) for name in free]),
        times_s=lambda table, values: _knob_times(table, motion, hand_of(values)), hand_of=hand_of,
        least=np.array([1e-3 * getattr(hand, name) for name in free]), rounds=3,
    )  # fmt: skip


def _knob_times(table: pd.DataFrame, motion: Motion | Mapping[str, Motion], hand: Hand) -> Floats:
    out = np.empty(len(table))
    axes = [""] * len(table) if isinstance(motion, Motion) else [str(axis) for axis in table["axis"]]
    ladders = [_gains_of(gains) for gains in table["gains_mm"]]
    keys = list(zip(axes, ladders, table["tolerance_mm"].astype(float), strict=True))
    distances = table["distance_mm"].to_numpy(float)
    for key in dict.fromkeys(keys):
        rows = [i for i, other in enumerate(keys) if other == key]
        axis_motion = motion if isinstance(motion, Motion) else motion[key[0]]
        half = max((key[2] - axis_motion.readout_step_mm) / 2, 0.0)
        out[rows] = _knob_times_s(key[1], half, distances[rows], axis_motion, hand)
    return out


def _gains_of(gains: object) -> tuple[float, ...]:
    """The clicks of a ladder from text or a sequence, finest first [mm]."""
    parts = gains.replace(",", " ").split() if isinstance(gains, str) else list(gains)  # type: ignore[call-overload]
    return tuple(sorted(float(Fraction(str(part))) for part in parts))


def _check(table: pd.DataFrame, model: _Model) -> None:
    needed = ("distance_mm", "tolerance_mm", "time_s")
    faults: list[str] = [Fault(f"fit_hand: column {name}", rule="is missing") for name in needed if name not in table]
    for name in (name for name in needed if name in table):
        values = table[name].to_numpy(float)
        wrong = np.flatnonzero(~((values > 0) & np.isfinite(values)))
        faults += [Fault(f"fit_hand: {name} in row {i}", float(values[i]), "must be above 0") for i in wrong]
    if not faults and len(_conditions(table)) <= len(model.names):
        count, figures = len(_conditions(table)), len(model.names)
        faults.append(Fault(f"fit_hand: {count} different tasks for {figures} figures", rule=f"needs at least {figures + 1}"))
    if faults:
        raise ValueError("\n".join(faults))


def _conditions(table: pd.DataFrame) -> pd.DataFrame:
    """One row per condition: mean time and how many tasks, in order of (distance, tolerance)."""
    import pandas as pd

    keys = ["distance_mm", "tolerance_mm"]
    if "gains_mm" in table:
        table = table.assign(gains_mm=pd.Series([_gains_of(g) for g in table["gains_mm"]], table.index, object))
        keys += ["gains_mm", "axis"] if "axis" in table else ["gains_mm"]
    groups = table.groupby(keys, sort=True)["time_s"]
    return groups.agg(time_s="mean", tasks="size").reset_index()


def _fit(model: _Model, table: pd.DataFrame) -> tuple[Floats, Floats]:
    """Figures and their standard errors; conditions weigh by how often they were done."""
    from scipy.optimize import least_squares

    time = table["time_s"].to_numpy(float)
    weight = np.sqrt(table["tasks"].to_numpy(float))
    scale, values = time, model.start
    for _ in range(model.rounds):

        def miss(trial: Floats, scale: Floats = scale) -> Floats:
            return np.asarray(weight * (model.times_s(table, trial) - time) / scale)

        scales, steps = np.maximum(np.abs(model.start), 0.05), np.full(len(values), 1e-4)
        found = least_squares(miss, values, x_scale=scales, bounds=(model.least, np.inf), diff_step=steps)
        values, scale = np.asarray(found.x), model.times_s(table, np.asarray(found.x))
    slope = np.asarray(found.jac, dtype=float)
    freedom = max(len(table) - len(values), 1)
    covariance = np.linalg.pinv(slope.T @ slope) * 2 * float(found.cost) / freedom
    unseen = np.abs(slope).max(axis=0) < 1e-9
    return values, np.where(unseen, np.inf, np.sqrt(np.diag(covariance)))


def _rms(model: _Model, table: pd.DataFrame, values: Floats) -> float:
    time = table["time_s"].to_numpy(float)
    return float(np.sqrt(np.mean((model.times_s(table, values) / time - 1) ** 2)))


def _held_out(model: _Model, table: pd.DataFrame) -> float | None:
    seen, unseen = table.iloc[::2], table.iloc[1::2]
    if len(seen) < len(model.names) or len(unseen) == 0 or len(table) < 4:
        return None
    return _rms(model, unseen, _fit(model, seen)[0])
