"""What every path relies on, by breadth-first search over plain sets."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

from waysapart.recheck.cables import Cables
from waysapart.recheck.links import Hop, Use, stretch

Asset = str | tuple[str, str]
"""An asset's id; ("hop", link) for a hop that has neither cables nor anything it relies on."""


@dataclass
class Reliance:
    """Steps between assets, and what links use directly.

    `holders`: to what an asset lies directly within and the hazards that take it;
    `works`: from equipment, supplies and joints to what must work for them;
    `items`: what each link uses directly; `feeds`: what any one of several supplies keeps up.
    """

    holders: dict[Asset, set[Asset]] = field(default_factory=dict)
    works: dict[Asset, set[Asset]] = field(default_factory=dict)
    items: dict[str, set[Asset]] = field(default_factory=dict)
    feeds: dict[Asset, list[set[Asset]]] = field(default_factory=dict)

    def behind(self, relied: set[Asset]) -> set[Asset]:
        """What some assets rely on, and all that any feed of theirs relies on."""
        found = set(relied)
        while True:
            fed = {one for name in found for feed in self.feeds.get(name, ()) for one in feed}
            if fed <= found:
                return found
            found |= self.closure(fed)

    def closure(self, start: Iterable[Asset]) -> set[Asset]:
        """Everything that some assets lead to, themselves included."""
        found = set(start)
        waiting = list(found)
        while waiting:
            at = waiting.pop()
            for following in (*self.holders.get(at, ()), *self.works.get(at, ())):
                if following not in found:
                    found.add(following)
                    waiting.append(following)
        return found


def rely(cables: Cables, hops: dict[str, Hop]) -> Reliance:
    """Who relies on what, in the whole study."""
    ground, records = cables.ground, cables.ground.records
    reliance = Reliance()
    for step in (ground.holders, ground.hit):
        for asset, following in step.items():
            reliance.holders.setdefault(asset, set()).update(following)
    whole = {cable: whole_cable(cables, cable) for cable in records.by["cables"]}

    def in_full(asset: str) -> set[Asset]:
        """An asset named in a list: a segment with its ends, a cable with its whole course."""
        if asset in ground.ends:
            return {asset, *ground.nodes(asset)}
        return whole.get(asset, {asset})

    for role, place in (("equipment", "site"), ("supplies", "site"), ("joints", "at")):
        for name, row in records.by[role].items():
            reliance.works[name] = {row[place]} if row.get(place) else set()
            for needed in row.get("needs") or ():
                reliance.works[name] |= in_full(needed)
    _add_common_supplies(reliance, cables)
    for name, hop in hops.items():
        row = hop.row
        items: set[Asset] = {end for end in (row.get("a"), row.get("b")) if end}
        items |= set(row.get("via") or ())
        for use in hop.uses():
            items |= part(cables, use, whole)
        items |= _joints_at_changes(cables, hop)
        for stated in row.get("relies_on") or ():
            items |= in_full(stated)
        if (
            not hop.uses()
            and not row.get("relies_on")
            and (row.get("medium") or "fibre") != "fibre"
        ):
            items.add(("hop", name))
        reliance.items[name] = items
    return reliance


def _own(cables: Cables, cable: str) -> set[Asset]:
    """A cable, its joints, segments, ends and passed structures; nothing of its carrier."""
    found: set[Asset] = {cable}
    found.update(cables.ground.records.joints_of.get(cable, ()))
    found |= {step.segment for step in cables.chain[cable]}
    found |= {node for node, _ in cables.nodes(cable) if node is not None}
    return found


def whole_cable(cables: Cables, cable: str | None) -> set[Asset]:
    """What a cable brings from end to end, with all that carries it."""
    found: set[Asset] = set()
    while cable is not None:
        found |= _own(cables, cable)
        cable = cables.carrier[cable]
    return found


def part(cables: Cables, use: Use, whole: dict[str, set[Asset]]) -> set[Asset]:
    """What a stretch of a cable brings.

    Where it follows its carrier, the same stretch of that; where it has runs of
    its own, the whole of its carrier.
    """
    if {use.from_, use.to} == {0.0, float(len(cables.chain[use.cable]))}:
        return whole[use.cable]
    nodes: set[str] = set()
    found: set[Asset] = {use.cable}
    for step, _, _, on_it in stretch(cables, use):
        found.add(step.segment)
        nodes |= {node for node in on_it if node is not None}
    found |= nodes | _joints_on(cables, use.cable, nodes)
    cable = use.cable
    while (carrier := cables.carrier[cable]) is not None:
        if cable not in cables.follows:
            return found | whole[carrier]
        found |= {carrier, *_joints_on(cables, carrier, nodes)}
        cable = carrier
    return found


