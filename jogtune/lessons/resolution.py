"""Lesson 2."""

import math
import statistics

import numpy as np
import pandas as pd

from ..axis.limits import STEP_ACCURACY_SHARE, play, real_resolution
from ..axis.limits import friction_lag as friction_lag
from ..ladder.ladder import round_half_up
from ..ladder.steps import steps_per_detent
from ..machine.model import Machine
from ..measure.standards import evaluate_accuracy as evaluate_accuracy
from ..units import say_number
from .exercise import _exercise, _not_yet, _number, _open_exercise, _right, _Solved, _Verdict
from .exercise import weigh_guess as weigh_guess

_CLICK_MM, _CLICKS_BACK = 0.02, 10
_PAPER_MM = 0.10
_LAG_MM = 0.02
_TARGET, _AWAY, _SIDES = 93, 5, ("below", "above")
_SCATTER_CLICKS = 0.2  # of a click, one standard deviation: invented


def resolution_table(machine: Machine) -> pd.DataFrame:
    """For each axis what one step is, what the motor may miss, the slack, and the two real figures [mm]."""
    rows = []
    for axis in machine.axes:
        real = real_resolution(axis)
        cells = {
            "one step": real.step_mm, "the motor may miss": real.motor_mm, "slack": real.slack_mm, "one way": real.one_way_mm,
            "after a reversal": real.reversed_mm,
        }  # fmt: skip
        said = {name: "?" if value is None else say_number(value, digits=3) for name, value in cells.items()}
        rows.append({"axis": axis.name, **said})
    return pd.DataFrame(rows)


class Bench:
    """The first axis of a machine under a dial indicator, moved by clicks of its finest rung: simulated, seeded.

    It has a slack, a scale that is a little off, and some scatter at each stop. `stops` has a row a stop: clicks, "below" or
    "above" (the side it came from, by five clicks or more; else ""), and what the dial read [mm]."""

    def __init__(self, machine: Machine, *, seed: int = 4) -> None:
        axis, self._random = machine.axes[0], np.random.default_rng(seed)
        self.click_mm, self._step_mm = float(axis.finest_mm), float(axis.step_mm)
        self._steps_a_click = steps_per_detent(axis, axis.finest_mm)
        self.slack_mm = axis.slack_mm * self._random.uniform(0.7, 1.4)
        self._scale = 1 - self._random.uniform(0.006, 0.01)
        self.clicks, self._run, self._at_mm, self.measured_mm = 0, 0, 0.0, 0.0
        self.stops: list[tuple[int, str, float]] = []

    @property
    def commanded_mm(self) -> float:
        """Where the clicks ask the axis to be."""
        return self.clicks * self.click_mm

    @property
    def steps(self) -> int:
        """The whole motor steps that the controller has sent."""
        return round_half_up(self.clicks * self._steps_a_click)

    @property
    def counted_mm(self) -> float:
        """Where those steps would be, were the machine without fault."""
        return self.steps * self._step_mm

    def go(self, clicks: int) -> None:
        """Turn the knob to so many clicks from the start, in one move."""
        moved = clicks - self.clicks
        if moved:
            self._run = moved + (self._run if self._run * moved > 0 else 0)
            self.clicks = clicks
            self._at_mm = float(play([self.counted_mm * self._scale], self.slack_mm, self._at_mm)[0])
            self.measured_mm = round(self._at_mm + self._random.normal(0, _SCATTER_CLICKS * self.click_mm), 3)
            side = "below" if self._run >= _AWAY else "above" if self._run <= -_AWAY else ""
            self.stops.append((clicks, side, self.measured_mm))


