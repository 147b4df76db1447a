"""What keeps up an asset that any one of several supplies can feed, and what goes dark."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Bools, Ints, boolean
from waysapart.errors import Problem, StudyError
from waysapart.network.supplies import FEEDING, fed_by
from waysapart.reliance.closure import close, union, without

if TYPE_CHECKING:
    from waysapart.network.tie import Network

MOST_ROUTES = 10_000
"""Routes of feeding looked at for one supply: far more than any board has."""


@dataclass(frozen=True)
class Feeds:
    """Ways in which equipment and supplies are fed; any one of its feeds keeps an asset up.

    A feed is one supply. Where supplies feed each other in a loop (two boards with a tie
    between them), a feed is the supplies on the way from one outside the loop, all of which
    must be up: a loop that nothing feeds from outside is dead.

    Attributes
    ----------
    user : ndarray of int, shape (feeds,)
        The asset that each feed keeps up.
    assets : csr_array of bool, shape (feeds, assets)
        The supplies of each feed.
    """

    user: Ints
    assets: sp.csr_array

    def __len__(self) -> int:
        return len(self.user)

    @cached_property
    def of_user(self) -> Ints:
        """How many feeds each asset has: shape (assets,)."""
        return np.bincount(self.user, minlength=self.assets.shape[1]).astype(np.int64)

    @cached_property
    def owner(self) -> sp.csr_array:
        """Which feed is whose: int32, shape (feeds, assets)."""
        member = boolean(np.arange(len(self)), self.user, self.assets.shape)
        return sp.csr_array(member.astype(np.int32))

    def kept(self, keep: Bools) -> Feeds:
        """Some of the feeds."""
        return Feeds(self.user[keep], sp.csr_array(self.assets[np.flatnonzero(keep)]))

    def hit(self, fallen: Bools) -> Bools:
        """Feeds of which a supply has fallen."""
        return np.asarray(self.assets @ fallen, dtype=np.bool_)


def feeds_of(network: Network) -> Feeds:
    """Every feed on record, loops of supplies taken apart."""
    assets = network.assets
    fed = fed_by(network.study, assets)
    loop = _loops(fed, assets.of_role("supplies"))
    users: list[int] = []
    rows: list[int] = []
    columns: list[int] = []
    for user, supplies in fed.items():
        routes: list[tuple[int, ...]] = [(one,) for one in supplies]
        if user in loop:
            routes = _from_outside(user, fed, loop) or routes
        for route in routes:
            rows += [len(users)] * len(route)
            columns += route
            users.append(user)
    shape = (len(users), len(assets))
    of_feed = boolean(np.array(rows, np.int64), np.array(columns, np.int64), shape)
    return Feeds(np.array(users, np.int64), of_feed)


def go_dark(feeds: Feeds, back: sp.csr_array, fallen: sp.csr_array) -> sp.csr_array:
    """Add to what has fallen all that goes dark, and all that falls with it.

    Parameters
    ----------
    feeds : Feeds
    back : csr_array of bool, shape (assets, assets)
        Row takes column with it (`closed`, transposed).
    fallen : csr_array of bool, shape (events, assets)
        What has fallen in each event, `back` followed already.

    Returns
    -------
    csr_array of bool, shape (events, assets)
        The least set: an asset goes dark when each of its feeds has lost a supply.
    """
    while len(feeds):
        cut = sp.csr_array(fallen @ sp.csr_array(feeds.assets.T))
        lost = sp.csr_array(cut.astype(np.int32) @ feeds.owner).tocoo()
        dark = lost.data == feeds.of_user[lost.col]
        unfed = boolean(
            lost.row[dark].astype(np.int64), lost.col[dark].astype(np.int64), fallen.shape
        )
        if not without(unfed, fallen).nnz:
            break
        fallen = union(fallen, sp.csr_array(unfed @ back))
    return fallen


def living(feeds: Feeds, steps: sp.csr_array, out: Ints) -> Feeds:
    """Leave out feeds that what is out of service has taken; the others must do alone.

    An asset that has lost all of its feeds keeps them: it has fallen anyway.
    """
    out = out[out >= 0]
    if not len(out):
        return feeds
    back = sp.csr_array(close(steps).T)
    event = boolean(np.zeros(len(out), np.int64), out, (1, steps.shape[0]))
    fallen = np.zeros(steps.shape[0], dtype=np.bool_)
    fallen[go_dark(feeds, back, sp.csr_array(event @ back)).indices] = True
    alive = ~feeds.hit(fallen)
    left = np.bincount(feeds.user[alive], minlength=steps.shape[0])
    return feeds.kept(alive | (left[feeds.user] == 0))


def common(feeds: Feeds, closed: sp.csr_array) -> sp.csr_array:
    """What all feeds of an asset rely on: bool, shape (assets, assets)."""
    reached = sp.csr_array(feeds.assets @ closed)
    times = sp.csr_array(sp.csr_array(feeds.owner.T) @ reached.astype(np.int32)).tocoo()
    full = times.data == feeds.of_user[times.row]
    return boolean(times.row[full].astype(np.int64), times.col[full].astype(np.int64), closed.shape)


def _loops(fed: dict[int, tuple[int, ...]], supplies: slice) -> dict[int, int]:
    """Supplies that feed each other in a loop, with the number of the loop."""
    start, count = supplies.start, supplies.stop - supplies.start
    inner = [
        (user - start, one - start)
        for user, several in fed.items()
        if start <= user < supplies.stop
        for one in several
    ]
    if not inner:
        return {}
    row, column = np.array(inner, dtype=np.int64).T
    graph = boolean(row, column, (count, count))
    _, of = connected_components(graph, directed=True, connection="strong")
    size = np.bincount(of)
    itself = set(row[row == column].tolist())
    return {start + one: int(of[one]) for one in range(count) if size[of[one]] > 1 or one in itself}


def _from_outside(
    user: int, fed: dict[int, tuple[int, ...]], loop: dict[int, int]
) -> list[tuple[int, ...]]:
    """The least sets of supplies that lead from outside a loop to one of its members."""
    found: list[frozenset[int]] = []
    ahead = deque([(user, frozenset({user}))])
    looked = 0
    while ahead:
        at, passed = ahead.popleft()
        for one in fed.get(at, ()):
            looked += 1
            if looked > MOST_ROUTES:
                raise StudyError([Problem(FEEDING)])
            route = (passed | {one}) - {user}
            if one in passed or any(known <= route for known in found):
                continue
            if loop.get(one) == loop[user]:
                ahead.append((one, passed | {one}))
            else:
                found.append(route)
    return [tuple(sorted(route)) for route in found]
