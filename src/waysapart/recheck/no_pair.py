"""Check proofs that no separate paths exist: one breadth-first search per leaf of a tree.

At a fork stands a risk that two paths must not both rely on; one branch is the case
that the first of them avoids it, the other that the second does. The test of a group may say
that more than two paths must not all rely on it; then there is a branch for each. A leaf names a
path, risks that it avoids on this branch, and a cut: edges that all rely on one of
those risks and whose removal parts the two ends. Then that path does not exist. As
every branch ends in such a leaf, the paths do not exist either.

A leaf may say that a path that avoids some things is longer, later or loses more than is
allowed: that takes one search for the least sum. Or it may give several windows, each
a least and a greatest sum, and say that no course lies in all of them: then the
courses are listed, depth first, leaving out what can no longer keep a greatest sum.
"""

from __future__ import annotations

import heapq
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from math import ceil, inf
from typing import Any, NamedTuple

from waysapart.recheck.evidence import About
from waysapart.recheck.faulty_rows import grouped, reached
from waysapart.recheck.figures import Figures, assumed_us
from waysapart.recheck.plant import Use, follow_cables, survey, uses_of
from waysapart.recheck.records import Records
from waysapart.recheck.reliance import (
    STRICTEST,
    Asset,
    World,
    name_of,
    part,
    rely,
    service_of,
    whole_cable,
)
from waysapart.recheck.separation import CLOSE_M, LeastDistances, Plane, common_holders, forbids
from waysapart.recheck.sharing import group_ends
from waysapart.recheck.traced import follow_links

MOST_STEPS = 50_000
"""Steps in listing courses; a leaf that needs more is not checked."""
HALF_NS = 2000
"""Delay in a proof is counted in halves of a nanosecond."""
HALF_MDB = 2000
"""Loss in a proof is counted in halves of a thousandth of a dB."""
DELAY_US = 0.005
LOSS_DB = 0.002
AT_END_HAZARD = "meets a hazard that takes the sites where the circuits end, away from them"
AT_A_RELAY = "ends at the relay of another circuit, which passes nothing on"
Windows = dict[str, tuple[float, float]]
"""By weight, the least and the greatest sum that every path has on a branch."""
Beside = dict[str, list[tuple[str, str]]]
"""By node, the nodes beside it and the edge that leads there."""
Told = dict[str, Any]
"""A proof, or an edge, leaf or fork of it, as `reroute --json` writes it."""


class Edge(NamedTuple):
    """An edge of the graph that a proof speaks of, and all that it relies on."""

    ends: tuple[str, str]
    relies_on: frozenset[str]


_NEW_NAMES = {"ways": "paths", "way": "path", "fewer_than_ways": "fewer_than_paths"}
"""Fields of proofs as versions up to 0.1 wrote them, and what they are called now."""


def _by_new_names(told: Told) -> Told:
    """A proof whose fields have the names of today; what is misshapen stays as it is."""

    def renamed(one: Any) -> Any:
        if not isinstance(one, dict):
            return one
        new: Told = {_NEW_NAMES.get(str(name), str(name)): one[name] for name in one}
        pending.append(new)
        return new

    pending: list[Told] = []
    found: Told = renamed(told)
    while pending:
        owner = pending.pop()
        if "tree" in owner:
            owner["tree"] = renamed(owner["tree"])
        if isinstance(owner.get("then"), list):
            owner["then"] = [renamed(one) for one in owner["then"]]
    return found


@dataclass
class NoPair:
    """A proof as it is told, with its edges by id."""

    told: Told
    edges: dict[str, Edge]
    about: About

    def __post_init__(self) -> None:
        self.told = _by_new_names(self.told)

    @property
    def ends(self) -> tuple[str, str]:
        """The two nodes that paths would join."""
        begin, end = self.told["ends"]
        return str(begin), str(end)

    @cached_property
    def without(self) -> set[str]:
        """Edges that no path may use."""
        return set(map(str, self.told["without"]))

    @cached_property
    def courses(self) -> list[tuple[str, str]]:
        """Circuit and name of each path of a group; empty where each is of any circuit."""
        told = self.told.get("courses", ())
        return [(str(one["circuit"]), str(one["path"])) for one in told]

    @cached_property
    def _members(self) -> dict[str, str | None]:
        """The circuit that each edge is for."""
        return {str(one["id"]): one.get("member") for one in self.told["edges"]}

    def beside(
        self, avoid: Iterable[str] = (), cut: Iterable[str] = (), path: int | None = None
    ) -> Beside:
        """The graph without what no path may use, some edges, and all that relies on some things.

        Parameters
        ----------
        avoid : iterable of str
            What no edge may rely on.
        cut : iterable of str
            Edges to leave out.
        path : int, optional
            Number of the path; where paths belong to circuits, it uses edges of its own only.

        Returns
        -------
        dict
            By node, its neighbours and the edges that lead there.
        """
        removed, risks = self.without.union(cut), set(avoid)
        if self.courses and path is not None:
            own = self.courses[path][0]
            removed |= {name for name, of in self._members.items() if of != own}
        return grouped(
            (one, (other, name))
            for name, edge in self.edges.items()
            if name not in removed and not edge.relies_on & risks
            for one, other in (edge.ends, edge.ends[::-1])
        )

    def weights(self, name: str) -> dict[str, int]:
        """The weight of that name of each edge."""
        return {str(one["id"]): int(one["weights"][name]) for one in self.told["edges"]}


