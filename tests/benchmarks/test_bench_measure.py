"""What measuring costs: memory for a log larger than it, and time for a class of logs.

Times asserted are the process' own (CPU), so that what else the machine does counts less; seconds are printed.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from cost import best_of

from jogtune.ladder.ladder import Ladder
from jogtune.logs.read import read_log
from jogtune.machine.file import read_machine
from jogtune.measure.classroom import _Entry, compare_class
from jogtune.measure.measure import measure
from truths.sessions import log_text, make_log

ROOT = Path(__file__).parents[2]
ROUTER_FILE = ROOT / "datasets" / "machines" / "inlay_router.toml"
SHIPPED = ROOT / "datasets" / "logs" / "inlay_router_simulated.csv"
ROUTER = read_machine(ROUTER_FILE)
GOOD = Ladder.from_gains([Fraction(1, 50), Fraction(1, 10), Fraction(1, 2), Fraction(5)])
POOR = Ladder.from_gains([Fraction(1, 50), Fraction(1, 5)])

MEASURE_AND_TELL = """
import sys, time
sys.path.insert(0, sys.argv[3])
from cost import peak_mb
from jogtune.machine.file import read_machine
from jogtune.measure.measure import measure
found = measure(read_machine(sys.argv[2]), sys.argv[1])
print(found.rows, sum(rung.detents for rung in found.rungs),
      peak_mb(), time.process_time())
