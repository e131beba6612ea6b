"""Damaged logs: whatever happens to a file, no traceback, no hang, and rows in = rows out + rows listed.

The mutation fuzzer works on the samples; a few hundred damaged logs in the ordinary run, 5,000 with `-m heavy`.
Whatever it found is a test with a name at the end.
"""

from __future__ import annotations

import csv
import gzip
import json
import random
import time
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from jogtune.cli.main import main
from jogtune.files import InputFault
from jogtune.logs.clock import _ClockReader
from jogtune.logs.log import Log
from jogtune.logs.map import LogMap, _Clock, _Counter, _Label, _Position, _RungColumn
from jogtune.logs.map_file import read_map
from jogtune.logs.read import iter_log, read_log, write_log
from jogtune.words.log_notes import told
from jogtune.words.logs import _log_json

LOGS = Path(__file__).parents[2] / "datasets" / "logs"
LONGEST_S = 5.0


def raw_log(seed: int) -> bytes:
    """A log as a device prints it: µs clock of 32 bits, count of 16 bits, chatter now and then."""
    rng = random.Random(seed)
    lines, count = ["us;count;axis;pos"], 65_500
    for i in range(150):
        count += rng.randint(-2, 4)
        lines.append(f"{(4_294_000_000 + 40_000 * i) % 2**32};{count % 65536};{'XYZ'[i // 40 % 3]};{count / 80:.3f}")
    return ("\r\n".join(lines) + "\r\n").encode()


MAPS: dict[str, LogMap | None] = {
    "tidy": None,
    "guess": None,
    "raw": LogMap(
        time=_Clock(column="us", unit="us", wraps_at=1 << 32), axis=_Label(column="axis"),
        knob=_Counter(columns=(("", "count"),), wraps_at=1 << 16, counts_per_detent=4),
        position=_Position(columns=(("", "pos"),), kind="counted"),
    ),
    "numbers": LogMap(
        time=_Clock(column=1, unit="us"), knob=_Counter(columns=(("", 2),), kind="increments"),
        rung=_RungColumn(column=4, means="gain"),
    ),
    "per axis": LogMap(
        time=_Clock(column=1, unit="us", kind="since_last"), knob=_Counter(columns=(("X", 2), ("Y", 4)), wraps_at=256),
    ),
}  # fmt: skip


def samples() -> dict[str, bytes]:
    simulated = (LOGS / "inlay_router_simulated.csv").read_bytes().split(b"\n")
    return {
        "tidy": b"\n".join(simulated[:200]) + b"\n",
        "encoder trace": b"\n".join((LOGS / "encoder_trace.ssv").read_bytes().split(b"\n")[:150]) + b"\n",
        "raw": raw_log(1),
        "packed": gzip.compress(raw_log(2)),
    }


SAMPLES = samples()
PIECES = [
    b"\0", b"\xff", b'"', b",", b";", b"\n", b"\r", b"\r\n\r\n", b"nan", b"inf", b"-", b"1e308", b"9" * 30, b"\xef\xbb\xbf",
    b"\xff\xfe", b"#", b"'", b"\t", b" ", b"0x1f", b"1_000", b"\xc3\x28", b"True", b"\x1b[2J", b"=1+1", b"\x1f", b"\x1a",
    b"-0", b".", b"99999999999", b"4294967295", b"1,5", b"\xc2\xa0", "٣".encode(), b"PAR1", b"\x1f\x8b",
]  # fmt: skip


def flip(rng: random.Random, data: bytearray) -> None:
    for _ in range(rng.choice([1, 3, 30])):
        data[rng.randrange(len(data))] = rng.randrange(256)


def insert(rng: random.Random, data: bytearray) -> None:
    for _ in range(rng.choice([1, 5, 40])):
        place = rng.randrange(len(data) + 1)
        data[place:place] = rng.choice(PIECES)


def cut(rng: random.Random, data: bytearray) -> None:
    start = rng.randrange(len(data))
    del data[start : start + rng.choice([1, 7, 100, 5000])]


