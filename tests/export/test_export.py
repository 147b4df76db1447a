"""One GeoPackage for any GIS: whole or not there, documented, and the same study when read back."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest

import waysapart as wa
from dig_plant import two_ways
from everyday import some
from random_plant import write_random_study
from waysapart.export import geopackage as module
from waysapart.export.layers import LAYERS
from waysapart.study.model import Study

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return two_ways().read(tmp_path_factory.mktemp("export") / "study")


def layer(path: Path, name: str) -> gpd.GeoDataFrame:
    return pyogrio.read_dataframe(path, layer=name)


def names(path: Path) -> set[str]:
    return {str(name) for name, _ in pyogrio.list_layers(path)}


def test_every_layer_has_the_fields_that_are_documented(study: Study, tmp_path: Path) -> None:
    path = tmp_path / "ring.gpkg"
    wa.export(study, path)
    assert set(LAYERS) <= names(path)
    for name, fields in LAYERS.items():
        frame = layer(path, name)
        assert set(frame.columns) - {"geometry"} == set(fields.fields), name
        assert ("geometry" in frame) == (fields.geometry is not None), name


def test_the_page_lists_them() -> None:
    page = (ROOT / "docs" / "export.md").read_text(encoding="utf-8")
    for name, fields in LAYERS.items():
        section = page.split(f"## {name}\n")[1].split("\n## ")[0]
        assert re.findall(r"^\| `(\w+)` \|", section, re.MULTILINE) == list(fields.fields)


def test_tied_plant_and_counts(study: Study, tmp_path: Path) -> None:
    """d1 runs from A to P1, carries CM, and leaves K with one path; A loses it."""
    path = tmp_path / "ring.gpkg"
    wa.export(wa.prove(study), path)
    segments = layer(path, "found_segments").set_index("id")
    row = segments.loc["d1"]
    assert (row["end_a"], row["end_b"], row["cables"]) == ("A", "P1", "CM")
    assert (row["lost"], row["exposed"], row["circuits"]) == (0, 1, 1)
    assert row["ground_m"] == pytest.approx(1000, rel=1e-3)
    assert layer(path, "found_places").set_index("id").loc["A", "lost"] == 1
    ways = layer(path, "found_paths").set_index("path")
    assert ways.loc["main"].geometry.length == pytest.approx(4000, abs=0.1)
    assert ways.loc["alternate"].geometry.length == pytest.approx(4800, abs=0.1)
    contingency = layer(path, "found_contingency")
    assert set(contingency.loc[contingency["state"] == "lost", "asset"]) == {"A", "B", "RA", "RB"}
    circuits = layer(path, "found_circuits").set_index("id")
    assert circuits.loc["K", "verdict"] == "apart"


def test_findings_of_the_demo_lie_where_they_are(estuary_proof: wa.Proof, tmp_path: Path) -> None:
    """C25: trenches 1.5 m apart; C06: one crossing; C03: the trench TR-1 and its right-of-way."""
    path = tmp_path / "ring.gpkg"
    wa.export(estuary_proof, path)
    near = layer(path, "found_near").set_index("test")
    assert (near.loc["C25", "segment"], near.loc["C25", "other"]) == ("U6-D06", "U7-D07")
    assert near.loc["C25"].geometry.length == pytest.approx(near.loc["C25", "length_m"], rel=1e-3)
    cross = layer(path, "found_cross").set_index("test")
    assert cross.loc["C06", "forbidden"] == 1
    shared = layer(path, "found_shared").set_index(["test", "asset"])
    assert shared.loc[("C03", "TR-1"), "avoidable"] == 1
    assert shared.loc[("C03", "ROW-1"), "through"] == "TR-1"
    assert shared.loc[("C16", "ENT-STK-1"), "waived"] == 1
    assert shared.loc[("C08", "BAT-STK-3")].geometry is not None, "drawn at its site"
    hazards = layer(path, "found_hazards").set_index("id")
    assert hazards.loc["HZ-FLOOD-1", "lost"] == 1
    gaps = layer(path, "found_gaps").set_index("asset")
    assert gaps.loc["UC-U6B", "tests"] == "C09"


def test_reading_it_back_gives_the_same_study(estuary_proof: wa.Proof, tmp_path: Path) -> None:
    made = wa.export(estuary_proof, tmp_path / "ring.gpkg")
    assert [one.name for one in made] == ["ring.gpkg", "ring.toml", "ring-rules.toml"]
    after = wa.compare(estuary_proof, tmp_path / "ring.toml")
    assert after.nothing_changed, after.facts()


@pytest.mark.parametrize("seed", some(range(4), every=8))
def test_random_studies_come_back_the_same(seed: int, tmp_path: Path) -> None:
    before = wa.read_study(write_random_study(tmp_path / "study", 9400 + seed))
    wa.export(before, tmp_path / "out.gpkg")
    assert wa.compare(before, wa.read_study(tmp_path / "out.toml")).nothing_changed


def test_exporting_twice_replaces_the_first(study: Study, tmp_path: Path) -> None:
    path = tmp_path / "ring.gpkg"
    wa.export(study, path)
    wa.export(replace(study, name="second"), path)
    assert wa.read_study(tmp_path / "ring.toml").name == "second"
    assert sorted(one.name for one in tmp_path.iterdir()) == ["ring.gpkg", "ring.toml"]


def test_nothing_half_written_is_left(
    study: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was there before stays as it was when the writing fails half way."""
    path = tmp_path / "ring.gpkg"
    wa.export(study, path)
    before = path.read_bytes()

    def fail(*_: object) -> None:
        raise OSError("the disk is full")

    monkeypatch.setattr(module, "_append", fail)
    with pytest.raises(OSError, match="disk is full"):
        wa.export(study, path)
    assert path.read_bytes() == before
    assert sorted(one.name for one in tmp_path.iterdir()) == ["ring.gpkg", "ring.toml"]


def test_a_proposal_with_cut_references_has_layers_and_no_study(tmp_path: Path) -> None:
    two_ways().read(tmp_path / "base")
    (tmp_path / "cut").mkdir()
    (tmp_path / "cut" / "study.toml").write_text(
        'extends = "../base"\nremove = ["e2"]\n', encoding="utf-8"
    )
    made = wa.export(wa.read_study(tmp_path / "cut"), tmp_path / "cut.gpkg")
    assert [one.name for one in made] == ["cut.gpkg"]
    assert "removed-reference" in set(layer(made[0], "found_gaps")["code"])


@pytest.mark.parametrize("name", ["ring.shp", "nowhere/ring.gpkg"])
def test_other_places_are_refused(study: Study, tmp_path: Path, name: str) -> None:
    with pytest.raises(wa.CallError):
        wa.export(study, tmp_path / name)
