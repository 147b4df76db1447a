"""Check proofs that no separate ways exist: one breadth-first search per leaf of a tree.

At a fork stands a risk that two ways must not both rely on; one branch is the case
that the first of them avoids it, the other that the second does. A leaf names a
way, risks that it avoids on this branch, and a cut: edges that all rely on one of
those risks and whose removal parts the two ends. Then that way does not exist. As
every branch ends in such a leaf, the ways do not exist either.

A leaf may say that a way that avoids some things is longer, later or loses more than is
allowed: that takes one search for the least sum. Or it may give several windows, each
a least and a greatest sum, and say that no course lies in all of them: then the
courses are listed, depth first, leaving out what can no longer keep a greatest sum.
"""

from __future__ import annotations

import heapq
from collections import Counter
from dataclasses import dataclass
from math import ceil
from typing import Any, NamedTuple

from waysapart.recheck.evidence import Tally
from waysapart.recheck.figures import Figures, assumed_us
from waysapart.recheck.plant import Use, follow_cables, stretch, survey, tie_links, uses_of
from waysapart.recheck.records import Records
from waysapart.recheck.reliance import Asset, World, part, rely, service_of, whole_cable
from waysapart.recheck.separation import CLOSE_M, LeastDistances, Plane, common_holders, forbids

MOST_STEPS = 50_000
"""Steps in listing courses; a leaf that needs more is not checked."""

Window = tuple[float, float]

Windows = dict[str, Window]
"""By weight, the least and the greatest sum that every way has on a branch."""

WITHOUT_END = float("inf")


class Edge(NamedTuple):
    """An edge of the graph that a proof speaks of, and all that it relies on."""

    ends: tuple[str, str]
    relies_on: frozenset[str]


def check_no_pairs(records: Records, facts: dict[str, Any], findings: Tally) -> None:
    """Check every proof in what `reroute --json` wrote, and its edges against the records."""
    proofs = [
        (circuit, circuit["no_pair_proof"])
        for circuit in facts["circuits"]
        if circuit.get("no_pair_proof")
    ]
    for circuit in facts["circuits"]:
        if circuit["status"] == "none" and circuit.get("why"):
            findings.skip(f"circuit {circuit['id']}: {circuit['why']}")
        elif circuit["status"] == "none":
            findings.holds(
                bool(circuit.get("no_pair_proof")), f"circuit {circuit['id']}: there is no proof"
            )
    if not proofs:
        return
    record = _recorded(records, facts)
    for circuit, proof in proofs:
        what = f"circuit {circuit['id']}"
        edges = {
            str(one["id"]): Edge((one["ends"][0], one["ends"][1]), frozenset(one["relies_on"]))
            for one in proof["edges"]
        }
        check_tree(what, proof, edges, findings)
        check_kept(what, proof, edges, findings)
        members = circuit.get("members") or [circuit["id"]]
        _check_asked(what, members, proof, record.world, findings)
        _check_nodes(what, proof, findings)
        _check_edges(what, members, proof, edges, record, findings)
        _check_excused(what, proof, record, findings)
        check_pairs(what, members, proof, record.world, findings)
        check_limits(what, members, proof, record.world, findings)


def _check_asked(
    what: str, members: list[str], proof: dict[str, Any], world: World, findings: Tally
) -> None:
    """The proof is about the ends of the circuit, and about no more ways than are wanted."""
    if len(members) > 1:
        if proof["ways"] > 2:
            findings.skip(f"{what}: that {proof['ways']} ways are wanted")
        return
    row = world.records.by["circuits"].get(members[0])
    if row is None:
        findings.skip(f"{what}: its ends, as it is not on record")
        return
    findings.same(f"{what}: ends of its proof", list(proof["ends"]), [row["a"], row["b"]])
    wanted = 1 if proof.get("keep") else 2
    findings.same(f"{what}: number of ways sought", proof["ways"], wanted)


