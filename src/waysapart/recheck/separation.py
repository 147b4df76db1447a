"""How far apart two paths run, by a plain comparison of every segment with every other.

Everything is drawn in the plane of `waysapart.recheck.places`, and every distance is divided by
its scale at the place where it is measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations, pairwise, permutations, product
from math import inf
from typing import Any, NamedTuple

import numpy as np
import shapely

from waysapart.evidence import Approach, Circuit, Group, Stretch, VerdictWitness
from waysapart.recheck.evidence import About
from waysapart.recheck.faulty_rows import grouped
from waysapart.recheck.paths import Key
from waysapart.recheck.places import GEOD, geodesic_m, part_of
from waysapart.recheck.plant import covered, wrong_m
from waysapart.recheck.reliance import Asset, Trial, World, name_of, service_of
from waysapart.recheck.sharing import Subject, Waived, share_contest

Claim = Circuit | Group
FAR_AWAY_M = 1e9
"""Beyond any plant, in the plane."""
TOUCH_M = 0.001
CLOSE_M = 0.01
"""Tolerance of figures of the evidence: rounding, and two methods of measuring."""
ALONG_M = 0.1
PLACE_M = 0.05
PLACE_DEG = 1.01e-7
HALF_M = 0.002
MIDDLE_M = 0.05
OUTLINE_M = 0.01
"""Where a polygon's zone has no width, its outline belongs to it all the same."""
OVERLAP_M = 0.1
FOLD_RATIO = 10.0
_ROUNDING_M = 1e-6
_ROUND = 256
_ROUND_ZONE = 1024
_SCALE_STEP = 3e-6
"""By how much the scale differs between the places, 100 m apart, where it is computed."""
Line = tuple[str, float, float]
"""A segment and the fractions between which a path follows it."""


class Followed(NamedTuple):
    """A line of a path: from where along the path, how long, and in which direction."""

    line: Line
    at_m: float
    length_m: float
    backward: bool


class NearRow(NamedTuple):
    """A stretch of a line of the first path within the limit of a line of the second.

    `shape` is in the plane, `scale` the metres there for a metre on the ground.
    """

    one: Line
    other: Line
    distance_m: float
    from_m: float
    to_m: float
    limit_m: float
    shape: Any
    scale: float


@dataclass
class PathPair:
    """Two paths that must be apart.

    `outside` is what lies outside the end zones of each line; `left` the same without
    the lines that both follow, which are shared assets and no approach. `shared`: what all that
    is held apart at once relies on; `avoidable`: what of it the ends do not bring.
    """

    paths: tuple[Key, Key]
    first: list[Followed]
    second: list[Followed]
    outside: dict[Line, Any] = field(default_factory=dict)
    left: dict[Line, Any] = field(default_factory=dict)
    shared: set[str] = field(default_factory=set)
    avoidable: set[str] = field(default_factory=set)

    @property
    def turned(self) -> PathPair:
        """The same with the second path first."""
        return replace(self, paths=self.paths[::-1], first=self.second, second=self.first)


