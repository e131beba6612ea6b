"""JSON against its schema and back, exactly; the Markdown table."""

import copy
import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jogtune.choose.suggest import suggest
from jogtune.files import InputFault
from jogtune.hand_over.data import ladder_from_dict, ladder_schema, read_ladder, suggestion_to_dict, write_json
from jogtune.hand_over.export import suggestion_to_markdown
from jogtune.ladder.ladder import Ladder
from jogtune.machine.file import read_machine

jsonschema = pytest.importorskip("jsonschema")
MACHINES = sorted(Path("datasets/machines").glob("*.toml"))
ROUTER = read_machine("datasets/machines/inlay_router.toml")
CASES = [(path, series) for path in MACHINES for series in ("plain", "1-2-5", "R5", "doubling")]


@pytest.mark.parametrize(("path", "series"), CASES, ids=lambda value: getattr(value, "stem", value))
def test_json_meets_its_schema_and_reads_back_exactly(path, series, tmp_path):
    answer = suggest(read_machine(path), series=series, by="coverage")
    written = write_json(tmp_path / "ladder.json", answer)
    jsonschema.Draft202012Validator(ladder_schema()).validate(json.loads(written.read_text()))
    assert read_ladder(written) == answer.ladder


def test_what_the_search_found_meets_the_schema_too():
    answer = suggest(ROUTER, series="1-10-100")
    content = suggestion_to_dict(answer)
    assert content["searched"] > 0
    jsonschema.Draft202012Validator(ladder_schema()).validate(json.loads(json.dumps(content)))
    assert ladder_from_dict(content) == answer.ladder


def test_the_schema_itself_is_valid_and_refuses_what_is_wrong():
    jsonschema.Draft202012Validator.check_schema(ladder_schema())
    validator = jsonschema.Draft202012Validator(ladder_schema())
    good = suggestion_to_dict(suggest(ROUTER, by="coverage"))
    for key, value in (("base_mm", "0.02"), ("unit", "cm"), ("rungs", []), ("cautions", []), ("positions", 0)):
        assert not validator.is_valid({**good, key: value}), key
    for key, value in (("gain_mm", 0.02), ("multiplier", 1.5), ("axes", {}), ("position", 0)):
        bad = copy.deepcopy(good)
        bad["rungs"][0][key] = value
        assert not validator.is_valid(bad), key


@settings(max_examples=60, deadline=None)
@given(
    base=st.fractions(min_value=Fraction(1, 10**6), max_value=10, max_denominator=10**6).filter(bool),
    multipliers=st.sets(st.integers(1, 10**6), min_size=1, max_size=12),
    unit=st.sampled_from(["mm", "in", "deg"]),
)
def test_any_ladder_reads_back_exactly(base, multipliers, unit):
    ladder = Ladder(base_mm=base, multipliers=tuple(sorted(multipliers)), show_in=unit)
    rungs = [{"position": r.position, "multiplier": r.multiplier, "gain_mm": str(r.gain_mm)} for r in ladder.rungs]
    text = json.dumps({"unit": unit, "base_mm": str(base), "rungs": rungs})
    assert ladder_from_dict(json.loads(text)) == ladder


def change(rung, key, value):
    content = suggestion_to_dict(suggest(ROUTER, by="coverage"))
    target = content if rung is None else content["rungs"][rung]
    target[key] = value
    return content


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (change(None, "base_mm", 0.02), "base_mm = 0.02: must be a fraction above 0 as text"),
        (change(None, "base_mm", "1/0"), "base_mm = '1/0'"),
        (change(None, "unit", "cm"), "unit = 'cm': must be mm, in or deg"),
        (change(None, "rungs", []), "rungs: must be a list"),
        (change(0, "gain_mm", "1/49"), "rung 1: gain_mm = '1/49': must be multiplier × base_mm, 1/50"),
        (change(1, "multiplier", 2.5), "rung 2: multiplier = 2.5: must be a whole number"),
        (change(1, "position", 7), "rung 2: position = 7: must be 2"),
        ([1, 2], "unit = None"),
        ("text", "base_mm = None"),
    ],
)
def test_faulty_json_is_refused_with_the_place(content, words):
    with pytest.raises(InputFault) as caught:
        ladder_from_dict(content)
    assert words in str(caught.value)


def test_what_is_no_json_is_refused(tmp_path):
    path = tmp_path / "ladder.json"
    for text in ("", "{", "[" * 100_000):
        path.write_text(text)
        with pytest.raises(InputFault, match="is not JSON"):
            read_ladder(path)


def test_the_markdown_table_has_a_row_per_rung_and_says_the_cautions():
    text = suggestion_to_markdown(suggest(ROUTER, by="coverage"))
    rows = [line for line in text.splitlines() if line.startswith("|")]
    assert len(rows) == 2 + len(suggest(ROUTER, by="coverage").rows)
    assert len({line.count("|") for line in rows}) == 1
    assert "| 1 | ×1 | 0.02 mm | X | 1.6 (not whole) | 1250 |" in text
    assert "no safety device" in text
    assert "## Cautions" in text


def test_names_make_no_markup():
    wild = replace(ROUTER, name="a|b <b>*c*", axes=(replace(ROUTER.axes[0], name="X|1"), *ROUTER.axes[1:]))
    text = suggestion_to_markdown(suggest(wild, by="coverage"))
    assert text.startswith("# Ladder of a\\|b \\<b>\\*c\\*")
    rows = [line.replace("\\|", "") for line in text.splitlines() if line.startswith("|")]
    assert len({line.count("|") for line in rows}) == 1
