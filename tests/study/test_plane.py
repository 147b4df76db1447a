"""The plane about the plant: where places lie in it, its scale, and lengths on the ellipsoid."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Geod, Proj

from waysapart.study.plane import Plane, stretch_of

GEOD = Geod(ellps="WGS84")
MIDDLES = [(9.0, 54.0), (178.5, -41.0), (-70.0, 0.0), (30.0, 78.0), (0.0, -88.0)]
RNG = np.random.default_rng(4)


def around(lon: float, lat: float, reach_m: float, count: int = 200) -> np.ndarray:
    """Places up to a distance from one, longitude and latitude."""
    turn, away = RNG.uniform(0, 360, count), RNG.uniform(0, reach_m, count)
    found = GEOD.fwd(np.full(count, lon), np.full(count, lat), turn, away)
    return np.column_stack(found[:2])


@pytest.mark.parametrize(("lon", "lat"), MIDDLES)
def test_it_is_the_stereographic_plane_of_proj(lon: float, lat: float) -> None:
    """Places within 8,000 km, their scale, and the way back to 10 micrometres."""
    plane, proj = Plane(lon, lat), Proj(proj="stere", lat_0=lat, lon_0=lon, datum="WGS84")
    places = around(lon, lat, 8e6)
    flat = plane.project(places)
    assert flat == pytest.approx(np.column_stack(proj(*places.T)), abs=1e-5)
    assert plane.scale(flat) == pytest.approx(
        proj.get_factors(*places.T).meridional_scale, rel=1e-9
    )
    back = plane.degrees(flat)
    assert GEOD.inv(*places.T, *back.T)[2] == pytest.approx(np.zeros(len(places)), abs=1e-5)


def test_the_scale_is_steady_at_a_pole() -> None:
    plane = Plane(9.0, 80.0)
    places = np.array([[9.0, 90.0], [9.0, 89.9999], [-171.0, 89.9999]])
    scale = plane.scale(plane.project(places))
    assert scale == pytest.approx(np.full(3, scale[0]), rel=1e-5)


@pytest.mark.parametrize("away_m", [0.5, 20.0, 99.0, 101.0, 4_000.0, 9_900.0, 300_000.0])
@pytest.mark.parametrize("off_m", [0.0, 300_000.0, 2_000_000.0, 9_000_000.0])
def test_distances_are_those_on_the_ellipsoid(away_m: float, off_m: float) -> None:
    """Of points so far apart, so far from the middle: within 2 mm up to 10 km, else exact."""
    plane = Plane(9.0, 54.0)
    one = np.column_stack(GEOD.fwd([9.0] * 8, [54.0] * 8, np.arange(8) * 45.0, [off_m] * 8)[:2])
    other = np.column_stack(GEOD.fwd(*one.T, np.arange(8) * 77.0, [away_m] * 8)[:2])
    points = [shapely.points(plane.project(places)) for places in (one, other)]
    assert plane.metres(*points) == pytest.approx(np.full(8, away_m), abs=2e-3)
    lines = shapely.linestrings(np.stack([plane.project(one), plane.project(other)], 1))
    where = np.full(8, None, dtype=object)
    where[:] = list(points[0])
    assert plane.metres(lines, where) == pytest.approx(np.zeros(8), abs=1e-6)


def test_what_is_within_reach_is_found() -> None:
    plane = Plane(9.0, 54.0)
    places = shapely.points(plane.project(around(9.0, 54.0, 5e6, 50)))
    others = shapely.points(np.add(shapely.get_coordinates(places), 70.0))
    metres = plane.metres(places, others)
    assert (shapely.distance(places, others) <= plane.reach(places, metres)).all()


@pytest.mark.parametrize("off_m", [20_000.0, 2_000_000.0])
def test_a_long_line_keeps_to_the_geodesic(off_m: float) -> None:
    """100 km across the direction to the middle: every place of the geodesic is on the line."""
    plane = Plane(9.0, 54.0)
    lon, lat, _ = GEOD.fwd(9.0, 54.0, 30.0, off_m)
    end = GEOD.fwd(lon, lat, 120.0, 100_000.0)
    line = np.array([shapely.LineString([(lon, lat), end[:2]])], dtype=object)
    area = np.array([shapely.Polygon([(lon, lat), end[:2], (9.0, 54.0)])], dtype=object)
    inner = np.array(GEOD.npts(lon, lat, *end[:2], 99))
    on_it = shapely.points(plane.project(inner))
    assert shapely.distance(plane.flat(line), on_it).max() < 0.003
    outline = shapely.boundary(plane.flat(area))
    assert shapely.distance(outline, on_it).max() < 0.003


def test_short_lines_keep_their_vertices() -> None:
    plane = Plane(9.0, 54.0)
    line = np.array([shapely.LineString([(9.0, 54.0), (9.01, 54.0)]), None], dtype=object)
    flat = plane.flat(line)
    assert shapely.get_num_coordinates(flat).tolist() == [2, 0]
    assert flat[1] is None


def test_fractions_are_of_the_length_on_the_ellipsoid() -> None:
    """A line of 400 km at 2,500 km from the middle, where the scale changes along it."""
    plane = Plane(9.0, 54.0)
    lon, lat, _ = GEOD.fwd(9.0, 54.0, 100.0, 2.5e6)
    end = GEOD.fwd(lon, lat, 80.0, 400_000.0)
    line = plane.flat(np.array([shapely.LineString([(lon, lat), end[:2]])], dtype=object))
    third = GEOD.fwd(lon, lat, 80.0, 400_000.0 / 3)
    point = shapely.Point(plane.project(np.array([third[:2]]))[0])
    along = shapely.line_locate_point(line, point)
    fraction, metres = plane.fractions(line, np.array([0]), along)
    assert metres == pytest.approx([400_000.0], abs=0.05)
    assert fraction * metres == pytest.approx([400_000.0 / 3], abs=0.05)
    assert along / shapely.length(line) != pytest.approx(fraction, rel=1e-3)


def test_a_stretch_of_a_bent_line_goes_by_its_length() -> None:
    """1 km east and 1 km north at 54 degrees: the middle of the line is the corner."""
    corner = GEOD.fwd(9.0, 54.0, 90.0, 1000.0)[:2]
    line = shapely.LineString([(9.0, 54.0), corner, GEOD.fwd(*corner, 0.0, 1000.0)[:2]])
    for low, high, metres in ((0.0, 0.5, 1000.0), (0.25, 0.5, 500.0), (0.25, 1.0, 1500.0)):
        found = stretch_of(line, low, high)
        assert GEOD.geometry_length(found) == pytest.approx(metres, abs=1e-5)
    assert stretch_of(line, 0.0, 0.5).coords[-1] == pytest.approx(corner, abs=1e-9)


@given(st.lists(st.tuples(st.floats(-180, 180), st.floats(-90, 90)), min_size=1, max_size=6))
def test_wherever_plant_lies_its_plane_holds_it(places: list[tuple[float, float]]) -> None:
    """No place lies at the far side of the Earth, where the plane has no end: the scale is small.

    Six places leave a hole of 35 degrees at least, whose middle is the far side.
    """
    lonlat = np.array(places)
    plane = Plane.about(lonlat)
    flat = plane.project(lonlat)
    assert np.isfinite(flat).all()
    assert plane.scale(flat).max() < 30


def test_longitudes_run_on_across_the_antimeridian() -> None:
    line = np.array([shapely.LineString([(179.9, -17), (-179.9, -17)]), None], dtype=object)
    (found, _) = Plane(179.0, -17.0).run_on(line)
    assert shapely.get_coordinates(found)[:, 0] == pytest.approx([179.9, 180.1])
    (found, _) = Plane(-179.0, -17.0).run_on(line)
    assert shapely.get_coordinates(found)[:, 0] == pytest.approx([-180.1, -179.9])
