"""Whether a line follows a stretch of a drawn course: near it throughout, in its direction.

The measure is the Fréchet distance of the two. The decision is exact, in their free-space diagram.

References
----------
H. Alt and M. Godau, Computing the Fréchet distance between two polygonal
curves, International Journal of Computational Geometry and Applications 5
(1995), 75-91; for a course matched to a whole plan: H. Alt, A. Efrat, G. Rote
and C. Wenk, Matching planar maps, Journal of Algorithms 49 (2003), 262-283.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

import numpy as np
import shapely

from waysapart.arrays import Floats, Ints
from waysapart.study.plane import Plane

_EDGE = 1e-6
"""Fractions of an edge within which an interval counts as reaching the edge's end."""
_ROUNDING_M = 1e-6
_BLOCK = 2_000_000

_Free = tuple[float, float] | None
_Point = list[float]


class Course:
    """A line drawn in a plane, with its chainage: metres on Earth from its first vertex.

    Parameters
    ----------
    line : LineString
        In the plane.
    plane : Plane
    """

    def __init__(self, line: shapely.LineString, plane: Plane) -> None:
        points = shapely.get_coordinates(line)
        steps = np.hypot(*np.diff(points, axis=0).T)
        keep = np.r_[True, steps > 0]
        self.line = line
        self.points = points[keep]
        owner = np.zeros(len(self.points), dtype=np.int64)
        self.chainage: Floats = plane.chainage(self.points, owner)
        self.length_m = float(self.chainage[-1])
        # Lists: for the many short stretches arrays are slower.
        self._vertices: list[_Point] = self.points.tolist()
        self._chainage: list[float] = self.chainage.tolist()

    def point(self, at: float) -> _Point:
        """Return the point at a chainage.

        Parameters
        ----------
        at : float
            Metres.

        Returns
        -------
        list of float
            x, y.
        """
        edge = min(max(bisect_right(self._chainage, at), 1), len(self._chainage) - 1)
        base = self._chainage[edge - 1]
        share = min(max((at - base) / (self._chainage[edge] - base), 0.0), 1.0)
        (x0, y0), (x1, y1) = self._vertices[edge - 1], self._vertices[edge]
        return [x0 + share * (x1 - x0), y0 + share * (y1 - y0)]

    def stretch(self, begin: float, end: float) -> tuple[list[_Point], list[float]]:
        """Return the stretch between two chainages.

        Parameters
        ----------
        begin, end : float
            Metres.

        Returns
        -------
        points : list of list of float
            Vertices, both ends included.
        chainage : list of float
            Of each vertex.
        """
        first, after = bisect_right(self._chainage, begin), bisect_left(self._chainage, end)
        return (
            [self.point(begin), *self._vertices[first:after], self.point(end)],
            [begin, *self._chainage[first:after], end],
        )


@dataclass(frozen=True)
class NearStretches:
    """Stretches of a course within reach of points or areas; arrays of shape (stretches,).

    Attributes
    ----------
    which : ndarray of int
        The point or area.
    low, high : ndarray of float
        Chainages between which the course stays in reach without a break.
    at : ndarray of float
        The chainage that is nearest.
    """

    which: Ints
    low: Floats
    high: Floats
    at: Floats


