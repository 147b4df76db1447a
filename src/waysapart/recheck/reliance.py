"""What every path relies on, by breadth-first search over sets."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations, pairwise, product
from typing import Any

from waysapart.evidence import Evidence, Witness
from waysapart.gaps import GAP_CODES, Limit
from waysapart.recheck.evidence import About, few, numbers
from waysapart.recheck.faulty_rows import Gap, grouped, reached
from waysapart.recheck.figures import Budgets, Figures
from waysapart.recheck.paths import Key
from waysapart.recheck.plant import WITH_WITHIN, Cables, Ground, Hop, Use, radio_hazards
from waysapart.recheck.records import Records

STRICTEST = ("pairwise", "working", "all")


@dataclass
class Trial:
    """A circuit or a group: its circuits, and the paths on each of its sides."""

    id: str
    circuits: list[str]
    sides: list[list[Key]]
    group_test: str | None = None

    @property
    def what(self) -> str:
        """Its name in sentences."""
        return f"{'group' if self.group_test else 'circuit'} {self.id}"

    @property
    def paths(self) -> list[Key]:
        """The paths on all sides."""
        return [path for side in self.sides for path in side]

    @cached_property
    def contests(self) -> list[list[Key]]:
        """Sets of paths that must be apart: all; under `pairwise` every two of two members."""
        if self.group_test != "pairwise":
            return [self.paths]
        pairs = combinations(self.sides, 2)
        return [[one, other] for left, right in pairs for one, other in product(left, right)]


def trials_of(records: Records, paths: dict[Key, list[str]], lost: set[Key]) -> list[Trial]:
    """Circuits by id, then groups by id, each with the paths on its sides.

    Parameters
    ----------
    records : Records
    paths : dict of (circuit, label) to list of str
        From `waysapart.recheck.paths`.
    lost : set of (circuit, label)
        Paths that are out of service.

    Returns
    -------
    list of Trial
    """
    found = []
    of = grouped((key[0], key) for key in paths)
    rows = sorted(records.by["circuits"].items())
    for name, _ in rows:
        mine = of.get(name, [])
        alive = [key for key in mine if key not in lost]
        found.append(Trial(name, [name], [[key] for key in (alive if len(alive) > 1 else mine)]))
    members = grouped((row["group"], name) for name, row in rows if row.get("group"))
    for group, circuits in sorted(members.items()):
        asked = {service_of(records, one)["group_test"] for one in circuits}
        test = next(one for one in STRICTEST if one in asked)
        by_member = [of[one] for one in circuits if one in of]
        if test == "working":
            sides = [[next((k for k in mine if k not in lost), mine[0])] for mine in by_member]
        elif test == "all":
            sides = [[key] for mine in by_member for key in mine]
        else:
            sides = by_member
        found.append(Trial(group, circuits, sides, test))
    return found


def service_of(records: Records, circuit: str) -> dict[str, Any]:
    """Limits of a circuit's service.

    Parameters
    ----------
    records : Records
    circuit : str
        Its id.

    Returns
    -------
    dict
        By rule key.
    """
    name = records.by["circuits"][circuit].get("service") or "default"
    found: dict[str, Any] = records.rules["services"].get(name, UNKNOWN_SERVICE)
    return found


UNKNOWN_SERVICE: dict[str, Any] = {
    **{"separation_m": 0.0, "end_zone_m": 0.0, "forbid_cross": False, "group_test": "working"},
    **{"tail": "excused", "own_line": "excused"},
}
"""Limits of a service that the rules do not know: none, and every limit is open."""
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
        holders, works = self.holders, self.works
        return reached(start, lambda at: (*holders.get(at, ()), *works.get(at, ())))


def rely(cables: Cables, hops: dict[str, Hop]) -> Reliance:
    """Who relies on what, in the whole study.

    Parameters
    ----------
    cables : Cables
    hops : dict of str to Hop
        From `tie_links`.

    Returns
    -------
    Reliance
    """
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
    in_air = radio_hazards(records)
    for name, hop in hops.items():
        row = hop.row
        items: set[Asset] = {*in_air.get(name, ())} | {
            end for end in (row.get("a"), row.get("b")) if end
        }
        items |= set(row.get("via") or ())
        for use in hop.uses():
            items |= part(cables, use, whole)
        items |= _joints_at_changes(cables, hop)
        for stated in row.get("relies_on") or ():
            items |= in_full(stated)
        if not hop.uses() and not row.get("relies_on") and hop.medium != "fibre":
            items.add(("hop", name))
        reliance.items[name] = items
    return reliance


def whole_cable(cables: Cables, cable: str | None) -> set[Asset]:
    """A cable with its joints, segments, ends and passed structures, and so all that carries it.

    Parameters
    ----------
    cables : Cables
    cable : str or None
        Its id.

    Returns
    -------
    set
        Ids; empty without a cable.
    """
    found: set[Asset] = set()
    while cable is not None:
        found |= {cable, *cables.ground.records.joints_of.get(cable, ())}
        found |= {step.segment for step in cables.chain[cable]}
        found |= {node for node, _ in cables.nodes(cable) if node is not None}
        cable = cables.carrier[cable]
    return found


def part(cables: Cables, use: Use, whole: dict[str, set[Asset]]) -> set[Asset]:
    """What the use of a cable relies on.

    Where the cable follows its carrier, the same stretch of the carrier counts; where it has runs
    of its own, the whole carrier.

    Parameters
    ----------
    cables : Cables
    use : Use
    whole : dict of str to set
        From `whole_cable`, by cable.

    Returns
    -------
    set
        Ids.
    """
    if cables.is_whole(use):
        return whole[use.cable]
    nodes: set[str] = set()
    found: set[Asset] = {use.cable}
    for step, _, _, on_it in cables.stretch(use):
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
        for uses in hop.directions.values()
        for before, after in pairwise(uses)
        if before.end is not None and before.end == after.begin
    }
    records = cables.ground.records
    silent = records.joints_of.get(None, ())
    return {name for name in silent if records.by["joints"][name]["at"] in at}


def _add_common_supplies(reliance: Reliance, cables: Cables) -> None:
    """Make what is fed rely on what all its feeds rely on: the least fixed point."""
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
    outside; a feed that needs more than another one adds nothing. A loop without such a way
    keeps its supplies as they stand.
    """
    records = cables.ground.records
    supplies = {
        name: [one for one in row["supplies"] if one in records.by["supplies"]]
        for role in ("equipment", "supplies")
        for name, row in records.by[role].items()
        if row.get("supplies")
    }
    behind = {
        name: reached(mine, lambda at: supplies.get(at, ())) for name, mine in supplies.items()
    }
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