class Plane:
    """The plane in which a study is measured, and the lines of its paths there."""

    def __init__(self, world: World) -> None:
        self.world, records = world, world.ground.records
        self.sheet, self._segments = records.sheet, records.segments_lonlat
        self.flat, self.scale, self.metres = self.sheet.flat, self.sheet.scale, self.sheet.metres
        self._lines: dict[Line, tuple[Any, float]] = {
            (name, 0.0, 1.0): (records.flat[name], records.drawn_m[name]) for name in self._segments
        }
        rows = records.by["segments"]
        self.kinds = {str(row["kind"]) for row in rows.values()}
        self.wrong_m = {name: wrong_m(row) for name, row in rows.items()}
        self.worst_m = 2 * max(self.wrong_m.values(), default=0.0)
        places = (*records.lonlat("sites"), *records.lonlat("structures"))
        self.places: dict[str, Any] = {name: records.flat[name] for name in places}
        self._cut: dict[tuple[int, int], tuple[Any, Any, Any]] = {}
        self._followed: dict[Key, list[Followed]] = {}
        self._round: dict[tuple[str | None, float], Any] = {}

    @cached_property
    def order(self) -> dict[Key, int]:
        """Every path with its place among the paths."""
        return {key: place for place, key in enumerate(self.world.paths)}

    def line(self, line: Line) -> tuple[Any, float]:
        """A line in the plane, and its length on the ground in metres."""
        if line not in self._lines:
            part = part_of(self._segments[line[0]], *line[1:])
            self._lines[line] = self.sheet.drawn([part])[0], GEOD.geometry_length(part)
        return self._lines[line]

    def followed(self, path: Key) -> list[Followed]:
        """The lines that a path follows, in order from its circuit's end a."""
        if path in self._followed:
            return self._followed[path]
        world, at = self.world, 0.0
        node = world.records.by["circuits"][path[0]].get("a")
        found = []
        for name in world.paths[path]:
            hop = world.hops[name]
            back = node == hop.row["b"] and node != hop.row["a"]
            node = hop.row["a"] if back else hop.row["b"]
            turned = bool(hop.directions) and back != next(iter(hop.turned.values()))
            uses = hop.uses()[::-1] if turned else hop.uses()
            for use in uses:
                steps = world.cables.stretch(use)
                against = (use.from_ > use.to) != turned
                for step, begin, end, _ in reversed(steps) if against else steps:
                    if step.segment not in self._segments:
                        continue
                    low, high = sorted((begin, end))
                    line = (step.segment, low, high)
                    length = self.line(line)[1]
                    found.append(Followed(line, at, length, (begin > end) != against))
                    at += length
        self._followed[path] = found
        return found

    def places_on(self, path: Key) -> dict[str, tuple[float, float]]:
        """Segments of a path, and structures and sites on them: where along it each first lies."""
        found: dict[str, tuple[float, float]] = {}
        for item in self.followed(path):
            segment, low, high = item.line
            found.setdefault(segment, (item.at_m, item.at_m + item.length_m))
            on_it = sorted(
                (high - at if item.backward else at - low, node)
                for node, at in self.world.ground.nodes(segment).items()
                if low - 1e-9 <= at <= high + 1e-9
            )
            for into, node in on_it:
                at = item.at_m + into / (high - low) * item.length_m
                found.setdefault(node, (at, at))
        return found

    def away_m(self, path: Key, at_m: float, at: list[float]) -> float:
        """How far the place `at_m` along a path lies from one in longitude and latitude.

        Where two lines of the path meet there, the nearer of their ends counts.
        """
        away, told = float("inf"), self.flat(shapely.Point(at))
        for item in self.followed(path):
            if item.at_m - TOUCH_M <= at_m <= item.at_m + item.length_m + TOUCH_M:
                part = (at_m - item.at_m) / item.length_m if item.length_m else 0.0
                part = min(max(1 - part if item.backward else part, 0.0), 1.0)
                line = self.line(item.line)[0]
                length = self.sheet.length(line)
                place = line.interpolate(length.flat_at(part * length.metres))
                away = min(away, self.metres(place, told))
        return away

    def pair(self, one: Key, other: Key, circuits: list[str], zone_m: float) -> PathPair:
        """Two paths, with what lies in the end zones of some circuits cut off.

        Parameters
        ----------
        one, other : (circuit, label)
        circuits : list of str
        zone_m : float
            Width of an end zone in metres.

        Returns
        -------
        PathPair
        """
        first, second = self.followed(one), self.followed(other)
        common = {item.line for item in first} & {item.line for item in second}
        pair = PathPair((one, other), first, second)
        zones = self.zones(circuits, zone_m)
        lines = list(dict.fromkeys(item.line for item in (*first, *second)))
        pair.outside = {line: self.line(line)[0] for line in lines}
        box = shapely.bounds(np.array([*pair.outside.values()], dtype=object)).reshape(-1, 4).T
        for zone in zones:
            west, south, east, north = zone.bounds
            near = (box[0] <= east) & (box[2] >= west) & (box[1] <= north) & (box[3] >= south)
            for line in (lines[k] for k in np.flatnonzero(near)):
                pair.outside[line] = self._without(pair.outside[line], zone)
        pair.left = {
            line: shape
            for line, shape in pair.outside.items()
            if line not in common and not shape.is_empty
        }
        return pair

    def _without(self, shape: Any, zone: Any) -> Any:
        """What of a line in the plane lies outside a zone."""
        key = id(shape), id(zone)  # both are kept, so that no other takes their numbers
        if key not in self._cut:
            cut = shapely.difference(shape, zone) if shapely.intersects(zone, shape) else shape
            self._cut[key] = shape, zone, cut
        return self._cut[key][2]

    def zones(self, circuits: list[str], zone_m: float) -> list[Any]:
        """Zones round the end sites of some circuits."""
        records = self.world.records
        ends = (records.by["circuits"][one].get(end) for one in circuits for end in ("a", "b"))
        sites = (records.by["equipment"].get(str(end), {}).get("site") for end in ends)
        return [self._zone(site, zone_m) for site in dict.fromkeys(sites)]

    def _zone(self, site: str | None, zone_m: float) -> Any:
        if (site, zone_m) not in self._round:
            place = self.places.get(str(site))
            if place is None and zone_m <= 0:
                return shapely.Point()
            if place is None:  # it may cover anything
                return shapely.box(-FAR_AWAY_M, -FAR_AWAY_M, FAR_AWAY_M, FAR_AWAY_M)
            wide = zone_m if place.geom_type == "Point" else max(zone_m, OUTLINE_M)
            wide *= self.scale(shapely.centroid(place))
            zone = place.buffer(wide, quad_segs=_ROUND_ZONE)
            shapely.prepare(zone)
            self._round[site, zone_m] = zone
        return self._round[site, zone_m]


def closest_m(plane: Plane, pair: PathPair) -> float | None:
    """Least distance of both paths outside the zones; None where nothing is left of one.

    The plane says which pieces, of `STRAIGHT_M` at most, come about as close as any: its
    scale differs over the plant by less than the share by which others may lie closer in it.
    """
    first, second = (
        _pieces([pair.outside[item.line] for item in lines]) for lines in (pair.first, pair.second)
    )
    if not len(first) or not len(second):
        return None
    places = shapely.centroid(np.concatenate([first, second]))
    away = np.hypot(shapely.get_x(places), shapely.get_y(places))
    scales = [plane.scale(places[at]) for at in (away.argmin(), away.argmax())]
    tree = shapely.STRtree(second)
    mine, theirs = tree.query_nearest(first, all_matches=False)
    least = float(shapely.distance(first[mine], second[theirs]).min())
    reach = least * max(scales) / min(scales) * (1 + 2 * _SCALE_STEP) + TOUCH_M
    mine, theirs = tree.query(first, predicate="dwithin", distance=reach)
    return min(plane.metres(first[a], second[b]) for a, b in zip(mine, theirs, strict=True))


def _pieces(shapes: list[Any]) -> Any:
    """The straight pieces of some lines, and points where no more is left of one."""
    parts = shapely.get_parts(shapes)
    points, owner = shapely.get_coordinates(parts, return_index=True)
    onward = owner[1:] == owner[:-1]
    straight = shapely.linestrings(np.stack([points[:-1][onward], points[1:][onward]], axis=1))
    alone = shapely.get_num_coordinates(parts) == 1
    return np.concatenate([straight, parts[alone]])


