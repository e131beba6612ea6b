"""The bench sheet: a page per axis, A4, what each reading should be, and room to write."""

import itertools
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from jogtune.bench.diagnose import diagnose_readings
from jogtune.bench.readings import readings_from_rows
from jogtune.bench.simulate import Truth, simulate_readings
from jogtune.choose.suggest import suggest
from jogtune.files import InputFault
from jogtune.hand_over import sheet
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine

ROUTER = read_machine("datasets/machines/inlay_router.toml")
LADDER = suggest(ROUTER, by="coverage").ladder


def words(figure) -> list[str]:
    return [text.get_text() for text in figure.axes[0].texts]


@pytest.mark.parametrize("path", sorted(Path("datasets/machines").glob("*.toml")), ids=lambda path: path.stem)
def test_one_a4_page_per_axis(path, tmp_path):
    machine = read_machine(path)
    pages = sheet.draw_sheets(machine, suggest(machine, by="coverage").ladder)
    assert len(pages) == len(machine.axes)
    for figure, axis in zip(pages, machine.axes, strict=True):
        assert tuple(figure.get_size_inches() * 25.4) == pytest.approx((297, 210))
        assert f"axis {axis.name}" in words(figure)[0]
    content = sheet.write_sheets(tmp_path / "sheet.pdf", machine, suggest(machine, by="coverage").ladder).read_bytes()
    assert content.count(b"/Type /Page ") + content.count(b"/Type /Page\n") == len(machine.axes)


def test_the_page_says_what_to_read_and_where_to_write():
    said = words(sheet.draw_sheets(ROUTER, LADDER)[0])
    # by hand: ten clicks of 0.02 mm are 0.2 mm; back leaves the slack of 0.05 mm; ± 0.01 mm dial + 1/80 mm step
    for word in ("0.02 mm", "± 10", "0.2 mm", "0.05 mm", "± 0.0225", "up 1", "back 3", "caliper"):
        assert word in said
    assert any("Spindle off, tool clear" in line for line in said)
    assert any("no safety device" in line for line in said)


def test_up_is_away_from_the_work_on_z():
    assert any("away from the work" in step for step in sheet.bench_steps(ROUTER, ROUTER.axis("Z")))
    assert not any("away from the work" in step for step in sheet.bench_steps(ROUTER, ROUTER.axis("X")))


def test_the_page_names_the_table_to_type_into():
    pages = sheet.draw_sheets(ROUTER, LADDER, readings="mine.csv", made="written with this sheet", machine_file="r.toml")
    said = " ".join(words(pages[0]))
    assert "into mine.csv" in said
    assert "jogtune readings mine.csv --machine r.toml" in said
    assert "jogtune export MACHINE.toml --readings bench.csv" in " ".join(words(sheet.draw_sheets(ROUTER, LADDER)[0]))


def test_boxes_leave_room_to_write():
    edges = sheet._edges()
    widths = [b - a for a, b in itertools.pairwise(edges)][-6:]
    assert min(widths) >= 20
    assert edges[-1] <= 297 - 14


def test_many_rungs_take_another_page():
    ladder = Ladder(base_mm=Fraction(1, 50), multipliers=tuple(range(1, 11)))
    one = replace(ROUTER, axes=ROUTER.axes[:1])
    pages = sheet.draw_sheets(one, ladder)
    assert len(pages) == 2
    assert "0.2 mm" in words(pages[1])


def test_only_pdf_is_written(tmp_path):
    with pytest.raises(InputFault, match=r"must end in \.pdf"):
        sheet.write_sheets(tmp_path / "sheet.svg", ROUTER, LADDER)


def test_a_diagnosis_reads_as_text():
    rows = simulate_readings(ROUTER, ROUTER.axis("X"), LADDER, Truth(slack_mm=0.2), seed=1)
    text = sheet.diagnosis_as_text(diagnose_readings(ROUTER, readings_from_rows(rows, ROUTER)))
    assert text.startswith("inlay router: found\n  axis X: found (slack)\n1. slack on X (")
    assert "to do: put slack = " in text
