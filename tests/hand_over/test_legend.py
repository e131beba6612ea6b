"""The printed legend and card: measured on the rasterised page, read in black and white, nothing overlapping.

Decisions that these tests hold:

- Readings, "unit" is weighed two ways, a setting (before rounding to steps) and a dial that reads the other unit (slack
  scales too). Where slack is free, the way that leaves it nearer the filed slack is preferred (our choice).
- Movements typed for positions are judged on the rung of longest travel: later ups within 30 % of each other, every back 60
  to 120 % of them (our choice). Then nothing else is concluded from that axis.
- Legend labels keep 2 mm apart (our choice), by a label circle of 25 to 60 mm; beyond that they stand radially.
- Legend: 0° is straight up, clockwise positive. Without `angles`, positions are 30° apart (common practice, no source) and
  the page says so. OFF sits one step before the first position.
- Bench readings are weighed by Bayes' rule: (scale: counts/microsteps, 25.4, tooth ratios, free) × (remainder) × (slack as
  filed or free) × (irregular jumps as a random walk). Priors are ours, in `PRIORS`; below 80 % the answer is "can't tell".
  One axis can't tell knob from driver; two can. Rungs of whole steps can't show lost remainders, and the answer says so.
- C header: one record per position and axis. `axis_denominator` is common to an axis' rungs, so no remainder is lost when the
  rung changes. `SOURCE_DATE_EPOCH` makes it repeatable.
- Card: a rung is for what is two of its clicks up to two of the next rung's clicks away (our choice).
"""

import itertools
import os
import re
import shutil
import subprocess
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.patches import Rectangle
from matplotlib.transforms import Bbox

from jogtune.axis.near import ladder_cautions, standing_notes
from jogtune.choose.suggest import suggest
from jogtune.files import InputFault
from jogtune.hand_over import sheet
from jogtune.hand_over.card import _draw_cards
from jogtune.hand_over.legend import _CENTRE_MM, _axis_marks, _draw_legend, _label_radius, _legend_marks, _legend_notes
from jogtune.hand_over.paper import _page_bytes
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import _Selector
from jogtune.notes import Severity
from jogtune.words.say import _fill
from jogtune.words.short import _SHORT, brief_cautions
from jogtune.words.speak import speak

MACHINES = sorted(Path("datasets/machines").glob("*.toml"))
ROUTER = read_machine("datasets/machines/inlay_router.toml")
SIX = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 5, 10, 50, 100, 250))
ANGLES = (-60.0, -30.0, 0.0, 30.0, 60.0, 100.0)
DPI = 600


def need_poppler() -> None:
    if shutil.which("pdftoppm") is None:
        assert os.environ.get("JOGTUNE_NEED_POPPLER") != "1", "pdftoppm is needed here and absent"
        pytest.skip("pdftoppm (poppler-utils) is not installed: the page can't be rasterised")


def rasterise(pdf: Path, dpi: float = DPI) -> np.ndarray:
    """The first page as grey values, row 0 at the top, by an independent program."""
    need_poppler()
    done = subprocess.run(["pdftoppm", "-gray", "-r", str(dpi), "-singlefile", str(pdf)], capture_output=True, check=True)
    head = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", done.stdout)
    assert head
    return np.frombuffer(done.stdout, dtype=np.uint8, offset=head.end()).reshape(int(head[2]), int(head[1]))


