"""What the records say of the ground: what segments end at and pass, what holds what, hazards.

Everything goes by id; a place along a line is a fraction of its length.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from pyproj import Geod

from waysapart.recheck.gaps_of_rows import Gap
from waysapart.recheck.reading import Records, carried

GEOD = Geod(ellps="WGS84")
_WIDER = 1.05
"""More than a working coordinate system may change lengths by."""
SPAN_PLACES = {"tower", "gantry", "pole"}
OTHER_PLACES = {"pit", "entry", "bridge"}
WITH_WITHIN = ("sites", "structures", "holders", "segments", "supplies", "equipment")


@dataclass
class Ground:
    """Attributes by id.

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
        found: set[str] = set()
        waiting = [asset]
        while waiting:
            fresh = [one for one in self.recorded.get(waiting.pop(), ()) if one not in found]
            found.update(fresh)
            waiting += fresh
        return found

    def over(self, asset: str) -> set[str]:
        """Everything that holds an asset, at any depth, less what the rules leave out."""
        found: set[str] = set()
        waiting = [asset]
        while waiting:
            fresh = [one for one in self.holders.get(waiting.pop(), ()) if one not in found]
            found.update(fresh)
            waiting += fresh
        return found

    def nodes(self, segment: str) -> dict[str, float]:
        """Every structure or site on a segment with its fraction of the line."""
        a, b = self.ends[segment]
        ends = {node: at for node, at in ((a, 0.0), (b, 1.0)) if node is not None}
        return {**self.passed.get(segment, {}), **ends}


def survey(records: Records) -> Ground:
    """Tie the ground together from the records alone."""
    rows = [row for role in records.rows for row in records.rows[role] if "id" in row]
    ground = Ground(
        records,
        {row["id"]: row.get("kind") for row in rows},
        {
            row["id"]: row["geometry"]
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
    """A row lost a reference to something that a proposal removes."""
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
    tree = shapely.STRtree([shape[name] for name in names])
    named = _named_ends(records)

    def gives_way(site: str, near: list[str]) -> bool:
        """A site gives way to a structure that stands on it."""
        return any(
            site in ground.above(other) or shapely.covers(shape[site], shape[other])
            for other in near
            if other not in sites
        )

    segments = records.rows["segments"]
    lines = np.array([row["geometry"] for row in segments], dtype=object)
    points = {column: shapely.get_point(lines, at) for column, at in (("a", 0), ("b", -1))}
    close = {column: _close(tree, points[column], records.snap_m) for column in points}
    for number, row in enumerate(segments):
        found: list[str | None] = []
        for column in ("a", "b"):
            point, stated = points[column][number], row.get(column)
            if stated is not None:
                drawn = point is not None and shape[stated] is not None
                if drawn and point.distance(shape[stated]) > records.snap_m:
                    ground.gaps.append(Gap("end-far", row["id"], (row["id"],)))
                found.append(stated)
                continue
            near = [names[k] for k in close[column].get(number, ())]
            near = [one for one in near if one not in sites or not gives_way(one, near)]
            near.sort(key=lambda one: (point.distance(shape[one]), -named[one], shape[one].bounds))
            if len(near) != 1:
                code = "end-ambiguous" if near else "end-meets-nothing"
                ground.gaps.append(Gap(code, row["id"], (row["id"],)))
            found.append(near[0] if near else None)
        ground.ends[row["id"]] = (found[0], found[1])


def _close(tree: shapely.STRtree, shapes: Any, within_m: float) -> dict[int, list[int]]:
    """By the number of each shape what of a tree lies within a distance of it, in order."""
    found: dict[int, list[int]] = {}
    pairs = tree.query(np.array(shapes, dtype=object), "dwithin", within_m)
    for mine, other in zip(*pairs.tolist(), strict=True):
        found.setdefault(mine, []).append(other)
    return {mine: sorted(others) for mine, others in found.items()}


def _named_ends(records: Records) -> Counter[str | None]:
    """How many ends of segments each structure or site is named for."""
    return Counter(row.get(end) for row in records.rows["segments"] for end in ("a", "b"))


def _find_passed(ground: Ground) -> None:
    """Structures of a fitting kind within snap_m of a segment's line, between its ends."""
    records = ground.records
    structures = records.rows["structures"]
    tree = shapely.STRtree([row["geometry"] for row in structures])
    segments = records.rows["segments"]
    close = _close(tree, [row["geometry"] for row in segments], records.snap_m)
    for number, hits in close.items():
        row = segments[number]
        line = row["geometry"]
        fitting = SPAN_PLACES if row["kind"] == "span" else OTHER_PLACES
        for k in hits:
            structure = structures[k]
            if structure["kind"] not in fitting or structure["id"] in ground.ends[row["id"]]:
                continue
            nearest = shapely.get_point(shapely.shortest_line(line, structure["geometry"]), 0)
            at = shapely.line_locate_point(line, nearest)
            if (inside := line.intersection(structure["geometry"])) and inside.length:
                ends = [line.project(shapely.Point(p)) for p in shapely.get_coordinates(inside)]
                at = (min(ends) + max(ends)) / 2
            if 1e-6 < at < line.length - 1e-6:
                ground.passed.setdefault(row["id"], {})[structure["id"]] = at / line.length


def _find_twins(ground: Ground) -> None:
    """Structures of one kind in one place under two ids."""
    structures = ground.records.rows["structures"]
    shapes = [row["geometry"] for row in structures]
    tree = shapely.STRtree(shapes)
    named = _named_ends(ground.records)
    within_m = ground.records.rules["defaults"]["same_place_m"]
    for place, others in _close(tree, shapes, within_m).items():
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


def ground_distance(records: Records, one: Any, other: Any) -> float:
    """Metres on the ellipsoid between two geometries, where they come nearest."""
    if one.intersects(other):
        return 0.0
    line = carried(shapely.shortest_line(one, other), records.to_degrees)
    return float(GEOD.geometry_length(line))


def _find_hazards(ground: Ground) -> None:
    """What each hazard touches, grown by its reach on the ground, of the kinds that it takes."""
    records = ground.records
    plant = [row for role in ("sites", "structures", "segments") for row in records.rows[role]]
    tree = shapely.STRtree([row["geometry"] for row in plant])
    for hazard in records.rows["hazards"]:
        reach, takes = hazard.get("reach_m") or 0.0, hazard.get("takes")
        if hazard["geometry"] is None:
            continue
        for k in tree.query(hazard["geometry"], predicate="dwithin", distance=reach * _WIDER):
            taken = not takes or plant[k].get("kind") in takes
            away_m = ground_distance(records, hazard["geometry"], plant[k]["geometry"])
            if taken and away_m <= reach:
                ground.hit.setdefault(plant[k]["id"], []).append(hazard["id"])
