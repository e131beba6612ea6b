"""Ladders held against each other: truth recovered, nothing claimed that isn't there.

Decisions that these tests hold:

- A *burst* ends at a pause over 0.25 s (and 2.5 report intervals), unless slow even turning explains it. All thresholds are
  in `Thresholds`.
- Distance per click and slack: least squares of rest positions on clicks × gain and on the side last approached from. Each
  stretch (rests between which no click can have been lost) has its own offset; a new one begins where clicks may be lost or
  position jumped. Where errors pile up (Durbin-Watson below 1) differences are fitted instead, and that is said.
- Delay: measured movement correlated with what the axis should have made of the clicks; each burst is one observation
  (clustered interval).
- Spread: exact likelihood of whole clicks turned; likelihood-ratio interval. Median turn rate: interpolated order statistics;
  other quantiles: plain order statistics (at least 95 %).
- Nothing is said of the machine from commanded or counted position, except run-on by the controller's own count.
- Compare: two measured ladders as in `test_times.py`. A ladder is recognised by `# ladder A: ...` lines and markers, else by
  the rungs used; goals marked "practice" don't count. Rows that are missing while the axis moves elsewhere (a sitting cut into
  a log per ladder) end the rest before them.
- Compare predicts by the person's own rule, *the coarsest rung with so many clicks left*: the count that explains most of the
  rungs taken, in simulated goes; where it explains under 80 %, half of it is a good use of each ladder (2, 4 or 8 clicks left).
  Best use alone exaggerates (bias +5 to +11 points, RMS 12 to 14): people take 1.2 to 1.5 times as long, unlike on each ladder.
- A log is credited to the ladder told, named by marker or by its line `# ladder: ...`, else to one whose rungs are exactly those
  used. Of more than 12 ladders each is held against the fastest only: 499,500 pairs of 1,000 tell nobody anything.
- The replay follows `jog_limit` (where `when_full` is "drop"), else `queue`; a queue is followed report by report.
- Cost: a log like the shipped one takes about 0.1 s of processor time to read and measure; 1 GB in parts peaks at 452 MB; 200
  logs on two cores took 26 s on a busy machine.
- Guessing: a count whose changes all are multiples of 2, 4 or 8 sets `counts_per_detent` only from 20 changes on (by chance
  2⁻²⁰ at most, were odd and even equally likely); from 8 on it is a remark. Whole numbers 0 to 12 look like a selector's
  positions. Both thresholds are our choice.
- A log in which at least 98 % of its first rows move reports only changes: a gap that ends in a usual step (at most three
  times the median, plus one) is a rest. Our choice.
- `pairs` logs (`T=12454 C=4`) are always read line by line.
- Rows left out are summed over the parts of a log, at most 20 kept as examples; a log of which no row could be read is a
  fault, one without rows is not.
- A task's start and end are its own first and last burst's positions: unknown stays unknown (pandas' `first` and `last` skip
  NaN and would take another burst's). Without a start the position at which the goal was shown counts.
- Smoothness needs 20 rows a second (twice the 10 Hz cut-off), 9 even rows and a counted or measured position; noise of the
  position counts as roughness. It is in the JSON only.
- `let_minus_through` sets argparse's private `_negative_number_matcher`, or `--ladder -1,2` would be taken for an option.
"""

from __future__ import annotations

import importlib
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from fractions import Fraction
from functools import cache

import numpy as np
import pandas as pd
import pytest

from jogtune.axis.pursuit import _pursue_once
from jogtune.axis.row import rows as machine_rows
from jogtune.cli.main import main
from jogtune.files import InputFault
from jogtune.ladder.ladder import Ladder, parse_ladder
from jogtune.logs.read import read_log
from jogtune.machine.file import read_machine
from jogtune.measure import classroom
from jogtune.measure.classroom import compare_class, read_roster
from jogtune.measure.compare import compare
from jogtune.measure.predict import _replay_turns
from jogtune.measure.times import _NEAR_SHARE, Difference, _compare_times
from jogtune.words.compare import COMPARISON, _class_answer, _comparison_answer, _comparison_json, _why
from jogtune.words.speak import speak, spoken
from places import MACHINES, ROOT
from truths.sessions import Person, log_text, make_class, make_log, make_sitting
from typed import typed

ROUTER_FILE = MACHINES / "inlay_router.toml"
ROUTER = read_machine(ROUTER_FILE)
SHIPPED = ROOT / "datasets" / "logs" / "inlay_router_simulated.csv"
GOOD = Ladder.from_gains([Fraction(1, 50), Fraction(1, 10), Fraction(1, 2), Fraction(5)])
POOR = Ladder.from_gains([Fraction(1, 50), Fraction(1, 5)])
PERSON = Person(hurried=0.0)


def write_simulated(path, ladder, *, seed, tasks=24, person=PERSON, label="simulated person"):
    rows, _ = make_log(ROUTER, ladder, seed=seed, tasks=tasks, person=person, label=label)
    path.write_text(log_text(rows, seed=seed, machine=ROUTER))
    return path


# ------------------------------------------------------------------ same turns, other ladder


