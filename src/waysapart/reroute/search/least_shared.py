"""The pair of paths that shares the least, where no separate pair exists.

An implicit hitting set. The risks that a no-pair proof names are a *core*: as long as none of
them may be shared, the proof stands. So what a pair shares includes a risk of every core, and
the lightest set that does so is a lower bound. When the search finds a pair that
shares nothing but such a set, no pair shares less.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from waysapart.arrays import Ints
from waysapart.errors import CallError
from waysapart.reroute.search.disjoint_paths import Answer, best_pair
from waysapart.reroute.search.no_pair_proof import NoPairProof
from waysapart.reroute.search.reduce import reduce_graph
from waysapart.reroute.search.risk_graph import (
    Question,
    RiskGraph,
    edge_risks,
    risks_of_path,
    shared_risks,
)
from waysapart.reroute.search.shortest_paths import cheapest

ROUNDS = 6
"""Rounds of the quick search for a pair that shares little; no source: more did not help."""

PLAIN_TRIES = 8
"""Sets of the least weight tried one by one before cores are made smaller."""


@dataclass(frozen=True)
class LeastShared:
    """The pair found that shares the least weight, then costs the least.

    Attributes
    ----------
    status
        ``optimal``: no pair shares less weight, and of those none costs less;
        ``lightest``: no pair shares less weight, a cheaper one may exist;
        ``bracket``: the least weight lies from `weight_lower` to `weight`;
        ``none``: no pair keeps the terms whatever it may share;
        ``undecided``: no pair was found in the time given.
    paths, cost, shared, weight
        The pair, its cost, what it shares and the weight of that; None without one.
    weight_lower
        No pair shares less.
    proof
        The proof that no pair shares nothing, where there is one.
    seconds
        Time taken.
    """

    status: Literal["optimal", "lightest", "bracket", "none", "undecided"]
    paths: tuple[tuple[int, ...], ...] | None
    cost: int | None
    shared: frozenset[int]
    weight: int | None
    weight_lower: int
    proof: NoPairProof | None
    seconds: float


@dataclass
class _Best:
    """The best pair so far: weight shared, cost, paths and what they share."""

    weight: int
    cost: int
    paths: tuple[tuple[int, ...], ...]
    shared: frozenset[int]


def least_shared(
    graph: RiskGraph,
    question: Question,
    weight: npt.ArrayLike,
    *,
    time_limit_s: float = 20.0,
) -> LeastShared:
    """The pair of paths with the least total weight of what both rely on, then of least cost.

    Parameters
    ----------
    graph, question
        As in `best_pair`. Limits are kept.
    weight
        Whole number >= 0 per risk; a risk of weight 0 may be shared freely.
    time_limit_s
        Seconds for the whole search; what is known by then is returned as a bracket.

    Returns
    -------
    LeastShared

    Raises
    ------
    CallError
        `weight` has another shape than one per risk, or is negative.

    Examples
    --------
    >>> graph = RiskGraph(4, [0, 1, 0, 2], [1, 3, 2, 3], [1, 1, 2, 2], np.ones((4, 1), dtype=bool))
    >>> least_shared(graph, Question(0, 3), [1]).shared
    frozenset({0})
    """
    began = time.monotonic()
    deadline = began + time_limit_s
    weights = np.asarray(weight).astype(np.int64)
    if weights.shape != (graph.n_risks,) or (weights < 0).any():
        raise CallError(f"weight must hold one whole number >= 0 for each of {graph.n_risks} risks")
    free = frozenset(np.flatnonzero(weights == 0).tolist()) | frozenset(question.exempt)
    terms = replace(question, exempt=sorted(free))
    best = _quick_pair(graph, terms, weights)
    cores: list[frozenset[int]] = []
    countable = frozenset(range(graph.n_risks)) - free
    first: NoPairProof | None = None
    lower, status = 0, "bracket"
    waived: frozenset[int] = frozenset()
    gathering, tried = True, 0
    while True:
        left = deadline - time.monotonic()
        if left <= 0:
            break
        # A pair of the least weight known is only beaten on cost.
        settled = best is not None and lower == best.weight and not gathering
        below = best.cost if settled and best is not None else None
        answer = best_pair(
            graph, replace(terms, exempt=sorted(free | waived)), time_limit_s=left, below=below
        )
        if answer.status == "undecided" or (answer.paths and not answer.optimal):
            best = _better(graph, terms, weights, best, answer)
            break
        best = _better(graph, terms, weights, best, answer)
        if answer.paths and not waived:
            status = "optimal"
            break
        if answer.proof is not None:
            first = first or answer.proof
            core = answer.proof.risks() - waived
            if not core:
                return _told("none", None, lower, first, began)
            cores.append(core)
            if gathering:
                # First cores without a common risk, until a pair may go round them all.
                waived |= core
                continue
        elif answer.status == "none" and (below is None or tried >= PLAIN_TRIES):
            cores.append(_core(graph, terms, countable, waived, below, deadline))
        elif answer.status == "none" or not gathering:
            # No pair that shares only this is lighter or cheaper, so others share something else.
            cores.append(countable - waived)
            tried += 1
        gathering = False
        found = lightest_hit(cores, weights, best.weight if best else None, deadline)
        if found is None:
            break
        if not found:
            # No set is left that a pair as light as the best one, yet cheaper, could share.
            if best is not None:
                lower = best.weight
            status = "optimal" if best else "none"
            break
        waived = frozenset(found)
        total = int(weights[sorted(waived)].sum())
        lower = max(lower, total)
    if status == "bracket" and best is not None and best.weight == lower:
        status = "lightest"
    return _told(status, best, lower, first, began)


def _core(
    graph: RiskGraph,
    terms: Question,
    countable: frozenset[int],
    waived: frozenset[int],
    below: int | None,
    deadline: float,
) -> frozenset[int]:
    """Few risks of which one must be shared, where no cut tells.

    There is no pair (cheaper than `below`) that shares only `waived`. As many more
    risks as possible are waived with the same outcome, halving what remains to
    be tried (after Junker, "QuickXplain", AAAI 2004); the others are the core.
    """
    free = frozenset(range(graph.n_risks)) - countable
    allowed = set(waived)
    core: set[int] = set()
    pending = [sorted(countable - waived)]
    while pending:
        some = pending.pop()
        left = deadline - time.monotonic()
        none = False
        if left > 0 and some:
            exempt = sorted(free | allowed | set(some))
            answer = best_pair(graph, replace(terms, exempt=exempt), time_limit_s=left, below=below)
            none = answer.status == "none"
        if none:
            allowed.update(some)
        elif len(some) == 1 or left <= 0:
            core.update(some)
        else:
            pending += [some[len(some) // 2 :], some[: len(some) // 2]]
    return frozenset(core)


def _told(
    status: str, best: _Best | None, lower: int, proof: NoPairProof | None, began: float
) -> LeastShared:
    seconds = time.monotonic() - began
    if best is None:
        known: Literal["none", "undecided"] = "none" if status == "none" else "undecided"
        return LeastShared(known, None, None, frozenset(), None, lower, proof, seconds)
    told: Literal["optimal", "lightest", "bracket"] = "bracket"
    if status == "optimal":
        told = "optimal"
    elif status == "lightest":
        told = "lightest"
    return LeastShared(told, best.paths, best.cost, best.shared, best.weight, lower, proof, seconds)


def _better(
    graph: RiskGraph, question: Question, weights: Ints, best: _Best | None, answer: Answer
) -> _Best | None:
    if answer.paths is None:
        return best
    return _lighter(graph, question, weights, best, answer.paths)


def _lighter(
    graph: RiskGraph,
    question: Question,
    weights: Ints,
    best: _Best | None,
    paths: tuple[tuple[int, ...], ...],
) -> _Best:
    shared = shared_risks(graph, question, paths)
    weight = int(weights[sorted(shared)].sum())
    cost = sum(int(graph.cost[list(path)].sum()) for path in paths)
    if best is None or (weight, cost) < (best.weight, best.cost):
        return _Best(weight, cost, paths, shared)
    return best


def lightest_hit(
    cores: Sequence[frozenset[int]], weights: Ints, most: int | None, deadline: float
) -> list[int] | None:
    """The lightest set of risks with one of every core and a weight up to `most`.

    Parameters
    ----------
    cores : sequence of frozenset of int
    weights : ndarray of int, shape (risks,)
    most : int or None
    deadline : float
        As `time.monotonic()` gives it, in seconds.

    Returns
    -------
    list of int or None
        None when time ran out, [] where there is no such set.
    """
    if any(not core for core in cores):
        return []
    listed = np.array(sorted(frozenset().union(*cores)), dtype=np.int64)
    columns = [np.searchsorted(listed, sorted(core)) for core in cores]
    rows = np.repeat(np.arange(len(cores)), [len(core) for core in cores])
    hit = csr_array(
        (np.ones(len(rows)), (rows, np.concatenate(columns))), shape=(len(cores), len(listed))
    )
    weight = weights[listed].astype(float)
    constraints = [LinearConstraint(hit, np.ones(len(cores)), np.inf)]
    if most is not None:
        constraints.append(LinearConstraint(weight[None, :], -np.inf, float(most)))
    found = milp(
        weight,
        constraints=constraints,
        integrality=np.ones(len(listed), dtype=np.int64),
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0, "time_limit": max(0.1, deadline - time.monotonic())},
    )
    if found.status == 2:
        return []
    if found.status != 0:
        return None
    chosen: list[int] = listed[found.x > 0.5].tolist()
    return chosen


def _quick_pair(graph: RiskGraph, question: Question, weights: Ints) -> _Best | None:
    """A pair that shares little, quickly: each path in turn pays for the risks of the other."""
    reduced = reduce_graph(graph, question)
    alive = np.zeros(reduced.n_edges, dtype=bool)
    first = cheapest(reduced, reduced.cost, alive)
    if first is None:
        return None
    risks = edge_risks(graph, question.s, question.t)
    paths = [tuple(reduced.on_record(list(first.edges)))] * 2
    if question.keep is not None:
        paths[0] = tuple(question.keep)
    dear = float(reduced.cost.sum()) + 1
    best: _Best | None = None
    for turn in range(ROUNDS):
        path = 1 if question.keep is not None else 1 - turn % 2
        met = sorted(risks_of_path(risks, paths[1 - path]) - frozenset(question.exempt))
        price = np.zeros(graph.n_risks)
        price[met] = weights[met]
        found = cheapest(
            reduced, reduced.cost + dear * reduced.whole * (reduced.risks @ price), alive
        )
        assert found is not None
        paths[path] = tuple(reduced.on_record(list(found.edges)))
        if _keeps_limits(graph, question, paths):
            best = _lighter(graph, question, weights, best, (paths[0], paths[1]))
    return best


def _keeps_limits(graph: RiskGraph, question: Question, paths: Iterable[tuple[int, ...]]) -> bool:
    listed = list(paths)
    limits = question.limits
    for name in {*limits.most, *limits.apart_most}:
        sums = [int(graph.weights[name][list(path)].sum()) for path in listed]
        if name in limits.most and max(sums) > limits.most[name]:
            return False
        if name in limits.apart_most and max(sums) - min(sums) > limits.apart_most[name]:
            return False
    return True
