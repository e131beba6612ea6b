"""Every surface read back cell by cell and held to the rows; each that recommends a rate shows every caution.

What a head, key or field stands for is said here a second time, on purpose.
"""

from __future__ import annotations

import csv
import html
import io
import json
import math
import re
from collections.abc import Callable, Iterable
from dataclasses import fields, replace
from fractions import Fraction
from functools import cache
from html.parser import HTMLParser

import matplotlib.text
import pytest

from jogtune.axis.near import ladder_cautions, standing_notes
from jogtune.axis.row import Row
from jogtune.choose.suggest import Suggestion, own_answer, suggest
from jogtune.hand_over.card import _draw_cards
from jogtune.hand_over.data import _suggestion_to_csv, suggestion_to_dict, to_json
from jogtune.hand_over.export import _suggestion_to_markdown
from jogtune.hand_over.header import _c_comment, _suggestion_to_header
from jogtune.hand_over.legend import _draw_legend
from jogtune.hand_over.moves import _suggestion_to_moves
from jogtune.hand_over.page import _render_page
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine
from jogtune.notes import Note, Severity
from jogtune.words import html as panels
from jogtune.words.answer import _table_text
from jogtune.words.say import _fill
from jogtune.words.short import _SHORT
from jogtune.words.speak import speak
from places import MACHINES


def troubled(router: Machine) -> Machine:
    """A machine that gives rise to every kind of caution: limits filed, firmware that waits, an axis without calm speed."""
    x, y, z = router.axes
    axes = (
        replace(x, run_on_mm=3.0, jog_limit_mm=4.0), replace(y, calm_speed_mm_s=None, jog_limit_mm=1.5),
        replace(z, run_on_mm=3.0), replace(z, name="A", rotary=True, steps_per_mm=Fraction(1600, 3), exact=False),
    )  # fmt: skip
    return replace(router, axes=axes, firmware=replace(router.firmware, remainder="drop", when_full="wait", decimals=1))


def _answers() -> dict[str, Callable[[], Suggestion]]:
    router, stage, sign = (read_machine(MACHINES / f"{name}.toml") for name in ("inlay_router", "slide_stage", "sign_table"))
    return {
        "router": lambda: suggest(router), "stage": lambda: suggest(stage, by="coverage"), "sign": lambda: suggest(sign, by="coverage"),
        "troubled": lambda: own_answer(troubled(router), Ladder.parse("0.02, 0.1, 0.5, 2, 9")),
    }  # fmt: skip


@pytest.fixture(scope="module", params=list(_answers()))
def answer(request: pytest.FixtureRequest) -> Suggestion:
    return _made(request.param)


@cache
def _made(name: str) -> Suggestion:
    return _answers()[name]()


def factor(row: Row) -> float:
    return 25.4 if row.unit == "in" else 1.0


def _ripple(row: Row) -> float | str:
    return "stop-and-go" if row.ripple_low_mm_s == 0 else 100 * row.ripple_share


def _mind(row: Row) -> tuple[str, ...]:
    clicks = [{"one way": "finer than real one way", "reversal": "finer than real after a reversal"}.get(row.finer_than, "")]
    clicks += ["a steady hand outruns it"] * row.outruns_steady
    calm, top = row.calm_mm_s, row.full_speed_detents_s * row.gain_mm
    if row.above_cap and calm < top:
        clicks.append("passes the calm speed unless the axis is clamped")
    elif row.hurried_mm_s > calm * (1 + 1e-12):
        clicks.append("turned fast, passes the calm speed unless the axis is clamped")
    return tuple(text for text in clicks if text)


