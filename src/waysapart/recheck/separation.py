"""How far apart two paths run, by a plain comparison of every segment with every other.

Everything is drawn in one conformal plane about the middle of the plant
(stereographic), with long straight stretches divided along the geodesic first. In
a conformal plane lengths about a place are those on the ground times the scale
there, whatever their direction; so every distance is divided by the scale of the
place where it is measured. What lies too far apart for that is measured along the
geodesic between the two places.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations, pairwise, permutations
from typing import Any, NamedTuple

import numpy as np
import shapely
from pyproj import Proj, Transformer
from shapely.ops import substring

from waysapart.recheck.evidence import Tally
from waysapart.recheck.plant import GEOD, stretch
from waysapart.recheck.records import LON_LAT, carried
from waysapart.recheck.reliance import Asset, Key, Trial, World, name_of, service_of
from waysapart.recheck.sharing import Shared, Waived, share_contest

STRAIGHT_M = 500.0

FAR_AWAY_M = 1e9
"""Beyond any plant, in the plane."""

FAR_M = 1_000.0
"""Beyond this a distance is that of the geodesic between the two places."""

TOUCH_M = 0.001

OUTLINE_M = 0.01
"""Where a polygon's zone has no width, its outline belongs to it still."""

OVERLAP_M = 0.1

FOLD_RATIO = 10.0

_ROUNDING_M = 1e-6

_ROUND = 256

_MOST_SCALE = 1.1
"""Greatest scale of the plane anywhere within 3,000 km of its middle, rounded up."""

_ROUND_ZONE = 1024

_SCALE_STEP = 3e-6
"""By how much the scale differs between the places, 100 m apart, where it is worked out."""

Line = tuple[str, float, float]
"""A segment and the fractions between which a path follows it."""


class Followed(NamedTuple):
    """A line of a path: from where along the path, how long, and in which direction."""

    line: Line
    at_m: float
    length_m: float
    backward: bool


