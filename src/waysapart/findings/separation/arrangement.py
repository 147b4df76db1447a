"""Find which sets of lines one circle of a given radius can take.

A circle of radius r about c meets a straight piece exactly where c lies in the piece's capsule,
everything within r of it. Capsules are convex; the pieces that some circle meets have capsules
with a point in common, and what they have in common ends in a vertex where the outlines of two of
them meet, or is the whole of one capsule. So the vertices and one point per piece are all the
places to look at, and they are few: J. Tapolcai, L. Rónyai, B. Vass and L. Gyimóthi show for
regional link failures of circular shape that the number of maximal sets is about the size of the
network.
"""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
import shapely

from waysapart.arrays import Floats, Ints, boolean
from waysapart.findings.separation.earth import (
    MEAN_RADIUS_M,
    TangentPlane,
    chord_m,
    east_north,
    on_surface,
)
from waysapart.findings.separation.measure import piece_distance, point_distance, roots
from waysapart.findings.separation.pieces import MAX_PIECE_M, Pieces, around, drawn

_PAIRS_AT_ONCE = 200_000


def tolerance_m(radius_m: float) -> float:
    """Return by how much a circle may fall short of a line and still count as taking it.

    A tenth of a millimetre, plus how far a tangent plane as wide as two circles and a piece
    departs from the surface (x^3 / 6 R^2: 1e-5 m at r = 100 m, 0.1 mm at r = 1 km, 5 cm at r = 10
    km).

    Parameters
    ----------
    radius_m : float

    Returns
    -------
    float
        Metres.
    """
    return 1e-4 + (2.0 * radius_m + MAX_PIECE_M) ** 3 / (6.0 * MEAN_RADIUS_M**2) * 1.5


def places_to_look(pieces: Pieces, colour: Ints, radius_m: float) -> Floats:
    """Return centres among which every maximal set of colours has one.

    Parameters
    ----------
    pieces : Pieces
    colour : ndarray of int, shape (pieces,)
        Pieces of one colour count as one thing: it makes no difference which of
        them a circle takes. Negative: not looked at.
    radius_m : float

    Returns
    -------
    ndarray, shape (n, 3)
        Points of the ellipsoid, earth-centred, metres.

    Notes
    -----
    O(n log n) for n pieces plus the number of pairs of pieces of different colour
    within 2 r of each other. Vertices between pieces of one colour are not
    needed: choose one piece per colour that the circle takes, and the argument
    above speaks of those alone.
    """
    which = np.flatnonzero(colour >= 0).astype(np.int64)
    chosen, tint = pieces.select(which), colour[which]
    single = on_surface(chosen.start)
    if not len(chosen):
        return single
    reach = float(chord_m(2.0 * radius_m)) + tolerance_m(radius_m)
    plane = TangentPlane.at(chosen.start)
    tree = shapely.STRtree(drawn(chosen, plane))
    one, other = tree.query(around(plane, chosen.start, chosen.end, reach))
    pairs = np.flatnonzero((one < other) & (tint[one] != tint[other]))
    found = [single]
    for begin in range(0, len(pairs), _PAIRS_AT_ONCE):
        rows = pairs[begin : begin + _PAIRS_AT_ONCE]
        found.append(_vertices(chosen, one[rows], other[rows], radius_m))
    centres = np.concatenate(found)
    # Vertices of neighbouring pairs often coincide; a micrometre tells them apart.
    _, first = np.unique(np.round(centres * 1e6).astype(np.int64) @ _MIX, return_index=True)
    return on_surface(centres[np.sort(first)])


_MIX = np.array([1, 0x9E3779B97F4A7C15 - (1 << 64), 0x632BE59BD9B4E019], dtype=np.int64)
"""Odd 64-bit factors: three coordinates become one number that (but for odds of 1e-10) no other
point has."""


def _vertices(pieces: Pieces, one: Ints, other: Ints, radius_m: float) -> Floats:
    """Points where the outlines of both capsules meet, and one inside both."""
    ends = [pieces.start[one], pieces.end[one], pieces.start[other], pieces.end[other]]
    gap, part_one, part_other = piece_distance(*ends)
    meet = gap <= float(chord_m(2.0 * radius_m)) + tolerance_m(radius_m)
    part_one, part_other, ends = part_one[meet], part_other[meet], [x[meet] for x in ends]
    near_one = ends[0] + part_one[:, None] * (ends[1] - ends[0])
    near_other = ends[2] + part_other[:, None] * (ends[3] - ends[2])
    origin = on_surface((near_one + near_other) / 2.0)
    east, north = east_north(origin)
    p1, q1, p2, q2 = (
        np.stack(
            [np.einsum("ij,ij->i", x - origin, east), np.einsum("ij,ij->i", x - origin, north)],
            axis=1,
        )
        for x in ends
    )
    sides1, sides2 = _sides(p1, q1, radius_m), _sides(p2, q2, radius_m)
    candidates = [np.zeros_like(p1)[:, None, :]]
    for a, b in sides1:
        candidates.extend(_line_line(a, b, c, d) for c, d in sides2)
        candidates.extend(_line_circle(a, b, centre, radius_m) for centre in (p2, q2))
    for a, b in sides2:
        candidates.extend(_line_circle(a, b, centre, radius_m) for centre in (p1, q1))
    candidates.extend(
        _circle_circle(centre, facing, radius_m) for centre in (p1, q1) for facing in (p2, q2)
    )
    points = np.concatenate(candidates, axis=1)
    row, number = np.nonzero(np.isfinite(points).all(axis=2))
    flat = points[row, number]
    allowed = radius_m + tolerance_m(radius_m)
    off_one, _ = point_distance(flat, p1[row], q1[row])
    off_other, _ = point_distance(flat, p2[row], q2[row])
    # A point of the full circle that lies inside a capsule is no vertex of its outline.
    least = np.where(number == 0, 0.0, radius_m - tolerance_m(radius_m))
    keep = (np.maximum(off_one, off_other) <= allowed) & (np.minimum(off_one, off_other) >= least)
    row, flat = row[keep], flat[keep]
    return np.asarray(origin[row] + flat[:, :1] * east[row] + flat[:, 1:] * north[row], dtype=float)


