"""Fair, seeded goals."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from ..ladder.ladder import Ladder, round_half_up
from ..machine.model import Axis, Machine
from ..units import UNIT_FACTORS, plain_at_least

_MOST_CLICKS = 60  # of the coarser end of the poorer ladder; our choice, so that no goal becomes drudgery
_MARGIN_SHARE = 0.03  # of the reach, kept clear at both ends
# kind -> (distance as a share of the reach, half the tolerance as a share of the distance); our choice
_KINDS: dict[str, tuple[tuple[float, float], float]] = {
    "cross": ((0.30, 0.45), 0.01), "approach": ((0.05, 0.12), 0.01), "touch off": ((0.004, 0.01), 0.005),
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Goal:
    """One goal: come to rest within ±`tolerance_mm`/2 of `goal_mm` with ladder number `ladder` (0 or 1) and a control. Goals of
    one `size` have distance, tolerance and kind in common."""

    kind: str
    goal_mm: float
    tolerance_mm: float
    ladder: int
    practice: bool = False
    control: str = "knob"
    size: int = 0


def _plan_goals(
    machine: Machine, axis: Axis, ladders: Sequence[Ladder], *, each: int, practice: int, seed: int, turn: int = 0,
    controls: Sequence[str] = ("knob",),
) -> tuple[Goal, ...]:  # fmt: skip
    """Goals for one sitting: `practice` of them first, then `each` per ladder and control.

    Every distance and tolerance comes once on each of them, in neighbouring goals, and as often first on the one as on the
    other. The same seed gives the same goals; `turn` says by how many places who is first is shifted."""
    random = np.random.default_rng(seed)
    kinds = [list(_KINDS)[i % len(_KINDS)] for i in range(max(each, practice))]
    arms = [(ladder, control) for ladder in range(len(ladders)) for control in controls]
    count = len(arms)
    steps = [(*_size(machine, axis, ladders, kinds[i], random), (i + turn) % count, True) for i in range(practice)]
    sizes = [_size(machine, axis, ladders, str(kind), random) for kind in random.permutation(kinds[:each])]
    first = random.permutation(np.arange(each) % count)
    for size, one in zip(sizes, first, strict=True):
        steps += [(*size, int(one + turn + i) % count, False) for i in range(count)]
    return tuple(_placed(machine, axis, steps, arms, random))


def start_of(axis: Axis) -> float:
    """Where a sitting starts: the middle of the reach [mm or degrees]."""
    return axis.reach_mm / 2


def _size(
    machine: Machine, axis: Axis, ladders: Sequence[Ladder], kind: str, random: np.random.Generator
) -> tuple[str, float, float]:
    """Kind, distance and tolerance [mm or degrees] of a goal that every ladder can serve."""
    (low, high), share = _KINDS[kind]
    gains = [ladder.on(axis) for ladder in ladders]
    most = _MOST_CLICKS * float(min(max(g) for g in gains))
    distance = min(float(random.uniform(low, high)) * axis.reach_mm, most * float(random.uniform(0.7, 1.0)))
    finest = max(max(min(g) for g in gains), axis.finest_mm, machine.readout.step_mm)
    unit = UNIT_FACTORS[machine.shown_unit(axis)]
    half = plain_at_least(max(finest, Fraction(share * distance)) / unit) * unit
    return kind, max(distance, 4 * float(half)), 2 * float(half)


def _placed(
    machine: Machine, axis: Axis, steps: Sequence[tuple[str, float, float, int, bool]], arms: Sequence[tuple[int, str]],
    random: np.random.Generator,
) -> list[Goal]:  # fmt: skip
    """Each goal at its distance from the one before, on whichever side has room, on the readout's lattice."""
    goals, place, step = [], start_of(axis), machine.readout.step_mm
    low, high = _MARGIN_SHARE * axis.reach_mm, (1 - _MARGIN_SHARE) * axis.reach_mm
    for number, (kind, distance, tolerance, arm, practice) in enumerate(steps):
        sides = [way for way in (-1, 1) if low <= place + way * distance <= high]
        way = int(random.choice(sides)) if sides else (1 if place < axis.reach_mm / 2 else -1)
        place = float(round_half_up(Fraction(place + way * distance) / step) * step)
        ladder, control = arms[arm]
        before = sum(practised for *_, practised in steps)
        size = number if practice else before + (number - before) // len(arms)
        goals.append(Goal(
            kind=kind, goal_mm=place, tolerance_mm=tolerance, ladder=ladder, practice=practice, control=control, size=size,
        ))  # fmt: skip
    return goals