def cut_end(rng: random.Random, data: bytearray) -> None:
    del data[rng.randrange(len(data)) :]


def copy_within(rng: random.Random, data: bytearray) -> None:
    start, place = rng.randrange(len(data)), rng.randrange(len(data))
    data[place:place] = data[start : start + rng.choice([10, 200, 3000])] * rng.choice([1, 2])


def swap_lines(rng: random.Random, data: bytearray) -> None:
    lines = bytes(data).split(b"\n")
    for _ in range(rng.choice([1, 10])):
        i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
        lines[i], lines[j] = lines[j], lines[i]
    data[:] = b"\n".join(lines)


def replace_everywhere(rng: random.Random, data: bytearray) -> None:
    data[:] = bytes(data).replace(rng.choice([b",", b";", b"\n", b".", b"0", b"-", b" "]), rng.choice([*PIECES, b""]))


def replace_cell(rng: random.Random, data: bytearray) -> None:
    mark = b";" if b";" in data else b"," if b"," in data else b" "
    lines = bytes(data).split(b"\n")
    for _ in range(rng.choice([1, 5, 50])):
        i = rng.randrange(len(lines))
        cells = lines[i].split(mark)
        cells[rng.randrange(len(cells))] = rng.choice([*PIECES, b"", str(rng.randrange(-(2**40), 2**40)).encode()])
        lines[i] = mark.join(cells)
    data[:] = b"\n".join(lines)


def block_of_nul(rng: random.Random, data: bytearray) -> None:
    place = rng.randrange(len(data) + 1)
    data[place:place] = bytes(rng.choice([1, 512, 4096]))


DAMAGES: list[Callable[[random.Random, bytearray], None]] = [
    flip, insert, cut, cut_end, copy_within, swap_lines, replace_everywhere, replace_cell, block_of_nul,
]  # fmt: skip


def damaged(seed: int) -> tuple[str, bytes]:
    """A seeded damaged log: the name of its map and its bytes."""
    rng = random.Random(seed)
    sample = rng.choice(list(SAMPLES))
    data = bytearray(SAMPLES[sample])
    for _ in range(rng.choice([1, 1, 2, 4])):
        if data:
            rng.choice(DAMAGES)(rng, data)
    if sample != "packed" and rng.random() < 0.1:
        data = bytearray(gzip.compress(bytes(data)))
    own = {"tidy": "tidy", "encoder trace": "guess", "raw": "raw", "packed": "raw"}[sample]
    return (own if rng.random() < 0.85 else rng.choice(list(MAPS))), bytes(data)


def check(place: Path, name: str, data: bytes) -> Log | None:
    """Read it and hold it to what must be true; None where the whole file is refused."""
    place.write_bytes(data)
    start = time.process_time()
    try:
        log = read_log(place, columns=MAPS[name])
    except InputFault as fault:
        assert fault.faults
        assert str(place) in str(fault)
        return None
    finally:
        assert time.process_time() - start < LONGEST_S
    hold(log)
    return log


def hold(log: Log) -> None:
    assert log.left_out == len({note.where.line for note in log.noticed}) == len(told(log.noticed))
    rows = log.rows
    assert len(rows) >= log.rows_out
    assert (np.diff(rows["time_s"]) >= 0).all() if len(rows) else True
    assert np.isfinite(rows["time_s"]).all()
    assert rows["detents"].dtype == np.int64
    assert (rows["axis"].str.len() > 0).all() if len(rows) else True
    step = rows["gain_mm"] if "gain_mm" in rows else rows["rung"]
    assert (step > 0).all()
    json.dumps(_log_json(log))


def lines_that_count(data: bytes) -> int:
    """An independent count for an unpacked text log without a pattern: lines that hold something and are no comment."""
    text = data.removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return sum(1 for line in text.split(b"\n") if line.decode("latin-1").strip() and not line.startswith(b"#"))


def run(folder: Path, seeds: range) -> tuple[int, int]:
    read = refused = 0
    for seed in seeds:
        name, data = damaged(seed)
        log = check(folder / "log.csv", name, data)
        read, refused = read + (log is not None), refused + (log is None)
    return read, refused