HEADS: dict[str, Callable[[Row], object]] = {
    "position": lambda row: row.position,
    "axis": lambda row: row.axis,
    "multiplier": lambda row: row.multiplier,
    "a click": lambda row: (row.gain_mm / factor(row), row.unit),
    "motor steps": lambda row: (float(row.steps), "" if row.exact and row.steps_den == 1 else "(not whole)"),
    "keeps up to (clicks/s)": lambda row: row.full_speed_detents_s,
    "turns to cross": lambda row: row.turns_to_cross,
    "run-on": lambda row: row.run_on_mm / factor(row),
    "turned hard": lambda row: (row.hurried_run_on_mm / factor(row), "(its reach)" if row.hurried_at_reach else ""),
    "ripple": _ripple,
    "habit": lambda row: f"{row.too_fast}, {row.speed}",
    "keeps clicks to (clicks/s)": lambda row: (row.free_detents_s, row.kind) if row.free_detents_s else "none",
    "mind": _mind,
}
"""Head of a table for people -> what its cell says, in the shown unit; digits shown are three at least."""


def hold_cell(head: str, cell: str, row: Row) -> None:
    held = HEADS[head](row)
    parts = held if isinstance(held, tuple) else (held,)
    left = cell
    for part in parts:
        if isinstance(part, float | int):
            found = re.search(r"[-+]?\d[\d,]*\.?\d*(?:e[-+]?\d+)?", left)
            assert found, (head, cell, row)
            near = 0.051 if head == "ripple" else 0.005  # two digits; three
            assert float(found[0].replace(",", "")) == pytest.approx(part, rel=near, abs=1e-9), (head, cell, row)
            left = left.replace(found[0], "", 1)
        else:
            assert str(part) in left, (head, cell, row)
            left = left.replace(str(part), "", 1)
    assert not left.strip(" ×±%;,"), (head, cell, left)


def hold_table(heads: list[str], lines: Iterable[list[str]], rows: Iterable[Row]) -> None:
    for cells, row in zip(lines, rows, strict=True):
        for head, cell in zip(heads, cells, strict=True):
            hold_cell(head, cell, row)


def test_the_terminal_table(answer: Suggestion) -> None:
    heads, *lines = [re.split(r"  +", line.strip()) for line in _table_text(answer).split("\n\n")[0].splitlines()]
    assert len(heads) >= 11
    hold_table(heads, lines, answer.rows)


def test_the_markdown_table(answer: Suggestion) -> None:
    plain = re.sub(r"\\(.)", r"\1", _suggestion_to_markdown(answer))
    heads, _, *lines = [[cell.strip() for cell in line.strip("|").split("|")] for line in plain.splitlines() if line.startswith("|")]
    assert len(heads) >= 6
    hold_table(heads, lines, answer.rows)


_PAGES: dict[int, str] = {}


def page_of(answer: Suggestion) -> str:
    """The page of an answer, drawn once."""
    if id(answer) not in _PAGES:
        _PAGES[id(answer)] = _render_page(answer)
    return _PAGES[id(answer)]


