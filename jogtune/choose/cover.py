"""Candidates; ladders by coverage."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import reduce
from itertools import combinations
from math import comb, floor

import numpy as np
from numpy.typing import NDArray

from ..axis.limits import derive_limits, real_resolution
from ..files import Fault, InputFault
from ..ladder.ladder import Column, Ladder, SeriesValue, fraction_gcd, series_values
from ..ladder.steps import is_whole_step
from ..machine.model import Axis, Machine
from ..units import digit_points, in_unit, significand
from .base import _Base, _common_step, _dense_multipliers, _derive_base, _whole_axes

_MOST_MULTIPLIER = 1_000_000
_MOST_RUNGS = 6  # unless asked for more
_LEFT_OUT_FIRST = tuple(Fraction(n) for n in ("2.5", "6", "1.5", "8", "4", "3"))
_MOST_SEARCHED = 60_000  # ladders of up to six rungs; a wider range goes without the less plain numbers: our choice
_LARGEST_RATIO = 10.0  # between neighbours, before a rung is missing between them: common practice, no source


def coarsest_wish(machine: Machine) -> float:
    """The coarsest gain [mm/detent] that some axis read in the shown unit still follows at the steady turn rate."""
    return max(derive_limits(machine, axis)[0] for axis in machine.main_axes)


def _derive_candidates(machine: Machine, *, base: _Base | None = None, series: str = "plain") -> tuple[SeriesValue, ...]:
    """The multipliers a series offers between the base and the coarsest gain any axis follows. Raises `InputFault` for an
    unknown series."""
    chosen = _derive_base(machine) if base is None else base
    highest = max(1, min(_MOST_MULTIPLIER, floor(Fraction(coarsest_wish(machine)) / chosen.base_mm)))
    try:
        return series_values(series, highest, base=in_unit(chosen.base_mm, machine.show_in))
    except ValueError as error:
        shown = series if len(series) <= 40 else series[:37] + "..."
        raise InputFault("--series", [Fault("series", shown, str(error))]) from error


@dataclass(frozen=True, kw_only=True)
class _Pool:
    """The distances a search may take: whole multiples of a base [mm], and how a series was rounded to them."""

    base_mm: Fraction
    multipliers: tuple[int, ...]
    values: tuple[SeriesValue, ...] = ()


def _derive_pool(
    machine: Machine, base: _Base, *, series: str = "plain", keep: Iterable[int] = (), most: int = _MOST_SEARCHED
) -> _Pool:
    """What the search may choose from: a series' multiples of the base, or by default dense plain distances. Where remainders
    are dropped these are whole motor steps on every exact axis, or below the common whole step on the axes that need them.
    `keep` are multiples of the base that are added; `most` ladders may come of it."""
    if series != "plain":
        values = _derive_candidates(machine, base=base, series=series)
        return _Pool(base_mm=base.base_mm, multipliers=tuple(sorted({v.multiplier for v in values} | set(keep))), values=values)
    gains = _dense_gains(machine, base)
    left_out = list(_LEFT_OUT_FIRST)
    while _count(len(gains), machine.selector.positions) > most and left_out:
        number = left_out.pop(0)
        gains = [g for g in gains if g == gains[0] or significand(in_unit(g, machine.show_in)) != number]
    while _count(len(gains), machine.selector.positions) > most:
        gains = [gains[0], *gains[1:][::-1][::2][::-1]]
    gains = sorted({*gains, *(m * base.base_mm for m in keep)})
    common = reduce(fraction_gcd, gains)
    return _Pool(base_mm=common, multipliers=tuple(int(gain / common) for gain in gains))


_MOST_CANDIDATES = 60  # they are bits of a whole number in the search


def _pool_of_bases(machine: Machine, base: _Base, multipliers: Sequence[int]) -> tuple[_Pool, tuple[tuple[int, ...], ...]]:
    """What fixed multipliers may stand on: plain bases whose finest click lies within the finest wish and is real on every axis,
    whole motor steps where remainders are dropped; the pool of all their distances, and each base's ladder as multiples of the
    pool's."""
    wish, first = max(base.base_mm, machine.finest_wish_mm), multipliers[0]
    real = min(wish, max(Fraction(real_resolution(axis).one_way_mm) for axis in machine.axes))
    exact = [axis for axis in machine.axes if axis.exact]
    whole = _common_step(exact) if machine.firmware.remainder == "drop" and exact else None
    bases = [base.base_mm] if base.asked else _dense_multipliers(real / first, wish / first, machine, whole)
    plain = sorted(bases or [whole or wish / first], key=lambda b: digit_points(in_unit(b, machine.show_in)))
    while len({b * m for b in plain for m in multipliers}) > _MOST_CANDIDATES and len(plain) > 1:
        plain.pop()
    common = reduce(fraction_gcd, plain)
    ladders = tuple(tuple(int(b * m / common) for m in multipliers) for b in sorted(plain))
    return _Pool(base_mm=common, multipliers=tuple(sorted({n for ladder in ladders for n in ladder}))), ladders


def _count(candidates: int, positions: int) -> int:
    return sum(comb(candidates - 1, k) for k in range(min(positions, _MOST_RUNGS)))