@pytest.mark.parametrize("hundred", range(4))
def test_damaged_logs_are_read_or_refused_in_words(tmp_path: Path, hundred: int) -> None:
    read, refused = run(tmp_path, range(100 * hundred, 100 * hundred + 100))
    assert read + refused == 100
    assert read > 40


def test_damaged_lines_of_names_and_values_are_read_or_refused_in_words(tmp_path: Path) -> None:
    sample = "".join(f"T={40 * i} C={7 * i % 300} A=X R={1 + i // 60}\n" for i in range(120)).encode()
    read = 0
    for seed in range(100):
        rng, data = random.Random(seed), bytearray(sample)
        rng.choice(DAMAGES)(rng, data)
        log = check(tmp_path / "log.csv", "guess", bytes(data))
        if log is not None and log.map is not None and log.map.pairs:
            read += 1
            assert log.rows_in == lines_that_count(bytes(data))
    assert read > 40


@pytest.mark.heavy
@pytest.mark.parametrize("thousand", range(5))
def test_5000_damaged_logs_are_read_or_refused_in_words(tmp_path: Path, thousand: int) -> None:
    read, refused = run(tmp_path, range(10_000 + 1000 * thousand, 11_000 + 1000 * thousand))
    print(f"{read} read, {refused} refused in words")
    assert read > 400


CELLS = st.one_of(
    st.integers(-(2**70), 2**70).map(str),
    st.floats().map(repr),
    st.text(max_size=8),
    st.sampled_from(["", "X", "0.1", "'"]),
)
HEADER = "time_s,axis,detents,gain_mm,position_mm,marker"


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.lists(CELLS, min_size=0, max_size=8), max_size=12))
def test_any_cells_under_a_tidy_header(tmp_path: Path, rows: list[list[str]]) -> None:
    text = "\n".join([HEADER, *(",".join(row) for row in rows)]) + "\n"
    data = text.encode("utf-8", "surrogatepass")
    log = check(tmp_path / "log.csv", "tidy", data)
    if log is not None and b"\n" + HEADER.encode() not in data[1:]:
        assert log.rows_in == lines_that_count(data) - 1


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=300), name=st.sampled_from(list(MAPS)))
def test_any_bytes_at_all(tmp_path: Path, data: bytes, name: str) -> None:
    check(tmp_path / "log.csv", name, data)


NUMBERS = st.one_of(st.integers(-5, 5), st.integers(-70_000, 70_000), st.integers(0, 2**32))


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.tuples(NUMBERS, NUMBERS), min_size=1, max_size=60), name=st.sampled_from(["guess", "numbers"]))
def test_any_clock_and_any_count(tmp_path: Path, rows: list[tuple[int, int]], name: str) -> None:
    text = "".join(f"{t},{c},X,0.1\n" for t, c in rows)
    log = check(tmp_path / "log.csv", name, text.encode())
    if log is not None and not log.guessed:
        assert log.rows_in == len(rows)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10**6), block_bytes=st.integers(300, 5000))
def test_damaged_logs_read_the_same_in_blocks_of_any_size(tmp_path: Path, seed: int, block_bytes: int) -> None:
    name, data = damaged(seed)
    place = tmp_path / "log.csv"
    place.write_bytes(data)
    try:
        whole = read_log(place, columns=MAPS["raw"] if name == "guess" else MAPS[name])
    except InputFault:
        return
    parts = list(iter_log(place, columns=whole.map, block_bytes=block_bytes))
    for part in parts:
        assert part.left_out == len(told(part.noticed))
    assert sum(part.rows_out for part in parts) == whole.rows_out
    assert [note for part in parts for note in part.noticed] == list(whole.noticed)
    detents = [n for part in parts for n in (part.rows["detents"] if len(part.rows) else [])]
    assert detents == whole.rows["detents"].tolist()


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(0, 10**6))
@example(seed=10)  # labels that begin with = and -
@example(seed=3099)  # a first time below zero
def test_what_was_read_is_written_and_reads_back(tmp_path: Path, seed: int) -> None:
    name, data = damaged(seed)
    log = check(tmp_path / "log.csv", name, data)
    if log is None or not len(log.rows):
        return
    place = write_log(log, tmp_path / "again.csv", overwrite=True)
    again = read_log(place)
    assert len(again.rows) + again.left_out == len(log.rows)
    assert again.rows["detents"].sum() <= log.rows["detents"].sum() or again.left_out
    for row in csv.reader(line for line in place.open(encoding="utf-8") if not line.startswith("#")):
        for cell in row:
            assert not cell.startswith(("=", "+", "@"))
            assert not cell.startswith("-") or float(cell) <= 0, "a number may be negative, a formula is none"


