"""One study in many formats is one study: it proves identically from each."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

import waysapart as wa
from places import PLACES, cells, rows_and_dates, without
from study_formats import write_study

ESTUARY = Path(__file__).resolve().parents[2] / "examples" / "estuary"


def _facts(folder: Path) -> dict[str, Any]:
    """All that was found; which files and rows it came from, and when, is left out."""
    facts = wa.prove(wa.read_study(folder)).facts()
    for key in ("inputs", "made", "notes", "ages"):
        facts.pop(key)
    facts["layers"] = rows_and_dates(facts["layers"])
    facts["records"] = cells(facts["records"])
    text = re.sub(r"\brow \d+", "row", json.dumps(without(PLACES, facts), sort_keys=True))
    found: dict[str, Any] = json.loads(text)
    for row in found["assumptions"]:
        row.pop("source")
    return found


@pytest.fixture(scope="module")
def original() -> dict[str, Any]:
    return _facts(ESTUARY)


@pytest.mark.parametrize("fmt", ["gpkg", "fgb", "shp", "parquet"])
def test_proves_identically(fmt: Any, original: dict[str, Any], tmp_path: Path) -> None:
    """A Shapefile cuts names to ten letters; the columns that go with it map them back."""
    write_study(wa.read_study(ESTUARY), tmp_path / "copy", fmt)
    found = _facts(tmp_path / "copy")
    assert found == original


def test_geojson_tells_the_same_but_for_rounding(original: dict[str, Any], tmp_path: Path) -> None:
    """GeoJSON holds degrees, so figures differ by the rounding of coordinates and no more."""
    write_study(wa.read_study(ESTUARY), tmp_path / "copy", "geojson")
    found = _facts(tmp_path / "copy")
    for mine, theirs in zip(found["circuits"], original["circuits"], strict=True):
        for key in ("id", "verdict", "within_limits", "shared", "unavoidable", "gaps"):
            assert mine[key] == theirs[key]
        for label, path in mine["paths"].items():
            assert path["length_m"] == pytest.approx(theirs["paths"][label]["length_m"], abs=0.01)
