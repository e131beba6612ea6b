"""The example of firmware against a replay in fractions, step for step; bounds, filters and rounding of the helpers.

Decided here: limits are counted in whole motor steps, as firmware counts; a click that fits is granted, in turn, so the target
is the exact sum of the clicks granted, rounded half up. A jump is dropped beyond `JT_GLITCH_COUNTS`."""

import math
import random
import re
import shutil
import subprocess
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from compilers import COMPILERS, FLAGS, need
from jogtune.choose.suggest import Suggestion, own_answer
from jogtune.hand_over.header import _example_loop, _suggestion_to_header
from jogtune.hand_over.table import _settings
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine

MACHINES = Path("datasets/machines")
ROUTER, STAGE, SIGN = (read_machine(MACHINES / f"{name}.toml") for name in ("inlay_router", "slide_stage", "sign_table"))
ASAN = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
THIRD = replace(ROUTER.axes[0], name="T", steps_per_mm=Fraction(1600, 3), reach_mm=300.0)
CASES = {
    "router": own_answer(ROUTER, Ladder.parse("0.02, 0.1, 0.5, 2, 8")),
    "tight": own_answer(replace(ROUTER, axes=tuple(replace(axis, run_on_mm=3.0) for axis in (*ROUTER.axes, THIRD))), Ladder.parse("0.0125, 0.02, 0.1, 2")),
    "columns": own_answer(STAGE, Ladder.parse("0.00125, 0.01, 0.05; A: 0.003, 0.02, 0.1 deg")),
    "drops": own_answer(replace(SIGN, axes=SIGN.axes[1:]), Ladder.parse("0.001, 0.007, 0.1, 0.5", "in")),
}  # fmt: skip

# Streams on stdin: "R count axis position near" a report, "S" silence, "P" power off and on. Each axis follows its target by at
# most `top` steps a report, or brakes at once. Prints every target after each line.
RIG = """
#include <stdio.h>
#include "loop.c"
static uint32_t pos[JT_AXES], goal[JT_AXES], top[JT_AXES];
uint32_t commanded(uint8_t axis) { return pos[axis]; }
uint32_t rests_at(uint8_t axis) { return pos[axis]; }
void go_to(uint8_t axis, uint32_t target, uint32_t top_steps_s) { goal[axis] = target; top[axis] = top_steps_s; }
int main(void)
{
    char kind;
    unsigned count, axis, position, near_by;
    while (scanf(" %c", &kind) == 1) {
        int n;
        if (kind == 'R' && scanf("%u %u %u %u", &count, &axis, &position, &near_by) == 4) {
            on_report((uint16_t)count, (uint8_t)axis, (uint8_t)position, (uint8_t)near_by);
        } else if (kind == 'S') {
            on_silence();
        } else {
            running = 0;
            knob.last = knob.detent = 0;
            for (n = 0; n < JT_AXES; n++) { target[n] = rest[n] = pos[n] = goal[n] = top[n] = 0; }
        }
        for (n = 0; n < JT_AXES; n++) {
            const int32_t left = (int32_t)(goal[n] - pos[n]), most = (int32_t)(top[n] / 25);
            pos[n] += (uint32_t)(left > most ? most : left < -most ? -most : left);
            printf("%ld ", (long)(int32_t)target[n]);
        }
        printf("\\n");
    }
    return 0;
}
"""


def build(folder: Path, answer: Suggestion, source: str, compiler: str = "gcc", *more: str) -> Path:
    need(compiler)
    language = dict(COMPILERS)[compiler]
    (folder / "ladder.h").write_text(_suggestion_to_header(answer))
    (folder / "loop.c").write_text(_example_loop("ladder.h"))
    (folder / "rig.c").write_text(source)
    done = subprocess.run([compiler, *language[:1], *FLAGS, *more, *language[1:], "rig.c", "-o", "rig", "-lm"],
                          cwd=folder, capture_output=True, text=True)  # fmt: skip
    assert done.returncode == 0, done.stderr
    return folder / "rig"


