"""Types of arrays, and what several stages do with ranges, intervals and boolean matrices.

Arrays in, arrays out: nothing here knows of studies.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeAlias

import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike, NDArray

Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]
Bools: TypeAlias = NDArray[np.bool_]
Words: TypeAlias = NDArray[np.str_]
Indices: TypeAlias = NDArray[np.signedinteger]
"""Whole numbers of 32 or 64 bits: SciPy takes the smaller kind for the index of a sparse matrix."""


def floats(values: ArrayLike) -> Floats:
    """Return any numbers as a float64 array; a blank (None) becomes NaN.

    Examples
    --------
    >>> floats([1, None]).tolist()
    [1.0, nan]
    """
    return np.asarray(values, dtype=np.float64)


def sum_by(index: ArrayLike, values: ArrayLike, count: int) -> Floats:
    """Add up values by the whole number beside each.

    Parameters
    ----------
    index : array_like of int, shape (n,)
        From 0 to count - 1.
    values : array_like, shape (n,)
    count : int

    Returns
    -------
    ndarray of float, shape (count,)
        0 for a number that `index` does not hold; NaN where one of its values is NaN.

    Examples
    --------
    >>> sum_by([0, 0, 2], [1.5, 2.5, 7], 3).tolist()
    [4.0, 0.0, 7.0]
    """
    return np.bincount(np.asarray(index, np.int64), floats(values), count).astype(np.float64)


def greatest_by(index: ArrayLike, values: ArrayLike, count: int) -> Floats:
    """Find the greatest value by the whole number beside each.

    Parameters
    ----------
    index : array_like of int, shape (n,)
        From 0 to count - 1.
    values : array_like, shape (n,)
    count : int

    Returns
    -------
    ndarray of float, shape (count,)
        NaN for a number that `index` does not hold, and where one of its values is NaN.

    Examples
    --------
    >>> greatest_by([0, 0, 2], [1.5, 2.5, 7], 3).tolist()
    [2.5, nan, 7.0]
    """
    greatest = np.full(count, -np.inf)
    with np.errstate(invalid="ignore"):
        np.maximum.at(greatest, np.asarray(index, np.int64), floats(values))
    return np.where(np.isneginf(greatest), np.nan, greatest)


def boolean(rows: ArrayLike, columns: ArrayLike, shape: tuple[int, int]) -> sp.csr_array:
    """A boolean sparse matrix from the places of its entries.

    Boolean and not small integers: an 8-bit count of 256 routes to one asset
    wraps round to 'no route'.

    Parameters
    ----------
    rows, columns : array_like of int, shape (n,)
        An entry whose row or column is -1 is left out; one that is named twice counts once.
    shape : (int, int)

    Returns
    -------
    csr_array of bool

    Examples
    --------
    >>> boolean([0, 0, 1], [2, 2, -1], (2, 3)).toarray().tolist()
    [[False, False, True], [False, False, False]]
    """
    rows, columns = np.asarray(rows, dtype=np.int64), np.asarray(columns, dtype=np.int64)
    keep = (rows >= 0) & (columns >= 0)
    if not keep.any():
        return sp.csr_array(shape, dtype=np.bool_)
    entries = np.ones(int(keep.sum()), dtype=np.bool_)
    made = sp.csr_array((entries, (rows[keep], columns[keep])), shape=shape)
    made.sum_duplicates()
    return made


def csr_row(matrix: sp.csr_array | sp.csc_array, row: int) -> Indices:
    """Columns of the entries in one row of a CSR matrix (rows in one column of a CSC matrix).

    They come in the order in which the matrix keeps them, as a view, not a copy.

    Examples
    --------
    >>> csr_row(boolean([0, 1, 1], [2, 0, 1], (2, 3)), 1).tolist()
    [0, 1]
    """
    return matrix.indices[matrix.indptr[row] : matrix.indptr[row + 1]]


def owners(first: Indices) -> Ints:
    """Number of the range in which each place lies.

    Parameters
    ----------
    first : ndarray of int, shape (n + 1,)
        Range i holds the places first[i] to first[i + 1] - 1, as in the `indptr` of a CSR matrix.

    Returns
    -------
    ndarray of int, shape (first[-1] - first[0],)

    Examples
    --------
    >>> owners(np.array([0, 2, 2, 3])).tolist()
    [0, 0, 2]
    """
    return np.repeat(np.arange(len(first) - 1, dtype=np.int64), np.diff(first))


def expand(first: Ints, count: Ints) -> tuple[Ints, Ints]:
    """Write out ranges: row k gives first[k], first[k] + 1, ... , count[k] numbers.

    Returns
    -------
    row, value : ndarray of int, shape (sum of count,)

    Examples
    --------
    >>> row, value = expand(np.array([5, 9]), np.array([2, 1]))
    >>> row.tolist(), value.tolist()
    ([0, 0, 1], [5, 6, 9])
    """
    row = np.repeat(np.arange(len(count), dtype=np.int64), count)
    value = np.arange(len(row), dtype=np.int64) - np.repeat(np.cumsum(count) - count, count)
    return row, value + first[row]


def interval_runs(group: Ints, low: Floats, high: Floats, gap: float) -> tuple[Ints, Ints]:
    """Number the runs of intervals that overlap or nearly do, group by group.

    Parameters
    ----------
    group : ndarray of int, shape (n,)
    low, high : ndarray, shape (n,)
        low <= high.
    gap : float
        Intervals of one group no further apart than this belong to one run.

    Returns
    -------
    run : ndarray of int, shape (n,)
        Number of the run of every interval; runs are numbered by group, then low.
    order : ndarray of int, shape (n,)
        The sorting by group and low, in which runs lie together.

    Notes
    -----
    O(n log n). The running maximum per group is taken on ranks, so that no
    offset costs precision.

    Examples
    --------
    >>> low, high = np.array([5.0, 0.0, 1.0]), np.array([6.0, 2.0, 3.0])
    >>> group = np.zeros(3, dtype=np.int64)
    >>> run, order = interval_runs(group, low, high, gap=0.5)
    >>> run.tolist(), order.tolist()
    ([1, 0, 0], [1, 2, 0])
    """
    order = np.lexsort((low, group)).astype(np.int64)
    if not len(order):
        return np.zeros(0, dtype=np.int64), order
    sorted_group, sorted_low, sorted_high = group[order], low[order], high[order]
    by_high = np.argsort(sorted_high, kind="stable")
    rank = np.empty(len(order), dtype=np.int64)
    rank[by_high] = np.arange(len(order))
    _, dense = np.unique(sorted_group, return_inverse=True)
    reached = np.maximum.accumulate(dense.astype(np.int64) * len(order) + rank)
    furthest = sorted_high[by_high[reached % len(order)]]
    opens = np.ones(len(order), dtype=bool)
    opens[1:] = (sorted_group[1:] != sorted_group[:-1]) | (sorted_low[1:] > furthest[:-1] + gap)
    run = np.empty(len(order), dtype=np.int64)
    run[order] = np.cumsum(opens) - 1
    return run, order


def merge_intervals(
    intervals: Iterable[tuple[float, float]], gap: float = 0.0
) -> list[tuple[float, float]]:
    """Join the intervals of one line that overlap or lie no further apart than a gap.

    Parameters
    ----------
    intervals : iterable of (low, high)
        low <= high, in any order.
    gap : float
        In the intervals' unit.

    Returns
    -------
    list of (low, high)
        Ascending.

    Examples
    --------
    >>> merge_intervals([(5, 6), (0, 2), (1, 3)])
    [(0, 3), (5, 6)]
    >>> merge_intervals([(0, 2), (3, 4)], gap=1)
    [(0, 4)]
    """
    merged: list[tuple[float, float]] = []
    for low, high in sorted(intervals):
        if merged and low <= merged[-1][1] + gap:
            merged[-1] = (merged[-1][0], max(merged[-1][1], high))
        else:
            merged.append((low, high))
    return merged