class Near(NamedTuple):
    """A stretch of a line of the first path within the limit of a line of the second.

    `shape` is in the plane, `scale` how much longer it is there than on the ground.
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
    """Two paths held apart.

    `outside` is what lies outside the end zones of each line; `left` the same without
    the lines that both follow, which are shared assets and no approach.
    """

    paths: tuple[Key, Key]
    first: list[Followed]
    second: list[Followed]
    outside: dict[Line, Any] = field(default_factory=dict)
    left: dict[Line, Any] = field(default_factory=dict)


class Plane:
    """The plane in which a study is measured, and the lines of its paths there."""

    def __init__(self, world: World) -> None:
        self.world = world
        ground = world.ground
        to_degrees = Transformer.from_crs(ground.records.crs, LON_LAT, always_xy=True)

        def degrees(role: str) -> dict[str, Any]:
            rows = [row for row in ground.records.rows[role] if row["geometry"] is not None]
            shapes = carried([row["geometry"] for row in rows], to_degrees)
            return {row["id"]: shape for row, shape in zip(rows, shapes, strict=True)}

        segments = degrees("segments")
        middle = ground.records.middle() or (0.0, 0.0)
        run_on = _unwrapped(list(segments.values()), middle[0])
        segments = dict(zip(segments, run_on, strict=True))
        stereographic = f"+proj=stere +lat_0={middle[1]} +lon_0={middle[0]} +datum=WGS84 +units=m"
        self._flat = Transformer.from_crs(LON_LAT, stereographic, always_xy=True)
        self._factors = Proj(stereographic)
        self._segments = segments
        rows = ground.records.by["segments"]
        self.kinds = {str(row["kind"]) for row in rows.values()}
        self.wrong_m = {name: _wrong_m(row) for name, row in rows.items()}
        self._lines: dict[Line, tuple[Any, float]] = self._whole(segments)
        self._boxes: dict[Line, tuple[float, float, float, float]] = {}
        self._cut: dict[tuple[int, int], tuple[Any, Any, Any]] = {}
        places = {**degrees("sites"), **degrees("structures")}
        flat = self.flat(list(places.values()))
        self.places: dict[str, Any] = dict(zip(places, flat, strict=True))
        self._followed: dict[Key, list[Followed]] = {}
        self._round: dict[tuple[str | None, float], Any] = {}
        self._scales: dict[tuple[float, float], float] = {}

    @cached_property
    def order(self) -> dict[Key, int]:
        """Every path with its place among the paths."""
        return {key: place for place, key in enumerate(self.world.paths)}

    def _whole(self, segments: dict[str, Any]) -> dict[Line, tuple[Any, float]]:
        """All segments from end to end, at once."""
        shapes = self.flat([_divided(line) for line in segments.values()])
        return {
            (name, 0.0, 1.0): (shape, GEOD.geometry_length(line))
            for (name, line), shape in zip(segments.items(), shapes, strict=True)
        }

    def flat(self, shape: Any) -> Any:
        """A shape in longitude and latitude, in the plane."""
        return carried(shape, self._flat)

    def degrees(self, place: Any) -> tuple[float, float]:
        """Longitude and latitude of a point in the plane."""
        lon, lat = self._factors(place.x, place.y, inverse=True)
        return float(lon), float(lat)

    def scale(self, place: Any) -> float:
        """How much longer anything about a point is in the plane than on the ground.

        Worked out every 100 m: up to 3,000 km from the middle it differs by less than 3e-6
        between these, 3 mm in the longest distance that is measured so.
        """
        near = round(place.x, -2), round(place.y, -2)
        if near not in self._scales:
            degrees = self._factors(*near, inverse=True)
            self._scales[near] = float(self._factors.get_factors(*degrees).meridional_scale)
        return self._scales[near]

    def metres(self, one: Any, other: Any) -> float:
        """How far two shapes in the plane lie apart on the ground."""
        places = [shapely.Point(at) for at in shapely.shortest_line(one, other).coords]
        away = places[0].distance(places[1]) / self.scale(places[0])
        if away < FAR_M:
            return float(away)
        return float(GEOD.inv(*self.degrees(places[0]), *self.degrees(places[1]))[2])

    def line(self, line: Line) -> tuple[Any, float]:
        """A line in the plane, and its length."""
        if line not in self._lines:
            part = substring(self._segments[line[0]], *line[1:], normalized=True)
            self._lines[line] = self.flat(_divided(part)), GEOD.geometry_length(part)
        return self._lines[line]

    def _box(self, line: Line) -> tuple[float, float, float, float]:
        if line not in self._boxes:
            self._boxes[line] = self.line(line)[0].bounds
        return self._boxes[line]

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
            turned = bool(hop.ways) and back != next(iter(hop.turned.values()))
            uses = hop.uses()[::-1] if turned else hop.uses()
            for use in uses:
                steps = stretch(world.cables, use)
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
                place = self.line(item.line)[0].interpolate(part, normalized=True)
                away = min(away, self.metres(place, told))
        return away

    def pair(self, one: Key, other: Key, circuits: list[str], zone_m: float) -> PathPair:
        """Two paths, with what lies in the end zones of some circuits cut off."""
        first, second = self.followed(one), self.followed(other)
        common = {item.line for item in first} & {item.line for item in second}
        pair = PathPair((one, other), first, second)
        zones = self.zones(circuits, zone_m)
        lines = list(dict.fromkeys(item.line for item in (*first, *second)))
        pair.outside = {line: self.line(line)[0] for line in lines}
        box = np.array([self._box(line) for line in lines]).reshape(-1, 4).T
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


def _unwrapped(lines: list[Any], middle: float) -> Any:
    """Lines whose longitudes run on, without a leap, about a meridian."""

    def run_on(points: Any) -> Any:
        found = points.copy()
        found[:, 0] = (points[:, 0] - middle + 180.0) % 360.0 - 180.0 + middle
        return found

    return shapely.transform(lines, run_on)


def _divided(line: Any) -> Any:
    """A line with vertices along the geodesic where it runs straight for long."""
    points = list(line.coords)
    found = points[:1]
    for (x0, y0), (x1, y1) in pairwise(points):
        metres = GEOD.inv(x0, y0, x1, y1)[2]
        if metres > STRAIGHT_M:
            found += GEOD.npts(x0, y0, x1, y1, int(metres // STRAIGHT_M) + 1)
        found.append((x1, y1))
    return shapely.LineString(found)


def _wrong_m(row: dict[str, Any]) -> float:
    """How far a segment may lie from its record."""
    own = row.get("accuracy_m")
    return float(row["_accuracy_m"] if own is None else own + row["_shift_m"])


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


def meetings(pair: PathPair, reach_m: float) -> list[tuple[Line, Line]]:
    """Lines of the first and second path that come within a distance of each other."""
    first = [line for line in dict.fromkeys(item.line for item in pair.first) if line in pair.left]
    second = [
        line for line in dict.fromkeys(item.line for item in pair.second) if line in pair.left
    ]
    tree = shapely.STRtree([pair.left[line] for line in second])
    reach_m *= _MOST_SCALE
    mine = [pair.left[line] for line in first]
    close = tree.query(mine, predicate="dwithin", distance=reach_m) if mine else ((), ())
    return [(first[a], second[b]) for a, b in sorted(zip(*close, strict=True))]


def near_rows(
    plane: Plane, pair: PathPair, limit_of: Callable[[str, str], float], widest_m: float
) -> list[Near]:
    """Every stretch of the first path within the limit of the second, line by line.

    `limit_of` two segments, in metres, at most `widest_m`. Ordered along the first path.
    """
    found = []
    at: dict[Line, list[Followed]] = {}
    for item in pair.first:
        at.setdefault(item.line, []).append(item)
    for one, other in meetings(pair, widest_m + TOUCH_M):
        limit = limit_of(one[0], other[0])
        if limit <= 0:
            continue
        facing = pair.left[other]
        line, length = plane.line(one)
        place = shapely.Point(shapely.shortest_line(pair.left[one], facing).coords[0])
        scale = plane.scale(place)
        wide = (limit + _ROUNDING_M) * scale
        close = pair.left[one].intersection(facing.buffer(wide, quad_segs=_ROUND))
        for shape in _joined(close):
            ends = [
                line.project(shapely.get_point(shape, k)) * length / line.length for k in (0, -1)
            ]
            if shape.geom_type == "Point":
                ends = [line.project(shape) * length / line.length] * 2
            low, high = min(ends), max(ends)
            for item in at[one]:
                begin, end = (length - high, length - low) if item.backward else (low, high)
                found.append(
                    Near(
                        one,
                        other,
                        float(shape.distance(facing)) / scale,
                        item.at_m + begin,
                        item.at_m + end,
                        limit,
                        shape,
                        scale,
                    )
                )
    return sorted(found, key=lambda row: (row.from_m, row.to_m))


def _joined(shape: Any) -> list[Any]:
    """The parts of an intersection: lines put together where they meet, and single points."""
    parts = [part for part in shapely.get_parts(shape) if not part.is_empty]
    lines = [part for part in parts if part.geom_type == "LineString"]
    merged: Any = (
        shapely.get_parts(shapely.line_merge(shapely.MultiLineString(lines))) if lines else []
    )
    return [*merged, *(part for part in parts if part.geom_type == "Point")]


def stretches(rows: list[Near]) -> list[list[Near]]:
    """Rows that meet or overlap along the path, together."""
    found: list[list[Near]] = []
    reached = float("-inf")
    for row in rows:
        if not found or row.from_m > reached + 1e-3:
            found.append([])
            reached = float("-inf")
        found[-1].append(row)
        reached = max(reached, row.to_m)
    return found


def folds(
    plane: Plane,
    pair: PathPair,
    limit_of: Callable[[str, str], float],
    widest_m: float,
    shared: set[str],
    avoidable: set[str],
) -> list[tuple[Near, set[str]]]:
    """Near rows along the first path, each with what it may be folded under.

    Empty where it stands. '?': too close to tell. What is left along one path when common
    holders are out, and all that it faces along the other, fold together or not at all.
    """
    rows = near_rows(plane, pair, limit_of, widest_m) if widest_m > 0 else []
    if not rows:
        return []
    turned = PathPair(pair.paths[::-1], pair.second, pair.first, pair.outside, pair.left)
    back = near_rows(plane, turned, limit_of, widest_m)
    under: dict[int, set[str]] = {}
    runs: list[tuple[list[Near], set[str]]] = []
    for side in (rows, back):
        for group in stretches(side):
            held = [common_holders(plane.world, row.one[0], row.other[0], shared) for row in group]
            under |= {id(row): names for row, names in zip(group, held, strict=True) if names}
            beside = {name for name in avoidable if name in plane.places}
            beside |= {name for names in held for name in names}
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


def _face(run: list[Near], other: list[Near]) -> bool:
    """Whether anything of one path's run comes near something of the other path's."""
    return any(
        (one.one, one.other) == (two.other, two.one)
        and one.shape.distance(two.shape) <= (one.limit_m + _ROUNDING_M) * one.scale
        for one in run
        for two in other
    )


def _near_all(plane: Plane, run: list[Near], beside: set[str]) -> set[str]:
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
    """Shared segments and structures that two segments both are or lie within."""
    return {
        str(name)
        for name in world.leads(one) & world.leads(other) & shared
        if name in world.ground.ends or name in world.records.by["structures"]
    }


def crossing_places(pair: PathPair, one: Line, other: Line) -> list[Any]:
    """Places where two lines meet in plan: points, and lines where they run together."""
    close = pair.left[one].intersection(pair.left[other].buffer(TOUCH_M, quad_segs=_ROUND))
    return [part if part.length > OVERLAP_M else part.centroid for part in _joined(close)]


CLOSE_M = 0.01
"""How far figures of the evidence may lie from ours: rounding, and two ways of measuring."""

ALONG_M = 0.1

PLACE_M = 0.05


class Breach(NamedTuple):
    """Whether something near or crossing stands, or is waived; None: not worked out here.

    `loose`: whether something does where every limit is wider by what the records of both
    segments may be wrong.
    """

    stands: bool | None
    waived: bool | None
    loose: bool | None


@dataclass
class LeastDistances:
    """Least distances that a trial's services ask of two segments."""

    plane: Plane
    services: list[dict[str, Any]]

    def least_m(self, one: str, other: str) -> float:
        """What the rules ask for between two segments."""
        kind = self.plane.world.ground.kind
        return max(_separation(s, str(kind[one]), str(kind[other])) for s in self.services)

    def loose_m(self, one: str, other: str) -> float:
        """The same and what the records of both may be wrong."""
        least = self.least_m(one, other)
        return least + self.wrong_m(one) + self.wrong_m(other) if least > 0 else 0.0

    def wrong_m(self, segment: str) -> float:
        """How far a segment may lie from its record."""
        return self.plane.wrong_m[segment]

    def widest_m(self) -> float:
        """The greatest that the rules ask for between any two."""
        kinds = self.plane.kinds
        each = (_separation(s, a, b) for s in self.services for a in kinds for b in kinds)
        return max(each, default=0.0)