def meetings(pair: PathPair, reach_m: float, widest: float) -> list[tuple[Line, Line]]:
    """Lines of the first and second path that come within a distance of each other.

    `widest` is at least the scale of the plane anywhere there.
    """
    first = [line for line in dict.fromkeys(item.line for item in pair.first) if line in pair.left]
    second = [
        line for line in dict.fromkeys(item.line for item in pair.second) if line in pair.left
    ]
    tree = shapely.STRtree([pair.left[line] for line in second])
    reach_m *= widest
    mine = [pair.left[line] for line in first]
    close = tree.query(mine, predicate="dwithin", distance=reach_m) if mine else ((), ())
    return [(first[a], second[b]) for a, b in sorted(zip(*close, strict=True))]


def near_rows(plane: Plane, pair: PathPair, limits: LeastDistances) -> list[NearRow]:
    """Every stretch of the first path within the limits of the second, line by line.

    Ordered along the first path.
    """
    found = []
    at = grouped((item.line, item) for item in pair.first)
    for one, other in meetings(pair, limits.widest_m + TOUCH_M, plane.world.records.widest):
        limit = limits.of_m(one[0], other[0])
        if limit <= 0:
            continue
        facing, (line, length) = pair.left[other], plane.line(one)
        place = shapely.Point(shapely.shortest_line(pair.left[one], facing).coords[0])
        scale = plane.scale(place)
        wide = (limit + _ROUNDING_M) * scale
        for shape in _joined(pair.left[one].intersection(facing.buffer(wide, quad_segs=_ROUND))):
            points = shapely.points(shapely.get_coordinates(shape)[[0, -1]])
            low, high = sorted(shapely.line_locate_point(line, points) * length / line.length)
            away = float(shape.distance(facing)) / scale
            for item in at[one]:
                begin, end = (length - high, length - low) if item.backward else (low, high)
                begin, end = item.at_m + float(begin), item.at_m + float(end)
                found.append(NearRow(one, other, away, begin, end, limit, shape, scale))
    return sorted(found, key=lambda row: (row.from_m, row.to_m))


def _joined(shape: Any) -> list[Any]:
    """The parts of an intersection: lines put together where they meet, and single points."""
    parts = [part for part in shapely.get_parts(shape) if not part.is_empty]
    lines = [part for part in parts if part.geom_type == "LineString"]
    merged: Any = (
        shapely.get_parts(shapely.line_merge(shapely.MultiLineString(lines))) if lines else []
    )
    return [*merged, *(part for part in parts if part.geom_type == "Point")]


def stretches(rows: list[NearRow]) -> list[list[NearRow]]:
    """Group rows that meet or overlap along the path."""
    found: list[list[NearRow]] = []
    reached = float("-inf")
    for row in rows:
        if not found or row.from_m > reached + 1e-3:
            found.append([])
            reached = float("-inf")
        found[-1].append(row)
        reached = max(reached, row.to_m)
    return found


def folds(plane: Plane, pair: PathPair, limits: LeastDistances) -> list[tuple[NearRow, set[str]]]:
    """Near rows along the first path, each with what it may be folded under.

    Empty where it stands. '?': too close to tell. What is left along one path when common
    holders are out, and all that it faces along the other, fold together or not at all.
    """
    rows = near_rows(plane, pair, limits) if limits.widest_m > 0 else []
    if not rows:
        return []
    under: dict[int, set[str]] = {}
    runs: list[tuple[list[NearRow], set[str]]] = []
    back = near_rows(plane, pair.turned, limits)
    for group in (*stretches(rows), *stretches(back)):
        held = [common_holders(plane.world, row.one[0], row.other[0], pair.shared) for row in group]
        under |= {id(row): names for row, names in zip(group, held, strict=True) if names}
        beside = {name for name in pair.avoidable if name in plane.places}.union(*held)
        rest = [row for row in group if id(row) not in under]
        runs += [(run, _near_all(plane, run, beside)) for run in stretches(rest)]
    while runs:
        together = [runs.pop()]
        for run, _ in together:  # grows as it goes
            facing = [one for one in runs if _face(run, one[0])]
            runs = [one for one in runs if one not in facing]
            together += facing
        names = set.intersection(*(found - {"?"} for _, found in together))
        names |= {"?"} if any("?" in found for _, found in together) else set()
        under |= {id(row): names for run, _ in together for row in run}
    return [(row, under[id(row)]) for row in rows]


def _face(run: list[NearRow], other: list[NearRow]) -> bool:
    """Whether any stretch of one path comes near a stretch of the other."""
    return any(
        (one.one, one.other) == (two.other, two.one)
        and one.shape.distance(two.shape) <= (one.limit_m + _ROUNDING_M) * one.scale
        for one in run
        for two in other
    )


def _near_all(plane: Plane, run: list[NearRow], beside: set[str]) -> set[str]:
    """What all of a run lies near enough to; '?' with what is too close to tell."""
    length = max(row.to_m for row in run) - run[0].from_m
    reach = FOLD_RATIO * max(row.limit_m for row in run)
    found = set()
    for name in beside:
        shape = plane.places.get(name)
        shape = plane.line((name, 0.0, 1.0))[0] if shape is None else shape
        away = max(
            shapely.Point(point).distance(shape) / row.scale
            for row in run
            for point in shapely.get_coordinates(row.shape)
        )
        unclear = abs(away - reach) < 0.05 or abs(length - 2 * reach) < 0.05
        if unclear and away <= reach + 0.05 and length <= 2 * reach + 0.05:
            found |= {"?", name}
        elif away <= reach and length <= 2 * reach:
            found.add(name)
    return found


def common_holders(world: World, one: str, other: str, shared: set[str]) -> set[str]:
    """Shared segments and structures that two segments both are or lie within.

    Parameters
    ----------
    world : World
    one, other : str
        Ids of the segments.
    shared : set of str
        What both paths rely on.

    Returns
    -------
    set of str
    """
    return {
        str(name)
        for name in world.leads(one) & world.leads(other) & shared
        if name in world.ground.ends or name in world.records.by["structures"]
    }


