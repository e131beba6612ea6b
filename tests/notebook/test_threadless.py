"""Where a notebook runs inside a browser there are no threads and no processes: panels and core go without.

What such a Python lacks is from memory of one that is compiled to WebAssembly: starting a thread raises RuntimeError, there is
no fork, and the extension modules below processes are missing. Its event loop runs, and is all that tells the time."""

from __future__ import annotations

import asyncio
import multiprocessing.process
import os
import subprocess
import sys
import threading
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("ipywidgets")

from jogtune.choose.suggest import suggest
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine
from jogtune.measure.many import Logs
from jogtune.measure.measure import measure
from jogtune.notebook.choose import Choose
from jogtune.notebook.panel import _Panel
from places import MACHINES, ROOT

from .test_panels import LOG, MAKERS, movable, positions, said

FILE = MACHINES / "inlay_router.toml"


@pytest.fixture
def bare(monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither threads nor processes."""

    def none(*_: Any, **__: Any) -> None:
        raise RuntimeError("can't start new thread")

    for place, name in (
        (threading.Thread, "start"), (threading.Timer, "start"), (multiprocessing.process.BaseProcess, "start"), (os, "fork"),
        (ProcessPoolExecutor, "submit"), (subprocess.Popen, "__init__"),
    ):  # fmt: skip
        monkeypatch.setattr(place, name, none)


@pytest.mark.parametrize("kind", MAKERS)
def test_a_panel_draws_rests_and_ends_its_work_in_the_event_loop(kind: str, bare: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_Panel, "rest_s", 0.05)

    async def play() -> None:
        panel = MAKERS[kind](FILE, read_machine(FILE))
        for control in movable(panel).values():
            start = control.value
            for value in positions(control):
                control.value = value
                assert "can't be drawn" not in said(panel)
            control.value = start
        assert not panel._settled.is_set(), "rest waits for its time"
        while not panel._settled.is_set():
            await asyncio.sleep(0.01)
        assert said(panel) == ""
        if isinstance(panel, Choose):
            assert panel.answer == suggest(panel.changed_machine())
        panel.close()

    asyncio.run(asyncio.wait_for(play(), 300))


def test_without_an_event_loop_a_panel_rests_at_once(bare: None, router: Machine) -> None:
    panel = MAKERS["Answer"](FILE, router)
    panel.controls["rate"].value = 12
    assert "12 clicks/s" in panel.picture.label
    panel.close()


def test_in_a_cell_nobody_need_wait_for_the_rest(bare: None) -> None:
    """The event loop of a kernel stands still while a cell is run: what is left is done by who asks."""

    async def cell() -> Any:
        return Choose(FILE).answer

    found = asyncio.run(cell())
    assert found.search is not None


def test_many_logs_are_measured_one_after_the_other(bare: None, router: Machine) -> None:
    with Logs.workers() as executor:
        assert executor is None
        found = Logs((LOG, LOG)).measure(router, executor=executor, progress=True)
    assert list(found.logs["rows"]) == [measure(router, LOG).rows] * 2


IMPORTED = """
import sys
for name in ("_multiprocessing", "_posixshmem"):
    sys.modules[name] = None
import _thread, os
del os.fork
def none(*_, **__):
    raise RuntimeError("can't start new thread")
_thread.start_new_thread = _thread.start_joinable_thread = none
import importlib, pkgutil, jogtune
for module in pkgutil.walk_packages(jogtune.__path__, "jogtune."):
    if not module.name.startswith(("jogtune.notebook", "jogtune.__main__")):
        importlib.import_module(module.name)
print(jogtune.suggest({!r}).ladder.say())
"""


def test_jogtune_is_imported_without(router: Machine) -> None:
    """But for the notebook's rooms, whose widgets begin with a kernel: theirs is tried above."""
    command = [sys.executable, "-c", IMPORTED.format(str(FILE))]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": str(Path.cwd())})
    assert done.stderr == ""
    assert done.stdout.strip() == suggest(router).ladder.say()
