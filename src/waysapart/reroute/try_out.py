"""Put something to build into a study of its own, search the paths there, and prove them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from waysapart.reroute.draft import Draft, proposed
from waysapart.reroute.ground import Ground, Optics, ground_of
from waysapart.reroute.measures import Measure
from waysapart.reroute.rounds import (
    Links,
    Progress,
    hold_to,
    known_pairs,
    left_worse,
    search_and_prove,
)
from waysapart.reroute.segments import Segment, with_segments
from waysapart.reroute.solve import Ask, Found, Target, member_of, trimmed
from waysapart.verdicts.prove import Proof, prove


@dataclass(frozen=True)
class Option:
    """Something to build or change, with what it does.

    Attributes
    ----------
    kind : str
        `supply`, `move`, `optics`, `closure`, `segment`, `segments` or `set`.
    text : str
    segments : tuple of Segment
        New segments; empty for other things.
    cost : float
        In metres, or in the unit of the candidates' own cost; 0 for other things.
    apart : tuple of str
        Circuits and groups that the prover calls apart and within limits with it.
    draft : Draft
        All rows of the proposal: what is built, and the paths over it.
    links : dict
        The paths by circuit and name.
    optics : tuple of Optics
    worse : tuple of str
        Circuits and groups that it leaves worse than they are.
    after : Proof or None
        Of the whole study with it. Kept for the best option and the set only.
    """

    kind: str
    text: str
    segments: tuple[Segment, ...]
    cost: float
    apart: tuple[str, ...]
    draft: Draft
    links: Links
    optics: tuple[Optics, ...] = ()
    worse: tuple[str, ...] = ()
    after: Proof | None = None

    @property
    def length_m(self) -> float:
        """Metres of new segments."""
        return sum(one.length_m for one in self.segments)

    @property
    def per_km(self) -> float | None:
        """Circuits and groups apart for each kilometre built; None where nothing is laid."""
        return 1000 * len(self.apart) / self.length_m if self.segments else None


def tried(
    ground: Ground,
    targets: Sequence[Target],
    ask: Ask,
    measure: Measure,
    segments: Sequence[Segment],
    say: Progress,
    opened: Sequence[int] = (),
) -> Option:
    """Put things into a study of their own, search the targets there and prove it."""
    base = Draft().with_rows(measure.draft)
    if segments:
        base = base.with_rows(with_segments(ground, segments))
    proof = prove(trimmed(proposed(ground.study, base), targets))
    ends = {*opened, *(end for one in segments for end in (one.a, one.b))}
    there = ground_of(proof, numbered(proof, ground, ends))
    again = [Found(in_proof(proof, target)) for target in targets]
    for one in again:
        one.pairs = known_pairs(proof, one.target)
    terms = replace(ask.terms, optics=measure.optics)
    draft, links, _ = search_and_prove(there, again, replace(ask, terms=terms), say, whole=False)
    every = base.with_rows(draft)
    hoped = [one for one in again if one.status == "apart" and one.together]
    worse: list[str] = []
    after: Proof | None = None
    if hoped:
        after = prove(proposed(ground.study, every))
        hold_to(after, hoped)
        worse = left_worse(ground.proof, after)
    return Option(
        measure.kind,
        measure.text,
        tuple(segments),
        sum(one.cost for one in segments),
        tuple(one.target.id for one in hoped if one.status == "apart"),
        every,
        links,
        measure.optics,
        tuple(worse),
        after,
    )


def in_proof(proof: Proof, target: Target) -> Target:
    """The same target in another proof, where links and equipment have other numbers."""
    names = proof.study.tables["circuits"]["id"].tolist()
    members = tuple(
        member_of(proof, names.index(member.id), member.number) for member in target.members
    )
    return replace(target, members=members)


def numbered(proof: Proof, ground: Ground, places: Iterable[int]) -> list[int]:
    """The same places as numbered in another proof."""
    numbers = proof.network.assets.numbers([str(ground.names[one]) for one in sorted(places)])
    return [int(number) for number in numbers if number >= 0]
