"""From a machine's figures to a base distance, its candidates, and ladders. Machine in, ladder out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import reduce
from itertools import combinations
from math import comb, floor

import numpy as np
from numpy.typing import NDArray

from ..files import InputFault
from ..ladder import (
    Ladder,
    SeriesValue,
    fraction_gcd,
    fraction_lcm,
    is_whole_step,
    machine_whole_step,
    plainness,
    series_values,
    steps_per_detent,
)
from ..machine import Axis, Machine
from ..units import from_unit, in_unit, is_plain, parse_quantity, plain_at_least, plain_at_most, say_distance, significand
from .limits import derive_limits

__all__ = [
    "Base", "Pool", "alone", "axes_that_differ", "coarsest_wish", "cover", "derive_base",
    "derive_candidates", "derive_for_axis", "derive_ladder", "derive_per_axis", "derive_pool", "finest_wish", "is_plain_on",
    "largest_step", "whole_axes",
]  # fmt: skip

MOST_MULTIPLIER = 1_000_000
MOST_RUNGS = 6  # unless asked for more
DENSE = tuple(Fraction(n) for n in ("1", "1.5", "2", "2.5", "3", "4", "5", "6", "8"))
WIDEST_FILL = Fraction("1.2")  # the coarsest, where the wish falls into the widest gap of these
LEFT_OUT_FIRST = tuple(Fraction(n) for n in ("2.5", "6", "1.5", "8", "4", "3"))
MOST_SEARCHED = 60_000  # ladders of up to six rungs; a wider range goes without the less plain numbers: our choice
LARGEST_RATIO = 10.0  # between neighbours, before a rung is missing between them: common practice, no source


# ------------------------------------------------------------------ the base


@dataclass(frozen=True, kw_only=True)
class Base:
    """The distance ×1 stands for [mm], why, and the choices beside it.

    `whole_step_mm` is the common whole-step distance (None: there is none within reach),
    `missed_by_mm` by how much the finest wish is missed, `other_mm` the choice not taken,
    `plain_and_whole_mm` a near distance that is both; `asked`: it is the person's own.

    >>> from jogtune.machine import read_machine
    >>> base = derive_base(read_machine("datasets/machines/slide_stage.toml"))
    >>> str(base.base_mm), base.reason
    ('1/800', 'the largest multiple of the common whole step (0.00125 mm) within the finest wish, as remainders are dropped')
    """

    base_mm: Fraction
    reason: str
    whole_step_mm: Fraction | None
    missed_by_mm: Fraction = Fraction(0)
    other_mm: Fraction | None = None
    asked: bool = False
    plain_and_whole_mm: Fraction | None = None


def finest_wish(machine: Machine) -> Fraction:
    """The smallest finest wish of all axes, as the ladder counts distance [mm].

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> finest_wish(router)
    Fraction(1, 50)
    """
    return min(machine.ladder_distance(axis, axis.finest_mm) for axis in machine.axes)


def largest_step(machine: Machine) -> Fraction:
    """The largest motor step of all axes, as the ladder counts distance [mm].

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> largest_step(router)
    Fraction(1, 80)
    """
    return max(machine.ladder_distance(axis, axis.step_mm) for axis in machine.axes)


def derive_base(machine: Machine, *, base: str | Fraction | None = None) -> Base:
    """The base: the person's own, or derived from motor steps, finest wish and firmware.

    Remainders carried or unknown: the largest plain distance within the wish. Dropped: the largest
    multiple of the common whole step within it. Raises `InputFault` for a base that can't be.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> base = derive_base(router)
    >>> str(base.base_mm), str(base.whole_step_mm), str(base.other_mm), str(base.plain_and_whole_mm)
    ('1/50', '1/80', '1/80', '1/20')
    """
    step, wish = largest_step(machine), finest_wish(machine)
    common = machine_whole_step(machine)
    if base is not None:
        chosen, reason = _own_base(machine, base), "your own base"
    elif machine.firmware.remainder == "drop" and any(axis.exact for axis in machine.axes):
        chosen, reason = _whole_base(machine, step, wish, common)
    else:
        chosen, reason = _plain_base(machine, step, wish)
    other = _other_base(machine, chosen, wish, common)
    return Base(
        base_mm=chosen,
        reason=reason,
        whole_step_mm=common,
        missed_by_mm=max(Fraction(0), chosen - wish),
        other_mm=None if other == chosen else other,
        asked=base is not None,
        plain_and_whole_mm=_plain_and_whole(machine, chosen, common),
    )


def _own_base(machine: Machine, base: str | Fraction) -> Fraction:
    if isinstance(base, Fraction):
        value = base
    else:
        try:
            found = parse_quantity(base, "distance")
        except ValueError as error:
            raise InputFault("--base", [f'base = "{base}": {error}']) from error
        needs_angle = machine.show_in == "deg"
        if found.angular != needs_angle:
            cure = "give degrees" if needs_angle else "give mm or in"
            raise InputFault("--base", [f'base = "{base}": is not the unit this machine counts in: {cure}'])
        value = found.value
    reach = min(machine.ladder_distance(axis, Fraction(axis.reach_mm)) for axis in machine.axes)
    if not Fraction(1, 1_000_000) <= value <= reach:
        limit = say_distance(reach, machine.show_in)
        raise InputFault("--base", [f'base = "{base}": must be above 0 and within the shortest reach, {limit}'])
    return value


def _plain_base(machine: Machine, step: Fraction, wish: Fraction) -> tuple[Fraction, str]:
    unit = machine.show_in
    if wish < step:
        chosen = from_unit(plain_at_least(in_unit(step, unit)), unit)
        return chosen, f"the smallest plain distance no finer than the largest motor step, {_say(machine, step)}"
    chosen = from_unit(plain_at_most(in_unit(wish, unit)), unit)
    return chosen, f"the largest plain distance within the finest wish, {_say(machine, wish)}"


def _whole_base(machine: Machine, step: Fraction, wish: Fraction, common: Fraction | None) -> tuple[Fraction, str]:
    axes = whole_axes(machine)
    common = _common(machine, axes)
    shown = _say(machine, common)
    if wish < common:
        return common, f"the smallest whole-step distance there is ({shown})"
    chosen = max(_dense(common, wish, machine, common))
    why = f"the largest multiple of the common whole step ({shown}) within the finest wish, as remainders are dropped"
    if len(axes) < sum(axis.exact for axis in machine.axes):
        names = ", ".join(axis.name for axis in axes)
        why = f"the largest whole-step distance of {names} ({shown}) within the finest wish; no distance so fine is whole on all"
    return chosen, why


def whole_axes(machine: Machine) -> tuple[Axis, ...]:
    """The axes on which fine clicks are whole motor steps where remainders are dropped: all exact ones if their
    common step is fine enough for wish and tasks, else those that need it most.

    >>> from jogtune.machine import read_machine
    >>> [axis.name for axis in whole_axes(read_machine("datasets/machines/slide_stage.toml"))]
    ['X', 'Y', 'A']
    """
    exact = [axis for axis in machine.axes if axis.exact]
    need = {axis.name: _finest_need(machine, axis) for axis in machine.axes}
    limit = max(min(need.values()), *(machine.ladder_distance(axis, axis.step_mm) for axis in exact))
    found = {}
    for count in range(len(exact), 0, -1):
        for axes in combinations(exact, count):
            common = _common(machine, axes)
            if common <= limit:
                finest = max(_dense(common, limit, machine, common))
                tight = sum(need[axis.name] <= limit for axis in axes)
                found[(tight, -_lost_share(machine, exact, finest), count)] = axes
    return found[max(found)]


def _lost_share(machine: Machine, axes: Iterable[Axis], gain_mm: Fraction) -> float:
    """The largest share of a click that any axis loses where remainders are dropped."""
    steps = [steps_per_detent(machine, axis, gain_mm) for axis in axes]
    return max(float((s % 1) / s) for s in steps)


def _common(machine: Machine, axes: Iterable[Axis]) -> Fraction:
    return reduce(fraction_lcm, (machine.ladder_distance(axis, axis.step_mm) for axis in axes))


def _finest_need(machine: Machine, axis: Axis) -> Fraction:
    """The coarsest finest rung that meets an axis' wish and its tasks, as the ladder counts distance [mm]."""
    tasks = [task for task in machine.tasks if task.axis == axis.name]
    widths = [2 * task.half_mm(float(machine.readout.step_mm)) for task in tasks if task.kind == "goal"]
    widths += [min(task.tolerance_mm, task.limit_mm or task.tolerance_mm) for task in tasks if task.kind == "feel"]
    bounds = [Fraction(width).limit_denominator(10**9) for width in widths if width > 0]
    return machine.ladder_distance(axis, max(min([axis.finest_mm, *bounds]), axis.step_mm))