def check_tree(what: str, proof: dict[str, Any], edges: dict[str, Edge], findings: Tally) -> None:
    """Check a proof by itself: that its leaves close every branch."""
    start = set(proof["avoid_from_start"])
    pending: list[tuple[dict[str, Any], dict[int, set[str]], Windows]]
    pending = [
        (proof["tree"], {way: set(start) for way in range(proof["ways"])}, first_windows(proof))
    ]
    while pending:
        tree, avoided, windows = pending.pop()
        if "risk" in tree:
            one, other = tree["between"]
            sound = one != other and {one, other} <= set(avoided) and len(tree["then"]) == 2
            if findings.holds(sound, f"{what}: a fork at {tree['risk']} is not between two ways"):
                for way, branch in zip((one, other), tree["then"], strict=True):
                    mine = {k: (v | {tree["risk"]} if k == way else v) for k, v in avoided.items()}
                    pending.append((branch, mine, windows))
        elif "then" in tree:
            both = parted(what, proof, tree, windows, findings)
            for branch, given in zip(tree["then"], both or (), strict=False):
                pending.append((branch, avoided, given))
        elif "cut" in tree:
            _check_cut(what, proof, edges, tree, avoided, findings)
        else:
            known = set(tree["avoid"]) <= avoided.get(tree["way"], set())
            findings.holds(known, f"{what}: a leaf avoids what its branch does not")
            check = check_listed if "windows" in tree else check_beyond
            check(what, proof, edges, tree, windows, findings)


def _check_cut(
    what: str,
    proof: dict[str, Any],
    edges: dict[str, Edge],
    leaf: dict[str, Any],
    avoided: dict[int, set[str]],
    findings: Tally,
) -> None:
    if "fewer_than_ways" in leaf:
        avoid = set(leaf["fewer_than_ways"])
        few = len(avoid) < proof["ways"]
        findings.holds(few, f"{what}: {len(avoid)} risks are not fewer than the ways")
    else:
        avoid = set(leaf["avoid"])
        known = avoid <= avoided.get(leaf["way"], set())
        findings.holds(known, f"{what}: a leaf avoids what its branch does not")
    cut = [str(edge) for edge in leaf["cut"]]
    for name in cut:
        hit = name in edges and edges[name].relies_on & avoid
        findings.holds(bool(hit), f"{what}: {name} of a cut relies on nothing that is avoided")
    removed = {*cut, *map(str, proof["without"])}
    parted = not _connected(edges, removed, *proof["ends"])
    findings.holds(
        parted, f"{what}: a cut leaves a way from {proof['ends'][0]} to {proof['ends'][1]}"
    )


def _connected(edges: dict[str, Edge], removed: set[str], begin: str, end: str) -> bool:
    beside: dict[str, list[str]] = {}
    for name, edge in edges.items():
        if name not in removed:
            for one, other in (edge.ends, edge.ends[::-1]):
                beside.setdefault(one, []).append(other)
    found, waiting = {begin}, [begin]
    while waiting:
        for following in beside.get(waiting.pop(), ()):
            if following not in found:
                found.add(following)
                waiting.append(following)
    return end in found


@dataclass
class _Record:
    """What the records say of links and cables."""

    world: World
    links: dict[str, Edge]

    def along(self, edge: dict[str, Any]) -> set[str]:
        """All that the stretch of cable of an edge, and the equipment at its ends, rely on."""
        found: set[Asset] = {str(end) for end in edge["at"] if end is not None}
        cables = self.world.cables
        if edge.get("cable") in cables.chain:
            whole = {name: whole_cable(cables, name) for name in cables.chain}
            uses, _ = uses_of(cables, edge)
            found |= part(cables, uses[0], whole)
        found |= set(edge.get("panels", ()))
        return _ids(self.world.reliance.closure(found))


def _ids(assets: set[Asset]) -> set[str]:
    return {one if isinstance(one, str) else one[1] for one in assets}


def _recorded(records: Records, facts: dict[str, Any]) -> _Record:
    """Every link on record with its two ends and all that it relies on; every cable."""
    ground = survey(records)
    cables = follow_cables(ground, facts.get("matched", []), set())
    hops, _ = tie_links(cables)
    reliance = rely(cables, hops)
    links = {
        name: Edge(
            (hop.row["a"], hop.row["b"]),
            frozenset(_ids(reliance.closure(reliance.items[name]))),
        )
        for name, hop in hops.items()
    }
    figures = Figures(cables, hops)
    nothing: dict[Any, Any] = {}
    world = World(
        records, ground, cables, hops, figures, reliance, nothing, set(), {}, {}, set(), [], []
    )
    return _Record(world, links)


