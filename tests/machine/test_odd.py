"""Unusual figures: noted just past each threshold, and not just before it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from jogtune.machine.file import _parse_machine, odd_figures, read_machine
from jogtune.notes import Severity
from jogtune.words.speak import spoken
from machine_text import sound, text_of
from places import MACHINES

# X of the sound file: 80 steps/mm (a step is 0.0125 mm), 100 mm/s, ramp 400 mm/s2, finest 0.02 mm.
# Each limit is common practice, no source, or our own choice; the figure itself is quiet, a hair more is noted.
LIMITS = [
    ("odd_top_speed", {"top_speed": "500 mm/s"}, {"top_speed": "500.1 mm/s"}),
    ("odd_step", {"steps": "10 per mm", "finest": "0.1 mm"}, {"steps": "9.9 per mm", "finest": "0.1 mm"}),
    ("odd_step_rate", {"steps": "2000 per mm"}, {"steps": "2001 per mm"}),
    ("odd_ramp", {"ramp": "20 mm/s2"}, {"ramp": "19.9 mm/s2"}),
    ("odd_finest", {"finest": "0.003125 mm"}, {"finest": "0.0031 mm"}),
    ("odd_slack", {"slack": "0.4 mm"}, {"slack": "0.401 mm"}),
]


def machine_with(changes: dict[str, str]) -> Any:
    tables = sound()
    tables["axis"][0] |= {"ramp": "2000 mm/s2", "slack": "0 mm"} | changes
    return _parse_machine(text_of(tables))


@pytest.mark.parametrize(("kind", "below", "above"), LIMITS, ids=[kind for kind, *_ in LIMITS])
def test_a_figure_is_noted_past_its_limit_only(kind: str, below: dict[str, str], above: dict[str, str]) -> None:
    assert odd_figures(machine_with(below)) == ()
    (note,) = odd_figures(machine_with(above))
    assert (note.kind, note.severity, note.where.axes) == (kind, Severity.MIND, ("X",))


def test_sentences_name_axis_figure_and_unit(sign: Any) -> None:
    (said,) = spoken(odd_figures(machine_with({"top_speed": "36000 mm/min"})))
    assert said == "Axis X: a top speed of 600 mm/s is very fast for a machine of this kind. Is it a figure per minute?"
    slack = replace(sign, axes=(replace(sign.axes[0], slack_mm=25.4),))
    assert spoken(odd_figures(slack))[0].startswith("Axis X: a slack of 1 in is many times")


@pytest.mark.parametrize("name", ["inlay_router", "slide_stage", "sign_table"])
def test_the_samples_are_usual(name: str) -> None:
    assert odd_figures(read_machine(MACHINES / f"{name}.toml")) == ()


def test_a_crank_with_a_fingers_rate_is_remarked_on(stage: Any) -> None:
    """A third of a turn a second (our choice): 33.4 clicks/s of 100 a turn are quiet, 33.3 are not; fingers, and a rate that is
    assumed, are never remarked on."""

    def remarks(**knob: Any) -> list[str]:
        return spoken(odd_figures(_parse_machine(text_of({**sound(), "knob": {"detents_per_turn": 100, **knob}}))))

    assert remarks(grip="crank", steady="33.4 detents/s") == []
    assert remarks(grip="crank", steady="12.5 detents/s") == [
        "A crank at 12.5 clicks/s takes 8 s for a turn. Is that the rate of a finger knob? About a turn a second is usual."
    ]
    (note,) = odd_figures(replace(stage, knob=replace(stage.knob, steady_detents_s=33.3)))
    assert (note.kind, note.severity) == ("odd_crank_rate", Severity.MIND)
    assert remarks(grip="fingers", steady="12 detents/s") == []
    assert remarks(grip="crank", fastest="15 detents/s") == []
