"""Compute how often all feeds of a machine with several feeds are down, and which paths that cuts.

Machines with the same feeds are one here. *Things* are classes of assets that fail independently
of each other; a feed is down when one of its things is, or when a machine that it hangs on is
dark. What all feeds of a machine have in common is left out of them: whatever relies on the
machine relies on that as well.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Bools, Floats, Ints, boolean, csr_row
from waysapart.formulas.availability import GREATEST_THINGS, Fed, Feed, birnbaum_fed, fed_machines
from waysapart.reliance.direct import Feeds
from waysapart.reliance.rely import Reliance, falls


@dataclass(frozen=True)
class Machines:
    """Machines with several feeds that some path relies on, directly or through others.

    Attributes
    ----------
    assets : list of list of int
        The machines with the same feeds.
    uses : csr_array of bool, shape (paths, machines)
    feeds : list of list of int
        Rows of `behind` that are the feeds of each.
    behind : csr_array of bool, shape (feeds, assets)
        All that each feed relies on.
    hangs : csr_array of bool, shape (feeds, machines)
        Machines among that.
    """

    assets: list[list[int]]
    uses: sp.csr_array
    feeds: list[list[int]]
    behind: sp.csr_array
    hangs: sp.csr_array


def machines_of(reliance: Reliance) -> Machines:
    """Find the machines with several feeds that are not out of service now.

    Parameters
    ----------
    reliance : Reliance

    Returns
    -------
    Machines
    """
    network = reliance.network
    count = len(network.assets)
    feeds = _left(reliance)
    behind = sp.csr_array(feeds.assets @ reliance.closed)
    feeds_of: dict[int, list[int]] = {}
    for feed, user in enumerate(feeds.user.tolist()):
        feeds_of.setdefault(user, []).append(feed)
    users = _needed(reliance, feeds_of, behind)
    contents = [
        tuple(feeds.assets.indices[low:high].tolist())
        for low, high in pairwise(feeds.assets.indptr)
    ]
    alike: dict[frozenset[tuple[int, ...]], list[int]] = {}
    for user in users:
        alike.setdefault(frozenset(contents[feed] for feed in feeds_of[user]), []).append(user)
    rows: list[int] = []
    feeds_in: list[list[int]] = []
    for mine in alike.values():
        own = {contents[feed]: feed for feed in feeds_of[mine[0]]}
        feeds_in.append(list(range(len(rows), len(rows) + len(own))))
        rows += own.values()
    machine = np.repeat(np.arange(len(alike)), [len(mine) for mine in alike.values()])
    member = boolean(
        np.array([user for mine in alike.values() for user in mine], np.int64),
        machine.astype(np.int64),
        (count, len(alike)),
    )
    behind = sp.csr_array(behind[np.array(rows, np.int64)])
    return Machines(
        list(alike.values()),
        sp.csr_array(reliance.along @ sp.csr_array(reliance.links[:, :count] @ member)),
        feeds_in,
        behind,
        sp.csr_array(behind @ member),
    )


def _left(reliance: Reliance) -> Feeds:
    """Feeds that are not out of service, of assets with several feeds."""
    network, feeds = reliance.network, reliance.feeds
    out = network.assets.numbers(network.study.out)
    down = np.zeros(len(network.assets), dtype=np.bool_)
    if (out >= 0).any():
        event = boolean(np.zeros(len(out), np.int64), out, (1, len(network.assets)))
        down[falls(reliance, event).indices] = True
    feeds = feeds.kept(~feeds.hit(down))
    return feeds.kept(feeds.of_user[feeds.user] > 1)


def _needed(
    reliance: Reliance, feeds_of: Mapping[int, list[int]], behind: sp.csr_array
) -> list[int]:
    """Users of several feeds that a link relies on, or that stand behind the feeds of such."""
    several = np.array(sorted(feeds_of), dtype=np.int64)
    relied = sp.csc_array(reliance.links[:, several])
    waiting = several[np.diff(relied.indptr) > 0].tolist()
    found = set(waiting)
    while waiting:
        for feed in feeds_of[waiting.pop()]:
            for asset in csr_row(behind, feed).tolist():
                if asset in feeds_of and asset not in found:
                    found.add(asset)
                    waiting.append(asset)
    return sorted(found)


@dataclass(frozen=True)
class Behind:
    """What stands behind one feed of a machine, without what all feeds of it share."""

    things: frozenset[int]
    machines: frozenset[int]


@dataclass(frozen=True)
class Taken:
    """What some machines take of some paths, worked out over all states of what feeds them.

    Attributes
    ----------
    fed : Fed
    blocks : list of list of int
        Things of each thing of `fed`: they stand in series.
    machines : frozenset of int
    """

    fed: Fed
    blocks: list[list[int]]
    machines: frozenset[int]


@dataclass
class Redundancy:
    """Machines with several feeds over classes of assets.

    Attributes
    ----------
    down : ndarray of float, shape (classes,)
    behind : list of list of Behind
        Per machine, its feeds.
    cluster : ndarray of int, shape (machines,)
        Machines of two clusters have nothing in common that can fail.
    of_thing : csr_array of bool, shape (classes, clusters)
    """

    down: Floats
    behind: list[list[Behind]]
    cluster: Ints
    of_thing: sp.csr_array
    _known: dict[object, list[Taken | None]] = field(default_factory=dict)

    @cached_property
    def things_of(self) -> list[frozenset[int]]:
        """Classes behind the machines of each cluster."""
        by_cluster = sp.csc_array(self.of_thing)
        return [
            frozenset(by_cluster.indices[low:high].tolist())
            for low, high in pairwise(by_cluster.indptr)
        ]

    def alone(self, machine: int) -> tuple[float | None, dict[int, float]]:
        """Compute how much of the time a machine is down while all that its feeds share is up.

        Parameters
        ----------
        machine : int

        Returns
        -------
        probability : float or None
            None: too much feeds it to enumerate every state.
        importance : dict of int to float
            Birnbaum's importance of each class for that.
        """
        feeds = self.behind[machine]
        parts = [one.things for one in feeds]
        if not any(one.machines for one in feeds) and _disjoint(parts):
            return self._in_parallel(parts)
        taken = self._enumerated({machine: 1}, {})
        if taken is None:
            return None, {}
        dark = (taken.fed.part.takes > 0).astype(np.float64)
        return float(dark @ taken.fed.part.probability), self.importance(taken, dark)

    def _in_parallel(self, feeds: list[frozenset[int]]) -> tuple[float, dict[int, float]]:
        """The same where the feeds have nothing in common, which is the usual case."""
        up = [float(np.prod([1 - self.down[thing] for thing in feed])) for feed in feeds]
        lost = [self._series_down(feed) for feed in feeds]
        brings = {}
        for place, feed in enumerate(feeds):
            others = float(np.prod([one for at, one in enumerate(lost) if at != place]))
            for thing in feed:
                brings[thing] = others * up[place] / (1 - self.down[thing])
        return float(np.prod(lost)), brings

    def _series_down(self, things: Iterable[int]) -> float:
        return float(-np.expm1(np.sum(np.log1p(-self.down[sorted(things)]))))

    def taken(self, takes: Mapping[int, int], direct: Mapping[int, int]) -> list[Taken | None]:
        """Enumerate what machines and the things behind them take of some paths.

        Parameters
        ----------
        takes : mapping of int to int
            Machines that the paths rely on, with the set of these paths as bits.
        direct : mapping of int to int
            Things that paths rely on besides, whatever they feed.

        Returns
        -------
        list of Taken or None
            In independent parts. None: too many things to enumerate every state. A thing is left
            out that takes by itself every path that it could take through a machine.
        """
        key = (tuple(sorted(takes.items())), tuple(sorted(direct.items())))
        if key not in self._known:
            self._known[key] = [
                self._enumerated(part, direct) for part in self._apart(takes, direct)
            ]
        return self._known[key]

    def _apart(self, takes: Mapping[int, int], direct: Mapping[int, int]) -> list[dict[int, int]]:
        """Group machines whose feeds have something in common that can decide the outcome."""
        groups: list[tuple[set[tuple[str, int]], dict[int, int]]] = []
        touches = self._touches(self._reach(takes))
        for machine, mask in takes.items():
            reached = self._reach({machine: mask})
            behind = {("machine", one) for one in reached}
            behind |= {
                ("thing", thing)
                for one in reached
                for feed in self.behind[one]
                for thing in feed.things
                if touches[thing] & ~direct.get(thing, 0)
            }
            mine = {machine: mask}
            rest = []
            for known, others in groups:
                if known & behind:
                    behind |= known
                    mine |= others
                else:
                    rest.append((known, others))
            groups = [*rest, (behind, mine)]
        return [mine for _, mine in groups]

    def _touches(self, reach: Mapping[int, int]) -> dict[int, int]:
        """Paths that each thing could take through machines."""
        touches: dict[int, int] = {}
        for machine, mask in reach.items():
            for feed in self.behind[machine]:
                for thing in feed.things:
                    touches[thing] = touches.get(thing, 0) | mask
        return touches

    def _enumerated(self, takes: Mapping[int, int], direct: Mapping[int, int]) -> Taken | None:
        reach = self._reach(takes)
        machines = sorted(reach)
        place = {machine: at for at, machine in enumerate(machines)}
        feeds = [(machine, one) for machine in machines for one in self.behind[machine]]
        on: dict[int, list[int]] = {}
        touches = self._touches(reach)
        for row, (_, one) in enumerate(feeds):
            for thing in one.things:
                on.setdefault(thing, []).append(row)
        blocks: dict[tuple[tuple[int, ...], int], list[int]] = {}
        for thing in sorted(on):
            own = direct.get(thing, 0)
            if touches[thing] & ~own:
                blocks.setdefault((tuple(on[thing]), own), []).append(thing)
        if len(blocks) > GREATEST_THINGS:
            return None
        bits = [0] * len(feeds)
        for bit, (rows, _) in enumerate(blocks):
            for row in rows:
                bits[row] |= 1 << bit
        fed = fed_machines(
            [self._series_down(things) for things in blocks.values()],
            [
                Feed(place[machine], bits[row], sum(1 << place[other] for other in one.machines))
                for row, (machine, one) in enumerate(feeds)
            ],
            [own for _, own in blocks],
            [takes.get(machine, 0) for machine in machines],
        )
        return Taken(fed, list(blocks.values()), frozenset(takes))

    def _reach(self, takes: Mapping[int, int]) -> dict[int, int]:
        """Paths that each machine could take, through others that hang on it as well."""
        reach = dict(takes)
        waiting = list(takes)
        while waiting:
            machine = waiting.pop()
            for feed in self.behind[machine]:
                for other in feed.machines:
                    grown = reach.get(other, 0) | reach[machine]
                    if other not in reach or grown != reach[other]:
                        reach[other] = grown
                        waiting.append(other)
        return reach

    def importance(self, taken: Taken, given: Floats) -> dict[int, float]:
        """Compute Birnbaum's importance of each class behind machines.

        Parameters
        ----------
        taken : Taken
        given : ndarray of float, shape (outcomes,)
            Value of each outcome of `taken.fed`.

        Returns
        -------
        dict of int to float
            By class.
        """
        found = {}
        brings = birnbaum_fed(taken.fed, given)
        for things, block in zip(taken.blocks, brings, strict=True):
            up = float(np.prod([1 - self.down[thing] for thing in things]))
            for thing in things:
                found[thing] = block * up / (1 - self.down[thing])
        return found


def redundancy(machines: Machines, by_class: sp.csr_array, down: Floats) -> Redundancy:
    """Map machines with several feeds onto the classes of assets behind them.

    Parameters
    ----------
    machines : Machines
    by_class : csr_array of bool, shape (feeds, classes)
        Classes that each feed relies on.
    down : ndarray of float, shape (classes,)
        Classes that are never down count as nothing.

    Returns
    -------
    Redundancy
    """
    failing = down > 0
    behind = []
    for rows in machines.feeds:
        things = [set(_row(by_class, row, failing)) for row in rows]
        others = [set(_row(machines.hangs, row)) for row in rows]
        shared, relied = set.intersection(*things), set.intersection(*others)
        behind.append(
            [
                Behind(frozenset(one - shared), frozenset(other - relied))
                for one, other in zip(things, others, strict=True)
            ]
        )
    cluster, count = _clusters(behind, len(down))
    thing = [
        (one, int(cluster[machine]))
        for machine, feeds in enumerate(behind)
        for feed in feeds
        for one in feed.things
    ]
    table = np.array(thing, dtype=np.int64).reshape(-1, 2)
    return Redundancy(
        down, behind, cluster, boolean(table[:, 0], table[:, 1], (len(down), max(count, 1)))
    )


def _row(matrix: sp.csr_array, row: int, keep: Bools | None = None) -> list[int]:
    found = csr_row(matrix, row)
    listed: list[int] = (found if keep is None else found[keep[found]]).tolist()
    return listed


def _disjoint(sets: list[frozenset[int]]) -> bool:
    return len(frozenset().union(*sets)) == sum(len(one) for one in sets)


def _clusters(behind: list[list[Behind]], classes: int) -> tuple[Ints, int]:
    """Put machines together that have a thing or a machine behind them in common."""
    pairs = [
        (machine, other)
        for machine, feeds in enumerate(behind)
        for feed in feeds
        for other in (*(len(behind) + thing for thing in feed.things), *feed.machines)
    ]
    if not pairs:
        return np.arange(len(behind), dtype=np.int64), len(behind)
    table = np.array(pairs, dtype=np.int64)
    size = len(behind) + classes
    _, label = connected_components(boolean(table[:, 0], table[:, 1], (size, size)), directed=False)
    numbers, of = np.unique(label[: len(behind)], return_inverse=True)
    return of.astype(np.int64), len(numbers)
