"""Separation agrees with geodesics on WGS84, wherever the plant lies.

Required: 0.1 % + 1 cm for paths up to 300 km and latitudes up to 80 degrees.
The geodesics are pyproj's and, once, GeographicLib's own (C. F. F. Karney,
Algorithms for geodesics, Journal of Geodesy 87, 2013).
"""

import itertools

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from pyproj import Geod

from published import published
from separation_plants import two_ways
from waysapart.findings.separation.closest import closest_points
from waysapart.findings.separation.cross import crossings
from waysapart.findings.separation.earth import arc_m, chord_m, on_surface, to_lonlat, to_space
from waysapart.findings.separation.near import near_stretches
from waysapart.findings.separation.pieces import straight_pieces
from waysapart.findings.separation.profile import evaluate, profile

GEOD = Geod(ellps="WGS84")
LATITUDES = (0.0, 30.0, 54.0, 70.0, 80.0, -45.0, -80.0)
# The middle and the edge of UTM zone 32, Greenwich, and both sides of the antimeridian.
LONGITUDES = (9.0, 12.0, 0.0, 179.9995, -180.0)


def allowed(distance):
    return 1e-3 * distance + 0.01


def beside(lon, lat, length_m, distance_m, azimuth=40.0):
    """A geodesic about a point, and a point at a known distance square to its middle."""
    half = length_m / 2
    x1, y1, _ = GEOD.fwd(lon, lat, azimuth, -half)
    x2, y2, _ = GEOD.fwd(lon, lat, azimuth, half)
    x, y, _ = GEOD.fwd(lon, lat, azimuth + 90, distance_m)
    return shapely.LineString([(x1, y1), (x2, y2)]), (x, y)


@pytest.mark.parametrize("lat", LATITUDES)
@pytest.mark.parametrize("lon", LONGITUDES)
def test_distance_of_a_point_square_to_a_long_straight_line(lon, lat):
    """The foot is the middle of the line, because the shortest way meets a geodesic square."""
    for length_m, distance_m in ((300_000, 5), (300_000, 2_000), (80_000, 30_000), (900, 0.5)):
        line, at = beside(lon, lat, length_m, distance_m)
        found = closest_points(two_ways([line], [shapely.LineString([at, at])])).iloc[0]
        assert found.distance_m == pytest.approx(distance_m, abs=allowed(distance_m))
        off = GEOD.inv(found.lon_i, found.lat_i, lon, lat)[2]
        assert off < max(1.0, 0.01 * distance_m)
        assert found.danger_radius_m == found.distance_m / 2
        # And far better than required, because nothing is projected:
        assert found.distance_m == pytest.approx(distance_m, rel=2e-6, abs=6e-3)


@pytest.mark.parametrize("lat", LATITUDES)
def test_stretch_within_a_limit_of_a_point(lat):
    """A point 30 m beside a straight line is within 50 m of 2 * sqrt(50^2 - 30^2) = 80 m of it."""
    for lon in LONGITUDES:
        line, at = beside(lon, lat, 200_000, 30.0)
        near = near_stretches(two_ways([line], [shapely.LineString([at, at])]), 50.0)
        assert len(near) == 1
        assert near.length_m[0] == pytest.approx(80.0, abs=0.01)
        assert near.distance_m[0] == pytest.approx(30.0, abs=0.005)
        assert (near.from_m[0] + near.to_m[0]) / 2 == pytest.approx(100_000, abs=0.01)


