"""A machine put together in the panel, without a browser: what is set is what is saved, and what is shown.

Decisions that these tests hold:

- The draft is always sound. What is at fault stays on the screen as it was typed, with the faults of all fields at once, and
  nothing of it is drawn, nor saved.
- A slider that wasn't moved says nothing: what is assumed stays assumed, and an axis keeps a finest wish of its own.
- A number without a unit has the unit that stands beside it.
- Axes come and go as whole tables of the text, so that every comment elsewhere stays where it is.
"""

from __future__ import annotations

import html
import tomllib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("ipywidgets")

from jogtune.files import InputFault
from jogtune.machine.edit import changed
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine, with_wishes
from jogtune.notebook.choose import Choose
from jogtune.notebook.machine import _Draft
from jogtune.words.logs import log_findings
from places import MACHINES, ROOT

ROUTER = MACHINES / "inlay_router.toml"
FILES = sorted(MACHINES.glob("*.toml"))
LOG = ROOT / "datasets/logs/inlay_router_simulated.csv"


@pytest.fixture
def panel(monkeypatch: pytest.MonkeyPatch) -> Any:
    """The panel of the router, whose picture follows and which never rests."""
    monkeypatch.setattr(Choose, "rest_s", 600.0)
    panel = Choose(ROUTER)
    yield panel
    panel.close()


def row(panel: Choose, key: str, table: str = "axis") -> Any:
    """The row of a figure."""
    return panel.figures.rows[table][key]


def press(panel: Choose, name: str, file: object = None, *, replace: bool = False) -> str:
    """Press Begin, Open or Save; what is said."""
    if file is not None:
        panel.files.name.value = str(file)
    panel.files.replace.value = replace
    getattr(panel.files, name).click()
    return str(panel.files.said.value)


# ------------------------------------------------------------------ figures


def test_a_figure_has_its_unit_beside_it_and_changes_the_picture(panel: Choose) -> None:
    before = bytes(panel.picture.image.value)
    assert (row(panel, "top_speed").number.value, row(panel, "top_speed").unit.value) == ("6000", "mm/min")
    row(panel, "top_speed").number.value = "3000"
    assert panel.changed_machine().axis("X").top_speed_mm_s == 50.0
    assert bytes(panel.picture.image.value) != before
    row(panel, "top_speed").number.value = "3 m/min"
    assert (row(panel, "top_speed").number.value, row(panel, "top_speed").unit.value) == ("3", "m/min")
    assert panel.changed_machine().axis("X").top_speed_mm_s == 50.0
    panel.figures.part.value = "axis Z"
    assert row(panel, "top_speed").number.value == "1500"
    assert row(panel, "steps").view.layout.display == "none", "its motor gives them"
    panel.figures.part.value = "knob and selector"
    row(panel, "positions", "selector").number.value = "x"
    assert "must be" in row(panel, "positions", "selector").line.value
    row(panel, "grip", "knob").number.value = "crank"


def test_all_faults_stand_beside_their_figures_and_nothing_is_drawn_or_saved(panel: Choose, tmp_path: Path) -> None:
    before, machine = bytes(panel.picture.image.value), panel.changed_machine()
    row(panel, "top_speed").number.value = "-300"
    row(panel, "slack").number.value = "0.1 V"
    assert "must be above 0" in row(panel, "top_speed").line.value
    assert "0.1 V" in row(panel, "slack").line.value
    assert row(panel, "ramp").line.value == ""
    assert "jogtune-at-fault" in panel.figures.view._dom_classes
    panel.figures.part.value = "axis Y"
    row(panel, "ramp").number.value = "300"
    panel.figures.part.value = "axis X"
    assert row(panel, "top_speed").number.value == "-300", "it stays as typed"
    assert (bytes(panel.picture.image.value), panel.changed_machine()) == (before, machine)
    assert "mend it first" in press(panel, "save", tmp_path / "mine.toml")
    assert not (tmp_path / "mine.toml").exists()
    row(panel, "top_speed").number.value = "6000"
    row(panel, "slack").number.value = "0.03 mm"
    assert panel.changed_machine().axis("X").slack_mm == 0.03
    assert panel.changed_machine().axis("Y").ramp_mm_s2 == 300.0, "it waited for the others"
    assert "jogtune-at-fault" not in panel.figures.view._dom_classes
    assert {row(panel, key).line.value for key in ("top_speed", "slack")} == {""}