def crossing_places(pair: PathPair, one: Line, other: Line) -> list[Any]:
    """Places where two lines meet in plan: points, and lines where they run together."""
    close = pair.left[one].intersection(pair.left[other].buffer(TOUCH_M, quad_segs=_ROUND))
    return [part if part.length > OVERLAP_M else part.centroid for part in _joined(close)]


class LeastDistances:
    """Least distances that services require between two segments.

    `loose`: enlarged by the survey accuracy of both.
    """

    def __init__(self, plane: Plane, services: list[dict[str, Any]], *, loose: bool) -> None:
        self._plane, self._loose, self._kind = plane, loose, plane.world.ground.kind
        self._least = {
            (one, other): max(_separation(service, one, other) for service in services)
            for one, other in product(plane.kinds, plane.kinds)
        }
        self.widest_m = max(self._least.values(), default=0.0) + loose * plane.worst_m

    def of_m(self, one: str, other: str) -> float:
        """Required distance between two segments in metres."""
        least, wrong_m = (
            self._least[str(self._kind[one]), str(self._kind[other])],
            self._plane.wrong_m,
        )
        return least + self._loose * (wrong_m[one] + wrong_m[other]) if least > 0 else 0.0


def _by_kinds(stated: Mapping[str, float] | Iterable[str]) -> dict[frozenset[str], Any]:
    """Values of rules by two kinds, such as `duct/span`, in either order."""
    values = stated if isinstance(stated, Mapping) else dict.fromkeys(stated, True)
    return {frozenset(map(str.strip, pair.split("/"))): value for pair, value in values.items()}


def _separation(service: Mapping[str, Any], kind: str, other: str) -> float:
    stated = service["separation_m"]
    if not isinstance(stated, dict):
        return float(stated)
    return float(_by_kinds(stated).get(frozenset((kind, other)), 0.0))


def forbids(service: Mapping[str, Any], kind: str, other: str) -> bool:
    """Whether a service forbids segments of two kinds to cross.

    Parameters
    ----------
    service : mapping
        Its limits.
    kind, other : str

    Returns
    -------
    bool
    """
    stated = service["forbid_cross"]
    return stated if isinstance(stated, bool) else frozenset((kind, other)) in _by_kinds(stated)


# Against the evidence: closest approach, near stretches, crossings


class Breach(NamedTuple):
    """Whether a near approach or crossing counts, or is waived; None: not computed here.

    `loose`: whether one counts if every limit is enlarged by the survey accuracy of both
    segments.
    """

    stands: bool | None
    waived: bool | None
    loose: bool | None


@dataclass
class _Apart:
    """What a circuit or group must keep, and what of it is waived.

    `limits` and `loose`: the least distances, and those enlarged by survey accuracy.
    """

    plane: Plane
    subject: Subject
    waived: Waived
    services: list[dict[str, Any]] = field(init=False)
    limits: LeastDistances = field(init=False)
    loose: LeastDistances = field(init=False)

    def __post_init__(self) -> None:
        """The services of its circuits."""
        records = self.plane.world.records
        self.services = [service_of(records, name) for name in self.subject.trial.circuits]
        self.limits, self.loose = (
            LeastDistances(self.plane, self.services, loose=loose) for loose in (False, True)
        )

    def pair(self, one: Key, other: Key, contest: list[Key]) -> PathPair:
        """Two paths, outside the end zones of all circuits of their contest."""
        zone_m = min(float(service["end_zone_m"]) for service in self.services)
        # Only ends of this contest excuse: under `pairwise` no third member's sites do.
        pair = self.plane.pair(one, other, sorted({key[0] for key in contest}), zone_m)
        in_group = bool(self.subject.trial.group_test)
        both, avoidable = share_contest(self.plane.world, contest, grouped=in_group)
        pair.shared, pair.avoidable = _names(both), _names(avoidable)
        return pair

    def waives(self, one: str, other: str) -> bool:
        """Whether a near approach or crossing is waived."""
        return self.waived.pair(self.subject.trial.id, one, other)

    def may_be_near(self, pair: PathPair) -> bool:
        """Whether something would count if the surveys were as wrong as they may be."""
        return any(
            not names and not self.waives(row.one[0], row.other[0])
            for row, names in folds(self.plane, pair, self.loose)
        )


