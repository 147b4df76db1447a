"""Find the pieces that come near each other, and the pairs of paths that they belong to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Bools, Floats, Ints, expand
from waysapart.findings.separation.layout import Layout, lookup
from waysapart.findings.separation.measure import piece_distance
from waysapart.findings.separation.pieces import around

_ROWS_AT_ONCE = 4_000_000


@dataclass(frozen=True)
class Approaches:
    """Pieces of the two paths of a pair that lie near each other, one row each.

    Attributes
    ----------
    pair, one, other : ndarray of int, shape (n,)
        `one` is a piece of the pair's first path, `other` of its second.
    chord_m : ndarray, shape (n,)
        Their least distance, straight in space, metres.
    part_one, part_other : ndarray, shape (n,)
        Where on the pieces (0..1) the closest points lie.
    """

    pair: Ints
    one: Ints
    other: Ints
    chord_m: Floats
    part_one: Floats
    part_other: Floats


def neighbours(layout: Layout, which: Bools, chord: float) -> tuple[Ints, Ints]:
    """Find pairs of pieces of different lines that may lie within a distance in space.

    One tree of all pieces, one query. The plane shortens, so nothing is missed; what is found in
    excess is left to `piece_distance`.

    Parameters
    ----------
    layout : Layout
    which : ndarray of bool, shape (pieces,)
        The pieces to look at.
    chord : float
        Straight distance in space, in metres.

    Returns
    -------
    one, other : ndarray of int, shape (n,)
        Piece numbers, one < other, each pair once.
    """
    pieces, asked = layout.pieces, np.flatnonzero(which)
    one, other = layout.tree.query(
        around(layout.plane, pieces.start[asked], pieces.end[asked], chord)
    )
    one = asked[one]
    keep = (one < other) & which[other] & (pieces.line[one] != pieces.line[other])
    return one[keep], other[keep]


def approaches(layout: Layout, chord: float) -> Approaches:
    """Find pieces of both paths of each pair within a distance, outside the pair's zones.

    Geometry is searched once, over physical lines; what is found is then joined to the pairs
    through the boolean matrices of paths and lines. A line that both paths follow is a shared
    asset and no approach: it is left out on both sides.

    Parameters
    ----------
    layout : Layout
    chord : float
        Straight distance in space, in metres.

    Returns
    -------
    Approaches

    Notes
    -----
    O(n log n) for n pieces, plus the size of what is found, plus for every two
    lines near each other the number of paths that follow either.
    """
    pieces = layout.pieces
    follows = layout.path_lines
    shared = layout.shared_lines
    first = _without(follows[layout.first], shared)
    second = _without(follows[layout.second], shared)
    used = np.zeros(pieces.line_count, dtype=bool)
    used[first.indices] = used[second.indices] = True
    one, other = neighbours(layout, used[pieces.line], chord)
    # Both ways round: a line of the first path near one of the second, and the reverse.
    one, other = np.concatenate([one, other]), np.concatenate([other, one])
    key = pieces.line[one] * pieces.line_count + pieces.line[other]
    order = np.argsort(key, kind="stable")
    one, other, key = one[order], other[order], key[order]
    begins = np.flatnonzero(np.diff(key, prepend=-1))
    count = np.diff(np.append(begins, len(key)))
    lines = key[begins] // pieces.line_count, key[begins] % pieces.line_count
    met, pair = _concerned(sp.csr_array(first.T), sp.csr_array(second.T), *lines)

    row, at = expand(begins[met].astype(np.int64), count[met].astype(np.int64))
    pair, one, other = pair[row], one[at], other[at]
    excused = layout.excused
    keep = ~(lookup(excused, pair, one) | lookup(excused, pair, other))
    pair, one, other, at = pair[keep], one[keep], other[keep], at[keep]
    # Many pairs may meet the same two pieces: measure those once.
    _, asked, back = np.unique(at, return_index=True, return_inverse=True)
    distance, part_one, part_other = piece_distance(
        pieces.start[one[asked]],
        pieces.end[one[asked]],
        pieces.start[other[asked]],
        pieces.end[other[asked]],
    )
    near = distance[back] <= chord
    back = back[near]
    return Approaches(
        pair[near], one[near], other[near], distance[back], part_one[back], part_other[back]
    )


def _without(matrix: sp.csr_array, away: sp.csr_array) -> sp.csr_array:
    """Boolean matrix less the entries of another that it holds."""
    left = sp.csr_array(matrix.astype(np.int8) - away.astype(np.int8))
    left.eliminate_zeros()
    return sp.csr_array(left.astype(bool))


def _concerned(
    first: sp.csr_array, second: sp.csr_array, one: Ints, other: Ints
) -> tuple[Ints, Ints]:
    """Pairs whose first path follows line one[n] and whose second follows other[n].

    Returns
    -------
    n, pair : ndarray of int
    """
    cost = np.diff(first.indptr)[one] + np.diff(second.indptr)[other]
    possible = np.flatnonzero(
        (np.diff(first.indptr)[one] > 0) & (np.diff(second.indptr)[other] > 0)
    )
    batch = np.cumsum(cost[possible]) // _ROWS_AT_ONCE
    found_row, found_pair = [], []
    for number in np.unique(batch):
        rows = possible[batch == number]
        both = sp.coo_array(first[one[rows]].multiply(second[other[rows]]))
        found_row.append(rows[both.coords[0]])
        found_pair.append(both.coords[1])
    if not found_row:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    row, pair = np.concatenate(found_row), np.concatenate(found_pair)
    return row.astype(np.int64), pair.astype(np.int64)
