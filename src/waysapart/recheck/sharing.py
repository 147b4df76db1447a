"""What the sides of a circuit or group share."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from waysapart.recheck.own_line import own_line
from waysapart.recheck.paths import Key, Trial, service_of
from waysapart.recheck.reliance import Asset
from waysapart.recheck.world import World


@dataclass
class Shared:
    """Attributes as in the evidence.

    `tail`: what a circuit shares inside its end sites before its paths part, where that
    is excused; `own_line`: what counts because it takes a path with what the circuit
    protects, which is named; `through`: what is shared only because something shared lies
    in it, and the things that may be named for it: the fewest steps in, and of those the
    first by role; `supports`: what such a holder directly holds of the shared things.
    """

    shared: set[Asset] = field(default_factory=set)
    avoidable: set[Asset] = field(default_factory=set)
    tail: set[Asset] = field(default_factory=set)
    own_line: dict[Asset, set[str]] = field(default_factory=dict)
    through: dict[Asset, set[str]] = field(default_factory=dict)
    supports: dict[Asset, set[Asset]] = field(default_factory=dict)
    waived: set[Asset] = field(default_factory=set)

    @property
    def unavoidable(self) -> set[Asset]:
        """What is shared only because the circuits end there."""
        return self.shared - self.avoidable - self.tail


def share(world: World, trial: Trial) -> Shared:
    """Intersect the sides' sets; several contests of one group together."""
    found, alone = Shared(), set()
    for contest in trial.contests():
        if len(contest) < 2:
            continue
        shared, avoidable, own = share_contest(world, contest, grouped=bool(trial.group_test))
        found.shared |= shared
        found.avoidable |= avoidable
        alone |= shared & own
    found.tail = found.avoidable & _tail(world, trial)
    found.avoidable -= found.tail
    folded = (found.shared - alone) & found.avoidable
    holders = world.reliance.holders
    if trial.group_test is None:
        counts = service_of(world.records, trial.id)["own_line"]
        lines = own_line(world, trial.id).counted(counts) if counts != "excused" else {}
        unavoidable = found.unavoidable
        found.own_line = {one: named for one, named in lines.items() if one not in unavoidable}
        more = set(found.own_line) - found.avoidable
        found.avoidable |= more
        found.tail -= more
        folded |= {up for one in found.avoidable for up in holders.get(one, ())} & more
    for asset in folded:
        below = {one for one in found.avoidable if asset in holders.get(one, ())}
        inside, layer = {asset}, {asset}
        while layer and layer <= folded:
            layer = {
                one for one in found.avoidable - inside if layer.intersection(holders.get(one, ()))
            }
            inside |= layer
        roots = {_name(one) for one in layer - folded}
        if roots:
            by_role = (rows.keys() & roots for rows in world.records.by.values())
            found.through[asset] = next(names for names in by_role if names)
            found.supports[asset] = below
    return found


def share_contest(
    world: World, contest: list[Key], *, grouped: bool
) -> tuple[set[Asset], set[Asset], set[Asset]]:
    """What all paths rely on, what of it is avoidable, and what all reach on their own."""
    shared = set.intersection(*(world.relied[key] for key in contest))
    ends: dict[Key, set[Asset]] = {key: _ends(world, key[0], grouped=grouped) for key in contest}
    hit = world.ground.hit

    def hazards(key: Key) -> set[Asset]:
        """Hazards that a path meets through other plant than what stands at the ends."""
        away = (world.relied[key] - ends[key]) & hit.keys()
        return {one for asset in away for one in hit[str(asset)]}

    met = [hazards(key) for key in contest]
    elsewhere = set.union(*met) if grouped else set.intersection(*met)
    at_ends: set[Asset] = set.intersection(*list(ends.values()))
    unavoidable = (shared & at_ends) - elsewhere
    works, holders = world.reliance.works, world.reliance.holders
    reached = [
        world.items[key].union(
            *(works[one] for one in world.relied[key] & works.keys()),
            *(holders[one] for one in (world.relied[key] - shared) & holders.keys()),
        )
        for key in contest
    ]
    return shared, shared - unavoidable, set.intersection(*reached)


