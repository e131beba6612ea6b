"""Every mutant of tests/mutants.py is noticed by the test named beside it; run by hand with `-m heavy -s`."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from mutants import MUTANTS
from places import ROOT

COPIED = ("jogtune", "tests", "datasets", "notebooks", "pyproject.toml")


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The package with its tests, apart from the one in use."""
    place = tmp_path_factory.mktemp("mutants")
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, place / name, ignore=shutil.ignore_patterns("__pycache__", "browser", "benchmarks"))
        else:
            shutil.copy(source, place / name)
    return place


def run(copy: Path, test: str) -> int:
    """The exit code of a test in the copy: 0 all passed, 1 some failed."""
    where, _, chosen = test.partition(" -k ")
    asked = [*shlex.split(where), *(["-k", chosen] if chosen else [])]
    command = [sys.executable, "-m", "pytest", *asked, "-x", "-q", "-p", "no:cacheprovider"]
    done = subprocess.run(command, cwd=copy, env={**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}, capture_output=True)
    return done.returncode


@pytest.mark.parametrize(("file", "old", "new", "test"), MUTANTS)
def test_what_a_mutant_changes_stands_once(file: str, old: str, new: str, test: str) -> None:
    assert (ROOT / "jogtune" / file).read_text(encoding="utf-8").count(old) == 1
    assert old != new
    assert (ROOT / test.split()[0]).exists()


@pytest.mark.heavy
@pytest.mark.parametrize("test", sorted({mutant[3] for mutant in MUTANTS}))
def test_the_tests_named_pass_where_nothing_is_changed(test: str, copy: Path) -> None:
    assert run(copy, test) == 0


@pytest.mark.heavy
@pytest.mark.parametrize("number", range(len(MUTANTS)), ids=lambda n: f"{n}-{MUTANTS[n][0]}")
def test_a_mutant_is_noticed(number: int, copy: Path) -> None:
    file, old, new, test = MUTANTS[number]
    place = copy / "jogtune" / file
    kept = place.read_text(encoding="utf-8")
    place.write_text(kept.replace(old, new), encoding="utf-8")
    try:
        code = run(copy, test)
    finally:
        place.write_text(kept, encoding="utf-8")
    print(f"\n{file}: {old!r} -> {new!r}: {'noticed' if code == 1 else f'NOT NOTICED ({code})'} by {test}")
    assert code == 1
