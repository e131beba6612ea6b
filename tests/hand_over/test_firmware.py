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


# Prints, per axis from 0 to one too many: nanometres at positions 0 1 5 6 7 255; the presses; speed alone and with someone
# near; the stick's speed at some throws. Then the clicks of a row of counts, read one after another.
PROBE = """
#define JT_WITH_FLOAT
#include <stdio.h>
#include "ladder.h"
int main(void)
{
    static const uint8_t places[] = {0, 1, 5, 6, 7, 255};
    static const float throws[] = {0.0f, 0.1f, -0.55f, 1.0f, 2.0f};
    jt_knob knob;
    unsigned count;
    int axis, n;
    for (axis = 0; axis <= JT_AXES; axis++) {
        const uint8_t at = (uint8_t)(axis == JT_AXES ? 255 : axis);
        for (n = 0; n < 6; n++) { printf("%lu ", (unsigned long)jt_knob_at(at, places[n])->nanometres); }
        for (n = 0; n < 6; n++) { printf("%.6f ", (double)jt_distance(jt_button_at(at, places[n]))); }
        printf("%lu %lu ", (unsigned long)jt_top(at, 0), (unsigned long)jt_top(at, 1));
        for (n = 0; n < 5; n++) { printf("%.1f %.1f ", (double)jt_stick(at, throws[n], 0), (double)jt_stick(at, throws[n], 1)); }
        printf("\\n");
    }
    jt_knob_start(&knob, 65530);
    while (scanf("%u", &count) == 1) { printf("%d ", (int)jt_clicks(&knob, (uint16_t)count)); }
    printf("%d\\n", (int)(JT_RUNGS[JT_RUNG_COUNT - 1].position + 10 * JT_RUNGS_USED + 100 * JT_AXIS_Z + 1000 * JT_AXIS_2));
    return 0;
}
"""
GLITCH = 2 * 40 // 4 * 4 + 4  # twice 40 clicks/s of 4 counts for 0.25 s, and a click


@pytest.mark.parametrize("compiler", dict(COMPILERS))
def test_a_number_beyond_the_ends_takes_the_nearest_and_counts_become_clicks(compiler: str, tmp_path: Path) -> None:
    axes = (ROUTER.axes[0], replace(ROUTER.axes[1], name="×", calm_speed_mm_s=None), replace(ROUTER.axes[2], rotary=True))
    answer = own_answer(replace(ROUTER, axes=axes, tasks=()), Ladder.parse("0.02, 0.1, 0.5, 2, 8"))
    probe = build(tmp_path, answer, PROBE, compiler, *ASAN)
    counts = [65533, 65534, 65533, 65530, 65531, 65526, 65525, 65529, 65530, 65530 + GLITCH - 65536, GLITCH - 6 + GLITCH + 1, 7]
    done = subprocess.run([probe], input=" ".join(map(str, counts)), capture_output=True, text=True, check=True)
    *lines, last = done.stdout.splitlines()
    top = {one.axis: (one.top_steps_s, one.calm_steps_s or 0) for one in _settings(answer) if one.control == "knob"}
    stick = {one.axis: one.top_steps_s for one in _settings(answer) if one.control == "stick"}
    assert (lines[-1], len(lines)) == (lines[-2], 4)
    for line, axis in zip(lines, axes, strict=False):
        cells = line.split()
        assert cells[:6] == ["20000", "20000", "8000000", "8000000", "8000000", "8000000"]  # 6 is not used: as 5
        assert list(map(float, cells[6:12])) == pytest.approx([0.02, 0.02, 10, 10, 10, 10])  # four buttons
        assert (int(cells[12]), int(cells[13])) == (top[axis.name][0], min(top[axis.name]))
        full, calm = stick[axis.name], top[axis.name][1]
        for n, share in enumerate((0, 0, -0.25, 1, 1)):  # dead band 0.1, exponent 2: (0.45 / 0.9)² of the top
            assert float(cells[14 + 2 * n]) == pytest.approx(share * full, rel=1e-4, abs=0.1)
            assert float(cells[15 + 2 * n]) == pytest.approx(math.copysign(min(abs(share) * full, calm), share), rel=1e-4, abs=0.1)
    # from 65530: +3 none, +4 one, bounce none, back to the start one, +1 none, -4 one, -5 none, back by one click, +1 none,
    # up to the longest jump, one count more than it is dropped, and so is the way back; parts of a click are kept
    *clicks, named = map(int, last.split())
    assert clicks == [0, 1, 0, -1, 0, -1, 0, 0, 1, GLITCH // 4, 0, 0]
    assert named == 6 + 10 * 5 + 100 * 2 + 1000


def test_the_helpers_read_the_tables_in_flash_by_the_macro_alone() -> None:
    text = _suggestion_to_header(CASES["router"])
    helpers, floats = text.split("/* Helpers.")[1].split("/* The next two count in 64 bits")[0], text.split("#ifdef JT_WITH_FLOAT")[1]
    reads = re.compile(r"JT_READ_32\(&[\w()]+->\w+\)")
    assert len(reads.findall(helpers + floats)) == 10
    assert set(re.findall(r"(\w+)->", reads.sub("", helpers + floats))) == {"knob"}


def test_on_eight_bits_nothing_needs_64_and_ram_holds_the_state_alone(tmp_path: Path) -> None:
    if not (shutil.which("avr-gcc") and shutil.which("avr-nm") and shutil.which("avr-size")):
        pytest.skip("no compiler for 8 bits here")
    flash = (
        "#include <stdint.h>\nextern uint32_t from_flash(const uint32_t *place);\n"
        '#define JT_FLASH __attribute__((__progmem__))\n#define JT_READ_32(place) from_flash(place)\n#include "loop.c"\n'
    )
    (tmp_path / "ladder.h").write_text(_suggestion_to_header(CASES["router"]))
    (tmp_path / "loop.c").write_text(_example_loop("ladder.h"))
    (tmp_path / "flash.c").write_text(flash)
    subprocess.run(["avr-gcc", "-mmcu=avr5", "-std=c99", "-Os", *FLAGS, "-c", "flash.c"], cwd=tmp_path, check=True)
    names = subprocess.run(["avr-nm", "flash.o"], cwd=tmp_path, check=True, capture_output=True, text=True).stdout
    assert re.findall(r"U (__\w*(?:div|mod|di3)\w*)", names) == []
    sizes = subprocess.run(["avr-size", "flash.o"], cwd=tmp_path, check=True, capture_output=True, text=True).stdout.split("\n")[1].split()
    assert int(sizes[1]) + int(sizes[2]) == 4 + 8 * 3 + 1  # a knob, target and rest of three axes, running
