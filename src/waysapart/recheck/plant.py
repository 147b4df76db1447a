"""What is tied to what: ends of segments, holders and hazards, courses of cables, links.

Everything goes by id; a place along a line is a fraction of its length.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from math import inf
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely
from shapely.ops import substring

from waysapart.recheck.faulty_rows import Gap, Row, grouped, reached
from waysapart.recheck.records import Records
from waysapart.schema import ROLES

if TYPE_CHECKING:
    from waysapart.recheck.traced import Traced

SPAN_PLACES = {"tower", "gantry", "pole"}
OTHER_PLACES = {"pit", "entry", "bridge"}
WITH_WITHIN = [role for role, table in ROLES.items() if "within" in table.column]
"""Roles whose rows say what they lie in."""


@dataclass
class Ground:
    """Attributes by id.

    `shape` is in the plane of the records.
    `ends`: the structures or sites that a segment ends at; `passed`: what it passes,
    with the fraction of its line; `recorded`: what an asset lies directly within;
    `holders`: the same less the kinds that the rules ignore, in whose place stands
    what those lie in; `hit`: the hazards that take a segment, structure or site;
    `left_out`: holders of kinds that the rules ignore.
    """

    records: Records
    kind: dict[str, str | None]
    shape: dict[str, Any]
    ends: dict[str, tuple[str | None, str | None]] = field(default_factory=dict)
    passed: dict[str, dict[str, float]] = field(default_factory=dict)
    recorded: dict[str, list[str]] = field(default_factory=dict)
    holders: dict[str, list[str]] = field(default_factory=dict)
    hit: dict[str, list[str]] = field(default_factory=dict)
    left_out: set[str] = field(default_factory=set)
    gaps: list[Gap] = field(default_factory=list)

    def above(self, asset: str) -> set[str]:
        """Everything that an asset lies in, at any depth."""
        return reached(self.recorded.get(asset, ()), lambda at: self.recorded.get(at, ()))

    def over(self, asset: str) -> set[str]:
        """Everything that holds an asset, at any depth, less what the rules leave out."""
        return reached(self.holders.get(asset, ()), lambda at: self.holders.get(at, ()))

    def reaches(self, node: str | None, site: str | None) -> bool:
        """Whether a cable end reaches a site; true where either is not known (another gap)."""
        if node is None or site is None or node == site or site in self.above(node):
            return True
        one, other = self.shape.get(node), self.shape.get(site)
        if node not in self.records.by["structures"] or one is None or other is None:
            return False
        return bool(self.records.sheet.metres(one, other) <= self.records.snap_m)

    def meet(self, one: str | None, other: str | None) -> bool:
        """Whether cable ends meet: in one place, or at a site and at something on it."""
        if one is None or other is None or one == other:
            return True
        sites = self.records.by["sites"]
        return (one in sites and one in self.above(other)) or (
            other in sites and other in self.above(one)
        )

    def nodes(self, segment: str) -> dict[str, float]:
        """Every structure or site on a segment, with its place as a fraction of the line."""
        a, b = self.ends[segment]
        ends = {node: at for node, at in ((a, 0.0), (b, 1.0)) if node is not None}
        return {**self.passed.get(segment, {}), **ends}


def survey(records: Records) -> Ground:
    """Tie segments, holders and hazards together from the records alone.

    Parameters
    ----------
    records : Records

    Returns
    -------
    Ground
    """
    rows = [row for role in records.rows for row in records.rows[role] if "id" in row]
    ground = Ground(
        records,
        {row["id"]: row.get("kind") for row in rows},
        {
            row["id"]: records.flat.get(row["id"])
            for role in ("sites", "structures", "segments", "hazards")
            for row in records.rows[role]
        },
    )
    ignored = records.rules["reliance"]["ignore_kinds"]
    for role in WITH_WITHIN:
        for row in records.rows[role]:
            named = [holder for holder in row.get("within") or () if holder != "-"]
            ground.recorded[row["id"]] = named
            ground.left_out |= {one for one in named if ground.kind.get(one) in ignored}
    for name in ground.recorded:
        ground.holders[name] = _counted(ground, name)
    ground.gaps += records.gaps
    ground.gaps += [_gone(records, *lost) for lost in records.gone]
    _tie_ends(ground)
    _find_passed(ground)
    _find_twins(ground)
    _find_hazards(ground)
    return ground


def _counted(ground: Ground, name: str) -> list[str]:
    """What an asset lies directly within; for what is left out, what that lies within."""
    found: list[str] = []
    waiting = [*ground.recorded[name]]
    for holder in waiting:
        if holder in ground.left_out:
            further = ground.recorded.get(holder, ())
            waiting += [one for one in further if one not in waiting]
        elif holder not in found:
            found.append(holder)
    return found


def _gone(records: Records, role: str, owner: str, _column: str) -> Gap:
    """The gap of a row that lost a reference to something that a proposal removes."""
    if role in ("links", "link_runs"):
        return Gap("removed-reference", owner, links=(owner,))
    if role in ("circuits", "circuit_paths", "ring_circuits"):
        return Gap("removed-reference", owner, circuits=(owner,))
    if role == "rings":
        users = (row["circuit"] for row in records.rows["ring_circuits"] if row["ring"] == owner)
        return Gap("removed-reference", owner, circuits=tuple(users))
    return Gap("removed-reference", owner, assets=(owner,))


def _tie_ends(ground: Ground) -> None:
    """The stated end, else the nearest structure or site within snap_m of the end vertex."""
    records, shape = ground.records, ground.shape
    sites = {row["id"] for row in records.rows["sites"]}
    names = sorted(sites) + sorted(row["id"] for row in records.rows["structures"])
    sites_and_structures = [shape[name] for name in names]
    named, metres = _named_ends(records), records.sheet.metres
    lonlat = {**records.lonlat("sites"), **records.lonlat("structures")}

    def gives_way(site: str, near: list[str]) -> bool:
        """A site gives way to a structure that stands on it."""
        return any(
            site in ground.above(other) or shapely.covers(shape[site], shape[other])
            for other in near
            if other not in sites
        )

    segments = records.rows["segments"]
    lines = np.array([shape[row["id"]] for row in segments], dtype=object)
    points = {column: shapely.get_point(lines, at) for column, at in (("a", 0), ("b", -1))}
    close = {
        column: _close(records, sites_and_structures, points[column], records.snap_m)
        for column in points
    }
    for number, row in enumerate(segments):
        found: list[str | None] = []
        for column in ("a", "b"):
            point, stated = points[column][number], row.get(column)
            if stated is not None:
                drawn = point is not None and shape[stated] is not None
                if drawn and metres(point, shape[stated]) > records.snap_m:
                    ground.gaps.append(Gap("end-far", row["id"], (row["id"],)))
                found.append(stated)
                continue
            near = [names[k] for k in close[column].get(number, ())]
            near = [one for one in near if one not in sites or not gives_way(one, near)]
            near.sort(
                key=lambda one: (
                    round(metres(point, shape[one]), 6),
                    -named[one],
                    lonlat[one].bounds,
                )
            )
            if len(near) != 1:
                code = "end-ambiguous" if near else "end-meets-nothing"
                ground.gaps.append(Gap(code, row["id"], (row["id"],)))
            found.append(near[0] if near else None)
        ground.ends[row["id"]] = (found[0], found[1])


def _close(
    records: Records, among: list[Any], shapes: Any, within_m: float
) -> dict[int, list[int]]:
    """By the number of each shape what of others lies within a distance of it, in order."""
    sheet = records.sheet
    mine = np.array(shapes, dtype=object)
    wide = within_m * records.widest
    pairs = shapely.STRtree(among).query(mine, "dwithin", wide)
    found: dict[int, list[int]] = grouped(
        (one, other)
        for one, other in zip(*pairs.tolist(), strict=True)
        if sheet.metres(mine[one], among[other]) <= within_m
    )
    return {one: sorted(others) for one, others in found.items()}


def _named_ends(records: Records) -> Counter[str | None]:
    """How many ends of segments each structure or site is named for."""
    return Counter(row.get(end) for row in records.rows["segments"] for end in ("a", "b"))


def _find_passed(ground: Ground) -> None:
    """Structures of a fitting kind within snap_m of a segment's line, between its ends."""
    records = ground.records
    structures = records.rows["structures"]
    segments, shape = records.rows["segments"], ground.shape
    shapes = [shape[row["id"]] for row in structures]
    close = _close(records, shapes, [shape[row["id"]] for row in segments], records.snap_m)
    for number, hits in close.items():
        row = segments[number]
        line, length = shape[row["id"]], None
        fitting = SPAN_PLACES if row["kind"] == "span" else OTHER_PLACES
        for k in hits:
            structure = structures[k]
            if structure["kind"] not in fitting or structure["id"] in ground.ends[row["id"]]:
                continue
            nearest = shapely.get_point(shapely.shortest_line(line, shapes[k]), 0)
            at = shapely.line_locate_point(line, nearest)
            if (inside := line.intersection(shapes[k])) and inside.length:
                ends = [line.project(shapely.Point(p)) for p in shapely.get_coordinates(inside)]
                at = (min(ends) + max(ends)) / 2
            if 1e-6 < at < line.length - 1e-6:
                length = length or records.sheet.length(line)
                ground.passed.setdefault(row["id"], {})[structure["id"]] = length.fraction(at)