def dark_points(page: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """x and y in mm from the lower left corner of every dark pixel's middle."""
    rows, columns = np.nonzero(page < 128)
    scale = 25.4 / DPI
    return (columns + 0.5) * scale, (page.shape[0] - rows - 0.5) * scale


def ruler_length(x: np.ndarray, y: np.ndarray, *, upright: bool) -> float:
    """Length from the middle of the first tick to the middle of the last, read off along the ticks' tips."""
    along, across = (y, x) if upright else (x, y)
    start, base = (24.0, 20.0) if upright else (38.0, 16.0)
    tips = (across > base + 4.2) & (across < base + 4.8) & (along > start - 5) & (along < start + 55)
    spots = np.sort(along[tips])
    groups = np.split(spots, np.nonzero(np.diff(spots) > 1)[0] + 1)
    assert len(groups) == 6  # the ticks at 0, 10, … 50 mm are the longest
    return float(groups[-1].mean() - groups[0].mean())


def tick_angles(x: np.ndarray, y: np.ndarray) -> list[float]:
    """Angles of the position ticks about the centre of the shaft's circle, both found on the page."""
    near = np.hypot(x - _CENTRE_MM[0], y - _CENTRE_MM[1]) < 6
    centre = x[near].mean(), y[near].mean()
    dx, dy = x - centre[0], y - centre[1]
    ring = (np.hypot(dx, dy) > 15) & (np.hypot(dx, dy) < 18.5)
    turns = np.sort(np.degrees(np.arctan2(dx[ring], dy[ring])))
    return [float(group.mean()) for group in np.split(turns, np.nonzero(np.diff(turns) > 3)[0] + 1)]


@pytest.fixture(scope="module")
def legend(tmp_path_factory):
    machine = replace(ROUTER, selector=_Selector(positions=6, angles_deg=ANGLES))
    path = tmp_path_factory.mktemp("legend") / "legend.pdf"
    path.write_bytes(_page_bytes([_draw_legend(machine, SIX)], "pdf"))
    return path


@pytest.fixture(scope="module")
def legend_points(legend):
    return dark_points(rasterise(legend))


def test_the_page_is_a4(legend):
    page = rasterise(legend)
    assert page.shape == pytest.approx((297 / 25.4 * DPI, 210 / 25.4 * DPI), abs=2)


@pytest.mark.parametrize("upright", [False, True])
def test_the_ruler_prints_50_mm(legend_points, upright):
    assert ruler_length(*legend_points, upright=upright) == pytest.approx(50, abs=0.2)


def test_positions_print_at_their_angles(legend_points):
    assert tick_angles(*legend_points) == pytest.approx(ANGLES, abs=0.2)


def test_the_measurement_notices_a_page_off_by_one_percent(legend):
    x, y = dark_points(rasterise(legend, DPI * 0.99))
    assert ruler_length(x + 0.38, y + 0.16, upright=False) == pytest.approx(49.5, abs=0.1)


def test_print_is_black_and_white(legend):
    need_poppler()
    done = subprocess.run(["pdftoppm", "-r", "60", "-singlefile", str(legend)], capture_output=True, check=True)
    head = re.match(rb"P6\s+\d+\s+\d+\s+255\s", done.stdout)
    colours = np.frombuffer(done.stdout, dtype=np.uint8, offset=head.end()).reshape(-1, 3).astype(int)
    assert (colours.max(axis=1) - colours.min(axis=1)).max() == 0


def test_finest_and_coarsest_are_told_apart_without_colour():
    kinds = [mark.kind for mark in _legend_marks(ROUTER, SIX)]
    assert kinds == ["finest", "rung", "rung", "rung", "rung", "coarsest"]
    figure = _draw_legend(ROUTER, SIX)
    words = [text.get_text() for text in figure.axes[0].texts]
    assert "finest" in words
    assert "coarsest" in words
    colours = {text.get_text(): text.get_color() for text in figure.axes[0].texts}
    assert colours["finest"] == "black"
    assert colours["coarsest"] == "white"


def test_pdf_fonts_are_embedded_and_svg_text_is_outlines(legend):
    content = legend.read_bytes()
    assert b"/FontFile2" in content
    assert b"/Type3" not in content
    root = ElementTree.fromstring(_page_bytes([_draw_legend(ROUTER, SIX)], "svg"))
    assert not [item for item in root.iter() if item.tag.endswith("}text")]


def test_svg_is_true_to_scale():
    machine = replace(ROUTER, selector=_Selector(positions=6, angles_deg=ANGLES))
    root = ElementTree.fromstring(_page_bytes([_draw_legend(machine, SIX)], "svg"))
    size = [float(root.get(side).removesuffix("pt")) * 25.4 / 72 for side in ("width", "height")]
    assert size == pytest.approx([210, 297], abs=0.01)
    assert [float(v) for v in root.get("viewBox").split()][2:] == pytest.approx(np.array(size) * 72 / 25.4)
    ticks = [g.find("{*}path").get("d") for g in root.iter() if g.get("id") == "tick"]
    angles = []
    for path in ticks:
        (x0, y0), (x1, y1) = (map(float, pair) for pair in re.findall(r"[ML] (\S+) (\S+)", path))
        angles.append(np.degrees(np.arctan2(x1 - x0, y0 - y1)))
    assert sorted(angles) == pytest.approx(ANGLES, abs=0.01)


def test_angles_are_spread_evenly_where_the_file_gives_none_and_it_says_so():
    machine = replace(ROUTER, selector=_Selector(positions=4))
    marks = _legend_marks(machine, Ladder(base_mm=Fraction(1, 50), multipliers=(1, 5, 50)))
    assert [mark.angle_deg for mark in marks] == [-45, -15, 15, 45]
    assert marks[-1].kind == "unused"
    assert "gives no angles, so the positions are spread evenly, 30° apart" in " ".join(_legend_notes(machine, SIX))
    assert "as the machine file gives them" in " ".join(_legend_notes(ROUTER, SIX))


def test_off_and_the_axis_switch_are_drawn():
    off = replace(ROUTER, selector=_Selector(positions=6, off=True))
    assert _legend_marks(off, SIX)[0].main == "OFF"
    both = replace(ROUTER, selector=_Selector(positions=6, off=True, axis_choice=True))
    assert [mark.main for mark in _axis_marks(both)] == ["OFF", "X", "Y", "Z"]
    assert _legend_marks(both, SIX)[0].kind == "finest"


def test_too_many_rungs_are_refused():
    machine = replace(ROUTER, selector=_Selector(positions=4))
    with pytest.raises(InputFault, match="the ladder = 6: the selector has 4 positions: drop rungs"):
        _draw_legend(machine, SIX)


def texts_clash(figure) -> list[tuple[str, str]]:
    """Pairs of texts that overlap on a page, and texts that leave it."""
    renderer = FigureCanvasAgg(figure).get_renderer()
    texts = [text for text in figure.axes[0].texts if text.get_text().strip() and not text.get_rotation()]
    boxes = [text.get_window_extent(renderer) for text in texts]
    page = figure.bbox
    clash = []
    for n, (text, box) in enumerate(zip(texts, boxes, strict=True)):
        if box.x0 < page.x0 or box.x1 > page.x1 or box.y0 < page.y0 or box.y1 > page.y1:
            clash.append((text.get_text(), "leaves the page"))
        for other, place in zip(texts[n + 1 :], boxes[n + 1 :], strict=True):
            wide = min(box.x1, place.x1) - max(box.x0, place.x0)
            high = min(box.y1, place.y1) - max(box.y0, place.y0)
            if wide > 0.5 and high > 0.35 * min(box.height, place.height):
                clash.append((text.get_text(), other.get_text()))
    return clash


def odd_machines():
    yield ROUTER, SIX
    yield replace(ROUTER, selector=_Selector(positions=1)), Ladder(base_mm=Fraction(1, 80), multipliers=(1,))
    dense = _Selector(positions=24, angles_deg=tuple(float(a) for a in range(-60, 60, 5)), off=True)
    doubling = Ladder(base_mm=Fraction(1, 80), multipliers=tuple(2**n for n in range(14)))
    yield replace(ROUTER, selector=dense, name="the router with $ and " + "a long name " * 4), doubling
    ring = _Selector(positions=12, off=True, axis_choice=True)
    yield replace(ROUTER, selector=ring), Ladder(base_mm=Fraction(1, 50), multipliers=tuple(range(1, 13)))
    many = tuple(replace(ROUTER.axes[0], name=f"axis number {n}") for n in range(12))
    yield replace(ROUTER, axes=many), SIX
    for path in MACHINES:
        machine = read_machine(path)
        yield machine, suggest(machine, by="coverage").ladder


@pytest.mark.parametrize("case", list(odd_machines()), ids=lambda case: f"{case[0].name[:24]}-{len(case[1].rungs)}")
def test_nothing_overlaps_or_leaves_the_page(case):
    machine, ladder = case
    pages = [_draw_legend(machine, ladder), *_draw_cards(machine, ladder)[:1]]
    for figure in [*pages, sheet._draw_sheets(machine, ladder)[0]]:
        assert texts_clash(figure) == []
    for figure in pages:
        said = " ".join(" ".join(text.get_text() for text in figure.axes[0].texts).split())
        axes = [] if figure is pages[0] else [axis.name for axis in machine.axes[:3]]
        told = [text for text in brief_cautions(machine, ladder, axes) if " ".join(text.split()) not in said]
        assert told == []
        assert min(text.get_fontsize() for text in figure.axes[0].texts) >= 4  # pt, still read on paper: our choice


def test_every_caution_has_a_short_sentence_for_each_long_one():
    for machine, ladder in odd_machines():
        cautions = [note for note in (*standing_notes(machine), *ladder_cautions(machine, ladder)) if note.severity >= Severity.CAUTION]
        assert len(brief_cautions(machine, ladder)) == len(cautions)
        assert all(len(_fill(_SHORT[note.kind], note)) < len(speak(note)) for note in cautions)


def test_dense_labels_stay_within_the_page():
    machine, ladder = list(odd_machines())[2]
    marks = _legend_marks(machine, ladder)
    assert _label_radius(marks) is None
    circle = max(patch.get_radius() for patch in _draw_legend(machine, ladder).axes[0].patches
                 if hasattr(patch, "get_radius"))  # fmt: skip
    assert circle < 100


def test_the_card_says_it_all():
    page = _draw_cards(ROUTER, SIX)[0]
    said = " ".join(text.get_text() for text in page.axes[0].texts)
    for word in ("touch off", "cross the table", "turns", "Hands clear", "no safety device", "hard-wired stop"):
        assert word in said
    # by hand: 600 mm at 5 mm a click and 24 clicks a turn are 5 turns
    assert "5 turns" in said


def test_run_on_by_hand():
    # 100 clicks/s of 0.2 mm are 20 mm/s, the top speed: 20²/(2·200) to brake and 20·0.02 for the last report
    stage = read_machine("datasets/machines/slide_stage.toml")
    page = _draw_cards(stage, Ladder(base_mm=Fraction(1, 5), multipliers=(1,)))[0]
    assert "1.4 mm" in [text.get_text() for text in page.axes[0].texts]


def test_the_card_names_its_rows_and_itself():
    for ladder in (SIX, Ladder(base_mm=Fraction(1, 80), multipliers=tuple(2**n for n in range(14)))):
        said = [text.get_text() for text in _draw_cards(ROUTER, ladder)[0].axes[0].texts]
        assert {"to cross", "run-on"} <= {text.removeprefix("· ") for text in said}
        foot = " ".join(said)
        assert "the card is not true to scale" in foot
        assert "legend" not in foot
    legend = " ".join(text.get_text() for text in _draw_legend(ROUTER, SIX).axes[0].texts)
    assert "the legend is not true to scale" in legend


def label_gaps(figure) -> list[float]:
    """Gaps between neighbouring labels as drawn, a label being the texts and box of one position [mm]."""
    renderer = FigureCanvasAgg(figure).get_renderer()
    marks = [text for text in figure.axes[0].texts if text.get_position()[1] > 100 and text.get_position()[1] < 270]
    groups: dict[float, list] = {}
    for text in marks:
        groups.setdefault(round(text.get_position()[0], 3), []).append(text.get_window_extent(renderer))
    boxes = [Bbox.union(group) for group in groups.values()]
    for patch in figure.axes[0].patches:
        if isinstance(patch, Rectangle):
            frame = patch.get_window_extent(renderer)
            boxes = [Bbox.union([box, frame]) if box.overlaps(frame) else box for box in boxes]
    scale = 25.4 / figure.dpi
    return [scale * max(max(a.x0, b.x0) - min(a.x1, b.x1), max(a.y0, b.y0) - min(a.y1, b.y1))
            for a, b in itertools.combinations(boxes, 2)]  # fmt: skip


@pytest.mark.parametrize("count", [2, 3, 4, 5, 6, 8])
def test_neighbouring_labels_keep_two_mm_apart(count):
    machine = replace(ROUTER, selector=_Selector(positions=count))
    ladder = Ladder(base_mm=Fraction(1, 50), multipliers=(1, 5, 10, 50, 100, 250, 500, 1000)[:count])
    gaps = label_gaps(_draw_legend(machine, ladder))
    assert len(gaps) == count * (count - 1) // 2
    assert min(gaps) >= 1.9


def test_more_than_three_axes_take_more_cards():
    many = replace(ROUTER, axes=tuple(replace(ROUTER.axes[0], name=f"U{n}") for n in range(7)))
    assert len(_draw_cards(many, SIX)) == 3


def test_the_same_input_gives_the_same_bytes(monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    for kind in ("svg", "pdf"):
        first, second = (_page_bytes([_draw_legend(ROUTER, SIX)], kind) for _ in range(2))
        assert first == second
