"""The written page in a real browser: self-contained, readable, printable, open to all."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from jogtune.cli.main import main
from places import MACHINES, ROOT

pytestmark = pytest.mark.browser
LOG = ROOT / "datasets" / "logs" / "inlay_router_simulated.csv"


@pytest.fixture(scope="module", params=["inlay_router", "slide_stage", "sign_table"])
def written(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page as the command writes it; the router's with its log."""
    folder = tmp_path_factory.mktemp(request.param)
    log = ["--log", str(LOG)] if request.param == "inlay_router" else []
    assert main(["suggest", str(MACHINES / f"{request.param}.toml"), "--out", str(folder), *log, "--overwrite"]) == 0
    return folder / "ladder.html"


def _axe_source() -> Path:
    found = importlib.util.find_spec("axe_playwright_python")
    assert found is not None
    assert found.origin is not None
    return Path(found.origin).parent / "axe.min.js"


def test_it_asks_for_nothing_and_runs_no_script(page: Any, written: Path) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(written.as_uri())
    assert asked == [written.as_uri()]
    assert page.evaluate("document.scripts.length") == 0


@pytest.mark.parametrize("width", [1280, 360])
def test_axe_finds_no_barrier(page: Any, written: Path, width: int, artefacts: Path) -> None:
    # axe-core (Deque), as bundled in PyPI axe-playwright-python: WCAG 2.1 A and AA, and its best practices
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(written.as_uri())
    page.add_script_tag(path=str(_axe_source()))
    found = page.evaluate("axe.run()")
    faults = [(v["id"], v["help"], [n["target"] for n in v["nodes"]][:3]) for v in found["violations"]]
    page.screenshot(path=str(artefacts / f"page_{written.parent.name}_{width}.png"), full_page=True)
    assert faults == []
    assert len(found["passes"]) > 10


@pytest.mark.parametrize(("width", "height"), [(1400, 900), (360, 800)])
def test_it_opens_with_answer_and_chart_and_the_rest_is_folded(page: Any, written: Path, width: int, height: int) -> None:
    page.set_viewport_size({"width": width, "height": height})
    page.goto(written.as_uri())
    boxes = {name: page.locator(f"{name} >> visible=true").first.bounding_box() for name in ("h1", ".answer", "figure svg", ".cautions")}
    for name in ("h1", ".answer", "figure svg"):
        assert boxes[name]["y"] + boxes[name]["height"] <= height, name
    assert page.evaluate("document.querySelectorAll('details').length") >= 7
    assert page.evaluate("document.querySelectorAll('details[open]').length") == 0
    assert boxes[".cautions"]["y"] < page.locator("details").first.bounding_box()["y"]
    assert page.locator(".cautions li", has_text="steps/s").count() >= 1


def test_it_is_readable_at_360_px(page: Any, written: Path) -> None:
    page.set_viewport_size({"width": 360, "height": 800})
    page.goto(written.as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    small = page.evaluate(
        "[...document.querySelectorAll('p, li, td, th')].filter(e => parseFloat(getComputedStyle(e).fontSize) < 12).length"
    )
    assert small == 0
    # the smallest text of a chart is 8 pt, and its viewBox counts in pt
    scales = page.evaluate(
        "[...document.querySelectorAll('figure svg')].filter(e => e.clientWidth).map(e => e.clientWidth / e.viewBox.baseVal.width)"
    )
    assert len(scales) == 7
    assert min(scales) * 8 >= 9


def test_it_is_dark_where_dark_is_asked_for(chromium: Any, written: Path) -> None:
    context = chromium.new_context(color_scheme="dark")
    sheet = context.new_page()
    sheet.goto(written.as_uri())
    ink, paper = (sheet.evaluate(f"getComputedStyle(document.body).{name}") for name in ("color", "backgroundColor"))
    context.close()
    assert sum(map(int, re.findall(r"\d+", paper))) < 100 < 600 < sum(map(int, re.findall(r"\d+", ink)))


def test_it_prints_on_a4_with_nothing_cut(page: Any, written: Path, artefacts: Path) -> None:
    if shutil.which("pdftoppm") is None:
        assert os.environ.get("JOGTUNE_NEED_POPPLER") != "1", "pdftoppm is missing"
        pytest.skip("pdftoppm (Debian's poppler-utils) is not installed")
    page.goto(written.as_uri())
    sheet = artefacts / f"page_{written.parent.name}.pdf"
    page.pdf(path=str(sheet), prefer_css_page_size=True, print_background=True)
    told = subprocess.run(["pdfinfo", str(sheet)], capture_output=True, text=True, check=True).stdout
    assert "A4" in told
    text = subprocess.run(["pdftotext", str(sheet), "-"], capture_output=True, text=True, check=True).stdout
    assert "versions: jogtune" in text  # the last line of the last thing folded
    subprocess.run(["pdftoppm", "-r", "50", "-png", str(sheet), str(sheet.with_suffix(""))], check=True)
    _assert_margins_are_white(sorted(artefacts.glob(f"{sheet.stem}-*.png")))


def _assert_margins_are_white(pages: list[Path]) -> None:
    from PIL import Image, ImageChops

    assert 2 <= len(pages) <= 11
    for path in pages:
        with Image.open(path) as picture:
            grey = picture.convert("L")
        ink = ImageChops.invert(grey).point(lambda v: 255 if v > 60 else 0).getbbox()
        margin = round(12 / 25.4 * 50)  # the page asks for 16 mm; 12 leaves room for rounding
        assert ink is not None, f"{path.name} is empty"
        assert ink[0] >= margin, f"{path.name}: runs off the left"
        assert ink[2] <= grey.width - margin, f"{path.name}: runs off the right"