def _dense(low_mm: Fraction, high_mm: Fraction, machine: Machine, whole: Fraction | None = None) -> list[Fraction]:
    """Dense plain distances from low to high [mm]; with `whole` [mm] the whole multiples of it among them, and dense
    multiples of it."""
    unit = machine.show_in
    found = {from_unit(n, unit) for n in _decades(in_unit(low_mm, unit), in_unit(high_mm, unit))}
    if whole is not None:
        found = {distance for distance in found if distance % whole == 0}
        found |= {k * whole for k in _decades(low_mm / whole, high_mm / whole) if k.denominator == 1}
    return sorted(found)


def _decades(low: Fraction, high: Fraction) -> Iterable[Fraction]:
    power = Fraction(1)
    while power > low:
        power /= 10
    while power * 10 <= low:
        power *= 10
    while power <= high:
        yield from (n * power for n in DENSE if low <= n * power <= high)
        if low <= WIDEST_FILL * power <= high < DENSE[1] * power:
            yield WIDEST_FILL * power
        power *= 10


def _other_base(machine: Machine, chosen: Fraction, wish: Fraction, common: Fraction | None) -> Fraction | None:
    unit = machine.show_in
    if common is None or chosen % common == 0:
        return from_unit(plain_at_most(in_unit(max(wish, chosen), unit)), unit)
    return max(floor(wish / common), 1) * common