def fallen(reliance: Reliance, cables: Cables, out: Iterable[str]) -> set[Asset]:
    """Everything that is out of service with some assets; what is fed also when all its feeds are.

    Parameters
    ----------
    reliance : Reliance
    cables : Cables
    out : iterable of str
        Ids of assets out of service.

    Returns
    -------
    set
        Assets and hops, those of `out` included.
    """
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


BY_FIGURES = {"delay", "asymmetry", "unavailability"}
"""Limits whose figures show that they are not known."""
DRAWN_GAPS = {"match-uncovered", "match-ambiguous", "cable-broken"}


@dataclass
class World:
    """Everything that claims are checked against.

    `relied`: what each path relies on; `link_relied`: what each link of any path does;
    `items`: what a path uses directly; `lost`: paths that are out of service; `undecided`:
    ways round a ring whose main way the records do not settle; `behind`: what each path
    relies on, and what any supply of any of it does; `down`: share of the time for which
    each asset is down, None without a rate; `unrated`: hops of which nothing on record
    fails.
    """

    records: Records
    ground: Ground
    cables: Cables
    hops: dict[str, Hop]
    figures: Figures
    reliance: Reliance
    paths: dict[Key, list[str]] = field(default_factory=dict)
    undecided: set[Key] = field(default_factory=set)
    items: dict[Key, set[Asset]] = field(default_factory=dict)
    relied: dict[Key, set[Asset]] = field(default_factory=dict)
    link_relied: dict[str, set[Asset]] = field(default_factory=dict)
    lost: set[Key] = field(default_factory=set)
    trials: list[Trial] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    behind: dict[Key, set[Asset]] = field(default_factory=dict)
    down: dict[Asset, float | None] = field(default_factory=dict)
    unrated: set[str] = field(default_factory=set)
    cut_by: dict[str, set[Key]] = field(default_factory=dict)
    contested: dict[tuple[bool, tuple[Key, ...]], tuple[set[Asset], set[Asset]]] = field(
        default_factory=dict
    )
    _leads: dict[str, set[Asset]] = field(default_factory=dict)
    _left_open: dict[str, set[Limit]] = field(default_factory=dict)

    @cached_property
    def blank_within(self) -> set[Asset]:
        """Assets without a record of what they lie in."""
        rows = (item for role in WITH_WITHIN for item in self.records.by[role].items())
        return {name for name, row in rows if row.get("within") is None}

    @cached_property
    def held(self) -> dict[str, list[str]]:
        """By asset, what lies directly in it by the records; joints lie in what they are at."""
        return grouped(
            (str(holder), name)
            for role, rows in self.records.by.items()
            for name, row in rows.items()
            for holder in ([row.get("at")] if role == "joints" else row.get("within") or ())
        )

    @cached_property
    def led_to(self) -> dict[Asset, list[Asset]]:
        """By asset, everything that leads to it in one step."""
        steps = (self.reliance.holders, self.reliance.works)
        return grouped((two, one) for mine in steps for one, ahead in mine.items() for two in ahead)

    @cached_property
    def circuits(self) -> dict[str, Trial]:
        """The trial of every circuit, by its id."""
        return {trial.id: trial for trial in self.trials if trial.group_test is None}

    @cached_property
    def groups(self) -> dict[str, Trial]:
        """The trial of every group, by its name."""
        return {trial.id: trial for trial in self.trials if trial.group_test is not None}

    @cached_property
    def paths_of(self) -> dict[str, list[Key]]:
        """The paths of every circuit that has any."""
        return grouped((key[0], key) for key in self.paths)

    @cached_property
    def ring_times(self) -> dict[str, list[tuple[str, float]]]:
        """By link, the rings that it is on and the time that each states for switching."""
        rows = self.records.rows["rings"]
        stated = {row["ring"]: row["recovery_ms"] for row in rows if row["recovery_ms"] is not None}
        on = ((row["link"], row["ring"]) for row in rows if row["ring"] in stated)
        return grouped((link, (ring, stated[ring])) for link, ring in on)

    def unsure(self, keys: Iterable[Key]) -> set[Asset]:
        """The cables on some paths whose course is not certain."""
        unsure = self.cables.unsure
        return {one for key in keys for one in self.relied[key] & unsure} if unsure else set()

    def touching(self, trial: Trial) -> list[Gap]:
        """The gaps that touch a circuit or group: of its plant, of its links, or of itself."""
        counted, (assets, links, circuits) = trial.paths, self._gaps_at
        hit = {n for key in counted for link in self.paths[key] for n in links.get(link, ())}
        for key in counted:
            few, many = sorted((assets.keys(), self.behind[key]), key=len)
            hit |= {n for asset in few if asset in many for n in assets.get(asset, ())}
        for circuit in trial.circuits:
            mine = [label for name, label in counted if name == circuit]
            for n in circuits.get(circuit, ()):
                whole = trial.group_test is None or self.gaps[n].with_groups or not mine
                if whole or self.gaps[n].path in mine:
                    hit.add(n)
        return [self.gaps[n] for n in sorted(hit)]

    def concerned(self, circuits: Iterable[str]) -> list[str]:
        """Some circuits and the groups that they are in, as sentences name them."""
        mine = set(circuits)
        return [trial.what for trial in self.trials if mine & set(trial.circuits)]

    def left_open(self, circuit: str) -> set[Limit]:
        """The limits of a circuit that gaps leave open, whatever its figures say.

        Delay, asymmetry and unavailability are left open only by gaps that concern a whole path, or
        put in doubt what is on record; any other missing record shows in the figures.

        Parameters
        ----------
        circuit : str
            Its id.

        Returns
        -------
        set of str
            Limits.
        """
        if circuit not in self._left_open:
            self._left_open[circuit] = {
                limit
                for gap in self.touching(self.circuits[circuit])
                for limit in gap.limits
                if limit not in BY_FIGURES
                or (gap.circuits and gap.path is None)
                or GAP_CODES[gap.code].doubt
            }
        return self._left_open[circuit]

    @cached_property
    def budgets(self) -> Budgets:
        """Loss budgets of all links."""
        return Budgets(self.figures)

    @cached_property
    def _gaps_at(self) -> tuple[dict[Asset, list[int]], dict[str, list[int]], dict[str, list[int]]]:
        """Numbers of gaps by the assets, links and circuits that they touch."""
        gaps = list(enumerate(self.gaps))
        return (
            grouped((asset, number) for number, gap in gaps for asset in gap.assets),
            grouped((link, number) for number, gap in gaps for link in gap.links),
            grouped((circuit, number) for number, gap in gaps for circuit in gap.circuits),
        )

    @cached_property
    def delay_gaps(self) -> list[Gap]:
        """The gaps that leave delays open."""
        return [gap for gap in self.gaps if "delay" in gap.limits]

    def leads(self, asset: str) -> set[Asset]:
        """Everything that one asset leads to, itself included."""
        if asset not in self._leads:
            self._leads[asset] = self.reliance.closure([asset])
        return self._leads[asset]

    def role_of(self, asset: Asset) -> tuple[str, Any]:
        """Role and kind of an asset, or of a hop (its medium)."""
        if isinstance(asset, tuple):
            return "links", self.hops[asset[1]].row.get("medium")
        by = self.records.by
        role = next(r for r in by if r not in ("links", "circuits") and asset in by[r])
        return role, by[role][asset].get("kind")


