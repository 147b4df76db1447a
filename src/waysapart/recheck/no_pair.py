"""Check proofs that no separate ways exist: one breadth-first search per leaf of a tree.

At a fork stands a risk that two ways must not both rely on; one branch is the case
that the first of them avoids it, the other that the second does. A leaf names a
way, risks that it avoids on this branch, and a cut: edges that all rely on one of
those risks and whose removal parts the two ends. Then that way does not exist. As
every branch ends in such a leaf, the ways do not exist either.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from waysapart.recheck.cables import Cables, follow_cables
from waysapart.recheck.ground import survey
from waysapart.recheck.links import tie_links, uses_of
from waysapart.recheck.reading import read_records
from waysapart.recheck.reliance import Asset, Reliance, part, rely, whole_cable

if TYPE_CHECKING:
    from waysapart.recheck.claims import Findings


class Edge(NamedTuple):
    """An edge of the graph that a proof speaks of, and all that it relies on."""

    ends: tuple[str, str]
    relies_on: frozenset[str]


def check_no_pairs(study: Path, facts: dict[str, Any], findings: Findings) -> None:
    """Check every proof in what `reroute --json` wrote, and its edges against the records."""
    proofs = [
        (circuit["id"], circuit["no_pair_proof"])
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
        findings.skip("ways that were found: prove the proposal, and recheck that")
        return
    record = _recorded(study, facts) if "crs" in facts else None
    for name, proof in proofs:
        what = f"circuit {name}"
        edges = {
            str(one["id"]): Edge((one["ends"][0], one["ends"][1]), frozenset(one["relies_on"]))
            for one in proof["edges"]
        }
        check_tree(what, proof, edges, findings)
        if record is None:
            findings.skip(f"{what}: the edges of its proof against the records")
            continue
        _check_edges(what, proof, edges, record, findings)
        _check_excused(what, proof, record, findings)


def check_tree(
    what: str, proof: dict[str, Any], edges: dict[str, Edge], findings: Findings
) -> None:
    """Check a proof by itself: that its leaves close every branch."""
    start = set(proof["avoid_from_start"])
    pending = [(proof["tree"], {way: set(start) for way in range(proof["ways"])})]
    while pending:
        tree, avoided = pending.pop()
        if "then" in tree:
            one, other = tree["between"]
            sound = one != other and {one, other} <= set(avoided) and len(tree["then"]) == 2
            if findings.holds(sound, f"{what}: a fork at {tree['risk']} is not between two ways"):
                for way, branch in zip((one, other), tree["then"], strict=True):
                    mine = {k: (v | {tree["risk"]} if k == way else v) for k, v in avoided.items()}
                    pending.append((branch, mine))
        elif "weight" in tree:
            _check_beyond(what, proof, edges, tree, avoided, findings)
        else:
            _check_leaf(what, proof, edges, tree, avoided, findings)


def _check_leaf(
    what: str,
    proof: dict[str, Any],
    edges: dict[str, Edge],
    leaf: dict[str, Any],
    avoided: dict[int, set[str]],
    findings: Findings,
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


def _check_beyond(
    what: str,
    proof: dict[str, Any],
    edges: dict[str, Edge],
    leaf: dict[str, Any],
    avoided: dict[int, set[str]],
    findings: Findings,
) -> None:
    """The least sum of a weight that a way can have while it avoids risks is over a limit."""
    name, avoid = leaf["weight"], set(leaf["avoid"])
    known = avoid <= avoided.get(leaf["way"], set())
    findings.holds(known, f"{what}: a leaf avoids what its branch does not")
    weights = {str(one["id"]): one.get("weights", {}).get(name) for one in proof["edges"]}
    removed = {str(edge) for edge in proof["without"]}
    removed |= {edge for edge, on in edges.items() if on.relies_on & avoid}
    least = _least_sum(edges, removed, weights, *proof["ends"])
    beyond = least is None or least >= leaf["least"] > leaf["most"]
    findings.holds(beyond, f"{what}: a way has {least} of {name}, within {leaf['most']}")
    findings.skip(f"{what}: what each edge of its proof has of {name}, and the limit of it")


def _least_sum(
    edges: dict[str, Edge],
    removed: set[str],
    weights: dict[str, int | None],
    begin: str,
    end: str,
) -> int | None:
    """Dijkstra's least sum of weights from end to end; None where there is no way at all."""
    beside: dict[str, list[tuple[str, int]]] = {}
    for name, edge in edges.items():
        if name not in removed:
            for one, other in (edge.ends, edge.ends[::-1]):
                beside.setdefault(one, []).append((other, weights[name] or 0))
    done: set[str] = set()
    waiting = [(0, begin)]
    while waiting:
        total, node = heapq.heappop(waiting)
        if node == end:
            return total
        if node not in done:
            done.add(node)
            for other, more in beside.get(node, ()):
                heapq.heappush(waiting, (total + more, other))
    return None


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

    cables: Cables
    links: dict[str, Edge]
    reliance: Reliance

    def along(self, edge: dict[str, Any]) -> set[str]:
        """All that the stretch of cable of an edge, and the equipment at its ends, rely on."""
        found: set[Asset] = {str(end).rsplit(" (", 1)[0] for end in edge["ends"]}
        if edge.get("cable") in self.cables.chain:
            whole = {name: whole_cable(self.cables, name) for name in self.cables.chain}
            uses, _ = uses_of(self.cables, edge)
            found |= part(self.cables, uses[0], whole)
        found |= set(edge.get("panels", ()))
        return _ids(self.reliance.closure(found))


