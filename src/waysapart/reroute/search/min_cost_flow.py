"""A minimum-cost flow that uses no edge or node with risks twice: a lower bound and its prices.

If k paths share no risk, they use each edge that relies on anything at most once, and so each
node whose edges all rely on one thing. With these conditions alone the problem is a minimum-cost
flow of k units, found by k shortest paths with potentials (Suurballe 1974, Suurballe and Tarjan
1984). The potentials give prices of the contested edges and nodes. With these prices the paths
can be searched one by one, and their costs still add up to a lower bound (Lagrangian relaxation
of the capacities).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from waysapart.arrays import Bools, Floats, Ints, owners
from waysapart.reroute.search.reduce import Reduced
from waysapart.reroute.search.shortest_paths import REACHED, distances, shortest, trace

UNPRICED = 1 << 20
"""A capacity above any number of paths."""


@dataclass(frozen=True)
class FlowNet:
    """The graph with every node split in two (in: x, out: n + x) for flows.

    Forward arcs: each edge in both directions, then each node; backward arcs
    follow in the same order. `node_risk` is a risk that all edges of the node
    rely on, or -1.
    """

    tail: Ints
    head: Ints
    cost: Ints
    capacity: Ints
    order: Ints
    indptr: Ints
    node_risk: Ints
    heads: npt.NDArray[np.int32]

    def arc_between(self, a: int, b: int) -> int:
        """The arc from `a` to `b`; backward arcs are numbered after all forward ones."""
        first, last = self.indptr[a], self.indptr[a + 1]
        return int(self.order[first + np.searchsorted(self.heads[first:last], b)])


@dataclass(frozen=True)
class Flow:
    """A cheapest flow and the prices it puts on edges and nodes.

    `weight` is twice (cost + edge price) plus the prices of both end nodes, so
    that a path's doubled priced cost is a plain sum over its edges. `bottleneck`
    lists contested risks that keep the flow from being full (then `cost` is -1), and
    `cut` edges that rely on them and part the ends, where no dead edge is needed too.
    """

    cost: int
    used: tuple[int, ...]
    paths: tuple[tuple[int, ...], ...]
    weight: Ints
    paid: int
    bottleneck: tuple[int, ...] = ()
    cut: tuple[int, ...] | None = None


def flow_net(reduced: Reduced) -> FlowNet:
    """Lay out the arrays of the split graph, once per question.

    Each node of the reduced graph is split into one that is entered and one that is left.

    Parameters
    ----------
    reduced : Reduced

    Returns
    -------
    FlowNet
    """
    n, u, v = reduced.n_nodes, reduced.u, reduced.v
    nodes = np.arange(n)
    tail = np.concatenate([u + n, v + n, nodes])
    head = np.concatenate([v, u, nodes + n])
    cost = np.concatenate([reduced.cost, reduced.cost, np.zeros(n, dtype=np.int64)])
    node_risk = _covering_risk(reduced)
    edge_free = np.diff(reduced.risks.indptr) == 0
    edge_room = np.where(edge_free, UNPRICED, 1)
    node_room = np.where(node_risk < 0, UNPRICED, 1)
    tails, heads = np.concatenate([tail, head]), np.concatenate([head, tail])
    order = np.lexsort((heads, tails))
    indptr = np.concatenate([[0], np.cumsum(np.bincount(tails, minlength=2 * n))])
    return FlowNet(
        tail=tail,
        head=head,
        cost=cost,
        capacity=np.concatenate([edge_room, edge_room, node_room]),
        order=order,
        indptr=indptr.astype(np.int32),
        node_risk=node_risk,
        heads=heads[order].astype(np.int32),
    )


def _covering_risk(reduced: Reduced) -> Ints:
    """For each inner node the largest risk that all its edges rely on, or -1."""
    edges, n = reduced.n_edges, reduced.n_nodes
    ends = np.concatenate([reduced.u, reduced.v])
    touch = csr_array(
        (np.ones(2 * edges, dtype=np.int32), (ends, np.tile(np.arange(edges), 2))),
        shape=(n, edges),
    )
    counts = csr_array(touch @ reduced.risks.astype(np.int32))
    degree = np.bincount(ends, minlength=n)
    rows = owners(counts.indptr)
    full = counts.data == degree[rows]
    size = np.diff(reduced.by_risk.indptr)
    found = np.full(n, -1, dtype=np.int64)
    rows, risks = rows[full], counts.indices[full]
    by_size = np.lexsort((-risks, size[risks]))
    found[rows[by_size]] = risks[by_size]  # the last one written is the largest
    found[[reduced.s, reduced.t]] = -1
    return found


def cheapest_flow(reduced: Reduced, net: FlowNet, dead: Bools, count: int) -> Flow:
    """A cheapest flow over edges that are not dead.

    Parameters
    ----------
    reduced : Reduced
    net : FlowNet
        From `flow_net`.
    dead : ndarray of bool, shape (edges,)
        Edges that may not be used. The end must be reachable from the start over the others.
    count : int
        Units of flow, one for each path.

    Returns
    -------
    Flow

    Notes
    -----
    O(paths x (m + n log n)).
    """
    n, edges = reduced.n_nodes, reduced.n_edges
    far, before = distances(reduced, reduced.cost, dead, reduced.s)
    capped = np.minimum(far, far[reduced.t])
    potential = np.concatenate([capped, capped])
    units = np.zeros(len(net.tail), dtype=np.int64)
    at = reduced.s
    for edge in trace(reduced, before, reduced.s, reduced.t):
        forward = int(reduced.u[edge]) == at
        units[edge if forward else edges + edge] += 1
        at = int(reduced.v[edge] if forward else reduced.u[edge])
        if at != reduced.t:
            units[2 * edges + at] += 1
    room = net.capacity.copy()
    room[: 2 * edges][np.tile(dead, 2)] = 0
    source, sink = n + reduced.s, reduced.t
    for _ in range(1, count):
        reached, before = _residual_search(net, units, room, potential, source)
        if reached[sink] > REACHED:
            return _blocked(reduced, net, reached < REACHED, units, room)
        potential = potential + np.minimum(reached, reached[sink])
        _augment(net, units, before, source, sink)
    return _priced(reduced, net, units, potential)


def _residual_search(
    net: FlowNet, units: Ints, room: Ints, potential: Floats, source: int
) -> tuple[Floats, npt.NDArray[np.int32]]:
    onward = net.cost + potential[net.tail] - potential[net.head]
    data = np.concatenate(
        [np.where(units < room, onward, np.inf), np.where(units > 0, -onward, np.inf)]
    )
    size = len(potential)
    residual = csr_array((data[net.order], net.heads, net.indptr), shape=(size, size))
    return shortest(residual, source)


def _augment(
    net: FlowNet, units: Ints, before: npt.NDArray[np.int32], source: int, sink: int
) -> None:
    forward = len(net.tail)
    at = sink
    while at != source:
        previous = int(before[at])
        arc = net.arc_between(previous, at)
        units[arc % forward] += 1 if arc < forward else -1
        at = previous


def _blocked(reduced: Reduced, net: FlowNet, reached: Bools, units: Ints, room: Ints) -> Flow:
    """Name a risk for each full arc of the cut that stops the flow."""
    crossing = reached[net.tail] & ~reached[net.head]
    full = np.flatnonzero(crossing & (room > 0) & (units >= room))
    size = np.diff(reduced.by_risk.indptr)
    risks: list[int] = []
    cut: set[int] = set()
    for arc in full.tolist():
        if arc >= 2 * reduced.n_edges:
            node = arc - 2 * reduced.n_edges
            risks.append(int(net.node_risk[node]))
            cut.update(np.flatnonzero((reduced.u == node) | (reduced.v == node)).tolist())
        else:
            own = reduced.risks_of(arc % reduced.n_edges)
            risks.append(int(own[np.argmax(size[own])]))
            cut.add(arc % reduced.n_edges)
    nothing = np.zeros(0, dtype=np.int64)
    whole = not (crossing & (room == 0)).any()
    return Flow(-1, (), (), nothing, 0, tuple(risks), tuple(sorted(cut)) if whole else None)


def _priced(reduced: Reduced, net: FlowNet, units: Ints, potential: Floats) -> Flow:
    edges = reduced.n_edges
    over = potential[net.head] - potential[net.tail] - net.cost
    price = np.where(net.capacity == 1, np.maximum(over, 0), 0).astype(np.int64)
    edge_price = np.maximum(price[:edges], price[edges : 2 * edges])
    node_price = price[2 * edges :]
    weight = 2 * (reduced.cost + edge_price) + node_price[reduced.u] + node_price[reduced.v]
    # One unit in each direction cancels out: the flow without both costs the same.
    there, back = units[:edges].copy(), units[edges : 2 * edges].copy()
    both = np.minimum(there, back)
    there -= both
    back -= both
    return Flow(
        cost=int((reduced.cost * (there + back)).sum()),
        used=tuple(np.flatnonzero(there + back).tolist()),
        paths=_taken_apart(reduced, there, back),
        weight=weight,
        paid=int(edge_price.sum() + node_price.sum()),
    )


def _taken_apart(reduced: Reduced, there: Ints, back: Ints) -> tuple[tuple[int, ...], ...]:
    """Split the flow into paths; cycles, which cost nothing, are left out."""
    onward: dict[int, list[tuple[int, int]]] = {}
    for edge in np.flatnonzero(there).tolist():
        onward.setdefault(int(reduced.u[edge]), []).extend(
            [(edge, int(reduced.v[edge]))] * int(there[edge])
        )
    for edge in np.flatnonzero(back).tolist():
        onward.setdefault(int(reduced.v[edge]), []).extend(
            [(edge, int(reduced.u[edge]))] * int(back[edge])
        )
    paths = []
    while onward.get(reduced.s):
        nodes: list[int] = [reduced.s]
        path: list[int] = []
        while nodes[-1] != reduced.t:
            edge, node = onward[nodes[-1]].pop()
            if node in nodes:
                keep = nodes.index(node)
                nodes, path = nodes[: keep + 1], path[:keep]
            else:
                nodes.append(node)
                path.append(edge)
        paths.append(tuple(path))
    return tuple(paths)
