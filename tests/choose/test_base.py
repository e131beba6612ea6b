"""Base, candidates and ladders: the rules, on machines made for each."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from jogtune.axis.limits import derive_limits, real_resolution
from jogtune.axis.row import rows
from jogtune.choose.base import _derive_base
from jogtune.choose.cover import _alone, _derive_candidates, derive_ladder
from jogtune.files import InputFault
from jogtune.ladder.steps import is_whole_step, machine_whole_step
from jogtune.machine.file import _parse_machine
from jogtune.machine.model import Machine
from machine_text import sound, text_of


def bench(*, steps: tuple[str, ...] = ("80 per mm", "400 per mm"), finest: str = "0.02 mm", **firmware: Any) -> Machine:
    """A machine of axes with these steps and this finest wish."""
    tables = sound()
    tables["firmware"].update(firmware)
    pattern = tables["axis"][0]
    tables["axis"] = [{**pattern, "name": f"A{n}", "steps": s, "finest": finest} for n, s in enumerate(steps)]
    return _parse_machine(text_of(tables))


@pytest.mark.parametrize(
    ("steps", "finest", "remainder", "base", "kind"),
    [
        (("80 per mm", "400 per mm"), "0.02 mm", "carry", "1/50", "plain_wish"),
        (("80 per mm", "400 per mm"), "0.02 mm", "unknown", "1/50", "plain_wish"),
        (("80 per mm", "400 per mm"), "0.03 mm", "carry", "1/50", "plain_wish"),
        (("80 per mm", "400 per mm"), "0.05 mm", "carry", "1/20", "plain_wish"),
        (("80 per mm", "400 per mm"), "0.02 mm", "drop", "1/80", "whole_all"),
        (("80 per mm", "400 per mm"), "0.03 mm", "drop", "1/40", "whole_all"),
        (("80 per mm", "1600/3 per mm"), "0.05 mm", "drop", "3/80", "whole_all"),
        (("80 per mm", "1600/3 per mm"), "0.02 mm", "drop", "1/80", "whole_some"),  # the common step is too coarse: whole on the first
        (("80 per mm", "400 per mm"), "0.01 mm", "carry", "1/50", "plain_step"),  # finer than a motor step
        (("80 per mm", "400 per mm"), "0.01 mm", "drop", "1/80", "whole_least"),
        (("80 per mm", "1259.84252 per mm"), "0.02 mm", "drop", "1/80", "whole_all"),  # the inexact axis stays out
        (("80 per mm", "400 per mm"), "0.0125 mm", "drop", "1/80", "whole_all"),  # just as fine as a whole step
        (("80 per mm", "400 per mm"), "0.0125 mm", "carry", "1/100", "plain_wish"),  # just as fine as a motor step
        (("1259.84252 per mm",), "0.02 mm", "drop", "1/50", "plain_wish"),  # no exact axis: plain
    ],
)
def test_the_base(steps: tuple[str, ...], finest: str, remainder: str, base: str, kind: str) -> None:
    machine = bench(steps=steps, finest=finest, remainder=remainder)
    found = _derive_base(machine)
    assert (found.base_mm, found.reason.kind) == (Fraction(base), f"base_{kind}")
    assert _derive_base(machine, base=Fraction(base)).reason.kind == "base_own"


def test_a_missed_wish_is_told_and_the_other_choice_named() -> None:
    found = _derive_base(bench(finest="0.01 mm"))
    assert found.other_mm == Fraction(1, 80)
    assert found.plain_and_whole_mm == Fraction(1, 20)
    assert _derive_base(bench(remainder="drop")).other_mm == Fraction(1, 50)


def test_no_common_whole_step_within_reach() -> None:
    machine = bench(steps=("1/997 per mm", "1/991 per mm"), finest="600 mm")
    assert machine_whole_step(machine) is None


def test_inches_are_plain_in_inches(sign: Machine) -> None:
    assert _derive_base(sign).base_mm == Fraction(254, 10_000)
    assert derive_ladder(sign).say() == "0.001, 0.005, 0.05, 0.5 in"


@pytest.mark.parametrize("base", ["0 mm", "-1 mm", "1", "1 deg", "1000 mm", "nan mm", "1 s", ""])
def test_a_base_that_cannot_be_is_refused(router: Machine, base: str) -> None:
    with pytest.raises(InputFault, match="base"):
        _derive_base(router, base=base)


@pytest.mark.parametrize("remainder", ["carry", "drop"])
@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6])
def test_so_many_rungs_as_asked(remainder: str, count: int) -> None:
    ladder = derive_ladder(bench(remainder=remainder), rungs=count)
    assert len(ladder.rungs) == count


def test_never_more_rungs_than_positions(router: Machine) -> None:
    for bad in (0, 7, -1):
        with pytest.raises(InputFault, match="must be 1 to 6"):
            derive_ladder(router, rungs=bad)
    with pytest.raises(InputFault, match="denser series"):
        derive_ladder(router, rungs=6, series="1-10-100")


def test_where_remainders_are_dropped_every_rung_is_whole(stage: Machine) -> None:
    for rung in derive_ladder(stage).rungs:
        assert all(is_whole_step(axis, rung.gain_mm) for axis in stage.axes)


def test_candidates_stay_within_what_some_axis_follows(router: Machine) -> None:
    limit = max(derive_limits(router, axis)[0] for axis in router.axes)
    gains = [v.multiplier * _derive_base(router).base_mm for v in _derive_candidates(router)]
    assert gains[0] == Fraction(1, 50)
    assert max(gains) <= limit < 2.5 * float(max(gains))


def test_a_ladder_per_axis(router: Machine) -> None:
    table = derive_ladder(replace(router, selector=replace(router.selector, per_axis=True)))
    for axis in router.axes:
        alone = derive_ladder(_alone(router, axis), rungs=len(table.rungs))
        assert table.on(axis) == alone.gains_mm
    assert table.on(router.axis("Z"))[-1] == 2 < table.on(router.axis("X"))[-1]


def test_what_a_rung_does(router: Machine) -> None:
    *_, coarse, _, on_z = rows(router, derive_ladder(router))
    # arithmetic: 100 mm/s / 5 mm; 600 mm / 5 mm / 24 clicks a turn; √(5 mm · 400 mm/s²)
    assert coarse.full_speed_detents_s == pytest.approx(20.0)
    assert coarse.turns_to_cross == pytest.approx(5.0)
    assert coarse.stray_mm_s == pytest.approx(44.721359)
    assert coarse.above_cap
    assert on_z.outruns_steady


def test_resolution_marks_and_forbids_nothing(router: Machine) -> None:
    assert rows(router, derive_ladder(router))[0].finer_than == "reversal"
    real = real_resolution(router.axis("X"))
    # 1/80 mm a step; ±5 % of a full step of 0.2 mm is 0.01 mm; slack 0.05 mm
    assert (real.step_mm, real.motor_mm, real.reversed_mm) == pytest.approx((0.0125, 0.01, 0.0625))


def test_friction_counts_where_the_file_gives_it(stage: Machine) -> None:
    real = real_resolution(stage.axis("X"))
    assert real.friction_mm == pytest.approx(0.000638, abs=1e-6)  # asin(0.1)/90° of 0.01 mm