def _check_nodes(what: str, proof: dict[str, Any], findings: Tally) -> None:
    """Edges meet where they meet on record: each place, and each of its optics, is one node."""
    places: dict[str, Any] = {}
    names: dict[Any, str] = {}
    for told in proof["edges"]:
        for name, asset in zip(told["ends"], told["at"], strict=True):
            optics = None if asset == told.get("equipment") else told.get("optics")
            place = (asset or name, optics)
            alike = places.setdefault(name, place) == place
            alike = names.setdefault(place, name) == name and alike
            findings.holds(alike, f"{what}: {name} and {names[place]} are not told apart or one")
    ids = [one["id"] for one in proof["edges"]]
    findings.holds(len(ids) == len(set(ids)), f"{what}: an edge stands twice in its proof")


def _check_edges(
    what: str,
    members: list[str],
    proof: dict[str, Any],
    edges: dict[str, Edge],
    record: _Record,
    findings: Tally,
) -> None:
    """Links of the proof are those on record, none is left out, and they rely on what it says."""
    pairs = {one["id"]: set(one["segments"]) for one in proof.get("pairs", ())}
    by = record.world.records.by
    known: dict[str, set[str]] = {member: set() for member in members}
    for told in proof["edges"]:
        name = str(told["id"])
        link = record.links.get(told["link"]) if "link" in told else None
        allowed = set(link.relies_on) if link else record.along(told)
        allowed |= {pair for pair, segments in pairs.items() if segments & allowed}
        member = told.get("member", members[0])
        findings.holds(member in known, f"{what}: {name} is for {member}, which it does not ask of")
        if link is not None:
            known.setdefault(member, set()).add(told["link"])
            joins = set(told["at"]) == set(link.ends)
            findings.holds(joins, f"{what}: {name} joins other equipment")
        elif told["what"] == "member":
            row = by["circuits"].get(member, {})
            own = {row.get("a"), row.get("b")}
            findings.holds(set(told["at"]) - {None} <= own, f"{what}: {name} is no end of {member}")
        else:
            findings.skip(f"{what}: that its proof knows every stretch of cable with free fibres")
        wrong = sorted(edges[name].relies_on - allowed)
        findings.holds(not wrong, f"{what}: {name} does not rely on {', '.join(wrong[:8])}")
    _check_left_out(what, proof, record, findings)
    barred = set(map(str, proof["without"]))
    for member, links in known.items():
        row = by["circuits"].get(member, {})
        left_out = sorted(
            name
            for name, link in record.links.items()
            if name not in links
            and name not in barred
            and not (
                len(members) > 1 and _relays(record, link, {str(row.get("a")), str(row.get("b"))})
            )
        )
        findings.holds(not left_out, f"{what}: its proof leaves out {', '.join(left_out[:8])}")


def _relays(record: _Record, link: Edge, own: set[str]) -> set[str]:
    """Relays of other circuits at the ends of a link, which pass nothing on."""
    equipment = record.world.records.by["equipment"]
    return {
        end
        for end in set(link.ends) - own
        if equipment.get(end, {"kind": "relay"}).get("kind") == "relay"
    }


AT_A_RELAY = "ends at the relay of another circuit, which passes nothing on"


def _check_left_out(what: str, proof: dict[str, Any], record: _Record, findings: Tally) -> None:
    """Every edge that no way may use has its reason; those that end at a relay do so."""
    reasons = {
        str(edge): one["because"] for one in proof.get("left_out", ()) for edge in one["edges"]
    }
    silent = sorted(set(map(str, proof["without"])) - set(reasons))
    findings.holds(not silent, f"{what}: no reason is given to leave out {', '.join(silent[:8])}")
    for name, because in reasons.items():
        if because != AT_A_RELAY:
            findings.skip(f"{what}: what is left out of its proof, because: {because}")
            continue
        link = record.links.get(name)
        relays = _relays(record, link, set(proof["ends"])) if link else set()
        alone = link is not None and len(set(link.ends)) == 1
        findings.holds(
            bool(relays) or alone, f"{what}: {name} does not end at the relay of another circuit"
        )


