"""How many ways there are of which no two share a risk, for groups that back each other up."""

from __future__ import annotations

from dataclasses import dataclass

from waysapart.errors import CallError
from waysapart.reroute.graph import Question, RiskGraph
from waysapart.reroute.split import Answer, best_ways


@dataclass(frozen=True)
class MostWays:
    """The largest number of ways found, of which no two share a risk.

    Attributes
    ----------
    count
        Ways found; 1 says only that two were not found, not that one exists.
    answer
        The cheapest `count` ways; None where `count` is 1.
    refusal
        The answer for one way more: ``none`` with its proof, or ``undecided``;
        None where the search stopped at the number asked for.
    """

    count: int
    answer: Answer | None
    refusal: Answer | None

    @property
    def proved(self) -> bool:
        """Whether one way more is ruled out."""
        return self.refusal is not None and self.refusal.status == "none"


def most_ways(
    graph: RiskGraph, question: Question, *, up_to: int = 8, time_limit_s: float = 10.0
) -> MostWays:
    """The largest number of ways of which no two share a risk, and the cheapest such ways.

    Parameters
    ----------
    graph, question
        As in `best_ways`; a kept way counts as one of them.
    up_to
        Stop when so many are found.
    time_limit_s
        For each number of ways tried.

    Raises
    ------
    CallError
        `up_to` is less than 2, or the question has no meaning on this graph.

    Notes
    -----
    Where all risks are single nodes or edges this is the number of node- or
    edge-disjoint paths (Menger's theorem).
    """
    if up_to < 2:
        raise CallError(f"up to {up_to} ways asked for, expected at least 2")
    found: Answer | None = None
    for ways in range(2, up_to + 1):
        answer = best_ways(graph, question, ways, time_limit_s=time_limit_s)
        if answer.status != "apart":
            return MostWays(ways - 1, found, answer)
        found = answer
    return MostWays(up_to, found, None)
