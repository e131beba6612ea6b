"""Bench readings: what they should be, how the table is read, and whether the right cause comes first.

The readings are made by `truths.readings`, click by click, which shares no arithmetic with the diagnosis.
"""

import csv
import io
import math
import re
from dataclasses import fields, replace
from fractions import Fraction

import numpy as np
import pytest

from jogtune.axis.limits import play
from jogtune.bench.diagnose import diagnose
from jogtune.bench.readings import _fraction, _pick_instrument, _read_readings, expected_readings, readings_template
from jogtune.choose.suggest import suggest
from jogtune.files import InputFault
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.notes import Note, Where
from jogtune.words.measured import DIAGNOSIS, _diagnosis_json, _table_text
from jogtune.words.speak import speak, spoken
from truths.readings import CAUSES, Truth, seeded_truth, simulate_readings

ROUTER = read_machine("datasets/machines/inlay_router.toml")
STAGE = read_machine("datasets/machines/slide_stage.toml")
TABLE = read_machine("datasets/machines/sign_table.toml")
LADDER = suggest(ROUTER, by="coverage").ladder
# what the diagnosis may call each seeded cause; one axis alone can't tell the knob from a driver
NAMES = {
    "counts": {"counts or microsteps", "counts per detent"},
    "microsteps": {"counts or microsteps", "microsteps"},
    "unit": {"unit"},
    "teeth": {"teeth"},
    "slack": {"slack"},
    "remainders lost": {"remainders lost"},
    "lost steps": {"irregular"},
    "loose clamp": {"irregular"},
}
MIXTURES = (
    ("slack", "remainders lost"), ("microsteps", "slack"), ("teeth", "slack"), ("unit", "slack"),
    ("counts", "slack"), ("teeth", "remainders lost"), ("slack", "loose clamp"), ("slack", "lost steps"),
    ("microsteps", "lost steps"),
)  # fmt: skip


def mixed(axis, causes, seed):
    changed = {}
    for shift, cause in enumerate(causes):
        truth = seeded_truth(cause, axis, seed=seed + 1000 * shift)
        changed |= {f.name: getattr(truth, f.name) for f in fields(Truth) if getattr(truth, f.name) != f.default}
    return Truth(**changed)


def diagnosed(machine, axis, ladder, truth, seed):
    return diagnose(machine, simulate_readings(machine, axis, ladder, truth, seed=seed))


def share_right(machine, axis, ladder, causes, seeds):
    """Share of seeds in which a true cause comes first (or nothing is found where nothing is wrong)."""
    right = 0
    for seed in seeds:
        found = diagnosed(machine, axis, ladder, mixed(axis, causes, seed), seed)
        if causes == ("in order",):
            right += found.verdict == "in order"
        else:
            names = set().union(*(NAMES[cause] for cause in causes))
            right += bool(found.causes) and found.causes[0].kind in names
    return right / len(seeds)


@pytest.mark.parametrize("cause", CAUSES)
def test_the_right_cause_comes_first(cause):
    assert share_right(ROUTER, ROUTER.axis("X"), LADDER, (cause,), range(10)) >= 0.95


@pytest.mark.parametrize("causes", MIXTURES, ids=" and ".join)
def test_in_mixtures_a_true_cause_comes_first(causes):
    assert share_right(ROUTER, ROUTER.axis("X"), LADDER, causes, range(6)) >= 0.95


@pytest.mark.heavy
@pytest.mark.parametrize("causes", [*((cause,) for cause in CAUSES), *MIXTURES], ids=" and ".join)
def test_the_right_cause_comes_first_over_200_seeds(causes):
    share = share_right(ROUTER, ROUTER.axis("X"), LADDER, causes, range(100, 300))
    print(f"{' and '.join(causes)}: right first in {100 * share:.1f} %")
    assert share >= 0.95


@pytest.mark.parametrize("causes", [("slack", "remainders lost"), ("teeth", "slack"), ("unit", "slack")], ids=" and ".join)
def test_both_causes_of_a_mixture_are_found(causes):
    axis, whole = ROUTER.axis("X"), 0
    for seed in range(10):
        found = diagnosed(ROUTER, axis, LADDER, mixed(axis, causes, seed), seed)
        whole += all(set(found.findings[0].best) & NAMES[cause] for cause in causes)
    assert whole == 10