def check_spacing(
    plane: Plane,
    claim: dict[str, Any],
    witness: dict[str, Any],
    trial: Trial,
    shared: Shared,
    waived: Waived,
    findings: Tally,
) -> Breach:
    """Check one circuit or group; what its near approaches and crossings mean for the verdict."""
    world = plane.world
    what = f"{'group' if trial.group_test else 'circuit'} {trial.id}"
    services = [service_of(world.records, circuit) for circuit in trial.circuits]
    zone = min(float(one["end_zone_m"]) for one in services)
    limits = LeastDistances(plane, services)
    worst = 2 * max(plane.wrong_m.values(), default=0.0)
    many = any(len(contest) > 2 for contest in trial.contests())
    loose: bool | None = None if many else False
    order = plane.order
    told = {tuple(one["paths"]): one for one in witness["closest"]}
    measured: list[float] = []
    _check_near_stretches(claim, what, findings)
    left_near, left_cross = near_pairs(claim), [*claim["cross"]]
    pairs = [pair for contest in trial.contests() for pair in combinations(contest, 2)]
    unsure = any(world.relied[key] & world.cables.unsure for pair in pairs for key in pair)
    if unsure:
        findings.skip(f"{what}: separation, as the course of a drawn cable is not certain")
    for one, other in pairs:
        if unsure:
            continue
        # Only what is held apart here ends here: under `pairwise` no third member's sites excuse.
        ends = sorted({key[0] for key in _contest(trial, one, other)})
        pair = plane.pair(one, other, ends, zone)
        said = f"{what}, {one[0]} {one[1]} and {other[0]} {other[1]}"
        closest = _check_closest(
            plane, pair, told.pop((order[one], order[other]), None), said, zone, trial, findings
        )
        if closest is not None:
            measured.append(closest)
        both, avoidable, _ = share_contest(
            world, _contest(trial, one, other), grouped=bool(trial.group_test)
        )
        mine = [e for e in left_near if _of_pair(e, one, other)]
        found = _check_near(
            plane, pair, limits, mine, _names(both), _names(avoidable), said, findings
        )
        left_near = [e for e in left_near if id(e) not in found]
        if worst and loose is False:
            loose = _may_be_near(
                limits, pair, worst, _names(both), _names(avoidable), waived, trial
            )
        crossing = [e for e in left_cross if _of_pair(e, one, other)]
        done = _check_cross(plane, pair, services, crossing, _names(both), said, findings)
        left_cross = [e for e in left_cross if id(e) not in done]
    if not unsure:
        for entry in left_near:
            findings.holds(False, f"{what}: {_between(entry)} are nowhere nearer than the limit")
        for entry in left_cross:
            findings.holds(False, f"{what}: {_between(entry)} do not meet where it is said")
        findings.holds(not told, f"{what}: closest approaches of paths that are not held apart")
        least = claim["closest_m"]
        same = (least is None) == (not measured)
        same = same and (least is None or abs(least - min(measured)) <= CLOSE_M)
        findings.holds(same, f"{what}: closest is {min(measured, default=None)}, not {least} m")
    for entry in (*near_pairs(claim), *claim["cross"]):
        known = waived.pair(trial.id, entry["main"], entry["alternate"])
        findings.same(f"{what}: {_between(entry)} waived", entry["waived"], known)
    places = None
    if many and not unsure:
        places = _Alongside(plane, trial, limits, waived)
        if claim["near"] or claim["cross"]:
            places.lay(claim, zone, limits.least_m, limits.widest_m())
        if worst:
            wide = _Alongside(plane, trial, limits, waived)
            wide.lay(claim, zone, limits.loose_m, limits.widest_m() + worst)
            loose = wide.meet(with_waived=False)
    stands, some_waived = _breach(claim, places)
    if many and unsure:
        stands = some_waived = None
    return Breach(stands, some_waived, (loose if worst else False) or stands)