def test_what_is_unknown_is_assumed_listed_tried_and_known_again() -> None:
    panel = Choose(ROUTER)
    row(panel, "ramp").unknown.value = True
    assert row(panel, "ramp").line.value == "Assumed: axis X: ramp 400 mm/s2 (100 mm/s2 to 1000 mm/s2)."
    assert panel.answer is not None
    assert [one.assumed.key for one in panel.answer.tried or ()] == ["axis X: ramp"]
    assert "axis X: ramp 400 mm/s2" in panel.words.value
    row(panel, "ramp").unknown.value = False
    assert (row(panel, "ramp").number.value, panel.changed_machine().assumed) == ("400", ())
    row(panel, "calm_speed").number.value = "unknown"
    assert row(panel, "calm_speed").unknown.value
    assert "nobody may stand near" in row(panel, "calm_speed").line.value
    assert panel.answer is not None
    assert "nobody near X" in panel.words.value, "every surface says it"
    panel.close()


def test_a_slider_that_is_not_moved_says_nothing(tmp_path: Path, panel: Choose) -> None:
    press(panel, "begin")  # three numbers
    assert len(panel.changed_machine().assumed) == 16
    panel.controls["steady"].value = 9
    assert len(panel.changed_machine().assumed) == 15
    panel.figures.fill()  # as at rest
    panel.figures.part.value = "knob and selector"
    assert (row(panel, "steady", "knob").number.value, row(panel, "steady", "knob").unknown.value) == ("9", False)
    panel.figures.part.value = "axis X"
    panel.figures.add.click()
    row(panel, "finest").number.value = "0.5"
    assert [axis.finest_mm for axis in panel.changed_machine().axes] == [pytest.approx(0.02), 0.5]
    assert panel.changed_machine().knob.steady_detents_s == 9.0, "what a slider said is kept"
    assert press(panel, "save", tmp_path / "mine.toml") == f"Wrote {tmp_path}/mine.toml."
    assert tomllib.loads((tmp_path / "mine.toml").read_text())["knob"] == {"steady": "9 detents/s"}


# ------------------------------------------------------------------ axes


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_an_axis_more_and_less_leaves_every_comment_and_the_rest(file: Path) -> None:
    text, before = file.read_text(encoding="utf-8"), read_machine(file)
    last = before.axes[-1]
    more, machine = changed(text, {"axis W.": last.name}, source="m")
    assert [axis.name for axis in machine.axes] == [*(axis.name for axis in before.axes), "W"]
    assert (machine.axis("W").steps_per_mm, machine.axis("W").finest_mm) == (last.steps_per_mm, last.finest_mm)
    assert not machine.knows("W", "ramp_mm_s2")
    assert [line for line in more.splitlines() if "#" in line] == [line for line in text.splitlines() if "#" in line]
    assert changed(more, {"axis W.": None}, source="m")[0] == text
    less, machine = changed(text, {f"axis {last.name}.": None}, source="m")
    assert machine.axes == before.axes[:-1]
    assert machine.tasks == tuple(task for task in before.tasks if task.axis != last.name)
    alone = [line for line in text.splitlines() if line.startswith("#")]
    assert [line for line in less.splitlines() if line.startswith("#")] == alone


def test_an_axis_that_stands_otherwise_is_left_as_it_is() -> None:
    text = 'axis = [{ steps = "80 per mm", top_speed = "100 mm/s", finest = "0.02 mm" }]\n'
    for like in ("X", None):
        with pytest.raises(InputFault, match=r"is not written as \[\[axis\]\] tables"):
            changed(text, {f"axis {'Y' if like else 'X'}.": like}, source="m")
    with pytest.raises(InputFault, match="axis: is missing"):
        changed(text.replace("axis = [{ ", "[[axis]]\n").replace(" }]", "").replace(", ", "\n"), {"axis X.": None}, source="m")
    with pytest.raises(InputFault, match="is used twice"):
        changed(ROUTER.read_text(), {"axis x.": "X"}, source="m")


def test_axes_are_added_and_removed_in_the_panel(panel: Choose) -> None:
    panel.figures.name.value = "Turn"
    panel.figures.add.click()
    assert (panel.figures.part.value, [axis.name for axis in panel.changed_machine().axes][-1]) == ("axis Turn", "Turn")
    assert panel.controls["axis"].options == ("X", "Y", "Z", "Turn")
    panel.figures.part.value = "axis Z"
    panel.controls["finest"].value = panel.controls["finest"].options[2][1]
    assert panel.figures.remove.description == "Remove axis Z"
    panel.figures.remove.click()
    assert panel.figures.said.value == "Axis Z is no longer there, nor what was done on it: raise the tool and touch off on paper."
    assert [axis.name for axis in panel.changed_machine().axes] == ["X", "Y", "Turn"]
    for name in ("Y", "Turn", "X"):
        panel.figures.part.value = f"axis {name}"
        panel.figures.remove.click()
    assert "axis: is missing" in panel.figures.said.value, "one is needed"
    assert [axis.name for axis in panel.changed_machine().axes] == ["X"]