def test_replayed_run_on_is_that_of_the_axis_itself():
    """One burst, stepped report by report with the pursuit for single numbers."""
    rows = pd.DataFrame({"time_s": np.arange(1, 26) * 0.04, "axis": "X", "detents": [1] * 25, "gain_mm": 0.5})
    table = _replay_turns(ROUTER, rows, [GOOD, POOR])
    axis = ROUTER.axis("X")
    for index, gain in ((2, 0.5), (5, 0.2)):  # the third rung of the one, the second of the other
        x = v = target = 0.0
        for _ in range(24):
            target += gain
            x, v = _pursue_once(x, v, target, axis.top_speed_mm_s, axis.ramp_mm_s2, 0.04)
        ran_on = target + gain - x
        assert (table["clicks"][index], table["position"][index]) == (25, 3 if index == 2 else 2)
        assert table["replayed_mm"][index] == pytest.approx(ran_on, rel=1e-9)
    assert table["replayed_mm"].notna().sum() == 2


def test_outrunning_loses_clicks_only_where_the_ladder_is_coarse():
    rows = pd.DataFrame({"time_s": np.arange(1, 51) * 0.04, "axis": "X", "detents": [2] * 50, "gain_mm": 5.0})
    free = replace(ROUTER, firmware=replace(ROUTER.firmware, queue=None))
    table = _replay_turns(free, rows, [GOOD, POOR]).groupby("ladder").sum(numeric_only=True)
    assert table["lost_detents"][0] > 0
    assert table["lost_detents"][1] == 0
    assert table["at_ceiling_s"][0] > table["at_ceiling_s"][1]


def with_firmware(limit_mm=None, **firmware):
    axes = tuple(replace(axis, jog_limit_mm=limit_mm) for axis in ROUTER.axes)
    return replace(ROUTER, axes=axes, firmware=replace(ROUTER.firmware, **firmware))


def test_the_replay_follows_limit_and_queue_of_the_machine_file():
    """Two clicks of 5 mm a report outrun X: owed they pile up to hundreds of mm; a limit that drops holds them within it, a
    queue of two moves that discards within two reports' clicks. A limit that keeps clicks is none."""
    rows = pd.DataFrame({"time_s": np.arange(1, 51) * 0.04, "axis": "X", "detents": [2] * 50, "gain_mm": 5.0})

    def ran(machine):
        table = _replay_turns(machine, rows, [GOOD])
        return table["replayed_mm"].max(), table["lost_detents"].sum()

    owed, limited = ran(with_firmware(queue=None)), ran(with_firmware(12.0, queue=None, when_full="drop"))
    assert owed[0] > 250
    assert limited[0] <= 12.0 + 1e-9
    assert limited[1] > 0
    assert ran(with_firmware(12.0, queue=None, when_full="wait")) == owed
    queued = ran(with_firmware(queue=2, when_full="drop"))
    assert queued[0] <= 20.0 + 1e-9
    assert queued[1] > 0
    assert ran(with_firmware(queue=2))[1] == 0


def test_a_rung_keeps_its_run_on_whatever_the_log_saw(tmp_path):
    """A log of fine turning says nothing of the coarse rung: its figure stays that of the machine file, and it is said."""
    rows = pd.DataFrame({"time_s": np.arange(1, 26) * 0.04, "axis": "X", "detents": [1] * 25, "gain_mm": 0.02})
    rows.to_csv(tmp_path / "log.csv", index=False)
    coarse = parse_ladder("0.02, 50", ROUTER)
    answer, alone = (compare(ROUTER, [coarse, GOOD], logs) for logs in ([read_log(tmp_path / "log.csv")], []))
    assert answer.ladders[0].run_on_mm == alone.ladders[0].run_on_mm > 300
    table = answer.run_on.query("ladder == 0 and axis == 'X'").set_index("position")
    filed = {row.position: row.run_on_mm for row in machine_rows(ROUTER, coarse) if row.axis == "X"}
    assert table["run_on_mm"].to_dict() == filed
    assert table["clicks"].to_dict() == {1: 25, 2: 0}
    assert table["difference_mm"][1] == pytest.approx(table["replayed_mm"][1] - filed[1], abs=1e-9)
    assert np.isnan(table["replayed_mm"][2])
    noted = [note for note in answer.notes if note.kind == "rungs_without_clicks"]
    assert [note.where.positions for note in noted] == [(2,), (2, 3, 4)]
    assert "no click of the logs maps to position 2;" in speak(noted[0])
    assert "replayed_mm" in COMPARISON["table"](answer)
    assert {"replayed_mm", "run_on_mm", "clicks"} <= set(_comparison_json(answer)["run_on"][0])


def test_a_farther_run_on_of_the_log_counts():
    answer = compare(ROUTER, [GOOD, POOR], [read_log(SHIPPED)])
    assert answer.ladders[0].run_on_mm == answer.run_on.query("ladder == 0")["replayed_mm"].max()
    assert answer.ladders[0].run_on_mm > answer.run_on.query("ladder == 0")["run_on_mm"].max()


def test_under_a_queue_the_fastest_of_many_are_replayed(monkeypatch):
    log, coarse = read_log(SHIPPED), parse_ladder("0.02, 0.04", ROUTER)
    every = compare(ROUTER, [coarse, GOOD], [log])
    monkeypatch.setattr(sys.modules["jogtune.measure.compare"], "_MOST_QUEUES", 1)
    few = compare(ROUTER, [coarse, GOOD], [log])
    assert [one.lost_detents for one in few.ladders] == [None, every.ladders[1].lost_detents]
    pd.testing.assert_frame_equal(few.run_on.query("ladder == 1"), every.run_on.query("ladder == 1"))
    assert few.run_on.query("ladder == 0")[["replayed_mm", "clicks"]].isna().all(axis=None)
    assert any(note.kind == "fastest_replayed" for note in few.notes) > any(note.kind == "fastest_replayed" for note in every.notes)
    assert any("only the 1 fastest of the 2 ladders" in text for text in spoken(few.notes))
    limited = compare(replace(ROUTER, firmware=replace(ROUTER.firmware, queue=None)), [coarse, GOOD], [log])
    assert limited.run_on.query("axis == 'X'")["clicks"].notna().all()


