"""The search: the same as a plain loop, the same on every executor, and what it says."""

import json
import math
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from fractions import Fraction
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from jogtune.axis.runon import owed_run_on_mm
from jogtune.choose.prefer import Search
from jogtune.choose.score import SearchStopped, _all_ladders, _count_ladders, _score_ladders, _score_parts
from jogtune.choose.search import _free_ladder, _weigh_ladders
from jogtune.choose.suggest import suggest
from jogtune.choose.tasks import _Asked, _derive_tasks, estimate_task, make_mix
from jogtune.cli.main import main
from jogtune.files import InputFault
from jogtune.hand.person import Hand, Motion
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.machine.model import Axis, Machine, Task
from jogtune.units import is_plain
from jogtune.words.speak import speak

ROUTER = "datasets/machines/inlay_router.toml"
SAMPLES = [f"datasets/machines/{name}.toml" for name in ("inlay_router", "slide_stage", "sign_table")]
MIXED = (1, 2, 3, 5, 8, 10, 15, 20, 30, 50, 80, 100, 150, 200, 300, 400, 500)


def _search_ladders(*given: Any, **asked: Any) -> Search:
    return _weigh_ladders(*given, _Asked(**asked)).choose()


def told(answer, kind):
    """The note of a kind, if the answer has one."""
    return next((note for note in answer.notes if note.kind == kind), None)


@pytest.fixture(scope="module")
def router() -> Machine:
    return read_machine(ROUTER)


def random_machine(seed: int) -> Machine:
    """The router with other axes and tasks: tolerances, slack, readout, some to be felt for."""
    rng = np.random.default_rng(seed)
    axes, tasks = [], []
    for name in ("X", "Z")[: rng.integers(1, 3)]:
        axes.append(
            Axis(
                name=name,
                steps_per_mm=Fraction(int(rng.integers(20, 500))),
                top_speed_mm_s=float(rng.uniform(10, 150)),
                ramp_mm_s2=float(rng.uniform(100, 900)),
                reach_mm=500.0,
                finest_mm=Fraction(1, 50),
                slack_mm=float(rng.choice([0.0, 0.02, 0.1])),
            )
        )
        for number in range(rng.integers(1, 3)):
            felt = rng.random() < 0.25
            tolerance = 10 ** rng.uniform(-1.4, 0)
            kind = {"kind": "feel", "limit_mm": 3 * tolerance} if felt else {"cue": str(rng.choice(["eye", "readout"]))}
            tasks.append(
                Task(
                    name=f"{name} {number}",
                    axis=name,
                    distance_mm=tolerance * 10 ** rng.uniform(0.5, 2.5),
                    tolerance_mm=tolerance,
                    weight=float(rng.integers(1, 4)),
                    **kind,
                )
            )
    return replace(read_machine(ROUTER), axes=tuple(axes), tasks=tuple(tasks))


def plain_times(machine: Machine, base: Fraction, multipliers, rungs: int) -> dict[tuple[int, ...], list[float]]:
    """Every ladder's times of the tasks that some candidate can do, one at a time, without batching."""
    mix = make_mix(machine, [m * base for m in multipliers])
    tasks = np.flatnonzero(mix.weights)
    finest = Ladder(base_mm=base, multipliers=multipliers[:1])
    least = {t: estimate_task(mix, finest.gains_mm, t).share_impossible for t in tasks}
    found = {}
    for chosen in combinations(multipliers, rungs):
        answers = {t: estimate_task(mix, Ladder(base_mm=base, multipliers=chosen).gains_mm, t) for t in tasks}
        found[chosen] = [a.mean_s if a.share_impossible <= least[t] else math.inf for t, a in answers.items()]
    return found


