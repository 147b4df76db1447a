"""Candidate segments laid in a study: which of them a target's paths may use, and what they do."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from waysapart.arrays import Ints
from waysapart.reroute.build import may_help
from waysapart.reroute.draft import proposed
from waysapart.reroute.edges import STRETCH
from waysapart.reroute.graph import Question, RiskGraph
from waysapart.reroute.ground import Ground, ground_of
from waysapart.reroute.proof import NoPairProof
from waysapart.reroute.segments import Segment, with_segments
from waysapart.reroute.solve import Ask, Found
from waysapart.reroute.space import space_of
from waysapart.reroute.split import Answer, best_paths
from waysapart.reroute.try_out import in_proof, numbered
from waysapart.verdicts.prove import prove


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
    ways : int
        How many paths must be apart from each other.
    """

    graph: RiskGraph
    question: Question
    of_edge: Ints
    ways: int

    def answer(self, open_: Collection[int], time_limit_s: float) -> Answer:
        """The paths with some candidates open and all others barred."""
        question = replace(self.question, forbidden_edges=self._barred(open_))
        return best_paths(self.graph, question, self.ways, time_limit_s=time_limit_s)

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
    """The study with every candidate laid, cables cut where candidates end."""
    proof = prove(proposed(ground.study, with_segments(ground, segments)))
    ends = {end for one in segments for end in (one.a, one.b)}
    return ground_of(proof, numbered(proof, ground, ends))


def laid_for(there: Ground, found: Found, ask: Ask, segments: Sequence[Segment]) -> Laid:
    """The search of one target in the study with every candidate laid."""
    target = in_proof(there.proof, found.target)
    pairs = sorted(found.pairs.get(target.id, ()))
    space = space_of(there, target.members, ask.terms, pairs=pairs)
    cables = there.study.tables["cables"]["id"].tolist()
    place = {cables.index(one.cable): number for number, one in enumerate(segments)}
    of_edge = np.full(len(space.edges), -1, dtype=np.int64)
    inner = np.flatnonzero(space.edges.kind == STRETCH)
    cable = there.stretches.cable[space.edges.ref[inner]]
    of_edge[inner] = [place.get(int(one), -1) for one in cable]
    return Laid(space.graph, space.question, of_edge, (ask.ways or 2) if target.group else 2)


def single_ones(one: Laid, time_limit_s: float) -> list[int]:
    """Candidates that make a target apart alone; none where opening cables alone is enough."""
    answer = one.answer((), time_limit_s)
    if answer.status == "apart":
        return []
    return [
        number
        for number in one.may_help((), answer.proof, alone=True)
        if one.answer([number], time_limit_s).status == "apart"
    ]
