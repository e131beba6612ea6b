"""What holds for tests and for the examples in docstrings alike."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def _at_the_root(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Relative paths such as datasets/machines/... mean the same wherever pytest is started."""
    if "browser" not in request.keywords:
        monkeypatch.chdir(Path(__file__).parent)
