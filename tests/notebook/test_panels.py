"""Every control of every panel, moved through its range and to its ends, without a browser.

Decisions that these tests hold:

- What stays in a picture is painted once and kept; a slider repaints only the `moving` artists (`canvas.py`). Fixed margins
  and snapped limits, so nothing jumps; as large as shown while moving, twice as dense after 0.4 s of rest.
- Minor ticks cost most of a drawing: use `NullLocator`. A panel draws one change at a time and the last always; a change that
  comes while the denser picture is drawn waits for it. Words that need not follow at once are put at rest; longer work goes
  into `_work(aim)` and gives up when `_wanted != aim`.
- The event loop tells when a panel has come to rest. Here nothing rests but what `settle()` brings to it, or a test asks for.
- `InputFault` texts find their input by `fault_key`; `Beside` names it outright. `Image` widgets must not be given a tooltip:
  the view then fails to appear.
"""

from __future__ import annotations

import base64
import html
import io
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("ipywidgets")

import matplotlib.text
import numpy as np
from matplotlib.backends.backend_agg import RendererAgg
from PIL import Image

from jogtune.choose.cover import derive_ladder
from jogtune.choose.suggest import suggest
from jogtune.files import InputFault
from jogtune.ladder.ladder import Ladder
from jogtune.logs.read import read_log
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine
from jogtune.notebook.canvas import _Pen
from jogtune.notebook.compare import _logs_from_bytes, _logs_from_place
from jogtune.notebook.panel import _Panel
from jogtune.notebook.panels import (
    Answer,
    BetweenReports,
    Choose,
    Clicks,
    Compare,
    DialBench,
    Habits,
    LadderTimes,
    Reversal,
    Route,
    ThreeControls,
    Try,
    WhichRung,
    explore,
    feel,
)
from jogtune.words.answer import cautions, headline
from places import MACHINES, ROOT

RESTS = _Panel._rest_later
PNG = b"\x89PNG\r\n\x1a\n"
FILES = {"router": "inlay_router.toml", "stage": "slide_stage.toml", "sign": "sign_table.toml"}
LOG = "datasets/logs/inlay_router_simulated.csv"


def two(machine: Machine) -> dict[str, Ladder]:
    """Two ladders to choose from."""
    finest = machine.axes[0].finest_mm
    one = Ladder(base_mm=finest, multipliers=(1, 5, 50), show_in=machine.show_in)
    return {"one": one, "two": Ladder(base_mm=10 * finest, multipliers=(1, 10), show_in=machine.show_in)}


MAKERS: dict[str, Callable[[Path, Machine], _Panel]] = {
    "Choose": lambda file, machine: Choose(file, log=read_log(LOG) if machine.show_in == "mm" else None),
    "Answer": lambda file, _: Answer(file),
    "WhichRung": lambda file, machine: WhichRung(file, ladder=derive_ladder(machine)),
    "Compare": lambda file, _: Compare(file),
    "Try": lambda file, _: Try(file, goals=2, practice=1),
    "Clicks": lambda _, machine: Clicks(machine),
    "Reversal": lambda _, machine: Reversal(machine), "DialBench": lambda _, machine: DialBench(machine),
    "Habits": lambda _, machine: Habits(machine, two(machine)["one"]),
    "BetweenReports": lambda _, machine: BetweenReports(machine),
    "Route": lambda _, machine: Route(machine, two(machine)),
    "LadderTimes": lambda _, machine: LadderTimes(machine, two(machine)),
    "ThreeControls": lambda _, machine: ThreeControls(machine, two(machine)["one"], points=4),
}


@pytest.fixture(autouse=True)
def held(monkeypatch: pytest.MonkeyPatch) -> None:
    """No panel comes to rest by itself."""
    monkeypatch.setattr(_Panel, "_rest_later", lambda self: None)


