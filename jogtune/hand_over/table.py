"""One table: what each control does."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from ..axis.outstanding import calm_speed_steps_s, derive_outstanding
from ..axis.row import by_position, rows
from ..choose.suggest import Suggestion
from ..ladder.ladder import Ladder
from ..ladder.steps import steps_per_detent
from ..machine.model import Axis, Machine
from ..units import say_distance, say_number
from ..words.tables import Table


@dataclass(frozen=True, kw_only=True)
class _Setting:
    """What a `control` ("knob", "stick", "button") does on an axis at a position or button, and what to set for it. On a rotary
    axis (`unit` "deg") every `_mm` is degrees.

    A click or press moves `distance_mm`, which is `steps`, both exact; a stick has `top_mm_s` at full throw instead. `top_mm_s`
    is the jog speed to set, `limit_mm` what the target may lead by, `calm_steps_s` the clamp (None: not known). Up to
    `free_rate` [clicks/s] none is lost under the limit in force, the file's own or this one; `kind` says what that makes of it.
    `sent_mm` is the distance as the link rounds it, `sent_drift_1000_mm` what that is off in 1000 clicks; None where the file
    gives no decimals."""

    axis: str
    control: str
    position: int
    unit: str
    distance_mm: Fraction | None = None
    steps: Fraction | None = None
    top_mm_s: float
    top_steps_s: int
    calm_steps_s: int | None
    limit_mm: float | None = None
    limit_steps: int | None = None
    free_rate: float | None = None
    kind: str | None = None
    sent_mm: Fraction | None = None
    sent_drift_1000_mm: Fraction | None = None

    @property
    def gain(self) -> str:
        """The distance in the shown unit, and as what it is sent where the link rounds it; "" of a stick."""
        if self.distance_mm is None:
            return ""
        sent = "" if self.sent_mm in (None, self.distance_mm) else f", sent as {say_distance(self.sent_mm, self.unit, digits=9)}"
        return say_distance(self.distance_mm, self.unit) + sent


def _settings(answer: Suggestion) -> tuple[_Setting, ...]:
    """A row per position, axis and control: the knob's in the order of `answer.rows`, then the stick's, then the buttons'."""
    machine = answer.machine
    gains = [(machine.axis(row.axis), row.position, Fraction(row.gain_num, row.gain_den)) for row in answer.rows]
    rate = machine.knob.steady_detents_s
    return (*(_click(answer, axis, "knob", position, gain, rate) for axis, position, gain in gains), *_beside(answer))


def _click(answer: Suggestion, axis: Axis, control: str, position: int, distance: Fraction, rate: float) -> _Setting:
    """A click or press, for a hand that turns or presses at a rate [/s]."""
    machine, found = answer.machine, derive_outstanding(answer.machine, axis, answer.ladder)
    free, kind = found.serves(machine, float(distance), rate)
    sent = None if machine.firmware.decimals is None else machine.sent(axis, distance)
    return _Setting(
        axis=axis.name, control=control, position=position, unit=machine.shown_unit(axis), distance_mm=distance,
        steps=steps_per_detent(axis, distance), top_mm_s=found.jog_top_mm_s, top_steps_s=_steps(axis, found.jog_top_mm_s),
        calm_steps_s=found.calm_speed_steps_s, limit_mm=found.limit_mm, limit_steps=found.limit_steps, free_rate=free, kind=kind,
        sent_mm=sent, sent_drift_1000_mm=None if sent is None else 1000 * (sent - distance),
    )  # fmt: skip


def _beside(answer: Suggestion) -> Iterator[_Setting]:
    """The stick's rows, as it was allotted, and those of the file's buttons."""
    machine, allotted = answer.machine, answer.allotment
    if allotted is None:
        return
    for name, top in allotted.stick_top_mm_s.items():
        axis = machine.axis(name)
        yield _Setting(axis=name, control="stick", position=1, unit=machine.shown_unit(axis), top_mm_s=top,
                       top_steps_s=_steps(axis, top), calm_steps_s=calm_speed_steps_s(axis))  # fmt: skip
    if machine.buttons:
        presses, rate = Ladder.from_gains(machine.buttons.steps_mm, show_in=machine.show_in), machine.buttons.presses_s
        for axis in machine.axes:
            for number, distance in enumerate(presses.on(axis), start=1):
                yield _click(answer, axis, "button", number, distance, rate)


def _steps(axis: Axis, speed_mm_s: float) -> int:
    """A speed in whole motor steps/s, rounded down."""
    return int(speed_mm_s * float(axis.steps_per_mm) * (1 + 1e-12))


def _travel(machine: Machine, ladder: Ladder) -> dict[int, str]:
    """What marks the positions on which a steady hand loses clicks, and the axes where it does: "travel", "travel Y; not Z" (a
    click is more than the limit of Z, so nothing moves)."""
    found = {}
    for position, mine in by_position(rows(machine, ladder)):
        dead = [row.axis for row in mine if not row.free_detents_s]
        loses = [row.axis for row in mine if row.kind == "travel" and row.free_detents_s]
        parts = ["travel" + (f" {', '.join(loses)}" if len(loses) < len(mine) else "")] if loses else []
        found[position] = "; ".join([*parts, *([f"not {', '.join(dead)}"] if dead else [])])
    return found


def _travel_note(machine: Machine, ladder: Ladder) -> list[str]:
    """What travel means, with the lowest rate [clicks/s] that loses clicks at each position; nothing where none does."""
    rates = [f"position {n}: {say_number(min(losing), digits=2)}" for n, mine in by_position(rows(machine, ladder))
             if (losing := [row.free_detents_s for row in mine if row.kind == "travel" and row.free_detents_s])]  # fmt: skip
    said = "Travel: clicks are lost where it is turned faster than so many a second ({}). Go by the readout there."
    return [said.format(", ".join(rates))] if rates else []


def _settings_table(answer: Suggestion) -> Table:
    """The rows for people, lengths in the unit shown."""
    return [list(_HEADS), *([say(one) for say in _HEADS.values()] for one in _settings(answer))]


_HEADS: dict[str, Callable[[_Setting], str]] = {
    "control": lambda one: one.control if one.control == "stick" else f"{one.control} {one.position}",
    "axis": lambda one: one.axis,
    "moves": lambda one: one.gain,
    "motor steps": lambda one: "" if one.steps is None else say_number(one.steps, digits=5),
    "top speed": lambda one: f"{say_distance(one.top_mm_s, one.unit, digits=3)}/s",
    "clamp near people (steps/s)": lambda one: "not known" if one.calm_steps_s is None else str(one.calm_steps_s),
    "limit (steps)": lambda one: "" if one.limit_steps is None else str(one.limit_steps),
    "keeps clicks to (/s)": lambda one: "" if one.free_rate is None else say_number(one.free_rate, digits=3),
    "kind": lambda one: "nothing moves: over the limit" if one.free_rate == 0 else one.kind or "",
}
