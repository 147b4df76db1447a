"""Tails that both ways of a circuit may run through: hops inside an end site, before they part.

The prover excuses what all ways run through there (see `findings.tails`), so two ways that are
separate from the far end of such a tail on are as good as two that are separate from the relay on.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from waysapart.findings.tails import Indoors
from waysapart.network.assets import Bools
from waysapart.reroute.edges import Key, Member
from waysapart.reroute.ground import Ground
from waysapart.reroute.space import Terms, columns_of

LONGEST = 4
"""Hops of a tail. Relay, converter, multiplexer, line card: more have not been seen."""
MOST = 12
"""Tails looked at for each end, the shortest first."""


@dataclass(frozen=True)
class Tail:
    """Hops in order from an end, all inside its site.

    Attributes
    ----------
    hops : tuple of int
        Links; none: the ways part at the end itself.
    machine : int
        The equipment at which the ways part.
    passed : frozenset of int
        Equipment before that, the end included: no way comes back there.
    columns : frozenset of int
        All that it is made of.
    us : float
        One-way delay of the hops and of the equipment before `machine`.
    cost : float
        What it adds to each way, in the unit of the cost asked for.
    """

    hops: tuple[int, ...]
    machine: int
    passed: frozenset[int] = frozenset()
    columns: frozenset[int] = frozenset()
    us: float = 0.0
    cost: float = 0.0


@dataclass(frozen=True)
class Tails:
    """What tails there may be at one end.

    Attributes
    ----------
    every : list of Tail
        The shortest first; the first has no hop.
    whole : bool
        There are no others.
    columns : frozenset of int
        All that any tail at this end could be made of, those left out included.
    """

    every: list[Tail]
    whole: bool
    columns: frozenset[int]


def tails_of(ground: Ground, member: Member, terms: Terms) -> tuple[Tails, Tails]:
    """The tails at both ends of a circuit that its ways may run through on these terms."""
    finder = _Finder(ground, member, terms)
    return finder.at(member.a), finder.at(member.b)


def pairs_by_length(one: Tails, other: Tails) -> Iterator[list[tuple[Tail, Tail]]]:
    """Tails at both ends together, those with the fewest hops first; never none at all."""
    by_hops: dict[int, list[tuple[Tail, Tail]]] = {}
    for a in one.every:
        for b in other.every:
            by_hops.setdefault(len(a.hops) + len(b.hops), []).append((a, b))
    return (by_hops[hops] for hops in sorted(by_hops) if hops)


def inner_keys(keep: list[Key], tails: tuple[Tail, Tail]) -> list[Key] | None:
    """What is left of a way that stays between two tails; None where it does not run through."""
    begin = [("link", hop, 0) for hop in tails[0].hops]
    end = [("link", hop, 0) for hop in reversed(tails[1].hops)]
    middle = keep[len(begin) : len(keep) - len(end)]
    return middle if [*begin, *middle, *end] == keep and middle else None


def moved_in(member: Member, tails: tuple[Tail, Tail]) -> Member:
    """The circuit as if it ended where its tails do."""
    one, other = tails
    return replace(member, a=one.machine, b=other.machine, tail_us=one.us + other.us)


class _Finder:
    """Hops inside the end sites of one circuit that a tail may be made of."""

    def __init__(self, ground: Ground, member: Member, terms: Terms) -> None:
        self._ground, self._member, self._terms = ground, member, terms
        self._indoors = Indoors(ground.reliance)
        self._ends = columns_of(ground, (member.a, member.b))
        self._barred = ground.relays | {member.a, member.b}
        self._avoid = terms.avoid
        self._usable: dict[int, frozenset[int] | None] = {}
        self._beside: dict[int, list[int]] = {}
        for link, (a, b) in enumerate(zip(self._indoors.a, self._indoors.b, strict=True)):
            if a >= 0 and b >= 0 and a != b:
                self._beside.setdefault(a, []).append(link)
                self._beside.setdefault(b, []).append(link)

    def at(self, end: int) -> Tails:
        site = self._indoors.site[end]
        every = [Tail((), end)]
        layer = list(every)
        whole = True
        while layer:
            longer = [further for tail in layer for further in self._further(tail, end, site)]
            if longer and (len(layer[0].hops) == LONGEST or len(every) + len(longer) > MOST):
                whole = False
                every += longer[: max(0, MOST - len(every))]
                break
            every += longer
            layer = longer
        return Tails(every, whole, self._reach(end, site))

    def _further(self, tail: Tail, end: int, site: int) -> Iterator[Tail]:
        passed = tail.passed | {tail.machine}
        for hop in self._beside.get(tail.machine, ()):
            onward = self._indoors.across(hop, tail.machine)
            columns = self._columns(hop, site)
            if columns is None or onward in passed or onward in self._barred - {end}:
                continue
            us = tail.us + self._hop_us(hop) + self._ground.equipment_us.get(tail.machine, 0.0)
            yield Tail(
                (*tail.hops, hop),
                onward,
                frozenset(passed),
                tail.columns | columns,
                us,
                tail.cost + self._cost(hop, onward),
            )

    def _reach(self, end: int, site: int) -> frozenset[int]:
        found: set[int] = set()
        seen, waiting = {end}, [end]
        while waiting:
            at = waiting.pop()
            for hop in self._beside.get(at, ()):
                columns, onward = self._columns(hop, site), self._indoors.across(hop, at)
                if columns is None or (onward in self._barred and onward != end):
                    continue
                found |= columns
                if onward not in seen:
                    seen.add(onward)
                    waiting.append(onward)
        return frozenset(found)

    def _columns(self, hop: int, site: int) -> frozenset[int] | None:
        """What a hop would bring into a tail; None where it cannot be part of one."""
        if hop not in self._usable:
            inside = site >= 0 and self._indoors.home(hop) == site
            self._usable[hop] = self._brought(hop, site) if inside else None
        return self._usable[hop]

    def _brought(self, hop: int, site: int) -> frozenset[int] | None:
        ground, count = self._ground, self._indoors.count
        links = ground.reliance.links
        relied = set(links.indices[links.indptr[hop] : links.indptr[hop + 1]].tolist())
        brought = self._indoors.brings([hop], site)
        beyond = {one for one in relied if not self._ends[one]}
        service = ground.study.rules.service(self._member.service)
        names = {str(ground.names[one]) for one in (*beyond, count + hop)}
        hazards = ground.network.hazards
        met = any(hazards.indptr[one] < hazards.indptr[one + 1] for one in brought if one < count)
        if (
            not beyond <= brought
            or met
            or any(one in ground.gap_of for one in (*beyond, count + hop))
            or any(ground.down[one] for one in beyond if one < count)
            or names & self._avoid
            or np.isnan(ground.delay_us[hop])
            or ground.checks.all_of(hop, service) is False
        ):
            return None
        return frozenset(brought)

    def _hop_us(self, hop: int) -> float:
        via = sum(self._ground.equipment_us.get(one, 0.0) for one in self._indoors.via(hop))
        return float(self._ground.delay_us[hop]) + via

    def _cost(self, hop: int, onward: int) -> float:
        ground = self._ground
        if self._terms.cost == "delay":
            return self._hop_us(hop) + ground.equipment_us.get(onward, 0.0)
        if self._terms.cost == "unavailability":
            links = ground.reliance.links
            mine = links.indices[links.indptr[hop] : links.indptr[hop + 1]].tolist()
            return float(
                sum(
                    ground.down_time[one]
                    for one in mine
                    if one < self._indoors.count and not self._ends[one]
                )
            )
        figures = {"length": ground.length_m, "loss": ground.loss_db, "splices": ground.splices}
        return float(np.nan_to_num(figures[self._terms.cost][hop]))


def excused(ground: Ground, member: Member, tails: Iterable[frozenset[int]]) -> Bools:
    """Columns that both ways may rely on: by the ends, and as tails."""
    found = columns_of(ground, (member.a, member.b))
    for columns in tails:
        found[list(columns)] = True
    return found