class Replay:
    """What the firmware must do, in fractions: from the ladder and the machine, not from the header."""

    def __init__(self, answer: Suggestion) -> None:
        machine, found = answer.machine, {one.axis: one for one in _settings(answer)}
        self.steps = [[gain * axis.steps_per_mm for gain in answer.ladder.on(axis)] for axis in machine.axes]
        self.axes, self.detent = len(machine.axes), machine.knob.counts_per_detent
        self.limit = [found[axis.name].limit_steps for axis in machine.axes]
        self.top = [found[axis.name].top_steps_s for axis in machine.axes]
        self.calm = [found[axis.name].calm_steps_s or 0 for axis in machine.axes]
        self.positions = machine.selector.positions
        self.jump = math.ceil(2 * machine.knob.fastest_detents_s * machine.link.silence_s + 1) * self.detent
        self.power()

    def power(self) -> None:
        self.exact, self.goal = [Fraction(0)] * self.axes, [0] * self.axes
        self.pos, self.fast, self.running, self.lost = [0] * self.axes, [0] * self.axes, False, 0

    def silence(self) -> None:
        self.exact, self.goal = [Fraction(at) for at in self.pos], list(self.pos)
        self.fast, self.running = [0] * self.axes, False

    def report(self, count: int, axis: int, position: int, near: int) -> None:
        if not self.running:
            self.silence()
            self.at = self.heard = count
            self.running = True
        change = (count - self.heard + 2**15) % 2**16 - 2**15
        self.heard, axis = count, min(axis, self.axes - 1)
        if abs(change) > self.jump:
            self.at += change
        offset = (count - self.at + 2**15) % 2**16 - 2**15
        clicks = int(math.copysign(abs(offset) // self.detent, offset))
        self.at += clicks * self.detent
        rungs = self.steps[axis]
        step = rungs[min(max(position, 1), self.positions, len(rungs)) - 1]
        way = 1 if clicks > 0 else -1
        for n in range(abs(clicks)):
            further = self.exact[axis] + way * step
            if way * (math.floor(further + Fraction(1, 2)) - self.pos[axis]) > self.limit[axis]:
                self.lost += abs(clicks) - n
                break
            self.exact[axis] = further
            self.goal[axis] = math.floor(further + Fraction(1, 2))
        for n in range(self.axes):
            self.fast[n] = min(self.top[n], self.calm[n]) if near else self.top[n]
            if not self.fast[n]:
                self.goal[n] = self.pos[n]
                self.exact[n] = self.pos[n] + self.exact[n] - math.floor(self.exact[n] + Fraction(1, 2))

    def move(self) -> str:
        shown = " ".join(map(str, self.goal))
        for n in range(self.axes):
            most = self.fast[n] // 25
            self.pos[n] += max(-most, min(most, self.goal[n] - self.pos[n]))
        return shown + " "


def streams(answer: Suggestion, count: int, seed: int) -> list[str]:
    """Lines of random streams: bursts and reversals, bounces, jumps, other rungs and axes (bad ones too), someone near."""
    rng, lines, detent = random.Random(seed), [], answer.machine.knob.counts_per_detent
    for _ in range(count):
        at, axis, position, near, rate = rng.randrange(2**16), 0, 1, 0, 0
        lines.append("P")
        for _ in range(rng.randrange(8, 20)):
            if rng.random() < 0.3:
                axis, position = rng.randrange(len(answer.machine.axes) + 1), rng.choice((0, 1, 2, 3, 4, 5, 6, 7, 255))
            if rng.random() < 0.4:
                rate = rng.choice((-11, -4, -2, -1, 0, 1, 2, 4, 11)) * detent + rng.choice((-1, 0, 0, 1))
            near = rng.choice((near, near, near, 1 - near))
            jump = rng.choice((0,) * 30 + (9000, -20000))
            at = (at + rate + jump) % 2**16
            lines.append("S" if rng.random() < 0.03 else f"R {at} {axis} {position} {near}")
    return lines


def replayed(answer: Suggestion, lines: list[str]) -> tuple[list[str], int]:
    replay, shown, lost = Replay(answer), [], 0
    for line in lines:
        kind, *numbers = line.split()
        if kind == "R":
            replay.report(*map(int, numbers))
        elif kind == "S":
            replay.silence()
        else:
            lost += replay.lost
            replay.power()
        shown.append(replay.move())
    return shown, lost


def hold(folder: Path, answer: Suggestion, count: int, compiler: str = "gcc", *more: str) -> tuple[int, int]:
    program, lines = build(folder, answer, RIG, compiler, *more), streams(answer, count, 14)
    done = subprocess.run([program], input="\n".join(lines), capture_output=True, text=True, check=True)
    want, lost = replayed(answer, lines)
    assert lost > count / 20  # the limit bites
    found = done.stdout.splitlines()
    assert len(found) == len(want)
    apart = [n for n, (a, b) in enumerate(zip(found, want, strict=True)) if a != b]
    assert not apart, (lines[max(0, apart[0] - 5) : apart[0] + 1], found[apart[0]], want[apart[0]])
    return len(lines), lost


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("compiler", dict(COMPILERS))
def test_the_example_makes_the_steps_of_the_replay_to_the_last_one(name: str, compiler: str, tmp_path: Path) -> None:
    hold(tmp_path, CASES[name], 150, compiler, *(ASAN if compiler == "gcc" else []))


@pytest.mark.heavy
@pytest.mark.parametrize("name", CASES)
def test_ten_thousand_streams(name: str, tmp_path: Path) -> None:
    lines, lost = hold(tmp_path, CASES[name], 10_000)
    print(f"{name}: 10,000 streams, {lines:,} reports, {lost:,} clicks beyond the limit, every target equal")
