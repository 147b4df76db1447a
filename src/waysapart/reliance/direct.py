"""What stretches of cable, links, equipment and supplies rely on directly, clause by clause.

The functions return boolean matrices (`holder_steps`, `part_items`, `in_full`, `works`) and feeds
(`feeds_of`): any one of several supplies keeps an asset up, so that it relies only on what all of
its feeds have in common. `go_dark` finds what loses its last feed.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Bools, Ints, boolean, expand, owners
from waysapart.errors import Problem, StudyError
from waysapart.network.assets import FEEDING, fed_by, listed
from waysapart.network.build_network import Network
from waysapart.reliance.closure import both, close, union, without

MOST_ROUTES = 10_000
"""Routes of feeding examined for one supply: far more than any board has."""


def holder_steps(network: Network) -> sp.csr_array:
    """Lead from each asset to what it lies directly within and to its hazards.

    Parameters
    ----------
    network : Network

    Returns
    -------
    csr_array of bool, shape (assets, assets)
    """
    return union(network.within, network.hazards)


def part_items(network: Network) -> sp.csr_array:
    """Find the cables, joints, segments, ends and passed structures of every stretch of cable.

    A stretch of a cable without runs of its own relies on the same stretch of its carrier; a
    carried cable with runs of its own relies on the whole of its carrier.

    Parameters
    ----------
    network : Network

    Returns
    -------
    csr_array of bool, shape (parts, assets)
    """
    own = _own_items(network)
    parts, chains = network.parts, network.chains
    cables = len(chains.carrier)
    # A part of a cable need not reach the stretch where its route is not certain.
    nowhere = sp.csr_array((own.shape[0] - cables, own.shape[1]), dtype=np.bool_)
    own = union(own, sp.csr_array(sp.vstack([network.common, nowhere], format="csr")))
    rows = np.flatnonzero(chains.carrier >= 0)
    carried = close(boolean(rows, chains.carrier[rows], (cables, cables)))
    whole = sp.csr_array(carried @ own[:cables])
    if len(parts.cable) == cables:
        return whole
    partial = own[cables:]
    row, column = [], []
    extra = sp.csr_array(partial.shape, dtype=np.bool_)
    joints_on = _JointsOn(network)
    for place, number in enumerate(range(cables, len(parts.cable))):
        cable = int(parts.cable[number])
        nodes = _part_nodes(network, number)
        while chains.carrier[cable] >= 0:
            carrier = int(chains.carrier[cable])
            if not chains.follows[cable]:
                lead = boolean(np.array([place]), np.array([carrier]), (partial.shape[0], cables))
                extra = union(extra, sp.csr_array(lead @ whole))
                break
            column.append(network.assets.start["cables"] + carrier)
            row.append(place)
            joints = joints_on(carrier, nodes)
            column += joints
            row += [place] * len(joints)
            cable = carrier
    followed = boolean(np.array(row, np.int64), np.array(column, np.int64), partial.shape)
    return sp.csr_array(sp.vstack([whole, union(partial, followed, extra)], format="csr"))


def _own_items(network: Network) -> sp.csr_array:
    """Items of every stretch, without those of carriers."""
    parts, assets, passed = network.parts, network.assets, network.passed
    count = len(parts.cable)
    rows = owners(parts.first)
    low, high = np.minimum(parts.start, parts.stop), np.maximum(parts.start, parts.stop)
    begin = np.searchsorted(passed.segment, parts.segment)
    several = np.searchsorted(passed.segment, parts.segment, side="right") - begin
    owner, passes = expand(begin, several)
    fraction = passed.fraction[passes]
    between = (fraction > low[owner]) & (fraction < high[owner])
    joint_part, joint = _joints_of_parts(network)
    return boolean(
        np.r_[rows, rows, rows, rows[owner[between]], np.arange(count), joint_part],
        np.r_[
            assets.start["segments"] + parts.segment,
            parts.entry,
            parts.exit,
            passed.structure[passes[between]],
            assets.start["cables"] + parts.cable,
            joint,
        ],
        (count, len(assets)),
    )


def _joint_cables(network: Network) -> tuple[Ints, Ints]:
    """Joint (asset number) and cable number of every cable that a joint lists."""
    joints = network.study.tables["joints"]
    row, name = listed(joints["cables"])
    return (
        network.assets.start["joints"] + row,
        network.assets.numbers(name) - network.assets.start["cables"],
    )


def _joints_of_parts(network: Network) -> tuple[Ints, Ints]:
    joint, cable = _joint_cables(network)
    part, found = [cable], [joint]
    joints_on = _JointsOn(network)
    for number in range(len(network.chains.carrier), len(network.parts.cable)):
        mine = joints_on(int(network.parts.cable[number]), _part_nodes(network, number))
        part.append(np.full(len(mine), number))
        found.append(np.array(mine, dtype=np.int64))
    return np.concatenate(part), np.concatenate(found)


def _part_nodes(network: Network, part: int) -> set[int]:
    parts = network.parts
    rows = slice(int(parts.first[part]), int(parts.first[part + 1]))
    return _nodes(
        network,
        parts.segment[rows],
        parts.entry[rows],
        parts.exit[rows],
        parts.start[rows],
        parts.stop[rows],
    )


def _nodes(
    network: Network, segment: Ints, entry: Ints, exit_: Ints, start: np.ndarray, stop: np.ndarray
) -> set[int]:
    passed = network.passed
    found = set(entry.tolist()) | set(exit_.tolist())
    for number, one, other in zip(segment, start, stop, strict=True):
        low, high = np.searchsorted(passed.segment, [number, number + 1])
        at = passed.fraction[low:high]
        on_it = (at > min(one, other)) & (at < max(one, other))
        found |= set(passed.structure[low:high][on_it].tolist())
    return found


class _JointsOn:
    """Joints of a cable that lie on the given nodes, or nowhere on the cable's chain."""

    def __init__(self, network: Network) -> None:
        self._network = network
        joint, cable = _joint_cables(network)
        at = network.assets.numbers(network.study.tables["joints"]["at"])
        place = at[joint - network.assets.start["joints"]]
        self._of: dict[int, list[tuple[int, int]]] = {}
        for number, one, node in zip(joint.tolist(), cable.tolist(), place.tolist(), strict=True):
            self._of.setdefault(one, []).append((number, node))
        self._along: dict[int, set[int]] = {}

    def __call__(self, cable: int, nodes: set[int]) -> list[int]:
        mine = self._of.get(cable, ())
        if not mine:
            return []
        if cable not in self._along:
            self._along[cable] = self._nodes_along(cable)
        along = self._along[cable]
        return [joint for joint, node in mine if node in nodes or node not in along]

    def _nodes_along(self, cable: int) -> set[int]:
        chains = self._network.chains
        rows = chains.rows(cable)
        return _nodes(
            self._network,
            chains.segment[rows],
            chains.entry[rows],
            chains.exit[rows],
            chains.start[rows],
            chains.stop[rows],
        )