def near_pairs(claim: dict[str, Any], *, folded: bool = True) -> list[dict[str, Any]]:
    """The pairs of all near stretches, each with what its stretch says of all of them."""
    return [
        {**{name: one[name] for name in ("waived", "under", "paths") if name in one}, **pair}
        for one in (*claim["near"], *(claim["near_folded"] if folded else ()))
        for pair in one["members"]
    ]


def _check_near_stretches(claim: dict[str, Any], what: str, findings: Tally) -> None:
    """What a near stretch says of itself follows from its pairs."""
    for one in (*claim["near"], *claim["near_folded"]):
        pairs, said = one["members"], f"{what}: near {_between(one)}"
        nearest = min(pairs, key=lambda pair: float(pair["distance_m"]))
        for name in ("main", "alternate", "kinds", "at", "distance_m"):
            findings.same(f"{said}: {name}", one[name], nearest[name])
        findings.same(f"{said}: limit", one["limit_m"], max(pair["limit_m"] for pair in pairs))
        ends = min(pair["from_m"] for pair in pairs), max(pair["to_m"] for pair in pairs)
        findings.same(f"{said}: from and to", (one["from_m"], one["to_m"]), ends)
        covered, reached = 0.0, float("-inf")
        for begin, end in sorted((pair["from_m"], pair["to_m"]) for pair in pairs):
            covered += max(0.0, end - max(begin, reached))
            reached = max(reached, end)
        findings.holds(abs(covered - one["length_m"]) <= 0.01, f"{said}: length {covered:.3f} m")
    for name, folded in (("near", False), ("near_folded", True)):
        right = all(("under" in one) == folded for one in claim[name])
        findings.holds(right, f"{what}: something in {name} does not say what it is folded under")


def _names(assets: Any) -> set[str]:
    return {one for one in assets if isinstance(one, str)}


def _contest(trial: Trial, one: Key, other: Key) -> list[Key]:
    return next(c for c in trial.contests() if one in c and other in c)


def _of_pair(entry: dict[str, Any], one: Key, other: Key) -> bool:
    names = [f"{key[0]} {key[1]}" for key in (one, other)]
    return bool(entry.get("paths", names) == names)


def _between(entry: dict[str, Any]) -> str:
    return f"{entry['main']} and {entry['alternate']}"


def _separation(service: dict[str, Any], kind: str, other: str) -> float:
    stated = service["separation_m"]
    if not isinstance(stated, dict):
        return float(stated)
    pairs = {frozenset(map(str.strip, pair.split("/"))): value for pair, value in stated.items()}
    return float(pairs.get(frozenset((kind, other)), 0.0))


def forbids(service: dict[str, Any], kind: str, other: str) -> bool:
    """Whether a service forbids segments of two kinds to cross."""
    stated = service["forbid_cross"]
    if isinstance(stated, bool):
        return stated
    return frozenset((kind, other)) in {frozenset(map(str.strip, p.split("/"))) for p in stated}