def positions(control: Any) -> list[Any]:
    """A control's ends and one value between; all of a few."""
    if isinstance(control.value, bool):
        return [True, False]
    if hasattr(control, "options"):
        values = [option[1] if isinstance(option, tuple) else option for option in control.options]
        return values if len(values) <= 4 else [values[0], values[len(values) // 2], values[-1]]
    middle = (control.min + control.max) / 2
    return [control.min, type(control.min)(middle), control.max]


def said(panel: _Panel) -> str:
    """Everything a panel says is wrong."""
    return " ".join([panel.fault.value, *(line.value for line in panel.faults.values())]).strip()


def movable(panel: _Panel) -> dict[str, Any]:
    """The controls with a range; texts and uploads have tests of their own."""
    return {n: c for n, c in panel.controls.items() if hasattr(c, "options") or hasattr(c, "max")
            or isinstance(c.value, bool)}  # fmt: skip


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("kind", MAKERS)
def test_every_control_draws_or_says_why_not(kind: str, name: str) -> None:
    file = MACHINES / FILES[name]
    panel = MAKERS[kind](file, read_machine(file))
    assert said(panel) == ""
    first = True
    for key, control in movable(panel).items():
        start, pictures = control.value, set()
        for value in positions(control):
            control.value = value
            assert "can't be drawn" not in said(panel), (key, value, said(panel))
            if kind != "Try":
                pictures.add(bytes(panel.picture.image.value))
                hold_uncut(panel)
        control.value = start
        assert said(panel) == "", key
        assert not first or kind == "Try" or len(pictures) > 1, "the first control changes the picture"
        first = False
    panel.close()


def hold_uncut(panel: _Panel) -> None:
    """No text reaches beyond the picture's edge."""
    figure = panel.picture.canvas.figure
    for text in figure.findobj(matplotlib.text.Text):
        if text.get_text() and text.get_visible() and not text.get_clip_on() and painted(text):
            box = text.get_window_extent()
            where = (type(panel).__name__, text.get_text())
            assert -1 <= box.x0 <= box.x1 <= figure.bbox.width + 1, where
            assert -1 <= box.y0 <= box.y1 <= figure.bbox.height + 1, where


LEAST_DOTS = 9  # high, of the page's own: a text of 9 px (6.75 points of 1/72 inch at 96 px to the inch)


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("kind", [kind for kind in MAKERS if kind != "Try"])
def test_a_picture_shown_narrow_is_drawn_for_it(kind: str, name: str) -> None:
    """As wide as shown, no text cut and none under 9 px; and back."""
    file = MACHINES / FILES[name]
    panel = MAKERS[kind](file, read_machine(file))
    first, drawn = bytes(panel.picture.image.value), panel.picture.canvas
    for width in (240, 330, 480):
        panel.picture.room.width = width
        assert said(panel) == ""
        assert abs(Image.open(io.BytesIO(panel.picture.image.value)).width - width) <= 1
        hold_uncut(panel)
        for text in drawn.figure.findobj(matplotlib.text.Text):
            if text.get_text() and painted(text):
                assert text.get_fontsize() * drawn.figure.dpi / 72 >= LEAST_DOTS, text.get_text()
    panel.picture.room.width = 0
    assert bytes(panel.picture.image.value) == first
    panel.close()


def test_words_of_an_earlier_state_are_grey_until_they_are_renewed(router: Machine) -> None:
    for kind, key, value, held in (("Answer", "rate", 12, True), ("Compare", "A", "0.05, 5", True), ("Clicks", "axis", "Z", False)):
        panel = MAKERS[kind](MACHINES / FILES["router"], router)
        panel.settle()
        assert "jogtune-stale" not in panel.words._dom_classes
        panel.controls[key].value = value
        assert ("jogtune-stale" in panel.words._dom_classes) == held
        panel.settle()
        assert "jogtune-stale" not in panel.words._dom_classes
        panel.close()


def test_the_slower_picture_of_which_rung_is_veiled_until_rest(router: Machine) -> None:
    panel = WhichRung(router)
    panel.settle()
    options = [value for _, value in panel.controls["tolerance"].options]
    before, title = panel.controls["tolerance"].value, panel.sides.ax.get_title()
    panel.controls["tolerance"].value = options[options.index(before) + 2]
    assert panel.sides._veiled
    panel.settle()
    assert not panel.sides._veiled
    assert panel.sides.ax.get_title() != title
    panel.close()


def test_a_kept_text_is_the_text_that_is_drawn_without_keeping() -> None:
    """Held against the renderer of matplotlib, to the dot: a text may lie half a dot aside."""
    kept, own = _Pen(200, 60, 100), RendererAgg(200, 60, 100)
    for n, (text, angle) in enumerate((("runs on 8.7 mm", 0), ("×250", 0), ("axis", 90), (" ", 0))):
        for pen in (kept, own):
            for _ in range(2):
                pen.clear()
                pen.draw_text(pen.new_gc(), 20 + 30 * n, 50, text, matplotlib.font_manager.FontProperties(size=9), angle)
        assert np.array_equal(np.asarray(kept.buffer_rgba())[..., 3], np.asarray(own.buffer_rgba())[..., 3])


def painted(text: Any) -> bool:
    ax = text.axes
    if ax is None:
        return True
    # tick labels beyond the limits are never painted
    return ax.get_visible() and text not in [*ax.get_xticklabels(), *ax.get_yticklabels()]


# ------------------------------------------------------------------ what every panel promises


class Slow(_Panel):
    """A panel whose picture is held while `free` is cleared, to see what happens to changes that come meanwhile."""

    def __init__(self) -> None:
        super().__init__()
        self.value = 0
        self.shown: list[int] = []
        self.begun, self.free = threading.Event(), threading.Event()
        self.free.set()

    def _draw(self) -> None:
        drawn = self.value
        self.begun.set()
        assert self.free.wait(60)
        self.shown.append(drawn)

    def _rest(self, aim: int) -> None:
        if self._wanted == aim:
            self._settled.set()


def test_changes_while_a_picture_is_drawn_make_one_more_picture_not_a_queue() -> None:
    panel = Slow()

    def turn(first: int) -> None:
        for i in range(50):
            panel.value = first + i
            panel.refresh()

    panel.free.clear()
    first, *others = [threading.Thread(target=panel.refresh), *(threading.Thread(target=turn, args=(100 * k,)) for k in range(4))]
    first.start()
    assert panel.begun.wait(60)
    for thread in others:
        thread.start()
    for thread in others:
        thread.join()
    panel.free.set()
    first.join()
    panel.settle()
    assert panel.shown[-1] == panel.value, "no stale picture after the last change"
    assert len(panel.shown) == 2, "200 changes while a picture is drawn make one more"


def test_the_last_change_is_always_drawn() -> None:
    for _ in range(30):
        panel = Slow()
        panel._draw = lambda panel=panel: panel.shown.append(panel.value)  # type: ignore[method-assign]

        def turn(value: int, panel: Slow = panel) -> None:
            panel.value = value
            panel.refresh()

        threads = [threading.Thread(target=turn, args=(k,)) for k in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert not panel._following
        assert panel.shown[-1] == panel.value
        panel.close()


def test_a_change_while_the_denser_picture_is_drawn_is_not_lost() -> None:
    panel = Slow()
    panel.refresh()
    with panel._drawing:  # as at rest
        thread = threading.Thread(target=panel.refresh)
        panel.value = 7
        thread.start()
        _await(lambda: panel._following)
    thread.join()
    assert panel.shown[-1] == 7
    panel.close()


@pytest.mark.parametrize("kind", ["Choose", "Try", "Clicks"])
def test_a_panel_has_a_still_beside_the_live_view(kind: str, router: Machine) -> None:
    panel = MAKERS[kind](MACHINES / FILES["router"], router)
    bundle = panel._repr_mimebundle_()
    assert "application/vnd.jupyter.widget-view+json" in bundle
    picture = Image.open(io.BytesIO(base64.b64decode(bundle["image/png"])))
    assert min(picture.size) > 200
    assert len(set(picture.convert("L").tobytes())) > 20, "the still is not blank"
    begins = {"Choose": "For the inlay router: ", "Try": "The on-screen knob, axis X", "Clicks": "One click is 1.6 steps of X."}
    assert bundle["text/plain"].startswith(begins[kind])
    panel.close()


def test_a_saved_notebook_and_its_html_show_the_still_without_python(tmp_path: Path) -> None:
    import nbclient
    import nbformat
    from nbconvert import HTMLExporter

    source = f"from jogtune.notebook import panels\npanels.Answer({str(MACHINES / 'inlay_router.toml')!r})"
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(source)])
    nbclient.NotebookClient(book, timeout=600, kernel_name="python3",
                            resources={"metadata": {"path": str(ROOT)}}).execute()  # fmt: skip
    book.metadata.pop("widgets", None)  # as kept: no widget state
    (output,) = [o for o in book.cells[0].outputs if "data" in o]
    assert base64.b64decode(output.data["image/png"]).startswith(PNG)
    page, _ = HTMLExporter().from_notebook_node(book)
    assert "data:image/png;base64," in page
    assert output.data["image/png"][:200].replace("\n", "") in page.replace("\n", "")


def test_a_still_picture_equals_one_drawn_afresh() -> None:
    """What is kept between pictures must not leave traces: the same controls give the same pixels."""
    panel = Choose(MACHINES / "inlay_router.toml", log=read_log(LOG))
    fresh = bytes(panel.picture.image.value)
    for name, value in (("steady", 30), ("rungs", 3), ("finest", panel.controls["finest"].options[1][1])):
        start = panel.controls[name].value
        panel.controls[name].value = value
        assert bytes(panel.picture.image.value) != fresh, name
        panel.controls[name].value = start
        assert bytes(panel.picture.image.value) == fresh, name
    panel.close()


def test_a_headline_that_names_impossible_tasks_is_not_cut(router: Machine) -> None:
    panel = Choose(router)
    panel.controls["finest"].value = Fraction(1, 5)
    assert panel.answer is not None
    assert "can't be done" in headline(panel.answer)
    hold_uncut(panel)
    panel.close()


# ------------------------------------------------------------------ Choose


def test_the_picture_follows_and_the_last_good_one_stays(router: Machine) -> None:
    panel = Choose(router)
    first = bytes(panel.picture.image.value)
    panel.controls["finest"].value = panel.controls["finest"].options[-1][1]
    second = bytes(panel.picture.image.value)
    assert second != first
    panel.controls["series"].value = "1-10-100"
    good = bytes(panel.picture.image.value)
    panel.controls["rungs"].value = 6
    assert "choose a denser series" in panel.faults["rungs"].value, "the sentence stands beside its input"
    assert panel.fault.value == ""
    assert bytes(panel.picture.image.value) == good
    panel.close()


def test_an_unforeseen_fault_is_shown_in_the_panel(router: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    panel = Choose(router)
    monkeypatch.setattr("jogtune.notebook.choose.rung_table", lambda *a, **k: 1 / 0)
    panel.controls["steady"].value += 1
    assert "ZeroDivisionError" in panel.fault.value
    panel.close()


def test_at_rest_every_ladder_is_tried_and_shown(router: Machine) -> None:
    panel = Choose(router)
    assert panel.status.value.startswith("Quick answer")
    assert panel.answer is not None, "who asks waits for the search"
    assert panel.answer.search is not None
    assert panel.answer.search.searched > 10
    assert "fastest" in panel.status.value
    hold_uncut(panel)
    assert cautions(panel.answer)
    for sentence in cautions(panel.answer):
        assert html.escape(sentence) in panel.words.value, "no caution is dropped"
    assert panel.bar.layout.visibility == "hidden"
    panel.close()


def test_words_follow_at_rest(router: Machine) -> None:
    panel = Answer(router)
    before, label = panel.words.value, panel.picture.label
    assert "still travels" in before
    panel.controls["rate"].value = 12
    panel.settle()
    assert panel.words.value != before
    assert panel.picture.label != label
    assert "12 clicks/s" in panel.picture.label
    panel.close()


def test_the_search_can_be_stopped_and_a_change_stops_it(router: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    def held(*args: Any, **kwargs: Any) -> Any:
        if holding and "stop" in kwargs:
            _await(kwargs["stop"])
        return suggest(*args, **kwargs)

    panel, holding = Choose(router), [True]
    panel.settle()
    monkeypatch.setattr("jogtune.notebook.choose.suggest", held)
    panel.controls["series"].value = "R10"
    monkeypatch.setattr(_Panel, "_rest_later", RESTS)
    panel.controls["rungs"].value = 5
    _await(lambda: panel.bar.layout.visibility == "visible")
    panel.stop.click()
    panel.settle()
    assert panel.answer is not None
    assert panel.answer.search is None
    assert "Stopped" in panel.status.value
    panel.controls["rungs"].value = 4
    _await(lambda: panel.bar.layout.visibility == "visible")
    holding.clear()
    panel.controls["rungs"].value = 3
    panel.settle()
    assert panel.answer.search is not None
    assert len(panel.answer.ladder.rungs) == 3, "the answer is for the last change"
    panel.close()


def _await(true: Any, patience_s: float = 300.0) -> None:
    end = time.monotonic() + patience_s
    while not true():
        assert time.monotonic() < end
        time.sleep(0.001)


# ------------------------------------------------------------------ Compare and Try


def test_compare_says_each_fault_beside_its_input(router: Machine) -> None:
    panel = Compare(router)
    panel.settle()
    good = bytes(panel.picture.image.value)
    panel.controls["A"].value = "0.1, x"
    panel.controls["C"].value = "-1"
    assert "x" in panel.faults["A"].value
    assert panel.faults["C"].value != ""
    assert panel.faults["B"].value == ""
    assert bytes(panel.picture.image.value) == good
    panel.controls["A"].value, panel.controls["C"].value = "0.02, 0.2, 2", ""
    panel.controls["B"].value = ""
    assert "two ladders or more" in panel.faults["B"].value
    panel.close()


def test_compare_shows_difference_and_logs_from_upload_and_folder(router: Machine, tmp_path: Path) -> None:
    panel = Compare(router, "0.02, 0.1, 0.5, 5", "0.02, 0.2, 2", "0.05, 0.5, 5")
    panel.settle()
    assert panel.found is not None
    assert (len(panel.found.ladders), panel.found.simulated) == (3, False)
    content = Path(LOG).read_bytes()
    panel.controls["upload"].value = ({"name": "mine.csv", "type": "text/csv", "size": len(content),
                                       "content": memoryview(content), "last_modified": datetime.now(UTC)},)  # fmt: skip
    panel.settle()
    assert panel.found.simulated
    assert len(panel.found.tasks) > 5
    assert "against" in panel.picture.label or "tell apart" in panel.picture.label or "faster" in panel.picture.label
    panel.controls["folder"].value = str(tmp_path)
    panel.settle()
    assert "holds no log" in panel.faults["folder"].value
    (tmp_path / "one.csv").write_bytes(content)
    panel.controls["folder"].value = str(tmp_path / "one.csv")
    panel.settle()
    assert said(panel) == ""
    assert len(set(panel.found.tasks["source"])) == 2
    for view in ("times", "predicted"):
        panel.controls["view"].value = view
        hold_uncut(panel)
    panel.close()


def test_compare_taken_back_to_what_was_compared_is_drawn_as_before(router: Machine) -> None:
    panel = Compare(router)
    panel.settle()
    panel._settle_down()
    before, ladder = bytes(panel.picture.image.value), panel.controls["A"].value
    panel.controls["A"].value = "0.05, 5"
    panel.controls["A"].value = ladder
    panel.settle()
    panel._settle_down()
    assert bytes(panel.picture.image.value) == before
    panel.close()


def test_logs_from_a_folder_name_every_faulty_file(tmp_path: Path) -> None:
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_text("", encoding="utf-8")
    with pytest.raises(InputFault) as fault:
        _logs_from_place(str(tmp_path))
    assert [text[:5] for text in fault.value.faults] == ["a.csv", "b.csv"]
    with pytest.raises(InputFault, match=r"b\.csv"):
        _logs_from_bytes({"../b.csv": b""})


def test_try_starts_a_fresh_knob_when_a_control_changes(router: Machine) -> None:
    panel = Try(router, goals=2, practice=1)
    first = panel.knob
    panel.controls["habit"].value = "limit, dash"
    assert panel.knob is not first
    assert panel.knob.sitting.habit.too_fast == "limit"
    assert panel.knob.sitting.habit.limit_mm == pytest.approx(11.9)
    panel.controls["axis"].value = "Z"
    assert panel.knob.axis.name == "Z"
    assert panel.place.children == (panel.knob,)


# ------------------------------------------------------------------ the front door


def test_explore_and_feel_take_names_and_text() -> None:
    file = MACHINES / "inlay_router.toml"
    panel = explore(file, log=LOG)
    assert isinstance(panel, Choose)
    assert panel.log is not None
    assert panel.log.simulated
    panel.close()
    knob = feel(file, "0.02, 0.2, 2", "0.05, 5", axis="Z", blind=True, goals=1, practice=0)
    assert [ladder.say() for ladder in knob.ladders] == ["0.02, 0.2, 2 mm", "0.05, 5 mm"]
    assert (knob.axis.name, knob.sitting.blind, len(knob.goals)) == ("Z", True, 2)
    assert feel(file, goals=0, practice=0).ladders == (derive_ladder(read_machine(file)),)
    with pytest.raises(InputFault, match="ladders = 3: must be one or two"):
        feel(file, "1", "2", "3")
