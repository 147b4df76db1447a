"""Every link through its cables, and every path as links from one end to the other."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations, pairwise
from typing import NamedTuple

from waysapart.recheck.cables import Cables, Step
from waysapart.recheck.gaps_of_rows import Gap
from waysapart.recheck.ground import Ground
from waysapart.recheck.proposal import Row


class Use(NamedTuple):
    """A cable used from one position of its chain to another, and the nodes there."""

    cable: str
    begin: str | None
    end: str | None
    from_: float
    to: float


_ELSEWHERE = 1e-6
"""What a meeting that holds, but not in one place, costs beside one that fails."""


@dataclass
class Hop:
    """A link: per way (`both`, or `go` and `return`) the uses of its cables, in order.

    `rows` are the link_runs of these uses. `turned`: the order leads from the
    link's end b to its end a.
    """

    row: Row
    ways: dict[str, list[Use]] = field(default_factory=dict)
    turned: dict[str, bool] = field(default_factory=dict)
    rows: dict[str, list[Row]] = field(default_factory=dict)

    def uses(self) -> list[Use]:
        """All uses of cables, whichever way."""
        return [use for uses in self.ways.values() for use in uses]


class _Places:
    """Whether cable ends reach sites and meet each other."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._sites = ground.records.by["sites"]
        self._structures = ground.records.by["structures"]

    def reaches(self, node: str | None, site: str | None) -> bool:
        """An end that meets nothing is a gap of its own."""
        if node is None or site is None or node == site:
            return True
        if site in self._ground.above(node):
            return True
        if node not in self._structures:
            return False
        one, other = self._ground.shape[node], self._ground.shape[site]
        drawn = one is not None and other is not None
        return drawn and bool(one.distance(other) <= self._ground.records.snap_m)

    def meet(self, one: str | None, other: str | None) -> bool:
        """In one place, or at a site and at something on it."""
        if one is None or other is None or one == other:
            return True
        above = self._ground.above
        return (one in self._sites and one in above(other)) or (
            other in self._sites and other in above(one)
        )


def tie_links(cables: Cables) -> tuple[dict[str, Hop], list[Gap]]:
    """Run every link through its cables so that the fewest meetings fail; those are gaps."""
    records = cables.ground.records
    places = _Places(cables.ground)
    joints = _joint_places(records.rows["joints"])
    runs: dict[str, list[Row]] = {}
    for row in sorted(records.rows["link_runs"], key=lambda row: row["seq"]):
        if row.get("cable"):
            runs.setdefault(row["link"], []).append(row)
    hops, gaps = {}, []
    site = {name: row.get("site") for name, row in records.by["equipment"].items()}
    for name, link in records.by["links"].items():
        hop = hops[name] = Hop(link)
        mine = runs.get(name, [])
        fibre = (link.get("medium") or "fibre") == "fibre"
        if not mine and fibre:
            gaps.append(Gap("link-without-runs", name, links=(name,)))
        stated = {row.get("direction") for row in mine}
        for way in () if not mine else ("both",) if stated == {None} else ("go", "return"):
            rows = [row for row in mine if row.get("direction") in (None, way) or way == "both"]
            if not rows:
                gaps.append(Gap("link-without-runs", name, links=(name,)))
                continue
            a, b = site.get(str(link.get("a"))), site.get(str(link.get("b")))
            uses, faults, turned = _through(cables, rows, places, joints, a, b)
            hop.ways[way], hop.turned[way], hop.rows[way] = uses, turned, rows
            gaps += [Gap(code, name, links=(name,)) for code in faults]
    return hops, gaps


def _joint_places(joints: list[Row]) -> dict[frozenset[str], set[str]]:
    found: dict[frozenset[str], set[str]] = {}
    for joint in joints:
        for pair in combinations(joint.get("cables") or (), 2):
            found.setdefault(frozenset(pair), set()).add(joint["at"])
    return found


