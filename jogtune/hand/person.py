"""The person, and one move."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..axis.runon import rest_to_rest_s
from ..files import Fault
from ..machine.model import Machine, Task
from ..notes import Note, Severity, Where

Floats = NDArray[np.float64]
_GRASP_DEGREES = 47.0  # one grasp turns a knob so far on average (Feix et al. 2015, abstract read)
_REGRASP_S = 0.10  # start value
# A turn of the wheel ends within about so much, whatever the click (MIL-STD-1472E 5.1.4 asks 25 to 50 mm a turn for 0.2 to 0.4
# mm); up to 60 clicks a turn the detent holds it. Start value.
_WHEEL_DEGREES = 1.0
_MOST_MOVES = 40  # in a simulated go


@dataclass(frozen=True, kw_only=True)
class Hand:
    """A person's figures at the knob. `start_s` once a task; `look_s` before every move; `switch_s` for changing the rung;
    `spread` is the standard deviation of a move's end in proportion to its distance, for moves of more than `counted` clicks;
    `turn_rate_detents_s` while the fingers hold the knob, which they let go every `grasp_detents` for `regrasp_s`;
    `wheel_clicks` is the standard deviation at which a turn of the wheel ends whatever its length; `feel_s` at every click
    while feeling for contact. Start values are refit from your log; CMN is Card, Moran & Newell 1983, second-hand."""

    start_s: float = 0.40  # hand to the knob 0.4 s (CMN); start value
    look_s: float = 0.24  # perceive 100, decide 70, act 70 ms (CMN)
    switch_s: float = 0.80  # hand to the selector and back, 2 x 0.4 s (CMN); start value
    spread: float = 0.07  # about 7 % left over per correction (Crossman & Goodeve 1963/83, from memory); start value
    counted: int = 5  # up to about five clicks are counted without error; start value
    turn_rate_detents_s: float = 12.0
    grasp_detents: float = math.inf
    regrasp_s: float = 0.0
    wheel_clicks: float = 0.0
    feel_s: float = 0.35  # one perceive-decide-act cycle and a breath to feel; start value

    def __post_init__(self) -> None:
        faults = [
            Fault(f"hand: {name}", value, "must be a number of at least 0", "take the default if unsure")
            for name, value in vars(self).items()
            if not value >= 0 or (math.isinf(value) and name != "grasp_detents")
        ]
        if not self.turn_rate_detents_s > 0:
            faults.append(Fault("hand: turn_rate_detents_s", self.turn_rate_detents_s, "must be above 0"))
        if self.spread >= 0.5:
            faults.append(Fault("hand: spread", self.spread, "must be below 0.5 (0.07 is usual)"))
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
        """The hand at one machine: its knob, and what the file says of the person. A crank is never let go; fingers re-grasp
        every 47 degrees. The turn rate within a grasp is set so that the knob's steady rate is what comes out, but never above
        its fastest one."""
        said = {key: value for key, value in vars(machine.hand).items() if value is not None}
        grasp_deg = said.pop("grasp_deg", _GRASP_DEGREES)
        knob = machine.knob
        wheel = said.pop("wheel_deg", _WHEEL_DEGREES) / 360 * knob.detents_per_turn
        said["wheel_clicks"] = wheel if wheel > 1 / 6 else 0.0  # three deviations within half a click: the detent holds
        if knob.grip == "crank":
            turning: dict[str, Any] = {"turn_rate_detents_s": knob.steady_detents_s}
        else:
            grasp, regrasp = max(1.0, knob.detents_per_turn * grasp_deg / 360), said.get("regrasp_s", _REGRASP_S)
            left = grasp / knob.steady_detents_s - regrasp
            rate = knob.fastest_detents_s if left <= 0 else min(knob.fastest_detents_s, grasp / left)
            rate = max(rate, knob.steady_detents_s)
            turning = {"turn_rate_detents_s": rate, "grasp_detents": grasp, "regrasp_s": regrasp}
        return cls(**{**said, **turning})

    def goes_s(
        self, gains_mm: Floats, clicks: float, distances_mm: Floats, tolerance_mm: float, motion: Motion, seed: int
    ) -> Floats:  # fmt: skip
        """A simulated go from each distance on each ladder, by someone who always takes the coarsest rung with so many clicks
        left, (ladders, distances) [s].

        `gains_mm` (ladders, rungs) stand finest first, short ladders filled up with infinity. A go ends when the readout shows
        it within half the tolerance, or half the finest click where that is more. All ladders have the same luck."""
        rng, step, half_slack = np.random.default_rng(seed), motion.readout_step_mm, motion.slack_mm / 2
        shape = len(gains_mm), len(distances_mm)
        near = np.maximum(tolerance_mm, np.maximum(gains_mm[:, 0], motion.motor_step_mm)) / 2 * (1 + 1e-9)
        play = half_slack * rng.choice([-1.0, 1.0], shape[1])  # how far the motor is ahead within the slack
        out = np.full(math.prod(shape), self.start_s)
        at = np.arange(len(out))
        left, play, held = distances_mm[at % shape[1]], play[at % shape[1]], np.zeros(len(at))
        for _ in range(_MOST_MOVES):
            seen = np.rint(left / step) * step if step else left
            on = np.abs(seen) > near[at // shape[1]]
            at, left, play, held, seen = at[on], left[on], play[on], held[on], seen[on]
            ladder, far = at // shape[1], np.abs(seen)
            gain = gains_mm[ladder, 0]
            for rung in gains_mm.T[1:]:
                gain = np.where(far >= clicks * rung[ladder] * (1 - 1e-9), rung[ladder], gain)
            width = np.hypot(np.where(far > (self.counted + 0.5) * gain, self.spread * far / gain, 0.0), self.wheel_clicks)
            luck = np.clip(rng.standard_normal(shape[1]), -3, 3)[at % shape[1]]
            turned = np.maximum(np.floor(far / gain + luck * width + 0.5), 1.0)
            out[at] += _move_s(turned, gain, self, motion) + np.where((held > 0) & (held != gain), self.switch_s, 0.0)
            driven = play + np.sign(seen) * turned * gain
            play = np.clip(driven, -half_slack, half_slack)
            left, held = left - (driven - play), gain
        return out.reshape(shape)


_GOALS = 64


@dataclass(frozen=True, kw_only=True)
class Motion:
    """What an axis and its link do to a move. Lengths in mm (degrees on a rotary axis). `motor_step_mm` is the finest move the
    motor makes, `slack_mm` what a reversal loses, `readout_step_mm` the readout's last digit. `unit` is what a person reads."""

    top_speed_mm_s: float
    ramp_mm_s2: float
    motor_step_mm: float = 0.0
    slack_mm: float = 0.0
    readout_step_mm: float = 0.0
    delay_s: float = 0.0
    report_interval_s: float = 0.0
    unit: str = "mm"

    def rest_to_rest_s(self, distance_mm: ArrayLike) -> Floats:
        return rest_to_rest_s(distance_mm, self.top_speed_mm_s, self.ramp_mm_s2)

    def out_of_reach(self, task: Task, kind: str, **figures: float | str) -> Note:
        """Why goals of a task can't be reached on this axis."""
        return Note(kind=kind, severity=Severity.MIND, where=Where(task=task.name), figures=figures, unit=self.unit)

    @classmethod
    def from_machine(cls, machine: Machine, axis: str, top_speed_mm_s: float | None = None) -> Motion:
        """The motion of one axis; `top_speed_mm_s` lowers its top speed, as while people stand near."""
        the = machine.axis(axis)
        top = the.top_speed_mm_s if top_speed_mm_s is None else min(the.top_speed_mm_s, top_speed_mm_s)
        return cls(
            top_speed_mm_s=top, ramp_mm_s2=the.ramp_mm_s2, motor_step_mm=float(1 / the.steps_per_mm), slack_mm=the.slack_mm,
            readout_step_mm=float(machine.readout.step_mm), delay_s=machine.link.delay_s,
            report_interval_s=machine.link.report_interval_s, unit=machine.shown_unit(the),
        )  # fmt: skip


