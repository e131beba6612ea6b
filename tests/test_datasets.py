"""Every shipped file is described, and is what its description says."""

from __future__ import annotations

import json

import pytest

from places import ROOT

frictionless = pytest.importorskip("frictionless")

DATASETS = ROOT / "datasets"
PACKAGE = json.loads((DATASETS / "datapackage.json").read_text(encoding="utf-8"))


def test_the_package_is_valid() -> None:
    report = frictionless.validate(str(DATASETS / "datapackage.json"))
    assert report.valid, report.flatten(["rowNumber", "fieldNumber", "type", "note"])[:10]


def test_every_file_is_described_once() -> None:
    described = [resource["path"] for resource in PACKAGE["resources"]]
    described += [r["licence_file"] for r in PACKAGE["resources"] if "licence_file" in r]
    there = {p.relative_to(DATASETS).as_posix() for p in DATASETS.rglob("*") if p.is_file() and not p.name.startswith(".")}
    assert there - set(described) == {"datapackage.json", "README.md"}
    assert set(described) <= there


@pytest.mark.parametrize("resource", PACKAGE["resources"], ids=lambda r: r["path"])
def test_each_file_has_origin_licence_and_says_whether_it_is_simulated(resource: dict[str, object]) -> None:
    assert resource["sources"]
    assert resource["licenses"]
    assert isinstance(resource["simulated"], bool)
    if "simulated" in str(resource["path"]) and not str(resource["path"]).endswith("roster.csv"):
        assert resource["simulated"]
        assert "# simulated: yes" in (DATASETS / str(resource["path"])).read_text(encoding="utf-8")


@pytest.mark.parametrize("resource", [r for r in PACKAGE["resources"] if "schema" in r], ids=lambda r: r["path"])
def test_every_figure_has_its_unit(resource: dict[str, object]) -> None:
    unitless = {"exact", "rung", "target", "trials", "hit_share", "part_class"}
    for field in resource["schema"]["fields"]:  # type: ignore[index]
        name = field["name"]
        if field["type"] == "number" and name not in unitless:
            assert field.get("unit"), name
