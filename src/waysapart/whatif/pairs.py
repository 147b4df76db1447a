"""Pairs of events that together lose what neither loses alone.

Events with the same effect form one class. A pair of classes stands for every pair of
their members, so that billions of pairs can be counted without being listed.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import TypedDict

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Ints, boolean, csr_row
from waysapart.reliance.closure import union
from waysapart.reliance.direct import Feeds
from waysapart.whatif.base import Base, every_asset, further, path_groups, paths_cut

MOST_IDS = 12
"""Events with the same effect are listed up to this number; `pairs` counts them all."""
_AT_ONCE = 20_000_000
"""Sums that are held in memory at a time."""
_GROUP = 1 << 24
"""Weight of a group beside that of a circuit, 1, so that one product counts both."""


class PairFacts(TypedDict):
    """Two events, what they lose together, and what does the same as each of them (`alike`)."""

    assets: list[str]
    lost: int
    groups_lost: int
    circuits: list[str]
    groups: list[str]
    pairs: int
    alike: list[list[str]]


class _PairRow(TypedDict):
    """One row of `Pairs.frame`."""

    a: list[str]
    b: list[str]
    pairs: int
    lost: int
    groups_lost: int
    circuits: list[str]
    groups: list[str]


@dataclass(frozen=True)
class Pairs:
    """The worst pairs of events.

    Attributes
    ----------
    frame : DataFrame
        One row per two classes: `a`, `b` (asset ids that do the same, listed
        in the order of assets), `pairs` (how many pairs of one of each lose
        these circuits), `lost`, `groups_lost` (numbers), `circuits`,
        `groups` (ids).
    count : int
        All pairs of events that together lose a circuit or group that neither
        loses alone, listed or not.
    """

    frame: pd.DataFrame
    count: int

    def facts(self) -> list[PairFacts]:
        """The pairs as plain data; `assets` is one pair of each row."""
        return [
            {
                "assets": [row["a"][0], row["b"][0]],
                "lost": int(row["lost"]),
                "groups_lost": int(row["groups_lost"]),
                "circuits": list(row["circuits"]),
                "groups": list(row["groups"]),
                "pairs": int(row["pairs"]),
                "alike": [list(row["a"][:MOST_IDS]), list(row["b"][:MOST_IDS])],
            }
            for row in self.frame.to_dict("records")
        ]


def worst_pairs(base: Base, cut: sp.csr_array, chosen: Ints, top: int) -> Pairs:
    """The pairs of events that lose the most circuits and groups together.

    Parameters
    ----------
    base : Base
    cut : csr_array of bool, shape (assets, paths)
        Paths that the loss of each asset cuts, from `contingency`.
    chosen : ndarray of int
        Circuits that count; groups with a member among them count as well.
    top : int
        At most so many rows.

    Returns
    -------
    Pairs
        By circuits lost, groups lost, number of pairs. Exact: a pair counts
        for a circuit when it leaves it without a path and neither event does
        so alone.

    Notes
    -----
    The paths of an owner that an event takes are a mask. An owner is lost to
    two events whose masks are full together, so each two such masks of an
    owner are a rectangle, events by events, and a sparse product over all
    rectangles counts how many owners each pair takes. Events that each take
    part of the supplies of one machine are followed anew. The cost is the
    number of pairs of classes, not of events; memory stays bounded.
    """
    owners = _owners(base, chosen)
    up = np.flatnonzero(~base.down)
    fallen = further(base, boolean(up, up, every_asset(base).shape))
    supplies = shared_supplies(base)
    classes = _classes(cut, sp.csr_array(fallen[:, supplies]), owners)
    left, right, owner = _rectangles(base, classes, owners)
    special = supply_pairs(base, classes, owners, sp.csr_array(fallen[classes.event]))
    best, count = _counted(classes, left, right, owner < owners.circuits, special, top)
    rows = [_row(base, classes, owners, (left, right, owner), special, one) for one in best]
    return Pairs(pd.DataFrame(rows, columns=_COLUMNS), count)


_COLUMNS = ["a", "b", "pairs", "lost", "groups_lost", "circuits", "groups"]


def _owners(base: Base, chosen: Ints) -> Owners:
    groups = base.trials[base.circuit_count :]
    counted = set(chosen.tolist())
    mine = [place for place, trial in enumerate(groups) if counted & set(trial.circuits)]
    paths = sp.csr_array(
        sp.hstack([base.path_circuits()[:, chosen], path_groups(base)[:, mine]], format="csr")
    )
    names = base.circuit_ids()
    ids = [names[circuit] for circuit in chosen.tolist()]
    return Owners(
        paths,
        np.asarray((~base.out).astype(np.int32) @ paths).astype(np.int64),
        ids + [groups[place].id for place in mine],
        len(chosen),
    )


def _classes(cut: sp.csr_array, supplies: sp.csr_array, owners: Owners) -> EventClasses:
    """Group events that cut the same paths of the owners and the same supplies."""
    counting = np.flatnonzero(np.diff(owners.paths.indptr))
    mine = boolean(counting, counting, (cut.shape[1], cut.shape[1]))
    cut = sp.csr_array(cut @ mine)
    acts = sp.csr_array(sp.hstack([cut, supplies], format="csr"))
    acts.sort_indices()
    kinds: dict[bytes, int] = {}
    of_event = np.full(acts.shape[0], -1, dtype=np.int64)
    event: list[int] = []
    for row in np.flatnonzero(np.diff(acts.indptr)).tolist():
        key = csr_row(acts, row).tobytes()
        number = kinds.setdefault(key, len(kinds))
        if number == len(event):
            event.append(row)
        of_event[row] = number
    leads = np.array(event, dtype=np.int64)
    size = np.bincount(of_event[of_event >= 0], minlength=len(leads)).astype(np.int64)
    return EventClasses(of_event, sp.csr_array(cut[leads]), size, leads)


def _rectangles(
    base: Base, classes: EventClasses, owners: Owners
) -> tuple[sp.csr_array, sp.csr_array, Ints]:
    """Sets of classes that lose an owner together, one of the left and one of the right.

    Returns
    -------
    left, right : csr_array of bool, shape (rectangles, classes)
    owner : ndarray of int, shape (rectangles,)
    """
    by_owner = sp.csc_array(owners.paths)
    taken = sp.csc_array(classes.cut)
    sides: list[tuple[np.ndarray, np.ndarray]] = []
    owner_of: list[int] = []
    for owner in np.flatnonzero(owners.running > 1).tolist():
        paths = csr_row(by_owner, owner)
        paths = paths[~base.out[paths]]
        mine = [csr_row(taken, path) for path in paths]
        touching, place = np.unique(np.concatenate(mine), return_inverse=True)
        mask = np.zeros(len(touching), dtype=np.int64)
        bits = np.repeat(np.arange(len(paths)), [len(one) for one in mine])
        np.bitwise_or.at(mask, place, np.int64(1) << bits)
        full = (1 << len(paths)) - 1
        masks = [int(one) for one in np.unique(mask) if one != full]
        for one, other in combinations(masks, 2):
            if one | other == full:
                sides.append((touching[mask == one], touching[mask == other]))
                owner_of.append(owner)
    shape = (len(sides), len(classes.size))
    left, right = (
        boolean(
            np.repeat(np.arange(len(sides)), [len(side[k]) for side in sides]),
            np.concatenate([side[k] for side in sides]) if sides else np.empty(0, np.int64),
            shape,
        )
        for k in (0, 1)
    )
    return left, right, np.array(owner_of, dtype=np.int64)


_Best = tuple[int, int, int, int, int]
"""Circuits lost, groups lost, number of pairs; less the first class; less the second."""


def _counted(
    classes: EventClasses,
    left: sp.csr_array,
    right: sp.csr_array,
    is_circuit: np.ndarray,
    special: SupplyPairs,
    top: int,
) -> tuple[list[_Best], int]:
    """The best pairs of classes, and how many pairs of events there are in all."""
    weight = sp.diags_array(np.where(is_circuit, 1, _GROUP).astype(np.int64), dtype=np.int64)
    one, other = left.astype(np.int64), right.astype(np.int64)
    to_right, to_left = sp.csr_array(weight @ other), sp.csr_array(weight @ one)
    from_left, from_right = sp.csr_array(one.T), sp.csr_array(other.T)
    work = np.asarray(
        from_left @ np.diff(right.indptr) + from_right @ np.diff(left.indptr), dtype=np.int64
    )
    best: list[_Best] = [
        (lost, groups, int(classes.size[a] * classes.size[b]), -a, -b)
        for (a, b), (lost, groups) in special.numbers().items()
    ]
    count = sum(entry[2] for entry in best)
    known = np.array([a * len(work) + b for a, b in special.lost], dtype=np.int64)
    for rows in _batches(work):
        sums = sp.csr_array(from_left[rows] @ to_right + from_right[rows] @ to_left).tocoo()
        a, b = sums.row.astype(np.int64) + rows.start, sums.col.astype(np.int64)
        keep = a < b
        if len(known):
            keep &= ~np.isin(a * len(work) + b, known)
        a, b, value = a[keep], b[keep], sums.data[keep]
        pairs = classes.size[a] * classes.size[b]
        count += int(pairs.sum())
        best += [
            (
                int(value[at] % _GROUP),
                int(value[at] // _GROUP),
                int(pairs[at]),
                -int(a[at]),
                -int(b[at]),
            )
            for at in _foremost(value % _GROUP, value // _GROUP, pairs, top).tolist()
        ]
        best = sorted(best, reverse=True)[:top]
    return sorted(best, reverse=True)[:top], count


def _foremost(lost: Ints, groups: Ints, pairs: Ints, top: int) -> Ints:
    """Places of the `top` greatest by `lost`, then `groups`, then `pairs`; of equals the first."""
    places = np.arange(len(lost))
    for key in (lost, groups, pairs):
        if len(places) <= top:
            break
        mine = key[places]
        floor = np.partition(mine, len(mine) - top)[len(mine) - top]
        above, equal = places[mine > floor], places[mine == floor]
        if len(above):
            # Those above the floor are in; the keys that follow decide among its equals only.
            rest = _foremost(lost[equal], groups[equal], pairs[equal], top - len(above))
            return np.concatenate([above, equal[rest]])
        places = equal
    return places[:top]


def _batches(work: Ints) -> list[slice]:
    """Rows in batches whose sums fit into memory together."""
    if not len(work):
        return []
    batch = np.cumsum(work) // _AT_ONCE
    edges = np.flatnonzero(np.diff(batch, prepend=-1))
    return [
        slice(int(first), int(last))
        for first, last in zip(edges, np.r_[edges[1:], len(work)], strict=True)
    ]


def _row(
    base: Base,
    classes: EventClasses,
    owners: Owners,
    rectangles: tuple[sp.csr_array, sp.csr_array, Ints],
    special: SupplyPairs,
    best: _Best,
) -> _PairRow:
    lost, groups, pairs, a, b = best[0], best[1], best[2], -best[3], -best[4]
    left, right, owner_of = rectangles
    if (a, b) in special.lost:
        mine = sorted(special.lost[a, b])
    else:
        of_a, of_b = (
            [set(sp.csr_array(side[:, [at]].T).indices.tolist()) for side in (left, right)]
            for at in (a, b)
        )
        rows = (of_a[0] & of_b[1]) | (of_a[1] & of_b[0])
        mine = sorted({int(owner_of[row]) for row in rows})
    return {
        "a": base.network.assets.ids(classes.members(a)),
        "b": base.network.assets.ids(classes.members(b)),
        "pairs": pairs,
        "lost": lost,
        "groups_lost": groups,
        "circuits": [owners.ids[one] for one in mine if one < owners.circuits],
        "groups": [owners.ids[one] for one in mine if one >= owners.circuits],
    }


# --- Pairs of events that together put all supplies of a machine out of service.

Pair = tuple[int, int]
"""Two classes of events, the smaller number first."""


@dataclass(frozen=True)
class Owners:
    """Circuits that count, then groups with a member among them.

    Attributes
    ----------
    paths : csr_array of int32, shape (paths, owners)
    running : ndarray of int, shape (owners,)
        Number of paths that run now.
    ids : list of str
    circuits : int
        How many of the owners are circuits.
    """

    paths: sp.csr_array
    running: Ints
    ids: list[str]
    circuits: int


@dataclass(frozen=True)
class EventClasses:
    """Events that do the same, as classes.

    Attributes
    ----------
    of_event : ndarray of int, shape (assets,)
        Class of each asset; -1: its loss affects nothing that counts.
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
        """The numbers of the events of a class."""
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


