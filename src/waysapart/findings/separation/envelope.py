"""The least of many functions made of quadratic arcs, exactly, for many intervals at once.

A function on 0..1 is a row of arcs without gaps. Every group of functions (one
group per straight piece) is merged two and two, all groups together, until one
function per group is left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from waysapart.arrays import Floats, Ints
from waysapart.findings.separation.measure import roots


@dataclass(frozen=True)
class Arcs:
    """Arcs ordered by group, function and low.

    Attributes
    ----------
    group, function : ndarray of int, shape (n,)
        Function numbers are unique over all groups; every function covers 0..1.
    low, high : ndarray, shape (n,)
    coefficients : ndarray, shape (n, 3)
        a, b, c of a t^2 + b t + c.
    tag : ndarray of int, shape (n,)
        What the arc belongs to; carried along.
    """

    group: Ints
    function: Ints
    low: Floats
    high: Floats
    coefficients: Floats
    tag: Ints


def lower_envelope(arcs: Arcs) -> Arcs:
    """Return the least of all functions of each group, as one function per group.

    Parameters
    ----------
    arcs : Arcs

    Returns
    -------
    Arcs

    Notes
    -----
    O(n log m) for n arcs of up to m functions a group, while the pieces of the
    envelope stay in the order of n (two quadratics cross at most twice).
    """
    while True:
        new = np.diff(arcs.function, prepend=-1) != 0
        number = np.cumsum(new) - 1
        group_of = arcs.group[new]
        first = np.searchsorted(group_of, group_of)
        rank = (np.arange(len(group_of)) - first)[number]
        if not (rank > 0).any():
            return arcs
        arcs = _merged(arcs, rank // 2, rank % 2)


def _merged(arcs: Arcs, couple: Ints, side: Ints) -> Arcs:
    """The lesser of the two functions of each (group, couple)."""
    width = int(couple.max()) + 1
    key = arcs.group * width + couple
    order = np.lexsort((side, arcs.low, key))
    key, side = key[order], side[order]
    at = np.arange(len(key))
    opens = np.ones(len(key), dtype=bool)
    opens[1:] = key[1:] != key[:-1]
    start = np.maximum.accumulate(np.where(opens, at, 0))
    current = []
    for this in (0, 1):
        last = np.maximum.accumulate(np.where(side == this, at, -1))
        # Before its first arc a function has none; a couple of one never has a second.
        current.append(np.where(last >= start, last, -1))
    low = arcs.low[order]
    high = np.ones(len(low))
    high[:-1] = np.where(opens[1:], 1.0, low[1:])
    keep = (high > low) & ((current[0] >= 0) | (current[1] >= 0))
    one, two = (np.where(part[keep] >= 0, order[part[keep]], -1) for part in current)
    one, two = np.where(one < 0, two, one), np.where(two < 0, one, two)
    return _lesser(arcs, key[keep], low[keep], high[keep], one, two)


def _lesser(arcs: Arcs, key: Ints, low: Floats, high: Floats, one: Ints, two: Ints) -> Arcs:
    """On every interval the lesser of arcs one and two, divided where they cross."""
    gap = arcs.coefficients[one] - arcs.coefficients[two]
    first, second = roots(gap[:, 0], gap[:, 1], gap[:, 2])
    edges = np.stack(
        [
            low,
            np.clip(np.where(np.isfinite(first), first, low), low, high),
            np.clip(np.where(np.isfinite(second), second, high), low, high),
            high,
        ],
        axis=1,
    )
    edges = np.maximum.accumulate(edges, axis=1)
    middle = (edges[:, 1:] + edges[:, :-1]) / 2.0
    value = (gap[:, :1] * middle + gap[:, 1:2]) * middle + gap[:, 2:]
    chosen = np.where(value <= 0, one[:, None], two[:, None]).reshape(-1)
    begin, end = edges[:, :-1].reshape(-1), edges[:, 1:].reshape(-1)
    function = np.repeat(key, 3)
    there = end > begin
    chosen, begin, end, function = chosen[there], begin[there], end[there], function[there]
    same = np.zeros(len(chosen), dtype=bool)
    same[1:] = (chosen[1:] == chosen[:-1]) & (function[1:] == function[:-1])
    last = np.append(np.flatnonzero(~same)[1:] - 1, len(same) - 1)
    chosen, begin, function = chosen[~same], begin[~same], function[~same]
    return Arcs(
        arcs.group[chosen],
        function,
        begin,
        end[last] if len(chosen) else end,
        arcs.coefficients[chosen],
        arcs.tag[chosen],
    )
