"""How far apart two paths run, by a plain comparison of every segment with every other.

Everything is drawn in one conformal plane about the middle of the plant
(stereographic), with long straight stretches divided along the geodesic first. In
a conformal plane lengths about a place are those on the ground times the scale
there, whatever their direction; so every distance is divided by the scale of the
place where it is measured. What lies too far apart for that is measured along the
geodesic between the two places.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import shapely
from pyproj import Proj, Transformer
from shapely.ops import substring

from waysapart.recheck.ground import GEOD
from waysapart.recheck.links import stretch
from waysapart.recheck.paths import Key
from waysapart.recheck.reading import LON_LAT, carried
from waysapart.recheck.world import World

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
class Pair:
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

    def pair(self, one: Key, other: Key, circuits: list[str], zone_m: float) -> Pair:
        """Two paths, with what lies in the end zones of some circuits cut off."""
        first, second = self.followed(one), self.followed(other)
        common = {item.line for item in first} & {item.line for item in second}
        pair = Pair((one, other), first, second)
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


def closest_m(plane: Plane, pair: Pair) -> float | None:
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


def meetings(pair: Pair, reach_m: float) -> list[tuple[Line, Line]]:
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
    plane: Plane, pair: Pair, limit_of: Callable[[str, str], float], widest_m: float
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
    pair: Pair,
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
    turned = Pair(pair.paths[::-1], pair.second, pair.first, pair.outside, pair.left)
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


def crossing_places(pair: Pair, one: Line, other: Line) -> list[Any]:
    """Places where two lines meet in plan: points, and lines where they run together."""
    close = pair.left[one].intersection(pair.left[other].buffer(TOUCH_M, quad_segs=_ROUND))
    return [part if part.length > OVERLAP_M else part.centroid for part in _joined(close)]
