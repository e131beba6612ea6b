"""What ×1 stands for."""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import reduce
from itertools import combinations
from math import floor

from ..files import Fault, InputFault
from ..ladder.ladder import fraction_lcm
from ..ladder.steps import machine_whole_step, steps_per_detent
from ..machine.model import Axis, Machine
from ..notes import Note
from ..units import digit_points, from_unit, in_unit, parse_quantity, plain_at_least, plain_at_most, say_distance

_DENSE = tuple(Fraction(n) for n in ("1", "1.5", "2", "2.5", "3", "4", "5", "6", "8"))
_WIDEST_FILL = Fraction("1.2")  # the coarsest, where the wish falls into the widest gap of these


@dataclass(frozen=True, kw_only=True)
class _Base:
    """The distance ×1 stands for [mm], why, and the choices beside it. `whole_step_mm` is the common whole-step distance
    (None: there is none within reach), `other_mm` the choice not taken, `plain_and_whole_mm` a near distance that is both;
    `asked`: it is the person's own."""

    base_mm: Fraction
    reason: Note
    whole_step_mm: Fraction | None
    other_mm: Fraction | None = None
    asked: bool = False
    plain_and_whole_mm: Fraction | None = None


def _derive_base(machine: Machine, *, base: str | Fraction | None = None) -> _Base:
    """The base: the person's own, or derived from motor steps, finest wish and firmware. Remainders carried or unknown: the
    largest plain distance within the wish. Dropped: the plainest multiple of the common whole step within it and over half of
    it. Raises `InputFault` for a base that can't be."""
    step, wish = machine.largest_step_mm, machine.finest_wish_mm
    common = machine_whole_step(machine)
    if base is not None:
        chosen, reason = _own_base(machine, base), _because(machine, "base_own")
    elif machine.firmware.remainder == "drop" and any(axis.exact for axis in machine.axes):
        chosen, reason = _whole_base(machine, wish)
    else:
        chosen, reason = _plain_base(machine, step, wish)
    other = _other_base(machine, chosen, wish, common)
    return _Base(base_mm=chosen, reason=reason, whole_step_mm=common, other_mm=None if other == chosen else other,
                 asked=base is not None, plain_and_whole_mm=_plain_and_whole(machine, chosen, common))  # fmt: skip


def _own_base(machine: Machine, base: str | Fraction) -> Fraction:
    value = base
    if isinstance(value, str):
        try:
            found = parse_quantity(value, "distance")
        except ValueError as error:
            raise InputFault("--base", [Fault("base", value, str(error))]) from error
        if found.angular != (machine.show_in == "deg"):
            needs = "mm or in" if found.angular else "degrees"
            raise InputFault("--base", [Fault("base", value, "is not the unit this machine counts in", f"give {needs}")])
        value = found.value
    reach = min(Fraction(axis.reach_mm) for axis in machine.axes)
    if not Fraction(1, 1_000_000) <= value <= reach:
        limit = say_distance(reach, machine.show_in)
        raise InputFault("--base", [Fault("base", str(base), f"must be above 0 and within the shortest reach, {limit}")])
    return value


def _because(machine: Machine, kind: str, **figures: object) -> Note:
    return Note(kind=kind, figures=figures, unit=machine.show_in)


def _plain_base(machine: Machine, step: Fraction, wish: Fraction) -> tuple[Fraction, Note]:
    unit = machine.show_in
    if wish < step:
        return from_unit(plain_at_least(in_unit(step, unit)), unit), _because(machine, "base_plain_step", step_mm=step)
    return from_unit(plain_at_most(in_unit(wish, unit)), unit), _because(machine, "base_plain_wish", wish_mm=wish)


def _whole_base(machine: Machine, wish: Fraction) -> tuple[Fraction, Note]:
    axes = _whole_axes(machine)
    names, common = [axis.name for axis in axes], _common_step(axes)
    if wish < common:
        return common, _because(machine, "base_whole_least", names=names)
    found = [base for base in _dense_multipliers(common, wish, machine, common) if 2 * base > wish]
    chosen = min(found, key=lambda base: (digit_points(in_unit(base, machine.show_in)), -base))
    if len(axes) < sum(axis.exact for axis in machine.axes):
        return chosen, _because(machine, "base_whole_some", names=names)
    return chosen, _because(machine, "base_whole_all", common_mm=common)


def _whole_axes(machine: Machine) -> tuple[Axis, ...]:
    """The axes on which fine clicks are whole motor steps where remainders are dropped: all exact ones if their common step is
    fine enough for wish and tasks, else those that need it most."""
    exact = [axis for axis in machine.axes if axis.exact]
    need = {axis.name: _finest_need(machine, axis) for axis in machine.axes}
    limit = max(min(need.values()), *(axis.step_mm for axis in exact))
    found = {}
    for count in range(len(exact), 0, -1):
        for axes in combinations(exact, count):
            common = _common_step(axes)
            if common <= limit:
                finest = max(_dense_multipliers(common, limit, machine, common))
                tight = sum(need[axis.name] <= limit for axis in axes)
                lost_share = max(float((s % 1) / s) for axis in exact for s in [steps_per_detent(axis, finest)])
                found[(tight, -lost_share, count)] = axes
    return found[max(found)]


def _common_step(axes: Iterable[Axis]) -> Fraction:
    return reduce(fraction_lcm, (axis.step_mm for axis in axes))


def _finest_need(machine: Machine, axis: Axis) -> Fraction:
    """The coarsest finest rung that meets an axis' wish and its tasks [mm]."""
    tasks = [task for task in machine.tasks if task.axis == axis.name]
    widths = [2 * task.half_mm(float(machine.readout.step_mm)) for task in tasks if task.kind == "goal"]
    widths += [min(task.tolerance_mm, task.limit_mm or task.tolerance_mm) for task in tasks if task.kind == "feel"]
    bounds = [Fraction(width).limit_denominator(10**9) for width in widths if width > 0]
    return max(min([axis.finest_mm, *bounds]), axis.step_mm)


def _dense_multipliers(low_mm: Fraction, high_mm: Fraction, machine: Machine, whole: Fraction | None = None) -> list[Fraction]:
    """Dense plain distances from low to high [mm]; with `whole` [mm] the whole multiples of it among them, and dense multiples
    of it."""
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
        yield from (n * power for n in _DENSE if low <= n * power <= high)
        if low <= _WIDEST_FILL * power <= high < _DENSE[1] * power:
            yield _WIDEST_FILL * power
        power *= 10


def _other_base(machine: Machine, chosen: Fraction, wish: Fraction, common: Fraction | None) -> Fraction | None:
    unit = machine.show_in
    if common is None or chosen % common == 0:
        return from_unit(plain_at_most(in_unit(max(wish, chosen), unit)), unit)
    return max(floor(wish / common), 1) * common


def _plain_and_whole(machine: Machine, chosen: Fraction, common: Fraction | None) -> Fraction | None:
    number = plain_at_least(in_unit(chosen, machine.show_in))
    for _ in range(6):
        distance = from_unit(number, machine.show_in)
        if common and distance % common == 0:
            return distance
        number = plain_at_least(number * Fraction(3, 2))
    return None
