"""Figures of a machine file that are possible but unusual."""

from __future__ import annotations

from ..units import say_distance, say_number
from .model import Axis, Machine

# Common practice, no source: what small machines built by hand seldom exceed.
FAST_MM_S, COARSE_STEP_MM, STEP_RATE_HZ, RAMP_TIME_S = 500.0, 0.1, 200_000.0, 5.0


def machine_remarks(machine: Machine) -> list[str]:
    """What to look at twice in a machine file: very fast, very coarse, or out of proportion."""
    return [f"Axis {axis.name}: {text}" for axis in machine.axes for text in _axis_remarks(machine, axis)]


def _axis_remarks(machine: Machine, axis: Axis) -> list[str]:
    unit, step = machine.shown_unit(axis), float(axis.step_mm)
    texts = []
    if not axis.rotary and axis.top_speed_mm_s > FAST_MM_S:
        shown = say_distance(axis.top_speed_mm_s, unit, digits=4)
        texts.append(f"a top speed of {shown}/s is very fast for a machine of this kind: per minute, perhaps?")
    if not axis.rotary and step > COARSE_STEP_MM:
        texts.append(f"one motor step is {say_distance(step, unit, digits=3)}: check steps and unit.")
    rate = axis.top_speed_mm_s / step
    if rate > STEP_RATE_HZ:
        texts.append(f"top speed needs {say_number(rate / 1000, digits=3)} thousand steps a second: can the firmware do that?")
    if axis.top_speed_mm_s / axis.ramp_mm_s2 > RAMP_TIME_S:
        time = say_number(axis.top_speed_mm_s / axis.ramp_mm_s2, digits=2)
        texts.append(f"it takes {time} s to reach top speed: check ramp and top speed.")
    if float(axis.finest_mm) < step / 4:
        texts.append("the finest wish is far below one motor step: check its unit.")
    if axis.slack_mm > 20 * max(float(axis.finest_mm), step):
        texts.append(f"a slack of {say_distance(axis.slack_mm, unit, digits=3)} is many times the finest wish: check its unit.")
    return texts