def _whole_segments(network: Network) -> sp.csr_array:
    """Find a segment, its ends and the structures that it passes: shape (segments, assets)."""
    ends, passed, assets = network.ends, network.passed, network.assets
    number = np.arange(len(ends.a))
    return boolean(
        np.r_[number, number, number, passed.segment],
        np.r_[assets.start["segments"] + number, ends.a, ends.b, passed.structure],
        (len(number), len(assets)),
    )


def in_full(network: Network, parts: sp.csr_array) -> sp.csr_array:
    """State what relying on an asset that a list names means directly.

    A segment stands for itself, its ends and the structures that it passes, a cable for its whole
    course, any other asset for itself.

    Parameters
    ----------
    network : Network
    parts : csr_array of bool, shape (parts, assets)
        From `part_items`.

    Returns
    -------
    csr_array of bool, shape (assets, assets)
    """
    assets = network.assets
    itself = sp.csr_array(sp.eye_array(len(assets), dtype=np.bool_, format="csr"))
    blocks = []
    for role, start in assets.start.items():
        taken = assets.of_role(role)
        if role == "segments":
            blocks.append(_whole_segments(network))
        elif role == "cables":
            blocks.append(parts[: taken.stop - start])
        else:
            blocks.append(itself[taken])
    return sp.csr_array(sp.vstack(blocks, format="csr"))


def named(network: Network, role: str, column: str) -> tuple[Ints, Ints]:
    """Look up the assets that a list column names.

    Parameters
    ----------
    network : Network
    role : str
    column : str

    Returns
    -------
    rows : ndarray of int, shape (entries,)
        Position in the table of the role.
    assets : ndarray of int, shape (entries,)
        Numbers; -1 where an id is unknown.
    """
    row, name = listed(network.study.tables[role][column])
    return row, network.assets.numbers(name)


