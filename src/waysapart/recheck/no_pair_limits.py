"""Leaves of a no-pair proof that rest on limits: Dijkstra's search, and courses listed one by one.

A leaf may say that a way that avoids some things is longer, later or loses more than is
allowed: that takes one search for the least sum. Or it may give several windows, each
a least and a greatest sum, and say that no course lies in all of them: then the
courses are listed, depth first, leaving out what can no longer keep a greatest sum.
"""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from waysapart.recheck.claims import Findings

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
    what: str, proof: dict[str, Any], tree: dict[str, Any], windows: Windows, findings: Findings
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
    findings: Findings,
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
    findings: Findings,
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