def check_spacing(
    plane: Plane, subject: Subject, witness: VerdictWitness, waived: Waived, about: About
) -> Breach:
    """Check the near approaches and crossings of one circuit or group.

    Parameters
    ----------
    plane : Plane
    subject : Subject
    witness : VerdictWitness
        What the evidence measured for its verdict.
    waived : Waived
    about : About
        Tallies the claims.

    Returns
    -------
    Breach
        What they mean for the verdict.
    """
    world, (claim, trial, _), order = plane.world, subject, plane.order
    apart = _Apart(plane, subject, waived)
    may_be_wrong = plane.worst_m > 0
    many = any(len(contest) > 2 for contest in trial.contests)
    loose: bool | None = None if many else False
    told = {tuple(one["paths"]): one for one in witness["closest"]}
    measured: list[float] = []
    _check_near_stretches(claim, about)
    left_near, left_cross = near_pairs(claim), [dict[str, Any](one) for one in claim["cross"]]
    crossings = left_cross
    for entry in (*left_near, *left_cross):
        waives = apart.waives(entry["main"], entry["alternate"])
        about.same(f"{_between(entry)} waived", entry["waived"], waives)
    unsure = any(len(one) > 1 and world.unsure(one) for one in trial.contests)
    if unsure:
        about.skip("separation, as the course of a drawn cable is not certain")
    pairs = [(*two, c) for c in trial.contests for two in combinations(c, 2) if not unsure]
    for one, other, contest in pairs:
        pair = apart.pair(one, other, contest)
        mine = About(about.tally, f"{about.what}, {' '.join(one)} and {' '.join(other)}")
        numbered = order[one], order[other]
        closest = _check_closest(plane, pair, told.pop(numbered, None), mine)
        if closest is not None:
            measured.append(closest)
        near = [entry for entry in left_near if _of_pair(entry, one, other)]
        found = _check_near(apart, pair, near, mine)
        left_near = [entry for entry in left_near if id(entry) not in found]
        if may_be_wrong and loose is False:
            loose = apart.may_be_near(pair)
        cross = [entry for entry in left_cross if _of_pair(entry, one, other)]
        found = _check_cross(apart, pair, cross, mine)
        left_cross = [entry for entry in left_cross if id(entry) not in found]
    if not unsure:
        for entry in left_near:
            about.holds(False, f"{_between(entry)} are nowhere nearer than the limit")
        for entry in left_cross:
            about.holds(False, f"{_between(entry)} do not meet where it is said")
        about.holds(not told, "closest approaches of paths that are not held apart")
        about.close("closest", claim["closest_m"], min(measured, default=None), CLOSE_M)
    places = None
    if many and not unsure:
        places = _Alongside(apart, crossings)
        if claim["near"] or claim["cross"]:
            places.lay(apart.limits)
        if may_be_wrong:
            wide = _Alongside(apart, crossings)
            wide.lay(apart.loose)
            loose = wide.meet(with_waived=False)
    stands, some_waived = _breach(claim, places)
    if many and unsure:
        stands = some_waived = None
    return Breach(stands, some_waived, (loose if may_be_wrong else False) or stands)


def near_pairs(claim: Claim, *, folded: bool = True) -> list[dict[str, Any]]:
    """The pairs of all near stretches, each with the fields of its stretch."""
    told = [*claim["near"], *(claim["near_folded"] if folded else ())]
    rows = [dict[str, Any](one) for one in told]
    return [
        {**{name: one[name] for name in ("waived", "under", "paths") if name in one}, **pair}
        for one in rows
        for pair in one["members"]
    ]


def _check_near_stretches(claim: Claim, about: About) -> None:
    """Check that the fields of a near stretch follow from its pairs."""
    for near in (*claim["near"], *claim["near_folded"]):
        one, pairs = dict[str, Any](near), near["members"]
        mine = about.of(f"near {_between(one)}")
        nearest = dict[str, Any](min(pairs, key=lambda pair: pair["distance_m"]))
        for name in ("main", "alternate", "kinds", "at", "distance_m"):
            mine.same(name, one[name], nearest[name])
        mine.same("limit", near["limit_m"], max(pair["limit_m"] for pair in pairs))
        spans = [(pair["from_m"], pair["to_m"]) for pair in pairs]
        ends = min(begin for begin, _ in spans), max(end for _, end in spans)
        mine.same("from and to", (near["from_m"], near["to_m"]), ends)
        mine.close("length", near["length_m"], covered(spans), 0.01)
    for name, rows in (("near", claim["near"]), ("near_folded", claim["near_folded"])):
        right = all(("under" in one) == (name == "near_folded") for one in rows)
        about.holds(right, f"something in {name} does not say what it is folded under")


def _names(assets: Iterable[Asset]) -> set[str]:
    return {one for one in assets if isinstance(one, str)}


def _of_pair(entry: Mapping[str, Any], one: Key, other: Key) -> bool:
    names = [" ".join(one), " ".join(other)]
    return bool(entry.get("paths", names) == names)


def _between(entry: Mapping[str, Any]) -> str:
    return f"{entry['main']} and {entry['alternate']}"


def _check_closest(
    plane: Plane, pair: PathPair, told: Approach | None, about: About
) -> float | None:
    """Check the distance, and that its points lie on the segments, not on zones or common lines."""
    found = closest_m(plane, pair)
    if told is None or found is None:
        missing = told is None and found is None
        about.holds(missing, f"closest approach is {found}, told: {told}")
        return found
    slack = max(CLOSE_M, 1e-6 * found)
    about.close("how close they come", told["distance_m"], found, slack)
    apart = geodesic_m(*told["points"])
    about.close("how far the two points lie apart", told["distance_m"], apart, slack)
    for at, segment, lines in zip(
        told["points"], told["segments"], (pair.first, pair.second), strict=True
    ):
        point = plane.flat(shapely.Point(at))
        mine = [pair.outside[item.line] for item in lines if item.line[0] == segment]
        away = min((shape.distance(point) for shape in mine), default=inf)
        about.holds(away <= PLACE_M, f"a closest point does not lie on {segment} ({away:.2f} m)")
    return found


def _check_near(
    apart: _Apart, pair: PathPair, told: list[dict[str, Any]], about: About
) -> set[int]:
    """Check that every near stretch is claimed, with its distance, length and fold."""
    plane, used = apart.plane, set[int]()
    for row, names in folds(plane, pair, apart.limits):
        entry = next((e for e in told if id(e) not in used and _alike(row, e)), None)
        mine = about.of(f"{row.one[0]} runs {row.distance_m:.3f} m from {row.other[0]}")
        if entry is None:
            at_limit = row.limit_m - row.distance_m < CLOSE_M and row.to_m - row.from_m < 5.0
            mine.holds(at_limit, "the evidence does not tell it")
            continue
        used.add(id(entry))
        mine.close("distance", entry["distance_m"], row.distance_m, CLOSE_M)
        mine.close("limit", entry["limit_m"], row.limit_m, 1e-6)
        place = plane.flat(shapely.Point(entry["at"]))
        far = max(plane.metres(place, shape) for shape in (row.shape, pair.left[row.other]))
        between = far <= row.distance_m / 2 + PLACE_M
        mine.holds(between, f"not about {entry['at']}, {far:.2f} m off")
        folded = entry.get("under")
        right = folded in names if folded is not None else not names or "?" in names
        mine.holds(right, f"folded under {folded}, though it belongs to {sorted(names) or None}")
    # A stretch right at the limit may be claimed though rounding hides it here.
    return used | {id(e) for e in told if id(e) not in used and _at_limit(plane, pair, e)}


