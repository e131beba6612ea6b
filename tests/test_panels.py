"""Every control of every panel, moved through its range and to its ends, without a browser."""

from __future__ import annotations

from typing import Any

import pytest

pytest.importorskip("ipywidgets")

from jogtune.logs.read import read_log
from jogtune.machine import Machine
from jogtune.show.panels import Choose

PNG = b"\x89PNG\r\n\x1a\n"


def positions(control: Any) -> list[Any]:
    """A control's ends and a few values between."""
    if hasattr(control, "options"):
        values = [option[1] if isinstance(option, tuple) else option for option in control.options]
        return values if len(values) <= 8 else [values[0], values[len(values) // 2], values[-1]]
    return [control.min, (control.min + control.max) // 2, control.max]


@pytest.mark.parametrize("machine", ["router", "stage", "sign"])
def test_every_control_draws_or_says_why_not(machine: str, request: pytest.FixtureRequest) -> None:
    log = read_log("datasets/logs/inlay_router_simulated.csv")
    panel = Choose(request.getfixturevalue(machine), log=log)
    assert panel.fault.value == ""
    for name, control in panel.controls.items():
        start = control.value
        for value in positions(control):
            control.value = value
            assert bytes(panel.picture.widget.value).startswith(PNG)
            assert "can't be drawn" not in panel.fault.value, (name, value, panel.fault.value)
        control.value = start
        assert panel.fault.value == ""


def test_the_picture_follows_and_the_last_good_one_stays(router: Machine) -> None:
    panel = Choose(router)
    first = bytes(panel.picture.widget.value)
    panel.controls["finest"].value = panel.controls["finest"].options[-1][1]
    second = bytes(panel.picture.widget.value)
    assert second != first
    panel.controls["series"].value = "1-10-100"
    good = bytes(panel.picture.widget.value)
    panel.controls["rungs"].value = 6
    assert "choose a denser series" in panel.fault.value
    assert bytes(panel.picture.widget.value) == good


def test_an_unforeseen_fault_is_shown_in_the_panel(router: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    panel = Choose(router)
    monkeypatch.setattr("jogtune.show.panels.plot_ladder", lambda *a, **k: 1 / 0)
    panel.controls["steady"].value += 1
    assert "ZeroDivisionError" in panel.fault.value
