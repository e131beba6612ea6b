"""What is said of machines and ladders: a sentence per kind."""

from __future__ import annotations

from .say import Template

NOTES: dict[str, Template] = {
    # machine
    "odd_top_speed": "{Axes}: a top speed of {top_speed} is very fast for a machine of this kind. Is it a figure per minute?",
    "odd_step": "{Axes}: one motor step is {step}. Check steps and unit.",
    "odd_step_rate": "{Axes}: top speed takes {step_rate}. Check that the firmware can make so many.",
    "odd_ramp": "{Axes}: it takes {time} to reach top speed. Check ramp and top speed.",
    "odd_finest": "{Axes}: the finest wish, {finest}, is far below one motor step, {step}. Check its unit.",
    "odd_slack": "{Axes}: a slack of {slack} is many times the finest wish of {finest}. Check its unit.",
}
"""Kind of note -> its sentence, with figures in braces (see `say.fill`)."""