def _check_closest(
    plane: Plane,
    pair: PathPair,
    told: dict[str, Any] | None,
    said: str,
    zone_m: float,
    trial: Trial,
    findings: Tally,
) -> float | None:
    """The distance is right, the points lie on the segments, outside zones and common lines."""
    found = closest_m(plane, pair)
    if told is None or found is None:
        findings.holds(
            told is None and found is None, f"{said}: closest approach is {found}, told: {told}"
        )
        return found
    near = abs(told["distance_m"] - found) <= max(CLOSE_M, 1e-6 * found)
    findings.holds(near, f"{said}: they come as close as {found:.3f} m, not {told['distance_m']} m")
    points = [plane.flat(shapely.Point(at)) for at in told["points"]]
    apart = float(GEOD.inv(*told["points"][0], *told["points"][1])[2])
    findings.holds(
        abs(apart - told["distance_m"]) <= max(CLOSE_M, 1e-6 * found),
        f"{said}: the two points lie {apart:.3f} m apart, not {told['distance_m']} m",
    )
    for point, segment, lines in zip(
        points, told["segments"], (pair.first, pair.second), strict=True
    ):
        mine = [pair.outside[item.line] for item in lines if item.line[0] == segment]
        away = min((shape.distance(point) for shape in mine), default=float("inf"))
        findings.holds(
            away <= PLACE_M, f"{said}: a closest point does not lie on {segment} ({away:.2f} m)"
        )
    return found


def _check_near(
    plane: Plane,
    pair: PathPair,
    limits: LeastDistances,
    told: list[dict[str, Any]],
    shared: set[str],
    avoidable: set[str],
    said: str,
    findings: Tally,
) -> set[int]:
    """Every near stretch is told, with its distance, length and what it is folded under."""
    used: set[int] = set()
    for row, names in folds(plane, pair, limits.least_m, limits.widest_m(), shared, avoidable):
        entry = next((e for e in told if id(e) not in used and _alike(row, e)), None)
        what = f"{said}: {row.one[0]} runs {row.distance_m:.3f} m from {row.other[0]}"
        if entry is None:
            at_limit = row.limit_m - row.distance_m < CLOSE_M and row.to_m - row.from_m < 5.0
            findings.holds(at_limit, f"{what}, which the evidence does not tell")
            continue
        used.add(id(entry))
        away = abs(entry["distance_m"] - row.distance_m) <= CLOSE_M
        findings.holds(away, f"{what}, not {entry['distance_m']} m")
        findings.holds(
            abs(entry["limit_m"] - row.limit_m) < 1e-6, f"{what}: the limit is {row.limit_m:g} m"
        )
        place = plane.flat(shapely.Point(entry["at"]))
        far = max(plane.metres(place, shape) for shape in (row.shape, pair.left[row.other]))
        between = far <= row.distance_m / 2 + PLACE_M
        findings.holds(between, f"{what}, but not about {entry['at']}, {far:.2f} m off")
        folded = entry.get("under")
        right = folded in names if folded is not None else not names or "?" in names
        where = f"under {folded}" if folded is not None else "under nothing"
        findings.holds(
            right, f"{what}: folded {where}, though it belongs to {sorted(names) or None}"
        )
    for entry in told:
        # A stretch right at the limit may be told though rounding hides it here.
        if id(entry) not in used and _at_limit(plane, pair, entry):
            used.add(id(entry))
    return used


def _may_be_near(
    limits: LeastDistances,
    pair: PathPair,
    worst_m: float,
    shared: set[str],
    avoidable: set[str],
    waived: Waived,
    trial: Trial,
) -> bool:
    """Whether something would stand if the records were as wrong as they may be."""
    widest = limits.widest_m() + worst_m
    return any(
        not names and not waived.pair(trial.id, row.one[0], row.other[0])
        for row, names in folds(limits.plane, pair, limits.loose_m, widest, shared, avoidable)
    )


def _at_limit(plane: Plane, pair: PathPair, entry: dict[str, Any]) -> bool:
    lines = [
        [pair.left[i.line] for i in side if i.line[0] == entry[name] and i.line in pair.left]
        for name, side in (("main", pair.first), ("alternate", pair.second))
    ]
    least = min((plane.metres(a, b) for a in lines[0] for b in lines[1]), default=float("inf"))
    return bool(abs(least - entry["limit_m"]) < CLOSE_M and entry["length_m"] < 5.0)


def _alike(row: Near, entry: dict[str, Any]) -> bool:
    if (row.one[0], row.other[0]) != (entry["main"], entry["alternate"]):
        return False
    slack = ALONG_M + 1e-5 * row.to_m + 0.01 * (row.to_m - row.from_m)
    length = abs(entry["length_m"] - (entry["to_m"] - entry["from_m"])) <= 0.01
    ends = abs(entry["from_m"] - row.from_m), abs(entry["to_m"] - row.to_m)
    return bool(length and max(ends) <= slack)


