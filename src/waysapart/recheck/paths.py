"""Every path of every circuit as links from one end to the other, and what is held against what."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

from waysapart.recheck.gaps_of_rows import Gap
from waysapart.recheck.proposal import Row
from waysapart.recheck.reading import Records

Key = tuple[str, str]
"""Circuit and label of a path."""
STRICTEST = ("pairwise", "working", "all")


@dataclass
class Trial:
    """A circuit or a group; `contests` are what of it is held apart at once, path by path.

    All paths of a contest but the rule `pairwise` make one; `services` are those of
    its circuits.
    """

    id: str
    circuits: list[str]
    sides: list[list[Key]]
    group_test: str | None = None

    def contests(self) -> list[list[Key]]:
        """What is held apart at once: all paths, or every two of different members."""
        if self.group_test != "pairwise" or len(self.sides) < 2:
            return [[path for side in self.sides for path in side]]
        return [
            [one, other]
            for left, right in combinations(self.sides, 2)
            for one in left
            for other in right
        ]


def tie_paths(
    records: Records, length_m: dict[str, float | None], claimed: dict[Key, list[str]]
) -> tuple[dict[Key, list[str]], list[Gap], set[Key]]:
    """Links of every path from circuit end a to end b.

    Returns
    -------
    paths : dict of (circuit, label) to list of link ids
    gaps : list of Gap
    undecided : set of (circuit, label)
        Ways round a ring of which nobody can tell which is the shorter.
    """
    circuits = records.by["circuits"]
    found: dict[Key, list[str]] = {}
    gaps: list[Gap] = []
    for row in sorted(records.rows["circuit_paths"], key=lambda row: row["seq"]):
        if row["circuit"] in circuits:
            found.setdefault((row["circuit"], row["path"]), []).append(row["link"])
    undecided = _round_rings(records, length_m, claimed, found, gaps)
    paths: dict[Key, list[str]] = {}
    for key in sorted(found, key=lambda key: (key[0], *_rank(key[1]))):
        circuit = circuits[key[0]]
        ends = (circuit.get(end) or NOBODY for end in ("a", "b"))
        fault, paths[key] = _walked(records, found[key], *ends)
        if fault:
            gaps.append(Gap(fault, key[0], circuits=(key[0],), path=key[1]))
    for name in circuits:
        if sum(key[0] == name for key in paths) < 2:
            gaps.append(Gap("single-path", name, circuits=(name,)))
    return paths, gaps, undecided


def _rank(label: str) -> tuple[int, str]:
    return {"main": 0, "alternate": 1}.get(label, 2), label


NOBODY = ""
"""Equipment that is not on record."""


def _across(link: Row, node: str | None) -> str | None:
    """The other end of a link; None where it does not touch a node.

    Ends that are not on record are `NOBODY`.
    """
    a, b = (link[end] or NOBODY for end in ("a", "b"))
    return b if node == a else a if node == b else None


def _walked(records: Records, chain: list[str], a: str, b: str) -> tuple[str | None, list[str]]:
    """The gap's code where the links do not lead from a to b, and the links from a on."""
    if not chain:
        return "path-end", []
    links = records.by["links"]
    furthest, fault = -1, ""
    for begin, goal, way in ((a, b, 1), (b, a, -1)):
        node, at = begin, 0
        for name in chain:
            following = _across(links[name], node)
            if following is None:
                break
            node, at = following, at + 1
        if at == len(chain) and node == goal:
            return None, chain[::way]
        if at > furthest:
            furthest, fault = at, "path-end" if at in (0, len(chain)) else "path-broken"
    return fault, chain


def _round_rings(
    records: Records,
    length_m: dict[str, float | None],
    claimed: dict[Key, list[str]],
    found: dict[Key, list[str]],
    gaps: list[Gap],
) -> set[Key]:
    undecided: set[Key] = set()
    rings: dict[str, list[str]] = {}
    for row in sorted(records.rows["rings"], key=lambda row: row["seq"]):
        rings.setdefault(row["ring"], []).append(row["link"])
    for row in records.rows["ring_circuits"]:
        name, chain = row["circuit"], rings.get(row["ring"])
        if name not in records.by["circuits"] or chain is None:
            continue
        circuit, nodes = records.by["circuits"][name], _ring_nodes(records, chain)
        a, b = (circuit.get(end) or NOBODY for end in ("a", "b"))
        if nodes is None or a not in nodes or b not in nodes or a == b:
            gaps.append(Gap("ring-broken", name, circuits=(name,)))
            continue
        at_a, at_b, count = nodes.index(a), nodes.index(b), len(chain)
        forward = [chain[(at_a + k) % count] for k in range((at_b - at_a) % count)]
        backward = [chain[(at_a - 1 - k) % count] for k in range((at_a - at_b) % count)]
        stated = row.get("main_way")
        turned = stated == "backward"
        if stated is None:
            ahead, behind = (_total(length_m, way) for way in (forward, backward))
            if ahead is None or behind is None or abs(ahead - behind) < 0.01:
                undecided |= {(name, "main"), (name, "alternate")}
                turned = claimed.get((name, "main")) == backward
            else:
                turned = ahead > behind
        found[name, "main"], found[name, "alternate"] = (
            (backward, forward) if turned else (forward, backward)
        )
    return undecided


def _total(length_m: dict[str, float | None], links: list[str]) -> float | None:
    known = [length_m.get(link) for link in links]
    return None if None in known else sum(one for one in known if one is not None)


def _ring_nodes(records: Records, chain: list[str]) -> list[str] | None:
    """Equipment before each link of a ring; None where it does not close."""
    links = records.by["links"]
    for start in (links[chain[0]][end] or NOBODY for end in ("a", "b")):
        nodes: list[str] = []
        node: str | None = start
        for name in chain:
            if node is None:
                break
            nodes.append(node)
            node = _across(links[name], node)
        if node == start and len(chain) > 1:
            return nodes
    return None


def trials_of(records: Records, paths: dict[Key, list[str]], lost: set[Key]) -> list[Trial]:
    """Circuits by id, then groups by id, each with the paths on its sides."""
    found = []
    members: dict[str, list[str]] = {}
    for name, row in sorted(records.by["circuits"].items()):
        mine = [key for key in paths if key[0] == name]
        alive = [key for key in mine if key not in lost]
        found.append(Trial(name, [name], [[key] for key in (alive if len(alive) > 1 else mine)]))
        if row.get("group"):
            members.setdefault(row["group"], []).append(name)
    for group, circuits in sorted(members.items()):
        asked = {service_of(records, one)["group_test"] for one in circuits}
        test = next(one for one in STRICTEST if one in asked)
        by_member = [[key for key in paths if key[0] == one] for one in circuits]
        by_member = [mine for mine in by_member if mine]
        if test == "working":
            sides = [[next((k for k in mine if k not in lost), mine[0])] for mine in by_member]
        elif test == "all":
            sides = [[key] for mine in by_member for key in mine]
        else:
            sides = by_member
        found.append(Trial(group, circuits, sides, test))
    return found


def service_of(records: Records, circuit: str) -> dict[str, Any]:
    """Limits of a circuit's service."""
    name = records.by["circuits"][circuit].get("service") or "default"
    found: dict[str, Any] = records.rules["services"].get(name, UNKNOWN_SERVICE)
    return found


UNKNOWN_SERVICE: dict[str, Any] = {
    **{"separation_m": 0.0, "end_zone_m": 0.0, "forbid_cross": False, "group_test": "working"},
    **{"tail": "excused", "own_line": "excused"},
}
"""Of a service that the rules do not know: it asks nothing, and every limit is open."""
