"""The API documentation: every public name is said, shown by an example, and built into a page.

Pytest runs the examples themselves (`--doctest-modules` over `jogtune`); here it is made sure that none is missing.
"""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import pytest

from places import ROOT

PACKAGE = ROOT / "jogtune"
MODULES = sorted(path for path in PACKAGE.rglob("*.py") if path.name != "__init__.py")
Definition = ast.FunctionDef | ast.ClassDef | ast.Assign | ast.AnnAssign


def dotted(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


@lru_cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@lru_cache
def public_names(path: Path) -> tuple[str, ...] | None:
    """What `__all__` lists; None where there is none."""
    for node in tree_of(path).body:
        targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
        if any(isinstance(target, ast.Name) and target.id == "__all__" for target in targets):
            return tuple(ast.literal_eval(node.value))  # type: ignore[union-attr, arg-type]
    return None


def names_of(node: ast.stmt) -> list[str]:
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        return [node.name]
    targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
    return [target.id for target in targets if isinstance(target, ast.Name)]


def found(path: Path, name: str) -> tuple[Path, Definition] | None:
    """Where a name of a module is defined: there, or in the module it is imported from."""
    for node in tree_of(path).body:
        if name in names_of(node):
            return path, node  # type: ignore[return-value]
        if isinstance(node, ast.ImportFrom) and name in [alias.name for alias in node.names]:
            there = path.parents[node.level - 1].joinpath(*(node.module or "").split(".")).with_suffix(".py")
            return found(there, name)
    return None


def said(path: Path, definition: Definition) -> str:
    """The docstring of a definition; that of a constant is the text below it."""
    if isinstance(definition, ast.FunctionDef | ast.ClassDef):
        return ast.get_docstring(definition) or ""
    body = tree_of(path).body
    after = body[body.index(definition) + 1]
    text = after.value.value if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant) else ""
    return text if isinstance(text, str) else ""


def docstrings(path: Path) -> Iterator[str]:
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
            yield ast.get_docstring(node) or ""


def is_shown(path: Path, name: str, definition: Definition) -> bool:
    """Whether an example shows it: its own, one of its methods', or for a constant any of its module."""
    if isinstance(definition, ast.FunctionDef):
        return ">>>" in said(path, definition)
    if isinstance(definition, ast.ClassDef):
        own = (said(path, node) for node in definition.body if isinstance(node, ast.FunctionDef))
        return any(">>>" in text for text in [said(path, definition), *own])
    lines = [line for text in docstrings(path) for line in text.splitlines() if line.startswith(">>>")]
    return any(re.search(rf"\b{name}\b", line) for line in lines)


def faults_of(path: Path) -> Iterator[str]:
    for name in public_names(path) or ():
        place = found(path, name)
        if place is None:
            yield f"{name} is in __all__ and is not defined"
        elif not said(*place).strip():
            yield f"{name} has no docstring"
        elif not (is_shown(place[0], name, place[1]) or is_shown(path, name, place[1])):
            yield f"{name} has no example"


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_every_public_name_is_said_and_shown(path: Path) -> None:
    assert ast.get_docstring(tree_of(path)), "has no docstring"
    assert public_names(path) is not None, "has no __all__"
    assert list(faults_of(path)) == []


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_a_docstring_begins_with_a_sentence(path: Path) -> None:
    begun = {name: said(*place).split("\n\n")[0].strip() for name in public_names(path) or () if (place := found(path, name))}
    assert [name for name, text in begun.items() if text[-1:] not in (".", ":") or not text[:1].strip()] == []


def imports_of(source: str) -> Iterator[tuple[str, str]]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("jogtune"):
            yield from ((node.module or "", alias.name) for alias in node.names)


def test_what_notebooks_import_is_public() -> None:
    asked = set()
    for path in ROOT.glob("notebooks/**/*.ipynb"):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        for cell in cells:
            if cell["cell_type"] == "code":
                asked |= set(imports_of("".join(line for line in cell["source"] if line[:1] not in ("%", "!"))))
    assert asked, "no notebook imports anything: has the folder moved?"
    public = {dotted(path): public_names(path) or () for path in MODULES}
    assert sorted(f"{module}.{name}" for module, name in asked if name not in public.get(module, ())) == []


@pytest.mark.heavy
def test_the_api_page_builds_without_a_warning(tmp_path: Path) -> None:
    pytest.importorskip("pdoc", reason='the API page needs pdoc: pip install ".[docs]"')
    for needed in ("ipywidgets", "anywidget"):
        pytest.importorskip(needed, reason='the panels are part of the page: pip install ".[lab]"')
    command = [sys.executable, "-m", "pdoc", "jogtune", "--no-show-source", "--no-search", "-o", str(tmp_path)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=280, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr.strip() == ""
    for path in MODULES:
        if path.name == "__main__.py":  # the command line, which pdoc leaves out
            continue
        page = tmp_path.joinpath(*dotted(path).split(".")).with_suffix(".html").read_text(encoding="utf-8")
        assert [name for name in public_names(path) or () if f'id="{name}"' not in page] == [], dotted(path)