def standing_feeds(base: Base) -> Feeds:
    """Feeds that still stand, of what has several of them."""
    feeds = base.reliance.feeds
    up = feeds.kept(~feeds.hit(base.down) & ~base.down[feeds.user])
    return up.kept(up.of_user[up.user] > 1)


def shared_supplies(base: Base) -> Ints:
    """Supplies in the feeds of machines that have several feeds."""
    return np.unique(standing_feeds(base).assets.indices)


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
    both = _losing(paths_cut(base, further(base, events)), owners)
    alone = _losing(classes.cut, owners)
    return SupplyPairs(
        {(a, b): both[place] - alone[a] - alone[b] for place, (a, b) in enumerate(pairs.tolist())},
        owners.circuits,
    )


def _losing(cut: sp.csr_array, owners: Owners) -> list[frozenset[int]]:
    """Owners that each row leaves without a path."""
    taken = sp.csr_array(cut.astype(np.int32) @ owners.paths)
    gone = taken.data == owners.running[taken.indices]
    return [
        frozenset(taken.indices[low:high][gone[low:high]].tolist())
        for low, high in zip(taken.indptr[:-1], taken.indptr[1:], strict=True)
    ]


def _candidates(base: Base, fallen: sp.csr_array) -> np.ndarray:
    """Pairs of classes that together, and neither alone, cut all feeds of some machine."""
    feeds = standing_feeds(base)
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