@pytest.mark.parametrize("machines", [range(5), pytest.param(range(5, 20), marks=pytest.mark.heavy)])
def test_the_search_equals_a_plain_loop_on_small_random_machines(machines):
    base, multipliers = Fraction(1, 50), (1, 3, 10, 25, 80, 200)
    for seed in machines:
        machine = random_machine(seed)
        mix = make_mix(machine, [m * base for m in multipliers])
        totals = {}
        for rungs in (1, 2, 3):
            plain = plain_times(machine, base, multipliers, rungs)
            batched = np.concatenate(_score_parts(mix, list(_all_ladders(len(multipliers), rungs))))
            does = mix.weights > 0
            assert batched[:, does] == pytest.approx(np.array(list(plain.values())), rel=1e-5)
            totals |= {chosen: float(np.dot(times, mix.weights[does])) for chosen, times in plain.items()}
        found = _search_ladders(machine, base, multipliers, most_rungs=3)
        totals = {chosen: time for chosen, time in totals.items() if len(chosen) == 3}  # the range asks for three
        least = min(totals.values())
        assert found.best.time_s == pytest.approx(least, rel=1e-5)
        assert totals[tuple(int(gain / base) for gain in found.best.ladder.gains_mm)] == pytest.approx(least, rel=1e-5)
        assert found.near <= sum(time <= found.best.time_s * 1.0501 for time in totals.values()) or not found.all_near
        assert found.chosen.time_s <= found.best.time_s * 1.0501 or not found.all_near


def test_every_ladder_once():
    chunks = list(_all_ladders(17, 6))
    rows = np.concatenate(chunks)
    assert len(rows) == _count_ladders(17, 6) == 12_376
    assert len({tuple(row) for row in rows.tolist()}) == 12_376
    assert (np.diff(rows, axis=1) > 0).all()
    kept = np.concatenate(list(_all_ladders(17, 6, keep=(0, 9))))
    assert len(kept) == _count_ladders(17, 6, 2)
    assert all(0 in row and 9 in row for row in kept.tolist())


def test_executors_give_the_same_to_the_last_bit(router):
    mix = make_mix(router, [Fraction(m, 100) for m in MIXED[::2]])
    chunks = [part for rungs in (3, 4) for part in _all_ladders(len(mix.gains_mm), rungs)]
    chunks = [half for chunk in chunks for half in np.array_split(chunk, 3)]
    alone = _score_parts(mix, chunks)
    with ProcessPoolExecutor(2) as pool:
        assert all(map(np.array_equal, _score_parts(mix, chunks, pool), alone))
    with ThreadPoolExecutor(2) as pool:
        assert all(map(np.array_equal, _score_parts(mix, chunks, pool), alone))


def test_a_dask_cluster_gives_the_same_to_the_last_bit(router):
    distributed = pytest.importorskip("distributed")
    mix = make_mix(router, [Fraction(m, 100) for m in MIXED[::2]])
    chunks = [half for chunk in _all_ladders(len(mix.gains_mm), 4) for half in np.array_split(chunk, 4)]
    alone = _score_parts(mix, chunks)
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        assert all(map(np.array_equal, _score_parts(mix, chunks, client.get_executor()), alone))


def test_chunking_and_order_change_nothing(router):
    mix = make_mix(router, [Fraction(m, 100) for m in MIXED[::2]])
    rows = np.concatenate(list(_all_ladders(len(mix.gains_mm), 4)))
    whole = _score_ladders(mix, rows)
    order = np.random.default_rng(3).permutation(len(rows))
    assert _score_ladders(mix, rows[order]) == pytest.approx(whole[order], rel=1e-5)
    assert np.array_equal(_score_ladders(mix, rows), whole)


def test_stopping_ends_the_search(router):
    mix = make_mix(router, [Fraction(m, 100) for m in MIXED])
    chunks = np.array_split(np.concatenate(list(_all_ladders(17, 3))), 20)
    told = []

    def stop(rows):
        told.append(rows)
        if len(told) == 3:
            raise SearchStopped

    with pytest.raises(SearchStopped):
        _score_parts(mix, chunks, done=stop)
    assert sum(told) == 102
    told.clear()
    with ThreadPoolExecutor(1) as pool, pytest.raises(SearchStopped):
        _score_parts(mix, chunks, pool, stop)
    with pytest.raises(SearchStopped, match="stopped while scoring"):
        _search_ladders(router, Fraction(1, 100), MIXED[::3], stop=lambda: True)


def test_progress_is_shown(router, capfd):
    suggest(router, progress=True)
    assert "ladders" in capfd.readouterr().err


# ------------------------------------------------------------------ the choice