def goals_mm(task: Task) -> Floats:
    """Distances of the goals a task stands for, (goals,) [mm]."""
    if not task.vary:
        return np.array([task.distance_mm])
    share = (np.arange(_GOALS) + 0.5) / _GOALS * 2 - 1
    return np.asarray(task.distance_mm * (1 + task.vary * share))


@dataclass(frozen=True, kw_only=True)
class _Leg:
    """One stretch of a route: this rung, from here down to there, so many moves on average."""

    position: int
    gain_mm: float
    from_mm: float
    until_mm: float
    moves: float


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """What a task will take with one control. `mean_s` and `sd_s` are over the goals that can be reached; `mean_s` is None
    where none can. `moves` and `switches` are expected counts (clicks, while feeling for contact). `share_impossible` is the
    share of goals that can't be reached at all, and `reason` tells why. `moves_by` are the moves by what makes them ("click",
    "press", "tap"); `handed_over`: how often a stick is left for another control, and from what distance on: the median and the
    middle eight tenths [mm]; None where it never is."""

    mean_s: float | None
    sd_s: float = 0.0
    share_impossible: float = 0.0
    reason: Note | None = None
    route: tuple[_Leg, ...] = ()
    moves: float = 0.0
    switches: float = 0.0
    moves_by: Mapping[str, float] = field(default_factory=dict)
    handed_over: tuple[float, float, float, float] | None = None

    @property
    def possible(self) -> bool:
        return self.share_impossible == 0.0


def _turning_s(clicks: ArrayLike, hand: Hand) -> Floats:
    """Time from the first click to the last one, re-grasps included [s]."""
    gaps = np.maximum(np.asarray(clicks, dtype=float) - 1, 0.0)
    regrasps = 0.0 if math.isinf(hand.grasp_detents) else np.floor(gaps / hand.grasp_detents)
    return np.asarray(gaps / hand.turn_rate_detents_s + regrasps * hand.regrasp_s)


def _move_s(clicks: ArrayLike, gain_mm: ArrayLike, hand: Hand, motion: Motion) -> Floats:
    """Time of one move: look, wait for the link, turn, and let the axis come to rest [s]. The axis is through when it has
    covered the distance from rest to rest, or has finished with the last click, whichever comes later. Within 5 % RMS of an
    axis simulated report by report."""
    gain, count = np.asarray(gain_mm, dtype=float), np.maximum(np.asarray(clicks, dtype=float), 1.0)
    turning = _turning_s(count, hand)
    rate = np.divide(count - 1, turning, out=np.zeros_like(count), where=turning > 0)
    peak = np.sqrt(count * gain * motion.ramp_mm_s2)
    speed = np.minimum(np.minimum(rate * gain, motion.top_speed_mm_s), peak)
    settle = np.maximum(motion.rest_to_rest_s(gain), speed / motion.ramp_mm_s2)
    moving = np.maximum(motion.rest_to_rest_s(count * gain), turning + settle)
    return np.asarray(hand.look_s + motion.delay_s + motion.report_interval_s / 2 + moving)
