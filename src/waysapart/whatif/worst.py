"""Every single event against every circuit, and which events put most circuits out of service."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, TypedDict

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Floats, Ints, boolean, csr_row
from waysapart.errors import CallError
from waysapart.findings.separation.layout import Layout
from waysapart.findings.separation.places import Circuits, worst_places
from waysapart.formulas.availability import minutes_a_year
from waysapart.study.ledger import did_you_mean
from waysapart.verdicts.facts import figure
from waysapart.verdicts.prove import Proof
from waysapart.whatif.base import (
    Base,
    Subject,
    base_of,
    every_asset,
    further,
    path_groups,
    paths_cut,
)
from waysapart.whatif.pairs import PairFacts, Pairs, worst_pairs
from waysapart.whatif.regions import RegionFacts, region_facts, sets_of_base

LOST, EXPOSED = "lost", "exposed"


class EventFacts(TypedDict):
    """One event that cuts a path."""

    asset: str
    role: str
    kind: str | None
    lost: list[str]
    exposed: list[str]
    groups_lost: list[str]


class ContingencyFacts(TypedDict):
    """Every event that cuts a path; `out` is out of service as things are.

    `unknown`: circuits that more events may lose, since their records have gaps.
    """

    study: str
    out: list[str]
    unknown: list[str]
    events: list[EventFacts]


@dataclass(frozen=True)
class Contingency:
    """What the loss of each asset or hazard alone does to each circuit and group.

    Attributes
    ----------
    base : Base
    cut : csr_array of bool, shape (assets, paths)
        Paths that run now and that the event cuts.
    lost, exposed : csr_array of bool, shape (assets, circuits)
        No path is left; one path is left of those that run now. Only events
        that cut a path of the circuit stand in either.
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

    def unknown(self, circuits: Ints) -> list[str]:
        """Ids of those of some circuits whose records have gaps: more events may lose them."""
        names = self.base.circuit_ids()
        return [names[one] for one in circuits.tolist() if self.base.gaps_of[one]]

    def frame(self) -> pd.DataFrame:
        """One row per event and circuit of which it cuts a path.

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
        """The table as plain data: only events that cut a path, in the order of assets."""
        names = np.array(self.base.circuit_ids(), dtype=object)
        groups = np.array(
            [trial.id for trial in self.base.trials[self.base.circuit_count :]], dtype=object
        )
        counts = self.counts()
        touched = np.flatnonzero((counts[["lost", "exposed", "groups_lost"]] > 0).any(axis=1))
        return {
            "study": self.base.study.name,
            "out": list(self.base.study.out),
            "unknown": self.unknown(np.arange(self.base.circuit_count)),
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

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> wa.contingency(proof).counts().nlargest(3, "lost")[["asset", "lost", "exposed"]]
          asset  lost  exposed
    1       MAR    12        3
    5       SAL    12        1
    519  RM-MAR    12        3
    """
    base = base_of(subject)
    cut = single_cuts(base)
    lost, exposed = held_against(base, cut, base.path_circuits())
    return Contingency(base, cut, lost, exposed, held_against(base, cut, path_groups(base))[0])


def single_cuts(base: Base) -> sp.csr_array:
    """Paths that run now and that the loss of each asset cuts: shape (assets, paths)."""
    up = np.flatnonzero(~base.down)
    events = every_asset(base)
    if base.down.any():
        events = boolean(up, up, events.shape)
    return paths_cut(base, further(base, events))


def held_against(
    base: Base, cut: sp.csr_array, paths: sp.csr_array
) -> tuple[sp.csr_array, sp.csr_array]:
    """Events that leave an owner without a path, and those that leave it with one.

    Parameters
    ----------
    base : Base
    cut : csr_array of bool, shape (events, paths)
        Paths that run now and that each event cuts.
    paths : csr_array of int32, shape (paths, owners)

    Returns
    -------
    lost, exposed : csr_array of bool, shape (events, owners)
    """
    running: Ints = np.asarray((~base.out).astype(np.int32) @ paths).astype(np.int64)
    taken = sp.csr_array(cut.astype(np.int32) @ paths)
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


# --- The worst events: single ones, pairs, and places.

RADIUS_M = 50.0
"""Radius of a place unless another is asked for: common practice, no source."""
TOP = 20


class RankedEvent(TypedDict):
    """One event: how many circuits and groups it loses, and its share of the unavailability.

    `unavailability` and `minutes_a_year` are null where not all rates are known; `at_least`
    then has the least that they can be.
    """

    asset: str
    role: str
    kind: str | None
    lost: int
    exposed: int
    groups_lost: int
    unavailability: float | None
    minutes_a_year: float | None
    at_least: dict[str, float | None]


class RankedPlace(TypedDict):
    """A circle, what lies in it, and what one event there puts out of service."""

    at: list[float]
    radius_m: float
    hit: list[str]
    circuits: int
    lost: int
    circuits_lost: list[str]