def _find_twins(ground: Ground) -> None:
    """Structures of one kind in one place under two ids."""
    structures = ground.records.rows["structures"]
    shapes = [ground.shape[row["id"]] for row in structures]
    named = _named_ends(ground.records)
    within_m = ground.records.rules["defaults"]["same_place_m"]
    for place, others in _close(ground.records, shapes, shapes, within_m).items():
        row = structures[place]
        for other in others:
            twin = structures[other]
            alike = row["kind"] == twin["kind"] or {row["kind"], twin["kind"]} <= SPAN_PLACES
            ranks = [
                (named[one["id"]], *one["geometry"].bounds, one["kind"], one["id"])
                for one in (row, twin)
            ]
            if ranks[0] < ranks[1] and alike:
                ground.gaps.append(Gap("same-place", row["id"], (row["id"], twin["id"])))


def radio_hazards(records: Records) -> dict[str, set[str]]:
    """By radio hop, the hazards on its path that take `radio`.

    Parameters
    ----------
    records : Records

    Returns
    -------
    dict of str to set
    """
    found: dict[str, set[str]] = {}
    for hazard in records.rows["hazards"]:
        if "radio" not in (hazard.get("takes") or ()) or hazard["geometry"] is None:
            continue
        area, reach = records.flat[hazard["id"]], hazard.get("reach_m") or 0.0
        for name, path in records.radio_paths.items():
            if path is not None and records.sheet.metres(area, path) <= reach:
                found.setdefault(name, set()).add(hazard["id"])
    return found


