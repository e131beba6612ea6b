"""Machine files: what is read, and every way a file can be at fault."""

from __future__ import annotations

import hashlib
import math
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from jogtune.axis.outstanding import derive_outstanding
from jogtune.cli.main import main
from jogtune.files import InputFault
from jogtune.hand.controls import Stick
from jogtune.hand.person import _GRASP_DEGREES, _REGRASP_S, _WHEEL_DEGREES, Hand
from jogtune.ladder.ladder import Ladder
from jogtune.machine.edit import changed
from jogtune.machine.fields import DRIVES, KEYS
from jogtune.machine.file import _parse_machine, machine_from_numbers, read_machine
from jogtune.machine.model import with_wishes
from machine_text import sound, text_of, with_value, without
from places import MACHINES


def test_the_sound_file_reads_exactly() -> None:
    machine = _parse_machine(text_of(sound()))
    x, z = machine.axes
    assert (x.steps_per_mm, z.steps_per_mm) == (Fraction(80), Fraction(400))
    assert x.finest_mm == Fraction(1, 50)
    assert (x.top_speed_mm_s, x.ramp_mm_s2, x.slack_mm) == (100.0, 400.0, 0.05)
    assert (z.divide, z.slack_mm, z.calm_speed_mm_s) == (16, 0.04, None)
    assert (machine.link.report_interval_s, machine.knob.steady_detents_s) == (0.04, 12.0)


@pytest.mark.parametrize("name", ["inlay_router", "slide_stage", "sign_table"])
def test_sample_machines_read(name: str) -> None:
    machine = read_machine(MACHINES / f"{name}.toml")
    assert len(machine.axes) == 3


def test_inches_are_exact_and_the_rack_is_marked(sign: Any) -> None:
    assert sign.axis("Y").steps_per_mm == Fraction(16000) / Fraction(254, 10)
    assert sign.axis("Y").finest_mm == Fraction(127, 5000)
    assert not sign.axis("X").exact
    assert float(sign.axis("X").steps_per_mm) == pytest.approx(200 * 16 * 5 / (20 * math.pi), rel=1e-12)


@pytest.mark.parametrize(
    ("steps", "exact"),
    [("80 per mm", True), ("1600/3 per mm", True), ("0.0625 per mm", True), ("2032 per in", True),
     ("1259.84252 per mm", False), ("533.333 per mm", False), ("50.929582 per mm", False)],
)  # fmt: skip
def test_a_rounded_figure_is_told_from_an_exact_one(steps: str, exact: bool) -> None:
    assert _parse_machine(text_of(with_value("axis.0.steps", steps))).axes[0].exact is exact


def test_exact_can_be_said_by_the_person() -> None:
    tables = with_value("axis.0.steps", "1259.84252 per mm")
    tables["axis"][0]["exact"] = True
    assert _parse_machine(text_of(tables)).axes[0].exact


# ------------------------------------------------------------------ faults, made by mutation

QUANTITIES = [
    "knob.steady", "knob.fastest", "link.report_every", "link.silence", "readout.step", "axis.0.steps",
    "axis.0.top_speed", "axis.0.ramp", "axis.0.reach", "axis.0.finest", "axis.0.calm_speed", "axis.0.jog_top",
    "axis.0.jog_limit", "axis.0.run_on", "axis.1.top_speed", "axis.1.ramp", "axis.1.reach", "axis.1.finest", "axis.1.motor.lead",
]  # fmt: skip
NONSENSE = ["-1 {u}", "0 {u}", "nan {u}", "inf {u}", "1e30 {u}", "1 furlong", "", "{u}", "12", "1,600 {u}"]
UNITS = {
    "steady": "detents/s", "fastest": "detents/s", "report_every": "ms", "silence": "ms", "step": "mm",
    "steps": "per mm", "top_speed": "mm/min", "ramp": "mm/s2", "reach": "mm", "finest": "mm", "calm_speed": "mm/min",
    "lead": "mm", "jog_top": "mm/s", "jog_limit": "mm", "run_on": "mm",
}  # fmt: skip
WHOLE_NUMBERS = [
    "knob.detents_per_turn", "knob.counts_per_detent", "selector.positions", "firmware.queue", "axis.1.motor.steps",
    "axis.1.motor.divide",
]  # fmt: skip
NEEDED = [
    "axis", "axis.0.steps", "axis.0.top_speed", "axis.0.finest", "axis.1.motor", "axis.1.motor.steps", "axis.1.motor.divide",
    "axis.1.motor.lead",
]  # fmt: skip


