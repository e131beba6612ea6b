"""The bench sheet: a page per axis, A4, what each reading should be, and room to write."""

import itertools
import shlex
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from jogtune.bench.readings import _hurried_click_mm
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


def marks(machine, ladder, axis):
    """What stands below the cells of each rung: nobody near, dial off."""
    said = words(sheet._draw_sheets(machine, ladder)[[a.name for a in machine.axes].index(axis)])
    return said.count("nobody near"), said.count("dial off first")


def test_rungs_that_no_one_may_stand_near_are_marked():
    # X: calm 33.3 mm/s, ramp 400: a stray click peaks at sqrt(400 · gain), above it from 2.8 mm on; Z: calm 10, from 0.4 mm on
    assert marks(ROUTER, Ladder(base_mm=Fraction(1, 10), multipliers=(1, 3, 27)), "X")[0] == 0
    assert marks(ROUTER, Ladder(base_mm=Fraction(1, 10), multipliers=(1, 3, 28)), "X")[0] == 1
    assert marks(ROUTER, Ladder(base_mm=Fraction(1, 10), multipliers=(1, 4, 5)), "Z")[0] == 1
    unknown = replace(ROUTER, axes=tuple(replace(axis, calm_speed_mm_s=None) for axis in ROUTER.axes))
    assert marks(unknown, LADDER, "X")[0] == len(LADDER.gains_mm)
    assert any("no mark replaces the clamp" in text for text in words(sheet._draw_sheets(ROUTER, LADDER)[0]))


def test_the_dial_comes_off_before_a_hurried_click_takes_half_of_what_it_has_left():
    # by hand, X: 40 clicks/s, 40 ms, 400 mm/s²; g = 0.5: v = 20, a click goes 0.5 + 0.8 + 0.5 = 1.8; ten leave 5 mm, half is 2.5
    # g = 0.6: v = 24, 0.6 + 0.96 + 0.72 = 2.28; ten leave 4 mm, half is 2
    axis = ROUTER.axis("X")
    assert _hurried_click_mm(ROUTER, axis, 0.5) == pytest.approx(1.8)
    assert _hurried_click_mm(ROUTER, axis, 0.6) == pytest.approx(2.28)
    assert _hurried_click_mm(ROUTER, axis, 5.0) == pytest.approx(5 + 4 + 12.5)  # no faster than the axis, 100 mm/s
    assert marks(ROUTER, Ladder(base_mm=Fraction(1, 10), multipliers=(1, 5)), "X")[1] == 0
    assert marks(ROUTER, Ladder(base_mm=Fraction(1, 10), multipliers=(1, 6)), "X")[1] == 1
    # on the arm a degree is a mm of the dial's ten: 0.2 deg, v = 20: 0.2 + 0.4 + 2.2 = 2.8 of half of 8
    stage = read_machine("datasets/machines/slide_stage.toml")
    assert _hurried_click_mm(stage, stage.axis("A"), 0.2) == pytest.approx(2.822, abs=1e-3)
    assert marks(stage, suggest(stage, by="coverage").ladder, "A")[1] == 0


def test_boxes_leave_room_to_write():
    edges = sheet._EDGES
    widths = [b - a for a, b in itertools.pairwise(edges)][-6:]
    assert min(widths) >= 20
    assert edges[-1] <= 297 - 14


def test_many_rungs_take_another_page():
    ladder = Ladder(base_mm=Fraction(1, 50), multipliers=tuple(range(1, 11)))
    one = replace(ROUTER, axes=ROUTER.axes[:1])
    pages = sheet._draw_sheets(one, ladder)
    assert len(pages) == 2
    assert "0.2 mm" in words(pages[1])
