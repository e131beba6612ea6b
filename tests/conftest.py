"""What every test may lean on: the sample machines, and the folder that relative paths begin at."""

from __future__ import annotations

import os

import pytest

from jogtune.machine import Machine, read_machine
from places import MACHINES, ROOT


def pytest_sessionstart() -> None:
    """Relative paths such as datasets/machines/... mean the same wherever pytest is started, in examples too."""
    os.chdir(ROOT)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """With `-n`, the tests of a file stay together, as they share fixtures; one worker has the browser to itself."""
    for item in items:
        screen = item.path.parent.name == "browser"
        item.add_marker(pytest.mark.xdist_group("browser" if screen else item.path.stem))


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
