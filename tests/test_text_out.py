"""Text that leaves: every hostile name on every surface, every terminal; counts are printed by the heavy tests."""

from __future__ import annotations

import csv
import io
import json
import os
import random
import re
import subprocess
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from matplotlib.figure import Figure
from matplotlib.legend import Legend
from matplotlib.text import Text

from compilers import FLAGS
from hostile import HOSTILE, SHORT
from jogtune.bench.commission import Commissioning
from jogtune.bench.readings import readings_template
from jogtune.charts import burst, compare, hand, ladder, logs
from jogtune.charts.ink import figure_png
from jogtune.choose.suggest import Suggestion, own_answer
from jogtune.cli.main import main
from jogtune.files import Fault, InputFault
from jogtune.hand_over import card, commission, legend, page, sheet
from jogtune.hand_over.data import _checks_to_csv, _suggestion_to_csv, suggestion_to_dict, to_json
from jogtune.hand_over.export import _suggestion_to_markdown
from jogtune.hand_over.header import _suggestion_to_header
from jogtune.hand_over.moves import _suggestion_to_moves
from jogtune.hand_over.paper import _page_bytes
from jogtune.ladder.ladder import Ladder
from jogtune.lessons.results import write_roster
from jogtune.logs.log import Log
from jogtune.logs.read import read_log, write_log
from jogtune.machine.file import read_machine
from jogtune.machine.model import Machine
from jogtune.measure.many import _write_tables
from places import MACHINES

SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
NUMBER = re.compile(r"[+-]?\d[\d.]*(e[+-]?\d+)?")


def named(name: str) -> Machine:
    """The router, of which machine, first axis, tasks and file bear a name."""
    router, whole = read_machine(MACHINES / "inlay_router.toml"), name
    name = name.encode("utf-8", "replace").decode()  # TOML knows no half pairs, file names do
    first, axis = router.axes[0], name[:16]
    tasks = tuple(replace(task, name=name[:60], axis=axis if task.axis == first.name else task.axis) for task in router.tasks)
    return replace(router, name=name, axes=(replace(first, name=axis), *router.axes[1:]), tasks=tasks, source=f"{whole[:200]}.toml")


@cache
def answer(name: str) -> Suggestion:
    return own_answer(named(name), Ladder.parse("0.02, 0.1, 0.5, 2, 8"))


def log_rows(name: str) -> pd.DataFrame:
    rows = pd.read_csv("datasets/logs/inlay_router_simulated.csv", comment="#", nrows=400)
    name = name.encode("utf-8", "replace").decode()  # as any log is read
    return rows.assign(axis=rows["axis"].replace("X", name[:190]), person=name[:30], marker=name[:30])


@cache
def log_of(name: str) -> Log:
    rows = log_rows(name).astype({"axis": "category"})
    read = read_log("datasets/logs/inlay_router_simulated.csv")
    return replace(read, rows=rows, source=f"{name[:60]}.csv", header={"turned by": name, "ladder": name})


# ------------------------------------------------------------ what must hold


def shown_as_text(text: str) -> None:
    bad = {sign for sign in text if not (sign.isprintable() or sign in "\n\u00a0")}
    assert not bad, f"signs that act: {sorted(bad)}"
    text.encode("utf-8")


def harmless_csv(text: str) -> None:
    body = [line for line in csv.reader(io.StringIO(text, newline="")) if line]
    risky = [cell for row in body for cell in row if cell.startswith(SIGNS) and not NUMBER.fullmatch(cell)]
    assert not risky, f"cells that run: {risky[:3]}"
    assert len(text) < 10_000_000


