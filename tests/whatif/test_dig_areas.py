"""Areas that cannot be used are refused, each with its reason."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
import shapely

import waysapart as wa
from dig_plant import area, degrees, two_ways
from drawn_plant import CRS, EAST, NORTH
from waysapart.study.model import Study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return two_ways().read(tmp_path_factory.mktemp("areas") / "study")


def refused(study: Study, source: gpd.GeoDataFrame | Path | str) -> list[str]:
    with pytest.raises(wa.StudyError) as caught:
        wa.dig(study, source)
    return [str(problem) for problem in caught.value.problems]


def test_an_area_without_features(study: Study) -> None:
    (text,) = refused(study, gpd.GeoDataFrame(geometry=[], crs=CRS))
    assert "holds no feature" in text


def test_empty_and_missing_geometries_are_told_one_by_one(study: Study) -> None:
    texts = refused(study, gpd.GeoDataFrame(geometry=[shapely.Polygon(), None], crs=CRS))
    assert len(texts) == 2
    assert "row 2" in texts[0] + texts[1]


def test_an_area_without_coordinate_system(study: Study) -> None:
    (text,) = refused(study, gpd.GeoDataFrame(geometry=[shapely.Point(EAST, NORTH)]))
    assert "no coordinate system" in text


def test_a_polygon_that_crosses_itself(study: Study) -> None:
    """A bow tie: its two halves wind opposite ways."""
    bow = shapely.Polygon([(0, 0), (100, 100), (100, 0), (0, 100)])
    (text,) = refused(study, area(bow))
    assert "invalid" in text
    assert "Self-intersection" in text


def test_an_area_elsewhere_on_earth_says_how_far(study: Study) -> None:
    """The plant lies at 54.3 N, 7.9 E. A point on the equator at 7.9 E is about 6020 km away."""
    (text,) = refused(study, gpd.GeoDataFrame(geometry=[shapely.Point(7.92, 0)], crs="EPSG:4326"))
    assert "lies 6020 km from the nearest plant" in text


def test_degrees_labelled_as_metres(study: Study) -> None:
    lon, lat = degrees(1500, 0)
    (text,) = refused(study, gpd.GeoDataFrame(geometry=[shapely.Point(lon, lat)], crs=CRS))
    assert "look like degrees" in text


def test_latitude_before_longitude(study: Study) -> None:
    lon, lat = degrees(1500, 0)
    (text,) = refused(study, gpd.GeoDataFrame(geometry=[shapely.Point(lat, lon)], crs="EPSG:4326"))
    assert "swapped" in text
    with pytest.raises(wa.StudyError, match="swapped"):
        wa.dig(study, at=(lat, lon), radius_m=10)


def test_metres_labelled_as_another_zone(study: Study) -> None:
    """The right numbers in the zone next door lie 6 degrees, about 390 km, to the west."""
    (text,) = refused(
        study, gpd.GeoDataFrame(geometry=[shapely.Point(EAST, NORTH)], crs="EPSG:25831")
    )
    assert "km from the nearest plant" in text


def test_a_file_that_is_not_there_or_holds_nothing(study: Study, tmp_path: Path) -> None:
    assert "no such file" in refused(study, tmp_path / "area.geojson")[0]
    bad = tmp_path / "area.geojson"
    bad.write_text("no geometry in here", encoding="utf-8")
    assert "is of no format that is read" in refused(study, bad)[0]


@pytest.mark.parametrize("name", ["dig.geojson", "dig.gpkg", "dig.fgb", "dig.parquet", "dig.shp"])
def test_areas_come_from_any_vector_file(study: Study, tmp_path: Path, name: str) -> None:
    drawn = area(shapely.box(1990, -10, 2010, 10), crs="EPSG:4326")
    path = tmp_path / name
    if name.endswith(".parquet"):
        drawn.to_parquet(path)
    else:
        drawn.to_file(path)
    assert wa.dig(study, path).facts()["hit"] == ["P2", "d2", "d3"]


def test_a_table_of_points(study: Study, tmp_path: Path) -> None:
    lon, lat = degrees(1500, 0)
    path = tmp_path / "dig.csv"
    path.write_text(f"lon,lat\n{lon},{lat}\n", encoding="utf-8")
    assert wa.dig(study, path).facts()["hit"] == ["d2"]


@pytest.mark.parametrize(
    ("call", "says"),
    [
        ({}, "nothing to dig"),
        ({"at": (7.9, 54.3)}, "radius greater than 0"),
        ({"at": (7.9, 54.3), "radius_m": 0}, "radius greater than 0"),
        ({"at": (7.9, 154.3), "radius_m": 5}, "latitude"),
        ({"radius_m": 5}, "needs a point"),
        ({"assets": ["P11"]}, "did you mean"),
        ({"assets": ["P1"], "reach_m": -1}, "0 m or more"),
        ({"assets": ["P1"], "accuracy_m": float("nan")}, "0 m or more"),
    ],
)
def test_calls_without_meaning(study: Study, call: dict[str, object], says: str) -> None:
    with pytest.raises(wa.CallError, match=says):
        wa.dig(study, **call)  # type: ignore[arg-type]
