"""Tie a study's tables to a network in which every circuit can be followed to the plant.

`tie` numbers the assets, ties segments to structures and sites, puts the segments of cables, the
cables of links and the links of paths in order, and collects the gaps that this leaves.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import scipy.sparse as sp

from waysapart.arrays import Floats, Ints, boolean, csr_row
from waysapart.gaps import Gap
from waysapart.network.assets import (
    Assets,
    Holders,
    listed,
    loop_gaps,
    number_assets,
    reached,
)
from waysapart.network.chains import Chains, chain_cables
from waysapart.network.ends import Ends, Passing, passing, places, same_place, tie_ends
from waysapart.network.fibres import fibre_gaps
from waysapart.network.hazards import taken_by_hazards
from waysapart.network.lengths import (
    CableTerms,
    LinkLengths,
    hop_gaps,
    hop_lengths_m,
    link_lengths,
    part_terms,
    sag_lengths_m,
    segment_lengths_m,
)
from waysapart.network.links import CableNodes, LinkParts, Parts, lay_links, tie_links
from waysapart.network.matching.match_cables import match_cables
from waysapart.network.measurements import length_gaps, measured_lengths
from waysapart.network.paths import Paths, tie_paths
from waysapart.network.record_ages import age_gaps
from waysapart.network.record_gaps import blank_gaps, contradictions
from waysapart.network.splices import Splices, find_splices, joint_gaps
from waysapart.network.trace import FibreGraph, fibre_graph
from waysapart.network.trace_steps import Step, trace_steps
from waysapart.network.traced import traced_study
from waysapart.schema import ROLES
from waysapart.strings import plain_strings
from waysapart.study.model import Study

if TYPE_CHECKING:
    import networkx as nx


@dataclass(frozen=True)
class TiedPlant:
    """The plant of a study, tied: all that depends neither on links nor on circuits.

    Attributes
    ----------
    assets : Assets
        Numbers of all assets; the arrays below use them.
    recorded : csr_array of bool, shape (assets, assets)
        Row lies directly within column, as recorded.
    within : csr_array of bool, shape (assets, assets)
        The same with the holders left out whose kind the rules ignore; what they lie within
        themselves stands in their place.
    hazards : csr_array of bool, shape (assets, assets)
        Hazard (column) puts segment, structure or site (row) out of service.
    ends, passed : Ends, Passing
        What segments end at and pass.
    matched : DataFrame
        What cables that are drawn but not listed follow, with distances; see `Matches`.
    common : csr_array of bool, shape (cables, assets)
        What such a cable relies on in any case where its route is not certain.
    chains : Chains
        Segments of cables in order.
    lonlat : ndarray of LineString, shape (segments,)
        Segments in longitude and latitude, degrees.
    segment_m, sag_extra_m : ndarray of float, shape (segments,)
        Ground length of each segment, and what sag adds to it, in metres.
    ignored : tuple of str
        Ids of the holders left out because their kind is in `reliance.ignore_kinds`.
    twins : tuple of Gap
        Structures that stand in one place.
    """

    assets: Assets
    recorded: sp.csr_array
    within: sp.csr_array
    hazards: sp.csr_array
    ends: Ends
    passed: Passing
    matched: pd.DataFrame
    common: sp.csr_array
    chains: Chains
    lonlat: np.ndarray
    segment_m: Floats
    sag_extra_m: Floats
    ignored: tuple[str, ...]
    twins: tuple[Gap, ...]


@dataclass(frozen=True)
class Network(TiedPlant):
    """A study whose circuits are tied to the plant; every later stage starts from here.

    It has the attributes of `TiedPlant` as well.

    Attributes
    ----------
    study : Study
    parts, pieces : Parts, LinkParts
        The stretches of cable that links use; links as stretches.
    paths : Paths
    terms, lengths : CableTerms, LinkLengths
        Fibre length of each stretch of cable and of each link.
    splices : Splices
        Where links are spliced, and on what length no joint is on record.
    gaps : tuple of Gap
        Everything that the records leave open, from reading and tying.
    """

    study: Study
    parts: Parts
    pieces: LinkParts
    paths: Paths
    terms: CableTerms
    lengths: LinkLengths
    splices: Splices
    gaps: tuple[Gap, ...]

    @cached_property
    def fibres(self) -> FibreGraph:
        """Ends of fibres and ports, and what joins them; no nodes where nothing is spliced."""
        above = _above(self.recorded)
        return fibre_graph(self.study, self.assets, self.chains, self.passed, above)

    @cached_property
    def graph(self) -> nx.MultiGraph[str]:
        """The tied plant: structures and sites as nodes, segments as edges.

        An edge has the id of the segment as its key, and carries `kind`, `length_m` and `cables`
        (ids of the cables in or on it). A segment with an end that meets nothing is left out.
        """
        import networkx as nx

        segments = self.study.tables["segments"]
        graph: nx.MultiGraph[str] = nx.MultiGraph(name=self.study.name)
        frame = self.assets.frame
        for role in ("sites", "structures"):
            rows = frame.iloc[self.assets.of_role(role)]
            graph.add_nodes_from(
                (name, {"role": role, "kind": kind})
                for name, kind in zip(rows["id"].to_list(), rows["kind"].to_list(), strict=True)
            )
        cables: dict[int, list[str]] = {}
        names = self.study.tables["cables"]["id"].to_numpy()
        for cable, name in enumerate(names):
            for segment in self.chains.segment[self.chains.rows(cable)]:
                cables.setdefault(int(segment), []).append(str(name))
        ids = frame["id"].to_numpy()
        for number, (name, kind) in enumerate(zip(segments["id"], segments["kind"], strict=True)):
            a, b = int(self.ends.a[number]), int(self.ends.b[number])
            if a >= 0 and b >= 0:
                graph.add_edge(
                    ids[a],
                    ids[b],
                    key=name,
                    kind=kind,
                    length_m=float(self.segment_m[number]),
                    cables=tuple(cables.get(number, ())),
                )
        return graph


def tie(study: Study, *, like: Network | None = None) -> Network:
    """Tie a study's circuits to its plant.

    Parameters
    ----------
    study : Study
        From `read_study`.
    like : Network, optional
        Of a study with the same tables of plant, such as one that a proposal of links is about:
        its plant is not tied anew.

    Returns
    -------
    Network
        What is not on record, or contradicts something else, stands in `gaps`; that is
        no error.

    Examples
    --------
    >>> import waysapart as wa
    >>> network = wa.tie(wa.read_study("examples/estuary"))
    >>> len(network.paths), network.graph.number_of_edges()
    (66, 462)
    >>> sorted({gap.code for gap in network.gaps if gap.asset in ("UC-U6B", "C12-A")})
    ['cable-broken', 'leased-route']
    """
    with plain_strings():
        return _tied(study, like)


def _tied(study: Study, like: Network | None) -> Network:
    plant = like if like is not None and _one_plant(study, like.study) else _tie_plant(study)
    assets, chains, passed = plant.assets, plant.chains, plant.passed
    above = _above(plant.recorded)
    study = traced_study(study, assets, chains, passed, above)
    parts, pieces, link_gaps = tie_links(study, assets, chains, passed, above)
    terms, lengths, splices = _measures(study, plant, parts, pieces)
    paths, path_gaps = tie_paths(study, assets, np.fmax(lengths.go_m, lengths.return_m))
    gaps = (
        *study.gaps,
        *plant.ends.gaps,
        *plant.twins,
        *chains.gaps,
        *_not_told(study, link_gaps),
        *hop_gaps(study, pieces, lengths),
        *fibre_gaps(study, parts, pieces),
        *joint_gaps(study, parts, pieces, splices),
        *blank_gaps(study),
        *contradictions(study, assets, chains, passed, above),
        *age_gaps(study),
        *loop_gaps(study, assets),
        *length_gaps(
            study,
            terms.computed_m[: len(study.tables["cables"])],
            lengths.by_cables_go_m,
            lengths.by_cables_return_m,
        ),
        *path_gaps,
    )
    return _network(plant, study, parts, pieces, paths, terms, lengths, splices, gaps)


def _not_told(study: Study, link_gaps: list[Gap]) -> list[Gap]:
    """Gaps of links without those that the gaps of their traces say better."""
    if study.traced is None:
        return link_gaps
    told, bare = study.traced.failed, study.traced.bare
    return [
        gap
        for gap in link_gaps
        if gap.asset not in told and not (gap.asset in bare and gap.code == "link-without-runs")
    ]


def link_traces(network: Network, link: str | None = None) -> dict[str, dict[str, list[Step]]]:
    """Say what links are traced over, step by step: ports, cords, fibres, splices.

    Parameters
    ----------
    network : Network
        From `tie`.
    link : str, optional
        Id of one link; default: every link that gives its ports.

    Returns
    -------
    dict
        By link, `go` and, where it has ports of its own, `return`: steps as
        `waysapart.network.trace_steps.trace_steps` describes them.

    Examples
    --------
    >>> import waysapart as wa
    >>> network = wa.tie(wa.read_study("examples/estuary"))
    >>> wa.link_traces(network, "no such link")
    {}
    """
    nodes = CableNodes(network.chains, network.passed)
    return trace_steps(network.study, network.assets, nodes, link)


def tie_laid_links(
    network: Network, study: Study, cable: Ints, begin: Floats, stop: Floats, times: int
) -> Network:
    """Tie links that are laid along stretches of cable, to have their figures; without gaps.

    Parameters
    ----------
    network : Network
        With the same plant.
    study : Study
        Without circuits, and with the links: link k follows stretch k modulo their number.
    cable : ndarray of int, shape (stretches,)
    begin, stop : ndarray of float, shape (stretches,)
        Positions of nodes along the chain of the cable, the lesser first.
    times : int
        How many links follow each stretch.
    """
    parts, pieces = lay_links(network.chains, network.passed, cable, begin, stop, times)
    measures = _measures(study, network, parts, pieces)
    paths, _ = tie_paths(study, network.assets, measures[1].go_m)
    return _network(network, study, parts, pieces, paths, *measures, ())


def stretch_lengths_m(network: Network, cable: Ints, begin: Floats, stop: Floats) -> Floats:
    """Fibre length of stretches of cable.

    Parameters
    ----------
    network : Network
    cable : ndarray of int, shape (stretches,)
        Counted from 0.
    begin, stop : ndarray of float, shape (stretches,)
        Positions of nodes along the chain of the cable, the lesser first; 0 to 1 where nothing
        of its course is on record.

    Returns
    -------
    ndarray of float, shape (stretches,)
        Metres; NaN where the records give no figure.
    """
    chains = network.chains
    bare = np.diff(chains.first)[cable] == 0
    found = network.terms.fibre_m[cable]
    laid = np.flatnonzero(~bare)
    if len(laid):
        places = (cable[laid], begin[laid], stop[laid])
        parts, pieces = lay_links(chains, network.passed, *places, 1)
        tested = measured_lengths(network.study)
        terms = part_terms(
            network.study,
            parts,
            network.segment_m,
            network.sag_extra_m,
            tested.cable_m,
            chains.unclear,
        )
        found[laid] = terms.fibre_m[pieces.part]
    return found


def _network(plant: TiedPlant, *rest: Any) -> Network:
    """A network of a plant and of what goes over it, in the order of the fields."""
    return Network(*(getattr(plant, field.name) for field in fields(TiedPlant)), *rest)


_OVER_PLANT = {
    *("links", "link_runs", "circuits", "circuit_paths", "rings", "ring_circuits", "measurements"),
    *("splices", "terminations"),
}
"""Roles on which no field of `TiedPlant` depends."""


def _one_plant(one: Study, other: Study) -> bool:
    """Whether two studies have the same tables of plant: not equal ones, but the very same."""
    return (
        one.rules is other.rules
        and one.snap_m == other.snap_m
        and all(one.tables[role] is other.tables[role] for role in ROLES if role not in _OVER_PLANT)
    )


def _tie_plant(study: Study) -> TiedPlant:
    assets = number_assets(study)
    recorded, within, ignored = _holders(study, assets)
    above = _above(recorded)
    where = places(study, assets)
    ends = tie_ends(study, assets, where, above)
    passed = passing(study, assets, ends)
    matches = match_cables(study, assets, ends, passed, above)
    chains = chain_cables(study, assets, ends, passed, matches)
    lonlat = study.lonlat("segments")
    segment_m = segment_lengths_m(study, lonlat)
    return TiedPlant(
        assets,
        recorded,
        within,
        taken_by_hazards(study, assets),
        ends,
        passed,
        matches.frame,
        boolean(matches.common_cable, matches.common, (len(study.tables["cables"]), len(assets))),
        chains,
        lonlat,
        segment_m,
        sag_lengths_m(study, assets, segment_m, ends, passed),
        ignored,
        tuple(same_place(study, study.rules.defaults.same_place_m)),
    )


def _measures(
    study: Study, plant: TiedPlant, parts: Parts, pieces: LinkParts
) -> tuple[CableTerms, LinkLengths, Splices]:
    """Fibre lengths of stretches of cable and of links, and splices."""
    tested = measured_lengths(study)
    terms = part_terms(
        study, parts, plant.segment_m, plant.sag_extra_m, tested.cable_m, plant.chains.unclear
    )
    lengths = link_lengths(study, pieces, terms, tested, hop_lengths_m(study))
    splices = find_splices(
        study, plant.assets, parts, pieces, plant.passed, plant.segment_m, terms.fibre_m
    )
    return terms, lengths, splices


def _holders(study: Study, assets: Assets) -> tuple[sp.csr_array, sp.csr_array, tuple[str, ...]]:
    """What lies directly within what: on record, and without holders of an ignored kind.

    What an ignored holder lies within itself still holds all that lies in it. Whether a
    structure stands on a site is taken from the record in any case.
    """
    rows, columns = [], []
    for role in assets.start:
        if "within" not in ROLES[role].column:
            continue
        row, holder = listed(study.tables[role]["within"])
        rows.append(assets.start[role] + row)
        columns.append(assets.numbers(holder))
    row = np.concatenate(rows)
    column = np.concatenate(columns)
    shape = (len(assets), len(assets))
    recorded = boolean(row, column, shape)
    kinds = assets.frame["kind"].isin(study.rules.reliance.ignore_kinds).to_numpy()
    ignored = kinds[column] & (column >= 0)
    if not ignored.any():
        return recorded, recorded, ()
    names = tuple(sorted(set(assets.ids(column[ignored]))))
    kept = boolean(row[~ignored], column[~ignored], shape)
    onward = boolean(row[ignored], column[ignored], shape)
    through = onward
    while (further := sp.csr_array(through + through @ onward)).nnz > through.nnz:
        through = further
    within = sp.csr_array(kept + through @ kept)
    within.sum_duplicates()
    return recorded, within, names


def _above(within: sp.csr_array) -> Holders:
    """Make a function that returns all that holds an asset, at any depth; it keeps its results."""
    known: dict[int, frozenset[int]] = {}

    def above(number: int) -> frozenset[int]:
        if number not in known:
            holders = csr_row(within, number).tolist()
            known[number] = frozenset().union(*(reached(within, holder) for holder in holders))
        return known[number]

    return above
