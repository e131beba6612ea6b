"""What every test may lean on: the sample machines."""

from __future__ import annotations

import pytest

from jogtune.machine import Machine, read_machine
from places import MACHINES


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
