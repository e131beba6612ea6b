"""Reading logs: whatever a logger left behind, into one tidy schema, with nothing lost unsaid.

Decisions that these tests hold:

- Rows left out and remarks are two tables. `noticed` has exactly one entry per row left out, so `rows_in == rows_out +
  len(noticed)` always holds. `remarks` holds what was noticed about rows that stayed and about the file (wraps, gaps,
  guesses, encoding). Where a log has a column per axis, rows are lines of the file; `tidy_rows` in the JSON counts tidy rows.
- Two readers, one result. A plain block goes to pandas at once. The count of delimiters, with pandas' refusal of long lines,
  proves that every line has exactly its cells. Lines that fail it are looked at one by one, and cells that are no numbers kept
  apart; a block with good rows among its odd lines is halved down to 64 KB, and only those pieces are cut line by line. Files of 5 MB to 2 GB are tried whole, so that pandas may use threads. A test holds blocks of any size
  to the same result.
- Late rows: with a running count they are left out (the next count holds their clicks); with increments they are kept at the
  time of the row above. A clock that goes back by under 2 s is late; further back is a wrap (declared, or 32 bit) or a reset.
- Questioned counts: steps of 32 detents or more at over 250 detents/s may be an undeclared wrap, a misread cell or a reset;
  over 5,000 detents/s is never believed. These limits are our choice.
- The line pattern knows only `*` and `?`, never a regular expression: a map can't hang the reader.
- Detents from counts are the running total rounded to the nearest detent, then differenced.
- Joining: the offset includes the time by which the axis follows; the two can't be told apart. Standard errors are HC3,
  because stretches on fine and coarse rungs scatter very differently.
- The encoder trace is zeroed by its recorder eight times. `jumps="turned"` (default) equals a plain unwrap; the shipped CSV
  uses `"zeroed"`.
- Recorder: each finished line is one `write` to the system, with fsync every second. Opening a port discards what it had
  buffered before.
"""

from __future__ import annotations

import gzip
import os
import re
import tomllib
from collections.abc import Iterable
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from jogtune.files import InputFault
from jogtune.logs.cells import _read_slowly
from jogtune.logs.log import Log
from jogtune.logs.map import LogMap, _Clock, _Counter, _Label, _Length, _Position, _RungColumn
from jogtune.logs.map_file import _FILE_KEYS, _TABLES, _parse_map, map_text, read_map
from jogtune.logs.read import iter_log, read_log, write_log
from jogtune.notes import Note
from jogtune.words.log_notes import told
from truths.encoder_trace import read_encoder_trace

ROOT = Path(__file__).parents[2]
LOGS = ROOT / "datasets" / "logs"
TRIALS = Path(os.environ.get("JOGTUNE_POINTING_TRIALS", ROOT.parent / "shared" / "reference" / "pointing_trials"))
HEAD = "time_s,axis,detents,gain_mm"


def write(folder: Path, text: str | bytes, name: str = "log.csv") -> Path:
    place = folder / name
    place.write_bytes(text.encode() if isinstance(text, str) else text)
    return place


def balanced(log: Log) -> Log:
    assert log.rows_in == log.rows_out + len({note.where.line for note in log.noticed})
    assert lines(log.noticed) == sorted(set(lines(log.noticed)))
    return log


def lines(notes: Iterable[Note]) -> list[int]:
    return [entry["line"] for entry in told(notes)]


def by_line(notes: Iterable[Note]) -> dict[int, str]:
    return {entry["line"]: entry["what"] for entry in told(notes)}


def whats(notes: Iterable[Note]) -> list[str]:
    return [entry["what"] for entry in told(notes)]


def dones(notes: Iterable[Note]) -> list[str]:
    return [entry["done"] for entry in told(notes)]


def knob_map(**knob: object) -> LogMap:
    return LogMap(
        time=_Clock(column=1, unit="ms"),
        knob=_Counter(columns=(("", 2),), **knob),
        delimiter=",",  # type: ignore[arg-type]
    )


def counted(folder: Path, counts: npt.ArrayLike, *, every_ms: int = 40, **knob: object) -> Log:
    lines = [f"{every_ms * i},{count}\n" for i, count in enumerate(np.asarray(counts))]
    return balanced(read_log(write(folder, "".join(lines)), columns=knob_map(**knob)))


# ------------------------------------------------------------------ the tidy schema


def test_tidy_csv_reads_back_what_was_written(tmp_path: Path) -> None:
    log = read_encoder_trace(LOGS / "encoder_trace.ssv", detents_per_turn=100)
    write_log(log, tmp_path / "a.csv")
    again = read_log(tmp_path / "a.csv")
    pd.testing.assert_frame_equal(again.rows, log.rows)
    assert again.header == log.header
    with pytest.raises(InputFault, match="exists and is not overwritten"):
        write_log(log, tmp_path / "a.csv")


@pytest.mark.parametrize("name", ["a.csv", "a.csv.gz", "a.parquet"])
def test_every_column_survives_a_round_trip(tmp_path: Path, name: str) -> None:
    rows = pd.DataFrame({
        "time_s": [0.0, 0.04, 0.08], "axis": ["X", "X", "Z"], "detents": [0, 3, -2], "gain_mm": [0.01, 0.1, 0.1],
        "position_mm": [0.0, 0.3, np.nan], "goal_mm": [1.0, 1.0, 1.0], "tolerance_mm": [0.1, 0.1, 0.1],
        "person": ["A", "=A", ""], "marker": ["", "'t", "-x"],
    })  # fmt: skip
    rows = rows.astype({name: "str" for name in ("axis", "person", "marker")})
    write_log(rows, tmp_path / name, notes={"simulated": "yes", "position": "measured", "seed": "7"})
    log = balanced(read_log(tmp_path / name))
    pd.testing.assert_frame_equal(log.rows, rows)
    assert (log.simulated, log.position_kind, log.header["seed"]) == (True, "measured", "7")


def test_labels_that_look_like_formulas_are_made_harmless_and_numbers_stay_numbers(tmp_path: Path) -> None:
    rows = pd.DataFrame({"time_s": [0.0], "axis": ["X"], "detents": [-3], "gain_mm": [0.1], "position_mm": [-1.5]})
    for label in ("=1+1", "+1", "-1", "@SUM(A1)", "=cmd|' /C calc'!A0"):
        write_log(rows.assign(person=label, marker="plain"), tmp_path / "a.csv", overwrite=True)
        cells = (tmp_path / "a.csv").read_text().splitlines()[1].split(",")
        assert cells[2] == "-3"
        assert float(cells[4]) == -1.5
        assert cells[5].strip('"').startswith("'")
        assert read_log(tmp_path / "a.csv").rows["person"].tolist() == [label]


def test_faults_of_columns_name_column_and_cure(tmp_path: Path) -> None:
    with pytest.raises(InputFault, match=r"no column map was given.*write a map such as this"):
        read_log(write(tmp_path, "a;b\nfoo;bar\nbaz;qux\n"))
    log = read_log(write(tmp_path, f"{HEAD},positon_mm\n0,X,1,0.1,3\n"))
    assert whats(log.remarks) == ["column 'positon_mm' is not in the tidy schema"]
    with pytest.raises(InputFault, match="line 1: not in the tidy schema .column positon_mm.: strict mode refuses"):
        read_log(tmp_path / "log.csv", strict=True)