def _sides(p: Floats, q: Floats, radius_m: float) -> list[tuple[Floats, Floats]]:
    """The two straight sides of a capsule; NaN for a piece without length."""
    along = q - p
    with np.errstate(divide="ignore", invalid="ignore"):
        across = np.stack([-along[:, 1], along[:, 0]], axis=1) * (
            radius_m / np.hypot(along[:, 0], along[:, 1])[:, None]
        )
    return [(p + across, q + across), (p - across, q - across)]


def _line_line(a: Floats, b: Floats, c: Floats, d: Floats) -> Floats:
    """The meeting of two straight sides, (n, 1, 2); NaN where there is none."""
    v, w, r = b - a, d - c, c - a
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (r[:, 0] * w[:, 1] - r[:, 1] * w[:, 0]) / (v[:, 0] * w[:, 1] - v[:, 1] * w[:, 0])
    return np.asarray((a + _on_side(t)[:, None] * v)[:, None, :])


def _on_side(t: Floats) -> Floats:
    """Places along a side, NaN where they lie beyond its ends."""
    return np.where((t >= -1e-6) & (t <= 1.0 + 1e-6), t, np.nan)


def _line_circle(a: Floats, b: Floats, centre: Floats, radius_m: float) -> Floats:
    """Where a straight side meets a circle, (n, 2, 2). A tangent meets it in spite of rounding."""
    v, r = b - a, a - centre
    square, along = (v * v).sum(axis=1), (v * r).sum(axis=1)
    constant = (r * r).sum(axis=1) - radius_m**2
    with np.errstate(divide="ignore", invalid="ignore"):
        foot = -along / square
        # Within the tolerance of the tangent: take the foot, twice.
        miss = constant - along**2 / square
        tangent = np.abs(miss) <= 2.0 * radius_m * tolerance_m(radius_m)
        first, last = roots(square, 2.0 * along, constant)
    first = np.where(tangent & ~np.isfinite(first), foot, first)
    last = np.where(tangent & ~np.isfinite(last), foot, last)
    t = _on_side(np.stack([first, last], axis=1))
    return np.asarray(a[:, None, :] + t[:, :, None] * v[:, None, :])


def _circle_circle(p: Floats, q: Floats, radius_m: float) -> Floats:
    """Where two circles of one radius meet, (n, 2, 2)."""
    off = q - p
    apart = np.hypot(off[:, 0], off[:, 1])
    with np.errstate(divide="ignore", invalid="ignore"):
        half = np.sqrt(np.maximum(radius_m**2 - (apart / 2.0) ** 2, 0.0))
        across = np.stack([-off[:, 1], off[:, 0]], axis=1) * (half / apart)[:, None]
    middle = (p + q) / 2.0
    return np.stack([middle + across, middle - across], axis=1)


def taken(pieces: Pieces, centres: Floats, radius_m: float) -> sp.csr_array:
    """Find the pieces that circles about the given centres take.

    Parameters
    ----------
    pieces : Pieces
    centres : ndarray of float, shape (n, 3)
        Points of the ellipsoid, earth-centred, metres.
    radius_m : float

    Returns
    -------
    csr_array of bool, shape (n, pieces)
    """
    reach = float(chord_m(radius_m)) + tolerance_m(radius_m)
    plane = TangentPlane.at(pieces.start)
    tree = shapely.STRtree(drawn(pieces, plane))
    at, piece = tree.query(around(plane, centres, centres, reach))
    distance, _ = point_distance(centres[at], pieces.start[piece], pieces.end[piece])
    keep = distance <= reach
    return boolean(at[keep], piece[keep], (len(centres), len(pieces)))


def first_of_equal(sets: sp.csr_array) -> Ints:
    """Find the first of every class of equal rows of a boolean matrix.

    Parameters
    ----------
    sets : csr_array of bool, shape (n, m)

    Returns
    -------
    ndarray of int
        Rows, ascending.
    """
    return np.sort(np.unique(fingerprint(sets), return_index=True)[1]).astype(np.int64)


def fingerprint(sets: sp.csr_array) -> Ints:
    """Return one number per row of a boolean matrix, equal for equal rows.

    The sum modulo 2^64 of a random number per column: two different rows agree by a chance of
    2^-62.

    Parameters
    ----------
    sets : csr_array of bool, shape (n, m)

    Returns
    -------
    ndarray of int, shape (n,)
        0 for an empty row.
    """
    numbers = np.random.default_rng(0).integers(1, 2**62, size=sets.shape[1], dtype=np.int64)
    return np.asarray(sets.astype(np.int64) @ numbers, dtype=np.int64)