def drawn(figure: Figure) -> None:
    """No mathtext, every glyph there, no legend short of a name, no text longer than a line of the picture."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        figure_png(figure, dots_per_inch=40)
    for text in figure.findobj(Text):
        words = text.get_text()
        assert not text._preprocess_math(words)[1], f"mathtext: {words[:40]!r}"
        assert all(len(line) <= 160 for line in words.split("\n")), f"{len(words)} signs in a picture"
        assert all(sign.isprintable() or sign in "\n\u00a0" for sign in words), f"signs that act: {words[:40]!r}"
    for ax in figure.axes:
        shown = ax.get_legend()
        if shown is not None:
            every = [line for line in ax.get_lines() if getattr(line, "_named", False)]
            assert len(shown.get_texts()) >= len(every)


def pages(figures: list[Figure]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        _page_bytes(figures, "pdf")
    for figure in figures:
        for text in figure.findobj(Text):
            assert not text._preprocess_math(text.get_text())[1]
            assert len(text.get_text()) <= 300, f"{len(text.get_text())} signs on paper"
            assert not text.get_text() or text.get_fontsize() > 3.0, f"{text.get_fontsize():.2g} pt: nobody reads that"


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags = 0

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.tags += 1
        assert tag != "script"
        assert not any(key.startswith("on") for key, _ in attrs)


def tags(text: str) -> int:
    text.encode("utf-8")
    acting = {sign for sign in text if not sign.isprintable() and sign not in "\n\u00a0\t\r"}
    assert not acting, f"signs that act: {sorted(acting)}"
    parser = _Tags()
    parser.feed(re.sub(r"<svg.*?</svg>", "", text, flags=re.DOTALL))
    return parser.tags


def code_of(text: str) -> str:
    """What a C compiler sees: no comment, no text in quotes, no name of an axis."""
    parts = r'/\*.*?\*/|"(?:\\.|[^"\\\n])*"'
    bare = re.sub(parts, lambda found: '""' if found[0][0] == '"' else "", text, flags=re.DOTALL)
    return re.sub(r"JT_AXIS_\w+", "AXIS", bare)


def header(name: str) -> None:
    text = _suggestion_to_header(answer(name))
    assert text.isascii()
    assert not re.search(r"\?\?[=/'()!<>-]|\\\n", re.sub(r"#define.*", "", text)), "a trigraph or a folded line"
    assert code_of(text) == code_of(_suggestion_to_header(answer("plain"))), "the name got into the code"
    command = ["gcc", "-std=c99", *FLAGS, "-Wtrigraphs", "-trigraphs", "-Wno-unused", "-fsyntax-only", "-x", "c", "-"]
    found = subprocess.run(command, input=text, capture_output=True, text=True, check=False)
    assert found.returncode == 0, found.stderr[:200]


def moves(name: str) -> None:
    def words(text: str) -> list[str]:
        return [line for line in re.sub(r"\([^()\n]*\)", "", text).split("\n") if line.strip()]

    if name[:16].upper() not in "XYZABCUVW":
        machine = replace(named(name), axes=named("plain").axes[1:], tasks=())
        text = _suggestion_to_moves(own_answer(replace(machine, tasks=()), Ladder.parse("0.02, 0.5")))
        plain = replace(named("plain"), axes=named("plain").axes[1:], tasks=())
        assert text.isascii()
        assert words(text) == words(_suggestion_to_moves(own_answer(plain, Ladder.parse("0.02, 0.5"))))


def as_json(name: str) -> None:
    text = to_json(suggestion_to_dict(answer(name)))
    text.encode("utf-8")
    assert all(sign.isprintable() or sign in "\n\u00a0" for sign in text), "signs that act"
    assert json.loads(text)["machine"] == named(name).name, "the whole name is kept"


def markdown(name: str) -> None:
    text = _suggestion_to_markdown(answer(name))
    shown_as_text(text)
    assert text.count("\n") == _suggestion_to_markdown(answer("plain")).count("\n")


def html_page(name: str) -> None:
    assert tags(_page(name)) == tags(_page("plain"))


@cache
def _page(name: str) -> str:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(page, "_draw", lambda *_, **__: Figure((1, 1)))  # pictures have checks of their own
        return page._render_page(answer(name), log=log_of(name), inputs={}, command=f"jogtune suggest '{name}'")


def in_notebook(name: str) -> None:
    for found in (answer(name), log_of(name)):
        assert tags(found._repr_html_()) == tags({Suggestion: answer, Log: log_of}[type(found)]("plain")._repr_html_())  # type: ignore[index]


def told(name: str) -> None:
    for found in (answer(name), log_of(name)):
        shown_as_text(str(found))
        shown_as_text(repr(found))
        shown_as_text(found.told(["why", "table", "cautions"]))


def fault(name: str) -> None:
    text = str(InputFault(f"{name}.toml", [Fault(f"axis {name[:200]}: steps", name, "must be a number", "mend it"), "is odd"]))
    shown_as_text(text)
    assert text.count("\n") == 2


def chart(draw: Callable[[Any, str], object]) -> Callable[[str], None]:
    def check(name: str) -> None:
        figure = Figure(figsize=(9, 5), layout="constrained")
        draw(figure.subplots(), name)
        drawn(figure)

    return check


def has_legend(ax: Any, most: int) -> None:
    shown = ax.get_legend()
    assert isinstance(shown, Legend)
    assert len(shown.get_texts()) == most, "a name vanished"


def _ladder_chart(ax: Any, name: str) -> None:
    chart = ladder.LadderChart(ax, log=log_of(name))
    chart.update(answer(name), title=name)
    has_legend(ax, 2)


def _turning(ax: Any, name: str) -> None:
    logs.plot_turning(ax, log_of(name))
    has_legend(ax, log_of(name).rows["axis"].nunique())


def _along(ax: Any, name: str) -> None:
    from jogtune.hand.controls import KnobControl

    machine = named(name)
    knob = KnobControl(gains_mm=(0.02, 0.5))
    hand.plot_controls(ax, machine, {name: knob, "plain": knob}, machine.axes[0].name, 0.1, points=5)
    has_legend(ax, 2)


def _route(ax: Any, name: str) -> None:
    machine = named(name)
    hand.plot_route(ax, machine, answer(name).ladder, machine.tasks[0])


def _between(ax: Any, name: str) -> None:
    from jogtune.axis.advice import answer_burst

    machine = named("plain")
    one = answer_burst(10, 1.0, 0.1, machine.link, top_speed_mm_s=100.0, ramp_mm_s2=500.0)
    burst.plot_between_reports(ax, {name: one, "plain": one}, 1.0)
    has_legend(ax, 3)


def _causes(ax: Any, name: str) -> None:
    from types import SimpleNamespace

    cause = SimpleNamespace(kind="steps", axes=(name[:16], "Y"), likelihood=0.5)
    compare.plot_causes(ax, SimpleNamespace(causes=[cause], verdict=""))  # type: ignore[arg-type]


def _log_csv(name: str, folder: Path) -> None:
    place = write_log(log_of(name), folder / "log.csv", notes={"turned by": f"x,{name}", name[:40]: "y"})
    text = place.read_text(encoding="utf-8", errors="strict")
    harmless_csv(text)
    again = read_log(place)
    assert again.rows_out == 400
    if name.isprintable() and len(name) < 30 and " ".join(name.split()) == name:
        assert set(again.rows["person"]) == {name}, "the label is read back"


def _roster(name: str, folder: Path) -> None:
    write_log(log_rows(name), folder / "log.csv")
    harmless_csv(write_roster(folder).read_text(encoding="utf-8"))


def _tables(name: str, folder: Path) -> None:
    name = name.encode("utf-8", "replace").decode()
    table = pd.DataFrame({"log": [name], "person": [name], "file": [name], "axis": [name], "ladder": [name], "reason": [name], "n": [-1.5]})
    (place,) = _write_tables({"t.csv": table}, folder, overwrite=True)
    harmless_csv(place.read_text(encoding="utf-8"))


SURFACES: dict[str, Callable[..., object]] = {
    "told": told, "fault": fault, "JSON": as_json, "Markdown": markdown, "HTML page": html_page, "notebook": in_notebook,
    "C header": header, "moves": moves,
    "ladder.csv": lambda name: harmless_csv(_suggestion_to_csv(answer(name))),
    "readings": lambda name: harmless_csv(readings_template(named(name), answer(name).ladder)),
    "checks": lambda name: harmless_csv(_checks_to_csv(Commissioning.of(named(name), answer(name).ladder))),
    "ladder chart": chart(_ladder_chart), "turning": chart(_turning), "times": chart(_along), "route": chart(_route), "reports": chart(_between),
    "causes": chart(_causes), "replay": chart(lambda ax, name: logs.plot_replay(ax, log_of(name), named(name))),
    "ladder figure": lambda name: drawn(ladder.draw_ladder(answer(name))), "speed": lambda name: drawn(ladder.draw_speed(answer(name))),
    "responses": lambda name: drawn(burst.draw_responses(answer(name))),
    "card": lambda name: pages(card._draw_cards(named(name), answer(name).ladder)),
    "legend": lambda name: pages([legend._draw_legend(_switched(name), answer(name).ladder)]),
    "bench sheet": lambda name: pages(sheet._draw_sheets(named(name), answer(name).ladder, f"{name}.csv")),
    "commissioning": lambda name: pages(commission._draw_commissioning(Commissioning.of(named(name), answer(name).ladder))),
}  # fmt: skip
FILES = {"tidy log": _log_csv, "roster": _roster, "tables": _tables}


def _switched(name: str) -> Machine:
    machine = named(name)
    return replace(machine, selector=replace(machine.selector, axis_choice=True))


def outcome(check: Callable[..., object], *given: Any) -> str:
    try:
        check(*given)
    except Exception as error:  # whatever it is, it is counted
        return f"{type(error).__name__}: {str(error)[:90]!r}"
    return ""


@pytest.mark.heavy
@pytest.mark.parametrize("surface", [*SURFACES, *FILES])
def test_every_hostile_name_on_every_surface(surface: str, tmp_path: Path) -> None:
    fallen = {}
    for key, name in HOSTILE.items():
        given = (name, tmp_path / key) if surface in FILES else (name,)
        if surface in FILES:
            (tmp_path / key).mkdir()
        if why := outcome((SURFACES | FILES)[surface], *given):
            fallen[key] = why
    print(f"\n{surface}: {len(HOSTILE)} tried, {len(fallen)} fallen", *fallen.items(), sep="\n    ")
    assert not fallen


# ------------------------------------------------------------ terminals

ENCODINGS = ("ascii", "cp437", "latin-1", "utf-8")


def columns(line: str) -> int:
    """How many columns of a terminal a line takes."""
    import unicodedata

    zero = sum(unicodedata.category(sign) in ("Mn", "Me") for sign in line)
    return len(line) - zero + sum(unicodedata.east_asian_width(sign) in "WF" for sign in line)


@contextmanager
def terminal(encoding: str, wide: int | None) -> Iterator[tuple[io.BytesIO, io.BytesIO]]:
    """Streams of an encoding that refuse what it can't hold, and a width."""
    out, err = io.BytesIO(), io.BytesIO()
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("COLUMNS", raising=False)
        if wide is not None:
            patch.setenv("COLUMNS", str(wide))
        streams = [io.TextIOWrapper(stream, encoding=encoding, write_through=True) for stream in (out, err)]
        with redirect_stdout(streams[0]), redirect_stderr(streams[1]):
            yield out, err


