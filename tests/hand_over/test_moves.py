"""The trial moves, walked by a small interpreter of the ISO 6983 words they use.

Decisions that these tests hold:

- Nothing is assumed of where the machine stands: every move is relative, none goes below where its axis began, and each axis
  says what must be free on either side. Z goes first, away from the work (plus, ISO 841), and stays there.
- Units are chosen by G20 or G21, which don't stand in ISO 6983-1 but which small controllers understand (common practice, no
  source); where G70 and G71 choose units in the EIA list, others take them for turning cycles (from memory), so they are not
  written, and what doesn't know G21 ends in an error or is found out by the first move.
- That move is 1 mm, 0.04 in or 1 deg in 2 s, a stop before and behind it; taken for the other unit it still fits.
- Feeds are a quarter of the calm (else top) speed at most; a rung is tried by 3 clicks, fewer beyond 10 mm: our choices.
- Touching off is rehearsed in the air only: a controller that runs on past a stop would go on into the work.
"""

import itertools
import re
from dataclasses import replace
from fractions import Fraction

import pytest

from jogtune.choose.suggest import own_answer, suggest
from jogtune.files import InputFault
from jogtune.hand_over.moves import _remark, _suggestion_to_moves
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine
from jogtune.words.answer import cautions
from places import MACHINES

ROUTER, STAGE, SIGN = (read_machine(MACHINES / f"{name}.toml") for name in ("inlay_router", "slide_stage", "sign_table"))
ISO = ["G01", "G90", "G91", "G94", "M00", "M05", "M30"]
"""Words of ISO 6983-1 (1982)."""


def answers():
    for machine in (ROUTER, STAGE, SIGN):
        for rungs in (None, machine.selector.positions):
            yield f"{machine.name}-{rungs}", suggest(machine, rungs=rungs, by="coverage")
    short = tuple(replace(axis, reach_mm=axis.reach_mm / 20) for axis in ROUTER.axes)
    yield "short travel", suggest(replace(ROUTER, axes=short), by="coverage")
    yield "over the limit", own_answer(ROUTER, Ladder.parse("0.02, 0.1, 0.5, 2, 8"))


ANSWERS = dict(answers())


def walk(text):
    """The moves in order, each axis, size, place after it [mm or degrees] and feed, with None for every stop, and the last mode.

    Raises AssertionError at a word it doesn't know, at a move before unit, mode and feed are set, at anything behind the end."""
    scale, mode, feed, ended, places, walked = None, "", 0.0, False, {}, []
    for line in text.splitlines():
        bare = re.sub(r"\([^()]*\)", " ", line)
        assert bare.isascii()
        assert not ended
        words = bare.split()
        for word in words:
            if word in ("G20", "G21"):
                scale = Fraction(254, 10) if word == "G20" else Fraction(1)
            elif word in ("G90", "G91"):
                mode = word
            elif word[0] == "F":
                feed = float(word[1:])
            elif word == "M00":
                walked.append(None)
            elif word not in ISO:
                assert re.fullmatch(r"[XYZABC]-?[0-9]+\.[0-9]+", word), word
                assert words == ["G01", word]
                assert mode == "G91"
                assert scale
                assert feed > 0
                unit = 1 if word[0] in "ABC" else scale
                size = Fraction(word[1:]) * unit
                places[word[0]] = places.get(word[0], Fraction(0)) + size
                walked.append((word[0], size, places[word[0]], feed * float(unit)))
            ended = ended or word == "M30"
    assert ended
    return walked, mode


def moves_of(walked, axis):
    return [move for move in walked if move and move[0] == axis]


def parts_of(walked):
    """The moves between stops."""
    return [list(part) for stop, part in itertools.groupby(walked, key=lambda move: move is None) if not stop]


@pytest.fixture(params=ANSWERS)
def answer(request):
    return ANSWERS[request.param]


def remarks(text):
    return " ".join(re.findall(r"\((.*)\)", text))