# ------------------------------------------------------------------ logs in, answer out


@pytest.fixture(scope="module")
def two_logs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("two")
    return [read_log(write_simulated(folder / f"{n}.csv", ladder, seed=n, tasks=36))
            for n, ladder in enumerate((GOOD, POOR))]  # fmt: skip


def test_two_logs_of_one_person_one_after_the_other_are_no_verdict(two_logs):
    answer = compare(ROUTER, [GOOD, POOR], two_logs)
    difference = answer.differences[0]
    assert (difference.kind, difference.verdict, difference.advice) == ("measured", "practice_unclear", "change_often")
    assert "how_to_tell" in [note.kind for note in answer.notes]
    assert answer.simulated
    assert "logs_simulated" in [note.kind for note in answer.remarks]
    assert [result.measured.count for result in answer.ladders] == [36, 36]


FOURS = [n // 4 % 2 for n in range(40)]


def cut(folder, which, *, ladders=(GOOD, POOR), people=1, seed=0, **how):
    """Sittings cut into a log per ladder: the logs of all people, and their paths."""
    for n in range(people):
        order = [1 - i for i in which] if n % 2 else which
        for i, rows in enumerate(make_sitting(ROUTER, ladders, order, seed=seed + n, label=f"simulated {n}", **how)):
            (folder / f"{n}_{i}.csv").write_text(log_text(rows, seed=seed + n, machine=ROUTER))
            yield read_log(folder / f"{n}_{i}.csv")


def test_a_sitting_cut_into_two_logs_keeps_every_goal_and_its_order(tmp_path):
    """One person, ten runs of four: the poor ladder takes more than half as long again, and practice can't feign it."""
    answer = compare(ROUTER, [GOOD, POOR], [*cut(tmp_path, FOURS, fall=0.3)])
    assert [result.measured.count for result in answer.ladders] == [20, 20]
    (one,) = answer.differences
    assert (one.faster, one.people) == (0, 1)
    assert one.practice_share < 0.02
    assert "as measured with 1 person alone" in speak(answer.notes[0])


@pytest.mark.heavy
def test_people_who_improve_name_no_winner_end_to_end(tmp_path, capsys):
    """Six classes of six, 32 goals in runs of four, logs read and measured: a ladder against itself, and against a better."""
    told = {}
    for name, ladders in {"alike": (GOOD, GOOD), "unlike": (GOOD, POOR)}.items():
        told[name] = []
        for seed in range(6):
            logs = [*cut(tmp_path, FOURS[:32], ladders=ladders, people=6, seed=100 * seed, fall=0.3)]
            tasks = compare(ROUTER, ladders, logs).tasks
            own = tasks.assign(ladder=tasks["source"].str.endswith("_1.csv").astype(int))
            assert len(own) == 6 * 32
            told[name].append(_compare_times(own).faster)
    with capsys.disabled():
        print(f"\nalike: {sum(one is not None for one in told['alike'])} of 6 told apart; unlike: {told['unlike'].count(0)} of 6 found", end="")
    assert sum(one is not None for one in told["alike"]) <= 2  # 5 %: three of six once in 450
    assert told["unlike"].count(0) >= 5
    assert told["unlike"].count(1) == 0


def test_prediction_for_a_ladder_nobody_used(two_logs):
    """The better ladder from the poor one's log alone: predicted faster, as the simulated people found."""
    answer = compare(ROUTER, [GOOD, POOR], two_logs[1:])
    difference = answer.differences[0]
    assert (difference.kind, difference.faster) == ("predicted", 0)
    assert 0 < answer.held_out_error < 1
    good, poor = answer.ladders
    assert good.low < good.expected_time_s < good.high
    assert good.expected_time_s < poor.expected_time_s
    assert poor.expected_time_s == pytest.approx(poor.measured.value, rel=0.02)


def test_two_logs_of_one_ladder_are_not_told_apart(tmp_path):
    logs = [read_log(write_simulated(tmp_path / f"{n}.csv", GOOD, seed=50 + n)) for n in range(2)]
    table = compare(ROUTER, [GOOD, POOR], logs).tasks
    halves = table.assign(ladder=(table["source"] == logs[1].source).astype(int))
    assert _compare_times(halves).faster is None


def test_ladders_named_in_the_log_go_by_its_markers(tmp_path):
    """As the on-screen knob writes them: two ladders in one log, told apart by markers."""
    rows, _ = make_log(ROUTER, GOOD, seed=3, tasks=18, person=PERSON)
    first = rows["goal_mm"].notna() & (rows["marker"] != "")
    letter = np.where(np.arange(first.sum()) % 2 == 0, "A", "B")
    rows.loc[first, "marker"] = [f"goal shown: {n}, cross, ladder {x}" for n, x in enumerate(letter)]
    text = log_text(rows, seed=3, machine=ROUTER, position="commanded")
    text = f"# ladder A: {GOOD.say()}\n# ladder B: {POOR.say()}\n" + text
    (tmp_path / "log.csv").write_text(text)
    answer = compare(ROUTER, [GOOD, POOR], [read_log(tmp_path / "log.csv")])
    assert [result.measured.count for result in answer.ladders] == [9, 9]


@pytest.mark.parametrize(("head", "credited"), [("", 0), (f"# ladder: {GOOD.say()}\n", 0), ("# ladder: 0.02, 0.1, 0.5, 5, 8 mm\n", -1)])
def test_a_log_is_credited_only_to_the_ladder_it_was_made_with(tmp_path, head, credited):
    """A richer ladder holds all rungs of the log too, and is not what people turned; the log's own word counts most."""
    rows, _ = make_log(ROUTER, GOOD, seed=3, tasks=18, person=PERSON)
    (tmp_path / "log.csv").write_text(head + log_text(rows, seed=3, machine=ROUTER))
    richer = parse_ladder("0.02,0.1,0.5,2,5", ROUTER)
    answer = compare(ROUTER, [GOOD, richer], [read_log(tmp_path / "log.csv")])
    assert set(answer.tasks["ladder"]) == {credited}
    alone = compare(ROUTER, [richer, POOR], [read_log(tmp_path / "log.csv")])
    assert set(alone.tasks["ladder"]) == {-1}


def test_a_log_that_numbers_its_rungs_asks_for_its_ladder(tmp_path, capsys):
    rows, _ = make_log(ROUTER, GOOD, seed=3, tasks=18, person=PERSON)
    number = rows["gain_mm"].map({float(gain): n for n, gain in enumerate(GOOD.gains_mm, 1)})
    text = log_text(rows.drop(columns="gain_mm").assign(rung=number), seed=3, machine=ROUTER)
    (tmp_path / "log.csv").write_text(text)
    (tmp_path / "said.csv").write_text(f"# ladder: {GOOD.say()}\n" + text)
    words = ["compare", str(ROUTER_FILE), "--ladder", POOR.say(), "--ladder", GOOD.say(), "--json"]
    assert main([*words, "--log", str(tmp_path / "log.csv")]) == 2
    said = capsys.readouterr().err
    assert "numbers its rungs, up to 4, and has no distances" in said
    assert f'type the same again with --made-with "{GOOD.say()}" behind it' in said
    assert main([*words, "--log", str(tmp_path / "log.csv"), "--made-with", GOOD.say()]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [ladder["measured_time_s"]["count"] for ladder in told["ladders"]] == [0, 18]
    assert main([*words, "--log", str(tmp_path / "said.csv")]) == 0
    assert json.loads(capsys.readouterr().out)["ladders"] == told["ladders"]
    assert main([*words, "--log", "a", "--made-with", "0.1,1", "--made-with", "0.2,1"]) == 2
    assert "has 2 ladders, 1 log" in capsys.readouterr().err


def test_practice_goals_do_not_count(tmp_path):
    rows, _ = make_log(ROUTER, GOOD, seed=3, tasks=12, person=PERSON)
    shown = rows.index[rows["marker"] != ""]
    rows.loc[shown[:4], "marker"] = "practice shown: 1"
    (tmp_path / "log.csv").write_text(log_text(rows, seed=3, machine=ROUTER))
    assert len(compare(ROUTER, [GOOD, POOR], [read_log(tmp_path / "log.csv")]).tasks) == 8


def test_without_a_log_expectation_only():
    answer = compare(ROUTER, [GOOD, POOR, parse_ladder("1,5", ROUTER)])
    kinds = [difference.kind for difference in answer.differences]
    assert kinds == ["expected"] * 3
    assert answer.ladders[2].expected_time_s is None
    assert [note.kind for note in answer.ladders[2].impossible] == ["task_out_of_reach"] * 3
    assert [one.verdict for one in answer.differences] == ["expected_faster", "only_one_can", "only_one_can"]
    assert answer.held_out_error is None
    assert answer.ladders[0].lost_detents is None
    assert [note.kind for note in answer.remarks] == ["no_log"]
    json.dumps(_comparison_json(answer), allow_nan=False)


@pytest.mark.parametrize("keep", ["nothing turned", "no goals", "three rows", "one goal"])
def test_poor_logs_are_an_answer_too(tmp_path, keep):
    rows, _ = make_log(ROUTER, GOOD, seed=5, tasks=1 if keep == "one goal" else 3, person=PERSON)
    if keep == "nothing turned":
        rows["detents"] = 0
    if keep == "no goals":
        rows = rows.drop(columns=["goal_mm", "tolerance_mm", "marker"])
    if keep == "three rows":
        rows = rows.iloc[:3]
    (tmp_path / "log.csv").write_text(log_text(rows, seed=5, machine=ROUTER))
    answer = compare(ROUTER, [GOOD, POOR], [read_log(tmp_path / "log.csv")])
    assert answer.ladders[0].expected_time_s is not None
    assert answer.ladders[0].low is None
    assert answer.remarks[0].kind == ("untested_prediction" if keep == "one goal" else "no_goals")
    json.dumps(_comparison_json(answer), allow_nan=False)
    for told in (_comparison_answer, _why, COMPARISON["table"]):
        assert told(answer)


def difference(**figures):
    return Difference(**{"first": 0, "second": 1, "kind": "predicted", **figures})


def test_more_tasks_are_never_asked_for_beside_an_interval_that_leaves_out_zero():
    faster = difference(change=0.26, low=0.01, high=0.48, faster=0)
    assert "more task" not in speak(faster.note("AB"))
    assert "A is faster: B takes 26 % longer (1 to 48 %)" in speak(faster.note("AB"))
    unclear = difference(kind="measured", change=0.2, low=-0.01, high=0.48, more_tasks=1)
    assert speak(unclear.note("AB")).startswith("No clear difference yet")
    assert "About 1 more task would tell a difference of 10 %, four times in five." in speak(unclear.note("AB"))


def test_a_difference_is_told_as_how_much_longer_the_slower_ladder_takes():
    """The second takes half as long, so the first takes twice as long: 100 % longer; bounds swap."""
    note = difference(change=-0.5, low=-0.6, high=-0.2, faster=1).note("AB")
    assert (note.figures["faster"], note.figures["slower"]) == ("B", "A")
    shares = [note.figures[name] for name in ("low_share", "change_share", "high_share")]
    assert shares == pytest.approx([0.25, 1.0, 1.5])


@pytest.mark.parametrize(("share", "faster"), [(0.9 * _NEAR_SHARE, None), (1.1 * _NEAR_SHARE, 0)])
def test_expected_times_nearer_than_a_fiftieth_are_as_long(monkeypatch, share, faster):
    module = importlib.import_module("jogtune.measure.compare")
    monkeypatch.setattr(module, "_expected", lambda machine, ladder: (4.0 if ladder == GOOD else 4 * (1 + share), ()))
    (found,) = compare(ROUTER, [GOOD, POOR]).differences
    assert found.faster == faster
    assert found.verdict == ("expected_alike" if faster is None else "expected_faster")


def test_an_answer_fits_its_screen_and_keeps_its_caution(two_logs):
    for found in (compare(ROUTER, [GOOD, POOR], two_logs), compare(ROUTER, [GOOD, POOR, parse_ladder("1,5", ROUTER)])):
        lines = _comparison_answer(found).split("\n")
        assert len(lines) <= 24
        assert max(map(len, lines)) <= 100
        assert "Faster is not safer" in _comparison_answer(found)
        assert ("Simulated" in _comparison_answer(found)) == found.simulated
        assert list(found.table["expected_time_s"].dropna()) == [r.expected_time_s for r in found.ladders if r.expected_time_s]


# ------------------------------------------------------------------ the commands


def test_compare_json_keeps_its_promise(capsys):
    code = typed("compare", ROUTER_FILE, "--ladder", "0.02,0.1,0.5,5", "--ladder", "0.02, 0.2 mm",
                       "--log", SHIPPED, "--json")  # fmt: skip
    told = json.loads(capsys.readouterr().out)
    assert code == 0
    assert {"ladders", "differences", "held_out_error"} <= set(told)
    for ladder in told["ladders"]:
        assert {"gains_mm", "expected_time_s", "low", "high", "run_on_mm", "lost_detents"} <= set(ladder)
    assert told["ladders"][0]["gains_mm"] == [0.02, 0.1, 0.5, 5.0]
    promised = {"pair", "pairs", "kind", "change", "low", "high", "verdict", "faster", "more_tasks", "tasks", "paired"}
    promised |= {"more_people", "people", "practice_share", "advice"}
    assert set(told["differences"][0]) == promised
    assert told["differences"][0]["pairs"] == [ladder["label"] for ladder in told["ladders"]]
    assert 0 < told["held_out_error"] < 1
    assert {"held_out_total_error", "over_best", "hand", "remarks", "simulated", "machine", "cautions"} <= set(told)
    assert (told["rows_in"] - told["rows_out"], told["left_out"]) == (0, 0)
    assert told["logs"][0]["source"] == str(SHIPPED)
    assert "hard-wired stop" in told["cautions"][0]


def test_commands_speak_plainly(capsys):
    typed("compare", ROUTER_FILE, "--ladder", "0.02,0.1,0.5,5", "--ladder", "0.02,0.2", "--log", SHIPPED)
    said = capsys.readouterr().out
    assert "Faster is not safer" in said
    assert "imulated" in said
    typed("measure", SHIPPED, "--machine", ROUTER_FILE)
    said = capsys.readouterr().out
    assert "Simulated: nobody turned this knob." in said
    assert "Check its steps per mm." in said
    typed("measure", SHIPPED, "--machine", ROUTER_FILE, "--json")
    assert json.loads(capsys.readouterr().out)["position_kind"] == "measured"


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "is empty"), ("0.01,x", '"x": is not a number'), ("0,1", "must be above 0"), ("-1", "must be above 0"),
        ("nan", "is not a number"), ("1e99", "must be 1e-07 to 10000 mm"), ("0.1,0.1", "twice"),
        ("1 furlong", "is not a number"), ("1,2,3,4,5,6,7", "the selector has 6 positions"),
        ("1e-300", "must be"), ("99999999999999999999999", "is not a number"),
    ],
)  # fmt: skip
def test_faulty_ladders_are_named(text, word):
    with pytest.raises(InputFault) as fault:
        parse_ladder(text, ROUTER)
    assert word in str(fault.value)


