"""Lesson 2: resolution is not accuracy."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from ..axis.resolution import STEP_ACCURACY_SHARE, friction_lag, play, real_resolution
from ..machine.model import Machine
from ..units import say_number
from .verdict import Verdict, check_number, is_untouched, not_yet, nothing, numbers_of, right

if TYPE_CHECKING:
    import pandas as pd

CLICK_MM = 0.02
CLICKS_BACK = 10
PAPER_MM = 0.10
LAG_MM = 0.02


def resolution_table(machine: Machine) -> pd.DataFrame:
    """For each axis what one step is, what the motor may miss, the slack, and the two real figures [mm]."""
    import pandas as pd

    rows = []
    for axis in machine.axes:
        real = real_resolution(axis)
        cells = {
            "one step": real.step_mm,
            "the motor may miss": real.motor_mm,
            "slack": real.slack_mm,
            "one way": real.one_way_mm,
            "after a reversal": real.reversed_mm,
        }
        said = {name: "?" if value is None else say_number(value, digits=3) for name, value in cells.items()}
        rows.append({"axis": axis.name, **said})
    return pd.DataFrame(rows)


def lag_table(machine: Machine, shares: Iterable[float] = (0.05, 0.1, 0.2, 0.3, 0.5)) -> pd.DataFrame:
    """How far the motor of X lags before it beats friction, for a few shares of its holding torque [mm]."""
    import pandas as pd

    full = _full_step(machine)
    rows = [{"friction in %": round(100 * s), "lag in mm": round(friction_lag(full, s), 4)} for s in shares]
    return pd.DataFrame(rows)


def dial_readings(machine: Machine, axis: str = "X", *, seed: int = 4) -> pd.DataFrame:
    """A simulated dial indicator: ten clicks of 0.1 mm up, ten back down; what it read at each place.

    The slack is drawn near the machine file's; each reading errs by about a thousandth of a millimetre.
    """
    import pandas as pd

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


def check_motor_error(answer: object, machine: Machine) -> Verdict:
    """What the motor of X may miss [mm]: 5 % of a full step."""
    axis = machine.axis("X")
    full, step = _full_step(machine), float(axis.step_mm)
    share = STEP_ACCURACY_SHARE
    on_z = float(machine.axis("Z").full_step_mm or 0) * share
    return check_number(
        answer, full * share, unit="mm", either_sign=True,
        praise="nearly a whole microstep. Dividing steps finer does not make the motor truer. It does not add "
               "up from step to step either.",
        hint="Sixteen microsteps make a full step. The motor's maker allows 5 hundredths of that.",
        slips=[
            (5.0, "5 is the percentage. Take that share of a full step, in mm."),
            (step * share, "that is 5 % of a microstep. Makers state the share of a full step."),
            (full, "that is the full step itself. How much is 5 % of it?"),
            (step, "that is one microstep. Asked is 5 % of a full step."),
            (2 * full * share, "plus and minus together: asked is how far to one side."),
            (5 * full, "5 % is five hundredths, not five."),
            (share, "that is 5 % as a number. Of which distance?"),
            (on_z, "that is axis Z with its screw. Asked is the belt of X."),
        ],
    )  # fmt: skip


def check_friction(answer: object, machine: Machine) -> Verdict:
    """The most friction, as whole percent of the motor's holding torque, that keeps X's lag within 0.02 mm."""
    full = _full_step(machine)
    lags = {percent: friction_lag(full, percent / 100) for percent in range(1, 100)}
    most = max(percent for percent, lag in lags.items() if lag <= LAG_MM)
    if not is_untouched(answer) and isinstance(answer, float) and 0 < answer < 1:
        return not_yet("write whole percent, as in 20 for 20 %.")
    nearest = f"{most + 1} % lags more than {LAG_MM} mm already."
    return check_number(
        answer, (most, most), unit="%",
        praise=f"and {nearest} A step told is not a step made while friction holds the axis.",
        hint=f"Ask friction_lag for the shares around it: the lag must stay within {LAG_MM} mm, as close as "
             "whole percent go.",
        slips=[
            (100 * LAG_MM, "that is the allowed lag with the point moved. Asked is the friction, in percent."),
            (100 * LAG_MM / full, "that assumes that lag grows evenly with friction. At first it grows less "
                                  "than that: try more."),
            (100.0, "with friction as large as the holding torque the motor does not move at all."),
            (0.0, "without friction there is no lag; but how much may there be?"),
        ],
    )  # fmt: skip


def check_reversal(answer: object, machine: Machine) -> Verdict:
    """How far X really moves [mm] for ten clicks of 0.02 mm back, straight after moving up."""
    slack = machine.axis("X").slack_mm
    told = CLICK_MM * CLICKS_BACK
    return check_number(
        answer, told - slack, unit="mm", either_sign=True,
        praise="the readout says one thing, the axis does another, and the difference is the slack.",
        hint="The drive turns through the slack first; only then the axis follows.",
        slips=[
            (told, "that is how far it is told to move. What happens first when the drive turns round?"),
            (told + slack, "the slack is lost, not won."),
            (slack, "that is what is lost. What is left of the move?"),
            (told - 2 * slack, "the slack is passed once for a reversal, not twice."),
            (0.0, "ten clicks are more than the slack, so some motion is left."),
            (slack - CLICK_MM, "that is a single click. There are ten."),
        ],
    )  # fmt: skip


def check_slack(answer: object, readings: pd.DataFrame) -> Verdict:
    """The slack [mm] read from a table of dial readings."""
    middle = readings.iloc[2:9]
    slack = float((middle["going down"] - middle["going up"]).mean())
    return check_number(
        answer, (slack - 0.003, slack + 0.003), unit="mm", either_sign=True,
        praise="measured the way it is done on a real machine: same place by the clicks, two readings.",
        hint="Take one row in the middle: by how much do the two readings of the same place differ?",
        slips=[
            (0.0, "that would be a machine without slack: then both columns would agree."),
            (2 * slack, "the difference of two readings is the whole slack: don't double it."),
            (slack / 2, "the difference of two readings is the whole slack: don't halve it."),
            (0.1, "that is the length of a click. Compare two readings in one row, not in one column."),
            (0.1 - slack, "compare two readings in one row, not one row with the next."),
            (float(machine_range(readings)), "that is the whole travel. Compare two readings in one row."),
            (float(middle.sum().sum()), "don't add readings; take the difference of two."),
        ],
    )  # fmt: skip


def machine_range(readings: pd.DataFrame) -> float:
    """From the lowest to the highest reading on the way up [mm]."""
    return float(readings["going up"].max() - readings["going up"].min())


def check_paper(answer: object) -> Verdict:
    """Between which heights above the work [mm] the tool stands when paper of 0.10 mm is first felt, at 0.02 mm a click."""
    if is_untouched(answer):
        return nothing("two numbers in square brackets")
    found = numbers_of(answer, 2)
    if isinstance(found, str):
        return not_yet(found)
    low, high = found
    if np.allclose([low, high], [PAPER_MM - CLICK_MM, PAPER_MM], atol=1e-6):
        return right(
            "the last click began above the paper and ended in it. So one click is the uncertainty, as long as the "
            "tool comes down only. Real paper also gives a little: measure yours."
        )
    return not_yet(_why_no_paper(low, high))


def _why_no_paper(low: float, high: float) -> str:
    if low > high:
        return "the lower height comes first."
    if np.isclose(low, PAPER_MM) and high > PAPER_MM:
        return "higher than the paper is thick, the tool would not touch it. The click that is felt goes past its top."
    if low < 0:
        return "below nought the tool would be in the work. How far can a single click go into the paper?"
    if np.isclose(high - low, 2 * CLICK_MM):
        return "that is two clicks wide. Only the last one matters: before it, nothing was felt."
    if np.isclose(low, high):
        return "one height would mean that you know it exactly. The last click may have ended anywhere along its length."
    if np.isclose(low + high, 2 * PAPER_MM):
        return "not to both sides of the paper's top: before the last click it was above, after it below or on it."
    if high > PAPER_MM:
        return "the tool has touched, so it stands no higher than the paper is thick."
    return "the paper's thickness is the upper end. How far below its top can one click have gone?"


def _full_step(machine: Machine) -> float:
    full = machine.axis("X").full_step_mm
    assert full is not None, "the lesson's machine states its microsteps"
    return float(full)
