"""Unavailability of any number of paths at once, exact with whatever any of them share.

A group's assets fall into classes by which of its paths they take down. The
states 'these paths are down' are then filled class by class. Every term is
positive, so the digits that inclusion and exclusion lose are kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse

from waysapart.errors import CallError
from waysapart.formulas._arrays import Counts, Floats, floats

GREATEST_PATHS = 16
"""2^16 states; a group of more paths than that is a mistake in the records."""


def state_probabilities(paths: sparse.csr_array, asset: ArrayLike) -> Floats:
    """Probability that exactly these paths of a group are down, for every set of them.

    Parameters
    ----------
    paths : sparse array of bool, shape (k, assets)
        The group's paths, at most `GREATEST_PATHS`.
    asset : array_like, shape (assets,)
        Unavailability of each asset.

    Returns
    -------
    numpy.ndarray of shape (2**k,)
        At s: the probability that path i is down if bit i of s is set, and up
        else. The last is that of all paths being down; sum over the states
        that a scheme or group calls lost for any other condition. O(2^k x
        min(2^k, assets)).

    Raises
    ------
    CallError
        No path, too many paths, or an unavailability outside 0 to 1.
    """
    return _state_probabilities(paths, _checked(asset))


def _state_probabilities(paths: sparse.csr_array, asset: Floats) -> Floats:
    classes = _classes(paths, asset)
    return _fill(classes.mask, classes.down, paths.shape[0])


def all_down(paths: sparse.csr_array, group: ArrayLike, asset: ArrayLike) -> Floats:
    """Unavailability of all paths of each group at once.

    Parameters
    ----------
    paths : sparse array of bool, shape (paths, assets)
    group : array_like of int, shape (paths,)
        Which group each path belongs to, counted from 0.
    asset : array_like, shape (assets,)

    Returns
    -------
    numpy.ndarray of shape (greatest group + 1,)
        NaN for a group without a path.
    """
    groups = np.asarray(group, dtype=np.int64)
    u = _checked(asset)
    found = np.full(int(groups.max(initial=-1)) + 1, np.nan)
    order = np.argsort(groups, kind="stable")
    numbers, first = np.unique(groups[order], return_index=True)
    for number, start, end in zip(numbers, first, np.append(first, len(order))[1:], strict=True):
        found[number] = _state_probabilities(paths[order[start:end]], u)[-1]
    return found


def birnbaum_all_down(paths: sparse.csr_array, asset: ArrayLike) -> Floats:
    """Birnbaum's importance of each asset for losing all paths of one group.

    Parameters
    ----------
    paths : sparse array of bool, shape (k, assets)
    asset : array_like, shape (assets,)
        Unavailability of each asset, below 1.

    Returns
    -------
    numpy.ndarray of shape (assets,)
        Probability that the asset's failure is what takes the last path: the
        rest of its class is up, and the paths left by the other classes are
        all its own. 0 for assets that no path relies on.
    """
    u = _checked(asset)
    if np.any(u >= 1):
        raise CallError("an asset that is down for certain has no importance to be ranked by")
    classes = _classes(paths, u)
    count = paths.shape[0]
    states = np.arange(2**count)
    everything = 2**count - 1
    completes = np.zeros(len(classes.mask))
    for place, taken in enumerate(classes.mask):
        rest = np.arange(len(classes.mask)) != place
        others = _fill(classes.mask[rest], classes.down[rest], count)
        completes[place] = others[((states | taken) == everything) & (states != everything)].sum()
    own = classes.of_asset
    others_up = (1 - classes.down[own]) / (1 - u[classes.asset])
    importance = np.zeros(paths.shape[1])
    importance[classes.asset] = completes[own] * others_up
    return importance


@dataclass(frozen=True, slots=True)
class _Classes:
    """Sets of paths that fail together, as bits, with the unavailability of each.

    `asset` are the columns that any path relies on, `of_asset` the class of each.
    """

    mask: Counts
    down: Floats
    asset: Counts
    of_asset: Counts


def _checked(asset: ArrayLike) -> Floats:
    u = floats(asset)
    if np.any((u < 0) | (u > 1)):
        raise CallError("an unavailability must lie between 0 and 1")
    return u


def _classes(paths: sparse.csr_array, asset: Floats) -> _Classes:
    count = paths.shape[0]
    if not 1 <= count <= GREATEST_PATHS:
        raise CallError(f"a group needs 1 to {GREATEST_PATHS} paths, this one has {count}")
    entries = sparse.coo_array(paths)
    row, column = (axis[entries.data != 0] for axis in entries.coords)
    used, place = np.unique(column, return_inverse=True)
    bits = np.zeros(len(used), dtype=np.int64)
    np.bitwise_or.at(bits, place, np.int64(1) << row.astype(np.int64))
    mask, of_asset = np.unique(bits, return_inverse=True)
    with np.errstate(divide="ignore"):
        log_up = np.bincount(of_asset, np.log1p(-asset[used]), len(mask))
    return _Classes(mask, np.asarray(-np.expm1(log_up)), used.astype(np.int64), of_asset)


def _fill(mask: Counts, u: Floats, count: int) -> Floats:
    probability = np.zeros(2**count)
    probability[0] = 1.0
    states = np.arange(2**count)
    for taken, down in zip(mask, u, strict=True):
        moved = np.bincount(states | taken, probability * down, 2**count)
        probability = probability * (1 - down) + moved
    return probability