class _Tables(HTMLParser):
    """The tables of a page: a list of rows of cells each."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tables: list[list[list[str]]] = []
        self.open = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")
            self.open = True

    def handle_endtag(self, tag: str) -> None:
        self.open = self.open and tag not in ("td", "th")

    def handle_data(self, data: str) -> None:
        if self.open:
            self.tables[-1][-1][-1] += data


def test_the_pages_tables(answer: Suggestion) -> None:
    tables = _Tables(page_of(answer)).tables
    held = [table for table in tables if "motor steps" in table[0] and "a click" in table[0]]
    for (heads, *lines), unit in zip(held, dict.fromkeys(row.unit for row in answer.rows), strict=True):
        assert len(heads) >= 11
        hold_table(heads, lines, [row for row in answer.rows if row.unit == unit])
    heads, *lines = tables[0]  # the answer
    assert [line[0] for line in lines] == [str(n + 1) for n in range(len(answer.ladder.rungs))]
    for line, gain in zip(lines, answer.ladder.gains_mm, strict=True):
        assert float(line[1].split()[0]) * (25.4 if answer.machine.show_in == "in" else 1) == pytest.approx(float(gain), rel=1e-4)
        fast = [row.axis for row in answer.rows if str(row.position) == line[0] and row.near_people == "no"]
        said = re.search(r"people near: clamp([^;]*)", line[2])
        assert bool(said) == bool(fast)
        assert not said or set(re.findall(r"\b[A-Z]\b", said[1])) in ({*fast}, set())


def test_the_panels_table(answer: Suggestion) -> None:
    for axis in answer.machine.axes:
        ((heads, *lines),) = _Tables(panels.rung_table(answer, axis.name)).tables
        mine = [row for row in answer.rows if row.axis == axis.name]
        assert len(heads) >= 8
        hold_table(heads, lines[: len(mine)], mine)
        assert all(not cell.strip() for line in lines[len(mine) :] for cell in line)


def test_the_notebooks_tables(answer: Suggestion) -> None:
    answered, whole = _Tables(answer._repr_html_()).tables
    assert [line[0] for line in answered[1:]] == [str(n + 1) for n in range(len(answer.ladder.rungs))]
    assert whole[0] == [field.name for field in fields(Row)]
    for cells, row in zip(whole[1:], answer.rows, strict=True):
        for name, cell in zip(whole[0], cells, strict=True):
            value = getattr(row, name)
            shown = cell == {True: "True", False: "False"}[value] if isinstance(value, bool) else cell == str(value)
            assert shown or float(cell) == pytest.approx(value, rel=1e-5, abs=1e-6, nan_ok=True), name


def test_the_csv(answer: Suggestion) -> None:
    lines = list(csv.DictReader(io.StringIO(_suggestion_to_csv(answer))))
    knob = [line for line in lines if line["control"] == "knob"]
    assert lines[: len(knob)] == knob  # stick and buttons stand after it
    for line, row in zip(knob, answer.rows, strict=True):
        names = [field.name for field in fields(Row)]
        assert list(line)[: len(names)] == names
        for name, cell in [*line.items()][: len(names)]:
            value = getattr(row, name)
            if isinstance(value, bool | str):
                assert cell == str(value), name
            elif isinstance(value, float) and math.isnan(value):
                assert cell == "", name
            else:
                assert float(cell) == pytest.approx(value, rel=1e-11), name


KEYS: dict[str, Callable[[Row], object]] = {
    "unit": lambda row: row.unit, "exact": lambda row: row.exact, "whole_step": lambda row: row.whole_step,
    "steps_per_detent": lambda row: row.steps_num / row.steps_den, "dead_click_share": lambda row: row.dead_share,
    "full_speed_turn_rate": lambda row: row.full_speed_detents_s, "turns_to_cross": lambda row: row.turns_to_cross,
    "stray_click_speed_mm_s": lambda row: row.stray_mm_s, "above_cap": lambda row: row.above_cap,
    "run_on_mm": lambda row: row.run_on_mm, "run_on_s": lambda row: row.run_on_s,
    "hurried_run_on_mm": lambda row: row.hurried_run_on_mm, "hurried_mm_s": lambda row: row.hurried_mm_s,
    "forgiven_run_on_mm": lambda row: row.forgiven_run_on_mm, "runs_on_too_far": lambda row: row.runs_on_too_far,
    "ripple_share": lambda row: row.ripple_share, "habit": lambda row: f"{row.too_fast}, {row.speed}",
    "free_rate": lambda row: row.free_detents_s, "kind": lambda row: row.kind, "felt_delay_s": lambda row: row.delay_s,
    "distance_per_report_mm": lambda row: row.report_mm, "multiplier": lambda row: row.multiplier,
    "gain_mm": lambda row: str(Fraction(row.gain_num, row.gain_den)), "repeats": lambda row: row.repeats,
    "shown": lambda row: f"{row.gain} {row.unit}",
    "finer_than_real": lambda row: {"": None, "one way": "one way", "reversal": "after a reversal"}[row.finer_than],
    "longest_report_interval_s": lambda row: None if math.isnan(row.longest_report_s) else row.longest_report_s,
}  # fmt: skip


def test_the_json(answer: Suggestion) -> None:
    content, machine = json.loads(to_json(suggestion_to_dict(answer))), answer.machine
    rows = {(row.position, row.axis): row for row in answer.rows}
    for rung, gain in zip(content["rungs"], answer.ladder.gains_mm, strict=True):
        assert Fraction(rung["gain_mm"]) == gain
        assert list(rung["axes"]) == [axis.name for axis in machine.axes]
        for name, axis in rung["axes"].items():
            row, top, ramp = rows[rung["position"], name], machine.axis(name).top_speed_mm_s, machine.axis(name).ramp_mm_s2
            for key, held in KEYS.items():
                value, want = axis[key], held(row)
                if key == "steps_per_detent":
                    value = float(Fraction(value))
                assert value == (pytest.approx(want, rel=1e-8) if isinstance(want, float) else want), key
            assert axis["top_speed_mm_s"] == pytest.approx(top)
            assert axis["time_to_full_speed_s"] == pytest.approx(top / ramp)
            assert axis["smallest_full_speed_move_mm"] == pytest.approx(top**2 / ramp)
            drift = axis["drift_per_1000"]
            assert (drift["one_way_mm"], drift["there_and_back_mm"]) == pytest.approx((row.drift_1000_mm, row.drift_back_mm))
            assert (drift["remainder"], len(axis["habit_reasons"])) == (machine.firmware.remainder, 2)
            assert axis.keys() == {*KEYS, "click_pattern", "top_speed_mm_s", "habit_reasons", "time_to_full_speed_s",
                                   "smallest_full_speed_move_mm", "drift_per_1000"}  # fmt: skip
        mine = [row for row in answer.rows if row.position == rung["position"]]
        straight = [row for row in mine if not machine.axis(row.axis).rotary] or mine
        assert rung["run_on_mm"] == pytest.approx(max(row.run_on_mm for row in straight))
        assert rows[rung["position"], rung["run_on_axis"]].run_on_mm == pytest.approx(rung["run_on_mm"])
        assert rung["ripple_share"] == pytest.approx(max(row.ripple_share for row in mine))


def test_the_firmwares_figures_in_json_and_header(answer: Suggestion) -> None:
    machine, text = answer.machine, _suggestion_to_header(answer)
    for number, (axis, found) in enumerate(zip(machine.axes, suggestion_to_dict(answer)["firmware"]["axes"], strict=True), start=1):
        per_mm, every, ramp = float(axis.steps_per_mm), machine.link.report_interval_s, axis.ramp_mm_s2
        calm = None if axis.calm_speed_mm_s is None else math.floor(axis.calm_speed_mm_s * per_mm * (1 + 1e-12))
        assert (found["axis"], found["calm_speed_steps_s"]) == (axis.name, calm)
        limit, jog, gain = found["outstanding_limit_mm"], found["jog_top_mm_s"], found["coarsest_served_mm"]
        assert limit <= jog**2 / (2 * ramp) + jog * every + gain + 1e-9
        assert found["outstanding_limit_steps"] in (math.floor(limit * per_mm * (1 + 1e-12)), math.ceil(gain * per_mm * (1 - 1e-12)))
        assert f"#define JT_LIMIT_STEPS_{number} {found['outstanding_limit_steps']}u" in text
        assert (f"#define JT_CALM_STEPS_S_{number} {calm}u" in text) == (calm is not None)


def test_the_headers_records(answer: Suggestion) -> None:
    text = _suggestion_to_header(answer)
    struct = text.split("typedef struct jt_rung {")[1].split("} jt_rung;")[0]
    names = re.findall(r"(\w+);", re.sub(r"/\*.*?\*/", "", struct))
    lines = re.findall(r"/\* (.*?) \*/ \{ (.*?) \}", text.split("JT_RUNGS[JT_RUNG_COUNT] = {")[1].split("};")[0])
    unused = [row for row in answer.rows if row.position == len(answer.ladder.rungs)]
    extra = answer.machine.selector.positions - len(answer.ladder.rungs)
    assert len(lines) == len(answer.rows) + extra * len(unused)
    told = [(f"{row.gain} {row.unit}", row) for row in answer.rows]
    for n in range(extra):
        note = f", not used: as position {len(answer.ladder.rungs)}"
        told += [(f"{row.gain} {row.unit}{note}", replace(row, position=row.position + n + 1)) for row in unused]
    for (note, cells), (want, row) in zip(lines, told, strict=True):
        record, axis = dict(zip(names, cells.split(", "), strict=True)), answer.machine.axis(row.axis)
        number = {name: int(value.rstrip("u")) for name, value in record.items() if re.fullmatch(r"\d+u?", value)}
        assert (number["position"], record["axis"], number["multiplier"]) == (row.position, f'"{row.axis}"', row.multiplier)
        assert record["unit"] == ('"deg"' if axis.rotary else '"mm"')
        assert (number["gain_numerator"], number["gain_denominator"]) == (row.gain_num, row.gain_den)
        assert number["steps_numerator"] / number["steps_denominator"] == pytest.approx(row.steps_num / row.steps_den, rel=1e-6)
        assert (number["steps_numerator"], number["steps_denominator"]) == (row.steps_num, row.steps_den) or not row.exact
        assert number["axis_denominator"] % number["steps_denominator"] == 0
        assert (number["exact"], number["near_people"]) == (int(row.exact), int(row.near_people == "yes"))
        per_mm = float(axis.steps_per_mm)
        for name, value in (("full_speed_millidetents_s", 1000 * row.full_speed_detents_s), ("top_speed_steps_s", axis.top_speed_mm_s * per_mm),
                            ("ramp_steps_s2", axis.ramp_mm_s2 * per_mm), ("reach_steps", axis.reach_mm * per_mm)):  # fmt: skip
            assert number[name] == math.floor(value * (1 + 1e-9)), name
        sent = answer.machine.sent(axis, Fraction(row.gain_num, row.gain_den))
        rounded = f", sent as {float(sent) / factor(row):.9g} {row.unit}" if sent != Fraction(row.gain_num, row.gain_den) else ""
        assert note == want.replace(row.unit, row.unit + rounded, 1)
        assert (record["mm_per_click"].strip('"'), record["kind"]) == (f"{row.gain_mm:.9g}", f"JT_{row.kind.upper()}")
        assert number["free_millidetents_s"] == math.floor(1000 * row.free_detents_s * (1 + 1e-9))
    assert int(re.search(r"#define JT_REPORT_INTERVAL_US (\d+)", text)[1]) == round(answer.machine.link.report_interval_s * 1e6)  # type: ignore[index]


def card_texts(answer: Suggestion) -> list[list[tuple[float, float, str]]]:
    """The texts of each card with their places [mm]: (from the left, from below, text)."""
    pages = []
    for figure in _draw_cards(answer.machine, answer.ladder):
        texts = figure.findobj(matplotlib.text.Text)
        pages.append([(*text.get_position(), text.get_text()) for text in texts if text.get_text()])
    return pages


def test_the_cards_figures(answer: Suggestion) -> None:
    for page, texts in enumerate(card_texts(answer)):
        for axis in answer.machine.axes[3 * page : 3 * page + 3]:
            (column,) = [(x, y) for x, y, text in texts if text == axis.name]
            below = sorted((-y, text) for x, y, text in texts if x == pytest.approx(column[0]) and y < column[1] and re.search(r"\d", text))
            parts = [part for _, text in below for part in text.split(" · ")]
            rows = [row for row in answer.rows if row.axis == axis.name]
            assert len(parts) == 2 * len(rows)
            for n, row in enumerate(rows):
                turns, run_on = parts[2 * n].split(), parts[2 * n + 1].split()
                assert (turns[1], run_on[1]) == ("turns", row.unit)
                assert float(turns[0]) == pytest.approx(row.turns_to_cross, rel=0.005)
                assert float(run_on[0]) == pytest.approx(row.run_on_mm / factor(row), rel=0.05)
        for position, gain in enumerate(answer.ladder.gains_mm, start=1):
            at = [(y, text) for x, y, text in texts if re.fullmatch(r"[\d.]+ (mm|in|deg)", text) and x < 105]
            said = sorted(at, reverse=True)[position - 1][1].split()
            assert float(said[0]) * (25.4 if said[1] == "in" else 1) == pytest.approx(float(gain), rel=1e-4)


# ------------------------------------------------------------ every caution, wherever a rate is recommended


def grave(answer: Suggestion) -> list[Note]:
    return [note for note in answer.notes if note.severity >= Severity.CAUTION]


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", text)


def _items(text: str) -> str:
    return plain(html.unescape(re.sub(r"<[^>]+>", " ", text)))


def _comment(answer: Suggestion) -> str:
    opening = _suggestion_to_header(answer).split("*/")[0]
    return plain(" ".join(line.strip().removeprefix("*") for line in opening.splitlines()))


def _panel(answer: Suggestion) -> str:
    return _items(panels.choose_words(answer, None))


def _moves(answer: Suggestion) -> str:
    return plain(" ".join(re.findall(r"\((.*?)\)", _suggestion_to_moves(answer))))


SURFACES: dict[str, tuple[Callable[[Suggestion], str], Callable[[Note], str]]] = {
    "page": (lambda answer: _items(page_of(answer)), speak),
    "markdown": (lambda answer: plain(re.sub(r"\\(.)", r"\1", _suggestion_to_markdown(answer))), speak),
    "json": (lambda answer: "\n".join(json.loads(to_json(suggestion_to_dict(answer)))["cautions"]), speak),
    "json notes": (lambda answer: "\n".join(n["text"] for n in suggestion_to_dict(answer)["notes"] if n["severity"] in ("caution", "danger")), speak),
    "--cautions": (lambda answer: plain(answer.told(["cautions"])), speak),
    "explain": (lambda answer: plain(answer.explain()), speak),
    "notebook": (lambda answer: _items(answer._repr_html_()), speak),
    "panel": (_panel, speak),
    "header": (_comment, lambda note: plain(_c_comment(speak(note)))),
    "moves": (_moves, lambda note: plain(_remark(speak(note)))),
    "card": (lambda answer: plain(" ".join(text for page in card_texts(answer) for *_, text in page)), lambda note: plain(_fill(_SHORT[note.kind], note))),
    "legend": (lambda answer: _drawn(answer), lambda note: plain(_fill(_SHORT[note.kind], note))),
}  # fmt: skip
"""A surface as plain text; and how a note is said on it."""


def _drawn(answer: Suggestion) -> str:
    return plain(" ".join(text.get_text() for text in _draw_legend(answer.machine, answer.ladder).findobj(matplotlib.text.Text)))


def _remark(text: str) -> str:
    for sign, words in {"×": "x", "%": "percent", "√": "sqrt ", "(": "[", ")": "]"}.items():
        text = text.replace(sign, words)
    return text


@pytest.mark.parametrize("surface", SURFACES)
def test_every_caution_stands_on_every_surface(surface: str, answer: Suggestion) -> None:
    shown, say = SURFACES[surface]
    text = shown(answer)
    for note in grave(answer):
        assert say(note) in text, note.kind


def test_the_troubled_machine_has_every_kind_of_caution_and_each_has_a_brief_wording(router: Machine) -> None:
    machine, ladder = troubled(router), Ladder.parse("0.02, 0.1, 0.5, 2, 9")
    found = {note.kind for note in (*standing_notes(machine), *ladder_cautions(machine, ladder)) if note.severity >= Severity.CAUTION}
    assert found == set(_SHORT)
