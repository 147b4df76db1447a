"""How far are two straight pieces apart, and where is one within a distance of the other?

All functions take arrays of piece ends of shape (n, 3) (earth-centred) or
(n, 2) (some plane), metres, and work on row k of each.
"""

from __future__ import annotations

import numpy as np

from waysapart.arrays import Floats


def _dot(a: Floats, b: Floats) -> Floats:
    return np.asarray(np.einsum("ij,ij->i", a, b), dtype=float)


def _over(a: Floats, b: Floats) -> Floats:
    """a / b, and 0 where b is 0."""
    return np.divide(a, b, out=np.zeros_like(a), where=b != 0)


def point_distance(point: Floats, p: Floats, q: Floats) -> tuple[Floats, Floats]:
    """Return the least distance of points to pieces.

    Parameters
    ----------
    point, p, q : ndarray of float, shape (n, 2) or (n, 3)
        Points, and the ends of the pieces, in metres.

    Returns
    -------
    distance_m : ndarray of float, shape (n,)
    part : ndarray of float, shape (n,)
        Place of the nearest point along the piece, 0 to 1.

    Examples
    --------
    >>> piece = np.array([[0.0, 0.0]]), np.array([[10.0, 0.0]])
    >>> distance_m, part = point_distance(np.array([[4.0, 3.0]]), *piece)
    >>> distance_m.tolist(), part.tolist()
    ([3.0], [0.4])
    """
    v = q - p
    part = np.clip(_over(_dot(point - p, v), _dot(v, v)), 0.0, 1.0)
    gap = point - (p + part[:, None] * v)
    return np.sqrt(_dot(gap, gap)), part


