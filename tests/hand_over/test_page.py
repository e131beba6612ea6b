"""Charts, page and words: what they hold, not how they look."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import matplotlib.figure
import pytest

from jogtune.charts.ink import _new_figure, figure_svg
from jogtune.charts.ladder import draw_ladder, draw_speed, plot_ladder, plot_speed
from jogtune.choose.suggest import Suggestion, suggest
from jogtune.hand_over.page import _render_page
from jogtune.logs.log import Log
from jogtune.logs.read import read_log
from jogtune.machine.model import Machine
from jogtune.words.logs import outrun_table


@pytest.fixture(scope="module")
def log() -> Log:
    return read_log("datasets/logs/inlay_router_simulated.csv")


@pytest.fixture
def answer(router: Machine) -> Suggestion:
    return suggest(router)


def _texts(figure: matplotlib.figure.Figure) -> str:
    return " ".join(text.get_text() for text in figure.findobj(matplotlib.text.Text))


def test_every_function_takes_the_ax_it_draws_on(answer: Suggestion) -> None:
    for plot in (plot_ladder, plot_speed):
        ax = _new_figure().subplots()
        assert plot(ax, answer) is ax


def test_the_ladder_chart_marks_every_rung_and_axis(answer: Suggestion, log: Log) -> None:
    figure = draw_ladder(answer, log=log)
    figure.draw_without_rendering()
    shown = _texts(figure)
    for multiplier in answer.ladder.multipliers:
        assert f"×{multiplier}\n" in shown
    assert "X, Y: top speed 100 mm/s" in shown
    assert "Z: top speed 25 mm/s" in shown
    assert "simulated" in shown


def test_the_same_figure_gives_the_same_svg(answer: Suggestion) -> None:
    assert figure_svg(draw_speed(answer), name="speed") == figure_svg(draw_speed(answer), name="speed")


class _Outside(HTMLParser):
    """Collects whatever a page would fetch or run."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.ids: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name in ("src", "href", "xlink:href") and value and not value.startswith("#"):
                self.fetched += [] if value.startswith("data:image/png;base64,") else [value]  # dots lie in the page as a picture
        if tag in ("script", "iframe", "link"):
            self.fetched.append(tag)


def test_the_page_is_self_contained_and_its_ids_are_its_own(answer: Suggestion, log: Log) -> None:
    page, text = _Outside(), _render_page(answer, log=log)
    page.feed(text)
    assert page.fetched == []
    assert len(page.ids) == len(set(page.ids))
    assert "<ol><li>Spindle off" in text, "the steps of touching off are numbered"


def test_every_text_of_a_file_is_escaped(router: Machine) -> None:
    evil = "<script>alert(1)</script>"
    machine = replace(router, name=evil, axes=(replace(router.axes[0], name="<b>X</b>"), *router.axes[1:]), tasks=())
    page = _render_page(suggest(machine, by="coverage"))
    assert evil not in page
    assert "<b>X</b>" not in page
    assert "&lt;script&gt;" in page


def test_the_outrun_table_counts_what_outruns(answer: Suggestion, log: Log) -> None:
    table: Any = outrun_table(answer, log)
    shares = table.filter(like="outruns").to_numpy()
    assert ((shares >= 0) & (shares <= 100)).all()
    assert (shares[:-1] <= shares[1:]).all()
    assert shares[-1, -1] > shares[0, -1]
