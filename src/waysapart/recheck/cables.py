"""The course of every cable: its segments in order, each with the way through it."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import shapely
from shapely.ops import substring

from waysapart.recheck.gaps_of_rows import Gap
from waysapart.recheck.ground import Ground
from waysapart.recheck.proposal import Row

_ROUNDING_M = 0.01


@dataclass
class Step:
    """One segment of a cable: from node to node, and where on the segment's line these are."""

    segment: str
    entry: str | None
    exit: str | None
    start: float = 0.0
    stop: float = 1.0


@dataclass
class Cables:
    """Chains of steps, carriers, and cables without runs of their own that follow a carrier.

    `unsure` are drawn cables of which the evidence says that their course is not
    certain; `false` what it says of drawn cables that is not so. `stretches` keeps the
    steps of each use of a cable, once they were asked for.
    """

    ground: Ground
    chain: dict[str, list[Step]] = field(default_factory=dict)
    carrier: dict[str, str | None] = field(default_factory=dict)
    follows: set[str] = field(default_factory=set)
    drawn: set[str] = field(default_factory=set)
    unsure: set[str] = field(default_factory=set)
    gaps: list[Gap] = field(default_factory=list)
    false: list[str] = field(default_factory=list)
    stretches: dict[Any, Any] = field(default_factory=dict)

    def nodes(self, cable: str) -> list[tuple[str | None, float]]:
        """Every node along a chain with its position: step number plus how far through it."""
        found: list[tuple[str | None, float]] = []
        for place, step in enumerate(self.chain[cable]):
            between = [
                (node, place + (at - step.start) / (step.stop - step.start))
                for node, at in self.ground.passed.get(step.segment, {}).items()
                if min(step.start, step.stop) < at < max(step.start, step.stop)
            ]
            found += [
                (step.entry, float(place)),
                *sorted(between, key=lambda item: item[1]),
                (step.exit, place + 1.0),
            ]
        return found


def follow_cables(ground: Ground, matched: list[Row], unsure: set[str]) -> Cables:
    """Chain every cable; a drawn one along what the evidence says that it follows.

    Parameters
    ----------
    ground : Ground
    matched : list of dict
        `matched` of the evidence. That each segment named there keeps to the drawn line
        is checked; that nothing else does so as well is not.
    unsure : set of str
        Drawn cables of which the evidence itself says that their course is not certain.
    """
    cables = Cables(ground, unsure=set(unsure))
    runs: dict[str, list[Row]] = {}
    for row in sorted(ground.records.rows["cable_runs"], key=lambda row: row["seq"]):
        runs.setdefault(row["cable"], []).append(row)
    own: dict[str, list[Step]] = {}
    for cable in ground.records.rows["cables"]:
        name, listed = cable["id"], [row["segment"] for row in runs.get(cable["id"], ())]
        cables.carrier[name] = cable.get("carried_by")
        if listed:
            own[name], breaks = _chained(ground, listed)
            cables.gaps += [Gap("cable-broken", name, (name,))] * breaks
        elif cable.get("carried_by"):
            cables.follows.add(name)
        elif cable.get("geometry") is not None:
            mine = [row for row in matched if row["cable"] == name and row["state"] == "followed"]
            own[name] = _along_drawn_line(cables, cable, mine)
            cables.drawn.add(name)
    for name in cables.carrier:
        source = name
        while source in cables.follows:
            source = str(cables.carrier[source])
        cables.chain[name] = own.get(source, [])
        if source in cables.unsure:
            cables.unsure.add(name)
        elif not cables.chain[name]:
            cables.gaps.append(Gap("cable-without-runs", name, (name,)))
    return cables


def _way(ground: Ground, segment: str, backward: bool) -> Step:
    a, b = ground.ends[segment]
    return Step(segment, b, a, 1.0, 0.0) if backward else Step(segment, a, b)


def _meets(ground: Ground, before: Step, after: Step) -> bool:
    """At one node; where an end is tied to none, within snap_m of each other."""
    if before.exit is not None and after.entry is not None:
        return before.exit == after.entry
    one = shapely.get_point(ground.shape[before.segment], 0 if before.stop == 0.0 else -1)
    other = shapely.get_point(ground.shape[after.segment], 0 if after.start == 0.0 else -1)
    drawn = one is not None and other is not None
    return drawn and bool(one.distance(other) <= ground.records.snap_m)


def _chained(ground: Ground, segments: list[str]) -> tuple[list[Step], int]:
    """Direct segments so that the fewest do not meet the next; how many are left that don't."""
    ways = [[_way(ground, segment, backward) for backward in (False, True)] for segment in segments]
    cost = [0, 0]
    came: list[list[int]] = []
    for before, after in pairwise(ways):
        totals = [
            [cost[prior] + (not _meets(ground, before[prior], step)) for prior in (0, 1)]
            for step in after
        ]
        came.append([int(total[1] < total[0]) for total in totals])
        cost = [min(total) for total in totals]
    way = int(cost[1] < cost[0])
    steps = [ways[-1][way]]
    for options, origin in zip(reversed(ways[:-1]), reversed(came), strict=True):
        way = origin[way]
        steps.append(options[way])
    steps.reverse()
    breaks = [k for k, (one, two) in enumerate(pairwise(steps)) if not _meets(ground, one, two)]
    left = [place for place in breaks if not _meet_on_the_way(ground, steps, breaks, place)]
    return steps, len(left)


