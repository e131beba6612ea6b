"""The selector's legend."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon, Rectangle

from ..files import Fault, InputFault
from ..ladder.ladder import Ladder
from ..machine.model import Machine
from ..units import say_distance, say_number
from ..words.short import brief_cautions, own_words
from .paper import _A4_MM, _INK, _PT_PER_MM, _draw_foot, _draw_line, _draw_title, _new_page, _text_width, _write_text
from .table import _travel, _travel_note

_EVEN_STEP_DEG = 30.0  # common practice for rotary switches of up to 12 positions, no source
_TICK_MM = (14.0, 19.0)  # inner and outer radius of a position's tick
_CENTRE_MM = (105.0, 176.0)
_CLEAR_MM = 2.0  # between neighbouring labels of the legend, beside or above each other: our choice
_MAIN_MM, _SMALL_MM, _RADIAL_MM, _PAD_MM = 3.2, 2.6, 2.4, 0.9


@dataclass(frozen=True, kw_only=True)
class _Mark:
    """One position of a selector's legend: where it is, what it says, and how it is marked.

    `kind` is "finest", "coarsest", "only", "rung", "unused", "off" or "axis"; `travel` says where clicks are lost."""

    angle_deg: float
    main: str = ""
    small: str = ""
    kind: str = "rung"
    travel: str = ""


def _even_angles(count: int) -> tuple[float, ...]:
    """Angles spread evenly about straight up: 30° apart up to 12 positions, closer beyond."""
    step = min(_EVEN_STEP_DEG, 360 / max(count, 1))
    return tuple((n - (count - 1) / 2) * step for n in range(count))


def _legend_marks(machine: Machine, ladder: Ladder) -> tuple[_Mark, ...]:
    """The positions of the speed selector with their labels, in order; raises `InputFault` for too many rungs."""
    selector, count = machine.selector, len(ladder.rungs)
    if count > selector.positions:
        raise InputFault("legend", [Fault("the ladder", count, f"the selector has {selector.positions} positions", "drop rungs")])
    angles = selector.angles_deg or _even_angles(selector.positions)
    travel = _travel(machine, ladder)
    kinds = ["only"] if count == 1 else ["finest", *["rung"] * (count - 2), "coarsest"]
    marks = [
        _Mark(angle_deg=angle, main=say_distance(rung.gain_mm, machine.show_in), kind=kind, travel=travel.get(rung.position, ""),
              small=own_words(ladder, rung.position) if ladder.own else f"×{rung.multiplier}")
        for angle, rung, kind in zip(angles, ladder.rungs, kinds, strict=False)
    ]
    marks += [_Mark(angle_deg=angle, small="not used", kind="unused") for angle in angles[count:]]
    if selector.off and not selector.axis_choice:
        step = angles[1] - angles[0] if len(angles) > 1 else _EVEN_STEP_DEG
        marks.insert(0, _Mark(angle_deg=angles[0] - step, main="OFF", kind="off"))
    return tuple(marks)


def _axis_marks(machine: Machine) -> tuple[_Mark, ...]:
    """The positions of an axis switch: OFF where there is one, then each axis; empty without such a switch."""
    if not machine.selector.axis_choice:
        return ()
    labels = [*[("OFF", "off")] * machine.selector.off, *((axis.name, "axis") for axis in machine.axes)]
    turned = zip(_even_angles(len(labels)), labels, strict=True)
    return tuple(_Mark(angle_deg=angle, main=label, kind=kind) for angle, (label, kind) in turned)


def _at_angle(centre_mm: tuple[float, float], radius_mm: float, angle_deg: float) -> tuple[float, float]:
    """The point at a radius and an angle (0° up, clockwise) about a centre [mm]."""
    turn = math.radians(angle_deg)
    return centre_mm[0] + radius_mm * math.sin(turn), centre_mm[1] + radius_mm * math.cos(turn)


def _label_lines(mark: _Mark) -> list[tuple[str, float, bool]]:
    """What a label says: text, size and whether bold, a line each."""
    end = mark.kind if mark.kind in ("finest", "coarsest") else ""
    lines = [(mark.main, _MAIN_MM, True), (mark.small, _SMALL_MM, False), (end, _SMALL_MM, False),
             (mark.travel, _SMALL_MM, False)]  # fmt: skip
    return [line for line in lines if line[0]]


def _label_box(mark: _Mark, radius_mm: float) -> tuple[float, float, float, float]:
    """Centre about (0, 0), width and height of a label whose near side touches a circle [mm]."""
    lines, turn = _label_lines(mark), math.radians(mark.angle_deg)
    wide = max(_text_width(text, size, bold=bold) for text, size, bold in lines) + 2 * _PAD_MM
    high = sum(1.3 * size for _, size, _ in lines) + _PAD_MM
    reach = wide / 2 * abs(math.sin(turn)) + high / 2 * abs(math.cos(turn))
    return *_at_angle((0.0, 0.0), radius_mm + reach, mark.angle_deg), wide, high


def _labels_clear(marks: Sequence[_Mark], radius_mm: float) -> bool:
    """Whether the boxes of upright labels about a circle keep `_CLEAR_MM` of each other."""
    boxes = [_label_box(mark, radius_mm) for mark in marks]
    return all(
        abs(x - u) >= (wide + broad) / 2 + _CLEAR_MM or abs(y - v) >= (high + tall) / 2 + _CLEAR_MM
        for (x, y, wide, high), (u, v, broad, tall) in itertools.combinations(boxes, 2)
    )


def _label_radius(marks: Sequence[_Mark]) -> float | None:
    """The smallest label circle on which upright labels keep clear [mm]; None where they must stand radially."""
    return next((float(r) for r in range(25, 61) if _labels_clear(marks, r)), None)


def _draw_dial(ax: Axes, marks: Sequence[_Mark], centre_mm: tuple[float, float]) -> float:
    """Draw one selector's legend about a centre; returns the radius of its cutting line [mm]."""
    radius = _label_radius(marks)
    _draw_shaft(ax, centre_mm)
    _draw_wedge(ax, marks, centre_mm)
    for mark in marks:
        _draw_tick(ax, mark, centre_mm, radius or _radial_start(marks))
        if radius is None:
            _draw_radial(ax, mark, centre_mm, _radial_start(marks))
        else:
            _draw_label(ax, mark, centre_mm, radius)
    edge = _edge(marks, radius)
    ax.add_patch(Circle(centre_mm, edge, fill=False, linewidth=0.2 * _PT_PER_MM, linestyle=(0, (4, 3))))
    return edge


