"""Logs larger than memory, and many logs: peaks of processes of their own, and what a second core is worth.

The logs here are the worst case for memory: rows with clicks only, a burst every twelve rows. Simulated."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from jogtune.ladder.ladder import parse_ladder
from jogtune.logs.read import read_log, tidy_file, write_log
from jogtune.machine.file import read_machine
from jogtune.measure.many import Logs, _Cores
from truths.sessions import log_text, make_log

ROOT = Path(__file__).parents[2]
ROUTER_FILE = ROOT / "datasets" / "machines" / "inlay_router.toml"
APART = """
import sys
sys.path.insert(0, sys.argv[1])
from cost import peak_mb
from jogtune.logs.read import tidy_file
from jogtune.measure.measure import measure
if sys.argv[2] == "measure":
    found = measure(sys.argv[4], sys.argv[3])
    print(found.rows, sum(rung.detents for rung in found.rungs), peak_mb())
else:
    found = tidy_file(sys.argv[3], sys.argv[3] + sys.argv[2])
    print(found.rows_out, found.more[1] + int(found.rows["detents"].abs().sum()), peak_mb())
"""


def write_long(path: Path, megabytes: float, *, pauses: bool = True) -> tuple[int, int]:
    """Rows with clicks only; its rows and clicks."""
    rng, last_s, rows, clicks = np.random.default_rng(5), 0.0, 0, 0
    with path.open("w") as out:
        out.write("# simulated: yes\ntime_s,axis,detents,gain_mm\n")
        while out.tell() < megabytes * 1e6:
            gaps = np.where(rng.random(50_000) < pauses / 12, np.where(rng.random(50_000) < 0.2, 4.0, 1.0), 0.04)
            times = last_s + np.cumsum(gaps)
            detents = rng.integers(1, 4, 50_000) * np.repeat(rng.choice([-1, 1], 5000), 10)
            gains = np.repeat(rng.choice([0.02, 0.1, 0.5], 500), 100)
            out.write("".join(f"{t:.2f},X,{d},{g}\n" for t, d, g in zip(times.tolist(), detents.tolist(), gains.tolist(), strict=False)))
            last_s, rows, clicks = float(times[-1]), rows + 50_000, clicks + int(np.abs(detents).sum())
    return rows, clicks


def apart(what: str, path: Path) -> tuple[int, int, float]:
    """Rows, clicks and peak memory [MB] of a process of its own."""
    typed = [sys.executable, "-c", APART, str(Path(__file__).parent), what, str(path), str(ROUTER_FILE)]
    rows, clicks, peak = subprocess.run(typed, capture_output=True, text=True, check=True, cwd=ROOT).stdout.split()
    return int(rows), int(clicks), float(peak)


@pytest.mark.parametrize(("what", "pauses"), [("measure", True), ("measure", False), (".parquet", True)])
def test_memory_hardly_grows_with_the_log(tmp_path, what, pauses):
    """20 MB more of log, which as rows in memory take 80 MB and more; not one row or click is lost."""
    short = (write_long(tmp_path / "short", 24, pauses=pauses), apart(what, tmp_path / "short"))
    long = (write_long(tmp_path / "long", 44, pauses=pauses), apart(what, tmp_path / "long"))
    print(f"\n{what}: 24 MB of log {short[1][2]:.0f} MB, 44 MB {long[1][2]:.0f} MB")
    assert [short[0], long[0]] == [short[1][:2], long[1][:2]]
    assert long[1][2] < short[1][2] + 90
    assert long[1][2] < 450


@pytest.mark.heavy
@pytest.mark.parametrize("what", ["measure", ".csv", ".parquet"])
def test_a_gigabyte_takes_at_most_600_mb(tmp_path, what):
    told = write_long(tmp_path / "long", 1000)
    rows, clicks, peak = apart(what, tmp_path / "long")
    (tmp_path / f"long{what}").unlink(missing_ok=True)
    (tmp_path / "long").unlink()
    print(f"\n{what} of 1 GB: {rows:,} rows, {peak:.0f} MB at most")
    assert (rows, clicks) == told
    assert peak <= 600


@pytest.mark.parametrize("ending", [".csv", ".csv.gz", ".parquet"])
def test_a_log_passed_on_is_written_as_one_read_whole(tmp_path, ending):
    """Two blocks; with damage, labels and a header."""
    place, passed, whole = tmp_path / "log.csv", tmp_path / f"passed{ending}", tmp_path / f"whole{ending}"
    write_long(place, 8.5)
    text = place.read_text().replace("\n0.", "\nx0.", 3).replace("\n7.04,X,", "\n7.04,=Y,")
    place.write_text(text)
    log = tidy_file(place, passed)
    read = read_log(place)
    write_log(read, whole)
    if ending == ".parquet":
        assert read_log(passed).rows.equals(read_log(whole).rows)
        assert read_log(passed).simulated
    else:
        unpack = gzip.decompress if ending == ".csv.gz" else bytes
        assert unpack(passed.read_bytes()) == unpack(whole.read_bytes())
    assert (log.rows_in, log.rows_out, log.noticed, log.remarks) == (read.rows_in, read.rows_out, read.noticed, read.remarks)
    assert log.left_out == 3
    assert len(log.rows) == 1000
    assert log.more[0] == len(read.rows) - 1000
    assert log.more[2] == read.rows["time_s"].iloc[-1]


@pytest.mark.heavy
def test_two_cores_do_200_logs_in_little_more_than_half_the_time(tmp_path):
    machine = read_machine(ROUTER_FILE)
    for n in range(200):
        rows, _ = make_log(machine, parse_ladder("0.02,0.1,0.5,5", machine), seed=n, tasks=24)
        (tmp_path / f"{n:03}.csv").write_text(log_text(rows, seed=n, machine=machine))
    logs, best = Logs.find([str(tmp_path)]), {1: np.inf, 2: np.inf}
    for count in (2, 1, 2, 1, 2):
        began = time.perf_counter()
        with _Cores(count) as pool:
            found = logs.measure(machine, executor=pool)
        best[count] = min(best[count], time.perf_counter() - began)
        assert len(found.logs) == 200
    load = os.getloadavg()[0]
    print(f"\n200 logs: one core {best[1]:.1f} s, two {best[2]:.1f} s: {best[1] / best[2]:.2f} times (load {load:.1f})")
    assert best[1] / best[2] >= 1.7 or load > 2.5
