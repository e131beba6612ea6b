"""Start values: three numbers are enough, what is missing is listed, and nothing given is ever contradicted.

Decisions: a start value goes by the machine's own speeds and wishes, so a large table and a fine stage both get sensible ones;
slack that is missing is reckoned with but never taken for known; a calm speed is never invented; what can be derived (name, unit
read, axis names, as many positions as angles) is not listed as assumed."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jogtune.choose.suggest import suggest
from jogtune.files import InputFault
from jogtune.machine.edit import changed, wish_changes
from jogtune.machine.file import _parse_machine, machine_from_numbers, read_machine
from jogtune.machine.model import Assumed, Machine, varied, with_wishes
from machine_text import sound, text_of, with_value
from partial_machines import missing, partial_tables
from places import MACHINES

THREE = {"steps": "80 per mm", "top_speed": "6000 mm/min", "finest": "0.02 mm"}


def of_three(**more: Any) -> Machine:
    """A machine of one axis X: the three numbers, and tables or keys of the axis beside them."""
    tables = {key: value for key, value in more.items() if isinstance(value, dict | list) or key in ("show_in", "firmware")}
    axis = {**THREE, **{key: value for key, value in more.items() if key not in tables}}
    return _parse_machine(text_of({**tables, "axis": [axis]}))


def listed(machine: Machine) -> dict[str, Assumed]:
    return {one.key: one for one in machine.assumed}


def told(machine: Machine, *keys: str) -> list[tuple[str, ...]]:
    found = listed(machine)
    return [(found[key].value, *found[key].range) for key in keys]


# ------------------------------------------------------------------ the values


def test_three_numbers_are_a_machine() -> None:
    """By hand: 100 mm/s reached in 0.25 s are 400 mm/s2; 6 s of it 600 mm; twice 0.02 mm of slack; 10 / 3 · 12 = 40 clicks/s."""
    machine = of_three()
    (x,) = machine.axes
    assert (machine.name, machine.show_in, x.name) == ("my machine", "mm", "X")
    assert (x.ramp_mm_s2, x.reach_mm, x.slack_mm, x.calm_speed_mm_s) == (400.0, 600.0, 0.04, None)
    assert told(machine, "axis X: ramp", "axis X: reach", "axis X: slack") == [
        ("400 mm/s2", "100 mm/s2", "1000 mm/s2"), ("600 mm", "200 mm", "1500 mm"), ("0.04 mm", "0 mm", "0.2 mm")
    ]  # fmt: skip
    assert told(machine, "knob: grip", "knob: detents_per_turn", "knob: steady", "knob: fastest") == [
        ("fingers", "fingers", "crank"), ("24", "20", "100"), ("12 detents/s", "6 detents/s", "20 detents/s"),
        ("40 detents/s", "24 detents/s", "60 detents/s"),
    ]  # fmt: skip
    assert told(machine, "selector: positions", "link: report_every", "link: delay", "link: silence") == [
        ("5", "3", "8"), ("40 ms", "10 ms", "100 ms"), ("5 ms", "0 ms", "50 ms"), ("250 ms", "80 ms", "1000 ms")
    ]  # fmt: skip
    assert told(machine, "readout: step", "firmware: remainder", "axis X: calm_speed") == [
        ("0.01 mm", "0.002 mm", "0.02 mm"), ("unknown", "carry", "drop"), ("unknown",)
    ]  # fmt: skip
    assert listed(machine)["task"].ends == ()
    assert len(machine.assumed) == 16


def test_in_inches_by_turns_and_in_degrees() -> None:
    """By hand: 200 in/min are 3.33 in/s, in 0.25 s 13.3 in/s2; 2 · 0.001 in; half of 0.001 in is plain. A crank of 100 clicks
    turned once a second; 20 deg/s in 0.25 s."""
    inch = machine_from_numbers("2032 per in", "200 in/min", "0.001 in")
    assert inch.show_in == "in"
    assert told(inch, "axis X: ramp", "axis X: slack", "readout: step") == [
        ("13 in/s2", "3.3 in/s2", "33 in/s2"), ("0.002 in", "0 in", "0.01 in"), ("0.0005 in", "0.0001 in", "0.001 in")
    ]  # fmt: skip
    assert listed(inch)["readout: step"].ends == (Fraction(127, 50_000), Fraction(127, 5000))
    crank = of_three(knob={"grip": "crank"})
    assert told(crank, "knob: detents_per_turn", "knob: steady", "knob: fastest") == [
        ("100", "50", "200"), ("100 detents/s", "50 detents/s", "150 detents/s"), ("250 detents/s", "150 detents/s", "400 detents/s")
    ]  # fmt: skip
    table = machine_from_numbers("100 per deg", "20 deg/s", "0.01 deg")
    assert (table.show_in, table.axes[0].rotary) == ("deg", True)
    assert told(table, "axis X: ramp", "axis X: reach") == [("80 deg/s2", "20 deg/s2", "200 deg/s2"), ("360 deg", "90 deg", "360 deg")]


def test_a_coarse_motor_step_makes_for_more_slack_and_slow_reports_for_more_silence() -> None:
    """By hand: 4 steps/mm are 0.25 mm each; five reports of 0.1 s."""
    assert told(of_three(steps="4 per mm"), "axis X: slack") == [("0.5 mm", "0 mm", "2.5 mm")]
    assert told(of_three(link={"report_every": "100 ms"}), "link: silence") == [("500 ms", "200 ms", "1000 ms")]


def test_the_readout_goes_by_what_a_person_reads_on_every_axis() -> None:
    """0.01 deg is read as 0.01 beside inches, so 0.001 in is the finest wish: half of it is 0.0005 in."""
    axes = [{"steps": "100 per deg", "top_speed": "20 deg/s", "finest": "0.01 deg"}, {**THREE, "finest": "0.001 in"}]
    assert told(_parse_machine(text_of({"axis": axes})), "readout: step") == [("0.0005 in", "0.0001 in", "0.001 in")]


def test_what_can_be_derived_is_not_assumed() -> None:
    """Three axes without names; one that turns shows no degrees beside one in inches; angles are as many as positions."""
    axes = [{"steps": "100 per deg", "top_speed": "20 deg/s", "finest": "0.01 deg"}, {**THREE, "finest": "0.001 in"}, {**THREE, "name": "x"}]
    machine = _parse_machine(text_of({"axis": axes, "selector": {"angles": [0, 30, 60]}}))
    assert [axis.name for axis in machine.axes] == ["Y", "Z", "x"]
    assert (machine.show_in, machine.selector.positions) == ("in", 3)
    assert not {"selector: positions", "name", "show_in"} & listed(machine).keys()
    assert [axis.name for axis in _parse_machine(text_of({"axis": [THREE] * 6})).axes] == ["X", "Y", "Z", "A", "B", "C"]


# ------------------------------------------------------------------ never against what is given


CONSTRAINED = [
    ({"knob": {"steady": "300 detents/s"}}, "knob: detents_per_turn", "30"),  # no hand turns more than 10 turns a second
    ({"knob": {"steady": "30 detents/s", "detents_per_turn": 4}}, "knob: fastest", "40 detents/s"),
    ({"knob": {"steady": "39.5 detents/s", "detents_per_turn": 4}}, "knob: fastest", "40 detents/s"),
    ({"knob": {"fastest": "2 detents/s"}}, "knob: steady", "0.6 detents/s"),
    ({"knob": {"fastest": "50 detents/s", "grip": "crank"}}, "knob: steady", "20 detents/s"),
    ({"link": {"silence": "20 ms"}}, "link: report_every", "10 ms"),
    ({"link": {"jitter": "60 ms"}}, "link: report_every", "60 ms"), ({"link": {"report_every": "2 s"}}, "link: silence", "10000 ms"),
    ({"reach": "0.03 mm"}, "axis X: slack", "0.03 mm"), ({"jog_limit": "700 mm"}, "axis X: reach", "700 mm"),
    ({"run_on": "1234 mm"}, "axis X: reach", "1300 mm"), ({"slack": "99 mm", "top_speed": "1 mm/s"}, "axis X: reach", "99 mm"),
    ({"task": [{"name": "t", "axis": "X", "distance": "2/3 m", "tolerance": "1 mm"}]}, "axis X: reach", "670 mm"),
    ({"top_speed": "0.001 mm/s", "reach": "1 mm"}, "axis X: ramp", "0.01 mm/s2"),
    ({"finest": "1/3 mm"}, "readout: step", "0.1 mm"),
]  # fmt: skip


@pytest.mark.parametrize(("more", "key", "value"), CONSTRAINED, ids=[f"{key} {value}" for _, key, value in CONSTRAINED])
def test_a_start_value_gives_way_to_what_is_given(more: dict[str, Any], key: str, value: str) -> None:
    assert told(of_three(**more), key)[0][0] == value


RATES = st.one_of(st.none(), st.floats(0.1, 240).map(lambda v: f"{v:.4g} detents/s"))
FAR = st.one_of(st.none(), st.floats(1e-5, 99).map(lambda v: f"{v:.5f} mm"), st.sampled_from(["1/3 mm", "7/9 mm", "30/17 in"]))
TIMES = st.one_of(st.none(), st.floats(0.3, 1900))


@given(st.floats(-3, 4), st.floats(-5, 2), st.floats(-3, 4), RATES, RATES, TIMES, TIMES, TIMES, FAR, FAR, st.sampled_from(["fingers", "crank"]))
@settings(max_examples=200, deadline=None)
def test_no_fault_lies_between_what_is_given_and_what_is_assumed(
    steps: float, finest: float, top: float, steady: str | None, fastest: str | None, every: float | None, silence: float | None,
    jitter: float | None, slack: str | None, run_on: str | None, grip: str,
) -> None:  # fmt: skip
    """Of machines of all sizes. A fault may lie between two figures that were both given alone; and no report lies between a
    jitter and a silence that is no longer."""
    axis = {"steps": f"{10**steps:.3g} per mm", "top_speed": f"{10**top:.3g} mm/s", "finest": f"{10**finest:.3g} mm", "slack": slack, "run_on": run_on}
    tables = {"knob": {"grip": grip, "steady": steady, "fastest": fastest}, "link": {key: ms and f"{ms:.4g} ms" for key, ms in (("report_every", every), ("silence", silence), ("jitter", jitter))}}
    kept = {name: {key: value for key, value in table.items() if value} for name, table in tables.items()}
    kept_axis = {key: value for key, value in axis.items() if value}
    try:
        machine = _parse_machine(text_of({**kept, "axis": [kept_axis]}))
    except InputFault as fault:
        both = {"knob: steady": steady and fastest, "link: silence": silence and (every or (jitter and jitter >= silence)),
                "link: jitter": jitter and every}  # fmt: skip
        assert all(both.get(one.where) for one in fault.faults), str(fault)
        return
    for one in machine.assumed:
        for end in one.ends:
            assert varied(machine, one, end) is not None
        assert len(one.ends) == len(one.range)
    again = _written_out(machine, {**kept, "axis": [kept_axis]})
    assert _parse_machine(text_of(again)).axes == machine.axes


def _written_out(machine: Machine, tables: dict[str, Any]) -> dict[str, Any]:
    """The file with every start value written into it."""
    for one in machine.assumed:
        where, _, key = one.key.partition(": ")
        if one.ends and where.startswith("axis"):
            tables["axis"][0][key] = one.value
        elif one.ends:
            number = key in ("positions", "detents_per_turn", "counts_per_detent")
            tables.setdefault(where, {})[key] = int(one.value) if number else one.value
    return tables


# ------------------------------------------------------------------ unknown, and what is set


def test_unknown_is_the_same_as_left_out() -> None:
    tables = {"name": "unknown", "show_in": "unknown", "knob": "unknown", "selector": {"positions": "unknown"}, "readout": "unknown",
              "firmware": "unknown", "hand": "unknown", "link": {"report_every": "unknown", "delay": "unknown", "jitter": "unknown"},
              "task": "unknown", "stick": "unknown", "axis": [{**THREE, "name": "unknown", "ramp": "unknown", "slack": "unknown", "divide": "unknown"}]}  # fmt: skip
    assert _parse_machine(text_of(tables)) == _parse_machine(text_of({"axis": [THREE]}))
    task = {"name": "t", "axis": "X", "distance": "10 mm", "tolerance": "1 mm"}
    unsure = {**task, "limit": "unknown", "kind": "unknown", "weight": "unknown"}
    assert of_three(task=[unsure]).tasks == of_three(task=[task]).tasks


def test_a_file_that_gives_all_assumes_nothing() -> None:
    assert read_machine(MACHINES / "inlay_router.toml").assumed == ()
    assert [one.key for one in read_machine(MACHINES / "sign_table.toml").assumed] == ["firmware: remainder"]
    assert [one.key for one in read_machine(MACHINES / "slide_stage.toml").assumed] == ["axis A: calm_speed"]
    remainder = listed(_parse_machine(text_of(with_value("firmware.remainder", "unknown"))))["firmware: remainder"]
    assert (remainder.value, remainder.ends, remainder.place) == ("unknown", ("carry", "drop"), ("firmware", "remainder"))


def test_slack_that_is_missing_is_not_known() -> None:
    assert not of_three().knows("X", "slack_mm")
    assert of_three(slack="0 mm").knows("X", "slack_mm")
    assert of_three(slack="0 mm").axes[0].slack_mm == 0


def test_varied_changes_one_attribute_and_what_may_not_lie_below_it() -> None:
    machine = of_three(knob={"fastest": "15 detents/s"}, link={"silence": "80 ms"})
    found = listed(machine)
    ramp = varied(machine, found["axis X: ramp"], 100.0)
    assert (ramp.axes[0].ramp_mm_s2, ramp.sha256) == (100.0, "")
    assert varied(ramp, found["axis X: ramp"], machine.axes[0].ramp_mm_s2) == machine
    quick = varied(machine, found["knob: steady"], 20.0)
    assert (quick.knob.steady_detents_s, quick.knob.fastest_detents_s) == (20.0, 20.0)
    late = varied(machine, found["link: report_every"], 0.1)
    assert (late.link.report_interval_s, late.link.silence_s) == (0.1, 0.2)
    assert varied(machine, found["firmware: remainder"], "drop").firmware.remainder == "drop"
    assert varied(machine, found["readout: step"], Fraction(1, 50)).readout.step_mm == Fraction(1, 50)


def test_what_is_wished_is_no_longer_assumed() -> None:
    machine = of_three()
    wished = with_wishes(machine, steady_detents_s=50.0)
    assert listed(machine).keys() - listed(wished).keys() == {"knob: steady", "knob: fastest"}
    assert listed(machine).keys() - listed(with_wishes(machine, report_interval_s=0.01)).keys() == {"link: report_every"}
    assert with_wishes(machine, finest_mm=Fraction(1, 10)).assumed == machine.assumed


def test_wishes_are_written_into_a_file_that_lacks_their_tables(tmp_path: Any) -> None:
    path = tmp_path / "three.toml"
    path.write_text('readout = "unknown"\nfirmware = "unknown"\n[[axis]]  # mine\n' + "".join(f'{k} = "{v}"\n' for k, v in THREE.items()))
    machine = read_machine(path)
    changes = {**wish_changes(machine, with_wishes(machine, steady_detents_s=50.0, report_interval_s=0.2)), "axis X.ramp": "500 mm/s2"}
    text, edited = changed(path.read_text(), {**changes, "readout.step": "0.02 mm"}, source="three.toml")
    assert (edited.knob.steady_detents_s, edited.knob.fastest_detents_s, edited.link.silence_s) == (50.0, 50.0, 0.4)
    assert (edited.axes[0].ramp_mm_s2, edited.readout.step_mm) == (500.0, Fraction(1, 50))
    assert "firmware: remainder" in listed(edited)
    assert "[[axis]]  # mine" in text


# ------------------------------------------------------------------ three numbers as options


def test_faults_of_three_numbers_name_the_number() -> None:
    with pytest.raises(InputFault) as caught:
        machine_from_numbers("80", "6000", 0.02)
    assert caught.value.source == "three numbers"
    assert [fault.where for fault in caught.value.faults] == ["steps", "top_speed", "finest"]
    with pytest.raises(InputFault) as mixed:
        machine_from_numbers("80 per mm", "20 deg/s", "0.02 mm")
    assert [fault.where for fault in mixed.value.faults] == ["top_speed"]
    assert machine_from_numbers(80, "6000 mm/min", "0.02 mm") == machine_from_numbers("80 per mm", "100 mm/s", "0.02 mm")
    assert machine_from_numbers(Fraction(1600, 3), "6000 mm/min", "0.02 mm").axes[0].steps_per_mm == Fraction(1600, 3)


# ------------------------------------------------------------------ anything missing


def answered(seed: int, by: str) -> bool:
    """Whether machine number `seed` gets an answer; else it has one clear fault. What it assumes is what it lacks."""
    tables = partial_tables(seed)
    try:
        machine = _parse_machine(text_of(tables))
    except InputFault as fault:
        assert all(one.where and one.rule for one in fault.faults)
        return False
    keys = [one.key for one in machine.assumed]
    assert len(keys) == len(set(keys))
    assert set(keys) == missing(tables, [axis.name for axis in machine.axes])
    assert suggest(machine, by=by).ladder.rungs
    assert suggest(machine, by="coverage").explain()
    return True


def test_whatever_is_missing_there_is_an_answer_or_one_clear_fault() -> None:
    assert 42 < sum(answered(seed, "coverage") for seed in range(60)) < 60


@pytest.mark.parametrize("seed", [1, 2, 4, 5, 8])
def test_whatever_is_missing_every_ladder_can_be_tried(seed: int) -> None:
    answered(seed, "time")


@pytest.mark.heavy
@pytest.mark.parametrize("seed", range(200))
@pytest.mark.parametrize("by", ["coverage", "time"])
def test_whatever_is_missing_every_ladder_can_be_tried_of_all(seed: int, by: str) -> None:
    answered(seed, by)


def test_the_sound_file_without_a_table_is_still_a_machine() -> None:
    for name in ("knob", "selector", "link", "readout", "firmware", "name", "show_in"):
        tables = sound()
        del tables[name]
        assert _parse_machine(text_of(tables)).axes == _parse_machine(text_of(sound())).axes