def _check_cross(
    plane: Plane,
    pair: PathPair,
    services: list[dict[str, Any]],
    told: list[dict[str, Any]],
    shared: set[str],
    said: str,
    findings: Tally,
) -> set[int]:
    """Every place where lines meet in plan is told, unless it belongs to something shared."""
    world, used = plane.world, set()
    for one, other in meetings(pair, 0.0015):
        names = one[0], other[0]
        kinds = [str(world.ground.kind[name]) for name in names]
        held = common_holders(world, *names, shared)
        gap = pair.left[one].distance(pair.left[other])
        for place in crossing_places(pair, one, other):
            mine = [
                e
                for e in told
                if (e["main"], e["alternate"]) == names
                and e["at"]
                and plane.flat(shapely.Point(e["at"])).distance(place) <= PLACE_M
            ]
            used |= {id(entry) for entry in mine if not held}
            away = [plane.places[n].distance(place) for n in shared if n in plane.places]
            near = min(away, default=float("inf"))
            at_shared = near <= world.records.snap_m
            # Lines that run together are told even at a shared place; at a small angle
            # nobody can tell whether they do.
            doubtful = at_shared and place.length > 0
            doubtful |= gap > 0.0005 or abs(near - world.records.snap_m) < CLOSE_M
            if not held and not doubtful:
                findings.holds(
                    bool(mine) != at_shared,
                    f"{said}: {names[0]} and {names[1]} "
                    + ("meet only at something shared" if at_shared else "meet, which is not told"),
                )
            forbidden = any(forbids(service, *kinds) for service in services)
            for entry in mine:
                findings.same(f"{said}: {names} forbidden", entry["forbidden"], forbidden)
    return used


def _breach(claim: dict[str, Any], places: _Alongside | None) -> tuple[bool | None, bool | None]:
    """Between two ways any that stands is one; among more, it takes one place on all of them."""
    rows = [
        *near_pairs(claim, folded=False),
        *(e for e in claim["cross"] if e["forbidden"]),
    ]
    if not rows:
        return False, False
    if places is not None:
        stands = places.meet(with_waived=False)
        return stands, places.meet(with_waived=True) if stands is False else False
    standing = any(not row["waived"] for row in rows)
    return standing, any(row["waived"] for row in rows)


class _Beside(NamedTuple):
    """A stretch of one path beside, across or on another; `sure` of a line that both follow."""

    begin: float
    end: float
    follows: bool
    waived: bool
    sure: bool


class _Alongside:
    """Where along each of more than two ways the others come near, cross, or are the same.

    Two of many that come close lose nothing by themselves: it takes a place on one of them
    where every other one is near, crosses or follows the same line, and not all the latter.
    """

    def __init__(self, plane: Plane, trial: Trial, limits: LeastDistances, waived: Waived) -> None:
        self.plane, self.trial, self.limits, self.waived = plane, trial, limits, waived
        self.beside: dict[tuple[Key, Key], list[_Beside]] = {}

    def lay(
        self,
        claim: dict[str, Any],
        zone_m: float,
        limit_of: Callable[[str, str], float],
        widest_m: float,
    ) -> None:
        """Find all of it, under the limits of `limit_of` between two segments."""
        grouped = bool(self.trial.group_test)
        for contest in self.trial.contests():
            if len(contest) < 3:
                continue
            both, avoidable, _ = share_contest(self.plane.world, contest, grouped=grouped)
            ends = sorted({key[0] for key in contest})
            for one, other in permutations(contest, 2):
                pair = self.plane.pair(one, other, ends, zone_m)
                found = self.beside.setdefault((one, other), [])
                for row, names in folds(
                    self.plane, pair, limit_of, widest_m, _names(both), _names(avoidable)
                ):
                    if not names or "?" in names:
                        known = self._waived(row.one[0], row.other[0])
                        found.append(_Beside(row.from_m, row.to_m, False, known, not names))
                for entry in claim["cross"]:
                    if entry["forbidden"] and _of_pair(entry, *sorted((one, other), key=self._at)):
                        found += self._crossed(pair, entry)
                common = {item.line for item in pair.first} & {item.line for item in pair.second}
                found += [
                    _Beside(item.at_m, item.at_m + item.length_m, True, False, True)
                    for item in pair.first
                    if item.line in common
                ]

    def _at(self, key: Key) -> int:
        return self.plane.order[key]

    def _waived(self, one: str, other: str) -> bool:
        return self.waived.pair(self.trial.id, one, other)

    def _crossed(self, pair: PathPair, entry: dict[str, Any]) -> list[_Beside]:
        """A crossing at every place where the first path of a pair passes it."""
        place = self.plane.flat(shapely.Point(entry["at"]))
        waived = self._waived(entry["main"], entry["alternate"])
        found = []
        for item in pair.first:
            if item.line[0] not in (entry["main"], entry["alternate"]):
                continue
            line, length = self.plane.line(item.line)
            if line.distance(place) <= PLACE_M:
                into = line.project(place) / line.length * length if line.length else 0.0
                at = item.at_m + (length - into if item.backward else into)
                found.append(_Beside(at, at, False, waived, True))
        return found

    def meet(self, *, with_waived: bool) -> bool | None:
        """Whether all come together somewhere; None where that hangs on rounding."""
        answers = [
            any(
                self._on(path, contest, with_waived=with_waived, strict=strict)
                for contest in self.trial.contests()
                if len(contest) > 2
                for path in contest
            )
            for strict in (True, False)
        ]
        return answers[0] if answers[0] == answers[1] else None

    def _on(self, path: Key, contest: list[Key], *, with_waived: bool, strict: bool) -> bool:
        slack = -ALONG_M if strict else ALONG_M
        sides = []
        for other in contest:
            if other == path:
                continue
            rows = [
                one
                for one in self.beside.get((path, other), ())
                if (with_waived or not one.waived) and (one.sure or not strict)
            ]
            sides.append([(*_wider(one, slack), one.follows) for one in rows])
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


PLACE_DEG = 1.01e-7

