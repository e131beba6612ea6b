"""Machine and its parts."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from typing import Any

from ..files import Fault, InputFault
from ..units import from_unit, in_unit, say_distance


@dataclass(frozen=True, kw_only=True)
class _Motor:
    """A stepping motor: full steps a turn, microsteps a full step (`divide`), mm or degrees per turn of the screw or pulley
    (`lead_mm`), motor turns per turn of it (`reduction`)."""

    full_steps: int
    divide: int
    lead_mm: Fraction
    reduction: Fraction = Fraction(1)

    @property
    def steps_per_mm(self) -> Fraction:
        """Motor (micro)steps per mm, exact."""
        return self.full_steps * self.divide * self.reduction / self.lead_mm


@dataclass(frozen=True, kw_only=True)
class Axis:
    """One moving axis. A rotary axis (`rotary`) carries degrees wherever a name says mm.

    `slack_mm` is a start value where the file gives none (see `Machine.knows`): then the slack is not known, never zero.
    `exact` is False where steps per mm are irrational or rounded; `divide` is microsteps per full step where known;
    `friction_share` is the friction torque as a share of the motor's holding torque. `jog_top_mm_s` and `jog_limit_mm` are the
    jog speed and the limit on the outstanding distance that its firmware has, `run_on_mm` the run-on that is allowed; None
    where the file doesn't say."""

    name: str
    steps_per_mm: Fraction
    top_speed_mm_s: float
    ramp_mm_s2: float
    reach_mm: float
    finest_mm: Fraction
    exact: bool = True
    rotary: bool = False
    slack_mm: float = 0.0
    calm_speed_mm_s: float | None = None
    jog_top_mm_s: float | None = None
    jog_limit_mm: float | None = None
    run_on_mm: float | None = None
    divide: int | None = None
    friction_share: float | None = None
    motor: _Motor | None = None

    @property
    def step_mm(self) -> Fraction:
        """The distance of one motor (micro)step [mm or degrees]."""
        return 1 / self.steps_per_mm

    @property
    def full_step_mm(self) -> Fraction | None:
        """The distance of one full motor step [mm or degrees], None where `divide` is not known."""
        return None if self.divide is None else self.divide * self.step_mm

    def stopping_mm(self, speed_mm_s: float, after_s: float) -> float:
        """The way to a stop from a speed, braked `after_s` later [mm]: v·t + v²/2a."""
        return speed_mm_s * after_s + speed_mm_s**2 / (2 * self.ramp_mm_s2)

    def speed_to_stop_mm_s(self, way_mm: float, after_s: float) -> float:
        """The speed that stops within a way, braked `after_s` later [mm/s], at most the top speed: a(√(t² + 2·way/a) − t)."""
        ramp = self.ramp_mm_s2
        return min(self.top_speed_mm_s, ramp * (math.sqrt(after_s**2 + 2 * way_mm / ramp) - after_s))


@dataclass(frozen=True, kw_only=True)
class Knob:
    """The hand knob: its clicks and how fast a hand turns it [detents/s]."""

    detents_per_turn: int
    counts_per_detent: int
    grip: str
    steady_detents_s: float
    fastest_detents_s: float


@dataclass(frozen=True, kw_only=True)
class _Selector:
    """The switch that sets the distance per click; `angles_deg` and the rest serve its printed legend.

    `off` and `axis_choice` are labels of further positions, printed but not rungs. `per_axis`: the firmware holds distances of
    its own for each axis."""

    positions: int
    angles_deg: tuple[float, ...] | None = None
    off: bool = False
    axis_choice: bool = False
    per_axis: bool = False


@dataclass(frozen=True, kw_only=True)
class Link:
    """The link between knob and machine: report interval, delay, silence limit [s], and its losses.

    `counts` says what a report holds: "running" counts lose nothing with a lost report, "increments" do."""

    report_interval_s: float
    delay_s: float
    silence_s: float
    jitter_s: float = 0.0
    loss_share: float = 0.0
    counts: str = "running"

    @property
    def lost_s(self) -> float:
        """The longest time from the last report heard to the beginning of the stop that silence means [s]."""
        return self.silence_s + self.report_interval_s + self.delay_s


@dataclass(frozen=True, kw_only=True)
class _Readout:
    """The position display and its smallest step [mm or degrees]."""

    step_mm: Fraction


@dataclass(frozen=True, kw_only=True)
class _Firmware:
    """What the motion firmware does with fractions of a step ("carry", "drop" or "unknown") and its queue.

    `when_full`: clicks beyond its limit or queue it may "drop", or keep until there is room ("wait"). `decimals` is with how
    many the link sends the distance of a click in the shown unit; None where it sends clicks, or the file doesn't say."""

    remainder: str
    queue: int | None = None
    when_full: str | None = None
    decimals: int | None = None