def _mutants() -> list[tuple[str, dict[str, Any]]]:
    made = [(path, with_value(path, bad.format(u=UNITS[path.rsplit(".", 1)[-1]])))
            for path in QUANTITIES for bad in NONSENSE]  # fmt: skip
    made += [(path, with_value(path, bad)) for path in QUANTITIES for bad in (80, 0.5, True, ["1 mm"])]
    made += [(p, with_value(p, bad)) for p in WHOLE_NUMBERS for bad in (0, -4, 10**9, 2.5, "4", True, math.nan)]
    made += [(path, without(path)) for path in NEEDED]
    made += [(f"{where}extra", with_value(f"{where}extra", 1)) for where in ("", "knob.", "link.", "axis.0.")]
    made += [
        ("show_in", with_value("show_in", "furlong")), ("show_in", with_value("show_in", "deg")),
        ("knob.grip", with_value("knob.grip", "paw")), ("firmware.remainder", with_value("firmware.remainder", "lose")),
        ("knob.steady", with_value("knob.steady", "41 detents/s")),
        ("knob.fastest", with_value("knob.fastest", "1200 detents/s")),
        ("link.silence", with_value("link.silence", "40 ms")), ("link.delay", with_value("link.delay", "-1 ms")),
        ("axis.0.finest", with_value("axis.0.finest", "700 mm")), ("axis.0.slack", with_value("axis.0.slack", "-1 mm")),
        ("axis.0.calm_speed", with_value("axis.0.calm_speed", "6001 mm/min")),
        ("axis.0.jog_top", with_value("axis.0.jog_top", "100.1 mm/s")), ("axis.0.jog_top", with_value("axis.0.jog_top", "9 deg/s")),
        ("axis.0.jog_limit", with_value("axis.0.jog_limit", "601 mm")), ("axis.0.run_on", with_value("axis.0.run_on", "601 mm")),
        ("axis.0.run_on", with_value("axis.0.run_on", "5 deg")), ("axis.0.jog_limit", with_value("axis.0.jog_limit", "5 deg")),
        ("firmware.when_full", with_value("firmware.when_full", "merge")),
        ("firmware.when_full", with_value("firmware.when_full", True)),
        ("axis.0.reach", with_value("axis.0.reach", "600 deg")), ("axis.0.steps", with_value("axis.0.steps", "80/0 per mm")),
        ("axis.1.name", with_value("axis.1.name", "x")), ("axis.1.motor.reduction", with_value("axis.1.motor.reduction", "1:0")),
        ("axis.1.motor.reduction", with_value("axis.1.motor.reduction", "two")), ("name", with_value("name", "  ")),
        ("selector.angles", with_value("selector.angles", [0, 30])), ("selector.angles", with_value("selector.angles", [0] * 6)),
        ("axis.0.name", with_value("axis.0.name", "")), ("axis.0.motor", with_value("axis.0.motor", {"steps": 200})),
        ("axis", with_value("axis", [])), ("knob", with_value("knob", 3)), ("axis", with_value("axis", "X")),
    ]  # fmt: skip
    return made


MUTANTS = _mutants()


def test_there_are_enough_mutants() -> None:
    assert len(MUTANTS) >= 150


