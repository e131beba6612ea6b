"""Lesson 4: the link."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from ..axis.burst import simulate_steady
from ..axis.link import Reports, report_turns
from ..axis.runon import distance_per_report_mm, felt_delay
from ..machine.model import Machine
from ..units import say_number
from .verdict import Verdict, check_number, is_untouched, not_yet, nothing, numbers_of, right

if TYPE_CHECKING:
    import pandas as pd

TURN_RATE, GAIN_MM = 10.0, 5.0
CLICKS, LOSS_SHARE, SEED = 100, 0.30, 4
GAP_S = 2.0


def send_clicks(
    machine: Machine, *, counts: str, loss: float = LOSS_SHARE, clicks: int = CLICKS, seed: int = SEED
) -> Reports:
    """Turn so many clicks at the steady rate over a link that loses a share of its reports (seeded).

    `counts` is "running" (each report says how far the knob has turned in all) or "increments" (only how
    far since the last report).
    """
    link = replace(machine.link, counts=counts, loss_share=loss)
    times = np.arange(clicks) / machine.knob.steady_detents_s
    return report_turns(times, np.ones(clicks), link, seed=seed)


def fall_silent(machine: Machine, *, gap_s: float = GAP_S) -> Reports:
    """Turn for six seconds at the steady rate while the link is dead for `gap_s` in the middle."""
    rate = machine.knob.steady_detents_s
    times = np.arange(round(6 * rate)) / rate
    return report_turns(times, np.ones(len(times)), machine.link, gaps_s=[(2.0, 2.0 + gap_s)])


def arrived_words(reports: Reports, clicks: int = CLICKS) -> str:
    """How many clicks arrived, in a sentence."""
    lost = f"{reports.lost_reports} of {reports.sent_reports} reports were lost on the way"
    return f"Of {clicks} clicks {int(reports.detents.sum())} arrived; {lost}."


def ripple_table(machine: Machine, intervals_ms: tuple[int, ...] = (10, 20, 40, 80, 160)) -> pd.DataFrame:
    """How evenly X runs at 25 clicks a second of 1 mm, for a few report intervals: simulated."""
    import pandas as pd

    axis = machine.axis("X")
    rows = []
    for every in intervals_ms:
        ripple = simulate_steady(
            25.0, 1.0, every / 1000, top_speed_mm_s=axis.top_speed_mm_s, ramp_mm_s2=axis.ramp_mm_s2
        ).ripple
        cells = (every, ripple.low_mm_s, ripple.high_mm_s, 100 * ripple.share)
        names = ("report every (ms)", "slowest (mm/s)", "fastest (mm/s)", "ripple (%)")
        rows.append({name: say_number(value, digits=3) for name, value in zip(names, cells, strict=True)})
    return pd.DataFrame(rows)


def check_per_report(answer: object, machine: Machine) -> Verdict:
    """How far X goes [mm] from one report to the next at 10 clicks a second of 5 mm."""
    interval, top = machine.link.report_interval_s, machine.axis("X").top_speed_mm_s
    speed = TURN_RATE * GAIN_MM
    return check_number(
        answer, distance_per_report_mm(TURN_RATE, GAIN_MM, interval, top), unit="mm",
        praise="so far it goes before it can learn anything new from the hand.",
        hint="First the speed in mm per second. Then: how long is one report interval in seconds?",
        slips=[
            (speed * interval * 1000, "milliseconds went in where seconds belong."),
            (speed, "that is the distance in a whole second. How much of it in one report interval?"),
            (speed / interval, "a report interval is much less than a second, so the distance must be smaller: "
                               "multiply."),
            (TURN_RATE * interval, "that is clicks per report. How many mm are they?"),
            (GAIN_MM * interval, "the turn rate is missing."),
            (GAIN_MM, "that is one click. Not every report carries one."),
            (speed * (interval + machine.link.delay_s), "the delay shifts everything by the same time: it adds "
                                                        "nothing from report to report."),
        ],
    )  # fmt: skip


def check_longest_delay(answer: object, machine: Machine) -> Verdict:
    """The longest time [ms] from a click to the axis' first motion."""
    link = machine.link
    felt = felt_delay(link.report_interval_s, link.delay_s, link.jitter_s)
    interval, delay = 1000 * link.report_interval_s, 1000 * link.delay_s
    return check_number(
        answer, 1000 * felt.longest_s, unit="ms",
        praise="a click that just misses a report waits for the next one, and then travels. On average it is "
               "about half as long.",
        hint="Think of a click that comes just after a report has left.",
        slips=[
            (1000 * felt.typical_s, "that is the average. A click may just have missed a report."),
            (interval, "that is the wait for the next report. Then it still has to travel."),
            (delay, "that is the journey alone. Before it, the click waits for a report to leave."),
            (interval - delay, "waiting and travelling come one after the other: they add up."),
            (2 * interval + delay, "it has to wait for one report, not for two."),
            (felt.longest_s, "the answer is asked in milliseconds."),
            (1000 * link.silence_s, "that is the limit after which the axis stops by itself: another matter."),
        ],
    )  # fmt: skip