def works(network: Network, full: sp.csr_array, feeds: Feeds) -> sp.csr_array:
    """Lead from equipment, supplies and joints to what must work for them.

    That is their site or the place of a joint, their needs, and what all feeds of an asset have in
    common.

    Parameters
    ----------
    network : Network
    full : csr_array of bool, shape (assets, assets)
        From `in_full`.
    feeds : Feeds

    Returns
    -------
    csr_array of bool, shape (assets, assets)
    """
    assets, tables = network.assets, network.study.tables
    shape = (len(assets), len(assets))
    row, column = [], []
    for role, place in (("equipment", "site"), ("supplies", "site"), ("joints", "at")):
        row.append(assets.start[role] + np.arange(len(tables[role])))
        column.append(assets.numbers(tables[role][place]))
    fixed = boolean(np.concatenate(row), np.concatenate(column), shape)
    for role in ("equipment", "supplies"):
        needing, needed = named(network, role, "needs")
        lead = boolean(assets.start[role] + needing, needed, shape)
        fixed = union(fixed, sp.csr_array(lead @ full))
    return union(fixed, _common_supply(network, fixed, feeds))


def _common_supply(network: Network, fixed: sp.csr_array, feeds: Feeds) -> sp.csr_array:
    """What all feeds of an asset rely on, without what follows from something else in it.

    It is the least fixed point: supplies may need equipment that has supplies, and be fed by
    others.
    """
    steps = union(holder_steps(network), fixed)
    feeds = living(feeds, steps, network.assets.numbers(network.study.out))
    shared = sp.csr_array(fixed.shape, dtype=np.bool_)
    while len(feeds):
        closed = close(union(steps, shared))
        grown = common(feeds, closed)
        if grown.nnz == shared.nnz:
            return _sources(grown, steps, closed)
        shared = grown
    return shared


def _sources(shared: sp.csr_array, steps: sp.csr_array, closed: sp.csr_array) -> sp.csr_array:
    """Leave out of `shared` what follows from something else in it, so that chains are short."""
    sources = without(shared, sp.csr_array(shared @ steps))
    covered = both(sp.csr_array(sources @ closed), shared)
    return sources if covered.nnz == shared.nnz else shared


@dataclass(frozen=True)
class Feeds:
    """Feeds of equipment and supplies; any one of its feeds keeps an asset up.

    A feed is one supply. Where supplies feed each other in a loop (two boards with a tie between
    them), a feed is a route of supplies from outside the loop, all of which must be up: a loop
    that is not fed from outside is dead.

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
        """Number of feeds of each asset, shape (assets,)."""
        return np.bincount(self.user, minlength=self.assets.shape[1]).astype(np.int64)

    @cached_property
    def owner(self) -> sp.csr_array:
        """1 in the column of each feed's user: int32, shape (feeds, assets)."""
        member = boolean(np.arange(len(self)), self.user, self.assets.shape)
        return sp.csr_array(member.astype(np.int32))

    def kept(self, keep: Bools) -> Feeds:
        """Select some of the feeds.

        Parameters
        ----------
        keep : ndarray of bool, shape (feeds,)

        Returns
        -------
        Feeds
        """
        return Feeds(self.user[keep], sp.csr_array(self.assets[np.flatnonzero(keep)]))

    def hit(self, fallen: Bools) -> Bools:
        """Find the feeds of which a supply has fallen.

        Parameters
        ----------
        fallen : ndarray of bool, shape (assets,)

        Returns
        -------
        ndarray of bool, shape (feeds,)
        """
        return np.asarray(self.assets @ fallen, dtype=np.bool_)


def feeds_of(network: Network) -> Feeds:
    """List every feed on record, with loops of supplies resolved into routes.

    Parameters
    ----------
    network : Network

    Returns
    -------
    Feeds

    Raises
    ------
    StudyError
        A loop of supplies has more than `MOST_ROUTES` routes.
    """
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
    """Add to what has fallen all that loses its last feed, and all that falls with it.

    Parameters
    ----------
    feeds : Feeds
    back : csr_array of bool, shape (assets, assets)
        Column falls when row falls (`closed`, transposed).
    fallen : csr_array of bool, shape (events, assets)
        What has fallen in each event, with all that follows by `back`.

    Returns
    -------
    csr_array of bool, shape (events, assets)
        The least set: an asset falls when each of its feeds has lost a supply.
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
    """Leave out the feeds that are lost to what is out of service.

    An asset that has lost all of its feeds keeps them: it has fallen anyway.

    Parameters
    ----------
    feeds : Feeds
    steps : csr_array of bool, shape (assets, assets)
        Row relies directly on column.
    out : ndarray of int
        Asset numbers of what is out of service; -1 is ignored.

    Returns
    -------
    Feeds
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
    """Find what all feeds of an asset rely on.

    Parameters
    ----------
    feeds : Feeds
    closed : csr_array of bool, shape (assets, assets)
        Row relies on column, at any depth.

    Returns
    -------
    csr_array of bool, shape (assets, assets)
    """
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
    """Smallest sets of supplies that connect a member of a loop to a supply outside it."""
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