def _check_excused(what: str, proof: dict[str, Any], record: _Record, findings: Tally) -> None:
    """Nothing that the two ends rely on by themselves counts as shared, but for hazards."""
    by = record.world.records.by
    if not set(proof["ends"]) <= set(by["equipment"]):
        findings.skip(f"{what}: that its proof excuses what the ends of the circuits rely on")
        return
    ends = _ids(record.world.reliance.closure(proof["ends"])) - set(by["hazards"])
    wrong = sorted(_avoided(proof["tree"]) & ends)
    findings.holds(not wrong, f"{what}: both ends rely on {', '.join(wrong[:8])} by themselves")


def _avoided(tree: dict[str, Any]) -> set[str]:
    """All that a tree asks any way to avoid."""
    found: set[str] = set()
    pending = [tree]
    while pending:
        at = pending.pop()
        found |= {str(one) for one in at.get("avoid", at.get("fewer_than_ways", ()))}
        pending += at.get("then", ())
    return found


def first_windows(proof: dict[str, Any]) -> Windows:
    """What the limits, and a way that is kept, say of every way from the start."""
    limits = proof.get("limits", {"most": {}, "apart_most": {}, "kept": {}})
    found: Windows = {}
    for name in {*limits["most"], *limits["apart_most"]}:
        least, most = 0.0, float(limits["most"].get(name, WITHOUT_END))
        apart, kept = limits["apart_most"].get(name), limits["kept"].get(name)
        if apart is not None and kept is not None:
            least, most = max(least, kept - apart), min(most, kept + apart)
        found[name] = least, most
    return found


def parted(
    what: str, proof: dict[str, Any], tree: dict[str, Any], windows: Windows, findings: Tally
) -> tuple[Windows, Windows] | None:
    """Windows of both branches of a fork by a weight; None where ways could lie between.

    Ways that differ by d at most all stay at or below a figure, or are all above it less d.
    """
    name, at_most, or_at_least = tree["weight"], tree["at_most"], tree["or_at_least"]
    apart = proof.get("limits", {}).get("apart_most", {}).get(name)
    sound = apart is not None and or_at_least <= at_most - apart + 1 and len(tree["then"]) == 2
    if not findings.holds(sound, f"{what}: a fork at {at_most} of {name} leaves ways between"):
        return None
    least, most = windows[name]
    return (
        {**windows, name: (least, min(most, at_most))},
        {**windows, name: (max(least, or_at_least), most)},
    )


def check_beyond(
    what: str,
    proof: dict[str, Any],
    edges: dict[str, Edge],
    leaf: dict[str, Any],
    windows: Windows,
    findings: Tally,
) -> None:
    """The least sum of a weight that a way can have while it avoids risks is over a limit."""
    name = leaf["weight"]
    given = name in windows and windows[name][1] <= leaf["most"]
    findings.holds(given, f"{what}: no branch allows as little as {leaf['most']} of {name}")
    least = _to_come(_beside(proof, edges, leaf), _of(proof, name), proof["ends"][1], set()).get(
        proof["ends"][0]
    )
    beyond = least is None or least >= leaf["least"] > leaf["most"]
    findings.holds(beyond, f"{what}: a way has {least} of {name}, within {leaf['most']}")


def check_listed(
    what: str,
    proof: dict[str, Any],
    edges: dict[str, Edge],
    leaf: dict[str, Any],
    windows: Windows,
    findings: Tally,
) -> None:
    """Of all courses that avoid risks none has its sums in every window."""
    within: Windows = {}
    for one in leaf["windows"]:
        most = WITHOUT_END if one["most"] is None else one["most"]
        within[one["weight"]] = one["least"], most
        branch = windows.get(one["weight"], (0.0, WITHOUT_END))
        given = branch[0] >= one["least"] and branch[1] <= most
        findings.holds(given, f"{what}: no branch gives its ways {one['weight']} {within}")
    found = _course_within(proof, edges, leaf, within)
    if found is None:
        findings.skip(f"{what}: a leaf that lists courses, which takes over {MOST_STEPS} steps")
        return
    findings.holds(not found, f"{what}: the course {', '.join(found)} keeps every limit")


Beside = dict[str, list[tuple[str, str]]]
"""By node, the nodes beside it and the edge that leads there."""


def _beside(proof: dict[str, Any], edges: dict[str, Edge], leaf: dict[str, Any]) -> Beside:
    """The graph without what no way may use and what the leaf avoids."""
    removed, avoid = set(map(str, proof["without"])), set(leaf["avoid"])
    beside: Beside = {}
    for name, edge in edges.items():
        if name not in removed and not edge.relies_on & avoid:
            for one, other in (edge.ends, edge.ends[::-1]):
                beside.setdefault(one, []).append((other, name))
    return beside