def _plain_and_whole(machine: Machine, chosen: Fraction, common: Fraction | None) -> Fraction | None:
    if common is None:
        return None
    unit = machine.show_in
    number = plain_at_least(in_unit(chosen, unit))
    for _ in range(6):
        if (from_unit(number, unit) % common) == 0:
            return from_unit(number, unit)
        number = plain_at_least(number * Fraction(3, 2))
    return None


def _say(machine: Machine, distance: Fraction) -> str:
    return say_distance(distance, machine.show_in, digits=4)


# ------------------------------------------------------------------ candidates


def coarsest_wish(machine: Machine) -> float:
    """The coarsest gain [mm/detent] that some axis still follows at the steady turn rate.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> round(coarsest_wish(router), 3)  # 100 mm/s at 12 detents/s
    8.333
    """
    return max(
        float(machine.ladder_distance(axis, Fraction(derive_limits(machine, axis).steady_mm)))
        for axis in machine.axes
    )


def derive_candidates(
    machine: Machine, *, base: Base | None = None, series: str = "plain"
) -> tuple[SeriesValue, ...]:
    """The multipliers a series offers between the base and the coarsest gain any axis follows.

    Raises `InputFault` for an unknown series.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> [value.multiplier for value in derive_candidates(router, series="1-10-100")]
    [1, 10, 100]
    """
    chosen = derive_base(machine) if base is None else base
    highest = max(1, min(MOST_MULTIPLIER, floor(Fraction(coarsest_wish(machine)) / chosen.base_mm)))
    try:
        return series_values(series, highest, base=in_unit(chosen.base_mm, machine.show_in))
    except ValueError as error:
        shown = series if len(series) <= 40 else series[:37] + "..."
        raise InputFault("--series", [f'series = "{shown}": {error}']) from error


@dataclass(frozen=True, kw_only=True)
class Pool:
    """The distances a search may take: whole multiples of a base [mm], and how a series was rounded to them.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> pool = derive_pool(router, derive_base(router))
    >>> str(pool.base_mm), len(pool.multipliers), pool.multipliers[:4]
    ('1/200', 25, (4, 5, 6, 8))
    """

    base_mm: Fraction
    multipliers: tuple[int, ...]
    values: tuple[SeriesValue, ...] = ()