@pytest.mark.parametrize(("path", "tables"), MUTANTS, ids=[f"{n}-{p}" for n, (p, _) in enumerate(MUTANTS)])
def test_a_faulty_file_is_refused_by_name(
    path: str, tables: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "machine.toml"
    file.write_text(text_of(tables), encoding="utf-8")
    code = main(["suggest", str(file)])
    said = capsys.readouterr().err
    key = path.rsplit(".", 1)[-1]
    if path == "axis.1.motor":
        key = "exactly one of steps"
    if path == "axis.0.motor":
        key = "keep one of steps, motor"
    faults = said.splitlines()[1:]
    assert code == 2
    assert str(file) in said.splitlines()[0]
    assert "Traceback" not in said
    assert any(_names(fault, path, key) for fault in faults), said


def _names(fault: str, path: str, key: str) -> bool:
    """Whether a fault begins with the key's path: `  - axis X: top_speed = ...`, `  - knob: steady: ...`."""
    where = path.split(".")
    if key.startswith(("exactly", "keep")):
        return fault.startswith("  - axis ") and key in fault
    if where[0] == "axis" and len(where) > 1:
        name = {"0": "X", "1": "Z"}[where[1]]
        own = {f"  - axis {name}: ", f"  - axis {int(where[1]) + 1}: ", "  - axis x: "}
        return fault.startswith(tuple(own)) and key in fault.split(" = ")[0].split(": ", 1)[1]
    start = "  - " + ": ".join(where)
    return fault.startswith((f"{start}:", f"{start} ="))


@pytest.mark.parametrize(
    "content",
    [b"", b"\xff\xfe\x00", b"name = ", b"[knob", b"a = " + b"[" * 3000, b"\x00\x01", b"name = 'a'\nname = 'b'\n"],
)  # fmt: skip
def test_what_is_no_machine_file_at_all(content: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "broken.toml"
    file.write_bytes(content)
    assert main(["suggest", str(file)]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_a_missing_file_and_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["suggest", str(tmp_path / "none.toml")]) == 2
    assert "can't be read" in capsys.readouterr().err
    assert main(["suggest", str(tmp_path)]) == 2
    assert "is a folder" in capsys.readouterr().err


def test_all_faults_come_at_once_each_with_its_key_path() -> None:
    tables = with_value("axis.0.top_speed", "-300 mm/min")
    tables["knob"]["steadi"] = tables["knob"].pop("steady")
    tables["axis"][1]["ramp"] = "9"
    with pytest.raises(InputFault) as caught:
        _parse_machine(text_of(tables), source="bench.toml")
    text = str(caught.value)
    assert 'axis X: top_speed = "-300 mm/min": must be above 0' in text
    assert 'knob: steadi = "12 detents/s": is not a known key: did you mean "steady"?' in text
    assert 'axis Z: ramp = "9": needs a unit' in text
    assert text.startswith("bench.toml: 3 faults")
    fault = next(fault for fault in caught.value.faults if fault.where == "axis X: top_speed")
    assert (fault.value, fault.rule) == ("-300 mm/min", "must be above 0")


def test_the_three_that_are_needed_say_how_to_find_them() -> None:
    with pytest.raises(InputFault) as missing:
        _parse_machine(text_of({"axis": [{"steps": "80 per mm", "finest": "0.02 mm"}]}))
    assert [str(fault) for fault in missing.value.faults] == [
        'axis X: top_speed: is missing: add it, for example top_speed = "6000 mm/min"'
    ]
    unknown = {"steps": "unknown", "top_speed": "unknown", "finest": "unknown"}
    with pytest.raises(InputFault) as told:
        _parse_machine(text_of({"axis": [unknown]}))
    assert [fault.where for fault in told.value.faults] == [f"axis X: {key}" for key in unknown]
    assert {fault.rule for fault in told.value.faults} == {"is needed: steps, top_speed and finest of an axis have no start value"}
    assert "microsteps" in told.value.faults[0].cure
    with pytest.raises(InputFault, match="axis: is missing: add an"):
        _parse_machine('axis = "unknown"')


def test_a_machine_shows_itself_in_its_own_units(sign: Any) -> None:
    """By hand: 16000 steps an inch on Y are 0.0000625 in a step; A turns, so its figures are degrees."""
    first, *lines = repr(sign).splitlines()
    assert first == "sign table: 5 positions, shown in in"
    assert "Y: step 0.0000625 in, top speed" in lines[1]
    assert "(inexact)" in lines[0]


def test_a_machine_with_other_wishes_is_not_that_of_its_file(router: Any) -> None:
    assert len(router.sha256) == 64
    assert with_wishes(router, steady_detents_s=9.0).sha256 == ""


def test_a_machine_names_its_file(tmp_path: Path) -> None:
    """The sum is the file's own, byte for byte, as any checksum tool gives it; here of a file with a byte order mark."""
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xef\xbb\xbf" + text_of(sound()).encode())
    machine = read_machine(path)
    assert (machine.source, machine.sha256) == (str(path), hashlib.sha256(path.read_bytes()).hexdigest())
    parsed = _parse_machine(text_of(sound()))
    assert parsed == machine
    assert parsed.sha256 == hashlib.sha256(text_of(sound()).encode()).hexdigest()


def test_every_example_of_a_key_can_be_read() -> None:
    for name, fields in {**KEYS, **DRIVES}.items():
        for key, field in fields.items():
            assert field.example or key in DRIVES or (name, key) == ("motor", "reduction"), key
            if field.example:
                field.read(tomllib.loads(f"value = {field.example}")["value"])


def test_every_key_says_what_it_is_and_what_happens_without_it() -> None:
    for name, fields in KEYS.items():
        for key, field in fields.items():
            assert field.words, (name, key)
            assert field.required or field.without or key in DRIVES, (name, key)
            assert field.start is None or field.unknown, (name, key)


def test_a_start_value_that_is_the_same_for_every_machine_is_the_one_told() -> None:
    found = {one.key: one.value for one in machine_from_numbers(80, "6000 mm/min", "0.02 mm").assumed}
    for name in ("knob", "selector", "link", "firmware"):
        for key, field in KEYS[name].items():
            if field.start is not None and key != "fastest":
                assert field.without.strip('"').startswith(found[f"{name}: {key}"]), key


@pytest.mark.parametrize(("table", "kind"), [("hand", Hand), ("stick", Stick)])
def test_an_example_said_to_hold_without_the_key_does(table: str, kind: type) -> None:
    """Their attributes are shares, seconds and degrees as the hand has them; a turn of 47 degrees and 1 degree are constants."""
    others = {"grasp_deg": _GRASP_DEGREES, "regrasp_s": _REGRASP_S, "wheel_deg": _WHEEL_DEGREES}
    for key, field in KEYS[table].items():
        if key == "rest_noise":  # without it the dead band holds
            continue
        assert field.without == "as shown"
        usual = others.get(field.attribute, getattr(kind(), field.attribute, None))
        assert field.read(tomllib.loads(f"value = {field.example}")["value"]) == pytest.approx(usual), field.attribute


def _faults(tables: dict[str, Any]) -> list[str]:
    try:
        _parse_machine(text_of(tables))
    except InputFault as fault:
        return [f"{one.where}: {one.rule}" for one in fault.faults]
    return []


def test_limits_of_our_choice_hold_from_both_sides() -> None:
    """No hand turns more than 10 turns a second (common practice, no source): 240 clicks of 24 a turn."""
    assert _faults(with_value("knob.fastest", "240 detents/s")) == []
    assert len(_faults(with_value("knob.fastest", "240.1 detents/s"))) == 1
    axis = sound()["axis"][0]
    for count, right in ((12, True), (13, False)):
        assert (_faults({**sound(), "axis": [{**axis, "name": f"A{n}"} for n in range(count)]}) == []) is right
    for count, right in ((40, True), (41, False)):
        assert (_faults({**sound(), "task": [{**TASK, "name": f"task {n}"} for n in range(count)]}) == []) is right
    assert _faults(with_value("selector.angles", [0, 5, 10, 15, 20, 25])) == []
    assert len(_faults(with_value("selector.angles", [0, 4.9, 10, 15, 20, 25]))) == 1
    assert len(_faults(with_value("selector.angles", [0, 5, 10, 15, 20, 355.1]))) == 1, "across the top of the circle"


TASK = {"name": "cross", "axis": "X", "distance": "400 mm", "tolerance": "4 mm"}


@pytest.mark.parametrize(
    ("changes", "fault"),
    [
        ({"axis": "Q"}, "axis: is no axis of this machine"), ({"distance": "4 deg"}, "distance: must be in mm or in, as axis X is"),
        ({"distance": "601 mm"}, "distance: must be no more than the reach of axis X"),
        ({"tolerance": "401 mm"}, "tolerance: must be no more than the distance"),
        ({"limit": "1 mm"}, 'limit: goes with kind = "feel" only'), ({"kind": "feel", "cue": "eye"}, 'cue: goes with kind = "goal" only'),
        ({"weight": "1"}, "weight: must be a plain number above 0, without quotes"), ({"weight": 0}, "weight: must be 0.001 to 1000"),
    ],
)  # fmt: skip
def test_a_faulty_task_is_refused_by_name(changes: dict[str, Any], fault: str) -> None:
    assert _faults({**sound(), "task": [{**TASK, **changes}]}) == [f"task cross: {fault}"]
    assert _faults({**sound(), "task": [TASK, TASK]}) == ["task cross: name: is used twice"]


# ------------------------------------------------------------------ writing back


def test_a_change_keeps_the_comments() -> None:
    original = (MACHINES / "inlay_router.toml").read_text(encoding="utf-8")
    text, machine = changed(original, {"axis X.finest": "0.05 mm", "knob.steady": "10 detents/s"}, source="mine.toml")
    assert machine.axis("X").finest_mm == Fraction(1, 20)
    assert "# while someone stands near" in text
    assert _parse_machine(text, source="mine.toml") == machine


def test_nothing_faulty_is_made() -> None:
    original = (MACHINES / "inlay_router.toml").read_text(encoding="utf-8")
    with pytest.raises(InputFault, match="must be above 0"):
        changed(original, {"knob.steady": "-10 detents/s"}, source="mine.toml")
    with pytest.raises(InputFault, match="there is no axis Q"):
        changed(original, {"axis Q.finest": "1 mm"}, source="mine.toml")


def test_numbers_on_a_rotary_axis_are_degrees(stage: Any, sign: Any) -> None:
    turntable = stage.axis("A")
    assert turntable.rotary
    assert [part.show_in for part in stage.columns] == ["mm", "deg"]
    assert Ladder.parse("0.001", "in").on(turntable) == (Fraction(1, 1000),)
    assert stage.shown_unit(turntable) == "deg"
    assert sign.shown_unit(sign.axis("X")) == "in"


@pytest.mark.parametrize(
    ("key", "meant"),
    [("max_speed", "top_speed"), ("maxspeed", "top_speed"), ("Rapid", "top_speed"), ("accel", "ramp"), ("backlash", "slack"),
     ("travel", "reach"), ("microsteps", "divide"), ("calmspeed", "calm_speed")],
)  # fmt: skip
def test_what_people_call_a_key_is_understood_and_a_calm_speed_never_guessed(key: str, meant: str) -> None:
    with pytest.raises(InputFault, match=f'{key} = .*: is not a known key: did you mean "{meant}"'):
        _parse_machine(text_of(with_value(f"axis.0.{key}", "1 mm")))
    with pytest.raises(InputFault) as told:
        _parse_machine(text_of(with_value("axis.0.palm_speed", "1 mm/s")))
    assert "calm_speed" not in str(told.value)


def test_no_limit_is_longer_than_its_axis() -> None:
    router = read_machine(MACHINES / "inlay_router.toml")
    for axis in router.axes:
        found = derive_outstanding(router, axis, Ladder.parse("0.02, 5000"))
        assert found.limit_mm == axis.reach_mm
        assert found.limit_steps == axis.reach_mm * float(axis.steps_per_mm)


@pytest.mark.parametrize("text", ["a." * 10_000 + "a = 1", "a = " + "[" * 10_000 + "]" * 10_000, "a = 1\n" * 60_000])
def test_what_is_too_deep_or_too_much_is_not_changed_either(text: str) -> None:
    with pytest.raises(InputFault, match="1 fault\n  - not valid TOML: (a key of more than 32 parts|tables or lists nested|more than 50000)"):
        changed(text, {"knob.steady": "10 detents/s"}, source="m.toml")


def test_the_first_twenty_unknown_keys_are_named_and_the_rest_counted() -> None:
    tables = sound()
    tables["knob"] |= {f"odd{n}": 1 for n in range(1000)}
    with pytest.raises(InputFault) as caught:
        _parse_machine(text_of(tables))
    assert len(caught.value.faults) == 21
    assert caught.value.faults[-1] == "knob: and 980 more that are not known keys: remove them"
