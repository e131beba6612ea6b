"""Readings of a dial indicator: what each should be, and what they say about the machine.

The bench routine: on each rung take up the slack turning up, set the indicator to zero, then some clicks up
and as many back, three rounds, one click at a time. Readings come back as a table with one row per reading:

| column | meaning |
|---|---|
| `axis` | the axis' name |
| `unit` | mm, in or deg: the unit of `gain`, `reading` and `within` |
| `gain` | distance per click of the rung, as on the sheet |
| `detents` | clicks since the row before, up positive; 0 starts a rung: the indicator set to zero |
| `reading` | what the indicator shows; empty where it was not read |
| `within` | optional: how far a reading may be off; the usual for the instrument where absent |

The diagnosis weighs explanations against each other (Bayes' rule with the priors below, continuous figures
charged for their freedom), alone and mixed. Which explanation is the likelier follows from the readings; how
likely each was before is our choice, written in `PRIORS`.
"""

from __future__ import annotations

import csv
import io
import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..design.limits import real_resolution
from ..files import InputFault, read_text
from ..ladder import Ladder, Rung
from ..machine import Axis, Machine
from ..units import UNIT_FACTORS, in_unit, say_distance, say_number

__all__ = [
    "Cause", "Diagnosis", "Expected", "Finding", "Instrument", "Series", "diagnose_axis", "diagnose_readings",
    "expected_readings", "pick_instrument", "play", "read_readings", "readings_from_rows",
    "readings_template",
]  # fmt: skip

Floats = NDArray[np.float64]
CLICKS, ROUNDS = 10, 3
REACH_SHARE = 0.8  # of the reach, at most, is used on the bench


# ------------------------------------------------------------------ what each reading should be


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """What a distance is read with: how far it goes, and how far a careful reading may be off [mm or degrees].

    >>> pick_instrument(0.02, 0.2)
    Instrument(name='0.01 mm dial', travel_mm=10.0, within_mm=0.01)
    """

    name: str
    travel_mm: float
    within_mm: float


# Common practice, no source: graduations of 0.001 and 0.01 mm, a caliper to 0.05 mm, a rule to half a mm.
FINE_DIAL = Instrument(name="0.001 mm dial", travel_mm=1.0, within_mm=0.002)
LINEAR = (
    Instrument(name="0.01 mm dial", travel_mm=10.0, within_mm=0.01),
    Instrument(name="caliper", travel_mm=150.0, within_mm=0.05),
    Instrument(name="steel rule", travel_mm=math.inf, within_mm=0.5),
)
# On an arm of 57.3 mm one mm of arc is one degree; beyond 5 degrees its sine is 0.1 % short.
ROTARY = (
    Instrument(name="0.01 mm dial, on arm", travel_mm=5.0, within_mm=0.01),
    Instrument(name="protractor", travel_mm=math.inf, within_mm=0.2),
)


def pick_instrument(gain_mm: float, span_mm: float, *, rotary: bool = False) -> Instrument:
    """The finest usual instrument that spans a distance; the 0.001 mm dial only for rungs below 0.01 mm.

    >>> pick_instrument(0.02, 0.2).name, pick_instrument(5, 50).name
    ('0.01 mm dial', 'caliper')
    """
    if not rotary and gain_mm < 0.01 and span_mm <= FINE_DIAL.travel_mm:
        return FINE_DIAL
    return next(tool for tool in (ROTARY if rotary else LINEAR) if span_mm <= tool.travel_mm)


@dataclass(frozen=True, kw_only=True)
class Expected:
    """What one rung should read on one axis [mm or degrees]: after `detents` clicks up, and after as many back.

    `within_mm` is how far a reading may be off while all is well: instrument and machine together.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> row = expected_readings(router, router.axis("Z"), Ladder.from_gains([Fraction(1, 10)]))[0]
    >>> row.detents, row.instrument.name, row.up_mm, row.back_mm, round(row.within_mm, 4)
    (10, '0.01 mm dial', 1.0, 0.02, 0.0125)
    """

    axis: str
    position: int
    gain_mm: Fraction
    detents: int
    instrument: Instrument
    up_mm: float
    back_mm: float
    within_mm: float


def expected_readings(machine: Machine, axis: Axis, ladder: Ladder) -> tuple[Expected, ...]:
    """What an axis should read on each rung; a rung whose single click goes beyond the reach is left out.

    >>> from jogtune.machine import read_machine
    >>> machine = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 250))
    >>> [(row.detents, row.up_mm, row.back_mm) for row in expected_readings(machine, machine.axis("X"), ladder)]
    [(10, 0.2, 0.05), (10, 50.0, 0.05)]
    """
    rows = (_expected(machine, axis, rung) for rung in ladder.rungs)
    return tuple(row for row in rows if row.detents > 0)


def _expected(machine: Machine, axis: Axis, rung: Rung) -> Expected:
    gain = machine.axis_gain(axis, rung.gain_mm)
    clicks = min(CLICKS, math.floor(REACH_SHARE * axis.reach_mm / float(gain)))
    up = float(clicks * gain)
    tool = pick_instrument(float(gain), up, rotary=axis.rotary)
    return Expected(
        axis=axis.name,
        position=rung.position,
        gain_mm=gain,
        detents=clicks,
        instrument=tool,
        up_mm=up,
        back_mm=min(axis.slack_mm, up),
        within_mm=tool.within_mm + real_resolution(axis).one_way_mm,
    )


