"""The lines, paths, pairs and zones that every question of this package is about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
import shapely

from waysapart.arrays import Bools, Floats, Ints, boolean, expand, owners
from waysapart.errors import CallError
from waysapart.findings.separation.earth import TangentPlane
from waysapart.findings.separation.pieces import Pieces, drawn, straight_pieces
from waysapart.findings.separation.zones import cut


@dataclass(frozen=True)
class PathLines:
    """Lines of every path, in the order in which the path follows them.

    Attributes
    ----------
    path : ndarray of int, shape (e,)
        Ascending; within a path the rows stand in its order.
    line : ndarray of int, shape (e,)
        A line may occur in a path more than once.
    backward : ndarray of bool, shape (e,)
        The path follows the line from its last vertex to its first.
    count : int
        Number of paths, those without lines included.
    """

    path: Ints
    line: Ints
    backward: Bools
    count: int


@dataclass(frozen=True)
class Layout:
    """Pieces of all lines, paths over them, and the pairs of paths to be held apart.

    Attributes
    ----------
    pieces : Pieces
        Cut at the edges of all zones.
    inside : csr_array of bool, shape (pieces, zones)
    paths : PathLines
    first, second : ndarray of int, shape (k,)
        The two paths of every pair, such as main and alternate.
    zones : csr_array of bool, shape (k, zones)
        The zones that excuse each pair.
    """

    pieces: Pieces
    inside: sp.csr_array
    paths: PathLines
    first: Ints
    second: Ints
    zones: sp.csr_array

    def __len__(self) -> int:
        return len(self.first)

    @cached_property
    def plane(self) -> TangentPlane:
        """A plane for searching among the pieces."""
        return TangentPlane.at(self.pieces.start)

    @cached_property
    def tree(self) -> shapely.STRtree:
        """All pieces in the plane, to be asked for bounds only (see `drawn`)."""
        return shapely.STRtree(drawn(self.pieces, self.plane))

    @cached_property
    def path_lines(self) -> sp.csr_array:
        """Boolean matrix (paths, lines): which path follows which line."""
        shape = (self.paths.count, self.pieces.line_count)
        return boolean(self.paths.path, self.paths.line, shape)

    @cached_property
    def shared_lines(self) -> sp.csr_array:
        """Boolean matrix (pairs, lines): what both paths of a pair follow."""
        follows = self.path_lines
        return sp.csr_array(follows[self.first].multiply(follows[self.second]))

    @cached_property
    def excused(self) -> sp.csr_array:
        """Boolean matrix (pairs, pieces): what lies in one of the pair's own zones."""
        return sp.csr_array(self.zones @ self.inside.T)

    @cached_property
    def offset_m(self) -> Floats:
        """Distance from the start of its path to every row of `paths`, metres.

        A line without geometry counts as 0: the gap is reported elsewhere.
        """
        length = np.nan_to_num(self.pieces.line_length_m)[self.paths.line]
        run = np.concatenate([[0.0], np.cumsum(length)])[:-1]
        first = np.searchsorted(self.paths.path, np.arange(self.paths.count))
        return np.asarray(run - run[first[self.paths.path]])


def lay_out(
    lines: Sequence[shapely.Geometry | None] | npt.NDArray[np.object_],
    *,
    path: npt.ArrayLike,
    line: npt.ArrayLike,
    backward: npt.ArrayLike | None = None,
    path_count: int | None = None,
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    zone_places: Sequence[shapely.Geometry | None] | npt.NDArray[np.object_] = (),
    zone_radius_m: npt.ArrayLike = (),
    zone_pair: npt.ArrayLike = (),
    zone: npt.ArrayLike = (),
) -> Layout:
    """Lay out lines, paths, pairs and zones for the questions of this package.

    Parameters
    ----------
    lines : sequence of LineString or None, length m
        Longitude and latitude, WGS84, degrees; every physical line once.
    path, line, backward : array_like, shape (e,)
        One row per line that a path follows, in the path's order (rows of
        different paths may be mixed). `backward`: from last vertex to first.
    path_count : int, optional
        Number of paths; default: up to the greatest that is named.
    first, second : array_like of int, shape (k,)
        The paths of each pair.
    zone_places, zone_radius_m : length z
        Every zone of the study once: Point or Polygon, and metres round it.
    zone_pair, zone : array_like of int, shape (y,)
        Zone `zone` excuses pair `zone_pair`.

    Returns
    -------
    Layout

    Raises
    ------
    CallError
        Arrays that belong together differ in length, or a number is out of range.
    """
    path_, line_ = _whole(path), _whole(line)
    turned = np.zeros(len(path_), dtype=bool) if backward is None else np.asarray(backward, bool)
    ends = _whole(first), _whole(second)
    excuse = _whole(zone_pair), _whole(zone)
    highest = int(max((part.max(initial=-1) for part in (path_, *ends)), default=-1))
    count = highest + 1 if path_count is None else path_count
    same_length = len(path_) == len(line_) == len(turned) and len(ends[0]) == len(ends[1])
    if not same_length or len(excuse[0]) != len(excuse[1]):
        raise CallError("arrays that describe the same rows differ in length")
    for numbers, limit in (
        (path_, count),
        (line_, len(lines)),
        (ends[0], count),
        (ends[1], count),
        (excuse[0], len(ends[0])),
        (excuse[1], len(zone_places)),
    ):
        if len(numbers) and (numbers.min() < 0 or numbers.max() >= limit):
            raise CallError(f"a row names number {numbers.max()}; there are {limit}")
    order = np.argsort(path_, kind="stable")
    paths = PathLines(path_[order], line_[order], turned[order], count)
    pieces, inside = cut(straight_pieces(lines), zone_places, zone_radius_m)
    zones = boolean(*excuse, (len(ends[0]), len(zone_places)))
    return Layout(pieces, inside, paths, *ends, zones)


def occurrences(paths: PathLines, path: Ints, line: Ints) -> tuple[Ints, Ints]:
    """Find the rows of `paths` at which paths follow lines.

    Parameters
    ----------
    paths : PathLines
    path, line : ndarray of int, shape (n,)

    Returns
    -------
    asked : ndarray of int
        Which of the given (path, line) the row answers.
    row : ndarray of int
    """
    width = int(max(paths.line.max(initial=0), line.max(initial=0))) + 1
    keys = paths.path * width + paths.line
    order = np.argsort(keys, kind="stable")
    wanted = path * width + line
    low = np.searchsorted(keys[order], wanted, side="left")
    high = np.searchsorted(keys[order], wanted, side="right")
    asked, at = expand(low.astype(np.int64), (high - low).astype(np.int64))
    return asked, order[at]


def lookup(matrix: sp.csr_array, row: Ints, column: Ints) -> Bools:
    """Whether a boolean matrix holds (row, column), many at once.

    Parameters
    ----------
    matrix : csr_array of bool, shape (m, k)
    row, column : ndarray of int, shape (n,)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if not matrix.nnz or not len(row):
        return np.zeros(len(row), dtype=bool)
    held = owners(matrix.indptr)
    keys = np.sort(held * matrix.shape[1] + matrix.indices)
    wanted = row * matrix.shape[1] + column
    at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    return np.asarray(keys[at] == wanted)


def _whole(numbers: npt.ArrayLike) -> Ints:
    return np.asarray(numbers, dtype=np.int64).reshape(-1)
