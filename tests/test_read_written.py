"""What is written is read back the same, in every format; a blank study is sound."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from small_study import CRS_NAME, X0, Y0, name_layers, write_small_study
from waysapart.errors import CallError
from waysapart.schema import ROLES
from waysapart.study.blank import write_blank
from waysapart.study.model import Study
from waysapart.study.read import read_study
from waysapart.study.write import FORMATS, Format, write_study


def rich_study(folder: Path) -> Study:
    """The small study with what makes writing hard: long column names, lists, extra columns,
    sites drawn as points and as polygons, cables with and without geometry, a long text in
    another script, layers of different accuracy, rules."""
    write_small_study(folder)
    polygon = shapely.box(X0 + 3950, Y0 - 50, X0 + 4100, Y0 + 60)
    gpd.GeoDataFrame(
        {"id": ["YARD"], "name": ["Höft, „Umspannwerk“; yard"], "accuracy_m": [0.25], "OWNER": "x"},
        geometry=[polygon],
        crs=CRS_NAME,
    ).to_file(folder / "sites.gpkg")
    gpd.GeoDataFrame(
        {
            "id": ["C3"],
            "fibre_type": ["G.655"],
            "fibre_count": [12],
            "kind": ["wrapped"],
            "carried_by": ["C1"],
            "overlength_pct": [1.25],
            "wrap_pitch_m": [1.1],
            "wrap_diameter_mm": [17.3],
        },
        geometry=[shapely.LineString([(X0, Y0), (X0 + 1000, Y0 + 200)])],
        crs="EPSG:31467",
    ).set_geometry(
        gpd.GeoSeries([shapely.LineString([(X0, Y0), (X0 + 1000, Y0 + 200)])], crs=CRS_NAME).to_crs(
            "EPSG:31467"
        )
    ).to_file(folder / "cables.gpkg")
    (folder / "measurements.csv").write_text("cable,date,loss_db\nC1,2026-03-01,1.5\n")
    (folder / "rules.toml").write_text(
        '[services.default]\nseparation_m = { "span/span" = 40 }\n'
        '[fibres."G.652.D"]\ndb_per_km = { 1550 = 0.19 }\n'
        '[[waiver]]\ncircuit = "K1"\nasset = "P2"\nreason = "a \\"b\\""\nby = "role"\n'
        "until = 2027-06-30\n"
    )
    with (folder / "study.toml").open("a") as stream:
        stream.write('out = ["S4"]\nsnap_m = 1.5\n')
    name_layers(folder)
    return read_study(folder)


@pytest.mark.parametrize("fmt", FORMATS)
def test_what_is_written_is_read_back_the_same(tmp_path: Path, fmt: Format) -> None:
    """All but where a row came from; GeoJSON goes by way of degrees, so that its places come
    back to a micrometre."""
    before = rich_study(tmp_path / "rich")
    written = write_study(before, tmp_path / fmt, fmt)
    assert written[0].name == "study.toml"
    assert all(path.is_file() for path in written)
    after = read_study(tmp_path / fmt)
    for name in ROLES:
        hidden = ["_layer", "_row", "geometry"]
        one = pd.DataFrame(before.tables[name]).drop(columns=hidden, errors="ignore")
        two = pd.DataFrame(after.tables[name]).drop(columns=hidden, errors="ignore")
        pd.testing.assert_frame_equal(one, two, check_exact=fmt != "shp", rtol=1e-12)
        if ROLES[name].geometry:
            shapes = [
                shapely.normalize(s.tables[name].geometry.to_numpy()) for s in (before, after)
            ]
            assert (
                shapely.equals_exact(*shapes, tolerance=1e-6).sum()
                == (~shapely.is_missing(shapes[0])).sum()
            )
        accuracy = [
            [study.layers[number].accuracy_m for number in study.tables[name]["_layer"]]
            for study in (before, after)
        ]
        assert accuracy[0] == accuracy[1]
    assert after.rules == before.rules
    assert after.rules.assumptions() == before.rules.assumptions()
    assert (after.name, after.revision, after.out, after.snap_m) == (
        before.name,
        before.revision,
        before.out,
        before.snap_m,
    )
    assert after.crs == before.crs


def test_ten_letter_names_of_a_shapefile_are_mapped_back(tmp_path: Path) -> None:
    write_study(rich_study(tmp_path / "rich"), tmp_path / "shp", "shp")
    fields = set(gpd.read_file(tmp_path / "shp" / "cables_2.shp").columns)
    assert {"overlength", "wrap_pitch", "wrap_diame"} <= fields
    toml = (tmp_path / "shp" / "study.toml").read_text()
    assert 'overlength_pct = "overlength"' in toml


def test_a_text_too_long_for_a_shapefile_is_refused(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path / "small")
    path = folder / "sites.geojson"
    path.write_text(path.read_text().replace("West Sands", "W" * 255))
    with pytest.raises(CallError, match="a text of 255 bytes"):
        write_study(read_study(folder), tmp_path / "shp", "shp")


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    study = read_study(write_small_study(tmp_path / "small"))
    with pytest.raises(CallError, match=r"study.toml.*nothing was written"):
        write_study(study, tmp_path / "small", "gpkg")
    with pytest.raises(CallError, match="unknown format"):
        write_study(study, tmp_path / "other", "dxf")  # type: ignore[arg-type]
    assert not (tmp_path / "small" / "study.gpkg").exists()


def test_a_blank_study_is_sound_and_complete(tmp_path: Path) -> None:
    paths = write_blank(tmp_path / "new")
    assert all(path.is_file() for path in paths)
    study = read_study(tmp_path / "new")
    assert study.name == "new"
    assert study.notes == ()
    assert {layer.role for layer in study.layers} == set(ROLES)
    for frame in study.tables.values():
        assert len(frame) == 0


def test_a_blank_study_takes_rows(tmp_path: Path) -> None:
    write_blank(tmp_path / "new", crs=CRS_NAME)
    frame = gpd.read_file(tmp_path / "new" / "study.gpkg", layer="structures")
    assert frame.crs == CRS_NAME
    assert set(ROLES["structures"].column) <= set(frame)
    row = gpd.GeoDataFrame(
        {"id": ["P1"], "kind": ["pit"]}, geometry=[shapely.Point(X0, Y0)], crs=CRS_NAME
    )
    row.to_file(tmp_path / "new" / "study.gpkg", layer="structures", mode="a")
    assert read_study(tmp_path / "new").tables["structures"]["id"].tolist() == ["P1"]


def test_blank_overwrites_nothing(tmp_path: Path) -> None:
    (tmp_path / "circuits.csv").write_text("mine\n")
    with pytest.raises(CallError, match=r"circuits.csv.*nothing was written"):
        write_blank(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["circuits.csv"]
