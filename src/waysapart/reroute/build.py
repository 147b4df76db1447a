"""Which candidates could help where no separate pair exists, and the cheapest set that covers.

A new edge can only help where it leads across a cut of the stored proof without
relying on what the path must avoid there; all others are ruled out without a search.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Bools, Floats, boolean
from waysapart.reroute.graph import Question, RiskGraph, edge_risks
from waysapart.reroute.proof import Beyond, Cut, Few, Listed, NoPairProof

Need = tuple[int, Bools]
"""A target, and the candidates of which it needs at least one."""


class Cover(NamedTuple):
    """A set of candidates that meets the needs of as many targets as any set does."""

    chosen: list[int]
    covered: list[int]


def may_help(
    graph: RiskGraph,
    question: Question,
    proof: NoPairProof | None,
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
    graph: RiskGraph, proof: NoPairProof, leaf: Cut | Few, candidates: RiskGraph, alone: bool
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


def cheapest_cover(
    targets: int,
    needs: Sequence[Need],
    costs: npt.ArrayLike,
    budget: float | None,
    time_limit_s: float | None = None,
) -> Cover | None:
    """The set within the budget that covers most targets, then the cheapest, then the smallest.

    Parameters
    ----------
    targets : int
        How many there are. A target is covered once all its needs are met.
    needs : sequence of (int, ndarray of bool, shape (candidates,))
        A target may have several; one without any is covered by nothing at all.
    costs : array_like, shape (candidates,)
        At least 0, in the unit of `budget`.
    budget : float or None
    time_limit_s : float or None
        For each of the three objectives.

    Returns
    -------
    Cover or None
        None where HiGHS did not finish in time.

    Notes
    -----
    A maximum coverage problem as a 0/1 programme, solved for one objective after
    the other, each with the last one's value as a further constraint.
    """
    cost = np.asarray(costs, dtype=np.float64)
    count = len(cost)
    rows = np.zeros((len(needs), count + targets))
    for row, (target, some) in enumerate(needs):
        rows[row, :count] = some
        rows[row, count + target] = -1
    spend = np.r_[cost, np.zeros(targets)]
    gain = np.r_[np.zeros(count), np.ones(targets)]
    things = np.r_[np.ones(count), np.zeros(targets)]
    constraints = [LinearConstraint(rows, 0, np.inf)]
    if budget is not None:
        constraints.append(LinearConstraint(spend[None, :], -np.inf, float(budget)))
    first = _solved(-gain, constraints, time_limit_s)
    if first is None:
        return None
    constraints.append(LinearConstraint(gain[None, :], round(float(gain @ first)), np.inf))
    second = _solved(spend, constraints, time_limit_s)
    if second is None:
        return None
    least = float(spend @ second)
    constraints.append(LinearConstraint(spend[None, :], -np.inf, least + 1e-9 * max(1.0, least)))
    third = _solved(things, constraints, time_limit_s)
    found = second if third is None else third
    return Cover(np.flatnonzero(found[:count]).tolist(), np.flatnonzero(found[count:]).tolist())


def _solved(
    objective: Floats, constraints: Sequence[LinearConstraint], time_limit_s: float | None
) -> Bools | None:
    """The 0/1 values that make the objective least; None where HiGHS did not finish in time."""
    found = milp(
        objective,
        constraints=constraints,
        integrality=np.ones(len(objective), dtype=np.int64),
        bounds=Bounds(0, 1),
        options={
            "mip_rel_gap": 0.0,
            "time_limit": np.inf if time_limit_s is None else max(0.1, time_limit_s),
        },
    )
    return np.asarray(found.x > 0.5, dtype=bool) if found.status == 0 else None
