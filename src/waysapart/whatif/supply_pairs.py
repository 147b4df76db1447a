"""Pairs of events that together take all supplies of a machine that neither takes alone."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Ints, boolean, csr_row
from waysapart.reliance.closure import union
from waysapart.reliance.feeding import Feeds
from waysapart.whatif.base import Base, further, ways_cut

Pair = tuple[int, int]
"""Two classes of events, the smaller number first."""


@dataclass(frozen=True)
class Owners:
    """Circuits that count, then groups with a member among them.

    Attributes
    ----------
    ways : csr_array of int32, shape (paths, owners)
    running : ndarray of int, shape (owners,)
        Ways that run now.
    ids : list of str
    circuits : int
        How many of the owners are circuits.
    """

    ways: sp.csr_array
    running: Ints
    ids: list[str]
    circuits: int


@dataclass(frozen=True)
class EventClasses:
    """Events that do the same, as classes.

    Attributes
    ----------
    of_event : ndarray of int, shape (assets,)
        Class of each asset; -1: it takes nothing that counts.
    cut : csr_array of bool, shape (classes, paths)
    size : ndarray of int, shape (classes,)
    event : ndarray of int, shape (classes,)
        One event of each.
    """

    of_event: Ints
    cut: sp.csr_array
    size: Ints
    event: Ints

    def members(self, number: int) -> Ints:
        """The events of a class."""
        return np.flatnonzero(self.of_event == number)


@dataclass(frozen=True)
class SupplyPairs:
    """Pairs that were followed anew, with everything that they lose.

    Attributes
    ----------
    lost : dict of (int, int) to frozenset of int
        Owners that the two events lose and neither loses alone.
    circuits : int
        Owners from this number on are groups.
    """

    lost: dict[Pair, frozenset[int]]
    circuits: int

    def numbers(self) -> dict[Pair, tuple[int, int]]:
        """Circuits and groups lost by each pair that loses any."""
        found = {}
        for pair, owners in self.lost.items():
            if owners:
                circuits = sum(owner < self.circuits for owner in owners)
                found[pair] = (circuits, len(owners) - circuits)
        return found


def _standing(base: Base) -> Feeds:
    """Feeds that still stand, of what has several of them."""
    feeds = base.reliance.feeds
    up = feeds.kept(~feeds.hit(base.down) & ~base.down[feeds.user])
    return up.kept(up.of_user[up.user] > 1)


def shared_supplies(base: Base) -> Ints:
    """Supplies in the feeds of what has several: what else falls depends on which of them do."""
    return np.unique(_standing(base).assets.indices)


def supply_pairs(
    base: Base, classes: EventClasses, owners: Owners, fallen: sp.csr_array
) -> SupplyPairs:
    """Follow every pair of classes that takes all feeds of some machine between them.

    Parameters
    ----------
    base : Base
    classes : EventClasses
    owners : Owners
    fallen : csr_array of bool, shape (classes, assets)
        What falls with each class.

    Notes
    -----
    Whatever else the two take together follows from such a machine: the first
    one that falls with both and with neither alone has lost its last feed.
    """
    pairs = _candidates(base, fallen)
    if not len(pairs):
        return SupplyPairs({}, owners.circuits)
    shape = (len(pairs), len(base.network.assets))
    number = np.arange(len(pairs))
    events = union(
        boolean(number, classes.event[pairs[:, 0]], shape),
        boolean(number, classes.event[pairs[:, 1]], shape),
    )
    both = _losing(ways_cut(base, further(base, events)), owners)
    alone = _losing(classes.cut, owners)
    return SupplyPairs(
        {(a, b): both[place] - alone[a] - alone[b] for place, (a, b) in enumerate(pairs.tolist())},
        owners.circuits,
    )


def _losing(cut: sp.csr_array, owners: Owners) -> list[frozenset[int]]:
    """Owners that each row leaves without a path."""
    taken = sp.csr_array(cut.astype(np.int32) @ owners.ways)
    gone = taken.data == owners.running[taken.indices]
    return [
        frozenset(taken.indices[low:high][gone[low:high]].tolist())
        for low, high in zip(taken.indptr[:-1], taken.indptr[1:], strict=True)
    ]


def _candidates(base: Base, fallen: sp.csr_array) -> np.ndarray:
    """Pairs of classes that together, and neither alone, take all feeds of some machine."""
    feeds = _standing(base)
    by_feed = sp.csc_array(fallen @ sp.csr_array(feeds.assets.T))
    first = feeds.assets.indptr
    supplies = [
        tuple(sorted(feeds.assets.indices[low:high].tolist())) for low, high in pairwise(first)
    ]
    found: set[Pair] = set()
    done: set[frozenset[tuple[int, ...]]] = set()
    order = np.argsort(feeds.user, kind="stable")
    edges = np.flatnonzero(np.diff(feeds.user[order], prepend=-1, append=np.iinfo(np.int64).max))
    for low, high in pairwise(edges):
        mine = order[low:high].tolist()
        alike = frozenset(supplies[feed] for feed in mine)
        if alike in done:
            continue
        done.add(alike)
        masks: dict[int, int] = {}
        for bit, feed in enumerate(mine):
            for number in csr_row(by_feed, feed):
                masks[int(number)] = masks.get(int(number), 0) | 1 << bit
        full = (1 << len(mine)) - 1
        by_mask: dict[int, list[int]] = {}
        for number, mask in masks.items():
            if mask != full:
                by_mask.setdefault(mask, []).append(number)
        for one, other in combinations(sorted(by_mask), 2):
            if one | other == full:
                found |= {(min(a, b), max(a, b)) for a in by_mask[one] for b in by_mask[other]}
    return np.array(sorted(found), dtype=np.int64).reshape(-1, 2)