def _of(proof: dict[str, Any], weight: str) -> dict[str, int]:
    """Of a weight, what each edge has."""
    return {str(one["id"]): int(one["weights"][weight]) for one in proof["edges"]}


def _to_come(beside: Beside, of: dict[str, int], end: str, passed: set[str]) -> dict[str, int]:
    """Dijkstra's least sum of a weight from every node to the end, round the nodes passed."""
    found: dict[str, int] = {}
    waiting = [(0, end)]
    while waiting:
        total, node = heapq.heappop(waiting)
        if node in found:
            continue
        found[node] = total
        for other, edge in beside.get(node, ()):
            if other not in found and other not in passed:
                heapq.heappush(waiting, (total + of[edge], other))
    return found


def _course_within(
    proof: dict[str, Any], edges: dict[str, Edge], leaf: dict[str, Any], within: Windows
) -> list[str] | None:
    """A course with its sums in every window, empty if there is none; None: too many steps."""
    begin, end = proof["ends"]
    beside = _beside(proof, edges, leaf)
    of = {name: _of(proof, name) for name in within}
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
            onward = {name: total + of[name][edge] for name, total in sums.items()}
            if other not in passed and all(
                other in ahead[name] and onward[name] + ahead[name][other] <= most
                for name, (_, most) in within.items()
            ):
                pending.append((other, [*course, edge], [*passed, other], onward))
    return []


HALF_NS = 2000
"""Delay in a proof is counted in halves of a nanosecond."""

HALF_MDB = 2000
"""Loss in a proof is counted in halves of a thousandth of a dB."""

DELAY_US = 0.005

LOSS_DB = 0.002


def check_limits(
    what: str, circuits: list[str], proof: dict[str, Any], world: World, findings: Tally
) -> None:
    """The limits of a proof are those of the circuit, and each edge has what it says."""
    limits = proof.get("limits")
    if limits is None:
        return
    if len(circuits) > 1:
        findings.skip(f"{what}: what each edge of its proof has of its limits, as it is a group")
        return
    service = service_of(world.records, circuits[0])
    ends = [assumed_us(world.records, end) or 0.0 for end in proof["ends"]]
    room = _widest(_rooms(world, proof, service))
    right: dict[tuple[str, str], float | None] = {
        ("most", "delay"): _less(service.get("max_delay_us"), sum(ends)),
        ("most", "loss"): room,
        ("apart_most", "delay"): service.get("max_asymmetry_us"),
    }
    if (world.records.by["circuits"][circuits[0]].get("switching") or "each") == "both":
        right["apart_most", "delay"] = None
    for kind in ("most", "apart_most"):
        for name, claimed in limits[kind].items():
            found = right.get((kind, name))
            scale, by = (HALF_NS, DELAY_US) if name == "delay" else (HALF_MDB, LOSS_DB)
            same = found is not None and abs(claimed / scale - found) <= by
            findings.holds(same, f"{what}: {kind} of {name} is {found}, not {claimed / scale}")
    lines = _Lines(world, proof, service)
    for edge in proof["edges"]:
        for name, claimed in edge["weights"].items():
            scale, by = (HALF_NS, DELAY_US) if name == "delay" else (HALF_MDB, LOSS_DB)
            found = lines.delay_us(edge) if name == "delay" else lines.loss_db(edge)
            if found is None:
                if not _barred(proof, edge):
                    findings.skip(f"{what}: what {edge['id']} has of {name}")
                continue
            same = abs(claimed / scale - found) <= by
            findings.holds(
                same, f"{what}: {edge['id']} has {found:.4f} of {name}, not {claimed / scale}"
            )


