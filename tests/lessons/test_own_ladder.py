"""Lesson 8 and what belongs to all lessons: the teacher's answers, the assessment, the drawings.

Decisions that these tests hold:

- Drawings are attached to the cell that shows them: a notebook that is handed on alone takes them along. Lab shows no attached
  SVG, so they are PNG, a pale card that reads on dark pages too. `python .pictures/lessons.py` draws them.
- The machine of lesson 8 is told in words and kept in a file: each figure of the file stands in the words.
- Lesson 8 has no one answer: several ladders pass, and the judge decides, not a list.
- Each question under *Explain* stands word for word on the teacher's page of its lesson, with its answer below it.
"""

from __future__ import annotations

import base64
import importlib.util
import io
import os
import re
from fractions import Fraction
from pathlib import Path
from typing import Any

import nbformat
import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.image import imread
from matplotlib.text import Text

from jogtune.axis.limits import play
from jogtune.axis.outstanding import calm_speed_steps_s
from jogtune.axis.runon import felt_delay, smallest_full_speed_move_mm
from jogtune.choose.suggest import judge, own_answer
from jogtune.hand.controls import Stick, controls_of
from jogtune.hand.person import Hand, Motion
from jogtune.ladder.ladder import Ladder
from jogtune.ladder.steps import drift_drop, steps_per_detent
from jogtune.lessons import own_ladder as l8
from jogtune.lessons.exercise import _Verdict
from jogtune.lessons.ladder import time_table
from jogtune.lessons.link import simulate_steady
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine, Task
from jogtune.measure.standards import evaluate_accuracy
from lessons.test_lessons import UNTOUCHED, classroom, run_cells
from places import ROOT

__all__ = ["classroom"]  # a fixture, used by its name