@pytest.mark.parametrize("cause", ["microsteps", "slack", "unit", "loose clamp", "in order"])
@pytest.mark.parametrize(("machine", "name"), [(STAGE, "A"), (TABLE, "Y")], ids=["degrees", "inches"])
def test_other_units_are_told_as_well(machine, name, cause):
    share = share_right(machine, machine.axis(name), suggest(machine, by="coverage").ladder, (cause,), range(6))
    assert share == 1


TEETH = (Fraction(24, 25), Fraction(15, 16), Fraction(14, 15), Fraction(32, 30), Fraction(20, 22))
FEW = {
    "fine rungs only": Ladder(base_mm=Fraction(1, 50), multipliers=(1, 5)),
    "one whole-step rung": Ladder(base_mm=Fraction(1, 10), multipliers=(1,)),
    "one broken rung": Ladder(base_mm=Fraction(1, 50), multipliers=(1,)),
}


def hard_truth(cause, random):
    """A cause that hardly shows: little slack, a tooth or two, a step lost now and then."""
    return {
        "slack": lambda: Truth(slack_mm=0.05 + random.uniform(0.005, 0.05)),
        "teeth": lambda: Truth(mechanics=TEETH[random.integers(5)]),
        "lost steps": lambda: Truth(lost_steps=random.uniform(0.05, 0.15)),
        "microsteps": lambda: Truth(mechanics=Fraction(1, 2)),
        "remainders lost": lambda: Truth(remainder="down"),
        "in order": lambda: Truth(),
    }[cause]()


def hard_verdicts(ladder, cause, seeds):
    """Verdicts on two rounds of a cause that hardly shows, and how many named a wrong cause as found."""
    random, verdicts, wrong = np.random.default_rng(5), [], 0
    axis = ROUTER.axis("X")
    for seed in seeds:
        rows = simulate_readings(ROUTER, axis, ladder, hard_truth(cause, random), seed=seed, rounds=2)
        found = diagnose(ROUTER, rows)
        verdicts.append(found.verdict)
        names = NAMES.get(cause, set())
        wrong += found.verdict == "found" and not (set(found.findings[0].best) <= names)
    return verdicts, wrong


@pytest.mark.parametrize("name", FEW)
@pytest.mark.parametrize("cause", ["slack", "teeth", "lost steps", "microsteps", "remainders lost", "in order"])
def test_where_readings_can_not_tell_no_wrong_cause_is_named(name, cause):
    _, wrong = hard_verdicts(FEW[name], cause, range(6))
    assert wrong == 0


@pytest.mark.heavy
def test_where_readings_can_not_tell_no_wrong_cause_is_named_over_100_seeds():
    cases = [(name, cause) for name in FEW for cause in ("slack", "teeth", "lost steps", "microsteps", "in order")]
    found = [hard_verdicts(FEW[name], cause, range(100)) for name, cause in cases]
    for (name, cause), (verdicts, wrong) in zip(cases, found, strict=True):
        counts = ", ".join(f"{verdicts.count(word)} {word}" for word in ("found", "can't tell", "in order"))
        print(f"{name}, {cause}: {counts}, {wrong} wrongly found")
    assert sum(wrong for _, wrong in found) <= 0.02 * 100 * len(cases)


def test_one_fine_rung_can_not_tell_teeth():
    verdicts, _ = hard_verdicts(FEW["one whole-step rung"], "teeth", range(12))
    assert verdicts.count("can't tell") >= 6
    in_order = diagnosed(ROUTER, ROUTER.axis("X"), FEW["one broken rung"], Truth(), 1)
    assert 0 < in_order.findings[0].why.figures["limit_share"] < 0.2
    assert "% of 1 would not show" in speak(in_order.findings[0].why)


def test_the_figures_of_a_cause_are_right():
    found = diagnosed(ROUTER, ROUTER.axis("X"), LADDER, Truth(mechanics=Fraction(4, 5), slack_mm=0.21), 3)
    finding = found.findings[0]
    assert finding.scale == Fraction(4, 5)
    assert finding.slack_mm == pytest.approx(0.21, abs=0.01)
    teeth = next(cause for cause in found.causes if cause.kind == "teeth")
    assert (16, 20) in teeth.cure[0].figures["teeth"]
    assert teeth.evidence[0].figures["ratio"] == "4/5"


