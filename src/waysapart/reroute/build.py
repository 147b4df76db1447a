"""What to build where no separate pair exists: which one new edge, which set within a budget.

A new edge can only help where it leads across a cut of the stored proof without
relying on what the way must avoid there; all others are ruled out without a search.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Bools, Floats, Ints, boolean
from waysapart.errors import CallError
from waysapart.reroute.graph import Question, RiskGraph, edge_risks
from waysapart.reroute.proof import Beyond, Cut, Few, Listed, Proof
from waysapart.reroute.split import Answer, best_pair


@dataclass(frozen=True)
class OneEdge:
    """What one new edge does by itself.

    Attributes
    ----------
    edge
        Its number among the candidates.
    apart
        Questions (by number) that have a separate pair with it.
    undecided
        Questions left undecided in the time given.
    """

    edge: int
    apart: tuple[int, ...]
    undecided: tuple[int, ...]


@dataclass(frozen=True)
class EdgeSet:
    """The best set of new edges found within the budget.

    Attributes
    ----------
    edges
        Numbers among the candidates, rising.
    price
        Their total price.
    apart
        Questions (by number) that have a separate pair with them.
    at_most
        No set within the budget makes more questions apart.
    optimal
        `apart` holds `at_most` questions and no cheaper set makes as many apart.
    """

    edges: tuple[int, ...]
    price: int
    apart: tuple[int, ...]
    at_most: int
    optimal: bool


def single_edges(
    graph: RiskGraph,
    questions: Sequence[Question],
    proofs: Sequence[Proof | None],
    candidates: RiskGraph,
    *,
    time_limit_s: float = 10.0,
) -> list[OneEdge]:
    """What each candidate edge does alone, most questions apart first.

    Parameters
    ----------
    graph
        The plant; `candidates` is a graph over the same nodes and risks.
    questions, proofs
        Questions without a separate pair, each with its proof; None where there
        is none by cuts, then every candidate is tried.
    time_limit_s
        Per search.

    Returns
    -------
    list of OneEdge
        Candidates that help, or may help, at least one question. Exact where
        `undecided` is empty.
    """
    _check(graph, questions, proofs, candidates)
    joined = graph.with_edges(candidates)
    apart: dict[int, list[int]] = {}
    undecided: dict[int, list[int]] = {}
    for number, (question, proof) in enumerate(zip(questions, proofs, strict=True)):
        may = may_help(graph, question, proof, candidates, alone=True)
        for edge in np.flatnonzero(may).tolist():
            answer = _with_edges(graph, joined, question, [edge], time_limit_s)
            if answer.status == "apart":
                apart.setdefault(edge, []).append(number)
            elif answer.status == "undecided":
                undecided.setdefault(edge, []).append(number)
    found = [
        OneEdge(edge, tuple(apart.get(edge, ())), tuple(undecided.get(edge, ())))
        for edge in {*apart, *undecided}
    ]
    return sorted(found, key=lambda one: (-len(one.apart), one.edge))


def edge_set(
    graph: RiskGraph,
    questions: Sequence[Question],
    proofs: Sequence[Proof | None],
    candidates: RiskGraph,
    price: npt.ArrayLike,
    budget: int,
    *,
    time_limit_s: float = 60.0,
) -> EdgeSet:
    """The set of candidates within `budget` that makes most questions apart, then the cheapest.

    Exact, or a bracket once time is out. A small 0/1 programme proposes a set; the
    search confirms each question or proves that it has no pair with this set, and
    this proof names the candidates of which one more is needed (Benders' cuts;
    Hooker and Ottosson, "Logic-based Benders decomposition", Math. Programming 96,
    2003).

    Parameters
    ----------
    graph, questions, proofs, candidates
        As in `single_edges`.
    price
        Whole number >= 0 per candidate, in the unit of `budget`.

    Raises
    ------
    CallError
        Shapes do not fit, or a price is negative.
    """
    _check(graph, questions, proofs, candidates)
    prices = np.asarray(price).astype(np.int64)
    if prices.shape != (candidates.n_edges,) or (prices < 0).any():
        raise CallError(
            f"price must hold one whole number >= 0 per candidate: {candidates.n_edges}"
        )
    deadline = time.monotonic() + time_limit_s
    joined = graph.with_edges(candidates)
    needs: list[tuple[int, Bools]] = [
        (number, may_help(graph, question, proof, candidates, alone=False))
        for number, (question, proof) in enumerate(zip(questions, proofs, strict=True))
    ]
    best: tuple[int, int, tuple[int, ...], tuple[int, ...]] = (0, 0, (), ())
    at_most = len(questions)
    while (left := deadline - time.monotonic()) > 0:
        master = propose(len(questions), needs, prices, budget, left)
        if master is None:
            break
        at_most, edges, hoped = master
        apart, certain = [], True
        for number in hoped:
            left = max(0.0, deadline - time.monotonic())
            answer = _with_edges(graph, joined, questions[number], edges, left)
            if answer.status == "apart":
                apart.append(number)
            elif answer.status == "undecided":
                certain = False
            else:
                grown = graph.with_edges(candidates.take_edges(edges))
                may = may_help(grown, questions[number], answer.proof, candidates, alone=False)
                may[edges] = False
                needs.append((number, may))
        total = int(prices[edges].sum())
        best = max(best, (len(apart), -total, tuple(edges), tuple(apart)), key=lambda b: b[:2])
        if len(apart) == len(hoped):
            return EdgeSet(tuple(edges), total, tuple(apart), at_most, True)
        if not certain:
            break
    return EdgeSet(best[2], -best[1], best[3], at_most, False)


def may_help(
    graph: RiskGraph,
    question: Question,
    proof: Proof | None,
    candidates: RiskGraph,
    *,
    alone: bool,
) -> Bools:
    """Candidates that the proof does not rule out, shape (candidates,).

    Parameters
    ----------
    graph
        The graph that the proof is about.
    alone
        True: the edge must lead across a cut from one end's side to the other's.
        False: it may need others beside it, so it need only join two parts.
    """
    barred = np.zeros(candidates.n_edges, dtype=bool)
    risks = edge_risks(candidates, question.s, question.t)
    if len(question.forbidden_risks):
        barred |= _relies(risks, question.forbidden_risks)
    if proof is None:
        return ~barred
    may = np.zeros(candidates.n_edges, dtype=bool)
    for leaf in proof.leaves():
        allowed = ~_relies(risks, sorted(leaf.avoid))
        if isinstance(leaf, (Beyond, Listed)):
            may |= allowed
        else:
            may |= allowed & _across(graph, proof, leaf, candidates, alone)
    return may & ~barred


def _relies(risks: Any, some: Sequence[int]) -> Bools:
    wanted = np.zeros(risks.shape[1], dtype=bool)
    wanted[list(some)] = True
    found: Bools = np.asarray(risks @ wanted, dtype=bool)
    return found


def _across(
    graph: RiskGraph, proof: Proof, leaf: Cut | Few, candidates: RiskGraph, alone: bool
) -> Bools:
    usable = np.ones(graph.n_edges, dtype=bool)
    usable[[*leaf.edges, *proof.without]] = False
    shape = (graph.n_nodes, graph.n_nodes)
    rest = boolean(graph.u[usable], graph.v[usable], shape)
    part = connected_components(rest, directed=False)[1]
    a, b = part[candidates.u], part[candidates.v]
    if not alone:
        return np.asarray(a != b, dtype=bool)
    near, far = part[proof.s], part[proof.t]
    return np.asarray(((a == near) & (b == far)) | ((a == far) & (b == near)), dtype=bool)


def _with_edges(
    graph: RiskGraph,
    joined: RiskGraph,
    question: Question,
    edges: Sequence[int],
    time_limit_s: float,
) -> Answer:
    chosen = np.concatenate(
        [np.arange(graph.n_edges), graph.n_edges + np.asarray(edges, dtype=np.int64)]
    )
    return best_pair(joined.take_edges(chosen), question, time_limit_s=time_limit_s)


def propose(
    questions: int,
    needs: Sequence[tuple[int, Bools]],
    prices: Ints,
    budget: int,
    time_limit_s: float,
) -> tuple[int, list[int], list[int]] | None:
    """(most questions that may be apart, cheapest edges for that, these questions)."""
    count = len(prices)
    size = count + questions
    rows = np.zeros((len(needs), size))
    for row, (number, may) in enumerate(needs):
        rows[row, :count] = may
        rows[row, count + number] = -1
    spend = np.concatenate([prices, np.zeros(questions)]).astype(float)
    gain = np.concatenate([np.zeros(count), np.ones(questions)])
    constraints = [
        LinearConstraint(rows, 0, np.inf),
        LinearConstraint(spend[None, :], -np.inf, float(budget)),
    ]
    first = _solved(-gain, constraints, time_limit_s)
    if first is None:
        return None
    most = round(float(gain @ first))
    constraints.append(LinearConstraint(gain[None, :], most, np.inf))
    second = _solved(spend, constraints, time_limit_s)
    if second is None:
        return None
    return most, np.flatnonzero(second[:count]).tolist(), np.flatnonzero(second[count:]).tolist()


def _solved(
    cost: Floats, constraints: Sequence[LinearConstraint], time_limit_s: float
) -> Bools | None:
    """The 0/1 values of least cost; None where HiGHS was not done in time."""
    found = milp(
        cost,
        constraints=constraints,
        integrality=np.ones(len(cost), dtype=np.int64),
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0, "time_limit": max(0.1, time_limit_s)},
    )
    return np.asarray(found.x > 0.5, dtype=bool) if found.status == 0 else None


def _check(
    graph: RiskGraph,
    questions: Sequence[Question],
    proofs: Sequence[Proof | None],
    candidates: RiskGraph,
) -> None:
    if len(questions) != len(proofs):
        raise CallError(f"{len(proofs)} proofs for {len(questions)} questions")
    if (candidates.n_nodes, candidates.n_risks) != (graph.n_nodes, graph.n_risks):
        raise CallError("the candidates must be numbered over the plant's nodes and risks")
