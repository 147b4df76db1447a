"""Rerouting beside other programmes' answers: networkx, HiGHS, and published topologies."""

from __future__ import annotations

from itertools import combinations

import networkx as nx
import numpy as np
import pytest
import topohub
from scipy.sparse import csr_array

from published import published
from reroute_nets import by_integer_programme, geographic_net
from reroute_oracles import Plant, false_in_proof
from waysapart.reroute.search.disjoint_paths import best_pair, best_paths
from waysapart.reroute.search.risk_graph import Question, RiskGraph


def plain(net: nx.Graph, *, nodes: bool, cost: str | None = None) -> RiskGraph:
    """Every edge a risk, and every node if asked."""
    ends = np.array(net.edges(), dtype=np.int64)
    n, m = net.number_of_nodes(), len(ends)
    edge_risks = csr_array(np.hstack([np.eye(m), np.zeros((m, n))]).astype(bool))
    node_risks = csr_array(np.hstack([np.zeros((n, m)), np.eye(n)]).astype(bool))
    costs = [1 if cost is None else data[cost] for *_, data in net.edges(data=True)]
    return RiskGraph(
        n, ends[:, 0], ends[:, 1], np.array(costs), edge_risks, node_risks if nodes else None
    )


@published(
    "networkx-disjoint",
    "test_petersen",
    "three edge- and three node-disjoint paths of the Petersen graph from 0 to 6",
    of="disjointness",
)
@published(
    "networkx-disjoint",
    "test_octahedral",
    "four of either of the octahedral graph from 0 to 5",
    of="disjointness",
)
@published(
    "networkx-disjoint",
    "test_icosahedral",
    "five of either of the icosahedral graph from 0 to 6",
    of="disjointness",
)
@pytest.mark.parametrize(
    ("net", "s", "t", "count"),
    [
        (nx.petersen_graph(), 0, 6, 3),
        (nx.octahedral_graph(), 0, 5, 4),
        (nx.icosahedral_graph(), 0, 6, 5),
    ],
)
@pytest.mark.parametrize("nodes", [False, True])
def test_as_many_paths_as_published(net: nx.Graph, s: int, t: int, count: int, nodes: bool) -> None:
    """Edge- and node-disjoint path counts of networkx 3's tests/test_disjoint_paths.py."""
    graph = plain(net, nodes=nodes)
    assert best_paths(graph, Question(s, t), count).status == "apart"
    assert best_paths(graph, Question(s, t), count + 1).status == "none"
    listed = nx.node_disjoint_paths(net, s, t) if nodes else nx.edge_disjoint_paths(net, s, t)
    assert len(list(listed)) == count


def test_edge_disjoint_pairs_cost_what_a_minimum_cost_flow_costs() -> None:
    """40 random nets where each edge is a risk of its own; networkx's network simplex."""
    compared = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        net = nx.gnm_random_graph(14, 30, seed=seed)
        for _, _, data in net.edges(data=True):
            data["cost"] = int(rng.integers(1, 50))
        # Two nodes per node are not needed: only edges are contested.
        flow = nx.DiGraph()
        for a, b, data in net.edges(data=True):
            flow.add_edge(a, b, capacity=1, weight=data["cost"])
            flow.add_edge(b, a, capacity=1, weight=data["cost"])
        flow.add_nodes_from(net)
        flow.nodes[0]["demand"], flow.nodes[13]["demand"] = -2, 2
        answer = best_pair(plain(net, nodes=False, cost="cost"), Question(0, 13))
        try:
            wanted = nx.min_cost_flow_cost(flow)
        except nx.NetworkXUnfeasible:
            assert answer.status == "none"
            continue
        assert answer.cost == wanted
        compared += 1
    assert compared > 20


@pytest.mark.parametrize("rivers", [0, 2])
def test_medium_nets_as_an_integer_programme_solves_them(rivers: int) -> None:
    """Nets of 40 nodes with corridors, ducts and bridges; HiGHS through scipy.optimize.milp."""
    seen = set()
    for seed in range(5):
        net = geographic_net(40, seed, rivers)
        wanted = by_integer_programme(net.graph, net.question, 30.0)
        answer = best_pair(net.graph, net.question)
        assert (answer.status, answer.cost) == wanted, seed
        seen.add(wanted[0])
    assert "apart" in seen


@pytest.mark.parametrize("name", ["sndlib/germany50", "sndlib/polska", "sndlib/nobel-eu"])
def test_published_topologies_with_corridors(name: str) -> None:
    """Links whose middles lie within a fifth of the country's width of a corridor's middle.

    Topologies from SNDlib (Orlowski et al., Networks 55(3), 2010) as the topohub package
    holds them. Each pair of ends is compared with HiGHS, each 'none' proved.
    """
    data = topohub.get(name)
    places = np.array([node["pos"] for node in data["nodes"]], dtype=float)
    number = {node["id"]: at for at, node in enumerate(data["nodes"])}
    ends = np.array([(number[link["source"]], number[link["target"]]) for link in data["edges"]])
    middle = (places[ends[:, 0]] + places[ends[:, 1]]) / 2
    cost = np.round(1000 * np.hypot(*(places[ends[:, 0]] - places[ends[:, 1]]).T)).astype(int)
    width = np.ptp(places[:, 0])
    sets: list[set[int]] = [{edge} for edge in range(len(ends))]
    risks = len(ends)
    for corridor in range(0, len(ends), 6):
        near = np.flatnonzero(np.hypot(*(middle - middle[corridor]).T) < 0.08 * width)
        for edge in near.tolist():
            sets[edge].add(risks)
        risks += 1
    rows = [
        (int(u), int(v), int(c), own, {}) for (u, v), c, own in zip(ends, cost, sets, strict=True)
    ]
    nodes = [{risks + node} for node in range(len(places))]
    plant = Plant(len(places), rows, nodes, risks + len(places))
    graph = plant.graph()
    statuses = []
    pairs = list(combinations(range(len(places)), 2))
    for s, t in pairs[:: max(1, len(pairs) // 12)]:
        question = Question(s, t)
        answer = best_pair(graph, question)
        assert (answer.status, answer.cost) == by_integer_programme(graph, question, 60.0)
        if answer.status == "none":
            assert answer.proof is not None
            assert not false_in_proof(answer.proof.as_dict(), plant, question)
        statuses.append(answer.status)
    assert "apart" in statuses
