"""Start values of what is left out."""

import contextlib
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Any

from ..units import UNIT_FACTORS, parse_quantity, plain_at_most, say_number, significand

# Every figure here is a start value: common practice, no source. They go by the machine's own speeds and wishes, so that they
# suit a machine of any size, and they never contradict what the file gives.

Known = Mapping[str, Any]
"""What a start value may go by: the figures of its table, given or found before it, by their attributes; `bounds` of the key;
of an axis also its `unit`, `rotary`, `step` and `needs`, the least reach; of the rest the `unit` read and the finest `wish`."""
_MOST_TURNS_S = 10
"""No hand turns a knob faster."""
_MS = Fraction(1, 1000)
_AXES = "XYZABCUVWPQR"
_INCHES = r"(?i)(in|inch|inches|thou|mils?)\s*$"


def _two_digits(value: Fraction, toward: Callable[[Fraction], int] = round) -> Fraction:
    place = value / significand(value) / 10 if value else Fraction(1)
    return toward(value / place) * place


def _fraction(number: Fraction | float) -> Fraction:
    """A number that a file may have held, as it stood there: 0.03 is 3/100."""
    return number if isinstance(number, Fraction) else Fraction(number).limit_denominator(10**9)


def _held(value: Fraction, low: Fraction, high: Fraction) -> Fraction:
    """A value of two digits within limits, of more only where no such value lies between them."""
    inside = max(low, min(value, high))
    tries = (_two_digits(inside), _two_digits(inside, math.ceil), _two_digits(inside, math.floor))
    return next((shown for shown in tries if low <= shown <= high), inside)


def _amounts(
    known: Known, numbers: tuple[Fraction | float, ...], unit: str, factor: Fraction = Fraction(1),
    least: Fraction | float = 0, most: Fraction | float = math.inf,
) -> tuple[str, ...]:  # fmt: skip
    """Start value, lowest and highest as texts in a unit, within limits and the bounds of the key."""
    floor, ceiling = known["bounds"]
    low, high = _fraction(max(least, floor)) / factor, _fraction(min(most, ceiling)) / factor
    return tuple(f"{_exactly(_held(_fraction(number) / factor, low, high))} {unit}" for number in numbers)


def _exactly(value: Fraction) -> str:
    text = say_number(value, digits=12)
    return text if Fraction(text) == value else f"{value.numerator}/{value.denominator}"


def _distances(known: Known, numbers: tuple[Fraction, ...], per: str = "", **limits: Fraction) -> tuple[str, ...]:
    return _amounts(known, numbers, known["unit"] + per, UNIT_FACTORS[known["unit"]], **limits)


def _crank(known: Known) -> bool:
    return bool(known["grip"] == "crank")


def _detents(known: Known) -> tuple[int, ...]:
    """As usual for the grip, and enough for the turn rates given."""
    rates = [known.get(f"{name}_detents_s", 0) for name in ("steady", "fastest")]
    usual = (100, 50, 200) if _crank(known) else (24, 20, 100)
    return tuple(max(number, math.ceil(max(rates) / _MOST_TURNS_S)) for number in usual)


def _steady(known: Known) -> tuple[str, ...]:
    """Fingers by clicks, a crank by turns; by the fastest rate where that alone is given."""
    clicks, fastest = known["detents_per_turn"], known.get("fastest_detents_s")
    usual = (clicks, 0.5 * clicks, 1.5 * clicks) if _crank(known) else (12, 6, 20)
    share = 1 if fastest is None else fastest / (2.5 * clicks if _crank(known) else 40)
    most = _MOST_TURNS_S * clicks if fastest is None else fastest
    return _amounts(known, tuple(share * rate for rate in usual), "detents/s", most=most)


def _fastest(known: Known) -> tuple[str, ...]:
    """A multiple of the steady rate, up to what a hand can do."""
    rate = _fraction(known["steady_detents_s"])
    usual = (Fraction(5, 2), Fraction(3, 2), Fraction(4)) if _crank(known) else (Fraction(10, 3), Fraction(2), Fraction(5))
    most = max(rate, _MOST_TURNS_S * known["detents_per_turn"])
    return _amounts(known, tuple(rate * times for times in usual), "detents/s", least=rate, most=most)


def _report_every(known: Known) -> tuple[str, ...]:
    """Half of a given silence at most, and no less than a given jitter."""
    least, most = known.get("jitter_s", 0), known.get("silence_s", math.inf) / 2
    return _amounts(known, (40 * _MS, 10 * _MS, 100 * _MS), "ms", _MS, least=least, most=most)


def _silence(known: Known) -> tuple[str, ...]:
    """Five reports, and time enough for a hiccup of the link."""
    every = _fraction(known["report_interval_s"])
    start = max(250 * _MS, 5 * every)
    return _amounts(known, (start, 2 * every, max(1000 * _MS, start)), "ms", _MS, least=2 * every)


def _readout_step(known: Known) -> tuple[str, ...]:
    """The largest plain distance within half the finest wish."""
    factor, wish = UNIT_FACTORS[known["unit"]], known["wish"]
    return _distances(known, (plain_at_most(wish / factor / 2) * factor, wish / 10, wish))


def _ramp(known: Known) -> tuple[str, ...]:
    """Top speed in a quarter of a second; in a whole one, in a tenth."""
    top = known["top_speed_mm_s"].value
    return _distances(known, (4 * top, top, 10 * top), "/s2")


def _reach(known: Known) -> tuple[str, ...]:
    """Six seconds at top speed, a whole turn of what turns; never less than what else is given needs."""
    top = known["top_speed_mm_s"].value
    usual = (Fraction(360), Fraction(90), Fraction(360)) if known["rotary"] else (6 * top, 2 * top, 15 * top)
    return _distances(known, usual, least=known["needs"])


def _slack(known: Known) -> tuple[str, ...]:
    """Twice the finest wish, or the motor step where that is larger."""
    larger = max(known["finest_mm"].value, known["step"])
    return _distances(known, (2 * larger, Fraction(0), 10 * larger), most=known["reach_mm"].value)


def _axis_names(tables: Sequence[Mapping[str, Any]]) -> list[Any]:
    """The name of each axis: its own, or X, Y, Z, A and so on by its place, passing over names that others have."""
    own = [table.get("name", "unknown") for table in tables]
    free = [name for name in _AXES if name.lower() not in {other.strip().lower() for other in own if isinstance(other, str)}]
    for n, name in enumerate(own):
        if name == "unknown":
            own[n] = _AXES[n] if _AXES[n] in free else free[0]
            free.remove(own[n])
    return own


def _wish_unit(wishes: Iterable[object]) -> str:
    """The unit that finest wishes are written in: mm, in or deg; the first of an axis that doesn't turn."""
    units = []
    for wish in wishes:
        with contextlib.suppress(ValueError):
            found = parse_quantity(wish, "distance")
            units.append("deg" if found.angular else "in" if re.search(_INCHES, str(wish)) else "mm")
    return next((unit for unit in units if unit != "deg"), units[0] if units else "mm")
