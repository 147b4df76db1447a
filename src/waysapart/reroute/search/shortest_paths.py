"""Cheapest paths in the reduced graph, with and without limits along the path."""

from __future__ import annotations

import heapq
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse import csgraph, csr_array

from waysapart.arrays import Bools, Floats, owners
from waysapart.reroute.search.reduce import Reduced

# The stubs of scipy know fewer overloads of it than scipy does.
dijkstra: Any = csgraph.dijkstra


REACHED = 1e300
"""Distances above this mean that a node is not reached."""


class OutOfTimeError(Exception):
    """A search has reached its time limit; caught within this package."""


@dataclass(frozen=True)
class GraphPath:
    """One cheapest path: its edges in order and the value that was minimised."""

    edges: tuple[int, ...]
    value: int


def arcs(reduced: Reduced, weight: npt.NDArray[Any], dead: Bools) -> Any:
    """The graph as CSR with `weight` per edge; dead edges weigh infinity.

    Explicit zeros count as edges in `scipy.sparse.csgraph`; infinite weights are
    never followed because the searches set a finite limit.
    """
    per_edge = np.where(dead, np.inf, weight)
    shape = (reduced.n_nodes, reduced.n_nodes)
    return csr_array((per_edge[reduced.arc_edge], reduced.arc_head, reduced.indptr), shape=shape)


def distances(
    reduced: Reduced, weight: npt.NDArray[Any], dead: Bools, start: int
) -> tuple[Floats, npt.NDArray[np.int32]]:
    """Least sums from a node to all others (Dijkstra).

    Parameters
    ----------
    reduced : Reduced
    weight : ndarray, shape (edges,)
        Not negative.
    dead : ndarray of bool, shape (edges,)
        Edges that may not be used.
    start : int
        Node.

    Returns
    -------
    far : ndarray, shape (nodes,)
        Infinite where a node cannot be reached.
    before : ndarray of int32, shape (nodes,)
        The node before each on its cheapest path.
    """
    return shortest(arcs(reduced, weight, dead), start)


def shortest(graph: Any, start: int) -> tuple[Floats, npt.NDArray[np.int32]]:
    """Least sums from a node to all others (Dijkstra) in a matrix of arcs.

    Parameters
    ----------
    graph : csr_array, shape (nodes, nodes)
        From `arcs`.
    start : int
        Node.

    Returns
    -------
    far, before : ndarray, shape (nodes,)
        As in `distances`.
    """
    far, before = dijkstra(
        graph, directed=True, indices=start, return_predecessors=True, limit=REACHED
    )
    return far, before


def trace(reduced: Reduced, before: npt.NDArray[np.int32], start: int, end: int) -> tuple[int, ...]:
    """Edges of a path along Dijkstra's predecessors.

    Parameters
    ----------
    reduced : Reduced
    before : ndarray of int32, shape (nodes,)
        From `distances` with the same start.
    start, end : int
        Nodes; the end must have been reached.

    Returns
    -------
    tuple of int
        From start to end.
    """
    found = []
    at = end
    while at != start:
        previous = int(before[at])
        found.append(reduced.edge_between(previous, at))
        at = previous
    return tuple(reversed(found))


def cheapest(reduced: Reduced, weight: npt.NDArray[Any], dead: Bools) -> GraphPath | None:
    """The path of least weight from end to end.

    Parameters
    ----------
    reduced : Reduced
    weight : ndarray, shape (edges,)
        Not negative.
    dead : ndarray of bool, shape (edges,)
        Edges that may not be used.

    Returns
    -------
    GraphPath or None
        None where dead edges part the ends.
    """
    far, before = distances(reduced, weight, dead, reduced.s)
    if far[reduced.t] > REACHED:
        return None
    return GraphPath(trace(reduced, before, reduced.s, reduced.t), round(float(far[reduced.t])))


@dataclass(frozen=True, order=True)
class Window:
    """The sum of a weight along a path must lie between `least` and `most`, both included."""

    weight: str
    least: int
    most: int

    def holds(self, total: int) -> bool:
        """Whether a sum lies in the window."""
        return self.least <= total <= self.most


def cheapest_within(
    reduced: Reduced, windows: Sequence[Window], dead: Bools, deadline: float
) -> GraphPath | None:
    """The cheapest path whose sums lie in every window.

    Parameters
    ----------
    reduced : Reduced
    windows : sequence of Window
    dead : ndarray of bool, shape (edges,)
        Edges that may not be used.
    deadline : float
        As `time.monotonic()` gives it, in seconds.

    Returns
    -------
    GraphPath or None
        None if there is none.

    Raises
    ------
    OutOfTimeError
        The deadline has passed.

    Notes
    -----
    Exact label setting. Labels (cost, sums) leave a heap in order of a lower bound
    on the whole cost. A label is dropped when a sum cannot stay below its most,
    or when another label at its node is no worse in everything. Where a window
    has a least sum above zero, a longer path may be the better one: then labels
    remember the nodes passed, and only a label that has passed no other nodes,
    costs no more and has the same sum drops another one. NP-hard, so exponential
    at worst.
    """
    ahead = [distances(reduced, reduced.weights[w.weight], dead, reduced.t)[0] for w in windows]
    if any(far[reduced.s] > w.most for far, w in zip(ahead, windows, strict=True)):
        return None
    floors = [w.least > far[reduced.s] for far, w in zip(ahead, windows, strict=True)]
    for floor, window in zip(floors, windows, strict=True):
        if floor and _longest_at_most(reduced, window.weight, dead) < window.least:
            return None
    rates = [
        _least_rate(reduced, w.weight, dead) if f else 0.0
        for f, w in zip(floors, windows, strict=True)
    ]
    return _label_setting(reduced, windows, dead, deadline, ahead, floors, rates)


