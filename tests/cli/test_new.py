"""`jogtune new`: a machine file that runs as it stands, samples byte for byte, and every key told.

Decision: what nobody should guess (slack, calm speed, what the firmware does with remainders) stands in the new file as unknown, so
that it is told as such until it is measured or looked up."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from house import ROOMS
from jogtune.cli.main import main
from jogtune.cli.new import _keys_text, _new_text
from jogtune.machine.fields import DRIVES, KEYS
from jogtune.machine.file import SAMPLES, _parse_machine, read_machine
from places import MACHINES, ROOT

TEXT = _new_text("my_machine.toml")
SHUT = ("task", "hand", "stick", "buttons", "probe")
"""Tables that one may do without as a whole."""
OUT = re.compile(r"^# (?=\[|\w+ = )")
"""How a line begins that is taken in by taking its # away."""


def test_the_file_runs_as_it_stands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "my machine.toml"
    assert main(["new", str(place)]) == 0
    said = capsys.readouterr().out
    assert said == f"Wrote {place}. Change its figures, then run: jogtune suggest '{place}'\n"
    assert "#   jogtune suggest 'my machine.toml'\n" in place.read_text(encoding="utf-8")
    assert main(["suggest", str(place), "--rungs", "3"]) == 0
    answer = capsys.readouterr().out
    assert answer.startswith("my machine: ")
    assert "slack not known" in answer


def test_nothing_is_assumed_but_what_the_file_says(tmp_path: Path) -> None:
    machine = _parse_machine(TEXT)
    assert [axis.name for axis in machine.axes] == ["X", "Y", "Z"]
    assert (machine.axes[1].steps_per_mm, machine.axes[2].steps_per_mm) == (80, 400)
    unknown = {f"axis {axis}: {key}" for axis in "XYZ" for key in ("slack", "calm_speed")}
    assert {one.key for one in machine.assumed} == unknown | {"firmware: remainder", "task"}
    assert TEXT.count('= "unknown"') == len(unknown) + 1


def section(table: str) -> str:
    """The part of the new file on a table."""
    parts = TEXT.split("\n\n")
    return parts[1] if table == "" else next(part for part in parts if re.match(rf"(# )?\[+{table}\]", part))


def test_each_key_is_in_it_with_what_it_is_and_what_holds_without_it() -> None:
    for table, keys in KEYS.items():
        feel = TEXT.split("\n\n")[TEXT.split("\n\n").index(section(table)) + 1] if table == "task" else ""
        lines = f"{section(table)}\n{feel}".splitlines()
        flat = " ".join(line.split("# ", 2 if line.startswith("# ") else 1)[-1].strip() for line in lines)
        for key, field in keys.items():
            if key in DRIVES:
                assert f"#   or: {key} = {{ " in TEXT
                continue
            told = next(line for line in lines if re.match(rf"(# )?{key} = ", line))
            usual = field.required or field.start is not None or key in ("name", "show_in", "steps")
            assert told.startswith("# ") is (table in SHUT or not usual), key
            assert f"{field.words}; " in flat, key
            assert not field.without or f"; {'else ' if field.unknown else ''}{field.without}" in flat, key
    assert {line.split(" = ")[0] for line in TEXT.splitlines() if "# NEEDED: " in line} == {"steps", "top_speed", "finest"}
    for keys in DRIVES.values():
        assert all(f"{key} = {field.example}" in TEXT for key, field in keys.items() if field.required)
    assert max(map(len, TEXT.splitlines())) <= 102


def test_every_key_behind_a_sign_can_be_taken_in() -> None:
    lines = TEXT.splitlines()
    shut = [n for n, line in enumerate(lines) if OUT.match(line)]
    assert len(shut) > 40
    everything = "\n".join(OUT.sub("", line) for line in lines)
    machine = _parse_machine(everything)
    assert [task.kind for task in machine.tasks] == ["goal", "feel"]
    assert None not in (machine.stick, machine.buttons, machine.probe, machine.selector.angles_deg, machine.axes[0].jog_limit_mm, machine.hand.look_s)
    assert "task" not in {one.key for one in machine.assumed}
    for n in (n for n in shut if n < shut_table(lines)):
        alone = "\n".join(OUT.sub("", line) if k == n else line for k, line in enumerate(lines))
        assert tomllib.loads(alone) != tomllib.loads(TEXT)
        _parse_machine(alone)


def shut_table(lines: list[str]) -> int:
    """Where the first table begins that is shut as a whole."""
    return next(n for n, line in enumerate(lines) if line.startswith("# ["))


def test_the_table_of_keys_needs_no_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", "--keys"]) == 0
    said = capsys.readouterr().out
    assert said == f"{_keys_text()}\n"
    assert max(map(len, said.splitlines())) <= 100
    flat = " ".join(said.split())
    for keys in (*KEYS.values(), *DRIVES.values()):
        for key, field in keys.items():
            rows = [line for line in said.splitlines() if line.startswith(f"  {key} ") or line == f"  {key}"]
            assert any(("{ ... }" if key in DRIVES else field.example) in line for line in rows), key
            assert field.words in flat or key in DRIVES
            assert field.without in flat
    assert all(f"[{name}]" in said for name in KEYS if name)


def test_it_is_never_written_over_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "mine.toml"
    place.write_text("mine", encoding="utf-8")
    assert main(["new", str(place)]) == 2
    assert "exists and is not overwritten unasked: choose another place, or add --overwrite" in capsys.readouterr().err
    assert place.read_text(encoding="utf-8") == "mine"
    assert main(["new", str(place), "--overwrite"]) == 0
    assert place.read_text(encoding="utf-8") == _new_text("mine.toml")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "names no file to write"), (["--keys", "a.toml"], "leave out file"), (["--keys", "--from", "x"], "leave out file"),
        (["none/a.toml"], "there is no folder none"), ([""], "is empty"),
        (["a.toml", "--from", "lathe"], '"lathe": is no machine file and no sample: samples are inlay_router, sign_table, slide_stage'),
        (["a.toml", "--from", "broken.toml"], "not valid TOML"),
    ],
)  # fmt: skip
def test_faulty_options_are_one_clear_line(
    arguments: list[str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("broken.toml").write_text("name = ", encoding="utf-8")
    assert main(["new", *arguments]) == 2
    said = capsys.readouterr().err
    assert says in said
    assert len(said.splitlines()) == 2
    assert not Path("a.toml").exists()


@pytest.mark.parametrize("name", ["inlay_router", "sign_table", "slide_stage"])
def test_a_sample_is_the_same_bytes(name: str, tmp_path: Path) -> None:
    sample = MACHINES / f"{name}.toml"
    for number, begin in enumerate((name, str(sample))):
        assert main(["new", str(tmp_path / f"{number}.toml"), "--from", begin]) == 0
        assert (tmp_path / f"{number}.toml").read_bytes() == sample.read_bytes()
    assert read_machine(tmp_path / "0.toml") == read_machine(sample)


def test_every_sample_machine_is_one_to_begin_with() -> None:
    assert sorted(SAMPLES) == sorted(path.stem for path in MACHINES.glob("*.toml"))


def test_every_room_the_notebooks_and_the_data_are_packed() -> None:
    """The list in pyproject.toml is written out, as notebooks and data lie outside the package."""
    packed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    assert sorted(packed["packages"]) == sorted(["jogtune", *packed["package-dir"], *(f"jogtune.{room}" for room in ROOMS if room)])
    assert packed["package-dir"] == {"jogtune.notebooks": "notebooks", "jogtune.datasets": "datasets"}