def run(encoding: str, wide: int | None, *arguments: str) -> str:
    """Run a command on a terminal; returns what it shows, all of which is fit to be shown."""
    with terminal(encoding, wide) as (out, err):
        with suppress(SystemExit):  # argparse had its say
            main(arguments)
        shown = out.getvalue().decode(encoding) + err.getvalue().decode(encoding)
    if "--json" not in arguments:
        shown_as_text(shown)
        widest = max(map(columns, shown.split("\n")))
        assert wide is None or widest <= wide, f"{widest} columns on {wide}"
    return shown


def file_named(name: str, folder: Path, ending: str, text: str) -> str:
    """A file whose name holds as much of a name as a file system takes."""
    bare = name.replace("/", "_").replace("\0", "_").encode("utf-8", "surrogatepass")[:120].decode("utf-8", "ignore")
    place = folder / f"{bare}{ending}"
    try:
        place.write_text(text, encoding="utf-8")
    except (OSError, ValueError):
        place = folder / f"plain{ending}"
        place.write_text(text, encoding="utf-8")
    return str(place)


def half_pair(folder: Path) -> str:
    place = os.fsencode(folder) + b"/a\xffb.csv"
    Path(os.fsdecode(place)).write_text("time_s,axis,detents,gain_mm\n0,X,1,0.1\n1,X,2,0.1\n")
    return os.fsdecode(place)


