"""Crossings in plan, and meetings that are none."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from separation_plants import GENTLE, Ground, random_way, two_ways
from waysapart.findings.separation.cross import crossings, told_before

G = Ground()
STREET = ((0, 0), (100, 0), (200, 0))


@pytest.mark.parametrize(
    ("other", "expected"),
    [
        (((50, -40), (50, 60)), ["cross"]),
        (((100, -40), (100, 60)), ["cross"]),
        (((50, -40), (50, 0), (70, 60)), ["cross"]),
        (((100, -40), (100, 0), (170, 60)), ["cross"]),
        (((50, 40), (50, 0), (70, 60)), ["touch"]),
        (((100, 40), (100, 0), (170, 60)), ["touch"]),
        (((50, 40), (50, 0)), ["touch"]),
        (((0, 0), (0, 50)), ["touch"]),
        (((-50, 0), (0, 0)), ["touch"]),
        (((200, -30), (200, 30)), ["touch"]),
        (((50, 40), (50, 0), (150, 0), (150, -40)), ["overlap"]),
        (((0, 0), (100, 0), (200, 0)), ["overlap"]),
        (((50, -40), (50, 60), (150, 60), (150, -40)), ["cross", "cross"]),
        (((50, 1), (150, 1)), []),
        (((50, 0), (50, 0)), ["touch"]),
    ],
    ids=[
        "over",
        "over at a vertex",
        "bent over",
        "bent over at a vertex",
        "bent back",
        "bent back at a vertex",
        "ends on it",
        "ends together",
        "end to end",
        "over its end",
        "beside it for 100 m",
        "coincident",
        "twice",
        "1 m away",
        "point",
    ],
)
def test_how_two_lines_meet(other, expected):
    """A street along y = 0 with a vertex at x = 100 and another line, drawn and asked both ways."""
    for turn in (1, -1):
        street, line = G.line(*STREET), G.line(*other[::turn])
        assert crossings(two_ways([street], [line])).how.tolist() == expected
        assert crossings(two_ways([line], [street])).how.tolist() == expected


def test_where_they_meet():
    found = crossings(two_ways([G.line(*STREET)], [G.line((50, -40), (50, 60))])).iloc[0]
    assert (found.at_m, found.at_j_m) == pytest.approx((50, 40), abs=1e-5)
    assert G.metres(found.lon, found.lat) == pytest.approx([50, 0], abs=1e-3)
    along = crossings(two_ways([G.line(*STREET)], [G.line((50, 40), (50, 0), (150, 0))])).iloc[0]
    assert along.length_m == pytest.approx(100, abs=0.01)


def test_where_they_run_together_along_either():
    """The street from 50 to 150, and the other line from 40 to 140 m; the same asked the
    other way about, and with the street drawn backward: there from 50 to 150 from its end."""
    other = G.line((50, 40), (50, 0), (150, 0))
    columns = ["at_m", "length_m", "at_j_m", "length_j_m"]
    for street in (STREET, STREET[::-1]):
        along = crossings(two_ways([G.line(*street)], [other])).iloc[0]
        assert along[columns].tolist() == pytest.approx([50, 100, 40, 100], abs=0.01)
        turned = crossings(two_ways([other], [G.line(*street)])).iloc[0]
        assert turned[columns].tolist() == pytest.approx([40, 100, 50, 100], abs=0.01)


def test_a_place_that_one_line_passes_twice_is_told_once():
    """A loop crosses the street at 50 on its way out and on its way back: two meetings, of
    either about the other, in one place. That it also crosses at 150 is another place."""
    loop = ((50, -40), (50, 40), (20, 60), (20, 20), (80, -20), (150, -20), (150, 20))
    street = G.line(*STREET)
    for ways in (([street], [G.line(*loop)]), ([G.line(*loop)], [street])):
        layout = two_ways(*ways)
        found = crossings(layout)
        assert len(found) == 3
        again = told_before(found, layout, np.arange(2))
        assert again.sum() == 1
        east = G.metres(found.lon.to_numpy(), found.lat.to_numpy()).reshape(-1, 2)[~again, 0]
        assert sorted(east) == pytest.approx([50, 150], abs=0.01)


def test_lines_that_meet_at_a_shared_structure_do_not_cross():
    """Both ways pass tower T at (100, 0), each with two spans; and cross once more beyond it."""
    main = [G.line((0, 0), (100, 0)), G.line((100, 0), (200, 0))]
    alternate = [G.line((100, 80), (100, 0)), G.line((100, 0), (150, -50), (150, 50))]
    layout = two_ways(main, alternate)
    assert len(crossings(layout)) == 5
    lon, lat = G.lonlat([(100, 0)])[0]
    found = crossings(layout, common_pair=[0], common_lon=[lon], common_lat=[lat])
    assert found[["line_i", "line_j", "how"]].to_numpy().tolist() == [[1, 3, "cross"]]
    elsewhere = crossings(layout, common_pair=[0], common_lon=[lon], common_lat=[lat + 0.001])
    assert len(elsewhere) == 5


def test_crossing_inside_an_end_zone_is_excused():
    ways = [G.line(*STREET)], [G.line((50, -40), (50, 60), (150, 60), (150, -40))]
    assert len(crossings(two_ways(*ways, zones=[(G.point(0, 0), 60.0)]))) == 1
    assert not len(crossings(two_ways(*ways, zones=[(G.point(0, 0), 160.0)])))


def test_shared_line_is_not_crossed_by_itself():
    street = G.line(*STREET)
    layout = two_ways([G.line((0, 50), (0, 90))], [G.line((9, 50), (9, 90))], shared=[street])
    assert not len(crossings(layout))


def test_long_spans_cross_at_every_latitude():
    """Two straight lines of 40 km through one point: one crossing, there, though chords sag."""
    for lat in (0.0, 54.0, 80.0):
        g = Ground(180.0, lat)
        found = crossings(
            two_ways([g.line((-20_000, 0), (20_000, 0))], [g.line((-9, -20_000), (9, 20_000))])
        )
        assert found.how.tolist() == ["cross"]
        assert g.metres(found.lon[0], found.lat[0]) == pytest.approx([0, 0], abs=0.02)


@settings(**GENTLE, max_examples=80)
@given(st.integers(0, 10_000))
def test_random_paths_cross_where_shapely_says(seed):
    """Meetings of two crooked ways in the drawing plane, counted by their places."""
    rng = np.random.default_rng(seed)
    ways = [random_way(rng, 10, start=start, step_m=200) for start in ((0, 0), (37, -91))]
    found = crossings(two_ways([G.line(*ways[0])], [G.line(*ways[1])]))
    met = shapely.intersection(*(shapely.LineString(way) for way in ways))
    expected = shapely.get_coordinates(met)
    got = G.metres(found.lon.to_numpy(), found.lat.to_numpy()).reshape(-1, 2)
    for place in expected:
        assert np.hypot(*(got - place).T).min() < 0.01
    for place in got:
        assert np.hypot(*(expected - place).T).min() < 0.01
