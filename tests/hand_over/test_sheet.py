"""The bench sheet: a page per axis, A4, what each reading should be, and room to write."""

import itertools
import shlex
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from jogtune.choose.suggest import suggest
from jogtune.hand_over import sheet
from jogtune.hand_over.paper import _page_bytes
from jogtune.ladder.ladder import Ladder, parse_ladder
from jogtune.machine.file import read_machine

MACHINES = sorted(Path("datasets/machines").glob("*.toml"))
ROUTER = read_machine("datasets/machines/inlay_router.toml")
LADDER = suggest(ROUTER, by="coverage").ladder


def words(figure) -> list[str]:
    return [text.get_text() for text in figure.axes[0].texts]


@pytest.mark.parametrize("path", MACHINES, ids=lambda path: path.stem)
def test_one_a4_page_per_axis(path):
    machine = read_machine(path)
    pages = sheet._draw_sheets(machine, suggest(machine, by="coverage").ladder)
    assert len(pages) == len(machine.axes)
    for figure, axis in zip(pages, machine.axes, strict=True):
        assert tuple(figure.get_size_inches() * 25.4) == pytest.approx((297, 210))
        assert f"axis {axis.name}" in words(figure)[0]
    content = _page_bytes(pages, "pdf")
    assert content.count(b"/Type /Page ") + content.count(b"/Type /Page\n") == len(machine.axes)


def test_the_page_says_what_to_read_and_where_to_write():
    said = words(sheet._draw_sheets(ROUTER, LADDER)[0])
    # by hand: ten clicks of 0.02 mm are 0.2 mm; back leaves the slack of 0.05 mm; ± 0.01 mm dial + 1/80 mm step
    for word in ("0.02 mm", "± 10", "0.2 mm", "0.05 mm", "± 0.0225", "up 1", "back 3", "caliper"):
        assert word in said
    assert any("Spindle off, tool clear" in line for line in said)
    assert any("no safety device" in line for line in said)


def test_up_is_away_from_the_work_on_z():
    assert any("away from the work" in step for step in sheet._bench_steps(ROUTER, ROUTER.axis("Z"), LADDER))
    assert not any("away from the work" in step for step in sheet._bench_steps(ROUTER, ROUTER.axis("X"), LADDER))


def test_the_page_names_the_table_to_type_into_or_the_command_that_makes_it():
    said = " ".join(words(sheet._draw_sheets(ROUTER, LADDER, "mine.csv")[0]))
    assert "into mine.csv" in said
    assert "jogtune readings mine.csv --machine inlay_router.toml" in said
    command = sheet._bench_steps(ROUTER, ROUTER.axis("X"), LADDER)[-1].split("`")[1]
    assert command == "jogtune export inlay_router.toml --ladder=0.02,0.1,0.5,5 --readings bench.csv"


@pytest.mark.parametrize("path", MACHINES, ids=lambda path: path.stem)
def test_the_ladder_in_the_command_is_the_very_ladder(path):
    machine = read_machine(path)
    ladder = suggest(machine, by="coverage").ladder
    words = shlex.split(sheet._bench_steps(machine, machine.axes[0], ladder)[-1].split("`")[1])
    assert parse_ladder(words[3].removeprefix("--ladder="), machine) == ladder


def test_boxes_leave_room_to_write():
    edges = sheet._edges()
    widths = [b - a for a, b in itertools.pairwise(edges)][-6:]
    assert min(widths) >= 20
    assert edges[-1] <= 297 - 14


def test_many_rungs_take_another_page():
    ladder = Ladder(base_mm=Fraction(1, 50), multipliers=tuple(range(1, 11)))
    one = replace(ROUTER, axes=ROUTER.axes[:1])
    pages = sheet._draw_sheets(one, ladder)
    assert len(pages) == 2
    assert "0.2 mm" in words(pages[1])