def _dense_gains(machine: Machine, base: _Base) -> list[Fraction]:
    finest = base.base_mm
    most = Fraction(coarsest_wish(machine)) * (1 + Fraction(1, 10**9))
    low, high = finest, max(most, finest)
    if machine.firmware.remainder != "drop" or not any(axis.exact for axis in machine.axes) or base.asked:
        every = _dense_multipliers(low, high, machine, finest if base.asked else None)
        return sorted({finest, *every})
    axes, exact = _whole_axes(machine), [axis for axis in machine.axes if axis.exact]
    part, whole = _common_step(axes), _common_step(exact)
    fine = [gain for gain in _dense_multipliers(low, high, machine, part) if gain < whole or whole > most]
    return sorted({finest, *fine, *(_dense_multipliers(low, high, machine, whole) if whole <= most else [])})


def derive_ladder(
    machine: Machine, *, rungs: int | None = None, series: str = "plain", base: str | Fraction | None = None
) -> Ladder:
    """The ladder that covers the range with even, plain, whole-step rungs, for each column of the machine. With `rungs` None,
    the fewest whose neighbours lie no more than a factor of 10 apart. Raises `InputFault` where the options can't be met."""
    found: list[Ladder] = []
    for part in machine.columns:
        start = _derive_base(part, base=None if found else base)
        offered = [value.multiplier for value in _derive_candidates(part, base=start, series=series)]
        count = min(len(found[0].rungs), len(set(offered))) if found else rungs
        found.append(_cover(part, start.base_mm, offered, rungs=count))
    return _in_columns([(part, ladder.gains_mm) for part, ladder in zip(machine.columns, found, strict=True)])


def _in_columns(columns: Sequence[tuple[Machine, Sequence[Fraction]]]) -> Ladder:
    """One ladder of the distances for the axes of each part of a machine, the reference first. A column that is shorter ends
    in its coarsest distance again."""
    (reference, shared), *others = columns
    own = [
        Column(axis=axis.name, unit=part.shown_unit(axis), gains_mm=(*gains, *[gains[-1]] * (len(shared) - len(gains))))
        for part, gains in others for axis in part.axes
        if axis.rotary != reference.axes[0].rotary or tuple(gains) != tuple(shared)
    ]  # fmt: skip
    return Ladder.from_gains(shared, show_in=reference.show_in, own=own)


def _alone(machine: Machine, axis: Axis) -> Machine:
    """The machine as if it had this axis only."""
    return replace(machine, axes=(axis,), show_in=machine.shown_unit(axis))


def _cover(machine: Machine, base_mm: Fraction, multipliers: Iterable[int], *, rungs: int | None = None) -> Ladder:
    """The subset of candidates that covers their range best: first and last, then even, plain, whole."""
    offered = sorted(set(multipliers))
    count = _check_rungs(machine, rungs, len(offered))
    counts = [count] if count else range(1, min(machine.selector.positions, len(offered)) + 1)
    for k in counts:
        ladder = _best_cover(machine, base_mm, offered, k)
        ends = (ladder.multipliers[0], ladder.multipliers[-1]) == (offered[0], offered[-1])
        if ends and max(ladder.ratios, default=1.0) <= _LARGEST_RATIO:
            break
    return ladder


def _check_rungs(machine: Machine, rungs: int | None, offered: int) -> int | None:
    """Whether so many rungs can be had; raises `InputFault` with the cure."""
    if rungs is None:
        return None
    positions = machine.selector.positions
    if not 1 <= rungs <= positions:
        raise InputFault("--rungs", [Fault("rungs", rungs, f"must be 1 to {positions}, the selector's positions")])
    if rungs > offered:
        fault = Fault("rungs", rungs, f"the series offers {offered} within the limits", "choose a denser series or fewer rungs")
        raise InputFault("--rungs", [fault])
    return rungs


def _best_cover(machine: Machine, base_mm: Fraction, offered: list[int], count: int) -> Ladder:
    if count == 1:
        return Ladder(base_mm=base_mm, multipliers=(offered[0],), show_in=machine.show_in)
    inner, most = offered[1:-1], max(24, count - 2)
    if len(inner) > most:  # no more than can be tried one by one, spread evenly over the range
        inner = [inner[round(k * (len(inner) - 1) / (most - 1))] for k in range(most)]
    tried = [offered[0], *inner, offered[-1]]
    last = len(tried) - 1
    rows = np.array([(0, *inner, last) for inner in combinations(range(1, last), count - 2)])
    best = rows[int(_roughness(machine, base_mm, tried, rows).argmin())]  # the first of equals: the finest
    return Ladder(base_mm=base_mm, multipliers=tuple(tried[i] for i in best), show_in=machine.show_in)


def _roughness(machine: Machine, base_mm: Fraction, tried: list[int], rows: NDArray[np.int_]) -> NDArray[np.float64]:
    """How far ladders (rows of indices into `tried`) are from even, plain and whole; least is best."""
    gains = [m * base_mm for m in tried]
    broken = np.array([sum(not is_whole_step(axis, gain) for axis in machine.axes) for gain in gains])
    plain = np.array([Ladder(base_mm=gain, multipliers=(1,), show_in=machine.show_in).plainness for gain in gains])
    numbers = np.array(tried, dtype=float)[rows]
    steps = np.log10(numbers[:, 1:] / numbers[:, :-1])
    uneven = steps.max(axis=1) - steps.min(axis=1)
    each = 0.1 * plain + 0.02 * broken / len(machine.axes)
    return np.asarray(np.round(uneven + each[rows].sum(axis=1), 9), dtype=float)