@pytest.mark.parametrize("lat", LATITUDES)
def test_profile_agrees_with_geodesics_along_100_km(lat):
    """Distance to a single point from 60 places along a line, one by one."""
    line, at = beside(179.9, lat, 100_000, 700.0)
    arcs = profile(two_ways([line], [shapely.LineString([at, at])]), 0)
    (x1, y1), (x2, y2) = line.coords
    azimuth, _, length = GEOD.inv(x1, y1, x2, y2)
    along = np.linspace(0, length, 60)
    lon, lat_, _ = GEOD.fwd(*(np.full(60, value) for value in (x1, y1, azimuth)), along)
    _, _, expected = GEOD.inv(lon, lat_, np.full(60, at[0]), np.full(60, at[1]))
    got = evaluate(arcs, np.minimum(along, arcs.to_m.iloc[-1]))
    assert (np.abs(got - expected) <= allowed(expected)).all()
    np.testing.assert_allclose(got, expected, rtol=1e-5, atol=0.01)


@pytest.mark.parametrize("lat", [0.0, 54.0, 80.0])
def test_two_points_up_to_300_km_apart(lat):
    for distance in (1.0, 100.0, 10_000.0, 300_000.0):
        x, y, _ = GEOD.fwd(11.9, lat, 77.0, distance)
        ends = [shapely.LineString([at, at]) for at in ((11.9, lat), (x, y))]
        found = closest_points(two_ways(ends[:1], ends[1:])).distance_m[0]
        assert found == pytest.approx(distance, abs=allowed(distance))


def test_length_of_a_line_is_its_geodesic_length():
    """Two long stretches and a short one: the sum of pieces against GeographicLib."""
    vertices = [(-1.0, 53.0), (1.5, 54.2), (1.5004, 54.2001), (4.0, 53.9)]
    expected = sum(
        Geodesic.WGS84.Inverse(a[1], a[0], b[1], b[0])["s12"]
        for a, b in itertools.pairwise(vertices)
    )
    got = straight_pieces([shapely.LineString(vertices)]).line_length_m[0]
    assert got == pytest.approx(expected, rel=2e-7)


def test_long_pieces_follow_the_geodesic():
    """Every vertex put into 250 km lies on the geodesic to a millimetre."""
    pieces = straight_pieces([shapely.LineString([(178.0, 60.0), (-178.0, 61.0)])])
    lon, lat = to_lonlat(pieces.start)
    azimuth, _, length = GEOD.inv(178.0, 60.0, -178.0, 61.0)
    assert len(pieces) == int(np.ceil(length / 500.0))
    x, y, _ = GEOD.fwd(178.0, 60.0, azimuth, float(pieces.from_m[200]))
    assert GEOD.inv(x, y, lon[200], lat[200])[2] < 1.0
    back, _, far = GEOD.inv(178.0, 60.0, lon[200], lat[200])
    assert far * abs(np.radians(back - azimuth)) < 1e-3


def test_lines_that_cross_on_the_antimeridian():
    """One line along the equator over 180 degrees, one over it; neither goes round the world."""
    layout = two_ways(
        [shapely.LineString([(179.99, 0), (-179.99, 0)])],
        [shapely.LineString([(180, -0.01), (180, 0.01)])],
    )
    found = crossings(layout)
    assert found.how.tolist() == ["cross"]
    assert abs(abs(found.lon[0]) - 180) < 1e-9
    assert closest_points(layout).distance_m[0] < 0.01
    assert layout.pieces.line_length_m[0] == pytest.approx(0.02 * 111_319.491, rel=1e-6)


@pytest.mark.parametrize("lat", LATITUDES)
def test_space_and_back(lat):
    lon = np.linspace(-180, 179.9, 20)
    space = to_space(lon, np.full(20, lat))
    back = to_lonlat(space)
    np.testing.assert_allclose(back[0], lon, atol=1e-12)
    np.testing.assert_allclose(back[1], lat, atol=1e-12)
    # 500 m below or above the surface the same plumb line is found.
    up = np.stack(
        [
            np.cos(np.radians(lat)) * np.cos(np.radians(lon)),
            np.cos(np.radians(lat)) * np.sin(np.radians(lon)),
            np.full(20, np.sin(np.radians(lat))),
        ],
        axis=1,
    )
    for height in (-500.0, 500.0):
        np.testing.assert_allclose(on_surface(space + height * up), space, atol=1e-6)


