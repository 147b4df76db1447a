"""Disjoint paths, bridges and articulation points as networkx finds them, on published topologies.

Each edge of a topology is a line of towers with a ground wire, each node a site with a
multiplexer. networkx knows the bare graph, the program the plant; rules on separation
in space are off, so that a verdict rests on what paths share.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from typing import Any

import networkx as nx
import pytest
import shapely

from everyday import some
from national import National, plant_on, scattered, write
from proofs import proof_of

TOPOLOGIES = (
    "sndlib/polska",
    "topozoo/SwitchL3",
    "topozoo/Surfnet",
    "topozoo/Iris",
    "topozoo/Garr201201",
)
PAIRS = 60
SPAN_M = 10_000.0

Ways = tuple[list[str], list[str]]


@dataclass
class Case:
    """A topology's study with its circuits of two kinds, and what was proved of them."""

    made: National
    node_disjoint: dict[str, Ways] = field(default_factory=dict)
    over_bridges: dict[str, Ways] = field(default_factory=dict)
    facts: dict[str, dict[str, Any]] = field(default_factory=dict)

    def line_assets(self, edges: set[frozenset[str]]) -> set[str]:
        """Cable, spans and towers of the lines on some edges."""
        prefixes = {self.made.line[edge] for edge in edges}
        return {
            row["id"]
            for role in ("cables", "segments", "structures")
            for row in self.made.rows[role]
            if row["id"].split("-")[0] in prefixes
        }


def edges_of(way: list[str]) -> set[frozenset[str]]:
    return {frozenset(pair) for pair in pairwise(way)}


def least_shared(graph: nx.Graph[str], a: str, b: str) -> Ways:
    """Two paths that have only bridges in common: edge-disjoint once every bridge is doubled."""
    doubled: nx.Graph[str] = nx.Graph(graph.edges)
    for number, (one, other) in enumerate(nx.bridges(graph)):
        doubled.add_edge(one, f"twin-{number}")
        doubled.add_edge(f"twin-{number}", other)
    ways = sorted(nx.edge_disjoint_paths(doubled, a, b), key=lambda way: (len(way), way))
    first, second = ([node for node in way if not node.startswith("twin-")] for way in ways[:2])
    return first, second


def clear_of_each_other(made: National) -> bool:
    """Whether no line leads within 5 m of another line's tower, which both would then share."""
    segments, towers = made.rows["segments"], made.rows["structures"]
    tree = shapely.STRtree([row["geometry"] for row in segments])
    tower, segment = tree.query(
        [row["geometry"] for row in towers], predicate="dwithin", distance=5.0
    )
    return all(
        towers[one]["id"].split("-")[0] == segments[other]["id"].split("-")[0]
        for one, other in zip(tower, segment, strict=True)
    )


@pytest.fixture(scope="module", params=some(TOPOLOGIES, every=6))
def case(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Case:
    rng = random.Random(str(request.param))
    made = plant_on(scattered(request.param, rng), SPAN_M, rng, right_of_way=False)
    while not clear_of_each_other(made):
        made = plant_on(scattered(request.param, rng), SPAN_M, rng, right_of_way=False)
    graph = made.graph
    found = Case(made)
    pairs = list(combinations(sorted(graph.nodes), 2))
    for a, b in rng.sample(pairs, min(PAIRS, len(pairs))):
        ways = sorted(nx.node_disjoint_paths(graph, a, b), key=len)
        if len(ways) > 1:
            found.node_disjoint[f"{a}-{b}-nodes"] = list(ways[0]), list(ways[1])
        found.over_bridges[f"{a}-{b}-edges"] = least_shared(graph, a, b)
    for name, (main, alternate) in {**found.node_disjoint, **found.over_bridges}.items():
        made.circuit(name, main, alternate)
    folder = write(made, tmp_path_factory.mktemp("topology"), near=False)
    proof = proof_of(folder)
    assert proof.record_gaps == ()
    found.facts = {circuit["id"]: circuit for circuit in proof.facts()["circuits"]}
    return found


def shared(facts: dict[str, Any]) -> set[str]:
    return {row["asset"] for row in facts["shared"]}


def test_node_disjoint_paths_are_apart(case: Case) -> None:
    """Two paths that meet in no node but their ends: apart, and only the ends are unavoidable."""
    assert case.node_disjoint
    for name, (main, _) in case.node_disjoint.items():
        facts = case.facts[name]
        ends = {main[0], main[-1]}
        assert facts["verdict"] == "apart", name
        assert shared(facts) == set(), name
        assert set(facts["unavoidable"]) == ends | {f"MUX-{end}" for end in ends}, name


def test_ways_share_the_bridges_between_their_ends(case: Case) -> None:
    """Ways that are disjoint but for bridges share the plant of just those bridges.

    A bridge lies between two sites when removing it parts them. All other things
    shared are sites that both paths pass, with their multiplexers; every articulation
    point that parts the two sites is among them.
    """
    graph = case.made.graph
    bridges = [frozenset(edge) for edge in nx.bridges(graph)]
    joints = set(nx.articulation_points(graph))
    met = 0
    for name, (main, alternate) in case.over_bridges.items():
        a, b = main[0], main[-1]
        parting = {
            edge
            for edge in bridges
            if not nx.has_path(nx.restricted_view(graph, [], [tuple(edge)]), a, b)
        }
        passed = (set(main) & set(alternate)) - {a, b}
        points = shared(case.facts[name])
        sites = passed | {f"MUX-{site}" for site in passed}
        assert points - sites == case.line_assets(parting), name
        assert sites <= points, name
        needed = {
            site
            for site in joints - {a, b}
            if not nx.has_path(nx.restricted_view(graph, [site], []), a, b)
        }
        assert needed <= points, name
        expected = "shared" if parting or passed else "apart"
        assert case.facts[name]["verdict"] == expected, name
        met += bool(parting)
    assert bool(met) == bool(bridges)


def test_removing_what_is_shared_parts_the_paths(case: Case) -> None:
    """Every edge that both paths use is a bridge, and no edge of one path alone is."""
    bridges = {frozenset(edge) for edge in nx.bridges(case.made.graph)}
    for name, (main, alternate) in case.over_bridges.items():
        both = edges_of(main) & edges_of(alternate)
        assert both <= bridges, name
        lines = {case.made.line[edge] for edge in both}
        cables = {asset for asset in shared(case.facts[name]) if asset.endswith("-OPGW")}
        assert cables == {f"{line}-OPGW" for line in lines}, name
