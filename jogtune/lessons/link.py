"""Lesson 4."""

from dataclasses import replace

import numpy as np
import pandas as pd

from ..axis.advice import simulate_steady
from ..axis.link import Reports, report_turns
from ..axis.runon import _Ripple, distance_per_report_mm, felt_delay
from ..machine.model import Machine
from ..units import say_number
from .exercise import _exercise, _not_yet, _number, _open_exercise, _right, _Solved, _Verdict
from .exercise import weigh_guess as weigh_guess

_TURN_RATE, _GAIN_MM = 10.0, 5.0
_CLICKS, _LOSS_SHARE, _SEED = 100, 0.30, 4
_GAP_S = 2.0
_SHORT_MS, _LESS_RIPPLE = 10, 0.1


def send_clicks(machine: Machine, *, counts: str) -> Reports:
    """Turn a hundred clicks at the steady rate over a link that loses three in ten of its reports (seeded).

    `counts` is "running" (each report says how far the knob has turned in all) or "increments" (only how far since the last
    report)."""
    link = replace(machine.link, counts=counts, loss_share=_LOSS_SHARE)
    return report_turns(np.arange(_CLICKS) / machine.knob.steady_detents_s, np.ones(_CLICKS), link, seed=_SEED)


def fall_silent(machine: Machine) -> Reports:
    """Turn for six seconds at the steady rate while the link is dead for two in the middle."""
    rate = machine.knob.steady_detents_s
    times = np.arange(round(6 * rate)) / rate
    return report_turns(times, np.ones(len(times)), machine.link, gaps_s=[(2.0, 2.0 + _GAP_S)])


def _ripple(machine: Machine, clicks_s: float, click_mm: float, every_ms: float) -> _Ripple:
    axis = machine.axis("X")
    top, ramp = axis.top_speed_mm_s, axis.ramp_mm_s2
    return simulate_steady(clicks_s, click_mm, every_ms / 1000, top_speed_mm_s=top, ramp_mm_s2=ramp)[0]


def ripple_table(machine: Machine, clicks_s: float, click_mm: float) -> pd.DataFrame:
    """How evenly X runs at a turn rate [clicks/s] and distance per click [mm], for a few report intervals: simulated."""
    rows = []
    for every in (5, 10, 20, 40, 80, 160):
        found = _ripple(machine, clicks_s, click_mm, every)
        cells = {
            "report every (ms)": every, "slowest (mm/s)": found.low_mm_s, "fastest (mm/s)": found.high_mm_s,
            "ripple (%)": 100 * found.share,
        }  # fmt: skip
        rows.append({name: say_number(value, digits=3) for name, value in cells.items()})
    return pd.DataFrame(rows)


@_exercise("mm")
def check_per_report(machine: Machine) -> _Solved:
    """How far X goes [mm] from one report to the next at 10 clicks a second of 5 mm."""
    interval, speed = machine.link.report_interval_s, _TURN_RATE * _GAIN_MM
    return _Solved(
        distance_per_report_mm(_TURN_RATE, _GAIN_MM, interval, machine.axis("X").top_speed_mm_s),
        (speed * interval * 1000, "milliseconds went in where seconds belong."),
        (speed, "that is the distance in a whole second. How much of it in one report interval?"),
        (speed / interval, "a report interval is much less than a second, so the distance must be smaller: multiply."),
        (_TURN_RATE * interval, "that is clicks per report. How many mm are they?"),
        (_GAIN_MM * interval, "the turn rate is missing."),
        (_GAIN_MM, "that is one click. Not every report carries one."),
        (speed * (interval + machine.link.delay_s), "the delay shifts all by the same time: it adds nothing to a report."),
        praise="so far it goes, on average, before it can learn anything new from the hand.",
        hint="First the speed in mm per second. Then: how long is one report interval in seconds?",
    )


@_exercise("ms")
def check_longest_delay(machine: Machine) -> _Solved:
    """The longest time [ms] from a click to the axis' first motion."""
    link = machine.link
    typical_s, longest_s = felt_delay(link.report_interval_s, link.delay_s, link.jitter_s)
    interval, delay = 1000 * link.report_interval_s, 1000 * link.delay_s
    return _Solved(
        1000 * longest_s,
        (1000 * typical_s, "that is the average. A click may just have missed a report."),
        (interval, "that is the wait for the next report. Then it still has to travel."),
        (delay, "that is the journey alone. Before it, the click waits for a report to leave."),
        (interval - delay, "waiting and travelling come one after the other: they add up."),
        (2 * interval + delay, "it has to wait for one report, not for two."),
        (longest_s, "the answer is asked in milliseconds."),
        (1000 * link.silence_s, "that is the limit after which the axis stops by itself: another matter."),
        praise="a click that just misses a report waits for the next one, and then travels. On average it is about half as long.",
        hint="Think of a click that comes just after a report has left.",
    )