@_exercise("mm", either_sign=True)
def check_motor_error(machine: Machine) -> _Solved:
    """What the motor of X may miss [mm]: 5 % of a full step."""
    full, step, share = _full_step(machine), float(machine.axis("X").step_mm), STEP_ACCURACY_SHARE
    return _Solved(
        full * share, (5, "5 is the percentage. Take that share of a full step, in mm."),
        (step * share, "that is 5 % of a microstep. Makers state the share of a full step."),
        (full, "that is the full step itself. How much is 5 % of it?"),
        (step, "that is one microstep. Asked is 5 % of a full step."),
        (2 * full * share, "plus and minus together: asked is how far to one side."),
        (5 * full, "5 % is five hundredths, not five."), (share, "that is 5 % as a number. Of which distance?"),
        (float(machine.axis("Z").full_step_mm or 0) * share, "that is axis Z with its screw. Asked is the belt of X."),
        praise="nearly a whole microstep. Finer microsteps make no motor truer. It doesn't add up from step to step either.",
        hint="Sixteen microsteps make a full step. The motor's maker allows 5 hundredths of that.",
    )  # fmt: skip


@_exercise("%")
def check_friction(machine: Machine) -> _Solved:
    """The most friction, as whole percent of the motor's holding torque, that keeps X's lag within 0.02 mm."""
    full = _full_step(machine)
    most = max(percent for percent in range(1, 100) if friction_lag(full, percent / 100) <= _LAG_MM)
    return _Solved(
        (most, most),
        (100 * _LAG_MM, "that is the allowed lag with the point moved. Asked is the friction, in percent."),
        (100 * _LAG_MM / full, "that assumes that lag grows evenly with friction. At first it grows less than that: try more."),
        (100, "with friction as large as the holding torque the motor does not move at all."),
        (0, "without friction there is no lag; but how much may there be?"),
        praise=f"and {most + 1} % lags more than {_LAG_MM} mm already. A step told is no step made while friction holds.",
        hint=f"Ask friction_lag for the shares around it: the lag must stay within {_LAG_MM} mm, as close as whole percent go.",
    )


@_exercise("mm", either_sign=True)
def check_reversal(machine: Machine) -> _Solved:
    """How far X really moves [mm] for ten clicks of 0.02 mm back, straight after moving up."""
    slack, told = machine.axis("X").slack_mm, _CLICK_MM * _CLICKS_BACK
    return _Solved(
        told - slack, (told, "that is how far it is told to move. What happens first when the drive turns round?"),
        (told + slack, "the slack is lost, not won."), (slack, "that is what is lost. What is left of the move?"),
        (told - 2 * slack, "the slack is passed once for a reversal, not twice."),
        (0, "ten clicks are more than the slack, so some motion is left."),
        (slack - _CLICK_MM, "that is a single click. There are ten."),
        praise="the readout says one thing, the axis does another, and the difference is the slack.",
        hint="The drive turns through the slack first; only then the axis follows.",
    )  # fmt: skip


@_open_exercise("five readings from below and five from above")
def check_readings(answer: object, bench: Bench) -> _Verdict:
    """The five readings [mm] at 93 clicks after coming from below, and the five after coming from above."""
    if not isinstance(answer, list | tuple) or [len(side) for side in answer if isinstance(side, list | tuple)] != [5, 5]:
        return _not_yet("five readings are asked for from each side, both in square brackets with commas between.")
    try:
        sides = {name: [round(_number(value, "mm"), 3) for value in side] for name, side in zip(_SIDES, answer, strict=True)}
    except ValueError as fault:
        return _not_yet(str(fault))
    for name, found in sides.items():
        read = [reading for clicks, side, reading in bench.stops if (clicks, side) == (_TARGET, name)]
        if len(read) < 5:
            return _not_yet(f"come to {_TARGET} clicks from {name} five times, each from {_AWAY} clicks away or more; "
                            f"so far {len(read)} times.")  # fmt: skip
        for value in set(found) - set(read):
            told = f"{value:g} mm never stood on the dial after coming from {name}."
            known = {round(_TARGET * bench.click_mm, 3): "That is the readout."}
            return _not_yet(f"{told} {known.get(value, 'Was it read elsewhere, or after coming from the other side?')}")
    below, above = (sum(found) / 5 for found in sides.values())
    return _right(f"on average X stood at {below:.3f} mm from below and at {above:.3f} mm from above, and the readout said "
                  f"{_TARGET * bench.click_mm:g} mm every time.")  # fmt: skip


