"""Segments as pieces between the nodes at which something may leave or join them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from waysapart.arrays import Floats, Ints, expand
from waysapart.network.assets import Assets
from waysapart.network.ends import Ends, Passing
from waysapart.study.model import Study


@dataclass(frozen=True)
class SegmentPieces:
    """Pieces of segments, in the order of segments and along each of them.

    `segment` counts segments from 0; `start` and `stop` are fractions of its
    line. `begin` and `end` are nodes: asset numbers, or below -1 one number for
    each place where ends that meet nothing lie together. `lines` holds the
    vertices of every piece, shape (n, 2).
    """

    segment: Ints
    start: Floats
    stop: Floats
    begin: Ints
    end: Ints
    lines: list[np.ndarray]

    def of_segments(self, segments: Ints) -> Ints:
        """Numbers of the pieces of some segments."""
        first = np.searchsorted(self.segment, segments)
        count = np.searchsorted(self.segment, segments, side="right") - first
        return expand(first, count)[1]

    @cached_property
    def begin_at(self) -> np.ndarray:
        """First vertices, shape (pieces, 2)."""
        return np.array([line[0] for line in self.lines]).reshape(-1, 2)

    @cached_property
    def end_at(self) -> np.ndarray:
        """Last vertices, shape (pieces, 2)."""
        return np.array([line[-1] for line in self.lines]).reshape(-1, 2)


def cut_pieces(
    study: Study,
    assets: Assets,
    ends: Ends,
    passed: Passing,
    segments: Ints,
    tips: np.ndarray,
    reach_m: float,
) -> SegmentPieces:
    """Cut segments where they pass a structure at which a cable may change segment, or end.

    Parameters
    ----------
    study : Study
    assets : Assets
    ends, passed : Ends, Passing
    segments : ndarray of int
        The segments to cut, ascending; only they count as something to change to.
    tips : ndarray of Point
        Where cables end.
    reach_m : float
        How far a structure may lie from a tip.
    """
    lines = study.geometries("segments")
    nodes_a, nodes_b = _open_ends_together(study, ends, lines, segments)
    mine = np.isin(passed.segment, segments)
    segment, structure, fraction = (
        passed.segment[mine],
        passed.structure[mine],
        passed.fraction[mine],
    )
    used, count = np.unique(
        np.r_[structure, nodes_a, nodes_b[nodes_b != nodes_a]], return_counts=True
    )
    wanted = np.isin(structure, used[count > 1]) | np.isin(
        structure, _structures_at(study, assets, structure, tips, reach_m)
    )
    segment, structure, fraction = segment[wanted], structure[wanted], fraction[wanted]
    apart = np.r_[True, (np.diff(segment) != 0) | (np.diff(fraction) > 0)][: len(segment)]
    segment, structure, fraction = segment[apart], structure[apart], fraction[apart]

    cuts = np.bincount(np.searchsorted(segments, segment), minlength=len(segments))
    order = np.argsort(np.r_[segments, segment], kind="stable")
    start = np.r_[np.zeros(len(segments)), fraction][order]
    begin = np.r_[nodes_a, structure][order]
    of = np.r_[segments, segment][order]
    last = np.cumsum(cuts + 1) - 1
    stop, end = np.ones(len(of)), np.empty(len(of), dtype=np.int64)
    inner = np.ones(len(of), dtype=bool)
    inner[last] = False
    stop[inner], end[inner] = start[1:][inner[:-1]], begin[1:][inner[:-1]]
    end[last] = nodes_b
    points, owner = shapely.get_coordinates(lines[segments], return_index=True)
    whole = np.split(points, np.flatnonzero(np.diff(owner)) + 1) if len(segments) else []
    made = [
        line if begin_ == 0.0 and end_ == 1.0 else stretch(line, begin_, end_)
        for line, begin_, end_ in zip(
            (whole[place] for place in np.searchsorted(segments, of)),
            start.tolist(),
            stop.tolist(),
            strict=True,
        )
    ]
    return SegmentPieces(of, start, stop, begin, end, made)


def stretch(line: np.ndarray, begin: float, end: float) -> np.ndarray:
    """Vertices of the stretch of a line between two fractions of its length, shape (n, 2)."""
    along = np.r_[0.0, np.cumsum(np.hypot(*np.diff(line, axis=0).T))]
    along /= along[-1]
    x, y = (np.interp([begin, end], along, line[:, axis]) for axis in (0, 1))
    inner = line[(along > begin) & (along < end)]
    return np.vstack([[x[0], y[0]], inner, [x[1], y[1]]])


def _open_ends_together(
    study: Study, ends: Ends, lines: np.ndarray, segments: Ints
) -> tuple[Ints, Ints]:
    """Nodes of segments; ends that meet nothing get one number where they lie together."""
    a, b = ends.a[segments].copy(), ends.b[segments].copy()
    open_a, open_b = np.flatnonzero(a < 0), np.flatnonzero(b < 0)
    points = np.r_[
        shapely.get_point(lines[segments[open_a]], 0),
        shapely.get_point(lines[segments[open_b]], -1),
    ]
    if not len(points):
        return a, b
    one, other = shapely.STRtree(points).query(points, predicate="dwithin", distance=study.snap_m)
    # The lowest neighbour's lowest neighbour and so on, until nothing changes.
    group = np.arange(len(points))
    while True:
        lower = group.copy()
        np.minimum.at(lower, one, group[other])
        if (lower == group).all():
            break
        group = lower
    a[open_a] = -2 - group[: len(open_a)]
    b[open_b] = -2 - group[len(open_a) :]
    return a, b


def _structures_at(
    study: Study, assets: Assets, structure: Ints, tips: np.ndarray, reach_m: float
) -> Ints:
    """Which structures (asset numbers) lie within reach of where a cable ends."""
    known = np.unique(structure)
    shapes = study.geometries("structures")[known - assets.start["structures"]]
    near, _ = shapely.STRtree(tips).query(shapes, predicate="dwithin", distance=reach_m)
    return np.asarray(known[np.unique(near)], dtype=np.int64)