def _meet_on_the_way(ground: Ground, steps: list[Step], breaks: list[int], place: int) -> bool:
    """Mend a break where one segment ends at, or passes, a structure that the other passes.

    Only where the rest of both segments is settled by their neighbours. Changes
    the two steps, and tells whether it could.
    """
    one, two = steps[place], steps[place + 1]
    here, after = ground.nodes(one.segment), ground.nodes(two.segment)
    common = set(here) & set(after)
    if len(common) != 1:
        return False
    node = common.pop()
    settled_before = place > 0 and place - 1 not in breaks
    settled_after = place + 2 < len(steps) and place + 1 not in breaks
    ends_here, ends_there = (node in ground.ends[step.segment] for step in (one, two))
    if not (settled_before or ends_here) or not (settled_after or ends_there):
        return False
    entry, start = one.entry, one.start
    leave, stop = two.exit, two.stop
    if ends_here and not settled_before:
        entry, start = _far_end(ground, one.segment, node)
    if ends_there and not settled_after:
        leave, stop = _far_end(ground, two.segment, node)
    if start == here[node] or stop == after[node]:
        return False
    steps[place] = Step(one.segment, entry, node, start, here[node])
    steps[place + 1] = Step(two.segment, node, leave, after[node], stop)
    return True


def _far_end(ground: Ground, segment: str, node: str) -> tuple[str | None, float]:
    a, b = ground.ends[segment]
    return (b, 1.0) if node == a else (a, 0.0)


def _along_drawn_line(cables: Cables, cable: Row, followed: list[Row]) -> list[Step]:
    """Steps along the segments that a drawn cable is said to follow, each held to the drawing."""
    ground, name, course = cables.ground, cable["id"], cable["geometry"]
    if not all("from_m" in row for row in followed):  # named only, as reroute --json does
        named = [row["segment"] for row in sorted(followed, key=lambda row: row["seq"])]
        return _chained(ground, named)[0] if named else []
    segments = ground.records.by["segments"]
    steps = []
    for row in sorted(followed, key=lambda row: row["seq"]):
        segment = segments.get(row["segment"])
        if segment is None:
            cables.false.append(f"cable {name} follows {row['segment']}, which is no segment")
            continue
        line = segment["geometry"]
        if not -_ROUNDING_M <= row["from_m"] <= row["to_m"] <= course.length + _ROUNDING_M:
            cables.false.append(
                f"cable {name} is said to follow {segment['id']} from {row['from_m']:g} to "
                f"{row['to_m']:g} m of its {course.length:.3f} m"
            )
        drawn = substring(course, row["from_m"], row["to_m"])
        start, stop = (
            line.project(course.interpolate(row[end])) / line.length for end in ("from_m", "to_m")
        )
        nodes: dict[str | None, float] = {None: float(start > stop)}
        nodes |= ground.nodes(segment["id"])  # type: ignore[arg-type]
        if row["coverage"] > 1 - 1e-6:
            step = _way(ground, segment["id"], start > stop)
        else:
            entry = min(nodes, key=lambda node: abs(nodes[node] - start))
            leave = min(nodes, key=lambda node: abs(nodes[node] - stop))
            step = Step(segment["id"], entry, leave, nodes[entry], nodes[leave])
        along = substring(line, min(step.start, step.stop), max(step.start, step.stop), True)
        away = shapely.hausdorff_distance(along, drawn)
        own = segment.get("accuracy_m")
        accuracy = segment["_accuracy_m"] if own is None else own + segment["_shift_m"]
        tolerance = ground.records.snap_m + accuracy + cable["_accuracy_m"]
        if away > tolerance + _ROUNDING_M or abs(away - row["distance_m"]) > _ROUNDING_M:
            cables.false.append(
                f"cable {name} is said to follow {segment['id']} within {row['distance_m']:g} m; "
                f"it lies up to {away:.3f} m from it (at most {tolerance:g} m are allowed)"
            )
        if abs(abs(step.stop - step.start) - row["coverage"]) > 1e-3:
            cables.false.append(
                f"cable {name} follows {abs(step.stop - step.start):.4f} of {segment['id']}, "
                f"not {row['coverage']:g}"
            )
        steps.append(step)
    if name not in cables.unsure and not _whole(ground, steps, followed, course.length):
        cables.false.append(f"what cable {name} is said to follow is no chain along all its line")
    return steps


def _whole(ground: Ground, steps: list[Step], followed: list[Row], length_m: float) -> bool:
    if not steps:
        return False
    reach = 2 * ground.records.snap_m + 2 * max(
        (row["_accuracy_m"] for row in ground.records.rows["segments"]), default=0.0
    )
    covered = min(row["from_m"] for row in followed) <= reach
    covered &= max(row["to_m"] for row in followed) >= length_m - reach
    return covered and all(_meets(ground, one, two) for one, two in pairwise(steps))