HALF_M = 0.002

MIDDLE_M = 0.05


def several(trial: Trial) -> bool:
    """Whether more than two ways are held apart, so that findings have to name which."""
    return sum(len(c) * (len(c) - 1) // 2 for c in trial.contests()) > 1


def check_asked(
    world: World, what: str, claim: dict[str, Any], trial: Trial, findings: Tally
) -> None:
    """The separation asked for, and the end zones: of a group's services one that asks for most."""
    services = [service_of(world.records, circuit) for circuit in trial.circuits]
    most = max(_widest(one["separation_m"]) for one in services)
    known = [one for one in services if _widest(one["separation_m"]) == most]
    told = _by_pairs(claim["separation_m"]), claim["end_zone_m"]
    findings.holds(
        any(told == (_by_pairs(one["separation_m"]), one["end_zone_m"]) for one in known),
        f"{what}: separation and end zone are {told}, which no service of it asks for",
    )


def _by_pairs(separation: Any) -> Any:
    """A separation by kinds with the two kinds of each in one order."""
    if not isinstance(separation, dict):
        return separation
    return {frozenset(map(str.strip, pair.split("/"))): m for pair, m in separation.items()}


def _widest(separation: Any) -> float:
    stated = separation.values() if isinstance(separation, dict) else [separation]
    return max(map(float, stated), default=0.0)


def check_least(
    what: str,
    claim: dict[str, Any],
    witness: list[dict[str, Any]],
    names: list[str],
    trial: Trial,
    findings: Tally,
) -> None:
    """The least of the closest approaches, and the circles that touch both or all ways."""
    least = claim["closest_m"]
    examined = "not examined" if least is None else "measured"
    findings.same(f"{what}: separation", claim["separation"], examined)
    pairs = [tuple(one["paths"]) for one in witness]
    findings.same(f"{what}: closest approaches told twice", len(pairs), len(set(pairs)))
    told = claim.get("closest")
    if not findings.holds((told is None) == (least is None), f"{what}: closest approach"):
        return
    if told is None:
        return
    many = several(trial)
    findings.same(f"{what}: whether closest names its paths", "paths" in told, many)
    findings.same(f"{what}: closest distance", told["distance_m"], least)
    ends = told["main_at"], told["alternate_at"]
    mine = [
        one
        for one in witness
        if told.get("paths") in (None, [names[place] for place in one["paths"]])
        and one["segments"] == [told["main"], told["alternate"]]
        and abs(one["distance_m"] - least) <= HALF_M
        and all(
            abs(rounded - exact) <= PLACE_DEG
            for place, at in zip(one["points"], ends, strict=True)
            for rounded, exact in zip(at or (), place, strict=True)
        )
    ]
    if not findings.holds(bool(mine), f"{what}: closest is no closest approach of its witness"):
        return
    whole = many and trial.group_test != "pairwise"
    half = None if whole else least / 2
    radius = told["danger_radius_m"]
    same = radius is None if half is None else radius is not None and abs(radius - half) <= HALF_M
    findings.holds(same, f"{what}: danger radius is {half}, not {radius} m")
    if half is None:
        findings.same(f"{what}: place of a danger radius", told["danger_at"], None)
        count = sum(len(c) * (len(c) - 1) // 2 for c in trial.contests())
        every = max(one["distance_m"] for one in witness) / 2 if len(witness) == count else None
        bound = told.get("danger_radius_at_least_m", "missing")
        same = bound is None if every is None else bound is not None and bound != "missing"
        same = same and (every is None or abs(bound - every) <= HALF_M)
        findings.holds(same, f"{what}: danger radius is at least {every}, not {bound}")
    else:
        findings.same(f"{what}: bound", told.get("danger_radius_at_least_m"), None)
        at = told["danger_at"]
        away = [GEOD.inv(*at, *told[end])[2] for end in ("main_at", "alternate_at")] if at else []
        inside = bool(at) and max(away) <= half + MIDDLE_M
        findings.holds(inside, f"{what}: the danger radius is not about {at}")


def check_kinds(world: World, what: str, claim: dict[str, Any], findings: Tally) -> None:
    """Kinds of the segments that come near each other or cross."""
    for one in _of_two(claim):
        known = [world.ground.kind.get(one["main"]), world.ground.kind.get(one["alternate"])]
        between = f"{one['main']} and {one['alternate']}"
        findings.same(f"{what}: kinds of {between}", one["kinds"], known)


def _of_two(claim: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for name in ("near", "near_folded", "cross"):
        for one in claim[name]:
            yield one
            yield from one.get("members", ())


def check_told_once(what: str, claim: dict[str, Any], many: bool, findings: Tally) -> None:
    """Nothing near or crossing stands twice; each names its two ways where there are more."""
    for name in ("near", "near_folded", "cross"):
        rows = claim[name]
        twice = [one for place, one in enumerate(rows) if one in rows[:place]]
        findings.holds(not twice, f"{what}: something stands twice in {name}")
        named = all(("paths" in one) == many for one in rows)
        findings.holds(named, f"{what}: something in {name} does not say between which ways")
    whole = claim["single_points"]["stretches"]
    known = {one["stretch"] for one in claim["stretches"]}
    ordered = whole == sorted(set(whole)) and set(whole) <= known
    findings.holds(ordered, f"{what}: single points name stretches {whole}")


def check_shared_stretches(
    plane: Plane,
    claim: dict[str, Any],
    trial: Trial,
    shared: Shared,
    findings: Tally,
) -> None:
    """Every shared asset stands in its stretch, in order, where every chain leads to it."""
    what = f"{'group' if trial.group_test else 'circuit'} {trial.id}"
    world = plane.world
    found = {name_of(one): one for one in shared.avoidable}
    labels = {_label(trial, key): key for side in trial.sides for key in side}
    counted = [one["stretch"] for one in claim["stretches"]]
    findings.same(f"{what}: stretches", counted, list(range(1, len(counted) + 1)))
    entries = {one["asset"]: one for one in claim["shared"]}
    listed = [(name, one) for one in claim["stretches"] for name in one["members"]]
    held = [(name, one) for one in claim["stretches"] for name in one["holders"]]
    told = [(name, one["stretch"]) for name, one in (*listed, *held)]
    stated = [(name, one["stretch"]) for name, one in entries.items()]
    findings.same(f"{what}: what stands in which stretch", sorted(told), sorted(stated))
    for name, mine in listed:
        said = f"{what}: shared {name}"
        if name not in found or name not in entries:
            continue
        findings.same(f"{said}: waived", mine["waived"], entries[name]["waived"])
        for label, chain in mine["via"].items():
            key = labels.get(label)
            findings.holds(
                key is not None and _leads(world, key, trial, chain, found[name]),
                f"{said}: the chain {' - '.join(chain)} of {label} does not lead there",
            )
        on_it = {label for label, key in labels.items() if found[name] in world.relied[key]}
        if trial.group_test == "pairwise":  # one way of each member
            firsts = (
                [_label(trial, key) for key in side if _label(trial, key) in on_it]
                for side in trial.sides
            )
            on_it = {one[0] for one in firsts if one}
        findings.same_set(f"{said}: chains", list(mine["via"]), on_it)
    for one in claim["stretches"]:
        said = f"{what}: stretch {one['stretch']}"
        _check_along(plane, one, labels, said, findings)


def _check_along(
    plane: Plane,
    stretch: dict[str, Any],
    labels: dict[str, Key],
    said: str,
    findings: Tally,
) -> None:
    """A stretch runs from its first member to its last along every way, and begins where it says.

    Where the course of a drawn cable is not certain, places along it are not either.
    """
    by, along = plane.world.records.by, stretch["along"]
    members = [by["joints"].get(one, {}).get("at", one) for one in stretch["members"]]
    keys = [labels[label] for label in stretch["via"] if label in labels]
    if any(plane.world.relied[key] & plane.world.cables.unsure for key in keys):
        return
    places = {label: plane.places_on(labels[label]) for label in stretch["via"] if label in labels}
    on_line = all(one in places[label] for label in places for one in members)
    due = (
        sorted(places)
        if on_line
        and all(
            any(one in by[role] for role in ("structures", "segments", "joints"))
            for one in stretch["members"]
        )
        else []
    )
    findings.same(f"{said}: ways along which it lies", sorted(along), due)
    first = next(iter(places), None)
    if on_line and first is not None:
        begins = [places[first][one][0] for one in members]
        ordered = all(one <= two + ALONG_M for one, two in pairwise(begins))
        findings.holds(ordered, f"{said}: its members do not stand in the order of {first}")
    for label in set(along) & set(places):
        told, mine = along[label], [places[label].get(one, (0.0, 0.0)) for one in members]
        begin, end = min(one[0] for one in mine), max(one[1] for one in mine)
        slack = ALONG_M + 1e-5 * end
        right = abs(told["from_m"] - begin) <= slack and abs(told["to_m"] - end) <= slack
        findings.holds(right, f"{said}: along {label} from {begin:.2f} to {end:.2f} m, not {told}")
    if (stretch["at"] is not None) != bool(along):
        findings.holds(False, f"{said}: its place is {stretch['at']}")
    elif along and first is not None:
        begin, end = places[first].get(members[0], (0.0, 0.0))
        away = plane.away_m(labels[first], (begin + end) / 2, stretch["at"])
        slack = PLACE_M + 1e-4 * (end - begin)
        findings.holds(away <= slack, f"{said}: {members[0]} lies {away:.2f} m off")


def _label(trial: Trial, key: Key) -> str:
    return key[1] if trial.group_test is None else f"{key[0]} {key[1]}"


def _leads(world: World, path: Key, trial: Trial, chain: list[str], asset: Asset) -> bool:
    """Whether each of a chain's members is a direct reason for the next."""
    side = next((side for side in trial.sides if path in side), [path])
    links = {link for key in side for link in world.paths[key]}
    if not chain or chain[0] not in links:
        return False
    if isinstance(asset, tuple):
        return asset[1] in links
    items = world.reliance.items[chain[0]]
    at: str | None = None
    for following in [*chain[1:], asset]:
        if at is None:
            if following not in items:
                return False
        elif following not in _direct(world, at):
            return False
        at = following
    return True


def _direct(world: World, asset: str) -> set[Asset]:
    """What an asset is a direct reason for: its parts, holders, hazards, ends and needs."""
    found = {*world.reliance.holders.get(asset, ()), *world.reliance.works.get(asset, ())}
    if asset in world.ground.ends:
        found |= set(world.ground.nodes(asset))
    if asset in world.cables.chain:
        found |= {step.segment for step in world.cables.chain[asset]}
        found |= {str(node) for node, _ in world.cables.nodes(asset) if node is not None}
        found |= {str(world.cables.carrier[asset])}
        found.update(world.records.joints_of.get(asset, ()))
        found.update(world.records.joints_of.get(None, ()))
    return found