@_exercise("mm", either_sign=True)
def check_slack(bench: Bench) -> _Solved:
    """The slack [mm] from what the dial read at one place after coming from below and from above."""
    slack, click = bench.slack_mm, bench.click_mm
    return _Solved(
        (slack - 2 * _SCATTER_CLICKS * click, slack + 2 * _SCATTER_CLICKS * click),
        (lambda value: value < click / 10, "that would be a machine without slack: then both sides would read alike."),
        (lambda value: math.isclose(value, 2 * slack, rel_tol=0.15), "the difference is the whole slack: don't double it."),
        (lambda value: math.isclose(value, slack / 2, rel_tol=0.15), "the difference is the whole slack: don't halve it."),
        (click, "that is the length of a click. Compare the readings from below with those from above."),
        (lambda value: value > click * _TARGET / 2, "that is how far X has moved. Compare one side with the other."),
        praise="measured as it is done on a real machine: the same place by the clicks, two means.",
        hint="Take the mean of the five from below and of the five from above: how far do they lie apart?",
    )


def _up_and_down(readings: pd.DataFrame) -> tuple[list[float], list[float]]:
    runs = [name for name in readings if str(name).startswith("run")]
    up, down = ([float(one) for one in readings.loc[readings["direction"] == way, runs].to_numpy()[0]] for way in ("up", "down"))
    return up, down


@_exercise("µm")
def check_mean(readings: pd.DataFrame) -> _Solved:
    """The mean [µm] of the five readings from below."""
    up, down = _up_and_down(readings)
    return _Solved(
        statistics.mean(up),
        (sum(up), "that is the sum. Divide it by the number of readings."),
        (sum(up) / (len(up) - 1), "divide by five: one less is for s, further down."),
        (statistics.mean(down), "that is from above. The row \"up\" is from below."),
        (statistics.mean([*up, *down]), "that is the mean of both sides. Take the row \"up\" alone."),
        ((max(up) + min(up)) / 2, "that is midway between the outermost. All five count."),
        praise="so far X misses on average, coming from below. A mean can be corrected; what comes next can't.",
        hint="Add the five of the row \"up\" and divide by five.",
    )


@_exercise("µm", within=0.02)
def check_s(readings: pd.DataFrame) -> _Solved:
    """The standard deviation s [µm] of the five readings from below, with n - 1 below the stroke."""
    up, _ = _up_and_down(readings)
    s = statistics.stdev(up)
    return _Solved(
        s,
        (statistics.pstdev(up), "that is with five below the stroke. Five readings and their own mean: it is n - 1, four."),
        (s * s, "that is the square of it. Take the root."),
        (4 * s * s, "that is the sum of the squares. Divide by four, take the root."),
        (2 * s, "the sum was not divided by four before the root."),
        (max(up) - min(up), "that is from the lowest to the highest. All five count."),
        (sum(abs(one - statistics.mean(up)) for one in up) / len(up), "that is the mean distance. Square each first."),
        (4 * s, "that is four times s: the next question."),
        (0, "the distances to the mean add up to nought. Square each first."),
        praise="about two thirds of the stops lie within one s of the mean, if chance is shaped like a bell.",
        hint="Distance of each from the mean, squared; add; divide by n - 1 = 4; take the root.",
    )


@_exercise("µm", within=0.02)
def check_repeatability(readings: pd.DataFrame) -> _Solved:
    """The repeatability from below [µm]: 4s, as ISO 230-2:2014 has it (from memory)."""
    up, _ = _up_and_down(readings)
    s = statistics.stdev(up)
    return _Solved(
        4 * s,
        (s, "that is s. The band is from 2s below the mean to 2s above."),
        (2 * s, "that is to one side of the mean. The band has two."),
        (3 * s, "the standard takes twice s to each side."),
        (6 * s, "that is three times s to each side. The standard takes twice."),
        (4 * statistics.pstdev(up), "the right factor, but s was taken with five below the stroke."),
        (max(up) - min(up), "that is what these five happened to span. The next five may span more."),
        praise="about 95 of 100 stops from below lie within that band. The resolution does not come into it.",
        hint="From 2s below the mean to 2s above.",
    )