def name_of(asset: Asset) -> str:
    """Id of an asset, or of a hop.

    Parameters
    ----------
    asset : str or tuple
        A hop is a tuple of `hop` and the id of its link.

    Returns
    -------
    str
    """
    return asset if isinstance(asset, str) else asset[1]


# Against the evidence


def check_paths(world: World, facts: Evidence, about: About) -> None:
    """Check the links of every path, and the set of all that it relies on, member by member.

    Parameters
    ----------
    world : World
    facts : Evidence
    about : About
        Tallies the claims.
    """
    evidence, assets = facts["evidence"], facts["evidence"]["assets"]
    hops = numbers(evidence["roles"].get("links", ""), len(assets))
    hazards = set(world.records.by["hazards"])
    claimed = {(one["circuit"], one["path"]): one for one in evidence["paths"]}
    told_keys = [(one["circuit"], one["path"]) for one in evidence["paths"]]
    about.same("paths", told_keys, list(world.paths))
    circuits = {one["id"]: one for one in facts["circuits"]}
    for key, links in world.paths.items():
        path = about.of(f"circuit {key[0]}, {key[1]}")
        told = circuits[key[0]]["paths"].get(key[1]) if key[0] in circuits else None
        if key not in claimed or told is None:
            path.holds(False, "the evidence lacks this path")
            continue
        mine = claimed[key]
        path.same("links", told["links"], links)
        path.same("links of its set", mine["links"], links)
        path.same("out of service", told["out_of_service"], key in world.lost)
        if key in world.undecided:
            path.skip("which way round its ring is the shorter", *world.concerned([key[0]]))
        members = numbers(mine["relies_on"], len(assets))
        if members and max(members) >= len(assets):
            path.holds(False, "its set names assets that the evidence does not list")
            continue
        relied: set[Asset] = {("hop", assets[n]) if n in hops else assets[n] for n in members}
        path.same("number relied on", told["relies_on"], len(members))
        path.same_set("hazards met", mine["hazards"], set(map(name_of, relied)) & hazards)
        if unsure := world.unsure([key]):
            names = few(sorted(map(name_of, unsure)))
            path.skip(f"all that it relies on, as the course of {names} is not certain")
            found = sorted(map(name_of, world.relied[key] - relied))
            path.holds(not found, f"lacks {few(found)}")
            continue
        due = world.relied[key]
        path.same_set("relies on", list(map(name_of, relied)), set(map(name_of, due)))
        told_hops, due_hops = ([o for o in mine if isinstance(o, tuple)] for mine in (relied, due))
        path.same("hops relied on", sorted(told_hops), sorted(due_hops))
    _check_link_sets(world, evidence, assets, hops, about)
    for circuit in facts["circuits"]:
        labels = {label for _, label in world.paths_of.get(circuit["id"], ())}
        about.same_set(f"circuit {circuit['id']}: paths", list(circuit["paths"]), labels)


