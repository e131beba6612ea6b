"""The trial moves, walked by a small interpreter of the ISO 6983 words they use."""

import itertools
import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from jogtune.choose.suggest import suggest
from jogtune.files import InputFault
from jogtune.hand_over.moves import _margin_mm, _plan_trials, _remark, _suggestion_to_moves
from jogtune.machine.file import read_machine
from jogtune.words.answer import cautions

MACHINES = sorted(Path("datasets/machines").glob("*.toml"))
ROUTER = read_machine("datasets/machines/inlay_router.toml")


def answers():
    for path in MACHINES:
        machine = read_machine(path)
        for rungs in (None, machine.selector.positions):
            yield f"{path.stem}-{rungs}", suggest(machine, rungs=rungs, by="coverage")
    short = tuple(replace(axis, reach_mm=axis.reach_mm / 20) for axis in ROUTER.axes)
    yield "short travel", suggest(replace(ROUTER, axes=short), by="coverage")


ANSWERS = dict(answers())


def walk(text: str) -> tuple[dict[str, list[Fraction]], list[tuple[str, float]], str]:
    """Every place of every axis from where it began (mm or degrees), the moves with their feeds, and the last mode.

    Raises AssertionError at a word it doesn't know, at a move before unit, mode and feed are set.
    """
    scale, mode, feed = None, "", 0.0
    places: dict[str, list[Fraction]] = {}
    moves = []
    for line in text.splitlines():
        words = re.sub(r"\([^()]*\)", " ", line).split()
        assert re.sub(r"\([^()]*\)", "", line).isascii()
        for word in words:
            if word in ("G20", "G21"):
                scale = Fraction(254, 10) if word == "G20" else Fraction(1)
            elif word in ("G90", "G91"):
                mode = word
            elif word[0] == "F":
                feed = float(word[1:])
            elif word not in ("G1", "G94", "M5"):
                assert re.fullmatch(r"[XYZABC]-?[0-9]+\.[0-9]+", word), word
                assert words[0] == "G1"
                assert mode == "G91"
                assert scale
                assert feed > 0
                size = Fraction(word[1:]) * (1 if word[0] in "ABC" else scale)
                places.setdefault(word[0], [Fraction(0)]).append(places.get(word[0], [Fraction(0)])[-1] + size)
                moves.append((word[0], feed * (1 if word[0] in "ABC" else float(scale))))
    return places, moves, mode


@pytest.mark.parametrize("name", ANSWERS)
def test_no_move_comes_within_the_margin_of_an_end(name):
    answer = ANSWERS[name]
    places, _, mode = walk(_suggestion_to_moves(answer))
    assert mode == "G90"
    assert places
    for axis in answer.machine.axes:
        walked = places.get(axis.name, [Fraction(0)])
        reach, margin = Fraction(str(axis.reach_mm)), _margin_mm(axis)
        start = margin if axis.name == "Z" else reach / 2
        assert min(walked) + start >= margin
        assert max(walked) + start <= reach - margin
        assert margin >= reach / 20


@pytest.mark.parametrize("name", ANSWERS)
def test_z_only_moves_away_from_the_work_and_the_others_come_back(name):
    places, _, _ = walk(_suggestion_to_moves(ANSWERS[name]))
    for axis, walked in places.items():
        steps = [b - a for a, b in itertools.pairwise(walked)]
        if axis == "Z":
            assert all(step > 0 for step in steps)
        else:
            assert walked[-1] == 0


@pytest.mark.parametrize("name", ANSWERS)
def test_feeds_are_a_quarter_of_the_calm_speed_at_most(name):
    answer = ANSWERS[name]
    for axis, feed in walk(_suggestion_to_moves(answer))[1]:
        found = answer.machine.axis(axis)
        calm = found.calm_speed_mm_s or found.top_speed_mm_s
        assert 0 < feed <= 60 * calm / 4 * 1.005  # three digits of feed


@pytest.mark.parametrize("name", ANSWERS)
def test_the_file_opens_with_unit_travel_clearance_and_the_caution(name):
    answer = ANSWERS[name]
    text = _suggestion_to_moves(answer)
    lines = text.splitlines()
    assert lines[0].startswith("G20" if answer.machine.show_in == "in" else "G21")
    assert "SPINDLE OFF, TOOL CLEAR" in lines[1]
    first_move = next(n for n, line in enumerate(lines) if line.startswith("G1 "))
    head = " ".join(lines[:first_move]).replace(") (", " ")
    assert max(len(line) for line in lines) <= 80
    places, _, _ = walk(text)
    for axis in answer.machine.axes:
        said = re.search(rf"[( ]{axis.name}: total travel (\S+) (mm|in|deg), .*?needs (\S+) .* free", head)
        walked = places.get(axis.name, [Fraction(0)])
        unit = 25.4 if said[2] == "in" else 1
        travel = sum(abs(b - a) for a, b in itertools.pairwise(walked))
        assert float(said[1]) * unit == pytest.approx(float(travel), rel=1e-5)
        assert float(said[3]) * unit == pytest.approx(float(max(walked)), rel=1e-5)
    told = [" ".join(_remark(text)[1:-1].split()) for text in cautions(answer)]
    assert [text for text in told if text not in " ".join(head.split())] == []
    assert "M5" in head


def test_every_rung_is_tried_or_its_absence_said():
    for answer in ANSWERS.values():
        text = _suggestion_to_moves(answer)
        for axis in answer.machine.axes:
            part = text.split(f"(axis {axis.name} at")[1].split("(axis ")[0]
            for rung in answer.ladder.rungs:
                assert f"(position {rung.position}" in part
    assert "left out" in _suggestion_to_moves(ANSWERS["short travel"])


def test_a_move_is_one_click():
    # by hand: position 1 of the inlay router is 0.02 mm a click, three clicks out and three back
    lines = _suggestion_to_moves(suggest(ROUTER, by="coverage")).splitlines()
    assert lines.count("G1 X0.02") == 3
    assert lines.count("G1 X-0.02") == 3
    assert lines.count("G1 Z0.02") == 3
    rows = [row for row in suggest(ROUTER, by="coverage").rows if row.axis == "Z"]
    trials = _plan_trials(ROUTER.axis("Z"), rows)
    assert [trial.clicks for trial in trials] == [3, 3, 3, 3]


def test_inches_are_written_as_inches():
    text = _suggestion_to_moves(suggest(read_machine("datasets/machines/sign_table.toml"), by="coverage"))
    assert "G1 X0.001\n" in text


def test_axes_without_a_letter_are_refused():
    named = replace(ROUTER, axes=(replace(ROUTER.axes[0], name="table"), *ROUTER.axes[1:]))
    with pytest.raises(InputFault, match="axis table: has no ISO 6983 letter: name it one of X, Y, Z"):
        _suggestion_to_moves(suggest(named, by="coverage"))
    twice = replace(ROUTER, axes=(replace(ROUTER.axes[0], name="y"), *ROUTER.axes[1:]))
    with pytest.raises(InputFault, match="two axes have one letter"):
        _suggestion_to_moves(suggest(twice, by="coverage"))


def test_names_can_not_break_out_of_a_remark():
    wild = replace(ROUTER, name="a) G0 Z-50 (b % µ")
    text = _suggestion_to_moves(suggest(wild, by="coverage"))
    walk(text)
    assert "G0" not in re.sub(r"\([^()]*\)", "", text)
    assert "%" not in text
    assert _remark("(x)") == "([x])"
