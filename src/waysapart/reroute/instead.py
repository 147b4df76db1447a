"""Where no separate pair exists: the pair that shares the least, as links."""

from __future__ import annotations

from dataclasses import dataclass

from waysapart.reroute.draft import ProposedPath, labelled, paths_of_answer
from waysapart.reroute.ground import Ground
from waysapart.reroute.sharing import LeastShared, least_shared
from waysapart.reroute.solve import Ask, Found


@dataclass(frozen=True)
class Instead:
    """The pair that shares the least weight of things.

    Attributes
    ----------
    least : LeastShared
    ways : dict of str to ProposedPath
        Empty where there is no pair at all.
    shared : list of tuple of str
        What both rely on; assets that always go together stand together.
    near : list of tuple of str
        Segments of either that come too near each other, or cross.
    """

    least: LeastShared
    ways: dict[str, ProposedPath]
    shared: list[tuple[str, ...]]
    near: list[tuple[str, str]]


def share_least(ground: Ground, found: Found, ask: Ask) -> Instead:
    """Search the pair that shares the least, for a target without separate paths.

    Weights are those of the rules. Near approaches are weighed as far as they
    are known from the search for a separate pair.
    """
    space = found.space
    assert space is not None
    least = least_shared(
        space.graph, space.question, space.risks.weight, time_limit_s=ask.time_limit_s
    )
    risks = space.risks
    shared = [risks.assets[risk] for risk in sorted(least.shared) if risk not in risks.pairs]
    near = [risks.pairs[risk] for risk in sorted(least.shared) if risk in risks.pairs]
    if least.ways is None or found.target.group:
        return Instead(least, {}, shared, near)
    ways = paths_of_answer(space, least.ways, ask.terms.fibres, {})
    return Instead(least, labelled(ground, found.target.members[0], ways), shared, near)
