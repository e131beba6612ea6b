"""A million rows read, checked and made tidy, against plain `pandas.read_csv` of the same file."""

from __future__ import annotations

import gc
import os
import time
import tracemalloc
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jogtune.logs.map import LogMap, _Clock, _Counter, _Label, _Position, _RungColumn
from jogtune.logs.read import iter_log, read_log

ROWS = 1_000_000
MOST, MOST_IN_A_CROWD = 2.0, 2.5  # which shares the caches that each has alone
DEVICE_MAP = LogMap(
    time=_Clock(column="us", unit="us", wraps_at=1 << 32), axis=_Label(column="axis"),
    knob=_Counter(columns=(("", "count"),), counts_per_detent=4, wraps_at=1 << 16),
    rung=_RungColumn(column="rung", means="rung", ladder=(Fraction(1, 100), Fraction(1, 10), Fraction(1))),
    position=_Position(columns=(("", "position"),), kind="counted"),
)  # fmt: skip


def turned() -> tuple[np.ndarray, np.ndarray, np.random.Generator]:
    rng = np.random.default_rng(1)
    return np.cumsum(rng.integers(38, 43, ROWS)), rng.integers(-2, 3, ROWS), rng


def write_tidy(place: Path) -> None:
    ms, detents, rng = turned()
    gain = rng.choice([0.01, 0.1, 1.0], ROWS)
    pd.DataFrame({
        "time_s": ms / 1000, "axis": rng.choice(["X", "Y", "Z"], ROWS), "detents": detents, "gain_mm": gain,
        "position_mm": np.round(np.cumsum(detents * gain), 3),
    }).to_csv(place, index=False)  # fmt: skip


def write_device(place: Path) -> None:
    """As a device prints it: µs that wrap at 32 bits, a count that wraps at 16, a rung by position."""
    ms, detents, rng = turned()
    pd.DataFrame({
        "us": ms * 1000 % (1 << 32), "count": np.cumsum(detents * 4) % (1 << 16), "axis": rng.choice(["X", "Y", "Z"], ROWS),
        "rung": rng.integers(1, 4, ROWS), "position": np.round(np.cumsum(detents * 0.1), 3),
    }).to_csv(place, index=False)  # fmt: skip


def seconds(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor time of one run."""
    gc.collect()
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


@pytest.mark.parametrize(("write", "log_map"), [(write_tidy, None), (write_device, DEVICE_MAP)], ids=["tidy", "device"])
def test_a_million_rows_within_twice_plain_pandas(
    tmp_path: Path, write: Callable[[Path], None], log_map: LogMap | None
) -> None:
    place = tmp_path / "log.csv"
    write(place)
    assert read_log(place, columns=log_map).rows_out == ROWS
    plain, ours = [], []
    for number in range(15):  # turn about; on a busy machine more runs are needed until one of each was undisturbed
        plain.append(seconds(lambda: pd.read_csv(place)))
        ours.append(seconds(lambda: read_log(place, columns=log_map)))
        wall, processor = ([min(run[i] for run in runs) for runs in (plain, ours)] for i in (0, 1))
        ratio = min(wall[1] / wall[0], processor[1] / processor[0])
        if number >= 4 and ratio <= MOST:
            break
    print(f"\n{write.__name__}: plain pandas {wall[0]:.3f} s ({processor[0]:.3f} s of processor), "
          f"read_log {wall[1]:.3f} s ({processor[1]:.3f} s): {wall[1] / wall[0]:.2f} times the wall clock, "
          f"{processor[1] / processor[0]:.2f} times the processor time")  # fmt: skip
    assert ratio <= (MOST if os.getloadavg()[0] < 2 * (os.cpu_count() or 1) else MOST_IN_A_CROWD)


@pytest.mark.parametrize("rows", [200_000, pytest.param(ROWS, marks=pytest.mark.heavy)])
def test_one_bad_row_in_a_hundred_costs_little(tmp_path: Path, rows: int) -> None:
    """A line cut short, a cell too many, a cell that is no number: against the same log without damage."""
    write_tidy(tmp_path / "whole.csv")
    lines = (tmp_path / "whole.csv").read_bytes().split(b"\n")[: rows + 1]
    (tmp_path / "clean.csv").write_bytes(b"\n".join([*lines, b""]))
    rng = np.random.default_rng(2)
    damage = (lambda line: line[:6], lambda line: line + b",9", lambda line: line.replace(b".", b"x", 1))
    for row in rng.choice(rows, rows // 100, replace=False) + 1:
        lines[row] = damage[row % 3](lines[row])
    (tmp_path / "bad.csv").write_bytes(b"\n".join([*lines, b""]))
    assert read_log(tmp_path / "bad.csv").left_out == rows // 100
    clean, bad = [], []
    for number in range(9):
        clean.append(seconds(lambda: read_log(tmp_path / "clean.csv")))
        bad.append(seconds(lambda: read_log(tmp_path / "bad.csv")))
        wall, processor = (min(run[i] for run in bad) / min(run[i] for run in clean) for i in (0, 1))
        if number >= 2 and min(wall, processor) <= 3:
            break
    print(f"\n{rows} rows, one in a hundred bad: {wall:.2f} times the clean log by the clock, {processor:.2f} by the processor")
    assert min(wall, processor) <= 3


def test_a_stream_is_read_in_bounded_memory(tmp_path: Path) -> None:
    """The same rows once and four times over: the peak stays where it was."""
    write_device(tmp_path / "once.csv")
    once = (tmp_path / "once.csv").read_bytes()
    head, body = once.split(b"\n", 1)
    (tmp_path / "four.csv").write_bytes(head + b"\n" + body * 4)
    peaks = []
    for name in ("once.csv", "four.csv"):
        tracemalloc.start()
        rows = sum(part.rows_in for part in iter_log(tmp_path / name, columns=DEVICE_MAP))
        peaks.append(tracemalloc.get_traced_memory()[1] / 1e6)
        tracemalloc.stop()
        assert rows == (ROWS if name == "once.csv" else 4 * ROWS)
    print(f"\npeak {peaks[0]:.0f} MB for a million rows, {peaks[1]:.0f} MB for four million")
    assert peaks[1] < 1.2 * peaks[0] + 10
