"""Find what is lost with a path of a circuit and with the line that the circuit protects.

Protection must act when its line has a fault. If the event that causes the fault (a fallen tower,
a slip under the route) also cuts a path, the circuit acts over the paths that remain, or not at
all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Bools, Ints, boolean, expand
from waysapart.network.assets import listed
from waysapart.network.build_network import Network
from waysapart.reliance.closure import union, without
from waysapart.reliance.direct import in_full
from waysapart.reliance.rely import Reliance, falls, paths_lost

NOT_SAID = "the circuit does not say what it protects (column protects)"


class CommonAsset(NamedTuple):
    """An asset whose loss takes a path of a circuit and what the circuit protects; numbers."""

    asset: int
    path: int
    protected: int


@dataclass(frozen=True)
class OwnLines:
    """What takes paths together with what their circuits protect.

    Attributes
    ----------
    rows : DataFrame
        `circuit`, `asset` (whose loss takes both), `path` (taken), `protected` (the asset
        that the circuit names), all as numbers; one row a path, in this order.
    remains : dict of int to dict of int to tuple of int
        By circuit and then asset, the paths that are left when it is lost.
    unknown : dict of int to tuple of str
        By circuit, why what it protects is not known, or not all of it.
    known : frozenset of int
        Circuits of which something that they protect is known.
    """

    rows: pd.DataFrame
    remains: dict[int, dict[int, tuple[int, ...]]] = field(default_factory=dict)
    unknown: dict[int, tuple[str, ...]] = field(default_factory=dict)
    known: frozenset[int] = frozenset()

    def of_circuit(self, circuit: int) -> list[CommonAsset]:
        """Return the rows of one circuit.

        Parameters
        ----------
        circuit : int

        Returns
        -------
        list of CommonAsset
        """
        return self._by_circuit.get(circuit, [])

    @cached_property
    def _by_circuit(self) -> dict[int, list[CommonAsset]]:
        found: dict[int, list[CommonAsset]] = {}
        columns = ("circuit", "asset", "path", "protected")
        for circuit, *row in zip(*(self.rows[name].tolist() for name in columns), strict=True):
            found.setdefault(circuit, []).append(CommonAsset(*row))
        return found

    def silent(self, circuit: int) -> list[int]:
        """List the assets whose loss takes what a circuit protects and leaves it no path.

        Parameters
        ----------
        circuit : int

        Returns
        -------
        list of int
        """
        return [asset for asset, left in self.remains.get(circuit, {}).items() if not left]

    def assets(self, circuit: int) -> list[int]:
        """List the assets whose loss takes what a circuit protects and any of its paths.

        Parameters
        ----------
        circuit : int

        Returns
        -------
        list of int
        """
        return list(self.remains.get(circuit, {}))

    @cached_property
    def named_by(self) -> dict[tuple[int, int], int]:
        """By circuit and asset, the first of what the circuit names that falls with the asset."""
        rows = self.rows.drop_duplicates(["circuit", "asset"])
        keys = zip(rows["circuit"].tolist(), rows["asset"].tolist(), strict=True)
        return dict(zip(keys, rows["protected"].tolist(), strict=True))


def own_lines(reliance: Reliance, lost: Bools) -> OwnLines:
    """Find for every circuit what is lost with the line that it protects.

    Parameters
    ----------
    reliance : Reliance
    lost : ndarray of bool, shape (paths,)
        Paths that are out of service already.

    Returns
    -------
    OwnLines

    Notes
    -----
    What a circuit names (`protects`) is lost with

    - the asset itself and all that lies within it, at any depth; a segment among these
      with its ends and the structures it passes, a cable with its whole course;
    - what any of these lies within;
    - the hazards that take any of these.

    The sites where the circuit ends are left out, and so is what only leads on from them.
    What each such asset takes of the circuit's paths is worked out as for any outage.
    """
    network = reliance.network
    circuits = network.study.tables["circuits"]
    row, names = listed(circuits["protects"])
    numbers = network.assets.numbers(names)
    unknown = {
        circuit: [NOT_SAID]
        for circuit, value in enumerate(circuits["protects"].isna().tolist())
        if value
    }
    inside, why = _inside(reliance, row, names.to_list(), numbers)
    for circuit, reason in why:
        unknown.setdefault(circuit, []).append(reason)
    events = _events(network, row, inside)
    told = {circuit: tuple(dict.fromkeys(reasons)) for circuit, reasons in unknown.items()}
    known = frozenset(row[np.diff(inside.indptr) > 0].tolist())
    return _taken(reliance, row, numbers, events, lost, told, known)


def _inside(
    reliance: Reliance, row: Ints, names: Sequence[str], numbers: Ints
) -> tuple[sp.csr_array, list[tuple[int, str]]]:
    """All parts of what is named, shape (named, assets), and why some are not known.

    What has no parts on record stays empty: a holder with nothing in it, a cable
    without a course.
    """
    network = reliance.network
    count = len(network.assets)
    named = boolean(np.arange(len(numbers)), numbers, (len(numbers), count))
    down = sp.csr_array(network.within.T)
    inside = named
    while True:
        grown = union(inside, sp.csr_array(inside @ down))
        if grown.nnz == inside.nnz:
            break
        inside = grown
    full = sp.csr_array(inside @ in_full(network, reliance.parts))
    frame = network.assets.frame
    role, kind = (frame[name].to_numpy(dtype=object) for name in ("role", "kind"))
    segments = network.assets.of_role("segments")
    courses = np.asarray(full[:, segments].sum(axis=1)).ravel() > 0
    held = np.diff(inside.indptr) > 1
    why: list[tuple[int, str]] = []
    keep = np.ones(len(numbers), dtype=bool)
    for place, (circuit, name, number) in enumerate(
        zip(row.tolist(), names, numbers.tolist(), strict=True)
    ):
        reason = ""
        if number < 0:
            reason = f"{name} is not on record"
        elif kind[number] in network.study.rules.reliance.ignore_kinds:
            reason = f"{name} is of a kind that the rules leave out (ignore_kinds)"
        elif role[number] == "holders" and not held[place]:
            reason = f"nothing on record lies within {name}"
        elif role[number] == "cables" and not courses[place]:
            reason = f"the course of {name} is not on record"
        if reason:
            keep[place] = False
            why.append((circuit, reason))
    return sp.csr_array(sp.diags_array(keep, dtype=np.bool_) @ full), why


def _events(network: Network, row: Ints, inside: sp.csr_array) -> sp.csr_array:
    """Assets whose loss takes what is named: shape (named, assets)."""
    circuits = network.study.tables["circuits"]
    sites = network.assets.numbers(network.study.tables["equipment"]["site"])
    start = network.assets.start["equipment"]
    owner, site = [], []
    for end in ("a", "b"):
        machine = network.assets.numbers(circuits[end])[row]
        owner.append(np.arange(len(row)))
        site.append(np.where(machine >= 0, sites[np.maximum(machine - start, 0)], -1))
    ends = boolean(np.concatenate(owner), np.concatenate(site), inside.shape)
    found = without(inside, ends)
    while True:
        above = without(sp.csr_array(found @ network.within), ends)
        grown = union(found, above)
        if grown.nnz == found.nnz:
            return union(found, sp.csr_array(found @ network.hazards))
        found = grown


def _taken(
    reliance: Reliance,
    row: Ints,
    numbers: Ints,
    events: sp.csr_array,
    lost: Bools,
    unknown: dict[int, tuple[str, ...]],
    known: frozenset[int],
) -> OwnLines:
    network = reliance.network
    assets = np.unique(events.indices).astype(np.int64)
    cut = _cut_by(reliance, assets)
    pairs = events.tocoo()
    place = np.searchsorted(assets, pairs.col)
    first = cut.indptr.astype(np.int64)
    entry, at = expand(first[place], first[place + 1] - first[place])
    path = cut.indices[at].astype(np.int64)
    named = pairs.row[entry]
    mine = (network.paths.circuit[path] == row[named]) & ~lost[path]
    rows = pd.DataFrame(
        {
            "circuit": row[named][mine],
            "asset": pairs.col[entry][mine].astype(np.int64),
            "path": path[mine],
            "protected": numbers[named][mine],
        }
    )
    order = ["circuit", "asset", "path", "protected"]
    rows = rows.drop_duplicates().sort_values(order, ignore_index=True)
    gone: dict[tuple[int, int], set[int]] = {}
    columns = (rows[name].tolist() for name in ("circuit", "asset", "path"))
    for circuit, asset, one in zip(*columns, strict=True):
        gone.setdefault((circuit, asset), set()).add(one)
    remains: dict[int, dict[int, tuple[int, ...]]] = {}
    for (circuit, asset), taken in gone.items():
        every = network.paths.of_circuit(circuit)
        left = tuple(path for path in every if path not in taken and not lost[path])
        remains.setdefault(circuit, {})[asset] = left
    return OwnLines(rows, remains, unknown, known)


def _cut_by(reliance: Reliance, assets: Ints) -> sp.csr_array:
    """Paths cut by the loss of each asset, with what is out of service down already."""
    network = reliance.network
    count = len(network.assets)
    out = network.assets.numbers(network.study.out)
    already = None
    if len(out):
        event = boolean(np.zeros(len(out), dtype=np.int64), out, (1, count))
        already = np.zeros(count, dtype=bool)
        already[falls(reliance, event).indices] = True
    events = boolean(np.arange(len(assets)), assets, (len(assets), count))
    return paths_lost(reliance, falls(reliance, events, already))