def _find_hazards(ground: Ground) -> None:
    """What each hazard touches, grown by its reach on the ground, of the kinds that it takes."""
    records = ground.records
    plant = [row for role in ("sites", "structures", "segments") for row in records.rows[role]]
    shapes = [ground.shape[row["id"]] for row in plant]
    tree, sheet = shapely.STRtree(shapes), records.sheet
    for hazard in records.rows["hazards"]:
        reach, takes = hazard.get("reach_m") or 0.0, hazard.get("takes")
        shape = ground.shape[hazard["id"]]
        if shape is None:
            continue
        for k in tree.query(shape, predicate="dwithin", distance=reach * records.widest):
            taken = not takes or plant[k].get("kind") in takes
            if taken and sheet.metres(shape, shapes[k]) <= reach:
                ground.hit.setdefault(plant[k]["id"], []).append(hazard["id"])


WIRED = ("electrical", "carrier")
_ROUNDING_M = 0.01


@dataclass
class Step:
    """One segment of a cable: from node to node, and where on the segment's line these are."""

    segment: str
    entry: str | None
    exit: str | None
    start: float = 0.0
    stop: float = 1.0


class Use(NamedTuple):
    """A cable used from one position of its chain to another, and the nodes there."""

    cable: str
    begin: str | None
    end: str | None
    from_: float
    to: float


