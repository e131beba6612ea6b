"""The pocket card."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from ..axis.advice import axis_answer
from ..axis.outstanding import calm_speed_steps_s
from ..axis.speed import derive_rung
from ..files import InputFault, write_whole
from ..ladder.ladder import Ladder, Rung
from ..machine.model import Axis, Machine
from ..units import say_distance, say_number
from .legend import draw_foot, draw_title, fitting_size
from .paper import A4_MM, INK, draw_line, new_page, page_bytes, page_kind, write_lines, write_text

CARD_MM = (148.0, 105.0)  # ISO 216 A6 landscape, folded once to A7
AXES_PER_CARD = 3


def rung_use(machine: Machine, ladder: Ladder, rung: Rung) -> str:
    """What a rung is for, by how far there is to go: two clicks of it up to two clicks of the next (our choice)."""
    unit, gains = machine.show_in, ladder.gains_mm
    low = say_distance(2 * rung.gain_mm, unit)
    if len(gains) == 1:
        return "everything: the only rung"
    if rung.position == len(gains):
        return f"cross the table: over {low}"
    high = say_distance(2 * gains[rung.position], unit)
    if rung.position == 1:
        return f"touch off, nudge: under {high} to go"
    return f"come near: {low.split()[0]} to {high} to go"


def card_cautions(machine: Machine) -> tuple[str, ...]:
    """The cautions of the pocket card: short, but none left out."""
    silence = say_number(machine.link.silence_s * 1000, digits=4)
    return (
        "Hands clear. A hard-wired stop within reach. jogtune calculates; it is no safety device.",
        _near_people(machine),
        f"Lost link ({silence} ms of silence) must mean stop. The machine's manual, its risk assessment and "
        "local rules come first.",
    )


def _near_people(machine: Machine) -> str:
    groups: dict[str, list[str]] = {}
    for axis in machine.axes:
        steps, calm = calm_speed_steps_s(axis), axis.calm_speed_mm_s
        says = "no calm speed known, ask the manual"
        if steps is not None and calm is not None:
            says = f"{steps} steps/s ({say_distance(calm, machine.shown_unit(axis), digits=3)}/s)"
        groups.setdefault(says, []).append(axis.name)
    shown = "; ".join(f"{', '.join(names)}: {says}" for says, names in groups.items())
    return f"With someone near, clamp in the firmware: {shown}; two at once: divide by √2."


def draw_cards(machine: Machine, ladder: Ladder) -> list[Figure]:
    """The pocket card on an A4 page; a further page for each further three axes.

    Left of the fold the ladder and what each rung is for, right of it turns to cross and run-on.
    """
    groups = [machine.axes[n : n + AXES_PER_CARD] for n in range(0, len(machine.axes), AXES_PER_CARD)]
    return [_draw_card(machine, ladder, group) for group in groups]


def _draw_card(machine: Machine, ladder: Ladder, axes: Sequence[Axis]) -> Figure:
    figure, ax = new_page(*A4_MM)
    left, low = (A4_MM[0] - CARD_MM[0]) / 2, 130.0
    top = low + CARD_MM[1]
    fold = left + CARD_MM[0] / 2
    draw_title(ax, f"Pocket card: {machine.name}")
    ax.add_patch(Rectangle((left, low), *CARD_MM, fill=False, linewidth=0.5, linestyle=(0, (4, 3))))
    draw_line(ax, (fold, fold), (low, top), width_mm=0.12, linestyle=(0, (1, 3)))
    _card_left(ax, machine, ladder, (left + 4, top - 4))
    _card_right(ax, machine, ladder, axes, (fold + 4, top - 4))
    note = "Cut along the dashed line, fold along the dotted one with the print outside."
    write_text(ax, A4_MM[0] / 2, low - 6, note, size_mm=2.6, ha="center", va="top")
    draw_foot(ax, [f"Run-on: {run_on_words(machine)}"], "card")
    return figure


def _row_height(ladder: Ladder, room_mm: float) -> float:
    return min(10.0, room_mm / len(ladder.rungs))


def _card_left(ax: Axes, machine: Machine, ladder: Ladder, corner_mm: tuple[float, float]) -> None:
    x, y = corner_mm
    write_text(ax, x, y, "Distance per click", size_mm=3.4, weight="bold", va="top")
    write_text(ax, x, y - 5, machine.name, size_mm=fitting_size(machine.name, 66, 2.6), va="top")
    height = _row_height(ladder, 86)
    size = min(3.0, 0.62 * height)
    for rung in ladder.rungs:
        middle = y - 10 - height * (rung.position - 0.5)
        _card_rung(ax, machine, ladder, rung, (x, middle), size)
        draw_line(ax, (x, x + 66), (middle - height / 2,) * 2, width_mm=0.1)


def _card_rung(ax: Axes, machine: Machine, ladder: Ladder, rung: Rung, at_mm: tuple[float, float], size_mm: float) -> None:
    x, y = at_mm
    ends = {1: "white", len(ladder.rungs): INK}
    if rung.position in ends and len(ladder.rungs) > 1:
        ax.add_patch(Circle((x + 2.2, y), 0.72 * size_mm, facecolor=ends[rung.position], edgecolor=INK, linewidth=0.7))
    color = "white" if rung.position == len(ladder.rungs) > 1 else INK
    gain, use = say_distance(rung.gain_mm, machine.show_in), rung_use(machine, ladder, rung)
    style = {"va": "center_baseline"}
    write_text(ax, x + 2.2, y, str(rung.position), size_mm=0.85 * size_mm, ha="center", color=color, **style)
    size = fitting_size(gain, 14.5, size_mm, bold=True)
    write_text(ax, x + 5.5, y, gain, size_mm=size, weight="bold", **style)
    write_text(ax, x + 21, y, use, size_mm=fitting_size(use, 45, 0.85 * size_mm), **style)


def _card_right(ax: Axes, machine: Machine, ladder: Ladder, axes: Sequence[Axis], corner_mm: tuple[float, float]) -> None:
    x, y = corner_mm
    names = [axis.name for axis in axes]
    write_text(ax, x, y, "Turns to cross, and run-on", size_mm=3.4, weight="bold", va="top")
    height = _row_height(ladder, 60)
    start = 17.5 if height > _TWO_LINES_MM else 9.0
    columns = [x + start + (n + 0.5) * (66 - start) / len(names) for n in range(len(names))]
    for name, column in zip(names, columns, strict=True):
        size = fitting_size(name, 15, 3.0, bold=True)
        write_text(ax, column, y - 8.5, name, size_mm=size, weight="bold", ha="center", va="center_baseline")
    if height <= _TWO_LINES_MM:
        _card_pair(ax, "to cross", "· run-on", (x, y - 8.5), 6.0, ha="left")
    for rung in ladder.rungs:
        middle = y - 11 - height * (rung.position - 0.5)
        write_text(ax, x + 2, middle, str(rung.position), size_mm=min(2.6, 0.6 * height), va="center_baseline")
        if height > _TWO_LINES_MM:
            _card_pair(ax, "to cross", "run-on", (x + 6, middle), height, ha="left")
        for axis, column in zip(axes, columns, strict=True):
            _card_figures(ax, machine, axis, rung, (column, middle), height)
        draw_line(ax, (x, x + 66), (middle - height / 2,) * 2, width_mm=0.1)
    below = y - 11 - height * len(ladder.rungs) - 2.5
    write_lines(ax, x, below, card_cautions(machine), width_mm=66, size_mm=2.2)


def _card_figures(ax: Axes, machine: Machine, axis: Axis, rung: Rung, at_mm: tuple[float, float], height_mm: float) -> None:
    figure = derive_rung(machine, axis, rung)
    turns = f"{say_number(figure.turns_to_cross, digits=3)} turns"
    run_on = axis_answer(machine, axis, rung.gain_mm).run_on_mm
    text = say_distance(run_on, machine.shown_unit(axis), digits=2)
    if height_mm > _TWO_LINES_MM:
        _card_pair(ax, turns, text, at_mm, height_mm, ha="center")
        return
    both = f"{turns} · {text}"
    size = fitting_size(both, 17.4, min(2.4, 0.7 * height_mm))
    write_text(ax, *at_mm, both, size_mm=size, ha="center", va="center_baseline")


_TWO_LINES_MM = 5.0  # a row higher than this holds turns to cross above run-on


def _card_pair(ax: Axes, upper: str, lower: str, at_mm: tuple[float, float], height_mm: float, *, ha: str) -> None:
    x, y = at_mm
    for text, lift in ((upper, 0.22), (lower, -0.22)):
        size = fitting_size(text, 15.4, min(2.4, 0.36 * height_mm))
        write_text(ax, x, y + lift * height_mm, text, size_mm=size, ha=ha, va="center_baseline")


def run_on_words(machine: Machine) -> str:
    """How the card's run-on is meant, in a sentence."""
    rate = say_number(machine.knob.steady_detents_s, digits=3)
    link = machine.link
    later = say_number(1000 * (link.report_interval_s + link.delay_s + link.jitter_s), digits=3)
    return (
        f"how far the axis still travels after the last report of a hand that turned {rate} clicks a second, "
        "every click finished; where that outruns the axis, after a second of it. From the last click itself "
        f"it moves on for up to {later} ms more. A hand that hurries makes it run on further."
    )


def write_card(path: str | Path, machine: Machine, ladder: Ladder, *, overwrite: bool = False) -> Path:
    """Write the pocket card as .pdf, or .svg where three axes or fewer make it one page; returns the path."""
    kind = card_kind(path, machine)
    return write_whole(path, page_bytes(draw_cards(machine, ladder), kind), overwrite=overwrite)


def card_kind(path: str | Path, machine: Machine) -> str:
    """The kind of page a card's file name asks for; an .svg holds one page, and so three axes at most."""
    kind = page_kind(path)
    if kind == "svg" and len(machine.axes) > AXES_PER_CARD:
        raise InputFault(str(path), [f"an .svg holds one page, and {len(machine.axes)} axes take more: write a .pdf"])
    return kind
