"""What is said of logs measured, ladders compared and readings: each kind where it holds, and just where it does not."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from jogtune.bench.diagnose import diagnose
from jogtune.choose.suggest import suggest
from jogtune.ladder.ladder import Ladder
from jogtune.logs.log import Log
from jogtune.logs.read import read_log
from jogtune.machine.file import read_machine
from jogtune.measure.classroom import compare_class, read_roster
from jogtune.measure.compare import compare
from jogtune.measure.figure import Figure, _mean_difference, _mean_figure, _quantile_figure, _spread_figure
from jogtune.measure.measure import measure
from jogtune.measure.measured import _refusal
from jogtune.measure.predict import _unreachable
from jogtune.measure.rests import _clustered, _delay_figure, _figures, _ramp
from jogtune.notes import Note
from jogtune.words.findings import _BENCH, _FINDINGS
from jogtune.words.speak import speak
from places import MACHINES, ROOT
from truths.readings import Truth, seeded_truth, simulate_readings
from truths.sessions import TaskKind, log_text, make_log

ROUTER = read_machine(MACHINES / "inlay_router.toml")
LOG = ROOT / "datasets" / "logs" / "inlay_router_simulated.csv"
LADDER = suggest(ROUTER, by="coverage").ladder
TESTS = {path: path.read_text(encoding="utf-8") for room in ("measure", "bench", "logs", "lessons") for path in (ROOT / "tests" / room).glob("*.py")}

Notes = Iterable[Note | None]


def whole(note: Note) -> str:
    told = speak(note)
    assert re.match(r"^[A-Z].*[.?]$", told, re.DOTALL), told
    assert not re.search(r"[{}]|\bNone\b|\bnan\b|  ", told), told
    assert all(axis in told for axis in note.where.axes), told
    return told


def held(case: tuple[str, Callable[[], Notes], Callable[[], Notes]]) -> None:
    kind, over, under = case
    there = [note for note in over() if note is not None and note.kind == kind]
    assert there
    assert all(whole(note) for note in there)
    assert not [note for note in under() if note is not None and note.kind == kind]


# ------------------------------------------------------------ logs measured


def why(figure: Figure) -> Notes:
    return [figure.why]


@cache
def log() -> Log:
    return read_log(LOG)


def seen(count: int) -> list[float]:
    return [float(n % 3) for n in range(count)]


def slopes(rows: int, *, alike: bool = False) -> Notes:
    """Two coefficients from so many rests, and how many degrees of freedom they leave."""
    x = np.column_stack([np.arange(rows), np.arange(rows) if alike else np.arange(rows) % 2]).astype(float)
    return [figure.why for figure in _figures(x, x.sum(axis=1), rows - 2)]


def near(coarsest_mm: float) -> Notes:
    """Short moves on two rungs, read to a hundredth."""
    kinds = [TaskKind(name="near", axis="X", least_mm=0.5, most_mm=2, tolerance_mm=0.06)]
    ladder = Ladder.from_gains([Fraction(1, 50), Fraction(coarsest_mm).limit_denominator(100)])
    return measure(ROUTER, make_log(ROUTER, ladder, seed=0, tasks=40, kinds=kinds, delay_s=0.04, noise_mm=0.01)[0], position_kind="measured").notes


def misread(off_mm: float) -> Notes:
    rows = log().rows.copy()
    rows.loc[500, "position_mm"] += off_mm
    return measure(ROUTER, replace(log(), rows=rows)).notes


def compared(*ladders: str) -> Notes:
    return compare(ROUTER, [Ladder.parse(text) for text in ladders]).notes


def on_screen(text: str) -> Notes:
    return compare(ROUTER, [Ladder.parse("0.02, 0.1, 0.5, 5"), Ladder.parse("0.02, 0.2")], [replace(log(), header={**log().header, "made": text})]).notes


def tolerances(*widths: float) -> Notes:
    return _unreachable(ROUTER, pd.DataFrame({"axis": "X", "tolerance_mm": widths}), Ladder.parse("0.1, 1"))


FIGURES: list[tuple[str, Callable[[], Notes], Callable[[], Notes]]] = [
    ("few_seen", lambda: why(_mean_figure(seen(4), least=5)), lambda: why(_mean_figure(seen(5), least=5))),
    ("few_of_either", lambda: why(_mean_difference(seen(4), seen(9))), lambda: why(_mean_difference(seen(5), seen(5)))),
    ("none_seen", lambda: why(_quantile_figure([math.nan], [0])), lambda: why(_quantile_figure([1.0], [0]))),
    ("few_tasks", lambda: why(_quantile_figure(seen(5), range(5))), lambda: why(_quantile_figure(seen(6), range(6)))),
    ("few_tasks", lambda: why(_quantile_figure(seen(39), range(39), 0.95)), lambda: why(_quantile_figure(seen(40), range(40), 0.95))),
    ("few_moves", lambda: why(_spread_figure([10.0] * 11, seen(11))), lambda: why(_spread_figure([10.0] * 12, seen(12)))),
    ("few_rests", lambda: slopes(4), lambda: slopes(5)),
    ("rests_alike", lambda: slopes(9, alike=True), lambda: slopes(9)),
    ("few_bursts", lambda: why(_delay_figure([], least=1)[0]), lambda: why(measure(ROUTER, LOG).delay_s)),
    ("never_moves", lambda: why(_clustered(0.1, np.zeros(9), np.zeros(9), 0, 0)), lambda: why(_clustered(0.1, np.zeros(9), np.ones(9), 9, 0))),
    # from two thirds of it to half as much again: logarithms 0.405 either way
    ("ramp_hidden", lambda: why(_ramp(Figure(value=0, low=-0.41, high=0.41), 400)), lambda: why(_ramp(Figure(value=0, low=-0.4, high=0.4), 400))),
    ("delay_or_ramp", lambda: near(0.1), lambda: near(1.0)),
    ("misread", lambda: misread(9.0), lambda: misread(0.0)),
    ("position_unknown", lambda: [_refusal(None, True)], lambda: [_refusal("measured", True)]),
    ("position_commanded", lambda: [_refusal("commanded", True)], lambda: [_refusal("counted", True)]),
    ("position_counted", lambda: [_refusal("counted", True)], lambda: [_refusal("commanded", True)]),
    ("log_simulated", lambda: measure(ROUTER, log()).notes, lambda: measure(ROUTER, replace(log(), simulated=False)).notes),
    ("past_turning", lambda: measure(ROUTER, log()).notes, lambda: log().notes),
    # goals of the nudge lie within ±0.025 mm: clicks of 0.05 mm meet all, those of 0.06 mm do not
    ("neither_can", lambda: compared("0.06, 6", "0.08, 8"), lambda: compared("0.06, 6", "0.02, 5")),
    ("clicks_coarse", lambda: tolerances(0.099), lambda: tolerances(0.1)),
    ("on_screen_logs", lambda: on_screen("made on the screen"), lambda: on_screen("made at the machine")),
]  # fmt: skip


@pytest.mark.parametrize("case", FIGURES, ids=lambda case: case[0])
def test_a_finding_of_a_log_or_a_comparison(case: tuple[str, Callable[[], Notes], Callable[[], Notes]]) -> None:
    held(case)


@pytest.mark.parametrize(("goals", "there"), [(True, False), (False, True)])
def test_a_class_without_goals_says_so(goals: bool, there: bool, tmp_path: Path) -> None:
    roster = ["file,person,ladder"]
    for n in range(2):
        rows, _ = make_log(ROUTER, LADDER, seed=n, tasks=6)
        rows = rows if goals else rows.drop(columns=["goal_mm", "tolerance_mm", "marker"])
        (tmp_path / f"{n}.csv").write_text(log_text(rows, seed=n, machine=ROUTER))
        roster.append(f"{n}.csv,pupil {n},")
    (tmp_path / "roster.csv").write_text("\n".join(roster))
    found = compare_class(ROUTER, tmp_path, read_roster(ROUTER, tmp_path / "roster.csv"))
    assert ("class_without_goals" in [note.kind for note in found.notes]) == there


def test_what_was_held_out_is_said() -> None:
    ladder = Ladder.parse("0.02, 0.1, 0.5, 5")
    few, many = (compare(ROUTER, [ladder, Ladder.parse("0.02, 0.2")], [_simulated(tasks)]) for tasks in (3, 24))
    assert "held_out" not in [note.kind for note in few.notes]
    note = next(note for note in many.notes if note.kind == "held_out")
    assert f"{round(100 * note.figures['single_share'])} % off a single one" in whole(note)
    told = next(note for note in many.notes if note.kind == "predicted_by_rule")
    assert "from how you pick rungs (100 % of your rungs explained)" in whole(told)
    assert "predicted_by_rule" not in [note.kind for note in few.notes if few.differences[0].kind != "predicted"]


def _simulated(tasks: int) -> Log:
    rows, _ = make_log(ROUTER, Ladder.parse("0.02, 0.1, 0.5, 5"), seed=3, tasks=tasks)
    return replace(log(), rows=rows)


# ------------------------------------------------------------ readings


def readings(cause: str | Truth, axes: str = "X", seed: int = 0) -> tuple[Note, ...]:
    rows = []
    for name in axes:
        axis = ROUTER.axis(name)
        truth = seeded_truth(cause, axis, seed=seed) if isinstance(cause, str) else cause
        rows += simulate_readings(ROUTER, axis, LADDER, truth, seed=seed)
    return diagnose(ROUTER, rows).notes


def split(within: str) -> Notes:
    """A few readings that two tooth counts explain alike, read to so many mm."""
    turned = ((0, 0), (10, 1.25), (-10, 0.05), (10, 1.25), (-10, 0.05))
    return diagnose(ROUTER, [dict(axis="X", unit="mm", gain="0.1", detents=n, reading=r, within=within) for n, r in turned]).notes


def one_reading_less(less: bool) -> Notes:
    rows = [dict(axis="X", unit="mm", gain="0.1", detents=n, reading=r) for n, r in ((0, 0), (10, 1.0), (-10, 0.05), (10, 1.0), (-10, 0.05))]
    return diagnose(ROUTER, rows[:3] if less else rows).notes


DRIVER = (("X", Truth(mechanics=Fraction(1, 2))), ("Y", Truth()))


def driver() -> Notes:
    rows = [row for name, truth in DRIVER for row in simulate_readings(ROUTER, ROUTER.axis(name), LADDER, truth, seed=1)]
    return diagnose(ROUTER, rows).notes


WAVE = {"wave_mm": 0.4, "period_mm": 40.0}  # once in a turn of the pulley


def swept(**wrong: Any) -> Notes:
    """Read click by click over a turn of the pulley too."""
    return diagnose(ROUTER, simulate_readings(ROUTER, ROUTER.axis("X"), LADDER, Truth(**wrong), seed=0, sweep=True)).notes


def in_order() -> Notes:
    return readings("in order", "XY")


SHOWN: list[tuple[str, Callable[[], Notes], Callable[[], Notes]]] = [
    ("readings_in_order", in_order, lambda: readings("slack")),
    ("causes_found", lambda: readings("slack"), in_order),
    ("causes_split", lambda: split("0.3"), lambda: split("0.01")),
    ("few_readings", lambda: one_reading_less(True), lambda: one_reading_less(False)),
    ("whole_clicks_only", lambda: readings(Truth(counts=Fraction(1, 4)), seed=5), in_order),
    ("check_counts", lambda: readings(Truth(counts=Fraction(1, 4)), seed=5), in_order),
    ("alike_on_every_rung", lambda: readings("counts"), in_order),
    ("check_microsteps", lambda: readings("counts"), in_order),
    ("knob_is_shared", lambda: readings("counts", "XYZ"), driver),
    ("mend_counts", lambda: readings("counts", "XYZ"), driver),
    ("knob_is_well", driver, lambda: readings("counts", "XYZ")),
    ("mend_microsteps", driver, lambda: readings("counts", "XYZ")),
    ("inches_for_mm", lambda: readings("unit"), in_order),
    ("check_unit", lambda: readings("unit"), in_order),
    ("tooth_ratio", lambda: readings("teeth"), in_order),
    ("count_teeth", lambda: readings("teeth"), in_order),
    ("no_usual_ratio", lambda: readings(Truth(mechanics=Fraction(1013, 1000))), in_order),
    ("check_square", lambda: readings(Truth(mechanics=Fraction(1013, 1000))), in_order),
    ("sign_reversed", lambda: readings(Truth(mechanics=Fraction(-1))), in_order),
    ("turn_indicator", lambda: readings(Truth(mechanics=Fraction(-1))), in_order),
    ("stays_behind", lambda: readings("slack"), in_order),
    ("mend_slack", lambda: readings("slack"), in_order),
    ("error_grows", lambda: readings("remainders lost"), in_order),
    ("keep_remainders", lambda: readings("remainders lost"), in_order),
    ("rounds_differ", lambda: readings("lost steps"), in_order),
    ("look_for_slips", lambda: readings("loose clamp"), in_order),
    ("clicks_miscounted", lambda: readings(Truth(miscount="reversal", clicks=-1)), in_order),
    ("count_clicks", lambda: readings(Truth(miscount="first", clicks=1)), in_order),
    ("one_rung_off", lambda: readings(Truth(rung=2, times=Fraction(2))), in_order),
    ("check_entry", lambda: readings(Truth(rung=2, times=Fraction(1, 2))), in_order),
    ("stays_short", lambda: readings(Truth(coupling="load", coupling_mm=0.08)), in_order),
    ("check_coupling", lambda: swept(coupling="reversal", coupling_mm=0.15), in_order),
    ("comes_round", lambda: swept(**WAVE, eccentric=True), lambda: readings(Truth(**WAVE, eccentric=True))),
    ("check_run_out", lambda: swept(**WAVE, eccentric=True), lambda: swept(wave_mm=0.4, period_mm=25.0)),
    ("none_of_these", lambda: readings(Truth(warming_mm=0.03)), lambda: readings(Truth(warming_mm=0.0005))),
    ("try_after_change", in_order, tuple),
]
BENCH_ELSEWHERE = {"movements_typed", "semicolons"}


@pytest.mark.parametrize("case", SHOWN, ids=lambda case: case[0])
def test_what_readings_show(case: tuple[str, Callable[[], Notes], Callable[[], Notes]]) -> None:
    held(case)


def test_every_kind_has_a_case_here_or_with_its_room() -> None:
    here = {kind for kind, *_ in (*FIGURES, *SHOWN)} | {"class_without_goals", "held_out", "predicted_by_rule"}
    named: dict[str, Any] = {kind: [path for path, text in TESTS.items() if f'"{kind}"' in text] for kind in {*_FINDINGS, *_BENCH} - here}
    assert [kind for kind, paths in named.items() if not paths and kind not in BENCH_ELSEWHERE] == []
