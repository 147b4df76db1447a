"""Every single event against every circuit."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypedDict

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Ints, boolean, csr_row
from waysapart.whatif.base import (
    Base,
    Subject,
    base_of,
    every_asset,
    further,
    group_ways,
    ways_cut,
)

LOST, EXPOSED = "lost", "exposed"


class EventFacts(TypedDict):
    """One event that takes something."""

    asset: str
    role: str
    kind: str | None
    lost: list[str]
    exposed: list[str]
    groups_lost: list[str]


class ContingencyFacts(TypedDict):
    """Every event that takes something; `out` is out of service as things are."""

    study: str
    out: list[str]
    events: list[EventFacts]


@dataclass(frozen=True)
class Contingency:
    """What the loss of each asset or hazard alone does to each circuit and group.

    Attributes
    ----------
    base : Base
    cut : csr_array of bool, shape (assets, paths)
        Ways that run now and that the event cuts.
    lost, exposed : csr_array of bool, shape (assets, circuits)
        No path is left; one path is left of those that run now. Only events
        that take a path of the circuit stand in either.
    groups_lost : csr_array of bool, shape (assets, groups)
        No path of any member is left.
    """

    base: Base
    cut: sp.csr_array
    lost: sp.csr_array
    exposed: sp.csr_array
    groups_lost: sp.csr_array

    @cached_property
    def _ids(self) -> Any:
        return self.base.network.assets.frame["id"].to_numpy()

    def frame(self) -> pd.DataFrame:
        """One row per event and circuit that it takes a path of.

        Columns `asset`, `role`, `kind`, `circuit`, `state` (lost or exposed),
        ordered by asset number and circuit.
        """
        parts = []
        names = np.array(self.base.circuit_ids(), dtype=object)
        assets = self.base.network.assets.frame
        for state, matrix in ((LOST, self.lost), (EXPOSED, self.exposed)):
            entries = matrix.tocoo()
            parts.append(
                pd.DataFrame(
                    {
                        "event": entries.row,
                        "place": entries.col,
                        "asset": self._ids[entries.row],
                        "role": assets["role"].to_numpy()[entries.row],
                        "kind": assets["kind"].to_numpy()[entries.row],
                        "circuit": names[entries.col],
                        "state": state,
                    }
                )
            )
        table = pd.concat(parts, ignore_index=True)
        table = table.sort_values(["event", "place"], ignore_index=True)
        return table[["asset", "role", "kind", "circuit", "state"]]

    def counts(self) -> pd.DataFrame:
        """One row per asset: `asset`, `role`, `kind`, `lost`, `exposed`, `groups_lost`."""
        assets = self.base.network.assets.frame
        return pd.DataFrame(
            {
                "asset": assets["id"],
                "role": assets["role"],
                "kind": assets["kind"],
                "lost": np.diff(self.lost.indptr),
                "exposed": np.diff(self.exposed.indptr),
                "groups_lost": np.diff(self.groups_lost.indptr),
            }
        )

    def facts(self) -> ContingencyFacts:
        """The table as plain data: only events that take something, in the order of assets."""
        names = np.array(self.base.circuit_ids(), dtype=object)
        groups = np.array(
            [trial.id for trial in self.base.trials[self.base.circuit_count :]], dtype=object
        )
        counts = self.counts()
        touched = np.flatnonzero((counts[["lost", "exposed", "groups_lost"]] > 0).any(axis=1))
        return {
            "study": self.base.study.name,
            "out": list(self.base.study.out),
            "events": [
                {
                    "asset": str(self._ids[event]),
                    "role": str(counts["role"].iloc[event]),
                    "kind": kind if isinstance(kind := counts["kind"].iloc[event], str) else None,
                    "lost": _named(self.lost, event, names),
                    "exposed": _named(self.exposed, event, names),
                    "groups_lost": _named(self.groups_lost, event, groups),
                }
                for event in touched.tolist()
            ],
        }

    def __repr__(self) -> str:
        taking = int((np.diff(self.lost.indptr) > 0).sum())
        return f"Contingency({self.base.study.name!r}: {taking} single events lose a circuit)"


def contingency(subject: Subject) -> Contingency:
    """Hold every single event, asset or hazard, against every circuit.

    Parameters
    ----------
    subject : Study, Network or Proof

    Returns
    -------
    Contingency

    Notes
    -----
    Sparse products throughout; the cost is the size of the answer. What is
    out of service counts as down before each event, and is no event itself.
    """
    base = base_of(subject)
    cut = single_cuts(base)
    lost, exposed = held_against(base, cut, base.ways())
    return Contingency(base, cut, lost, exposed, held_against(base, cut, group_ways(base))[0])


def single_cuts(base: Base) -> sp.csr_array:
    """Ways that run now and that the loss of each asset cuts: shape (assets, paths)."""
    up = np.flatnonzero(~base.down)
    events = every_asset(base)
    if base.down.any():
        events = boolean(up, up, events.shape)
    return ways_cut(base, further(base, events))


def held_against(
    base: Base, cut: sp.csr_array, ways: sp.csr_array
) -> tuple[sp.csr_array, sp.csr_array]:
    """Events that leave an owner without a path, and those that leave it with one.

    Parameters
    ----------
    base : Base
    cut : csr_array of bool, shape (events, paths)
        Ways that run now and that each event cuts.
    ways : csr_array of int32, shape (paths, owners)

    Returns
    -------
    lost, exposed : csr_array of bool, shape (events, owners)
    """
    running: Ints = np.asarray((~base.out).astype(np.int32) @ ways).astype(np.int64)
    taken = sp.csr_array(cut.astype(np.int32) @ ways)
    left = running[taken.indices] - taken.data
    return _where(taken, left == 0), _where(taken, left == 1)


def _where(matrix: sp.csr_array, keep: np.ndarray) -> sp.csr_array:
    """The entries of a matrix that are kept, as a boolean one."""
    chosen = sp.csr_array(
        (keep.astype(np.bool_), matrix.indices.copy(), matrix.indptr.copy()), shape=matrix.shape
    )
    chosen.eliminate_zeros()
    chosen.sort_indices()
    return chosen


def _named(matrix: sp.csr_array, row: int, names: np.ndarray) -> list[str]:
    return [str(name) for name in names[csr_row(matrix, row)]]
