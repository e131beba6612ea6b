"""Lesson 2."""

import math
from collections.abc import Iterable

import numpy as np
import pandas as pd

from ..axis.limits import STEP_ACCURACY_SHARE, friction_lag, play, real_resolution
from ..machine.model import Machine
from ..measure.standards import evaluate_accuracy as evaluate_accuracy
from ..units import say_number
from .exercise import _exercise, _Solved
from .exercise import weigh_guess as weigh_guess

_CLICK_MM, _CLICKS_BACK = 0.02, 10
_PAPER_MM = 0.10
_LAG_MM = 0.02


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


def lag_table(machine: Machine, shares: Iterable[float] = (0.05, 0.1, 0.2, 0.3, 0.5)) -> pd.DataFrame:
    """How far the motor of X lags before it beats friction, for a few shares of its holding torque [mm]."""
    full = _full_step(machine)
    return pd.DataFrame([{"friction in %": round(100 * s), "lag in mm": round(friction_lag(full, s), 4)} for s in shares])


def dial_readings(machine: Machine, axis: str = "X", *, seed: int = 4) -> pd.DataFrame:
    """A simulated dial indicator: ten clicks of 0.1 mm up, ten back down; what it read at each place.

    The slack is drawn near the machine file's; each reading errs by about a thousandth of a millimetre."""
    rng = np.random.default_rng(seed)
    slack = round(machine.axis(axis).slack_mm * rng.uniform(0.7, 1.4), 3)
    clicks = np.arange(11)
    up = 0.1 * clicks
    down = play(np.concatenate([up, up[::-1]]), slack)[11:][::-1]
    noise = rng.normal(0, 0.001, (2, 11))
    return pd.DataFrame({
        "clicks": clicks,
        "going up": (up + noise[0]).round(3),
        "going down": np.append((down + noise[1])[:-1], up[-1] + noise[0][-1]).round(3),
    })  # fmt: skip


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
        praise="nearly a whole microstep. Dividing steps finer makes no motor truer. It doesn't add up from step to step either.",
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


@_exercise("mm", either_sign=True)
def check_slack(readings: pd.DataFrame) -> _Solved:
    """The slack [mm] read from a table of dial readings."""
    middle, up = readings.iloc[2:9], readings["going up"]
    slack = float((middle["going down"] - middle["going up"]).mean())
    return _Solved(
        (slack - 0.003, slack + 0.003),
        (0, "that would be a machine without slack: then both columns would agree."),
        (2 * slack, "the difference of two readings is the whole slack: don't double it."),
        (slack / 2, "the difference of two readings is the whole slack: don't halve it."),
        (0.1, "that is the length of a click. Compare two readings in one row, not in one column."),
        (0.1 - slack, "compare two readings in one row, not one row with the next."),
        (up.max() - up.min(), "that is the whole travel. Compare two readings in one row."),
        (middle.sum().sum(), "don't add readings; take the difference of two."),
        praise="measured the way it is done on a real machine: same place by the clicks, two readings.",
        hint="Take one row in the middle: by how much do the two readings of the same place differ?",
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
