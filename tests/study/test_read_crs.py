"""Coordinate systems: mixed ones, missing ones, and what a datum shift costs."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj.transformer import TransformerGroup

from commands import run
from proofs import proof_of
from sheets import write_ods, write_xlsx
from small_study import CRS_NAME, X0, Y0, name_layers, write_small_study
from waysapart.errors import StudyError
from waysapart.network.build_network import tie
from waysapart.study.read import read_study

PITS = gpd.GeoDataFrame(
    {"id": ["P8", "P9"], "kind": ["pit", "pit"]},
    geometry=shapely.points([X0 + 700, X0 + 900], [Y0 - 400, Y0 - 400]),
    crs=CRS_NAME,
)


def positions(folder: Path) -> dict[str, tuple[float, float]]:
    """Where structures lie, in the coordinates that the small study is drawn in."""
    frame = read_study(folder).tables["structures"].to_crs(CRS_NAME)
    return {id_: (point.x, point.y) for id_, point in zip(frame["id"], frame.geometry, strict=True)}


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:25833", "EPSG:3035", "EPSG:4258"])
def test_layers_in_mixed_systems_come_to_one_place(tmp_path: Path, crs: str) -> None:
    folder = write_small_study(tmp_path)
    PITS.to_crs(crs).to_file(folder / "structures.gpkg")
    name_layers(folder)
    study = read_study(folder)
    found = positions(folder)
    assert found["P8"] == pytest.approx((X0 + 700, Y0 - 400), abs=0.01)
    assert study.notes == ()
    assert {layer.accuracy_m for layer in study.layers} == {0.0}


def test_a_datum_shift_without_its_grid_counts_as_accuracy(tmp_path: Path) -> None:
    """DHDN zone 3 to ETRS89: what PROJ says of the shift that it can do here is what counts."""
    folder = write_small_study(tmp_path)
    PITS.to_crs("EPSG:31467").to_file(folder / "structures.gpkg")
    name_layers(folder)
    study = read_study(folder)
    layer = next(one for one in study.layers if one.file == "structures.gpkg")
    with pytest.warns(UserWarning, match="Best transformation"):
        group = TransformerGroup("EPSG:31467", CRS_NAME, always_xy=True)
    if group.best_available:
        pytest.skip("this PROJ has the grid")
    assert 1 <= layer.accuracy_m <= 20
    (note,) = study.notes
    assert f"good to {layer.accuracy_m:g} m only" in note
    assert "the grid for the best shift is not installed" in note


def test_a_datum_shift_that_is_good_to_snap_m_is_noted_and_does_not_count(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    PITS.to_crs("EPSG:31467").to_file(folder / "structures.gpkg")
    name_layers(folder)
    with (folder / "study.toml").open("r+") as stream:
        text = stream.read()
        stream.seek(0)
        stream.write("snap_m = 30.0\n" + text)
    study = read_study(folder)
    assert {layer.accuracy_m for layer in study.layers} == {0.0}
    assert all("snap_m is 30 m, so it is let be" in note for note in study.notes)


def test_a_layer_states_its_own_accuracy(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    PITS.to_file(folder / "pits.gpkg")
    names = sorted(path.name for path in folder.iterdir() if path.suffix in {".csv", ".geojson"})
    layers = "".join(
        f'[[layer]]\nrole = "{name.split(".")[0]}"\nsource = "{name}"\n' for name in names
    )
    with (folder / "study.toml").open("a") as stream:
        stream.write(
            layers + '[[layer]]\nrole = "structures"\nsource = "pits.gpkg"\naccuracy_m = 1.5\n'
        )
    study = read_study(folder)
    assert {layer.file: layer.accuracy_m for layer in study.layers}["pits.gpkg"] == 1.5


def test_a_crs_stated_for_a_layer_without_one(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    with pytest.warns(UserWarning, match="crs"):
        PITS.set_crs(None, allow_override=True).to_file(folder / "pits.shp")
    names = sorted(path.name for path in folder.iterdir() if path.suffix in {".csv", ".geojson"})
    layers = "".join(
        f'[[layer]]\nrole = "{name.split(".")[0]}"\nsource = "{name}"\n' for name in names
    )
    with (folder / "study.toml").open("a") as stream:
        stream.write(
            layers + f'[[layer]]\nrole = "structures"\nsource = "pits.shp"\ncrs = "{CRS_NAME}"\n'
        )
    assert positions(folder)["P9"] == pytest.approx((X0 + 900, Y0 - 400), abs=1e-6)


@pytest.mark.parametrize("kind", ["csv", "csv x y", "xlsx", "ods", "shp", "gpkg"])
def test_the_crs_of_the_study_serves_layers_that_state_none(tmp_path: Path, kind: str) -> None:
    """Pits as WKT or x and y in tables, in a Shapefile without .prj and a bare GeoPackage.

    Each comes to the place where a layer that states its system puts them, and so for `recheck`.
    """
    folder = write_small_study(tmp_path)
    layer = json.loads((folder / "structures.geojson").read_text())
    (folder / "structures.geojson").unlink()
    wanted = gpd.GeoDataFrame.from_features(layer["features"], crs="EPSG:4326")
    bare = wanted.to_crs(CRS_NAME).set_crs(None, allow_override=True)
    table = pd.DataFrame(bare.drop(columns="geometry")).assign(geometry=bare.geometry.to_wkt())
    if kind == "csv":
        table.to_csv(folder / "structures.csv", index=False)
    elif kind == "csv x y":
        table = table.drop(columns="geometry").assign(x=bare.geometry.x, y=bare.geometry.y)
        table.to_csv(folder / "structures.csv", index=False)
    elif kind in ("xlsx", "ods"):
        rows = [list(table.columns), *table.to_numpy().tolist()]
        write = {"xlsx": write_xlsx, "ods": write_ods}[kind]
        write(folder / f"study.{kind}", structures=rows)
    else:
        with pytest.warns(UserWarning, match="crs"):
            bare.to_file(folder / f"structures.{kind}")
    assert f'crs = "{CRS_NAME}"' in (folder / "study.toml").read_text()
    found = read_study(folder).tables["structures"].set_index("id").geometry
    away = shapely.distance(found.sort_index(), wanted.set_index("id").geometry.sort_index())
    assert away.max() < 1e-8  # degrees: a millimetre
    evidence = tmp_path / "evidence.json"
    run("prove", folder, "--json", evidence)
    assert json.loads(evidence.read_text())["circuits"][0]["verdict"] == "apart"
    assert run("recheck", folder, evidence).exit_code == 0


@pytest.mark.parametrize("beside", ["x y", "lon lat"])
def test_a_table_draws_some_rows_as_text_and_others_as_numbers(tmp_path: Path, beside: str) -> None:
    """A blank `geometry` leaves it to the two numbers, in the same coordinate system.

    Towers have WKT, pits numbers. `lon` and `lat` are degrees, so that beside text in metres they
    are an error, and beside none they are read.
    """
    folder = write_small_study(tmp_path)
    layer = json.loads((folder / "structures.geojson").read_text())
    (folder / "structures.geojson").unlink()
    wanted = gpd.GeoDataFrame.from_features(layer["features"], crs="EPSG:4326")
    grid = wanted.to_crs(CRS_NAME)
    pit = wanted["kind"] == "pit"
    numbers = (grid if beside == "x y" else wanted).geometry
    table = pd.DataFrame(wanted.drop(columns="geometry"))
    table["geometry"] = grid.geometry.to_wkt().mask(pit)
    for name, values in zip(beside.split(), (numbers.x, numbers.y), strict=True):
        table[name] = values.where(pit)
    if beside == "lon lat":
        table.to_csv(folder / "structures.csv", index=False)
        with pytest.raises(StudyError, match="EPSG:25832, and lon and lat are degrees"):
            read_study(folder)
        table["geometry"] = None
        table["lon"], table["lat"] = wanted.geometry.x, wanted.geometry.y
    table.to_csv(folder / "structures.csv", index=False)
    found = read_study(folder).tables["structures"].set_index("id").geometry
    away = shapely.distance(found.sort_index(), wanted.set_index("id").geometry.sort_index())
    assert away.max() < 1e-8
    evidence = tmp_path / "evidence.json"
    run("prove", folder, "--json", evidence)
    assert json.loads(evidence.read_text())["circuits"][0]["verdict"] == "apart"
    assert run("recheck", folder, evidence).exit_code == 0


def test_a_stated_crs_that_contradicts_the_file_gets_a_note(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    PITS.set_crs("EPSG:25833", allow_override=True).to_file(folder / "pits.gpkg")
    names = sorted(path.name for path in folder.iterdir() if path.suffix in {".csv", ".geojson"})
    layers = "".join(
        f'[[layer]]\nrole = "{name.split(".")[0]}"\nsource = "{name}"\n' for name in names
    )
    with (folder / "study.toml").open("a") as stream:
        stream.write(
            layers + f'[[layer]]\nrole = "structures"\nsource = "pits.gpkg"\ncrs = "{CRS_NAME}"\n'
        )
    assert positions(folder)["P9"] == pytest.approx((X0 + 900, Y0 - 400), abs=1e-6)
    (note,) = read_study(folder).notes
    assert note.startswith("pits.gpkg: read in EPSG:25832")


def test_the_default_is_the_utm_zone_that_geopandas_estimates(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    (folder / "study.toml").write_text('name = "no CRS stated"\n')
    study = read_study(folder)
    geographic = gpd.read_file(folder / "segments.geojson")
    assert study.crs == geographic.estimate_utm_crs()


def test_a_stray_coordinate_does_not_choose_the_zone(tmp_path: Path) -> None:
    """One pit with its axes swapped lies in another continent: it alone is told."""
    folder = write_small_study(tmp_path)
    (folder / "study.toml").write_text('name = "no CRS stated"\n')
    stray = gpd.GeoDataFrame(
        {"id": ["P9"], "kind": ["pit"]}, geometry=[shapely.Point(53.96, 9.0)], crs="EPSG:4326"
    )
    stray.to_file(folder / "structures.gpkg")
    name_layers(folder)
    with pytest.raises(StudyError) as raised:
        read_study(folder, strict=True)
    (problem,) = raised.value.problems
    assert (problem.file, problem.row, problem.id) == ("structures.gpkg", 1, "P9")
    assert "x and y look swapped" in problem.message
    (gap,) = read_study(folder).gaps
    assert (gap.code, gap.asset) == ("unusable-geometry", "P9")


def test_swapped_eastings_and_northings_are_outside_the_area_of_use(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    swapped = PITS.set_geometry(shapely.points(PITS.geometry.y, PITS.geometry.x), crs=CRS_NAME)
    swapped.to_file(folder / "structures.gpkg")
    name_layers(folder)
    with pytest.raises(StudyError, match="every geometry lies outside the area of use"):
        read_study(folder)


def test_a_geometry_whose_coordinates_are_no_numbers(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    bad = PITS.set_geometry(shapely.points([np.inf, X0], [Y0, Y0]), crs=CRS_NAME)
    bad.to_file(folder / "structures.gpkg")
    name_layers(folder)
    with pytest.raises(StudyError, match="not a finite number") as raised:
        read_study(folder, strict=True)
    assert [problem.id for problem in raised.value.problems] == ["P8"]


@pytest.mark.parametrize("grid", ["EPSG:4326", "EPSG:3857", "EPSG:2263", "EPSG:3035", "EPSG:32760"])
def test_no_answer_depends_on_the_grid_that_is_shown(grid: str, tmp_path: Path) -> None:
    """Degrees, web Mercator, feet of another continent, equal areas, a zone at the antipodes."""
    folder = write_small_study(tmp_path / "study")
    expected = proof_of(folder).facts()
    toml = folder / "study.toml"
    toml.write_text(toml.read_text().replace(CRS_NAME, grid))
    found = proof_of(folder).facts()
    for key in ("circuits", "groups", "gaps", "links", "summary"):
        assert found[key] == expected[key]
    assert found["crs"] in (grid, "EPSG:4326")


def test_layers_that_state_none_are_in_the_grid_of_the_study(tmp_path: Path) -> None:
    folder = write_small_study(tmp_path)
    (folder / "pits.csv").write_text(f"id,kind,x,y\nP9,pit,{X0 + 900},{Y0 - 400}\n")
    name_layers(folder)
    with (folder / "study.toml").open("a") as toml:
        toml.write('[[layer]]\nrole = "structures"\nsource = "pits.csv"\n')
    assert positions(folder)["P9"] == pytest.approx((X0 + 900, Y0 - 400), abs=1e-6)


def test_a_zone_may_be_used_far_beside_its_strip(tmp_path: Path) -> None:
    """The estuary in the zone of 36 to 42 degrees east: some owners use one for a country."""
    folder = write_small_study(tmp_path)
    PITS.to_crs("EPSG:32637").to_file(folder / "structures.gpkg")
    name_layers(folder)
    assert positions(folder)["P8"] == pytest.approx((X0 + 700, Y0 - 400), abs=1e-3)


def test_longitudes_counted_on_and_lines_cut_at_the_antimeridian(tmp_path: Path) -> None:
    """A duct of 42.6 km from 179.8 E to 179.8 W, cut in two by a GIS; a pit at 180.1 degrees."""
    duct = {
        "type": "MultiLineString",
        "coordinates": [
            [[179.8, -17.0], [180.0, -17.0]],
            [[-180.0, -17.0], [-179.9, -17.0], [-179.8, -17.0]],
        ],
    }
    pit = {"type": "Point", "coordinates": [180.1, -17.0]}
    for role, id_, kind, shape in (
        ("segments", "D1", "duct", duct),
        ("structures", "P1", "pit", pit),
    ):
        one = {"type": "Feature", "properties": {"id": id_, "kind": kind}, "geometry": shape}
        text = json.dumps({"type": "FeatureCollection", "features": [one]})
        (tmp_path / f"{role}.geojson").write_text(text)
    study = read_study(tmp_path)
    assert [gap.code for gap in study.gaps] == []
    network = tie(study)
    assert network.segment_m == pytest.approx([42_600], abs=30)
    assert network.passed.fraction == pytest.approx([0.75], abs=1e-4)