def test_ladders_are_read_in_the_machines_own_unit():
    sign = read_machine(MACHINES / "sign_table.toml")
    assert parse_ladder("0.001,0.01", sign).gains_mm == (Fraction(127, 5000), Fraction(127, 500))
    assert parse_ladder("0.1;1 mm", sign).gains_mm == (Fraction(1, 10), Fraction(1))
    assert parse_ladder(GOOD.say(), ROUTER).gains_mm == GOOD.gains_mm


TWO = ["--ladder", "0.1,1", "--ladder", "0.02,0.2,2"]
HEADER = "time_s,axis,detents,gain_mm\n"
ODD = {
    "all bad": (HEADER + "q,X,1,0.1\nx,X,1,0.1\n", "none of its 2 rows could be read"),
    "empty": ("", "is empty (0 bytes)"),
    "other axis": (HEADER + "0,Q,1,0.1\n0.1,Q,1,0.1\n0.2,Q,1,0.1\n", 'axis "Q" is not on'),
}


@pytest.mark.parametrize("name", ODD)
def test_odd_logs_exit_2_in_words(name, tmp_path, capsys):
    text, words = ODD[name]
    (tmp_path / "log.csv").write_text(text)
    assert main(["compare", str(ROUTER_FILE), *TWO, "--log", str(SHIPPED), "--log", str(tmp_path / "log.csv")]) == 2
    said = capsys.readouterr()
    assert words in said.err
    assert said.out == ""


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([*TWO, "--log", "none.csv"], "none.csv"), ([*TWO, "--log", str(ROOT)], "holds no log"),
        (["--ladder", "-1,2", "--ladder", "0.1"], "must be above 0"), (["--ladder", "-.1"], "must be above 0"),
        (["--ladder", "0.1,x", "--ladder", "0.1"], "is not a number"), (["--ladder", "0.1,1"], "needs two ladders"),
        ([], "needs two ladders"), (["--ladder", "0.1,1", "--ladder", "1,0.1"], "the same ladder twice"),
        ([*TWO, "--seed", "-1"], "must be 0 or above"), ([*TWO, "--map", "none.toml", "--log", str(SHIPPED)], "none.toml"),
        ([*TWO, "--map", "a.toml", "--map", "b.toml", "--log", str(SHIPPED)], "has 2 maps, 1 log"),
        ([*TWO, "--out", "there"], "are for a class"), (["--class", str(ROOT)], "needs --roster"),
        (["--class", "none", "--roster", "none.csv"], "is no folder"), (["--roster", "r.csv"], "goes with --class"),
        (["--class", str(ROOT), "--roster", "none.csv"], "none.csv"),
        (["--class", str(ROOT), "--roster", "r.csv", *TWO], "leave them out"),
        (["--class", str(ROOT), "--roster", "r.csv", "--map", "a", "--map", "b"], "once for the whole class"),
    ],
)  # fmt: skip
def test_odd_options_exit_2_in_words(words, says, capsys):
    assert main(["compare", str(ROUTER_FILE), *words]) == 2
    said = capsys.readouterr()
    assert says in said.err
    assert said.out == ""