def test_two_axes_tell_the_knob_from_a_driver():
    shared, alone = [], []
    for name in "XY":
        axis = ROUTER.axis(name)
        shared += simulate_readings(ROUTER, axis, LADDER, Truth(counts=Fraction(1, 2)), seed=1)
        alone += simulate_readings(ROUTER, axis, LADDER, Truth(mechanics=Fraction(1 if name == "Y" else 2)), seed=1)
    knob = diagnose(ROUTER, shared).causes[0]
    assert (knob.kind, knob.axes) == ("counts per detent", ("X", "Y"))
    driver = diagnose(ROUTER, alone).causes[0]
    assert (driver.kind, driver.axes) == ("microsteps", ("X",))
    assert driver.evidence[-1].kind == "knob_is_well"
    assert [note.kind for note in driver.cure] == ["mend_microsteps"]
    assert ([note.kind for note in knob.cure], knob.evidence[-1].kind) == (["mend_counts"], "knob_is_shared")


def test_counts_at_a_quarter_are_told_by_their_whole_clicks():
    # ten clicks at a quarter of the counts make 2 whole clicks, not 2.5: no driver does that
    found = diagnosed(ROUTER, ROUTER.axis("X"), LADDER, Truth(counts=Fraction(1, 4)), 5)
    assert found.causes[0].kind == "counts per detent"


def test_too_few_readings_can_not_tell():
    rows = [dict(axis="X", unit="mm", gain="0.1", detents=n, reading=r) for n, r in ((0, 0), (10, 0.5), (-10, 0.05))]
    found = diagnose(ROUTER, rows)
    assert found.verdict == "can't tell"
    assert (found.findings[0].why.kind, found.findings[0].why.figures["seen"]) == ("few_readings", 2)


@pytest.mark.parametrize("readings", [(0,), (0, None, None)])
def test_an_axis_that_was_not_read_is_not_in_order(readings):
    """A row of 0 alone, or blanks behind it: alone, and beside an axis in order."""
    rows = [dict(axis="Y", unit="mm", gain="0.1", detents=n, reading=r) for n, r in zip((0, 10, -10), readings, strict=False)]
    well = simulate_readings(ROUTER, ROUTER.axis("X"), LADDER, Truth(), seed=1)
    for table, axes in ((rows, {"Y": "can't tell"}), ([*well, *rows], {"X": "in order", "Y": "can't tell"})):
        found = diagnose(ROUTER, table)
        assert {one.axis: one.verdict for one in found.findings} == axes
        assert found.verdict == "can't tell"
        assert "Axis Y: nothing was read: take at least up and back twice" in " ".join(DIAGNOSIS["answer"](found).split())


def test_readings_that_fit_two_causes_can_not_tell():
    # 1.0 → 1.25: 5/4 by tooth count, or a scale of its own; a rule that reads to half a mm can't say which
    turned = ((0, 0), (10, 1.2), (-10, 0.3), (10, 1.1), (-10, 0.1))
    rows = [dict(axis="X", unit="mm", gain="0.1", detents=n, reading=r, within="0.5") for n, r in turned]
    found = diagnose(ROUTER, rows)
    assert found.verdict in ("can't tell", "in order")
    assert not [cause for cause in found.causes if cause.likelihood > 0.8]


def test_two_explanations_are_named_with_their_odds_and_the_rung_that_would_tell():
    # a step lost now and then: whether remainders are lost too shows on 0.02 mm alone, 1.6 steps a click
    found = [diagnosed(ROUTER, ROUTER.axis("X"), LADDER, mixed(ROUTER.axis("X"), ("remainders lost", "lost steps"), seed), seed).findings[0]
             for seed in (0, 1)]  # fmt: skip
    split = [one.why for one in found if one.why.kind == "causes_split"]
    assert split
    for note in split:
        assert {"irregular", "remainders lost"} in map(set, note.figures["causes"])
        assert note.figures["rung_mm"] == 0.02
        assert "Take more rounds at 0.02 mm a click, where they differ most." in speak(note)