@dataclass
class _Record:
    """What the records say of links and cables, and of the members of the circuit or group."""

    world: World
    links: dict[str, Edge]
    whole: dict[str, set[Asset]] = field(init=False)

    def __post_init__(self) -> None:
        """`whole`: by cable, what it brings from end to end."""
        cables = self.world.cables
        self.whole = {name: whole_cable(cables, name) for name in cables.chain}

    def ids(self, assets: Iterable[Asset]) -> set[str]:
        """All that some assets rely on, hops by their ids."""
        return set(map(name_of, self.world.reliance.closure(assets)))

    def along(self, edge: Told) -> set[str]:
        """All that the stretch of cable of an edge, and the equipment at its ends, rely on."""
        found: set[Asset] = {str(end) for end in edge["at"] if end is not None}
        use = _use(self.world, edge)
        if use is not None:
            found |= part(self.world.cables, use, self.whole)
        return self.ids(found | set(edge.get("panels", ())))

    def relays(self, link: Edge, own: set[str]) -> set[str]:
        """Relays of other circuits at the ends of a link, which pass nothing on."""
        equipment, relay = self.world.records.by["equipment"], {"kind": "relay"}
        ends = set(link.ends) - own
        return {end for end in ends if equipment.get(end, relay).get("kind") == "relay"}


def _use(world: World, edge: Told) -> Use | None:
    """The stretch of cable of an edge; None where it has none on record."""
    if edge.get("cable") not in world.cables.chain:
        return None
    return uses_of(world.cables, edge)[0][0]


def check_no_pairs(records: Records, facts: Told, about: About) -> None:
    """Check every proof in what `reroute --json` wrote, and its edges against the records.

    Parameters
    ----------
    records : Records
    facts : dict
        What `reroute --json` wrote.
    about : About
        Tallies the claims.
    """
    proofs = [(one, one["no_pair_proof"]) for one in facts["circuits"] if one.get("no_pair_proof")]
    for circuit in facts["circuits"]:
        mine = about.of(f"circuit {circuit['id']}")
        if circuit["status"] == "none" and circuit.get("why"):
            mine.skip(circuit["why"])
        elif circuit["status"] == "none":
            mine.holds(bool(circuit.get("no_pair_proof")), "there is no proof")
    if not proofs:
        return
    record = _recorded(records, facts)
    for circuit, told in proofs:
        edges = {
            str(one["id"]): Edge((one["ends"][0], one["ends"][1]), frozenset(one["relies_on"]))
            for one in told["edges"]
        }
        proof = NoPair(told, edges, about.of(f"circuit {circuit['id']}"))
        members = circuit.get("members") or [circuit["id"]]
        check_tree(proof)
        _check_kept(proof)
        _check_asked(members, proof, record.world)
        _check_nodes(proof)
        _check_edges(members, proof, record)
        _check_excused(proof, record)
        _check_pairs(members, proof, record.world)
        _check_limits(members, proof, record.world)


def _recorded(records: Records, facts: Told) -> _Record:
    """Every link on record with its two ends and all that it relies on; every cable."""
    cables = follow_cables(survey(records), facts.get("matched", []), set())
    hops, _ = follow_links(cables)
    reliance = rely(cables, hops)
    world = World(records, cables.ground, cables, hops, Figures(cables, hops), reliance)
    record = _Record(world, {})
    for name, hop in hops.items():
        relied = frozenset(record.ids(reliance.items[name]))
        record.links[name] = Edge((hop.row["a"], hop.row["b"]), relied)
    return record


# The tree by itself


