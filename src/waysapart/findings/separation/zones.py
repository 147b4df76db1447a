"""Find which parts of the lines lie in a zone where coming close is unavoidable.

Pieces are cut where they enter and leave a zone, once for the whole study. After that a piece lies
wholly inside or wholly outside each zone, and boolean matrices tell what a zone excuses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
import shapely

from waysapart.arrays import Floats, Ints, boolean, expand, interval_runs
from waysapart.errors import CallError
from waysapart.findings.separation.earth import TangentPlane, chord_m, to_space
from waysapart.findings.separation.measure import within
from waysapart.findings.separation.pieces import Pieces, around, drawn, straight_pieces

LEAST_RADIUS_M = 0.01
"""A polygon's own outline belongs to its zone, so no zone is thinner than this: a straight piece of
`MAX_PIECE_M` runs up to 5 mm under the surface, and so under an outline that it crosses."""
_LEAST_PIECE_M = 1e-6


def cut(
    pieces: Pieces,
    places: Sequence[shapely.Geometry | None] | npt.NDArray[np.object_],
    radius_m: npt.ArrayLike,
) -> tuple[Pieces, sp.csr_array]:
    """Cut pieces at the edges of zones.

    Parameters
    ----------
    pieces : Pieces
    places : sequence of Point, Polygon, MultiPolygon or None, length z
        WGS84, degrees. A zone is everything within its radius of the place; of
        a polygon: the inside and everything within the radius of its outline; where the place
        is not known (None), all there is.
    radius_m : array_like, shape (z,)
        A radius of 0 (or less) at a point is no zone at all.

    Returns
    -------
    pieces : Pieces
        The same lines in n pieces, cut at every edge.
    inside : csr_array of bool, shape (n, z)
        Which piece lies in which zone.

    Raises
    ------
    CallError
        A place is neither a Point nor a Polygon.

    Notes
    -----
    The edge round a point is met by the quadratic of the circle, the edge round
    a polygon by the capsules of its outline: never by a buffer polygon. Cost
    is that of the pieces and outlines that lie near each other.
    """
    shapes = np.asarray(places, dtype=object).reshape(-1)
    kinds = shapely.get_type_id(shapes)
    if not np.isin(kinds, (-1, 0, 3, 6)).all():
        raise CallError("a zone lies round Points and Polygons only")
    radius = np.broadcast_to(np.asarray(radius_m, dtype=float), (len(shapes),))
    if not len(shapes) or not len(pieces):
        return pieces, sp.csr_array((len(pieces), len(shapes)), dtype=bool)
    plane = TangentPlane.at(pieces.start)
    tree = shapely.STRtree(drawn(pieces, plane))
    found = [
        _round_points(
            pieces, tree, plane, shapes, np.flatnonzero((kinds == 0) & (radius > 0)), radius
        ),
        _in_polygons(pieces, tree, plane, shapes, np.flatnonzero(kinds >= 3), radius),
        _anywhere(pieces, np.flatnonzero((kinds < 0) & (radius > 0))),
    ]
    piece, zone, low, high = (np.concatenate(part) for part in zip(*found, strict=True))
    return _cut_at(pieces, piece, zone, low, high, len(shapes))


_Found = tuple[Ints, Ints, Floats, Floats]


def _anywhere(pieces: Pieces, which: Ints) -> _Found:
    """All pieces, whole, in zones whose place is not known."""
    count = len(pieces)
    piece = np.tile(np.arange(count, dtype=np.int64), len(which))
    zone = np.repeat(which, count).astype(np.int64)
    return piece, zone, np.zeros(len(piece)), np.ones(len(piece))


def _round_points(
    pieces: Pieces,
    tree: shapely.STRtree,
    plane: TangentPlane,
    shapes: npt.NDArray[np.object_],
    which: Ints,
    radius: Floats,
) -> _Found:
    lonlat = shapely.get_coordinates(shapes[which])
    centre = to_space(lonlat[:, 0], lonlat[:, 1])
    return _near_outline(pieces, tree, plane, centre, centre, which, radius)


def _near_outline(
    pieces: Pieces,
    tree: shapely.STRtree,
    plane: TangentPlane,
    start: Floats,
    end: Floats,
    zone: Ints,
    radius: Floats,
) -> _Found:
    """Parts of pieces within the zone's radius of straight outlines (start, end)."""
    reach = chord_m(radius[zone])
    outline, piece = tree.query(around(plane, start, end, reach))
    low, high = within(
        pieces.start[piece], pieces.end[piece], start[outline], end[outline], reach[outline]
    )
    there = low <= high
    return (
        piece[there].astype(np.int64),
        zone[outline[there]].astype(np.int64),
        low[there],
        high[there],
    )


