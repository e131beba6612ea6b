"""Every notebook runs from top to bottom without a browser, and its file is kept clean."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import nbformat
import pytest

from notebook_files import KERNEL, faults_of, find_notebooks, main, strip

REPO = Path(__file__).resolve().parents[1]
NOTEBOOKS = [p.relative_to(REPO).as_posix() for p in find_notebooks(REPO / "notebooks")]
# Where a browser is called for, it runs all but the solutions (tests/browser): not twice.
RUN_HERE = [path for path in NOTEBOOKS if "solutions" in path or os.environ.get("JOGTUNE_NEED_BROWSER") != "1"]


@pytest.fixture(scope="module")
def copied(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The notebooks and data in a folder of their own, so that running them leaves the tree clean."""
    root = tmp_path_factory.mktemp("copied")
    for name in ("notebooks", "datasets"):
        if (REPO / name).is_dir():
            shutil.copytree(REPO / name, root / name, ignore=shutil.ignore_patterns(".ipynb_checkpoints"))
    return root


@pytest.mark.parametrize("path", RUN_HERE)
def test_a_notebook_runs_from_top_to_bottom(
    path: str, copied: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(REPO), os.environ.get("PYTHONPATH", "")]))
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path))
    run(copied / path)


def run(file: Path) -> Any:
    """Run a notebook in its own folder, as Lab does; nbclient raises on the first cell that fails."""
    from nbclient import NotebookClient

    book = nbformat.read(file, as_version=4)
    return NotebookClient(
        book, timeout=600, kernel_name="python3", resources={"metadata": {"path": str(file.parent)}}
    ).execute()


@pytest.mark.parametrize("path", NOTEBOOKS)
def test_a_notebook_file_is_kept_clean(path: str) -> None:
    assert faults_of(REPO / path) == []


BESIDE_THE_DOOR = {"12_compare_ladders": {"jogtune.measure classroom"}}
"""What a notebook takes from elsewhere: a class is compared by a module of its own."""
LESSONS = [f"{number:02}" for number in range(1, 9)]


def taken(book: Any) -> set[str]:
    """What the code cells import of the package, as "module" or "module name"; a door by another name is told too."""
    nodes = [node for cell in book.cells if cell.cell_type == "code" for node in ast.walk(ast.parse(cell.source))]
    whole = {f"{alias.name} as {alias.asname}" for node in nodes if isinstance(node, ast.Import) for alias in node.names}
    parts = {f"{node.module} {alias.name}" for node in nodes if isinstance(node, ast.ImportFrom) for alias in node.names}
    return {name for name in whole | parts if name.startswith("jogtune")}


@pytest.mark.parametrize("path", NOTEBOOKS)
def test_a_notebook_takes_the_front_door_and_at_most_one_lesson(path: str) -> None:
    stem = Path(path).stem
    found = taken(nbformat.read(REPO / path, as_version=4)) - BESIDE_THE_DOOR.get(stem, set())
    lesson = {name for name in found if name.startswith("jogtune.lessons ")}
    assert found - lesson == {"jogtune as jt"}
    assert len(lesson) == (stem[:2] in LESSONS)


def test_what_a_notebook_takes_is_seen() -> None:
    code = "import jogtune as jt\nif True:\n    from jogtune.choose.suggest import suggest as s\nimport jogtune.files\nimport pandas as pd"
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(code), nbformat.v4.new_markdown_cell("import jogtune.cli")])
    assert taken(book) == {"jogtune as jt", "jogtune.choose.suggest suggest", "jogtune.files as None"}


def test_a_room_of_the_same_name_does_not_hide_the_door() -> None:
    code = "import jogtune as jt, jogtune.measure.classroom; assert callable(jt.measure), jt.measure"
    subprocess.run([sys.executable, "-c", code], check=True, cwd=REPO)


def dirty_book() -> Any:
    """A notebook as Lab saves it after a run, with every fault that the rules name."""
    v4 = nbformat.v4
    output = v4.new_output("stream", name="stdout", text="3\n")
    cells = [
        v4.new_code_cell("print(3)", id="one", outputs=[output], execution_count=1),
        v4.new_code_cell("\n".join(["1"] * 13), id="two", metadata={"ExecuteTime": {"start": "now"}}),
        v4.new_markdown_cell("text", id="three"),
    ]
    return v4.new_notebook(cells=cells, metadata={"widgets": {"state": {}}})


def test_every_fault_of_a_notebook_file_is_named(tmp_path: Path) -> None:
    file = tmp_path / "dirty.ipynb"
    nbformat.write(dirty_book(), file)
    said = "\n".join(faults_of(file))
    for words in ("widget state", "kernelspec", "cell one: outputs", "cell two: 13 lines", "'ExecuteTime'"):
        assert words in said
    assert main([str(tmp_path)]) == 2


def test_stripping_keeps_sources_ids_and_tags_and_nothing_else(tmp_path: Path) -> None:
    file = tmp_path / "dirty.ipynb"
    book = dirty_book()
    book.cells[0].metadata["tags"] = ["exercise"]
    nbformat.write(book, file)
    assert strip(file)
    assert not strip(file), "stripping twice changes nothing"
    after = nbformat.read(file, as_version=4)
    assert [c.id for c in after.cells] == ["one", "two", "three"]
    assert [c.source for c in after.cells] == [c.source for c in book.cells]
    assert after.cells[0].metadata.tags == ["exercise"]
    assert after.metadata == {"kernelspec": KERNEL}
    assert faults_of(file) == [
        "dirty.ipynb, cell two: 13 lines: at most 12; move logic into the package",
        "dirty.ipynb, cell two: 13 lines that a reader sees: at most 3; fold the code away, or split the cell",
    ]


def test_solutions_may_be_long(tmp_path: Path) -> None:
    file = tmp_path / "lesson_solutions.ipynb"
    nbformat.write(dirty_book(), file)
    strip(file)
    assert faults_of(file) == []


def test_a_notebook_that_fails_is_noticed(tmp_path: Path) -> None:
    from nbclient.exceptions import CellExecutionError

    file = tmp_path / "fails.ipynb"
    nbformat.write(nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("1 / 0")]), file)
    with pytest.raises(CellExecutionError, match="ZeroDivisionError"):
        run(file)