@pytest.mark.parametrize("seed", range(20))
def test_the_command_never_shows_a_traceback(tmp_path: Path, seed: int) -> None:
    _, data = damaged(seed)
    (tmp_path / "log.csv").write_bytes(data)
    out, err = StringIO(), StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main(["read", str(tmp_path / "log.csv"), "--json"])
    assert code in (0, 2)
    if code == 0:
        found = json.loads(out.getvalue())
        assert found["rows_in"] == found["rows_out"] + len(found["noticed"])
        assert set(found["noticed"][0]) == {"line", "what", "done"} if found["noticed"] else True
    else:
        assert str(tmp_path / "log.csv") in err.getvalue()


def test_damaged_maps_are_refused_in_words(tmp_path: Path) -> None:
    sample = (LOGS / "pointing_trials.map.toml").read_bytes()
    place = tmp_path / "a.toml"
    for seed in range(150):
        rng = random.Random(seed)
        data = bytearray(sample)
        rng.choice([flip, insert, cut, cut_end, replace_everywhere, swap_lines])(rng, data)
        place.write_bytes(bytes(data))
        try:
            read_map(place)
        except InputFault as fault:
            assert str(place) in str(fault)


# ------------------------------------------------------------------ what the fuzzer found


def test_a_decimal_comma_among_points_does_not_stop_the_guess(tmp_path: Path) -> None:
    text = "0.00;1;2\n0.04;2;2\n0.08;3;2\n0.12;4;45810,70\n0.16;5;2\n0.20;6;2\n"
    log = check(tmp_path / "log.csv", "guess", text.encode())
    assert log is not None
    assert (log.rows_out, log.left_out) == (5, 1)


def test_numbers_beyond_any_clock_do_not_upset_the_guess(tmp_path: Path) -> None:
    text = "".join(f"{40 * i},{i if i % 15 else 10**300},X\n" for i in range(1, 40))
    log = check(tmp_path / "log.csv", "guess", text.encode())
    assert log is not None
    assert log.left_out == 2


def test_the_head_is_read_whole_whatever_the_size_of_the_blocks(tmp_path: Path) -> None:
    place = tmp_path / "log.csv"
    place.write_text(
        "# simulated: yes\n# seed: 20\n\n# licence: " + "x" * 500 + "\ntime_s,axis,detents,rung\n0,X,1,1\n1,X,1,1\n"
    )
    parts = list(iter_log(place, block_bytes=50))
    assert sum(part.rows_out for part in parts) == 2
    assert all(part.simulated for part in parts)


def test_a_spoilt_byte_in_a_packed_log_costs_only_what_follows(tmp_path: Path) -> None:
    packed = bytearray(gzip.compress(raw_log(3) * 20, compresslevel=1))
    packed[-60] ^= 0xFF
    log = check(tmp_path / "log.csv", "raw", bytes(packed))
    assert log is not None
    assert log.rows_in > 100


def test_time_never_falls_by_rounding_after_a_reset() -> None:
    rng = np.random.default_rng(4)
    for before, raw in np.round(rng.uniform(3, 900, (3000, 2)), 2):
        raw = round(raw % (before - 2.5), 2)
        reader = _ClockReader(_Clock(column=1), keep_late=True)
        times = reader.read(np.array([before, before, raw, raw, raw + 0.01]), 5).time_s
        assert (np.diff(times) >= 0).all()
        assert times[-1] < before + 0.02
