"""The code keeps to the tree that DEVELOPERS.md draws: every module is in it, and imports only look up."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from places import ROOT

PACKAGE = ROOT / "jogtune"
MODULES = sorted(p for p in PACKAGE.rglob("*.py") if p.name != "__init__.py")


def _tree() -> list[str]:
    """The modules in the order of the drawn tree, as paths below the package."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    block = text.split("## The house", 1)[1].split("```", 2)[1]
    order, folder = [], ""
    for line in block.splitlines():
        indent = len(line) - len(line.lstrip())
        head = re.match(r"\s*(\w+)/(?:\s|$)", line)
        if head:
            folder = f"{head[1]}/" if indent == 2 else ""
            continue
        inside = folder if indent == 4 else ""
        names = re.match(r"\s*((?:\w+\.py\s*)+)", line)
        order += [inside + name for name in names[1].split()] if names else []
    return order


ORDER = _tree()


def test_every_module_is_drawn_once() -> None:
    assert sorted(ORDER) == [path.relative_to(PACKAGE).as_posix() for path in MODULES]


def _imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.level:
            base = path.parents[node.level - 1]
            named = base.joinpath(*node.module.split(".")) if node.module else base
            places = [named.with_suffix(".py"), *((named / alias.name).with_suffix(".py") for alias in node.names)]
            found |= {place.relative_to(PACKAGE).as_posix() for place in places if place.exists()}
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_a_module_imports_only_what_stands_above_it(path: Path) -> None:
    own = ORDER.index(path.relative_to(PACKAGE).as_posix())
    assert [name for name in sorted(_imports(path)) if ORDER.index(name) >= own] == []


def test_the_top_level_holds_what_it_should() -> None:
    listed = {p.name for p in ROOT.iterdir() if not p.name.startswith(".") and p.suffix != ".egg-info"}
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "jogtune", "notebooks", "tests", "datasets"}
    made = {"build", "dist", "first_ladder", "api_docs"}  # what git ignores
    assert listed - made == allowed
