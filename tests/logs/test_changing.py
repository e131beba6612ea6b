"""A log that changes while it is read: what grew is told, what changed otherwise is refused, by every way of reading."""

from __future__ import annotations

import gzip
import os
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from jogtune.files import InputFault
from jogtune.logs import read
from jogtune.logs.read import iter_log, read_log, tidy_file
from jogtune.machine.model import Machine
from jogtune.measure.measure import measure

HEAD = "time_s,axis,detents,gain_mm\n"
ROWS = "".join(f"{0.04 * n:.2f},X,{n % 3},0.1\n" for n in range(3000))
LATER = "".join(f"{200 + 0.04 * n:.2f},X,1,0.1\n" for n in range(3000))


def grow(place: Path) -> None:
    with place.open("a") as stream:
        stream.write(LATER)


def shrink(place: Path) -> None:
    os.truncate(place, place.stat().st_size // 2)


def replace(place: Path) -> None:
    place.with_name("new").write_text(HEAD + LATER)
    place.with_name("new").rename(place)


def rewrite_longer(place: Path) -> None:
    place.write_text(HEAD + LATER + ROWS)


def rewrite_within(place: Path) -> None:
    about = place.stat()
    with place.open("r+b") as stream:
        stream.seek(30_000)
        stream.write(b"9")
    os.utime(place, ns=(about.st_atime_ns, about.st_mtime_ns + 1))  # clocks of disks are coarse


CHANGES = [shrink, replace, rewrite_longer, rewrite_within, Path.unlink]
WAYS: dict[str, Callable[[Path, Machine], object]] = {
    "read": lambda place, machine: read_log(place).remarks,
    "parts": lambda place, machine: [note for part in iter_log(place, block_bytes=8192) for note in part.remarks],
    "tidied": lambda place, machine: tidy_file(place, place.with_name("tidy.csv")).remarks,
    "measured": lambda place, machine: measure(machine, place).count.doubts,
}


@pytest.fixture
def during(monkeypatch: pytest.MonkeyPatch) -> Callable[[Path, Callable[[Path], object]], None]:
    """Have a change happen once the first cells of a log have been read."""

    def begin(place: Path, change: Callable[[Path], object]) -> None:
        as_log, todo = read._as_log, [change]

        def once(*given: object, **named: object) -> object:
            if todo:
                todo.pop()(place)
            return as_log(*given, **named)  # type: ignore[arg-type]

        monkeypatch.setattr(read, "_as_log", once)

    return begin


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("change", [None, grow, *CHANGES], ids=lambda change: getattr(change, "__name__", "none"))
def test_a_log_that_changes_is_told(tmp_path: Path, router: Machine, during: Callable[..., None], change: Callable[[Path], object] | None, way: str) -> None:
    place = tmp_path / "log.csv"
    place.write_text(HEAD + ROWS)
    if change in (None, grow):
        during(place, change or (lambda place: None))
        kinds = [note.kind for note in WAYS[way](place, router)]  # type: ignore[attr-defined]
        assert kinds.count("grew") == (change is grow)
        return
    during(place, change)  # type: ignore[arg-type]
    with pytest.raises(InputFault, match=r"log\.csv: 1 fault\n  - changed while it was read: read it when it is finished"):
        WAYS[way](place, router)
    assert not (tmp_path / "tidy.csv").exists()


def test_at_once_packed_and_parquet_too(tmp_path: Path, during: Callable[..., None], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(read, "_WHOLE_FROM_BYTES", 1000)
    for name, write in {
        "log.csv": lambda place: place.write_text(HEAD + ROWS),
        "log.csv.gz": lambda place: place.write_bytes(gzip.compress((HEAD + ROWS).encode())),
        "log.parquet": lambda place: pd.DataFrame({"time_s": [0.0, 0.04], "axis": "X", "detents": 1, "gain_mm": 0.1}).to_parquet(place),
    }.items():
        write(tmp_path / name)  # type: ignore[no-untyped-call]
        during(tmp_path / name, shrink)
        monkeypatch.setattr("jogtune.logs.parquet._as_log", read._as_log)
        with pytest.raises(InputFault, match="changed while it was read"):
            read_log(tmp_path / name)