@pytest.mark.parametrize(("shares", "said"), [
    ((0.6, 0.2), "either slack or irregular and slack, about 3 to 1."), ((0.44, 0.41), "irregular and slack, as likely."),
    ((0.4, 0.2), "about 2 to 1, or something else."), ((0.5, 0.3), "about 2 to 1. Take more rounds or a rung with more travel."),
])  # fmt: skip
def test_odds_in_words(shares, said):
    note = Note(kind="causes_split", where=Where(axes=("X",)),
                figures={"causes": (("slack",), ("irregular", "slack")), "likelihood_share": shares})  # fmt: skip
    assert said in speak(note)


def test_what_can_not_be_seen_is_said():
    # 0.1, 0.5 and 5 mm are whole steps on X: whether remainders are kept shows on none of them
    ladder = Ladder(base_mm=Fraction(1, 10), multipliers=(1, 5, 50))
    found = diagnosed(ROUTER, ROUTER.axis("X"), ladder, Truth(remainder="toward zero"), 1)
    assert found.verdict == "in order"
    assert found.findings[0].why.figures["remainders_hidden"]


def test_a_file_that_says_drop_makes_no_fault_of_it():
    dropped = replace(ROUTER, firmware=replace(ROUTER.firmware, remainder="drop"))
    found = diagnosed(dropped, dropped.axis("X"), LADDER, Truth(remainder="toward zero"), 1)
    assert found.verdict == "in order"


def movements(rows, *, signed):
    """The same bench run, written as the movement of each turn: the dial set to zero in between."""
    before, typed = 0.0, []
    for row in rows:
        now = float(row["reading"]) if row["reading"] else math.nan
        moved = now - before
        text = "" if math.isnan(moved) else f"{moved if signed else abs(moved):.5f}"
        typed.append({**row, "reading": text if row["detents"] else "0"})
        before = now
    return typed


@pytest.mark.parametrize("signed", [True, False], ids=["signed", "unsigned"])
@pytest.mark.parametrize("ladder", [LADDER, *FEW.values()], ids=["suggested", *FEW])
@pytest.mark.parametrize("truth", [Truth(), Truth(slack_mm=0.07), Truth(mechanics=Fraction(2))], ids=["well", "slack", "double"])
def test_movements_are_told_from_positions_and_nothing_else_is_concluded(ladder, truth, signed):
    rows = movements(simulate_readings(ROUTER, ROUTER.axis("X"), ladder, truth, seed=3), signed=signed)
    found = diagnose(ROUTER, rows)
    assert (found.verdict, found.causes) == ("can't tell", ())
    assert found.findings[0].why.kind == "movements_typed"


@pytest.mark.parametrize("cause", [*CAUSES, "two"])
def test_positions_are_never_taken_for_movements(cause):
    for seed in range(10):
        causes = ("slack", "lost steps") if cause == "two" else (cause,)
        for ladder in (LADDER, FEW["fine rungs only"]):
            truth = mixed(ROUTER.axis("X"), causes, seed)
            if ladder is LADDER or truth.unit > Fraction(1, 2):  # an inch setting leaves the fine legs within slack
                assert diagnosed(ROUTER, ROUTER.axis("X"), ladder, truth, seed).findings[0].why.kind != "movements_typed"


def test_a_slack_longer_than_the_only_leg_is_not_made_up():
    # ten clicks of 0.02 mm within a slack of 0.5 mm: back reads as much as up, and no more can be known
    found = diagnosed(ROUTER, ROUTER.axis("X"), FEW["one broken rung"], Truth(slack_mm=0.5), 1)
    assert found.verdict == "can't tell"
    assert found.findings[0].why.figures["short"]
    assert found.findings[0].why.figures["travel_mm"] == pytest.approx(0.2, abs=0.03)


@pytest.mark.parametrize("seed", range(4))
def test_no_slack_is_longer_than_the_travel_read(seed):
    for causes in (("slack",), ("lost steps",), ("loose clamp",), ("unit", "slack")):
        ladder = FEW["one whole-step rung"]
        rows = simulate_readings(ROUTER, ROUTER.axis("X"), ladder, mixed(ROUTER.axis("X"), causes, seed), seed=seed)
        found = diagnose(ROUTER, rows)
        if not found.causes:
            continue
        travel = max(abs(float(row["reading"] or 0)) for row in rows)
        inches = any(note.figures.get("dial") == "inches" for cause in found.causes for note in cause.cure)
        assert found.findings[0].slack_mm <= travel * (25.4 if inches else 1) + 1e-9


