"""The person at the knob: what a hand does, what a task asks, how long one move takes.

Everything here is a model of people, not of one person. A default carries its source or says
*start value, refit from your log*.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..machine import Knob, Machine, Task
from ..units import say_distance

__all__ = [
    "HAND_SOURCES", "Estimate", "Hand", "Leg", "Motion", "goals_mm", "move_s", "rest_to_rest_s", "turning_s",
]  # fmt: skip

Floats = NDArray[np.float64]

START_VALUE = "start value, refit from your log"
_MODEL_HUMAN = "Card, Moran & Newell 1983, second-hand"

HAND_SOURCES: Mapping[str, str] = MappingProxyType(
    {
        "start_s": f"hand to the knob 0.4 s ({_MODEL_HUMAN}); {START_VALUE}",
        "look_s": f"perceive 100, decide 70, act 70 ms ({_MODEL_HUMAN})",
        "switch_s": f"hand to the selector and back, 2 x 0.4 s ({_MODEL_HUMAN}); {START_VALUE}",
        "spread": "about 7 % left over per correction (Crossman & Goodeve 1963/83, from memory); "
        f"{START_VALUE}",
        "counted": f"up to about five clicks are counted without error; {START_VALUE}",
        "turn_rate_detents_s": "so that the steady turn rate of the machine file is kept up, re-grasps included",
        "grasp_detents": "one grasp turns a knob 47 degrees on average (Feix et al. 2015, abstract read)",
        "regrasp_s": START_VALUE,
        "wheel_clicks": "a turn of the wheel ends within about 1 degree, whatever the click (MIL-STD-1472E 5.1.4 asks "
        f"25 to 50 mm a turn for 0.2 to 0.4 mm); {START_VALUE}; up to 60 clicks a turn the detent holds it",
        "feel_s": f"one perceive-decide-act cycle and a breath to feel; {START_VALUE}",
    }
)
"""Where each default of `Hand` comes from."""

GRASP_DEGREES = 47.0
REGRASP_S = 0.10
WHEEL_DEGREES = 1.0
_GOALS = 64


@dataclass(frozen=True, kw_only=True)
class Hand:
    """A person's figures at the knob.

    `start_s` once a task; `look_s` before every move; `switch_s` for changing the rung;
    `spread` is the standard deviation of a move's end in proportion to its distance, for moves of
    more than `counted` clicks; `turn_rate_detents_s` while the fingers hold the knob, which they
    let go every `grasp_detents` for `regrasp_s`; `wheel_clicks` is the standard deviation at which a turn of
    the wheel ends whatever its length; `feel_s` at every click while feeling for contact.

    >>> HAND_SOURCES["regrasp_s"]
    'start value, refit from your log'
    >>> Hand(grasp_detents=3.0, regrasp_s=0.1).steady_detents_s < Hand().turn_rate_detents_s
    True
    """

    start_s: float = 0.40
    look_s: float = 0.24
    switch_s: float = 0.80
    spread: float = 0.07
    counted: int = 5
    turn_rate_detents_s: float = 12.0
    grasp_detents: float = math.inf
    regrasp_s: float = 0.0
    wheel_clicks: float = 0.0
    feel_s: float = 0.35

    def __post_init__(self) -> None:
        faults = [
            f"hand: {name} = {value!r}: must be a number of at least 0; take the default if unsure"
            for name, value in vars(self).items()
            if not value >= 0 or (math.isinf(value) and name != "grasp_detents")
        ]
        if not self.turn_rate_detents_s > 0:
            faults.append(f"hand: turn_rate_detents_s = {self.turn_rate_detents_s!r}: must be above 0")
        if self.spread >= 0.5:
            faults.append(f"hand: spread = {self.spread!r}: must be below 0.5 (0.07 is usual)")
        if faults:
            raise ValueError("\n".join(faults))

    @property
    def steady_detents_s(self) -> float:
        """What the hand keeps up, re-grasps included [detents/s]."""
        if math.isinf(self.grasp_detents):
            return self.turn_rate_detents_s
        return self.grasp_detents / (self.grasp_detents / self.turn_rate_detents_s + self.regrasp_s)

    @classmethod
    def from_machine(cls, machine: Machine) -> Hand:
        """The hand at one machine: its knob, and what the file says of the person.

        A crank is never let go; fingers re-grasp every 47 degrees. The turn rate within a grasp is
        set so that the knob's steady rate is what comes out, but never above its fastest one.

        >>> from jogtune.machine import read_machine
        >>> hand = Hand.from_machine(read_machine("datasets/machines/inlay_router.toml"))
        >>> round(hand.steady_detents_s, 6), hand.turn_rate_detents_s > 12
        (12.0, True)
        """
        said = {key: value for key, value in vars(machine.hand).items() if value is not None}
        grasp_deg = said.pop("grasp_deg", GRASP_DEGREES)
        knob = machine.knob
        wheel = said.pop("wheel_deg", WHEEL_DEGREES) / 360 * knob.detents_per_turn
        said["wheel_clicks"] = wheel if wheel > 1 / 6 else 0.0  # three deviations within half a click: the detent holds
        if knob.grip == "crank":
            turning: dict[str, Any] = {"turn_rate_detents_s": knob.steady_detents_s}
        else:
            grasp = max(1.0, knob.detents_per_turn * grasp_deg / 360)
            turning = _finger_turning(knob, grasp, said.get("regrasp_s", REGRASP_S))
        return cls(**{**said, **turning})


def _finger_turning(knob: Knob, grasp: float, regrasp_s: float) -> dict[str, float]:
    turning = grasp / knob.steady_detents_s - regrasp_s
    rate = knob.fastest_detents_s if turning <= 0 else min(knob.fastest_detents_s, grasp / turning)
    rate = max(rate, knob.steady_detents_s)
    return {"turn_rate_detents_s": rate, "grasp_detents": grasp, "regrasp_s": regrasp_s}


@dataclass(frozen=True, kw_only=True)
class Motion:
    """What an axis and its link do to a move.

    Lengths in mm (degrees on a rotary axis). `motor_step_mm` is the finest move the motor makes,
    `slack_mm` what a reversal loses, `readout_step_mm` the readout's last digit. `unit` is what a person reads.

    >>> Motion(top_speed_mm_s=100, ramp_mm_s2=400).slack_mm
    0.0
    """

    top_speed_mm_s: float
    ramp_mm_s2: float
    motor_step_mm: float = 0.0
    slack_mm: float = 0.0
    readout_step_mm: float = 0.0
    delay_s: float = 0.0
    report_interval_s: float = 0.0
    unit: str = "mm"

    def say(self, distance_mm: float) -> str:
        """A distance in the unit a person reads on this axis.

        >>> Motion(top_speed_mm_s=100, ramp_mm_s2=400, unit="in").say(0.0254)
        '0.001 in'
        """
        return say_distance(distance_mm, self.unit, digits=4)

    @classmethod
    def from_machine(cls, machine: Machine, axis: str, top_speed_mm_s: float | None = None) -> Motion:
        """The motion of one axis; `top_speed_mm_s` lowers its top speed, as while people stand near."""
        the = machine.axis(axis)
        top = the.top_speed_mm_s if top_speed_mm_s is None else min(the.top_speed_mm_s, top_speed_mm_s)
        return cls(
            top_speed_mm_s=top,
            ramp_mm_s2=the.ramp_mm_s2,
            motor_step_mm=float(1 / the.steps_per_mm),
            slack_mm=the.slack_mm,
            readout_step_mm=float(machine.readout.step_mm),
            delay_s=machine.link.delay_s,
            report_interval_s=machine.link.report_interval_s,
            unit=machine.shown_unit(the),
        )


def goals_mm(task: Task) -> Floats:
    """Distances of the goals a task stands for, (goals,) [mm].

    >>> task = Task(name="cross", axis="X", distance_mm=100, tolerance_mm=1)
    >>> float(goals_mm(task).min()), float(goals_mm(task).mean())
    (75.390625, 100.0)
    """
    if not task.vary:
        return np.array([task.distance_mm])
    share = (np.arange(_GOALS) + 0.5) / _GOALS * 2 - 1
    return np.asarray(task.distance_mm * (1 + task.vary * share))


@dataclass(frozen=True, kw_only=True)
class Leg:
    """One stretch of a route: this rung, from here down to there, so many moves on average.

    >>> from jogtune.design.controls import KnobControl
    >>> cross = Task(name="cross", axis="X", distance_mm=300, tolerance_mm=0.2, cue="eye")
    >>> knob = KnobControl(gains_mm=(0.01, 0.1, 1.0))
    >>> route = knob.estimate(cross, Motion(top_speed_mm_s=100, ramp_mm_s2=400), Hand()).route
    >>> [(leg.position, leg.gain_mm, round(leg.moves, 1)) for leg in route]
    [(3, 1.0, 2.4), (2, 0.1, 0.8)]
    """

    position: int
    gain_mm: float
    from_mm: float
    until_mm: float
    moves: float


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """What a task will take with one control.

    `mean_s` and `sd_s` are over the goals that can be reached; `mean_s` is None where none can.
    `moves` and `switches` are expected counts (clicks, while feeling for contact).
    `share_impossible` is the share of goals that can't be reached at all, and `reason` says why.

    >>> Estimate(mean_s=2.5).possible
    True
    """

    mean_s: float | None
    sd_s: float = 0.0
    share_impossible: float = 0.0
    reason: str = ""
    route: tuple[Leg, ...] = ()
    moves: float = 0.0
    switches: float = 0.0

    @property
    def possible(self) -> bool:
        """Whether every goal can be reached."""
        return self.share_impossible == 0.0


def rest_to_rest_s(distance_mm: ArrayLike, motion: Motion) -> Floats:
    """Least time from rest to rest over a distance [s].

    >>> float(rest_to_rest_s(100.0, Motion(top_speed_mm_s=100, ramp_mm_s2=400)))
    1.25
    """
    distance = np.asarray(distance_mm, dtype=float)
    top, ramp = motion.top_speed_mm_s, motion.ramp_mm_s2
    short = distance * ramp <= top * top
    return np.asarray(np.where(short, 2 * np.sqrt(distance / ramp), distance / top + top / ramp))


def turning_s(clicks: ArrayLike, hand: Hand) -> Floats:
    """Time from the first click to the last one, re-grasps included [s].

    >>> float(turning_s(13, Hand(turn_rate_detents_s=12)))
    1.0
    """
    gaps = np.maximum(np.asarray(clicks, dtype=float) - 1, 0.0)
    regrasps = 0.0 if math.isinf(hand.grasp_detents) else np.floor(gaps / hand.grasp_detents)
    return np.asarray(gaps / hand.turn_rate_detents_s + regrasps * hand.regrasp_s)


def move_s(clicks: ArrayLike, gain_mm: ArrayLike, hand: Hand, motion: Motion) -> Floats:
    """Time of one move: look, wait for the link, turn, and let the axis come to rest [s].

    The axis is through when it has covered the distance from rest to rest, or has finished with
    the last click, whichever comes later. Within 5 % RMS of an axis simulated report by report.

    >>> motion = Motion(top_speed_mm_s=100, ramp_mm_s2=400, delay_s=0.005, report_interval_s=0.04)
    >>> move_s([1, 5, 50], 0.1, Hand(), motion).round(2)
    array([0.3 , 0.63, 4.38])
    """
    gain, count = np.asarray(gain_mm, dtype=float), np.maximum(np.asarray(clicks, dtype=float), 1.0)
    turning = turning_s(count, hand)
    rate = np.divide(count - 1, turning, out=np.zeros_like(count), where=turning > 0)
    peak = np.sqrt(count * gain * motion.ramp_mm_s2)
    speed = np.minimum(np.minimum(rate * gain, motion.top_speed_mm_s), peak)
    settle = np.maximum(rest_to_rest_s(gain, motion), speed / motion.ramp_mm_s2)
    moving = np.maximum(rest_to_rest_s(count * gain, motion), turning + settle)
    return np.asarray(hand.look_s + motion.delay_s + motion.report_interval_s / 2 + moving)