class WorstFacts(TypedDict):
    """The ranking as plain data.

    `unknown`: those of the circuits that more may lose, since their records have gaps.
    `everything`: whether places count what lies in the end zones of circuits too.
    `sets`: all the largest sets of segments that one circle can take; null where they were not
    asked for.
    """

    study: str
    out: list[str]
    circuits: list[str]
    unknown: list[str]
    radius_m: float
    everything: bool
    events: list[RankedEvent]
    pairs: list[PairFacts]
    pairs_in_all: int
    places: list[RankedPlace]
    sets: list[RegionFacts] | None


@dataclass(frozen=True)
class Worst:
    """Ranked events; `facts()` is what `--json` writes.

    Attributes
    ----------
    table : Contingency
        Every single event, from which they are ranked.
    events : DataFrame
        `asset`, `role`, `kind`, `lost`, `exposed`, `groups_lost`,
        `unavailability` (how much less of the time circuits would be lost if
        it never failed, summed over circuits), `at_least` (whether that is but
        the least that it can be, for want of a rate), worst first.
    pairs : Pairs
    places : DataFrame
        `lon`, `lat`, `radius_m`, `hit` (ids), `circuits` (touched), `lost`,
        `circuits_lost` (ids), worst first.
    circuits : list of str
        The circuits that count.
    radius_m : float
        Of the places looked for.
    everything : bool
        Whether places count what lies in end zones.
    sets : DataFrame or None
        The table of `largest_sets`, where `worst` was asked for it.
    """

    table: Contingency
    events: pd.DataFrame
    pairs: Pairs
    places: pd.DataFrame
    circuits: list[str]
    radius_m: float
    everything: bool = False
    sets: pd.DataFrame | None = None

    def facts(self) -> WorstFacts:
        """The ranking as plain data."""
        return {
            "study": self.table.base.study.name,
            "out": list(self.table.base.study.out),
            "circuits": self.circuits,
            "unknown": self.table.unknown(_chosen(self.table.base, self.circuits)),
            "radius_m": self.radius_m,
            "everything": self.everything,
            "events": [
                {
                    "asset": str(row["asset"]),
                    "role": str(row["role"]),
                    "kind": row["kind"] if isinstance(row["kind"], str) else None,
                    "lost": int(row["lost"]),
                    "exposed": int(row["exposed"]),
                    "groups_lost": int(row["groups_lost"]),
                    **_brings(row["unavailability"], bool(row["at_least"])),
                }
                for row in self.events.to_dict("records")
            ],
            "pairs": self.pairs.facts(),
            "pairs_in_all": self.pairs.count,
            "places": [
                {
                    "at": [round(float(row["lon"]), 7), round(float(row["lat"]), 7)],
                    "radius_m": float(row["radius_m"]),
                    "hit": list(row["hit"]),
                    "circuits": int(row["circuits"]),
                    "lost": int(row["lost"]),
                    "circuits_lost": list(row["circuits_lost"]),
                }
                for row in self.places.to_dict("records")
            ],
            "sets": None if self.sets is None else region_facts(self.sets),
        }

    def __repr__(self) -> str:
        return (
            f"Worst({self.table.base.study.name!r}: {len(self.events)} events, "
            f"{len(self.pairs.frame)} of {self.pairs.count} pairs, {len(self.places)} places)"
        )


class _Brings(TypedDict):
    unavailability: float | None
    minutes_a_year: float | None
    at_least: dict[str, float | None]


def _brings(share: float, at_least: bool) -> _Brings:
    """What an event contributes; null, with its lower bound beside it, where not all is known.

    Missing records can only add to it, except for failures of two things at one time.
    """
    part, minutes = figure(share, "share"), figure(float(minutes_a_year(share)), "share")
    if at_least:
        least = {"unavailability": part, "minutes_a_year": minutes}
        return {"unavailability": None, "minutes_a_year": None, "at_least": least}
    return {"unavailability": part, "minutes_a_year": minutes, "at_least": {}}


