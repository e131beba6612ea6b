"""Ticks, cells and figures for the page: plain numbers that don't crowd, no text cut off, wide or narrow."""

from __future__ import annotations

import matplotlib.text
import pytest

from jogtune.charts.burst import draw_responses
from jogtune.charts.ink import _new_cells, _new_figure, _plain_ticks
from jogtune.charts.ladder import draw_ladder, draw_speed
from jogtune.choose.suggest import suggest


@pytest.mark.parametrize(("side", "most"), [("x", 300), ("y", 50_000)])
def test_ticks_go_1_2_5_until_that_would_crowd(side: str, most: float) -> None:
    for end, shown in ((0.99 * most, True), (1.01 * most, False)):
        for limits in ((1, end), (end, 1)):  # a scale may run backwards
            ax = _new_figure().add_subplot()
            ax.set(**{f"{side}scale": "log", f"{side}lim": limits})
            _plain_ticks(ax)
            labels = [label.get_text() for label in getattr(ax, f"{side}axis").get_ticklabels()]
            assert {"1", "10", "100"} <= set(labels)
            assert ("2" in labels and "50" in labels) == shown


def test_cells_come_in_rows_with_none_empty() -> None:
    figure, cells = _new_cells(5, columns=3, width_in=9, row_in=2, head_in=1)
    assert len(cells) == len(figure.axes) == 5
    assert tuple(figure.get_size_inches()) == (9, 5)


@pytest.mark.parametrize("width", [9.0, 7.8, 3.9])
def test_no_text_is_cut(router, stage, sign, width: float) -> None:
    for machine in (router, stage, sign):
        answer = suggest(machine, by="coverage")
        for draw in (draw_ladder, draw_speed, draw_responses):
            figure = draw(answer, width_in=width)
            figure.draw_without_rendering()
            for text in figure.findobj(matplotlib.text.Text):
                if text.get_text() and text.get_visible() and not text.get_clip_on():
                    box = text.get_window_extent()
                    assert -1 <= box.x0 <= box.x1 <= figure.bbox.width + 1, (draw.__name__, text.get_text())
                    assert -1 <= box.y0 <= box.y1 <= figure.bbox.height + 1, (draw.__name__, text.get_text())
