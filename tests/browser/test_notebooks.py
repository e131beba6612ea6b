"""Every notebook in JupyterLab: runs to the end, shows no error, and its panels answer their controls."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import nbformat
import pytest

from .lab import (
    REPO,
    LabServer,
    assert_ran_clean,
    await_change,
    close_notebook,
    move_first_control,
    panels,
    picture_of,
    run_notebook,
)

pytestmark = pytest.mark.browser
# The solutions show nothing that the lessons don't; they run without a browser.
NOTEBOOKS = sorted(p.relative_to(REPO).as_posix() for p in (REPO / "notebooks").glob("*.ipynb"))

PANEL = """\
import io
import ipywidgets, matplotlib.figure
picture, slider = ipywidgets.Image(format="png"), ipywidgets.IntSlider(value=3, max=9)
def draw(change=None):
    figure = matplotlib.figure.Figure(figsize=(2, 1))
    figure.subplots().plot([0, slider.value])
    file = io.BytesIO()
    figure.savefig(file)
    picture.value = file.getvalue()
slider.observe({watcher}, "value")
draw()
ipywidgets.VBox([slider, picture])"""


def check(page: Any, lab: LabServer, path: str, artefacts: Path) -> int:
    """Run a notebook, move each panel's first control, keep a screenshot; returns how many panels."""
    assert_ran_clean(run_notebook(page, lab, path))
    found = panels(page)
    for panel in found:
        before = picture_of(page, panel)
        move_first_control(page, panel)
        await_change(page, panel, before)
    page.screenshot(path=artefacts / f"{Path(path).stem}.png")
    close_notebook(page)
    return len(found)


def write_notebook(lab: LabServer, name: str, *sources: str) -> str:
    """Put a notebook with these code cells beside the copied ones; returns its path for Lab."""
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(s) for s in sources])
    book.metadata.kernelspec = {"name": "python3", "display_name": "Python 3", "language": "python"}
    nbformat.write(book, lab.root / name)
    return name


@pytest.mark.parametrize("path", NOTEBOOKS)
def test_a_notebook_runs_and_its_panels_answer(
    path: str, page: Any, lab: LabServer, artefacts: Path, record_property: Any
) -> None:
    record_property("panels", check(page, lab, path, artefacts))


def test_the_machinery_sees_a_panel_that_answers(page: Any, lab: LabServer, artefacts: Path) -> None:
    path = write_notebook(lab, "answers.ipynb", "1 + 1", PANEL.format(watcher="draw"))
    assert check(page, lab, path, artefacts) == 1


def test_the_machinery_sees_a_panel_that_is_dead(page: Any, lab: LabServer) -> None:
    path = write_notebook(lab, "dead.ipynb", PANEL.format(watcher="lambda change: None"))
    assert_ran_clean(run_notebook(page, lab, path))
    (panel,) = panels(page)
    before = picture_of(page, panel)
    move_first_control(page, panel)
    with pytest.raises(AssertionError, match="did not change"):
        await_change(page, panel, before, patience_s=1.5)


def test_the_machinery_sees_errors_and_cells_that_never_ran(page: Any, lab: LabServer) -> None:
    path = write_notebook(lab, "fails.ipynb", "1 + 1", "1 / 0", "2 + 2")
    with pytest.raises(AssertionError, match=r"(?s)ZeroDivisionError.*2 \+ 2.*did not run"):
        assert_ran_clean(run_notebook(page, lab, path))


def test_the_kernel_imports_the_package_under_test(page: Any, lab: LabServer) -> None:
    line = f"import jogtune; assert jogtune.__file__.startswith({str(REPO)!r}), jogtune.__file__"
    assert_ran_clean(run_notebook(page, lab, write_notebook(lab, "where.ipynb", line)))