def check_tree(proof: NoPair) -> None:
    """Check a proof by itself: that its leaves close every branch."""
    told, about, start = proof.told, proof.about, set(proof.told["avoid_from_start"])
    pending: list[tuple[Told, dict[int, set[str]], Windows]]
    pending = [
        (told["tree"], {path: set(start) for path in range(told["paths"])}, first_windows(told))
    ]
    while pending:
        tree, avoided, windows = pending.pop()
        if "between" in tree:
            between = tree["between"]
            risks = tree["risks"] if "risks" in tree else [tree["risk"]] * len(between)
            sound = 2 <= len(set(between)) == len(between) == len(tree["then"]) == len(risks)
            sound = sound and set(between) <= set(avoided)
            if about.holds(sound, f"a fork at {risks[0]} is not between its paths"):
                for path, risk, branch in zip(between, risks, tree["then"], strict=True):
                    more = {**avoided, path: avoided[path] | {risk}}
                    pending.append((branch, more, windows))
        elif "then" in tree:
            both = _parted(proof, tree, windows)
            for branch, given in zip(tree["then"], both, strict=False):
                pending.append((branch, avoided, given))
        elif "fewer_than_paths" in tree:
            avoid = set(tree["fewer_than_paths"])
            few = len(avoid) < told["paths"]
            about.holds(few, f"{len(avoid)} risks are not fewer than the paths")
            _check_cut(proof, tree, avoid)
        elif tree["path"] not in avoided:
            about.holds(False, f"a leaf is about path {tree['path']}, which is not sought")
        else:
            known = set(tree["avoid"]) <= avoided.get(tree["path"], set())
            about.holds(known, "a leaf avoids what its branch does not")
            if "cut" in tree:
                _check_cut(proof, tree, set(tree["avoid"]))
            elif "windows" in tree:
                _check_listed(proof, tree, windows)
            else:
                _check_beyond(proof, tree, windows)


def _check_cut(proof: NoPair, leaf: Told, avoid: set[str]) -> None:
    """Every edge of a cut relies on something that is avoided, and no path is left without it."""
    cut, (begin, end) = [str(edge) for edge in leaf["cut"]], proof.ends
    for name in cut:
        hit = name in proof.edges and proof.edges[name].relies_on & avoid
        proof.about.holds(bool(hit), f"{name} of a cut relies on nothing that is avoided")
    beside = proof.beside(cut=cut, path=leaf.get("path"))
    there = reached([begin], lambda at: (other for other, _ in beside.get(at, ())))
    proof.about.holds(end not in there, f"a cut leaves a path from {begin} to {end}")


def first_windows(told: Told) -> Windows:
    """What the limits, and a path that is kept, say of every path from the start."""
    limits = told.get("limits", {"most": {}, "apart_most": {}, "kept": {}})
    found: Windows = {}
    for name in {*limits["most"], *limits["apart_most"]}:
        least, most = 0.0, float(limits["most"].get(name, inf))
        apart, kept = limits["apart_most"].get(name), limits["kept"].get(name)
        if apart is not None and kept is not None:
            least, most = max(least, kept - apart), min(most, kept + apart)
        found[name] = least, most
    return found


def _parted(proof: NoPair, tree: Told, windows: Windows) -> tuple[Windows, ...]:
    """Windows of both branches of a fork by a weight; none where paths could lie between.

    Paths that differ by d at most all stay at or below a figure, or are all above it less d.
    """
    name, at_most, or_at_least = tree["weight"], tree["at_most"], tree["or_at_least"]
    apart = proof.told.get("limits", {}).get("apart_most", {}).get(name)
    sound = apart is not None and or_at_least <= at_most - apart + 1 and len(tree["then"]) == 2
    if not proof.about.holds(sound, f"a fork at {at_most} of {name} leaves paths between"):
        return ()
    least, most = windows[name]
    return (
        {**windows, name: (least, min(most, at_most))},
        {**windows, name: (max(least, or_at_least), most)},
    )


def _check_beyond(proof: NoPair, leaf: Told, windows: Windows) -> None:
    """The least sum of a weight that a path can have while it avoids risks is outside a limit."""
    name, about = leaf["weight"], proof.about
    given = name in windows and windows[name][1] <= leaf["most"]
    about.holds(given, f"no branch allows as little as {leaf['most']} of {name}")
    begin, end = proof.ends
    least = _to_come(
        proof.beside(leaf["avoid"], path=leaf["path"]), proof.weights(name), end, set()
    ).get(begin)
    beyond = least is None or least >= leaf["least"] > leaf["most"]
    about.holds(beyond, f"a path has {least} of {name}, within {leaf['most']}")