def _machine_text(name: str) -> str:
    spoken = json.dumps(name) if not any(0xD800 <= ord(sign) < 0xE000 for sign in name) else '"x"'
    spoken = re.sub(r"\\ud[89ab]..\\ud[c-f]..", lambda found: json.loads(f'"{found.group()}"'), spoken)
    return f'name = {spoken}\n[[axis]]\nname = {spoken}\nsteps = "80 per mm"\ntop_speed = "6000 mm/min"\nfinest = "0.02 mm"\n'


def _log_text(name: str) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["time_s", "axis", "detents", "gain_mm", "person"])
    writer.writerows([n / 10, (name[:150], "X")[n % 2], 1, 0.1, name[:150]] for n in range(20))
    return stream.getvalue().encode("utf-8", "replace").decode()


def commands(name: str, folder: Path) -> Iterator[list[str]]:
    log, machine = file_named(name, folder, ".csv", _log_text(name)), file_named(name, folder, ".toml", _machine_text(name))
    yield ["read", log]
    yield ["read", log, "--why", "--table"]
    yield ["suggest", f"{machine}.none"]
    yield ["suggest", name or "x", "--rungs", name]
    yield ["export", machine, "--legend", f"{machine}.none"]
    yield ["new", file_named(name, folder, ".new", "")]
    yield ["measure", log, "--machine", str(MACHINES / "inlay_router.toml")]
    yield ["export", machine, "--ladder", name]
    yield [name]