@dataclass(frozen=True, kw_only=True)
class _HandFigures:
    """What the file says of the person at the knob (see `hand/person.py`); None where the start value is to be used."""

    start_s: float | None = None
    look_s: float | None = None
    switch_s: float | None = None
    spread: float | None = None
    counted: int | None = None
    grasp_deg: float | None = None
    regrasp_s: float | None = None
    wheel_deg: float | None = None
    feel_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class _StickFigures:
    """What the file says of a stick beside the knob; None where the start value is to be used. `rest_noise` is the largest
    reading after letting go, as a share of the throw."""

    dead_band: float | None = None
    exponent: float | None = None
    finest_share: float | None = None
    tap_s: float | None = None
    timing_s: float | None = None
    tremor: float | None = None
    rest_noise: float | None = None


@dataclass(frozen=True, kw_only=True)
class _ButtonFigures:
    """What the file says of step buttons beside the knob: distances a press [mm], press rate."""

    steps_mm: tuple[Fraction, ...]
    presses_s: float = 5.0


@dataclass(frozen=True, kw_only=True)
class _ProbeFigures:
    """What the file says of a touch probe: how far it gives after contact [mm], and the time from contact to the beginning of
    the stop [s]; None where it goes by reports."""

    give_mm: Fraction
    delay_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Task:
    """One thing a person does at the machine. Distances in mm, or degrees on a rotary axis.

    `kind = "goal"`: the distance is known and an error to either side mends; done when within plus or minus half of
    `tolerance_mm`. `cue = "readout"` means that the person goes by the readout, whose last digit eats into the tolerance;
    `"eye"` that they see the place itself. `kind = "feel"`: contact lies somewhere within `distance_mm`, the person feels for
    it at every click; no click may pass it by more than `limit_mm` (default: the tolerance), and the last click may be no
    longer than `tolerance_mm`. `vary`: goals lie evenly within this share of the distance either way (0: always this distance),
    so that no ladder is favoured because its clicks happen to divide a round number."""

    name: str
    axis: str
    distance_mm: float
    tolerance_mm: float
    weight: float = 1.0
    kind: str = "goal"
    cue: str = "readout"
    limit_mm: float | None = None
    vary: float = 0.25

    def __post_init__(self) -> None:
        faults = [
            Fault(name, getattr(self, name), "must be a number above 0")
            for name in ("distance_mm", "tolerance_mm", "weight", "limit_mm")
            if getattr(self, name) is not None and not 0 < getattr(self, name) < math.inf
        ]
        for name, known in (("kind", ("goal", "feel")), ("cue", ("readout", "eye"))):
            if getattr(self, name) not in known:
                faults.append(Fault(name, getattr(self, name), f"must be one of {', '.join(known)}"))
        if not 0 <= self.vary < 1:
            faults.append(Fault("vary", self.vary, "must be at least 0 and below 1"))
        if faults:
            raise InputFault(f"task {self.name}", faults)

    def half_mm(self, readout_step_mm: float) -> float:
        """Half of the tolerance that is left once the readout's own step is taken off [mm]."""
        readout = readout_step_mm if self.cue == "readout" and self.kind == "goal" else 0.0
        return round((self.tolerance_mm - readout) / 2, 12)


