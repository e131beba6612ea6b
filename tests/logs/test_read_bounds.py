"""Sources that would fill the memory or never end: one clear fault each, at once."""

from __future__ import annotations

import gzip
import os
import socket
import tracemalloc
import zlib
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest

from jogtune.files import InputFault, read_text
from jogtune.logs import lines, parquet
from jogtune.logs.map import LogMap, _Clock, _Counter, _Label
from jogtune.logs.map_file import read_map
from jogtune.logs.read import iter_log, read_log
from jogtune.machine.file import read_machine

BY_TICK = LogMap(time=_Clock(column="tick"), knob=_Counter(columns=(("", "tick"),)), axis=_Label(column="axis"), fits=Fraction(0))
TICKS = ("tick,axis\n" + "".join(f"{n},X\n" for n in range(20_000))).encode()


def peak_of(work: Callable[[], object]) -> int:
    """The most bytes that Python held for it."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("filling", [b"\0", b"\n", b"0.1,X,1,0.1\n"])
@pytest.mark.parametrize("opening", [b"", TICKS])
def test_a_packed_file_that_unpacks_to_far_too_much_is_refused(tmp_path: Path, opening: bytes, filling: bytes) -> None:
    place, packer = tmp_path / "a.csv.gz", zlib.compressobj(wbits=31)
    rest = filling * (2**20 // len(filling) + 1)
    place.write_bytes(packer.compress(opening) + b"".join(packer.compress(rest) for _ in range(70)) + packer.flush())

    def refused() -> None:
        with pytest.raises(InputFault, match="a.csv.gz: 1 fault\n.*unpacks to more than 64 MiB: see that it is a log"):
            next(iter_log(place, columns=BY_TICK))

    assert peak_of(refused) < 16 * 2**20


def test_a_packed_log_may_unpack_to_a_bound_and_to_a_multiple_of_its_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "a.csv.gz"
    place.write_bytes(gzip.compress(TICKS))
    times = len(TICKS) / place.stat().st_size
    assert 3 < times < 10  # an ordinary log is far below 200
    for harmless, most, many, fine in ((0, 2**30, 10, True), (0, 2**30, 2, False), (2**20, 2**30, 2, True), (2**20, 2**16, 10, False)):
        monkeypatch.setattr(lines, "_HARMLESS_BYTES", harmless)
        monkeypatch.setattr(lines, "_MOST_BYTES", most)
        monkeypatch.setattr(lines, "_MOST_TIMES", many)
        if fine:
            assert read_log(place, columns=BY_TICK).rows_out == 20_000
        else:
            with pytest.raises(InputFault, match="unpacks to more than"):
                read_log(place, columns=BY_TICK)


def test_parquet_has_a_bound_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    arrow, files = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    place, rows = tmp_path / "a.parquet", 1000
    files.write_table(arrow.table({"tick": range(rows), "axis": ["X"] * rows}), place)
    monkeypatch.setattr(parquet, "_MOST_BYTES", 8 * 2 * rows)
    assert read_log(place, columns=BY_TICK).rows_out == rows
    monkeypatch.setattr(parquet, "_MOST_BYTES", 8 * 2 * rows - 1)
    with pytest.raises(InputFault, match="a.parquet: 1 fault\n.*unpacks to more than"):
        read_log(place, columns=BY_TICK)


def test_lists_in_parquet_are_named(tmp_path: Path) -> None:
    arrow, files = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    parts = {"tick": [[1, 2]] * 9, "axis": [{"name": "X"}] * 9, "spare": [[1]] * 9}
    files.write_table(arrow.table(parts), tmp_path / "a.parquet")
    with pytest.raises(InputFault) as caught:
        read_log(tmp_path / "a.parquet", columns=BY_TICK)
    assert [fault.where for fault in caught.value.faults] == ["column 'tick'", "column 'axis'"]
    assert all("must hold one number or text a row" in fault for fault in caught.value.faults)
    files.write_table(arrow.table({**parts, "tick": range(9), "axis": ["X"] * 9}), tmp_path / "b.parquet")
    assert read_log(tmp_path / "b.parquet", columns=BY_TICK).rows_out == 9  # a list that nobody asked for does no harm


def test_a_long_text_in_every_row_of_parquet_is_held_once(tmp_path: Path) -> None:
    arrow, files = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    place, rows = tmp_path / "a.parquet", 300
    words = arrow.DictionaryArray.from_arrays(arrow.array([0] * rows, arrow.int32()), ["X" * 2**20])
    files.write_table(arrow.table({"tick": range(rows), "axis": words}), place, store_schema=False)
    pool = arrow.default_memory_pool()
    before = pool.max_memory()
    assert peak_of(lambda: read_log(place, columns=BY_TICK)) + pool.max_memory() - before < 64 * 2**20
    assert read_log(place, columns=BY_TICK).left_out == rows


def odd_places(folder: Path) -> list[tuple[Path, str]]:
    os.mkfifo(folder / "pipe")
    with socket.socket(socket.AF_UNIX) as opened:
        opened.bind(str(folder / "socket"))
    return [(folder, "is a folder"), (folder / "pipe", ""), (folder / "socket", ""), (Path("/dev/zero"), ""), (folder / "none", "can't be read")]


def test_what_never_ends_is_refused_wherever_a_file_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # a socket's name must be short
    for place, why in odd_places(Path()):
        with pytest.raises(InputFault, match=f": 1 fault\n.*{why or 'is not a regular file'}"):
            read_log(place)
        for read in (read_text, read_map, read_machine):
            with pytest.raises(InputFault, match=f": 1 fault\n.*{why or 'is a device, a pipe or larger than 4 MiB: name a file'}"):
                read(place)
    Path("large").touch()
    os.truncate("large", 2**22 + 1)
    with pytest.raises(InputFault, match="larger than 4 MiB"):
        read_text("large")
