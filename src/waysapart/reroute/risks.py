"""What edges of a search can have in common, as few columns as say the same.

Assets that the same edges rely on are always shared together; they stand as one
column. Two segments that must not be on different paths, because they come too near
or cross, are one column of all edges that follow either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from waysapart.arrays import Bools, Ints, csr_row
from waysapart.reroute.edges import MEMBER, Edges
from waysapart.reroute.ground import Ground
from waysapart.study.rules import Rules

NEAR = "near"
_FIRST = ("cables", "structures", "segments", "hazards", "sites", "equipment", "links")
"""Which of several assets that always go together a column is called after."""


@dataclass(frozen=True)
class Risks:
    """The columns of a search.

    Attributes
    ----------
    matrix : csr_array of bool, shape (edges, risks)
    assets : list of tuple of str
        Ids that stand together in each column, the one it is called after first.
    pairs : dict of int to tuple of str
        Columns that are two segments.
    weight : ndarray of int
        What sharing each column weighs.
    exempt : list of str
        Ids that both ends rely on by themselves.
    """

    matrix: sp.csr_array
    assets: list[tuple[str, ...]]
    pairs: dict[int, tuple[str, str]]
    weight: Ints
    exempt: list[str]

    def name(self, risk: int) -> str:
        """The id that a column is called after; of two segments, both."""
        return "/".join(self.assets[risk]) if risk in self.pairs else self.assets[risk][0]


def risks_of(
    ground: Ground,
    edges: Edges,
    rows: sp.csr_array,
    pairs: Sequence[tuple[str, str]],
    ends: Bools,
) -> Risks:
    """Columns of a search from what its edges rely on.

    Parameters
    ----------
    ground, edges
    rows : csr_array of bool, shape (edges, assets + links)
        What edges rely on beyond the circuit's ends.
    pairs : sequence of pair of str
        Segments that must not be on different paths.
    ends : ndarray of bool
        Columns that the ends rely on.
    """
    columns = sp.csc_array(rows)
    columns.sort_indices()
    used = np.flatnonzero(np.diff(columns.indptr))
    first, label = _alike(columns, used)
    members: list[list[int]] = [[] for _ in first]
    for column, group in zip(used.tolist(), label.tolist(), strict=True):
        members[group].append(column)
    names, roles, kinds = ground.names, _roles(ground), _kinds(ground)
    order = {role: place for place, role in enumerate(_FIRST)}
    assets = []
    weight = []
    rules = ground.study.rules
    for alike in members:
        alike.sort(key=lambda c: (order.get(str(roles[c]), len(order)), str(names[c])))
        assets.append(tuple(str(names[c]) for c in alike))
        weight.append(max(weight_of(rules, kinds[c], str(roles[c])) for c in alike))
    blocks = [sp.csc_array(columns[:, first])]
    two: dict[int, tuple[str, str]] = {}
    for one, other in pairs:
        at = ground.network.assets.numbers([one, other])
        hit = np.asarray(columns[:, at].sum(axis=1)).ravel() > 0
        two[len(assets)] = (one, other)
        assets.append((one, other))
        weight.append(weight_of(rules, NEAR, NEAR))
        blocks.append(sp.csc_array(hit.reshape(-1, 1)))
    for member in sorted({*edges.member[edges.kind == MEMBER].tolist()}):
        hit = (edges.kind == MEMBER) & (edges.member == member)
        assets.append((f"one way only for circuit {member}",))
        weight.append(10**9)
        blocks.append(sp.csc_array(hit.reshape(-1, 1)))
    matrix = sp.csr_array(sp.hstack(blocks, format="csr"), dtype=bool)
    exempt = [str(name) for name in names[np.flatnonzero(ends)]]
    return Risks(matrix, assets, two, np.array(weight, dtype=np.int64), exempt)


def _alike(columns: sp.csc_array, used: Ints) -> tuple[Ints, Ints]:
    """First column of every group of equal columns, and the group of each used one."""
    known: dict[bytes, int] = {}
    first: list[int] = []
    label = np.empty(len(used), dtype=np.int64)
    for place, column in enumerate(used.tolist()):
        key = csr_row(columns, column).tobytes()
        group = known.setdefault(key, len(first))
        if group == len(first):
            first.append(column)
        label[place] = group
    return np.array(first, dtype=np.int64), label


def _roles(ground: Ground) -> np.ndarray:
    links = np.full(len(ground.study.tables["links"]), "links", dtype=object)
    return np.concatenate([ground.network.assets.frame["role"].to_numpy(dtype=object), links])


def _kinds(ground: Ground) -> np.ndarray:
    media = ground.study.tables["links"]["medium"].to_numpy(dtype=object)
    return np.concatenate([ground.network.assets.frame["kind"].to_numpy(dtype=object), media])


def weight_of(rules: Rules, kind: object, role: str) -> int:
    """What sharing an asset weighs: by its kind, else its role, else `other`."""
    weights = rules.reroute.weights
    found = weights.get(kind) if isinstance(kind, str) else None
    if found is None:
        found = weights.get(role, weights["other"])
    return found