def uses_of(cables: Cables, row: Row) -> tuple[list[Use], bool]:
    """Ways of using a cable, the longest first; True where its chain lacks a stated node."""
    cable = row["cable"]
    length = float(len(cables.chain[cable]))
    if not length:
        return [Use(cable, None, None, 0.0, 0.0)], False
    nodes = cables.nodes(cable)
    first, last = (nodes[0][0], 0.0), (nodes[-1][0], length)
    whole = [Use(cable, first[0], last[0], 0.0, length), Use(cable, last[0], first[0], length, 0.0)]
    ends = []
    for stated in (row.get("from"), row.get("to")):
        found = [(stated, at) for at in sorted({at for node, at in nodes if node == stated})]
        if stated is not None and not found:
            return whole, True
        ends.append(found if stated is not None else [first, last])
    uses = [
        Use(cable, begin, end, from_, to)
        for begin, from_ in ends[0]
        for end, to in ends[1]
        if from_ != to
    ]
    uses.sort(key=lambda use: (-abs(use.from_ - use.to), use.from_, use.to))
    return uses or whole, not uses


def _through(
    cables: Cables,
    rows: list[Row],
    places: _Places,
    joints: dict[frozenset[str], set[str]],
    site_a: str | None,
    site_b: str | None,
) -> tuple[list[Use], list[str], bool]:
    options = [uses_of(cables, row) for row in rows]
    choices = [uses for uses, _ in options]
    lost = ["link-broken" for _, bad in options if bad]
    jointed = []
    for one, two in pairwise(rows):
        at = joints.get(frozenset((one["cable"], two["cable"])), set())
        on_one, on_two = ({node for node, _ in cables.nodes(row["cable"])} for row in (one, two))
        jointed.append(bool(at & on_one & on_two))
    best: tuple[list[Use], list[str], bool] | None = None
    for begin, finish, turned in ((site_a, site_b, False), (site_b, site_a, True)):
        uses = _least_faults(choices, places, jointed, begin, finish)
        faults = [*lost]
        faults += ["link-end"] * (not places.reaches(uses[0].begin, begin))
        faults += [
            "link-broken"
            for joint, (one, two) in zip(jointed, pairwise(uses), strict=True)
            if not joint and not places.meet(one.end, two.begin)
        ]
        faults += ["link-end"] * (not places.reaches(uses[-1].end, finish))
        if best is None or len(faults) < len(best[1]):
            best = uses, faults, turned
    assert best is not None
    return best


def _least_faults(
    choices: list[list[Use]],
    places: _Places,
    jointed: list[bool],
    begin: str | None,
    finish: str | None,
) -> list[Use]:
    """The uses, one of each cable, with the fewest meetings that fail.

    Of equal ones those whose ends come together in one place: that is how the cables
    were laid, though a site that both reach would let them lie the other way round.
    """

    def cost(joint: bool, before: Use, after: Use) -> float:
        if before.end is not None and before.end == after.begin:
            return 0.0
        return _ELSEWHERE if joint or places.meet(before.end, after.begin) else 1.0

    ways = [(float(not places.reaches(use.begin, begin)), [use]) for use in choices[0]]
    for joint, options in zip(jointed, choices[1:], strict=True):
        ways = [
            min(
                ((faults + cost(joint, done[-1], use), [*done, use]) for faults, done in ways),
                key=lambda way: way[0],
            )
            for use in options
        ]
    return min(ways, key=lambda way: way[0] + (not places.reaches(way[1][-1].end, finish)))[1]


def stretch(cables: Cables, use: Use) -> list[tuple[Step, float, float, list[str | None]]]:
    """The steps of a use, in the chain's order: step, fractions of its line, nodes on it."""
    if use not in cables.stretches:
        cables.stretches[use] = _stretch(cables, use)
    found: list[tuple[Step, float, float, list[str | None]]] = cables.stretches[use]
    return found


def _stretch(cables: Cables, use: Use) -> list[tuple[Step, float, float, list[str | None]]]:
    low, high = sorted((use.from_, use.to))
    between: dict[int, list[tuple[str | None, float]]] = {}
    for node, at in cables.nodes(use.cable):
        if at % 1:
            between.setdefault(int(at), []).append((node, at))
    found = []
    for place, step in enumerate(cables.chain[use.cable]):
        begin, end = max(low, float(place)), min(high, place + 1.0)
        if begin >= end:
            continue
        span = step.stop - step.start
        ends = {float(place): step.entry, place + 1.0: step.exit}
        on_it = [ends[at] for at in (begin, end) if at in ends]
        on_it += [node for node, at in between.get(place, ()) if begin <= at <= end]
        found.append(
            (step, step.start + span * (begin - place), step.start + span * (end - place), on_it)
        )
    return found
