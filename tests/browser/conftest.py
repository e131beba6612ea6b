"""Fixtures of the browser tests: one JupyterLab and one Chromium for the whole folder.

They end when pytest leaves this folder (scope "package"): Playwright keeps an event loop running on the main
thread, which the notebooks' own runner must not meet. Without a browser the tests skip; they fail instead
where the environment says JOGTUNE_NEED_BROWSER=1.

Decisions that these tests hold:

- The fixtures have the scope "package": Playwright keeps an event loop on the main thread, which nbclient must not meet.
- A notebook needs `kernelspec: python3`, or Lab asks which kernel to start (`--strip` sets it).
- The scripted person works in a page of their own beside the other tests (about 75 s saved). With `-n` one worker has the
  browser and all its tests.
- A picture counts as a panel's if it is an img, a canvas or an `svg.jogtune-picture`. A home-made control carries `data-
  jogtune-control`.
- `websocket-client` (comes with Jupyter) sends notches faster than Playwright can.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from .lab import CHROMIUM_FLAGS, PATIENCE_S, LabServer, artefact_folder, find_chromium, free_port, missing


@pytest.fixture(scope="package")
def artefacts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where screenshots are kept: the folder named by JOGTUNE_ARTEFACTS, or a temporary one."""
    return artefact_folder(tmp_path_factory.mktemp("artefacts"))


@pytest.fixture(scope="package")
def chromium() -> Iterator[Any]:
    """A headless Chromium, already installed on this computer."""
    lack = missing()
    if lack and os.environ.get("JOGTUNE_NEED_BROWSER") == "1":
        pytest.fail(f"JOGTUNE_NEED_BROWSER=1, but {lack}")
    if lack:
        pytest.skip(lack)
    from playwright.sync_api import sync_playwright

    port = free_port()
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=find_chromium(),
            headless=True,
            args=[*CHROMIUM_FLAGS, f"--remote-debugging-port={port}"],
        )
        browser.debug_port = port  # for input faster than Playwright sends it; loopback only
        yield browser
        browser.close()


@pytest.fixture(scope="package")
def lab(chromium: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[LabServer]:
    """A JupyterLab on a free loopback port that serves a copy of the notebooks."""
    server = LabServer(root=tmp_path_factory.mktemp("root"), private=tmp_path_factory.mktemp("private"))
    try:
        yield server.start()
    finally:
        server.stop()


@pytest.fixture
def page(chromium: Any) -> Iterator[Any]:
    """A fresh page, 1280 by 900; what went wrong in its scripts is in `page.script_faults`."""
    yield from fresh_page(chromium)


def keep_fault(sheet: Any, fault: str) -> None:
    """Note a script's fault; two of Lab's own are none: a ResizeObserver that asks for one more frame, and a
    message on its way when a notebook is closed."""
    if "ResizeObserver loop" not in fault and fault != "Cannot send":
        sheet.script_faults.append(fault)


def fresh_page(chromium: Any, **options: Any) -> Iterator[Any]:
    """One page in a context of its own (no cookies, no storage of others), closed at the end."""
    context = chromium.new_context(viewport={"width": 1280, "height": 900}, **options)
    sheet = context.new_page()
    sheet.script_faults = []
    sheet.set_default_timeout(PATIENCE_S * 1000)
    sheet.on("pageerror", lambda fault: keep_fault(sheet, str(fault)))
    yield sheet
    context.close()