def _check_listed(proof: NoPair, leaf: Told, windows: Windows) -> None:
    """Of all courses that avoid risks none has its sums in every window."""
    within: Windows = {}
    for one in leaf["windows"]:
        name, most = one["weight"], inf if one["most"] is None else one["most"]
        within[name] = one["least"], most
        low, high = windows.get(name, (0.0, inf))
        given = low >= one["least"] and high <= most
        proof.about.holds(given, f"no branch gives its paths {name} {within}")
    found = _course_within(proof, leaf, within)
    if found is None:
        proof.about.skip(f"a leaf that lists courses, which takes over {MOST_STEPS} steps")
    else:
        proof.about.holds(not found, f"the course {', '.join(found)} keeps every limit")


def _to_come(beside: Beside, of: dict[str, int], end: str, passed: set[str]) -> dict[str, int]:
    """Dijkstra's least sum of a weight from every node to the end, round the nodes passed."""
    found: dict[str, int] = {}
    waiting = [(0, end)]
    while waiting:
        so_far, node = heapq.heappop(waiting)
        if node in found:
            continue
        found[node] = so_far
        for other, edge in beside.get(node, ()):
            if other not in found and other not in passed:
                heapq.heappush(waiting, (so_far + of[edge], other))
    return found


def _course_within(proof: NoPair, leaf: Told, within: Windows) -> list[str] | None:
    """A course with its sums in every window, empty if there is none; None: too many steps."""
    (begin, end), beside = proof.ends, proof.beside(leaf["avoid"], path=leaf["path"])
    of = {name: proof.weights(name) for name in within}
    steps = 0
    pending: list[tuple[str, list[str], list[str], dict[str, int]]]
    pending = [(begin, [], [begin], dict.fromkeys(within, 0))]
    while pending:
        node, course, passed, sums = pending.pop()
        if node == end:
            if all(least <= sums[name] <= most for name, (least, most) in within.items()):
                return course
            continue
        steps += 1
        if steps > MOST_STEPS:
            return None
        ahead = {name: _to_come(beside, of[name], end, set(passed)) for name in within}
        for other, edge in beside.get(node, ()):
            onward = {name: so_far + of[name][edge] for name, so_far in sums.items()}
            if other not in passed and all(
                other in ahead[name] and onward[name] + ahead[name][other] <= most
                for name, (_, most) in within.items()
            ):
                pending.append((other, [*course, edge], [*passed, other], onward))
    return []


def _check_kept(proof: NoPair) -> None:
    """What is avoided from the start, and the sums of a kept path, are those of that path."""
    told, about = proof.told, proof.about
    keep = [str(one) for one in told.get("keep") or ()]
    node, end = proof.ends
    for name in keep:
        ends = proof.edges[name].ends if name in proof.edges else ("", "")
        if not about.holds(node in ends, f"the kept path is broken at {name}"):
            return
        node = ends[1] if node == ends[0] else ends[0]
    if keep:
        about.holds(node == end, f"the kept path ends at {node}")
    relied = {one for name in keep for one in proof.edges[name].relies_on}
    wrong = sorted(set(told["avoid_from_start"]) - relied)
    about.holds(not wrong, f"no kept path relies on {', '.join(wrong[:8])}")
    for name, claimed in told.get("limits", {}).get("kept", {}).items():
        weights = proof.weights(name)
        found = sum(weights[one] for one in keep)
        about.holds(bool(keep) and claimed == found, f"the kept path has {found} of {name}")


# The graph against the records


def _check_asked(members: list[str], proof: NoPair, world: World) -> None:
    """The proof is about the ends of the circuit, and about no more paths than are wanted."""
    told, about = proof.told, proof.about
    if len(members) > 1:
        _check_group(members, proof, world)
        return
    row = world.records.by["circuits"].get(members[0])
    if row is None:
        about.skip("its ends, as it is not on record")
        return
    about.same("ends of its proof", list(told["ends"]), [row["a"], row["b"]])
    about.same("number of paths sought", told["paths"], 1 if told.get("keep") else 2)


