"""Merging intervals, many groups at once."""

from __future__ import annotations

import numpy as np

from waysapart.findings.separation.earth import Floats, Ints


def merged(group: Ints, low: Floats, high: Floats, gap: float) -> tuple[Ints, Ints]:
    """Number the runs of intervals that meet, group by group.

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


def expand(first: Ints, count: Ints) -> tuple[Ints, Ints]:
    """Write out ranges: row k gives first[k], first[k] + 1, ... , count[k] numbers.

    Returns
    -------
    row, value : ndarray of int, shape (sum of count,)
    """
    row = np.repeat(np.arange(len(count), dtype=np.int64), count)
    value = np.arange(len(row), dtype=np.int64) - np.repeat(np.cumsum(count) - count, count)
    return row, value + first[row]
