"""JSON against its schema and back, exactly; the Markdown table."""

import copy
import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from jogtune.choose.suggest import suggest
from jogtune.hand_over.data import suggestion_to_dict
from jogtune.hand_over.export import _suggestion_to_markdown
from jogtune.machine.file import read_machine

jsonschema = pytest.importorskip("jsonschema")
MACHINES = sorted(Path("datasets/machines").glob("*.toml"))
ROUTER = read_machine("datasets/machines/inlay_router.toml")
SCHEMA = json.loads(Path("jogtune/hand_over/ladder.schema.json").read_text(encoding="utf-8"))
CASES = [(path, series) for path in MACHINES for series in ("plain", "1-2-5", "R5", "doubling")]


@pytest.mark.parametrize(("path", "series"), CASES, ids=lambda value: getattr(value, "stem", value))
def test_json_meets_its_schema_and_reads_back_exactly(path, series):
    answer = suggest(read_machine(path), series=series, by="coverage")
    content = json.loads(answer.to_json())
    jsonschema.Draft202012Validator(SCHEMA).validate(content)
    assert Fraction(content["base_mm"]) == answer.ladder.base_mm
    assert [rung["multiplier"] for rung in content["rungs"]] == list(answer.ladder.multipliers)
    assert [Fraction(rung["gain_mm"]) for rung in content["rungs"]] == list(answer.ladder.gains_mm)


def test_what_the_search_found_meets_the_schema_too():
    answer = suggest(ROUTER, series="1-10-100")
    content = suggestion_to_dict(answer)
    assert content["searched"] > 0
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(json.dumps(content)))


def test_the_schema_itself_is_valid_and_refuses_what_is_wrong():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    validator = jsonschema.Draft202012Validator(SCHEMA)
    good = suggestion_to_dict(suggest(ROUTER, by="coverage"))
    for key, value in (("base_mm", "0.02"), ("unit", "cm"), ("rungs", []), ("cautions", []), ("positions", 0)):
        assert not validator.is_valid({**good, key: value}), key
    for key, value in (("gain_mm", 0.02), ("multiplier", 1.5), ("axes", {}), ("position", 0)):
        bad = copy.deepcopy(good)
        bad["rungs"][0][key] = value
        assert not validator.is_valid(bad), key


def test_the_markdown_table_has_a_row_per_rung_and_says_the_cautions():
    text = _suggestion_to_markdown(suggest(ROUTER, by="coverage"))
    rows = [line for line in text.splitlines() if line.startswith("|")]
    assert len(rows) == 2 + len(suggest(ROUTER, by="coverage").rows)
    assert len({line.count("|") for line in rows}) == 1
    assert "| 1 | ×1 | 0.02 mm | X | 1.6 (not whole) | 1250 |" in text
    assert "no safety device" in text
    assert "## Cautions" in text


def test_names_make_no_markup():
    wild = replace(ROUTER, name="a|b <b>*c*", axes=(replace(ROUTER.axes[0], name="X|1"), *ROUTER.axes[1:]))
    text = _suggestion_to_markdown(suggest(wild, by="coverage"))
    assert text.startswith("# Ladder of a\\|b \\<b>\\*c\\*")
    rows = [line.replace("\\|", "") for line in text.splitlines() if line.startswith("|")]
    assert len({line.count("|") for line in rows}) == 1