# ------------------------------------------------------------------ files


def test_without_a_machine_it_begins_with_a_sample_and_goes_on_with_three_numbers(panel: Choose) -> None:
    fresh = Choose()
    assert fresh.changed_machine() == read_machine(ROUTER) or fresh.changed_machine().name == "inlay router"
    fresh.close()
    for name in panel.files.sample.options:
        panel.files.sample.value = name
        assert press(panel, "begin") == ""
        expected = "my machine" if name == "three numbers" else read_machine(MACHINES / f"{name}.toml").name
        assert (panel.changed_machine().name, panel.fault.value) == (expected, "")
        assert panel.files.name.value == "my_machine.toml"


def test_saving_keeps_comments_and_never_overwrites_unasked(panel: Choose, tmp_path: Path) -> None:
    row(panel, "ramp").number.value = "300"
    panel.controls["steady"].value = 9
    panel.controls["report"].value = 20
    assert "Wrote" in press(panel, "save", tmp_path / "mine.toml")
    saved = read_machine(tmp_path / "mine.toml")
    assert (saved.axis("X").ramp_mm_s2, saved.knob.steady_detents_s, saved.link.report_interval_s) == (300.0, 9.0, 0.02)
    comments = [line for line in ROUTER.read_text().splitlines() if line.startswith("#")]
    assert all(line in (tmp_path / "mine.toml").read_text() for line in comments)
    said = press(panel, "save")
    assert "exists" in said
    assert "tick the box" in said
    assert "--overwrite" not in said, "a panel has no options to type"
    assert "Wrote" in press(panel, "save", replace=True)
    assert "Opened" in press(panel, "open")
    assert panel.changed_machine() == saved
    assert "No such file" in press(panel, "open", tmp_path / "none.toml")
    assert panel.changed_machine() == saved, "what can't be opened changes nothing"


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_a_draft_saves_exactly_what_the_controls_say(file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Choose, "rest_s", 600.0)
    panel = Choose(file)
    for index, (_, value) in enumerate(panel.controls["finest"].options):
        panel.controls["finest"].value = value
        wished = panel.changed_machine()
        place = _Draft(file).save(tmp_path / f"{index}.toml", wished)
        assert read_machine(place).axes == wished.axes
    panel.close()


def test_without_a_file_figures_stay_and_saving_says_why(router: Machine, tmp_path: Path) -> None:
    changed = with_wishes(router, steady_detents_s=9.0)
    panel = Choose(changed)
    assert "stands in no file as it is" in panel.figures.said.value
    assert "stands in no file as it is" in press(panel, "save", tmp_path / "mine.toml")
    assert {one.view.layout.display for rows in panel.figures.rows.values() for one in rows.values()} == {"none"}
    with pytest.raises(InputFault, match="stands in no file"):
        _Draft(changed).set({"axis X.ramp": "1 mm/s2"}, changed)
    assert _Draft(router).path == Path(router.source), "read from its file and as it says"
    press(panel, "begin")
    assert panel.figures.said.value == "", "but one can begin anew"
    panel.close()


# ------------------------------------------------------------------ a log


def uploaded(*files: tuple[str, bytes]) -> tuple[dict[str, Any], ...]:
    """Files as a browser hands them over."""
    return tuple({"name": name, "type": "", "size": len(content), "content": memoryview(content), "last_modified": datetime.now(UTC)}
                 for name, content in files)  # fmt: skip


def test_ones_own_log_is_read_guessed_told_and_held_against_the_ladder() -> None:
    panel = Choose(ROUTER)
    plain = panel.answer
    assert plain is not None
    panel.files.upload.value = uploaded(("mine.csv", b"t [s];knob;axis\n" + b"".join(b"%.2f;%d;X\n" % (0.04 * n, n) for n in range(90))))
    assert (panel.files.said.value, panel.log is not None) == ("", True)
    assert panel.answer is not None
    assert "Log mine.csv" in panel.words.value
    assert "Its columns are a guess." in panel.words.value
    assert '&quot;knob&quot;' in panel.words.value
    panel.files.upload.value = uploaded(("inlay_router_simulated.csv", LOG.read_bytes()))
    assert panel.answer is not None
    assert "Simulated log inlay_router_simulated.csv" in panel.words.value
    assert panel.log is not None
    assert len(said := log_findings(panel.changed_machine(), panel.log)) > 3
    assert all(html.escape(sentence) in panel.words.value for sentence in said)
    panel.files.upload.value = uploaded(("bad.csv", b""))
    assert "bad.csv" in panel.files.said.value
    panel.files.upload.value = ()
    assert (panel.log, panel.files.said.value) == (None, "")
    panel.close()
