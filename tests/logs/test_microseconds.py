"""Microseconds stay the same whole numbers with every pandas: no time of a log goes by way of pandas' dates and their unit.

Decision: a column of dates (Parquet has them in s, ms, us or ns) is no clock; each of its rows is left out with its reason."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jogtune.logs.map_file import _parse_map
from jogtune.logs.read import read_log, write_log

AT_START = [0, 1, 40_003, 4_294_968, 500_000_001]
SINCE_1970 = [1_700_000_000_123_457 + ticks for ticks in AT_START]  # a double has 0.24 us left there
MAP = _parse_map('[time]\ncolumn = "t"\nunit = "us"\n[knob]\ncolumn = "n"\nkind = "increments"\n[axis]\nalways = "X"\n')


def _raw(path: Path, times: object) -> Path:
    rows = pd.DataFrame({"t": times, "n": np.ones(len(AT_START), dtype=np.int64)})
    if path.suffix == ".parquet":
        pytest.importorskip("pyarrow")
        rows.to_parquet(path)
    else:
        rows.to_csv(path, index=False)
    return path


@pytest.mark.parametrize("ticks", [AT_START, SINCE_1970], ids=["at_start", "since_1970"])
@pytest.mark.parametrize("kind", ["int64", "uint64", "float64", "str"])
@pytest.mark.parametrize("ending", ["csv", "csv.gz", "parquet"])
def test_a_clock_of_microseconds_keeps_each_of_them(ticks: list[int], kind: str, ending: str, tmp_path: Path) -> None:
    log = read_log(_raw(tmp_path / f"raw.{ending}", np.array(ticks).astype(kind)), columns=MAP)
    again = read_log(write_log(log, tmp_path / f"tidy.{ending}"))
    for rows in (log.rows, again.rows):
        assert rows["time_s"].dtype == np.float64
        assert np.rint(rows["time_s"].to_numpy() * 1e6).astype(np.int64).tolist() == ticks


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_dates_are_left_out_alike_in_every_unit(unit: str, tmp_path: Path) -> None:
    log = read_log(_raw(tmp_path / "raw.parquet", np.array(AT_START, dtype=f"datetime64[{unit}]")), columns=MAP)
    assert (log.rows_in, log.rows_out) == (len(AT_START), 0)