def test_bad_cells_are_listed_by_line_and_strict_mode_refuses_them_all_at_once(tmp_path: Path) -> None:
    text = f"# seed: 3\n{HEAD},goal_mm\n0,X,1,0.1,\nnan,X,1,0.1,\n0.1,,1,0.1,\n0.2,X,1.5,0.1,2\n0.3,X,1,-0.1,inf\n0.4,X,1,0.1,4\n"
    log = balanced(read_log(write(tmp_path, text)))
    assert log.rows["time_s"].tolist() == [0.0, 0.4]
    assert by_line(log.noticed) == {
        4: "time = 'nan': must be a number",
        5: "axis is blank",
        6: "detents = 1.5: must be a whole number",
        7: "goal = 'inf': must be a number; gain = -0.1: must be above 0",
    }
    with pytest.raises(InputFault) as caught:
        read_log(tmp_path / "log.csv", strict=True)
    assert len(caught.value.faults) == 5  # line 7 has two
    assert "line 6: detents = 1.5: must be whole: strict mode refuses that" in str(caught.value)


# ------------------------------------------------------------------ delimiters, units, encodings


SPELLINGS = {
    "comma": (",", "."), "semicolon": (";", "."), "decimal comma": (";", ","), "tab": ("\t", "."),
    "blanks": ("   ", "."), "bar": ("|", "."), "comma and blank": (", ", "."),
}  # fmt: skip


@pytest.mark.parametrize(("delimiter", "decimal"), SPELLINGS.values(), ids=SPELLINGS)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_any_delimiter_and_decimal_mark_is_found(tmp_path: Path, delimiter: str, decimal: str, end: str) -> None:
    rows = [(0.0, 0), (0.04, 2), (0.08, 3), (0.12, 1)]
    lines = [delimiter.join(("t_s", "count", "gain"))]
    lines += [delimiter.join((f"{t:.3f}", str(c), "0.1")).replace(".", decimal) for t, c in rows]
    log = balanced(read_log(write(tmp_path, end.join(lines) + end)))
    assert log.guessed
    assert log.rows["time_s"].tolist() == [0.0, 0.04, 0.08, 0.12]
    assert log.rows["detents"].tolist() == [0, 2, 1, -2]
    assert log.rows["gain_mm"].tolist() == [0.1] * 4


