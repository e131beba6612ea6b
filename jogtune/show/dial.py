"""What is printed and cut out: the selector's legend true to scale, and a pocket card.

Everything is drawn in mm on an A4 page. Angles are as a person sees a knob: 0° is straight up, positive is
clockwise. PDF text is embedded (Type 42), SVG text is outlines, and nothing depends on colour.
"""

from __future__ import annotations

import io
import itertools
import math
import os
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.patches import Circle, Polygon, Rectangle

from ..design.answers import axis_answer
from ..design.cautions import GENERAL
from ..design.limits import derive_rung
from ..design.outstanding import calm_speed_steps_s
from ..files import InputFault, write_whole
from ..ladder import Ladder, Rung
from ..machine import Axis, Machine
from ..units import say_distance, say_number

__all__ = [
    "Mark", "at_angle", "axis_marks", "card_cautions", "card_kind", "draw_cards", "draw_dial", "draw_legend",
    "draw_ruler", "even_angles", "fold_text", "label_radius", "labels_clear", "legend_marks", "legend_notes",
    "new_page", "page_bytes", "page_kind", "run_on_words", "rung_use", "text_width", "write_card",
    "write_legend", "write_lines", "write_text",
]  # fmt: skip

A4_MM = (210.0, 297.0)
RULER_MM = 50.0
EVEN_STEP_DEG = 30.0  # common practice for rotary switches of up to 12 positions, no source
CENTRE_MM = (105.0, 176.0)
TICK_MM = (14.0, 19.0)  # inner and outer radius of a position's tick
RULER_AT_MM = (20.0, 24.0)  # left (and lower) end of both rulers
CARD_MM = (148.0, 105.0)  # ISO 216 A6 landscape, folded once to A7
AXES_PER_CARD = 3
CLEAR_MM = 2.0  # between neighbouring labels of the legend, beside or above each other: our choice
_PT_PER_MM = 72 / 25.4
_INK, _LEAD = "black", 0.35  # line width in mm
_RC: dict[Any, Any] = {
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
    "svg.hashsalt": "jogtune",
    "font.family": "DejaVu Sans",
}


# ------------------------------------------------------------------ pages in mm


def new_page(width_mm: float, height_mm: float) -> tuple[Figure, Axes]:
    """An empty page whose one axes counts in mm from the lower left corner.

    >>> figure, ax = new_page(210, 297)
    >>> ax.get_xlim()
    (np.float64(0.0), np.float64(210.0))
    """
    figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4), facecolor="white")
    ax = figure.add_axes((0, 0, 1, 1))
    ax.set_xlim(0, width_mm)
    ax.set_ylim(0, height_mm)
    ax.axis("off")
    return figure, ax


def write_text(ax: Axes, x_mm: float, y_mm: float, text: str, *, size_mm: float = 2.8, **style: Any) -> None:
    """Write text on a page; `size_mm` is the height of a line's letters with their tails.

    >>> page, ax = new_page(210, 297)
    >>> write_text(ax, 20, 280, "Hands clear", size_mm=4.0)
    >>> ax.texts[0].get_position()
    (20, 280)
    """
    color = style.pop("color", _INK)
    ax.text(x_mm, y_mm, text, fontsize=size_mm * _PT_PER_MM, color=color, parse_math=False, **style)


def text_width(text: str, size_mm: float, *, bold: bool = False) -> float:
    """How wide a text prints [mm].

    >>> text_width("0.02 mm", 2.8) < text_width("0.02 mm", 2.8, bold=True) < 20
    True
    """
    return _width_at_100(text, bold) * size_mm / 100