@_exercise("mm/s")
def check_stop_and_go(machine: Machine) -> _Solved:
    """The speed [mm/s] up to which X stops after every report, where each report carries the same clicks: a·T/4."""
    a, interval = machine.axis("X").ramp_mm_s2, machine.link.report_interval_s
    return _Solved(
        a * interval / 4,
        (a * interval, "that is ramp times interval. The rule takes a quarter of it."),
        (a * interval / 2, "that is half. The rule takes a quarter."),
        (1000 * a * interval / 4, "milliseconds went in where seconds belong."),
        (a / interval / 4, "a longer interval makes it worse, so multiply by it."),
        (4 * a * interval, "divide by four; that is multiplied."),
        (machine.axis("Z").ramp_mm_s2 * interval / 4, "that is axis Z with its slower ramp. Asked is X."),
        praise="slower than that it goes in jerks, and one can hear it. Spread moves help; a shorter interval only as long as each "
        "report still carries a click.",
        hint="The rule is ramp × report interval ÷ 4, in mm and seconds.",
    )


@_open_exercise("a turn rate and a distance per click, as in [12, 0.1],")
def check_shorter_helps(answer: object, machine: Machine) -> _Verdict:
    """A turn rate [clicks/s] and a distance per click [mm] with which X runs more evenly at a report every 10 ms than every 40 ms.

    Right is whatever takes a tenth or more off the ripple, with a hand that can turn so fast and an axis that can follow."""
    if not isinstance(answer, list | tuple) or len(answer) != 2:
        return _not_yet("two numbers are asked for, in square brackets with a comma between: clicks a second, and mm a click.")
    try:
        rate, gain = _number(answer[0], "clicks/s"), _number(answer[1], "mm")
    except ValueError as fault:
        return _not_yet(str(fault))
    top, fastest = machine.axis("X").top_speed_mm_s, machine.knob.fastest_detents_s
    if not 1 <= rate <= fastest:
        return _not_yet(f"{rate:g} clicks a second: stay between 1 and the {fastest:g} that a hand can turn.")
    if not float(machine.axis("X").step_mm) <= gain < top / rate:
        return _not_yet(f"{rate:g} clicks a second of {gain:g} mm: stay above a motor step a click and below X's {top:g} mm/s.")
    every = 1000 * machine.link.report_interval_s
    before, after = (_ripple(machine, rate, gain, one) for one in (every, _SHORT_MS))
    shares = f"{100 * before.share:.0f} % with a report every {every:g} ms, {100 * after.share:.0f} % with one every {_SHORT_MS} ms"
    if after.share <= (1 - _LESS_RIPPLE) * before.share:
        return _right(f"ripple is {shares}. It helps where it splits up what came in one report, or keeps step with the clicks.")
    if after.low_mm_s == 0:
        return _not_yet(f"ripple is {shares}. X stands still between two clicks, however often it is told. Try a coarser rung.")
    return _not_yet(f"ripple is {shares}: nothing won. Try a rate at which a report carries several clicks, or now one, now none.")


@_exercise()
def check_lost(machine: Machine) -> _Solved:
    """How many of 100 clicks are missing in the lesson's run: [with running counts, with increments]."""
    expected = [float(send_clicks(machine, counts=counts).missing_net_detents) for counts in ("running", "increments")]
    first, average = expected[0], _CLICKS * _LOSS_SHARE
    return _Solved(
        expected,
        (lambda found: found == expected[::-1], "the right numbers, the wrong way round: running counts come first."),
        (lambda found: found == [first, 0], "increments that were lost are gone: look at the second line printed above."),
        (lambda found: found == [first, average], "that is the average share. Look at this run, the second line printed above."),
        (lambda found: found[0] == first, "the first is right. For the second, take the clicks that arrived from those turned."),
        (lambda found: found[0] == average, "so many reports may be lost, but the next says how far the knob has turned in all."),
        (lambda found: found[0] == _CLICKS, "that is how many arrived. Asked is how many are missing."),
        praise="a running count heals itself with the next report; increments never learn what they missed.",
        hint="look at what each line printed above says has arrived, and take it from the clicks turned.",
    )


@_exercise("mm")
def check_leap(machine: Machine) -> _Solved:
    """How far the axis should leap [mm] to make up for two silent seconds, turned at the steady rate on 5 mm."""
    rate, silence = machine.knob.steady_detents_s, machine.link.silence_s
    leap = "Whoever stands there expects an axis that has stopped. It must not set off again by itself."
    return _Solved(
        (0, 0),
        (_GAP_S * rate * _GAIN_MM, f"all of it at once? {leap}"),
        ((_GAP_S - silence) * rate * _GAIN_MM, f"not even what came after the limit. {leap}"),
        (silence * rate * _GAIN_MM, f"not even what came before the limit. {leap}"),
        (_GAP_S * rate, f"that is clicks. And should they count? {leap}"),
        (_GAIN_MM, f"a single click is a leap too on a coarse rung. {leap}"),
        (_GAP_S * machine.axis("X").top_speed_mm_s, f"as far as it could have gone? {leap}"),
        praise="what was turned while nobody listened is discarded, and said to be. A lost link means stop, and no leap after.",
        hint="After the silence limit the axis has stopped. What may it do when the link comes back?",
    )