class OnStep(NamedTuple):
    """The part of a step that is used: the fractions of its line, and the nodes on it."""

    step: Step
    begin: float
    end: float
    nodes: list[str | None]


@dataclass
class Cables:
    """Chains of steps, carriers, and cables without runs of their own that follow a carrier.

    `unsure` are drawn cables whose course is not certain by the evidence; `false` are false
    claims about drawn cables.
    """

    ground: Ground
    chain: dict[str, list[Step]] = field(default_factory=dict)
    carrier: dict[str, str | None] = field(default_factory=dict)
    follows: set[str] = field(default_factory=set)
    drawn: set[str] = field(default_factory=set)
    unsure: set[str] = field(default_factory=set)
    gaps: list[Gap] = field(default_factory=list)
    false: list[str] = field(default_factory=list)
    _nodes: dict[str, list[tuple[str | None, float]]] = field(default_factory=dict)
    _stretches: dict[Use, list[OnStep]] = field(default_factory=dict)

    def stretch(self, use: Use) -> list[OnStep]:
        """The steps of a use, in the order of the chain."""
        if use not in self._stretches:
            self._stretches[use] = self._steps_of(use)
        return self._stretches[use]

    def _steps_of(self, use: Use) -> list[OnStep]:
        low, high = sorted((use.from_, use.to))
        between = grouped((int(at), (node, at)) for node, at in self.nodes(use.cable) if at % 1)
        found = []
        for place, step in enumerate(self.chain[use.cable]):
            begin, end = max(low, float(place)), min(high, place + 1.0)
            if begin >= end:
                continue
            span = step.stop - step.start
            ends = {float(place): step.entry, place + 1.0: step.exit}
            on_it = [ends[at] for at in (begin, end) if at in ends]
            on_it += [node for node, at in between.get(place, ()) if begin <= at <= end]
            low_at, high_at = (step.start + span * (at - place) for at in (begin, end))
            found.append(OnStep(step, low_at, high_at, on_it))
        return found

    def whole(self, cable: str) -> Use:
        """A cable used from end to end."""
        return Use(cable, None, None, 0.0, float(len(self.chain[cable])))

    def is_whole(self, use: Use) -> bool:
        """Whether a cable is used from end to end, in either direction."""
        return {use.from_, use.to} == {0.0, float(len(self.chain[use.cable]))}

    def nodes(self, cable: str) -> list[tuple[str | None, float]]:
        """Every node along a chain with its position: step number plus how far through it."""
        if cable not in self._nodes:
            self._nodes[cable] = self._nodes_along(cable)
        return self._nodes[cable]

    def _nodes_along(self, cable: str) -> list[tuple[str | None, float]]:
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
    """Chain every cable; a drawn one along the segments that the evidence says it follows.

    Parameters
    ----------
    ground : Ground
    matched : list of rows
        What the evidence says that drawn cables follow. That each of these segments keeps to the
        drawn line is checked; that no other segment does so as well is not.
    unsure : set of str
        Drawn cables whose course the evidence calls uncertain.

    Returns
    -------
    Cables
    """
    cables = Cables(ground, unsure=set(unsure))
    rows = sorted(ground.records.rows["cable_runs"], key=lambda row: row["seq"])
    runs = grouped((row["cable"], row["segment"]) for row in rows)
    own: dict[str, list[Step]] = {}
    for cable in ground.records.rows["cables"]:
        name, listed = cable["id"], runs.get(cable["id"])
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


