"""The cheapest paths that share no risk, exactly, or the proof that there are none.

The problem is NP-hard with general risks (Hu, "Diverse routing in optical mesh
networks", IEEE Trans. Communications 51(3), 2003), so the search is exponential at
worst and has a time limit. Its result is called optimal only if the tree was closed.

A proof needs only the risks that it names. The search is repeated with these risks
alone, which often needs fewer of them; then each one is left out in turn.
Edges that rely on none of them can be shared freely, so the nodes that they join become one.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Ints, boolean
from waysapart.errors import CallError
from waysapart.reroute.search.branch_and_bound import Search
from waysapart.reroute.search.no_pair_proof import (
    Beyond,
    Cut,
    Few,
    Fork,
    Listed,
    NoPairProof,
    Parted,
    Rest,
    Tree,
    can_be_listed,
)
from waysapart.reroute.search.reduce import reduce_graph
from waysapart.reroute.search.risk_graph import (
    Question,
    RiskGraph,
    check_question,
    edge_risks,
    risks_of_path,
)

Status = Literal["apart", "none", "undecided"]


@dataclass(frozen=True)
class Answer:
    """What a search found.

    Attributes
    ----------
    status
        ``apart``: separate paths within the limits, `paths`; ``none``: there are
        none; ``undecided``: neither is known in the time given.
    paths
        Edges of each path from `s` to `t`; a kept path comes first.
    cost
        Sum over the paths, a kept one included.
    lower_bound
        No separate paths within the limits cost less (None where there are none).
    optimal
        `paths` are proved cheapest: `cost` equals `lower_bound`.
    proof
        The no-pair proof where `status` is ``none``; None where the limits taken
        together leave more courses than a proof may list, see
        `waysapart.reroute.search.no_pair_proof`.
    why
        ``""``, ``limits`` (none within the limits, too many courses to list for a
        proof), ``kept``
        (the kept path itself breaks a limit), ``dearer`` (none as cheap as asked) or ``time``.
    nodes, seconds
        Size of the tree and time taken.
    """

    status: Status
    paths: tuple[tuple[int, ...], ...] | None
    cost: int | None
    lower_bound: int | None
    optimal: bool
    proof: NoPairProof | None
    why: str
    nodes: int
    seconds: float

    @property
    def gap(self) -> int | None:
        """Cost above the lower bound; 0 where optimal, None where nothing was found."""
        if self.cost is None or self.lower_bound is None:
            return None
        return self.cost - self.lower_bound


def best_pair(
    graph: RiskGraph,
    question: Question,
    *,
    time_limit_s: float = 10.0,
    below: int | None = None,
) -> Answer:
    """The two paths of least total cost such that no risk is on both.

    Parameters
    ----------
    graph, question
        The plant, the ends and the terms.
    time_limit_s
        Seconds of search; a proof found may take as long again to be made small.
    below
        Only paths cheaper than this count; then ``none`` without a proof means
        that none is as cheap.

    Returns
    -------
    Answer

    Raises
    ------
    CallError
        The question does not fit this graph, see `check_question`.

    Notes
    -----
    Exact: costs and weights are whole numbers and every bound is a true one. Limits
    on single paths are kept by exact label setting, limits on the difference by
    splitting the set of paths; both are exact and exponential at worst.

    Examples
    --------
    >>> graph = RiskGraph(4, [0, 1, 0, 2], [1, 3, 2, 3], [1, 1, 2, 2], np.eye(4, dtype=bool))
    >>> sorted(best_pair(graph, Question(0, 3)).paths)
    [(0, 1), (2, 3)]
    """
    return best_paths(graph, question, 2, time_limit_s=time_limit_s, below=below)


def best_paths(
    graph: RiskGraph,
    question: Question,
    count: int,
    *,
    time_limit_s: float = 10.0,
    below: int | None = None,
) -> Answer:
    """The paths of least total cost such that no risk is on two of them.

    As `best_pair`, for any number of paths; the tree grows quickly with it.

    Parameters
    ----------
    graph : RiskGraph
    question : Question
    count : int
        Number of paths, at least 2.
    time_limit_s : float
        Seconds for the whole search.
    below : int, optional
        Only paths that cost less count.

    Returns
    -------
    Answer

    Raises
    ------
    CallError
        Fewer than two paths, or a question that has no meaning on this graph.

    Examples
    --------
    >>> graph = RiskGraph(4, [0, 1, 0, 2], [1, 3, 2, 3], [1, 1, 2, 2], np.eye(4, dtype=bool))
    >>> best_paths(graph, Question(0, 3), 3).status
    'none'
    """
    check_question(graph, question)
    if count < 2:
        raise CallError(f"{count} paths asked for, expected at least 2")
    began = time.monotonic()
    deadline = began + time_limit_s
    kept = question.keep
    avoid: frozenset[int] = frozenset()
    fixed: dict[str, int] = {}
    kept_cost = 0
    if kept is not None:
        risks = edge_risks(graph, question.s, question.t)
        avoid = risks_of_path(risks, kept) - frozenset(question.exempt)
        fixed = {name: int(w[list(kept)].sum()) for name, w in graph.weights.items()}
        kept_cost = int(graph.cost[list(kept)].sum())
        if any(fixed[name] > most for name, most in question.limits.most.items()):
            return Answer("none", None, None, None, False, None, "kept", 0, 0.0)
    reduced = reduce_graph(graph, question)
    sought = count - (kept is not None)
    upper = None if below is None else below - kept_cost
    search = Search(reduced, sought, question.limits, avoid, fixed, upper)
    search.run(deadline)
    found: tuple[tuple[int, ...], ...] | None = None
    if search.best is not None:
        found = tuple(tuple(reduced.on_record(list(path))) for path in search.best)
        found = found if kept is None else (tuple(kept), *found)
    proof = None
    if search.tree is not None and found is None:
        proof = NoPairProof(
            question.s,
            question.t,
            sought,
            avoid,
            barred_edges(graph, question),
            search.tree,
            question.limits,
            fixed,
        )
        proof = made_small(graph, question, proof, deadline)
        proof = proof if can_be_listed(reduced, proof) else None
    return _answer(search, found, kept_cost, proof, time.monotonic() - began, below)


def _answer(
    search: Search,
    found: tuple[tuple[int, ...], ...] | None,
    kept_cost: int,
    proof: NoPairProof | None,
    seconds: float,
    below: int | None,
) -> Answer:
    cost = None
    if found is not None and search.best_cost is not None:
        cost = search.best_cost + kept_cost
    status: Status = "apart" if found else "none" if search.done else "undecided"
    why = "" if search.done else "time"
    if status == "none" and proof is None:
        why = "limits" if below is None else "dearer"
    return Answer(
        status=status,
        paths=found,
        cost=cost,
        lower_bound=None if status == "none" else search.lower + kept_cost,
        optimal=found is not None and search.done,
        proof=proof,
        why=why,
        nodes=search.nodes,
        seconds=seconds,
    )


def barred_edges(graph: RiskGraph, question: Question) -> frozenset[int]:
    """Edges that no path may use: forbidden themselves or by a forbidden risk."""
    barred = set(question.forbidden_edges)
    if len(question.forbidden_risks):
        banned = np.zeros(graph.n_risks, dtype=bool)
        banned[list(question.forbidden_risks)] = True
        risks = edge_risks(graph, question.s, question.t)
        barred.update(np.flatnonzero(risks @ banned).tolist())
    return frozenset(barred)


# --- Making a no-pair proof small enough to be read.

SHRINK_NODES = 400
"""Largest tree grown again when a proof is made smaller."""

SHRINK_RISKS = 24
"""Proofs with more risks than this are not reduced risk by risk: they are too long to read."""


def made_small(
    graph: RiskGraph, question: Question, proof: NoPairProof, deadline: float
) -> NoPairProof:
    """A proof of the same with as few risks or fewer, of which no single one can be left out.

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
    """A proof in which the paths must avoid sharing the risks in `only`, and no others."""
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
    search = Search(reduced, proof.count, question.limits, start, dict(proof.kept), None)
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
        return Cut(tree.path, cut, frozenset(risks[risk] for risk in tree.avoid))
    if isinstance(tree, Few):
        cut = tuple(sorted(int(edges[edge]) for edge in tree.edges))
        return Few(cut, frozenset(risks[risk] for risk in tree.avoid))
    if isinstance(tree, (Beyond, Listed)):
        return replace(tree, avoid=frozenset(risks[risk] for risk in tree.avoid))
    used: frozenset[Rest] = frozenset(
        rest if len(rest) == 3 else (rest[0], risks[rest[1]]) for rest in tree.used
    )
    if isinstance(tree, Parted):
        both = (_renumbered(tree.then[0], edges, risks), _renumbered(tree.then[1], edges, risks))
        return replace(tree, then=both, used=used)
    then = tuple(_renumbered(branch, edges, risks) for branch in tree.then)
    return Fork(tuple(risks[risk] for risk in tree.risks), tree.between, then, used)
