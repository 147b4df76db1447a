"""Layers without a role: read like others, listed as inputs, and no verdict depends on them."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

import waysapart as wa
from commands import run
from small_study import CRS_NAME, X0, Y0, write_small_study
from waysapart.errors import StudyError
from waysapart.study.settings import files_of

WATER = '[[layer]]\nname = "water"\nsource = "water.gpkg"\nlayer = "streams"\n'


def shape(*points: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([(X0 + east, Y0 + north) for east, north in points])


def water(folder: Path, **columns: object) -> None:
    """A creek (line), a pond (polygon) and a well (point) in a layer of several."""
    frame = gpd.GeoDataFrame(
        {"NAME": ["Creek", "Pond", "Well"], "width": [4.0, 30.0, 1.0], **columns},
        geometry=[
            shape((1500, -900), (1500, 900)),
            shapely.Polygon(shape((10, 10), (60, 10), (60, 50)).coords),
            shapely.Point(X0 + 5, Y0 + 5),
        ],
        crs=CRS_NAME,
    )
    frame.to_file(folder / "water.gpkg", layer="streams")
    frame.to_file(folder / "water.gpkg", layer="other")


def study_with(folder: Path, toml: str) -> Path:
    write_small_study(folder)
    with (folder / "study.toml").open("a", encoding="utf-8") as stream:
        stream.write(toml)
    return folder


def problems(folder: Path) -> list[tuple[str | None, str | None, str]]:
    with pytest.raises(StudyError) as caught:
        wa.read_study(folder)
    return [(one.file, one.column, one.message) for one in caught.value.problems]


def test_a_layer_with_a_name_is_kept_with_its_columns_in_degrees(tmp_path: Path) -> None:
    columns = 'columns = { id = "NAME" }\nwhere = "width < 20"\n'
    folder = study_with(tmp_path, WATER + columns)
    water(folder)
    study = wa.read_study(folder)
    (one,) = study.backdrops
    assert (one.name, one.file, one.layer, one.left_out) == ("water", "water.gpkg", "streams", 0)
    assert one.table["id"].tolist() == ["Creek", "Well"]
    assert one.table["width"].tolist() == [4.0, 1.0]
    assert [shape.geom_type for shape in one.lonlat] == ["LineString", "Point"]
    assert shapely.get_coordinates(one.lonlat[1])[0] == pytest.approx((9.0, 53.96), abs=0.01)
    assert "water.gpkg" in [file.file for file in study.inputs]
    assert folder / "water.gpkg" in files_of(folder)
    assert [layer.file for layer in study.layers if "water" in layer.file] == []


def test_prove_says_the_same_with_and_without(tmp_path: Path) -> None:
    plain = write_small_study(tmp_path / "plain")
    folder = study_with(tmp_path / "with", WATER)
    water(folder)
    told = []
    for one in (plain, folder):
        run("prove", str(one), "--json", str(tmp_path / "facts.json"), "--on", "2026-01-01")
        facts = json.loads((tmp_path / "facts.json").read_text())
        told.append({key: facts[key] for key in facts if key not in {"inputs", "made", "notes"}})
    assert told[0] == told[1]
    listed = {one["file"]: one["sha256"] for one in facts["inputs"]}
    assert len(listed["water.gpkg"]) == 64
    checked = run("recheck", str(folder), str(tmp_path / "facts.json"))
    assert checked.exit_code == 0, checked.output
    assert "not read any more" not in checked.output
    with (folder / "water.gpkg").open("ab") as stream:
        stream.write(b"x")
    assert "water.gpkg has changed since" in run(
        "recheck", str(folder), str(tmp_path / "facts.json")
    ).output.replace("\n", " ")


def test_a_proposal_adds_layers_and_replaces_those_of_the_same_name(tmp_path: Path) -> None:
    base = study_with(tmp_path / "base", WATER)
    water(base)
    own = tmp_path / "own"
    own.mkdir()
    (own / "pipes.csv").write_text(
        'id,geometry\nW1,"LINESTRING (500000 5980000, 500000 5980100)"\n'
    )
    (own / "study.toml").write_text(
        'extends = "../base"\n[[layer]]\nname = "water"\nsource = "pipes.csv"\n'
        '[[layer]]\nname = "roads"\nsource = "pipes.csv"\n'
    )
    study = wa.read_study(own)
    assert [(one.name, one.file, len(one.table)) for one in study.backdrops] == [
        ("roads", "pipes.csv", 1),
        ("water", "pipes.csv", 1),
    ]
    assert "water.gpkg" not in [file.file for file in study.inputs]
    run("prove", str(own), "--json", str(tmp_path / "facts.json"))
    checked = run("recheck", str(own), str(tmp_path / "facts.json"))
    assert checked.exit_code == 0, checked.output


@pytest.mark.parametrize(
    ("toml", "column", "said"),
    [
        ('source = "x.csv"\n', "layer.1.role", "says neither role nor name"),
        ('role = "sites"\nname = "a"\nsource = "x"\n', "layer.1.name", "has a role and a name"),
        ('name = "sites"\nsource = "x.csv"\n', "layer.1.name", "'sites' is a role"),
        ('name = " "\nsource = "x.csv"\n', "layer.1.name", "expected a name such as 'water'"),
        ('name = "a\\u001b"\nsource = "x.csv"\n', "layer.1.name", r"found 'a\x1b'"),
        ('name = "a"\nsource = "gone.csv"\n', None, "'gone.csv' does not exist"),
        (
            'name = "a"\nsource = "x.csv"\ncolumns = { depth = "d" }\n',
            "layer.1.columns.depth",
            "a has no column 'depth'",
        ),
        (
            'name = "a"\nsource = "x.csv"\ncolumns = { id = "d" }\n',
            "id (d)",
            "columns names 'd', which the layer lacks",
        ),
    ],
)
def test_what_is_wrong_with_a_layer_is_told(
    toml: str, column: str | None, said: str, tmp_path: Path
) -> None:
    folder = study_with(tmp_path, "[[layer]]\n" + toml)
    (folder / "x.csv").write_text("id,lon,lat\nW,9,54\n")
    told = problems(folder)
    assert any(at == column and said in message for _, at, message in told), told


def test_two_layers_of_one_name_are_an_error(tmp_path: Path) -> None:
    folder = study_with(tmp_path, WATER * 2)
    water(folder)
    assert problems(folder) == [
        (
            "study.toml",
            "layer.2.name",
            "'water' is the name of layer 1 already; give each a name of its own",
        )
    ]


def test_a_row_that_cannot_be_used_is_left_out_and_told_but_is_no_gap(tmp_path: Path) -> None:
    """A bow tie in row 2: left out; the verdict stays as without the layer."""
    toml = '[[layer]]\nname = "water"\nsource = "w.csv"\ncrs = "EPSG:25832"\n'
    folder = study_with(tmp_path, toml)
    (folder / "w.csv").write_text(
        'id,geometry\nA,"POINT (500000 5980000)"\n'
        'B,"POLYGON ((500000 5980000, 500010 5980010, 500010 5980000, 500000 5980010, '
        '500000 5980000))"\n'
    )
    study = wa.read_study(folder)
    (one,) = study.backdrops
    assert (one.table["id"].tolist(), one.left_out) == (["A"], 1)
    assert [note for note in study.notes if "w.csv" in note] == [
        "w.csv, layer water, row 3, geometry: the polygon is invalid (Self-intersection[500005 "
        "5980005]); correct it in your GIS, for instance with 'fix geometries'; the row is left out"
    ]
    assert not study.gaps
    plain = wa.read_study(write_small_study(tmp_path / "plain"))
    assert wa.prove(study).counts() == wa.prove(plain).counts()


def test_a_layer_outside_its_area_and_one_without_a_grid_are_errors(tmp_path: Path) -> None:
    toml = '[[layer]]\nname = "far"\nsource = "f.csv"\ncrs = "EPSG:25832"\n'
    folder = study_with(tmp_path, toml)
    (folder / "f.csv").write_text('id,geometry\nA,"POINT (9 54)"\nB,"POINT (9 54.1)"\n')
    told = problems(folder)
    assert [(file, column) for file, column, _ in told] == [("f.csv", "geometry")]
    assert "every geometry lies outside the area of use of EPSG:25832" in told[0][2]