def readings_template(machine: Machine, ladder: Ladder, *, rounds: int = ROUNDS) -> str:
    """The table to type readings into, as CSV text with empty readings.

    >>> from jogtune.machine import read_machine
    >>> machine = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1,))
    >>> readings_template(machine, ladder).splitlines()[:3]
    ['axis,unit,gain,detents,reading', 'X,mm,0.02,0,0', 'X,mm,0.02,10,']
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["axis", "unit", "gain", "detents", "reading"])
    for axis in machine.axes:
        unit = machine.shown_unit(axis)
        for row in expected_readings(machine, axis, ladder):
            gain = _exact_text(in_unit(row.gain_mm, unit))
            writer.writerow([axis.name, unit, gain, 0, 0])
            writer.writerows([axis.name, unit, gain, sign * row.detents, ""] for _ in range(rounds) for sign in (1, -1))
    return stream.getvalue()


def _exact_text(number: Fraction) -> str:
    text = say_number(number, digits=9)
    return text if Fraction(text) == number else str(number)


# ------------------------------------------------------------------ reading the table


@dataclass(frozen=True, kw_only=True)
class Series:
    """The readings of one rung on one axis [mm or degrees], counted from its zero; `unit` is what was typed.

    `up` and `down` are clicks turned since the zero, all told; `reading_mm` holds NaN where none was taken.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> turned = ((0, 0), (10, 0.5), (-10, 0.05), (10, 0.5), (-10, 0.05))
    >>> rows = [dict(axis="X", unit="mm", gain="0.1", detents=n, reading=r) for n, r in turned]
    >>> series = readings_from_rows(rows, router)[0]
    >>> series.up, series.down, series.reading_mm
    ((10, 10, 20, 20), (0, 10, 10, 20), (0.5, 0.05, 0.5, 0.05))
    """

    axis: str
    gain_mm: Fraction
    up: tuple[int, ...]
    down: tuple[int, ...]
    reading_mm: tuple[float, ...]
    within_mm: float
    unit: str


_NEEDED = ("axis", "unit", "gain", "detents", "reading")


SEMICOLONS = "columns are parted by semicolons, so a comma in a number was read as its decimal point"


def read_readings(path: str | Path, machine: Machine, *, remarks: list[str] | None = None) -> tuple[Series, ...]:
    """Read a CSV of readings (columns as in this module's table); every fault at once as `InputFault`.

    Semicolons between columns are taken too, and then decimal commas; `remarks` is told so.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     table = Path(folder) / "readings.csv"
    ...     _ = table.write_text("axis,unit,gain,detents,reading\\nX,mm,0.1,0,0\\nX,mm,0.1,10,1.0\\n")
    ...     read_readings(table, router)[0].reading_mm
    (1.0,)
    """
    text = read_text(path)
    head = text.split("\n", 1)[0]
    apart = ";" if head.count(";") > head.count(",") else ","
    rows = csv.DictReader(io.StringIO(text), delimiter=apart)
    absent = [name for name in _NEEDED if name not in (rows.fieldnames or ())]
    if absent:
        found = ", ".join(str(name) for name in rows.fieldnames or ()) or "nothing"
        raise InputFault(str(path), [f"has no column {name} (found: {found}): add it" for name in absent])
    try:
        table = [_with_points(row) for row in rows] if apart == ";" else list(rows)
        if remarks is not None and apart == ";":
            remarks.append(SEMICOLONS)
        return readings_from_rows(table, machine, source=str(path), first_line=2)
    except csv.Error as error:
        raise InputFault(str(path), [f"is not readable as CSV ({error}): save it again as CSV"]) from error


def _with_points(row: Mapping[str, Any]) -> dict[str, Any]:
    numbers = ("gain", "detents", "reading", "within")
    return {key: v.replace(",", ".") if key in numbers and isinstance(v, str) else v for key, v in row.items()}


def readings_from_rows(
    rows: Iterable[Mapping[str, Any]], machine: Machine, *, source: str = "readings", first_line: int = 1
) -> tuple[Series, ...]:
    """Readings from rows of a notebook table (dicts with the columns of this module's table).

    >>> from jogtune.machine import read_machine
    >>> machine = read_machine("datasets/machines/inlay_router.toml")
    >>> turned = ((0, 0), (10, 1.0), (-10, 0.05))
    >>> rows = [dict(axis="X", unit="mm", gain="0.1", detents=n, reading=r) for n, r in turned]
    >>> readings_from_rows(rows, machine)[0].reading_mm
    (1.0, 0.05)
    """
    faults: list[str] = []
    parsed = [_parse_row(row, machine, f"line {n}", faults) for n, row in enumerate(rows, start=first_line)]
    good = [row for row in parsed if row is not None]
    if not parsed:
        faults.append("holds no readings: type some in")
    if good and not faults and good[0]["detents"] != 0:
        faults.append(f"line {first_line}: detents = {good[0]['detents']}: a rung starts with a row of 0: add it")
    if not faults:
        _check_starts(good, first_line, faults)
    if faults:
        raise InputFault(source, faults)
    return tuple(_to_series(machine, group) for group in _grouped(good))


def _parse_row(row: Mapping[str, Any], machine: Machine, where: str, faults: list[str]) -> dict[str, Any] | None:
    before = len(faults)

    def note(key: str, rule: str) -> None:
        faults.append(f'{where}: {key} = "{row.get(key)}": {rule}')

    name, unit = _cell(row, "axis"), _cell(row, "unit")
    axis = next((a for a in machine.axes if a.name == name), None)
    if axis is None:
        note("axis", f"is not an axis of {machine.name}: use {', '.join(a.name for a in machine.axes)}")
    elif unit not in (allowed := ("deg",) if axis.rotary else ("mm", "in")):
        note("unit", f"must be {' or '.join(allowed)} on this axis")
    gain, detents = _fraction(_cell(row, "gain")), _fraction(_cell(row, "detents"))
    if gain is None or not 0 < gain < 10**6:
        note("gain", "must be a number above 0, as on the sheet: 0.02 or 1/80")
    if detents is None or detents.denominator != 1 or abs(detents) > 10**6:
        note("detents", "must be a whole number of clicks, up positive")
    reading = _optional(row, "reading", "must be a plain number with a point, or empty", note)
    within = _optional(row, "within", "must be a number above 0, or empty", note)
    if within is not None and within <= 0:
        note("within", "must be above 0")
    if len(faults) > before or axis is None or gain is None or detents is None:
        return None
    factor = UNIT_FACTORS[unit]
    scaled = {key: None if v is None else float(v * factor) for key, v in (("reading", reading), ("within", within))}
    return {"axis": name, "unit": unit, "gain": gain * factor, "detents": int(detents), **scaled}


def _cell(row: Mapping[str, Any], key: str) -> str:
    value = row.get(key)
    return "" if value is None or value != value else str(value).strip()


def _fraction(text: str) -> Fraction | None:
    try:
        return Fraction(text) if len(text) <= 30 and "e" not in text.lower() else None
    except (ValueError, ZeroDivisionError):
        return None


def _optional(row: Mapping[str, Any], key: str, rule: str, note: Any) -> Fraction | None:
    text = _cell(row, key)
    value = _fraction(text)
    if text and (value is None or abs(value) > 10**6):
        note(key, rule)
        return None
    return value


def _check_starts(rows: Sequence[Mapping[str, Any]], first_line: int, faults: list[str]) -> None:
    for line, (before, row) in enumerate(itertools.pairwise(rows), start=first_line + 1):
        changed = (before["axis"], before["gain"]) != (row["axis"], row["gain"])
        if changed and row["detents"] != 0:
            rule = "axis or gain changes here, and a rung starts with a row of 0: add it"
            faults.append(f"line {line}: detents = {row['detents']}: {rule}")
        if row["detents"] == 0 and not changed and before["detents"] == 0:
            faults.append(f"line {line}: detents = 0: the row before starts this rung already: remove one")


def _grouped(rows: Sequence[Mapping[str, Any]]) -> list[list[Mapping[str, Any]]]:
    groups: list[list[Mapping[str, Any]]] = []
    for row in rows:
        if row["detents"] == 0:
            groups.append([])
        groups[-1].append(row)
    return [group for group in groups if len(group) > 1]


def _to_series(machine: Machine, rows: Sequence[Mapping[str, Any]]) -> Series:
    zero, gain = rows[0]["reading"] or 0.0, rows[0]["gain"]
    turned = [row["detents"] for row in rows[1:]]
    up = tuple(itertools.accumulate(max(n, 0) for n in turned))
    down = tuple(itertools.accumulate(max(-n, 0) for n in turned))
    readings = tuple(math.nan if row["reading"] is None else row["reading"] - zero for row in rows[1:])
    given = [row["within"] for row in rows if row["within"] is not None]
    clicks = max(abs(a - b) for a, b in zip(up, down, strict=True))
    tool = pick_instrument(float(gain), float(clicks * gain), rotary=machine.axis(rows[0]["axis"]).rotary)
    within = max(given) if given else tool.within_mm
    return Series(
        axis=rows[0]["axis"], gain_mm=gain, up=up, down=down, reading_mm=readings, within_mm=within, unit=rows[0]["unit"]
    )  # fmt: skip


# ------------------------------------------------------------------ explanations

# How likely each cause is before any reading: our choice. Mixtures multiply.
PRIORS: Mapping[str, float] = {
    "counts or microsteps": 0.08, "unit": 0.03, "teeth": 0.08, "direction": 0.02, "scale": 0.03,
    "slack": 0.15, "remainders lost": 0.08, "irregular": 0.06,
}  # fmt: skip
SURE = 0.8  # an answer less likely than this is "can't tell"
_TEETH = (10, 12, 14, 15, 16, 18, 20, 22, 24, 25, 28, 30, 32, 36, 40, 48, 60)  # common practice, no source
_FACTORS = (Fraction(2), Fraction(4), Fraction(8), Fraction(1, 2), Fraction(1, 4), Fraction(1, 8))
_LARGEST_SLACK_MM, _WALK_MM = 5.0, tuple(float(v) for v in np.geomspace(0.005, 5.0, 12))


@dataclass(frozen=True, kw_only=True)
class Scale:
    """One way the whole motion may be off by a factor.

    `kind` is a key of `PRIORS` or ""; a "unit" acts before rounding to steps, the others on the mechanics.
    `whole_clicks`: the knob's counts are divided down to whole clicks, so that 10 clicks at 1/4 make 2.
    `dial`: the axis moves as it should and the dial reads another unit, slack and all.
    """

    kind: str
    factor: Fraction
    prior: float
    whole_clicks: bool = False
    dial: bool = False

    @property
    def asked(self) -> Fraction:
        """What is asked of the motor as a share of what is meant."""
        return self.factor if self.kind == "unit" and not self.dial else Fraction(1)

    @property
    def reads(self) -> float:
        """What the dial shows as a share of how far the axis went."""
        return float(self.factor) if self.dial or self.kind == "direction" else 1.0


@lru_cache(maxsize=1)
def _scales() -> tuple[Scale, ...]:
    found = [Scale(kind="", factor=Fraction(1), prior=1.0), Scale(kind="direction", factor=Fraction(-1), prior=0.02)]
    for factor in _FACTORS:
        prior = PRIORS["counts or microsteps"] * (0.2 if factor in (2, 4, Fraction(1, 2), Fraction(1, 4)) else 0.05)
        found.append(Scale(kind="counts or microsteps", factor=factor, prior=prior))
        if factor < 1:
            found.append(Scale(kind="counts or microsteps", factor=factor, prior=prior / 2, whole_clicks=True))
    inch = Fraction(254, 10)
    found += [Scale(kind="unit", factor=f, prior=PRIORS["unit"] / 4) for f in (inch, 1 / inch)]
    found += [Scale(kind="unit", factor=f, prior=PRIORS["unit"] / 4, dial=True) for f in (inch, 1 / inch)]
    return (*found, *_teeth_scales())


def _teeth_scales() -> list[Scale]:
    ratios = {Fraction(a, b) for a in _TEETH for b in _TEETH} - {Fraction(1), *_FACTORS}
    kept = {r: 1 / (r.numerator * r.denominator) ** 0.5 for r in ratios if Fraction(1, 4) <= r <= 4}
    total = sum(kept.values())
    return [Scale(kind="teeth", factor=r, prior=PRIORS["teeth"] * w / total) for r, w in sorted(kept.items())]


SCALES = ("counts or microsteps", "unit", "teeth", "direction", "scale")  # they upset every other figure
REMAINDERS = ("carry", "toward zero", "down")


def _steps(series: Series, axis: Axis, scale: Scale, remainder: str) -> Floats:
    """Where the motor should be after each reading's clicks [mm or degrees]; one click a report."""
    alpha = series.gain_mm * axis.steps_per_mm * scale.asked
    up, down = np.array(series.up, dtype=float), np.array(series.down, dtype=float)
    net = up - down
    if scale.whole_clicks:
        net = np.floor(net * float(scale.factor))
    if remainder == "carry" or scale.whole_clicks:
        steps = np.floor(net * float(alpha) + 0.5 + 1e-9)
    else:
        back = math.floor(alpha) if remainder == "toward zero" else math.ceil(alpha)
        steps = up * math.floor(alpha) - down * back
    mechanics = 1.0 if scale.kind in ("unit", "direction") or scale.whole_clicks else float(scale.factor)
    return np.asarray(steps * float(axis.step_mm) * mechanics)


def play(x: Floats, slack: Floats) -> Floats:
    """What an axis with slack does: it follows at once upward, and downward only after the slack.

    `x` is (..., readings), `slack` (...) [mm]. The slack is taken up turning up before the first reading.

    >>> play(np.array([1.0, 0.0, 1.0]), np.array(0.05)).tolist()
    [1.0, 0.05, 1.0]
    """
    at = np.zeros(np.broadcast_shapes(x.shape[:-1], slack.shape))
    out = np.empty((*at.shape, x.shape[-1]))
    for n in range(x.shape[-1]):
        at = np.clip(at, x[..., n], x[..., n] + slack)
        out[..., n] = at
    return out


# ------------------------------------------------------------------ weighing them


@dataclass(frozen=True, kw_only=True)
class Cause:
    """One cause with its likelihood (0 to 1, given the readings), its figure and its evidence in words.

    `evidence` and `cure` are a line each; where axes differ, a line for each that begins with its name.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> turned = ((0, 0), (10, 0.5), (-10, 0.05), (10, 0.5), (-10, 0.05))
    >>> rows = [dict(axis="X", unit="mm", gain="0.1", detents=n, reading=r) for n, r in turned]
    >>> cause = diagnose_readings(router, readings_from_rows(rows, router)).causes[0]
    >>> cause.axes, cause.evidence
    (('X',), ('clicks up move 0.5 ± 0.01 of what they should, alike on every rung: 1/2',))
    """

    kind: str
    axes: tuple[str, ...]
    likelihood: float
    evidence: tuple[str, ...]
    cure: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Finding:
    """What one axis' readings say.

    `verdict` is "in order", "found" or "can't tell"; `causes` are ranked; `scale` and `slack_mm` are the
    figures of the best explanation, `best` its causes.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> turned = ((0, 0), (10, 0.5), (-10, 0.05), (10, 0.5), (-10, 0.05))
    >>> rows = [dict(axis="X", unit="mm", gain="0.1", detents=n, reading=r) for n, r in turned]
    >>> finding = diagnose_axis(router, router.axis("X"), readings_from_rows(rows, router))
    >>> finding.verdict, str(finding.scale), finding.slack_mm
    ('found', '1/2', 0.05)
    """

    axis: str
    verdict: str
    why: str
    causes: tuple[Cause, ...]
    best: tuple[str, ...]
    likelihood: float
    scale: Fraction | float
    slack_mm: float
    whole_clicks: bool


@dataclass(frozen=True, kw_only=True)
class _Try:
    """One explanation of an axis' readings with its weight (log of prior times evidence)."""

    kinds: frozenset[str]
    scale: Scale
    remainder: str
    slack_mm: float
    weight: float


def _weighted_median(pairs: Sequence[tuple[float, float]]) -> float:
    ordered = sorted(pairs)
    share = np.cumsum([weight for _, weight in ordered])
    return ordered[int(np.searchsorted(share, share[-1] / 2))][0]


class _Bench:
    """One axis' readings ready to be held against explanations."""

    def __init__(self, machine: Machine, axis: Axis, series: Sequence[Series]) -> None:
        self.axis, self.remainder = axis, machine.firmware.remainder
        self.series = [s for s in series if any(v == v for v in s.reading_mm)]
        self.taken = [np.array([v == v for v in s.reading_mm]) for s in self.series]
        self.read = [np.array(s.reading_mm)[m] for s, m in zip(self.series, self.taken, strict=True)]
        self.unit = self.series[0].unit if self.series else machine.shown_unit(axis)
        self.travel_mm = max((float(abs(values).max()) for values in self.read), default=0.0)
        self.sigma = [self._spread(s) for s in self.series]
        self.whiteners = [self._whiten(n) for n in range(len(self.series))]

    def _spread(self, series: Series) -> float:
        """Standard deviation of one reading: instrument (two of them is its limit) and motor accuracy [mm]."""
        motor = real_resolution(self.axis).motor_mm or 0.0
        return math.hypot(series.within_mm / 2, motor / math.sqrt(3))

    def _whiten(self, n: int) -> tuple[Floats, Floats]:
        """Inverse Cholesky factors and log determinants, without and with each size of irregular jumps."""
        legs = np.flatnonzero(self.taken[n]) + 1.0
        noise = self.sigma[n] ** 2 * (np.eye(len(legs)) + 0.25)  # a quarter: the shared error of the zero
        walk = np.minimum.outer(legs, legs)
        stack = np.array([noise + size**2 * walk for size in (0.0, *_WALK_MM)])
        factors = np.linalg.cholesky(stack)
        log_det = 2 * np.log(np.einsum("kii->ki", factors)).sum(axis=1)
        return np.linalg.inv(factors), log_det

    @property
    def count(self) -> int:
        return sum(len(values) for values in self.read)

    def moved(self, scale: Scale, remainder: str) -> list[Floats]:
        """The motor's place at every leg of every series."""
        return [_steps(s, self.axis, scale, remainder) for s in self.series]

    def slack_guesses(self, moved: Sequence[Floats], reads: float) -> tuple[list[float], float]:
        """Slacks that the readings after a move down suggest, and their least standard error [mm].

        `reads` is what the dial shows as a share of the motion. None is longer than the travel read.

        A leg shorter than the slack moves nothing and says only that slack is longer: so each rung's own
        middle is tried, pooled with the rungs whose legs are longer than it.
        """
        falls = [self._falls(n, x, reads) for n, x in enumerate(moved)]
        falls = [(values, leg, weight) for values, leg, weight in falls if len(values)]
        found, error = [], math.inf
        for middle in {float(np.median(values)) for values, _, _ in falls}:
            pooled = [(v, weight) for values, leg, weight in falls if leg > middle for v in values]
            if pooled:
                error = min(error, 1.25 / math.sqrt(sum(weight for _, weight in pooled)))
                found.append(_weighted_median(pooled))
        limit = min(_LARGEST_SLACK_MM, self.travel_mm / abs(reads))
        guesses = {guess + step * error for guess in found for step in (-1.5, -0.7, 0.0, 0.7, 1.5)}
        return sorted({min(max(guess, 0.0), limit) for guess in guesses}), error

    def _falls(self, n: int, moved: Floats, reads: float) -> tuple[Floats, float, float]:
        """What readings after a move down exceed the motor by, that move's length, and one reading's weight."""
        change = np.diff(moved, prepend=0.0)
        down = self.taken[n] & (change < 0)
        excess = (self.read[n] / reads - moved[self.taken[n]])[change[self.taken[n]] < 0]
        weight = (self.sigma[n] / reads) ** -2
        return excess, float(-change[down].max(initial=-math.inf)) if down.any() else 0.0, weight

    def log_likelihoods(self, moved: Sequence[Floats], slack_mm: Floats, reads: float) -> Floats:
        """Log likelihood for each slack (rows) and each size of irregular jumps (columns; the first is none)."""
        total = np.zeros((len(slack_mm), 1 + len(_WALK_MM)))
        for n, x in enumerate(moved):
            error = self.read[n] - reads * play(x[None, :], slack_mm)[:, self.taken[n]]
            inverse, log_det = self.whiteners[n]
            white = np.einsum("kij,sj->ski", inverse, error)
            total -= 0.5 * ((white**2).sum(axis=2) + log_det)
        return total

    def free_scale(self, remainder: str) -> tuple[float, float] | None:
        """Scale as the readings taken while moving up say it, with its standard error; None where none do."""
        none = _scales()[0]
        xy = xx = 0.0
        for n, (x, mask) in enumerate(zip(self.moved(none, remainder), self.taken, strict=True)):
            rises = (np.diff(x, prepend=0.0)[mask] > 0) & (x[mask] > 0)
            xy += float((x[mask] * self.read[n])[rises].sum()) / self.sigma[n] ** 2
            xx += float((x[mask] ** 2)[rises].sum()) / self.sigma[n] ** 2
        return None if xx <= 0 or xy <= 0 else (xy / xx, 1.2 / math.sqrt(xx))


def _tries(bench: _Bench) -> list[_Try]:
    """Every explanation worth weighing: a scale, a remainder, slack as filed or free, jumps or none."""
    found: list[_Try] = []
    broken = any((s.gain_mm * bench.axis.steps_per_mm).denominator > 1 for s in bench.series)
    rough = {remainder: bench.free_scale(remainder) for remainder in REMAINDERS}
    for scale in (scale for scale in _scales() if not scale.dial or scale.factor == _other_unit(bench.unit)):
        for remainder in REMAINDERS if broken or scale.asked != 1 else ("carry",):
            if not _is_far(scale, rough[remainder]):
                found += _tries_of(bench, scale, remainder, 0.0)
    for remainder in REMAINDERS if broken else ("carry",):
        free = rough[remainder]
        if free and 0.02 < free[0] < 50:
            charge = math.log(max(free[1] * math.sqrt(2 * math.pi) / (3 * free[0]), 1e-6))
            scale = Scale(kind="scale", factor=Fraction(free[0]).limit_denominator(10**7), prior=PRIORS["scale"])
            found += _tries_of(bench, scale, remainder, charge)
    return found


def _other_unit(unit: str) -> Fraction | None:
    """What a dial of the other unit would show as a share of the right reading; None for degrees."""
    return {"mm": 1 / UNIT_FACTORS["in"], "in": UNIT_FACTORS["in"]}.get(unit)


def _is_far(scale: Scale, rough: tuple[float, float] | None) -> bool:
    """Whether a ratio of tooth counts lies more than a tenth off what clicks up show: not worth weighing."""
    return scale.kind == "teeth" and rough is not None and not 0.9 < rough[0] / float(scale.factor) < 1.1


def _tries_of(bench: _Bench, scale: Scale, remainder: str, charge: float) -> list[_Try]:
    moved = bench.moved(scale, remainder)
    filed = bench.axis.slack_mm
    guesses, error = bench.slack_guesses(moved, scale.reads)
    slacks = [filed, *guesses]
    scores = bench.log_likelihoods(moved, np.array(slacks), scale.reads)
    base = math.log(scale.prior) + charge + _remainder_prior(bench, remainder)
    kinds = {scale.kind} if scale.kind else set()
    if remainder != "carry" and bench.remainder != "drop":
        kinds.add("remainders lost")
    found = []
    for freed, rows in ((False, scores[:1]), (True, scores[1:])):
        if not len(rows):
            continue
        at = int(np.argmax(rows.max(axis=1)))
        slack = slacks[1 + at] if freed else filed
        occam = math.log(PRIORS["slack"] * min(1.0, error * math.sqrt(2 * math.pi) / 0.3)) if freed else 0.0
        if freed and scale.kind == "unit":  # which unit is wrong shows in which slack is believable
            occam -= abs(math.log((slack + 0.005) / (filed + 0.005)))
        with_slack = kinds | ({"slack"} if freed else set())
        for jumps, column in ((False, rows[:, 0]), (True, rows[:, 1:])):
            best = float(column.max()) if not jumps else float(np.logaddexp.reduce(column[at]) - math.log(12))
            extra = math.log(PRIORS["irregular"]) if jumps else 0.0
            found.append(_Try(
                kinds=frozenset(with_slack | ({"irregular"} if jumps else set())), scale=scale,
                remainder=remainder, slack_mm=slack, weight=base + occam + extra + best,
            ))  # fmt: skip
    return found


def _remainder_prior(bench: _Bench, remainder: str) -> float:
    lost = {"drop": 0.9, "unknown": 0.4}.get(bench.remainder, PRIORS["remainders lost"])
    return math.log(1 - lost if remainder == "carry" else lost / 2)


def diagnose_axis(machine: Machine, axis: Axis, series: Sequence[Series]) -> Finding:
    """What the readings of one axis say: causes ranked, with evidence, or "can't tell".

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> finding = diagnose_axis(router, router.axis("X"), [])
    >>> finding.verdict, finding.why
    ("can't tell", '0 readings are too few: take at least up and back twice on one rung')
    """
    bench = _Bench(machine, axis, [s for s in series if s.axis == axis.name])
    if bench.count < 4:
        why = f"{bench.count} readings are too few: take at least up and back twice on one rung"
        return _nothing(axis, why)
    if _typed_movements(bench):
        return _nothing(axis, _movement_words(bench))
    tries = _tries(bench)
    weights = np.array([t.weight for t in tries])
    shares = np.exp(weights - np.logaddexp.reduce(weights))
    sets: dict[frozenset[str], float] = {}
    for item, share in zip(tries, shares, strict=True):
        sets[item.kinds] = sets.get(item.kinds, 0.0) + float(share)
    best = max(sets, key=lambda kinds: sets[kinds])
    chosen = max((t for t in tries if t.kinds == best), key=lambda t: t.weight)
    return _finding(machine, bench, chosen, sets, tries, shares)


def _typed_movements(bench: _Bench) -> bool:
    """Whether readings after as many clicks back are as far from zero as those after the clicks up, throughout.

    Judged where the axis goes furthest, as slack may hide short legs. The sign of back is ignored, as people
    leave it out; the first movement up is longer than the others by the slack that they have to take up.
    """
    legs = []
    for series, values, mask in zip(bench.series, bench.read, bench.taken, strict=True):
        net = (np.array(series.up) - np.array(series.down))[mask]
        top, zero = values[net == net.max()], np.abs(values[net == 0])
        if net.max() > 0 and len(zero) and len(top):
            legs.append((abs(float(np.median(top))), top, zero))
    if not legs:
        return False
    _, top, zero = max(legs, key=lambda leg: leg[0])
    later = top[1:] if len(top) > 1 else top
    up = float(np.median(later)) or math.nan
    steady = np.ptp(later) < 0.3 * abs(up) and 0.8 < top[0] / up < 2.0
    return bool(steady and zero.min() > 0.6 * abs(up) and zero.max() < 1.2 * abs(up))


def _movement_words(bench: _Bench) -> str:
    travel = say_distance(bench.travel_mm, bench.unit, digits=2)
    longer = "" if bench.travel_mm > _LARGEST_SLACK_MM else f" (or slack is longer than {travel}: read a longer rung too)"
    return (
        "these look like movements, not dial positions: back reads as much as up. Set to zero once per rung, "
        f"don't zero in between, and read what the dial shows{longer}; nothing else is concluded from this axis"
    )


def _nothing(axis: Axis, why: str) -> Finding:
    return Finding(
        axis=axis.name, verdict="can't tell", why=why, causes=(), best=(), likelihood=0.0, scale=Fraction(1),
        slack_mm=axis.slack_mm, whole_clicks=False,
    )  # fmt: skip


def _finding(
    machine: Machine, bench: _Bench, chosen: _Try, sets: Mapping[frozenset[str], float],
    tries: Sequence[_Try], shares: Floats,
) -> Finding:  # fmt: skip
    sure = sets[chosen.kinds]
    alone: dict[str, float] = {}
    for kinds, share in sets.items():
        for kind in kinds:
            alone[kind] = alone.get(kind, 0.0) + share
    kept = (k for k in alone if alone[k] >= 0.02)
    ranked = sorted(kept, key=lambda k: (k not in chosen.kinds, k not in SCALES, -alone[k]))
    causes = tuple(_cause(machine, bench, kind, alone[kind], tries, shares) for kind in ranked)
    verdict, why = "found", " and ".join(kind for kind in ranked if kind in chosen.kinds)
    if not chosen.kinds:
        verdict, why = "in order", _in_order_words(bench)
    if sure < SURE:
        verdict, why = "can't tell", _split_words(sets)
    return Finding(
        axis=bench.axis.name, verdict=verdict, why=why, causes=causes, best=tuple(sorted(chosen.kinds)),
        likelihood=sure, scale=chosen.scale.factor, slack_mm=chosen.slack_mm,
        whole_clicks=chosen.scale.whole_clicks,
    )  # fmt: skip


def _in_order_words(bench: _Bench) -> str:
    """That all is well, and what would not have shown: a good answer says how good it is."""
    free = bench.free_scale("carry")
    limit = "" if free is None else f"; a factor within {say_number(200 * free[1], digits=1)} % of 1 would not show"
    return f"every reading is where it should be{limit}{_unseen(bench)}"


def _unseen(bench: _Bench) -> str:
    whole = all((s.gain_mm * bench.axis.steps_per_mm).denominator == 1 for s in bench.series)
    return "; whether remainders are kept can't be seen here, as every rung is whole motor steps" if whole else ""


def _split_words(sets: Mapping[frozenset[str], float]) -> str:
    first = sorted(sets, key=lambda kinds: -sets[kinds])[:2]
    shown = " or ".join(
        f"{' and '.join(sorted(kinds)) or 'nothing wrong'} ({say_number(100 * sets[kinds], digits=2)} %)" for kinds in first
    )
    return f"the readings fit {shown}: take more rounds, or a rung with more travel"


# ------------------------------------------------------------------ evidence in words


def _cause(machine: Machine, bench: _Bench, kind: str, likelihood: float, tries: Sequence[_Try], shares: Floats) -> Cause:
    holds = [n for n, item in enumerate(tries) if kind in item.kinds]
    item = tries[max(holds, key=lambda n: shares[n])]
    evidence, cure = _WORDS[kind](machine, bench, item)
    name = "counts per detent" if kind.startswith("counts") and item.scale.whole_clicks else kind
    return Cause(kind=name, axes=(bench.axis.name,), likelihood=min(1.0, likelihood), evidence=(evidence,), cure=(cure,))


def _scale_words(bench: _Bench, item: _Try) -> str:
    """The factor that clicks up show, or the one concluded where other causes hide it."""
    free = bench.free_scale(item.remainder if item.scale.asked == 1 else "carry")
    share = float(item.scale.factor)
    if free is None or not (item.scale.whole_clicks or abs(free[0] - share) < max(4 * free[1], 0.03 * share)):
        return f"with the other causes allowed for, clicks move {_ratio(item.scale.factor)} of what they should"
    return f"clicks up move {say_number(free[0], digits=4)} ± {say_number(2 * free[1], digits=1)} of what they should"


def _measured(size_mm: float, error_mm: float, unit: str) -> str:
    """A measured distance in a unit, with no more decimals than its error leaves, but one digit at least.

    >>> _measured(0.1312, 0.005, "mm"), _measured(0.31, 0.005, "in"), _measured(0.0018, 0.005, "mm")
    ('0.13 mm', '0.012 in', '0.002 mm')
    """
    size, error = (v / float(UNIT_FACTORS[unit]) for v in (size_mm, error_mm))
    digits = 1 if size <= 0 else 1 + math.floor(math.log10(size)) + math.floor(-math.log10(error))
    return say_distance(size_mm, unit, digits=max(1, digits))


def _ratio(factor: Fraction) -> str:
    return str(factor) if factor.denominator < 1000 else say_number(factor, digits=5)


def _say_counts(machine: Machine, bench: _Bench, item: _Try) -> tuple[str, str]:
    ratio = _ratio(item.scale.factor)
    if item.scale.whole_clicks:
        text = f"{_scale_words(bench, item)}, in whole clicks only: 1 click of every {1 / item.scale.factor} counts"
        return text, f"counts per detent: the knob makes {ratio} of the counts the file says"
    text = f"{_scale_words(bench, item)}, alike on every rung: {ratio}"
    return text, f"microsteps on {bench.axis.name}, or counts per detent (then every axis shows it): a factor {ratio}"


def _say_unit(machine: Machine, bench: _Bench, item: _Try) -> tuple[str, str]:
    word = "25.4" if item.scale.factor > 1 else "1/25.4"
    dial = _other_unit(bench.unit) == item.scale.factor
    other = "inches" if bench.unit == "mm" else "mm"
    cure = "a setting in inches where mm are meant, or the other way round"
    return f"{_scale_words(bench, item)}: {word}", cure + (f"; or the dial itself reads {other}" if dial else "")


def _say_teeth(machine: Machine, bench: _Bench, item: _Try) -> tuple[str, str]:
    ratio = item.scale.factor
    pairs = [(a, b) for a in _TEETH for b in _TEETH if Fraction(a, b) == ratio]
    shown = " or ".join(f"{a} teeth where {b} are assumed" for a, b in pairs[:3])
    return f"{_scale_words(bench, item)}: {_ratio(ratio)}, a ratio of tooth counts", f"count the teeth: {shown}"


def _say_direction(machine: Machine, bench: _Bench, item: _Try) -> tuple[str, str]:
    return "every reading has the other sign", "turn the indicator round, or the axis runs backwards"


def _say_scale(machine: Machine, bench: _Bench, item: _Try) -> tuple[str, str]:
    free, unit = bench.free_scale(item.remainder), bench.unit
    digits = 4 if free is None else max(2, math.ceil(-math.log10(free[1] / free[0])))
    steps = say_number(bench.axis.steps_per_mm * UNIT_FACTORS[unit] / item.scale.factor, digits=digits)
    text = f"{_scale_words(bench, item)}, and no usual ratio fits"
    cure = f"is the indicator square to the axis? If so, steps would be {steps} per {unit}: measure over more travel"
    return text, cure


def _say_slack(machine: Machine, bench: _Bench, item: _Try) -> tuple[str, str]:
    found = _measured(item.slack_mm, min(bench.sigma), bench.unit)
    filed = say_distance(bench.axis.slack_mm, bench.unit, digits=3)
    taken = f", the dial's {'inches' if bench.unit == 'mm' else 'mm'} converted" if item.scale.dial else ""
    return (
        f"after each reversal the readings stay {found} behind, on every rung alike (file {filed}{taken})",
        f'put slack = "{found}" into the file, or mend nut, belt or bearing; touch off from one side',
    )


def _say_lost(machine: Machine, bench: _Bench, item: _Try) -> tuple[str, str]:
    unit, steps = bench.unit, bench.axis.steps_per_mm * item.scale.asked
    broken = [s for s in bench.series if (s.gain_mm * steps).denominator > 1]
    rungs = ", ".join(dict.fromkeys(say_distance(s.gain_mm, unit) for s in broken))
    grows = "the error grows click by click, and whole-step rungs show none"
    way = "and comes back with the clicks" if item.remainder == "toward zero" else "and goes on growing on the way back"
    return f"{grows}: only {rungs} per click fall{'s' if len(broken) == 1 else ''} short, {way}", _LOST_CURE


_LOST_CURE = 'firmware: remainder = "drop"; choose rungs that are whole motor steps'


def _say_irregular(machine: Machine, bench: _Bench, item: _Try) -> tuple[str, str]:
    return (
        "rounds that should read alike differ by more than indicator and motor explain, without a pattern",
        "lost steps (lower ramp or speed, more current) or a loose clamp, coupling or indicator foot",
    )


_WORDS = {
    "counts or microsteps": _say_counts, "unit": _say_unit, "teeth": _say_teeth, "direction": _say_direction,
    "scale": _say_scale, "slack": _say_slack, "remainders lost": _say_lost, "irregular": _say_irregular,
}  # fmt: skip


# ------------------------------------------------------------------ all axes together


@dataclass(frozen=True, kw_only=True)
class Diagnosis:
    """What all readings say: each axis' finding, and causes ranked over the axes they share.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> turned = ((0, 0), (10, 1.0), (-10, 0.05), (10, 1.0), (-10, 0.05))
    >>> rows = [dict(axis="X", unit="mm", gain="0.1", detents=n, reading=r) for n, r in turned]
    >>> diagnose_readings(router, readings_from_rows(rows, router)).verdict
    'in order'
    """

    machine: str
    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]

    @property
    def verdict(self) -> str:
        """ "found" where any axis has a fault, else "can't tell" where one can't be told, else "in order"."""
        said = {finding.verdict for finding in self.findings}
        return next(word for word in ("found", "can't tell", "in order") if word in said or word == "in order")


def diagnose_readings(machine: Machine, series: Sequence[Series]) -> Diagnosis:
    """Rank what may be wrong with a machine by its dial readings (see this module's table).

    One axis alone can't tell counts per detent from microsteps; two can: the knob is shared, a driver isn't.

    >>> from jogtune.machine import read_machine
    >>> machine = read_machine("datasets/machines/inlay_router.toml")
    >>> turned = ((0, 0), (10, 0.5), (-10, 0.05), (10, 0.5), (-10, 0.05))
    >>> rows = [dict(axis="X", unit="mm", gain="0.1", detents=n, reading=r) for n, r in turned]
    >>> found = diagnose_readings(machine, readings_from_rows(rows, machine))
    >>> found.verdict, found.causes[0].kind
    ('found', 'counts or microsteps')
    """
    names = list(dict.fromkeys(s.axis for s in series))
    findings = tuple(diagnose_axis(machine, machine.axis(name), series) for name in names)
    causes = _shared_causes(findings)
    return Diagnosis(machine=machine.name, findings=findings, causes=causes)


def _shared_causes(findings: Sequence[Finding]) -> tuple[Cause, ...]:
    groups: dict[tuple[str, object], list[tuple[Finding, Cause]]] = {}
    for finding in findings:
        for cause in finding.causes:
            tied = cause.kind.startswith("counts") or cause.kind == "unit"
            key = "counts or microsteps" if cause.kind.startswith("counts") else cause.kind
            groups.setdefault((key, finding.scale if tied else None), []).append((finding, cause))
    sure = [finding for finding in findings if finding.verdict != "can't tell"]
    ranked = []
    for (kind, _), pairs in groups.items():
        cause = _merge(pairs, len(findings), len(sure))
        concluded = any(kind in finding.best for finding, _ in pairs)
        later = (not concluded, not (concluded and kind in SCALES), -round(cause.likelihood, 2))
        ranked.append(((*later, _ORDER.index(cause.kind)), cause))
    return tuple(cause for _, cause in sorted(ranked, key=lambda pair: pair[0]))


# what was concluded first, of that the scale faults, then the likelier; equally likely causes in this order
_ORDER = (
    "counts per detent", "microsteps", "counts or microsteps", "unit", "teeth", "direction", "scale", "irregular",
    "remainders lost", "slack",
)  # fmt: skip


def _merge(pairs: Sequence[tuple[Finding, Cause]], measured: int, sure: int) -> Cause:
    first = max((cause for _, cause in pairs), key=lambda cause: cause.likelihood)
    axes = tuple(finding.axis for finding, _ in pairs)
    kind = first.kind
    evidence = _lines([(finding.axis, cause.evidence) for finding, cause in pairs])
    cure = _lines([(finding.axis, cause.cure) for finding, cause in pairs])
    if kind.startswith("counts") and measured > 1 and sure > 1:
        shared = len(pairs) == measured
        kind = "counts per detent" if shared else "microsteps" if kind == "counts or microsteps" else kind
        if shared:
            evidence += ("every axis measured shows it, and they share the knob",)
            cure = ("counts per detent in the file, or in the firmware",)
        elif kind == "microsteps":
            evidence += ("the other axes measured don't show it, so it isn't the knob",)
            cure = (f"microsteps set on {', '.join(axes)}'s driver",)
    return Cause(kind=kind, axes=axes, likelihood=first.likelihood, evidence=evidence, cure=cure)


def _lines(said: Sequence[tuple[str, tuple[str, ...]]]) -> tuple[str, ...]:
    """What is said of each axis, a line each; alike for all, once without names.

    >>> _lines([("X", ("0.08 mm",)), ("Y", ("0.02 mm",)), ("Z", ("0.08 mm",))])
    ('X, Z: 0.08 mm', 'Y: 0.02 mm')
    """
    groups: dict[str, list[str]] = {}
    for axis, lines in said:
        for line in lines:
            groups.setdefault(line, []).append(axis)
    return tuple(groups) if len(groups) == 1 else tuple(f"{', '.join(axes)}: {line}" for line, axes in groups.items())
