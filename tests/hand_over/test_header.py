"""The C header: it compiles clean as C99 and C++11, and steps to the exact count."""

import random
import subprocess
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from compilers import COMPILERS, FLAGS, need
from jogtune.choose.suggest import suggest
from jogtune.files import InputFault
from jogtune.hand_over.header import _axis_names, _c_comment, _c_text, _fit_ratio, _suggestion_to_header
from jogtune.machine.file import read_machine
from jogtune.words.answer import cautions

MACHINES = sorted(Path("datasets/machines").glob("*.toml"))
CLICKS = 10_000

# Reads clicks (u or d) once, steps them on every record of the table, and prints per record: position, axis,
# the steps summed click by click, the steps of the closed form, and how many clicks the two disagreed after.
PROGRAM = """
#include <stdio.h>
#include <string.h>
#include "ladder.h"

static char clicks[20001];

int main(void)
{
    size_t length;
    int n;
    length = fread(clicks, 1, sizeof clicks - 1, stdin);
    for (n = 0; n < JT_RUNG_COUNT; n++) {
        const jt_rung *rung = &JT_RUNGS[n];
        int64_t rest = (int64_t)rung->axis_denominator / 2;
        int64_t steps = 0, net = 0, apart = 0;
        size_t k;
        for (k = 0; k < length; k++) {
            const int way = clicks[k] == 'u' ? 1 : -1;
            net += way;
            steps += jt_click(rung, way, &rest);
            if (steps != jt_steps_at(rung, net)) {
                apart++;
            }
        }
        printf("%d|%s|%ld|%ld|%ld\\n", (int)rung->position, rung->axis, (long)steps,
               (long)jt_steps_at(rung, net), (long)apart);
    }
    for (n = 0; n < JT_AXES; n++) { /* once more per axis, with another rung every seven clicks */
        int64_t rest = (int64_t)JT_RUNGS[n].axis_denominator / 2;
        int64_t steps = 0;
        size_t k;
        for (k = 0; k < length; k++) {
            const jt_rung *rung = &JT_RUNGS[n + JT_AXES * (int)((k / 7) % JT_POSITIONS)];
            steps += jt_click(rung, clicks[k] == 'u' ? 1 : -1, &rest);
        }
        printf("0|%s|%ld|%ld|0\\n", JT_RUNGS[n].axis, (long)steps, (long)steps);
    }
    return strlen(JT_MACHINE_SHA256) == 64 ? 0 : 1;
}
"""