def test_nothing_goes_below_where_it_was_put_nor_beyond_what_is_said_to_be_free(answer):
    text = _suggestion_to_moves(answer)
    walked, mode = walk(text)
    assert mode == "G90"
    for axis in answer.machine.axes:
        places = [place for _, _, place, _ in moves_of(walked, axis.name)]
        assert places
        assert min(places) >= 0
        said = re.search(rf"{axis.name}: (\S+) (mm|in|deg) towards plus, (\S+) \S+ towards minus", remarks(text))
        factor = 25.4 if said[2] == "in" else 1
        assert float(max(places)) <= float(said[1]) * factor * 1.00001
        wrong = 25.4 if said[2] == "mm" else 1  # the first move taken for inches, or the wrong way
        assert float(places[0]) * wrong <= min(float(said[1]), float(said[3])) * factor * 1.00001
        assert float(places[0]) * wrong <= axis.reach_mm / 2
        assert max(places) <= axis.reach_mm / 2 + float(places[0])


def test_nothing_is_said_of_a_place_nobody_knows(answer):
    assert not re.search(r"low end|mid-travel|margin|home|G28|G53|G92|G54", remarks(_suggestion_to_moves(answer)) + str(_suggestion_to_moves(answer).split("\n")))


def test_z_goes_first_and_stays_away_and_the_others_come_back(answer):
    text = _suggestion_to_moves(answer)
    walked, _ = walk(text)
    order = [axis for axis, _ in itertools.groupby(move[0] for move in walked if move)]
    assert order == sorted(set(order), key=order.index), "one axis at a time"
    for name in order:
        moves = moves_of(walked, name)
        if name == "Z":
            assert order[0] == "Z"
            trials = re.findall(r"G01 Z(-?)", text.split("rehearsed")[0])
            assert trials
            assert "-" not in trials, "only the rehearsal comes down"
            assert moves[-1][2] == moves[len(trials) - 1][2]
        else:
            assert moves[-1][2] == 0


def test_each_part_is_of_one_axis_stands_behind_a_stop_and_says_how_far_it_goes(answer):
    text = _suggestion_to_moves(answer)
    walked, _ = walk(text)
    assert walked[0] is None, "a stop before the first move"
    for part in parts_of(walked):
        assert len({axis for axis, *_ in part}) == 1
    told = text.split("\nM05\n")[1].split("\nM00\n")
    for before, part in itertools.pairwise(told):
        said = remarks(before)
        sizes = [abs(float(word)) for word in re.findall(r"G01 [A-Z](-?[0-9.]+)", part)]
        one_way = sum(sizes) / (2 if "and back" in said else 1)
        figures = [float(number) for number in re.findall(r"(?<![\w.])\d+(?:\.\d+)?(?= (?:mm|in|deg)\b)", said)]
        steps = re.search(r"up (\d+) x ([\d.]+)", said)
        assert any(one_way == pytest.approx(figure, rel=1e-5) for figure in figures) or steps or "a stop after each" in said or not said, said


def test_the_first_move_of_an_axis_checks_the_unit_between_two_stops(answer):
    text = _suggestion_to_moves(answer)
    parts = parts_of(walk(text)[0])
    for axis in answer.machine.axes:
        unit = answer.machine.shown_unit(axis)
        first, *_ = [part for part in parts if part[0][0] == axis.name]
        ((_, size, _, feed),) = first
        usual = {"mm": 1.0, "in": 0.04 * 25.4, "deg": 1.0}[unit]
        assert float(size) == pytest.approx(usual) or axis.reach_mm < 2 * 25.4 * usual
        assert float(size) / feed * 60 == pytest.approx(2, rel=0.01) or feed == pytest.approx(quarter(axis), rel=0.005)
        said = remarks(text).split(f"Check on the readout: {axis.name} moved")[1][:60]
        assert ("25.4 mm or 0.0394 mm" in said) == (unit == "mm" and float(size) == 1.0)
        assert (", not" in said) == (unit != "deg")


def quarter(axis):
    return 60 * (axis.calm_speed_mm_s or axis.top_speed_mm_s) / 4


def test_feeds_are_a_quarter_of_the_calm_speed_at_most(answer):
    for axis, _, _, feed in filter(None, walk(_suggestion_to_moves(answer))[0]):
        assert 0 < feed <= quarter(answer.machine.axis(axis)) * 1.005  # three digits of feed


def test_the_file_opens_with_unit_spindle_clearance_and_the_cautions(answer):
    text = _suggestion_to_moves(answer)
    lines = text.splitlines()
    assert lines[0].startswith("G20" if answer.machine.show_in == "in" else "G21")
    assert "SPINDLE OFF, TOOL CLEAR" in lines[1]
    assert max(len(line) for line in lines) <= 80
    head = remarks(text.split("\nM05\n")[0])
    told = [" ".join(_remark(text)[1:-1].split()) for text in cautions(answer)]
    assert [text for text in told if text not in head] == []
    assert "If it runs on past the first one, press the stop" in head