@pytest.mark.parametrize("causes", [("microsteps",), ("teeth", "slack"), ("counts",), ("microsteps", "lost steps")])
def test_the_factor_printed_is_the_one_concluded(causes):
    axis = ROUTER.axis("X")
    for seed in range(8):
        found = diagnosed(ROUTER, axis, LADDER, mixed(axis, causes, seed), seed)
        first = found.causes[0]
        shown, finding = first.evidence[0].figures, found.findings[0]
        factor = Fraction(shown.get("moved", shown.get("ratio")))
        if not finding.whole_clicks:  # 10 clicks at 1/4 make 2: the words say so
            assert float(factor) == pytest.approx(float(finding.scale), rel=0.04)


def test_axes_that_differ_are_said_apart():
    slacks = {"X": 0.13, "Y": 0.05, "Z": 0.06}
    rows = [r for name, mm in slacks.items()
            for r in simulate_readings(ROUTER, ROUTER.axis(name), LADDER, Truth(slack_mm=mm), seed=1)]  # fmt: skip
    found = diagnose(ROUTER, rows)
    (slack,) = (cause for cause in found.causes if cause.kind == "slack")
    assert slack.axes == ("X", "Z")
    assert [note.where.axes for note in slack.evidence] == [("X",), ("Z",)]
    for note, cure, name in zip(slack.evidence, slack.cure, "XZ", strict=True):
        stays = note.figures["slack_mm"]
        assert stays == pytest.approx(slacks[name], abs=0.011)
        assert f'put slack = "{stays:g} mm"' in speak(cure)
        assert f"(file {ROUTER.axis(name).slack_mm:g} mm)" in speak(note)


@pytest.mark.parametrize(("slack", "instrument"), [(0.05, "usual"), (0.13, "usual"), (0.3, "fine")])
def test_a_dial_in_inches_gives_no_slack_of_its_own(slack, instrument):
    rows = simulate_readings(ROUTER, ROUTER.axis("X"), LADDER, Truth(slack_mm=slack), seed=1)
    for row in rows:
        row["reading"] = row["reading"] and f"{float(row['reading']) / 25.4:.5f}"
        row["within"] = "0.002" if instrument == "fine" else ""
    found = diagnose(ROUTER, rows)
    assert found.causes[0].kind == "unit"
    assert found.causes[0].cure[0].figures["dial"] == "inches"
    # the filed slack of 0.05 mm reads as 0.002: taken at its word it would be a fault
    concluded = "slack" in found.findings[0].best
    assert concluded == (instrument == "fine")
    if concluded:
        assert found.findings[0].slack_mm == pytest.approx(slack, abs=0.05)
        assert "the dial's inches converted" in " ".join(spoken(found.notes))


def test_scale_faults_come_before_what_they_upset():
    for seed in range(6):
        for causes in (("unit", "slack"), ("teeth", "slack"), ("microsteps", "slack")):
            found = diagnosed(ROUTER, ROUTER.axis("X"), LADDER, mixed(ROUTER.axis("X"), causes, seed), seed)
            assert found.causes[0].kind in NAMES[causes[0]]


def test_figures_are_in_the_unit_that_was_typed():
    rows = simulate_readings(TABLE, TABLE.axis("X"), suggest(TABLE, by="coverage").ladder, Truth(slack_mm=0.508), seed=1)
    text = " ".join(spoken(diagnose(TABLE, rows).notes))
    assert 'put slack = "0.02 in"' in text  # 0.508 mm / 25.4
    odd = Truth(mechanics=Fraction(1037, 1000))
    rows = simulate_readings(TABLE, TABLE.axis("X"), suggest(TABLE, by="coverage").ladder, odd, seed=1)
    text = " ".join(spoken(diagnose(TABLE, rows).notes))
    steps = float(TABLE.axis("X").steps_per_mm) * 25.4 / 1.037
    assert float(re.search(r"steps would be ([\d.]+) per in", text)[1]) == pytest.approx(steps, rel=2e-3)


def test_slack_by_hand():
    # up 1 mm, back to 0 leaves the slack of 0.2; up again 1; a leg of 0.1 within the slack moves nothing
    assert play([1.0, 0.0, 1.0, 0.9], 0.2, 0.0).tolist() == [1.0, 0.2, 1.0, 1.0]


