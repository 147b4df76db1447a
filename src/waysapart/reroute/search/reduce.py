"""The reduced graph in which paths are searched, and its edges as edges on record.

Dead ends are removed and chains of nodes of degree 2 contracted to one edge. Parallel edges are
split by a node in the middle, all but one of them, so that two nodes identify an edge. None of
this changes which paths exist or what they cost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Bools, Ints, boolean, csr_row, owners
from waysapart.reroute.search.risk_graph import Question, RiskGraph, SparseBool, edge_risks


@dataclass(frozen=True)
class Reduced:
    """A simple graph without dead ends, equal to the graph asked about.

    `arc_*` describe its two arcs per edge as one CSR, heads rising. `original[e]` are the
    edges on record that edge `e` stands for, in the order met from `u[e]`;
    `chain[e]` is equal for the two halves of one split parallel edge, `whole` is
    False on the second of them, which costs nothing more.
    """

    n_nodes: int
    s: int
    t: int
    u: Ints
    v: Ints
    cost: Ints
    weights: dict[str, Ints]
    risks: SparseBool
    by_risk: SparseBool
    original: list[list[int]]
    whole: Bools
    chain: Ints
    indptr: Ints
    arc_head: Ints
    arc_edge: Ints
    record_risks: SparseBool

    @property
    def n_edges(self) -> int:
        """Number of edges."""
        return len(self.u)

    def edge_between(self, a: int, b: int) -> int:
        """The edge that joins two neighbouring nodes."""
        first, last = self.indptr[a], self.indptr[a + 1]
        return int(self.arc_edge[first + np.searchsorted(self.arc_head[first:last], b)])

    def edges_of(self, risk: int) -> Ints:
        """Edges that rely on `risk`."""
        found: Ints = csr_row(self.by_risk, risk)
        return found

    def risks_of(self, edge: int) -> Ints:
        """Risks, other than exempt ones, that `edge` relies on."""
        found: Ints = csr_row(self.risks, edge)
        return found

    def on_record(self, path: list[int]) -> list[int]:
        """The edges on record of a path, given as edges of this graph from `s` on.

        Parameters
        ----------
        path : list of int

        Returns
        -------
        list of int
        """
        found: list[int] = []
        last_chain, at = -1, self.s
        for edge in path:
            forward = int(self.u[edge]) == at
            at = int(self.v[edge] if forward else self.u[edge])
            if self.chain[edge] != last_chain:
                found.extend(self.original[edge] if forward else self.original[edge][::-1])
            last_chain = int(self.chain[edge])
        return found

    def cut_on_record(self, cut: list[int], avoid: frozenset[int]) -> list[int]:
        """The edges on record of a cut: in each of its edges one that relies on a risk in `avoid`.

        Parameters
        ----------
        cut : list of int
            Edges of this graph.
        avoid : frozenset of int
            Risks.

        Returns
        -------
        list of int
            In ascending order.
        """
        found = set()
        for edge in cut:
            for origin in self.original[edge]:
                row = csr_row(self.record_risks, origin)
                if not avoid.isdisjoint(row.tolist()):
                    found.add(origin)
                    break
        return sorted(found)


def reduce_graph(graph: RiskGraph, question: Question) -> Reduced:
    """Remove dead ends and contract chains of degree 2, for one question.

    Exempt risks are dropped, forbidden edges removed.

    Parameters
    ----------
    graph : RiskGraph
    question : Question

    Returns
    -------
    Reduced

    Notes
    -----
    Linear in the edges and the risks they rely on.

    Examples
    --------
    >>> graph = RiskGraph(4, [0, 1, 0, 2], [1, 3, 2, 3], [1, 1, 2, 2], np.eye(4, dtype=bool))
    >>> reduce_graph(graph, Question(0, 3)).n_edges
    3
    """
    s, t = question.s, question.t
    record_risks = edge_risks(graph, s, t)
    usable = _usable(graph, question, record_risks)
    edges = np.flatnonzero(usable)
    edges = _without_dead_ends(graph, edges, s, t)
    chain_of, n_chains = _chains(graph, edges, s, t)
    return _assemble(graph, question, edges, chain_of, n_chains, _counted(record_risks, question))


def _usable(graph: RiskGraph, question: Question, risks: SparseBool) -> Bools:
    usable: Bools = graph.u != graph.v
    usable[list(question.forbidden_edges)] = False
    if len(question.forbidden_risks):
        banned = np.zeros(graph.n_risks, dtype=bool)
        banned[list(question.forbidden_risks)] = True
        usable &= ~np.asarray(risks @ banned, dtype=bool)
    return usable


def _counted(risks: SparseBool, question: Question) -> SparseBool:
    """The risks with exempt ones dropped."""
    if not len(question.exempt):
        return risks
    kept = np.ones(risks.shape[1], dtype=bool)
    kept[list(question.exempt)] = False
    rows = owners(risks.indptr)
    some = kept[risks.indices]
    return boolean(rows[some], risks.indices[some], risks.shape)


def _without_dead_ends(graph: RiskGraph, edges: Ints, s: int, t: int) -> Ints:
    """Remove what is not connected to `s`, then trees that hang on a single node."""
    n = graph.n_nodes
    u, v = graph.u[edges], graph.v[edges]
    joined = boolean(u, v, (n, n))
    part = connected_components(joined, directed=False)[1]
    edges = edges[part[u] == part[s]]
    while True:
        u, v = graph.u[edges], graph.v[edges]
        degree = np.bincount(np.concatenate([u, v]), minlength=n)
        loose = degree == 1
        loose[[s, t]] = False
        keep = ~(loose[u] | loose[v])
        if keep.all():
            return edges
        edges = edges[keep]


def _chains(graph: RiskGraph, edges: Ints, s: int, t: int) -> tuple[Ints, int]:
    """Number the chains: edges that meet only at nodes of degree 2."""
    ends = np.concatenate([graph.u[edges], graph.v[edges]])
    edge_at = np.tile(np.arange(len(edges)), 2)
    degree = np.bincount(ends, minlength=graph.n_nodes)
    passing = degree == 2
    passing[[s, t]] = False
    inner = passing[ends]
    order = np.argsort(ends[inner], kind="stable")
    pairs = edge_at[inner][order].reshape(-1, 2)
    links = boolean(pairs[:, 0], pairs[:, 1], (len(edges), len(edges)))
    count, chain_of = connected_components(links, directed=False)
    return chain_of.astype(np.int64), int(count)


def _assemble(
    graph: RiskGraph,
    question: Question,
    edges: Ints,
    chain_of: Ints,
    n_chains: int,
    risks: SparseBool,
) -> Reduced:
    s, t = question.s, question.t
    order = np.argsort(chain_of, kind="stable")
    bounds = np.searchsorted(chain_of[order], np.arange(n_chains + 1))
    rows: list[tuple[int, int, list[int]]] = []
    for number in range(n_chains):
        members = edges[order[bounds[number] : bounds[number + 1]]]
        run = _in_order(graph, members.tolist())
        if run is not None:
            rows.append(run)
    # Parallel chains: the first keeps its ends, each further one gets a node in its middle.
    node_number: dict[int, int] = {s: 0, t: 1}
    halves: list[tuple[int, int, int, bool]] = []
    taken: set[tuple[int, int]] = set()
    middle_nodes = 0
    for row, (a, b, _) in enumerate(rows):
        i, j = (node_number.setdefault(x, len(node_number)) for x in (a, b))
        key = (min(i, j), max(i, j))
        if key not in taken:
            taken.add(key)
            halves.append((i, j, row, True))
        else:
            middle_nodes += 1
            halves.append((i, -middle_nodes, row, True))
            halves.append((-middle_nodes, j, row, False))
    base = len(node_number) - 1
    u = np.array([i if i >= 0 else base - i for i, _, _, _ in halves], dtype=np.int64)
    v = np.array([j if j >= 0 else base - j for _, j, _, _ in halves], dtype=np.int64)
    row_of = np.array([row for _, _, row, _ in halves], dtype=np.int64)
    first = np.array([flag for *_, flag in halves], dtype=bool)
    n = len(node_number) + middle_nodes

    lengths = [len(run) for _, _, run in rows]
    flat = np.array([edge for _, _, run in rows for edge in run], dtype=np.int64)
    flat_row = np.repeat(np.arange(len(rows)), lengths)
    gather = boolean(flat_row, flat, (len(rows), graph.n_edges))
    run_risks = csr_array(gather @ risks, dtype=bool)

    def along(values: Ints) -> Ints:
        # Whole sums below 2**51 are exact as floats, which bincount returns.
        sums = np.bincount(flat_row, weights=values[flat].astype(float), minlength=len(rows))
        return np.asarray(np.where(first, sums[row_of], 0), dtype=np.int64)

    own: Any = csr_array(run_risks[row_of])
    own.sort_indices()
    tails, heads = np.concatenate([u, v]), np.concatenate([v, u])
    arc_order = np.lexsort((heads, tails))
    numbers = np.tile(np.arange(len(u)), 2)
    indptr = np.concatenate([[0], np.cumsum(np.bincount(tails, minlength=n))])
    by_risk: Any = own.T.tocsr()
    by_risk.sort_indices()
    return Reduced(
        n_nodes=n,
        s=0,
        t=1,
        u=u,
        v=v,
        cost=along(graph.cost),
        weights={k: along(w) for k, w in graph.weights.items()},
        risks=own,
        by_risk=by_risk,
        whole=first,
        original=[rows[row][2] for row in row_of.tolist()],
        chain=row_of,
        indptr=indptr.astype(np.int32),
        arc_head=heads[arc_order].astype(np.int32),
        arc_edge=numbers[arc_order],
        record_risks=risks,
    )


def _in_order(graph: RiskGraph, members: list[int]) -> tuple[int, int, list[int]] | None:
    """Order the edges of one chain; None where the chain is a closed loop."""
    if len(members) == 1:
        edge = members[0]
        return int(graph.u[edge]), int(graph.v[edge]), members
    at: dict[int, list[int]] = {}
    for edge in members:
        at.setdefault(int(graph.u[edge]), []).append(edge)
        at.setdefault(int(graph.v[edge]), []).append(edge)
    ends = sorted(node for node, met in at.items() if len(met) == 1)
    if len(ends) != 2:
        return None
    node = ends[0]
    run: list[int] = []
    used: set[int] = set()
    while True:
        onward = [edge for edge in at[node] if edge not in used]
        if not onward:
            return ends[0], node, run
        edge = onward[0]
        used.add(edge)
        run.append(edge)
        node = int(graph.v[edge]) if int(graph.u[edge]) == node else int(graph.u[edge])
