"""Same goals, another ladder: predicted from a simulated person's log, held against that person on that ladder.

Truth: the same goals many times over on both ladders, the axis followed report by report. Kinds of people: with a *rule* (the
coarsest rung with so many clicks left; looks, hurry and the number vary), *lazy* (stays on a rung up to 25 clicks) and
*careless* (the number varies 40 % from move to move, one rung in ten is any but the finest). Rule fitted and interval sized on
other seeds."""

from __future__ import annotations

import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from jogtune.ladder.ladder import parse_ladder
from jogtune.logs.log import Log
from jogtune.machine.file import read_machine
from jogtune.measure.compare import compare
from places import MACHINES
from truths.sessions import _COLUMNS, Person, Session, _drawn_slack, _order, task_kinds

ROUTER = read_machine(MACHINES / "inlay_router.toml")
USUAL = [parse_ladder(text, ROUTER) for text in (
    "0.02,0.1,0.5,5", "0.02,0.2,2", "0.02,0.2,1", "0.02,0.1,0.5,2", "0.02,0.1,1,5", "0.02,0.2,2,8", "0.02,0.1,0.5,2,8",
)]  # fmt: skip
KINDS = task_kinds(ROUTER)
AXES = sorted({kind.axis for kind in KINDS})


class Repeated(Session):
    """A session with given goals, from given places."""

    goals, homes, way = iter(()), {}, "rule"

    def _new_goal(self, kind, start):
        return next(self.goals)

    def _home(self, name):
        return self.homes[name]

    def _rung(self, left):
        if self.way == "lazy" and 1 <= left / self.gain <= 25:
            return self.gain
        if self.way != "careless":
            return super()._rung(left)
        if self.rng.uniform() < 0.1:
            return float(self.rng.choice(self.gains[1:]))
        clicks = self.person.least_clicks * math.exp(0.4 * self.rng.standard_normal())
        return max([gain for gain in self.gains if left / gain >= clicks] or self.gains[:1])


def goals_of(rng, tasks):
    """The order of the tasks, their goals, and where each axis stands at first."""
    order, homes = _order(len(KINDS), tasks, rng), {name: ROUTER.axis(name).reach_mm * rng.uniform(0.2, 0.4) for name in AXES}
    homes = {name: round(place, 2) for name, place in homes.items()}
    at, goals = dict(homes), []
    for kind in (KINDS[i] for i in order):
        far, reach = rng.uniform(kind.least_mm, kind.most_mm), ROUTER.axis(kind.axis).reach_mm
        ways = [way for way in (-1, 1) if 0.02 * reach <= at[kind.axis] + way * far <= 0.98 * reach]
        at[kind.axis] = round(at[kind.axis] + rng.choice(ways or [1]) * far, 2)
        goals.append(at[kind.axis])
    return order, goals, homes


def predicted(way, seed, tasks=24, times=25):
    """The true change, the difference predicted, and the share of rungs explained."""
    rng = np.random.default_rng([seed, 99])
    pair = [USUAL[i] for i in rng.choice(len(USUAL), 2, replace=False)]
    rate = ROUTER.knob.steady_detents_s * math.exp(0.2 * rng.standard_normal())
    person = Person(turn_rate_detents_s=rate, spread=float(rng.uniform(0.05, 0.12)))
    if way == "rule":
        looks = {name: float(rng.uniform(*ends)) for name, ends in {"look_s": (0.25, 0.7), "switch_s": (0.4, 1.3), "hurried": (0, 0.2)}.items()}
        person = replace(person, least_clicks=int(rng.integers(3, 11)), start_s=looks["look_s"] + 0.2, **looks)
    order, goals, homes = goals_of(rng, tasks)
    scale = {name: 1 + rng.uniform(-0.015, 0.015) for name in AXES}
    slack = {name: _drawn_slack(ROUTER, name, rng) for name in AXES}

    def played(ladder, number):
        one = type("Once", (Repeated,), {"goals": iter(goals), "homes": homes, "way": way})(
            machine=ROUTER, ladder=ladder, rng=np.random.default_rng([seed, number]), person=person, noise_mm=0.003,
            delay_s=ROUTER.link.delay_s, scale=scale, slack=slack,
        )  # fmt: skip
        done = [one.run_task(n, KINDS[i]) for n, i in enumerate(order)]
        return one.rows, sum(task["end_s"] - task["start_s"] for task in done)

    rows = pd.DataFrame(played(pair[0], 0)[0], columns=_COLUMNS).assign(person="simulated person")
    log = Log(rows=rows, rows_in=len(rows), rows_out=len(rows), position_kind="measured", source="log", simulated=True,
              header={"ladder": pair[0].say()})  # fmt: skip
    answer = compare(ROUTER, pair, [log], seed=seed)
    means = [np.mean([played(ladder, 1000 * (n + 1) + k)[1] for k in range(times)]) for n, ladder in enumerate(pair)]
    return float(means[1] / means[0] - 1), answer.differences[0], answer.explained_share


def judged(found):
    """Bias and RMS [points], how often the interval holds, intervals that name the wrong ladder, the share of rungs explained."""
    off = np.array([100 * (one.change - true) for true, one, _ in found])
    holds = np.mean([one.low <= true <= one.high for true, one, _ in found])
    wrong = sum(one.faster is not None and (one.faster == 1) != (true < 0) for true, one, _ in found)
    return off.mean(), np.sqrt((off**2).mean()), holds, wrong, np.mean([share for *_, share in found])


def test_people_with_a_rule_are_predicted():
    bias, rms, holds, wrong, explained = judged([predicted("rule", seed, times=3) for seed in range(3000, 3003)])
    assert abs(bias) <= 6
    assert rms <= 9  # with three times the truth itself is good to 6 points
    assert (holds, wrong) == (1.0, 0)
    assert explained > 0.95


@pytest.mark.heavy
@pytest.mark.parametrize(("way", "most"), [("rule", (2.0, 5.0, 0.93)), ("lazy", (4.0, 11.0, 0.9)), ("careless", (7.9, 28.3, 0.8))])
def test_what_predictions_are_good_to(way, most, capsys):
    """Targets for people with a rule; for the others no worse than best use of the ladder was: the same careless people, +7.9,
    RMS 28.3 points, 80 % held; lazy ones 8.5 to 8.9."""
    with ProcessPoolExecutor(2) as pool:
        found = list(pool.map(predicted, [way] * 30, range(9000, 9030)))
    bias, rms, holds, wrong, explained = judged(found)
    with capsys.disabled():
        print(f"\n{way}: bias {bias:+.1f}, RMS {rms:.1f} points, interval holds {holds:.0%}, {wrong} wrong, {explained:.0%} explained")
    assert (abs(bias) <= most[0], rms <= most[1], holds >= most[2], wrong) == (True, True, True, 0)