def _directed(ground: Ground, segment: str, backward: bool) -> Step:
    a, b = ground.ends[segment]
    return Step(segment, b, a, 1.0, 0.0) if backward else Step(segment, a, b)


def _meets(ground: Ground, before: Step, after: Step) -> bool:
    """At one node; where an end is tied to none, within snap_m of each other."""
    if before.exit is not None and after.entry is not None:
        return before.exit == after.entry
    one = shapely.get_point(ground.shape[before.segment], 0 if before.stop == 0.0 else -1)
    other = shapely.get_point(ground.shape[after.segment], 0 if after.start == 0.0 else -1)
    drawn = one is not None and other is not None
    return drawn and bool(ground.records.sheet.metres(one, other) <= ground.records.snap_m)


def _chained(ground: Ground, segments: list[str]) -> tuple[list[Step], int]:
    """Direct segments so that the fewest do not meet the next, and count those that do not."""
    choices = [
        [_directed(ground, segment, backward) for backward in (False, True)] for segment in segments
    ]
    cost = [0, 0]
    came: list[list[int]] = []
    for before, after in pairwise(choices):
        totals = [
            [cost[prior] + (not _meets(ground, before[prior], step)) for prior in (0, 1)]
            for step in after
        ]
        came.append([int(total[1] < total[0]) for total in totals])
        cost = [min(total) for total in totals]
    turned = int(cost[1] < cost[0])
    steps = [choices[-1][turned]]
    for options, origin in zip(reversed(choices[:-1]), reversed(came), strict=True):
        turned = origin[turned]
        steps.append(options[turned])
    steps.reverse()
    breaks = [k for k, (one, two) in enumerate(pairwise(steps)) if not _meets(ground, one, two)]
    left = [place for place in breaks if not _meet_on_the_directed(ground, steps, breaks, place)]
    return steps, len(left)


