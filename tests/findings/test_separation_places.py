"""The places where one circle takes the most, against trying them all."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from separation_plants import GENTLE, Ground, random_way
from waysapart.errors import CallError
from waysapart.findings.separation.arrangement import places_to_look, taken, tolerance_m
from waysapart.findings.separation.closest import closest_points
from waysapart.findings.separation.earth import to_lonlat
from waysapart.findings.separation.layout import lay_out
from waysapart.findings.separation.pieces import straight_pieces
from waysapart.findings.separation.places import worst_places

G = Ground()


def to_line(points, xy):
    """Distance of points to a polyline, by Pythagoras, piece by piece."""
    best = np.full(len(points), np.inf)
    for p, q in itertools.pairwise(np.asarray(xy, dtype=float)):
        v = q - p
        square = v @ v
        t = np.zeros(len(points)) if square == 0 else np.clip((points - p) @ v / square, 0, 1)
        best = np.minimum(best, np.hypot(*(points - p - t[:, None] * v).T))
    return best


def nearest(points, samples):
    """Distance of points to the nearest sample; infinite where there are none."""
    return cKDTree(samples).query(points)[0] if len(samples) else np.full(len(points), np.inf)


def maximal_sets(pieces, radius):
    """What a circle takes at each place to look at, and its centre; no set lies in another."""
    centres = places_to_look(pieces, pieces.line, radius)
    found = {}
    for centre, row in zip(centres, taken(pieces, centres, radius), strict=True):
        found.setdefault(frozenset(pieces.line[row.indices].tolist()), centre)
    return {one: at for one, at in found.items() if not any(one < other for other in found)}


def test_four_parallel_ducts():
    """Ducts at y = 0, 10, 20 and 60, 500 m long. A circle of 10 m spans 20 m: the first three
    together, the last alone. One of 15 m the same; one of 31 m takes all four."""
    pieces = straight_pieces([G.line((0, y), (500, y)) for y in (0, 10, 20, 60)])
    for radius, expected in (
        (4.0, [{0}, {1}, {2}, {3}]),
        (6.0, [{0, 1}, {1, 2}, {3}]),
        (10.0, [{0, 1, 2}, {3}]),
        (21.0, [{0, 1, 2}, {2, 3}]),
        (31.0, [{0, 1, 2, 3}]),
    ):
        assert set(maximal_sets(pieces, radius)) == {frozenset(one) for one in expected}, radius


def test_three_points_need_the_circle_round_the_triangle():
    """Pits at the corners of an equilateral triangle of side 30 m: circumradius 30 / sqrt(3)."""
    corners = [(0, 0), (30, 0), (15, 15 * np.sqrt(3))]
    pieces = straight_pieces([G.line(corner, corner) for corner in corners])
    radius = 30 / np.sqrt(3)
    ((together, centre),) = maximal_sets(pieces, radius + 0.01).items()
    assert together == {0, 1, 2}
    assert G.metres(*to_lonlat(centre)) == pytest.approx([15, 15 / np.sqrt(3)], abs=0.6)
    assert set(maximal_sets(pieces, radius - 0.01)) == {
        frozenset(two) for two in ({0, 1}, {1, 2}, {0, 2})
    }


def test_place_with_corners_of_two_straight_sides_only():
    """Four long lines round a square of 19.8 m: a circle of 10 m takes all four only within
    0.1 m of its middle, a square whose four corners are where straight sides meet."""
    lines = [
        ((-90, 9.9), (70, 9.9)),
        ((-80, -9.9), (60, -9.9)),
        ((9.9, -50), (9.9, 40)),
        ((-9.9, -60), (-9.9, 80)),
    ]
    pieces = straight_pieces([G.line(*line) for line in lines])
    assert frozenset({0, 1, 2, 3}) in maximal_sets(pieces, 10.0)


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (2, 3, 0, 1)])
def test_place_with_corners_of_straight_sides_and_circles_only(order):
    """Lines along y = 9.9 and y = -9.9, pits at (-8.46, 5) and (8.46, 5), circles of 10 m.

    What takes all four has |y| <= 0.1 and is bounded left and right by the circles
    of the pits, which meet further down, at y = -0.33.
    """
    lines = [
        ((-90, 9.9), (70, 9.9)),
        ((-80, -9.9), (60, -9.9)),
        ((-8.46, 5), (-8.46, 5)),
        ((8.46, 5), (8.46, 5)),
    ]
    pieces = straight_pieces([G.line(*lines[k]) for k in order])
    assert frozenset({0, 1, 2, 3}) in maximal_sets(pieces, 10.0)


def plant(seed):
    rng = np.random.default_rng(seed)
    ways = [random_way(rng, 5, start=rng.integers(-150, 150, 2), step_m=90) for _ in range(9)]
    radius = float(rng.uniform(8, 60))
    first, second = np.array([0, 2, 4, 6]), np.array([1, 3, 5, 0])
    zones = [(-40, 0), (60, 30)]
    layout = lay_out(
        [G.line(*way) for way in ways],
        path=[0, 1, 2, 3, 4, 5, 6, 6, 0],
        line=[0, 1, 2, 3, 4, 5, 6, 7, 8],
        first=first,
        second=second,
        zone_places=[G.point(*at) for at in zones],
        zone_radius_m=[50.0, 70.0],
        zone_pair=[0, 1, 1],
        zone=[0, 0, 1],
    )
    return rng, ways, radius, layout


@settings(**GENTLE, max_examples=25)
@given(st.integers(0, 10_000))
def test_no_circle_of_a_fine_grid_takes_a_set_that_was_not_found(seed):
    _, ways, radius, _ = plant(seed)
    pieces = straight_pieces([G.line(*way) for way in ways])
    found = maximal_sets(pieces, radius)
    # What is found is taken by a circle at the place given.
    centres = G.metres(*to_lonlat(np.array([*found.values()])))
    off = np.stack([to_line(centres, way) for way in ways], axis=1)
    for row, one in zip(off, found, strict=True):
        assert (row[[*one]] <= radius + 2 * tolerance_m(radius)).all()
    allxy = np.concatenate(ways)
    x, y = (
        np.arange(low - radius, high + radius, 4.0)
        for low, high in zip(allxy.min(0), allxy.max(0), strict=True)
    )
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    taken = np.stack([to_line(grid, way) <= radius for way in ways], axis=1)
    for row in np.unique(taken, axis=0):
        here = frozenset(np.flatnonzero(row).tolist())
        assert not here or any(here <= one for one in found)


@settings(**GENTLE, max_examples=25)
@given(st.integers(0, 10_000))
def test_grid_search_never_finds_a_worse_place(seed):
    """Both paths outside the pair's own zones; ranked by circuits lost, then touched."""
    _, ways, radius, layout = plant(seed)
    worst = worst_places(layout, radius, rows=1).iloc[0]
    zones = {0: [((-40, 0), 50.0)], 1: [((-40, 0), 50.0), ((60, 30), 70.0)], 2: [], 3: []}
    path_lines = {0: [0, 8], 1: [1], 2: [2], 3: [3], 4: [4], 5: [5], 6: [6, 7]}
    pairs = [(0, 1), (2, 3), (4, 5), (6, 0)]
    allxy = np.concatenate(ways)
    x, y = (
        np.arange(low - radius, high + radius, 5.0)
        for low, high in zip(allxy.min(0), allxy.max(0), strict=True)
    )
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    off = [to_line(grid, way) for way in ways]
    lost, touched = np.zeros(len(grid), int), np.zeros(len(grid), int)
    for pair, two in enumerate(pairs):
        down, met = [], []
        for path in two:
            met.append(np.any([off[k] <= radius for k in path_lines[path]], axis=0))
            samples = []
            for k in path_lines[path]:
                for p, q in itertools.pairwise(ways[k]):
                    samples.append(p + np.linspace(0, 1, 60)[:, None] * (q - p))
            samples = np.concatenate(samples)
            for centre, reach in zones[pair]:
                samples = samples[np.hypot(*(samples - centre).T) > reach]
            down.append(nearest(grid, samples) <= radius)
        lost += down[0] & down[1]
        touched += met[0] | met[1]
    best = np.lexsort((touched, lost))[-1]
    assert (worst.lost, worst.touched) >= (lost[best], touched[best])
    # And the place given really does what is said.
    closest = closest_points(layout).distance_m
    assert worst.lost <= (closest <= 2 * radius + 4 * tolerance_m(radius)).sum()
    if worst.lost == 0:
        assert not (closest <= 2 * radius).any()


