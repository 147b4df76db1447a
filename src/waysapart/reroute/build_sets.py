"""Sets of new segments, for what no single one makes apart.

A small 0/1 programme proposes the cheapest set; the search confirms each target or
proves that it has no separate ways with this set, and that proof names the candidates
of which one more is needed (see `build.edge_set`). What the prover then does not
call apart goes back as a set that needs another one beside it.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from waysapart.arrays import Bools
from waysapart.reroute.build import propose
from waysapart.reroute.build_segments import Laid
from waysapart.reroute.draft import Draft
from waysapart.reroute.ground import Ground
from waysapart.reroute.measures import Measure
from waysapart.reroute.rounds import Progress
from waysapart.reroute.segments import Segment
from waysapart.reroute.solve import Ask, Target
from waysapart.reroute.try_out import Option, tried

CENTS = 100
"""Costs are counted in hundredths, as whole numbers."""

Need = tuple[int, Bools]
"""A target, and candidates of which it needs at least one."""


@dataclass(frozen=True)
class Several:
    """The best set of candidates found for targets that no single one helps.

    Attributes
    ----------
    option : Option or None
        The set, proved; None where none was found.
    at_most : int
        No set of the candidates makes more of these targets apart.
    cost_at_least : float
        No set that makes as many apart as `at_most` costs less.
    optimal : bool
        The option makes `at_most` targets apart for `cost_at_least`.
    """

    option: Option | None
    at_most: int
    cost_at_least: float
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
        In the unit of the candidates' cost.
    say : callable
    """
    prices = np.array([round(one.cost * CENTS) for one in segments], dtype=np.int64)
    within = int(prices.sum()) if budget is None else int(np.floor(budget * CENTS + 1e-6))
    deadline = time.monotonic() + ask.time_limit_s
    needs: list[Need] = []
    best: Option | None = None
    at_most, least = len(targets), 0
    for number, one in enumerate(laid):
        answer = one.answer((), max(0.0, deadline - time.monotonic()))
        if answer.status == "none":
            needs.append((number, _among(one.may_help((), answer.proof, alone=False), segments)))
        elif answer.status == "apart":
            # It takes closures only, which is a thing to do of its own.
            needs.append((number, _among([], segments)))
    while (left := deadline - time.monotonic()) > 0:
        proposal = propose(len(targets), needs, prices, within, left)
        if proposal is None:
            break
        at_most, chosen, hoped = proposal
        least = int(prices[chosen].sum())
        if not hoped:
            return Several(best, 0, 0.0, best is None)
        fresh, certain = _not_apart(laid, chosen, hoped, segments, deadline)
        if not fresh and certain:
            option = _proved(ground, targets, ask, segments, chosen, hoped, say)
            best = _better(best, option)
            refused = [n for n in hoped if targets[n].id not in option.apart]
            if not refused:
                return Several(best, at_most, least / CENTS, True)
            others = ~_among(chosen, segments)
            fresh = [(number, others) for number in refused]
        needs += fresh
        if not certain:
            break
    return Several(best, at_most, least / CENTS, False)


def _among(numbers: Sequence[int], segments: Sequence[Segment]) -> Bools:
    found = np.zeros(len(segments), dtype=bool)
    found[list(numbers)] = True
    return found


def _not_apart(
    laid: Sequence[Laid],
    chosen: Sequence[int],
    hoped: Sequence[int],
    segments: Sequence[Segment],
    deadline: float,
) -> tuple[list[Need], bool]:
    """What each target needs that has no ways with a set yet; False: not all were decided."""
    needs: list[Need] = []
    certain = True
    for number in hoped:
        answer = laid[number].answer(chosen, max(0.0, deadline - time.monotonic()))
        if answer.status == "undecided":
            certain = False
        elif answer.status == "none":
            more = laid[number].may_help(chosen, answer.proof, alone=False)
            needs.append((number, _among(more, segments)))
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
        f"{one.kind} {one.id}, {one.length_m:.0f} m, from {ground.names[one.a]} to "
        f"{ground.names[one.b]}"
        for one in built
    )
    say(f"proving: {text}")
    wanted = [targets[number] for number in hoped]
    return tried(ground, wanted, ask, Measure("segments", text, Draft()), built, say)


def _better(best: Option | None, option: Option) -> Option | None:
    """Most apart, then the least cost; nothing where it helps nobody."""
    if not option.apart:
        return best
    if best is None or (len(option.apart), -option.cost) > (len(best.apart), -best.cost):
        return option
    return best
