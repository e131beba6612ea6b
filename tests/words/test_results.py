"""Every kind of result shows itself alike: it fits its screen, drops no caution, and speaks in whole sentences."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from matplotlib.figure import Figure

from jogtune.bench.checks import judge_checks
from jogtune.bench.commission import Commissioning
from jogtune.bench.diagnose import diagnose
from jogtune.choose.suggest import Suggestion, suggest
from jogtune.cli.main import main
from jogtune.hand.fit import fit_hand
from jogtune.hand_over.data import _checks_to_csv
from jogtune.ladder.ladder import Ladder
from jogtune.logs.read import read_log
from jogtune.machine.file import read_machine
from jogtune.measure.classroom import compare_class, read_roster
from jogtune.measure.compare import compare
from jogtune.measure.many import Logs
from jogtune.measure.measure import measure
from jogtune.measure.since import compare_since
from jogtune.notes import Severity
from jogtune.shown import _FACES, _MOST_REPR_LINES
from jogtune.words.speak import speak
from places import MACHINES, ROOT
from truths.readings import seeded_truth, simulate_readings
from truths.sessions import log_text, make_log

ROUTER = read_machine(MACHINES / "inlay_router.toml")
LOG = ROOT / "datasets" / "logs" / "inlay_router_simulated.csv"
LADDERS = (Ladder.parse("0.02, 0.1, 0.5, 5"), Ladder.parse("0.02, 0.2"))


def _diagnosis(folder: Path) -> Any:
    ladder, axes = suggest(ROUTER, by="coverage").ladder, zip(ROUTER.axes, ("slack", "loose clamp", "teeth"), strict=True)
    return diagnose(ROUTER, [row for axis, cause in axes for row in simulate_readings(ROUTER, axis, ladder, seeded_truth(cause, axis, seed=1), seed=1)])


def _checked(folder: Path) -> Any:
    table = _checks_to_csv(Commissioning.of(ROUTER, LADDERS[0]))
    (folder / "checks.csv").write_text(re.sub(r"(?m)^((?:[0-9]).*?),,,,$", r"\1,fail,,,", table))
    return judge_checks(ROUTER, folder / "checks.csv")


def _fit(folder: Path) -> Any:
    table = pd.read_csv(ROOT / "datasets" / "reference" / "fitts1954_tapping_1oz.csv")  # P. M. Fitts 1954, Table 1
    return fit_hand(pd.DataFrame({"distance_mm": 25.4 * table["A_in"], "tolerance_mm": 25.4 * table["W_in"], "time_s": table["MT_ms"] / 1000}))


def _class(folder: Path) -> Any:
    roster = ["file,person,ladder"]
    for n, ladder in enumerate(LADDERS * 2):
        rows, _ = make_log(ROUTER, ladder, seed=n, tasks=9)
        (folder / f"{n}.csv").write_text(log_text(rows, seed=n, machine=ROUTER))
        roster.append(f"{n}.csv,pupil {n // 2},{ladder.say().removesuffix(' mm').replace(',', '')}")
    (folder / "roster.csv").write_text("\n".join(roster))
    return compare_class(ROUTER, folder, read_roster(ROUTER, folder / "roster.csv"))


def _since(folder: Path) -> Any:
    rows, _ = make_log(ROUTER, LADDERS[0], seed=1, tasks=12)
    return compare_since(ROUTER, LOG, replace(read_log(LOG), rows=rows, source="after.csv"))


MADE: dict[str, Callable[[Path], Any]] = {
    "Suggestion": lambda folder: suggest(ROUTER, by="coverage"),
    "Log": lambda folder: read_log(LOG),
    "Measured": lambda folder: measure(ROUTER, LOG),
    "Comparison": lambda folder: compare(ROUTER, LADDERS),
    "ClassResult": _class,
    "_Since": _since,
    "Diagnosis": _diagnosis,
    "HandFit": _fit,
    "_Checked": _checked,
    "_ManyMeasured": lambda folder: Logs((str(LOG),)).measure(ROUTER),
}


@pytest.fixture(scope="module", params=list(MADE))
def found(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    return _made(request.param, tmp_path_factory.mktemp("class"))


@cache
def _made(name: str, folder: Path) -> Any:
    return MADE[name](folder)


def test_every_kind_of_result_is_tried() -> None:
    assert set(MADE) == set(_FACES)


def test_its_repr_is_twelve_lines_at_most_and_its_answer_fits_a_terminal(found: Any) -> None:
    assert len(repr(found).splitlines()) <= _MOST_REPR_LINES == 12
    lines = str(found).splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 100, str(found)
    for text in (repr(found), str(found)):
        assert not re.search(r"[{}]|\bNone\b|\bnan\b|Note\(", text), text


def test_it_drops_no_caution_and_speaks_in_whole_sentences(found: Any) -> None:
    grave = [speak(note) for note in found.notes if note.severity >= Severity.CAUTION]
    assert grave or type(found).__name__ in ("Log", "HandFit")  # neither recommends a rate
    told = re.sub(r"\s+", " ", found.told(["cautions"]))
    everything = re.sub(r"\s+", " ", found.explain())
    shown = re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", found._repr_html_())))
    assert all(text in told and text in everything and text in shown for text in grave)
    assert told.count(" - ") == len(grave)
    for note in found.notes:
        assert re.match(r"^[A-Z0-9×\"j\[].*[.?]$", speak(note), re.DOTALL), speak(note)


def test_what_a_notebook_shows_says_a_caution_once_and_names_no_option(found: Any) -> None:
    page = found._repr_html_()
    shown = re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page.split("<summary>Why")[0])))
    for note in found.notes:
        assert note.severity < Severity.CAUTION or shown.count(speak(note)) == 1, speak(note)
    assert ("<summary>Cautions" in page) == any(note.severity >= Severity.CAUTION for note in found.notes)
    assert not any("More: --" in text for text in (page, repr(found), found.explain()))
    assert "More: --" in str(found) or type(found).__name__ == "HandFit"  # a terminal has options


def test_its_table_is_told(found: Any) -> None:
    assert len(found.told(["table"]).splitlines()) > 2


def test_each_of_its_charts_is_drawn(found: Any) -> None:
    for kind in _FACES[type(found).__name__][1]:
        ax, beside = Figure().add_subplot(), {"machine": ROUTER} if kind == "replay" else {}
        if isinstance(found, Suggestion) and kind == "rungs":  # by coverage nothing was searched
            with pytest.raises(ValueError, match="suggest it by time"):
                found.plot(ax, kind)
        else:
            assert found.plot(ax, kind, **beside) is ax
            assert ax.has_data()
    with pytest.raises(ValueError, match="kind = 'pie': must be one of"):
        found.plot(kind="pie")


def test_a_ladder_chart_takes_a_log() -> None:
    log = read_log(LOG)
    charts = [suggest(ROUTER, by="coverage").plot(Figure().add_subplot(), log=beside) for beside in (None, log)]
    assert [len(ax.child_axes) for ax in charts] == [0, 1]
    assert charts[1].child_axes[0].get_title() == "simulated"


def test_its_json_holds_the_same_notes(found: Any) -> None:
    content = json.loads(found.to_json())
    if "notes" in content:
        assert [note["kind"] for note in content["notes"]] == [note.kind for note in found.notes]
        assert [note["text"] for note in content["notes"]] == [speak(note) for note in found.notes]
    assert "cautions" not in content or set(content["cautions"]) >= {speak(n) for n in found.notes if n.severity >= Severity.CAUTION}


def test_the_command_prints_why_table_and_every_caution(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["suggest", str(MACHINES / "inlay_router.toml"), "--series", "1-10-100", "--why", "--table", "--cautions"]) == 0
    printed = capsys.readouterr().out
    asked = suggest(ROUTER, series="1-10-100")
    for note in asked.notes:
        assert f"  - {speak(note)}\n" in printed
    assert printed.count("\n  - ") >= len(asked.notes)
    assert printed.index("Why\n") < printed.index("position ") < printed.index("Cautions\n")