@pytest.mark.parametrize("path", SAMPLES)
def test_the_choice_is_near_the_best_and_no_less_plain(path):
    found = suggest(read_machine(path)).search
    assert found.chosen.time_s <= found.best.time_s * (1 + found.near_share)
    assert found.chosen == found.plainest[0]
    assert 1 <= found.near <= found.searched
    times = [point.time_s for point in found.curve]
    assert all(b <= a * (1 + 1e-6) for a, b in pairwise(times))
    assert found.curve_at(found.knee).time_s <= found.best.time_s * (1 + found.near_share)
    assert all(estimate.possible for estimate in found.tasks)
    mean = np.dot([estimate.mean_s for estimate in found.tasks], found.mix.weights)
    assert found.chosen.time_s == pytest.approx(mean, rel=1e-5)


def test_plain_numbers_come_before_odd_ones(router):
    found = _search_ladders(router, Fraction(1, 100), MIXED, rungs=5)
    assert all(is_plain(gain) for gain in found.chosen.ladder.gains_mm)
    assert found.near > 20


def test_dropped_remainders_put_whole_steps_first(router):
    careless = replace(router, firmware=replace(router.firmware, remainder="drop"))
    multipliers = (1, 2, 4, 5, 8, 10, 40, 100, 200, 400)
    found = _search_ladders(careless, Fraction(1, 80), multipliers, rungs=4)
    assert all(gain * 80 % 1 == 0 for gain in found.chosen.ladder.gains_mm)


def test_constraints_are_kept(router):
    def run(**asked):
        return _search_ladders(router, Fraction(1, 100), MIXED, **asked)

    assert {3, 30} <= set(run(keep=(3, 30), most_rungs=4).chosen.ladder.multipliers)
    assert len(run(most_rungs=3).chosen.ladder.multipliers) <= 3
    short = run(most_run_on_mm=0.5, most_rungs=4)
    for motion in (Motion.from_machine(router, axis.name) for axis in router.axes):
        top, ramp = motion.top_speed_mm_s, motion.ramp_mm_s2
        speeds = [min(12.0 * float(gain), top) for gain in short.chosen.ladder.gains_mm]
        assert max(owed_run_on_mm(speed, 0.04, top, ramp) for speed in speeds) <= 0.5
    calm = run(most_rungs=4, top_speed_mm_s={axis.name: axis.calm_speed_mm_s for axis in router.axes})
    assert calm.best.time_s > run(most_rungs=4).best.time_s
    assert 7 in run(keep=(7,), most_rungs=3).chosen.ladder.multipliers


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"keep": (0,)}, "keep = 0: must be a whole number of 1 or more"),
        ({"most_run_on_mm": 1e-9}, "every candidate runs on further"),
        ({"keep": (1, 2, 3), "most_rungs": 2}, "keep: names 3 rungs, and there is room for 2"),
        ({"rungs": 9}, "rungs = 9: must be 1 to 6"),
        ({"most_run_on_mm": 0.5, "keep": (500,)}, "keep = 500: runs on further than 0.5 mm"),
    ],
)
def test_constraints_that_cannot_be_met_say_so(router, asked, words):
    with pytest.raises(InputFault, match="constraints") as caught:
        _search_ladders(router, Fraction(1, 100), MIXED, **asked)
    assert words in str(caught.value)


def test_too_many_ladders_are_refused_before_any_work(router):
    with pytest.raises(InputFault, match="more than 5000000: take a sparser series"):
        _search_ladders(router, Fraction(1, 100), range(1, 400), rungs=6)


def test_a_task_too_fine_for_every_candidate_is_reported_not_timed(router):
    tasks = (
        Task(name="fine", axis="X", distance_mm=2, tolerance_mm=0.05, cue="eye"),
        Task(name="far", axis="X", distance_mm=200, tolerance_mm=1, cue="eye"),
    )
    answer = suggest(router, base="0.1 mm", tasks=tasks)
    assert answer.search.tasks[0].share_impossible == pytest.approx(0.5)
    assert answer.search.chosen.time_s < 60
    missed = told(answer, "out_of_reach")
    assert (missed.where.task, missed.figures["why"], missed.figures["move_mm"]) == ("fine", "goals_between_moves", 0.1)
    assert speak(missed).startswith('"fine": 5 of 10 goals can\'t be met. One click moves 0.1 mm')


