"""Three or more ways of which no two share a risk, for groups that back each other up."""

from __future__ import annotations

from dataclasses import replace

from waysapart.errors import CallError
from waysapart.reroute.graph import Question, RiskGraph
from waysapart.reroute.split import Answer, best_ways


def most_ways(
    graph: RiskGraph, question: Question, *, up_to: int = 8, time_limit_s: float = 10.0
) -> tuple[int, Answer | None]:
    """The largest number of ways of which no two share a risk, and the cheapest such ways.

    Parameters
    ----------
    graph, question
        As in `best_ways`; a kept way counts as one of them.
    up_to
        Stop when so many are found.
    time_limit_s
        For each number of ways tried.

    Returns
    -------
    count, answer
        `answer` holds `count` ways (None where fewer than two exist); whether one
        way more is ruled out or undecided is told by `best_ways` with `count + 1`.
        A `count` of 1 does not say that one way exists.

    Raises
    ------
    CallError
        `up_to` is less than 2, or the question has no meaning on this graph.

    Notes
    -----
    Where all risks are nodes or edges this is the number of node- or edge-disjoint
    paths, which is Menger's theorem; the search then closes without branching.
    """
    if up_to < 2:
        raise CallError(f"up to {up_to} ways asked for, expected at least 2")
    found: Answer | None = None
    for ways in range(2, up_to + 1):
        answer = best_ways(graph, replace(question), ways, time_limit_s=time_limit_s)
        if answer.status != "apart":
            return ways - 1, found
        found = answer
    return up_to, found
