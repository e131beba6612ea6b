"""The pictures that README shows. `python .pictures/make.py` makes them anew, as Chromium shows them (a few minutes).

The ladder chart is the one that README's first command writes; the panel is a notebook's, in JupyterLab; the phone shows the
knob's page, turned by a script. It needs what the browser tests need.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

import nbformat

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from browser.conftest import fresh_page  # noqa: E402
from browser.lab import CHROMIUM_FLAGS, LabServer, find_chromium, open_notebook  # noqa: E402
from jogtune.cli.main import main  # noqa: E402

HERE = Path(__file__).parent
MACHINE = ROOT / "datasets/machines/inlay_router.toml"
LOG = ROOT / "datasets/logs/inlay_router_simulated.csv"
PANEL = "import jogtune as jt\njt.explore()"


def draw_chart(folder: Path) -> None:
    """The ladder chart, as `suggest --out` writes it."""
    main(["suggest", str(MACHINE), "--log", str(LOG), "--out", str(folder / "first_ladder")])
    shutil.copy(folder / "first_ladder/ladder_chart.png", HERE / "ladder_chart.png")


def show_panel(chromium: Any, folder: Path) -> None:
    """The panel for a machine, in a notebook."""
    for name in ("root", "private"):
        (folder / name).mkdir()
    lab = LabServer(root=folder / "root", private=folder / "private")
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(PANEL)])
    book.metadata.kernelspec = {"name": "python3", "display_name": "Python 3", "language": "python"}
    book.cells[0].metadata["jupyter"] = {"source_hidden": True}
    nbformat.write(book, lab.root / "panel.ipynb")
    try:
        lab.start()
        for page in fresh_page(chromium):
            page.set_viewport_size({"width": 1400, "height": 1500})
            open_notebook(page, lab, "panel.ipynb")
            page.evaluate("jogtuneTest.begin('all', jogtuneTest.runAll())")
            panel = page.locator(".jogtune-panel").first
            panel.wait_for()
            page.wait_for_timeout(8000)  # until it has come to rest, its denser picture and its words with it
            box = panel.bounding_box()
            page.screenshot(path=HERE / "panel.png", clip={**box, "height": min(box["height"], 1000)})
    finally:
        lab.stop()


def show_phone(chromium: Any, folder: Path) -> None:
    """The knob's page on a phone, on the way to a goal."""
    knob = folder / "knob.html"
    main(["export", str(MACHINE), "--ladder", "0.02,0.1,0.5,2,8", "--knob", str(knob)])
    phone = {"viewport": {"width": 390, "height": 700}, "has_touch": True, "is_mobile": True, "device_scale_factor": 2}
    page = chromium.new_context(**phone).new_page()
    page.goto(knob.as_uri())
    page.get_by_role("button", name="Start the goals").tap()
    page.keyboard.press("4")
    for _ in range(16):
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(40)
    page.screenshot(path=HERE / "phone.png")


def make() -> None:
    """All of them."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as name, sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=find_chromium(), args=CHROMIUM_FLAGS)
        draw_chart(Path(name))
        show_panel(chromium, Path(name))
        show_phone(chromium, Path(name))
        chromium.close()


if __name__ == "__main__":
    make()
