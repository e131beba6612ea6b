"""Row: a rung on an axis."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, fields
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING

from ..ladder.ladder import Ladder
from ..ladder.steps import click_pattern, drift_carry, drift_drop, is_whole_step, steps_per_detent
from ..machine.model import Axis, Machine
from ..units import in_unit, say_number
from .advice import _derive_answer
from .limits import _stray_click_speed, derive_limits, full_speed_turn_rate, real_resolution
from .outstanding import _Outstanding, derive_outstanding
from .runon import _ALLOWED_RIPPLE_SHARE, _longest_report_interval_s, felt_delay

if TYPE_CHECKING:
    import pandas as pd

_NEAR = 1e-12  # two figures so close are the same


@dataclass(frozen=True, kw_only=True)
class Row:
    """What a rung does on an axis; on a rotary axis (`unit` "deg") every `_mm` is degrees. NaN: there is none.

    `gain` is the distance of a click in the shown unit, as text; `repeats`: it is that of the position before, for the axis
    serves no coarser one. `gain_num / gain_den` the same exactly in mm, `steps_num /
    steps_den` in motor steps. `drift_1000_mm` and `drift_back_mm` are what this firmware loses in 1000 clicks one way, and
    there and back (where it is unknown: what it would lose if it drops remainders). `one_way_mm` and `reversed_mm` are the
    finest moves that are real; `finer_than` says which of them the click is finer than ("", "one way", "reversal").
    `near_people` goes by one stray click alone: "yes", "no", or "unknown" without a calm speed; it is no clamp.
    `free_detents_s`: no click is lost up to this rate under the limit; `kind` what that makes of the rung. `run_on_mm` is after
    steady turning with every click finished, `hurried_run_on_mm` after a second at the fastest rate, no farther than the axis
    reaches (`hurried_at_reach`); `forgiven_run_on_mm` the most of a controller that forgives. `report_mm` is the distance of
    one report, `longest_report_s` the longest interval that keeps a steady hand's ripple within 25 % (NaN where none can or any
    will), `too_fast` and `speed` the habit advised."""

    position: int
    axis: str
    unit: str
    multiplier: int
    gain: str
    repeats: bool
    gain_mm: float
    gain_num: int
    gain_den: int
    steps_num: int
    steps_den: int
    exact: bool
    whole_step: bool
    dead_share: float
    drift_1000_mm: float
    drift_back_mm: float
    one_way_mm: float
    reversed_mm: float
    finer_than: str
    full_speed_detents_s: float
    outruns_steady: bool
    turns_to_cross: float
    steady_mm_s: float
    hurried_mm_s: float
    stray_mm_s: float
    calm_mm_s: float
    cap_mm: float
    above_cap: bool
    near_people: str
    free_detents_s: float
    kind: str
    run_on_mm: float
    run_on_s: float
    hurried_run_on_mm: float
    hurried_at_reach: bool
    forgiven_run_on_mm: float
    allowed_run_on_mm: float
    runs_on_too_far: bool
    ripple_share: float
    ripple_low_mm_s: float
    ripple_high_mm_s: float
    report_mm: float
    longest_report_s: float
    delay_s: float
    delay_most_s: float
    too_fast: str
    speed: str

    @property
    def habit(self) -> str:
        """The habit advised, in two words."""
        return f"{self.too_fast}, {self.speed}"

    @property
    def steps(self) -> Fraction:
        """Motor steps of a click."""
        return Fraction(self.steps_num, self.steps_den)

    @property
    def stop_and_go(self) -> bool:
        """Whether the axis rests between the reports of a steady hand."""
        return self.ripple_low_mm_s == 0.0


@lru_cache(maxsize=64)
def rows(machine: Machine, ladder: Ladder) -> tuple[Row, ...]:
    """A row per position and axis, positions from the finest, axes in the machine's order."""
    found = {axis.name: derive_outstanding(machine, axis, ladder) for axis in machine.axes}
    count = len(ladder.rungs)
    return tuple(_row(machine, axis, ladder, index, found[axis.name]) for index in range(count) for axis in machine.axes)