"""


def write_long_log(path, megabytes):
    """The shipped log again and again, its clock running on; returns rows and clicks. Simulated."""
    head, body = SHIPPED.read_text().split("time_s", 1)
    rows = read_log(SHIPPED).rows
    lines = [line.split(",", 1) for line in ("time_s" + body).splitlines()]
    names, cells = lines[0], [rest for _, rest in lines[1:]]
    clock, rounds = np.array([float(time) for time, _ in lines[1:]]), 0
    with path.open("w") as out:
        out.write(head + ",".join(names) + "\n")
        while out.tell() < megabytes * 1e6:
            shifted = clock + rounds * (clock[-1] + 4)
            out.write("\n".join(f"{t:.2f},{rest}" for t, rest in zip(shifted.tolist(), cells, strict=True)) + "\n")
            rounds += 1
    return rounds * len(rows), rounds * int(rows["detents"].abs().sum())


def measured_apart(path):
    """Measure in a process of its own: rows, clicks, peak memory [MB], CPU seconds."""
    told = subprocess.run([sys.executable, "-c", MEASURE_AND_TELL, str(path), str(ROUTER_FILE), str(Path(__file__).parent)],
                          capture_output=True, text=True, check=True, cwd=ROOT)  # fmt: skip
    rows, clicks, memory, seconds = (float(word) for word in told.stdout.split())
    return int(rows), int(clicks), memory, seconds


def test_memory_stays_bounded(tmp_path, capsys):
    """40 MB in parts: far under 600 MB, and not one click lost."""
    rows, clicks = write_long_log(tmp_path / "long.csv", 40)
    told = measured_apart(tmp_path / "long.csv")
    with capsys.disabled():
        print(f"\n40 MB, {told[0]} rows measured: {told[2]:.0f} MB at most, {told[3]:.1f} s of CPU")
    assert told[:2] == (rows, clicks)
    assert told[2] < 450


@pytest.mark.heavy
def test_a_gigabyte_is_measured_within_600_mb(tmp_path, capsys):
    rows, clicks = write_long_log(tmp_path / "long.csv", 1000)
    told = measured_apart(tmp_path / "long.csv")
    with capsys.disabled():
        print(f"\n1 GB, {told[0]} rows measured: {told[2]:.0f} MB at most, {told[3]:.0f} s of CPU")
    assert told[:2] == (rows, clicks)
    assert told[2] < 600


def write_class(folder, count):
    entries = []
    for n in range(count):
        ladder = GOOD if n % 2 else POOR
        rows, _ = make_log(ROUTER, ladder, seed=n, tasks=24 if n % 2 else 12)
        (folder / f"{n}.csv").write_text(log_text(rows, seed=n, machine=ROUTER))
        entries.append(_Entry(file=f"{n}.csv", person=f"pupil {n // 2}", ladder=ladder))
    return entries


def test_measuring_costs_little_more_than_reading(capsys):
    """A log as the shipped one: read in CPU seconds, and measured. Two cores do 200 such in a minute."""
    each, _ = best_of(4, lambda: measure(ROUTER, read_log(SHIPPED)))  # the first also imports
    with capsys.disabled():
        print(f"\nread and measured: {each:.2f} s of CPU a log; 200 on two cores: {100 * each:.0f} s")
    assert 100 * each < 60


@pytest.mark.heavy
def test_a_class_of_200_logs_takes_under_a_minute(tmp_path, capsys):
    """Asserted: the CPU time of the workers, shared by two cores; printed beside it: what the clock said."""
    entries = write_class(tmp_path, 200)
    began, used = time.perf_counter(), _children_s()
    with ProcessPoolExecutor(2) as pool:
        found = compare_class(ROUTER, tmp_path, entries, executor=pool)
    took, each = time.perf_counter() - began, (_children_s() - used) / 2
    with capsys.disabled():
        load = os.getloadavg()[0]
        print(f"\n200 logs on two cores: {each:.1f} s of CPU each; {took:.1f} s by the clock at a load of {load:.1f}")
    assert len(found.people) == 200
    assert not found.unread
    assert isinstance(found.tasks, pd.DataFrame)
    assert each < 60


def _children_s():
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


COMPARE_AND_TELL = """
import sys, time
sys.path.insert(0, sys.argv[3])
from itertools import combinations
from fractions import Fraction
from cost import peak_mb
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.measure.compare import compare
router = read_machine(sys.argv[2])
pool = [Fraction(times, 50) for times in (2, 5, 10, 15, 20, 25, 40, 50, 75, 100, 150, 200, 250, 400)]
rungs = [some for count in (2, 3, 4) for some in combinations(pool, count)][:int(sys.argv[4])]
began = time.process_time(), time.perf_counter()
found = compare(router, [Ladder.from_gains([Fraction(1, 50), *some]) for some in rungs], [sys.argv[1]])
print(len(found.ladders), len(found.differences), peak_mb(), time.process_time() - began[0], time.perf_counter() - began[1])
"""


def compared(tmp_path, tasks, ladders):
    rows, _ = make_log(ROUTER, GOOD, seed=77, tasks=tasks)
    (tmp_path / "log.csv").write_text(log_text(rows, seed=77, machine=ROUTER))
    words = [str(tmp_path / "log.csv"), str(ROUTER_FILE), str(ROOT / "tests" / "benchmarks"), str(ladders)]
    told = subprocess.run([sys.executable, "-c", COMPARE_AND_TELL, *words], capture_output=True, text=True, check=True, cwd=ROOT)
    return rows["time_s"].iloc[-1], [float(word) for word in told.stdout.split()]


def test_many_ladders_cost_little_each(tmp_path):
    """A hundred ladders in less than fifteen times what five take (both of them read and measure the log once)."""
    few, many = (compared(tmp_path, 60, ladders)[1] for ladders in (5, 100))
    assert (few[1], many[1]) == (10, 99)
    assert many[3] < 15 * few[3]


@pytest.mark.heavy
def test_a_thousand_ladders_against_an_hour(tmp_path, capsys):
    hour, (ladders, differences, peak, seconds, wall) = compared(tmp_path, 570, 1000)
    with capsys.disabled():
        print(f"\n{ladders:.0f} ladders, {hour:.0f} s of log: {seconds:.1f} s of processor, {wall:.1f} s by the clock, {peak:.0f} MB")
    assert hour > 3600
    assert (ladders, differences) == (1000, 999)
    assert (seconds <= 20, peak <= 300) == (True, True)