def test_rows_left_out_of_a_log_are_told(tmp_path, capsys):
    place = write_simulated(tmp_path / "log.csv", GOOD, seed=1, tasks=4)
    place.write_text(place.read_text() + "x,X,1,0.1,0,0,0,A,\n")
    words = ["compare", str(ROUTER_FILE), *TWO, "--log", str(place)]
    assert main([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["left_out"] == told["rows_in"] - told["rows_out"] == told["logs"][0]["left_out"] == 1
    assert main(words) == 0
    said = capsys.readouterr().out
    assert f"1 of {told['rows_in']} rows left out, the first in line {told['rows_in'] + 5}: see jogtune read {place}" in " ".join(said.split())


def test_a_map_is_for_all_logs_or_each_has_its_own(tmp_path, capsys):
    """Two loggers, two maps: seconds and ms."""
    rows, _ = make_log(ROUTER, GOOD, seed=1, tasks=6, person=PERSON)
    words = ["compare", str(ROUTER_FILE), *TWO]
    for name, unit, times in (("a", "s", rows["time_s"]), ("b", "ms", (1000 * rows["time_s"]).round())):
        odd = pd.DataFrame({"t": times, "n": rows["detents"], "ax": rows["axis"], "g": rows["gain_mm"]})
        odd.to_csv(tmp_path / f"{name}.csv", index=False)
        (tmp_path / f"{name}.toml").write_text(
            f'[time]\ncolumn = "t"\nunit = "{unit}"\n[knob]\ncolumn = "n"\nkind = "increments"\n'
            '[axis]\ncolumn = "ax"\n[rung]\ncolumn = "g"\nmeans = "gain"\n'
        )
        words += ["--log", str(tmp_path / f"{name}.csv"), "--map", str(tmp_path / f"{name}.toml")]
    assert main([*words, "--json"]) == 0
    apart = json.loads(capsys.readouterr().out)
    assert apart["rows_in"] == 2 * len(rows)
    once = ["compare", str(ROUTER_FILE), *TWO, "--map", str(tmp_path / "a.toml")]
    (tmp_path / "c.csv").write_bytes((tmp_path / "a.csv").read_bytes())
    assert main([*once, "--log", str(tmp_path / "a.csv"), "--log", str(tmp_path / "c.csv"), "--json"]) == 0
    same = json.loads(capsys.readouterr().out)
    assert same["ladders"] == apart["ladders"]


def test_a_spread_near_its_limit_does_not_stop_a_comparison(tmp_path, monkeypatch):
    """A log can say 0.449 to 0.9; a hand's spread stays below 0.5."""
    from jogtune.measure import predict
    from jogtune.measure.figure import Figure

    wild, told = Figure(value=0.62, low=0.449, high=0.9, count=30), predict._hand_of
    monkeypatch.setattr(predict, "_hand_of", lambda machine, found: told(
        machine, [replace(one, hand={**one.hand, "spread": wild}) for one in found]
    ))  # fmt: skip
    log = read_log(write_simulated(tmp_path / "log.csv", GOOD, seed=1, tasks=12))
    answer = compare(ROUTER, [GOOD, POOR], [log])
    assert answer.hand.spread == 0.45
    assert answer.ladders[0].low < answer.ladders[0].expected_time_s < answer.ladders[0].high


# ------------------------------------------------------------------ a class


@pytest.fixture(scope="module")
def a_class(tmp_path_factory):
    folder = tmp_path_factory.mktemp("class")
    lines = ["file,person,ladder,order"]
    for n in range(6):
        for letter, ladder in (("a", GOOD), ("b", POOR)):
            write_simulated(folder / f"{n}{letter}.csv", ladder, seed=200 + 2 * n + (letter == "b"), tasks=9)
            numbers = " ".join(ladder.say().removesuffix(" mm").split(", "))
            lines.append(f"{n}{letter}.csv,{'=cmd|x' if n == 0 else f'pupil {n}'},{numbers},{1 + (n + (letter == 'b')) % 2}")
    (folder / "roster.csv").write_text("\n".join([*lines, "gone.csv,pupil 1,,3"]))
    return folder


def test_a_class_has_a_row_per_person_and_per_ladder(a_class):
    entries = read_roster(ROUTER, a_class / "roster.csv")
    found = compare_class(ROUTER, a_class, entries)
    assert len(found.people) == 12
    assert found.ladders["people"].tolist() == [6, 6]
    assert found.differences[0].paired
    assert (found.differences[0].verdict, found.labels[found.differences[0].faster]) == ("ladder_faster", GOOD.say())
    assert len(found.unread) == 1
    assert "gone.csv" in found.unread[0]
    assert "simulated person" not in found.tasks["person"].unique()


def test_a_class_is_the_same_whichever_executor_does_it(a_class):
    entries = read_roster(ROUTER, a_class / "roster.csv")[:4]
    with ProcessPoolExecutor(2) as pool:
        apart = compare_class(ROUTER, a_class, entries, executor=pool)
    pd.testing.assert_frame_equal(apart.tasks, compare_class(ROUTER, a_class, entries).tasks)


def test_labels_that_look_like_formulas_are_made_harmless(a_class, tmp_path):
    entries = read_roster(ROUTER, a_class / "roster.csv")[:2]
    places = compare_class(ROUTER, a_class, entries).write(tmp_path)
    assert "'=cmd|x" in places[0].read_text()
    assert "\n=cmd" not in places[0].read_text()
    with pytest.raises(InputFault, match="not overwritten"):
        compare_class(ROUTER, a_class, entries).write(tmp_path)


def test_faults_of_a_roster_come_all_at_once(tmp_path):
    (tmp_path / "r.csv").write_text("file,person,ladder,order\n../x.csv,A,\na.csv,,\nb.csv,B,zero\nd.csv,D,,first\nc.csv,C,\nc.csv,C,\n")
    with pytest.raises(InputFault) as fault:
        read_roster(ROUTER, tmp_path / "r.csv")
    assert len(fault.value.faults) == 5
    assert 'line 5: order = "first": must be a whole number' in str(fault.value)
    assert "without a path" in str(fault.value)
    assert "is named twice" in str(fault.value)
    (tmp_path / "e.csv").write_text("name\nA\n")
    with pytest.raises(InputFault, match="has no column file"):
        read_roster(ROUTER, tmp_path / "e.csv")


@cache
def sitting(seed, first):
    which = [(n + (first == "B")) % 2 for n in range(16)]
    rows = pd.concat(make_sitting(ROUTER, [GOOD, POOR], which, seed=seed)).sort_values("time_s", kind="stable", ignore_index=True)
    return which, rows


def marked(folder, name, *, seed, first="A", word="goal shown", head=True, practice=0):
    """One sitting on two ladders by turns, on one clock, each goal marked with its ladder, as the on-screen knob does."""
    which, rows = sitting(seed, first)
    rows = rows.copy()
    begin = np.flatnonzero(rows["marker"].fillna("").ne("").to_numpy())
    assert len(begin) == len(which)
    if word != "goal shown":  # marked at the end alone
        at, begin = begin, [*(begin[1:] - 1), len(rows) - 1]
        rows.loc[at, "marker"] = ""
    rows.loc[begin, "marker"] = [f"{'practice shown' if n < practice else word}: {n + 1}, cross, ladder {'AB'[i]}" for n, i in enumerate(which)]
    text = f"# ladder A: {GOOD.say()}\n# ladder B: {POOR.say()}\n" * head + log_text(rows, seed=seed, machine=ROUTER)
    (folder / name).write_text(text)
    return which, rows


@pytest.mark.parametrize("word", ["goal shown", "goal reached"])
def test_a_class_is_credited_goal_by_goal_by_the_markers_of_its_logs(tmp_path, word):
    for n in range(6):
        marked(tmp_path, f"{n}.csv", seed=n, first="AB"[n % 2], word=word, practice=2 if word == "goal shown" else 0)
    (tmp_path / "r.csv").write_text("file,person\n" + "".join(f"{n}.csv,pupil {n}\n" for n in range(6)))
    found = compare_class(ROUTER, tmp_path, read_roster(ROUTER, tmp_path / "r.csv"))
    assert found.unread == ()
    assert found.labels == sorted([GOOD.say(), POOR.say()])
    assert not found.tasks["marker"].str.startswith("practice").any()
    numbers = found.tasks["marker"].str.extract(r": (\d+), cross, ladder ([AB])")
    named = numbers[1].map({"A": GOOD.say(), "B": POOR.say()})
    assert (named == found.tasks["ladder_label"]).all()
    begun = found.tasks.sort_values("began_s").groupby("person")["marker"].first().str[-1]
    assert begun.tolist() == ["A", "B"] * 3
    if word == "goal reached":  # as many as with the marks at the beginning, each to the same ladder
        marked(tmp_path, "again.csv", seed=0)
        again = classroom._measure_one(tmp_path / "again.csv", ROUTER, classroom._Entry(file="again.csv", person="pupil 0"), None)[0]
        own = found.tasks.loc[found.tasks["person"] == "pupil 0"]
        assert own["ladder_label"].tolist() == again["ladder_label"].tolist()
    difference = found.differences[0]
    assert (difference.people, difference.paired, difference.advice) == (6, True, None)
    assert found.labels[difference.faster] == GOOD.say()


def test_markers_that_name_ladders_nobody_has_told_are_a_fault(tmp_path):
    marked(tmp_path, "a.csv", seed=1, head=False)
    (tmp_path / "r.csv").write_text("file,person,ladder\na.csv,A,\n")
    found = compare_class(ROUTER, tmp_path, read_roster(ROUTER, tmp_path / "r.csv"))
    assert found.unread[0].count("opening lines don't tell") == 2
    assert 'add "# ladder b: 0.1, 1 mm" on top' in found.unread[0]


def test_another_control_than_the_knob_is_held_apart(tmp_path):
    _, rows = marked(tmp_path, "a.csv", seed=1)
    there = rows["marker"].fillna("").str.contains("ladder B")
    rows.loc[there, "marker"] += ", by stick"
    (tmp_path / "a.csv").write_text(f"# ladder A: {GOOD.say()}\n# ladder B: {GOOD.say()}\n" + log_text(rows, seed=1, machine=ROUTER))
    (tmp_path / "r.csv").write_text("file,person\na.csv,A\n")
    found = compare_class(ROUTER, tmp_path, read_roster(ROUTER, tmp_path / "r.csv"))
    assert found.labels == [GOOD.say(), f"{GOOD.say()}, by stick"]


def test_a_class_without_logs_is_empty():
    found = classroom.compare_class(ROUTER, ".", [])
    assert len(found.people) == 0
    assert found.differences == ()


def test_the_class_command_tells_and_writes_what_the_functions_say(a_class, tmp_path, capsys):
    words = ["compare", str(ROUTER_FILE), "--class", str(a_class), "--roster", str(a_class / "roster.csv")]
    assert main([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    found = compare_class(ROUTER, a_class, read_roster(ROUTER, a_class / "roster.csv"))
    assert [row["tasks"] for row in told["people"]] == found.people["tasks"].tolist()
    assert told["differences"][0]["verdict"] == f"{GOOD.say()} is faster"
    assert told["differences"][0]["pairs"] == [row["ladder_label"] for row in told["ladders"]]
    assert (told["simulated"], len(told["logs"]), len(told["unread"])) == (True, 12, 1)
    assert "hard-wired stop" in told["cautions"][0]
    assert main([*words, "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    for part in ("Simulated", "is faster", "gone.csv", "Faster is not safer", "12 logs measured, 6 people", "people.csv"):
        assert part in said
    lines = _class_answer(found).split("\n")
    assert (len(lines) <= 24, max(map(len, lines)) <= 100) == (True, True)
    assert "gone.csv" in _why(found)
    assert (tmp_path / "out" / "ladders.csv").read_text().startswith("ladder_label,people,")
    assert main([*words, "--out", str(tmp_path / "out")]) == 2
    assert "not overwritten" in capsys.readouterr().err
    assert main([*words, "--out", str(tmp_path / "out"), "--overwrite"]) == 0


def test_a_simulated_class_is_written_with_its_roster(tmp_path):
    roster = make_class(ROUTER, [GOOD, POOR], tmp_path, people=2, tasks=3, seed=4)
    entries = read_roster(ROUTER, roster)
    assert [entry.ladder for entry in entries] == [GOOD, POOR] * 2
    assert {entry.person for entry in entries} == {"simulated bench 1", "simulated bench 2"}
    assert all(read_log(tmp_path / entry.file).simulated for entry in entries)
    assert compare_class(ROUTER, tmp_path, entries).tasks["time_s"].gt(0).sum() == 12
    with pytest.raises(InputFault, match="not overwritten"):
        make_class(ROUTER, [GOOD], tmp_path, people=1, tasks=3)


def test_a_class_of_which_no_log_can_be_measured_exits_2(tmp_path, capsys):
    (tmp_path / "r.csv").write_text("file,person\nbad.csv,A\ngone.csv,B\n")
    (tmp_path / "bad.csv").write_text(HEADER + "q,X,1,0.1\nx,X,1,0.1\n")
    assert main(["compare", str(ROUTER_FILE), "--class", str(tmp_path), "--roster", str(tmp_path / "r.csv")]) == 2
    said = capsys.readouterr().err
    assert "no log of the roster could be measured" in said
    assert "none of its 2 rows could be read" in said
    assert "gone.csv" in said