@pytest.mark.parametrize(("unit", "tick"), [("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9), ("min", 60.0)])
def test_clock_units(tmp_path: Path, unit: str, tick: float) -> None:
    log_map = LogMap(time=_Clock(column=1, unit=unit), knob=_Counter(columns=(("", 2),)), delimiter=",")
    log = balanced(read_log(write(tmp_path, "0,0\n8,1\n16,3\n"), columns=log_map))
    assert log.rows["time_s"].to_numpy() == pytest.approx(np.array([0, 8, 16]) * tick, rel=1e-15)


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("um", 1e-3), ("in", 25.4), ("80 per mm", 1 / 80), ("12.5 um/step", 1 / 80), ("80 counts/mm", 1 / 80)])
def test_length_units(tmp_path: Path, unit: str, mm: float) -> None:
    toml = (
        f'[time]\ncolumn=1\n[knob]\ncolumn=2\nkind="increments"\n[position]\ncolumn=3\nunit="{unit}"\nis="measured"\n'
    )
    log = balanced(read_log(write(tmp_path, "0,0,0\n1,1,5\n2,1,-7\n"), columns=_parse_map(toml)))
    assert log.position_kind == "measured"
    assert log.rows["position_mm"].to_numpy() == pytest.approx(np.array([0, 5, -7]) * mm)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "utf-16"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    text = f"{HEAD},person\n0,X,1,0.1,Zoë\n1,X,2,0.1,Bo\n"
    log = balanced(read_log(write(tmp_path, text.encode(encoding))))
    assert log.rows["person"].tolist() == ["Zoë", "Bo"]
    assert ("read as Latin-1" in dones(log.remarks)) == (encoding == "latin-1")


def test_gzip_is_unpacked_and_a_torn_one_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    text = HEAD + "\n" + "".join(f"{i},X,{rng.integers(-3, 4)},0.1\n" for i in range(20_000))
    packed = gzip.compress(text.encode())
    assert balanced(read_log(write(tmp_path, packed, "a.csv.gz"))).rows_out == 20_000
    torn = balanced(read_log(write(tmp_path, packed[: len(packed) // 2], "b.csv.gz")))
    assert 5_000 < torn.rows_out < 15_000
    assert [note.kind for note in torn.remarks] == ["packing_damaged"]
    spoilt = bytearray(packed)
    spoilt[len(packed) // 2] ^= 0xFF
    assert balanced(read_log(write(tmp_path, bytes(spoilt), "d.csv.gz"))).rows_out > 5_000
    twice = balanced(read_log(write(tmp_path, packed + gzip.compress(b"20000,X,1,0.1\n"), "e.csv.gz"), strict=True))
    assert twice.rows_out == 20_001
    with pytest.raises(InputFault, match="can't be unpacked"):
        read_log(write(tmp_path, packed[:20], "c.csv.gz"))


def test_things_that_are_no_log_say_what_they_are(tmp_path: Path) -> None:
    with pytest.raises(InputFault, match="is empty"):
        read_log(write(tmp_path, b""))
    with pytest.raises(InputFault, match="is a folder"):
        read_log(tmp_path)
    with pytest.raises(InputFault, match="can't be read"):
        read_log(tmp_path / "none.csv")
    with pytest.raises(InputFault, match="zip archive"):
        read_log(write(tmp_path, b"PK\3\4" + bytes(40)))
    with pytest.raises(InputFault, match="NUL"):
        read_log(write(tmp_path, bytes(4000)))
    with pytest.raises(InputFault, match="no whole Parquet file"):
        read_log(write(tmp_path, b"PAR1" + bytes(400)))
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputFault, match="not a regular file"):
        read_log(tmp_path / "pipe")


def test_thousands_of_columns(tmp_path: Path) -> None:
    wide = 5000
    lines = [",".join(f"c{i}" for i in range(wide))] + [",".join([str(t)] * wide) for t in range(30)]
    log_map = LogMap(time=_Clock(column="c7", unit="ms"), knob=_Counter(columns=(("", 4321),)))
    log = balanced(read_log(write(tmp_path, "\n".join(lines) + "\n"), columns=log_map))
    assert log.rows["detents"].tolist() == [0] + [1] * 29


# ------------------------------------------------------------------ damage


def test_damaged_lines_are_listed_and_their_neighbours_kept(tmp_path: Path) -> None:
    text = (
        f'{HEAD}\n0,X,1,0.1\n1,X\n2,X,1,0.1,9,9\n\n3,X,1,0.1\n\0\0\0\n4,X,\0001,0.1\n5,"X,1,0.1\n'
        f"{HEAD}\n6,X,1,0.1\n7,X,1"
    )
    log = balanced(read_log(write(tmp_path, text)))
    assert log.rows["time_s"].tolist() == [0, 3, 6]
    assert by_line(log.noticed) == {
        3: "has 2 cells, not 4",
        4: "has 6 cells, not 4",
        7: "holds NUL bytes",
        8: "holds NUL bytes",
        9: "a quote is left open",
        12: "the last line is half written; has 3 cells, not 4",
    }
    assert "the column names again" in whats(log.remarks)


def test_a_last_line_without_its_end_is_kept_and_said(tmp_path: Path) -> None:
    log = balanced(read_log(write(tmp_path, f"{HEAD}\n0,X,1,0.1\n1,X,1,0.1")))
    assert log.rows_out == 2
    assert whats(log.remarks) == ["the last line has no line end"]


def test_quoted_cells_may_hold_the_delimiter(tmp_path: Path) -> None:
    log = balanced(read_log(write(tmp_path, f'{HEAD},marker\n0,X,1,0.1,"a, ""b"""\n1,"X",1,0.1,\n')))
    assert log.rows["marker"].tolist() == ['a, "b"', ""]


def test_an_endless_line_is_listed_and_reading_goes_on(tmp_path: Path) -> None:
    text = f"{HEAD}\n0,X,1,0.1\n".encode() + b"9" * 12_000_000 + b"\n2,X,1,0.1\n"
    log = balanced(read_log(write(tmp_path, text)))
    assert log.rows["time_s"].tolist() == [0, 2]
    assert lines(log.noticed) == [3]


def test_chatter_is_passed_over_by_the_shape_of_the_lines_that_count(tmp_path: Path) -> None:
    text = "boot v3\n[J],0,0\nok\n[J],40,2\n[J] half,\n[J],80,3\nerror: 7,8,9\n"
    log_map = LogMap(
        time=_Clock(column=2, unit="ms"), knob=_Counter(columns=(("", 3),)), lines="[J],*", delimiter=",", header=False
    )
    log = balanced(read_log(write(tmp_path, text), columns=log_map))
    assert log.rows["detents"].tolist() == [0, 2, 1]
    assert log.rows_in == 3
    assert whats(log.remarks) == ["4 lines of comment or chatter (1, 3, 5, 7)"]
    without = balanced(
        read_log(tmp_path / "log.csv", columns=LogMap(time=log_map.time, knob=log_map.knob, delimiter=","))
    )
    assert lines(without.noticed) == [1, 3, 5, 7]


def test_no_code_in_a_log_or_a_map_is_run(tmp_path: Path) -> None:
    flag = tmp_path / "flag"
    evil = f"__import__('pathlib').Path({str(flag)!r}).touch()"
    log = balanced(read_log(write(tmp_path, f'{HEAD},person\n0,X,1,0.1,"{evil}"\n{evil},X,1,0.1,A\n')))
    assert log.rows["person"].tolist() == [evil]
    with pytest.raises(InputFault):
        _parse_map(f'lines = "{evil}"\n[time]\ncolumn = "t"\nunit = "{evil}"\n')
    assert not flag.exists()


# ------------------------------------------------------------------ clocks


@pytest.mark.parametrize(("bits", "unit"), [(16, "ms"), (32, "ms"), (32, "us")])
def test_a_clock_that_wraps_is_unfolded(tmp_path: Path, bits: int, unit: str) -> None:
    step = 40 if unit == "ms" else 40_000
    start = (1 << bits) - 5 * step
    ticks = [(start + step * i) % (1 << bits) for i in range(4000)]
    log_map = LogMap(
        time=_Clock(column=1, unit=unit, wraps_at=1 << bits), knob=_Counter(columns=(("", 2),)), delimiter=","
    )
    text = "".join(f"{tick},{i}\n" for i, tick in enumerate(ticks))
    log = balanced(read_log(write(tmp_path, text), columns=log_map))
    assert log.rows_out == 4000
    assert np.diff(log.rows["time_s"]) == pytest.approx(0.04, abs=1e-9)


def test_a_32_bit_wrap_nobody_named_is_found_and_said(tmp_path: Path) -> None:
    text = "".join(f"{(2**32 - 90_000 + 40_000 * i) % 2**32},{i}\n" for i in range(8))
    log_map = LogMap(time=_Clock(column=1, unit="us"), knob=_Counter(columns=(("", 2),)), delimiter=",")
    log = balanced(read_log(write(tmp_path, text), columns=log_map))
    assert np.diff(log.rows["time_s"]) == pytest.approx(0.04)
    assert dones(log.remarks) == ["taken for a wrap at 32 bit; give wraps_at in the map to be sure"]


def test_a_reset_in_the_middle_starts_count_and_clock_afresh(tmp_path: Path) -> None:
    text = "".join(f"{100_000 + 40 * i},{1000 + i}\n" for i in range(20)) + "".join(
        f"{40 * i},{i}\n" for i in range(20)
    )
    log = balanced(read_log(write(tmp_path, text), columns=knob_map()))
    assert log.rows["detents"].sum() == 38
    assert lines(log.noticed) == [21]
    assert "clock and count start again at 0" in whats(log.noticed)[0]
    assert (np.diff(log.rows["time_s"]) > 0).all()
    assert log.rows["time_s"].iloc[-1] == pytest.approx(100.76 + 0.04 * 20)


def test_late_rows_lose_nothing(tmp_path: Path) -> None:
    text = "0,0\n40,1\n120,4\n80,2\n160,5\n"
    running = balanced(read_log(write(tmp_path, text), columns=knob_map()))
    assert running.rows["detents"].tolist() == [0, 1, 3, 1]
    assert lines(running.noticed) == [4]
    added = balanced(read_log(tmp_path / "log.csv", columns=knob_map(kind="increments")))
    assert added.rows["detents"].tolist() == [0, 1, 4, 2, 5]
    assert added.rows["time_s"].tolist() == [0, 0.04, 0.12, 0.12, 0.16]
    assert dones(added.remarks) == ["kept, at the time of that row"]


def test_a_clock_set_back_is_no_long_row_of_late_ones(tmp_path: Path) -> None:
    times = [*range(0, 2000, 40), *range(1000, 3000, 40)]
    text = "".join(f"{t},{i}\n" for i, t in enumerate(times))
    log = balanced(read_log(write(tmp_path, text), columns=knob_map()))
    assert log.rows_out == len(times)
    assert whats(log.remarks) == ["the clock starts again"]


def test_a_misread_time_is_left_out_alone(tmp_path: Path) -> None:
    text = "".join(f"{99999999 if i == 5 else 40 * i},{i}\n" for i in range(12))
    log = balanced(read_log(write(tmp_path, text), columns=knob_map()))
    assert lines(log.noticed) == [6]
    assert log.rows["detents"].sum() == 11
    assert log.rows["time_s"].iloc[-1] == pytest.approx(0.44)


def test_repeated_rows_are_left_out_and_missing_reports_are_told(tmp_path: Path) -> None:
    rows = [f"{40 * i},{i}\n" for i in range(100)]
    text = "".join([*rows[:30], rows[29], rows[29], *rows[30:60], *rows[70:]])
    log = balanced(read_log(write(tmp_path, text), columns=knob_map()))
    assert lines(log.noticed) == [31, 32]
    assert log.rows["detents"].sum() == 99
    assert whats(log.remarks) == ["0.44 s without a report: about 10 are missing"]


@pytest.mark.parametrize("kind", ["running", "increments"])
def test_a_log_of_changes_alone_has_rests_and_no_missing_reports(tmp_path: Path, kind: str) -> None:
    rng = np.random.default_rng(3)
    steps = rng.choice([-1, 1, 2], 300)
    times = 40 * np.cumsum(np.where(np.arange(300) % 12 == 11, rng.integers(10, 60, 300), rng.integers(1, 3, 300)))
    column = np.cumsum(steps) if kind == "running" else steps
    text = "".join(f"{time},{count}\n" for time, count in zip(times, column, strict=True))
    log = balanced(read_log(write(tmp_path, text), columns=knob_map(kind=kind)))
    assert log.rows_out == 300
    assert whats(log.remarks) == ["only changes are reported, as every row moves"]
    assert dones(log.remarks) == ["kept; a gap is a rest, not a loss"]
    parts = [part for block in (600, 1000) for part in iter_log(
        tmp_path / "log.csv", columns=knob_map(kind=kind), block_bytes=block) if len(part.remarks)]  # fmt: skip
    assert len(parts) == 2


def test_two_clicks_within_one_tick_of_a_coarse_clock_are_both_kept(tmp_path: Path) -> None:
    log_map = LogMap(time=_Clock(column=1, unit="s"), knob=_Counter(columns=(("", 2),), kind="increments"), delimiter=",")
    log = balanced(read_log(write(tmp_path, "0,1\n1,1\n1,1\n2,0\n2,0\n"), columns=log_map))
    assert log.rows["detents"].sum() == 3


def test_times_since_the_last_row_add_up(tmp_path: Path) -> None:
    log_map = LogMap(
        time=_Clock(column=1, unit="ms", kind="since_last"), knob=_Counter(columns=(("", 2),)), delimiter=","
    )
    log = balanced(read_log(write(tmp_path, "100,0\n100,1\n-5,2\n100,3\n"), columns=log_map))
    assert log.rows["time_s"].to_numpy() == pytest.approx([0.1, 0.2, 0.3])
    assert lines(log.noticed) == [3]


# ------------------------------------------------------------------ counters


@pytest.mark.parametrize("bits", [8, 16, 32])
@pytest.mark.parametrize("signed", [False, True])
def test_counters_that_wrap_agree_with_numpy(tmp_path: Path, bits: int, signed: bool) -> None:
    rng = np.random.default_rng(bits)
    true = np.cumsum(rng.integers(-20, 28, 3000)) + (1 << bits) - 300
    raw = true % (1 << bits)
    raw = np.where(raw >= 1 << (bits - 1), raw - (1 << bits), raw) if signed else raw
    log = counted(tmp_path, raw, wraps_at=1 << bits)
    assert log.rows["detents"].to_numpy().tolist() == np.diff(true, prepend=true[0]).tolist()
    unwrapped = np.unwrap(raw.astype(float), period=1 << bits)
    np.testing.assert_array_equal(np.cumsum(log.rows["detents"]), unwrapped - unwrapped[0])


@pytest.mark.parametrize("per_detent", [1, 2, 4, 8])
def test_counts_per_detent_never_add_up_wrong(tmp_path: Path, per_detent: int) -> None:
    rng = np.random.default_rng(per_detent)
    counts = np.cumsum(rng.integers(-3, 4, 2000))
    counts -= counts[0]
    for kind, column in (("running", counts), ("increments", np.diff(counts, prepend=0))):
        log = counted(tmp_path, column, counts_per_detent=per_detent, kind=kind)
        detents = np.cumsum(log.rows["detents"].to_numpy())
        np.testing.assert_array_equal(detents, np.floor(counts / per_detent + 0.5))


def test_a_knob_wired_the_other_way_round(tmp_path: Path) -> None:
    assert counted(tmp_path, [0, 1, 3], reversed=True).rows["detents"].tolist() == [0, -1, -2]


def test_a_wrap_nobody_named_is_found_and_said(tmp_path: Path) -> None:
    log = counted(tmp_path, [65530, 65533, 65535, 2, 4, 1, 65534])
    assert log.rows["detents"].tolist() == [0, 3, 2, 3, 2, -3, -3]
    assert len(log.remarks) == 2
    assert "taken for a wrap" in dones(log.remarks)[0]


def test_a_misread_count_is_left_out_alone(tmp_path: Path) -> None:
    log = counted(tmp_path, [0, 1, 2, 5003, 4, 5])
    assert whats(log.noticed) == ["the count jumps to 5003 and comes back"]
    assert log.rows["detents"].tolist() == [0, 1, 1, 2, 1]


def test_no_hand_turns_so_fast(tmp_path: Path) -> None:
    log = counted(tmp_path, [1, 2, 33333, 1], kind="increments")
    assert lines(log.noticed) == [3]
    assert log.rows["detents"].tolist() == [1, 2, 1]


def test_one_column_per_axis(tmp_path: Path) -> None:
    text = (
        "t,cx,cz,px,pz\n0,0,0,0,5\n40,2,0,0.2,5\n80,2,0,0.2,5\n120,2,-1,0.2,4.9\n160,3,-2,0.3,4.8\n200,3,-2,0.3,4.8\n"
    )
    log_map = LogMap(
        time=_Clock(column="t", unit="ms"), knob=_Counter(columns=(("X", "cx"), ("Z", "cz"))),
        position=_Position(columns=(("X", "px"), ("Z", "pz")), kind="counted"),
    )  # fmt: skip
    log = balanced(read_log(write(tmp_path, text), columns=log_map))
    assert log.rows_in == 6
    assert log.rows["axis"].tolist() == ["X", "X", "X", "Z", "X", "Z", "Z"]
    assert log.rows["detents"].tolist() == [0, 2, 0, -1, 1, -1, 0]
    assert log.rows["position_mm"].tolist() == [0, 0.2, 0.2, 4.9, 0.3, 4.8, 4.8]


def test_a_row_left_out_for_one_axis_loses_no_click_of_another(tmp_path: Path) -> None:
    text = "0,0,0\n40,1,1\n80,9000,3\n120,2,4\n"
    log_map = LogMap(time=_Clock(column=1, unit="ms"), knob=_Counter(columns=(("X", 2), ("Y", 3))), delimiter=",")
    log = balanced(read_log(write(tmp_path, text), columns=log_map))
    assert lines(log.noticed) == [3]
    assert log.rows.groupby("axis")["detents"].sum().to_dict() == {"X": 2, "Y": 4}


# ------------------------------------------------------------------ rungs and labels


def rungs(folder: Path, column: str, cells: list[object]) -> Log:
    text = "".join(f"{40 * i},{i},{cell}\n" for i, cell in enumerate(cells))
    toml = f'delimiter = ","\n[time]\ncolumn = 1\nunit = "ms"\n[knob]\ncolumn = 2\n[rung]\n{column}\n'
    return balanced(read_log(write(folder, text), columns=_parse_map(toml)))


def test_rungs_by_gain_multiplier_position_name_ladder_and_changes(tmp_path: Path) -> None:
    assert rungs(tmp_path, 'column=3\nunit="um"', [10, 100]).rows["gain_mm"].tolist() == [0.01, 0.1]
    multiplied = rungs(tmp_path, 'column=3\nmeans="multiplier"\nbase="0.001 in"', [1, 10])
    assert multiplied.rows["gain_mm"].to_numpy() == pytest.approx([0.0254, 0.254])
    assert rungs(tmp_path, 'column=3\nmeans="rung"\ncounts_from=0', [0, 2]).rows["rung"].tolist() == [1, 3]
    ladder = 'column=3\nmeans="rung"\nladder=["0.01 mm","0.1 mm"]'
    assert rungs(tmp_path, ladder, [2, 1]).rows["gain_mm"].tolist() == [0.1, 0.01]
    out = rungs(tmp_path, ladder, [2, 3, "x"])
    assert whats(out.noticed) == ["rung = 3: must be a whole number, 1 to 2", "rung = 'x': must be a number"]
    named = 'column=3\nnames={fine="0.01 mm", coarse="1 mm"}'
    found = rungs(tmp_path, named, ["fine", "coarse", "?"])
    assert found.rows["gain_mm"].tolist() == [0.01, 1.0]
    assert whats(found.noticed) == ["rung = '?': is not named in the map"]
    changed = rungs(tmp_path, 'changes=[{from="0 s", rung=1},{from="80 ms", rung=3}]', [0] * 4)
    assert changed.rows["rung"].tolist() == [1, 1, 3, 3]


def test_a_rung_column_of_positions_that_the_map_does_not_explain_is_questioned(tmp_path: Path) -> None:
    with pytest.raises(InputFault, match=r'looks like a position number: say means = "rung", counts_from = 0'):
        rungs(tmp_path, "column=3", [0, 1, 2, 2])
    assert rungs(tmp_path, 'column=3\nmeans="rung"\ncounts_from=0', [0, 1, 2, 2]).rows["rung"].tolist() == [1, 2, 3, 3]
    doubtful = rungs(tmp_path, "column=3", [1, 2, 3])
    assert doubtful.rows["gain_mm"].tolist() == [1, 2, 3]
    assert whats(doubtful.remarks) == ["[rung] column 3 holds 1, 2, 3, which looks like a position number"]
    assert not len(rungs(tmp_path, 'column=3\nmeans="gain"', [1, 2, 3]).remarks)
    assert not len(rungs(tmp_path, "column=3", [0.01, 0.1, 1]).remarks)
    late = rungs(tmp_path, "column=3", [0.1, 0.1, 0])
    assert whats(late.noticed) == [
        'gain = 0: must be above 0 (is it a position? then say means = "rung", counts_from = 0 in [rung])'
    ]
    assert rungs(tmp_path, 'column=3\nladder=["0.01 mm","0.1 mm"]', [2, 1]).rows["gain_mm"].tolist() == [0.1, 0.01]


def test_axis_names_are_translated_and_labels_cleaned(tmp_path: Path) -> None:
    log_map = LogMap(
        time=_Clock(column=1), knob=_Counter(columns=(("", 2),)), delimiter=";", header=False,
        axis=_Label(column=3, names=(("0", "X"), ("1", "Z"))), marker=_Label(column=4), person=_Label(always="A"),
    )  # fmt: skip
    log = balanced(read_log(write(tmp_path, "0;0;0; go \n1;1;1;\x1b[31mred\n"), columns=log_map))
    assert log.rows["axis"].tolist() == ["X", "Z"]
    assert log.rows["marker"].tolist() == ["go", "?[31mred"]
    assert log.rows["person"].tolist() == ["A", "A"]


# ------------------------------------------------------------------ maps


FULL_MAP = LogMap(
    time=_Clock(column="t µs", unit="us", wraps_at=1 << 32), axis=_Label(column=2, names=(("0", "X"),)),
    knob=_Counter(columns=(("X", "a"), ("Y", 'b "q"')), counts_per_detent=4, wraps_at=256, reversed=True),
    rung=_RungColumn(column="s", means="multiplier", mm=Fraction(127, 5000)),
    position=_Position(columns=(("", "p"),), mm=Fraction(1, 80), kind="counted"), goal=_Length(column="g"),
    tolerance=_Length(column="w", mm=Fraction(1, 1000)), person=_Label(always="A"), marker=_Label(column="m"),
    delimiter="\t", decimal=",", header=True, lines="J*", comment=";", simulated=True,
)  # fmt: skip


@pytest.mark.parametrize("log_map", [
    FULL_MAP,
    LogMap(time=_Clock(column=1), knob=_Counter(columns=(("", 2),)), rung=_RungColumn(always=Fraction(1, 3))),
    LogMap(time=_Clock(column=1), knob=_Counter(columns=(("", 2),)),
           rung=_RungColumn(changes=((0.0, Fraction(1, 80)), (2.5, Fraction(1, 10))))),
    LogMap(time=_Clock(column=1), knob=_Counter(columns=(("", 2),)),
           rung=_RungColumn(column=3, means="rung", ladder=(Fraction(1, 100), Fraction(1, 10)), counts_from=0)),
    LogMap(time=_Clock(column=1), knob=_Counter(columns=(("", 2),)), rung=_RungColumn(column=3, names=(("lo", 1), ("hi", 2)))),
])  # fmt: skip
def test_a_map_written_reads_back_the_same(log_map: LogMap) -> None:
    assert _parse_map(map_text(log_map)) == log_map
    assert _parse_map(map_text(log_map, explained=True)) == log_map


def test_an_explained_map_shows_every_key_with_an_example_that_can_be_read() -> None:
    fields = {"": _FILE_KEYS, **{name: keys for name, (_, keys) in _TABLES.items()}}
    text = map_text(LogMap(time=_Clock(column=1), knob=_Counter(columns=(("", 2),))), explained=True)
    for keys in fields.values():
        for key, field in keys.items():
            field.read(tomllib.loads(f"{key} = {field.example}", parse_float=Decimal)[key])
            assert re.search(rf"^(# )?{key} = ", text, re.MULTILINE)


@pytest.mark.parametrize(("line", "near"), [
    ("first = 0", None), ("xyzzy = 1", None), ('mean = "rung"', "means"), ("count_from = 0", "counts_from"),
])  # fmt: skip
def test_a_misspelt_key_names_all_keys_and_only_a_near_one(line: str, near: str | None) -> None:
    with pytest.raises(InputFault) as caught:
        _parse_map(f"[time]\ncolumn = 1\n[knob]\ncolumn = 2\n[rung]\ncolumn = 3\n{line}\n")
    (fault,) = caught.value.faults
    assert (f'did you mean "{near}"?' in fault) if near else ("did you mean" not in fault)
    assert "[rung] can have column, means, unit, base, counts_from, names, ladder, always, changes" in fault
    with pytest.raises(InputFault, match=r"a map can have delimiter, .*\[time\], \[knob\]"):
        _parse_map("xyzzy = 1\n[time]\ncolumn = 1\n[knob]\ncolumn = 2\n")


FAULTY_MAPS = {
    "": ["time: is missing", "knob: is missing"],
    "x = [": ["not valid TOML"],
    '[time]\ncolumn = "t"\nunit = "hours"\n[knob]\ncolumn = 2\n': ['time: unit = "hours": must be one of "s"'],
    '[time]\ncolumn = 0\n[knob]\ncolumn = true\n': ["time: column = 0", "knob: column = true"],
    '[time]\ncolum = 1\ncolumn = 1\n[knob]\ncolumn = 2\n': ['time: colum = 1: is not a known key: did you mean "column"?'],
    '[time]\ncolumn = 1\n[knob]\ncolumn = 2\nwraps_at = "9 bit"\ncounts_per_detent = 3\n': ["wraps_at", "counts_per_detent"],
    '[time]\ncolumn = 1\n[knob]\n': ["knob: needs either column"],
    '[time]\ncolumn = 1\n[knob]\ncolumn = 2\ncolumns = {X=1}\n': ["knob: needs either column"],
    '[time]\ncolumn = 1\n[knob]\ncolumn = 2\n[rung]\ncolumn = 3\nmeans = "multiplier"\n': ["rung: base: belongs to a multiplier"],
    '[time]\ncolumn = 1\n[knob]\ncolumn = 2\n[rung]\ncolumn = 3\nalways = 0.1\n': ["rung: always = 0.1", "rung: needs one of"],
    '[time]\ncolumn = 1\n[knob]\ncolumn = 2\n[rung]\nchanges = [{from = "2 s", rung = 1}, {from = "1 s", rung = 2}]\n': ["in order of time"],
    'delimiter = ","\ndecimal = ","\n[time]\ncolumn = 1\n[knob]\ncolumn = 2\n': ["can't be a comma where the delimiter is one"],
    'delimiter = "ab"\n[time]\ncolumn = 1\n[knob]\ncolumn = 2\n': ['delimiter = "ab": must be one character'],
    'time = 3\nknob = []\n': ["time = 3: must be a table", "knob = [...]: must be a table"],
    '[time]\ncolumn = 1\n[knob]\ncolumn = 2\n[axis]\ncolumn = 3\nalways = "X"\n': ["axis: needs either"],
    '[time]\ncolumn = 1\n[position]\ncolumn = 2\nunit = "furlong"\nis = "true"\n': ["position: unit", "position: is"],
    '[time]\ncolumn = 1\n[position]\ncolumn = 2\nunit = "0 per mm"\nis = "true"\n': ['unit = "0 per mm": must be one of mm', "position: is"],
}  # fmt: skip


@pytest.mark.parametrize("text", FAULTY_MAPS)
def test_a_faulty_map_names_every_key(text: str) -> None:
    with pytest.raises(InputFault) as caught:
        _parse_map(text)
    for part in FAULTY_MAPS[text]:
        assert any(part in fault for fault in caught.value.faults), caught.value.faults


def test_a_column_that_is_not_there_is_named_with_its_nearest(tmp_path: Path) -> None:
    place = write(tmp_path, "time,cnt\n0,1\n1,2\n")
    with pytest.raises(InputFault, match="column 'cnts': is not in the log: did you mean 'cnt'"):
        read_log(place, columns=LogMap(time=_Clock(column="time"), knob=_Counter(columns=(("", "cnts"),))))
    with pytest.raises(InputFault, match="column 7: the lines have only 2 cells"):
        read_log(place, columns=LogMap(time=_Clock(column=1), knob=_Counter(columns=(("", 7),))))
    twice = write(tmp_path, "t,c,c\n0,1,1\n")
    with pytest.raises(InputFault, match="column 'c': is there 2 times: give its number"):
        read_log(twice, columns=LogMap(time=_Clock(column="t"), knob=_Counter(columns=(("", "c"),))))


def test_a_map_beside_the_log_is_used_and_said(tmp_path: Path) -> None:
    place = write(tmp_path, "0,5\n1000,6\n")
    write(tmp_path, '[time]\ncolumn = 1\nunit = "us"\n[knob]\ncolumn = 2\n', "log.map.toml")
    log = balanced(read_log(place))
    assert log.rows["time_s"].tolist() == [0, 0.001]
    assert dones(log.remarks) == ["read by it"]
    assert not log.guessed


@pytest.mark.parametrize(("text", "detents", "last_s"), [
    ("t_ms,clicks\n0,1\n40,-2\n80,0\n", -1, 0.08),
    ("millis;encoder\n0;10\n40;12\n80;9\n", -1, 0.08),
    ("Time [us],Count,Axis\n0,5,X\n40000,6,Y\n80000,8,Y\n", 3, 0.08),
    ("0 100\n40 101\n80 99\n120 104\n", 4, 0.12),
    ("0.00 X 1 0.1\n0.04 X -1 0.1\n0.08 Y 1 1.0\n0.12 Y 1 1.0\n", 2, 0.12),
])  # fmt: skip
def test_a_guess_says_that_it_guessed(tmp_path: Path, text: str, detents: int, last_s: float) -> None:
    log = balanced(read_log(write(tmp_path, text, "log.txt")))
    assert log.guessed
    assert "read by a guessed map: check it" in dones(log.remarks)[0]
    assert log.rows["detents"].sum() == detents
    assert log.rows["time_s"].iloc[-1] == pytest.approx(last_s)
    assert log.map is not None
    again = read_log(tmp_path / "log.txt", columns=_parse_map(map_text(log.map)))
    pd.testing.assert_frame_equal(again.rows, log.rows)


def guessed(folder: Path, text: str) -> tuple[Log, LogMap]:
    log = balanced(read_log(write(folder, text, "log.txt")))
    assert log.guessed
    assert log.map is not None
    again = read_log(folder / "log.txt", columns=_parse_map(map_text(log.map, explained=True)))
    pd.testing.assert_frame_equal(again.rows, log.rows)
    return log, log.map


@pytest.mark.parametrize("per_detent", [2, 4, 8])
def test_a_count_that_only_moves_in_fours_is_taken_for_four_to_the_click(tmp_path: Path, per_detent: int) -> None:
    turned = np.cumsum(np.random.default_rng(per_detent).integers(-1, 4, 100))
    for rows, sure in ((100, True), (16, False), (5, None)):
        counts = turned[:rows] * per_detent + 3
        log, log_map = guessed(tmp_path, "".join(f"{40 * i};{count};X\n" for i, count in enumerate(counts)))
        kind = {True: ["changes_are_multiples"], False: ["changes_may_be_multiples"], None: []}[sure]
        noted = [(note.kind, note.figures) for note in log.remarks if "multiples" in note.kind]
        assert noted == [(k, {"columns": [2], "per_detent": per_detent}) for k in kind]
        assert log_map.knob is not None
        assert log_map.knob.counts_per_detent == (per_detent if sure else 1)
        assert log.rows["detents"].sum() * (1 if sure else 1 / per_detent) == turned[rows - 1] - turned[0]
    log, _ = guessed(tmp_path, "".join(f"{40 * i};{count};X\n" for i, count in enumerate(turned)))
    assert not any("multiples" in note.kind for note in log.remarks)


def test_multiples_of_more_than_eight_or_of_clicks_are_only_remarked_on(tmp_path: Path) -> None:
    turned = np.cumsum(np.random.default_rng(1).integers(-1, 4, 100))
    log, log_map = guessed(tmp_path, "".join(f"{400 * i};{12 * count};X\n" for i, count in enumerate(turned)))
    assert "every change of column 2 is a multiple of 4" in whats(log.remarks)
    assert log_map.knob == _Counter(columns=(("", 2),))
    steps = "t_ms;detents\n" + "".join(f"{40 * i};{4 * n}\n" for i, n in enumerate(np.diff(turned)))
    log, log_map = guessed(tmp_path, steps)
    assert "every change of column 'detents' is a multiple of 4" in whats(log.remarks)
    assert log_map.knob == _Counter(columns=(("", "detents"),), kind="increments")


def test_a_comment_that_names_the_columns_serves_the_guess_and_unused_columns_are_listed(tmp_path: Path) -> None:
    rows = "".join(f"{40 * i};{i % 7};X;{i // 10};{i / 10};9\n" for i in range(30))
    log, log_map = guessed(tmp_path, "# knob 3\n# ms;cnt;ax;rung;pos;spare\n" + rows)
    assert log_map.rung == _RungColumn(column=4, means="rung", counts_from=0)
    assert log_map.position == _Position(columns=(("", 5),))
    assert log_map.axis == _Label(column=3)
    assert log.rows["rung"].unique().tolist() == [1, 2, 3]
    assert "column 6 is not used by the guessed map" in whats(log.remarks)
    log, log_map = guessed(tmp_path, rows)
    assert log_map.rung == _RungColumn(column=4, means="rung", counts_from=0)
    assert "columns 5, 6 are not used by the guessed map" in whats(log.remarks)


@pytest.mark.parametrize(("delimiter", "mark", "end"), [(" ", "=", ""), (", ", "=", ""), (";", ":", ";")])
def test_lines_of_names_and_values_are_read(tmp_path: Path, delimiter: str, mark: str, end: str) -> None:
    cells = [("T", 12454 + 40 * i, "C", 100 + 3 * i, "A", "XZ"[i // 20], "R", 1 + i // 20) for i in range(40)]
    lines = [delimiter.join(f"{c[k]}{mark}{c[k + 1]}" for k in (0, 2, 4, 6)) + end for c in cells]
    lines[7:7] = ["boot", lines[6].replace("T", "t"), lines[6].split(delimiter)[0]]
    log, log_map = guessed(tmp_path, "\n".join(lines) + "\n")
    assert (log.rows_in, log.rows_out) == (43, 40)
    assert by_line(log.noticed) == {
        8: f"holds no NAME{mark}VALUE", 9: "time is blank", 10: "count is blank; axis is blank; rung is blank",
    }  # fmt: skip
    assert log.rows["detents"].sum() == 3 * 39
    assert log.rows["axis"].unique().tolist() == ["X", "Z"]
    assert log.rows["rung"].unique().tolist() == [1, 2]
    assert log_map.pairs == mark
    with pytest.raises(InputFault, match="column 'D': is not in the log"):
        read_log(tmp_path / "log.txt", columns=LogMap(
            time=_Clock(column="T"), knob=_Counter(columns=(("", "D"),)), pairs=mark))  # fmt: skip


SPOKEN = {
    "{t},enc={d:+d},sel={s}": (1, "enc", "sel"), "t={t} d={d:+d} s={s}": ("t", "d", "s"), "E{d:+d} S{s} T{t}": ("T", "E", "S"),
    "E{g:+d}S{s}T{t}": ("T", "E", "S"), "{t};E{d:+d};S{s}": (1, "E", "S"), "T{t} X{x} C{c} S{s}": ("T", "C", "S"),
}  # fmt: skip


@pytest.mark.parametrize(("form", "columns"), SPOKEN.items(), ids=SPOKEN)
def test_lines_of_letters_and_of_nameless_cells_are_guessed_and_their_map_reads_back(
    tmp_path: Path, form: str, columns: tuple[int | str, str, str]
) -> None:
    detents = np.random.default_rng(4).integers(-1, 4, 400)
    detents = np.arange(400) % 7 - 2 if "{g" in form else detents  # grows most of the time, and is no clock
    count = np.cumsum(detents)
    rows = [form.format(t=12345 + 40 * i, d=d, g=d, c=count[i], s=1 + i // 100, x=0.5 * i) for i, d in enumerate(detents)]
    log, log_map = guessed(tmp_path, "\n".join(rows) + "\n")
    assert (log.rows_in, log.rows_out) == (400, 400)
    assert (log_map.time.column, log_map.knob.columns[0][1], log_map.rung.column) == columns
    assert log.rows["detents"].sum() == (detents[1:] if "{c}" in form else detents).sum()
    assert (log_map.position is not None) == ("{x}" in form)
    again = read_log(tmp_path / "log.txt", columns=_parse_map(log.map_text()))
    assert _parse_map(log.map_text()) == log_map
    pd.testing.assert_frame_equal(again.rows, log.rows)


def test_letters_that_hold_positions_alone_are_a_position(tmp_path: Path) -> None:
    log, log_map = guessed(tmp_path, "".join(f"T{40 * i}X{12.5 + i / 4}Z-3\n" for i in range(60)))
    assert (log_map.knob, log_map.position) == (None, _Position(columns=(("", "X"),)))
    assert log.rows["position_mm"].iloc[-1] == 27.25
    assert "column 'Z' is not used by the guessed map" in " ".join(whats(log.remarks))


def test_what_is_counted_by_blocks_is_told_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [f"{i / 25:.2f},X,1,0.1" if i % 40 else f"{i / 25:.2f},X" for i in range(1, 4000)]
    rows[::50] = ["# note"] * 80
    place = write(tmp_path, "\n".join([HEAD, *rows, ""]))
    whole = read_log(place)
    monkeypatch.setattr("jogtune.logs.read._CACHED_BYTES", 4096)
    cut = read_log(place)
    told = {note.kind: note.figures["count"] for note in cut.remarks}
    assert (told, cut.unfit) == ({"chatter": 80}, cut.left_out)
    assert [(note.kind, note.figures["count"]) for note in whole.remarks] == [*told.items()]
    assert (cut.unfit, cut.noticed) == (whole.unfit, whole.noticed)
    assert cut.left_out > 90


@pytest.mark.parametrize("given", ["guessed", "beside", "given"])
def test_a_map_that_fits_too_few_rows_is_refused_with_two_of_the_others(tmp_path: Path, given: str) -> None:
    rows = [f"{40 * i},{i},X,0.1" if i < 400 or i % 5 else f"{40 * i},{i},0.1" for i in range(2000)]
    place = write(tmp_path, "\n".join([*rows, ""]))
    text = '[time]\ncolumn = 1\nunit = "ms"\n[knob]\ncolumn = 2\n[rung]\ncolumn = 4\nmeans = "gain"\n'
    own = write(tmp_path, text, "log.csv.map.toml" if given == "beside" else "own.toml")
    columns = own if given == "given" else None
    with pytest.raises(InputFault, match=r"its map fits only 1680 of 2000 rows \(line 401: '16000,400,0.1'; line 9\d\d: '.*mend the map") as caught:
        read_log(place, columns=columns)
    assert ("it was guessed" in str(caught.value)) == (given == "guessed")
    write(tmp_path, "fits = 0.8\n" + text, own.name)
    if given != "guessed":
        assert read_log(place, columns=columns).unfit == 320
    few = write(tmp_path, "\n".join([*rows[:790], ""]), "few.csv")
    assert read_log(few, columns=own).left_out == 78


@pytest.mark.parametrize("text", [
    "7;3;X\n8;3;X\n9;3;X\n", "a;b;c\nX;7;3\nX;8;3\nX;9;3\n", "X=foo U=5 C=3\nX=bar U=6 C=3\nX=baz U=7 C=3\n",
    "c;c;c\n7;3;X\n8;3;X\n9;3;X\n",
])  # fmt: skip
def test_the_map_shown_where_no_guess_was_possible_fits_those_lines(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputFault, match="write a map such as this") as caught:
        read_log(write(tmp_path, text))
    shown = caught.value.faults[0].partition("your own columns:\n")[2]
    log = balanced(read_log(tmp_path / "log.csv", columns=_parse_map(shown)))
    assert log.rows_out == 3
    with pytest.raises(InputFault, match=r"no delimiter in common.*T=12454 C=4 A=X"):
        read_log(write(tmp_path, "T1-C5\nT2-C5\nT3-C5\n"))


# ------------------------------------------------------------------ streams


def damaged_text(seed: int, rows: int = 4000) -> str:
    rng = np.random.default_rng(seed)
    count, lines = 0, []
    for i in range(rows):
        count += int(rng.integers(-2, 3))
        line = f"{(4_294_900_000 + 40_000 * i) % 2**32},{count % 256},{'XYZ'[i // 50 % 3]},{1 + i // 300 % 3}"
        if rng.random() < 0.03:
            line = rng.choice(
                [line[:-4], line + ",9", "chatter", "\0" + line, line.replace(",", ";"), f"{line}\n{line}"]
            )
        lines.append(line)
    return "us,count,axis,rung\n" + "\n".join(lines) + "\n"


DAMAGED_MAP = LogMap(
    time=_Clock(column="us", unit="us", wraps_at=1 << 32), knob=_Counter(columns=(("", "count"),), wraps_at=256),
    axis=_Label(column="axis"), rung=_RungColumn(column="rung", means="rung"),
)  # fmt: skip


@pytest.mark.parametrize("block_bytes", [64, 1000, 4096, 100_000])
def test_blocks_of_any_size_give_the_same_log(tmp_path: Path, block_bytes: int) -> None:
    place = write(tmp_path, damaged_text(1, 4000 if block_bytes > 64 else 400))
    whole = balanced(read_log(place, columns=DAMAGED_MAP))
    parts = [balanced(part) for part in iter_log(place, columns=DAMAGED_MAP, block_bytes=block_bytes)]
    assert len(parts) > 1 or block_bytes == 100_000
    pd.testing.assert_frame_equal(
        pd.concat([part.rows for part in parts if len(part.rows)], ignore_index=True), whole.rows
    )
    assert [note for part in parts for note in part.noticed] == list(whole.noticed)


def test_the_fast_and_the_careful_reader_agree(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    rows = "".join(f"{i / 25:.3f},{'XY'[i % 2]},{rng.integers(-9, 9)},0.1\n" for i in range(400_000))
    whole = balanced(read_log(write(tmp_path, f"{HEAD}\n{rows}")))
    assert (tmp_path / "log.csv").stat().st_size > 5 << 20
    careful = balanced(read_log(write(tmp_path, f'{HEAD}\n{rows}"', "b.csv")))
    pd.testing.assert_frame_equal(careful.rows, whole.rows)
    assert lines(careful.noticed) == [400_002]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", " "])
def test_good_rows_among_bad_ones_are_read_fast_and_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, delimiter: str) -> None:
    rng, damage = np.random.default_rng(9), ["{t},X", "{t},?,1,0.1,9", "{t},X,1x,0.1", "{t},,0x1,nan", "# note", "{t}.1.2,X,1,0.1", ""]
    rows = [f"{i / 25:.3f},{'XY'[i % 2]},{rng.integers(-9, 9)},0.1" for i in range(30_000)]
    for row in rng.integers(0, len(rows), 300).tolist():
        rows[row] = damage[row % len(damage)].format(t=f"{row / 25:.3f}")
    text = "\n".join([HEAD, *rows, ""])
    log_map = replace(read_log(write(tmp_path, f"{HEAD}\n0,X,1,0.1\n")).map, delimiter=delimiter)
    place = write(tmp_path, text.replace(",", delimiter))
    slowly: list[int] = []
    monkeypatch.setattr("jogtune.logs.read._read_slowly", lambda block, *a: slowly.append(len(block.text)) or _read_slowly(block, *a))
    mixed, few = read_log(place, columns=log_map), sum(slowly)
    monkeypatch.setattr("jogtune.logs.read._read_fast", lambda *a: None)
    careful = read_log(place, columns=log_map)
    pd.testing.assert_frame_equal(mixed.rows, careful.rows)
    assert mixed.noticed == careful.noticed
    assert len(mixed.noticed) > 200
    assert few < 70_000 < sum(slowly), "of the last block, which has no end"


# ------------------------------------------------------------------ recordings nobody here wrote


def turns(counts: npt.NDArray[np.float64], time_s: npt.NDArray[np.float64]) -> tuple[float, int, float]:
    steps = np.diff(counts)
    signs = np.sign(steps[steps != 0])
    return counts[-1] - counts[0], int((signs[1:] != signs[:-1]).sum()), float(np.max(np.abs(steps) / np.diff(time_s)))


def test_encoder_trace_agrees_with_a_plain_unwrap() -> None:
    """PyPI `ibllib` 4.1.0 test data (MIT): turns, changes of direction and peak rate as numpy has them."""
    raw = np.loadtxt(LOGS / "encoder_trace.ssv")
    expected = turns(np.unwrap(raw[:, 1], period=1024), raw[:, 0] / 1e6)
    log = balanced(read_encoder_trace(LOGS / "encoder_trace.ssv"))
    found = turns(np.cumsum(log.rows["detents"].to_numpy(dtype=float)), log.rows["time_s"].to_numpy())
    assert found == pytest.approx(expected)
    by_map = balanced(read_log(LOGS / "encoder_trace.ssv"))
    assert np.array_equal(by_map.rows["detents"], log.rows["detents"])


def test_encoder_trace_also_wraps(tmp_path: Path) -> None:
    """The same trace shifted so that it crosses ±512 says the same."""
    raw = np.loadtxt(LOGS / "encoder_trace.ssv", dtype=np.int64)
    shifted = (raw[:, 1] + 500 + 512) % 1024 - 512
    assert shifted.min() < -400 < 400 < shifted.max()
    text = "".join(f"{us} {count} \n" for us, count in zip(raw[:, 0], shifted, strict=True))
    log = read_encoder_trace(write(tmp_path, text, "a.ssv"))
    assert np.array_equal(log.rows["detents"], np.diff(raw[:, 1], prepend=raw[0, 1]))


def test_encoder_trace_without_the_recorders_own_zeroing() -> None:
    log = balanced(read_encoder_trace(LOGS / "encoder_trace.ssv", jumps="zeroed"))
    assert log.rows["detents"].abs().max() == 1
    assert lines(log.noticed) == [96, 311, 388, 455, 601, 867, 953, 1121]


def test_shipped_encoder_trace_says_what_it_is() -> None:
    log = balanced(read_log(LOGS / "encoder_trace.csv", strict=True))
    assert not log.simulated
    assert log.header["turned by"] == "an animal, not a person"
    made = read_encoder_trace(LOGS / "encoder_trace.ssv", detents_per_turn=100, jumps="zeroed")
    pd.testing.assert_frame_equal(log.rows, made.rows)
    assert log.header == made.header
    assert "MIT License" in (LOGS / "encoder_trace.LICENSE.txt").read_text()


@pytest.mark.skipif(
    not TRIALS.is_dir(), reason="the pointing trials are not part of the project: set JOGTUNE_POINTING_TRIALS"
)
def test_pointing_sessions_load_through_a_map_file_alone() -> None:
    """github gibic-leici/bmep-datasets, 2023, MIT: 12 sessions of 16 conditions with 15 trials each."""
    log_map = read_map(LOGS / "pointing_trials.map.toml")
    sessions = sorted(TRIALS.glob("*.txt"))
    assert len(sessions) == 12
    means = pd.read_csv(ROOT / "datasets" / "reference" / "pointing_condition_means.csv")
    for session in sessions:
        log = balanced(read_log(session, columns=log_map))
        assert (log.rows_in, log.rows_out) == (240, 240)
        raw = pd.read_csv(session, skiprows=3)
        assert log.rows["time_s"].iloc[-1] == pytest.approx(raw["MT(ms)"].sum() / 1000)
        hits = (log.rows["position_mm"] - log.rows["goal_mm"]).abs() <= log.rows["tolerance_mm"] / 2
        by_marker = log.rows.assign(mt=np.diff(log.rows["time_s"], prepend=0)).groupby("marker")["mt"].mean() * 1000
        expected = means[means["session"] == session.stem]["mean_MT_ms"]
        assert sorted(by_marker) == pytest.approx(sorted(expected), abs=0.006)
        assert 0.5 < hits.mean() <= 1


def test_parquet_of_any_columns_through_a_map(tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    raw = pd.DataFrame(
        {"us": [0, 40_000, 80_000, 80_000], "cnt": [250, 254, 3, 3], "ax": ["X", "X", None, "Z"], "spare": 1.5}
    )
    raw.to_parquet(tmp_path / "a.parquet")
    log_map = LogMap(
        time=_Clock(column="us", unit="us"),
        knob=_Counter(columns=(("", "cnt"),), wraps_at=256),
        axis=_Label(column="ax"),
    )
    log = balanced(read_log(tmp_path / "a.parquet", columns=log_map))
    assert log.rows["detents"].tolist() == [0, 4, 5]
    assert whats(log.noticed) == ["axis is blank"]
    with pytest.raises(InputFault, match="are not the tidy schema: give a map"):
        read_log(tmp_path / "a.parquet")
    with pytest.raises(InputFault, match="column 'count': is not in the log"):
        read_log(
            tmp_path / "a.parquet", columns=LogMap(time=_Clock(column="us"), knob=_Counter(columns=(("", "count"),)))
        )
