"""Find the pieces that come near each other, and the pairs of paths that they belong to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp

from waysapart.arrays import Bools, Floats, Ints, expand
from waysapart.findings.separation.layout import Layout, lookup
from waysapart.findings.separation.measure import piece_distance
from waysapart.findings.separation.pieces import around

_ROWS_AT_ONCE = 4_000_000
_ASKED_FIRST = 1_000
_HITS_AT_ONCE = 4_000_000


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


@dataclass(frozen=True)
class Marks:
    """Bits of the pairs that follow each line: a quick test that leaves few lines to compare.

    Every pair has one bit in each of two words. Lines without a common bit in both have no
    pair in common, with its first path on one and its second on the other; those with one
    mostly do.

    Attributes
    ----------
    first, second : ndarray of uint64, shape (2, lines)
        Of the pairs whose first, or second, path follows the line.
    """

    first: npt.NDArray[np.uint64]
    second: npt.NDArray[np.uint64]

    @classmethod
    def of(cls, first: sp.csr_array, second: sp.csr_array) -> Marks:
        """Marks of boolean matrices (pairs, lines)."""
        return cls(_marked(first), _marked(second))

    def may_meet(self, one: Ints, other: Ints) -> Ints:
        """Positions where some pair may have one path on a line and the other on another."""
        left = np.arange(len(one), dtype=np.int64)
        for first, second in zip(self.first, self.second, strict=True):
            here, there = one[left], other[left]
            left = left[(first[here] & second[there] | second[here] & first[there]) != 0]
        return left


def _marked(follows: sp.csr_array) -> npt.NDArray[np.uint64]:
    pair = np.repeat(np.arange(follows.shape[0], dtype=np.uint64), np.diff(follows.indptr))
    found = np.zeros((2, follows.shape[1]), dtype=np.uint64)
    for word, bit in zip(found, (pair, pair // np.uint64(64) + pair * np.uint64(7)), strict=True):
        np.bitwise_or.at(word, follows.indices, np.uint64(1) << (bit % np.uint64(64)))
    return found


def neighbours(layout: Layout, which: Bools, chord: float, marks: Marks) -> tuple[Ints, Ints]:
    """Pairs of pieces `which` of different lines that may lie within a distance in space.

    One tree of all pieces, asked in blocks: where thousands of lines meet in a pit, nearly all
    that the tree finds are lines of which no pair has both. The plane shortens, so nothing is
    missed; what is found in excess is left to `piece_distance`.

    Returns
    -------
    one, other : ndarray of int
        Piece numbers, one < other, each pair once.
    """
    pieces, asked = layout.pieces, np.flatnonzero(which)
    shapes = around(layout.plane, pieces.start[asked], pieces.end[asked], chord)
    begin, several = 0, _ASKED_FIRST
    ones, others = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    while begin < len(asked):
        one, other = layout.tree.query(shapes[begin : begin + several])
        hits = len(one)
        one = asked[begin + one]
        keep = np.flatnonzero((one < other) & which[other])
        one, other = one[keep], other[keep]
        line, beside = pieces.line[one], pieces.line[other]
        keep = np.flatnonzero(line != beside)
        keep = keep[marks.may_meet(line[keep], beside[keep])]
        ones.append(one[keep])
        others.append(other[keep])
        begin += several
        several = max(several * _HITS_AT_ONCE // max(hits, 1), 1) if hits else several
    return np.concatenate(ones), np.concatenate(others)


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
    marks = Marks.of(first, second)
    one, other = neighbours(layout, used[pieces.line], chord, marks)
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