def _radial_start(marks: Sequence[_Mark]) -> float:
    """The radius at which radial labels begin: as near as the closest pair allows [mm]."""
    turned = sorted(mark.angle_deg % 360 for mark in marks)
    gaps = [b - a for a, b in zip(turned, [*turned[1:], turned[0] + 360], strict=True)]
    return max(26.0, 1.5 * _RADIAL_MM / (2 * math.sin(math.radians(min(*gaps, 60) / 2))))


def _edge(marks: Sequence[_Mark], radius: float | None) -> float:
    if radius is None:
        return _radial_start(marks) + max(_text_width(_radial_text(mark), _RADIAL_MM) for mark in marks) + 2 * _PAD_MM + 2
    boxes = (_label_box(mark, radius) for mark in marks)
    return max(math.hypot(abs(x) + wide / 2, abs(y) + high / 2) for x, y, wide, high in boxes) + 1.5


def _draw_shaft(ax: Axes, centre_mm: tuple[float, float]) -> None:
    ax.add_patch(Circle(centre_mm, 3.5, fill=False, linewidth=0.2 * _PT_PER_MM))
    for across in ((5.5, 0.0), (0.0, 5.5)):
        ends = [(c - d, c + d) for c, d in zip(centre_mm, across, strict=True)]
        _draw_line(ax, ends[0], ends[1], width_mm=0.15)


def _draw_wedge(ax: Axes, marks: Sequence[_Mark], centre_mm: tuple[float, float]) -> None:
    """A band that swells from the finest to the coarsest, as far as the angles run one way round."""
    angles = [mark.angle_deg for mark in marks if mark.kind in ("finest", "rung", "coarsest")]
    rises = [b > a for a, b in itertools.pairwise(angles)]
    if len(angles) < 2 or len(set(rises)) > 1 or abs(angles[-1] - angles[0]) >= 355:
        return
    shares = [n / 120 for n in range(121)]
    turns = [angles[0] + share * (angles[-1] - angles[0]) for share in shares]
    inner = [_at_angle(centre_mm, _TICK_MM[1] + 1, turn) for turn in turns]
    outer = [_at_angle(centre_mm, _TICK_MM[1] + 1.2 + 2.0 * s, t) for s, t in zip(shares, turns, strict=True)]
    ax.add_patch(Polygon([*inner, *outer[::-1]], closed=True, facecolor="0.35", edgecolor="none"))


