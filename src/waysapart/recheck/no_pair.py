"""Check proofs that no separate ways exist: one breadth-first search per leaf of a tree.

At a fork stands a risk that two ways must not both rely on; one branch is the case
that the first of them avoids it, the other that the second does. A leaf names a
way, risks that it avoids on this branch, and a cut: edges that all rely on one of
those risks and whose removal parts the two ends. Then that way does not exist. As
every branch ends in such a leaf, the ways do not exist either.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from waysapart.recheck.cables import follow_cables
from waysapart.recheck.ground import survey
from waysapart.recheck.links import tie_links
from waysapart.recheck.reading import read_records
from waysapart.recheck.reliance import rely

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
        if circuit["status"] == "none":
            findings.holds(
                bool(circuit.get("no_pair_proof")), f"circuit {circuit['id']}: there is no proof"
            )
    if not proofs:
        findings.skip("ways that were found: prove the proposal, and recheck that")
        return
    relied = _links(study, facts) if "crs" in facts else None
    for name, proof in proofs:
        what = f"circuit {name}"
        edges = {
            str(one["id"]): Edge((one["ends"][0], one["ends"][1]), frozenset(one["relies_on"]))
            for one in proof["edges"]
        }
        check_tree(what, proof, edges, findings)
        if relied is None:
            findings.skip(f"{what}: the edges of its proof against the records")
            continue
        _check_edges(what, edges, relied, set(proof["without"]), findings)


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
            findings.skip(f"{what}: a leaf that rests on the limit of {tree['weight']}")
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


def _links(study: Path, facts: dict[str, Any]) -> dict[str, Edge]:
    """Every link on record with its two ends and all that it relies on."""
    records = read_records(study, str(facts["crs"]))
    cables = follow_cables(survey(records), facts.get("matched", []), set())
    hops, _ = tie_links(cables)
    reliance = rely(cables, hops)
    found = {}
    for name, hop in hops.items():
        closed = reliance.closure(reliance.items[name])
        ids = frozenset(one if isinstance(one, str) else one[1] for one in closed)
        found[name] = Edge((hop.row["a"], hop.row["b"]), ids)
    return found


def _check_edges(
    what: str,
    edges: dict[str, Edge],
    relied: dict[str, Edge],
    without: set[str],
    findings: Findings,
) -> None:
    """Links of the proof are those on record, none is left out, and they rely on what it says."""
    for name, edge in edges.items():
        link = relied.get(name)
        if link is None:
            findings.skip(f"{what}: edges of its proof that are no links on record")
            continue
        findings.holds(
            set(edge.ends) == set(link.ends), f"{what}: {name} joins {' and '.join(link.ends)}"
        )
        wrong = sorted(edge.relies_on - link.relies_on)
        findings.holds(not wrong, f"{what}: {name} does not rely on {', '.join(wrong[:8])}")
    left_out = sorted(set(relied) - set(edges) - without)
    findings.holds(not left_out, f"{what}: its proof leaves out {', '.join(left_out[:8])}")