def check_kept(what: str, proof: dict[str, Any], edges: dict[str, Edge], findings: Tally) -> None:
    """What is avoided from the start, and the sums of a kept way, are those of that way."""
    keep = [str(one) for one in proof.get("keep") or ()]
    if keep:
        node = proof["ends"][0]
        for name in keep:
            ends = edges[name].ends if name in edges else ("", "")
            if not findings.holds(node in ends, f"{what}: the kept way is broken at {name}"):
                return
            node = ends[1] if node == ends[0] else ends[0]
        findings.holds(node == proof["ends"][1], f"{what}: the kept way ends at {node}")
    relied = {one for name in keep for one in edges[name].relies_on}
    wrong = sorted(set(proof["avoid_from_start"]) - relied)
    findings.holds(not wrong, f"{what}: no kept way relies on {', '.join(wrong[:8])}")
    sums = proof.get("limits", {}).get("kept", {})
    by_id = {str(one["id"]): one for one in proof["edges"]}
    for name, claimed in sums.items():
        found = sum(by_id[one]["weights"][name] for one in keep)
        findings.holds(
            bool(keep) and claimed == found, f"{what}: the kept way has {found} of {name}"
        )


def _barred(proof: dict[str, Any], edge: dict[str, Any]) -> bool:
    return edge["id"] in proof["without"]


def _less(limit: float | None, by: float) -> float | None:
    return None if limit is None else limit - by


def _rooms(world: World, proof: dict[str, Any], service: dict[str, Any]) -> list[float | None]:
    """Per optics, what fibre, splices and connectors may lose; None: there is no limit."""
    least = service.get("min_margin_db")
    rooms: list[float | None] = []
    for like in proof.get("optics", ()):
        row = world.records.by["links"][like]
        sent, needed, reserve = (row.get(n) for n in ("tx_min_dbm", "rx_min_dbm", "reserve_db"))
        kept = world.records.rules["reserve"]["ageing_db"] if reserve is None else reserve
        if sent is None or needed is None or least is None:
            rooms.append(None)
        else:
            rooms.append(sent - needed - least - kept)
    return rooms


def _widest(rooms: list[float | None]) -> float | None:
    return max((one for one in rooms if one is not None), default=None)


class _Lines:
    """Delay and loss of the edges of one proof."""

    def __init__(self, world: World, proof: dict[str, Any], service: dict[str, Any]) -> None:
        self.world, self.proof = world, proof
        self.rooms = _rooms(world, proof, service)
        self.room = _widest(self.rooms)
        circuit_ends = set(proof["ends"])
        self._half_us = {
            name: 0.0 if name in circuit_ends else (assumed_us(world.records, name) or 0.0) / 2
            for name in world.records.by["equipment"]
        }
        cables = world.cables
        self._link_ends = {
            end for hop in world.hops.values() for uses in hop.ways.values() for end in _outer(uses)
        }
        self._met = Counter(
            node
            for name, chain in cables.chain.items()
            if chain
            for node in (chain[0].entry, chain[-1].exit)
        )
        self._tested = {
            row["cable"]
            for row in world.records.rows["measurements"]
            if row.get("cable") and row.get("loss_db") is not None
        }

    def delay_us(self, edge: dict[str, Any]) -> float | None:
        """Delay one way, with half of each equipment that stands between two edges."""
        if edge["what"] == "port":
            return self._half_us[edge["equipment"]]
        if edge["what"] == "stretch":
            figures, use = self.world.figures, self._use(edge)
            return None if use is None else figures.stretch_us(use, self._wavelength(edge))
        if edge["what"] != "link":
            return None
        hop = self.world.hops[edge["link"]]
        go, back = self.world.figures.delay_us(edge["link"])
        via = sum(assumed_us(self.world.records, one) or 0.0 for one in hop.row.get("via") or ())
        half = sum(self._half_us[end] for end in edge["at"])
        return None if go is None or back is None else float(max(go, back) + via + half)

    def loss_db(self, edge: dict[str, Any]) -> float | None:
        """Loss that counts against the optics of a new link; none where they have no limit."""
        if edge["what"] == "link":
            return 0.0
        own = self.rooms[edge["optics"]]
        if own is None or self.room is None:
            return 0.0
        if edge["what"] == "port":
            return float(ceil((self.room - own) * 1000 - 1e-6) / HALF_MDB)
        use = self._use(edge)
        if use is None or use.cable in self._tested:
            return None
        figures, records = self.world.figures, self.world.records
        metres, glass = figures.fibre_m(use), figures.stretch_db(use, self._wavelength(edge))
        if metres is None or glass is None:
            return None
        rules, keep = records.rules["defaults"], records.rules["reserve"]
        connectors = sum(self._led_in(use, at) for at in (0, 1))
        splices = self._splices(use) + (2 - connectors) / 2
        if records.by["links"][self.proof["optics"][edge["optics"]]].get("reserve_db") is None:
            yearly = keep["repair_splices_per_km_year"] * keep["repair_years"]
            splices += metres / 1000 * yearly
        return float(glass + connectors * rules["connector_db"] + splices * rules["splice_db"])

    def _wavelength(self, edge: dict[str, Any]) -> float:
        like = self.proof["optics"][edge["optics"]]
        return float(self.world.records.by["links"][like]["wavelength_nm"])

    def _use(self, edge: dict[str, Any]) -> Use | None:
        if edge.get("cable") not in self.world.cables.chain:
            return None
        return uses_of(self.world.cables, edge)[0][0]

    def _led_in(self, use: Use, end: int) -> bool:
        """Whether a cable ends here and is led into a site: on a panel, not spliced in the field.

        At a site itself, where a link on record ends on it, or where no other cable ends.
        """
        at, node = ((use.from_, use.begin), (use.to, use.end))[end]
        ground = self.world.ground
        sites = ground.records.by["sites"]
        if node is None or at not in (0.0, float(len(self.world.cables.chain[use.cable]))):
            return False
        there = {name for name in sites if name == node or name in ground.above(node)}
        there |= {
            name
            for name in sites
            if node in ground.shape
            and ground.shape[node].distance(ground.shape[name]) <= ground.records.snap_m
        }
        known = node in sites or (use.cable, node) in self._link_ends or self._met[node] == 1
        return bool(there) and known

    def _splices(self, use: Use) -> int:
        """Joints on record between the ends, and one after each full reel between them."""
        joints = self.world.records.by["joints"]
        met = self.world.figures.joints_met(use)
        inside = [one for one in met if joints[one]["at"] not in (use.begin, use.end)]
        return len(inside) + self.world.figures.reels(use, met)


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