def test_expected_readings_by_hand():
    rows = expected_readings(ROUTER, ROUTER.axis("Z"), LADDER)
    assert [row.detents for row in rows] == [10, 10, 10, 10]
    # Z reaches 80 mm, and ten clicks of 5 mm fit; of 20 mm, three fit into 80 % of it, of 100 mm none
    assert rows[3].up_mm == 50
    assert rows[3].instrument.name == "caliper"
    assert rows[0].back_mm == 0.02
    short = replace(ROUTER.axis("Z"), jog_limit_mm=4.99)  # one click of 5 mm would move nothing
    assert [row.position for row in expected_readings(ROUTER, short, LADDER)] == [1, 2, 3]
    coarse = Ladder(base_mm=Fraction(20), multipliers=(1, 5))
    assert [row.detents for row in expected_readings(ROUTER, ROUTER.axis("Z"), coarse)] == [3]


def test_instruments_span_what_they_read():
    for gain in (0.001, 0.02, 0.5, 5.0, 100.0):
        assert _pick_instrument(gain, 10 * gain).travel_mm >= 10 * gain
        assert _pick_instrument(gain, 10 * gain, rotary=True).travel_mm >= 10 * gain


# ------------------------------------------------------------------ the table


@pytest.mark.parametrize("machine", [ROUTER, STAGE, TABLE], ids=lambda machine: machine.name)
def test_the_template_filled_with_what_should_be_is_in_order(machine, tmp_path):
    ladder = suggest(machine, by="coverage").ladder
    carrying = replace(machine, firmware=replace(machine.firmware, remainder="carry"))
    filled = []
    for row in csv.DictReader(io.StringIO(readings_template(carrying, ladder))):
        axis = machine.axis(row["axis"])
        gain, factor = Fraction(row["gain"]), 25.4 if row["unit"] == "in" else 1.0
        up = float(int(row["detents"]) * gain)
        row["reading"] = row["reading"] or (f"{up:.6f}" if up > 0 else f"{min(axis.slack_mm / factor, -up):.6f}")
        filled.append(row)
    path = tmp_path / "readings.csv"
    with path.open("w", newline="") as stream:
        writer = csv.DictWriter(stream, ["axis", "unit", "gain", "detents", "reading"])
        writer.writeheader()
        writer.writerows(filled)
    found = diagnose(carrying, path)
    assert found.verdict == "in order", found
    assert len(found.findings) == len(machine.axes)


def test_every_fault_of_a_table_comes_at_once(tmp_path):
    path = tmp_path / "bad.csv"
    path.write_text(
        "axis,unit,gain,detents,reading\nX,mm,0.02,0,0\nQ,mm,0.02,10,0.2\nX,deg,0.02,10,0.2\nX,mm,-1,10,0.2\n"
        "X,mm,0.02,1.5,0.2\nX,mm,0.02,10,\"1,600\"\nX,mm,0.02,10,nan\n"
    )  # fmt: skip
    with pytest.raises(InputFault) as caught:
        _read_readings(ROUTER, path)
    said = str(caught.value)
    for words in (
        'line 3: axis = "Q": is not an axis of inlay router: use X, Y, Z',
        'line 4: unit = "deg": must be mm or in on this axis',
        'line 5: gain = "-1": must be a number above 0',
        'line 6: detents = "1.5": must be a whole number of clicks',
        'line 7: reading = "1,600": must be a plain number with a point',
        'line 8: reading = "nan"',
    ):
        assert words in said


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "has no column axis"),
        ("axis,unit,gain,detents\n", "has no column reading"),
        ("axis,unit,gain,detents,reading\n", "holds no readings"),
        ("axis,unit,gain,detents,reading\nX,mm,0.02,10,0.2\n", "a rung starts with a row of 0"),
        ("axis,unit,gain,detents,reading\nX,mm,0.02,0,0\nX,mm,0.1,10,1\n", "line 3: detents = 10"),
        ("axis,unit,gain,detents,reading\nX,mm,1/0,0,0\n", 'gain = "1/0"'),
        ("axis,unit,gain,detents,reading,within\nX,mm,0.1,0,0,-1\n", "must be above 0"),
        ("axis,unit,gain,detents,reading\nX,mm,0.02,0,0\nX,mm,0.02,0,0\nX,mm,0.02,10,.2\n", "remove one"),
        ("\0", "has no column axis"),
        ("axis,unit,gain,detents,reading\nX,mm,0.02,0,0\nX,mm,0.02,10,\"0.2\"x\n", "line 3: is not readable as CSV"),
        ("axis,unit,gain,detents,reading\nX,mm," + "9" * 200 + ",0,0\n", "gain"),
    ],
)
def test_faulty_tables_are_refused_with_the_cure(tmp_path, text, words):
    path = tmp_path / "bad.csv"
    path.write_text(text)
    with pytest.raises(InputFault) as caught:
        _read_readings(ROUTER, path)
    assert words in str(caught.value)


