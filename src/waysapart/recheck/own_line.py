"""What takes a circuit together with what it protects, by breadth-first search over plain sets."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from waysapart.recheck.reliance import Asset, whole_cable

if TYPE_CHECKING:
    from waysapart.recheck.world import World

Entry = tuple[str, str, str, tuple[str, ...]]
"""Asset, path that it takes, what is protected, paths that remain."""


@dataclass
class OwnLine:
    """What is known of one circuit.

    `entries` is None where nothing is known of what it protects; `why` says what is not.
    """

    entries: list[Entry] | None = None
    why: list[str] = field(default_factory=list)

    def counted(self, counts: str) -> dict[Asset, set[str]]:
        """Assets that a service counts (`own_line`), with what falls with each."""
        found: dict[Asset, set[str]] = {}
        for asset, _, protected, remains in self.entries or ():
            if counts == "any" or (counts == "shared" and not remains):
                found.setdefault(asset, set()).add(protected)
        return found


def own_line(world: World, circuit: str) -> OwnLine:
    """Everything whose loss takes what a circuit protects and a path of it at once."""
    row = world.records.by["circuits"][circuit]
    named = [one for one in row.get("protects") or () if one != "-"]
    found = OwnLine()
    if not named:
        found.why.append("the circuit does not say what it protects (column protects)")
    equipment = world.records.by["equipment"]
    ends = {equipment[row[end]]["site"] for end in ("a", "b") if row.get(end)}
    paths = world.paths_of.get(circuit, [])
    for protected in named:
        inside, why = _inside(world, protected)
        if why:
            found.why += [why] if why not in found.why else []
            continue
        found.entries = found.entries or []
        for asset in _above(world, inside, ends):
            taken = [key for key in paths if key in _cut(world, asset) - world.lost]
            gone = {*taken, *world.lost}
            remains = tuple(key[1] for key in paths if key not in gone)
            # Of two named things one may take another path as well.
            entries = [(asset, key[1], protected, remains) for key in taken]
            found.entries += [one for one in entries if one not in found.entries]
    return found


def _inside(world: World, protected: str) -> tuple[set[str], str]:
    """What a named asset is made of, or why nobody knows."""
    by, ground = world.records.by, world.ground
    if protected not in ground.kind:
        return set(), f"{protected} is not on record"
    if ground.kind[protected] in world.records.rules["reliance"]["ignore_kinds"]:
        return set(), f"{protected} is of a kind that the rules leave out (ignore_kinds)"
    held = {one for one in ground.holders if protected in ground.over(one)}
    if protected in by["holders"] and not held:
        return set(), f"nothing on record lies within {protected}"
    found: set[str] = {protected, *held}
    for one in (protected, *held):
        if one in ground.ends:
            found |= set(ground.nodes(one))
    if protected in by["cables"]:
        course = {str(one) for one in whole_cable(world.cables, protected)}
        if not course & set(ground.ends):
            return set(), f"the course of {protected} is not on record"
        found |= course
    return found, ""


def _above(world: World, inside: set[str], ends: set[str]) -> set[str]:
    """With what these lie within, and the hazards that take any of it; not by the end sites."""
    found = inside - ends
    waiting = list(found)
    while waiting:
        fresh = set(world.ground.holders.get(waiting.pop(), ())) - ends - found
        found |= fresh
        waiting += fresh
    return found | {hazard for one in found for hazard in world.ground.hit.get(one, ())}


def _cut(world: World, asset: str) -> set[tuple[str, str]]:
    """Paths that the loss of an asset cuts, with what is out of service down as well."""
    if asset in world.cut_by:
        return world.cut_by[asset]
    if not world.led_to:
        for steps in (world.reliance.holders, world.reliance.works):
            for one, ahead in steps.items():
                for two in ahead:
                    world.led_to.setdefault(two, set()).add(one)
    lost: set[Asset] = set()
    fresh: set[Asset] = {asset, *world.records.out}
    while fresh:
        lost |= fresh
        more = {two for one in fresh for two in world.led_to.get(one, ())}
        feeds = world.reliance.feeds.items()
        more |= {name for name, mine in feeds if mine and all(set(feed) & lost for feed in mine)}
        fresh = more - lost
    world.cut_by[asset] = {key for key, items in world.items.items() if items & lost}
    return world.cut_by[asset]
