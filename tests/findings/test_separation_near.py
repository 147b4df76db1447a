"""Stretches where two paths run closer than a limit."""

import numpy as np
import pandas as pd
import pytest

from separation_plants import Ground, two_ways
from waysapart.errors import CallError
from waysapart.findings.separation.layout import lay_out
from waysapart.findings.separation.near import near_both_ways, near_stretches

G = Ground()


def test_parallel_trenches():
    """Main along y = 0 for 1000 m; alternate along y = 3 from x = 200 to 700.

    Within 5 m: from 200 - sqrt(5^2 - 3^2) = 196 to 700 + 4 = 704, that is 508 m.
    """
    layout = two_ways([G.line((0, 0), (1000, 0))], [G.line((200, 3), (700, 3))])
    near = near_stretches(layout, 5.0)
    assert len(near) == 1
    row = near.iloc[0]
    assert row[["from_m", "to_m", "length_m"]].tolist() == pytest.approx([196, 704, 508], abs=1e-3)
    assert row.distance_m == pytest.approx(3.0, abs=1e-5)
    assert 195 < G.metres(row.lon, row.lat)[0] < 705
    assert G.metres(row.lon, row.lat)[1] == pytest.approx(1.5, abs=1e-3)
    assert not len(near_stretches(layout, 2.9))
    assert not len(near_stretches(layout, 0.0))


def test_acute_angle_at_a_site():
    """At 5 degrees, zone 50 m, limit 20 m: near from 50 m to 20 / sin(5 degrees) = 229.5 m."""
    theta = np.radians(5.0)
    layout = two_ways(
        [G.line((0, 0), (1000, 0))],
        [G.line((0, 0), (1000 * np.cos(theta), 1000 * np.sin(theta)))],
        zones=[(G.point(0, 0), 50.0)],
    )
    row = near_stretches(layout, 20.0).iloc[0]
    assert row.from_m == pytest.approx(50.0, abs=1e-3)
    assert row.to_m == pytest.approx(20 / np.sin(theta), abs=1e-2)


def test_one_stretch_over_several_lines_of_a_path():
    """Three lines of 100 m end to end, the middle one drawn backward, beside one long line.

    Each line has its own row, and all three are one stretch of 300 m.
    """
    main = [G.line((0, 0), (100, 0)), G.line((200, 0), (100, 0)), G.line((200, 0), (300, 0))]
    layout = lay_out(
        [*main, G.line((-50, 4), (350, 4))],
        path=[0, 0, 0, 1],
        line=[0, 1, 2, 3],
        backward=[False, True, False, False],
        first=[0],
        second=[1],
    )
    near = near_stretches(layout, 10.0)
    assert near.line_i.tolist() == [0, 1, 2]
    assert near.path_from_m.tolist() == pytest.approx([0, 100, 200], abs=1e-3)
    assert near.path_to_m.tolist() == pytest.approx([100, 200, 300], abs=1e-3)
    assert near.stretch.nunique() == 1
    assert near.stretch_m.tolist() == pytest.approx([300] * 3, abs=1e-3)


def test_stretches_that_do_not_meet_are_numbered_apart():
    """A zigzag comes down to 5 m at x = 100 and at x = 300, with a slope of 95 in 100.

    h metres beside the tip the slope is (95 h + 500) / hypot(100, 95) away: 10 m at h = 9.256.
    """
    reach = (10 * np.hypot(100, 95) - 500) / 95
    zigzag = G.line((0, 100), (100, 5), (200, 100), (300, 5), (400, 100))
    near = near_stretches(two_ways([G.line((0, 0), (400, 0))], [zigzag]), 10.0)
    assert near.stretch.tolist() == [0, 1]
    assert near.distance_m.tolist() == pytest.approx([5.0, 5.0], abs=1e-4)
    assert near.length_m.tolist() == pytest.approx([2 * reach] * 2, abs=1e-4)


def test_line_followed_twice_is_near_twice():
    """The main goes out and back over one line of 100 m beside the alternate."""
    layout = lay_out(
        [G.line((0, 0), (100, 0)), G.line((0, 3), (30, 3))],
        path=[0, 0, 1],
        line=[0, 0, 1],
        backward=[False, True, False],
        first=[0],
        second=[1],
    )
    near = near_stretches(layout, 5.0)
    assert near.path_from_m.tolist() == pytest.approx([0, 166], abs=1e-3)
    assert near.path_to_m.tolist() == pytest.approx([34, 200], abs=1e-3)
    assert near.stretch.tolist() == [0, 1]


def test_shared_line_is_no_approach():
    """Both follow line S; the main's own line starts at its end. Nothing else comes near."""
    layout = two_ways(
        [G.line((100, 0), (300, 0))],
        [G.line((100, 0), (100, 300))],
        shared=[G.line((0, 0), (100, 0))],
    )
    near = near_stretches(layout, 5.0)
    assert set(zip(near.line_i, near.line_j, strict=True)) == {(0, 1)}


