"""What every test may lean on: the sample machines, and the folder that relative paths begin at."""

from __future__ import annotations

import os
from typing import Any

import pytest
from hypothesis import settings

from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine
from places import MACHINES, ROOT


def pytest_sessionstart(session: pytest.Session) -> None:
    """Relative paths such as datasets/machines/... mean the same wherever pytest is started, in examples too.

    Drawn examples are the same in each ordinary run, so that a failure belongs to a change; heavy ones are new each time.
    """
    os.chdir(ROOT)
    os.environ.pop("COLUMNS", None)  # which xdist sets: no terminal is written to here
    settings.register_profile("same", derandomize=True)
    if session.config.option.markexpr == "not heavy":
        settings.load_profile("same")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """With `-n`, the tests of a file stay together, as they share fixtures; those of the folders below, which wait
    for a browser or a clock, go to one worker and begin first."""
    from xdist.scheduler import LoadScopeScheduling

    class ByFile(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            file = nodeid.split("::")[0]
            return "apart" if file.startswith(("tests/browser/", "tests/benchmarks/")) else file

    config.option.loadscopereorder = False
    return ByFile(config, log)


@pytest.fixture(autouse=True)
def _at_the_root(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """And whatever the test before did."""
    if "browser" not in request.keywords:
        monkeypatch.chdir(ROOT)


@pytest.fixture(scope="session")
def router() -> Machine:
    """The inlay router: belts of 80 steps/mm on X and Y, a screw of 400 steps/mm on Z."""
    return read_machine(MACHINES / "inlay_router.toml")


@pytest.fixture(scope="session")
def stage() -> Machine:
    """The slide-scanning stage: 3200 steps/mm, a turntable of 800 steps/deg, remainders dropped."""
    return read_machine(MACHINES / "slide_stage.toml")


@pytest.fixture(scope="session")
def sign() -> Machine:
    """The sign table, in inches, with a rack of irrational pitch on X."""
    return read_machine(MACHINES / "sign_table.toml")
