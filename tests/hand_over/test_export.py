"""export(): the kind from the name or given, every reason not to write said at once, nothing overwritten unasked."""

from dataclasses import replace
from pathlib import Path

import pytest

from jogtune.choose.suggest import Suggestion, suggest
from jogtune.files import InputFault
from jogtune.hand_over.export import KINDS, check_export, export, export_all
from jogtune.machine.file import read_machine

ROUTER = read_machine("datasets/machines/inlay_router.toml")
STARTS = {
    "header": b"/*", "example": b"/*", "moves": b"G21 (", "legend": b"%PDF-", "card": b"<?xml", "sheet": b"%PDF-", "readings": b"axis,",
    "commissioning": b"%PDF-", "checks": b"test,axis,",
    "markdown": b"# Ladder", "json": b"{", "csv": b"position,", "page": b"<!doctype html>", "knob": b"<!doctype html>",
}  # fmt: skip


@pytest.fixture(scope="module")
def answer() -> Suggestion:
    return suggest(ROUTER, by="coverage")


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_is_written_whole_and_never_over_a_file_unasked(kind: str, answer: Suggestion, tmp_path: Path) -> None:
    path = tmp_path / ("card.svg" if kind == "card" else f"file{(KINDS[kind].endings or ('.txt',))[-1]}")
    path.write_text("mine")
    for write in (lambda: check_export({kind: path}, ROUTER), lambda: export(answer, path, kind)):
        with pytest.raises(InputFault, match="not overwritten"):
            write()
    assert path.read_text() == "mine"
    assert export(answer, path, kind, overwrite=True) == path
    assert path.read_bytes().startswith(STARTS[kind])
    assert list(tmp_path.iterdir()) == [path]


def test_the_example_includes_the_header_written_beside_it(answer: Suggestion, tmp_path: Path) -> None:
    export_all(answer, {"header": tmp_path / "knob.h", "example": tmp_path / "main.c"})
    assert '\n#include "knob.h"\n' in (tmp_path / "main.c").read_text()
    assert '\n#include "ladder.h"\n' in export(answer, tmp_path / "other.c", "example").read_text()
    assert len((tmp_path / "main.c").read_text().splitlines()) <= 40


@pytest.mark.parametrize(("name", "kind"), [("a.h", "header"), ("a.json", "json"), ("a.csv", "csv"), ("a.md", "markdown"), ("a.HTML", "page")])
def test_the_ending_tells_the_kind(name: str, kind: str, answer: Suggestion, tmp_path: Path) -> None:
    assert export(answer, tmp_path / name).read_bytes().startswith(STARTS[kind])


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"legend": "legend.gif"}, r"legend\.gif: must end in \.svg or \.pdf: rename it"),
        ({"sheet": "sheet.svg"}, r"must end in \.pdf"),
        ({"json": "a.txt", "csv": "a.txt"}, "is named twice"),
        ({"knop": "a.txt"}, "kind = \"knop\": must be one of header, moves"),
        ({"header": 'a"b.h'}, "no #include can name it"), ({"header": "a\\b.h"}, "no #include can name it"),
        ({"header": ""}, "is empty"),
        ({"legend": "a.gif", "sheet": "b.gif"}, "2 faults"),
    ],
)
def test_every_reason_not_to_write_is_said_before_anything_is_drawn(asked: dict[str, str], words: str) -> None:
    with pytest.raises(InputFault, match=words):
        check_export(asked, ROUTER)


def test_an_svg_holds_the_card_of_three_axes(tmp_path: Path) -> None:
    four = replace(ROUTER, axes=tuple(replace(ROUTER.axes[0], name=f"U{n}") for n in range(4)))
    with pytest.raises(InputFault, match=r"4 axes take more: write a \.pdf"):
        check_export({"card": tmp_path / "card.svg"}, four)
    check_export({"card": tmp_path / "card.pdf"}, four)
    check_export({"card": tmp_path / "card.svg"}, ROUTER)


def test_one_that_cannot_be_made_and_none_is_written(tmp_path: Path) -> None:
    named = replace(ROUTER, axes=(replace(ROUTER.axes[0], name="table"), *ROUTER.axes[1:]))
    with pytest.raises(InputFault, match="no ISO 6983 letter"):
        export_all(suggest(named, by="coverage"), {"json": tmp_path / "a.json", "moves": tmp_path / "a.nc"})
    assert list(tmp_path.iterdir()) == []


def test_a_name_that_tells_no_kind_asks_for_one(answer: Suggestion, tmp_path: Path) -> None:
    with pytest.raises(InputFault, match="kind: is not told by this name: name one of header, moves"):
        export(answer, tmp_path / "ladder.pdf")