def test_worst_places_of_a_small_plant():
    """Two pairs. Pair 0 runs 20 m apart from x = 100; pair 1 crosses it at x = 500 and x = 540.

    With 25 m, at x = 520 both ways of both are taken; nothing worse exists, and no place that
    takes less of the same is listed.
    """
    lines = [
        G.line((100, 0), (900, 0)),
        G.line((100, 20), (900, 20)),
        G.line((500, -400), (500, 400)),
        G.line((540, -400), (540, 400)),
    ]
    layout = lay_out(lines, path=range(4), line=range(4), first=[0, 2], second=[1, 3])
    worst = worst_places(layout, 25.0)
    assert worst.lost.tolist() == [2]
    assert worst.touched.tolist() == [2]
    assert worst.circuits_lost[0] == (0, 1)
    assert worst.lines[0] == (0, 1, 2, 3)
    assert G.metres(worst.lon[0], worst.lat[0])[0] == pytest.approx(520, abs=26)
    small = worst_places(layout, 5.0)
    assert small.lost.max() == 0
    assert small.touched.max() == 2


def test_a_path_in_its_own_end_zone_is_not_lost():
    """Both paths start at one site; a circle there takes both, but only inside the zone."""
    lines = [G.line((0, 0), (500, 0)), G.line((0, 0), (0, 500))]
    common = {"path": [0, 1], "line": [0, 1], "first": [0], "second": [1]}
    assert worst_places(lay_out(lines, **common), 20.0).lost[0] == 1
    zoned = lay_out(
        lines, **common, zone_places=[G.point(0, 0)], zone_radius_m=[50.0], zone_pair=[0], zone=[0]
    )
    assert worst_places(zoned, 20.0).lost.max() == 0
    # Outside the zone they are 50 * sqrt(2) = 70.7 m apart: a circle of 35.36 m takes both.
    assert worst_places(zoned, 35.2).lost.max() == 0
    assert worst_places(zoned, 35.5).lost.max() == 1


def test_nothing_to_take():
    layout = lay_out([None], path=[0, 1], line=[0, 0], first=[0], second=[1])
    assert not len(worst_places(layout, 10.0))
    with pytest.raises(CallError, match="radius"):
        worst_places(layout, 0.0)