def _check_link_sets(
    world: World, evidence: Witness, assets: list[str], hops: set[int], about: About
) -> None:
    """All that each link of any path relies on, member by member."""
    about.same_set("links of paths", evidence["links"], world.link_relied)
    for name, text in evidence["links"].items():
        due, members = world.link_relied.get(name), numbers(text, len(assets))
        link = about.of(f"link {name}")
        if due is None or not link.holds(
            not members or max(members) < len(assets),
            "its set names assets that the evidence does not list",
        ):
            continue
        told: set[Asset] = {("hop", assets[n]) if n in hops else assets[n] for n in members}
        if due & world.cables.unsure:
            link.holds(due <= told, f"lacks {few(sorted(map(name_of, due - told)))}")
            continue
        extra, lacking = (sorted(map(name_of, one)) for one in (told - due, due - told))
        link.holds(not extra, f"relies on: names {few(extra)} in excess")
        link.holds(not lacking, f"relies on: lacks {few(lacking)}")


def check_roles(world: World, evidence: Witness, about: About) -> None:
    """Check that every asset of the evidence stands under its role, hops without cables last.

    Parameters
    ----------
    world : World
    evidence : Witness
        The part of the evidence that lists assets and paths.
    about : About
        Tallies the claims.
    """
    count, by = len(evidence["assets"]), world.records.by
    sets = {role: numbers(text, count) for role, text in evidence["roles"].items()}
    told = [(number, role) for role, mine in sets.items() for number in mine]
    hops, found = sets.get("links", set()), []
    assets: set[str] = set().union(*(by[role] for role in by if role not in ("links", "circuits")))
    for number, name in enumerate(evidence["assets"]):
        hop = number in hops
        known = name in (by["links"] if hop else assets)
        if about.holds(known, f"{name!r} of the evidence's assets is not on record"):
            found.append((number, world.role_of(("hop", name) if hop else name)[0]))
    about.holds(sorted(told) == found, "the roles of the evidence's assets are not as recorded")
    listed = [(name, number in hops) for number, name in enumerate(evidence["assets"])]
    about.same("assets listed twice", len(listed) - len(set(listed)), 0)
