"""The answer in one breath fits a terminal and says what matters; why, table and cautions leave nothing out."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from jogtune.choose.base import _derive_base
from jogtune.choose.suggest import Suggestion, own_answer, suggest
from jogtune.choose.why import rung_tasks
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import odd_figures
from jogtune.machine.model import Machine
from jogtune.notes import Note, Severity
from jogtune.units import UNIT_FACTORS
from jogtune.words.answer import _MOST_RUNGS, SAFETY, _answer_text, _table_text, _why_text, breath
from jogtune.words.speak import speak, spoken
from jogtune.words.tables import TABLE, for_people
from random_machines import habit_ladders, random_machine

SEEDS = range(60)
TIMED = [pytest.param(seed, marks=[] if seed % 8 == 0 else [pytest.mark.heavy]) for seed in SEEDS]


@pytest.fixture(scope="module", params=["router", "stage", "sign"])
def answer(request: pytest.FixtureRequest) -> Suggestion:
    return suggest(request.getfixturevalue(request.param))


def own_ladder(machine: Machine) -> Ladder:
    return habit_ladders(machine, _derive_base(machine).base_mm)["1-2-5 thinned"]


def fits(answer: Suggestion) -> str:
    """The answer as one line, once it is found to fit a terminal; a repr of twelve lines."""
    lines = _answer_text(answer).splitlines()
    assert len(lines) <= 24, _answer_text(answer)
    assert max(map(len, lines)) <= 100, _answer_text(answer)
    assert len(repr(answer).splitlines()) <= 12
    return re.sub(r"\s+", " ", _answer_text(answer))


def holds_what_matters(answer: Suggestion) -> None:
    """Settings in order, each with what it is for; limit, clamp, the safety line, and where to read on."""
    text, lines, machine = fits(answer), _answer_text(answer).splitlines(), answer.machine
    rungs = [found for line in lines if (found := re.match(r"  +(\d+)   (\S+ (?:mm|in|deg))((?:, [A-Z ]+ \S+ (?:mm|in|deg))*) *(.*)", line))]
    count = len(answer.ladder.rungs)
    assert lines[0] == f"{machine.name}: {count} of {machine.selector.positions} position{'s' * (machine.selector.positions > 1)}"
    shown = [*range(1, count + 1)] if count <= _MOST_RUNGS else [*range(1, _MOST_RUNGS - 2), count - 1, count]
    assert [int(found[1]) for found in rungs] == shown
    factor = 25.4 if machine.show_in == "in" else 1.0
    assert [float(found[2].split()[0]) * factor for found in rungs] == pytest.approx([float(answer.ladder.gains_mm[n - 1]) for n in shown], rel=1e-3)
    for found in rungs:  # each axis with a column of its own is named where it moves otherwise
        for column in answer.ladder.own:
            gain = column.gains_mm[int(found[1]) - 1]
            alike = column.unit == machine.show_in and gain == answer.ladder.gains_mm[int(found[1]) - 1]
            own = re.search(rf"\b{column.axis}\b[A-Z ]* (\S+) {column.unit}", found[3])
            assert bool(own) != alike
            assert not own or float(own[1]) * float(UNIT_FACTORS[column.unit]) == pytest.approx(float(gain), rel=1e-3)
    if answer.search is not None:
        for found in rungs:
            uses = rung_tasks(answer.search)[int(found[1]) - 1]
            assert not uses or found[4].startswith((uses[0].split()[0], "...")), found[0]
        assert re.search(r"A task takes [\d.]+ m?s", text)
    for note in answer.notes:
        if note.kind == "hurried_run_on":
            limit = speak(note).split("Limit what is owed to ")[1].split(" (")[0]
            assert re.search(rf"owe no more than [^;]*{re.escape(limit)} at up to ", text), limit
    for axis in machine.axes:
        most = axis.calm_speed_mm_s
        if most is None:
            assert re.search(rf"nobody near [^.]*\b{axis.name}\b", text), axis.name
            continue
        clamp = f"{math.floor(most * float(axis.steps_per_mm) * (1 + 1e-12))} steps/s"
        assert re.search(rf"with people near at most [^.]*{re.escape(clamp)} on [^.]*\b{axis.name}\b", text), (axis.name, clamp)
    assert SAFETY in text
    assert "A lost link must mean stop." in text
    grave = sum(note.severity >= Severity.CAUTION for note in answer.notes)
    assert f"More: --why --table --cautions ({grave}) --out FOLDER" in text


def leaves_nothing_out(answer: Suggestion) -> None:
    told = [line.removeprefix("  - ") for line in answer.told(["cautions"]).splitlines()[1:]]
    grave = [note for note in answer.notes if note.severity >= Severity.CAUTION]
    assert sorted(told) == sorted(spoken(grave))
    assert len(told) == len(grave) >= 6
    dangers = sum(note.severity == Severity.DANGER for note in grave)
    assert sorted(told[:dangers]) == sorted(speak(note) for note in grave if note.severity == Severity.DANGER)
    why = _why_text(answer).splitlines()
    for note in answer.notes:
        if note.severity < Severity.CAUTION:
            assert f"  - {speak(note)}" in why
    heads, *cells = for_people(answer.rows)
    table = _table_text(answer).splitlines()
    assert re.split(r"  +", table[0].strip()) == heads
    assert [re.split(r"  +", line.strip()) for line in table[1 : 1 + len(cells)]] == cells
    assert len(cells) == len(answer.ladder.rungs) * len(answer.machine.axes)
    assert len(heads) == len(TABLE)


def test_the_answer_for_each_sample_fits_and_leaves_nothing_out(answer: Suggestion) -> None:
    holds_what_matters(answer)
    leaves_nothing_out(answer)


@pytest.mark.parametrize("seed", SEEDS)
def test_any_machine_by_coverage(seed: int) -> None:
    found = suggest(random_machine(seed), by="coverage")
    holds_what_matters(found)
    leaves_nothing_out(found)


@pytest.mark.parametrize("seed", TIMED)
def test_any_machine_with_a_ladder_of_its_own(seed: int) -> None:
    machine = random_machine(seed)
    found = own_answer(machine, own_ladder(machine))
    holds_what_matters(found)
    leaves_nothing_out(found)


@pytest.mark.parametrize("seed", [1, 3, *(pytest.param(seed, marks=pytest.mark.heavy) for seed in (0, 2, 4, 6, 18, 24))])
def test_any_machine_searched(seed: int) -> None:
    found = suggest(random_machine(seed))
    holds_what_matters(found)
    leaves_nothing_out(found)


def test_a_wide_selector_long_names_and_odd_figures_fit_too(sign: Machine) -> None:
    long = replace(
        sign, name="sign table with a name that goes on and on " * 2, selector=replace(sign.selector, positions=12),
        axes=tuple(replace(axis, top_speed_mm_s=700.0 + 10 * n, ramp_mm_s2=99.0 + n, slack_mm=9.0 + n, calm_speed_mm_s=9.7 + n)
                   for n, axis in enumerate(sign.axes)),
        tasks=tuple(replace(task, name=f"{task.name} as slowly and as carefully as ever you can") for task in sign.tasks),
    )  # fmt: skip
    found = own_answer(long, Ladder.parse("0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5", "in"))
    odd = odd_figures(long)
    assert len(odd) > 3
    fits(found)
    leaves_nothing_out(found)
    text = re.sub(r"\s+", " ", _answer_text(found))
    assert f"Look at this first: {speak(odd[0])}" in text
    assert f"... and {len(breath(found).first) - _answer_text(found).count('Look at this first')} more: --why" in text
    assert all(f"  - {speak(note)}" in _why_text(found).splitlines() for note in odd)
    assert SAFETY in text


def test_four_axes_seven_rungs_and_a_search_fit_too() -> None:
    machine = random_machine(24)
    found = own_answer(machine, own_ladder(machine))
    said = Note(kind="no_other_faster", figures={"saves_share": 0.034, "worst_share": 0.049, "searched": 60_460, "near": 1596, "all_near": True})
    fits(replace(found, notes=(*found.notes, said)))
