"""The cheapest set of new segments that makes most targets apart, where no single one does.

A new edge can only help where it leads across a cut of the stored proof without
relying on what the path must avoid there; all others are ruled out without a search.
A 0/1 programme proposes the cheapest set. The search confirms each target, or proves
that it has no separate paths with this set, and that proof names the candidates of
which one more is needed. A set that the prover does not call apart needs another
candidate beside it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse.csgraph import connected_components

from waysapart.arrays import Bools, Floats, Ints, boolean
from waysapart.reroute.new_plant.candidates import Segment, with_segments
from waysapart.reroute.new_plant.measures import (
    Measure,
    Option,
    ends_of,
    in_proof,
    new_structures,
    numbered,
    tried,
)
from waysapart.reroute.plant.context import Ground, ground_of
from waysapart.reroute.plant.edges import STRETCH
from waysapart.reroute.plant.search_graph import space_of
from waysapart.reroute.proposal_rows import Draft, proposed
from waysapart.reroute.search.disjoint_paths import Answer, best_paths
from waysapart.reroute.search.no_pair_proof import Beyond, Cut, Few, Listed, NoPairProof
from waysapart.reroute.search.risk_graph import Question, RiskGraph, edge_risks
from waysapart.reroute.solve import Ask, Found, Progress, Target, kept_keys
from waysapart.verdicts.prove import prove

CENTS = 100
"""Costs are counted in hundredths, as whole numbers."""


@dataclass(frozen=True)
class Several:
    """The best set of candidates found for targets that no single one helps.

    Attributes
    ----------
    option : Option or None
        The set, proved; None where none was found.
    at_most : int
        No set of the candidates makes more of these targets apart.
    cost_at_least : float or None
        No set that makes as many apart as `at_most` costs less, counting segments alone. None
        where candidates have no price.
    optimal : bool
        The option makes `at_most` targets apart for `cost_at_least`.
    """

    option: Option | None
    at_most: int
    cost_at_least: float | None
    optimal: bool


def several_segments(
    ground: Ground,
    targets: Sequence[Target],
    laid: Sequence[Laid],
    ask: Ask,
    segments: Sequence[Segment],
    budget: float | None,
    say: Progress,
) -> Several:
    """The cheapest set that makes most targets apart within the budget, proved.

    Parameters
    ----------
    ground : Ground
        The study as it is.
    targets, laid
        What no single candidate makes apart, each with its search.
    ask : Ask
        Its time limit holds for the search of the set; what is proved comes on top.
    segments : sequence of Segment
    budget : float or None
        In the unit of the candidates' cost. Within one, a candidate without a price is in no set.
    say : callable
        Told in words what is going on.

    Returns
    -------
    Several
        The best set found, and bounds on how many targets a set can make apart and at which cost.
    """
    prices = np.array([round(one.cost * CENTS) for one in segments], dtype=np.int64)
    within = int(prices.sum()) if budget is None else int(np.floor(budget * CENTS + 1e-6))
    priced = np.array([one.priced for one in segments])
    if budget is not None:
        prices[~priced] = within + 1
    best: Option | None = None

    def confirm(chosen: Sequence[int], hoped: Sequence[int]) -> list[int]:
        nonlocal best
        option = _proved(ground, targets, ask, segments, chosen, hoped, say)
        best = _better(best, option)
        return [number for number in hoped if targets[number].id in option.helps]

    found = best_set(laid, prices, within, ask.time_limit_s, confirm)
    optimal = found.optimal and (found.at_most > 0 or best is None)
    least = found.price_at_least / CENTS if priced.all() or budget is not None else None
    return Several(best, found.at_most, least, optimal)


class BestSet(NamedTuple):
    """The best set of candidates, or what is known of it once time is out.

    Attributes
    ----------
    chosen : list of int
        The candidates; empty unless `optimal`.
    apart : list of int
        Targets that they make apart.
    at_most : int
        No set within the budget makes more targets apart.
    price_at_least : int
        No set that makes `at_most` targets apart costs less.
    optimal : bool
        `chosen` makes `at_most` targets apart for `price_at_least`.
    """

    chosen: list[int]
    apart: list[int]
    at_most: int
    price_at_least: int
    optimal: bool


def best_set(
    laid: Sequence[Laid],
    prices: Ints,
    budget: int,
    time_limit_s: float,
    confirm: Callable[[Sequence[int], Sequence[int]], Collection[int]],
) -> BestSet:
    """The set within the budget that makes most targets apart, then the cheapest.

    Parameters
    ----------
    laid : sequence of Laid
        The search of each target, with every candidate laid.
    prices : ndarray of int, shape (candidates,)
        At least 0, in the unit of `budget`.
    confirm : callable
        Given candidates and targets: which of the targets the prover calls apart
        with them. Asked only where the search finds paths for all of them.

    Notes
    -----
    Logic-based Benders decomposition (Hooker and Ottosson, Math. Programming 96,
    2003): the 0/1 programme proposes, the search confirms or proves that there is
    no pair, and the proof becomes a further constraint.
    """
    deadline = time.monotonic() + time_limit_s
    count = len(prices)
    needs: list[Need] = []
    at_most, least = len(laid), 0
    for number, one in enumerate(laid):
        answer = one.answer((), max(0.0, deadline - time.monotonic()))
        if answer.status == "none":
            needs.append((number, _among(one.may_help((), answer.proof, alone=False), count)))
        elif answer.status == "apart":
            # It needs closures only, which is a measure of its own.
            needs.append((number, _among([], count)))
    while (left := deadline - time.monotonic()) > 0:
        cover = cheapest_cover(len(laid), needs, prices, budget, left)
        if cover is None:
            break
        chosen, hoped = cover
        at_most, least = len(hoped), int(prices[chosen].sum())
        if not hoped:
            return BestSet([], [], 0, 0, True)
        fresh, certain = _not_apart(laid, chosen, hoped, count, deadline)
        if not fresh and certain:
            apart = confirm(chosen, hoped)
            refused = [number for number in hoped if number not in apart]
            if not refused:
                return BestSet(chosen, hoped, at_most, least, True)
            others = ~_among(chosen, count)
            fresh = [(number, others) for number in refused]
        needs += fresh
        if not certain:
            break
    return BestSet([], [], at_most, least, False)


def _among(numbers: Sequence[int], count: int) -> Bools:
    found = np.zeros(count, dtype=bool)
    found[list(numbers)] = True
    return found


def _not_apart(
    laid: Sequence[Laid],
    chosen: Sequence[int],
    hoped: Sequence[int],
    count: int,
    deadline: float,
) -> tuple[list[Need], bool]:
    """What each target without paths yet needs; False: not all were decided."""
    needs: list[Need] = []
    certain = True
    for number in hoped:
        answer = laid[number].answer(chosen, max(0.0, deadline - time.monotonic()))
        if answer.status == "undecided":
            certain = False
        elif answer.status == "none":
            more = laid[number].may_help(chosen, answer.proof, alone=False)
            needs.append((number, _among(more, count)))
    return needs, certain


def _proved(
    ground: Ground,
    targets: Sequence[Target],
    ask: Ask,
    segments: Sequence[Segment],
    chosen: Sequence[int],
    hoped: Sequence[int],
    say: Progress,
) -> Option:
    built = [segments[number] for number in chosen]
    text = "build " + " and ".join(
        f"{one.kind} {one.id}, {one.length_m:.0f} m, from {one.a} to {one.b}" for one in built
    )
    say(f"proving: {text}")
    wanted = [targets[number] for number in hoped]
    return tried(ground, wanted, ask, Measure("segments", text, Draft()), built, say)


def _better(best: Option | None, option: Option) -> Option | None:
    """The option with most apart, then the least cost; None where none makes any apart."""
    if not option.helps:
        return best
    return option if best is None or option.rank < best.rank else best


# --- The search of one target with all candidate segments laid.


@dataclass(frozen=True)
class Laid:
    """The search of one target with all candidates laid, each open or barred.

    Attributes
    ----------
    graph : RiskGraph
        With the edges of all candidates.
    question : Question
    of_edge : ndarray of int, shape (edges,)
        Number of the candidate that each edge lies in; -1: it was there before.
    count : int
        How many paths must be apart from each other.
    """

    graph: RiskGraph
    question: Question
    of_edge: Ints
    count: int

    def answer(self, open_: Collection[int], time_limit_s: float) -> Answer:
        """Search the paths with some candidates open and all others barred.

        Parameters
        ----------
        open_ : collection of int
            Numbers of candidates.
        time_limit_s : float
            Seconds.

        Returns
        -------
        Answer
        """
        question = replace(self.question, forbidden_edges=self._barred(open_))
        return best_paths(self.graph, question, self.count, time_limit_s=time_limit_s)

    def may_help(
        self, open_: Collection[int], proof: NoPairProof | None, *, alone: bool
    ) -> list[int]:
        """Candidates that the proof of `answer(open_)` does not rule out; see `build.may_help`."""
        own = set(self.question.forbidden_edges)
        new = np.flatnonzero((self.of_edge >= 0) & ~np.isin(self.of_edge, list(open_)))
        usable = np.array([edge for edge in new.tolist() if edge not in own], dtype=np.int64)
        if not len(usable):
            return []
        question = replace(self.question, forbidden_edges=self._barred(open_))
        edges = self.graph.take_edges(usable)
        may = may_help(self.graph, question, proof, edges, alone=alone)
        return sorted({int(number) for number in self.of_edge[usable[may]]})

    def _barred(self, open_: Collection[int]) -> list[int]:
        closed = (self.of_edge >= 0) & ~np.isin(self.of_edge, list(open_))
        return sorted({*self.question.forbidden_edges, *np.flatnonzero(closed).tolist()})


def laid(ground: Ground, segments: Sequence[Segment]) -> Ground:
    """The study with every candidate laid, cables cut where candidates end.

    Parameters
    ----------
    ground : Ground
    segments : sequence of Segment

    Returns
    -------
    Ground
        Of the study with the candidates, proved.
    """
    proof = prove(proposed(ground.study, with_segments(ground, segments, searched=True)))
    new = new_structures(segments)
    return ground_of(proof, numbered(proof, ends_of(segments)), numbered(proof, new))


def laid_for(there: Ground, found: Found, ask: Ask, segments: Sequence[Segment]) -> Laid:
    """The search of one target in the study with every candidate laid.

    Parameters
    ----------
    there : Ground
        From `laid`.
    found : Found
        The target and the segments that must not be on different paths of it.
    ask : Ask
    segments : sequence of Segment
        The candidates.

    Returns
    -------
    Laid
    """
    target = in_proof(there.proof, found.target)
    pairs = sorted(found.pairs.get(target.id, ()))
    keep = kept_keys(there, target, ask)
    space = space_of(there, target.members, ask.terms_for(target.id), pairs=pairs, keep=keep)
    cables = there.study.tables["cables"]["id"].tolist()
    place = {cables.index(one.cable): number for number, one in enumerate(segments)}
    of_edge = np.full(len(space.edges), -1, dtype=np.int64)
    inner = np.flatnonzero(space.edges.kind == STRETCH)
    cable = there.stretches.cable[space.edges.ref[inner]]
    of_edge[inner] = [place.get(int(one), -1) for one in cable]
    return Laid(space.graph, space.question, of_edge, (ask.paths or 2) if target.group else 2)


def single_ones(one: Laid, time_limit_s: float) -> list[int]:
    """Candidates that make a target apart alone.

    Parameters
    ----------
    one : Laid
    time_limit_s : float
        Seconds for each search.

    Returns
    -------
    list of int
        Their numbers; none where opening cables alone is enough.
    """
    answer = one.answer((), time_limit_s)
    if answer.status == "apart":
        return []
    return [
        number
        for number in one.may_help((), answer.proof, alone=True)
        if one.answer([number], time_limit_s).status == "apart"
    ]


# --- Which candidates may help, and the cheapest set that covers: a 0/1 programme.

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