def _at_limit(plane: Plane, pair: PathPair, entry: Mapping[str, Any]) -> bool:
    lines = [
        [pair.left[i.line] for i in side if i.line[0] == entry[name] and i.line in pair.left]
        for name, side in (("main", pair.first), ("alternate", pair.second))
    ]
    least = min((plane.metres(a, b) for a, b in product(*lines)), default=inf)
    return bool(abs(least - entry["limit_m"]) < CLOSE_M and entry["length_m"] < 5.0)


def _alike(row: NearRow, entry: Mapping[str, Any]) -> bool:
    if (row.one[0], row.other[0]) != (entry["main"], entry["alternate"]):
        return False
    slack = ALONG_M + 1e-5 * row.to_m + 0.01 * (row.to_m - row.from_m)
    length = abs(entry["length_m"] - (entry["to_m"] - entry["from_m"])) <= 0.01
    ends = abs(entry["from_m"] - row.from_m), abs(entry["to_m"] - row.to_m)
    return bool(length and max(ends) <= slack)


def _check_cross(
    apart: _Apart, pair: PathPair, told: list[dict[str, Any]], about: About
) -> set[int]:
    """Check that every place where lines meet in plan is claimed, unless it is shared."""
    plane, world, used = apart.plane, apart.plane.world, set[int]()
    at_shared = [plane.places[name] for name in pair.shared if name in plane.places]
    for one, other in meetings(pair, 0.0015, world.records.widest):
        names = one[0], other[0]
        kinds = [str(world.ground.kind[name]) for name in names]
        forbidden = any(forbids(service, *kinds) for service in apart.services)
        held = common_holders(world, *names, pair.shared)
        gap = pair.left[one].distance(pair.left[other])
        for place in crossing_places(pair, one, other):
            mine = [
                entry
                for entry in told
                if (entry["main"], entry["alternate"]) == names
                and entry["at"]
                and plane.flat(shapely.Point(entry["at"])).distance(place) <= PLACE_M
            ]
            used |= {id(entry) for entry in mine if not held}
            near = min((shape.distance(place) for shape in at_shared), default=inf)
            excused = near <= world.records.snap_m
            # Lines that run together are claimed even at a shared place; at a small angle
            # it is not certain whether they do.
            doubtful = excused and place.length > 0
            doubtful |= gap > 0.0005 or abs(near - world.records.snap_m) < CLOSE_M
            if not held and not doubtful:
                so = "meet only at something shared" if excused else "meet, which is not told"
                about.holds(bool(mine) != excused, f"{names[0]} and {names[1]} {so}")
            for entry in mine:
                about.same(f"{names} forbidden", entry["forbidden"], forbidden)
    return used


def _breach(claim: Claim, places: _Alongside | None) -> tuple[bool | None, bool | None]:
    """The breach: of two paths any that counts; of more, only at one place on all of them."""
    rows = [row["waived"] for row in near_pairs(claim, folded=False)]
    rows += [row["waived"] for row in claim["cross"] if row["forbidden"]]
    if not rows:
        return False, False
    if places is not None:
        stands = places.meet(with_waived=False)
        return stands, places.meet(with_waived=True) if stands is False else False
    return not all(rows), any(rows)


class _Beside(NamedTuple):
    """A stretch of one path beside, across or on another; `sure` of a line that both follow."""

    begin: float
    end: float
    follows: bool
    waived: bool
    sure: bool


class _Alongside:
    """Where along each of more than two paths the others come near, cross, or are the same.

    Two of many that come close are no breach by themselves. There must be a place on one of them
    where every other one is near, crosses or follows the same line, and not all do the latter.
    """

    def __init__(self, apart: _Apart, crossings: list[dict[str, Any]]) -> None:
        self.apart, self.plane = apart, apart.plane
        self.crossings = [entry for entry in crossings if entry["forbidden"]]
        self.contests = [one for one in apart.subject.trial.contests if len(one) > 2]
        self.beside: dict[tuple[Key, Key], list[_Beside]] = {}

    def lay(self, limits: LeastDistances) -> None:
        """Find all such stretches, under some limits."""
        order = self.plane.order
        for contest in self.contests:
            for one, other in permutations(contest, 2):
                pair = self.apart.pair(one, other, contest)
                found = self.beside.setdefault((one, other), [])
                for row, names in folds(self.plane, pair, limits):
                    if not names or "?" in names:
                        known = self.apart.waives(row.one[0], row.other[0])
                        found.append(_Beside(row.from_m, row.to_m, False, known, not names))
                for entry in self.crossings:
                    if _of_pair(entry, *sorted((one, other), key=order.__getitem__)):
                        found += self._crossed(pair, entry)
                common = {item.line for item in pair.first} & {item.line for item in pair.second}
                found += [
                    _Beside(item.at_m, item.at_m + item.length_m, True, False, True)
                    for item in pair.first
                    if item.line in common
                ]

    def _crossed(self, pair: PathPair, entry: Mapping[str, Any]) -> list[_Beside]:
        """A crossing at every place where the first path of a pair passes it."""
        place = self.plane.flat(shapely.Point(entry["at"]))
        waived = self.apart.waives(entry["main"], entry["alternate"])
        found = []
        for item in pair.first:
            line, length = self.plane.line(item.line)
            crosses = item.line[0] in (entry["main"], entry["alternate"])
            if crosses and line.distance(place) <= PLACE_M:
                into = line.project(place) / line.length * length if line.length else 0.0
                at = item.at_m + (length - into if item.backward else into)
                found.append(_Beside(at, at, False, waived, True))
        return found

    def meet(self, *, with_waived: bool) -> bool | None:
        """Whether all come together somewhere; None where that depends on rounding."""
        answers = {
            any(
                self._on(path, contest, with_waived=with_waived, strict=strict)
                for contest in self.contests
                for path in contest
            )
            for strict in (True, False)
        }
        return answers.pop() if len(answers) == 1 else None

    def _on(self, path: Key, contest: list[Key], *, with_waived: bool, strict: bool) -> bool:
        slack = -ALONG_M if strict else ALONG_M
        sides = [
            [
                (*_wider(one, slack), one.follows)
                for one in self.beside.get((path, other), ())
                if (with_waived or not one.waived) and (one.sure or not strict)
            ]
            for other in contest
            if other != path
        ]
        for place in {begin for side in sides for begin, _, _ in side}:
            on_it = [[f for begin, end, f in side if begin <= place <= end] for side in sides]
            if all(on_it) and not all(all(follows) for follows in on_it):
                return True
        return False