NOTEBOOKS, TEACHER = ROOT / "notebooks", ROOT / "notebooks" / "teacher"
LESSONS = sorted(NOTEBOOKS.glob("0[1-8]_*.ipynb"))
LESSON = NOTEBOOKS / "08_your_own_ladder.ipynb"
CUTTER = read_machine(ROOT / "datasets" / "lessons" / "purfling_cutter.toml")
MINE = l8.two_ladders("0.02, 0.1, 0.5, 5", ..., CUTTER)[0]
JOBS = ["touch off on paper", "set the width", "go to the next corner", "bring the plate"]
GOOD = ("0.02, 0.1, 0.5, 2, 5", "0.02, 0.1, 0.5, 5", "0.02 0.1 1 5", [0.02, 0.1, 0.5, 6], "0.02, 0.1, 0.3, 1, 5")
EXERCISES: dict[str, tuple[Any, tuple[Any, ...], tuple[tuple[Any, str], ...]]] = {
    # the tightest job: the last click onto the paper
    "finest": (
        lambda a: l8.check_finest(a, CUTTER), (0.02, 1 / 50),
        ((0.06, "eye allows"), (0.05, "by the readout"), (0.01, "last digit"), (0.0025, "motor step"), (0.04, "slack"), (0.1, "pass the paper"), (3, "too large")),
    ),
    # 3600 mm/min = 60 mm/s; / 10 a second = 6 mm
    "coarsest": (
        lambda a: l8.check_coarsest(a, CUTTER), (6, 60 / 10),
        ((360, "per minute"), (60, "way of a second"), (1.5, "for Z"), (60 / 35, "in a hurry"), (600, "don't multiply"), (1 / 6, "wrong way up"), (2, "are a turn")),
    ),
    "ladder": (
        lambda a: l8.check_ladder(a, CUTTER), GOOD,
        (("0.02, 0.2, 2", "touch off on paper"), ("0.02, 0.2, 1, 5", "touch off on paper"), ("0.05, 0.5, 5", "not every goal"), ("0.02", "times as slow"),
         ("0.02, 0.13, 5", "not every distance is plain"), ("0.001, 0.1, 5", "motor step"), ("0.02,0.05,0.1,0.2,0.5,1,2", "5 positions"), ("fine", "is not a number"),
         (0.02, "quotation")),
    ),
    "jobs": (
        lambda a: l8.check_jobs(a, CUTTER, MINE), (JOBS, tuple(JOBS), [*JOBS[:3], "Clear the  tool"]),
        ((JOBS[::-1], "rung 1: the quickest way hardly"), (JOBS[:3], "4 jobs"), (["none", *JOBS[1:]], "rung 1: some job does"), ([*JOBS[:3], "sing"], "rung 4: choose one"),
         ([*JOBS[:3], 5], "rung 4: choose one"), ("touch off on paper", "4 jobs")),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", EXERCISES)
def test_an_exercise_passes_what_is_right_and_helps_with_the_rest(name: str) -> None:
    check, right, wrong = EXERCISES[name]
    for answer in right:
        assert check(answer).passed, (answer, check(answer))
    for answer, word in wrong:
        verdict = check(answer)
        assert not verdict.passed, answer
        assert verdict.entered, answer
        assert word in verdict.words, (answer, verdict.words)
    assert not any(check(untouched).entered for untouched in UNTOUCHED)
    for odd in (float("nan"), float("inf"), -1, 10**400, "x" * 500, {1: 2}, object(), [1, "a"], (1, 2), "½", 1j, [[1], [2]], b"1"):
        assert not check(odd).passed, odd


def test_the_ends_are_where_the_model_has_them() -> None:
    """Finest: 0.02 mm does each job, the next plain click doesn't. Coarsest: the judge's table counts the rungs beyond it."""
    table = time_table(CUTTER, {"finest": "0.02, 0.1, 1, 5", "next": "0.025, 0.1, 1, 5"})
    assert "can't" not in set(table["finest"])
    assert table["next"].eq("can't").sum() == 2  # touching off, and so the mean
    told = l8.defence_table(CUTTER, *l8.two_ladders("0.02, 0.1, 1, 6", "0.02, 0.1, 1, 8", CUTTER))
    assert told.loc["X: rungs too coarse for a steady hand"].tolist() == ["none", "4"]


def test_what_speaks_for_a_ladder_is_as_by_hand() -> None:
    """Calm speeds: 20 mm/s at 400 steps/mm, 5 mm/s at 800; 0.5 to 5 mm is a factor of 10."""
    told = l8.defence_table(CUTTER, MINE)[MINE.say()]
    assert told["X: clamp with people near (steps/s)"] == str(1200 // 60 * 400)
    assert told["Z: clamp with people near (steps/s)"] == str(300 // 60 * 800)
    assert (told["rungs"], told["largest factor between two rungs"], told["rungs that no job takes"]) == ("4", "10", "none")
    assert float(told["mean time of a job (s)"]) == pytest.approx(judge(CUTTER, MINE).search.chosen.time_s, rel=0.02)


def test_what_is_not_typed_yet_has_a_plain_ladder_in_its_place() -> None:
    for typed in (..., "fine", "0.02,0.05,0.1,0.2,0.5,1,2"):
        assert [ladder.say() for ladder in l8.two_ladders(typed, typed, CUTTER)] == ["0.02, 0.2, 1, 5 mm", "0.02, 0.1, 1, 5 mm"]


def text_of(path: Path) -> str:
    return "\n\n".join(cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "markdown")


def test_the_words_tell_the_machine_of_the_file() -> None:
    words, knob, link = text_of(LESSON), CUTTER.knob, CUTTER.link
    x, z = CUTTER.axes
    tasks = "".join(f"{task.name} | {task.axis} | {task.distance_mm:g} mm" for task in CUTTER.tasks)
    for told in (
        "200 full steps", "divides each step into 8", f"{200 * 8 / x.steps_per_mm} mm a turn, Z's the slide {200 * 8 / z.steps_per_mm} mm",
        f"{x.reach_mm:g} mm to go, the slide {z.reach_mm:g} mm", f"as fast as {60 * x.top_speed_mm_s:g} mm a minute and gains {x.ramp_mm_s2:g} mm/s",
        f"Z gets to {60 * z.top_speed_mm_s:g} mm a minute and gains {z.ramp_mm_s2:g} mm/s", f"loses {x.slack_mm:g} mm on X and {z.slack_mm:g} mm on Z",
        f"X may do {60 * x.calm_speed_mm_s:g} mm a minute and Z {60 * z.calm_speed_mm_s:g}", f"clicks {knob.detents_per_turn} times a turn",
        f"{knob.steady_detents_s:g} clicks a second steadily, {knob.fastest_detents_s:g} in a hurry", f"has {CUTTER.selector.positions} positions",
        f"every {1000 * link.report_interval_s:g} ms, the machine hears it {1000 * link.delay_s:g} ms later, and after {1000 * link.silence_s:g} ms",
        f"shows {float(CUTTER.readout.step_mm):g} mm", "keeps fractions",
    ):  # fmt: skip
        assert told in words, told
    rows = {row[0]: row for row in (re.split(r" *\| *", line.strip("| ")) for line in words.splitlines() if line.startswith("| "))}
    for task in CUTTER.tasks:
        _, axis, far, within, often = rows[task.name]
        assert (axis, float(far.split()[0]), {"once": 1, "twice": 2}[often]) == (task.axis, task.distance_mm, task.weight), tasks
        numbers = [float(number) for number in re.findall(r"[\d.]+(?= mm)", within)]
        assert numbers == [float(number) for number in (task.tolerance_mm, getattr(task, "limit_mm", None)) if number is not None]
        assert ("readout" in within, "felt" in within) == (task.kind != "feel" and task.cue != "eye", task.kind == "feel")


def test_an_untouched_lesson_runs_and_passes_nothing(classroom: Path) -> None:
    shown = run_cells(classroom / LESSON.name)
    verdicts = [value for _, value in shown if isinstance(value, _Verdict)]
    assert len(verdicts) == 5
    assert not any(verdict.entered for verdict in verdicts)
    assert all(value.fault.value == "" for _, value in shown if hasattr(value, "fault"))


def test_every_exercise_is_solved_in_the_solutions(classroom: Path) -> None:
    os.chdir(classroom / "solutions")
    solved = run_cells(classroom / "solutions" / f"{LESSON.stem}_solution.ipynb")
    verdicts = {name: value for name, value in solved if isinstance(value, _Verdict)}
    assert all(verdicts.values()), verdicts
    assert set(verdicts) == {cell.id for cell in nbformat.read(LESSON, as_version=4).cells if "exercise" in cell.metadata.get("tags", [])}


def test_code_that_a_reader_sees_is_short() -> None:
    cells = [cell for cell in nbformat.read(LESSON, as_version=4).cells if cell.cell_type == "code"]
    assert max(len(cell.source.splitlines()) for cell in cells) <= 3


def test_the_ladders_that_the_teacher_is_told_of_fare_as_told() -> None:
    good, bad = re.search(r"(that the judge passes.*?)\n\n(Ladders that look right.*?)\n\n", (TEACHER / f"{LESSON.stem}.md").read_text(encoding="utf-8"), re.S).groups()
    listed = [re.findall(r"((?:[\d.]+, )+[\d.]+) mm", text) for text in (good, bad)]
    assert [len(ladders) for ladders in listed] == [4, 2]
    assert [[l8.check_ladder(ladder, CUTTER).passed for ladder in ladders] for ladders in listed] == [[True] * 4, [False] * 2]


# ------------------------------------------------------------------ every lesson: answers to what is to be explained


def asked(path: Path) -> list[str]:
    """The questions under Explain, a line each."""
    cell = next(cell for cell in nbformat.read(path, as_version=4).cells if re.match(r"## \d+ · Explain", cell.source))
    return re.findall(r"^- (.+)$", cell.source, re.M)


@pytest.mark.parametrize("path", LESSONS, ids=lambda p: p.stem)
def test_each_question_to_explain_has_its_answer_on_the_teachers_page(path: Path) -> None:
    page = (TEACHER / f"{path.stem}.md").read_text(encoding="utf-8").partition("## Answers to *Explain*")[2]
    answers = dict(re.findall(r"^\*\*(.+)\*\*\n(.+)$", page, re.M))
    questions = asked(path)
    assert len(questions) >= 3
    assert list(answers) == questions
    assert all(len(answer.split()) >= 15 for answer in answers.values())


def test_what_the_teacher_is_told_of_short_reports_is_so() -> None:
    """Lesson 4, reports every 5 ms: much at 40 clicks a second, nothing at 25, nothing where each click is a stop."""

    def ripple(turn_rate: float, gain_mm: float, every_s: float) -> float:
        return simulate_steady(turn_rate, gain_mm, every_s, top_speed_mm_s=100.0, ramp_mm_s2=400.0)[0].share

    page = (TEACHER / "04_the_link.md").read_text(encoding="utf-8")
    assert f"from {100 * ripple(40, 1, 0.04):.0f} % at 40 ms to {100 * ripple(40, 1, 0.005):.0f} % at 5 ms" in page
    assert ripple(25, 1, 0.005) == pytest.approx(ripple(25, 1, 0.04))
    assert "At 25 a second" in page
    assert "At 8 a second of 0.1 mm" in page
    assert ripple(8, 0.1, 0.005) == pytest.approx(ripple(8, 0.1, 0.04))


def test_what_the_teacher_is_told_of_the_gap_of_fifteen_is_so(router: Machine) -> None:
    """Lesson 6: the best four rungs by the rule of 8 clicks left, and five rungs by the same."""
    page = (TEACHER / "06_the_ladder.md").read_text(encoding="utf-8")
    times = [next(hand.time_s for hand in own_answer(router, Ladder.parse(ladder)).search.hands if hand.name == "8 clicks left")
             for ladder in ("0.02, 0.1, 1.5, 8", "0.02, 0.1, 0.5, 2, 8")]  # fmt: skip
    assert f"{times[0]:.1f} s a job, and {times[1]:.1f} s with" in page


# ------------------------------------------------------------------ the assessment

FRET_TABLE = """
name = "fret table"
[link]
report_every = "50 ms"
delay = "10 ms"
[readout]
step = "0.01 mm"
[[axis]]
name = "X"
motor = { steps = 200, divide = 8, lead = "8 mm" }
top_speed = "4800 mm/min"
ramp = "320 mm/s2"
reach = "500 mm"
finest = "0.04 mm"
slack = "0.03 mm"
calm_speed = "1000 mm/min"
"""
"""The machine that the assessment tells of in words."""


@pytest.fixture(scope="module")
def fret_table(tmp_path_factory: pytest.TempPathFactory) -> Machine:
    path = tmp_path_factory.mktemp("assessment") / "fret_table.toml"
    path.write_text(FRET_TABLE, encoding="utf-8")
    return read_machine(path)


def key_of(machine: Machine) -> list[tuple[float, str]]:
    """The ten answers as the package finds them, each with its unit."""
    x, link = machine.axis("X"), machine.link
    steps = steps_per_detent(x, Fraction("0.012"))
    motion = Motion.from_machine(machine, "X")
    turned = play(np.r_[0.0:1.01:0.02, 1.0 - 0.02 * np.arange(1, 9)], x.slack_mm)
    readings = pd.DataFrame([["up", 1, 2, 4, 3, 5, 1], ["down", 1, 30, 32, 31, 33, 29]], columns=["direction", "target", *(f"run{n}" for n in range(1, 6))])
    knob, hand = controls_of(machine, Ladder.parse("0.04, 0.2, 1, 5"), "X")["knob"], Hand.from_machine(machine)
    tasks = [Task(name="in", axis="X", distance_mm=5, tolerance_mm=width / 1000, cue="eye") for width in range(30, 51)]
    widths = [task.tolerance_mm for task in tasks if knob.estimate(task, motion, hand).possible]
    (factor,) = set(Ladder.parse("0.04, 0.2, 1, 5").ratios)
    return [
        (float(steps), "steps"), (drift_drop(steps).one_way_steps * float(x.step_mm), "mm"), (turned[50] - turned[-1], "mm"),
        (evaluate_accuracy(readings)["reversal"], "µm"), (smallest_full_speed_move_mm(x.top_speed_mm_s, x.ramp_mm_s2) / 2, "mm"),
        (calm_speed_steps_s(x), "steps/s"), (1000 * felt_delay(link.report_interval_s, link.delay_s)[1], "ms"), (min(widths), "mm"),
        (float(factor), "times"), (Stick().least_tap_mm(motion), "mm"),
    ]  # fmt: skip


def test_the_key_of_the_assessment_is_what_the_package_finds(fret_table: Machine) -> None:
    key = re.findall(r"^(\d+)\. \*\*([\d.]+) (.+?)\.\*\* .+ — .+", (TEACHER / "assessment_key.md").read_text(encoding="utf-8"), re.M)
    found = key_of(fret_table)
    assert [int(number) for number, _, _ in key] == list(range(1, 11))
    assert [unit for _, _, unit in key] == [unit for _, unit in found]
    assert [float(value) for _, value, _ in key] == pytest.approx([abs(value) for value, _ in found])


def test_the_assessment_asks_ten_questions_of_that_machine(fret_table: Machine) -> None:
    sheet = (TEACHER / "assessment.md").read_text(encoding="utf-8")
    questions = re.findall(r"^(\d+)\. \*\*.+\*\* .+\? — .+[.?]$", sheet, re.M)
    assert [int(number) for number in questions] == list(range(1, 11))
    x, link = fret_table.axis("X"), fret_table.link
    for told in (
        f"{200 * 8 / x.steps_per_mm} mm a turn", "200 full steps a turn; its driver divides each into 8", f"{60 * x.top_speed_mm_s:g} mm a minute and gains or loses {x.ramp_mm_s2:g} mm/s",
        f"slack is {x.slack_mm:g} mm", f"it may do {60 * x.calm_speed_mm_s:g} mm a minute", f"every {1000 * link.report_interval_s:g} ms, and the machine hears it {1000 * link.delay_s:g} ms later",
        f"finest click is {float(x.finest_mm):g} mm", "hard-wired stop in reach", "no safety device",
    ):  # fmt: skip
        assert told in sheet, told


# ------------------------------------------------------------------ drawings

_spec = importlib.util.spec_from_file_location("drawings", ROOT / ".pictures" / "lessons.py")
drawings = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(drawings)


def attached() -> dict[str, tuple[bytes, str]]:
    """Every drawing in the lessons by name: the PNG, and what is said to those who can't see it."""
    cells = [cell for path in LESSONS for cell in nbformat.read(path, as_version=4).cells]
    shown = [(alt, name, cell) for cell in cells for alt, name in re.findall(r"!\[([^]]*)\]\(attachment:([a-z]+)\.png\)", cell.source)]
    return {name: (base64.b64decode(cell.attachments[f"{name}.png"]["image/png"]), alt) for alt, name, cell in shown}


def test_each_drawing_is_shown_once_and_told_in_words() -> None:
    found = attached()
    assert set(found) == set(drawings.DRAWINGS)
    assert all(len(alt.split()) >= 20 for _, alt in found.values())
    assert "times " + ", times ".join(f"{float(ratio):g}" for ratio in drawings.LADDER.ratios) in found["ladder"][1]
    assert f"{360 / drawings.ROUTER.knob.detents_per_turn:g} degrees" in found["detent"][1]


@pytest.mark.parametrize("name", drawings.DRAWINGS)
def test_a_drawing_is_what_its_script_draws(name: str) -> None:
    """Letter shapes differ a little from one release to another, lines hardly."""
    kept, drawn = (imread(io.BytesIO(png))[..., :3] for png in (attached()[name][0], drawings.drawing_png(name)))
    assert kept.shape == drawn.shape
    assert np.abs(kept - drawn).mean() < 0.01


@pytest.mark.parametrize("name", drawings.DRAWINGS)
def test_a_drawing_reads_on_a_phone(name: str) -> None:
    """No text below 9 px where a page of 360 px leaves the drawing 217; none over another or cut, and dark on pale."""
    figure = drawings.draw(name)
    FigureCanvasAgg(figure).draw()
    texts = [text for text in figure.axes[0].texts if text.get_text()]
    boxes = [Text.get_window_extent(text) for text in texts]  # without the line to what it names
    width, height = figure.bbox.width, figure.bbox.height
    assert min(text.get_fontsize() * figure.dpi / 72 for text in texts) * 217 / width >= 9
    assert all(box.x0 >= 0 and box.y0 >= 0 and box.x1 <= width and box.y1 <= height for box in boxes)
    assert not [(a, b) for a in range(len(boxes)) for b in range(a) if boxes[a].overlaps(boxes[b])]
    assert (imread(io.BytesIO(attached()[name][0]))[0, 0, :3] > 0.9).all()