def _check_group(members: list[str], proof: NoPair, world: World) -> None:
    """The forks of a group's proof are between paths that its test holds against each other.

    Nothing stands at them that these paths may share because of where they end.
    """
    about, records = proof.about, world.records
    known = [one for one in members if one in records.by["circuits"]]
    if not about.holds(known == members, "the group has circuits that are not on record"):
        return
    rows = records.by["circuits"]
    groups = {rows[one].get("group") for one in members}
    whole = sorted(one for one, row in rows.items() if row.get("group") in groups)
    about.holds(len(groups) == 1 and whole == sorted(members), "its circuits are not one group")
    asked = {service_of(records, one)["group_test"] for one in members}
    test = next(one for one in STRICTEST if one in asked)
    count = proof.told["paths"]
    contests: list[tuple[int, ...]]
    if not proof.courses:
        if len(members) > 2 or test != "working" or count != 2:
            about.skip(f"that {count} working paths apart from each other were required")
        owners = [members] * count
        contests = list(combinations(range(count), 2))
    else:
        sound = len(proof.courses) == count and {one for one, _ in proof.courses} == set(members)
        if not about.holds(sound, "its paths are not those of its circuits"):
            return
        for one in members:
            mine = sum(of == one for of, _ in proof.courses)
            listed = records.rows["circuit_paths"]
            on_record = len({row["path"] for row in listed if row["circuit"] == one})
            if test != "working" and any(
                r["circuit"] == one for r in records.rows["ring_circuits"]
            ):
                about.skip(f"how many paths {one} has over its rings")
                continue
            # More paths make it harder to keep them all apart, and easier to lose not all.
            right = {"working": mine == 1, "all": mine >= max(2, on_record)}
            right["pairwise"] = mine <= max(1, on_record)
            about.holds(right[test], f"{mine} paths are sought for {one}, which has {on_record}")
        owners = [[of] for of, _ in proof.courses]
        contests = [tuple(range(count))]
        if test == "pairwise":
            contests = [two for two in combinations(range(count), 2) if _of_two(proof, two)]
    ends = {one: group_ends(world, one) for one in members}
    near = {frozenset(one["segments"]) for one in proof.told.get("pairs", ())}
    pairs = {str(one["id"]) for one in proof.told.get("pairs", ())}
    pending = [proof.told["tree"]]
    for tree in pending:  # grows as it goes
        pending += tree.get("then", ())
        between = set(tree.get("between", ()))
        if "risks" in tree:
            # Of more than two paths, two that come close lose nothing by themselves.
            right_two = _of_two(proof, sorted(between)) if test == "pairwise" else count == 2
            named = frozenset(tree["risks"]) in near and right_two
            about.holds(named, f"{' and '.join(tree['risks'])} are not said to be too near")
            continue
        if "risk" not in tree or tree["risk"] in pairs:
            continue
        said = [paths for paths in contests if between.issuperset(paths)]
        excused = [
            set.intersection(*(ends[one] for path in paths for one in owners[path]))
            for paths in said
        ]
        right_one = any(tree["risk"] not in one for one in excused)
        about.holds(right_one, f"the paths of a fork may share {tree['risk']}")


def _of_two(proof: NoPair, paths: Iterable[int]) -> bool:
    """Whether two paths are of two circuits."""
    return len({proof.courses[path][0] for path in paths}) > 1


def _check_nodes(proof: NoPair) -> None:
    """Edges meet where they meet on record: each place, and each of its optics, is one node."""
    places: dict[str, Any] = {}
    names: dict[Any, str] = {}
    for told in proof.told["edges"]:
        for name, asset in zip(told["ends"], told["at"], strict=True):
            optics = None if asset == told.get("equipment") else told.get("optics")
            place = (asset or name, optics)
            alike = places.setdefault(name, place) == place
            alike = names.setdefault(place, name) == name and alike
            proof.about.holds(alike, f"{name} and {names[place]} are not told apart or one")
    ids = [one["id"] for one in proof.told["edges"]]
    proof.about.holds(len(ids) == len(set(ids)), "an edge stands twice in its proof")


