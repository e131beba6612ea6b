"""Who moves what: knob, stick and buttons."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from ..axis.outstanding import stick_top_mm_s
from ..hand.controls import Stick
from ..ladder.ladder import Ladder
from ..machine.model import Axis, Machine
from .prefer import Search

_CAUGHT_CLICKS, _REACT_S = 5, 0.2  # so many clicks are counted without error; the time in which a hand lets go
_PLAIN_EXPONENTS = (2.0, 2.5, 3.0)  # 1 costs up to 22 % of the time, 1.5 up to 4 %, 3 up to 1 % over 2


@dataclass(frozen=True, kw_only=True)
class _Allotment:
    """Which control of a machine moves what, beside the ladder chosen for its knob alone; controls missing from its file are
    not designed."""

    machine: Machine
    ladder: Ladder
    search: Search | None

    @cached_property
    def stick_top_mm_s(self) -> Mapping[str, float]:
        """The speed at full throw of each axis [mm/s or deg/s], set by a lost link; {} without a stick."""
        return {axis.name: stick_top_mm_s(self.machine, axis) for axis in self.machine.axes if self.machine.stick}

    @cached_property
    def needed_exponents(self) -> Mapping[str, float]:
        """The exponent by which the finest speed held on each axis is one that the second rung catches: ln(V/v)/ln(1/f) with
        v = a(√(τ² + 2C/a) − τ), C five of its clicks, τ interval, delay and 0.2 s, f the least share of the throw held."""
        share = Stick.from_machine(self.machine).finest_share
        return {name: max(0.0, math.log(top / self._caught_mm_s(self.machine.axis(name)))) / -math.log(share)
                for name, top in self.stick_top_mm_s.items() if share < 1}  # fmt: skip

    def _caught_mm_s(self, axis: Axis) -> float:
        gains, ramp, link = self.ladder.on(axis), axis.ramp_mm_s2, self.machine.link
        caught, react = _CAUGHT_CLICKS * float(gains[min(1, len(gains) - 1)]), link.report_interval_s + link.delay_s + _REACT_S
        return ramp * (math.sqrt(react**2 + 2 * caught / ramp) - react)

    @cached_property
    def exponent(self) -> float:
        """The power of the throw that the stick's speed follows: the file's own, else the least plain one that all axes need."""
        if self.machine.stick and self.machine.stick.exponent:
            return self.machine.stick.exponent
        needed = max(self.needed_exponents.values(), default=0.0)
        return next((plain for plain in _PLAIN_EXPONENTS if plain >= needed), _PLAIN_EXPONENTS[-1])

    @property
    def dead_band(self) -> float:
        """The share of the throw that does nothing: three times the rest noise, else as filed, else a start value."""
        return Stick.from_machine(self.machine).dead_band

    @property
    def buttons_mm(self) -> tuple[Fraction, ...]:
        """The distances of the step buttons [mm]; () none."""
        return self.machine.buttons.steps_mm if self.machine.buttons else ()
