"""How fast ladders are scored: against a plain loop in the same run, and in seconds and MB."""

import os
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from cost import best_of

from jogtune.choose.score import _all_ladders, _score_parts
from jogtune.choose.tasks import _begin, _first_ends, _kept_groups, _Mix, _octaves
from jogtune.hand import chain
from jogtune.hand.actions import _moves_of, knob_actions
from jogtune.hand.person import Hand, Motion, goals_mm
from jogtune.machine.model import Task

CANDIDATES = tuple(float(gain) for gain in np.round(np.geomspace(0.01, 10, 25), 4))
X = Motion(top_speed_mm_s=100, ramp_mm_s2=400, delay_s=0.005, report_interval_s=0.04)
HAND = Hand(turn_rate_detents_s=19.4, grasp_detents=3.13, regrasp_s=0.1)
MOST_COLD = 3.5  # times the processor time of loading pandas and matplotlib


def mix_of(candidates=CANDIDATES, slack_mm: float = 0.0) -> _Mix:
    """Four tasks: cross the table, go near, find an edge, nudge."""
    figures = [("cross", 300, 2), ("near", 40, 0.5), ("edge", 5, 0.1), ("nudge", 0.5, 0.04)]
    tasks = tuple(Task(name=n, axis="X", distance_mm=d, tolerance_mm=w, cue="eye") for n, d, w in figures)
    motion = replace(X, slack_mm=slack_mm)
    return _Mix(gains_mm=candidates, tasks=tasks, motions=(motion,) * 4, hand=HAND)


def forget() -> None:
    for kept in (chain.click_kernel, _octaves, _kept_groups, _first_ends):
        kept.cache_clear()


def plain_tables(mix: _Mix) -> list[tuple[np.ndarray, ...]]:
    tables = []
    for t, task in enumerate(mix.tasks):
        grid = chain.Grid.reaching(mix.half_mm(t), goals_mm(task).max())
        actions = knob_actions(mix.gains_mm, mix.motions[t], mix.hand)
        moves = _moves_of(actions, grid, mix.hand.switch_s)
        cost = np.where(moves.allowed, moves.cost_s[:, 0], 1e9)
        begin, first = _begin(actions, task, grid, mix.hand.look_s, np.full(len(actions), np.inf))
        tables.append((moves.kernel[:, 0, :, 0, 1:].copy(), cost, begin.astype(float), first.astype(float)))
    return tables


def plain_task(kernel, cost, begin, first, row, hand: Hand) -> float:
    """Numpy over rungs, Python over bins; the kernels are at hand, as for the batch."""
    kernel, cost = kernel[row], cost[row]
    value = np.zeros_like(cost)
    for j in range(cost.shape[1]):
        below = np.einsum("rb,rb->r", kernel[:, j, :j], value[:, :j])
        acting = (cost[:, j] + below) / np.maximum(1 - kernel[:, j, j], 1e-9)
        value[:, j] = np.minimum(acting, acting.min() + hand.switch_s)
    return float((first[row] + np.einsum("rb,rb->r", begin[row], value)).min()) + hand.start_s


def test_batch_against_plain_loop():
    """All 177,100 six-rung ladders of 25 candidates, kernels included, against 200 done plainly.

    Both in processor time on one core, so that neighbours on the machine don't sway the ratio.
    """
    mix = mix_of()
    chunks = list(_all_ladders(25, 6))
    rows = np.concatenate(chunks)
    assert len(rows) == 177_100
    seconds, times = best_of(2, lambda: np.concatenate(_score_parts(mix, chunks)), before=forget)
    sample = np.random.default_rng(1).choice(len(rows), 200, replace=False)
    tables = plain_tables(mix)
    began = time.process_time()
    plain = np.array([[plain_task(*table, row, mix.hand) for table in tables] for row in rows[sample]])
    plain_s = (time.process_time() - began) / len(sample)
    fit = np.isfinite(times[sample])
    assert times[sample][fit] == pytest.approx(plain[fit], rel=1e-5)
    ratio = plain_s / (seconds / len(rows))
    print(f"\n177,100 ladders in {seconds:.2f} s of one core; {ratio:.0f} times the plain loop")
    assert ratio >= 100


def test_rescoring_12376_ladders_after_a_slider():
    """Another hand, the same candidates: kernels are at hand, and so it is quicker still than the plain loop."""
    mix = mix_of(CANDIDATES[:17])
    chunks = list(_all_ladders(17, 6))
    _score_parts(mix, chunks)
    rates = iter(np.linspace(10, 30, 50))

    def slide():
        _score_parts(replace(mix, hand=replace(HAND, turn_rate_detents_s=float(next(rates)))), chunks)

    seconds, _ = best_of(5, slide)
    rows = np.concatenate(chunks)
    sample = np.random.default_rng(2).choice(len(rows), 100, replace=False)
    tables = plain_tables(mix)
    began = time.process_time()
    for row in rows[sample]:
        for table in tables:
            plain_task(*table, row, mix.hand)
    plain_s = (time.process_time() - began) / len(sample)
    ratio = plain_s / (seconds / len(rows))
    print(f"\n12,376 ladders scored again in {seconds:.3f} s of one core; {ratio:.0f} times the plain loop")
    assert ratio >= 100


@pytest.mark.parametrize("name", ["inlay_router", *(pytest.param(name, marks=pytest.mark.heavy) for name in ("slide_stage", "sign_table"))])
def test_cold_suggest_against_its_libraries(name, tmp_path):
    """A whole `jogtune suggest` in a process of its own, against loading pandas and matplotlib in one; in turn.

    The least processor time of five runs or more, so that neighbours on the machine don't sway the ratio; both with
    their byte code at hand, as after an install.
    """
    env = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    env["PYTHONPYCACHEPREFIX"] = str(tmp_path)

    def seconds(*arguments: str) -> float:
        began = os.times()
        subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL, env=env)
        ended = os.times()
        return ended.children_user + ended.children_system - began.children_user - began.children_system

    main = ("-m", "jogtune", "suggest", f"datasets/machines/{name}.toml")
    pairs = []
    for number in range(13):  # on a busy machine more runs are needed until one of each was undisturbed
        pairs.append((seconds(*main), seconds("-c", "import pandas, matplotlib.figure")))
        ours, theirs = (min(column) for column in zip(*pairs, strict=True))
        if number >= 4 and ours / theirs <= MOST_COLD:
            break
    print(f"\n{name}: {ours:.2f} s of processor cold, {ours / theirs:.2f} times its libraries")
    assert ours / theirs <= MOST_COLD


def test_memory_stays_below_200_mb():
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r}); import test_bench_search as b;"
        "b._score_parts(b.mix_of(), list(b._all_ladders(25, 6)));"
        "from cost import peak_mb; print(round(peak_mb()))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    print(f"\nwhole process, libraries included: {run.stdout.strip()} MB")
    assert int(run.stdout) < 200


@pytest.mark.heavy
def test_two_processes_and_slack():
    """The same on two processes, and on an axis with slack (twice the states). Seconds printed."""
    for slack in (0.0, 0.05):
        mix, chunks = mix_of(slack_mm=slack), list(_all_ladders(25, 6))
        for workers in (0, 2):
            forget()
            began = time.perf_counter()
            if workers:
                with ProcessPoolExecutor(workers) as pool:
                    _score_parts(mix, chunks, pool)
            else:
                _score_parts(mix, chunks)
            print(f"\nslack {slack:g}, {workers or 'no'} workers: {time.perf_counter() - began:.2f} s")