def test_a_task_that_cannot_be_done_at_all_counts_in_the_mean_and_is_said(router):
    coarse = Task(name="by the readout", axis="X", distance_mm=2, tolerance_mm=0.01)
    far = Task(name="far", axis="X", distance_mm=200, tolerance_mm=1, cue="eye")
    answer = suggest(router, tasks=(coarse, far))
    assert answer.search.tasks[0].mean_s is None
    assert answer.search.chosen.time_s < answer.search.tasks[1].mean_s  # the other counts, as near as the readout lets
    missed = told(answer, "out_of_reach")
    assert (missed.where.task, missed.figures["why"]) == ("by the readout", "readout_too_coarse")
    assert speak(missed).startswith('"by the readout": no goal can be met. The readout shows steps of 0.01 mm')
    with pytest.raises(InputFault, match="no candidate can do any of them"):
        suggest(router, tasks=(coarse,))


def test_sharing_costs_nothing_with_one_axis_and_something_with_unlike_ones(router):
    near = tuple(task for task in router.tasks if task.axis == "X")
    assert suggest(router, tasks=near).search.sharing_s is None
    unlike = (
        Task(name="far", axis="X", distance_mm=500, tolerance_mm=0.5, cue="eye"),
        Task(name="near", axis="Z", distance_mm=3, tolerance_mm=0.06, cue="eye"),
    )
    found = _search_ladders(router, Fraction(1, 50), MIXED, tasks=unlike, rungs=2)
    own = [
        _search_ladders(router, Fraction(1, 50), MIXED, tasks=(task,), rungs=2).best.time_s
        for task in unlike
    ]
    assert found.sharing_s == pytest.approx(found.best.time_s - np.mean(own), rel=1e-4)
    assert found.sharing_s > 0.05


def test_a_start_mix_where_the_file_names_no_tasks(router):
    bare = replace(router, tasks=())
    answer = suggest(bare)
    assert answer.search.start_mix
    assert told(answer, "start_mix")
    assert {task.axis for task in _derive_tasks(bare)} == {"X", "Y", "Z"}
    assert not suggest(router).search.start_mix


# ------------------------------------------------------------------ nothing better is found elsewhere


def evolve(mix, candidates: int, rungs: int, seed: int) -> float:
    """The best of scipy's differential evolution over integer candidate indices."""
    from scipy.optimize import differential_evolution

    def times(places: np.ndarray) -> np.ndarray:
        rows = np.sort(np.round(places.T).astype(np.int16), axis=1)
        out = np.full(len(rows), 1e6)
        whole = (np.diff(rows, axis=1) > 0).all(axis=1)
        if whole.any():
            out[whole] = np.minimum(mix.mean_s(_score_ladders(mix, rows[whole])), 1e6)
        return out

    bounds, whole = [(0, candidates - 1)] * rungs, [True] * rungs
    found = differential_evolution(
        times, bounds, integrality=whole, rng=seed, vectorized=True, updating="deferred", popsize=10, maxiter=40
    )
    return float(found.fun)


@pytest.mark.parametrize("seeds", [range(2), pytest.param(range(2, 10), marks=pytest.mark.heavy)])
def test_differential_evolution_never_finds_a_better_ladder(router, seeds):
    found = _search_ladders(router, Fraction(1, 100), MIXED, rungs=6)
    assert found.searched >= 12_376
    others = [evolve(found.mix, len(MIXED), 6, seed) for seed in seeds]
    assert min(others) >= found.best.time_s * (1 - 1e-6)
    print(f"best {found.best.time_s:.4f} s; differential evolution {min(others):.4f} to {max(others):.4f} s")


def test_free_gains_say_what_plain_numbers_cost(router):
    found = suggest(router).search
    gains, time = _free_ladder(found, per_octave=6)
    assert len(gains) == len(found.best.ladder.multipliers)
    assert 0 <= found.best.time_s / time - 1 < 0.1
    print(f"free clicks {[round(g, 4) for g in gains]}: {time:.3f} s; plain ones {found.best.time_s:.3f} s")


# ------------------------------------------------------------------ what it says