def _ends(world: World, circuit: str, *, grouped: bool) -> set[Asset]:
    """What a circuit's own ends bring: its relays with all they need, or in a group their sites."""
    by = world.records.by
    machines = [name for end in ("a", "b") if (name := by["circuits"][circuit].get(end))]
    brought: set[Asset] = set().union(*(world.leads(one) for one in machines))
    if not grouped:
        return brought
    sites = {by["equipment"][one]["site"] for one in machines}
    excuse = world.records.rules["groups"]["excuse"]
    listed = {one for one in brought if world.ground.kind.get(str(one)) in excuse}
    return listed.union(*(world.leads(site) for site in sites))


def _tail(world: World, trial: Trial) -> set[Asset]:
    """What all paths of a circuit run through inside an end site before they part."""
    by = world.records.by
    courses = [world.paths[key] for side in trial.sides for key in side]
    excused = trial.group_test is None and service_of(world.records, trial.id)["tail"] != "shared"
    if not excused or all(one == courses[0] for one in courses):
        return set()
    found: set[Asset] = set()
    for end, way in (("a", 1), ("b", -1)):
        at = by["circuits"][trial.id].get(end)
        site = by["equipment"][at]["site"] if at else None
        for step in zip(*(one[::way] for one in courses), strict=False):
            link = by["links"][step[0]]
            machines = {link["a"], link["b"], *(link.get("via") or ())}
            inside = site is not None and None not in machines
            inside = inside and {by["equipment"][one]["site"] for one in machines} == {site}
            if len(set(step)) > 1 or not inside or at not in (link["a"], link["b"]):
                break
            found |= _indoors(world, step[0], site)
            at = link["b"] if at == link["a"] else link["a"]
    return found


def _indoors(world: World, hop: str, site: str | None) -> set[Asset]:
    """What a hop inside a site is made of, and what that relies on there; no laid plant."""
    by, ground = world.records.by, world.ground

    def laid(asset: Asset) -> bool:
        if asset in by["structures"]:
            return True
        tray = ground.kind.get(str(asset)) in ("tray", "riser")
        return asset in by["segments"] and not (tray and set(ground.ends[str(asset)]) == {site})

    def stands(asset: Asset) -> bool:
        for role, place in (("equipment", "site"), ("supplies", "site"), ("joints", "at")):
            if asset in by[role]:
                return bool(by[role][str(asset)][place] == site)
        if asset in by["holders"]:
            return _only_at(world, str(asset), site)
        return isinstance(asset, tuple) or (asset in by["segments"] and not laid(asset))

    items = world.reliance.items[hop]
    cord = not any(laid(one) for one in items)
    found = {one for one in items if stands(one) or (cord and one in by["cables"])}
    waiting = list(found)
    while waiting:
        at = waiting.pop()
        ahead = {*world.reliance.holders.get(at, ()), *world.reliance.works.get(at, ())}
        fresh = {one for one in ahead - found if stands(one)}
        found |= fresh
        waiting += fresh
    return found


def _only_at(world: World, holder: str, site: str | None) -> bool:
    """Whether a holder lies in no other site, and holds nothing that stands elsewhere."""
    by, ground = world.records.by, world.ground

    def on(place: str | None) -> bool:
        return place is not None and (place == site or site in ground.over(place))

    def here(asset: str) -> bool:
        for role in ("equipment", "supplies"):
            if asset in by[role]:
                return bool(by[role][asset]["site"] == site)
        if asset in by["segments"]:
            return all(on(end) for end in ground.ends[asset])
        return asset in by["holders"] or on(asset)

    if not ground.over(holder) & set(by["sites"]) <= {site}:
        return False
    inside = {one for one in ground.holders if holder in ground.over(one)}
    return all(here(one) for one in inside)


def _name(asset: Asset) -> str:
    return asset if isinstance(asset, str) else asset[1]


def role_of(world: World, asset: Asset) -> tuple[str, Any]:
    """Role and kind of an asset, or of a hop (its medium)."""
    if isinstance(asset, tuple):
        return "links", world.hops[asset[1]].row.get("medium")
    roles = (r for r, rows in world.records.by.items() if r not in ("links", "circuits"))
    role = next(role for role in roles if asset in world.records.by[role])
    return role, world.records.by[role][asset].get("kind")
