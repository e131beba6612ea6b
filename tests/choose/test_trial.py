"""What is assumed is tried; three numbers are enough.

Decision that these tests hold: a trial takes the plainest dozen of the candidates, so that sixteen figures take seconds; the
choice itself takes all.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache

import pytest

from jogtune.choose.suggest import Suggestion, own_answer, suggest
from jogtune.choose.tasks import _Asked
from jogtune.choose.trial import _try_assumed
from jogtune.cli.main import main
from jogtune.files import InputFault
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import Assumed, Machine, varied
from places import MACHINES

NUMBERS = {"inlay_router": (80, "6000 mm/min", "0.02 mm"), "sign_table": ("254.648 per mm", "400 in/min", "0.001 in"),
           "slide_stage": ("3200 per mm", "20 mm/s", "0.002 mm")}  # fmt: skip
"""Steps, top speed and finest wish of the first axis of each sample, as its file says."""


@cache
def three(name: str) -> Suggestion:
    steps, top, finest = NUMBERS[name]
    return suggest(steps_per_mm=steps, top_speed=top, finest=finest)


@pytest.mark.parametrize("name", [pytest.param(name, marks=[pytest.mark.heavy] * (name != "inlay_router")) for name in NUMBERS])
def test_three_numbers_give_a_ladder_within_a_tenth_of_the_full_files(name: str) -> None:
    """By the full file's clock, on the straight axes' tasks; a rotary axis is another three numbers."""
    machine = read_machine(MACHINES / f"{name}.toml")
    first = machine.axes[0]
    mine = three(name).machine.axes[0]
    assert float(mine.steps_per_mm) == pytest.approx(float(first.steps_per_mm), rel=1e-5)
    assert (mine.top_speed_mm_s, mine.finest_mm) == (pytest.approx(first.top_speed_mm_s), first.finest_mm)
    straight = tuple(task for task in machine.tasks if not machine.axis(task.axis).rotary)
    part = replace(machine.columns[0], tasks=straight)
    full, alike = suggest(part).search, own_answer(part, three(name).ladder).search
    assert full is not None
    assert alike is not None
    slower = alike.chosen.time_s / full.chosen.time_s - 1
    print(f"{name}: three numbers {100 * slower:.1f} % slower than the full file")
    assert slower <= 0.10
    assert all(task.possible for task in alike.tasks)


@pytest.mark.parametrize("name", NUMBERS)
def test_what_is_assumed_is_told_and_the_worst_first(name: str) -> None:
    answer = three(name)
    assert {one.assumed for one in answer.tried} == set(answer.machine.assumed)
    weights = [(one.changes_choice or False, 0.0 if one.loses_share is None or math.isnan(one.loses_share) else one.loses_share) for one in answer.tried]
    assert weights == sorted(weights, reverse=True)
    kinds = [note.kind for note in answer.notes if note.kind.startswith("assumed")]
    assert kinds[0] == "assumed_most"
    assert kinds.count("assumed") == sum(bool(one.changes_choice) for one in answer.tried)
    for one in answer.tried:
        assert (one.changes_choice is None) == (not one.assumed.ends)
        assert not one.changes_choice or one.worst in one.assumed.range
    assert answer.tried[0].assumed.key in str(answer)


def rate_of(machine: Machine, low: float, high: float) -> Assumed:
    return Assumed(key="knob: steady", value="12 detents/s", range=(f"{low} detents/s", f"{high} detents/s"),
                   ends=(low, high), place=("knob", "steady_detents_s"))  # fmt: skip


def test_a_figure_that_changes_nothing_and_one_that_does() -> None:
    router = read_machine(MACHINES / "inlay_router.toml")
    ladder = suggest(router).ladder
    silence = Assumed(key="link: silence", value="250 ms", range=("200 ms", "1 s"), ends=(0.2, 1.0), place=("link", "silence_s"))
    assumed = (silence, rate_of(router, 11.99, 12.01), rate_of(router, 2.0, 12.0))
    found = {one.assumed: one for one in _try_assumed(replace(router, assumed=assumed), ladder, _Asked())}
    assert not found[silence].changes_choice
    assert not found[assumed[1]].changes_choice
    told = found[assumed[2]]
    assert (told.changes_choice, told.worst) == (True, "2.0 detents/s")
    slow = varied(router, assumed[2], 2.0)
    best, mine = suggest(slow).search, own_answer(slow, ladder).search
    assert best is not None
    assert mine is not None
    assert told.loses_share == pytest.approx(mine.chosen.time_s / best.chosen.time_s - 1, abs=0.05)
    assert _try_assumed(router, ladder, _Asked()) == ()


def test_fewer_positions_than_rungs_leave_no_room() -> None:
    router = read_machine(MACHINES / "inlay_router.toml")
    few = Assumed(key="selector: positions", value="6", range=("3", "6"), ends=(3, 6), place=("selector", "positions"))
    (found,) = _try_assumed(replace(router, assumed=(few,)), suggest(router).ladder, _Asked())
    assert found.changes_choice
    assert found.loses_share is not None
    assert math.isnan(found.loses_share)


def test_the_command_takes_three_numbers_and_tells_what_it_assumed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["suggest", "--steps", "80 per mm", "--top-speed", "6000 mm/min", "--finest", "0.02 mm", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["own"] == {}
    keys = [one["key"] for one in said["assumed"]]
    assert {"axis X: ramp", "axis X: slack", "knob: steady", "firmware: remainder", "task", "hand"} <= set(keys)
    assert all({"key", "value", "range", "changes_choice"} <= one.keys() for one in said["assumed"])
    assert said["rungs"][0]["shown"] == "0.02 mm"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "is missing"), (["--steps", "80 per mm"], "is missing"), (["--steps", "80", "--top-speed", "x", "--finest", "1,600 mm"], "3 faults"),
        ([str(MACHINES / "inlay_router.toml"), "--finest", "1 mm"], "beside numbers"),
    ],
)  # fmt: skip
def test_numbers_that_are_not_three_are_told(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["suggest", *words]) == 2
    assert says in capsys.readouterr().err


def test_an_engraved_selector_is_not_told_of_other_ladders() -> None:
    found = suggest(steps_per_mm=80, top_speed="6000 mm/min", finest="0.02 mm", multipliers="1,10,100")
    assert found.ladder.multipliers == (1, 10, 100)
    assert len(found.tried) == len(found.machine.assumed)
    assert all(one.changes_choice is None for one in found.tried)


def test_a_machine_and_numbers_at_once_are_refused_in_python() -> None:
    with pytest.raises(InputFault, match="beside numbers"):
        suggest(MACHINES / "inlay_router.toml", finest="1 mm")
    assert suggest(steps_per_mm=100, top_speed="50 mm/s", finest="10 um", by="coverage").ladder.gains_mm[0] == Ladder.parse("0.01").gains_mm[0]
