"""Find how close the two paths of a pair come to each other, outside the end zones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from waysapart.arrays import Bools, Floats, Ints, expand
from waysapart.findings.separation.earth import on_surface, plan_m, to_lonlat
from waysapart.findings.separation.layout import Layout, lookup
from waysapart.findings.separation.measure import piece_distance

_BRANCH = 4
_ENTRIES_AT_ONCE = 3_000_000


def closest_points(layout: Layout, *, skip_shared: bool = False) -> pd.DataFrame:
    """Find the least distance between the two paths of every pair, outside the pair's zones.

    Parameters
    ----------
    layout : Layout
    skip_shared : bool
        Leave out the lines that both paths follow. Otherwise such a pair is
        0 m apart there, which is what it is.

    Returns
    -------
    DataFrame, one row per pair, in order
        `distance_m` (geodesic, along the surface); `line_i`, `line_j`, of the
        first and second path; `lon_i`, `lat_i`, `lon_j`, `lat_j`, the closest two
        points; `danger_radius_m`, radius of the smallest circle that touches both
        paths: half the distance, about `lon`, `lat` in the middle (any circle that
        meets both holds two points no further apart than twice its radius).
        Where zones cover a path, or it has no geometry, there is nothing to
        measure: NaN and lines -1.

    Notes
    -----
    Branch and bound over a tree of boxes per path, all pairs at once and level
    by level: two boxes further apart than some pair of points already known are
    dropped. No loop over pairs. O(p log p) for p pieces of paths where the
    paths are well apart; at worst, for paths parallel all the way, a small
    multiple of p.
    """
    count = len(layout)
    one, other = np.full(count, -1, dtype=np.int64), np.full(count, -1, dtype=np.int64)
    part_one, part_other = np.zeros(count), np.zeros(count)
    pieces_of_path = np.bincount(
        layout.paths.path,
        weights=np.diff(layout.pieces.first)[layout.paths.line],
        minlength=layout.paths.count,
    )
    size = pieces_of_path[layout.first] + pieces_of_path[layout.second]
    batch = (np.cumsum(size) // _ENTRIES_AT_ONCE).astype(np.int64)
    for number in np.unique(batch):
        pair = np.flatnonzero(batch == number).astype(np.int64)
        found = _nearest(
            layout,
            pair,
            _entries(layout, pair, layout.first, skip_shared),
            _entries(layout, pair, layout.second, skip_shared),
        )
        at = pair[found.pair]
        one[at], other[at] = found.one, found.other
        part_one[at], part_other[at] = found.part_one, found.part_other
    return _described(layout, one, other, part_one, part_other)


@dataclass(frozen=True)
class _Found:
    pair: Ints
    one: Ints
    other: Ints
    part_one: Floats
    part_other: Floats


@dataclass(frozen=True)
class _Level:
    """Boxes of one level: of pair n those from first[n] up to first[n + 1]."""

    first: Ints
    low: Floats
    high: Floats
    point: Floats


def _entries(layout: Layout, pair: Ints, side: Ints, skip_shared: bool) -> tuple[Ints, Ints]:
    """Pieces that the given side of every pair is made of, in the order of the path.

    Returns
    -------
    of : ndarray of int
        Place in `pair`.
    piece : ndarray of int
    """
    paths, first = layout.paths, layout.pieces.first
    starts = np.searchsorted(paths.path, side[pair]).astype(np.int64)
    ends = np.searchsorted(paths.path, side[pair], side="right").astype(np.int64)
    of, entry = expand(starts, ends - starts)
    line = paths.line[entry]
    if skip_shared:
        apart = ~lookup(layout.shared_lines, pair[of], line)
        of, entry, line = of[apart], entry[apart], line[apart]
    count = first[line + 1] - first[line]
    row, number = expand(np.zeros(len(line), dtype=np.int64), count)
    backward = paths.backward[entry][row]
    piece = np.where(backward, first[line + 1][row] - 1 - number, first[line][row] + number)
    outside = ~lookup(layout.excused, pair[of[row]], piece)
    return of[row][outside], piece[outside]


def _boxes(layout: Layout, count: int, of: Ints, piece: Ints) -> list[_Level]:
    """Boxes round single pieces, then round every few of them, up to one per pair."""
    start, end = layout.pieces.start[piece], layout.pieces.end[piece]
    first = np.searchsorted(of, np.arange(count + 1)).astype(np.int64)
    levels = [_Level(first, np.minimum(start, end), np.maximum(start, end), start)]
    while (np.diff(levels[-1].first) > 1).any():
        below = levels[-1]
        size = np.diff(below.first)
        groups = -(-size // _BRANCH)
        _, number = expand(np.zeros(count, dtype=np.int64), groups)
        begins = np.repeat(below.first[:-1], groups) + number * _BRANCH
        levels.append(
            _Level(
                np.concatenate([[0], np.cumsum(groups)]).astype(np.int64),
                np.minimum.reduceat(below.low, begins, axis=0),
                np.maximum.reduceat(below.high, begins, axis=0),
                below.point[begins],
            )
        )
    return levels


def _nearest(
    layout: Layout, pair: Ints, first: tuple[Ints, Ints], second: tuple[Ints, Ints]
) -> _Found:
    count = len(pair)
    one = _boxes(layout, count, *first)
    other = _boxes(layout, count, *second)
    has_both = (np.diff(one[0].first) > 0) & (np.diff(other[0].first) > 0)
    of = np.flatnonzero(has_both).astype(np.int64)
    at_one, at_other = np.zeros(len(of), dtype=np.int64), np.zeros(len(of), dtype=np.int64)
    known = np.full(count, np.inf)
    level_one, level_other = len(one) - 1, len(other) - 1
    while True:
        boxes_one, boxes_other = one[level_one], other[level_other]
        row_one, row_other = boxes_one.first[of] + at_one, boxes_other.first[of] + at_other
        least, between = _apart_squared(boxes_one, row_one, boxes_other, row_other)
        _lower(known, of, between)
        keep = least <= known[of]
        of, at_one, at_other = of[keep], at_one[keep], at_other[keep]
        if level_one == 0 and level_other == 0:
            break
        # Go down the deeper tree first, so that both arrive at single pieces together.
        if level_one > level_other:
            level_one -= 1
            of, at_one, at_other = _children(one[level_one], of, at_one, at_other)
        elif level_other > level_one:
            level_other -= 1
            of, at_other, at_one = _children(other[level_other], of, at_other, at_one)
        else:
            level_one, level_other = level_one - 1, level_other - 1
            of, at_one, at_other = _children(one[level_one], of, at_one, at_other)
            of, at_other, at_one = _children(other[level_other], of, at_other, at_one)
    piece_one, piece_other = (
        first[1][one[0].first[of] + at_one],
        second[1][other[0].first[of] + at_other],
    )
    pieces = layout.pieces
    chord, part_one, part_other = piece_distance(
        pieces.start[piece_one],
        pieces.end[piece_one],
        pieces.start[piece_other],
        pieces.end[piece_other],
    )
    order = np.lexsort((chord, of))
    least_row = order[np.flatnonzero(np.diff(of[order], prepend=-1))]
    return _Found(
        of[least_row],
        piece_one[least_row],
        piece_other[least_row],
        part_one[least_row],
        part_other[least_row],
    )


def _apart_squared(
    one: _Level, row_one: Ints, other: _Level, row_other: Ints
) -> tuple[Floats, Floats]:
    """Squares of how far boxes lie apart, and points in them: axis by axis, to save memory.

    Both are summed in the same order, so that no box ever seems farther than what lies in it.
    """
    least, between = np.zeros(len(row_one)), np.zeros(len(row_one))
    for axis in range(one.point.shape[1]):
        gap = np.maximum(
            one.low[row_one, axis] - other.high[row_other, axis],
            other.low[row_other, axis] - one.high[row_one, axis],
        )
        least += np.maximum(gap, 0.0) ** 2
        between += (one.point[row_one, axis] - other.point[row_other, axis]) ** 2
    return least, between


def _lower(known: Floats, of: Ints, value: Floats) -> None:
    """Lower `known` to the least value of every pair (rows lie together by pair)."""
    if len(of):
        begins = np.flatnonzero(np.diff(of, prepend=-1))
        at = of[begins]
        known[at] = np.minimum(known[at], np.minimum.reduceat(value, begins))


def _children(below: _Level, of: Ints, split: Ints, kept: Ints) -> tuple[Ints, Ints, Ints]:
    """Replace every row by the children of the box that is split."""
    size = np.diff(below.first)[of]
    first = split * _BRANCH
    row, child = expand(first, np.minimum(_BRANCH, size - first))
    return of[row], child, kept[row]


def _described(
    layout: Layout, one: Ints, other: Ints, part_one: Floats, part_other: Floats
) -> pd.DataFrame:
    pieces = layout.pieces
    known: Bools = one >= 0
    frame = pd.DataFrame(
        {
            "line_i": np.where(known, pieces.line[one], -1) if len(pieces) else one,
            "line_j": np.where(known, pieces.line[other], -1) if len(pieces) else other,
        }
    )
    points = np.full((2, len(one), 3), np.nan)
    for point, piece, part in ((points[0], one, part_one), (points[1], other, part_other)):
        start, end = pieces.start[piece[known]], pieces.end[piece[known]]
        point[known] = start + part[known, None] * (end - start)
    frame.insert(0, "distance_m", plan_m(points[0], points[1]))
    frame["lon_i"], frame["lat_i"] = to_lonlat(points[0])
    frame["lon_j"], frame["lat_j"] = to_lonlat(points[1])
    frame["danger_radius_m"] = frame["distance_m"] / 2.0
    frame["lon"], frame["lat"] = to_lonlat(on_surface((points[0] + points[1]) / 2.0))
    return frame