def _check_edges(members: list[str], proof: NoPair, record: _Record) -> None:
    """Links of the proof are those on record, none is left out, and they rely on what it says."""
    about, circuits = proof.about, record.world.records.by["circuits"]
    pairs = {one["id"]: set(one["segments"]) for one in proof.told.get("pairs", ())}
    own = {one: {circuits.get(one, {}).get(end) for end in ("a", "b")} for one in members}
    known: dict[str, set[str]] = {member: set() for member in members}
    for told in proof.told["edges"]:
        name = str(told["id"])
        link = record.links.get(told["link"]) if "link" in told else None
        allowed = set(link.relies_on) if link else record.along(told)
        allowed |= {pair for pair, segments in pairs.items() if segments & allowed}
        member = told.get("member", members[0])
        about.holds(member in known, f"{name} is for {member}, which the proof is not about")
        if link is not None:
            known.setdefault(member, set()).add(told["link"])
            about.holds(set(told["at"]) == set(link.ends), f"{name} joins other equipment")
        elif told["what"] == "member":
            allowed.add(f"one way only for circuit {members.index(member)}")
            right = set(told["at"]) - {None} <= own.get(member, {None})
            about.holds(right, f"{name} is no end of {member}")
        else:
            about.skip("that its proof knows every stretch of cable with free fibres")
        wrong = sorted(proof.edges[name].relies_on - allowed)
        about.holds(not wrong, f"{name} does not rely on {', '.join(wrong[:8])}")
    _check_left_out(proof, record)
    for member, links in known.items():
        ends = set(map(str, own.get(member, ())))
        left_out = sorted(
            name
            for name, link in record.links.items()
            if name not in links | proof.without
            and not (len(members) > 1 and record.relays(link, ends))
        )
        about.holds(not left_out, f"its proof leaves out {', '.join(left_out[:8])}")


def _check_left_out(proof: NoPair, record: _Record) -> None:
    """Every edge that no path may use has its reason; those that end at a relay do so."""
    about = proof.about
    reasons = {
        str(edge): one["because"] for one in proof.told.get("left_out", ()) for edge in one["edges"]
    }
    silent = sorted(proof.without - set(reasons))
    about.holds(not silent, f"no reason is given to leave out {', '.join(silent[:8])}")
    told = {str(one["id"]): one for one in proof.told["edges"]}
    for name, because in reasons.items():
        if because.startswith(AT_END_HAZARD) and name in told:
            met = _met_away(told[name], record)
            about.holds(met, f"{name} meets no hazard that takes where its circuits end")
            continue
        if because != AT_A_RELAY:
            about.skip(f"what is left out of its proof, because: {because}")
            continue
        link = record.links.get(name)
        at_one = link is not None and len(set(link.ends)) == 1
        right = link is not None and (at_one or bool(record.relays(link, set(proof.ends))))
        about.holds(right, f"{name} does not end at the relay of another circuit")


def _met_away(edge: Told, record: _Record) -> bool:
    """Whether an edge meets, away from where its circuit ends, a hazard that takes those sites.

    Those of another circuit of its group as well, so that the hazard would be excused.
    """
    world, rows = record.world, record.world.records.by["circuits"]
    own = str(edge["member"])
    ends = group_ends(world, own)
    others = [one for one, row in rows.items() if row.get("group") == rows[own].get("group")]
    common = {one for name in others if name != own for one in ends & group_ends(world, name)}
    link = record.links.get(edge.get("link", ""))
    relied = set(link.relies_on) if link is not None else record.along(edge)
    met = {str(one) for asset in relied - ends for one in world.ground.hit.get(asset, ())}
    if link is not None:
        met |= set(map(name_of, world.reliance.items[edge["link"]]))
    return bool(met & common & set(world.records.by["hazards"]))


def _check_excused(proof: NoPair, record: _Record) -> None:
    """Nothing that the two ends rely on by themselves counts as shared, but for hazards."""
    by, about = record.world.records.by, proof.about
    if len(proof.told["edges"]) and proof.told["edges"][0].get("member"):
        return  # of a group, see `_check_group`
    if not set(proof.ends) <= set(by["equipment"]):
        about.skip("that its proof excuses what the ends of the circuits rely on")
        return
    avoided, pending = set[str](), [proof.told["tree"]]
    for tree in pending:  # grows as it goes
        avoided |= {str(one) for one in tree.get("avoid", tree.get("fewer_than_paths", ()))}
        pending += tree.get("then", ())
    ends = record.ids(proof.ends) - set(by["hazards"])
    wrong = sorted(avoided & ends)
    about.holds(not wrong, f"both ends rely on {', '.join(wrong[:8])} by themselves")


# Limits and weights against the records