def check_stop_and_go(answer: object, machine: Machine) -> Verdict:
    """The speed [mm/s] up to which X stops after every report, where each report carries the same clicks: a·T/4."""
    a, interval = machine.axis("X").ramp_mm_s2, machine.link.report_interval_s
    return check_number(
        answer, a * interval / 4, unit="mm/s",
        praise="slower than that it goes in jerks, and one can hear it. A shorter report interval, or spread "
               "moves, help.",
        hint="The rule is ramp × report interval ÷ 4, in mm and seconds.",
        slips=[
            (a * interval, "that is ramp times interval. The rule takes a quarter of it."),
            (a * interval / 2, "that is half. The rule takes a quarter."),
            (1000 * a * interval / 4, "milliseconds went in where seconds belong."),
            (a / interval / 4, "a longer interval makes it worse, so multiply by it."),
            (4 * a * interval, "divide by four; that is multiplied."),
            (machine.axis("Z").ramp_mm_s2 * interval / 4, "that is axis Z with its slower ramp. Asked is X."),
        ],
    )  # fmt: skip


def check_lost(answer: object, machine: Machine) -> Verdict:
    """How many of 100 clicks are missing in the lesson's run: [with running counts, with increments]."""
    if is_untouched(answer):
        return nothing("two numbers in square brackets")
    found = numbers_of(answer, 2)
    if isinstance(found, str):
        return not_yet(found)
    expected = [float(send_clicks(machine, counts=c).missing_net_detents) for c in ("running", "increments")]
    if found == expected:
        return right("a running count heals itself with the next report; increments never learn what they missed.")
    return not_yet(_why_not_lost(found, expected))


def _why_not_lost(found: list[float], expected: list[float]) -> str:
    average = CLICKS * LOSS_SHARE
    if found == expected[::-1]:
        return "the right numbers, the wrong way round: running counts come first."
    if found[0] == expected[0] and found[1] == 0:
        return "increments that were lost are gone: look at the second line printed above."
    if found[0] == expected[0] and found[1] == average:
        return "that is the average share. Asked is this run: look at the second line printed above."
    if found[0] == expected[0]:
        return "the first is right. For the second, take the clicks that arrived from those turned."
    if found[0] == average:
        return "that many reports may be lost, but the next one says how far the knob has turned in all."
    if found[0] == CLICKS:
        return "that is how many arrived. Asked is how many are missing."
    return "look at what each line printed above says has arrived, and take it from the clicks turned."


def check_leap(answer: object, machine: Machine) -> Verdict:
    """How far the axis should leap [mm] to make up for two silent seconds, turned at the steady rate on 5 mm."""
    rate, silence = machine.knob.steady_detents_s, machine.link.silence_s
    leap = "whoever stands there expects an axis that has stopped. It must not set off again by itself."
    return check_number(
        answer, (0.0, 0.0), unit="mm",
        praise="what was turned while nobody listened is discarded, and said to be. A lost link means stop, and "
               "no leap afterwards.",
        hint="After the silence limit the axis has stopped. What may it do when the link comes back?",
        slips=[
            (GAP_S * rate * GAIN_MM, f"all of it at once? {leap[0].upper()}{leap[1:]}"),
            ((GAP_S - silence) * rate * GAIN_MM, f"not even what came after the limit: {leap}"),
            (silence * rate * GAIN_MM, f"not even what came before the limit: {leap}"),
            (GAP_S * rate, f"that is clicks. And should they count? {leap[0].upper()}{leap[1:]}"),
            (GAIN_MM, f"a single click is a leap too on a coarse rung: {leap}"),
            (GAP_S * machine.axis("X").top_speed_mm_s, f"as far as it could have gone? {leap[0].upper()}{leap[1:]}"),
        ],
    )  # fmt: skip