def test_chord_and_arc_undo_each_other():
    for arc in (0.0, 1.0, 1e4, 3e5):
        assert arc_m(chord_m(arc)) == pytest.approx(arc, rel=1e-12)


BOOST_LINE = (-16.42203, -7.52882), (4.89998, -6.1556)
"""2,300 km."""
POINT_TO_LINE = [
    (BOOST_LINE, (3.32696, -6.29345), 489.92809351881567),
    (BOOST_LINE, (3.32696, -6.2889), 11.511229576046485),
    (BOOST_LINE, (3.32696, -6.28895), 6.0009073659133909),
    (((0, 10), (20, 10)), (18, 10.054678231628329854), 0.23669789852514209),
    (((0, 0), (1, 1)), (0, 1), 78442.119873761606868),
    (((0, 0), (1, 1)), (1, 0), 78453.98942845336569),
    (((2, 2), (3, 2)), (3.5, 3), 123770.82713049851),
    (((2, 2), (3, 2)), (2, 3), 110576.41139532231),
    (((2, 2), (2, 4)), (2.5, 3), 55583.973320908837),
    (((1, -1), (1, 0)), (2, 0), 111319.4907932264),
    (((5, 52), (6, 51.4)), (5.5, 52), 23767.7241838),
]
"""Line, point and metres on WGS 84. The last: Baselga and Martinez-Llario, Intersection and
point-to-line solutions for geodesics on the ellipsoid, the worked example. All others:
Boost.Geometry, test/strategies/distance_cross_track_cases.hpp, the column of reference."""


@published(
    "boost-cross-track",
    "column of reference",
    "distances of points to lines of up to 2300 km on WGS 84, 0.24 m to 124 km",
    of="separation",
)
@published(
    "baselga-2018",
    "worked example of point to line",
    "(5.5, 52) lies 23767.7241838 m from the line (5, 52) to (6, 51.4)",
    of="separation",
)
@pytest.mark.parametrize(("line", "at", "metres"), POINT_TO_LINE)
def test_published_distances_of_a_point_to_a_line(line, at, metres):
    """Within a micrometre up to 10 km, within 0.00002 % beyond."""
    layout = two_ways([shapely.LineString(line)], [shapely.LineString([at, at])])
    found = closest_points(layout).iloc[0].distance_m
    assert found == pytest.approx(metres, abs=1e-6 if metres < 10_000 else 2e-7 * metres)


CROSSINGS = [
    ([(10, -1), (20, 1)], [(12.5, -1), (12.5, 1)], (12.5, -0.5005177749487734)),
    ([(10, -1), (20, 1)], [(17.5, -1), (17.5, 1)], (17.5, 0.5005177748229335)),
    ([(-1, 50), (1, 50)], [(0, 50), (2, 50)], (0.5, 50.00323192256208)),
    ([(-1, -2), (-1, 2)], [(-2, -2), (2, 2)], (-1, -1.000459099991114)),
    ([(-1, 50), (1, 50)], [(-2, 50), (2, 50)], None),
]
"""Lines and where they cross on WGS 84: Boost.Geometry, test/strategies/
segment_intersection_geo.cpp, the rows of geodesic_vincenty."""


@published(
    "boost-segment-intersection",
    "rows geodesic_vincenty",
    "where four pairs of lines cross on WGS 84; a fifth, with its ends on one parallel, does not",
    of="separation",
)
@pytest.mark.parametrize(("one", "other", "at"), CROSSINGS)
def test_published_crossings_of_geodesics(one, other, at):
    """Found within 0.1 mm; two lines whose ends lie on one parallel need not meet."""
    found = crossings(two_ways([shapely.LineString(one)], [shapely.LineString(other)]))
    assert len(found) == (at is not None)
    if at is not None:
        assert GEOD.inv(found.lon[0], found.lat[0], *at)[2] < 1e-4
