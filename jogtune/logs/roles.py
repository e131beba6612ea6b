"""Names to roles."""

import re
from collections import Counter as Tally
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import get_args

import numpy as np
import numpy.typing as npt

from ..files import Fault, InputFault
from .cells import _NUMBER_TEXT, _cells_of, _Layout, _split_cells
from .head import _Head
from .lines import _Seen
from .map import _LENGTH_UNITS, LogMap, _Clock, _Column, _Counter, _Label, _Length, _Position, _PositionKind, _RungColumn

_TIDY_COLUMNS = ("time_s", "axis", "detents", "gain_mm", "rung", "position_mm", "goal_mm", "tolerance_mm", "person", "marker")
"""The columns of a tidy log, in their order; a log has `gain_mm` or `rung`, and only `time_s` and `detents` always."""
_UNITS = {
    "s": ("s", None), "sec": ("s", None), "ms": ("ms", None), "us": ("us", None), "µs": ("us", None), "ns": ("ns", None),
    "mm": (None, "mm"), "um": (None, "um"), "µm": (None, "um"), "in": (None, "in"), "inch": (None, "in"), "deg": (None, "deg"),
}  # fmt: skip
_ROLES = {
    "time": {"time", "t", "timestamp", "clock", "micros", "millis", "seconds", "elapsed"},
    "increments": {"detents", "detent", "clicks", "click", "delta", "increment", "increments"},
    "running": {"count", "counts", "counter", "cnt", "encoder", "enc", "ticks", "total"}, "axis": {"axis", "ax"},
    "multiplier": {"multiplier", "mult", "factor"}, "rung": {"rung", "selector", "sel", "switch"}, "gain": {"gain", "step"},
    "position": {"position", "pos"}, "goal": {"goal", "target"}, "tolerance": {"tolerance", "tol"},
    "person": {"person", "student", "who"}, "marker": {"marker", "mark", "event", "note"},
}  # fmt: skip


def _question_rung(source: str, head: _Head, layout: _Layout, log_map: LogMap, index: Mapping[_Column, int]) -> list[_Seen]:
    """A rung column of small whole numbers whose meaning the map doesn't say: a remark; with a 0, an `InputFault`."""
    rung = log_map.rung
    if rung.column is None or rung.means or rung.names:
        return []
    texts = [text for number, text in head.counted(log_map) if number >= layout.first_line]
    rows = [_cells_of(text, layout) for text in texts]
    numbers = _number_columns([[row[index[rung.column]]] for row in rows if row], 1, layout.decimal)
    if 0 not in numbers or not _looks_like_positions(numbers[0]):
        return []
    there = [int(value) for value in np.unique(numbers[0][np.isfinite(numbers[0])])]
    if there[0] > 0:
        return [(0, "rung_looks_like_a_position", {"column": rung.column, "values": there})]
    fault = Fault(
        f"[rung] column {rung.column!r}", rule=f"holds {', '.join(map(str, there))}, which looks like a position number",
        cure='say means = "rung", counts_from = 0 in the map (or means = "gain": mm per click)',
    )  # fmt: skip
    raise InputFault(source, [fault])


def _tidy_map(head: _Head) -> LogMap | None:
    """The map of a log in the tidy schema, or None where the first line doesn't name its columns."""
    counted = head.counted()
    names = [cell.strip() for cell in _split_cells(counted[0][1], ",") or []] if counted else []
    return _map_of_names(names, head.header)


def _map_of_names(names: Sequence[str], header: Mapping[str, str]) -> LogMap | None:
    """The tidy map for these column names, or None where time_s and detents (or a position) are not among them."""
    if "time_s" not in names or not {"detents", "position_mm"} & set(names):
        return None
    kind = next((kind for kind in get_args(_PositionKind) if kind == header.get("position")), None)
    lengths = {name: _Length(column=f"{name}_mm") if f"{name}_mm" in names else None for name in ("goal", "tolerance")}
    labels = {name: _Label(column=name) for name in ("axis", "person", "marker") if name in names}
    return LogMap(
        time=_Clock(column="time_s"),
        knob=_Counter(columns=(("", "detents"),), kind="increments") if "detents" in names else None,
        axis=labels.get("axis", _Label(always="X")), rung=_tidy_rung(names),
        position=_Position(columns=(("", "position_mm"),), kind=kind) if "position_mm" in names else None,
        goal=lengths["goal"], tolerance=lengths["tolerance"],
        person=labels.get("person"), marker=labels.get("marker"),
        delimiter=",", decimal=".", header=True, simulated=header.get("simulated", "").lower() in ("yes", "true"),
    )  # fmt: skip


def _tidy_rung(names: Sequence[str]) -> _RungColumn:
    if "gain_mm" in names:
        return _RungColumn(column="gain_mm", means="gain")
    return _RungColumn(column="rung", means="rung") if "rung" in names else _RungColumn(always=1)


_Role = tuple[str, int, str | None, str | None]  # axis, column from 0, clock unit, length unit
_Numbers = dict[int, npt.NDArray[np.float64]]
"""The columns of numbers, counted from 0."""
_MOST_POSITIONS = 12  # whole numbers up to this look like a selector's positions (our choice)