def _wider(one: _Beside, slack: float) -> tuple[float, float]:
    """A stretch made longer or shorter at both ends; what is short keeps its middle."""
    if one.end - one.begin <= -2 * slack:
        middle = (one.begin + one.end) / 2
        return middle - CLOSE_M, middle + CLOSE_M
    return one.begin - slack, one.end + slack


# Against the evidence: what is told twice


def _pairs_of(trial: Trial) -> int:
    """Number of pairs of paths that must be apart."""
    return sum(len(contest) * (len(contest) - 1) // 2 for contest in trial.contests)


def check_told(world: World, subject: Subject, about: About) -> None:
    """Check the separation and end zone required, kinds of segments, repetitions, and paths named.

    For a group the separation is that of its most demanding service.

    Parameters
    ----------
    world : World
    subject : Subject
    about : About
        Tallies the claims.
    """
    claim, trial, _ = subject
    services = [service_of(world.records, circuit) for circuit in trial.circuits]
    most = max(_widest(one["separation_m"]) for one in services)
    known = [
        (_in_either_order(one["separation_m"]), one["end_zone_m"])
        for one in services
        if _widest(one["separation_m"]) == most
    ]
    told = _in_either_order(claim["separation_m"]), claim["end_zone_m"]
    said = f"separation and end zone are {told}, which none of its services requires"
    about.holds(told in known, said)
    many, kind = _pairs_of(trial) > 1, world.ground.kind
    fields: Mapping[str, Any] = claim
    for name in ("near", "near_folded", "cross"):
        rows = fields[name]
        for one in (two for row in rows for two in (row, *row.get("members", ()))):
            kinds = [kind.get(one["main"]), kind.get(one["alternate"])]
            about.same(f"kinds of {_between(one)}", one["kinds"], kinds)
        twice = [one for place, one in enumerate(rows) if one in rows[:place]]
        about.holds(not twice, f"something stands twice in {name}")
        named = all(("paths" in one) == many for one in rows)
        about.holds(named, f"something in {name} does not say between which paths")
    whole = claim["single_points"]["stretches"]
    numbers = {one["stretch"] for one in claim["stretches"]}
    ordered = whole == sorted(set(whole)) and set(whole) <= numbers
    about.holds(ordered, f"single points name stretches {whole}")


def _in_either_order(separation: Any) -> Any:
    """A separation by kinds with the two kinds of each in one order."""
    return _by_kinds(separation) if isinstance(separation, dict) else separation


def _widest(separation: Any) -> float:
    stated = separation.values() if isinstance(separation, dict) else [separation]
    return max(map(float, stated), default=0.0)


def check_closest(
    subject: Subject, witness: list[Approach], paths: list[str], about: About
) -> None:
    """Check the least of the closest approaches, and the circles that touch both or all paths.

    Parameters
    ----------
    subject : Subject
    witness : list of Approach
        The closest approach of each two paths.
    paths : list of str
        Names of all paths, by which the witness numbers them.
    about : About
        Tallies the claims.
    """
    claim, trial, _ = subject
    least, told, count = claim["closest_m"], claim.get("closest"), _pairs_of(trial)
    about.same("separation", claim["separation"], "not examined" if least is None else "measured")
    pairs = [tuple(one["paths"]) for one in witness]
    about.same("closest approaches told twice", len(pairs), len(set(pairs)))
    if not about.holds((told is None) == (least is None), "closest approach"):
        return
    if told is None or least is None:
        return
    about.same("whether closest names its paths", "paths" in told, count > 1)
    about.same("closest distance", told["distance_m"], least)
    ends = told["main_at"], told["alternate_at"]
    mine = [
        one
        for one in witness
        if told.get("paths") in (None, [paths[place] for place in one["paths"]])
        and one["segments"] == [told["main"], told["alternate"]]
        and abs(one["distance_m"] - least) <= HALF_M
        and all(
            abs(rounded - exact) <= PLACE_DEG
            for place, at in zip(one["points"], ends, strict=True)
            for rounded, exact in zip(at, place, strict=True)
        )
    ]
    if not about.holds(bool(mine), "closest is no closest approach of its witness"):
        return
    whole = count > 1 and trial.group_test != "pairwise"
    half, at = None if whole else least / 2, told["danger_at"]
    about.close("danger radius", told["danger_radius_m"], half, HALF_M)
    if half is None:
        about.same("place of a danger radius", at, None)
        every = max(one["distance_m"] for one in witness) / 2 if len(witness) == count else None
        stated, bound = "danger_radius_at_least_m" in told, told.get("danger_radius_at_least_m")
        same = bound is every if bound is None or every is None else abs(bound - every) <= HALF_M
        about.holds(stated and same, f"danger radius is at least {every}, not {bound}")
    else:
        about.same("bound", told.get("danger_radius_at_least_m"), None)
        away = [geodesic_m(at, end) for end in ends] if at else [inf]
        about.holds(max(away) <= half + MIDDLE_M, f"the danger radius is not about {at}")


# Against the evidence: stretches of shared things


def check_shared_stretches(plane: Plane, subject: Subject, about: About) -> None:
    """Check that every shared asset stands in its stretch and that its chains lead there.

    Parameters
    ----------
    plane : Plane
    subject : Subject
    about : About
        Tallies the claims.
    """
    world, (claim, trial, shared) = plane.world, subject
    found = {name_of(one): one for one in shared.avoidable}
    in_group = trial.group_test is not None
    names = {key: " ".join(key) if in_group else key[1] for key in trial.paths}
    labels = {label: key for key, label in names.items()}
    counted = [one["stretch"] for one in claim["stretches"]]
    about.same("stretches", counted, list(range(1, len(counted) + 1)))
    entries = {one["asset"]: one for one in claim["shared"]}
    listed = [(name, one) for one in claim["stretches"] for name in one["members"]]
    held = [(name, one) for one in claim["stretches"] for name in one["holders"]]
    told = [(name, one["stretch"]) for name, one in (*listed, *held)]
    stated = [(name, one["stretch"]) for name, one in entries.items()]
    about.same("what stands in which stretch", sorted(told), sorted(stated))
    for name, one in listed:
        if name not in found or name not in entries:
            continue
        mine = about.of(f"shared {name}")
        mine.same("waived", one["waived"], entries[name]["waived"])
        for label, chain in one["via"].items():
            key = labels.get(label)
            leads = key is not None and _leads(world, key, trial, chain, found[name])
            mine.holds(leads, f"the chain {' - '.join(chain)} of {label} does not lead there")
        on_it = {label for label, key in labels.items() if found[name] in world.relied[key]}
        if trial.group_test == "pairwise":  # one path of each member
            firsts = ([names[key] for key in side if names[key] in on_it] for side in trial.sides)
            on_it = {on_side[0] for on_side in firsts if on_side}
        mine.same_set("chains", list(one["via"]), on_it)
    for one in claim["stretches"]:
        _check_along(plane, one, labels, about.of(f"stretch {one['stretch']}"))


def _check_along(plane: Plane, told: Stretch, labels: Mapping[str, Key], about: About) -> None:
    """Check that a stretch runs from its first member to its last along every path.

    Where the course of a drawn cable is not certain, places along it are not either.
    """
    by, along = plane.world.records.by, told["along"]
    members = [by["joints"].get(one, {}).get("at", one) for one in told["members"]]
    keys = {label: labels[label] for label in told["via"] if label in labels}
    if plane.world.unsure(keys.values()):
        return
    places = {label: plane.places_on(key) for label, key in keys.items()}
    on_line = all(one in mine for mine in places.values() for one in members)
    plant = {*by["structures"], *by["segments"], *by["joints"]}
    due = sorted(places) if on_line and plant.issuperset(told["members"]) else []
    about.same("paths along which it lies", sorted(along), due)
    first = next(iter(places), None)
    if on_line and first is not None:
        begins = [places[first][one][0] for one in members]
        ordered = all(one <= two + ALONG_M for one, two in pairwise(begins))
        about.holds(ordered, f"its members do not stand in the order of {first}")
    for label in set(along) & set(places):
        ends = [places[label].get(one, (0.0, 0.0)) for one in members]
        begin, end = min(one[0] for one in ends), max(one[1] for one in ends)
        stated, slack = along[label], ALONG_M + 1e-5 * end
        right = max(abs(stated["from_m"] - begin), abs(stated["to_m"] - end)) <= slack
        about.holds(right, f"along {label} from {begin:.2f} to {end:.2f} m, not {stated}")
    if (told["at"] is not None) != bool(along):
        about.holds(False, f"its place is {told['at']}")
    elif told["at"] is not None and first is not None:
        begin, end = places[first].get(members[0], (0.0, 0.0))
        away = plane.away_m(labels[first], (begin + end) / 2, told["at"])
        slack = PLACE_M + 1e-4 * (end - begin)
        about.holds(away <= slack, f"{members[0]} lies {away:.2f} m off")


def _leads(world: World, path: Key, trial: Trial, chain: list[str], asset: Asset) -> bool:
    """Whether each of a chain's members is a direct reason for the next."""
    side = next((side for side in trial.sides if path in side), [path])
    links = {link for key in side for link in world.paths[key]}
    if not chain or chain[0] not in links:
        return False
    if isinstance(asset, tuple):
        return asset[1] in links
    steps = pairwise([*chain, asset])
    items = world.reliance.items[chain[0]]
    return all(
        two in (items if place == 0 else _direct(world, one))
        for place, (one, two) in enumerate(steps)
    )


def _direct(world: World, asset: str) -> set[Asset]:
    """What an asset is a direct reason for: its parts, holders, hazards, ends and needs."""
    cables, joints_of = world.cables, world.records.joints_of
    found = {*world.reliance.holders.get(asset, ()), *world.reliance.works.get(asset, ())}
    if asset in world.ground.ends:
        found |= set(world.ground.nodes(asset))
    if asset in cables.chain:
        found |= {step.segment for step in cables.chain[asset]}
        found |= {node for node, _ in cables.nodes(asset) if node is not None}
        found |= {str(cables.carrier[asset]), *joints_of.get(asset, ()), *joints_of.get(None, ())}
    return found
