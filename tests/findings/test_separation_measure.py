"""Distances of straight pieces, against dense sampling."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from separation_plants import GENTLE
from waysapart.arrays import interval_runs
from waysapart.findings.separation.envelope import Arcs, lower_envelope
from waysapart.findings.separation.measure import (
    distance_arcs,
    piece_distance,
    point_distance,
    roots,
    within,
)

whole = st.integers(-6, 6).map(float)
ends = st.lists(st.tuples(whole, whole, whole), min_size=4, max_size=4)
T = np.linspace(0.0, 1.0, 401)


def rows(points):
    return [np.array([point]) for point in points]


def along(p, q):
    return p + T[:, None] * (q - p)


def to_piece(points, p, q):
    """Distance of points to a piece: by its ends and, inside, by Pythagoras."""
    v = q - p
    square = float((v**2).sum())
    t = (
        np.zeros(len(points))
        if square == 0
        else np.clip(((points - p) @ v.T).ravel() / square, 0, 1)
    )
    return np.linalg.norm(points - (p + t[:, None] * v), axis=1)


@settings(**GENTLE, max_examples=300)
@given(ends)
def test_least_distance_is_not_more_than_any_sample_and_is_attained(points):
    p1, q1, p2, q2 = rows(points)
    distance, t, u = piece_distance(p1, q1, p2, q2)
    sample = to_piece(along(p1, q1), p2, q2).min()
    assert distance[0] <= sample + 1e-9
    assert sample - distance[0] <= np.linalg.norm(q1 - p1) / 400 + 1e-9
    attained = np.linalg.norm((p1 + t[:, None] * (q1 - p1)) - (p2 + u[:, None] * (q2 - p2)))
    assert abs(attained - distance[0]) < 1e-9
    assert 0 <= t[0] <= 1
    assert 0 <= u[0] <= 1


@settings(**GENTLE, max_examples=300)
@given(ends, st.floats(0.05, 9.0))
def test_within_is_exactly_where_samples_lie_within(points, limit):
    p1, q1, p2, q2 = rows(points)
    low, high = within(p1, q1, p2, q2, np.array([limit]))
    distance = to_piece(along(p1, q1), p2, q2)
    inside = (low[0] <= T) & (high[0] >= T)
    clear = np.abs(distance - limit) > 1e-7
    assert (inside == (distance <= limit))[clear].all()


def test_pieces_in_line_are_not_near_because_their_lines_coincide():
    """From x = 0 to -5, and from 10 to 20: 10 m apart, though one straight line holds both."""
    p1, q1, p2, q2 = rows([(0.0, 0.0), (-5.0, 0.0), (10.0, 0.0), (20.0, 0.0)])
    for first, second in ((p1, q1), (q1, p1)):
        low, high = within(first, second, p2, q2, np.array([5.0]))
        assert low[0] > high[0]
        low, high = within(p2, q2, first, second, np.array([12.0]))
        assert (low[0], high[0]) == (0.0, 0.2)


@settings(**GENTLE, max_examples=300)
@given(ends)
def test_arcs_are_the_square_of_the_distance_everywhere(points):
    p1, q1, p2, q2 = rows(points)
    coefficients, low, high = distance_arcs(p1, q1, p2, q2)
    assert low[0, 0] == 0
    assert high[0, 2] == 1
    assert (low[0, 1:] == high[0, :-1]).all()
    value = np.full(len(T), np.nan)
    for arc in range(3):
        held = (low[0, arc] <= T) & (high[0, arc] >= T) & (low[0, arc] < high[0, arc])
        a, b, c = coefficients[0, arc]
        value[held] = a * T[held] ** 2 + b * T[held] + c
    np.testing.assert_allclose(value, to_piece(along(p1, q1), p2, q2) ** 2, atol=1e-9)


def test_point_beside_and_beyond_a_piece():
    """A piece from (0, 0) to (4, 0): 3 above its middle; 5 = hypot(3, 4) beyond its end."""
    points = np.array([[2.0, 3.0], [7.0, 4.0]])
    distance, part = point_distance(points, np.zeros((2, 2)), np.array([[4.0, 0.0]] * 2))
    assert distance.tolist() == [3.0, 5.0]
    assert part.tolist() == [0.5, 1.0]


def test_roots_do_not_cancel():
    """t^2 - 1e8 t + 1 = 0 has the roots 1e-8 and 1e8; the schoolbook formula loses the first."""
    low, high = roots(np.array([1.0]), np.array([-1e8]), np.array([1.0]))
    np.testing.assert_allclose([low[0], high[0]], [1e-8, 1e8], rtol=1e-12)


@settings(**GENTLE, max_examples=200)
@given(
    st.lists(
        st.tuples(st.integers(0, 3), st.integers(0, 12), st.integers(0, 6)), min_size=1, max_size=25
    )
)
def test_merged_intervals_cover_what_the_intervals_cover(intervals):
    """Against painting unit cells one by one."""
    group, low, length = (np.array(part) for part in zip(*intervals, strict=True))
    high = low + length
    run, _ = interval_runs(group, low.astype(float), high.astype(float), 0.0)
    for one in range(len(run)):
        painted = set()
        grown = {one}
        while True:
            spread = {
                k
                for k in range(len(run))
                if group[k] == group[one]
                and any(low[k] <= high[g] and low[g] <= high[k] for g in grown)
            }
            if spread == grown:
                break
            grown = spread
        painted = set(np.flatnonzero(run == run[one]).tolist())
        assert painted == grown


@settings(**GENTLE, max_examples=200)
@given(
    st.lists(
        st.lists(st.tuples(whole, whole, whole), min_size=1, max_size=6), min_size=1, max_size=4
    )
)
def test_lower_envelope_is_the_least_of_all(groups):
    """Whole parabolas on 0..1, several groups at once, against evaluating every one."""
    sizes = [len(group) for group in groups]
    coefficients = np.array([function for group in groups for function in group])
    count = len(coefficients)
    arcs = Arcs(
        np.repeat(np.arange(len(groups)), sizes),
        np.arange(count),
        np.zeros(count),
        np.ones(count),
        coefficients,
        np.arange(count),
    )
    envelope = lower_envelope(arcs)
    for number, group in enumerate(groups):
        mine = envelope.group == number
        low, high = envelope.low[mine], envelope.high[mine]
        assert low[0] == 0
        assert high[-1] == 1
        assert (low[1:] == high[:-1]).all()
        least = np.min([a * T**2 + b * T + c for a, b, c in group], axis=0)
        row = np.clip(np.searchsorted(low, T, side="right") - 1, 0, None)
        a, b, c = envelope.coefficients[mine][row].T
        np.testing.assert_allclose(a * T**2 + b * T + c, least, atol=1e-9)