def piece_distance(p1: Floats, q1: Floats, p2: Floats, q2: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the least distance of piece 1 to piece 2.

    The least of the four end-to-piece distances and, where it lies inside both pieces, the
    distance of the two straight lines. Pieces without length and parallel pieces need no case of
    their own. In the plane, pieces that cross have distance 0 up to rounding.

    Parameters
    ----------
    p1, q1, p2, q2 : ndarray of float, shape (n, 2) or (n, 3)
        Ends of the pieces, in metres.

    Returns
    -------
    distance_m : ndarray of float, shape (n,)
    part_one, part_two : ndarray of float, shape (n,)
        Places of the closest points along the pieces, 0 to 1.
    """
    v, w, r = q1 - p1, q2 - p2, p1 - p2
    a, b, c = _dot(v, v), _dot(v, w), _dot(w, w)
    d, e = _dot(v, r), _dot(w, r)
    apart = a * c - b * b
    t = _over(b * e - c * d, np.where(apart > 1e-14 * a * c, apart, 0.0))
    u = _over(a * e - b * d, np.where(apart > 1e-14 * a * c, apart, 0.0))
    gap = r + t[:, None] * v - u[:, None] * w
    inside = (apart > 1e-14 * a * c) & (t > 0) & (t < 1) & (u > 0) & (u < 1)
    best = np.where(inside, _dot(gap, gap), np.inf)
    best_t, best_u = np.where(inside, t, 0.0), np.where(inside, u, 0.0)
    zero, one = np.zeros_like(a), np.ones_like(a)
    ends = (
        (zero, np.clip(_over(e, c), 0, 1)),
        (one, np.clip(_over(e + b, c), 0, 1)),
        (np.clip(_over(-d, a), 0, 1), zero),
        (np.clip(_over(b - d, a), 0, 1), one),
    )
    for end_t, end_u in ends:
        gap = r + end_t[:, None] * v - end_u[:, None] * w
        square = _dot(gap, gap)
        nearer = square < best
        best = np.where(nearer, square, best)
        best_t, best_u = np.where(nearer, end_t, best_t), np.where(nearer, end_u, best_u)
    return np.sqrt(best), best_t, best_u


def distance_arcs(p1: Floats, q1: Floats, p2: Floats, q2: Floats) -> tuple[Floats, Floats, Floats]:
    """Square of the distance to piece 2 along piece 1, as three quadratics.

    The foot of the perpendicular moves steadily along piece 2, so the nearest
    point is first one end, then the foot, then the other end.

    Parameters
    ----------
    p1, q1, p2, q2 : ndarray of float, shape (n, 2) or (n, 3)
        Ends of the pieces, in metres.

    Returns
    -------
    coefficients : ndarray, shape (n, 3, 3)
        Per arc a, b, c: the square distance at part t of piece 1 is
        a t^2 + b t + c, square metres.
    low, high : ndarray, shape (n, 3)
        Where in 0..1 each arc holds; empty where low >= high. The three follow
        each other without a gap.
    """
    v, w, r = q1 - p1, q2 - p2, p1 - p2
    square = _dot(w, w)
    at_start, slope = _over(_dot(r, w), square), _over(_dot(v, w), square)
    v_off, r_off = v - slope[:, None] * w, r - at_start[:, None] * w
    r_far = p1 - q2
    vv = _dot(v, v)
    near = np.stack([vv, 2 * _dot(v, r), _dot(r, r)], axis=1)
    foot = np.stack([_dot(v_off, v_off), 2 * _dot(v_off, r_off), _dot(r_off, r_off)], axis=1)
    far = np.stack([vv, 2 * _dot(v, r_far), _dot(r_far, r_far)], axis=1)
    backward = (slope < 0)[:, None]
    coefficients = np.stack(
        [np.where(backward, far, near), foot, np.where(backward, near, far)], axis=1
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        reach_near, reach_far = -at_start / slope, (1.0 - at_start) / slope
    still = slope == 0
    # Without movement along piece 2 one arc holds everywhere.
    first = np.where(still, np.where(at_start <= 0, 1.0, 0.0), np.minimum(reach_near, reach_far))
    last = np.where(still, np.where(at_start < 1, 1.0, 0.0), np.maximum(reach_near, reach_far))
    last = np.maximum(first, last)
    first, last = np.clip(first, 0.0, 1.0), np.clip(last, 0.0, 1.0)
    low = np.stack([np.zeros_like(first), first, last], axis=1)
    high = np.stack([first, last, np.ones_like(first)], axis=1)
    return coefficients, low, high


def roots(a: Floats, b: Floats, c: Floats) -> tuple[Floats, Floats]:
    """Return both roots of a t^2 + b t + c, the smaller first.

    Written so that nothing cancels (W. H. Press and others, Numerical Recipes, quadratic
    equations).

    Parameters
    ----------
    a, b, c : ndarray of float, shape (n,)

    Returns
    -------
    one, two : ndarray of float, shape (n,)
        NaN where there are none; the second is infinite where a is 0.

    Examples
    --------
    >>> one, two = roots(np.array([1.0]), np.array([-3.0]), np.array([2.0]))
    >>> one.tolist(), two.tolist()
    ([1.0], [2.0])
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(b * b - 4.0 * a * c)
        half = -0.5 * (b + np.copysign(root, b))
        one, two = half / a, c / half
    return np.minimum(one, two), np.maximum(one, two)


def within(
    p1: Floats, q1: Floats, p2: Floats, q2: Floats, distance_m: Floats
) -> tuple[Floats, Floats]:
    """Find the part of piece 1 within a distance of piece 2.

    What lies within a distance of a straight piece is convex, so it cuts piece 1 in one interval.
    Closed form, no sampling.

    Parameters
    ----------
    p1, q1, p2, q2 : ndarray of float, shape (n, 2) or (n, 3)
        Ends of the pieces, in metres.
    distance_m : ndarray of float, shape (n,)

    Returns
    -------
    low, high : ndarray, shape (n,)
        Interval of 0..1; low > high where there is none.
    """
    coefficients, low, high = distance_arcs(p1, q1, p2, q2)
    a, b = coefficients[:, :, 0], coefficients[:, :, 1]
    c = coefficients[:, :, 2] - (distance_m**2)[:, None]
    first, last = roots(a, b, c)
    flat = (a == 0) & (b == 0)
    first = np.where(flat, np.where(c <= 0, -np.inf, np.nan), first)
    last = np.where(flat, np.where(c <= 0, np.inf, np.nan), last)
    first, last = np.maximum(first, low), np.minimum(last, high)
    # An empty arc may lie where its quadratic does not hold.
    there = (first <= last) & (low < high)
    return (
        np.asarray(np.where(there, first, np.inf).min(axis=1)),
        np.asarray(np.where(there, last, -np.inf).max(axis=1)),
    )