def _check_limits(members: list[str], proof: NoPair, world: World) -> None:
    """The limits of a proof are those of the circuit, and each edge has what it says."""
    limits, about = proof.told.get("limits"), proof.about
    if limits is None:
        return
    if len(members) > 1:
        about.skip("the loss and delay of each edge of its proof, as it is a group")
        return
    service, records = service_of(world.records, members[0]), world.records
    lines = _Lines(world, proof, service)
    most_us = service.get("max_delay_us")
    if most_us is not None:
        most_us -= sum(assumed_us(records, end) or 0.0 for end in proof.ends)
    each = (records.by["circuits"][members[0]].get("switching") or "each") == "each"
    right: dict[tuple[str, str], float | None] = {
        ("most", "delay"): most_us,
        ("most", "loss"): lines.room,
        ("apart_most", "delay"): service.get("max_asymmetry_us") if each else None,
    }
    for kind in ("most", "apart_most"):
        for name, claimed in limits[kind].items():
            found, (told, by) = right.get((kind, name)), _in_units(name, claimed)
            same = found is not None and abs(told - found) <= by
            about.holds(same, f"{kind} of {name} is {found}, not {told}")
    for edge in proof.told["edges"]:
        for name, claimed in edge["weights"].items():
            found = lines.delay_us(edge) if name == "delay" else lines.loss_db(edge)
            told, by = _in_units(name, claimed)
            if found is not None:
                about.close(f"{edge['id']}: {name}", told, found, by)
            elif edge["id"] not in proof.told["without"]:
                about.skip(f"the {name} of {edge['id']}")


def _in_units(name: str, claimed: float) -> tuple[float, float]:
    """A weight in microseconds or decibels, and by how much it may differ."""
    return (claimed / HALF_NS, DELAY_US) if name == "delay" else (claimed / HALF_MDB, LOSS_DB)


class _Lines:
    """Delay and loss of the edges of one proof; `room` is what fibre and splices may lose."""

    def __init__(self, world: World, proof: NoPair, service: dict[str, Any]) -> None:
        self.world, self.records = world, world.records
        links = self.records.by["links"]
        self.optics = [links[like] for like in proof.told.get("optics", ())]
        self.rooms = [self._room_db(row, service.get("min_margin_db")) for row in self.optics]
        self.room = max((one for one in self.rooms if one is not None), default=None)
        self._half_us = {
            name: 0.0 if name in proof.ends else (assumed_us(self.records, name) or 0.0) / 2
            for name in self.records.by["equipment"]
        }
        used = (uses for hop in world.hops.values() for uses in hop.directions.values())
        self._link_ends = {end for uses in used for end in _outer(uses)}
        chains = [chain for chain in world.cables.chain.values() if chain]
        self._met = Counter(node for chain in chains for node in (chain[0].entry, chain[-1].exit))
        tests = self.records.tests
        self._tested = {row.get("cable") for row in tests if row.get("loss_db") is not None}

    def _room_db(self, row: dict[str, Any], least: float | None) -> float | None:
        """What fibre, splices and connectors may lose between optics; None: there is no limit."""
        sent, needed, reserve = (row.get(n) for n in ("tx_min_dbm", "rx_min_dbm", "reserve_db"))
        kept = self.records.rules["reserve"]["ageing_db"] if reserve is None else reserve
        if sent is None or needed is None or least is None:
            return None
        return float(sent - needed - least - kept)

    def delay_us(self, edge: Told) -> float | None:
        """Delay one way, with half of each equipment that stands between two edges."""
        if edge["what"] == "port":
            return self._half_us[edge["equipment"]]
        if edge["what"] == "stretch":
            use, nm = _use(self.world, edge), self.optics[edge["optics"]]["wavelength_nm"]
            return None if use is None else self.world.figures.stretch_us(use, float(nm))
        if edge["what"] != "link":
            return None
        hop = self.world.hops[edge["link"]]
        go, back = self.world.figures.delay_us(edge["link"])
        via = sum(assumed_us(self.records, one) or 0.0 for one in hop.row.get("via") or ())
        half = sum(self._half_us[end] for end in edge["at"])
        return None if go is None or back is None else float(max(go, back) + via + half)

    def loss_db(self, edge: Told) -> float | None:
        """Loss that counts against the optics of a new link; none where they have no limit."""
        own = None if edge["what"] == "link" else self.rooms[edge["optics"]]
        if own is None or self.room is None:
            return 0.0
        if edge["what"] == "port":
            return float(ceil((self.room - own) * 1000 - 1e-6) / HALF_MDB)
        use, optics = _use(self.world, edge), self.optics[edge["optics"]]
        if use is None or use.cable in self._tested:
            return None
        figures = self.world.figures
        nm = float(optics["wavelength_nm"])
        metres, glass = figures.fibre_m(use), figures.stretch_db(use, nm)
        if metres is None or glass is None:
            return None
        rules, keep = self.records.rules["defaults"], self.records.rules["reserve"]
        connectors = sum(self._led_in(use, at) for at in (0, 1))
        splices = self._splices(use) + (2 - connectors) / 2
        if optics.get("reserve_db") is None:
            splices += metres / 1000 * keep["repair_splices_per_km_year"] * keep["repair_years"]
        return float(glass + connectors * rules["connector_db"] + splices * rules["splice_db"])

    def _led_in(self, use: Use, end: int) -> bool:
        """Whether a cable ends here and is led into a site: on a panel, not spliced in the field.

        At a site itself, where a link on record ends on it, or where no other cable ends.
        """
        at, node = ((use.from_, use.begin), (use.to, use.end))[end]
        ground, sites = self.world.ground, self.records.by["sites"]
        if node is None or at not in (0.0, self.world.cables.whole(use.cable).to):
            return False
        place, sheet, snap_m = ground.shape.get(node), self.records.sheet, self.records.snap_m
        there = any(
            name == node
            or name in ground.above(node)
            or (place is not None and sheet.metres(place, ground.shape[name]) <= snap_m)
            for name in sites
        )
        return there and (
            node in sites or (use.cable, node) in self._link_ends or self._met[node] == 1
        )

    def _splices(self, use: Use) -> int:
        """Joints on record between the ends, and one after each full reel between them."""
        joints, met = self.records.by["joints"], self.world.figures.joints_met(use)
        inside = [one for one in met if joints[one]["at"] not in (use.begin, use.end)]
        return len(inside) + self.world.figures.reel_splices(use, met)


