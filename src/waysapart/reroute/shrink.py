"""Make a no-pair proof small enough to be read.

A proof needs only the risks that it speaks of. Proved again with these alone, the
search is led astray less and often needs fewer; then each one is left out in turn.
Edges that rely on none of them never part anything, so what they join is one node.
"""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Ints, boolean
from waysapart.reroute.graph import Question, RiskGraph, edge_risks
from waysapart.reroute.proof import Beyond, Cut, Few, Fork, Listed, NoPairProof, Parted, Rest, Tree
from waysapart.reroute.reduce import reduce_graph
from waysapart.reroute.search import Search

SHRINK_NODES = 400
"""Largest tree grown again when a proof is made smaller."""

SHRINK_RISKS = 24
"""Proofs with more risks than this are not tried risk by risk; nobody would read them."""


def made_small(
    graph: RiskGraph, question: Question, proof: NoPairProof, deadline: float
) -> NoPairProof:
    """A proof of the same with no more risks, none of which can be left out singly.

    Past `deadline` (`time.monotonic()`), or for proofs that are large, the best
    reached so far is returned.
    """
    risks = edge_risks(graph, question.s, question.t)
    while proof.size()[1] > 2 and time.monotonic() < deadline:
        again = _proved_with(graph, question, risks, proof, proof.risks(), deadline)
        if again is None or again.size() >= proof.size():
            break
        proof = again
    if 1 < proof.size()[0] <= SHRINK_RISKS:
        for risk in sorted(proof.risks()):
            if risk in proof.risks() and time.monotonic() < deadline:
                fewer = proof.risks() - {risk}
                proof = _proved_with(graph, question, risks, proof, fewer, deadline) or proof
    return proof


def _proved_with(
    graph: RiskGraph,
    question: Question,
    risks: Any,
    proof: NoPairProof,
    only: frozenset[int],
    deadline: float,
) -> NoPairProof | None:
    """A proof in which the paths need not avoid each other at other risks than `only`."""
    usable = np.ones(graph.n_edges, dtype=bool)
    usable[sorted(proof.without)] = False
    columns = risks.tocsc()[:, sorted(only)].tocsr()
    relies = np.diff(columns.indptr) > 0
    if question.limits:
        place, edges = np.arange(graph.n_nodes), np.flatnonzero(usable)
    else:
        free = usable & ~relies
        place = _joined(graph, free)
        edges = np.flatnonzero(usable & relies)
    s, t = int(place[question.s]), int(place[question.t])
    if s == t:
        return None
    numbered = sorted(only)
    small = RiskGraph(
        graph.n_nodes,
        place[graph.u[edges]],
        place[graph.v[edges]],
        graph.cost[edges],
        columns[edges],
        None,
        {name: weight[edges] for name, weight in graph.weights.items()},
    )
    start = frozenset(numbered.index(risk) for risk in proof.from_start & only)
    reduced = reduce_graph(small, Question(s, t))
    search = Search(reduced, proof.ways, question.limits, start, dict(proof.kept), None)
    search.run(deadline, SHRINK_NODES)
    if search.tree is None or search.best is not None:
        return None
    return replace(proof, tree=_renumbered(search.tree, edges, numbered))


def _joined(graph: RiskGraph, free: Any) -> Any:
    shape = (graph.n_nodes, graph.n_nodes)
    joined = boolean(graph.u[free], graph.v[free], shape)
    return connected_components(joined, directed=False)[1].astype(np.int64)


def _renumbered(tree: Tree, edges: Ints, risks: list[int]) -> Tree:
    """The tree with the edges and risks of the small graph named as in the whole one."""
    if isinstance(tree, Cut):
        cut = tuple(sorted(int(edges[edge]) for edge in tree.edges))
        return Cut(tree.way, cut, frozenset(risks[risk] for risk in tree.avoid))
    if isinstance(tree, Few):
        cut = tuple(sorted(int(edges[edge]) for edge in tree.edges))
        return Few(cut, frozenset(risks[risk] for risk in tree.avoid))
    if isinstance(tree, (Beyond, Listed)):
        return replace(tree, avoid=frozenset(risks[risk] for risk in tree.avoid))
    then = (_renumbered(tree.then[0], edges, risks), _renumbered(tree.then[1], edges, risks))
    used: frozenset[Rest] = frozenset(
        rest if len(rest) == 3 else (rest[0], risks[rest[1]]) for rest in tree.used
    )
    if isinstance(tree, Parted):
        return replace(tree, then=then, used=used)
    return Fork(risks[tree.risk], tree.between, then, used)
