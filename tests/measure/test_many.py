"""Many logs: found, measured side by side, the same whoever does it, and nothing lost with one that fails or kills.

- A worker that is killed takes all logs in hand with it: these are done again, each alone, and only what kills twice is named.
- Left in the middle, all workers end at once, even one that was writing its result.
"""

from __future__ import annotations

import os
import signal
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import pandas as pd
import pytest

from jogtune.cli.main import main
from jogtune.files import InputFault
from jogtune.ladder.ladder import parse_ladder
from jogtune.machine.file import read_machine
from jogtune.measure.many import Logs, _Cores, _each
from jogtune.measure.measure import measure
from truths.sessions import log_text, make_log

ROOT = Path(__file__).parents[2]
ROUTER_FILE = str(ROOT / "datasets" / "machines" / "inlay_router.toml")
ROUTER = read_machine(ROUTER_FILE)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("year")
    for n in range(5):
        rows, _ = make_log(ROUTER, parse_ladder("0.02,0.1,0.5,5", ROUTER), seed=900 + n, tasks=6)
        (place / f"log{n}.csv").write_text(log_text(rows, seed=n, machine=ROUTER))
    (place / "note.md").write_text("no log")
    (place / "roster.csv").write_text("file,person\nlog0.csv,one\n")
    return place


def test_folders_patterns_and_names_are_found_each_once(folder):
    names = [str(folder / f"log{n}.csv") for n in range(5)]
    assert list(Logs.find([str(folder)]).names) == names
    assert list(Logs.find([str(folder / "log[13].csv"), names[0], str(folder)]).names) == [*names[1:4:2], *names[:1], *names[2:5:2]]
    assert Logs.find(["nowhere.csv"]).names == ("nowhere.csv",)
    with pytest.raises(InputFault, match=r'"none\*.csv": holds no log: name files that end in .csv') as caught:
        Logs.find(["none*.csv", str(folder / "note.md*x")])
    assert len(caught.value.faults) == 2


def test_many_say_what_each_says_alone_whoever_measures(folder):
    logs = Logs.find([str(folder)])
    alone = logs.measure(ROUTER)
    for found, name in zip(alone.logs.to_dict("records"), logs.names, strict=True):
        one = measure(ROUTER, name)
        assert (found["log"], found["rows"], found["tasks"]) == (name, one.rows, len(one.tasks))
        assert found["clicks"] == sum(rung.detents for rung in one.rungs)
        assert found["turn_rate_detents_s"] == one.turn_rate_median.value
        table = alone.table.loc[alone.table["log"] == name].drop(columns="log").reset_index(drop=True)
        pd.testing.assert_frame_equal(table.dropna(axis=1, how="all"), one.table.dropna(axis=1, how="all"), check_dtype=False)
    for pool in (ProcessPoolExecutor(2), ThreadPoolExecutor(3)):
        with pool:
            found = logs.measure(ROUTER, executor=pool)
        pd.testing.assert_frame_equal(found.logs, alone.logs, check_exact=True)
        pd.testing.assert_frame_equal(found.table, alone.table, check_exact=True)


def test_a_dask_cluster_measures_the_same_to_the_last_bit(folder):
    distributed = pytest.importorskip("distributed")
    logs = Logs.find([str(folder)])
    local = distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None)
    with local as cluster, Logs.workers(cluster.scheduler_address) as executor:
        found = logs.measure(ROUTER, executor=executor)
    pd.testing.assert_frame_equal(found.logs, logs.measure(ROUTER).logs, check_exact=True)


def test_a_cluster_that_does_not_answer_is_told(monkeypatch):
    distributed = pytest.importorskip("distributed")

    def silent(*_, **__):
        raise OSError("timed out")

    monkeypatch.setattr(distributed, "Client", silent)
    told = r'"tcp://nobody:1": does not answer \(timed out\): start a scheduler there'
    with pytest.raises(InputFault, match=told), Logs.workers("tcp://nobody:1"):
        pass


def kill_once(name: str, folder: Path) -> str:
    """The first time it is done, "once" kills its process, "always" every time; the others wait for that."""
    if name == "always" or (name == "once" and not (folder / "killed").exists()):
        (folder / "killed").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    while not (folder / "killed").exists():
        time.sleep(0.01)
    return name.upper()


def test_a_killed_worker_loses_nothing(tmp_path):
    names = ["a", "once", "b", "always", "c", "d"]
    with _Cores(2) as pool:
        found = _each(kill_once, [(name, tmp_path) for name in names], pool)
    assert [found[at] for at in (0, 1, 2, 4, 5)] == ["A", "ONCE", "B", "C", "D"]
    assert found[3] == "always: 1 fault\n  - ended the process that measured it, twice: try it alone"


def test_a_log_that_fails_is_named_and_the_rest_go_on(folder, tmp_path, capsys):
    bad, strange = tmp_path / "bad.csv", tmp_path / "strange.csv"
    bad.write_text("a,b\n")
    strange.write_text("time_s,axis,detents,gain_mm\n" + "".join(f"{0.04 * n:.2f},Q,1,0.1\n" for n in range(30)))
    good, out = str(folder / "log0.csv"), tmp_path / "out"
    assert main(["measure", str(tmp_path), good, "--machine", ROUTER_FILE, "--out", str(out)]) == 0
    told = capsys.readouterr().out
    assert "1 log measured, 6 tasks" in told
    assert f"{bad}: 1 fault" in told
    assert 'axis "Q" is not on inlay router' in told
    assert len(told.splitlines()) <= 26
    assert list(pd.read_csv(out / "logs.csv")["log"]) == [good]
    assert main(["measure", str(tmp_path), "--machine", ROUTER_FILE]) == 2
    assert "none could be measured" in capsys.readouterr().err
    ladders = ["--ladder", "0.02,0.1,0.5,5", "--ladder", "0.02,0.2"]
    assert main(["compare", ROUTER_FILE, *ladders, "--log", str(tmp_path / "*.csv"), "--log", good]) == 0
    told = capsys.readouterr()
    assert told.err.count("left out:") == 2
    assert "strange.csv" in told.err
    assert main(["compare", ROUTER_FILE, *ladders, "--log", good]) == 0
    assert capsys.readouterr().out == told.out


def test_one_log_alone_takes_no_options_of_many(folder, capsys):
    assert main(["measure", str(folder / "log0.csv"), "--machine", ROUTER_FILE, "--out", "x"]) == 2
    assert "are for many logs" in capsys.readouterr().err


def much(name: str) -> bytes:
    """More than a pipe holds: whoever ends this process ends it in the middle of its message."""
    return name.encode() * 50_000_000


def test_left_in_the_middle_it_waits_for_nobody():
    began = time.monotonic()
    with _Cores(2) as pool:
        futures = [pool.submit(time.sleep, 10), *(pool.submit(much, "a") for _ in range(20))]
        time.sleep(0.3)
    assert time.monotonic() - began < 5
    assert any(future.cancelled() for future in futures)
