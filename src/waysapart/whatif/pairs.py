"""Pairs of events that together take what neither takes alone.

Events that do the same are one class, and two classes stand for every pair of
their members, so that billions of pairs need not be listed to be counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.network.assets import Ints, boolean
from waysapart.reliance.closure import union
from waysapart.reliance.plant import named
from waysapart.whatif.base import Base, every_asset, further, group_ways, ways_cut

MOST_IDS = 12
"""Events that do the same are listed up to so many; `pairs` counts them all."""


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

    def facts(self) -> list[dict[str, Any]]:
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


@dataclass(frozen=True)
class _Classes:
    """Events that do the same, as classes.

    `of_event` is the class of each asset (-1: takes nothing); `cut` (classes,
    paths) what each takes; `size` how many events each has; `event` the first.
    """

    of_event: Ints
    cut: sp.csr_array
    size: Ints
    event: Ints

    def members(self, number: int) -> Ints:
        return np.flatnonzero(self.of_event == number)


def worst_pairs(base: Base, cut: sp.csr_array, chosen: Ints, top: int) -> Pairs:
    """The pairs of events that lose the most circuits and groups together.

    Parameters
    ----------
    base : Base
    cut : csr_array of bool, shape (assets, paths)
        Ways that the loss of each asset cuts, from `contingency`.
    chosen : ndarray of int
        Circuits that count; groups with a member among them count as well.
    top : int
        At most so many rows.

    Returns
    -------
    Pairs
        By circuits lost, groups lost, number of pairs. Exact: a pair counts
        for a circuit when it leaves it without a way and neither event does
        so alone.

    Notes
    -----
    Each owner with k ways gives the masks of ways that single events take;
    only pairs of masks that are full together are followed. Events that
    each take part of the supplies of one machine are paired as well, and what
    falls with the two at once is followed anew. Output-sensitive: the cost is
    the number of pairs of classes, not of events.
    """
    classes = _classes(base, cut)
    owners = _owners(base, chosen)
    first, second, owner = _full_together(base, classes, owners)
    first, second, owner = _with_supplies(base, classes, owners, (first, second, owner))
    return _ranked(base, classes, owners, (first, second, owner), top)


@dataclass(frozen=True)
class _Owners:
    """Circuits that count, then groups: `ways` int32 (paths, owners), ids, number of circuits."""

    ways: sp.csr_array
    running: Ints
    ids: list[str]
    circuits: int


def _owners(base: Base, chosen: Ints) -> _Owners:
    groups = base.trials[base.circuit_count :]
    counted = set(chosen.tolist())
    mine = [place for place, trial in enumerate(groups) if counted & set(trial.circuits)]
    ways = sp.csr_array(
        sp.hstack([base.ways()[:, chosen], group_ways(base)[:, mine]], format="csr")
    )
    names = base.circuit_ids()
    ids = [names[circuit] for circuit in chosen.tolist()]
    return _Owners(
        ways,
        np.asarray((~base.out).astype(np.int32) @ ways).astype(np.int64),
        ids + [groups[place].id for place in mine],
        len(chosen),
    )


def _supply_fall(base: Base) -> sp.csr_array:
    """Supplies of machines with several supplies that fall with each asset: (assets, assets)."""
    row, supply = named(base.network, "equipment", "supplies")
    user = base.network.assets.start["equipment"] + row
    standing = ~base.down[supply] & ~base.down[user]
    row, supply = row[standing], supply[standing]
    several = np.bincount(row, minlength=int(row.max(initial=-1)) + 1)[row] > 1
    fallen = further(base, _events(base))
    shared = np.unique(supply[several])
    return sp.csr_array(fallen @ boolean(shared, shared, fallen.shape))


def _events(base: Base) -> sp.csr_array:
    up = np.flatnonzero(~base.down)
    return boolean(up, up, every_asset(base).shape)


def _classes(base: Base, cut: sp.csr_array) -> _Classes:
    """Put events together that take the same ways and the same supplies."""
    acts = sp.csr_array(sp.hstack([cut, _supply_fall(base)], format="csr"))
    acts.sort_indices()
    busy = np.flatnonzero(np.diff(acts.indptr))
    # Two events do the same where their rows agree; rows are told apart by their bytes.
    kinds: dict[bytes, int] = {}
    of_event = np.full(acts.shape[0], -1, dtype=np.int64)
    event: list[int] = []
    for row in busy.tolist():
        key = acts.indices[acts.indptr[row] : acts.indptr[row + 1]].tobytes()
        number = kinds.setdefault(key, len(kinds))
        if number == len(event):
            event.append(row)
        of_event[row] = number
    leads = np.array(event, dtype=np.int64)
    return _Classes(
        of_event,
        sp.csr_array(cut[leads]),
        np.bincount(of_event[of_event >= 0], minlength=len(leads)).astype(np.int64),
        leads,
    )


_Found = tuple[Ints, Ints, Ints]
"""First class, second class (not before the first), owner."""


def _full_together(base: Base, classes: _Classes, owners: _Owners) -> _Found:
    """Pairs of classes whose ways together are all that an owner has."""
    by_owner = sp.csc_array(owners.ways)
    taken = sp.csc_array(classes.cut)
    found: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    for owner in np.flatnonzero(owners.running > 1).tolist():
        paths = by_owner.indices[by_owner.indptr[owner] : by_owner.indptr[owner + 1]]
        paths = paths[~base.out[paths]]
        mine = [taken.indices[taken.indptr[path] : taken.indptr[path + 1]] for path in paths]
        touching, place = np.unique(np.concatenate(mine), return_inverse=True)
        bits = np.repeat(np.arange(len(paths)), [len(one) for one in mine])
        mask = np.zeros(len(touching), dtype=np.int64)
        np.bitwise_or.at(mask, place, np.int64(1) << bits)
        full = (1 << len(paths)) - 1
        masks = [int(one) for one in np.unique(mask) if one != full]
        for one, other in combinations(masks, 2):
            if one | other != full:
                continue
            left, right = touching[mask == one], touching[mask == other]
            a = np.repeat(left, len(right))
            b = np.tile(right, len(left))
            found.append((np.minimum(a, b), np.maximum(a, b), np.full(len(a), owner)))
    if not found:
        none = np.empty(0, dtype=np.int64)
        return none, none, none
    first, second, owner_of = (
        np.concatenate([part[k] for part in found]).astype(np.int64) for k in range(3)
    )
    return first, second, owner_of


def _with_supplies(base: Base, classes: _Classes, owners: _Owners, found: _Found) -> _Found:
    """Add what falls only because two events together take all supplies of a machine."""
    pairs = _supply_pairs(base, classes)
    if not len(pairs):
        return found
    shape = (len(pairs), len(base.network.assets))
    number = np.arange(len(pairs))
    event_a, event_b = classes.event[pairs[:, 0]], classes.event[pairs[:, 1]]
    events = union(boolean(number, event_a, shape), boolean(number, event_b, shape))
    cut = ways_cut(base, further(base, events)).astype(np.int32)
    lost = sp.csr_array(cut @ owners.ways).tocoo()
    gone = lost.data == owners.running[lost.col]
    row, owner = lost.row[gone].astype(np.int64), lost.col[gone].astype(np.int64)
    alone = sp.csr_array(classes.cut.astype(np.int32) @ owners.ways)
    explained = _reaches(alone, pairs[row, 0], owner, owners) | _reaches(
        alone, pairs[row, 1], owner, owners
    )
    row, owner = row[~explained], owner[~explained]
    every = np.column_stack(
        [
            np.r_[found[0], pairs[row, 0]],
            np.r_[found[1], pairs[row, 1]],
            np.r_[found[2], owner],
        ]
    )
    every = np.unique(every, axis=0)
    return every[:, 0], every[:, 1], every[:, 2]


def _reaches(taken: sp.csr_array, number: Ints, owner: Ints, owners: _Owners) -> np.ndarray:
    """Whether a class alone takes all ways of an owner."""
    many = np.asarray(taken[number, owner]).ravel() if len(number) else np.empty(0)
    return np.asarray(many == owners.running[owner])


def _supply_pairs(base: Base, classes: _Classes) -> np.ndarray:
    """Pairs of classes that together, and neither alone, take all supplies of some machine."""
    row, supply = named(base.network, "equipment", "supplies")
    user = base.network.assets.start["equipment"] + row
    standing = ~base.down[supply] & ~base.down[user]
    row, supply = row[standing], supply[standing]
    fallen = sp.csc_array(further(base, _events(base))[classes.event])
    found: set[tuple[int, int]] = set()
    done: set[tuple[int, ...]] = set()
    for machine in np.unique(row).tolist():
        supplies = tuple(np.unique(supply[row == machine]).tolist())
        if len(supplies) < 2 or supplies in done:
            continue
        done.add(supplies)
        masks: dict[int, int] = {}
        for bit, one in enumerate(supplies):
            for number in fallen.indices[fallen.indptr[one] : fallen.indptr[one + 1]].tolist():
                masks[number] = masks.get(number, 0) | 1 << bit
        full = (1 << len(supplies)) - 1
        by_mask: dict[int, list[int]] = {}
        for number, mask in masks.items():
            if mask != full:
                by_mask.setdefault(mask, []).append(number)
        for one, other in combinations(sorted(by_mask), 2):
            if one | other == full:
                found |= {(min(a, b), max(a, b)) for a in by_mask[one] for b in by_mask[other]}
    return np.array(sorted(found), dtype=np.int64).reshape(-1, 2)


def _ranked(base: Base, classes: _Classes, owners: _Owners, found: _Found, top: int) -> Pairs:
    first, second, owner = found
    if not len(first):
        columns = ["a", "b", "pairs", "lost", "groups_lost", "circuits", "groups"]
        return Pairs(pd.DataFrame(columns=columns), 0)
    key = first * len(classes.size) + second
    unique, place = np.unique(key, return_inverse=True)
    is_circuit = owner < owners.circuits
    lost = np.bincount(place[is_circuit], minlength=len(unique))
    groups = np.bincount(place[~is_circuit], minlength=len(unique))
    a, b = np.divmod(unique, len(classes.size))
    pairs = classes.size[a] * classes.size[b]
    order = np.lexsort((b, a, -pairs, -groups, -lost))[:top]
    ids = base.network.assets
    rows = []
    for at in order.tolist():
        mine = owner[place == at]
        rows.append(
            {
                "a": ids.ids(classes.members(int(a[at]))),
                "b": ids.ids(classes.members(int(b[at]))),
                "pairs": int(pairs[at]),
                "lost": int(lost[at]),
                "groups_lost": int(groups[at]),
                "circuits": [owners.ids[one] for one in mine if one < owners.circuits],
                "groups": [owners.ids[one] for one in mine if one >= owners.circuits],
            }
        )
    return Pairs(pd.DataFrame(rows), int(pairs.sum()))
