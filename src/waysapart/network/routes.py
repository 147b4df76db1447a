"""Routes of paths: the stretches of segments of every path, in order from circuit end a."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from waysapart.arrays import Floats, Ints, expand, owners
from waysapart.network.build_network import Network
from waysapart.study.plane import stretch_of


@dataclass(frozen=True)
class Routes:
    """The segments that paths follow, one row each, in the order of each path.

    The return rows of a path follow its go rows link by link.

    Attributes
    ----------
    path, link, part, segment : ndarray of int, shape (rows,)
    start, stop : ndarray of float, shape (rows,)
        Fractions of the segment's line; `start` is greater where the path runs against it.
    way : ndarray of int, shape (rows,)
        0 for both directions, 1 for go, 2 for return.
    """

    path: Ints
    link: Ints
    part: Ints
    segment: Ints
    start: Floats
    stop: Floats
    way: Ints


def _mirror(first: Ints, count: Ints, owner: Ints, row: Ints, turned: np.ndarray) -> Ints:
    """Reverse the order of an owner's rows where it is turned."""
    return np.where(turned[owner], 2 * first[owner] + count[owner] - 1 - row, row)


def routes(network: Network) -> Routes:
    """Follow every path along its segments, from circuit end a.

    Parameters
    ----------
    network : Network

    Returns
    -------
    Routes
    """
    paths, pieces, parts = network.paths, network.pieces, network.parts
    path = owners(paths.first)
    links = len(network.study.tables["links"])
    bounds = np.searchsorted(pieces.link, np.arange(links + 1))
    first, count = bounds[:-1][paths.link], np.diff(bounds)[paths.link]
    owner, piece = expand(first, count)
    # A link that is listed from b to a and followed from b to a is not turned.
    turned = np.zeros(len(paths.link), dtype=bool)
    filled = count > 0
    turned[filled] = paths.backward[filled] != pieces.from_b[first[filled]]
    piece = _mirror(first, count, owner, piece, turned)
    piece_path, piece_turned = path[owner], turned[owner]

    part = pieces.part[piece]
    against = pieces.reversed[piece] != piece_turned
    row_first, row_count = parts.first[part], parts.first[part + 1] - parts.first[part]
    owner, row = expand(row_first, row_count)
    row = _mirror(row_first, row_count, owner, row, against)
    back = against[owner]
    return Routes(
        piece_path[owner],
        pieces.link[piece][owner],
        part[owner],
        parts.segment[row],
        np.where(back, parts.stop[row], parts.start[row]),
        np.where(back, parts.start[row], parts.stop[row]),
        pieces.way[piece][owner],
    )


def route_lines(network: Network, route: Routes) -> tuple[np.ndarray, Ints, Ints]:
    """Cut the lines that routes follow out of the segments.

    Parameters
    ----------
    network : Network
    route : Routes
        From `routes`.

    Returns
    -------
    lines : ndarray of LineString, shape (lines,)
        Longitude and latitude, degrees: all segments, then stretches of segments.
    line : ndarray of int, shape (rows,)
        Line of each row of `route`.
    segment : ndarray of int, shape (lines,)
        Segment of each line.
    """
    lines = network.lonlat
    low, high = np.minimum(route.start, route.stop), np.maximum(route.start, route.stop)
    partial = np.flatnonzero((low > 0) | (high < 1))
    line = route.segment.copy()
    segment = np.arange(len(lines))
    if not len(partial):
        return lines, line, segment
    keys = np.column_stack([route.segment[partial], low[partial], high[partial]])
    unique, place = np.unique(keys, axis=0, return_inverse=True)
    line[partial] = len(lines) + place.ravel()
    whole = lines[unique[:, 0].astype(np.int64)]
    cut = np.array(
        [
            stretch_of(one, float(begin), float(end))
            for one, begin, end in zip(whole, unique[:, 1], unique[:, 2], strict=True)
        ],
        dtype=object,
    )
    return np.r_[lines, cut], line, np.r_[segment, unique[:, 0].astype(np.int64)]