def test_what_rungs_are_worth_goes_by_the_near_best_share(router):
    more = next(note for note in suggest(router).notes if note.kind == "one_more_rung")
    assert not more.figures["worth"]
    assert more.figures["saved_s"] < 0.05 * more.figures["of_s"]
    fewer = suggest(router, most_rungs=2)
    more = next(note for note in fewer.notes if note.kind == "one_more_rung")
    assert more.figures["worth"]
    assert more.figures["saved_s"] > 0.05 * more.figures["of_s"]


def test_json_holds_the_search(capsys):
    assert main(["suggest", ROUTER, "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    assert content["expected_time_s"] <= content["best_time_s"] * 1.02
    assert content["near_best"][0]["multipliers"] == [rung["multiplier"] for rung in content["rungs"]]
    assert content["near_best_count"] >= len(content["near_best"]) >= 1
    assert content["searched"] >= content["near_best_count"]
    assert [task["name"] for task in content["tasks"]] == [task.name for task in read_machine(ROUTER).tasks]
    for task in content["tasks"]:
        assert task["expected_time_s"] > 0
        assert task["sd_s"] >= 0
        assert {"position", "gain_mm", "from_mm", "until_mm", "moves"} <= set(task["route"][0])


def test_coverage_asks_no_hand(router):
    answer = suggest(router, by="coverage")
    assert answer.search is None
    slow = Hand(turn_rate_detents_s=1.0)
    assert suggest(router, by="coverage", hand=slow).ladder == answer.ladder


# ------------------------------------------------------------------ the machine file


def with_text(tmp_path, text: str):
    path = tmp_path / "machine.toml"
    head = Path(ROUTER).read_text(encoding="utf-8").split("# What is done at it")[0]
    path.write_text(head + text, encoding="utf-8")
    return path


def test_hand_tasks_stick_and_buttons_are_read(tmp_path):
    text = """
[hand]
look = "300 ms"
spread = "9 %"
grasp = "60 deg"
[[task]]
name = "touch"
axis = "Z"
kind = "feel"
distance = "2 mm"
tolerance = "0.02 mm"
limit = "0.1 mm"
weight = 2.5
[stick]
exponent = 1.5
[buttons]
steps = ["1 mm", "0.1 mm"]
"""
    machine = read_machine(with_text(tmp_path, text))
    hand = Hand.from_machine(machine)
    assert (hand.look_s, hand.spread, hand.grasp_detents) == (0.3, 0.09, 4.0)
    assert machine.tasks[0].weight == 2.5
    assert machine.stick.exponent == 1.5
    assert machine.buttons.steps_mm == (Fraction(1, 10), Fraction(1))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[[task]]\nname = "t"\naxis = "Q"\ndistance = "2 mm"\ntolerance = "1 mm"', "task t: axis"),
        ('[[task]]\nname = "t"\naxis = "X"\ndistance = "2 deg"\ntolerance = "1 mm"', "task t: distance"),
        ('[[task]]\nname = "t"\naxis = "X"\ndistance = "2 mm"\ntolerance = "3 mm"', "task t: tolerance"),
        ('[[task]]\nname = "t"\naxis = "X"\ndistance = "2 m"\ntolerance = "1 mm"', "task t: distance"),
        ('[[task]]\nname = "t"\naxis = "X"\ndistance = "2 mm"\ntolerance = "1 mm"\nlimit = "1 mm"', "task t: limit"),
        ('[[task]]\nname = "t"\naxis = "X"\ndistance = 2\ntolerance = "1 mm"\nweight = 0', "task t: weight"),
        ('[[task]]\nname = "t"\naxis = "X"\ndistance = "2 mm"\ntolerence = "1 mm"', 'did you mean "tolerance"'),
        ('[task]\nname = "t"', "task"),
        ('[hand]\nspread = "90 %"', "hand: spread"),
        ("[hand]\nlook = 3", "hand: look"),
        ('[stick]\nexponent = "2"', "stick: exponent"),
        ("[buttons]\nsteps = []", "buttons: steps"),
        ('[buttons]\nsteps = ["1 deg"]', "buttons: steps"),
    ],
)
def test_faults_of_the_new_tables_name_their_key(tmp_path, capsys, text, words):
    assert main(["suggest", str(with_text(tmp_path, text))]) == 2
    assert words in capsys.readouterr().err