def _number_columns(rows: Sequence[Sequence[str]], width: int, decimal: str) -> _Numbers:
    """The columns in which four cells of five are numbers, with NaN where one isn't."""
    found = {}
    for column in range(width):
        cells = [row[column].strip().replace(decimal, ".") for row in rows]
        values = np.array([float(c) if _NUMBER_TEXT.fullmatch(c) and "," not in c else np.nan for c in cells])
        values[~(np.abs(values) <= 2**53)] = np.nan
        if len(values) and np.isfinite(values).mean() >= 0.8:
            found[column] = values
    return found


def _role(name: str) -> tuple[str, str, str | None, str | None] | None:
    """What a column's name says: (role, axis, clock unit, length unit), or None."""
    tokens = re.findall(r"[^\W\d_]+", name.lower())
    clock, length = next((_UNITS[t] for t in reversed(tokens) if t in _UNITS and t != "in"), (None, None))
    if tokens[-1:] == ["in"] and len(tokens) > 1:
        length = "in"
    for role, role_words in _ROLES.items():
        if role_words & set(tokens):
            clock = {"micros": "us", "millis": "ms"}.get(tokens[0], clock)
            axes = [t.upper() for t in tokens if len(t) == 1 and t in "xyzabc" and t not in role_words]
            return role, axes[0] if axes else "", clock, length
    return ("time", "", clock, None) if clock and len(tokens) == 1 else None


def _by_name(names: Sequence[str], columns: Sequence[_Column], numbers: _Numbers) -> LogMap | None:
    """A map by the names of the columns, or None where they name no clock, or neither a count nor a position."""
    roles: dict[str, list[_Role]] = {}
    often = Tally(names)
    for column, name in enumerate(names):
        role, *found = _role(name) or ("", "", None, None)
        if role and often[name] == 1 and (column in numbers or role in ("axis", "person", "marker", "rung")):
            roles.setdefault(role, []).append((str(found[0]), column, found[1], found[2]))
    kind = "increments" if "increments" in roles else "running"
    if "time" not in roles or not {"increments", "running", "position"} & set(roles):
        return None
    _, time, unit, _ = roles["time"][0]
    label = {r: _Label(column=columns[roles[r][0][1]]) for r in ("axis", "person", "marker") if r in roles}
    length = {r: _Length(column=columns[roles[r][0][1]], mm=_mm(roles[r][0][3])) for r in ("goal", "tolerance") if r in roles}
    return LogMap(
        time=_Clock(column=columns[time], unit=unit or _clock_unit(numbers[time])),
        knob=_Counter(columns=_per_axis(roles[kind], columns), kind=kind) if kind in roles else None,  # type: ignore[arg-type]
        axis=label.get("axis", _Label(always="X")), rung=_named_rung(roles, columns, numbers),
        position=_Position(columns=_per_axis(roles["position"], columns), mm=_mm(roles["position"][0][3]))
        if "position" in roles else None,
        goal=length.get("goal"), tolerance=length.get("tolerance"), person=label.get("person"), marker=label.get("marker"),
    )  # fmt: skip


def _mm(unit: str | None) -> Fraction:
    return _LENGTH_UNITS[unit or "mm"]


def _per_axis(found: Sequence[_Role], columns: Sequence[_Column]) -> tuple[tuple[str, _Column], ...]:
    """One column per axis where every name holds its own axis letter; otherwise the first column alone."""
    axes = [axis for axis, _, _, _ in found]
    if len(found) > 1 and all(axes) and len(set(axes)) == len(axes):
        return tuple((axis, columns[column]) for axis, column, _, _ in found)
    return (("", columns[found[0][1]]),)


def _named_rung(roles: Mapping[str, list[_Role]], columns: Sequence[_Column], numbers: _Numbers) -> _RungColumn:
    if "gain" in roles:
        _, column, _, unit = roles["gain"][0]
        return _RungColumn(column=columns[column], means="gain", mm=_mm(unit))
    if "rung" in roles and roles["rung"][0][1] in numbers:
        column = roles["rung"][0][1]
        lowest = np.nanmin(numbers[column])
        return _RungColumn(column=columns[column], means="rung", counts_from=0 if lowest == 0 else 1)
    return _RungColumn(always=1)


def _clock_unit(values: npt.NDArray[np.float64]) -> str:
    """s for numbers with decimals; otherwise by the usual step: 1000 ticks and more are µs, less are ms."""
    steps = np.diff(values[np.isfinite(values)])
    steps = steps[steps > 0]
    if not len(steps) or np.any(steps % 1):
        return "s"
    return "us" if np.median(steps) >= 1000 else "ms"


def _looks_like_positions(values: npt.NDArray[np.float64]) -> bool:
    """Whether these are small whole numbers, as a selector's positions are."""
    there = values[np.isfinite(values)]
    return len(there) > 0 and bool((there % 1 == 0).all() and there.min() >= 0 and there.max() <= _MOST_POSITIONS)


def _names_an_axis(cells: Sequence[str]) -> bool:
    there = [cell.strip() for cell in cells if cell.strip()]
    words = all(re.fullmatch(r"[A-Za-z][A-Za-z0-9]?", cell) for cell in there)
    return words and len(there) >= 0.8 * len(cells) and len(set(there)) <= 8
