"""Figures that are possible but unusual, as notes."""

from __future__ import annotations

from collections.abc import Iterator

from ..notes import Note, Severity, Where, merged
from .model import Axis, Machine

# Common practice, no source: what small machines built by hand seldom exceed.
FAST_MM_S, COARSE_STEP_MM, STEP_RATE_STEPS_S, RAMP_TIME_S = 500.0, 0.1, 200_000.0, 5.0
FINEST_STEPS, SLACK_WISHES = 0.25, 20  # a wish of so many steps, slack of so many wishes: most likely a wrong unit; our choice


def odd_figures(machine: Machine) -> tuple[Note, ...]:
    """What to check in a machine file: very fast, very coarse, or out of proportion."""
    found = [
        Note(kind=kind, severity=Severity.MIND, where=Where(axes=(axis.name,)), figures=figures, unit=machine.shown_unit(axis))
        for axis in machine.axes
        for kind, figures in _odd(axis)
    ]
    return merged(found)


def _odd(axis: Axis) -> Iterator[tuple[str, dict[str, float]]]:
    top, step, finest = axis.top_speed_mm_s, float(axis.step_mm), float(axis.finest_mm)
    if not axis.rotary and top > FAST_MM_S:
        yield "odd_top_speed", {"top_speed_mm_s": top}
    if not axis.rotary and step > COARSE_STEP_MM:
        yield "odd_step", {"step_mm": step}
    if top / step > STEP_RATE_STEPS_S:
        yield "odd_step_rate", {"step_rate_steps_s": round(top / step)}
    if top / axis.ramp_mm_s2 > RAMP_TIME_S:
        yield "odd_ramp", {"time_s": top / axis.ramp_mm_s2}
    if finest < FINEST_STEPS * step:
        yield "odd_finest", {"finest_mm": finest, "step_mm": step}
    if axis.slack_mm > SLACK_WISHES * max(finest, step):
        yield "odd_slack", {"slack_mm": axis.slack_mm, "finest_mm": finest}