def _row(machine: Machine, axis: Axis, ladder: Ladder, index: int, found: _Outstanding) -> Row:
    exact_gain = ladder.on(axis)[index]
    steps = steps_per_detent(axis, exact_gain)
    gain, unit, step = float(exact_gain), machine.shown_unit(axis), float(axis.step_mm)
    top, knob = axis.top_speed_mm_s, machine.knob
    (steady_mm, cap_mm), real, link = derive_limits(machine, axis), real_resolution(axis), machine.link
    answer = _derive_answer(
        gain, top_speed_mm_s=top, ramp_mm_s2=axis.ramp_mm_s2, steady=knob.steady_detents_s, fastest=knob.fastest_detents_s,
        report_interval_s=link.report_interval_s, finest_mm=float(axis.finest_mm), reach_mm=axis.reach_mm,
    )  # fmt: skip
    free, kind = found.serves(machine, gain, knob.steady_detents_s)
    delay_s, delay_most_s = felt_delay(link.report_interval_s, link.delay_s, link.jitter_s)
    longest = _longest_report_interval_s(knob.steady_detents_s, gain, _ALLOWED_RIPPLE_SHARE, top, axis.ramp_mm_s2)
    drift = drift_carry() if machine.firmware.remainder == "carry" else drift_drop(steps)
    stray, calm = _stray_click_speed(gain, top, axis.ramp_mm_s2), axis.calm_speed_mm_s
    finer = "one way" if gain < real.one_way_mm * (1 - _NEAR) else "reversal" if gain < real.reversed_mm * (1 - _NEAR) else ""
    return Row(
        position=index + 1, axis=axis.name, unit=unit, multiplier=ladder.times(axis)[index],
        gain=say_number(in_unit(exact_gain, unit)), repeats=index > 0 and ladder.on(axis)[index - 1] == exact_gain,
        gain_mm=gain, gain_num=exact_gain.numerator, gain_den=exact_gain.denominator,
        steps_num=steps.numerator, steps_den=steps.denominator, exact=axis.exact,
        whole_step=is_whole_step(axis, exact_gain), dead_share=click_pattern(steps).dead_share,
        drift_1000_mm=drift.one_way_steps * step, drift_back_mm=drift.return_steps * step,
        one_way_mm=real.one_way_mm, reversed_mm=real.reversed_mm, finer_than=finer,
        full_speed_detents_s=full_speed_turn_rate(top, gain), outruns_steady=gain > steady_mm * (1 + _NEAR),
        turns_to_cross=axis.reach_mm / gain / knob.detents_per_turn,
        steady_mm_s=min(knob.steady_detents_s * gain, top), stray_mm_s=stray,
        calm_mm_s=math.nan if calm is None else calm, cap_mm=cap_mm, above_cap=gain > cap_mm * (1 + _NEAR),
        near_people="unknown" if calm is None else "yes" if stray <= calm * (1 + _NEAR) else "no",
        free_detents_s=free, kind=kind, longest_report_s=longest if 0 < longest < math.inf else math.nan,
        delay_s=delay_s, delay_most_s=delay_most_s, **answer,
    )  # fmt: skip


def by_axis(found: Iterable[Row]) -> Iterator[tuple[str, list[Row]]]:
    """The rows of each axis together, the finest first."""
    kept = list(found)
    for axis in dict.fromkeys(row.axis for row in kept):
        yield axis, [row for row in kept if row.axis == axis]


def by_position(found: Iterable[Row]) -> Iterator[tuple[int, list[Row]]]:
    """The rows of each position together, in the order of the axes."""
    kept = list(found)
    for position in dict.fromkeys(row.position for row in kept):
        yield position, [row for row in kept if row.position == position]


def frame(found: Iterable[Row]) -> pd.DataFrame:
    """Rows as a tidy table: a column per field, a row per position and axis."""
    import pandas as pd

    return pd.DataFrame([asdict(row) for row in found], columns=[field.name for field in fields(Row)])