def test_limits_by_pair_and_by_kinds():
    """Span beside span at 30 m, duct beside span at 8 m.

    Limits: span/span 40, span/duct and duct/duct 5: only the spans are near. For
    a second pair over the same lines the duct limit is 10, so both are.
    """
    span, duct = 0, 1
    lines = [
        G.line((0, 0), (200, 0)),
        G.line((500, 0), (700, 0)),
        G.line((0, 30), (200, 30)),
        G.line((500, 8), (700, 8)),
    ]
    layout = lay_out(lines, path=[0, 0, 1, 1], line=[0, 1, 2, 3], first=[0, 0], second=[1, 1])
    limits = np.full((2, 2, 2), 5.0)
    limits[:, span, span] = 40.0
    limits[1, duct, span] = 10.0
    near = near_stretches(layout, limits, kind=[span, duct, span, span])
    assert near[["pair", "line_i", "line_j"]].to_numpy().tolist() == [
        [0, 0, 2],
        [1, 0, 2],
        [1, 1, 3],
    ]
    by_pair = near_stretches(layout, [0.0, 9.0])
    assert by_pair[["pair", "line_i"]].to_numpy().tolist() == [[1, 1]]
    with pytest.raises(CallError, match="kind"):
        near_stretches(layout, limits)


def test_what_is_near_along_one_path_faces_what_is_near_along_the_other():
    """The zigzag comes near the street twice. Along either way there are two rows, and each
    faces one of the other path's: the first the first, the second the second."""
    zigzag = G.line((0, 100), (100, 5), (200, 100), (300, 5), (400, 100))
    near, back = near_both_ways(two_ways([G.line((0, 0), (400, 0))], [zigzag]), 10.0)
    assert len(near) == len(back) == 2
    assert near.approach.nunique() == 2
    assert near.approach.tolist() == back.approach.tolist()
    assert set(zip(back.line_i, back.line_j, strict=True)) == {(1, 0)}


def test_what_faces_one_stretch_in_common_belongs_together():
    """A path turns back beside the street: near along 300 m of it once, along itself twice.

    It leaves the street's limit at its turn, 20 m away. All three rows are one approach.
    """
    turning = G.line((0, 3), (300, 3), (300, 20), (290, 20), (290, 4), (0, 4))
    near, back = near_both_ways(two_ways([G.line((0, 0), (400, 0))], [turning]), 5.0)
    assert (len(near), len(back)) == (1, 2)
    assert len({*near.approach, *back.approach}) == 1


def test_along_the_first_path_nothing_changes_for_asking_both():
    rng = np.random.default_rng(8)
    lines = [
        G.line(start, start + rng.uniform(-150, 150, 2), start + rng.uniform(-150, 150, 2))
        for start in rng.uniform(-200, 200, (20, 2))
    ]
    path, line = np.repeat(np.arange(6), 4), rng.integers(0, 20, 24)
    ways = {"first": np.array([0, 1, 2]), "second": np.array([3, 4, 5])}
    layout = lay_out(lines, path=path, line=line, **ways)
    other = lay_out(lines, path=path, line=line, first=ways["second"], second=ways["first"])
    near, back = near_both_ways(layout, 60.0)
    assert len(near) > 5
    pd.testing.assert_frame_equal(near.drop(columns="approach"), near_stretches(layout, 60.0))
    columns = ["pair", "line_i", "line_j", "distance_m", "path_from_m", "path_to_m"]
    one, two = (
        frame[columns].sort_values(columns[:1] + columns[4:]).to_numpy()
        for frame in (back, near_stretches(other, 60.0))
    )
    np.testing.assert_allclose(one, two, atol=1e-6)


def test_loop_is_measured_along_the_way_and_not_by_place():
    """A closed loop passes the alternate with its first and its last 20 m: two stretches."""
    loop = G.line((0, 0), (100, 0), (100, 100), (0, 100), (0, 0))
    near = near_stretches(two_ways([loop], [G.line((-50, -3), (3, -3))]), 5.0)
    assert near.path_from_m.tolist() == pytest.approx([0, 398], abs=1e-3)
    assert near.path_to_m.tolist() == pytest.approx([7, 400], abs=1e-3)


def test_many_pairs_equal_each_pair_alone():
    rng = np.random.default_rng(5)
    lines = []
    for _ in range(40):
        start = rng.uniform(-400, 400, 2)
        lines.append(
            G.line(start, start + rng.uniform(-150, 150, 2), start + rng.uniform(-150, 150, 2))
        )
    path = np.repeat(np.arange(12), 5)
    line = rng.integers(0, 40, 60)
    first, second = rng.integers(0, 6, 20), rng.integers(6, 12, 20)
    whole = near_stretches(lay_out(lines, path=path, line=line, first=first, second=second), 60.0)
    columns = ["line_i", "line_j", "distance_m", "path_from_m", "path_to_m"]
    assert len(whole) > 50
    for pair in range(20):
        alone = near_stretches(
            lay_out(
                lines,
                path=path,
                line=line,
                path_count=12,
                first=first[pair : pair + 1],
                second=second[pair : pair + 1],
            ),
            60.0,
        )
        mine = whole[whole.pair == pair]
        np.testing.assert_allclose(
            mine[columns].sort_values(columns[3:]).to_numpy(),
            alone[columns].sort_values(columns[3:]).to_numpy(),
            atol=1e-6,
        )