@_exercise("µm", either_sign=True)
def check_two_sides(readings: pd.DataFrame) -> _Solved:
    """The reversal [µm] at this place: mean from below less mean from above."""
    up, down = (statistics.mean(side) for side in _up_and_down(readings))
    return _Solved(
        abs(up - down),
        (up + down, "take the difference of the two means; don't add them."),
        (down, "that is the mean from above. How far is it from the other?"),
        (up, "that is the mean from below. How far is it from the other?"),
        (abs(up - down) / 2, "the whole distance between the means, not half."),
        (lambda value: math.isclose(value, 2 * abs(up - down), rel_tol=0.01), "the distance once, not twice."),
        praise="three times the repeatability: which side one comes from matters more here than chance. Come from one side.",
        hint="The mean of the row \"up\" less the mean of the row \"down\".",
    )


@_exercise()
def check_corrected() -> _Solved:
    """Which of the three gets better when a constant error of the scale is taken off in the controller."""
    return _Solved(
        "accuracy",
        ("repeatability", "the stops lie as far apart as before: all of them have moved together."),
        ("resolution", "the smallest step that can be told is as long as before."),
        ("all", "what moves all stops together changes neither their spread nor the step."),
        ("none", "the mean error shrinks. Which of the three holds the mean error?"),
        ("slack", "that is no one of the three, and it stays."),
        praise="what is the same each time can be corrected. What scatters can't, and the step has nothing to do with it.",
    )


@_exercise()
def check_jump() -> _Solved:
    """Which of the three positions shows that a belt has jumped a tooth."""
    return _Solved(
        "measured",
        ("commanded", "that is what was asked for. The belt doesn't tell it anything."),
        ("counted", "the controller counts the steps that it sent. The motor made them all; the belt did not follow."),
        ("readout", "the readout shows what was commanded or counted, not where the axis is."),
        ("all", "two of them never look at the axis."),
        ("none", "one of the three looks at the axis itself."),
        praise="only what is read from the axis itself knows where it is. Nothing is said of a machine from the other two.",
    )


@_exercise("mm")
def check_paper() -> _Solved:
    """Between which heights above the work [mm] the tool stands when paper of 0.10 mm is first felt, at 0.02 mm a click."""

    def near(value: float, other: float) -> bool:
        return math.isclose(value, other, rel_tol=1e-5, abs_tol=1e-8)

    return _Solved(
        [_PAPER_MM - _CLICK_MM, _PAPER_MM],
        (lambda found: found[0] > found[1], "the lower height comes first."),
        (lambda found: near(found[0], _PAPER_MM) and found[1] > _PAPER_MM,
         "above the paper the tool would not touch it. The click that is felt goes past its top."),
        (lambda found: found[0] < 0, "below nought the tool would be in the work. How far can a single click go into the paper?"),
        (lambda found: near(found[1] - found[0], 2 * _CLICK_MM),
         "that is two clicks wide. Only the last one matters: before it, nothing was felt."),
        (lambda found: near(*found), "one height would mean that you know it exactly. How long is the last click?"),
        (lambda found: near(sum(found), 2 * _PAPER_MM), "not to both sides of the paper's top: the click ended below or on it."),
        (lambda found: found[1] > _PAPER_MM, "the tool has touched, so it stands no higher than the paper is thick."),
        praise="the last click began above the paper and ended in it. So one click is the uncertainty, as long as the tool comes "
        "down only. Real paper also gives a little: measure yours.",
        hint="the paper's thickness is the upper end. How far below its top can one click have gone?",
    )  # fmt: skip


def _full_step(machine: Machine) -> float:
    full = machine.axis("X").full_step_mm
    assert full is not None, "the lesson's machine states its microsteps"
    return float(full)