@lru_cache(maxsize=8192)
def _width_at_100(text: str, bold: bool) -> float:
    font = get_font(findfont(FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")))
    font.set_size(100, 72)
    font.set_text(text)
    return float(font.get_width_height()[0]) / 64


def fold_text(text: str, width_mm: float, size_mm: float) -> list[str]:
    """A sentence in lines that print no wider than `width_mm`.

    >>> fold_text("keep hands clear", 1000, 2.8)
    ['keep hands clear']
    """
    per_letter = text_width(text, size_mm) / max(len(text), 1) or 1.0
    columns = max(8, int(width_mm / per_letter))
    lines = textwrap.wrap(text, columns)
    while columns > 8 and any(text_width(line, size_mm) > width_mm for line in lines):
        columns -= 1
        lines = textwrap.wrap(text, columns)
    return lines


def write_lines(ax: Axes, x_mm: float, y_mm: float, texts: Sequence[str], *, width_mm: float, size_mm: float = 2.8) -> float:
    """Write sentences one below the other from a top edge, folded to a width; returns the lower edge [mm].

    >>> page, ax = new_page(210, 297)
    >>> round(write_lines(ax, 20, 280, ["Hands clear.", "A hard-wired stop within reach."], width_mm=80), 2)
    269.92
    """
    for text in texts:
        for line in fold_text(text, width_mm, size_mm):
            write_text(ax, x_mm, y_mm, line, size_mm=size_mm, va="top")
            y_mm -= 1.4 * size_mm
        y_mm -= 0.4 * size_mm
    return y_mm


def draw_line(ax: Axes, x_mm: Sequence[float], y_mm: Sequence[float], **style: Any) -> None:
    """Draw a line through points in mm, `width_mm` thick."""
    width = style.pop("width_mm", _LEAD) * _PT_PER_MM
    style.setdefault("solid_capstyle", "butt")
    ax.plot(x_mm, y_mm, color=style.pop("color", _INK), linewidth=width, **style)


def draw_ruler(ax: Axes, x_mm: float, y_mm: float, *, upright: bool = False) -> None:
    """Draw a ruler of 50 mm to check the printer's scale, along the page or up it.

    >>> page, ax = new_page(210, 297)
    >>> draw_ruler(ax, 20, 24)
    >>> [text.get_text() for text in ax.texts]
    ['0', '10', '20', '30', '40', '50']
    """

    def line(along: tuple[float, float], across: tuple[float, float], width: float) -> None:
        a, b = ([x_mm + v for v in along], [y_mm + v for v in across])
        if upright:
            a, b = ([x_mm + v for v in across], [y_mm + v for v in along])
        draw_line(ax, a, b, width_mm=width)

    line((0, RULER_MM), (0, 0), 0.2)
    for mark in range(int(RULER_MM) + 1):
        length = 5.0 if mark % 10 == 0 else 3.5 if mark % 5 == 0 else 2.0
        line((mark, mark), (0, length), 0.15)
    for mark in range(0, int(RULER_MM) + 1, 10):
        at = (x_mm + 5.6, y_mm + mark) if upright else (x_mm + mark, y_mm + 5.6)
        side: dict[str, Any] = {"ha": "left" if upright else "center", "va": "center" if upright else "bottom"}
        write_text(ax, *at, str(mark), size_mm=2.2, **side)


def _stamp() -> datetime | None:
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    return datetime.fromtimestamp(int(epoch), UTC) if epoch.isdigit() else None


def page_bytes(figures: Sequence[Figure], kind: str) -> bytes:
    """Pages as the bytes of a "pdf" (any number of pages) or an "svg" (one); the same input, the same bytes.

    >>> page, ax = new_page(210, 297)
    >>> page_bytes([page], "pdf")[:5], page_bytes([page], "svg") == page_bytes([page], "svg")
    (b'%PDF-', True)
    """
    stream = io.BytesIO()
    with matplotlib.rc_context(_RC):
        if kind == "svg":
            figures[0].savefig(stream, format="svg", metadata={"Date": None})
        else:
            with PdfPages(stream, metadata={"CreationDate": _stamp()}) as book:
                for figure in figures:
                    book.savefig(figure)
    return stream.getvalue()


def page_kind(path: str | Path, kinds: Sequence[str] = ("svg", "pdf")) -> str:
    """The kind of page a file name asks for; raises `InputFault` for any other.

    >>> page_kind("legend.PDF")
    'pdf'
    """
    kind = Path(path).suffix.lower().removeprefix(".")
    if kind not in kinds:
        shown = " or ".join(f".{name}" for name in kinds)
        raise InputFault(str(path), [f"must end in {shown}: rename it"])
    return kind


# ------------------------------------------------------------------ what stands at each position


@dataclass(frozen=True, kw_only=True)
class Mark:
    """One position of a selector's legend: where it is, what it says, and how it is marked.

    `kind` is "finest", "coarsest", "only", "rung", "unused", "off" or "axis".

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100))
    >>> legend_marks(router, ladder)[0]
    Mark(angle_deg=-75.0, main='0.02 mm', small='×1', kind='finest')
    """

    angle_deg: float
    main: str = ""
    small: str = ""
    kind: str = "rung"


def even_angles(count: int) -> tuple[float, ...]:
    """Angles spread evenly about straight up: 30° apart up to 12 positions, closer beyond.

    >>> even_angles(4)
    (-45.0, -15.0, 15.0, 45.0)
    """
    step = min(EVEN_STEP_DEG, 360 / max(count, 1))
    return tuple((n - (count - 1) / 2) * step for n in range(count))


def legend_marks(machine: Machine, ladder: Ladder) -> tuple[Mark, ...]:
    """The positions of the speed selector with their labels, in order; raises `InputFault` for too many rungs.

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100))
    >>> [(mark.angle_deg, mark.main or mark.small) for mark in legend_marks(router, ladder)[2:4]]
    [(-15.0, '2 mm'), (15.0, 'not used')]
    """
    selector = machine.selector
    if len(ladder.rungs) > selector.positions:
        fault = f"the ladder has {len(ladder.rungs)} rungs, the selector {selector.positions} positions: drop some"
        raise InputFault("legend", [fault])
    angles = selector.angles_deg or even_angles(selector.positions)
    marks = [_rung_mark(machine, ladder, rung, angles[rung.position - 1]) for rung in ladder.rungs]
    marks += [Mark(angle_deg=angle, small="not used", kind="unused") for angle in angles[len(marks) :]]
    if selector.off and not selector.axis_choice:
        marks.insert(0, Mark(angle_deg=_before(angles), main="OFF", kind="off"))
    return tuple(marks)


def _before(angles: Sequence[float]) -> float:
    """The angle one step before the first position: where OFF is drawn."""
    return angles[0] - (angles[1] - angles[0] if len(angles) > 1 else EVEN_STEP_DEG)


def _rung_mark(machine: Machine, ladder: Ladder, rung: Rung, angle_deg: float) -> Mark:
    kind = {1: "finest", len(ladder.rungs): "coarsest"}.get(rung.position, "rung")
    return Mark(
        angle_deg=angle_deg,
        main=say_distance(rung.gain_mm, machine.show_in),
        small=f"×{rung.multiplier}",
        kind="only" if len(ladder.rungs) == 1 else kind,
    )


def axis_marks(machine: Machine) -> tuple[Mark, ...]:
    """The positions of an axis switch: OFF where there is one, then each axis; empty without such a switch.

    >>> from dataclasses import replace
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> axis_marks(router)
    ()
    >>> [mark.main for mark in axis_marks(replace(router, selector=replace(router.selector, axis_choice=True)))]
    ['X', 'Y', 'Z']
    """
    if not machine.selector.axis_choice:
        return ()
    labels = (["OFF"] if machine.selector.off else []) + [axis.name for axis in machine.axes]
    kinds = ["off" if label == "OFF" else "axis" for label in labels]
    return tuple(
        Mark(angle_deg=angle, main=label, kind=kind)
        for angle, label, kind in zip(even_angles(len(labels)), labels, kinds, strict=True)
    )


# ------------------------------------------------------------------ the legend


def at_angle(centre_mm: tuple[float, float], radius_mm: float, angle_deg: float) -> tuple[float, float]:
    """The point at a radius and an angle (0° up, clockwise) about a centre [mm].

    >>> [round(v, 6) for v in at_angle((0, 0), 10, 90)]
    [10.0, 0.0]
    """
    turn = math.radians(angle_deg)
    return centre_mm[0] + radius_mm * math.sin(turn), centre_mm[1] + radius_mm * math.cos(turn)


_MAIN_MM, _SMALL_MM, _RADIAL_MM, _PAD_MM = 3.2, 2.6, 2.4, 0.9
_WORDS = {"finest": "finest", "coarsest": "coarsest"}


def _label_lines(mark: Mark) -> list[tuple[str, float, bool]]:
    lines = [(mark.main, _MAIN_MM, True)] if mark.main else []
    if mark.small:
        lines.append((mark.small, _SMALL_MM, False))
    if mark.kind in _WORDS:
        lines.append((_WORDS[mark.kind], _SMALL_MM, False))
    return lines


def _label_size(mark: Mark) -> tuple[float, float]:
    lines = _label_lines(mark)
    wide = max(text_width(text, size, bold=bold) for text, size, bold in lines)
    return wide + 2 * _PAD_MM, sum(1.3 * size for _, size, _ in lines) + _PAD_MM


def _label_centre(mark: Mark, radius_mm: float) -> tuple[float, float]:
    """The centre of a label whose near side touches a circle, about (0, 0)."""
    wide, high = _label_size(mark)
    turn = math.radians(mark.angle_deg)
    reach = wide / 2 * abs(math.sin(turn)) + high / 2 * abs(math.cos(turn))
    return at_angle((0.0, 0.0), radius_mm + reach, mark.angle_deg)


def labels_clear(marks: Sequence[Mark], radius_mm: float) -> bool:
    """Whether the boxes of upright labels about a circle keep `CLEAR_MM` of each other.

    >>> near = [Mark(angle_deg=0, main="0.02 mm"), Mark(angle_deg=5, main="0.1 mm")]
    >>> labels_clear(near, 25)
    False
    """
    boxes = [(*_label_centre(mark, radius_mm), *_label_size(mark)) for mark in marks]
    for n, (x, y, wide, high) in enumerate(boxes):
        for u, v, broad, tall in boxes[n + 1 :]:
            if abs(x - u) < (wide + broad) / 2 + CLEAR_MM and abs(y - v) < (high + tall) / 2 + CLEAR_MM:
                return False
    return True


def label_radius(marks: Sequence[Mark]) -> float | None:
    """The smallest label circle on which upright labels keep clear [mm]; None where they must stand radially.

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100))
    >>> label_radius(legend_marks(router, ladder))
    27.0
    """
    return next((float(r) for r in range(25, 61) if labels_clear(marks, r)), None)


def draw_dial(ax: Axes, marks: Sequence[Mark], centre_mm: tuple[float, float]) -> float:
    """Draw one selector's legend about a centre; returns the radius of its cutting line [mm].

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100))
    >>> page, ax = new_page(210, 297)
    >>> round(draw_dial(ax, legend_marks(router, ladder), (105, 176)))
    49
    """
    radius = label_radius(marks)
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


def _radial_start(marks: Sequence[Mark]) -> float:
    """The radius at which radial labels begin: as near as the closest pair allows [mm]."""
    turned = sorted(mark.angle_deg % 360 for mark in marks)
    gaps = [b - a for a, b in zip(turned, [*turned[1:], turned[0] + 360], strict=True)]
    return max(26.0, 1.5 * _RADIAL_MM / (2 * math.sin(math.radians(min(*gaps, 60) / 2))))


def _edge(marks: Sequence[Mark], radius: float | None) -> float:
    if radius is None:
        return _radial_start(marks) + max(_radial_length(mark) for mark in marks) + 2
    corners = []
    for mark in marks:
        (x, y), (wide, high) = _label_centre(mark, radius), _label_size(mark)
        corners.append(math.hypot(abs(x) + wide / 2, abs(y) + high / 2))
    return max(corners) + 1.5


def _draw_shaft(ax: Axes, centre_mm: tuple[float, float]) -> None:
    ax.add_patch(Circle(centre_mm, 3.5, fill=False, linewidth=0.2 * _PT_PER_MM))
    for across in ((5.5, 0.0), (0.0, 5.5)):
        ends = [(c - d, c + d) for c, d in zip(centre_mm, across, strict=True)]
        draw_line(ax, ends[0], ends[1], width_mm=0.15)


def _draw_wedge(ax: Axes, marks: Sequence[Mark], centre_mm: tuple[float, float]) -> None:
    """A band that swells from the finest to the coarsest, as far as the angles run one way round."""
    angles = [mark.angle_deg for mark in marks if mark.kind in ("finest", "rung", "coarsest")]
    rises = [b > a for a, b in itertools.pairwise(angles)]
    if len(angles) < 2 or len(set(rises)) > 1 or abs(angles[-1] - angles[0]) >= 355:
        return
    shares = [n / 120 for n in range(121)]
    turns = [angles[0] + share * (angles[-1] - angles[0]) for share in shares]
    inner = [at_angle(centre_mm, TICK_MM[1] + 1, turn) for turn in turns]
    outer = [at_angle(centre_mm, TICK_MM[1] + 1.2 + 2.0 * s, t) for s, t in zip(shares, turns, strict=True)]
    ax.add_patch(Polygon([*inner, *outer[::-1]], closed=True, facecolor="0.35", edgecolor="none"))


def _draw_tick(ax: Axes, mark: Mark, centre_mm: tuple[float, float], label_mm: float) -> None:
    """A position's tick, and a thin line from it to its label."""
    inner, outer = (at_angle(centre_mm, r, mark.angle_deg) for r in TICK_MM)
    style = {"linestyle": (0, (1.5, 1.5))} if mark.kind == "unused" else {}
    draw_line(ax, (inner[0], outer[0]), (inner[1], outer[1]), width_mm=0.4, gid="tick", **style)
    near, far = (at_angle(centre_mm, r, mark.angle_deg) for r in (TICK_MM[1] + 4, label_mm - 0.8))
    draw_line(ax, (near[0], far[0]), (near[1], far[1]), width_mm=0.12)
    if mark.kind in ("finest", "coarsest"):
        spot = at_angle(centre_mm, TICK_MM[0] - 2, mark.angle_deg)
        solid = mark.kind == "coarsest"
        face = _INK if solid else "white"
        ax.add_patch(Circle(spot, 1.5 if solid else 1.0, facecolor=face, edgecolor=_INK, linewidth=0.3 * _PT_PER_MM))


def _draw_label(ax: Axes, mark: Mark, centre_mm: tuple[float, float], radius_mm: float) -> None:
    (x, y), (wide, high) = _label_centre(mark, radius_mm), _label_size(mark)
    x, y = x + centre_mm[0], y + centre_mm[1]
    dark = mark.kind == "coarsest"
    if mark.kind in ("finest", "coarsest"):
        box = Rectangle((x - wide / 2, y - high / 2), wide, high, facecolor=_INK if dark else "white")
        box.set(edgecolor=_INK, linewidth=0.3 * _PT_PER_MM)
        ax.add_patch(box)
    top = y + high / 2 - _PAD_MM / 2
    for text, size, bold in _label_lines(mark):
        weight = "bold" if bold else "normal"
        middle = top - 0.65 * size
        color = "white" if dark else _INK
        write_text(ax, x, middle, text, size_mm=size, ha="center", va="center_baseline", weight=weight, color=color)
        top -= 1.3 * size


def _radial_text(mark: Mark) -> str:
    return "  ".join(text for text, _, _ in _label_lines(mark))


def _radial_length(mark: Mark) -> float:
    return text_width(_radial_text(mark), _RADIAL_MM) + 2 * _PAD_MM


def _draw_radial(ax: Axes, mark: Mark, centre_mm: tuple[float, float], start_mm: float) -> None:
    x, y = at_angle(centre_mm, start_mm, mark.angle_deg)
    turn = (90 - mark.angle_deg) % 360
    left = 90 < turn < 270
    style: dict[str, Any] = {"rotation": turn - 180 if left else turn, "rotation_mode": "anchor"}
    if mark.kind in ("finest", "coarsest"):
        dark = mark.kind == "coarsest"
        style["bbox"] = {"pad": 1.0, "facecolor": _INK if dark else "white", "edgecolor": _INK, "linewidth": 0.6}
        style["color"] = "white" if dark else _INK
    side = "right" if left else "left"
    write_text(ax, x, y, _radial_text(mark), size_mm=_RADIAL_MM, ha=side, va="center_baseline", **style)


def legend_notes(machine: Machine, ladder: Ladder) -> tuple[str, ...]:
    """What stands beside the legend: what ×1 is, where the angles come from, what rotary axes read.

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100))
    >>> legend_notes(router, ladder)[0]
    'Distance per click of the knob. ×1 is 0.02 mm.'
    """
    notes = [f"Distance per click of the knob. ×1 is {say_distance(ladder.base_mm, machine.show_in)}."]
    angles = machine.selector.angles_deg
    notes.append(
        "Angles as the machine file gives them: 0° is straight up, positive is clockwise."
        if angles
        else "The machine file gives no angles, so the positions are spread evenly, "
        f"{say_number(min(EVEN_STEP_DEG, 360 / machine.selector.positions), digits=3)}° apart. Measure your "
        "switch and give them as selector: angles."
    )
    if machine.selector.off and not machine.selector.axis_choice:
        notes.append("OFF is drawn one step before the first position: the file gives no angle for it.")
    if machine.selector.axis_choice:
        notes.append("The axis switch is drawn evenly: the file gives no angles for it.")
    rotary = [axis.name for axis in machine.axes if axis.rotary]
    if rotary and machine.show_in != "deg":
        notes.append(f"On {', '.join(rotary)} the same number is degrees.")
    return tuple(notes)


_KEY = "White on black: the coarsest. Framed: the finest. Cut along the dashed line."
SCALE_NOTE = (
    "Print at 100 % (no fitting to the page). Lay a ruler on both scales: if they are not 50 mm, the {what} is not true to scale."
)


def draw_legend(machine: Machine, ladder: Ladder) -> Figure:
    """The printable legend of a machine's selector, true to scale, as an A4 page.

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> machine = read_machine("datasets/machines/inlay_router.toml")
    >>> page = draw_legend(machine, Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100)))
    >>> [round(inches * 25.4) for inches in page.get_size_inches()]
    [210, 297]
    """
    figure, ax = new_page(*A4_MM)
    _draw_title(ax, f"Selector legend: {machine.name}")
    draw_dial(ax, legend_marks(machine, ladder), CENTRE_MM)
    second = axis_marks(machine)
    if second:
        draw_dial(ax, second, (165.0, 62.0))
    _draw_foot(ax, [*legend_notes(machine, ladder), _KEY, GENERAL[0]], "legend")
    return figure


def _draw_title(ax: Axes, title: str) -> None:
    write_text(ax, 20, 281, title, size_mm=_fitting(title, 170, 4.6, bold=True), weight="bold", va="top")


def _draw_foot(ax: Axes, notes: Sequence[str], what: str) -> None:
    write_lines(ax, 38, 76, [*notes, SCALE_NOTE.format(what=what)], width_mm=86, size_mm=2.6)
    draw_ruler(ax, RULER_AT_MM[0] + 18, RULER_AT_MM[1] - 8)
    draw_ruler(ax, RULER_AT_MM[0], RULER_AT_MM[1], upright=True)


# ------------------------------------------------------------------ the pocket card


def rung_use(machine: Machine, ladder: Ladder, rung: Rung) -> str:
    """What a rung is for, by how far there is to go: two clicks of it up to two clicks of the next (our choice).

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100))
    >>> machine = read_machine("datasets/machines/inlay_router.toml")
    >>> [rung_use(machine, ladder, rung) for rung in ladder.rungs]
    ['touch off, nudge: under 0.4 mm to go', 'come near: 0.4 to 4 mm to go', 'cross the table: over 4 mm']
    """
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
    """The cautions of the pocket card: short, but none left out.

    >>> from jogtune.machine import read_machine
    >>> card_cautions(read_machine("datasets/machines/inlay_router.toml"))[1]
    'With someone near, clamp in the firmware: X, Y: 2666 steps/s (33.3 mm/s); Z: 4000 steps/s (10 mm/s);
    two at once: divide by √2.'
    """
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

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100))
    >>> len(draw_cards(router, ladder))
    1
    """
    groups = [machine.axes[n : n + AXES_PER_CARD] for n in range(0, len(machine.axes), AXES_PER_CARD)]
    return [_draw_card(machine, ladder, group) for group in groups]


def _draw_card(machine: Machine, ladder: Ladder, axes: Sequence[Axis]) -> Figure:
    figure, ax = new_page(*A4_MM)
    left, low = (A4_MM[0] - CARD_MM[0]) / 2, 130.0
    top = low + CARD_MM[1]
    fold = left + CARD_MM[0] / 2
    _draw_title(ax, f"Pocket card: {machine.name}")
    ax.add_patch(Rectangle((left, low), *CARD_MM, fill=False, linewidth=0.5, linestyle=(0, (4, 3))))
    draw_line(ax, (fold, fold), (low, top), width_mm=0.12, linestyle=(0, (1, 3)))
    _card_left(ax, machine, ladder, (left + 4, top - 4))
    _card_right(ax, machine, ladder, axes, (fold + 4, top - 4))
    note = "Cut along the dashed line, fold along the dotted one with the print outside."
    write_text(ax, A4_MM[0] / 2, low - 6, note, size_mm=2.6, ha="center", va="top")
    _draw_foot(ax, [f"Run-on: {run_on_words(machine)}"], "card")
    return figure


def _row_height(ladder: Ladder, room_mm: float) -> float:
    return min(10.0, room_mm / len(ladder.rungs))


def _fitting(text: str, width_mm: float, size_mm: float, *, bold: bool = False) -> float:
    """The size at which a text fits a width, no larger than `size_mm`."""
    return min(size_mm, size_mm * width_mm / max(text_width(text, size_mm, bold=bold), 1e-9))


def _card_left(ax: Axes, machine: Machine, ladder: Ladder, corner_mm: tuple[float, float]) -> None:
    x, y = corner_mm
    write_text(ax, x, y, "Distance per click", size_mm=3.4, weight="bold", va="top")
    write_text(ax, x, y - 5, machine.name, size_mm=_fitting(machine.name, 66, 2.6), va="top")
    height = _row_height(ladder, 86)
    size = min(3.0, 0.62 * height)
    for rung in ladder.rungs:
        middle = y - 10 - height * (rung.position - 0.5)
        _card_rung(ax, machine, ladder, rung, (x, middle), size)
        draw_line(ax, (x, x + 66), (middle - height / 2,) * 2, width_mm=0.1)


def _card_rung(ax: Axes, machine: Machine, ladder: Ladder, rung: Rung, at_mm: tuple[float, float], size_mm: float) -> None:
    x, y = at_mm
    ends = {1: "white", len(ladder.rungs): _INK}
    if rung.position in ends and len(ladder.rungs) > 1:
        ax.add_patch(Circle((x + 2.2, y), 0.72 * size_mm, facecolor=ends[rung.position], edgecolor=_INK, linewidth=0.7))
    color = "white" if rung.position == len(ladder.rungs) > 1 else _INK
    gain, use = say_distance(rung.gain_mm, machine.show_in), rung_use(machine, ladder, rung)
    style = {"va": "center_baseline"}
    write_text(ax, x + 2.2, y, str(rung.position), size_mm=0.85 * size_mm, ha="center", color=color, **style)
    size = _fitting(gain, 14.5, size_mm, bold=True)
    write_text(ax, x + 5.5, y, gain, size_mm=size, weight="bold", **style)
    write_text(ax, x + 21, y, use, size_mm=_fitting(use, 45, 0.85 * size_mm), **style)


def _card_right(ax: Axes, machine: Machine, ladder: Ladder, axes: Sequence[Axis], corner_mm: tuple[float, float]) -> None:
    x, y = corner_mm
    names = [axis.name for axis in axes]
    write_text(ax, x, y, "Turns to cross, and run-on", size_mm=3.4, weight="bold", va="top")
    height = _row_height(ladder, 60)
    start = 17.5 if height > _TWO_LINES_MM else 9.0
    columns = [x + start + (n + 0.5) * (66 - start) / len(names) for n in range(len(names))]
    for name, column in zip(names, columns, strict=True):
        size = _fitting(name, 15, 3.0, bold=True)
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
    size = _fitting(both, 17.4, min(2.4, 0.7 * height_mm))
    write_text(ax, *at_mm, both, size_mm=size, ha="center", va="center_baseline")


_TWO_LINES_MM = 5.0  # a row higher than this holds turns to cross above run-on


def _card_pair(ax: Axes, upper: str, lower: str, at_mm: tuple[float, float], height_mm: float, *, ha: str) -> None:
    x, y = at_mm
    for text, lift in ((upper, 0.22), (lower, -0.22)):
        size = _fitting(text, 15.4, min(2.4, 0.36 * height_mm))
        write_text(ax, x, y + lift * height_mm, text, size_mm=size, ha=ha, va="center_baseline")


def run_on_words(machine: Machine) -> str:
    """How the card's run-on is meant, in a sentence.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> run_on_words(router)[:55]
    'how far the axis still travels after the last report of'
    """
    rate = say_number(machine.knob.steady_detents_s, digits=3)
    link = machine.link
    later = say_number(1000 * (link.report_interval_s + link.delay_s + link.jitter_s), digits=3)
    return (
        f"how far the axis still travels after the last report of a hand that turned {rate} clicks a second, "
        "every click finished; where that outruns the axis, after a second of it. From the last click itself "
        f"it moves on for up to {later} ms more. A hand that hurries makes it run on further."
    )


# ------------------------------------------------------------------ files


def write_legend(path: str | Path, machine: Machine, ladder: Ladder, *, overwrite: bool = False) -> Path:
    """Write the selector's legend as .svg or .pdf, whole or not at all; returns the path.

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100))
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_legend(f"{folder}/legend.svg", router, ladder).name
    'legend.svg'
    """
    kind = page_kind(path)
    return write_whole(path, page_bytes([draw_legend(machine, ladder)], kind), overwrite=overwrite)


def write_card(path: str | Path, machine: Machine, ladder: Ladder, *, overwrite: bool = False) -> Path:
    """Write the pocket card as .pdf, or .svg where three axes or fewer make it one page; returns the path.

    >>> from fractions import Fraction
    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 10, 100))
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_card(f"{folder}/card.pdf", router, ladder).read_bytes()[:5]
    b'%PDF-'
    """
    kind = card_kind(path, machine)
    return write_whole(path, page_bytes(draw_cards(machine, ladder), kind), overwrite=overwrite)


def card_kind(path: str | Path, machine: Machine) -> str:
    """The kind of page a card's file name asks for; an .svg holds one page, and so three axes at most.

    >>> from jogtune.machine import read_machine
    >>> router = read_machine("datasets/machines/inlay_router.toml")
    >>> card_kind("card.svg", router)
    'svg'
    """
    kind = page_kind(path)
    if kind == "svg" and len(machine.axes) > AXES_PER_CARD:
        raise InputFault(str(path), [f"an .svg holds one page, and {len(machine.axes)} axes take more: write a .pdf"])
    return kind