def test_no_word_is_said_to_be_of_iso_6983_that_is_not(answer):
    text = _suggestion_to_moves(answer)
    claimed = re.search(r"([GM\d ]+) are words of ISO 6983-1. (G2[01]) is not", remarks(text))
    assert claimed[1].split() == ISO
    words = set(re.findall(r"\b[GM]\d+\b", re.sub(r"\([^()]*\)", " ", text)))
    assert words - {*ISO} == {claimed[2]}
    other = {"G20": "G70", "G21": "G71"}[claimed[2]]
    assert f"needs {other} in the first line" in remarks(text)


def test_every_rung_is_tried_from_the_finest_or_its_absence_said(answer):
    text = remarks(_suggestion_to_moves(answer))
    for axis in answer.machine.axes:
        found = re.findall(rf"{axis.name} position (\d+)(:| left out)", text.split("rehearsed")[0] if axis.name == "Z" else text)
        assert [int(n) for n, _ in found] == [rung.position for rung in answer.ladder.rungs]
        mine = [row for row in answer.rows if row.axis == axis.name]
        for (_, end), row in zip(found, mine, strict=True):
            assert end == ":" or row.repeats or not row.free_detents_s or row.gain_mm > axis.reach_mm / 2 / 3


def test_a_rung_is_left_out_with_the_reason():
    over = remarks(_suggestion_to_moves(ANSWERS["over the limit"]))
    assert "Z position 5 left out: a click is over the limit, so the knob moves nothing" in over
    short = replace(ROUTER, axes=(replace(ROUTER.axes[0], reach_mm=9.9), *ROUTER.axes[1:]))
    told = remarks(_suggestion_to_moves(own_answer(short, Ladder.parse("0.02, 0.1, 0.5, 5"))))
    assert "X position 4 left out: a click is too long for half of the reach" in told
    assert "Y position 4: 2 x 5 mm" in told
    same = own_answer(ROUTER, Ladder.parse("0.02, 0.1, 0.5, 2; Z: 0.02, 0.1, 0.5, 0.5"))
    assert "Z position 4 left out: it moves what the one before does" in remarks(_suggestion_to_moves(same))


def test_a_move_is_one_click():
    # by hand: position 1 of the inlay router is 0.02 mm a click: three clicks out and three back; of 5 mm two, of 8 mm one
    lines = _suggestion_to_moves(suggest(ROUTER, by="coverage")).splitlines()
    assert (lines.count("G01 X0.02"), lines.count("G01 X-0.02"), lines.count("G01 Z0.02")) == (3, 3, 3)
    assert (lines.count("G01 X5.0"), lines.count("G01 X-5.0")) == (2, 2)
    assert _suggestion_to_moves(ANSWERS["over the limit"]).splitlines().count("G01 X8.0") == 1
    assert "G01 X0.001\n" in _suggestion_to_moves(ANSWERS["sign table-None"])


def test_touching_off_is_rehearsed_in_the_air_click_by_click():
    answer = ANSWERS["over the limit"]
    text = _suggestion_to_moves(answer)
    walked, _ = walk("G21\nG91\nF1\n" + text.split("rehearsed in the air.")[1].split("(X, first move")[0].split("\n", 2)[2] + "\nM30")
    sizes = [[float(size) for _, size, _, _ in part] for part in parts_of(walked)]
    # by hand: 3 of position 2, each behind a stop; back 0.1 + 2 · 0.02 = 7 of position 1, 2 on, then 5, each behind a stop
    assert sizes == [[0.3], *[[-0.1]] * 3, [0.14, -0.04], *[[-0.02]] * 5]
    places = list(itertools.accumulate(size for part in sizes for size in part))
    assert min(places) > -1e-9
    assert places[-1] == pytest.approx(0)
    assert "rehearsed" not in _suggestion_to_moves(suggest(STAGE, by="coverage"))


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
    assert "G0 " not in re.sub(r"\([^()]*\)", "", text)
    assert "%" not in text
    assert _remark("(x)") == "([x])"