def derive_pool(machine: Machine, base: Base, *, series: str = "plain", keep: Iterable[int] = ()) -> Pool:
    """What the search may choose from: a series' multiples of the base, or by default dense plain distances.

    Where remainders are dropped these are whole motor steps on every exact axis, or below the common whole
    step on the axes that need them. `keep` are multiples of the base that are added.

    >>> from jogtune.machine import read_machine
    >>> stage = read_machine("datasets/machines/slide_stage.toml")
    >>> derive_pool(stage, derive_base(stage)).multipliers[:6]
    (1, 2, 3, 4, 5, 6)
    """
    if series != "plain":
        values = derive_candidates(machine, base=base, series=series)
        return Pool(base_mm=base.base_mm, multipliers=tuple(sorted({v.multiplier for v in values} | set(keep))), values=values)
    gains = _dense_gains(machine, base)
    left_out = list(LEFT_OUT_FIRST)
    while _count(len(gains), machine.selector.positions) > MOST_SEARCHED and left_out:
        number = left_out.pop(0)
        gains = [g for g in gains if g == gains[0] or significand(in_unit(g, machine.show_in)) != number]
    while _count(len(gains), machine.selector.positions) > MOST_SEARCHED:
        gains = [gains[0], *gains[1:][::-1][::2][::-1]]
    gains = sorted({*gains, *(m * base.base_mm for m in keep)})
    common = reduce(fraction_gcd, gains)
    return Pool(base_mm=common, multipliers=tuple(int(gain / common) for gain in gains))


def _count(candidates: int, positions: int) -> int:
    return sum(comb(candidates - 1, k) for k in range(min(positions, MOST_RUNGS)))


def _dense_gains(machine: Machine, base: Base) -> list[Fraction]:
    finest = base.base_mm
    most = Fraction(coarsest_wish(machine)) * (1 + Fraction(1, 10**9))
    low, high = finest, max(most, finest)
    if machine.firmware.remainder != "drop" or not any(axis.exact for axis in machine.axes) or base.asked:
        every = _dense(low, high, machine, finest if base.asked else None)
        return sorted({finest, *every})
    axes, exact = whole_axes(machine), [axis for axis in machine.axes if axis.exact]
    part, whole = _common(machine, axes), _common(machine, exact)
    fine = [gain for gain in _dense(low, high, machine, part) if gain < whole or whole > most]
    return sorted({finest, *fine, *(_dense(low, high, machine, whole) if whole <= most else [])})


# ------------------------------------------------------------------ ladders by coverage


def derive_ladder(
    machine: Machine, *, rungs: int | None = None, series: str = "plain", base: str | Fraction | None = None
) -> Ladder:
    """One ladder for all axes that covers the range with even, plain, whole-step rungs.

    With `rungs` None, the fewest whose neighbours lie no more than a factor of 10 apart. Raises
    `InputFault` where the options can't be met.

    >>> from jogtune.machine import read_machine
    >>> derive_ladder(read_machine("datasets/machines/inlay_router.toml")).say()
    '0.02, 0.1, 0.5, 5 mm'
    """
    found = derive_base(machine, base=base)
    values = derive_candidates(machine, base=found, series=series)
    return cover(machine, found.base_mm, [value.multiplier for value in values], rungs=rungs)


def derive_for_axis(
    machine: Machine, axis: Axis, *, rungs: int | None = None, series: str = "plain"
) -> Ladder:
    """The ladder one axis would have if it had the selector to itself.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> derive_for_axis(router, router.axis("Z")).say()
    '0.02, 0.2, 2 mm'
    """
    return derive_ladder(alone(machine, axis), rungs=rungs, series=series)


def derive_per_axis(
    machine: Machine, *, rungs: int | None = None, series: str = "plain"
) -> dict[str, Ladder]:
    """A ladder for each axis, by its name.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> {name: ladder.say() for name, ladder in derive_per_axis(router, rungs=3).items()}
    {'X': '0.02, 0.2, 5 mm', 'Y': '0.02, 0.2, 5 mm', 'Z': '0.02, 0.2, 2 mm'}
    """
    return {axis.name: derive_for_axis(machine, axis, rungs=rungs, series=series) for axis in machine.axes}


def alone(machine: Machine, axis: Axis) -> Machine:
    """The machine as if it had this axis only.

    >>> from jogtune.machine import read_machine
    >>> stage = read_machine("datasets/machines/slide_stage.toml")
    >>> turntable = next(axis for axis in stage.axes if axis.rotary)
    >>> alone(stage, turntable).show_in, len(alone(stage, turntable).axes)
    ('deg', 1)
    """
    unit = "deg" if axis.rotary else machine.shown_unit(axis)
    return replace(machine, axes=(axis,), show_in=unit)


def cover(
    machine: Machine, base_mm: Fraction, multipliers: Iterable[int], *, rungs: int | None = None
) -> Ladder:
    """The subset of candidates that covers their range best: first and last, then even, plain, whole.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> cover(router, Fraction(1, 50), [1, 2, 5, 10, 50, 100, 250], rungs=3).multipliers
    (1, 10, 250)
    """
    offered = sorted(set(multipliers))
    count = check_rungs(machine, rungs, len(offered))
    counts = [count] if count else range(1, min(machine.selector.positions, len(offered)) + 1)
    for k in counts:
        ladder = _best_cover(machine, base_mm, offered, k)
        if _covers(ladder, offered):
            break
    return ladder