def _joints_on(cables: Cables, cable: str, nodes: set[str]) -> set[Asset]:
    """Joints of a cable at the given nodes, or nowhere on its chain."""
    along = {node for node, _ in cables.nodes(cable)}
    records = cables.ground.records
    at = {name: records.by["joints"][name]["at"] for name in records.joints_of.get(cable, ())}
    return {name for name, place in at.items() if place in nodes or place not in along}


def _joints_at_changes(cables: Cables, hop: Hop) -> set[Asset]:
    """Joints that name no cables, where a link goes from one cable to the next at their place."""
    at = {
        before.end
        for uses in hop.ways.values()
        for before, after in pairwise(uses)
        if before.end is not None and before.end == after.begin
    }
    records = cables.ground.records
    silent = records.joints_of.get(None, ())
    return {name for name in silent if records.by["joints"][name]["at"] in at}


def _add_common_supplies(reliance: Reliance, cables: Cables) -> None:
    """What is fed relies on what all its feeds rely on: the least fixed point."""
    records = cables.ground.records
    reliance.feeds = _feeds(cables)
    feeds = dict(reliance.feeds)
    down = fallen(reliance, cables, records.out) if records.out else set()
    for name, mine in feeds.items():
        feeds[name] = [feed for feed in mine if not feed & down] or mine
    own = dict(reliance.works)
    common: dict[Asset, set[Asset]] = {name: set() for name in feeds}
    while True:
        reliance.works |= {name: own[name] | mine for name, mine in common.items()}
        grown = {
            name: set.intersection(*(reliance.closure(feed) for feed in mine))
            for name, mine in feeds.items()
        }
        if grown == common:
            break
        common = grown
    sources = {}
    for name, shared in common.items():
        inside = {
            following
            for one in shared
            for following in (*reliance.holders.get(one, ()), *own.get(one, ()))
        }
        sources[name] = shared - inside
        if not shared <= reliance.closure(sources[name]):
            return
    # What something else in the set leads to counts as relied on through that.
    reliance.works |= {name: own[name] | mine for name, mine in sources.items()}


def _feeds(cables: Cables) -> dict[Asset, list[set[Asset]]]:
    """Feeds of everything that has supplies: one supply each.

    In a loop of supplies that feed each other a feed is all those on the way into it from
    outside; what needs more than another feed does adds nothing. A loop without any such way
    keeps its supplies as they stand.
    """
    records = cables.ground.records
    supplies = {
        name: [one for one in row["supplies"] if one in records.by["supplies"]]
        for role in ("equipment", "supplies")
        for name, row in records.by[role].items()
        if row.get("supplies")
    }
    behind = {name: _behind(name, supplies) for name in supplies}
    feeds: dict[Asset, list[set[Asset]]] = {}
    for name, mine in supplies.items():
        found: list[set[Asset]] = []
        ahead: list[tuple[str, set[Asset]]] = [(name, set())]
        while ahead:
            at, passed = ahead.pop()
            for one in supplies.get(at, ()):
                if one == name or one in passed:
                    continue
                if name in behind.get(one, ()):
                    ahead.append((one, passed | {one}))
                else:
                    found.append(passed | {one})
        if mine:
            least = [feed for feed in found if not any(other < feed for other in found)]
            feeds[name] = least or [{one} for one in mine]
    return feeds


def _behind(name: str, supplies: dict[str, list[str]]) -> set[str]:
    """Everything that feeds an asset, at any distance."""
    found: set[str] = set()
    waiting = list(supplies[name])
    while waiting:
        at = waiting.pop()
        if at not in found:
            found.add(at)
            waiting += supplies.get(at, ())
    return found


def fallen(reliance: Reliance, cables: Cables, out: Iterable[str]) -> set[Asset]:
    """Everything that falls with some assets; what is fed also when all its feeds have."""
    records = cables.ground.records
    feeds = reliance.feeds
    every: set[Asset] = {name for mine in records.by.values() for name in mine}
    leads = {asset: reliance.closure([asset]) for asset in every}
    lost: set[Asset] = set(out)
    while True:
        dark = {name for name, mine in feeds.items() if all(feed & lost for feed in mine)}
        more = {asset for asset in every if leads[asset] & (lost | dark)} | lost | dark
        if more == lost:
            return lost
        lost = more
