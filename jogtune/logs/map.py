"""What the columns mean."""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

_Column = str | int
"""A column by its name in the log, or by its number, counted from 1."""
_PositionKind = Literal["commanded", "counted", "measured"]
"""Where a position comes from: sent to the machine, counted by its firmware, or measured independently."""
_CLOCK_UNITS: Mapping[str, Fraction] = {
    "s": Fraction(1), "ms": Fraction(1, 1000), "us": Fraction(1, 10**6), "ns": Fraction(1, 10**9), "min": Fraction(60),
}  # fmt: skip
_LENGTH_UNITS: Mapping[str, Fraction] = {
    "mm": Fraction(1), "um": Fraction(1, 1000), "m": Fraction(1000), "in": Fraction(254, 10), "deg": Fraction(1),
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class _Clock:
    """The time column. `wraps_at` counts ticks of `unit`; `since_last` holds times since the row before."""

    column: _Column
    unit: str = "s"
    wraps_at: int | None = None
    kind: Literal["running", "since_last"] = "running"

    @property
    def tick_s(self) -> Fraction:
        return _CLOCK_UNITS[self.unit]


@dataclass(frozen=True, kw_only=True)
class _Counter:
    """The knob's column, or one per axis: (axis, column) pairs; a single column has axis ""."""

    columns: tuple[tuple[str, _Column], ...]
    kind: Literal["running", "increments"] = "running"
    counts_per_detent: int = 1
    wraps_at: int | None = None
    reversed: bool = False


@dataclass(frozen=True, kw_only=True)
class _Label:
    """A column of text (axis, person, marker), or one text that always holds; `names` renames cells."""

    column: _Column | None = None
    always: str | None = None
    names: tuple[tuple[str, str], ...] = ()


_RungValue = Fraction | int
"""A rung as mm per detent (Fraction) or as its position on the selector (int, from 1)."""


@dataclass(frozen=True, kw_only=True)
class _RungColumn:
    """The selector: a column holding a gain, a rung's position or a multiplier; or a constant; or changes.

    `names` says what each cell's text means, `changes` from which time [s] on which rung holds; `mm` is mm per unit of a gain,
    or the base of a multiplier. Where `means` is not said, a number is taken for a gain, and one that looks like a position is
    questioned."""

    column: _Column | None = None
    means: Literal["gain", "rung", "multiplier"] | None = None
    mm: Fraction = Fraction(1)
    counts_from: int = 1
    names: tuple[tuple[str, _RungValue], ...] = ()
    ladder: tuple[Fraction, ...] = ()
    always: _RungValue | None = None
    changes: tuple[tuple[float, _RungValue], ...] = ()

    @property
    def gives_gain(self) -> bool:
        fixed = [value for _, value in (*self.names, *self.changes)] + [self.always] * (self.always is not None)
        if fixed:
            return isinstance(fixed[0], Fraction)
        return bool(self.ladder) or self.means != "rung"


@dataclass(frozen=True, kw_only=True)
class _Length:
    """A column holding a distance; `mm` is mm per unit."""

    column: _Column
    mm: Fraction = Fraction(1)


@dataclass(frozen=True, kw_only=True)
class _Position:
    """The position column, or one per axis; `kind` says where it comes from (None: not said)."""

    columns: tuple[tuple[str, _Column], ...]
    mm: Fraction = Fraction(1)
    kind: _PositionKind | None = None


@dataclass(frozen=True, kw_only=True)
class LogMap:
    """How the lines of one kind of log are read.

    `lines` is the shape of the lines that count (* any text, ? one character); all others are chatter. `pairs` is the sign
    between name and value where each cell holds both (T=12454; "letters": T12454); columns are these names. Fewer rows than the
    share `fits` that it can read, and the map is refused."""

    time: _Clock
    knob: _Counter | None = None
    axis: _Label = _Label(always="X")
    rung: _RungColumn = _RungColumn(always=1)
    position: _Position | None = None
    goal: _Length | None = None
    tolerance: _Length | None = None
    person: _Label | None = None
    marker: _Label | None = None
    delimiter: str | None = None
    decimal: str | None = None
    header: bool | None = None
    lines: str | None = None
    pairs: str | None = None
    comment: str = "#"
    simulated: bool = False
    fits: Fraction = Fraction(9, 10)

    @property
    def columns(self) -> tuple[_Column, ...]:
        """Every column the map names, in the order time, knob, axis, rung, position, goal, ..."""
        single = (self.axis, self.rung, self.goal, self.tolerance, self.person, self.marker)
        found = [self.time.column]
        found += [column for part in (self.knob, self.position) if part for _, column in part.columns]
        found += [part.column for part in single if part is not None and part.column is not None]
        return tuple(dict.fromkeys(found))
