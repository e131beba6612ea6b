"""Commissioning: the figures by hand, a table read however it was typed, each fault of a firmware found by its own test.

Decided here: a hard spin begins in mid-travel and may take a third of the reach, as hands run over, 1 s at most and 0.3 s at least, on the coarsest rung
that shows whether clicks are owed; a film is off by a frame of 1/60 s and the rule; ramps pass within 10 %, speeds within 1 % and
what a motor step makes of a row; a slip is decided at half of four full steps.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from jogtune.axis.outstanding import derive_outstanding, stick_top_mm_s
from jogtune.bench.checks import judge_checks
from jogtune.bench.commission import _FIGURES, Commissioning
from jogtune.choose.suggest import suggest
from jogtune.files import InputFault
from jogtune.hand_over.commission import _draw_commissioning
from jogtune.hand_over.data import _checks_to_csv
from jogtune.hand_over.paper import _A4_MM, _text_width
from jogtune.ladder.ladder import Ladder, parse_ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine
from jogtune.words.checks import _CHECK_NOTES, _TESTS, _WHY
from jogtune.words.speak import speak
from places import MACHINES
from random_machines import random_machine
from truths.firmwares import BESIDE, FAULTS, Tried, run
from typed import typed

FILES = [MACHINES / f"{name}.toml" for name in ("inlay_router", "slide_stage", "sign_table")]
ROUTER, STAGE, SIGN = map(read_machine, FILES)


@cache
def asked(machine: Machine) -> Commissioning:
    return Commissioning.of(machine, suggest(machine, by="coverage").ladder)


def axes(machine: Machine, **changes: Any) -> Machine:
    return replace(machine, axes=tuple(replace(axis, **changes) for axis in machine.axes))


def of(found: Commissioning, test: str, axis: str = "X", position: int | None = None) -> Any:
    return next(one for one in found.checks if (one.test, one.axis) == (test, axis) and position in (None, one.position))


# ------------------------------------------------------------ figures


def test_the_figures_of_the_router_by_hand() -> None:
    """100 mm/s, 400 mm/s², a report each 40 ms heard 5 ms later, 12 mm of run-on allowed: V = −16 + √(16² + 800 · 7) = 60.53 mm/s
    and L = V²/800 + 0.04 V + 5 = 12 mm."""
    found = Commissioning.of(axes(ROUTER, run_on_mm=12.0), Ladder.parse("0.02, 0.2, 2, 5"))
    top = -16 + math.sqrt(16**2 + 800 * 7)
    brake, heard, film = top**2 / 800, top * 0.045, top / 60 + 0.5
    assert of(found, "1", position=4).predicted == pytest.approx(50.0)
    assert (of(found, "2").predicted, of(found, "2").clicks, of(found, "2").back) == (0.0, 100, (3, 1))
    assert of(found, "3").predicted == pytest.approx(2.5)
    assert of(found, "3").predicted + of(found, "3").allowance == 4  # (0.05 + 0.01 + 0.0125) / 0.02 = 3.6
    assert [of(found, "4", position=n).rule for n in (1, 2, 3, 4)] == ["within"] * 3 + ["grid"]
    assert of(found, "5a").predicted == pytest.approx(12 + heard)
    assert of(found, "5a").allowance == pytest.approx(film)
    assert of(found, "5a").free_mm == 200.0  # 40/s · 5 mm · 1 s
    assert of(found, "6b").predicted == pytest.approx(12 + brake + heard)
    assert of(found, "7a").predicted == pytest.approx(top)
    assert (of(found, "7b").predicted, of(found, "7b").allowance) == (400, 40)
    assert of(found, "8a").predicted == pytest.approx(2000 / 60)
    assert of(found, "9c").predicted == 5.0
    assert of(found, "10a").predicted == pytest.approx(12)  # the stick's top speed is made for it
    assert (of(found, "11").gain_mm, of(found, "11").predicted) == (2, 48)  # 5 mm keeps up to 9.9/s at 80 ms, not to 12
    assert of(found, "12a").before_mm == pytest.approx(12 + 2 * brake)
    assert of(found, "13").allowance == pytest.approx(0.4)  # half of four full steps of 0.2 mm


def test_no_part_of_a_test_is_left_out_without_a_word() -> None:
    drops = axes(replace(ROUTER, firmware=replace(ROUTER.firmware, remainder="drop"), stick=None), run_on_mm=12.0)
    for ladder, part in (("0.02, 2.01", True), ("0.0125, 2", False)):  # 2.01 mm are 160.8 steps
        found = Commissioning.of(drops, Ladder.parse(ladder))
        left = {test for note in found.left_out if "X" in note.where.axes for test in note.figures["tests"]}
        assert ("5b" in left) == part
        assert "8b" in left
        assert {one.test for one in found.checks if one.axis == "X"} | left >= {"5a", "5b", "8a", "8b"}


def test_thirty_good_returns_say_what_the_sheet_says() -> None:
    most = 100 * (1 - 0.05 ** (1 / 60))  # of 60 moves none slipped, 95 % sure
    assert round(most, 1) == 4.9
    assert "4.9 %" in _TESTS["13"][2]


def test_a_spin_has_room_even_where_the_firmware_owes_it_all() -> None:
    for machine in (ROUTER, STAGE, SIGN, *map(random_machine, range(300, 302))):
        spins = [one for one in asked(machine).checks if one.seconds]
        assert spins
        for one in spins:
            assert one.free_mm == pytest.approx(machine.knob.fastest_detents_s * one.gain_mm * one.seconds)
            assert one.free_mm <= machine.axis(one.axis).reach_mm / 3
            assert 0.3 <= one.seconds <= 1
    short = Commissioning.of(axes(ROUTER, reach_mm=40.0), Ladder.parse("0.02, 0.2, 2, 5"))
    assert (of(short, "5a").gain_mm, of(short, "5a").seconds) != (5, 1)


LEFT: list[tuple[str, Callable[[], Machine], Callable[[], Machine]]] = [
    ("no_stick", lambda: replace(ROUTER, stick=None), lambda: ROUTER),
    ("no_calm_speed", lambda: axes(ROUTER, calm_speed_mm_s=None), lambda: ROUTER),
    ("calm_is_top", lambda: axes(ROUTER, calm_speed_mm_s=100.0), lambda: ROUTER),
    ("increments", lambda: replace(ROUTER, link=replace(ROUTER.link, counts="increments")), lambda: ROUTER),
    ("drops", lambda: replace(ROUTER, firmware=replace(ROUTER.firmware, remainder="drop")), lambda: ROUTER),
    ("few_rows", lambda: axes(ROUTER, ramp_mm_s2=4000.0), lambda: replace(ROUTER, axes=ROUTER.axes[:1])),
    ("below_top", lambda: axes(ROUTER, jog_limit_mm=5.5), lambda: ROUTER),
    ("dead", lambda: axes(ROUTER, jog_limit_mm=4.9), lambda: axes(ROUTER, jog_limit_mm=5.0)),
    ("no_room", lambda: axes(ROUTER, reach_mm=0.5), lambda: ROUTER),
]


@pytest.mark.parametrize(("why", "over", "under"), LEFT, ids=[case[0] for case in LEFT])
def test_what_does_not_apply_is_left_out_with_a_word(why: str, over: Callable[[], Machine], under: Callable[[], Machine]) -> None:
    ladder = Ladder.parse("0.02, 0.2, 2, 5")
    there, gone = (Commissioning.of(machine(), ladder) for machine in (over, under))
    (note,) = [note for note in there.left_out if note.figures["why"] == why][:1]
    assert why not in [note.figures["why"] for note in gone.left_out]
    assert speak(note).startswith(f"Ax{'is' if len(note.where.axes) == 1 else 'es'} {note.where.axes[0]}")
    tests = {one.test.rstrip("abc") for one in there.checks if one.axis == note.where.axes[0]}
    assert why in ("dead", "few_rows", "below_top") or not tests & set(note.figures["tests"])


def test_one_rung_leaves_out_the_remainders() -> None:
    assert "one_rung" in [note.figures["why"] for note in Commissioning.of(ROUTER, Ladder.parse("0.02")).left_out]
    assert {why for why, *_ in LEFT} | {"one_rung"} == {*_WHY, "dead"}


# ------------------------------------------------------------ firmwares


def tried(machines: Sequence[Machine], faults: Sequence[str], seeds: Sequence[int] = (1,)) -> dict[tuple[str, str, int], tuple[Machine, list[tuple[Any, float]]]]:
    """What a person reads on each machine with each fault."""
    made = []
    for machine in machines:
        found = asked(machine)
        for axis in machine.axes:
            set_ = derive_outstanding(machine, axis, found.ladder)
            top = min(set_.used_top_mm_s, axis.top_speed_mm_s)
            stick = min(stick_top_mm_s(machine, axis), top)
            made += [(machine, fault, seed, Tried(machine, axis, found.checks, set_.used_limit_mm, top, stick, fault, seed))
                     for fault in faults for seed in seeds]  # fmt: skip
    run([lane for *_, one in made for lane in one.lanes.values()])
    read: dict[tuple[str, str, int], tuple[Machine, list[tuple[Any, float]]]] = {}
    for machine, fault, seed, one in made:
        read.setdefault((machine.name, fault, seed), (machine, []))[1].extend(one.read())
    return read


def fails(read: Sequence[tuple[Any, float]]) -> set[str]:
    return {check.test.rstrip("abc") for check, value in read if not check.passes(value)}


def shows(machine: Machine, fault: str) -> bool:
    """Whether the machine has what the fault is in."""
    if fault == "drops remainders":
        return machine.firmware.remainder != "drop"
    if "stick" in fault:
        return machine.stick is not None
    return FAULTS[fault] in {one.test.rstrip("abc") for one in asked(machine).checks}


def test_each_fault_of_a_firmware_fails_its_own_test_and_a_sound_one_passes_all() -> None:
    assert set(FAULTS.values()) == set(_TESTS)
    shown = set()
    for (_, fault, _), (machine, read) in tried([ROUTER], ["", *FAULTS]).items():
        if not fault:
            assert fails(read) == set()
        elif shows(machine, fault):
            shown.add(fault)
            assert {FAULTS[fault]} <= fails(read) <= {FAULTS[fault]} | BESIDE.get(fault, set()), (machine.name, fault)
    assert shown == set(FAULTS)


def test_a_sound_firmware_passes_on_random_machines() -> None:
    for (name, *_), (_, read) in tried([random_machine(seed) for seed in range(301, 304)], [""]).items():
        assert fails(read) == set(), name


@pytest.mark.heavy
def test_sound_firmwares_pass_on_many_machines() -> None:
    counts = [0, 0]
    for seeds in (range(300, 310), range(310, 320)):
        machines = [*([ROUTER, STAGE, SIGN] if seeds[0] == 300 else []), *map(random_machine, seeds)]
        for (name, _, seed), (_, read) in tried(machines, [""], range(10)).items():
            assert fails(read) == set(), (name, seed)
            counts = [counts[0] + 1, counts[1] + len(read)]
    print(f"{counts[0]} sound benches of 23 machines: {counts[1]:,} figures, all pass")


@pytest.mark.heavy
def test_each_fault_is_found_with_other_hands() -> None:
    found = tried([ROUTER, STAGE, SIGN], list(FAULTS), range(8))
    right = [{FAULTS[fault]} <= fails(read) <= {FAULTS[fault]} | BESIDE.get(fault, set())
             for (_, fault, _), (machine, read) in found.items() if shows(machine, fault)]  # fmt: skip
    print(f"{sum(right)} of {len(right)} faulty benches: the right test fails, the others pass")
    assert all(right)


# ------------------------------------------------------------ the table


def filled(found: Commissioning, values: dict[Any, Any], folder: Path, **head: str) -> Path:
    """The table with figures typed in, by (test, axis, position); None leaves all at what is predicted."""
    table = list(csv.reader(io.StringIO(_checks_to_csv(found))))
    checks = {(one.test, one.axis, str(one.position)): one for one in found.checks}
    for row in table[3:]:
        one = checks[row[0], row[1].removeprefix("'"), row[2]]
        value = values.get((one.test, one.axis, one.position), values.get("all"))
        row[7] = one.shown(0 if one.rule == "grid" else one.predicted) if value == "as predicted" else "" if value is None else str(value)
        row[8:10] = ["Ines", "2026-03-02"]
    path = folder / "checks.csv"
    stream = io.StringIO()
    csv.writer(stream, delimiter=head.get("apart", ",")).writerows(table)
    path.write_text(stream.getvalue(), encoding="utf-8")
    return path


def test_what_was_read_comes_back_judged(tmp_path: Path) -> None:
    found = asked(ROUTER)
    path = filled(found, {"all": "as predicted", ("5a", "X", 4): "44,5", ("13", "Z", 1): "", ("8b", "X", 4): "fail"}, tmp_path)
    judged = judge_checks(ROUTER, path)
    assert judged.asked == found
    assert (judged.verdict, judged.tests["5"], judged.tests["8"], judged.tests["13"], judged.tests["1"]) == ("fail", "fail", "fail", "not done", "pass")
    assert {one.check.test for one in judged.figures if one.verdict == "fail"} == {"5a", "8b"}
    answer = str(judged)
    assert "44.5 mm, should be at most" in answer
    assert answer.index("5. Spin hard") < answer.index("Pass: ")
    assert "no safety approval" in answer
    record = json.loads(judged.to_json())
    assert (record["sha256"], record["sheet_sha256"], record["verdict"]) == (ROUTER.sha256, ROUTER.sha256, "fail")
    assert len(record["figures"]) == len(found.checks)
    bad = next(one for one in record["figures"] if one["test"] == "5a" and one["axis"] == "X")
    assert (bad["measured"], bad["verdict"], bad["done_by"], bad["date"]) == (44.5, "fail", "Ines", "2026-03-02")


@pytest.mark.parametrize("machine", [ROUTER, STAGE, SIGN], ids=lambda machine: machine.name)
def test_all_as_predicted_passes_in_the_persons_unit(machine: Machine, tmp_path: Path) -> None:
    assert judge_checks(machine, filled(asked(machine), {"all": "as predicted"}, tmp_path)).verdict == "pass"
    assert judge_checks(machine, filled(asked(machine), {}, tmp_path)).verdict == "not done"
    assert parse_ladder(asked(machine).ladder.say(), machine) == asked(machine).ladder


@pytest.mark.parametrize("text", ["14,2", "14.2", " 14.2 mm ", "+14.2"])
def test_a_figure_is_read_however_it_was_typed(text: str, tmp_path: Path) -> None:
    for apart in ",;\t":
        path = filled(asked(ROUTER), {("5a", "X", 4): text}, tmp_path, apart=apart)
        (figure,) = [one for one in judge_checks(ROUTER, path).figures if one.verdict != "not done"]
        assert figure.measured == pytest.approx(14.2)


@pytest.mark.parametrize("text", ["", " ", "not done", "Not Done", "n/a", "-"])
def test_what_was_not_done_is_not_done(text: str, tmp_path: Path) -> None:
    assert judge_checks(ROUTER, filled(asked(ROUTER), {"all": text}, tmp_path)).verdict == "not done"


def test_an_edge_passes_and_what_lies_past_it_fails(tmp_path: Path) -> None:
    one = of(asked(ROUTER), "5a")
    for over, verdict in ((-1e-6, "pass"), (1e-6, "fail")):
        path = filled(asked(ROUTER), {("5a", "X", 4): one.predicted + one.allowance + over}, tmp_path)
        assert judge_checks(ROUTER, path).tests["5"] != ("pass" if verdict == "fail" else "fail")
        assert next(f for f in judge_checks(ROUTER, path).figures if f.check == one).verdict == verdict


@pytest.mark.parametrize(("clicks", "verdict"), [(28, "pass"), (0, "pass"), (3.5, "fail"), (-1, "fail")])
def test_whole_clicks_pass_and_parts_do_not(clicks: float, verdict: str, tmp_path: Path) -> None:
    path = filled(asked(ROUTER), {("5b", "X", 4): clicks * 5}, tmp_path)
    assert next(f for f in judge_checks(ROUTER, path).figures if f.check.test == "5b").verdict == verdict


def test_every_bad_cell_is_told_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cells = {("5a", "X", 4): "about 14", ("5a", "Y", 4): "-3", ("9b", "X", 4): "nan", ("1", "X", 1): "1e3", ("1", "X", 2): "ok"}
    with pytest.raises(InputFault) as raised:
        judge_checks(ROUTER, filled(asked(ROUTER), cells, tmp_path))
    said = [str(fault) for fault in raised.value.faults]
    assert len(said) == 5
    assert said[0] == ('line 4: test 1, X, 1: measured = "1e3": must be a number of mm, empty, "not done" or "fail": write what was measured')
    assert any('measured = "-3": must be 0 or more: leave out the sign' in text for text in said)
    with pytest.raises(InputFault):
        typed("checks", str(tmp_path / "checks.csv"), "--machine", str(FILES[0]))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda text: text.replace("measured", "found"), "has no column measured (found: "),
        (lambda text: re.sub(r"sheet,,,ladder.*\n", "", text), "has no row sheet, ladder: keep the first rows"),
        (lambda text: text.replace("\n5a,X", "\n5z,X"), "is no figure of inlay router with this ladder"),
        (lambda text: text + "5a,X,4,run-on,1,1,mm,3,,,\n", "stands twice: keep one"),
        (lambda text: text + "5a,X,4,run-on,1,1,mm,3,5,,,,\n", 'has more cells than the head'),
        (lambda text: text + '5a,X,"4', "is not readable as CSV"),
        (lambda text: "", "has no column test"),
    ],
)  # fmt: skip
def test_a_table_that_is_none_is_refused(change: Callable[[str], str], said: str, tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(change(_checks_to_csv(asked(ROUTER))))
    with pytest.raises(InputFault, match=re.escape(said)):
        judge_checks(ROUTER, path)


def test_a_sheet_of_another_machine_file_is_told_not_refused(tmp_path: Path) -> None:
    path = filled(asked(ROUTER), {}, tmp_path)
    kinds = [[note.kind for note in judge_checks(machine, path).notes] for machine in (ROUTER, replace(ROUTER, sha256="0" * 64))]
    assert ["checks_of_another_file" in one for one in kinds] == [False, True]
    assert {"checks_are_evidence"} <= set(kinds[0])


def test_every_sentence_has_its_case(tmp_path: Path) -> None:
    path = filled(asked(ROUTER), {"all": "fail"}, tmp_path)
    notes = judge_checks(replace(ROUTER, sha256="0"), path).notes
    assert set(_CHECK_NOTES) <= {note.kind for note in notes}
    assert "try_after_change" in {note.kind for note in notes}
    assert all(re.match(r"^[A-Z].*\.$", speak(note)) and not re.search(r"[{}]|None|nan", speak(note)) for note in notes)
    good = judge_checks(ROUTER, filled(asked(ROUTER), {}, tmp_path)).notes
    assert {"check_failed", "try_after_change"} & {note.kind for note in good} == set()


def test_no_cell_is_a_formula() -> None:
    risky = replace(ROUTER, axes=(replace(ROUTER.axes[0], name="=X"),), source="/a/=cmd.toml")
    rows = list(csv.reader(io.StringIO(_checks_to_csv(Commissioning.of(risky, Ladder.parse("0.02, 0.2"))))))
    assert all(not cell.startswith(("=", "+", "@")) for row in rows for cell in row)
    assert {row[1] for row in rows[3:]} == {"'=X"}


def test_the_table_of_a_named_formula_axis_is_read_again(tmp_path: Path) -> None:
    risky = replace(ROUTER, axes=(replace(ROUTER.axes[0], name="=X"),), tasks=())
    found = Commissioning.of(risky, Ladder.parse("0.02, 0.2"))
    assert judge_checks(risky, filled(found, {"all": "as predicted"}, tmp_path)).verdict == "pass"


# ------------------------------------------------------------ the sheet


@pytest.mark.parametrize("machine", [ROUTER, STAGE, SIGN, *map(random_machine, range(300, 304))], ids=lambda machine: machine.name)
def test_the_sheet_is_a_few_pages_and_nothing_is_cut(machine: Machine) -> None:
    pages = _draw_commissioning(asked(machine))
    assert len(pages) <= 4
    for page in pages:
        texts = page.axes[0].texts
        for text in texts:
            x, y = text.get_position()
            size = text.get_fontsize() * 25.4 / 72
            wide = _text_width(text.get_text(), size, bold=text.get_weight() == "bold")
            left = x - wide if text.get_ha() == "right" else x
            assert left >= 14
            assert left + wide <= _A4_MM[0] - 14
            assert 8 <= y <= _A4_MM[1] - 8
        boxes = sorted((t.get_position()[1], t.get_position()[0]) for t in texts if t.get_va() == "top")
        assert len(boxes) == len(set(boxes)), "two texts in one place"


def test_the_sheet_says_each_test_once_and_whose_file_it_is() -> None:
    said = [text.get_text() for page in _draw_commissioning(asked(ROUTER)) for text in page.axes[0].texts]
    for number, (name, *_) in _TESTS.items():
        assert said.count(f"{number}. {name}") == 1
    assert f"Machine file inlay_router.toml, SHA-256 {ROUTER.sha256}" in said
    assert sum(text.startswith("This is evidence of what was tried, no safety approval") for text in said) == len(_draw_commissioning(asked(ROUTER)))
    assert "X, position 4: 5 mm, 1 s of spin, free 200 mm" in [text.replace("\u00a0", " ") for text in said]
    assert {one.test for one in asked(ROUTER).checks} == set(_FIGURES)


def test_the_commands_write_and_judge(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet, table = tmp_path / "sheet.pdf", tmp_path / "checks.csv"
    assert typed("export", str(FILES[0]), "--ladder", "0.02,0.1,0.5,5", "--commissioning", str(sheet), "--checks", str(table)) == 0
    assert sheet.read_bytes().startswith(b"%PDF")
    capsys.readouterr()
    assert typed("checks", str(table), "--machine", str(FILES[0])) == 0
    assert "Not done: 1, 2, 3" in capsys.readouterr().out
    assert typed("checks", str(table), "--machine", str(FILES[0]), "--json") == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "not done"


@pytest.mark.parametrize("machine", [ROUTER, STAGE, SIGN], ids=lambda machine: machine.name)
def test_a_test_is_kept_on_one_page(machine: Machine) -> None:
    for page in _draw_commissioning(asked(machine)):
        said = [text.get_text() for text in page.axes[0].texts]
        titles = {text.split(".")[0] for text in said if re.match(r"\d+\. ", text)}
        labels = {re.match(r"\d+", text)[0] for text in said if re.match(r"\d+[abc]? [a-z]", text)}  # type: ignore[index]
        assert titles == labels


def test_a_test_too_long_for_a_page_goes_on_on_the_next() -> None:
    ladder = Ladder.parse(", ".join(f"{n / 50}" for n in range(1, 31)))
    pages = _draw_commissioning(Commissioning.of(replace(ROUTER, axes=ROUTER.axes[:1]), ladder))
    cells = [text.get_position()[1] for page in pages for text in page.axes[0].texts if text.get_text().startswith("X,\u00a0position")]
    assert len(cells) > 60
    assert min(cells) > 24  # the foot begins there
