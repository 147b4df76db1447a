"""Work out what every link, path and circuit end relies on, and what an event puts out of service.

`rely` makes the matrices; `falls` and `paths_lost` follow an event through them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools, Ints, boolean, owners
from waysapart.network.build_network import Network
from waysapart.network.hazards import radio_in_hazards
from waysapart.reliance.closure import Classes, close, column_classes, union
from waysapart.reliance.direct import (
    Feeds,
    feeds_of,
    go_dark,
    holder_steps,
    in_full,
    named,
    part_items,
    works,
)


@dataclass(frozen=True)
class Reliance:
    """Who relies on what; columns are assets, and after them the links themselves.

    A link has entries in its own column only where it is a hop without cables
    that names nothing it relies on: two paths over it share the hop.

    Attributes
    ----------
    network : Network
        The tied study.
    steps : csr_array of bool, shape (assets, assets)
        From an asset to its holders and to the hazards that put it out of service.
    works : csr_array of bool, shape (assets, assets)
        From equipment, supplies and joints to what must work for them.
    feeds : Feeds
        Assets that any one of several supplies can feed, whatever is out of service.
    closed : csr_array of bool, shape (assets, assets)
        The row falls when the column falls, at any depth.
    parts : csr_array of bool, shape (parts, assets)
        Cables, joints, segments and structures of each stretch of cable.
    link_items, links : csr_array of bool, shape (links, assets + links)
        What a link uses directly; everything that it relies on.
    along : csr_array of bool, shape (paths, links)
        Links of every path.
    ends : csr_array of bool, shape (circuits, assets + links)
        What a circuit's two end equipments rely on by themselves.
    end_sites : csr_array of bool, shape (circuits, assets + links)
        The sites where a circuit ends, what they lie within and the hazards of both.
    """

    network: Network
    steps: sp.csr_array
    works: sp.csr_array
    feeds: Feeds
    closed: sp.csr_array
    parts: sp.csr_array
    link_items: sp.csr_array
    links: sp.csr_array
    along: sp.csr_array
    ends: sp.csr_array
    end_sites: sp.csr_array

    @cached_property
    def path_items(self) -> sp.csr_array:
        """What every path uses directly, shape (paths, assets + links)."""
        return sp.csr_array(self.along @ self.link_items)

    @cached_property
    def paths(self) -> sp.csr_array:
        """Everything that every path relies on, shape (paths, assets + links).

        It has an entry for each asset of each path; `classes` answers most questions with less.
        """
        return sp.csr_array(self.along @ self.links)

    @cached_property
    def classes(self) -> Classes:
        """Classes of assets on which the same links rely."""
        return column_classes(self.links)

    @cached_property
    def path_classes(self) -> sp.csr_array:
        """Classes of assets on which every path relies, shape (paths, classes)."""
        return sp.csr_array(self.along @ self.links[:, self.classes.first])

    @cached_property
    def relied_count(self) -> Ints:
        """Number of assets on which every path relies, shape (paths,)."""
        sizes = np.diff(self.classes.members.indptr)
        return np.asarray(self.path_classes.astype(np.int64) @ sizes, dtype=np.int64)


def rely(network: Network) -> Reliance:
    """Work out what every path of a tied study relies on.

    Parameters
    ----------
    network : Network
        From `tie`.

    Returns
    -------
    Reliance

    Raises
    ------
    StudyError
        Assets need each other in chains too long to follow, or a loop of supplies has too many
        routes.

    Notes
    -----
    Boolean sparse products throughout; time grows with the entries of the result.
    """
    parts = part_items(network)
    steps = holder_steps(network)
    full = in_full(network, parts)
    feeds = feeds_of(network)
    needed = works(network, full, feeds)
    closed = close(union(steps, needed))
    link_items = _link_items(network, parts, full)
    links = _spread(link_items, closed)
    return Reliance(
        network,
        steps,
        needed,
        feeds,
        closed,
        parts,
        link_items,
        links,
        _path_links(network),
        _ends(network, closed, network.study.tables["equipment"]["id"]),
        _ends(network, closed, network.study.tables["equipment"]["site"]),
    )


def _spread(items: sp.csr_array, closed: sp.csr_array) -> sp.csr_array:
    """Add to items (assets, then links) everything on which the assets among them rely."""
    count = closed.shape[0]
    return sp.csr_array(
        sp.hstack([items[:, :count] @ closed, items[:, count:]], format="csr"), dtype=np.bool_
    )


def _link_items(network: Network, parts: sp.csr_array, full: sp.csr_array) -> sp.csr_array:
    assets, links = network.assets, network.study.tables["links"]
    count, wide = len(links), len(assets)
    number = np.arange(count)
    via_row, via = named(network, "links", "via")
    equipment = boolean(
        np.r_[number, number, via_row],
        np.r_[assets.numbers(links["a"]), assets.numbers(links["b"]), via],
        (count, wide),
    )
    pieces = network.pieces
    stretches = boolean(pieces.link, pieces.part, (count, parts.shape[0]))
    row, column = named(network, "links", "relies_on")
    stated = boolean(row, column, (count, wide))
    items = union(
        equipment,
        sp.csr_array(stretches @ parts),
        sp.csr_array(stated @ full),
        _unlisted_joints(network, (count, wide)),
        radio_in_hazards(network.study, assets),
    )
    bare = (np.diff(stretches.indptr) == 0) & (np.diff(stated.indptr) == 0)
    bare &= (links["medium"].fillna("fibre") != "fibre").to_numpy()
    alone = np.flatnonzero(bare)
    return sp.csr_array(
        sp.hstack([items, boolean(alone, alone, (count, count))], format="csr"), dtype=np.bool_
    )


def _unlisted_joints(network: Network, shape: tuple[int, int]) -> sp.csr_array:
    """Joints that list no cables, of links that change cable at their place."""
    joints = network.study.tables["joints"]
    blank = np.flatnonzero(joints["cables"].isna().to_numpy())
    pieces, parts = network.pieces, network.parts
    if not len(blank) or not len(parts.entry):
        return sp.csr_array(shape, dtype=np.bool_)
    at = network.assets.numbers(joints["at"])[blank]
    filled = np.diff(parts.first) > 0
    begin = np.where(filled, parts.entry[np.minimum(parts.first[:-1], len(parts.entry) - 1)], -1)
    end = np.where(filled, parts.exit[parts.first[1:] - 1], -1)
    leaves = np.where(pieces.reversed, begin[pieces.part], end[pieces.part])
    enters = np.where(pieces.reversed, end[pieces.part], begin[pieces.part])
    onward = (
        (pieces.link[1:] == pieces.link[:-1])
        & (pieces.way[1:] == pieces.way[:-1])
        & (leaves[:-1] == enters[1:])
    )
    link, node = pieces.link[:-1][onward], leaves[:-1][onward]
    by_place = boolean(link, node, (shape[0], shape[1]))
    joint_at = boolean(at, network.assets.start["joints"] + blank, (shape[1], shape[1]))
    return sp.csr_array(by_place @ joint_at)


def _path_links(network: Network) -> sp.csr_array:
    paths = network.paths
    rows = owners(paths.first)
    return boolean(rows, paths.link, (len(paths), len(network.study.tables["links"])))


def _ends(network: Network, closed: sp.csr_array, stands_for: pd.Series[str]) -> sp.csr_array:
    """What both ends of each circuit rely on; `stands_for` names one asset per equipment."""
    circuits = network.study.tables["circuits"]
    number = np.arange(len(circuits))
    first = network.assets.start["equipment"]
    of_machine = network.assets.numbers(stands_for)
    machines = [network.assets.numbers(circuits[end]) - first for end in ("a", "b")]
    ends = boolean(
        np.r_[number, number],
        np.concatenate([np.where(one >= 0, of_machine[np.maximum(one, 0)], -1) for one in machines])
        if len(of_machine)
        else np.full(2 * len(number), -1),
        (len(circuits), len(network.assets)),
    )
    nothing = sp.csr_array((len(circuits), len(network.study.tables["links"])), dtype=np.bool_)
    return sp.csr_array(sp.hstack([ends @ closed, nothing], format="csr"), dtype=np.bool_)


def falls(reliance: Reliance, events: sp.csr_array, already: Bools | None = None) -> sp.csr_array:
    """Find the assets that fall in each event, by what they rely on.

    Parameters
    ----------
    reliance : Reliance
    events : csr_array of bool, shape (events, assets)
        What each event puts out of service directly.
    already : ndarray of bool, shape (assets,), optional
        Assets that are down before any of the events (from `falls`): supplies
        among them feed nothing.

    Returns
    -------
    csr_array of bool, shape (events, assets)
        With everything that relies on what the event puts out of service. An asset with feeds
        falls when all of them have fallen, even if no single asset is common to them. What is
        down already is not added.
    """
    back = sp.csr_array(reliance.closed.T)
    feeds = reliance.feeds
    if already is not None:
        feeds = feeds.kept(~feeds.hit(already) & ~already[feeds.user])
    return go_dark(feeds, back, sp.csr_array(events.astype(np.bool_) @ back))


def paths_lost(reliance: Reliance, fallen: sp.csr_array) -> sp.csr_array:
    """Find the paths lost in each event.

    Parameters
    ----------
    reliance : Reliance
    fallen : csr_array of bool, shape (events, assets)
        What falls in each event, from `falls`.

    Returns
    -------
    csr_array of bool, shape (events, paths)
    """
    count = len(reliance.network.assets)
    links = sp.csr_array(fallen @ sp.csr_array(reliance.link_items[:, :count].T))
    return sp.csr_array(links @ sp.csr_array(reliance.along.T))
