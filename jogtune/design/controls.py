"""The three hand controls such a machine has, side by side: knob, stick, step button.

Each answers `estimate(task, motion, hand)` with an `Estimate`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import inf
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..ladder import Ladder
from ..machine import Machine, Task
from . import chain
from .hand import Estimate, Floats, Hand, Leg, Motion, goals_mm, move_s, rest_to_rest_s, turning_s

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "Along", "Buttons", "Control", "KnobControl", "Stick", "compare_controls", "controls_of", "estimate_feel",
    "feel_chain", "feel_click_s", "feel_step_s", "knob_actions", "knob_times_s", "moves_of",
]  # fmt: skip


FIXED_BELOW = 0.05  # goals that vary by less lie on a few spots once clicks are counted; our choice
MOST_SPOTS = 400  # ways followed one by one


class Control(Protocol):
    """Anything a hand can bring an axis to a goal with.

    >>> task, hand = Task(name="near", axis="X", distance_mm=20, tolerance_mm=2, cue="eye"), Hand()
    >>> motion = Motion(top_speed_mm_s=100, ramp_mm_s2=400)
    >>> beside: dict[str, Control] = {"knob": KnobControl(gains_mm=(0.1, 1.0)), "stick": Stick()}
    >>> {name: control.estimate(task, motion, hand).possible for name, control in beside.items()}
    {'knob': True, 'stick': True}
    """

    def estimate(self, task: Task, motion: Motion, hand: Hand) -> Estimate:
        """Expected time, spread, route and share of goals out of reach."""
        ...

    def along(self, distances_mm: Floats, task: Task, motion: Motion, hand: Hand) -> Along:
        """A goal task at many distances in one go."""
        ...


@dataclass(frozen=True, kw_only=True)
class Along:
    """Times at many distances: `mean_s` and `sd_s` over the goals that can be reached, (distances,) [s].

    `mean_s` is NaN throughout where none can.

    >>> task = Task(name="any", axis="X", distance_mm=1, tolerance_mm=0.2, cue="eye")
    >>> times = KnobControl(gains_mm=(0.1, 1.0)).along(
    ...     np.array([3.0, 30.0]), task, Motion(top_speed_mm_s=100, ramp_mm_s2=400), Hand())
    >>> bool(times.mean_s[0] < times.mean_s[1]), times.share_impossible
    (True, 0.0)
    """

    mean_s: Floats
    sd_s: Floats
    share_impossible: float
    reason: str


@dataclass(frozen=True, kw_only=True)
class KnobControl:
    """A knob with a ladder: `gains_mm` per click, finest first.

    >>> knob = KnobControl(gains_mm=(0.01, 0.1, 1.0))
    >>> cross = Task(name="cross", axis="X", distance_mm=300, tolerance_mm=0.2, cue="eye")
    >>> answer = knob.estimate(cross, Motion(top_speed_mm_s=100, ramp_mm_s2=400), Hand())
    >>> 5 < answer.mean_s < 60, answer.possible
    (True, True)
    """

    gains_mm: tuple[float | Fraction, ...]

    def estimate(self, task: Task, motion: Motion, hand: Hand, per_octave: int | None = None) -> Estimate:
        """Expected time of a task with the best use of this ladder."""
        gains = [float(gain) for gain in self.gains_mm]
        if task.kind == "feel":
            return estimate_feel(gains, task, motion, hand)
        actions = knob_actions(gains, motion, hand)
        return _estimate(actions, task, motion, hand, hand.switch_s, per_octave)

    def along(self, distances_mm: Floats, task: Task, motion: Motion, hand: Hand) -> Along:
        """A goal task at many distances in one go."""
        actions = knob_actions([float(gain) for gain in self.gains_mm], motion, hand)
        return _along(actions, distances_mm, task, motion, hand, hand.switch_s)


@dataclass(frozen=True, kw_only=True)
class Buttons:
    """A button that moves a fixed distance a press; `steps_mm` are the distances to choose from.

    A press is a click that needs no re-grasp; 0.2 s a press (Card, Moran & Newell 1983, second-hand).

    >>> nudge = Task(name="nudge", axis="X", distance_mm=0.3, tolerance_mm=0.05, cue="eye")
    >>> Buttons(steps_mm=(0.1,)).estimate(nudge, Motion(top_speed_mm_s=100, ramp_mm_s2=400), Hand()).reason[:19]
    'one press moves 0.1'
    """

    steps_mm: tuple[float | Fraction, ...]
    presses_s: float = 5.0

    def estimate(self, task: Task, motion: Motion, hand: Hand) -> Estimate:
        """Expected time of a task with these steps."""
        answer = KnobControl(gains_mm=self.steps_mm).estimate(task, motion, self._pressing(hand))
        return replace(answer, reason=answer.reason.replace("one click", "one press"))

    def along(self, distances_mm: Floats, task: Task, motion: Motion, hand: Hand) -> Along:
        """A goal task at many distances in one go."""
        answer = KnobControl(gains_mm=self.steps_mm).along(distances_mm, task, motion, self._pressing(hand))
        return replace(answer, reason=answer.reason.replace("one click", "one press"))

    def _pressing(self, hand: Hand) -> Hand:
        return replace(
            hand, turn_rate_detents_s=self.presses_s, grasp_detents=inf, regrasp_s=0.0, wheel_clicks=0.0
        )


@dataclass(frozen=True, kw_only=True)
class Stick:
    """A stick: speed = top speed x ((deflection - dead band) / (1 - dead band)) ^ exponent.

    `finest_share` is the smallest deflection beyond the dead band that a hand holds, as a share of
    what is left; `tap_s` the shortest tap it makes reliably; `timing_s` the spread of letting go.
    All are start values, refit from your log. Held speeds are tried in `levels` even ratios.

    >>> stick = Stick()
    >>> round(stick.least_tap_mm(Motion(top_speed_mm_s=100, ramp_mm_s2=400)), 3)
    0.125
    """

    dead_band: float = 0.10
    exponent: float = 2.0
    finest_share: float = 0.10
    tap_s: float = 0.125
    timing_s: float = 0.05
    levels: int = 8

    def speeds_mm_s(self, motion: Motion) -> Floats:
        """The speeds a hand can hold, slowest first [mm/s]."""
        shares = np.geomspace(self.finest_share, 1.0, self.levels)
        return np.asarray(motion.top_speed_mm_s * shares**self.exponent)

    def deflection(self, speed_mm_s: float, motion: Motion) -> float:
        """The deflection (0 to 1) that asks for a speed."""
        share = float(speed_mm_s / motion.top_speed_mm_s) ** (1 / self.exponent)
        return float(self.dead_band + (1 - self.dead_band) * share)

    def tap_mm(self, speed_mm_s: float, motion: Motion) -> float:
        """How far the shortest tap moves at a held speed [mm]."""
        return self.tap_s * min(float(speed_mm_s), motion.ramp_mm_s2 * self.tap_s)

    def least_tap_mm(self, motion: Motion) -> float:
        """The smallest move a hand can rely on [mm]."""
        return self.tap_mm(float(self.speeds_mm_s(motion)[0]), motion)

    def estimate(self, task: Task, motion: Motion, hand: Hand) -> Estimate:
        """Expected time of a task with this stick."""
        if task.kind == "feel":
            return estimate_feel([self.least_tap_mm(motion)], task, motion, hand, "the smallest reliable tap")
        return _estimate(self._holds(motion, hand), task, motion, hand, 0.0)

    def along(self, distances_mm: Floats, task: Task, motion: Motion, hand: Hand) -> Along:
        """A goal task at many distances in one go."""
        return _along(self._holds(motion, hand), distances_mm, task, motion, hand, 0.0)

    def _holds(self, motion: Motion, hand: Hand) -> list[_Hold]:
        return [_Hold(stick=self, speed_mm_s=float(v), motion=motion, hand=hand) for v in self.speeds_mm_s(motion)]


def _rounded(ratio: float) -> float:
    """A ratio to 12 digits, so that the same figures find the same kept kernel."""
    return float(f"{ratio:.12g}")


@dataclass(frozen=True, kw_only=True)
class _Clicks:
    """One rung as an action of the chain."""

    gain_mm: float
    motion: Motion
    hand: Hand
    what: str = "one click"

    @property
    def lattice_mm(self) -> float:
        return max(self.gain_mm, self.motion.motor_step_mm)

    def ends(self, half_mm: float) -> chain.Ends:
        return chain.Ends(
            lattice=_rounded(self.lattice_mm / half_mm),
            slack=_rounded(self.motion.slack_mm / half_mm),
            spread=self.hand.spread,
            counted=self.hand.counted,
            wheel=_rounded(self.hand.wheel_clicks * self.gain_mm / self.lattice_mm),
        )

    def kernel(self, grid: chain.Grid) -> Floats:
        return chain.click_kernel(self.ends(grid.half_mm), grid.bins, grid.per_octave)

    def time_s(self, distance_mm: Floats, slack_mm: float, deviation: float = 0.0) -> Floats:
        """Time of the move aimed at a distance; a reversing one turns at least through the slack.

        `deviation` in standard deviations of where the move ends.
        """
        return _click_times_s(self.gain_mm, self.lattice_mm, distance_mm, slack_mm, deviation, self.hand, self.motion)


def _click_times_s(
    gain_mm: ArrayLike, lattice_mm: ArrayLike, distance_mm: ArrayLike, slack_mm: ArrayLike, deviation: ArrayLike,
    hand: Hand, motion: Motion,
) -> Floats:  # fmt: skip
    gain, lattice, deviation = np.asarray(gain_mm), np.asarray(lattice_mm), np.asarray(deviation)
    aimed, per_lattice = np.asarray(distance_mm) / lattice, lattice / gain
    loose = aimed + deviation * np.hypot(hand.spread * aimed, hand.wheel_clicks / per_lattice)
    counted = np.where(aimed <= hand.counted + 0.5, np.floor(aimed + 0.5), loose)
    clicks = np.maximum(counted * per_lattice, np.asarray(slack_mm) / gain)
    return move_s(clicks, gain, hand, motion)


@dataclass(frozen=True, kw_only=True)
class _Hold:
    """One held speed of a stick as an action of the chain."""

    stick: Stick
    speed_mm_s: float
    motion: Motion
    hand: Hand
    what: str = "the smallest reliable tap"

    @property
    def gain_mm(self) -> float:
        return self.lattice_mm

    @property
    def lattice_mm(self) -> float:
        return max(self.stick.tap_mm(self.speed_mm_s, self.motion), self.motion.motor_step_mm)

    def ends(self, half_mm: float) -> _HoldEnds:
        return _HoldEnds(
            slack=_rounded(self.motion.slack_mm / half_mm),
            spread=self.hand.spread,
            timing=_rounded(self.stick.timing_s * self.speed_mm_s / half_mm),
        )

    def kernel(self, grid: chain.Grid) -> Floats:
        return chain.click_kernel(self.ends(grid.half_mm), grid.bins, grid.per_octave)

    def time_s(self, distance_mm: Floats, slack_mm: float, deviation: float = 0.0) -> Floats:
        """Time of the move aimed at a distance, as for clicks."""
        sd = np.hypot(self.hand.spread * distance_mm, self.stick.timing_s * self.speed_mm_s)
        distance_mm = np.maximum(distance_mm + deviation * sd, 0.0)
        held = replace(self.motion, top_speed_mm_s=min(self.speed_mm_s, self.motion.top_speed_mm_s))
        moving = rest_to_rest_s(np.maximum(distance_mm, slack_mm), held)
        wait = self.hand.look_s + self.motion.delay_s + self.motion.report_interval_s / 2
        return wait + np.maximum(moving, self.stick.tap_s)


@dataclass(frozen=True, kw_only=True)
class _HoldEnds:
    """Where held moves end: spread in proportion to distance and to speed, no clicks."""

    slack: float
    spread: float
    timing: float
    nearest: float = 0.0
    smooth_from: float = 0.0

    def masses(self, distance: Floats, edges: Floats) -> Floats:
        """As `Ends.masses`; no error is larger than the distance."""
        from scipy.special import ndtr

        e, y = distance[:, None], edges[None, :]
        sd = np.hypot(self.spread * e, self.timing)
        cut = np.minimum(3.0, e / sd)

        def below(error: Floats) -> Floats:
            inside = ndtr(np.clip(error / sd, -cut, cut)) - ndtr(-cut)
            return np.asarray(inside / (1 - 2 * ndtr(-cut)))

        rows = []
        for shift in (0.0, self.slack) if self.slack else (0.0,):
            on = below(np.full_like(e, -shift))
            short = np.where(y >= e, 1 - on, below(y - shift) - on)
            beyond = on - below(-y - shift)
            rows.append([np.diff(part, prepend=0.0, axis=1) for part in (short, beyond)])
        out = np.stack([np.stack(row, axis=1) for row in rows])
        if not self.slack:
            out = out.sum(axis=2, keepdims=True)
        return out


Action = _Clicks | _Hold


def knob_actions(gains_mm: Sequence[float], motion: Motion, hand: Hand) -> list[_Clicks]:
    """Each rung of a ladder as an action of the chain.

    >>> fine, coarse = knob_actions([0.001, 1.0], Motion(top_speed_mm_s=100, ramp_mm_s2=400, motor_step_mm=0.0125), Hand())
    >>> fine.lattice_mm, coarse.lattice_mm
    (0.0125, 1.0)
    """
    return [_Clicks(gain_mm=gain, motion=motion, hand=hand) for gain in gains_mm]


def moves_of(actions: Sequence[Action], grid: chain.Grid, switch_s: float) -> chain.Moves:
    """Kernels, times and permissions of every action on a grid.

    >>> actions = knob_actions([0.1, 1.0], Motion(top_speed_mm_s=100, ramp_mm_s2=400), Hand())
    >>> moves = moves_of(actions, chain.Grid.reaching(0.1, 0.8), switch_s=0.8)
    >>> moves.cost_s.shape, moves.allowed.sum(axis=1)
    ((2, 1, 24), array([24,  5]))
    """
    time, square = times_s(actions, grid.points_mm)
    return chain.Moves(
        kernel=np.array([action.kernel(grid) for action in actions]),
        cost_s=time.mean(axis=-1),
        cost2_s2=square.mean(axis=-1),
        allowed=np.array([allowed_bins(action.lattice_mm, grid) for action in actions]),
        switch_s=switch_s,
    )


def times_s(actions: Sequence[Action], distances_mm: Floats) -> tuple[Floats, Floats]:
    """Mean and mean square of a move's time with each action, by direction, from each distance.

    Each (A, dirs, ...). Over the spread of how far is turned, by the three points of Gauss and Hermite.
    """
    first, distances = actions[0], np.asarray(distances_mm, dtype=float)
    slacks = (0.0, first.motion.slack_mm) if first.motion.slack_mm else (0.0,)
    nodes, weights = (-math.sqrt(3), 0.0, math.sqrt(3)), np.array([1 / 6, 2 / 3, 1 / 6])
    if isinstance(first, _Clicks):  # all in one go
        tail = (1,) * distances.ndim
        gains, lattices = (np.array([getattr(a, n) for a in actions]).reshape(-1, 1, 1, *tail) for n in ("gain_mm", "lattice_mm"))
        slack, deviation = np.array(slacks).reshape(-1, 1, *tail), np.array(nodes).reshape(-1, *tail)
        times = _click_times_s(gains, lattices, distances, slack, deviation, first.hand, first.motion)
    else:
        times = np.array([[[a.time_s(distances, s, z) for z in nodes] for s in slacks] for a in actions])
    return np.einsum("adz...,z->ad...", times, weights), np.einsum("adz...,z->ad...", times**2, weights)


def allowed_bins(lattice_mm: float, grid: chain.Grid) -> NDArray[np.bool_]:
    """Bins from which a click is not too long: it would not leave the axis farther off."""
    return grid.edges_mm[:-1] >= lattice_mm / 2 * (1 - 1e-9)


def _estimate(
    actions: Sequence[Action],
    task: Task,
    motion: Motion,
    hand: Hand,
    switch_s: float,
    per_octave: int | None = None,
) -> Estimate:
    half = task.half_mm(motion.readout_step_mm)
    if half <= 0:
        return Estimate(mean_s=None, share_impossible=1.0, reason=_readout_reason(task, motion))
    finest = min(actions, key=lambda action: action.lattice_mm)
    near = max(half, finest.lattice_mm / 2)
    answer = _estimate_within(actions, task, near, hand, switch_s, per_octave or chain.PER_OCTAVE)
    if near <= half * (1 + 1e-9):
        return answer
    return replace(answer, share_impossible=1 - half / near, reason=_step_reason(finest, task, motion, half))


def _along(
    actions: Sequence[Action], distances_mm: Floats, task: Task, motion: Motion, hand: Hand, switch_s: float
) -> Along:
    """One pass of the programme for all distances; goals vary about each as the task says."""
    half = task.half_mm(motion.readout_step_mm)
    if half <= 0:
        never = np.full(len(distances_mm), np.nan)
        return Along(mean_s=never, sd_s=never, share_impossible=1.0, reason=_readout_reason(task, motion))
    finest = min(actions, key=lambda action: action.lattice_mm)
    near = max(half, finest.lattice_mm / 2)
    goals = np.asarray(distances_mm)[:, None] * (goals_mm(task) / task.distance_mm)[None, :]
    grid = chain.Grid.reaching(near, float(goals.max()))
    way = chain.find_way(moves_of(actions, grid, switch_s))
    each, _ = _first_moves(actions, way, grid, np.maximum(goals, near * (1 + 1e-9)).ravel())
    stats = each.reshape(len(actions), *goals.shape, 2).mean(axis=2)
    best = np.take_along_axis(stats, stats[..., :1].argmin(axis=0)[None], axis=0)[0]
    mean, square = np.moveaxis(chain.add_time(best, hand.start_s), -1, 0)
    lost = near > half * (1 + 1e-9)
    return Along(
        mean_s=mean,
        sd_s=np.sqrt(np.maximum(square - mean**2, 0.0)),
        share_impossible=1 - half / near if lost else 0.0,
        reason=_step_reason(finest, task, motion, half) if lost else "",
    )


def _estimate_within(
    actions: Sequence[Action], task: Task, half_mm: float, hand: Hand, switch_s: float, per_octave: int
) -> Estimate:
    """Time to come within `half_mm`, which the finest action always can."""
    goals = goals_mm(task)
    grid = chain.Grid.reaching(half_mm, float(goals.max()), per_octave)
    goals = goals[goals > half_mm]
    if not len(goals):
        return Estimate(mean_s=hand.start_s + hand.look_s)
    moves = moves_of(actions, grid, switch_s)
    way = chain.find_way(moves)
    each, landed = _first_moves(actions, way, grid, goals)
    if task.vary < FIXED_BELOW and all(isinstance(action, _Clicks) for action in actions):
        each = _first_moves_to_spots(actions, way, grid, goals, switch_s, each)
    stats = each.mean(axis=1)
    picked = int(stats[:, 0].argmin())
    mean, square = chain.add_time(stats[picked], hand.start_s)
    start = np.zeros_like(moves.cost_s)
    start[picked] = landed[picked]
    made, switches = chain.visits(moves, way, start)
    return Estimate(
        mean_s=float(mean),
        sd_s=math.sqrt(max(float(square - mean**2), 0.0)),
        route=_route(actions, made, grid, picked, task.distance_mm),
        moves=1 + float(made.sum()),
        switches=switches,
    )


def knob_times_s(
    gains_mm: Sequence[float | Fraction], half_mm: float, distances_mm: Floats, motion: Motion, hand: Hand
) -> Floats:
    """Expected time from each distance to within `half_mm`, the distance known exactly, (m,) [s].

    Where the finest click is too long for `half_mm`: to within half that click.

    >>> motion = Motion(top_speed_mm_s=100, ramp_mm_s2=400)
    >>> near, far = knob_times_s((0.1, 1.0), 0.1, np.array([3.0, 30.0]), motion, Hand())
    >>> bool(near < far)
    True
    """
    actions = knob_actions([float(gain) for gain in gains_mm], motion, hand)
    half = max(half_mm, min(action.lattice_mm for action in actions) / 2)
    goals = np.asarray(distances_mm, dtype=float)
    grid = chain.Grid.reaching(half, float(goals.max()))
    way = chain.find_way(moves_of(actions, grid, hand.switch_s))
    each, _ = _first_moves(actions, way, grid, goals)
    return np.where(goals > half, each[:, :, 0].min(axis=0) + hand.start_s, hand.start_s + hand.look_s)


def _first_moves(
    actions: Sequence[Action], way: chain.Way, grid: chain.Grid, distances_mm: Floats
) -> tuple[Floats, Floats]:
    """Mean and mean square of the time when beginning with each action (A, goals, 2), and where that
    leaves the chain (A, dirs, bins). The first move is as likely to reverse as to go on."""
    edges = chain.grid_edges(grid.bins, grid.per_octave)
    ends = [action.ends(grid.half_mm).masses(distances_mm / grid.half_mm, edges) for action in actions]
    first, (cost, cost2) = np.array(ends)[..., 1:], times_s(actions, distances_mm)
    near = np.array([action.lattice_mm / 2 > distances_mm * (1 + 1e-9) for action in actions])
    after = np.einsum("admeb,aebs->adms", first, way.value)
    square = after[..., 1] + 2 * cost * after[..., 0] + cost2
    stats = np.stack([(after[..., 0] + cost).mean(axis=1), square.mean(axis=1)], axis=-1)
    stats[near] = np.inf
    return stats, first.mean(axis=(1, 2))


def _first_moves_to_spots(
    actions: Sequence[Action], way: chain.Way, grid: chain.Grid, distances_mm: Floats, switch_s: float, each: Floats
) -> Floats:
    """As `_first_moves`, for goals that hardly vary: clicks that are counted end on exact spots, not all over a bin."""
    spots = _Spots(actions=actions, way=way, grid=grid, switch_s=switch_s)
    each = each.copy()
    for a in np.flatnonzero(np.isfinite(each[..., 0]).all(axis=1)):
        stats = [
            [spots.act(int(a), d, float(e), MOST_SPOTS) for d in range(way.best.shape[0])] for e in distances_mm / grid.half_mm
        ]
        each[a] = np.array(stats).mean(axis=1)
    return each


@dataclass(frozen=True, kw_only=True)
class _Spots:
    """The plan of a way followed from exact places, in units of half the tolerance, while clicks are counted."""

    actions: Sequence[Action]
    way: chain.Way
    grid: chain.Grid
    switch_s: float

    def act(self, a: int, d: int, place: float, room: int) -> Floats:
        """Mean and mean square of the time when a rung moves from here, (2,)."""
        action = self.actions[a]
        ends = action.ends(self.grid.half_mm)
        shift = ends.slack if d else 0.0
        time, square = (t[0, d, 0] for t in times_s([action], np.array([place * self.grid.half_mm])))
        spots = ends.spots(place, shift, room) if isinstance(ends, chain.Ends) else None
        if spots is None or spots[0].max() >= place * (1 - 1e-9):
            edges = chain.grid_edges(self.grid.bins, self.grid.per_octave)
            mass = ends.masses(np.array([place]), edges)[d, 0, :, 1:]
            after = np.einsum("eb,ebs->s", mass, self.way.value[a])
        else:
            turns = spots[2] if self.way.best.shape[0] > 1 else np.zeros_like(spots[2])
            parts = zip(*spots[:2], turns, strict=True)
            after = sum((p * self.value(a, int(e), float(x), room // len(turns)) for x, p, e in parts), np.zeros(2))
        return np.array([time + after[0], square + 2 * time * after[0] + after[1]])

    def value(self, a: int, d: int, place: float, room: int) -> Floats:
        """The same with a rung in hand that is kept or changed as the plan says."""
        if place <= 1.0 + 1e-9:
            return np.zeros(2)
        j = int(self.grid.bin_of(np.array([place * self.grid.half_mm]))[0])
        if self.way.keep[a, d, j]:
            return self.act(a, d, place, room)
        return chain.add_time(self.act(int(self.way.best[d, j]), d, place, room), self.switch_s)


def _route(
    actions: Sequence[Action], made: Floats, grid: chain.Grid, picked: int, distance_mm: float
) -> tuple[Leg, ...]:
    """The rungs in the order they are used: where each one is taken up and where it is left."""
    per_bin = made.sum(axis=1)
    used = []
    for a, action in enumerate(actions):
        count = float(per_bin[a].sum()) + (a == picked)
        if count >= 0.1:
            farther = np.cumsum(per_bin[a][::-1])[::-1] >= 0.05 * per_bin[a].sum()
            high = distance_mm if a == picked else float(grid.edges_mm[1:][farther].max())
            used.append((min(high, distance_mm), a, action.gain_mm, count))
    used.sort(key=lambda item: (item[1] != picked, -item[0], -item[2]))
    untils = [item[0] for item in used[1:]] + [grid.half_mm]
    return tuple(
        Leg(position=a + 1, gain_mm=gain, from_mm=high, until_mm=until, moves=count)
        for (high, a, gain, count), until in zip(used, untils, strict=True)
    )


def _readout_reason(task: Task, motion: Motion) -> str:
    return (
        f"the readout shows steps of {motion.say(motion.readout_step_mm)}, no finer than the tolerance of "
        f"{motion.say(task.tolerance_mm)}; go by another cue, or use a finer readout"
    )


def _step_reason(finest: Action, task: Task, motion: Motion, half_mm: float) -> str:
    what = finest.what if finest.lattice_mm == finest.gain_mm else "one motor step"
    window = f"the {motion.say(2 * half_mm)} that the readout's step leaves of the tolerance"
    if 2 * half_mm >= task.tolerance_mm * (1 - 1e-9):
        window = f"the tolerance of {motion.say(task.tolerance_mm)}"
    return f"{what} moves {motion.say(finest.lattice_mm)}, more than {window}: some goals lie between two of them"


def feel_click_s(gains_mm: Floats, motion: Motion, hand: Hand) -> Floats:
    """Time of one click that is felt for: click, let the axis settle, feel [s].

    >>> motion = Motion(top_speed_mm_s=25, ramp_mm_s2=250)
    >>> feel_click_s(np.array([0.02, 2.0]), motion, Hand()).round(3)
    array([0.433, 0.529])
    """
    settle = motion.delay_s + motion.report_interval_s / 2 + rest_to_rest_s(gains_mm, motion)
    return hand.feel_s + np.maximum(settle, 1 / hand.turn_rate_detents_s)


def feel_step_s(coarse_mm: Floats, fine_mm: Floats, motion: Motion, hand: Hand) -> Floats:
    """Time from contact felt on a coarse rung to contact felt on a finer one [s].

    Switch, back off by the coarse click and through the slack both ways, then feel: contact lies
    anywhere within the coarse click.

    >>> motion = Motion(top_speed_mm_s=25, ramp_mm_s2=250)
    >>> float(feel_step_s(np.array(0.2), np.array(0.02), motion, Hand()).round(2))
    4.26
    """
    clicks = (coarse_mm / fine_mm + 1) / 2
    back = coarse_mm / fine_mm + 2 * motion.slack_mm / fine_mm
    return hand.switch_s + hand.look_s + turning_s(back + 1, hand) + clicks * feel_click_s(fine_mm, motion, hand)


def estimate_feel(
    gains_mm: Sequence[float], task: Task, motion: Motion, hand: Hand, what: str = "one click"
) -> Estimate:
    """Feeling for contact: the coarsest click the limit allows, then finer ones where it takes them.

    The best chain of ever finer rungs, by a programme over rungs. The spread is that of where
    contact lies.

    >>> touch = Task(name="touch off", axis="Z", kind="feel", distance_mm=2, tolerance_mm=0.02, limit_mm=0.1)
    >>> answer = estimate_feel([0.02, 0.1, 1.0], touch, Motion(top_speed_mm_s=25, ramp_mm_s2=250), Hand())
    >>> [(leg.gain_mm, leg.moves) for leg in answer.route]
    [(0.1, 10.5), (0.02, 3.0)]
    """
    gains = np.sort(np.maximum(np.array(gains_mm, dtype=float), motion.motor_step_mm))
    limit = task.tolerance_mm if task.limit_mm is None else task.limit_mm
    ends, safe = gains <= task.tolerance_mm * (1 + 1e-9), gains <= limit * (1 + 1e-9)
    if not (ends & safe).any():
        bound = min(task.tolerance_mm, limit)
        reason = f"{what} moves {motion.say(gains[0])}, more than the {motion.say(bound)} that contact may be passed by"
        return Estimate(mean_s=None, share_impossible=1.0, reason=reason)
    finish, after = feel_chain(gains, ends, motion, hand)
    clicks = (task.distance_mm / gains + 1) / 2
    total = np.where(safe, clicks * feel_click_s(gains, motion, hand) + finish, inf)
    first = int(total.argmin())
    return _feel_answer(gains, after, first, task, motion, hand, float(total[first]))


def feel_chain(gains: Floats, ends: NDArray[np.bool_], motion: Motion, hand: Hand) -> tuple[Floats, list[int]]:
    """Time left once contact is felt on each rung, and the rung to take next (-1: done).

    >>> gains = np.array([0.02, 0.1, 1.0])
    >>> finish, after = feel_chain(gains, gains <= 0.02, Motion(top_speed_mm_s=25, ramp_mm_s2=250), Hand())
    >>> after
    [-1, 0, 1]
    """
    finish, after = np.where(ends, 0.0, inf), [-1] * len(gains)
    for i in range(1, len(gains)):
        if ends[i]:
            continue
        times = feel_step_s(gains[i], gains[:i], motion, hand) + finish[:i]
        after[i] = int(times.argmin())
        finish[i] = times[after[i]]
    return finish, after


def _feel_answer(
    gains: Floats, after: list[int], first: int, task: Task, motion: Motion, hand: Hand, total_s: float
) -> Estimate:
    legs, variance, at, gap = [], 0.0, first, task.distance_mm
    while at >= 0:
        count = max(gap / gains[at], 1.0)
        variance += (count**2 - 1) / 12 * float(feel_click_s(gains[at], motion, hand)) ** 2
        legs.append((at, float(gap), float(count + 1) / 2))
        at, gap = after[at], float(gains[at])
    route = tuple(
        Leg(position=i + 1, gain_mm=float(gains[i]), from_mm=start, until_mm=float(gains[i]), moves=clicks)
        for i, start, clicks in legs
    )
    moves = sum(leg.moves for leg in route)
    return Estimate(
        mean_s=hand.start_s + total_s, sd_s=math.sqrt(variance), route=route, moves=moves, switches=len(route) - 1.0
    )


def controls_of(machine: Machine, ladder: Ladder, axis: str) -> dict[str, Control]:
    """The hand controls of a machine for one axis: its knob with a ladder, and stick and buttons where
    its file names them, or else with start values.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> list(controls_of(router, Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100)), "X"))
    ['knob', 'stick', 'buttons']
    """
    the = machine.axis(axis)
    gains = tuple(machine.axis_gain(the, gain) for gain in ladder.gains_mm)
    said = {} if machine.stick is None else {k: v for k, v in vars(machine.stick).items() if v is not None}
    buttons = Buttons(steps_mm=gains)
    if machine.buttons is not None:
        steps = tuple(machine.axis_gain(the, step) for step in machine.buttons.steps_mm)
        buttons = Buttons(steps_mm=steps, presses_s=machine.buttons.presses_s)
    return {"knob": KnobControl(gains_mm=gains), "stick": Stick(**said), "buttons": buttons}


def compare_controls(
    controls: Mapping[str, Control],
    distances_mm: Sequence[float],
    tolerances_mm: Sequence[float],
    motion: Motion,
    hand: Hand,
) -> pd.DataFrame:
    """Each control over a grid of distances and tolerances, gone to by eye: who is fastest, who fails.

    One row per distance and tolerance (where the tolerance is below the distance) and control:
    `distance_mm`, `tolerance_mm`, `control`, `mean_s` (NaN where it can't be done), `sd_s`,
    `share_impossible`, `reason`, and `fastest`: the quickest of those that reach every goal.

    >>> beside = {"knob": KnobControl(gains_mm=(0.01, 0.1, 1.0)), "stick": Stick()}
    >>> table = compare_controls(beside, [1.0, 100.0], [0.02], Motion(top_speed_mm_s=100, ramp_mm_s2=400), Hand())
    >>> table[["distance_mm", "control", "fastest"]].to_numpy().tolist()
    [[1.0, 'knob', True], [1.0, 'stick', False], [100.0, 'knob', True], [100.0, 'stick', False]]
    """
    import pandas as pd

    rows = []
    for tolerance in tolerances_mm:
        distances = np.array([distance for distance in distances_mm if distance > tolerance])
        if len(distances):
            task = Task(name="compare", axis="", distance_mm=1.0, tolerance_mm=tolerance, cue="eye")
            answers = {name: control.along(distances, task, motion, hand) for name, control in controls.items()}
            rows += _compared(distances, tolerance, answers)
    return pd.DataFrame(rows)


def _compared(distances: Floats, tolerance: float, answers: Mapping[str, Along]) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for i, distance in enumerate(distances):
        able = {name: a.mean_s[i] for name, a in answers.items() if a.share_impossible == 0}
        quickest = min(able, key=lambda name: able[name]) if able else None
        rows += [
            {
                "distance_mm": float(distance),
                "tolerance_mm": tolerance,
                "control": name,
                "mean_s": float(answer.mean_s[i]),
                "sd_s": float(answer.sd_s[i]),
                "share_impossible": answer.share_impossible,
                "reason": answer.reason,
                "fastest": name == quickest,
            }
            for name, answer in answers.items()
        ]
    return rows
