"""Works that must not overlap: the smallest sets of works that together lose a circuit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice, product

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import boolean, csr_row
from waysapart.whatif.base import Base, further, path_groups, paths_cut
from waysapart.whatif.pairs import standing_feeds
from waysapart.whatif.plan_table import Work

MOST_SETS = 400
"""Sets of works kept at a time while those of one circuit are worked out."""
MOST_LISTED, MOST_COUNTED = 500, 100_000
"""Clashes listed, and counted."""

_Set = int
"""Classes of works, as bits."""


@dataclass(frozen=True)
class Clash:
    """Works that must not overlap: together they lose what no fewer of them lose."""

    works: tuple[int, ...]
    lost: frozenset[int]


@dataclass(frozen=True)
class Clashes:
    """Combinations of works that must not overlap.

    Attributes
    ----------
    found : list of Clash
        The smallest first; of equal size in the order of the works. `MOST_LISTED` at most.
    count : int or None
        How many there are, of the sizes looked at; None: more than `MOST_COUNTED`.
    up_to : int
        Every combination of up to so many works was looked at.
    complete : bool
        Whether that is every combination there is.
    """

    found: list[Clash]
    count: int | None
    up_to: int
    complete: bool


def clashes(base: Base, works: Sequence[Work]) -> Clashes:
    """Find the smallest sets of works that together lose a circuit or a group, as things are now.

    Parameters
    ----------
    base : Base
    works : sequence of Work

    Returns
    -------
    Clashes
        Of any number of works. Works that lose something by themselves clash with nobody over it.

    Notes
    -----
    The minimal cut sets of a fault tree (J. B. Fussell, W. E. Vesely, 'A new methodology for
    obtaining cut sets for fault trees', Trans. Am. Nucl. Soc. 15, 1972): a circuit is lost when
    each path is; a path when a work takes it, or when a machine on it has lost all of its feeds.
    Works that take the same are one there. Sets are kept minimal at every step, `MOST_SETS` at
    most; where there are more the largest are left out, and `up_to` says what is still complete.
    """
    count = len(works)
    rows = np.repeat(np.arange(count), [len(work.hit) for work in works]).astype(np.int64)
    hits = np.concatenate([work.hit for work in works]) if count else np.empty(0, np.int64)
    shape = (count, len(base.network.assets))
    acts = _acts(base, further(base, boolean(rows, hits.astype(np.int64), shape)))
    together = paths_cut(base, further(base, base.event(hits.astype(np.int64)))).indices
    owned = sp.csc_array(sp.hstack([base.path_circuits(), path_groups(base)], format="csr"))
    up_to = count
    by_classes: dict[tuple[tuple[int, ...], ...], set[int]] = {}
    for owner in range(owned.shape[1]):
        paths = [path for path in csr_row(owned, owner).tolist() if not base.out[path]]
        if not paths or not np.isin(paths, together).all():
            continue
        tree = _tree(acts, paths, count)
        for one in tree.all_of([tree.cuts(path) for path in paths]):
            members = tuple(sorted(tuple(tree.members[bit]) for bit in _bits(one)))
            if len(members) > 1:
                by_classes.setdefault(members, set()).add(owner)
        up_to = min(up_to, tree.complete_to)
    return Clashes(*_listed(by_classes), up_to, up_to == count)


def _listed(
    by_classes: dict[tuple[tuple[int, ...], ...], set[int]],
) -> tuple[list[Clash], int | None]:
    """Clashes of works from those of classes, the smallest first, and how many there are."""
    total = sum(math.prod(len(one) for one in members) for members in by_classes)
    most = MOST_COUNTED if total <= MOST_COUNTED else MOST_LISTED
    sets = {tuple(sorted(one)) for members in by_classes for one in islice(product(*members), most)}
    listed = sorted(sets, key=lambda one: (len(one), one))[:MOST_LISTED]
    found = [Clash(one, _losing(one, by_classes)) for one in listed]
    return found, len(sets) if total <= MOST_COUNTED else None


def _losing(
    works: tuple[int, ...], by_classes: dict[tuple[tuple[int, ...], ...], set[int]]
) -> frozenset[int]:
    """Owners that some works lose; owners with other paths put the works in other classes."""
    mine = set(works)
    return frozenset(
        owner
        for members, owners in by_classes.items()
        if len(members) == len(works) and all(mine.intersection(one) for one in members)
        for owner in owners
    )


@dataclass(frozen=True)
class _Acts:
    """What each work takes by itself.

    Attributes
    ----------
    by_work : list of frozenset of int
        Paths, and behind them feeds of machines with several feeds, that each takes.
    paths : int
        Number of paths: feeds are numbered from here on.
    feeds_of : dict of int to list of int
        Feeds of each machine, so numbered.
    behind : dict of int to list of int
        Machines whose loss takes a path or a feed.
    """

    by_work: list[frozenset[int]]
    paths: int
    feeds_of: dict[int, list[int]]
    behind: dict[int, list[int]]


def _acts(base: Base, fallen: sp.csr_array) -> _Acts:
    """What works take by themselves, from what falls with each."""
    feeds = standing_feeds(base)
    to_feed = sp.csr_array(feeds.assets.T)

    def taken(gone: sp.csr_array) -> list[frozenset[int]]:
        both = sp.csr_array(sp.hstack([paths_cut(base, gone), gone @ to_feed], format="csr"))
        return [frozenset(csr_row(both, row).tolist()) for row in range(both.shape[0])]

    paths = len(base.network.paths)
    users = np.unique(feeds.user)
    shape = (len(users), len(base.network.assets))
    behind: dict[int, list[int]] = {}
    by_machine = taken(further(base, boolean(np.arange(len(users)), users, shape)))
    for user, mine in zip(users.tolist(), by_machine, strict=True):
        for one in mine:
            behind.setdefault(one, []).append(user)
    feeds_of: dict[int, list[int]] = {}
    for feed, user in enumerate(feeds.user.tolist()):
        feeds_of.setdefault(user, []).append(paths + feed)
    return _Acts(taken(fallen), paths, feeds_of, behind)


@dataclass
class _Tree:
    """The fault tree of some paths.

    Attributes
    ----------
    acts : _Acts
    members : list of list of int
        Works of each class: they take the same, as far as it matters for the paths.
    by : dict of int to list of int
        Classes that take each path and each feed.
    complete_to : int
        Sets up to this size are complete.
    machines : dict of int to list of set
        The smallest sets of classes that take each machine.
    """

    acts: _Acts
    members: list[list[int]]
    by: dict[int, list[int]]
    complete_to: int
    machines: dict[int, list[_Set]]

    def cuts(self, one: int) -> list[_Set]:
        """The smallest sets of classes that take a path or a feed."""
        sets = [1 << number for number in self.by.get(one, ())]
        for machine in self.acts.behind.get(one, ()):
            sets += self.machines[machine]
        return self.smallest(sets)

    def all_of(self, several: Sequence[list[_Set]]) -> list[_Set]:
        """The smallest sets that hold one set of each."""
        found: list[_Set] = [0]
        for sets in sorted(several, key=len):
            found = self.smallest([one | other for one in found for other in sets])
        return found

    def smallest(self, sets: Sequence[_Set]) -> list[_Set]:
        """Sets that hold no other one; the largest are left out where there are too many."""
        found: list[_Set] = []
        for one in sorted(set(sets), key=lambda one: (one.bit_count(), one)):
            if one.bit_count() > self.complete_to:
                break
            if any(known & one == known for known in found):
                continue
            if len(found) == MOST_SETS:
                self.complete_to = one.bit_count() - 1
                return [known for known in found if known.bit_count() <= self.complete_to]
            found.append(one)
        return found

    def settle(self) -> None:
        """Work out what takes each machine, also where machines feed each other."""
        changed = True
        while changed:
            changed = False
            for machine in self.machines:
                sets = self.all_of([self.cuts(feed) for feed in self.acts.feeds_of[machine]])
                if sets != self.machines[machine]:
                    self.machines[machine] = sets
                    changed = True


def _tree(acts: _Acts, paths: Sequence[int], up_to: int) -> _Tree:
    """The fault tree of some paths, with what can take them through machines."""
    matter, machines = set(paths), dict[int, list[_Set]]()
    ahead = list(paths)
    while ahead:
        for machine in acts.behind.get(ahead.pop(), ()):
            if machine not in machines:
                machines[machine] = []
                matter.update(acts.feeds_of[machine])
                ahead += acts.feeds_of[machine]
    kinds: dict[frozenset[int], list[int]] = {}
    for work, taken in enumerate(acts.by_work):
        if taken & matter:
            kinds.setdefault(taken & matter, []).append(work)
    by: dict[int, list[int]] = {}
    for number, kind in enumerate(kinds):
        for one in kind:
            by.setdefault(one, []).append(number)
    tree = _Tree(acts, list(kinds.values()), by, up_to, machines)
    tree.settle()
    return tree


def _bits(number: int) -> list[int]:
    return [bit for bit in range(number.bit_length()) if number >> bit & 1]