def _draw_tick(ax: Axes, mark: _Mark, centre_mm: tuple[float, float], label_mm: float) -> None:
    """A position's tick, and a thin line from it to its label."""
    inner, outer = (_at_angle(centre_mm, r, mark.angle_deg) for r in _TICK_MM)
    style = {"linestyle": (0, (1.5, 1.5))} if mark.kind == "unused" else {}
    _draw_line(ax, (inner[0], outer[0]), (inner[1], outer[1]), width_mm=0.4, gid="tick", **style)
    near, far = (_at_angle(centre_mm, r, mark.angle_deg) for r in (_TICK_MM[1] + 4, label_mm - 0.8))
    _draw_line(ax, (near[0], far[0]), (near[1], far[1]), width_mm=0.12)
    if mark.kind in ("finest", "coarsest"):
        spot = _at_angle(centre_mm, _TICK_MM[0] - 2, mark.angle_deg)
        size, face = (1.5, _INK) if mark.kind == "coarsest" else (1.0, "white")
        ax.add_patch(Circle(spot, size, facecolor=face, edgecolor=_INK, linewidth=0.3 * _PT_PER_MM))


def _draw_label(ax: Axes, mark: _Mark, centre_mm: tuple[float, float], radius_mm: float) -> None:
    x, y, wide, high = _label_box(mark, radius_mm)
    x, y = x + centre_mm[0], y + centre_mm[1]
    dark = mark.kind == "coarsest"
    if mark.kind in ("finest", "coarsest"):
        face: dict[str, Any] = {"facecolor": _INK if dark else "white", "edgecolor": _INK, "linewidth": 0.3 * _PT_PER_MM}
        ax.add_patch(Rectangle((x - wide / 2, y - high / 2), wide, high, **face))
    top = y + high / 2 - _PAD_MM / 2
    for text, size, bold in _label_lines(mark):
        color = "white" if dark else _INK
        _write_text(ax, x, top - 0.65 * size, text, size_mm=size, bold=bold, ha="center", va="center_baseline", color=color)
        top -= 1.3 * size


def _radial_text(mark: _Mark) -> str:
    return "  ".join(text for text, _, _ in _label_lines(mark))


def _draw_radial(ax: Axes, mark: _Mark, centre_mm: tuple[float, float], start_mm: float) -> None:
    x, y = _at_angle(centre_mm, start_mm, mark.angle_deg)
    turn = (90 - mark.angle_deg) % 360
    left = 90 < turn < 270
    style: dict[str, Any] = {"rotation": turn - 180 if left else turn, "rotation_mode": "anchor"}
    if mark.kind in ("finest", "coarsest"):
        dark = mark.kind == "coarsest"
        style["bbox"] = {"pad": 1.0, "facecolor": _INK if dark else "white", "edgecolor": _INK, "linewidth": 0.6}
        style["color"] = "white" if dark else _INK
    side = "right" if left else "left"
    _write_text(ax, x, y, _radial_text(mark), size_mm=_RADIAL_MM, ha=side, va="center_baseline", **style)


def _legend_notes(machine: Machine, ladder: Ladder) -> tuple[str, ...]:
    """What stands beside the legend: what ×1 is, where the angles come from, what rotary axes read."""
    selector = machine.selector
    apart = say_number(min(_EVEN_STEP_DEG, 360 / selector.positions), digits=3)
    own = {column.axis for column in ladder.own}
    rotary = ", ".join(axis.name for axis in machine.axes if axis.rotary and axis.name not in own)
    notes = {
        f"Distance per click of the knob. ×1 is {say_distance(ladder.base_mm, machine.show_in)}.": not own,
        f"Distance per click of the knob; {', '.join(own)} as written below it.": bool(own),
        "Angles as the machine file gives them: 0° is straight up, positive is clockwise.": bool(selector.angles_deg),
        f"The machine file gives no angles, so the positions are spread evenly, {apart}° apart. Measure your switch and give "
        "them as selector: angles.": not selector.angles_deg,
        "OFF is drawn one step before the first position: the file gives no angle for it.":
            selector.off and not selector.axis_choice,
        "The axis switch is drawn evenly: the file gives no angles for it.": selector.axis_choice,
        f"On {rotary} the same number is degrees.": bool(rotary) and machine.show_in != "deg",
        "White on black: the coarsest. Framed: the finest. Cut along the dashed line.": True,
    }  # fmt: skip
    return tuple(note for note, holds in notes.items() if holds)


def _draw_legend(machine: Machine, ladder: Ladder) -> Figure:
    """The printable legend of a machine's selector, true to scale, as an A4 page."""
    figure, ax = _new_page(*_A4_MM)
    _draw_title(ax, f"Selector legend: {machine.name}")
    _draw_dial(ax, _legend_marks(machine, ladder), _CENTRE_MM)
    second = _axis_marks(machine)
    if second:
        _draw_dial(ax, second, (165.0, 62.0))
    notes = [*_legend_notes(machine, ladder), *_travel_note(machine, ladder), *brief_cautions(machine, ladder)]
    _draw_foot(ax, notes, "legend", columns=1 if second else 2)
    return figure
