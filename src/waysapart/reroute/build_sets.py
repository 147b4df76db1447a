"""Sets of new segments, for what no single one makes apart.

A 0/1 programme proposes the cheapest set. The search confirms each target, or proves
that it has no separate paths with this set, and that proof names the candidates of
which one more is needed. A set that the prover does not call apart needs another
candidate beside it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from waysapart.arrays import Bools, Ints
from waysapart.reroute.build import Need, cheapest_cover
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
    best: Option | None = None

    def confirm(chosen: Sequence[int], hoped: Sequence[int]) -> list[int]:
        nonlocal best
        option = _proved(ground, targets, ask, segments, chosen, hoped, say)
        best = _better(best, option)
        return [number for number in hoped if targets[number].id in option.apart]

    found = best_set(laid, prices, within, ask.time_limit_s, confirm)
    optimal = found.optimal and (found.at_most > 0 or best is None)
    return Several(best, found.at_most, found.price_at_least / CENTS, optimal)


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
            # It takes closures only, which is a measure of its own.
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
    """What each target needs that has no paths with a set yet; False: not all were decided."""
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