def _label_setting(
    reduced: Reduced,
    windows: Sequence[Window],
    dead: Bools,
    deadline: float,
    ahead: Sequence[Floats],
    floors: Sequence[bool],
    rates: Sequence[float],
) -> GraphPath | None:
    simple = any(floors)
    cost_ahead = distances(reduced, reduced.cost, dead, reduced.t)[0].tolist()
    to_come = [far.tolist() for far in ahead]
    weights = [reduced.weights[w.weight].tolist() for w in windows]
    cost = reduced.cost.tolist()
    most = [w.most for w in windows]
    short_of = [(at, w.least, rates[at]) for at, w in enumerate(windows) if floors[at]]
    # By node, and by the sums that have a least: labels that differ in those never drop each other.
    kept: dict[tuple[int, ...], list[tuple[int, tuple[int, ...], int]]] = {}
    back: list[tuple[int, int]] = [(-1, -1)]
    # Of equal bounds the label with the most edges comes first.
    none_yet = (0,) * len(windows)
    passed_at_first = 1 << reduced.s if simple else 0
    heap = [(float(cost_ahead[reduced.s]), 0, 0, reduced.s, none_yet, passed_at_first)]
    pops = 0
    while heap:
        _, minus_spent, label, node, sums, passed = heapq.heappop(heap)
        spent, pops = -minus_spent, pops + 1
        if pops % 512 == 0 and time.monotonic() > deadline:
            raise OutOfTimeError
        alike = (node, *(total for total, floor in zip(sums, floors, strict=True) if floor))
        if _no_better(spent, sums, passed, kept.get(alike, ())):
            continue
        if node == reduced.t:
            if all(w.holds(total) for w, total in zip(windows, sums, strict=True)):
                return GraphPath(_unwind(back, label), spent)
            continue
        kept.setdefault(alike, []).append((spent, sums, passed))
        for arc in range(reduced.indptr[node], reduced.indptr[node + 1]):
            edge, head = int(reduced.arc_edge[arc]), int(reduced.arc_head[arc])
            if dead[edge] or cost_ahead[head] > REACHED or (simple and passed >> head & 1):
                continue
            onward = tuple(total + w[edge] for total, w in zip(sums, weights, strict=True))
            if any(
                total + far[head] > limit
                for total, far, limit in zip(onward, to_come, most, strict=True)
            ):
                continue
            total_cost = spent + cost[edge]
            bound = total_cost + cost_ahead[head]
            for at, least, rate in short_of:
                bound = max(bound, total_cost + rate * (least - onward[at]))
            back.append((label, edge))
            nodes_passed = passed | 1 << head if simple else 0
            entry = (bound, -total_cost, len(back) - 1, head, onward, nodes_passed)
            heapq.heappush(heap, entry)
    return None


def _no_better(
    spent: int,
    sums: tuple[int, ...],
    passed: int,
    others: Sequence[tuple[int, tuple[int, ...], int]],
) -> bool:
    """Whether another label at the node is no worse in everything, and has passed no other nodes.

    Where no sum has a least, no nodes are remembered.
    """
    for other, totals, nodes in others:
        if other > spent or passed & nodes != nodes:
            continue
        for total, mine in zip(totals, sums, strict=True):
            if total > mine:
                break
        else:
            return True
    return False


def _longest_at_most(reduced: Reduced, name: str, dead: Bools) -> float:
    """Upper bound of the sum of any path: two edges at each node passed, one at each end."""
    weight = np.where(dead, 0, reduced.weights[name])[reduced.arc_edge]
    if not len(weight):
        return 0.0
    tail = owners(reduced.indptr)
    order = np.lexsort((-weight, tail))
    rank = np.arange(len(tail)) - reduced.indptr[tail[order]]
    allowed = np.where((tail[order] == reduced.s) | (tail[order] == reduced.t), 1, 2)
    return float(weight[order][rank < allowed].sum()) / 2


def _least_rate(reduced: Reduced, name: str, dead: Bools) -> float:
    """The least cost for one unit of a weight on any edge alive, rounded down."""
    some = ~dead & (reduced.weights[name] > 0)
    if not some.any():
        return 0.0
    rate = float((reduced.cost[some] / reduced.weights[name][some]).min())
    return rate * (1 - 1e-9)


def _unwind(back: list[tuple[int, int]], label: int) -> tuple[int, ...]:
    edges = []
    while label:
        label, edge = back[label]
        edges.append(edge)
    return tuple(reversed(edges))