def build(folder: Path, header: str, compiler: str, language: list[str], source: str = PROGRAM) -> Path:
    need(compiler)
    (folder / "ladder.h").write_text(header)
    (folder / "try.c").write_text(source)
    done = subprocess.run(
        [compiler, *language[:1], *FLAGS, *language[1:], "try.c", "-o", "try"],
        cwd=folder, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return folder / "try"


def records(header: str, words: str) -> list[list[str]]:
    """The cells of each record that holds some words."""
    return [line.split("*/ ")[1].split(", ") for line in header.splitlines() if words in line]


def odd_answers():
    for path in MACHINES:
        machine = read_machine(path)
        yield path.stem, suggest(machine, by="coverage")
    router = read_machine(MACHINES[0])
    thirds = replace(router.axes[0], name='a "??/ µ*/ axis', steps_per_mm=Fraction(1600, 3))
    yield "thirds", suggest(replace(router, name="\\ */ ??/ 机", axes=(thirds, *router.axes[1:])), by="coverage")


@pytest.mark.parametrize(("compiler", "language"), COMPILERS, ids=["C99", "C++11"])
@pytest.mark.parametrize("case", list(odd_answers()), ids=lambda case: case[0])
def test_ten_thousand_random_clicks_step_to_the_exact_count(case, compiler, language, tmp_path):
    _, answer = case
    program = build(tmp_path, _suggestion_to_header(answer), compiler, language)
    clicks = random.Random(7).choices("ud", k=CLICKS)
    done = subprocess.run([program], input="".join(clicks), capture_output=True, text=True, check=True)
    net = clicks.count("u") - clicks.count("d")
    lines = [line.split("|") for line in done.stdout.splitlines()]
    axes, rungs = answer.machine.axes, answer.ladder.rungs
    unused = [replace(rungs[-1], position=n) for n in range(len(rungs) + 1, answer.machine.selector.positions + 1)]
    rows = [(rung, axis) for rung in (*rungs, *unused) for axis in axes]
    assert len(lines) == len(rows) + len(axes)
    for line, axis in zip(lines[len(rows) :], axes, strict=True):
        gains = [*answer.ladder.on(axis), *[answer.ladder.on(axis)[-1]] * len(unused)]
        turned = [(1 if way == "u" else -1) * gains[k // 7 % len(gains)] for k, way in enumerate(clicks)]
        exact = sum(turned) * axis.steps_per_mm
        assert abs(int(line[2]) - exact) <= Fraction(1, 2) + (0 if axis.exact else abs(exact) * Fraction(1, 10**6))
    for (position, name, steps, closed, apart), (rung, axis) in zip(lines[: len(rows)], rows, strict=True):
        gain = answer.ladder.on(axis)[min(rung.position, len(rungs)) - 1]
        exact = net * gain * axis.steps_per_mm
        assert (int(position), name, int(apart)) == (rung.position, axis.name, 0)
        assert int(steps) == int(closed)
        if axis.exact:
            assert int(steps) == (2 * exact.numerator + exact.denominator) // (2 * exact.denominator)
        assert abs(int(steps) - exact) <= Fraction(1, 2) + abs(net) * Fraction(1, 10**6)


@pytest.mark.parametrize(("compiler", "language"), COMPILERS, ids=["C99", "C++11"])
def test_including_it_unused_and_twice_gives_no_warning(compiler, language, tmp_path):
    answer = suggest(read_machine(MACHINES[0]), by="coverage")
    source = '#include "ladder.h"\n#include "ladder.h"\nint main(void) { return JT_RUNGS[0].position == 1 ? 0 : 1; }\n'
    program = build(tmp_path, _suggestion_to_header(answer), compiler, language, source)
    assert subprocess.run([program]).returncode == 0
    build(tmp_path, _suggestion_to_header(answer), compiler, language, '#include "ladder.h"\nint main(void) { return 0; }\n')


def test_a_wrong_header_fails_to_compile(tmp_path):
    answer = suggest(read_machine(MACHINES[0]), by="coverage")
    broken = _suggestion_to_header(answer).replace("static inline int32_t", "static int32_t")
    with pytest.raises(AssertionError, match="jt_click"):
        build(tmp_path, broken, *COMPILERS[0], '#include "ladder.h"\nint main(void) { return 0; }\n')


def test_it_holds_what_firmware_needs(monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    machine = replace(read_machine("datasets/machines/inlay_router.toml"), sha256="ab" * 32)
    answer = suggest(machine, by="coverage")
    text = _suggestion_to_header(answer)
    for words in (
        "Generated by jogtune", "#define JT_GENERATED_AT \"2023-11-14T22:13:20Z\"", "ab" * 32,
        "#define JT_COUNTS_PER_DETENT 4", "#define JT_REPORT_INTERVAL_US 40000", "#define JT_SILENCE_US 250000",
        "it is no safety device", "A lost link must mean stop",
        # position 1 on X: 0.02 mm = 1/50 mm, 8/5 steps, full speed at 100/0.02 = 5000 clicks a second;
        # 100 mm/s x 80 = 8000 steps/s, 400 x 80 = 32000 steps/s2, 600 x 80 = 48000 steps
        '{ 1, "X", "mm", 1u, 1u, 50u, 8u, 5u, 5u, 1, 1, 5000000u, 8000u, 32000u, 48000u, "0.02", JT_EXACT, 3000000u }',
    ):  # fmt: skip
        assert words in text
    assert text == _suggestion_to_header(answer)


def test_every_caution_stands_in_its_comment():
    for path in MACHINES:
        answer = suggest(read_machine(path), by="coverage")
        comment = " ".join(_suggestion_to_header(answer).split("*/")[0].replace("\n * ", " ").split())
        told = [" ".join(_c_comment(text).split()) for text in cautions(answer)]
        assert len(told) > 4
        assert [text for text in told if text not in comment] == []


def test_what_is_too_coarse_or_unknown_is_not_advised_near_people():
    stage = read_machine("datasets/machines/slide_stage.toml")
    rows = records(_suggestion_to_header(suggest(stage, by="coverage")), '"A", "deg"')
    assert rows
    assert all(row[10] == "0" for row in rows)


def test_near_people_goes_by_the_stray_click_and_clamps_are_told():
    router = read_machine("datasets/machines/inlay_router.toml")
    answer = suggest(router, by="coverage")
    text = _suggestion_to_header(answer)
    rows = records(text, '"X", "mm"')
    # a stray click peaks at sqrt(400 g): 14 mm/s on 0.5 mm, 45 on 5 mm; calm is 33.3
    assert [row[10] for row in rows] == ["1", "1", "1", "0", "0", "0"]
    assert "#define JT_CALM_STEPS_S_1 2666u /* X: clamp near people */" in text
    assert "#define JT_CALM_STEPS_S_3 4000u" in text
    assert "#define JT_LIMIT_STEPS_1 952u /* X: drop whole clicks beyond */" in text


def test_an_inexact_axis_is_marked():
    table = read_machine("datasets/machines/sign_table.toml")
    rows = records(_suggestion_to_header(suggest(table, by="coverage")), '"mm", ')
    assert {row[1]: row[9] for row in rows} == {'"X"': "0", '"Y"': "1", '"Z"': "1"}


def test_texts_are_made_harmless():
    assert _c_text("µ\n") == '"\\302\\265\\012"'
    assert "*/" not in _c_comment("*/ **/ */*/")
    assert "/*" not in _c_comment("/*/ //*")
    with pytest.raises(ValueError, match="doesn't fit"):
        _fit_ratio(Fraction(2**40))
    assert _fit_ratio(Fraction(10**12 + 1, 10**12)) == 1


def test_axes_have_names_of_their_own_in_c():
    router = read_machine(MACHINES[0])
    axes = [replace(router.axes[0], name=name) for name in ("x", "a-b", "a b", "×", "2 Z")]
    assert _axis_names(replace(router, axes=tuple(axes))) == ["AXIS_X", "AXIS_2", "AXIS_3", "AXIS_4", "AXIS_2_Z"]


def test_a_faulty_epoch_is_refused(monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "yesterday")
    with pytest.raises(InputFault, match="whole seconds since 1970"):
        _suggestion_to_header(suggest(read_machine(MACHINES[0]), by="coverage"))
