"""What a search for separate paths needs to know of the plant, as arrays.

The graph is undirected and may have parallel edges. What an edge *relies on* is a
row of a boolean matrix edge x risk; a risk is whatever one event puts out of service: a
tower, a pit, a road with all its ducts, a flood area. A node may bring risks too
(everything at a site): a path relies on them where it passes the node or ends an
edge there, not at its own two ends.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from waysapart.arrays import Ints, boolean, csr_row
from waysapart.errors import CallError

# scipy's type stubs differ between releases on the sparse array's parameters.
SparseBool = Any

LARGEST_SUM = 2**51
"""Costs must add up to less than this, so that sums are exact in float64 even doubled."""


@dataclass(frozen=True)
class RiskGraph:
    """An undirected multigraph whose edges and nodes rely on risks.

    Attributes
    ----------
    n_nodes
        Number of nodes; they are numbered from 0.
    u, v
        The two ends of each edge, shape (edges,).
    cost
        Cost of each edge, a whole number >= 0 (say millimetres), shape (edges,).
    risks
        Boolean CSR, shape (edges, risks): what each edge relies on.
    node_risks
        Boolean CSR, shape (nodes, risks), or None.
    weights
        Further whole-number weights >= 0 by name (delay in ns, loss in
        thousandths of a dB), each of shape (edges,). Whole numbers keep every
        comparison with a limit exact.
    """

    n_nodes: int
    u: Ints
    v: Ints
    cost: Ints
    risks: SparseBool
    node_risks: SparseBool | None = None
    weights: Mapping[str, Ints] = field(default_factory=dict)

    def __post_init__(self) -> None:
        set_once = object.__setattr__
        set_once(self, "u", np.asarray(self.u, dtype=np.int64))
        set_once(self, "v", np.asarray(self.v, dtype=np.int64))
        set_once(self, "cost", _whole(self.cost, "cost"))
        set_once(self, "risks", csr_array(self.risks, dtype=bool))
        set_once(self, "weights", {k: _whole(w, k) for k, w in self.weights.items()})
        if self.node_risks is not None:
            set_once(self, "node_risks", csr_array(self.node_risks, dtype=bool))
        self._check()

    def _check(self) -> None:
        edges = len(self.u)
        for name, values in {"v": self.v, "cost": self.cost, **self.weights}.items():
            if values.shape != (edges,):
                raise CallError(f"{name} has shape {values.shape}, expected ({edges},) as u has")
        if self.risks.shape[0] != edges:
            raise CallError(f"risks has {self.risks.shape[0]} rows, expected one per edge: {edges}")
        ends = np.concatenate([self.u, self.v])
        if edges and (ends.min() < 0 or ends.max() >= self.n_nodes):
            raise CallError(f"an edge ends outside the nodes 0..{self.n_nodes - 1}")
        expected = (self.n_nodes, self.n_risks)
        if self.node_risks is not None and self.node_risks.shape != expected:
            raise CallError(f"node_risks has shape {self.node_risks.shape}, expected {expected}")

    @property
    def n_edges(self) -> int:
        """Number of edges."""
        return len(self.u)

    @property
    def n_risks(self) -> int:
        """Number of risks."""
        return int(self.risks.shape[1])

    def take_edges(self, edges: Sequence[int] | Ints) -> RiskGraph:
        """The same nodes and risks with some edges only.

        Parameters
        ----------
        edges : sequence of int
            Numbers of edges, in the order in which they are wanted.

        Returns
        -------
        RiskGraph
        """
        at = np.asarray(edges, dtype=np.int64)
        return replace(
            self,
            u=self.u[at],
            v=self.v[at],
            cost=self.cost[at],
            risks=self.risks[at],
            weights={k: w[at] for k, w in self.weights.items()},
        )


@dataclass(frozen=True)
class PathLimits:
    """Limits of each path, and of the difference between paths.

    Attributes
    ----------
    most
        Largest sum along one path, by name of a weight.
    apart_most
        Largest difference between any two paths, by name of a weight (the
        asymmetry of delay).
    """

    most: Mapping[str, int] = field(default_factory=dict)
    apart_most: Mapping[str, int] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.most or self.apart_most)


@dataclass(frozen=True)
class Question:
    """The ends between which separate paths are searched, and the conditions.

    Attributes
    ----------
    s, t
        The two end nodes; different ones.
    exempt
        Risks that both paths may share (unavoidable at the ends, or waived).
    forbidden_edges, forbidden_risks
        What no path may use.
    keep
        Edges of one path that stays as it is; the other paths are sought for it.
    limits
        See `PathLimits`; the kept path must keep them as well.
    """

    s: int
    t: int
    exempt: Sequence[int] = ()
    forbidden_edges: Sequence[int] = ()
    forbidden_risks: Sequence[int] = ()
    keep: Sequence[int] | None = None
    limits: PathLimits = field(default_factory=PathLimits)


def _whole(values: npt.ArrayLike, name: str) -> Ints:
    found = np.asarray(values)
    whole = found.astype(np.int64)
    if found.size and (not np.array_equal(found, whole) or whole.min() < 0):
        raise CallError(f"{name} must be whole numbers >= 0; scale it (say to millimetres)")
    if float(whole.astype(float).sum()) >= LARGEST_SUM:
        raise CallError(f"{name} adds up to 2**51 or more; use a coarser unit")
    return whole


def check_question(graph: RiskGraph, question: Question) -> None:
    """Refuse a question that has no meaning on a graph.

    Parameters
    ----------
    graph : RiskGraph
    question : Question

    Raises
    ------
    CallError
        Ends equal or unknown, an unknown edge, risk or weight, or a kept path
        that does not lead from `s` to `t`.
    """
    if question.s == question.t:
        raise CallError("both ends are the same node; nothing to route")
    for node in (question.s, question.t):
        if not 0 <= node < graph.n_nodes:
            raise CallError(f"end {node} is not one of the nodes 0..{graph.n_nodes - 1}")
    _within_range(question.exempt, graph.n_risks, "exempt risk")
    _within_range(question.forbidden_risks, graph.n_risks, "forbidden risk")
    _within_range(question.forbidden_edges, graph.n_edges, "forbidden edge")
    for name in (*question.limits.most, *question.limits.apart_most):
        if name not in graph.weights:
            raise CallError(f"a limit on {name!r}, but the edges have {sorted(graph.weights)}")
    if question.keep is not None:
        _within_range(question.keep, graph.n_edges, "kept edge")
        walk(graph, question.keep, question.s, question.t)


def _within_range(values: Iterable[int], size: int, what: str) -> None:
    for value in values:
        if not 0 <= value < size:
            raise CallError(f"{what} {value} is not one of 0..{size - 1}")


def walk(graph: RiskGraph, edges: Sequence[int], s: int, t: int) -> list[int]:
    """Nodes met along some edges.

    Parameters
    ----------
    graph : RiskGraph
    edges : sequence of int
        From `s` to `t`.
    s, t : int
        Nodes at the ends.

    Returns
    -------
    list of int
        Both ends included.

    Raises
    ------
    CallError
        The edges are not connected in this order.

    Examples
    --------
    >>> graph = RiskGraph(4, [0, 1, 0, 2], [1, 3, 2, 3], [1, 1, 2, 2], np.eye(4, dtype=bool))
    >>> walk(graph, [2, 3], 0, 3)
    [0, 2, 3]
    """
    nodes = [s]
    for edge in edges:
        u, v = int(graph.u[edge]), int(graph.v[edge])
        if nodes[-1] not in (u, v):
            raise CallError(f"edge {edge} does not start where the one before it ends")
        nodes.append(v if nodes[-1] == u else u)
    if nodes[-1] != t:
        raise CallError(f"the path ends at node {nodes[-1]}, expected {t}")
    return nodes


def edge_risks(graph: RiskGraph, s: int, t: int) -> SparseBool:
    """What each edge relies on, its end nodes included except `s` and `t`.

    Parameters
    ----------
    graph : RiskGraph
    s, t : int
        Nodes at the ends.

    Returns
    -------
    csr_array of bool, shape (edges, risks)
    """
    if graph.node_risks is None:
        return graph.risks
    edges = graph.n_edges
    rows = np.tile(np.arange(edges), 2)
    nodes = np.concatenate([graph.u, graph.v])
    passed = (nodes != s) & (nodes != t)
    ends = boolean(rows[passed], nodes[passed], (edges, graph.n_nodes))
    folded = csr_array(graph.risks + ends @ graph.node_risks, dtype=bool)
    folded.sum_duplicates()
    return folded


def risks_of_path(risks: SparseBool, edges: Sequence[int]) -> frozenset[int]:
    """All risks that a path relies on.

    Parameters
    ----------
    risks : csr_array of bool, shape (edges, risks)
        From `edge_risks`.
    edges : sequence of int
        Of the path.

    Returns
    -------
    frozenset of int

    Examples
    --------
    >>> graph = RiskGraph(4, [0, 1, 0, 2], [1, 3, 2, 3], [1, 1, 2, 2], np.eye(4, dtype=bool))
    >>> risks_of_path(edge_risks(graph, 0, 3), [0, 1])
    frozenset({0, 1})
    """
    found: set[int] = set()
    for edge in edges:
        found.update(csr_row(risks, edge).tolist())
    return frozenset(found)


def shared_risks(
    graph: RiskGraph, question: Question, paths: Sequence[Sequence[int]]
) -> frozenset[int]:
    """Risks, other than exempt ones, that at least two of the paths rely on.

    Parameters
    ----------
    graph : RiskGraph
    question : Question
    paths : sequence of sequence of int
        Edges of each path.

    Returns
    -------
    frozenset of int

    Examples
    --------
    >>> graph = RiskGraph(4, [0, 1, 0, 2], [1, 3, 2, 3], [1, 1, 2, 2], np.ones((4, 1), dtype=bool))
    >>> shared_risks(graph, Question(0, 3), [[0, 1], [2, 3]])
    frozenset({0})
    """
    risks = edge_risks(graph, question.s, question.t)
    met: set[int] = set()
    twice: set[int] = set()
    for path in paths:
        own = risks_of_path(risks, path)
        twice |= met & own
        met |= own
    return frozenset(twice - set(question.exempt))
