"""The least distance between two paths, outside the end zones, and the danger circle."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from separation_plants import GENTLE, Ground, distances, random_way, sampled, two_ways
from waysapart.errors import CallError
from waysapart.findings.separation.closest import closest_points
from waysapart.findings.separation.layout import lay_out
from waysapart.findings.separation.near import near_stretches
from waysapart.findings.separation.pieces import straight_pieces
from waysapart.findings.separation.profile import evaluate, profile
from waysapart.findings.separation.zones import cut

G = Ground()


@pytest.mark.parametrize("angle", [1.0, 10.0, 60.0, 90.0, 150.0])
def test_acute_angle_at_a_site(angle):
    """Two straight paths leave a site at an angle; the zone is a circle of 50 m.

    The closest points outside are where both leave the zone: a chord of
    2 * 50 * sin(angle / 2).
    """
    theta = np.radians(angle)
    main = G.line((0, 0), (1000, 0))
    alternate = G.line((0, 0), (1000 * np.cos(theta), 1000 * np.sin(theta)))
    layout = two_ways([main], [alternate], zones=[(G.point(0, 0), 50.0)])
    found = closest_points(layout).iloc[0]
    assert found.distance_m == pytest.approx(100 * np.sin(theta / 2), abs=1e-4)
    x, y = G.metres(found.lon, found.lat)
    assert np.hypot(x, y) == pytest.approx(50 * np.cos(theta / 2), abs=1e-3)


@pytest.mark.parametrize("sides", [3, 4, 6, 17, 96])
def test_regular_polygon_round_another(sides):
    """Two regular polygons about one point, circumradius 800 m and 1000 m, corners in line.

    Sides are parallel: the distance is the difference of the apothems,
    200 * cos(180 degrees / sides), and the danger radius half of it.
    """
    turn = np.linspace(0, 2 * np.pi, sides + 1)
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    layout = two_ways([G.line(*(ring * 1000))], [G.line(*(ring * 800))])
    expected = 200 * np.cos(np.pi / sides)
    found = closest_points(layout).iloc[0]
    assert found.distance_m == pytest.approx(expected, abs=1e-3)
    assert found.danger_radius_m == pytest.approx(expected / 2, abs=1e-3)
    assert G.metres(found.lon, found.lat).shape == (2,)
    # Seen from the outer ring it is the corner that lies furthest away: 200 m.
    arcs = profile(layout, 0)
    assert arcs.distance_from_m.max() == pytest.approx(200, abs=1e-3)
    assert arcs.distance_from_m.min() == pytest.approx(expected, abs=1e-3)


def test_opposite_sides_of_a_ring_of_cable():
    """A square ring of 1 km; the two ways round between opposite corners are 0 apart at the sites
    and, with zones of 100 m, sqrt(2) * 100 m apart where they leave them."""
    corners = [(0, 0), (1000, 0), (1000, 1000), (0, 1000)]
    main = G.line(*corners[:3])
    alternate = G.line(corners[0], corners[3], corners[2])
    sites = [(G.point(0, 0), 100.0), (G.point(1000, 1000), 100.0)]
    assert closest_points(two_ways([main], [alternate])).distance_m[0] == 0.0
    found = closest_points(two_ways([main], [alternate], zones=sites))
    assert found.distance_m[0] == pytest.approx(100 * np.sqrt(2), abs=1e-4)


def test_site_drawn_as_a_polygon():
    """A yard 100 m square with a zone of 20 m: paths along y = 10 and y = -10 leave it at x = 70.

    The alternate turns off at once; the main runs on. Inside they are 20 m
    apart, outside they start 20 m apart at x = 70.
    """
    yard = G.polygon((-50, -50), (50, -50), (50, 50), (-50, 50))
    main, alternate = G.line((0, 10), (500, 10)), G.line((0, -10), (500, -10 - 500 * 0.5))
    layout = two_ways([main], [alternate], zones=[(yard, 20.0)])
    found = closest_points(layout).iloc[0]
    # From (70, 10) square to the alternate, y = -10 - x / 2: |10 + 10 + 35| / sqrt(1.25), foot at
    # x = 48; that is in the zone, so the closest point is where the alternate leaves it, (70, -45)
    # or, round the corner (50, -50), on y = -10 - x / 2: x = 70 has y = -45 > -50: beside the yard.
    assert found.distance_m == pytest.approx(55.0, abs=1e-3)
    assert G.metres(found.lon_i, found.lat_i) == pytest.approx([70, 10], abs=1e-3)
    assert G.metres(found.lon_j, found.lat_j) == pytest.approx([70, -45], abs=1e-3)


def test_an_outline_cuts_a_straight_piece_that_runs_under_it():
    """A straight piece of 394 m from inside a yard, 44 m from where it leaves it, runs 1.2 mm under
    the surface there. With radius 0 the yard still excuses what lies in it."""
    yard = shapely.Polygon(
        [
            (2.097900793100877, 46.38898233920325),
            (2.097884066516424, 46.38952211983998),
            (2.097103995887603, 46.389510542835914),
            (2.0971207301554573, 46.38897076239909),
        ]
    )
    way = shapely.LineString(
        [(2.0973112839344474, 46.38911759856733), (2.094093150419075, 46.403110524880184)]
    )
    pieces, inside = cut(straight_pieces(np.array([way])), [yard], 0.0)
    covered = (pieces.to_m - pieces.from_m) @ inside.toarray()[:, 0]
    assert covered == pytest.approx(44.4, abs=0.1)


def test_point_and_polygon_zones_together():
    """Zones of 30 m round a point at x = 0 and of 10 m round a yard from x = 200 to 300."""
    yard = G.polygon((200, -50), (300, -50), (300, 50), (200, 50))
    zones = [(G.point(0, 0), 30.0), (yard, 10.0), (G.point(600, 0), 0.0)]
    layout = two_ways([G.line((0, 0), (600, 0))], [G.line((0, 1), (600, 1))], zones=zones)
    near = near_stretches(layout, 2.0)
    assert near.from_m.tolist() == pytest.approx([30, 310], abs=0.01)
    assert near.to_m.tolist() == pytest.approx([190, 600], abs=0.01)


def test_way_inside_a_polygon_far_from_its_outline_is_covered():
    yard = G.polygon((-500, -500), (500, -500), (500, 500), (-500, 500))
    with_hole = shapely.Polygon(
        yard.exterior, [G.polygon((-200, -200), (200, -200), (200, 200), (-200, 200)).exterior]
    )
    ways = [G.line((0, 0), (10, 0))], [G.line((0, 5), (10, 5))]
    covered = closest_points(two_ways(*ways, zones=[(yard, 0.0)])).iloc[0]
    point = two_ways([G.line((7, 7), (7, 7))], ways[1], zones=[(yard, 0.0)])
    assert point.inside.toarray().all()
    assert np.isnan(covered.distance_m)
    in_hole = closest_points(two_ways(*ways, zones=[(with_hole, 10.0)])).iloc[0]
    assert in_hole.distance_m == pytest.approx(5.0, abs=1e-6)


def test_zones_over_a_whole_path_leave_nothing_to_examine():
    ways = [G.line((0, 0), (40, 0))], [G.line((0, 5), (400, 5))]
    layout = two_ways(*ways, zones=[(G.point(0, 0), 50.0)])
    found = closest_points(layout).iloc[0]
    assert np.isnan(found[["distance_m", "danger_radius_m", "lon", "lat"]]).all()
    assert found[["line_i", "line_j"]].tolist() == [-1, -1]
    assert not len(near_stretches(layout, 20.0))
    assert np.isnan(evaluate(profile(layout, 0, along="second"), 200.0))


def test_a_zone_excuses_only_the_pairs_it_belongs_to():
    lines = [G.line((0, 0), (500, 0)), G.line((0, 5), (500, 50))]
    layout = lay_out(
        lines,
        path=[0, 1, 2, 3],
        line=[0, 1, 0, 1],
        first=[0, 2],
        second=[1, 3],
        zone_places=[G.point(0, 0)],
        zone_radius_m=[100.0],
        zone_pair=[1],
        zone=[0],
    )
    found = closest_points(layout).distance_m
    assert found[0] == pytest.approx(5.0, abs=1e-6)
    assert found[1] > 10.0


def test_shared_line_is_no_distance_apart_unless_left_out():
    """Both follow a line of 100 m; beyond it they fork at right angles."""
    shared = [G.line((0, 0), (100, 0))]
    main, alternate = [G.line((150, 0), (300, 0))], [G.line((150, 40), (150, 300))]
    layout = two_ways(main, alternate, shared=shared)
    found = closest_points(layout).iloc[0]
    assert found.distance_m == 0.0
    assert found.line_i == found.line_j == 2
    apart = closest_points(layout, skip_shared=True).iloc[0]
    assert apart.distance_m == pytest.approx(40.0, abs=1e-5)


@pytest.mark.parametrize(
    ("main", "alternate", "expected"),
    [
        ([(0, 0), (0, 0)], [(30, 40), (30, 40)], 50.0),
        ([(0, 0), (100, 0)], [(0, 0), (100, 0)], 0.0),
        ([(0, 0), (100, 0)], [(40, 0), (60, 0)], 0.0),
        ([(0, 0), (100, 0)], [(100, 0), (200, 50)], 0.0),
        ([(0, 0), (100, 100), (100, 0), (0, 100)], [(120, 0), (120, 100)], 20.0),
        ([(0, 0), (100, 0), (100, 100), (0, 0)], [(60, 30), (60, 31)], 29 / np.sqrt(2)),
        ([(0, 0), (0, 0), (50, 0), (50, 0)], [(20, 7), (20, 7)], 7.0),
    ],
    ids=["points", "coincident", "inside", "touching", "self-crossing", "closed", "repeated"],
)
def test_awkward_geometry(main, alternate, expected):
    for first, second in ((main, alternate), (alternate, main)):
        layout = two_ways([G.line(*first)], [G.line(*second)])
        assert closest_points(layout).distance_m[0] == pytest.approx(expected, abs=1e-6)
        arcs = profile(layout, 0)
        assert arcs.distance_from_m.min() == pytest.approx(expected, abs=1e-6) or (
            np.nanmin(evaluate(arcs, np.linspace(0, arcs.to_m.max(), 4001)))
            == pytest.approx(expected, abs=0.01)
        )
        near = near_stretches(layout, expected + 1.0)
        assert near.distance_m.min() == pytest.approx(expected, abs=1e-6)


@settings(**GENTLE, max_examples=60)
@given(st.integers(0, 10_000))
def test_random_paths_against_dense_sampling(seed):
    """Distance, profile and near stretches of two crooked paths with end zones, all tried out."""
    rng = np.random.default_rng(seed)
    ways = [random_way(rng, int(rng.integers(2, 14))) for _ in range(2)]
    radius = float(rng.uniform(0, 150))
    layout = two_ways([G.line(*ways[0])], [G.line(*ways[1])], zones=[(G.point(0, 0), radius)])
    step = 1.0
    (main, along), (alternate, _) = (sampled(way, step) for way in ways)
    outside = np.hypot(*main.T) > radius
    facing = alternate[np.hypot(*alternate.T) > radius]
    found = closest_points(layout).distance_m[0]
    if not outside.any() or not len(facing):
        assert np.isnan(found)
        return
    distance = distances(main, facing)
    assert found <= distance[outside].min() + 1e-3
    # A sample lies within half a step of any point, and the zone may end between two.
    assert found >= distance[outside].min() - 2 * step

    arcs = profile(layout, 0)
    deep = outside & (np.abs(np.hypot(*main.T) - radius) > 0.01)
    got = evaluate(arcs, np.minimum(along[deep], arcs.to_m.max()))
    assert (got <= distance[deep] + 1e-3).all()
    assert (got >= distance[deep] - 2 * step).all()
    assert (
        np.fmin(arcs[~arcs.exempt].distance_from_m.min(), arcs[~arcs.exempt].distance_to_m.min())
        >= found - 1e-6
    )

    limit = float(rng.uniform(5, 120))
    near = near_stretches(layout, limit)
    flags = np.zeros(len(along), dtype=bool)
    for low, high in zip(near.path_from_m, near.path_to_m, strict=True):
        flags |= (along >= low - 1e-3) & (along <= high + 1e-3)
    assert flags[deep & (distance <= limit - 1e-3)].all()
    assert not flags[deep & (distance > limit + 2 * step)].any()
    if len(near):
        assert near.distance_m.min() == pytest.approx(found, abs=1e-6)


def test_all_pairs_at_once_equal_one_by_one():
    """30 paths, 60 pairs over shared lines; every pair against shapely in the drawing plane."""
    rng = np.random.default_rng(3)
    ways = [random_way(rng, 12, start=rng.uniform(-900, 900, 2)) for _ in range(30)]
    first, second = rng.integers(0, 15, 60), rng.integers(15, 30, 60)
    layout = lay_out(
        [G.line(*way) for way in ways], path=range(30), line=range(30), first=first, second=second
    )
    found = closest_points(layout).distance_m.to_numpy()
    plain = [shapely.LineString(way) for way in ways]
    expected = [plain[i].distance(plain[j]) for i, j in zip(first, second, strict=True)]
    np.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-3)


def test_missing_geometry_is_no_distance():
    layout = two_ways([None], [G.line((0, 0), (10, 0))])
    assert np.isnan(closest_points(layout).distance_m[0])
    assert not len(near_stretches(layout, 100.0))
    assert not len(profile(layout, 0))


def test_wrong_calls_say_what_is_wrong():
    with pytest.raises(CallError, match="differ in length"):
        lay_out([None], path=[0], line=[0, 0], first=[0], second=[0])
    with pytest.raises(CallError, match="names number 7"):
        lay_out([None], path=[0], line=[7], first=[0], second=[0])
    with pytest.raises(CallError, match="Polygon"):
        lay_out([G.polygon((0, 0), (1, 0), (1, 1))], path=[0], line=[0], first=[0], second=[0])
    with pytest.raises(CallError, match="no finite"):
        two_ways([shapely.LineString([(0, 0), (0, 91)])], [None])
    with pytest.raises(CallError, match="Points and Polygons"):
        two_ways([None], [None], zones=[(G.line((0, 0), (1, 1)), 5.0)])