def _outer(uses: list[Use]) -> set[tuple[str, str | None]]:
    """The cables with which a link begins and stops, and where: not where it goes on."""
    found = set()
    for use, outer, beside in (
        (uses[0], uses[0].begin, uses[1:2]),
        (uses[-1], uses[-1].end, uses[-2:-1]),
    ):
        inner = {node for other in beside for node in (other.begin, other.end)}
        both = {use.begin, use.end}
        found.add((use.cable, next(iter(both - {outer}), outer) if outer in inner else outer))
    return found


# Segments too near against the records


def _check_pairs(members: list[str], proof: NoPair, world: World) -> None:
    """Every two segments come nearer than the rules allow outside the end zones, or cross.

    What the accuracy of their records leaves open counts as too near, as it does for
    a verdict. Segments that some path follows only in part are not checked: the part
    may be the one that keeps away.
    """
    if not proof.told.get("pairs"):
        return
    plane, about, kind = Plane(world), proof.about, world.ground.kind
    services = [service_of(world.records, circuit) for circuit in members]
    zones = plane.zones(members, min(float(one["end_zone_m"]) for one in services))
    limits = LeastDistances(plane, services, loose=True)
    in_part = _followed_in_part(world, proof)
    ends = {str(world.records.by["circuits"][name][end]) for name in members for end in ("a", "b")}
    excused = {one for one in world.reliance.closure(ends) if isinstance(one, str)}
    # Of more than two paths two may share what others do not: that excuses them nothing.
    test = next(one for one in STRICTEST if one in {s["group_test"] for s in services})
    several = len(proof.courses) > 2 and test != "pairwise"

    def outside(segment: str) -> Any:
        """A segment outside the end zones."""
        shape = plane.line((segment, 0.0, 1.0))[0]
        for zone in zones:
            shape = shape.difference(zone)
        return shape

    for pair in proof.told["pairs"]:
        one, other = pair["segments"][0], pair["segments"][-1]
        if not {one, other} <= set(kind) or in_part & {one, other}:
            about.skip(f"that {one} and {other} come too near, followed in part")
            continue
        first, second, limit = outside(one), outside(other), limits.of_m(one, other)
        away = inf if first.is_empty or second.is_empty else first.distance(second)
        near = limit > 0 and away <= limit + CLOSE_M
        kinds = str(kind[one]), str(kind[other])
        cross = away <= CLOSE_M and any(forbids(service, *kinds) for service in services)
        held = not several and common_holders(world, one, other, excused)
        said = f"{one} and {other} come within {away:.3f} m, where {limit:g} m is required"
        about.holds((near or cross) and not held, said)


def _followed_in_part(world: World, proof: NoPair) -> set[str]:
    """Segments of which a link, or a stretch of cable in the proof, follows less than the whole."""
    uses = [use for hop in world.hops.values() for use in hop.uses()]
    along = (_use(world, edge) for edge in proof.told["edges"])
    uses += [use for use in along if use is not None]
    steps = (on for use in uses for on in world.cables.stretch(use))
    return {on.step.segment for on in steps if abs(on.end - on.begin) < 1}
