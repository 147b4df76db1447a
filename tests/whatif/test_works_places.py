"""Where works are: words and coordinates, held against another geodesic and the drawn grid."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic

import waysapart as wa
from dig_plant import area, degrees, two_ways
from drawn_plant import EAST, NORTH
from waysapart.study.model import Study
from waysapart.whatif.crew import sites_of
from waysapart.whatif.places import direction


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """Sites A and B are points; a third, C, is 200 m square about (2000, 600)."""
    plant = two_ways()
    plant.node("C", 2000, 600, role="sites", name="Northfield", area_m=200)
    plant.rows["structures"][1]["name"] = "Old well"
    return plant.read(tmp_path_factory.mktemp("places") / "study")


def places(study: Study, *shapes: shapely.Geometry):
    (site,) = sites_of(wa.dig(study, area(*shapes)))
    return site.places


def test_a_point_is_told_from_the_nearest_pit_and_the_nearest_site(study: Study) -> None:
    """24 m east and 24 m north of P3: 34 m north-east. B lies 976.3 m on in the grid, whose scale
    is 0.9996 there: 976.7 m on the ellipsoid."""
    (place,) = places(study, shapely.Point(3024, 24))
    assert place["words"] == "34 m north-east of pit P3, 977 m west of site B"
    near = place["near"][0]
    line = Geodesic.WGS84.Inverse(*degrees(3000, 0)[::-1], *degrees(3024, 24)[::-1])
    assert near["asset"] == "P3"
    assert near["distance_m"] == pytest.approx(line["s12"], abs=0.06)
    assert near["bearing_deg"] == pytest.approx(line["azi1"] % 360, abs=0.1)


def test_names_come_with_ids_and_what_is_nearer_than_a_metre_is_at_it(study: Study) -> None:
    (place,) = places(study, shapely.Point(2000.4, 0))
    assert place["words"].startswith("at pit P2 (Old well), ")


def test_ground_of_a_site_is_said(study: Study) -> None:
    """A site drawn as an area has ground; one drawn as a point has none."""
    (place,) = places(study, shapely.Point(2090, 600))
    assert place["on_site"] == ["Northfield"]
    assert place["words"].endswith(", on site Northfield")
    (outside,) = places(study, shapely.Point(2110, 600))
    assert outside["on_site"] == []
    assert outside["words"] == "10 m east of site Northfield"


def test_a_line_has_ends_and_bends_in_the_grid_and_in_degrees(study: Study) -> None:
    line = [(1000, -200), (1000, 150), (1100, 150)]
    (place,) = places(study, shapely.LineString(line))
    assert place["words"].startswith(
        "from 200 m south of pit P1 to 180 m north-east of pit P1; its middle 25 m north of pit P1"
    )
    spots = {one["what"]: one for one in place["spots"]}
    assert list(spots) == ["middle", "start", "bend 1", "end"]
    for what, at in zip(("start", "bend 1", "end"), line, strict=True):
        assert spots[what]["grid"] == pytest.approx(np.add(at, (EAST, NORTH)), abs=0.01)
        assert spots[what]["degrees"] == pytest.approx(degrees(*at), abs=1e-7)
    assert spots["middle"]["grid"] == pytest.approx((EAST + 1000, NORTH + 25), abs=0.1)


def test_an_outline_has_its_corners_and_parts_are_numbered(study: Study) -> None:
    square = shapely.box(1000, 10, 1020, 30)
    (place,) = places(study, square)
    found = {tuple(np.round(one["grid"]).astype(int)) for one in place["spots"][1:]}
    wanted = {(int(EAST + x), int(NORTH + y)) for x in (1000, 1020) for y in (10, 30)}
    assert found == wanted
    assert [one["what"] for one in place["spots"][1:]] == [f"corner {k}" for k in (1, 2, 3, 4)]
    (both,) = places(study, shapely.MultiPolygon([square, shapely.box(1100, 10, 1120, 30)]))
    assert both["spots"][5]["what"] == "part 2, corner 1"


def test_assets_named_by_id_are_where_their_records_are(study: Study) -> None:
    (site,) = sites_of(wa.dig(study, assets=["CM", "RA", "P1"]))
    words = {one["of"]: one["words"] for one in site.places}
    assert words["P1"].startswith("at pit P1")
    assert words["RA"] == "at site A"
    assert words["CM"].startswith("from site A to site B; its middle at pit P2")


def test_a_study_without_a_grid_has_degrees_alone(tmp_path: Path) -> None:
    plant = two_ways()
    plant.settings = 'crs = "EPSG:4326"\n'
    plant.shows_grid = False
    study = plant.read(tmp_path / "study")
    (place,) = places(study, shapely.Point(3024, 24))
    assert all(one["grid"] is None for one in place["spots"])


@pytest.mark.parametrize(
    ("bearing", "said"),
    [(0, "north"), (22.4, "north"), (22.6, "north-east"), (225, "south-west"), (359.9, "north")],
)
def test_bearings_have_names(bearing: float, said: str) -> None:
    assert direction(bearing) == said


def test_works_across_the_antimeridian_are_told_the_short_way(tmp_path: Path) -> None:
    """P1 stands at 179.9999 E; the works 44 m east of it are at 179.9995 W."""
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "study.toml").write_text('name = "Line"\n', encoding="utf-8")
    frame = gpd.GeoDataFrame(
        {"id": ["P1", "P2"], "kind": ["pit", "pit"], "within": ["-", "-"]},
        geometry=[shapely.Point(179.9999, -17), shapely.Point(-179.99, -17)],
        crs="EPSG:4326",
    )
    frame.to_file(folder / "structures.geojson")
    study = wa.read_study(folder)
    (site,) = sites_of(wa.dig(study, at=(-179.9997, -17.0), radius_m=50.0))
    (place,) = site.places
    assert place["words"] == "43 m east of pit P1"
    assert place["spots"][0]["degrees"] == [-179.9997, -17.0]
