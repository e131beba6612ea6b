"""What a notebook file may hold when it is kept: no outputs, no widget state, short cells, ids that stay.

`python tests/notebook_files.py notebooks` names every fault; `--strip` first takes out what running left.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import nbformat

LONGEST_CELL = 12
LONGEST_SEEN = 3
KERNEL = {"name": "python3", "display_name": "Python 3 (ipykernel)", "language": "python"}
KEPT_CELL_METADATA = {"tags", "jupyter", "editable", "deletable", "slideshow"}


def find_notebooks(folder: Path) -> list[Path]:
    """Every notebook below a folder, checkpoints left out, in order of name."""
    return sorted(p for p in folder.rglob("*.ipynb") if ".ipynb_checkpoints" not in p.parts)


def is_solution(path: Path) -> bool:
    """Whether the file holds solutions, where cells may be long."""
    return "solution" in path.as_posix().lower()


def faults_of(path: Path) -> list[str]:
    """Every rule that a notebook file breaks, each with the cell's id."""
    book = nbformat.read(path, as_version=nbformat.NO_CONVERT)
    if (book.nbformat, book.nbformat_minor) < (4, 5):
        return [f"{path.name}: format {book.nbformat}.{book.nbformat_minor}: must be 4.5, which has cell ids"]
    found = [f"{path.name}: {fault}" for fault in _book_faults(book)]
    for cell in book.cells:
        found += [f"{path.name}, cell {cell.get('id')}: {f}" for f in _cell_faults(cell, is_solution(path))]
    return found


def _book_faults(book: Any) -> list[str]:
    found = []
    if "widgets" in book.metadata:
        found.append("widget state is saved")
    if book.metadata.get("kernelspec", {}).get("name") != KERNEL["name"]:
        found.append("kernelspec: must be python3, or Lab asks which kernel to start")
    ids = Counter(cell.get("id") for cell in book.cells)
    found += [f"cell id {i} occurs {n} times" for i, n in ids.items() if n > 1]
    return found


def _cell_faults(cell: Any, may_be_long: bool) -> list[str]:
    found = []
    if not re.fullmatch(r"[A-Za-z0-9_-]{1,64}", cell.get("id", "")):
        found.append("has no usable id")
    found += [f"metadata {name!r} is kept" for name in set(cell.metadata) - KEPT_CELL_METADATA]
    if cell.cell_type != "code":
        return found
    if cell.outputs or cell.execution_count is not None:
        found.append("outputs or a prompt number are kept")
    lines = len(cell.source.splitlines())
    if lines > LONGEST_CELL and not may_be_long:
        found.append(f"{lines} lines: at most {LONGEST_CELL}; move logic into the package")
    seen = sum(bool(line.strip()) for line in cell.source.splitlines())
    if seen > LONGEST_SEEN and not may_be_long and not cell.metadata.get("jupyter", {}).get("source_hidden"):
        found.append(f"{seen} lines that a reader sees: at most {LONGEST_SEEN}; fold the code away, or split the cell")
    return found


def strip(path: Path) -> bool:
    """Take outputs, prompt numbers, widget state and passing metadata out of a file; True if it changed."""
    before = path.read_text(encoding="utf-8")
    book = nbformat.reads(before, as_version=4)
    book.metadata = nbformat.NotebookNode(kernelspec=nbformat.NotebookNode(KERNEL))
    for cell in book.cells:
        kept = {k: v for k, v in cell.metadata.items() if k in KEPT_CELL_METADATA}
        cell.metadata = nbformat.NotebookNode(kept)
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    after = nbformat.writes(book, version=4) + "\n"
    if after != before:
        path.write_text(after, encoding="utf-8")
    return after != before


def main(arguments: list[str] | None = None) -> int:
    """Check (and with --strip first clean) every notebook below the folders given; 0 when all is well."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("folders", nargs="*", type=Path, default=[Path("notebooks")])
    parser.add_argument("--strip", action="store_true")
    chosen = parser.parse_args(arguments)
    files = [f for place in chosen.folders for f in ([place] if place.is_file() else find_notebooks(place))]
    for file in files if chosen.strip else []:
        if strip(file):
            print(f"stripped {file}")
    found = [fault for file in files for fault in faults_of(file)]
    print("\n".join(found) if found else f"{len(files)} notebooks, no fault")
    return 2 if found else 0


if __name__ == "__main__":
    sys.exit(main())