def test_a_notebook_table_reads_like_the_file(tmp_path):
    pandas = pytest.importorskip("pandas")
    rows = simulate_readings(ROUTER, ROUTER.axis("X"), LADDER, Truth(), seed=2)
    path = tmp_path / "readings.csv"
    pandas.DataFrame(rows).to_csv(path, index=False)
    typed = pandas.DataFrame(rows).to_dict("records")
    assert [s.gain_mm for s in _read_readings(ROUTER, path)[0]] == [s.gain_mm for s in _read_readings(ROUTER, typed)[0]]
    blank = pandas.read_csv(path).assign(reading=float("nan"))
    assert all(math.isnan(v) for s in _read_readings(ROUTER, blank.to_dict("records"))[0] for v in s.reading_mm)


def test_semicolons_and_decimal_commas_are_read_and_said(tmp_path):
    pandas = pytest.importorskip("pandas")
    table = pandas.DataFrame(simulate_readings(ROUTER, ROUTER.axis("X"), LADDER, Truth(), seed=2))
    numbers = table.assign(gain=table["gain"].map(Fraction).astype(float), reading=pandas.to_numeric(table["reading"]))
    numbers.to_csv(tmp_path / "point.csv", index=False)
    numbers.to_csv(tmp_path / "comma.csv", index=False, sep=";", decimal=",")
    (point, none), (comma, notes) = (_read_readings(ROUTER, tmp_path / f"{name}.csv") for name in ("point", "comma"))
    assert "0,02" in (tmp_path / "comma.csv").read_text()
    assert str(point) == str(comma)
    assert (none, [note.kind for note in notes]) == ((), ["semicolons"])
    assert "semicolons" in DIAGNOSIS["answer"](diagnose(ROUTER, tmp_path / "comma.csv"))


@pytest.mark.parametrize("cause", ["in order", "slack", "loose clamp", "teeth"])
def test_an_answer_fits_its_screen_and_keeps_its_caution(cause):
    rows = [row for axis in STAGE.axes for row in simulate_readings(
        STAGE, axis, suggest(STAGE, by="coverage").ladder, seeded_truth(cause, axis, seed=1), seed=1)]  # fmt: skip
    found = diagnose(STAGE, rows)
    lines = DIAGNOSIS["answer"](found).split("\n")
    assert (len(lines) <= 24, max(map(len, lines)) <= 100) == (True, True)
    for text in (DIAGNOSIS["answer"](found), DIAGNOSIS["why"](found), " ".join(_diagnosis_json(found)["cautions"])):
        assert "a hard-wired stop within reach" in " ".join(text.split())
    assert list(found.table["axis"].unique()) == [axis.name for axis in STAGE.axes]
    assert _table_text(found).count("\n") == len(found.table)


def test_simulated_rows_say_so_and_repeat():
    rows = [simulate_readings(ROUTER, ROUTER.axis("X"), LADDER, Truth(), seed=4) for _ in range(2)]
    assert rows[0] == rows[1]
    assert {row["note"] for row in rows[0]} == {"simulated"}


def test_a_diagnosis_reads_as_text():
    text = DIAGNOSIS["answer"](diagnosed(ROUTER, ROUTER.axis("X"), LADDER, Truth(slack_mm=0.2), 1))
    assert text.startswith("inlay router: found.\n  Axis X: the readings show slack.\n1. slack on X (")
    assert "To do: Put slack = " in text


@pytest.mark.parametrize(("typed_so", "meant"), [("0,12", Fraction(3, 25)), ("-0,5", Fraction(-1, 2)), ("12,5", Fraction(25, 2)), ("1,600", None), ("1,2,3", None)])
def test_a_decimal_comma_is_read_where_it_can_be_nothing_else(typed_so: str, meant: Fraction | None) -> None:
    assert _fraction(typed_so) == meant