def _in_polygons(
    pieces: Pieces,
    tree: shapely.STRtree,
    plane: TangentPlane,
    shapes: npt.NDArray[np.object_],
    which: Ints,
    radius: Floats,
) -> _Found:
    """Near the outline by its capsules; what is left of a piece is all in or all out."""
    parts, of_part = shapely.get_parts(shapes[which], return_index=True)
    rings, of_ring = shapely.get_rings(parts, return_index=True)
    outline = straight_pieces(rings)
    wide = np.maximum(radius, LEAST_RADIUS_M)
    zone = which[of_part[of_ring[outline.line]]]
    near = _near_outline(pieces, tree, plane, outline.start, outline.end, zone, wide)

    flat = shapely.transform(
        shapes[which], lambda lonlat: plane.project(to_space(lonlat[:, 0], lonlat[:, 1]))
    )
    shapely.prepare(flat)
    at, touched = tree.query(flat, predicate="intersects")
    piece, zone, low, high = _left_over(near, touched.astype(np.int64), which[at])
    middle = (low + high)[:, None] / 2.0
    point = plane.project(pieces.start[piece] + middle * (pieces.end[piece] - pieces.start[piece]))
    flat_of = np.searchsorted(which, zone)
    inside = shapely.contains_xy(flat[flat_of], point[:, 0], point[:, 1])
    left = (piece[inside], zone[inside], low[inside], high[inside])
    whole = [np.concatenate(both) for both in zip(near, left, strict=True)]
    return whole[0], whole[1], whole[2], whole[3]


def _left_over(near: _Found, piece: Ints, zone: Ints) -> _Found:
    """What the intervals leave of each (piece, zone) named by them or in addition."""
    # An interval without length at both ends of 0..1 makes every gap one between two runs.
    pieces = np.concatenate([near[0], piece, piece, near[0], near[0]])
    zones = np.concatenate([near[1], zone, zone, near[1], near[1]])
    start, end = np.zeros(len(piece)), np.ones(len(piece))
    first, last = np.zeros(len(near[0])), np.ones(len(near[0]))
    low = np.concatenate([near[2], start, end, first, last])
    high = np.concatenate([near[3], start, end, first, last])
    width = int(zones.max(initial=0)) + 1
    group = pieces * width + zones
    run, order = interval_runs(group, low, high, 0.0)
    begins = np.flatnonzero(np.diff(run[order], prepend=-1))
    if not len(begins):
        return piece[:0], zone[:0], start[:0], end[:0]
    reach = np.maximum.reduceat(high[order], begins)
    owner, opens = group[order][begins], low[order][begins]
    gap = np.flatnonzero(owner[1:] == owner[:-1])
    return owner[gap] // width, owner[gap] % width, reach[gap], opens[gap + 1]


def _cut_at(
    pieces: Pieces, piece: Ints, zone: Ints, low: Floats, high: Floats, count: int
) -> tuple[Pieces, sp.csr_array]:
    """Cut at the ends of the intervals, and say which new piece lies in which zone."""
    length = np.linalg.norm(pieces.end - pieces.start, axis=1)
    at_piece, at = np.concatenate([piece, piece]), np.concatenate([low, high])
    inner = (at * length[at_piece] > _LEAST_PIECE_M) & (
        (1.0 - at) * length[at_piece] > _LEAST_PIECE_M
    )
    at_piece, at = at_piece[inner], at[inner]
    order = np.lexsort((at, at_piece))
    at_piece, at = at_piece[order], at[order]
    new = np.ones(len(at), dtype=bool)
    new[1:] = (at_piece[1:] != at_piece[:-1]) | (
        (at[1:] - at[:-1]) * length[at_piece[1:]] > _LEAST_PIECE_M
    )
    at_piece, at = at_piece[new], at[new]

    parts = 1 + np.bincount(at_piece, minlength=len(pieces))
    first = np.cumsum(parts) - parts
    owner, _ = expand(np.zeros(len(pieces), dtype=np.int64), parts)
    begins, ends = np.zeros(len(owner)), np.ones(len(owner))
    later = np.ones(len(owner), dtype=bool)
    later[first] = False
    begins[later] = at
    ends[np.flatnonzero(later) - 1] = at
    cut_pieces = _parts_of(pieces, owner, begins, ends)

    row, value = expand(first[piece], parts[piece])
    middle = (begins[value] + ends[value]) / 2.0
    dot = length[piece[row]] <= _LEAST_PIECE_M
    lies = ((middle >= low[row]) & (middle <= high[row])) | dot
    inside = boolean(value[lies], zone[row[lies]], (len(owner), count))
    return cut_pieces, inside


def _parts_of(pieces: Pieces, owner: Ints, begins: Floats, ends: Floats) -> Pieces:
    """Parts begins..ends (0..1) of pieces; an end that is not cut stays as it was, to the bit."""
    start, end = pieces.start[owner], pieces.end[owner]
    low, high = pieces.from_m[owner], pieces.to_m[owner]
    at_start, at_end = begins[:, None], ends[:, None]
    return replace(
        pieces,
        start=np.where(at_start == 0, start, start + at_start * (end - start)),
        end=np.where(at_end == 1, end, start + at_end * (end - start)),
        line=pieces.line[owner],
        from_m=np.where(begins == 0, low, low + begins * (high - low)),
        to_m=np.where(ends == 1, high, low + ends * (high - low)),
    )
