"""Slack that the file doesn't give is never told as known: the router without its slack, beside the router with it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from jogtune.bench.diagnose import diagnose
from jogtune.choose.suggest import suggest
from jogtune.hand_over import sheet
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import _parse_machine
from jogtune.machine.model import Machine
from jogtune.measure.measure import measure
from jogtune.words.answer import given_up, measure_next
from jogtune.words.short import resolution_words
from jogtune.words.speak import spoken
from places import MACHINES, ROOT
from truths.readings import Truth, simulate_readings

TEXT = (MACHINES / "inlay_router.toml").read_text(encoding="utf-8")
LOG = ROOT / "datasets" / "logs" / "inlay_router_simulated.csv"
LADDER = Ladder.parse("0.02, 0.1, 0.5, 5")


@pytest.fixture(scope="module")
def unsure() -> Machine:
    """By start value: twice the finest wish of 0.02 mm."""
    machine = _parse_machine("\n".join(line for line in TEXT.splitlines() if not line.startswith("slack")))
    assert [axis.slack_mm for axis in machine.axes] == [0.04, 0.04, 0.04]
    return machine


def test_the_answer_says_that_slack_is_not_known(unsure: Machine, router: Machine) -> None:
    sure, answer = suggest(router, by="coverage"), suggest(unsure, by="coverage")
    assert "come from one side: slack is 0.05 mm" in str(sure)
    assert "come from one side: slack not known" in str(answer)
    assert "After a change of direction, X, Y and Z cannot place 0.02 mm. Touch off from one side only." in given_up(sure)
    assert "After a change of direction, X, Y and Z may not place 0.02 mm: slack not known. Touch off from one side only." in given_up(answer)
    assert "The slack of X, Y and Z: the file gives none." in measure_next(answer)
    assert not any("file gives none" in line for line in measure_next(sure))
    assert all("with the slack on top" in line for line in resolution_words(sure))
    assert all("with an assumed slack on top" in line for line in resolution_words(answer))


def test_the_bench_sheet_says_that_slack_is_assumed(unsure: Machine, router: Machine) -> None:
    def foot(machine: Machine) -> str:
        texts = [text.get_text() for text in sheet._draw_sheets(machine, LADDER)[0].axes[0].texts]
        return next(text for text in texts if text.startswith("Back should be"))

    assert "0.05 mm by the machine file" in foot(router)
    assert "0.04 mm assumed, as the machine file gives none" in foot(unsure)


def test_slack_that_is_measured_is_told_where_the_file_gives_none(unsure: Machine, router: Machine) -> None:
    def told(machine: Machine) -> list[str]:
        return [text for text in spoken(measure(machine, LOG).findings) if "of slack" in text]

    held = tuple(replace(axis, slack_mm={"X": 0.0357, "Y": 0.04, "Z": 0.0229}[axis.name]) for axis in unsure.axes)
    assert told(replace(router, axes=held)) == []
    for machine, says in ((replace(router, axes=unsure.axes), "says 0.04 mm"), (unsure, "gives none"), (replace(unsure, axes=held), "gives none")):
        assert {text.rpartition("machine file ")[2] for text in told(machine)} == {f"{says}."}
        assert len(told(machine)) == 2


def read(machine: Machine, slack_mm: float, *, seed: int = 1) -> Any:
    return diagnose(machine, simulate_readings(machine, machine.axis("X"), LADDER, Truth(slack_mm=slack_mm), seed=seed))


def test_readings_give_the_slack_that_the_file_lacks(unsure: Machine, router: Machine) -> None:
    """0.07 mm: a fault where the file says 0.05 mm, the missing figure where it says nothing."""
    for machine, says in ((router, "(file 0.05 mm)"), (unsure, "(file gives none)")):
        (cause,) = read(machine, 0.07).causes
        assert cause.kind == "slack"
        (evidence,) = spoken(cause.evidence)
        assert evidence.startswith("Axis X: after each reversal the readings stay 0.07 mm behind")
        assert evidence.endswith(f"{says}.")


def test_an_assumed_slack_is_no_evidence_against_another(unsure: Machine, router: Machine) -> None:
    """Where readings hardly tell, a filed slack is kept longer than an assumed one: the share of the explanation "slack"."""
    filed = replace(router, axes=unsure.axes)

    def share(machine: Machine) -> float:
        return sum(cause.likelihood for cause in read(machine, 0.046, seed=3).causes if cause.kind == "slack")

    assert share(unsure) > share(filed) + 0.02
