"""The pieces of plant that run along a drawn course, each with its stretch of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from waysapart.arrays import Floats, Ints
from waysapart.network.follow import Course, NearStretches, follows, near_areas, near_points
from waysapart.network.pieces import SegmentPieces
from waysapart.network.strands import Strand

_LEAST_ADVANCE = 0.5
"""Share of its own chord (or of the tolerance, if less) by which a piece must lead the course on.

A stub shorter than the tolerance lies near the course whichever way it points.
"""
_TOUCH_M = 1e-6


@dataclass(frozen=True)
class Visits:
    """Stretches of a course within reach of a node, numbered; a node may have several.

    `node` is the node of each visit, `low` and `high` its chainages; `of_near` is
    the visit to which each stretch near a piece's end belongs.
    """

    node: list[int]
    low: list[float]
    high: list[float]
    of_near: list[int]


def strands_beside(
    course: Course,
    pieces: SegmentPieces,
    number: Ints,
    reach_m: Floats,
    nodes: Ints,
    shapes: np.ndarray,
    node_reach_m: float,
) -> tuple[list[Strand], Visits]:
    """Find the pieces that keep within reach of a stretch of the course and lead along it.

    Parameters
    ----------
    course : Course
    pieces : SegmentPieces
    number : ndarray of int
        The pieces to look at.
    reach_m : ndarray of float
        How far each of them may lie from the course.
    nodes, shapes : ndarray
        Structures and sites at their ends (asset numbers) and their geometries.
    node_reach_m : float
        How far the course may lie from those.

    Returns
    -------
    list of Strand
    Visits
        Which `Strand.begin` and `Strand.end` number.
    """
    near = near_points(
        course,
        np.vstack([pieces.begin_at[number], pieces.end_at[number]]),
        np.r_[reach_m, reach_m],
    )
    visits = _visits(
        course,
        near,
        np.r_[pieces.begin[number], pieces.end[number]][near.which],
        nodes,
        shapes,
        node_reach_m,
    )
    count = len(number)
    chord = np.hypot(*(pieces.begin_at[number] - pieces.end_at[number]).T)
    least = _LEAST_ADVANCE * np.minimum(chord, reach_m)
    bounds = np.searchsorted(near.which, np.arange(2 * count + 1)).tolist()
    one, two = _pairs(bounds, count)
    backward = near.at[one] > near.at[two]
    first, last = np.where(backward, two, one), np.where(backward, one, two)
    advance = near.at[last] - near.at[first]
    fits = (advance > _TOUCH_M) & (advance >= least[near.which[one]])
    found = []
    for begin, end, turned in zip(
        first[fits].tolist(), last[fits].tolist(), backward[fits].tolist(), strict=True
    ):
        place = int(near.which[begin]) % count
        piece = int(number[place])
        line = pieces.lines[piece].tolist()
        if follows(
            course,
            line[::-1] if turned else line,
            (float(near.low[begin]), float(near.high[begin])),
            (float(near.low[end]), float(near.high[end])),
            float(reach_m[place]),
        ):
            leaves, comes = visits.of_near[begin], visits.of_near[end]
            found.append(
                Strand(
                    piece,
                    turned,
                    leaves,
                    comes,
                    float(near.at[begin]),
                    float(near.at[end]),
                    visits.low[leaves] <= _TOUCH_M,
                    visits.high[comes] >= course.length_m - _TOUCH_M,
                )
            )
    return found, visits


def _pairs(bounds: list[int], count: int) -> tuple[Ints, Ints]:
    """Every stretch near a piece's first vertex with every one near its last."""
    pairs = [
        (one, two)
        for place in range(count)
        for one in range(bounds[place], bounds[place + 1])
        for two in range(bounds[place + count], bounds[place + count + 1])
    ]
    table = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _visits(
    course: Course, near: NearStretches, node: Ints, nodes: Ints, shapes: np.ndarray, reach_m: float
) -> Visits:
    """Stretches near a node and near the ends of pieces at it, put together where they overlap."""
    is_point = shapely.get_type_id(shapes) == 0
    at_points = near_points(
        course, shapely.get_coordinates(shapes[is_point]), np.full(int(is_point.sum()), reach_m)
    )
    areas = shapes[~is_point]
    in_areas = near_areas(course, areas, np.full(len(areas), reach_m))
    every = np.r_[node, nodes[is_point][at_points.which], nodes[~is_point][in_areas.which]]
    low = np.r_[near.low, at_points.low, in_areas.low]
    high = np.r_[near.high, at_points.high, in_areas.high]
    order = np.lexsort((low, every))
    of_near = [-1] * len(near.which)
    owner: list[int] = []
    lows: list[float] = []
    highs: list[float] = []
    for row in order.tolist():
        fresh = not owner or owner[-1] != every[row] or low[row] > highs[-1]
        if fresh:
            owner.append(int(every[row]))
            lows.append(float(low[row]))
            highs.append(float(high[row]))
        else:
            highs[-1] = max(highs[-1], float(high[row]))
        if row < len(of_near):
            of_near[row] = len(owner) - 1
    return Visits(owner, lows, highs, of_near)
