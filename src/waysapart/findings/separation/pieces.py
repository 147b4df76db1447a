"""Which straight pieces is a line made of?

Between two vertices a line is taken as the geodesic. A stretch longer than
`MAX_PIECE_M` is divided along the geodesic, so that a chord leaves the surface
by at most L^2 / 8R, 5 mm, and sideways by less than a micrometre. (A line that
was drawn straight in longitude and latitude bends away from the geodesic by
about L^2 tan(latitude) / 8R: 2.6 m in 10 km at 53 degrees. Spans and ducts are
straight on the ground, so the geodesic is what is meant.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import Geod

from waysapart.arrays import Floats, Ints, expand
from waysapart.errors import CallError
from waysapart.findings.separation.earth import TangentPlane, arc_m, to_space

MAX_PIECE_M = 500.0
_LINE_TYPES = (-1, 0, 1, 2)  # none, Point, LineString, LinearRing


@dataclass(frozen=True)
class Pieces:
    """Straight pieces of `line_count` lines, in the order of lines and chainage.

    Attributes
    ----------
    start, end : ndarray, shape (n, 3)
        Ends in earth-centred coordinates, metres. Equal for a piece without
        length (a line whose vertices all coincide).
    line : ndarray of int, shape (n,)
        The line that the piece belongs to; ascending.
    from_m, to_m : ndarray, shape (n,)
        Distance of its ends from the line's first vertex, along the line.
    line_count : int
        Number of lines, those without geometry included.
    """

    start: Floats
    end: Floats
    line: Ints
    from_m: Floats
    to_m: Floats
    line_count: int

    def __len__(self) -> int:
        return len(self.line)

    @cached_property
    def first(self) -> Ints:
        """First piece of every line, with one more entry at the end: shape (lines + 1,)."""
        return np.searchsorted(self.line, np.arange(self.line_count + 1)).astype(np.int64)

    @cached_property
    def line_length_m(self) -> Floats:
        """Length of every line, metres; NaN where it has no geometry."""
        first = self.first
        length = np.full(self.line_count, np.nan)
        drawn = first[1:] > first[:-1]
        length[drawn] = self.to_m[first[1:][drawn] - 1]
        return length

    def select(self, keep: npt.ArrayLike) -> Pieces:
        """Return the pieces at the given places.

        Parameters
        ----------
        keep : array_like
            A mask, or ascending indices.

        Returns
        -------
        Pieces
        """
        at = np.asarray(keep)
        return replace(
            self,
            start=self.start[at],
            end=self.end[at],
            line=self.line[at],
            from_m=self.from_m[at],
            to_m=self.to_m[at],
        )


def straight_pieces(
    lines: Sequence[shapely.Geometry | None] | npt.NDArray[np.object_],
    *,
    max_piece_m: float = MAX_PIECE_M,
) -> Pieces:
    """Divide lines in longitude and latitude into straight pieces.

    Parameters
    ----------
    lines : sequence of LineString (or LinearRing, Point) or None, length m
        WGS84, degrees. Two vertices either side of the antimeridian are joined
        the short way. A line without geometry has no pieces. Vertices that
        repeat are passed over; a line all of whose vertices coincide becomes
        one piece without length.
    max_piece_m : float
        Longer stretches between vertices are divided along the geodesic.

    Returns
    -------
    Pieces

    Raises
    ------
    CallError
        A geometry is of another type, or a coordinate is not finite or no
        longitude and latitude.

    Notes
    -----
    O(vertices) array operations; geodesics (Karney 2013, in PROJ) are solved
    for the long stretches only.
    """
    shapes = np.asarray(lines, dtype=object).reshape(-1)
    strange = ~np.isin(shapely.get_type_id(shapes), _LINE_TYPES)
    if strange.any():
        at = int(np.flatnonzero(strange)[0])
        message = f"line {at} is a {shapes[at].geom_type}; only LineStrings can be measured"
        raise CallError(message)
    lonlat, line = shapely.get_coordinates(shapes, return_index=True)
    line = line.astype(np.int64)
    if not np.isfinite(lonlat).all() or (np.abs(lonlat[:, 1]) > 90.0).any():
        raise CallError("a vertex has no finite longitude and latitude")
    ends = _stretches(lonlat, line, len(shapes))
    start, end, owner = _divided(lonlat, line, ends, max_piece_m)
    length = np.asarray(arc_m(np.linalg.norm(end - start, axis=1)))
    run = np.concatenate([[0.0], np.cumsum(length)])
    base = run[np.searchsorted(owner, owner)]
    return Pieces(start, end, owner, run[:-1] - base, run[1:] - base, len(shapes))


def _stretches(lonlat: Floats, line: Ints, count: int) -> Ints:
    """Vertex numbers (k, 2) at both ends of every stretch between vertices that differ."""
    step = np.flatnonzero(line[1:] == line[:-1])
    # A whole turn of longitude is no step, so compare in space and not in degrees.
    space = to_space(lonlat[:, 0], lonlat[:, 1])
    moved = step[(space[step + 1] != space[step]).any(axis=1)]
    has_length = np.zeros(count, dtype=bool)
    has_length[line[moved]] = True
    first = np.flatnonzero(np.concatenate([[True], line[1:] != line[:-1]])[: len(line)])
    still = first[~has_length[line[first]]]
    ends = np.concatenate([np.stack([moved, moved + 1], axis=1), np.stack([still, still], axis=1)])
    return ends[np.argsort(ends[:, 0], kind="stable")].astype(np.int64)


def _divided(
    lonlat: Floats, line: Ints, ends: Ints, max_piece_m: float
) -> tuple[Floats, Floats, Ints]:
    """Ends and line of the pieces after long stretches are divided along the geodesic."""
    space = to_space(lonlat[:, 0], lonlat[:, 1])
    start, end = space[ends[:, 0]], space[ends[:, 1]]
    parts = np.maximum(
        1, np.ceil(np.linalg.norm(end - start, axis=1) / max_piece_m - 1e-9).astype(np.int64)
    )
    owner = line[ends[:, 0]]
    if not (parts > 1).any():
        return start, end, owner
    stretch, number = expand(np.zeros(len(ends), dtype=np.int64), parts)
    piece_start, piece_end = start[stretch], end[stretch]
    inner = np.flatnonzero(number > 0)
    geod = Geod(ellps="WGS84")
    long = np.flatnonzero(parts > 1)
    at, to = lonlat[ends[long, 0]], lonlat[ends[long, 1]]
    azimuth, _, distance = geod.inv(at[:, 0], at[:, 1], to[:, 0], to[:, 1])
    of = np.searchsorted(long, stretch[inner])
    lon, lat, _ = geod.fwd(
        at[of, 0],
        at[of, 1],
        np.asarray(azimuth)[of],
        np.asarray(distance)[of] * number[inner] / parts[stretch[inner]],
    )
    between = to_space(lon, lat)
    piece_start[inner] = between
    piece_end[inner - 1] = between
    return piece_start, piece_end, owner[stretch]


def position(pieces: Pieces, line: Ints, at_m: Floats) -> Floats:
    """Return the points on lines at distances along them.

    Parameters
    ----------
    pieces : Pieces
    line : ndarray of int, shape (n,)
    at_m : ndarray of float, shape (n,)
        From the first vertex of the line.

    Returns
    -------
    ndarray of float, shape (n, 3)
        Earth-centred, metres; NaN beyond the ends of a line.
    """
    first = pieces.first
    low, high = first[line], first[line + 1] - 1
    # Chainage restarts on every line, so search in (line, chainage) order by halves.
    while (open_ := low < high).any():
        middle = (low + high) // 2
        beyond = at_m > pieces.to_m[middle]
        low = np.where(open_ & beyond, middle + 1, low)
        high = np.where(open_ & ~beyond, middle, high)
    length = pieces.to_m[low] - pieces.from_m[low]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(length > 0, (at_m - pieces.from_m[low]) / length, 0.0)
    part = np.where((at_m < 0) | (at_m > pieces.to_m[high]), np.nan, part)
    moved: Floats = pieces.start[low] + part[:, None] * (pieces.end[low] - pieces.start[low])
    return moved


def drawn(pieces: Pieces, plane: TangentPlane) -> npt.NDArray[np.object_]:
    """Draw the pieces as shapely geometries in a plane, for an STRtree.

    Do not ask the tree for `dwithin`: it never finds a piece without length (GEOS 3.14). Ask it
    for the bounds that `around` draws.

    Parameters
    ----------
    pieces : Pieces
    plane : TangentPlane

    Returns
    -------
    ndarray of LineString, shape (pieces,)
    """
    ends = np.stack([plane.project(pieces.start), plane.project(pieces.end)], axis=1)
    return np.asarray(shapely.linestrings(ends), dtype=object)


def around(
    plane: TangentPlane, start: Floats, end: Floats, reach_m: npt.ArrayLike
) -> npt.NDArray[np.object_]:
    """Draw geometries whose bounds hold all that lies within a distance of pieces, in a plane.

    Query an STRtree with them without a predicate: to ask for bounds and measure in space
    afterwards takes a quarter of the time of the tree's own `dwithin`.

    Parameters
    ----------
    plane : TangentPlane
    start, end : ndarray of float, shape (n, 3)
        Ends of the pieces, earth-centred, metres.
    reach_m : array_like, shape () or (n,)

    Returns
    -------
    ndarray of LineString, shape (n,)
    """
    one, two = plane.project(start), plane.project(end)
    reach = np.broadcast_to(np.asarray(reach_m, dtype=float), (len(one),))[:, None]
    corners = np.stack([np.minimum(one, two) - reach, np.maximum(one, two) + reach], axis=1)
    return np.asarray(shapely.linestrings(corners), dtype=object)