PLAIN = (
    ["suggest", "M", "--ladder", "0.02,0.1,0.5,2,8"], ["suggest", "M", "--ladder", "0.02,0.1,0.5,2,8", "--why", "--table", "--cautions"],
    ["measure", "L", "--machine", "M"], ["measure", "L", "--machine", "M", "--why", "--table", "--cautions"], ["read", "L", "--why", "--table"],
    ["compare", "M", "--ladder", "0.02,0.2,2", "--ladder", "0.01,0.1,1,5", "--log", "L"], ["measure", "--script", "--machine", "M"],
    ["compare", "M", "--ladder", "0.02,0.2,2", "--ladder", "0.01,0.1,1,5", "--table", "--why"], ["new", "--keys"], ["suggest", "--help"], ["--help"],
)  # fmt: skip


def _typed(arguments: list[str]) -> list[str]:
    return [{"M": str(MACHINES / "inlay_router.toml"), "L": "datasets/logs/inlay_router_simulated.csv"}.get(word, word) for word in arguments]


@pytest.mark.heavy
@pytest.mark.parametrize("encoding", ENCODINGS)
def test_every_hostile_name_on_every_terminal(encoding: str, tmp_path: Path) -> None:
    tried, fallen = 0, {}
    for n, (key, name) in enumerate(HOSTILE.items()):
        (tmp_path / str(n)).mkdir()
        for command in commands(name, tmp_path / str(n)):
            tried += 1
            if why := outcome(run, encoding, 40, *command):
                fallen[f"{key} {command[0]}"] = f"{[word[:20] for word in command]} {why}"
    print(f"\n{encoding}: {tried} tried, {len(fallen)} fallen", *fallen.items(), sep="\n    ")
    assert not fallen


@pytest.mark.heavy
@pytest.mark.parametrize("wide", [20, 40, 80, 120, None])
def test_every_answer_on_every_terminal(wide: int | None) -> None:
    fallen = {}
    for encoding in ENCODINGS:
        for n, command in enumerate(PLAIN):
            if why := outcome(run, encoding, wide, *_typed(command)):
                fallen[encoding, n] = f"{command} {why}"
    print(f"\n{wide} columns: {len(PLAIN) * len(ENCODINGS)} tried, {len(fallen)} fallen", *fallen.items(), sep="\n    ")
    assert not fallen


# ------------------------------------------------------------ in the ordinary suite: a few of all

_RANDOM = random.Random(6)
_FEW = _RANDOM.sample(sorted(SHORT), 1)
_QUICK = ("told", "fault", "ladder.csv", "readings", "checks", "turning", "causes", "ladder chart")


@pytest.mark.parametrize("key", ["underscore", "colour", *_FEW])
def test_a_hostile_name_on_quick_surfaces(key: str, tmp_path: Path) -> None:
    tried = {name: outcome(SURFACES[name], HOSTILE[key]) for name in _QUICK}
    for name, check in FILES.items():
        (tmp_path / name).mkdir()
        tried[name] = outcome(check, HOSTILE[key], tmp_path / name)
    assert {name: why for name, why in tried.items() if why} == {}


@pytest.mark.parametrize("encoding", ENCODINGS)
def test_a_narrow_terminal_of_any_encoding(encoding: str, tmp_path: Path) -> None:
    for key in ("colour", "CJK", "half pair", _FEW[0]):
        for command in list(commands(HOSTILE[key], tmp_path))[:6]:
            run(encoding, 40, *command)
    run(encoding, 40, "new", "--keys")
    table = run(encoding, 40, "read", "datasets/logs/inlay_router_simulated.csv", "--table")
    assert "line: 1\n" in table, "stacked, as it is too wide"


def test_json_means_the_same_where_signs_are_few() -> None:
    told = [json.loads(run(encoding, 40, "read", "datasets/logs/inlay_router_simulated.csv", "--json")) for encoding in ENCODINGS]
    assert all(one == told[0] for one in told)


def test_only_one_place_prints() -> None:
    """And pictures name what comes from outside by `named` alone."""
    package = Path("jogtune")
    texts = {path.relative_to(package).as_posix(): path.read_text(encoding="utf-8") for path in package.rglob("*.py")}
    prints = {name for name, text in texts.items() if re.search(r"(?<![\w.])(?<!>>> )print\(|sys\.std(out|err)\.write", text)}
    assert prints == {"signs.py", "__main__.py"}  # the latter its last line where it is stopped
    assert [name for name, text in texts.items() if "csv.writer(" in text] == ["signs.py"]
    bare = re.compile(r"(set_title|suptitle|label=|\.text\(|xlabel=|ylabel=).*\{(?!named)[\w.]*\b(name|source|person)\}")
    assert [name for name, text in texts.items() if name.startswith("charts/") and bare.search(text)] == []
