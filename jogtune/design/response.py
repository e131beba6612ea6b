"""How the axis answers the knob: the door to pursuit, reports, following, replay and advice.

The axis is a double integrator with a top speed and a ramp that always aims to come to rest at the last
reported target in the least time. `pursuit` advances it one interval, `reports` turns a hand's clicks into
reports, `follow` takes one axis through them, `lanes` many ladders at once, `answers` says what it means.
"""

from .answers import (
    Answer,
    Burst,
    Steady,
    answer_burst,
    axis_answer,
    coarsest_within_run_on_mm,
    derive_answer,
    ladder_answers,
    machine_habit,
    run_on_cautions,
    simulate_steady,
)
from .follow import Course, Habit, follow
from .lanes import Replay, replay
from .pursuit import pursue, pursue_once, pursuit_extremes, rest_time_s
from .reports import Reports, report_turns, reports_as_logged

__all__ = [
    "Answer", "Burst", "Course", "Habit", "Replay", "Reports", "Steady", "answer_burst", "axis_answer",
    "coarsest_within_run_on_mm", "derive_answer", "follow", "ladder_answers", "machine_habit", "pursue", "pursue_once",
    "pursuit_extremes", "replay", "report_turns", "reports_as_logged", "rest_time_s", "run_on_cautions", "simulate_steady",
]  # fmt: skip