def check_pairs(
    what: str, circuits: list[str], proof: dict[str, Any], world: World, findings: Tally
) -> None:
    """Every two segments come nearer than the rules allow outside the end zones, or cross.

    What the accuracy of their records leaves open counts as too near, as it does for
    a verdict. Segments that some way follows only in part are not checked: the part
    may be the one that keeps away.
    """
    if not proof.get("pairs"):
        return
    plane = Plane(world)
    services = [service_of(world.records, circuit) for circuit in circuits]
    zones = plane.zones(circuits, min(float(one["end_zone_m"]) for one in services))
    limits = LeastDistances(plane, services)
    in_part = _followed_in_part(world, proof)
    ends = {str(world.records.by["circuits"][name][end]) for name in circuits for end in ("a", "b")}
    excused = {one for one in world.reliance.closure(ends) if isinstance(one, str)}
    for pair in proof["pairs"]:
        one, other = pair["segments"]
        if not {one, other} <= set(world.ground.kind) or in_part & {one, other}:
            findings.skip(f"{what}: that {one} and {other} come too near, followed in part")
            continue
        shapes = []
        for name in (one, other):
            shape = plane.line((name, 0.0, 1.0))[0]
            for zone in zones:
                shape = shape.difference(zone)
            shapes.append(shape)
        kinds = [str(world.ground.kind[name]) for name in (one, other)]
        limit = limits.loose_m(one, other)
        away = float("inf") if any(s.is_empty for s in shapes) else shapes[0].distance(shapes[1])
        near = limit > 0 and away <= limit + CLOSE_M
        cross = away <= CLOSE_M and any(forbids(service, *kinds) for service in services)
        held = common_holders(world, one, other, excused)
        findings.holds(
            (near or cross) and not held,
            f"{what}: {one} and {other} come within {away:.3f} m, where {limit:g} m are asked for",
        )


def _followed_in_part(world: World, proof: dict[str, Any]) -> set[str]:
    """Segments of which a link, or a stretch of cable in the proof, follows less than the whole."""
    uses: list[Use] = [use for hop in world.hops.values() for use in hop.uses()]
    for edge in proof["edges"]:
        if edge.get("cable") in world.cables.chain:
            uses.append(uses_of(world.cables, edge)[0][0])
    return {
        step.segment
        for use in uses
        for step, begin, end, _ in stretch(world.cables, use)
        if abs(end - begin) < 1
    }