def worst(
    proof: Proof,
    *,
    radius_m: float = RADIUS_M,
    top: int = TOP,
    circuits: Iterable[str] | None = None,
    everything: bool = False,
    all_sets: bool = False,
) -> Worst:
    """Rank single events, pairs of events, and places by the circuits that they lose.

    Parameters
    ----------
    proof : Proof
    radius_m : float
        Radius of a place, metres, greater than 0.
    top : int
        At most so many of each.
    circuits : iterable of str, optional
        Circuits that count; default: all.
    everything : bool
        Whether circles count what lies in the end zones of a circuit too. Default: what lies
        there does not count for it, since both paths come together at its ends.
    all_sets : bool
        Whether to list all the largest sets of segments that one circle can take as well, as
        `largest_sets` does: not the first `top` alone, and in end zones too.

    Returns
    -------
    Worst
        Events by circuits lost, then circuits left with one path, then
        availability lost. Pairs only where neither event alone explains the
        loss. Places are circles of the radius, anywhere: no other circle
        loses more circuits than the first, outside their end zones unless
        `everything`.

    Raises
    ------
    CallError
        A radius or number that is not greater than 0, an unknown circuit.

    Examples
    --------
    >>> import waysapart as wa
    >>> proof = wa.prove(wa.read_study("examples/estuary"))
    >>> ranking = wa.worst(proof, top=3)
    >>> ranking.events[["asset", "lost", "exposed"]]
        asset  lost  exposed
    0     MAR    12        3
    1  RM-MAR    12        3
    2     SAL    12        1
    """
    if not (radius_m > 0 and np.isfinite(radius_m)):
        raise CallError(f"radius_m {radius_m:g}: expected more than 0 m")
    if top < 1:
        raise CallError(f"top {top}: expected 1 or more")
    base = base_of(proof)
    chosen = _chosen(base, circuits)
    table = contingency(proof)
    names = base.circuit_ids()
    return Worst(
        table,
        _events(proof, table, chosen).head(top).reset_index(drop=True),
        worst_pairs(base, table.cut, chosen, top),
        _places(proof, chosen, radius_m, top, everything),
        [names[circuit] for circuit in chosen.tolist()],
        radius_m,
        everything,
        sets_of_base(base, radius_m, chosen) if all_sets else None,
    )


def _chosen(base: Base, circuits: Iterable[str] | None) -> Ints:
    names = base.circuit_ids()
    if circuits is None:
        return np.arange(len(names), dtype=np.int64)
    asked = [circuits] if isinstance(circuits, str) else list(circuits)
    unknown = [name for name in asked if name not in names]
    if unknown:
        told = ", ".join(f"{name!r}{did_you_mean(name, names)}" for name in unknown)
        raise CallError(f"no circuit of the study has this id: {told}")
    return np.array(sorted({names.index(name) for name in asked}), dtype=np.int64)


def _events(proof: Proof, table: Contingency, chosen: Ints) -> pd.DataFrame:
    """Every event that cuts a path of a circuit that counts, worst first."""
    counts = table.counts()
    counts["lost"] = np.diff(sp.csr_array(table.lost[:, chosen]).indptr)
    counts["exposed"] = np.diff(sp.csr_array(table.exposed[:, chosen]).indptr)
    counts["unavailability"] = availability_lost(proof, chosen)
    counts["at_least"] = proof.outages.doubted(chosen)
    taking = counts[(counts["lost"] > 0) | (counts["exposed"] > 0)]
    return taking.sort_values(
        ["lost", "exposed", "unavailability", "asset"],
        ascending=[False, False, False, True],
        kind="stable",
    )


def availability_lost(proof: Proof, chosen: Ints) -> Floats:
    """Unavailability of circuits that each asset contributes: shape (assets,).

    The share of time for which circuits would not be lost if it never failed, summed over the
    circuits. A circuit with a path that is not on record does not count.
    """
    down = proof.outages
    known = ~(np.isnan(down.together[chosen]) & np.isnan(down.together_at_least[chosen]))
    return down.contributions(chosen[known])


def _no_zones(layout: Layout, chosen: Ints) -> sp.csr_array:
    return sp.csr_array((len(chosen), layout.zones.shape[1]), dtype=np.bool_)


def _places(
    proof: Proof, chosen: Ints, radius_m: float, top: int, everything: bool
) -> pd.DataFrame:
    """Circles in which one event puts most out of service, of the circuits that count."""
    spacing, paths = proof.spacing, proof.network.paths
    layout = spacing.layout
    names = np.array([trial.id for trial in proof.trials], dtype=object)
    place = {int(circuit): number for number, circuit in enumerate(chosen)}
    running = [
        path
        for path in range(len(paths))
        if int(paths.circuit[path]) in place and not proof.lost[path]
    ]
    trial = spacing.pairs["trial"].to_numpy()
    mine = np.flatnonzero(np.isin(trial, chosen))
    owner = np.array([place[int(circuit)] for circuit in trial[mine]], dtype=np.int64)
    of_pair = boolean(owner, mine, (len(chosen), len(trial)))
    held = Circuits(
        np.array([place[int(paths.circuit[path])] for path in running], dtype=np.int64),
        np.array(running, dtype=np.int64),
        sp.csr_array(of_pair @ layout.zones) if not everything else _no_zones(layout, chosen),
    )
    found = worst_places(layout, radius_m, held, rows=top)
    segments = proof.study.tables["segments"]["id"].to_numpy()
    hit = [
        sorted({str(segments[spacing.line_segment[line]]) for line in lines})
        for lines in found["lines"]
    ]
    return pd.DataFrame(
        {
            "lon": found["lon"],
            "lat": found["lat"],
            "radius_m": radius_m,
            "hit": pd.Series(hit, dtype=object),
            "circuits": found["touched"],
            "lost": found["lost"],
            "circuits_lost": pd.Series(
                [[str(names[chosen[one]]) for one in mine] for mine in found["circuits_lost"]],
                dtype=object,
            ),
        }
    )
