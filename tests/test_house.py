"""The house stays one: files in their rooms, imports only look up, no file too long."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from house import APART, PACKAGE, order, tree
from places import ROOT

ORDER = order()
MODULES = sorted(p for p in PACKAGE.rglob("*.py") if p.name not in APART)
LOOKS_UP = "shown.py"  # the one file that looks up, when a result is asked to show itself
MOST_LINES = 400


def test_every_file_has_its_place() -> None:
    assert sorted(ORDER) == [path.relative_to(PACKAGE).as_posix() for path in MODULES]


def imports_of(path: Path) -> set[str]:
    """The files of the package that a file imports from: relative, absolute, lazy or for types alone."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            module = (node.module or "").split(".") if node.module else []
            if node.level:
                base = path.parents[node.level - 1]
            elif module[:1] == ["jogtune"]:
                base, module = PACKAGE, module[1:]
            else:
                continue
            named = base.joinpath(*module)
            places = [named.with_suffix(".py"), *((named / alias.name).with_suffix(".py") for alias in node.names)]
            found |= {place.relative_to(PACKAGE).as_posix() for place in places if place.exists() and place.name not in APART}
        elif isinstance(node, ast.Import):
            assert not any(alias.name.startswith("jogtune") for alias in node.names), f"{path}: import from, by name"
    return found


@pytest.mark.parametrize("path", [path for path in MODULES if path.name != LOOKS_UP], ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_a_file_imports_only_what_stands_before_it(path: Path) -> None:
    own = path.relative_to(PACKAGE).as_posix()
    assert {name for name in imports_of(path) if ORDER.index(name) >= ORDER.index(own)} == set()


def test_no_file_is_too_long() -> None:
    long = {path.name: count for path in MODULES if (count := len(path.read_text(encoding="utf-8").splitlines())) > MOST_LINES}
    assert not long


def test_the_tree_is_the_one_drawn() -> None:
    assert tree() in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"), "run python tests/house.py"


def test_what_developers_are_sent_to_is_there() -> None:
    named = re.findall(r"`([\w./]+/[\w./]*|[\w/]+\.[a-z]+)`", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    lost = [name for name in named if not any((place / name).exists() for place in (ROOT, PACKAGE, PACKAGE / "machine"))]
    assert len(named) > 15
    assert lost == []


def test_the_top_level_holds_what_it_should() -> None:
    listed = {p.name for p in ROOT.iterdir() if not p.name.startswith(".") and p.suffix != ".egg-info"}
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "jogtune", "notebooks", "tests", "datasets"}
    made = {"build", "dist", "first_ladder", "api_docs"}  # what git ignores
    assert listed - made == allowed
