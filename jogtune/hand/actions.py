"""Clicks, presses, held speeds as moves."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby

import numpy as np
from numpy.typing import ArrayLike

from . import chain
from .person import Floats, Hand, Motion, _move_s


def _rounded(ratio: float) -> float:
    """A ratio to 12 digits, so that the same figures find the same kept kernel."""
    return float(f"{ratio:.12g}")


@dataclass(frozen=True, kw_only=True)
class Clicks:
    """One rung as an action of the chain; `mover` says what moves the axis by it: a click, or a press of a button."""

    gain_mm: float
    motion: Motion
    hand: Hand
    mover: str = "click"

    @property
    def lattice_mm(self) -> float:
        return max(self.gain_mm, self.motion.motor_step_mm)

    def ends(self, half_mm: float) -> chain.Ends:
        return chain.Ends(
            lattice=_rounded(self.lattice_mm / half_mm), slack=_rounded(self.motion.slack_mm / half_mm), spread=self.hand.spread,
            counted=self.hand.counted, wheel=_rounded(self.hand.wheel_clicks * self.gain_mm / self.lattice_mm),
        )  # fmt: skip


def _click_times_s(
    gain_mm: ArrayLike, lattice_mm: ArrayLike, distance_mm: ArrayLike, slack_mm: ArrayLike, deviation: ArrayLike,
    hand: Hand, motion: Motion, takes: Callable[..., Floats] = _move_s,
) -> Floats:  # fmt: skip
    """Time of moves, or what `takes` tells of their clicks; a reversing one turns at least through the slack. `deviation`:
    standard deviations of its end."""
    gain, lattice, deviation = np.asarray(gain_mm), np.asarray(lattice_mm), np.asarray(deviation)
    aimed, per_lattice = np.asarray(distance_mm) / lattice, lattice / gain
    loose = aimed + deviation * np.hypot(hand.spread * aimed, hand.wheel_clicks / per_lattice)
    counted = np.where(aimed <= hand.counted + 0.5, np.floor(aimed + 0.5), loose)
    clicks = np.maximum(counted * per_lattice, np.asarray(slack_mm) / gain)
    return takes(clicks, gain, hand, motion)


@dataclass(frozen=True, kw_only=True)
class _Hold:
    """One held speed of a stick as an action of the chain: the shortest tap takes `tap_s` and moves `tap_mm`, `timing_s` is
    how widely it ends, in time at that speed."""

    speed_mm_s: float
    tap_s: float
    tap_mm: float
    timing_s: float
    motion: Motion
    hand: Hand
    mover: str = "tap"

    @property
    def gain_mm(self) -> float:
        return self.lattice_mm

    @property
    def lattice_mm(self) -> float:
        return max(self.tap_mm, self.motion.motor_step_mm)

    def ends(self, half_mm: float) -> chain._HoldEnds:
        return chain._HoldEnds(
            slack=_rounded(self.motion.slack_mm / half_mm), spread=self.hand.spread,
            timing=_rounded(self.timing_s * self.speed_mm_s / half_mm),
        )  # fmt: skip

    def time_s(self, distance_mm: Floats, slack_mm: float, deviation: float) -> Floats:
        sd = np.hypot(self.hand.spread * distance_mm, self.timing_s * self.speed_mm_s)
        distance_mm = np.maximum(distance_mm + deviation * sd, 0.0)
        held = replace(self.motion, top_speed_mm_s=min(self.speed_mm_s, self.motion.top_speed_mm_s))
        moving = held.rest_to_rest_s(np.maximum(distance_mm, slack_mm))
        wait = self.hand.look_s + self.motion.delay_s + self.motion.report_interval_s / 2
        return wait + np.maximum(moving, self.tap_s)


Action = Clicks | _Hold


def knob_actions(gains_mm: Sequence[float | Fraction], motion: Motion, hand: Hand, mover: str = "click") -> list[Clicks]:
    """A rung per gain [mm] as actions of the chain, in the order of the gains."""
    return [Clicks(gain_mm=float(gain), motion=motion, hand=hand, mover=mover) for gain in gains_mm]


def _moves_of(actions: Sequence[Action], grid: chain.Grid, switch_s: float | Floats) -> chain._Moves:
    """Kernels, times and permissions of every action on a grid; `switch_s` for any other action, or (A, A) from each to each."""
    time, square = times_s(actions, grid.points_mm)
    least = np.array([[action.lattice_mm / 2] for action in actions])  # from nearer a click would leave the axis farther off
    return chain._Moves(
        kernel=np.array([chain.click_kernel(action.ends(grid.half_mm), grid.bins, grid.per_octave) for action in actions]),
        cost_s=time.mean(axis=-1), cost2_s2=square.mean(axis=-1), allowed=grid.edges_mm[:-1] >= least * (1 - 1e-9),
        change_s=np.where(np.eye(len(actions), dtype=bool), 0.0, switch_s),
    )  # fmt: skip


def times_s(
    actions: Sequence[Action], distances_mm: Floats, takes: Callable[..., Floats] = _move_s
) -> tuple[Floats, Floats]:  # fmt: skip
    """Mean and mean square of a move's time with each action, by direction, from each distance, (A, dirs, ...): over the
    spread of how far is turned, by the three points of Gauss and Hermite. `takes`: another figure of clicks than their time."""
    alike = [list(some) for _, some in groupby(actions, key=lambda action: (type(action), action.hand))]
    if len(alike) > 1:
        mean, square = zip(*(times_s(some, distances_mm, takes) for some in alike), strict=True)
        return np.concatenate(mean), np.concatenate(square)
    first, distances = actions[0], np.asarray(distances_mm, dtype=float)
    slacks = (0.0, first.motion.slack_mm) if first.motion.slack_mm else (0.0,)
    nodes, weights = (-math.sqrt(3), 0.0, math.sqrt(3)), np.array([1 / 6, 2 / 3, 1 / 6])
    if isinstance(first, Clicks):  # all in one go
        tail = (1,) * distances.ndim
        gains, lattices = (np.array([getattr(a, n) for a in actions]).reshape(-1, 1, 1, *tail) for n in ("gain_mm", "lattice_mm"))
        slack, deviation = np.array(slacks).reshape(-1, 1, *tail), np.array(nodes).reshape(-1, *tail)
        times = _click_times_s(gains, lattices, distances, slack, deviation, first.hand, first.motion, takes)
    else:
        times = np.array([[[a.time_s(distances, s, z) for z in nodes] for s in slacks] for a in actions if isinstance(a, _Hold)])
    return np.einsum("adz...,z->ad...", times, weights), np.einsum("adz...,z->ad...", times**2, weights)