def _meet_on_the_directed(ground: Ground, steps: list[Step], breaks: list[int], place: int) -> bool:
    """Close a break where one segment ends at, or passes, a structure that the other passes.

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


def covered(spans: Iterable[tuple[float, float]]) -> float:
    """How much some intervals cover together, overlaps counted once.

    Parameters
    ----------
    spans : iterable of (float, float)
        From and to.

    Returns
    -------
    float

    Examples
    --------
    >>> covered([(0.0, 2.0), (1.0, 3.0)])
    3.0
    """
    found, end = 0.0, -inf
    for low, high in sorted(spans):
        found += max(high - max(low, end), 0.0)
        end = max(end, high)
    return found


def wrong_m(segment: Row) -> float:
    """How far a segment may lie from its record, in metres.

    Parameters
    ----------
    segment : dict
        Its row.

    Returns
    -------
    float
    """
    own = segment.get("accuracy_m")
    return float(segment["_accuracy_m"] if own is None else own + segment["_shift_m"])


def _far_end(ground: Ground, segment: str, node: str) -> tuple[str | None, float]:
    a, b = ground.ends[segment]
    return (b, 1.0) if node == a else (a, 0.0)


def _along_drawn_line(cables: Cables, cable: Row, followed: list[Row]) -> list[Step]:
    """Steps along the segments that a drawn cable is said to follow, checked by the drawing."""
    ground, name = cables.ground, cable["id"]
    sheet, course = ground.records.sheet, ground.records.flat[name]
    whole = sheet.length(course)
    if not all("from_m" in row for row in followed):  # named only, as reroute --json does
        named = [row["segment"] for row in sorted(followed, key=lambda row: row["seq"])]
        return _chained(ground, named)[0] if named else []
    segments, steps = ground.records.by["segments"], list[Step]()

    def untrue(said: str) -> None:
        cables.false.append(f"cable {name} {said}")

    for row in sorted(followed, key=lambda row: row["seq"]):
        segment = segments.get(row["segment"])
        if segment is None:
            untrue(f"follows {row['segment']}, which is no segment")
            continue
        line, of = ground.shape[segment["id"]], segment["id"]
        if not -_ROUNDING_M <= row["from_m"] <= row["to_m"] <= whole.metres + _ROUNDING_M:
            along = f"from {row['from_m']:g} to {row['to_m']:g} m of its {whole.metres:.3f} m"
            untrue(f"is said to follow {of} {along}")
        length, along_flat = sheet.length(line), [whole.flat_at(row[e]) for e in ("from_m", "to_m")]
        start, stop = (length.fraction(line.project(course.interpolate(at))) for at in along_flat)
        step = _directed(ground, of, start > stop)
        if row["coverage"] <= 1 - 1e-6:
            nodes: dict[str | None, float] = {None: float(start > stop)}
            nodes.update(ground.nodes(of))
            entry, leave = (
                min(nodes, key=lambda node: abs(nodes[node] - at)) for at in (start, stop)
            )
            step = Step(of, entry, leave, nodes[entry], nodes[leave])
        drawn = substring(course, along_flat[0], along_flat[1])
        low, high = (length.flat_at(at * length.metres) for at in sorted((step.start, step.stop)))
        followed_part = substring(line, low, high)
        away = shapely.hausdorff_distance(followed_part, drawn) / sheet.scale(drawn.centroid)
        tolerance = ground.records.snap_m + wrong_m(segment) + cable["_accuracy_m"]
        if away > tolerance + _ROUNDING_M or abs(away - row["distance_m"]) > _ROUNDING_M:
            untrue(
                f"is said to follow {of} within {row['distance_m']:g} m; it lies up to "
                f"{away:.3f} m from it (at most {tolerance:g} m are allowed)"
            )
        coverage = abs(step.stop - step.start)
        if abs(coverage - row["coverage"]) > 1e-3:
            untrue(f"follows {coverage:.4f} of {of}, not {row['coverage']:g}")
        steps.append(step)
    if name not in cables.unsure and not _whole(ground, steps, followed, whole.metres):
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


_ELSEWHERE = 1e-6
"""Cost of a meeting that holds, but not in one place; one that fails costs 1."""


@dataclass
class Hop:
    """A link: per direction (`both`, or `go` and `return`) the uses of its cables, in order.

    `rows` are the link_runs of these uses. `turned`: the order leads from the
    link's end b to its end a. `trace`: how its ports are joined, where it names any.
    """

    row: Row
    directions: dict[str, list[Use]] = field(default_factory=dict)
    turned: dict[str, bool] = field(default_factory=dict)
    rows: dict[str, list[Row]] = field(default_factory=dict)
    trace: Traced | None = None

    @property
    def medium(self) -> str:
        """What it runs over: fibre where the record says nothing."""
        return str(self.row.get("medium") or "fibre")

    @property
    def over_fibre(self) -> bool:
        """Whether it runs over the fibre of cables, or of cords, on record."""
        cords = self.trace is not None and self.trace.over_cords
        return (bool(self.directions) or cords) and self.medium == "fibre"

    def uses(self) -> list[Use]:
        """All uses of cables, in either direction."""
        return [use for uses in self.directions.values() for use in uses]

    def runs(self) -> Iterator[tuple[Use, Row]]:
        """Every use of a cable with its row of link_runs."""
        for direction, uses in self.directions.items():
            yield from zip(uses, self.rows[direction], strict=True)

    def along(self, direction: str) -> list[Use]:
        """The uses of its cables in a direction (`go` or `return`)."""
        return self.directions.get(direction, self.directions.get("both", []))


def tie_links(cables: Cables) -> tuple[dict[str, Hop], list[Gap]]:
    """Run every link through its cables so that the fewest meetings fail; those are gaps.

    Parameters
    ----------
    cables : Cables

    Returns
    -------
    hops : dict of str to Hop
        By id of the link.
    gaps : list of Gap
    """
    records = cables.ground.records
    pairs = grouped(
        (frozenset(pair), joint["at"])
        for joint in records.rows["joints"]
        for pair in combinations(joint.get("cables") or (), 2)
    )
    joints = {pair: set(at) for pair, at in pairs.items()}
    rows = sorted(records.rows["link_runs"], key=in_order)
    runs = grouped((row["link"], row) for row in rows if row.get("cable"))
    hops, gaps = {}, []
    site = {name: row.get("site") for name, row in records.by["equipment"].items()}
    for name, link in records.by["links"].items():
        hop, mine = Hop(link), runs.get(name, [])
        hops[name], faults = hop, list[str]()
        if not mine and hop.medium == "fibre":
            faults.append("link-without-runs")
        stated = {row.get("direction") for row in mine}
        sites = site.get(str(link.get("a"))), site.get(str(link.get("b")))
        for to in () if not mine else ("both",) if stated == {None} else ("go", "return"):
            along = [row for row in mine if to == "both" or row.get("direction") in (None, to)]
            if along:
                uses, wrong, turned = _through(cables, along, joints, sites)
                hop.directions[to], hop.turned[to], hop.rows[to] = uses, turned, along
                faults += wrong
            else:
                faults.append("link-without-runs")
        gaps += [Gap(code, name, links=(name,)) for code in faults]
    return hops, gaps


def in_order(run: Row) -> tuple[float, bool]:
    """What rows of `link_runs` are sorted by: their number; then by direction, both last.

    Parameters
    ----------
    run : dict

    Returns
    -------
    (float, bool)
    """
    return float(run["seq"]), run["direction"] is None


def uses_of(cables: Cables, row: Row) -> tuple[list[Use], bool]:
    """Uses of a cable that a row of `link_runs` may mean, the longest first.

    Parameters
    ----------
    cables : Cables
    row : dict

    Returns
    -------
    uses : list of Use
    lacking : bool
        Whether the chain lacks a stated node.
    """
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
    joints: dict[frozenset[str], set[str]],
    sites: tuple[str | None, str | None],
) -> tuple[list[Use], list[str], bool]:
    """The uses with the fewest faults from one site to the other, and whether these are turned."""
    ground, options = cables.ground, [uses_of(cables, row) for row in rows]
    choices = [uses for uses, _ in options]
    jointed = []
    for one, two in pairwise(row["cable"] for row in rows):
        nodes = [{node for node, _ in cables.nodes(cable)} for cable in (one, two)]
        at = joints.get(frozenset((one, two)), set())
        jointed.append(bool(at & nodes[0] & nodes[1]))
    found = []
    for begin, finish in (sites, sites[::-1]):
        uses = _least_faults(choices, ground, jointed, begin, finish)
        meetings = zip(jointed, pairwise(uses), strict=True)
        faults = ["link-broken" for _, bad in options if bad]
        faults += ["link-end"] * (not ground.reaches(uses[0].begin, begin))
        faults += [
            "link-broken"
            for joint, (one, two) in meetings
            if not joint and not ground.meet(one.end, two.begin)
        ]
        faults += ["link-end"] * (not ground.reaches(uses[-1].end, finish))
        found.append((uses, faults))
    turned = len(found[1][1]) < len(found[0][1])
    return *found[turned], turned


def _least_faults(
    choices: list[list[Use]],
    ground: Ground,
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
        return _ELSEWHERE if joint or ground.meet(before.end, after.begin) else 1.0

    chains = [(float(not ground.reaches(use.begin, begin)), [use]) for use in choices[0]]
    for joint, options in zip(jointed, choices[1:], strict=True):
        chains = [
            min(
                ((faults + cost(joint, done[-1], use), [*done, use]) for faults, done in chains),
                key=lambda chain: chain[0],
            )
            for use in options
        ]
    return min(chains, key=lambda one: one[0] + (not ground.reaches(one[1][-1].end, finish)))[1]