def near_points(course: Course, points: np.ndarray, reach: Floats) -> NearStretches:
    """Find where a course stays within reach of points; exact, edge by edge.

    Parameters
    ----------
    course : Course
    points : ndarray of float, shape (n, 2)
    reach : ndarray of float, shape (n,)
        In the plane.

    Returns
    -------
    NearStretches
    """
    begin, step = course.points[:-1], np.diff(course.points, axis=0)
    length = np.hypot(*step.T)
    ground = np.diff(course.chainage) / length
    rows = []
    block = max(1, _BLOCK // len(length))
    for first in range(0, len(points), block):
        some = points[first : first + block]
        x = some[:, None, 0] - begin[:, 0]
        y = some[:, None, 1] - begin[:, 1]
        along = (x * step[:, 0] + y * step[:, 1]) / length
        across = np.abs(x * step[:, 1] - y * step[:, 0]) / length
        wide = reach[first : first + block, None] + _ROUNDING_M
        which, edge = np.nonzero(across <= wide)
        along, across = along[which, edge], across[which, edge]
        half = np.sqrt(np.maximum(wide[which, 0] ** 2 - across**2, 0.0))
        far = length[edge]
        low, high = np.maximum(along - half, 0.0), np.minimum(along + half, far)
        hit = low <= high
        at = np.clip(along, 0.0, far)
        distance = np.hypot(across, at - along)
        rows.append(
            np.column_stack(
                [
                    which + first,
                    edge,
                    low / far,
                    high / far,
                    course.chainage[edge] + low * ground[edge],
                    course.chainage[edge] + high * ground[edge],
                    course.chainage[edge] + at * ground[edge],
                    distance,
                ]
            )[hit]
        )
    return _joined(np.vstack(rows) if rows else np.empty((0, 8)))


def near_areas(course: Course, areas: np.ndarray, reach: Floats) -> NearStretches:
    """Find where a course stays within reach of polygons: in their buffer, edge by edge.

    Parameters
    ----------
    course : Course
    areas : ndarray of Polygon, shape (n,)
    reach : ndarray of float, shape (n,)
        In the plane.

    Returns
    -------
    NearStretches
    """
    ends = np.stack([course.points[:-1], course.points[1:]], axis=1)
    edges = np.asarray(shapely.linestrings(ends), dtype=object)
    rows: list[tuple[float, ...]] = []
    for which, grown in enumerate(shapely.buffer(areas, reach)):
        for edge in np.flatnonzero(shapely.intersects(edges, grown)):
            base = float(course.chainage[edge])
            far = float(course.chainage[edge + 1]) - base
            ground = far / float(np.hypot(*(course.points[edge + 1] - course.points[edge])))
            for part in shapely.get_parts(shapely.intersection(edges[edge], grown)):
                away = np.hypot(*(shapely.get_coordinates(part) - course.points[edge]).T) * ground
                low, high = float(away.min()), float(away.max())
                middle = base + (low + high) / 2
                rows.append(
                    (which, int(edge), low / far, high / far, base + low, base + high, middle, 0.0)
                )
    return _joined(np.array(rows, dtype=np.float64).reshape(-1, 8))


def _joined(rows: np.ndarray) -> NearStretches:
    """Join stretches of neighbouring edges that meet at the common vertex."""
    which, edge, share_low, share_high = rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3]
    onward = (
        (np.diff(which) == 0)
        & (np.diff(edge) == 1)
        & (share_high[:-1] >= 1 - _EDGE)
        & (share_low[1:] <= _EDGE)
    )
    group = np.cumsum(np.r_[True, ~onward]) - 1 if len(rows) else np.empty(0, dtype=np.int64)
    first = np.flatnonzero(np.r_[True, ~onward]) if len(rows) else np.empty(0, dtype=np.int64)
    last = np.r_[first[1:], len(rows)].astype(np.int64) - 1
    order = np.lexsort((rows[:, 7], group))
    nearest = order[first] if len(rows) else first
    return NearStretches(
        which[first].astype(np.int64),
        rows[first, 4],
        rows[last, 5] if len(rows) else rows[:, 5],
        rows[nearest, 6],
    )


def follows(
    course: Course,
    line: list[_Point],
    begin: tuple[float, float],
    end: tuple[float, float],
    reach: float,
) -> bool:
    """Whether a line follows a stretch of a course within a Fréchet distance.

    Parameters
    ----------
    course : Course
    line : list of (x, y)
        Vertices, in the direction in which the line would be followed.
    begin, end : (float, float)
        Stretches of the course (from, to; chainage in metres) that stay within
        reach of the line's first and last vertex, as `near_points` gives them.
    reach : float
        Greatest Fréchet distance, in the plane.

    Returns
    -------
    bool
        True where some stretch from within `begin` to within `end` is that near.

    Notes
    -----
    O(n m) for n vertices of the line and m of the stretch.
    """
    if end[1] <= begin[0]:
        return False
    reach += _ROUNDING_M
    window, chainage = course.stretch(begin[0], end[1])
    edges = len(window) - 1
    bottom: list[_Free] = [None] * edges
    for edge in range(edges):
        free = _free(line[0], window[edge], window[edge + 1], reach)
        if free is None or free[0] > _EDGE:
            break
        bottom[edge] = free
        if free[1] < 1 - _EDGE:
            break
    corner = True
    for here, after in pairwise(line):
        left = _free(window[0], here, after, reach) if corner else None
        if left is not None and left[0] > _EDGE:
            left = None
        corner = left is not None and left[1] >= 1 - _EDGE
        top: list[_Free] = [None] * edges
        for edge in range(edges):
            below = bottom[edge]
            if below is None and left is None:
                continue
            top[edge] = _reached(
                _free(after, window[edge], window[edge + 1], reach), below, left is not None
            )
            left = _reached(_free(window[edge + 1], here, after, reach), left, below is not None)
        bottom = top
    return any(
        free is not None
        and chainage[edge] + free[1] * (chainage[edge + 1] - chainage[edge]) >= end[0] - _ROUNDING_M
        for edge, free in enumerate(bottom)
    )


def _reached(free: _Free, along: _Free, across: bool) -> _Free:
    """Reachable part of a cell's far side: all of it from across, else from `along` onward."""
    if free is None or across:
        return free
    if along is None or along[0] > free[1]:
        return None
    return max(free[0], along[0]), free[1]


def _free(point: _Point, one: _Point, other: _Point, reach: float) -> _Free:
    """Fractions of the edge from one to other within reach of a point."""
    dx, dy = other[0] - one[0], other[1] - one[1]
    x, y = point[0] - one[0], point[1] - one[1]
    square = dx * dx + dy * dy
    if square == 0.0:
        return (0.0, 1.0) if x * x + y * y <= reach * reach else None
    middle = (x * dx + y * dy) / square
    across = x * dy - y * dx
    room = reach * reach - across * across / square
    if room < 0.0:
        return None
    half = sqrt(room / square)
    low, high = middle - half, middle + half
    if high < 0.0 or low > 1.0:
        return None
    return max(low, 0.0), min(high, 1.0)