def check_rungs(machine: Machine, rungs: int | None, offered: int) -> int | None:
    """Whether so many rungs can be had; raises `InputFault` with the cure."""
    if rungs is None:
        return None
    positions = machine.selector.positions
    if not 1 <= rungs <= positions:
        raise InputFault("--rungs", [f"rungs = {rungs}: must be 1 to {positions}, the selector's positions"])
    if rungs > offered:
        cure = "choose a denser series or fewer rungs"
        raise InputFault("--rungs", [f"rungs = {rungs}: the series offers {offered} within the limits: {cure}"])
    return rungs


def _covers(ladder: Ladder, offered: list[int]) -> bool:
    even = max(ladder.ratios, default=1.0) <= LARGEST_RATIO
    return even and ladder.multipliers[0] == offered[0] and ladder.multipliers[-1] == offered[-1]


def _best_cover(machine: Machine, base_mm: Fraction, offered: list[int], count: int) -> Ladder:
    if count == 1:
        return Ladder(base_mm=base_mm, multipliers=(offered[0],), show_in=machine.show_in)
    tried = [offered[0], *_thinned(offered[1:-1], count - 2), offered[-1]]
    last = len(tried) - 1
    rows = np.array([(0, *inner, last) for inner in combinations(range(1, last), count - 2)])
    best = rows[int(_roughness(machine, base_mm, tried, rows).argmin())]  # the first of equals: the finest
    return Ladder(base_mm=base_mm, multipliers=tuple(tried[i] for i in best), show_in=machine.show_in)


def _thinned(inner: list[int], chosen: int) -> list[int]:
    """No more inner candidates than can be tried one by one, spread evenly over the range."""
    most = max(24, chosen)
    if len(inner) <= most:
        return inner
    return [inner[round(k * (len(inner) - 1) / (most - 1))] for k in range(most)]


def _roughness(machine: Machine, base_mm: Fraction, tried: list[int], rows: NDArray[np.int_]) -> NDArray[np.float64]:
    """How far ladders (rows of indices into `tried`) are from even, plain and whole; least is best."""
    gains = [m * base_mm for m in tried]
    broken = np.array([sum(not is_whole_step(machine, axis, gain) for axis in machine.axes) for gain in gains])
    plain = np.array([plainness(Ladder(base_mm=gain, multipliers=(1,), show_in=machine.show_in)) for gain in gains])
    numbers = np.array(tried, dtype=float)[rows]
    steps = np.log10(numbers[:, 1:] / numbers[:, :-1])
    uneven = steps.max(axis=1) - steps.min(axis=1)
    each = 0.1 * plain + 0.02 * broken / len(machine.axes)
    return np.asarray(np.round(uneven + each[rows].sum(axis=1), 9), dtype=float)


def axes_that_differ(machine: Machine, ladder: Ladder) -> list[str]:
    """Axes ill served by a shared ladder: fewer than half its rungs lie between their finest and coarsest.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> axes_that_differ(router, Ladder.from_gains([Fraction(1), Fraction(5), Fraction(8)]))
    ['X', 'Y', 'Z']
    """
    ill = []
    for axis in machine.axes:
        limits = derive_limits(machine, axis)
        gains = [float(machine.axis_gain(axis, gain)) for gain in ladder.gains_mm]
        least, most = float(axis.step_mm) * (1 - 1e-12), limits.steady_mm * (1 + 1e-12)
        served = [gain for gain in gains if least <= gain <= most]
        too_coarse = gains[0] > 10 * limits.finest_mm
        if 2 * len(served) < len(gains) or too_coarse:
            ill.append(axis.name)
    return ill


def is_plain_on(machine: Machine, distance: Fraction) -> bool:
    """Whether a distance is 1, 2 or 5 × 10ⁿ of the person's unit.

    >>> from jogtune.machine import read_machine
    >>> sign_table = read_machine("datasets/machines/sign_table.toml")
    >>> is_plain_on(sign_table, Fraction(254, 10_000)), is_plain_on(sign_table, Fraction(1, 50))
    (True, False)
    """
    return is_plain(in_unit(distance, machine.show_in))
