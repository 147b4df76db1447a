"""Records in evidence are confirmed in any grid, and what of a forgery is not held is said."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from small_study import write_small_study
from waysapart.evidence_file import in_file, in_full
from waysapart.recheck import recheck

DAY = date(2026, 6, 1)


def evidence(study: Path) -> Any:
    return json.loads(json.dumps(wa.prove(wa.read_study(study, on=DAY)).facts()))


def rechecked(study: Path, facts: Any, folder: Path) -> Any:
    file = folder / "evidence.json"
    file.write_text(json.dumps(in_file(facts)), encoding="utf-8")
    return recheck(study, file)


def more(study: Path, text: str) -> None:
    with (study / "study.toml").open("a", encoding="utf-8") as file:
        file.write(text)


def test_degrees_under_another_name_are_the_same_degrees(tmp_path: Path) -> None:
    """Files of GeoParquet without a word on it are in OGC:CRS84: WGS 84, longitude first."""
    study = write_small_study(tmp_path / "study")
    before = evidence(study)
    layer = '\n[[layer]]\nrole = "structures"\nsource = "structures.geojson"\ncrs = "OGC:CRS84"\n'
    more(study, layer)
    facts = evidence(study)
    assert {table["crs"] for table in facts["records"]["tables"]} == {None}
    assert rechecked(study, facts, tmp_path)["false"] == []
    assert wa.compare(before, wa.read_study(study, on=DAY)).facts()["records_changed"] == []


def test_a_hazard_that_cannot_lie_where_it_is_drawn_has_no_geometry_on_record(
    tmp_path: Path,
) -> None:
    study = write_small_study(tmp_path / "study")
    (study / "hazards.csv").write_text(
        "id,kind,reach_m,geometry\n"
        'F,flood,5,"POLYGON ((9 53, 9 54, 10 54, 9 53))"\n'
        "G,flood,5,POINT (500000 5980000)\n",
        encoding="utf-8",
    )
    facts = evidence(study)
    assert ("unusable-geometry", "F") in {(gap["code"], gap["asset"]) for gap in facts["gaps"]}
    assert rechecked(study, facts, tmp_path)["false"] == []


def test_another_grid_is_told_even_where_the_inputs_are_forged(tmp_path: Path) -> None:
    """Other SHA-256 alone must not hide that the geometry stands in another grid."""
    study = write_small_study(tmp_path / "study")
    facts = evidence(study)
    facts["inputs"][0]["sha256"] = "0" * 64
    found = rechecked(study, facts, tmp_path)
    assert found["false"] == []
    assert any(one.startswith("records: accuracy, file") for one in found["not_checked"])
    table = next(one for one in facts["records"]["tables"] if one["role"] == "segments")
    table["crs"] = "EPSG:32633"
    false = rechecked(study, facts, tmp_path)["false"]
    assert len(false) == 2 * len(table["rows"])
    assert "crs EPSG:32633" in false[0]


@pytest.mark.parametrize("cell", [float("nan"), None, "", 0])
def test_evidence_is_written_whatever_a_cell_holds(cell: Any, tmp_path: Path) -> None:
    facts = evidence(write_small_study(tmp_path / "study"))
    table = next(one for one in facts["records"]["tables"] if one["role"] == "cables")
    table["rows"][0][0] = cell
    again = next(
        one for one in in_full(in_file(facts))["records"]["tables"] if one["role"] == "cables"
    )
    assert repr(again["rows"]) == repr(table["rows"])