@dataclass(frozen=True, kw_only=True)
class Assumed:
    """A figure that the file doesn't give, and the start value that stands in for it.

    `key` is where it would stand, as faults say it ("axis X: ramp"); `value` and `range` are text as the file would have it:
    the range is its lowest and highest plausible value or its choices, empty where there is none. `ends` are the same as the
    model holds them, `place` the attribute that is filled: ("knob", "steady_detents_s"), ("axes", "X", "ramp_mm_s2")."""

    key: str
    value: str
    range: tuple[str, ...] = ()
    ends: tuple[Any, ...] = ()
    place: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Machine:
    """A machine and its hand control, as read by `read_machine`; `source` and `sha256` tell from which file, `assumed` what
    that file leaves out."""

    name: str
    show_in: str
    knob: Knob
    selector: _Selector
    link: Link
    readout: _Readout
    firmware: _Firmware
    axes: tuple[Axis, ...]
    hand: _HandFigures = _HandFigures()
    tasks: tuple[Task, ...] = ()
    stick: _StickFigures | None = None
    buttons: _ButtonFigures | None = None
    probe: _ProbeFigures | None = None
    assumed: tuple[Assumed, ...] = ()
    source: str = field(default="", compare=False)
    sha256: str = field(default="", compare=False)

    def __repr__(self) -> str:
        lines = [f"{self.name}: {self.selector.positions} positions, shown in {self.show_in}"]
        for axis in self.axes:
            unit = self.shown_unit(axis)
            step, speed, reach = (say_distance(d, unit, digits=4) for d in (axis.step_mm, axis.top_speed_mm_s, axis.reach_mm))
            lines.append(f"  {axis.name}: step {step}{'' if axis.exact else ' (inexact)'}, top speed {speed}/s, reach {reach}")
        return "\n".join(lines)

    def axis(self, name: str) -> Axis:
        """The axis of a name; raises KeyError that lists the names there are."""
        for axis in self.axes:
            if axis.name == name:
                return axis
        raise KeyError(f"no axis {name!r} on {self.name}: it has {', '.join(a.name for a in self.axes)}")

    def knows(self, axis: str, attribute: str) -> bool:
        """Whether an axis' attribute ("slack_mm") is the file's own, not a start value."""
        return all(one.place != ("axes", axis, attribute) for one in self.assumed)

    def shown_unit(self, axis: Axis) -> str:
        """The unit a person reads on an axis: degrees on a rotary one, else mm or in."""
        if axis.rotary:
            return "deg"
        return "mm" if self.show_in == "deg" else self.show_in

    def sent(self, axis: Axis, gain_mm: Fraction) -> Fraction:
        """A distance as the link sends it [mm or degrees]: rounded half up to its decimals in the shown unit."""
        if self.firmware.decimals is None:
            return gain_mm
        unit, ten = self.shown_unit(axis), 10**self.firmware.decimals
        return from_unit(Fraction(math.floor(in_unit(gain_mm, unit) * ten + Fraction(1, 2)), ten), unit)

    @property
    def main_axes(self) -> tuple[Axis, ...]:
        """The axes read in the unit that the machine shows; all where there is none."""
        return tuple(axis for axis in self.axes if self.shown_unit(axis) == self.show_in) or self.axes

    @property
    def finest_wish_mm(self) -> Fraction:
        """The smallest finest wish of the axes read in the shown unit."""
        return min(axis.finest_mm for axis in self.main_axes)

    @property
    def largest_step_mm(self) -> Fraction:
        """The largest motor step of the axes read in the shown unit."""
        return max(axis.step_mm for axis in self.main_axes)

    @cached_property
    def columns(self) -> tuple[Machine, ...]:
        """The machine as if it had only the axes that share their numbers, the reference first: all straight axes share, and all
        rotary ones, unless the selector has distances `per_axis`. The reference counts in the unit the machine shows."""
        kinds: dict[object, list[Axis]] = {}
        for axis in self.axes:
            kinds.setdefault(axis.name if self.selector.per_axis else axis.rotary, []).append(axis)
        if len(kinds) == 1:
            return (self,)
        parts = [replace(self, axes=tuple(axes), show_in=self.shown_unit(axes[0])) for axes in kinds.values()]
        return tuple(sorted(parts, key=lambda part: part.show_in != self.show_in))


def with_wishes(
    machine: Machine, *, finest_mm: Fraction | None = None, steady_detents_s: float | None = None,
    report_interval_s: float | None = None,
) -> Machine:  # fmt: skip
    """The machine with other wishes: the finest move [mm] on every axis read in the shown unit, turn rate, report interval.

    The fastest turn rate and the silence limit are raised where they would lie below the new figures. What is set is no longer
    assumed. It is no longer the machine of its file, so it has no checksum."""
    axes = machine.axes
    if finest_mm is not None:
        axes = tuple(replace(axis, finest_mm=finest_mm) if axis in machine.main_axes else axis for axis in axes)
    steady = machine.knob.steady_detents_s if steady_detents_s is None else steady_detents_s
    every = machine.link.report_interval_s if report_interval_s is None else report_interval_s
    knob, link = replace(machine.knob, steady_detents_s=steady), replace(machine.link, report_interval_s=every)
    wished = _agreeing(replace(machine, axes=axes, knob=knob, link=link, sha256=""))
    own: dict[tuple[str, ...], bool] = {
        ("knob", "steady_detents_s"): steady_detents_s is not None, ("link", "report_interval_s"): report_interval_s is not None,
        ("knob", "fastest_detents_s"): wished.knob.fastest_detents_s != machine.knob.fastest_detents_s,
        ("link", "silence_s"): wished.link.silence_s != machine.link.silence_s,
    }  # fmt: skip
    return replace(wished, assumed=tuple(one for one in machine.assumed if not own.get(one.place)))


def varied(machine: Machine, assumed: Assumed, end: Any) -> Machine:
    """The machine with one assumed figure at another value, such as an end of its range; nothing else changes, but that the
    fastest turn rate and the silence limit keep above what they may not lie below. It is no longer the machine of its file."""
    room, *names, attribute = assumed.place
    if room == "axes":
        axes = (replace(axis, **{attribute: end}) if [axis.name] == names else axis for axis in machine.axes)
        return replace(machine, axes=tuple(axes), sha256="")
    part = replace(getattr(machine, room), **{attribute: end})
    changed = replace(machine, **{room: part}, sha256="")
    return _agreeing(changed) if room in ("knob", "link") else changed


def _agreeing(machine: Machine) -> Machine:
    """The machine with its fastest turn rate and its silence limit raised to what they may not lie below."""
    knob, link = machine.knob, machine.link
    return replace(
        machine, knob=replace(knob, fastest_detents_s=max(knob.steady_detents_s, knob.fastest_detents_s)),
        link=replace(link, silence_s=max(link.silence_s, 2 * link.report_interval_s)),
    )  # fmt: skip