def _ids(assets: set[Asset]) -> set[str]:
    return {one if isinstance(one, str) else one[1] for one in assets}


def _recorded(study: Path, facts: dict[str, Any]) -> _Record:
    """Every link on record with its two ends and all that it relies on; every cable."""
    records = read_records(study, str(facts["crs"]))
    cables = follow_cables(survey(records), facts.get("matched", []), set())
    hops, _ = tie_links(cables)
    reliance = rely(cables, hops)
    links = {
        name: Edge(
            (hop.row["a"], hop.row["b"]),
            frozenset(_ids(reliance.closure(reliance.items[name]))),
        )
        for name, hop in hops.items()
    }
    return _Record(cables, links, reliance)


def _check_edges(
    what: str, proof: dict[str, Any], edges: dict[str, Edge], record: _Record, findings: Findings
) -> None:
    """Links of the proof are those on record, none is left out, and they rely on what it says."""
    pairs = {one["id"]: set(one["segments"]) for one in proof.get("pairs", ())}
    if pairs:
        findings.skip(f"{what}: that the segments of pairs in its proof come too near")
    for told in proof["edges"]:
        name = str(told["id"])
        link = record.links.get(name)
        allowed = set(link.relies_on) if link else record.along(told)
        allowed |= {pair for pair, segments in pairs.items() if segments & allowed}
        if link is None:
            findings.skip(f"{what}: that its proof knows every stretch of cable with free fibres")
        else:
            findings.holds(
                set(edges[name].ends) == set(link.ends), f"{what}: {name} joins other equipment"
            )
        wrong = sorted(edges[name].relies_on - allowed)
        findings.holds(not wrong, f"{what}: {name} does not rely on {', '.join(wrong[:8])}")
    left_out = sorted(set(record.links) - set(edges) - set(map(str, proof["without"])))
    findings.holds(not left_out, f"{what}: its proof leaves out {', '.join(left_out[:8])}")


def _check_excused(what: str, proof: dict[str, Any], record: _Record, findings: Findings) -> None:
    """Nothing that the two ends rely on by themselves counts as shared, but for hazards."""
    by = record.cables.ground.records.by
    if not set(proof["ends"]) <= set(by["equipment"]):
        findings.skip(f"{what}: that its proof excuses what the ends of the circuits rely on")
        return
    ends = _ids(record.reliance.closure(proof["ends"])) - set(by["hazards"])
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
